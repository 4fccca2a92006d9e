"""The look of every chart: palette, sheets, style; and a chart's way out as SVG, PNG and CSV.

A chart is drawn for one of two sheets: the page, or a 1920x1080 picture with larger type for
video and print. All sizes are in pixels; figures have 72 dots an inch, so that a point is one.
"""

from __future__ import annotations

import base64
import html
import io
import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import pandas as pd
from matplotlib import rc_context, rcParamsDefault
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from kit.charts.svg import tidy_svg
from kit.charts.text import MISSING_GLYPH
from kit.rounding import table_csv

Size = Literal["page", "video"]

# M. Okabe and K. Ito (2008), "Color Universal Design: how to make figures and presentations that
# are friendly to colorblind people", figure 16: bluish green, blue, vermilion, reddish purple and
# black, the five of their eight that stand 3:1 or more from white (WCAG 2.2, 1.4.11).
GREEN, BLUE, VERMILION, PURPLE, BLACK = "#009e73", "#0072b2", "#d55e00", "#cc79a7", "#000000"
PALETTE = (GREEN, BLUE, VERMILION, BLACK, PURPLE)
REVIEWED = GREEN
OTHERS = (BLUE, VERMILION, BLACK, PURPLE)

INK = "#1a1a1a"
GREY = "#595959"  # small type and reference lines: 7:1 on white
RULE = "#d9d9d9"  # row rules and grids, which carry no meaning of their own
BAND = "#ececec"  # the level band, beneath everything; its edges are drawn in GREY
PAPER = "#ffffff"

# One hue comes round before one shape does: 4 hues and 9 shapes give 36 pairs.
SHAPES = ("s", "^", "D", "v", "P", "p", "X", "h", "*")
DASHES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (9, 3)))


# An SVG above this is drawn as a picture too, and the smaller one goes into the page.
LARGE_SVG_BYTES = 120_000


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a chart is drawn on: its size and the sizes of everything on it, in pixels."""

    size: Size
    width: float
    height: float | None  # None: as tall as the chart needs
    text: float
    small: float
    title: float  # 0.0: the page's caption is the title
    side: float  # kept free left and right
    line: float
    mark: float


SHEETS: dict[str, Sheet] = {
    "page": Sheet("page", 720, None, text=15, small=13, title=0, side=2, line=1.0, mark=8),
    "video": Sheet("video", 1920, 1080, text=28, small=24, title=38, side=36, line=2.0, mark=15),
}


@dataclass(frozen=True, slots=True)
class Look:
    """How one product or run is marked, the same in every chart of a review."""

    colour: str
    shape: str
    filled: bool
    dash: Any


def looks_of(products: tuple[str, ...] | list[str], reviewed: str) -> dict[str, Look]:
    """Return the mark of each product: the reviewed one filled, each other open with its shape."""
    looks: dict[str, Look] = {}
    others = [p for p in dict.fromkeys(products) if p != reviewed]
    looks[reviewed] = Look(REVIEWED, "o", True, "-")
    for i, product in enumerate(others):
        looks[product] = Look(
            OTHERS[i % len(OTHERS)], SHAPES[i % len(SHAPES)], False, DASHES[1 + i % 4]
        )
    return looks


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """One chart: what it says in words, the numbers drawn, and how to draw it.

    Attributes
    ----------
    name : str
        Stem of its files: ``margins-average_fps-kestrel-over-heron``.
    caption : str
        States the result. On the page it stands above the picture; for video it is drawn in it.
    note : str
        How to read the marks.
    alt : str
        The text alternative, built from the numbers.
    table : DataFrame
        The numbers drawn, unrounded; columns as the drawing function documents them.
    draw : callable of Size to Figure
        Draws it anew for a sheet.
    """

    name: str
    caption: str
    note: str
    alt: str
    table: pd.DataFrame
    draw: Callable[[Size], Figure]
    _drawn: dict[str, Any] = field(default_factory=dict, repr=False)

    def _repr_html_(self) -> str:
        """Show the chart in a notebook, with its caption and note."""
        return chart_html(self)


@dataclass(frozen=True, slots=True)
class PageImage:
    """The smaller of a chart's two forms for the page."""

    media_type: Literal["image/svg+xml", "image/png"]
    data: bytes
    width: int
    height: int


@contextmanager
def chart_style(salt: str = "") -> Iterator[None]:
    """Set the style for a block, whatever the caller's own settings are, and take it back."""
    settings: dict[Any, Any] = {
        k: v for k, v in rcParamsDefault.items() if not k.startswith(_LEFT_ALONE)
    }
    settings |= _STYLE
    settings["svg.hashsalt"] = f"marginbook {salt}"
    with rc_context(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=MISSING_GLYPH)
        yield


_LEFT_ALONE = ("backend", "interactive", "toolbar", "webagg", "tk.", "date", "timezone")
_STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "text.parse_math": False,  # a name with $ or _ is a name
    "text.color": INK,
    "svg.fonttype": "none",  # smaller, can be searched, and any script shows
    "figure.facecolor": PAPER,
    "axes.facecolor": "none",
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.use_mathtext": False,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.solid_capstyle": "butt",
    "lines.solid_joinstyle": "round",
}


def drawn_on(paint: Callable[[Sheet], Figure]) -> Callable[[Size], Figure]:
    """Return a `Chart.draw` that paints on the sheet of a size, in the style."""

    def draw(size: Size) -> Figure:
        with chart_style():
            return paint(SHEETS[size])

    return draw


def blank_figure(sheet: Sheet, height: float) -> Figure:
    """Return an empty figure of the sheet's width, and its height or else `height` pixels."""
    figure = Figure(figsize=(sheet.width / 72, (sheet.height or round(height)) / 72), dpi=72)
    FigureCanvasAgg(figure)
    return figure


def file_stem(*parts: str) -> str:
    """Return parts joined to a stem that every file system takes."""
    stem = "-".join(
        re.sub(r"[^a-z0-9._-]+", "-", part.lower()).strip("-.") or "x" for part in parts
    )
    return stem[:180]


def chart_svg(chart: Chart, size: Size = "page") -> str:
    """Return the chart as one SVG element: no date, no style sheet, nothing from outside.

    The same results give the same bytes. It can stand inside a page (ids are its own and style
    is in attributes, so a strict content policy passes it) or in a file.
    """
    key = f"svg-{size}"
    if key not in chart._drawn:
        figure = chart.draw(size)
        chart._drawn[key] = _figure_svg(figure, chart, size)
        figure.clear()
    drawn: str = chart._drawn[key]
    return drawn


def chart_png(chart: Chart, size: Size = "video", *, scale: float = 1.0) -> bytes:
    """Return the chart as PNG bytes; for video 1920x1080 at scale 1."""
    figure = chart.draw(size)
    data = _figure_png(figure, scale)
    figure.clear()
    return data


def page_image(chart: Chart) -> PageImage:
    """Return the chart for the page: SVG, or PNG at twice the size where that is smaller."""
    svg = chart_svg(chart)
    data = svg.encode()
    width, height = (int(n) for n in re.findall(r' (?:width|height)="(\d+)"', svg[:400])[:2])
    if len(data) > LARGE_SVG_BYTES:
        if "png-page" not in chart._drawn:
            chart._drawn["png-page"] = chart_png(chart, "page", scale=2.0)
        if len(chart._drawn["png-page"]) < len(data):
            return PageImage("image/png", chart._drawn["png-page"], width, height)
    return PageImage("image/svg+xml", data, width, height)


def chart_html(chart: Chart) -> str:
    """Return the chart as a figure element with its caption above and its note below."""
    image = page_image(chart)
    if image.media_type == "image/png":
        data = base64.b64encode(image.data).decode()
        picture = (
            f'<img src="data:image/png;base64,{data}" width="{image.width}" '
            f'height="{image.height}" alt="{html.escape(chart.alt)}">'
        )
    else:
        picture = image.data.decode()
    return (
        f'<figure class="chart"><figcaption>{html.escape(chart.caption)}</figcaption>{picture}'
        f"<p>{html.escape(chart.note)}</p></figure>"
    )


def export_chart(chart: Chart, folder: Path) -> tuple[Path, ...]:
    """Write a chart's SVG and PNG (1920x1080, larger type) and its numbers as CSV.

    Returns
    -------
    tuple of Path
        The files written, in the order svg, png, csv.
    """
    folder.mkdir(parents=True, exist_ok=True)
    draw_export(chart)
    files = {
        "svg": chart._drawn["svg-video"].encode() + b"\n",
        "png": chart._drawn["png-video"],
        "csv": table_csv(chart.table).encode(),
    }
    paths = []
    for ending, data in files.items():
        path = folder / f"{chart.name}.{ending}"
        path.write_bytes(data)
        paths.append(path)
    return tuple(paths)


def draw_export(chart: Chart) -> None:
    """Draw what `export_chart` writes, if it was not drawn before."""
    if "svg-video" in chart._drawn and "png-video" in chart._drawn:
        return
    figure = chart.draw("video")
    chart._drawn["svg-video"] = _figure_svg(figure, chart, "video")
    chart._drawn["png-video"] = _figure_png(figure, 1.0)
    figure.clear()


def _figure_png(figure: Figure, scale: float) -> bytes:
    buffer = io.BytesIO()
    with chart_style():
        # Level 3 takes a third less time than the usual 6 and a tenth more space.
        figure.savefig(
            buffer,
            format="png",
            dpi=72 * scale,
            metadata={"Software": None},
            pil_kwargs={"compress_level": 3},
        )
    return buffer.getvalue()


def _figure_svg(figure: Figure, chart: Chart, size: Size) -> str:
    buffer = io.BytesIO()
    with chart_style(f"{chart.name} {size}"):
        figure.savefig(
            buffer,
            format="svg",
            dpi=72,
            metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
        )
    return tidy_svg(buffer.getvalue(), alt=chart.alt)
