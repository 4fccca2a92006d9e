"""Rolling quantiles, sensor means and the empirical distribution of one run."""

import statistics
from dataclasses import replace

import made_claims
import numpy as np
import pandas as pd
import pytest
from scipy.stats import ecdf

from kit.bench.runs import Run, RunRow
from kit.logs.read import Log
from kit.metrics.series import FEWEST_FRAMES, summarise_frames

BUDGETS = (30.0, 60.0, 120.0)


def run_of(frame_ms, **sensors):
    log = Log(
        "x.csv",
        "cd" * 32,
        1,
        np.asarray(frame_ms, float),
        {k: np.asarray(v, float) for k, v in sensors.items()},
    )
    return Run(RunRow("r1", "p", "t", log="x.csv"), log)


@pytest.fixture(scope="module")
def run():
    return made_claims.run(seconds=30)


@pytest.fixture(scope="module")
def series(run):
    return summarise_frames(run, budgets_hz=BUDGETS)


def test_rolling_quantiles_are_those_of_the_standard_library(run, series):
    # statistics.quantiles, method "inclusive": Hyndman & Fan (1996), type 7, an implementation
    # of its own. Every window here is gathered by comparing each frame's end, one by one.
    ends = np.cumsum(run.log.frame_ms) / 1000
    for i in range(0, series.time_s.size, 7):
        start, stop = series.time_s[i] - series.window_s / 2, series.time_s[i] + series.window_s / 2
        inside = [ms for ms, end in zip(run.log.frame_ms, ends, strict=True) if start < end <= stop]
        cuts = statistics.quantiles(inside, n=100, method="inclusive")
        assert series.low_ms[i] == pytest.approx(cuts[0], rel=1e-12)
        assert series.median_ms[i] == pytest.approx(statistics.median(inside), rel=1e-12)
        assert series.high_ms[i] == pytest.approx(cuts[98], rel=1e-12)


def test_rolling_quantiles_are_those_of_pandas_time_windows(run, series):
    # pandas rolls over rows: the middles of our windows are added as rows without a frame.
    ends = np.cumsum(run.log.frame_ms) / 1000
    index = pd.to_timedelta(np.concatenate([ends, series.time_s]), unit="s")
    values = np.concatenate([run.log.frame_ms, np.full(series.time_s.size, np.nan)])
    frame = pd.Series(values, index=index).sort_index(kind="stable")
    window = pd.Timedelta(seconds=series.window_s)
    rolled = frame.rolling(window, center=True, closed="right", min_periods=1).median()
    expected = rolled[frame.isna()].to_numpy()
    assert np.abs(series.median_ms / expected - 1).max() < 2e-3  # pandas rounds time to 1 ns
    assert np.mean(series.median_ms == expected) > 0.9


def test_the_distribution_is_scipys(run, series):
    reference = ecdf(run.log.frame_ms).cdf
    assert series.curve_share == pytest.approx(reference.evaluate(series.curve_ms), abs=1e-12)
    assert series.curve_share[-1] == 1.0
    assert series.curve_ms[-1] == run.log.frame_ms.max()
    assert (np.diff(series.curve_share) > 0).all() and (np.diff(series.curve_ms) >= 0).all()
    assert 100 < series.curve_ms.size <= 240
    slowest = (series.curve_share > 0.99).sum()
    assert slowest >= min(20, 0.01 * series.frames)


def test_a_short_run_keeps_every_frame_of_its_distribution():
    series = summarise_frames(run_of([3.0, 1.0, 2.0, 2.0]))
    assert list(series.curve_ms) == [1, 2, 2, 3] and list(series.curve_share) == [
        0.25,
        0.5,
        0.75,
        1,
    ]


def test_shares_within_budget_count_frames_that_are_no_longer():
    # 60 Hz is 16.66... ms; a frame of exactly 1000/60 keeps to it.
    series = summarise_frames(run_of([8.0, 1000 / 60, 16.7, 33.0]), budgets_hz=BUDGETS)
    assert series.within_budget == {30.0: 1.0, 60.0: 0.5, 120.0: 0.25}


def test_start_and_end_are_medians_of_the_first_and_last_fifth():
    frames = [10.0] * 100 + [14.0] * 200 + [20.0] * 50  # 1.0 + 2.8 + 1.0 = 4.8 s; a fifth: 0.96 s
    series = summarise_frames(run_of(frames))
    assert (series.start_ms, series.end_ms) == (10.0, 20.0)
    assert series.duration_s == pytest.approx(4.8) and series.frames == 350


def test_sensor_means_leave_out_missing_readings():
    clock = np.r_[np.full(500, 1900.0), np.full(500, 1700.0)]
    power = np.full(1000, np.nan)
    power[::10] = 90.0
    series = summarise_frames(
        run_of(np.full(1000, 10.0), clock_mhz=clock, power_w=power, fan=np.full(1000, np.nan)),
        window_s=2.0,
    )
    assert series.sensor_ends["clock_mhz"] == (1900.0, 1700.0)
    assert series.sensors["clock_mhz"][0] == 1900.0 and series.sensors["clock_mhz"][-1] == 1700.0
    middle = np.argmin(np.abs(series.time_s - 5.0))
    assert series.sensors["clock_mhz"][middle] == pytest.approx(1800.0, abs=4)
    assert (series.sensors["power_w"] == 90.0).all()
    assert np.isnan(series.sensors["fan"]).all()
    assert np.isnan(series.sensor_ends["fan"][0])
    assert set(series.to_frame().columns) == {
        "time_s",
        "low_ms",
        "median_ms",
        "high_ms",
        "clock_mhz",
        "power_w",
        "fan",
    }


def test_the_window_grows_where_it_would_hold_too_few_frames():
    slow = summarise_frames(run_of(np.full(400, 100.0)), window_s=2.0)
    assert slow.window_s == pytest.approx(FEWEST_FRAMES * 0.1)
    short = summarise_frames(run_of(np.full(50, 10.0)), window_s=2.0)
    assert short.window_s == pytest.approx(0.5)  # no longer than the run
    assert summarise_frames(run_of(np.full(4000, 10.0)), window_s=3.0).window_s == 3.0


def test_a_gap_longer_than_the_window_is_a_hole_and_not_a_line():
    frames = np.r_[np.full(1000, 10.0), 30_000.0, np.full(1000, 10.0)]
    series = summarise_frames(run_of(frames), window_s=2.0)
    inside = (series.time_s > 14) & (series.time_s < 36)
    assert np.isnan(series.median_ms[inside]).any()
    assert np.isfinite(series.median_ms[series.time_s < 8]).all()


def test_one_frame_is_a_run_too():
    series = summarise_frames(run_of([12.5]), budgets_hz=(60.0,))
    assert (series.start_ms, series.end_ms) == (12.5, 12.5)
    assert list(series.curve_ms) == [12.5] and series.within_budget == {60.0: 1.0}


def test_a_million_frames_are_drawn_from_as_few_points(run):
    frames = np.random.default_rng(0).lognormal(2.0, 0.1, 1_000_000)
    series = summarise_frames(run_of(frames))
    assert series.time_s.size == 200 and series.curve_ms.size <= 240


def test_the_series_leads_to_its_log(series):
    assert series.trace.run_ids() == ("r0001",) and series.trace.key == "ab" * 32


@pytest.mark.parametrize(
    ("spoil", "how"),
    [({}, {"window_s": 0}), ({}, {"points": 0}), ({}, {"steps": 7}), ({}, {"budgets_hz": (0.0,)})],
)
def test_impossible_numbers_are_refused(run, spoil, how):
    with pytest.raises(ValueError, match="must be positive"):
        summarise_frames(run, **how)


def test_a_run_without_frames_that_can_be_drawn_is_refused(run):
    for log in (None, replace(run.log, backward_rows=(7,)), replace(run.log, frame_ms=np.empty(0))):
        with pytest.raises(ValueError, match="'r0001' has no frame times"):
            summarise_frames(Run(run.row, log))


def test_a_frame_that_ends_where_a_window_does_belongs_to_it_and_not_to_the_next():
    # 400 frames of 1/128 s, exact in binary, in windows of 100/128 s about 4/128, 12/128, ... s:
    # both ends of every window fall on ends of frames.
    frames = np.full(400, 1000 / 128)
    number = np.arange(1.0, 401.0)
    series = summarise_frames(run_of(frames, number=number), window_s=0.5, points=50)
    assert series.window_s == FEWEST_FRAMES / 128
    for middle, mean in zip(series.time_s, series.sensors["number"], strict=True):
        first = max(0.0, (middle - series.window_s / 2) * 128) + 1  # the frame after the start
        last = min(400.0, (middle + series.window_s / 2) * 128)  # the frame that ends at the end
        assert mean == (first + last) / 2
