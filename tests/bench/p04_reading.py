"""P4: reading one column of logs, hashed on the way, beside pyarrow.csv without a hash.

`python tests/bench/p04_reading.py [PAIRS]` makes 240 logs of 12 columns and 7,000 rows, reads them
interleaved, and prints the ratio of times (goal 1.10) as median, minimum and maximum over pairs:
two logs at once, which is how the kit reads a bench, and in the note one log after another. What
bounds the latter is SHA-256, whose time alone is printed as a share of the peer's; handing half a
megabyte to a second thread takes as long as its hash. Not a test.
"""

from __future__ import annotations

import hashlib
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyarrow.csv as pa_csv
from pairs import Row, pairs_asked, say, seconds

from kit.logs.read import read_log
from kit.settings.bench_file import Layout

LOGS, ROWS, COLUMNS, GOAL = 240, 7000, 12, 1.0
LAYOUT = Layout(frames={"column": "frame_ms", "holds": "frame_time", "unit": "ms"})


def make_logs(folder: Path) -> list[Path]:
    """Write the logs: frame times and eleven other columns, four decimals each."""
    rng = np.random.default_rng(4)
    header = ",".join(["frame_ms", *(f"other_{i}" for i in range(COLUMNS - 1))])
    paths = []
    for number in range(LOGS):
        paths.append(folder / f"{number}.csv")
        values = rng.gamma(40, 0.4, (ROWS, COLUMNS))
        np.savetxt(paths[-1], values, fmt="%.4f", delimiter=",", header=header, comments="")
    return paths


def read_ours(path: Path) -> float:
    """Read with hash, through the layout."""
    return float(read_log(path, LAYOUT, file=path.name).frame_ms.sum())


def read_peer(path: Path) -> float:
    """Read the same column with pyarrow, without a hash."""
    wanted = pa_csv.ConvertOptions(include_columns=["frame_ms"])
    return float(pa_csv.read_csv(path, convert_options=wanted).column(0).to_numpy().sum())


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(2) as pool:
        paths = make_logs(Path(folder))
        assert [read_ours(p) for p in paths[:5]] == [read_peer(p) for p in paths[:5]]
        works = {
            "peer": lambda: [read_peer(path) for path in paths],
            "ours": lambda: [read_ours(path) for path in paths],
            "two at once": lambda: list(pool.map(read_ours, paths)),
            "hash alone": lambda: [hashlib.sha256(p.read_bytes()).digest() for p in paths],
        }
        times = {name: [] for name in works}
        for _ in range(pairs):
            for name, work in works.items():
                times[name].append(seconds(work))
    ratios = {name: np.array(times[name]) / np.array(times["peer"]) for name in works}
    return Row(
        "P4",
        f"hash-verified read of the frame-time column, {LOGS} logs of {COLUMNS} columns",
        "pyarrow.csv, same column, no hash",
        GOAL,
        tuple(ratios["two at once"]),
        note=f"one log after another {np.median(ratios['ours']):.2f}; SHA-256 alone "
        f"{np.median(ratios['hash alone']):.2f}",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
