"""Logs on their way into a bench: found, described, and read once through their layout."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from kit.bench.fields import IndexRow, Naming, describe_log, find_logs, fits_glob, merge_fields
from kit.errors import Fault, FaultsError, RunFileError
from kit.logs.read import Log, read_log
from kit.settings.bench_file import Bench


@dataclass(slots=True)
class Candidate:
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


def gather_logs(
    given: Sequence[Path],
    rows: Sequence[IndexRow],
    index: Path | None,
    naming: Naming,
    bench: Bench,
) -> tuple[list[Candidate], list[tuple[str, str]]]:
    """Return every log with its fields, and what was passed over and why.

    Raises
    ------
    RunFileError
        With the faults of all logs: not read through a layout, or not described in one way.
    """
    by_path = {_real(row.log): row for row in rows if row.log is not None}
    faults: list[Fault] = []
    found: list[Candidate] = []
    if given:
        paths, passed = find_logs(given, bench)
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
            fields = describe_log(path, shown=shown, naming=naming, row=row, bench=bench)
            found.append(_read(path, shown, fields, bench))
        except FaultsError as error:
            faults += error.faults
    for row in rows if not given else ():
        if row.log is None:
            place = f"{row.file}, line {row.line}"
            try:
                sources = [("an option", naming.options), (place, row.fields)]
                found.append(Candidate(place, merge_fields(sources, shown=place)))
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


def _read(path: Path, shown: str, fields: dict[str, str], bench: Bench) -> Candidate:
    """Read a log through its layout, found among those declared if it is not named."""
    named = fields.get("layout")
    if named is not None and named not in bench.layouts:
        known = ", ".join(sorted(bench.layouts)) or "none"
        raise RunFileError(
            [Fault(shown, f'no layout "{named}" in bench.yaml; known: {known}', key="layout")]
        )
    if not path.name.isprintable() or path.name != path.name.strip():
        raise RunFileError(
            [Fault(shown, "the file name holds characters that do not show; rename the log")]
        )
    name, log = (
        (named, read_log(path, bench.layouts[named], file=shown))
        if named
        else (recognise_layout(path, bench, shown=shown))
    )
    note = ""
    if log.backward_rows:
        note = f"{len(log.backward_rows)} stamps do not advance"
    return Candidate(
        shown,
        {**fields, "layout": name},
        path,
        log.sha256,
        log.size_bytes,
        int(log.frame_ms.size),
        float(log.frame_ms.sum()) / 1000.0,
        note,
    )


def recognise_layout(path: Path, bench: Bench, *, shown: str) -> tuple[str, Log]:
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
        if not fits_glob(path.name, layout.files):
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
        raise RunFileError(
            [
                Fault(
                    shown, f"fits the layouts {' and '.join(fitting)}; name the right one", key=None
                )
            ]
        )
    tried = [name for name in reasons if not reasons[name].startswith("is for ")]
    if len(tried) == 1:  # its faults are the log's faults
        raise RunFileError(faults)
    why = "; ".join(f"{name}: {reason}" for name, reason in reasons.items())
    raise RunFileError([Fault(shown, f"fits no layout of the bench ({why or 'none is declared'})")])
