"""Where pictures of made claims put what they draw, to be kept and compared.

The places were printed by our own code; they are no outside source. They hold the look still:
whoever moves something looks at it, and writes them anew with
`python tests/write/write_pictures.py`.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from pathlib import Path

import made_claims
from matplotlib.figure import Figure
from matplotlib.text import Text

from kit.charts import inline
from kit.charts.identity import Look
from kit.charts.slides import SIZES, _draw_slide
from kit.charts.style import chart_style
from kit.claims.claim import Claim, Subject
from kit.claims.claim import Figure as Value
from kit.page.slides import make_slides

KEPT = Path(__file__).parents[1] / "data" / "pictures.json"


def kept() -> dict[str, dict[str, list[list[object]]]]:
    """Return the places as they are kept."""
    found: dict[str, dict[str, list[list[object]]]] = json.loads(KEPT.read_text(encoding="utf-8"))
    return found


def chart_places(figure: Figure) -> list[list[object]]:
    """Return kind and box, in whole points from the lower left, of all a chart draws."""
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    found: list[list[object]] = []
    for artist in figure.findobj(lambda one: one.get_visible()):
        if artist.get_children() or (isinstance(artist, Text) and not artist.get_text()):
            continue
        box = artist.get_window_extent(renderer)
        ends = (box.x0, box.y0, box.x1, box.y1)
        if all(map(math.isfinite, ends)) and (box.width or box.height):
            places = [round(72 * end / figure.dpi) for end in ends]
            found.append([type(artist).__name__, *places])
    return sorted(found, key=repr)


def slide_places() -> Iterator[tuple[str, list[list[object]]]]:
    """Yield the places of a slide of each sort that made claims give; of some in both sizes."""
    of = made_claims.margins(4)
    book = made_claims.book(
        *made_claims.cells(4, 3), *made_claims.cells(4, 3, made_claims.LOW), *of,
        *made_claims.suite(of), *made_claims.value_claims(3), *made_claims.gap(0.17, 0.31),
        n_titles=4, value={"kinds": ["street"]},
    )  # fmt: skip
    slides = {slide.name.partition("-")[0]: slide for slide in make_slides(book)}
    with chart_style():
        for kind, slide in slides.items():
            for size in SIZES if kind in {"title", "rival"} else ["1920x1080"]:
                canvas = _draw_slide(slide, number=7, size=size)
                yield f"{kind} {size}", chart_places(canvas.axes.figure)


def inline_pictures() -> Iterator[tuple[str, str]]:
    """Yield each picture that stands within the page's text, drawn of a few figures."""
    fast, slow, bare = (
        made_claims.margin("p0", "p1", "t00", math.log(ratio), error)
        for ratio, error in ((1.1, 0.01), (0.9, 0.01), (1.05, None))
    )
    looks = [Look("#000000", css="p-own"), Look("#0000ff", css="p-1", foot=True, filled=True)]
    scale = inline.RatioScale.fit([0.8, 1.3], band=0.02)
    like = Claim.make("suite_like", Subject("average_fps", "p0", "p1", group="all"),
                      Value(1.1, 1.0, 1.2, 0.95))  # fmt: skip
    yield "axis", scale.to_axis(slower="slower", faster="faster", locale="en")
    yield "row", scale.to_row(whole=fast, like=like, margins=[fast, fast, slow, bare], band=0.02)
    yield "row of a bare figure", scale.to_row(whole=bare, like=None, margins=[], band=0.02)
    columns = inline.Column.share_out([[0.8, 1.3], [1.0, 1.1]], band=0.02, share=82)
    widths = {"wide": 950.0, "small": 640.0}
    for n, column in enumerate(columns):
        yield (
            f"column {n}",
            column.to_cell(fast, band=0.02) + column.to_axis(widths_px=widths, locale="de"),
        )
    yield "cell with its figure", columns[0].to_cell(slow, band=0.02, label="-10.0")
    yield "cell without a run", columns[0].to_cell(None, band=0.02)
    cells = [made_claims.cell("p0", "t00", fps, fps - 2, fps + 2) for fps in (80.0, 60.0, 50.0)]
    pair = [(looks[0], cells[0], cells[1]), (looks[1], cells[1], None)]
    yield "stems", inline.stem_row(100.0, pair, [70.0, 90.0]) + inline.zero_axis(100.0, locale="en")
    yield "mark", inline.mark_svg(looks[1])

    def price(value: float) -> Claim:
        about = Subject(product="p0", group="street")
        return Claim.make("price", about, Value(value, 0.95 * value, 1.05 * value), unit="EUR")

    offers = [
        inline.Offer(name, look, price(euro), made_claims.cell("p0", "t00", fps), f"EUR {euro:.0f}")
        for name, look, euro, fps in (
            ("Own", looks[0], 900.0, 90.0),
            ("Other", looks[1], 500.0, 60.0),
        )
    ]
    words = {"across": "a", "up": "u", "equal": "as much", "alt": "alt"}
    for width in (340.0, 540.0):
        yield f"value {width:.0f}", inline.value_svg(
            offers, width=width, against=offers[1], equal=price(750.0), steps=offers[::-1],
            words=words, locale="en",
        )  # fmt: skip


def elements_of(svg: str) -> list[list[object]]:
    """Return the elements of a picture, a list each: its name and what is said of it."""
    return [
        [name, *re.findall(r'[\w-]+="[^"]*"', rest), *([inside] if inside else [])]
        for name, rest, inside in re.findall(r"<(\w+)([^>]*)>([^<]*)", svg)
    ]
