"""P12: `verify` of a sealed review with 30 MB of raw logs, beside making its page once.

`python tests/bench/p12_verify.py [PAIRS]`. The peer reads and measures the logs and writes every file
of the review's folder once, by the kit's own template. Both in this process. Not a test.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from pairs import ROOT, Row, pairs_asked, say, time_pairs

sys.path.insert(0, str(ROOT / "tests" / "support"))
from dataclasses import replace

from small_bench import frames, small_bench, write_bench

from kit.archive.sealing import seal
from kit.archive.verifying import verify_bag
from kit.report.report import run_review, write_here
from kit.report.template import own_template

GOAL = 1.5
RUNS, FRAMES = 6, 28_000


def long_bench():
    """Return a bench of 3 products x 4 titles x 6 runs whose logs hold about 30 MB."""
    base = small_bench(runs=RUNS)
    runs = [
        replace(run, frame_ns=longer(run.frame_ns, number)) for number, run in enumerate(base.runs)
    ]
    return replace(base, runs=tuple(runs))


def longer(frame_ns: tuple[int, ...], seed: int) -> tuple[int, ...]:
    """Return a long run at the same level."""
    mean_ms = sum(frame_ns) / len(frame_ns) / 1e6
    return frames(seed, ms=mean_ms, count=FRAMES)


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        params = write_bench(long_bench(), folder / "project")
        run_review(params, out_dir=folder / "out", timeout_s=600)
        bag = folder / "bag"
        seal(folder / "out" / "made", to=bag)
        logs = [path for path in bag.rglob("logs/*") if path.is_file()]

        def ours() -> None:
            if verify_bag(bag).grade != "reproduced":
                raise SystemExit("the bag was not reproduced")

        def peer() -> None:
            with tempfile.TemporaryDirectory() as made:
                write_here(own_template("review.ipynb"), params, folder=Path(made))

        size = sum(path.stat().st_size for path in logs) / 1e6
        ratios = time_pairs(ours, peer, pairs)
    return Row(
        "P12",
        f"`verify` of a sealed review of {size:.0f} MB raw logs",
        "reading and measuring its logs and making its page once",
        GOAL,
        ratios,
        note=f"{len(logs)} logs",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
