"""What a review's settings and times leave open: said by `check`, changing no figure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from kit.bench.prices import RATE
from kit.bench.runs import RunRow
from kit.review.walk import Results, Review
from kit.screening.controls import compared_pairs, name_pairs
from kit.screening.flags import moment
from kit.settings.starting import STARTING_TEXTS

FAR_OFF_DAYS = 365
_SHOWN = 3


def remarks_on(review: Review, results: Results) -> tuple[str, ...]:
    """Return lines on what an analyst should look at before publishing.

    Untouched starting values, a date far from the runs, prices and waivers nothing uses, no runs at
    all, unlike parts compared as one name, and sides that were run in separate blocks of time or
    took turns without a session to say so.
    """
    return (*_of_settings(review), *_of_prices(review, results), *_of_time(review))


def _of_settings(review: Review) -> Iterator[str]:
    params, bench = review.params, review.bench
    for key, value in STARTING_TEXTS.items():
        if getattr(params, key) == value:
            yield f"{key} of params is still that of a new file: {value!r}"
    if not review.used:
        yield "no run is used: there is nothing to compare"
    days = [m for row in review.rows if (m := moment(row.began))]
    away = (params.date - max(days).date()).days if days else 0
    if abs(away) > FAR_OFF_DAYS:
        side = "after" if away > 0 else "before"
        yield f"the review's date {params.date} is {abs(away)} days {side} its newest run"
    touched = {(m.control, p) for m in review.controls.mismatches for p in (m.product, m.baseline)}
    for waiver in params.waivers:
        if not any((waiver.control, product) in touched for product in waiver.products):
            names = ", ".join(waiver.products)
            yield f"the waiver of {waiver.control} for {names} waives nothing: they are alike"
    for first, second in name_pairs(params):
        for pair in (first, second):
            parts = [
                bench.products[p].part or bench.products[p].name for p in (pair.here, pair.there)
            ]
            if parts[0] != parts[1]:
                told = " and ".join(parts)
                yield f"same_name pairs {pair.here} with {pair.there}, but they are {told}"


def _of_prices(review: Review, results: Results) -> Iterator[str]:
    value = review.params.value
    if value is None:
        return
    known = set(review.params.products)
    prices = [p for p in review.prices if p.product in known]
    for kind in value.kinds:
        if not any(p.kind == kind for p in prices):
            yield f"no product has a price of kind {kind}, which params ask for"
    if prices and results.value is None:
        yield "there are prices, but none could be used"
    others = {p.currency for p in prices} - {value.currency}
    rated = {p.currency for p in review.prices if p.kind == RATE}
    for currency in sorted(others - rated):
        yield f"prices in {currency} are not used: there is no rate to {value.currency}"


def _of_time(review: Review) -> Iterator[str]:
    """Yield pairs whose sides were run apart in time, or took turns."""
    used = {m.run for m in review.used}
    cells: dict[tuple[str, str], list[RunRow]] = {}
    for row in review.rows:
        if row.run in used and row.began is not None:
            cells.setdefault((row.product, row.title), []).append(row)
    for product, other in compared_pairs(review.params):
        apart: list[str] = []
        turns: dict[str, int] = {}
        for title in review.titles:
            sides = cells.get((product, title), []), cells.get((other, title), [])
            if min(map(len, sides)) < 2 or _share_sessions(*sides):
                continue
            blocks = _blocks(sides, (product, other))
            if len(blocks) == 2:
                apart.append(title)
            elif len(blocks) >= 4 and not any(row.session for side in sides for row in side):
                turns[title] = len(blocks) // 2
        if apart:
            yield (
                f"confounded with time: {product} and {other} were run one wholly before the other "
                f"in {_some(apart)}; what changed meanwhile is in their margins"
            )
        if turns:
            yield (
                f"could be paired: {product} and {other} took turns in {_some(list(turns))} "
                f"({min(turns.values())} rounds or more); give the rows of each round one session"
            )


def _share_sessions(one: Sequence[RunRow], other: Sequence[RunRow]) -> bool:
    """Return whether two sides share two sessions, and so are paired."""
    return len({r.session for r in one if r.session} & {r.session for r in other}) >= 2


def _blocks(sides: tuple[Sequence[RunRow], Sequence[RunRow]], names: tuple[str, str]) -> list[str]:
    """Return whose turn it was, in the order of time; nothing where runs have no time of day."""
    timed = [
        (m, name)
        for side, name in zip(sides, names, strict=True)
        for row in side
        if (m := moment(row.began))
    ]
    if len({m for m, _ in timed}) < len(timed):
        return []
    return [name for name, _ in groupby(name for _, name in sorted(timed))]


def _some(titles: Sequence[str]) -> str:
    return ", ".join(titles) if len(titles) <= _SHOWN else f"{len(titles)} titles"
