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
import io
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config

from kit.bench.journal import JOURNAL, append_lines
from kit.bench.sheet import SheetText, hash_cells, log_name_problem, parse_sheet_text
from kit.errors import BenchError
from kit.logs.unpacked import CHUNK_BYTES

_LOCK = ".bench.lock"
STAGING = ".taking-in"
SHEET = "runs.csv"
_BENCH_FILE = "bench.yaml"
_SHEET_BEFORE = ".before-last-act.csv"
_LOCK_SECONDS = 300.0
_COMES = frozenset({"add", "merge"})  # acts whose rows are new


@with_config(ConfigDict(extra="forbid"))
@dataclass(frozen=True, slots=True)
class Copy:
    """A log to be copied into the bench: from where, to which name in it, with which hash."""

    source: str
    file: str
    sha256: str


@with_config(ConfigDict(extra="forbid"))
@dataclass(frozen=True, slots=True)
class Intent:
    """What is being done to a bench, written before any of it shows.

    Attributes
    ----------
    act : str
        What it is called in the journal.
    rows : mapping of str to str
        The SHA-256 of each row as it will be, by run; empty for a row that goes.
    copies, removed : tuple of Copy
        Logs that come, and logs that go once the rows have changed.
    sheet_after, sheet_before : str
        SHA-256 of runs.csv once it is done, and as it was; empty where there was none.
    bench_after, bench_before : str
        SHA-256 of bench.yaml, where it changes too.
    lines : str
        What the journal of the bench gets.
    """

    act: str
    rows: Mapping[str, str]
    sheet_after: str
    sheet_before: str
    lines: str
    copies: tuple[Copy, ...] = ()
    removed: tuple[Copy, ...] = ()
    bench_after: str = ""
    bench_before: str = ""

    def in_words(self) -> str:
        """Return what is done, as messages say it."""
        words = {"add": "a take-in", "undo": "taking back"}.get(self.act, self.act)
        return f"{words} of {len(self.rows)} runs"


@dataclass(frozen=True, slots=True)
class Files:
    """Bytes of the files an act changes: runs.csv as read (None if there was none) and as it is to
    be, and the same of bench.yaml where it changes."""

    before: bytes | None
    after: bytes
    bench_before: bytes = b""
    bench_after: bytes = b""


@contextlib.contextmanager
def locked_bench(folder: Path, *, timeout_s: float = _LOCK_SECONDS) -> Iterator[None]:
    """Hold the bench against other take-ins. The lock goes when its process does.

    Raises
    ------
    BenchError
        If the folder may not be written, or another process holds it too long.
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
        yield
    finally:
        lock.release()


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sheet_path(folder: Path) -> Path:
    """Return the run sheet's own path, also where `runs.csv` is a symbolic link."""
    return Path(os.path.realpath(folder / SHEET))


def _sha_of(data: bytes) -> str:
    """Return the SHA-256 of bytes."""
    return hashlib.sha256(data).hexdigest()


def _write_synced(path: Path, data: bytes) -> None:
    """Write a file and wait until the disk has it."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _write_intent(staging: Path, intent: Intent) -> None:
    """Write what is to be done; it is there whole or not at all."""
    _write_synced(staging / "intent.new", TypeAdapter(Intent).dump_json(intent, indent=1))
    (staging / "intent.new").replace(staging / "intent.json")
    _sync_folder(staging)


def _read_intent(staging: Path) -> Intent | None:
    """Return what an act that was cut short was to do, or None if it did not get so far."""
    path = staging / "intent.json"
    if not path.exists():
        return None
    try:
        return TypeAdapter(Intent).validate_json(path.read_bytes(), strict=True)
    except ValidationError:
        raise BenchError.at(
            f"{staging.name}/{path.name}",
            "is damaged; delete the folder once runs.csv and logs/ are as they should be",
        ) from None


def _sync_folder(folder: Path) -> None:
    """Wait until the disk has the names in a folder."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def commit(folder: Path, intent: Intent, files: Files) -> None:
    """Do an act: copy logs into the bench and replace its files, all or nothing.

    Parameters
    ----------
    folder : Path
        The bench; the caller holds its lock and has called `recover`.
    intent : Intent
        What is done. No file may have the name of a log that is copied.
    files : Files
        The files as they were read and as they are to be.

    Raises
    ------
    BenchError
        If a log or a file changed meanwhile, a name is taken, or the disk refuses. The bench is
        then as it was.
    """
    staging = folder / STAGING
    try:
        staging.mkdir()
        for number, copy in enumerate(intent.copies):
            _stage(copy, staging / str(number))
        _write_synced(staging / SHEET, files.after)
        if files.before is not None:
            _write_synced(staging / "before.csv", files.before)
        if intent.bench_after:
            _write_synced(staging / _BENCH_FILE, files.bench_after)
            _write_synced(staging / "before.yaml", files.bench_before)
        _write_intent(staging, intent)
        for number, copy in enumerate(intent.copies):
            _put(staging / str(number), folder / copy.file)
        if intent.bench_after:
            _replace_file(folder, _BENCH_FILE, staging / _BENCH_FILE, files.bench_before)
        _replace_file(folder, SHEET, staging / SHEET, files.before)
    except OSError as error:
        recover(folder)
        raise BenchError.at(
            folder.name,
            f"the {'take-in' if intent.act == 'add' else intent.act} failed "
            f"({error.strerror or error}: {Path(str(error.filename or '')).name}); nothing was "
            f"{'added' if intent.act in _COMES else 'changed'}",
        ) from None
    except BenchError:
        recover(folder)
        raise
    # The rows are in. What could not be cleared up now, the next act clears up.
    with contextlib.suppress(OSError):
        _finish(folder, intent)


def recover(folder: Path) -> str:
    """Complete or undo what a killed process left, and say what was done (or nothing).

    The caller holds the lock.
    """
    staging = folder / STAGING
    if not staging.exists():
        torn = append_lines(folder, "") if (folder / JOURNAL).exists() else 0
        return (
            f"the last line of the journal was cut short ({torn} bytes) and was taken away"
            if (torn)
            else ""
        )
    intent = _read_intent(staging)
    if intent is None:
        shutil.rmtree(staging)
        return "an unfinished take-in was cleared away; nothing of it was in the bench"
    done = _is_done(folder, intent)
    if done:
        _finish(folder, intent)
    else:
        _roll_back(folder, intent)
    return f"{intent.in_words()} that was cut short was {'completed' if done else 'undone'}"


def unfinished(folder: Path) -> bool:
    """Return whether an act was cut short in a bench, or is under way; the next one sees to it."""
    return (folder / STAGING).exists()


def _is_done(folder: Path, intent: Intent) -> bool:
    """Return whether the rows of an act have come to be as they should."""
    path = sheet_path(folder)
    now = path.read_bytes() if path.exists() else b""
    if intent.sheet_after == intent.sheet_before:
        return hash_file(folder / _BENCH_FILE) == intent.bench_after
    if _sha_of(now) == intent.sheet_after or not intent.rows:
        return _sha_of(now) == intent.sheet_after
    rows = {} if not now else row_cells(parse_sheet_text(now, file=f"{folder.name}/{SHEET}"))
    if intent.act in _COMES:
        return any(run in rows for run in intent.rows)
    # Someone wrote into the sheet since: the rows themselves tell.
    return all(
        (hash_cells(rows[run]) if run in rows else "") == sha for run, sha in intent.rows.items()
    )


def row_cells(sheet: SheetText) -> dict[str, dict[str, str]]:
    """Return the filled cells of each row, by run, in the order of the names of the columns."""
    place = sheet.header.index("run") if "run" in sheet.header else 0
    ordered = sorted((name, i) for i, name in enumerate(sheet.header))
    return {
        cells[place]: {name: cells[i] for name, i in ordered if cells[i]} for _, cells in sheet.rows
    }


def sheet_without(now: bytes, runs: Iterable[str]) -> bytes:
    """Return a run sheet without the rows of some runs, everything else as it stands."""
    sheet, gone = parse_sheet_text(now, file=SHEET), set(runs)
    lines = list(io.StringIO(now.decode(sheet.encoding), newline=""))
    place = sheet.header.index("run")
    starts = [line for line, _ in sheet.rows] + [len(lines) + 1]
    for i in range(len(sheet.rows) - 1, -1, -1):
        if sheet.rows[i][1][place] in gone:
            del lines[starts[i] - 1 : starts[i + 1] - 1]
    return "".join(lines).encode(sheet.encoding)


def kept_sheet(folder: Path, *, sha256: str) -> bytes | None:
    """Return the run sheet as it was before the last act, if it has this hash."""
    path = folder / _SHEET_BEFORE
    data = path.read_bytes() if path.exists() else b""
    return data if path.exists() and _sha_of(data) == sha256 else None


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
    if sha.hexdigest() != copy.sha256 or hash_file(to) != copy.sha256:
        raise BenchError.at(
            source.name,
            "changed while it was being taken in; wait until the recording is "
            "finished, then run again",
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
    _sync_folder(to.parent)


def _replace_file(folder: Path, name: str, new: Path, before: bytes | None) -> None:
    """Put a new file in place of the one that was read, if it is still that one."""
    path = Path(os.path.realpath(folder / name))
    now = path.read_bytes() if path.exists() else None
    if now != before:
        raise BenchError.at(
            f"{folder.name}/{name}",
            "was changed while logs were being taken in; nothing was added, so run again"
            if name == SHEET
            else "was changed meanwhile; nothing was done, so run again",
        )
    if now is not None:
        shutil.copymode(path, new)
    new.replace(path)
    _sync_folder(path.parent)


def _finish(folder: Path, intent: Intent) -> None:
    """Write the journal of what was done, remove logs that go, and clear up."""
    staging = folder / STAGING
    append_lines(folder, intent.lines)
    _, logs = _cells_of_sheet(folder)
    for copy in intent.removed:
        _remove(folder, copy, None, logs)
    if intent.act != "undo" and (staging / "before.csv").exists():
        (staging / "before.csv").replace(folder / _SHEET_BEFORE)
    elif intent.act == "undo" or not intent.sheet_before:
        (folder / _SHEET_BEFORE).unlink(missing_ok=True)
    _clear(staging)


def _roll_back(folder: Path, intent: Intent) -> None:
    """Take away what an act that did not get to its rows had brought."""
    staging = folder / STAGING
    _, logs = _cells_of_sheet(folder)
    for number, copy in enumerate(intent.copies):
        _remove(folder, copy, staging / str(number), logs)
    bench = Path(os.path.realpath(folder / _BENCH_FILE))
    if intent.bench_after and hash_file(bench) == intent.bench_after:
        (staging / "before.yaml").replace(bench)
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
    ours = (
        staged.samefile(path)
        if staged is not None and staged.exists()
        else (hash_file(path) == copy.sha256)
    )
    if ours:
        path.unlink()


def _cells_of_sheet(folder: Path) -> tuple[frozenset[str], frozenset[str]]:
    """Return the run ids and the logs that the run sheet names."""
    path = sheet_path(folder)
    if not path.exists():
        return frozenset(), frozenset()
    sheet = parse_sheet_text(path.read_bytes(), file=f"{folder.name}/runs.csv")
    columns = {name: i for i, name in enumerate(sheet.header)}
    found = [
        frozenset(cells[columns[name]] for _, cells in sheet.rows)
        if name in columns
        else frozenset()
        for name in ("run", "log")
    ]
    return found[0], found[1]
