"""Two-level empirical Bayes of run-to-run variances: arrays in, distributions of variances out."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, polygamma, wrightomega

Floats = NDArray[np.float64]

# Least variance of either effect: a component estimated as 0 is not known to be 0.
COMPONENT_FLOOR = 0.01
# Largest: at a standard deviation of 10 in ln variance hardly anything is shared as it is.
COMPONENT_CEILING = 100.0
# A component is taken this many of its standard errors above its estimate: what is not known of
# the components widens intervals, and most where a bench is small. Without it the nominal 95 %
# interval covered 0.943 in benches of three titles and two products; with it 0.95
# (tests/bench/coverage.py).
CAUTION = 0.25
# Variance of an effect about which nothing is known (standard deviation 100 in ln variance).
FLAT = 1e4
# Below this a variance of logarithms is the rounding of equal figures.
ZERO_VARIANCE = 1e-28
# Components of less weight go to the nearest bin.
NEGLIGIBLE = 1e-9
# Nodes of the quadrature, in standard deviations from the mode. The trapezoid rule converges
# fast on smooth integrands; sinh reaches the long upper tail of a variance from few runs.
_STRETCH = 0.5
_REACH = (-3.2, 5.6)
_LEAST_NODES, _MOST_NODES = 12, 24
_TITLE_NODES = np.linspace(-4.0, 4.0, 9)
_BINS = 80


@dataclass(frozen=True, slots=True, eq=False)
class VarianceFit:
    """The variances of the cells of one metric.

    ln variance of a cell = level + effect of its group + its own effect, both effects normal.

    Attributes
    ----------
    keys : mapping of (str, str) to int
        (title, product) to the cell's place, of the cells whose variance something is known of.
        Where sides are paired, the second is "a|b".
    run_var : ndarray of float, shape (n_cells,)
        Sample variance of the cell's ln values; NaN for a single run.
    df : ndarray of float, shape (n_cells,)
        Its degrees of freedom; 0 for a single run.
    level : float
        Mean ln variance.
    title_var, product_var : float
        Variance of ln variance between titles, and between products within a title, as used.
        `FLAT` where nothing could be said of it.
    cells_used : int
        Number of cells with a variance of their own that took part.
    log_var, weight : ndarray of float, shape (n_cells, n_title_nodes, n_effect_nodes)
        Nodes of a cell's ln variance at each node of its title's level, and their weights; they
        sum to 1 over the last axis.
    title_log_var, title_weight : ndarray of float, shape (n_cells, n_title_nodes)
        Nodes of the level of the cell's title, and their weights; alike for all its cells.
    """

    keys: Mapping[tuple[str, str], int]
    run_var: Floats
    df: Floats
    level: float
    title_var: float
    product_var: float
    cells_used: int
    log_var: Floats
    weight: Floats
    title_log_var: Floats
    title_weight: Floats


def fit_components(
    run_var: Floats, df: Floats, title: NDArray[np.intp], *, caution: float = 0.0
) -> tuple[float, float, float, float]:
    """Return the components of ln variance, estimated by moments.

    Parameters
    ----------
    run_var, df : ndarray of float, shape (n_cells,)
        Sample variances > 0 and their degrees of freedom >= 1.
    title : ndarray of int, shape (n_cells,)
        Number of each cell's title, from 0.
    caution : float
        How many of its standard errors each component is raised by.

    Returns
    -------
    level, level_var, title_var, product_var : float
        Mean ln variance and the variance of that estimate; variance between titles; variance
        between products within a title. `FLAT` where there is nothing to estimate from.

    Notes
    -----
    ln of a sample variance with v degrees of freedom is ln of the true one plus noise of mean
    digamma(v/2) - ln(v/2) and variance trigamma(v/2). Both sums of squares are weighted by the
    inverse of the variance they have under the components found, three times over.
    """
    noise = polygamma(1, df / 2)
    x = np.log(run_var) - digamma(df / 2) + np.log(df / 2)
    n_titles = int(title.max()) + 1
    n_within = x.size - n_titles
    product_var, product_se = COMPONENT_FLOOR, 0.0
    for _ in range(3 if n_within else 0):
        w = 1 / (noise + product_var)
        total = np.bincount(title, w, n_titles)
        mean = np.bincount(title, w * x, n_titles) / total
        share = w * (1 - w / total[title])
        found = (w * (x - mean[title]) ** 2).sum() - (share * noise).sum()
        product_var = float(np.clip(found / share.sum(), COMPONENT_FLOOR, COMPONENT_CEILING))
        product_se = np.sqrt(2 * n_within) / share.sum()
    w = 1 / (noise + product_var)
    total = np.bincount(title, w, n_titles)
    mean = np.bincount(title, w * x, n_titles) / total
    title_var, title_se = (COMPONENT_FLOOR, 0.0) if n_titles > 1 else (FLAT, 0.0)
    for _ in range(3 if n_titles > 1 else 0):
        u = 1 / (1 / total + title_var)
        share = u * (1 - u / u.sum())
        level = (u * mean).sum() / u.sum()
        found = (u * (mean - level) ** 2).sum() - (share / total).sum()
        title_var = float(np.clip(found / share.sum(), COMPONENT_FLOOR, COMPONENT_CEILING))
        title_se = np.sqrt(2 * (n_titles - 1)) / share.sum()
    title_var += caution * title_se
    u = 1 / (1 / total + title_var)
    level = float((u * mean).sum() / u.sum())
    product_var = FLAT if x.size == 1 else product_var + caution * product_se
    return level, float(1 / u.sum()), float(title_var), float(product_var)


def fit_group_variances(
    keys: Sequence[tuple[str, str]],
    run_var: Floats,
    df: Floats,
    *,
    apart: Collection[tuple[str, str]] = (),
    temper: float = 1.0,
) -> VarianceFit:
    """Return the shared variances of cells of one metric.

    Parameters
    ----------
    keys : sequence of (str, str)
        (title, product) of each cell, each once.
    run_var, df : ndarray of float, shape (n_cells,)
        Sample variances of ln values and their degrees of freedom. A variance of NaN, or 0
        degrees of freedom, is a single run.
    apart : collection of (str, str)
        Cells unlike the others for a known reason (pinned at a cap): they rest on their own runs.
    temper : float
        Power of each cell's likelihood where cells are not independent, in (0, 1].

    Raises
    ------
    ValueError
        If no cell has a variance to share.

    Notes
    -----
    Empirical Bayes at two levels: the components from `fit_components`, each raised by `CAUTION`
    standard errors; then, for each title, a
    grid over its level, weighted by what all its cells say, and for each cell a grid over its
    own ln variance, weighted by the normal prior and the chi-square likelihood of its runs. The
    level's own uncertainty is added to the variance between titles. A single run has a flat
    likelihood; runs that agree to the last digit (variance 0) do not take part in the moments but
    do speak for a small variance. Smyth (2004), Stat. Appl. Genet. Mol. Biol. 3(1) art. 3, shares
    at one level.
    """
    df = np.where(np.isfinite(run_var), df, 0.0)
    var = np.where(df > 0, np.nan_to_num(run_var), 0.0)
    var = np.where(var < ZERO_VARIANCE, 0.0, var)
    alone = np.array([key in apart for key in keys], dtype=bool)
    used = (var > 0) & ~alone
    if not used.any():
        raise ValueError("no cell has two runs that differ: there is no variance to share")
    names = {title: i for i, title in enumerate(dict.fromkeys(title for title, _ in keys))}
    title = np.array([names[t] for t, _ in keys], dtype=np.intp)
    _, numbered = np.unique(title[used], return_inverse=True)
    level, level_var, title_var, product_var = fit_components(
        var[used], df[used], numbered, caution=CAUTION / temper**0.5
    )
    own_var = np.where(alone, FLAT, product_var)
    # Of a cell that shares with none and has no variance above 0 itself, nothing is known; nor of
    # one in a title without variances, where titles cannot be told to be alike.
    seen = np.bincount(title[used], minlength=len(names))[title] > 0
    known = np.where(own_var >= FLAT, var > 0, seen | (title_var < FLAT))
    own_var = np.where(known, own_var, 1.0)
    title_prior = np.where(seen | (title_var < FLAT), title_var + level_var, 1.0)
    nodes, title_weight, log_var, weight = _posterior_grid(
        var,
        df,
        title,
        used,
        used | (known & (df > 0) & ~alone),
        level,
        title_prior,
        own_var,
        temper,
    )
    return VarianceFit(
        keys={key: i for i, key in enumerate(keys) if known[i]},
        run_var=np.where(df > 0, run_var, np.nan),
        df=df,
        level=level,
        title_var=title_var,
        product_var=product_var,
        cells_used=int(used.sum()),
        log_var=log_var,
        weight=weight,
        title_log_var=nodes[title],
        title_weight=title_weight[title],
    )


def _posterior_grid(
    var: Floats,
    df: Floats,
    title: NDArray[np.intp],
    used: NDArray[np.bool_],
    speaks: NDArray[np.bool_],
    level: float,
    title_prior: Floats,
    own_var: Floats,
    temper: float,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return title nodes and their weights, and cell nodes and weights at each title node."""
    n_titles = int(title.max()) + 1
    # Where each title's level probably is, by the normal approximation of ln variances.
    d = np.where(used, df, 1.0)
    x = np.where(used, np.log(np.where(used, var, 1.0)) - digamma(d / 2) + np.log(d / 2), 0.0)
    w = np.where(used, temper / (polygamma(1, d / 2) + own_var), 0.0)
    prior = np.zeros(n_titles)
    prior[title] = 1 / title_prior
    precision = prior + np.bincount(title, w, n_titles)
    centre = (prior * level + np.bincount(title, w * x, n_titles)) / precision
    nodes = centre[:, None] + _TITLE_NODES / np.sqrt(precision)[:, None]
    # Each cell's ln variance y at each node m of its title's level: the mode of
    # -(y - m)^2 / (2 own_var) - df y / 2 - df var exp(-y) / 2 by Wright's omega function.
    m = nodes[title][:, :, None]
    own, nu = own_var[:, None, None], df[:, None, None]
    rate = (df * var / 2)[:, None, None]
    shift = nu * own / 2
    with np.errstate(divide="ignore"):
        omega = wrightomega(np.log(own * rate) - m + shift)
    scale = np.sqrt(own / (1 + omega))
    wide = round(_LEAST_NODES * float(scale.max()) / 0.8)
    t = np.linspace(*_REACH, min(max(wide, _LEAST_NODES), _MOST_NODES))
    y = m - shift + omega + scale * np.sinh(_STRETCH * t) / _STRETCH
    log_post = -((y - m) ** 2) / (2 * own) - nu * y / 2 - rate * np.exp(-y)
    log_post += np.log(np.cosh(_STRETCH * t))
    top = log_post.max(axis=2, keepdims=True)
    weight = np.exp(log_post - top)
    total = weight.sum(axis=2, keepdims=True)
    weight /= total
    # What the title's cells say of its level; runs that agree to the last digit do speak.
    evidence = (top + np.log(total * scale))[:, :, 0] * temper
    evidence = np.where(speaks[:, None], evidence, 0.0)
    log_title = np.zeros((n_titles, nodes.shape[1]))
    np.add.at(log_title, title, evidence)
    log_title -= (nodes - level) ** 2 * prior[:, None] / 2
    title_weight = np.exp(log_title - log_title.max(axis=1, keepdims=True))
    title_weight /= title_weight.sum(axis=1, keepdims=True)
    return nodes, title_weight, y, weight


def mix_pairs(
    fit: VarianceFit,
    cell_a: NDArray[np.intp],
    n_a: Floats,
    cell_b: NDArray[np.intp],
    n_b: Floats,
) -> tuple[Floats, Floats]:
    """Return the error of differences of two means as mixtures of normals.

    Parameters
    ----------
    fit : VarianceFit
        Shared variances.
    cell_a, cell_b : ndarray of int, shape (n,)
        Places of the two cells of each difference, of the same title.
    n_a, n_b : ndarray of float, shape (n,)
        Runs behind either mean.

    Returns
    -------
    sd, weight : ndarray of float, shape (n, n_bins)
        Components with variance var_a / n_a + var_b / n_b, gathered into bins of ln variance.
    """
    part_a = np.exp(fit.log_var[cell_a]) / n_a[:, None, None]
    part_b = np.exp(fit.log_var[cell_b]) / n_b[:, None, None]
    variance = part_a[:, :, :, None] + part_b[:, :, None, :]
    title_weight = fit.title_weight[cell_a][:, :, None, None]
    weight = title_weight * fit.weight[cell_a][:, :, :, None] * fit.weight[cell_b][:, :, None, :]
    return _gather(variance.reshape(len(cell_a), -1), weight.reshape(len(cell_a), -1))


def mix_cells(fit: VarianceFit, cell: NDArray[np.intp], n: Floats) -> tuple[Floats, Floats]:
    """Return the error of single means as mixtures of normals, as `mix_pairs` does."""
    variance = np.exp(fit.log_var[cell]) / n[:, None, None]
    weight = fit.title_weight[cell][:, :, None] * fit.weight[cell]
    return _gather(variance.reshape(len(cell), -1), weight.reshape(len(cell), -1))


def _gather(variance: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return components gathered into evenly spaced bins of ln variance, each split linearly."""
    n = len(variance)
    place = np.log(variance)
    heavy = weight > NEGLIGIBLE
    low = np.min(place, axis=1, keepdims=True, where=heavy, initial=np.inf)
    high = np.max(place, axis=1, keepdims=True, where=heavy, initial=-np.inf)
    step = (high - low) / (_BINS - 1) + 1e-9
    place = np.clip((place - low) / step, 0.0, _BINS - 1.0)
    left = np.minimum(place.astype(np.intp), _BINS - 2)
    right_share = weight * (place - left)
    flat = (left + _BINS * np.arange(n)[:, None]).ravel()
    binned: Floats = np.bincount(flat, (weight - right_share).ravel(), n * _BINS).astype(float)
    binned += np.bincount(flat + 1, right_share.ravel(), n * _BINS)
    log_var = low + step * np.arange(_BINS)
    return np.exp(log_var / 2), binned.reshape(n, _BINS)
