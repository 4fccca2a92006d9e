"""Proposing the layout of a log nobody has declared yet, with reasons, for people to confirm.

First the shape of the text (encoding, delimiter, decimal mark, comments, header), then which column
holds the frames, in which unit. A look, not a reading: what is found is proposed with its reason.
"""

from __future__ import annotations

import csv
import json
import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import count, groupby, islice, takewhile
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kit.errors import RunFileError
from kit.logs.read import Log, number_in
from kit.logs.shapes import (
    CHARACTERS,
    UNIT_PER_MS,
    ZIP,
    json_cells,
    make_plain,
    moment_ns,
    number_with_unit,
    split_cells,
)
from kit.logs.unpacked import (
    CHUNK_BYTES,
    GZIP,
    PARQUET,
    ZSTD,
    recorded_chunks,
    text_blocks,
    unpacked_pieces,
)
from kit.settings.bench_file import Layout
from kit.settings.yaml import yaml_text

if TYPE_CHECKING:
    import pandas as pd


_LOOK_LINES = _LOOK_ROWS = 5000
_SLOWEST_FPS, _FASTEST_FPS = 0.05, 4e3  # of what is proposed; beyond, something was mistaken
_LOOK_BYTES = 64 * 1024 * 1024
_COMMENT_MARKS = ("#", "//", "--", "%", "!", "*", ";", "'", "rem ")
_DELIMITERS = ("tab", ";", "|", ",", ":", "space")
_NONE = frozenset({"", "nan", "n/a"})  # cells that hold no reading


@dataclass(frozen=True, slots=True)
class _LogShape:
    """How a text log is laid out, each finding with its reason.

    Attributes
    ----------
    encoding, comment, skip_lines, header
        Keys of a layout.
    cut : _Cut
        Delimiter, decimal mark and width.
    names : sequence of str
        The header's cells; empty without one.
    cells : sequence of sequences of str
        The rows looked at, each of as many cells.
    reasons : dict of str to str
        Why, by layout key.
    ambiguities : list of str
        What the analyst must look at.
    keys : dict
        Further keys of the layout: container, until, units_in_cells, parts.
    """

    encoding: str
    comment: str | None
    cut: _Cut
    skip_lines: int
    header: bool
    names: Sequence[str]
    cells: Sequence[Sequence[str]]
    reasons: dict[str, str]
    ambiguities: list[str]
    keys: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Cut:
    """How lines fall into cells with one delimiter and decimal mark.

    Attributes
    ----------
    delimiter, decimal : str
        As a layout names them.
    width : int
        Cells of a row.
    share : float
        Of the lines, those that have so many cells and numbers in the same places.
    numeric : tuple of int
        Places of columns that hold numbers.
    named : bool
        Whether a line above the rows has as many cells.
    """

    delimiter: str
    decimal: str
    width: int
    share: float
    numeric: tuple[int, ...]
    named: bool

    def fits(self, cells: Sequence[str]) -> bool:
        """Return whether cells are those of a row: numbers, or nothing, where numbers stand."""
        return len(cells) == self.width and all(
            not cells[place] or _is_number(cells[place], self.decimal) for place in self.numeric
        )

    def may_name(self, cells: Sequence[str]) -> bool:
        """Return whether a line above the rows may name their columns."""
        if len(cells) != self.width:
            return False
        numbers = any(_is_number(cells[place], self.decimal) for place in self.numeric)
        return not numbers and any(re.search(r"[^\W\d]", cell) for cell in cells)


def _look_at_log(data: bytes, path: Path, *, whole: bool) -> _LogShape:
    """Return the shape of a text log; `whole` says whether `data` are all of it.

    Raises
    ------
    RunFileError
        If it cannot be read, or holds no rows of numbers.
    """
    reasons: dict[str, str] = {}
    encoding, file = _encoding(data, path, reasons), path.name
    blocks, size = [], 0
    for block in text_blocks(_chunks(data), encoding=encoding, file=file):
        blocks.append(block)
        size += len(block)
        if not whole or size > _LOOK_BYTES:
            break
    text = b"".join(blocks)
    every = [line.decode("utf-8", errors="replace") for line in text.splitlines()]
    if every and every[0].startswith("{"):
        return _json_shape(every[:_LOOK_LINES], encoding, reasons, path)
    lines = every[:_LOOK_LINES]
    if len(every) > _LOOK_LINES or not text.endswith((b"\n", b"\r")):
        lines = lines[:-1] or lines  # perhaps cut short
    comment = _comment_mark(lines)
    rows = [
        (number, line)
        for number, line in enumerate(lines, start=1)
        if line.strip() and not (comment and line.startswith(comment))
    ]
    cut = _best_cut([line for _, line in rows], path)
    if cut is None:
        raise RunFileError.at(file, "holds no rows of numbers; is it a frame-time log?")
    return _with_ends(_shape(rows, cut, comment, encoding, reasons), every)


def _chunks(data: bytes) -> Iterator[bytes]:
    return (data[at : at + CHUNK_BYTES] for at in range(0, len(data), CHUNK_BYTES))


def _json_shape(
    lines: Sequence[str], encoding: str, reasons: dict[str, str], path: Path
) -> _LogShape:
    """Return the shape of JSON lines: their keys are the columns."""
    found = []
    for line in lines:
        try:
            cells = json_cells(json.loads(line))
        except (ValueError, AttributeError):
            continue
        found.append(cells)
    often = Counter(name for cells in found for name in cells)
    names = [name for name, times in often.items() if times > len(found) / 2]
    if not names:
        raise RunFileError.at(path.name, "holds no rows of numbers; is it a frame-time log?")
    kept = [cells for cells in found if all(name in cells for name in names)]
    texts = [["" if c[n] is None else str(c[n]) for n in names] for c in kept]
    reasons["container"] = "each line is a JSON object; columns are its keys"
    cut = _Cut(",", ".", len(names), 1.0, (), True)
    keys = {"container": "jsonl"}
    return _LogShape(encoding, None, cut, 0, True, names, texts, reasons, [], keys)


_SUMMARY = re.compile(
    r"\W*(avg|average|mean|min|max|total|sum|summary|median|p\d|std|result|end of|mittel)", re.I
)


def _with_ends(shape: _LogShape, lines: Sequence[str]) -> _LogShape:
    """Return a shape with where its rows end, or into which sections they fall."""
    cut = shape.cut
    cells = [_cells(line, cut.delimiter) for line in lines]
    fits = [
        i >= shape.skip_lines
        and cut.fits(row)
        and any(row[place] for place in cut.numeric)
        and not (shape.comment and lines[i].startswith(shape.comment))
        and not _SUMMARY.match(lines[i])
        for i, row in enumerate(cells)
    ]
    if True not in fits:
        return shape
    groups = [(ok, [i for i, _ in g]) for ok, g in groupby(enumerate(fits), key=lambda f: f[1])]
    blocks = [places for ok, places in groups if ok]
    above = [[i for i in places if lines[i].strip()] for ok, places in groups if not ok]
    body = [row for i, row in enumerate(cells) if fits[i]][:_LOOK_ROWS]
    keys, reasons, unsure = dict(shape.keys), dict(shape.reasons), list(shape.ambiguities)
    header, names, skip = shape.header, shape.names, shape.skip_lines
    tail = [i for i in range(blocks[-1][-1] + 1, len(lines)) if lines[i].strip()]
    between = above[1:-1] if tail else above[1:]
    heads = [places for places in above if places][: len(blocks)]
    if len(blocks) > 1 and len(heads) == len(blocks) and all(between[: len(blocks) - 1]):
        others = [lines[places[0]] for places in heads[1:]]
        tried = (_heading([lines[i], *others]) for i in heads[0])
        heading = next(filter(None, tried), "")
        if heading:
            body = [cells[i] for i in blocks[0]][:_LOOK_ROWS]
            keys["parts"] = {"heading": heading}
            reasons["parts"] = f"{len(blocks)} sections of rows stand below lines of one form"
            header = header and all(len(p) > 1 or heading[1:] == "" for p in heads)
            header = header or (bool(shape.names) and heading.startswith("^()"))
            skip = 0
            reasons.pop("skip_lines", None)
            unsure = [u for u in unsure if "rows do not have" not in u]
    elif tail and (until := _until(lines, blocks[-1][-1], tail[0], shape)) is not None:
        keys["until"] = until
        shown = f"a line that begins with {until!r}" if until else "an empty line"
        reasons["until"] = f"below {shown} stands a summary, not rows"
        unsure = [u for u in unsure if "rows do not have" not in u]
    if not header and shape.header:
        reasons["header"] = "names stand above the sections, so columns are given by place"
    return replace(
        shape, cells=body, keys=keys, reasons=reasons, ambiguities=unsure, header=header,
        names=names, skip_lines=skip,
    )  # fmt: skip


def _heading(lines: Sequence[str]) -> str:
    """Return a regular expression of lines alike but for one place, or nothing.

    >>> _heading(["== canyon ==", "== weir =="]), _heading(["n,ms", "n,ms"]), _heading(["a", "b"])
    ('^==\\\\ (.+)\\\\ ==', '^()n,ms', '')
    """
    start = _common_start(lines)
    if all(line == start for line in lines):
        return f"^(){re.escape(start)}"
    end = _common_start([line[len(start) :][::-1] for line in lines])[::-1]
    middles = [line[len(start) : len(line) - len(end)] for line in lines]
    # A word that begins or ends alike is the name's.
    if any(m[:1].isalpha() for m in middles) or start[-1:].isdigit():
        start = re.sub(r"\w+$", "", start)
    if end[:1].isalnum():
        end = re.sub(r"^\w+", "", end)
    if not start.strip():
        return ""
    return f"^{re.escape(start)}(.+){re.escape(end)}"


def _common_start(lines: Sequence[str]) -> str:
    """Return what all lines begin with."""
    same = takewhile(lambda letters: len(set(letters)) == 1, zip(*lines, strict=False))
    return "".join(letters[0] for letters in same)


def _until(lines: Sequence[str], last: int, first: int, shape: _LogShape) -> str | None:
    """Return what the first line below the rows begins with, where no row begins so."""
    word = re.match(r"\s*([^\d\s,;|\t]+)", lines[first])
    rows = [line.lstrip() for line in lines[shape.skip_lines : last + 1]]
    if word and not any(line.startswith(word[1]) for line in rows):
        return word[1]
    return "" if any(not lines[i].strip() for i in range(last + 1, first)) else None


def _encoding(data: bytes, path: Path, reasons: dict[str, str]) -> str:
    """Return the encoding the first bytes speak of."""
    for magic, name in ((GZIP, "gzip"), (ZSTD, "zstd")):
        if data.startswith(magic):
            reasons["packing"] = f"packed with {name}, which needs no key"
    first = next(unpacked_pieces(_chunks(data), path.name), b"")[: 1 << 20]
    if not first:
        raise RunFileError.at(path.name, "the file is empty")
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        reasons["encoding"] = "the first bytes are the mark of UTF-16"
        return "utf-16"
    if first[:400].count(b"\0") > len(first[:400]) // 4:
        reasons["encoding"] = "every other byte is zero, as in UTF-16"
        return "utf-16"
    whole = first[: first.rfind(b"\n") + 1] or first
    try:
        whole.decode("utf-8")
    except UnicodeDecodeError as error:
        reasons["encoding"] = f"not UTF-8 (byte {whole[error.start]:#04x} in the text)"
        return "latin-1"
    return "utf-8"


def _comment_mark(lines: Sequence[str]) -> str | None:
    """Return the mark that begins some lines, but not those of the rows."""
    filled = [line for line in lines if line.strip()]
    for mark in _COMMENT_MARKS:
        count = sum(line.lower().startswith(mark) for line in filled)
        if 0 < count <= len(filled) // 2:
            found = next(line for line in filled if line.lower().startswith(mark))
            return found[: len(mark)]
    return None


def _best_cut(lines: Sequence[str], path: Path) -> _Cut | None:
    """Return the cut into cells that leaves the fewest lines over and finds most numbers."""
    clocks = any(re.search(r"\d\d:\d\d[:.,]\d", line) for line in lines)
    cuts = [
        cut
        for delimiter in _DELIMITERS
        for decimal in (".", ",")
        if delimiter != decimal
        and lines
        and (delimiter != ":" or not clocks)
        and (cut := _cut(lines, delimiter, decimal)) is not None
    ]
    usual = {".csv": ",", ".tsv": "tab"}
    suffix = next((s.lower() for s in path.suffixes if s.lower() in usual), ".csv")

    def rank(cut: _Cut) -> tuple[float, bool, int, bool, int, bool, bool]:
        # A single column has no delimiter in it; then the file's ending decides.
        return (
            round(cut.share, 2),
            cut.named,
            len(cut.numeric),
            cut.delimiter != ":",
            -cut.width,
            cut.delimiter == usual[suffix],
            cut.decimal == ".",
        )

    return max(cuts, key=rank, default=None)


def _cut(lines: Sequence[str], delimiter: str, decimal: str) -> _Cut | None:
    """Return how the lines fall into cells, or None if no numbers come out."""
    table = [_cells(line, delimiter) for line in lines]
    # The rows are the most of the lines; a preamble and a header are the least.
    width = Counter(len(cells) for cells in table).most_common(1)[0][0]
    body = [cells for cells in table if len(cells) == width]
    tail = body[min(3, len(body) // 2) :]
    numeric = [
        place
        for place in range(width)
        if _share_of_numbers([cells[place] for cells in tail], decimal) > 0.9
    ]
    if not numeric:
        return None
    cut = _Cut(delimiter, decimal, width, 0.0, tuple(numeric), False)
    fitting = [cells for cells in body if cut.fits(cells)]
    first = next((i for i, cells in enumerate(table) if cells in fitting[:1]), 0)
    named = first > 0 and len(table[first - 1]) == width
    return replace(cut, share=len(fitting) / len(table), named=named)


def _cells(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line; a line that cannot be cut is one."""
    try:
        return split_cells(line, CHARACTERS.get(delimiter, delimiter))
    except csv.Error:
        return [line]


_CELL_UNITS = {
    "ns", "us", "µs", "μs", "ms", "msec", "s", "sec", "fps", "w", "mhz", "ghz", "°c", "c", "%",
}  # fmt: skip


def _is_number(text: str, decimal: str) -> bool:
    """Return whether a cell holds a number, with its unit or without, or a moment."""
    if number_in(text, decimal) is not None:
        return True
    if len(text) > 5 and any(moment_ns(text, kind) for kind in ("iso", "clock")):
        return True
    return _unit_beside(text, decimal) is not None


def _unit_beside(text: str, decimal: str) -> tuple[float, str] | None:
    """Return number and unit of a cell that holds both."""
    found = number_with_unit(text)
    if found is None or found[1].lower() not in _CELL_UNITS:
        return None
    number = number_in(found[0], decimal)
    return None if number is None else (number, found[1].lower())


def _share_of_numbers(texts: Sequence[str], decimal: str) -> float:
    """Return the share of numbers among the cells that are filled, or 0 where too few are."""
    filled = [text for text in texts if text and text.lower() not in _NONE]
    if not filled or len(filled) < len(texts) / 10:
        return 0.0
    return sum(_is_number(text, decimal) for text in filled) / len(filled)


def _shape(
    rows: Sequence[tuple[int, str]],
    cut: _Cut,
    comment: str | None,
    encoding: str,
    reasons: dict[str, str],
) -> _LogShape:
    """Return the shape, once the cut is known: where the rows begin, and what stands above."""
    table = [(number, _cells(line, cut.delimiter)) for number, line in rows]
    start = next(
        i
        for i, (_, cells) in enumerate(table)
        if cut.fits(cells) and any(cells[place] for place in cut.numeric)
    )
    above, below = table[:start], [cells for _, cells in table[start:]]
    header = bool(above) and cut.may_name(above[-1][1])
    names: Sequence[str] = above[-1][1] if header else ()
    reasons["header"] = "the rows begin without a line of names"
    if header and start > 1 and cut.may_name(above[-2][1]):
        header = False
        names = [" ".join(pair) for pair in zip(above[-2][1], above[-1][1], strict=False)]
        reasons["header"] = (
            "two lines stand above the rows, names and perhaps units; columns are given by place"
        )
    elif header:
        reasons["header"] = f"line {above[-1][0]} holds words where the rows hold numbers"
    over = above[:-1] if header else above
    if over:
        reasons["skip_lines"] = f"{len(over)} lines before the rows are neither row nor comment"
    if comment:
        reasons["comment"] = f"some lines begin with {comment!r}, the rows do not"
    reasons["delimiter"] = "each row is one cell, so any delimiter will do"
    if cut.width > 1:
        reasons["delimiter"] = f"with it every row falls into {cut.width} cells"
    marks = "decimal commas" if cut.decimal == "," else "points, or none,"
    reasons["decimal"] = f"{marks} stand in the numbers"
    body = [cells for cells in below if len(cells) == cut.width]
    ambiguities: list[str] = []
    if (left := len(below) - len(body)) > 0:
        ambiguities.append(f"{left} of {len(below)} rows do not have {cut.width} cells")
    if cut.delimiter == "," and cut.width == 2 and not header and _may_be_decimal_comma(body):
        ambiguities.append("the comma between the two cells may be a decimal comma")
    skip = over[-1][0] if over else 0
    return _LogShape(encoding, comment, cut, skip, header, names, body, reasons, ambiguities)


def _may_be_decimal_comma(body: Sequence[Sequence[str]]) -> bool:
    """Return whether two whole numbers may be one number with a decimal comma."""
    second = {len(cells[1]) for cells in body}
    return len(second) == 1 and all(c.isdigit() for cells in body for c in cells)


# A scene at 3 to 3000 frames per second; units are a factor of 1000 apart, so one of them fits.
_MIDDLE_MS = 10.0
_UNIT_WORDS = {
    "ns": r"ns|nano\w*",
    "us": r"us|µs|μs|usec|micro\w*",
    "ms": r"ms|msec|milli\w*",
    "s": r"s|sec|secs|seconds?|sekunden?",
}
_FRAME_WORDS = r"frame.?times?|frametimes?|frame|delta|duration|length|interval|cost|dt|bildzeit"
_COUNT_WORDS = r"counts?|bins?|percentiles?|quantiles?|ranks?|anzahl"
_STAMP_WORDS = r"elapsed|stamp\w*|timestamps?|clock.?time|since|t|time|times|at|end|zeit|moment"
_SENSORS = {
    "power_w": r"power|watts?|w|leistung",
    "temperature_c": r"temp|temperature\w*|celsius|deg|°c|c",
    "clock_mhz": r"clock|mhz|core.?clock|freq\w*|takt",
    "noise_dba": r"noise|spl|laeq|dba?|schall\w*|lautst\w*",
    "load_pct": r"load|usage|util\w*|busy|%|pct|percent|auslastung",
}
_PARTS = {"processor": r"cpu|processor|prozessor", "memory": r"mem|memory|vram|ram"}
_RATE_WORDS = r"fps|rate|hz"


@dataclass(frozen=True, slots=True)
class _ColumnGuess:
    """What one column of numbers may hold.

    `kind` is frame_time, frame_end, frame_rate, sensor or other.
    """

    place: int  # from 0
    name: str
    kind: str
    unit: str = ""
    score: float = 0.0
    reasons: tuple[str, ...] = ()
    sensor: str = ""
    starts: str = "first_row"

    @property
    def may_be_frames(self) -> bool:
        """Whether it may be the column of frames."""
        return self.kind in {"frame_time", "frame_end", "frame_rate"}


def _words_in(name: str) -> str:
    """Return a header's words apart, so that units and parts can be found among them.

    >>> _words_in("GpuPower [W]")
    ' gpu power w '
    """
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return " " + " ".join(re.findall(r"[a-z°%µμäöü]+", apart.lower())) + " "


def _has(name: str, words: str) -> bool:
    return re.search(rf"(?<= )(?:{words})(?= )", _words_in(name)) is not None


def _unit_in(name: str) -> str:
    """Return the unit of time a header names, or nothing.

    >>> _unit_in("frame_time_ms"), _unit_in("Elapsed (s)"), _unit_in("status")
    ('ms', 's', '')
    """
    return next((unit for unit, words in _UNIT_WORDS.items() if _has(name, words)), "")


def _plausible_unit(typical: float) -> str:
    """Return the unit in which a typical value is nearest to ten milliseconds.

    >>> _plausible_unit(16.7), _plausible_unit(0.0167), _plausible_unit(1712.0)
    ('ms', 's', 'us')
    """
    return min(
        UNIT_PER_MS, key=lambda unit: abs(math.log(typical / UNIT_PER_MS[unit] / _MIDDLE_MS))
    )


def _guess(
    place: int, name: str, values: NDArray[np.float64], columns: _Columns, unit: str
) -> _ColumnGuess:
    """Return what one column may hold; `unit` is that of its cells, where they have one."""
    filled = values[np.isfinite(values)]
    steps = np.diff(filled)
    if filled.size < 2:
        return _ColumnGuess(place, name, "other", score=-9.0)
    if unit in {"iso", "clock"}:
        return _moment_guess(place, name, steps, unit)
    if unit:
        guess = _guess(place, f"{name} {unit}", values, columns, "")
        return replace(guess, name=name)
    if np.all(steps == 1.0) or _has(name, _COUNT_WORDS):  # it counts the rows, or something else
        return _ColumnGuess(place, name, "other", score=-9.0)
    if sensor := _sensor_of(name):
        return _ColumnGuess(place, name, "sensor", score=-8.0, sensor=sensor)
    if _has(name, _RATE_WORDS):
        if filled.size < values.size or np.any(filled <= 0) or not _has(name, "fps|rate|frames?"):
            return _ColumnGuess(place, name, "other", score=-8.0)
        reasons = ("a rate, but only if each row is one frame: then its time is 1 / rate",)
        return _ColumnGuess(place, name, "frame_rate", "fps", -8.0, reasons)
    if filled.size == values.size and np.mean(steps > 0) > 0.99 and np.all(steps >= 0):
        return _stamp_guess(place, name, filled, steps)
    if filled.size == values.size and np.all(filled > 0) and np.ptp(filled) > 0:
        return _time_guess(place, name, filled, columns)
    return _ColumnGuess(place, name, "other", score=-9.0)


def _sensor_of(name: str) -> str:
    """Return the sensor a header speaks of, or nothing."""
    if _has(name, _FRAME_WORDS) and _unit_in(name):
        return ""
    for sensor, words in _SENSORS.items():
        if _has(name, words) and not _has(name, r"clock.?time"):
            part = next((p for p, w in _PARTS.items() if _has(name, w)), "")
            return f"{part}_{sensor}" if part else sensor
    return ""


def _unit(name: str, typical: float, reasons: list[str]) -> tuple[str, float]:
    """Return the unit, and what its plausibility adds to the score."""
    said, fitting = _unit_in(name), _plausible_unit(typical)
    rate = 1000.0 * UNIT_PER_MS[said or fitting] / typical
    if said and said != fitting:
        reasons.append(f"the header says {said}, though that makes {rate:.4g} frames per second")
        return said, -1.0 if 0.1 < rate < 1e5 else -6.0
    word = "the header says so, and " if said else ""
    reasons.append(f"unit {fitting}: {word}that makes {rate:.4g} frames per second")
    # Of two columns that say nothing of themselves, the one with the more usual rate.
    away = abs(math.log10(typical / UNIT_PER_MS[fitting] / _MIDDLE_MS))
    return fitting, (2.0 if said else 0.0) - 0.3 * away


def _moment_guess(place: int, name: str, steps: NDArray[np.float64], unit: str) -> _ColumnGuess:
    """Return the guess for a column of moments, whose steps are in nanoseconds."""
    typical = float(np.median(steps)) / 1e6
    if typical <= 0 or float(np.mean(steps > 0)) < 0.9:
        return _ColumnGuess(place, name, "other", score=-9.0)
    fit = 3.0 if 0.05 < typical < 2000.0 else -6.0
    reasons = (
        f"moments ({unit}) that rise from row to row",
        f"that makes {1000.0 / typical:.4g} frames per second",
    )
    return _ColumnGuess(place, name, "frame_end", unit, fit, reasons)


def _stamp_guess(
    place: int, name: str, values: NDArray[np.float64], steps: NDArray[np.float64]
) -> _ColumnGuess:
    """Return the guess for a column that rises from row to row."""
    typical = float(np.median(steps))
    reasons = ["rises from row to row, as moments do"]
    unit, score = _unit(name, typical, reasons)
    if np.unique(steps.round(9)).size == 1:
        reasons.append("but by the same step every time")
        score -= 4.0
    if _has(name, _STAMP_WORDS):
        reasons.append("its header speaks of time")
        score += 2.0
    starts, opens = "first_row", "so it opens the first frame"
    if values[0] > 0 and 0.2 < values[0] / typical < 5.0:
        starts = "zero"
        reasons.append("the first stamp is about one frame long, so it ends a frame begun at 0")
    else:
        reasons.append(f"the first stamp is {'0' if values[0] == 0 else 'not near 0'}, {opens}")
    return _ColumnGuess(place, name, "frame_end", unit, score + 1.0, tuple(reasons), starts=starts)


def _time_guess(
    place: int, name: str, values: NDArray[np.float64], columns: dict[int, NDArray[np.float64]]
) -> _ColumnGuess:
    """Return the guess for a column of values above zero that do not rise."""
    reasons = ["values above 0 that go up and down, as frame times do"]
    unit, score = _unit(name, float(np.median(values)), reasons)
    if _has(name, _FRAME_WORDS):
        reasons.append("its header speaks of frames or lengths")
        score += 4.0
    elif _has(name, r"time|times"):
        score += 1.0
    held = float(np.mean(np.diff(values) == 0))
    if held > 0.3:
        reasons.append(f"but {100 * held:.0f} of 100 values repeat the one before, as sensors do")
        score -= 4.0 * held
    if unit == "ms" and not _unit_in(name) and np.all(values == np.round(values)):
        reasons.append("but whole numbers without a unit, as counts and rates are")
    match = _steps_match(place, values, columns)
    if match is not None:
        reasons.append(f"its values are the steps of column {match + 1}")
        score += 8.0
    return _ColumnGuess(place, name, "frame_time", unit, score, tuple(reasons))


def _steps_match(
    place: int, values: NDArray[np.float64], columns: dict[int, NDArray[np.float64]]
) -> int | None:
    """Return the place of a rising column whose steps are these values, in any unit."""
    for other, stamps in columns.items():
        steps = np.diff(stamps)
        if other == place or not np.all(np.isfinite(steps)) or np.any(steps <= 0):
            continue
        if np.ptp(steps) == 0:
            continue
        for shifted in (values[1:], values[:-1]):
            if np.ptp(shifted) > 0 and np.corrcoef(steps, shifted)[0, 1] > 0.98:
                return other
    return None


@dataclass(frozen=True, slots=True)
class _Proposal:
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
    ambiguities : tuple of str
        What the analyst should look at before using it.
    frames, average_fps : int, float
        What the log holds if it is read so.
    """

    file: str
    name: str
    layout: Mapping[str, Any]
    yaml: str
    reasons: Mapping[str, str]
    ambiguities: tuple[str, ...]
    frames: int
    average_fps: float

    def to_dict(self) -> dict[str, Any]:
        """Return the proposal as plain data."""
        return {"ok": True, **asdict(self), "layout": dict(self.layout)}

    def to_lines(self) -> list[str]:
        """Return the layout as text for `bench.yaml`, its reasons and ambiguities as comments."""
        return self.yaml.rstrip().splitlines()

    def to_frame(self) -> pd.DataFrame:
        """Return a table with a row per key: `key`, `value`, `reason` (text)."""
        import pandas as pd

        rows = [
            {"key": key, "value": str(value), "reason": self.reasons.get(key, "")}
            for key, value in _flat(self.layout)
        ]
        return pd.DataFrame(rows, columns=pd.Index(["key", "value", "reason"]))


def propose_layout(path: Path, *, name: str = "") -> _Proposal:
    """Look at a log and propose how it is to be read.

    Parameters
    ----------
    path : Path
        The log: text (plain, gzip or zstd) or Parquet.
    name : str
        A name for the layout; without one it is made of the file's ending.

    Returns
    -------
    _Proposal
        The layout with its reasons, as keys, text, lines or a table.

    Raises
    ------
    RunFileError
        If the file cannot be read, or no column of it may hold frames.

    Notes
    -----
    The first rows are looked at, then the whole log is read through the proposal. A proposal may
    be wrong where values fit more than one meaning: `ambiguities` names what was close.
    """
    data = b"".join(islice(recorded_chunks(path, file=path.name), _LOOK_BYTES // CHUNK_BYTES))
    whole = len(data) < _LOOK_BYTES
    outer: dict[str, Any] = {}
    if data.startswith(ZIP):
        data, outer = _unzipped(data, path)
    if data.startswith(PARQUET) and not outer:
        shape, columns, units = _parquet_columns(path)
    else:
        shape = _look_at_log(data, path, whole=whole)
        shape.keys.update({k: v for k, v in outer.items() if k not in shape.keys})
        columns, units = _text_columns(shape)
    guesses = sorted(
        (_guess(i, _at(shape.names, i), values, columns, units.get(i, ""))
         for i, values in columns.items()),
        key=lambda guess: -guess.score,
    )  # fmt: skip
    best = _frame_column(path, guesses, columns)
    reasons, ambiguities = dict(shape.reasons), [*shape.ambiguities, *_ambiguities(best, guesses)]
    beside = {i: unit for i, unit in units.items() if unit not in {"iso", "clock"}}
    layout = _layout_keys(path, shape, best, guesses, reasons, columns, beside)
    logs = _read_through(path, layout, ambiguities)
    label, frames = name or _label(path), sum(log.frame_ms.size for log in logs.values())
    seconds = sum(float(log.frame_ms.sum()) for log in logs.values()) / 1000.0
    average = frames / seconds
    if not _SLOWEST_FPS < average < _FASTEST_FPS:
        raise RunFileError.at(
            path.name,
            f"column {layout['frames']['column']} would hold {average:.3g} frames per second "
            f"({'; '.join(best.reasons)}): is the unit another, or are marks put between "
            "thousands? Write its layout by hand",
        )
    found = f"{frames} frames in {seconds:.4g} s"
    reasons["frames"] = f"read so, the log holds {found}: {average:.4g} frames per second"
    if len(logs) > 1:
        shown = ", ".join(list(logs)[:8]) + (", ..." if len(logs) > 8 else "")
        reasons["part"] = (
            f"the log holds {len(logs)} runs, which `add` takes in one by one: {shown}"
        )
    text = _to_yaml(label, layout, reasons, ambiguities)
    return _Proposal(
        path.name, label, layout, text, reasons, tuple(ambiguities), int(frames), average
    )


def _unzipped(data: bytes, path: Path) -> tuple[bytes, dict[str, Any]]:
    """Return the first log of a zip archive, or first sheet with rows, and keys of the layout."""
    book = b"xl/workbook.xml" in data
    frames = {"column": 1, "holds": "frame_time", "unit": "ms"}
    plain = Layout.model_validate({"container": "xlsx" if book else "text", "frames": frames})
    names = make_plain(_chunks(data), plain, file=path.name, choose=False).parts or ("",)
    kept: dict[str, bytes] = {}
    for name in names:
        how = plain.model_copy(update={"part": name}) if name else plain
        inner = b"".join(make_plain(_chunks(data), how, file=path.name).chunks)
        try:
            _look_at_log(inner, Path(name or path.name), whole=True)
        except RunFileError:
            continue
        kept[name] = inner
    if not kept:
        raise RunFileError.at(path.name, f"none of {len(names)} parts holds rows of numbers")
    keys: dict[str, Any] = {"container": "xlsx"} if book else {}
    if len(kept) < len(names):
        endings = {PurePosixPath(name).suffix for name in kept}
        others = {PurePosixPath(name).suffix for name in names if name not in kept}
        one = len(endings) == 1 and not endings & others
        keys["parts"] = {"members": [f"*{next(iter(endings))}"] if one else list(kept)}
    return next(iter(kept.values())), keys


def _frame_column(path: Path, guesses: Sequence[_ColumnGuess], columns: _Columns) -> _ColumnGuess:
    """Return the guess of the column that holds the frames.

    Raises
    ------
    RunFileError
        If none may, or the rows are averages over some time, not frames.
    """
    best = next((g for g in guesses if g.may_be_frames and g.kind != "frame_rate"), None)
    rate = next((g for g in guesses if g.kind == "frame_rate"), None)
    for guess in guesses if rate is not None else ():
        even = guess.kind == "other" and np.ptp(np.diff(columns[guess.place])) == 0
        unit = _unit_in(guess.name) if even else guess.unit
        if rate is None or not ((even and unit) or (guess is best and best.kind == "frame_end")):
            continue
        step = float(np.median(np.diff(columns[guess.place]))) / UNIT_PER_MS.get(unit, 1e6)
        typical = float(np.median(columns[rate.place]))
        if step * typical / 1000.0 > 3.0:
            raise RunFileError.at(
                path.name,
                f"rows are {step:.4g} ms apart, yet the rate says {typical:.4g} frames per second: "
                "a log of averages, from which no frame can be told; record every frame",
            )
    found = best or rate
    if found is None:
        said = "no column of it may hold frames: none is above 0 and changing, or rising row by row"
        for guess in guesses:
            values = columns[guess.place]
            bad, counts = np.flatnonzero(~(values > 0)), np.all(np.diff(values) == 1)
            frames = _has(guess.name, _FRAME_WORDS) or _unit_in(guess.name)
            if frames and not counts and 0 < 10 * bad.size < values.size:
                first = "nothing" if np.isnan(values[bad[0]]) else f"{values[bad[0]]:g}"
                but = f"{bad.size} of {values.size} rows, the first with {first}"
                said += f'; "{guess.name}" would but for {but}'
        raise RunFileError.at(path.name, f"{said}; take the log from the recorder again")
    return found


_Columns = dict[int, NDArray[np.float64]]


def _text_columns(shape: _LogShape) -> tuple[_Columns, dict[int, str]]:
    """Return the columns of numbers of a text log, by place, and the units their cells speak of."""
    columns: _Columns = {}
    units: dict[int, str] = {}
    for place in range(shape.cut.width):
        texts = [row[place] for row in shape.cells]
        filled = [text for text in texts if text.lower() not in _NONE]
        numbers = [number_in(text, shape.cut.decimal) for text in texts]
        for kind in ("iso", "clock"):
            moments = [moment_ns(text, kind) for text in texts]
            if filled and all(moments):
                ns = np.array([m[0] for m in moments if m])
                ns = ns - ns[0]
                columns[place] = ns.astype(float) + 864e11 * np.cumsum(
                    np.r_[0, np.diff(ns) < -432e11]
                )
                units[place] = kind
        beside = [_unit_beside(text, shape.cut.decimal) for text in filled]
        if filled and all(beside):
            units[place] = Counter(b[1] for b in beside if b).most_common(1)[0][0]
            values = iter(b[0] for b in beside if b)
            numbers = [None if t.lower() in _NONE else next(values) for t in texts]
        wrong = [
            t for t, n in zip(texts, numbers, strict=True) if n is None and t.lower() not in _NONE
        ]
        if not wrong and any(n is not None for n in numbers):
            columns[place] = np.array([np.nan if n is None else n for n in numbers])
    return columns, units


_SOURCE_WORDS = r"app\w*|process\w*|program\w*|pid|exe|window\w*|chain|stream"
_MARK_WORDS = r"run|runs|pass|scene|section|lap|loop|phase|state|marker|mark|part|level|event"
_IDLE_WORDS = r"menu|load\w*|intro|outro|idle|warm.?up|pause|lobby|none|off|end|stop|-"


def _marks(
    path: Path, shape: _LogShape, columns: _Columns, taken: set[int]
) -> tuple[int, dict[str, Any]]:
    """Return the column that marks scenes or passes, and how; -1 where none does."""
    for place in range(shape.cut.width):
        name = _at(shape.names, place)
        texts = [row[place] for row in shape.cells]
        marking = f"{_MARK_WORDS}|{_SOURCE_WORDS}"
        if place in taken or (place in columns and not _has(name, marking)):
            continue
        stretches = [mark for mark, _ in groupby(texts)]
        marks = list(dict.fromkeys(t for t in texts if t))
        several = len(set(texts)) > 1 and len(marks) <= 50
        if several and _has(name, _SOURCE_WORDS) and len(stretches) > 2 * len(marks):
            raise RunFileError.at(
                path.name,
                f"rows of {' and '.join(marks[:3])} take turns (column {name}): frames of one make "
                "a run; record one alone, or save its rows as a log of their own",
            )
        if not several or len(texts) < 10 * len(stretches) - (10 if "" in texts else 0):
            continue
        how: dict[str, Any] = {}
        lengths = [len([*group]) for mark, group in groupby(texts) if mark]
        if sum(not t for t in texts) > len(texts) / 2 and max(lengths) == 1:
            how["holds_on"] = True
        kept = [m for m in marks if not re.fullmatch(_IDLE_WORDS, m.lower())]
        if kept and len(kept) < len(marks):
            how["keep"] = kept
        return place, how
    return -1, {}


def _parquet_columns(path: Path) -> tuple[_LogShape, _Columns, dict[int, str]]:
    """Return the shape of a Parquet log, the first rows of its columns of numbers, moments."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as parquet:
            schema = parquet.schema_arrow
            batch = next(parquet.iter_batches(_LOOK_ROWS), None)
    except (pa.ArrowException, OSError) as error:
        raise RunFileError.at(
            path.name, f"damaged Parquet data ({str(error).splitlines()[0]})"
        ) from None
    if batch is None:
        raise RunFileError.at(path.name, "the file holds no row")
    columns = {
        place: batch.column(place).cast(pa.float64()).to_numpy(zero_copy_only=False)
        for place, kind in enumerate(schema.types)
        if pa.types.is_integer(kind) or pa.types.is_floating(kind)
    }
    units: dict[int, str] = {}
    for place, kind in enumerate(schema.types):
        if pa.types.is_timestamp(kind) and not batch.column(place).null_count:
            ns = batch.column(place).cast(pa.timestamp("ns", kind.tz)).cast(pa.int64()).to_numpy()
            columns[place], units[place] = (ns - ns[:1]).astype(float), "iso"
    cut = _Cut(",", ".", len(schema.names), 1.0, (), True)
    reasons, keys = {"container": "its first bytes"}, {"container": "parquet"}
    shape = _LogShape("utf-8", None, cut, 0, True, schema.names, (), reasons, [], keys)
    return shape, columns, units


def _ambiguities(best: _ColumnGuess, guesses: list[_ColumnGuess]) -> list[str]:
    """Return what was close, or odd about the best guess."""
    close = [g for g in guesses if g is not best and g.may_be_frames and g.score > best.score - 1.5]
    return [
        f"column {other.place + 1} ({other.name or 'no name'}) may be the one as well: "
        f"{other.kind} in {other.unit}"
        for other in close
        if other.kind != "frame_rate"
    ] + [reason for reason in best.reasons if "though" in reason or "but " in reason]


def _layout_keys(
    path: Path,
    shape: _LogShape,
    best: _ColumnGuess,
    guesses: list[_ColumnGuess],
    reasons: dict[str, str],
    columns: _Columns,
    units: Mapping[int, str],
) -> dict[str, Any]:
    """Return the keys of the layout that differ from the usual."""
    keys: dict[str, Any] = {"files": _glob(path)}
    found = {
        "delimiter": shape.cut.delimiter, "decimal": shape.cut.decimal, "header": shape.header,
        "skip_lines": shape.skip_lines, "comment": shape.comment, "encoding": shape.encoding,
    }  # fmt: skip
    usual = {key: Layout.model_fields[key].default for key in found}
    said = {"delimiter"} | {key for key, value in found.items() if value != usual[key]}
    if "container" in shape.keys:  # cells have no delimiter of their own there
        said -= {"delimiter", "decimal", "encoding"}
    keys |= {key: value for key, value in found.items() if key in said} | shape.keys
    names = list(shape.names) if shape.header else []
    if units:
        keys["units_in_cells"] = True
        reasons["units_in_cells"] = "numbers have their unit with them"
    keys["frames"] = {
        "column": _column(best, names),
        "holds": best.kind,
        "unit": best.unit,
        **({"starts": best.starts} if best.starts != "first_row" else {}),
    }
    reasons["frames.column"] = "; ".join(best.reasons)
    sensors: dict[str, Any] = {}
    for guess in sorted(guesses, key=lambda g: g.place):
        if guess.kind == "sensor":
            key, numbers = guess.sensor, count(2)
            what, _, unit = key.rpartition("_")
            while key in sensors:
                key = f"{what}_{next(numbers)}_{unit}"
            sensors[key] = _column(guess, names)
    if sensors:
        keys["sensors"] = sensors
        reasons["sensors"] = "by their headers; rename or remove them as needed"
    read = {g.place for g in guesses if g.kind == "sensor"} | {best.place}
    if "parts" not in keys:
        place, how = _marks(path, shape, columns, read)
        if place >= 0:
            keys["parts"] = {"column": _column(_ColumnGuess(place, _at(names, place), ""), names)}
            keys["parts"] |= how
            keys["frames"].pop("starts", None)
            reasons["parts"] = "this column marks stretches of rows: scenes, or passes"
            read.add(place)
    places = (i for i in range(shape.cut.width) if i not in read)
    if left := [_at(names, i) or f"column {i + 1}" for i in places]:
        reasons["not read"] = ", ".join(left)
    return keys


def _at(names: Sequence[str], place: int) -> str:
    return names[place] if place < len(names) else ""


def _column(guess: _ColumnGuess, names: list[str]) -> str | int:
    """Return a column's name where it has one of its own, else its place from 1."""
    name = _at(names, guess.place)
    return name if name and names.count(name) == 1 else guess.place + 1


def _glob(path: Path) -> str:
    """Return the pattern of file names with the same ending."""
    ending = path.name[1:].partition(".")[2]
    return f"*.{ending}" if ending else "*"


def _label(path: Path) -> str:
    """Return a name for a layout, made of letters and digits of the file's ending."""
    letters = "".join(c if c.isascii() and c.isalnum() else "-" for c in _glob(path)[2:].lower())
    return f"log-{letters.strip('-') or 'plain'}"


def _read_through(path: Path, keys: dict[str, Any], ambiguities: list[str]) -> dict[str, Log]:
    """Return each run of a log read through the proposal; sensors that do not read are left out."""
    layout = Layout.model_validate(keys)
    try:
        return Log.runs_of(path, layout, file=path.name)
    except RunFileError as error:
        if not keys.get("sensors"):
            raise
        logs = Log.runs_of(path, layout, file=path.name, sensors=False)
        ambiguities.append(f"a sensor column does not read: {error.faults[0].message}")
        del keys["sensors"]
        return logs


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
    label: str, layout: Mapping[str, Any], reasons: Mapping[str, str], ambiguities: list[str]
) -> str:
    """Return the layout as text for bench.yaml, with the reasons as comments."""
    _, name, *keys = yaml_text({"layouts": {label: layout}}).splitlines()
    notes = [f"LOOK AT THIS: {ambiguity}" for ambiguity in ambiguities]
    notes += [f"{key}: {reason}" for key, reason in reasons.items()]
    lines = [
        "  # Proposed from a look at one log; stands under `layouts:` of bench.yaml. Confirm each",
        "  # line before runs depend on it.",
        name,
        *(f"    # {note}".replace("\n", " ") for note in notes),
        *keys,
    ]
    return "\n".join(lines) + "\n"
