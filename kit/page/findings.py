"""What a review found, in sentences made from its claims by rule.

Headline, deck, headings and captions of the article. What `Findings` gives is text, or the parts
of a sentence in which figures are claims with the form they are printed in. A sentence says no
more than its claims: an outcome is a claim's own, "level" names its band.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import takewhile
from typing import Any

from kit.charts.identity import Identity
from kit.claims.bound_text import size_text, with_currency_sign
from kit.claims.claim import Claim, ClaimBook
from kit.claims.relations import LOAD_LEVELS
from kit.page.html import Printed
from kit.page.words import Part, Sentence, Words, forms, msg, words_in
from kit.rounding import NBSP, Rounded
from kit.settings.metric import HEADLINE, RESULT
from kit.stats.intervals import LEVEL_ALPHA

HEADLINE_CHARACTERS = 100
DECK_CHARACTERS = 375  # three lines of 62 em
# Where the spread of a typed figure is from, by the mark that says so.
SPREADS = {
    "spread_stated": msg("stated with them"),
    "spread_of_titles": msg("taken from the runs of {titles}"),
    "spread_of_others": msg("taken from the other figures of this review"),
}
MOST_TURNS = 3  # choices named of one outcome; the record has all
# With one of these a group's name stands in a sentence as it is; translated, they are another
# language's: those of both are known.
PREPOSITIONS = msg("at with without in on by under from of for over above below")
# How a product stands against another, in the order outcomes are told.
AGAINST = {
    "ahead": msg("ahead of {rival}"),
    "behind": msg("behind {rival}"),
    "level": msg("level with {rival}"),
    "unresolved": msg("too close to call against {rival}"),
    "above": msg("by figures alone ahead of {rival}"),
    "below": msg("by figures alone behind {rival}"),
    "open": msg("undecided by figures alone against {rival}"),
    "": msg("without an interval against {rival}"),
}
# In place of these, where it is speed.
_FASTER = {
    "ahead": msg("faster than {rival}"),
    "behind": msg("slower than {rival}"),
    "above": msg("by figures alone faster than {rival}"),
    "below": msg("by figures alone slower than {rival}"),
}
# With how much, one way and the other; beside a rival that was named.
_FASTER_BY = (msg("{size} faster than {rival}"), msg("{size} slower than {rival}"))
_AHEAD_BY = (msg("{size} ahead of {rival}"), msg("{size} behind {rival}"))
_FASTER_BRIEF = (msg("{size} faster"), msg("{size} slower"))
_AHEAD_BRIEF = (msg("{size} ahead"), msg("{size} behind"))
_NO_WAY = {"level", "unresolved", "open"}  # outcomes that say nothing of which is ahead
_BY_FIGURES_ALONE = ("above", "below", "open")
_THE_TWO = {
    "ahead": msg("{where} it is ahead"),
    "behind": msg("{where} it is behind"),
    "level": msg("{where} the two are level"),
    "unresolved": msg("{where} it is too close to call"),
    "above": msg("{where} by figures alone it is ahead"),
    "below": msg("{where} by figures alone it is behind"),
    "open": msg("{where} by figures alone it is undecided"),
    "": msg("{where} nothing gives an interval"),
}
_LEAD_OF_TITLES = (
    msg("The lead over {rival} comes from titles {where}; {rest}"),
    msg("The gap to {rival} comes from titles {where}; {rest}"),
)
_LEAD_OF_GROUP = (
    msg("The lead over {rival} comes from {where}; {rest}"),
    msg("The gap to {rival} comes from {where}; {rest}"),
)
_OUTCOMES = {
    "ahead": msg("ahead"),
    "behind": msg("behind"),
    "level": msg("level"),
    "unresolved": msg("too close to call"),
    "above": msg("ahead by figures alone"),
    "below": msg("behind by figures alone"),
    "open": msg("undecided by figures alone"),
    "": msg("no interval"),
}
# Of one title, and of several.
LIMITS = {
    "processor_bound": forms("looks bound by the processor", "look bound by the processor"),
    "capped": forms("is held by a cap", "are held by a cap"),
    "throttling": forms("is limited by heat", "are limited by heat"),
    "drift_in_run": forms("slows down within its runs", "slow down within their runs"),
}
# What the price would have to be, by whether speed is compared and whether it would have to fall.
_EQUAL_VALUE = {
    (True, True): msg(
        "At a {kind} price of {price} the {own} would have to fall to {equal}, by {cut}, to give "
        "as many frames for the money as {rival}."
    ),
    (False, True): msg(
        "At a {kind} price of {price} the {own} would have to fall to {equal}, by {cut}, to do as "
        "much for it as {rival}."
    ),
    (True, False): msg(
        "At a {kind} price of {price} the {own} gives more frames for the money than {rival}; at "
        "{equal} both would give as much."
    ),
    (False, False): msg(
        "At a {kind} price of {price} the {own} gives more for the money than {rival}; at {equal} "
        "both would give as much."
    ),
}
# Of two groups of titles, by whether the name of each has no preposition.
_OVERLAPS = {
    (True, True): msg("all {first} are among the {second}"),
    (True, False): msg("all {first} are {second}"),
    (False, True): msg("every title {first} is among the {second}"),
    (False, False): msg("every title {first} is {second}"),
}
# Of the margin over all titles where it is neither ahead nor behind.
_WHOLE = {
    "level": msg("{scope} it is level with {rival}: {figure}, inside the level band of {band}."),
    "unresolved": msg(
        "{scope} its margin over {rival} is {figure}: too close to call with these runs."
    ),
} | dict.fromkeys(
    _BY_FIGURES_ALONE,
    msg("{scope} its margin over {rival} is {figure}: how far runs scatter was not measured."),
)
LOWS = {
    "percentile": msg("A low is the rate at the percentile of the frame times."),
    "slowest_share": msg("A low is the mean rate over the slowest share of the frames."),
    "time_share": msg("A low is the rate below which a share of the time was spent."),
}
ENGLISH = words_in("en")


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
    over : mapping of str to Claim
        The margins that `whole` is made of, by title.
    every : bool
        The outcome is the same in every one of them.
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
    over: Mapping[str, Claim]
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


def upper_first(text: str) -> str:
    """Return text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def _lower_first(text: str) -> str:
    """Return text with its first letter small, unless the second is a capital too ("GPU")."""
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


# What sensors read under load, here and there; higher and lower.
_LOADS = {
    "clock_mhz": msg(
        "In the second half of a run it clocks at {here}, {other} at {there}: {apart}."
    ),
    "power_w": msg("It takes {here}, the other {there}: {apart}."),
    "temperature_c": msg("It is {here} warm, the other {there}: {apart}."),
    "noise_dba": msg("Its noise is {here}, the other's {there}: {apart}."),
}
_APART = (msg("{size} higher"), msg("{size} lower"))


def _plain_sentence(parts: Iterable[Part]) -> str:
    """Return the words of a sentence."""
    return "".join(p if isinstance(p, str) else p.text for p in parts)


def outcome_word(outcome: str, words: Words = ENGLISH) -> str:
    """Return an outcome as a reader meets it.

    >>> outcome_word("unresolved"), outcome_word("ahead"), outcome_word("")
    ('too close to call', 'ahead', 'no interval')
    """
    return words.say(_OUTCOMES[outcome]) if outcome in _OUTCOMES else outcome


def _size(claim: Claim) -> Printed:
    """Return a figure whose direction the words give."""
    return Printed(claim, size_text(claim))


def _against(claim: Claim, the: str, words: Words = ENGLISH) -> Sentence:
    """Return what a margin says about the product it is over, as a predicate.

    "4.7 % faster than the Sedge", "level with the Sedge", "too close to call against the Sedge".
    """
    if claim.outcome in _NO_WAY:
        return (words.say(AGAINST[claim.outcome], rival=the),)
    messages = _AHEAD_BY if claim.metric == RESULT else _FASTER_BY
    return _by_figures(
        claim, words.tell(messages[_below(claim)], size=_size(claim), rival=the), words
    )


def _below(claim: Claim) -> bool:
    return (claim.value or 1.0) < 1


def _by_figures(claim: Claim, finding: Sentence, words: Words) -> Sentence:
    """Return a finding with what it rests on, where nothing gives an interval."""
    if claim.outcome in {"above", "below"}:
        return words.tell("{finding} by figures alone", finding=finding)
    return (
        finding if claim.outcome else words.tell("{finding}, without an interval", finding=finding)
    )


def _said_against(claim: Claim, the: str, words: Words) -> str:
    """Return `_against` in plain words."""
    return _plain_sentence(_against(claim, the, words))


def _brief(claim: Claim, words: Words) -> str:
    """Return a margin where the rival has been named: "10.6 % faster", "level"."""
    if claim.outcome in _NO_WAY:
        return outcome_word(claim.outcome, words)
    messages = _AHEAD_BRIEF if claim.metric == RESULT else _FASTER_BRIEF
    said = words.say(messages[_below(claim)], size=size_text(claim))
    if claim.outcome in {"above", "below"}:
        return words.say("{finding} by figures alone", finding=said)
    return said


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


def _one_of(choices: Sequence[str], words: Words) -> str:
    """Return choices with "or" before the last, and the words that all begin with said once."""
    heads = zip(*(choice.split(" ")[:-1] for choice in choices), strict=False)
    start = "".join(f"{same[0]} " for same in takewhile(lambda at: len({*at}) == 1, heads))
    return start + words.listed((choice.removeprefix(start) for choice in choices), "or")


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
    language : str, optional
        In place of the review's own.
    """

    book: ClaimBook
    language: str = ""

    # --- what is there ---

    @cached_property
    def words(self) -> Words:
        """The words of its language."""
        return words_in(self.language or self.book.language)

    @cached_property
    def who(self) -> Identity:
        """The names of products and titles, and their order."""
        return Identity(self.book)

    @cached_property
    def own(self) -> str:
        """The reviewed product's name, its class aside."""
        return self.who.plain(self.book.product)

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

        Of the kinds observed, the one named last is nearest to buying, where the reviewed product
        has such a price.
        """
        prices = [c for c in self.book.of_kind("price") if not c.group.startswith("scenario-")]
        seen = {c.group for c in prices if c.product == self.book.product}
        seen = seen or {c.group for c in prices}
        kinds = [kind for kind in self._setting("value").get("kinds") or () if kind in seen]
        return kinds[-1] if kinds else min(seen, default="")

    @property
    def configurations(self) -> list[dict[str, str]]:
        """What is on sale and was not run: `product`, whose runs it has (`of`), `assumption`."""
        return list(self._setting("value").get("configurations") or ())

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

    @property
    def headline_group(self) -> str:
        """The group of titles that params choose for the headline; "" for all titles."""
        return str(self.book.settings.get("headline") or "")

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

        Two one-sided tests at alpha, whatever the confidence of other intervals.
        """
        return self._percent(1 - 2 * LEVEL_ALPHA)

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

    def _money(self, claim: Claim) -> Printed:
        """Return an amount as a reader meets it, with the sign of its currency."""
        return Printed(claim, with_currency_sign(claim, self.book.locale))

    def _one(self, kind: str, **where: str) -> Claim | None:
        """Return the first claim of a kind, or None."""
        return next(iter(self.book.of_kind(kind, **where)), None)

    def _short(self, product: str) -> str:
        """Return a product as a sentence takes it up: "the Sedge"."""
        return self.words.say("the {product}", product=self.who.short(product))

    def _standing(self, product: str) -> Standing:
        """Return every claim about the reviewed product and one other."""
        book, metric, kind = self.book, self.metric, self.price_kind
        pair = {"product": book.product, "baseline": product}
        margins = {c.title: c for c in book.of_kind("margin", metric=metric, **pair)}
        suites = {c.group: c for c in book.of_kind("suite", metric=metric, **pair)}
        whole = suites.pop("all", None)
        if whole is None and len(margins) == 1:
            whole = next(iter(margins.values()))
        made_of = {whole.id, *whole.inputs} if whole is not None else ()
        over = {title: claim for title, claim in margins.items() if claim.id in made_of}
        every = book.of_kind("every_title", metric=metric, group="all", **pair)
        counts = book.of_kind("suite_count", metric=metric, group="all", **pair)
        return Standing(
            product=product, name=self.who.plain(product), the=self._short(product),
            metric=metric, whole=whole,
            like=self._one("suite_like", metric=metric, group="all", **pair),
            counts={c.outcome: c for c in counts},
            expected_false=self._one("suite_false", metric=metric, group="all", **pair),
            margins=margins, groups=suites, over=over,
            every=bool(every) or len({c.outcome for c in over.values()}) == 1,
            apart=self._classes.get(product) != self._classes.get(book.product),
            price=self._one("price", group=kind, product=product),
            premium=self._one("premium", group=kind, **pair),
            equal=self._one("equal_value_price", group=kind, **pair),
            cut=self._one("cut_needed", group=kind, **pair),
        )  # fmt: skip

    def group_words(self, group: str) -> str:
        """Return a group of titles as a sentence takes it up.

        A name that begins with a preposition ("At 1200 lines") is taken as it is; any other
        becomes the object of one ("in new titles").
        """
        bare, name = self._group(group)
        return self.words.say("in {group}", group=name) if bare else name

    def _group(self, group: str) -> tuple[bool, str]:
        """Return whether a group's name has no preposition, and the name in a sentence."""
        name, say = self.book.name("group", group, kind="suite"), self.words.say
        if name.split(" ")[0].lower() in {*PREPOSITIONS.split(" "), *say(PREPOSITIONS).split(" ")}:
            return False, name[:1].lower() + name[1:]
        return True, _lower_first(name) if self.words.language == "en" else name

    def _every(self, finding: str, count: int) -> str:
        """Return that something holds in all of so many titles."""
        if count == 2:
            return self.words.say("{finding} in both titles", finding=finding)
        return self.words.say("{finding} in all {count} titles", finding=finding, count=count)

    def differing_groups(self, standing: Standing) -> tuple[str, ...]:
        """Return the groups of the first tag whose groups differ in outcome over a rival.

        Only tags whose every group has a suite over it count; () where no tag's groups differ.
        """
        for groups in self.who.families().values():
            suites = [standing.groups[g] for g in groups if g in standing.groups]
            if len(suites) == len(groups) and len({s.outcome for s in suites}) > 1:
                return groups
        return ()

    @staticmethod
    def without_same_end(text: str, before: str) -> str:
        """Return words without the ending they share with those before, two words at least.

        >>> Findings.without_same_end("at 1600 lines", "at 1200 lines")
        'at 1600'
        """
        words, others = text.split(" "), before.split(" ")
        while len(words) > 2 and len(others) > 2 and words[-1] == others[-1]:
            words.pop()
            others.pop()
        return " ".join(words)

    # --- headline and deck ---

    def headline(self) -> str:
        """Return the finding in at most 100 characters.

        The reviewed product, what it does against the first rival, the condition that turns it,
        the price: as much of it as fits. Where nothing was compared it says what was measured.
        """
        first, words = self.first, self.words
        if first is None:
            titles = len({c.title for c in self.book.of_kind("cell", product=self.book.product)})
            others = words.listed(s.the for s in self.standings)
            count = words.plural("measured in one title", "measured in {count} titles", titles)
            said = [count] if titles else []
            said += [words.say("not set against {rivals}", rivals=others)] if others else []
            forms = [
                words.say("{own}: {finding}", own=self.own, finding="; ".join(some))
                for some in (said, said[:1])
                if some
            ]
            none = [] if titles else [words.say("{own}: no used run", own=self.own)]
            return _fitting([*forms, *none])
        tails = (self._dearer(first), {"message": "{own}: {finding}"})
        cores = self._cores(first)
        return _fitting(
            [words.say(own=self.own, finding=c, **tail) for c in cores for tail in tails]
        )

    def _cores(self, first: Standing) -> list[str]:
        """Return what the headline may say of the first rival, the most telling first."""
        whole, say, words = first.whole, self.words.say, self.words
        if whole is None:
            return []
        cores = []
        chosen, said = self.headline_group, _said_against(whole, first.the, words)
        if chosen:
            return [say("{finding} {where}", finding=said, where=self.group_words(chosen)), said]
        groups = self.differing_groups(first)
        if groups:
            where = {group: self.group_words(group) for group in groups}
            opened = _said_against(first.groups[groups[0]], first.the, words)
            clauses = [say("{finding} {where}", finding=opened, where=where[groups[0]])]
            for g in groups[1:]:
                place = self.without_same_end(where[g], where[groups[0]])
                brief = _brief(first.groups[g], words)
                clauses.append(say("{finding} {where}", finding=brief, where=place))
            cores.append(", ".join(clauses))
        titles = len(first.over)
        if first.turned and not groups:
            group = first.turned[0]
            brief = _brief(first.groups[group], words)
            turn = say("{finding} {where}", finding=brief, where=self.group_words(group))
            cores.append(say("{finding}, but {other}", finding=said, other=turn))
        if titles == 1:
            title = self.book.title_name(next(iter(first.over)))
            cores.append(say("{finding} in {title}", finding=said, title=title))
        elif first.every:
            cores.append(self._every(said, titles))
        elif whole.kind == "suite":
            cores.append(say("{finding} over {count} titles", finding=said, count=titles))
        return [*cores, said]

    def _dearer(self, first: Standing) -> dict[str, str]:
        """Return a headline's message that ends in how its price stands to the first rival's."""
        claim = first.premium
        if claim is None or not claim.value:
            return {"message": "{own}: {finding}"}
        if not _some(claim.text):
            return {"message": msg("{own}: {finding}, at the same price")}
        dearer = msg("{own}: {finding}, and {size} dearer")
        cheaper = msg("{own}: {finding}, and {size} cheaper")
        return {"message": dearer if claim.value > 1 else cheaper, "size": size_text(claim)}

    def deck(self) -> list[Sentence]:
        """Return the sentences under the headline.

        Over all titles; what other titles of this kind could give; the price of equal value; which
        outcomes other choices turn, as fully as three lines hold; and against which products
        nothing can be said.
        """
        sentences: list[Sentence] = []
        if self.first is not None and self.first.whole is not None:
            sentences += [self._whole_sentence(self.first, self.first.whole)]
            if said := self._spread_words(self.first.whole):
                message = msg("How far the typed figures in it scatter is {source}.")
                sentences.append(self.words.tell(message, source=said))
            sentences += [*self._part_sentence(self.first), *self._like_sentence(self.first)]
            for standing in self.weighed[:1]:
                sentences += self._money_sentences(standing)
        lost = self.words.listed(s.the for s in self.standings if s.whole is None)
        last: list[Sentence] = []
        if lost:
            message = msg("Not set against {rivals}: no title has used runs of both.")
            last = [self.words.tell(message, rivals=lost)]
        room = DECK_CHARACTERS - sum(len(_plain_sentence(s)) + 1 for s in (*sentences, *last))
        forms = self._fragile_notes()
        fits = (f for f in forms if sum(len(_plain_sentence(s)) + 1 for s in f) <= room)
        return [*sentences, *next(fits, forms[-1]), *last]

    def _part_sentence(self, first: Standing) -> list[Sentence]:
        """Return the margin of the part, over the machines that hold it; nothing with one."""
        pair = {"product": self.book.product, "baseline": first.product}
        claim, words = self._one("part", metric=first.metric, **pair), self.words
        if claim is None:
            return []
        own, other = (self._machines(product) for product in pair.values())
        given: dict[str, Any] = {"own": words.number(own), "other": words.number(other)}
        finding = (*_against(claim, first.the, words), self._interval(claim))
        message = msg("Over {own} machines of it and {other} of the other the part is {finding}.")
        if other == 1:
            message = msg("Over {own} machines of it, against one of the other, the part is "
                          "{finding}.")  # fmt: skip
        return [words.tell(message, finding=finding, **given)]

    def _machines(self, product: str) -> int:
        """Return how many machines hold a product's part."""
        return 1 + len((self._setting("machines") or {}).get(product) or ())

    def _whole_sentence(self, first: Standing, claim: Claim) -> Sentence:
        """Return what the margin over all titles says; where it is level, within which band."""
        count, words = len(first.over), self.words
        if self.headline_group:
            group = self.book.name("group", self.headline_group, kind="suite")
            scope = words.plural(
                'Over the one title of "{group}"', 'Over the {count} titles of "{group}"', count,
                group=group,
            )  # fmt: skip
        elif count > 2:
            scope = words.say("Over all {count} titles", count=count)
        else:
            scope = words.say("Over both titles") if count == 2 else words.say("In the one title")
        rival = words.say("the {product}", product=first.name)
        if claim.outcome in _WHOLE:
            figure = words.with_interval(claim)
            if claim.outcome in _BY_FIGURES_ALONE:
                figure = self._titles_said(first, claim, figure)
            given = {"scope": scope, "rival": rival, "band": self.band_words}
            return words.tell(_WHOLE[claim.outcome], figure=figure, **given)
        finding = (*_against(claim, rival, words), self._interval(claim))
        return words.tell("{scope} it is {finding}.", scope=scope, finding=finding)

    def _interval(self, claim: Claim) -> str:
        """Return a claim's interval in brackets, or nothing."""
        return f" ({self.words.interval(claim)})" if claim.interval else ""

    def _spread_words(self, *claims: Claim) -> str:
        """Return where the spread of typed figures is from, by the marks of what rests on them."""
        words, named = self.words, self._setting("margins").get("spread_from") or ()
        titles = words.listed([self.book.title_name(title) for title in named])
        marks = {mark for claim in claims for mark in claim.marks}
        return words.listed(
            [words.say(said, titles=titles) for mark, said in SPREADS.items() if mark in marks]
        )

    def typed_sentences(self) -> list[Sentence]:
        """Return whose figures were typed in without logs, and where their spread is from.

        A sentence for all products of which the same is to be said.
        """
        found: dict[str, list[str]] = {}
        say = self.words.say
        for product in (self.book.product, *self.compared):
            # Results of titles that measure no frames have no logs anyway.
            rates = self.book.of_kind("cell", metric=HEADLINE, product=product)
            cells = [c for c in rates if "typed_in" in c.marks]
            if not cells:
                continue
            means = sum("mean_of_passes" in c.marks for c in cells)
            told = [say("means of several passes")] if means == len(cells) else []
            if 0 < means < len(cells):
                told.append(say("some of them means of several passes"))
            if source := self._spread_words(*cells):
                told.append(say("how far they scatter is {source}", source=source))
            elif any("no_interval" in c.marks for c in cells):
                told.append(say("how far runs scatter was not measured"))
            found.setdefault("; ".join(told), []).append(self.book.product_name(product))
        bare = msg("Figures of {products} were typed in, without logs.")
        full = msg("Figures of {products} were typed in, without logs: {told}.")
        return [
            self.words.tell(full if told else bare, products=self.words.listed(names), told=told)
            for told, names in found.items()
        ]

    def _titles_said(self, first: Standing, claim: Claim, figure: Sentence) -> Sentence:
        """Return its figure, in how many titles it is better, and what the sign test says."""
        pair = {"product": claim.product, "baseline": claim.baseline, "metric": claim.metric}
        sides = {c.part: c for c in self.book.of_kind("suite_side", group="all", **pair)}
        sign = self._one("suite_sign", group="all", **pair)
        if len(first.over) < 2 or sign is None or not sides:
            return self.words.tell("{figure} by figures alone", figure=figure)
        below = claim.outcome == "below"
        slower, behind = (msg("faster"), msg("slower")), (msg("ahead"), msg("behind"))
        way = (slower if first.speed else behind)[below]
        return self.words.tell(
            "{figure} by figures alone, {way} in {number} of {total} (p by the sign test: {p})",
            figure=figure, way=self.words.say(way), total=len(first.over),
            number=self.words.printed(sides["below" if below else "above"]),
            p=self.words.printed(sign),
        )  # fmt: skip

    def _like_sentence(self, first: Standing) -> list[Sentence]:
        """Return what other titles of this kind could give, and whether they could turn it."""
        like = first.like
        if like is None or not like.low or not like.high or not like.interval:
            return []
        low, _, high = like.interval.partition(" to ")
        if first.outcome in {"ahead", "behind", "above", "below"} and like.low < 1 < like.high:
            return [self.words.tell(
                "With other titles of this kind it could be anything from {low} to {high}\u00a0%: "
                "what you play decides.", low=low, high=high)]  # fmt: skip
        said = self.words.tell(
            "With other titles of this kind it could be {low} to {high}\u00a0%.", low=low, high=high
        )
        return [said]

    def _money_sentences(self, standing: Standing) -> list[Sentence]:
        """Return what the price would have to be for as many frames for the money."""
        own, equal, cut = self.own_price, standing.equal, standing.cut
        if own is None or equal is None or cut is None or cut.value is None:
            return []
        falls = cut.value > 0 and _some(cut.text)
        return [self.words.tell(
            _EQUAL_VALUE[standing.speed, falls],
            kind=self.words.kind(self.price_kind), price=self._money(own), own=self.own,
            equal=self._money(equal), rival=standing.the, cut=_size(cut),
        )]  # fmt: skip

    # --- the first picture ---

    def rivals_caption(self) -> str:
        """Return what the picture of all rivals shows, in a sentence without figures.

        Rivals of the same class by outcome; products of another class join those
        with the same outcome, and else stand at the end.
        """
        words = self.words
        shown = [s for s in self.standings if s.whole is not None]
        near, far = [s for s in shown if not s.apart], [s for s in shown if s.apart]
        if not shown:
            return words.say("No other product was measured in the same titles")
        said = []
        for outcome, message in AGAINST.items():
            some = [s for s in near if s.outcome == outcome]
            if not some:
                continue
            also = [s.the for s in far if s.outcome == outcome]
            far = [s for s in far if s.outcome != outcome]
            if len(some) == len(near) == 2:
                names = [words.say("both rivals")]
            elif len(some) == len(near) > 1:
                names = [words.say("all {count} rivals", count=words.number(len(near)))]
            elif len(some) > 2:
                counts = {"count": words.number(len(some)), "total": words.number(len(near))}
                names = [words.say("{count} of {total} rivals", **counts)]
            else:
                names = [s.the for s in some]
            message = _FASTER.get(outcome, message) if some[0].speed else message
            said.append(words.say(message, rival=words.listed([*names, *also])))
        for s in far:
            if s.whole is None or s.whole.outcome in _NO_WAY:
                said.append(words.say(AGAINST[s.outcome], rival=s.the))
            else:
                way = ("ahead", "behind")[_below(s.whole)]
                finding = words.tell(
                    (AGAINST if s.whole.metric == RESULT else _FASTER)[way], rival=s.the
                )
                said.append(_plain_sentence(_by_figures(s.whole, finding, words)))
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
        say = self.words.say
        if standing.product in self._namesakes:
            kind = self._classes.get(standing.product) or say("another class")
            return say("same name, {kind}", kind=kind)
        cells = self.book.of_kind("cell", product=standing.product)
        if cells and all("typed_in" in claim.marks for claim in cells):
            return say("figures typed in, no logs")
        if standing.product == self.book.settings.get("predecessor"):
            return say("predecessor")
        pair = {"product": self.book.product, "baseline": standing.product}
        known = self.book.of_kind("premium", **pair)
        observed = (c for c in known if not c.group.startswith("scenario-"))
        premium = standing.premium or next(observed, None)
        if premium is None or not premium.value or premium.value == 1:
            return say("rival")
        return say("cheaper rival") if premium.value > 1 else say("dearer rival")

    def tested_note(self) -> str:
        """Return what was tested: titles, products, runs used and not, and when they were run.

        Days are those of used runs, from the times their logs state.
        """
        book, count, words, say = self.book, self._count, self.words, self.words.say
        products = len({c.product for c in book.of_kind("cell")})
        titles = int(count["titles"].figure) if "titles" in count else 0
        scored = len({c.title for c in book.of_kind("cell", metric=RESULT)})
        played = len({c.title for c in book.of_kind("cell", metric=HEADLINE)})
        said = words.plural("{count} title", "{count} titles", titles, count=titles)
        if scored and played:
            both = msg("{titles} ({played} with frame rates, {scored} with a score)")
            said = say(both, titles=said, played=played, scored=scored)
        of = words.plural("{count} product", "{count} products", products, count=products)
        given: dict[str, Any] = {"titles": said, "products": of, "runs": self._used}
        aside, failed = count.get("runs/set_aside"), count.get("runs/did_not_run")
        lost = []
        if aside is not None and aside.value:
            lost.append(say("{count} more set aside", count=aside.text))
        if failed is not None and failed.value:
            lost.append(say("{count} did not run", count=failed.text))
        said = say("{titles}, {products}, {runs} runs.", **given)
        if lost:
            said = say("{titles}, {products}, {runs} runs; {lost}.", lost=", ".join(lost), **given)
        if self._machines(book.product) == 1:
            said += " " + say("One machine of it: another that holds the same part may differ.")
        days = sorted(run.began[:10] for run in book.runs if run.used and run.began)
        if days:
            first, last = words.date(days[0]), words.date(days[-1])
            one = say("Run on {day}.", day=first)
            said += " " + (
                one if first == last else say("Run from {first} to {last}.", first=first, last=last)
            )
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
        lacking = self.words.say("not recorded")
        found: dict[str, list[tuple[str, str, str, str]]] = {}
        for claim in self.book.of_kind("waiver", product=self.book.product):
            name, unit = self.book.control_words(claim.metric)
            there, here = (
                f"{values.get((claim.metric, p), lacking)}{f'{NBSP}{unit}' if unit else ''}"
                for p in (claim.baseline, self.book.product)
            )
            reason = claim.text.rpartition(", waived: ")[2].strip()
            found.setdefault(claim.baseline, []).append((name, there, here, reason))
        return found

    def unlike_note(self) -> str:
        """Return in what the machines differ, briefly: values only where one control differs."""
        say, listed = self.words.say, self.words.listed
        if not self.differences:
            controls = dict.fromkeys(c.metric for c in self.book.of_kind("control"))
            if not controls:
                return say("No control was recorded, so nothing says how alike the machines are.")
            alike = listed(self.book.control_words(c)[0] for c in controls)
            return say("Nothing that was controlled differs: {controls}.", controls=alike)
        said = []
        for product, rows in self.differences.items():
            given: dict[str, Any] = {"product": upper_first(self.who.short(product)),
                     "controls": listed(name for name, *_ in rows)}  # fmt: skip
            if len(rows) == 1:
                given |= {"there": rows[0][1], "here": rows[0][2]}
                said.append(say("{product}: {controls} ({there} against {here}).", **given))
            else:
                said.append(say("{product}: {controls}.", **given))
        return " ".join(said)

    def price_note(self) -> tuple[str, Sentence]:
        """Return the head of the note on prices, and what it says.

        Returns
        -------
        str, Sentence
            The kind of price in force; its days, the price of the reviewed product, and how to read
            the spans in small type where there are any.
        """
        kind, own, words = self.price_kind, self.own_price, self.words
        if not kind:  # the head stands before it, in bold
            return words.say("No prices"), words.tell(
                "were recorded, so nothing is said about value."
            )
        head = upper_first(words.kind_of_prices(self.book.name("group", kind, kind="price")))
        since, until = (self._setting("value").get(key) for key in ("since", "until"))
        given: dict[str, Any] = {"own": self.own}
        if since and until:
            given |= {"since": words.date(str(since)), "until": words.date(str(until))}
        dated, undated = (
            msg("of {since} to {until}; none for the {own}."), msg("none for the {own}.")
        )  # fmt: skip
        if own is not None:
            dated = msg("of {since} to {until}; the {own} is at {price}.")
            undated = msg("the {own} is at {price}.")
            given["price"] = words.with_interval(own, self._money(own))
        said = words.tell(dated if since and until else undated, **given)
        if any(c.interval for c in self.book.of_kind("price", group=kind)):
            said += (" ", *words.tell("In small type the span of what shops asked."))
        return head, said

    # --- title by title ---

    def titles_heading(self) -> str:
        """Return the heading of the part that goes through the titles.

        The first outcome there is over the first product, in how many titles; and the group of
        titles that holds more than six in ten of them, where groups differ at all.
        """
        say = self.words.say
        first = next((s for s in self.standings if s.margins), None)
        if first is None:
            return say("Title by title")
        total = len(first.margins)
        if total == 1:
            ((title, claim),) = first.margins.items()
            said = _said_against(claim, first.the, self.words)
            return say("{title}: {finding}", title=self.book.title_name(title), finding=said)
        leading, count = next(iter(first.tally.items()))
        word = upper_first(say(AGAINST[leading], rival=first.the))
        if count == total:
            return self._every(word, total)
        given: dict[str, Any] = {"finding": word, "count": count, "total": total}
        members = self.who.groups()
        for group in self.differing_groups(first):
            inside = [t for t in members[group] if t in first.margins]
            some = sum(first.margins[t].outcome == leading for t in inside)
            if count >= 3 and some > 0.6 * count:
                given["where"] = self.group_words(group)
                if some == count:
                    return say(
                        "{finding} in {count} of {total} titles, all of them {where}", **given
                    )
                given["share"] = self.words.number(some)
                return say(
                    "{finding} in {count} of {total} titles, {share} of them {where}", **given
                )
        return say("{finding} in {count} of {total} titles", **given)

    def titles_sentences(self) -> list[Sentence]:
        """Return the outcomes over the first rival that the heading leaves out, with the title
        where it is one alone; the counts over every other one; and how many are likely false."""
        sentences: list[Sentence] = []
        say, listed = self.words.say, self.words.listed
        for n, standing in enumerate(s for s in self.standings if len(s.margins) > 1):
            found = []
            for outcome, count in [*standing.tally.items()][1 if n == 0 else 0 :]:
                if n == 0 and count == 1:
                    (title,) = (t for t, c in standing.margins.items() if c.outcome == outcome)
                    where = self.book.title_name(title)
                elif count == len(standing.margins):
                    where = say("both") if count == 2 else say("all {count}", count=count)
                else:
                    where = str(count)
                word = outcome_word(outcome, self.words)
                if n == 0 and outcome == "level":
                    word = say("level (within {band})", band=self.band_words)
                found.append(say("{outcome} in {where}", outcome=word, where=where))
            if found and n == 0:
                sentences.append((f"{upper_first(listed(found))}.",))
            elif found:
                sentences.append((f"{upper_first(standing.the)}: {listed(found)}.",))
        return [*sentences, *self.fragile_sentences(), *self._false_sentence()]

    def _false_sentence(self) -> list[Sentence]:
        """Return how many titles ahead or behind are expected to be false, over each product."""
        some = [s for s in self.standings if len(s.margins) > 1 and s.expected_false is not None]
        shown = [(s.the, s.expected_false) for s in some if s.has_decided_titles]
        words = self.words
        known = [(the, words.printed(claim)) for the, claim in shown if claim is not None]
        if not known:
            return []
        count = known[0][1]
        if len(known) == 1:
            said = msg("Of the titles ahead or behind, expected to be false: {count}.")
            return [words.tell(said, count=count)]
        if len({printed.text for _, printed in known}) == 1:
            said = msg(
                "Of the titles ahead or behind, expected to be false: {count} over each product."
            )
            return [words.tell(said, count=count)]
        counts: Sentence = ()
        for place, (the, printed) in enumerate(known):
            comma = (", ",) if place else ()
            counts += (*comma, *words.tell("{count} over {rival}", count=printed, rival=the))
        said = msg("Of the titles ahead or behind, expected to be false: {counts}.")
        return [words.tell(said, counts=counts)]

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
                said = _said_against(standing.groups[group], standing.the, self.words)
                where = self.group_words(group)
                return upper_first(
                    self.words.say("{where} it is {finding}", where=where, finding=said)
                )
        return self.words.say("No group of titles changes an outcome")

    def _depends(self, standing: Standing, groups: Sequence[str]) -> str:
        """Return on which of some groups a margin depends, and how the others turn out.

        "The lead over the Sedge comes from titles at 1600 lines; at 1200 lines the two are level",
        or, where no group has the outcome of the whole, each outcome with its groups.
        """
        by: dict[str, list[str]] = {}
        words, say = self.words, self.words.say
        for group in groups:
            by.setdefault(standing.groups[group].outcome, []).append(group)
        where = {o: words.listed(self.group_words(g) for g in some) for o, some in by.items()}
        if standing.outcome in {"ahead", "behind"} and standing.outcome in where:
            own = by[standing.outcome]
            given: dict[str, Any] = {"rival": standing.the, "where": where.pop(standing.outcome)}
            rest = words.listed(say(_THE_TWO[o], where=place) for o, place in where.items())
            lead = standing.outcome == "ahead"
            bare, first = self._group(own[0])
            if not bare:
                return say(_LEAD_OF_TITLES[not lead], rest=rest, **given)
            given["where"] = words.listed([first, *map(self.group_words, own[1:])])
            return say(_LEAD_OF_GROUP[not lead], rest=rest, **given)
        turned = (
            say("{finding} {where}", finding=outcome_word(o, words), where=place)
            for o, place in where.items()
        )
        return say(
            "Against {rival} it depends: {outcomes}", rival=standing.the, outcomes=", ".join(turned)
        )

    def groups_sentences(self) -> list[Sentence]:
        """Return every group that turns an outcome, over every product; and a caution.

        The caution: groups that hold the same titles cannot be told apart.
        """
        sentences: list[Sentence] = []
        for standing in self.standings:
            for group in standing.turned:
                claim = standing.groups[group]
                given: dict[str, Any] = {
                    "where": upper_first(self.group_words(group)), "rival": standing.the,
                    "figure": self.words.with_interval(claim),
                    "band": self.band_words, "outcome": outcome_word(claim.outcome, self.words),
                }  # fmt: skip
                message = msg("{where} the margin over {rival} is {figure}: {outcome}.")
                if claim.outcome == "level":
                    message = msg(
                        "{where} the margin over {rival} is {figure}: inside the level band of "
                        "{band}."
                    )
                elif not claim.outcome:
                    message = msg("{where} the margin over {rival} is {figure}.")
                sentences.append(self.words.tell(message, **given))
        return [*sentences, *self._overlaps()]

    def _overlap_said(self, group: str, other: str) -> str:
        """Return that the titles of one group are all in another."""
        (bare, first), (inside, second) = self._group(group), self._group(other)
        return self.words.say(_OVERLAPS[bare, inside], first=first, second=second)

    def _overlaps(self) -> list[Sentence]:
        """Return which groups cannot be told apart: the titles of one are all in another."""
        members = self.who.groups()
        order, suites = list(members), self.book.settings.get("suites") or {}
        found: list[str] = []
        for group, titles in members.items():
            for other, more in members.items():
                tags = [(suites.get(g) or {}).get("tags") or {} for g in (group, other)]
                if group == other or set(tags[0]) & set(tags[1]) or not set(titles) <= set(more):
                    continue
                if set(titles) == set(more) and order.index(group) > order.index(other):
                    continue
                found.append(self._overlap_said(group, other))
                break
        if not found:
            return []
        said = upper_first("; ".join(found))
        return [
            self.words.tell("{overlaps}: titles so bound up cannot be told apart.", overlaps=said)
        ]

    def turned_by(self, standing: Standing) -> tuple[Claim, ...]:
        """Return the margins over all titles, over one product, that another choice turns."""
        pair = {"product": self.book.product, "baseline": standing.product}
        made = self.book.of_kind("sensitivity", metric=standing.metric, **pair)
        return tuple(claim for claim in made if "turned" in claim.marks)

    def _choice(self, claim: Claim) -> str:
        """Return another choice as a sentence takes it up: "without Wickerloft"."""
        kind, _, name = claim.part.partition("/")
        if kind == "without_title":
            return self.words.say("without {title}", title=self.book.title_name(name))
        if kind == "without_group":
            group = self.book.name("group", name, kind="suite")
            return self.words.say('without the group "{group}"', group=group)
        return self.words.word(self.book.name("part", claim.part, kind=claim.kind))

    def _fragile_notes(self) -> list[list[Sentence]]:
        """Return, of the outcomes that other choices turn, to what and by which, ever shorter.

        By name; how many they are; the rivals alone.
        """
        named: list[Sentence] = []
        counted: list[Sentence] = []
        rivals: list[str] = []
        words = self.words
        for standing in self.standings:
            turned = self.turned_by(standing) if standing.whole is not None else ()
            if not turned:
                continue
            by_outcome: dict[str, list[str]] = {}
            for claim in turned[:MOST_TURNS]:
                word = outcome_word(claim.outcome, words)
                by_outcome.setdefault(word, []).append(self._choice(claim))
            turns = "; ".join(
                words.say("{outcome} {choice}", outcome=word, choice=_one_of(choices, words))
                for word, choices in by_outcome.items()
            )
            fewer = words.plural(
                "with one other choice it is {outcome}",
                "with {count} other choices it is {outcome}",
                len(turned), outcome=words.listed(by_outcome, "or"),
            )  # fmt: skip
            for notes, said in ((named, turns), (counted, fewer)):
                message = msg("Fragile against {rival}: {turns}.")
                notes.append(words.tell(message, rival=standing.the, turns=said))
            rivals.append(standing.the)
        if not rivals:
            return [[]]
        brief = words.tell("Fragile against {rivals}.", rivals=words.listed(rivals))
        return [named, counted, [brief]]

    def fragile_sentences(self) -> list[Sentence]:
        """Return, of each outcome that another choice turns, what turns it, and both intervals."""
        found: list[Sentence] = []
        words = self.words
        for standing in self.standings:
            turned, whole = self.turned_by(standing), standing.whole
            if not turned or whole is None:
                continue
            turns: Sentence = ()
            for place, claim in enumerate(turned[:MOST_TURNS]):
                said: dict[str, Any] = {
                    "outcome": outcome_word(claim.outcome, words), "choice": self._choice(claim),
                    "figure": words.with_interval(claim),
                }  # fmt: skip
                semicolon = ("; ",) if place else ()
                turns += (*semicolon, *words.tell("{outcome} {choice}: {figure}", **said))
            left = len(turned) - MOST_TURNS
            if left > 0:
                more = words.plural(
                    "and one other choice would turn it", "and {count} other choices would turn it",
                    left,
                )  # fmt: skip
                turns += ("; ", more)
            found.append(
                words.tell(
                    "Fragile against {rival}: {outcome} at {figure}, but {turns}.",
                    rival=standing.the, outcome=outcome_word(whole.outcome, words),
                    figure=words.with_interval(whole), turns=turns,
                )
            )  # fmt: skip
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
        metric, classes, words, say = self.metric, self._classes, self.words, self.words.say
        gap, here, there = (
            self._one(kind, metric=metric) for kind in ("gap", "gap_here", "gap_there")
        )
        sentences: list[Sentence] = []
        heading = ""
        if here is not None and there is not None:
            one = say("one class")
            kinds = [classes.get(c.product) or one for c in (here, there)]
            given: dict[str, Any] = {"class_here": kinds[0], "class_there": kinds[1]}
            given |= {"new": self.who.plain(here.product), "old": self.who.plain(here.baseline)}
            heading = say(
                "From {old} to {new}: {here} in the {class_here} class, {there} in the "
                "{class_there} "
                "class", here=here.text, there=there.text, **given,
            )  # fmt: skip
            sentences.append(words.tell(
                "In the {class_here} class the step from {old} to {new} is {here}, in the "
                "{class_there} class {there}.",
                here=words.with_interval(here), there=words.with_interval(there), **given,
            ))  # fmt: skip
            if here.low is None or there.low is None:
                sentences.append((say("How far runs scatter was not measured."),))
            if gap is not None:
                sentences.append(
                    words.tell("One step over the other: {gap}.", gap=words.with_interval(gap))
                )
        for pair in self.book.settings.get("same_name") or ():
            where = {"product": pair["here"], "baseline": pair["there"]}
            suite = self._one("suite", metric=metric, group="all", **where)
            if suite is None:
                continue
            name, kind = self.who.plain(pair["here"]), classes.get(pair["there"])
            # Also given: {name}
            the = say("the {kind} part of that name", kind=kind or say("other"), name=name)
            told = _against(suite, the, words)
            given = {"kind": classes.get(pair["here"]) or say("one"), "name": name}
            finding = (*told, self._interval(suite))
            sentences.append(
                words.tell("The {kind} {name} is {finding}.", finding=finding, **given)
            )
            heading = heading or say(
                "The {kind} {name} is {finding}", finding=_plain_sentence(told), **given
            )
            sentences += self._load_sentences(where, the)
        return heading, sentences

    def _load_sentences(self, pair: Mapping[str, str], the: str) -> Iterator[Sentence]:
        """Yield what sensors read of the reviewed product under load beside another, over titles.

        A difference whose interval holds none is not said to be one.
        """
        words = self.words
        for sensor, message in _LOADS.items():
            of = {"metric": sensor, "title": ""}
            here = self._one("load", product=pair["product"], **of)
            there = self._one("load", product=pair["baseline"], **of)
            both = (self._one(kind, **pair, **of) for kind in LOAD_LEVELS)
            apart = next(filter(None, both), None)
            if here is None or there is None or apart is None:
                continue
            level = LOAD_LEVELS[apart.kind]
            if apart.low is not None and apart.ends[0] <= level <= apart.ends[1]:
                told = words.tell("not told apart")
            else:
                told = words.tell(_APART[apart.figure < level], size=_size(apart))
            yield words.tell(
                message, here=words.printed(here), there=words.printed(there), other=the, apart=told
            )

    def steps_sentences(self) -> tuple[str, list[Sentence]]:
        """Return heading and sentences on what settings of one thing do to a product.

        The heading is of the first setting that is told; "" where params name no axis.
        """
        words, book = self.words, self.book
        sentences: list[Sentence] = []
        heading = ""
        for claim in book.of_kind("step", metric=HEADLINE, title=""):
            names = book.names.get("steps", {})
            value, _, over = claim.part.partition("-over-")
            given: dict[str, Any] = {
                "name": book.name("group", claim.group, kind="step"),
                "product": self.who.plain(claim.product),
                "value": names.get(value, value),
            }
            told = _against(claim, f'"{names.get(over, over)}"', words)
            heading = heading or words.say(
                '{name}: "{value}" is {finding}', finding=_plain_sentence(told), **given
            )
            said = words.tell(
                '{name} of the {product}: "{value}" is {finding}.',
                finding=(*told, self._interval(claim)), **given,
            )  # fmt: skip
            sentences.append(said)
            if "other_picture" in claim.marks:
                sentences.append(words.tell(
                    "The two do not show the same picture, so this is no measure of speed alone."
                ))  # fmt: skip
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
        judged, words = found.get("processor_bound", {}), self.words
        unsure = self.book.of_kind("flag", metric="processor_bound", outcome="cannot_judge")
        unclear = [self.book.title_name(c.title) for c in unsure if c.title not in judged]
        left = list(dict.fromkeys(unclear))
        last: list[Sentence] = []
        if left:
            said = words.tell(
                "Whether the processor sets the limit cannot be judged in {titles}: the runs show "
                "neither that unlike products are level there nor that they are not.",
                titles=words.listed(left),
            )
            last = [said]
        if not found and left:
            return words.plural(
                "No title looks limited by processor, cap or heat; one title cannot be judged",
                "No title looks limited by processor, cap or heat; {count} titles cannot be judged",
                len(left),
            ), last
        if not found:
            none = words.tell("No rule of screening that looks for such a limit found one.")
            return words.say("No title looks limited by processor, cap or heat"), [none]
        merged: dict[tuple[tuple[str, ...], frozenset[str]], list[str]] = {}
        for rule in LIMITS:
            where = found.get(rule, {})
            for products in dict.fromkeys(frozenset(p) for p in where.values()):
                some = tuple(t for t in where if where[t] == products)
                merged.setdefault((some, products), []).append(rule)
        sentences: list[Sentence] = []
        heads = []
        for (some, products), rules in merged.items():
            given: dict[str, Any] = {
                "titles": words.listed(self.book.title_name(t) for t in some),
                "limits": words.listed(words.plural(*LIMITS[rule], len(some)) for rule in rules),
                "products": self._on_products(products),
            }
            on, plain = msg("{titles} {limits} (on {products})."), msg("{titles} {limits}.")
            message = on if given["products"] else plain
            sentences.append(words.tell(message, **given))
            titles_said = words.plural("one title", "{count} titles", len(some))
            limit = words.plural(*LIMITS[rules[0]], len(some))
            heads.append(words.say("{titles} {limits}", titles=titles_said, limits=limit))
        return upper_first(", ".join(heads[:2])), sentences + last

    def limit_words(self, title: str) -> str:
        """Return what is said of the processor in one title; "" where nothing is."""
        said = {c.outcome for c in self.book.of_kind("flag", metric="processor_bound", title=title)}
        if "flag" in said:
            return self.words.plural(*LIMITS["processor_bound"], 1)
        return self.words.say("whether the processor limits it cannot be judged") if said else ""

    def _on_products(self, products: Iterable[str]) -> str:
        """Return on which products something was found; a long list becomes a count."""
        order = [p for p in self.book.names.get("products", {}) if p in set(products)]
        if len(order) > 2:
            return self.words.say("{count} products", count=self.words.number(len(order)))
        return self.words.listed(map(self._short, order))

    def value_heading(self) -> str:
        """Return the heading of the part on money: the premium over the first product that has one,
        beside the margin over it; "" where no price was observed."""
        say = self.words.say
        shown = (s for s in self.standings if s.premium is not None and s.whole)
        first = next(shown, None)
        if first is None or first.premium is None or first.whole is None:
            return say("What the {own} costs", own=self.own) if self.price_kind else ""
        size = size_text(first.premium)
        given: dict[str, Any] = {"own": self.own, "rival": first.the, "size": size}
        message = msg("The {own} costs as much as {rival}")
        if _some(size):
            less = msg("The {own} costs {size} less than {rival}")
            more = msg("The {own} costs {size} more than {rival}")
            message = more if (first.premium.value or 1.0) > 1 else less
        costs = say(message, **given)
        if first.outcome == "level":
            return say("{costs}, and the two are level", costs=costs)
        if first.outcome in {"unresolved", "open"}:
            word = outcome_word(first.outcome, self.words)
            return say("{costs}; which is faster is {outcome}", costs=costs, outcome=word)
        return say("{costs} and is {finding}", costs=costs, finding=_brief(first.whole, self.words))

    @cached_property
    def weighed(self) -> list[Standing]:
        """The products of its own class that its price is weighed against, in the order of params.

        Summary, section and picture state the price of equal value against the first of them.
        """
        return [s for s in self.standings if not s.apart and s.equal and s.cut]

    def value_sentences(self) -> list[Sentence]:
        """Return what the price would have to be against each product it is weighed against.

        Then which products are off the frontier, and for which no price of the kind was found.
        Other classes of machine are left out.
        """
        sentences: list[Sentence] = []
        kind, words = self.price_kind, self.words
        for n, standing in enumerate(self.weighed):
            if n == 0:
                sentences += self._money_sentences(standing)
            elif standing.equal is not None and standing.cut is not None:
                given: dict[str, Any] = {
                    "rival": standing.the,
                    "equal": self._money(standing.equal),
                }
                message = msg(
                    "Against {rival} both would give as much at {equal}, above its price."
                )
                if (standing.cut.value or 0.0) > 0:
                    message = msg("Against {rival} both would give as much at {equal}, {cut} less.")
                    given["cut"] = _size(standing.cut)
                sentences.append(words.tell(message, **given))
        for sold in self.configurations:
            name, of = (self.who.short(sold[key]) for key in ("product", "of"))
            sentences.append(words.tell(
                "The {product} was not run: it stands here with the runs of the {other}, on this "
                "assumption: {assumption}",
                product=name, other=of, assumption=sold["assumption"],
            ))  # fmt: skip
        frontier = self.book.of_kind("frontier", group=kind)
        worse = [c.product for c in frontier if c.outcome in {"dominated", "extendedly_dominated"}]
        if worse:
            names = words.listed(self.who.short(product) for product in worse)
            said = words.plural(
                "The {products} is off the line: something here, or a mix of two things here, is "
                "both cheaper and faster.",
                "The {products} are off the line: something here, or a mix of two things here, is "
                "both cheaper and faster.",
                len(worse), products=names,
            )  # fmt: skip
            sentences.append((said,))
        lost = words.listed(
            self._short(c.product) for c in self.book.of_kind("not_weighed", group=kind)
        )
        if lost:
            said = words.say(
                "No {kind} price was found for {products}.", kind=words.kind(kind), products=lost
            )
            sentences.append((said,))
        return sentences

    def alike_heading(self) -> str:
        """Return the heading of the part on how comparable the machines are.

        What differs against the first product, and in how many other comparisons something does.
        """
        found, first, words = self.differences, self.first, self.words
        if not found:
            if not self.book.of_kind("control"):
                return words.say("How comparable the machines are was not recorded")
            return words.say("The machines are alike in all that was controlled")
        said, others = "", len(found)
        if first is not None and first.product in found:
            names = [name for name, *_ in found[first.product]]
            said = words.plural(
                "{controls} differs against {rival}",
                "{controls} differ against {rival}", len(names),
                controls=upper_first(words.listed(names)), rival=first.the,
            )  # fmt: skip
            others -= 1
        elif first is not None:
            said = words.say("Nothing that was controlled differs against {rival}", rival=first.the)
        if not others:
            return said
        if not said:
            return upper_first(
                words.plural(
                    "one comparison is not alike", "{count} comparisons are not alike", others
                )
            )
        return words.plural(
            "{differences}; one other comparison is not alike",
            "{differences}; {count} other comparisons are not alike", others, differences=said,
        )  # fmt: skip

    def method_heading(self) -> str:
        """Return the heading of the part on how it was measured: runs used and set aside."""
        used, aside = self._used, self._count.get("runs/set_aside")
        said = self.words.plural(
            "{count} run, every one of them behind the figures",
            "{count} runs, every one of them behind the figures",
            1 if used == "1" else 2, count=used,
        )  # fmt: skip
        if aside is not None and aside.value:
            return self.words.say(
                "{runs}; {count} set aside, with the reason", runs=said, count=aside.text
            )
        return said

    def method_sentences(self) -> list[Sentence]:
        """Return how the figures were made, for a reader who wants to know and not to check.

        In the order a figure is made: frames, averages, lows by the definition in force, intervals,
        and what "level" and "too close to call" mean at this confidence and band.
        """
        low, frames = self._setting("metrics").get("low", ""), self._count.get("frames/used")
        sentences: list[Sentence] = []
        tell = self.words.tell
        if frames is not None and frames.value:
            sentences.append(
                tell("The runs hold {frames} frames.", frames=self.words.printed(frames))
            )
        sentences.append(tell(
            "An average is frames over seconds within a run; a figure is the mean of a product's "
            "runs of a title, a margin the ratio of two such figures, and a margin over titles "
            "their geometric mean."
        ))  # fmt: skip
        if low in LOWS:
            sentences.append(tell(LOWS[str(low)]))
        sentences.append(tell(
            "An interval for these titles holds what differs from run to run, at {confidence}; the "
            "wider one holds what other titles of this kind would change as well.",
            confidence=self.confidence,
        ))  # fmt: skip
        sentences.append(tell(
            "Level means that the {confidence} interval lies within {band}; too close to call "
            "means that these runs show neither a difference nor that there is none.",
            confidence=self.level_confidence, band=self.band_words,
        ))  # fmt: skip
        if any(s.outcome in _BY_FIGURES_ALONE for s in self.standings):
            sentences.append(tell(
                "By figures alone means that how far runs scatter was not measured, so nothing "
                "gives an interval for these titles. Ahead or behind is then said where every "
                "title agrees, or where the interval for other titles of this kind or the sign "
                "test over the titles does."
            ))  # fmt: skip
        return [*sentences, *self.typed_sentences()]
