"""P5: 240 logs of 12 columns from the results store, beside pandas reading the column.

`python tests/bench/p05_store.py [PAIRS]`. Every byte of every log is hashed, then its diagnostics and
figures are taken from the store, two logs at once. What bounds it is SHA-256: its time alone is given as a share of
pandas' too. Not a test.
"""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from p04_reading import LAYOUT, make_logs
from pairs import Row, pairs_asked, say, time_pairs

from kit.metrics.measuring import Reading, _do_all, _do_task, _LogSettings, _LogTask
from kit.metrics.store import Store
from kit.settings.params import MetricParams, ScreenParams

GOAL = 0.25


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    screen = ScreenParams()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = make_logs(folder)
        store = Store(folder / "store")
        settings = _LogSettings(
            LAYOUT, screen.caps_hz, screen.cap_width, MetricParams(low="percentile")
        )
        tasks = [_LogTask(p.name, str(p), settings) for p in paths]

        def ours() -> list[object]:
            return _do_all(tasks, Reading(threads=2, store=store))

        def one_thread() -> list[object]:
            return [_do_task(task, store) for task in tasks]

        def peer() -> list[float]:
            return [pd.read_csv(p, usecols=["frame_ms"])["frame_ms"].sum() for p in paths]

        def hash_alone() -> list[bytes]:
            return [hashlib.sha256(p.read_bytes()).digest() for p in paths]

        fresh = [_do_task(task) for task in tasks[:10]]
        assert ours()[:10] == fresh  # and from now on all are in the store
        ratios = time_pairs(ours, peer, pairs)
        hashing = np.median(time_pairs(hash_alone, peer, pairs))
        alone = np.median(time_pairs(one_thread, peer, pairs))
    return Row(
        "P5",
        "the same from the results store (content key checked)",
        "pandas C reading the CSV",
        GOAL,
        ratios,
        note=f"SHA-256 alone {hashing:.2f}; ours in one thread {alone:.2f}",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
