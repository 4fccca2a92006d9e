"""Results to claims: `make_claims` calls the maker of each kind in its order."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from kit.claims.claim import Claim, ClaimBook, RunRecord, file_sha256
from kit.claims.of_drift import drift_claims
from kit.claims.of_health import health_claims
from kit.claims.of_look import look_claims
from kit.claims.of_plan import plan_claims
from kit.claims.of_power import energy_claims, level_claims
from kit.claims.of_runs import (
    cell_claims,
    count_claims,
    margin_claims,
    run_claims,
    specification_claims,
    within_claims,
)
from kit.claims.of_suites import closure_claims, gap_claims, suite_claims
from kit.claims.of_value import value_claims
from kit.planning.planned_review import planned_titles
from kit.review.look_into import look_into
from kit.review.walk import Results, Review, load_review, work_out


def make_claims(review: Review, results: Results) -> ClaimBook:
    """Return every figure of a review's page as a claim, with the runs under them.

    Which figures these are follows from the params: see `ReviewParams.page`.
    """
    claims: dict[str, Claim] = {}
    for made in _makers(review, results):
        for claim in made:
            claims[claim.id] = claim
    params = review.params
    return ClaimBook(
        review=params.review,
        title=params.title,
        byline=params.byline,
        date=params.date.isoformat(),
        product=params.product,
        kit_version=kit_version(),
        params_file=review.loaded.path.name,
        params_sha256=file_sha256(review.loaded.path),
        settings=params.model_dump(mode="json", by_alias=True),
        layouts={
            name: review.bench.layouts[name].model_dump(mode="json")
            for name in sorted({row.layout for row in review.rows if row.layout})
        },
        claims=tuple(claims.values()),
        runs=_records_shown(review),
        names={
            "products": {p: review.bench.products[p].name for p in params.products},
            "titles": {t: review.bench.titles[t].name for t in _titles_named(review)},
        },
    )


def _makers(review: Review, results: Results) -> tuple[Iterable[Claim], ...]:
    """Return what makes the claims of the page that params name a template of."""
    page = review.params.page
    if page == "frame_times":
        look = look_into(review)
        own = [
            claim
            for claim in (*run_claims(review), *cell_claims(review, results))
            if (claim.product, claim.title) == (look.product, look.title)
        ]
        return own, look_claims(review)
    if page == "bench_health":
        return (
            run_claims(review),
            drift_claims(review, results),
            health_claims(review, results),
            count_claims(review),
        )
    if page == "plan":
        return plan_claims(review), count_claims(review)
    return (
        run_claims(review),
        cell_claims(review, results),
        within_claims(review, results),
        margin_claims(review, results),
        level_claims(review, results),
        suite_claims(review, results),
        gap_claims(review, results),
        closure_claims(review, results),
        drift_claims(review, results),
        energy_claims(review, results),
        value_claims(review, results),
        specification_claims(review),
        count_claims(review),
    )


def recompute_claims(params_path: Path, bench_folder: Path) -> ClaimBook:
    """Return the claims of a review made afresh from its raw logs (what `verify` compares with)."""
    review = load_review(params_path, bench_folder=bench_folder)
    return make_claims(review, work_out(review))


def kit_version() -> str:
    """Return the version of the kit that makes the claims."""
    try:
        return version("marginbook")
    except PackageNotFoundError:
        return "0+unknown"


def _titles_named(review: Review) -> tuple[str, ...]:
    """Return the titles a page may name: a plan has those that nothing ran yet too."""
    if review.params.page == "plan":
        return planned_titles(review.params, review.bench)
    return review.titles


def _records_shown(review: Review) -> tuple[RunRecord, ...]:
    """Return the records of the runs a page may name: those of one cell, or of the review."""
    records = run_records(review)
    if review.params.page != "frame_times":
        return records
    look = look_into(review)
    return tuple(r for r in records if (r.product, r.title) == (look.product, look.title))


def run_records(review: Review) -> tuple[RunRecord, ...]:
    """Return every row of the review's run sheet: used, set aside, or why it did not run."""
    records = []
    for row in review.rows:
        measured = review.metrics.get(row.run)
        signs = review.signs.get(row.run)
        aside = review.screened.set_aside.get(row.run, "")
        reason = aside or ("" if measured else f"{row.status}: {row.reason}")
        records.append(
            RunRecord(
                id=row.run,
                product=row.product,
                title=row.title,
                file=row.log,
                sha256=(signs.sha256 if signs else "") or row.row_sha256,
                frames=signs.frames if signs else 0,
                used=measured is not None and not aside,
                reason=reason,
                layout=row.layout,
                status=row.status,
                session=row.session,
                began=row.began.isoformat() if row.began else "",
                duration_s=signs.duration_s if signs else 0.0,
                conditions=dict(row.conditions),
                flags=tuple(
                    flag.rule
                    for flag in review.screened.flags
                    if flag.run == row.run and flag.action == "flag"
                ),
            )
        )
    return tuple(records)
