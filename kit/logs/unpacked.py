"""Recorded bytes to blocks of text lines: read once, hashed on the way, unpacked within limits.

Nothing here holds more than a few blocks in memory, whatever the file claims to contain.
"""

from __future__ import annotations

import codecs
import gzip
import hashlib
import io
import os
import stat
import threading
import zlib
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path
from typing import Any

from kit.errors import RunFileError, did_you_mean

# A block this small stays in the processor's cache from hashing to parsing.
CHUNK_BYTES = 2 * 1024 * 1024
_MAX_UNPACKED_BYTES = 4 * 1024**3
# A real log packs 3 to 30 times smaller. Up to 64 MB any ratio is let through: it does no harm.
_MAX_RATIO = 200
_RATIO_FREE_BYTES = 64 * 1024 * 1024
MAX_LINE_BYTES = 1024 * 1024
# Below this, handing over to another thread takes as long as the hash.
_INLINE_HASH_BYTES = 1024 * 1024

_TAKE_AGAIN = "take the log from the recorder again"

GZIP = b"\x1f\x8b"
ZSTD = b"\x28\xb5\x2f\xfd"
PARQUET = b"PAR1"
_FOREIGN = {
    b"PK\x03\x04": "a zip archive or a spreadsheet; unpack it, or save the sheet as CSV",
    b"BZh": "packed with bzip2; unpack it, or pack it with gzip or zstd",
    b"\xfd7zXZ": "packed with xz; unpack it, or pack it with gzip or zstd",
    b"7z\xbc\xaf": "a 7z archive; unpack it",
    PARQUET: "a Parquet file; say `container: parquet` in its layout",
}


class Digest:
    """SHA-256 of the chunks that pass, taken in a second thread while they are being parsed.

    Parameters
    ----------
    known : str, optional
        The digest, where it is known already: the bytes are only counted then.

    Attributes
    ----------
    size_bytes : int
        How many bytes passed.
    """

    def __init__(self, *, known: str | None = None) -> None:
        self._sha = hashlib.sha256()
        self._known = known
        self._thread: threading.Thread | None = None
        self.size_bytes = 0

    def of_passing(self, chunks: Iterable[bytes]) -> Iterator[bytes]:
        """Yield `chunks` unchanged, hashing each."""
        for chunk in chunks:
            self._wait()
            self.size_bytes += len(chunk)
            if self._known is None and len(chunk) < _INLINE_HASH_BYTES:
                self._sha.update(chunk)
            elif self._known is None:
                # hashlib gives up the interpreter lock for large buffers, and so does the parser.
                self._thread = threading.Thread(target=self._sha.update, args=(chunk,))
                self._thread.start()
            yield chunk

    def hexdigest(self) -> str:
        """Return the digest of all that passed, in hexadecimal."""
        self._wait()
        return self._known or self._sha.hexdigest()

    def _wait(self) -> None:
        if self._thread is not None:
            self._thread.join()
            self._thread = None


def recorded_chunks(path: Path, *, file: str) -> Iterator[bytes]:
    """Yield the bytes of a raw log as recorded, in chunks of at most `CHUNK_BYTES`.

    Parameters
    ----------
    path : Path
        The log.
    file : str
        The name faults give it.

    Raises
    ------
    RunFileError
        If there is no such regular file, it may not be read, or it changed meanwhile.
    """
    try:
        # Looked at before it is opened: opening a named pipe would wait for ever.
        if not stat.S_ISREG(path.stat().st_mode):
            what = "a folder" if path.is_dir() else "not a regular file (a pipe or a device?)"
            raise RunFileError.at(file, f"is {what}; a log is a file")
        with path.open("rb", buffering=0) as stream:
            before = os.fstat(stream.fileno())
            size = 0
            while chunk := stream.read(min(CHUNK_BYTES, max(before.st_size - size, 0) + 1)):
                size += len(chunk)
                yield chunk
            after = os.fstat(stream.fileno())
    except FileNotFoundError:
        raise RunFileError.at(file, "no such file" + near_file(path)) from None
    except PermissionError:
        said = "may not be read by this user; change the file's permissions"
        raise RunFileError.at(file, said) from None
    except OSError as error:
        raise RunFileError.at(file, f"cannot be read: {error.strerror or error}") from None
    if (before.st_mtime_ns, before.st_size) != (after.st_mtime_ns, size):
        said = "changed while it was being read; wait until the recording is finished"
        raise RunFileError.at(file, f"{said}, then run again")


def near_file(path: Path) -> str:
    """Say which file beside a missing one differs only in its ending or in capitals.

    Logs of one series have names that are close to each other, so closeness alone says nothing.
    """
    try:
        names = sorted(entry.name for entry in os.scandir(path.parent))
    except OSError:
        return ", and no such folder"
    stem = path.name.partition(".")[0].lower()
    near = [name for name in names if name.partition(".")[0].lower() == stem]
    return did_you_mean(near[0], near[:1]) if near and stem else ""


def text_blocks(chunks: Iterable[bytes], *, encoding: str, file: str) -> Iterator[bytes]:
    """Yield the text of a log as UTF-8 blocks of whole lines, unpacked and without a mark.

    Parameters
    ----------
    chunks : iterable of bytes
        The bytes as recorded: plain, gzip or zstd.
    encoding : str
        What the layout declares.
    file : str
        The name faults give the log.

    Raises
    ------
    RunFileError
        If the bytes are not text so encoded, a packed stream is damaged or unpacks to more than
        the limits allow, or a line is longer than `MAX_LINE_BYTES`.
    """
    pieces = _without_mark(unpacked_pieces(chunks, file), encoding, file)
    yield from _cut_at_lines(_decoded(pieces, encoding, file), file)


def unpacked_pieces(chunks: Iterable[bytes], file: str) -> Iterator[bytes]:
    """Return plain bytes, whatever the packing the first bytes speak of.

    Parameters
    ----------
    chunks : iterable of bytes
        The bytes as recorded: plain, gzip or zstd.
    file : str
        The name faults give the log.

    Raises
    ------
    RunFileError
        If the first bytes are those of a file that is no log, or, while the pieces are taken, a
        packed stream is damaged or too large.
    """
    stream = iter(chunks)
    first = next(stream, b"")
    whole = chain([first] if first else [], stream)
    for magic, packing in ((GZIP, "gzip"), (ZSTD, "zstd")):
        if first.startswith(magic):
            return _unpacked(whole, packing, file)
    for magic, what in _FOREIGN.items():
        if first.startswith(magic):
            raise RunFileError.at(file, f"is {what}")
    return whole


def check_size(taken: int, given: int, file: str) -> None:
    """Refuse a packed log that unpacks to more than any log holds.

    Parameters
    ----------
    taken, given : int
        Bytes read so far, and what they unpacked to.
    file : str
        The name faults give the log.

    Raises
    ------
    RunFileError
        If it is too large, or packs better than frame times do.
    """
    if given > _MAX_UNPACKED_BYTES:
        said = f"unpacks to more than {_MAX_UNPACKED_BYTES >> 30} GiB; not a log"
        raise RunFileError.at(file, said)
    if given > _RATIO_FREE_BYTES and given > _MAX_RATIO * taken:
        said = f"unpacks to more than {_MAX_RATIO} times its {taken} bytes; no frame-time log does"
        raise RunFileError.at(file, f"{said}, so {_TAKE_AGAIN}")


class _ChunkFile(io.RawIOBase):
    """Chunks as a file that can be read forwards."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        super().__init__()
        self._chunks = chunks
        self._chunk = b""
        self._at = 0
        self.taken = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any, /) -> int:
        if self._at >= len(self._chunk):
            self._chunk, self._at = next(self._chunks, b""), 0
        part = self._chunk[self._at : self._at + len(buffer)]
        buffer[: len(part)] = part
        self._at += len(part)
        self.taken += len(part)
        return len(part)


def _unpacked(chunks: Iterator[bytes], packing: str, file: str) -> Iterator[bytes]:
    """Yield the contents of a packed file; of a gzip file, of all its members."""
    source = _ChunkFile(chunks)
    given = 0
    try:
        with _unpacking(source, packing) as stream:
            while piece := stream.read(CHUNK_BYTES):
                given += len(piece)
                check_size(source.taken, given, file)
                yield piece
    except (OSError, EOFError, zlib.error) as error:
        if isinstance(error, EOFError) or "Truncated" in str(error):
            said = f"the {packing} data end too early; the copy was cut short"
            raise RunFileError.at(file, f"{said}, so copy the log again") from None
        said = f"damaged {packing} data ({error}); {_TAKE_AGAIN}"
        raise RunFileError.at(file, said) from None


def _unpacking(source: _ChunkFile, packing: str) -> Any:
    """Return a stream of what a packed file holds."""
    if packing == "gzip":
        return gzip.GzipFile(fileobj=source)
    import pyarrow as pa

    return pa.CompressedInputStream(pa.PythonFile(source, mode="r"), packing)


def _without_mark(pieces: Iterator[bytes], encoding: str, file: str) -> Iterator[bytes]:
    """Take a byte-order mark off UTF-8, and refuse text that carries another encoding's mark."""
    first = next(pieces, b"")
    if encoding != "utf-16":
        if first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            said = "is UTF-16 text by its first bytes; say `encoding: utf-16` in its layout"
            raise RunFileError.at(file, said)
        first = first.removeprefix(codecs.BOM_UTF8)
    return chain([first] if first else [], pieces)


def _decoded(pieces: Iterator[bytes], encoding: str, file: str) -> Iterator[bytes]:
    """Yield UTF-8. Text declared as UTF-8 is passed on as it is; it is checked block by block."""
    if encoding == "utf-8":
        yield from pieces
        return
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        for piece in pieces:
            yield decoder.decode(piece).encode("utf-8")
        yield decoder.decode(b"", final=True).encode("utf-8")
    except UnicodeError as error:
        said = f"is not {encoding.upper()} text ({error}); correct `encoding` in its layout"
        raise RunFileError.at(file, said) from None


def _cut_at_lines(pieces: Iterator[bytes], file: str) -> Iterator[bytes]:
    """Yield blocks that end with a line, each of more than a line at its longest but the last.

    A log that comes in one piece is passed on without a copy.
    """
    filled = filter(None, pieces)
    held = next(filled, b"")
    while following := next(filled, b""):
        if len(held) <= MAX_LINE_BYTES:  # packed data may come in small pieces
            held += following
            continue
        end = held.rfind(b"\n") + 1
        if len(held) - end > MAX_LINE_BYTES:
            raise RunFileError.at(
                file,
                f"a line is longer than {MAX_LINE_BYTES >> 20} MiB; the file is not a log of rows, "
                "or its line ends were lost",
            )
        yield held[:end]
        held = held[end:] + following
    if held:
        yield held
