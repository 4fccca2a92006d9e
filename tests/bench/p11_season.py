"""P11: a season of 12 reviews with `--jobs 2`, beside the same one after another.

`python tests/bench/p11_season.py [PAIRS]`. The demo's review under twelve names, `--fresh`. Both
sides are seasons, in which no review has a second process working ahead of it; the ratio is one
after another over two at once, so that larger is better. A season needs minutes: fewer pairs may be
asked for. Not a test.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from pairs import BIN, ROOT, Row, pairs_asked, run_quietly, say, time_pairs

GOAL = 1.7
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

        def season(jobs: int) -> None:
            run_quietly(
                BIN / "marginbook",
                "run",
                *paths,
                "--out",
                folder / "out",
                "--jobs",
                jobs,
                "--fresh",
            )

        ratios = time_pairs(lambda: season(1), lambda: season(2), pairs, warm=False)
    return Row(
        "P11",
        f"a season of {REVIEWS} reviews, `--jobs 2`",
        "the same one after another",
        GOAL,
        ratios,
        at_least=True,
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
