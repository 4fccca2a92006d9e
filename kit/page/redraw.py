"""What of a page its claims alone give: each line of a template's cells that shows claims, and a
finished page's cells drawn again from `claims.json`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from types import FunctionType

from kit.claims.bound_text import bind_review_text
from kit.claims.claim import ClaimBook
from kit.page import article, tables
from kit.page.html import Html
from kit.page.prose import show_text
from kit.page.traces import trace_section
from kit.page.view import Lines, Piece, Table, show
from kit.review.walk import Review
from kit.settings.metric import METRICS

Declared = Piece | tuple[Piece, ...]
NOT_OF_CLAIMS = {"environment"}  # what is installed


def declared_pieces() -> dict[str, Declared]:
    """Return what this version declares for pages: tables, lists and functions of the claims.

    Raises
    ------
    RuntimeError
        If there are none: nothing could be compared, and "verified" would be an empty word.
    """
    found: dict[str, Declared] = {
        name: piece
        for name, piece in vars(tables).items()
        if isinstance(piece, Table | Lines)
        or (isinstance(piece, tuple) and any(isinstance(part, Table | Lines) for part in piece))
        or (isinstance(piece, FunctionType) and piece.__module__ == tables.__name__)
    }
    hidden = {name for name in found if name.startswith("_")} | NOT_OF_CLAIMS
    found = {name: piece for name, piece in found.items() if name not in hidden}
    if not found:
        raise RuntimeError("no table or section is declared in the kit's tables")
    return found


def show_line(section: str, metric: str = "") -> str:
    """Return the line of a template that shows a section.

    >>> show_line("margins", "value")
    'review.show("margins", metric="value")'
    """
    asked = f', metric="{metric}"' if metric else ""
    return f'review.show("{section}"{asked})'


def claim_pieces(book: ClaimBook) -> dict[str, Callable[[], Html]]:
    """Return how each piece that claims give is made, by the line of code that shows it."""
    pieces: dict[str, Callable[[], Html]] = {show_line("traces"): partial(trace_section, book)}
    for name, piece in declared_pieces().items():
        for metric in ("", *METRICS):
            line = show_line(name.lower(), metric)
            pieces[line] = partial(show, book, piece, metric=metric)
    for name, part in vars(article).items():
        own = isinstance(part, FunctionType) and part.__module__ == article.__name__
        if own and not name.startswith("_"):
            pieces[show_line(name)] = partial(show, book, part)
    return pieces


def review_pieces(review: Review, book: ClaimBook) -> dict[str, Callable[[], Html]]:
    """Return how each piece of a review's page but its charts is made, by the line that shows it:
    those of the claims, and its text."""
    text = {show_line("text"): lambda: show_text(bind_review_text(review.loaded, book))}
    return claim_pieces(book) | text


def redraw_cells(book: ClaimBook, sources: Mapping[str, str]) -> dict[str, Html]:
    """Return the cells of a page that claims give, drawn from the claims alone.

    Parameters
    ----------
    book : ClaimBook
        As read from `claims.json`: neither params, bench nor raw logs are needed.
    sources : mapping of str to str
        Source of each code cell of the page's template, by cell id.
    """
    pieces = claim_pieces(book)
    lines = {name: source.strip().rpartition("\n")[2] for name, source in sources.items()}
    return {name: pieces[line]() for name, line in lines.items() if line in pieces}
