"""What is installed, beside the versions the kit was locked to (`kit/lock.txt`)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.metadata import distributions, requires

from kit.package import PACKAGE

LOCK = PACKAGE / "lock.txt"


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


def installed_versions() -> dict[str, str]:
    """Return the installed versions by normal name."""
    found = {}
    for installed in distributions():
        # Read as plain lines: parsed as a message, some 200 of them take a tenth of a second.
        text = installed.read_text("METADATA") or installed.read_text("PKG-INFO") or ""
        head = text.partition("\n\n")[0]
        name = re.search(r"^Name: *(.+?) *$", head, re.MULTILINE)
        version = re.search(r"^Version: *(.+?) *$", head, re.MULTILINE)
        if name and version:
            found[normal_name(name[1])] = version[1]
    return found


def direct_names() -> set[str]:
    """Return the normal names of the packages the kit asks for, extras for tests aside."""
    named = set()
    for line in requires("marginbook") or []:
        if 'extra == "test"' in line or 'extra == "cluster"' in line:
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
