"""Claims of a plan: runs to make, time, and the smallest margins they resolve."""

from __future__ import annotations

import math
from collections.abc import Iterator

from kit.claims.claim import Claim
from kit.claims.parts import Subject, make_claim
from kit.planning.planned import PlannedCell, PlannedMargin
from kit.planning.planned_review import plan_of_review
from kit.review.walk import Review
from kit.rounding import count_text, ratio_text


def planned_id(cell: PlannedCell) -> str:
    """Return the id of the claim of the runs to make of one product in one title."""
    return f"plan/runs/{cell.title}/{cell.product}"


def smallest_id(margin: PlannedMargin) -> str:
    """Return the id of the claim of the smallest margin that the runs planned resolve."""
    return f"plan/smallest/{margin.title}/{margin.product}-over-{margin.baseline}"


def plan_claims(review: Review) -> Iterator[Claim]:
    """Yield the runs to make of each product and title, their time, and what they resolve."""
    planned = plan_of_review(review)
    locale = review.params.locale
    plan = planned.plan
    there: dict[tuple[str, str], list[str]] = {}
    for m in review.used:
        there.setdefault((m.product, m.title), []).append(m.run)
    total = sum(cell.to_run for cell in plan.cells)
    yield make_claim(
        "plan/runs",
        Subject(metric="to_run", product=plan.product),
        kind="plan",
        method="planned-runs",
        value=float(total),
        unit="runs",
        text=count_text(total, locale=locale),
    )
    yield make_claim(
        "plan/minutes",
        Subject(metric="minutes", product=plan.product, inputs=["plan/runs"]),
        kind="plan",
        method="planned-time",
        value=plan.minutes,
        unit="minutes",
        text=count_text(round(plan.minutes), locale=locale),
    )
    yield make_claim(
        "plan/margin",
        Subject(metric="asked", product=plan.product),
        kind="plan",
        method="asked",
        value=plan.ratio,
        unit="ratio",
        text=ratio_text(plan.ratio, locale=locale),
    )
    for cell in plan.cells:
        yield make_claim(
            planned_id(cell),
            Subject(
                metric="to_run",
                product=cell.product,
                title=cell.title,
                runs=there.get((cell.product, cell.title), []),
            ),
            kind="plan",
            method="planned-runs",
            value=float(cell.to_run),
            unit="runs",
            text=count_text(cell.to_run, locale=locale),
        )
    for margin in plan.margins:
        if not math.isfinite(margin.smallest_ratio):
            continue  # no margin, however large, is resolved: the page says so
        yield make_claim(
            smallest_id(margin),
            Subject(
                metric="smallest",
                product=margin.product,
                baseline=margin.baseline,
                title=margin.title,
                inputs=[
                    f"plan/runs/{margin.title}/{product}"
                    for product in (margin.product, margin.baseline)
                ],
            ),
            kind="plan_margin",
            method="smallest-resolved",
            value=margin.smallest_ratio,
            unit="ratio",
            text=ratio_text(margin.smallest_ratio, locale=locale),
        )
