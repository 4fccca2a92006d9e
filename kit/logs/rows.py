"""Blocks of text lines to columns of numbers: a fast reader, and a slow one that explains.

The slow reader decides what is right. The fast one may only be used where it agrees with it, and
gives up (returns None) wherever the slow one has something to say.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from kit.errors import Fault, RunFileError, did_you_mean
from kit.logs.cells import (
    Column,
    TextTable,
    Troubles,
    decimals_in,
    is_whole,
    number_in,
    quoted,
    shortened,
    split_cells,
    value_of,
)
from kit.logs.unpacked import refuse
from kit.settings.bench_file import Layout


def line_spans(block: bytes, start: int = 0) -> Iterator[tuple[int, int]]:
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
        raise refuse(
            file,
            "the file is empty; if the run did not finish, give its row in runs.csv "
            "a status and a reason",
        )
    for number, (start, end) in enumerate(line_spans(block), start=1):
        raw = block[start:end]
        if number <= layout.skip_lines or not raw.strip() or (comment and raw.startswith(comment)):
            continue
        line = _text_of(raw, number, file)
        try:
            cells = split_cells(line, delimiter)
        except csv.Error:
            raise refuse(
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
            len(cells) > wanted[0] and is_whole(cells[wanted[0]])
        )
        return TextTable(layout, file, start, number, width, wanted, labels, whole)
    if header is not None:
        find_places(layout, header, len(header), header_line, file, sensors)
        raise refuse(
            file,
            "there is a header but no row below it; if the run did not finish, give "
            "its row in runs.csv a status and a reason",
            line=header_line,
        )
    raise refuse(
        file,
        "there is no row in it; if the run did not finish, give its row in runs.csv "
        "a status and a reason",
    )


def _text_of(raw: bytes, number: int, file: str) -> str:
    """Return a line as text, or say that it is not UTF-8."""
    if b"\0" in raw:
        raise refuse(
            file,
            "holds a NUL byte where text was expected; if the log is UTF-16, say "
            "`encoding: utf-16` in its layout; otherwise the log is damaged, so take it "
            "from the recorder again",
            line=number,
        )
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise refuse(
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
            message = f'no column "{ref}" in the header, which holds {shortened(shown, 200)}{guess}'
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
        raise refuse(
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
    for number, (start, end) in enumerate(line_spans(block, offset), start=line):
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
            value, kind = value_of(cells[place], table, sensor=sensor)
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
        decimals = max(decimals, decimals_in(cells[table.wanted[0]], table.layout.decimal))
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
    counts = {decimals_in(cell, table.layout.decimal) for cell in cells[:-1]}
    if len(cells) < 5 or len(counts) != 1 or min(counts) < 3:
        return
    if decimals_in(cells[-1], table.layout.decimal) < min(counts):
        last = int(row_lines(block, table, offset=offset, line=line)[-1])
        troubles.last_line = last
        label = table.labels[table.wanted.index(table.width - 1)]
        troubles.add(last, label, cells[-1], "cut short")
