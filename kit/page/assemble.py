"""An executed notebook as one HTML file: nothing in it runs, nothing is loaded.

Every piece passes a sanitiser with a list of what is allowed, whatever made it; the page's
content policy then forbids what the list should have stopped. The same notebook gives the same
bytes.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from kit.errors import PageError
from kit.package import PACKAGE
from kit.page.cell_html import CLOSED_MIME, markdown_html, output_html, source_text
from kit.page.html import text_html

MAX_BACK_LINKS = 3
RECORD = "the-record"  # what follows this heading is the record: each part closed until opened


@dataclass(slots=True)
class _Section:
    """One part of the page under a heading of level 2 (the first: before any heading)."""

    pieces: list[str] = field(default_factory=list)
    code: list[str] = field(default_factory=list)


def build_page(notebook: Mapping[str, Any]) -> str:
    """Return the page of an executed notebook.

    Parameters
    ----------
    notebook : mapping
        A notebook of format 4, as parsed from its JSON.

    Raises
    ------
    PageError
        If a cell failed, a picture has no text to stand for it, a link leads nowhere, an id
        stands twice, or there is no title (a heading of level 1).
    """
    closed: Mapping[str, Any] = {}
    sections = [_Section()]
    for number, cell in enumerate(notebook["cells"], start=1):
        source = source_text(cell.get("source", ""))
        place = f"cell {cell.get('id', number)}"
        if cell["cell_type"] == "markdown":
            _add(sections, markdown_html(source, place))
        elif cell["cell_type"] == "code":
            code_owner = sections[-1]
            for output in cell.get("outputs", ()):
                closed = output.get("data", {}).get(CLOSED_MIME, closed)
                _add(sections, output_html(output, place))
            if source.strip():
                code_owner.code.append(source)
    head, body = _split_head("".join(sections[0].pieces))
    sections[0].pieces = [body]
    return _assemble(head, sections, closed)


def frame_page(head: str, body: str) -> str:
    """Return a page of the same look that is made of no notebook.

    Parameters
    ----------
    head : str
        Its head, from `kit.page.html.page_head`.
    body : str
        Its parts, each opened by a heading of level 2. Taken as it is: it comes from the kit's own
        functions and may link to files beside the page.
    """
    sections = [_Section()]
    _add(sections, body)
    return _assemble(head, sections, {})


def _add(sections: list[_Section], markup: str) -> None:
    """Add a piece to the last section; each heading of level 2 in it opens a new one."""
    first, *rest = re.split(r"(?=<h2\b)", markup)
    sections[-1].pieces.append(first)
    for piece in rest:
        sections.append(_Section([piece]))


def _split_head(markup: str) -> tuple[str, str]:
    """Return the page's head (its hgroup, or its first heading) and what is left."""
    found = re.search(r"<hgroup\b.*?</hgroup>|<h1\b.*?</h1>", markup, flags=re.DOTALL)
    if found is None:
        raise PageError("the notebook has no title: neither a page head nor a heading of level 1")
    return found.group(), markup[: found.start()] + markup[found.end() :]


def _assemble(head: str, sections: Sequence[_Section], closed: Mapping[str, Any]) -> str:
    slugs: set[str] = set()
    opening, *parts = sections
    shown = [("", "".join(opening.pieces))]
    for part in parts:
        shown.append(_with_heading_ids("".join(part.pieces), slugs))
    record = next((n for n, (slug, _) in enumerate(shown) if slug == RECORD), len(shown))
    if record < len(shown):  # code is for those who check: what made the article stands at the end
        for part in parts[:record]:
            opening.code += part.code
            part.code = []
    body = [
        _wrap(slug, markup, _fold(part.code) if slug else "", n - record)
        for n, ((slug, markup), part) in enumerate(zip(shown, sections, strict=True))
    ]
    contents = _contents([markup for _, markup in shown[1 : record + 1]])
    # The first screen answers, the contents come after it; an article is read in its order, so
    # there they stand where it ends.
    body.insert(record if record < len(body) else min(2, len(body)), contents)
    content = _number_boxes(_link_back("".join(body)))
    # An article's heading is its finding; the page is named by its title.
    named = re.search(r'<p class="masthead"><b>(.*?)</b>|<h1\b[^>]*>(.*?)</h1>', head, re.DOTALL)
    title = _bare(next(filter(None, named.groups()), "")) if named else ""
    lang = re.search(r'<hgroup\b[^>]* lang="([^"]+)"', head)
    style = _style()
    page: str = _template().render(
        title=title,
        lang=lang.group(1) if lang else "en",
        style=style,
        style_sha256=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
        head=head,
        content=content,
        setup=_fold(opening.code, words="How this page was set up"),
        closed=closed,
    )
    _check_links(page)
    return page


def _style() -> str:
    return (PACKAGE / "page" / "page.css").read_text(encoding="utf-8").strip()


@lru_cache(maxsize=1)
def _template() -> Any:
    import jinja2

    source = (PACKAGE / "page" / "page.html.j2").read_text(encoding="utf-8")
    return jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    ).from_string(source)


def _fold(code: Sequence[str], *, words: str = "How this was computed") -> str:
    if not code:
        return ""
    cells = "".join(f"<pre><code>{text_html(source)}</code></pre>" for source in code)
    return f'<details class="code"><summary>{words}</summary>{cells}</details>'


def _wrap(slug: str, markup: str, code: str, place: int) -> str:
    """Return a part as a section: of the article, the head of the record, or a part of it, closed.

    `place` is below 0 in the article, 0 for the head of the record, above 0 behind it.
    """
    if not slug:
        return markup
    if place <= 0:
        kind = " record-head" if place == 0 else ""
        return f'<section class="part{kind}" aria-labelledby="{slug}">{markup}{code}</section>'
    head, end, rest = markup.partition("</h2>")
    return (
        f'<section class="part record" aria-labelledby="{slug}"><details>'
        f"<summary>{head}{end}</summary>{rest}{code}</details></section>"
    )


def _with_heading_ids(markup: str, slugs: set[str]) -> tuple[str, str]:
    """Return the id of a part's first heading, and the part with an id on every heading."""
    first = ""

    def give_id(found: re.Match[str]) -> str:
        nonlocal first
        level, attributes, words = found.groups()
        known = re.search(r' id="([^"]*)"', attributes)
        slug = known.group(1) if known else _slug(_bare(words), slugs)
        slugs.add(slug)
        first = first or slug
        given = "" if known else f' id="{slug}"'
        return f"<h{level}{given}{attributes}>{words}</h{level}>"

    with_ids = re.sub(r"<h([234])\b([^>]*)>(.*?)</h\1>", give_id, markup, flags=re.DOTALL)
    return first, with_ids


def _slug(words: str, taken: set[str]) -> str:
    """Return an id made of a heading's words: the same words, the same id.

    >>> _slug("Alike, and not alike", set())
    'alike-and-not-alike'
    """
    plain = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-") or "part"
    number = 1
    while (candidate := slug if number == 1 else f"{slug}-{number}") in taken:
        number += 1
    return candidate


def _bare(markup: str) -> str:
    """Return the words of a piece of markup."""
    return html.unescape(re.sub(r"<[^>]*>", "", markup)).strip()


def _contents(parts: Sequence[str]) -> str:
    """Return the list of contents: headings of level 2, those of level 3 under them."""
    rows = []
    for markup in parts:
        heads = re.findall(r'<h([23]) id="([^"]+)"([^>]*)>(.*?)</h\1>', markup, flags=re.DOTALL)
        listed = [
            (level, slug, _bare(words))
            for level, slug, rest, words in heads
            if "unlisted" not in rest
        ]
        top = [(slug, words) for level, slug, words in listed if level == "2"]
        below = [(slug, words) for level, slug, words in listed if level == "3"]
        inner = "".join(f'<li><a href="#{s}">{html.escape(w)}</a></li>' for s, w in below)
        inner = f"<ol>{inner}</ol>" if inner else ""
        for slug, words in top:
            rows.append(f'<li><a href="#{slug}">{html.escape(words)}</a>{inner}</li>')
    if not rows:
        return ""
    return f'<nav class="contents" aria-label="Contents"><ol>{"".join(rows)}</ol></nav>'


def _link_back(body: str) -> str:
    """Return the body with short ids where figures are shown, and links to them in the traces.

    The first three places a figure is shown at are linked; a trace of a figure shown nowhere
    keeps no link back.
    """
    places: dict[str, list[str]] = {}
    count = 0

    def mark(found: re.Match[str]) -> str:
        nonlocal count
        anchor = found.group(1)
        known = places.setdefault(anchor, [])
        if len(known) == MAX_BACK_LINKS:
            return found.group()
        count += 1
        known.append(f"s{count}")
        return f'<a class="fig" id="s{count}" href="#{anchor}">'

    def back(found: re.Match[str]) -> str:
        links = [
            f'<a class="back" href="#{place}">back{f" {n}" if n > 1 else ""}</a>'
            for n, place in enumerate(places.get(found.group(1), ()), start=1)
        ]
        return " ".join(links)

    body = re.sub(r'<a class="fig" href="#([^"]+)">', mark, body)
    return re.sub(r'<a class="back" href="#shown-([^"]+)">back</a>', back, body)


def _number_boxes(body: str) -> str:
    """Return the body with the labels of table boxes made unique."""
    seen: dict[str, int] = {}

    def label(found: re.Match[str]) -> str:
        words = found.group(2)
        seen[words] = number = seen.get(words, 0) + 1
        return found.group(1) + words + (f" ({number})" if number > 1 else "") + '"'

    return re.sub(r'(<section class="table-box[^"]*" aria-label=")([^"]*)"', label, body)


def _check_links(page: str) -> None:
    """Refuse a page with an id that stands twice or a link that leads nowhere."""
    ids = re.findall(r'<[a-z][^<>]*? id="([^"]*)"', page)
    twice = sorted(name for name, count in Counter(ids).items() if count > 1)
    known = {html.unescape(name) for name in ids}
    links = {html.unescape(name) for name in re.findall(r'<a [^<>]*?href="#([^"]*)"', page)}
    lost = sorted(links - known)
    faults = [f"the id {name!r} stands twice" for name in twice[:5]]
    faults += [f"a link leads to {name!r}, which is not in the page" for name in lost[:5]]
    if faults:
        more = len(twice) + len(lost) - len(faults)
        raise PageError("; ".join(faults) + (f"; and {more} more" if more > 0 else ""))
