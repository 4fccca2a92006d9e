"""A bag opened safely, folder or zip, and its bytes checked against its manifests.

A bag may come from anyone. Nothing in it is followed, executed or trusted: names are checked
before a file is touched, every size and count has a limit, and a zip is unpacked into a folder
of its own that is removed afterwards.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import signal
import stat
import struct
import subprocess
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

from kit.archive.bag import (
    BAGIT_TXT,
    CHUNK_BYTES,
    MANIFEST,
    SHOWN,
    TAG_MANIFEST,
    find_twins,
    name_fault,
    oxum,
)
from kit.claims.claim import once_each
from kit.errors import Finding, HostileBagError, SealError, UsageError

MAX_FILES = 50_000
MAX_FILE_BYTES = 8 << 30
MAX_TOTAL_BYTES = 64 << 30
MAX_ZIP_RATIO = 50  # unpacked over packed, of the whole zip; frame-time logs reach about 8
MAX_ZIP_LIST_BYTES = 400 * MAX_FILES  # of the zip's list of entries
# What the standard library raises for a zip with wrong bytes; found by flipping every bit of one.
_BROKEN = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, ValueError, RuntimeError)


def _printable(name: str) -> str:
    """Return a name with every character that is not printable written out."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in name)


def _fault(path: str, expected: str, found: str) -> Finding:
    """Return a finding of the stage "structure"."""
    return Finding(path, expected, found, stage="structure")


def _too_many() -> Finding:
    """Return the finding of a bag with more entries than a review has."""
    return _fault(".", f"at most {MAX_FILES} files and folders", "more")


def _kind_of_file(mode: int) -> str:
    """Return in words what is no regular file."""
    kinds = {
        stat.S_IFLNK: "a link",
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
    }
    return kinds.get(stat.S_IFMT(mode), "something else")


def _unpack_zip(path: Path, into: Path) -> Path:
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
            if faults := list(_heads_apart(path, entries, ends_at=archive.start_dir)):
                raise HostileBagError(faults[:SHOWN])
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
        raise HostileBagError([_too_many()])


def _check_entries(entries: list[zipfile.ZipInfo], *, packed: int) -> str:
    """Return the one folder at the top of a zip, or raise with every fault of its entries.

    Parameters
    ----------
    entries : list of ZipInfo
        As the zip's list has them; nothing was unpacked yet.
    packed : int
        Size of the zip, in bytes: bounds what it may unpack to.

    Raises
    ------
    HostileBagError
        With at most `SHOWN` faults: names, links, sizes, twins, encryption, several tops.
    """
    if len(entries) > MAX_FILES:
        raise HostileBagError([_too_many()])
    faults: list[Finding] = []
    seen: set[str] = set()
    folders: set[str] = set()
    for entry in entries:
        # `filename` is cut at a NUL and has had the system's separator replaced.
        name = entry.orig_filename.removesuffix("/")
        faults += [
            _fault(_printable(name), expected, found)
            for expected, found in _entry_faults(entry, name)
        ]
        if name in seen:
            faults.append(_fault(_printable(name), "each name once", "it stands twice"))
        seen.add(name)
        folders.update(str(parent) for parent in PurePosixPath(name).parents)
        if len(folders) > MAX_FILES or len(faults) >= SHOWN:
            break
    if len(folders) > MAX_FILES:
        faults.append(_too_many())
    total = sum(entry.file_size for entry in entries)
    if total > min(MAX_TOTAL_BYTES, MAX_ZIP_RATIO * packed + CHUNK_BYTES):
        expected = f"at most {MAX_ZIP_RATIO} times the zip's own {packed} bytes"
        faults.append(_fault(".", expected, f"{total} bytes when unpacked"))
    tops = sorted({entry.filename.split("/")[0] for entry in entries})
    if len(tops) != 1 or tops[0] in {entry.filename for entry in entries}:
        found = ", ".join(_printable(top) for top in tops[:5]) or "nothing"
        faults.append(_fault(".", "one folder at the top of the zip", found))
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
        yield "a regular file", _kind_of_file(mode)
    if mode & 0o7000:
        yield "a file without rights of its owner", f"mode {mode & 0o7777:o}"
    if entry.comment:
        yield "no comment", f"{len(entry.comment)} bytes of one"
    for finding in _odd_fields(name, entry.extra):
        yield finding.expected, finding.found
    if entry.flag_bits & 1:
        yield "a file that can be read", "it is encrypted"
    if entry.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        yield "stored or deflated", "other compression"
    if entry.file_size > MAX_FILE_BYTES:
        yield f"at most {MAX_FILE_BYTES} bytes", f"{entry.file_size} bytes"


def _heads_apart(path: Path, entries: list[zipfile.ZipInfo], *, ends_at: int) -> Iterator[Finding]:
    """Yield a finding where a zip's own heads say otherwise than its list of entries.

    Some tools go by the one, some by the other; nothing may stand before, between or after the
    files (APPNOTE.TXT, sections 4.3.7 and 4.3.9).
    """
    at = 0
    with path.open("rb") as stream:
        for entry in sorted(entries, key=lambda entry: entry.header_offset):
            name = _printable(entry.orig_filename)
            if entry.header_offset != at:
                yield _fault(name, f"its head at byte {at}", f"{entry.header_offset}")
                return
            stream.seek(at)
            head = stream.read(_ZIP_HEAD.size)
            if len(head) < _ZIP_HEAD.size or head[:4] != b"PK\x03\x04":
                yield _fault(name, "the head of a file", "none")
                return
            flags, method, crc, packed, size, name_bytes, extra_bytes = _ZIP_HEAD.unpack(head)[2:]
            named = stream.read(name_bytes)
            extra = stream.read(extra_bytes)
            coded = "utf-8" if flags & 0x800 else "cp437"
            said: tuple[Any, ...] = (flags, method, named.decode(coded, "replace"))
            listed: tuple[Any, ...] = (entry.flag_bits, entry.compress_type, entry.orig_filename)
            streamed = bool(flags & 0x8)  # its sizes stand behind it
            if not streamed and packed != 0xFFFFFFFF:
                said += (crc, packed, size)
                listed += (entry.CRC, entry.compress_size, entry.file_size)
            if said != listed:
                yield _fault(name, f"{listed}, as the list of entries has it", f"{said}")
            yield from _odd_fields(name, extra)
            at = stream.tell() + entry.compress_size
            if streamed:
                stream.seek(at)
                marked = stream.read(4) == b"PK\x07\x08"
                at += (4 if marked else 0) + (20 if entry.file_size > 0xFFFFFFFF else 12)
    if at != ends_at:
        yield _fault(".", f"the list of entries at byte {at}", f"{ends_at}")


_ZIP_HEAD = struct.Struct("<4sHHH4xLLLHH")
# Extra fields that say nothing of a name or content: times, owners, sizes past 4 GB, and the mark
# that Java's tools put on the first entry.
_KNOWN_FIELDS = {0x0001, 0x000A, 0x5455, 0x5855, 0x7855, 0x7875, 0xCAFE}


def _odd_fields(name: str, extra: bytes) -> Iterator[Finding]:
    """Yield a finding for each extra field of an entry that could give it another name."""
    while extra:
        kind, length = struct.unpack("<HH", extra[:4]) if len(extra) >= 4 else (0, 0)
        if kind not in _KNOWN_FIELDS or len(extra) < 4 + length:
            yield _fault(name, "no extra field but times and owners", f"{kind:#06x}")
            return
        extra = extra[4 + length :]


def _unpack_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, into: Path) -> None:
    """Write one entry of a checked zip. No more bytes come out than the entry states."""
    target = into / entry.filename
    target.parent.mkdir(parents=True, exist_ok=True)
    with archive.open(entry) as source, target.open("xb") as out:
        shutil.copyfileobj(source, out, CHUNK_BYTES)


MAX_TEXT_BYTES = 64 << 20  # manifests, claims, page: what is held in memory whole
MAX_JSON_PARTS = 4_000_000  # brackets and commas: bounds the memory a JSON text can ask for
SIGNATURE_FOLDER = "signature/"

_LINE = re.compile(r"([0-9a-fA-F]{64})[ \t]+\*?(.+)")


@dataclass(frozen=True, slots=True)
class Bag:
    """A bag whose files can be read.

    Attributes
    ----------
    name : str
        Of its folder or zip, as findings give it.
    folder : Path
        Where its files are; of a zip, a temporary one.
    files : mapping of str to int
        Path in the bag to size in bytes. Only these can be opened.
    """

    name: str
    folder: Path
    files: Mapping[str, int]

    def open(self, path: str) -> io.BufferedReader:
        """Open one file of the bag; a link put there meanwhile is not followed."""
        if path not in self.files:
            raise ValueError(f"{path!r} is not a file of the bag")
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        try:
            return os.fdopen(os.open(self.folder / path, flags), "rb")
        except OSError as error:
            raise SealError(f"{self.name}/{path}: cannot be read: {error.strerror}") from None

    def read(self, path: str, *, limit: int = MAX_TEXT_BYTES) -> bytes:
        """Return one file's bytes.

        Raises
        ------
        SealError
            If it is larger than `limit` bytes.
        """
        with self.open(path) as stream:
            data = stream.read(limit + 1)
        if len(data) > limit:
            raise SealError(f"{path}: larger than the {limit} bytes that are read of such a file")
        return data

    def digest(self, path: str) -> str:
        """Return the SHA-256 of one file's bytes."""
        with self.open(path) as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()

    def read_json(self, path: str) -> Any:
        """Return the content of a JSON file of the bag.

        Raises
        ------
        SealError
            If it is not JSON, or larger or deeper than any file this kit writes.
        """
        data = self.read(path)
        if sum(data.count(mark) for mark in (b"[", b"{", b",")) > MAX_JSON_PARTS:
            raise SealError(f"{path}: more than {MAX_JSON_PARTS} brackets and commas")
        try:
            return json.loads(data.decode("utf-8"), object_pairs_hook=once_each)
        except RecursionError:
            raise SealError(f"{path}: nested deeper than any file this kit writes") from None
        except ValueError as error:
            raise SealError(f"{path}: not JSON: {error}") from None

    def read_listing(self) -> Listing:
        """Return what a bag says of itself, with a finding for whatever of it cannot be read.

        References
        ----------
        RFC 8493, sections 2.1 (required files) and 2.2.2 (Payload-Oxum). A list of files to fetch
        is refused: a sealed review holds all of its own.
        """
        findings: list[Finding] = []
        for name in ("bagit.txt", "bag-info.txt", MANIFEST, TAG_MANIFEST):
            if name not in self.files:
                findings.append(_fault(name, "this file in the bag", "it is missing"))
        if "fetch.txt" in self.files:
            findings.append(_fault("fetch.txt", "a bag that holds its files", "a list to fetch"))
        if "bagit.txt" in self.files:
            # UTF-8, no byte-order mark, these two lines (RFC 8493, section 2.1.1).
            text = _text(self, "bagit.txt", findings)
            if text.replace("\r\n", "\n").rstrip("\n") != BAGIT_TXT.decode().rstrip("\n"):
                findings.append(
                    _fault("bagit.txt", "BagIt 1.0, tag files in UTF-8", repr(text[:80]))
                )
        payload = _read_manifest(self, MANIFEST, findings)
        tags = _read_manifest(self, TAG_MANIFEST, findings)
        for path in payload:
            if not path.startswith("data/"):
                findings.append(
                    _fault(f"{MANIFEST} # {_printable(path)}", "a path below data/", "not")
                )
        if MANIFEST not in tags and TAG_MANIFEST in self.files:
            findings.append(_fault(TAG_MANIFEST, f"a line for {MANIFEST}", "none"))
        info = _read_info(self, findings)
        stated = info.get("Payload-Oxum", ())
        counted = oxum(size for path, size in self.files.items() if path.startswith("data/"))
        if "bag-info.txt" in self.files and stated != (counted,):
            findings.append(
                _fault(
                    "bag-info.txt # Payload-Oxum",
                    f"{counted}, as counted",
                    ", ".join(stated) or "nothing",
                )
            )
        return Listing(payload, tags, info, tuple(findings))

    def check_bytes(self, listing: Listing) -> list[Finding]:
        """Return a finding for each listed file whose bytes are not those listed.

        Parameters
        ----------
        listing : Listing
            SHA-256 by path; a listed file that is not there is told by `check_listing`.
        """
        lists = ((TAG_MANIFEST, listing.tags), (MANIFEST, listing.payload))
        listed = [
            (path, digest, manifest)
            for manifest, hashes in lists
            for path, digest in hashes.items()
            if path in self.files
        ]
        # hashlib releases the interpreter's lock: two files are hashed at once on two cores.
        with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
            digests = pool.map(lambda entry: _digest_or_why(self, entry[0]), listed)
            return [
                Finding(path, f"SHA-256 {digest}, as {manifest} has it", found, stage="bytes")
                for (path, digest, manifest), found in zip(listed, digests, strict=True)
                if found != f"SHA-256 {digest}"
            ]

    def check_listing(self, listing: Listing) -> list[Finding]:
        """Return a finding for each file listed but missing, or there but not listed.

        Signatures cannot be listed in what they sign; of the rest only the tag manifest is not.
        """
        findings = []
        for manifest, listed in ((MANIFEST, listing.payload), (TAG_MANIFEST, listing.tags)):
            expected, found = "a file that is here", "it is missing"
            findings += [
                Finding(f"{manifest} # {path}", expected, found, stage="completeness")
                for path in listed
                if path not in self.files
            ]
        for path in self.files:
            inside = path.startswith("data/")
            if path in (listing.payload if inside else listing.tags):
                continue
            if path != TAG_MANIFEST and not path.startswith(SIGNATURE_FOLDER):
                expected = f"only files listed in {MANIFEST if inside else TAG_MANIFEST}"
                findings.append(Finding(path, expected, "not listed", stage="completeness"))
        return findings


@dataclass(frozen=True, slots=True)
class Listing:
    """What a bag says of itself: manifests, and lines of `bag-info.txt` by label."""

    payload: Mapping[str, str]  # path -> SHA-256
    tags: Mapping[str, str]
    info: Mapping[str, tuple[str, ...]]
    findings: tuple[Finding, ...] = field(default=())


@contextmanager
def open_bag(path: Path) -> Iterator[Bag]:
    """Open a bag, a folder or a .zip of one, for the length of a ``with`` block.

    Raises
    ------
    SealError
        If there is no bag at `path`.
    HostileBagError
        If reading it would not be safe: names that lead out or that some systems take for
        something else, links, devices, more or larger files than a review has, a zip that
        unpacks to far more than it holds. The findings say which.
    """
    if path.is_dir():
        yield Bag(path.name, path, _scan_folder(path))
        return
    if not path.is_file():
        raise SealError(f"{path.name}: no such bag")
    with tempfile.TemporaryDirectory(prefix="marginbook-") as temporary:
        folder = _unpack_zip(path, Path(temporary))
        yield Bag(folder.name, folder, _scan_folder(folder))


def _scan_folder(folder: Path) -> dict[str, int]:
    """Return the files under a folder and their sizes, following nothing.

    Raises
    ------
    HostileBagError
        For links, devices, pipes, names that cannot stand in a bag, too many or too large files.
    """
    sizes: dict[str, int] = {}
    faults: list[Finding] = []
    stack = [("", folder)]
    entries = 0
    while stack and len(faults) < SHOWN:
        prefix, here = stack.pop()
        try:
            with os.scandir(here) as listing:
                for entry in listing:
                    entries += 1
                    if entries > MAX_FILES:
                        raise HostileBagError([_too_many()])
                    name = prefix + entry.name
                    fault = name_fault(name)
                    mode = entry.stat(follow_symlinks=False).st_mode
                    if fault:
                        faults.append(_fault(_printable(name), "a plain relative path", fault))
                    elif stat.S_ISDIR(mode):
                        stack.append((name + "/", here / entry.name))
                    elif not stat.S_ISREG(mode):
                        faults.append(_fault(name, "a regular file", _kind_of_file(mode)))
                    else:
                        sizes[name] = entry.stat(follow_symlinks=False).st_size
        except OSError as error:
            raise SealError(f"{prefix or folder.name}: cannot be read: {error.strerror}") from None
    for name, size in sizes.items():
        if size > MAX_FILE_BYTES:
            faults.append(_fault(name, f"at most {MAX_FILE_BYTES} bytes", f"{size} bytes"))
    if sum(sizes.values()) > MAX_TOTAL_BYTES:
        faults.append(
            _fault(".", f"at most {MAX_TOTAL_BYTES} bytes in all", f"{sum(sizes.values())}")
        )
    names = sorted(sizes)
    faults += [
        _fault(second, "names that differ in more than case or Unicode form", f"also {first}")
        for first, second in find_twins(names)
    ]
    if faults:
        raise HostileBagError(faults[:SHOWN])
    return {name: sizes[name] for name in names}


def _text(bag: Bag, name: str, findings: list[Finding]) -> str:
    """Return a tag file as text; what is not UTF-8 or too long becomes a finding."""
    try:
        return bag.read(name).decode("utf-8")
    except UnicodeDecodeError as error:
        findings.append(_fault(name, "UTF-8 text", f"byte {error.start} is not"))
    except SealError as error:
        findings.append(_fault(name, "a file that can be read", str(error)))
    return ""


def _read_manifest(bag: Bag, name: str, findings: list[Finding]) -> dict[str, str]:
    """Return path to hash of a manifest; each line that is not one becomes a finding."""
    hashes: dict[str, str] = {}
    if name not in bag.files:
        return hashes
    # Only LF and CRLF end a line: other programs take other marks for part of a name.
    lines = [line.removesuffix("\r") for line in _text(bag, name, findings).split("\n")]
    if lines and not lines[-1]:
        lines.pop()
    if len(lines) > MAX_FILES:
        findings.append(_fault(name, f"at most {MAX_FILES} lines", f"{len(lines)}"))
        lines = []
    for number, line in enumerate(lines, 1):
        match = _LINE.fullmatch(line)
        # Three characters are written as codes in a manifest (RFC 8493, section 2.1.3).
        path = re.sub("%0[AaDd]|%25", lambda m: chr(int(m[0][1:], 16)), match[2]) if match else ""
        fault = name_fault(path) if match else "not a hash, spaces and a path"
        if path in hashes:
            fault = "the path stands twice"
        if fault or match is None:
            place = f"{name} # line {number}"
            findings.append(
                _fault(
                    place,
                    "a hash and a plain relative path",
                    f"{fault}: {_printable(line[:160])!r}",
                )
            )
            continue
        hashes[path] = match[1].lower()
    return hashes


def _read_info(bag: Bag, findings: list[Finding]) -> dict[str, tuple[str, ...]]:
    """Return the lines of `bag-info.txt` by label; long values may go on in indented lines."""
    lines: dict[str, list[list[str]]] = {}  # of each label its values, each a list of lines
    if "bag-info.txt" not in bag.files:
        return {}
    label = ""
    for number, line in enumerate(_text(bag, "bag-info.txt", findings).splitlines(), 1):
        if line[:1] in {" ", "\t"} and label:
            lines[label][-1].append(line.strip())
        elif ":" in line:
            label, value = (part.strip() for part in line.split(":", 1))
            lines.setdefault(label, []).append([value])
        elif line.strip():
            findings.append(
                _fault(f"bag-info.txt # line {number}", "label: value", repr(line[:80]))
            )
    return {label: tuple(map(" ".join, values)) for label, values in lines.items()}


def _digest_or_why(bag: Bag, path: str) -> str:
    """Return a file's hash as a finding shows it, or why it cannot be read."""
    try:
        return f"SHA-256 {bag.digest(path)}"
    except (SealError, OSError) as error:
        return str(error)


_BASE_S, _S_PER_MB = 120, 4  # of processor time; reading and measuring a log takes about 0.2 s a MB
_BASE_BYTES, _BYTES_PER_BYTE = 8 << 30, 40  # of memory


def verify_with(
    python: Path | None, bag: Path, *, arguments: Sequence[str]
) -> tuple[int, list[str]]:
    """Have a bag verified in a process with limits, by this version of the kit or another.

    Parameters
    ----------
    python : Path or None
        The Python of an environment in which another version is installed; None for this one.
    bag : Path
        A sealed review, folder or zip.
    arguments : sequence of str
        What else its `verify` is asked.

    Returns
    -------
    int, list of str
        The status it answers, and what another version said on standard error. Its answer goes
        where ours would.

    Raises
    ------
    UsageError
        If `python` cannot be started.
    SealError
        If it ends without an answer: at a limit, which is named, or by a fault of its own.

    Notes
    -----
    The process gets processor time and memory after the size of the bag, files of at most
    `MAX_FILE_BYTES`, and ten times that time by the clock. Where the system has no such limits
    (Windows), the clock's alone holds. Another version sees an empty folder, none of the caller's
    environment and no user's packages.
    """
    limit_s, limit_bytes, clock_s = _limits(bag)
    who = str(python) if python is not None else bag.name
    with tempfile.TemporaryDirectory(prefix="marginbook-with-") as folder:
        cause_file = Path(folder, "cause")
        here = [str(Path(entry).absolute()) for entry in sys.path]
        start = [sys.executable, "-P", "-c", _OWN, json.dumps([here, str(cause_file)])]
        if python is not None:
            start = [str(python.absolute()), "-I", "-m", "kit"]
        empty = {"HOME": folder, "PATH": os.defpath, "LC_ALL": "C.UTF-8"}
        try:
            done = subprocess.run(
                [*start, "verify", str(bag.absolute() if python is not None else bag), *arguments],
                cwd=None if python is None else folder,
                env=None if python is None else empty,
                stdin=subprocess.DEVNULL,
                stderr=None if python is None else subprocess.PIPE,
                timeout=clock_s,
                preexec_fn=partial(_limit_process, limit_s, limit_bytes) if _POSIX else None,
                check=False,
            )
        except OSError as error:
            raise UsageError(f"{who}: cannot be started: {error.strerror}") from None
        except subprocess.TimeoutExpired:
            raise SealError(f"{who}: NOT verified: no answer within {clock_s} s") from None
        told = cause_file.read_bytes() if cause_file.is_file() else done.stderr or b""
    said = told.decode("utf-8", "replace").splitlines()
    if done.returncode >= 0 and "Traceback (most recent call last):" not in said:
        return done.returncode, said
    cause = f"signal {-done.returncode}" if done.returncode < 0 else said[-1]
    if done.returncode == -getattr(signal, "SIGXCPU", 0):
        cause = f"more than {limit_s} s of processor time"
    elif cause.startswith(("MemoryError", "numpy._core._exceptions._ArrayMemoryError")):
        cause = f"more than {limit_bytes >> 20} MB of memory"
    raise SealError(
        f"{who}: NOT verified: it stopped at {cause:.200}. Of a bag you trust, "
        "--no-limits tells more"
    )


def _limits(bag: Path) -> tuple[int, int, int]:
    """Return processor time (s), memory (bytes) and time by the clock (s) for verifying a bag."""
    try:
        size = sum(_scan_folder(bag).values()) if bag.is_dir() else 8 * bag.stat().st_size
    except (SealError, OSError):
        size = 0  # told by whoever opens it
    limit_s = _BASE_S + _S_PER_MB * (size >> 20)
    return limit_s, _BASE_BYTES + _BYTES_PER_BYTE * size, 10 * limit_s


_POSIX = os.name == "posix"
# A fault is told to a file: standard error shows how far it has come.
_OWN = """
import sys, json
sys.path[:], said = json.loads(sys.argv.pop(1))
sys.excepthook = lambda kind, error, _: open(said, "w", errors="replace").write(
    f"Traceback (most recent call last):\\n{kind.__name__}: {error}"
)
from kit.cli import app
app()
"""


def _limit_process(limit_s: int, limit_bytes: int) -> None:
    """Limit the process that is about to start."""
    import resource

    for kind, most in (
        (resource.RLIMIT_CPU, limit_s),
        (resource.RLIMIT_AS, limit_bytes),
        (resource.RLIMIT_FSIZE, MAX_FILE_BYTES),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(kind)
        bound = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (bound, hard))
