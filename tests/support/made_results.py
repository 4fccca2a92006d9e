"""Made-up results for the chart tests: seeded, plain, and as wide or narrow as a test needs.

Names are invented. Nothing here is checked against anything: charts draw what they are given.
"""

from __future__ import annotations

import datetime as dt
import math

import numpy as np

from kit.bench.runs import Run, RunRow
from kit.charts.classes import draw_classes
from kit.charts.distribution import draw_distribution
from kit.charts.influence import draw_influence
from kit.charts.margins import draw_margins
from kit.charts.money import draw_value
from kit.charts.overlay import draw_overlay
from kit.charts.runs import draw_run
from kit.charts.spread import draw_spread
from kit.charts.style import Chart
from kit.charts.titles import draw_titles
from kit.logs.read import Log
from kit.margins.cells import Cell
from kit.margins.compare import Margin
from kit.margins.consistency import NameGap
from kit.margins.suites import SuiteMargin
from kit.metrics.series import summarise_frames
from kit.trace import Trace
from kit.value.prices_in_force import Price
from kit.value.weigh import PriceRow, Standing, Weighing

LEAF = Trace("run", "00" * 32, "r0001")
TITLE_NAMES = [
    "Salt Dunes",
    "Harbour at Night",
    "Paper Forest",
    "Clockmaker's Yard",
    "Low Tide",
    "Glasshouse",
    "Granary Road",
    "Ninth Lantern",
    "Windmill Race",
    "Quarry Fields",
    "Tin Orchestra",
    "Cold Kiln",
]
PRODUCT_NAMES = ["Marlow 14", "Tessel 14", "Orrin 13 Plus", "Veyra 15", "Marlow 12", "Marlow Desk"]


def titles(n: int) -> list[str]:
    return [f"t{i:02d}" for i in range(n)]


def products(n: int) -> list[str]:
    return [f"p{i}" for i in range(n)]


def names(n_titles: int = 12, n_products: int = 6) -> dict[str, str]:
    made = {}
    for i, title in enumerate(titles(n_titles)):
        name = TITLE_NAMES[i % len(TITLE_NAMES)]
        made[title] = name if i < len(TITLE_NAMES) else f"{name} {i // len(TITLE_NAMES) + 1}"
    for i, product in enumerate(products(n_products)):
        made[product] = PRODUCT_NAMES[i % len(PRODUCT_NAMES)]
    return made


def cells(
    n_titles: int = 12,
    n_products: int = 6,
    metric: str = "average_fps",
    seed: int = 1,
    runs: int = 4,
) -> list[Cell]:
    rng = np.random.default_rng(seed)
    level = rng.uniform(45, 150, n_titles)
    strength = np.linspace(1.0, 0.72, n_products) * np.exp(rng.normal(0, 0.05, n_products))
    made = []
    for i, title in enumerate(titles(n_titles)):
        for j, product in enumerate(products(n_products)):
            centre = level[i] * strength[j] * math.exp(rng.normal(0, 0.05))
            spread = 0.01 * math.exp(rng.normal(0, 0.5))
            share = 1.0 if metric == "average_fps" else rng.uniform(0.55, 0.85)
            values = centre * share * np.exp(rng.normal(0, spread, runs))
            value = float(np.exp(np.log(values).mean()))
            half = 2.5 * spread / math.sqrt(runs)
            made.append(
                Cell(
                    product=product,
                    title=title,
                    metric=metric,
                    unit="fps",
                    less_is_better=False,
                    runs=tuple(f"r{i:02d}{j}{k}" for k in range(runs)),
                    sessions=("a",) * runs,
                    values=tuple(float(v) for v in values),
                    value=value,
                    low=value * math.exp(-half),
                    high=value * math.exp(half),
                    confidence=0.95,
                    method="shared",
                    marks=(),
                    trace=LEAF,
                )
            )
    return made


def margin(
    product: str,
    baseline: str,
    title: str,
    log_ratio: float,
    log_se: float,
    *,
    metric: str = "average_fps",
    marks: tuple[str, ...] = (),
    band: float = 0.02,
) -> Margin:
    low, high = math.exp(log_ratio - 2 * log_se), math.exp(log_ratio + 2 * log_se)
    level_low, level_high = (math.exp(log_ratio + s * 1.7 * log_se) for s in (-1, 1))
    outcome = "unresolved"
    if 1 / (1 + band) <= level_low and level_high <= 1 + band:
        outcome = "level"
    elif low > 1:
        outcome = "ahead"
    elif high < 1:
        outcome = "behind"
    cell = Cell(
        product=product, title=title, metric=metric, unit="fps", less_is_better=False,
        runs=(), sessions=(), values=(), value=1.0, low=None, high=None, confidence=0.95,
        method="shared", marks=(), trace=LEAF,
    )  # fmt: skip
    return Margin(
        product=product,
        baseline=baseline,
        title=title,
        metric=metric,
        value=math.exp(log_ratio),
        low=low,
        high=high,
        level_low=level_low,
        level_high=level_high,
        confidence=0.95,
        outcome=outcome,
        method="shared",
        log_se=log_se,
        df=None,
        p_value=0.01,
        p_adjusted=0.02,
        cells=(cell, cell),
        marks=marks,
        trace=LEAF,
    )


def margins(
    n: int = 12, product: str = "p0", baseline: str = "p1", seed: int = 2, centre: float = 0.08
) -> list[Margin]:
    rng = np.random.default_rng(seed)
    made = []
    for i, title in enumerate(titles(n)):
        log_ratio = 0.004 if i == 4 else rng.normal(centre, 0.09)
        log_se = 0.005 if i == 4 else 0.01 * math.exp(rng.normal(0, 0.6))
        made.append(
            margin(
                product,
                baseline,
                title,
                log_ratio,
                log_se,
                marks=("waived:memory",) if i == 2 else (),
            )
        )
    return made


def suite(of: list[Margin]) -> SuiteMargin:
    logs = np.log([m.ratio for m in of])
    ses = np.array([m.log_se for m in of])
    n = len(of)
    ratio, se = float(np.exp(logs.mean())), float(np.sqrt((ses**2).sum()) / n)
    counts = {
        o: sum(m.outcome == o for m in of) for o in ("ahead", "behind", "level", "unresolved")
    }
    smallest, largest = min(of, key=lambda m: m.ratio), max(of, key=lambda m: m.ratio)
    influence = (
        {}
        if n == 1
        else {m.title: float(np.exp((logs.sum() - math.log(m.ratio)) / (n - 1))) for m in of}
    )
    low, high = ratio * math.exp(-2 * se), ratio * math.exp(2 * se)
    return SuiteMargin(
        suite="all",
        product=of[0].product,
        baseline=of[0].baseline,
        metric=of[0].metric,
        titles=tuple(m.title for m in of),
        weights=(1 / n,) * n,
        value=ratio,
        low=low,
        high=high,
        level_low=low,
        level_high=high,
        like_low=ratio * 0.96 if n > 1 else None,
        like_high=ratio * 1.04 if n > 1 else None,
        confidence=0.95,
        outcome="ahead" if low > 1 else "behind" if high < 1 else "unresolved",
        smallest=smallest.ratio,
        smallest_title=smallest.title,
        largest=largest.ratio,
        largest_title=largest.title,
        counts=counts,
        log_se=se,
        df=None,
        influence=influence,
        every_title=None,
        left_out={},
        margins=tuple(of),
        marks=(),
        trace=LEAF,
    )


def price(product: str, middle: float, *, kind: str = "street", spread: float = 0.06) -> Price:
    rows = tuple(
        PriceRow(product, middle * (1 + s), "EUR", kind, dt.date(2031, 3, d + 1), f"shop {d}")
        for d, s in enumerate((-spread, 0.0, spread))
    )
    return Price(product, kind, "EUR", middle, middle * (1 - spread), middle * (1 + spread), rows)


def value_results(n: int = 6) -> tuple[list[Standing], list[Weighing]]:
    middles = [1649.0, 1399.0, 1189.0, 1799.0, 949.0, 1290.0, 1010.0, 1500.0][:n]
    fps = [96.4, 90.2, 71.0, 92.0, 66.3, 104.0, 70.0, 80.0][:n]
    places = [
        "dominated",
        "extendedly_dominated",
        "extendedly_dominated",
        "dominated",
        "on",
        "on",
        "on",
        "dominated",
    ][:n]
    standings = [
        Standing(
            f"p{i}",
            "street",
            price(f"p{i}", m),
            f,
            m / f,
            m * 0.94 / f,
            m * 1.06 / f,
            w,
            (),
            ("waived:memory",) if i == 5 else (),
            LEAF,
        )
        for i, (m, f, w) in enumerate(zip(middles, fps, places, strict=True))
    ]
    weighings = []
    for i in range(1, n):
        uplift, equal = fps[0] / fps[i], middles[i] * fps[0] / fps[i]
        weighings.append(
            Weighing(
                "p0",
                f"p{i}",
                "street",
                standings[0].price,
                standings[i].price,
                middles[0] / middles[i],
                0.9 * middles[0] / middles[i],
                1.1 * middles[0] / middles[i],
                uplift,
                uplift * 0.98,
                uplift * 1.02,
                equal,
                equal * 0.94,
                equal * 1.06,
                max(0.0, 1 - equal / middles[0]),
                (),
                LEAF,
            )
        )
    return standings, weighings


def gap(
    here: float, there: float, *, here_old: str = "p4", there_old: str = "p6", n: int = 6
) -> NameGap:
    def side(product: str, old: str, centre: float) -> SuiteMargin:
        return suite(
            [
                margin(product, old, t, centre + 0.01 * (i % 3 - 1), 0.01)
                for i, t in enumerate(titles(n))
            ]
        )

    one, other = side("p0", here_old, here), side("p5", there_old, there)
    ratio = one.ratio / other.ratio
    return NameGap(
        product="p0", baseline="p5", metric="average_fps", titles=one.titles, here=one, there=other,
        value=ratio, low=ratio * 0.985, high=ratio * 1.015, confidence=0.95, marks=(), trace=LEAF,
    )  # fmt: skip


def run(
    product: str = "p0",
    title: str = "t00",
    *,
    seconds: float = 60.0,
    fps: float = 90.0,
    seed: int = 5,
    hot: bool = True,
    name: str = "r0001",
    sensors: bool = True,
) -> Run:
    """Return a run with dependent frame times, stutters and, if hot, a clock that sinks."""
    rng = np.random.default_rng(seed)
    n = int(seconds * fps)
    noise = np.empty(n)
    noise[0] = 0.0
    steps = rng.normal(0, 0.03, n)
    for i in range(1, n):
        noise[i] = 0.9 * noise[i - 1] + steps[i]
    share = np.linspace(0, 1, n)
    sink = 0.08 / (1 + np.exp(-12 * (share - 0.45))) if hot else np.zeros(n)
    frame_ms = 1000 / fps * (1 + sink) * np.exp(noise)
    frame_ms[rng.integers(0, n, 12)] *= rng.uniform(2, 5, 12)
    columns = (
        {}
        if not sensors
        else {
            "clock_mhz": 1900 * (1 - sink) + rng.normal(0, 8, n),
            "temperature_c": 62 + 24 * (1 - np.exp(-4 * share)) + rng.normal(0, 0.3, n),
            "power_w": np.where(
                rng.random(n) < 0.02, np.nan, 96 - 60 * sink + rng.normal(0, 1.5, n)
            ),
        }
    )
    log = Log(f"logs/{name}.csv", "ab" * 32, 1000, frame_ms, columns, 0.001)
    return Run(RunRow(name, product, title, log=log.file), log)


def all_charts(
    n_titles: int = 12,
    n_products: int = 6,
    *,
    shown: dict[str, str] | None = None,
    locale: str = "en",
) -> dict[str, Chart]:
    """Return one chart of every kind."""
    named = names(n_titles, max(n_products, 7)) | (shown or {})
    averages = cells(n_titles, n_products)
    lows = cells(n_titles, n_products, "low_1pct_fps")
    of = margins(n_titles)
    standings, weighings = value_results(n_products)
    budgets = (60.0, 120.0)
    series = [
        summarise_frames(
            run(p, name=f"r{i}", seed=i, seconds=20, fps=95 - 9 * i), budgets_hz=budgets
        )
        for i, p in enumerate(products(min(n_products, 5)))
    ]
    how = {"names": named, "locale": locale}
    made = {
        "titles": draw_titles(averages, lows, product="p0", suites=[suite(of)], **how),
        "spread": draw_spread(averages, product="p0", **how),
        "margins": draw_margins(of, suite(of), level_band=0.02, **how),
        "value": draw_value(standings, weighings, product="p0", **how),
        "classes": draw_classes(
            [gap(0.17, 0.31), gap(0.12, 0.13, here_old="p2")], classes=("desk", "portable"), **how
        ),
        "run": draw_run(series[0], **how),
        "distribution": draw_distribution(series, **how),
        "overlay": draw_overlay(
            [
                summarise_frames(run(name=f"r{i}", seed=i, seconds=20 - i, fps=90 + 0.4 * i))
                for i in range(5)
            ],
            **how,
        ),
    }
    if n_titles > 1:
        made["influence"] = draw_influence(suite(of), **how)
    return made
