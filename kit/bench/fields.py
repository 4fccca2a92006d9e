"""What is said of a log being taken in: by options, its name, an index, and files beside it.

Every source may say something; two that disagree are a fault, never a silent choice.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from kit.bench.sheet import read_sheet_text
from kit.errors import BenchError, Fault, RunFileError, UsageError
from kit.settings.bench_file import Bench
from kit.settings.yaml_file import read_yaml, written_text

CONDITIONS_FILE = "conditions.yaml"
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_FIELD = re.compile(r"[a-z0-9][a-z0-9._-]*|_", re.ASCII)
_CLOSED_FIELDS = ("product", "title", "layout")


@dataclass(frozen=True, slots=True)
class Naming:
    """How the fields of run-sheet rows are found for logs.

    Attributes
    ----------
    options : mapping of str to str
        Fields that hold for every log, by column of the run sheet.
    pattern : str
        Of file names, such as ``{title}-t{product}-{session}.csv``; `{_}` is passed over. Without
        an ending it is compared with the name up to its first dot.
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
class IndexRow:
    """One row of an index: the log it names (None where a run left none), and its fields."""

    file: str
    line: int
    log: Path | None
    fields: Mapping[str, str]


def read_index(path: Path, naming: Naming) -> tuple[IndexRow, ...]:
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
    rows: list[IndexRow] = []
    for line, cells in sheet.rows:
        fields = {name: cell for name, cell in zip(names, cells, strict=True) if name and cell}
        log = fields.pop("file", "")
        place = path.parent / log.replace("\\", "/") if log else None
        rows.append(IndexRow(path.name, line, place, fields))
    return tuple(rows)


def find_logs(given: Iterable[Path], bench: Bench) -> tuple[list[Path], list[tuple[Path, str]]]:
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
            if not globs or all(glob and not fits_glob(found.name, glob) for glob in globs):
                passed_over.append((found, "no layout of the bench is for files of that name"))
            else:
                logs.append(found)
    return list(dict.fromkeys(logs)), passed_over


def fits_glob(name: str, glob: str | None) -> bool:
    """Return whether a layout's `files` accepts a file name; without one it accepts all."""
    return glob is None or fnmatch.fnmatchcase(name, glob)


def describe_log(
    path: Path, *, shown: str, naming: Naming, row: IndexRow | None, bench: Bench
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
        fields = match_name(path.name, naming, bench, shown=shown)
        sources.append(("the file name", _mapped(fields, naming)))
    if row is not None:
        sources.append((f"{row.file}, line {row.line}", _mapped(row.fields, naming)))
    sources += [(name, _mapped(fields, naming)) for name, fields in beside]
    return merge_fields(sources, shown=shown)


def merge_fields(sources: Sequence[tuple[str, Mapping[str, str]]], *, shown: str) -> dict[str, str]:
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


def _mapped(fields: Mapping[str, str], naming: Naming) -> dict[str, str]:
    """Return fields with texts replaced by what they stand for."""
    return {name: naming.maps.get(name, {}).get(text, text) for name, text in fields.items()}


def _beside(path: Path) -> list[tuple[str, dict[str, str]]]:
    """Return what YAML files beside a log say; its own file goes before that of the folder."""
    own = [path.with_name(path.name + ".yaml"), path.with_name(_stem(path.name) + ".yaml")]
    found = [place for place in dict.fromkeys(own) if place.is_file() and place != path]
    said = [(place.name, _conditions_in(place)) for place in found]
    common = path.with_name(CONDITIONS_FILE)
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


def match_name(name: str, naming: Naming, bench: Bench, *, shown: str) -> dict[str, str]:
    """Return the fields a file name holds by the pattern.

    Raises
    ------
    RunFileError
        If the name does not fit, or fits in two ways.
    UsageError
        If the pattern itself cannot be used.
    """
    literal_end = naming.pattern.rpartition("}")[2]
    text = name if "." in literal_end else _stem(name)
    for known, strict in ((bench, True), (bench, False), (None, False)):
        first, last = (
            re.fullmatch(pattern_to_regex(naming, known, greedy=greedy, strict=strict), text)
            for greedy in (False, True)
        )
        if first is None or last is None:
            continue
        # Where no product or title is known, the run sheet's own check tells which is not.
        if known is not None and first.groupdict() != last.groupdict():
            raise RunFileError(
                [
                    Fault(
                        shown,
                        f"the name fits the pattern {naming.pattern!r} in two ways: "
                        f"{_said(first)} or {_said(last)}; use an index",
                    )
                ]
            )
        return first.groupdict()
    raise RunFileError([Fault(shown, f"the name does not fit the pattern {naming.pattern!r}")])


def _said(match: re.Match[str]) -> str:
    return ", ".join(f"{name} {text}" for name, text in match.groupdict().items())


def pattern_to_regex(naming: Naming, bench: Bench | None, *, greedy: bool, strict: bool) -> str:
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


def _known_texts(name: str, naming: Naming, bench: Bench | None) -> set[str]:
    """Return the texts a field can hold, or an empty set where it can hold any."""
    if bench is None or name not in _CLOSED_FIELDS:
        return set()
    known: Mapping[str, Mapping[str, object]] = {
        "product": bench.products,
        "title": bench.titles,
        "layout": bench.layouts,
    }
    return {*known[name], *naming.maps.get(name, {})}
