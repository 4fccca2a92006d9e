"""The cells of a page that claims give, drawn from the claims alone."""

from __future__ import annotations

import json
from collections.abc import Mapping

from kit.claims.claim import ClaimBook
from kit.page.html import Html
from kit.page.outputs import _claim_pieces
from kit.report.template import own_template


def own_sources(page: str) -> dict[str, str]:
    """Return the source of each code cell of this version's own template of a page, by its id."""
    path = own_template(f"{page}.ipynb")
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return {c["id"]: "".join(c["source"]) for c in cells if c["cell_type"] == "code"}


def redraw_cells(book: ClaimBook, sources: Mapping[str, str]) -> dict[str, Html]:
    """Return the cells of a template by id, of those whose last line shows what claims give."""
    pieces = _claim_pieces(book)
    lines = {name: source.strip().rpartition("\n")[2] for name, source in sources.items()}
    return {name: pieces[line]() for name, line in lines.items() if line in pieces}
