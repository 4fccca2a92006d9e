"""Whether plans keep their promise: power promised against the share of margins resolved.

Not a timed test. `python tests/bench/plans.py` draws benches with seeds of its own, plans each from
a pilot as `marginbook plan` does, makes the runs the plan asks for, computes margins as a review
does, prints one table in Markdown, and exits with 1 where a gate is broken. Promised is 0.80 for the
smallest margin that a plan says its runs resolve; seen must be 0.78 to 0.83. About three minutes.

What is seen is the exact chance that the interval lies above 1, given its width and the true spreads:
of normal runs, means and spreads are independent. The spreads are the planner's to find out.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import ndtr

sys.path.insert(0, str(Path(__file__).parents[2]))

from kit.margins.cells import make_cells
from kit.margins.compare import Margin, compare_products
from kit.margins.replicates import fit_variances
from kit.metrics.run_metrics import RunMetrics
from kit.planning.of_review import _plan_review
from kit.screening.controls import Controls
from kit.settings.bench_file import Title, read_bench
from kit.settings.params import ReviewParams
from kit.trace import Trace

SEED = 20261130  # fresh: nothing was chosen with it
GATE = (0.78, 0.83)
METRIC = "average_fps"
Spread = dict[tuple[str, str], float]


@dataclass(frozen=True)
class World:
    """A bench, and how its runs and sessions vary."""

    name: str
    titles: int = 12
    products: int = 4
    pilot: int = 5
    title_spread: float = 0.15  # of ln(standard deviation)
    cell_spread: float = 0.1
    session_sd: float = 0.0  # of what a session does to all products of a title; 0: no sessions
    gone: int = 0  # products that cannot be run again
    margin: float = 0.025


WORLDS = (
    World("unpaired"),
    World("two products", titles=20, products=2),
    World("unlike titles", title_spread=0.5, cell_spread=0.3),
    World("paired", session_sd=0.01),
    World("paired, two products", titles=20, products=2, session_sd=0.01),
    World("paired, unlike titles", title_spread=0.5, cell_spread=0.3, session_sd=0.01),
    World("a product that cannot be run again", gone=1),
    World("paired, a product that cannot be run again", session_sd=0.01, gone=1),
)


def params_of(world: World, products: list[str]) -> ReviewParams:
    """Return the params of a review with a plan."""
    plan = {"margin": world.margin, "seed": 1, "max_runs": 60, "paired": world.session_sd > 0,
            "cannot_run": products[len(products) - world.gone :]}  # fmt: skip
    return ReviewParams.model_validate({
        "format": "marginbook-params/1", "review": "r", "title": "R", "byline": "B",
        "date": "2026-06-01", "bench": ".", "product": products[0], "rivals": products[1:],
        "controls": [], "metrics": {"low": "percentile"}, "plan": plan,
        "margins": {"method": "auto", "confidence": 0.95, "level_band": 0.0001, "seed": 1},
    })  # fmt: skip


def make_runs(
    draw: np.random.Generator, world: World, sds: Spread, counts: Callable[[str, str], range]
) -> list[RunMetrics]:
    """Return runs without any lead: numbers of `counts`, one a session where there are sessions."""
    moved: dict[tuple[str, int], float] = {}
    made = []
    for (product, title), sd in sds.items():
        for n in counts(product, title):
            shift = moved.setdefault((title, n), float(draw.normal(0, world.session_sd)))
            name = f"{title}-{product}-{n}"
            session = f"s{n}" if world.session_sd else ""
            value = 60 * math.exp(shift + draw.normal(0, sd))
            made.append(RunMetrics(name, product, title, session, {METRIC: value},
                                   Trace("run", "0" * 64, name)))  # fmt: skip
    return made


def chance(margin: Margin, lead: float, world: World, sds: Spread) -> float:
    """Return how often an interval of this width lies above 1 where the true lead is `lead`."""
    half = math.log(margin.ratio / (margin.low or 0.0))
    parts = [
        (sds[c.product, margin.title] ** 2 + (0 if margin.method.startswith("paired")
                                              else world.session_sd**2)) / len(c.runs)
        for c in margin.cells
    ]  # fmt: skip
    return float(ndtr((math.log(lead) - half) / math.sqrt(sum(parts))))


def seen_in(world: World, benches: int, seed: int) -> tuple[float, float, set[str]]:
    """Return the share seen, its standard error over benches, and the methods of the margins."""
    draw = np.random.default_rng([seed, WORLDS.index(world)])
    products = [f"p{i}" for i in range(world.products)]
    titles = [f"t{i}" for i in range(world.titles)]
    lines = ["format: marginbook-bench/1", "name: B", "products:"]
    lines += [f"  {p}: {{name: {p}, class: desk}}" for p in products] + ["titles:"]
    lines += [f"  {t}: {{name: {t}, planned_s: 60}}" for t in titles]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "bench.yaml").write_text("\n".join(lines), encoding="utf-8")
        bench = read_bench(Path(folder))
    params, methods, means = params_of(world, products), set(), []
    for _ in range(benches):
        level = {t: draw.normal(0, world.title_spread) for t in titles}
        sds = {(p, t): 0.01 * math.exp(level[t] + draw.normal(0, world.cell_spread))
               for t in titles for p in products}  # fmt: skip
        there = make_runs(draw, world, sds, lambda p, t: range(world.pilot))
        plan = _plan_review(params, bench, titles=titles, have=dict.fromkeys(sds, world.pilot),
                            variances=fit_variances(there, metric=METRIC))  # fmt: skip
        runs = {(c.product, c.title): c.runs for c in plan.cells}
        more = make_runs(
            draw, world, sds,
            lambda p, t, runs=runs: range(world.pilot, max(world.pilot, runs[p, t])),
        )  # fmt: skip
        variances = {METRIC: fit_variances([*there, *more], metric=METRIC)}
        cells = make_cells([*there, *more], {t: Title(name=t) for t in titles},
                           params=params.margins, variances=variances, metric_names=(METRIC,))  # fmt: skip
        margins = compare_products(
            cells, product=products[0], baselines=products[1:], params=params.margins,
            controls=Controls(tuple((products[0], p) for p in products[1:])), variances=variances,
        )  # fmt: skip
        lead = {(m.baseline, m.title): m.smallest_ratio for m in plan.margins}
        methods |= {m.method for m in margins}
        means.append(np.mean([chance(m, lead[m.baseline, m.title], world, sds) for m in margins]))
    return float(np.mean(means)), float(np.std(means) / math.sqrt(benches)), methods


def main() -> int:
    """Print the table; 1 where a gate is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=24)
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    print("| plan | margins | promised | seen | +- | kept |\n| --- | --- | --- | --- | --- | --- |")
    broken = False
    for world in WORLDS:
        seen, error, methods = seen_in(world, given.benches, given.seed)
        kept = GATE[0] <= seen <= GATE[1]
        broken |= not kept
        print(f"| {world.name} | {', '.join(sorted(methods))} | 0.80 | {seen:.3f} | {error:.3f} | "
              f"{'yes' if kept else 'no'} |", flush=True)  # fmt: skip
    return int(broken)


if __name__ == "__main__":
    sys.exit(main())
