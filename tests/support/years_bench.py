"""A made bench of typed-in figures and short logs, for tests of what a bench goes through in years.

Nothing is drawn at random: figures are a level times fixed small steps, so that every ratio is
known by construction.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

STEPS = (-0.004, 0.0, 0.004)  # of ln figures, run by run
BENCH = """\
format: marginbook-bench/1
name: A made bench
layouts:
  plain:
    files: "*.csv"
    frames: {column: took_ms, holds: frame_time, unit: ms}
    sensors: {power_w: watt}
controls: {driver: The driver}
products:
  one: {name: Product One, maker: Alda, class: desk, configuration: {memory: "32"}}
  two: {name: Product Two, maker: Alda, class: desk, configuration: {memory: "32"}}
  three: {name: Product Three, maker: Brun, class: desk, configuration: {memory: "32"}}
titles:
  dell: {name: The Dell, planned_s: 4, workload: dell, settings: {lines: "900"}}
  hill: {name: The Hill, planned_s: 4, workload: hill, settings: {lines: "900"}}
"""
OTHER_KINDS = """\
  score: {name: A score, measures: score}
  task: {name: A task, measures: duration}
  meter: {name: At the meter, measures: power, workload: dell, settings: {lines: "900"}}
  fan: {name: Fan, measures: noise}
  battery: {name: Battery, measures: battery_life}
"""
PARAMS = """\
format: marginbook-params/1
review: made
title: A made review
byline: The desk
date: 2026-11-16
bench: bench
product: one
rivals: [two, three]
titles: all
controls: [memory]
metrics: {low: percentile}
margins: {method: auto, confidence: 0.95, level_band: 0.02, seed: 1}
"""
COLUMNS = (
    "run", "product", "title", "layout", "log", "began", "session", "status", "reason",
    "average_fps", "low_1pct_fps", "value", "unit", "driver",
)  # fmt: skip


def typed(
    product: str,
    title: str,
    level: float,
    *,
    kind: str = "average_fps",
    began: str = "2026-11-10",
    driver: str = "52",
    steps: Sequence[float] = STEPS,
    tag: str = "",
) -> list[dict[str, str]]:
    """Return rows of the run sheet: one a step, around a level (added up for dB)."""
    rows = []
    for n, step in enumerate(steps, 1):
        figure = level + 100 * step if title == "fan" else level * float(np.exp(step))
        rows.append(
            {
                "run": f"{product}-{title}{tag}-{n}", "product": product, "title": title,
                "began": f"{began}T10:{n:02d}:00+00:00", "session": f"{product}-{began}{tag}",
                "status": "ran", kind: f"{figure:.6f}", "driver": driver,
            }
        )  # fmt: skip
    return rows


def logged(
    folder: Path,
    product: str,
    title: str,
    frame_ms: float,
    *,
    watt: float | None = None,
    runs: int = 3,
    began: str = "2026-11-10",
    driver: str = "52",
    tag: str = "",
    step: float = 0.002,
) -> list[dict[str, str]]:
    """Write short logs (4 s and more) of frames around `frame_ms`, each
    run slower than the one before by `step`; return their rows."""
    rows = []
    for n in range(1, runs + 1):
        count = int(4400 / frame_ms)
        wave = 1 + 0.02 * np.sin(np.arange(count) * 0.7 + n)
        frames = frame_ms * wave * (1 + step * (n - 2))
        frames[count // 2] *= 4  # one hitch
        name = f"{product}-{title}{tag}-{n}"
        path = folder / "logs" / f"{name}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        power = "" if watt is None else f",{watt:.1f}"
        lines = ["took_ms,watt", *(f"{ms:.4f}{power or ','}" for ms in frames)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        rows.append(
            {
                "run": name, "product": product, "title": title, "layout": "plain",
                "log": f"logs/{name}.csv", "began": f"{began}T11:{n:02d}:00+00:00",
                "session": f"{product}-{began}{tag}", "status": "ran", "driver": driver,
            }
        )  # fmt: skip
    return rows


def write_bench(folder: Path, rows: Sequence[Mapping[str, str]], *, kinds: bool = False) -> Path:
    """Write the bench into `folder`/bench; return its folder."""
    bench = folder / "bench"
    bench.mkdir(parents=True, exist_ok=True)
    (bench / "bench.yaml").write_text(BENCH + (OTHER_KINDS if kinds else ""), encoding="utf-8")
    with (bench / "runs.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, COLUMNS, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return bench


def write_params(folder: Path, more: str = "", *, review: str = "made") -> Path:
    """Write a params file into `folder`; return its path."""
    path = folder / f"{review}.yaml"
    text = PARAMS.replace("review: made", f"review: {review}") + more
    path.write_text(text, encoding="utf-8")
    return path


def kinds_rows(folder: Path) -> list[dict[str, str]]:
    """Return rows of every kind of result on two products, logs with power among them."""
    rows = []
    for product, ms, watt in (("one", 8.0, 100.0), ("two", 10.0, 120.0)):
        rows += logged(folder / "bench", product, "dell", ms, watt=watt)
        rows += logged(folder / "bench", product, "hill", 2 * ms)
    levels = {"score": (1200, 1000), "task": (50, 60), "meter": (150, 180), "fan": (36, 40),
              "battery": (6, 5)}  # fmt: skip
    for title, pair in levels.items():
        for product, level in zip(("one", "two"), pair, strict=True):
            rows += typed(product, title, level, kind="value")
    return rows
