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

from lxml import etree
from lxml import html as markup_tree
from lxml.builder import ElementMaker

from kit.errors import ExecutionError
from kit.package import PACKAGE
from kit.page.html import TURNING, WRAPPER, text_html
from kit.page.words import Words, words_in
from kit.rounding import NBSP

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


def _markdown_html(source: str, place: str) -> str:
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


def _output_html(output: Mapping[str, Any], place: str) -> str:
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


MAX_BACK_LINKS = 3
# What HTML writes without an end; and shapes, which have no content: a tenth off an article.
SHORT = ("br", "hr", "img", "input", "col", "line", "rect", "circle", "path")
_EMPTY = etree.XPath(
    f"descendant-or-self::*[not(node())][not({' or '.join(f'self::{tag}' for tag in SHORT)})]"
)
make = ElementMaker(makeelement=markup_tree.Element)
RECORD = "the-record"  # what follows this heading is the record: each part closed until opened


@dataclass(slots=True)
class _Section:
    """One part of the page under a heading of level 2 (the first: before any heading)."""

    body: Any = field(default_factory=lambda: markup_tree.Element("section"))
    code: list[str] = field(default_factory=list)

    @property
    def slug(self) -> str:
        """The id of its heading."""
        return str(self.body[0].get("id")) if len(self.body) else ""


# Written as XML, so that pictures stay as drawn; these elements and attributes as HTML has them.
# Text and values hold no "<", and ">" ends a tag: both are escaped.
_VOID = re.compile(r"<(br|col|hr|img|input|link|meta)\b([^<>]*?)\s*/>")
_BOOLEAN = re.compile(r"(?<=[\w\"])( checked)=\"(?:checked)?\"(?=[^<>]*>)")
# End tags that HTML leaves out before what ends them anyhow (HTML standard, 13.1.2.4): 3 %.
_IMPLIED = re.compile(
    r"</(?:t[dh]>(?=<t[dh][ >]|</tr>)|dt>(?=<d[td][ >])"
    r"|dd>(?=<d[td][ >]|</dl>)|li>(?=<li[ >]|</[ou]l>))"
)


def build_page(notebook: Mapping[str, Any]) -> str:
    """Return the page of an executed notebook.

    Parameters
    ----------
    notebook : mapping
        A notebook of format 4, as parsed from its JSON.

    Returns
    -------
    str
        The page: one HTML file that loads and runs nothing. The same notebook gives the same bytes.

    Raises
    ------
    ExecutionError
        If a cell failed, a picture has no text to stand for it, a link leads nowhere, an id
        stands twice, or there is no title (a heading of level 1).
    """
    closed: Mapping[str, Any] = {}
    sections = [_Section()]
    for number, cell in enumerate(notebook["cells"], start=1):
        source = source_text(cell.get("source", ""))
        place = f"cell {cell.get('id', number)}"
        if cell["cell_type"] == "markdown":
            _add(sections, _markdown_html(source, place))
        elif cell["cell_type"] == "code":
            code_owner = sections[-1]
            for output in cell.get("outputs", ()):
                closed = output.get("data", {}).get(CLOSED_MIME, closed)
                _add(sections, _output_html(output, place))
            if source.strip():
                code_owner.code.append(source)
    head = next(sections[0].body.iter("hgroup", "h1"), None)
    if head is None:
        raise ExecutionError(
            "the notebook has no title: neither a page head nor a heading of level 1"
        )
    head.drop_tree()
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
    return _assemble(markup_tree.fragment_fromstring(head), sections, {})


def _add(sections: list[_Section], markup: str) -> None:
    """Add a piece to the last section; each heading of level 2 in it opens a new one."""
    markup = re.sub(f"[{TURNING}]", "\ufffd", markup)
    parser = markup_tree.HTMLParser(huge_tree=True)  # pictures are long, and nothing is foreign
    piece = markup_tree.fragment_fromstring(markup, create_parent="div", parser=parser)
    body = sections[-1].body
    if piece.text and len(body):
        body[-1].tail = (body[-1].tail or "") + piece.text
    elif piece.text:
        body.text = (body.text or "") + piece.text
    for node in list(piece):
        if node.tag == "h2":
            sections.append(_Section())
        sections[-1].body.append(node)


def _assemble(head: Any, sections: Sequence[_Section], closed: Mapping[str, Any]) -> str:
    """Return the page of its head, its parts, and what is known of the review once it is closed.

    Adds what no part knows by itself: ids, contents, links back from the traces, folded code.
    """
    opening, *parts = sections
    slugs: set[str] = set()
    for part in parts:
        _give_heading_ids(part.body, slugs)
    record = next((n for n, part in enumerate(sections) if part.slug == RECORD), len(sections))
    if record < len(sections):  # code is for those who check: that of the article stands at the end
        for part in parts[: record - 1]:
            opening.code += part.code
            part.code = []
    words = words_in(head.get("lang") or "en")
    contents = _contents([part.body for part in sections[1 : record + 1]], words)
    main = opening.body
    # The first screen answers, the contents come after it; an article is read in its order, so
    # there they stand where it ends.
    before = record if record < len(sections) else min(2, len(sections))
    for n, part in enumerate(sections):
        if n == before and contents is not None:
            main.append(contents)
        if n:
            main.append(_wrapped(part, n - record, words.language))
    if before == len(sections) and contents is not None:
        main.append(contents)
    _link_back(main)
    _number_boxes(main)
    _check_links(head, main)
    # An article's heading is its finding; the page is named by its title.
    named = [*head.xpath(".//p[@class='masthead']/b"), *head.iter("h1")]
    style = _style(closed.get("house", {})) + _foot_of_print(head)
    page: str = _template().render(
        title=named[0].text_content().strip() if named else "",
        lang=words.language,
        say=words.say,
        style=style,
        style_sha256=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
        head=_written(head),
        content=_written(main).removeprefix("<section>").removesuffix("</section>"),
        setup=_fold(opening.code, words=words.say("How this page was set up")),
        closed=closed,
    )
    return page


def _written(element: Any) -> str:
    """Return an element as markup: what has no content is written short only where HTML may."""
    for node in _EMPTY(element):
        node.text = ""
    markup = str(etree.tostring(element, encoding="unicode", with_tail=False))
    return _IMPLIED.sub("", _VOID.sub(r"<\1\2>", _BOOLEAN.sub(r"\1", markup)))


def _style(house: Mapping[str, str]) -> str:
    """Return the page's style, with the colours and fonts of a house in the place of its own.

    What is neither a colour nor names of fonts is left out, wherever the house style came from.
    """
    css = (PACKAGE / "page" / "page.css").read_text(encoding="utf-8").strip()
    start, *schemes, rest = css.split(":root {", 3)
    for key, value in house.items():
        scheme, _, name = key.partition("/")
        if scheme in {"light", "dark"} and re.fullmatch("#[0-9a-f]{6}", value):
            n = scheme == "dark"
            schemes[n] = re.sub(rf"(?<=--{re.escape(name)}: )[^;]+", value, schemes[n], count=1)
        elif key in {"serif", "sans"} and re.fullmatch(r"[\w ,-]+", value):
            first = ", ".join(f'"{family.strip()}"' for family in value.split(","))
            schemes[0] = schemes[0].replace(f"--{key}: ", f"--{key}: {first}, ")
    return ":root {".join([start, *schemes, rest])


def _foot_of_print(head: Any) -> str:
    """Return the style of what stands at the foot of each printed page: the page's own head.

    Written as a CSS string (CSS Syntax Level 3, 4.3.5): what could end it is escaped by its code.
    """
    found = head.xpath(".//p[@class='masthead']/*[not(@class='seal')]")
    found = found or [*head.iter("h1"), *head.iter("p")]
    space = {"time": NBSP}
    words = " · ".join(space.get(e.tag, " ").join(e.text_content().split()) for e in found)
    kept = "".join(c if c.isalnum() or c in " .,;:?!·()–-" else f"\\{ord(c):x} " for c in words)
    rule = f'content: "{kept}"; width: 85%; font: 7.5pt sans-serif; color: #444;'
    return f"\n@page {{ @bottom-left {{ {rule} }} }}"


@lru_cache(maxsize=1)
def _template() -> Any:
    import jinja2

    source = (PACKAGE / "page" / "page.html.j2").read_text(encoding="utf-8")
    return jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    ).from_string(source)


def _fold(code: Sequence[str], *, words: str = "How this was computed") -> str:
    """Return code as a part closed until it is opened; nothing for none."""
    if not code:
        return ""
    cells = "".join(f"<pre><code>{text_html(source)}</code></pre>" for source in code)
    return f'<details class="code"><summary>{words}</summary>{cells}</details>'


def _wrapped(part: _Section, place: int, language: str) -> Any:
    """Return a part as a section: of the article, the head of the record, or a part of it, closed.

    `place` is below 0 in the article, 0 for the head of the record, above 0 behind it. The record
    keeps English: on a page in another `language` its parts say so.
    """
    body, slug = part.body, part.slug
    if place > 0:
        details = markup_tree.Element("details")
        summary = etree.SubElement(details, "summary")
        details.extend(body)
        summary.append(details[1])
        summary.tail, summary[0].tail = summary[0].tail, None
        body.append(details)
        if language != "en":
            body.set("lang", "en")
    kind = {True: "part", place == 0: "part record-head", place > 0: "part record"}[True]
    body.set("class", kind)
    body.set("aria-labelledby", slug)
    if part.code:
        (body if place <= 0 else body[0]).append(markup_tree.fragment_fromstring(_fold(part.code)))
    return body


def _give_heading_ids(body: Any, slugs: set[str]) -> None:
    """Give every heading that has none an id."""
    for heading in body.iter("h2", "h3", "h4"):
        if heading.get("id") is None:
            heading.set("id", _slug(heading.text_content().strip(), slugs))
        slugs.add(heading.get("id"))


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


def _contents(parts: Sequence[Any], words: Words) -> Any:
    """Return the list of contents: headings of level 2, those of level 3 under them.

    Headings of the class `unlisted` are left out; None where no heading
    is left.
    """
    rows = []
    for body in parts:
        heads = [h for h in body.iter("h2", "h3") if "unlisted" not in h.get("class", "").split()]
        links = [make.a(head.text_content().strip(), href=f"#{head.get('id')}") for head in heads]
        below = [make.li(a) for a, head in zip(links, heads, strict=True) if head.tag == "h3"]
        for link, head in zip(links, heads, strict=True):
            if head.tag == "h2":
                rows.append(make.li(link, *([make.ol(*below)] if below else [])))
    if not rows:
        return None
    return make.nav(make.ol(*rows), {"class": "contents", "aria-label": words.say("Contents")})


def _link_back(main: Any) -> None:
    """Give short ids to where figures are shown, and links to them in the traces.

    The first three places a figure is shown at are linked; a trace of a figure shown nowhere
    keeps no link back. A page has a thousand of them: they are told by where they lead alone.
    """
    places: dict[str, list[str]] = {}
    count = 0
    for link in main.xpath(".//a[@class='fig'][@href]"):
        known = places.setdefault(link.get("href")[1:], [])
        if len(known) < MAX_BACK_LINKS:
            count += 1
            known.append(f"s{count}")
            link.set("id", f"s{count}")
    for link in main.xpath(".//a[@class='back'][starts-with(@href, '#shown-')]"):
        found = places.get(link.get("href").removeprefix("#shown-"), ())
        links = [
            make.a(f"back {n}" if n > 1 else "back", {"href": f"#{place}"})
            for n, place in enumerate(found, start=1)
        ]
        for new in links:
            new.tail = " "
            link.addprevious(new)
        if links:
            links[-1].tail = None
        link.drop_tree()


def _number_boxes(main: Any) -> None:
    """Make the labels of table boxes unique."""
    seen: Counter[str] = Counter()
    for box in main.xpath(".//section[starts-with(@class, 'table-box')][@aria-label]"):
        words = box.get("aria-label")
        seen[words] += 1
        if seen[words] > 1:
            box.set("aria-label", f"{words} ({seen[words]})")


def _check_links(*parts: Any) -> None:
    """Refuse a page with an id that stands twice or a link that leads nowhere.

    Raises
    ------
    ExecutionError
        With the first five of each kind, and how many more there are.
    """
    ids = Counter(["content", *(name for part in parts for name in part.xpath(".//@id"))])
    links = {link[1:] for part in parts for link in part.xpath(".//a/@href") if link[:1] == "#"}
    twice = sorted(name for name, count in ids.items() if count > 1)
    lost = sorted(links - ids.keys())
    faults = [f"the id {name!r} stands twice" for name in twice[:5]]
    faults += [f"a link leads to {name!r}, which is not in the page" for name in lost[:5]]
    if faults:
        more = len(twice) + len(lost) - len(faults)
        raise ExecutionError("; ".join(faults) + (f"; and {more} more" if more > 0 else ""))
