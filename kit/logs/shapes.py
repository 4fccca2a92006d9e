"""Logs of other shapes made plain: zip, spreadsheet, JSON lines, sections, marked scenes, moments.

What comes out is text of plain rows for the one reader, each row on the line it had: what is not
of the run asked for is an empty line. Nothing is worked out here.
"""

from __future__ import annotations

import csv
import datetime as dt
import fnmatch
import io
import json
import re
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, groupby
from operator import itemgetter
from typing import Any

from kit.errors import Fault, RunFileError, did_you_mean
from kit.logs.unpacked import check_size, text_blocks
from kit.settings.bench_file import Layout, Parts

ZIP = b"PK\x03\x04"
CHARACTERS = {"tab": "\t", "space": " "}
UNIT_PER_MS = {"s": 1e-3, "ms": 1.0, "us": 1e3, "ns": 1e6}
# Units as recorders write them behind a number.
_TIME_UNITS = {
    "s": "s", "sec": "s", "ms": "ms", "msec": "ms", "us": "us", "µs": "us", "μs": "us", "ns": "ns",
}  # fmt: skip
_WITH_UNIT = re.compile(
    r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([^\W\d_]+(?:/s)?|[%°]C?)"
)
_MOMENTS = {
    "iso": re.compile(
        r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?(Z|[+-]\d\d:?\d\d)?",
        re.ASCII,
    ),
    # Without hours it has decimals: 12:30 may be hours and minutes.
    "clock": re.compile(
        r"()()()(?:(\d{1,2}):(?=\d\d:)|(?=\d\d:\d\d[.,]))(\d\d):(\d\d)(?:[.,](\d{1,9}))?()",
        re.ASCII,
    ),
}
_EXAMPLES = {"iso": "2026-11-25T08:36:00.123456", "clock": "08:36:00.123"}
_DAY_NS = 86_400 * 10**9
_STEPS_NS = {"ms": 10**6, "us": 10**3, "ns": 1}


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
    cells = line.split(delimiter)
    return cells if line.split(None, 1) == [line] else [cell.strip() for cell in cells]


def moment_ns(text: str, kind: str) -> tuple[int, int] | None:
    """Return a moment in nanoseconds and with how many decimals of a second it is written.

    Parameters
    ----------
    text : str
        The cell.
    kind : str
        "iso": a day and a time, since 1970; "clock": a time alone, since midnight, or minutes and
        seconds.

    Examples
    --------
    >>> moment_ns("00:00:01.5", "clock"), moment_ns("1970-01-01T01:00:00+01:00", "iso")
    ((1500000000, 1), (0, 0))
    >>> moment_ns("01:00.5", "clock"), moment_ns("12:30", "clock")
    ((60500000000, 1), None)
    """
    found = _MOMENTS[kind].fullmatch(text)
    if found is None:
        return None
    year, month, day, hour, minute, second, decimals, zone = found.groups()
    hour = hour or "0"
    if int(hour) > 23 or int(minute) > 59 or int(second) > 60:
        return None
    seconds = int(hour) * 3600 + int(minute) * 60 + int(second)
    if kind == "iso":
        try:
            days = (dt.date(int(year), int(month), int(day)) - dt.date(1970, 1, 1)).days
        except ValueError:
            return None
        seconds += days * 86_400
        if zone and zone != "Z":
            away = int(zone[1:3]) * 3600 + int(zone[-2:]) * 60
            seconds -= away if zone[0] == "+" else -away
    digits = decimals or ""
    return seconds * 10**9 + int(digits.ljust(9, "0") or 0), len(digits)


def number_with_unit(text: str) -> tuple[str, str] | None:
    """Return number and unit of a cell that holds both, or None.

    >>> number_with_unit("16.7 ms"), number_with_unit("60W"), number_with_unit("16.7")
    (('16.7', 'ms'), ('60', 'W'), None)
    """
    found = _WITH_UNIT.fullmatch(text)
    return (found[1], found[2]) if found else None


@dataclass(frozen=True, slots=True)
class _Shaped:
    """A log made plain: its chunks and the layout that now fits them; the names of its parts.

    Attributes
    ----------
    chunks : iterable of bytes
        As recorded where nothing was to be done, else UTF-8 text.
    layout : Layout
        How they are read.
    parts : tuple of str
        The runs the log holds, where it may hold several.
    packed : bool
        Whether the chunks are those of a log inside a zip.
    """

    chunks: Iterable[bytes]
    layout: Layout
    parts: tuple[str, ...] = ()
    packed: bool = False


def make_plain(
    chunks: Iterator[bytes], layout: Layout, *, file: str, choose: bool = True
) -> _Shaped:
    """Return a log as plain rows of the one run asked for.

    Parameters
    ----------
    chunks : iterator of bytes
        The log as recorded.
    layout : Layout
        How it is to be read; `part` says which run is asked for.
    file : str
        The name faults give the log.
    choose : bool
        Whether one run is wanted. Without it, only the names of the parts are.

    Raises
    ------
    RunFileError
        If the log does not fit its layout, or holds several runs and none or an unknown one is
        asked for.
    """
    first = next(chunks, b"")
    rest: Iterator[bytes] = chain([first] if first else [], chunks)
    if not first.startswith(ZIP) and layout.is_plain:
        return _Shaped(rest, layout)
    if not first.startswith(ZIP) and layout.container == "xlsx":
        said = "is not a spreadsheet (.xlsx) by its first bytes; correct `container` in its layout"
        raise RunFileError.at(file, said)
    if first.startswith(ZIP):
        data = b"".join(rest)
        names = _names_in(data, layout, file)
        if len(names) > 1 and not choose:
            return _Shaped((), layout, names)
        name = _chosen(names, layout.part, file)
        if len(names) > 1:
            layout = layout.model_copy(update={"part": ""})
        if layout.container == "xlsx":
            lines = _sheet_lines(data, name, file)
            layout = layout.model_copy(
                update={"container": "text", "delimiter": ",", "decimal": "."}
            )
            return _of_lines(lines, layout, file, choose)
        rest = _member(data, name, file)
        if layout.is_plain or layout.container == "parquet":
            return _Shaped(rest, layout, packed=True)
    blocks = b"".join(text_blocks(rest, encoding=layout.encoding, file=file))
    text = blocks.decode("utf-8", errors="surrogateescape")
    if layout.container == "jsonl":
        return _of_json(text.split("\n"), layout, file)
    return _of_lines(re.split(r"\r\n|\n|\r", text), layout, file, choose)


def _chosen(names: Sequence[str], part: str, file: str) -> str:
    """Return the one part asked for."""
    if part in names:
        return part
    if not part and len(names) == 1:
        return names[0]
    shown = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "") or "none"
    if part:
        raise RunFileError.at(
            file, f'holds no part "{part}"{did_you_mean(part, names)}; it has {shown}', key="part"
        )
    said = f"holds {len(names)} runs: {shown}; name one of them in the column `part` of its row"
    raise RunFileError.at(file, said, key="part")


def _names_in(data: bytes, layout: Layout, file: str) -> tuple[str, ...]:
    """Return the logs of a zip archive, or the sheets of a spreadsheet."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = [i for i in archive.infolist() if not i.is_dir()]
    except (zipfile.BadZipFile, ValueError, RuntimeError) as error:
        raise RunFileError.at(file, f"damaged zip archive ({error}); copy it again") from None
    check_size(len(data), sum(info.file_size for info in infos), file)
    if any(info.flag_bits & 1 for info in infos):
        raise RunFileError.at(file, "the zip archive is locked with a password; unpack it")
    book = any(info.filename == "xl/workbook.xml" for info in infos)
    if book != (layout.container == "xlsx"):
        what = "is a spreadsheet; say `container: xlsx`" if book else "is a zip archive, no sheet"
        raise RunFileError.at(file, f"{what}; correct `container` in its layout")
    globs = (layout.parts and layout.parts.members) or ("*",)
    if book:
        names = [sheet.title for sheet in _workbook(data, file).worksheets]
    else:
        hidden = re.compile(r"(?:.*/)?(?:\.|__)")
        names = [info.filename for info in infos if not hidden.match(info.filename)]
    kept = tuple(n for n in names if any(fnmatch.fnmatchcase(n, glob) for glob in globs))
    if not kept:
        raise RunFileError.at(
            file, f"holds nothing named like {' or '.join(globs)}, but {', '.join(names)}"
        )
    return kept


def _member(data: bytes, name: str, file: str) -> Iterator[bytes]:
    """Yield the bytes of one log in a zip archive."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            yield archive.read(name)
    except (zipfile.BadZipFile, zlib.error, RuntimeError) as error:
        raise RunFileError.at(file, f"damaged zip archive ({error}); copy it again") from None


def _workbook(data: bytes, file: str) -> Any:
    """Return a spreadsheet, values in place of formulas."""
    import openpyxl

    try:
        return openpyxl.load_workbook(io.BytesIO(data), data_only=True, read_only=True)
    except (KeyError, ValueError, OSError, zipfile.BadZipFile, SyntaxError, TypeError) as error:
        why = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise RunFileError.at(file, f"damaged spreadsheet ({why}); copy it again") from None


def _sheet_lines(data: bytes, name: str, file: str, *, days: bool = False) -> list[str]:
    """Return the rows of a sheet as lines of CSV, each at its own number."""
    lines: list[str] = []
    for cells in _workbook(data, file)[name].iter_rows():
        out = io.StringIO()
        texts = [_as_shown(c) if days else _cell_text(c.value, days) for c in cells]
        csv.writer(out, lineterminator="").writerow(texts)
        text = out.getvalue()
        lines.append("" if not text.strip(',"') else text)
    width = max((line.count(",") for line in lines), default=0)
    bare = all('"' not in line for line in lines)
    return [line + "," * (width - line.count(",")) if line and bare else line for line in lines]


def sheets_in(data: bytes, *, file: str) -> Iterator[tuple[str, bytes]]:
    """Yield each sheet of a spreadsheet, its name and the sheet as CSV.

    A day without a time is a day. A moment or number whose own format shows all of it is as shown.

    Parameters
    ----------
    data : bytes
        The spreadsheet.
    file : str
        The name faults give it.

    Raises
    ------
    RunFileError
        If it is none, or damaged.
    """
    frames = {"column": 1, "holds": "frame_time", "unit": "ms"}
    layout = Layout.model_validate({"container": "xlsx", "frames": frames})
    for name in _names_in(data, layout, file):
        yield name, "\n".join(_sheet_lines(data, name, file, days=True)).encode()


_MOMENT_SHOWN = re.compile(r'yyyy-mm-dd(?:("T"| )hh:mm(:ss)?)?(?:"([^"]*)")?')


def _as_shown(cell: Any) -> str:
    """Return a cell as its own format shows it, where that leaves nothing out of it."""
    value, shown = cell.value, str(getattr(cell, "number_format", "") or "")
    if isinstance(value, dt.datetime) and (found := _MOMENT_SHOWN.fullmatch(shown)):
        beside, seconds, zone = found.groups()
        text = value.date().isoformat()
        if beside:
            text += beside.strip('"') + value.strftime("%H:%M:%S" if seconds else "%H:%M")
        whole = dt.datetime.fromisoformat(text) == value
        return (text if whole else value.isoformat()) + (zone or "")
    if type(value) in {int, float} and (places := re.fullmatch(r"0(?:\.(0+))?", shown)):
        text = f"{value:.{len(places[1] or '')}f}"
        if float(text) == value:
            return text
    return _cell_text(value, True)


def _cell_text(cell: object, days: bool) -> str:
    """Return what a cell of a sheet holds, as text that can mean one thing only."""
    if days and isinstance(cell, dt.datetime) and cell.time() == dt.time():
        return cell.date().isoformat()
    if isinstance(cell, dt.datetime | dt.time):
        return cell.isoformat()
    return "" if cell is None else repr(cell) if isinstance(cell, float) else str(cell)


def _of_json(lines: Sequence[str], layout: Layout, file: str) -> _Shaped:
    """Return JSON lines as rows of the wanted cells; objects without a frame stand at the ends."""
    keys = [str(layout.frames.column), *(str(key) for key in layout.sensors.values())]
    rows: list[tuple[int, list[Any]]] = []
    seen: Counter[str] = Counter()
    without: list[int] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            found = json.loads(line)
        except ValueError as error:
            cut = " (the last line: was the recording cut short?)" if number == len(lines) else ""
            raise RunFileError.at(
                file, f"not JSON ({error}){cut}; take the log from the recorder again", line=number
            ) from None
        if not isinstance(found, dict):
            raise RunFileError.at(file, "expected an object in each line", line=number)
        cells = json_cells(found)
        seen.update(list(cells))
        if keys[0] in cells:
            rows.append((number, [cells.get(key) for key in keys]))
        else:
            without.append(number)
    if not rows:
        near = did_you_mean(keys[0], seen, listed=12)
        raise RunFileError.at(file, f'no line has "{keys[0]}"{near}', line=1)
    inside = [n for n in without if rows[0][0] < n < rows[-1][0]]
    if inside:
        said = f'there is no "{keys[0]}", though lines before and after have it'
        raise RunFileError.at(file, f"{said} ({len(inside)} such lines)", line=inside[0])
    lacking = [key for key in keys[1:] if key not in seen]
    if lacking:
        raise RunFileError.at(
            file, f'no line has "{lacking[0]}"{did_you_mean(lacking[0], seen)}', key=lacking[0]
        )
    text = [""] * len(lines)
    for number, values in rows:
        text[number - 1] = ",".join(map(_json_text, values))
    plain = layout.model_copy(
        update={
            "container": "text", "delimiter": ",", "decimal": ".", "header": False,
            "skip_lines": 0, "comment": None,
            "frames": layout.frames.model_copy(update={"column": 1}),
            "sensors": {name: i for i, name in enumerate(layout.sensors, start=2)},
        }
    )  # fmt: skip
    return _of_lines(text, plain, file, True)


def json_cells(found: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return the values of an object by key, those of objects inside it by dotted keys."""
    cells: dict[str, Any] = {}
    for key, value in found.items():
        if isinstance(value, dict):
            cells |= json_cells(value, f"{prefix}{key}.")
        else:
            cells[f"{prefix}{key}"] = value
    return cells


def _json_text(value: Any) -> str:
    """Return a JSON value as a cell; what is no number stays what it is, and is refused later."""
    if value is None:
        return ""
    return repr(value) if isinstance(value, int | float) else str(value).replace(",", ";")


def _of_lines(lines: list[str], layout: Layout, file: str, choose: bool) -> _Shaped:
    """Return the lines of one run, all others empty, cells as plain numbers."""
    parts: tuple[str, ...] = ()
    how = layout.parts
    if how is not None and how.heading:
        sections = _sections(lines, how.heading, layout, file)
        parts = tuple(sections)
        if not choose:
            return _Shaped((), layout, parts)
        start, stop = sections[_chosen(parts, layout.part, file)]
        lines = [line if start <= i < stop else "" for i, line in enumerate(lines)]
        layout = layout.model_copy(update={"skip_lines": start + layout.skip_lines})
    if layout.until is not None:
        lines = _cut_at(lines, layout, file)
    if how is not None and how.column is not None:
        stretches = _stretches(lines, layout, how, file)
        parts = tuple(stretches)
        if not choose:
            return _Shaped((), layout, parts)
        kept = stretches[_chosen(parts, layout.part, file)]
        header = next(_rows_of(lines, layout, header=True))[0] if layout.header else -1
        lines = [line if i in kept or i == header else "" for i, line in enumerate(lines)]
        layout = layout.model_copy(update={"skip_lines": max(header, 0)})
    elif layout.part and not (how is not None and how.heading):
        _chosen((), layout.part, file)
    if not choose:
        return _Shaped((), layout, parts)
    if layout.units_in_cells or layout.frames.unit in _MOMENTS:
        lines, layout = _plain_cells(lines, layout, file)
    data = "\n".join(lines).encode("utf-8", errors="surrogateescape")
    return _Shaped((data,), layout.model_copy(update={"encoding": "utf-8"}), parts)


def _rows_of(lines: Sequence[str], layout: Layout, *, header: bool) -> Iterator[tuple[int, str]]:
    """Yield place and text of the lines that are rows; the first may be the header."""
    for i, line in enumerate(lines):
        comment = layout.comment and line.startswith(layout.comment)
        if i >= layout.skip_lines and line.strip() and not comment:
            if header or not layout.header:
                yield i, line
            header = True


def _cells_of(line: str, layout: Layout, i: int, file: str) -> list[str]:
    try:
        return split_cells(line, CHARACTERS.get(layout.delimiter, layout.delimiter))
    except csv.Error:
        said = f"a quotation mark is not closed, or not alone in its cell, in {line[:60]!r}"
        raise RunFileError.at(file, said, line=i + 1) from None


def _table_of(
    lines: Sequence[str], layout: Layout, file: str
) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Return the names of the columns, if there is a header, and place and cells of each row."""
    rows = _rows_of(lines, layout, header=True)
    table = [(i, _cells_of(line, layout, i, file)) for i, line in rows]
    return (table[0][1], table[1:]) if layout.header and table else ([], table)


def _sections(
    lines: Sequence[str], heading: str, layout: Layout, file: str
) -> dict[str, tuple[int, int]]:
    """Return where each section of a log begins and ends, by name."""
    found = [(i, m) for i, line in enumerate(lines) if (m := re.search(heading, line))]
    if not found:
        raise RunFileError.at(file, f"no line fits the heading {heading!r} of the layout's `parts`")
    said = [(m[1] or "").strip() if m.re.groups else "" for _, m in found]
    names = _numbered([name or "run" for name in said])
    ends = [*(i for i, _ in found[1:]), len(lines)]
    # A heading that names the columns is the header of its section.
    column = str(layout.frames.column)
    own = [column in _cells_of(m.string, layout, i, file) for i, m in found]
    return {
        name: (i if is_header else i + 1, end)
        for name, (i, _), end, is_header in zip(names, found, ends, own, strict=True)
    }


def _numbered(names: Sequence[str]) -> list[str]:
    """Return names, those that come more than once with their number.

    >>> _numbered(["menu", "scene", "menu"])
    ['menu 1', 'scene', 'menu 2']
    """
    often, so_far = Counter(names), Counter[str]()
    numbered = []
    for name in names:
        so_far[name] += 1
        numbered.append(f"{name} {so_far[name]}" if often[name] > 1 else name)
    return numbered


def _cut_at(lines: list[str], layout: Layout, file: str) -> list[str]:
    """Return the lines up to where the rows end."""
    begun = False
    for i, line in enumerate(lines):
        if i < layout.skip_lines:
            continue
        end = not line.strip() if not layout.until else line.lstrip().startswith(layout.until)
        if end and begun:
            return [*lines[:i], *[""] * (len(lines) - i)]
        begun = begun or bool(line.strip())
    if layout.until:
        said = f"no line begins with {layout.until!r}, where the layout says that the rows end"
        raise RunFileError.at(file, f"{said} (`until`); was the recording cut short?")
    return lines


def _stretches(
    lines: Sequence[str], layout: Layout, how: Parts, file: str
) -> dict[str, frozenset[int]]:
    """Return the lines of each unbroken stretch of rows that one mark belongs to, by name."""
    names, rows = _table_of(lines, layout, file)
    place = _place_of(how.column, names, file)
    marked: list[tuple[int, str]] = []
    above = ""
    for i, cells in rows:
        if place >= len(cells):
            said = f"there is no column {place + 1}, which marks the parts, in {lines[i][:60]!r}"
            raise RunFileError.at(file, said, line=i + 1)
        above = cells[place] or (above if how.holds_on else "")
        marked.append((i, above))
    by_mark = groupby(marked, key=itemgetter(1))
    groups = [(mark, frozenset(i for i, _ in group)) for mark, group in by_mark]
    kept = [(m, rows) for m, rows in groups if (m in how.keep if how.keep else m)]
    if not kept:
        marks = ", ".join(dict.fromkeys(m for m, _ in groups if m)) or "none"
        said = f"no row is marked {' or '.join(how.keep) or 'at all'}; the marks are {marks}"
        raise RunFileError.at(file, said, key=str(how.column))
    return dict(zip(_numbered([m for m, _ in kept]), [rows for _, rows in kept], strict=True))


def _place_of(ref: str | int | None, names: Sequence[str], file: str) -> int:
    """Return the place of a column, from 0."""
    if isinstance(ref, int):
        return ref - 1
    if ref is None or names.count(ref) != 1:
        near = did_you_mean(str(ref), names, listed=12)
        raise RunFileError.at(file, f'no single column "{ref}" in the header{near}', key=str(ref))
    return names.index(ref)


def _plain_cells(lines: list[str], layout: Layout, file: str) -> tuple[list[str], Layout]:
    """Return lines in which cells with units or moments are plain numbers, and their layout."""
    delimiter = CHARACTERS.get(layout.delimiter, layout.delimiter)
    names, table = _table_of(lines, layout, file)
    place = _place_of(layout.frames.column, names, file)
    sensors = [_place_of(ref, names, file) for ref in layout.sensors.values()]
    kind, faults = layout.frames.unit, list[Fault]()
    moments: list[tuple[int, int] | None] = []
    for i, cells in table:
        for at in {place, *sensors} if layout.units_in_cells else ():
            if at < len(cells):
                _take_unit_off(cells, at, layout, at == place, faults, file, i)
        if kind in _MOMENTS:
            text = cells[place] if place < len(cells) else ""
            moments.append(moment_ns(text, kind))
            if moments[-1] is None:
                said = f"found {text[:60]!r}; expected a moment such as {_EXAMPLES[kind]}"
                faults.append(Fault(file, said, line=i + 1, key=str(layout.frames.column)))
    if faults:
        more = f"; {len(faults)} rows are not as expected" if len(faults) > 1 else ""
        first = faults[0]
        raise RunFileError.at(file, first.message + more, line=first.line, key=first.key)
    unit: str = kind
    if kind in _MOMENTS:
        unit = _write_moments([cells for _, cells in table], moments, place, clock=kind == "clock")
    lines = list(lines)
    for i, cells in table:
        lines[i] = _joined(cells, delimiter)
    frames = layout.frames.model_copy(update={"unit": unit})
    return lines, layout.model_copy(update={"frames": frames, "units_in_cells": False})


def _joined(cells: Sequence[str], delimiter: str) -> str:
    """Return cells as a line."""
    if not any(delimiter in cell or '"' in cell for cell in cells):
        return delimiter.join(cells)
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    return out.getvalue()


def _write_moments(
    table: Sequence[list[str]],
    moments: Sequence[tuple[int, int] | None],
    place: int,
    *,
    clock: bool,
) -> str:
    """Write whole numbers in place of moments, in the unit they resolve; return that unit."""
    digits = max((m[1] for m in moments if m), default=0)
    unit = "ms" if digits <= 3 else "us" if digits <= 6 else "ns"
    days, before = 0, 0
    for cells, moment in zip(table, moments, strict=True):
        ns = moment[0] if moment else 0
        if clock and before - ns > _DAY_NS // 2:  # past midnight
            days += 1
        before = ns
        cells[place] = str((ns + days * _DAY_NS) // _STEPS_NS[unit])
    return unit


def _take_unit_off(
    cells: list[str],
    place: int,
    layout: Layout,
    is_frame: bool,
    faults: list[Fault],
    file: str,
    i: int,
) -> None:
    """Leave the number of a cell that has its unit with it; times in the layout's unit."""
    found = number_with_unit(cells[place])
    if found is None:
        return
    number, unit = found
    if not is_frame:
        cells[place] = number
        return
    if layout.frames.unit == "fps" and unit.lower() == "fps":
        cells[place] = number
    elif (known := _TIME_UNITS.get(unit.lower())) and layout.frames.unit in UNIT_PER_MS:
        if known != layout.frames.unit:
            ratio = UNIT_PER_MS[layout.frames.unit] / UNIT_PER_MS[known]
            value = float(number.replace(",", ".")) * ratio
            number = f"{value:.12g}".replace(".", layout.decimal)
        cells[place] = number
    else:
        said = f"found {cells[place][:60]!r}; expected a number in {layout.frames.unit}"
        faults.append(Fault(file, said, line=i + 1, key=str(layout.frames.column)))
