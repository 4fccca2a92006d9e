"""The statistics of one series, against published values and reference libraries."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lagging import lagging_run, made_scene
from scipy import linalg, signal, stats
from statsmodels.tsa.stattools import acf

from kit.metrics.blocks import measure_blocks
from kit.settings.metric import _mean_influence, tail_shares
from kit.stats.series import (
    LAGS_S,
    LOW_DEFINITIONS,
    LagProfile,
    SensorLag,
    _frame_time_quantile,
    _grubbs_critical,
    _new_readings,
    _rank_trend,
    _slowest_frames,
    _stretch,
    autocorrelations,
    average_fps,
    block_levels,
    cap_shares,
    effective_size,
    find_step,
    find_trend,
    grubbs_test,
    lag1_autocorrelation,
    low_fps,
    may_move,
    may_step,
    measure_lows,
    median_fps,
    median_influence,
    modified_z,
    order_trend,
    tail_effective_frames,
    tail_influence,
)


def autoregression(n: int, phi: float, rng: np.random.Generator) -> np.ndarray:
    """Return a stationary first-order autoregression with innovations of variance 1."""
    shocks = rng.standard_normal(n)
    shocks[0] /= math.sqrt(1 - phi**2)
    return signal.lfilter([1.0], [1.0, -phi], shocks)


# J. E. Smith (1988), "Characterizing computer performance with a single number", CACM 31(10),
# 1202-1206: 100 units of work each on two programs; machine 1 takes 1 and 1000 s, machine 2 10 and
# 100 s, machine 3 20 and 20 s. Rates over the whole: 200 over the total time.
@pytest.mark.parametrize(
    ("times_s", "rate"),
    [((1, 1000), 0.1998001998), ((10, 100), 1.818181818), ((20, 20), 5.0)],
)
def test_average_is_work_over_time(times_s, rate):
    frames_ms = np.repeat(np.array(times_s) * 1000.0 / 100, 100)
    assert average_fps(frames_ms) == pytest.approx(rate, rel=1e-9)


# Arithmetic: 90 frames of 10 ms and 10 of 50 ms take 1.4 s; 990 and 10 take 10.4 s.
@pytest.mark.parametrize(("short", "fps"), [(90, 71.428571428571), (990, 96.153846153846)])
def test_average_is_not_the_mean_of_frame_rates(short, fps):
    frame_ms = np.r_[np.full(short, 10.0), np.full(10, 50.0)]
    assert average_fps(frame_ms) == pytest.approx(fps, rel=1e-12)
    assert average_fps(frame_ms) < (1000 / frame_ms).mean()


def test_equal_work_averages_harmonically_and_equal_time_arithmetically():
    sixty, hundred = np.full(600, 1000 / 60), np.full(1000, 10.0)  # 10 s each
    assert average_fps(np.r_[sixty, hundred]) == pytest.approx(80)
    assert average_fps(np.r_[sixty, hundred[:600]]) == pytest.approx(75)


@pytest.mark.parametrize(
    "frame_ms",
    [[], [[1.0, 2.0]], [1.0, 0.0], [1.0, -2.0], [1.0, math.nan], [1.0, math.inf]],
    ids=["none", "two rows", "zero", "negative", "nan", "inf"],
)
def test_average_refuses(frame_ms):
    with pytest.raises(ValueError, match="frame_ms must be"):
        average_fps(np.array(frame_ms))


# NIST Statistical Reference Datasets, univariate summary statistics: certified lag-1
# autocorrelations.
MICHELSO_DIGITS = """
299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65
299.76 299.81 300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88
299.90 299.84 299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88
299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95 299.88 299.91 299.85 299.87 299.84 299.84
299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76
299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81
299.76 299.81 299.79 299.81 299.82 299.85 299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80
299.81 299.87"""
MICHELSO = np.array(MICHELSO_DIGITS.split(), dtype=float)
MAVRO_DIGITS = """
2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170 2.00180
2.00180 2.00190 2.00190 2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150 2.00160
2.00150 2.00140 2.00130 2.00140 2.00150 2.00140 2.00150 2.00160 2.00150 2.00160 2.00190 2.00200
2.00200 2.00210 2.00220 2.00230 2.00240 2.00250 2.00270 2.00260 2.00260 2.00260 2.00270 2.00260
2.00250 2.00240"""
MAVRO = np.array(MAVRO_DIGITS.split(), dtype=float)
NUMACC1 = np.array([10000001.0, 10000003.0, 10000002.0])
NUMACC2 = np.r_[1.2, np.tile([1.1, 1.3], 500)]
NUMACC3 = np.r_[1000000.2, np.tile([1000000.1, 1000000.3], 500)]


@pytest.mark.parametrize(
    ("values", "certified", "digits"),
    [
        (MICHELSO, 0.535199668621283, 1e-9),
        (MAVRO, 0.937989183438248, 1e-9),
        (NUMACC1, -0.5, 1e-12),
        (NUMACC2, -0.999, 1e-9),
        (NUMACC3, -0.999, 1e-8),  # doubles hold 0.1 at 1e6 to 1e-10
    ],
    ids=["Michelso", "Mavro", "NumAcc1", "NumAcc2", "NumAcc3"],
)
def test_lag1_matches_nist(values, certified, digits):
    assert lag1_autocorrelation(values) == pytest.approx(certified, rel=digits)


@pytest.mark.parametrize("values", [[5.0], [5.0, 5.0, 5.0], [0.1] * 7], ids=["one", "3", "7"])
def test_lag1_of_what_does_not_vary_is_not_a_number(values):
    assert math.isnan(lag1_autocorrelation(np.array(values)))


# statsmodels.tsa.stattools.acf of 1 to 10, divisor n.
def test_autocorrelations_match_statsmodels():
    values = np.arange(1.0, 11.0)
    expected = [1, 0.7, 0.4121212121, 0.1484848485, -0.0787878788]
    assert autocorrelations(values)[:5] == pytest.approx(expected, abs=1e-10)
    noise = np.random.default_rng(3).standard_normal(501)
    assert autocorrelations(noise)[:40] == pytest.approx(acf(noise, nlags=39, fft=False), abs=1e-12)


# M. B. Priestley (1981), "Spectral Analysis and Time Series": the integrated autocorrelation time
# of a first-order autoregression is (1 + phi) / (1 - phi). Over 40 series the mean estimate
# wanders by about 2 % of it.
@pytest.mark.parametrize("phi", [0.3, 0.5, 0.9])
def test_effective_size_of_an_autoregression(phi):
    rng = np.random.default_rng(7)
    n = 20_000
    sizes = [effective_size(autoregression(n, phi, rng)) for _ in range(40)]
    assert np.mean(sizes) == pytest.approx(n * (1 - phi) / (1 + phi), rel=0.05)


@pytest.mark.parametrize("phi", [-0.6, 0.0, 0.3, 0.9, 0.97, 0.995])
@pytest.mark.parametrize("n", [4, 5, 7, 31, 33, 90, 3000])
def test_effective_size_is_that_of_all_lags_by_the_book(n, phi):
    # Geyer (1992) section 3.3, written out over all of statsmodels' autocorrelations.
    for seed in range(20):
        values = autoregression(n, phi, np.random.default_rng(seed))
        rho = acf(values, nlags=n - 1, fft=False)
        time, smallest = -1.0, np.inf
        for even in range(0, n - 1, 2):
            pair = rho[even] + rho[even + 1]
            if pair <= 0:
                break
            smallest = min(smallest, pair)
            time += 2 * smallest
        expected = max(n / max(time, 1.0), 1.0)
        assert effective_size(values) == pytest.approx(expected, rel=1e-9)


def test_effective_size_of_independent_values_is_their_number():
    sizes = [effective_size(np.random.default_rng(s).standard_normal(5000)) for s in range(20)]
    assert np.mean(sizes) == pytest.approx(5000, rel=0.05)


@pytest.mark.parametrize("values", [[3.0], [3.0, 4.0], [7.0] * 50], ids=["one", "two", "alike"])
def test_effective_size_at_the_edge(values):
    assert effective_size(np.array(values)) == len(values)


def test_a_very_long_series_is_taken_in_segments(monkeypatch):
    series = autoregression(60_000, 0.8, np.random.default_rng(1))
    whole = effective_size(series)
    monkeypatch.setattr("kit.stats.series.LONGEST_SEGMENT", 7000)
    assert effective_size(series) == pytest.approx(whole, rel=0.03)


def test_alternating_values_are_not_worth_more_than_their_number():
    assert effective_size(np.tile([1.0, 2.0], 100)) == 200


def test_blocks_are_of_equal_time():
    # 50 s at 10 ms, then 50 s at 20 ms: half of the stretches at each, whatever their frames.
    levels = block_levels(np.r_[np.full(5000, 10.0), np.full(2500, 20.0)])
    assert levels.size == 100
    assert levels[:50] == pytest.approx(10, rel=0.02)
    assert levels[50:] == pytest.approx(20, rel=0.02)


@pytest.mark.parametrize(("n", "blocks"), [(0, 0), (1, 0), (9, 0), (10, 1), (999, 99), (4000, 100)])
def test_short_runs_have_fewer_blocks(n, blocks):
    assert block_levels(np.full(n, 10.0)).size == blocks


def test_a_block_within_one_long_frame_takes_its_time():
    levels = block_levels(np.r_[np.full(500, 10.0), 5000.0, np.full(500, 10.0)])
    assert np.isfinite(levels).all()
    assert levels.max() == pytest.approx(5000)


# P. K. Sen (1968), JASA 63, 1379-1389: slope 4 on uneven abscissae; here evenly spaced data are
# compared with scipy's theilslopes, itself tested on that paper.
@pytest.mark.parametrize("seed", range(5))
def test_slope_and_score_match_scipy(seed):
    values = np.random.default_rng(seed).integers(0, 12, 25).astype(float)  # with ties
    slope, score, variance = _rank_trend(values)
    assert slope == pytest.approx(stats.theilslopes(values)[0], rel=1e-12)
    plain = sum(np.sign(values[j] - values[i]) for i in range(25) for j in range(i + 1, 25))
    assert score == plain
    # scipy's tau-b p is of S over its tie-corrected standard deviation; one side has no ties.
    p = math.erfc(abs(score) / math.sqrt(variance) / math.sqrt(2))
    assert p == pytest.approx(
        stats.kendalltau(range(25), values, method="asymptotic").pvalue, rel=1e-9
    )


# Worked example on a college statistics course page: S = 54, variance 332.667 with one tie, slope
# 0.5667.
def test_mann_kendall_worked_example_with_a_tie():
    values = np.array(
        [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    )
    slope, score, variance = _rank_trend(values)
    assert score == 54
    assert variance == pytest.approx((14 * 13 * 33 - 2 * 1 * 9) / 18)
    assert slope == pytest.approx(0.5666666667)
    assert (score - 1) / math.sqrt(variance) == pytest.approx(2.9058368460, rel=1e-9)


# No source: measured by this test's own simulation. 2,000 runs give p < 0.001 a standard error of
# 0.0007; without allowing for dependence, phi = 0.98 gives it in more than half of the runs.
@pytest.mark.parametrize(
    ("frames", "phi"), [(2400, 0.0), (2400, 0.9), (1500, 0.98), (4000, 0.98), (10_000, 0.98)]
)
def test_dependent_frames_do_not_make_a_trend(frames, phi):
    rng = np.random.default_rng(11)
    runs = 2000
    found = 0
    for _ in range(runs):
        series = autoregression(frames // 100 * 100, phi, rng)
        found += find_trend(series.reshape(100, -1).mean(axis=1)).p_value < 0.001
    assert found / runs <= 0.005


def test_the_bias_of_the_autocorrelation_is_taken_out():
    # 100 blocks with phi = 0.85, the most that frames with phi = 0.98 leave to blocks: p < 0.01 in
    # 0.019 of 4,000 series; in 0.039 without Marriott and Pope's correction.
    rng = np.random.default_rng(11)
    found = sum(find_trend(autoregression(100, 0.85, rng)).p_value < 0.01 for _ in range(2000))
    assert found / 2000 < 0.028


@pytest.mark.parametrize("phi", [0.0, 0.4, 0.9])
def test_dependence_stretches_the_variance_of_a_mean_as_a_covariance_matrix_has_it(phi):
    # The mean of all covariances, by scipy, over the 1 / n of independent values.
    for n in (2, 7, 100):
        assert _stretch(n, phi) == pytest.approx(n * linalg.toeplitz(phi ** np.arange(n)).mean())


def test_what_may_move_or_step_holds_all_that_does():
    # Many series at once, judged by one, from memory of no source: nothing found may be left out,
    # and of quiet series most are.
    rng = np.random.default_rng(7)
    for n in (9, 10, 57, 100):
        levels = np.array([0.01 * autoregression(n, phi, rng) for phi in (0.0, 0.5, 0.9) * 60])
        levels[:60] += rng.uniform(-0.1, 0.1, (60, 1)) * np.linspace(0, 1, n)
        levels[60:120, rng.integers(2, n - 2) :] += rng.uniform(-0.2, 0.2, (60, 1))
        moved = np.array([abs(find_trend(row).change) >= 0.03 for row in levels])
        steps = [find_step(row) for row in levels]
        stepped = np.array([step.beyond and abs(step.change) >= 0.03 for step in steps])
        moving, stepping = may_move(levels, 0.03), may_step(levels, 0.03)
        assert not (moved & ~moving).any() and not (stepped & ~stepping).any()
        assert not moving[120:].all() and not stepping[120:].all()
        assert (n < 10) != (moved.any() and stepped.any())


def test_a_trend_is_found_and_measured():
    rng = np.random.default_rng(2)
    n = 6000
    changes = []
    for _ in range(20):
        noise = 0.05 * autoregression(n, 0.9, rng) * math.sqrt(1 - 0.9**2)
        levels = block_levels(10 * np.exp(noise) * (1 + 0.08 * np.arange(n) / n))
        trend = find_trend(levels)
        assert trend.judged
        assert trend.p_value < 0.001
        changes.append(trend.change / np.median(levels))
    # Standard error of one: 0.05 sqrt(19 / 6000) sqrt(12) = 0.01; of the mean of 20, 0.0022.
    assert np.mean(changes) == pytest.approx(0.08 / 1.04, abs=3 * 0.0022)


@pytest.mark.parametrize("levels", [[], [1.0] * 9, [2.0] * 100], ids=["none", "nine", "alike"])
def test_a_trend_that_cannot_be_judged_says_so(levels):
    trend = find_trend(np.array(levels))
    assert (trend.judged, trend.change, trend.p_value) == (False, 0.0, 1.0)


CAPS = (30.0, 60.0, 120.0)


def shares(frame_ms: np.ndarray) -> dict[float, float]:
    return cap_shares(frame_ms, caps_hz=CAPS, width=0.005)


def test_a_limiter_with_jittered_pacing_is_seen():
    rng = np.random.default_rng(5)
    ends = np.arange(3001) * 1000 / 60 + rng.normal(0, 0.25, 3001)  # 1.5 % of a period
    frame_ms = np.diff(ends)
    assert np.mean(np.abs(frame_ms * 60 / 1000 - 1) < 0.005) < 0.25  # single frames do not show it
    assert shares(frame_ms)[60.0] > 0.9
    assert shares(frame_ms)[30.0] == 0


def test_a_display_that_misses_some_refreshes_is_seen():
    rng = np.random.default_rng(6)
    frame_ms = (1 + (rng.random(4000) < 0.04)) * 1000 / 120
    assert 0.6 < shares(frame_ms)[120.0] < 0.8  # eight frames without a miss: 0.96^8 = 0.72


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.95])
@pytest.mark.parametrize("spread", [0.03, 0.05, 0.15])
def test_a_title_that_happens_to_run_near_sixty_is_not_capped(phi, spread):
    rng = np.random.default_rng(8)
    noise = autoregression(5000, phi, rng) * math.sqrt(1 - phi**2)
    frame_ms = np.exp(spread * noise)
    frame_ms *= 1000 / 60 / frame_ms.mean()
    assert shares(frame_ms)[60.0] == 0


def test_too_short_to_be_capped():
    assert shares(np.full(63, 1000 / 60)) == {}
    assert shares(np.full(64, 1000 / 60))[60.0] == 1


def test_tail_frames_of_independent_frames_are_nearly_all():
    frame_ms = np.random.default_rng(4).lognormal(2, 0.1, 20_000)
    assert tail_effective_frames(frame_ms, share=0.01) > 15_000


def test_slow_frames_in_clusters_are_worth_less():
    # Slow frames only in clusters of ten: ten of them tell no more than one.
    frame_ms = np.full(20_000, 10.0) + np.random.default_rng(4).random(20_000) * 0.01
    for start in range(500, 20_000, 1000):
        frame_ms[start : start + 10] = 40.0
    assert tail_effective_frames(frame_ms, share=0.01) == pytest.approx(2000, rel=0.3)


@pytest.mark.parametrize("frame_ms", [[10.0], [10.0] * 500], ids=["one", "alike"])
def test_tail_frames_at_the_edge(frame_ms):
    assert tail_effective_frames(np.array(frame_ms), share=0.01) == len(frame_ms)


# R. J. Hyndman and Y. Fan (1996), "Sample quantiles in statistical packages", The American
# Statistician 50(4), 361-365: types 1 to 9; values by R's quantile(type =) and numpy, which agree.
FIVE = np.array([15.0, 20, 35, 40, 50])
FIVE_AT = (0.05, 0.3, 0.4, 0.5, 1.0)
FIVE_QUANTILES = {
    1: (15, 20, 20, 35, 50),
    2: (15, 20, 27.5, 35, 50),
    3: (15, 20, 20, 20, 50),
    4: (15, 17.5, 20, 27.5, 50),
    5: (15, 20, 27.5, 35, 50),
    6: (15, 19, 26, 35, 50),
    7: (16, 23, 29, 35, 50),
    8: (15, 19.6666666667, 27, 35, 50),
    9: (15, 19.75, 27.125, 35, 50),
}
TEN = np.arange(1.0, 11.0)
TEN_AT = (0.01, 0.1, 0.25, 0.33, 0.75, 0.99)
TEN_QUANTILES = {
    1: (1, 1, 3, 4, 8, 10),
    2: (1, 1.5, 3, 4, 8, 10),
    3: (1, 1, 2, 3, 8, 10),
    4: (1, 1, 2.5, 3.3, 7.5, 9.9),
    5: (1, 1.5, 3, 3.8, 8, 10),
    6: (1, 1.1, 2.75, 3.63, 8.25, 10),
    7: (1.09, 1.9, 3.25, 3.97, 7.75, 9.91),
    8: (1, 1.3666666667, 2.9166666667, 3.7433333333, 8.0833333333, 10),
    9: (1, 1.4, 2.9375, 3.7575, 8.0625, 10),
}
NUMPY_NAMES = (
    "inverted_cdf", "averaged_inverted_cdf", "closest_observation", "interpolated_inverted_cdf",
    "hazen", "weibull", "linear", "median_unbiased", "normal_unbiased",
)  # fmt: skip


@pytest.mark.parametrize("kind", range(1, 10))
def test_quantiles_match_hyndman_and_fan(kind):
    five = [_frame_time_quantile(FIVE, q=q, kind=kind) for q in FIVE_AT]
    assert five == pytest.approx(FIVE_QUANTILES[kind], rel=1e-9)
    ten = [_frame_time_quantile(TEN, q=q, kind=kind) for q in TEN_AT]
    assert ten == pytest.approx(TEN_QUANTILES[kind], rel=1e-9)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.floats(0.001, 1e5), min_size=1, max_size=60),
    st.sampled_from([0.0, 0.001, 0.01, 0.25, 0.5, 0.75, 0.99, 0.999, 1.0]),
    st.integers(1, 9),
)
def test_quantiles_match_numpy(values, q, kind):
    frame_ms = np.array(values)
    expected = np.quantile(frame_ms, q, method=NUMPY_NAMES[kind - 1])
    assert _frame_time_quantile(frame_ms, q=q, kind=kind) == pytest.approx(expected, rel=1e-9)


# One log, nine answers: 990 frames of 10 ms and 10 of 50 ms (numpy and R agree on the quantiles).
STUTTER = np.r_[np.full(990, 10.0), np.full(10, 50.0)]
STUTTER_LOWS = (100, 33.3333333333, 100, 100, 33.3333333333, 20.1612903226, 96.1538461538,
                27.3722627737, 28.6532951289)  # fmt: skip


@pytest.mark.parametrize("kind", range(1, 10))
def test_a_percentile_low_depends_on_its_type(kind):
    low = low_fps(STUTTER, share=0.01, definition="percentile", quantile_type=kind)
    assert low == pytest.approx(STUTTER_LOWS[kind - 1], rel=1e-9)


def test_the_slowest_one_percent_of_frames():
    assert low_fps(STUTTER, share=0.01, definition="slowest_share") == pytest.approx(20)


def test_the_slowest_one_percent_of_time():
    # 10.4 s in all; 104 ms of it are reached by the third of the 50 ms frames.
    assert low_fps(STUTTER, share=0.01, definition="time_share") == pytest.approx(20)
    # Half of the time is 5.2 s: the 50 ms frames make 0.5 s of it.
    assert low_fps(STUTTER, share=0.5, definition="time_share") == pytest.approx(100)


def plain_low(frame_ms: np.ndarray, share: float, definition: str) -> float:
    """Return a low by its plain definition, on all frames sorted."""
    ordered = np.sort(frame_ms)[::-1]
    if definition == "slowest_share":
        wanted = share * ordered.size * (1 - 1e-12)
        count = next(m for m in range(1, ordered.size + 1) if m >= wanted)
        return 1000 * count / ordered[:count].sum()
    if definition == "time_share":
        reached = 0.0
        for frame in ordered:
            reached += frame
            if reached >= share * frame_ms.sum() * (1 - 1e-12):
                return 1000 / frame
    return 1000 / np.quantile(frame_ms, {0.01: 0.99, 0.001: 0.999}[share], method="linear")


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 3000),
    st.sampled_from([0.01, 0.001]),
    st.sampled_from(LOW_DEFINITIONS),
    st.booleans(),
)
def test_tails_give_what_full_sorts_give(seed, n, share, definition, coarse):
    frame_ms = np.random.default_rng(seed).lognormal(2.5, 0.4, n)
    if coarse:
        frame_ms = np.maximum(np.round(frame_ms), 1.0)
    low = low_fps(frame_ms, share=share, definition=definition)
    assert low == pytest.approx(plain_low(frame_ms, share, definition), rel=1e-9)


def test_all_lows_come_from_one_tail():
    frame_ms = np.random.default_rng(5).lognormal(2.3, 0.3, 4321)
    found = measure_lows(frame_ms, shares=tail_shares(), quantile_type=8)
    for definition in LOW_DEFINITIONS:
        for name, share in (("low_1pct_fps", 0.01), ("low_0_1pct_fps", 0.001)):
            low = low_fps(frame_ms, share=share, definition=definition, quantile_type=8)
            assert found[definition][name] == low


def test_shares_that_rounding_would_move_by_a_frame():
    # 0.07 * 100 is 7.000000000000001 in binary: still seven frames.
    frame_ms = np.r_[np.full(93, 10.0), np.full(7, 70.0)]
    assert low_fps(frame_ms, share=0.07, definition="slowest_share") == pytest.approx(1000 / 70)
    low = low_fps(frame_ms, share=0.07, definition="percentile", quantile_type=1)
    assert low == pytest.approx(100)


@pytest.mark.parametrize("share", [0.0, -0.01, 0.6, math.nan])
def test_low_refuses_a_share(share):
    with pytest.raises(ValueError, match="share must be"):
        low_fps(STUTTER, share=share, definition="percentile")


def test_low_refuses_what_is_no_definition():
    with pytest.raises(ValueError, match="definition must be"):
        low_fps(STUTTER, share=0.01, definition="slowest")
    with pytest.raises(ValueError, match="no Hyndman-Fan type 10"):
        low_fps(STUTTER, share=0.01, definition="percentile", quantile_type=10)


@pytest.mark.parametrize(
    ("frame_ms", "q", "message"),
    [([], 0.5, "not empty"), ([[1.0]], 0.5, "not empty"), ([1.0], 1.5, "q must be")],
    ids=["none", "two rows", "q"],
)
def test_quantile_refuses(frame_ms, q, message):
    with pytest.raises(ValueError, match=message):
        _frame_time_quantile(np.array(frame_ms), q=q)


@pytest.mark.parametrize("share", [0.01, 0.001, 0.2, 0.5])
def test_slowest_frames_are_the_largest_in_order(share):
    """Second version: all frames sorted; some of them slow together, in step, or all alike."""
    frame_ms = np.random.default_rng(1).lognormal(size=1234)
    count = {0.01: 13, 0.001: 2, 0.2: 247, 0.5: 617}[share] + 2  # 12.34 up to 13, and two more
    among, in_step = frame_ms.copy(), frame_ms.copy()
    among[600:640] += 9.0
    in_step[:: 4 * count] += 9.0  # one group, where there are groups
    for made in (frame_ms, among, in_step, np.round(frame_ms), np.full(1234, 5.0)):
        assert _slowest_frames(made, share=share).tolist() == sorted(made.tolist())[-count:][::-1]


FRAMES = np.random.default_rng(3).lognormal(2.4, 0.3, 4001)


def test_means_of_series_are_the_figures():
    assert 1000 / _mean_influence(FRAMES).mean() == pytest.approx(
        1000 * FRAMES.size / FRAMES.sum(), rel=1e-12
    )
    assert 1000 / median_influence(FRAMES).mean() == pytest.approx(median_fps(FRAMES), rel=1e-12)
    for share in (0.05, 0.01):
        low = low_fps(FRAMES, share=share, definition="slowest_share")
        assert 1000 / tail_influence(FRAMES, share=share).mean() == pytest.approx(low, rel=1e-12)


# The median of n independent values has the variance 1 / (4 n f^2), f the density there (common
# textbook result, from memory): of a lognormal with sd s of ln, ln(median) has s sqrt(pi / 2 / n).
@pytest.mark.parametrize("spread", [0.05, 0.4])
def test_error_of_a_median_of_independent_frames_is_the_textbook_one(spread):
    n, errors = 4000, []
    for seed in range(30):
        frame_ms = np.random.default_rng(seed).lognormal(2.3, spread, n)
        errors.append(measure_blocks(frame_ms, block=1).within_sd["median_fps"])
    # An error from a spacing of 340 frames scatters by some 5 %; the mean of 30 by 1 %.
    assert np.mean(errors) == pytest.approx(spread * math.sqrt(math.pi / 2 / n), rel=0.04)


def run_of(seed: int, shape: str) -> np.ndarray:
    """Return 3,000 frames that depend on each other, some 9 alike: AR(1) with phi 0.8."""
    rng = np.random.default_rng((seed, 11))
    shocks = rng.standard_normal(3100)
    x = np.zeros(shocks.size)
    for i in range(1, x.size):
        x[i] = 0.8 * x[i - 1] + 0.6 * shocks[i]
    x = x[100:]
    if shape == "stutters":  # the average is ruled by a tail that the median does not see
        return 10 * np.exp(0.1 * x) + np.where(rng.random(x.size) < 0.02, 60.0, 0.0)
    return 10 * np.exp(0.3 * x + 0.1 * x**2 * (x > 0))  # skewed


@pytest.mark.parametrize("shape", ["skewed", "stutters"])
def test_error_of_a_lone_runs_median_matches_simulation(shape):
    runs = [run_of(seed, shape) for seed in range(250)]
    logs = np.log([median_fps(run) for run in runs])
    found = [measure_blocks(run, metrics=["average_fps", "median_fps"]).within_sd for run in runs]
    errors = np.array([f["median_fps"] for f in found])
    # A standard deviation of 250 draws is known to 4.5 %; blocks fall short by some percent.
    assert np.sqrt(np.square(errors).mean()) == pytest.approx(logs.std(ddof=1), rel=0.15)
    # Coverage of the lone run's 95 % interval; 250 trials: standard error 1.4 %.
    covered = np.abs(logs - np.median(logs)) <= 1.96 * errors
    assert covered.mean() == pytest.approx(0.95, abs=0.05)
    if shape == "stutters":  # what the series of the average would have said
        wrong = np.array([f["average_fps"] for f in found])
        assert np.median(wrong) > 1.5 * logs.std(ddof=1)


def test_median_of_a_coarse_log_tells_nothing_of_its_error():
    frame_ms = np.round(np.random.default_rng(1).normal(16.6, 0.1, 900))
    assert median_fps(frame_ms) == pytest.approx(1000 / 17)
    assert measure_blocks(frame_ms).within_sd["median_fps"] == pytest.approx(0.0, abs=1e-12)


# Lags planted by `lagging.made_scene`; figures of our own simulation (see kit/methods.md).
@pytest.mark.parametrize("lag_s", [0.0, 0.6, 1.3, 2.0])
def test_a_planted_lag_of_a_sensor_is_found(lag_s):
    draw = np.random.default_rng(1400 + int(10 * lag_s))
    held = []
    for _ in range(12):
        load = made_scene(draw, length_s=40)
        runs = [lagging_run(draw, load, lag_s=lag_s, warms_w=15, wander=0.5) for _ in range(3)]
        found = SensorLag.pooled([LagProfile.of_run(*run) for run in runs])
        assert found.why == ""
        held.append(found.low_s <= lag_s <= found.high_s)
        assert found.high_s - found.low_s < 1
    assert sum(held) >= 11


def test_a_sensor_that_does_not_follow_the_frames_has_no_lag():
    draw = np.random.default_rng(1450)
    said = []
    for _ in range(50):
        load = made_scene(draw, length_s=40)
        run = lagging_run(draw, load, lag_s=0, follows_w=0, warms_w=20, wander=0.8)
        said.append(SensorLag.pooled([LagProfile.of_run(*run)]).why)
    assert said.count("its readings do not follow the frames") >= 49


def test_a_sensor_counts_where_it_was_read_anew_and_once_a_step():
    # By hand: anew where the figure differs or comes after a gap; of a step of lags the last.
    step = LAGS_S[1]
    ends = step * np.array([0.2, 0.6, 1.2, 1.8, 2.4, 3.3, 3.7, 4.5])
    at, read = _new_readings(ends, np.array([5.0, 5.0, 6.0, 7.0, 7.0, math.nan, 7.0, 8.0]))
    assert at.tolist() == ends[[0, 3, 6, 7]].tolist()
    assert read.tolist() == [5.0, 7.0, 7.0, 8.0]
    assert [x.size for x in _new_readings(ends, np.full(8, math.nan))] == [0, 0]


def test_a_lag_that_is_not_told_says_why():
    draw = np.random.default_rng(1460)
    load = made_scene(draw, length_s=40)
    short = lagging_run(draw, load, lag_s=1, length_s=12)
    assert LagProfile.of_run(*short).likely == ()
    none = SensorLag.pooled([LagProfile.of_run(*short)])
    assert none.why.startswith("no run is long enough") and math.isnan(none.lag_s)
    late = [LagProfile.of_run(*lagging_run(draw, load, lag_s=5)) for _ in range(3)]
    assert SensorLag.pooled(late).why == "it may be longer than 5 s"
    steady = LagProfile.of_run(np.full(4000, 10.0), np.full(4000, 80.0))
    assert steady.likely == ()  # one reading, for ever


# --- outliers and drifts among the runs of a cell ---

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1: uranium isotopes by mass
# spectrometry (Tietjen and Moore 1972). G = 2.4687, one-sided 5 % point 2.032.
URANIUM = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])


def test_grubbs_matches_the_handbook():
    found = grubbs_test(URANIUM, alpha=0.05)
    assert found.index == 7
    assert found.statistic == pytest.approx(2.46876461, abs=5e-9)
    assert round(found.statistic, 4) in (2.4687, 2.4688)  # the handbook cuts the digit off
    assert _grubbs_critical(8, alpha=0.05, sides=1) == pytest.approx(2.032, abs=5e-4)
    assert found.critical == pytest.approx(2.1266451, abs=5e-8)
    assert found.outlier


# Grubbs' critical values at 5 %, from the t distribution (scipy); tables print the same digits.
# At n = 7, two-sided, a widely copied table prints 2.202 for 2.020.
@pytest.mark.parametrize(
    ("n", "one", "two"),
    [
        (3, 1.153, 1.154), (4, 1.462, 1.481), (5, 1.671, 1.715), (6, 1.822, 1.887),
        (7, 1.938, 2.020), (8, 2.032, 2.127), (9, 2.110, 2.215), (10, 2.176, 2.290),
        (15, 2.409, 2.548), (20, 2.557, 2.708),
    ],
)  # fmt: skip
def test_grubbs_critical_values(n, one, two):
    # At three values 1.1543 prints as 1.154, and the table's 1.153 for one side is 1.1531.
    assert _grubbs_critical(n, alpha=0.05, sides=1) == pytest.approx(one, abs=6e-4)
    assert _grubbs_critical(n, alpha=0.05, sides=2) == pytest.approx(two, abs=6e-4)


def test_grubbs_is_wrong_as_often_as_it_says():
    rng = np.random.default_rng(9)
    runs = 20_000
    said = sum(grubbs_test(rng.standard_normal(5), alpha=0.01).outlier for _ in range(runs))
    assert said / runs == pytest.approx(0.01, abs=4 * math.sqrt(0.01 * 0.99 / runs))


def test_grubbs_of_three_never_exceeds_its_bound():
    assert grubbs_test(np.array([1.0, 1.0, 1e9]), alpha=0.05).statistic < 1.1548
    assert not grubbs_test(np.array([100.0, 101.0, 150.0]), alpha=0.01).outlier


@pytest.mark.parametrize("values", [[1.0, 2.0], [3.0] * 6], ids=["two", "alike"])
def test_grubbs_that_cannot_be_judged(values):
    assert grubbs_test(np.array(values), alpha=0.05) is None


def test_grubbs_critical_refuses_two_values():
    with pytest.raises(ValueError, match="three values"):
        _grubbs_critical(2, alpha=0.05)


# B. Iglewicz and D. C. Hoaglin (1993), "How to Detect and Handle Outliers", ASQC vol. 16: the
# modified z of ten values, two of which mask each other in ordinary z.
MASKED = np.array([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3])


def test_modified_z_matches_iglewicz_and_hoaglin():
    expected = [-1.57383333, 0.6745, -0.22483333, 0.22483333, -0.6745,
                -1.57383333, -0.6745, 0.6745, 25.85583333, 26.3055]  # fmt: skip
    assert modified_z(MASKED) == pytest.approx(expected, abs=5e-8)
    assert modified_z(URANIUM)[[7, 0]] == pytest.approx([29.96271357, -1.39645226], abs=5e-8)


def test_two_far_values_hide_each_other_from_grubbs():
    assert not grubbs_test(MASKED, alpha=0.05).outlier
    assert np.count_nonzero(np.abs(modified_z(MASKED)) > 3.5) == 2


def test_modified_z_is_undefined_where_most_agree():
    assert modified_z(np.array([60.0, 60.0, 60.0, 60.0, 71.0])) is None


# R. O. Gilbert (1987), "Statistical Methods for Environmental Pollution Monitoring", table A18:
# upper tails of Mann-Kendall's S; here two-sided, by scipy's exact method and by enumeration.
@pytest.mark.parametrize(("n", "score", "tail"), [
    (4, 2, 0.375), (4, 4, 0.16667), (4, 6, 0.04167),
    (5, 4, 0.24167), (5, 6, 0.11667), (5, 8, 0.04167), (5, 10, 0.00833),
    (6, 9, 0.06806), (6, 11, 0.02778), (6, 13, 0.00833),
    (8, 16, 0.03051), (8, 20, 0.00707), (10, 21, 0.03628), (10, 27, 0.00833),
])  # fmt: skip
def test_exact_tails_match_gilbert(n, score, tail):
    assert order_trend(_ordered(n, score))[1] / 2 == pytest.approx(tail, abs=5e-6)


def _ordered(n: int, score: int) -> np.ndarray:
    """Return values 1 to n in an order whose S is `score`, by swapping neighbours."""
    order = list(range(n))
    swaps = (n * (n - 1) // 2 - score) // 2
    for _ in range(swaps):
        place = next(i for i in range(n - 1) if order[i] < order[i + 1])
        order[place], order[place + 1] = order[place + 1], order[place]
    return np.array(order, dtype=float)


def test_small_worked_example():  # Gilbert 1987: 10 15 14 20 gives S = 4, one-sided p 1/6
    assert order_trend(np.array([10.0, 15.0, 14.0, 20.0]))[1] == pytest.approx(1 / 3)


def test_four_runs_can_never_show_a_drift():
    best = min(order_trend(np.array(order, float))[1] for order in itertools.permutations(range(4)))
    assert best == pytest.approx(1 / 12)


@pytest.mark.parametrize("seed", range(6))
def test_order_trend_matches_scipy(seed):
    values = np.random.default_rng(seed).standard_normal(12)
    expected = stats.kendalltau(range(12), values, method="exact").pvalue
    assert order_trend(values)[1] == pytest.approx(expected, rel=1e-12)


# Worked example on a college statistics course page, one tie: Z = 2.9058, p = 0.0036627.
def test_order_trend_with_a_tie():
    values = np.array(
        [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    )
    assert order_trend(values) == pytest.approx((0.5666666667, 0.0036627238), rel=1e-6)


def test_values_that_all_agree_have_no_drift():
    assert order_trend(np.full(6, 60.0)) == (0.0, 1.0)


def test_of_two_halves_on_unlike_levels_the_first_is_the_stretch():
    noise = np.random.default_rng(3).normal(0, 0.01, 40)
    step = find_step(np.repeat([1.0, 2.0], 20) + noise)
    assert (step.start, step.stop, step.beyond) == (0, 20, True)
    assert step.change == pytest.approx(-1.0, abs=0.02)
    later = find_step(np.repeat([1.0, 2.0], [22, 18]) + noise)
    assert (later.start, later.stop) == (22, 40)


@pytest.mark.parametrize("levels", [np.repeat([1.0, 2.0], [5, 4]), np.full(12, 3.0)])
def test_a_series_too_short_or_without_change_has_no_step(levels):
    step = find_step(levels)
    assert (step.start, step.stop, step.change, step.statistic, step.beyond) == (0, 0, 0, 0, False)


def test_ten_levels_are_enough_for_a_step():
    # One more than the nine above: by hand, the lower half comes first and lies 1 below.
    step = find_step(np.repeat([1.0, 2.0], 5))
    assert (step.start, step.stop, step.change, step.beyond) == (0, 5, -1.0, True)
