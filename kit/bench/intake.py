"""Taking recorded logs into a bench: copied unchanged, checked, a run-sheet row for each.

Every log is read through its layout before anything is written, and all faults are told at once.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from kit.bench.fields import Naming, read_index
from kit.bench.journal import STAGING, Copy, hash_file, locked_bench, sheet_path
from kit.bench.new_logs import Candidate, gather_logs
from kit.bench.runs import sheet_file
from kit.bench.sheet import SheetText, parse_sheet_text, write_sheet_text
from kit.bench.sheet_rows import KNOWN_COLUMNS, RunRow, parse_run_sheet
from kit.bench.transaction import commit, recover, undo_last
from kit.errors import BenchError, Fault, UsageError
from kit.settings.bench_file import NEW_SHEET, Bench, read_bench

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Intake", "TakenIn", "add_logs", "undo_last"]

# Rows that are not in the file yet are given lines no file has, to tell their faults apart.
_NEW_LINE = 10**9


@dataclass(frozen=True, slots=True)
class TakenIn:
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

    taken: tuple[TakenIn, ...]
    dry_run: bool
    recovered: str = ""

    @property
    def added(self) -> tuple[TakenIn, ...]:
        """What was added, or would be."""
        return tuple(one for one in self.taken if one.action == "added")

    @property
    def skipped(self) -> tuple[TakenIn, ...]:
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

        rows = [
            {
                "source": one.source,
                "action": one.action,
                "run": one.row.run if one.row else "",
                "product": one.row.product if one.row else "",
                "title": one.row.title if one.row else "",
                "layout": one.row.layout if one.row else "",
                "session": one.row.session if one.row else "",
                "began": one.row.began.isoformat() if one.row and one.row.began else "",
                "file": one.file,
                "frames": one.frames,
                "duration_s": one.duration_s,
                "reason": one.reason,
                "sha256": one.sha256,
            }
            for one in self.taken
        ]
        names = ("source", "action", "run", "product", "title", "layout", "session", "began")
        rest = ("file", "frames", "duration_s", "reason", "sha256")
        return pd.DataFrame(rows, columns=pd.Index([*names, *rest]))


def add_logs(
    bench_folder: Path,
    logs: Iterable[Path] = (),
    *,
    layout: str | None = None,
    product: str | None = None,
    title: str | None = None,
    session: str | None = None,
    run: str | None = None,
    began: dt.datetime | str | None = None,
    conditions: Mapping[str, str] | None = None,
    pattern: str | None = None,
    index: Path | None = None,
    maps: Mapping[str, Mapping[str, str]] | None = None,
    columns: Mapping[str, str] | None = None,
    dry_run: bool = False,
) -> Intake:
    """Take recorded logs into a bench.

    Parameters
    ----------
    bench_folder : Path
        The bench.
    logs : iterable of Path
        Files and folders. May be left out where `index` names the logs.
    layout, product, title, session, run, began : str, optional
        What holds for every log. Without a layout, the one declared layout that fits is taken.
        Without a run id, the log's name up to its first dot.
    conditions : mapping of str to str, optional
        Recorded conditions that hold for every log.
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
    moment = began.isoformat() if isinstance(began, dt.datetime) else began
    options = {
        "layout": layout,
        "product": product,
        "title": title,
        "session": session,
        "run": run,
        "began": moment,
    }
    naming = Naming(
        {**{k: v for k, v in options.items() if v}, **(conditions or {})},
        pattern or "",
        maps or {},
        columns or {},
    )
    rows = read_index(index, naming) if index else ()
    candidates, passed_over = gather_logs(list(logs), rows, index, naming, bench)
    over = [TakenIn(shown, "passed over", reason) for shown, reason in passed_over]
    if not candidates and not over:
        raise UsageError("there is no log to take in: name files, folders or an index")
    if dry_run:
        intake, _ = _plan(bench, candidates)
        return Intake((*intake.taken, *over), True)
    with locked_bench(bench_folder):
        recovered = recover(bench_folder)
        intake, change = _plan(bench, candidates)
        if change is not None:
            commit(
                bench_folder,
                rows={one.row.run: one.row.row_sha256 for one in intake.added if one.row},
                copies=change.copies,
                before=change.before,
                after=change.after,
            )
    return Intake((*intake.taken, *over), False, recovered)


@dataclass(frozen=True, slots=True)
class _Change:
    """What a take-in does to a bench."""

    copies: tuple[Copy, ...]
    before: bytes | None
    after: bytes


def _plan(bench: Bench, candidates: Sequence[Candidate]) -> tuple[Intake, _Change | None]:
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
        TakenIn(one.shown, "added", one.note, one.file, one.sha256, one.frames, one.duration_s, row)
        for one, row in zip(new, rows, strict=True)
    ]
    intake = Intake((*added, *skipped), True)
    if not new:
        return intake, None
    copies = tuple(
        Copy(str(one.path), one.file, one.sha256) for one in new if one.copy and one.path
    )
    return intake, _Change(copies, before, _sheet_with(before, sheet, header, new))


def _fresh(
    bench: Bench, sheet: SheetText, candidates: Sequence[Candidate]
) -> tuple[list[Candidate], list[TakenIn]]:
    """Return copies of the candidates that are new, and what is known already."""
    column = {name: i for i, name in enumerate(sheet.header)}
    known: dict[int, list[tuple[str, str]]] = {}  # size -> (log, run)
    for _, cells in sheet.rows:
        log = cells[column["log"]] if "log" in column else ""
        place = bench.folder / log
        if log and place.is_file():
            known.setdefault(place.stat().st_size, []).append((log, cells[column["run"]]))
    runs = {cells[column["run"]] for _, cells in sheet.rows} if "run" in column else set()
    new: list[Candidate] = []
    skipped: list[TakenIn] = []
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
            skipped.append(TakenIn(one.shown, "skipped", reason, sha256=one.sha256))
        else:
            new.append(replace(one, fields=dict(one.fields)))
    return new, skipped


def _name_copies(bench: Bench, new: Sequence[Candidate]) -> None:
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


def _name_runs(sheet: SheetText, new: Sequence[Candidate]) -> None:
    """Give each new row without a run id one made of its log's name."""
    column = {name: i for i, name in enumerate(sheet.header)}
    place = column.get("run")
    used = {cells[place] for _, cells in sheet.rows} if place is not None else set()
    used |= {one.fields["run"] for one in new if "run" in one.fields}
    for one in new:
        one.fields["log"] = one.file
        if "run" in one.fields or one.path is None:
            continue
        name = PurePosixPath(one.file).name
        stem = re.sub(r"[^A-Za-z0-9._-]+", "-", name[:1] + name[1:].partition(".")[0])
        stem = stem.strip("-")[:100] or "run"  # in a spreadsheet "-x" would be a formula
        run, number = stem, 1
        while run in used:
            number += 1
            run = f"{stem}-{number}"
        used.add(run)
        one.fields["run"] = run


def _header_for(sheet: SheetText, new: Sequence[Candidate]) -> tuple[str, ...]:
    """Return the columns of the sheet, and after them those that the new rows need."""
    needed = dict.fromkeys(name for one in new for name, text in one.fields.items() if text)
    known = [name for name in KNOWN_COLUMNS if name in needed]
    conditions = [name for name in needed if name not in KNOWN_COLUMNS]
    return tuple(dict.fromkeys([*sheet.header, *known, *conditions]))


def _checked_rows(
    bench: Bench, sheet: SheetText, header: tuple[str, ...], new: Sequence[Candidate]
) -> tuple[RunRow, ...]:
    """Return the new rows as the run sheet will give them, or raise all that is wrong."""
    pad = ("",) * (len(header) - len(sheet.header))
    rows = [(line, (*cells, *pad)) for line, cells in sheet.rows]
    rows += [(_NEW_LINE + i, _cells(header, one)) for i, one in enumerate(new)]
    try:
        whole = parse_run_sheet(replace(sheet, header=header, rows=tuple(rows)), bench)
    except BenchError as error:
        faults = [
            Fault(new[fault.line - _NEW_LINE].shown, fault.message, key=fault.key)
            if fault.line is not None and fault.line >= _NEW_LINE
            else fault
            for fault in error.faults
        ]
        raise BenchError(faults) from None
    return whole[len(sheet.rows) :]


def _cells(header: Sequence[str], one: Candidate) -> tuple[str, ...]:
    """Return the cells of a new row; a line of text stays on one line of the sheet."""
    texts = [one.fields.get(name, "") for name in header]
    return tuple(text if text.isprintable() else " ".join(text.split()) for text in texts)


def _sheet_with(
    before: bytes | None,
    sheet: SheetText,
    header: tuple[str, ...],
    new: Sequence[Candidate],
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
