"""What the frames within one run tell of its figures' errors, by blocks of frames: a diagnostic.

Frames are not replicates, and no published interval rests on them. Blocks say how much of the
spread between runs the frames alone would explain, and how many independent frames a run holds.
The block bootstrap says what little can be said of a lone run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from kit.settings.metric import DEFAULT_METRICS, FRAME_METRICS, METRICS, tail_shares
from kit.stats.series import (
    FEW_LAGS,
    autocorrelations,
    check_frames,
    first_autocorrelations,
    low_fps,
    tail_count,
)

Floats = NDArray[np.float64]

# Blocks drawn at a time: bounds memory, and 800 kB of starts stay in cache.
_DRAWN_AT_ONCE = 100_000


def _choose_block(frame_ms_runs: Sequence[Floats]) -> int:
    """Return the median over runs of the optimal circular block length, in whole frames."""
    if not frame_ms_runs:
        raise ValueError("there must be a run")
    lengths = [_optimal_block(frame_ms)[1] for frame_ms in frame_ms_runs]
    return max(1, math.ceil(median(lengths)))


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
    for lags in (12, FEW_LAGS + 1):  # where they die out soon, that is enough
        rho = first_autocorrelations(values, lags)
        if rho.size > (reach := _reach(rho, run_length, most, n)):
            break
    else:
        rho = np.zeros(most + 1)
        found = autocorrelations(values)[: most + 1]
        rho[: found.size] = found
        reach = _reach(rho, run_length, most, n)
    at = np.arange(1, reach + 1)
    # Flat-top window: 1 up to half its reach, then down to 0.
    weights = np.minimum(1.0, 2.0 * (1.0 - at / reach))
    slope = 2.0 * float((weights * at * rho[at]).sum())
    long_run = 1.0 + 2.0 * float((weights * rho[at]).sum())
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


def _block_means(values: Floats, block: int) -> Floats:
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
    deviations = _block_means(values, length) - values.mean()
    return float((deviations**2).mean()) * length / values.size


def _effective_count(values: Floats, variance: float) -> float:
    """Return how many independent values would give the mean the variance the blocks give it."""
    spread = float(values.var())
    if not variance > 0 or not spread > 0:
        return float(values.size)
    return min(max(spread / variance, 1.0), float(values.size))


def _count_tails(
    frame_ms: Floats, starts: NDArray[np.int64], *, block: int, share: float
) -> Floats:
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
        step = max(1, _DRAWN_AT_ONCE // longest)
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
    length = block if block is not None else _choose_block([frame_ms])
    within_sd, effective_frames = {}, {}
    for metric in _judged_metrics(frame_ms.size, metrics):
        z = _influence_of(frame_ms, metric)
        own = block is None and METRICS[metric].own_blocks
        variance = _block_variance(z, _choose_block([z]) if own else length)
        # ln(1000 / mean) has the relative error of the mean.
        within_sd[metric] = math.sqrt(variance) / float(z.mean())
        effective_frames[metric] = _effective_count(z, variance)
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
    length = block if block is not None else _choose_block(frame_ms_runs)
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
            metric: _block_means(_influence_of(frame_ms, metric), length)
            for metric in metrics
            if metric not in counted
        }
        places = np.nonzero(drawn.ravel() == i)[0]
        step = max(1, _DRAWN_AT_ONCE // blocks)
        for first in range(0, places.size, step):
            chosen = places[first : first + step]
            starts = rng.integers(0, frame_ms.size, (chosen.size, blocks))
            for metric in metrics:
                resampled = (
                    _count_tails(frame_ms, starts, block=length, share=TAILS[metric])
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
