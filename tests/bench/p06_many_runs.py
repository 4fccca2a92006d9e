"""P6: average, 1 % and 0.1 % low per run of 100M frames in Parquet, beside duckdb; and memory.

`python tests/bench/p06_many_runs.py [PAIRS [MILLION_FRAMES]]` writes 10,000 runs of 10,000 frames
into one Parquet file (frame times rounded to 0.1 us, as logs have them), measures them in turns
with duckdb's `group by` and `quantile_cont`, and compares the figures. Peak memory is that of a
process of its own that does nothing else, at 100M and at 1,000M frames (needs 4 GB of disk, for
the time it runs). Not a test.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from pairs import Row, pairs_asked, say, time_pairs

FRAMES, GROUP = 10_000, 100  # frames a run, runs a row group
GOAL, GOAL_MB = 0.5, 200
OURS = """
import json, sys
from pathlib import Path
from kit.metrics.run_metrics import measure_tables
found = list(measure_tables([Path(sys.argv[1])], frame_ms="frame_ms", run="run", low="percentile"))
# Not getrusage: its peak takes over that of the process that started this one.
status = Path("/proc/self/status").read_text()
peak = int(status.split("VmHWM:")[1].split()[0]) / 1024
print(json.dumps({"runs": len(found), "frames": sum(f.frames for f in found), "peak_mb": peak}))
"""
QUERY = """
select run, 1000 * count(*) / sum(frame_ms) as average_fps,
       1000 / quantile_cont(frame_ms, 0.99) as low_1pct_fps,
       1000 / quantile_cont(frame_ms, 0.999) as low_0_1pct_fps
from read_parquet('{}') group by run order by run
"""


def write_runs(path: Path, runs: int) -> None:
    """Write runs below one another, a row group at a time: memory does not grow with them."""
    rng = np.random.default_rng(6)
    schema = pa.schema([("run", pa.int32()), ("frame_ms", pa.float64())])
    with pq.ParquetWriter(path, schema, compression="zstd", compression_level=1) as writer:
        for first in range(0, runs, GROUP):
            count = min(GROUP, runs - first)
            drawn = 10.0 * np.exp(0.08 * rng.standard_normal(count * FRAMES, dtype=np.float32))
            numbers = np.repeat(np.arange(first, first + count, dtype=np.int32), FRAMES)
            table = pa.table([numbers, np.round(drawn.astype(float), 4)], schema=schema)
            writer.write_table(table, row_group_size=count * FRAMES)


def peak_memory(path: Path) -> dict[str, float]:
    """Return what a process of its own measured, and its peak memory in MB."""
    done = subprocess.run(
        [sys.executable, "-c", OURS, str(path)], capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


def measure(pairs: int, *, million: int = 1000) -> Row:
    """Measure and return the row."""
    import duckdb
    import pandas as pd

    from kit.metrics.run_metrics import measure_tables

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "runs.parquet"
        write_runs(path, 10_000)

        def ours():
            made = measure_tables([path], frame_ms="frame_ms", run="run", low="percentile")
            return pd.DataFrame(list(made))

        def peer():
            return duckdb.sql(QUERY.format(path)).df()

        mine, theirs = ours(), peer()
        for name in ("average_fps", "low_1pct_fps", "low_0_1pct_fps"):
            np.testing.assert_allclose(mine[name], theirs[name], rtol=1e-9)
        ratios = time_pairs(ours, peer, pairs, warm=False)
        peaks = {100: peak_memory(path)["peak_mb"]}
        path.unlink()
        if million > 100:
            write_runs(path, million * 100)
            found = peak_memory(path)
            assert found["frames"] == million * 1_000_000
            peaks[million] = found["peak_mb"]
    note = "peak memory " + ", ".join(f"{mb:.0f} MB at {m}M" for m, mb in peaks.items())
    return Row(
        "P6",
        "average, 1 % and 0.1 % low per run of 100M frames in Parquet",
        "duckdb group by with quantiles",
        GOAL,
        ratios,
        note=f"{note} frames (goal {GOAL_MB})",
        kept=all(mb <= GOAL_MB for mb in peaks.values()),
    )


if __name__ == "__main__":
    say(measure(pairs_asked(), million=int(sys.argv[2]) if len(sys.argv) > 2 else 1000))
