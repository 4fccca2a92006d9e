"""The block bootstrap, against copying frames and a naive version."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

from kit.metrics.blocks import choose_block, measure_blocks, share_within
from kit.metrics.resample import block_bootstrap, bootstrap_replicates

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from p08_bootstrap import made_up_runs, naive_replicates, shift_of_ends


@pytest.mark.parametrize("block", [1, 7, 100, 3000])
def test_one_run_resampled_is_what_copying_its_frames_gives(block):
    frame_ms = np.random.default_rng(4).lognormal(2.3, 0.3, 3000)
    frame_ms[1000:1040] *= 4  # the long frames stand together
    frame_ms = np.tile(frame_ms, 2)  # and each comes twice: ties
    found = bootstrap_replicates([frame_ms], block=block, resamples=50, seed=9)
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
    fast = bootstrap_replicates(cell, block=100, resamples=20_000, seed=1)
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
    assert found.block == choose_block(cell)
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
    drawn = bootstrap_replicates(cell, block=50, resamples=300, seed=1)
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
        bootstrap_replicates(cell, block=50, resamples=30, seed=s) for s in (1, 1, 2)
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
        bootstrap_replicates([np.array(r) for r in runs], block=block, resamples=resamples, seed=1)


def test_refuses_a_confidence_in_percent():
    with pytest.raises(ValueError, match="confidence must be"):
        block_bootstrap([np.array([1.0, 2.0])], resamples=1, seed=1, confidence=95)
