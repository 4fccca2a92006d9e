"""P9: margins, suites and claims of 20 titles x 12 products x 5 runs, beside scipy's t test.

`python tests/bench/p09_margins.py [PAIRS]`. The peer is one call of `scipy.stats.ttest_ind` (Welch,
logarithms, with its interval) for each margin. Ours makes them all with shared variances, families
of tests, suites, closure and gaps, and states every figure as a claim with its trace. Where runs
are set aside, cells and margins are worked out a second time with them, which is not measured here.
Not a test.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from pairs import ROOT, Row, pairs_asked, say, time_pairs
from scipy.stats import ttest_ind

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import MadeRun, small_bench, write_bench

from kit.claims.of_pages import make_claims
from kit.review.walk import load_review, work_out

GOAL = 1.0
TITLES, PRODUCTS, RUNS = 20, 12, 5


def made_bench():
    """Return a bench whose figures are typed in: no log need be read."""
    rng = np.random.default_rng(9)
    base = small_bench(products=PRODUCTS, titles=TITLES, runs=1)
    runs = []
    for title in range(TITLES):
        for product in range(PRODUCTS):
            for number in range(RUNS):
                fps = 60.0 * 1.03**title * 0.95**product * np.exp(0.01 * rng.standard_normal())
                typed = {
                    "average_fps": f"{fps:.4f}",
                    "low_1pct_fps": f"{0.8 * fps * np.exp(0.02 * rng.standard_normal()):.4f}",
                    "low_0_1pct_fps": f"{0.6 * fps * np.exp(0.03 * rng.standard_normal()):.4f}",
                }
                runs.append(
                    MadeRun(
                        run=f"p{product}-t{title}-{number}",
                        product=f"p{product}",
                        title=f"t{title}",
                        session=f"s{product}-{number}",
                        typed=typed,
                    )
                )
    return replace(base, runs=tuple(runs), prices=())


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as folder:
        review = load_review(write_bench(made_bench(), Path(folder)))

        def ours():
            results = work_out(review)
            return results, make_claims(review, results)

        results, book = ours()
        sides = [
            [np.log(cell.values) for cell in margin.cells[:2]] for margin in results.margins
        ]  # fmt: skip
        assert len(sides) == (PRODUCTS - 1) * TITLES * 3

        def peer():
            return [
                ttest_ind(one, other, equal_var=False).confidence_interval(0.95)
                for one, other in sides
            ]

        clock = time.process_time  # works of one thread: others on the machine count for neither
        ratios = time_pairs(ours, peer, pairs, clock=clock)
        alone = np.median(time_pairs(lambda: work_out(review), peer, pairs, clock=clock))
    return Row(
        "P9",
        f"margins, suite, claims of {TITLES} titles x {PRODUCTS} products x {RUNS} runs",
        "scipy.stats.ttest_ind called once per margin",
        GOAL,
        ratios,
        note=f"{len(sides)} margins, {len(book.claims)} claims, no run set aside; processor time; without claims {alone:.2f}",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
