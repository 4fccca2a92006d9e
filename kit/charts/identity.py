"""One identity a review: product to mark, colour and short name; order of titles. Draws nothing.

All of it follows from the claims alone, so that a product and a title look the same and stand in
the same place in every chart, table and page of a review.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from kit.claims.claim import Claim, ClaimBook
from kit.rounding import NBSP
from kit.settings.metric import HEADLINE


@dataclass(frozen=True, slots=True)
class Look:
    """How a product, an outcome or a run is marked; a product is marked so in every chart.

    Attributes
    ----------
    colour : str
        On a light ground, as ``#rrggbb``.
    shape : str
        A marker of matplotlib: one letter.
    dash : str or tuple
        A line style of matplotlib: "-", or offset and lengths in widths of the line.
    """

    colour: str
    shape: str = "o"
    filled: bool = False
    dash: Any = "-"
    foot: bool = False  # the mark stands on a line: another class of machine
    dashed: bool = False  # so is the edge of the mark
    dark: str = ""  # the colour on a dark ground
    css: str = ""  # the class that gives the colour on the page, light and dark


# Products, by their place in params. Vermilion: M. Okabe and K. Ito (2008), "Color Universal
# Design". Purple and indigo: P. Tol, "Colour Schemes", SRON/EPS/TN/09-002, "muted". The teal, the
# grey and the dark variants are our own: how far all six lie apart is measured in the tests.
REVIEWED = Look("#005c5e", filled=True, dark="#2fb5aa", css="p-own")
RIVALS = (
    Look("#d55e00", "s", dash=(0, (5, 2)), dark="#e8743b", css="p-a"),
    Look("#aa4499", "D", dash=(0, (1.5, 1.5)), dark="#f0b6d6", css="p-b"),
    Look("#332288", "^", dash=(0, (6, 2, 1.5, 2)), dark="#7294e0", css="p-c"),
)
PREDECESSOR = Look("#1c2326", dash=(0, (9, 3)), dark="#f4f1e8", css="p-before")
FURTHER = Look("#848c8f", dash=(0, (3, 3)), dark="#6f787b", css="p-more")
MORE_SHAPES = ("v", "P", "p", "X", "h", "*", "d", "<", ">")  # where one grey disc is taken


def _further_looks(count: int) -> list[Look]:
    """Return looks in grey, a disc and then other shapes; then these shapes in the hues.

    Parameters
    ----------
    count : int
        How many are wanted; past all shapes in all hues they begin again.
    """
    colours = (FURTHER, *RIVALS)
    more = [replace(c, shape=shape) for c in colours for shape in MORE_SHAPES]
    return [FURTHER, *(more * (1 + count // len(more)))][:count]


def plain_name(text: str) -> str:
    """Return a name as one line of text: no control characters, no override of direction.

    Parameters
    ----------
    text : str
        As it stands in a bench or a log; it may come from anyone.

    Returns
    -------
    str
        With white space of any kind as single spaces; "(no name)" where nothing is left.
    """
    kept = (" " if c.isspace() else c for c in text if c.isspace() or _shows(c))
    return re.sub(" +", " ", "".join(kept)).strip() or "(no name)"


def _shows(char: str) -> bool:
    # Cc: control, Cs: lone surrogate (not XML). Overrides of direction would turn figures round.
    return unicodedata.category(char) not in {"Cc", "Cs", "Cn"} and not (
        "\u202a" <= char <= "\u202e" or "\u2066" <= char <= "\u2069" or char in "\ufffe\uffff"
    )


def _reach(suites: Sequence[Claim]) -> float:
    """Return how far margins of groups lie apart, as a ratio: 1.0 where they are equal."""
    return max(s.figure for s in suites) / min(s.figure for s in suites)


@dataclass(frozen=True, slots=True)
class Identity:
    """How the products and titles of one review are marked, named and ordered.

    Attributes
    ----------
    book : ClaimBook
        Its claims; the marks follow from its settings, the order of titles from its margins.
    """

    book: ClaimBook

    def looks(self) -> dict[str, Look]:
        """Return the mark of each product of a review, in the order of its params.

        The reviewed product is filled, each other open with its shape; the same name in another
        class of machine stands on a foot line. It follows from the settings alone.

        Returns
        -------
        dict of str to Look
            By product, the reviewed one first. Products past the third rival are grey, told apart
            by shape, then by the hues again.
        """
        settings = self.book.settings
        rivals = [p for p in settings.get("rivals") or () if p != self.book.product]
        looks = {self.book.product: REVIEWED, **dict(zip(rivals, RIVALS, strict=False))}
        if before := settings.get("predecessor"):
            looks.setdefault(before, PREDECESSOR)
        pairs = settings.get("same_name") or ()
        others = [pair["there"] for pair in pairs if pair["there"] not in looks]
        for colour, there in zip(
            (PREDECESSOR, FURTHER, *RIVALS), dict.fromkeys(others), strict=False
        ):
            looks[there] = replace(colour, foot=True)
        further = [p for p in self.book.names.get("products", {}) if p not in looks]
        looks |= dict(zip(further, _further_looks(len(further)), strict=True))
        order = list(self.book.names.get("products", {})) or list(looks)
        return {p: looks[p] for p in dict.fromkeys((self.book.product, *order))}

    def product(self, product: str) -> str:
        """Return a product's name to draw: its id where it has none."""
        return plain_name(self.book.product_name(product) or product)

    def title(self, title: str) -> str:
        """Return a title's name to draw: its id where it has none."""
        return plain_name(self.book.title_name(title) or title)

    def metric(self, claim: Claim) -> str:
        """Return what a claim's metric is called, on one line."""
        return self.book.name("metric", claim.metric, kind=claim.kind).replace(" %", f"{NBSP}%")

    def plain(self, product: str) -> str:
        """Return a product's name without its class in brackets, where that leaves it unmistakable.

        "Fennock 9 (travel)" is "Fennock 9" among travel parts; the part of another class keeps it.
        """
        name = self.bare(product)
        classes = self.book.names.get("classes", {})
        same = classes.get(product) == classes.get(self.book.product)
        return (
            name
            if same or name == self.book.product_name(product)
            else self.book.product_name(product)
        )

    def bare(self, product: str) -> str:
        """Return a product's name without its class in brackets; its id without a name."""
        name = self.book.product_name(product) or product
        kind = self.book.names.get("classes", {}).get(product, "")
        bare = name.removesuffix(f"({kind})").strip() if kind else name
        return bare or name

    def short(self, product: str) -> str:
        """Return the shortest name that still tells a product from every other of the review.

        "Tarnquill Sedge" is "Sedge"; "Fennock 9" stays whole, since a number is no
        name, and so does what a comma tells apart: "Fennock 9, less memory".
        """
        name = self.plain(product)
        words = name.split(" ")
        if "," in name or not re.fullmatch(r"[^\W\d_]{3,}", words[-1]):
            return name
        others = [self.bare(p) for p in self.book.names.get("products", {}) if p != product]
        return name if any(words[-1] in other.split(" ") for other in others) else words[-1]

    def groups(self) -> dict[str, tuple[str, ...]]:
        """Return the titles of each group of titles of a review, as its suites over any rival say.

        Returns
        -------
        dict of str to tuple of str
            Titles by group, in the order of the params' suites; the suite "all" is none of them.
        """
        found: dict[str, dict[str, None]] = {}
        for claim in self.book.of_kind("suite", product=self.book.product):
            if claim.group != "all":
                titles = found.setdefault(claim.group, {})
                titles |= {
                    self.book.by_id[name].title: None
                    for name in claim.inputs
                    if name in self.book.by_id
                }
        order = [g for g in self.book.names.get("title_groups", {}) if g in found]
        return {group: tuple(found[group]) for group in dict.fromkeys((*order, *found))}

    def families(self) -> dict[str, tuple[str, ...]]:
        """Return the groups of titles by the one tag they are made of, those of two or more groups.

        Returns
        -------
        dict of str to tuple of str
            Groups by tag: ``{"api": ("older", "newer")}``. A group of two tags is in no family.
        """
        suites = self.book.settings.get("suites") or {}
        families: dict[str, list[str]] = {}
        for group in self.groups():
            tags = (suites.get(group) or {}).get("tags") or {}
            if len(tags) == 1:
                families.setdefault(next(iter(tags)), []).append(group)
        return {tag: tuple(groups) for tag, groups in families.items() if len(groups) > 1}

    def title_order(self) -> dict[str, str]:
        """Return the titles of a review in the order of all its charts, with the group each is in.

        The groups are those of the tag that moves the margin over the first rival most; in a group,
        titles stand from the largest margin over the first rival down.

        Returns
        -------
        dict of str to str
            The group's name by title; "" for a title in none, which stands after all groups.
        """
        rival = next(iter(self.book.settings.get("rivals") or ()), "")
        pair = {"metric": HEADLINE, "product": self.book.product, "baseline": rival}
        margins = {claim.title: claim.figure for claim in self.book.of_kind("margin", **pair)}
        suites = {claim.group: claim for claim in self.book.of_kind("suite", **pair)}
        families = [
            [suites[group] for group in groups if group in suites]
            for groups in self.families().values()
        ]
        groups = max((f for f in families if len(f) > 1), key=_reach, default=[])
        members = self.groups()
        group_of: dict[str, str] = {}
        for suite in groups:
            for title in members[suite.group]:
                group_of.setdefault(title, suite.group)
        places = {suite.group: i for i, suite in enumerate(groups)}
        titles = sorted(
            self.book.names.get("titles", {}),
            key=lambda t: (places.get(group_of.get(t, ""), len(places)), -margins.get(t, 0.0)),
        )
        return {
            t: self.book.name("group", group_of[t], kind="suite") if t in group_of else ""
            for t in titles
        }

    def bare_title(self, title: str, group: str) -> str:
        """Return a title's name without the words its group's head already says.

        "Quarrelbridge, 1200 lines" is "Quarrelbridge" under the head "At 1200 lines".
        """
        name = self.book.title_name(title) or title
        start, comma, end = name.rpartition(", ")
        return start if comma and group.lower().endswith(end.lower()) else name
