"""P10: 2,400 logs of 12 columns read and measured by two processes, beside one.

`python tests/bench/p10_processes.py [PAIRS]`. 240 logs of 7,000 rows, each under ten names. One
process already hashes in a second thread while it parses. The ratio is one process over two, so
that larger is better. Not a test.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import numpy as np
from p04_reading import LAYOUT, make_logs
from pairs import Row, pairs_asked, say, time_pairs

from kit.metrics.measuring import Reading, _do_all, _LogSettings, _LogTask
from kit.settings.params import MetricParams, ScreenParams

GOAL = 1.8
NAMES = 10


def make_tasks(folder: Path) -> list[_LogTask]:
    """Write the logs, give each ten names, and return a task for each name."""
    screen, metrics = ScreenParams(), MetricParams(low="percentile")
    settings = _LogSettings(LAYOUT, screen.caps_hz, screen.cap_width, metrics)
    tasks = []
    for path in make_logs(folder):
        for number in range(NAMES):
            name = folder / f"{path.stem}-{number}.csv"
            os.link(path, name)
            tasks.append(_LogTask(name.name, str(name), settings))
    return tasks


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as name:
        tasks = make_tasks(Path(name))
        assert _do_all(tasks[:400], Reading(jobs=2)) == _do_all(tasks[:400], Reading())
        ratios = time_pairs(
            lambda: _do_all(tasks, Reading()),
            lambda: _do_all(tasks, Reading(jobs=2)),
            pairs,
            warm=False,
        )
        cluster = np.median(
            time_pairs(
                lambda: _do_all(tasks, Reading()),
                lambda: _do_all(tasks, Reading(cluster="local:2")),
                min(pairs, 3),
                warm=False,
            )
        )
    return Row(
        "P10",
        f"two workers, {len(tasks):,} logs of 12 columns",
        "one-process loop",
        GOAL,
        ratios,
        at_least=True,
        note=f"processes, their start counted; a Dask cluster of two, its start counted: "
        f"{cluster:.2f}",
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
