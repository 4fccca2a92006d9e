"""The errors blocks of frames give one run, against exact values, published ones and arch."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest
from arch.bootstrap import CircularBlockBootstrap, optimal_block_length

from kit.metrics.blocks import (
    _bootstrap_replicates,
    _choose_block,
    _optimal_block,
    block_bootstrap,
    measure_blocks,
    share_within,
)

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from p08_bootstrap import made_up_runs, naive_replicates, shift_of_ends


def published_autoregression(seed: int, phi: float, n: int, burn: int) -> np.ndarray:
    shocks = np.random.RandomState(seed).standard_normal(n + burn)
    series = np.zeros(n + burn)
    series[0] = shocks[0]
    for i in range(1, n + burn):
        series[i] = phi * series[i - 1] + shocks[i]
    return series[burn:]


# Politis and White (2004) with the correction of Patton, Politis and White (2009), on the series
# that arch's own tests use: arch 8.0.0 prints these block lengths.
@pytest.mark.parametrize(
    ("seed", "phi", "n", "burn", "stationary", "circular"),
    [(0, 0.3, 10_000, 100, 13.635665, 15.608940), (12345, 0.7, 1000, 200, 17.23378794, 19.7277625)],
)
def test_optimal_block_matches_published_values(seed, phi, n, burn, stationary, circular):
    series = published_autoregression(seed, phi, n, burn)
    assert _optimal_block(series) == pytest.approx((stationary, circular), rel=1e-6)


def test_optimal_block_matches_arch():
    # arch scales a lag's autocovariance by the two stretches it is taken over, the paper by the
    # whole series' variance: now and then another lag is the first negligible one.
    alike = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        series = published_autoregression(
            seed, float(rng.uniform(-0.3, 0.95)), int(rng.integers(400, 3000)), 50
        )
        expected = np.maximum(optimal_block_length(series).to_numpy()[0], 1.0)
        alike += np.allclose(_optimal_block(series), expected, rtol=1e-6)
    assert alike >= 38


# Patton, Politis and White (2009): for a first-order autoregression the circular block is
# (2 phi / (1 - phi^2))^(2/3) (1.5 n)^(1/3): 13.867 at phi = 0.5, n = 1000. Estimates scatter.
def test_optimal_block_is_near_its_population_value():
    lengths = [_optimal_block(published_autoregression(s, 0.5, 1000, 100))[1] for s in range(60)]
    assert np.median(lengths) == pytest.approx(13.867225487, rel=0.15)


@pytest.mark.parametrize("values", [[1.0], [1.0] * 50, [1.0, 2.0, 3.0]])
def test_optimal_block_at_the_edge(values):
    assert _optimal_block(np.array(values)) == (1.0, 1.0)


# Exact arithmetic: 1 to 12 in blocks of three, variance of the mean 1.8125; arch's simulation
# gives a standard error of 1.3436 with 40,000 resamples.
def test_variance_within_a_run_is_the_circular_bootstraps():
    values = np.arange(1.0, 13.0)
    error = measure_blocks(values, block=3).within_sd["average_fps"]
    assert error * values.mean() == pytest.approx(math.sqrt(1.8125), rel=1e-12)
    means = CircularBlockBootstrap(3, values, seed=5).apply(np.mean, 4000)
    # Monte Carlo error of a standard deviation: 1.346 / sqrt(2 x 4000) = 0.015.
    assert means.std() == pytest.approx(1.3462912018, abs=4 * 0.015)


# Priestley 1981: the variance of a long autoregression's mean is s2 / (1 - phi)^2 / n; blocks
# approach it from below.
def test_longer_blocks_approach_the_true_error_from_below():
    n, phi, runs = 20_000, 0.8, 12
    true = math.sqrt(1 / (1 - phi) ** 2 / n)
    errors = {}
    for block in (1, 10, 200):
        found = [
            measure_blocks(100 + published_autoregression(s, phi, n, 100), block=block)
            for s in range(runs)
        ]
        errors[block] = np.mean([f.within_sd["average_fps"] for f in found]) * 100 / true
    assert errors[1] == pytest.approx(math.sqrt((1 - phi) / (1 + phi)), rel=0.02)
    assert errors[1] < errors[10] < errors[200] < 1.03
    assert errors[200] > 0.93


def test_effective_frames_follow_from_the_blocks():
    series = 100 + published_autoregression(3, 0.8, 40_000, 100)
    found = measure_blocks(series, block=200)
    assert found.effective_frames["average_fps"] == pytest.approx(40_000 * 0.2 / 1.8, rel=0.15)


@pytest.mark.parametrize(
    ("errors", "values", "share"),
    [([0.01], [60.0], None), ([0.0, 0.0], [60.0, 60.0], None), ([0.5, 0.5], [60.0, 60.1], 1.0)],
    ids=["one run", "runs alike", "frames explain all"],
)
def test_the_share_within_at_the_edge(errors, values, share):
    assert share_within(errors, values) == share


def test_a_run_that_does_not_vary_has_no_error():
    found = measure_blocks(np.full(6000, 10.0))
    assert set(found.within_sd.values()) == {0.0}
    assert set(found.effective_frames.values()) == {6000.0}


@pytest.mark.parametrize("block", [1, 7, 100, 3000])
def test_one_run_resampled_is_what_copying_its_frames_gives(block):
    frame_ms = np.random.default_rng(4).lognormal(2.3, 0.3, 3000)
    frame_ms[1000:1040] *= 4  # the long frames stand together
    frame_ms = np.tile(frame_ms, 2)  # and each comes twice: ties
    found = _bootstrap_replicates([frame_ms], block=block, resamples=50, seed=9)
    assert set(found) == {"average_fps", "low_1pct_fps", "low_0_1pct_fps"}
    rng = np.random.default_rng(9)
    rng.integers(0, 1, (50, 1), dtype=np.int32)
    starts = rng.integers(0, 6000, (50, round(6000 / block)))
    drawn = frame_ms[(starts[:, :, None] + np.arange(block)).reshape(50, -1) % 6000]
    assert found["average_fps"] == pytest.approx(1000 / drawn.mean(axis=1), rel=1e-12)
    tails = np.sort(drawn, axis=1)[:, ::-1][:, : math.ceil(drawn.shape[1] * 0.001)]
    assert found["low_0_1pct_fps"] == pytest.approx(1000 / tails.mean(axis=1), rel=1e-12)


def test_interval_ends_match_the_naive_version():
    cell = made_up_runs(3, runs=4, frames=6000)
    fast = _bootstrap_replicates(cell, block=100, resamples=20_000, seed=1)
    naive = naive_replicates(cell, block=100, resamples=2500, seed=2)
    # At 2,500 resamples chance alone moves an end by some 2 % of the width; at 20,000 of both,
    # tests/bench/p08_bootstrap.py holds it to 3 %.
    for metric, values in fast.items():
        assert shift_of_ends(values, naive[metric]) < 0.06, metric


def test_runs_of_unlike_lengths():
    rng = np.random.default_rng(2)
    cell = [rng.lognormal(2.3, 0.1, n) for n in (5000, 6000, 8000)]
    found = block_bootstrap(cell, resamples=400, seed=3)
    for metric in found.metrics.values():
        assert metric.low < metric.value < metric.high
    assert found.block == _choose_block(cell)
    assert found.left_out == {}


def test_frames_alone_explain_little_where_runs_differ():
    rng = np.random.default_rng(2)
    cell = [rng.lognormal(2.3 + shift, 0.1, 4000) for shift in (-0.05, 0.0, 0.06)]
    found = block_bootstrap(cell, block=10, resamples=200, seed=3).metrics["average_fps"]
    assert found.between_sd == pytest.approx(np.std([-0.05, 0.0, 0.06], ddof=1), rel=0.1)
    assert found.within_share < 0.01
    alike = [rng.lognormal(2.3, 0.1, 4000) for _ in range(12)]
    assert block_bootstrap(alike, block=10, resamples=9, seed=3).metrics[
        "average_fps"
    ].within_share == pytest.approx(1, abs=0.6)


def test_what_one_run_is_worth_adds_up_to_the_cell():
    rng = np.random.default_rng(2)
    cell = [rng.lognormal(2.3 + shift, 0.1, 6000) for shift in (-0.002, 0.0, 0.002)]
    whole = block_bootstrap(cell, block=10, resamples=9, seed=3)
    single = [measure_blocks(frame_ms, block=10) for frame_ms in cell]
    for metric, found in whole.metrics.items():
        errors = [run.within_sd[metric] for run in single]
        assert found.within_sd == pytest.approx(np.sqrt(np.mean(np.square(errors))))
        share = share_within(errors, [1000 / f.mean() for f in cell])
        if metric == "average_fps":
            assert share == pytest.approx(found.within_share)
            assert 0 < share < 1


def test_the_interval_is_of_the_resampled_values():
    cell = made_up_runs(3, runs=2, frames=6000)
    found = block_bootstrap(cell, block=50, resamples=300, seed=1, confidence=0.9)
    drawn = _bootstrap_replicates(cell, block=50, resamples=300, seed=1)
    for metric, values in drawn.items():
        ends = (found.metrics[metric].low, found.metrics[metric].high)
        assert ends == pytest.approx(np.quantile(values, [0.05, 0.95]))


def test_a_lone_run_has_no_spread_between_runs():
    frame_ms = np.random.default_rng(2).lognormal(2.3, 0.1, 6000)
    found = block_bootstrap([frame_ms], resamples=300, seed=3).metrics["average_fps"]
    assert (found.between_sd, found.within_share) == (None, None)
    assert found.low < found.value < found.high


def test_a_tail_of_too_few_frames_cannot_be_judged():
    frame_ms = np.random.default_rng(2).lognormal(2.3, 0.1, 3000)
    found = block_bootstrap([frame_ms], resamples=10, seed=3)
    assert set(found.metrics) == {"average_fps", "low_1pct_fps"}
    assert found.left_out == {
        "low_0_1pct_fps": "cannot be judged: the shortest run has only 3 frames in its tail; 5 are "
        "needed"
    }


@pytest.mark.parametrize("n", [1, 2, 6000])
def test_frames_all_alike(n):
    found = block_bootstrap([np.full(n, 10.0)] * 2, resamples=20, seed=1)
    average = found.metrics["average_fps"]
    assert (average.value, average.low, average.high) == pytest.approx((100, 100, 100))
    assert average.within_sd == 0
    assert average.within_share is None
    assert average.effective_frames == n


def test_one_seed_one_answer():
    cell = made_up_runs(3, runs=2, frames=6000)
    first, again, other = (
        _bootstrap_replicates(cell, block=50, resamples=30, seed=s) for s in (1, 1, 2)
    )
    for metric, values in first.items():
        assert values.tolist() == again[metric].tolist()
        assert values.tolist() != other[metric].tolist()


@pytest.mark.parametrize(
    ("runs", "block", "resamples", "message"),
    [
        ([], 1, 1, "must be a run"),
        ([[1.0, -1.0]], 1, 1, "positive"),
        ([[1.0, 2.0]], 0, 1, "at least 1"),
        ([[1.0, 2.0]], 1, 0, "at least 1"),
    ],
    ids=["no run", "negative", "block", "resamples"],
)
def test_refuses(runs, block, resamples, message):
    with pytest.raises(ValueError, match=message):
        _bootstrap_replicates([np.array(r) for r in runs], block=block, resamples=resamples, seed=1)


def test_refuses_a_confidence_in_percent():
    with pytest.raises(ValueError, match="confidence must be"):
        block_bootstrap([np.array([1.0, 2.0])], resamples=1, seed=1, confidence=95)
