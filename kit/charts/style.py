"""The look of every chart: colours, marks, sheets; and a chart's way out as SVG, PNG and CSV.

A chart is drawn for one of two sheets: the page, or a 1920x1080 picture with larger type for
video and print. All sizes are in pixels; figures have 72 dots an inch, so that a point is one.
"""

from __future__ import annotations

import io
import math
import re
import unicodedata
import warnings
import xml.etree.ElementTree as ET
from bisect import bisect
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import chain, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np

from kit.charts.identity import Look, plain_name
from kit.claims.claim import Claim, claims_frame
from kit.rounding import grouped, table_csv

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

Size = Literal["page", "video"]

# A name in a script that the drawing font lacks is still right in an SVG, where the reader's own
# fonts show it; in a PNG it shows as boxes.
MISSING_GLYPH = r"Glyph \d+ .* missing from font"

INK = "#1c2326"
GREY = "#4a5356"  # small type, axes and reference lines: 7:1 on white
RULE = "#d8d4c6"  # row rules and grids, which carry no meaning of their own
BAND = "#e4e1d6"  # the level band, beneath everything; its edges are drawn in GREY
STEPS = "#8c8c8c"  # the efficient frontier
PAPER = "#ffffff"


# Outcomes: P. Tol, "Colour Schemes", SRON/EPS/TN/09-002, "medium contrast", dark blue and dark
# yellow. Colour says no more than place, fill and edge do. Beside a product's colour it would not
# be told apart by everyone, so no mark carries both.
OUTCOMES = {
    "ahead": Look("#004488", filled=True),
    "behind": Look("#997700", filled=True),
    "level": Look("#656f72"),
    "unresolved": Look("#656f72", dashed=True),
    # Figures alone, whose runs' scatter was not measured.
    "above": Look("#004488", dashed=True),
    "below": Look("#997700", dashed=True),
    "open": Look("#656f72", dashed=True),
}
SUITE = Look(INK, "D")


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
class ChartWords:
    """What a chart says: its file's name, caption and note, itself in words, and its axes.

    `video_note` stands in for `note` on the larger sheet, where it differs.
    """

    name: tuple[str, ...]
    caption: str
    note: str
    alt: str
    below: str = ""  # names the axis: quantity, unit, direction
    below_short: str = ""  # where names leave no room
    above: str = ""  # the same axis, read from the other side
    locale: str = "en"
    video_note: str = ""


@dataclass(frozen=True, slots=True)
class _PageImage:
    """The smaller of a chart's two forms for the page."""

    media_type: Literal["image/svg+xml", "image/png"]
    data: bytes


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """One chart: what it says in words, the claims drawn, and how to draw it.

    Attributes
    ----------
    words : ChartWords
    plan : object
        What `paint` draws from: plain, and with the words all that the picture depends on.
    paint : callable of Chart and Sheet to Figure
        Draws it anew for a sheet.
    claims : tuple of Claim
        What is drawn. Its table on the page, its CSV and its key in the store follow.
    numbers : DataFrame, optional
        What is drawn where that is no claims but frames.
    """

    words: ChartWords
    plan: Any
    paint: Callable[[Chart, Sheet], Figure]
    claims: tuple[Claim, ...] = ()
    numbers: pd.DataFrame | None = None
    _drawn: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def name(self) -> str:
        """Stem of its files: ``margins-average_fps-kestrel-over-heron``."""
        return file_stem(*self.words.name)

    @property
    def caption(self) -> str:
        """The result. It stands above the picture; for video it is drawn in it."""
        return self.words.caption

    @property
    def note(self) -> str:
        """How to read the marks."""
        return self.words.note

    @property
    def alt(self) -> str:
        """The text alternative, built from the claims' own texts."""
        return self.words.alt

    @property
    def table(self) -> pd.DataFrame:
        """The numbers drawn, unrounded: the claims, or the series of frames.

        Returns
        -------
        DataFrame
            A row a claim, columns as `claims_frame` has them; else `numbers` as they are.
        """
        frame: pd.DataFrame = claims_frame(self.claims) if self.numbers is None else self.numbers
        return frame

    def head_lines(self, sheet: Sheet) -> tuple[str, str]:
        """Return caption and note (for video its own) broken into the lines a sheet has for them.

        Two at most for the caption, three for the note.
        """
        width = sheet.width - 2 * sheet.side
        # Bold type is about an eighth wider than the regular that widths are measured in.
        title = fit_text(self.caption, 1.14 * sheet.title, width, lines=2)
        note = self.words.video_note or self.note
        return title, fit_text(note, sheet.small, width, lines=3)

    def head_height(self, sheet: Sheet) -> float:
        """Return the height that caption and note take at the top of the sheet; 0.0 on the page."""
        if not sheet.title:
            return 0.0
        lines, notes = (text.count("\n") + 1 for text in self.head_lines(sheet))
        return sheet.title * (0.85 + 1.2 * lines) + sheet.small * (0.8 + 1.2 * notes)

    def say_what_is_narrow(self, spans: Sequence[Sequence[float]]) -> Chart:
        """Add to the notes how many intervals are narrower than their marks, where any are.

        Parameters
        ----------
        spans : sequence of sequence of float
            Widths of the intervals, in marks: for the page, and for video.
        """
        notes = []
        for widths in spans:
            narrow = sum(width < 1 for width in widths)
            said = "is narrower than its mark" if narrow == 1 else "are narrower than their marks"
            said = f" {narrow} of {len(widths)} intervals {said}."
            if narrow == len(widths):
                said = " Every interval is narrower than its mark."
            notes.append(self.note + (said if narrow else ""))
        return replace(self, words=replace(self.words, note=notes[0], video_note=notes[1]))

    def draw(self, size: Size) -> Figure:
        """Return the chart drawn for a sheet, in the style.

        Parameters
        ----------
        size : {"page", "video"}
            A key of `SHEETS`.
        """
        with chart_style():
            return self.paint(self, SHEETS[size])

    def svg(self, size: Size = "page") -> str:
        """Return the chart as one SVG element: no date, no style sheet, nothing from outside.

        The same results give the same bytes. It can stand inside a page (ids are its own and style
        is in attributes, so a strict content policy passes it) or in a file.
        """
        key = f"svg-{size}"
        if key not in self._drawn:
            figure = self.draw(size)
            self._drawn[key] = self.figure_svg(figure, salt=f"{self.name} {size}", alt=self.alt)
        drawn: str = self._drawn[key]
        return drawn

    def png(self, size: Size = "video", *, scale: float = 1.0) -> bytes:
        """Return the chart as PNG bytes; for video 1920x1080 at scale 1.

        Parameters
        ----------
        size : {"page", "video"}
            The sheet.
        scale : float
            Pixels of the picture for each of the sheet.
        """
        return self.figure_png(self.draw(size), scale=scale)

    @staticmethod
    def figure_png(figure: Figure, *, scale: float = 1.0) -> bytes:
        """Return a drawn figure as PNG, without a date or the name of a program in it.

        Parameters
        ----------
        figure : Figure
        scale : float
            Pixels of the picture for each of the sheet.
        """
        buffer = io.BytesIO()
        # Level 3 takes a third less time than the usual 6 and a tenth more space.
        how: dict[str, Any] = {"metadata": {"Software": None}, "pil_kwargs": {"compress_level": 3}}
        with chart_style():
            figure.savefig(buffer, format="png", dpi=72 * scale, **how)
        type(figure.canvas)(figure)  # in place of the one that holds 8 MB of picture
        return buffer.getvalue()

    @staticmethod
    def figure_svg(figure: Figure, *, salt: str, alt: str) -> str:
        """Return a drawn figure as tidied SVG, without a date or the name of a program in it.

        Parameters
        ----------
        figure : Figure
        salt : str
            Makes the ids within it its own.
        alt : str
            It in words.
        """
        buffer = io.BytesIO()
        empty = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        with chart_style(salt):
            figure.savefig(buffer, format="svg", dpi=72, metadata=empty)
        return _tidy_svg(buffer.getvalue(), alt=alt)

    def page_image(self) -> _PageImage:
        """Return the chart for the page: SVG, or PNG at twice the size where that is smaller."""
        data = self.svg().encode()
        if len(data) > LARGE_SVG_BYTES:
            if "png-page" not in self._drawn:
                self._drawn["png-page"] = self.png("page", scale=2.0)
            if len(self._drawn["png-page"]) < len(data):
                return _PageImage("image/png", self._drawn["png-page"])
        return _PageImage("image/svg+xml", data)

    def export(self, folder: Path) -> tuple[Path, ...]:
        """Write a chart's SVG and PNG (1920x1080, larger type) and its numbers as CSV.

        Returns
        -------
        tuple of Path
            The files written, in the order svg, png, csv.
        """
        folder.mkdir(parents=True, exist_ok=True)
        self.draw_export()
        files = {
            "svg": self._drawn["svg-video"].encode() + b"\n",
            "png": self._drawn["png-video"],
            "csv": table_csv(self.table).encode(),
        }
        paths = []
        for ending, data in files.items():
            path = folder / f"{self.name}.{ending}"
            path.write_bytes(data)
            paths.append(path)
        return tuple(paths)

    def draw_export(self) -> None:
        """Draw what `export` writes, if it was not drawn before."""
        if "svg-video" in self._drawn and "png-video" in self._drawn:
            return
        figure = self.draw("video")
        self._drawn["svg-video"] = self.figure_svg(figure, salt=f"{self.name} video", alt=self.alt)
        self._drawn["png-video"] = self.figure_png(figure)


@contextmanager
def chart_style(salt: str = "") -> Iterator[None]:
    """Set the style for a block, whatever the caller's own settings are, and take it back.

    Parameters
    ----------
    salt : str
        Makes the ids within an SVG those of one chart, so that two can stand in one page.
    """
    from matplotlib import rc_context, rcParamsDefault

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


def file_stem(*parts: str) -> str:
    """Return parts joined to a stem that every file system takes.

    Examples
    --------
    >>> file_stem("margins", "average_fps", "Kestrel 7/b")
    'margins-average_fps-kestrel-7-b'
    """
    stem = "-".join(
        re.sub(r"[^a-z0-9._-]+", "-", part.lower()).strip("-.") or "x" for part in parts
    )
    return stem[:180]


_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_DROPPED = {f"{{{_SVG}}}style", f"{{{_SVG}}}metadata"}

# What a reader without DejaVu sees instead: fonts of the same or smaller widths.
FONT_STACK = "'DejaVu Sans', Verdana, 'Noto Sans', sans-serif"


def _tidy_svg(drawn: bytes, *, alt: str) -> str:
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
    _say_inks_once(root)
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


# Rules of a style that are attributes, too; and attributes that hold numbers.
_PRESENTATION = {
    "fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray", "stroke-dashoffset",
    "stroke-linecap", "stroke-linejoin", "stroke-opacity", "opacity", "font-size", "font-weight",
    "font-style", "text-anchor",
}  # fmt: skip
_NUMBERS = (
    "d", "x", "y", "width", "height", "transform", "stroke-width", "font-size", "stroke-dasharray",
)  # fmt: skip


def _tidy_element(element: ET.Element, used: set[str]) -> None:
    """Tidy one element in place.

    Parameters
    ----------
    element : Element
    used : set of str
        Ids that something refers to; others are taken away.
    """
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
    for name in _NUMBERS:
        if name in element.attrib:
            element.set(name, _shorter(element.attrib[name]))
    if "d" in element.attrib:
        element.set("d", re.sub(r" ?([A-Za-z]) ?", r"\1", element.attrib["d"]))
    if element.tag != f"{{{_SVG}}}text":
        element.text = None
    element.tail = None


def _say_inks_once(root: ET.Element) -> None:
    """Give a mark the ink that each use of it names, in their place.

    SVG 2, 5.6: a mark takes from its use what it has not said itself.
    """
    uses = grouped((u.get(f"{{{_XLINK}}}href", "")[1:], u) for u in root.iter(f"{{{_SVG}}}use"))
    for mark in [e for e in root.iter() if e.get("id") in uses]:
        for ink in ("fill", "stroke", "stroke-width"):
            named = {use.get(ink) for use in uses[mark.get("id", "")]}
            if len(named) == 1 or ink in mark.attrib:
                own = mark.get(ink) or named.pop()
                if own is not None:
                    mark.set(ink, own)
                for use in uses[mark.get("id", "")]:
                    use.attrib.pop(ink, None)


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


ELLIPSIS = "\u2026"


@lru_cache(maxsize=4096)
def _width_at_100(text: str) -> float:
    """Return the width of a line of text at 100 px, in pixels, as DejaVu Sans sets it."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font: Any = get_font(findfont(FontProperties(family="DejaVu Sans")))
    font.set_size(100, 72)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=MISSING_GLYPH)
        font.set_text(text)
    # A character the font lacks comes from another one; in East Asian scripts it is one em wide.
    wide = sum(unicodedata.east_asian_width(char) in "WF" for char in text)
    return max(float(font.get_width_height()[0]) / 64, 100.0 * wide)


def text_width(text: str, size: float) -> float:
    """Return the width of a line of text in pixels, at a type size in pixels.

    Notes
    -----
    The text alone, as FreeType sets it: bold type is about an eighth wider. A character that the
    font lacks counts as an em.
    """
    return _width_at_100(text) * size / 100


def fit_text(text: str, size: float, width: float, *, lines: int = 1) -> str:
    """Return text cut with an ellipsis where it would be wider than `width` pixels.

    Parameters
    ----------
    text : str
        One line.
    size : float
        Of the type, in pixels.
    width : float
        What it must fit, in pixels. Where not even the ellipsis does, the ellipsis is returned.
    lines : int
        The most lines it may be broken into, at spaces; only the last is cut where words allow.
    """
    words = text.split(" ") if lines > 1 else []
    made: list[str] = []
    while words and len(made) < lines - 1:
        # As many words as fit, one at least: each more makes a line wider.
        counts = range(2, len(words) + 1)
        count = 1 + bisect(counts, width, key=lambda n: text_width(" ".join(words[:n]), size))
        made.append(fit_text(" ".join(words[:count]), size, width))
        del words[:count]
    if lines > 1:
        return "\n".join([*made, *([fit_text(" ".join(words), size, width)] if words else [])])
    if text_width(text, size) <= width:
        return text
    low, high = 0, len(text)
    while low < high:  # the longest start that fits
        middle = (low + high + 1) // 2
        if text_width(text[:middle].rstrip() + ELLIPSIS, size) <= width:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + ELLIPSIS


def spread_apart(wanted: Sequence[float], *, apart: float, low: float, high: float) -> list[float]:
    """Return heights near the wanted ones, at least `apart` from each other, in the same order.

    Parameters
    ----------
    wanted : sequence of float
        In pixels, in any order.
    apart : float
        The least distance, in pixels.
    low, high : float
        Ends of the room, in pixels. Where it is too short for all, they run past its low end.

    Examples
    --------
    >>> spread_apart([10.0, 12.0], apart=8.0, low=0.0, high=60.0)
    [10.0, 18.0]
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    last = -math.inf
    for i in order:
        placed[i] = last = max(wanted[i], last + apart, low)
    last = math.inf
    for i in reversed(order):  # push back what ran past the end
        placed[i] = last = min(placed[i], last - apart, high)
    return placed


# Where a label may stand about its point: right, left, above, below, then the corners.
_AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


def place_labels(
    boxes: Sequence[tuple[float, float]],
    points: Sequence[tuple[float, float]],
    *,
    clear: float,
    room: tuple[float, float, float, float],
    lines: Sequence[Sequence[tuple[float, float]]] = (),
) -> list[tuple[float, float]]:
    """Return where labels of points stand (left, top) so that none covers another or a point.

    Parameters
    ----------
    boxes : sequence of (width, height)
        Of each label, in pixels.
    points : sequence of (x, y)
        What each label belongs to, in pixels from the top left; points past the labels' number
        are only kept clear.
    clear : float
        Pixels between a point and its label.
    room : (left, top, right, bottom)
        What the labels must stay inside, in pixels.
    lines : sequence of sequence of (x, y)
        The corners of lines, which labels leave bare where they can.
    """
    taken = [(x - clear, y - clear, x + clear, y + clear) for x, y in points]
    for (x0, y0), (x1, y1) in chain.from_iterable(map(pairwise, lines)):
        count = 1 + int(math.hypot(x1 - x0, y1 - y0) / (0.5 * clear))
        along = zip(np.linspace(x0, x1, count + 1), np.linspace(y0, y1, count + 1), strict=True)
        taken += [(x - 1.5, y - 1.5, x + 1.5, y + 1.5) for x, y in along]
    spots: list[tuple[float, float]] = []
    for (width, height), (x, y) in zip(boxes, points, strict=False):
        tries = np.array(
            [
                (
                    x + across * far * clear - (1 - across) * width / 2,
                    y + down * far * clear - (1 - down) * height / 2,
                    far,
                )
                for far in (1.1, 1.7, 2.8)
                for across, down in _AROUND
            ]
        )
        lefts, tops = tries[:, :1], tries[:, 1:2]
        x0, y0, x1, y1 = np.array(taken).T
        shared_x = np.minimum(lefts + width, x1) - np.maximum(lefts, x0)
        shared_y = np.minimum(tops + height, y1) - np.maximum(tops, y0)
        covered = (shared_x.clip(0) * shared_y.clip(0)).sum(axis=1)
        outside = (room[0] - lefts).clip(0) + (lefts + width - room[2]).clip(0)
        outside += (room[1] - tops).clip(0) + (tops + height - room[3]).clip(0)
        # A label far from its point is read as another's: worth some covered line, no covered mark.
        best = int(np.argmin(np.round(60 * tries[:, 2] + 500 * outside[:, 0] + covered, 6)))
        left, top = float(lefts[best, 0]), float(tops[best, 0])
        spots.append((left, top))
        taken.append((left, top, left + width, top + height))
    return spots


@dataclass(frozen=True, slots=True)
class Panel:
    """A column of rows on a sheet: which rows, where, and how tall each is."""

    rows: range
    left: float
    top: float
    width: float
    height: float
    tops: tuple[float, ...]  # of each row, from the panel's top
    heights: tuple[float, ...]

    def middle(self, row: int) -> float:
        """Return the middle of a row (counted over all panels), from the panel's top."""
        at = row - self.rows.start
        return self.tops[at] + self.heights[at] / 2

    @classmethod
    def stack(
        cls,
        sheet: Sheet,
        *,
        top: float,
        below: float,
        count: int,
        natural: float,
        least: float,
        first_extra: float = 0.0,
        gaps: Mapping[int, float] | None = None,
    ) -> tuple[list[Self], float]:
        """Return rows stacked in one column, or in two where one would press them too close.

        Parameters
        ----------
        sheet : Sheet
            On the page the rows have their natural height, and the sheet is as tall as
            that makes it.
        top, below : float
            Pixels above and below the rows.
        count : int
            Number of rows.
        natural, least : float
            Height of a row on the page, and the least for which a single column does.
        first_extra : float
            By how much each column's first row is taller.
        gaps : mapping of int to float, optional
            Pixels left free before a row.

        Returns
        -------
        list of Panel, float
            The columns, and the height of the sheet.
        """
        gaps = gaps or {}
        columns, height, row_height = 1, 0.0, natural
        if sheet.height is None:
            height = top + below + count * natural + first_extra + sum(gaps.values())
        else:
            height = sheet.height
            room = height - top - below - first_extra - sum(gaps.values())
            columns = 1 if room / count >= least else 2
            row_height = min(
                room / math.ceil(count / columns), natural * (3 if columns == 1 else 9)
            )
        per_column = math.ceil(count / columns)
        tall = per_column * row_height + first_extra + sum(gaps.values())
        start = top + (height - top - below - tall) / 2
        gutter = 1.2 * sheet.text if columns > 1 else 0.0
        width = (sheet.width - 2 * sheet.side - gutter * (columns - 1)) / columns
        panels = []
        for column in range(columns):
            rows = range(column * per_column, min(count, (column + 1) * per_column))
            heights = [row_height + (first_extra if row == rows.start else 0.0) for row in rows]
            tops, y = [], 0.0
            for row, own in zip(rows, heights, strict=True):
                y += gaps.get(row, 0.0)
                tops.append(y)
                y += own
            panels.append(
                cls(
                    rows,
                    sheet.side + column * (width + gutter),
                    start,
                    width,
                    max(y, tall),
                    tuple(tops),
                    tuple(heights),
                )
            )
        return panels, height

    def name_column(self, sheet: Sheet, labels: Sequence[str]) -> float:
        """Return the width of the column of row names: as wide as they need, within a third.

        Parameters
        ----------
        sheet : Sheet
            Gives the size of the type.
        labels : sequence of str
            Of all rows, also those of other panels: all columns are alike.
        """
        need = max(text_width(label, sheet.text) for label in labels) + 1.2 * sheet.text
        return min(max(need, 4 * sheet.text), 0.34 * self.width)

    @staticmethod
    def log_limits(
        points: Sequence[float], ends: Sequence[float], *, spare: float = 0.06
    ) -> tuple[float, float]:
        """Return limits of a logarithmic axis that hold every point, and interval ends near them.

        One very wide interval would press all other rows together: ends further out than the span
        of the points are cut (and shown cut).

        Parameters
        ----------
        points : sequence of float
            Figures that must be shown. Positive, one at least.
        ends : sequence of float
            Ends of intervals; those that are not positive are passed over.
        spare : float
            Room at each end, a share of the whole.
        """
        low, high = math.log(min(points)), math.log(max(points))
        reach = max(high - low, 0.02)
        logs = [math.log(end) for end in ends if end > 0]
        low, high = (max(min([low, *logs]), low - reach), min(max([high, *logs]), high + reach))
        margin = spare * max(high - low, 0.02)
        return math.exp(low - margin), math.exp(high + margin)
