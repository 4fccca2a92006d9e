"""P12: `verify` of a sealed review of 30 MB raw logs, beside hashing and reading it once.

`python tests/bench/p12_verify.py [PAIRS]`. The peer takes the SHA-256 of every file of the bag and
reads every column of each log once with pyarrow.csv. Ours does both, and then what verification is
for: every claim made afresh, the page built again, each figure, table and trace compared. Not a
test.
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
from pathlib import Path

import numpy as np
import pyarrow.csv as pacsv
from pairs import ROOT, Row, pairs_asked, say, seconds, time_pairs

sys.path.insert(0, str(ROOT / "tests"))
from sealmaker import BENCH, PARAMS, PRICES, RATES, SCENES, TEXT, run_project

from kit.archive import seal
from kit.claims import load_claims
from kit.recompute import recompute_review
from kit.verify import verify_bag

GOAL = 1.5
RUNS, FRAMES, SENSORS = 6, 5_600, 10


def write_logs(folder: Path) -> Path:
    """Write a review of 54 plain logs of 12 columns, 30 MB in all; return its params file."""
    for name in ("bench/logs", "params", "text"):
        (folder / name).mkdir(parents=True)
    (folder / "bench" / "bench.yaml").write_text(BENCH.replace("planned_s: 3", "planned_s: 30"))
    (folder / "bench" / "prices.csv").write_text(PRICES)
    (folder / "params" / "quill.yaml").write_text(PARAMS)
    (folder / "text" / "quill.md").write_text(TEXT)
    rows = ["run,product,title,layout,log"]
    draw = np.random.default_rng(12)
    heads = ",".join(f"sensor_{n}" for n in range(SENSORS))
    for title, factor in SCENES.items():
        for product, rate in RATES.items():
            for number in range(1, RUNS + 1):
                run = f"{product}-{title}-{number}"
                ms = 1000 / (rate * factor) * np.exp(draw.normal(0, 0.06, FRAMES))
                table = np.column_stack(
                    [np.arange(FRAMES), ms, draw.normal(1000, 300, (FRAMES, SENSORS))]
                )
                path = folder / "bench" / "logs" / f"{run}.csv"
                form = ["%d", "%.4f", *["%.3f"] * SENSORS]
                head = f"frame,took_ms,{heads}"
                np.savetxt(path, table, form, ",", header=head, comments="")
                rows.append(f"{run},{product},{title},plain,logs/{run}.csv")
    (folder / "bench" / "runs.csv").write_text("\n".join(rows) + "\n")
    return folder / "params" / "quill.yaml"


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        review = run_project(folder, write_logs(folder))
        bag = seal(review, to=folder / "bag").path
        logs = sorted((bag / "data" / "bench" / "logs").iterdir())
        size_mb = sum(log.stat().st_size for log in logs) / 1e6

        def ours():
            seen = verify_bag(bag)
            assert seen.ok, seen.findings[:3]

        def peer():
            for path in bag.rglob("*"):
                if path.is_file():
                    with path.open("rb") as stream:
                        hashlib.file_digest(stream, "sha256")
            for log in logs:
                pacsv.read_csv(log)

        ratios = time_pairs(ours, peer, pairs)
        data = bag / "data"
        claims = data / "params" / load_claims(data).params_file
        afresh = min(seconds(lambda: recompute_review(claims, data / "bench")) for _ in range(3))
        base = min(seconds(peer) for _ in range(3))
    return Row(
        "P12",
        f"verify a sealed review, {len(logs)} raw logs of {size_mb:.0f} MB",
        "SHA-256 of the bag plus reading the logs once with pyarrow",
        GOAL,
        ratios,
        note=f"peer {base:.2f} s; claims made afresh alone {afresh / base:.2f} of it",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
