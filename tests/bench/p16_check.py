"""P16: `check` of a bench of 5,000 runs, beside hashing its logs and reading their frame column.

`python tests/bench/p16_check.py [PAIRS] [RUNS OF A CELL]`. 25 products x 20 titles x 10 runs; logs of
12 columns and 1,500 rows. The peer takes SHA-256 of each log and reads one column with pyarrow. Ours
reads, measures and screens them, works out margins and says what is stale, as the command does: as if no
log had been seen before, and with all of them in the results store. Not a test.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
from p04_reading import COLUMNS
from pairs import ROOT, Row, pairs_asked, say, time_pairs

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import small_bench, write_bench

from kit.metrics.measuring import Reading
from kit.metrics.store import Store
from kit.report.check import check_review

GOAL = 1.3
PRODUCTS, TITLES, RUNS, ROWS, BODIES = 25, 20, 10, 1500, 250


def made_project(folder: Path, runs: int) -> tuple[Path, list[Path]]:
    """Write a bench and its params; return the params file and the logs.

    The bodies of the logs are `BODIES` drawn ones, each begun at another row: all differ.
    """
    base = small_bench(products=PRODUCTS, titles=TITLES, runs=runs)
    short = tuple(
        replace(run, frame_ns=(10**7,) * 2, began="", session=f"{run.product}-{run.session}")
        for run in base.runs
    )
    params = write_bench(replace(base, runs=short, prices=()), folder)
    rng = np.random.default_rng(16)
    names = b",".join([b"took", *(b"other_%d" % i for i in range(COLUMNS - 1))])
    bodies = []
    for _ in range(BODIES):
        drawn = rng.gamma(40, 0.4 * np.exp(0.01 * rng.normal()), (ROWS, COLUMNS))
        bodies.append([b",".join(b"%.4f" % value for value in row) for row in drawn])
    logs = sorted(path for path in (folder / "bench" / "logs").rglob("*") if path.is_file())
    for number, path in enumerate(logs):
        body, start = bodies[number % BODIES], number // BODIES
        path.write_bytes(b"\n".join([names, *body[start:], *body[:start], b""]))
    return params, logs


def hash_and_read(paths: list[Path]) -> float:
    """Return the sum of all frame times, every log hashed."""
    wanted = pa_csv.ConvertOptions(include_columns=["took"])
    total = 0.0
    for path in paths:
        data = path.read_bytes()
        hashlib.sha256(data).hexdigest()
        column = pa_csv.read_csv(pa.BufferReader(data), convert_options=wanted).column(0)
        total += float(column.to_numpy().sum())
    return total


def processor() -> float:
    """Return the processor time of this process and of those it has waited for, in seconds."""
    return sum(os.times()[:4])


def measure(pairs: int, runs: int = RUNS) -> list[Row]:
    """Measure and return a row for logs never seen, and one for logs in the store."""
    with tempfile.TemporaryDirectory() as name:
        params, logs = made_project(Path(name), runs)
        store = Store(Path(name) / "store")

        def cold() -> None:
            check_review(params, reading=Reading(jobs=2, threads=2))

        def warm() -> None:
            check_review(params, reading=Reading(jobs=2, threads=2, store=store))

        warm()
        assert check_review(params, reading=Reading(store=store)).used > 0.9 * len(logs)
        return [
            Row(
                "P16",
                f"`check` of {len(logs):,} runs, {what}",
                "hashing and reading their frame column with pyarrow",
                GOAL,
                time_pairs(ours, lambda: hash_and_read(logs), pairs, warm=False, clock=processor),
                note="processor time of all processes",
            )
            for what, ours in (("none seen before", cold), ("all in the store", warm))
        ]


if __name__ == "__main__":
    say(*measure(pairs_asked(), int(sys.argv[2]) if len(sys.argv) > 2 else RUNS))
