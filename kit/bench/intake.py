"""Taking recorded logs into a bench: copied unchanged, checked, a run-sheet row for each.

What is said of a log comes from options, its name, an index and files beside it; two sources that
disagree are a fault, never a silent choice. Every log is read through its layout before anything
is written, and all faults are told at once.
"""

from __future__ import annotations

import csv
import fnmatch
import io
import logging
import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import count
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from kit.bench.acts import enter_names
from kit.bench.journal import NOBODY, By, log_item
from kit.bench.runs import KNOWN_COLUMNS, PASSES, SPREAD, RunRow, SheetText
from kit.bench.transaction import (
    STAGING,
    Change,
    Copy,
    commit,
    free_name,
    held_bench,
    sheet_path,
)
from kit.errors import (
    BenchError,
    Fault,
    FaultsError,
    RunFileError,
    UsageError,
    did_you_mean,
    folded,
)
from kit.logs.propose import propose_layout
from kit.logs.read import Log
from kit.rounding import grouped
from kit.settings.bench_file import NEW_SHEET, Bench, Layout, bare_letters, read_bench
from kit.settings.metric import HEADLINE, METRICS, RESULT, TYPED_METRICS
from kit.settings.yaml import read_yaml, written_text
from kit.trace import file_sha256

if TYPE_CHECKING:
    import pandas as pd


_PROGRESS = logging.getLogger("marginbook.progress")
_CONDITIONS_FILE = "conditions.yaml"
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_FIELD = re.compile(r"[a-z0-9][a-z0-9._-]*|_", re.ASCII)
_CLOSED_FIELDS = ("product", "title", "layout")
# Which pass of a product in a title: no column, but the end of the run's id.
_PASS = "pass"
_PACKED = (".gz", ".zst")
# Of a guess: what a name ends in, the class of a machine nothing is said of, logs shown.
_ENDINGS = re.compile(r"(\.[A-Za-z]{1,8}){1,2}$")
_NO_LOGS = frozenset({".yaml", ".yml", ".md", ".html", ".png", ".pdf"})
_CLASS = "unclassed"
# Asked for a log no row of an index names: what it is shown as, open rows by line, the likely line.
_Ask = Callable[[str, Mapping[int, str], int], int]


@dataclass(frozen=True, slots=True)
class Naming:
    """How the fields of run-sheet rows are found for logs.

    Attributes
    ----------
    pattern : str
        Of file names, such as ``{title}-t{product}-{session}.csv``; `{_}` is passed over. Without
        an ending it is compared with the name up to its first dot; ``.gz`` and ``.zst`` need not
        stand in it. With folders (``{product}/{title}-{pass}.csv``) it is compared with those above
        the file, too. `{pass}` counts a product's passes in a title and ends the run's id.
    maps : mapping of str to mapping of str to str
        By field, what a text in a name or an index stands for: product -> 8 -> threads-8.
    columns : mapping of str to str
        By field, the column of the index that holds it: title -> scene.
    options : mapping of str to str
        Fields that hold for every log, by column of the run sheet: what `add_logs` is given.
    """

    pattern: str = ""
    maps: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    columns: Mapping[str, str] = field(default_factory=dict)
    options: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _IndexRow:
    """One row of an index: where it stands, its log (None where a run left none), its fields."""

    shown: str
    line: int
    log: Path | None
    fields: Mapping[str, str]


def _read_index(path: Path, naming: Naming) -> tuple[_IndexRow, ...]:
    """Read an index of logs: a CSV with a column `file` and any columns of the run sheet.

    Raises
    ------
    BenchError
        If the index cannot be read, or a column that `naming` names is not in it.
    """
    sheet = SheetText.read(path, file=path.name)
    header = list(sheet.header)
    taken = {column: name for name, column in naming.columns.items()}
    missing = [column for column in taken if column not in header]
    if "file" not in header and "file" not in naming.columns:
        missing.append("file")
    if missing:
        shown = ", ".join(f'"{name}"' for name in header)
        said = f"there is no such column; the index has {shown}"
        raise BenchError([Fault(path.name, said, line=1, key=name) for name in missing])
    taken.setdefault("done", "")  # ticked off by hand
    # A column mapped to another field no longer stands for the field its own name says.
    names = [taken.get(column, "" if column in naming.columns else column) for column in header]
    rows: list[_IndexRow] = []
    for line, cells in sheet.rows:
        fields = {name: cell for name, cell in zip(names, cells, strict=True) if name and cell}
        log = fields.pop("file", "")
        place = path.parent / log.replace("\\", "/") if log else None
        rows.append(_IndexRow(f"{path.name}, line {line}", line, place, fields))
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
        for found in _files_in(path):
            if found.suffix in {".yaml", ".yml"}:
                continue
            if any(not glob or _fits_glob(found.name, glob) for glob in globs):
                logs.append(found)
            else:
                passed_over.append((found, "no layout of the bench is for files of that name"))
    return list(dict.fromkeys(logs)), passed_over


def _fits_glob(name: str, glob: str | None) -> bool:
    """Return whether a layout's `files` accepts a file name; without one it accepts all."""
    return glob is None or fnmatch.fnmatchcase(name, glob)


def _describe_log(
    path: Path, *, shown: str, naming: Naming, row: _IndexRow | None, bench: Bench
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
    sources: list[tuple[str, Mapping[str, str]]] = []
    if naming.pattern:
        # A pattern with folders in it is compared with as many folders of the path.
        depth = naming.pattern.count("/") + 1
        fields = _match_name("/".join(path.parts[-depth:]), naming, bench, shown=shown)
        sources.append(("the file name", fields))
    if row is not None:
        sources.append((row.shown, row.fields))
    mapped = [(name, _mapped(fields, naming)) for name, fields in [*sources, *beside]]
    return _merge_fields([("an option", naming.options), *mapped], shown=shown)


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
                first = f"{said_by[name]} says {merged[name]!r}"
                said = f"{first}, {source} says {text!r}; correct one of them"
                faults.append(Fault(shown, said, key=name))
            said_by.setdefault(name, source)
    RunFileError.raise_if(faults)
    return merged


def _mapped(fields: Mapping[str, str], naming: Naming) -> dict[str, str]:
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
    stated = {name: value for name, value in document.data.items() if value is not None}
    BenchError.raise_if(
        document.fault("expected one value", name)
        for name, value in stated.items()
        if isinstance(value, dict | list)
    )
    return {name: str(written_text(value)) for name, value in stated.items()}


def _stem(name: str) -> str:
    """Return a file name up to its first dot (but not a dot it begins with)."""
    return name[:1] + name[1:].partition(".")[0]


def _match_name(name: str, naming: Naming, bench: Bench, *, shown: str) -> dict[str, str]:
    """Return the fields a file name holds by the pattern.

    Raises
    ------
    RunFileError
        If the name does not fit, or fits in two ways.
    UsageError
        If the pattern itself cannot be used.
    """
    pattern = naming.pattern
    literal_end = pattern.rpartition("}")[2]
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
        if known is None or first.groupdict() == last.groupdict():
            return first.groupdict()
        ways = (", ".join(f"{n} {t}" for n, t in m.groupdict().items()) for m in (first, last))
        said = f"the name fits the pattern {pattern!r} in two ways: {' or '.join(ways)}"
        raise RunFileError.at(shown, f"{said}; use an index")
    raise RunFileError.at(shown, f"the name does not fit the pattern {pattern!r}")


def _pattern_to_regex(naming: Naming, bench: Bench | None, *, greedy: bool, strict: bool) -> str:
    """Return a regular expression for a name pattern.

    Products, titles and layouts match only texts that the bench (or `maps`) knows, so that ids
    with hyphens in them can stand between hyphens; if `strict`, other fields match no character
    that stands beside them in the pattern. `greedy` turns the order of preference round.
    """
    parts = _PLACEHOLDER.split(naming.pattern)  # literal, field, literal, field, ..., literal
    regex = re.escape(parts[0])
    seen: set[str] = set()
    for before, name, after in zip(parts[:-2:2], parts[1::2], parts[2::2], strict=True):
        if not _FIELD.fullmatch(name):
            raise UsageError(f"the pattern {naming.pattern!r} holds {{{name}}}, which is no field")
        if not name.isidentifier():
            raise UsageError(
                f"the field {{{name}}} cannot be used in a pattern; use an index for it"
            )
        beside = re.escape(before[-1:] + after[:1]) if strict else ""
        what = (f"[^{beside}]+" if beside else ".+") + ("" if greedy else "?")
        known = _known_texts(name, naming, bench)
        if known:
            what = "|".join(re.escape(t) for t in sorted(known, key=len, reverse=greedy))
        if name in seen - {"_"}:
            regex += f"(?P={name})"
        else:
            regex += f"(?:{what})" if name == "_" else f"(?P<{name}>{what})"
        regex += re.escape(after)
        seen.add(name)
    if not seen - {"_"}:
        raise UsageError(f"the pattern {naming.pattern!r} holds no field such as {{title}}")
    return regex


def _known_texts(name: str, naming: Naming, bench: Bench | None) -> set[str]:
    """Return the texts a field can hold, or an empty set where it can hold any."""
    if bench is None or name not in _CLOSED_FIELDS:
        return set()
    return {*getattr(bench, f"{name}s"), *naming.maps.get(name, {})}


@dataclass(slots=True)
class _Candidate:
    """A log on its way in, or a row of an index that names none.

    Attributes
    ----------
    shown : str
        What people are told it is.
    fields : dict of str to str
        Of its row, by column of the run sheet.
    path : Path, optional
        The log, where there is one.
    sha256, size_bytes, frames, duration_s
        What was read.
    note : str
        What the analyst should know of it.
    file : str
        Its name in the bench.
    copy : bool
        Whether it is to be copied there.
    """

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


def _files_in(folder: Path) -> list[Path]:
    """Return the files below a folder that are not hidden, sorted."""
    return [
        path
        for path in sorted(folder.rglob("*"))
        if path.is_file()
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    ]


def _gather_logs(
    given: Sequence[Path],
    rows: Sequence[_IndexRow],
    index: Path | None,
    naming: Naming,
    bench: Bench,
    ask: _Ask | None = None,
) -> tuple[list[_Candidate], list[_TakenIn]]:
    """Return every log with its fields, and what was passed over and why.

    Raises
    ------
    RunFileError
        With the faults of all logs: not read through a layout, or not described in one way.
    """
    faults: list[Fault] = []
    found: list[_Candidate] = []
    if given:
        paths, passed = _find_logs(given, bench)
    else:
        paths, passed = list(dict.fromkeys(row.log for row in rows if row.log is not None)), []
    described, left = _match_rows(paths, rows, faults) if rows else ([], paths)
    if index is None:
        described += [(path, None) for path in left]
    else:
        if ask is not None:
            described += _asked_rows(left, described, rows, bench, ask)
        named = {*(path for path, _ in described), Path(os.path.realpath(index))}
        why = f"{index.name} does not name it" + ("" if ask else "; --guess asks for its row")
        passed += [(p, why) for p in left if named.isdisjoint({p, Path(os.path.realpath(p))})]
    for number, (path, row) in enumerate(described, 1):
        _PROGRESS.info("reading logs: %d of %d", number, len(described))
        shown = _shown(path, given)
        try:
            fields = _describe_log(path, shown=shown, naming=naming, row=row, bench=bench)
            found += _read(path, shown, fields, bench)
        except FaultsError as error:
            faults += error.faults
    for row in rows if not given else ():
        if row.log is None:
            try:
                sources = [("an option", naming.options), (row.shown, row.fields)]
                found.append(_Candidate(row.shown, _merge_fields(sources, shown=row.shown)))
            except FaultsError as error:
                faults += error.faults
    RunFileError.raise_if(faults)
    return found, [_TakenIn(_shown(path, given), "passed over", why) for path, why in passed]


def _match_rows(
    paths: Sequence[Path], rows: Sequence[_IndexRow], faults: list[Fault]
) -> tuple[list[tuple[Path, _IndexRow | None]], list[Path]]:
    """Return each log with its row of an index (with several, of several runs), and the rest.

    A sheet of runs to make names logs without their ending: two logs of one such row are a fault.
    """
    by_path: dict[str, list[_IndexRow]] = {}
    by_stem: dict[str, _IndexRow] = {}
    for row in rows:
        if row.log is not None:
            by_path.setdefault(os.path.realpath(row.log), []).append(row)
            if not row.log.exists():
                by_stem[row.log.name] = row
    matched: list[tuple[Path, _IndexRow | None]] = []
    left: list[Path] = []
    first: dict[int, str] = {}
    for path in paths:
        if own := by_path.get(os.path.realpath(path)):
            matched += [(path, row) for row in own]
        elif (planned := by_stem.get(_stem(path.name))) is None:
            left.append(path)
        elif (other := first.setdefault(planned.line, path.name)) != path.name:
            said = f"is of {planned.shown}, as {other} is; name one otherwise, or leave it out"
            faults.append(Fault(path.name, said))
        else:
            matched.append((path, planned))
    return matched, left


def _asked_rows(
    left: Sequence[Path],
    matched: Sequence[tuple[Path, _IndexRow | None]],
    rows: Sequence[_IndexRow],
    bench: Bench,
    ask: _Ask,
) -> list[tuple[Path, _IndexRow | None]]:
    """Ask of which open row each log is; a row with a log, or in the bench, is not open."""
    sheet = sheet_path(bench.folder)
    held = list(SheetText.read(sheet, file="runs.csv").by_run().values()) if sheet.exists() else []
    taken = {row.line for _, row in matched if row is not None}
    open_rows = {
        row.line: row
        for row in rows
        if row.line not in taken
        and row.log is not None
        and not any(row.fields.items() <= cells.items() for cells in held)
    }
    answers: list[tuple[Path, _IndexRow | None]] = []
    for path in left:
        told = {line: ", ".join(row.fields.values()) for line, row in open_rows.items()}
        line = ask(path.name, told, _likely_line(path, open_rows.values(), bench)) if told else 0
        if line:
            answers.append((path, open_rows.pop(line)))
    return answers


def _likely_line(path: Path, rows: Iterable[_IndexRow], bench: Bench) -> int:
    """Return the line of the first row whose product and title the path names; 0 if none."""
    said = f"-{_slug('/'.join(path.parts[-3:]))}-"
    named = {}
    for what in ("product", "title"):
        known = _slugs(getattr(bench, f"{what}s"))
        named[what] = known.get(max((s for s in known if f"-{s}-" in said), key=len, default=""))
    return next((row.line for row in rows if named.items() <= row.fields.items()), 0)


def _shown(path: Path, given: Sequence[Path]) -> str:
    """Return a log's name as the caller would know it: from the folder that was given."""
    name = path.name
    for folder in given:
        if folder.is_dir() and path.is_relative_to(folder):
            name = str(PurePosixPath(folder.name, path.relative_to(folder)))
            break
    # A name may come from anywhere, and is printed: control characters stay inert.
    return name if name.isprintable() else ascii(name)


def _read(path: Path, shown: str, fields: dict[str, str], bench: Bench) -> list[_Candidate]:
    """Read a log through its layout, found among those declared if it is not named.

    Of a log that holds several runs, each is a candidate of its own.
    """
    name = fields.get("layout")
    if name is not None and name not in bench.layouts:
        known = ", ".join(sorted(bench.layouts)) or "none"
        said = f'no layout "{name}" in bench.yaml; known: {known}'
        raise RunFileError.at(shown, said, key="layout")
    if not path.name.isprintable() or path.name != path.name.strip():
        raise RunFileError.at(
            shown, "the file name holds characters that do not show; rename the log"
        )
    if name is None:
        name, logs = _recognise_layout(path, fields.get("part", ""), bench, shown=shown)
    else:
        layout = bench.layouts[name].model_copy(update={"part": fields.get("part", "")})
        logs = Log.runs_of(path, layout, file=shown)
    found = []
    for part, log in logs.items():
        backward = len(log.backward_rows)
        found.append(
            _Candidate(
                f"{shown}, {part}" if len(logs) > 1 else shown,
                {**_named_by(part, fields, bench), "layout": name, "part": part},
                path,
                log.sha256,
                log.size_bytes,
                int(log.frame_ms.size),
                float(log.frame_ms.sum()) / 1000.0,
                f"{backward} stamps do not advance" if backward else "",
            )
        )
    return found


def _named_by(part: str, fields: Mapping[str, str], bench: Bench) -> dict[str, str]:
    """Return fields, with product and title by the part's name, where nothing else says them."""
    named = dict(fields)
    plain = re.sub(r" \d+$", "", PurePosixPath(part).name.partition(".")[0])
    for what in ("product", "title"):
        known = _slugs(getattr(bench, f"{what}s"))
        if part and not named.get(what) and _slug(plain) in known:
            named[what] = known[_slug(plain)]
    return named


def _recognise_layout(
    path: Path, part: str, bench: Bench, *, shown: str
) -> tuple[str, dict[str, Log]]:
    """Return the one declared layout that a log fits, and the runs read through it.

    Raises
    ------
    RunFileError
        If none fits (with the reason for each) or more than one does.
    """
    fitting: dict[str, dict[str, Log]] = {}
    reasons: dict[str, str] = {}
    errors: list[RunFileError] = []
    for name, layout in bench.layouts.items():
        if not _fits_glob(path.name, layout.files):
            reasons[name] = f"is for {layout.files}"
            continue
        try:
            how = layout.model_copy(update={"part": part})
            fitting[name] = Log.runs_of(path, how, file=shown)
        except RunFileError as error:
            errors.append(error)
            reasons[name] = _first_fault(error)
    if len(fitting) == 1:
        return next(iter(fitting.items()))
    if fitting:
        said = f"fits the layouts {' and '.join(fitting)}; name the right one"
        raise RunFileError.at(shown, said)
    if len({error.faults for error in errors}) == 1:  # its faults are the log's faults
        raise errors[0]
    why = "; ".join(f"{name}: {reason}" for name, reason in reasons.items())
    raise RunFileError.at(shown, f"fits no layout of the bench ({why or 'none is declared'})")


def _first_fault(error: RunFileError) -> str:
    """Return the first fault of a log without the log's name."""
    first = error.faults[0]
    return (f"line {first.line}: " if first.line else "") + first.message


# Rows that are not in the file yet are given lines no file has, to tell their faults apart.
_NEW_LINE = 10**9


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
class _Intake:
    """The outcome of one take-in.

    Attributes
    ----------
    taken : tuple of _TakenIn
        What became of each log.
    dry_run : bool
        Whether nothing was written.
    recovered : str
        What a killed take-in had left to clear up.
    """

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
        told = []
        for one in self.added:
            if (row := one.row) is not None:
                figures = ", ".join(f"{name} {figure:g}" for name, figure in row.typed.items())
                if one.file:
                    figures = f"layout {row.layout}, {one.frames} frames, {one.duration_s:.1f} s"
                    figures += f", {one.file}"
                told.append(f"{row.run}: {row.product}, {row.title}, {figures}")
        verb = "would be added; nothing was written" if self.dry_run else "added"
        return [
            *([self.recovered] if self.recovered else []),
            *folded(told, "added"),
            *_told_once(self.skipped),
            f"{len(self.added)} {verb}, {len(self.skipped)} not",
        ]

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
        of_log = ("file", "frames", "duration_s", "reason", "sha256")
        rows = [
            (
                one.source,
                one.action,
                *(getattr(one.row, name, "") for name in of_row),
                one.row.began.isoformat() if one.row and one.row.began else "",
                *(getattr(one, name) for name in of_log),
            )
            for one in self.taken
        ]
        columns = ("source", "action", *of_row, "began", *of_log)
        return pd.DataFrame(rows, columns=pd.Index(columns))


def _told_once(skipped: Sequence[_TakenIn]) -> list[str]:
    """Return a line for all logs that were left for one reason."""
    lines = []
    sources = grouped(((one.action, one.reason), one.source) for one in skipped)
    for (action, reason), names in sources.items():
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        lines.append(f"{', '.join(names[:3])}{more}: {action}, {reason}")
    return lines


def add_logs(
    bench_folder: Path,
    logs: Iterable[Path] = (),
    *,
    fields: Mapping[str, str] | None = None,
    naming: Naming = Naming(),  # frozen
    index: Path | None = None,
    ask: _Ask | None = None,
    dry_run: bool = False,
    by: By = NOBODY,
) -> _Intake:
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
    naming : Naming
        What names of files and columns of the index tell.
    index : Path, optional
        A CSV with a column `file` (from the index's folder) and any columns of the run sheet.
    ask : callable, optional
        Asked for each log the index does not name: given its name, what its open rows say by line
        and the likely line (0: none), it returns the log's line, or 0 to leave the log.
    dry_run : bool
        Whether to write nothing and only say what would be added.
    by : By
        Who takes them in, when and why, for the bench's journal.

    Returns
    -------
    _Intake
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
    naming = replace(naming, options=stated)
    rows = _read_index(index, naming) if index else ()
    candidates, over = _gather_logs(list(logs), rows, index, naming, bench, ask)
    if not candidates and not over:
        raise UsageError("there is no log to take in: name files, folders or an index")
    if dry_run:
        return _Intake((*_plan(bench, candidates, by)[0], *over), True)
    return _taken_in(bench, candidates, over, by)


def add_table(
    bench_folder: Path,
    table: Path,
    *,
    fields: Mapping[str, str] | None = None,
    maps: Mapping[str, Mapping[str, str]] | None = None,
    dry_run: bool = False,
    by: By = NOBODY,
) -> _Intake:
    """Take a wide table of figures into a bench: titles down, products across, a row each.

    Parameters
    ----------
    bench_folder : Path
        The bench.
    table : Path
        CSV or xlsx (its first sheet). The first line names the products, by id or name; each other
        line begins with a title. Further blocks below begin with such a line again, whose first
        cell says what they hold: ``low_1pct_fps``, "1 % low" or any other figure that can be typed
        in. The first block holds averages where its first cell does not say otherwise, and the
        results of titles that do not measure frames. An empty cell is no figure.
    fields : mapping of str to str, optional
        What holds for every figure, by column of the run sheet. `began`, the day of the figures, is
        needed; `source` is the file's name unless it is given.
    maps : mapping of str to mapping of str to str, optional
        By "product" or "title", what a text of the table stands for.
    dry_run, by
        As for `add_logs`.

    Returns
    -------
    _Intake
        What was added, and what was not: a figure of this table that the bench has already.

    Raises
    ------
    FaultsError
        With every fault of the table; nothing was written then.
    UsageError
        If nothing says of which day the figures are.

    Notes
    -----
    Figures taken in so are marked as typed in, as no log stands behind them.
    """
    bench = read_bench(bench_folder)
    stated = {name: text for name, text in (fields or {}).items() if text}
    if "began" not in stated:
        raise UsageError(f"{table.name}: say of which day its figures are: --began 2026-11-25")
    stated = {"source": table.name, **stated}
    found = _table_figures(_table_cells(table), bench, table.name, maps or {})
    candidates = [
        _Candidate(
            f"{table.name}, {title} of {product}",
            {
                "run": _run_of(table.stem, product, title),
                "product": product,
                "title": title,
                **stated,
                **figures,
            },
        )
        for (product, title), figures in found.items()
    ]
    if not candidates:
        raise UsageError(f"{table.name}: there is no figure in it to take in")
    if dry_run:
        return _Intake(tuple(_plan(bench, candidates, by)[0]), True)
    return _taken_in(bench, candidates, (), by)


def names_of_table(
    bench_folder: Path, table: Path, *, maps: Mapping[str, Mapping[str, str]] | None = None
) -> dict[str, dict[str, dict[str, str]]]:
    """Return what a wide table names and `bench.yaml` lacks, as entries of it to agree to.

    Parameters
    ----------
    bench_folder, table, maps
        As for `add_table`.

    Returns
    -------
    dict
        By key of `bench.yaml` (products, titles) the new entries by id, for `enter_names`; a key
        without any is left out.
    """
    bench = read_bench(bench_folder)
    products, titles = _known_names(bench, maps or {}).values()
    new: dict[str, dict[str, dict[str, str]]] = {"products": {}, "titles": {}}
    heads: dict[str, str] = {}
    for head, *cells in (row for _, row in _table_cells(table)):
        if not heads:
            heads = {text: text for text in cells if text}
            for text in heads:
                if not {text, _slug(text)} & {*products}:
                    new["products"][_slug(text)] = {"name": text, "class": _CLASS}
        elif not _heads_block(cells, heads) and not {head, _slug(head)} & {*titles, ""}:
            new["titles"][_slug(head)] = {"name": head}
    return {key: entries for key, entries in new.items() if entries}


def _known_names(bench: Bench, maps: Mapping[str, Mapping[str, str]]) -> dict[str, dict[str, str]]:
    """Return, for "product" and "title", what a text of a table stands for."""
    return {
        "product": {**_slugs(bench.products), **maps.get("product", {})},
        "title": {**_slugs(bench.titles), **maps.get("title", {})},
    }


def _run_of(stem: str, *names: str) -> str:
    """Return the id of the run of one figure of a table."""
    return "-".join(re.sub(r"[^A-Za-z0-9_-]+", "-", n).strip("-") for n in (*names, stem))[:128]


def _table_cells(table: Path) -> list[tuple[int, list[str]]]:
    """Return line and cells of each row of a table that is not empty; decimals with a point.

    Raises
    ------
    BenchError
        If it is not there, or no table.
    """
    raw = SheetText.bytes_of(table, file=table.name)
    _, _, delimiter, rows = SheetText.split(raw, file=table.name)
    found = [(line, list(cells)) for line, cells in rows]
    if delimiter == ",":
        return found
    comma, point = r"^(\d+),(\d+)$", r"\1.\2"
    return [(line, [re.sub(comma, point, cell) for cell in cells]) for line, cells in found]


def _table_figures(
    rows: Sequence[tuple[int, list[str]]],
    bench: Bench,
    file: str,
    maps: Mapping[str, Mapping[str, str]],
) -> dict[tuple[str, str], dict[str, str]]:
    """Return the figures of a wide table by product and title: metric -> text.

    Raises
    ------
    BenchError
        With every product, title and figure that is not known, or stands twice.
    """
    known = _known_names(bench, maps)
    faults: list[Fault] = []

    def named(what: str, text: str, line: int) -> str:
        found = known[what].get(text) or known[what].get(_slug(text), "")
        if not found:
            guess = did_you_mean(text, getattr(bench, f"{what}s"), listed=12)
            faults.append(Fault(file, f'no {what} "{text[:60]}" in bench.yaml{guess}', line=line))
        return found

    figures: dict[tuple[str, str], dict[str, str]] = {}
    products: list[str] = []
    metric = ""
    for line, (head, *cells) in rows:
        if not products or _heads_block(cells, known["product"]):
            metric = _typed_metric(head)
            products = [named("product", text, line) if text else "" for text in cells]
            if head and not metric and figures:
                said = f'"{head[:60]}" says nothing of what this block holds; it may be '
                known_here = (*TYPED_METRICS, PASSES, SPREAD)
                faults.append(Fault(file, said + ", ".join(known_here), line=line))
            continue
        title = named("title", head, line)
        if not title:
            continue
        frames = bench.titles[title].measures == "frames"
        own = (metric or HEADLINE) if frames or metric in {PASSES, SPREAD} else RESULT
        for product, text in zip(products, cells, strict=False):
            if not text or not product:
                continue
            mine = figures.setdefault((product, title), {})
            if mine.setdefault(own, text) != text:
                said = f"{own} of {product} in {title} stands twice: {mine[own]} and {text[:20]}"
                faults.append(Fault(file, said, line=line))
    BenchError.raise_if(faults)
    return figures


def _heads_block(cells: Sequence[str], products: Mapping[str, str]) -> bool:
    """Return whether a line names products: it is the first line of a block."""
    filled = [text for text in cells if text]
    return bool(filled) and all(t in products or _slug(t) in products for t in filled)


def _typed_metric(head: str) -> str:
    """Return the figure that the first cell of a block says it holds; "" where it says none."""
    words = {_slug(m.label): name for name, m in METRICS.items() if name in TYPED_METRICS}
    words |= {_slug(METRICS[name].word): name for name in TYPED_METRICS if METRICS[name].word}
    words |= {_slug(name): name for name in (*TYPED_METRICS, PASSES, SPREAD)}
    return words.get(_slug(head), "")


def _taken_in(
    bench: Bench, candidates: Sequence[_Candidate], over: Sequence[_TakenIn], by: By
) -> _Intake:
    """Add candidates to a bench, in one step."""
    with held_bench(bench.folder) as recovered:
        taken, change = _plan(bench, candidates, by)
        if change is not None:
            commit(bench.folder, change, bench=bench.name)
    return _Intake((*taken, *over), False, recovered)


def _plan(
    bench: Bench, candidates: Sequence[_Candidate], by: By
) -> tuple[list[_TakenIn], Change | None]:
    """Return what is to be added to the bench as it now stands; raise all faults."""
    path, file = sheet_path(bench.folder), f"{bench.folder.name}/runs.csv"
    before = path.read_bytes() if path.exists() else None
    sheet = SheetText(file, NEW_SHEET, ())
    if before is not None:
        sheet = SheetText.parse(before, file=file)
    new, skipped = _fresh(bench, sheet, candidates)
    _name_copies(bench, new)
    _name_runs(sheet, new)
    wider = sheet.widened(_header_for(sheet, new))
    cells = [_cells(wider.header, one) for one in new]
    added = [
        _TakenIn(
            one.shown, "added", one.note, one.file, one.sha256, one.frames, one.duration_s, row
        )
        for one, row in zip(new, _checked_rows(bench, wider, cells, new), strict=True)
    ]
    if not new:
        return [*added, *skipped], None
    by_file = {one.file: (one, one.path) for one in reversed(new) if one.path is not None}
    logs = [*reversed(by_file.values())]
    change = Change(
        "add",
        by,
        {
            one.fields["run"]: {
                n: text for n, text in sorted(zip(wider.header, row, strict=True)) if text
            }
            for one, row in zip(new, cells, strict=True)
        },
        before,
        _with_rows(before, sheet, wider, cells),
        [
            log_item(one.file, path, sha256=one.sha256, source=one.shown, copied=one.copy)
            for one, path in logs
        ],
        [Copy(str(path), one.file, one.sha256) for one, path in logs if one.copy],
    )
    return [*added, *skipped], change


def _fresh(
    bench: Bench, sheet: SheetText, candidates: Sequence[_Candidate]
) -> tuple[list[_Candidate], list[_TakenIn]]:
    """Return copies of the candidates that are new, and what is known already."""
    runs = _column(sheet, "run")
    known = grouped(
        (((bench.folder / log).stat().st_size, part), (log, run))
        for run, log, part in zip(runs, _column(sheet, "log"), _column(sheet, "part"), strict=True)
        if log and (bench.folder / log).is_file()
    )
    new: list[_Candidate] = []
    skipped: list[_TakenIn] = []
    seen: dict[tuple[str, str], str] = {}
    known_runs = set(runs) - {""}
    hash_of = cache(lambda log: file_sha256(bench.folder / log))
    for one in candidates:
        reason, part = "", one.fields.get("part", "")
        if one.path is None:
            if one.fields.get("run") in known_runs:
                reason = f"run {one.fields['run']} is in the bench already"
        elif (one.sha256, part) in seen:
            reason = f"the same bytes as {seen[one.sha256, part]}"
        else:
            for log, run in known.get((one.size_bytes, part), ()):
                if hash_of(log) == one.sha256:
                    reason = f"the bench has the same bytes already as {log} (run {run})"
                    break
            seen.setdefault((one.sha256, part), one.shown)
        if reason:
            skipped.append(_TakenIn(one.shown, "skipped", reason, sha256=one.sha256))
        else:
            new.append(replace(one, fields=dict(one.fields)))
    return new, skipped


def _name_copies(bench: Bench, new: Sequence[_Candidate]) -> None:
    """Give each log its name in the bench: its own, with a number where that is taken."""
    folder = Path(os.path.realpath(bench.folder))
    named: set[str] = set()
    placed: dict[str, str] = {}  # one file may hold several runs
    for one in new:
        if one.path is None:
            continue
        if one.sha256 in placed:
            one.file = placed[one.sha256]
            continue
        real = Path(os.path.realpath(one.path))
        if real.is_relative_to(folder) and STAGING not in real.parts:
            one.file = str(PurePosixPath(real.relative_to(folder)))  # where it already lies
            placed[one.sha256] = one.file
            continue

        def taken(file: str, sha256: str = one.sha256) -> bool:
            place = bench.folder / file
            same = place.is_file() and not place.is_symlink() and file_sha256(place) == sha256
            return file in named or (os.path.lexists(place) and not same)

        one.file = free_name(f"logs/{one.path.name}", taken)
        named.add(one.file)
        placed[one.sha256] = one.file
        # Not copied where the same bytes lie there under this name and no row names them.
        one.copy = not os.path.lexists(bench.folder / one.file)


def _name_runs(sheet: SheetText, new: Sequence[_Candidate]) -> None:
    """Give each new row without a run id one made of its log's name."""
    used = set(_column(sheet, "run")) | {one.fields.get("run", "") for one in new}
    for one in new:
        one.fields["log"] = one.file
        number_of_pass = one.fields.pop(_PASS, "")
        if "run" in one.fields or one.path is None:
            continue
        name = PurePosixPath(one.file).name
        if number_of_pass:
            parts = (one.fields.get("product"), one.fields.get("title"), number_of_pass)
            name = "-".join(part for part in parts if part).replace(".", "-")
        part = one.fields.get("part", "")
        stem = f"{_stem(name)}-{_stem(PurePosixPath(part).name)}" if part else _stem(name)
        stem = re.sub(r"[^A-Za-z0-9._-]+", "-", bare_letters(stem))
        run = stem = stem.strip("-")[:100] or "run"  # in a spreadsheet "-x" would be a formula
        numbers = count(2)
        while run in used:
            run = f"{stem}-{next(numbers)}"
        used.add(run)
        one.fields["run"] = run


def _column(sheet: SheetText, name: str) -> list[str]:
    """Return the cells of a column, empty ones where the sheet has none of that name."""
    if name not in sheet.header:
        return [""] * len(sheet.rows)
    place = sheet.header.index(name)
    return [cells[place] for _, cells in sheet.rows]


def _header_for(sheet: SheetText, new: Sequence[_Candidate]) -> tuple[str, ...]:
    """Return the columns of the sheet, and after them those that the new rows need."""
    needed = dict.fromkeys(name for one in new for name, text in one.fields.items() if text)
    known = [name for name in KNOWN_COLUMNS if name in needed]
    conditions = [name for name in needed if name not in KNOWN_COLUMNS]
    return tuple(dict.fromkeys([*sheet.header, *known, *conditions]))


def _checked_rows(
    bench: Bench, wider: SheetText, cells: Sequence[tuple[str, ...]], new: Sequence[_Candidate]
) -> tuple[RunRow, ...]:
    """Return the new rows as the run sheet will give them, or raise all that is wrong."""
    added = tuple(enumerate(cells, start=_NEW_LINE))
    try:
        whole = replace(wider, rows=(*wider.rows, *added)).to_rows(bench)
    except BenchError as error:
        faults = [
            Fault(new[fault.line - _NEW_LINE].shown, _of_new(fault.message, new), key=fault.key)
            if fault.line is not None and fault.line >= _NEW_LINE
            else fault
            for fault in error.faults
        ]
        raise BenchError(faults) from None
    return whole[len(wider.rows) :]


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


def _with_rows(
    before: bytes | None, sheet: SheetText, wider: SheetText, cells: Sequence[tuple[str, ...]]
) -> bytes:
    """Return the run sheet with the new rows, everything else as people wrote it."""
    if before is None or wider.header != sheet.header:
        rows = (*wider.rows, *((0, row) for row in cells))
        return replace(wider, rows=rows).to_bytes()
    out = io.StringIO()
    csv.writer(out, delimiter=sheet.delimiter, lineterminator=sheet.line_end).writerows(cells)
    text = before.decode(sheet.encoding)
    joint = "" if text.endswith(("\n", "\r")) else sheet.line_end
    return (text + joint + out.getvalue()).encode(sheet.encoding)


@dataclass(frozen=True, slots=True)
class _Guess:
    """What a folder of logs seems to hold.

    Attributes
    ----------
    fields : mapping of Path to mapping of str to str
        By log: product, title, session, pass, layout.
    parts : tuple of str
        What each part of path and name was taken for, with examples; what layouts leave unsure.
    new : mapping
        What `bench.yaml` lacks: products, titles, layouts.
    over : tuple of (Path, str)
        Files passed over, and why.
    """

    folder: Path
    fields: Mapping[Path, Mapping[str, str]]
    parts: tuple[str, ...]
    new: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    over: tuple[tuple[Path, str], ...] = ()

    def to_lines(self) -> list[str]:
        """Return the guess as a table to agree to."""
        lines = [f"{len(self.fields)} logs below {self.folder.name}", *self.parts]
        for key, entries in self.new.items():
            lines.append(f"new in bench.yaml, {key}: {', '.join(entries)}")
        told = []
        for path, said in self.fields.items():
            shown = ", ".join(f"{name} {text}" for name, text in said.items())
            told.append(f"  {path.relative_to(self.folder).as_posix()}: {shown}")
        over = [_TakenIn(path.name, "passed over", why) for path, why in self.over]
        return [*lines, *folded(told, "alike"), *folded(_told_once(over))]


def guess_folder(bench_folder: Path, folder: Path) -> _Guess:
    """Look at all files of a folder and propose how they are taken in.

    Parameters
    ----------
    bench_folder : Path
        The bench, whose products, titles and layouts are looked for first.
    folder : Path
        The logs.

    Returns
    -------
    _Guess
        To be shown, and taken in with `take_guess` once it is agreed to. Nothing is written here.

    Raises
    ------
    UsageError
        If the names do not tell product and title: what was seen, and what to write instead.
    """
    bench = read_bench(bench_folder)
    layouts, fits, over, unsure = _layouts(bench, folder)
    cut = {path: _tokens(path.relative_to(folder)) for path in fits}
    if not cut:
        raise UsageError(f"{folder.name}: there is no log in it that can be read")
    width = Counter(map(len, cut.values())).most_common(1)[0][0]
    look = [f"layout {name}: look at this: {said}" for name, said in unsure]
    over += [(p, "its name has other parts than most") for p in cut if len(cut[p]) != width]
    cut = {path: tokens for path, tokens in cut.items() if len(tokens) == width}
    columns = list(zip(*cut.values(), strict=True))
    names = _name_columns(columns, bench)
    if not {"product", "title"} <= set(names):
        seen = " | ".join(next(iter(cut.values())))
        raise UsageError(
            f"{folder.name}: cannot tell product and title from names such as {seen}; say so with "
            "--pattern '{product}_{title}_{pass}.csv', --index, or --product and --title"
        )
    known = _known_names(bench, {})
    new: dict[str, dict[str, Any]] = {"products": {}, "titles": {}, "layouts": layouts}
    fields: dict[Path, dict[str, str]] = {}
    for path, tokens in cut.items():
        said = {what: token for what, token in zip(names, tokens, strict=True) if what}
        for what, ids in known.items():
            token = said[what]
            said[what] = name = ids.get(_slug(token), _slug(token))
            if name not in getattr(bench, f"{what}s"):
                entry = {"name": re.sub(r"[-_]+", " ", token).strip().capitalize()}
                new[f"{what}s"][name] = entry | ({"class": _CLASS} if what == "product" else {})
        fields[path] = {**said, "layout": fits[path]}
    parts = [
        f"part {i} of path and name, {what or 'passed over'}: "
        + ", ".join(list(dict.fromkeys(column))[:4])
        for i, (what, column) in enumerate(zip(names, columns, strict=True), 1)
    ]
    return _Guess(folder, fields, (*parts, *look), {k: v for k, v in new.items() if v}, tuple(over))


def take_guess(bench_folder: Path, guess: _Guess, *, session: str = "", by: By = NOBODY) -> _Intake:
    """Enter into `bench.yaml` what a guess needs, and take its logs in.

    Parameters
    ----------
    bench_folder : Path
        The bench.
    guess : _Guess
        As `guess_folder` gives it.
    session : str
        The session of logs whose names tell none.
    by : By
        Who, when and why.

    Raises
    ------
    FaultsError
        With every fault; no log was taken in then.
    """
    if guess.new:
        enter_names(bench_folder, guess.new, by=by)
    bench = read_bench(bench_folder)
    usual = {"session": session} if session else {}
    rows = [
        _IndexRow(f"the guess of {path.name}", 0, path.resolve(), {**usual, **said})
        for path, said in guess.fields.items()
    ]
    candidates, over = _gather_logs([], rows, None, Naming(), bench)
    return _taken_in(bench, candidates, over, by)


_SEVERAL_RUNS = (
    "to leave some of a log's runs out, enter the layout first (`marginbook new layout LOG --write "
    "BENCH`) and name the others under parts, keep; else each is taken in"
)


def _layouts(
    bench: Bench, folder: Path
) -> tuple[dict[str, Any], dict[Path, str], list[tuple[Path, str]], list[tuple[str, str]]]:
    """Return new layouts, the layout of each log, what is no log, what new layouts leave unsure."""
    unsure: list[tuple[str, str]] = []
    new: dict[str, Any] = {}
    models = dict(bench.layouts)
    fits: dict[Path, str] = {}
    over: list[tuple[Path, str]] = []
    for path in _files_in(folder):
        fitting = next((name for name in models if _reads(path, models[name])), "")
        if not fitting and path.suffix in _NO_LOGS:
            over.append((path, "no log by its ending"))
            continue
        if not fitting:
            try:
                proposal = propose_layout(path)
            except RunFileError as error:
                over.append((path, _first_fault(error)))
                continue
            fitting = proposal.name + (f"-{len(models)}" if proposal.name in models else "")
            new[fitting] = dict(proposal.layout)
            unsure += [(fitting, said) for said in proposal.ambiguities]
            models[fitting] = Layout.model_validate(proposal.layout)
            runs = Log.parts_of(path, models[fitting], file=path.name)
            if len(runs) > 1:
                unsure.append((fitting, f"{_SEVERAL_RUNS}: {', '.join(runs)}"))
        fits[path] = fitting
    return new, fits, over, unsure


def _reads(path: Path, layout: Layout) -> bool:
    try:
        Log.runs_of(path, layout, file=path.name)
    except RunFileError:
        return False
    return True


def _tokens(path: Path) -> tuple[str, ...]:
    """Return the parts of a path and name: folders, what `_` or space parts, a number at the end.

    >>> _tokens(Path("a/canyon-1.csv")), _tokens(Path("accelerator-a_canyon_1.csv.gz"))
    (('a', 'canyon', '1'), ('accelerator-a', 'canyon', '1'))
    """
    name = _ENDINGS.sub("", path.name)
    folders = [part for piece in path.parent.parts for part in piece.split("_")]
    parts = [p for p in (*folders, *re.split("_+" if "_" in name else r"\s+", name)) if p]
    end = re.fullmatch(r"(.*[^\d-])-?(\d{1,3})", parts[-1])
    return (*parts[:-1], end[1], end[2]) if end and "-" in parts[-1] else tuple(parts)


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", bare_letters(text).lower()).strip("-") or "x"


def _slugs(known: Mapping[str, Any]) -> dict[str, str]:
    """Return what stands for each id in a name: the id, and its name."""
    return {_slug(m.name): key for key, m in known.items()} | {_slug(key): key for key in known}


def _name_columns(columns: Sequence[Sequence[str]], bench: Bench) -> list[str]:
    """Return what each part of the names is: a field, or nothing where it is passed over."""
    names = [""] * len(columns)
    places = range(len(columns))
    for what in ("product", "title"):
        slugs = _slugs(getattr(bench, f"{what}s"))
        shares = [sum(_slug(v) in slugs for v in column) / len(column) for column in columns]
        best = max(places, key=lambda i: shares[i])
        if shares[best] > 0.5 and not names[best]:
            names[best] = what
    digits = [i for i in places if not names[i] and all(v.isdigit() for v in columns[i])]
    if digits:
        names[digits[-1]] = "pass"
    left = [i for i in places if not names[i] and i not in digits]
    # What varies tells more than what all names share. The order is that of README's pattern.
    left.sort(key=lambda i: len(set(columns[i])) == 1)
    missing = [what for what in ("product", "title") if what not in names]
    for what, i in zip(missing, sorted(left[: len(missing)]), strict=False):
        names[i] = what
    session = [i for i in left[len(missing) :] if len(set(columns[i])) > 1]
    if session:
        names[session[0]] = "session"
    return names
