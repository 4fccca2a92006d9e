"""The large case at 1/100: tasks, bytes and memory counted, beside what the plan says.

`python tests/bench/large_case.py [REVIEWS]`. A bench of 1,000 runs of 10,000 frames (25 products, 8
titles, 5 runs) is measured in batches and reviewed 20 times (each product with four rivals), with a
cluster of one that counts what would go over the network: every task and every result is pickled.
Times 100 this is 100,000 runs, 1,000M frames and 2,000 reviews. Not a test.
"""

from __future__ import annotations

import os
import pickle
import sys
import tempfile
from dataclasses import dataclass, replace
from multiprocessing import forkserver
from pathlib import Path
from unittest.mock import patch

import numpy as np
from pairs import ROOT, pairs_asked

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import MadeRun, small_bench, write_bench

import kit.metrics.measuring
import kit.report.season
from kit.bench.runs import RunSheet
from kit.metrics.cluster import BATCH
from kit.metrics.measuring import Reading, measure_runs
from kit.settings.params import load_params

PRODUCTS, TITLES, RUNS, FRAMES, RIVALS, SCALE = 25, 8, 5, 10_000, 4, 100


@dataclass
class Counted:
    """What went to and fro."""

    tasks: int = 0
    sent: int = 0
    returned: int = 0
    largest: int = 0
    busy_s: float = 0.0


def processor_s() -> float:
    """Return the processor time of this process, and of what it or its fork server started."""
    total = sum(os.times()[:4])
    if pid := forkserver._forkserver._forkserver_pid:
        spent = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:15]
        total += sum(map(int, spent)) / os.sysconf("SC_CLK_TCK")
    return total


def counting(counted: Counted):
    """Return a stand-in for `do_on_cluster` that does the work here and counts."""

    def do(function, items, *, address):
        for number, item in enumerate(items):
            sent = pickle.dumps((function, item))
            start = processor_s()
            work, given = pickle.loads(sent)
            result = work(given)
            counted.busy_s += processor_s() - start
            back = pickle.dumps(result)
            counted.tasks += 1
            counted.sent += len(sent)
            counted.returned += len(back)
            counted.largest = max(counted.largest, len(sent), len(back))
            yield number, pickle.loads(back)

    return do


def made_bench():
    """Return the bench: whole 0.1 us, as a log with four decimals of a millisecond has them."""
    rng = np.random.default_rng(12)
    base = small_bench(products=PRODUCTS, titles=TITLES, runs=1)
    runs = []
    for title in range(TITLES):
        for product in range(PRODUCTS):
            for number in range(RUNS):
                ms = (9 + 2 * title) * 1.02**product * np.exp(0.01 * rng.standard_normal())
                drawn = ms * np.exp(0.06 * rng.standard_normal(FRAMES))
                frame_ns = tuple((np.rint(drawn * 1e4).astype(np.int64) * 100).tolist())
                runs.append(
                    MadeRun(
                        run=f"p{product}-t{title}-{number}", product=f"p{product}",
                        title=f"t{title}", frame_ns=frame_ns, session=f"s{number}",
                    )
                )  # fmt: skip
    return replace(base, runs=tuple(runs), prices=())


def shown(number: float) -> str:
    """Return a number with no more digits than it is worth."""
    return f"{number:,.0f}" if number >= 20 or number == int(number) else f"{number:.2g}"


def main(reviews: int) -> None:
    """Count and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        params = write_bench(made_bench(), folder)
        loaded = load_params(params)
        rows = RunSheet(loaded.bench).rows
        stored = sum(p.stat().st_size for p in (loaded.bench.folder / "logs").iterdir())
        logs, whole = Counted(), Counted()
        with patch.object(kit.metrics.measuring, "do_on_cluster", counting(logs)):
            measure_runs(
                rows, loaded.bench, loaded.params, reading=Reading(cluster="tcp://counted")
            )
        text = params.read_text(encoding="utf-8")
        rivals = '"rivals": [' if '"rivals": [' in text else "rivals: ["
        head, _, rest = text.partition(rivals)
        tail = rest.partition("]")[2]
        paths = []
        for number in range(reviews):
            others = ", ".join(f'"p{(number + k) % PRODUCTS}"' for k in range(1, RIVALS + 1))
            changed = f"{head}{rivals}{others}]{tail}"
            changed = changed.replace('product: "p0"', f'product: "p{number % PRODUCTS}"')
            paths.append(folder / f"review-{number}.yaml")
            paths[-1].write_text(changed.replace('review: "made"', f'review: "review-{number}"'))
        with patch.object(kit.report.season, "do_on_cluster", counting(whole)):
            season = kit.report.season.run_reviews(
                paths,
                out_dir=folder / "out",
                options=kit.report.season.RunOptions(reading=Reading(cluster="tcp://counted")),
            )
        if season.exit_status:
            raise SystemExit("\n".join(season.to_lines()))
    assert logs.tasks == -(-len(rows) // BATCH) and whole.tasks == reviews
    print("| | counted | times 100 |\n| --- | --- | --- |")
    per = SCALE * 20 / reviews
    for what, count, unit, scale in (
        ("runs", len(rows), "", SCALE),
        ("frames", len(rows) * FRAMES / 1e6, " million", SCALE),
        ("logs on the shared disk", stored / 1e6, " MB", SCALE),
        ("measuring: tasks", logs.tasks, "", SCALE),
        ("measuring: sent to workers", logs.sent / 1e6, " MB", SCALE),
        ("measuring: sent back", logs.returned / 1e6, " MB", SCALE),
        ("measuring: largest message", logs.largest / 1e6, " MB", 1),
        ("measuring: processor time", logs.busy_s / 60, " min", SCALE),
        ("reviews: tasks", whole.tasks, "", per),
        ("reviews: sent to workers", whole.sent / 1e6, " MB", per),
        ("reviews: sent back", whole.returned / 1e6, " MB", per),
        ("reviews: largest message", whole.largest / 1e6, " MB", 1),
        ("reviews: logs read by workers", reviews * (RIVALS + 1) * TITLES * RUNS, "", per),
        ("reviews: processor time", whole.busy_s / 60, " min", per),
    ):
        print(f"| {what} | {shown(count)}{unit} | {shown(count * scale)}{unit} |")


if __name__ == "__main__":
    main(pairs_asked(20))
