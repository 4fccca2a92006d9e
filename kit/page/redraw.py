"""What of a page its claims alone give: each line of a template's cells that shows claims, and a
finished page's cells drawn again from `claims.json`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from kit.claims.bound_text import BoundText, bind_review_text
from kit.claims.claim import ClaimBook
from kit.page.article import SECTIONS
from kit.page.assemble import build_page
from kit.page.cell_html import CLOSED_MIME
from kit.page.html import Html, paragraph, show_text
from kit.page.tables import PIECES
from kit.page.traces import trace_section
from kit.page.view import show
from kit.review.walk import Review
from kit.settings.metric import METRICS

if TYPE_CHECKING:
    from kit.charts.style import Chart


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


def review_pieces(
    review: Review, book: ClaimBook, charts: Mapping[str, Sequence[Chart]] | None = None
) -> dict[str, Callable[[], Html]]:
    """Return how each piece of a review's page is made, by the line that shows it: those of the
    claims, its text, and the charts at hand."""
    text = {show_line("text"): lambda: show_text(bind_review_text(review.loaded, book))}
    return _claim_pieces(book, charts) | text


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
            closed = {"review": book.review, "claims_sha256": claims_sha256}
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
