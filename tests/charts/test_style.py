"""Every chart: palette, bytes, files, names as text, nothing cut or covered."""

import csv
import io
import math
import re
import subprocess
import sys
import unicodedata
import warnings
import xml.etree.ElementTree as ET
from functools import cache
from hashlib import sha256
from itertools import combinations
from pathlib import Path

import made_claims
import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from kit.charts import identity
from kit.charts import style as chartstyle
from kit.charts.identity import Identity
from kit.charts.runs import _run_looks
from kit.charts.style import (
    _tidy_svg,
    chart_style,
    file_stem,
)
from kit.rounding import table_csv

KINDS = sorted(made_claims.all_charts(2, 2))


@cache
def charts_of(n_titles, n_products):
    return made_claims.all_charts(n_titles, n_products)


SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def charts():
    return charts_of(12, 6)


def contrast_with_white(colour):
    """Return the contrast ratio with white as WCAG 2.2 defines it (with "relative luminance")."""

    def linear(channel):
        share = int(channel, 16) / 255
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(colour[i : i + 2]) for i in (1, 3, 5))
    return 1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05)


def test_the_contrast_formula_gives_the_ratios_its_source_gives():
    # WCAG 2.2, definition of "contrast ratio": ratios range from 1 to 21.
    assert contrast_with_white("#000000") == pytest.approx(21.0)
    assert contrast_with_white("#ffffff") == pytest.approx(1.0)
    # W3C, "Understanding SC 1.4.3": the grey #777777 has 4.47:1 on white.
    assert contrast_with_white("#777777") == pytest.approx(4.47, abs=0.01)


LOOKS = (identity.REVIEWED, *identity.RIVALS, identity.PREDECESSOR, identity.FURTHER)
HUES, DARK_HUES = ([look.colour for look in LOOKS], [look.dark for look in LOOKS])
ALL_HUES = (*HUES, *(look.colour for look in chartstyle.OUTCOMES.values()))


@pytest.mark.parametrize("colour", ALL_HUES)
def test_every_hue_stands_three_to_one_from_white(colour):
    # WCAG 2.2, 1.4.11 Non-text Contrast: at least 3:1.
    assert contrast_with_white(colour) >= 3.0


def test_type_is_in_ink_that_stands_four_and_a_half_to_one():
    # WCAG 2.2, 1.4.3 Contrast (Minimum).
    assert min(contrast_with_white(chartstyle.INK), contrast_with_white(chartstyle.GREY)) >= 4.5


@pytest.mark.parametrize("kind", KINDS)
def test_a_chart_has_no_hue_of_its_own(charts, kind):
    greys = {chartstyle.INK, chartstyle.GREY, chartstyle.RULE, chartstyle.BAND, chartstyle.STEPS}
    colours = set(re.findall(r'(?:fill|stroke)="(#[0-9a-f]{6})"', charts[kind].svg()))
    assert colours
    assert colours <= {*ALL_HUES, *greys, chartstyle.PAPER, "#000000"}


# Colours of products must be told apart by everyone: their difference is measured by CIEDE2000,
# as seen plainly and as people without one kind of cone see them.

# G. Sharma, W. Wu and E. N. Dalal (2005), "The CIEDE2000 color-difference formula: implementation
# notes, supplementary test data, and mathematical observations", Color Research and Application
# 30(1), table 1: pairs of Lab colours with their difference. Written down from memory.
SHARMA = [
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, 2.8361, -74.0200), (50.0, 0.0, -82.7485), 3.4412),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
    ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.9030),
    ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
]

# G. M. Machado, M. M. Oliveira and L. A. F. Fernandes (2009), "A Physiologically-based Model for
# Simulation of Color Vision Deficiency", IEEE TVCG 15(6): matrices for severity 1 on linear RGB.
SIGHTS = {
    "plain": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


def ciede2000(one, other):
    """Return the difference of two Lab colours as Sharma, Wu and Dalal (2005) define it."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    chroma = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(chroma**7 / (chroma**7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = (math.degrees(math.atan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    middle = h1 + h2
    if c1 * c2:
        middle = (h1 + h2) / 2 if abs(h1 - h2) <= 180 else (h1 + h2 + 360) / 2 % 360
    dl, dc = l2 - l1, c2 - c1
    dh = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2))
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * math.cos(math.radians(middle - 30))
        + 0.24 * math.cos(math.radians(2 * middle))
        + 0.32 * math.cos(math.radians(3 * middle + 6))
        - 0.20 * math.cos(math.radians(4 * middle - 63))
    )
    sl = 1 + 0.015 * (light - 50) ** 2 / math.sqrt(20 + (light - 50) ** 2)
    sc, sh = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    bend = 30 * math.exp(-(((middle - 275) / 25) ** 2))
    rt = -2 * math.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * math.sin(math.radians(2 * bend))
    parts = dl / sl, dc / sc, dh / sh
    return math.sqrt(sum(part**2 for part in parts) + rt * parts[1] * parts[2])


def lab(colour, sight="plain"):
    """Return an sRGB colour (IEC 61966-2-1, D65) in Lab, as a kind of sight sees it."""
    rgb = np.array(matplotlib.colors.to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(SIGHTS[sight] @ linear, 0, 1)
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    x, y, z = (to_xyz @ linear) / (0.95047, 1.0, 1.08883)
    x, y, z = (v ** (1 / 3) if v > 216 / 24389 else (24389 / 27 * v + 16) / 116 for v in (x, y, z))
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


@pytest.mark.parametrize(("one", "other", "difference"), SHARMA)
def test_differences_of_colours_are_those_of_the_published_pairs(one, other, difference):
    assert ciede2000(one, other) == pytest.approx(difference, abs=0.00005)
    assert ciede2000(other, one) == pytest.approx(difference, abs=0.00005)


@pytest.mark.parametrize("hues", [HUES, DARK_HUES], ids=["light", "dark"])
@pytest.mark.parametrize("sight", SIGHTS)
def test_products_are_told_apart_by_colour_with_every_kind_of_sight(sight, hues):
    # Common practice, no source: a CIEDE2000 of 10 is seen at a glance.
    seen = [lab(colour, sight) for colour in hues]
    assert len(set(hues)) == 6
    assert min(ciede2000(a, b) for a, b in combinations(seen, 2)) >= 10


@pytest.mark.parametrize("sight", SIGHTS)
def test_ahead_behind_and_level_are_told_apart_too(sight):
    seen = [lab(c, sight) for c in {look.colour for look in chartstyle.OUTCOMES.values()}]
    assert len(seen) == 3
    assert min(ciede2000(a, b) for a, b in combinations(seen, 2)) >= 10


def test_a_product_is_marked_by_its_place_in_params_alone():
    looks = Identity(made_claims.book()).looks()
    assert looks["p0"] == identity.REVIEWED
    assert [looks[f"p{i}"] for i in (1, 2, 3)] == list(identity.RIVALS)
    assert looks["p4"] == identity.PREDECESSOR
    assert looks["p5"].foot and looks["p5"].colour == identity.PREDECESSOR.colour
    assert not any(looks[p].foot for p in looks if p != "p5")
    assert list(looks) == made_claims.products(8)
    other = Identity(made_claims.book(*made_claims.cells(2, 2))).looks()
    assert other == looks  # whatever is drawn


def test_a_predecessor_that_is_a_rival_is_marked_as_one():
    looks = Identity(made_claims.book(predecessor="p2")).looks()
    assert looks["p2"] == identity.RIVALS[1]


def test_products_differ_in_shape_as_well_as_colour_up_to_thirty_six():
    looks = Identity(made_claims.book(n_products=37, same_name=[])).looks()
    assert looks["p0"].filled and not any(looks[f"p{i}"].filled for i in range(1, 37))
    assert len({(look.colour, look.shape) for look in looks.values()}) == 37
    first = [looks[f"p{i}"] for i in (1, 2, 3, *range(5, 11))]
    assert len({look.shape for look in first}) == 9


@pytest.mark.parametrize("count", [1, 5, 12, 25])
def test_runs_laid_over_each_other_differ_in_colour_or_line(count):
    looks = _run_looks([f"r{i}" for i in range(count)])
    assert len({(look.colour, str(look.dash)) for look in looks.values()}) == count
    assert looks["r0"].dash == "-"


SIZES = [
    (kind, n)
    for n in ((12, 6), (30, 3), (1, 2))
    for kind in KINDS
    if n[0] > 1 or kind != "influence"
]


@pytest.mark.parametrize("size", ["page", "video"])
@pytest.mark.parametrize(("kind", "n"), SIZES)
def test_no_text_is_cut_or_covers_another(kind, n, size):
    figure = charts_of(*n)[kind].draw(size)
    width, height = figure.get_size_inches() * figure.dpi
    boxes = {}
    with chart_style():
        figure.canvas.draw()
        for text in figure.findobj(Text):
            if text.get_visible() and text.get_text().strip():
                boxes[text] = text.get_window_extent()
    assert len(boxes) >= 6
    for text, box in boxes.items():
        assert box.x0 >= -1 and box.x1 <= width + 1, text.get_text()
        assert box.y0 >= -1 and box.y1 <= height + 1, text.get_text()
    for (a, one), (b, other) in combinations(boxes.items(), 2):
        across = min(one.x1, other.x1) - max(one.x0, other.x0)
        down = min(one.y1, other.y1) - max(one.y0, other.y0)
        # Boxes of type hold room for accents and tails; letters touch at a fifth of the height.
        apart = across <= 1 or down <= 0.25 * min(one.height, other.height)
        assert apart, (a.get_text(), b.get_text())


@pytest.mark.parametrize("kind", KINDS)
def test_type_can_be_read_at_a_width_of_four_hundred_pixels(charts, kind):
    # Common practice, no source: type below 7 pixels is not read on a telephone.
    root = ET.fromstring(charts[kind].svg())
    assert root.get("width") == "720"
    sizes = [float(e.get("font-size").removesuffix("px")) for e in root.iter(f"{SVG}text")]
    assert min(sizes) * 400 / 720 >= 7


@pytest.mark.parametrize("kind", KINDS)
def test_video_is_1920_by_1080_with_larger_type_and_a_title(charts, kind):
    picture = Image.open(io.BytesIO(charts[kind].png("video")))
    assert picture.size == (1920, 1080)
    figure = charts[kind].draw("video")
    texts = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    assert min(t.get_fontsize() for t in texts) >= 19
    biggest = max(texts, key=lambda t: t.get_fontsize())
    words = " ".join(biggest.get_text().split()).rstrip("\u2026")
    assert charts[kind].caption.replace("\xa0", " ").startswith(words)


DRAW_ALL = """
import sys
sys.path.insert(0, {tests!r})
from hashlib import sha256
import made_claims
digest = sha256()
for name, chart in sorted(made_claims.all_charts(4, 3).items()):
    digest.update(chart.svg().encode())
    figure = chart.draw("video")
    digest.update(chart.figure_svg(figure, salt=chart.name, alt=chart.alt).encode())
    digest.update(chart.figure_png(figure, scale=0.25))
print(digest.hexdigest())
"""


def test_other_processes_and_hash_seeds_draw_the_same_bytes():
    code = DRAW_ALL.format(tests=str(Path(__file__).parents[1] / "support"))
    seen = {
        subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            check=True,
            env={"PYTHONHASHSEED": seed, "PATH": ""},
            cwd=Path(__file__).parents[2],
        ).stdout
        for seed in ("0", "12345")
    }
    assert len(seen) == 1 and len(seen.pop().strip()) == 64


@pytest.mark.parametrize("kind", ["titles", "distribution"])
def test_twenty_drawings_have_the_same_bytes(kind):
    # An unseeded resampling differed in 1 of 15 drawings: five repeats would not find it.
    seen = set()
    for _ in range(20):
        chart = made_claims.all_charts(2, 2)[kind]
        seen.add(sha256(chart.svg().encode()).hexdigest())
    assert len(seen) == 1


def test_drawing_leaves_no_trace_in_the_session(charts):
    with matplotlib.rc_context({"font.size": 31.0, "axes.facecolor": "#123456"}):
        before = dict(matplotlib.rcParams)
        chart = made_claims.all_charts(2, 2)["titles"]
        svg = chart.svg()
        assert dict(matplotlib.rcParams) == before
    assert "#123456" not in svg
    assert svg == made_claims.all_charts(2, 2)["titles"].svg()
    assert pyplot.get_fignums() == []


HOSTILE = {
    "mathtext": r"Price $x_1$ and $\frac{1}{2}$ under_score",
    "markup": '<script>alert("x")</script> & <b>bold</b>',
    "long": "An exceedingly long name of a product that nobody would ever print on a box " * 4,
    "one word": "W" * 300,
    "hebrew": "\u05de\u05d7\u05e9\u05d1 \u05e0\u05d9\u05d9\u05d3 14",
    "arabic": "\u062d\u0627\u0633\u0648\u0628 \u0645\u062d\u0645\u0648\u0644",
    "chinese": "\u7b14\u8bb0\u672c\u7535\u8111",
    "controls": "a\x00b\x1b[31mc\nd\te\u202efdp\ud800",
    "emoji": "Rocket \U0001f680 12",
    "empty": "",
    "formula": "=1+1",
}


@cache
def charts_named(name):
    shown = dict.fromkeys(["p0", "p1", "p4", "t00", "t01"], name)
    return made_claims.all_charts(2, 2, shown=shown)


@pytest.mark.parametrize("what", HOSTILE)
@pytest.mark.parametrize("kind", KINDS)
def test_any_name_is_drawn_as_text(kind, what):
    name = HOSTILE[what]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        chart = charts_named(name)[kind]
        svg = chart.svg()
        if kind in {"titles", "value", "classes"}:  # one for each way that names are placed
            chart.png(scale=0.25)
    root = ET.fromstring(svg)  # well formed, whatever the name
    assert {e.tag.removeprefix(SVG) for e in root.iter()} <= {
        "svg",
        "g",
        "path",
        "text",
        "tspan",
        "use",
        "defs",
        "clipPath",
        "rect",
    }
    words = "".join(root.itertext()) + root.get("aria-label")
    kept = [w for w in name.split() if all(unicodedata.category(c) != "Cc" for c in w)]
    if what not in {"controls", "empty", "one word"}:
        assert kept[0] in words
    assert not re.search("[\x00-\x08\u202e\ud800]", svg)
    assert not re.search("[\x00-\x08\u202e\ud800]", chart.caption + chart.alt)


def test_a_page_of_charts_is_inert_and_loads_nothing(charts):
    page = "".join(chart.svg() for chart in charts.values())
    assert page.count("<svg") == len(charts)
    assert "<script" not in page and "<style" not in page and " style=" not in page
    assert re.findall(r'(?:href|src)="(?!#|data:)[^"]*"', page) == []
    assert set(re.findall(r"https?://[^\"' ]+", page)) == {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))  # several charts in one page keep their own marks


@pytest.mark.parametrize("kind", KINDS)
def test_alt_text_says_the_result_and_numbers(charts, kind):
    chart = charts[kind]
    assert chart.caption in chart.alt
    assert f'aria-label="{chart.alt[:20]}' in chart.svg()
    assert len(re.findall(r"\d", chart.alt)) >= 12


@pytest.mark.parametrize("kind", KINDS)
def test_a_chart_fits_a_report(charts, kind):
    image = charts[kind].page_image()
    assert image.media_type == "image/svg+xml"
    assert len(image.data) < 65_000  # eight kinds, some several times, in a report of 1.5 MB
    width, height = re.findall(rb' (?:width|height)="(\d+)"', image.data[:400])[:2]
    assert int(width) == 720 and 200 < int(height) < 1200


def test_a_large_svg_gives_way_to_a_smaller_picture(monkeypatch):
    chart = made_claims.all_charts(30, 3)["spread"]
    svg_size = len(chart.svg().encode())
    monkeypatch.setattr(chartstyle, "LARGE_SVG_BYTES", 1000)
    monkeypatch.setattr(chartstyle.Chart, "png", lambda *_, **__: b"x" * (svg_size - 1))
    assert chart.page_image().media_type == "image/png"
    other = made_claims.all_charts(30, 3)["spread"]
    monkeypatch.setattr(chartstyle.Chart, "png", lambda *_, **__: b"x" * (svg_size + 9))
    assert other.page_image().media_type == "image/svg+xml"


def test_export_writes_picture_vector_and_numbers(charts, tmp_path):
    chart = charts["margins"]
    paths = chart.export(tmp_path / "charts")
    assert [p.name for p in paths] == [f"{chart.name}.{e}" for e in ("svg", "png", "csv")]
    with Image.open(paths[1]) as picture:
        assert picture.size == (1920, 1080)
    assert ET.parse(paths[0]).getroot().get("width") == "1920"
    with paths[2].open(newline="", encoding="utf-8") as file:
        back = [float(row["value"]) for row in csv.DictReader(file)]
    assert back == [claim.value for claim in chart.claims]  # unrounded, to the last bit
    before = [p.read_bytes() for p in paths]
    chart.export(tmp_path / "charts")
    assert [p.read_bytes() for p in paths] == before


def test_no_cell_of_the_csv_is_a_formula():
    # OWASP, "CSV Injection": cells beginning with = + - @, tab or carriage return.
    table = pd.DataFrame(
        {
            "=name": ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "plain", 'with "quotes", comma'],
            "value": [-1.5, 2.0, math.nan, 1.0, 2.0, 3.0, 4.0, 5.0],
        }
    )
    rows = list(csv.reader(io.StringIO(table_csv(table), newline="")))
    assert rows[0] == ["'=name", "value"]
    assert [row[0] for row in rows[1:]] == [
        "'=1+1",
        "'+1",
        "'-1",
        "'@x",
        "'\tx",
        " x",
        "plain",
        'with "quotes", comma',
    ]
    assert [row[1] for row in rows[1:4]] == ["-1.5", "2.0", ""]  # numbers stay numbers


@pytest.mark.parametrize(
    ("parts", "stem"),
    [
        (("margins", "average_fps", "a-over-b"), "margins-average_fps-a-over-b"),
        (("run", "../../x y/Z"), "run-x-y-z"),
        (("value", "\u00e9"), "value-x"),
        (("a" * 400,), "a" * 180),
    ],
)
def test_file_stems_are_safe_everywhere(parts, stem):
    assert file_stem(*parts) == stem


def test_dollars_underscores_and_backslashes_are_no_formula():
    chart = charts_named(HOSTILE["mathtext"])["titles"]
    texts = ["".join(e.itertext()) for e in ET.fromstring(chart.svg()).iter(f"{SVG}text")]
    assert any(t.startswith("Price $x_1$ and") for t in texts)


class TestTidySvg:
    """An SVG as drawn, tidied: same picture, smaller, self-contained."""

    @pytest.fixture(scope="class")
    @classmethod
    def drawn(cls):
        with chart_style("test"):
            figure = Figure(figsize=(4, 3), dpi=72)
            axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
            axes.plot([0.123456789, 1, 2], [1, 3, 2], marker="o", linestyle="--", color="#0072b2")
            axes.text(1, 2, 'a < b & "c" d="1.23456" style="fill: red"', rotation=30)
            buffer = io.BytesIO()
            figure.savefig(buffer, format="svg", dpi=72)
        return buffer.getvalue()

    def paths(self, root):
        """Return every path's numbers, ids aside."""
        return [
            np.array(re.findall(r"-?\d+(?:\.\d+)?", p.get("d")), float)
            for p in root.iter(f"{SVG}path")
        ]

    def test_every_path_is_kept_to_a_hundredth_of_a_pixel(self, drawn):
        before, after = (
            self.paths(ET.fromstring(drawn)),
            self.paths(ET.fromstring(_tidy_svg(drawn, alt="x"))),
        )
        assert len(before) == len(after) > 4
        for one, other in zip(before, after, strict=True):
            assert np.abs(one - other).max() <= 0.005 + 1e-9

    def test_text_is_kept_to_the_letter(self, drawn):
        root = ET.fromstring(_tidy_svg(drawn, alt="x"))
        texts = [t.text for t in root.iter(f"{SVG}text")]
        assert 'a < b & "c" d="1.23456" style="fill: red"' in texts

    def test_every_reference_still_has_its_target(self, drawn):
        tidy = _tidy_svg(drawn, alt="x")
        ids = re.findall(r'\bid="([^"]+)"', tidy)
        used = set(re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', tidy))
        assert used and {a or b for a, b in used} == set(ids)

    def test_nothing_of_the_drawing_program_is_left(self, drawn):
        tidy = _tidy_svg(drawn, alt="x")
        assert len(tidy) < 0.7 * len(drawn)
        for gone in ("<?xml", "<!DOCTYPE", "<metadata", "<style", " style=", "matplotlib", "<!--"):
            assert gone not in tidy.replace('d="1.23456" style=', "")

    def test_style_becomes_attributes_with_the_same_values(self, drawn):
        (line,) = [
            p
            for p in ET.fromstring(_tidy_svg(drawn, alt="x")).iter(f"{SVG}path")
            if p.get("stroke-dasharray")
        ]
        assert line.get("stroke") == "#0072b2" and line.get("fill") == "none"

    def test_the_picture_is_named_by_its_alternative(self, drawn):
        root = ET.fromstring(_tidy_svg(drawn, alt='12 % "ahead" <of> all\x00'))
        assert root.get("role") == "img"
        assert root.get("aria-label") == '12 % "ahead" <of> all'
        assert (root.get("width"), root.get("height")) == ("288", "216")
        assert root.get("viewBox") == "0 0 288 216"
