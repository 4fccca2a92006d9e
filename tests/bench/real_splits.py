"""Real runs against themselves: each part split in two, over all splits, and what is called.

`python tests/bench/real_splits.py` reads the measured logs of `tests/data/real_runs` (a shared
server; passes differ by 1 to 32 %), and splits the three passes of every part (thread count) in two,
one and two of them, in every way: a pass for each part, the same in all scenes (27), and a scene's
own pass, the same for all parts (729). Truth is level: every margin called ahead or behind is false.
Prints counts, exits with 1 where more than 5 % of margins are called.
"""

from __future__ import annotations

import csv
import gzip
import sys
from itertools import product as every
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from kit.margins.cells import make_cells
from kit.margins.compare import compare_products
from kit.margins.replicates import fit_variances
from kit.margins.suites import summarise_suites
from kit.metrics.run_metrics import RunMetrics
from kit.screening.controls import Controls
from kit.settings.bench_file import Title
from kit.settings.params import MarginParams
from kit.trace import Trace

DATA = Path(__file__).parents[1] / "data" / "real_runs"
METRIC = "average_fps"
PARAMS = MarginParams(method="auto", confidence=0.95, level_band=0.02, family="holm", seed=0)


def read_averages() -> dict[tuple[str, str, str], float]:
    """Return the average of every pass, frames over seconds, by scene, part and pass."""
    found = {}
    with (DATA / "index.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            path = DATA / row["file"]
            if row["threads"] == "4":
                ms = np.loadtxt(path, delimiter=",", skiprows=1)[:, 1]
            elif row["threads"] == "8":
                text = path.read_text(encoding="utf-8-sig").replace(",", ".")
                lines = [line for line in text.splitlines() if line and line[0].isdigit()]
                ms = np.diff([float(line.split(";")[1]) for line in lines]) * 1000
            else:
                ms = np.array(gzip.decompress(path.read_bytes()).split(), dtype=float) / 1000
            found[row["scene"], row["threads"], row["run"]] = float(1000 * ms.size / ms.sum())
    return found


def count_called(averages: dict, alone: dict, *, sessions: bool) -> np.ndarray:
    """Return margins, margins called, suites, suites called of one split."""
    runs = [
        RunMetrics(
            run=f"{scene}-{part}-{number}",
            product=f"{part}{'a' if alone[scene, part] == number else 'b'}",
            title=scene,
            session=number if sessions else "",
            values={METRIC: value},
            trace=Trace("run", "0" * 64, f"{scene}-{part}-{number}"),
        )
        for (scene, part, number), value in averages.items()
    ]
    titles = {scene: Title(name=scene) for scene, _, _ in averages}
    shared = {METRIC: fit_variances(runs, metric=METRIC, titles=titles)}
    cells = make_cells(runs, titles, params=PARAMS, variances=shared, metric_names=[METRIC])
    margins = [
        margin
        for part in dict.fromkeys(part for _, part, _ in averages)
        for margin in compare_products(
            cells,
            product=f"{part}a",
            baselines=[f"{part}b"],
            params=PARAMS,
            controls=Controls(((f"{part}a", f"{part}b"),)),
            variances=shared,
        )
    ]
    suites = summarise_suites(
        margins, groups={"all": None}, titles=titles, params=PARAMS, cells=cells
    )
    called = [
        sum(one.outcome in {"ahead", "behind"} for one in several) for several in (margins, suites)
    ]
    return np.array([len(margins), called[0], len(suites), called[1]])


def main() -> int:
    """Count over all splits, print, and return 1 where too many margins are called."""
    averages = read_averages()
    scenes = list(dict.fromkeys(scene for scene, _, _ in averages))
    parts = list(dict.fromkeys(part for _, part, _ in averages))
    numbers = list(dict.fromkeys(number for _, _, number in averages))
    print("| splits | margins | called | suites | called |\n|---|---|---|---|---|")
    faults = 0
    for name, by_scene in (("a pass of each part", False), ("a pass of each scene", True)):
        total = np.zeros(4, dtype=int)
        for chosen in every(numbers, repeat=len(scenes if by_scene else parts)):
            place = dict(zip(scenes if by_scene else parts, chosen, strict=True))
            alone = {(s, p): place[s if by_scene else p] for s in scenes for p in parts}
            total += count_called(averages, alone, sessions=True)
        shares = [
            f"{n} ({100 * n / of:.1f} %)" for n, of in ((total[1], total[0]), (total[3], total[2]))
        ]
        print(f"| {name} | {total[0]} | {shares[0]} | {total[2]} | {shares[1]} |", flush=True)
        faults += total[1] > 0.05 * total[0]
    print("At most 5 % of margins are called." if not faults else "More than 5 % are called.")
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main())
