"""Claims of how a bench stands: how well it repeats itself, what of it is old or missing."""

from __future__ import annotations

from collections.abc import Iterator

from kit.claims.claim import Claim
from kit.claims.parts import Subject, make_claim
from kit.margins.repeatability import BenchComponents, Repeatability
from kit.review.health import Health, measure_health
from kit.review.walk import Results, Review
from kit.rounding import count_text, share_text

COMPONENTS = ("run", "session", "interaction", "product", "title")


def spread_id(repeat: Repeatability, what: str) -> str:
    """Return the id of a claim of one title's spread."""
    return f"spread/{repeat.metric}/{repeat.title}/{what}"


def component_id(parts: BenchComponents, what: str) -> str:
    """Return the id of a claim of a component of a bench's spread."""
    return f"component/{parts.metric}/{what}"


def health_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the spread of each title, its components over the bench, and what is old or missing."""
    health = measure_health(review, results)
    for repeat in health.repeats:
        yield from _of_title(repeat, review)
    for parts in health.components:
        yield from _of_bench(parts, review)
    yield from _counts(health, review)


def _of_title(repeat: Repeatability, review: Review) -> Iterator[Claim]:
    locale = review.params.locale
    runs = [m.run for m in review.used if m.title == repeat.title and repeat.metric in m.values]
    subject = Subject(
        metric=repeat.metric,
        title=repeat.title,
        inputs=[f"run/{repeat.metric}/{run}" for run in runs],
        runs=runs,
    )
    if repeat.run_sd is not None:
        yield make_claim(
            spread_id(repeat, "run_sd"),
            subject,
            kind="spread",
            method="run-spread",
            value=repeat.run_sd,
            unit="share",
            text=share_text(repeat.run_sd, locale=locale),
        )
    for what, ratio in (
        ("repeatability", repeat.repeatability_limit),
        ("reproducibility", repeat.reproducibility_limit),
    ):
        if ratio is not None:
            yield make_claim(
                spread_id(repeat, what),
                subject,
                kind="spread",
                method=what,
                value=ratio,
                unit="ratio",
                text=share_text(ratio - 1, locale=locale),
            )


def _of_bench(parts: BenchComponents, review: Review) -> Iterator[Claim]:
    runs = [m.run for m in review.used if parts.metric in m.values]
    for what in COMPONENTS:
        spread: float | None = getattr(parts, f"{what}_sd")
        if spread is None:
            continue
        yield make_claim(
            component_id(parts, what),
            Subject(
                metric=parts.metric,
                inputs=[f"run/{parts.metric}/{run}" for run in runs],
                runs=runs,
            ),
            kind="component",
            method="bench-components",
            value=spread,
            unit="share",
            text=share_text(spread, locale=review.params.locale),
        )


def _counts(health: Health, review: Review) -> Iterator[Claim]:
    for name, count in (
        ("stale", len(health.stale)),
        ("gaps", len(health.gaps)),
        ("to_run", sum(task.runs for task in health.tasks)),
    ):
        yield make_claim(
            f"count/health/{name}",
            Subject(metric=name),
            kind="count",
            method="count",
            value=float(count),
            unit="runs" if name == "to_run" else "cells",
            text=count_text(count, locale=review.params.locale),
        )
    for task in health.tasks:
        yield make_claim(
            f"task/runs/{task.product}",
            Subject(metric="to_run", product=task.product),
            kind="task",
            method="count",
            value=float(task.runs),
            unit="runs",
            text=count_text(task.runs, locale=review.params.locale),
        )
        yield make_claim(
            f"task/minutes/{task.product}",
            Subject(metric="minutes", product=task.product),
            kind="task",
            method="planned-time",
            value=task.minutes,
            unit="minutes",
            text=count_text(round(task.minutes), locale=review.params.locale),
        )
