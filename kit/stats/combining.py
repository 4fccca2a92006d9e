"""Errors of several margins put together: over these titles, and over titles like these."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from kit.stats.intervals import t_half_width

Floats = NDArray[np.float64]


def suite_weights(titles: Sequence[str], weights: Mapping[str, float]) -> Floats:
    """Return weights that sum to 1; a title without one weighs 1 before that.

    Raises
    ------
    ValueError
        If a weight is not a finite number above 0.
    """
    w = np.array([weights.get(title, 1.0) for title in titles], dtype=np.float64)
    if not np.all(np.isfinite(w) & (w > 0)):
        raise ValueError(f"weights must be above 0: {dict(weights)}")
    return w / math.fsum(w)


def match_t(
    variances: Sequence[float], dfs: Sequence[float], mixtures: Sequence[bool]
) -> tuple[float | None, float | None]:
    """Return scale and degrees of freedom of the t nearest to a sum of independent errors.

    Parameters
    ----------
    variances, dfs : sequence of float
        Of the parts: of a t its squared scale and degrees of freedom, of a mixture of normals
        its mean variance and `mixture_error`'s degrees of freedom.
    mixtures : sequence of bool
        Which parts are mixtures.

    Returns
    -------
    (float, float) or (None, None)
        None where nothing varies.

    Notes
    -----
    Sums of t errors by Satterthwaite's rule [1]_: the squared scales add, and the degrees of
    freedom are total^2 / sum(part^2 / df). A mixture's variance already holds what its long tails
    add. A sum of mixtures therefore gets the t with the same variance and fourth moment: 4 more
    degrees of freedom, and the squared scale times (df - 2) / df. A sum of both kinds is treated
    between the two, by the mixtures' share of the variance.

    References
    ----------
    .. [1] F. E. Satterthwaite (1946), "An approximate distribution of estimates of variance
           components", Biometrics Bulletin 2, 110-114.
    """
    total = math.fsum(variances)
    if not total > 0:
        return None, None
    noise = math.fsum(v * v / df for v, df in zip(variances, dfs, strict=True))
    if noise == 0:
        return math.sqrt(total), math.inf
    mixed = math.fsum(v for v, mixture in zip(variances, mixtures, strict=True) if mixture) / total
    df = total * total / noise + 4 * mixed
    return math.sqrt(total * (1 - 2 * mixed / df)), df


def spread_over_titles(x: Floats, w: Floats) -> tuple[float | None, float | None]:
    """Return the standard error of a weighted mean of titles drawn from many, and its df.

    (None, None) for a single title, or where all agree.
    """
    squares = math.fsum(w**2)
    variance = math.fsum(w * (x - math.fsum(w * x)) ** 2)
    if x.size < 2 or variance <= 0:
        return None, None
    return math.sqrt(variance / (1 - squares) * squares), 1 / squares - 1


def t_ends(
    center: float, log_se: float | None, df: float | None, *, confidence: float
) -> tuple[float | None, float | None]:
    """Return the ends, as ratios, of a t interval around a log-scale center; None where unknown."""
    if log_se is None or df is None:
        return None, None
    half = float(t_half_width(np.array([log_se]), np.array([df]), confidence=confidence)[0])
    if not math.isfinite(half):
        return None, None
    return math.exp(center - half), math.exp(center + half)
