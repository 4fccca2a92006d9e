"""The files a review leaves beside its page: `claims.json`, `tables/*.csv`, `charts/*`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.claims.claim import ClaimBook, claims_frame, claims_json
from kit.claims.of_pages import PAGE_KINDS, page_name
from kit.planning.of_review import order_frame, plan_of_review
from kit.review.health import measure_health
from kit.review.look_into import look_into
from kit.review.walk import Results, Review
from kit.rounding import table_csv

if TYPE_CHECKING:
    from kit.charts.style import Chart


TABLES = {
    "cells": ("cell",),
    "margins": ("margin",),
    "suites": ("suite",),
    "levels": ("level_difference",),
    "energy": ("energy", "fps_per_watt"),
    "drift": ("drift_anchor", "drift"),
}


def write_outputs(
    review: Review,
    results: Results,
    book: ClaimBook,
    charts: Mapping[str, Sequence[Chart]],
    out_dir: str | Path,
) -> list[str]:
    """Write claims, tables and charts into `out_dir`; return the names of the files written."""
    from kit.page.pictures import write_charts

    folder = Path(out_dir)
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    written = [folder / "claims.json"]
    written[0].write_bytes(claims_json(book))
    for name, frame in result_frames(review, results, book).items():
        path = folder / "tables" / f"{name}.csv"
        path.write_text(table_csv(frame), encoding="utf-8")
        written.append(path)
    written += write_charts(charts, folder / "charts")
    return [path.relative_to(folder).as_posix() for path in written]


def result_frames(review: Review, results: Results, book: ClaimBook) -> dict[str, Any]:
    """Return the tables of a review as DataFrames by file stem, figures unrounded."""
    frames = {"runs": _runs_frame(book), "screening": review.screened.to_frame()}
    own = PAGE_KINDS[page_name(review.params)].tables
    for name, kinds in TABLES.items():
        frame = claims_frame(claim for claim in book.claims if claim.kind in kinds)
        if name in own or len(frame):
            frames[name] = frame
    frames |= {name: FRAMES[name](review, results) for name in own if name not in TABLES}
    return {name: frame for name, frame in frames.items() if frame is not None}


FRAMES: Mapping[str, Callable[[Review, Results], Any]] = {
    "look": lambda review, _: look_into(review).to_frame(),
    "hitches": lambda review, _: look_into(review).hitches_frame(),
    "repeatability": lambda *made: measure_health(*made).to_frame(),
    "stale": lambda *made: measure_health(*made).stale_frame(),
    "gaps": lambda *made: measure_health(*made).gaps_frame(),
    "tasks": lambda *made: measure_health(*made).tasks_frame(),
    "plan": lambda review, _: plan_of_review(review).plan.to_frame(),
    "order": lambda review, _: order_frame(plan_of_review(review).order),
    "value": lambda _, results: results.value and results.value.to_frame(),
    "weighings": lambda _, results: results.value and results.value.weighings_frame(),
}


def _runs_frame(book: ClaimBook) -> Any:
    import pandas as pd

    figures = {(c.metric, (*c.runs, *c.set_aside)[0]): c.value for c in book.of_kind("run")}
    metrics = list(dict.fromkeys(metric for metric, _ in figures))
    columns = [
        "run",
        "product",
        "title",
        "used",
        "reason",
        *metrics,
        "frames",
        "duration_s",
        "session",
        "began",
        "file",
        "sha256",
    ]
    rows = [
        [
            r.id,
            r.product,
            r.title,
            r.used,
            r.reason,
            *(figures.get((m, r.id)) for m in metrics),
            r.frames,
            r.duration_s,
            r.session,
            r.began,
            r.file,
            r.sha256,
        ]
        for r in book.runs
    ]
    return pd.DataFrame(rows, columns=columns)
