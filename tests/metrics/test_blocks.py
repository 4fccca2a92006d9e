"""The errors blocks of frames give one run, against exact values, published ones and arch."""

from __future__ import annotations

import math

import numpy as np
import pytest
from arch.bootstrap import CircularBlockBootstrap, optimal_block_length

from kit.metrics.blocks import measure_blocks, optimal_block, share_within


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
    assert optimal_block(series) == pytest.approx((stationary, circular), rel=1e-6)


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
        alike += np.allclose(optimal_block(series), expected, rtol=1e-6)
    assert alike >= 38


# Patton, Politis and White (2009): for a first-order autoregression the circular block is
# (2 phi / (1 - phi^2))^(2/3) (1.5 n)^(1/3): 13.867 at phi = 0.5, n = 1000. Estimates scatter.
def test_optimal_block_is_near_its_population_value():
    lengths = [optimal_block(published_autoregression(s, 0.5, 1000, 100))[1] for s in range(60)]
    assert np.median(lengths) == pytest.approx(13.867225487, rel=0.15)


@pytest.mark.parametrize("values", [[1.0], [1.0] * 50, [1.0, 2.0, 3.0]])
def test_optimal_block_at_the_edge(values):
    assert optimal_block(np.array(values)) == (1.0, 1.0)


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
