"""Results kept by content: what depends only on bytes and methods already seen is not made twice.

A key is a SHA-256 of everything a result depends on, so an entry is never stale; an entry carries
a checksum over key and contents, so a wrong, truncated or foreign one is not found but made anew.
The store only saves time. `verify` and `check --full` do not use it, and its folder may be deleted
at any time, which is also how it is cleared.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path

from kit.package import module_paths

STORE_FORMAT = "marginbook-store/1"
LIMIT_BYTES = 2 * 1024**3
SHARDS = 256
_HEAD = STORE_FORMAT.encode() + b" "


@dataclass(frozen=True, slots=True)
class Store:
    """A folder of entries, in sub-folders named with the first two digits of their keys."""

    folder: Path
    limit_bytes: int = LIMIT_BYTES

    @classmethod
    def of_user(cls, environ: Mapping[str, str], home: Path) -> Store:
        """Return the one store of this user on this machine; both as `_cache_folder` takes them."""
        return cls(_cache_folder(environ, home) / "store")

    def load(self, key: str) -> bytes | None:
        """Return what is kept under a key, or None where there is nothing whole."""
        try:
            data = self._path(key).read_bytes()
        except OSError:
            return None
        head, _, contents = data.partition(b"\n")
        return contents if head == _head(key, contents) else None

    def keep(self, key: str, contents: bytes) -> None:
        """Keep contents under a key: whole or not at all, whoever else writes at the same time.

        Where the folder cannot be written, nothing is kept; that is no fault.

        Parameters
        ----------
        key : str
            From `content_key`: 64 hexadecimal digits, of which the first two name the sub-folder.
        contents : bytes
            What to keep. A checksum is kept with it.
        """
        path = self._path(key)
        part = path.with_name(f"{path.name}.{os.getpid()}")
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            part.write_bytes(_head(key, contents) + b"\n" + contents)
            part.replace(path)
            if key[2:4] == "00":  # one time in 256 the bound is looked after
                self._trim(key[:2])
        except OSError:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)

    def _trim(self, shard: str) -> None:
        """Remove the entries of a sub-folder written first, until it is within its bound."""
        with os.scandir(self.folder / shard) as entries:
            found = sorted((e.stat().st_mtime_ns, e.stat().st_size, e.path) for e in entries)
        excess = sum(size for _, size, _ in found) - self.limit_bytes // SHARDS
        for _, size, path in found:
            if excess <= 0:
                break
            with contextlib.suppress(FileNotFoundError):  # another process was first
                Path(path).unlink()
            excess -= size

    def _path(self, key: str) -> Path:
        return self.folder / f"{key[:2]}/{key}"


def _cache_folder(environ: Mapping[str, str], home: Path) -> Path:
    """Return the folder for results of this user on this machine.

    Parameters
    ----------
    environ : mapping of str to str
        `MARGINBOOK_CACHE` names it; else it is `marginbook` in what the system has for caches.
    home : Path
        The user's folder.
    """
    if given := environ.get("MARGINBOOK_CACHE"):
        return Path(given)
    if local := environ.get("LOCALAPPDATA"):  # Windows
        return Path(local) / "marginbook" / "cache"
    # XDG Base Directory Specification 0.8: a relative path is not valid and is ignored.
    base = environ.get("XDG_CACHE_HOME", "")
    return (Path(base) if base.startswith("/") else home / ".cache") / "marginbook"


def content_key(*parts: str | bytes) -> str:
    """Return the key of a result that depends on these parts, in this order.

    Examples
    --------
    >>> content_key("a", "bc") == content_key("ab", "c")
    False
    """
    digest = hashlib.sha256(_HEAD)
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        digest.update(b"%d:" % len(data))
        digest.update(data)
    return digest.hexdigest()


@cache
def code_key(modules: Sequence[str], packages: Sequence[str]) -> str:
    """Return a key of the code a result is made with.

    Parameters
    ----------
    modules : sequence of str
        Modules of the kit by their dotted names below it, taken by their text: a change that forgot
        to raise a version counts.
    packages : sequence of str
        Other packages, taken by their version.
    """
    paths = module_paths()  # who names a module that was renamed must follow: it is not there
    parts: list[str | bytes] = [paths[name].read_bytes() for name in modules]
    parts += [f"{name} {version(name)}" for name in packages]
    return content_key(*parts)


@cache
def arithmetic() -> str:
    """Return what may move the last bit of a sum: the processor's vector units, by numpy's names.

    Two machines may share a folder, and results must be the same with and without the store.
    """
    import numpy as np

    found: Mapping[str, object] = np.show_config(mode="dicts") or {}
    return repr(found.get("SIMD Extensions"))


def _head(key: str, contents: bytes) -> bytes:
    digest = hashlib.sha256(key.encode())
    digest.update(contents)
    return _HEAD + digest.hexdigest().encode()
