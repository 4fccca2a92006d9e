"""Price against performance: prices in force, efficient frontier, cost per frame, each rival.

Which observed prices count follows from the window of dates, the currency and the scenarios.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from kit.bench.prices import LAUNCH, RATE, SCENARIO, PriceRow
from kit.margins.cells import BY_FIGURES, Cell
from kit.margins.suites import SuiteMargin
from kit.settings.metric import HEADLINE
from kit.settings.params import ValueParams
from kit.trace import Trace


@dataclass(frozen=True, slots=True)
class _Price:
    """A product's price of one kind: the median of the observations in force, and their span.

    `values` are the observations in the review's currency, in the order of `observations`; `rates`
    are the rate rows that turned them into it. Marks: ``converted``, ``old_rate``, ``old_price``
    (the newest observation is old), ``old_price_in_part``, ``single_price`` (one observation:
    nothing says how far prices spread), ``scenario: <name>`` and ``beside_<kind>_prices``.

    Attributes
    ----------
    kind : str
        As in `prices.csv` ("launch", "street", ...), or a scenario's.
    price, lowest, highest : float
        Median and span, in `currency`.
    observations : tuple of PriceRow
        Rows of `prices.csv`; none where a scenario supposes the price.
    """

    product: str
    kind: str
    currency: str
    price: float
    lowest: float
    highest: float
    observations: tuple[PriceRow, ...]
    marks: tuple[str, ...] = ()
    values: tuple[float, ...] = ()
    rates: tuple[PriceRow, ...] = ()


@dataclass(frozen=True, slots=True)
class _PricesInForce:
    """The prices a review counts, and everything it does not count with the reason."""

    currency: str
    kinds: tuple[str, ...]  # in the order of the params, scenarios last
    prices: Mapping[tuple[str, str], _Price]  # (product, kind)
    left_out: Mapping[tuple[str, str], str]  # (product, kind) -> why there is no price
    rows_left_out: tuple[tuple[PriceRow, str], ...] = ()


def _prices_in_force(
    rows: Sequence[PriceRow],
    *,
    params: ValueParams,
    review_date: dt.date,
    products: Sequence[str] | None = None,
) -> _PricesInForce:
    """Return the price of each product and kind that a review counts.

    Parameters
    ----------
    rows : sequence of PriceRow
        All rows of `prices.csv`.
    params : ValueParams
        Currency, kinds, window of dates, scenarios.
    review_date : date
        The review's date. Without `params.until`, street and used prices and rates dated later do
        not count: a review built again next year must not change because rows were added.
    products : sequence of str, optional
        The products of the review; without it, every product in `rows` and scenarios.

    Returns
    -------
    _PricesInForce
        Per product and kind the median and the span of the observations.

    Notes
    -----
    Every launch row counts, whatever its date. Rows in the review's own currency are preferred: a
    product that has any is not priced from another market as well. Other currencies are converted
    by the rate nearest in date to the observation (of two as near, the earlier one). In a scenario
    every product without a price of its own in it stands at its street price (at its last kind in
    `params.kinds`, where street prices do not count).
    """
    kinds = tuple(dict.fromkeys(kind.casefold() for kind in params.kinds))
    if products is None:
        named = [row.product for row in rows if row.product]
        products = tuple(dict.fromkeys(named + [s.product for s in params.scenarios]))
    until = params.until or review_date
    rates = [row for row in rows if row.kind == RATE and row.date <= until]
    chosen: dict[tuple[str, str], list[PriceRow]] = {}
    outside: dict[tuple[str, str], int] = {}
    rows_left_out: list[tuple[PriceRow, str]] = []
    for row in rows:
        if row.kind == RATE or row.product not in products:
            continue
        key = (row.product, row.kind)
        if row.kind not in kinds:
            rows_left_out.append((row, f'kind "{row.kind}" is not among value.kinds'))
        elif row.kind != LAUNCH and params.since and row.date < params.since:
            rows_left_out.append((row, f"before {params.since}, where the window of dates begins"))
            outside[key] = outside.get(key, 0) + 1
        elif row.kind != LAUNCH and row.date > until:
            rows_left_out.append((row, f"after {until}, where the window of dates ends"))
            outside[key] = outside.get(key, 0) + 1
        else:
            chosen.setdefault(key, []).append(row)
    prices: dict[tuple[str, str], _Price] = {}
    left_out: dict[tuple[str, str], str] = {}
    for kind in kinds:
        for product in products:
            key = (product, kind)
            if key in chosen:
                price = _settle(key, chosen[key], rates, params, review_date, rows_left_out)
                if price is not None:
                    prices[key] = price
                else:
                    found = ", ".join(sorted({row.currency for row in chosen[key]}))
                    left_out[key] = (
                        f"{kind} price only in {found}, and prices.csv holds no rate "
                        f"from it to {params.currency}"
                    )
            elif key in outside:
                left_out[key] = (
                    f"no {kind} price within the window of dates ({outside[key]} outside)"
                )
            else:
                left_out[key] = f"no {kind} price in prices.csv"
    scenarios = _scenarios(prices, left_out, params, kinds, products)
    return _PricesInForce(
        params.currency, kinds + scenarios, prices, left_out, tuple(rows_left_out)
    )


def _settle(
    key: tuple[str, str],
    rows: Sequence[PriceRow],
    rates: Sequence[PriceRow],
    params: ValueParams,
    review_date: dt.date,
    rows_left_out: list[tuple[PriceRow, str]],
) -> _Price | None:
    """Return the price of one product and kind, or None where no row can be used.

    Parameters
    ----------
    key : (str, str)
        Product, kind.
    rows : sequence of PriceRow
        Those within the window of dates.
    rates : sequence of PriceRow
        Rates of exchange up to the end of the window.
    params : ValueParams
    review_date : date
        Prices older than `params.old_days` before it are marked.
    rows_left_out : list of (PriceRow, str)
        Gets each row that does not count, with why.
    """
    product, kind = key
    own = [row for row in rows if row.currency == params.currency]
    used: list[tuple[PriceRow, float, PriceRow | None]] = [(row, row.price, None) for row in own]
    for row in rows:
        if row.currency == params.currency:
            continue
        rate = None if own else _nearest_rate(row, rates, params.currency)
        if rate is not None:
            used.append((row, row.price * rate.price, rate))
        elif own:
            rows_left_out.append(
                (row, f"the product has {kind} prices in {params.currency}, which come first")
            )
        else:
            rows_left_out.append((row, f"no rate from {row.currency} to {params.currency}"))
    if not used:
        return None
    values = tuple(value for _, value, _ in used)
    marks: list[str] = []
    if any(rate for _, _, rate in used):
        marks.append("converted")
    if any(rate and abs((rate.date - row.date).days) > params.old_days for row, _, rate in used):
        marks.append("old_rate")
    if kind != LAUNCH:
        oldest = review_date - dt.timedelta(days=params.old_days)
        old = [row.date < oldest for row, _, _ in used]
        if any(old):
            marks.append("old_price" if all(old) else "old_price_in_part")
        if len(used) == 1:
            marks.append("single_price")
    return _Price(
        product, kind, params.currency, statistics.median(values), min(values), max(values),
        tuple(row for row, _, _ in used), tuple(marks), values,
        tuple(dict.fromkeys(rate for _, _, rate in used if rate)),
    )  # fmt: skip


def _nearest_rate(row: PriceRow, rates: Sequence[PriceRow], currency: str) -> PriceRow | None:
    """Return the rate for a row's currency that is nearest to it in date.

    Parameters
    ----------
    row : PriceRow
        A price in another currency.
    rates : sequence of PriceRow
    currency : str
        The review's. A rate that names the pair comes before one that names the row's currency
        alone.

    Returns
    -------
    PriceRow or None
        Of two as near, the earlier.
    """
    fitting = [r for r in rates if r.currency in (row.currency, f"{row.currency}/{currency}")]
    # A pair says into which currency it leads; the plain form is for reviews of one currency only.
    named = [r for r in fitting if r.of_pair] or fitting
    return min(named, key=lambda r: (abs((r.date - row.date).days), r.date), default=None)


def _scenarios(
    prices: dict[tuple[str, str], _Price],
    left_out: dict[tuple[str, str], str],
    params: ValueParams,
    kinds: tuple[str, ...],
    products: Sequence[str],
) -> tuple[str, ...]:
    """Add the prices of each scenario; return the scenarios' kinds.

    Parameters
    ----------
    prices : dict of (str, str) to Price
        By product and kind; gets those supposed, and the others' real ones beside them.
    left_out : dict of (str, str) to str
        Gets why a product has no price in a scenario.
    params : ValueParams
    kinds : tuple of str
        Kinds of real prices: others stand at their street price, or at the last of these.
    products : sequence of str
    """
    beside = "street" if "street" in kinds or not kinds else kinds[-1]
    names = dict.fromkeys(scenario.name for scenario in params.scenarios)
    named: dict[str, str] = {}
    for name in names:
        named[_scenario_kind(name, taken=(*kinds, *named))] = name
    for kind, name in named.items():
        asked = {s.product: s.price for s in params.scenarios if s.name == name}
        for product in products:
            base = prices.get((product, beside))
            if product in asked:
                price = asked[product]
                prices[product, kind] = _Price(
                    product, kind, params.currency, price, price, price, (),
                    (f"scenario: {name}",), (price,),
                )  # fmt: skip
            elif base is not None:
                marks = (*base.marks, f"beside_{beside}_prices")
                prices[product, kind] = replace(base, kind=kind, marks=marks)
            else:
                left_out[product, kind] = left_out.get((product, beside), f"no {beside} price")
    return tuple(named)


def _scenario_kind(name: str, *, taken: Sequence[str]) -> str:
    """Return a scenario's kind: a plain word that can stand in a claim's id."""
    word = SCENARIO + (re.sub(r"[^a-z0-9._]+", "-", name.casefold()).strip("-") or "unnamed")
    kind, number = word, 2
    while kind in taken:
        kind, number = f"{word}-{number}", number + 1
    return kind


Status = Literal["on", "dominated", "extendedly_dominated", "tie"]


@dataclass(frozen=True, slots=True)
class _Place:
    """Where one product stands: its status, and the products (by index) that put it there.

    `beaten_by` holds the products that dominate it; for "extendedly_dominated" the two frontier
    products on either side, for "tie" the others with its price and rate. `step_cost` is the cost
    of one more unit of rate, from the next cheaper place on the frontier to this one.
    """

    status: Status
    beaten_by: tuple[int, ...] = ()
    step_cost: float | None = None


def find_frontier(costs: Sequence[float], rates: Sequence[float]) -> tuple[_Place, ...]:
    """Return each product's place on the efficient frontier.

    Parameters
    ----------
    costs, rates : sequence of float
        Price and performance of each product, in the same order. Finite.

    Returns
    -------
    tuple of Place
        One per product, in the order given.

    Raises
    ------
    ValueError
        If the two differ in length or hold a value that is not finite.

    Notes
    -----
    A product is dominated where another is no worse in both and better in one; equal in both is a
    tie, and both are kept. It is extendedly dominated where the step to it from the next cheaper
    frontier product costs more per unit of rate than the step beyond it: a buyer between the two
    neighbours gets more per unit of money from one of them. Equal means equal to one part in 1e9.
    """
    if len(costs) != len(rates) or not all(map(math.isfinite, (*costs, *rates))):
        raise ValueError("costs and rates must be finite and of one length")
    count = len(costs)
    # One of each set of twins (equal in both) stands for all of them.
    twins: dict[int, tuple[int, ...]] = {}
    for i in range(count):
        for j in twins:
            if _same(costs[i], costs[j]) and _same(rates[i], rates[j]):
                twins[j] = (*twins[j], i)
                break
        else:
            twins[i] = (i,)
    places: dict[int, _Place] = {}
    for i, alike in twins.items():
        beaten_by = [
            k
            for j, others in twins.items()
            if j != i
            and (costs[j] < costs[i] or _same(costs[j], costs[i]))
            and (rates[j] > rates[i] or _same(rates[j], rates[i]))
            for k in others
        ]
        if beaten_by:
            places.update(dict.fromkeys(alike, _Place("dominated", tuple(sorted(beaten_by)))))
    left = [i for i in twins if i not in places]
    left.sort(key=lambda i: costs[i])
    hull: list[int] = []
    for i in left:
        while len(hull) >= 2:
            before, middle = hull[-2:]
            to_middle = (costs[middle] - costs[before]) / (rates[middle] - rates[before])
            beyond = (costs[i] - costs[middle]) / (rates[i] - rates[middle])
            if to_middle <= beyond or _same(to_middle, beyond):
                break
            hull.pop()
        hull.append(i)
    for i in left:
        place = _hull_place(i, hull, costs, rates, twins)
        for twin in twins[i]:
            others = tuple(j for j in twins[i] if j != twin)
            tied = place.status == "on" and bool(others)
            places[twin] = _Place("tie", others, place.step_cost) if tied else place
    return tuple(places[i] for i in range(count))


def _hull_place(
    i: int,
    hull: Sequence[int],
    costs: Sequence[float],
    rates: Sequence[float],
    twins: dict[int, tuple[int, ...]],
) -> _Place:
    """Return the place of a product no other dominates.

    Parameters
    ----------
    i : int
        Its index, the first of its twins.
    hull : sequence of int
        Products on the frontier, from the cheapest up.
    costs, rates : sequence of float
        Of every product.
    twins : dict of int to tuple of int
        Products equal in both, by the first of them.
    """
    if i in hull:
        at = hull.index(i)
        if at == 0:
            return _Place("on")
        before = hull[at - 1]
        return _Place("on", (), (costs[i] - costs[before]) / (rates[i] - rates[before]))
    below = [j for j in hull if costs[j] < costs[i]][-1]
    above = next(j for j in hull if costs[j] > costs[i])
    return _Place("extendedly_dominated", (*twins[below], *twins[above]))


def _same(a: float, b: float) -> bool:
    """Return whether two figures are equal to one part in 1e9."""
    return math.isclose(a, b, rel_tol=1e-9)


@dataclass(frozen=True, slots=True)
class Standing:
    """One product at one kind of price: cost per frame per second, and its place on the frontier.

    `suite_fps` is the geometric mean of the product's averages over the titles every priced
    product shares; `frontier` is "on", "dominated", "extendedly_dominated", "tie", or "other_class"
    for a product in another class of machine than the reviewed one: who needs the one cannot take
    the other instead.
    """

    product: str
    kind: str
    suite_fps: float
    cost_per_fps: float
    cost_per_fps_low: float
    cost_per_fps_high: float
    frontier: str
    dominated_by: tuple[str, ...]
    marks: tuple[str, ...]
    trace: Trace


@dataclass(frozen=True, slots=True)
class Weighing:
    """The reviewed product against one rival at one kind of price.

    premium = price / rival's price; `equal_value_price` = rival's price x the suite margin's ratio,
    at which both cost the same per frame; `cut_needed` = how much of the product's price would have
    to go (a share; 0.0 where none).
    """

    product: str
    rival: str
    kind: str
    price: _Price
    rival_price: _Price
    premium: float
    premium_low: float
    premium_high: float
    equal_value_price: float
    equal_value_low: float
    equal_value_high: float
    cut_needed: float
    marks: tuple[str, ...]
    trace: Trace
    cut_needed_low: float = 0.0
    cut_needed_high: float = 0.0


@dataclass(frozen=True, slots=True)
class Value:
    """All that was weighed, by kind of price.

    Attributes
    ----------
    titles : tuple of str
        Those every product that stands side by side has an average in.
    standings : tuple of Standing
        By kind, products in the order of the params.
    weighings : tuple of Weighing
        The reviewed product against each rival, by kind.
    """

    currency: str
    titles: tuple[str, ...]
    standings: tuple[Standing, ...]
    weighings: tuple[Weighing, ...]
    prices: Mapping[tuple[str, str], _Price]  # (product, kind)
    left_out: Mapping[tuple[str, str], str]  # (product, kind) -> why it is not weighed
    kinds: tuple[str, ...] = ()
    rows_left_out: tuple[tuple[PriceRow, str], ...] = ()


def weigh_products(
    cells: Sequence[Cell],
    suites: Sequence[SuiteMargin],
    prices: Sequence[PriceRow],
    *,
    params: ValueParams,
    products: Sequence[str],
    review_date: dt.date,
    weights: Mapping[str, float] | None = None,
    classes: Mapping[str, str] | None = None,
) -> Value:
    """Weigh the reviewed product and its rivals against their prices.

    Parameters
    ----------
    cells : sequence of Cell
        Averages of every product in every title; other metrics among them are passed over.
    suites : sequence of SuiteMargin
        The margins of the reviewed product over each rival, and of any two other products that are
        to be weighed; those of the average over the suite "all" count.
    prices : sequence of PriceRow
        Rows of `prices.csv`.
    params : ValueParams
        Which prices count.
    products : sequence of str
        The reviewed product first, then what it is set against.
    review_date : date
        Prices later than this do not count where params name no end; old ones are marked.
    weights : mapping of str to float, optional
        Stated weights of titles; a title not named weighs 1.
    classes : mapping of str to str, optional
        Each product's class of machine. Without it all stand on one frontier.

    Returns
    -------
    Value
        With the reason for whatever has a price but is not weighed, or no price.

    Notes
    -----
    Intervals of prices and of margins are combined by interval arithmetic: the low end of the price
    of equal value is the rival's lowest price times the low end of the margin, the high end the
    highest times the high end. A span of observed prices is no confidence interval; so combined,
    the result holds for every price observed, with at least the margin's confidence.
    """
    product, *rivals = products
    whole = [s for s in suites if (s.suite, s.metric) == ("all", HEADLINE)]
    others = [s for s in whole if s.product != product or s.baseline not in rivals]
    named = dict.fromkeys([*products, *(p for s in others for p in (s.product, s.baseline))])
    force = _prices_in_force(prices, params=params, review_date=review_date, products=tuple(named))
    averages: dict[str, dict[str, Cell]] = {}
    for cell in cells:
        if cell.metric == HEADLINE:
            averages.setdefault(cell.product, {})[cell.title] = cell
    priced = [p for p in products if any(p == key[0] for key in force.prices)]
    compared, titles = _shared_titles(
        product, [p for p in priced if p != product], averages, params.min_title_share
    )
    margins = {s.baseline: s for s in whole if s.product == product}
    alone = [name for name in priced if name not in compared or not titles]
    left_out = {**force.left_out, **_too_few_titles(alone, force, averages, products, params)}
    standings: list[Standing] = []
    weighings: list[Weighing] = []
    for kind in force.kinds:
        if titles:
            here = [(p, force.prices[p, kind]) for p in compared if (p, kind) in force.prices]
            rates = [_suite_fps(averages[p], titles, weights or {}) for p, _ in here]
            places = _places(here, rates, classes or {}, product)
            standings += _stand(here, rates, places, averages, titles, margins, product)
        for rival in rivals:
            pair = (force.prices.get((product, kind)), force.prices.get((rival, kind)))
            if pair[0] is None or pair[1] is None:
                continue
            if rival in margins:
                weighings.append(_weigh(pair[0], pair[1], margins[rival], titles))
            else:
                left_out.setdefault((rival, kind), f"no suite margin of {product} over it")
        for other in others:
            sides = [force.prices.get((p, kind)) for p in (other.product, other.baseline)]
            if sides[0] is not None and sides[1] is not None:
                weighings.append(_weigh(sides[0], sides[1], other, titles))
    return Value(
        currency=force.currency, titles=titles, standings=tuple(standings),
        weighings=tuple(weighings), prices=force.prices, left_out=left_out, kinds=force.kinds,
        rows_left_out=force.rows_left_out,
    )  # fmt: skip


def _too_few_titles(
    names: Sequence[str],
    force: _PricesInForce,
    averages: Mapping[str, Mapping[str, Cell]],
    products: Sequence[str],
    params: ValueParams,
) -> dict[tuple[str, str], str]:
    """Return why each price of products that share too few titles with the others is left out."""
    mine = averages.get(products[0], {})
    return {
        (name, kind): (
            f"averages in {len(averages.get(name, {}).keys() & mine.keys())} of the {len(mine)} "
            f"titles of {products[0]}; to stand beside the others a share of "
            f"{params.min_title_share:g} is asked"
        )
        for name in names
        for kind in force.kinds
        if (name, kind) in force.prices
    }


def _shared_titles(
    product: str,
    others: Sequence[str],
    averages: Mapping[str, Mapping[str, Cell]],
    min_share: float,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the products that can stand side by side, and the titles they share.

    The product whose absence gains the most titles goes first, until the titles left are a share
    of at least `min_share` of the reviewed product's.
    """
    mine = averages.get(product, {})
    kept = [p for p in others if averages.get(p)]

    def shared(names: Sequence[str]) -> list[str]:
        return [t for t in mine if all(t in averages[name] for name in names)]

    while kept and len(shared(kept)) < min_share * len(mine):
        # Of equal gains the product with the fewest titles goes, the later one where these tie.
        gains = {name: len(shared([p for p in kept if p != name])) for name in kept}
        kept.remove(
            min(
                reversed(kept),
                key=lambda name: (-gains[name], len(averages[name].keys() & mine.keys())),
            )
        )
    return (product, *kept), tuple(shared(kept))


def _places(
    priced: Sequence[tuple[str, _Price]],
    rates: Sequence[float],
    classes: Mapping[str, str],
    reviewed: str,
) -> list[_Place | None]:
    """Return each product's place among those of the reviewed product's class, None outside it.

    Parameters
    ----------
    priced : sequence of (str, Price)
        Products at one kind of price.
    rates : sequence of float
        Suite average of each, in frames per second.
    classes : mapping of str to str
        Class of machine by product; one not named is in the class of none.
    reviewed : str
    """
    peers = [i for i, (p, _) in enumerate(priced) if classes.get(p) == classes.get(reviewed)]
    found = find_frontier([priced[i][1].price for i in peers], [rates[i] for i in peers])
    places: list[_Place | None] = [None] * len(priced)
    for i, place in zip(peers, found, strict=True):
        places[i] = replace(place, beaten_by=tuple(peers[j] for j in place.beaten_by))
    return places


def _stand(
    priced: Sequence[tuple[str, _Price]],
    rates: Sequence[float],
    places: Sequence[_Place | None],
    averages: Mapping[str, Mapping[str, Cell]],
    titles: Sequence[str],
    margins: Mapping[str, SuiteMargin],
    reviewed: str,
) -> list[Standing]:
    """Return the standing of each product at one kind of price.

    Parameters
    ----------
    priced : sequence of (str, Price)
    rates : sequence of float
        Suite averages, in frames per second, in the same order.
    places : sequence of Place or None
        On the frontier, in the same order; None in another class of machine.
    averages : mapping of str to mapping of str to Cell
        By product and title.
    titles : sequence of str
        Those all share: the trace leads to their cells.
    margins : mapping of str to SuiteMargin
        Of the reviewed product, by rival: their marks are carried on.
    reviewed : str
    """
    peers = [entry for entry, place in zip(priced, places, strict=True) if place is not None]
    standings = []
    for (product, price), fps, place in zip(priced, rates, places, strict=True):
        cells = [averages[product][title] for title in titles]
        marks = [*price.marks, *(m for c in cells for m in c.marks if m != "frames_only")]
        if product in margins:
            marks += margins[product].marks
        kept = place is not None and place.status in {"on", "tie"}
        if kept and _leads_unresolved(product, price, peers, margins, reviewed):
            marks.append("frontier_unresolved")
        standings.append(
            Standing(
                product=product,
                kind=price.kind,
                suite_fps=fps,
                cost_per_fps=price.price / fps,
                cost_per_fps_low=price.lowest / fps,
                cost_per_fps_high=price.highest / fps,
                frontier=place.status if place else "other_class",
                dominated_by=tuple(priced[i][0] for i in place.beaten_by) if place else (),
                marks=tuple(dict.fromkeys(marks)),
                trace=Trace(
                    "weigh_products",
                    f"value/{price.kind}/cost_per_fps/{product}",
                    _price_label(price),
                    tuple(cell.trace for cell in cells),
                ),
            )
        )
    return standings


def _suite_fps(
    averages: Mapping[str, Cell], titles: Sequence[str], weights: Mapping[str, float]
) -> float:
    """Return the weighted geometric mean of a product's averages.

    Parameters
    ----------
    averages : mapping of str to Cell
        By title.
    titles : sequence of str
        Those all products share.
    weights : mapping of str to float
        Stated weights; a title not named weighs 1.

    Returns
    -------
    float
        Frames per second.
    """
    shares = [weights.get(title, 1.0) for title in titles]
    logs = [math.log(averages[title].value) for title in titles]
    return math.exp(math.fsum(w * x for w, x in zip(shares, logs, strict=True)) / math.fsum(shares))


def _leads_unresolved(
    product: str,
    price: _Price,
    priced: Sequence[tuple[str, _Price]],
    margins: Mapping[str, SuiteMargin],
    reviewed: str,
) -> bool:
    """Whether a product keeps its place by a lead over a cheaper one that is not resolved.

    Notes
    -----
    Only pairs with the reviewed product have a margin with an interval; of two rivals nothing is
    said.
    """
    for other, other_price in priced:
        rival = other if product == reviewed else product
        if other == product or reviewed not in (product, other) or rival not in margins:
            continue
        settled = margins[rival].outcome in {"ahead", "behind", "above", "below"}
        if not settled and other_price.price <= price.price:
            return True
    return False


def _weigh(
    price: _Price, rival_price: _Price, suite: SuiteMargin, titles: Sequence[str]
) -> Weighing:
    """Return the reviewed product against one rival.

    Parameters
    ----------
    price, rival_price : Price
        Of one kind, in one currency.
    suite : SuiteMargin
        Without an interval its ratio stands for both ends, which is marked.
    titles : sequence of str
        Those the standings are made of: a margin over others is marked.
    """
    marks = [*price.marks, *rival_price.marks, *suite.marks]
    low, high = suite.low, suite.high
    if low is None or high is None:
        by_figures = suite.outcome in BY_FIGURES
        marks.append("figures_alone" if by_figures else "no_margin_interval")
        low = high = suite.ratio
    if set(suite.titles) != set(titles):
        # The margin's own titles, more than all priced products share: it need not equal the
        # ratio of the two standings.
        marks.append("titles_differ_from_standings")
    equal = rival_price.price * suite.ratio
    equal_low, equal_high = rival_price.lowest * low, rival_price.highest * high
    kind = price.kind
    return Weighing(
        product=suite.product,
        rival=suite.baseline,
        kind=kind,
        price=price,
        rival_price=rival_price,
        premium=price.price / rival_price.price,
        premium_low=price.lowest / rival_price.highest,
        premium_high=price.highest / rival_price.lowest,
        equal_value_price=equal,
        equal_value_low=equal_low,
        equal_value_high=equal_high,
        cut_needed=max(0.0, 1.0 - equal / price.price),
        cut_needed_low=max(0.0, 1.0 - equal_high / price.lowest),
        cut_needed_high=max(0.0, 1.0 - equal_low / price.highest),
        marks=tuple(dict.fromkeys(marks)),
        trace=Trace(
            "weigh_products",
            f"value/{kind}/{suite.product}-over-{suite.baseline}",
            f"{_price_label(price)}; {_price_label(rival_price)}",
            (suite.trace,),
        ),
    )


def _price_label(price: _Price) -> str:
    """Return where a price comes from: lines of `prices.csv`, or the params."""
    if not price.observations:
        return f"{price.product}: {price.price:g} {price.currency} supposed in the params"
    lines = ", ".join(str(row.line) for row in price.observations)
    rates = ", ".join(str(row.line) for row in price.rates)
    return f"{price.product}: prices.csv, line {lines}" + (
        f", rate in line {rates}" if rates else ""
    )
