"""Cells and rows of a raw log to columns of numbers: a fast reader, and a slow one that explains.

The slow reader decides what is right. The fast one may only be used where it agrees with it, and
gives up (returns None) wherever the slow one has something to say.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from kit.errors import Fault, RunFileError, did_you_mean
from kit.settings.bench_file import Layout

# Frames outside are no frames: the unit declared is wrong, or the row is damaged.
_MIN_FRAME_MS = 1e-6
_MAX_FRAME_MS = 3_600_000.0
_MAX_TROUBLES = 1000
_MAX_DIGITS = 400  # a double has no more than 309 before its point
_MISSING_READINGS = frozenset({"", "nan", "n/a", "na", "-"})
_UNIT_PER_MS = {"s": 1e-3, "ms": 1.0, "us": 1e3, "ns": 1e6}

# ASCII digits only: Python's float() would also take 1_000 and digits of other scripts.
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,19}", re.ASCII)


# Whole-number stamps stay whole until two of them are subtracted.
Column = NDArray[np.float64] | NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TextTable:
    """Where the rows of a text log begin, and which of its cells are wanted.

    `wanted` are places counted from 0, the frame column first; `labels` name them as the
    reviewer knows them. `whole` says that stamps are whole numbers, read without rounding.
    """

    layout: Layout
    file: str
    offset: int
    line: int
    width: int
    wanted: tuple[int, ...]
    labels: tuple[str, ...]
    whole: bool

    @property
    def delimiter(self) -> str:
        """The character between cells (a space stands for any run of spaces and tabs)."""
        return {"tab": "\t", "space": " "}.get(self.layout.delimiter, self.layout.delimiter)


@dataclass(slots=True)
class Troubles:
    """What is wrong with the rows of one log, until it is said as one fault."""

    found: list[tuple[int, str, str, str]] = field(default_factory=list)  # line, key, text, kind
    last_line: int = 0  # of the log's last row, where it is known

    def add(self, line: int, key: str, text: str, kind: str) -> None:
        """Note that the text at `line` in column `key` is not as expected."""
        self.found.append((line, key, text, kind))

    @property
    def full(self) -> bool:
        """Whether so many rows are wrong that reading on would tell nothing new."""
        return len(self.found) >= _MAX_TROUBLES

    def raise_if_any(self, table: TextTable) -> None:
        """Raise one `RunFileError` that names the first trouble and counts all."""
        if self.found:
            raise RunFileError([_fault_of(self, table)])


def split_cells(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line, without quotation marks and the space around them.

    Raises
    ------
    csv.Error
        If a quotation mark is not closed, or not alone in its cell.
    """
    if delimiter == " ":
        return line.split()
    if '"' in line:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, strict=True))]
    return [cell.strip() for cell in line.split(delimiter)]


def number_in(text: str, decimal: str) -> float | None:
    """Return the number a cell holds, or None if it is not written as one.

    >>> number_in("16,7", ","), number_in("1_000", "."), number_in("1.234,5", ",")
    (16.7, None, None)
    """
    if decimal != ".":
        if "." in text:
            return None
        text = text.replace(decimal, ".")
    return float(text) if len(text) <= _MAX_DIGITS and _NUMBER.fullmatch(text) else None


def _is_whole(text: str) -> bool:
    """Return whether a cell holds a whole number that 63 bits can hold."""
    return bool(_WHOLE.fullmatch(text)) and abs(int(text)) < 2**62


def _decimals_in(text: str, decimal: str) -> int:
    """Return how many decimals a number is written with.

    >>> _decimals_in("16,70", ","), _decimals_in("1.5e-3", "."), _decimals_in("17", ".")
    (2, 4, 0)
    """
    figure, _, exponent = text.lower().partition("e")
    return max(len(figure.partition(decimal)[2]) - int(exponent or 0), 0)


def _value_of(text: str, table: TextTable, *, sensor: bool) -> tuple[float, str]:
    """Return the value of a cell and, if it is not as expected, the kind of trouble."""
    layout = table.layout
    low = text.lower()
    if sensor and low in _MISSING_READINGS:
        return np.nan, ""
    if not text:
        return np.nan, "empty"
    value = number_in(text, layout.decimal)
    if value is None:
        if low.lstrip("+-") in {"nan", "inf", "infinity"}:
            return np.nan, "not finite"
        return np.nan, _why_no_number(text, layout.decimal)
    if not np.isfinite(value):
        return np.nan, "not finite"
    if sensor:
        return value, ""
    if layout.frames.holds == "frame_time":
        return value, _why_no_frame(value, layout.frames.unit)
    return (int(text) if table.whole and _is_whole(text) else value), ""


def _why_no_frame(value: float, unit: str) -> str:
    """Say why a number is not a frame time, or nothing if it may be one."""
    if value <= 0:
        return "not above zero"
    frame_ms = value / _UNIT_PER_MS[unit]
    if frame_ms > _MAX_FRAME_MS:
        return "too long"
    return "too short" if frame_ms < _MIN_FRAME_MS else ""


def are_frames(values: Column, unit: str) -> bool:
    """Return whether every value may be a frame time in `unit`."""
    if not values.size:
        return True
    # NaN fails both comparisons.
    low, high = float(values.min()), float(values.max())
    per_ms = _UNIT_PER_MS[unit]
    return low > 0 and low / per_ms >= _MIN_FRAME_MS and high / per_ms <= _MAX_FRAME_MS


def ms_per(unit: str) -> float:
    """Return how many milliseconds a unit is."""
    return 1.0 / _UNIT_PER_MS[unit]


def to_ms(values: Column, unit: str) -> NDArray[np.float64]:
    """Return times in milliseconds (dividing by 1000 rounds once; times 0.001 twice)."""
    if unit == "s":
        return np.asarray(values * 1000.0, dtype=np.float64)
    if unit == "ms":
        return np.asarray(values, dtype=np.float64)
    return np.asarray(values / _UNIT_PER_MS[unit], dtype=np.float64)


def _why_no_number(text: str, decimal: str) -> str:
    """Return the kind of trouble of a cell that is not a number."""
    other = "," if decimal == "." else "."
    if number_in(text, other) is not None:
        return "decimal"
    plain = text.replace(other, "").replace(" ", "").replace("\u00a0", "").replace("'", "")
    if plain != text and number_in(plain, decimal) is not None:
        return "thousands"
    return "no number"


def _fault_of(troubles: Troubles, table: TextTable) -> Fault:
    """Say all troubles of one log as one fault."""
    layout, found = table.layout, troubles.found
    line, key, text, kind = found[0]
    what = "frame time" if layout.frames.holds == "frame_time" else "time stamp"
    if key and key != table.labels[0]:
        what = "reading"
    unit = f" in {layout.frames.unit}" if what != "reading" else ""
    number = f"a {what}{unit}"
    messages = {
        "empty": f"the cell is empty; expected {number}",
        "not finite": f"found {quoted(text)}; expected {number}",
        "no number": f"found {quoted(text)}; expected {number}",
        "decimal": f"found {quoted(text)}, but the layout says `decimal: "
        f"{_yaml_mark(layout.decimal)}`; correct the layout or the log",
        "thousands": f"found {quoted(text)}, which looks like a number with separators between "
        f"thousands; expected {number} without them",
        "not above zero": f"found {quoted(text)}; a frame time is above zero",
        "too long": f"found {quoted(text)}: a frame of more than an hour; is the unit "
        f"({layout.frames.unit}) right?",
        "too short": f"found {quoted(text)}: a frame of less than a nanosecond; is the unit "
        f"({layout.frames.unit}) right?",
        "cut short": f"found {quoted(text)}, with fewer decimals than every row before it and no "
        "end of line",
        "quote": f"a quotation mark is not closed, or not alone in its cell, in {quoted(text)}",
        "cells": _cells_message(text, table),
    }
    parts = [messages[kind]]
    parts.append(_count_message(found))
    parts.append("no row of this log was used")
    if (
        line == troubles.last_line
        and kind in {"empty", "cells", "no number", "quote", "cut short"}
        and len(found) == 1
    ):
        parts.append(
            "it is the last row, so the recording may have been cut short: take a whole copy, or "
            "delete the unfinished row from a copy of the log and say so in the run's row"
        )
    elif line == table.line and not layout.header and kind == "no number":
        parts.append("if it is a header, say `header: true` in the layout")
    elif kind not in {"decimal", "too long", "too short"}:
        parts.append(
            "take the log from the recorder again, or give the run a status and a reason in "
            "runs.csv"
        )
    return Fault(table.file, "; ".join(part for part in parts if part), line=line, key=key or None)


def _cells_message(text: str, table: TextTable) -> str:
    """Say that a row has another number of cells than the rest."""
    count = len(split_cells(text, table.delimiter)) if '"' not in text else 0
    had = f"{count} cells" if count else "the cells"
    expected = f"expected {table.width}"
    hint = ""
    if count > table.width and table.delimiter == ",":
        hint = " (a comma inside a number, or rows of another layout?)"
    return f"found {had} in {quoted(text)}; {expected}{hint}"


def _count_message(found: list[tuple[int, str, str, str]]) -> str:
    """Say how many rows are wrong besides the first, and which."""
    lines = list(dict.fromkeys(line for line, _, _, _ in found))
    if len(lines) == 1:
        return ""
    more = "more than " if len(found) >= _MAX_TROUBLES else ""
    first = ", ".join(str(line) for line in lines[:5]) + (", ..." if len(lines) > 5 else "")
    kinds = Counter(kind for _, _, _, kind in found)
    split = ""
    if len(kinds) > 1:
        split = ": " + ", ".join(f"{count} {kind}" for kind, count in kinds.most_common())
    return f"{more}{len(lines)} rows are not as expected (lines {first}{split})"


def quoted(text: str) -> str:
    """Return text found in a file, _shortened, with control characters made visible."""
    return repr(_shortened(text, 60))


def _shortened(text: str, size: int) -> str:
    """Return text cut to a size, saying how long it was."""
    return text if len(text) <= size else f"{text[:size]}... ({len(text)} characters)"


def _yaml_mark(mark: str) -> str:
    return f'"{mark}"'


def _line_spans(block: bytes, start: int = 0) -> Iterator[tuple[int, int]]:
    """Yield the start and end of each line, without its LF, CRLF or CR."""
    at, size = start, len(block)
    while at < size:
        feed = block.find(b"\n", at)
        end = size if feed < 0 else feed
        carriage = block.find(b"\r", at, end)
        if carriage < 0:
            yield at, end
            at = end + 1
        else:
            yield at, carriage
            at = end + 1 if carriage == end - 1 and feed >= 0 else carriage + 1


def find_table(block: bytes, layout: Layout, *, file: str, sensors: bool) -> TextTable:
    """Find the header and the first row in the first block of a log.

    Raises
    ------
    RunFileError
        If there is no header or no row, or a column of the layout is not there.
    """
    delimiter = {"tab": "\t", "space": " "}.get(layout.delimiter, layout.delimiter)
    comment = layout.comment.encode() if layout.comment else None
    header: list[str] | None = None
    header_line = 0
    if not block:
        raise RunFileError.at(
            file,
            "the file is empty; if the run did not finish, give its row in runs.csv "
            "a status and a reason",
        )
    for number, (start, end) in enumerate(_line_spans(block), start=1):
        raw = block[start:end]
        if number <= layout.skip_lines or not raw.strip() or (comment and raw.startswith(comment)):
            continue
        line = _text_of(raw, number, file)
        try:
            cells = split_cells(line, delimiter)
        except csv.Error:
            raise RunFileError.at(
                file,
                f"a quotation mark is not closed, or not alone in its cell, in {quoted(line)}",
                line=number,
            ) from None
        if layout.header and header is None:
            header, header_line = cells, number
            continue
        names = header if header is not None else None
        width = len(header) if header is not None else len(cells)
        wanted, labels = find_places(layout, names, width, header_line or number, file, sensors)
        if header is not None:
            _check_header(header, wanted[0], labels[0], layout, header_line, file)
        whole = layout.frames.holds == "frame_end" and bool(
            len(cells) > wanted[0] and _is_whole(cells[wanted[0]])
        )
        return TextTable(layout, file, start, number, width, wanted, labels, whole)
    if header is not None:
        find_places(layout, header, len(header), header_line, file, sensors)
        raise RunFileError.at(
            file,
            "there is a header but no row below it; if the run did not finish, give "
            "its row in runs.csv a status and a reason",
            line=header_line,
        )
    raise RunFileError.at(
        file,
        "there is no row in it; if the run did not finish, give its row in runs.csv "
        "a status and a reason",
    )


def _text_of(raw: bytes, number: int, file: str) -> str:
    """Return a line as text, or say that it is not UTF-8."""
    if b"\0" in raw:
        raise RunFileError.at(
            file,
            "holds a NUL byte where text was expected; if the log is UTF-16, say "
            "`encoding: utf-16` in its layout; otherwise the log is damaged, so take it "
            "from the recorder again",
            line=number,
        )
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise RunFileError.at(
            file,
            f"not UTF-8 text (byte {raw[error.start]:#04x}); say `encoding: "
            "latin-1` (or utf-16) in its layout if it was so written",
            line=number,
        ) from None


def find_places(
    layout: Layout, names: list[str] | None, width: int, line: int | None, file: str, sensors: bool
) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Return places (from 0) and names of the columns wanted, the frame column first.

    Raises
    ------
    RunFileError
        With a fault for each column of the layout that is not there, or there twice.
    """
    refs = [layout.frames.column, *(layout.sensors.values() if sensors else ())]
    places: list[int] = []
    labels: list[str] = []
    faults: list[Fault] = []
    for ref in refs:
        if isinstance(ref, int):
            if 1 <= ref <= width:
                places.append(ref - 1)
                labels.append(names[ref - 1] if names and names[ref - 1] else f"column {ref}")
                continue
            message = f"the layout reads column {ref}, but the rows have {width} cells"
        elif names is not None and names.count(ref) == 1:
            places.append(names.index(ref))
            labels.append(ref)
            continue
        elif names is not None and names.count(ref) > 1:
            message = (
                f'{names.count(ref)} columns are named "{ref}"; give the place of the right '
                "one in the layout, counted from 1"
            )
        else:
            shown = ", ".join(f'"{name}"' for name in (names or [])[:12]) or "nothing"
            guess = did_you_mean(ref, names or [])
            message = (
                f'no column "{ref}" in the header, which holds {_shortened(shown, 200)}{guess}'
            )
            if len(names or []) == 1:
                message += "; is the delimiter of the layout right?"
        faults.append(Fault(file, message, line=line, key=str(ref)))
    if faults:
        raise RunFileError(faults)
    return tuple(places), tuple(labels)


def _check_header(
    header: list[str], place: int, label: str, layout: Layout, line: int, file: str
) -> None:
    """Refuse a first row that was taken for a header: a frame would be lost."""
    if number_in(header[place], layout.decimal) is not None:
        raise RunFileError.at(
            file,
            f"the layout says `header: true`, but the first row holds the number "
            f"{quoted(header[place])} in {label}; say `header: false`",
            line=line,
        )


def read_rows(block: bytes, table: TextTable, *, offset: int) -> list[Column] | None:
    """Return the wanted columns of a block the fast way, or None where it cannot be sure.

    Parameters
    ----------
    block : bytes
        Whole lines of UTF-8.
    table : TextTable
        What to read.
    offset : int
        Where in the block the rows begin.

    Returns
    -------
    list of ndarray, each of shape (n_rows,), or None
        The frame column first, in the unit of the log. Sensor readings may be NaN.
    """
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    if b"\0" in block or not (block.isascii() or _is_utf8(block)):
        return None
    if not table.delimiter.isascii() or table.delimiter in '"\r\n':
        return None
    if block.find(b'"', offset) >= 0:
        return None  # the fast reader would take an open quotation mark for the end of no row
    body = _plain_rows(block, offset, table)
    if body is None:
        return None
    names = [str(place) for place in range(table.width)]
    wanted = [names[place] for place in table.wanted]
    types = dict.fromkeys(wanted, pa.float64())
    if table.whole:
        types[wanted[0]] = pa.int64()
    try:
        read = pa_csv.read_csv(
            pa.BufferReader(pa.py_buffer(body)),
            pa_csv.ReadOptions(
                use_threads=False, block_size=max(len(body), 64) + 1, column_names=names
            ),
            pa_csv.ParseOptions(delimiter=table.delimiter),
            pa_csv.ConvertOptions(
                check_utf8=False,
                column_types=types,
                null_values=[""],
                include_columns=list(types),
                decimal_point=table.layout.decimal,
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None
    if read.column(wanted[0]).null_count:
        return None
    columns = [read.column(name).to_numpy() for name in wanted]
    if any(not np.isfinite(c[~np.isnan(c)]).all() for c in columns[1:]):
        return None
    return columns


def _is_utf8(block: bytes) -> bool:
    try:
        block.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _plain_rows(block: bytes, offset: int, table: TextTable) -> bytes | memoryview | None:
    """Return the rows without comment lines and, between cells, with one space only."""
    comment = table.layout.comment
    mark = comment.encode() if comment else b""
    body: bytes | memoryview = memoryview(block)[offset:]
    if mark and (block.startswith(mark, offset) or block.find(b"\n" + mark, offset) >= 0):
        body = re.sub(rb"(?m)^" + re.escape(mark) + rb"[^\r\n]*", b"", block[offset:])
    if table.whole and (b"0x" in block or b"0X" in block):
        return None  # the fast reader would take 0x10 for a number
    if table.delimiter == " ":
        return b"\n".join(b" ".join(line.split()) for line in bytes(body).splitlines())
    return body


def _rows(block: bytes, offset: int, line: int, table: TextTable) -> Iterator[tuple[int, int, int]]:
    """Yield line number, start and end of each row; empty lines and comments are passed over."""
    comment = table.layout.comment.encode() if table.layout.comment else None
    for number, (start, end) in enumerate(_line_spans(block, offset), start=line):
        if comment and block.startswith(comment, start):
            continue
        if block[start:end].strip():
            yield number, start, end


def row_lines(block: bytes, table: TextTable, *, offset: int, line: int) -> NDArray[np.int64]:
    """Return the line in the file, counted from 1, of each row of a block."""
    rows = _rows(block, offset, line, table)
    return np.fromiter((number for number, _, _ in rows), dtype=np.int64)


def explain_rows(
    block: bytes, table: TextTable, troubles: Troubles, *, offset: int, line: int
) -> list[Column]:
    """Return the wanted columns of a block row by row, noting everything that is not as expected.

    Parameters
    ----------
    block, table, offset
        As for `read_rows`.
    troubles : Troubles
        Where to note what is wrong. What is returned counts only if nothing was noted.
    line : int
        Line of the file, counted from 1, at which `offset` stands.
    """
    columns: list[list[float]] = [[] for _ in table.wanted]
    for number, start, end in _rows(block, offset, line, table):
        if troubles.full:
            break
        troubles.last_line = number
        text = _text_of(block[start:end], number, table.file)
        try:
            cells = split_cells(text, table.delimiter)
        except csv.Error:
            troubles.add(number, "", text, "quote")
            continue
        if len(cells) < table.width or any(cells[table.width :]):
            troubles.add(number, "", text, "cells")
            continue
        for column, place, label in zip(columns, table.wanted, table.labels, strict=True):
            sensor = column is not columns[0]
            value, kind = _value_of(cells[place], table, sensor=sensor)
            if kind:
                troubles.add(number, label, cells[place], kind)
            column.append(value)
    frames = columns[0]
    whole = table.whole and all(isinstance(value, int) for value in frames)
    first: Column = (
        np.array(frames, dtype=np.int64) if whole else np.array(frames, dtype=np.float64)
    )
    readings: list[Column] = [np.array(column, dtype=np.float64) for column in columns[1:]]
    return [first, *readings]


def step_in_text(block: bytes, table: TextTable, values: Column) -> float:
    """Return the smallest step the figures of the frame column can express, in the log's unit.

    Decimals are counted in the text of the first rows (10.0000 has four), then raised until some
    hundreds of values are whole multiples of the step.
    """
    if values.dtype.kind == "i":
        return 1.0
    decimals = 0
    for _, start, end in islice(_rows(block, table.offset, 0, table), 8):
        cells = split_cells(block[start:end].decode("utf-8"), table.delimiter)
        decimals = max(decimals, _decimals_in(cells[table.wanted[0]], table.layout.decimal))
    some = values[:512]
    while decimals < 17:
        scale = 10.0**decimals
        if (np.rint(some * scale) / scale == some).all():
            break
        decimals += 1
    return float(10.0**-decimals)


def note_cut_short(
    block: bytes, table: TextTable, troubles: Troubles, *, offset: int, line: int
) -> None:
    """Note a last figure with fewer decimals than all before it, where the last line has no end.

    Only then is it certain enough that the recording stopped inside the number: 16.6832 cut to 1
    would otherwise be a very short frame.
    """
    if block.endswith((b"\n", b"\r")) or table.width - 1 not in table.wanted:
        return
    tail = list(
        _rows(block, max(offset, block.rfind(b"\n", 0, max(len(block) - 4096, 0))), 0, table)
    )
    cells = [
        split_cells(block[start:end].decode("utf-8"), table.delimiter)[table.width - 1]
        for _, start, end in tail[-20:]
    ]
    counts = {_decimals_in(cell, table.layout.decimal) for cell in cells[:-1]}
    if len(cells) < 5 or len(counts) != 1 or min(counts) < 3:
        return
    if _decimals_in(cells[-1], table.layout.decimal) < min(counts):
        last = int(row_lines(block, table, offset=offset, line=line)[-1])
        troubles.last_line = last
        label = table.labels[table.wanted.index(table.width - 1)]
        troubles.add(last, label, cells[-1], "cut short")
