"""A look into the runs of one product in one title: frames over time, hitches, what they tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kit.bench.runs import Run, RunRow
from kit.errors import UsageError
from kit.metrics.blocks import RunBlocks, share_within
from kit.metrics.run_metrics import RunMetrics, find_hitches
from kit.review.walk import Review
from kit.settings.metric import HEADLINE
from kit.settings.params import LookParams
from kit.stats.series import Floats
from kit.trace import Trace

if TYPE_CHECKING:
    import pandas as pd

# Fewer frames than this in a window, and its 99th percentile is its longest frame.
FEWEST_FRAMES = 100
QUANTILES = (0.01, 0.5, 0.99)


@dataclass(frozen=True, slots=True, eq=False)
class FrameSeries:
    """One run, summarised for drawing.

    Attributes
    ----------
    run, product, title : str
        Ids.
    frames : int
        Number of frames.
    duration_s : float
        Their time, in seconds.
    time_s : ndarray of float, shape (n_points,)
        Middles of the rolling windows, in seconds from the start.
    window_s : float
        Length of a window, in seconds.
    low_ms, median_ms, high_ms : ndarray of float, shape (n_points,)
        1st percentile, median and 99th percentile of the frame times in each window, in ms
        (Hyndman-Fan type 7).
    sensors : mapping of str to ndarray of float, shape (n_points,)
        Mean of each sensor over the frames of each window; NaN where it has no reading.
    start_ms, end_ms : float
        Median frame time in the first and in the last fifth of the time, in ms.
    sensor_ends : mapping of str to (float, float)
        Mean of each sensor over the same two fifths.
    curve_ms, curve_share : ndarray of float, shape (n_steps,)
        Points of the empirical distribution: a share `curve_share` of the frames lasted no longer
        than `curve_ms`. Every frame is among them up to `steps` frames; beyond that, frames
        evenly spaced in rank, more closely in the slowest twentieth and hundredth.
    within_budget : mapping of float to float
        Budget in Hz to the share of frames that lasted no longer than its period.
    trace : Trace
        Leads to the raw log.
    """

    run: str
    product: str
    title: str
    frames: int
    duration_s: float
    time_s: Floats
    window_s: float
    low_ms: Floats
    median_ms: Floats
    high_ms: Floats
    sensors: Mapping[str, Floats]
    start_ms: float
    end_ms: float
    sensor_ends: Mapping[str, tuple[float, float]]
    curve_ms: Floats
    curve_share: Floats
    within_budget: Mapping[float, float]
    trace: Trace = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """Return a row per window: `time_s`, `low_ms`, `median_ms`, `high_ms`, and each sensor."""
        import pandas as pd

        return pd.DataFrame(
            {
                "time_s": self.time_s,
                "low_ms": self.low_ms,
                "median_ms": self.median_ms,
                "high_ms": self.high_ms,
                **self.sensors,
            }
        )


def _summarise_frames(
    run: Run,
    *,
    budgets_hz: Sequence[float] = (),
    window_s: float = 2.0,
    points: int = 200,
    steps: int = 240,
) -> FrameSeries:
    """Return one run's frame times over time and as a distribution, ready to be drawn.

    Parameters
    ----------
    run : Run
        A run with its log.
    budgets_hz : sequence of float
        Frame budgets, as rates: 60 is a budget of 16.7 ms.
    window_s : float
        Length of the rolling window, in seconds. Longer where it would hold fewer than
        `FEWEST_FRAMES` frames at the run's average rate; never longer than the run.
    points : int
        Number of windows, evenly spaced over the run.
    steps : int
        About how many steps of the distribution are kept, 8 at the least.

    Returns
    -------
    FrameSeries

    Raises
    ------
    ValueError
        If the run has no log, no frames or a clock that went back, or a number is not positive.

    Notes
    -----
    A frame belongs to a window if it ended inside it. Windows at both ends of the run are cut
    short by it, so that the curve spans the whole run.
    """
    log = run.log
    if log is None or log.frame_ms.size == 0 or log.backward_rows:
        raise ValueError(f"run {run.row.run!r} has no frame times that can be drawn")
    if window_s <= 0 or points < 1 or steps < 8 or any(hz <= 0 for hz in budgets_hz):
        raise ValueError("window_s, points and budgets_hz must be positive, and steps 8 or more")
    frame_ms = log.frame_ms
    ends_s = np.cumsum(frame_ms) / 1000.0
    duration = float(ends_s[-1])
    window = min(duration, max(window_s, FEWEST_FRAMES * duration / frame_ms.size))
    time_s = np.linspace(0.0, duration, 2 * points + 1)[1::2]
    first = np.searchsorted(ends_s, time_s - window / 2, side="right")
    last = np.searchsorted(ends_s, time_s + window / 2, side="right")
    quantiles = np.full((points, len(QUANTILES)), np.nan)
    for i, (start, stop) in enumerate(zip(first, last, strict=True)):
        if stop > start:  # a gap longer than the window holds no frame's end
            quantiles[i] = np.quantile(frame_ms[start:stop], QUANTILES)
    fifth = np.searchsorted(ends_s, (duration / 5, 4 * duration / 5), side="right")
    opening, closing = slice(0, max(1, fifth[0])), slice(min(fifth[1], frame_ms.size - 1), None)
    ordered = np.sort(frame_ms)
    ranks = _curve_ranks(frame_ms.size, steps)
    return FrameSeries(
        run=run.row.run,
        product=run.row.product,
        title=run.row.title,
        frames=int(frame_ms.size),
        duration_s=duration,
        time_s=time_s,
        window_s=float(window),
        low_ms=quantiles[:, 0],
        median_ms=quantiles[:, 1],
        high_ms=quantiles[:, 2],
        sensors={name: _window_means(values, first, last) for name, values in log.sensors.items()},
        start_ms=float(np.median(frame_ms[opening])),
        end_ms=float(np.median(frame_ms[closing])),
        sensor_ends={
            name: (_mean(values[opening]), _mean(values[closing]))
            for name, values in log.sensors.items()
        },
        curve_ms=ordered[ranks - 1],
        curve_share=ranks / frame_ms.size,
        within_budget={
            hz: float(np.searchsorted(ordered, 1000.0 / hz, side="right")) / frame_ms.size
            for hz in budgets_hz
        },
        trace=Trace("run", log.sha256, run.row.run),
    )


def _window_means(values: Floats, first: NDArray[np.intp], last: NDArray[np.intp]) -> Floats:
    """Return the mean of the readings in each window [first, last), NaN where there is none."""
    known = np.isfinite(values)
    sums = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    counts = np.concatenate(([0], np.cumsum(known)))
    number = counts[last] - counts[first]
    total = sums[last] - sums[first]
    means: Floats = np.divide(total, number, out=np.full(first.size, np.nan), where=number > 0)
    return means


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _curve_ranks(frames: int, steps: int) -> NDArray[np.intp]:
    """Return ranks (from 1) of the frames kept as steps of the distribution, the last always.

    A quarter of the steps go to the slowest twentieth and another to the slowest hundredth, where
    the curve is flat and read most closely.
    """
    if frames <= steps:
        return np.arange(1, frames + 1)
    parts = [
        np.linspace(max(1.0, start * frames), frames, count)
        for start, count in ((0.0, steps // 2), (0.95, steps // 4), (0.99, steps // 4))
    ]
    return np.unique(np.rint(np.concatenate(parts)).astype(np.intp))


POINTS = 100  # of a run drawn over time: the page holds them in a table too, for each run


@dataclass(frozen=True, slots=True)
class _Hitch:
    """One frame that stands out of those around it."""

    run: str
    time_s: float  # when it began, from the start of the run
    frame_ms: float
    around_ms: float  # median of the frames around it

    @property
    def longer_ms(self) -> float:
        """How much longer it lasts than the frames around it, in milliseconds."""
        return self.frame_ms - self.around_ms


@dataclass(frozen=True, slots=True, eq=False)
class LookedRun:
    """One run looked into; `reason` says why it is set aside, "" where it is used."""

    run: str
    reason: str
    metrics: RunMetrics
    series: FrameSeries
    blocks: RunBlocks
    hitches: tuple[_Hitch, ...]

    @property
    def used(self) -> bool:
        """Whether the run is among those figures rest on."""
        return not self.reason


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """The runs of one product in one title.

    `share_within` maps a metric to the share of the variance between used runs that their frames
    alone would explain; None where that cannot be told. `not_shown` are runs beyond `most_runs`.
    """

    product: str
    title: str
    runs: tuple[LookedRun, ...]
    share_within: Mapping[str, float | None]
    not_shown: tuple[str, ...]
    compared: tuple[str, ...]  # metrics of frames


@lru_cache(maxsize=1)
def look_into(review: Review) -> Look:
    """Return the runs of the product and title that params name, read again and looked into.

    Runs set aside are shown too. The last look is kept: claims, charts and tables show one.

    Raises
    ------
    UsageError
        If there is no run with frame times of that product in that title.
    """
    params = review.params.look or LookParams()
    product = params.product or review.params.product
    rows = [row for row in review.rows if row.product == product and _has_frames(row, review)]
    title = params.title or next((t for t in review.titles if any(r.title == t for r in rows)), "")
    rows = [row for row in rows if row.title == title]
    if not rows:
        there = sorted({r.title for r in review.rows if _has_frames(r, review)})
        raise UsageError(
            f'{review.loaded.path.name}, look: no run of "{product}" in '
            f'"{title or "any title"}" has frame times; titles with some: '
            f"{', '.join(there) or 'none'}"
        )
    shown = tuple(_look_at(row, review) for row in rows[: params.most_runs])
    used = [run for run in shown if run.used]
    return Look(
        product=product,
        title=title,
        runs=shown,
        share_within={
            metric: share_within(
                [run.blocks.within_sd[metric] for run in used],
                [run.metrics.values[metric] for run in used],
            )
            for metric in review.params.metrics.compared
            if used and all(metric in run.blocks.within_sd for run in used)
        },
        not_shown=tuple(row.run for row in rows[params.most_runs :]),
        compared=review.params.metrics.compared,
    )


def _has_frames(row: RunRow, review: Review) -> bool:
    measured = review.metrics.get(row.run)
    return bool(row.log) and measured is not None and HEADLINE in measured.values


def _look_at(row: RunRow, review: Review) -> LookedRun:
    settings = review.params.metrics
    run = row.read(review.bench)
    series = _summarise_frames(run, budgets_hz=settings.budgets_hz, points=POINTS)
    frame_ms = run.log.frame_ms if run.log is not None else np.empty(0)
    return LookedRun(
        run=row.run,
        reason=review.screened.set_aside.get(row.run, ""),
        metrics=review.metrics[row.run],
        series=series,
        blocks=review.metrics[row.run].blocks,
        hitches=_find_hitches(
            frame_ms, factor=settings.hitch_factor, more_ms=settings.hitch_ms, run=row.run
        ),
    )


def _find_hitches(
    frame_ms: Floats, *, factor: float, more_ms: float, run: str = ""
) -> tuple[_Hitch, ...]:
    """Return the hitches of a run (see `find_hitches`), each with its time."""
    places, around = find_hitches(frame_ms, factor=factor, more_ms=more_ms)
    starts_s = (np.cumsum(frame_ms) - frame_ms)[places] / 1000.0
    rows = zip(starts_s.tolist(), frame_ms[places].tolist(), around.tolist(), strict=True)
    return tuple(_Hitch(run, *row) for row in rows)
