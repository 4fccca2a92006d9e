"""P15: questions asked of an open review of 20 titles x 12 products x 5 runs, beside pandas.

`python tests/bench/p15_what_if.py [PAIRS]`. Ours is `what_if` and what an analyst then asks, as
claims with their marks and traces: the suites and the margins of the average by title, with
outcomes; at another price, what it is worth. The review has been worked out before, and was asked
for the same itself; nothing of the question has been. The peer is pandas grouping the same run table by product and title, a mean of
each figure. With another definition of the lows the bench has logs of 10,000 frames, the margins
and suites are those of the 1 % lows, and the peer is numpy's partition of the same frames in
memory, the average and both lows from it. Not a test.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from p09_margins import PRODUCTS, RUNS, TITLES, made_bench
from pairs import ROOT, Row, pairs_asked, say, time_pairs

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import write_bench

import kit

GOAL, LOW_GOAL = 3.0, 1.2
FRAMES = 10_000
CLOCK, NOTE = time.process_time, "processor time of one thread"


def ask(review, **changes):
    """Ask a question, and for suites and margins of its answer."""
    metric = "low_1pct_fps" if "low" in changes else "average_fps"
    other = review.what_if(**changes)
    return other.suites(metric=metric), other.margins(metric=metric)


QUESTIONS = {
    "another level band, then suites and margins": lambda r: ask(r, level_band=0.05),
    "a title left out, then suites and margins": lambda r: ask(r, without_titles="t3"),
    "another price, then what it is worth": lambda r: r.what_if(prices={"p1": 450.0}).value(),
}


def logged_bench():
    """Return the bench with logs in place of figures typed in."""
    rng = np.random.default_rng(15)
    made = made_bench()

    def logged(run):
        ms = 1000.0 / float(run.typed["average_fps"])
        drawn = ms * np.exp(0.1 * rng.standard_normal(FRAMES))
        return replace(run, typed={}, frame_ns=tuple(np.rint(drawn * 1e6).astype(int).tolist()))

    return replace(made.with_runs(logged), unit="ns", ending="parquet")


def lows(frames):
    """Return the average and the means of the slowest 1 % and 0.1 % of each run."""
    found = []
    for ms in frames:
        cuts = [ms.size - ms.size // 100, ms.size - ms.size // 1000]
        parted = np.partition(ms, cuts)
        found.append((1000.0 / ms.mean(), *(1000.0 / parted[cut:].mean() for cut in cuts)))
    return found


def measure(pairs: int) -> list[Row]:
    """Measure and return a row a question."""
    prices = tuple(
        (f"p{i}", f"{400 + 20 * i}", "EUR", "street", "2026-11-02", "shop") for i in range(PRODUCTS)
    )
    with tempfile.TemporaryDirectory() as folder:
        review = kit.open_review(write_bench(replace(made_bench(), prices=prices), Path(folder)))
        assert review.results.suites and review.suites() and review.margins() and review.value()
        table = pd.DataFrame(
            [{"product": m.product, "title": m.title, **m.values} for m in review.review.used]
        )
        assert len(table) == TITLES * PRODUCTS * RUNS

        def peer():
            return table.groupby(["product", "title"]).mean()

        found = [
            Row(
                "P15",
                f"`what_if` of {what}",
                "pandas grouping the run table",
                GOAL,
                time_pairs(lambda question=question: question(review), peer, pairs, clock=CLOCK),
                note=NOTE,
            )
            for what, question in QUESTIONS.items()
        ]
    made = logged_bench()
    frames = [np.array(run.frame_ns) / 1e6 for run in made.runs]
    with tempfile.TemporaryDirectory() as folder:
        review = kit.open_review(write_bench(made, Path(folder)))
        assert review.results.suites
        ratios = time_pairs(
            lambda: ask(review, low="slowest_share"), lambda: lows(frames), pairs, clock=CLOCK
        )
    beside = f"numpy partition of the same {len(frames)} x {FRAMES:,} frames in memory"
    what = "`what_if` of another definition of the lows, then suites and margins of the 1 % lows"
    return [*found, Row("P15", what, beside, LOW_GOAL, ratios, note=NOTE)]


if __name__ == "__main__":
    say(*measure(pairs_asked()))
