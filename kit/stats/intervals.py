"""Intervals, tests, adjustment for many comparisons, errors put together. Plain numbers in and out.

Every estimate here is a difference of means on a log scale, so 0.0 means level, and its error is
symmetric: a scaled Student t, or a mixture of normals around 0."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

Floats = NDArray[np.float64]

# Two one-sided tests at 5 % each: "level" is decided by the 90 % interval.
LEVEL_ALPHA = 0.05
# Share of a variance's upper tail that is cut back where its mean is taken.
MIXTURE_TAIL = 0.001
# An interval wider than this either way on the log scale says nothing, and exp overflows at 709.
WIDEST = 300.0

Family = Literal["holm", "benjamini_hochberg", "none"]


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """What the errors of n estimates say of them. NaN where nothing can be said.

    Attributes
    ----------
    half : ndarray of float, shape (n,)
        Half-width of the interval at the confidence asked for, on the log scale.
    level_half : ndarray of float, shape (n,)
        Half-width of the 90 % interval, which decides "level".
    p_value : ndarray of float, shape (n,)
        Two-sided, of a true difference of 0.
    p_level : ndarray of float, shape (n,)
        The larger of the two one-sided p-values that the true difference lies outside the band.
    log_se : ndarray of float, shape (n,)
        Standard error: scale of the t; for a mixture see `mixture_error`.
    df : ndarray of float, shape (n,)
        Degrees of freedom of the t; for a mixture see `mixture_error`.
    """

    half: Floats
    level_half: Floats
    p_value: Floats
    p_level: Floats
    log_se: Floats
    df: Floats

    @classmethod
    def by_t(
        cls, difference: Floats, log_se: Floats, df: Floats, *, confidence: float, band: float
    ) -> Judged:
        """Return intervals and p-values of estimates whose errors are scaled t.

        Parameters
        ----------
        difference, log_se, df : ndarray of float, shape (n,)
            Estimates on the log scale, their standard errors and degrees of freedom. NaN stays NaN.
        confidence : float
            A fraction in (0, 1).
        band : float
            Half-width of the level band on the log scale.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            t = difference / log_se
            return cls(
                half=bounded(stdtrit(df, (1 + confidence) / 2) * log_se),
                level_half=bounded(stdtrit(df, 1 - LEVEL_ALPHA) * log_se),
                p_value=2 * stdtr(df, -np.abs(t)),
                p_level=stdtr(df, (np.abs(difference) - band) / log_se),
                log_se=log_se,
                df=df,
            )

    @classmethod
    def by_mixture(
        cls,
        difference: Floats,
        sd: Floats,
        weight: Floats,
        *,
        confidence: float,
        band: float,
        care: Floats | float = 1.0,
    ) -> Judged:
        """Return intervals and p-values of estimates whose errors are mixtures of normals around 0.

        Parameters
        ----------
        difference : ndarray of float, shape (n,)
            Estimates on the log scale.
        sd, weight : ndarray of float, shape (n, n_components)
            Standard deviations > 0 of the components, and their weights, which sum to 1.
        confidence : float
            A fraction in (0, 1).
        band : float
            Half-width of the level band on the log scale.
        care : float or ndarray of float, shape (n,)
            Factor in (0, 1] on the share of errors an interval leaves out; p-values are divided by
            it.

        Returns
        -------
        Judged
            Its `log_se` and `df` are those of `mixture_error`.
        """
        size = np.abs(difference)[:, None]
        log_se, df = mixture_error(sd, weight)
        return cls(
            half=mixture_half_width(sd, weight, confidence=1 - (1 - confidence) * care),
            level_half=mixture_half_width(sd, weight, confidence=1 - 2 * LEVEL_ALPHA * care),
            p_value=np.minimum(2 * (weight * ndtr(-size / sd)).sum(axis=1) / care, 1.0),
            p_level=cls.p_of_level(np.abs(difference), sd, weight, band=band, care=care),
            log_se=log_se,
            df=df,
        )

    @staticmethod
    def p_of_level(
        size: Floats, sd: Floats, weight: Floats, *, band: float, care: Floats | float
    ) -> Floats:
        """Return `p_level` of `by_mixture`, of estimates that lie `size` from 0."""
        found: Floats = (weight * ndtr((size[:, None] - band) / sd)).sum(axis=1) / care
        return np.minimum(found, 1.0)


def welch_error(
    var_a: Floats,
    n_a: Floats,
    var_b: Floats,
    n_b: Floats,
    *,
    dfs: tuple[Floats, Floats] | None = None,
    common: NDArray[np.bool_] | bool = False,
) -> tuple[Floats, Floats]:
    """Return the standard error of a difference of two means, and its degrees of freedom.

    Parameters
    ----------
    var_a, var_b : ndarray of float, shape (n,)
        Variances of single values on either side, divisor n - 1. NaN where n is 1.
    n_a, n_b : ndarray of float, shape (n,)
        Numbers of values.
    dfs : (ndarray of float, ndarray of float), optional
        Degrees of freedom of the two variances, where these are not n - 1.
    common : ndarray of bool, shape (n,), or bool
        Where both variances are one and the same estimate: its degrees of freedom are the sum's.

    Returns
    -------
    se, df : ndarray of float, shape (n,)
        NaN where a side has a single value or neither side varies.

    Notes
    -----
    Degrees of freedom after Welch and Satterthwaite [1]_; a side that does not vary adds nothing.

    References
    ----------
    .. [1] B. L. Welch (1947), "The generalization of 'Student's' problem when several different
           population variances are involved", Biometrika 34, 28-35.
    """
    part_a, part_b = var_a / n_a, var_b / n_b
    total = part_a + part_b
    with np.errstate(divide="ignore", invalid="ignore"):
        df_a, df_b = dfs or (n_a - 1, n_b - 1)
        df = np.where(common, df_a, total**2 / (part_a**2 / df_a + part_b**2 / df_b))
    good = np.isfinite(total) & (total > 0)
    return np.where(good, np.sqrt(total), np.nan), np.where(good, df, np.nan)


@dataclass(frozen=True, slots=True)
class _RatioInterval:
    """The ratio of two geometric means and its interval, as `welch_interval` gives it.

    Attributes
    ----------
    ratio : float
        The first side over the second; 1.0 is level.
    low, high : float
        Ends of the interval. NaN where a side has a single value or neither side varies.
    confidence : float
        A fraction in (0, 1).
    log_se : float
        Standard error of ln(ratio).
    df : float
        Its degrees of freedom.
    """

    ratio: float
    low: float
    high: float
    confidence: float
    log_se: float
    df: float


def welch_interval(product: Floats, baseline: Floats, *, confidence: float) -> _RatioInterval:
    """Return how much larger one side's values are than the other's, with Welch's interval.

    Parameters
    ----------
    product, baseline : ndarray of float, shape (n_runs,)
        A figure of each run of either side, such as average fps. Finite and > 0.
    confidence : float
        A fraction in (0, 1): 0.95, not 95.

    Raises
    ------
    ValueError
        If a side is empty or holds a value that is not finite and > 0, or `confidence` is not
        inside (0, 1).

    Notes
    -----
    Each side is a sample of its own on the log scale. A margin of a report may be narrower: its
    variance is shared with other products and titles (see `kit.stats.crossed_variance`).

    Examples
    --------
    >>> found = welch_interval(np.array([110.0, 112.0]), np.array([99.0, 101.0]), confidence=0.9)
    >>> f"{found.ratio:.3f} [{found.low:.3f}, {found.high:.3f}]"
    '1.110 [1.067, 1.155]'
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be a fraction inside (0, 1), not {confidence}")
    sides = [np.asarray(side, dtype=np.float64) for side in (product, baseline)]
    for side in sides:
        if side.ndim != 1 or not side.size or not (np.isfinite(side) & (side > 0)).all():
            raise ValueError("each side must hold one value > 0 a run, and at least one run")
    logs = [np.log(side) for side in sides]
    counts = [np.array([float(log.size)]) for log in logs]
    spreads = [np.array([log.var(ddof=1) if log.size > 1 else np.nan]) for log in logs]
    log_se, df = welch_error(spreads[0], counts[0], spreads[1], counts[1])
    difference = logs[0].mean() - logs[1].mean()
    half = float(t_half_width(log_se, df, confidence=confidence)[0])
    low, high = np.exp([difference - half, difference + half])
    return _RatioInterval(
        float(np.exp(difference)),
        float(low),
        float(high),
        confidence,
        float(log_se[0]),
        float(df[0]),
    )


def mixture_error(sd: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return the standard deviation of mixtures of normals around 0, and how well it is known.

    Parameters
    ----------
    sd, weight : ndarray of float, shape (n, n_components)
        Standard deviations > 0 in rising order, and weights that sum to 1.

    Returns
    -------
    log_se : ndarray of float, shape (n,)
        Square root of the mean variance.
    df : ndarray of float, shape (n,)
        2 mean^2 / variance of the variance: degrees of freedom in Satterthwaite's sense.

    Notes
    -----
    Variances above their 99.9 % point count as that point: where hardly anything is known of a
    variance its distribution has no mean.
    """
    below = np.cumsum(weight, axis=1) <= 1 - MIXTURE_TAIL
    cap = sd[np.arange(len(sd)), np.minimum(below.sum(axis=1), sd.shape[1] - 1)]
    variance = np.minimum(sd, cap[:, None]) ** 2
    mean = (weight * variance).sum(axis=1)
    spread = (weight * (variance - mean[:, None]) ** 2).sum(axis=1)
    return np.sqrt(mean), 2 * mean**2 / spread


def mixture_half_width(sd: Floats, weight: Floats, *, confidence: float | Floats) -> Floats:
    """Return h so that mixtures of normals around 0 hold `confidence` within -h .. h.

    Parameters
    ----------
    sd, weight : ndarray of float, shape (n, n_components)
        Standard deviations > 0, and weights that sum to 1.
    confidence : float or ndarray of float, shape (n,)
        Fractions in (0, 1).

    Notes
    -----
    Newton's method on ln h within a bracket that shrinks at every step; a step that would leave
    it goes to the bracket's middle. It stops where no half-width moves by 1e-12 of itself.
    """
    tail = np.broadcast_to((1 - np.asarray(confidence)) / 2, len(sd))
    z_tail = -ndtri(tail)
    low, high = sd.min(axis=1) * z_tail, sd.max(axis=1) * z_tail
    h = np.sqrt(low * high)
    for _ in range(200):
        z = h[:, None] / sd
        excess = (weight * ndtr(-z)).sum(axis=1) - tail
        # d tail / d ln h; far outside every component it is 0.
        slope = (weight * z * np.exp(-0.5 * z * z)).sum(axis=1) / np.sqrt(2 * np.pi)
        low, high = np.where(excess > 0, h, low), np.where(excess > 0, high, h)
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            new = h * np.exp(excess / slope)
        new = np.where((new >= low) & (new <= high), new, np.sqrt(low * high))
        done = bool(np.all(np.abs(new - h) <= 1e-12 * new))
        h = new
        if done:
            break
    return bounded(h)


def bounded(half: Floats) -> Floats:
    """Return half-widths, NaN where an interval is so wide that it says nothing.

    >>> bounded(np.array([0.5, 5000.0]))
    array([0.5, nan])
    """
    return np.where(half <= WIDEST, half, np.nan)


def t_half_width(log_se: Floats, df: Floats, *, confidence: float) -> Floats:
    """Return half-widths of t intervals; NaN where a standard error or its df is NaN or 0."""
    good = np.isfinite(log_se) & (log_se > 0) & (df > 0)
    width: Floats = log_se * stdtrit(np.where(good, df, np.nan), (1 + confidence) / 2)
    return bounded(np.where(good, width, np.nan))


def adjust_p_values(p_values: Sequence[float | None], *, family: Family) -> list[float | None]:
    """Return p-values adjusted for being read together; None stays None and does not count.

    Parameters
    ----------
    p_values : sequence of float or None
        Of one family.
    family : {"holm", "benjamini_hochberg", "none"}
        Holm [1]_ holds the chance of any false statement, Benjamini and Hochberg [2]_ the
        expected share of false ones among the statements made.

    References
    ----------
    .. [1] S. Holm (1979), "A simple sequentially rejective multiple test procedure",
           Scandinavian Journal of Statistics 6, 65-70.
    .. [2] Y. Benjamini and Y. Hochberg (1995), "Controlling the false discovery rate", Journal
           of the Royal Statistical Society B 57, 289-300.
    """
    known = np.array([p for p in p_values if p is not None], dtype=np.float64)
    n = known.size
    order = np.argsort(known, kind="stable")
    ranked = known[order]
    if family == "holm":
        ranked = np.maximum.accumulate(ranked * np.arange(n, 0, -1))
    elif family == "benjamini_hochberg":
        ranked = np.minimum.accumulate((ranked * n / np.arange(1, n + 1))[::-1])[::-1]
    adjusted = np.empty(n)
    adjusted[order] = np.minimum(ranked, 1.0)
    given = iter(adjusted.tolist())
    return [None if p is None else next(given) for p in p_values]


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


def sign_test(above: int, below: int) -> float:
    """Return the two-sided p-value of the exact sign test: chance alone, as likely either way.

    Parameters
    ----------
    above, below : int
        How many differ one way and the other; those that do not differ are left out [1]_.

    Notes
    -----
    Twice the smaller tail of the binomial distribution with probability 1/2, at most 1.

    References
    ----------
    .. [1] W. J. Dixon and A. M. Mood (1946), "The statistical sign test", Journal of the American
           Statistical Association 41(236), 557-566.

    Examples
    --------
    >>> sign_test(18, 0), sign_test(5, 5), sign_test(0, 0)
    (7.62939453125e-06, 1.0, 1.0)
    """
    n = above + below
    tail: int = sum(math.comb(n, k) for k in range(min(above, below) + 1))
    return float(min(1.0, 2 * tail / 2**n))


def pooled_variance(groups: Sequence[Sequence[float]]) -> tuple[float, int]:
    """Return the variance within groups of values, pooled, and its degrees of freedom.

    >>> pooled_variance([[1.0, 3.0], [2.0, 2.0, 5.0]])
    (2.6666666666666665, 3)

    Raises
    ------
    ValueError
        If no group has two values.
    """
    df = sum(len(group) - 1 for group in groups)
    if df < 1:
        raise ValueError("groups: one of them must hold two values or more")
    squares = [(x - math.fsum(g) / len(g)) ** 2 for g in groups for x in g]
    return math.fsum(squares) / df, df


def t_ends(
    center: float, log_se: float | None, df: float | None, *, confidence: float
) -> tuple[float | None, float | None]:
    """Return the ends, as ratios, of a t interval around a log-scale center; None where unknown."""
    if log_se is None or df is None:
        return None, None
    half = log_se * float(stdtrit(df, (1 + confidence) / 2))
    if not 0 < half <= WIDEST:
        return None, None
    return math.exp(center - half), math.exp(center + half)
