"""Which observed prices are in force for a review: window of dates, currency, scenarios."""

from __future__ import annotations

import datetime as dt
import re
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from kit.bench.prices import LAUNCH, RATE, SCENARIO, PriceRow, is_pair
from kit.settings.params import ValueParams

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Price:
    """A product's price of one kind: the median of the observations in force, and their span.

    `values` are the observations in the review's currency, in the order of `observations`; `rates`
    are the rate rows that turned them into it. Marks: ``converted``, ``old_rate``, ``old_price``
    (the newest observation is old), ``old_price_in_part``, ``single_price`` (one observation:
    nothing says how far prices spread), ``scenario: <name>`` and ``beside_<kind>_prices``.
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
class PricesInForce:
    """The prices a review counts, and everything it does not count with the reason."""

    currency: str
    kinds: tuple[str, ...]  # in the order of the params, scenarios last
    prices: Mapping[tuple[str, str], Price]  # (product, kind)
    left_out: Mapping[tuple[str, str], str]  # (product, kind) -> why there is no price
    rows_left_out: tuple[tuple[PriceRow, str], ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """Return one row per price: product, kind, currency, price, span, dates, sources, marks."""
        import pandas as pd

        columns = [
            "product",
            "kind",
            "currency",
            "price",
            "lowest",
            "highest",
            "observations",
            "first_date",
            "last_date",
            "sources",
            "marks",
        ]
        return pd.DataFrame(
            [
                (
                    p.product,
                    p.kind,
                    p.currency,
                    p.price,
                    p.lowest,
                    p.highest,
                    len(p.observations),
                    min((o.date for o in p.observations), default=None),
                    max((o.date for o in p.observations), default=None),
                    "; ".join(dict.fromkeys(o.source for o in p.observations)),
                    "; ".join(p.marks),
                )
                for p in self.prices.values()
            ],
            columns=columns,
        )


def prices_in_force(
    rows: Sequence[PriceRow],
    *,
    params: ValueParams,
    review_date: dt.date,
    products: Sequence[str] | None = None,
) -> PricesInForce:
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
    PricesInForce
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
    prices: dict[tuple[str, str], Price] = {}
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
    return PricesInForce(params.currency, kinds + scenarios, prices, left_out, tuple(rows_left_out))


def _settle(
    key: tuple[str, str],
    rows: Sequence[PriceRow],
    rates: Sequence[PriceRow],
    params: ValueParams,
    review_date: dt.date,
    rows_left_out: list[tuple[PriceRow, str]],
) -> Price | None:
    """Return the price of one product and kind, or None where no row can be used."""
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
    return Price(
        product,
        kind,
        params.currency,
        statistics.median(values),
        min(values),
        max(values),
        tuple(row for row, _, _ in used),
        tuple(marks),
        values,
        tuple(dict.fromkeys(rate for _, _, rate in used if rate)),
    )


def _nearest_rate(row: PriceRow, rates: Sequence[PriceRow], currency: str) -> PriceRow | None:
    """Return the rate for a row's currency that is nearest to it in date."""
    fitting = [r for r in rates if r.currency in (row.currency, f"{row.currency}/{currency}")]
    # A pair says into which currency it leads; the plain form is for reviews of one currency only.
    named = [r for r in fitting if is_pair(r.currency)] or fitting
    return min(named, key=lambda r: (abs((r.date - row.date).days), r.date), default=None)


def _scenarios(
    prices: dict[tuple[str, str], Price],
    left_out: dict[tuple[str, str], str],
    params: ValueParams,
    kinds: tuple[str, ...],
    products: Sequence[str],
) -> tuple[str, ...]:
    """Add the prices of each scenario; return the scenarios' kinds."""
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
                prices[product, kind] = Price(
                    product,
                    kind,
                    params.currency,
                    price,
                    price,
                    price,
                    (),
                    (f"scenario: {name}",),
                    (price,),
                )
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
