"""What a review found, in sentences made from its claims by rule.

Headline, deck, headings and captions of the article. Each function takes the book and gives text,
or parts of a sentence in which figures are claims with the form they are printed in. A sentence
says no more than its claims: an outcome is a claim's own, "level" names its band.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from kit.charts.identity import (
    plain_product,
    product_looks,
    short_product,
    tag_families,
    title_groups,
    without_group,
)
from kit.claims.bound_text import size_text, with_currency_sign
from kit.claims.claim import Claim, ClaimBook
from kit.rounding import NBSP, plain_text
from kit.settings.metric import HEADLINE, RESULT

HEADLINE_CHARACTERS = 100
CONTROL_CHARACTERS = 30  # what a control means may be a sentence: then its name is said
NUMBERS = (
    *("no", "one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)
PREPOSITIONS = frozenset(
    [
        "at",
        "with",
        "without",
        "in",
        "on",
        "by",
        "under",
        "from",
        "of",
        "for",
        "over",
        "above",
        "below",
    ]
)


@dataclass(frozen=True, slots=True)
class Printed:
    """A claim in the form it is printed in: one of its `printed_forms`."""

    claim: Claim
    text: str


Part = str | Printed
Sentence = tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """How the reviewed product stands against one other: every claim about the pair."""

    product: str
    name: str  # in full, its class aside
    the: str  # as a sentence takes it up again: "the Sedge"
    metric: str
    whole: Claim | None  # over all shared titles; the margin of the one title where there is one
    like: Claim | None  # what other titles of this kind could give
    counts: Mapping[str, Claim]  # in how many titles each outcome fell
    margins: Mapping[str, Claim]  # by title
    groups: Mapping[str, Claim]  # by group of titles
    every: bool  # the outcome is the same in every title
    apart: bool  # another class of machine
    price: Claim | None = None  # of the product itself, in the kind of price in force
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


def main_metric(book: ClaimBook) -> str:
    """Return the metric the article is about: frames per second, else scores."""
    margins = book.of_kind("margin", product=book.product)
    found = dict.fromkeys(claim.metric for claim in margins)
    return HEADLINE if HEADLINE in found or not found else next(iter(found))


def price_kind(book: ClaimBook) -> str:
    """Return the kind of price in force: of those observed, the last one params name; "" if none.

    Of the kinds observed, the one named last is nearest to buying.
    """
    seen = {c.group for c in book.of_kind("price") if not c.group.startswith("scenario-")}
    named = (book.settings.get("value") or {}).get("kinds") or ()
    kinds = [kind for kind in named if kind in seen]
    return kinds[-1] if kinds else next(iter(sorted(seen)), "")


def compared(book: ClaimBook) -> list[str]:
    """Return the products the reviewed one is set against: rivals, predecessor, same names."""
    settings = book.settings
    found = [*(settings.get("rivals") or ()), settings.get("predecessor")]
    found += [p["there"] for p in settings.get("same_name") or () if p["here"] == book.product]
    return [p for p in dict.fromkeys(found) if p and p != book.product]


def standings(book: ClaimBook) -> list[Standing]:
    """Return how the reviewed product stands against each other product, in the order of params."""
    return [_standing(book, product) for product in compared(book)]


def _standing(book: ClaimBook, product: str) -> Standing:
    metric, kind = main_metric(book), price_kind(book)
    pair = {"product": book.product, "baseline": product}
    margins = {c.title: c for c in book.of_kind("margin", metric=metric, **pair)}
    suites = {c.group: c for c in book.of_kind("suite", metric=metric, **pair)}
    whole = suites.get("all")
    if whole is None and len(margins) == 1:
        whole = next(iter(margins.values()))
    classes = book.names.get("classes", {})
    every = book.of_kind("every_title", metric=metric, group="all", **pair)

    def one(wanted: str, **where: str) -> Claim | None:
        return next(iter(book.of_kind(wanted, **where)), None)

    counts = book.of_kind("suite_count", metric=metric, group="all", **pair)
    return Standing(
        product=product,
        name=plain_product(book, product),
        the=f"the {short_product(book, product)}",
        metric=metric,
        whole=whole,
        like=one("suite_like", metric=metric, group="all", **pair),
        counts={c.outcome: c for c in counts},
        margins=margins,
        groups={group: claim for group, claim in suites.items() if group != "all"},
        every=bool(every) or len({c.outcome for c in margins.values()}) == 1,
        apart=classes.get(product) != classes.get(book.product),
        price=one("price", group=kind, product=product),
        premium=one("premium", group=kind, **pair),
        equal=one("equal_value_price", group=kind, **pair),
        cut=one("cut_needed", group=kind, **pair),
    )


# --- words ---


def counted(count: int, noun: str, *, words: bool = True) -> str:
    """Return a count with its noun in the right number.

    >>> counted(1, "run"), counted(2, "run"), counted(14, "title")
    ('one run', 'two runs', '14 titles')
    """
    shown = NUMBERS[count] if words and count < len(NUMBERS) else str(count)
    return f"{shown} {noun}" if count == 1 else f"{shown} {noun}s"


def all_of(count: int, noun: str, *, words: bool = False) -> str:
    """Return all of so many things.

    >>> all_of(2, "title"), all_of(12, "title"), all_of(5, "rival", words=True)
    ('both titles', 'all 12 titles', 'all five rivals')
    """
    return f"both {noun}s" if count == 2 else f"all {counted(count, noun, words=words)}"


def listed(names: Iterable[str]) -> str:
    """Return names as a list in words; nothing for none."""
    found = list(names)
    if len(found) < 2:
        return "".join(found)
    return f"{', '.join(found[:-1])} and {found[-1]}"


def upper_first(text: str) -> str:
    """Return text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def group_words(book: ClaimBook, group: str) -> str:
    """Return a group of titles as a sentence takes it up.

    A name that begins with a preposition ("At 1200 lines") is taken as it is; any other becomes
    the object of one ("in new titles").
    """
    name = book.name("group", group, kind="suite")
    first = name.split(" ")[0].lower()
    lower = name[:1].lower() + name[1:] if name[1:2].islower() or first in PREPOSITIONS else name
    return lower if first in PREPOSITIONS else f"in {lower}"


def band_words(book: ClaimBook) -> str:
    """Return the level band in words.

    >>> from types import SimpleNamespace
    >>> band_words(SimpleNamespace(settings={"margins": {"level_band": 0.02}}, locale="en"))
    '±2\\xa0%'
    """
    return f"±{plain_text(100 * level_band(book), unit='%', locale=book.locale).text}"


def level_band(book: ClaimBook) -> float:
    """Return the level band as a share."""
    return float((book.settings.get("margins") or {}).get("level_band") or 0.0)


def confidence_words(book: ClaimBook) -> str:
    """Return the confidence of intervals in words."""
    share = float((book.settings.get("margins") or {}).get("confidence") or 0.95)
    return plain_text(100 * share, unit="%", locale=book.locale).text


def level_confidence_words(book: ClaimBook) -> str:
    """Return the confidence at which an interval must lie within the band to be level.

    Two one-sided tests at alpha are an interval at 1 - 2 alpha.
    """
    share = float((book.settings.get("margins") or {}).get("confidence") or 0.95)
    return plain_text(100 * (2 * share - 1), unit="%", locale=book.locale).text


def plain_sentence(parts: Iterable[Part]) -> str:
    """Return the words of a sentence."""
    return "".join(p if isinstance(p, str) else p.text for p in parts)


def outcome_word(outcome: str) -> str:
    """Return an outcome as a reader meets it."""
    return {"unresolved": "too close to call", "": "no interval"}.get(outcome, outcome)


def against(claim: Claim, the: str) -> Sentence:
    """Return what a margin says about the product it is over, as a predicate.

    "4.7 % faster than the Sedge", "level with the Sedge", "too close to call against the Sedge".
    """
    speed = claim.metric != RESULT
    value = claim.value or 1.0
    if claim.outcome == "level":
        return (f"level with {the}",)
    if claim.outcome == "unresolved":
        return (f"too close to call against {the}",)
    word = (
        ("faster than" if speed else "ahead of")
        if value >= 1
        else ("slower than" if speed else "behind")
    )
    end = "" if claim.outcome else ", without an interval"
    return (Printed(claim, size_text(claim)), f" {word} {the}{end}")


def _brief(claim: Claim) -> str:
    """Return a margin where the rival has been named: "10.6 % faster", "level"."""
    speed = claim.metric != RESULT
    if claim.outcome in {"level", "unresolved"}:
        return outcome_word(claim.outcome)
    ahead = (claim.value or 1.0) >= 1
    word = ("faster" if ahead else "slower") if speed else ("ahead" if ahead else "behind")
    return f"{size_text(claim)} {word}"


def interval_words(claim: Claim) -> str:
    """Return a claim's interval in brackets, or nothing."""
    return f" ({claim.interval})" if claim.interval else ""


# --- headline and deck ---


def differing_groups(book: ClaimBook, standing: Standing) -> tuple[str, ...]:
    """Return the groups of the first tag whose groups differ in outcome over a rival."""
    for groups in tag_families(book).values():
        suites = [standing.groups[g] for g in groups if g in standing.groups]
        if len(suites) == len(groups) and len({s.outcome for s in suites}) > 1:
            return groups
    return ()


def turned_groups(standing: Standing) -> list[str]:
    """Return the groups whose outcome is not that of the whole."""
    return [g for g, claim in standing.groups.items() if claim.outcome != standing.outcome]


def headline(book: ClaimBook) -> str:
    """Return the finding in at most 100 characters.

    The reviewed product, what it does against the first rival, the condition that turns it, the
    price: as much of it as fits.
    """
    name = plain_product(book, book.product)
    shown = standings(book)
    first = next((s for s in shown if s.whole is not None), None)
    if first is None:
        titles = len({c.title for c in book.of_kind("cell", product=book.product)})
        others = listed(s.the for s in shown)
        said = [f"measured in {counted(titles, 'title')}"] if titles else []
        said += [f"not set against {others}"] if others else []
        return _fitting([f"{name}: {'; '.join(said) or 'no used run'}", f"{name}: no used run"])
    priced = _dearer(first)
    forms = [f"{name}: {core}{tail}" for core in _cores(book, first) for tail in (priced, "")]
    return _fitting(forms)


def _fitting(forms: Sequence[str]) -> str:
    found = next((f for f in forms if len(f) <= HEADLINE_CHARACTERS), None)
    if found is not None:
        return found
    cut = min(forms, key=len)[: HEADLINE_CHARACTERS - 1]
    return cut.rpartition(" ")[0] + "…"


def _cores(book: ClaimBook, first: Standing) -> list[str]:
    """Return what the headline may say of the first rival, the most telling first."""
    whole = first.whole
    if whole is None:
        return []
    cores = []
    groups = differing_groups(book, first)
    if groups:
        clauses = [plain_sentence(against(first.groups[groups[0]], first.the))]
        clauses[0] += f" {group_words(book, groups[0])}"
        last = groups[0]
        for group in groups[1:]:
            where = _without_same_end(group_words(book, group), group_words(book, last))
            clauses.append(f"{_brief(first.groups[group])} {where}")
        cores.append(", ".join(clauses))
    titles = len(first.margins)
    said = plain_sentence(against(whole, first.the))
    turned = [g for g in turned_groups(first) if g not in groups]
    if turned and not groups:
        group = turned[0]
        cores.append(f"{said}, but {_brief(first.groups[group])} {group_words(book, group)}")
    if titles == 1:
        cores.append(f"{said} in {book.title_name(next(iter(first.margins)))}")
    elif first.every:
        cores.append(f"{said} in {all_of(titles, 'title')}")
    elif whole.kind == "suite":
        cores.append(f"{said} over {counted(titles, 'title', words=False)}")
    return [*cores, said]


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


def _dearer(first: Standing) -> str:
    claim = first.premium
    if claim is None or not claim.value:
        return ""
    if not re.search("[1-9]", claim.text):
        return ", at the same price"
    return f", and {size_text(claim)} {'dearer' if claim.value > 1 else 'cheaper'}"


def deck(book: ClaimBook) -> list[Sentence]:
    """Return the sentences under the headline: the whole, what it depends on, what price does."""
    shown = standings(book)
    first = next((s for s in shown if s.whole is not None), None)
    lost = [s for s in shown if s.whole is None]
    sentences: list[Sentence] = []
    if first is not None and first.whole is not None:
        sentences += [_whole_sentence(book, first), *_like_sentence(book, first)]
        sentences += money_sentences(book, first)
    if lost:
        names = listed(s.the for s in lost)
        sentences.append((f"Not set against {names}: no title has used runs of both.",))
    return sentences


def _whole_sentence(book: ClaimBook, first: Standing) -> Sentence:
    claim = first.whole
    if claim is None:
        return ()
    count = len(first.margins)
    over = f"Over {all_of(count, 'title')}" if count > 1 else "In the one title"
    the = f"the {first.name}"
    shown = Printed(claim, claim.text)
    if claim.outcome == "level":
        return (
            f"{over} it is level with {the}: ", shown,
            f"{interval_words(claim)}, inside the level band of {band_words(book)}.",
        )  # fmt: skip
    if claim.outcome == "unresolved":
        return (
            f"{over} its margin over {the} is ", shown,
            f"{interval_words(claim)}: too close to call with these runs.",
        )  # fmt: skip
    return (f"{over} it is ", *against(claim, the), f"{interval_words(claim)}.")


def _like_sentence(book: ClaimBook, first: Standing) -> list[Sentence]:
    like = first.like
    if like is None or not like.low or not like.high or not like.interval:
        return []
    low, _, high = like.interval.partition(" to ")
    span = f"{low} to {high}{NBSP}%"
    if standing_turns(first, like):
        opened = "With other titles of this kind it could be anything from "
        return [(f"{opened}{span}: what you play decides.",)]
    return [(f"With other titles of this kind it could be {span}.",)]


def standing_turns(standing: Standing, like: Claim) -> bool:
    """Whether other titles of this kind could turn what is ahead or behind."""
    told = standing.outcome in {"ahead", "behind"}
    return told and like.low is not None and like.high is not None and like.low < 1 < like.high


def money_sentences(book: ClaimBook, standing: Standing) -> list[Sentence]:
    """Return what the price would have to be for as many frames for the money."""
    own = next(iter(book.of_kind("price", group=price_kind(book), product=book.product)), None)
    equal, cut = standing.equal, standing.cut
    if own is None or equal is None or cut is None or cut.value is None:
        return []
    name, kind = plain_product(book, book.product), price_kind(book)
    good = "to give as many frames for the money" if standing.speed else "to do as much for it"
    now = (f"At a {kind} price of ", Printed(own, money(own)), f" the {name} ")
    if cut.value > 0 and re.search("[1-9]", cut.text):
        return [
            (
                *now, "would have to fall to ", Printed(equal, money(equal)), ", by ",
                Printed(cut, size_text(cut)), f", {good} as {standing.the}.",
            )
        ]  # fmt: skip
    more = "more frames for the money" if standing.speed else "more for the money"
    return [
        (
            *now, f"gives {more} than {standing.the}; at ", Printed(equal, money(equal)),
            " both would give as much.",
        )
    ]  # fmt: skip


def money(claim: Claim) -> str:
    """Return an amount as a reader meets it: the currency's sign for its code."""
    return with_currency_sign(claim)


# --- the first picture ---


def rivals_caption(book: ClaimBook) -> str:
    """Return what the picture of all rivals shows, in a sentence without figures."""
    shown = [s for s in standings(book) if s.whole is not None]
    near, far = [s for s in shown if not s.apart], [s for s in shown if s.apart]
    if not shown:
        return "No other product was measured in the same titles"
    said = []
    if near:
        words = {
            "ahead": ("faster than", "ahead of"),
            "behind": ("slower than", "behind"),
            "level": ("level with", "level with"),
            "unresolved": ("too close to call against", "too close to call against"),
            "": ("without an interval against", "without an interval against"),
        }
        for outcome, pair in words.items():
            some = [s for s in near if s.outcome == outcome]
            if not some:
                continue
            word = pair[0] if some[0].speed else pair[1]
            also = [s.the for s in far if s.outcome == outcome]
            far = [s for s in far if s.outcome != outcome]
            if len(some) == len(near) > 1:
                names = [all_of(len(near), "rival", words=True)]
            elif len(some) > 2:
                names = [f"{_count_word(len(some))} of {_count_word(len(near))} rivals"]
            else:
                names = [s.the for s in some]
            said.append(f"{word} {listed([*names, *also])}")
    said += [plain_sentence(_bare_against(s)) for s in far]
    return upper_first(", ".join(said))


def _count_word(count: int) -> str:
    return NUMBERS[count] if count < len(NUMBERS) else str(count)


def _bare_against(standing: Standing) -> Sentence:
    claim = standing.whole
    if claim is None:
        return ()
    found = against(claim, standing.the)
    return tuple(p.strip() for p in found if isinstance(p, str))


def role(book: ClaimBook, standing: Standing) -> str:
    """Return what a product is to the reviewed one, in a word or two."""
    settings = book.settings
    classes = book.names.get("classes", {})
    there = [p["there"] for p in settings.get("same_name") or () if p["here"] == book.product]
    if standing.product in there:
        return f"same name, {classes.get(standing.product) or 'another class'}"
    cells = book.of_kind("cell", product=standing.product)
    if cells and all("typed_in" in claim.marks for claim in cells):
        return "figures typed in, no logs"
    if standing.product == settings.get("predecessor"):
        return "predecessor"
    pair = {"product": book.product, "baseline": standing.product}
    known = [c for c in book.of_kind("premium", **pair) if not c.group.startswith("scenario-")]
    premium = standing.premium or next(iter(known), None)
    if premium is None or not premium.value or premium.value == 1:
        return "rival"
    return "cheaper rival" if premium.value > 1 else "dearer rival"


def tested_note(book: ClaimBook) -> str:
    """Return what was tested, on how many products, with how many runs."""
    count = {c.part: c for c in book.of_kind("count")}
    products = len({c.product for c in book.of_kind("cell")})
    titles = int(count["titles"].figure) if "titles" in count else 0
    scored = len({c.title for c in book.of_kind("cell", metric=RESULT)})
    played = len({c.title for c in book.of_kind("cell", metric=HEADLINE)})
    kinds = f" ({played} with frame rates, {scored} with a score)" if scored and played else ""
    words = [
        f"{counted(titles, 'title', words=False)}{kinds}, "
        f"{counted(products, 'product', words=False)}, {_text(count, 'runs/used')} runs"
    ]
    aside, failed = count.get("runs/set_aside"), count.get("runs/did_not_run")
    if aside is not None and aside.value:
        words.append(f"{aside.text} more set aside")
    if failed is not None and failed.value:
        words.append(f"{failed.text} did not run")
    days = sorted(run.began[:10] for run in book.runs if run.used and run.began)
    said = "; ".join([words[0], ", ".join(words[1:])] if words[1:] else words) + "."
    if days:
        first, last = long_date(days[0]), long_date(days[-1])
        said += f" Run {f'on {first}' if first == last else f'from {first} to {last}'}."
    return said


def _text(claims: Mapping[str, Claim], part: str) -> str:
    return claims[part].text if part in claims else "0"


def long_date(day: str) -> str:
    """Return a day as the article writes it.

    >>> long_date("2026-11-16"), long_date("soon")
    ('16 November 2026', 'soon')
    """
    from datetime import date

    from babel.dates import format_date

    try:
        return str(format_date(date.fromisoformat(day), "d MMMM y", locale="en"))
    except ValueError:
        return day


def control_words(book: ClaimBook, control: str) -> tuple[str, str]:
    """Return a control as a sentence takes it up, and its unit.

    "Main memory, in GB" is ("main memory", "GB").
    """
    name = book.name("metric", control, kind="control")
    if name == control:
        name = control.replace("_", " ")
    bare, _, unit = name.partition(", in ")
    bare = re.sub(r"^The (machine's own )?", "", bare)
    bare = re.split(r", and | of the machine", bare)[0]
    if len(bare) > CONTROL_CHARACTERS:
        bare = control.replace("_", " ")
    return (bare[:1].lower() + bare[1:] if bare[1:2].islower() else bare), unit


def differences(book: ClaimBook) -> dict[str, list[tuple[str, str, str, str]]]:
    """Return, for each product, what is not alike: control, its value, ours, and the reason."""
    values = {(c.metric, c.product): c.text for c in book.of_kind("control")}
    found: dict[str, list[tuple[str, str, str, str]]] = {}
    for claim in book.of_kind("waiver", product=book.product):
        name, unit = control_words(book, claim.metric)
        there, here = (
            f"{values.get((claim.metric, p), 'not recorded')}{f'{NBSP}{unit}' if unit else ''}"
            for p in (claim.baseline, book.product)
        )
        reason = claim.text.rpartition(", waived: ")[2].strip()
        found.setdefault(claim.baseline, []).append((name, there, here, reason))
    return found


def unlike_note(book: ClaimBook) -> str:
    """Return in what the machines differ, briefly."""
    found = differences(book)
    if not found:
        controls = dict.fromkeys(c.metric for c in book.of_kind("control"))
        if not controls:
            return "No control was recorded, so nothing says how alike the machines are."
        alike = listed(control_words(book, c)[0] for c in controls)
        return f"Nothing that was controlled differs: {alike}."
    said = []
    for product, rows in found.items():
        the = upper_first(short_product(book, product))
        if len(rows) == 1:
            name, there, here, _ = rows[0]
            said.append(f"{the}: {name} ({there} against {here}).")
        else:
            said.append(f"{the}: {listed(name for name, *_ in rows)}.")
    return " ".join(said)


def price_note(book: ClaimBook) -> tuple[str, Sentence]:
    """Return the head of the note on prices, and what it says."""
    kind = price_kind(book)
    if not kind:
        return "No prices", ("were recorded, so nothing is said about value.",)
    settings = book.settings.get("value") or {}
    head = upper_first(book.name("group", kind, kind="price"))
    since, until = settings.get("since"), settings.get("until")
    when = f"of {long_date(str(since))} to {long_date(str(until))}" if since and until else ""
    own = next(iter(book.of_kind("price", group=kind, product=book.product)), None)
    parts: list[Part] = [when]
    name = plain_product(book, book.product)
    if own is None:
        parts.append(f"{'; ' if when else ''}none for the {name}.")
    else:
        parts += [f"{'; ' if when else ''}the {name} is at ", Printed(own, money(own))]
        parts.append(f"{interval_words(own)}.")
    spread = any(c.interval for c in book.of_kind("price", group=kind))
    if spread:
        parts.append(" In small type the span of what shops asked.")
    return head, tuple(parts)


# --- per title ---


def titles_heading(book: ClaimBook) -> str:
    """Return the heading of the part that goes through the titles."""
    first = next((s for s in standings(book) if s.margins), None)
    if first is None:
        return "Title by title"
    total = len(first.margins)
    tally = _tally(first)
    if total == 1:
        title = book.title_name(next(iter(first.margins)))
        return f"{title}: {plain_sentence(against(next(iter(first.margins.values())), first.the))}"
    leading = next((o for o in ("ahead", "behind", "level", "unresolved", "") if tally.get(o)), "")
    count = tally[leading]
    word = {
        "ahead": f"Ahead of {first.the}",
        "behind": f"Behind {first.the}",
        "level": f"Level with {first.the}",
        "unresolved": f"Too close to call against {first.the}",
        "": f"Without an interval against {first.the}",
    }[leading]
    if count == total:
        return f"{word} in {all_of(total, 'title')}"
    said = f"{word} in {count} of {total} titles"
    groups = differing_groups(book, first)
    members = title_groups(book)
    for group in groups:
        inside = [t for t in members[group] if t in first.margins]
        some = sum(first.margins[t].outcome == leading for t in inside)
        if count >= 3 and some > 0.6 * count:
            said += f", {_count_word(some) if some < count else 'all'} of them "
            return said + group_words(book, group)
    return said


def _tally(standing: Standing) -> dict[str, int]:
    found: dict[str, int] = {}
    for claim in standing.margins.values():
        found[claim.outcome] = found.get(claim.outcome, 0) + 1
    return found


def titles_sentences(book: ClaimBook) -> list[Sentence]:
    """Return the other outcomes over the first rival, and the counts over every other one."""
    shown = [s for s in standings(book) if len(s.margins) > 1]
    sentences: list[Sentence] = []
    for n, standing in enumerate(shown):
        tally = _tally(standing)
        order = [o for o in ("ahead", "behind", "level", "unresolved", "") if tally.get(o)]
        rest = order[1:] if n == 0 else order
        words = []
        for outcome in rest:
            names = [t for t, c in standing.margins.items() if c.outcome == outcome]
            if n == 0 and len(names) == 1:
                where = book.title_name(names[0])
            else:
                count = tally[outcome]
                every = all_of(count, "title").removesuffix(" titles")
                where = every if count == len(standing.margins) else str(count)
            within = f" (within {band_words(book)})" if n == 0 and outcome == "level" else ""
            words.append(f"{outcome_word(outcome)}{within} in {where}")
        if not words:
            continue
        if n == 0:
            sentences.append((f"{upper_first(listed(words))}.",))
        else:
            sentences.append((f"{upper_first(standing.the)}: {listed(words)}.",))
    return sentences


# --- where the margin comes from ---


def groups_heading(book: ClaimBook) -> str:
    """Return the heading of the part on groups of titles."""
    shown = [s for s in standings(book) if s.groups and s.whole is not None]
    for standing in shown:
        groups = differing_groups(book, standing)
        if groups:
            head = {
                "ahead": f"The lead over {standing.the} comes from titles",
                "behind": f"The gap to {standing.the} comes from titles",
            }.get(standing.outcome, f"Against {standing.the} it depends:")
            by: dict[str, list[str]] = {}
            for group in groups:
                by.setdefault(standing.groups[group].outcome, []).append(group)
            if standing.outcome in {"ahead", "behind"} and standing.outcome in by:
                own = listed(group_words(book, g) for g in by.pop(standing.outcome))
                said = f"{head} {own.removeprefix('in ')}"
                said = said.replace("from titles new titles", "from new titles")
                rest = [
                    f"{listed(group_words(book, g) for g in some)} {_pair_word(outcome)}"
                    for outcome, some in by.items()
                ]
                return f"{said}; {listed(rest)}"
            rest = [
                f"{outcome_word(outcome)} {listed(group_words(book, g) for g in some)}"
                for outcome, some in by.items()
            ]
            return f"Against {standing.the} it depends: {', '.join(rest)}"
    for standing in shown:
        turned = turned_groups(standing)
        if turned:
            claim = standing.groups[turned[0]]
            return (
                f"{upper_first(group_words(book, turned[0]))} it is "
                f"{plain_sentence(against(claim, standing.the))}"
            )
    return "No group of titles changes an outcome"


def _pair_word(outcome: str) -> str:
    return {
        "level": "the two are level",
        "unresolved": "it is too close to call",
        "ahead": "it is ahead",
        "behind": "it is behind",
        "": "nothing gives an interval",
    }[outcome]


def groups_sentences(book: ClaimBook) -> list[Sentence]:
    """Return every group whose outcome differs from the whole, over every product; and overlaps."""
    sentences: list[Sentence] = []
    for standing in standings(book):
        for group in turned_groups(standing):
            claim = standing.groups[group]
            end = {
                "level": f": inside the level band of {band_words(book)}",
                "unresolved": ": too close to call",
                "ahead": ": ahead",
                "behind": ": behind",
            }.get(claim.outcome, "")
            sentences.append(
                (
                    f"{upper_first(group_words(book, group))} the margin over {standing.the} is ",
                    Printed(claim, claim.text),
                    f"{interval_words(claim)}{end}.",
                )
            )
    return [*sentences, *_overlaps(book), *influence_sentences(book)]


def _overlaps(book: ClaimBook) -> list[Sentence]:
    """Return which groups cannot be told apart, because the titles of one are all in another."""
    members = title_groups(book)
    suites = book.settings.get("suites") or {}
    found: list[str] = []
    for group, titles in members.items():
        for other, more in members.items():
            tags = [(suites.get(g) or {}).get("tags") or {} for g in (group, other)]
            if group == other or set(tags[0]) & set(tags[1]) or not set(titles) <= set(more):
                continue
            if set(titles) == set(more) and list(members).index(group) > list(members).index(other):
                continue
            first, second = group_words(book, group), group_words(book, other)
            said = f"all {first.removeprefix('in ')}"
            if not first.startswith("in "):
                said = f"every title {first}"
            where = f"is {second}" if said.startswith("every") else f"are {second}"
            if second.startswith("in "):
                where = f"is among the {second.removeprefix('in ')}"
            found.append(f"{said} {where}")
            break
    if not found:
        return []
    return [(f"{upper_first('; '.join(found))}: titles so bound up cannot be told apart.",)]


def influence_sentences(book: ClaimBook) -> list[Sentence]:
    """Return which single title turns an outcome when it is left out, over every product."""
    band = 1 + level_band(book)

    def place(value: float) -> str:
        return "level" if 1 / band <= value <= band else "ahead" if value > 1 else "behind"

    found: list[Sentence] = []
    for standing in standings(book):
        whole = standing.whole
        if whole is None or not whole.value or len(standing.margins) < 3:
            continue
        pair = {"product": whole.product, "baseline": whole.baseline, "metric": whole.metric}
        for claim in book.of_kind("influence", group="all", **pair):
            if claim.value and place(claim.value) != place(whole.value):
                found.append(
                    (
                        f"Without {book.title_name(claim.title)} the margin over {standing.the} "
                        "would be ",
                        Printed(claim, claim.text),
                        " instead of ",
                        Printed(whole, whole.text),
                        ".",
                    )
                )
    return found


# --- classes, limits, value, comparability, method ---


def classes_sentences(book: ClaimBook) -> tuple[str, list[Sentence]]:
    """Return heading and sentences on what one name means in two classes of machine."""
    metric = main_metric(book)
    gap = next(iter(book.of_kind("gap", metric=metric)), None)
    here = next(iter(book.of_kind("gap_here", metric=metric)), None)
    there = next(iter(book.of_kind("gap_there", metric=metric)), None)
    classes = book.names.get("classes", {})
    sentences: list[Sentence] = []
    heading = ""
    if here is not None and there is not None:
        kinds = [classes.get(c.product) or "one class" for c in (here, there)]
        names = [plain_product(book, c) for c in (here.product, here.baseline)]
        heading = (
            f"From {names[1]} to {names[0]}: {here.text} in the {kinds[0]} class, "
            f"{there.text} in the {kinds[1]} class"
        )
        sentences.append(
            (
                f"In the {kinds[0]} class the step from {names[1]} to {names[0]} is ",
                Printed(here, here.text), f"{interval_words(here)}, in the {kinds[1]} class ",
                Printed(there, there.text), f"{interval_words(there)}.",
            )
        )  # fmt: skip
        if gap is not None:
            sentences.append(
                ("One step over the other: ", Printed(gap, gap.text), f"{interval_words(gap)}.")
            )
    settings = book.settings.get("same_name") or ()
    for pair in settings:
        suite = next(
            iter(
                book.of_kind(
                    "suite", metric=metric, group="all", product=pair["here"],
                    baseline=pair["there"],
                )
            ),
            None,
        )  # fmt: skip
        if suite is None:
            continue
        name, kind = plain_product(book, pair["here"]), classes.get(pair["there"]) or "other"
        mine = classes.get(pair["here"]) or "one"
        said = against(suite, f"the {kind} part of that name")
        sentences.append((f"The {mine} {name} is ", *said, f"{interval_words(suite)}."))
        if not heading:
            heading = f"The {mine} {name} is {plain_sentence(said)}"
    return heading, sentences


LIMITS = {
    "processor_bound": ("looks bound by the processor", "look bound by the processor"),
    "capped": ("is held by a cap", "are held by a cap"),
    "throttling": ("is limited by heat", "are limited by heat"),
    "drift_in_run": ("slows down within its runs", "slow down within their runs"),
}


def limits_sentences(book: ClaimBook) -> tuple[str, list[Sentence]]:
    """Return heading and sentences on what seems to limit the products, title by title."""
    found: dict[str, dict[str, set[str]]] = {}
    for claim in book.of_kind("flag"):
        if claim.metric in LIMITS and claim.outcome == "flag" and claim.title:
            titles = found.setdefault(claim.metric, {})
            titles.setdefault(claim.title, set()).add(claim.product)
    if not found:
        return "No title looks limited by processor, cap or heat", [
            ("No rule of screening that looks for such a limit found one.",)
        ]
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
        names = listed(book.title_name(t) for t in some)
        sentences.append((f"{names} {words}{_on_products(book, products)}.",))
        heads.append(f"{counted(len(some), 'title')} {LIMITS[rules[0]][len(some) > 1]}")
    return upper_first(", ".join(heads[:2])), sentences


def _on_products(book: ClaimBook, products: Iterable[str]) -> str:
    """Return on which products something was found; a long list becomes a count."""
    order = [p for p in book.names.get("products", {}) if p in set(products)]
    if not order:
        return ""
    if len(order) > 2:
        return f" (on {_count_word(len(order))} products)"
    return f" (on {listed(f'the {short_product(book, p)}' for p in order)})"


def value_heading(book: ClaimBook) -> str:
    """Return the heading of the part on money."""
    name = plain_product(book, book.product)
    first = next((s for s in standings(book) if s.premium is not None and s.whole), None)
    if first is None or first.premium is None or first.whole is None:
        return f"What the {name} costs" if price_kind(book) else ""
    size, value = size_text(first.premium), first.premium.value or 1.0
    word = "more than" if value > 1 else "less than"
    costs = f"costs {size} {word} {first.the}"
    if not re.search("[1-9]", size):
        costs = f"costs as much as {first.the}"
    said = _brief(first.whole)
    if first.outcome == "level":
        return f"The {name} {costs}, and the two are level"
    if first.outcome == "unresolved":
        return f"The {name} {costs}; which is faster is too close to call"
    return f"The {name} {costs} and is {said}"


def value_sentences(book: ClaimBook) -> list[Sentence]:
    """Return what the price would have to be against each product it is weighed against."""
    sentences: list[Sentence] = []
    kind = price_kind(book)
    weighed = [s for s in standings(book) if not s.apart and s.equal and s.cut]
    for standing in weighed[:1]:
        sentences += money_sentences(book, standing)
    for standing in weighed[1:]:
        equal, cut = standing.equal, standing.cut
        if equal is None or cut is None:
            continue
        word = "less" if (cut.value or 0.0) > 0 else "more"
        sentences.append(
            (
                f"Against {standing.the} both would give as much at ", Printed(equal, money(equal)),
                ", ", Printed(cut, size_text(cut)), f" {word}.",
            )
        )  # fmt: skip
    worse = [c for c in book.of_kind("frontier", group=kind) if c.outcome in {"dominated", "mixed"}]
    if worse:
        names = [short_product(book, c.product) for c in worse]
        verb = "is" if len(names) == 1 else "are"
        sentences.append(
            (
                f"The {listed(names)} {verb} off the line: something here, or a mix of two things "
                "here, is both cheaper and faster.",
            )
        )
    missing = book.of_kind("not_weighed", group=kind)
    if missing:
        lost = listed(f"the {short_product(book, c.product)}" for c in missing)
        sentences.append((f"No {kind} price was found for {lost}.",))
    return sentences


def alike_heading(book: ClaimBook) -> str:
    """Return the heading of the part on how comparable the machines are."""
    found = differences(book)
    if not found:
        if not book.of_kind("control"):
            return "How comparable the machines are was not recorded"
        return "The machines are alike in all that was controlled"
    first = next((s for s in standings(book) if s.whole is not None), None)
    if first is None or first.product not in found:
        said = f"Nothing that was controlled differs against {first.the}" if first else ""
        others = len(found)
    else:
        names = [name for name, *_ in found[first.product]]
        verb = "differs" if len(names) == 1 else "differ"
        said = f"{upper_first(listed(names))} {verb} against {first.the}"
        others = len(found) - 1
    if not others:
        return said
    more = counted(others, "comparison" if not said else "other comparison")
    verb = "is" if others == 1 else "are"
    return f"{said}; {more} {verb} not alike" if said else f"{upper_first(more)} {verb} not alike"


def method_heading(book: ClaimBook) -> str:
    """Return the heading of the part on how it was measured."""
    count = {c.part: c for c in book.of_kind("count")}
    used = _text(count, "runs/used")
    aside = count.get("runs/set_aside")
    left = f"; {aside.text} set aside, with the reason" if aside is not None and aside.value else ""
    return f"{used} run{'' if used == '1' else 's'}, every one of them behind the figures{left}"


LOWS = {
    "percentile": "the rate at the percentile of the frame times",
    "slowest_share": "the mean rate over the slowest share of the frames",
    "time_share": "the rate below which a share of the time was spent",
}


def method_sentences(book: ClaimBook) -> list[Sentence]:
    """Return how the figures were made, for a reader who wants to know and not to check."""
    low = (book.settings.get("metrics") or {}).get("low", "")
    frames = next(iter(book.of_kind("count", part="frames/used")), None)
    sentences: list[Sentence] = []
    if frames is not None and frames.value:
        sentences.append(
            (
                "The runs hold ",
                Printed(frames, frames.text),
                " frames.",
            )
        )
    sentences.append(
        (
            "An average is frames over seconds within a run; a figure is the mean of a product's "
            "runs of a title, a margin the ratio of two such figures, and a margin over titles "
            "their geometric mean.",
        )
    )
    if low in LOWS:
        sentences.append((f"A low is {LOWS[low]}.",))
    sentences.append(
        (
            f"An interval for these titles holds what differs from run to run, at "
            f"{confidence_words(book)}; the wider one holds what other titles of this kind would "
            "change as well.",
        )
    )
    sentences.append(
        (
            f"Level means that the {level_confidence_words(book)} interval lies within "
            f"{band_words(book)}; too close to call means that these runs show neither a "
            "difference nor that there is none.",
        )
    )
    return sentences


def names_of(book: ClaimBook) -> dict[str, str]:
    """Return the short name of every product of the review, in the order of its charts."""
    return {p: short_product(book, p) for p in product_looks(book)}


def row_title(book: ClaimBook, title: str, group: str) -> str:
    """Return a title's name under the head of its group."""
    return without_group(book, title, group)
