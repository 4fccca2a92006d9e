"""A run's figures, against published tables, numpy and plain definitions."""

from __future__ import annotations

import math
from dataclasses import asdict, fields, replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lagging import lagging_run, made_scene
from run_facts import metrics_of
from scipy.ndimage import median_filter
from scipy.stats import lognorm

import kit.metrics.run_metrics
from kit.bench.runs import Run, RunRow
from kit.errors import RunFileError
from kit.logs.read import Log
from kit.metrics.run_metrics import (
    RunDiagnostics,
    RunMetrics,
    _clock_change_share,
    _ends,
    _energy_per_frame,
    _not_positive_rows,
    _runs_of,
    _sensor_means,
    _temperature_change_c,
    _time_over_budget,
    find_hitches,
    measure_log,
    measure_tables,
    state_metrics,
)
from kit.settings.metric import FRAME_METRICS
from kit.settings.params import MetricParams
from kit.stats.series import LOW_DEFINITIONS, effective_size, lag1_autocorrelation, low_fps
from kit.trace import Trace

# 990 frames of 10 ms and 10 of 50 ms, see test_lows.
STUTTER = np.r_[np.full(990, 10.0), np.full(10, 50.0)]


# Arithmetic: budgets are 16.6667, 8.3333 ms.
def test_time_over_budget_is_a_share_of_time_not_of_frames():
    frame_ms = np.r_[np.full(50, 10.0), np.full(25, 20.0)]
    assert _time_over_budget(frame_ms, budget_hz=60) == pytest.approx(0.5)
    assert _time_over_budget(frame_ms, budget_hz=120) == 1
    assert _time_over_budget(frame_ms, budget_hz=40) == 0


def test_a_rounded_frame_is_not_said_to_be_over_its_own_budget():
    frame_ms = np.full(100, 16.667)
    assert _time_over_budget(frame_ms, budget_hz=60) == 1
    assert _time_over_budget(frame_ms, budget_hz=60, step_ms=0.001) == 0


def plain_hitches(frame_ms: np.ndarray, factor: float, more_ms: float) -> int:
    n, count = frame_ms.size, 0
    for i in range(n):
        start = min(max(i - 15, 0), max(n - 31, 0))
        around = np.median(frame_ms[start : start + 31])
        count += frame_ms[i] > factor * around and frame_ms[i] > around + more_ms
    return count


@pytest.mark.parametrize("n", [3, 17, 31, 32, 500])
@pytest.mark.parametrize("seed", range(4))
def test_hitches_match_a_plain_count(n, seed):
    rng = np.random.default_rng(seed)
    frame_ms = rng.lognormal(2.3, 0.2, n)
    frame_ms[rng.random(n) < 0.1] *= 3.5
    assert find_hitches(frame_ms, factor=2.5, more_ms=8.0)[0].size == plain_hitches(
        frame_ms, 2.5, 8.0
    )


def test_a_scene_cut_is_no_hitch_and_a_spike_is_one():
    frame_ms = np.r_[np.full(100, 10.0), np.full(100, 30.0)]
    frame_ms[50] = 45.0
    assert find_hitches(frame_ms, factor=2.5, more_ms=8.0)[0].size == 1


def test_a_spike_of_a_few_ms_is_no_hitch():
    frame_ms = np.full(100, 2.0)
    frame_ms[50] = 9.0  # four and a half times as long, but only 7 ms more
    assert find_hitches(frame_ms, factor=2.5, more_ms=8.0)[0].size == 0
    assert find_hitches(frame_ms, factor=2.5, more_ms=6.0)[0].size == 1
    frame_ms = np.full(100, 4.0)
    frame_ms[49], frame_ms[50] = 2.0, 11.5  # 7.5 ms over the median, 9.5 over the shortest
    assert find_hitches(frame_ms, factor=2.5, more_ms=8.0)[0].size == 0


@pytest.mark.parametrize("frame_ms", [[10.0], [10.0, 900.0]], ids=["one", "two"])
def test_too_few_frames_for_a_hitch(frame_ms):
    assert find_hitches(np.array(frame_ms), factor=2.5, more_ms=8.0)[0].size == 0


def test_energy_is_power_over_time():
    # 100 W for 1 s in 50 frames, 200 W for 1 s in 100: 300 J over 150 frames.
    frame_ms = np.r_[np.full(50, 20.0), np.full(100, 10.0)]
    power_w = np.r_[np.full(50, 100.0), np.full(100, 200.0)]
    assert _energy_per_frame(frame_ms, power_w) == pytest.approx(2.0)
    power_w[:25] = math.nan  # half a second unread: (50 + 200) / 1.5 W over 2 s
    assert _energy_per_frame(frame_ms, power_w) == pytest.approx(250 / 1.5 * 2 / 150)
    assert _energy_per_frame(frame_ms, np.full(150, math.nan)) is None


ROW = RunRow("r1", "heron", "dunes", "csv", "logs/r1.csv", session="s2", row_sha256="f" * 64)
PARAMS = MetricParams(low="slowest_share", budgets_hz=(60.0, 90.0))


def log_of(frame_ms, **sensors) -> Log:
    readings = {name: np.asarray(values, float) for name, values in sensors.items()}
    return Log("logs/r1.csv", "a" * 64, 10, np.asarray(frame_ms, float), readings)


def test_a_run_is_measured():
    frame_ms = np.random.default_rng(3).lognormal(2.3, 0.2, 5000)
    run = Run(ROW, log_of(frame_ms, power_w=np.full(5000, 80.0)))
    found = metrics_of(run, PARAMS)
    assert (found.run, found.product, found.title, found.session) == ("r1", "heron", "dunes", "s2")
    assert found.values == {
        "average_fps": pytest.approx(5000 / frame_ms.sum() * 1000),
        "low_1pct_fps": low_fps(frame_ms, share=0.01, definition="slowest_share"),
        "low_0_1pct_fps": low_fps(frame_ms, share=0.001, definition="slowest_share"),
    }
    assert set(found.lows) == set(LOW_DEFINITIONS)
    for definition, lows in found.lows.items():
        expected = low_fps(frame_ms, share=0.001, definition=definition)
        assert lows["low_0_1pct_fps"] == expected
    assert found.over_budget == {
        60.0: _time_over_budget(frame_ms, budget_hz=60),
        90.0: _time_over_budget(frame_ms, budget_hz=90),
    }
    assert found.energy_per_frame_j == pytest.approx(80 * frame_ms.sum() / 1000 / 5000)
    assert found.duration_s == pytest.approx(frame_ms.sum() / 1000)
    assert not found.typed_in
    leaf = found.trace
    assert leaf.run_ids() == ("r1",)
    assert (leaf.step, leaf.key, leaf.label) == ("run", "a" * 64, "r1")


def test_diagnostics_tell_how_frames_depend_on_each_other():
    log = log_of(np.random.default_rng(3).lognormal(2.3, 0.2, 900))
    found = RunDiagnostics.of_log(log, caps_hz=(), cap_width=0.001)
    assert found.lag1 == lag1_autocorrelation(log.frame_ms)
    assert found.effective_frames == effective_size(log.frame_ms)


def test_the_chosen_definition_is_the_one_in_values():
    run = Run(ROW, log_of(STUTTER))
    lows = {
        low: metrics_of(run, MetricParams(low=low)).values["low_1pct_fps"]
        for low in LOW_DEFINITIONS
    }
    assert lows == pytest.approx(
        {"percentile": 96.1538461538, "slowest_share": 20, "time_share": 20}
    )


def test_typed_in_figures_stand_as_typed():
    row = RunRow("r9", "heron", "dunes", typed={"average_fps": 61.0, "low_1pct_fps": 40.5},
                 row_sha256="e" * 64)  # fmt: skip
    found = metrics_of(Run(row), PARAMS)
    assert found.values == {"average_fps": 61.0, "low_1pct_fps": 40.5}
    assert found.typed_in
    assert found.lows == {}
    assert (found.trace.step, found.trace.key, found.trace.label) == ("typed", "e" * 64, "r9")


def test_a_score_is_its_value():
    row = RunRow("r9", "heron", "dunes", typed={"value": 8123.0}, unit="points")
    assert metrics_of(Run(row), PARAMS).values == {"value": 8123.0}


@pytest.mark.parametrize("frame_ms", [[], [10.0, -2.0], [10.0, 0.0]], ids=["none", "back", "still"])
def test_a_log_that_cannot_be_measured_has_no_values(frame_ms):
    found = metrics_of(Run(ROW, log_of(frame_ms)), PARAMS)
    assert found.values == {}
    assert found.trace.step == "run"
    with pytest.raises(ValueError, match="frame_ms must be"):
        measure_log(log_of(frame_ms), PARAMS)


# Numbers at the edge: a defined result for one frame, for frames all alike, and over eight powers
# of ten.
@pytest.mark.parametrize("ms", [1e-3, 16.7, 1e5])
@pytest.mark.parametrize("n", [1, 2, 3, 50])
def test_frames_all_alike(n, ms):
    found = metrics_of(Run(ROW, log_of(np.full(n, ms))), PARAMS)
    every = [*found.values.values(), *(v for lows in found.lows.values() for v in lows.values())]
    assert every == pytest.approx([1000 / ms] * len(every), rel=1e-12)
    assert find_hitches(np.full(n, ms), factor=2.5, more_ms=8.0)[0].size == 0
    told = RunDiagnostics.of_log(log_of(np.full(n, ms)), caps_hz=(), cap_width=0.001)
    assert math.isnan(told.lag1)  # neighbours cannot be alike where nothing varies
    assert told.effective_frames == n


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(1e-3, 1e5), min_size=1, max_size=400))
def test_figures_lie_between_the_slowest_and_the_fastest_frame(values):
    frame_ms = np.array(values)
    figures = measure_log(log_of(frame_ms), PARAMS)
    slowest, fastest = 1000 / frame_ms.max(), 1000 / frame_ms.min()
    for lows in figures.lows.values():
        for low in lows.values():
            assert slowest * (1 - 1e-12) <= low <= fastest * (1 + 1e-12)
        assert lows["low_0_1pct_fps"] <= lows["low_1pct_fps"] * (1 + 1e-12)
    assert slowest * (1 - 1e-12) <= figures.values["average_fps"] <= fastest * (1 + 1e-12)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.01, 100))
def test_frame_times_scaled_scale_every_rate(seed, factor):
    frame_ms = np.random.default_rng(seed).lognormal(2.3, 0.3, 800)
    every = PARAMS.model_copy(update={"compared": FRAME_METRICS})
    plain = measure_log(log_of(frame_ms), every)
    scaled = measure_log(log_of(frame_ms * factor), every)
    assert set(plain.values) == {"average_fps", "median_fps"}
    for name, rate in plain.values.items():
        assert scaled.values[name] * factor == pytest.approx(rate, rel=1e-9)
    for definition, lows in plain.lows.items():
        for name, low in lows.items():
            assert scaled.lows[definition][name] * factor == pytest.approx(low, rel=1e-9)


def write(path, runs, names=None, **options):
    """Write runs (arrays of frame times) one below the other."""
    names = list(range(len(runs))) if names is None else names
    column = [name for name, frames in zip(names, runs, strict=True) for _ in frames]
    pq.write_table(pa.table({"run": column, "ms": np.concatenate(runs)}), path, **options)
    return path


@pytest.fixture
def runs():
    rng = np.random.default_rng(5)
    return [rng.gamma(9, 1, size) for size in (900, 1, 5000, 333, 64, 2048)]


@pytest.mark.parametrize("rows", [7, 64, 1000, 1 << 20])
@pytest.mark.parametrize("group", [50, 1000, 100_000])
def test_figures_are_those_pandas_gives_run_by_run(tmp_path, runs, rows, group, monkeypatch):
    monkeypatch.setattr(kit.metrics.run_metrics, "ROWS_AT_ONCE", rows)
    path = write(tmp_path / "a.parquet", runs, row_group_size=group)
    made = measure_tables([path], frame_ms="ms", run="run", low="percentile")
    found = pd.DataFrame(list(made))
    ms = pd.read_parquet(path).groupby("run")["ms"]
    assert found["frames"].tolist() == ms.size().tolist()
    np.testing.assert_allclose(found["average_fps"], 1000 / ms.mean(), rtol=1e-12)
    np.testing.assert_allclose(found["duration_s"], ms.sum() / 1000, rtol=1e-12)
    # pandas' quantile is Hyndman and Fan's type 7.
    np.testing.assert_allclose(found["low_1pct_fps"], 1000 / ms.quantile(0.99), rtol=1e-12)
    np.testing.assert_allclose(found["low_0_1pct_fps"], 1000 / ms.quantile(0.999), rtol=1e-12)


def test_names_may_be_texts_and_runs_may_be_files(tmp_path, runs):
    one = write(tmp_path / "all.parquet", runs, names=list("abcdef"))
    paths = [
        write(tmp_path / f"{name}.parquet", [frames])
        for name, frames in zip("abcdef", runs, strict=True)
    ]
    options = {"frame_ms": "ms", "low": "slowest_share"}
    assert list(measure_tables([one], run="run", **options)) == list(
        measure_tables(paths, **options)
    )


def test_a_run_does_not_go_on_in_the_next_file(tmp_path, runs):
    paths = [write(tmp_path / f"{n}.parquet", runs[:2]) for n in range(2)]
    with pytest.raises(RunFileError, match='run "0" are not together'):
        list(measure_tables(paths, frame_ms="ms", run="run", low="percentile"))


@pytest.mark.parametrize("wrong", [0.0, -1.0, np.nan, np.inf])
def test_what_is_no_frame_time_is_refused(tmp_path, runs, wrong):
    runs[2][77] = wrong
    path = write(tmp_path / "a.parquet", runs)
    with pytest.raises(RunFileError, match='run "2" holds a frame time that is not above 0'):
        list(measure_tables([path], frame_ms="ms", run="run", low="percentile"))


def test_tables_that_do_not_fit_are_refused_in_words(tmp_path, runs):
    path = write(tmp_path / "a.parquet", runs)
    (tmp_path / "b.parquet").write_bytes(b"not Parquet")
    pq.write_table(pa.table({"run": [[1]], "ms": ["x"]}), tmp_path / "c.parquet")
    for file, columns, said in (
        (path, {"frame_ms": "took"}, "no such column; it has run, ms"),
        (path, {"frame_ms": "ms", "run": "id"}, "no such column"),
        (tmp_path / "b.parquet", {"frame_ms": "ms"}, "cannot be read as Parquet"),
        (tmp_path / "c.parquet", {"frame_ms": "ms"}, "holds string"),
        (tmp_path / "none.parquet", {"frame_ms": "ms"}, "cannot be read as Parquet"),
    ):
        with pytest.raises(RunFileError, match=said):
            list(measure_tables([file], **columns, low="percentile"))
    with pytest.raises(ValueError, match="low must be"):
        next(measure_tables([path], frame_ms="ms", low="other"))


def test_rows_of_one_run_apart_are_refused(tmp_path, runs):
    path = write(tmp_path / "a.parquet", runs[:3], names=["a", "b", "a"])
    with pytest.raises(RunFileError, match='run "a" are not together; sort the table by run'):
        list(measure_tables([path], frame_ms="ms", run="run", low="percentile"))


def test_energy_over_settled_time_is_that_of_power_read_without_a_lag():
    """100 fps for 10 s at 50 W, then 50 fps for 10 s at 100 W, read 2 s late."""
    frame_ms = np.concatenate([np.full(1000, 10.0), np.full(500, 20.0)])
    ends = frame_ms.cumsum() / 1000
    late = np.where(ends <= 2, 90.0, np.where(ends <= 12, 50.0, 100.0))
    # By hand: (10 s x 50 W + 8 s x 100 W) / (1,000 + 400) frames.
    assert _energy_per_frame(frame_ms, late, lag_s=2.0) == pytest.approx(1300 / 1400, rel=1e-3)
    assert _energy_per_frame(frame_ms, late) == pytest.approx((180 + 500 + 800) / 1500, rel=1e-3)


def test_a_log_gives_its_sensors_lags_and_energy_by_lag():
    draw = np.random.default_rng(5)
    frame_ms, watts = lagging_run(draw, made_scene(draw, length_s=40), lag_s=1.3)
    sensors = {"power_w": watts, "processor_power_w": watts, "processor_load_pct": watts}
    log = Log("a.csv", "0" * 64, 1, frame_ms, sensors)
    found = measure_log(log, MetricParams(low="percentile"))
    assert list(found.lags) == ["power_w"]
    assert found.energy_by_lag_j[0] == found.energy_per_frame_j
    assert len(found.energy_by_lag_j) == len(found.lags["power_w"].likely) == 51
    assert found.energy_by_lag_j[13] == _energy_per_frame(frame_ms, watts, lag_s=1.3)


def test_what_is_not_known_of_a_run_without_a_log_is_nothing():
    row = RunRow("r1", "heron", "dunes", typed={"average_fps": 61.5})
    found = {k: v for k, v in asdict(RunDiagnostics.of_typed(row)).items() if v}
    assert found == {"average_fps": 61.5, "drift_p": 1.0}
    assert not RunDiagnostics().measurable and RunDiagnostics(frames=1).measurable
    made = RunMetrics("r1", "heron", "dunes", "", {}, trace=Trace("run", "f" * 64, "r1"))
    assert [f.name for f in fields(made) if getattr(made, f.name)] == [
        "run", "product", "title", "trace", "blocks", "passes",
    ]  # fmt: skip
    assert made.passes == 1


@pytest.mark.parametrize(
    ("readings", "ends"),
    [
        ([1.0, 2.0, 3.0, 4.0], None),
        ([1.0, 2.0, 3.0, 4.0, 5.0], (1.0, 5.0)),
        ([math.nan, 2.0, 3.0, 4.0, 5.0], None),
        ([1.0, 2.0, 3.0, 4.0, math.nan], None),
        ([1.0, math.nan, 0, 0, 0, 0, 0, 0, 4.0, 6.0], (1.0, 5.0)),
        ([1.0, 3.0, 0, 0, 0, 0, 0, 0, math.nan, 6.0], (2.0, 6.0)),
    ],
)
def test_the_ends_of_a_run_are_its_first_and_last_fifth(readings, ends):
    # By hand: fifths of four readings have none, of five one, of ten two.
    log = log_of(np.full(len(readings), 10.0), power_w=readings)
    assert _ends(log, "power_w") == ends and _ends(log, "clock_mhz") is None


def test_a_frame_that_took_no_time_is_named_and_a_short_one_is_not():
    # By hand, counted from 1.
    assert _not_positive_rows(np.array([0.5, 0.0, -1.0, math.nan, 2.0])) == (2, 3, 4)
    log = Log("a.csv", "0" * 64, 1, np.full(10, 8.0), {"clock_mhz": np.linspace(0.5, 0.95, 10)})
    assert _clock_change_share(log) == pytest.approx(0.925 / 0.525 - 1, rel=1e-12)


def test_an_average_without_a_stretch_is_that_of_the_rest():
    # By hand: two halves of equal time at 100 and 50 frames per second, 75 on average.
    told = RunDiagnostics(average_fps=75.0, profile=(10.0, 10.0, 20.0, 20.0))
    assert told.average_without([]) == pytest.approx(75.0)
    assert told.average_without([(0.0, 0.5)]) == pytest.approx(50.0)
    assert told.average_without([(0.5, 1.0)]) == pytest.approx(100.0)
    assert told.average_without([(0.0, 0.25), (0.75, 1.0)]) == pytest.approx(75.0)
    assert told.average_without([(0.125, 0.375)]) == pytest.approx(50.0)  # both middles are out


@pytest.mark.parametrize("seed", range(6))
def test_hitches_stand_where_a_running_median_puts_them(seed):
    # scipy's median filter in the middle of a run; the first and last 15 frames by hand.
    rng = np.random.default_rng(seed)
    frame_ms = rng.lognormal(1.5, 0.5, 300)
    frame_ms[[0, 14, 15, 284, 285, 299]] *= 6
    around = median_filter(frame_ms, 31)
    around[:15], around[-15:] = np.median(frame_ms[:31]), np.median(frame_ms[-31:])
    expected = np.flatnonzero((frame_ms > 2 * around) & (frame_ms > around + 3.0))
    places, medians = find_hitches(frame_ms, factor=2.0, more_ms=3.0)
    assert places.tolist() == expected.tolist() and places.size
    assert medians.tolist() == around[expected].tolist()


@pytest.mark.parametrize(("ms", "count"), [(20.0, 0), (20.001, 1)])
@pytest.mark.parametrize(("factor", "more_ms"), [(2.0, 1.0), (1.1, 10.0)])
def test_a_hitch_is_longer_than_its_bounds(ms, count, factor, more_ms):
    frame_ms = np.r_[np.full(40, 10.0), ms, np.full(40, 10.0)]
    assert find_hitches(frame_ms, factor=factor, more_ms=more_ms)[0].size == count
    assert find_hitches(np.array([10.0, ms, 10.0]), factor=factor, more_ms=more_ms)[0].size == count


def test_a_frame_just_over_its_budget_counts_where_the_log_is_exact():
    assert _time_over_budget(np.array([16.7, 10.0]), budget_hz=60) == pytest.approx(16.7 / 26.7)
    assert _time_over_budget(np.array([20.0]), budget_hz=50) == 0


def test_energy_with_a_lag_sets_power_against_the_frames_before():
    # By hand: 1 s of frames of 10 ms; what is read after half a second, 200 W, belongs to the
    # first 50 frames: 200 W times 0.5 s over 50 frames.
    frame_ms, power_w = np.full(100, 10.0), np.r_[np.full(50, 100.0), np.full(50, 200.0)]
    assert _energy_per_frame(frame_ms, power_w, lag_s=0.495) == pytest.approx(
        (100 + 50 * 200) / 51 * 0.505 / 50.5
    )
    assert _energy_per_frame(frame_ms, power_w, lag_s=0.25) == pytest.approx(
        (25 * 100 + 50 * 200) / 75 * 0.75 / 75
    )


@pytest.mark.parametrize("spread", [0.008, 0.3])
def test_a_stated_spread_is_that_of_a_lognormal(spread):
    # scipy: a lognormal of that sigma has that standard deviation as a share of its mean.
    row = replace(ROW, log="", typed={"average_fps": 61.5}, passes=3, spread=spread)
    made = state_metrics(row, RunDiagnostics.of_typed(row), None, params=PARAMS)
    law = lognorm(made.spread["average_fps"])
    assert law.std() / law.mean() == pytest.approx(spread, rel=1e-9)
    assert (set(made.spread), made.passes) == ({"average_fps"}, 3)


# Half a step of a log rounded to 1 ms is 0.5 ms: by hand.
@pytest.mark.parametrize(("ms", "share"), [(20.5, 0.0), (20.51, 1.0), (21.0, 1.0)])
def test_a_frame_is_over_its_budget_by_more_than_half_a_step(ms, share):
    assert _time_over_budget(np.array([ms]), budget_hz=50, step_ms=1.0) == share


@pytest.mark.parametrize("name", ["clock_mhz", "graphics_clock_mhz"])
@pytest.mark.parametrize("other", ["processor_clock_mhz", "memory_clock_mhz", "fan_rpm"])
def test_the_clock_is_that_of_the_graphics_part(name, other):
    # By hand: means of the first and the last fifth.
    mine, others = np.linspace(1000, 900, 5), np.full(5, 3000.0)
    assert _clock_change_share(log_of(np.full(5, 8.0), **{other: others})) is None
    both = log_of(np.full(5, 8.0), **{other: others, name: mine})
    assert _clock_change_share(both) == pytest.approx(-0.1, rel=1e-12)
    assert _temperature_change_c(both) is None


@pytest.mark.parametrize("ends", [(0.0, 900.0), (-1.0, 900.0), (1000.0, math.inf)])
def test_a_clock_that_stands_or_runs_off_says_nothing(ends):
    log = log_of(np.full(5, 8.0), clock_mhz=[ends[0], 900, 900, 900, ends[1]])
    assert _clock_change_share(log) is None


def test_a_temperature_rises_by_the_last_fifth_less_the_first():
    log = log_of(np.full(10, 8.0), temperature_c=[60, 62, 0, 0, 0, 0, 0, 0, 70, 74])
    assert _temperature_change_c(log) == 11.0
    assert _temperature_change_c(log_of(np.full(4, 8.0), temperature_c=[60, 61, 62, 63])) is None


def test_a_sensor_s_mean_is_over_the_time_it_was_read():
    # By hand: 10 ms at 100 and 30 ms at 200; nothing of a sensor never read.
    log = log_of([10, 30, 20], power_w=[100, 200, math.nan], fan_rpm=[math.nan] * 3)
    assert _sensor_means(log) == {"power_w": 175.0}


@pytest.mark.parametrize("frames", [[], [10.0, 0.0], [10.0, -1.0]])
def test_a_log_that_cannot_be_measured_has_its_count_alone(frames):
    told = RunDiagnostics.of_log(log_of(frames), caps_hz=(60.0,), cap_width=0.01)
    assert (told.frames, told.backward_rows) == (len(frames), (2,) if frames else ())
    assert (told.average_fps, told.profile, told.drift_judged) == (0.0, (), False)
    assert not told.measurable
    named = replace(log_of([10.0, 10.0]), backward_rows=(7,))
    told = RunDiagnostics.of_log(named, caps_hz=(), cap_width=0.01)
    assert (told.backward_rows, told.average_fps) == ((7,), 0.0)


def test_a_log_s_facts_by_hand():
    frames = [10.0, 12.0, 11.0, 40.0]
    told = RunDiagnostics.of_log(log_of(frames), caps_hz=(), cap_width=0.01)
    assert (told.duration_s, told.median_ms) == (0.073, 11.5)
    assert (told.longest_ms, told.longest_frame) == (40.0, 3)
    assert (told.drift_share, told.drift_judged) == (0.0, False)  # too few for a trend
    rising = np.linspace(10.0, 11.0, 2000)
    told = RunDiagnostics.of_log(log_of(rising), caps_hz=(), cap_width=0.01)
    assert told.drift_judged and told.drift_share == pytest.approx(1.0 / 10.5, rel=0.01)


def test_sensors_whose_lag_is_looked_for_are_the_graphics_part_s():
    named = ("power_w", "edge_temperature_c", "memory_clock_mhz", "processor_power_w", "fan_rpm")
    wave = 100 + np.sin(np.arange(400.0))
    found = measure_log(log_of(np.full(400, 10.0), **dict.fromkeys(named, wave)), PARAMS)
    assert [*found.lags] == ["power_w", "edge_temperature_c"]
    assert found.energy_per_frame_j == pytest.approx(wave.mean() / 100, rel=1e-12)
    found = measure_log(log_of(np.full(400, 10.0), fan_rpm=wave), PARAMS)
    assert (found.lags, found.energy_per_frame_j, found.energy_by_lag_j) == ({}, None, ())


def test_power_read_at_the_lag_itself_belongs_to_what_was_before():
    # By hand: of four frames of 0.25 s, with a lag of 0.5 s, the last two readings count.
    power_w = np.array([1.0, 10.0, 100.0, 300.0])
    assert _energy_per_frame(np.full(4, 250.0), power_w, lag_s=0.5) == 200.0 * 0.5 / 2
    assert _energy_per_frame(np.full(4, 250.0), power_w * [1, 1, np.nan, np.nan], lag_s=0.5) is None


def test_a_value_typed_in_beside_a_log_stands_and_an_average_does_not():
    row = replace(ROW, typed={"value": 12.5, "average_fps": 1.0})
    found = metrics_of(Run(row, log_of(np.full(100, 10.0))), PARAMS)
    assert found.values["value"] == 12.5 and found.values["average_fps"] == pytest.approx(100.0)
    assert (found.typed_in, found.spread) == (False, {})


def test_figures_of_tables_by_hand(tmp_path):
    # 15 frames of 10 ms, 5 of 20: 80 frames per second; numbers may be whole.
    def of(run, ms, low="percentile"):
        pq.write_table(pa.table({"run": run, "ms": ms}), tmp_path / "a.b.parquet")
        return [*measure_tables([tmp_path / "a.b.parquet"], frame_ms="ms", run="run", low=low)]

    first, second = of(["x"] * 20 + ["y"], [10] * 15 + [20] * 5 + [8])
    assert (first.run, first.frames, first.duration_s) == ("x", 20, 0.25)
    assert (first.average_fps, second.average_fps) == (80.0, 125.0)
    assert [*_runs_of(tmp_path / "a.b.parquet", "ms", None)][0][0] == "a"
    for wrong in ([10.0, 0.0], [10.0, math.inf], [10.0, math.nan], [10.0, None]):
        with pytest.raises(RunFileError, match=r'run "x" holds a frame time that is not above 0'):
            of(["x", "x"], wrong)
    with pytest.raises(RunFileError, match=r'the rows of run "x" are not together; sort .* by run'):
        of(["x", "y", "x"], [10.0, 10.0, 10.0])
    with pytest.raises(ValueError, match="low must be one of"):
        of(["x"], [10.0], low="worst")
    assert of(pa.array([], pa.string()), pa.array([], pa.float64())) == []
