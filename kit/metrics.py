"""One run's frame times to its numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kit.frames import average_fps as average_fps
from kit.frames import check_frames, effective_size, lag1_autocorrelation, snap, tail_count
from kit.layouts import Log
from kit.params import METRICS, MetricParams
from kit.runs import Run
from kit.signs import LOW_SHARES, RunSigns
from kit.trace import Trace

METRICS_VERSION = 1
LowDefinition = Literal["percentile", "slowest_share", "time_share"]
LOW_DEFINITIONS: tuple[LowDefinition, ...] = ("percentile", "slowest_share", "time_share")
HITCH_WINDOW = 31  # frames around a frame, itself among them, that its local median is taken of


@dataclass(frozen=True, slots=True)
class RunMetrics:
    """The figures of one run.

    `values` maps a metric's name (`average_fps`, `low_1pct_fps`, `low_0_1pct_fps`, or `value` for
    a title that does not measure frames) to its value, in the metric's unit, unrounded; the lows
    are under the definition chosen in params. `lows` holds the lows under every definition:
    definition -> metric -> value. A log that cannot be measured (its clock goes back) has no
    values; screening says so.
    """

    run: str
    product: str
    title: str
    session: str
    values: Mapping[str, float]
    trace: Trace
    frames: int = 0
    duration_s: float = 0.0
    lows: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    over_budget: Mapping[float, float] = field(default_factory=dict)  # Hz -> share of time
    hitches: int = 0
    energy_per_frame_j: float | None = None
    lag1: float = 0.0  # NaN where frame times do not vary
    effective_frames: float = 0.0
    typed_in: bool = False


@dataclass(frozen=True, slots=True)
class FrameFigures:
    """The figures of one log's frames, whatever run it belongs to."""

    frames: int
    duration_s: float
    average_fps: float
    lows: Mapping[str, Mapping[str, float]]  # definition -> metric -> frames per second
    over_budget: Mapping[float, float]  # Hz -> share of time
    hitches: int
    energy_per_frame_j: float | None


def measure_run(run: Run, signs: RunSigns | None, params: MetricParams) -> RunMetrics:
    """Return the figures of one run.

    Parameters
    ----------
    run : Run
        A run with its log, or with figures typed into the run sheet.
    signs : RunSigns or None
        The run's signs, where they were read already: dependence between frames is taken from
        them and not worked out again.
    params : MetricParams
        The definition of the lows, budgets, hitches.

    Returns
    -------
    RunMetrics
        Typed-in figures are taken as they stand and leave `lows` empty: nobody knows their
        definition. A title's `value` (a score, a duration) is typed in, with or without a log.
    """
    row = run.row
    if run.log is None:
        return RunMetrics(
            run=row.run,
            product=row.product,
            title=row.title,
            session=row.session,
            values={name: row.typed[name] for name in (*METRICS, "value") if name in row.typed},
            trace=Trace("typed", row.row_sha256, row.run),
            typed_in=True,
        )
    log = run.log
    trace = Trace("run", log.sha256, row.run)
    values = {"value": row.typed["value"]} if "value" in row.typed else {}
    if log.backward_rows or log.frame_ms.size == 0 or not log.frame_ms.min() > 0:
        return RunMetrics(
            run=row.run,
            product=row.product,
            title=row.title,
            session=row.session,
            values=values,
            trace=trace,
            frames=int(log.frame_ms.size),
            duration_s=float(log.frame_ms.sum()) / 1000.0,
        )
    figures = measure_log(log, params)
    return RunMetrics(
        run=row.run,
        product=row.product,
        title=row.title,
        session=row.session,
        values={"average_fps": figures.average_fps, **figures.lows[params.low], **values},
        trace=trace,
        frames=figures.frames,
        duration_s=figures.duration_s,
        lows=figures.lows,
        over_budget=figures.over_budget,
        hitches=figures.hitches,
        energy_per_frame_j=figures.energy_per_frame_j,
        lag1=signs.lag1 if signs else lag1_autocorrelation(log.frame_ms),
        effective_frames=signs.effective_frames if signs else effective_size(log.frame_ms),
    )


def measure_log(log: Log, params: MetricParams) -> FrameFigures:
    """Return the figures of one log's frames: a pure function of its bytes and the params.

    Raises
    ------
    ValueError
        If the log has no frames, or a frame time that is not positive.
    """
    frame_ms = log.frame_ms
    check_frames(frame_ms)
    tail = slowest_frames(frame_ms, share=max(LOW_SHARES.values()))
    total_ms = float(frame_ms.sum())
    power_w = log.sensors.get("power_w")
    return FrameFigures(
        frames=int(frame_ms.size),
        duration_s=total_ms / 1000.0,
        average_fps=average_fps(frame_ms),
        lows={
            definition: {
                name: _low_of_tail(
                    tail,
                    frames=frame_ms.size,
                    total_ms=total_ms,
                    share=share,
                    definition=definition,
                    quantile_type=params.quantile_type,
                )
                for name, share in LOW_SHARES.items()
            }
            for definition in LOW_DEFINITIONS
        },
        over_budget={
            hz: time_over_budget(frame_ms, budget_hz=hz, step_ms=log.step_ms)
            for hz in params.budgets_hz
        },
        hitches=count_hitches(frame_ms, factor=params.hitch_factor, more_ms=params.hitch_ms),
        energy_per_frame_j=energy_per_frame(frame_ms, power_w) if power_w is not None else None,
    )


def low_fps(
    frame_ms: NDArray[np.float64],
    *,
    share: float,
    definition: LowDefinition,
    quantile_type: int = 7,
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
    return _low_of_tail(
        slowest_frames(frame_ms, share=share),
        frames=frame_ms.size,
        total_ms=float(frame_ms.sum()),
        share=share,
        definition=definition,
        quantile_type=quantile_type,
    )


def slowest_frames(frame_ms: NDArray[np.float64], *, share: float) -> NDArray[np.float64]:
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
    """
    n = frame_ms.size
    count = min(tail_count(n, share=share) + 2, n)
    tail = frame_ms if count == n else np.partition(frame_ms, n - count)[n - count :]
    return np.sort(tail)[::-1]


def frame_time_quantile(frame_ms: NDArray[np.float64], *, q: float, kind: int = 7) -> float:
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
    below, above, weight = _ranks(n, snap(n * q, n), q, kind)
    ordered = np.partition(frame_ms, (below - 1, above - 1))
    return _between(float(ordered[below - 1]), float(ordered[above - 1]), weight)


def time_over_budget(
    frame_ms: NDArray[np.float64], *, budget_hz: float, step_ms: float = 0.0
) -> float:
    """Return the share of a run's time spent in frames longer than a budget.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.
    budget_hz : float
        The budget is 1000 / `budget_hz` milliseconds.
    step_ms : float
        How coarsely the log was rounded. A frame written 16.667 is not said to be over a budget
        of 16.6666... ms: half a step of it may be rounding.

    Returns
    -------
    float
        A fraction in [0, 1].
    """
    over = frame_ms - step_ms / 2.0 > 1000.0 / budget_hz
    return float(frame_ms[over].sum() / frame_ms.sum())


def count_hitches(frame_ms: NDArray[np.float64], *, factor: float, more_ms: float) -> int:
    """Return how many frames stand out of those around them.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, in the order shown.
    factor, more_ms : float
        A hitch lasts more than `factor` times the median of the 31 frames around it, and more
        than `more_ms` longer. At the ends of a run, the 31 frames are the first or last ones.
    """
    from scipy.ndimage import minimum_filter1d

    n = frame_ms.size
    window = min(HITCH_WINDOW, n)
    if window < 3:  # a frame cannot stand out of itself and one other
        return 0
    # The shortest frame around is at most the median around: what does not stand out of it
    # needs no median. The edge windows lie within the ones this looks at.
    least = minimum_filter1d(frame_ms, 2 * window + 1, mode="nearest")
    candidates = np.flatnonzero((frame_ms > factor * least) & (frame_ms > least + more_ms))
    if candidates.size == 0:
        return 0
    starts = np.clip(candidates - window // 2, 0, n - window)
    windows = np.lib.stride_tricks.sliding_window_view(frame_ms, window)
    count = 0
    for part in range(0, candidates.size, 65_536):  # bounds the copy the median makes
        chosen = slice(part, part + 65_536)
        around = np.median(windows[starts[chosen]], axis=1)
        frames = frame_ms[candidates[chosen]]
        count += int(np.count_nonzero((frames > factor * around) & (frames > around + more_ms)))
    return count


def energy_per_frame(frame_ms: NDArray[np.float64], power_w: NDArray[np.float64]) -> float | None:
    """Return the energy a frame took on average, in joules; None where no power was read.

    Parameters
    ----------
    frame_ms, power_w : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, and the power read during it, in watts; NaN where
        there was no reading.

    Notes
    -----
    Mean power over the time it was read, times all time, over all frames.
    """
    there = np.isfinite(power_w)
    if not there.any():
        return None
    mean_w = float(np.average(power_w[there], weights=frame_ms[there]))
    return mean_w * float(frame_ms.sum()) / 1000.0 / frame_ms.size


def _low_of_tail(
    tail_ms: NDArray[np.float64],
    *,
    frames: int,
    total_ms: float,
    share: float,
    definition: LowDefinition,
    quantile_type: int,
) -> float:
    """Return a low from the slowest frames alone, longest first."""
    if definition == "slowest_share":
        count = tail_count(frames, share=share)
        return float(1000.0 * count / tail_ms[:count].sum())
    if definition == "time_share":
        # Sums of frame times differ in their last digits with the order of adding.
        reached = np.searchsorted(np.cumsum(tail_ms), share * total_ms * (1.0 - 1e-12))
        return float(1000.0 / tail_ms[min(int(reached), tail_ms.size - 1)])
    from_top = snap(frames * share, frames)
    below, above, weight = _ranks(frames, frames - from_top, 1.0 - share, quantile_type)
    low, high = float(tail_ms[frames - below]), float(tail_ms[frames - above])
    return 1000.0 / _between(low, high, weight)


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
