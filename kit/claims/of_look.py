"""Claims of a look into one product and title: what each run shows beyond its figures."""

from __future__ import annotations

from collections.abc import Iterator

from kit.claims.claim import Claim
from kit.claims.of_runs import LOW_METHODS
from kit.claims.parts import Subject, make_claim
from kit.review.look_into import Look, LookedRun, look_into
from kit.review.walk import Review
from kit.rounding import count_text, fps_text, share_text
from kit.settings.params import METRICS


def run_claim_id(kind: str, run: str, *more: str) -> str:
    """Return the id of a claim of one run looked into."""
    return "/".join(("look", kind, *more, run))


def share_claim_id(look: Look, metric: str) -> str:
    """Return the id of the claim of the share of the spread that frames alone explain."""
    return f"look/share_within/{metric}/{look.title}/{look.product}"


def look_claims(review: Review) -> Iterator[Claim]:
    """Yield, for each run, hitches, time over budget, lows by every definition and diagnostics."""
    look = look_into(review)
    for run in look.runs:
        yield from _of_run(run, review)
    used = [run.run for run in look.runs if run.used]
    for metric, share in look.share_within.items():
        if share is None:
            continue
        subject = Subject(
            metric=metric,
            product=look.product,
            title=look.title,
            inputs=[run_claim_id("within_sd", run, metric) for run in used],
            runs=used,
        )
        yield make_claim(
            share_claim_id(look, metric),
            subject,
            kind="share_within",
            method="share-within",
            value=share,
            unit="share",
            text=share_text(share, locale=review.params.locale),
        )


def _of_run(run: LookedRun, review: Review) -> Iterator[Claim]:
    locale = review.params.locale

    def subject(metric: str) -> Subject:
        return Subject(
            metric=metric,
            product=run.metrics.product,
            title=run.metrics.title,
            inputs=[run.run],
            runs=[run.run] if run.used else [],
            set_aside=[] if run.used else [run.run],
            marks=[] if run.used else ["set_aside"],
        )

    yield make_claim(
        run_claim_id("hitches", run.run),
        subject("hitches"),
        kind="look",
        method="hitches-in-run",
        value=float(len(run.hitches)),
        unit="hitches",
        text=count_text(len(run.hitches), locale=locale),
    )
    for hz, share in run.metrics.over_budget.items():
        yield make_claim(
            run_claim_id("over_budget", run.run, f"{hz:g}hz"),
            subject(f"over_{hz:g}hz"),
            kind="look",
            method="budget-in-run",
            value=share,
            unit="share",
            text=share_text(share, locale=locale),
        )
    for definition, lows in run.metrics.lows.items():
        for metric, value in lows.items():
            yield make_claim(
                run_claim_id("low", run.run, definition, metric),
                subject(metric),
                kind="look",
                method=LOW_METHODS[definition],
                value=value,
                unit="fps",
                text=fps_text(value, locale=locale),
            )
    for metric in METRICS:
        if metric not in run.blocks.within_sd:
            continue
        yield make_claim(
            run_claim_id("within_sd", run.run, metric),
            subject(metric),
            kind="look",
            method="within-run-error",
            value=run.blocks.within_sd[metric],
            unit="share",
            text=share_text(run.blocks.within_sd[metric], locale=locale),
        )
        yield make_claim(
            run_claim_id("effective_frames", run.run, metric),
            subject(metric),
            kind="look",
            method="effective-frames",
            value=run.blocks.effective_frames[metric],
            unit="frames",
            text=count_text(round(run.blocks.effective_frames[metric]), locale=locale),
        )
