"""Errors of several margins put together: over these titles, and over titles like these."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from kit.intervals import t_half_width
from kit.margins import Margin

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


def combine_errors(margins: Sequence[Margin], w: Floats) -> tuple[float | None, float | None]:
    """Return the standard error of a weighted mean of ln margins of different titles, and its df.

    (None, None) where a margin has no error of its own. The degrees of freedom are infinite
    where every margin's are.
    """
    if any(m.log_se is None for m in margins):
        return None, None
    parts = w**2 * np.array([m.log_se or 0.0 for m in margins]) ** 2
    # A mixture whose weights reach far has moments, and so a df, that say little of its middle.
    dfs = np.maximum([m.df or m.mixture_df or math.inf for m in margins], 1.0)
    noise = math.fsum(parts**2 / dfs)
    total = math.fsum(parts)
    return math.sqrt(total), total**2 / noise if noise > 0 else math.inf


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
