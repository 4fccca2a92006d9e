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

import made_results
import matplotlib
import pandas as pd
import pytest
from matplotlib import pyplot
from matplotlib.text import Text
from PIL import Image

from kit.charts import style as chartstyle
from kit.charts.style import (
    chart_html,
    chart_png,
    chart_style,
    chart_svg,
    export_chart,
    file_stem,
    looks_of,
    page_image,
)
from kit.rounding import table_csv

KINDS = sorted(made_results.all_charts(2, 2))


@cache
def charts_of(n_titles, n_products):
    return made_results.all_charts(n_titles, n_products)


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


@pytest.mark.parametrize("colour", chartstyle.PALETTE)
def test_every_hue_stands_three_to_one_from_white(colour):
    # WCAG 2.2, 1.4.11 Non-text Contrast: at least 3:1.
    assert contrast_with_white(colour) >= 3.0


def test_type_is_in_ink_that_stands_four_and_a_half_to_one():
    # WCAG 2.2, 1.4.3 Contrast (Minimum).
    assert min(contrast_with_white(chartstyle.INK), contrast_with_white(chartstyle.GREY)) >= 4.5


def test_the_hues_are_those_of_okabe_and_ito():
    # M. Okabe and K. Ito (2008), "Color Universal Design", as matplotlib gives the eight.
    published = {matplotlib.colors.to_hex(c) for c in matplotlib.color_sequences["okabe_ito"]}
    assert set(chartstyle.PALETTE) <= published
    assert len(chartstyle.PALETTE) == 5


@pytest.mark.parametrize("kind", KINDS)
def test_a_chart_has_no_hue_of_its_own(charts, kind):
    greys = re.compile(r"#([0-9a-f]{2})\1\1$")
    colours = set(re.findall(r'(?:fill|stroke)="(#[0-9a-f]{6})"', chart_svg(charts[kind])))
    assert colours
    assert {c for c in colours if not greys.match(c)} <= set(chartstyle.PALETTE)


def test_products_differ_in_shape_as_well_as_colour_up_to_thirty_six():
    looks = looks_of([f"p{i}" for i in range(37)], "p0")
    assert looks["p0"].filled and not any(looks[f"p{i}"].filled for i in range(1, 37))
    assert len({(look.colour, look.shape) for look in looks.values()}) == 37
    first = [looks[f"p{i}"] for i in range(1, 10)]
    assert len({look.shape for look in first}) == 9


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
    root = ET.fromstring(chart_svg(charts[kind]))
    assert root.get("width") == "720"
    sizes = [float(e.get("font-size").removesuffix("px")) for e in root.iter(f"{SVG}text")]
    assert min(sizes) * 400 / 720 >= 7


@pytest.mark.parametrize("kind", KINDS)
def test_video_is_1920_by_1080_with_larger_type_and_a_title(charts, kind):
    picture = Image.open(io.BytesIO(chart_png(charts[kind], "video")))
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
import made_results
from kit.charts.style import _figure_png, _figure_svg, chart_svg
digest = sha256()
for name, chart in sorted(made_results.all_charts(4, 3).items()):
    digest.update(chart_svg(chart).encode())
    figure = chart.draw("video")
    digest.update(_figure_svg(figure, chart, "video").encode())
    digest.update(_figure_png(figure, 0.25))
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
        chart = made_results.all_charts(2, 2)[kind]
        seen.add(sha256(chart_svg(chart).encode()).hexdigest())
    assert len(seen) == 1


def test_drawing_leaves_no_trace_in_the_session(charts):
    with matplotlib.rc_context({"font.size": 31.0, "axes.facecolor": "#123456"}):
        before = dict(matplotlib.rcParams)
        chart = made_results.all_charts(2, 2)["titles"]
        svg = chart_svg(chart)
        assert dict(matplotlib.rcParams) == before
    assert "#123456" not in svg
    assert svg == chart_svg(made_results.all_charts(2, 2)["titles"])
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
    return made_results.all_charts(2, 2, shown=shown)


@pytest.mark.parametrize("what", HOSTILE)
@pytest.mark.parametrize("kind", KINDS)
def test_any_name_is_drawn_as_text(kind, what):
    name = HOSTILE[what]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        chart = charts_named(name)[kind]
        svg = chart_svg(chart)
        if kind in {"titles", "value", "classes"}:  # one for each way that names are placed
            chart_png(chart, scale=0.25)
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
    page = "".join(chart_html(chart) for chart in charts.values())
    assert page.count("<figcaption>") == len(charts)
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
    assert f'aria-label="{chart.alt[:20]}' in chart_svg(chart)
    assert len(re.findall(r"\d", chart.alt)) >= 12


@pytest.mark.parametrize("kind", KINDS)
def test_a_chart_fits_a_report(charts, kind):
    image = page_image(charts[kind])
    assert image.media_type == "image/svg+xml"
    assert len(image.data) < 65_000  # eight kinds, some several times, in a report of 1.5 MB
    assert (image.width, image.height) == (720, image.height) and 200 < image.height < 1200


def test_a_large_svg_gives_way_to_a_smaller_picture(monkeypatch):
    chart = made_results.all_charts(30, 3)["spread"]
    svg_size = len(chart_svg(chart).encode())
    monkeypatch.setattr(chartstyle, "LARGE_SVG_BYTES", 1000)
    monkeypatch.setattr(chartstyle, "chart_png", lambda *_, **__: b"x" * (svg_size - 1))
    assert page_image(chart).media_type == "image/png"
    assert 'src="data:image/png;base64,' in chart_html(chart)
    other = made_results.all_charts(30, 3)["spread"]
    monkeypatch.setattr(chartstyle, "chart_png", lambda *_, **__: b"x" * (svg_size + 9))
    assert page_image(other).media_type == "image/svg+xml"


def test_export_writes_picture_vector_and_numbers(charts, tmp_path):
    chart = charts["margins"]
    paths = export_chart(chart, tmp_path / "charts")
    assert [p.name for p in paths] == [f"{chart.name}.{e}" for e in ("svg", "png", "csv")]
    with Image.open(paths[1]) as picture:
        assert picture.size == (1920, 1080)
    assert ET.parse(paths[0]).getroot().get("width") == "1920"
    with paths[2].open(newline="", encoding="utf-8") as file:
        back = [float(row["ratio"]) for row in csv.DictReader(file)]
    assert back == list(chart.table["ratio"])  # unrounded, to the last bit
    before = [p.read_bytes() for p in paths]
    export_chart(chart, tmp_path / "charts")
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
    texts = ["".join(e.itertext()) for e in ET.fromstring(chart_svg(chart)).iter(f"{SVG}text")]
    assert any(t.startswith("Price $x_1$ and") for t in texts)
