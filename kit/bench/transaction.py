"""Changing a bench in one step: copied logs and run-sheet rows come together or not at all.

The step that decides is the replacing of `runs.csv`, which the file system does at once. Everything
before it is undone, and everything after it completed, by whoever next works on the bench: a
process may be killed at any point. A lock keeps others out, a journal says what is being done.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config

from kit.bench.sheet import SheetText, hash_cells, log_name_problem, parse_sheet_text
from kit.errors import BenchError, Fault
from kit.logs.unpacked import CHUNK_BYTES

_LOCK = ".bench.lock"
STAGING = ".taking-in"
_RECORD = ".last-take-in.json"
_SHEET_BEFORE = ".last-take-in.csv"
_LOCK_SECONDS = 300.0


@with_config(ConfigDict(extra="forbid"))
@dataclass(frozen=True, slots=True)
class Copy:
    """A log to be copied into the bench: from where, to which name in it, with which hash."""

    source: str
    file: str
    sha256: str


@with_config(ConfigDict(extra="forbid"))
@dataclass(frozen=True, slots=True)
class Journal:
    """What is being done to a bench, written before any of it shows."""

    kind: str  # "add" or "undo"
    rows: Mapping[str, str]  # run -> SHA-256 of its row
    copies: tuple[Copy, ...]
    sheet_after: str  # SHA-256 of runs.csv once it is done
    sheet_before: str  # SHA-256 of runs.csv as it was, or empty where there was none


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
    return Path(os.path.realpath(folder / "runs.csv"))


def _sha_of(data: bytes) -> str:
    """Return the SHA-256 of bytes."""
    return hashlib.sha256(data).hexdigest()


def _write_synced(path: Path, data: bytes) -> None:
    """Write a file and wait until the disk has it."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _write_journal(staging: Path, journal: Journal) -> None:
    """Write the journal of a take-in; it is there whole or not at all."""
    _write_synced(staging / "journal.new", _to_json(journal))
    (staging / "journal.new").replace(staging / "journal.json")
    _sync_folder(staging)


def _to_json(journal: Journal) -> bytes:
    """Return a journal as JSON."""
    return TypeAdapter(Journal).dump_json(journal, indent=1)


def _read_journal(staging: Path) -> Journal | None:
    """Return the journal of a take-in that was cut short, or None if it did not get so far."""
    path = staging / "journal.json"
    if not path.exists():
        return None
    return _from_json(path, "delete the folder once runs.csv and logs/ are as they should be")


def _from_json(path: Path, what_to_do: str) -> Journal:
    """Return a journal from its file."""
    try:
        return TypeAdapter(Journal).validate_json(path.read_bytes(), strict=True)
    except ValidationError:
        name = f"{path.parent.name}/{path.name}"
        raise BenchError.at(name, f"is damaged; {what_to_do}") from None


def _read_record(folder: Path) -> Journal:
    """Return what the last take-in did.

    Raises
    ------
    BenchError
        If there was none, or its record is damaged.
    """
    if not (folder / _RECORD).exists():
        raise BenchError.at(folder.name, "there is no take-in to take back")
    return _from_json(folder / _RECORD, "delete the rows and logs of the last take-in by hand")


def _sync_folder(folder: Path) -> None:
    """Wait until the disk has the names in a folder."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def commit(
    folder: Path,
    *,
    rows: Mapping[str, str],
    copies: Sequence[Copy],
    before: bytes | None,
    after: bytes,
) -> None:
    """Copy logs into the bench and replace its run sheet, all or nothing.

    Parameters
    ----------
    folder : Path
        The bench; the caller holds its lock and has called `recover`.
    rows : mapping of str to str
        The SHA-256 of each new row, by run.
    copies : sequence of Copy
        Logs to copy. No file of the new name may exist.
    before, after : bytes
        The run sheet as read (None if there was none), and as it is to be.

    Raises
    ------
    BenchError
        If a log or the run sheet changed meanwhile, a name is taken, or the disk refuses. The
        bench is then as it was.
    """
    staging = folder / STAGING
    journal = Journal(
        "add",
        dict(rows),
        tuple(copies),
        _sha_of(after),
        _sha_of(before) if before is not None else "",
    )
    try:
        staging.mkdir()
        for number, copy in enumerate(copies):
            _stage(copy, staging / str(number))
        _write_synced(staging / "runs.csv", after)
        if before is not None:
            _write_synced(staging / "before.csv", before)
        _write_journal(staging, journal)
        for number, copy in enumerate(copies):
            _put(staging / str(number), folder / copy.file)
        _replace_sheet(folder, staging / "runs.csv", before)
    except OSError as error:
        recover(folder)
        raise BenchError.at(
            folder.name,
            f"the take-in failed ({error.strerror or error}: "
            f"{Path(str(error.filename or '')).name}); nothing was added",
        ) from None
    except BenchError:
        recover(folder)
        raise
    # The rows are in. What could not be cleared up now, the next take-in clears up.
    with contextlib.suppress(OSError):
        _finish_add(folder, journal)


def recover(folder: Path) -> str:
    """Complete or undo what a killed process left, and say what was done (or nothing).

    The caller holds the lock.
    """
    staging = folder / STAGING
    if not staging.exists():
        return ""
    journal = _read_journal(staging)
    if journal is None:
        shutil.rmtree(staging)
        return "an unfinished take-in was cleared away; nothing of it was in the bench"
    runs, logs = _cells_of_sheet(folder)
    committed = any(run in runs for run in journal.rows)
    if committed and journal.kind == "add":
        _finish_add(folder, journal)
        return f"a take-in of {len(journal.rows)} runs that was cut short was completed"
    if committed:
        _clear(staging)
        return "taking back was cut short; nothing was taken back"
    for number, copy in enumerate(journal.copies):
        staged = None if journal.kind == "undo" else staging / str(number)
        _remove(folder, copy, staged, logs)
    if journal.kind == "undo":
        _forget(folder)
    _clear(staging)
    done = "completed" if journal.kind == "undo" else "undone"
    what = "taking back" if journal.kind == "undo" else "a take-in"
    return f"{what} of {len(journal.rows)} runs that was cut short was {done}"


def undo_last(bench_folder: Path) -> tuple[str, ...]:
    """Take back the last take-in: its rows, and the logs it copied into the bench.

    Returns
    -------
    tuple of str
        The runs taken back.

    Raises
    ------
    BenchError
        If there is none, or its rows or logs were changed since.
    """
    with locked_bench(bench_folder):
        recover(bench_folder)
        record = _read_record(bench_folder)
        before = sheet_path(bench_folder).read_bytes()
        sheet = parse_sheet_text(before, file=f"{bench_folder.name}/runs.csv")
        _check_unchanged(bench_folder, record, sheet)
        after = _sheet_without(bench_folder, record, before)
        staging = bench_folder / STAGING
        journal = Journal("undo", record.rows, record.copies, _sha_of(after), _sha_of(before))
        try:
            staging.mkdir()
            _write_synced(staging / "runs.csv", after)
            _write_journal(staging, journal)
            _replace_sheet(bench_folder, staging / "runs.csv", before)
        except OSError as error:
            said = f"taking back failed ({error.strerror or error}); nothing was taken back"
            raise BenchError.at(bench_folder.name, said) from None
        finally:
            recover(bench_folder)
    return tuple(record.rows)


def _check_unchanged(folder: Path, record: Journal, sheet: SheetText) -> None:
    """Refuse to take back rows or logs that someone has changed since."""
    faults: list[Fault] = []
    ordered = [(i, name) for name, i in sorted(zip(sheet.header, count(), strict=False))]
    place = sheet.header.index("run")
    now: dict[str, tuple[int, str]] = {}
    for line, cells in sheet.rows:
        stated = {name: cells[i] for i, name in ordered if cells[i]}
        if cells[place] in record.rows:
            now[cells[place]] = (line, hash_cells(stated))
    for run, sha256 in record.rows.items():
        if run not in now:
            faults.append(Fault(sheet.file, f'run "{run}" of the last take-in is gone'))
        elif now[run][1] != sha256:
            faults.append(
                Fault(
                    sheet.file, f'run "{run}" was changed since it was taken in', line=now[run][0]
                )
            )
    for copy in record.copies:
        path = folder / copy.file
        if path.exists() and hash_file(path) != copy.sha256:
            faults.append(Fault(copy.file, "was changed since it was taken in"))
    if faults:
        raise BenchError([*faults, Fault(folder.name, "the last take-in is not taken back")])


def _sheet_without(folder: Path, record: Journal, now: bytes) -> bytes:
    """Return the run sheet without the rows of a take-in, everything else as it stands."""
    kept = folder / _SHEET_BEFORE
    if _sha_of(now) == record.sheet_after and kept.exists():
        before = kept.read_bytes()
        if _sha_of(before) == record.sheet_before:
            return before
    sheet = parse_sheet_text(now, file="runs.csv")
    lines = list(io.StringIO(now.decode(sheet.encoding), newline=""))
    place = sheet.header.index("run")
    starts = [line for line, _ in sheet.rows] + [len(lines) + 1]
    for i in range(len(sheet.rows) - 1, -1, -1):
        if sheet.rows[i][1][place] in record.rows:
            del lines[starts[i] - 1 : starts[i + 1] - 1]
    return "".join(lines).encode(sheet.encoding)


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


def _replace_sheet(folder: Path, new: Path, before: bytes | None) -> None:
    """Put the new run sheet in place of the one that was read, if it is still that one."""
    sheet = sheet_path(folder)
    now = sheet.read_bytes() if sheet.exists() else None
    if now != before:
        raise BenchError.at(
            f"{folder.name}/runs.csv",
            "was changed while logs were being taken in; nothing was added, so run again",
        )
    if now is not None:
        shutil.copymode(sheet, new)
    new.replace(sheet)
    _sync_folder(sheet.parent)


def _finish_add(folder: Path, journal: Journal) -> None:
    """Keep what is needed to take the last take-in back, and clear up."""
    staging = folder / STAGING
    (folder / _RECORD).unlink(missing_ok=True)
    if (staging / "before.csv").exists():
        (staging / "before.csv").replace(folder / _SHEET_BEFORE)
    elif not journal.sheet_before:
        (folder / _SHEET_BEFORE).unlink(missing_ok=True)
    _write_synced(staging / "record.json", _to_json(journal))
    (staging / "record.json").replace(folder / _RECORD)
    _clear(staging)


def _forget(folder: Path) -> None:
    (folder / _RECORD).unlink(missing_ok=True)
    (folder / _SHEET_BEFORE).unlink(missing_ok=True)


def _clear(staging: Path) -> None:
    """Remove the staging folder; without its journal it stands for nothing."""
    (staging / "journal.json").unlink(missing_ok=True)
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
