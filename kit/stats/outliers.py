"""Few values beside each other: an outlier, or a drift over their order.

For the three to five runs of a cell. Each function says plainly when so few cannot tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.stats.series import rank_trend

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Grubbs:
    """The value farthest from the mean, in standard deviations, beside the critical value."""

    index: int
    statistic: float
    critical: float

    @property
    def outlier(self) -> bool:
        """Whether the value is farther out than chance allows."""
        return self.statistic > self.critical


def grubbs_test(values: Floats, *, alpha: float) -> _Grubbs | None:
    """Return Grubbs' two-sided test of the value farthest from the mean.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        In any order.
    alpha : float
        How often a clean sample may be said to hold an outlier, a fraction in (0, 1).

    Returns
    -------
    Grubbs or None
        None where it cannot be judged: fewer than three values, or all alike. With three, the
        statistic can never exceed 1.1547, so hardly anything is ever an outlier.
    """
    if values.size < 3 or float(np.ptp(values)) == 0:
        return None
    distances = np.abs(values - values.mean())
    index = int(distances.argmax())
    statistic = float(distances[index] / values.std(ddof=1))
    return _Grubbs(index, statistic, _grubbs_critical(values.size, alpha=alpha))


def _grubbs_critical(n: int, *, alpha: float, sides: int = 2) -> float:
    """Return the critical value of Grubbs' statistic for `n` values.

    References
    ----------
    .. [1] F. E. Grubbs (1969), "Procedures for detecting outlying observations in samples",
           Technometrics 11(1), 1-21; formula as in NIST/SEMATECH e-Handbook of Statistical
           Methods, 1.3.5.17.1.

    Examples
    --------
    >>> round(_grubbs_critical(8, alpha=0.05, sides=1), 3)
    2.032
    """
    from scipy.special import stdtrit

    if n < 3:
        raise ValueError(f"Grubbs' test needs three values: {n}")
    t = float(stdtrit(n - 2, 1.0 - alpha / (sides * n)))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def modified_z(values: Floats) -> Floats | None:
    """Return each value's distance from the median in units of the median distance.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        In any order.

    Returns
    -------
    ndarray of float, shape (n,), or None
        0.6745 (x - median) / MAD. None where the median absolute deviation is 0, since more
        than half of the values agree exactly: undefined, and not infinity.

    References
    ----------
    .. [1] B. Iglewicz and D. C. Hoaglin (1993), "How to detect and handle outliers", ASQC
           Basic References in Quality Control 16.
    """
    middle = np.median(values)
    spread = float(np.median(np.abs(values - middle)))
    if not spread > 0:
        return None
    scaled: Floats = 0.6745 * (values - middle) / spread
    return scaled


def order_trend(values: Floats) -> tuple[float, float]:
    """Return Sen's slope per step and the two-sided p of Kendall's test against the order.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        In the order recorded, n >= 2.

    Notes
    -----
    p is exact without ties up to 60 values; else by the normal approximation, corrected for
    ties and continuity. The values are taken as independent of each other.
    """
    slope, score, variance = rank_trend(values)
    if np.unique(values).size == values.size and values.size <= 60:
        return slope, _exact_kendall_p(values.size, score)
    if variance <= 0 or score == 0:
        return slope, 1.0
    z = (abs(score) - 1) / math.sqrt(variance)
    return slope, math.erfc(z / math.sqrt(2.0))


def _exact_kendall_p(n: int, score: int) -> float:
    """Return the share of all orders of `n` values whose |S| is at least `score`."""
    counts = [1]  # orders by number of inversions; whole numbers, so exact
    for size in range(2, n + 1):
        wider = [0] * (len(counts) + size - 1)
        for inversions, orders in enumerate(counts):
            for more in range(size):
                wider[inversions + more] += orders
        counts = wider
    pairs = n * (n - 1) // 2
    extreme = sum(
        orders for below, orders in enumerate(counts) if abs(pairs - 2 * below) >= abs(score)
    )
    return extreme / math.factorial(n)
