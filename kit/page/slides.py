"""The slides of a review: what each says and shows, from its claims; their files and their list.

`slides.csv` lists every figure printed on a slide with its claim. Words are those of the article,
shorter; each title states the result.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from kit.charts.slides import GROUNDS, MOST_ROWS, SIZES, UNKNOWN, Row, Slide
from kit.charts.style import file_stem
from kit.claims.bound_text import size_text, with_currency_sign
from kit.claims.claim import Claim, ClaimBook
from kit.claims.of_review import listed
from kit.errors import UsageError, did_you_mean
from kit.page.findings import AGAINST, Findings, Standing, outcome_word, upper_first
from kit.page.words import words_in
from kit.rounding import BY_FIGURES, Rounded, csv_cell
from kit.settings.metric import HEADLINE, RESULT

_PROGRESS = logging.getLogger("marginbook.progress")


@dataclass(frozen=True, slots=True)
class SlideSet:
    """How slides are wanted.

    Attributes
    ----------
    only : tuple of str
        Kinds of slides or names of single ones, in this order; all if empty.
    size : str
        A key of `SIZES`: width and height in pixels.
    ground : str
        A key of `GROUNDS`: paper, dark, see-through.
    """

    only: tuple[str, ...] = ()
    size: str = "1920x1080"
    ground: str = "paper"


@dataclass(slots=True)
class _Pen:
    """Writes figures for one slide, and notes each with its claim.

    Attributes
    ----------
    book : ClaimBook
    printed : list of pairs of Claim and str
        What was printed so far: the slide's rows of `slides.csv`, from which its source line
        counts the runs it rests on.
    """

    book: ClaimBook
    printed: list[tuple[Claim, str]]

    def note(self, claim: Claim, text: str) -> str:
        """Note that a claim is printed as `text`."""
        if (claim, text) not in self.printed:
            self.printed.append((claim, text))
        return text

    def percent(self, claim: Claim) -> str:
        """Print a margin as the report does."""
        return self.note(claim, claim.text)

    def size(self, claim: Claim) -> str:
        """Print a margin whose direction the words give."""
        return self.note(claim, size_text(claim))

    def fps(self, claim: Claim) -> str:
        """Print a frame rate whole, as it is spoken; any other figure as in the report."""
        if claim.unit != "fps":
            return self.note(claim, claim.text.partition("\xa0")[0])
        return self.note(claim, Rounded.count(claim.figure, locale=self.book.locale).text)

    def money(self, claim: Claim) -> str:
        """Print an amount of money."""
        return self.note(claim, with_currency_sign(claim, self.book.locale))

    def source(self, *more: str) -> tuple[str, ...]:
        """Return the source line: day, number of runs the slide rests on, how to read it, whose."""
        runs = {run for claim, _ in self.printed for run in claim.runs}
        day = _day(self.book.date)
        counts = [f"{len(runs)} run{'s' * (len(runs) != 1)}"] if runs else []
        return (" · ".join([day, *counts]), *more, _whose(self.book))


def _day(day: str) -> str:
    """Return a day as a slide writes it."""
    return words_in("en").date(day, "d MMM y")


def _whose(book: ClaimBook) -> str:
    """Return who made the slide: the house by its style, else who stands for the review."""
    return book.names.get("style", {}).get("name") or book.byline


def _stands(claim: Claim, pen: _Pen, the: str, *, of: bool = True) -> str:
    """Return how a margin stands: "5.8 % ahead of the Sedge", "level with the Sedge"."""
    way = {"above": "ahead", "below": "behind"}.get(claim.outcome, claim.outcome)
    said = AGAINST[way].format(rival=the) if of else outcome_word(way)
    if way in {"ahead", "behind"}:
        said = f"{pen.size(claim)} {said}"
    return said if way == claim.outcome else f"{said} {BY_FIGURES}"


def _by_title(facts: Findings) -> list[Slide]:
    """Return a slide a title: every product's average and low."""
    return [slide for title in facts.who.title_order() if (slide := _one_title(facts, title))]


def _one_title(facts: Findings, title: str) -> Slide | None:
    """Return the slide of a title: the best product first, another class of machine last."""
    book = facts.book
    cells = {c.product: c for c in book.of_kind("cell", metric=HEADLINE, title=title)}
    metric = HEADLINE if book.product in cells else RESULT
    if metric == RESULT:
        cells = {c.product: c for c in book.of_kind("cell", metric=RESULT, title=title)}
    if not cells:
        return None
    low = next((c.metric for c in book.of_kind("cell", title=title) if "low_1pct" in c.metric), "")
    lows = {c.product: c for c in book.of_kind("cell", metric=low, title=title)} if low else {}
    margins = {
        c.baseline: c
        for c in book.of_kind("margin", metric=metric, title=title, product=book.product)
    }
    looks, classes, pen = facts.who.looks(), book.names.get("classes", {}), _Pen(book, [])
    less = any("less_is_better" in c.marks for c in (*cells.values(), *margins.values()))
    rows = []
    for product, cell in cells.items():
        said = margins.get(product)
        note = {"level": "level", "unresolved": "too close"}.get(said.outcome if said else "", "")
        figures = [pen.fps(cell)]
        if lows:
            figures.append(pen.fps(lows[product]) if product in lows else "")
        rows.append(
            Row(
                facts.who.short(product), tuple(figures), looks[product], at=cell.figure,
                ends=(lows[product].figure, cell.figure) if product in lows else UNKNOWN,
                wide=cell.ends, note=note, own=product == book.product,
                apart=classes.get(product) != classes.get(book.product),
            )
        )  # fmt: skip
    rows.sort(key=lambda row: (row.apart, row.at if less else -row.at))
    name = book.title_name(title)
    titles = [name]
    first = next(((s, margins[s.product]) for s in facts.standings if s.product in margins), None)
    if first:
        said = first[1]
        titles = [f"{name}: {_stands(said, pen, first[0].the)}"]
        titles.append(f"{name}: {_stands(said, pen, first[0].the.removeprefix('the '))}")
        titles.append(f"{name.partition(',')[0]}: {_stands(said, pen, first[0].the)}")
        titles.append(f"{name}: {_stands(said, pen, '', of=False)}")
    unit = "frames per second" if metric == HEADLINE else next(iter(cells.values())).unit
    unit = {"s": "seconds"}.get(unit, unit)
    way = f"{unit}, {'less' if less else 'more'} is better"
    group = facts.who.title_order().get(title, "")
    heads = ("average" if metric == HEADLINE else "result", book.name("metric", low, kind="cell"))
    under = [f"{head}{way}" for head in ([f"{group} · ", ""] if group else [""])]
    limit = facts.limit_words(title)
    return Slide(
        f"title-{title}", "stems", tuple(titles),
        tuple([f"{line} · {limit}" for line in (*under, unit)] if limit else under),
        pen.source(),         tuple(rows), tuple(pen.printed), heads if lows else heads[:1],
    )  # fmt: skip


def _by_rival(facts: Findings) -> list[Slide]:
    """Return a slide a rival: the margin in each title; two or more where the titles are many."""
    return [slide for s in facts.standings if s.margins for slide in _one_rival(facts, s)]


# Of energy a frame, in the place of `AGAINST`: less of it is ahead.
_ENERGY = AGAINST | {
    "ahead": "less energy than {rival}",
    "behind": "more energy than {rival}",
    "level": "as much energy as {rival}",
}


def _power(facts: Findings) -> list[Slide]:
    """Return the slide of stated clocks and power limits, and energy a frame over two rivals."""
    slides = _clocks(facts)
    for s in [s for s in facts.standings if not s.apart]:
        pair = {"product": facts.book.product, "baseline": s.product}
        found = facts.book.of_kind("energy_margin", metric="energy", **pair)
        if found and len(slides) < 3:
            by_title = {claim.title: claim for claim in found}
            energy = replace(s, margins=by_title, counts={}, groups={}, whole=None)
            slides += _one_rival(facts, energy, words=_ENERGY)
    return slides


def _clocks(facts: Findings) -> list[Slide]:
    """Return the slide of each product's boost clock, on a stem from its base clock, and limit."""
    book, pen = facts.book, _Pen(facts.book, [])
    stated = {(c.metric, c.product): c for c in book.of_kind("specification")}
    looks, classes = facts.who.looks(), book.names.get("classes", {})
    rows = []
    for product, look in looks.items():
        base, boost, limit = (
            stated.get((name, product))
            for name in ("base_clock_mhz", "boost_clock_mhz", "power_limit_w")
        )
        if boost is None or limit is None:
            continue
        rows.append(
            Row(
                facts.who.short(product), (pen.fps(boost), pen.fps(limit)), look,
                at=boost.figure, ends=(base.figure, boost.figure) if base else UNKNOWN,
                own=product == book.product,
                apart=classes.get(product) != classes.get(book.product),
            )
        )  # fmt: skip
    own = [stated.get((n, book.product)) for n in ("boost_clock_mhz", "power_limit_w")]
    if len(rows) < 2 or own[0] is None or own[1] is None:
        return []
    rows.sort(key=lambda row: (row.apart, -row.at))
    said = [pen.note(claim, claim.text) for claim in own if claim]
    return [
        Slide(
            "clocks", "stems",
            (f"{facts.own}: {said[0]} at up to {said[1]}", " at up to ".join(said)),
            ("Clock in MHz, stem from base to boost; watts", "Clock, base to boost, in MHz"),
            (_day(book.date), "as the makers state", _whose(book)),
            tuple(rows), tuple(pen.printed), ("boost", "limit, W"),
        )
    ]  # fmt: skip


def _one_rival(
    facts: Findings, standing: Standing, *, words: Mapping[str, str] = AGAINST
) -> list[Slide]:
    """Return the slides of a rival: by group of titles, in even parts, where one has no room."""
    order = {t: g for t, g in facts.who.title_order().items() if t in standing.margins}
    heads = list(dict.fromkeys(order.values()))
    if len(order) <= MOST_ROWS:
        return [_rival_slide(facts, standing, list(order), "", words)]
    slides: list[Slide] = []
    for head in heads:
        titles = [t for t in order if order[t] == head]
        count = -(-len(titles) // MOST_ROWS)
        size = -(-len(titles) // count)
        for n in range(count):
            some = titles[n * size : (n + 1) * size]
            slides.append(_rival_slide(facts, standing, some, f"-{len(slides) + 1}", words))
    return slides


def _rival_slide(
    facts: Findings, standing: Standing, titles: Sequence[str], part: str, words: Mapping[str, str]
) -> Slide:
    book, order = facts.book, facts.who.title_order()
    kind, more = "rival", _faster(standing)
    if words is _ENERGY:
        kind, more = "power", "more frames per joule"
    pen, the = _Pen(book, []), standing.the
    rows = []
    for title in sorted(titles, key=lambda t: list(order).index(t)):
        claim = standing.margins[title]
        group = order[title]
        name = facts.who.bare_title(title, group) if group else book.title_name(title)
        turned = group.split(" ", 1)[-1] if _says_itself(group) else group
        figure = pen.note(claim, claim.text.removesuffix("\xa0%"))  # the slide's head has the unit
        rows.append(
            Row(
                name, (figure,), at=claim.figure, ends=claim.ends,
                outcome=claim.outcome, group=turned,
                note={"unresolved": "too close to call"}.get(
                    claim.outcome, BY_FIGURES if claim.outcome in {"above", "below", "open"} else ""
                ),
            )
        )  # fmt: skip
    counts = {o: sum(standing.margins[t].outcome == o for t in titles) for o in AGAINST}
    most = max(counts, key=lambda o: counts[o])
    number, count = len(titles), standing.counts.get(most)
    if count is not None and count.figure == counts[most]:
        pen.note(count, count.text)
    share = "all" if counts[most] == number else f"{counts[most]} of"
    word, tail = upper_first(words[most]), f"in {share} {number} titles"
    forms = [f"{word.format(rival=rival)} {tail}" for rival in (the, the.removeprefix("the "))]
    groups = facts.differing_groups(standing)
    whole = standing.whole
    under = [f"Per title, % {more} than {the}", f"% {more} than {the}"]
    if groups and len(titles) == len(standing.margins):
        clauses = [
            f"{outcome_word(standing.groups[g].outcome)} {facts.group_words(g)}" for g in groups
        ]
        clauses[1:] = [facts.without_same_end(c, clauses[0]) for c in clauses[1:]]
        forms.insert(0, upper_first(", ".join(clauses)))
        said = " and ".join(pen.percent(standing.groups[g]) for g in groups)
        under.insert(0, f"Over {the} {said}; per title, % {more}")
    elif whole is not None and not part:
        under.insert(0, f"Over {the} {pen.percent(whole)}; per title, % {more}")
    return Slide(
        f"{kind}-{standing.product}{part}", "dots", tuple(forms), tuple(under),
        pen.source(f"{facts.confidence} intervals", f"shaded: level, {facts.band_words}"),
        tuple(rows), tuple(pen.printed), band=facts.level_band,
    )  # fmt: skip


def _faster(standing: Standing) -> str:
    """Return what a product is more of: faster, or ahead where scores are compared."""
    return "faster" if standing.speed else "ahead"


def _says_itself(group: str) -> bool:
    """Return whether a group's name still says what it is without its first word ("At")."""
    first, _, rest = group.partition(" ")
    return bool(rest) and first.lower() in {"at", "in", "on"}


def _suite(facts: Findings) -> list[Slide]:
    """Return the slide of the suite margin against all: the title speaks of near rivals."""
    book = facts.book
    shown = [s for s in facts.standings if s.whole is not None]
    pen, looks = _Pen(book, []), facts.who.looks()
    rows = [
        _suite_row(pen, s.whole, s.like, s.name, looks[s.product], s.apart)
        for s in shown
        if s.whole
    ]
    if not rows:
        return []
    rows.sort(key=lambda row: (row.apart, row.at))
    near = [s for s in shown if not s.apart] or shown
    clauses: list[str] = []
    for outcome, word in AGAINST.items():
        found = [s for s in near if s.outcome == outcome]
        if found:
            many = facts.words.number(len(found)) + " rivals" * (not clauses)
            clauses.append(word.format(rival=found[0].the if len(found) == 1 else many))
    if len(clauses) == 1 and len(near) > 1:
        every = f"all {facts.words.number(len(near))} rivals"
        clauses = [AGAINST[near[0].outcome].format(rival=every)]
    name, faster = facts.own, _faster(shown[0])
    return [
        Slide(
            "suite", "lines", (upper_first(", ".join(clauses)),),
            (f"{name}: % {faster} than each, {facts.book.whole_words('all shared titles')}",
             f"% {faster} than each, {facts.book.whole_words('all titles')}"),
            pen.source("block: these titles", "line: titles like these"),
            tuple(rows), tuple(pen.printed), band=facts.level_band,
        )
    ]  # fmt: skip


def _suite_row(
    pen: _Pen, claim: Claim, like: Claim | None, name: str, look: Any, apart: bool
) -> Row:
    """Return the row of a suite margin."""
    return Row(
        name, (pen.percent(claim),), look, at=claim.figure, ends=claim.ends,
        wide=UNKNOWN if like is None else like.ends, outcome=claim.outcome, apart=apart,
    )  # fmt: skip


def _groups(facts: Findings) -> list[Slide]:
    """Return a slide on groups of titles for each near rival whose groups are not all alike.

    At most seven groups, and the suite over all titles below them.
    """
    book = facts.book
    slides = []
    for s in facts.standings:
        if s.whole is None or len(s.groups) < 2 or s.apart:
            continue
        if len({c.outcome for c in s.groups.values()}) < 2:
            continue
        pen = _Pen(book, [])
        like = {
            c.group: c
            for c in book.of_kind(
                "suite_like", metric=s.metric, product=book.product, baseline=s.product
            )
        }
        order = [g for g in facts.who.groups() if g in s.groups][:7]
        names = {g: book.name("group", g, kind="suite") for g in order}
        rows = [_suite_row(pen, s.groups[g], like.get(g), names[g], None, False) for g in order]
        rows.append(
            _suite_row(pen, s.whole, s.like, book.whole_words("All shared titles"), None, False)
        )
        rows[-1] = replace(rows[-1], apart=True)
        ranked = sorted(order, key=lambda g: s.groups[g].figure)
        low, high = ranked[0], ranked[-1]
        said = [
            f"{_stands(s.groups[g], pen, '', of=False)} {facts.group_words(g)}" for g in (high, low)
        ]
        slides.append(
            Slide(
                f"groups-{s.product}", "lines",
                (upper_first(", ".join(said)), upper_first(said[0])),
                (f"% {_faster(s)} than {s.the}, by group of titles",),
                pen.source("block: these titles", "line: titles like these"),
                tuple(rows), tuple(pen.printed), band=facts.level_band,
            )
        )  # fmt: skip
    return slides


def _classes(facts: Findings) -> list[Slide]:
    """Return the slide of one name in two classes of machine."""
    book = facts.book
    metric, classes = facts.metric, book.names.get("classes", {})
    steps = [c for kind in ("gap_here", "gap_there") for c in book.of_kind(kind, metric=metric)[:1]]
    pairs = [p for p in book.settings.get("same_name") or () if p["here"] == book.product]
    suites = [
        c for p in pairs
        for c in book.of_kind(
            "suite", metric=metric, group="all", product=p["here"], baseline=p["there"]
        )
    ]  # fmt: skip
    pen, looks = _Pen(book, []), facts.who.looks()
    rows = []
    for claim in steps:
        names = [facts.who.bare(p) for p in (claim.product, claim.baseline)]
        kind = classes.get(claim.product, "")
        rows.append(
            Row(
                f"{names[0]} over {_other(names[0], names[1])}", (pen.percent(claim),),
                looks[claim.product], f"{kind} class" if kind else "", at=claim.figure,
            )
        )  # fmt: skip
    for claim in suites:
        kinds = [classes.get(p, "") for p in (claim.product, claim.baseline)]
        rows.append(
            Row(
                f"{upper_first(kinds[0])} over {kinds[1]}", (pen.percent(claim),),
                looks[claim.baseline], f"both {facts.who.bare(claim.product)}",
                at=claim.figure, apart=True,
            )
        )  # fmt: skip
    if not rows:
        return []
    kinds = [f"{pen.percent(c)} in {classes.get(c.product) or 'one'}" for c in steps]
    titles = [f"{', '.join(kinds)} class", ", ".join(kinds)]
    if not steps:
        titles = [f"{facts.who.bare(book.product)}: {_stands(suites[0], pen, 'its namesake')}"]
    what = "frames per second" if metric == HEADLINE else "results"
    return [
        Slide(
            "classes", "steps", tuple(titles), (f"% more {what}, titles both ran",),
            pen.source("each from level"), tuple(rows), tuple(pen.printed),
        )
    ]  # fmt: skip


def _other(first: str, second: str) -> str:
    """Return a second name without the words both begin with."""
    one, two = first.split(" "), second.split(" ")
    while len(two) > 1 and one and one[0] == two[0]:
        one, two = one[1:], two[1:]
    return " ".join(two)


def _prices(facts: Findings) -> list[Slide]:
    """Return the slide of prices, and of the price of equal value beside each rival.

    At most five rivals; none where the reviewed product has no price of the kind in force.
    """
    book = facts.book
    kind, pen, looks = facts.price_kind, _Pen(book, []), facts.who.looks()
    own = facts.own_price
    shown = [(s, s.equal, s.price) for s in facts.standings if s.equal and s.price]
    if own is None or not shown:
        return []
    rows = []
    for s, equal, price in shown[:5]:
        cut = pen.note(s.cut, f"−{s.cut.text}") if s.cut is not None and s.cut.value else "no cut"
        rows.append(
            Row(
                facts.who.short(s.product), (cut,), looks[s.product],
                f"costs {pen.money(price)}", at=equal.figure, note=pen.money(equal),
                apart=s.apart,
            )
        )  # fmt: skip
    first, name = next(iter(facts.weighed), shown[0][0]), facts.own
    now = (own.figure, f"{name} now: {pen.money(own)}")
    worth = pen.money(first.equal) if first.equal else ""
    words = upper_first(book.name("group", kind, kind="price"))
    settings = book.settings.get("value") or {}
    since, until = (settings.get(key) for key in ("since", "until"))
    when = f"{words}s" if not words.endswith("s") else words
    if since and until:
        when += f", {_day(str(since))[:-5]} to {_day(str(until))}"
    return [
        Slide(
            f"prices-{kind}", "prices",
            (f"As good value as {first.the} at {worth}", f"Value of {first.the} at {worth}"),
            (f"Price at which the {name} gives as many frames per euro",
             "Price of equal frames per euro") if own.unit == "EUR" else
            ("Price of equal frames for the money",),
            (when, pen.source()[0].partition(" · ")[2], _whose(book)),
            tuple(rows), tuple(pen.printed),
            line=now,
        )
    ]  # fmt: skip


def _setup(facts: Findings) -> list[Slide]:
    """Return the spare slide with the set-up of the test."""
    book = facts.book
    pen = _Pen(book, [])
    count = {c.part: c for c in book.of_kind("count")}

    def said(part: str, words: str) -> str:
        claim = count.get(part)
        return f"{pen.percent(claim)} {words}" if claim is not None and claim.value else ""

    runs = [("runs/used", "used"), ("runs/set_aside", "set aside"), ("runs/did_not_run", "failed")]
    rows = [
        ("Titles", said("titles", "").strip()),
        ("Runs", ", ".join(t for t in (said(p, w) for p, w in runs) if t)),
    ]
    for claim in book.of_kind("control", product=book.product)[:4]:
        name, unit = facts.book.control_words(claim.metric)
        text = pen.note(claim, claim.text)
        short = name if len(name) <= 20 else claim.metric.replace("_", " ")
        rows.append((upper_first(short), f"{text} {unit}".strip()))
    low = book.family("group", "low").get(str((book.settings.get("metrics") or {}).get("low")), "")
    if low:
        rows.append(("Low", low))
    if not pen.printed:
        return []
    unlike = [p for p in facts.differences if p in {s.product for s in facts.standings}]
    alike = listed(facts.who.short(p) for p in unlike)
    under = [f"Not alike in all: {alike}"] if unlike else []
    machines = "one machine" if len(unlike) == 1 else f"{facts.words.number(len(unlike))} machines"
    under += [f"{machines} not alike in all"] if unlike else ["All alike"]
    return [
        Slide(
            "setup", "words", ("How it was tested",), tuple(map(upper_first, under)),
            (_day(book.date), _whose(book)),
            tuple(Row(name, below=text) for name, text in rows if text), tuple(pen.printed),
        )
    ]  # fmt: skip


_MAKERS: Mapping[str, Callable[[Findings], list[Slide]]] = {
    "titles": _by_title,
    "rivals": _by_rival,
    "suite": _suite,
    "groups": _groups,
    "classes": _classes,
    "power": _power,
    "prices": _prices,
    "setup": _setup,
}


def make_slides(book: ClaimBook, only: Sequence[str] = ()) -> list[Slide]:
    """Return the slides of a review.

    Parameters
    ----------
    book : ClaimBook
    only : sequence of str
        Kinds of slides (titles, rivals, ...) or names of single ones, in this order; all if empty.

    Raises
    ------
    UsageError
        If one of `only` is neither, or is a kind of which this review has no slide.
    """
    facts = Findings(book, "en")  # slides keep English
    made = {kind: make(facts) for kind, make in _MAKERS.items()}
    named = {slide.name: [slide] for slides in made.values() for slide in slides}
    wanted: dict[str, Slide] = {}
    for name in only or _MAKERS:
        found = made.get(name) or named.get(name)
        if not found and only:
            known = [*(k for k in made if made[k]), *named]
            raise UsageError(f'no slide "{name}"{did_you_mean(name, known, listed=30)}')
        wanted |= {slide.name: slide for slide in found or ()}
    return list(wanted.values())


def _slides_csv(slides: Sequence[Slide]) -> str:
    """Return the list of what is printed on the slides as CSV.

    Parameters
    ----------
    slides : sequence of Slide
        In the order of their numbers.

    Returns
    -------
    str
        A row a printed figure: number and name of the slide, id of the claim, text as printed. No
        cell is one that a spreadsheet takes for a formula.
    """
    import csv
    import io

    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["number", "slide", "claim", "text"])
    for number, slide in enumerate(slides, start=1):
        writer.writerows(
            [number, slide.name, claim.id, csv_cell(text)] for claim, text in slide.printed
        )
    return stream.getvalue()


def write_slides(book: ClaimBook, folder: Path, wanted: SlideSet = SlideSet()) -> list[Path]:
    """Write slides as SVG and PNG, and `slides.csv`; all are drawn before any is written.

    Parameters
    ----------
    book : ClaimBook
    folder : Path
        Made if it is not there.
    wanted : SlideSet

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    UsageError
        If size, ground or a slide is not known, or a slide's words do not fit: all at once.
    """
    for value, known, what in (
        (wanted.size, SIZES, "size"), (wanted.ground, GROUNDS, "ground")
    ):  # fmt: skip
        if value not in known:
            raise UsageError(f'no {what} "{value}"; there are {", ".join(known)}')
    slides = make_slides(book, wanted.only)
    if not slides:
        raise UsageError(f"{book.review}: its claims give no slide (a review page has them)")
    plain = SlideSet()
    tail = "".join(
        f"-{value}"
        for value, usual in ((wanted.size, plain.size), (wanted.ground, plain.ground))
        if value != usual
    )
    files: dict[str, bytes] = {"slides.csv": _slides_csv(slides).encode()}
    refused = []
    for number, slide in enumerate(slides, start=1):
        _PROGRESS.info("drawing slides: %d of %d", number, len(slides))
        try:
            drawn = slide.to_files(
                number=number,
                size=wanted.size,
                ground=wanted.ground,
                house=book.names.get("style", {}),
            )
        except UsageError as error:
            refused.append(str(error))
            continue
        stem = file_stem(f"{number:02d}", slide.name) + tail
        files |= {f"{stem}.{ending}": data for ending, data in drawn.items()}
    if refused:
        raise UsageError("\n".join(refused))
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in files]
