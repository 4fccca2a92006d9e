"""The journal of a bench: its lock, and what is being done to it or was done last."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from kit.errors import BenchError, Fault

LOCK = ".bench.lock"
STAGING = ".taking-in"
RECORD = ".last-take-in.json"
SHEET_BEFORE = ".last-take-in.csv"
LOCK_SECONDS = 300.0


@dataclass(frozen=True, slots=True)
class Copy:
    """A log to be copied into the bench: from where, to which name in it, with which hash."""

    source: str
    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Journal:
    """What is being done to a bench, written before any of it shows."""

    kind: str  # "add" or "undo"
    rows: Mapping[str, str]  # run -> SHA-256 of its row
    copies: tuple[Copy, ...]
    sheet_after: str  # SHA-256 of runs.csv once it is done
    sheet_before: str  # SHA-256 of runs.csv as it was, or empty where there was none


@contextlib.contextmanager
def locked_bench(folder: Path, *, timeout_s: float = LOCK_SECONDS) -> Iterator[None]:
    """Hold the bench against other take-ins. The lock goes when its process does.

    Raises
    ------
    BenchError
        If the folder may not be written, or another process holds it too long.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(folder / LOCK)
    try:
        lock.acquire(timeout=timeout_s)
    except Timeout:
        raise BenchError(
            [
                Fault(
                    folder.name,
                    f"another take-in has held the bench for {timeout_s:g} s; wait until it is "
                    "finished, then run again",
                )
            ]
        ) from None
    except OSError as error:
        raise BenchError(
            [Fault(folder.name, f"may not be written: {error.strerror or error}")]
        ) from None
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


def sha_of(data: bytes) -> str:
    """Return the SHA-256 of bytes."""
    return hashlib.sha256(data).hexdigest()


def write_synced(path: Path, data: bytes) -> None:
    """Write a file and wait until the disk has it."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def write_journal(staging: Path, journal: Journal) -> None:
    """Write the journal of a take-in; it is there whole or not at all."""
    write_synced(staging / "journal.new", to_json(journal))
    (staging / "journal.new").replace(staging / "journal.json")
    sync_folder(staging)


def to_json(journal: Journal) -> bytes:
    """Return a journal as JSON."""
    return json.dumps(asdict(journal), indent=1).encode()


def read_journal(staging: Path) -> Journal | None:
    """Return the journal of a take-in that was cut short, or None if it did not get so far."""
    path = staging / "journal.json"
    if not path.exists():
        return None
    return _from_json(path, "delete the folder once runs.csv and logs/ are as they should be")


def _from_json(path: Path, what_to_do: str) -> Journal:
    """Return a journal from its file."""
    try:
        said: dict[str, Any] = json.loads(path.read_bytes())
        copies = tuple(Copy(**copy) for copy in said.pop("copies"))
        return Journal(copies=copies, **said)
    except (ValueError, TypeError, KeyError, AttributeError):
        name = f"{path.parent.name}/{path.name}"
        raise BenchError([Fault(name, f"is damaged; {what_to_do}")]) from None


def read_record(folder: Path) -> Journal:
    """Return what the last take-in did.

    Raises
    ------
    BenchError
        If there was none, or its record is damaged.
    """
    if not (folder / RECORD).exists():
        raise BenchError([Fault(folder.name, "there is no take-in to take back")])
    return _from_json(folder / RECORD, "delete the rows and logs of the last take-in by hand")


def sync_folder(folder: Path) -> None:
    """Wait until the disk has the names in a folder."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
