"""The zip of a bag unpacked safely, or refused; and the limits every bag is held to."""

from __future__ import annotations

import os
import shutil
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from kit.archive.bag import CHUNK_BYTES, SHOWN, name_fault
from kit.errors import Finding, HostileBagError, SealError

MAX_FILES = 50_000
MAX_FILE_BYTES = 8 << 30
MAX_TOTAL_BYTES = 64 << 30
MAX_ZIP_RATIO = 50  # unpacked over packed, of the whole zip; frame-time logs reach about 8
MAX_ZIP_LIST_BYTES = 400 * MAX_FILES  # of the zip's list of entries
# What the standard library raises for a zip with wrong bytes; found by flipping every bit of one.
_BROKEN = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, ValueError, RuntimeError)


def printable(name: str) -> str:
    """Return a name with every character that is not printable written out."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in name)


def structure_fault(path: str, expected: str, found: str) -> Finding:
    """Return a finding of the stage "structure"."""
    return Finding("structure", path, expected, found)


def too_many() -> Finding:
    """Return the finding of a bag with more entries than a review has."""
    return structure_fault(".", f"at most {MAX_FILES} files and folders", "more")


def kind_of_file(mode: int) -> str:
    """Return in words what is no regular file."""
    kinds = {
        stat.S_IFLNK: "a link",
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
    }
    return kinds.get(stat.S_IFMT(mode), "something else")


def unpack_zip(path: Path, into: Path) -> Path:
    """Unpack the zip of a bag below `into`; return the bag's folder.

    Everything is checked from the list of entries before the first byte is written.

    Raises
    ------
    SealError
        If it is not a zip, or its bytes are broken.
    HostileBagError
        If unpacking it would not be safe.
    """
    _check_zip_end(path)
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            top = _check_entries(entries, packed=path.stat().st_size)
            for entry in entries:
                if not entry.is_dir():
                    _unpack_entry(archive, entry, into)
    except _BROKEN as error:
        raise SealError(f"{path.name}: not a zip that can be read: {error}") from None
    except OSError as error:
        raise SealError(f"{path.name}: cannot be unpacked: {error.strerror or error}") from None
    return into / top


def _check_zip_end(path: Path) -> None:
    """Refuse a zip whose list of entries is too long to be read into memory.

    The record stands in the last 22 bytes, after an optional 64-bit record (APPNOTE.TXT, sections
    4.3.14 to 4.3.16). A zip with a comment is refused: what stands in it could pass for another
    record.
    """
    with path.open("rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(max(0, size - 98))
        tail = stream.read()
    if len(tail) < 22 or tail[-22:-18] != b"PK\x05\x06" or tail[-2:] != b"\0\0":
        raise SealError(f"{path.name}: neither a folder nor a zip without a comment")
    count, list_bytes = struct.unpack("<HL", tail[-12:-6])
    if tail[-42:-38] == b"PK\x06\x07" and tail[-98:-94] == b"PK\x06\x06":
        count, list_bytes = struct.unpack("<QQ", tail[-66:-50])
    if count > MAX_FILES or list_bytes > MAX_ZIP_LIST_BYTES:
        raise HostileBagError([too_many()])


def _check_entries(entries: list[zipfile.ZipInfo], *, packed: int) -> str:
    """Return the one folder at the top of a zip, or raise with every fault of its entries."""
    if len(entries) > MAX_FILES:
        raise HostileBagError([too_many()])
    faults: list[Finding] = []
    seen: set[str] = set()
    folders: set[str] = set()
    for entry in entries:
        # `filename` is cut at a NUL and has had the system's separator replaced.
        name = entry.orig_filename.removesuffix("/")
        faults += [
            structure_fault(printable(name), expected, found)
            for expected, found in _entry_faults(entry, name)
        ]
        if name in seen:
            faults.append(structure_fault(printable(name), "each name once", "it stands twice"))
        seen.add(name)
        folders.update(str(parent) for parent in PurePosixPath(name).parents)
        if len(folders) > MAX_FILES or len(faults) >= SHOWN:
            break
    if len(folders) > MAX_FILES:
        faults.append(too_many())
    total = sum(entry.file_size for entry in entries)
    if total > min(MAX_TOTAL_BYTES, MAX_ZIP_RATIO * packed + CHUNK_BYTES):
        expected = f"at most {MAX_ZIP_RATIO} times the zip's own {packed} bytes"
        faults.append(structure_fault(".", expected, f"{total} bytes when unpacked"))
    tops = sorted({entry.filename.split("/")[0] for entry in entries})
    if len(tops) != 1 or tops[0] in {entry.filename for entry in entries}:
        found = ", ".join(printable(top) for top in tops[:5]) or "nothing"
        faults.append(structure_fault(".", "one folder at the top of the zip", found))
    if faults:
        raise HostileBagError(faults[:SHOWN])
    return tops[0]


def _entry_faults(entry: zipfile.ZipInfo, name: str) -> Iterator[tuple[str, str]]:
    """Yield what was expected and what was found for each fault of one entry."""
    fault = name_fault(name)
    mode = entry.external_attr >> 16
    if fault:
        yield "a plain relative path", fault
    if stat.S_IFMT(mode) not in {0, stat.S_IFREG, stat.S_IFDIR}:
        yield "a regular file", kind_of_file(mode)
    if entry.flag_bits & 1:
        yield "a file that can be read", "it is encrypted"
    if entry.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        yield "stored or deflated", "other compression"
    if entry.file_size > MAX_FILE_BYTES:
        yield f"at most {MAX_FILE_BYTES} bytes", f"{entry.file_size} bytes"


def _unpack_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, into: Path) -> None:
    """Write one entry of a checked zip. No more bytes come out than the entry states."""
    target = into / entry.filename
    target.parent.mkdir(parents=True, exist_ok=True)
    with archive.open(entry) as source, target.open("xb") as out:
        shutil.copyfileobj(source, out, CHUNK_BYTES)
