"""How often the nominal 95 % interval holds the truth, world by world.

Not a timed test. `python tests/bench/coverage.py` simulates benches with a fixed seed, takes them
through the library as a review would, prints a table in Markdown and exits with 1 where a figure
is outside its limits. One core, a few minutes.

Truth is "no difference": every product has the same mean in a title. Runs have a standard
deviation of 1 % (median over cells), lognormal from title to title and from product to product.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from kit.margins.cells import make_cells
from kit.margins.compare import Margin, compare_products
from kit.margins.estimate import outcome_of
from kit.margins.replicates import fit_variances
from kit.margins.suites import summarise_suites
from kit.metrics.run_metrics import RunMetrics
from kit.screening.controls import Controls
from kit.settings.bench_file import Title
from kit.settings.params import MarginParams
from kit.trace import Trace

METRIC = "average_fps"
SEED = 20240607
BAND = 0.02  # level band
TRUE_MARGIN = 1.03  # of which "level" must not be said
RUN = Trace("run", "0" * 64, "r")
COVERAGE = (0.940, 0.960)
BASE_WIDTH = 0.78
ERROR_SHARE = 0.05


@dataclass(frozen=True)
class World:
    """How runs vary in one simulated world."""

    name: str
    titles: int = 20
    products: int = 6
    runs: tuple[int, int] = (3, 3)  # least and most per cell
    title_spread: float = 0.5  # of ln(standard deviation)
    product_spread: float = 0.3
    tail_df: float | None = None  # of Student's t; None is normal
    session_sd: float = 0.0  # what a session does to all products of a title alike
    suite_limits: tuple[float, float] = (0.940, 0.965)


WORLDS = (
    World("base"),
    World("spread between products 0.8", product_spread=0.8),
    World("heavy tails (t, 5 df)", tail_df=5),
    World("5 runs", runs=(5, 5)),
    World("2 runs", runs=(2, 2)),
    World("6 titles x 3 products", titles=6, products=3),
    World("spread between titles 1.0, products 0.6", title_spread=1.0, product_spread=0.6),
    World("session effects shared by both sides", session_sd=0.015),
    World("1 to 5 runs", runs=(1, 5)),
    # Beyond what is asked for; its suite margin is a little wide.
    World("3 titles x 2 products", titles=3, products=2, suite_limits=(0.940, 0.975)),
)


@dataclass
class Tally:
    """What was counted in one world; a list per method holds a share per bench."""

    covered: dict[str, list[float]] = field(default_factory=dict)
    half_widths: dict[str, list[float]] = field(default_factory=dict)
    suite: list[float] = field(default_factory=list)
    suite_like: list[float] = field(default_factory=list)
    false_leads: list[float] = field(default_factory=list)
    false_levels: list[float] = field(default_factory=list)
    margins: int = 0


def draw_runs(world: World, rng: np.random.Generator) -> list[RunMetrics]:
    """Return the runs of one bench."""
    shape = (world.titles, world.products)
    log_sd = world.title_spread * rng.standard_normal((world.titles, 1))
    log_sd = log_sd + world.product_spread * rng.standard_normal(shape)
    most = world.runs[1]
    counts = rng.integers(world.runs[0], most + 1, size=shape)
    if world.tail_df is None:
        noise = rng.standard_normal((*shape, most))
    else:
        scale = np.sqrt((world.tail_df - 2) / world.tail_df)  # standard deviation 1
        noise = rng.standard_t(world.tail_df, (*shape, most)) * scale
    sessions = world.session_sd * rng.standard_normal((world.titles, 1, most))
    fps = 80 * np.exp(0.01 * np.exp(log_sd)[:, :, None] * noise + sessions)
    named = world.session_sd > 0
    return [
        RunMetrics(
            run=f"{t}-{p}-{k}",
            product=f"p{p}",
            title=f"t{t}",
            session=f"s{k}" if named else "",
            values={METRIC: float(fps[t, p, k])},
            trace=RUN,
        )
        for t in range(world.titles)
        for p in range(world.products)
        for k in range(int(counts[t, p]))
    ]


def tally_bench(world: World, rng: np.random.Generator, tally: Tally) -> None:
    """Draw one bench and count how its margins and suites do."""
    titles = {f"t{t}": Title(name=f"t{t}") for t in range(world.titles)}
    runs = draw_runs(world, rng)
    variances = {METRIC: fit_variances(runs, metric=METRIC, titles=titles)}
    products = [f"p{p}" for p in range(world.products)]
    for method in ("welch", "auto"):
        params = MarginParams(method=method, confidence=0.95, level_band=BAND, seed=0)
        cells = make_cells(runs, titles, params=params, variances=variances, metric_names=[METRIC])
        margins = [
            margin
            for p, product in enumerate(products[:-1])
            for margin in compare_products(
                cells,
                product=product,
                baselines=products[p + 1 :],
                params=params,
                controls=Controls(tuple((product, other) for other in products[p + 1 :])),
                variances=variances,
            )
        ]
        known = [m for m in margins if m.low is not None]
        tally.covered.setdefault(method, []).append(np.mean([m.low <= 1 <= m.high for m in known]))
        tally.half_widths.setdefault(method, []).extend(m.high / m.ratio - 1 for m in known)
    tally.margins += len(known)
    tally.false_leads.append(np.mean([m.outcome in {"ahead", "behind"} for m in known]))
    tally.false_levels.append(np.mean([level_if_ahead(m) for m in known]))
    suites = summarise_suites(margins, groups={"all": None}, titles=titles, params=params)
    tally.suite.append(np.mean([s.low <= 1 <= s.high for s in suites]))
    tally.suite_like.append(np.mean([s.like_low <= 1 <= s.like_high for s in suites]))


def level_if_ahead(margin: Margin) -> bool:
    """Return whether "level" would be said had the product been ahead by `TRUE_MARGIN`."""
    ends = [
        end * TRUE_MARGIN for end in (margin.low, margin.high, margin.level_low, margin.level_high)
    ]
    return outcome_of(*ends, band=BAND) == "level"


def describe_share(shares: list[float]) -> str:
    """Return a mean share and its standard error; benches are independent, margins are not."""
    return f"{np.mean(shares):.4f} ± {np.std(shares, ddof=1) / np.sqrt(len(shares)):.4f}"


def main() -> int:
    """Simulate every world, print the table, and return 1 where a limit is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=400, help="of 20 titles x 6 products")
    parser.add_argument("--world", default="", help="only worlds whose name holds this")
    args = parser.parse_args()
    print(
        "| world | margins | Welch: coverage / half-width | auto: coverage / half-width "
        "| suite, these titles | suite, titles like these | ahead or behind of ties "
        "| level of 3 % |\n|---|---|---|---|---|---|---|---|"
    )
    faults = []
    started = time.monotonic()
    for world in (w for w in WORLDS if args.world in w.name):
        tally = Tally()
        rng = np.random.default_rng([SEED, WORLDS.index(world)])
        size = world.titles * world.products
        benches = max(2, round(args.benches * min(120 / size, 12)))
        for _ in range(benches):
            tally_bench(world, rng, tally)
        welch, auto = (100 * float(np.median(tally.half_widths[m])) for m in ("welch", "auto"))
        print(
            f"| {world.name} | {tally.margins} "
            f"| {describe_share(tally.covered['welch'])} / {welch:.2f} % "
            f"| {describe_share(tally.covered['auto'])} / {auto:.2f} % "
            f"| {describe_share(tally.suite)} | {describe_share(tally.suite_like)} "
            f"| {describe_share(tally.false_leads)} | {describe_share(tally.false_levels)} |",
            flush=True,
        )
        for what, share, limits in (
            ("coverage", np.mean(tally.covered["auto"]), COVERAGE),
            ("suite coverage", np.mean(tally.suite), world.suite_limits),
            ("ahead or behind of ties", np.mean(tally.false_leads), (0, ERROR_SHARE)),
            ("level of 3 %", np.mean(tally.false_levels), (0, ERROR_SHARE)),
            *(
                [("half-width over Welch's", auto / welch, (0, BASE_WIDTH))]
                if world.name == "base"
                else []
            ),
        ):
            if not limits[0] <= share <= limits[1]:
                faults.append(f"{world.name}: {what} {share:.4f} is outside {limits}")
    print(f"\nSeed {SEED}, {args.benches} benches, {time.monotonic() - started:.0f} s.")
    print("\n".join(faults) or "Every figure is within its limits.")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
