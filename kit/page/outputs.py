"""The files a review leaves beside its page: `claims.json`, `tables/*.csv`, `charts/*`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.claims.claim import ClaimBook, claims_frame
from kit.claims.of_pages import PAGE_KINDS, page_of
from kit.rounding import table_csv

if TYPE_CHECKING:
    from kit.charts.style import Chart


# Kinds of claims of each table; one without claims is written where the kind of page names it.
TABLES: Mapping[str, tuple[str, ...]] = {
    "screening": ("flag",),
    "cells": ("cell",),
    "margins": ("margin",),
    "suites": ("suite",),
    "levels": ("level_difference",),
    "energy": ("energy", "fps_per_watt", "energy_margin", "energy_unsettled", "sensor_lag"),
    "drift": ("drift_anchor", "drift"),
    "value": ("price", "suite_fps", "cost_per_fps", "frontier", "not_weighed"),
    "weighings": ("premium", "price_difference", "equal_value_price", "cut_needed"),
    "look": ("look", "sensor", "share_within"),
    "hitches": ("hitch",),
    "repeatability": ("spread_base", "spread", "spread_unknown", "component"),
    "stale": ("stale",),
    "gaps": ("without_run",),
    "tasks": ("task_why", "task_titles", "task"),
    "plan": ("plan", "plan_margin", "not_planned"),
    "order": ("order",),
}


def write_outputs(
    book: ClaimBook, charts: Mapping[str, Sequence[Chart]], out_dir: str | Path
) -> list[str]:
    """Write claims, tables and charts into a folder.

    Parameters
    ----------
    book : ClaimBook
    charts : mapping of str to sequence of Chart
        By subject, from `kit.page.pictures.make_charts`.
    out_dir : str or Path
        Made if it is not there.

    Returns
    -------
    list of str
        The files written, from `out_dir`.
    """
    from kit.page.pictures import write_charts

    folder = Path(out_dir)
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    written = [folder / "claims.json"]
    written[0].write_bytes(book.to_json())
    for name, frame in result_frames(book).items():
        path = folder / "tables" / f"{name}.csv"
        path.write_text(table_csv(frame), encoding="utf-8")
        written.append(path)
    written += write_charts(charts, folder / "charts")
    return [path.relative_to(folder).as_posix() for path in written]


def result_frames(book: ClaimBook) -> dict[str, Any]:
    """Return the tables of a review by file stem.

    Returns
    -------
    dict of str to DataFrame
        `runs`, and those of `TABLES` that have claims or that the kind of page names; figures
        unrounded, a row a claim with the columns of `kit.claims.claim.TABLE_COLUMNS`.
    """
    frames = {"runs": _runs_frame(book)}
    own = ("screening", *PAGE_KINDS[page_of(book.settings["template"])].tables)
    for name, kinds in TABLES.items():
        frame = claims_frame(claim for claim in book.claims if claim.kind in kinds)
        if name in own or len(frame):
            frames[name] = frame
    return frames


def _runs_frame(book: ClaimBook) -> Any:
    """Return a row a run, used or not, with its figures."""
    import pandas as pd

    figures = {(c.metric, (*c.runs, *c.set_aside)[0]): c.value for c in book.of_kind("run")}
    metrics = list(dict.fromkeys(metric for metric, _ in figures))
    first = ("id", "product", "title", "used", "reason")
    last = ("frames", "duration_s", "session", "began", "file", "sha256")
    rows = [
        [
            *(getattr(run, name) for name in first),
            *(figures.get((metric, run.id)) for metric in metrics),
            *(getattr(run, name) for name in last),
        ]
        for run in book.runs
    ]
    return pd.DataFrame(rows, columns=["run", *first[1:], *metrics, *last])
