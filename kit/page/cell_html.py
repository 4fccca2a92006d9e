"""What a cell of a notebook shows, as HTML that can neither run nor load anything.

Every piece passes a sanitiser with a list of what is allowed, whatever made it.
"""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from kit.errors import ExecutionError
from kit.page.html import WRAPPER, text_html

CLOSED_MIME = "application/vnd.marginbook.closed+json"
IMAGES = ("image/svg+xml", "image/png", "image/jpeg")

TAGS = {
    "a", "abbr", "b", "bdi", "blockquote", "br", "caption", "code", "col", "colgroup", "data",
    "dd", "del", "details", "div", "dl", "dt", "em", "figcaption", "figure", "h1", "h2", "h3",
    "h4", "hgroup", "hr", "i", "img", "ins", "li", "mark", "nav", "ol", "p", "pre", "q", "s",
    "section", "small", "span", "strong", "sub", "summary", "sup", "table", "tbody", "td",
    "tfoot", "th", "thead", "time", "tr", "u", "ul",
    # Choices without a script.
    "fieldset", "input", "label", "legend",
    # Pictures: shapes and text alone, nothing that refers to anything.
    "circle", "g", "line", "path", "rect", "svg", "text",
}  # fmt: skip
ATTRIBUTES = {
    "*": {"id", "class", "lang", "dir", "role", "tabindex"},
    "a": {"href"},
    "img": {"src", "alt", "width", "height"},
    "data": {"value"},
    "time": {"datetime"},
    "th": {"scope", "colspan", "rowspan"},
    "td": {"colspan", "rowspan"},
    "col": {"span"},
    "ol": {"start"},
    "details": {"open"},
    "abbr": {"title"},
    "input": {"type", "name", "checked"},
    "label": {"for"},
    "svg": {"x", "y", "width", "height", "overflow"},
    "g": {"transform"},
    "line": {"x1", "x2", "y1", "y2"},
    "rect": {"x", "y", "width", "height"},
    "circle": {"cx", "cy", "r"},
    "path": {"d"},
    "text": {"x", "y", "dx", "dy", "text-anchor", "paint-order"},
}
IMAGE_SOURCE = re.compile(r"data:image/(png|jpeg|svg\+xml);base64,[A-Za-z0-9+/=]+\Z")
ADDRESS = re.compile(r" at 0x[0-9a-fA-F]+")


def _clean(markup: str) -> str:
    """Return markup with only what a report may hold; everything else is taken out."""
    import nh3

    cleaned = nh3.clean(
        markup,
        tags=TAGS,
        clean_content_tags={"script", "style", "template", "title", "object", "iframe"},
        attributes={tag: set(names) for tag, names in ATTRIBUTES.items()},
        attribute_filter=_attribute,
        generic_attribute_prefixes={"aria-"},
        url_schemes={"http", "https", "data"},
        link_rel=None,
        strip_comments=True,
    )
    return str(cleaned)


def _attribute(tag: str, name: str, value: str) -> str | None:
    """Return an attribute's value if it may stand, else None: no address loads or runs anything."""
    if name == "href":
        return value if re.match(r"#|https?://", value) else None
    if tag == "input" and name == "type":
        return value if value == "radio" else None
    if name == "src":
        return value if IMAGE_SOURCE.match(value) else None
    return value


def source_text(value: str | Sequence[str]) -> str:
    """Return a text of a notebook, which may be stored as a list of lines."""
    return value if isinstance(value, str) else "".join(value)


@lru_cache(maxsize=1)
def _markdown_reader() -> Any:
    from markdown_it import MarkdownIt

    # html=False: markup in prose is shown as text.
    return MarkdownIt("commonmark", {"html": False}).enable("table")


def markdown_html(source: str, place: str) -> str:
    """Return a prose cell as HTML; markup typed into it is shown as text.

    Parameters
    ----------
    source : str
        CommonMark, with tables.
    place : str
        The cell, for messages.

    Raises
    ------
    ExecutionError
        If it shows a picture without words, or one that would have to be loaded.
    """
    rendered: str = _clean(_markdown_reader().render(source))
    _refuse_bare_pictures(rendered, place)
    return rendered


def output_html(output: Mapping[str, Any], place: str) -> str:
    """Return one output of a cell as HTML: ours, a picture with its words, or plain text.

    Parameters
    ----------
    output : mapping
        An output of notebook format 4.
    place : str
        The cell, for messages.

    Raises
    ------
    ExecutionError
        If the output is an error, or a picture without words to stand for it.
    """
    kind = output["output_type"]
    if kind == "error":
        said = f"{output.get('ename', '')}: {output.get('evalue', '')}"
        raise ExecutionError(f"{place} failed, so there is no page: {said}")
    if kind == "stream":
        return _plain(source_text(output["text"]))
    data = output.get("data", {})
    if CLOSED_MIME in data:
        return ""
    markup = source_text(data.get("text/html", ""))
    if markup.startswith(WRAPPER):
        shown = _clean(markup.removeprefix(WRAPPER).removesuffix("</div>"))
        _refuse_bare_pictures(shown, place)
        return shown
    for mime in IMAGES:
        if mime in data:
            return _picture(data[mime], mime, output.get("metadata", {}), place)
    return _plain(source_text(data.get("text/plain", "")))


def _plain(text: str) -> str:
    """Return plain text as it was printed, addresses in memory left out."""
    text = ADDRESS.sub("", text).strip("\n")
    return f'<pre class="plain">{text_html(text)}</pre>' if text.strip() else ""


def _picture(data: Any, mime: str, metadata: Mapping[str, Any], place: str) -> str:
    """Return a picture that a cell shows by itself; its words stand in the output's metadata."""
    alt = metadata.get("alt") or metadata.get(mime, {}).get("alt") or ""
    if not alt.strip():
        raise ExecutionError(
            f"{place} shows a picture without words to stand for it; show it with "
            f'kit.page.html.image_figure, or give the output the metadata "alt"'
        )
    coded = source_text(data).replace("\n", "")
    if mime == "image/svg+xml":
        coded = base64.b64encode(source_text(data).encode()).decode()
    source = f"data:{mime};base64,{coded}"
    shown = f'<img src="{html.escape(source)}" alt="{html.escape(alt)}">'
    shown = _clean(f"<figure>{shown}</figure>")
    _refuse_bare_pictures(shown, place)
    return shown


def _refuse_bare_pictures(markup: str, place: str) -> None:
    """Refuse a picture without words, or one that the sanitiser left without its source."""
    for tag in re.findall(r"<img\b[^>]*>", markup):
        if not re.search(r'\balt="[^"]*[^"\s][^"]*"', tag):
            raise ExecutionError(f"{place} shows a picture without words to stand for it (alt)")
        if 'src="' not in tag:
            raise ExecutionError(f"{place} shows a picture that is not part of the notebook")
