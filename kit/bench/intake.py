"""Taking recorded logs into a bench: copied unchanged, checked, a run-sheet row for each.

What is said of a log comes from options, its name, an index and files beside it; two sources that
disagree are a fault, never a silent choice. Every log is read through its layout before anything
is written, and all faults are told at once.
"""

from __future__ import annotations

import csv
import fnmatch
import hashlib
import io
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from kit.bench.journal import NOBODY, By, log_item, new_lines, read_journal, row_item
from kit.bench.runs import sheet_file
from kit.bench.sheet import (
    KNOWN_COLUMNS,
    RunRow,
    SheetText,
    parse_run_sheet,
    parse_sheet_text,
    read_sheet_text,
    write_sheet_text,
)
from kit.bench.transaction import (
    STAGING,
    Copy,
    Files,
    Intent,
    commit,
    hash_file,
    locked_bench,
    recover,
    sheet_path,
)
from kit.errors import BenchError, Fault, FaultsError, RunFileError, UsageError
from kit.logs.read import Log, read_log
from kit.settings.bench_file import NEW_SHEET, Bench, read_bench
from kit.settings.yaml import read_yaml, written_text

if TYPE_CHECKING:
    import pandas as pd


_CONDITIONS_FILE = "conditions.yaml"
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_FIELD = re.compile(r"[a-z0-9][a-z0-9._-]*|_", re.ASCII)
_CLOSED_FIELDS = ("product", "title", "layout")
# Which pass of a product in a title: no column, but the end of the run's id.
_PASS = "pass"
_PACKED = (".gz", ".zst")


@dataclass(frozen=True, slots=True)
class _Naming:
    """How the fields of run-sheet rows are found for logs.

    Attributes
    ----------
    options : mapping of str to str
        Fields that hold for every log, by column of the run sheet.
    pattern : str
        Of file names, such as ``{title}-t{product}-{session}.csv``; `{_}` is passed over. Without
        an ending it is compared with the name up to its first dot; ``.gz`` and ``.zst`` need not
        stand in it. With folders (``{product}/{title}-{pass}.csv``) it is compared with those above
        the file, too. `{pass}` counts a product's passes in a title and ends the run's id.
    maps : mapping of str to mapping of str to str
        By field, what a text in a name or an index stands for: product -> 8 -> threads-8.
    columns : mapping of str to str
        By field, the column of the index that holds it: title -> scene.
    """

    options: Mapping[str, str] = field(default_factory=dict)
    pattern: str = ""
    maps: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    columns: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _IndexRow:
    """One row of an index: the log it names (None where a run left none), and its fields."""

    file: str
    line: int
    log: Path | None
    fields: Mapping[str, str]


def _read_index(path: Path, naming: _Naming) -> tuple[_IndexRow, ...]:
    """Read an index of logs: a CSV with a column `file` and any columns of the run sheet.

    Raises
    ------
    BenchError
        If the index cannot be read, or a column that `naming` names is not in it.
    """
    sheet = read_sheet_text(path, file=path.name)
    header = list(sheet.header)
    taken = {column: name for name, column in naming.columns.items()}
    missing = [column for column in taken if column not in header]
    if "file" not in header and "file" not in naming.columns:
        missing.append("file")
    if missing:
        shown = ", ".join(f'"{name}"' for name in header)
        raise BenchError(
            [
                Fault(
                    path.name, f"there is no such column; the index has {shown}", line=1, key=name
                )
                for name in missing
            ]
        )
    # A column mapped to another field no longer stands for the field its own name says.
    names = [taken.get(column, column) for column in header]
    twice = {name for name in names if names.count(name) > 1}
    names = [
        "" if name in twice and column not in taken else name
        for name, column in zip(names, header, strict=True)
    ]
    rows: list[_IndexRow] = []
    for line, cells in sheet.rows:
        fields = {name: cell for name, cell in zip(names, cells, strict=True) if name and cell}
        log = fields.pop("file", "")
        place = path.parent / log.replace("\\", "/") if log else None
        rows.append(_IndexRow(path.name, line, place, fields))
    return tuple(rows)


def _find_logs(given: Iterable[Path], bench: Bench) -> tuple[list[Path], list[tuple[Path, str]]]:
    """Return the logs in the files and folders given, and what was passed over and why.

    Hidden files, YAML files and files whose name no layout accepts are passed over in a folder;
    a file given by its own name is always a log.
    """
    logs: list[Path] = []
    passed_over: list[tuple[Path, str]] = []
    globs = [layout.files for layout in bench.layouts.values()]
    for path in given:
        if not path.is_dir():
            logs.append(path)
            continue
        for found in sorted(path.rglob("*")):
            hidden = any(part.startswith(".") for part in found.relative_to(path).parts)
            if hidden or not found.is_file() or found.suffix in {".yaml", ".yml"}:
                continue
            if not globs or all(glob and not _fits_glob(found.name, glob) for glob in globs):
                passed_over.append((found, "no layout of the bench is for files of that name"))
            else:
                logs.append(found)
    return list(dict.fromkeys(logs)), passed_over


def _fits_glob(name: str, glob: str | None) -> bool:
    """Return whether a layout's `files` accepts a file name; without one it accepts all."""
    return glob is None or fnmatch.fnmatchcase(name, glob)


def _describe_log(
    path: Path, *, shown: str, naming: _Naming, row: _IndexRow | None, bench: Bench
) -> dict[str, str]:
    """Return the fields of a log's run-sheet row, by column.

    Raises
    ------
    RunFileError
        If sources disagree, or the name of the log does not fit the pattern.
    BenchError
        If a YAML file beside the log cannot be read.
    """
    beside = _beside(path)
    sources: list[tuple[str, Mapping[str, str]]] = [("an option", naming.options)]
    if naming.pattern:
        # A pattern with folders in it is compared with as many folders of the path.
        depth = naming.pattern.count("/") + 1
        fields = _match_name("/".join(path.parts[-depth:]), naming, bench, shown=shown)
        sources.append(("the file name", _mapped(fields, naming)))
    if row is not None:
        sources.append((f"{row.file}, line {row.line}", _mapped(row.fields, naming)))
    sources += [(name, _mapped(fields, naming)) for name, fields in beside]
    return _merge_fields(sources, shown=shown)


def _merge_fields(
    sources: Sequence[tuple[str, Mapping[str, str]]], *, shown: str
) -> dict[str, str]:
    """Return what all sources say together.

    Raises
    ------
    RunFileError
        With a fault for each field of which two sources say different things.
    """
    merged: dict[str, str] = {}
    said_by: dict[str, str] = {}
    faults: list[Fault] = []
    for source, fields in sources:
        for name, text in fields.items():
            if merged.setdefault(name, text) != text:
                faults.append(
                    Fault(
                        shown,
                        f"{said_by[name]} says {merged[name]!r}, {source} says {text!r}; "
                        "correct one of them",
                        key=name,
                    )
                )
            said_by.setdefault(name, source)
    if faults:
        raise RunFileError(faults)
    return merged


def _mapped(fields: Mapping[str, str], naming: _Naming) -> dict[str, str]:
    """Return fields with texts replaced by what they stand for."""
    return {name: naming.maps.get(name, {}).get(text, text) for name, text in fields.items()}


def _beside(path: Path) -> list[tuple[str, dict[str, str]]]:
    """Return what YAML files beside a log say; its own file goes before that of the folder."""
    own = [path.with_name(path.name + ".yaml"), path.with_name(_stem(path.name) + ".yaml")]
    found = [place for place in dict.fromkeys(own) if place.is_file() and place != path]
    said = [(place.name, _conditions_in(place)) for place in found]
    common = path.with_name(_CONDITIONS_FILE)
    if common.is_file():
        own_names = {name for _, fields in said for name in fields}
        rest = {k: v for k, v in _conditions_in(common).items() if k not in own_names}
        said.append((common.name, rest))
    return said


def _conditions_in(path: Path) -> dict[str, str]:
    """Return the fields a YAML file states, as written."""
    document = read_yaml(path, file=path.name, error=BenchError)
    faults: list[Fault] = []
    fields: dict[str, str] = {}
    for name, value in document.data.items():
        if isinstance(value, dict | list):
            faults.append(
                Fault(path.name, "expected one value", line=document.line_of([name]), key=name)
            )
        elif value is not None:
            fields[name] = str(written_text(value))
    if faults:
        raise BenchError(faults)
    return fields


def _stem(name: str) -> str:
    """Return a file name up to its first dot (but not a dot it begins with)."""
    return name[:1] + name[1:].partition(".")[0]


def _match_name(name: str, naming: _Naming, bench: Bench, *, shown: str) -> dict[str, str]:
    """Return the fields a file name holds by the pattern.

    Raises
    ------
    RunFileError
        If the name does not fit, or fits in two ways.
    UsageError
        If the pattern itself cannot be used.
    """
    literal_end = naming.pattern.rpartition("}")[2]
    folders, slash, name = name.rpartition("/")
    if "." in literal_end and not literal_end.endswith(_PACKED):
        name = next((name.removesuffix(e) for e in _PACKED if name.endswith(e)), name)
    text = folders + slash + (name if "." in literal_end else _stem(name))
    for known, strict in ((bench, True), (bench, False), (None, False)):
        first, last = (
            re.fullmatch(_pattern_to_regex(naming, known, greedy=greedy, strict=strict), text)
            for greedy in (False, True)
        )
        if first is None or last is None:
            continue
        # Where no product or title is known, the run sheet's own check tells which is not.
        if known is not None and first.groupdict() != last.groupdict():
            raise RunFileError.at(
                shown,
                f"the name fits the pattern {naming.pattern!r} in two ways: "
                f"{_said(first)} or {_said(last)}; use an index",
            )
        return first.groupdict()
    raise RunFileError.at(shown, f"the name does not fit the pattern {naming.pattern!r}")


def _said(match: re.Match[str]) -> str:
    return ", ".join(f"{name} {text}" for name, text in match.groupdict().items())


def _pattern_to_regex(naming: _Naming, bench: Bench | None, *, greedy: bool, strict: bool) -> str:
    """Return a regular expression for a name pattern.

    Products, titles and layouts match only texts that the bench (or `maps`) knows, so that ids
    with hyphens in them can stand between hyphens; if `strict`, other fields match no character
    that stands beside them in the pattern. `greedy` turns the order of preference round.
    """
    parts = _PLACEHOLDER.split(naming.pattern)  # literal, field, literal, field, ..., literal
    regex, seen = re.escape(parts[0]), set()
    for before, name, after in zip(parts[:-2:2], parts[1::2], parts[2::2], strict=True):
        if not _FIELD.fullmatch(name):
            raise UsageError(f"the pattern {naming.pattern!r} holds {{{name}}}, which is no field")
        beside = re.escape(before[-1:] + after[:1]) if strict else ""
        what = (f"[^{beside}]+" if beside else ".+") + ("" if greedy else "?")
        known = _known_texts(name, naming, bench)
        if known:
            what = "|".join(re.escape(t) for t in sorted(known, key=len, reverse=greedy))
        if name == "_":
            regex += f"(?:{what})"
        elif name in seen:
            regex += f"(?P={_group(name)})"
        else:
            regex += f"(?P<{_group(name)}>{what})"
        regex += re.escape(after)
        seen.add(name)
    if not seen - {"_"}:
        raise UsageError(f"the pattern {naming.pattern!r} holds no field such as {{title}}")
    return regex


def _group(name: str) -> str:
    """Return the name of a group; fields are letters, digits and underscores here."""
    if not name.isidentifier():
        raise UsageError(f"the field {{{name}}} cannot be used in a pattern; use an index for it")
    return name


def _known_texts(name: str, naming: _Naming, bench: Bench | None) -> set[str]:
    """Return the texts a field can hold, or an empty set where it can hold any."""
    if bench is None or name not in _CLOSED_FIELDS:
        return set()
    known: Mapping[str, Mapping[str, object]] = {
        "product": bench.products,
        "title": bench.titles,
        "layout": bench.layouts,
    }
    return {*known[name], *naming.maps.get(name, {})}


@dataclass(slots=True)
class _Candidate:
    """A log on its way in, or a row of an index that names none."""

    shown: str
    fields: dict[str, str] = field(default_factory=dict)
    path: Path | None = None
    sha256: str = ""
    size_bytes: int = 0
    frames: int = 0
    duration_s: float = 0.0
    note: str = ""
    file: str = ""
    copy: bool = False


def _gather_logs(
    given: Sequence[Path],
    rows: Sequence[_IndexRow],
    index: Path | None,
    naming: _Naming,
    bench: Bench,
) -> tuple[list[_Candidate], list[tuple[str, str]]]:
    """Return every log with its fields, and what was passed over and why.

    Raises
    ------
    RunFileError
        With the faults of all logs: not read through a layout, or not described in one way.
    """
    by_path = {_real(row.log): row for row in rows if row.log is not None}
    faults: list[Fault] = []
    found: list[_Candidate] = []
    if given:
        paths, passed = _find_logs(given, bench)
        if index is not None:
            paths = [path for path in paths if _real(path) != _real(index)]
    else:
        paths, passed = [row.log for row in rows if row.log is not None], []
    for path in paths:
        shown = _shown(path, given)
        row = by_path.get(_real(path))
        if index is not None and row is None:
            passed.append((path, f"{index.name} does not name it"))
            continue
        try:
            fields = _describe_log(path, shown=shown, naming=naming, row=row, bench=bench)
            found.append(_read(path, shown, fields, bench))
        except FaultsError as error:
            faults += error.faults
    for row in rows if not given else ():
        if row.log is None:
            place = f"{row.file}, line {row.line}"
            try:
                sources = [("an option", naming.options), (place, row.fields)]
                found.append(_Candidate(place, _merge_fields(sources, shown=place)))
            except FaultsError as error:
                faults += error.faults
    if faults:
        raise RunFileError(dict.fromkeys(faults))
    return found, [(_shown(path, given), reason) for path, reason in passed]


def _real(path: Path) -> str:
    return os.path.realpath(path)


def _shown(path: Path, given: Sequence[Path]) -> str:
    """Return a log's name as the caller would know it: from the folder that was given."""
    name = path.name
    for folder in given:
        if folder.is_dir() and path.is_relative_to(folder):
            name = str(PurePosixPath(folder.name, path.relative_to(folder)))
            break
    # A name may come from anywhere, and is printed: control characters stay inert.
    return name if name.isprintable() else ascii(name)


def _read(path: Path, shown: str, fields: dict[str, str], bench: Bench) -> _Candidate:
    """Read a log through its layout, found among those declared if it is not named."""
    named = fields.get("layout")
    if named is not None and named not in bench.layouts:
        known = ", ".join(sorted(bench.layouts)) or "none"
        raise RunFileError.at(
            shown, f'no layout "{named}" in bench.yaml; known: {known}', key="layout"
        )
    if not path.name.isprintable() or path.name != path.name.strip():
        raise RunFileError.at(
            shown, "the file name holds characters that do not show; rename the log"
        )
    name, log = (
        (named, read_log(path, bench.layouts[named], file=shown))
        if named
        else (_recognise_layout(path, bench, shown=shown))
    )
    note = ""
    if log.backward_rows:
        note = f"{len(log.backward_rows)} stamps do not advance"
    return _Candidate(
        shown,
        {**fields, "layout": name},
        path,
        log.sha256,
        log.size_bytes,
        int(log.frame_ms.size),
        float(log.frame_ms.sum()) / 1000.0,
        note,
    )


def _recognise_layout(path: Path, bench: Bench, *, shown: str) -> tuple[str, Log]:
    """Return the one declared layout that a log fits, and the log read through it.

    Raises
    ------
    RunFileError
        If none fits (with the reason for each) or more than one does.
    """
    fitting: dict[str, Log] = {}
    reasons: dict[str, str] = {}
    faults: tuple[Fault, ...] = ()
    for name, layout in bench.layouts.items():
        if not _fits_glob(path.name, layout.files):
            reasons[name] = f"is for {layout.files}"
            continue
        try:
            fitting[name] = read_log(path, layout, file=shown)
        except RunFileError as error:
            faults = error.faults
            line = f"line {faults[0].line}: " if faults[0].line else ""
            reasons[name] = f"{line}{faults[0].message}"
    if len(fitting) == 1:
        return next(iter(fitting.items()))
    if fitting:
        raise RunFileError.at(
            shown, f"fits the layouts {' and '.join(fitting)}; name the right one", key=None
        )
    tried = [name for name in reasons if not reasons[name].startswith("is for ")]
    if len(tried) == 1:  # its faults are the log's faults
        raise RunFileError(faults)
    why = "; ".join(f"{name}: {reason}" for name, reason in reasons.items())
    raise RunFileError.at(shown, f"fits no layout of the bench ({why or 'none is declared'})")


# Rows that are not in the file yet are given lines no file has, to tell their faults apart.
_NEW_LINE = 10**9
_OF_LOG = ("file", "frames", "duration_s", "reason", "sha256")


@dataclass(frozen=True, slots=True)
class _TakenIn:
    """One log (or one row of an index without a log): what was done with it, or would be."""

    source: str
    action: str  # "added", "skipped" or "passed over"
    reason: str = ""
    file: str = ""  # in the bench
    sha256: str = ""
    frames: int = 0
    duration_s: float = 0.0
    row: RunRow | None = None


@dataclass(frozen=True, slots=True)
class Intake:
    """The outcome of one take-in; `recovered` says what a killed one had left to clear up."""

    taken: tuple[_TakenIn, ...]
    dry_run: bool
    recovered: str = ""

    @property
    def added(self) -> tuple[_TakenIn, ...]:
        """What was added, or would be."""
        return tuple(one for one in self.taken if one.action == "added")

    @property
    def skipped(self) -> tuple[_TakenIn, ...]:
        """What was not: already in the bench, twice in one take-in, or no log by its name."""
        return tuple(one for one in self.taken if one.action != "added")

    def to_dict(self) -> dict[str, Any]:
        """Return the outcome as plain data."""
        rows = self.to_frame().to_dict("records")
        return {"ok": True, "dry_run": self.dry_run, "recovered": self.recovered, "logs": rows}

    def to_lines(self) -> list[str]:
        """Return the outcome as lines: a table of what was added, and what was not and why."""
        lines = [self.recovered] if self.recovered else []
        for one in self.added:
            if one.row is not None:
                lines.append(
                    f"{one.row.run}: {one.row.product}, {one.row.title}, layout {one.row.layout}, "
                    f"{one.frames} frames, {one.duration_s:.1f} s, {one.file}"
                )
        lines += [f"{one.source}: {one.action}, {one.reason}" for one in self.skipped]
        verb = "would be added; nothing was written" if self.dry_run else "added"
        return [*lines, f"{len(self.added)} {verb}, {len(self.skipped)} not"]

    def to_frame(self) -> pd.DataFrame:
        """Return a table.

        Returns
        -------
        DataFrame
            A row per log with the columns `source`, `action` (added, skipped, passed over),
            `run`, `product`, `title`, `layout`, `session`, `began`, `file`, `frames`,
            `duration_s`, `reason`, `sha256`.
        """
        import pandas as pd

        of_row = ("run", "product", "title", "layout", "session")
        rows = [
            {
                "source": one.source,
                "action": one.action,
                **{name: getattr(one.row, name, "") for name in of_row},
                "began": one.row.began.isoformat() if one.row and one.row.began else "",
                **{name: getattr(one, name) for name in _OF_LOG},
            }
            for one in self.taken
        ]
        names = ("source", "action", *of_row, "began", *_OF_LOG)
        return pd.DataFrame(rows, columns=pd.Index(names))


def add_logs(
    bench_folder: Path,
    logs: Iterable[Path] = (),
    *,
    fields: Mapping[str, str] | None = None,
    pattern: str | None = None,
    index: Path | None = None,
    maps: Mapping[str, Mapping[str, str]] | None = None,
    columns: Mapping[str, str] | None = None,
    dry_run: bool = False,
    by: By = NOBODY,
) -> Intake:
    """Take recorded logs into a bench.

    Parameters
    ----------
    bench_folder : Path
        The bench.
    logs : iterable of Path
        Files and folders. May be left out where `index` names the logs.
    fields : mapping of str to str, optional
        What holds for every log, by column of the run sheet: layout, product, title, session, run,
        began (ISO 8601) or any recorded condition; an empty text says nothing. Without a layout,
        the one declared layout that fits is taken. Without a run id, the log's name up to its
        first dot.
    pattern : str, optional
        Of file names, such as ``{title}-t{product}-{session}.csv``.
    index : Path, optional
        A CSV with a column `file` (from the index's folder) and any columns of the run sheet.
    maps : mapping, optional
        By field, what a text in a name or an index stands for.
    columns : mapping, optional
        By field, the column of the index that holds it.
    dry_run : bool
        Whether to write nothing and only say what would be added.
    by : By
        Who takes them in, when and why, for the bench's journal.

    Returns
    -------
    Intake
        What was added, and what was not and why.

    Raises
    ------
    FaultsError
        With every fault of every log and field; nothing was written then.
    UsageError
        If nothing was given to take in, or the pattern cannot be used.

    Notes
    -----
    A log whose bytes a row of the bench already has is not added again. Of one name with other
    bytes, the new log gets a number. Killed at any point, the bench is as before or as after.
    """
    bench = read_bench(bench_folder)
    stated = {name: text for name, text in (fields or {}).items() if text}
    naming = _Naming(stated, pattern or "", maps or {}, columns or {})
    rows = _read_index(index, naming) if index else ()
    candidates, passed_over = _gather_logs(list(logs), rows, index, naming, bench)
    over = [_TakenIn(shown, "passed over", reason) for shown, reason in passed_over]
    if not candidates and not over:
        raise UsageError("there is no log to take in: name files, folders or an index")
    if dry_run:
        intake, _ = _plan(bench, candidates)
        return Intake((*intake.taken, *over), True)
    with locked_bench(bench_folder):
        recovered = recover(bench_folder)
        intake, change = _plan(bench, candidates)
        if change is not None:
            commit(bench_folder, _intent(bench, intake, change, by), change.files)
    return Intake((*intake.taken, *over), False, recovered)


@dataclass(frozen=True, slots=True)
class _Change:
    """What a take-in does to a bench."""

    copies: tuple[Copy, ...]
    items: tuple[Mapping[str, Any], ...]  # what the journal gets
    files: Files


def _intent(bench: Bench, intake: Intake, change: _Change, by: By) -> Intent:
    """Return a take-in as what is to be done to the bench."""
    was, now = (
        hashlib.sha256(data).hexdigest() if data is not None else ""
        for data in (change.files.before, change.files.after)
    )
    items = [*change.items, {"kind": "sheet", "was": was, "now": now}]
    lines = new_lines(read_journal(bench.folder), act="add", by=by, items=items, bench=bench.name)
    rows = {one.row.run: one.row.row_sha256 for one in intake.added if one.row}
    return Intent("add", rows, now, was, lines, change.copies)


def _plan(bench: Bench, candidates: Sequence[_Candidate]) -> tuple[Intake, _Change | None]:
    """Return what is to be added to the bench as it now stands; raise all faults."""
    path = sheet_path(bench.folder)
    before = path.read_bytes() if path.exists() else None
    file = sheet_file(bench)
    sheet = SheetText(file, NEW_SHEET, ())
    if before is not None:
        sheet = parse_sheet_text(before, file=file)
    new, skipped = _fresh(bench, sheet, candidates)
    _name_copies(bench, new)
    _name_runs(sheet, new)
    header = _header_for(sheet, new)
    rows = _checked_rows(bench, sheet, header, new)
    added = [
        _TakenIn(
            one.shown, "added", one.note, one.file, one.sha256, one.frames, one.duration_s, row
        )
        for one, row in zip(new, rows, strict=True)
    ]
    intake = Intake((*added, *skipped), True)
    if not new:
        return intake, None
    copies = tuple(
        Copy(str(one.path), one.file, one.sha256) for one in new if one.copy and one.path
    )
    after = _sheet_with(before, sheet, header, new)
    return intake, _Change(copies, tuple(_items(header, new)), Files(before, after))


def _items(header: Sequence[str], new: Sequence[_Candidate]) -> Iterator[Mapping[str, Any]]:
    """Yield what the journal gets of new logs and rows."""
    for one in new:
        if one.path is not None:
            yield log_item(one.file, one.path, sha256=one.sha256, source=one.shown, copied=one.copy)
        stated = sorted(zip(header, _cells(header, one), strict=True))
        yield row_item(one.fields["run"], None, {name: text for name, text in stated if text})


def _fresh(
    bench: Bench, sheet: SheetText, candidates: Sequence[_Candidate]
) -> tuple[list[_Candidate], list[_TakenIn]]:
    """Return copies of the candidates that are new, and what is known already."""
    column = {name: i for i, name in enumerate(sheet.header)}
    known: dict[int, list[tuple[str, str]]] = {}  # size -> (log, run)
    for _, cells in sheet.rows:
        log = cells[column["log"]] if "log" in column else ""
        place = bench.folder / log
        if log and place.is_file():
            known.setdefault(place.stat().st_size, []).append((log, cells[column["run"]]))
    runs = {cells[column["run"]] for _, cells in sheet.rows} if "run" in column else set()
    new: list[_Candidate] = []
    skipped: list[_TakenIn] = []
    seen: dict[str, str] = {}
    hashes: dict[str, str] = {}
    for one in candidates:
        reason = ""
        if one.path is None:
            if one.fields.get("run") in runs:
                reason = f"run {one.fields['run']} is in the bench already"
        elif one.sha256 in seen:
            reason = f"the same bytes as {seen[one.sha256]}"
        else:
            for log, run in known.get(one.size_bytes, ()):
                if log not in hashes:
                    hashes[log] = hash_file(bench.folder / log)
                if hashes[log] == one.sha256:
                    reason = f"the bench has the same bytes already as {log} (run {run})"
                    break
            seen.setdefault(one.sha256, one.shown)
        if reason:
            skipped.append(_TakenIn(one.shown, "skipped", reason, sha256=one.sha256))
        else:
            new.append(replace(one, fields=dict(one.fields)))
    return new, skipped


def _name_copies(bench: Bench, new: Sequence[_Candidate]) -> None:
    """Give each log its name in the bench: its own, with a number where that is taken."""
    folder = Path(os.path.realpath(bench.folder))
    taken: set[str] = set()
    for one in new:
        if one.path is None:
            continue
        real = Path(os.path.realpath(one.path))
        if real.is_relative_to(folder) and STAGING not in real.parts:
            one.file = str(PurePosixPath(real.relative_to(folder)))  # where it already lies
            continue
        stem, dot, ending = one.path.name[:1], *one.path.name[1:].partition(".")[1:]
        stem += one.path.name[1:].partition(".")[0]
        name, number = one.path.name, 1
        while name in taken or not _free_or_same(bench.folder / "logs" / name, one.sha256):
            number += 1
            name = f"{stem}-{number}{dot}{ending}"
        taken.add(name)
        one.file = f"logs/{name}"
        # Not copied where the same bytes lie there under this name and no row names them.
        one.copy = not os.path.lexists(bench.folder / one.file)


def _free_or_same(path: Path, sha256: str) -> bool:
    if not os.path.lexists(path):
        return True
    return path.is_file() and not path.is_symlink() and hash_file(path) == sha256


def _name_runs(sheet: SheetText, new: Sequence[_Candidate]) -> None:
    """Give each new row without a run id one made of its log's name."""
    column = {name: i for i, name in enumerate(sheet.header)}
    place = column.get("run")
    used = {cells[place] for _, cells in sheet.rows} if place is not None else set()
    used |= {one.fields["run"] for one in new if "run" in one.fields}
    for one in new:
        one.fields["log"] = one.file
        number_of_pass = one.fields.pop(_PASS, "")
        if "run" in one.fields or one.path is None:
            continue
        name = PurePosixPath(one.file).name
        if number_of_pass:
            parts = (one.fields.get("product"), one.fields.get("title"), number_of_pass)
            name = "-".join(part for part in parts if part).replace(".", "-")
        stem = re.sub(r"[^A-Za-z0-9._-]+", "-", name[:1] + name[1:].partition(".")[0])
        stem = stem.strip("-")[:100] or "run"  # in a spreadsheet "-x" would be a formula
        run, number = stem, 1
        while run in used:
            number += 1
            run = f"{stem}-{number}"
        used.add(run)
        one.fields["run"] = run


def _header_for(sheet: SheetText, new: Sequence[_Candidate]) -> tuple[str, ...]:
    """Return the columns of the sheet, and after them those that the new rows need."""
    needed = dict.fromkeys(name for one in new for name, text in one.fields.items() if text)
    known = [name for name in KNOWN_COLUMNS if name in needed]
    conditions = [name for name in needed if name not in KNOWN_COLUMNS]
    return tuple(dict.fromkeys([*sheet.header, *known, *conditions]))


def _checked_rows(
    bench: Bench, sheet: SheetText, header: tuple[str, ...], new: Sequence[_Candidate]
) -> tuple[RunRow, ...]:
    """Return the new rows as the run sheet will give them, or raise all that is wrong."""
    pad = ("",) * (len(header) - len(sheet.header))
    rows = [(line, (*cells, *pad)) for line, cells in sheet.rows]
    rows += [(_NEW_LINE + i, _cells(header, one)) for i, one in enumerate(new)]
    try:
        whole = parse_run_sheet(replace(sheet, header=header, rows=tuple(rows)), bench)
    except BenchError as error:
        faults = [
            Fault(new[fault.line - _NEW_LINE].shown, _of_new(fault.message, new), key=fault.key)
            if fault.line is not None and fault.line >= _NEW_LINE
            else fault
            for fault in error.faults
        ]
        raise BenchError(faults) from None
    return whole[len(sheet.rows) :]


def _of_new(message: str, new: Sequence[_Candidate]) -> str:
    """Return a message in which the line of a new row is told by its log."""
    return re.sub(
        r"first on line (\d{10,});.*",
        lambda m: (
            f"first by {new[int(m[1]) - _NEW_LINE].shown}; every run has its own id: write "
            "{pass} in the pattern in place of {run}"
        ),
        message,
    )


def _cells(header: Sequence[str], one: _Candidate) -> tuple[str, ...]:
    """Return the cells of a new row; a line of text stays on one line of the sheet."""
    texts = [one.fields.get(name, "") for name in header]
    return tuple((text if text.isprintable() else " ".join(text.split())).strip() for text in texts)


def _sheet_with(
    before: bytes | None,
    sheet: SheetText,
    header: tuple[str, ...],
    new: Sequence[_Candidate],
) -> bytes:
    """Return the run sheet with the new rows, everything else as people wrote it."""
    cells = [_cells(header, one) for one in new]
    if before is None or header != sheet.header:
        pad = ("",) * (len(header) - len(sheet.header))
        rows = [(line, (*old, *pad)) for line, old in sheet.rows] + [(0, row) for row in cells]
        return write_sheet_text(replace(sheet, header=header, rows=tuple(rows)))
    out = io.StringIO()
    csv.writer(out, delimiter=sheet.delimiter, lineterminator=sheet.line_end).writerows(cells)
    text = before.decode(sheet.encoding)
    joint = "" if text.endswith(("\n", "\r")) else sheet.line_end
    return (text + joint + out.getvalue()).encode(sheet.encoding)
