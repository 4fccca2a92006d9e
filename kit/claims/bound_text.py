"""Bound text: the analyst's prose, in which every figure is a reference to a claim.

A reference stands in double braces and names what it wants by product, title and metric:

=====================================  ======================================================
``{{average P in T}}``                 a product's average in a title; also
                                       ``result`` and the word of any other metric, as
                                       ``low_1pct`` (`kit.settings.metric`)
``{{margin P over B in T}}``           a margin in a title, as "12.3 % faster"
``{{low_1pct margin P over B in T}}``  the same for another metric
``{{suite P over B}}``                 the suite margin; ``on G`` names a group of titles
``{{smallest P over B}}``              the smallest (``largest``) margin of a suite
``{{count ahead P over B}}``           in how many titles: ahead, behind, level, unresolved
``{{gap P}}``                          the gap of its name between classes of machine
``{{price P at K}}``                   a price; also ``cost`` and ``suite_fps``
``{{equal_value P over B at K}}``      price of equal value; also ``premium``, ``cut``
``{{spec FIELD P}}``                   a figure of the specification table
``{{limit in T}}``                     whether the processor sets the limit, where that was asked
``{{runs used}}``                      runs ``used``, ``set_aside``; ``{{titles}}``
=====================================  ======================================================

After ``|`` stands how to write it: ``interval`` adds the interval, ``number`` gives the figure
alone, ``sentence`` writes the whole comparison as the outcome allows, ``reversed`` turns a margin
round. A figure taken from elsewhere needs ``[source: NAME, 2026-11-25]`` in its sentence. A ratio
in words ("about a third ahead") must follow from the margins of its sentence, or from the suite
margins of the two products it names.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations
from pathlib import Path
from typing import Any

from kit.claims.claim import Claim, ClaimBook, claim_id, load_claims
from kit.errors import Fault, TextError, UsageError, did_you_mean
from kit.rounding import MINUS, NBSP, ratio_text
from kit.settings.metric import HEADLINE, METRICS
from kit.settings.params import LoadedParams

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
_UP_WAYS, _DOWN_WAYS = {"faster", "quicker", "ahead", "in front"}, {"slower", "behind"}
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
    rf"(?:(?:(?P<amount>{_any(AMOUNTS)})|{_PERCENT})\s{{1,3}}(?P<way>{_any(_UP_WAYS | _DOWN_WAYS)})"
    rf"|(?P<times>{_any(TIMES)})\s{{1,3}}(?:{_AS_FAST}))\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class _Statement:
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
class _Derived:
    """A ratio that follows from one or two claims, with the ends it cannot lie outside of."""

    of: str  # what it is the ratio of: figures of one kind, metric and title go together
    product: str
    baseline: str
    ratio: float
    low: float | None
    high: float | None
    claims: tuple[str, ...]

    def turned(self) -> _Derived:
        """Return the same the other way round."""
        low, high = (1 / self.high, 1 / self.low) if self.low and self.high else (None, None)
        return _Derived(
            self.of, self.baseline, self.product, 1 / self.ratio, low, high, self.claims
        )

    def times(self, other: _Derived) -> _Derived:
        """Return the product of two ratios, each end with each: wide enough however they depend."""
        low = self.low * other.low if self.low and other.low else None
        high = self.high * other.high if self.high and other.high else None
        both = tuple(dict.fromkeys((*self.claims, *other.claims)))
        return _Derived(
            self.of, self.product, other.baseline, self.ratio * other.ratio, low, high, both
        )


def _find_statements(sentence: str) -> Iterator[_Statement]:
    """Yield the ratios that a sentence states in words.

    Examples
    --------
    >>> [(s.words, round(s.ratio, 3)) for s in _find_statements("It is about a third ahead.")]
    [('about a third ahead', 1.333)]
    >>> [round(s.ratio, 3) for s in _find_statements("Twice as fast; a quarter slower than that.")]
    [2.0, 0.75]
    """
    for match in PHRASE.finditer(sentence):
        said = {name: " ".join(text.lower().split()) for name, text in match.groupdict("").items()}
        if said["times"]:
            ratio = TIMES[said["times"]]
        else:
            amount = AMOUNTS[said["amount"]] if said["amount"] else _COUNTS[said["count"]] / 100
            ratio = 1 + amount if said["way"] in _UP_WAYS else 1 - amount
        if ratio > 0:
            yield _Statement(" ".join(match[0].split()), match.start(), ratio, said["hedge"])


def _derive(claim: Claim, *, turned: bool = False) -> _Derived | None:
    """Return what a margin's claim gives; None where it has no value."""
    if not claim.value:
        return None
    of = claim.id.rpartition("/")[0]
    made = _Derived(
        of, claim.product, claim.baseline, claim.value, claim.low, claim.high, (claim.id,)
    )
    return made.turned() if turned else made


def _ratios_of_pair(product: str, baseline: str, given: Sequence[_Derived]) -> list[_Derived]:
    """Return a pair's ratio, directly where it is given, else through one other product.

    Parameters
    ----------
    product, baseline : str
        The pair asked for.
    given : sequence of Derived
        Ratios with their ends. Those of one kind, metric and title alone are multiplied.

    Returns
    -------
    list of Derived
        One where it is given directly, else one for each product in between.
    """
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


def _ratios_of_sentence(given: Sequence[_Derived]) -> list[_Derived]:
    """Return what the margins of a sentence give where it does not say of which pair it speaks."""
    found = list(given)
    for first, second in combinations(given, 2):
        ends = {first.product, first.baseline} ^ {second.product, second.baseline}
        if len(ends) != 2:
            continue
        chained = first.baseline == second.product or first.product == second.baseline
        for one, other in permutations(sorted(ends)):
            if not chained or one in {first.product, second.product}:
                found += _ratios_of_pair(one, other, [first, second])
    return found


def _suite_ratios(book: ClaimBook) -> list[_Derived]:
    """Return the suite margins of a review, over all its titles."""
    suites = book.of_kind("suite", metric=HEADLINE)
    return [made for claim in suites if "/all/" in claim.id and (made := _derive(claim))]


def _judge(statement: _Statement, found: Sequence[_Derived], *, locale: str) -> str:
    """Return what is wrong with a statement, given what its margins give.

    Parameters
    ----------
    statement : Statement
        A ratio in words.
    found : sequence of Derived
        The ratios that follow from the margins of its sentence.
    locale : str
        How figures are written in the message.

    Returns
    -------
    str
        "" where the statement holds: it agrees with one of the ratios, and that one's ends are on
        one side of level.
    """
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


def _text(derived: _Derived, locale: str) -> str:
    return ratio_text(derived.ratio, derived.low, derived.high, locale=locale).text


# None of these patterns may look at a place of the text more than a few times: `verify` binds
# texts of strangers. Hence no braces within braces, bounded and possessive repeats.
REFERENCE = re.compile(r"\{\{([^{}]*)\}\}")
LOOSE_BRACES = re.compile(r"\{\{|\}\}")
SOURCE = re.compile(r"\[source:\s*(?P<name>[^\[\]]{1,300}?),\s*(?P<date>\d{4}-\d{2}-\d{2})\s*\]")
UNITS = r"(?:[%€$£]|(?:percent|per\s+cent|fps|ms|W|watts?|dB|EUR|USD|GBP|euros?|dollars?)\b)"
# A number is passed over whole, with or without a unit, so that no part of it is tried again.
TYPED = re.compile(
    rf"(?<![\w.])[-+−]?\d[\d.,\u00a0\u202f']*+(?P<unit>\s*+{UNITS})?"
    r"|(?P<sign>€|\$|£|EUR|USD|GBP)\s*+\d[\d.,]*+",
    re.IGNORECASE,
)
UP = {
    "faster",
    "quicker",
    "ahead",
    "lead",
    "leads",
    "beats",
    "beat",
    "wins",
    "outpaces",
    "outperforms",
    "better",
    "quickest",
    "fastest",
}
DOWN = {"slower", "behind", "trails", "trail", "loses", "lags", "worse"}
EVEN = {"level", "tied", "tie", "equal", "par"}
NEGATIONS = {"not", "no", "never", "neither", "nor", "cannot", "without", "hardly", "isn't"}


METRIC_WORDS = {metric.word: name for name, metric in METRICS.items() if metric.word}
VALUE_WORDS = {
    "price": "price",
    "cost": "cost_per_fps",
    "suite_fps": "suite_fps",
    "premium": "premium",
    "equal_value": "equal_value_price",
    "cut": "cut_needed",
}
FORMS = {"interval", "number", "sentence", "reversed"}
MARGIN_KINDS = {"margin", "suite", "suite_like", "suite_smallest", "suite_largest"}


@dataclass(frozen=True, slots=True)
class Reference:
    """One reference of a text: where it stands, what it names, how it is written."""

    written: str  # between the braces
    start: int  # place of the braces in the text
    end: int
    line: int
    claim: Claim
    forms: frozenset[str]
    text: str  # as rendered


@dataclass(frozen=True, slots=True)
class BoundText:
    """A checked text: its source, its references, and the sources it quotes."""

    file: str
    source: str
    references: tuple[Reference, ...]

    def render(self, write: Callable[[Reference], str]) -> str:
        """Return the text with each reference replaced by `write(reference)`."""
        parts, last = [], 0
        for reference in self.references:
            parts += [self.source[last : reference.start], write(reference)]
            last = reference.end
        return "".join([*parts, self.source[last:]])

    def to_markdown(self) -> str:
        """Return plain Markdown with every figure written out, for an article or a script."""
        plain = self.render(lambda reference: reference.text)
        return SOURCE.sub(lambda match: f"({match['name'].strip()}, {match['date']})", plain)

    def to_rows(self) -> list[dict[str, Any]]:
        """Return the figure sheet: line, reference, claim, text; a row per reference."""
        return [
            {"line": r.line, "reference": r.written, "claim": r.claim.id, "text": r.text}
            for r in self.references
        ]

    def to_frame(self) -> Any:
        """Return the figure sheet as a DataFrame, columns as in `to_rows`."""
        import pandas as pd

        return pd.DataFrame(self.to_rows(), columns=["line", "reference", "claim", "text"])


def bind_text(
    source: str, book: ClaimBook, *, file: str, names: Mapping[str, str] | None = None
) -> BoundText:
    """Check a text against the claims it refers to.

    Parameters
    ----------
    source : str
        Markdown with references.
    book : ClaimBook
        The review's claims.
    file : str
        The name faults should give the text.
    names : mapping of str to str, optional
        Display names of products by id, for sentences and for comparisons without a figure.

    Raises
    ------
    TextError
        With every fault: a reference to no claim, a figure typed beside a unit without a source,
        a comparative word that contradicts the outcome, a ratio in words that does not follow.
    """
    faults: list[Fault] = []
    references: list[Reference] = []
    shown = names or {}
    for match in REFERENCE.finditer(source):
        line = source.count("\n", 0, match.start()) + 1
        written = " ".join(match[1].split())
        try:
            claim, forms = _find_claim(written, book)
            text = _reference_text(
                claim, forms, locale=str(book.settings.get("locale", "en")), names=shown
            )
        except LookupError as error:
            faults.append(Fault(file, str(error.args[0]), line=line, key=f"{{{{{written}}}}}"))
            continue
        references.append(Reference(written, match.start(), match.end(), line, claim, forms, text))
    bare = REFERENCE.sub(lambda match: re.sub(r"[^\n]", "\ue000", match[0]), source)
    loose = LOOSE_BRACES.search(bare)
    if loose is not None:
        line = bare.count("\n", 0, loose.start()) + 1
        said = f'"{loose[0]}" belongs to no reference; write {{{{words}}}}, without braces in it'
        faults.append(Fault(file, said, line=line))
    for start, sentence in _sentences(bare):
        inside = [r for r in references if start <= r.start < start + len(sentence)]
        line = bare.count("\n", 0, start) + 1
        faults += _typed_figures(sentence, file, bare, start)
        faults += _wrong_words(sentence, inside, start, book, file, line, shown)
        faults += _wrong_ratios(sentence, inside, book, file, line, shown)
    if faults:
        raise TextError(sorted(faults, key=lambda fault: fault.line or 0))
    return BoundText(file, source, tuple(references))


def bind_file(path: Path, folder: Path) -> BoundText:
    """Check a text file against the claims of a finished review's folder.

    Raises
    ------
    TextError
        As `bind_text`; also if the file is missing or not UTF-8.
    """
    book = load_claims(folder)
    return bind_text(read_text(path), book, file=path.name, names=book.names.get("products"))


def bind_review_text(loaded: LoadedParams, book: ClaimBook) -> BoundText | None:
    """Check the text a review's params name against its claims; None where they name none.

    Raises
    ------
    TextError
        As `bind_text`.
    """
    if loaded.params.text is None:
        return None
    path = loaded.path.parent / loaded.params.text
    return bind_text(read_text(path), book, file=path.name, names=book.names.get("products"))


def read_text(path: Path) -> str:
    """Return a bound text's source.

    Raises
    ------
    TextError
        If the file is missing or not UTF-8.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError:
        raise TextError([Fault(path.name, "no such file")]) from None
    except UnicodeDecodeError:
        raise TextError([Fault(path.name, "not UTF-8 text; save the file as UTF-8")]) from None


def _sentences(text: str) -> Iterator[tuple[int, str]]:
    """Yield start and text of each sentence: ended by . ! ? and a space, or by an empty line."""
    start = 0
    for match in re.finditer(r"(?<=[.!?])\s+|\n\s*\n|\n(?=[#>*-])", text):
        if text[start : match.start()].strip():
            yield start, text[start : match.start()]
        start = match.end()
    if text[start:].strip():
        yield start, text[start:]


def _typed_figures(sentence: str, file: str, text: str, start: int) -> Iterator[Fault]:
    """Yield a fault for each figure typed beside a unit, unless the sentence names its source."""
    if SOURCE.search(sentence):
        return
    for match in TYPED.finditer(sentence):
        if not (match["unit"] or match["sign"]):
            continue
        line = text.count("\n", 0, start + match.start()) + 1
        yield Fault(
            file,
            f'the figure "{" ".join(match[0].split())}" is typed by hand; refer to a claim with '
            "{{...}}, or name where it is from: [source: NAME, YYYY-MM-DD]",
            line=line,
        )


def _wrong_words(
    sentence: str,
    inside: list[Reference],
    start: int,
    book: ClaimBook,
    file: str,
    line: int,
    names: Mapping[str, str],
) -> Iterator[Fault]:
    """Yield a fault for each comparative word against the outcome it stands beside."""
    margins = [r for r in inside if r.claim.kind in {"margin", "suite"}]
    named = None if inside else _named_pair(sentence, book, names)
    words = [(m.start(), m[0].lower()) for m in re.finditer(r"[A-Za-z']+", sentence)]
    for i, (place, word) in enumerate(words):
        direction = "ahead" if word in UP else "behind" if word in DOWN else ""
        even = word in EVEN
        if not direction and not even:
            continue
        if not margins and named is None:
            continue
        if {w for _, w in words[max(0, i - 3) : i]} & NEGATIONS:
            continue
        here = sentence.count("\n", 0, place) + line
        if margins:
            nearest = min(margins, key=lambda r: _gap(r, start + place))
            claim, turned = nearest.claim, "reversed" in nearest.forms
        elif named is not None:
            claim, turned = named, False
        else:
            continue
        outcome = claim.outcome
        if turned:
            outcome = {"ahead": "behind", "behind": "ahead"}.get(outcome, outcome)
        allowed = (outcome in {"level", "unresolved"}) if even else (outcome == direction)
        if even and outcome == "unresolved":
            allowed = False
        if not allowed:
            yield Fault(
                file,
                f'"{word}" contradicts the outcome "{outcome}" of {claim.id} ({claim.text})',
                line=here,
            )


def _wrong_ratios(
    sentence: str,
    inside: list[Reference],
    book: ClaimBook,
    file: str,
    line: int,
    names: Mapping[str, str],
) -> Iterator[Fault]:
    """Yield a fault for each ratio in words that its margins do not give."""
    if SOURCE.search(sentence):
        return
    locale = str(book.settings.get("locale", "en"))
    margins = [r for r in inside if r.claim.kind in {"margin", "suite"}]
    given = [made for r in margins if (made := _derive(r.claim, turned="reversed" in r.forms))]
    for statement in _find_statements(sentence):
        before = re.findall(r"[a-z']+", sentence[: statement.start].lower())
        if set(before[-3:]) & NEGATIONS:
            continue
        pair = _named_products(sentence, names)
        if pair:
            found = _ratios_of_pair(*pair, given) or _ratios_of_pair(*pair, _suite_ratios(book))
        else:
            found = _ratios_of_sentence(given)
        if said := _judge(statement, found, locale=locale):
            here = line + sentence.count("\n", 0, statement.start)
            yield Fault(file, said, line=here)


def _gap(reference: Reference, place: int) -> int:
    """Return how many characters lie between a reference and a place outside it."""
    return reference.start - place if place < reference.start else place - reference.end


def _named_products(sentence: str, names: Mapping[str, str]) -> tuple[str, str] | None:
    """Return the two products a sentence names, the one it speaks of first; None where not two.

    A name inside a longer one does not count: "Ash 1" in "Ash 1 desk".
    """
    held = sentence
    places = []
    for name, product in sorted(((n, p) for p, n in names.items()), key=lambda x: -len(x[0])):
        place = held.find(name)
        if place >= 0:
            places.append((place, product))
            held = held.replace(name, "\ue000" * len(name))
    if len(places) != 2:
        return None
    first, second = sorted(places)
    if re.search(
        r"\b(?:against|beside|compared (?:with|to)|next to)\s*$", sentence[: first[0]], re.I
    ):
        first, second = second, first
    return first[1], second[1]


def _named_pair(sentence: str, book: ClaimBook, names: Mapping[str, str]) -> Claim | None:
    """Return the suite margin of the two products a sentence names, in the order named."""
    pair = _named_products(sentence, names)
    return book.get(f"suite/{HEADLINE}/all/{pair[0]}-over-{pair[1]}") if pair else None


def _find_claim(written: str, book: ClaimBook) -> tuple[Claim, frozenset[str]]:
    """Return the claim a reference names, and how it is to be written.

    Raises
    ------
    LookupError
        If the reference is not in a known form, or names no claim; the message says what to do.
    """
    phrase, _, options = written.partition("|")
    forms = frozenset(options.replace(",", " ").split())
    for form in sorted(forms - FORMS):
        guess = did_you_mean(form, FORMS, listed=len(FORMS))
        raise LookupError(f'no way of writing called "{form}"{guess}')
    claim_id = _reference_id(phrase.split(), book)
    claim = book.get(claim_id)
    if claim is None:
        guess = did_you_mean(claim_id, book.by_id)
        raise LookupError(f'no such claim "{claim_id}"{guess}')
    return claim, forms


def find_claim(text: str, book: ClaimBook) -> str:
    """Return the id of the claim that an id, or a reference as a bound text has it, stands for.

    Raises
    ------
    UsageError
        If no claim is meant; ids near it are named.

    Notes
    -----
    Braces, and ways of writing after `|`, are passed over.
    """
    phrase = text.strip().removeprefix("{{").removesuffix("}}").partition("|")[0].strip()
    meant = phrase
    if book.get(phrase) is None:
        with contextlib.suppress(LookupError):
            meant = _reference_id(phrase.split(), book)
    if book.get(meant) is not None:
        return meant
    near = difflib.get_close_matches(meant, list(book.by_id), n=4)
    guess = f'; did you mean "{near[0]}"?' if near else ""
    more = f" Near it, too: {', '.join(near[1:])}" if near[1:] else ""
    raise UsageError(f'{book.review}: no claim "{text}"{guess}{more}')


def _reference_id(words: list[str], book: ClaimBook) -> str:
    """Return the claim id that the words of a reference stand for.

    Raises
    ------
    LookupError
        If the words are not in a known form.
    """
    named: dict[str, str] = {}
    rest: list[str] = []
    position = 0
    while position < len(words):
        if words[position] in {"over", "in", "on", "at"} and position + 1 < len(words):
            # A kind of price may be several words ("at scenario: cheaper").
            if words[position] == "at":
                named["at"] = " ".join(words[position + 1 :])
                break
            named[words[position]] = words[position + 1]
            position += 2
        else:
            rest.append(words[position])
            position += 1
    metric = HEADLINE
    if (
        len(rest) > 1
        and rest[0] in METRIC_WORDS
        and rest[1] in {"margin", "suite", "smallest", "largest", "count"}
    ):
        metric = METRIC_WORDS[rest.pop(0)]
    head, rest = (rest[0], rest[1:]) if rest else ("", [])
    match head, rest:
        case _, [product] if head in METRIC_WORDS and "in" in named:
            return claim_id("cell", metric=METRIC_WORDS[head], title=named["in"], product=product)
        case "margin", [product] if {"over", "in"} <= named.keys():
            pair = {"product": product, "baseline": named["over"]}
            return claim_id("margin", metric=metric, title=named["in"], **pair)
        case (("suite" | "smallest" | "largest"), [product]) if "over" in named:
            kind = head if head == "suite" else f"suite_{head}"
            pair = {"product": product, "baseline": named["over"]}
            return claim_id(kind, metric=metric, group=named.get("on", "all"), **pair)
        case "count", [outcome, product] if "over" in named:
            pair = {"product": product, "baseline": named["over"]}
            group = named.get("on", "all")
            return claim_id("suite_count", metric=metric, group=group, part=outcome, **pair)
        case "gap", [product]:
            found = reversed(book.of_kind("gap", metric=metric))
            gaps = {claim.product: claim.id for claim in found}  # of several, the first
            if product not in gaps:
                raise LookupError(f'no gap of "{product}"{did_you_mean(product, gaps)}')
            return gaps[product]
        case (("price" | "cost" | "suite_fps"), [product]) if "at" in named:
            return claim_id(VALUE_WORDS[head], group=named["at"], product=product)
        case (("premium" | "equal_value" | "cut"), [product]) if {"over", "at"} <= named.keys():
            pair = {"product": product, "baseline": named["over"]}
            return claim_id(VALUE_WORDS[head], group=named["at"], **pair)
        case "spec", [name, product]:
            return claim_id("specification", metric=name, product=product)
        case "limit", [] if "in" in named:
            return claim_id("flag", metric="processor_bound", part=named["in"])
        case (("runs" | "frames"), [which]):
            return claim_id("count", part=f"{head}/{which}")
        case "titles", []:
            return claim_id("count", part="titles")
    raise LookupError(
        f'"{" ".join(words)}" is not a reference; write for example '
        '"average PRODUCT in TITLE", "margin PRODUCT over BASELINE in TITLE" or '
        '"price PRODUCT at street"'
    )


def _reference_text(
    claim: Claim, forms: frozenset[str], *, locale: str, names: Mapping[str, str]
) -> str:
    """Return a reference as it is printed: number, unit and direction, rounded once.

    Raises
    ------
    LookupError
        If a form does not fit the kind of claim.
    """
    compares = claim.kind in MARGIN_KINDS
    wrong = forms & {"sentence", "reversed"}
    if wrong and not compares:
        raise LookupError(f'"{sorted(wrong)[0]}" fits a margin or suite, not {claim.kind}')
    if not compares or claim.value is None:
        interval = f" ({claim.interval})" if "interval" in forms and claim.interval else ""
        return claim.text + interval
    ratio, low, high = claim.value, claim.low, claim.high
    product, baseline, outcome = claim.product, claim.baseline, claim.outcome or "unresolved"
    if claim.kind in {"suite_smallest", "suite_largest"}:
        outcome = "ahead" if ratio > 1 else "behind"
    if "reversed" in forms:
        ratio = 1 / ratio
        low, high = (1 / high, 1 / low) if low and high else (None, None)
        product, baseline = baseline, product
        outcome = {"ahead": "behind", "behind": "ahead"}.get(outcome, outcome)
    rounded = ratio_text(ratio, low, high, locale=locale)
    speed = METRICS[claim.metric].speed
    if "number" in forms:
        text = rounded.text
    else:
        text = rounded.in_words(ratio, outcome=outcome, speed=speed)
    # What is level or not told apart has its interval in its words already.
    told = "number" in forms or outcome in {"ahead", "behind"}
    if "interval" in forms and rounded.interval and told:
        text += f" ({rounded.interval})"
    if "sentence" in forms:
        first, second = names.get(product, product), names.get(baseline, baseline)
        if outcome in {"ahead", "behind"}:
            joint = "than" if speed else "of"
            return f"{first} is {text} {joint} {second}"
        return f"{first} and {second} are {text}"
    return text


def size_text(claim: Claim) -> str:
    """Return a signed figure without its sign, for a sentence whose words give the direction."""
    return claim.text.lstrip("+" + MINUS)


def with_currency_sign(claim: Claim) -> str:
    """Return an amount of money with its currency's sign in place of the code, where it has one."""
    from babel.numbers import get_currency_symbol

    code, space, amount = claim.text.partition(NBSP)
    if not re.fullmatch("[A-Z]{3}", code) or not space:
        return claim.text
    sign = str(get_currency_symbol(code, locale="en"))
    return claim.text if sign == code else f"{sign}{amount}"


def printed_forms(claim: Claim, book: ClaimBook) -> set[str]:
    """Return every way a claim's figure may be printed in a page made from `book`.

    Parameters
    ----------
    claim : Claim
        The figure.
    book : ClaimBook
        The claims of the page, with its locale and display names.

    Returns
    -------
    set of str
        Texts. `verify` takes a figure of a page that is none of them for a changed one.
    """
    forms = {claim.text, size_text(claim), with_currency_sign(claim)}
    locale = str(book.settings.get("locale", "en"))
    for chosen in (
        [],
        ["interval"],
        ["number"],
        ["number", "interval"],
        ["sentence"],
        ["sentence", "interval"],
    ):
        for turned in ([], ["reversed"]):
            try:
                forms.add(
                    _reference_text(
                        claim,
                        frozenset([*chosen, *turned]),
                        locale=locale,
                        names=book.names.get("products", {}),
                    )
                )
            except LookupError:
                continue
    return forms
