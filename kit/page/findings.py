"""What a review found, in sentences made from its claims by rule.

Headline, deck, headings and captions of the article. What `Findings` gives is text, or the parts
of a sentence in which figures are claims with the form they are printed in. A sentence says no
more than its claims: an outcome is a claim's own, "level" names its band.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import takewhile
from typing import Any

from kit.charts.identity import Identity
from kit.claims.bound_text import size_text, with_currency_sign
from kit.claims.claim import Claim, ClaimBook
from kit.claims.of_review import listed
from kit.page.html import Printed
from kit.rounding import BY_FIGURES, NBSP, Rounded
from kit.settings.metric import HEADLINE, RESULT

HEADLINE_CHARACTERS = 100
NO_SCATTER = "how far runs scatter was not measured"
MOST_TURNS = 3  # choices named of one outcome; the record has all
NUMBERS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve",
)  # fmt: skip
PREPOSITIONS = {
    "at", "with", "without", "in", "on", "by", "under", "from", "of", "for", "over", "above",
    "below",
}  # fmt: skip
# How a product stands against another, in the order outcomes are told: before the other's name.
AGAINST = {
    "ahead": "ahead of",
    "behind": "behind",
    "level": "level with",
    "unresolved": "too close to call against",
    "above": f"{BY_FIGURES} ahead of",
    "below": f"{BY_FIGURES} behind",
    "open": f"undecided {BY_FIGURES} against",
    "": "without an interval against",
}
# In place of these, where it is speed.
_FASTER = {
    "ahead": "faster than",
    "behind": "slower than",
    "above": f"{BY_FIGURES} faster than",
    "below": f"{BY_FIGURES} slower than",
}
_THE_TWO = {
    "ahead": "it is ahead",
    "behind": "it is behind",
    "level": "the two are level",
    "unresolved": "it is too close to call",
    "above": f"{BY_FIGURES} it is ahead",
    "below": f"{BY_FIGURES} it is behind",
    "open": f"{BY_FIGURES} it is undecided",
    "": "nothing gives an interval",
}
_OUTCOME_WORDS = {
    "unresolved": "too close to call",
    "above": f"ahead {BY_FIGURES}",
    "below": f"behind {BY_FIGURES}",
    "open": f"undecided {BY_FIGURES}",
    "": "no interval",
}
LIMITS = {
    "processor_bound": ("looks bound by the processor", "look bound by the processor"),
    "capped": ("is held by a cap", "are held by a cap"),
    "throttling": ("is limited by heat", "are limited by heat"),
    "drift_in_run": ("slows down within its runs", "slow down within their runs"),
}
LOWS = {
    "percentile": "the rate at the percentile of the frame times",
    "slowest_share": "the mean rate over the slowest share of the frames",
    "time_share": "the rate below which a share of the time was spent",
}

Part = str | Printed
Sentence = tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """How the reviewed product stands against one other: every claim about the pair.

    Attributes
    ----------
    product : str
        The other product, by its id.
    name, the : str
        Its name in full, its class aside; and as a sentence takes it up again: "the Sedge".
    metric : str
        What is compared: frames per second, else scores.
    whole : Claim or None
        Over all shared titles; the margin of the one title where there is one.
    like : Claim or None
        What other titles of this kind could give.
    expected_false : Claim or None
        How many of the titles ahead or behind are expected to be false.
    counts, margins, groups : mapping of str to Claim
        In how many titles each outcome fell; the margins by title; the suites by group of titles.
    every : bool
        The outcome is the same in every title.
    apart : bool
        It is of another class of machine.
    price, premium, equal, cut : Claim or None
        Of the product itself, in the kind of price in force; then of the two together.
    """

    product: str
    name: str
    the: str
    metric: str
    whole: Claim | None
    like: Claim | None
    counts: Mapping[str, Claim]
    expected_false: Claim | None
    margins: Mapping[str, Claim]
    groups: Mapping[str, Claim]
    every: bool
    apart: bool
    price: Claim | None = None
    premium: Claim | None = None
    equal: Claim | None = None
    cut: Claim | None = None

    @property
    def outcome(self) -> str:
        """The outcome over all shared titles; "" where nothing gives an interval."""
        return "" if self.whole is None else self.whole.outcome

    @property
    def speed(self) -> bool:
        """Whether it is speed that is compared, and not scores."""
        return self.metric != RESULT

    @property
    def turned(self) -> list[str]:
        """The groups whose outcome is not that of the whole."""
        return [group for group, c in self.groups.items() if c.outcome != self.outcome]

    @property
    def has_decided_titles(self) -> bool:
        """Whether any title is ahead or behind."""
        return not {"ahead", "behind"}.isdisjoint(self.tally)

    @property
    def tally(self) -> dict[str, int]:
        """In how many titles each outcome fell, in the order of `AGAINST`."""
        found = Counter(claim.outcome for claim in self.margins.values())
        return {outcome: found[outcome] for outcome in AGAINST if found[outcome]}


# --- words ---


def counted(count: int, noun: str, *, words: bool = True) -> str:
    """Return a count with its noun in the right number: a word up to twelve, then figures.

    >>> counted(1, "run"), counted(2, "run"), counted(14, "title")
    ('one run', 'two runs', '14 titles')
    """
    shown = _count_word(count) if words else str(count)
    return f"{shown} {noun}" if count == 1 else f"{shown} {noun}s"


def _count_word(count: int) -> str:
    return NUMBERS[count] if count < len(NUMBERS) else str(count)


def _all_of(count: int, noun: str, *, words: bool = False) -> str:
    """Return all of so many things.

    >>> _all_of(2, "title"), _all_of(12, "title"), _all_of(5, "rival", words=True)
    ('both titles', 'all 12 titles', 'all five rivals')
    """
    return f"both {noun}s" if count == 2 else f"all {counted(count, noun, words=words)}"


def upper_first(text: str) -> str:
    """Return text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def _lower_first(text: str) -> str:
    """Return text with its first letter small, unless the second is a capital too ("GPU")."""
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


def _plain_sentence(parts: Iterable[Part]) -> str:
    """Return the words of a sentence."""
    return "".join(p if isinstance(p, str) else p.text for p in parts)


def outcome_word(outcome: str) -> str:
    """Return an outcome as a reader meets it.

    >>> outcome_word("unresolved"), outcome_word("ahead"), outcome_word("")
    ('too close to call', 'ahead', 'no interval')
    """
    return _OUTCOME_WORDS.get(outcome, outcome)


def _as_printed(claim: Claim, end: str = "") -> Sentence:
    """Return a claim's figure, its interval in brackets, and what the sentence ends in."""
    return Printed(claim, claim.text), f"{_interval(claim)}{end}"


def _size(claim: Claim) -> Printed:
    """Return a figure whose direction the words give."""
    return Printed(claim, size_text(claim))


def _money(claim: Claim) -> Printed:
    """Return an amount as a reader meets it: the currency's sign for its code."""
    return Printed(claim, with_currency_sign(claim))


def _interval(claim: Claim) -> str:
    """Return a claim's interval in brackets, or nothing."""
    return f" ({claim.interval})" if claim.interval else ""


def _against(claim: Claim, the: str) -> Sentence:
    """Return what a margin says about the product it is over, as a predicate.

    "4.7 % faster than the Sedge", "level with the Sedge", "too close to call against the Sedge".
    """
    if claim.outcome in {"level", "unresolved", "open"}:
        return (f"{AGAINST[claim.outcome]} {the}",)
    way = "ahead" if (claim.value or 1.0) >= 1 else "behind"
    word = AGAINST[way] if claim.metric == RESULT else _FASTER[way]
    how = {"above": f" {BY_FIGURES}", "below": f" {BY_FIGURES}", "": ", without an interval"}
    return _size(claim), f" {word} {the}{how.get(claim.outcome, '')}"


def _said_against(claim: Claim, the: str) -> str:
    """Return `_against` in plain words."""
    return _plain_sentence(_against(claim, the))


def _brief(claim: Claim) -> str:
    """Return a margin where the rival has been named: "10.6 % faster", "level"."""
    if claim.outcome in {"level", "unresolved", "open"}:
        return outcome_word(claim.outcome)
    words = ("ahead", "behind") if claim.metric == RESULT else ("faster", "slower")
    how = f" {BY_FIGURES}" if claim.outcome in {"above", "below"} else ""
    return f"{size_text(claim)} {words[(claim.value or 1.0) < 1]}{how}"


def _some(text: str) -> bool:
    """Whether a printed figure is more than nothing."""
    return re.search("[1-9]", text) is not None


def _fitting(forms: Sequence[str]) -> str:
    """Return the first form that fits a headline; the shortest, cut at a word, where none does."""
    found = next((f for f in forms if len(f) <= HEADLINE_CHARACTERS), None)
    if found is not None:
        return found
    cut = min(forms, key=len)[: HEADLINE_CHARACTERS - 1]
    return cut.rpartition(" ")[0] + "…"


def _without_same_end(text: str, before: str) -> str:
    """Return words without the ending they share with the words before, if more is left than one.

    >>> _without_same_end("at 1600 lines", "at 1200 lines")
    'at 1600'
    """
    words, others = text.split(" "), before.split(" ")
    while len(words) > 2 and len(others) > 2 and words[-1] == others[-1]:
        words.pop()
        others.pop()
    return " ".join(words)


def short_date(day: str, pattern: str = "d MMM y") -> str:
    """Return a day as a slide writes it, or by another pattern; what is no day, as it is.

    >>> short_date("2026-11-16"), short_date("2026-11-16", "d MMMM y"), short_date("soon")
    ('16 Nov 2026', '16 November 2026', 'soon')
    """
    from datetime import date

    from babel.dates import format_date

    try:
        return str(format_date(date.fromisoformat(day), pattern, locale="en"))
    except ValueError:
        return day


def long_date(day: str) -> str:
    """Return a day as the article writes it: "16 November 2026"."""
    return short_date(day, "d MMMM y")


def _one_of(choices: Sequence[str]) -> str:
    """Return choices with "or" before the last, and the words that all begin with said once."""
    words = zip(*(choice.split(" ")[:-1] for choice in choices), strict=False)
    start = "".join(f"{same[0]} " for same in takewhile(lambda at: len({*at}) == 1, words))
    return start + listed((choice.removeprefix(start) for choice in choices), joint="or")


@dataclass(frozen=True)
class Findings:
    """What the claims of one review say, worded by rule; everything is found once.

    A method that ends in `heading`, `caption`, `note` or `headline` gives text, one that ends in
    `sentences`, and `deck`, a list of sentences: tuples of text and of figures in the form they are
    printed in. What the claims do not say is left out, so that a list may be empty.

    Parameters
    ----------
    book : ClaimBook
        The review's claims: nothing else is looked at.
    """

    book: ClaimBook

    # --- what is there ---

    @cached_property
    def own(self) -> str:
        """The reviewed product's name, its class aside."""
        return Identity(self.book).plain(self.book.product)

    @cached_property
    def own_price(self) -> Claim | None:
        """Its price, of the kind in force."""
        return self._one("price", group=self.price_kind, product=self.book.product)

    @cached_property
    def metric(self) -> str:
        """The metric the article is about: frames per second, else scores."""
        margins = self.book.of_kind("margin", product=self.book.product)
        found = dict.fromkeys(claim.metric for claim in margins)
        return HEADLINE if HEADLINE in found or not found else next(iter(found))

    @cached_property
    def price_kind(self) -> str:
        """The kind of price in force: of those observed, the last one params name; "" if none.

        Of the kinds observed, the one named last is nearest to buying.
        """
        prices = self.book.of_kind("price")
        seen = {c.group for c in prices if not c.group.startswith("scenario-")}
        kinds = [kind for kind in self._setting("value").get("kinds") or () if kind in seen]
        return kinds[-1] if kinds else min(seen, default="")

    @cached_property
    def compared(self) -> list[str]:
        """The products the reviewed one is set against: rivals, predecessor, same names."""
        settings = self.book.settings
        found = [*(settings.get("rivals") or ()), settings.get("predecessor"), *self._namesakes]
        return [p for p in dict.fromkeys(found) if p and p != self.book.product]

    @cached_property
    def standings(self) -> list[Standing]:
        """How the reviewed product stands against each other product, in the order of params."""
        return [self._standing(product) for product in self.compared]

    @cached_property
    def first(self) -> Standing | None:
        """How it stands against the first product that it has a common title with."""
        return next((s for s in self.standings if s.whole is not None), None)

    @cached_property
    def level_band(self) -> float:
        """The level band as a share."""
        return float(self._setting("margins").get("level_band") or 0.0)

    @cached_property
    def band_words(self) -> str:
        """The level band in words.

        >>> from types import SimpleNamespace
        >>> settings = {"margins": {"level_band": 0.02}}
        >>> Findings(SimpleNamespace(settings=settings, locale="en")).band_words
        '±2\\xa0%'
        """
        return f"±{self._percent(self.level_band)}"

    @cached_property
    def confidence(self) -> str:
        """The confidence of intervals in words."""
        return self._percent(self._confidence)

    @cached_property
    def level_confidence(self) -> str:
        """The confidence at which an interval must lie within the band to be level, in words.

        Two one-sided tests at alpha are an interval at 1 - 2 alpha.
        """
        return self._percent(2 * self._confidence - 1)

    @property
    def _confidence(self) -> float:
        return float(self._setting("margins").get("confidence") or 0.95)

    @property
    def _namesakes(self) -> list[str]:
        """The products of the reviewed one's name in another class of machine."""
        pairs = self.book.settings.get("same_name") or ()
        return [pair["there"] for pair in pairs if pair["here"] == self.book.product]

    @property
    def _classes(self) -> Mapping[str, str]:
        """The class of machine of each product that has one."""
        return self.book.names.get("classes", {})

    @cached_property
    def _count(self) -> dict[str, Claim]:
        """The counts of runs and titles, by what they count."""
        return {claim.part: claim for claim in self.book.of_kind("count")}

    def _setting(self, section: str) -> Mapping[str, Any]:
        """Return a section of the settings in force; empty where params leave it out."""
        found: Mapping[str, Any] = self.book.settings.get(section) or {}
        return found

    def _percent(self, share: float) -> str:
        """Return a share in percent, as the review's locale writes it."""
        return Rounded.plain(100 * share, unit="%", locale=self.book.locale).text

    def _one(self, kind: str, **where: str) -> Claim | None:
        """Return the first claim of a kind, or None."""
        return next(iter(self.book.of_kind(kind, **where)), None)

    def _short(self, product: str) -> str:
        """Return a product as a sentence takes it up: "the Sedge"."""
        return f"the {Identity(self.book).short(product)}"

    def _standing(self, product: str) -> Standing:
        """Return every claim about the reviewed product and one other."""
        book, metric, kind = self.book, self.metric, self.price_kind
        pair = {"product": book.product, "baseline": product}
        margins = {c.title: c for c in book.of_kind("margin", metric=metric, **pair)}
        suites = {c.group: c for c in book.of_kind("suite", metric=metric, **pair)}
        whole = suites.pop("all", None)
        if whole is None and len(margins) == 1:
            whole = next(iter(margins.values()))
        every = book.of_kind("every_title", metric=metric, group="all", **pair)
        counts = book.of_kind("suite_count", metric=metric, group="all", **pair)
        return Standing(
            product=product,
            name=Identity(book).plain(product),
            the=self._short(product),
            metric=metric,
            whole=whole,
            like=self._one("suite_like", metric=metric, group="all", **pair),
            counts={c.outcome: c for c in counts},
            expected_false=self._one("suite_false", metric=metric, group="all", **pair),
            margins=margins,
            groups=suites,
            every=bool(every) or len({c.outcome for c in margins.values()}) == 1,
            apart=self._classes.get(product) != self._classes.get(book.product),
            price=self._one("price", group=kind, product=product),
            premium=self._one("premium", group=kind, **pair),
            equal=self._one("equal_value_price", group=kind, **pair),
            cut=self._one("cut_needed", group=kind, **pair),
        )

    def group_words(self, group: str) -> str:
        """Return a group of titles as a sentence takes it up.

        A name that begins with a preposition ("At 1200 lines") is taken as it is; any other
        becomes the object of one ("in new titles").
        """
        name = self.book.name("group", group, kind="suite")
        first = name.split(" ")[0].lower()
        if first in PREPOSITIONS:
            return name[:1].lower() + name[1:]
        return f"in {_lower_first(name)}"

    def differing_groups(self, standing: Standing) -> tuple[str, ...]:
        """Return the groups of the first tag whose groups differ in outcome over a rival.

        Only tags whose every group has a suite over it count; () where no tag's groups differ.
        """
        for groups in Identity(self.book).families().values():
            suites = [standing.groups[g] for g in groups if g in standing.groups]
            if len(suites) == len(groups) and len({s.outcome for s in suites}) > 1:
                return groups
        return ()

    # --- headline and deck ---

    def headline(self) -> str:
        """Return the finding in at most 100 characters.

        The reviewed product, what it does against the first rival, the condition that turns it,
        the price: as much of it as fits. Where nothing was compared it says what was measured.
        """
        first = self.first
        if first is None:
            titles = len({c.title for c in self.book.of_kind("cell", product=self.book.product)})
            others = listed(s.the for s in self.standings)
            said = [f"measured in {counted(titles, 'title')}"] if titles else []
            said += [f"not set against {others}"] if others else []
            none = f"{self.own}: no used run"
            return _fitting([f"{self.own}: {'; '.join(said)}" if said else none, none])
        tails = (self._dearer(first), "")
        return _fitting([f"{self.own}: {c}{tail}" for c in self._cores(first) for tail in tails])

    def _cores(self, first: Standing) -> list[str]:
        """Return what the headline may say of the first rival, the most telling first."""
        whole = first.whole
        if whole is None:
            return []
        cores = []
        groups = self.differing_groups(first)
        if groups:
            words = {group: self.group_words(group) for group in groups}
            clauses = [f"{_said_against(first.groups[groups[0]], first.the)} {words[groups[0]]}"]
            clauses += [
                f"{_brief(first.groups[g])} {_without_same_end(words[g], words[groups[0]])}"
                for g in groups[1:]
            ]
            cores.append(", ".join(clauses))
        titles = len(first.margins)
        said = _said_against(whole, first.the)
        if first.turned and not groups:
            group = first.turned[0]
            turn = f"{_brief(first.groups[group])} {self.group_words(group)}"
            cores.append(f"{said}, but {turn}")
        if titles == 1:
            cores.append(f"{said} in {self.book.title_name(next(iter(first.margins)))}")
        elif first.every:
            cores.append(f"{said} in {_all_of(titles, 'title')}")
        elif whole.kind == "suite":
            cores.append(f"{said} over {counted(titles, 'title', words=False)}")
        return [*cores, said]

    def _dearer(self, first: Standing) -> str:
        """Return how its price stands to the first rival's, as the end of a headline."""
        claim = first.premium
        if claim is None or not claim.value:
            return ""
        if not _some(claim.text):
            return ", at the same price"
        return f", and {size_text(claim)} {'dearer' if claim.value > 1 else 'cheaper'}"

    def deck(self) -> list[Sentence]:
        """Return the sentences under the headline.

        Over all titles; what other titles of this kind could give; the price of equal value; which
        outcomes other choices turn; and against which products nothing can be said.
        """
        sentences: list[Sentence] = []
        if self.first is not None and self.first.whole is not None:
            sentences += [self._whole_sentence(self.first, self.first.whole)]
            sentences += [*self._like_sentence(self.first), *self._money_sentences(self.first)]
        sentences += self._fragile_notes()
        lost = listed(s.the for s in self.standings if s.whole is None)
        if lost:
            sentences.append((f"Not set against {lost}: no title has used runs of both.",))
        return sentences

    def _whole_sentence(self, first: Standing, claim: Claim) -> Sentence:
        """Return what the margin over all titles says; where it is level, within which band."""
        count = len(first.margins)
        over = f"Over {_all_of(count, 'title')}" if count > 1 else "In the one title"
        the = f"the {first.name}"
        if claim.outcome == "level":
            end = f", inside the level band of {self.band_words}."
            return f"{over} it is level with {the}: ", *_as_printed(claim, end)
        if claim.outcome == "unresolved":
            end = ": too close to call with these runs."
            return f"{over} its margin over {the} is ", *_as_printed(claim, end)
        if claim.outcome in {"above", "below", "open"}:
            said = (f"{over} its margin over {the} is ", *_as_printed(claim), f" {BY_FIGURES}")
            return *said, *self._titles_said(first, claim), f": {NO_SCATTER}."
        return f"{over} it is ", *_against(claim, the), f"{_interval(claim)}."

    def _titles_said(self, first: Standing, claim: Claim) -> Sentence:
        """Return in how many titles its figure is the better one, and what the sign test says."""
        pair = {"product": claim.product, "baseline": claim.baseline, "metric": claim.metric}
        sides = {c.part: c for c in self.book.of_kind("suite_side", group="all", **pair)}
        sign = self._one("suite_sign", group="all", **pair)
        if len(first.margins) < 2 or sign is None or not sides:
            return ()
        words = ("faster", "slower") if first.speed else ("ahead", "behind")
        side = "below" if claim.outcome == "below" else "above"
        number = Printed(sides[side], sides[side].text)
        said = (f", {words[side == 'below']} in ", number, f" of {len(first.margins)}")
        end = " (p by the sign test: ", Printed(sign, sign.text), ")"
        return *said, *end

    def _like_sentence(self, first: Standing) -> list[Sentence]:
        """Return what other titles of this kind could give, and whether they could turn it."""
        like = first.like
        if like is None or not like.low or not like.high or not like.interval:
            return []
        low, _, high = like.interval.partition(" to ")
        said, end = "With other titles of this kind it could be ", "."
        if first.outcome in {"ahead", "behind", "above", "below"} and like.low < 1 < like.high:
            said, end = f"{said}anything from ", ": what you play decides."
        return [(f"{said}{low} to {high}{NBSP}%{end}",)]

    def _money_sentences(self, standing: Standing) -> list[Sentence]:
        """Return what the price would have to be for as many frames for the money."""
        own, equal, cut = self.own_price, standing.equal, standing.cut
        if own is None or equal is None or cut is None or cut.value is None:
            return []
        now = (f"At a {self.price_kind} price of ", _money(own), f" the {self.own} ")
        if cut.value > 0 and _some(cut.text):
            good = (
                "to give as many frames for the money" if standing.speed else "to do as much for it"
            )
            fall = ("would have to fall to ", _money(equal), ", by ", _size(cut))
            return [(*now, *fall, f", {good} as {standing.the}.")]
        more = "more frames for the money" if standing.speed else "more for the money"
        gives = f"gives {more} than {standing.the}; at "
        return [(*now, gives, _money(equal), " both would give as much.")]

    # --- the first picture ---

    def rivals_caption(self) -> str:
        """Return what the picture of all rivals shows, in a sentence without figures.

        Rivals of the same class by outcome; products of another class join those
        with the same outcome, and else stand at the end.
        """
        shown = [s for s in self.standings if s.whole is not None]
        near, far = [s for s in shown if not s.apart], [s for s in shown if s.apart]
        if not shown:
            return "No other product was measured in the same titles"
        said = []
        for outcome, word in AGAINST.items():
            some = [s for s in near if s.outcome == outcome]
            if not some:
                continue
            also = [s.the for s in far if s.outcome == outcome]
            far = [s for s in far if s.outcome != outcome]
            if len(some) == len(near) > 1:
                names = [_all_of(len(near), "rival", words=True)]
            elif len(some) > 2:
                names = [f"{_count_word(len(some))} of {_count_word(len(near))} rivals"]
            else:
                names = [s.the for s in some]
            word = _FASTER.get(outcome, word) if some[0].speed else word
            said.append(f"{word} {listed([*names, *also])}")
        for s in far:
            words = _against(s.whole, s.the) if s.whole is not None else ()
            said.append("".join(part.strip() for part in words if isinstance(part, str)))
        return upper_first(", ".join(said))

    def role(self, standing: Standing) -> str:
        """Return what a product is to the reviewed one, in a word or two.

        Returns
        -------
        str
            By the first of these that holds: the same name in another class; figures typed in, with
            no log behind them; the predecessor; a cheaper or dearer rival by the prices in force,
            else by any observed; a rival.
        """
        if standing.product in self._namesakes:
            return f"same name, {self._classes.get(standing.product) or 'another class'}"
        cells = self.book.of_kind("cell", product=standing.product)
        if cells and all("typed_in" in claim.marks for claim in cells):
            return "figures typed in, no logs"
        if standing.product == self.book.settings.get("predecessor"):
            return "predecessor"
        pair = {"product": self.book.product, "baseline": standing.product}
        known = self.book.of_kind("premium", **pair)
        observed = (c for c in known if not c.group.startswith("scenario-"))
        premium = standing.premium or next(observed, None)
        if premium is None or not premium.value or premium.value == 1:
            return "rival"
        return "cheaper rival" if premium.value > 1 else "dearer rival"

    def tested_note(self) -> str:
        """Return what was tested: titles, products, runs used and not, and when they were run.

        Days are those of used runs, from the times their logs state.
        """
        book, count = self.book, self._count
        products = len({c.product for c in book.of_kind("cell")})
        titles = int(count["titles"].figure) if "titles" in count else 0
        scored = len({c.title for c in book.of_kind("cell", metric=RESULT)})
        played = len({c.title for c in book.of_kind("cell", metric=HEADLINE)})
        kinds = f" ({played} with frame rates, {scored} with a score)" if scored and played else ""
        said = f"{counted(titles, 'title', words=False)}{kinds}, "
        said += f"{counted(products, 'product', words=False)}, {self._used} runs"
        aside, failed = count.get("runs/set_aside"), count.get("runs/did_not_run")
        lost = [f"{aside.text} more set aside"] if aside is not None and aside.value else []
        lost += [f"{failed.text} did not run"] if failed is not None and failed.value else []
        said = "; ".join(filter(None, (said, ", ".join(lost)))) + "."
        days = sorted(run.began[:10] for run in book.runs if run.used and run.began)
        if days:
            first, last = long_date(days[0]), long_date(days[-1])
            said += f" Run {f'on {first}' if first == last else f'from {first} to {last}'}."
        return said

    @property
    def _used(self) -> str:
        """How many runs are used, in figures."""
        return self._count["runs/used"].text if "runs/used" in self._count else "0"

    @cached_property
    def differences(self) -> dict[str, list[tuple[str, str, str, str]]]:
        """What is not alike, by the product compared with.

        A row a control that was waived: the control in words, the product's value, ours, each with
        its unit or "not recorded", and the reason that the waiver gives.
        """
        values = {(c.metric, c.product): c.text for c in self.book.of_kind("control")}
        found: dict[str, list[tuple[str, str, str, str]]] = {}
        for claim in self.book.of_kind("waiver", product=self.book.product):
            name, unit = self.book.control_words(claim.metric)
            there, here = (
                f"{values.get((claim.metric, p), 'not recorded')}{f'{NBSP}{unit}' if unit else ''}"
                for p in (claim.baseline, self.book.product)
            )
            reason = claim.text.rpartition(", waived: ")[2].strip()
            found.setdefault(claim.baseline, []).append((name, there, here, reason))
        return found

    def unlike_note(self) -> str:
        """Return in what the machines differ, briefly: values only where one control differs."""
        if not self.differences:
            controls = dict.fromkeys(c.metric for c in self.book.of_kind("control"))
            if not controls:
                return "No control was recorded, so nothing says how alike the machines are."
            alike = listed(self.book.control_words(c)[0] for c in controls)
            return f"Nothing that was controlled differs: {alike}."
        said = []
        for product, rows in self.differences.items():
            words = listed(name for name, *_ in rows)
            if len(rows) == 1:
                words += f" ({rows[0][1]} against {rows[0][2]})"
            said.append(f"{upper_first(Identity(self.book).short(product))}: {words}.")
        return " ".join(said)

    def price_note(self) -> tuple[str, Sentence]:
        """Return the head of the note on prices, and what it says.

        Returns
        -------
        str, Sentence
            The kind of price in force; its days, the price of the reviewed product, and how to read
            the spans in small type where there are any.
        """
        kind, own = self.price_kind, self.own_price
        if not kind:
            return "No prices", ("were recorded, so nothing is said about value.",)
        head = upper_first(self.book.name("group", kind, kind="price"))
        since, until = (self._setting("value").get(key) for key in ("since", "until"))
        when = f"of {long_date(str(since))} to {long_date(str(until))}" if since and until else ""
        opened = "; " if when else ""
        parts: list[Part] = [when]
        if own is None:
            parts.append(f"{opened}none for the {self.own}.")
        else:
            parts += [f"{opened}the {self.own} is at ", _money(own), f"{_interval(own)}."]
        if any(c.interval for c in self.book.of_kind("price", group=kind)):
            parts.append(" In small type the span of what shops asked.")
        return head, tuple(parts)

    # --- title by title ---

    def titles_heading(self) -> str:
        """Return the heading of the part that goes through the titles.

        The first outcome there is over the first product, in how many titles; and the group of
        titles that holds more than six in ten of them, where groups differ at all.
        """
        first = next((s for s in self.standings if s.margins), None)
        if first is None:
            return "Title by title"
        total = len(first.margins)
        if total == 1:
            ((title, claim),) = first.margins.items()
            return f"{self.book.title_name(title)}: {_said_against(claim, first.the)}"
        leading, count = next(iter(first.tally.items()))
        word = upper_first(f"{AGAINST[leading]} {first.the}")
        if count == total:
            return f"{word} in {_all_of(total, 'title')}"
        said = f"{word} in {count} of {total} titles"
        members = Identity(self.book).groups()
        for group in self.differing_groups(first):
            inside = [t for t in members[group] if t in first.margins]
            some = sum(first.margins[t].outcome == leading for t in inside)
            if count >= 3 and some > 0.6 * count:
                share = _count_word(some) if some < count else "all"
                return f"{said}, {share} of them {self.group_words(group)}"
        return said

    def titles_sentences(self) -> list[Sentence]:
        """Return the outcomes over the first rival that the heading leaves out, with the title
        where it is one alone; the counts over every other one; and how many are likely false."""
        sentences: list[Sentence] = []
        for n, standing in enumerate(s for s in self.standings if len(s.margins) > 1):
            words = []
            for outcome, count in [*standing.tally.items()][1 if n == 0 else 0 :]:
                if n == 0 and count == 1:
                    (title,) = (t for t, c in standing.margins.items() if c.outcome == outcome)
                    where = self.book.title_name(title)
                else:
                    every = _all_of(count, "title").removesuffix(" titles")
                    where = every if count == len(standing.margins) else str(count)
                within = f" (within {self.band_words})" if n == 0 and outcome == "level" else ""
                words.append(f"{outcome_word(outcome)}{within} in {where}")
            if words:
                said = listed(words) if n == 0 else f"{standing.the}: {listed(words)}"
                sentences.append((f"{upper_first(said)}.",))
        return [*sentences, *self.fragile_sentences(), *self._false_sentence()]

    def _false_sentence(self) -> list[Sentence]:
        """Return how many titles ahead or behind are expected to be false, over each product."""
        some = [s for s in self.standings if len(s.margins) > 1 and s.expected_false is not None]
        shown = [(s.the, s.expected_false) for s in some if s.has_decided_titles]
        known = [(the, Printed(claim, claim.text)) for the, claim in shown if claim is not None]
        if not known:
            return []
        opened = "Of the titles ahead or behind, expected to be false: "
        if len({printed.text for _, printed in known}) == 1:
            return [(opened, known[0][1], " over each product." if len(known) > 1 else ".")]
        said: Sentence = (opened,)
        for place, (the, printed) in enumerate(known):
            said += (", " if place else "", printed, f" over {the}")
        return [(*said, ".")]

    # --- where the margin comes from ---

    def groups_heading(self) -> str:
        """Return the heading of the part on groups of titles.

        The first product whose outcome differs among the groups of a tag; else the first whose
        outcome a group turns; else that no group does.
        """
        shown = [s for s in self.standings if s.groups and s.whole is not None]
        for standing in shown:
            groups = self.differing_groups(standing)
            if groups:
                return self._depends(standing, groups)
        for standing in shown:
            for group in standing.turned[:1]:
                said = _said_against(standing.groups[group], standing.the)
                return f"{upper_first(self.group_words(group))} it is {said}"
        return "No group of titles changes an outcome"

    def _depends(self, standing: Standing, groups: Sequence[str]) -> str:
        """Return on which of some groups a margin depends, and how the others turn out.

        "The lead over the Sedge comes from titles at 1600 lines; at 1200 lines the two are level",
        or, where no group has the outcome of the whole, each outcome with its groups.
        """
        by: dict[str, list[str]] = {}
        for group in groups:
            by.setdefault(standing.groups[group].outcome, []).append(group)
        words = {o: listed(self.group_words(g) for g in some) for o, some in by.items()}
        if standing.outcome in {"ahead", "behind"} and standing.outcome in words:
            head = "lead over" if standing.outcome == "ahead" else "gap to"
            own = words.pop(standing.outcome).removeprefix("in ")
            said = f"The {head} {standing.the} comes from titles {own}"
            said = said.replace("from titles new titles", "from new titles")
            rest = listed(f"{where} {_THE_TWO[outcome]}" for outcome, where in words.items())
            return f"{said}; {rest}"
        rest = ", ".join(f"{outcome_word(outcome)} {where}" for outcome, where in words.items())
        return f"Against {standing.the} it depends: {rest}"

    def groups_sentences(self) -> list[Sentence]:
        """Return every group that turns an outcome, over every product; and a caution.

        The caution: groups that hold the same titles cannot be told apart.
        """
        sentences: list[Sentence] = []
        ends = {"level": f": inside the level band of {self.band_words}.", "": "."}
        for standing in self.standings:
            for group in standing.turned:
                claim = standing.groups[group]
                said = f"{upper_first(self.group_words(group))} the margin over {standing.the} is "
                end = ends.get(claim.outcome, f": {outcome_word(claim.outcome)}.")
                sentences.append((said, *_as_printed(claim, end)))
        return [*sentences, *self._overlaps()]

    def _overlaps(self) -> list[Sentence]:
        """Return which groups cannot be told apart: the titles of one are all in another."""
        members = Identity(self.book).groups()
        order, suites = list(members), self.book.settings.get("suites") or {}
        found: list[str] = []
        for group, titles in members.items():
            for other, more in members.items():
                tags = [(suites.get(g) or {}).get("tags") or {} for g in (group, other)]
                if group == other or set(tags[0]) & set(tags[1]) or not set(titles) <= set(more):
                    continue
                if set(titles) == set(more) and order.index(group) > order.index(other):
                    continue
                first, second = self.group_words(group), self.group_words(other)
                every = not first.startswith("in ")
                said = f"every title {first}" if every else f"all {first.removeprefix('in ')}"
                where = f"{'is' if every else 'are'} {second}"
                if second.startswith("in "):
                    where = f"is among the {second.removeprefix('in ')}"
                found.append(f"{said} {where}")
                break
        if not found:
            return []
        return [(f"{upper_first('; '.join(found))}: titles so bound up cannot be told apart.",)]

    def turned_by(self, standing: Standing) -> tuple[Claim, ...]:
        """Return the margins over all titles, over one product, that another choice turns."""
        pair = {"product": self.book.product, "baseline": standing.product}
        made = self.book.of_kind("sensitivity", metric=standing.metric, **pair)
        return tuple(claim for claim in made if "turned" in claim.marks)

    def _fragile_notes(self) -> list[Sentence]:
        """Return, of each outcome that another choice turns, to what and by which choices."""
        notes: list[Sentence] = []
        for standing in self.standings:
            turned = self.turned_by(standing) if standing.whole is not None else ()
            by_outcome: dict[str, list[str]] = {}
            for claim in turned[:MOST_TURNS]:
                choice = self.book.name("part", claim.part, kind=claim.kind)
                by_outcome.setdefault(outcome_word(claim.outcome), []).append(choice)
            said = [f"{word} {_one_of(choices)}" for word, choices in by_outcome.items()]
            if said:
                notes.append((f"Fragile against {standing.the}: {'; '.join(said)}.",))
        return notes

    def fragile_sentences(self) -> list[Sentence]:
        """Return, of each outcome that another choice turns, what turns it, and both intervals."""
        found: list[Sentence] = []
        for standing in self.standings:
            turned, whole = self.turned_by(standing), standing.whole
            if not turned or whole is None:
                continue
            word = outcome_word(whole.outcome)
            said: Sentence = (f"Fragile against {standing.the}: {word} at ", *_as_printed(whole))
            for place, claim in enumerate(turned[:MOST_TURNS]):
                choice = self.book.name("part", claim.part, kind=claim.kind)
                head = ", but " if place == 0 else "; "
                said += (f"{head}{outcome_word(claim.outcome)} {choice}: ", *_as_printed(claim))
            left = len(turned) - MOST_TURNS
            more = f"; and {counted(left, 'other choice')} would turn it" if left > 0 else ""
            found.append((*said, f"{more}."))
        return found

    # --- classes, limits, value, comparability, method ---

    def classes_sentences(self) -> tuple[str, list[Sentence]]:
        """Return heading and sentences on what one name means in two classes of machine.

        Returns
        -------
        str, list of Sentence
            The step from one name to the next in each class, one over the other, and each name
            against its namesake. The heading is "" where the review has neither.
        """
        metric, classes = self.metric, self._classes
        gap, here, there = (
            self._one(kind, metric=metric) for kind in ("gap", "gap_here", "gap_there")
        )
        sentences: list[Sentence] = []
        heading = ""
        if here is not None and there is not None:
            kinds = [classes.get(c.product) or "one class" for c in (here, there)]
            new, old = (Identity(self.book).plain(p) for p in (here.product, here.baseline))
            heading = (
                f"From {old} to {new}: {here.text} in the {kinds[0]} class, "
                f"{there.text} in the {kinds[1]} class"
            )
            opened = f"In the {kinds[0]} class the step from {old} to {new} is "
            said = _as_printed(here, f", in the {kinds[1]} class ")
            sentences.append((opened, *said, *_as_printed(there, ".")))
            if gap is not None:
                sentences.append(("One step over the other: ", *_as_printed(gap, ".")))
        for pair in self.book.settings.get("same_name") or ():
            where = {"product": pair["here"], "baseline": pair["there"]}
            suite = self._one("suite", metric=metric, group="all", **where)
            if suite is None:
                continue
            name, kind = Identity(self.book).plain(pair["here"]), classes.get(pair["there"])
            opened = f"The {classes.get(pair['here']) or 'one'} {name} is "
            told = _against(suite, f"the {kind or 'other'} part of that name")
            sentences.append((opened, *told, f"{_interval(suite)}."))
            heading = heading or opened + _plain_sentence(told)
        return heading, sentences

    def limits_sentences(self) -> tuple[str, list[Sentence]]:
        """Return heading and sentences on what seems to limit the products, title by title.

        Titles with the same limit on the same products share a sentence, as do limits found in the
        same titles on the same products. Titles of which the processor cannot be judged, and that
        nothing else says it of, stand last.
        """
        found: dict[str, dict[str, set[str]]] = {}
        for claim in self.book.of_kind("flag"):
            if claim.metric in LIMITS and claim.outcome == "flag" and claim.title:
                titles = found.setdefault(claim.metric, {})
                titles.setdefault(claim.title, set()).add(claim.product)
        judged = found.get("processor_bound", {})
        unsure = self.book.of_kind("flag", metric="processor_bound", outcome="cannot_judge")
        unclear = [self.book.title_name(c.title) for c in unsure if c.title not in judged]
        left = list(dict.fromkeys(unclear))
        last: list[Sentence] = []
        if left:
            last = [
                (
                    f"Whether the processor sets the limit cannot be judged in {listed(left)}: the "
                    "runs show neither that unlike products are level there nor that they are not.",
                )
            ]
        if not found:
            heading = "No title looks limited by processor, cap or heat"
            if left:
                return f"{heading}; {counted(len(left), 'title')} cannot be judged", last
            return heading, [("No rule of screening that looks for such a limit found one.",)]
        merged: dict[tuple[tuple[str, ...], frozenset[str]], list[str]] = {}
        for rule in LIMITS:
            where = found.get(rule, {})
            for products in dict.fromkeys(frozenset(p) for p in where.values()):
                some = tuple(t for t in where if where[t] == products)
                merged.setdefault((some, products), []).append(rule)
        sentences: list[Sentence] = []
        heads = []
        for (some, products), rules in merged.items():
            words = listed(LIMITS[rule][len(some) > 1] for rule in rules)
            names = listed(self.book.title_name(t) for t in some)
            sentences.append((f"{names} {words}{self._on_products(products)}.",))
            heads.append(f"{counted(len(some), 'title')} {LIMITS[rules[0]][len(some) > 1]}")
        return upper_first(", ".join(heads[:2])), sentences + last

    def limit_words(self, title: str) -> str:
        """Return what is said of the processor in one title; "" where nothing is."""
        said = {c.outcome for c in self.book.of_kind("flag", metric="processor_bound", title=title)}
        if "flag" in said:
            return LIMITS["processor_bound"][0]
        return "whether the processor limits it cannot be judged" if said else ""

    def _on_products(self, products: Iterable[str]) -> str:
        """Return on which products something was found; a long list becomes a count."""
        order = [p for p in self.book.names.get("products", {}) if p in set(products)]
        if not order:
            return ""
        if len(order) > 2:
            return f" (on {_count_word(len(order))} products)"
        return f" (on {listed(map(self._short, order))})"

    def value_heading(self) -> str:
        """Return the heading of the part on money: the premium over the first product that has one,
        beside the margin over it; "" where no price was observed."""
        shown = (s for s in self.standings if s.premium is not None and s.whole)
        first = next(shown, None)
        if first is None or first.premium is None or first.whole is None:
            return f"What the {self.own} costs" if self.price_kind else ""
        size = size_text(first.premium)
        word = "more than" if (first.premium.value or 1.0) > 1 else "less than"
        costs = f"{size} {word}" if _some(size) else "as much as"
        said = f"The {self.own} costs {costs} {first.the}"
        if first.outcome == "level":
            return f"{said}, and the two are level"
        if first.outcome in {"unresolved", "open"}:
            return f"{said}; which is faster is {outcome_word(first.outcome)}"
        return f"{said} and is {_brief(first.whole)}"

    def value_sentences(self) -> list[Sentence]:
        """Return what the price would have to be against each product it is weighed against.

        Then which products are off the frontier, and for which no price of the kind was found.
        Other classes of machine are left out.
        """
        sentences: list[Sentence] = []
        kind = self.price_kind
        weighed = [s for s in self.standings if not s.apart and s.equal and s.cut]
        for n, standing in enumerate(weighed):
            if n == 0:
                sentences += self._money_sentences(standing)
            elif standing.equal is not None and standing.cut is not None:
                word = "less" if (standing.cut.value or 0.0) > 0 else "more"
                said = f"Against {standing.the} both would give as much at "
                end = (", ", _size(standing.cut), f" {word}.")
                sentences.append((said, _money(standing.equal), *end))
        frontier = self.book.of_kind("frontier", group=kind)
        worse = [c.product for c in frontier if c.outcome in {"dominated", "mixed"}]
        if worse:
            names = listed(Identity(self.book).short(product) for product in worse)
            said = f"The {names} {'is' if len(worse) == 1 else 'are'} off the line: something here,"
            sentences.append((f"{said} or a mix of two things here, is both cheaper and faster.",))
        lost = listed(self._short(c.product) for c in self.book.of_kind("not_weighed", group=kind))
        if lost:
            sentences.append((f"No {kind} price was found for {lost}.",))
        return sentences

    def alike_heading(self) -> str:
        """Return the heading of the part on how comparable the machines are.

        What differs against the first product, and in how many other comparisons something does.
        """
        found, first = self.differences, self.first
        if not found:
            if not self.book.of_kind("control"):
                return "How comparable the machines are was not recorded"
            return "The machines are alike in all that was controlled"
        said, others = "", len(found)
        if first is not None and first.product in found:
            names = [name for name, *_ in found[first.product]]
            verb = "differs" if len(names) == 1 else "differ"
            said = f"{upper_first(listed(names))} {verb} against {first.the}"
            others -= 1
        elif first is not None:
            said = f"Nothing that was controlled differs against {first.the}"
        if not others:
            return said
        more = counted(others, "other comparison" if said else "comparison")
        verb = "is" if others == 1 else "are"
        return (
            f"{said}; {more} {verb} not alike" if said else f"{upper_first(more)} {verb} not alike"
        )

    def method_heading(self) -> str:
        """Return the heading of the part on how it was measured: runs used and set aside."""
        used, aside = self._used, self._count.get("runs/set_aside")
        left = ""
        if aside is not None and aside.value:
            left = f"; {aside.text} set aside, with the reason"
        return f"{used} run{'' if used == '1' else 's'}, every one of them behind the figures{left}"

    def method_sentences(self) -> list[Sentence]:
        """Return how the figures were made, for a reader who wants to know and not to check.

        In the order a figure is made: frames, averages, lows by the definition in force, intervals,
        and what "level" and "too close to call" mean at this confidence and band.
        """
        low, frames = self._setting("metrics").get("low", ""), self._count.get("frames/used")
        sentences: list[Sentence] = []
        if frames is not None and frames.value:
            sentences.append(("The runs hold ", Printed(frames, frames.text), " frames."))
        said = [
            "An average is frames over seconds within a run; a figure is the mean of a product's "
            "runs of a title, a margin the ratio of two such figures, and a margin over titles "
            "their geometric mean."
        ]
        if low in LOWS:
            said.append(f"A low is {LOWS[str(low)]}.")
        said += [
            "An interval for these titles holds what differs from run to run, at "
            f"{self.confidence}; the wider one holds what other titles of this kind would change "
            "as well.",
            f"Level means that the {self.level_confidence} interval lies within "
            f"{self.band_words}; too close to call means that these runs show neither a "
            "difference nor that there is none.",
        ]
        if any(s.outcome in {"above", "below", "open"} for s in self.standings):
            said.append(
                f"{upper_first(BY_FIGURES)} means that {NO_SCATTER}, so nothing gives an interval "
                "for these titles. Ahead or behind is then said where every title agrees, or where "
                "the interval for other titles of this kind or the sign test over the titles does."
            )
        return [*sentences, *((sentence,) for sentence in said)]


def headline_of(book: ClaimBook) -> str:
    """Return the headline of a review's article; "" for every other kind of page."""
    from kit.claims.of_pages import page_of

    article = page_of(book.settings["template"]) == "review"
    return Findings(book).headline() if article else ""
