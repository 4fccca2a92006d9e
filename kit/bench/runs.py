"""The run sheet: text cells as spreadsheets keep them, what they mean (`RunRow`), and every fault.

Comma, semicolon or tab; a byte-order mark or UTF-16; any line ends; empty columns and rows at the
end: the meaning is certain, so they are accepted. What is not certain is a fault with its line.
"""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import hashlib
import io
import json
import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from functools import cached_property
from itertools import count, islice, pairwise
from operator import itemgetter
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from kit.errors import BenchError, Fault, RunFileError, UsageError, did_you_mean
from kit.logs.read import Log, read_log
from kit.logs.shapes import ZIP, sheets_in
from kit.logs.unpacked import near_file
from kit.settings.bench_file import NEW_SHEET, Bench, Layout, Title
from kit.settings.metric import HEADLINE, LOWS, METRICS, RESULT, TYPED_METRICS, tail_shares
from kit.settings.yaml import TURNING

if TYPE_CHECKING:
    from pyarrow import Table

_MAX_SHEET_BYTES = 512 * 1024 * 1024
_MAX_COLUMNS = 5_000
_DELIMITERS = (",", ";", "\t")
# What spreadsheets write where a formula failed.
_SHEET_ERRORS = frozenset({"#REF!", "#N/A", "#NAME?", "#VALUE!", "#DIV/0!", "#NUM!", "#NULL!"})


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
    header_line : int
        Line of the file that names the columns.
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    delimiter: str = ","
    line_end: str = "\n"
    encoding: str = "utf-8"
    header_line: int = 1

    def by_run(self) -> dict[str, dict[str, str]]:
        """Return the filled cells of each row, by run, in the order of the columns' names."""
        place = self.header.index("run") if "run" in self.header else 0
        ordered = sorted((name, i) for i, name in enumerate(self.header))
        return {
            cells[place]: {name: cells[i] for name, i in ordered if cells[i]}
            for _, cells in self.rows
        }

    def to_rows(self, bench: Bench) -> tuple[RunRow, ...]:
        """Return the rows of a run sheet; faults as `RunSheet`."""
        walk = _Walk(self, bench)
        walk.check_header()
        return walk.read(self.rows, strict=True)

    def widened(self, header: tuple[str, ...]) -> SheetText:
        """Return the sheet with more columns at its right, empty so far."""
        pad = ("",) * (len(header) - len(self.header))
        rows = tuple((line, (*cells, *pad)) for line, cells in self.rows)
        return replace(self, header=header, rows=rows)

    def with_cells(self, rows: Mapping[str, Mapping[str, str]]) -> SheetText:
        """Return the sheet with rows that hold the cells given and no other.

        Parameters
        ----------
        rows : mapping of str to mapping of str to str
            By run, what its row is to hold, by column. A run the sheet does not have gets a row at
            the end, a name it does not have a column.
        """
        names = (name for cells in rows.values() for name in cells)
        sheet = self.widened(tuple(dict.fromkeys([*self.header, *names])))
        whole = {
            run: tuple(cells.get(name, "") for name in sheet.header) for run, cells in rows.items()
        }
        place = sheet.header.index("run")
        kept = [(line, whole.pop(cells[place], cells)) for line, cells in sheet.rows]
        added = list(enumerate(whole.values(), start=len(kept) + 2))
        return replace(sheet, rows=(*kept, *added))

    def to_bytes(self) -> bytes:
        """Return the bytes of a CSV file, written the way the sheet was found."""
        out = io.StringIO()
        writer = csv.writer(out, delimiter=self.delimiter, lineterminator=self.line_end)
        writer.writerow(self.header)
        writer.writerows(cells for _, cells in self.rows)
        return out.getvalue().encode(self.encoding)

    def write_new(self, path: Path) -> None:
        """Write the sheet as CSV, or where the name ends in .xlsx as a spreadsheet of text cells.

        Raises
        ------
        UsageError
            If there is such a file already, or it cannot be written.
        """
        if path.exists():
            raise UsageError(f"{path.name} is there already; nothing was written")
        data = self.to_bytes()
        if path.suffix.lower() == ".xlsx":
            data = SheetText.book_of({"runs": self})
        try:
            path.write_bytes(data)
        except OSError as error:
            raise UsageError(f"cannot write {path.name}: {error.strerror or error}") from None

    @staticmethod
    def book_of(sheets: Mapping[str, SheetText]) -> bytes:
        """Return a spreadsheet of tables by name: days and figures are real ones, the rest is text.

        Raises
        ------
        UsageError
            If a cell would not come back as it is, such as one longer than a spreadsheet holds.
        """
        import openpyxl
        from openpyxl.cell import WriteOnlyCell
        from openpyxl.utils.exceptions import IllegalCharacterError

        book, out = openpyxl.Workbook(write_only=True), io.BytesIO()
        for name, sheet in sheets.items():
            page = book.create_sheet(name)
            page.freeze_panes = "A2"
            page.append(sheet.header)
            for _, cells in sheet.rows:
                row = []
                for column, text in zip(sheet.header, cells, strict=True):
                    value, shown = _spreadsheet_cell(column, text)
                    try:
                        row.append(WriteOnlyCell(page, value))
                    except IllegalCharacterError:
                        row.append(WriteOnlyCell(page, ""))  # told below
                    row[-1].number_format = shown
                    if isinstance(value, str) and value:
                        row[-1].data_type = "s"  # "=1+1" and "#N/A" are words here
                page.append(row)
        book.save(out)
        for name, back in SheetText.tables_of(out.getvalue(), file="the spreadsheet").items():
            for (_, cells), (_, found) in zip(sheets[name].rows, back.rows, strict=True):
                for column, text, other in zip(back.header, cells, found, strict=True):
                    if text != other:
                        said = f"{column} {text[:60]!r} cannot be kept in a spreadsheet as it is"
                        raise UsageError(f"{sheets[name].file}: {said}; shorten or mend it")
        return out.getvalue()

    @classmethod
    def tables_of(cls, data: bytes, *, file: str) -> dict[str, Self]:
        """Return each table of a spreadsheet that holds anything, by name; faults as `read`."""
        if not data.startswith(ZIP):
            raise BenchError.at(file, "is no spreadsheet (.xlsx)")
        try:
            found = {n: raw for n, raw in sheets_in(data, file=file) if raw.strip(b'\n, "')}
        except RunFileError as error:
            raise BenchError(error.faults) from None
        return {name: cls.parse(raw, file=f"{file}, {name}") for name, raw in found.items()}

    @classmethod
    def read(cls, path: Path, *, file: str) -> Self:
        """Read a CSV file, or the first sheet of an .xlsx, as people and spreadsheets keep it.

        Raises
        ------
        BenchError
            With every fault: no such file, not text, no header, a column without a name or with a
            name twice, a quotation mark left open, cells beyond the last column.
        """
        return cls.parse(cls.bytes_of(path, file=file), file=file)

    @staticmethod
    def bytes_of(path: Path, *, file: str) -> bytes:
        """Return the bytes of a CSV file, of an .xlsx those its first sheet is as CSV.

        Raises
        ------
        BenchError
            If there is no such file, it cannot be read, or is far too large.
        """
        try:
            if path.stat().st_size > _MAX_SHEET_BYTES:
                raise BenchError.at(file, f"larger than {_MAX_SHEET_BYTES >> 20} MiB")
            raw = path.read_bytes()
        except FileNotFoundError:
            raise BenchError.at(file, "no such file") from None
        except OSError as error:
            raise BenchError.at(file, f"cannot be read: {error.strerror or error}") from None
        if raw.startswith(ZIP) or path.suffix.lower() == ".xlsx":
            try:
                raw = next(sheets_in(raw, file=file))[1]
            except RunFileError as error:
                raise BenchError(error.faults) from None
        return raw

    @classmethod
    def parse(cls, raw: bytes, *, file: str) -> Self:
        """Return the cells of a CSV file from its bytes; faults as `read`."""
        sheet, _, rows = cls.opened(raw, file=file)
        return replace(sheet, rows=tuple(rows))

    @classmethod
    def opened(
        cls, raw: bytes, *, file: str
    ) -> tuple[Self, str, Iterator[tuple[int, tuple[str, ...]]]]:
        """Return a sheet without its rows, its text, and what gives the rows one by one.

        Faults are those of `read`; those of names and rows are raised after the last row.
        """
        text, encoding, delimiter, table = cls.split(raw, file=file)
        line, names = next(table, (0, ()))
        if not names:
            raise BenchError.at(file, "the file is empty; its first line names the columns")
        width = max((i for i, name in enumerate(names, 1) if name), default=0)
        line_end = "\r\n" if "\r\n" in text[: 1 << 16] else "\n"
        sheet = cls(file, names[:width], (), delimiter, line_end, encoding, line)
        return sheet, text, sheet._of_width(table)

    @staticmethod
    def split(
        raw: bytes, *, file: str
    ) -> tuple[str, str, str, Iterator[tuple[int, tuple[str, ...]]]]:
        """Return text, encoding and delimiter of a CSV file, and its rows that are not empty.

        Each row comes with its line. Faults are those of `read`, but for the names of columns.
        """
        text, encoding = _decoded(raw, file)
        # A spreadsheet's hint about its own delimiter may stand before the header.
        hint = re.match(r"sep=([,;\t])\r?\n", text)
        lines = islice(_lines(text), 1 if hint else 0, None)
        first = next((line for line in lines if line.strip(' ,;\t"\r\n')), "").rstrip("\r\n")
        delimiter = hint[1] if hint else max(_DELIMITERS, key=first.count)
        if (columns := first.count(delimiter) + 1) > _MAX_COLUMNS:
            raise BenchError.at(file, f"has {columns} columns; a sheet has at most {_MAX_COLUMNS}")
        rows = _records(text, delimiter, file) if first else iter(())
        return text, encoding, delimiter, islice(rows, 1 if hint else 0, None)

    def _of_width(
        self, table: Iterable[tuple[int, tuple[str, ...]]]
    ) -> Iterator[tuple[int, tuple[str, ...]]]:
        """Yield line and cells of each row, as many as there are columns; then raise the faults."""
        faults = _header_faults(self.header, self.header_line, self.file)
        width = len(self.header)
        for line, cells in table:
            if len(cells) > width and (beyond := next(filter(None, cells[width:]), "")):
                quoted = f"a cell that holds {self.delimiter!r}, such as a decimal comma"
                said = (
                    f"{beyond!r} stands beyond the last column; {quoted}, is put in quotation marks"
                )
                faults.append(Fault(self.file, said, line=line))
            if len(cells) != width:
                cells = (*cells[:width], *[""] * (width - len(cells)))
            yield line, cells
        BenchError.raise_if(faults)


# Columns whose cells are days and moments, and numbers, in a spreadsheet.
_DATED, _NUMBERS = frozenset({"began", "date"}), frozenset({*TYPED_METRICS, "price", "position"})
_WRITTEN_MOMENT = re.compile(
    r"((?:19[1-9]|2\d\d)\d-\d\d-\d\d)(?:([T ])(\d\d:\d\d(:\d\d)?)(Z|[+-]\d\d:?\d\d)?)?", re.ASCII
)


def _spreadsheet_cell(column: str, text: str) -> tuple[dt.datetime | float | str, str]:
    """Return what a spreadsheet holds for a cell, and the format that shows it as it is written."""
    if column in _DATED and (found := _WRITTEN_MOMENT.fullmatch(text)):
        day, beside, time, seconds, zone = found.groups()
        shown = "yyyy-mm-dd" + ({"T": '"T"', " ": " "}[beside] + "hh:mm" if beside else "")
        shown += (":ss" if seconds else "") + (f'"{zone}"' if zone else "")
        with suppress(ValueError):  # no day of the calendar
            return dt.datetime.fromisoformat(f"{day}T{time or '00:00'}"), shown
    if column in _NUMBERS and re.fullmatch(r"(?=.{1,16}$)-?(0|[1-9]\d*)(\.\d+)?", text, re.ASCII):
        places = len(text.partition(".")[2])
        if f"{float(text):.{places}f}" == text and not text.startswith("-0"):
            return float(text), "0" + ("." + "0" * places if places else "")
    return text, "@"


def _decoded(raw: bytes, file: str) -> tuple[str, str]:
    """Return the text and its encoding."""
    encoding = "utf-8-sig" if raw.startswith(codecs.BOM_UTF8) else "utf-8"
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise BenchError.at(
            file, "not UTF-8 text; save the sheet as CSV in UTF-8", line=line
        ) from None
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise BenchError.at(file, "holds a NUL character; save the sheet as CSV again", line=line)
    if not text.isascii() and (found := re.search(f"[{TURNING}]", text)) is not None:
        line = text.count("\n", 0, found.start()) + 1
        said = f"holds U+{ord(found[0]):04X}, which turns the order text is shown in; delete it"
        raise BenchError.at(file, said, line=line)
    return text, encoding


def _lines(text: str) -> Iterator[str]:
    """Yield the lines of a text with their ends; a copy of it, as a stream, takes memory."""
    return (found[0] for found in re.finditer(r"[^\r\n]*(?:\r\n?|\n)|[^\r\n]+", text))


def _records(text: str, delimiter: str, file: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield line and cells of every row that is not empty.

    Raises
    ------
    BenchError
        Where a quotation mark is left open.
    """
    reader = csv.reader(_lines(text), delimiter=delimiter, strict=True)
    line = 1
    try:
        for cells in reader:
            # Tuples of text are left alone by the garbage collector; lists cost a second here.
            stripped = tuple([cell.strip() for cell in cells])
            if any(stripped):
                yield line, stripped
            line = reader.line_num + 1
    except csv.Error as error:
        quoted = text.splitlines()[line - 1 : line]
        shown = f" in {quoted[0][:80]!r}" if quoted else ""
        what = (
            "a quotation mark is not closed, or not alone in its cell"
            if "expected after" in str(error) or "end of data" in str(error)
            else str(error)
        )
        raise BenchError.at(file, f"{what}{shown}", line=line) from None


def _header_faults(names: Sequence[str], line: int, file: str) -> list[Fault]:
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


Status = Literal["ran", "crashed", "refused", "not_started", "set_aside"]


@dataclass(frozen=True, slots=True)
class RunRow:
    """One row of the run sheet.

    Attributes
    ----------
    run, product, title, layout, log, session, reason, unit, part : str
        Cells as written; `log` is the log's path from the bench folder, `part` the part of it that
        is this run, where it holds several.
    began : datetime, optional
        When the run began.
    status : str
        Whether it ran; what did not, or is set aside, has a reason.
    typed : mapping of str to float
        Figures typed in where no log was kept, by the name of a metric.
    conditions : mapping of str to str
        Every further column that is not empty (driver, ambient_c, fan_mode, ...), as written.
    line : int
        Its line of `runs.csv`.
    row_sha256 : str
        Of its filled cells: `hash_cells`.
    passes : int
        Of how many passes a figure typed in is the mean.
    spread : float, optional
        Sample standard deviation between these passes as a share of their mean, where stated: of
        the average, or of the title's own result.
    """

    run: str
    product: str
    title: str
    layout: str = ""
    log: str = ""
    began: dt.datetime | None = None
    session: str = ""
    status: Status = "ran"
    reason: str = ""
    typed: Mapping[str, float] = field(default_factory=dict)
    unit: str = ""
    conditions: Mapping[str, str] = field(default_factory=dict)
    line: int = 0
    row_sha256: str = ""
    part: str = ""
    passes: int = 1
    spread: float | None = None

    @property
    def produced(self) -> bool:
        """Whether there is something to measure: a log or a typed figure."""
        return self.status in {"ran", "set_aside"} and bool(self.log or self.typed)

    def find_log(self, bench: Bench, *, real: Callable[[Path], str] = os.path.realpath) -> Path:
        """Return the path of the run's log.

        Parameters
        ----------
        bench : Bench
        real : callable
            What a folder's path is without symbolic links; who asks for many logs keeps it.

        Raises
        ------
        RunFileError
            If it is not there, or a symbolic link leads out of the bench folder.
        """
        path = bench.folder / self.log
        try:
            plain = not stat.S_ISLNK(path.lstat().st_mode)
        except OSError:
            plain = False
        whole = f"{real(path.parent)}{os.sep}" if plain else os.path.realpath(path)
        inside = whole.startswith(real(bench.folder).rstrip(os.sep) + os.sep)
        if inside and (plain or path.exists()):
            return path
        message = (
            f'"{self.log}" leads out of the bench folder by a symbolic link; copy the log into it'
        )
        if inside:
            message = (
                f'no such file "{self.log}"{near_file(path)}; restore it, or empty the cell and '
                "say with status and reason what became of the run"
            )
        raise RunFileError.at(f"{bench.folder.name}/runs.csv", message, line=self.line, key="log")

    def read(self, bench: Bench, *, sensors: bool = True) -> Run:
        """Read the run's log; one that produced nothing, or of typed figures, has none.

        Raises
        ------
        RunFileError
            If the log is not there or does not fit its layout.
        """
        if not (self.produced and self.log):
            return Run(self)
        path, layout = self.find_log(bench), self.layout_in(bench)
        return Run(self, read_log(path, layout, file=self.log, sensors=sensors))

    def layout_in(self, bench: Bench) -> Layout:
        """Return how the run's log is read: its layout, for the part the row names."""
        layout = bench.layouts[self.layout]
        return layout.model_copy(update={"part": self.part}) if self.part else layout


_FREE_TEXT = ("reason",)
# Conditions that say of how many passes a typed figure is the mean, and how these spread.
PASSES, SPREAD = "passes", "spread_pct"
KNOWN_COLUMNS = (*NEW_SHEET, *TYPED_METRICS, "unit", "part")
_FRAME_FIGURES = tuple(name for name in TYPED_METRICS if METRICS[name].source == "frames")
# No figure of the same frames is above the one before it.
_FALLING = (HEADLINE, *sorted(LOWS, key=lambda name: -tail_shares()[name]))
# The fields of a row in their order, but for figures, conditions and what is worked out.
_TEXT_COLUMNS = (*NEW_SHEET, "unit", "part")
STATUSES: tuple[Status, ...] = ("ran", "crashed", "refused", "not_started", "set_aside")

_RUN_ID = re.compile(r"[A-Za-z0-9._-]{1,128}", re.ASCII)
_NUMBER = re.compile(r"[+-]?\d{1,15}(?:\.\d{1,15})?(?:[eE][+-]?\d{1,2})?", re.ASCII)
_MOMENT = re.compile(
    r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?(?:Z|[+-]\d\d:?\d\d)?)?", re.ASCII
)
_NEAR = 0.8  # of difflib's ratio: sesion, prodct, titel, low_1_pct_fps
_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode


def hash_cells(stated: Mapping[str, str]) -> str:
    """Return the SHA-256 of a row: of the JSON of its filled cells, ordered by column name."""
    return hashlib.sha256(_encode(stated).encode()).hexdigest()


class _Walk:
    """One pass over the cells of a run sheet, noting every fault on the way."""

    def __init__(self, sheet: SheetText, bench: Bench) -> None:
        self.sheet = sheet
        self.bench = bench
        self.faults: list[Fault] = []
        self.line = 1  # the one looked at
        self.lines: dict[str, int] = {}  # run -> line
        self.guesses: dict[tuple[str, str], str] = {}
        self.at = {name: i for i, name in enumerate(sheet.header) if name in KNOWN_COLUMNS}
        self.texts_of = itemgetter(*(self.at.get(n, len(sheet.header)) for n in _TEXT_COLUMNS))
        self.conditions = [
            (i, name) for i, name in enumerate(sheet.header) if name not in KNOWN_COLUMNS
        ]
        # Canonical JSON has its keys in order.
        self.ordered = [(i, name) for name, i in sorted(zip(sheet.header, count(), strict=False))]
        self.typed = [(self.at[name], name) for name in TYPED_METRICS if name in self.at]

    def fault(self, column: str, message: str) -> None:
        """Note a fault of the line looked at."""
        self.faults.append(Fault(self.sheet.file, message, line=self.line, key=column))

    def check_header(self) -> None:
        """Note columns that are missing, or have a name so close to a known one that it is a slip.

        Raises
        ------
        BenchError
            If a column is missing: nothing else could then be judged.
        """
        known = [*KNOWN_COLUMNS, PASSES, SPREAD, *self.bench.controls]
        own = "If it is a condition of its own, declare it under `controls` of bench.yaml"
        for _, name in self.conditions:
            guess = did_you_mean(name.lower(), known, closeness=_NEAR)
            if guess and name not in {*self.bench.controls, PASSES, SPREAD}:
                self.fault(name, f"unknown column{guess} {own}")
        missing = [name for name in ("run", "product", "title") if name not in self.at]
        # Where nothing is known, the first line cannot be read as a header.
        first = self.sheet.delimiter.join(self.sheet.header)[:120]
        held = f"; the first line holds {first!r}" if len(self.at) <= 1 else ""
        for name in missing:
            self.fault(name, f"the column is missing{held}")
        if missing:
            raise BenchError(self.faults)

    def read(
        self, found: Iterable[tuple[int, tuple[str, ...]]], *, strict: bool = False
    ) -> tuple[RunRow, ...]:
        """Return rows from their lines and cells, but for empty ones; or `strict` faults."""
        rows = tuple(self.row(line, cells) for line, cells in found if any(cells))
        if strict and self.faults:
            raise BenchError(sorted(self.faults, key=lambda fault: fault.line or 0))
        return rows

    def row(self, line: int, written: tuple[str, ...]) -> RunRow:
        """Return one row."""
        self.line = line
        cells = (*written, "")  # the place of every column the sheet does not have
        texts = self.texts_of(cells)
        run, product, title, layout, log, began, session, status_text, reason, unit, part = texts
        stated = {name: cells[place] for place, name in self.ordered if cells[place]}
        for name, text in stated.items():
            if text[0] in "#=@" and name not in _FREE_TEXT:
                self.check_text(name, text)
        self.check_run(run)
        if product not in self.bench.products:
            self.unknown("product", product, self.bench.products)
        if title not in self.bench.titles:
            self.unknown("title", title, self.bench.titles)
        typed = {
            name: number
            for place, name in self.typed
            if cells[place] and (number := self.number(name, cells[place])) is not None
        }
        found = RunRow(
            run,
            product,
            title,
            self.layout(layout, log),
            log,
            self.moment(began) if began else None,
            session,
            self.status(status_text, reason) if status_text else "ran",
            reason,
            typed,
            unit,
            {name: cells[place] for place, name in self.conditions if cells[place]},
            line,
            hash_cells(stated),
            part,
            *self.passes(stated, typed),
        )
        self.check_result(found, any(cells[place] for place, _ in self.typed))
        return found

    def passes(
        self, stated: Mapping[str, str], typed: Mapping[str, float]
    ) -> tuple[int, float | None]:
        """Return of how many passes a typed figure is the mean, and their spread as a share."""
        written, text = stated.get(PASSES, ""), stated.get(SPREAD, "")
        if (written or text) and not typed:
            self.fault(PASSES if written else SPREAD, "no figure is typed in that it could be of")
        if written and not re.fullmatch(r"[1-9]\d{0,3}", written, re.ASCII):
            self.fault(PASSES, f"found {written[:60]!r}; expected a number of passes such as 3")
            return 1, None
        count = int(written or 1)
        share = self.number(SPREAD, text) if text else None  # a rate: above zero
        if share is None:
            return count, None
        if count < 2:
            self.fault(SPREAD, f"one pass has no spread; say in {PASSES} how many there were")
        elif not 0 < share < 50:
            said = "the standard deviation between passes in percent of their mean, above 0"
            self.fault(SPREAD, f"found {text[:60]!r}; expected {said} and below 50")
        return count, share / 100

    def check_text(self, name: str, text: str) -> None:
        """Note what a spreadsheet leaves where a formula failed or was not worked out."""
        if text in _SHEET_ERRORS:
            failed = "is what a spreadsheet writes for a formula that failed"
            self.fault(name, f"{text} {failed}; write the value")
        elif text[0] in "=@" and name in KNOWN_COLUMNS:
            self.fault(name, f"{text[:60]!r} is a formula; write the value")

    def check_run(self, run: str) -> None:
        """Note a run id that is missing, ill-formed or used before."""
        if not _RUN_ID.fullmatch(run):
            found = f"found {run[:60]!r}; a" if run else "the cell is empty; a"
            self.fault("run", f"{found} run's id is 1 to 128 letters, digits, '.', '_', '-'")
        elif (first := self.lines.setdefault(run, self.line)) != self.line:
            twice = f'"{run}" is used twice, first on line {first}'
            self.fault("run", f"{twice}; every run has its own id")

    def unknown(self, column: str, name: str, known: Mapping[str, object]) -> None:
        """Note a product, title or layout that bench.yaml does not know."""
        if not name:
            self.fault(column, f"the cell is empty; every run names its {column}")
            return
        if (column, name) not in self.guesses:
            self.guesses[column, name] = did_you_mean(name, known, listed=12)
        guess = self.guesses[column, name]
        self.fault(column, f'no {column} "{name[:60]}" in bench.yaml{guess}')

    def status(self, text: str, reason: str) -> Status:
        """Return the status of a row."""
        plain = text.lower().replace(" ", "_").replace("-", "_")
        for status in STATUSES:
            if plain == status:
                if status != "ran" and not reason:
                    self.fault("reason", f'the cell is empty; status "{status}" needs a reason')
                return status
        guess = did_you_mean(plain, STATUSES)
        self.fault("status", f"found {text[:60]!r}; expected {', '.join(STATUSES)}{guess}")
        return "set_aside"  # which asks for nothing more of the row

    def layout(self, name: str, log: str) -> str:
        """Return the layout of a row's log: the one named, or the only one it can be."""
        known = self.bench.layouts
        if name or not log:
            if name and name not in known:
                self.unknown("layout", name, known)
            return name
        base = PurePosixPath(log).name
        fitting = [
            key
            for key, layout in known.items()
            if len(known) == 1 or (layout.files and fnmatchcase(base, layout.files))
        ]
        if len(fitting) == 1:
            return fitting[0]
        which = f"fits {' and '.join(fitting)}" if fitting else "fits none by its name"
        self.fault("layout", f'the cell is empty and "{log[:60]}" {which}; name the layout')
        return ""

    def moment(self, text: str) -> dt.datetime | None:
        """Return when a run began."""
        if _MOMENT.fullmatch(text):
            with suppress(ValueError):
                return dt.datetime.fromisoformat(text)
        self.fault(
            "began",
            f"found {text[:60]!r}; expected a date or a moment that can be read one way only, such "
            "as 2026-11-25 or 2026-11-25T08:36:00+00:00 (format the column as text)",
        )
        return None

    def number(self, column: str, text: str) -> float | None:
        """Return a figure typed in."""
        plain, example = text, "61.5"
        if self.sheet.delimiter != ",":
            whole, point, decimals = text.partition(".")
            if point and len(decimals) == 3 and whole.strip("+-0") and whole.isdigit():
                # 1.234 in such a sheet may be a thousand and more, or one and a bit.
                two = f"may mean {whole}{decimals} or {whole},{decimals}0"
                once = "write it so that it can mean one thing only"
                self.fault(column, f"found {text!r}, which {two}; {once}")
                return None
            plain, example = text if point else text.replace(",", ".", 1), "61,5"
        if not _NUMBER.fullmatch(plain):
            expected = f"a number such as {example}, without unit or separators"
            self.fault(column, f"found {text[:60]!r}; expected {expected}")
        elif float(plain) > 0 or column == RESULT:
            return float(plain)
        else:
            self.fault(column, f"found {text[:60]!r}; a frame rate is above zero")
        return None

    def check_result(self, row: RunRow, any_typed: bool) -> None:
        """Note a row whose result contradicts its title, its status or itself."""
        if row.log and (problem := log_name_problem(row.log)):
            self.fault("log", problem)
        if row.part and not row.log:
            self.fault("part", "the row names a part, but no log")
        if row.log and any_typed:
            self.fault("log", "the row has a log and a figure typed in; keep the log alone")
        if not row.log and not any_typed and row.status == "ran":
            self.fault(
                "log",
                "the row has neither a log nor a figure typed in; name the log, or say with status "
                "and reason why there is none",
            )
        if any_typed and row.status not in {"ran", "set_aside"}:
            self.fault("status", f'a figure is typed in, but status is "{row.status}"')
        title = self.bench.titles.get(row.title)
        if title is not None and title.measures == "frames":
            self._check_frames(row)
        elif title is not None:
            self._check_value(row, title)

    def _check_frames(self, row: RunRow) -> None:
        """Note typed figures that frames cannot have."""
        if RESULT in row.typed:
            said = f'title "{row.title}" measures frames; type the figure in as {HEADLINE}'
            self.fault(RESULT, said)
        if row.unit and row.unit != "fps":
            self.fault("unit", f"found {row.unit[:60]!r}; frames are typed in as fps")
        others = [METRICS[name].label for name in _FRAME_FIGURES if name in row.typed]
        if others and HEADLINE not in row.typed:
            self.fault(HEADLINE, f"the cell is empty, but {others[0]} is typed in")
        rates = [(name, row.typed[name]) for name in _FALLING if name in row.typed]
        for (name, rate), (lower, low) in pairwise(rates):
            if low > rate:
                self.fault(lower, f"{low:g} is above {name}, which says {rate:g}")

    def _check_value(self, row: RunRow, title: Title) -> None:
        """Note what the result of a title that does not measure frames cannot be."""
        measures = f'title "{row.title}" measures {title.measures}'
        if row.log:
            typed = "its result is typed in as value, and a log cannot be read for it"
            self.fault("log", f"{measures}; {typed}")
        for name in _FRAME_FIGURES:
            if name in row.typed:
                self.fault(name, f"{measures}; type the result in as value")
        if row.unit and row.unit != title.value_unit:
            found = f"found {row.unit[:60]!r}"
            self.fault("unit", f"{found}; results of this title are in {title.value_unit}")
        # A level in dB may be zero or below; nothing else that is measured may.
        value = row.typed.get(RESULT)
        if value is not None and value <= 0 and title.measures != "noise":
            self.fault(RESULT, f"{value:g} is not above zero")


def log_name_problem(log: str) -> str:
    """Say why the name of a log cannot be one inside the bench folder, or nothing if it can."""
    if "\\" in log:
        return f"found {log[:60]!r}; write the path with forward slashes"
    # Text, not pathlib: this runs for every row of a bench of 100,000.
    if log.startswith("/") or ":" in log.partition("/")[0] or ".." in log.split("/"):
        return f"found {log[:60]!r}, which leads out of the bench folder; copy the log into it"
    if not log.isprintable():
        return f"found {log[:60]!r}; a name has no control characters"
    return ""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One row of the run sheet with its log read (`log` is None where figures are typed in)."""

    row: RunRow
    log: Log | None = None


def _name_of(bench: Bench) -> str:
    return f"{bench.folder.name}/runs.csv"


class RunSheet:
    """The run sheet of a bench, every row of it checked, of which rows are made when asked for.

    Comma, semicolon or tab, a byte-order mark, space around cells and empty columns or lines are
    accepted. Logs are not opened: a review reads only those it needs.

    Parameters
    ----------
    bench : Bench
    raw : bytes, optional
        As `SheetText.bytes_of` gives them; else they are read.
    kept : bytes, optional
        What `packed` gave of the same bytes, found without fault for a bench alike: they are
        neither split nor checked again.

    Raises
    ------
    BenchError
        With every fault of the sheet, each with its line and column.
    """

    def __init__(
        self, bench: Bench, raw: bytes | None = None, *, kept: bytes | None = None
    ) -> None:
        self._bench, file = bench, _name_of(bench)
        self._made: dict[frozenset[str], tuple[RunRow, ...]] = {}
        if kept is not None:
            import pyarrow as pa

            table = pa.ipc.open_file(pa.py_buffer(kept)).read_all()
            *header, lines = table.column_names
            self._table, self._lines = table.select(range(len(header))), table[lines].to_numpy()
            delimiter = table.schema.metadata[b"delimiter"].decode()
            self._sheet = SheetText(file, tuple(header), (), delimiter)
            return
        if raw is None:
            raw = SheetText.bytes_of(bench.folder / "runs.csv", file=file)
        self._sheet, text, rows = SheetText.opened(raw, file=file)
        split = _split_regular(self._sheet, text)
        self._table, self._lines = split or _as_table(self._sheet, rows)
        self._check()

    def packed(self) -> bytes:
        """Return the cells of the sheet, and the line of each row, in a form soon read again."""
        import pyarrow as pa

        # No column of a sheet has a name with a line end.
        table = self._table.append_column("line\n", pa.array(self._lines))
        table = table.replace_schema_metadata({"delimiter": self._sheet.delimiter})
        packed, options = io.BytesIO(), pa.ipc.IpcWriteOptions(compression="zstd")
        with pa.ipc.new_file(packed, table.schema, options=options) as file:
            file.write_table(table.combine_chunks())
        return packed.getvalue()

    def _check(self) -> None:
        """Raise every fault there is: of rows alike in all that faults depend on, one is read."""
        walk = _Walk(self._sheet, self._bench)
        walk.check_header()
        alike, odd = _rows_alike(self._table, self._sheet.delimiter, self._bench)
        firsts = self._cells_at(np.array([kind[0] for kind in alike], np.intp))
        for kind, first in zip(alike, firsts, strict=True):
            one = _Walk(self._sheet, self._bench)
            one.read([first])
            if one.faults:
                odd[kind] = True
        walk.read(self._cells_at(np.flatnonzero(odd)), strict=True)

    @cached_property
    def conditions(self) -> frozenset[str]:
        """The names of the conditions that any row states."""
        import pyarrow.compute as pc

        names = self._table.column_names
        stated = [n for n in names if pc.any(pc.not_equal(self._table[n], "")).as_py()]
        return frozenset(stated).difference(KNOWN_COLUMNS)

    @property
    def rows(self) -> tuple[RunRow, ...]:
        """Every row, in the order of the sheet."""
        return self.rows_of(self._bench.products)

    def rows_of(self, products: Iterable[str]) -> tuple[RunRow, ...]:
        """Return the rows of some products, in the order of the sheet."""
        import pyarrow as pa
        import pyarrow.compute as pc

        asked = frozenset(products)
        if asked not in self._made:
            named = pc.is_in(self._table["product"], pa.array(sorted(asked), pa.string()))
            walk = _Walk(self._sheet, self._bench)
            self._made[asked] = walk.read(self._cells_at(np.flatnonzero(named)))
        return self._made[asked]

    def select(self, products: Iterable[str], titles: Iterable[str]) -> tuple[RunRow, ...]:
        """Return the rows of the given products in the given titles, in the order of the sheet."""
        wanted = set(titles)
        return tuple(row for row in self.rows_of(products) if row.title in wanted)

    @cached_property
    def runs(self) -> frozenset[str]:
        """The ids of every row."""
        return frozenset(self._table["run"].to_pylist()) - {""}

    def _cells_at(self, places: NDArray[np.intp]) -> Iterator[tuple[int, tuple[str, ...]]]:
        """Yield line and cells of the rows at some places of the table."""
        chosen = self._table.take(places)
        cells = zip(*(column.to_pylist() for column in chosen.columns), strict=True)
        return zip(self._lines[places].tolist(), cells, strict=True)


def _as_table(
    sheet: SheetText, rows: Iterable[tuple[int, tuple[str, ...]]]
) -> tuple[Table, NDArray[np.int64]]:
    """Return the cells of rows as a table of text, and the line of each row."""
    import pyarrow as pa

    lines, cells = zip(*rows, strict=True) if (rows := list(rows)) else ((), ())
    columns = list(zip(*cells, strict=True)) or [()] * len(sheet.header)
    arrays = [pa.array(column, pa.string()) for column in columns]
    return pa.table(arrays, names=list(sheet.header)), np.array(lines, np.int64)


def _split_regular(sheet: SheetText, text: str) -> tuple[Table, NDArray[np.int64]] | None:
    """Return what `_as_table` gives, split by pyarrow; None where rows are of unlike length, or
    quotation marks, lone carriage returns or faults of the header ask for `SheetText`'s rules."""
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.csv as pa_csv

    ends, names = text.count("\n"), list(sheet.header)
    regular = '"' not in text and text.count("\r") in {0, ends}
    if not regular or _header_faults(names, sheet.header_line, sheet.file):
        return None
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(text.encode()),
            pa_csv.ReadOptions(column_names=names, skip_rows=sheet.header_line, use_threads=False),
            pa_csv.ParseOptions(delimiter=sheet.delimiter, quote_char=False),
            pa_csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string()), null_values=[]),
        )
    except pa.ArrowInvalid:  # rows of unlike length
        return None
    longest = max(pc.max(pc.binary_length(column)).as_py() or 0 for column in table.columns)
    lines = np.arange(sheet.header_line, ends + (not text.endswith("\n"))) + 1
    if len(table) != len(lines) or longest > csv.field_size_limit():
        return None
    trimmed = [pc.utf8_trim_whitespace(column) for column in table.columns]
    return pa.table(trimmed, names=names).combine_chunks(), lines


# What a cell may hold with no fault of its own, whatever stands beside it: narrower than what a
# row may hold, for what does not fit is looked at in its row. As RE2 reads patterns: \d is 0 to 9.
_PLAIN = {
    "run": _RUN_ID.pattern,
    "log": r"[\w-][\w.-]*(?:/[\w-][\w.-]*)*",
    "began": (
        r"[12]\d{3}-(?:(?:0[1-9]|1[0-2])-(?:0[1-9]|1\d|2[0-8])|(?:0[13-9]|1[0-2])-(?:29|30))"
        r"(?:[T ](?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d(?:\.\d{1,6})?)?"
        r"(?:Z|[+-](?:[01]\d|2[0-3]):?[0-5]\d)?)?"
    ),
}
# Columns of which it matters what word they hold; of others, whether they are filled.
_BY_WORD = frozenset({"title", "layout", "status", "unit", PASSES})


def _rows_alike(
    table: Table, delimiter: str, bench: Bench
) -> tuple[list[NDArray[np.intp]], NDArray[np.bool_]]:
    """Return places of rows of which all have a fault if one has, and which rows are of no kind."""
    import pyarrow as pa
    import pyarrow.compute as pc

    columns = dict(zip(table.column_names, table.columns, strict=True))
    number = r"\d{1,15}(?:\.\d{1,15})?"
    if delimiter != ",":  # a point before three decimals may mean thousands
        number = r"\d{1,15}(?:,\d{1,15}|\.\d{1,2})?"
    numeric = dict.fromkeys((*TYPED_METRICS, SPREAD), number)
    times = columns["run"].value_counts()
    twice = times.field("values").filter(pc.greater(times.field("counts"), 1))
    known = pc.is_in(columns["product"], pa.array(list(bench.products), pa.string()))
    odd = np.array(pc.or_(pc.is_in(columns["run"], twice), pc.invert(known)))
    kinds: dict[str, Any] = {"place": np.arange(len(table)), "title": columns["title"]}
    figures = {}
    for name, cells in columns.items():
        filled = pc.not_equal(cells, "")
        if name in _BY_WORD:
            kinds[name] = cells
        if name in _BY_WORD or not pc.any(filled).as_py():
            continue
        if pattern := (_PLAIN | numeric).get(name):
            plain = pc.match_substring_regex(cells, f"^{pattern}$")
        else:
            plain = pc.invert(pc.match_substring_regex(cells, "^[#=@]"))
        if name in numeric:
            text = pc.if_else(plain, cells, None)
            point = text if delimiter == "," else pc.replace_substring(text, ",", ".")
            figures[name] = pc.cast(point, pa.float64())
            most = 50 if name == SPREAD else np.inf
            plain = pc.and_(pc.greater(figures[name], 0), pc.less(figures[name], most))
        odd |= np.asarray(pc.and_not(filled, pc.fill_null(plain, False)))
        if name in KNOWN_COLUMNS or name == SPREAD:
            kinds[name] = filled
    above = pa.nulls(len(table), pa.float64())
    for cells in (figures[name] for name in _FALLING if name in figures):
        odd |= np.asarray(pc.fill_null(pc.greater(cells, above), False))
        above = pc.coalesce(cells, above)
    if "log" in kinds and len(bench.layouts) > 1:
        files = [log.rpartition("/")[2] for log in columns["log"].to_pylist()]
        for key, layout in bench.layouts.items():
            kinds[f"fits {key}"] = [fnmatchcase(name, layout.files or "") for name in files]
    even = pa.table(kinds).filter(~odd)
    keys = [name for name in even.column_names[2:] if pc.count_distinct(even[name]).as_py() > 1]
    alike = even.group_by(["title", *keys]).aggregate([("place", "list")])["place_list"]
    return [kind.values.to_numpy() for kind in alike], odd
