"""The object an analyst holds in a notebook: one review, opened."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from kit.review.walk import load_review, work_out

if TYPE_CHECKING:
    from kit.claims.claim import ClaimBook
    from kit.review.health import Health
    from kit.review.look_into import Look
    from kit.review.walk import Results, Review


class OpenReview:
    """One review: its runs when it is opened, its results and claims when they are asked for.

    Attributes
    ----------
    review : Review
        Params, bench and runs: read, hashed, measured and screened.
    """

    def __init__(self, review: Review) -> None:
        self.review = review

    def __repr__(self) -> str:
        params, used = self.review.params, len(self.review.used)
        return (
            f"<review {params.review}: {len(params.products)} products, "
            f"{len(self.review.titles)} titles, {used} of {len(self.review.rows)} runs used>"
        )

    @cached_property
    def results(self) -> Results:
        """Cells, margins, suites and standings, worked out once."""
        return work_out(self.review)

    @cached_property
    def claims(self) -> ClaimBook:
        """Every figure of the review's page, with its identity and trace."""
        from kit.claims.of_pages import make_claims

        return make_claims(self.review, self.results)


def open_review(params: str | Path, *, bench: str | Path | None = None) -> OpenReview:
    """Open a review: read its params, bench and raw logs, screen and measure its runs.

    Parameters
    ----------
    params : str or Path
        The params file.
    bench : str or Path, optional
        Read this bench in place of the one the file names.

    Raises
    ------
    KitError
        `ParamsError`, `BenchError`, `RunFileError` or `ControlError`, each with every fault found
        at its step.
    """
    return OpenReview(load_review(params, bench_folder=None if bench is None else Path(bench)))


def bench_health(params: str | Path) -> Health:
    """Return what is stale and missing on the bench of a review, and what to run first.

    Raises
    ------
    KitError
        As `open_review`.
    """
    from kit.review.health import measure_health

    opened = open_review(params)
    return measure_health(opened.review, opened.results)


def look(params: str | Path) -> Look:
    """Look into the runs of one product in one title, as the section `look` of params says.

    Raises
    ------
    KitError
        As `open_review`; `UsageError` where there is no run of that product in that title.
    """
    from kit.review.look_into import look_into

    return look_into(open_review(params).review)
