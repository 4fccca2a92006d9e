"""What a review's claims alone give: its page's cells drawn again, and the files beside the page.

These are each line of a template's cells that shows claims, and `claims.json`, `tables/*.csv` and
`charts/*`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.claims.bound_text import BoundText, bind_review_text
from kit.claims.claim import ClaimBook, claims_frame
from kit.claims.of_pages import PAGE_KINDS, page_of
from kit.page.answers import Runs
from kit.page.article import SECTIONS
from kit.page.assemble import CLOSED_MIME, build_page
from kit.page.html import Html, paragraph, show_text
from kit.page.tables import PIECES
from kit.page.traces import trace_section
from kit.page.view import show
from kit.review.walk import Review
from kit.rounding import table_csv
from kit.settings.metric import METRICS

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
    "loads": ("load", "load_spread", "load_ratio", "load_difference"),
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
    folder = Path(out_dir)
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    written = [folder / "claims.json"]
    written[0].write_bytes(book.to_json())
    for name, frame in result_frames(book).items():
        path = folder / "tables" / f"{name}.csv"
        path.write_text(table_csv(frame), encoding="utf-8")
        written.append(path)
    written += _write_charts(charts, folder / "charts")
    return [path.relative_to(folder).as_posix() for path in written]


def _write_charts(charts: Mapping[str, Sequence[Chart]], folder: Path) -> list[Path]:
    """Write every chart as SVG, PNG of 1920x1080 and CSV; return the files written."""
    progress = logging.getLogger("marginbook.progress")
    made = [chart for subject in charts.values() for chart in subject]
    paths: list[Path] = []
    for number, chart in enumerate(made, 1):
        progress.info("drawing charts: %d of %d", number, len(made))
        paths += chart.export(folder)
    return paths


def result_frames(book: ClaimBook) -> dict[str, Any]:
    """Return the tables of a review by file stem.

    Returns
    -------
    dict of str to DataFrame
        `runs`, and those of `TABLES` that have claims or that the kind of page names; figures
        unrounded, a row a claim with the columns of `kit.claims.claim.TABLE_COLUMNS`.
    """
    frames = {"runs": Runs(book).to_frame().drop(columns="flags").reset_index()}
    own = ("screening", *PAGE_KINDS[page_of(book.settings["template"])].tables)
    for name, kinds in TABLES.items():
        frame = claims_frame(claim for claim in book.claims if claim.kind in kinds)
        if name in own or len(frame):
            frames[name] = frame
    return frames


def show_line(section: str, metric: str = "") -> str:
    """Return the line of a template that shows a section.

    >>> show_line("margins", "value")
    'review.show("margins", metric="value")'
    """
    asked = f', metric="{metric}"' if metric else ""
    return f'review.show("{section}"{asked})'


def _claim_pieces(
    book: ClaimBook, charts: Mapping[str, Sequence[Chart]] | None = None
) -> dict[str, Callable[[], Html]]:
    """Return how each piece of a page is made, by the line of code that shows it.

    `charts` are those at hand, by subject; None where they cannot be drawn.
    """
    pieces: dict[str, Callable[[], Html]] = {show_line("traces"): partial(trace_section, book)}
    for name, piece in PIECES.items():
        for metric in ("", *METRICS):
            pieces[show_line(name, metric)] = partial(show, book, piece, metric=metric)
    pieces |= {show_line(name): partial(_show_part, part, book) for name, part in SECTIONS.items()}
    for name, made in (charts or {}).items():
        pieces[f'review.show_charts("{name}")'] = partial(_show_charts, made, book)
    return pieces


def review_pieces(review: Review, book: ClaimBook) -> dict[str, Callable[[], Html]]:
    """Return how each piece of a review's page but its charts is made, by the line that shows it:
    those of the claims, and its text."""
    text = {show_line("text"): lambda: show_text(bind_review_text(review.loaded, book))}
    return _claim_pieces(book) | text


def _show_part(part: Callable[[ClaimBook], Html], book: ClaimBook) -> Html:
    return replace(part(book), article=True)


def _show_charts(made: Sequence[Chart], book: ClaimBook) -> Html:
    from kit.page.pictures import show_charts

    return show_charts(made, book)


def redraw_page(
    notebook: Mapping[str, Any], book: ClaimBook, text: BoundText | None, *, claims_sha256: str
) -> tuple[str, tuple[str, ...]]:
    """Return a finished page made again from its claims and text alone, and what it lacks.

    Parameters
    ----------
    notebook : mapping
        The template of the page, as parsed from its JSON.
    book : ClaimBook
        As read from `claims.json`: neither params, bench nor raw logs are needed.
    text : BoundText or None
        The review's text, bound to these claims.
    claims_sha256 : str
        Of `claims.json`, which the page names at its end.

    Returns
    -------
    str, tuple of str
        The page, and the ids of the cells that claims do not give: what was installed, charts of
        single frames, a text that is not at hand. The page says so in their place.
    """
    from kit.page.pictures import claim_charts

    pieces = _claim_pieces(book, claim_charts(book))
    if text is not None or not book.settings.get("text"):
        pieces[show_line("text")] = partial(show_text, text)
    cells, lacking = [], []
    for cell in notebook["cells"]:
        cells.append(dict(cell))
        if cell["cell_type"] != "code":
            continue
        line = "".join(cell["source"]).strip().rpartition("\n")[2]
        if line in pieces:
            cells[-1]["outputs"] = [_output({"text/html": pieces[line]()._repr_html_()})]
        elif line.startswith(SHOWN):
            lacking.append(cell["id"])
            cells[-1]["outputs"] = [_output({"text/html": LACKING._repr_html_()})]
        elif line.startswith("review.close("):
            house = {"house": h} if (h := book.names.get("style")) else {}
            closed = {"review": book.review, "claims_sha256": claims_sha256} | house
            cells[-1]["outputs"] = [_output({CLOSED_MIME: closed})]
        elif "parameters" in cell["metadata"].get("tags", ()):
            given = f"params_path = {book.params_file!r}\nout_dir = {book.review!r}"
            cells.append({"cell_type": "code", "id": "injected-parameters", "source": given})
    return build_page({"cells": cells}), tuple(lacking)


def _output(data: Mapping[str, Any]) -> dict[str, Any]:
    return {"output_type": "display_data", "data": data, "metadata": {}}


SHOWN = ("review.show(", "review.show_charts(")  # lines that show a part of the page
LACKING = paragraph(
    "Not made again: it does not follow from the claims. The review's own page has it."
)
