"""The cells of a page that claims give, drawn from the claims alone."""

from __future__ import annotations

from collections.abc import Mapping

from kit.claims.claim import ClaimBook
from kit.page.html import Html
from kit.page.outputs import _claim_pieces


def redraw_cells(book: ClaimBook, sources: Mapping[str, str]) -> dict[str, Html]:
    """Return the cells of a template by id, of those whose last line shows what claims give."""
    pieces = _claim_pieces(book)
    lines = {name: source.strip().rpartition("\n")[2] for name, source in sources.items()}
    return {name: pieces[line]() for name, line in lines.items() if line in pieces}
