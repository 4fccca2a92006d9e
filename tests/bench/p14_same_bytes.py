"""P14: how many different reports and claims 20 executions of the demo give.

`python tests/bench/p14_same_bytes.py [EXECUTIONS]`. With and without the store, a second process
working ahead, and a folder of another name, in turns. 20 alike still allow a rate of differing of
up to 14 % (95 %, exact binomial: 1 - 0.05 ** (1 / 20)). Not a test.
"""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path

from pairs import BIN, ROOT, Row, pairs_asked, run_quietly, say

OPTIONS = ((), ("--fresh",), ("--fresh", "--no-ahead"), ("--no-ahead",))


def measure(executions: int) -> Row:
    """Execute and return the row."""
    found = {"report.html": set(), "claims.json": set()}
    with tempfile.TemporaryDirectory() as name:
        cache = {"MARGINBOOK_CACHE": f"{name}/cache", "PATH": str(BIN), "HOME": name}
        for number in range(executions):
            out = Path(name) / f"out-{number % 3}"
            options = OPTIONS[number % len(OPTIONS)]
            run_quietly(
                BIN / "marginbook", "run", ROOT / "params" / "demo.yaml", "--out", out, *options,
                env=cache,
            )  # fmt: skip
            for file, digests in found.items():
                digests.add(hashlib.sha256((out / "demo" / file).read_bytes()).hexdigest())
    return Row(
        "P14",
        f"distinct SHA-256 of report and claims in {executions} executions",
        "1",
        1,
        (float(max(len(digests) for digests in found.values())),),
        note="store, second process and folder varied",
    )


if __name__ == "__main__":
    say(measure(pairs_asked(20)))
