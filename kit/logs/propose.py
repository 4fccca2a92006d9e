"""Proposing the layout of a log nobody has declared yet, with reasons, for people to confirm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kit.errors import RunFileError
from kit.logs.cells import number_in
from kit.logs.guess import ColumnGuess, guess_columns
from kit.logs.read import Log, read_log
from kit.logs.shape import LogShape, look_at_log
from kit.logs.unpacked import PARQUET, recorded_chunks, refuse
from kit.settings.bench_file import Layout
from kit.settings.starting import flow_yaml, starting_bench, starting_params, starting_run_sheet

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Proposal",
    "propose_layout",
    "starting_bench",
    "starting_params",
    "starting_run_sheet",
]

LOOK_ROWS = 5000


@dataclass(frozen=True, slots=True)
class Proposal:
    """A layout proposed for a log.

    Attributes
    ----------
    file : str
        The log looked at.
    name : str
        A name for the layout.
    layout : mapping
        The keys of a layout of `bench.yaml`, those left out that keep their usual value.
    yaml : str
        The same as text for `bench.yaml`, with the reasons as comments.
    reasons : mapping of str to str
        Why, by key.
    doubts : tuple of str
        What the analyst should look at before using it.
    frames, average_fps : int, float
        What the log holds if it is read so.
    """

    file: str
    name: str
    layout: Mapping[str, Any]
    yaml: str
    reasons: Mapping[str, str]
    doubts: tuple[str, ...]
    frames: int
    average_fps: float

    def to_dict(self) -> dict[str, Any]:
        """Return the proposal as plain data."""
        return {"ok": True, **asdict(self), "layout": dict(self.layout)}

    def to_lines(self) -> list[str]:
        """Return the layout as text for `bench.yaml`, its reasons and doubts as comments."""
        return self.yaml.rstrip().splitlines()

    def to_frame(self) -> pd.DataFrame:
        """Return a table with a row per key: `key`, `value`, `reason` (text)."""
        import pandas as pd

        rows = [
            {"key": key, "value": str(value), "reason": self.reasons.get(key, "")}
            for key, value in _flat(self.layout)
        ]
        return pd.DataFrame(rows, columns=pd.Index(["key", "value", "reason"]))


def propose_layout(path: Path, *, name: str = "") -> Proposal:
    """Look at a log and propose how it is to be read.

    Parameters
    ----------
    path : Path
        The log: text (plain, gzip or zstd) or Parquet.
    name : str
        A name for the layout; without one it is made of the file's ending.

    Raises
    ------
    RunFileError
        If the file cannot be read, or no column of it may hold frames.

    Notes
    -----
    The first rows are looked at, then the whole log is read through the proposal. A proposal may
    be wrong where values fit more than one meaning: `doubts` names what was close.
    """
    if next(recorded_chunks(path, file=path.name), b"").startswith(PARQUET):
        shape, columns, names = None, *_parquet_columns(path)
    else:
        shape = look_at_log(path)
        columns, names = _text_columns(shape), list(shape.names)
    guesses = guess_columns(columns, names)
    best = next((g for g in guesses if g.kind in {"frame_time", "frame_end"}), None)
    if best is None:
        raise refuse(
            path.name,
            "no column of it may hold frames: none is above 0 and changing, or rising row by row",
        )
    reasons: dict[str, str] = dict(shape.reasons) if shape else {"container": "its first bytes"}
    doubts = [*(shape.doubts if shape else ()), *_doubts(best, guesses)]
    layout = _layout_keys(path, shape, best, guesses, names, reasons)
    log = _read_through(path, layout, doubts)
    label = name or _label(path)
    average = 1000.0 * log.frame_ms.size / float(log.frame_ms.sum())
    found = f"{log.frame_ms.size} frames in {log.frame_ms.sum() / 1000.0:.4g} s"
    reasons["frames"] = f"read so, the log holds {found}: {average:.4g} frames per second"
    text = _to_yaml(label, layout, reasons, doubts)
    return Proposal(
        path.name, label, layout, text, reasons, tuple(doubts), int(log.frame_ms.size), average
    )


def _text_columns(shape: LogShape) -> dict[int, NDArray[np.float64]]:
    """Return the columns of numbers of a text log, by place."""
    columns: dict[int, NDArray[np.float64]] = {}
    for place in range(shape.width):
        numbers = [number_in(row[place], shape.decimal) for row in shape.cells]
        texts = [row[place] for row in shape.cells]
        wrong = sum(
            n is None and t.lower() not in {"", "nan", "n/a"}
            for n, t in zip(numbers, texts, strict=True)
        )
        if wrong == 0 and any(n is not None for n in numbers):
            columns[place] = np.array([np.nan if n is None else n for n in numbers])
    return columns


def _parquet_columns(path: Path) -> tuple[dict[int, NDArray[np.float64]], list[str]]:
    """Return the first rows of the columns of numbers of a Parquet log, and all names."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as parquet:
            schema = parquet.schema_arrow
            batch = next(parquet.iter_batches(LOOK_ROWS), None)
    except (pa.ArrowException, OSError) as error:
        raise refuse(path.name, f"damaged Parquet data ({str(error).splitlines()[0]})") from None
    if batch is None:
        raise refuse(path.name, "the file holds no row")
    columns = {
        place: batch.column(place).cast(pa.float64()).to_numpy(zero_copy_only=False)
        for place, kind in enumerate(schema.types)
        if pa.types.is_integer(kind) or pa.types.is_floating(kind)
    }
    return columns, list(schema.names)


def _doubts(best: ColumnGuess, guesses: list[ColumnGuess]) -> list[str]:
    """Return what was close, or odd about the best guess."""
    doubts = [
        f"column {other.place + 1} ({other.name or 'no name'}) may be the one as well: "
        f"{other.kind} in {other.unit}"
        for other in guesses
        if other is not best
        and other.kind in {"frame_time", "frame_end"}
        and other.score > best.score - 1.5
    ]
    return doubts + [reason for reason in best.reasons if "though" in reason or "but " in reason]


def _layout_keys(
    path: Path,
    shape: LogShape | None,
    best: ColumnGuess,
    guesses: list[ColumnGuess],
    names: list[str],
    reasons: dict[str, str],
) -> dict[str, Any]:
    """Return the keys of the layout that differ from the usual."""
    keys: dict[str, Any] = {"files": _glob(path)}
    if shape is None:
        keys["container"] = "parquet"
    else:
        keys["delimiter"] = shape.delimiter
        for key, value, usual in (
            ("decimal", shape.decimal, "."),
            ("header", shape.header, True),
            ("skip_lines", shape.skip_lines, 0),
            ("comment", shape.comment, None),
            ("encoding", shape.encoding, "utf-8"),
        ):
            if value != usual:
                keys[key] = value
    named = shape is None or shape.header
    frames: dict[str, Any] = {
        "column": _column(best, names, named=named),
        "holds": best.kind,
        "unit": best.unit,
    }
    if best.starts != "first_row":
        frames["starts"] = best.starts
    keys["frames"] = frames
    reasons["frames.column"] = "; ".join(best.reasons)
    sensors: dict[str, Any] = {}
    for guess in sorted(guesses, key=lambda g: g.place):
        if guess.kind == "sensor":
            key, number = guess.sensor, 2
            while key in sensors:
                key, number = (
                    f"{guess.sensor.rpartition('_')[0]}_{number}_"
                    + (guess.sensor.rpartition("_")[2]),
                    number + 1,
                )
            sensors[key] = _column(guess, names, named=named)
    if sensors:
        keys["sensors"] = sensors
        reasons["sensors"] = "by their headers; rename or remove them as needed"
    left = [g.name for g in guesses if g.kind != "sensor" and g is not best and g.name]
    if left:
        reasons["not read"] = ", ".join(sorted(left))
    return keys


def _column(guess: ColumnGuess, names: list[str], *, named: bool) -> str | int:
    """Return a column's name where it has one of its own, else its place from 1."""
    name = names[guess.place] if named and guess.place < len(names) else ""
    return name if name and names.count(name) == 1 else guess.place + 1


def _glob(path: Path) -> str:
    """Return the pattern of file names with the same ending."""
    ending = path.name[1:].partition(".")[2]
    return f"*.{ending}" if ending else "*"


def _label(path: Path) -> str:
    """Return a name for a layout, made of letters and digits of the file's ending."""
    letters = "".join(c if c.isascii() and c.isalnum() else "-" for c in _glob(path)[2:].lower())
    return f"log-{letters.strip('-') or 'plain'}"


def _read_through(path: Path, keys: dict[str, Any], doubts: list[str]) -> Log:
    """Return the log read through the proposal; sensors that do not read are left out."""
    try:
        return read_log(path, Layout.model_validate(keys), file=path.name)
    except RunFileError as error:
        if not keys.get("sensors"):
            raise
        log = read_log(path, Layout.model_validate(keys), file=path.name, sensors=False)
        doubts.append(f"a sensor column does not read: {error.faults[0].message}")
        del keys["sensors"]
        return log


def _flat(layout: Mapping[str, Any], prefix: str = "") -> list[tuple[str, object]]:
    """Return the keys and values of a layout, dotted."""
    found: list[tuple[str, object]] = []
    for key, value in layout.items():
        if isinstance(value, Mapping):
            found += _flat(value, f"{prefix}{key}.")
        else:
            found.append((f"{prefix}{key}", value))
    return found


def _to_yaml(
    label: str, layout: Mapping[str, Any], reasons: Mapping[str, str], doubts: list[str]
) -> str:
    """Return the layout as text for bench.yaml, with the reasons as comments."""
    lines = [
        "# Proposed from a look at one log. Confirm each line before runs depend on it.",
        "layouts:",
        f"  {label}:",
    ]
    shown = [f"  # {key}: {reason}" for key, reason in reasons.items()]
    doubtful = [f"  # LOOK AT THIS: {doubt}" for doubt in doubts]
    lines += [line.replace("\n", " ") for line in (*doubtful, *shown)]
    for key, value in layout.items():
        if isinstance(value, Mapping):
            lines.append(f"    {key}:")
            lines += [f"      {name}: {flow_yaml(inner)}" for name, inner in value.items()]
        else:
            lines.append(f"    {key}: {flow_yaml(value)}")
    return "\n".join(lines) + "\n"
