"""The figures printed in a page, read back and compared with the claims.

The page is parsed, never shown or run. What a page must not hold (scripts, anything loaded from
outside) is a finding too.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from kit.claims.bound_text import printed_forms
from kit.claims.claim import Claim, ClaimBook
from kit.errors import Finding
from kit.page.cell_html import ATTRIBUTES, IMAGE_SOURCE, TAGS

PAGE_PATH = "data/report.html"
MAX_PAGE_BYTES = 64 << 20
_FRAME = {"html", "head", "meta", "title", "style", "body", "header", "main", "footer"}
_POLICY = "default-src 'none'"
_PADDING = "\u2007\u2008"
_BLOCKS = {"td", "th", "li", "br", "p", "tr", "dt", "dd", "caption", "section", "h2", "h3", "h4"}


def check_page(data: bytes, book: ClaimBook) -> list[Finding]:
    """Return a finding for each figure of a page that is not its claim's, and for what may harm.

    Parameters
    ----------
    data : bytes
        The page.
    book : ClaimBook
        The claims its figures link to.
    """
    root = _parse(data)
    if root is None:
        return [_finding("", "a page that can be parsed", "not one")]
    findings = list(_harmful(root))
    claims = {claim.anchor: claim for claim in book.figures}
    shown = 0
    for link in root.iter("a"):
        if "fig" in link.get("class", "").split():
            shown += 1
            findings += _figure(link, claims, book)
    if not shown and book.figures:
        findings.append(_finding("", "figures that link to claims", "none"))
    for element in root.iter("li", "td"):
        anchor = element.get("id", "")
        if anchor.startswith("trace-"):
            if anchor in claims:
                findings += _value(element, claims[anchor], book)
            else:
                findings.append(_finding(anchor, "the entry of a claim", "no such claim"))
    return findings


def compare_entries(data: bytes, markup: str) -> list[Finding]:
    """Return a finding for each entry of a page's traces that reads otherwise than in `markup`.

    Parameters
    ----------
    data : bytes
        The page.
    markup : str
        The traces as this version writes them, made from the claims.
    """
    page, wanted = _parse(data), _parse(f"<body>{markup}</body>".encode())
    if page is None or wanted is None:
        return []
    own = {e.get("id"): _text(e) for e in wanted.iter("li", "tr", "dt") if e.get("id")}
    findings = []
    for element in page.iter("li", "tr", "dt"):
        name = element.get("id", "")
        if name.startswith(("trace-", "run-", "method-")):
            found = _text(element)
            if name not in own:
                findings.append(_finding(name, "an entry made from the claims", found[:160]))
            elif found != own[name]:
                findings.append(_finding(name, *_first_difference(own[name], found)))
    return findings


def compare_text(path: str, place: str, expected: str, found: str) -> list[Finding]:
    """Return a finding where two texts differ first, or nothing where they do not."""
    if expected == found:
        return []
    return [Finding("page", f"{path} # {place}", *_first_difference(expected, found))]


def plain_words(markup: str) -> str:
    """Return the words of a piece of HTML, white space and links back aside."""
    root = _parse(f"<body>{markup}</body>".encode())
    return "" if root is None else _text(root)


def count_figures(markup: str) -> int:
    """Return how many figures a piece of HTML prints as links to their claims."""
    root = _parse(f"<body>{markup}</body>".encode())
    if root is None:
        return 0
    return sum("fig" in link.get("class", "").split() for link in root.iter("a"))


def _finding(place: str, expected: str, found: str) -> Finding:
    return Finding("page", f"{PAGE_PATH} # {place}" if place else PAGE_PATH, expected, found)


def _parse(data: bytes) -> Any:
    from lxml import etree

    # Limits on depth and text size stay in force (huge_tree is off); nothing is loaded.
    parser = etree.HTMLParser(encoding="utf-8", no_network=True, huge_tree=False)
    try:
        return etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError):
        return None


def _text(element: Any) -> str:
    """Return an element's words: white space as one space, links back and folds of code aside."""
    from lxml import etree

    words: list[str] = []
    walk = etree.iterwalk(element, events=("start", "end", "comment", "pi"))
    for event, node in walk:
        if event == "start":
            if "back" in node.get("class", "").split():
                walk.skip_subtree()
                continue
            words.append(" " if node.tag in _BLOCKS else "")
            words.append(node.text or "")
        elif node is not element:
            words.append(node.tail or "")
    # Only plain white space is folded: the space inside a figure is part of it.
    return re.sub("[ \t\r\n]+", " ", "".join(words)).strip()


def _first_difference(expected: str, found: str) -> tuple[str, str]:
    """Return both texts from shortly before their first difference on."""
    length = min(len(expected), len(found))
    start = next((n for n in range(length) if expected[n] != found[n]), length)
    start = max(0, start - 24)

    def cut(text: str) -> str:
        end = "..." if len(text) > start + 96 else ""
        return f"{'...' if start else ''}{text[start : start + 96]}{end}"

    return cut(expected), cut(found)


def _figure(link: Any, claims: Mapping[str, Claim], book: ClaimBook) -> Iterator[Finding]:
    """Yield what is wrong with one figure: its claim, machine value, text, interval, outcome."""
    href = link.get("href", "")
    claim = claims.get(href.removeprefix("#"))
    if claim is None:
        yield _finding(href, "a link to the trace of a claim", f"{_text(link)!r} links to none")
        return
    yield from _value(link, claim, book)
    for after in link.itersiblings():
        kinds = after.get("class", "").split() if isinstance(after.tag, str) else []
        if "fig" in kinds:
            break
        if "iv" in kinds and _text(after).strip(_PADDING) != claim.interval:
            yield _finding(f"{claim.id}, interval", claim.interval or "none", _text(after))
        if "outcome" in kinds and claim.outcome:
            said = [_text(after).split()[-1], *(k for k in kinds if k != "outcome")]
            if said != [claim.outcome, claim.outcome]:
                yield _finding(f"{claim.id}, outcome", claim.outcome, " ".join(said))


def _value(element: Any, claim: Claim, book: ClaimBook) -> Iterator[Finding]:
    """Yield what is wrong with the first figure inside an element."""
    shown = next(element.iter("data"), None)
    if claim.value is None:
        if shown is not None:
            yield _finding(f"{claim.id}, value", "no machine value", shown.get("value", ""))
        return
    if shown is None:
        yield _finding(f"{claim.id}, value", repr(claim.value), "no figure")
        return
    if shown.get("value") != repr(claim.value):
        yield _finding(f"{claim.id}, value", repr(claim.value), shown.get("value", "nothing"))
    text = _text(shown).strip(_PADDING)
    if text != claim.text and text not in printed_forms(claim, book):
        yield _finding(f"{claim.id}, text", claim.text, text)


def _harmful(root: Any) -> Iterator[Finding]:
    """Yield what a page of this kit never holds: scripts, handlers, anything loaded."""
    policy = False
    for element in root.iter():
        if not isinstance(element.tag, str):
            continue
        place = f"line {element.sourceline}"
        if element.tag not in TAGS | _FRAME:
            yield _finding(place, "only what a report may hold", f"<{element.tag}>")
            continue
        if element.tag == "style" and re.search(r"url\(|@import|expression", element.text or ""):
            yield _finding(place, "a style that loads nothing", "one that may load")
        if element.tag == "meta":
            policy |= element.get("content", "").startswith(_POLICY)
            if element.get("http-equiv", "").lower() == "refresh":
                yield _finding(place, "a page that stays", "a refresh")
        if element.tag not in _FRAME:
            yield from _attributes(element, place)
        elif any(name.startswith("on") or name in {"src", "href"} for name in element.attrib):
            yield _finding(place, "only what a report may hold", f"<{element.tag}> with a handler")
    if not policy:
        yield _finding("head", f"a content policy: {_POLICY}", "none")


def _attributes(element: Any, place: str) -> Iterator[Finding]:
    known = ATTRIBUTES["*"] | ATTRIBUTES.get(element.tag, set())
    for name, value in element.attrib.items():
        bad = name not in known and not name.startswith("aria-")
        bad |= name == "href" and re.match(r"#|https?://", value) is None
        bad |= name == "src" and IMAGE_SOURCE.match(value) is None
        bad |= element.tag == "input" and name == "type" and value != "radio"
        if bad:
            yield _finding(
                place, "only what a report may hold", f"<{element.tag} {name}={value[:60]!r}>"
            )
