"""Claims of suite margins, name gaps and closure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from kit.claims.claim import Claim
from kit.claims.parts import Subject, cell_id, gap_id, make_claim, margin_id, suite_id
from kit.margins.consistency import Closure, NameGap
from kit.margins.suites import SuiteMargin
from kit.review.walk import Results, Review
from kit.rounding import count_text, ratio_text
from kit.settings.params import METRICS

HEADLINE = METRICS[0]


def suite_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the claims of each suite margin: both intervals, range, counts, influence.

    Groups other than "all" are stated for the averages of the reviewed product only.
    """
    for suite in results.suites:
        main = suite.product == review.params.product and suite.metric == HEADLINE
        if not main and suite.suite != "all":
            continue
        yield from _suite(suite, locale=review.params.locale)
        if main and suite.suite == "all":
            yield from _influence(suite, locale=review.params.locale)


def gap_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the gap of one name between classes, with the two suite margins it is made of."""
    for gap in results.gaps:
        yield from _gap(gap, locale=review.params.locale)


def closure_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield, for each triple, chained and direct margin of averages, and how they differ."""
    for closure in results.closures:
        if closure.metric == HEADLINE:
            yield from _closure(closure, locale=review.params.locale)


def _suite(suite: SuiteMargin, *, locale: str) -> Iterator[Claim]:
    subject = _suite_subject(suite)
    yield make_claim(
        suite_id(suite),
        subject,
        kind="suite",
        method="suite-these-titles",
        value=suite.ratio,
        low=suite.low,
        high=suite.high,
        confidence=suite.confidence,
        unit="ratio",
        outcome=suite.outcome,
        text=ratio_text(suite.ratio, suite.low, suite.high, locale=locale),
    )
    below = _below(suite)
    yield make_claim(
        _sub_id(suite, "suite_like"),
        below,
        kind="suite_like",
        method="suite-titles-like-these",
        value=suite.ratio,
        low=suite.like_low,
        high=suite.like_high,
        confidence=suite.confidence,
        unit="ratio",
        text=ratio_text(suite.ratio, suite.like_low, suite.like_high, locale=locale),
    )
    for name, ratio, title in (
        ("suite_smallest", suite.smallest, suite.smallest_title),
        ("suite_largest", suite.largest, suite.largest_title),
    ):
        yield make_claim(
            _sub_id(suite, name),
            replace(below, title=title),
            kind=name,
            method="suite-range",
            value=ratio,
            unit="ratio",
            text=ratio_text(ratio, suite.low, suite.high, locale=locale),
        )
    for outcome, count in suite.counts.items():
        yield make_claim(
            f"{_sub_id(suite, 'suite_count')}/{outcome}",
            below,
            kind="suite_count",
            method="suite-count",
            value=float(count),
            unit="titles",
            outcome=outcome,
            text=count_text(count, locale=locale),
        )
    if suite.ratio_all_runs is not None:
        yield make_claim(
            _sub_id(suite, "suite_all_runs"),
            replace(subject, marks=["all_runs"]),
            kind="suite_all_runs",
            method="margin-all-runs",
            value=suite.ratio_all_runs,
            unit="ratio",
            text=ratio_text(suite.ratio_all_runs, suite.low, suite.high, locale=locale),
        )


def _influence(suite: SuiteMargin, *, locale: str) -> Iterator[Claim]:
    for title, ratio in suite.influence.items():
        yield make_claim(
            f"{_sub_id(suite, 'influence')}/without-{title}",
            replace(_below(suite), title=title),
            kind="influence",
            method="suite-influence",
            value=ratio,
            unit="ratio",
            text=ratio_text(ratio, suite.low, suite.high, locale=locale),
        )


def _gap(gap: NameGap, *, locale: str) -> Iterator[Claim]:
    sides = []
    for side, suite in (("here", gap.here), ("there", gap.there)):
        side_id = f"gap_{side}/{gap.metric}/{suite.product}-over-{suite.baseline}"
        sides.append(side_id)
        yield make_claim(
            side_id,
            _suite_subject(suite),
            kind=f"gap_{side}",
            method="suite-these-titles",
            value=suite.ratio,
            low=suite.low,
            high=suite.high,
            confidence=suite.confidence,
            unit="ratio",
            outcome=suite.outcome,
            text=ratio_text(suite.ratio, suite.low, suite.high, locale=locale),
        )
    subject = Subject(
        metric=gap.metric,
        product=gap.here_new,
        baseline=gap.there_new,
        inputs=sides,
        runs=gap.trace.run_ids(),
        marks=gap.marks,
    )
    yield make_claim(
        gap_id(gap),
        subject,
        kind="gap",
        method="name-gap",
        value=gap.ratio,
        low=gap.low,
        high=gap.high,
        confidence=gap.confidence,
        unit="ratio",
        text=ratio_text(gap.ratio, gap.low, gap.high, locale=locale),
    )


def _closure(closure: Closure, *, locale: str) -> Iterator[Claim]:
    base = f"closure/{closure.metric}/{closure.a}-over-{closure.b}-over-{closure.c}"
    cells = [
        cell_id(product, title, closure.metric)
        for product in (closure.a, closure.b, closure.c)
        for title in closure.titles
    ]
    for name in ("chained", "direct", "chained_own", "direct_own", "difference"):
        ratio: float = getattr(closure, name)
        subject = Subject(
            metric=closure.metric,
            product=closure.a,
            baseline=closure.c,
            inputs=cells if name == "chained" else [f"{base}/chained"],
        )
        yield make_claim(
            f"{base}/{name}",
            subject,
            kind="closure",
            method="closure",
            value=ratio,
            unit="ratio",
            text=ratio_text(ratio, locale=locale),
        )


def _suite_subject(suite: SuiteMargin) -> Subject:
    return Subject(
        metric=suite.metric,
        product=suite.product,
        baseline=suite.baseline,
        inputs=[margin_id(margin) for margin in suite.margins],
        runs=[run for margin in suite.margins for cell in margin.cells for run in cell.runs],
        marks=suite.marks,
    )


def _below(suite: SuiteMargin) -> Subject:
    """Return the subject of a figure that is part of a suite's claim: its trace is the suite's."""
    return replace(_suite_subject(suite), inputs=[suite_id(suite)], runs=(), marks=())


def _sub_id(suite: SuiteMargin, name: str) -> str:
    return suite_id(suite).replace("suite/", f"{name}/", 1)
