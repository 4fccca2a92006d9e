"""Raw logs read through declared layouts, and hashed in the same read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kit.errors import RunFileError
from kit.logs.rows import (
    Column,
    TextTable,
    Troubles,
    are_frames,
    explain_rows,
    find_places,
    find_table,
    ms_per,
    note_cut_short,
    read_rows,
    row_lines,
    step_in_text,
    to_ms,
)
from kit.logs.unpacked import (
    CHUNK_BYTES,
    GZIP,
    PARQUET,
    ZSTD,
    Digest,
    check_size,
    recorded_chunks,
    text_blocks,
)
from kit.settings.bench_file import Layout

if TYPE_CHECKING:
    from pyarrow import DataType
    from pyarrow.parquet import ParquetFile

MAX_HELD_BYTES = 256 * 1024 * 1024


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """One raw log, read.

    Attributes
    ----------
    file : str
        The log's path from the bench folder, with forward slashes.
    sha256 : str
        Of the bytes as recorded (compressed, if they were).
    size_bytes : int
        Number of those bytes.
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, in the order shown. Finite; > 0 unless
        `backward_rows` names rows.
    sensors : mapping of str to ndarray of float, shape (n_frames,)
        Extra columns kept with the run; NaN where a reading is missing.
    step_ms : float
        Smallest step the log's figures can express (0.0001 for four decimals of a
        millisecond): how coarsely the capture was rounded. 0.0 where the log holds binary floats.
    backward_rows : tuple of int
        Rows (counted from 1, in the file) whose stamp is not later than the one before.
        Such a log can be read but not measured.
    """

    file: str
    sha256: str
    size_bytes: int
    frame_ms: NDArray[np.float64]
    sensors: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    step_ms: float = 0.0
    backward_rows: tuple[int, ...] = ()


@dataclass(slots=True)
class _Frames:
    """Frames and sensor readings of a log, gathered block by block."""

    layout: Layout
    last: float | int | None = None
    frame_ms: list[NDArray[np.float64]] = field(default_factory=list)
    sensors: list[list[NDArray[np.float64]]] = field(default_factory=list)
    backward_rows: list[int] = field(default_factory=list)
    step_ms: float = 0.0

    def add(
        self,
        columns: list[Column],
        lines: Callable[[], NDArray[np.int64]],
    ) -> None:
        """Take in the columns of one block; `lines` gives the line of each row, if asked."""
        values, unit = columns[0], self.layout.frames.unit
        readings = [np.asarray(column, dtype=np.float64) for column in columns[1:]]
        if self.layout.frames.holds == "frame_time" or not values.size:
            self.frame_ms.append(to_ms(values, unit))
            self.sensors.append(readings)
            return
        if self.last is None and self.layout.frames.starts == "zero":
            self.last = 0
        opens = self.last is None  # the first stamp ends no frame
        before = values[0] if self.last is None else self.last
        steps = np.diff(values, prepend=np.asarray([before]))
        self.last = values[-1].item()
        backward = np.flatnonzero(steps[opens:] <= 0)
        if backward.size:
            self.backward_rows.extend(int(n) for n in lines()[opens:][backward])
        self.frame_ms.append(to_ms(steps[opens:], unit))
        self.sensors.append([column[opens:] for column in readings])

    def to_log(self, *, file: str, sha256: str, size_bytes: int, sensors: bool) -> Log:
        """Return the log, or refuse one in which no frame was recorded."""
        frame_ms = _joined(self.frame_ms)
        if not frame_ms.size:
            one = " (one stamp makes no frame)" if self.last is not None else ""
            raise RunFileError.at(file, f"holds no frame{one}; {_GIVE_STATUS}")
        names = self.layout.sensors if sensors else ()
        readings = {name: _joined([b[i] for b in self.sensors]) for i, name in enumerate(names)}
        return Log(
            file, sha256, size_bytes, frame_ms, readings, self.step_ms, tuple(self.backward_rows)
        )


_GIVE_STATUS = "if the run did not finish, give its row in runs.csv a status and a reason"


def _joined(parts: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    return parts[0] if len(parts) == 1 else np.concatenate([np.empty(0), *parts])


def read_log(path: Path, layout: Layout, *, file: str, sensors: bool = True) -> Log:
    """Read a raw log through its layout, and hash the bytes in the same read.

    Parameters
    ----------
    path : Path
        The log as recorded: text (plain, gzip or zstd) or Parquet.
    layout : Layout
        How it is to be read.
    file : str
        The name faults give the log.
    sensors : bool
        Whether to read the sensor columns of the layout too.

    Returns
    -------
    Log
        Times in milliseconds.

    Raises
    ------
    RunFileError
        If the log does not fit its layout: one fault per log (or one per column that is not
        there) with the line in the file, the text found, what was expected and what to do.

    Notes
    -----
    Rows whose stamp is not later than the one before are no fault here: they are named in
    `backward_rows`, and screening decides. A text log is held in memory block by block.
    """
    digest = Digest()
    chunks = digest.of_passing(recorded_chunks(path, file=file))
    if layout.container == "parquet":
        return _read_parquet(path, chunks, digest, layout, file=file, sensors=sensors)
    frames = _read_text(chunks, layout, file=file, sensors=sensors)
    return frames.to_log(
        file=file, sha256=digest.hexdigest(), size_bytes=digest.size_bytes, sensors=sensors
    )


def parse_log(
    data: bytes, layout: Layout, *, file: str, sensors: bool = True, sha256: str | None = None
) -> Log:
    """Read a raw log from its bytes, as `read_log` does from a file.

    A pure function of its arguments, so that it may run anywhere. `sha256` is that of `data`,
    where the caller has it already.

    Raises
    ------
    RunFileError
        As `read_log`.

    Examples
    --------
    >>> layout = Layout(frames={"column": "ms", "holds": "frame_time", "unit": "ms"})
    >>> log = parse_log(b"n,ms\\n1,16.7\\n2,16.6\\n", layout, file="a.csv")
    >>> log.frame_ms, round(log.step_ms, 6)
    (array([16.7, 16.6]), 0.1)
    """
    digest = Digest(known=sha256)
    slices = (data[at : at + CHUNK_BYTES] for at in range(0, len(data), CHUNK_BYTES))
    chunks = digest.of_passing(slices)
    if layout.container == "parquet":
        return _read_parquet(None, chunks, digest, layout, file=file, sensors=sensors)
    frames = _read_text(chunks, layout, file=file, sensors=sensors)
    return frames.to_log(
        file=file, sha256=digest.hexdigest(), size_bytes=digest.size_bytes, sensors=sensors
    )


def _read_text(chunks: Iterable[bytes], layout: Layout, *, file: str, sensors: bool) -> _Frames:
    """Return the frames of a text log."""
    frames, troubles = _Frames(layout), Troubles()
    table: TextTable | None = None
    block, offset, line = b"", 0, 1
    for following in text_blocks(chunks, encoding=layout.encoding, file=file):
        if table is None:
            table = find_table(following, layout, file=file, sensors=sensors)
            offset, line = table.offset, table.line
        else:
            line += block.count(b"\n", offset)
            offset = 0
        block = following
        troubles.last_line = 0
        columns = read_rows(block, table, offset=offset)
        if columns is None or not _plausible(columns[0], layout):
            columns = explain_rows(block, table, troubles, offset=offset, line=line)
        if troubles.full:
            break
        if not troubles.found:
            if not frames.frame_ms:
                frames.step_ms = step_in_text(block, table, columns[0]) * ms_per(layout.frames.unit)
            frames.add(columns, partial(row_lines, block, table, offset=offset, line=line))
    if table is None:
        raise RunFileError.at(file, f"the file is empty; {_GIVE_STATUS}")
    if not troubles.found:
        note_cut_short(block, table, troubles, offset=offset, line=line)
    troubles.raise_if_any(table)
    return frames


def _plausible(values: Column, layout: Layout) -> bool:
    """Return whether the values of a frame column need no explaining."""
    if layout.frames.holds == "frame_time":
        return are_frames(values, layout.frames.unit)
    return bool(np.isfinite(values).all())


def _read_parquet(
    path: Path | None,
    chunks: Iterable[bytes],
    digest: Digest,
    layout: Layout,
    *,
    file: str,
    sensors: bool,
) -> Log:
    """Return a log kept as Parquet, read batch by batch; only the bytes of small ones are held."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    held: list[bytes] = []
    stamp = path.stat().st_mtime_ns if path is not None and path.exists() else 0
    for chunk in chunks:
        if digest.size_bytes == len(chunk) and not chunk.startswith(PARQUET):
            raise RunFileError.at(file, _no_parquet(chunk))
        if path is None or digest.size_bytes <= MAX_HELD_BYTES:
            held.append(chunk)
    if not digest.size_bytes:
        raise RunFileError.at(file, f"the file is empty; {_GIVE_STATUS}")
    whole = path is None or digest.size_bytes <= MAX_HELD_BYTES
    source = pa.BufferReader(b"".join(held)) if whole else str(path)
    held.clear()
    frames = _Frames(layout)
    try:
        with pq.ParquetFile(source, memory_map=not whole) as parquet:
            _read_batches(parquet, frames, digest.size_bytes, file, sensors)
        if not whole and path is not None and path.stat().st_mtime_ns != stamp:
            raise RunFileError.at(file, "changed while it was being read; run again")
    except (pa.ArrowException, OSError) as error:
        raise RunFileError.at(
            file,
            f"damaged Parquet data ({str(error).splitlines()[0][:120]}); take the log from the "
            "recorder again",
        ) from None
    return frames.to_log(
        file=file, sha256=digest.hexdigest(), size_bytes=digest.size_bytes, sensors=sensors
    )


def _no_parquet(start: bytes) -> str:
    if start.startswith((GZIP, ZSTD)):
        return "is a packed file; Parquet packs its own columns, so unpack it"
    return "is not a Parquet file by its first bytes; correct `container` in its layout"


def _read_batches(
    parquet: ParquetFile, frames: _Frames, size_bytes: int, file: str, sensors: bool
) -> None:
    """Add the rows of a Parquet file to `frames`."""
    import pyarrow as pa
    import pyarrow.compute as pc

    layout, schema = frames.layout, parquet.schema_arrow
    rows = parquet.metadata.num_rows
    check_size(size_bytes, 8 * rows, file)
    places, labels = find_places(layout, schema.names, len(schema.names), None, file, sensors)
    types = [schema.field(place).type for place in places]
    for label, kind in zip(labels, types, strict=True):
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or _is_decimal(kind)):
            raise RunFileError.at(file, f"the column holds {kind}; expected numbers", key=label)
    if _is_decimal(types[0]):
        frames.step_ms = 10.0 ** -types[0].scale * ms_per(layout.frames.unit)
    elif pa.types.is_integer(types[0]):
        frames.step_ms = ms_per(layout.frames.unit)
    whole = pa.types.is_integer(types[0]) and layout.frames.holds == "frame_end"
    wanted = [pa.int64() if whole else pa.float64(), *[pa.float64()] * (len(places) - 1)]
    names = [schema.names[place] for place in places]
    row = 1
    # Several threads would change nothing but the memory taken.
    for batch in parquet.iter_batches(1 << 18, columns=sorted(set(names)), use_threads=False):
        arrays = [
            pc.cast(batch.column(name), kind) for name, kind in zip(names, wanted, strict=True)
        ]
        columns = [array.to_numpy(zero_copy_only=False) for array in arrays]
        lines = np.arange(row, row + batch.num_rows, dtype=np.int64)
        if arrays[0].null_count or not _plausible(columns[0], layout):
            _refuse_values(columns[0], lines, labels[0], layout, file)
        frames.add(columns, lambda lines=lines: lines)  # type: ignore[misc]
        row += batch.num_rows


def _is_decimal(kind: DataType) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_decimal(kind))


def _refuse_values(
    values: Column,
    rows: NDArray[np.int64],
    label: str,
    layout: Layout,
    file: str,
) -> None:
    """Raise for the values of a batch that are no frame times or stamps."""
    unit = layout.frames.unit
    wrong = [
        (int(row), float(value))
        for row, value in zip(rows, values, strict=True)
        if not _plausible(np.asarray([value], dtype=np.float64), layout)
    ]
    what = "frame time" if layout.frames.holds == "frame_time" else "time stamp"
    more = f" ({len(wrong)} such rows among the {len(rows)} from row {rows[0]})"
    shown = "nothing or NaN" if np.isnan(wrong[0][1]) else f"{wrong[0][1]:g}"
    raise RunFileError.at(
        file,
        f"found {shown}; expected a {what} in {unit}{more if len(wrong) > 1 else ''}; "
        "no row of this log was used; take the log from the recorder again, or give the "
        "run a status and a reason in runs.csv",
        line=wrong[0][0],
        key=label,
    )
