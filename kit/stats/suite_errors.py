"""Errors of several margins put together: their sum, and what a session does to all of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit
from scipy.stats import chi2

from kit.stats.crossed_variance import Mixture, care_of, stack_errors
from kit.stats.intervals import mixture_error

Floats = NDArray[np.float64]

# ln s of the characteristic function, over the error's scale.
_LOG_S = (-6.0, 4.0)
_FINER = 5  # steps of 2 ln s within a step of ln variance
# Prior of a product's day: none with this probability, else its standard deviation over that of
# runs is half-t, 3 df, of this scale.
_NO_DAY = 0.1
_DAY_SCALE = 0.5
_DAY_RATIOS = np.geomspace(0.02, 8.0, 40)


@dataclass(frozen=True, slots=True, eq=False)
class DayPosterior:
    """What is known of the variance a session gives one product in all its titles.

    Attributes
    ----------
    variance, weight : ndarray of float, shape (n,)
        Nodes (0 among them) and their weights, on the log scale of margins.
    care : float
        Factor in (0, 1] on the share of errors an interval may leave out.
    df : float
        Degrees of freedom it was estimated with.
    """

    variance: Floats
    weight: Floats
    care: float
    df: float

    @property
    def sd(self) -> float:
        """Square root of the mean variance."""
        return math.sqrt(float(self.variance @ self.weight))


@dataclass(frozen=True, slots=True, eq=False)
class ErrorSum:
    """The error of a weighted sum of independent errors, by its characteristic function.

    Attributes
    ----------
    s, phi : ndarray of float, shape (n,)
        Places, even in ln s, and the characteristic function there.
    scale : float
        Standard deviation of the sum, long tails cut back.
    variances : ndarray of float, shape (n_parts,)
        What each part adds to its square; variances of a part above their 99.9 % point count as
        that point.
    """

    s: Floats
    phi: Floats
    scale: float
    variances: Floats

    def within(self, h: float) -> tuple[float, float]:
        """Return P(|error| <= h) and its derivative."""
        step = math.log(self.s[1] / self.s[0])
        angle = h * self.s
        # Below the first place sin(hs) is hs and phi 1: a geometric series.
        rest = float(self.s[0]) * step / math.expm1(step)
        inside = float(self.phi @ np.sin(angle)) * step + h * rest
        slope = float((self.phi * self.s) @ np.cos(angle)) * step + rest
        return 2 / math.pi * inside, 2 / math.pi * slope

    def half_width(self, alpha: float) -> float:
        """Return h with P(|error| > h) = alpha."""
        low, high = 0.0, math.inf
        h = -float(ndtri(alpha / 2)) * self.scale
        for _ in range(60):
            inside, slope = self.within(h)
            short = 1 - alpha - inside
            low, high = (h, high) if short > 0 else (low, h)
            new = h + short / slope if slope > 0 else math.nan
            if abs(new - h) <= 1e-9 * h:
                return new
            if not low < new < high:
                new = 2 * h if high == math.inf else (low + high) / 2
            h = new
        return h

    def as_t(self) -> tuple[Floats, Floats]:
        """Return scale and degrees of freedom of the t with the same 95 and 99 % intervals."""
        wide, wider = self.half_width(0.05), self.half_width(0.01)
        low, high = 0.5, 1e6
        for _ in range(60):
            df = math.sqrt(low * high)
            steep = float(stdtrit(df, 0.995) / stdtrit(df, 0.975)) > wider / wide
            low, high = (df, high) if steep else (low, df)
        df = math.sqrt(low * high)
        return np.array([wide / float(stdtrit(df, 0.975))]), np.array([df])

    def with_normal(self, variance: Floats, weight: Floats) -> ErrorSum:
        """Return the sum with a normal error added, its variance a mixture."""
        factor = np.exp(-variance[:, None] * self.s**2 / 2)
        scale = math.hypot(self.scale, math.sqrt(float(variance @ weight)))
        return ErrorSum(self.s, self.phi * (weight @ factor), scale, self.variances)

    def break_even_sd(self, size: float, alpha: float) -> float | None:
        """Return the standard deviation of a normal error that widens the interval to `size`.

        None where the interval is that wide already.
        """
        if self.within(size)[0] <= 1 - alpha:
            return None
        low, high = 0.0, size / -float(ndtri(alpha / 2))
        step = math.log(self.s[1] / self.s[0])
        wave = self.phi * np.sin(size * self.s) * step
        squared = self.s**2 / 2
        rest = size * float(self.s[0]) * step / math.expm1(step)
        for _ in range(40):
            middle = (low + high) / 2
            inside = 2 / math.pi * (float(wave @ np.exp(-(middle**2) * squared)) + rest)
            low, high = (middle, high) if inside > 1 - alpha else (low, middle)
        return (low + high) / 2


def add_errors(errors: Sequence[Mixture], weights: Floats) -> ErrorSum:
    """Return the error of a weighted sum of independent errors.

    Parameters
    ----------
    errors : sequence of Mixture
        One estimate each.
    weights : ndarray of float, shape (n,)
        Their weights, above 0.
    """
    whole = stack_errors(errors)
    variances = weights**2 * mixture_error(whole.sd, whole.weight)[0] ** 2
    scale = math.sqrt(float(variances.sum()))
    step = whole.step / _FINER / 2
    n = int(np.ceil((_LOG_S[1] - _LOG_S[0]) / step)) + 1
    log_s = _LOG_S[0] + step * np.arange(n) - math.log(scale)
    phi = np.ones(n)
    first = int(whole.start.min())
    size = int(whole.start.max()) + whole.weight.shape[1] - first
    for w in np.unique(weights):
        # ln variance and 2 ln s lie on lattices whose steps divide: one row of values will do.
        rows = np.flatnonzero(weights == w)
        mass = np.zeros((rows.size, size))
        for row, i in zip(mass, rows, strict=True):
            begin = int(whole.start[i]) - first
            row[begin : begin + whole.weight.shape[1]] = whole.weight[i]
        origin = whole.step * first + 2 * (math.log(w) + float(log_s[0]))
        values = np.exp(-0.5 * np.exp(origin + 2 * step * np.arange(_FINER * size + n)))
        strides = (_FINER * values.itemsize, values.itemsize)
        phi *= (mass @ as_strided(values, (size, n), strides, writeable=False)).prod(axis=0)
    return ErrorSum(np.exp(log_s), phi, scale, variances)


def suite_care(variances: Floats, care: Floats) -> float:
    """Return the care a weighted sum needs: that of a part so far as the part carries the sum.

    Parameters
    ----------
    variances : ndarray of float, shape (n,)
        What each part adds to the variance of the sum.
    care : ndarray of float, shape (n,)
        Of each part, in (0, 1].
    """
    share = variances / variances.sum()
    return float(np.exp((share**2 * np.log(care)).sum()))


def fit_day(cells: Floats, weights: Floats) -> DayPosterior | None:
    """Return what sessions do to products in all titles, or None where it cannot be known.

    Parameters
    ----------
    cells : ndarray of float, shape (n_titles, n_products, n_sessions)
        Mean ln value of each title, product and session, none missing.
    weights : ndarray of float, shape (n_titles,)
        Weights of the titles in the suite; they sum to 1.

    Notes
    -----
    In each title what products and sessions do is taken out; what is left, averaged over titles,
    varies by a product's day and by runs, and the titles' own scatter around it shows the runs.
    """
    _, products, sessions = cells.shape
    spare = 1 - math.fsum(weights**2)
    if products < 2 or sessions < 2 or spare <= 0:
        return None
    df = float((products - 1) * (sessions - 1))
    left = cells - cells.mean(axis=1, keepdims=True) - cells.mean(axis=2, keepdims=True)
    left = left + cells.mean(axis=(1, 2), keepdims=True)
    common = np.einsum("i,ips->ps", weights, left)
    square = float((common**2).sum()) / df
    each = ((left - common) ** 2).sum(axis=(1, 2)) / df
    noise = float(weights**2 @ each) / spare
    run_var = float(each.mean()) / spare
    if noise <= 0:
        return None
    variance = np.concatenate(([0.0], _DAY_RATIOS**2 * run_var))
    prior = (1 + (_DAY_RATIOS / _DAY_SCALE) ** 2 / 3) ** -2.0 * _DAY_RATIOS
    prior = np.concatenate(([_NO_DAY], (1 - _NO_DAY) * prior / prior.sum()))
    total = variance + noise
    log = np.log(prior) - df / 2 * (np.log(total) + square / total)
    weight = np.exp(log - log.max())
    tail = chi2.sf(df * square / noise, df)
    care = care_of(np.array([tail]), np.array([df]))[0]
    return DayPosterior(variance, weight / weight.sum(), float(care), df)
