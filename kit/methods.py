"""Every method and every mark a claim can name, in words, as the method page has them.

A claim names its method and the version it was made with. A method whose result changes for the
same inputs gets a new version, and the list of changes in DEVELOPERS.md says by how much. Methods
are the rows of the last table of `kit/methods.md`, on which the whole formula of each stands under
its name; marks those of the table before it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from kit.package import PACKAGE

_PAGE = (PACKAGE / "methods.md").read_text(encoding="utf-8")
_METHOD = re.compile(r"^\| `([\w-]+)` \| (\d+) \| (.+) \|$", re.MULTILINE)
_MARK = re.compile(r"^\| `(\w+)` \| (.+) \|$", re.MULTILINE)


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


METHODS: Mapping[str, _Method] = MappingProxyType(
    {
        name: _Method(name, int(version), words)
        for name, version, words in _METHOD.findall(_PAGE.partition("<!-- all methods -->")[2])
    }
)
# What each mark on a figure means; those that name something are worded by the claims' book.
MARKS: Mapping[str, str] = MappingProxyType(
    dict(_MARK.findall(_PAGE.partition("<!-- all marks -->")[2].partition("<!-- end")[0]))
)
