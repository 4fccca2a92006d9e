"""Made-up claims for the chart tests: seeded, plain, and as wide or narrow as a test needs.

Names are invented. Nothing here is checked against anything: charts draw what they are given.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from kit.bench.runs import Run, RunRow
from kit.charts.money import value_chart
from kit.charts.rows import (
    classes_chart,
    influence_chart,
    margins_chart,
    prices_chart,
    spread_chart,
    steps_chart,
    titles_chart,
)
from kit.charts.runs import distribution_chart, overlay_chart, run_chart
from kit.charts.style import Chart
from kit.claims.claim import Claim, ClaimBook, Figure, Subject
from kit.logs.read import Log
from kit.review.look_into import _summarise_frames
from kit.rounding import NBSP

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
OUTCOMES = ("ahead", "behind", "level", "unresolved")
AVERAGE, LOW = "average_fps", "low_1pct_fps"


def titles(n: int) -> list[str]:
    return [f"t{i:02d}" for i in range(n)]


def products(n: int) -> list[str]:
    return [f"p{i}" for i in range(n)]


def names(n_titles: int = 12, n_products: int = 8) -> dict[str, str]:
    made = {}
    for i, title in enumerate(titles(n_titles)):
        name = TITLE_NAMES[i % len(TITLE_NAMES)]
        made[title] = name if i < len(TITLE_NAMES) else f"{name} {i // len(TITLE_NAMES) + 1}"
    for i, product in enumerate(products(n_products)):
        made[product] = PRODUCT_NAMES[i % len(PRODUCT_NAMES)]
    return made


def book(
    *claims: Claim,
    product: str = "p0",
    shown: dict[str, str] | None = None,
    locale: str = "en",
    n_titles: int = 30,
    n_products: int = 8,
    **settings: object,
) -> ClaimBook:
    """Return a book of claims; p1 to p3 are rivals, p4 the predecessor, p5 of another class."""
    named = names(n_titles, n_products) | (shown or {})
    rivals = [p for p in ("p1", "p2", "p3") if p != product]
    in_force = {
        "locale": locale,
        "product": product,
        "rivals": rivals,
        "predecessor": "p4",
        "same_name": [{"here": "p0", "there": "p5"}],
        "margins": {"level_band": 0.02, "confidence": 0.95},
        "suites": {},
    } | settings
    return ClaimBook(
        review="made",
        title="Made",
        byline="",
        date="2031-03-01",
        product=product,
        kit_version="0",
        params_file="made.yaml",
        params_sha256="00" * 32,
        settings=in_force,
        layouts={},
        claims=tuple({claim.id: claim for claim in claims}.values()),
        runs=(),
        names={
            "products": {p: named[p] for p in products(n_products)},
            "titles": {t: named[t] for t in titles(n_titles)},
            "classes": dict.fromkeys(products(n_products), "portable")
            | dict.fromkeys(("p5", "p6"), "desk"),
            "metrics": {AVERAGE: "average", LOW: f"1{NBSP}% low", "value": "result"},
            "title_groups": {"all": "all titles", "old": "Old ones", "new": "New ones"},
        },
    )


def cells(
    n_titles: int = 12,
    n_products: int = 6,
    metric: str = AVERAGE,
    seed: int = 1,
    *,
    unit: str = "fps",
    locale: str = "en",
) -> list[Claim]:
    """Return figures of every product in every title, with intervals."""
    rng = np.random.default_rng(seed)
    level = rng.uniform(45, 150, n_titles)
    strength = np.linspace(1.0, 0.72, n_products) * np.exp(rng.normal(0, 0.05, n_products))
    made = []
    for i, title in enumerate(titles(n_titles)):
        for j, product in enumerate(products(n_products)):
            share = 1.0 if metric == AVERAGE else rng.uniform(0.55, 0.85)
            value = level[i] * strength[j] * math.exp(rng.normal(0, 0.05)) * share
            half = 0.0125 * math.exp(rng.normal(0, 0.5))
            made.append(
                cell(
                    product,
                    title,
                    value,
                    value * math.exp(-half),
                    value * math.exp(half),
                    metric=metric,
                    unit=unit,
                    locale=locale,
                )
            )
    return made


def cell(
    product: str,
    title: str,
    value: float,
    low: float | None = None,
    high: float | None = None,
    *,
    metric: str = AVERAGE,
    unit: str = "fps",
    locale: str = "en",
) -> Claim:
    return Claim.make(
        "cell",
        Subject(metric, product, title=title),
        Figure(float(value), low, high, 0.95),
        method="cell-shared",
        unit=unit,
        locale=locale,
    )


def runs_over_mean(n_titles: int = 12, n_products: int = 1, runs: int = 4) -> list[Claim]:
    rng = np.random.default_rng(7)
    return [
        run_over_mean(p, t, float(np.exp(rng.normal(0, 0.01))), f"r{i:02d}{p}{k}")
        for i, t in enumerate(titles(n_titles))
        for p in products(n_products)
        for k in range(runs)
    ]


def run_over_mean(product: str, title: str, ratio: float, run: str) -> Claim:
    about = Subject(AVERAGE, product, title=title, runs=[run])
    return Claim.make("run_over_mean", about, ratio)


def margin(
    product: str,
    baseline: str,
    title: str,
    log_ratio: float,
    log_se: float | None,
    *,
    metric: str = AVERAGE,
    marks: tuple[str, ...] = (),
    band: float = 0.02,
) -> Claim:
    """Return one margin; without a standard error it has no interval."""
    low, high, outcome = None, None, "unresolved"
    if log_se is not None:
        low, high = math.exp(log_ratio - 2 * log_se), math.exp(log_ratio + 2 * log_se)
        ends = [math.exp(log_ratio + s * 1.7 * log_se) for s in (-1, 1)]
        if 1 / (1 + band) <= ends[0] and ends[1] <= 1 + band:
            outcome = "level"
        elif low > 1 or high < 1:
            outcome = "ahead" if low > 1 else "behind"
    ids = [Claim.id_of("cell", metric=metric, title=title, product=p) for p in (product, baseline)]
    return Claim.make(
        "margin",
        Subject(metric, product, baseline, title, inputs=ids, marks=marks),
        Figure(math.exp(log_ratio), low, high, 0.95, outcome),
        method="margin-shared",
    )


def margins(
    n: int = 12, product: str = "p0", baseline: str = "p1", seed: int = 2, centre: float = 0.08
) -> list[Claim]:
    rng = np.random.default_rng(seed)
    made = []
    for i, title in enumerate(titles(n)):
        log_ratio = 0.004 if i == 4 else rng.normal(centre, 0.09)
        log_se = 0.005 if i == 4 else 0.01 * math.exp(rng.normal(0, 0.6))
        marks = ("waived:memory",) if i == 2 else ()
        made.append(margin(product, baseline, title, log_ratio, log_se, marks=marks))
    return made


def suite(
    of: list[Claim], *, group: str = "all", kind: str = "suite", interval: bool = True
) -> list[Claim]:
    """Return the suite margin of some margins, its second interval, counts and influence."""
    logs = np.log([m.figure for m in of])
    n, first = len(of), of[0]
    ses = np.array([math.log(m.high / m.low) / 4 if m.high else 0.01 for m in of])
    ratio, se = float(np.exp(logs.mean())), float(np.sqrt((ses**2).sum()) / n)
    low, high = (ratio * math.exp(s * 2 * se) if interval else None for s in (-1, 1))
    outcome = "unresolved"
    if interval and (low > 1 or high < 1):
        outcome = "ahead" if low > 1 else "behind"
    about = Subject(
        first.metric, first.product, first.baseline, group=group, inputs=[m.id for m in of]
    )
    below = replace(about, inputs=[Claim.id_of("suite", **_about(about))])
    made = [Claim.make(kind, about, Figure(ratio, low, high, 0.95, outcome))]
    if n > 1:
        like = ratio * 0.96, ratio * 1.04
        made.append(Claim.make("suite_like", below, Figure(ratio, *like, 0.95)))
        for m, log in zip(of, logs, strict=True):
            without = float(np.exp((logs.sum() - log) / (n - 1)))
            made.append(Claim.make("influence", replace(below, title=m.title), without))
    for word in OUTCOMES:
        count = sum(m.outcome == word for m in of)
        figure = Figure(count, outcome=word)
        made.append(Claim.make("suite_count", replace(below, part=word), figure))
    return made


def _about(subject: Subject) -> dict[str, str]:
    return {name: getattr(subject, name) for name in ("metric", "product", "baseline", "group")}


PRICES = [1649.0, 1399.0, 1189.0, 1799.0, 949.0, 1290.0, 1010.0, 1500.0]
RATES = [96.4, 90.2, 71.0, 92.0, 66.3, 104.0, 70.0, 80.0]
PLACES = ["dominated", "extendedly_dominated", "extendedly_dominated", "dominated", "on", "on"]
PLACES += ["on", "dominated"]


def value_claims(
    n: int = 6,
    *,
    kind: str = "street",
    weighed: bool = True,
    prices: Iterable[float] = PRICES,
    places: Iterable[str] = PLACES,
    waived: tuple[str, ...] = ("p5",),
    price_marks: tuple[str, ...] = (),
    currency: str = "EUR",
) -> list[Claim]:
    """Return prices, standings and, if weighed, prices of equal value of p0 against the others."""
    made = []

    def money(what, subject, value, unit=currency):
        found = Figure(value, value * 0.94, value * 1.06)
        made.append(Claim.make(what, subject, found, unit=unit))

    prices, places = list(prices), list(places)
    for i, (price, rate) in enumerate(zip(prices[:n], RATES, strict=False)):
        about = Subject(
            product=f"p{i}", group=kind, marks=("waived:memory",) if f"p{i}" in waived else ()
        )
        priced = replace(about, marks=price_marks)
        money("price", priced, price)
        made.append(Claim.make("suite_fps", replace(about, metric=AVERAGE), rate))
        money("cost_per_fps", about, price / rate, f"{currency}/fps")
        words = places[i].replace("_", " ")
        made.append(Claim.state("frontier", words, about, outcome=places[i]))
        if not i or not weighed:
            continue
        pair = Subject(AVERAGE, "p0", f"p{i}", group=kind)
        equal = price * RATES[0] / rate
        money("equal_value_price", pair, equal)
        made.append(Claim.make("cut_needed", pair, max(0.0, 1 - equal / prices[0])))
    return made


def gap(
    here: float,
    there: float,
    *,
    here_old: str = "p4",
    there_old: str = "p6",
    n: int = 6,
    metric: str = AVERAGE,
) -> list[Claim]:
    """Return the gap of p0 here and p5 there, and the two leads it is made of."""

    def side(kind: str, product: str, old: str, centre: float) -> Claim:
        of = [
            margin(product, old, t, centre + 0.01 * (i % 3 - 1), 0.01, metric=metric)
            for i, t in enumerate(titles(n))
        ]
        return suite(of, group="", kind=kind)[0]

    one, other = side("gap_here", "p0", here_old, here), side("gap_there", "p5", there_old, there)
    ratio = one.figure / other.figure
    about = Subject(metric, "p0", "p5", group=here_old, part=there_old, inputs=[one.id, other.id])
    found = Figure(ratio, ratio * 0.985, ratio * 1.015, 0.95)
    return [one, other, Claim.make("gap", about, found)]


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


def steps() -> list[Claim]:
    """Return averages of p0 at three power limits, and each lower one over the highest."""
    levels = {"80": 90.0, "60": 82.0, "45": 71.0}
    made = [
        Claim.make("step_level", Subject(AVERAGE, "p0", group="limit", part=value), fps)
        for value, fps in levels.items()
    ]
    for value in ("60", "45"):
        ratio = levels[value] / 90.0
        about = Subject(AVERAGE, "p0", group="limit", part=f"{value}-over-80")
        found = Figure(ratio, ratio - 0.01, ratio + 0.01, 0.95, "behind")
        made.append(Claim.make("step", about, found))
    return made


def prices_seen() -> list[Claim]:
    """Return prices of two products on three days, one of them twice."""
    return [
        Claim.make(
            "price_seen",
            Subject(product=product, group="street", part=f"2031-0{month}-11/{n}"),
            base - 25.0 * n,
            unit="EUR",
        )
        for product, base in (("p0", 1600.0), ("p1", 1550.0))
        for n, month in enumerate((1, 1, 2, 3), 1)
    ]


def all_charts(
    n_titles: int = 12,
    n_products: int = 6,
    *,
    shown: dict[str, str] | None = None,
    locale: str = "en",
) -> dict[str, Chart]:
    """Return one chart of every kind."""
    whole = suite(margins(n_titles))
    gaps = gap(0.17, 0.31), gap(0.12, 0.13, here_old="p2", there_old="p7")
    made = book(
        *cells(n_titles, n_products, locale=locale),
        *cells(n_titles, n_products, LOW, locale=locale),
        *runs_over_mean(n_titles, n_products),
        *margins(n_titles),
        *whole,
        *value_claims(n_products),
        *gaps[0],
        *gaps[1],
        *steps(),
        *prices_seen(),
        shown=shown,
        locale=locale,
    )
    series = [
        _summarise_frames(
            run(p, name=f"r{i}", seed=i, seconds=20, fps=95 - 9 * i), budgets_hz=(60.0, 120.0)
        )
        for i, p in enumerate(products(min(n_products, 5)))
    ]
    over = [
        _summarise_frames(run(name=f"r{i}", seed=i, seconds=20 - i, fps=90 + 0.4 * i))
        for i in range(5)
    ]
    charts = {
        "titles": titles_chart(made),
        "spread": spread_chart(made),
        "margins": margins_chart(made, whole[0]),
        "value": value_chart(made, "street"),
        "classes": classes_chart(made, [g[-1] for g in gaps]),
        "prices": prices_chart(made, "street"),
        "steps": steps_chart(made, "limit", "p0"),
        "run": run_chart(made, series[0]),
        "distribution": distribution_chart(made, series),
        "overlay": overlay_chart(made, over),
    }
    if n_titles > 1:
        charts["influence"] = influence_chart(made, whole[0])
    return charts
