"""Claims of what has moved on the bench since the runs of before."""

from __future__ import annotations

from collections.abc import Iterator

from kit.claims.claim import Claim
from kit.claims.parts import Subject, make_claim
from kit.margins.compare import Margin
from kit.margins.drift import Drift
from kit.margins.suites import SuiteMargin
from kit.review.walk import Results, Review
from kit.rounding import ratio_text


def drift_id(drift: Drift) -> str:
    """Return the id of the claim of the drift of the products run again."""
    return f"drift/{drift.metric}/{drift.title or 'all-titles'}/these"


def others_id(drift: Drift) -> str:
    """Return the id of the claim of the same drift for products that were not run again."""
    return f"drift/{drift.metric}/{drift.title or 'all-titles'}/others"


def anchor_id(drift: Drift, anchor: str) -> str:
    """Return the id of the claim of one product's drift."""
    return f"drift_anchor/{drift.metric}/{drift.title or 'all-titles'}/{anchor}"


def drift_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield, for each title and over all, the drift of each product run again and of them all."""
    locale = review.params.locale
    for drift in results.drifts:
        for anchor, part in drift.parts.items():
            yield make_claim(
                anchor_id(drift, anchor),
                Subject(
                    metric=drift.metric,
                    product=anchor,
                    title=drift.title,
                    inputs=_inputs(drift, anchor, part),
                    runs=part.trace.run_ids(),
                    marks=part.marks,
                ),
                kind="drift_anchor",
                method="drift" if isinstance(part, Margin) else "drift-anchor",
                value=part.ratio,
                low=part.low,
                high=part.high,
                confidence=part.confidence,
                unit="ratio",
                outcome=part.outcome,
                text=ratio_text(part.ratio, part.low, part.high, locale=locale),
            )
        subject = Subject(
            metric=drift.metric,
            title=drift.title,
            inputs=[anchor_id(drift, anchor) for anchor in drift.anchors],
            runs=drift.trace.run_ids(),
            marks=drift.marks,
        )
        yield make_claim(
            drift_id(drift),
            subject,
            kind="drift",
            method="drift-of-these",
            value=drift.ratio,
            low=drift.low,
            high=drift.high,
            confidence=drift.confidence,
            unit="ratio",
            outcome=drift.outcome,
            text=ratio_text(drift.ratio, drift.low, drift.high, locale=locale),
        )
        if drift.like_low is not None:
            yield make_claim(
                others_id(drift),
                subject,
                kind="drift",
                method="drift-of-others",
                value=drift.ratio,
                low=drift.like_low,
                high=drift.like_high,
                confidence=drift.confidence,
                unit="ratio",
                text=ratio_text(drift.ratio, drift.like_low, drift.like_high, locale=locale),
            )


def _inputs(drift: Drift, anchor: str, part: Margin | SuiteMargin) -> list[str]:
    if isinstance(part, Margin):
        return [f"run/{drift.metric}/{run}" for run in part.trace.run_ids()]
    return [f"drift_anchor/{drift.metric}/{title}/{anchor}" for title in drift.titles]
