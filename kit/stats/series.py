"""Values in order: frame times of a run (rates, lows, dependence, trend, caps), runs of a cell.

Plain functions on arrays; `kit.metrics` stands on them. No standard defines a "1 % low", and one
log can give anything from 20 to 100 frames per second for it: the three definitions have names.
Among the three to five runs of a cell, outliers and drifts: each says when so few cannot tell.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TREND_BLOCKS = 100
# A block of fewer frames is one frame's accident; shorter series have fewer blocks.
FRAMES_PER_BLOCK = 10
# Kendall's S is near normal from about ten values on.
FEWEST_BLOCKS = 10
# Levels that differ by less are alike: sums of frame times differ in their last digits.
ROUNDING_SHARE = 1e-12
LONGEST_SEGMENT = 2**19
FEW_LAGS = 32  # taken one by one they cost as much as all lags by transform
_GROUPS = 4  # for each of the slowest frames: few of them then share a group
CAP_STRETCH = 8
# A cap is a floor: hardly a stretch is faster. Without this, a steady title that happens to run
# near a cap's rate looks capped.
CAP_FASTER_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class _Trend:
    """A monotone trend in a series.

    `change` is Sen's slope times the series' length, in the series' unit; `p_value` is two-sided.
    Both stay at "no trend" (0 and 1) where `judged` is False: too few values, or none differ.
    """

    change: float
    p_value: float
    judged: bool


def average_fps(frame_ms: Floats) -> float:
    """Return frames over time, in frames per second.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0.

    Raises
    ------
    ValueError
        If `frame_ms` is empty or not one-dimensional, or holds what is not a positive time.

    Notes
    -----
    The mean of each frame's own rate would favour short frames [1]_.

    References
    ----------
    .. [1] J. E. Smith (1988), "Characterizing computer performance with a single number",
           Communications of the ACM 31(10), 1202-1206.

    Examples
    --------
    >>> average_fps(np.array([10.0] * 90 + [50.0] * 10))
    71.42857142857143
    """
    check_frames(frame_ms)
    return float(1000.0 * frame_ms.size / frame_ms.sum())


def check_frames(frame_ms: Floats) -> None:
    """Raise ValueError unless `frame_ms` is a non-empty row of positive, finite times."""
    if frame_ms.ndim != 1 or frame_ms.size == 0:
        raise ValueError(f"frame_ms must be one-dimensional and not empty: shape {frame_ms.shape}")
    # min and max are NaN where any value is, and then both comparisons are false.
    if not (frame_ms.min() > 0 and frame_ms.max() < math.inf):
        raise ValueError("frame_ms must be positive and finite")


def lag1_autocorrelation(values: Floats) -> float:
    """Return the correlation of neighbouring values; NaN where values do not vary.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        A series in its order.

    Notes
    -----
    sum (y[i] - m)(y[i+1] - m) / sum (y[i] - m)^2 with the mean m of all values, as in the
    certified values of NIST's Statistical Reference Datasets.
    """
    if values.size < 2:
        return math.nan
    centred = values - values.mean()
    # Not @: the threads that works with differ between machines, and so do its last digits.
    spread = float((centred * centred).sum())
    if not spread > 0 or float(np.ptp(values)) == 0:
        return math.nan
    return float((centred[:-1] * centred[1:]).sum()) / spread


def autocorrelations(values: Floats) -> Floats:
    """Return the autocorrelations of lags 0 to n - 1 (divisor n), by Fourier transform.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        A series in its order; its values differ.

    Returns
    -------
    ndarray of float, shape (n,)
        1.0 at lag 0.
    """
    covariances = _covariances(values - values.mean())
    rho: Floats = covariances / covariances[0]
    return rho


def _covariances(centred: Floats) -> Floats:
    """Return n times the autocovariances of lags 0 to n - 1, by Fourier transform."""
    from scipy import fft

    padded = fft.next_fast_len(2 * centred.size, real=True)
    power = np.abs(fft.rfft(centred, padded)) ** 2
    covariances: Floats = np.asarray(fft.irfft(power, padded)[: centred.size], dtype=np.float64)
    return covariances


def _segment_autocorrelations(values: Floats) -> Floats:
    """Return the autocorrelations up to a segment's length, averaged over segments.

    Bounds memory on very long series; dependence reaches nowhere near that far.
    """
    count = -(-values.size // LONGEST_SEGMENT)
    length = values.size // count
    middle = values.mean()
    total = np.zeros(length)
    for i in range(count):
        segment = values[i * length : (i + 1) * length] - middle
        total += _covariances(segment)
    rho: Floats = total / total[0]
    return rho


def first_autocorrelations(values: Floats, count: int, *, to_negative: bool = False) -> Floats:
    """Return the autocorrelations of lags 0 to `count` - 1 (divisor n), or all there are.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        A series in its order; its values differ.
    count : int
        At least 1.
    to_negative : bool
        Stop after the first pair of lags (0 and 1, 2 and 3, ...) whose sum is not positive, and
        leave the rest 0: most series end there, and need no transform.

    Returns
    -------
    ndarray of float, shape (min(count, n),)
        1.0 at lag 0.
    """
    centred = values - values.mean()
    rho = np.zeros(min(count, values.size))
    spread = (centred * centred).sum()
    for lag in range(rho.size):
        rho[lag] = (centred[: values.size - lag] * centred[lag:]).sum() / spread
        if to_negative and lag % 2 and rho[lag - 1] + rho[lag] <= 0:
            break
    return rho


def _positive_pairs(rho: Floats) -> Floats:
    """Return the sums of neighbouring pairs of lags before the first that is not positive."""
    pairs = rho[: rho.size - rho.size % 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    kept: Floats = pairs[: negative[0]] if negative.size else pairs
    return kept


def effective_size(values: Floats) -> float:
    """Return how many independent values would fix the mean as well as this series does.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        A series in its order.

    Returns
    -------
    float
        n over the integrated autocorrelation time, in [1, n]: neighbours that alternate could
        give more than n, which is not claimed. n where values do not vary.

    Notes
    -----
    The autocorrelation time is 1 + 2 sum of the autocorrelations up to Geyer's initial monotone
    positive sequence [1]_: sums of neighbouring pairs of lags are added while they are positive,
    none larger than the one before. For a first-order autoregression with coefficient phi it
    approaches (1 + phi) / (1 - phi) [2]_.

    References
    ----------
    .. [1] C. J. Geyer (1992), "Practical Markov chain Monte Carlo", Statistical Science 7(4),
           473-483, section 3.3.
    .. [2] M. B. Priestley (1981), "Spectral Analysis and Time Series", Academic Press.
    """
    n = values.size
    if n < 4 or float(np.ptp(values)) == 0:
        return float(n)
    if n > LONGEST_SEGMENT:
        pairs = _positive_pairs(_segment_autocorrelations(values))
    else:
        pairs = _positive_pairs(first_autocorrelations(values, FEW_LAGS, to_negative=True))
        if 2 * pairs.size == FEW_LAGS:  # still positive
            pairs = _positive_pairs(autocorrelations(values))
    pairs = np.minimum.accumulate(pairs)
    time = max(2.0 * float(pairs.sum()) - 1.0, 1.0)
    return max(n / time, 1.0)


def block_levels(frame_ms: Floats) -> Floats:
    """Return the mean frame time in each of up to 100 stretches of equal time.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0.

    Returns
    -------
    ndarray of float, shape (n_blocks,)
        In milliseconds. Stretches are of equal time, not of equal numbers of frames, so that
        one scene falls into the same stretches whichever product shows it. A stretch that no
        frame ended in (one long frame spans it) takes that frame's time.
    """
    count = min(TREND_BLOCKS, frame_ms.size // FRAMES_PER_BLOCK)
    if count < 1:
        return frame_ms[:0]
    ends = np.cumsum(frame_ms)
    edges = np.searchsorted(ends, ends[-1] * np.arange(1, count) / count)
    edges = np.concatenate([[0], edges, [frame_ms.size]])
    # Not differences of `ends`: their rounding gives frames all alike a trend. Where a block
    # holds no frame, reduceat gives the frame that spans it.
    sums: Floats = np.add.reduceat(frame_ms, edges[:-1])
    levels: Floats = sums / np.maximum(np.diff(edges), 1)
    return levels


def find_trend(levels: Floats) -> _Trend:
    """Return the monotone trend of a short series whose neighbours may depend on each other.

    Parameters
    ----------
    levels : ndarray of float, shape (n,)
        Means of successive blocks, n around 100.

    Notes
    -----
    Slope: the median of the slopes of all pairs [1]_. Significance: the Mann-Kendall test with
    its variance stretched by n over the effective sample size [2]_, which follows from the lag-1
    autocorrelation of what remains when the trend is taken out, corrected for its bias
    -(2 + 4 phi) / n [3]_. Without that, thousands of dependent frames make everything
    "significant". Measured on first-order autoregressions of 1,500 to 10,000 frames with phi up
    to 0.98, p < 0.001 comes up in 0.0003 to 0.002 of runs without a trend.

    References
    ----------
    .. [1] P. K. Sen (1968), "Estimates of the regression coefficient based on Kendall's tau",
           Journal of the American Statistical Association 63(324), 1379-1389.
    .. [2] S. Yue and C. Wang (2004), "The Mann-Kendall test modified by effective sample size
           to detect trend in serially correlated hydrological series", Water Resources
           Management 18, 201-218.
    .. [3] F. H. C. Marriott and J. A. Pope (1954), "Bias in the estimation of
           autocorrelations", Biometrika 41, 390-402.
    """
    n = levels.size
    if n < FEWEST_BLOCKS or float(np.ptp(levels)) <= ROUNDING_SHARE * float(np.abs(levels).max()):
        return _Trend(0.0, 1.0, judged=False)
    slope, score, variance = _rank_trend(levels)
    rest = lag1_autocorrelation(levels - slope * np.arange(n))
    phi = 0.0 if math.isnan(rest) else min(max((rest * n + 2.0) / (n - 4.0), 0.0), 0.999)
    z = score / math.sqrt(variance * _stretch(n, phi))
    return _Trend(slope * n, math.erfc(abs(z) / math.sqrt(2.0)), judged=True)


def may_move(levels: Floats, least: float) -> NDArray[np.bool_]:
    """Return of several series at once which `find_trend` may find to move by `least` or more.

    Parameters
    ----------
    levels : ndarray of float, shape (n_series, n)
        A series a row.
    least : float
        Of the slope times n, either way, above 0.

    Notes
    -----
    A median slope is as large as `least` asks only where half of all slopes are: counting is many
    times quicker than a median. A slope within rounding of the limit counts.
    """
    n = levels.shape[1]
    up, down = np.zeros((2, len(levels)), dtype=np.int64)
    for apart in range(1, n):
        rise, limit = levels[:, apart:] - levels[:, :-apart], apart * least / n * (1 - 1e-9)
        up += np.count_nonzero(rise >= limit, axis=1)
        down += np.count_nonzero(rise <= -limit, axis=1)
    may: NDArray[np.bool_] = np.maximum(up, down) >= n * (n - 1) // 4
    return may


@dataclass(frozen=True, slots=True)
class _Step:
    """The largest step of a short series: where it is, its size, and its statistic."""

    start: int = 0  # the stretch on its shorter side: first, and one past the last
    stop: int = 0
    change: float = 0.0  # level of that stretch less that of the rest
    statistic: float = 0.0  # over its standard error, neighbours' dependence allowed for
    beyond: bool = False  # chance does not explain it


def find_step(levels: Floats) -> _Step:
    """Return the largest step of a short series whose neighbours may depend on each other.

    Parameters
    ----------
    levels : ndarray of float, shape (n,)
        Levels of successive stretches, `FEWEST_BLOCKS` or more; else nothing is found.

    Notes
    -----
    Of each place to cut the series in two, two or more stretches on either side, the difference of
    the sides' means over its standard error; the largest is taken (maximally selected, as in
    Worsley [1]_). The error allows for dependence as `find_trend` does: a first-order
    autoregression whose coefficient follows from what remains on both sides, corrected for bias.
    Four in five stretches of the shorter side must lie beyond the middle of the step, so that one
    long stretch is none. `beyond` asks for a statistic above 6 + 40 / n, found by simulation: of
    series of 12 to 100 levels without a step 2 to 3 % exceed it with a coefficient of 0.9, about
    1 % with 0.8 and fewer below. Of clean runs `tests/evidence/false_alarms.py` counts 2 in 1,000.

    References
    ----------
    .. [1] K. J. Worsley (1979), "On the likelihood ratio test for a shift in location of normal
           populations", Journal of the American Statistical Association 74(366), 365-367.
    """
    n = levels.size
    if n < FEWEST_BLOCKS or float(np.ptp(levels)) == 0:
        return _Step()
    sums = np.concatenate([[0.0], np.cumsum(levels - levels.mean())])
    k = np.arange(2, n - 1)
    change = sums[k] / k + sums[k] / (n - k)  # mean before the cut less mean after it
    place = int(np.abs(change * np.sqrt(k * (n - k))).argmax())
    best = _Step()
    for cut in {int(k[place]), int(k[np.abs(change).argmax()])}:
        found = _step_at(levels, cut)
        if found.statistic > best.statistic:
            best = found
    return best


def may_step(levels: Floats, least: float) -> NDArray[np.bool_]:
    """Return of several series at once which `find_step` may find to have a step beyond chance.

    Parameters
    ----------
    levels : ndarray of float, shape (n_series, n)
        A series a row.
    least : float
        Size of a step that counts, above 0.

    Notes
    -----
    Dependence between neighbours only widens a step's error, so no statistic is above the one
    without it, which follows from sums alone. Limits are taken a little low, for rounding.
    """
    n = levels.shape[1]
    if n < FEWEST_BLOCKS:
        return np.zeros(len(levels), dtype=bool)
    centred = levels - levels.mean(axis=1, keepdims=True)
    k = np.arange(2, n - 1)
    weight = k * (n - k) / n
    change = np.cumsum(centred, axis=1)[:, 1:-2] / weight
    whole = (centred**2).sum(axis=1, keepdims=True)
    rest = np.maximum(whole - weight * change**2, 0.0) / (n - 2)
    limit = (6.0 + 40.0 / n) * (1 - 1e-6)
    may = (np.abs(change) >= least * (1 - 1e-9)) & (weight * change**2 >= limit**2 * rest)
    found: NDArray[np.bool_] = may.any(axis=1)
    return found


def _step_at(levels: Floats, cut: int) -> _Step:
    """Return the step of a series at one place; nothing where its shorter side is mixed."""
    n = levels.size
    before, after = levels[:cut], levels[cut:]
    start, stop = (0, cut) if cut <= n - cut else (cut, n)
    short, rest = (before, after) if start == 0 else (after, before)
    change = float(short.mean() - rest.mean())
    middle = float(rest.mean()) + change / 2
    if ((short - middle) * change > 0).mean() < 0.8:
        return _Step()
    left = np.concatenate([before - before.mean(), after - after.mean()])
    raw = lag1_autocorrelation(left)
    phi = 0.0 if math.isnan(raw) else min(max((raw * n + 2.0) / (n - 4.0), 0.0), 0.98)
    variance = float(left @ left) / (n - 2)
    error = math.sqrt(
        variance * sum(_stretch(part.size, phi) / part.size for part in (short, rest))
    )
    floor = ROUNDING_SHARE * float(np.abs(levels).max())
    statistic = abs(change) / max(error, floor)
    return _Step(start, stop, change, statistic, statistic > 6.0 + 40.0 / n)


def _stretch(n: int, phi: float) -> float:
    """Return by how much dependence (lag 1: phi) stretches the variance of a mean of n values."""
    lags = np.arange(1, n)
    return 1.0 + 2.0 * float(((1.0 - lags / n) * phi**lags).sum())


def _rank_trend(values: Floats) -> tuple[float, int, float]:
    """Return Sen's slope per step, Kendall's S, and the variance of S with ties, independent.

    The three belong together: each needs the differences of all pairs.
    """
    n = values.size
    later, earlier, apart = _pairs(n)
    differences = values[later] - values[earlier]
    slope = _median(differences / apart)
    score = int(np.count_nonzero(differences > 0) - np.count_nonzero(differences < 0))
    ties = Counter(values.tolist()).values()
    tied = sum(t * (t - 1) * (2 * t + 5) for t in ties if t > 1)
    return slope, score, (n * (n - 1.0) * (2.0 * n + 5.0) - tied) / 18.0


def _median(values: Floats) -> float:
    """Return what np.median does, of finite values in one row, in a third of its time."""
    below, above = (values.size - 1) // 2, values.size // 2
    ordered = np.partition(values, above if below == above else (below, above))
    return float(ordered[below] + ordered[above]) / 2.0


def cap_shares(frame_ms: Floats, *, caps_hz: Iterable[float], width: float) -> dict[float, float]:
    """Return, for each cap, the share of a run that is held at it.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0.
    caps_hz : iterable of float
        Refresh rates and limits of frame limiters.
    width : float
        How near to the cap's period counts, as a share of the period.

    Returns
    -------
    dict of float to float
        Cap in Hz to the share of stretches of 8 frames whose mean is within `width` of the
        period. 0.0 where more than one stretch in twenty is faster than that: a cap is a floor.
        Empty where a run is too short to tell (under 64 frames).

    Notes
    -----
    A cap shows in stretches, not in single frames: a late frame is followed by an early one, so
    single frames scatter around the period while the frames' ends keep to its beat. The reasoning
    is ours; no source.
    """
    if frame_ms.size < 8 * CAP_STRETCH:
        return {}
    ends = np.concatenate([[0.0], np.cumsum(frame_ms)])
    # float32 halves the passes' cost; it resolves 1e-7 of a frame time, the width is 1e-3.
    stretch_ms = ((ends[CAP_STRETCH:] - ends[:-CAP_STRETCH]) / CAP_STRETCH).astype(np.float32)
    shares: dict[float, float] = {}
    for cap_hz in caps_hz:
        period = 1000.0 / cap_hz
        faster = int(np.count_nonzero(stretch_ms < period * (1.0 - width)))
        if faster > CAP_FASTER_SHARE * stretch_ms.size:
            shares[cap_hz] = 0.0
            continue
        near = int(np.count_nonzero(stretch_ms <= period * (1.0 + width))) - faster
        shares[cap_hz] = near / stretch_ms.size
    return shares


def tail_count(n: int, *, share: float) -> int:
    """Return how many frames the slowest `share` of `n` is: the next whole number up.

    >>> tail_count(100, share=0.07), tail_count(101, share=0.07), tail_count(3, share=0.01)
    (7, 8, 1)
    """
    return max(1, math.ceil(_snap(n * share, n)))


def _snap(position: float, n: int) -> float:
    """Return `position`, or the whole number it would be but for rounding.

    0.07 * 100 is 7.000000000000001 in binary; `n` bounds how far off a product can be.
    """
    nearest = round(position)
    return float(nearest) if abs(position - nearest) <= 4e-16 * max(n, 1) else position


def tail_effective_frames(frame_ms: Floats, *, share: float) -> float:
    """Return how many independent frames a run's slowest `share` is worth.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, in the order shown. Finite and > 0.
    share : float
        The tail, a fraction in (0, 1): 0.01 for the slowest 1 %.

    Returns
    -------
    float
        The effective size of the series that is 1 where a frame is among the slowest and else
        0. Slow frames come in clusters less often than levels persist, so this is more than
        the effective size of the mean frame time.

    Notes
    -----
    It is set against the 299 (1 %) or 2,995 (0.1 %) independent values that a 95 % bound on such
    a tail needs [1]_.

    References
    ----------
    .. [1] S. S. Wilks (1941), "Determination of sample sizes for setting tolerance limits",
           Annals of Mathematical Statistics 12(1), 91-96.
    """
    n = frame_ms.size
    edge = _slowest_frames(frame_ms, share=share)[tail_count(n, share=share) - 1]
    return effective_size((frame_ms >= edge).astype(np.float64))


@lru_cache(maxsize=2)
def _pairs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Return the later and earlier index of every pair of `n` values, and how far apart."""
    earlier, later = np.triu_indices(n, 1)
    return later, earlier, (later - earlier).astype(np.float64)


LowDefinition = Literal["percentile", "slowest_share", "time_share"]
LOW_DEFINITIONS: tuple[LowDefinition, ...] = ("percentile", "slowest_share", "time_share")


def measure_lows(
    frame_ms: Floats, *, shares: Mapping[str, float], quantile_type: int = 7
) -> dict[str, dict[str, float]]:
    """Return each low under every definition, from one look at the slowest frames.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0, which is not checked here.
    shares : mapping of str to float
        Name to the slowest share of frames, in (0, 0.5].
    quantile_type : int
        Hyndman-Fan type 1 to 9, for percentile.

    Returns
    -------
    dict of str to dict of str to float
        Definition to name to frames per second, each what `low_fps` gives.
    """
    if not shares:
        return {definition: {} for definition in LOW_DEFINITIONS}
    tail, n = _slowest_frames(frame_ms, share=max(shares.values())), frame_ms.size
    sums, whole_ms = np.cumsum(tail), float(frame_ms.sum())
    lows: dict[str, dict[str, float]] = {definition: {} for definition in LOW_DEFINITIONS}
    for name, share in shares.items():
        place = n - _snap(n * share, n)
        below, above, weight = _ranks(n, place, 1.0 - share, quantile_type)
        between = _between(float(tail[n - below]), float(tail[n - above]), weight)
        lows["percentile"][name] = 1000.0 / between
        count = tail_count(n, share=share)
        lows["slowest_share"][name] = float(1000.0 * count / tail[:count].sum())
        # Sums of frame times differ in their last digits with the order of adding.
        reached = int(np.searchsorted(sums, share * whole_ms * (1.0 - 1e-12)))
        lows["time_share"][name] = float(1000.0 / tail[min(reached, tail.size - 1)])
    return lows


def low_fps(
    frame_ms: Floats, *, share: float, definition: LowDefinition, quantile_type: int = 7
) -> float:
    """Return the frame rate of a run's slowest frames, under one of three definitions.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0.
    share : float
        The slowest share, a fraction in (0, 0.5], given as it is meant: 0.01, and never
        ``1 - 0.99``, which is another number in binary and moves some quantiles by a whole frame.
    definition : {"percentile", "slowest_share", "time_share"}
        percentile: 1000 over the frame time that all but `share` of the frames do not exceed.
        slowest_share: frames over time of the slowest `share` of frames (the next whole number
        of them up). time_share: 1000 over the frame time down to which the slowest frames make
        up `share` of the whole time.
    quantile_type : int
        Hyndman-Fan type 1 to 9, for percentile.

    Returns
    -------
    float
        Frames per second.

    Raises
    ------
    ValueError
        If `frame_ms` is empty, not one-dimensional or not positive, or `share`, `definition` or
        `quantile_type` is none of those above.

    Notes
    -----
    No standard defines a "1 % low"; one log can give anything from 20 to 100 frames per second
    for it. All three are therefore named wherever they are shown.

    Examples
    --------
    >>> frame_ms = np.array([10.0] * 990 + [50.0] * 10)
    >>> low_fps(frame_ms, share=0.01, definition="slowest_share")
    20.0
    >>> low_fps(frame_ms, share=0.01, definition="percentile", quantile_type=1)
    100.0
    """
    check_frames(frame_ms)
    if not 0 < share <= 0.5:
        raise ValueError(f"share must be in (0, 0.5]: {share}")
    if definition not in LOW_DEFINITIONS:
        raise ValueError(f"definition must be one of {LOW_DEFINITIONS}: {definition!r}")
    found = measure_lows(frame_ms, shares={"": share}, quantile_type=quantile_type)
    return found[definition][""]


def _slowest_frames(frame_ms: Floats, *, share: float) -> Floats:
    """Return the slowest frames, longest first: all that any low at `share` looks at.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.
    share : float
        A fraction in (0, 0.5].

    Returns
    -------
    ndarray of float, shape (min(ceil(share * n_frames) + 2, n_frames),)
        In milliseconds. Two more than the share, since quantiles lie between neighbours.

    Notes
    -----
    Of the maxima of groups of frames, as many as are asked for are all frames, too: what is below
    the least of these is not among the slowest, and needs no order.
    """
    n = frame_ms.size
    count = min(tail_count(n, share=share) + 2, n)
    tail, groups = frame_ms, _GROUPS * count
    if n >= 2 * groups:
        highest = frame_ms[: n - n % groups].reshape(-1, groups).max(axis=0)
        tail = frame_ms[frame_ms >= np.partition(highest, groups - count)[groups - count]]
    if tail.size > count:
        tail = np.partition(tail, tail.size - count)[tail.size - count :]
    return np.sort(tail)[::-1]


def _frame_time_quantile(frame_ms: Floats, *, q: float, kind: int = 7) -> float:
    """Return the frame time that a share `q` of the frames do not exceed.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.
    q : float
        Share of frames, a fraction in [0, 1]: 0.99 is the 99th percentile.
    kind : int
        Type 1 to 9 of [1]_; 7 is linear between neighbouring order statistics.

    Returns
    -------
    float
        A frame time, in milliseconds.

    Raises
    ------
    ValueError
        If `frame_ms` is empty or not one-dimensional, `q` is outside [0, 1], or `kind` is no
        type.

    Notes
    -----
    Every frame weighs alike, however long it lasted.

    References
    ----------
    .. [1] R. J. Hyndman and Y. Fan (1996), "Sample quantiles in statistical packages", The
           American Statistician 50(4), 361-365.
    """
    if frame_ms.ndim != 1 or frame_ms.size == 0:
        raise ValueError(f"frame_ms must be one-dimensional and not empty: shape {frame_ms.shape}")
    if not 0 <= q <= 1:
        raise ValueError(f"q must be in [0, 1]: {q}")
    n = frame_ms.size
    below, above, weight = _ranks(n, _snap(n * q, n), q, kind)
    ordered = np.partition(frame_ms, (below - 1, above - 1))
    return _between(float(ordered[below - 1]), float(ordered[above - 1]), weight)


def median_fps(frame_ms: Floats) -> float:
    """Return 1000 over the median frame time: the rate that half of the frames reach.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0.

    Returns
    -------
    float
        Frames per second. Every frame weighs alike; definition 7 of `_frame_time_quantile`.

    Raises
    ------
    ValueError
        If `frame_ms` is empty, not one-dimensional or not positive.

    Examples
    --------
    >>> median_fps(np.array([10.0, 10.0, 20.0, 50.0, 50.0]))
    50.0
    """
    check_frames(frame_ms)
    return 1000.0 / _frame_time_quantile(frame_ms, q=0.5)


def _between(low: float, high: float, weight: float) -> float:
    """Return the point at `weight` on the way from `low` to `high`, exact at both ends."""
    return low if low == high else low + weight * (high - low)


# Plotting positions alpha and beta of Hyndman and Fan's continuous types.
_POSITIONS = {
    4: (0.0, 1.0),
    5: (0.5, 0.5),
    6: (0.0, 0.0),
    7: (1.0, 1.0),
    8: (1.0 / 3.0, 1.0 / 3.0),
    9: (3.0 / 8.0, 3.0 / 8.0),
}


def _ranks(n: int, position: float, q: float, kind: int) -> tuple[int, int, float]:
    """Return the two ranks (from 1) a quantile lies between, and how far it is to the second.

    `position` is n * q, worked out so that what should be a whole number is one.
    """
    floor = math.floor(position)
    whole = position == floor
    if kind == 1:
        rank = floor if whole else floor + 1
        below, above, weight = rank, rank, 0.0
    elif kind == 2:
        below, above, weight = (floor, floor + 1, 0.5) if whole else (floor + 1, floor + 1, 0.0)
    elif kind == 3:
        rank = round(position)  # the nearest, and the even one of two: as round() has it
        below, above, weight = rank, rank, 0.0
    elif kind in _POSITIONS:
        alpha, beta = _POSITIONS[kind]
        place = position + alpha + q * (1.0 - alpha - beta)
        below = math.floor(place + 4e-16 * n)
        above, weight = below + 1, max(place - below, 0.0)
    else:
        raise ValueError(f"no Hyndman-Fan type {kind}: 1 to 9")
    return min(max(below, 1), n), min(max(above, 1), n), weight


_SPACING_CONFIDENCE = 0.95  # of the intervals that Hall and Sheather's spacing is best for


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
    edge = _slowest_frames(frame_ms, share=share)[count - 1]
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
    median = _frame_time_quantile(frame_ms, q=0.5)
    z = NormalDist().inv_cdf((1.0 + _SPACING_CONFIDENCE) / 2.0)
    spacing = (1.5 * z * z / (2.0 * math.pi * frame_ms.size)) ** (1.0 / 3.0)
    spacing = min(spacing, 0.5)
    ends = [_frame_time_quantile(frame_ms, q=0.5 + side * spacing) for side in (-1.0, 1.0)]
    sparsity = (ends[1] - ends[0]) / (2.0 * spacing)
    below = (frame_ms < median) + 0.5 * (frame_ms == median)
    influence: Floats = median + sparsity * (below.mean() - below)
    return influence


# A sensor's readings are set against frames this many seconds before.
LAGS_S = tuple(round(0.1 * step, 1) for step in range(51))
_FEWEST_READINGS = 20
# How rarely a relation between readings and frames that is none is taken for one.
_LAG_ALPHA = 0.002
_WIDEST_LAG_S = 2.0
_WARMING = 3  # degree of the polynomial in time that readings follow by themselves


@dataclass(frozen=True, slots=True)
class LagProfile:
    """How likely each lag of a sensor behind the frames is, from one run.

    Attributes
    ----------
    likely : tuple of float, shape (n_lags,)
        For each of `LAGS_S` the ln of the likelihood ratio of readings that follow the frames that
        far behind, over readings that do not follow them; empty with too few readings.
    gap_s : float
        Median time from reading to reading.
    """

    likely: tuple[float, ...] = ()
    gap_s: float = 0.0

    @classmethod
    def of_run(cls, frame_ms: Floats, readings: Floats) -> LagProfile:
        """Return the profile of one run.

        Parameters
        ----------
        frame_ms, readings : ndarray of float, shape (n_frames,)
            Time each frame took, in milliseconds, and what the sensor read then; NaN without a
            reading. A reading may be repeated until the next.

        Notes
        -----
        On one clock, the sum of the frame times, a reading is set against the ln rate of frames
        around the moment that far before it, over as long as readings last. The cross-correlation
        is that of what a cubic in time leaves of both (readings that merely warm up follow no
        frame), after quasi-differences with the lag-1 correlation of the residuals [1]_. Twenty
        readings after the longest lag are the fewest.

        References
        ----------
        .. [1] D. Cochrane and G. H. Orcutt (1949), "Application of least squares regression to
               relationships containing auto-correlated error terms", Journal of the American
               Statistical Association 44, 32-61 (cited from memory).
        """
        ends = np.cumsum(frame_ms) / 1000.0
        at, read = _new_readings(ends, readings)
        if at.size < _FEWEST_READINGS:
            return cls()
        gap = max(LAGS_S[1], float(np.median(np.diff(at))))
        inside = (at >= LAGS_S[-1] + gap / 2) & (at <= ends[-1] - gap / 2)
        at, read = at[inside], read[inside]
        if at.size < _FEWEST_READINGS:
            return cls()
        clock, frames = np.concatenate([[0.0], ends]), np.arange(frame_ms.size + 1.0)
        middle = at[:, None] - np.array(LAGS_S)
        first, last = (np.interp(middle + side * gap / 2, clock, frames) for side in (-1, 1))
        rates = np.log(np.maximum(last - first, 1e-3))
        return cls(tuple(_lag_likelihoods(at, read, rates).tolist()), gap)


@dataclass(frozen=True, slots=True)
class SensorLag:
    """How far a sensor's readings lag behind the frames, in seconds.

    Attributes
    ----------
    lag_s, low_s, high_s : float
        The likeliest lag and its 95 % interval; NaN where it is not judged.
    why : str
        Why it is not judged; "" where it is.
    """

    lag_s: float
    low_s: float
    high_s: float
    why: str = ""

    @classmethod
    def unknown(cls, why: str) -> SensorLag:
        """Return a lag that is not judged."""
        return cls(math.nan, math.nan, math.nan, why)

    @classmethod
    def pooled(cls, profiles: Sequence[LagProfile]) -> SensorLag:
        """Return the lag that several runs of one sensor tell together.

        Notes
        -----
        Ln likelihoods are added up, each run having its own level, trend and slope. The interval
        holds the lags whose ln likelihood is at most 1.92 below the highest, and half the time
        from reading to reading over the square root of the runs more on either side: a change of
        the scene falls anywhere between two readings. Not judged: where readings do not follow the
        frames at any lag (likelihood-ratio test at 0.002 over all lags), where the interval is
        wider than 2 s, and where it reaches the longest lag looked at.
        """
        from scipy.special import chdtrc, chdtri  # slow to load, and no command's start needs it

        told = [profile for profile in profiles if profile.likely]
        if not told:
            return cls.unknown("no run is long enough, with enough readings")
        whole = np.sum([profile.likely for profile in told], axis=0)
        best = int(whole.argmax())
        if chdtrc(len(told), 2 * whole[best]) > _LAG_ALPHA / len(LAGS_S):
            return cls.unknown("its readings do not follow the frames")
        inside = np.flatnonzero(whole[best] - whole <= chdtri(1, 0.05) / 2)
        more = float(np.median([profile.gap_s for profile in told])) / 2 / math.sqrt(len(told))
        low, high = max(0.0, LAGS_S[inside[0]] - more), LAGS_S[inside[-1]] + more
        if high > LAGS_S[-1]:
            return cls.unknown(f"it may be longer than {LAGS_S[-1]:g} s")
        if high - low > _WIDEST_LAG_S:
            return cls.unknown(f"it may be anything from {low:.1f} to {high:.1f} s")
        return cls(LAGS_S[best], low, high)


def _new_readings(ends: Floats, readings: Floats) -> tuple[Floats, Floats]:
    """Return the moments at which a sensor was read anew, at most one a step, and the readings."""
    there = np.flatnonzero(np.isfinite(readings))
    if not there.size:
        return np.empty(0), np.empty(0)
    new = np.ones(there.size, dtype=bool)
    new[1:] = (np.diff(readings[there]) != 0) | (np.diff(there) > 1)
    at, read = ends[there[new]], readings[there[new]]
    last = np.diff((at / LAGS_S[1]).astype(int), append=-1) != 0
    return at[last], read[last]


def _lag_likelihoods(at: Floats, read: Floats, rates: Floats) -> Floats:
    """Return ln likelihood ratios of readings against rates of shape (n_readings, n_lags)."""
    scaled = 2 * (at - at[0]) / (at[-1] - at[0]) - 1
    base = np.polynomial.legendre.legvander(scaled, _WARMING)
    phi, likely = 0.0, np.zeros(rates.shape[1])
    free = at.size - base.shape[1] - 1
    for _ in range(3):
        known, y, x = (a[1:] - phi * a[:-1] for a in (base, read, rates))
        q, _ = np.linalg.qr(known)
        y, x = y - q @ (q.T @ y), x - q @ (q.T @ x)
        xx, yy = (x**2).sum(axis=0), float(y @ y)
        if not yy > 1e-18 * float(read @ read):
            return np.zeros(rates.shape[1])
        slope = (x.T @ y) / np.where(xx > 0, xx, np.inf)
        share = np.clip(slope**2 * xx / yy, 0.0, 1.0 - 1e-9)
        likely = -free / 2 * np.log1p(-share)
        best = int(likely.argmax())
        left = read - slope[best] * rates[:, best]
        rest = left - base @ np.linalg.lstsq(base, left, rcond=None)[0]
        square = float(rest[:-1] @ rest[:-1])
        phi = float(rest[1:] @ rest[:-1]) / square if square > 0 else 0.0
        # A fitted cubic pulls the correlation down, as a mean does four times over.
        phi = min(0.98, max(0.0, phi + (1 + 3 * phi) * base.shape[1] / at.size))
    return likely


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
    middle = _median(values)
    spread = _median(np.abs(values - middle))
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
    slope, score, variance = _rank_trend(values)
    if len(set(values.tolist())) == values.size and values.size <= 60:
        return slope, _exact_kendall_p(values.size, score)
    if variance <= 0 or score == 0:
        return slope, 1.0
    z = (abs(score) - 1) / math.sqrt(variance)
    return slope, math.erfc(z / math.sqrt(2.0))


def _exact_kendall_p(n: int, score: int) -> float:
    """Return the share of all orders of `n` values whose |S| is at least `score`."""
    pairs = n * (n - 1) // 2
    extreme = sum(
        orders
        for below, orders in enumerate(_orders_by_inversions(n))
        if abs(pairs - 2 * below) >= abs(score)
    )
    return extreme / math.factorial(n)


@cache
def _orders_by_inversions(n: int) -> list[int]:
    """Return how many orders of `n` values have 0, 1, 2 and so on inversions; exact."""
    counts = [1]
    for size in range(2, n + 1):
        wider = [0] * (len(counts) + size - 1)
        for inversions, orders in enumerate(counts):
            for more in range(size):
                wider[inversions + more] += orders
        counts = wider
    return counts
