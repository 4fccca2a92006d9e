"""An SVG as drawn, tidied: same picture, smaller, self-contained."""

import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from matplotlib.figure import Figure

from kit.charts.style import chart_style
from kit.charts.svg import tidy_svg

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def drawn():
    with chart_style("test"):
        figure = Figure(figsize=(4, 3), dpi=72)
        axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
        axes.plot([0.123456789, 1, 2], [1, 3, 2], marker="o", linestyle="--", color="#0072b2")
        axes.text(1, 2, 'a < b & "c" d="1.23456" style="fill: red"', rotation=30)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="svg", dpi=72)
    return buffer.getvalue()


def paths(root):
    """Return every path's numbers, ids aside."""
    return [
        np.array(re.findall(r"-?\d+(?:\.\d+)?", p.get("d")), float) for p in root.iter(f"{SVG}path")
    ]


def test_every_path_is_kept_to_a_hundredth_of_a_pixel(drawn):
    before, after = paths(ET.fromstring(drawn)), paths(ET.fromstring(tidy_svg(drawn, alt="x")))
    assert len(before) == len(after) > 4
    for one, other in zip(before, after, strict=True):
        assert np.abs(one - other).max() <= 0.005 + 1e-9


def test_text_is_kept_to_the_letter(drawn):
    root = ET.fromstring(tidy_svg(drawn, alt="x"))
    texts = [t.text for t in root.iter(f"{SVG}text")]
    assert 'a < b & "c" d="1.23456" style="fill: red"' in texts


def test_every_reference_still_has_its_target(drawn):
    tidy = tidy_svg(drawn, alt="x")
    ids = re.findall(r'\bid="([^"]+)"', tidy)
    used = set(re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', tidy))
    assert used and {a or b for a, b in used} == set(ids)


def test_nothing_of_the_drawing_program_is_left(drawn):
    tidy = tidy_svg(drawn, alt="x")
    assert len(tidy) < 0.7 * len(drawn)
    for gone in ("<?xml", "<!DOCTYPE", "<metadata", "<style", " style=", "matplotlib", "<!--"):
        assert gone not in tidy.replace('d="1.23456" style=', "")


def test_style_becomes_attributes_with_the_same_values(drawn):
    (line,) = [
        p
        for p in ET.fromstring(tidy_svg(drawn, alt="x")).iter(f"{SVG}path")
        if p.get("stroke-dasharray")
    ]
    assert line.get("stroke") == "#0072b2" and line.get("fill") == "none"


def test_the_picture_is_named_by_its_alternative(drawn):
    root = ET.fromstring(tidy_svg(drawn, alt='12 % "ahead" <of> all\x00'))
    assert root.get("role") == "img"
    assert root.get("aria-label") == '12 % "ahead" <of> all'
    assert (root.get("width"), root.get("height")) == ("288", "216")
    assert root.get("viewBox") == "0 0 288 216"
