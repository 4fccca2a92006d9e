"""Is a bench what its journal says? Every log and row compared, every difference named.

A quick look hashes the logs whose size or time is not as it was taken in; the others are hashed
when they are read. A full look hashes all. Nothing is written and nothing is mended.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import logging
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

from kit.bench.journal import JOURNAL, Anchor, BenchState, Entry, Journal, Kept
from kit.bench.runs import RunRow, SheetText
from kit.bench.transaction import sheet_path, unfinished
from kit.errors import BenchError, Fault, RunFileError
from kit.rounding import grouped
from kit.trace import file_sha256

Depth = Literal["names", "quick", "full"]

_PROGRESS = logging.getLogger("marginbook.progress")
_LINE_ENDS_BYTES = 64 * 1024 * 1024  # of a log that is compared but for its line ends
_SHOWN = 3  # of a kind, in lines for people
# Cells that say what a run is; a change of others is told, too, but not as loudly.
_IDENTITY = ("product", "title", "log", "part", "layout", "session", "began")

# What each kind of difference is called, whether a review may not be made of it, and what to do.
KINDS: Mapping[str, tuple[str, bool, str]] = {
    "journal": ("of the journal itself", True, ""),
    "altered": (
        "altered",
        True,
        "put back the recorded file from a copy; to leave the run out: `marginbook bench retire`",
    ),
    "line_ends": (
        "line ends changed",
        True,
        "git changes line ends where .gitattributes does not forbid it: add `logs/** "
        "-text` to the bench's .gitattributes, delete the logs, and check them out again",
    ),
    "vanished": (
        "vanished",
        True,
        "put the file back from a copy; if it is lost, say so in the row's status and reason, then "
        "`marginbook bench adopt`",
    ),
    "link": ("not the file itself", False, "copy the log itself into the bench"),
    "unreadable": ("not readable", True, "give yourself the right to read it"),
    "row_gone": (
        "row gone",
        False,
        "put the row back; if it may go, `marginbook bench adopt` with the reason",
    ),
    "row_changed": (
        "row changed by hand",
        False,
        "put it back (`marginbook bench move-run` is the way to move a run), or `marginbook bench "
        "adopt` with the reason",
    ),
    "row_new": ("row not in the journal", False, "`marginbook bench adopt`"),
    "orphaned": (
        "orphaned",
        False,
        "no row names this log: `marginbook add` it with its row, or put the row back",
    ),
    "unjournalled": ("not in the journal", False, "`marginbook bench adopt`"),
    "clock": ("out of order in time", False, "see which clock was wrong"),
}


@dataclass(frozen=True, slots=True)
class _Difference:
    """One thing in a bench that is not what its journal says.

    Attributes
    ----------
    kind : str
        A key of `KINDS`.
    file, message : str
        Where, and what is different.
    run : str
        The run it is of, where it is of one.
    line : int, optional
        Line of the file, counted from 1.
    """

    kind: str
    file: str
    message: str
    run: str = ""
    line: int | None = None

    @property
    def fault(self) -> Fault:
        """The same as a fault: where, what, what to do."""
        remedy = KINDS[self.kind][2]
        return Fault(self.file, f"{self.message}{f'; {remedy}' if remedy else ''}", line=self.line)


@dataclass(frozen=True, slots=True)
class Evidence:
    """How a bench stands beside its journal.

    Attributes
    ----------
    differences : tuple of Difference
        Everything that is not what the journal says.
    entries, anchored : int
        Entries of the journal, and how many of them sealed reviews carry; -1 entries where there is
        no journal.
    hashed, logs : int
        How many logs were hashed here, and how many the journal knows.
    notes : tuple of str
        A last line cut short, an act under way.
    """

    differences: tuple[_Difference, ...]
    entries: int
    anchored: int
    anchored_in: str = ""
    hashed: int = 0
    logs: int = 0
    notes: tuple[str, ...] = ()

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What no review may rest on."""
        return tuple(d.fault for d in self.differences if KINDS[d.kind][1])

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return {
            "entries": self.entries, "anchored": self.anchored, "anchored_in": self.anchored_in,
            "logs": self.logs, "hashed": self.hashed, "notes": list(self.notes),
            "differences": [
                {"kind": d.kind, "file": d.file, "run": d.run, "line": d.line,
                 "message": d.fault.message}
                for d in self.differences
            ],
        }  # fmt: skip

    def to_lines(self) -> list[str]:
        """Return lines for people: the journal, then each kind of difference with some examples."""
        if self.entries < 0:
            lines = ["journal: none; `marginbook bench adopt BENCH` begins it"]
        else:
            lines = [f"journal: {self.entries} entries, {self._anchored()}; {self._looked_at()}"]
        lines += [f"  {note}" for note in self.notes]
        for kind, found in grouped((d.kind, d) for d in self.differences).items():
            words, _, remedy = KINDS[kind]
            lines.append(f"  {len(found)} {words}" + (f": {remedy}" if remedy else ""))
            lines += [f"    {Fault(d.file, d.message, line=d.line)}" for d in found[:_SHOWN]]
            if len(found) > _SHOWN:
                lines.append(f"    and {len(found) - _SHOWN} more (--json lists all)")
        return lines

    def _anchored(self) -> str:
        left = self.entries - self.anchored
        if not self.anchored:
            return "none anchored in a sealed review yet"
        told = f"{self.anchored} anchored (review {self.anchored_in})"
        return told + (f", {left} since then not" if left else "")

    def _looked_at(self) -> str:
        whole = self.hashed >= self.logs
        how = "" if whole else "; size and time of the others are as taken in (--full hashes all)"
        return f"{self.hashed} of {self.logs} logs hashed{how}"


def check_evidence(
    folder: Path,
    *,
    depth: Depth = "quick",
    read: Mapping[str, str] | None = None,
    against: Sequence[Anchor] = (),
) -> Evidence:
    """Compare a bench with its journal.

    Parameters
    ----------
    folder : Path
        The bench.
    depth : str
        "names" hashes nothing; "quick" hashes logs whose size or time is not as it was taken in;
        "full" hashes all.
    read : mapping of str to str, optional
        SHA-256 of logs that were read just now, by file: they are not hashed again.
    against : sequence of Anchor
        Anchors from sealed reviews, besides those the bench lists.

    Returns
    -------
    Evidence
        Every difference. A journal that is damaged is one, too.
    """
    name = f"{folder.name}/{JOURNAL}"
    try:
        journal = Journal.read(folder)
        anchors = (*Anchor.read_all(folder), *against)
    except BenchError as error:
        return Evidence(tuple(_of_faults(error.faults)), 0, 0)
    if not journal.there:
        lost = [
            f'is gone: it had {a.length} entries when review "{a.review}" was sealed; put it back '
            "from a copy"
            for a in anchors[-1:]
        ]
        return Evidence(tuple(_Difference("journal", name, said) for said in lost), -1, 0)
    look = _Look.at(folder, journal)
    found = _of_faults(journal.faults_against(anchors, file=name))
    notes = []
    if journal.torn_bytes:
        notes.append(
            f"the last line of the journal was cut short ({journal.torn_bytes} bytes); the next "
            "act takes it away"
        )
    logs, hashed = look.logs(depth, read or {})
    found += logs
    if unfinished(folder):
        notes.append("an act was cut short, or is under way; the next one completes or undoes it")
    else:
        found += [*look.changed_rows(), *look.strays()]
    found += look.clocks()
    good = [a for a in anchors if a.length <= len(journal.entries)]
    last = max(good, key=lambda a: a.length, default=None)
    return Evidence(
        tuple(found),
        len(journal.entries),
        last.length if last else 0,
        last.review if last else "",
        hashed,
        len(look.state.logs),
        tuple(notes),
    )


def _of_faults(faults: Iterable[Fault]) -> list[_Difference]:
    """Return faults of a journal as differences."""
    return [_Difference("journal", f.file, f.message, line=f.line) for f in faults]


def refuse_altered(rows: Iterable[RunRow], folder: Path, hashes: Mapping[str, str]) -> None:
    """Refuse logs, just read, that are not those the journal of their bench has.

    Parameters
    ----------
    rows : iterable of RunRow
        The runs read.
    folder : Path
        The bench.
    hashes : mapping of str to str
        SHA-256 of each run's log, by run.

    Raises
    ------
    BenchError
        If the journal is damaged.
    RunFileError
        With each log that was altered since it was taken in.
    """
    known = Journal.read(folder).replay().logs
    RunFileError.raise_if(
        _unlike(folder, row.log, known[row.log], row.run).fault
        for row in rows
        if row.log in known and hashes.get(row.run, "") not in {"", known[row.log].sha256}
    )


def explain_unreadable(error: RunFileError, folder: Path) -> RunFileError:
    """Return the faults of logs that could not be read; first those altered since taken in.

    Parameters
    ----------
    error : RunFileError
        As reading raised it.
    folder : Path
        The bench of the logs.
    """
    try:
        known = Journal.read(folder).replay().logs
    except BenchError:
        return error  # told by whoever reads the journal next
    altered = [
        _unlike(folder, file, known[file]).fault
        for file in dict.fromkeys(f.file for f in error.faults)
        if file in known
        and (folder / file).is_file()
        and _hash_or_why(folder, file) != known[file].sha256
    ]
    return RunFileError([*altered, *error.faults])


def logs_in_folder(folder: Path) -> list[str]:
    """Return every file below `logs/` of a bench, but hidden ones, by its name in the bench."""
    found = []
    for root, folders, files in os.walk(folder / "logs"):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        base = Path(root).relative_to(folder).as_posix()
        found += [f"{base}/{name}" for name in sorted(files) if not name.startswith(".")]
    return found


@dataclass(frozen=True, slots=True)
class _Look:
    """A bench beside its journal, looked at from several sides.

    `rows` are the filled cells of the run sheet by run, `lines` the lines of those rows.
    """

    folder: Path
    journal: Journal
    state: BenchState
    rows: Mapping[str, Mapping[str, str]]
    lines: Mapping[str, int]

    @classmethod
    def at(cls, folder: Path, journal: Journal) -> _Look:
        """Read the run sheet, if there is one, and return the look at the bench."""
        path, rows, lines = sheet_path(folder), {}, {}
        if path.exists():
            sheet = SheetText.parse(path.read_bytes(), file=f"{folder.name}/runs.csv")
            if "run" in sheet.header:
                place, rows = sheet.header.index("run"), sheet.by_run()
                lines = {cells[place]: line for line, cells in sheet.rows}
        return cls(folder, journal, journal.replay(), rows, lines)

    @property
    def sheet(self) -> str:
        """The name differences give the run sheet."""
        return f"{self.folder.name}/runs.csv"

    def of_row(self, kind: str, run: str, message: str) -> _Difference:
        """Return a difference in a row of the run sheet."""
        return _Difference(kind, self.sheet, message, run, self.lines.get(run))

    def logs(self, depth: Depth, read: Mapping[str, str]) -> tuple[list[_Difference], int]:
        """Return what is wrong with logs the journal has, and how many were hashed."""
        found: list[_Difference] = []
        first, rest = [], []
        run_of = {cells.get("log", ""): run for run, cells in self.rows.items()}
        for file, kept in self.state.logs.items():
            path, run = self.folder / file, run_of.get(file, "")
            try:
                stat = path.lstat()
                if path.is_symlink():
                    said = f"is a symbolic link to {str(path.readlink())[:80]}"
                    found.append(_Difference("link", file, said, run))
                    stat = path.stat()
            except OSError:
                said = f"came with {kept.entry.in_words()} and is not here"
                moved = _moved_to(self.folder, file)
                found.append(_Difference("vanished", file, said + moved, run))
                continue
            as_it_was = (stat.st_size, stat.st_mtime_ns) == (kept.size_bytes, kept.modified_ns)
            if file in read:
                if read[file] != kept.sha256:
                    found.append(_unlike(self.folder, file, kept, run))
            elif not as_it_was and depth != "names":
                first.append(file)
            elif depth == "full":
                rest.append(file)
        todo = [*first, *rest]
        with ThreadPoolExecutor(2) as pool:
            hashes = pool.map(partial(_hash_or_why, self.folder), todo)
            for done, (file, sha) in enumerate(zip(todo, hashes, strict=True), 1):
                _PROGRESS.info("hashing logs: %d of %d", done, len(todo))
                kept = self.state.logs[file]
                if sha.startswith("!"):
                    found.append(_Difference("unreadable", file, f"cannot be read: {sha[1:]}"))
                elif sha != kept.sha256:
                    found.append(_unlike(self.folder, file, kept, run_of.get(file, "")))
        return found, len(todo) + len(self.state.logs.keys() & read.keys())

    def changed_rows(self) -> Iterator[_Difference]:
        """Yield rows that are gone or changed."""
        run_of = {cells["log"]: run for run, cells in self.rows.items() if cells.get("log")}
        for run, (was, entry) in self.state.rows.items():
            now = self.rows.get(run)
            if now is None:
                other = run_of.get(was.get("log", ""))
                told = f'; its log is that of run "{other}" now' if other else ""
                said = f'run "{run}" of {entry.in_words()} has no row any more{told}'
                yield self.of_row("row_gone", run, said)
            elif now != was:
                yield self.of_row("row_changed", run, _cells_apart(run, was, now, entry))

    def strays(self) -> Iterator[_Difference]:
        """Yield rows and logs the journal does not have, and logs that no row names."""
        for run in self.rows:
            if run not in self.state.rows:
                yield self.of_row("row_new", run, f'run "{run}" was written by hand')
        known = self.state.logs
        named = {cells["log"] for cells in self.rows.values() if cells.get("log")}
        for log in sorted(named - known.keys()):
            if (self.folder / log).is_file():
                yield _Difference("unjournalled", log, "a row names it, the journal does not")
        for log in logs_in_folder(self.folder):
            if log not in named:
                since = f"; it came with {known[log].entry.in_words()}" if log in known else ""
                yield _Difference("orphaned", log, f"no row of runs.csv names it{since}")

    def clocks(self) -> Iterator[_Difference]:
        """Yield entries dated before the one above, and runs begun after they were taken in."""
        latest = ""
        for entry in self.journal.entries:
            if entry.when and entry.when < latest:
                said = f"{entry.in_words()} is dated before the one above it"
                yield _Difference("clock", JOURNAL, said, line=entry.line)
            latest = max(latest, entry.when)
            if entry.act != "add" or not entry.when:
                continue
            for item in entry.of_kind("row"):
                run = item["run"]
                began = self.rows.get(run, {}).get("began", "")
                if _day(began) > _day(entry.when) + dt.timedelta(days=1):  # zones differ by a day
                    taken = f"after it was taken in ({entry.when[:10]})"
                    yield self.of_row("clock", run, f'run "{run}" began {began[:10]}, {taken}')


def _hash_or_why(folder: Path, file: str) -> str:
    """Return the SHA-256 of a log, or "!" and why it cannot be had."""
    try:
        return file_sha256(folder / file)
    except OSError as error:
        return f"!{error.strerror or error}"


def _moved_to(folder: Path, file: str) -> str:
    """Say which file differs from a vanished one in capitals only."""
    for other in logs_in_folder(folder):
        if other != file and other.lower() == file.lower():
            return f'; "{other}" differs from it in capitals only'
    return ""


def _unlike(folder: Path, file: str, kept: Kept, run: str = "") -> _Difference:
    """Return how a log differs from the one taken in."""
    path = folder / file
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= _LINE_ENDS_BYTES else b""
    except OSError as error:
        return _Difference("unreadable", file, f"cannot be read: {error.strerror or error}", run)
    bare = data.replace(b"\r\n", b"\n")
    for other in (bare, bare.replace(b"\n", b"\r\n")):
        if other != data and hashlib.sha256(other).hexdigest() == kept.sha256:
            said = "holds what was taken in, but with other line ends"
            return _Difference("line_ends", file, said, run)
    then = "" if size == kept.size_bytes else f", {kept.size_bytes} then"
    what = f"was altered after it was taken in ({size} bytes{then})" if size else "is empty now"
    said = f"{what}: not SHA-256 {kept.sha256[:12]}... of {kept.entry.in_words()}"
    return _Difference("altered", file, said, run)


def _cells_apart(run: str, was: Mapping[str, str], now: Mapping[str, str], entry: Entry) -> str:
    """Say which cells of a row are not those of the journal, what the run is first."""
    names = [n for n in dict.fromkeys([*_IDENTITY, *was, *now]) if was.get(n) != now.get(n)]
    told = [f"{n} is {now.get(n, '')[:40]!r}, was {was.get(n, '')[:40]!r}" for n in names[:4]]
    more = f" and {len(names) - 4} more cells" if len(names) > 4 else ""
    return f'run "{run}" is not as in {entry.in_words()}: {", ".join(told)}{more}'


def _day(text: str) -> dt.date:
    """Return the day a moment of ISO 8601 begins with; the first there is where it has none."""
    try:
        return dt.date.fromisoformat(text[:10])
    except ValueError:
        return dt.date.min
