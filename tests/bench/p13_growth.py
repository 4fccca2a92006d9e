"""P13: what the cost of a review grows like: 1x, 4x, 16x, 64x runs.

`python tests/bench/p13_growth.py [PAIRS]`. Reading, screening, measuring, working out and claiming
of 12, 48, 192 and 768 titles x 3 products x 4 runs of 2,000 frames, in turns. The exponent is the
slope of log time over log runs by least squares; 1 is linear. Also the exponent of working out and
claiming alone, and the peak memory of a process that does each size once. Counted in processor time,
all in one thread. Not a test.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from pairs import ROOT, Row, pairs_asked, say

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import frames, small_bench, write_bench

from kit.claims.of_pages import make_claims
from kit.metrics.measuring import PLAIN
from kit.review.walk import load_review, work_out

GOAL = 1.02
TITLES = (12, 48, 192, 768)


def made_bench(titles: int):
    """Return a bench of some titles, whose frame rates stay within what is played."""
    base = small_bench(titles=titles)
    runs = []
    for number, run in enumerate(base.runs):
        ms = 8.0 + number % 17 + 2.0 * int(run.product[1:])
        runs.append(replace(run, frame_ns=frames(number, ms=ms, count=2000), began=""))
    return replace(base, runs=tuple(runs))


def review(path: Path) -> tuple[float, float]:
    """Review once; return the processor time, and that of working out and claiming alone."""
    start = time.process_time()
    loaded = load_review(path, reading=PLAIN)
    read = time.process_time()
    make_claims(loaded, work_out(loaded))
    end = time.process_time()
    return end - start, end - read


def peak_mb(path: Path) -> float:
    """Return the peak memory of a process of its own that reviews once."""
    said = subprocess.run(
        [sys.executable, __file__, "--peak", str(path)], capture_output=True, text=True, check=True
    )
    return int(said.stdout) / 1024


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as name:
        params = [write_bench(made_bench(n), Path(name) / str(n)) for n in TITLES]
        whole, after = [], []
        for turn in range(pairs + 1):
            times = [review(path) for path in params]
            if turn:  # the first warms up
                logs = np.log(TITLES)
                whole.append(float(np.polyfit(logs, np.log([t for t, _ in times]), 1)[0]))
                after.append(float(np.polyfit(logs, np.log([t for _, t in times]), 1)[0]))
        peaks = [peak_mb(params[0]), peak_mb(params[-1])]
    return Row(
        "P13",
        "cost against work: 1x, 4x, 16x, 64x runs (exponent)",
        "linear",
        GOAL,
        tuple(whole),
        note=f"processor time; working out and claiming alone {np.median(after):.2f}; peak memory "
        f"{peaks[0]:.0f} MB at 1x, {peaks[1]:.0f} at 64x",
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--peak"]:
        review(Path(sys.argv[2]))
        status = Path("/proc/self/status").read_text()
        print(status.partition("VmHWM:")[2].split()[0])  # kB; unlike ru_maxrss of this image alone
        sys.exit()
    say(measure(pairs_asked()))
