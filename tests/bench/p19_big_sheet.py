"""P19: a review of 400 runs opened from a run sheet of 100,000 rows, beside pyarrow reading the CSV.

`python tests/bench/p19_big_sheet.py [PAIRS] [ROWS]`. Figures are typed in, so that no log is read: what
is measured is the sheet, each of its rows checked; and the same sheet known from the results store to
be without fault. Its bench has 1,000 products. Not a test.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import pyarrow.csv as pa_csv
from p09_margins import made_bench
from pairs import ROOT, Row, pairs_asked, say, time_pairs

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import write_bench

from kit.metrics.measuring import Reading
from kit.metrics.store import Store
from kit.review.walk import load_review

GOAL = 1.5
ROWS, OPENED, TITLES = 100_000, 400, 20


def big_sheet(folder: Path, rows: int) -> Path:
    """Write a bench of `rows` runs, and params of a review of `OPENED` of them."""
    base = made_bench()
    one = [run for run in base.runs if run.product in {"p0", "p1", "p2", "p3"}][:OPENED]
    others = rows // len(one)
    runs = [
        replace(run, run=f"{run.run}-{n}", product=f"{run.product}-{n}" if n else run.product)
        for n in range(others)
        for run in one
    ]
    names = dict.fromkeys(run.product for run in runs)
    made = replace(
        base,
        runs=tuple(runs),
        products={name: {"name": f"Part {name}", "class": "desk"} for name in names},
    )
    return write_bench(made.with_params(rivals=["p1", "p2", "p3"]), folder)


def measure(pairs: int, rows: int = ROWS) -> list[Row]:
    """Measure and return a row for a sheet never seen, and one for a sheet in the store."""
    with tempfile.TemporaryDirectory() as name:
        params = big_sheet(Path(name), rows)
        sheet = params.parent / "bench" / "runs.csv"
        assert len(load_review(params).rows) == OPENED
        found = []
        for what, reading in (
            ("none seen before", Reading()),
            ("the sheet in the store", Reading(store=Store(Path(name) / "store"))),
        ):
            ratios = time_pairs(
                lambda reading=reading: load_review(params, reading=reading),
                lambda: pa_csv.read_csv(sheet),
                pairs,
                clock=time.process_time,
            )
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            found.append(
                Row(
                    "P19",
                    f"a review of {OPENED} runs opened from a run sheet of {rows:,} rows, {what}",
                    "pyarrow reading the same CSV",
                    GOAL,
                    ratios,
                    note=f"processor time; peak memory {peak:.0f} MB",
                )
            )
    return found


if __name__ == "__main__":
    say(*measure(pairs_asked(), int(sys.argv[2]) if len(sys.argv) > 2 else ROWS))
