"""P12: `verify` of a sealed review with 30 MB of raw logs, beside hashing and reading alone.

`python tests/bench/p12_verify.py [PAIRS]`. The peer takes the SHA-256 of every file of the bag and
reads the frame-time column of every log once with pyarrow. Both in this process. Not a test.
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
from pathlib import Path

import pyarrow.csv as pa_csv
from pairs import ROOT, Row, pairs_asked, say, time_pairs

sys.path.insert(0, str(ROOT / "tests" / "support"))
from dataclasses import replace

from small_bench import frames, small_bench, write_bench

from kit.archive.sealing import seal
from kit.archive.verifying import verify_bag
from kit.report.report import run_review

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
        files = [path for path in sorted(bag.rglob("*")) if path.is_file()]
        logs = [path for path in files if path.parent.name == "logs"]
        wanted = pa_csv.ConvertOptions(include_columns=["took"])

        def ours() -> None:
            if not verify_bag(bag).ok:
                raise SystemExit("the bag did not verify")

        def peer() -> list[object]:
            return [
                *(hashlib.sha256(path.read_bytes()).digest() for path in files),
                *(pa_csv.read_csv(path, convert_options=wanted).num_rows for path in logs),
            ]

        size = sum(path.stat().st_size for path in logs) / 1e6
        ratios = time_pairs(ours, peer, pairs)
    return Row(
        "P12",
        f"`verify` of a sealed review of {size:.0f} MB raw logs",
        "sha256 of the bag plus reading the logs once with pyarrow",
        GOAL,
        ratios,
        note=f"{len(logs)} logs",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
