"""Claims of prices, cost per frame per second, and the weighing against each rival."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from kit.claims.claim import Claim
from kit.claims.parts import Subject, cell_id, make_claim
from kit.review.walk import Results, Review
from kit.rounding import fps_text, money_text, ratio_text, share_text
from kit.settings.params import METRICS
from kit.value.prices_in_force import Price
from kit.value.weigh import Standing, Value, Weighing

HEADLINE = METRICS[0]


def value_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield every figure of the value section; none where the review has no prices."""
    value, locale = results.value, review.params.locale
    if value is None:
        return
    for (product, kind), price in value.prices.items():
        yield _price(value, product, kind, price, locale=locale)
    for standing in value.standings:
        yield from _standing(value, standing, locale=locale)
    for weighing in value.weighings:
        yield from _weighing(value, weighing, locale=locale)


def _price(value: Value, product: str, kind: str, price: Price, *, locale: str) -> Claim:
    sources = [f"source: {row.source}, {row.date.isoformat()}" for row in price.observations]
    return make_claim(
        f"value/{kind}/price/{product}",
        Subject(product=product, marks=[*price.marks, *sources]),
        kind="price",
        method="price" if price.observations else "scenario-price",
        value=price.price,
        low=price.lowest,
        high=price.highest,
        unit=value.currency,
        text=money_text(price.price, value.currency, price.lowest, price.highest, locale=locale),
    )


def _standing(value: Value, standing: Standing, *, locale: str) -> Iterator[Claim]:
    base = f"value/{standing.kind}"
    subject = Subject(
        metric=HEADLINE,
        product=standing.product,
        inputs=[cell_id(standing.product, title, HEADLINE) for title in value.titles],
        runs=standing.trace.run_ids(),
        marks=standing.marks,
    )
    fps_id = f"{base}/suite_fps/{standing.product}"
    yield make_claim(
        fps_id,
        subject,
        kind="suite_fps",
        method="suite-fps",
        value=standing.suite_fps,
        unit="fps",
        text=fps_text(standing.suite_fps, locale=locale),
    )
    yield make_claim(
        f"{base}/cost_per_fps/{standing.product}",
        replace(subject, inputs=[f"{base}/price/{standing.product}", fps_id]),
        kind="cost_per_fps",
        method="cost-per-fps",
        value=standing.cost_per_fps,
        low=standing.cost_per_fps_low,
        high=standing.cost_per_fps_high,
        unit=f"{value.currency}/fps",
        text=money_text(
            standing.cost_per_fps,
            value.currency,
            standing.cost_per_fps_low,
            standing.cost_per_fps_high,
            decimals=2,
            locale=locale,
        ),
    )


def _weighing(value: Value, weighing: Weighing, *, locale: str) -> Iterator[Claim]:
    pair = f"{weighing.product}-over-{weighing.rival}"
    base = f"value/{weighing.kind}"
    own_price, rival_price = (
        f"{base}/price/{product}" for product in (weighing.product, weighing.rival)
    )
    equal_id = f"{base}/equal_value_price/{pair}"
    subject = Subject(
        metric=HEADLINE,
        product=weighing.product,
        baseline=weighing.rival,
        inputs=[own_price, rival_price],
        runs=weighing.trace.run_ids(),
        marks=weighing.marks,
    )
    yield make_claim(
        f"{base}/premium/{pair}",
        subject,
        kind="premium",
        method="premium",
        value=weighing.premium,
        low=weighing.premium_low,
        high=weighing.premium_high,
        unit="ratio",
        text=ratio_text(weighing.premium, locale=locale),
    )
    yield make_claim(
        equal_id,
        replace(subject, inputs=[rival_price, f"suite/{HEADLINE}/all/{pair}"]),
        kind="equal_value_price",
        method="equal-value-price",
        value=weighing.equal_value_price,
        low=weighing.equal_value_low,
        high=weighing.equal_value_high,
        unit=value.currency,
        text=money_text(
            weighing.equal_value_price,
            value.currency,
            weighing.equal_value_low,
            weighing.equal_value_high,
            locale=locale,
        ),
    )
    yield make_claim(
        f"{base}/cut_needed/{pair}",
        replace(subject, inputs=[own_price, equal_id]),
        kind="cut_needed",
        method="cut-needed",
        value=weighing.cut_needed,
        low=weighing.cut_needed_low,
        high=weighing.cut_needed_high,
        unit="share",
        text=share_text(weighing.cut_needed, locale=locale),
    )
