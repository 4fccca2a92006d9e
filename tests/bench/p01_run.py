"""P1 and P2: one review as a whole process, cold and with the results store warm.

`python tests/bench/p01_run.py [PAIRS]`. P1: `marginbook run params/demo.yaml --fresh` beside a bare
script that reads the same logs with pandas, takes average and lows with numpy and draws the same
figures, page and export, with the same drawing functions from results kept before: no screening, no
statistics, no claims, no notebook, no page. P2: `marginbook run` after one price was changed, with
the store warm, beside the same cold. Not a test.
"""

from __future__ import annotations

import pickle
import re
import shutil
import sys
import tempfile
from pathlib import Path

from pairs import BIN, ROOT, Row, pairs_asked, run_quietly, say, time_pairs

P1_GOAL, P2_GOAL = 1.0, 0.45
BARE = """
import io, pickle, sys
from pathlib import Path
import numpy as np
import pandas as pd
import pyarrow as pa
from kit.page import outputs, pictures

work = pickle.loads(Path(sys.argv[1]).read_bytes())
for path, layout in work["logs"]:
    frames = layout.frames
    if layout.container == "parquet":
        columns = pd.read_parquet(path)
    else:
        with pa.input_stream(path, compression="detect") as stream:
            text = io.BytesIO(stream.read())
        columns = pd.read_csv(
            text, sep={"tab": "\\t", "space": " "}.get(layout.delimiter, layout.delimiter),
            decimal=layout.decimal, header=0 if layout.header else None, comment=layout.comment,
            skiprows=layout.skip_lines, encoding="utf-8-sig" if layout.encoding == "utf-8" else
            layout.encoding,
        )
    column = columns[frames.column] if isinstance(frames.column, str) else \\
        columns.iloc[:, frames.column - 1]
    values = column.to_numpy(float)
    values = np.diff(values) if frames.holds == "frame_end" else values
    average = 1 / values.mean()
    low = 1 / np.quantile(values, [0.99, 0.999])
charts = pictures.make_charts(work["review"], work["book"])
for made in charts.values():
    pictures.show_charts(made, work["book"])
outputs._write_charts(charts, Path(sys.argv[2]))
"""


def what_to_draw(params: Path) -> bytes:
    """Return results and the places of the logs, for the bare script."""
    from kit.claims.of_pages import make_claims
    from kit.metrics.measuring import PLAIN
    from kit.review.walk import load_review, work_out

    review = load_review(params, reading=PLAIN)
    results = work_out(review)
    bench = review.bench
    logs = [
        (str(bench.folder / row.log), bench.layouts[row.layout])
        for row in review.rows
        if row.produced and row.log
    ]
    book = make_claims(review, results)
    return pickle.dumps({"review": review, "results": results, "book": book, "logs": logs})


def measure(pairs: int) -> list[Row]:
    """Measure and return the two rows."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("params", "example_runs", "notebooks"):
            shutil.copytree(ROOT / part, folder / part)
        params = folder / "params" / "demo.yaml"
        (folder / "bare.py").write_text(BARE)
        (folder / "work.pickle").write_bytes(what_to_draw(params))
        cache = {"MARGINBOOK_CACHE": str(folder / "cache"), "PATH": str(BIN), "HOME": str(folder)}
        prices = folder / "example_runs" / "prices.csv"
        text = prices.read_text(encoding="utf-8")
        (number,) = re.findall(r"^fennock-9-travel,(\d+)", text, re.MULTILINE)[:1]
        changed = iter(range(1, 1000))

        def run(*options: str) -> None:
            run_quietly(
                BIN / "marginbook", "run", params, "--out", folder / "out", *options, env=cache
            )

        def cold() -> None:
            run("--fresh")

        def bare() -> None:
            run_quietly(sys.executable, folder / "bare.py", folder / "work.pickle", folder / "bare")

        def warm() -> None:
            run()

        def another_price() -> None:
            more = int(number) + next(changed)
            prices.write_text(
                text.replace(f"fennock-9-travel,{number}", f"fennock-9-travel,{more}", 1),
                encoding="utf-8",
            )

        first = time_pairs(cold, bare, pairs)
        warm()
        ratios: list[float] = []
        for _ in range(pairs):
            another_price()
            ratios += time_pairs(warm, cold, 1, warm=False)
    return [
        Row("P1", "`marginbook run params/demo.yaml`, cold, whole process",
            "a bare script that reads the same logs and draws the same figures", P1_GOAL, first),
        Row("P2", "the same with results store warm (nothing changed but a price)", "cold",
            P2_GOAL, tuple(ratios)),
    ]  # fmt: skip


if __name__ == "__main__":
    say(*measure(pairs_asked()))
