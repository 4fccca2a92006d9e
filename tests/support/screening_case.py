"""A small made-up bench, with rows and diagnostics to order, for tests of the screening rules."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np

from kit.bench.runs import RunRow
from kit.metrics.run_metrics import RunDiagnostics
from kit.screening.flags import Flag, View
from kit.settings.bench_file import Bench, Product, Title
from kit.settings.params import ReviewParams
from kit.settings.yaml import YamlDocument

PRODUCTS = {
    name: {"name": name.title(), "class": machine, "configuration": {"processor": processor}}
    for name, machine, processor in [
        ("heron", "portable", "P1"),
        ("ibis", "portable", "P1"),
        ("stork", "portable", "P1"),
        ("crane", "desk", "D1"),
    ]
}
TITLES = {
    name: {"name": name.title(), "planned_s": 40.0}
    for name in ("dunes", "marsh", "delta", "fjord", "karst")
} | {"packing": {"name": "Packing", "measures": "duration"}}
START = dt.datetime(2026, 11, 1, 9, tzinfo=dt.UTC)


def bench() -> Bench:
    return Bench(
        Path("bench"),
        "Waders",
        {name: Product.model_validate(body) for name, body in PRODUCTS.items()},
        {name: Title.model_validate(body) for name, body in TITLES.items()},
        {},
        {},
        YamlDocument("bench/bench.yaml", {}, {}),
    )


def params(**screen: object) -> ReviewParams:
    return ReviewParams.model_validate(
        {
            "format": "marginbook-params/1", "review": "waders", "title": "Waders",
            "byline": "A. N.", "date": "2026-11-20", "bench": "bench", "product": "heron",
            "rivals": ["ibis", "stork", "crane"], "controls": [],
            "metrics": {"low": "percentile"},
            "margins": {"method": "auto", "confidence": 0.95, "level_band": 0.02, "seed": 1},
            "screen": screen,
        }
    )  # fmt: skip


def row(run: str, product: str = "heron", title: str = "dunes", **fields: object) -> RunRow:
    given = {"log": f"logs/{run}.csv", "layout": "csv", **fields}
    return RunRow(run, product, title, **given)


def diagnostics(run: str, fps: float = 60.0, **facts: object) -> RunDiagnostics:
    plain = RunDiagnostics(
        sha256=f"bytes of {run}", frames_sha256=f"frames of {run}", frames=2400,
        duration_s=40.0, average_fps=fps, median_ms=1000 / fps, longest_ms=3000 / fps,
        step_ms=0.0001, tail_frames={"low_1pct_fps": 2000.0, "low_0_1pct_fps": 3000.0},
    )  # fmt: skip
    return replace(plain, **facts)


def cell(
    rates: list[float], product: str = "heron", title: str = "dunes", **facts: object
) -> list[tuple[RunRow, RunDiagnostics]]:
    """Return runs of one cell, an hour apart, with these averages."""
    pairs = []
    for i, fps in enumerate(rates):
        run = f"{product}-{title}-{i + 1}"
        began = START + dt.timedelta(hours=i)
        pairs.append((row(run, product, title, began=began), diagnostics(run, fps, **facts)))
    return pairs


def view(pairs: list[tuple[RunRow, RunDiagnostics]], **screen: object) -> View:
    rows = tuple(row for row, _ in pairs)
    used = tuple(row for row in rows if row.produced)
    return View(rows, used, {row.run: s for row, s in pairs}, bench(), params(**screen))


def runs_of(flags: list[Flag]) -> list[str]:
    return [flag.run for flag in flags]


def profile(drift: float = 0.0, seed: int = 0, scene: float = 0.0) -> tuple[float, ...]:
    """Return 100 levels around 10 ms with a drift over them, noise of 1 %, and a scene."""
    steps = np.arange(100) / 100
    noise = np.random.default_rng(seed).normal(0, 0.01, 100)
    course = np.log1p(drift) * steps + scene * np.sin(steps * 9) + scene * steps + noise
    return tuple((10 * np.exp(course)).tolist())
