"""Write the table of all methods into kit/methods.md, and the test vectors beside it.

    python tests/write_methods.py

The vectors' inputs stand here; their outputs are this kit's, and tests/test_methods.py holds both
against a second version that does not use the kit, and against outside figures where there are
some.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from kit.bench import Title  # noqa: E402
from kit.combining import match_t, spread_over_titles, t_ends  # noqa: E402
from kit.lows import low_fps  # noqa: E402
from kit.margins import compare_products, make_cells  # noqa: E402
from kit.methods import METHODS  # noqa: E402
from kit.metrics import RunMetrics, average_fps  # noqa: E402
from kit.params import MarginParams  # noqa: E402
from kit.tables import fps_text, money_text, ratio_text, share_text  # noqa: E402
from kit.trace import Trace  # noqa: E402
from kit.variance import fit_variances  # noqa: E402

PAGE = ROOT / "kit" / "methods.md"
VECTORS = ROOT / "kit" / "method-vectors.json"
START, END = "<!-- all methods -->", "<!-- end -->"

# Frame times with a slow tail: 200 frames in a fixed pattern.
FRAMES_MS = [
    round(8 + 0.01 * ((7 * n) % 23) + (17.5 if n % 41 == 40 else 0), 2) for n in range(200)
]
# tests of a statistics library ("clinic", from an R package for equivalence tests); results of
# the t test on the logarithms by scipy: reference-checks M3.
CLINIC_A = [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16,
            3.84]  # fmt: skip
CLINIC_B = [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31,
            3.02]  # fmt: skip
# Three titles, three products, three runs (in one title two): figures of our own.
RUNS = {
    "kettle": {
        "quill": [60.1, 60.9, 60.4], "wren": [55.0, 54.6, 55.3], "finch": [41.0, 42.2, 41.5]
    },
    "harbour": {
        "quill": [91.0, 90.2, 91.9], "wren": [88.1, 88.3, 88.9], "finch": [70.2, 70.0, 69.1]
    },
    "attic": {
        "quill": [120.3, 118.8], "wren": [101.7, 103.1, 102.2], "finch": [99.0, 98.2, 99.9]
    },
}  # fmt: skip
SESSIONS = {"quill": [50.0, 52.0, 51.0, 49.5], "wren": [40.2, 41.5, 41.0, 39.4]}


def metrics_of(
    runs: dict[str, dict[str, list[float]]], sessions: list[str] | None = None
) -> list[RunMetrics]:
    """Return run figures of one metric as the kit holds them."""
    return [
        RunMetrics(
            run=f"{product}-{title}-{n}", product=product, title=title,
            session=sessions[n] if sessions else "", values={"average_fps": value},
            trace=Trace("run", "0" * 64, f"{product}-{title}-{n}"),
        )
        for title, products in runs.items()
        for product, values in products.items()
        for n, value in enumerate(values)
    ]  # fmt: skip


def margin_of(
    runs: dict[str, dict[str, list[float]]], method: str, sessions: list[str] | None = None
) -> dict[str, float]:
    """Return ratio and interval of quill over wren in the first title, by one method."""
    metrics = metrics_of(runs, sessions)
    titles = {title: Title(name=title) for title in runs}
    params = MarginParams(
        method=method, confidence=0.95, level_band=0.02, family="holm", seed=1
    )  # fmt: skip
    shared = {"average_fps": fit_variances(metrics, metric="average_fps", titles=titles)}
    cells = make_cells(
        metrics, titles, params=params, variances=shared, metric_names=["average_fps"]
    )
    product, baseline = list(next(iter(runs.values())))[:2]
    margin = compare_products(
        cells, product=product, baselines=[baseline], params=params, variances=shared
    )[0]
    return {"ratio": margin.ratio, "low": margin.low, "high": margin.high}


def vectors() -> list[dict[str, Any]]:
    """Return every test vector: method, what is given, what it gives, how near it must be."""
    frames = np.array(FRAMES_MS)
    made: list[dict[str, Any]] = []

    def add(method: str, given: Any, gives: Any, within: float = 1e-9, source: str = "") -> None:
        vector = {"method": method, "given": given, "gives": gives, "within": within}
        if method in METHODS:
            vector = {"method": method, "version": METHODS[method].version, **vector}
        made.append(vector | ({"source": source} if source else {}))

    add("average", {"frame_ms": FRAMES_MS}, average_fps(frames))
    for share in (0.01, 0.025):
        for method, definition in (
            ("low-percentile", "percentile"),
            ("low-slowest-share", "slowest_share"),
            ("low-time-share", "time_share"),
        ):
            given = {"frame_ms": FRAMES_MS, "share": share, "quantile_type": 7}
            add(method, given, low_fps(frames, share=share, definition=definition))
    add(
        "margin-welch",
        {"product": CLINIC_A, "baseline": CLINIC_B, "confidence": 0.95},
        {"ratio": 1.0440656095, "low": 0.8980332556, "high": 1.2138447993},
        source="t test on the logarithms of published data, by another library",
    )
    add(
        "margin-paired",
        {"product": SESSIONS["quill"], "baseline": SESSIONS["wren"], "sessions": list("abcd"),
         "confidence": 0.95},
        margin_of({"kettle": SESSIONS}, "paired", list("abcd")),
    )  # fmt: skip
    add(
        "margin-shared",
        {"runs": RUNS, "title": "kettle", "product": "quill", "baseline": "wren",
         "confidence": 0.95},
        margin_of(RUNS, "shared"), within=1e-3,
    )  # fmt: skip
    logs, errors = [0.05, 0.12, 0.02], [(1e-4, 4.0, False), (2e-4, 5.5, False), (5e-5, 8.0, False)]
    scale, df = match_t([v / 9 for v, _, _ in errors], [f for _, f, _ in errors], [False] * 3)
    low, high = t_ends(sum(logs) / 3, scale, df, confidence=0.95)
    add(
        "suite-these-titles",
        {"ln_ratios": logs, "variances": [v for v, _, _ in errors],
         "df": [f for _, f, _ in errors], "confidence": 0.95},
        {"ratio": math.exp(sum(logs) / 3), "low": low, "high": high},
    )  # fmt: skip
    spread = spread_over_titles(np.array(logs), np.full(3, 1 / 3))
    low, high = t_ends(sum(logs) / 3, *spread, confidence=0.95)
    add(
        "suite-titles-like-these",
        {"ln_ratios": logs, "confidence": 0.95},
        {"ratio": math.exp(sum(logs) / 3), "low": low, "high": high},
    )
    add("premium", {"price": 1800, "rival_price": 1500}, 1.2, source="common practice")
    add("equal-value-price", {"rival_price": 1500, "suite_ratio": 1.1}, 1650.0,
        source="common practice")  # fmt: skip
    add("cut-needed", {"price": 1800, "equal_value_price": 1650}, 1 - 1650 / 1800)
    for given, text in (
        ({"ratio": 1.2504, "low": 1.22, "high": 1.28}, ratio_text(1.2504, 1.22, 1.28)),
        ({"ratio": 0.99499, "low": 0.9932, "high": 0.9968}, ratio_text(0.99499, 0.9932, 0.9968)),
        ({"ratio": 1.1, "low": 0.7, "high": 1.6}, ratio_text(1.1, 0.7, 1.6)),
        ({"ratio": 1.1}, ratio_text(1.1)),
        ({"fps": 61.345, "low": 60.1, "high": 62.6}, fps_text(61.345, 60.1, 62.6)),
        ({"fps": 8.126}, fps_text(8.126)),
        ({"share": 0.125}, share_text(0.125)),
        ({"money": 1499.5, "currency": "EUR"}, money_text(1499.5, "EUR")),
    ):
        add("rounding", given, {"text": text.text, "interval": text.interval, "rule": text.rule})
    return made


def vectors_text() -> str:
    """Return the text of method-vectors.json, a vector a line."""
    lines = ",\n  ".join(json.dumps(vector, ensure_ascii=False) for vector in vectors())
    return f'{{\n "format": "marginbook-vectors/1",\n "vectors": [\n  {lines}\n ]\n}}\n'


def table_text() -> str:
    """Return the table of all methods."""
    rows = "\n".join(f"| `{m.name}` | {m.version} | {m.words} |" for m in METHODS.values())
    return f"\n\n| method | version | in words |\n| --- | --- | --- |\n{rows}\n\n"


def page_text() -> str:
    """Return methods.md with its table as it should be."""
    text = PAGE.read_text(encoding="utf-8")
    head, _, rest = text.partition(START)
    return f"{head}{START}{table_text()}{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    PAGE.write_text(page_text(), encoding="utf-8")
    VECTORS.write_text(vectors_text(), encoding="utf-8")
