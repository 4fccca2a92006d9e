"""What frames alone explain of the differences between a product's runs."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_runs import METRIC, made_runs
from metrics.test_blocks import published_autoregression

from kit.margins.within import compare_within
from kit.metrics.blocks import RunBlocks, measure_blocks


def with_errors(runs, errors, worth=100.0):
    """Return runs whose frames give such errors."""
    return [
        replace(run, blocks=RunBlocks(1, {METRIC: error}, {METRIC: worth}))
        for run, error in zip(runs, errors, strict=True)
    ]


def test_the_share_is_pooled_over_titles():
    # By hand. Title t: ln values 0, 0.02: variance 0.0002 (1 degree); u: 0, 0.01, 0.02: 0.0001
    # (2 degrees); pooled (0.0002 + 0.0002) / 3 = 0.00013333. Errors of 0.005: 0.000025.
    runs = with_errors(made_runs("a", "t", np.exp([4, 4.02])), [0.005] * 2)
    runs += with_errors(made_runs("a", "u", np.exp([5, 5.01, 5.02])), [0.005] * 3)
    runs += with_errors(made_runs("a", "alone", [60.0]), [0.5], worth=900.0)
    (within,) = compare_within(runs, metric_names=[METRIC])
    assert within.share == pytest.approx(0.000025 / (0.0004 / 3), rel=1e-9)
    assert len(within.runs) == 6 and len(within.compared_runs) == 5
    assert within.effective_frames == 100.0


def test_no_share_where_nothing_is_compared():
    lone = with_errors(made_runs("a", "t", [60.0]), [0.01])
    equal = with_errors(made_runs("b", "t", [60.0, 60.0]), [0.01, 0.01])
    assert [w.share for w in compare_within(lone + equal, metric_names=[METRIC])] == [None, None]
    assert compare_within(made_runs("a", "t", [60.0], typed_in=True), metric_names=[METRIC]) == ()


@pytest.mark.parametrize(("between", "low", "high"), [(0.0, 0.6, 1.0), (0.02, 0.0, 0.1)])
def test_runs_that_differ_by_their_frames_alone_are_told_from_others(between, low, high):
    # Frames as a first-order autoregression (Priestley 1981): with nothing else the errors of
    # blocks explain the whole spread; with 2 % from run to run beside, next to nothing.
    rng = np.random.default_rng(3)
    runs = []
    for number in range(40):
        noise = published_autoregression(number, 0.7, 2000, 100)
        frame_ms = 16.0 * np.exp(0.1 * noise + between * rng.normal())
        (run,) = made_runs("a", "t", [1000.0 / frame_ms.mean()])
        runs.append(replace(run, run=f"r{number}", blocks=measure_blocks(frame_ms)))
    (within,) = compare_within(runs, metric_names=[METRIC])
    assert low < within.share <= high
    # 2,000 frames with phi 0.7 are worth n (1 - phi) / (1 + phi) = 353 independent ones.
    assert 300 < within.effective_frames < 450 and math.isfinite(within.share)
