"""Series of figures: their means exactly, and the median's error against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kit.metrics.blocks import measure_blocks
from kit.stats.blocks import mean_influence, median_influence, tail_influence
from kit.stats.series import low_fps, median_fps

FRAMES = np.random.default_rng(3).lognormal(2.4, 0.3, 4001)


def test_means_of_series_are_the_figures():
    assert 1000 / mean_influence(FRAMES).mean() == pytest.approx(
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
