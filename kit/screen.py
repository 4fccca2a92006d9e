"""Which runs are flagged or set aside, each with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class Flag:
    """What one rule says of one run, cell (product in title), title or product.

    `action` is "set_aside" (the run is left out of the figures), "flag" (kept, but marked) or
    "cannot_judge" (the rule cannot tell, and why). `run`, `product` and `title` are empty where
    the flag is about more than one of them.
    """

    rule: str
    action: Literal["flag", "set_aside", "cannot_judge"]
    reason: str
    run: str = ""
    product: str = ""
    title: str = ""


@dataclass(frozen=True, slots=True)
class Screened:
    """The outcome of screening: flags, and the runs set aside with their reasons."""

    flags: tuple[Flag, ...] = ()
    set_aside: Mapping[str, str] = field(default_factory=dict)  # run -> reason

    def flags_of(self, *, run: str = "", product: str = "", title: str = "") -> tuple[Flag, ...]:
        """Return the flags about a run, or about a product in a title."""
        return tuple(
            f for f in self.flags
            if (run and f.run == run)
            or (not run and f.product in ("", product) and f.title in ("", title) and not f.run)
        )
