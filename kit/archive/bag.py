"""A BagIt 1.0 folder (RFC 8493), written whole or not at all; and the same as one zip.

Names are held to what every file system of today can store: a bag that some readers cannot
unpack is no archive.
"""

from __future__ import annotations

import datetime as dt
import errno
import hashlib
import os
import re
import shutil
import stat
import tempfile
import unicodedata
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from kit.bench.journal import sync_folder
from kit.errors import SealError

BAGIT_TXT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
MAX_NAME_BYTES = 900  # Windows and older tools stop at 1,024 with a folder before it
MAX_DEPTH = 24
SHOWN = 20  # faults of one kind that are listed before "and n more"
CHUNK_BYTES = 1 << 20

# Names Windows gives to devices in every folder, with any extension ("File naming", Win32 file
# documentation).
_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$", "clock$"} | {
    f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789¹²³"
}
# Marks that turn the direction of text: a name would be shown as another.
_TURNING = set(range(0x202A, 0x202F)) | set(range(0x2066, 0x206A)) | {0x200E, 0x200F, 0x061C}
_NOT_PORTABLE = set('<>"|?*%')


@dataclass(frozen=True, slots=True)
class Item:
    """One file to put into a bag: its path there, its bytes or where they are.

    Where `sha256` is given, the bytes written must have it.
    """

    path: str
    source: Path | bytes
    sha256: str = ""

    def measure(self) -> tuple[int, str]:
        """Return size, in bytes, and SHA-256 of its bytes.

        Raises
        ------
        OSError
            If its file cannot be read.
        """
        if isinstance(self.source, bytes):
            return len(self.source), hashlib.sha256(self.source).hexdigest()
        with self.source.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            return stream.tell(), digest


def name_fault(name: str) -> str | None:
    """Return why a path cannot stand in a bag, or None.

    >>> name_fault("data/../../etc")
    'a part is ".."'
    >>> name_fault("data/logs/aux.csv")
    '"aux.csv" is the name of a device on some systems'
    >>> name_fault("data/logs/a.csv") is None
    True
    """
    if not name:
        return "the name is empty"
    try:
        size = len(name.encode("utf-8"))
    except UnicodeEncodeError:
        return "the name is not UTF-8"
    if size > MAX_NAME_BYTES:
        return f"the name has {size} bytes; at most {MAX_NAME_BYTES} are used"
    for character in name:
        if unicodedata.category(character) in {"Cc", "Zl", "Zp"} or ord(character) in _TURNING:
            return f"the name holds the control character U+{ord(character):04X}"
    if name.startswith(("/", "\\")):
        return "the path is absolute"
    if re.match(r"[A-Za-z]:", name):
        return "the path starts with a drive letter"
    if "\\" in name:
        return "the path holds a backslash"
    parts = name.split("/")
    if len(parts) > MAX_DEPTH:
        return f"the path is {len(parts)} folders deep; at most {MAX_DEPTH} are used"
    for part in parts:
        fault = _part_fault(part)
        if fault:
            return fault
    return None


def _part_fault(part: str) -> str | None:
    """Return why one part of a path cannot stand in a bag, or None.

    Names that Windows keeps for devices, cuts (a dot or space at the end) or cannot hold are
    refused on every system: the bag must be unpacked on any.
    """
    if part in {"", ".", ".."}:
        return f'a part is "{part}"'
    if part.startswith("~"):
        return f'"{part}" starts with "~"'
    if part != part.strip(" ") or part.endswith("."):
        return f'"{part}" starts or ends with a space, or ends with a dot'
    if part.split(".")[0].rstrip(" ").casefold() in _DEVICES:
        return f'"{part}" is the name of a device on some systems'
    odd = sorted((_NOT_PORTABLE | {":"}) & set(part))
    if odd:
        return f'"{part}" holds {" ".join(odd)}, which some systems cannot store'
    return None


def _folded(name: str) -> str:
    """Return a name as a file system would compare it that ignores case and Unicode form.

    Canonical caseless matching, The Unicode Standard, section 3.13, definition D145.
    """
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())


def find_twins(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return pairs of different paths that some file systems hold to be one.

    Folders count too: ``data/Logs/a`` and ``data/logs/b`` would end up in one folder.

    >>> find_twins(["data/A.csv", "data/a.csv"])
    [('data/A.csv', 'data/a.csv')]
    """
    seen: dict[str, str] = {}
    twins = []
    for name in names:
        parts = name.split("/")
        for end in range(1, len(parts) + 1):
            path = "/".join(parts[:end])
            first = seen.setdefault(_folded(path), path)
            if first != path:
                twins.append((first, path))
                break
    return twins


def oxum(sizes: Iterable[int]) -> str:
    """Return the Payload-Oxum of files of these sizes: bytes, a dot, number of files.

    Parameters
    ----------
    sizes : iterable of int
        Sizes of the payload's files, in bytes.

    References
    ----------
    RFC 8493, section 2.2.2.
    """
    listed = list(sizes)
    return f"{sum(listed)}.{len(listed)}"


def manifest_bytes(hashes: Mapping[str, str]) -> bytes:
    """Return a manifest: a line `hash  path` for each file, sorted by the bytes of the path.

    Parameters
    ----------
    hashes : mapping of str to str
        Path in the bag to SHA-256, in hexadecimal digits.

    References
    ----------
    RFC 8493, section 2.1.3. Paths that it would have written as codes do not pass `name_fault`.
    """
    lines = sorted(hashes.items(), key=lambda item: item[0].encode())
    return "".join(f"{digest}  {path}\n" for path, digest in lines).encode()


def info_bytes(date: dt.date, sizes: Sequence[int], info: Sequence[tuple[str, str]]) -> bytes:
    """Return `bag-info.txt` of a payload of files of these sizes.

    Parameters
    ----------
    date : date
        The Bagging-Date.
    sizes : sequence of int
        Sizes of the payload's files, in bytes.
    info : sequence of (str, str)
        Further lines, label and value; white space in a value is folded, so that each is a line.
    """
    lines = [("Bagging-Date", date.isoformat()), ("Payload-Oxum", oxum(sizes)), *info]
    return "".join(f"{label}: {' '.join(str(v).split())}\n" for label, v in lines).encode()


def write_bag(
    payload: Sequence[Item],
    *,
    to: Path,
    date: dt.date,
    info: Sequence[tuple[str, str]] = (),
    tags: Sequence[Item] = (),
    sign: Callable[[bytes], Mapping[str, bytes]] | None = None,
    inspect: Callable[[Path], None] | None = None,
) -> Path:
    """Write a bag; under its final name stands nothing or the whole bag.

    Parameters
    ----------
    payload : sequence of Item
        Files of the payload; each path starts with ``data/``.
    to : Path
        The bag's folder. Must not exist.
    date : date
        The Bagging-Date, and the date of every file and folder, at midnight UTC.
    info : sequence of (str, str)
        Further lines of `bag-info.txt`, in this order.
    tags : sequence of Item
        Tag files beside the payload; listed in the tag manifest.
    sign : callable, optional
        Is given the tag manifest and returns tag files (path to bytes) that cannot be listed in
        it: signatures.
    inspect : callable, optional
        Is given the folder of the whole bag before it gets its name; what it raises, stops it.

    Returns
    -------
    Path
        `to`.

    Raises
    ------
    SealError
        If `to` exists, names cannot stand in a bag, a file is not what it was when it was
        hashed, or the disk refuses. Nothing is left behind.
    """
    _check_names(payload, tags)
    stamp = dt.datetime.combine(date, dt.time(), tzinfo=dt.UTC).timestamp()
    with _whole_or_not(to) as work:
        work.mkdir()
        written = {item.path: _put(work, item, stamp) for item in payload}
        hashes = {path: digest for path, (_, digest) in written.items()}
        listed = [
            Item("bagit.txt", BAGIT_TXT),
            Item("bag-info.txt", info_bytes(date, [size for size, _ in written.values()], info)),
            Item(MANIFEST, manifest_bytes(hashes)),
            *tags,
        ]
        tag_manifest = manifest_bytes({item.path: _put(work, item, stamp)[1] for item in listed})
        _put(work, Item(TAG_MANIFEST, tag_manifest), stamp)
        for path, data in sorted(sign(tag_manifest).items() if sign else ()):
            _put(work, Item(path, data), stamp)
        for folder, _, _ in os.walk(work, topdown=False):
            os.utime(folder, (stamp, stamp))
            sync_folder(Path(folder))
        if inspect is not None:
            inspect(work)
        work.chmod(0o755)
    return to


@contextmanager
def _whole_or_not(to: Path) -> Iterator[Path]:
    """Give a path where something is made that gets its name `to` only once it is whole.

    Raises
    ------
    SealError
        If `to` exists, or the disk refuses. Nothing is left behind.
    """
    taken = SealError(f"{to.name}: exists already; a sealed review is never written over")
    if to.exists() or to.is_symlink():
        raise taken
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{to.name}.", suffix=".partial", dir=to.parent,
                                         ignore_cleanup_errors=True) as folder:  # fmt: skip
            work = Path(folder, to.name)
            yield work
            # Fails on any platform if a folder with content, or a file, stands there by now.
            work.rename(to)
        sync_folder(to.parent)
    except OSError as error:
        if error.errno in {errno.ENOTEMPTY, errno.EEXIST, errno.ENOTDIR}:
            raise taken from None
        why = "the disk is full; nothing was written. Make room and repeat"
        if error.errno != errno.ENOSPC:
            place = f" ({Path(str(error.filename)).name})" if error.filename else ""
            why = f"cannot be written: {error.strerror}{place}. Nothing was written"
        raise SealError(f"{to.name}: {why}") from None


def _check_names(payload: Sequence[Item], tags: Sequence[Item]) -> None:
    """Refuse paths that are not below data/, stand twice, or some systems cannot store.

    Raises
    ------
    ValueError
        If a path is outside the payload or stands twice: a bug of the caller.
    SealError
        With every name that cannot stand in an archive.
    """
    names = [item.path for item in (*payload, *tags)]
    for item in payload:
        if not item.path.startswith("data/"):
            raise ValueError(f"payload path {item.path!r} does not start with data/")
    if len(set(names)) != len(names):
        raise ValueError("a path stands twice among the files of the bag")
    faults = [f"{name!r}: {fault}" for name in names if (fault := name_fault(name))]
    faults += [f"{a!r} and {b!r} are one name on some systems" for a, b in find_twins(names)]
    if faults:
        more = f"\nand {len(faults) - SHOWN} more" if len(faults) > SHOWN else ""
        raise SealError(
            "these names cannot stand in an archive that every system can read; rename the files "
            "in the bench and in runs.csv:\n" + "\n".join(faults[:SHOWN]) + more
        )


def _put(work: Path, item: Item, stamp: float) -> tuple[int, str]:
    """Copy one item in, hashing the bytes that are written; return size and SHA-256.

    Raises
    ------
    SealError
        If the bytes are not those that `item.sha256` names: the file changed since the review ran.
    """
    target = work / item.path
    target.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    size = 0
    with target.open("xb") as out:
        if isinstance(item.source, bytes):
            chunks: Iterable[bytes] = (item.source,)
        else:
            chunks = _chunks(item.source)
        for chunk in chunks:
            out.write(chunk)
            digest.update(chunk)
            size += len(chunk)
        out.flush()
        os.fsync(out.fileno())
    target.chmod(0o644)
    os.utime(target, (stamp, stamp))
    if item.sha256 and item.sha256 != digest.hexdigest():
        raise SealError(
            f"{item.path}: is not what it was when the review was made: SHA-256 expected "
            f"{item.sha256}, found {digest.hexdigest()}. Put the file back as it was, or run the "
            "review again"
        )
    return size, digest.hexdigest()


def _chunks(source: Path) -> Iterable[bytes]:
    """Yield the bytes of a regular file, `CHUNK_BYTES` at a time.

    Raises
    ------
    SealError
        If it is a link, device or pipe by now.
    """
    with source.open("rb") as stream:
        if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise SealError(f"{source.name}: not a regular file")
        while chunk := stream.read(CHUNK_BYTES):
            yield chunk


def zip_bag(bag: Path, to: Path) -> Path:
    """Write a bag as one zip file: the same bag gives the same bytes.

    Files are stored, not compressed: compressed bytes differ from one zlib to the next, and raw
    logs are often compressed as recorded. The bag's folder is the one folder at the top
    (RFC 8493, section 4.2).

    Raises
    ------
    SealError
        If `to` exists, or the disk refuses. Nothing is left behind.
    """
    paths = sorted(
        (path.relative_to(bag).as_posix() for path in bag.rglob("*") if path.is_file()),
        key=lambda name: name.encode(),
    )
    with _whole_or_not(to) as work:
        with work.open("wb") as out:
            with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
                for path in paths:
                    entry = zipfile.ZipInfo(f"{bag.name}/{path}", (1980, 1, 1, 0, 0, 0))
                    entry.create_system = 3
                    entry.external_attr = (stat.S_IFREG | 0o644) << 16
                    entry.file_size = (bag / path).stat().st_size
                    with (bag / path).open("rb") as source, archive.open(entry, "w") as target:
                        shutil.copyfileobj(source, target, CHUNK_BYTES)
            out.flush()
            os.fsync(out.fileno())
        work.chmod(0o644)
    return to
