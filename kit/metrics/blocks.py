"""What the frames within one run tell of its figures' errors, by blocks of frames: a diagnostic.

Frames are not replicates, and no published interval rests on them. Blocks say how much of the
spread between runs the frames alone would explain, and how many independent frames a run holds.
The block bootstrap says what little can be said of a lone run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.settings.metric import DEFAULT_METRICS, FRAME_METRICS, METRICS, tail_shares
from kit.stats.blocks import (
    DRAWN_AT_ONCE,
    block_means,
    block_variance,
    choose_block,
    count_tails,
    effective_count,
    share_within,
)
from kit.stats.series import check_frames, low_fps, tail_count

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
    effective_frames: Mapping[str, float]  # metric -> effective sample size, in frames


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
    for metric in _judged_metrics(frame_ms.size, metrics):
        z = _influence_of(frame_ms, metric)
        own = block is None and METRICS[metric].own_blocks
        variance = block_variance(z, choose_block([z]) if own else length)
        # ln(1000 / mean) has the relative error of the mean.
        within_sd[metric] = math.sqrt(variance) / float(z.mean())
        effective_frames[metric] = effective_count(z, variance)
    return RunBlocks(length, within_sd, effective_frames)


def _judged_metrics(frames: int, metrics: Sequence[str] = FRAME_METRICS) -> list[str]:
    """Return those metrics that a run of so many frames can judge: a low needs a tail."""
    return [
        metric
        for metric in metrics
        if (share := METRICS[metric].tail_share) is None
        or tail_count(frames, share=share) >= FEWEST_TAIL_FRAMES
    ]


def _influence_of(frame_ms: Floats, metric: str) -> Floats:
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


TAILS = tail_shares(DEFAULT_METRICS)
# Up to here, which frames of the tail were drawn is counted out; above, the influence function
# gives interval ends within 3 % of the width, for less.
COUNTED_TAIL_FRAMES = 40


@dataclass(frozen=True, slots=True)
class _MetricBlocks:
    """What resampled blocks say of one metric of one product in one title.

    `value` is the geometric mean over runs. `low` and `high` are percentiles of the resampled
    values: runs drawn first, then blocks within them; with one run, blocks alone, so that they
    leave out whatever differs from run to run. Lows are the rate of the slowest share of frames,
    whichever definition params choose.
    """

    metric: str
    value: float
    low: float
    high: float
    within_sd: float  # of one run's ln(value), from its frames alone
    between_sd: float | None  # of ln(value) between runs as seen; None for one run
    within_share: float | None  # share of the variance between runs that frames alone explain
    effective_frames: float  # effective sample size of a run for this metric, mean over runs


@dataclass(frozen=True, slots=True)
class _BlockDiagnostic:
    """A block bootstrap of some runs of one product in one title."""

    runs: int
    block: int  # frames
    resamples: int
    seed: int
    confidence: float
    metrics: Mapping[str, _MetricBlocks]
    left_out: Mapping[str, str]  # metric -> why it cannot be judged


def block_bootstrap(
    frame_ms_runs: Sequence[Floats],
    *,
    block: int | None = None,
    resamples: int,
    seed: int,
    confidence: float = 0.95,
) -> _BlockDiagnostic:
    """Return what resampled blocks of frames say of a cell's runs.

    Parameters
    ----------
    frame_ms_runs : sequence of ndarray of float, shape (n_frames,)
        One array a run: the time each frame took, in milliseconds, in the order shown.
    block : int, optional
        Length of a block, in frames. Without it, the median over runs of the optimal length for
        the circular bootstrap.
    resamples : int
        How often to resample.
    seed : int
        Of the random numbers.
    confidence : float
        Of the interval, a fraction in (0, 1).

    Returns
    -------
    _BlockDiagnostic
        Metrics that cannot be judged are named in `left_out`, with the reason.

    Raises
    ------
    ValueError
        If there is no run, a run is not measurable, `block` or `resamples` is below 1, or
        `confidence` is outside (0, 1).
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1): {confidence}")
    length = block if block is not None else choose_block(frame_ms_runs)
    replicates = _bootstrap_replicates(frame_ms_runs, block=length, resamples=resamples, seed=seed)
    runs = [
        measure_blocks(frame_ms, metrics=DEFAULT_METRICS, block=length)
        for frame_ms in frame_ms_runs
    ]
    metrics: dict[str, _MetricBlocks] = {}
    for metric, drawn in replicates.items():
        values = [_value(frame_ms, metric) for frame_ms in frame_ms_runs]
        errors = [run.within_sd[metric] for run in runs]
        low, high = np.quantile(drawn, [(1 - confidence) / 2, (1 + confidence) / 2])
        metrics[metric] = _MetricBlocks(
            metric=metric,
            value=float(np.exp(np.log(values).mean())),
            low=float(low),
            high=float(high),
            within_sd=float(np.sqrt(np.square(errors).mean())),
            between_sd=float(np.log(values).std(ddof=1)) if len(values) > 1 else None,
            within_share=share_within(errors, values),
            effective_frames=float(np.mean([run.effective_frames[metric] for run in runs])),
        )
    left_out = {
        metric: "cannot be judged: the shortest run has only "
        f"{tail_count(min(f.size for f in frame_ms_runs), share=TAILS[metric])} frames in its "
        f"tail; {FEWEST_TAIL_FRAMES} are needed"
        for metric in DEFAULT_METRICS
        if metric not in metrics
    }
    return _BlockDiagnostic(
        len(frame_ms_runs), length, resamples, seed, confidence, metrics, left_out
    )


def _bootstrap_replicates(
    frame_ms_runs: Sequence[Floats], *, block: int, resamples: int, seed: int
) -> dict[str, Floats]:
    """Return resampled values of each metric: runs drawn first, then blocks within each.

    Parameters
    ----------
    frame_ms_runs : sequence of ndarray of float, shape (n_frames,)
        One array a run: the time each frame took, in milliseconds, in the order shown.
    block, resamples, seed : int
        Length of a block in frames, how often to resample, and the seed. Draws of two products,
        or of one in two titles, need two seeds: the same one would tie their errors together.

    Returns
    -------
    dict of str to ndarray of float, shape (resamples,)
        Metric to the geometric mean of the drawn runs' values, in frames per second. One draw
        serves all metrics. A low whose tail holds fewer than 5 frames in any run is not in it.

    Notes
    -----
    A block mean is the difference of two prefix sums, so that a resample costs a look-up a block
    and not one a frame. A low of many frames goes through its influence function: the mean of
    the slowest m frames is the mean over all frames of max(x - q, 0) n / m + q, where q is the
    m-th longest. In a tail of few frames that is too rough, and the frames drawn are counted.
    """
    if not frame_ms_runs:
        raise ValueError("there must be a run")
    if block < 1 or resamples < 1:
        raise ValueError(f"block and resamples must be at least 1: {block}, {resamples}")
    for frame_ms in frame_ms_runs:
        check_frames(frame_ms)
    runs = len(frame_ms_runs)
    shortest = min(frame_ms.size for frame_ms in frame_ms_runs)
    metrics = _judged_metrics(shortest, DEFAULT_METRICS)
    rng = np.random.default_rng(seed)
    drawn = rng.integers(0, runs, (resamples, runs), dtype=np.int32)
    logs = {metric: np.empty((resamples, runs)) for metric in metrics}
    for i, frame_ms in enumerate(frame_ms_runs):
        length = min(block, frame_ms.size)
        blocks = max(1, round(frame_ms.size / length))
        counted = {
            metric
            for metric in metrics
            if metric in TAILS
            and tail_count(frame_ms.size, share=TAILS[metric]) <= COUNTED_TAIL_FRAMES
        }
        means = {
            metric: block_means(_influence_of(frame_ms, metric), length)
            for metric in metrics
            if metric not in counted
        }
        places = np.nonzero(drawn.ravel() == i)[0]
        step = max(1, DRAWN_AT_ONCE // blocks)
        for first in range(0, places.size, step):
            chosen = places[first : first + step]
            starts = rng.integers(0, frame_ms.size, (chosen.size, blocks))
            for metric in metrics:
                resampled = (
                    count_tails(frame_ms, starts, block=length, share=TAILS[metric])
                    if metric in counted
                    else means[metric][starts] @ np.full(blocks, 1.0 / blocks)
                )
                logs[metric].ravel()[chosen] = np.log(resampled)
    return {metric: 1000.0 / np.exp(logs[metric].mean(axis=1)) for metric in metrics}


def _value(frame_ms: Floats, metric: str) -> float:
    """Return a run's metric: its average, or the rate of its slowest share of frames."""
    of_frames = METRICS[metric].of_frames
    if of_frames is not None:
        return of_frames(frame_ms)
    return low_fps(frame_ms, share=TAILS[metric], definition="slowest_share")
