"""What is installed, beside the versions the kit was locked to (`kit/lock.txt`)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from importlib.metadata import distributions, requires

from kit.package import PACKAGE

LOCK = PACKAGE / "lock.txt"
_STATED: ContextVar[Mapping[str, str] | None] = ContextVar("stated versions", default=None)


@dataclass(frozen=True, slots=True)
class Package:
    """One package: installed and locked version; `direct` if the kit itself asks for it."""

    name: str
    installed: str  # "" where it is not installed
    locked: str  # "" where it is not locked
    direct: bool


def normal_name(name: str) -> str:
    """Return a package's name in its normal form (PEP 503).

    >>> normal_name("Ruamel.YAML")
    'ruamel-yaml'
    """
    return re.sub(r"[-_.]+", "-", name).lower()


def locked_versions() -> dict[str, str]:
    """Return the locked versions by normal name."""
    found = {}
    for line in LOCK.read_text(encoding="utf-8").splitlines():
        name, sign, version = line.split("#")[0].strip().partition("==")
        if sign:
            found[normal_name(name)] = version.split(";")[0].strip()
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
    found: dict[str, str] = {}
    needed: dict[str, set[str]] = {}
    for installed in distributions():
        # Read as plain lines: parsed as a message, some 200 of them take a tenth of a second.
        text = installed.read_text("METADATA") or installed.read_text("PKG-INFO") or ""
        head = text.partition("\n\n")[0]
        name = re.search(r"^Name: *(.+?) *$", head, re.MULTILINE)
        version = re.search(r"^Version: *(.+?) *$", head, re.MULTILINE)
        if name and version:
            own = normal_name(name[1])
            found[own] = version[1]
            asked = re.findall(r"^Requires-Dist: *([A-Za-z0-9._-]+)([^\n]*)", head, re.MULTILINE)
            needed[own] = {normal_name(n) for n, rest in asked if "extra ==" not in rest}
    reached: set[str] = set()
    stack = ["marginbook", *direct_names()]
    while stack:
        one = stack.pop()
        if one not in reached:
            reached.add(one)
            stack += needed.get(one, ())
    return {name: version for name, version in found.items() if name in reached}


def direct_names() -> set[str]:
    """Return the normal names of the packages the kit asks for, extras for tests aside."""
    named = set()
    for line in requires("marginbook") or []:
        if re.search(r"""extra == ['"](test|cluster)['"]""", line):  # quotes as the builder likes
            continue
        match = re.match(r"[A-Za-z0-9._-]+", line)
        if match and normal_name(match[0]) != "marginbook":
            named.add(normal_name(match[0]))
    return named


def compare_environment() -> tuple[Package, ...]:
    """Return every locked package with its installed version, direct ones marked."""
    locked, installed, direct = locked_versions(), installed_versions(), direct_names()
    return tuple(
        Package(name, installed.get(name, ""), locked.get(name, ""), name in direct)
        for name in sorted({*locked, *direct})
    )
