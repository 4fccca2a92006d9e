"""Where bench time is best spent: which run to make next, and which titles gain most."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class CellTime:
    """One product in one title: its spread from run to run, its runs so far, what a run costs."""

    product: str
    title: str
    run_sd: float  # of ln values
    runs: int
    minutes_per_run: float
    can_run: bool = True  # False: its runs so far are all there are


@dataclass(frozen=True, slots=True)
class NextRun:
    """One run to make next. `minutes` counts from the first; `suite_se` is what is left then.

    `suite_se` is the standard error of ln suite margin, root mean square over the baselines; None
    while a title is not yet run on every product.
    """

    place: int
    product: str
    title: str
    runs_after: int
    minutes: float
    suite_se: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class TitleGain:
    """What one more run of a title on every product would bring.

    `variance_share` is the title's share of the suite's variance so far, `gain_share` the part of
    the suite's variance that one more run on each product takes away; both among the titles that
    have runs on every product, None for a title that a product lacks. `to_run` and `minutes` are
    what the plan still asks of the title; `fits`: whether that is within the budget, titles that
    ask least coming first.
    """

    title: str
    variance_share: float | None
    gain_share: float | None
    gain_minutes: float
    to_run: int
    minutes: float
    fits: bool | None


def find_next_runs(
    cells: Sequence[CellTime], *, product: str, budget_minutes: float, min_runs: int
) -> tuple[NextRun, ...]:
    """Return the runs that a budget of bench time is best spent on, in order.

    Parameters
    ----------
    cells : sequence of CellTime
        Every product in every title.
    product : str
        The reviewed product, which is part of every margin.
    budget_minutes : float
        Time there is.
    min_runs : int
        At least 1. Cells with fewer runs come first, whatever their spread, title by title.

    Returns
    -------
    tuple of NextRun

    Notes
    -----
    Each run is the one that takes most from the mean variance of the suite margins per minute,
    among those that still fit. The variance of ln suite margin is the sum over titles of
    run_sd^2 / runs on both sides, over the squared number of titles: a run of the reviewed product
    helps every margin, a rival's only its own. One run at a time is the best order for a sum of
    terms that each fall ever more slowly, where runs cost alike.
    """
    now = list(cells)
    shares = _shares(cells, product)
    steps: list[NextRun] = []
    spent = 0.0
    while True:
        left = budget_minutes * (1 + 1e-12) - spent
        fitting = [i for i, c in enumerate(now) if c.can_run and c.minutes_per_run <= left]
        short = [i for i in fitting if now[i].runs < min_runs]
        if short:
            best = _least_complete(now, short, min_runs)
            reason = f"fewer than {min_runs} runs"
        else:
            best = max(
                fitting,
                key=lambda i: (_fall(now[i], shares[i]) / now[i].minutes_per_run, -i),
                default=-1,
            )
            reason = "takes most from the suite's variance per minute"
        if best < 0 or (not short and _fall(now[best], shares[best]) <= 0):
            return tuple(steps)
        chosen = replace(now[best], runs=now[best].runs + 1)
        now[best] = chosen
        spent += chosen.minutes_per_run
        variance = suite_variance(now, product=product)
        steps.append(
            NextRun(
                place=len(steps) + 1,
                product=chosen.product,
                title=chosen.title,
                runs_after=chosen.runs,
                minutes=spent,
                suite_se=None if variance is None else math.sqrt(variance),
                reason=reason,
            )
        )


def _least_complete(cells: Sequence[CellTime], short: Sequence[int], min_runs: int) -> int:
    """Return the next cell to bring to `min_runs`: a title at a time, the quickest to finish first.

    A title that one product lacks tells nothing, so a title begun is finished.
    """
    missing: dict[str, float] = {}
    for cell in cells:
        minutes = max(0, min_runs - cell.runs) * cell.minutes_per_run
        missing[cell.title] = missing.get(cell.title, 0.0) + minutes * cell.can_run
    return min(short, key=lambda i: (missing[cells[i].title], cells[i].title, cells[i].runs, i))


def suite_variance(cells: Sequence[CellTime], *, product: str) -> float | None:
    """Return the variance of ln suite margin, mean over the baselines; None with an empty cell."""
    if any(cell.runs == 0 for cell in cells):
        return None
    shares = _shares(cells, product)
    return math.fsum(w * c.run_sd**2 / c.runs for w, c in zip(shares, cells, strict=True))


def _shares(cells: Sequence[CellTime], product: str) -> list[float]:
    """Return what each cell's variance counts in the mean variance of the suite margins."""
    titles = len({cell.title for cell in cells})
    baselines = max(1, len({cell.product for cell in cells} - {product}))
    return [(1.0 if c.product == product else 1.0 / baselines) / titles**2 for c in cells]


def _fall(cell: CellTime, share: float) -> float:
    """Return how far the mean variance falls by one more run of a cell that has runs."""
    return share * cell.run_sd**2 / (cell.runs * (cell.runs + 1))


def rank_titles(
    cells: Sequence[CellTime],
    *,
    product: str,
    planned: Sequence[int],
    budget_minutes: float | None,
) -> tuple[TitleGain, ...]:
    """Return the titles, those first that gain most from another run on every product.

    Parameters
    ----------
    cells : sequence of CellTime
        Every product in every title.
    product : str
        The reviewed product.
    planned : sequence of int
        Runs the plan asks of each cell, in the same order.
    budget_minutes : float or None
        Time there is; without it nothing is said of what fits.
    """
    empty = {cell.title for cell in cells if cell.runs == 0}
    complete = [cell for cell in cells if cell.title not in empty]
    whole = suite_variance(complete, product=product) if complete else None
    shares = dict(zip(complete, _shares(complete, product), strict=True))
    rows: list[TitleGain] = []
    for title in dict.fromkeys(cell.title for cell in cells):
        mine = [(i, cell) for i, cell in enumerate(cells) if cell.title == title]
        share = gain = None
        if title not in empty and whole:
            share = math.fsum(shares[c] * c.run_sd**2 / c.runs for _, c in mine) / whole
            gain = math.fsum(_fall(c, shares[c]) for _, c in mine if c.can_run) / whole
        missing = [
            (max(0, planned[i] - cell.runs), cell.minutes_per_run)
            for i, cell in mine
            if cell.can_run
        ]
        rows.append(
            TitleGain(
                title=title,
                variance_share=share,
                gain_share=gain,
                gain_minutes=math.fsum(c.minutes_per_run for _, c in mine if c.can_run),
                to_run=sum(count for count, _ in missing),
                minutes=math.fsum(count * minutes for count, minutes in missing),
                fits=None,
            )
        )
    if budget_minutes is not None:
        spent = 0.0
        for row in sorted(rows, key=lambda row: row.minutes):
            fits = spent + row.minutes <= budget_minutes * (1 + 1e-12)
            spent += row.minutes
            rows[rows.index(row)] = replace(row, fits=fits)
    # A title that a product lacks altogether comes first: it has no margin at all.
    return tuple(
        sorted(
            rows,
            key=lambda row: (
                -math.inf
                if row.gain_share is None
                else -row.gain_share / max(row.gain_minutes, 1e-9)
            ),
        )
    )


def within_run_sd(profiles: NDArray[np.float64]) -> float | None:
    """Return the part of the spread between runs that comes from their being short.

    Parameters
    ----------
    profiles : ndarray of float, shape (n_runs, n_stretches)
        Mean frame time in stretches of equal time, of runs of one product in one title, > 0.

    Returns
    -------
    float or None
        Standard error of one run's ln average from what varies inside runs; None with fewer than 2
        runs or 4 stretches.

    Notes
    -----
    The scene is the same in every run, so what differs from stretch to stretch in all runs alike is
    no error: it is taken out, with each run's own level, and what remains is averaged over the
    run. Neighbouring stretches that move together count for less, by (1 + r) / (1 - r) with r their
    lag-1 correlation, where that is positive.
    """
    if profiles.ndim != 2 or profiles.shape[0] < 2 or profiles.shape[1] < 4:
        return None
    logs = np.log(profiles)
    runs, stretches = logs.shape
    rest = logs - logs.mean(axis=0) - logs.mean(axis=1, keepdims=True) + logs.mean()
    squares = float((rest**2).sum())
    if squares <= 1e-24 * logs.size:
        return 0.0
    variance = squares / ((runs - 1) * (stretches - 1))
    lag1 = float((rest[:, 1:] * rest[:, :-1]).sum()) / squares
    # Taking out the mean of a run pulls its lag-1 correlation down by about (1 + 3 r) / stretches
    # (F. H. C. Marriott and J. A. Pope 1954, Biometrika 41, 390-402; from memory).
    lag1 = (lag1 + 1 / stretches) / (1 - 3 / stretches)
    lag1 = min(0.95, max(0.0, lag1))
    return math.sqrt(variance / stretches * (1 + lag1) / (1 - lag1))
