"""Changing a bench in one step: logs, sheet, bench file and journal together, or not at all.

The step that decides is the replacing of `runs.csv`, which the file system does at once. Everything
before it is undone, and everything after it completed, by whoever next works on the bench: a
process may be killed at any point. A lock keeps others out. The intent in the staging folder says
what is being done and is gone when it is done; what was done stands in the bench's own journal
(`kit.bench.journal`), whose lines the intent holds ready.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config

from kit.bench.journal import JOURNAL, By, Journal, append_lines, sync_folder
from kit.bench.runs import SheetText, hash_cells, log_name_problem
from kit.errors import BenchError
from kit.logs.unpacked import CHUNK_BYTES
from kit.trace import file_sha256

_PROGRESS = logging.getLogger("marginbook.progress")
_LOCK = ".bench.lock"
STAGING = ".taking-in"
_SHEET = "runs.csv"
_SHEET_BEFORE = ".before-last-act.csv"
_LOCK_SECONDS = 300.0
COMES = frozenset({"add", "merge"})  # acts whose rows are new
# What an act and what did not come of it are called, where it fails.
_FAILED = {"add": ("take-in", "added"), "merge": ("merge", "added"), "undo": ("undo", "taken back")}


@with_config(ConfigDict(extra="forbid"))
@dataclass(frozen=True, slots=True)
class Copy:
    """A log to be copied into the bench: from where, to which name in it, with which hash."""

    source: str
    file: str
    sha256: str


@with_config(ConfigDict(extra="forbid"))
@dataclass(frozen=True, slots=True)
class _Intent:
    """What is being done to a bench, written before any of it shows.

    Attributes
    ----------
    act : str
        What it is called in the journal.
    rows : mapping of str to str
        The SHA-256 of each row as it will be, by run; empty for a row that goes.
    sheet_after, sheet_before : str
        SHA-256 of runs.csv once it is done, and as it was; empty where there was none.
    lines : str
        What the journal of the bench gets.
    copies, removed : tuple of Copy
        Logs that come, and logs that go once the rows have changed.
    others : mapping of str to (str, str)
        SHA-256 of other files that change too, by name: as they were (empty where there was none)
        and as they will be.
    """

    act: str
    rows: Mapping[str, str]
    sheet_after: str
    sheet_before: str
    lines: str
    copies: tuple[Copy, ...] = ()
    removed: tuple[Copy, ...] = ()
    others: Mapping[str, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Change:
    """All that an act does to a bench, to be done at once.

    Attributes
    ----------
    act, by
        What it is called in the journal; who does it, when and why.
    rows : mapping of str to mapping of str to str
        The filled cells of each row as it will be, by run; None for a row that goes.
    before, after : bytes
        runs.csv as it was read (None if there was none), and as it is to be.
    items : sequence of mapping
        What the journal gets besides the sheet and its rows.
    copies, removed : sequence of Copy
        Logs that come, and logs that go once the rows have changed.
    others : mapping of str to (bytes, bytes)
        Other files that change, by name: as they were read (None if there was none), and as they
        are to be.
    """

    act: str
    by: By
    rows: Mapping[str, Mapping[str, str] | None]
    before: bytes | None
    after: bytes
    items: Sequence[Mapping[str, Any]] = ()
    copies: Sequence[Copy] = ()
    removed: Sequence[Copy] = ()
    others: Mapping[str, tuple[bytes | None, bytes]] = field(default_factory=dict)

    def _intent(self, folder: Path, bench: str) -> _Intent:
        """Return the same with hashes in place of bytes, and the lines the journal gets."""
        was, now = (_sha_of(data) if data is not None else "" for data in (self.before, self.after))
        old = {}
        if self.before is not None and self.act not in COMES:
            old = SheetText.parse(self.before, file=f"{folder.name}/{_SHEET}").by_run()
        items = [
            *self.items,
            {"kind": "sheet", "was": was, "now": now},
            *(
                {"kind": "row", "run": run, "was": old.get(run), "row": cells}
                for run, cells in self.rows.items()
            ),
        ]
        return _Intent(
            self.act,
            {run: hash_cells(cells) if cells else "" for run, cells in self.rows.items()},
            now,
            was,
            Journal.read(folder).lines_of(self.act, by=self.by, items=items, bench=bench),
            tuple(self.copies),
            tuple(self.removed),
            {
                name: (_sha_of(was) if was is not None else "", _sha_of(new))
                for name, (was, new) in self.others.items()
            },
        )


@contextlib.contextmanager
def held_bench(folder: Path, *, timeout_s: float = _LOCK_SECONDS) -> Iterator[str]:
    """Hold the bench against other acts, and complete or undo what a killed one left.

    The lock goes when its process does.

    Parameters
    ----------
    folder : Path
        The bench.
    timeout_s : float
        How long to wait for another process.

    Yields
    ------
    str
        What was completed or undone, for people; empty where there was nothing to do.

    Raises
    ------
    BenchError
        If the folder may not be written, another process holds it too long, or what was left is
        damaged.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(folder / _LOCK)
    try:
        lock.acquire(timeout=timeout_s)
    except Timeout:
        raise BenchError.at(
            folder.name,
            f"another take-in has held the bench for {timeout_s:g} s; wait until it is "
            "finished, then run again",
        ) from None
    except OSError as error:
        raise BenchError.at(folder.name, f"may not be written: {error.strerror or error}") from None
    try:
        yield _recover(folder)
    finally:
        lock.release()


def _hash_or_none(folder: Path, name: str) -> str | None:
    """Return the SHA-256 of a bench's file, if it is there."""
    return file_sha256(folder / name) if (folder / name).is_file() else None


def sheet_path(folder: Path) -> Path:
    """Return the run sheet's own path, also where `runs.csv` is a symbolic link."""
    return Path(os.path.realpath(folder / _SHEET))


def free_name(name: str, taken: Callable[[str], bool]) -> str:
    """Return a file's name, with a number before its ending where it is taken.

    >>> free_name("logs/a.csv.gz", {"logs/a.csv.gz", "logs/a-2.csv.gz"}.__contains__)
    'logs/a-3.csv.gz'
    """
    folder, slash, file = name.rpartition("/")
    stem, dot, ending = file[1:].partition(".")
    numbers, found = count(2), name
    while taken(found):
        found = f"{folder}{slash}{file[:1]}{stem}-{next(numbers)}{dot}{ending}"
    return found


def _sha_of(data: bytes) -> str:
    """Return the SHA-256 of bytes."""
    return hashlib.sha256(data).hexdigest()


def _write_synced(path: Path, data: bytes) -> None:
    """Write a file and wait until the disk has it."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _write_intent(staging: Path, intent: _Intent) -> None:
    """Write what is to be done; it is there whole or not at all."""
    _write_synced(staging / "intent.new", TypeAdapter(_Intent).dump_json(intent, indent=1))
    (staging / "intent.new").replace(staging / "intent.json")
    sync_folder(staging)


def _read_intent(staging: Path) -> _Intent | None:
    """Return what an act that was cut short was to do, or None if it did not get so far."""
    path = staging / "intent.json"
    if not path.exists():
        return None
    try:
        return TypeAdapter(_Intent).validate_json(path.read_bytes(), strict=True)
    except ValidationError:
        raise BenchError.at(
            f"{staging.name}/{path.name}",
            "is damaged; delete the folder once runs.csv and logs/ are as they should be",
        ) from None


def commit(folder: Path, change: Change, *, bench: str) -> None:
    """Do an act: copy logs into the bench and replace its files, all or nothing.

    Parameters
    ----------
    folder : Path
        The bench; the caller holds its lock.
    change : Change
        What is done. No file may have the name of a log that is copied.
    bench : str
        What `bench.yaml` calls the bench, for a journal that begins with this act.

    Raises
    ------
    BenchError
        If a log or a file changed meanwhile, a name is taken, or the disk refuses. The bench is
        then as it was.

    Notes
    -----
    Logs and new files are first written into the staging folder, then the intent, then each log
    gets its name, and last runs.csv is replaced: the step from which an act counts as done.
    """
    staging, intent = folder / STAGING, change._intent(folder, bench)
    act, undone = _FAILED.get(change.act, (change.act, "changed"))
    try:
        staging.mkdir()
        for number, copy in enumerate(change.copies):
            _PROGRESS.info("copying logs: %d of %d", number + 1, len(change.copies))
            _stage(copy, staging / str(number))
        _write_synced(staging / _SHEET, change.after)
        if change.before is not None:
            _write_synced(staging / "before.csv", change.before)
        for name, (before, after) in change.others.items():
            _write_synced(staging / name, after)
            _write_synced(staging / f"before-{name}", before or b"")
        _write_intent(staging, intent)
        for number, copy in enumerate(change.copies):
            _put(staging / str(number), folder / copy.file)
        for name, (before, _) in change.others.items():
            _replace_file(folder, name, staging / name, before)
        _replace_file(folder, _SHEET, staging / _SHEET, change.before)
    except OSError as error:
        _recover(folder)
        why = f"{error.strerror or error}: {Path(str(error.filename or '')).name}"
        raise BenchError.at(
            folder.name, f"the {act} failed ({why}); nothing was {undone}"
        ) from None
    except BenchError:
        _recover(folder)
        raise
    # The rows are in. What could not be cleared up now, the next act clears up.
    with contextlib.suppress(OSError):
        _finish(folder, intent)


def _recover(folder: Path) -> str:
    """Complete or undo what a killed process left; the caller holds the lock.

    Returns
    -------
    str
        What was done, for people; empty where there was nothing to do.

    Raises
    ------
    BenchError
        If the intent or the journal is damaged, or the journal went on otherwise meanwhile.
    """
    staging = folder / STAGING
    if not staging.exists():
        torn = append_lines(folder, "") if (folder / JOURNAL).exists() else 0
        said = f"the last line of the journal was cut short ({torn} bytes) and was taken away"
        return said if torn else ""
    intent = _read_intent(staging)
    if intent is None:
        shutil.rmtree(staging)
        return "an unfinished take-in was cleared away; nothing of it was in the bench"
    done = _is_done(folder, intent)
    if done:
        _finish(folder, intent)
    else:
        _roll_back(folder, intent)
    words = {"add": "a take-in", "undo": "taking back"}.get(intent.act, intent.act)
    how = "completed" if done else "undone"
    return f"{words} of {len(intent.rows)} runs that was cut short was {how}"


def unfinished(folder: Path) -> bool:
    """Return whether an act was cut short in a bench, or is under way; the next one sees to it."""
    return (folder / STAGING).exists()


def _is_done(folder: Path, intent: _Intent) -> bool:
    """Return whether the rows of an act have come to be as they should."""
    path = sheet_path(folder)
    now = path.read_bytes() if path.exists() else b""
    if intent.sheet_after == intent.sheet_before:
        return all(_hash_or_none(folder, n) == now for n, (_, now) in intent.others.items())
    if _sha_of(now) == intent.sheet_after or not intent.rows:
        return _sha_of(now) == intent.sheet_after
    rows = SheetText.parse(now, file=f"{folder.name}/{_SHEET}").by_run() if now else {}
    if intent.act in COMES:
        return any(run in rows for run in intent.rows)
    # Someone wrote into the sheet since: the rows themselves tell.
    return all(
        (hash_cells(rows[run]) if run in rows else "") == sha for run, sha in intent.rows.items()
    )


def _stage(copy: Copy, to: Path) -> None:
    """Copy a log unchanged, and make sure of it."""
    source = Path(copy.source)
    sha = hashlib.sha256()
    with source.open("rb") as read, to.open("xb") as written:
        while chunk := read.read(CHUNK_BYTES):
            sha.update(chunk)
            written.write(chunk)
        written.flush()
        os.fsync(written.fileno())
        stamp = os.fstat(read.fileno())
    if sha.hexdigest() != copy.sha256 or file_sha256(to) != copy.sha256:
        raise BenchError.at(
            source.name,
            "changed while it was being taken in; wait until the recording is finished, then run "
            "again",
        )
    os.utime(to, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    to.chmod(0o444)  # a raw log is never changed


def _put(staged: Path, to: Path) -> None:
    """Give a staged log its name in the bench, never in place of another file."""
    to.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(staged, to)
    except FileExistsError:
        raise BenchError.at(
            to.name, "a file of this name came into the bench meanwhile; run again"
        ) from None
    except OSError:
        # No hard links here. A name that is taken after this look is taken by no take-in: the
        # caller holds the lock.
        if to.exists():
            raise
        staged.replace(to)
    sync_folder(to.parent)


def _replace_file(folder: Path, name: str, new: Path, before: bytes | None) -> None:
    """Put a new file in place of the one that was read, if it is still that one."""
    path = Path(os.path.realpath(folder / name))
    now = path.read_bytes() if path.exists() else None
    if now != before:
        raise BenchError.at(
            f"{folder.name}/{name}",
            "was changed while logs were being taken in; nothing was added, so run again"
            if name == _SHEET
            else "was changed meanwhile; nothing was done, so run again",
        )
    if now is not None:
        shutil.copymode(path, new)
    new.replace(path)
    sync_folder(path.parent)


def _finish(folder: Path, intent: _Intent) -> None:
    """Write the journal of what was done, remove logs that go, and clear up."""
    staging, kept = folder / STAGING, folder / _SHEET_BEFORE
    append_lines(folder, intent.lines)
    named = _logs_named(folder)
    for copy in intent.removed:
        _remove(folder, copy, None, named)
    if intent.act != "undo" and (staging / "before.csv").exists():
        (staging / "before.csv").replace(kept)
    elif intent.act == "undo" or not intent.sheet_before:
        kept.unlink(missing_ok=True)
    _clear(staging)


def _roll_back(folder: Path, intent: _Intent) -> None:
    """Take away what an act that did not get to its rows had brought."""
    staging, named = folder / STAGING, _logs_named(folder)
    for number, copy in enumerate(intent.copies):
        _remove(folder, copy, staging / str(number), named)
    for name, (was, now) in intent.others.items():
        if _hash_or_none(folder, name) == now and was:
            (staging / f"before-{name}").replace(os.path.realpath(folder / name))
        elif _hash_or_none(folder, name) == now:
            (folder / name).unlink()
    _clear(staging)


def _clear(staging: Path) -> None:
    """Remove the staging folder; without its intent it stands for nothing."""
    (staging / "intent.json").unlink(missing_ok=True)
    shutil.rmtree(staging)


def _remove(folder: Path, copy: Copy, staged: Path | None, named: frozenset[str]) -> None:
    """Remove a log that a take-in brought, if it is that log and no row names it."""
    path = folder / copy.file
    if log_name_problem(copy.file) or copy.file in named or not path.is_file():
        return
    # Linked to the staged file, or moved from there: a file of the same bytes that someone else
    # put under this name is not ours to remove.
    if staged is not None and staged.exists():
        ours = staged.samefile(path)
    else:
        ours = file_sha256(path) == copy.sha256
    if ours:
        path.unlink()


def sheet_before_last_act(folder: Path, *, sha256: str) -> bytes | None:
    """Return the run sheet as it was before the last act, if it has this hash."""
    path = folder / _SHEET_BEFORE
    data = path.read_bytes() if path.exists() else None
    return data if data is not None and _sha_of(data) == sha256 else None


def _logs_named(folder: Path) -> frozenset[str]:
    """Return the logs that rows of the run sheet name."""
    path = sheet_path(folder)
    if not path.exists():
        return frozenset()
    sheet = SheetText.parse(path.read_bytes(), file=f"{folder.name}/{_SHEET}")
    place = sheet.header.index("log") if "log" in sheet.header else None
    return frozenset(cells[place] for _, cells in sheet.rows if place is not None)
