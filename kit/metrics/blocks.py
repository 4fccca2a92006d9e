"""What the frames within one run tell of its figures' errors, by blocks of frames.

Frames are not replicates, and no published interval rests on them. Blocks say how much of the
spread between runs the frames alone would explain, and how many independent frames a run is worth.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.settings.metric import FRAME_METRICS, METRICS
from kit.stats.frames import (
    FEW_LAGS,
    autocorrelations,
    check_frames,
    first_autocorrelations,
    tail_count,
)

Floats = NDArray[np.float64]

# The bootstrap fails for extremes: a tail of fewer frames is hardly more than the longest one.
FEWEST_TAIL_FRAMES = 5


@dataclass(frozen=True, slots=True)
class RunBlocks:
    """What the frames of one run alone say of its metrics' errors: no resampling needed.

    Metrics whose tail holds fewer than 5 frames are in neither mapping.
    """

    block: int  # frames
    within_sd: Mapping[str, float]  # metric -> standard deviation of ln(value)
    effective_frames: Mapping[str, float]  # metric -> independent frames the run is worth


NO_BLOCKS = RunBlocks(0, {}, {})  # of a run without frames


def measure_blocks(
    frame_ms: Floats, *, metrics: Sequence[str] = FRAME_METRICS, block: int | None = None
) -> RunBlocks:
    """Return the errors of one run's metrics, as its frames alone give them.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, in the order shown. Finite and > 0.
    metrics : sequence of str
        Metrics of frames.
    block : int, optional
        Length of a block, in frames; without it, the optimal length of the run's frame times, or
        of the metric's own series where the metric asks for that.

    Notes
    -----
    The variance within a run is exact for the circular block bootstrap (no simulation): the mean
    squared deviation of all n circular block means, times block / n [1]_. It approaches the true
    variance of a mean from below as blocks grow.

    References
    ----------
    .. [1] D. N. Politis and J. P. Romano (1992), "A circular block-resampling procedure for
           stationary data", in: Exploring the Limits of Bootstrap, Wiley, 263-270.
    """
    check_frames(frame_ms)
    length = block if block is not None else choose_block([frame_ms])
    within_sd, effective_frames = {}, {}
    for metric in judged_metrics(frame_ms.size, metrics):
        z = influence_of(frame_ms, metric)
        own = block is None and METRICS[metric].own_blocks
        variance = _block_variance(z, choose_block([z]) if own else length)
        # ln(1000 / mean) has the relative error of the mean.
        within_sd[metric] = math.sqrt(variance) / float(z.mean())
        effective_frames[metric] = _worth(z, variance)
    return RunBlocks(length, within_sd, effective_frames)


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


def choose_block(frame_ms_runs: Sequence[Floats]) -> int:
    """Return the median over runs of the optimal circular block length, in whole frames."""
    if not frame_ms_runs:
        raise ValueError("there must be a run")
    lengths = [optimal_block(frame_ms)[1] for frame_ms in frame_ms_runs]
    return max(1, math.ceil(float(np.median(lengths))))


def optimal_block(values: Floats) -> tuple[float, float]:
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


def judged_metrics(frames: int, metrics: Sequence[str] = FRAME_METRICS) -> list[str]:
    """Return those metrics that a run of so many frames can judge: a low needs a tail."""
    return [
        metric
        for metric in metrics
        if (share := METRICS[metric].tail_share) is None
        or tail_count(frames, share=share) >= FEWEST_TAIL_FRAMES
    ]


def influence_of(frame_ms: Floats, metric: str) -> Floats:
    """Return the series whose mean is 1000 over the metric.

    Raises
    ------
    ValueError
        If the metric is not made of frames.
    """
    influence = METRICS[metric].influence
    if influence is None:
        raise ValueError(f"{metric} is not made of frames")
    return influence(frame_ms)


def block_means(values: Floats, block: int) -> Floats:
    """Return the means of the blocks that begin at each value, the series closed to a ring."""
    length = min(block, values.size)
    sums = np.zeros(values.size + length + 1)
    np.cumsum(values, out=sums[1 : values.size + 1])
    sums[values.size + 1 :] = sums[values.size] + sums[1 : length + 1]
    means: Floats = (sums[length:-1] - sums[: values.size]) / length
    return means


def _block_variance(values: Floats, block: int) -> float:
    """Return the variance of the mean by the circular block bootstrap, exactly."""
    length = min(block, values.size)
    deviations = block_means(values, length) - values.mean()
    return float((deviations**2).mean()) * length / values.size


def _worth(values: Floats, variance: float) -> float:
    """Return how many independent values would give the mean the variance the blocks give it."""
    spread = float(values.var())
    if not variance > 0 or not spread > 0:
        return float(values.size)
    return min(max(spread / variance, 1.0), float(values.size))
