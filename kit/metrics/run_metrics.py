"""One run's frame times to its numbers, and to the facts that screening needs.

Both are taken while the frames are in memory; then these are dropped: memory is bounded by one run,
not by the bench.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from kit.bench.runs import RunRow
from kit.errors import Fault, RunFileError
from kit.logs.read import Log
from kit.metrics.blocks import NO_BLOCKS, RunBlocks, measure_blocks
from kit.settings.metric import HEADLINE, METRICS, RESULT, SENSOR_WORDS, tail_shares
from kit.settings.params import MetricParams
from kit.stats.series import (
    LAGS_S,
    LOW_DEFINITIONS,
    LagProfile,
    LowDefinition,
    average_fps,
    block_levels,
    cap_shares,
    check_frames,
    effective_size,
    find_trend,
    lag1_autocorrelation,
    measure_lows,
    tail_effective_frames,
)
from kit.trace import Trace

if TYPE_CHECKING:
    from pyarrow.parquet import ParquetFile


DIAGNOSTICS_VERSION = 1


@dataclass(frozen=True, slots=True)
class RunDiagnostics:
    """What screening needs to know of one run. Facts only; rules are in `screen`."""

    sha256: str = ""
    frames_sha256: str = ""  # of the frame times as rounded to 1 ns: equal frames, other bytes
    frames: int = 0
    duration_s: float = 0.0
    average_fps: float = 0.0
    median_ms: float = 0.0
    longest_ms: float = 0.0
    longest_frame: int = 0  # index of the longest frame
    backward_rows: tuple[int, ...] = ()
    step_ms: float = 0.0
    lag1: float = 0.0  # autocorrelation of neighbouring frame times; NaN where none vary
    effective_frames: float = 0.0  # effective sample size of the mean frame time
    drift_share: float = 0.0  # Sen slope x length over the run's level; > 0 is slowing down
    drift_p: float = 1.0  # two-sided, autocorrelation taken into account
    cap_shares: Mapping[float, float] = field(default_factory=dict)  # Hz -> share of the run
    sensor_means: Mapping[str, float] = field(default_factory=dict)  # time-weighted
    clock_change_share: float | None = None  # last fifth over first fifth, minus 1
    temperature_change_c: float | None = None
    drift_judged: bool = False  # False: too few frames for a trend, or none differ
    profile: tuple[float, ...] = ()  # mean frame time in up to 100 stretches of equal time, in ms
    tail_frames: Mapping[str, float] = field(default_factory=dict)  # low's name -> effective frames

    @classmethod
    def of_typed(cls, row: RunRow) -> RunDiagnostics:
        """Return what is known of a run without a log: its average, where that was typed in."""
        return cls(average_fps=row.typed.get(HEADLINE, 0.0))

    @property
    def measurable(self) -> bool:
        """Whether the log can be measured: it has frames, and its clock never went back."""
        return self.frames > 0 and not self.backward_rows

    def average_without(self, struck: Iterable[tuple[float, float]]) -> float:
        """Return the average of a run less stretches given as shares of its time."""
        rates = 1.0 / np.asarray(self.profile)
        middles = (np.arange(rates.size) + 0.5) / rates.size
        out = [(middles >= start) & (middles <= stop) for start, stop in struck]
        kept = rates[~np.any(out, axis=0)] if out else rates
        return self.average_fps * float(kept.mean() / rates.mean())

    @classmethod
    def of_log(cls, log: Log, *, caps_hz: tuple[float, ...], cap_width: float) -> Self:
        """Return the facts of one log: a pure function of its bytes and the two settings.

        Parameters
        ----------
        log : Log
            Frame times in milliseconds, in the order shown, with sensors.
        caps_hz, cap_width : tuple of float, float
            Which caps to look for, and how near to a cap's period counts; no rule is applied here.

        Returns
        -------
        RunDiagnostics
            No statistics of a log whose clock goes back, or without frames.
        """
        frame_ms = log.frame_ms
        counted = cls(
            sha256=log.sha256, frames_sha256=_frames_sha256(frame_ms),
            frames=int(frame_ms.size), duration_s=float(frame_ms.sum()) / 1000.0,
            step_ms=log.step_ms,
        )  # fmt: skip
        if frame_ms.size == 0 or log.backward_rows or not frame_ms.min() > 0:
            return replace(counted, backward_rows=log.backward_rows or _not_positive_rows(frame_ms))
        levels = block_levels(frame_ms)
        trend = find_trend(levels)
        longest = int(frame_ms.argmax())
        return replace(
            counted,
            average_fps=average_fps(frame_ms),
            median_ms=float(np.median(frame_ms)),
            longest_ms=float(frame_ms[longest]),
            longest_frame=longest,
            lag1=lag1_autocorrelation(frame_ms),
            effective_frames=effective_size(frame_ms),
            drift_share=trend.change / float(np.median(levels)) if trend.judged else 0.0,
            drift_p=trend.p_value,
            drift_judged=trend.judged,
            profile=tuple(levels.tolist()),
            cap_shares=cap_shares(frame_ms, caps_hz=caps_hz, width=cap_width),
            sensor_means=_sensor_means(log),
            clock_change_share=_clock_change_share(log),
            temperature_change_c=_temperature_change_c(log),
            tail_frames={
                name: tail_effective_frames(frame_ms, share=share)
                for name, share in tail_shares().items()
            },
        )


def _frames_sha256(frame_ms: NDArray[np.float64]) -> str:
    """Return the SHA-256 of the frame times as whole nanoseconds."""
    digest = hashlib.sha256()
    for start in range(0, frame_ms.size, 1 << 20):  # bounds the copies
        part = frame_ms[start : start + (1 << 20)]
        digest.update(np.rint(part * 1e6).astype("<i8").tobytes())
    return digest.hexdigest()


def _not_positive_rows(frame_ms: NDArray[np.float64]) -> tuple[int, ...]:
    """Return the frames, counted from 1, that took no time or less."""
    return tuple(int(i) + 1 for i in np.flatnonzero(~(frame_ms > 0)))


def _sensor_means(log: Log) -> dict[str, float]:
    """Return each sensor's mean over time, leaving out what was not read."""
    means: dict[str, float] = {}
    for name, readings in log.sensors.items():
        there = np.isfinite(readings)
        if there.any():
            means[name] = float(np.average(readings[there], weights=log.frame_ms[there]))
    return means


def _under_load(log: Log) -> dict[str, float]:
    """Return what each of `SENSOR_WORDS` reads over the second half of a run's time, on average.

    In the first half clock and power fall and the temperature rises, as the part warms up; which
    half is common practice, no source. Of noise it is the equivalent continuous level, that of the
    mean sound energy (IEC 61672-1).
    """
    ends = np.cumsum(log.frame_ms)
    late = ends > ends[-1] / 2
    means: dict[str, float] = {}
    for name in SENSOR_WORDS:
        readings = _sensor(log, name)
        if readings is not None and (there := late & np.isfinite(readings)).any():
            of_level = name == "noise_dba"
            read = 10.0 ** (readings[there] / 10) if of_level else readings[there]
            mean = float(np.average(read, weights=log.frame_ms[there]))
            means[name] = 10 * math.log10(mean) if of_level else mean
    return means


def _ends(log: Log, sensor: str) -> tuple[float, float] | None:
    """Return a sensor's means in the first and the last fifth; None where either has no reading."""
    readings = _sensor(log, sensor)
    if readings is None or (fifth := readings.size // 5) == 0:
        return None
    first, last = readings[:fifth], readings[-fifth:]
    first, last = first[np.isfinite(first)], last[np.isfinite(last)]
    if first.size == 0 or last.size == 0:
        return None
    return float(first.mean()), float(last.mean())


def _clock_change_share(log: Log) -> float | None:
    """Return how far the graphics clock moved over the run, as a share of its beginning."""
    ends = _ends(log, "clock_mhz")
    if ends is None or not ends[0] > 0 or not math.isfinite(ends[1]):
        return None
    return ends[1] / ends[0] - 1.0


def _temperature_change_c(log: Log) -> float | None:
    """Return how far the graphics temperature moved over the run, in degrees Celsius."""
    ends = _ends(log, "temperature_c")
    return ends[1] - ends[0] if ends is not None else None


def _sensor(log: Log, name: str) -> NDArray[np.float64] | None:
    """Return the sensor of that name, or the first whose name ends so and is no processor's."""
    if name in log.sensors:
        return log.sensors[name]
    for other, readings in log.sensors.items():
        if other.endswith(f"_{name}") and not other.startswith(("processor", "memory")):
            return readings
    return None


METRICS_VERSION = 1
# A graphics part's sensors whose lag behind the frames is looked for: names that end so.
LAGGING = ("power_w", "clock_mhz", "temperature_c")
# How much of a run is measured, from its beginning: so many seconds, or so many frames.
Stretch = tuple[float, Literal["seconds", "frames"]]
HITCH_WINDOW = 31  # frames around a frame, itself among them, that its local median is taken of


@dataclass(frozen=True, slots=True)
class RunMetrics:
    """The figures of one run.

    `values` maps the name of each metric compared (and `value`, for a title that does not measure
    frames) to its value, in the metric's unit, unrounded; the lows are under the definition chosen
    in params. `lows` holds the lows under every definition: definition -> metric -> value. A log
    that cannot be measured (its clock goes back) has no values; screening says so.
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
    energy_per_frame_j: float | None = None
    energy_by_lag_j: tuple[float, ...] = ()  # where power lags that far: see `LAGS_S`
    lags: Mapping[str, LagProfile] = field(default_factory=dict)  # by sensor
    blocks: RunBlocks = NO_BLOCKS  # what the frames alone say of the errors
    typed_in: bool = False
    stretch: Stretch | None = None  # what all used runs of its title have; None: all of it
    passes: int = 1  # of which a figure typed in is the mean
    spread: Mapping[str, float] = field(default_factory=dict)  # stated: metric -> sd of ln value
    under_load: Mapping[str, float] = field(default_factory=dict)  # sensor -> mean once warm


@dataclass(frozen=True, slots=True)
class FrameFigures:
    """The figures of one log's frames, whatever run it belongs to."""

    values: Mapping[str, float]  # metric -> figure, of all that have one definition
    lows: Mapping[str, Mapping[str, float]]  # definition -> metric -> frames per second
    over_budget: Mapping[float, float]  # Hz -> share of time
    energy_per_frame_j: float | None
    blocks: RunBlocks
    energy_by_lag_j: tuple[float, ...] = ()  # empty where the lag of power cannot be looked for
    lags: Mapping[str, LagProfile] = field(default_factory=dict)
    under_load: Mapping[str, float] = field(default_factory=dict)  # sensor -> mean once warm


def state_metrics(
    row: RunRow, told: RunDiagnostics, figures: FrameFigures | None, *, params: MetricParams
) -> RunMetrics:
    """Return the figures of a run: those of its log's frames, or those typed in.

    Parameters
    ----------
    row : RunRow
        The run; a title's `value` (a score, a duration) is typed in, with or without a log.
    told : RunDiagnostics
        Its diagnostics: hash, number of frames, duration.
    figures : FrameFigures or None
        Of its log; None without one, or where the log cannot be measured.
    params : MetricParams
        Which metrics, and the definition the review states its lows under.

    Returns
    -------
    RunMetrics
        Typed-in figures are taken as they stand and leave `lows` empty: nobody knows their
        definition.
    """
    wanted: Sequence[str] = (*params.compared, RESULT) if not row.log else (RESULT,)
    values = {name: row.typed[name] for name in wanted if name in row.typed}
    if figures is not None:
        found = {**figures.values, **figures.lows[params.low]}
        values = {**{name: found[name] for name in METRICS if name in found}, **values}
    made = RunMetrics(
        run=row.run,
        product=row.product,
        title=row.title,
        session=row.session,
        values=values,
        trace=Trace("run", told.sha256, row.run)
        if row.log
        else Trace("typed", row.row_sha256, row.run),
        frames=told.frames,
        duration_s=told.duration_s,
        typed_in=not row.log,
        passes=row.passes,
        spread={
            name: math.sqrt(math.log1p(row.spread**2))
            for name in (HEADLINE, RESULT)
            if row.spread and name in values
        },
    )
    if figures is None:
        return made
    return replace(
        made, lows=figures.lows, over_budget=figures.over_budget,
        energy_per_frame_j=figures.energy_per_frame_j, energy_by_lag_j=figures.energy_by_lag_j,
        lags=figures.lags,
        blocks=figures.blocks, under_load=figures.under_load,
    )  # fmt: skip


def measure_log(log: Log, params: MetricParams) -> FrameFigures:
    """Return the figures of one log's frames: a pure function of its bytes and the params.

    Parameters
    ----------
    log : Log
        Frame times in milliseconds, in the order shown, with sensors.
    params : MetricParams
        Which metrics, which definition of the lows, which budgets in Hz.

    Returns
    -------
    FrameFigures
        Frame rates in frames per second, shares of time over budget in [0, 1], energy in joule.

    Raises
    ------
    ValueError
        If the log has no frames, or a frame time that is not positive.
    """
    frame_ms = log.frame_ms
    check_frames(frame_ms)
    power_w = log.sensors.get("power_w")
    lags = {
        name: LagProfile.of_run(frame_ms, readings)
        for name, readings in log.sensors.items()
        if name.endswith(LAGGING) and not name.startswith(("processor", "memory"))
    }
    by_lag: list[float | None] = []
    if power_w is not None and lags["power_w"].likely:
        by_lag = _energies_per_frame(frame_ms, power_w, LAGS_S)
    return FrameFigures(
        values={
            name: of_frames(frame_ms)
            for name in params.compared
            if (of_frames := METRICS[name].of_frames) is not None
        },
        lows=measure_lows(
            frame_ms, shares=tail_shares(params.compared), quantile_type=params.quantile_type
        ),
        over_budget={
            hz: _time_over_budget(frame_ms, budget_hz=hz, step_ms=log.step_ms)
            for hz in params.budgets_hz
        },
        energy_per_frame_j=_energy_per_frame(frame_ms, power_w) if power_w is not None else None,
        blocks=measure_blocks(frame_ms, metrics=params.compared),
        energy_by_lag_j=tuple(joule for joule in by_lag if joule is not None),
        lags=lags,
        under_load=_under_load(log),
    )


def _time_over_budget(
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


def find_hitches(
    frame_ms: NDArray[np.float64], *, factor: float, more_ms: float
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return which frames stand out of those around them, and the median around each.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, in the order shown.
    factor, more_ms : float
        A hitch lasts more than `factor` times the median of the 31 frames around it, and more
        than `more_ms` longer. At the ends of a run, the 31 frames are the first or last ones.

    Returns
    -------
    ndarray of int, ndarray of float, each of shape (n_hitches,)
        Places of the frames, counted from 0, and the medians, in milliseconds.
    """
    from scipy.ndimage import minimum_filter1d

    n = frame_ms.size
    window = min(HITCH_WINDOW, n)
    if window < 3:  # a frame cannot stand out of itself and one other
        return np.empty(0, dtype=np.intp), np.empty(0)
    # The shortest frame around is at most the median around: what does not stand out of it
    # needs no median. The edge windows lie within the ones this looks at.
    least = minimum_filter1d(frame_ms, 2 * window + 1, mode="nearest")
    places = np.flatnonzero((frame_ms > factor * least) & (frame_ms > least + more_ms))
    windows = np.lib.stride_tricks.sliding_window_view(frame_ms, window)
    around = np.empty(places.size)
    for part in range(0, places.size, 65_536):  # bounds the copy the median makes
        chosen = slice(part, part + 65_536)
        starts = np.clip(places[chosen] - window // 2, 0, n - window)
        around[chosen] = np.median(windows[starts], axis=1)
    lasted = frame_ms[places]
    beyond = (lasted > factor * around) & (lasted > around + more_ms)
    return places[beyond], around[beyond]


def _energy_per_frame(
    frame_ms: NDArray[np.float64], power_w: NDArray[np.float64], *, lag_s: float = 0.0
) -> float | None:
    """Return the energy a frame took on average, in joules; None where no power was read.

    Parameters
    ----------
    frame_ms, power_w : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, and the power read during it, in watts; NaN where
        there was no reading.
    lag_s : float
        How far the readings lag behind the frames, below the length of the run.

    Notes
    -----
    Mean power over the time it was read, times all time, over all frames. With a lag the readings
    of its first seconds belong to what was before, and nothing was read of the last frames: power
    from `lag_s` on is set against the frames up to `lag_s` before the end.
    """
    return _energies_per_frame(frame_ms, power_w, (lag_s,))[0]


def _energies_per_frame(
    frame_ms: NDArray[np.float64], power_w: NDArray[np.float64], lags_s: Sequence[float]
) -> list[float | None]:
    """Return the energy a frame took on average with each lag, as `_energy_per_frame`."""
    there = np.isfinite(power_w)
    weights, ends = frame_ms[there], np.cumsum(frame_ms) / 1000.0
    products, read_at = power_w[there] * weights, ends[there]
    clock = np.concatenate([[0.0], ends])
    totals_s = float(frame_ms.sum()) / 1000.0 - np.array(lags_s)
    counts = np.interp(totals_s, clock, np.arange(ends.size + 1.0))
    firsts = np.searchsorted(read_at, lags_s, side="right")
    found: list[float | None] = []
    for lag_s, total_s, count, after in zip(lags_s, totals_s, counts, firsts, strict=True):
        first, frames = (int(after), count) if lag_s else (0, frame_ms.size)
        if first == read_at.size:
            found.append(None)
            continue
        mean_w = products[first:].sum() / weights[first:].sum()
        found.append(float(mean_w * total_s / frames))
    return found


SHARES = tail_shares(("low_1pct_fps", "low_0_1pct_fps"))
ROWS_AT_ONCE = 1 << 18  # 2 MB of frame times


@dataclass(frozen=True, slots=True)
class _RunFigures:
    """The figures of one run; the lows under the definition asked for."""

    run: str
    frames: int
    duration_s: float
    average_fps: float
    low_1pct_fps: float
    low_0_1pct_fps: float


def measure_tables(
    paths: Iterable[Path],
    *,
    frame_ms: str,
    run: str | None = None,
    low: LowDefinition,
    quantile_type: int = 7,
) -> Iterator[_RunFigures]:
    """Yield the figures of each run in Parquet files, as their rows come.

    Parameters
    ----------
    paths : iterable of Path
        Parquet files.
    frame_ms : str
        The column of frame times, in milliseconds.
    run : str, optional
        The column that says which run a row belongs to: whole numbers or texts, the rows of one
        run together. Without it each file is one run, named as the file is.
    low : {"percentile", "slowest_share", "time_share"}
        The definition of the lows: see `kit.stats.series.low_fps`.
    quantile_type : int
        Hyndman-Fan type 1 to 9, for percentile.

    Raises
    ------
    RunFileError
        At the first file that is no such table, row that is no frame time, or run whose rows are
        not together.
    ValueError
        If `low` is none of those above.

    Notes
    -----
    Held at once are a few blocks of rows and the frames of one run. A second thread
    unpacks the next block meanwhile.
    """
    if low not in LOW_DEFINITIONS:
        raise ValueError(f"low must be one of {LOW_DEFINITIONS}: {low!r}")
    seen: set[str] = set()
    for path in paths:
        for name, frames in _runs_of(path, frame_ms, run):
            if name in seen:
                raise _refuse(
                    path, f'the rows of run "{name}" are not together; sort the table by {run}', run
                )
            seen.add(name)
            total_ms = float(frames.sum())
            if not (total_ms < np.inf and frames.min() > 0):  # NaN and infinity fail too
                raise _refuse(
                    path, f'run "{name}" holds a frame time that is not above 0', frame_ms
                )
            lows = measure_lows(frames, shares=SHARES, quantile_type=quantile_type)[low]
            yield _RunFigures(
                run=name,
                frames=int(frames.size),
                duration_s=total_ms / 1000.0,
                average_fps=1000.0 * frames.size / total_ms,
                **lows,
            )


def _runs_of(
    path: Path, frame_ms: str, run: str | None
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Yield the name and frames of each stretch of rows of one run."""
    held: list[NDArray[np.float64]] = []
    name: str | None = None if run else path.name.partition(".")[0]
    for names, ends, frames in _blocks(path, frame_ms, run):
        start = 0
        for following, end in zip(names, ends, strict=True):
            if name is not None and following != name and run:
                yield name, _joined(held)
                held = []
            name = following if run else name
            held.append(frames[start:end])
            start = end
        if held:  # a view would keep the whole block
            held = [np.concatenate(held)]
    if name is not None and held:
        yield name, _joined(held)


def _joined(parts: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


Block = tuple[list[str], list[int], NDArray[np.float64]]


def _blocks(path: Path, frame_ms: str, run: str | None) -> Iterator[Block]:
    """Yield blocks of rows: names of the runs in it, where each ends, and all frames."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, pre_buffer=False) as table, ThreadPoolExecutor(1) as other:
            columns = _check_columns(table, path, frame_ms, run)
            batches = table.iter_batches(ROWS_AT_ONCE, columns=columns, use_threads=False)
            following = other.submit(_next_block, batches, frame_ms, run)
            while (block := following.result()) is not None:
                following = other.submit(_next_block, batches, frame_ms, run)
                yield block
    except (pa.ArrowException, OSError) as error:
        raise _refuse(path, f"cannot be read as Parquet ({str(error).splitlines()[0]})") from None


def _next_block(batches: Iterator[Any], frame_ms: str, run: str | None) -> Block | None:
    """Return the next block, or None at the end."""
    import pyarrow as pa
    import pyarrow.compute as pc

    batch = next(batches, None)
    if batch is None:
        return None
    column = batch.column(frame_ms)
    frames = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)  # null becomes NaN
    if run is None:
        return [""], [len(frames)], frames
    runs = batch.column(run)
    stretches = pc.run_end_encode(runs)
    names = ["" if name is None else str(name) for name in stretches.values.to_pylist()]
    return names, stretches.run_ends.to_pylist(), frames


def _check_columns(table: ParquetFile, path: Path, frame_ms: str, run: str | None) -> list[str]:
    """Return the columns to read, or refuse a table that has not got them."""
    import pyarrow as pa

    schema = table.schema_arrow
    wanted = [name for name in (run, frame_ms) if name is not None]
    missing = [name for name in wanted if name not in schema.names]
    if missing:
        raise _refuse(path, f"no such column; it has {', '.join(schema.names)}", missing[0])
    kind = schema.field(frame_ms).type
    if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
        raise _refuse(path, f"the column holds {kind}; expected numbers", frame_ms)
    if run is not None:
        kind = schema.field(run).type
        if not (pa.types.is_integer(kind) or pa.types.is_string(kind)):
            raise _refuse(path, f"the column holds {kind}; expected whole numbers or texts", run)
    return wanted


def _refuse(path: Path, message: str, key: str | None = None) -> RunFileError:
    return RunFileError([Fault(path.name, message, key=key)])
