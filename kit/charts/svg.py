"""An SVG as drawn, made small and self-contained: the form in which charts are shown."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from kit.charts.text import plain_name

_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_DROPPED = {f"{{{_SVG}}}style", f"{{{_SVG}}}metadata"}

# What a reader without DejaVu sees instead: fonts of the same or smaller widths.
FONT_STACK = "'DejaVu Sans', Verdana, 'Noto Sans', sans-serif"


def tidy_svg(drawn: bytes, *, alt: str) -> str:
    """Return an SVG as drawn in the form it is shown: small, self-contained, named by `alt`.

    Coordinates keep two decimals of a pixel; style attributes become
    presentation attributes; the style sheet, the document type and ids nothing refers to go.
    """
    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _XLINK)
    root = ET.fromstring(drawn)
    text = drawn.decode()
    used = set(re.findall(r'href="#([^"]+)"', text)) | set(re.findall(r"url\(#([^)]+)\)", text))
    for element in root.iter():
        _tidy_element(element, used)
    _unwrap_groups(root)
    for defs in [d for d in root.findall(f"{{{_SVG}}}defs") if not len(d)]:
        root.remove(defs)
    box = root.get("viewBox", "0 0 0 0").split()
    root.attrib.clear()
    root.attrib.update(
        {
            "width": f"{float(box[2]):.0f}",
            "height": f"{float(box[3]):.0f}",
            "viewBox": " ".join(box),
            "role": "img",
            "aria-label": plain_name(alt),
            "font-family": FONT_STACK,
            "stroke-linejoin": "round",
            "stroke-linecap": "butt",
        }
    )
    return ET.tostring(root, encoding="unicode")


_PRESENTATION = frozenset(
    [
        "fill",
        "fill-opacity",
        "stroke",
        "stroke-width",
        "stroke-dasharray",
        "stroke-dashoffset",
        "stroke-linecap",
        "stroke-linejoin",
        "stroke-opacity",
        "opacity",
        "font-size",
        "font-weight",
        "font-style",
        "text-anchor",
    ]
)


def _tidy_element(element: ET.Element, used: set[str]) -> None:
    """Tidy one element in place."""
    if element.get("id") not in used:
        element.attrib.pop("id", None)
    rest = []
    for rule in filter(None, (r.strip() for r in element.attrib.pop("style", "").split(";"))):
        name, _, value = (part.strip() for part in rule.partition(":"))
        if name in _PRESENTATION:
            element.set(name, value)
        elif name != "font-family":  # stands on the root, once
            rest.append(rule)
    if rest:
        element.set("style", "; ".join(rest))
    if element.get("transform", "").startswith("rotate(-0 "):
        del element.attrib["transform"]
    for name in (
        "d",
        "x",
        "y",
        "width",
        "height",
        "transform",
        "stroke-width",
        "font-size",
        "stroke-dasharray",
    ):
        if name in element.attrib:
            element.set(name, _shorter(element.attrib[name]))
    if element.tag != f"{{{_SVG}}}text":
        element.text = None
    element.tail = None


def _unwrap_groups(parent: ET.Element) -> None:
    """Lift the children of groups that say nothing; drop empty ones, style sheet and metadata."""
    kept: list[ET.Element] = []
    for child in parent:
        _unwrap_groups(child)
        if child.tag in _DROPPED or (child.tag == f"{{{_SVG}}}g" and not len(child)):
            continue
        if child.tag == f"{{{_SVG}}}g" and not child.attrib:
            kept.extend(child)
        else:
            kept.append(child)
    parent[:] = kept


def _shorter(numbers: str) -> str:
    """Return attribute text with its numbers rounded to two decimals."""

    def short(match: re.Match[str]) -> str:
        text = f"{float(match[0]):.2f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text

    return re.sub(r"-?\d+\.\d+(?:e-?\d+)?", short, " ".join(numbers.split()))
