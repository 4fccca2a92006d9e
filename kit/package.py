"""Where the kit's own files are, and which: read as a tree, never as a flat list; and what is
installed beside the versions the kit was locked to (`kit/lock.txt`)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent
LOCK = PACKAGE / "lock.txt"
_STATED: ContextVar[Mapping[str, str] | None] = ContextVar("stated versions", default=None)


@cache
def module_paths() -> dict[str, Path]:
    """Return the file of each module of the kit by its dotted name below `kit`, sorted.

    Raises
    ------
    RuntimeError
        If a wing has no module: what keys and comparisons rest on would be missing in silence.
    """
    found = {
        ".".join(path.relative_to(PACKAGE).with_suffix("").parts): path
        for path in sorted(PACKAGE.rglob("*.py"))
        if "notebooks" not in path.parts
    }
    wings = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    empty = [wing for wing in sorted(wings) if not any(n.startswith(f"{wing}.") for n in found)]
    if empty or not wings:
        raise RuntimeError(f"no modules found in {', '.join(empty) or PACKAGE.name}")
    return found


@cache
def kit_version() -> str:
    """Return the version of the kit that makes the claims."""
    try:
        return version("marginbook")
    except PackageNotFoundError:
        return "0+unknown"


@dataclass(frozen=True, slots=True)
class _Package:
    """One package: installed and locked version; `direct` if the kit itself asks for it."""

    name: str
    installed: str  # "" where it is not installed
    locked: str  # "" where it is not locked
    direct: bool


def _normal_name(name: str) -> str:
    """Return a package's name in its normal form (PEP 503).

    >>> _normal_name("Ruamel.YAML")
    'ruamel-yaml'
    """
    return re.sub(r"[-_.]+", "-", name).lower()


def _locked_versions() -> dict[str, str]:
    """Return the locked versions by normal name."""
    found = {}
    for line in LOCK.read_text(encoding="utf-8").splitlines():
        name, sign, version = line.split("#")[0].strip().partition("==")
        if sign:
            found[_normal_name(name)] = version.split(";")[0].strip()
    return found


@contextmanager
def stated_versions(versions: Mapping[str, str]) -> Iterator[None]:
    """Let a page made meanwhile list these versions: a sealed page made anew lists its own."""
    token = _STATED.set(versions)
    try:
        yield
    finally:
        _STATED.reset(token)


def installed_versions() -> dict[str, str]:
    """Return the versions of what a review imports, by normal name.

    These are the packages the kit asks for and what they ask for in turn; others that happen to be
    installed beside them had no part in a review.
    """
    stated = _STATED.get()
    if stated is not None:
        return dict(stated)
    from importlib.metadata import distributions

    found: dict[str, str] = {}
    needed: dict[str, set[str]] = {}
    for installed in distributions():
        # Read as plain lines: parsed as a message, some 200 of them take a tenth of a second.
        text = installed.read_text("METADATA") or installed.read_text("PKG-INFO") or ""
        head = text.partition("\n\n")[0]
        name = re.search(r"^Name: *(.+?) *$", head, re.MULTILINE)
        version = re.search(r"^Version: *(.+?) *$", head, re.MULTILINE)
        if name and version:
            own = _normal_name(name[1])
            found[own] = version[1]
            asked = re.findall(r"^Requires-Dist: *([A-Za-z0-9._-]+)([^\n]*)", head, re.MULTILINE)
            needed[own] = {_normal_name(n) for n, rest in asked if "extra ==" not in rest}
    reached: set[str] = set()
    stack = ["marginbook", *_direct_names()]
    while stack:
        one = stack.pop()
        if one not in reached:
            reached.add(one)
            stack += needed.get(one, ())
    return {name: version for name, version in found.items() if name in reached}


def _direct_names() -> set[str]:
    """Return the normal names of the packages the kit asks for, extras for tests aside."""
    from importlib.metadata import requires

    named = set()
    for line in requires("marginbook") or []:
        if re.search(r"""extra == ['"](test|cluster)['"]""", line):  # quotes as the builder likes
            continue
        match = re.match(r"[A-Za-z0-9._-]+", line)
        if match and _normal_name(match[0]) != "marginbook":
            named.add(_normal_name(match[0]))
    return named


def compare_environment() -> tuple[_Package, ...]:
    """Return every locked package with its installed version, direct ones marked."""
    locked, installed, direct = _locked_versions(), installed_versions(), _direct_names()
    return tuple(
        _Package(name, installed.get(name, ""), locked.get(name, ""), name in direct)
        for name in sorted({*locked, *direct})
    )
