"""Raw logs read through declared layouts, and hashed in the same read.

Text has two readers: a slow one that goes row by row, decides what is right and explains what is
not, and a fast one. The fast one may only be used where it agrees with the slow one, and gives up
(returns None) wherever that has something to say.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kit.errors import Fault, RunFileError, did_you_mean
from kit.logs.shapes import CHARACTERS, UNIT_PER_MS, make_plain, split_cells
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
    from pyarrow.parquet import ParquetFile

# Frames outside are no frames: the unit declared is wrong, or the row is damaged.
_MIN_FRAME_MS = 1e-6
_MAX_FRAME_MS = 3_600_000.0
_MAX_TROUBLES = 1000
_MAX_HELD_BYTES = 256 * 1024 * 1024
_MAX_DIGITS = 400  # a double has no more than 309 before its point
# What is said in several places.
_GIVE_STATUS = "if the run did not finish, give its row in runs.csv a status and a reason"
_TAKE_AGAIN = (
    "take the log from the recorder again, or give the run a status and a reason in runs.csv"
)
_QUOTE = "a quotation mark is not closed, or not alone in its cell, in {}"
_MISSING_READINGS = frozenset({"", "nan", "n/a", "na", "-"})
_FRAME_WORDS = {
    "frame_time": "frame time",
    "frame_end": "time stamp",
    "frame_rate": "rate of one frame",
}

# ASCII digits only: Python's float() would also take 1_000 and digits of other scripts.
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,19}", re.ASCII)


# Whole-number stamps stay whole until two of them are subtracted.
_Column = NDArray[np.float64] | NDArray[np.int64]


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

    @staticmethod
    def parts_of(path: Path, layout: Layout, *, file: str) -> tuple[str, ...]:
        """Return the names of the runs a log holds, where it holds more than one.

        Of a layout that names a part, none. Arguments and faults are those of `read_log`.
        """
        if layout.part:
            return ()
        chunks = recorded_chunks(path, file=file)
        parts = make_plain(chunks, layout, file=file, choose=False).parts
        return parts if len(parts) > 1 else ()

    @staticmethod
    def runs_of(path: Path, layout: Layout, *, file: str, sensors: bool = True) -> dict[str, Log]:
        """Return each run of a log by the name of its part; a log of one run has no name.

        Of a layout that names a part, that one. Arguments and faults are those of `read_log`.
        """
        parts = Log.parts_of(path, layout, file=file) or (layout.part,)
        how = {part: layout.model_copy(update={"part": part}) for part in parts}
        return {p: read_log(path, how[p], file=file, sensors=sensors) for p in parts}


@dataclass(frozen=True, slots=True)
class _TextTable:
    """Where the rows of a text log begin, and which of its cells are wanted.

    Attributes
    ----------
    layout, file
        How the log is read, and the name faults give it.
    offset, line : int
        Byte of the first block, and line of the file (counted from 1), at which rows begin.
    width : int
        How many cells a row has.
    wanted : tuple of int
        Places of the columns read, counted from 0, the frame column first.
    labels : tuple of str
        What the reviewer calls those columns.
    whole : bool
        Whether stamps are whole numbers, read without rounding.
    delimiter : str
        The character between cells (a space stands for any run of spaces and tabs).
    """

    layout: Layout
    file: str
    offset: int
    line: int
    width: int
    wanted: tuple[int, ...]
    labels: tuple[str, ...]
    whole: bool
    delimiter: str


@dataclass(slots=True)
class _Troubles:
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

    def raise_if_any(self, table: _TextTable) -> None:
        """Raise one `RunFileError` that names the first trouble and counts all."""
        if self.found:
            raise RunFileError([_fault_of(self, table)])


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


def _value_of(text: str, table: _TextTable, *, sensor: bool) -> tuple[float, str]:
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
    if layout.frames.holds != "frame_end":
        return value, _why_no_frame(value, layout.frames.unit)
    return (int(text) if table.whole and _is_whole(text) else value), ""


def _why_no_frame(value: float, unit: str) -> str:
    """Say why a number is not a frame time, or nothing if it may be one."""
    if value <= 0:
        return "not above zero"
    frame_ms = 1000.0 / value if unit == "fps" else value / UNIT_PER_MS[unit]
    if frame_ms > _MAX_FRAME_MS:
        return "too long"
    return "too short" if frame_ms < _MIN_FRAME_MS else ""


def _are_frames(values: _Column, unit: str) -> bool:
    """Return whether every value may be a frame time in `unit`."""
    if not values.size:
        return True
    # NaN fails both comparisons.
    low, high = float(values.min()), float(values.max())
    return low > 0 and not (_why_no_frame(low, unit) or _why_no_frame(high, unit))


def _step_ms(step: float, unit: str, values: _Column) -> float:
    """Return a step of figures in milliseconds; of rates, at their median."""
    if unit == "fps":
        return 1000.0 * step / float(np.median(values)) ** 2
    return step * (1.0 / UNIT_PER_MS[unit])


def _to_ms(values: _Column, unit: str) -> NDArray[np.float64]:
    """Return times in milliseconds (dividing by 1000 rounds once; times 0.001 twice)."""
    if unit == "fps":
        return np.asarray(1000.0 / values, dtype=np.float64)
    found = values * 1000.0 if unit == "s" else values / UNIT_PER_MS[unit]
    return np.asarray(values if unit == "ms" else found, dtype=np.float64)


def _why_no_number(text: str, decimal: str) -> str:
    """Return the kind of trouble of a cell that is not a number."""
    other = "," if decimal == "." else "."
    if number_in(text, other) is not None:
        return "decimal"
    plain = text.replace(other, "").replace(" ", "").replace("\u00a0", "").replace("'", "")
    if plain != text and number_in(plain, decimal) is not None:
        return "thousands"
    return "no number"


def _fault_of(troubles: _Troubles, table: _TextTable) -> Fault:
    """Say all troubles of one log as one fault."""
    layout, found = table.layout, troubles.found
    line, key, text, kind = found[0]
    number = f"a {_FRAME_WORDS[layout.frames.holds]} in {layout.frames.unit}"
    if key and key != table.labels[0]:
        number = "a reading"
    seen, sure = f"found {_quoted(text)}", f"is the unit ({layout.frames.unit}) right?"
    messages = {
        "empty": f"the cell is empty; expected {number}",
        "not finite": f"{seen}; expected {number}",
        "no number": f"{seen}; expected {number}",
        "decimal": f'{seen}, but the layout says `decimal: "{layout.decimal}"`; correct the layout '
        "or the log",
        "thousands": f"{seen}, which looks like a number with separators between thousands; "
        f"expected {number} without them",
        "not above zero": f"{seen}; a frame time is above zero",
        "too long": f"{seen}: a frame of more than an hour; {sure}",
        "too short": f"{seen}: a frame of less than a nanosecond; {sure}",
        "cut short": f"{seen}, with fewer decimals than every row before it and no end of line",
        "quote": _QUOTE.format(_quoted(text)),
        "cells": _cells_message(text, table),
    }
    parts = [messages[kind], _count_message(found), "no row of this log was used"]
    last = line == troubles.last_line and len(found) == 1
    if last and kind in {"empty", "cells", "no number", "quote", "cut short"}:
        parts.append(
            "it is the last row, so the recording may have been cut short: take a whole copy, or "
            "delete the unfinished row from a copy of the log and say so in the run's row"
        )
    elif line == table.line and not layout.header and kind == "no number":
        parts.append("if it is a header, say `header: true` in the layout")
    elif kind not in {"decimal", "too long", "too short"}:
        parts.append(_TAKE_AGAIN)
    return Fault(table.file, "; ".join(part for part in parts if part), line=line, key=key or None)


def _cells_message(text: str, table: _TextTable) -> str:
    """Say that a row has another number of cells than the rest."""
    count = len(split_cells(text, table.delimiter)) if '"' not in text else 0
    had = f"{count} cells" if count else "the cells"
    comma = count > table.width and table.delimiter == ","
    hint = " (a comma inside a number, or rows of another layout?)" if comma else ""
    return f"found {had} in {_quoted(text)}; expected {table.width}{hint}"


def _count_message(found: list[tuple[int, str, str, str]]) -> str:
    """Say how many rows are wrong besides the first, and which."""
    lines = list(dict.fromkeys(line for line, _, _, _ in found))
    if len(lines) == 1:
        return ""
    more = "more than " if len(found) >= _MAX_TROUBLES else ""
    first = ", ".join(str(line) for line in lines[:5]) + (", ..." if len(lines) > 5 else "")
    kinds = Counter(kind for _, _, _, kind in found).most_common()
    split = ", ".join(f"{count} {kind}" for kind, count in kinds)
    shown = f"{first}: {split}" if len(kinds) > 1 else first
    return f"{more}{len(lines)} rows are not as expected (lines {shown})"


def _quoted(text: str) -> str:
    """Return text found in a file, shortened, with control characters made visible."""
    return repr(_shortened(text, 60))


def _shortened(text: str, size: int) -> str:
    """Return text cut to a size, saying how long it was."""
    return text if len(text) <= size else f"{text[:size]}... ({len(text)} characters)"


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


def _find_table(block: bytes, layout: Layout, *, file: str, sensors: bool) -> _TextTable:
    """Find the header and the first row in the first block of a log.

    Raises
    ------
    RunFileError
        If there is no header or no row, or a column of the layout is not there.
    """
    delimiter = CHARACTERS.get(layout.delimiter, layout.delimiter)
    comment = layout.comment.encode() if layout.comment else None
    header: list[str] | None = None
    header_line = 0
    for number, (start, end) in enumerate(_line_spans(block), start=1):
        raw = block[start:end]
        if number <= layout.skip_lines or not raw.strip() or (comment and raw.startswith(comment)):
            continue
        line = _text_of(raw, number, file)
        try:
            cells = split_cells(line, delimiter)
        except csv.Error:
            raise RunFileError.at(file, _QUOTE.format(_quoted(line)), line=number) from None
        if layout.header and header is None:
            header, header_line = cells, number
            continue
        width = len(cells if header is None else header)
        wanted, labels = _find_places(layout, header, width, header_line or number, file, sensors)
        if header is not None and number_in(header[wanted[0]], layout.decimal) is not None:
            found = f"the number {_quoted(header[wanted[0]])} in {labels[0]}"  # a frame, lost
            said = f"the layout says `header: true`, but the first row holds {found}"
            raise RunFileError.at(file, f"{said}; say `header: false`", line=header_line)
        first = cells[wanted[0]] if len(cells) > wanted[0] else ""
        whole = layout.frames.holds == "frame_end" and _is_whole(first)
        return _TextTable(layout, file, start, number, width, wanted, labels, whole, delimiter)
    if header is None:
        raise RunFileError.at(file, f"there is no row in it; {_GIVE_STATUS}")
    _find_places(layout, header, len(header), header_line, file, sensors)
    said = f"there is a header but no row below it; {_GIVE_STATUS}"
    raise RunFileError.at(file, said, line=header_line)


def _text_of(raw: bytes, number: int, file: str) -> str:
    """Return a line as text, or say that it is not UTF-8."""
    if b"\0" in raw:
        said = (
            "holds a NUL byte where text was expected; if the log is UTF-16, say `encoding: "
            "utf-16` in its layout; otherwise the log is damaged, so take it from the recorder "
            "again"
        )
        raise RunFileError.at(file, said, line=number)
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        said = (
            f"not UTF-8 text (byte {raw[error.start]:#04x}); say `encoding: latin-1` (or utf-16) "
            "in its layout if it was so written"
        )
        raise RunFileError.at(file, said, line=number) from None


def _find_places(
    layout: Layout, names: list[str] | None, width: int, line: int | None, file: str, sensors: bool
) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Return places (from 0) and names of the columns wanted, the frame column first.

    Raises
    ------
    RunFileError
        With a fault for each column of the layout that is not there, or there twice.
    """
    places: list[int] = []
    labels: list[str] = []
    faults: list[Fault] = []
    header = names or []
    for ref in [layout.frames.column, *(layout.sensors.values() if sensors else ())]:
        if isinstance(ref, int):
            if ref <= width:
                places.append(ref - 1)
                labels.append((header[ref - 1] if header else "") or f"column {ref}")
                continue
            message = f"the layout reads column {ref}, but the rows have {width} cells"
        elif header.count(ref) == 1:
            places.append(header.index(ref))
            labels.append(ref)
            continue
        elif header.count(ref) > 1:
            message = (
                f'{header.count(ref)} columns are named "{ref}"; give the place of the right one '
                "in the layout, counted from 1"
            )
        else:
            shown = ", ".join(f'"{name}"' for name in header[:12]) or "nothing"
            guess = did_you_mean(ref, header) or "; `marginbook new layout LOG` proposes another"
            held = f"which holds {_shortened(shown, 200)}{guess}"
            message = f'no column "{ref}" in the header, {held}'
            message += "; is the delimiter of the layout right?" if len(header) == 1 else ""
        faults.append(Fault(file, message, line=line, key=str(ref)))
    RunFileError.raise_if(faults)
    return tuple(places), tuple(labels)


def _read_rows(block: bytes, table: _TextTable, *, offset: int) -> list[_Column] | None:
    """Return the wanted columns of a block the fast way, or None where it cannot be sure.

    Parameters
    ----------
    block : bytes
        Whole lines of UTF-8.
    table : _TextTable
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
    if table.whole and (b"0x" in block or b"0X" in block):
        return None  # the fast reader would take 0x10 for a number
    body = _plain_rows(block, offset, table)
    names = [str(place) for place in range(table.width)]
    wanted = [names[place] for place in table.wanted]
    types = dict.fromkeys(wanted, pa.float64())
    if table.whole:
        types[wanted[0]] = pa.int64()
    size = max(len(body), 64) + 1
    try:
        read = pa_csv.read_csv(
            pa.BufferReader(pa.py_buffer(body)),
            pa_csv.ReadOptions(use_threads=False, block_size=size, column_names=names),
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
    taken = [read.column(name) for name in wanted]
    if taken[0].null_count:
        return None
    columns: list[Any] = [  # `to_numpy` imports pandas: a quarter of a second in each process
        np.from_dlpack(c.chunk(0)) if c.num_chunks == 1 and not c.null_count else c.to_numpy()
        for c in taken
    ]
    if any(np.isinf(readings).any() for readings in columns[1:]):
        return None
    return columns


def _is_utf8(block: bytes) -> bool:
    try:
        block.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _plain_rows(block: bytes, offset: int, table: _TextTable) -> bytes | memoryview:
    """Return the rows without comment lines and, between cells, with one space only."""
    mark = (table.layout.comment or "").encode()
    body: bytes | memoryview = memoryview(block)[offset:]
    if mark and (block.startswith(mark, offset) or block.find(b"\n" + mark, offset) >= 0):
        body = re.sub(rb"(?m)^" + re.escape(mark) + rb"[^\r\n]*", b"", block[offset:])
    if table.delimiter == " ":
        return b"\n".join(b" ".join(line.split()) for line in bytes(body).splitlines())
    return body


def _rows(
    block: bytes, offset: int, line: int, table: _TextTable
) -> Iterator[tuple[int, int, int]]:
    """Yield line number, start and end of each row; empty lines and comments are passed over."""
    comment = table.layout.comment.encode() if table.layout.comment else None
    for number, (start, end) in enumerate(_line_spans(block, offset), start=line):
        if comment and block.startswith(comment, start):
            continue
        if block[start:end].strip():
            yield number, start, end


def _row_lines(block: bytes, table: _TextTable, *, offset: int, line: int) -> NDArray[np.int64]:
    """Return the line in the file, counted from 1, of each row of a block."""
    rows = _rows(block, offset, line, table)
    return np.fromiter((number for number, _, _ in rows), dtype=np.int64)


def _explain_rows(
    block: bytes, table: _TextTable, troubles: _Troubles, *, offset: int, line: int
) -> list[_Column]:
    """Return the wanted columns of a block row by row, noting everything that is not as expected.

    Parameters
    ----------
    block, table, offset
        As for `_read_rows`.
    troubles : _Troubles
        Where to note what is wrong. What is returned counts only if nothing was noted.
    line : int
        Line of the file, counted from 1, at which `offset` stands.

    Returns
    -------
    list of ndarray, each of shape (n_rows,)
        As `_read_rows`.
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
            value, kind = _value_of(cells[place], table, sensor=column is not columns[0])
            if kind:
                troubles.add(number, label, cells[place], kind)
            column.append(value)
    whole = table.whole and all(isinstance(value, int) for value in columns[0])
    frames = np.array(columns[0], dtype=np.float64)
    first: _Column = np.array(columns[0], dtype=np.int64) if whole else frames
    return [first, *(np.array(column, dtype=np.float64) for column in columns[1:])]


def _step_in_text(block: bytes, table: _TextTable, values: _Column) -> float:
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
    while decimals < 17 and (np.rint(some * 10.0**decimals) / 10.0**decimals != some).any():
        decimals += 1
    return float(10.0**-decimals)


def _note_cut_short(
    block: bytes, table: _TextTable, troubles: _Troubles, *, offset: int, line: int
) -> None:
    """Note a last figure with fewer decimals than all before it, where the last line has no end.

    Only then is it certain enough that the recording stopped inside the number: 16.6832 cut to 1
    would otherwise be a very short frame.
    """
    place = table.width - 1
    if block.endswith((b"\n", b"\r")) or place not in table.wanted:
        return
    start_of_tail = max(offset, block.rfind(b"\n", 0, max(len(block) - 4096, 0)))
    tail = list(_rows(block, start_of_tail, 0, table))[-20:]
    rows = (block[start:end].decode("utf-8") for _, start, end in tail)
    cells = [split_cells(row, table.delimiter)[place] for row in rows]
    counts = {_decimals_in(cell, table.layout.decimal) for cell in cells[:-1]}
    if len(cells) < 5 or len(counts) != 1 or min(counts) < 3:
        return
    if _decimals_in(cells[-1], table.layout.decimal) < min(counts):
        last = int(_row_lines(block, table, offset=offset, line=line)[-1])
        troubles.last_line = last
        troubles.add(last, table.labels[table.wanted.index(place)], cells[-1], "cut short")


@dataclass(slots=True)
class _Frames:
    """Frames and sensor readings of a log, gathered block by block."""

    layout: Layout
    last: float | int | None = None
    frame_ms: list[NDArray[np.float64]] = field(default_factory=list)
    sensors: list[list[NDArray[np.float64]]] = field(default_factory=list)
    backward_rows: list[int] = field(default_factory=list)
    step_ms: float = 0.0

    def add(self, columns: list[_Column], lines: Callable[[], NDArray[np.int64]]) -> None:
        """Take in the columns of one block; `lines` gives the line of each row, if asked."""
        values, unit = columns[0], self.layout.frames.unit
        readings = [np.asarray(column, dtype=np.float64) for column in columns[1:]]
        if self.layout.frames.holds != "frame_end" or not values.size:
            self.frame_ms.append(_to_ms(values, unit))
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
        self.frame_ms.append(_to_ms(steps[opens:], unit))
        self.sensors.append([column[opens:] for column in readings])


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
    chunks = recorded_chunks(path, file=file)
    return _read_chunks(chunks, Digest(), layout, file=file, sensors=sensors, path=path)


def parse_log(
    data: bytes, layout: Layout, *, file: str, sensors: bool = True, sha256: str | None = None
) -> Log:
    """Read a raw log from its bytes, as `read_log` does from a file.

    A pure function of its arguments, so that it may run anywhere.

    Parameters
    ----------
    data : bytes
        The log as recorded.
    layout, file, sensors
        As for `read_log`.
    sha256 : str, optional
        That of `data`, where the caller has it already.

    Returns
    -------
    Log
        As `read_log`.

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
    chunks = (data[at : at + CHUNK_BYTES] for at in range(0, len(data), CHUNK_BYTES))
    return _read_chunks(chunks, Digest(known=sha256), layout, file=file, sensors=sensors)


def _read_chunks(
    chunks: Iterable[bytes],
    digest: Digest,
    layout: Layout,
    *,
    file: str,
    sensors: bool,
    path: Path | None = None,
) -> Log:
    """Return the log that chunks of bytes hold, hashing them on the way."""
    shaped = make_plain(digest.of_passing(chunks), layout, file=file)
    layout, path = shaped.layout, None if shaped.packed else path
    if layout.container == "parquet":
        frames = _read_parquet(path, shaped.chunks, digest, layout, file=file, sensors=sensors)
    else:
        frames = _read_text(shaped.chunks, layout, file=file, sensors=sensors)
    frame_ms = _joined(frames.frame_ms)
    if not frame_ms.size:
        one = " (one stamp makes no frame)" if frames.last is not None else ""
        raise RunFileError.at(file, f"holds no frame{one}; {_GIVE_STATUS}")
    names = layout.sensors if sensors else ()
    return Log(
        file,
        digest.hexdigest(),
        digest.size_bytes,
        frame_ms,
        {name: _joined([block[i] for block in frames.sensors]) for i, name in enumerate(names)},
        frames.step_ms,
        tuple(frames.backward_rows),
    )


def _read_text(chunks: Iterable[bytes], layout: Layout, *, file: str, sensors: bool) -> _Frames:
    """Return the frames of a text log."""
    frames, troubles = _Frames(layout), _Troubles()
    table: _TextTable | None = None
    block, offset, line = b"", 0, 1
    for following in text_blocks(chunks, encoding=layout.encoding, file=file):
        if table is None:
            table = _find_table(following, layout, file=file, sensors=sensors)
            offset, line = table.offset, table.line
        else:
            line += block.count(b"\n", offset)
            offset = 0
        block = following
        troubles.last_line = 0
        columns = _read_rows(block, table, offset=offset)
        if columns is None or not _plausible(columns[0], layout):
            columns = _explain_rows(block, table, troubles, offset=offset, line=line)
        if troubles.full:
            break
        if not troubles.found:
            if not frames.frame_ms:
                step = _step_in_text(block, table, columns[0])
                frames.step_ms = _step_ms(step, layout.frames.unit, columns[0])
            frames.add(columns, partial(_row_lines, block, table, offset=offset, line=line))
    if table is None:
        raise RunFileError.at(file, f"the file is empty; {_GIVE_STATUS}")
    if not troubles.found:
        _note_cut_short(block, table, troubles, offset=offset, line=line)
    troubles.raise_if_any(table)
    return frames


def _plausible(values: _Column, layout: Layout) -> bool:
    """Return whether the values of a frame column need no explaining."""
    if layout.frames.holds != "frame_end":
        return _are_frames(values, layout.frames.unit)
    return bool(np.isfinite(values).all())


def _read_parquet(
    path: Path | None,
    chunks: Iterable[bytes],
    digest: Digest,
    layout: Layout,
    *,
    file: str,
    sensors: bool,
) -> _Frames:
    """Return the frames of a Parquet log, batch by batch; only the bytes of small ones are held."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    held: list[bytes] = []
    stamp = path.stat().st_mtime_ns if path is not None and path.exists() else 0
    for chunk in chunks:
        if digest.size_bytes == len(chunk) and not chunk.startswith(PARQUET):
            raise RunFileError.at(file, _no_parquet(chunk))
        if path is None or digest.size_bytes <= _MAX_HELD_BYTES:
            held.append(chunk)
    if not digest.size_bytes:
        raise RunFileError.at(file, f"the file is empty; {_GIVE_STATUS}")
    whole = path is None or digest.size_bytes <= _MAX_HELD_BYTES
    source = pa.BufferReader(b"".join(held)) if whole else str(path)
    held.clear()
    frames = _Frames(layout)
    try:
        with pq.ParquetFile(source, memory_map=not whole) as parquet:
            _read_batches(parquet, frames, digest.size_bytes, file, sensors)
        if not whole and path is not None and path.stat().st_mtime_ns != stamp:
            raise RunFileError.at(file, "changed while it was being read; run again")
    except (pa.ArrowException, OSError) as error:
        why = str(error).splitlines()[0][:120]
        said = f"damaged Parquet data ({why}); take the log from the recorder again"
        raise RunFileError.at(file, said) from None
    return frames


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
    from pyarrow.types import is_decimal, is_floating, is_integer, is_timestamp

    layout, schema = frames.layout, parquet.schema_arrow
    check_size(size_bytes, 8 * parquet.metadata.num_rows, file)
    places, labels = _find_places(layout, schema.names, len(schema.names), None, file, sensors)
    types = [schema.field(place).type for place in places]
    moments = layout.frames.unit == "iso"
    if moments != is_timestamp(types[0]):
        expected = "moments, as unit iso says" if moments else "numbers; for moments say unit: iso"
        said = f"the column holds {types[0]}; expected {expected}"
        raise RunFileError.at(file, said, key=labels[0])
    if moments:
        frames.layout = layout.model_copy(
            update={"frames": layout.frames.model_copy(update={"unit": types[0].unit})}
        )
        frames.step_ms = _step_ms(1.0, types[0].unit, np.ones(1))
        types[0] = pa.int64()
    for label, kind in zip(labels, types, strict=True):
        if not (is_floating(kind) or is_integer(kind) or is_decimal(kind)):
            raise RunFileError.at(file, f"the column holds {kind}; expected numbers", key=label)
    if (is_decimal(types[0]) or is_integer(types[0])) and not moments:
        scale = types[0].scale if is_decimal(types[0]) else 0
        frames.step_ms = _step_ms(10.0**-scale, layout.frames.unit, np.ones(1))
    whole = is_integer(types[0]) and layout.frames.holds == "frame_end"
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


def _refuse_values(
    values: _Column, rows: NDArray[np.int64], label: str, layout: Layout, file: str
) -> None:
    """Raise for the values of a batch that are no frame times or stamps."""
    wrong = [
        (int(row), float(value))
        for row, value in zip(rows, values, strict=True)
        if not _plausible(np.asarray([value], dtype=np.float64), layout)
    ]
    (row, value), frames = wrong[0], layout.frames
    more = f" ({len(wrong)} such rows among the {len(rows)} from row {rows[0]})"
    shown = "nothing or NaN" if np.isnan(value) else f"{value:g}"
    expected = f"a {_FRAME_WORDS[frames.holds]} in {frames.unit}{more if len(wrong) > 1 else ''}"
    said = f"found {shown}; expected {expected}; no row of this log was used; {_TAKE_AGAIN}"
    raise RunFileError.at(file, said, line=row, key=label)
