"""P15: questions asked of an open review of 20 titles x 12 products x 5 runs, beside pandas.

`python tests/bench/p15_what_if.py [PAIRS]`. The peer is pandas grouping the same run table by product
and title, a mean of each figure. Ours is `what_if` with its results (cells, margins, suites,
standings) of another level band, without a title, and at another price; of one review, which has
been worked out before. Not a test.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pandas as pd
from p09_margins import PRODUCTS, RUNS, TITLES, made_bench
from pairs import ROOT, Row, pairs_asked, say, time_pairs

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import write_bench

import kit

GOAL = 3.0
QUESTIONS = {
    "another level band": {"level_band": 0.05},
    "a title left out": {"without_titles": "t3"},
    "another price": {"prices": {"p1": 450.0}},
}


def measure(pairs: int) -> list[Row]:
    """Measure and return a row a question."""
    prices = tuple(
        (f"p{i}", f"{400 + 20 * i}", "EUR", "street", "2026-11-02", "shop") for i in range(PRODUCTS)
    )
    with tempfile.TemporaryDirectory() as folder:
        review = kit.open_review(write_bench(replace(made_bench(), prices=prices), Path(folder)))
        assert review.results.suites
        table = pd.DataFrame(
            [{"product": m.product, "title": m.title, **m.values} for m in review.review.used]
        )
        assert len(table) == TITLES * PRODUCTS * RUNS

        def peer():
            return table.groupby(["product", "title"]).mean()

        peer()
        return [
            Row(
                "P15",
                f"what_if of {what} with its results",
                "pandas grouping the run table",
                GOAL,
                time_pairs(lambda asked=asked: review.what_if(**asked).results, peer, pairs),
            )
            for what, asked in QUESTIONS.items()
        ]


if __name__ == "__main__":
    for row in measure(pairs_asked()):
        say(row)
