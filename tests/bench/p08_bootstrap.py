"""P8: the block bootstrap diagnostic beside naive numpy, in one run, interleaved.

`python tests/bench/p08_bootstrap.py [PAIRS]` prints the ratio of times (goal 0.03) as median,
minimum and maximum over pairs, and how far the ends of the intervals lie apart at 20,000 resamples,
as a share of the interval's width (goal 0.03), on made-up and on measured frames. Not a test.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from scipy import signal

from kit.metrics.blocks import _bootstrap_replicates

BLOCK, RESAMPLES = 100, 2000
METRICS = ("average_fps", "low_1pct_fps", "low_0_1pct_fps")
GOAL = 0.03


def made_up_runs(seed: int, *, runs: int = 5, frames: int = 10_000) -> list[np.ndarray]:
    """Return a cell of runs: first-order autoregression on the log scale, with spikes."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(runs):
        slow = signal.lfilter([1.0], [1.0, -0.9], rng.standard_normal(frames + 200))[200:]
        frame_ms = 10.0 * np.exp(0.05 * slow + rng.normal(0, 0.01))
        frame_ms[rng.random(frames) < 0.002] *= 2.5
        made.append(frame_ms)
    return made


def naive_replicates(
    frame_ms_runs: Sequence[np.ndarray], *, block: int, resamples: int, seed: int
) -> dict[str, np.ndarray]:
    """Return what `bootstrap_replicates` returns, by copying frames and sorting out their tails."""
    rng = np.random.default_rng(seed)
    runs = len(frame_ms_runs)
    found = {metric: np.empty(resamples) for metric in METRICS}
    steps = np.arange(block)
    for b in range(resamples):
        logs = np.zeros(3)
        for i in rng.integers(0, runs, runs):
            frame_ms = frame_ms_runs[i]
            n = frame_ms.size
            starts = rng.integers(0, n, max(1, round(n / block)))
            drawn = frame_ms[((starts[:, None] + steps) % n).ravel()]
            logs[0] += np.log(1000.0 / drawn.mean())
            for k, share in enumerate((0.01, 0.001), start=1):
                m = max(1, int(np.ceil(share * drawn.size - 1e-9)))
                tail = np.partition(drawn, drawn.size - m)[drawn.size - m :]
                logs[k] += np.log(1000.0 / tail.mean())
        for k, metric in enumerate(METRICS):
            found[metric][b] = np.exp(logs[k] / runs)
    return found


def ends(replicates: np.ndarray) -> np.ndarray:
    """Return the ends of the 95 % percentile interval."""
    return np.quantile(replicates, [0.025, 0.975])


def shift_of_ends(fast: np.ndarray, naive: np.ndarray) -> float:
    """Return the larger shift of an end, as a share of the naive interval's width."""
    a, b = ends(fast), ends(naive)
    return float(np.abs(a - b).max() / (b[1] - b[0]))


def time_pair(seed: int) -> tuple[float, float]:
    """Return seconds for a product pair: ours, naive."""
    cells = made_up_runs(seed), made_up_runs(seed + 1000)
    seconds = []
    for replicate in (_bootstrap_replicates, naive_replicates):
        start = time.perf_counter()
        for i, cell in enumerate(cells):
            replicate(cell, block=BLOCK, resamples=RESAMPLES, seed=seed + i)
        seconds.append(time.perf_counter() - start)
    return seconds[0], seconds[1]


def real_cell(scene: str) -> list[np.ndarray]:
    """Return the measured passes of one scene at 4 threads."""
    folder = Path(__file__).parents[1] / "data" / "real_runs" / "logs"
    logs = sorted(folder.glob(f"{scene}-t4-*.csv"))
    return [np.loadtxt(log, delimiter=",", skiprows=1)[:, 1] for log in logs]


def main() -> int:
    """Print ratios and shifts; 0 where both goals are met."""
    pairs = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    time_pair(0)  # first calls import and allocate
    ratios = [ours / naive for ours, naive in map(time_pair, range(1, pairs + 1))]
    median = float(np.median(ratios))
    print(f"P8 ratio {median:.4f} [{min(ratios):.4f}-{max(ratios):.4f}] over {pairs} pairs")
    worst = 0.0
    for name, cell, block in (
        ("made-up", made_up_runs(1), BLOCK),
        ("haze, measured", real_cell("haze"), 20),
        ("water, measured", real_cell("water"), 20),
    ):
        ours = _bootstrap_replicates(cell, block=block, resamples=20_000, seed=1)
        naive = naive_replicates(cell, block=block, resamples=20_000, seed=2)
        again = naive_replicates(cell, block=block, resamples=20_000, seed=3)
        for metric, fast in ours.items():
            shift = shift_of_ends(fast, naive[metric])
            noise = shift_of_ends(again[metric], naive[metric])
            worst = max(worst, shift)
            print(f"  {name:16} {metric:16} ends shifted by {shift:.3f} of the width; naive by "
                  f"another seed {noise:.3f}")  # fmt: skip
    print(f"goals: ratio <= {GOAL}, shift <= {GOAL}; found {median:.4f}, {worst:.3f}")
    return 0 if median <= GOAL and worst <= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
