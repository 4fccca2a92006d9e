"""P11: a season of 12 warm reviews with `--jobs 2`, beside 12 single warm runs.

`python tests/bench/p11_season.py [PAIRS]`. The demo's review under twelve names, logs and pictures in
the results store. Both are whole processes, all starts counted; one after another each review is a
`marginbook run` of its own. It takes minutes: fewer pairs may be asked for. Not a test.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from pairs import BIN, ROOT, Row, pairs_asked, run_quietly, say, time_pairs

GOAL = 0.3
REVIEWS = 12


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("params", "example_runs", "notebooks"):
            shutil.copytree(ROOT / part, folder / part)
        text = (folder / "params" / "demo.yaml").read_text(encoding="utf-8")
        paths = []
        for number in range(REVIEWS):
            paths.append(folder / "params" / f"demo-{number}.yaml")
            paths[-1].write_text(text.replace("review: demo", f"review: demo-{number}"))

        cache = {**os.environ, "MARGINBOOK_CACHE": str(folder / "cache")}

        def run(*words: object) -> None:
            run_quietly(BIN / "marginbook", "run", *words, "--out", folder / "out", env=cache)

        def singles() -> None:
            for path in paths:
                run(path)

        ratios = time_pairs(lambda: run(*paths, "--jobs", 2), singles, pairs)
    return Row(
        "P11",
        f"a season of {REVIEWS} warm reviews, `--jobs 2`",
        f"{REVIEWS} single warm runs one after another",
        GOAL,
        ratios,
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
