"""P7: average, 1 % and 0.1 % low of a review's 800 runs of 10,000 frames, beside np.partition.

`python tests/bench/p07_metrics.py [PAIRS]`. The peer only finds the two ranks that the lows begin at,
with one np.partition a run; it takes no average and no low. Ours is one low definition, then all
three as a review works them out. Not a test.
"""

from __future__ import annotations

import time

import numpy as np
from pairs import Row, pairs_asked, say, time_pairs

from kit.settings.metric import DEFAULT_METRICS, tail_shares
from kit.stats.series import average_fps, low_fps, measure_lows

GOAL = 0.5
SHARES = tail_shares(DEFAULT_METRICS)
RUNS, FRAMES = 800, 10_000


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    rng = np.random.default_rng(7)
    runs = [10.0 * np.exp(0.08 * rng.standard_normal(FRAMES)) for _ in range(RUNS)]
    ranks = (FRAMES - FRAMES // 100, FRAMES - FRAMES // 1000)

    def ours() -> list[object]:
        return [(average_fps(run), measure_lows(run, shares=SHARES)) for run in runs]

    def peer() -> list[object]:
        return [np.partition(run, ranks) for run in runs]

    for run in runs[:5]:
        expected = 1000.0 / np.quantile(run, 0.99)
        found = low_fps(run, share=0.01, definition="percentile")
        np.testing.assert_allclose(found, expected, rtol=1e-12)
    return Row(
        "P7",
        "point metrics of a whole review (8M frames in memory)",
        "np.partition of the same arrays",
        GOAL,
        time_pairs(ours, peer, pairs, clock=time.process_time),
        note="all three definitions of both lows; processor time",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
