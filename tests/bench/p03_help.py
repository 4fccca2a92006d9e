"""P3: `marginbook --help` beside `python -c "import numpy"`, each a whole process.

`python tests/bench/p03_help.py [PAIRS]`. Not a test.
"""

from __future__ import annotations

import sys

from pairs import BIN, Row, pairs_asked, run_quietly, say, time_pairs

GOAL = 0.8


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    ratios = time_pairs(
        lambda: run_quietly(BIN / "marginbook", "--help"),
        lambda: run_quietly(sys.executable, "-c", "import numpy"),
        3 * pairs,
    )
    return Row("P3", "`marginbook --help`", '`python -c "import numpy"`', GOAL, ratios)


if __name__ == "__main__":
    say(measure(pairs_asked()))
