"""Ratios stated in words ("about a third ahead"), checked against the margins they follow from.

A ratio in words follows from the margins its sentence refers to, or from the suite margins of the
two products it names: directly, turned round, or through one product that two margins share.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

from kit.claims.claim import Claim, ClaimBook
from kit.rounding import ratio_text
from kit.settings.metric import HEADLINE

_PARTS = ("half", "third", "quarter", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
AMOUNTS = {f"{one} {part}": 1 / n for n, part in enumerate(_PARTS, 2) for one in ("a", "an", "one")}
AMOUNTS |= {"half": 1 / 2, "two thirds": 2 / 3, "two fifths": 2 / 5, "three fifths": 3 / 5}
AMOUNTS |= {"three quarters": 3 / 4, "a twentieth": 1 / 20}
_ONES = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen",
          "eighteen", "nineteen")  # fmt: skip
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_COUNTS = {word: n for n, word in enumerate((*_ONES, *_TEENS), 1)} | {
    f"{tens}-{one}".rstrip("-"): 10 * n + extra
    for n, tens in enumerate(_TENS, 2)
    for extra, one in enumerate(("", *_ONES))
}
TIMES = {"twice": 2.0, "double": 2.0, "three times": 3.0, "four times": 4.0, "five times": 5.0}
TIMES |= {"half again": 1.5, "one and a half times": 1.5} | AMOUNTS
UP, DOWN = {"faster", "quicker", "ahead", "in front"}, {"slower", "behind"}
# How near a stated ratio must be to the derived one, as a share. Common practice, no source: "a
# third" says 0.30 to 0.37, "about a third" 0.28 to 0.39.
TOLERANCE, ABOUT_TOLERANCE = 0.025, 0.045
_ABOUT = {"about", "around", "roughly", "some", "close to", "approximately", "or so"}
_ABOVE = {"over", "more than", "at least", "just over", "a little over", "well over"}
_BELOW = {"nearly", "almost", "just under", "not quite", "up to", "less than", "under"}
_NEAR = {"just over", "a little over", "nearly", "almost", "just under", "not quite"}


def _any(words: Sequence[str] | Mapping[str, float] | set[str]) -> str:
    ordered = sorted(words, key=len, reverse=True)
    return "|".join(re.escape(word).replace(r"\ ", r"\s{1,3}") for word in ordered)


_PERCENT = rf"(?P<count>{_any(_COUNTS)})\s{{1,3}}(?:per\s{{1,3}}cent|percent)"
_AS_FAST = r"as\s{1,3}(?:fast|quick)|the\s{1,3}(?:speed|frame\s{1,3}rate|frames)"
PHRASE = re.compile(
    rf"\b(?:(?P<hedge>{_any(_ABOUT | _ABOVE | _BELOW)})\s{{1,3}})?"
    rf"(?:(?:(?P<amount>{_any(AMOUNTS)})|{_PERCENT})\s{{1,3}}(?P<way>{_any(UP | DOWN)})"
    rf"|(?P<times>{_any(TIMES)})\s{{1,3}}(?:{_AS_FAST}))\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Statement:
    """A ratio in words, and where it stands in its sentence."""

    words: str
    start: int
    ratio: float
    hedge: str

    def agrees(self, ratio: float) -> bool:
        """Return whether the words may be said of a ratio."""
        apart = math.log(ratio / self.ratio)
        if self.ratio < 1:  # "nearly a third behind" is less far behind
            apart = -apart
        about = self.hedge in _ABOUT | _NEAR
        most = math.log1p(ABOUT_TOLERANCE if about else TOLERANCE)
        if self.hedge in _ABOVE:
            return 0 <= apart <= (most if self.hedge in _NEAR else math.inf)
        if self.hedge in _BELOW:
            return -(most if self.hedge in _NEAR else math.inf) <= apart <= 0
        return abs(apart) <= most


@dataclass(frozen=True, slots=True)
class Derived:
    """A ratio that follows from one or two claims, with the ends it cannot lie outside of."""

    of: str  # what it is the ratio of: figures of one kind, metric and title go together
    product: str
    baseline: str
    ratio: float
    low: float | None
    high: float | None
    claims: tuple[str, ...]

    def turned(self) -> Derived:
        """Return the same the other way round."""
        low, high = (1 / self.high, 1 / self.low) if self.low and self.high else (None, None)
        return Derived(self.of, self.baseline, self.product, 1 / self.ratio, low, high, self.claims)

    def times(self, other: Derived) -> Derived:
        """Return the product of two ratios, each end with each: wide enough however they depend."""
        low = self.low * other.low if self.low and other.low else None
        high = self.high * other.high if self.high and other.high else None
        both = tuple(dict.fromkeys((*self.claims, *other.claims)))
        return Derived(
            self.of, self.product, other.baseline, self.ratio * other.ratio, low, high, both
        )


def find_statements(sentence: str) -> Iterator[Statement]:
    """Yield the ratios that a sentence states in words.

    Examples
    --------
    >>> [(s.words, round(s.ratio, 3)) for s in find_statements("It is about a third ahead.")]
    [('about a third ahead', 1.333)]
    >>> [round(s.ratio, 3) for s in find_statements("Twice as fast; a quarter slower than that.")]
    [2.0, 0.75]
    """
    for match in PHRASE.finditer(sentence):
        said = {name: " ".join(text.lower().split()) for name, text in match.groupdict("").items()}
        if said["times"]:
            ratio = TIMES[said["times"]]
        else:
            amount = AMOUNTS[said["amount"]] if said["amount"] else _COUNTS[said["count"]] / 100
            ratio = 1 + amount if said["way"] in UP else 1 - amount
        if ratio > 0:
            yield Statement(" ".join(match[0].split()), match.start(), ratio, said["hedge"])


def derive(claim: Claim, *, turned: bool = False) -> Derived | None:
    """Return what a margin's claim gives; None where it has no value."""
    if not claim.value:
        return None
    of = claim.id.rpartition("/")[0]
    made = Derived(
        of, claim.product, claim.baseline, claim.value, claim.low, claim.high, (claim.id,)
    )
    return made.turned() if turned else made


def ratios_of_pair(product: str, baseline: str, given: Sequence[Derived]) -> list[Derived]:
    """Return a pair's ratio, directly where it is given, else through one other product."""
    both = [*given, *(one.turned() for one in given)]
    direct = [one for one in both if (one.product, one.baseline) == (product, baseline)]
    return direct[:1] or [
        first.times(second)
        for first in both
        for second in both
        if first.product == product
        and (second.product, second.baseline) == (first.baseline, baseline)
        and first.of == second.of
    ]


def ratios_of_sentence(given: Sequence[Derived]) -> list[Derived]:
    """Return what the margins of a sentence give where it does not say of which pair it speaks."""
    found = list(given)
    for first, second in combinations(given, 2):
        ends = {first.product, first.baseline} ^ {second.product, second.baseline}
        if len(ends) != 2:
            continue
        chained = first.baseline == second.product or first.product == second.baseline
        for one, other in permutations(sorted(ends)):
            if not chained or one in {first.product, second.product}:
                found += ratios_of_pair(one, other, [first, second])
    return found


def suite_ratios(book: ClaimBook) -> list[Derived]:
    """Return the suite margins of a review, over all its titles."""
    suites = book.of_kind("suite", metric=HEADLINE)
    return [made for claim in suites if "/all/" in claim.id and (made := derive(claim))]


def judge(statement: Statement, found: Sequence[Derived], *, locale: str) -> str:
    """Return what is wrong with a statement, given what its margins give; "" where it holds."""
    if not found:
        return (
            f'the figure "{statement.words}" is typed in words and follows from no margin here; '
            "refer to the margins it rests on in the same sentence, name both products, or name "
            "where it is from: [source: NAME, YYYY-MM-DD]"
        )
    agreeing = [one for one in found if statement.agrees(one.ratio)]
    if not agreeing:
        nearest = min(found, key=lambda one: abs(math.log(one.ratio / statement.ratio)))
        return (
            f'"{statement.words}" does not agree with {_text(nearest, locale)}, which follows from '
            f"{' and '.join(nearest.claims)}"
        )
    one = agreeing[0]
    if one.low is not None and one.high is not None and one.low <= 1 <= one.high:
        return (
            f'"{statement.words}" says more than the runs do: {_text(one, locale)} follows from '
            f"{' and '.join(one.claims)}, which do not tell the two apart"
        )
    return ""


def _text(derived: Derived, locale: str) -> str:
    return ratio_text(derived.ratio, derived.low, derived.high, locale=locale).text
