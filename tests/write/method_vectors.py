"""The test vectors of the methods: inputs, and what the kit gives for them.

Outputs that are published or follow in closed form are written out here with their source; all
others are this kit's own and labelled so. tests/top/test_methods.py holds every one against a second
version that does not use the kit.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from made_runs import METRIC, cells_of, compared, framed, made_runs, margin_params

from kit.bench.prices import PriceRow
from kit.bench.runs import Run, RunRow
from kit.logs.read import Log
from kit.margins.cells import (
    BY_FIGURES,
    Cell,
    compare_within,
    make_cells,
    outcome_of,
    side_of,
)
from kit.margins.compare import Margin, compare_levels, compare_products
from kit.margins.consistency import _name_gap, check_closure
from kit.margins.drift import PartMargin, compare_parts
from kit.margins.energy import Load, compare_energy, weigh_energy
from kit.margins.replicates import SharedVariances, fit_variances
from kit.margins.suites import SuiteMargin, summarise_titles
from kit.methods import METHODS
from kit.metrics.blocks import RunBlocks, measure_blocks, share_within
from kit.metrics.measuring import _cut_to
from kit.metrics.run_metrics import (
    RunDiagnostics,
    RunMetrics,
    _energy_per_frame,
    _time_over_budget,
    _under_load,
    find_hitches,
)
from kit.planning.runs_needed import CellSeen, _CellTime, _rank_titles, plan_runs
from kit.review.health import _bench_components, _measure_repeatability
from kit.review.look_into import _summarise_frames
from kit.rounding import Rounded
from kit.screening.controls import Controls
from kit.settings.bench_file import Title
from kit.settings.metric import METRICS, tail_shares
from kit.settings.params import MarginParams, PlanParams, ReviewParams, ValueParams
from kit.stats.crossed_variance import Mixture, _parted_means
from kit.stats.intervals import adjust_p_values, sign_test, spread_over_titles, t_ends
from kit.stats.power import MarginDesign, borrowed_degrees
from kit.stats.series import LagProfile, SensorLag, low_fps
from kit.stats.suite_errors import DayPosterior, ErrorSum, false_sign_rates
from kit.trace import Trace
from kit.value.weigh import find_frontier, weigh_products

OWN = "printed by this kit"
PRACTICE = "common practice, in closed form"
CONFIDENCE = 0.95

# Frame times with a slow tail: 200 frames in a fixed pattern; and 600 for what needs more.
FRAMES_MS = [
    round(8 + 0.01 * ((7 * n) % 23) + (17.5 if n % 41 == 40 else 0), 2) for n in range(200)
]
LONG_MS = [
    round(10 + 2 * math.sin(n / 19) + 0.1 * ((11 * n) % 17) + (9 if n % 97 == 60 else 0), 2)
    for n in range(600)
]
# Tests of a statistics library ("clinic", from an R package for equivalence tests); results of
# the t test on the logarithms by scipy: reference-checks M3.
CLINIC_A = [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16,
            3.84]  # fmt: skip
CLINIC_B = [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31,
            3.02]  # fmt: skip
# ISO 5725-2:1994, annex B, example 1, level 1: sulfur in coal, eight laboratories (inputs from
# memory; the results follow from them by arithmetic and print as in the standard: 0.015, 0.026).
SULFUR = [
    [.71, .71, .70, .71], [.69, .67, .68], [.66, .65, .69], [.67, .65, .66],
    [.70, .69, .66, .71, .69], [.73, .74, .73], [.71, .71, .69], [.70, .65, .68],
]  # fmt: skip
SULFUR_SR, SULFUR_S_R = 0.0151165066, 0.0263637921
# Y. Benjamini and Y. Hochberg (1995), JRSS B 57, 289-300, worked example; adjusted values by
# statsmodels, scipy and R: reference-checks C1.
P_VALUES = [.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719,
            .6528, .7590, 1.0]  # fmt: skip
ADJUSTED = {
    "holm": [.0015, .0056, .0247, .114, .2211, .278, .278, .278, .3213, 1, 1, 1, 1, 1, 1],
    "benjamini_hochberg": [
        .0015, .003, .0095, .035625, .0603, .0638571429, .0638571429, .0645, .0765, .486,
        .5811818182, .714875, .7532307692, .8132142857, 1,
    ],
}  # fmt: skip

Runs = dict[str, dict[str, list[float]]]
# Three titles, four products, three runs (one has two, one a single run): figures of our own.
RUNS: Runs = {
    "kettle": {
        "quill": [60.1, 60.9, 60.4], "wren": [55.0, 54.6, 55.3], "finch": [41.0, 42.2, 41.5],
        "gull": [38.0, 38.3, 37.7],
    },
    "harbour": {
        "quill": [91.0, 90.2, 91.9], "wren": [88.1, 88.3, 88.9], "finch": [70.2, 70.0, 69.1],
        "gull": [61.5, 62.4, 61.9],
    },
    "attic": {
        "quill": [120.3, 118.8], "wren": [101.7, 103.1, 102.2], "finch": [99.0, 98.2, 99.9],
        "gull": [84.4],
    },
}  # fmt: skip
SESSIONS = ["mon", "tue", "wed"]
PAIRED = {"quill": [50.0, 52.0, 51.0, 49.5, 50.7], "wren": [40.2, 41.5, 41.0, 39.4, 41.2]}
PAIRED_SESSIONS = {"quill": list("aabcd"), "wren": list("abbcd")}
LEVELS = {"quill": [38.1, 38.4, 37.9], "wren": [41.0, 40.6, 41.1]}
NESTED: Runs = {
    title: {
        product: [round(base * (1 + 0.004 * s + 0.002 * k * (-1) ** s + shift), 3)
                  for s in range(2) for k in range(2)]
        for product, base, shift in (("quill", at, 0.0), ("wren", 0.8 * at, 0.001 * at / 10))
    }
    for title, at in (("kettle", 60.0), ("harbour", 91.0), ("attic", 120.0))
}  # fmt: skip
TWICE = ["mon", "mon", "tue", "tue"]
PRICES = [
    ("quill", 1949, "launch", "2026-11-16"), ("quill", 1899, "street", "2026-11-16"),
    ("quill", 1949, "street", "2026-11-10"), ("quill", 1999, "street", "2026-07-01"),
    ("wren", 1749, "launch", "2025-10-09"), ("wren", 1379, "street", "2026-11-12"),
    ("wren", 1529, "street", "2026-11-10"), ("wren", 1599, "street", "2026-09-05"),
    ("wren", 1299, "street", "2026-11-18"),
]  # fmt: skip
# Constructed: P1 to P7 of reference-checks P2, worked out by arithmetic.
COSTS = [200, 250, 300, 300, 350, 400, 550]
RATES = [60, 66, 75, 72, 75, 88, 96]
PLACES = ["on", "extendedly_dominated", "on", "dominated", "dominated", "on", "on"]


def params_of(method: str = "auto") -> MarginParams:
    return MarginParams(
        method=method, confidence=CONFIDENCE, level_band=0.02, family="holm", seed=1
    )


def metrics_of(
    runs: Runs, sessions: Sequence[str] | dict[str, list[str]] | None = None
) -> list[RunMetrics]:
    """Return run figures of the average as the kit holds them."""

    def session(product: str, n: int) -> str:
        named = sessions[product] if isinstance(sessions, dict) else sessions
        return named[n] if named else ""

    return [
        RunMetrics(
            run=f"{product}-{title}-{n}", product=product, title=title,
            session=session(product, n), values={"average_fps": value},
            trace=Trace("run", "0" * 64, f"{product}-{title}-{n}"),
        )
        for title, products in runs.items()
        for product, values in products.items()
        for n, value in enumerate(values)
    ]  # fmt: skip


Made = tuple[tuple[Cell, ...], dict[str, SharedVariances], MarginParams]


def made_of(
    runs: Runs, method: str, sessions: Sequence[str] | dict[str, list[str]] | None = None
) -> Made:
    """Return the cells of runs, and what they share."""
    metrics, titles = metrics_of(runs, sessions), {title: Title(name=title) for title in runs}
    shared = {"average_fps": fit_variances(metrics, metric="average_fps", titles=titles)}
    params = params_of(method)
    cells = make_cells(
        metrics, titles, params=params, variances=shared, metric_names=["average_fps"]
    )
    return cells, shared, params


def margins_of(made: Made, product: str, baseline: str) -> tuple[Margin, ...]:
    cells, shared, params = made
    return compare_products(
        cells,
        product=product,
        baselines=[baseline],
        params=params,
        controls=Controls(((product, baseline),)),
        variances=shared,
    )


def part_of(own: list[str], other: list[str]) -> PartMargin:
    """Return the margin between the parts of some machines, by their own runs."""
    cells, shared, settings = made_of(RUNS, "welch")
    suite = summarise_titles(
        margins_of((cells, shared, settings), own[0], other[0]), suite="all", params=settings
    )
    params = ReviewParams.model_construct(
        product=own[0], rivals=(other[0],), predecessor=None, same_name=(), pairs=(), axes=(),
        machines={own[0]: tuple(own[1:]), other[0]: tuple(other[1:])}, margins=settings,
    )  # fmt: skip
    (made,) = compare_parts([suite], cells, params, Controls(()))
    return made


def interval(figure: Margin | SuiteMargin | Cell | Any) -> dict[str, float]:
    """Return ratio (or value) and ends."""
    ratio = figure.value if isinstance(figure, Cell) else figure.ratio
    return {"ratio": ratio, "low": figure.low, "high": figure.high}


class Book:
    """The vectors so far."""

    def __init__(self) -> None:
        self.made: list[dict[str, Any]] = []

    def add(
        self, method: str, given: Any, gives: Any, within: float = 1e-9, source: str = OWN
    ) -> None:
        vector = {"method": method, "given": given, "gives": gives, "within": within}
        if method in METHODS:
            vector = {"method": method, "version": METHODS[method].version, **vector}
        self.made.append(vector | {"gives_from": source})


def vectors() -> list[dict[str, Any]]:
    """Return every test vector: method, what is given, what it gives, how near it must be."""
    book = Book()
    for part in (_run_figures, _cells_and_margins, _outcomes, _suites, _value, _energy, _spread,
                 _plans, _within, _rounding):  # fmt: skip
        part(book)
    return book.made


def vectors_text() -> str:
    """Return the text of method-vectors.json, a vector a line."""
    lines = ",\n  ".join(json.dumps(vector, ensure_ascii=False) for vector in vectors())
    return f'{{\n "format": "marginbook-vectors/1",\n "vectors": [\n  {lines}\n ]\n}}\n'


def _run_figures(book: Book) -> None:
    frames = np.array(FRAMES_MS)
    # reference-checks R2: 90 frames of 10 ms and 10 of 50 ms, by arithmetic.
    book.add("average", {"frame_ms": [10] * 90 + [50] * 10}, 500 / 7, source=PRACTICE)
    for metric in METRICS.values():
        if metric.of_frames is not None:
            (method,) = set(metric.methods.values())
            book.add(method, {"frame_ms": FRAMES_MS}, metric.of_frames(frames))
    for x, weights in (([4.0, 4.01, 3.99, 4.0, 3.9], [1.0] * 5), ([0.1, 0.11, 0.02], [1, 1.5, 2])):
        given = {"ln_values": x, "weights": weights, "expected_sd": 0.01}
        (robust,) = _parted_means([x], [weights], np.array([0.01]))
        book.add("margin-robust", given, float(robust))
    log = Log("a.csv", "", 0, np.array(LONG_MS))
    for length, unit in ((3.3, "seconds"), (250, "frames")):
        given = {"frame_ms": LONG_MS, "stretch": [length, unit]}
        cut = _cut_to(log, (length, unit)).frame_ms
        book.add("over-common-stretch", given, 1000 * cut.size / cut.sum())
    told = RunDiagnostics.of_log(log, caps_hz=(), cap_width=0.01)
    given = {"frame_ms": LONG_MS, "struck": [[0.0, 0.1], [0.75, 1.0]]}
    book.add("margin-unstruck", given, told.average_without([(0.0, 0.1), (0.75, 1.0)]))
    for share in dict.fromkeys((0.01, 0.025, *tail_shares().values())):
        for method, definition in (
            ("low-percentile", "percentile"),
            ("low-slowest-share", "slowest_share"),
            ("low-time-share", "time_share"),
        ):
            given = {"frame_ms": FRAMES_MS, "share": share, "quantile_type": 7}
            book.add(method, given, low_fps(frames, share=share, definition=definition))
    for step in (0.0, 0.005, 0.01):
        given = {"frame_ms": [16.67] * 60 + [8.33] * 50 + [25.0] * 4, "hz": 60, "step_ms": step}
        ms = np.array(given["frame_ms"])
        book.add(
            "budget-in-run", given, _time_over_budget(ms, budget_hz=60, step_ms=step)
        )  # fmt: skip
    for factor, more in ((2.5, 8.0), (2.0, 17.45)):
        given = {"frame_ms": FRAMES_MS, "factor": factor, "more_ms": more}
        book.add("hitches-in-run", given, find_hitches(frames, factor=factor, more_ms=more)[0].size)


def _typed_figures(book: Book) -> None:
    """Add means of several passes with their spread stated, and spread borrowed from titles."""
    stated = {"product": [61.2, 3, 0.8], "baseline": [48.9, 5, 1.1]}  # mean, passes, percent
    runs = [
        replace(
            made_runs(side, "t", [mean], typed_in=True)[0],
            passes=passes,
            spread={METRIC: math.sqrt(math.log1p((percent / 100) ** 2))},
        )
        for side, (mean, passes, percent) in stated.items()
    ]
    (margin,) = compared(runs, framed("t"), product="product", baselines=["baseline"],
                         params=margin_params("welch"))  # fmt: skip
    book.add("margin-welch", {"typed": stated, "confidence": CONFIDENCE}, interval(margin))
    given = RUNS | {"moor": {"quill": [70.0], "gull": [50.0]}}
    lenders = ["kettle", "harbour"]
    cells = make_cells(
        metrics_of(given),
        framed(*given),
        params=margin_params("auto", spread_from=lenders),
        metric_names=[METRIC],
    )
    made = cells, {}, margin_params("auto", spread_from=lenders)
    asked = {"runs": given, "spread_from": lenders, "confidence": CONFIDENCE}
    for title in ("moor", "attic"):
        margin = next(m for m in margins_of(made, "quill", "gull") if m.title == title)
        about = {"title": title, "product": "quill", "baseline": "gull"}
        book.add("margin-borrowed", asked | about, interval(margin))
    cell = next(c for c in cells if (c.title, c.product) == ("moor", "gull"))
    about = {"title": "moor", "product": "gull"}
    book.add("cell-borrowed", asked | about, interval(cell))


def _cells_and_margins(book: Book) -> None:
    single = made_of({"kettle": PAIRED}, "welch")
    book.add("cell-welch", {"runs": PAIRED["quill"], "confidence": CONFIDENCE},
             interval(single[0][0]))  # fmt: skip
    book.add("run-over-mean", {"runs": PAIRED["quill"]}, list(single[0][0].runs_over_mean()))
    book.add(
        "margin-welch",
        {"product": CLINIC_A, "baseline": CLINIC_B, "confidence": CONFIDENCE},
        {"ratio": 1.0440656095, "low": 0.8980332556, "high": 1.2138447993},
        source="t test on the logarithms of published data, by another library",
    )
    _typed_figures(book)
    paired = made_of({"kettle": PAIRED}, "paired", PAIRED_SESSIONS)
    book.add(
        "margin-paired",
        {"product": PAIRED["quill"], "baseline": PAIRED["wren"],
         "product_sessions": PAIRED_SESSIONS["quill"], "baseline_sessions": PAIRED_SESSIONS["wren"],
         "confidence": CONFIDENCE},
        interval(margins_of(paired, "quill", "wren")[0]),
    )  # fmt: skip
    shared = made_of(RUNS, "auto")
    for title, product in (("kettle", "quill"), ("attic", "gull")):
        cell = next(c for c in shared[0] if (c.title, c.product) == (title, product))
        given = {"runs": RUNS, "title": title, "product": product, "confidence": CONFIDENCE}
        book.add("cell-shared", given, interval(cell), within=1e-3)
    for title, product, baseline in (("kettle", "quill", "wren"), ("attic", "quill", "gull")):
        margins = margins_of(shared, product, baseline)
        given = {"runs": RUNS, "title": title, "product": product, "baseline": baseline,
                 "confidence": CONFIDENCE}  # fmt: skip
        book.add("margin-shared", given, interval(next(m for m in margins if m.title == title)),
                 within=1e-3)  # fmt: skip
    by_session = made_of(RUNS, "auto", SESSIONS)
    margin = next(m for m in margins_of(by_session, "quill", "finch") if m.title == "harbour")
    book.add(
        "margin-paired_shared",
        {"runs": RUNS, "sessions": SESSIONS, "title": "harbour", "product": "quill",
         "baseline": "finch", "confidence": CONFIDENCE},
        interval(margin), within=1e-3,
    )  # fmt: skip
    title = Title(name="hum", measures="noise")
    metrics = [
        RunMetrics(run=f"{p}-{n}", product=p, title="hum", session="", values={"value": v},
                   trace=Trace("run", "0" * 64, f"{p}-{n}"))
        for p, values in LEVELS.items() for n, v in enumerate(values)
    ]  # fmt: skip
    cells = make_cells(metrics, {"hum": title}, params=params_of("welch"), metric_names=["value"])
    level = compare_levels(
        cells,
        product="quill",
        baselines=["wren"],
        params=params_of("welch"),
        controls=Controls((("quill", "wren"),)),
    )[0]
    book.add(
        "difference",
        {"product": LEVELS["quill"], "baseline": LEVELS["wren"], "unit": "dB(A)",
         "method": "welch", "confidence": CONFIDENCE},
        [level.value, level.low, level.high],
    )  # fmt: skip


def _outcomes(book: Book) -> None:
    for low, high, level_low, level_high in (
        (1.003, 1.017, 1.0042, 1.0158), (1.003, 1.03, 1.005, 1.027), (0.97, 0.999, 0.973, 0.9965),
        (0.975, 1.01, 0.979, 1.005), (0.981, 1.019, 0.985, 1.015),
    ):  # fmt: skip
        outcome = outcome_of(low, high, level_low, level_high, band=0.02)
        given = {"low": low, "high": high, "low_90": level_low, "high_90": level_high}
        book.add("outcomes", given | {"band": 0.02}, outcome)
    for family, expected in ADJUSTED.items():
        got = adjust_p_values(P_VALUES, family=family)  # type: ignore[arg-type]
        assert np.allclose(got, expected, rtol=1e-9), family
        book.add("many-titles", {"p_values": P_VALUES, "family": family}, expected,
                 source="Benjamini and Hochberg (1995), adjusted by other libraries")  # fmt: skip


def _suites(book: Book) -> None:
    logs, errors = [0.05, 0.12, 0.02], [(1e-4, 4.0), (2e-4, 5.5), (5e-5, 8.0)]
    se2, f = (np.array(part) for part in zip(*errors, strict=True))
    error = Mixture.of_t(np.sqrt(se2), f)
    total = ErrorSum.of([error.row(i) for i in range(3)], np.full(3, 1 / 3))
    centre, half = sum(logs) / 3, total.half_width(1 - CONFIDENCE)
    given = {"ln_ratios": logs, "variances": se2.tolist(), "df": f.tolist()}
    book.add(
        "suite-these-titles", given | {"confidence": CONFIDENCE},
        {"ratio": math.exp(centre), "low": math.exp(centre - half), "high": math.exp(centre + half)},
        within=1e-5,
    )  # fmt: skip
    half = total.half_width((1 - CONFIDENCE) / 4)
    book.add(
        "suite-otherwise", given | {"confidence": CONFIDENCE, "outcomes": 4},
        {"ratio": math.exp(centre), "low": math.exp(centre - half), "high": math.exp(centre + half)},
        within=1e-5,
    )  # fmt: skip
    book.add("break-even-day", given | {"confidence": CONFIDENCE},
             total.break_even_sd(centre, 1 - CONFIDENCE) / math.sqrt(2), within=1e-4)  # fmt: skip
    given = given | {"ln_ratios": [0.022, 0.012, -0.009]}
    rates = false_sign_rates(np.array(given["ln_ratios"]), [error.row(i) for i in range(3)])
    book.add("false-outcomes", given, rates.tolist(), within=0.1)
    table = [[[math.sin(3 * i + 5 * p + 7 * s + i * p * s) / 50 + math.cos(p * s) / 90
               for s in range(3)] for p in range(3)] for i in range(4)]  # fmt: skip
    weights = [0.4, 0.2, 0.2, 0.2]
    day = DayPosterior.fit(np.array(table), np.array(weights))
    book.add("product-day", {"ln_values": table, "weights": weights}, [day.sd, day.care],
             within=1e-4)  # fmt: skip
    for spending in ("obrien_fleming", "pocock"):
        looks = {"looks": [0.3, 0.55, 0.9], "alpha": 0.05, "spending": spending}
        book.add("look-level", looks, MarginDesign.look_levels(looks["looks"], alpha=0.05, spending=spending)[-1],
                 within=1e-3)  # fmt: skip
    book.add("planned-suite-error", {"ln_values": table, "weights": weights, "more": 2},
             list(day.suite_errors(2)), within=1e-4)  # fmt: skip
    for weights in ([1 / 3] * 3, [0.5, 0.3, 0.2]):
        w = np.array(weights)
        centre = float((w * logs).sum())
        low, high = t_ends(centre, *spread_over_titles(np.array(logs), w), confidence=CONFIDENCE)
        given = {"ln_ratios": logs, "weights": weights, "confidence": CONFIDENCE}
        book.add("suite-titles-like-these", given,
                 {"ratio": math.exp(centre), "low": low, "high": high})  # fmt: skip
    made = made_of(RUNS, "auto")
    weights = {"kettle": 2.0, "harbour": 1.0, "attic": 1.0}
    suite = summarise_titles(
        margins_of(made, "quill", "wren"), suite="all", params=made[2], weights=weights
    )
    given = {"ln_ratios": [math.log(m.ratio) for m in suite.margins],
             "weights": [0.5, 0.25, 0.25]}  # fmt: skip
    book.add("suite-influence", given, list(suite.influence.values()))
    book.add("suite-range", given, [suite.smallest.ratio, suite.largest.ratio])
    given = {"outcomes": [m.outcome for m in suite.margins]}
    book.add("suite-count", given, dict(suite.counts))
    for sides in ({"above": 18, "below": 0}, {"above": 10, "below": 4}, {"above": 3, "below": 3}):
        book.add("sign-test", sides, sign_test(**sides))
    ratios = [1.2, 0.9, 1.0, 1.1]
    sides = {side: sum(side_of(r) == side for r in ratios) for side in BY_FIGURES}
    book.add("suite-side", {"ratios": ratios}, sides)
    kettleless = {t: dict(p) for t, p in RUNS.items()}
    del kettleless["kettle"]["finch"]
    closure = check_closure(
        made_of(kettleless, "auto")[0], product="quill", others=["wren", "finch"]
    )[0]
    book.add(
        "closure", {"runs": kettleless, "a": "quill", "b": "wren", "c": "finch"},
        [closure.chained, closure.direct, closure.chained_own, closure.direct_own,
         closure.difference],
    )  # fmt: skip
    for other in (["finch", "gull"], ["finch"]):
        part = part_of(["quill", "wren"], other)
        given = {"runs": RUNS, "own": ["quill", "wren"], "other": other, "confidence": CONFIDENCE}
        # The other program's t quantile is by quadrature: coarse near one degree of freedom.
        book.add("part-margin", given, interval(part), within=1e-9 if other[1:] else 1e-5)
        book.add("machine-spread", given, part.spread_sd)
    for method, sessions in (("auto", None), ("welch", None), ("auto", SESSIONS)):
        shared = made_of({t: RUNS[t] for t in ("kettle", "harbour")} if method == "welch" else RUNS,
                         method, sessions)  # fmt: skip
        for there in (("finch", "gull"), ("finch", "wren"), ("wren", "gull")):
            if method == "auto" and sessions is None and "wren" in there:
                continue
            gap = _name_gap(
                margins_of(shared, "quill", "wren")[:2], margins_of(shared, *there)[:2],
                params=shared[2],
            )  # fmt: skip
            given = {
                "runs": RUNS, "titles": ["kettle", "harbour"], "here": ["quill", "wren"],
                "there": there, "method": gap.here.margins[0].method,
                "confidence": CONFIDENCE,
            } | ({"sessions": sessions} if sessions else {})  # fmt: skip
            book.add("name-gap", given, interval(gap), within=1e-9 if method == "welch" else 2e-3)


def _value(book: Book) -> None:
    made = made_of(RUNS, "auto")
    suite = summarise_titles(margins_of(made, "quill", "wren"), suite="all", params=made[2])
    rows = [
        PriceRow(p, price, "EUR", kind, dt.date.fromisoformat(day), "a shop")
        for p, price, kind, day in PRICES
    ]
    value = weigh_products(
        made[0], [suite], rows,
        params=ValueParams(currency="EUR", since="2026-09-01", until="2026-11-16"),
        products=["quill", "wren"], review_date=dt.date(2026, 11, 20),
    )  # fmt: skip
    given = {
        "prices": [dict(zip(("product", "price", "kind", "date"), row, strict=True))
                   | {"currency": "EUR"} for row in PRICES],
        "kind": "street", "currency": "EUR", "since": "2026-09-01", "until": "2026-11-16",
    }  # fmt: skip
    price = value.prices["wren", "street"]
    book.add("price", given | {"product": "wren"}, [price.price, price.lowest, price.highest])
    book.add("price-seen", given | {"product": "wren"}, list(price.values), source=PRACTICE)
    weighing = next(w for w in value.weighings if w.kind == "street")
    standing = next(s for s in value.standings if (s.product, s.kind) == ("wren", "street"))
    averages = [c.value for c in made[0] if c.product == "wren"]
    book.add("suite-fps", {"averages": averages}, standing.suite_fps)
    own = [weighing.price.price, weighing.price.lowest, weighing.price.highest]
    rival = [price.price, price.lowest, price.highest]
    book.add("cost-per-fps", {"price": rival, "suite_fps": standing.suite_fps},
             [standing.cost_per_fps, standing.cost_per_fps_low,
              standing.cost_per_fps_high])  # fmt: skip
    book.add("price-difference", {"price": own, "rival_price": rival},
             [own[0] - rival[0], own[1] - rival[2], own[2] - rival[1]])  # fmt: skip
    book.add("premium", {"price": own, "rival_price": rival},
             [weighing.premium, weighing.premium_low, weighing.premium_high])  # fmt: skip
    book.add("premium", {"price": [1800] * 3, "rival_price": [1500] * 3}, [1.2] * 3,
             source=PRACTICE)  # fmt: skip
    equal = [weighing.equal_value_price, weighing.equal_value_low, weighing.equal_value_high]
    book.add("equal-value-price", {"rival_price": rival, "suite": interval(suite)}, equal)
    book.add("cut-needed", {"price": own, "equal_value_price": equal},
             [weighing.cut_needed, weighing.cut_needed_low,
              weighing.cut_needed_high])  # fmt: skip
    places = [place.status for place in find_frontier(COSTS, RATES)]
    assert places == PLACES
    book.add("frontier", {"costs": COSTS, "rates": RATES}, PLACES,
             source="constructed, by arithmetic")  # fmt: skip


def _lagging_run(shift: int) -> tuple[list[float], list[float]]:
    """Return frame times of a scene of steps, and power that follows them some 1.2 s later."""
    load = [80 + 25 * ((n * n // 31 + shift) % 3) + (n * 7) % 5 for n in range(300)]
    frames = [round(load[n], 1) for n in range(300)]
    watts = [
        round(150 - load[max(0, n - 12)] / 2 + (n * 11 + shift) % 7 / 5, 1) for n in range(300)
    ]
    return frames, [watts[n - n % 4] for n in range(300)]


def _energy_margin(book: Book, metrics: list[RunMetrics], titles: dict[str, Title]) -> None:
    runs = [_lagging_run(0), _lagging_run(1)]
    arrays = [(np.array(ms), np.array(watts)) for ms, watts in runs]
    lag = SensorLag.pooled([LagProfile.of_run(*run) for run in arrays])
    given = {"frame_ms": [ms for ms, _ in runs], "power_w": [watts for _, watts in runs]}
    book.add("sensor-lag", given, [lag.lag_s, lag.low_s, lag.high_s])
    plain, settled = (_energy_per_frame(*arrays[0], lag_s=s) for s in (0.0, lag.lag_s))
    given = {"frame_ms": runs[0][0], "power_w": runs[0][1], "lag_s": lag.lag_s}
    book.add("energy-unsettled", given, (plain or 0.0) / (settled or 1.0))
    other = [1.11, 1.16, 1.12, 1.15]
    rivals = [
        replace(metrics[0], product="nib", run=f"b{n}", energy_per_frame_j=j)
        for n, j in enumerate(other)
    ]
    standings = weigh_energy([*metrics, *rivals], [], titles, confidence=CONFIDENCE)
    (margin,) = compare_energy(standings, [("quill", "nib")], params_of("welch"))
    given = {"run_j": [m.energy_per_frame_j for m in metrics], "baseline_run_j": other,
             "confidence": CONFIDENCE}  # fmt: skip
    book.add("energy-margin", given, [margin.ratio, margin.low, margin.high])


def _loads(book: Book) -> None:
    """Add what sensors read under load: of one log, of runs, over titles, one against another."""
    read = [None if n % 7 == 3 else float(1700 - n + (n * 13) % 11) for n in range(50)]
    mhz = np.array([math.nan if v is None else v for v in read])
    log = Log("a.csv", "", 0, np.array(FRAMES_MS[:50]), sensors={"core_clock_mhz": mhz})
    given: dict[str, Any] = {"frame_ms": FRAMES_MS[:50], "read": read}
    book.add("sensor-under-load", given, _under_load(log)["clock_mhz"])
    levels = [38.0, 44.5, 41.0, 47.0]
    quiet = Log("a.csv", "", 0, np.full(4, 250.0), sensors={"noise_dba": np.array(levels)})
    given = {"frame_ms": [250.0] * 4, "read": levels, "levels": True}
    book.add("sensor-under-load", given, _under_load(quiet)["noise_dba"])
    runs = {
        "clock_mhz": {"kettle": ([1652.0, 1649.5, 1655.0], [1931.0, 1928.0]),
                      "pan": ([1611.0, 1613.5], [1929.0, 1933.5, 1930.0])},
        "temperature_c": {"kettle": ([75.5, 76.1, 75.2], [67.0, 67.9]),
                          "pan": ([78.0, 78.3], [68.5, 68.1, 69.4])},
    }  # fmt: skip
    for sensor, titles in runs.items():
        metrics = [
            RunMetrics(run=f"{title}-{product}-{n}", product=product, title=title, session="",
                       values={}, trace=Trace("run", "0" * 64, f"{title}-{product}-{n}"),
                       under_load={sensor: value})
            for title, sides in titles.items()
            for product, values in zip(("quill", "nib"), sides, strict=True)
            for n, value in enumerate(values)
        ]  # fmt: skip
        found = Load.of_runs(metrics, ["quill", "nib"], [sensor], confidence=CONFIDENCE)
        logs = sensor == "clock_mhz"
        for one in found:
            sides = [titles[one.title]] if one.title else [*titles.values()]
            own = {"runs": [side[0] for side in sides], "of_logs": logs, "confidence": CONFIDENCE}
            if one.baseline:
                given = own | {"baseline_runs": [side[1] for side in sides]}
                book.add("sensor-apart", given, [one.value, one.low, one.high])
            elif one.product == "quill":
                book.add("sensor-under-load", own, [one.value, one.low, one.high])
            if one.product == "quill" and one.sd is not None:
                book.add("sensor-spread", {"runs": own["runs"]}, one.sd)


def _energy(book: Book) -> None:
    ms = np.array(FRAMES_MS[:50])
    watts = [None if n % 7 == 3 else round(90 + (n * 13) % 11 + 0.5, 1) for n in range(50)]
    read = np.array([math.nan if w is None else w for w in watts])
    given = {"frame_ms": FRAMES_MS[:50], "power_w": watts}
    book.add("energy-per-frame", given, _energy_per_frame(ms, read))
    joules = [1.02, 1.05, 1.01]
    metrics = [
        RunMetrics(run=f"q{n}", product="quill", title="kettle", session="", values={},
                   trace=Trace("run", "0" * 64, f"q{n}"), energy_per_frame_j=j)
        for n, j in enumerate(joules)
    ]  # fmt: skip
    titles = {
        "kettle": Title(name="kettle", workload="k"),
        "kettle-power": Title(name="power", workload="k", measures="power"),
    }
    logged = weigh_energy(metrics, [], titles, confidence=CONFIDENCE)[0]
    book.add("energy-per-frame", {"run_j": joules, "confidence": CONFIDENCE},
             [logged.value, logged.low, logged.high])  # fmt: skip
    _energy_margin(book, metrics, titles)
    _loads(book)
    rates, powers = PAIRED["quill"], [101.0, 103.5, 102.2]
    both = [*metrics_of({"kettle": {"quill": rates}})] + [
        RunMetrics(run=f"p{n}", product="quill", title="kettle-power", session="",
                   values={"value": v}, trace=Trace("run", "0" * 64, f"p{n}"))
        for n, v in enumerate(powers)
    ]  # fmt: skip
    cells = make_cells(
        both, titles, params=params_of("welch"), metric_names=["average_fps", "value"]
    )
    metered = weigh_energy(both, cells, titles, confidence=CONFIDENCE)
    (row,) = metered
    given = {"power_w": powers, "average_fps": rates, "confidence": CONFIDENCE}
    book.add("energy-metered", given, [row.value, row.low, row.high])
    book.add("fps-per-watt", {"joule_per_frame": 0.8}, 1.25, source=PRACTICE)
    book.add("derived", {"bus_width_bit": 256, "memory_rate_gbps": 14}, {"bandwidth_gb_s": 448},
             source=PRACTICE)  # fmt: skip


def _spread(book: Book) -> None:
    runs = {"coal": {"quill": [math.exp(x) for lab in SULFUR for x in lab]}}
    labs = [f"lab {n}" for n, lab in enumerate(SULFUR) for _ in lab]
    found = _measure_repeatability(metrics_of(runs, labs), metric="average_fps")[0]
    given = {"ln_values": [SULFUR]}
    source = "ISO 5725-2:1994, annex B, example 1 (inputs from memory), by arithmetic"
    assert math.isclose(found.run_sd or 0, SULFUR_SR, rel_tol=1e-8)
    assert math.isclose(found.reproducibility_sd or 0, SULFUR_S_R, rel_tol=1e-8)
    book.add("run-spread", given, SULFUR_SR, 1e-8, source)
    book.add("repeatability", given, math.exp(2.8 * SULFUR_SR), 1e-8, source)
    book.add("reproducibility", given, math.exp(2.8 * SULFUR_S_R), 1e-8, source)
    parts = _bench_components(metrics_of(NESTED, TWICE), metric="average_fps")
    gives = {name: getattr(parts, f"{name}_sd")
             for name in ("run", "session", "interaction", "product", "title")}  # fmt: skip
    book.add("bench-components", {"runs": NESTED, "sessions": TWICE}, gives, 1e-6)


def _plans(book: Book) -> None:
    params = PlanParams(margin=0.03, power=0.8, seed=1, setup_s=90, run_s=60, default_run_sd=0.01)
    plan = plan_runs({"kettle": Title(name="kettle")}, params=params, product="quill",
                     baselines=["wren"], confidence=CONFIDENCE)  # fmt: skip
    (margin,) = plan.margins
    given = {"ratio": 1.03, "run_sd": 0.01, "power": 0.8, "confidence": CONFIDENCE, "min_runs": 3}
    book.add("planned-runs", given, plan.cells[0].runs)
    # exp(0.02) and 0.01: J. Cohen's d of 2 needs 5.09, so 6 a side (reference-checks N1, by
    # statsmodels and R).
    book.add(
        "planned-runs", given | {"ratio": math.exp(0.02)}, 6, source="power by other libraries"
    )
    given = {"run_sd": 0.01, "runs": 4, "power": 0.8, "confidence": CONFIDENCE}
    book.add("smallest-resolved", given, margin.smallest_ratio, 1e-7)
    # reference-checks N3, by statsmodels: d of 3.0708922696 for three runs.
    book.add("smallest-resolved", given | {"runs": 3}, math.exp(0.030708922696), 1e-7,
             source="power by another library")  # fmt: skip
    book.add("planned-time", {"to_run": [c.to_run for c in plan.cells], "setup_s": 90,
                              "length_s": 60}, plan.minutes)  # fmt: skip
    book.add("planned-runs", {"psi1_of_half_the_borrowed_df": 0.35}, borrowed_degrees(0.35))
    seen = CellSeen(runs=3, run_sd=0.012)
    (check,) = plan.check_pilot({("quill", "kettle"): seen, ("wren", "kettle"): seen}).margins
    given = {"ratio": 1.03, "run_sd": 0.012, "runs": 3, "power": 0.8, "confidence": CONFIDENCE}
    found = {"power": check.power_seen, "runs_by_spread": check.runs_by_spread,
             "runs_cautious": check.runs_cautious}  # fmt: skip
    book.add("pilot", given, found, 1e-7)
    spreads = {"kettle": {"quill": [0.01, 3], "wren": [0.02, 4], "larch": [0.015, 5]},
               "heath": {"quill": [0.03, 3], "wren": [0.01, 2], "larch": [0.02, 3]}}  # fmt: skip
    cells = [_CellTime(p, t, sd, runs, 2.0) for t, of in spreads.items()
             for p, (sd, runs) in of.items()]  # fmt: skip
    ranked = _rank_titles(cells, product="quill", planned=[5] * 6, budget_minutes=None)
    gives = {f"{g.title} {part}": share for g in ranked
             for part, share in (("share", g.variance_share), ("gain", g.gain_share))}  # fmt: skip
    book.add("run-gain", {"spread_and_runs": spreads, "product": "quill"}, gives, 1e-9)


def _within(book: Book) -> None:
    ms = np.array(LONG_MS)
    made = measure_blocks(ms)
    for metric in made.within_sd:  # of each metric that so many frames can judge
        given = {"frame_ms": LONG_MS, "metric": metric, "share": METRICS[metric].tail_share}
        book.add("within-run-error", given, made.within_sd[metric])
        book.add("effective-frames", given, made.effective_frames[metric])
    watts = [100.0 + (n % 7) - n / 20 if n % 3 else None for n in range(len(FRAMES_MS))]
    readings = {"power_w": np.array(watts, dtype=float)}
    run = Run(RunRow("r", "a", "t"), Log("x.csv", "ab" * 32, 1, np.array(FRAMES_MS), readings))
    ends = _summarise_frames(run).sensor_ends["power_w"]
    book.add("sensor-ends", {"frame_ms": FRAMES_MS, "readings": watts}, list(ends), 1e-12)
    errors, values = [0.004, 0.006, 0.005], [60.1, 60.9, 60.4]
    book.add("share-within", {"errors": errors, "values": values}, share_within(errors, values))
    confidence = {"frame_ms": LONG_MS, "share": None, "confidence": CONFIDENCE}
    run = replace(made_runs("a", "t", [1000.0 / ms.mean()])[0], blocks=made)
    (cell,) = cells_of([run], framed("t"), params=margin_params("welch"))
    book.add("cell-frames", confidence, {"ratio": cell.value, "low": cell.low, "high": cell.high})
    titles = {"kettle": [60.1, 60.9, 60.4], "heath": [90.2, 91.0], "alone": [45.0]}
    runs = [
        replace(run, blocks=RunBlocks(1, {METRIC: 0.004 + 0.001 * i}, {METRIC: 100.0 + i}))
        for title, values in titles.items()
        for i, run in enumerate(made_runs("a", title, values))
    ]
    (within,) = compare_within(runs, metric_names=[METRIC])
    given = {"titles": titles, "errors": {t: [0.004 + 0.001 * i for i in range(len(v))]
                                          for t, v in titles.items()}}  # fmt: skip
    book.add("share-within-product", given, within.share)
    book.add("effective-frames-product", {"frames": [100.0, 101.0, 102.0, 100.0, 101.0, 100.0]},
             within.effective_frames)  # fmt: skip


def _rounding(book: Book) -> None:
    for given, text in (
        ({"ratio": 1.2504, "low": 1.22, "high": 1.28}, Rounded.ratio(1.2504, 1.22, 1.28)),
        ({"ratio": 0.99499, "low": 0.9932, "high": 0.9968}, Rounded.ratio(0.99499, 0.9932, 0.9968)),
        ({"ratio": 1.1, "low": 0.7, "high": 1.6}, Rounded.ratio(1.1, 0.7, 1.6)),
        ({"ratio": 1.10004, "low": 1.0997, "high": 1.1004}, Rounded.ratio(1.10004, 1.0997, 1.1004)),
        ({"ratio": 1.1}, Rounded.ratio(1.1)),
        ({"fps": 61.345, "low": 60.1, "high": 62.6}, Rounded.figure(61.345, 60.1, 62.6)),
        ({"fps": 8.126}, Rounded.figure(8.126)),
        ({"share": 0.125}, Rounded.share(0.125)),
        ({"money": 1499.5, "currency": "EUR"}, Rounded.money(1499.5, "EUR")),
        ({"money": 22.3456, "currency": "EUR", "low": 21.9, "high": 23.01, "per_fps": True},
         Rounded.money(22.3456, "EUR", 21.9, 23.01, decimals=2)),
        ({"fine": 0.01234, "unit": "J"}, Rounded.figure(0.01234, unit="J", rule="fine")),
        ({"fine": 1.5, "low": 1.4, "high": 1.6, "unit": "J"},
         Rounded.figure(1.5, 1.4, 1.6, unit="J", rule="fine")),
        ({"level": -3.26, "low": -3.9, "high": -2.6, "unit": "dB(A)"},
         Rounded.figure(-3.26, -3.9, -2.6, unit="dB(A)", rule="level")),
        ({"specification": 448.0, "unit": "GB/s", "digits": 6}, Rounded.plain(448.0, unit="GB/s")),
    ):  # fmt: skip
        book.add("rounding", given, {"text": text.text, "interval": text.interval})
