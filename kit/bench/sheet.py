"""The run sheet as text cells: whatever a spreadsheet makes of a CSV file, and nothing of meaning.

Comma, semicolon or tab; a byte-order mark or UTF-16; any line ends; empty columns and rows at the
end: the meaning is certain, so they are accepted. What is not certain is a fault with its line.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from kit.errors import BenchError, Fault

MAX_SHEET_BYTES = 512 * 1024 * 1024
DELIMITERS = (",", ";", "\t")
# What spreadsheets write where a formula failed.
SHEET_ERRORS = frozenset({"#REF!", "#N/A", "#NAME?", "#VALUE!", "#DIV/0!", "#NUM!", "#NULL!"})


@dataclass(frozen=True, slots=True)
class SheetText:
    """A table of text cells.

    Attributes
    ----------
    file : str
        The name faults give it.
    header : tuple of str
        Column names, without columns at the end that have no name and no cell.
    rows : tuple of (int, tuple of str)
        Line of the file (counted from 1) and cells, one for each column, without space around.
    delimiter, line_end, encoding : str
        How the file is written, to be kept when rows are added.
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    delimiter: str = ","
    line_end: str = "\n"
    encoding: str = "utf-8"


def read_sheet_text(path: Path, *, file: str) -> SheetText:
    """Read a CSV file as people and spreadsheets keep it.

    Raises
    ------
    BenchError
        With every fault: no such file, not text, no header, a column without a name or with a
        name twice, a quotation mark left open, cells beyond the last column.
    """
    try:
        if path.stat().st_size > MAX_SHEET_BYTES:
            raise BenchError([Fault(file, f"larger than {MAX_SHEET_BYTES >> 20} MiB")])
        raw = path.read_bytes()
    except FileNotFoundError:
        raise BenchError([Fault(file, "no such file")]) from None
    except OSError as error:
        raise BenchError([Fault(file, f"cannot be read: {error.strerror or error}")]) from None
    return parse_sheet_text(raw, file=file)


def parse_sheet_text(raw: bytes, *, file: str) -> SheetText:
    """Return the cells of a CSV file from its bytes; faults as `read_sheet_text`."""
    text, encoding = _decoded(raw, file)
    # A spreadsheet's hint about its own delimiter may stand before the header.
    hint = re.match(r"sep=([,;\t])\r?\n", text)
    body = text[hint.end() :] if hint else text
    first = next((line for line in body.splitlines() if line.strip(' ,;\t"')), "")
    delimiter = hint[1] if hint else max(DELIMITERS, key=first.count)
    faults: list[Fault] = []
    table = _table(text, delimiter, file, faults)[1 if hint else 0 :]
    if not table or not first:
        nothing = Fault(file, "the sheet is empty; its first line names the columns")
        raise BenchError(faults or [nothing])
    (line, names), rows = table[0], table[1:]
    width = len(names)
    while width and not names[width - 1]:
        width -= 1
    faults += _header_faults(names[:width], line, file)
    whole: list[tuple[int, tuple[str, ...]]] = []
    for row_line, cells in rows:
        if len(cells) < width:
            cells = (*cells, *[""] * (width - len(cells)))
        elif len(cells) > width:
            beyond = next((cell for cell in cells[width:] if cell), "")
            if beyond:
                faults.append(
                    Fault(
                        file,
                        f"{beyond!r} stands beyond the last column; a cell that holds "
                        f"{delimiter!r} is put in quotation marks",
                        line=row_line,
                    )
                )
            cells = cells[:width]
        whole.append((row_line, cells))
    if faults:
        raise BenchError(faults)
    line_end = "\r\n" if "\r\n" in text[: 1 << 16] else "\n"
    return SheetText(file, names[:width], tuple(whole), delimiter, line_end, encoding)


def write_sheet_text(sheet: SheetText) -> bytes:
    """Return a sheet as the bytes of a CSV file, written the way the sheet was found."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=sheet.delimiter, lineterminator=sheet.line_end)
    writer.writerow(sheet.header)
    writer.writerows(cells for _, cells in sheet.rows)
    return out.getvalue().encode(sheet.encoding)


def _decoded(raw: bytes, file: str) -> tuple[str, str]:
    """Return the text and its encoding."""
    encoding = "utf-8-sig" if raw.startswith(codecs.BOM_UTF8) else "utf-8"
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise BenchError(
            [Fault(file, "not UTF-8 text; save the sheet as CSV in UTF-8", line=line)]
        ) from None
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise BenchError(
            [Fault(file, "holds a NUL character; save the sheet as CSV again", line=line)]
        )
    return text, encoding


def _table(
    text: str, delimiter: str, file: str, faults: list[Fault]
) -> list[tuple[int, tuple[str, ...]]]:
    """Return line and cells of every row that is not empty."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    table: list[tuple[int, tuple[str, ...]]] = []
    line = 1
    try:
        for cells in reader:
            # Tuples of text are left alone by the garbage collector; lists cost a second here.
            stripped = tuple([cell.strip() for cell in cells])
            if any(stripped):
                table.append((line, stripped))
            line = reader.line_num + 1
    except csv.Error as error:
        quoted = text.splitlines()[line - 1 : line]
        shown = f" in {quoted[0][:80]!r}" if quoted else ""
        what = (
            "a quotation mark is not closed, or not alone in its cell"
            if "expected after" in str(error) or "end of data" in str(error)
            else str(error)
        )
        faults.append(Fault(file, f"{what}{shown}", line=line))
        return []
    return table


def _header_faults(names: tuple[str, ...], line: int, file: str) -> list[Fault]:
    """Return what is wrong with the names of the columns."""
    faults = [
        Fault(file, f"column {place} has no name; name it or delete it", line=line)
        for place, name in enumerate(names, start=1)
        if not name
    ]
    faults += [
        Fault(file, "two columns have this name; rename or delete one", line=line, key=name)
        for name in dict.fromkeys(n for n in names if n and names.count(n) > 1)
    ]
    return faults
