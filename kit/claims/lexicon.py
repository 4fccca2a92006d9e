"""Words that claim something, found by a closed list; and a draft's bindings for them, proposed.

The list is `lexicon.toml`. No sentence is parsed: a word is in the list or it is not.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from kit.claims.claim import ClaimBook
from kit.claims.relations import LIMITS, RELATIONS, judge_relation

HELD = "\ue000"  # stands in place of each character of a reference
_AGAINST = re.compile(
    r"\b(?:against|beside|compared (?:with|to)|gegen|neben)(?: the| den| dem)?\s{0,3}$",
    re.IGNORECASE,
)
_IT = re.compile(r"\b(?:it|its|es|sein|seine)\b", re.IGNORECASE)
_ARTICLE = r"(?:of\s{1,3})?(?:(?:the|these|our|its|der|den|dem|die|unserer)\s{1,3})?"
_CLAUSES = re.compile(r"[;:]|, (?:but|and|while|aber|und|its)\b|,? (?:but|and) (?=loses|in\b)")
_ANY_WORD = re.compile(r"[\w'’]+")
_STOPS = frozenset(".,;:!?")
_COUNTS = ("ahead_in", "behind_in", "level_in", "unresolved_in")
_SHARES = ("every", "most", "half", "no")
_RATIOS = ("about", "at_least", "at_most")
_MONEY_CLASSES = ("cheaper", "dearer", "same_price")


@dataclass(frozen=True, slots=True)
class ClaimingWord:
    """A word of a text that claims something.

    Attributes
    ----------
    text : str
    start : int
        Where it begins in the text searched.
    carried_by : tuple of str
        The relations that can carry it.
    language : str
    """

    text: str
    start: int
    carried_by: tuple[str, ...]
    language: str

    @property
    def end(self) -> int:
        """Where it ends in the text searched."""
        return self.start + len(self.text)

    @classmethod
    def in_text(cls, text: str) -> list[ClaimingWord]:
        """Return the words of a text that claim something, in its order.

        Parameters
        ----------
        text : str
            Prose; what is bound already is replaced by `HELD`, character by character.

        Examples
        --------
        >>> text = "It is cheaper than most, and wins ten titles."
        >>> [word.text for word in ClaimingWord.in_text(text)]
        ['cheaper', 'most', 'wins ten titles']
        """
        lexicon = _lexicon()
        found = [
            cls(m[0], m.start(), (*_COUNTS, "first", "last"), language)
            for language, pattern in lexicon.counted.items()
            for m in pattern.finditer(text)
        ]
        counted = {word.start: word for word in found}
        taken = {place for word in found for place in range(word.start, word.end)}
        ends = sorted((word.end for word in found), reverse=True)
        found, last_end = [], 0
        for match in lexicon.pattern.finditer(text):
            word, start = _plain(match[0]), match.start()
            if start in taken:
                continue
            gap = 3 if word.startswith("as ") else 40 if word == "than" else 0
            while ends and ends[-1] <= start:
                last_end = max(last_end, ends.pop())
            before = max(last_end, text.rfind(HELD, max(0, start - 40), start) + 1)
            if gap and before and start - before <= gap and not _STOPS & {*text[before:start]}:
                continue  # it belongs to the comparative before it
            by, language = lexicon.carried_by[word]
            after = next(
                (counted[p] for p in range(match.end(), match.end() + 3) if p in counted), None
            )
            # "wins six titles" is one thing said
            if after is not None and {*by} & {*after.carried_by}:
                del counted[after.start]
                both = tuple(name for name in after.carried_by if name in by)
                found.append(cls(text[start : after.end], start, both, language))
            else:
                found.append(cls(match[0], start, by, language))
            last_end = found[-1].end
        return sorted([*counted.values(), *found], key=lambda word: word.start)

    @staticmethod
    def fitting(words: str, relation: str) -> str:
        """Return the first word of a bound phrase that its relation cannot carry; "" where all fit.

        A phrase with a negation in it is taken as its author's.
        """
        lexicon = _lexicon()
        if lexicon.negations & {w.casefold() for w in _ANY_WORD.findall(words)}:
            return ""
        return next(
            (w.text for w in ClaimingWord.in_text(words) if relation not in w.carried_by), ""
        )

    @staticmethod
    def opinion(language: str) -> str:
        """Return how a page marks a sentence as opinion, in its language."""
        data = _lexicon().data
        return str(data.get(language, data["en"])["opinion"])


@dataclass(frozen=True, slots=True)
class _Lexicon:
    pattern: re.Pattern[str]
    carried_by: Mapping[str, tuple[tuple[str, ...], str]]  # and language, by word in small letters
    counted: Mapping[str, re.Pattern[str]]  # by language
    negations: frozenset[str]
    data: Mapping[str, Any]


@lru_cache(maxsize=1)
def _lexicon() -> _Lexicon:
    data = tomllib.loads((Path(__file__).parent / "lexicon.toml").read_text(encoding="utf-8"))
    carried: dict[str, tuple[tuple[str, ...], str]] = {}
    counted = {}
    for language, part in data.items():
        rows = [(row["words"], tuple(row["carried_by"])) for row in part["classes"].values()]
        rows.append((list(part["ratios"]), _RATIOS))
        for words, by in rows:
            for word in words:
                endings = part["endings"] if word.endswith("-") else [""]
                for ending in endings:
                    whole = word.removesuffix("-").casefold() + ending
                    before = carried.get(whole, ((), language))[0]
                    carried[whole] = (tuple(dict.fromkeys((*before, *by))), language)
        counts, things = _any(part["counts"]), _any(part["counted"])
        counted[language] = re.compile(
            rf"\b(?P<count>{counts}|\d{{1,4}})\s{{1,3}}{_ARTICLE}(?:[\w-]{{1,30}}\s{{1,3}})?(?:{things})\b",
            re.IGNORECASE,
        )
    pattern = re.compile(rf"\b(?:{_any(carried)})\b", re.IGNORECASE)
    negations = frozenset(word for part in data.values() for word in part["negations"])
    return _Lexicon(pattern, carried, counted, negations, data)


def _any(words: Iterable[str]) -> str:
    ordered = sorted(words, key=len, reverse=True)
    return "|".join(re.escape(word).replace(r"\ ", r"\s{1,3}") for word in ordered)


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())


@dataclass(frozen=True, slots=True)
class _Proposal:
    """What is proposed for one claiming word.

    Attributes
    ----------
    reference : str
        The relation that holds, as it stands after `say`; "" where none could be found.
    says : str
        What the claims say, or why nothing was found.
    """

    reference: str
    says: str


@dataclass(slots=True)
class _Names:
    """How things are named in prose: by a review's names for them, whole or in part."""

    pattern: re.Pattern[str]
    meant: Mapping[str, tuple[str, str]]  # kind and id, by the name in small letters


def _named_things(book: ClaimBook) -> _Names:
    """Return the names of products, titles, groups and quantities, and what each means.

    Part of a name counts where only one product (of the reviewed one's class) or title has it.
    """
    meant: dict[str, tuple[str, str]] = {}
    classes = book.names.get("classes", {})
    own, every = classes.get(book.product), book.names.get("products", {})
    families = {
        "product": {p: n for p, n in every.items() if classes.get(p) == own},
        "title": book.names.get("titles", {}),
        "group": {g: n for g, n in book.names.get("title_groups", {}).items() if g != "all"},
        "kind": book.names.get("price_kinds", {}),
        "quantity": book.names.get("specifications", {}),
    }  # fmt: skip
    for kind, names in families.items():
        parts: dict[str, set[str]] = {}
        for name_id, name in names.items():
            words = _ANY_WORD.findall(name.partition("(")[0])[:12]
            ends = range(1, len(words) + 1)
            spans = {" ".join(words[i:j]) for i in range(len(words)) for j in ends if i < j}
            if kind == "quantity":
                spans = {" ".join(words)}
            for part in spans:
                if len(part) > 3 and (kind == "group" or part[:1].isupper()):
                    parts.setdefault(part.casefold(), set()).add(name_id)
        meant |= {part: (kind, ids.pop()) for part, ids in parts.items() if len(ids) == 1}
        meant |= {name.casefold(): (kind, i) for i, name in names.items()}
        meant |= {i.casefold(): (kind, i) for i in names}
    meant |= {n.casefold(): ("product", p) for p, n in every.items()}
    meant |= {p.casefold(): ("product", p) for p in every}
    spoken = {"energy": "energy", "energie": "energy", "frames per watt": "fps_per_watt"}
    spoken |= dict.fromkeys(("price", "costs", "cost", "kostet", "preis"), "price")
    meant |= {word: ("quantity", name) for word, name in spoken.items()}
    return _Names(re.compile(rf"(?<!\w)(?:{_any(meant)})(?!\w)", re.IGNORECASE), meant)


@dataclass(slots=True)
class _Said:
    """What a clause names: of whom it speaks and against whom, all products, the rest by kind."""

    products: list[str]
    mentioned: list[str]
    named: dict[str, list[str]]


def _read_clause(clause: str, place: int, names: _Names, book: ClaimBook, last: str) -> _Said:
    """Return what a clause names: of whom its word at `place` speaks, and against whom.

    It speaks of the first product named before the word, unless "it" (the reviewed product) or
    "against" stands before that; against the next one named after the word, else before it, else
    `last`.
    """
    before: list[str] = []
    after: list[str] = []
    named: dict[str, list[str]] = {}
    subject = ""
    for match in names.pattern.finditer(clause):
        kind, name = names.meant[_plain(match[0])]
        if kind != "product":
            named.setdefault(kind, []).append(name)
            continue
        near = clause[max(0, match.start() - 40) : match.start()]
        if match.start() < place and not subject and not before and _IT.search(near):
            subject = book.product
        if match.start() < place and not subject and not _AGAINST.search(near):
            subject = name
        (before if match.start() < place else after).append(name)
    mentioned = list(dict.fromkeys((*before, *after)))
    subject = subject or book.product
    others = [p for p in (*after, *reversed(before), last, book.product) if p and p != subject]
    return _Said([subject, *others[:1]], mentioned, named)


def _amount(word: ClaimingWord, clause: str) -> str:
    """Return the ratio that a ratio word states, with the direction of the words after it."""
    for language, part in _lexicon().data.items():
        share = {_plain(k): v for k, v in part["ratios"].items()}.get(_plain(word.text))
        if language != word.language or share is None:
            continue
        top, _, under = share.partition("/")
        ratio = float(top) / float(under or 1)
        start = clause.find(word.text) + len(word.text)
        after = _plain(clause[start : start + 40])
        ways = {"up": 1 + ratio, "down": 1 - ratio}
        first = [
            (m.start(), way) for way in ways
            if (m := re.search(rf"^(?:\W|\w+\s)?(?:{_any(part[way])})\b", after))
        ]  # fmt: skip
        value = ways[min(first)[1]] if first and ratio < 1 else ratio
        return f"{value:.4f}".rstrip("0").rstrip(".") if value > 0 else ""
    return ""


def _count(word: ClaimingWord, clause: str) -> str:
    """Return the number of titles that a word, or its clause, speaks of; "" for none."""
    part, pattern = _lexicon().data[word.language], _lexicon().counted[word.language]
    match = pattern.search(word.text) or pattern.search(clause)
    said = _plain(match["count"]) if match else ""
    for share in _SHARES:
        if said in part[share]:
            return share
    if said in part["numbers"]:
        return str(part["numbers"].index(said) + 1)
    return said if said.isdecimal() else ""


def _likeliest(word: ClaimingWord, clause: str, quantities: Collection[str]) -> list[str]:
    """Return the relations that can carry a word, those its clause speaks of first."""
    counts = any(pattern.search(clause) for pattern in _lexicon().counted.values())
    beside = [one for one in ClaimingWord.in_text(clause) if one.text != word.text]
    said = (
        {name for one in beside for name in one.carried_by} if word.carried_by[0] in _COUNTS else ()
    )

    def unlikely(name: str) -> tuple[bool, bool, bool]:
        of_speed = RELATIONS[name].quantity == "speed"
        return (
            counts and name not in _COUNTS,
            bool(said) and name not in said,
            (bool(quantities) and of_speed),
        )

    return sorted(word.carried_by, key=unlikely)


def _candidates(word: ClaimingWord, sentence: str, said: _Said, book: ClaimBook) -> Iterator[str]:
    """Yield bindings a word could have in its sentence, the likeliest first."""
    title = said.named.get("title", [""])[0]
    group = said.named.get("group", [""])[0]
    where = f" in {title}" if title else f" on {group}" if group else ""
    kinds = said.named.get("kind") or list(dict.fromkeys(c.group for c in book.of_kind("price")))
    kinds = sorted(kinds, key=lambda kind: kind != "street")
    quantities = said.named.get("quantity", [])
    prices = [f" at {kind}" for kind in kinds]
    first, second = (*said.products, "", "")[:2]
    for name in _likeliest(word, sentence, quantities):
        of_speed = RELATIONS[name].quantity == "speed"
        if name in _MONEY_CLASSES and second:
            if not {word.carried_by[0]} & {"cheaper", "dearer"} and "price" not in quantities:
                continue
            yield from (f"{name} {first} than {second} at {kind}" for kind in kinds)
        elif name in {"more", "less", "same", "open"} and second:
            for quantity in quantities:
                ends = prices if quantity == "price" else dict.fromkeys([where, ""])
                yield from (f"{name} {quantity} {first} than {second}{end}" for end in ends)
        elif name in {"first", "last"}:
            chosen = quantities[0] if quantities else "speed"
            if _plain(word.text) in {"cheapest", "dearest", "priciest"}:
                chosen = "price"
            ends = prices if chosen == "price" else [where]
            for one in said.mentioned[:1] or [book.product]:
                others = " ".join(said.mentioned[1:])
                sets = [others] if others else ["all", "class"]
                yield from (
                    f"{name} {one} among {s} by {chosen}{end}" for s in sets for end in ends
                )
        elif name in {"best", "worst"} and second:
            titles = said.named.get("title", [])
            yield from (f"{name} {t} for {first} over {second}" for t in titles)
        elif name in _COUNTS and second and (count := _count(word, sentence)):
            yield f"{name} {count} {first} over {second}{f' on {group}' if group else ''}"
        elif name in _RATIOS and second and (ratio := _amount(word, sentence)):
            pair = f"{first} over {second}"
            money = [f"{name} {ratio} price {pair}{at}" for at in prices]
            of = [f"{name} {ratio} {q} {pair}" for q in quantities if q != "price"]
            yield from money if "price" in quantities else of or [f"{name} {ratio} {pair}{where}"]
        elif name in {"on_frontier", "off_frontier"}:
            chosen = (said.mentioned or [first])[0]
            yield from (f"{name} {chosen} at {kind}" for kind in kinds)
        elif name == "limited" and title:
            held = said.mentioned or [book.product]
            yield from (f"limited {p} by {by} in {title}" for p in held for by in LIMITS)
        elif of_speed and second and word.carried_by[0] not in {"more", "less"}:
            yield f"{name} {first} than {second}{where}"


_LONGEST_SENTENCE = 2000  # characters: more is no sentence, and each word is looked for in it all


class Suggester:
    """Proposes a binding for each claiming word of a review's prose.

    Parameters
    ----------
    book : ClaimBook
    """

    def __init__(self, book: ClaimBook) -> None:
        self.book = book
        self._names = _named_things(book)

    def propose(self, word: ClaimingWord, sentence: str, *, last: str = "") -> _Proposal:
        """Return the binding proposed for a word, by what its sentence names.

        Parameters
        ----------
        word : ClaimingWord
            Found in `sentence`.
        sentence : str
        last : str
            The rival that the sentence before spoke of, for one that names none.
        """
        if len(sentence) > _LONGEST_SENTENCE:
            return _Proposal("", f"its sentence is longer than {_LONGEST_SENTENCE} characters")
        cuts = [0, *(m.start() for m in _CLAUSES.finditer(sentence)), len(sentence)]
        start, end = next((a, b) for a, b in pairwise(cuts) if a <= word.start < b)
        refused = missing = ""
        last = self.rival_named(sentence) or last
        for begin, part in dict.fromkeys(((start, sentence[start:end]), (0, sentence))):
            said = _read_clause(part, word.start - begin, self._names, self.book, last)
            for candidate in _candidates(word, part, said, self.book):
                try:
                    judged = judge_relation(candidate, self.book)
                except LookupError as error:
                    missing = missing or str(error.args[0])
                    continue
                if judged.holds:
                    return _Proposal(candidate, judged.says)
                held = f"; {{{{say {judged.instead}: ...}}}} would hold" if judged.instead else ""
                refused = refused or f"{judged.says}{held}"
        nothing = "nothing that it could be about is named in its sentence"
        return _Proposal("", refused or missing or nothing)

    def rival_named(self, sentence: str) -> str:
        """Return the last product a sentence names beside the reviewed one; "" for none."""
        said = _read_clause(sentence, 0, self._names, self.book, "")
        return next((p for p in reversed(said.mentioned) if p != self.book.product), "")
