"""How each frame moves a figure of its run, and what blocks of frames tell of the error.

Influence: a series whose mean is 1000 over the figure, so that a figure that is no mean (a low, a
median) has its error by the same arithmetic. Blocks: the circular block bootstrap, exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from kit.stats.series import (
    FEW_LAGS,
    autocorrelations,
    first_autocorrelations,
    frame_time_quantile,
    slowest_frames,
    tail_count,
)

Floats = NDArray[np.float64]

# Blocks drawn at a time: bounds memory, and 800 kB of starts stay in cache.
DRAWN_AT_ONCE = 100_000


def choose_block(frame_ms_runs: Sequence[Floats]) -> int:
    """Return the median over runs of the optimal circular block length, in whole frames."""
    if not frame_ms_runs:
        raise ValueError("there must be a run")
    lengths = [_optimal_block(frame_ms)[1] for frame_ms in frame_ms_runs]
    return max(1, math.ceil(float(np.median(lengths))))


def _optimal_block(values: Floats) -> tuple[float, float]:
    """Return the block lengths that suit the mean of a series: stationary and circular bootstrap.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        A series in its order.

    Returns
    -------
    tuple of float
        For the stationary bootstrap (mean length) and for the circular one (fixed length). 1.0
        for both where a series is shorter than 10 or does not vary.

    References
    ----------
    .. [1] D. N. Politis and H. White (2004), "Automatic block-length selection for the dependent
           bootstrap", Econometric Reviews 23(1), 53-70.
    .. [2] A. Patton, D. N. Politis and H. White (2009), correction to [1]_, Econometric Reviews
           28(4), 372-375.
    """
    n = values.size
    if n < 10 or float(np.ptp(values)) == 0:
        return 1.0, 1.0
    run_length = max(5, int(math.log10(n)))
    most = math.ceil(math.sqrt(n)) + run_length
    rho = first_autocorrelations(values, FEW_LAGS + 1)  # where they die out soon, that is enough
    reach = _reach(rho, run_length, most, n)
    if rho.size <= reach:
        rho = np.zeros(most + 1)
        found = autocorrelations(values)[: most + 1]
        rho[: found.size] = found
        reach = _reach(rho, run_length, most, n)
    lags = np.arange(1, reach + 1)
    # Flat-top window: 1 up to half its reach, then down to 0.
    weights = np.minimum(1.0, 2.0 * (1.0 - lags / reach))
    slope = 2.0 * float((weights * lags * rho[lags]).sum())
    long_run = 1.0 + 2.0 * float((weights * rho[lags]).sum())
    largest = math.ceil(min(3.0 * math.sqrt(n), n / 3.0))
    base = (slope / long_run) ** 2 * n if long_run != 0 else math.inf
    stationary, circular = base ** (1.0 / 3.0), (1.5 * base) ** (1.0 / 3.0)
    return min(max(stationary, 1.0), largest), min(max(circular, 1.0), largest)


def _reach(rho: Floats, run_length: int, most: int, n: int) -> int:
    """Return twice the first lag from which `run_length` autocorrelations are negligible."""
    small = np.abs(rho[:-1]) < 2.0 * math.sqrt(math.log10(n) / n)
    in_a_row = np.convolve(small, np.ones(run_length), "valid") == run_length
    quiet = np.flatnonzero(in_a_row)
    return min(2 * max(int(quiet[0]), 1), most) if quiet.size else most


def share_within(errors: Sequence[float], values: Sequence[float]) -> float | None:
    """Return the share of the variance between runs that their frames alone would explain.

    Parameters
    ----------
    errors : sequence of float
        Each run's `within_sd`.
    values : sequence of float
        Each run's value of the same metric, > 0.

    Returns
    -------
    float or None
        Mean of the squared errors over the variance of ln(value), at most 1. None with one run,
        or where runs do not differ.
    """
    if len(values) < 2:
        return None
    between = float(np.log(values).var(ddof=1))
    return min(float(np.square(errors).mean()) / between, 1.0) if between > 0 else None


def block_means(values: Floats, block: int) -> Floats:
    """Return the means of the blocks that begin at each value, the series closed to a ring."""
    length = min(block, values.size)
    sums = np.zeros(values.size + length + 1)
    np.cumsum(values, out=sums[1 : values.size + 1])
    sums[values.size + 1 :] = sums[values.size] + sums[1 : length + 1]
    means: Floats = (sums[length:-1] - sums[: values.size]) / length
    return means


def block_variance(values: Floats, block: int) -> float:
    """Return the variance of the mean by the circular block bootstrap, exactly."""
    length = min(block, values.size)
    deviations = block_means(values, length) - values.mean()
    return float((deviations**2).mean()) * length / values.size


def effective_count(values: Floats, variance: float) -> float:
    """Return how many independent values would give the mean the variance the blocks give it."""
    spread = float(values.var())
    if not variance > 0 or not spread > 0:
        return float(values.size)
    return min(max(spread / variance, 1.0), float(values.size))


def count_tails(frame_ms: Floats, starts: NDArray[np.int64], *, block: int, share: float) -> Floats:
    """Return the mean of the slowest `share` of frames of each resample, exactly.

    `starts`, shape (n_resamples, n_blocks), are the first frames of the blocks drawn. Only the
    longest frames matter: first twice as many as the tail holds are looked at, and more for the
    resamples that drew too few of them.
    """
    n = frame_ms.size
    wanted = tail_count(starts.shape[1] * block, share=share)
    means = np.empty(starts.shape[0])
    left = np.arange(starts.shape[0])
    longest = min(2 * wanted, n)
    while left.size:
        at = np.sort(np.argpartition(frame_ms, n - longest)[n - longest :])
        order = np.argsort(-frame_ms[at], kind="stable")
        rank = np.empty(longest, dtype=np.int64)
        rank[order] = np.arange(longest)
        ring = np.concatenate([rank, rank])
        # Long frames before each place of the series, which is closed to a ring.
        marks = np.zeros(n + block + 1, dtype=np.int32)
        marks[at + 1] = 1
        marks[n + 1 :] = marks[1 : block + 1]
        before = np.cumsum(marks)
        inside = (before[block : block + n] - before[:n]).astype(np.int32)  # by first frame
        again: list[NDArray[np.int64]] = []
        step = max(1, DRAWN_AT_ONCE // longest)
        for first in range(0, left.size, step):
            rows = left[first : first + step]
            opened = starts[rows] if rows.size < starts.shape[0] else starts
            count = inside[opened]
            again.append(rows[count.sum(axis=1) < wanted])  # done over in the next round
            hit = np.flatnonzero(count != 0)
            count, row = count.ravel()[hit], hit // starts.shape[1]
            begin = before[opened.ravel()[hit]]
            passed = np.cumsum(count) - count
            places = np.arange(int(count.sum())) - np.repeat(passed - begin, count)
            cells = np.repeat(row, count) * longest + ring[places]
            drawn = np.bincount(cells, minlength=rows.size * longest).reshape(-1, longest)
            taken = np.minimum(np.cumsum(drawn, axis=1), wanted).astype(np.float64)
            falls = -np.diff(frame_ms[at][order], append=0.0)
            means[rows] = taken @ falls / wanted
        left = np.concatenate(again)
        longest = min(4 * longest, n)
    return means


SPACING_CONFIDENCE = 0.95  # of the intervals that Hall and Sheather's spacing is best for


def mean_influence(frame_ms: Floats) -> Floats:
    """Return the series of an average: the frame times themselves, shape (n_frames,), in ms."""
    return frame_ms


def tail_influence(frame_ms: Floats, *, share: float) -> Floats:
    """Return the series of the mean of a run's slowest frames.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.
    share : float
        The slowest share, a fraction in (0, 0.5].

    Returns
    -------
    ndarray of float, shape (n_frames,)
        In milliseconds. Its mean is exactly the mean of the slowest `share` of frames.
    """
    count = tail_count(frame_ms.size, share=share)
    edge = slowest_frames(frame_ms, share=share)[count - 1]
    influence: Floats = np.maximum(frame_ms - edge, 0.0) * (frame_ms.size / count) + edge
    return influence


def median_influence(frame_ms: Floats) -> Floats:
    """Return the series of the median frame time.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.

    Returns
    -------
    ndarray of float, shape (n_frames,)
        In milliseconds. Its mean is the median; it does not vary where frames around the median
        are all alike (a log written in coarse steps), which tells nothing of the median's error.

    Notes
    -----
    The influence of a frame is half the sparsity up or down [1]_. The sparsity (one over the
    density at the median) is the slope of the quantile function across the spacing of [2]_: no
    shape of the distribution is assumed. Frames at the median count half for either side.

    References
    ----------
    .. [1] R. Koenker (2005), Quantile Regression, Cambridge University Press, 3.2 and 3.4
           (from memory).
    .. [2] P. Hall and S. J. Sheather (1988), "On the distribution of a Studentized quantile",
           Journal of the Royal Statistical Society B 50(3), 381-391 (from memory).
    """
    median = frame_time_quantile(frame_ms, q=0.5)
    z = NormalDist().inv_cdf((1.0 + SPACING_CONFIDENCE) / 2.0)
    spacing = (1.5 * z * z / (2.0 * math.pi * frame_ms.size)) ** (1.0 / 3.0)
    spacing = min(spacing, 0.5)
    ends = [frame_time_quantile(frame_ms, q=0.5 + side * spacing) for side in (-1.0, 1.0)]
    sparsity = (ends[1] - ends[0]) / (2.0 * spacing)
    below = (frame_ms < median) + 0.5 * (frame_ms == median)
    influence: Floats = median + sparsity * (below.mean() - below)
    return influence
