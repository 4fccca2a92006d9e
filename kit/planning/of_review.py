"""The plan of a review: what its params ask for, from what its bench shows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from kit.errors import UsageError
from kit.margins.cells import MIN_SHARED
from kit.margins.replicates import SharedVariances, pair_key
from kit.planning.bench_time import within_run_sd
from kit.planning.plan import Plan, plan_runs
from kit.settings.bench_file import Bench
from kit.settings.params import ReviewParams
from kit.stats.power import Design, SpreadDoubt, lent_degrees
from kit.stats.variance_fit import CAUTION, COMPONENT_FLOOR, FLAT, VarianceFit

Floats = NDArray[np.float64]


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
        made = sum((have or {}).get((p, t), 0) for p in params.products for t in titles)
        borrowed = shared_degrees(
            fit,
            products=1 + len(params.compared),
            runs=max(params.plan.min_runs, round(made / max(cells, 1))),
        )
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
        doubts=_doubts(params, titles, variances, have) if variances is not None else None,
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


def _doubts(
    params: ReviewParams,
    titles: Sequence[str],
    variances: SharedVariances,
    have: Mapping[tuple[str, str], int] | None,
) -> dict[tuple[str, str], SpreadDoubt]:
    """Return how far the spreads of the product and each baseline are from being known."""
    found = {}
    for baseline in params.compared:
        # With a product that is gone nothing is paired, see `plan_runs`.
        gone = params.plan is None or {params.product, baseline} & set(params.plan.cannot_run)
        for title in titles:
            kept = None
            if have:
                kept = (have.get((params.product, title), 0), have.get((baseline, title), 0))
            doubt = None
            if params.plan is not None and params.plan.paired and not gone:
                doubt = _pair_doubt(variances.pairs, pair_key(title, params.product, baseline))
                kept = None if kept is None else (min(kept), min(kept))
            if doubt is None and variances.cells is not None:
                doubt = spread_doubt(variances.cells, title, params.product, baseline)
            if doubt is not None:
                found[baseline, title] = replace(doubt, kept=kept)
    return found


def _pair_doubt(fit: VarianceFit | None, key: tuple[str, str]) -> SpreadDoubt | None:
    """Return what is not known of the spread of session differences, as of both sides alike."""
    place = fit.keys.get(key) if fit is not None else None
    if fit is None or place is None:
        return None
    mean, spread = _cell_moments(fit, place)
    weight = fit.title_weight[place]
    whole = float((weight * (spread + (mean - (weight * mean).sum()) ** 2)).sum())
    return SpreadDoubt(whole, whole, whole)


def spread_doubt(fit: VarianceFit, title: str, product: str, other: str) -> SpreadDoubt:
    """Return how far the spreads of two products in a title are from being known to a bench.

    Parameters
    ----------
    fit : VarianceFit
        Of the bench so far.
    title, product, other : str
        The title, and the products; `mine` of the result is the first.

    Returns
    -------
    SpreadDoubt
        From the distributions of both ln variances. A product without runs in the title is as
        doubtful as products differ, a title without runs as titles do besides; where a bench tells
        nothing of how far those differ, the spread reckoned with is taken for granted.
    """
    places = [fit.keys.get((title, name)) for name in (product, other)]
    known = next(
        (place for (name, _), place in fit.keys.items() if name == title),
        None,
    )
    apart = fit.product_var if fit.product_var < FLAT else 0.0
    if known is None:
        level = fit.title_var if fit.title_var < FLAT else 0.0
        return SpreadDoubt(level + apart, level + apart, level)
    weight = fit.title_weight[known]
    means, spreads = [], []
    for place in places:
        if place is None:
            mean, spread = fit.title_log_var[known], np.full(weight.shape, apart)
        else:
            mean, spread = _cell_moments(fit, place)
        means.append(mean - (weight * mean).sum())
        spreads.append(spread)
    return SpreadDoubt(
        mine=float((weight * (spreads[0] + means[0] ** 2)).sum()),
        other=float((weight * (spreads[1] + means[1] ** 2)).sum()),
        both=float((weight * means[0] * means[1]).sum()),
    )


def _cell_moments(fit: VarianceFit, place: int) -> tuple[Floats, Floats]:
    """Return mean and variance of a cell's ln variance at each node of its title's level."""
    log_var, weight = fit.log_var[place], fit.weight[place]
    mean = (weight * log_var).sum(axis=1)
    return mean, (weight * (log_var - mean[:, None]) ** 2).sum(axis=1)


def shared_degrees(fit: VarianceFit, *, products: int, runs: int) -> float:
    """Return the degrees of freedom that a review lends to the variance of each side of a margin.

    Parameters
    ----------
    fit : VarianceFit
        Of the bench so far.
    products, runs : int
        Products that will share a title, and runs of each, 2 or more.

    Notes
    -----
    What the others say of ln error variance of a margin is as uncertain as the sum of three: how
    far cells of a title differ, halved, for a margin has two; what is not known of the title's own
    level, which is learnt from the products in it that the margin does not compare, each as far as
    its own runs tell; and what is not known of the level of all, learnt from every cell of the
    bench. The last two are the same for both sides and not halved. Half of the degrees of freedom
    of that sum go to either side. A review's fit is as cautious about how far cells differ
    as its own runs make it: with fewer than the bench has, more so than the bench's.
    """
    noise = float(polygamma(1, (runs - 1) / 2))
    so_far = polygamma(1, fit.df[(fit.df > 0) & (np.nan_to_num(fit.run_var) > 0)] / 2)
    free = fit.cells_used - len({title for title, _ in fit.keys})
    product_var = fit.product_var
    if free > 0 and so_far.size:
        wider = CAUTION * math.sqrt(2 / free) * (noise - float(so_far.mean()))
        product_var = max(product_var + wider, COMPONENT_FLOOR)
    each = product_var + noise
    title_var = 0.0
    if fit.title_var > 0:
        title_var = 1 / (1 / fit.title_var + max(products - 2, 0) / each)
    level_var = each / max(fit.cells_used, 1)
    return min(lent_degrees(product_var / 2 + title_var + level_var) / 2, 1e6)


def _within(
    profiles: Mapping[tuple[str, str], Sequence[Sequence[float]]],
) -> dict[tuple[str, str], float]:
    """Return the spread inside runs of each cell whose runs can be laid side by side."""
    found = {}
    for key, runs in profiles.items():
        length = min((len(run) for run in runs), default=0)
        table: Floats = np.array([run[:length] for run in runs], dtype=np.float64)
        part = within_run_sd(table) if length else None
        if part is not None:
            found[key] = part
    return found
