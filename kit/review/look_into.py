"""A look into the runs of one product in one title: frames over time, hitches, what they tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from kit.bench.runs import RunRow, read_run
from kit.errors import UsageError
from kit.metrics.blocks import RunBlocks
from kit.metrics.run_metrics import HITCH_WINDOW, RunMetrics
from kit.metrics.series import FrameSeries, summarise_frames
from kit.review.walk import Review
from kit.settings.metric import HEADLINE
from kit.settings.params import LookParams
from kit.stats.blocks import share_within
from kit.stats.series import Floats

if TYPE_CHECKING:
    import pandas as pd


POINTS = 100  # of a run drawn over time: the page holds them in a table too, for each run


@dataclass(frozen=True, slots=True)
class Hitch:
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
    hitches: tuple[Hitch, ...]

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

    def to_frame(self) -> pd.DataFrame:
        """Return a row per run: run, used, frames, duration_s, the metrics compared,
        hitches, block (frames), effective_frames (of the average)."""
        import pandas as pd

        rows = [
            [
                r.run,
                r.used,
                r.metrics.frames,
                r.metrics.duration_s,
                *(r.metrics.values.get(metric) for metric in self.compared),
                r.metrics.hitches,
                r.blocks.block,
                r.blocks.effective_frames.get(HEADLINE),
            ]
            for r in self.runs
        ]
        columns = ["run", "used", "frames", "duration_s", *self.compared]
        return pd.DataFrame(rows, columns=[*columns, "hitches", "block", "effective_frames"])

    def hitches_frame(self) -> pd.DataFrame:
        """Return a row per hitch: run, time_s, frame_ms, around_ms."""
        import pandas as pd

        rows = [(h.run, h.time_s, h.frame_ms, h.around_ms) for r in self.runs for h in r.hitches]
        return pd.DataFrame(rows, columns=["run", "time_s", "frame_ms", "around_ms"])


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
    run = read_run(row, review.bench)
    series = summarise_frames(run, budgets_hz=settings.budgets_hz, points=POINTS)
    frame_ms = run.log.frame_ms if run.log is not None else np.empty(0)
    return LookedRun(
        run=row.run,
        reason=review.screened.set_aside.get(row.run, ""),
        metrics=review.metrics[row.run],
        series=series,
        blocks=review.metrics[row.run].blocks,
        hitches=find_hitches(
            frame_ms, factor=settings.hitch_factor, more_ms=settings.hitch_ms, run=row.run
        ),
    )


def find_hitches(
    frame_ms: Floats, *, factor: float, more_ms: float, run: str = ""
) -> tuple[Hitch, ...]:
    """Return the frames that `metrics.count_hitches` counts, each with its time.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, in the order shown.
    factor, more_ms : float
        A hitch lasts more than `factor` times the median of the 31 frames around it, and more
        than `more_ms` longer.
    run : str
        Whose frames they are.
    """
    n = frame_ms.size
    window = min(HITCH_WINDOW, n)
    if window < 3:
        return ()
    # A median is no shorter than the shortest frame of the run: most frames need no window.
    least = float(frame_ms.min())
    candidates = np.flatnonzero((frame_ms > factor * least) & (frame_ms > least + more_ms))
    windows = np.lib.stride_tricks.sliding_window_view(frame_ms, window)
    starts_ms = np.cumsum(frame_ms) - frame_ms
    found = []
    for at in candidates.tolist():
        around = float(np.median(windows[min(max(at - window // 2, 0), n - window)]))
        lasted = float(frame_ms[at])
        if lasted > factor * around and lasted > around + more_ms:
            found.append(Hitch(run, float(starts_ms[at]) / 1000.0, lasted, around))
    return tuple(found)
