"""Bound text as a part of the page: prose as HTML, each figure a link to its trace."""

from __future__ import annotations

import re

from kit.claims.bound_text import SOURCE, BoundText, Reference
from kit.page.html import Html, text_html


def show_text(text: BoundText | None) -> Html:
    """Return a bound text as HTML; nothing where the review has no text.

    Markup in the text is shown as text. Headings start at level 2: the text is a
    part of the page.
    """
    if text is None:
        return Html("")
    from markdown_it import MarkdownIt

    links: list[str] = []

    def hold_place(reference: Reference) -> str:
        links.append(reference_link(reference))
        return f"\ue000{len(links) - 1}\ue001"

    source = text.render(hold_place)
    source = SOURCE.sub(lambda m: f"({m['name'].strip()}, {m['date']})", source)
    # No raw HTML and no pictures: the page loads nothing, and prose cannot add to it.
    reader = MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")
    markup = str(reader.render(source))
    markup = re.sub(r"<(/?)h([1-6])>", _lower_heading, markup)
    return Html(re.sub("\ue000(\\d+)\ue001", lambda m: links[int(m[1])], markup))


def reference_link(reference: Reference) -> str:
    """Return a reference as a link to its claim's trace, with the claim's machine value."""
    claim = reference.claim
    shown = text_html(reference.text)
    if claim.value is not None:
        shown = f'<data value="{claim.value!r}">{shown}</data>'
    return f'<a class="fig" href="#{claim.anchor}">{shown}</a>'


def _lower_heading(match: re.Match[str]) -> str:
    return f"<{match[1]}h{min(6, int(match[2]) + 1)}>"
