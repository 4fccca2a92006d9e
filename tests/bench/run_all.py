"""Every benchmark, one after another, as one table: `python tests/bench/run_all.py [PAIRS]`.

Prints the table of goals P1 to P20 in Markdown, with the machine named below it. Takes about two
hours with 7 pairs on two free processors; P11, P13 and P20 take the longest: P11_PAIRS gives fewer
pairs, P20_REVIEWS fewer reviews. Names of goals after PAIRS measure those alone: `run_all.py 7 P3
P9` (P2 comes with P1). Not a test.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

import p01_run
import p03_help
import p04_reading
import p05_store
import p06_many_runs
import p07_metrics
import p08_bootstrap
import p09_margins
import p10_processes
import p11_season
import p12_verify
import p13_growth
import p14_same_bytes
import p15_what_if
import p16_check
import p17_page
import p18_slides
import p19_big_sheet
import p20_cluster
from pairs import HEAD, Row, machine


def bootstrap_row(pairs: int) -> Row:
    """Return P8, whose own script also prints how far the ends of the intervals move."""
    p08_bootstrap.time_pair(0)
    ratios = tuple(a / b for a, b in map(p08_bootstrap.time_pair, range(1, pairs + 1)))
    cell = p08_bootstrap.made_up_runs(1)
    fast = p08_bootstrap._bootstrap_replicates(cell, block=100, resamples=20_000, seed=1)
    naive = p08_bootstrap.naive_replicates(cell, block=100, resamples=20_000, seed=2)
    shifts = [p08_bootstrap.shift_of_ends(fast[metric], naive[metric]) for metric in fast]
    return Row(
        "P8",
        "block bootstrap diagnostic, product pair, three metrics, B = 2,000",
        "naive numpy, same resampling",
        0.03,
        ratios,
        note=f"interval ends within {max(shifts):.3f} of the width at B = 20,000 (goal 0.03)",
        kept=max(shifts) <= 0.03,
    )


MEASURES: dict[str, Callable[[int], Row | list[Row]]] = {
    "P1": p01_run.measure,
    "P3": p03_help.measure,
    "P4": p04_reading.measure,
    "P5": p05_store.measure,
    "P6": p06_many_runs.measure,
    "P7": p07_metrics.measure,
    "P8": bootstrap_row,
    "P9": p09_margins.measure,
    "P10": p10_processes.measure,
    "P11": lambda pairs: p11_season.measure(int(os.environ.get("P11_PAIRS", pairs))),
    "P12": p12_verify.measure,
    "P13": p13_growth.measure,
    "P14": lambda pairs: p14_same_bytes.measure(20),
    "P15": p15_what_if.measure,
    "P16": p16_check.measure,
    "P17": p17_page.measure,
    "P18": p18_slides.measure,
    "P19": p19_big_sheet.measure,
    "P20": lambda pairs: p20_cluster.measure(1, int(os.environ.get("P20_REVIEWS", 200))),
}


def main(pairs: int, wanted: list[str]) -> None:
    """Measure and print."""
    if unknown := {*wanted} - {*MEASURES}:
        raise SystemExit(f"no {', '.join(sorted(unknown))}; there are {', '.join(MEASURES)}")
    print(HEAD, flush=True)
    for goal_id, measure in MEASURES.items():
        if wanted and goal_id not in wanted:
            continue
        found = measure(pairs)
        for row in found if isinstance(found, list) else [found]:
            print(row.to_line(), flush=True)
    print(f"\n{machine()}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 7, sys.argv[2:])
