"""The plan of a review: what its params ask for, from what its bench shows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from kit.bench import Bench
from kit.benchtime import within_run_sd
from kit.cells import MIN_SHARED
from kit.errors import UsageError
from kit.params import ReviewParams
from kit.plan import Plan, plan_runs
from kit.power import Design, lent_degrees
from kit.variance import SharedVariances, pair_key
from kit.variancefit import VarianceFit


def plan_review(
    params: ReviewParams,
    bench: Bench,
    *,
    titles: Sequence[str],
    variances: SharedVariances | None = None,
    have: Mapping[tuple[str, str], int] | None = None,
    profiles: Mapping[tuple[str, str], Sequence[Sequence[float]]] | None = None,
) -> Plan:
    """Return the plan of a review, from what its bench shows.

    Parameters
    ----------
    params : ReviewParams
        With its section `plan`.
    bench : Bench
        The bench.
    titles : sequence of str
        What is to be run.
    variances : SharedVariances, optional
        Of the metric planned for; without it every spread is the stated default.
    have : mapping of (product, title) to int, optional
        Runs there are that will be used.
    profiles : mapping of (product, title) to sequences of float, optional
        `RunSigns.profile` of each run, for the best length of a run.

    Raises
    ------
    UsageError
        If the params have no section `plan`.
    """
    if params.plan is None:
        raise UsageError(
            "the params file has no section `plan`; add one with `margin` (a share: 0.03 where a "
            "lead of 3 % is to be resolved) and `seed`"
        )
    fit = variances.cells if variances is not None else None
    cells = (1 + len(params.compared)) * len(titles)
    design: Design = "shared"
    if params.plan.paired:
        design = "paired"
    elif params.margins.method == "welch" or (
        params.margins.method == "auto" and cells < MIN_SHARED
    ):
        design = "welch"
    borrowed = 0.0
    if fit is not None and design == "shared":
        borrowed = shared_degrees(fit, products=1 + len(params.compared), runs=params.plan.min_runs)
    return plan_runs(
        {title: bench.titles[title] for title in titles},
        params=params.plan,
        product=params.product,
        baselines=params.compared,
        confidence=params.margins.confidence,
        design=design,
        run_sd=variances.run_sd if variances is not None else None,
        have=have,
        borrowed_df=borrowed,
        within_sd=_within(profiles or {}),
        correlations=_correlations(params, titles, variances) if variances is not None else None,
    )


def _correlations(
    params: ReviewParams, titles: Sequence[str], variances: SharedVariances
) -> dict[tuple[str, str], float]:
    """Return the correlation within sessions of the product and each baseline, where it shows.

    From the spreads of both and of their differences by session: s12^2 = s1^2 + s2^2 - 2 r s1 s2.
    """
    found = {}
    for baseline in params.compared:
        for title in titles:
            apart = _pair_sd(variances.pairs, pair_key(title, params.product, baseline))
            mine, other = (variances.run_sd(p, title) for p in (params.product, baseline))
            if apart and mine and other:
                shared = (mine**2 + other**2 - apart**2) / (2 * mine * other)
                found[baseline, title] = min(0.95, max(-0.95, shared))
    return found


def _pair_sd(fit: VarianceFit | None, key: tuple[str, str]) -> float | None:
    """Return the spread of session differences, as `SharedVariances.run_sd` does of runs."""
    place = fit.keys.get(key) if fit is not None else None
    if fit is None or place is None:
        return None
    log_var = (fit.log_var[place] * fit.weight[place]).sum(axis=1)
    return math.exp(float((log_var * fit.title_weight[place]).sum()) / 2)


def shared_degrees(fit: VarianceFit, *, products: int, runs: int) -> float:
    """Return the degrees of freedom that a bench lends to the variance of one cell.

    Parameters
    ----------
    fit : VarianceFit
        Of the bench so far.
    products, runs : int
        Products that will share a title, and runs of each, 2 or more.

    Notes
    -----
    What the others say of a cell's ln variance is as uncertain as the sum of three: how far cells
    of a title differ; what is not known of the title's own level, which is learnt from the other
    products in it, each as far as its own runs tell; and what is not known of the level of all,
    learnt from every cell of the bench.
    """
    each = fit.product_var + float(polygamma(1, (runs - 1) / 2))
    title_var = 1 / (1 / fit.title_var + (products - 1) / each) if fit.title_var > 0 else 0.0
    level_var = each / max(fit.cells_used, 1)
    return min(lent_degrees(fit.product_var + title_var + level_var), 1e6)


def _within(
    profiles: Mapping[tuple[str, str], Sequence[Sequence[float]]],
) -> dict[tuple[str, str], float]:
    """Return the spread inside runs of each cell whose runs can be laid side by side."""
    found = {}
    for key, runs in profiles.items():
        length = min((len(run) for run in runs), default=0)
        table: NDArray[np.float64] = np.array([run[:length] for run in runs], dtype=np.float64)
        part = within_run_sd(table) if length else None
        if part is not None:
            found[key] = part
    return found
