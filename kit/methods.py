"""Every method a claim can name: its version, its formula in words, what it does not do.

A claim names its method and the version it was made with. A method whose result changes for the
same inputs gets a new version, and the list of changes in DEVELOPERS.md says by how much. They are
the rows of the last table of `kit/methods.md`, on which the whole formula of each stands under its
name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from kit.package import PACKAGE

_TABLE = "<!-- all methods -->"
_ROW = re.compile(r"^\| `([\w-]+)` \| (\d+) \| (.+) \|$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class _Method:
    """One method.

    Attributes
    ----------
    name : str
        As claims, tables and the method page have it.
    version : int
        From 1; raised where results change for the same inputs.
    words : str
        Its formula in words, and what it does not do.
    """

    name: str
    version: int
    words: str


def _methods_of(page: str) -> dict[str, _Method]:
    """Return the methods that the last table of the method page lists, by name."""
    rows = _ROW.findall(page.partition(_TABLE)[2])
    return {name: _Method(name, int(version), words) for name, version, words in rows}


METHODS: Mapping[str, _Method] = MappingProxyType(
    _methods_of((PACKAGE / "methods.md").read_text(encoding="utf-8"))
)
