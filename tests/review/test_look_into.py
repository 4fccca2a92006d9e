"""A look into single runs: hitches with their places, lows by every definition, diagnostics."""

import statistics
from dataclasses import replace

import made_claims
import numpy as np
import pandas as pd
import pytest
from scipy.stats import ecdf
from years_bench import logged, typed, write_bench, write_params

from kit.archive.page_check import _plain_words as plain_words
from kit.bench.runs import Run, RunRow
from kit.claims.claim import Claim
from kit.claims.of_pages import _of_sensors, make_claims
from kit.errors import UsageError
from kit.logs.read import Log
from kit.metrics.blocks import measure_blocks
from kit.metrics.run_metrics import find_hitches
from kit.page import tables
from kit.page.pictures import make_charts
from kit.page.view import show
from kit.review.look_into import FEWEST_FRAMES, _find_hitches, _summarise_frames, look_into
from kit.review.walk import load_review, work_out

TEMPLATE = "template: frame_times.ipynb\n"


@pytest.fixture
def looked(tmp_path):
    def look(more="", rows=()):
        bench = tmp_path / "bench"
        made = logged(bench, "one", "dell", 8.0, watt=100.0) + logged(
            bench, "two", "dell", 10.0, step=0.03
        )
        write_bench(tmp_path, [*made, *rows])
        review = load_review(write_params(tmp_path, TEMPLATE + more))
        results = work_out(review)
        return review, results, make_claims(review, results)

    return look


@pytest.mark.parametrize("seed", range(4))
def test_hitches_are_those_counted_each_with_its_time(seed):
    rng = np.random.default_rng(seed)
    frames = rng.gamma(30, 0.3, 3000)
    frames[rng.integers(0, 3000, 12)] *= rng.uniform(2.5, 9, 12)
    frames[[0, 2999]] = 70.0, 71.0
    found = _find_hitches(frames, factor=2.5, more_ms=8.0)
    assert len(found) == find_hitches(frames, factor=2.5, more_ms=8.0)[0].size >= 8
    for hitch in found:
        at = int(np.flatnonzero(frames == hitch.frame_ms)[0])
        # In the plain words of the definition: the 31 frames around, at the ends the first or last.
        start = min(max(at - 15, 0), 3000 - 31)
        assert hitch.around_ms == pytest.approx(np.median(frames[start : start + 31]))
        assert hitch.time_s == pytest.approx(frames[:at].sum() / 1000)


def test_a_run_of_two_frames_has_no_hitch():
    assert _find_hitches(np.array([8.0, 80.0]), factor=2.5, more_ms=8.0) == ()


def test_the_reviewed_product_and_its_first_title_are_looked_into(looked):
    review, _, book = looked()
    look = look_into(review)
    assert (look.product, look.title) == ("one", "dell")
    assert [r.run for r in look.runs] == ["one-dell-1", "one-dell-2", "one-dell-3"]
    assert all(r.used for r in look.runs) and look.not_shown == ()
    assert look_into(review) is look  # claims, charts and tables show one look
    assert {r.id for r in book.runs} == {r.run for r in look.runs}
    assert book.trace_faults() == []


def test_what_params_name_is_looked_into_as_far_as_they_ask(looked):
    review, _, book = looked("look: {product: two, title: dell, most_runs: 2}\n")
    look = look_into(review)
    assert (look.product, [r.run for r in look.runs]) == ("two", ["two-dell-1", "two-dell-2"])
    assert look.not_shown == ("two-dell-3",)
    words = plain_words(show(book, tables.PIECES["look_summary"]).markup)
    assert words.startswith("Product Two in The Dell: 2 runs, 2 of them used, average ")
    assert "Not shown: two-dell-3" in words


def test_without_frames_the_titles_that_have_some_are_named(looked):
    with pytest.raises(UsageError, match=r'no run of "three" in "any title" has frame times; '
                                         r"titles with some: dell"):  # fmt: skip
        looked("look: {product: three}\n", typed("three", "hill", 50.0))


def test_a_run_set_aside_is_shown_as_such_and_explains_no_spread(looked):
    aside = "screen: {set_aside: [{run: two-dell-2, reason: The fan was blocked.}]}\n"
    review, _, book = looked("look: {product: two}\n" + aside)
    look = look_into(review)
    assert [r.used for r in look.runs] == [True, False, True]
    claim = book.by_id["look/hitches/two-dell-2"]
    assert (claim.value, claim.marks, claim.set_aside) == (1.0, ("set_aside",), ("two-dell-2",))
    share = book.by_id["look/share_within/average_fps/dell/two"]
    assert share.runs == ("two-dell-1", "two-dell-3")
    errors = [look.runs[n].blocks.within_sd["average_fps"] for n in (0, 2)]
    values = np.log([look.runs[n].metrics.values["average_fps"] for n in (0, 2)])
    by_hand = min(1.0, float(np.mean(np.square(errors)) / np.var(values, ddof=1)))
    assert share.value < 1 and share.value == pytest.approx(by_hand)
    assert "The fan was blocked." in show(book, tables.PIECES["look_summary"]).markup


def test_diagnostics_and_lows_are_the_kits_own(looked):
    review, _, book = looked()
    run = review.rows[0].read(review.bench)
    blocks = measure_blocks(run.log.frame_ms)
    within = book.by_id["look/within_sd/average_fps/one-dell-1"]
    assert within.value == pytest.approx(blocks.within_sd["average_fps"])
    lows = review.metrics["one-dell-1"].lows
    for definition in ("percentile", "slowest_share", "time_share"):
        claim = book.by_id[f"look/low/{definition}/low_1pct_fps/one-dell-1"]
        assert claim.value == lows[definition]["low_1pct_fps"]
        assert claim.method == f"low-{definition.replace('_', '-')}"
    over = book.by_id["look/over_budget/60hz/one-dell-1"]
    frames = run.log.frame_ms
    assert over.value == pytest.approx(frames[frames > 1000 / 60].sum() / frames.sum())


def test_what_a_sensor_read_is_printed_as_it_is_known(looked):
    review, _, _ = looked()
    run = look_into(review).runs[0]
    ends = {
        "clock_mhz": (1500.4, 1399.6),
        "power_w": (99.96, 80.04),
        "temperature_c": (np.nan, 1.0),
    }
    read = replace(run, series=replace(run.series, sensor_ends=ends))
    made = {
        (c.metric, c.part): c.text.replace("\u00a0", " ")
        for c in _of_sensors(read, "en", Claim.make)
    }
    assert made == {
        ("clock_mhz", "first"): "1,500 MHz", ("clock_mhz", "last"): "1,400 MHz",
        ("power_w", "first"): "100.0 W", ("power_w", "last"): "80.0 W",
    }  # fmt: skip


def test_the_sections_show_each_run_once(looked):
    review, _, book = looked()
    for section in (tables.RUNS, tables.BLOCKS, tables.SENSORS):
        words = plain_words(show(book, section).markup)
        assert [words.count(f"one-dell-{n} ") for n in (1, 2, 3)] == [1, 1, 1]
    words = plain_words(show(book, tables.SENSORS).markup).replace("\u00a0", " ")
    assert "one-dell-1 100.0 W 100.0 W one-dell-2" in words
    assert "slowest share" in plain_words(show(book, tables.LOWS).markup)
    hitches = plain_words(show(book, tables.PIECES["hitches"]).markup)
    assert hitches.startswith("The longest of 3 hitches")
    frames = book.of_kind("hitch", part="frame")
    assert len(frames) == 3 and min(claim.value for claim in frames) > 30
    for run in look_into(review).runs:
        for n, hitch in enumerate(run.hitches, start=1):
            found = [book.by_id[f"hitch/{part}/{run.run}/{n}"].value
                     for part in ("at", "frame", "around")]  # fmt: skip
            assert found == [hitch.time_s, hitch.frame_ms, hitch.around_ms]


def test_the_charts_are_those_of_the_look(looked):
    pytest.importorskip("matplotlib")
    review, _, book = looked()
    charts = make_charts(review, book)
    assert {name: len(made) for name, made in charts.items()} == {
        "overlay": 1, "distribution": 1, "run": 3
    }  # fmt: skip
    (overlay,) = charts["overlay"]
    assert overlay.caption.startswith("Product One in The Dell: 3 runs over each other")
    assert set(overlay.table["run"]) == {"one-dell-1", "one-dell-2", "one-dell-3"}
    for run in look_into(review).runs:
        drawn = overlay.table[overlay.table["run"] == run.run]["median_ms"]
        assert list(drawn) == list(run.series.median_ms)
        # Frames are 8 ms times a wave of 2 %, see `logged`.
        assert drawn.min() > 8 * 0.975 and drawn.max() < 8 * 1.025
    for text in ("one-dell-1", "one-dell-3"):
        assert text in overlay.alt


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
    return _summarise_frames(run, budgets_hz=BUDGETS)


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
    series = _summarise_frames(run_of([3.0, 1.0, 2.0, 2.0]))
    assert list(series.curve_ms) == [1, 2, 2, 3] and list(series.curve_share) == [
        0.25,
        0.5,
        0.75,
        1,
    ]


def test_shares_within_budget_count_frames_that_are_no_longer():
    # 60 Hz is 16.66... ms; a frame of exactly 1000/60 keeps to it.
    series = _summarise_frames(run_of([8.0, 1000 / 60, 16.7, 33.0]), budgets_hz=BUDGETS)
    assert series.within_budget == {30.0: 1.0, 60.0: 0.5, 120.0: 0.25}


def test_start_and_end_are_medians_of_the_first_and_last_fifth():
    frames = [10.0] * 100 + [14.0] * 200 + [20.0] * 50  # 1.0 + 2.8 + 1.0 = 4.8 s; a fifth: 0.96 s
    series = _summarise_frames(run_of(frames))
    assert (series.start_ms, series.end_ms) == (10.0, 20.0)
    assert series.duration_s == pytest.approx(4.8) and series.frames == 350


def test_sensor_means_leave_out_missing_readings():
    clock = np.r_[np.full(500, 1900.0), np.full(500, 1700.0)]
    power = np.full(1000, np.nan)
    power[::10] = 90.0
    series = _summarise_frames(
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
    slow = _summarise_frames(run_of(np.full(400, 100.0)), window_s=2.0)
    assert slow.window_s == pytest.approx(FEWEST_FRAMES * 0.1)
    short = _summarise_frames(run_of(np.full(50, 10.0)), window_s=2.0)
    assert short.window_s == pytest.approx(0.5)  # no longer than the run
    assert _summarise_frames(run_of(np.full(4000, 10.0)), window_s=3.0).window_s == 3.0


def test_a_gap_longer_than_the_window_is_a_hole_and_not_a_line():
    frames = np.r_[np.full(1000, 10.0), 30_000.0, np.full(1000, 10.0)]
    series = _summarise_frames(run_of(frames), window_s=2.0)
    inside = (series.time_s > 14) & (series.time_s < 36)
    assert np.isnan(series.median_ms[inside]).any()
    assert np.isfinite(series.median_ms[series.time_s < 8]).all()


def test_one_frame_is_a_run_too():
    series = _summarise_frames(run_of([12.5]), budgets_hz=(60.0,))
    assert (series.start_ms, series.end_ms) == (12.5, 12.5)
    assert list(series.curve_ms) == [12.5] and series.within_budget == {60.0: 1.0}


def test_a_million_frames_are_drawn_from_as_few_points(run):
    frames = np.random.default_rng(0).lognormal(2.0, 0.1, 1_000_000)
    series = _summarise_frames(run_of(frames))
    assert series.time_s.size == 200 and series.curve_ms.size <= 240


def test_the_series_leads_to_its_log(series):
    assert series.trace.run_ids() == ("r0001",) and series.trace.key == "ab" * 32


@pytest.mark.parametrize(
    ("spoil", "how"),
    [({}, {"window_s": 0}), ({}, {"points": 0}), ({}, {"steps": 7}), ({}, {"budgets_hz": (0.0,)})],
)
def test_impossible_numbers_are_refused(run, spoil, how):
    with pytest.raises(ValueError, match="must be positive"):
        _summarise_frames(run, **how)


def test_a_run_without_frames_that_can_be_drawn_is_refused(run):
    for log in (None, replace(run.log, backward_rows=(7,)), replace(run.log, frame_ms=np.empty(0))):
        with pytest.raises(ValueError, match="'r0001' has no frame times"):
            _summarise_frames(Run(run.row, log))


def test_a_frame_that_ends_where_a_window_does_belongs_to_it_and_not_to_the_next():
    # 400 frames of 1/128 s, exact in binary, in windows of 100/128 s about 4/128, 12/128, ... s:
    # both ends of every window fall on ends of frames.
    frames = np.full(400, 1000 / 128)
    number = np.arange(1.0, 401.0)
    series = _summarise_frames(run_of(frames, number=number), window_s=0.5, points=50)
    assert series.window_s == FEWEST_FRAMES / 128
    for middle, mean in zip(series.time_s, series.sensors["number"], strict=True):
        first = max(0.0, (middle - series.window_s / 2) * 128) + 1  # the frame after the start
        last = min(400.0, (middle + series.window_s / 2) * 128)  # the frame that ends at the end
        assert mean == (first + last) / 2
