"""Run-to-run variances shared over titles and products: arrays in, distributions of variances out.

ln variance of a cell = level + effect of its title + effect of its product + its own effect. The
effects of titles and products have long tails (Student's t, 4 df), those of cells longer ones (a
share of them comes from a much wider normal): a cell unlike its neighbours keeps its own variance.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import chain

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy.special import digamma, gammaln, polygamma

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

# Below this a variance of logarithms is the rounding of equal figures.
ZERO_VARIANCE = 1e-28
# Variance that the wide part of a cell's own effect has beyond the narrow one: a standard deviation
# of 3 in ln variance is a factor of 4.5 either way in the spread of runs.
WIDE_VAR = 9.0
# Degrees of freedom of the effects of titles and products.
_EFFECT_DF = 4.0
# Grids of the scales: standard deviations of effects, even in ln; shares of odd cells. Prior of
# each standard deviation: half-t, 3 df, scale 1.
_SDS = np.geomspace(0.05, 5.0, 22)
_SHARES = np.array([0.01, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3])
_LOG_SD_PRIOR = np.log(_SDS) - 2 * np.log1p(_SDS**2 / 3)
_ROUNDS, _SWEEPS = 4, 3
# Nodes of an effect, in its standard deviations, and a finer set on which scales are judged.
_NODES = np.linspace(-4.5, 4.5, 13)
_FINE = np.linspace(-4.5, 4.5, 37)
# Table of a cell's factor: ln(sample variance) less what title and product make of it.
_R_LOW, _R_HIGH, _C_REACH = -45.0, 40.0, 16.0
_MOST_DF = 100.0  # in the factors alone; what more runs say of a cell's neighbours is the same
# Lattice of ln variance, common to all cells: step, and sums of two variances beyond this ratio of
# ln variance count as the larger.
_STEP, _LEAST_STEP = 0.25, 0.05
_NEGLIGIBLE_GAP = 6.0
_NEGLIGIBLE = 1e-9
_NEGLIGIBLE_TITLE = 1e-5
_FINER = 4
_AT_ONCE = 64  # differences whose weights a processor's cache holds
_NARROW_DF = 40.0
# Care: an interval is widened where the runs of a side scatter more than this share of such cells.
_CARE_FROM, _CARE_LEAST = 0.15, 0.05
# A cell is unlike its neighbours where fewer of them than this would scatter as much.
ODD_TAIL = 0.03
# The robust mean: where a run's influence is held (95 % efficient, Huber 1964), what the median of
# normal deviations is of their sd, and how many standard errors it must part from the mean.
_HELD_AT, _MEDIAN_DEVIATION, _PARTED = 1.345, 0.6745, 1.3
_HALVINGS = 50


@dataclass(frozen=True, slots=True, eq=False)
class CrossedFit:
    """The variances of the cells of one metric.

    Attributes
    ----------
    keys : mapping of (str, str) to int
        (title, product) to the cell's place, of the cells whose variance something is known of.
        Where sides are paired, the second is "a|b".
    run_var, df : ndarray of float, shape (n_cells,)
        Sample variance of the cell's ln values, NaN for a single run, and its degrees of freedom.
    level : float
        Mean ln variance.
    title_var, product_var, cell_var : float
        Squared scales of the effects of titles, products and cells.
    odd_share : float
        Share of cells whose own effect has the variance cell_var + `WIDE_VAR`.
    cells_used : int
        Number of cells with a variance of their own that took part.
    borrowers : mapping of (str, str) to int
        Cells apart whose runs are equal: nothing is known of their variance, and what stands in
        their place is that of a cell like the others, which a cap would only make smaller.
    tail : ndarray of float, shape (n_cells,)
        Probability of a sample variance as large as the cell's or larger, given all others; 1 where
        a cell takes no part.
    care : ndarray of float, shape (n_cells,)
        Factor in (0, 1] on the share of errors an interval of the cell may leave out.
    others_log_var : ndarray of float, shape (n_cells,)
        Mean of the cell's ln variance given all other cells; NaN where it takes no part.
    apart : ndarray of bool, shape (n_cells,)
        Cells that rest on their own runs alone.
    step, start : float, ndarray of int, shape (n_cells,)
        ln variance of node k of a cell is step * (start + k).
    weight : ndarray of float, shape (n_cells, n_title_nodes, n_nodes)
        Weights of the nodes at each node of the title; they sum to 1 over the last axis.
    title_log_var, title_weight : ndarray of float, shape (n_cells, n_title_nodes)
        Level of the cell's title (in ln variance) at its nodes, and their weights.
    """

    keys: Mapping[tuple[str, str], int]
    run_var: Floats
    df: Floats
    level: float
    title_var: float
    product_var: float
    cell_var: float
    odd_share: float
    cells_used: int
    borrowers: Mapping[tuple[str, str], int]
    tail: Floats
    care: Floats
    others_log_var: Floats
    apart: NDArray[np.bool_]
    step: float
    start: Ints
    weight: Floats
    title_log_var: Floats
    title_weight: Floats

    @property
    def apart_var(self) -> float:
        """How far ln variances of cells of one title lie apart; a quarter of the odd ones' spread.

        The whole of it would describe cells a plan need not reckon with.
        """
        return self.product_var + self.cell_var + WIDE_VAR / 4 * self.odd_share

    def moments(self, place: int) -> tuple[Floats, Floats]:
        """Return mean and variance of a cell's ln variance at each node of its title."""
        k = self.step * np.arange(self.weight.shape[2])
        mean = self.weight[place] @ k
        var = self.weight[place] @ k**2 - mean**2
        return mean + self.step * self.start[place], np.maximum(var, 0.0)

    def mean_log_var(self, place: int) -> float:
        """Return the mean of a cell's ln variance, given its own runs and all others."""
        return float(self.title_weight[place] @ self.moments(place)[0])

    def parted_means(
        self, places: Ints, x: Sequence[Sequence[float]], weight: Sequence[Sequence[float]]
    ) -> Floats:
        """Return the robust means of cells' ln values where they part from their means, else NaN.

        Parameters
        ----------
        places : ndarray of int, shape (n,)
            The cells'.
        x, weight : sequence of sequence of float
            Their ln values and what each weighs: the variance of one is that of the cell over it.

        Notes
        -----
        Huber's mean [1]_, with the larger of two standard deviations: what all other cells lead one
        to expect, which a few slow runs of this one do not move, and that of the median deviation
        of its own, so that a cell that scatters evenly is not marked. They part where they lie more
        than 1.3 standard errors apart: at most 2 of 100 clean cells of 3 to 10 runs, normal or t
        with 5 degrees of freedom (see `tests/bench/coverage.py`).

        References
        ----------
        .. [1] P. J. Huber (1964), "Robust estimation of a location parameter", The Annals of
               Mathematical Statistics 35(1), 73-101.
        """
        return _parted_means(x, weight, np.exp(self.others_log_var[places] / 2))


def _parted_means(
    x: Sequence[Sequence[float]], weight: Sequence[Sequence[float]], expected: Floats
) -> Floats:
    """Return Huber's means with the larger of two deviations, NaN where they do not part."""
    n = np.array([len(row) for row in x])
    there = np.arange(n.max()) < n[:, None]
    values, root = np.zeros(there.shape), np.zeros(there.shape)
    values[there] = np.fromiter(chain.from_iterable(x), np.float64)
    root[there] = np.sqrt(np.fromiter(chain.from_iterable(weight), np.float64))

    def middle(of: Floats) -> Floats:
        row = np.sort(np.where(there, of, np.inf), axis=1)
        ends = np.take_along_axis(row, np.stack([(n - 1) // 2, n // 2], axis=1), axis=1)
        return np.asarray(ends.mean(axis=1))

    total = (root**2).sum(axis=1)
    mean = (root**2 * values).sum(axis=1) / total
    own = middle(root * np.abs(values - middle(values)[:, None])) / _MEDIAN_DEVIATION
    sd = np.maximum(expected, own)
    reach = _HELD_AT * sd[:, None]
    low = np.where(there, values, np.inf).min(axis=1)
    high = np.where(there, values, -np.inf).max(axis=1)
    for _ in range(_HALVINGS):
        robust = (low + high) / 2
        pull = root * np.clip(root * (values - robust[:, None]), -reach, reach)
        up = pull.sum(axis=1) > 0
        low, high = np.where(up, robust, low), np.where(up, high, robust)
    parted = (n > 2) & (np.abs(robust - mean) * np.sqrt(total) > _PARTED * sd)
    return np.where(parted, robust, np.nan)


@cache
def _refine() -> Floats:
    """Return what makes values at `_NODES` into values at `_FINE`: a cubic spline whose third
    derivative does not jump beside its ends ("not a knot"). scipy's takes 0.2 s to import."""
    n, h = _NODES.size, _NODES[1] - _NODES[0]
    values = np.eye(n)
    rise = np.diff(values, axis=0) / h
    slope, pivot = np.empty_like(values), np.full(n, 4 * h)  # of the spline at its nodes
    slope[1:-1] = 3 * (h * rise[1:] + h * rise[:-1])
    slope[0] = (5 * h * h * rise[0] + h**2 * rise[1]) / (2 * h)
    slope[-1] = (h**2 * rise[-2] + 5 * h * h * rise[-1]) / (2 * h)
    above, below = np.full(n - 1, h), np.full(n - 1, h)
    pivot[[0, -1]], above[0], below[-1] = h, 2 * h, 2 * h
    for i in range(n - 1):
        share = below[i] / pivot[i]
        pivot[i + 1] -= share * above[i]
        slope[i + 1] -= share * slope[i]
    slope[-1] /= pivot[-1]
    for i in reversed(range(n - 1)):
        slope[i] = (slope[i] - above[i] * slope[i + 1]) / pivot[i]
    bend = (slope[:-1] + slope[1:] - 2 * rise) / h
    at = np.clip(np.searchsorted(_NODES, _FINE, side="right") - 1, 0, n - 2)
    x = (_FINE - _NODES[at])[:, None]
    square = ((rise - slope[:-1]) / h - bend)[at]
    found: Floats = values[at] + slope[at] * x + square * (x * x) + (bend / h)[at] * (x * x * x)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """Errors of n estimates: mixtures of normals around 0 on one lattice of ln variance.

    Attributes
    ----------
    step, start : float, ndarray of int, shape (n,)
        ln variance of component k of estimate i is step * (start[i] + k).
    weight : ndarray of float, shape (n, n_components)
        They sum to 1 over the last axis.
    """

    step: float
    start: Ints
    weight: Floats

    @property
    def sd(self) -> Floats:
        """Standard deviations of the components, shape (n, n_components)."""
        place = self.start[:, None] + np.arange(self.weight.shape[1])
        found: Floats = np.exp(self.step * place / 2)
        return found

    def row(self, i: int) -> Mixture:
        """Return the error of one estimate."""
        return Mixture(self.step, self.start[i : i + 1], self.weight[i : i + 1])

    @classmethod
    def stack(cls, errors: Sequence[Mixture]) -> Mixture:
        """Return errors of any numbers of components as one mixture of several rows.

        Errors on lattices of different steps are refined to the finest of them.
        """
        step = min(error.step for error in errors)
        alike = [error if error.step == step else _refined(error, step) for error in errors]
        width = max(error.weight.shape[1] for error in alike)
        weight = np.zeros((len(alike), width))
        for row, error in zip(weight, alike, strict=True):
            row[: error.weight.shape[1]] = error.weight[0]
        return cls(step, np.array([int(error.start[0]) for error in alike]), weight)

    @staticmethod
    def of_sides(fit: CrossedFit, a: Ints, n_a: Floats, b: Ints, n_b: Floats) -> Mixture:
        """Return the errors of differences of two means, variance_a / n_a + variance_b / n_b.

        Parameters
        ----------
        a, b : ndarray of int, shape (n,)
            Places of the two cells of each difference, of the same title.
        n_a, n_b : ndarray of float, shape (n,)
            Runs behind either mean.
        """
        shift = -np.log(np.stack((n_a, n_b))) / fit.step
        base, reach = int(np.floor(shift.min())), int(np.floor(shift.max()))
        heavy = np.flatnonzero(fit.title_weight[a].max(axis=0, initial=0.0) > _NEGLIGIBLE_TITLE)
        nodes = slice(int(heavy[0]), int(heavy[-1]) + 1)
        found = []
        for first in range(0, len(a), _AT_ONCE):
            rows = slice(first, first + _AT_ONCE)
            one, two = (
                _shift(
                    np.ascontiguousarray(fit.weight[cells[rows], nodes].transpose(1, 0, 2)),
                    moved[rows] - base, reach - base, fit.step,
                )
                for cells, moved in zip((a, b), shift, strict=True)
            )  # fmt: skip
            one *= fit.title_weight[a[rows], nodes].T[:, :, None]
            found.append(_summed(one, two, fit.step))
        out = np.concatenate(found)
        out /= out.sum(axis=1, keepdims=True)
        return Mixture(fit.step, fit.start[a] + base, out)

    @staticmethod
    def of_means(fit: CrossedFit, cell: Ints, n: Floats) -> Mixture:
        """Return the errors of single means, variance / n, as `Mixture.of_sides` does."""
        shift = -np.log(n) / fit.step
        base, reach = int(np.floor(shift.min())), int(np.floor(shift.max()))
        flat = np.einsum("mt,mtk->mk", fit.title_weight[cell], fit.weight[cell])
        moved = _shift(flat[None], shift - base, reach - base, fit.step)[0]
        return Mixture(fit.step, fit.start[cell] + base, moved)

    @staticmethod
    def of_t(log_se: Floats, df: Floats, *, step: float = _STEP) -> Mixture:
        """Return scaled Student t errors as mixtures of normals: variance df se^2 / chi2_df."""
        top = np.clip(40 / df, 8.0, 30.0)
        centre = np.round(2 * np.log(log_se) / step).astype(np.intp)
        below = int(np.ceil(8.0 / step))
        k = np.arange(-below, min(int(np.ceil(top.max() / step)), 120) + 1)
        y = step * (centre[:, None] + k) - 2 * np.log(log_se)[:, None]
        weight = _normalised(-df[:, None] / 2 * (y + np.exp(-y)))
        narrow = np.flatnonzero(df > _NARROW_DF)
        if narrow.size:  # the lattice is too coarse for it: three nodes, split between neighbours
            weight[narrow] = 0.0
            for node, mass in ((-math.sqrt(3), 1 / 6), (0.0, 2 / 3), (math.sqrt(3), 1 / 6)):
                value = np.log(df / 2) - digamma(df / 2) + node * np.sqrt(polygamma(1, df / 2))
                place = (value - y[:, 0])[narrow] / step
                left = place.astype(np.intp)
                weight[narrow, left] += mass * (1 - (place - left))
                weight[narrow, left + 1] += mass * (place - left)
        return Mixture(step, centre - below, weight)


# -- the factor of a cell -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Factor:
    """What a cell of v degrees of freedom says of r = ln s^2 - level - title - product."""

    step: float
    kernel: Floats  # (n_r, n_c): density of ln(chi2_v / v) at r - c
    narrow: Floats  # (n_scales, n_r): F with the narrow part alone, for each of `_SDS`
    wide: Floats  # likewise, the wide part

    def curve(self, cell_var: float, odd_share: float) -> Floats:
        """Return F on the grid of r for any scale."""
        c = np.arange(-_C_REACH, _C_REACH + self.step / 2, self.step)
        found: Floats = (1 - odd_share) * (self.kernel @ _grid_normal(c, cell_var))
        if odd_share > 0:
            found += odd_share * (self.kernel @ _grid_normal(c, cell_var + WIDE_VAR))
        return found


def _grid_normal(c: Floats, variance: float) -> Floats:
    """Return a normal on a grid, weights that sum to 1."""
    density = np.exp(-(c**2) / (2 * variance))
    total: Floats = density / density.sum()
    return total


@lru_cache(maxsize=64)
def _factor(df: float) -> _Factor:
    step = 0.1 if df <= 20 else 0.05
    r = np.arange(_R_LOW, _R_HIGH + step / 2, step)
    c = np.arange(-_C_REACH, _C_REACH + step / 2, step)
    x = np.minimum(r[:, None] - c, 30.0)
    half = df / 2
    kernel = np.exp(half * math.log(half) - gammaln(half) + half * (x - np.exp(x)))
    narrow = np.array([_grid_normal(c, sd**2) for sd in _SDS])
    wide = np.array([_grid_normal(c, sd**2 + WIDE_VAR) for sd in _SDS])
    return _Factor(step, kernel, narrow @ kernel.T, wide @ kernel.T)


# -- beliefs over the crossed design --------------------------------------------------------------


@dataclass(slots=True, eq=False)
class _Side:
    """Titles or products: the effects of one side of the design, and what is believed of them."""

    of_cell: Ints
    count: int
    scale_var: float
    centre: Floats
    nodes: Floats  # (count, n_nodes)
    log_prior: Floats  # (count, n_nodes)
    messages: Floats  # (n_cells, n_nodes)

    def place_nodes(self, precision: Floats) -> None:
        """Set nodes around the centres, as wide as the cells leave an effect open."""
        if self.count == 1:
            sd = np.sqrt(2 * self.scale_var / (1 + 2 * self.scale_var * precision))
        else:
            sd = 1 / np.sqrt(1 / (2 * self.scale_var) + precision)
        self.nodes = self.centre[:, None] + sd[:, None] * _NODES
        self.log_prior = self.log_density(self.nodes, self.scale_var)
        self.messages = np.zeros((self.of_cell.size, _NODES.size))

    def log_density(self, x: Floats, scale_var: float | Floats) -> Floats:
        """Return the log density of an effect, its level's own uncertainty within."""
        squared = scale_var * (1 + 1 / self.count)
        found: Floats = -0.5 * (_EFFECT_DF + 1) * np.log1p(x**2 / (_EFFECT_DF * squared))
        return found - 0.5 * np.log(squared)

    def summed(self) -> Floats:
        """Return the log evidence on each effect, shape (count, n_nodes)."""
        member = np.arange(self.count)[:, None] == self.of_cell
        total: Floats = member.astype(np.float64) @ self.messages
        return total

    def belief(self) -> Floats:
        """Return the posterior weights of the nodes, shape (count, n_nodes)."""
        return _normalised(self.log_prior + self.summed())

    def cavity(self) -> Floats:
        """Return, per cell, the weights its effect has by all other cells."""
        return _normalised((self.log_prior + self.summed())[self.of_cell] - self.messages)

    def estimate_scale(self, power: float) -> float:
        """Return the posterior mean of the squared scale."""
        step = (self.nodes[:, -1] - self.nodes[:, 0]) / (_FINE.size - 1)
        x = self.nodes @ _refine().T
        evidence = self.summed() @ _refine().T
        top = evidence.max(axis=1, keepdims=True)
        prior = np.exp(self.log_density(x[None], _SDS[:, None, None] ** 2))
        inside = (prior * np.exp(evidence - top) * step[:, None]).sum(axis=2)
        log = _LOG_SD_PRIOR + power * np.log(inside + 1e-300).sum(axis=1)
        return float(_normalised(log[None])[0] @ _SDS**2)


def _normalised(log: Floats) -> Floats:
    weight: Floats = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    return weight


@dataclass(slots=True, eq=False)
class _Beliefs:
    """The cells that take part, and what is believed of titles, products and scales."""

    log_s2: Floats
    df: Floats
    titles: _Side
    products: _Side | None
    temper: float
    noise: Floats  # variance of ln s^2
    level: float = 0.0
    cell_var: float = 0.5
    odd_share: float = 0.05

    def run(self) -> None:
        """Find scales and beliefs: messages from no knowledge, then scales, in turns."""
        self._start()
        for round_ in range(_ROUNDS):
            self._place_nodes()
            table = self._tables()
            for _ in range(_SWEEPS):
                self._sweep(table)
            if round_ < _ROUNDS - 1:
                self._estimate_scales()

    def sides(self) -> list[_Side]:
        return [self.titles] + ([self.products] if self.products else [])

    def product_scale(self) -> float:
        return self.products.scale_var if self.products else 0.0

    def _start(self) -> None:
        """Centre effects by alternating weighted means of ln variances."""
        z = self.log_s2 - digamma(self.df / 2) + np.log(self.df / 2)
        w = 1 / (self.noise + self.cell_var)
        self.level = float(w @ z / w.sum())
        for _ in range(8):
            for side in self.sides():
                rest = z - self.level
                for other in self.sides():
                    if other is not side:
                        rest = rest - other.centre[other.of_cell]
                total = np.bincount(side.of_cell, w, side.count)
                side.centre = np.bincount(side.of_cell, w * rest, side.count) / (total + 2)
            rest = z - sum(side.centre[side.of_cell] for side in self.sides())
            self.level = float(w @ rest / w.sum())

    def _place_nodes(self) -> None:
        noise = self.noise + self.cell_var + WIDE_VAR / 4 * self.odd_share
        for side in self.sides():
            power = self.temper if side is self.titles else 1.0
            w = power / noise
            total = np.bincount(side.of_cell, w, side.count)
            number = np.maximum(np.bincount(side.of_cell, minlength=side.count), 1)
            side.place_nodes(np.maximum(total - total / number, 0.0))

    def residuals(self) -> Floats:
        """Return r at every node of title and product, shape (n_cells, n_title, n_product)."""
        r = (self.log_s2 - self.level)[:, None, None] - self.titles.nodes[self.titles.of_cell][
            :, :, None
        ]
        if self.products is None:
            return r
        return r - self.products.nodes[self.products.of_cell][:, None, :]

    def _tables(self) -> Floats:
        """Return F at every node of title and product."""
        r = self.residuals()
        found = np.empty_like(r)
        for factor, rows in self._factors():
            curve = factor.curve(self.cell_var, self.odd_share)
            place = (r[rows] - _R_LOW) / factor.step
            np.clip(place, 0.0, curve.size - 1.001, out=place)
            left = place.astype(np.intp)
            place -= left
            place *= np.append(np.diff(curve), 0.0)[left]
            found[rows] = curve[left] + place
        return np.maximum(found, 1e-300, out=found)

    def _factors(self) -> Iterator[tuple[_Factor, NDArray[np.bool_] | slice]]:
        """Yield the factor of each number of degrees of freedom, and its cells."""
        each = np.unique(self.df)
        for df in each:
            yield _factor(float(df)), self.df == df if each.size > 1 else slice(None)

    def _sweep(self, table: Floats) -> None:
        if self.products is None:
            self.titles.messages = self.temper * np.log(table[:, :, 0])
            return
        seen = np.matmul(table, self.products.cavity()[:, :, None])[:, :, 0]
        self.titles.messages = self.temper * np.log(seen)
        seen = np.matmul(self.titles.cavity()[:, None, :], table)[:, 0, :]
        self.products.messages = np.log(seen)

    def cavities(self) -> Floats:
        """Return the weight of every node by all other cells, shape as `residuals`."""
        if self.products is None:
            return self.titles.cavity()[:, :, None]
        return self.titles.cavity()[:, :, None] * self.products.cavity()[:, None, :]

    def binned(self, rows: NDArray[np.bool_] | slice, step: float) -> tuple[Floats, int]:
        """Return the distribution of r by all other cells on the factor's grid, and its start."""
        r, weight = self.residuals()[rows], self.cavities()[rows]
        size = round((_R_HIGH - _R_LOW) / step) + 1
        place = (r - _R_LOW) / step
        np.clip(place, 0.0, size - 1.001, out=place)
        left = place.astype(np.intp)
        place -= left
        right = weight * place
        start = int(left.min())
        width = int(left.max()) - start + 2
        flat = (left - start + width * np.arange(len(r))[:, None, None]).ravel()
        counts = np.bincount(flat, (weight - right).ravel(), len(r) * width).astype(np.float64)
        counts += np.bincount(flat + 1, right.ravel(), len(r) * width)
        return counts.reshape(len(r), width), start

    def _estimate_scales(self) -> None:
        log = np.log(_PRIOR_SHARES)[None, :] + _LOG_SD_PRIOR[:, None]
        for factor, rows in self._factors():
            counts, start = self.binned(rows, factor.step)
            part = slice(start, start + counts.shape[1])
            narrow = counts @ factor.narrow[:, part].T
            wide = counts @ factor.wide[:, part].T
            inside = narrow[:, :, None] * (1 - _SHARES) + wide[:, :, None] * _SHARES
            log = log + self.temper * np.log(np.maximum(inside, 1e-300)).sum(axis=0)
        weight = _normalised(log.reshape(1, -1)).reshape(log.shape)
        titles = self.titles
        titles.scale_var = titles.estimate_scale(1.0)
        if self.products is not None:
            self.products.scale_var = self.products.estimate_scale(self.temper)
        self.cell_var = float(weight.sum(axis=1) @ _SDS**2)
        self.odd_share = float(weight.sum(axis=0) @ _SHARES)
        for side in self.sides():
            side.centre = (side.belief() * side.nodes).sum(axis=1)
            mean = float(side.centre.mean())
            side.centre = side.centre - mean
            self.level += mean

    def tail(self) -> Floats:
        """Return, per cell, P(a sample variance at least as large | all other cells)."""
        found = np.empty(self.df.size)
        for factor, rows in self._factors():
            curve = factor.curve(self.cell_var, 0.0)
            below = np.concatenate(([0.0], np.cumsum((curve[1:] + curve[:-1]) / 2))) * factor.step
            counts, start = self.binned(rows, factor.step)
            found[rows] = counts @ (1 - below[start : start + counts.shape[1]])
        return np.clip(found, 0.0, 1.0)


_PRIOR_SHARES = np.full(_SHARES.size, 1 / _SHARES.size)


def care_of(tail: Floats, df: Floats) -> Floats:
    """Return the factor on the share of errors that an interval may leave out.

    1 where a sample variance is what others lead one to expect; less where it is larger than that
    of 85 in 100 such cells, by as much as it is; fading where runs are many.
    """
    power = np.minimum(1.0, _log_noise(np.maximum(df, 1.0)) / polygamma(1, 1.0))
    found: Floats = np.clip(tail / _CARE_FROM, _CARE_LEAST, 1.0) ** power
    return found


# -- the fit --------------------------------------------------------------------------------------


def fit_crossed_variances(
    keys: Sequence[tuple[str, str]],
    run_var: Floats,
    df: Floats,
    *,
    apart: Collection[tuple[str, str]] = (),
    temper: float = 1.0,
) -> CrossedFit:
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
        Power of each cell's likelihood where cells of one title are not independent, in (0, 1].

    Raises
    ------
    ValueError
        If no cell has a variance to share.

    Notes
    -----
    Beliefs by sum-product over the crossed design, scales by coordinate steps on its marginal
    likelihood, each the mean of its posterior; see the method page. Smyth (2004), Stat. Appl.
    Genet. Mol. Biol. 3(1) art. 3, shares at one level; Phipson et al. (2016), Ann. Appl. Stat.
    10(2), 946-963, robustly so.
    """
    df = np.where(np.isfinite(run_var), df, 0.0)
    var = np.where(df > 0, np.nan_to_num(run_var), 0.0)
    var = np.where(var < ZERO_VARIANCE, 0.0, var)
    alone = np.array([key in apart for key in keys], dtype=bool)
    used = (var > 0) & ~alone
    if not used.any():
        raise ValueError("no cell has two runs that differ: there is no variance to share")
    title = _numbered([t for t, _ in keys])
    product = _numbered([p for _, p in keys])
    n_titles, n_products = int(title.max()) + 1, int(product.max()) + 1
    crossed = n_titles > 1 and n_products > 1
    beliefs = _Beliefs(
        log_s2=np.log(var[used]),
        df=np.minimum(df[used], _MOST_DF),
        titles=_new_side(title[used], n_titles),
        products=_new_side(product[used], n_products) if crossed else None,
        temper=temper,
        noise=_log_noise(df[used]),
    )
    beliefs.run()
    tail = np.ones(len(keys))
    tail[used] = beliefs.tail()
    others = np.full(len(keys), np.nan)
    others[used] = beliefs.log_s2 - (beliefs.cavities() * beliefs.residuals()).sum(axis=(1, 2))
    titles = beliefs.titles
    title_nodes = beliefs.level + titles.nodes
    title_weight = titles.belief()
    known = ~alone | (var > 0)
    start, step, weight = _cell_posteriors(
        beliefs, var, np.where(known, df, 0.0), title, product, used, alone & known, title_nodes
    )
    return CrossedFit(
        keys={key: i for i, key in enumerate(keys) if known[i]},
        run_var=np.where(df > 0, run_var, np.nan),
        df=df,
        level=beliefs.level,
        title_var=titles.scale_var,
        product_var=beliefs.product_scale(),
        cell_var=beliefs.cell_var,
        odd_share=beliefs.odd_share,
        cells_used=int(used.sum()),
        borrowers={key: i for i, key in enumerate(keys) if not known[i]},
        tail=tail,
        care=np.where(used, care_of(tail, df), 1.0),
        others_log_var=others,
        apart=alone,
        step=step,
        start=start,
        weight=weight,
        title_log_var=title_nodes[title],
        title_weight=title_weight[title],
    )


def _log_noise(df: Floats) -> Floats:
    """Return the variance of ln(sample variance)."""
    each, place = np.unique(df, return_inverse=True)
    found: Floats = polygamma(1, each / 2)[place]
    return found


def _numbered(names: Sequence[str]) -> Ints:
    places = {name: i for i, name in enumerate(dict.fromkeys(names))}
    return np.array([places[name] for name in names], dtype=np.intp)


def _new_side(of_cell: Ints, count: int) -> _Side:
    empty = np.zeros((count, _NODES.size))
    return _Side(
        of_cell, count, 0.5, np.zeros(count), empty, empty, np.zeros((of_cell.size, _NODES.size))
    )


def _cell_posteriors(
    beliefs: _Beliefs,
    var: Floats,
    df: Floats,
    title: Ints,
    product: Ints,
    used: NDArray[np.bool_],
    alone: NDArray[np.bool_],
    title_nodes: Floats,
) -> tuple[Ints, float, Floats]:
    """Return start, step and weights of every cell's ln variance on the common lattice."""
    step = float(np.clip(0.8 * math.sqrt(2 / max(df.max(), 1.0)), _LEAST_STEP, _STEP))
    fine = step / _FINER
    # The prior of ln variance - title: product and own effect together, on a grid of its own.
    narrow = max(beliefs.cell_var, (0.6 * step) ** 2)
    first, width = _windows(beliefs, var, df, title, alone, step)
    y = step * (first[:, None] + np.arange(width))[title]
    place = (y[:, :1] - title_nodes[title]) / fine
    whole = np.floor(place).astype(np.intp)
    base = int(whole.min())
    x = fine * np.arange(base, int(whole.max()) + _FINER * width + 2, dtype=np.float64)
    prior = _effect_prior(beliefs, x, narrow, beliefs.odd_share, product, used)
    equal = (var == 0) & (df > 0)
    if equal.any():  # they speak for a small variance, not for a cell unlike the others
        prior = np.where(
            equal[:, None], _effect_prior(beliefs, x, narrow, 0.0, product, used), prior
        )
    row, column = prior.strides
    shape = (var.size, whole.max() - base + 2, width)
    spaced = as_strided(prior, shape, (row, column, _FINER * column), writeable=False)
    cell = np.arange(var.size)[:, None]
    weight = spaced[cell, whole - base]
    weight += (place - whole)[:, :, None] * (spaced[cell, whole - base + 1] - weight)
    weight[alone] = 1.0
    log = -df[:, None] / 2 * (y + var[:, None] * np.exp(-y))
    weight *= np.exp(log - log.max(axis=1, keepdims=True))[:, None, :]
    weight /= np.maximum(weight.sum(axis=2, keepdims=True), 1e-300)
    return first[title], step, weight


def _windows(
    beliefs: _Beliefs, var: Floats, df: Floats, title: Ints, alone: NDArray[np.bool_], step: float
) -> tuple[Ints, int]:
    """Return where on the lattice each title's cells begin, and how many nodes all need."""
    side = beliefs.titles
    middle = beliefs.level + (side.belief() * side.nodes).sum(axis=1)[title]
    seen = np.where(var > 0, np.log(np.where(var > 0, var, 1.0)), middle)
    low, high = np.minimum(seen, middle) - 8.0, np.maximum(seen, middle) + 11.0
    high = np.where(alone, seen + (40 / np.maximum(df, 1.0)).clip(8.0, 25.0), high)
    start = np.floor(low / step)
    y = start[:, None] * step + step * np.arange(int(np.ceil((high - low).max() / step)) + 2)
    gap = (y - middle[:, None]) ** 2
    narrow = beliefs.cell_var + beliefs.product_scale() + 0.25
    prior = (1 - beliefs.odd_share) * np.exp(-gap / (2 * narrow))
    prior += beliefs.odd_share * np.exp(-gap / (2 * (narrow + WIDE_VAR)))
    prior[alone] = 1.0
    log = np.log(prior + 1e-300) - df[:, None] / 2 * (y + var[:, None] * np.exp(-y))
    heavy = log > log.max(axis=1, keepdims=True) + math.log(_NEGLIGIBLE)
    first = np.full(side.count, np.inf)
    last = np.full(side.count, -np.inf)
    np.minimum.at(first, title, start + heavy.argmax(axis=1))
    np.maximum.at(last, title, start + y.shape[1] - heavy[:, ::-1].argmax(axis=1))
    return first.astype(np.intp), int((last - first).max()) + 1


def _effect_prior(
    beliefs: _Beliefs, x: Floats, narrow: float, odd: float, product: Ints, used: NDArray[np.bool_]
) -> Floats:
    """Return, per cell, the density of product effect + own effect at x."""

    def density(of: Floats) -> Floats:
        found = (1 - odd) / math.sqrt(narrow) * np.exp(-(of**2) / (2 * narrow))
        if odd > 0:
            wide = narrow + WIDE_VAR
            found += odd / math.sqrt(wide) * np.exp(-(of**2) / (2 * wide))
        return found

    side = beliefs.products
    if side is None:
        return np.broadcast_to(density(x), (used.size, x.size))
    each = density(x[None, :, None] - side.nodes[:, None, :])  # (n_products, n_x, n_nodes)
    weight = side.belief()[product]
    weight[used] = side.cavity()
    found = np.empty((used.size, x.size))
    for p in range(side.count):
        rows = product == p
        found[rows] = weight[rows] @ each[p].T
    return found


# -- errors as mixtures ---------------------------------------------------------------------------


def _refined(error: Mixture, step: float) -> Mixture:
    """Return an error of one row on a finer lattice."""
    place = error.step * (int(error.start[0]) + np.arange(error.weight.shape[1])) / step
    left = np.floor(place).astype(np.intp)
    right = error.weight[0] * _split(place - left, step)
    start = int(left[0])
    size = int(left[-1]) - start + 2
    weight = np.bincount(left - start, error.weight[0] - right, size)
    weight = weight + np.bincount(left - start + 1, right, size)
    return Mixture(step, np.array([start]), weight[None].astype(np.float64))


def _split(part: float | Floats, step: float) -> float | Floats:
    """Return the share of the upper of two nodes, so that the mean variance stays as it is."""
    found: float | Floats = np.expm1(part * step) / math.expm1(step)
    return found


def _summed(one: Floats, two: Floats, step: float) -> Floats:
    """Return weights of sums of two variances each, by title's node, sum and component."""
    size = one.shape[2]
    gaps = min(int(np.ceil(_NEGLIGIBLE_GAP / step)), size - 1)
    extra = int(np.ceil(math.log(2) / step)) + 1
    out = np.zeros((one.shape[1], size + extra))
    for gap in range(gaps + 1):
        rise = math.log1p(math.exp(-gap * step)) / step
        whole = int(rise)
        part = float(_split(rise - whole, step))
        found = np.einsum("tmk,tmk->mk", one[:, :, gap:], two[:, :, : size - gap])
        if gap:
            found += np.einsum("tmk,tmk->mk", two[:, :, gap:], one[:, :, : size - gap])
        out[:, gap + whole : size + whole] += (1 - part) * found
        out[:, gap + whole + 1 : size + whole + 1] += part * found
    rest = size - gaps - 1
    if rest > 0:
        for mine, other in ((one, two), (two, one)):
            below = np.cumsum(other[:, :, :rest], axis=2)
            out[:, gaps + 1 : size] += np.einsum("tmk,tmk->mk", mine[:, :, gaps + 1 :], below)
    return out


def _shift(weight: Floats, shift: Floats, reach: int, step: float) -> Floats:
    """Return weights moved up the lattice by `shift` steps, split between the two nearest nodes.

    Of shapes (any, n, n_components) and (n,).
    """
    size = weight.shape[2]
    moved = np.zeros((*weight.shape[:2], size + reach + 1))
    whole = np.floor(shift).astype(np.intp)
    for by in np.unique(whole):
        at = whole == by
        part = _split((shift[at] - by)[:, None], step)
        rows = slice(None) if at.all() else at  # no copies where all move alike
        moved[:, rows, by : by + size] = (1 - part) * weight[:, rows]
        moved[:, rows, by + 1 : by + 1 + size] += part * weight[:, rows]
    return moved
