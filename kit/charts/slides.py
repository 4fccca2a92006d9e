"""Slides: full-screen pictures for talking over, at fixed pixels, readable on a telephone.

A slide is words, rows and figures that were made from claims; here they are set and drawn. All
lettering is 55 px or more at 1920 wide (31 px at 1080 wide), which is 11 px on a screen of 390:
what does not fit is refused with its length, never set smaller. Letters are drawn as outlines,
nine tenths as wide as DejaVu (its condensed cut), so that a slide looks alike on every machine.
"""

from __future__ import annotations

import base64
import io
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties
from matplotlib.image import imread
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.textpath import TextPath
from matplotlib.transforms import Affine2D

from kit.charts.identity import Look
from kit.charts.layout import FOOTED, FOOTED_SCALE, Drawing
from kit.charts.style import OUTCOMES, Chart, chart_style
from kit.charts.style import Sheet as PageSheet
from kit.claims.claim import Claim
from kit.errors import UsageError
from kit.rounding import OUTCOME_SIGNS, grouped

MOST_ROWS = 12
UNKNOWN = (math.nan, math.nan)  # the ends of no interval
_CONDENSED = 0.9


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a slide: a name, a mark or stem, and the figures at its right."""

    name: str
    figures: tuple[str, ...] = ()
    look: Look | None = None
    below: str = ""  # in small type under the name
    group: str = ""  # turned in the margin beside all rows of the group
    at: float = math.nan
    ends: tuple[float, float] = UNKNOWN  # of the interval; low and average, on a stem
    wide: tuple[float, float] = UNKNOWN  # of the interval for titles like these
    outcome: str = ""
    note: str = ""  # beside the mark
    own: bool = False
    apart: bool = False  # another class of machine


@dataclass(frozen=True, slots=True)
class Slide:
    """What one slide says and shows; `printed` lists every figure on it with its claim."""

    name: str
    kind: str  # of _PAINTERS
    titles: tuple[str, ...]  # the same in ever fewer words: the first that fits is set
    under: tuple[str, ...]  # quantity, unit, direction; likewise
    source: tuple[str, ...]  # parts, as many as fit
    rows: tuple[Row, ...]
    printed: tuple[tuple[Claim, str], ...]
    heads: tuple[str, ...] = ()
    band: float = 0.0
    line: tuple[float, str] | None = None  # today's price, and its words

    def to_files(
        self,
        *,
        number: int,
        size: str = "1920x1080",
        ground: str = "paper",
        house: Mapping[str, str] | None = None,
    ) -> dict[str, bytes]:
        """Return a slide as SVG and PNG, by ending; the same claims give the same bytes.

        Parameters
        ----------
        number : int
        size, ground : str
            Keys of `SIZES` and `GROUNDS`.
        house : mapping of str to str, optional
            Colours and logo of a house style. Letters stay, so that a slide is the same everywhere.

        Raises
        ------
        UsageError
            If a title or a name does not fit, or two texts would meet.
        """
        salt = f"slide {self.name}"
        with chart_style(salt):
            canvas = _draw_slide(self, number=number, size=size, ground=ground, house=house)
        drawing: Any = canvas.axes.figure
        svg = Chart.figure_svg(drawing, salt=salt, alt=_alt_of(self))
        png = Chart.figure_png(drawing, scale=SIZES[size][1])
        drawing.clear()
        return {"svg": svg.encode() + b"\n", "png": png}


@dataclass(frozen=True, slots=True)
class _Format:
    """Where things stand on a slide of one shape, in pixels from its top left."""

    width: int
    height: int
    rules: tuple[int, int]
    left: int
    right: int
    title: int  # sizes of type
    small: int
    name: int
    lines: int  # of the title
    title_y: int
    under_y: int
    top: int  # of the rows
    bottom: int
    source_y: int
    mark: int
    tall: bool = False

    @property
    def least(self) -> float:
        """The smallest type allowed: 11 px when the slide is shown 390 px wide, rounded up."""
        return 55 if not self.tall else 31


_LANDSCAPE = _Format(
    1920, 1080, (87, 97), 128, 1864, title=74, small=55, name=58, lines=1, title_y=74, under_y=176,
    top=236, bottom=980, source_y=1026, mark=38,
)  # fmt: skip
_UPRIGHT = _Format(
    1080, 1920, (41, 51), 74, 1040, title=66, small=34, name=42, lines=2, title_y=204, under_y=364,
    top=424, bottom=1670, source_y=1748, mark=34, tall=True,
)  # fmt: skip
SIZES: Mapping[str, tuple[_Format, float]] = {
    "1920x1080": (_LANDSCAPE, 1.0),
    "3840x2160": (_LANDSCAPE, 2.0),
    "1080x1920": (_UPRIGHT, 1.0),
}


@dataclass(frozen=True, slots=True)
class _Ground:
    """What a slide is drawn on, and the colours on it."""

    paper: str
    ink: str
    grey: str
    rule: str
    band: str
    tab: str
    accent: str
    dark: bool
    clear: bool = False

    def of_house(self, house: Mapping[str, str]) -> _Ground:
        """Return the ground in the colours of a house style."""
        scheme = "dark/" if self.dark else "light/"
        own: dict[str, Any] = {
            k.removeprefix(scheme): v for k, v in house.items() if k.startswith(scheme)
        }
        own |= {"grey": own["muted"]} if "muted" in own else {}
        return replace(self, **{k: v for k, v in own.items() if k in _OF_HOUSE})


_OF_HOUSE = {"paper", "ink", "grey", "rule", "band", "tab", "accent"}
_PAPER = _Ground("#fbfaf6", "#1c2326", "#4a5356", "#d8d4c6", "#e4e1d6", "#dcebe8", "#005c5e", False)
_DARK = _Ground("#15191b", "#ecebe5", "#b9bfc0", "#343c3f", "#2a3235", "#17403e", "#4cc7bd", True)
GROUNDS: Mapping[str, _Ground] = {
    "paper": _PAPER,
    "dark": _DARK,
    "clear-dark-ink": replace(_PAPER, clear=True),
    "clear-light-ink": replace(_DARK, clear=True),
}
_DARK_OUTCOMES = {"ahead": "#7fb0e0", "behind": "#d9b650", "above": "#7fb0e0", "below": "#d9b650"}
_CHIPS = {"behind": "#7f6300", "below": "#7f6300"}
_DARK_LEVEL = "#9aa5a8"


@dataclass(frozen=True, slots=True)
class _Type:
    """How lettering is set: its size in pixels, weight, face, and ink ("" for the ground's)."""

    size: float
    bold: bool = False
    serif: bool = False
    colour: str = ""


@dataclass(slots=True)
class _Canvas:
    """The sheet a slide is drawn on; keeps the box of every line of lettering."""

    form: _Format
    ground: _Ground
    axes: Axes
    boxes: list[tuple[str, float, float, float, float, float]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)  # on how to read it, for the source line
    logo_px: float = 0.0  # what a logo takes of the source line

    def colour(self, look: Look) -> str:
        """Return the colour of a mark on this ground."""
        return (look.dark or look.colour) if self.ground.dark else look.colour

    def outcome_colour(self, outcome: str, *, chip: bool = False) -> str:
        """Return the colour of an outcome on this ground.

        Parameters
        ----------
        outcome : str
            A key of `OUTCOMES`.
        chip : bool
            Whether white type stands on it: then a darker one, where the contrast asks for it.
        """
        if self.ground.dark:
            return _DARK_OUTCOMES.get(outcome, _DARK_LEVEL)
        return (_CHIPS if chip else {}).get(outcome) or OUTCOMES[outcome].colour

    def place_logo(self, png: bytes) -> None:
        """Draw a logo at the right end of the source line, as high as its letters."""
        picture = imread(io.BytesIO(png))
        form, (rows, columns) = self.form, picture.shape[:2]
        wide = min(form.small * columns / rows, 0.25 * (form.right - form.left))
        half = wide * rows / columns / 2
        edges = (form.right - wide, form.right, form.source_y + half, form.source_y - half)
        ends = self.axes.get_xlim(), self.axes.get_ylim()
        self.axes.imshow(picture, extent=edges, aspect="auto", zorder=6)
        self.axes.set(xlim=ends[0], ylim=ends[1])
        self.logo_px = wide + 30

    def write(
        self, x: float, y: float, text: str, how: _Type, *, align: str = "left",
        turned: bool = False, box: bool = True,
    ) -> tuple[float, float]:  # fmt: skip
        """Write a line whose small letters are centred on `y`; return where it begins and ends.

        Parameters
        ----------
        x, y : float
            Where it stands, in pixels from the top left.
        text : str
            One line.
        how : _Type
            How it is set.
        align : str
            What of the line is at `x`: "left", "right" or "centre".
        turned : bool
            Whether it reads upwards, centred on both.
        box : bool
            Whether it must be of legible size, on the sheet, and clear of other lettering.
        """
        if not text.strip():
            return x, x
        size, width = how.size, _wide(text, how)
        start = x - {"left": 0.0, "right": width, "centre": width / 2}[align]
        outline = _outline(text, how.bold, how.serif)
        place = Affine2D().scale(size / 100 * _CONDENSED, -size / 100)
        if turned:
            place.translate(-width / 2, 0.34 * size).rotate_deg(-90).translate(x, y)
            edges = (x - 0.42 * size, y - width / 2, x + 0.42 * size, y + width / 2)
        else:
            place.translate(start, y + 0.34 * size)
            edges = (start, y - 0.42 * size, start + width, y + 0.52 * size)
        shape = outline.transformed(place)
        if self.ground.clear:
            self.axes.add_artist(
                PathPatch(shape, fc=self.ground.paper, ec=self.ground.paper, lw=12, zorder=5.5)
            )
        ink = how.colour or self.ground.ink
        # Not `add_patch`, which looks for the limits of every curve: the sheet's are fixed.
        self.axes.add_artist(PathPatch(shape, fc=ink, ec="none", lw=0, zorder=6))
        if box:
            self.boxes.append((text, *edges, size))
        return start, start + width

    def line(self, xs: Sequence[float], ys: Sequence[float], width: float, **how: Any) -> None:
        """Draw a line through points.

        Parameters
        ----------
        xs, ys : sequence of float
            In pixels from the top left.
        width : float
            In pixels.
        **how
            Further arguments of `Axes.plot`; ink and order in depth stand unless given.
        """
        given: dict[str, Any] = {
            "color": self.ground.ink,
            "zorder": 3,
            "solid_capstyle": "butt",
        } | how
        self.axes.plot(xs, ys, lw=width, **given)

    def block(self, x: float, y: float, width: float, height: float, colour: str, z: float) -> None:
        """Fill a rectangle."""
        self.axes.add_patch(Rectangle((x, y), width, height, fc=colour, ec="none", lw=0, zorder=z))

    def mark(self, x: float, y: float, look: Look, *, size: float = 0.0) -> None:
        """Draw a product's mark.

        Parameters
        ----------
        x, y : float
            Its middle, in pixels.
        look : Look
        size : float
            In pixels; 0.0 for the size of the slide's shape.
        """
        colour = self.colour(look)
        span = (size or self.form.mark) * (FOOTED_SCALE * 0.8 if look.foot else 1.0)
        self.axes.plot(
            [x], [y], ls="none", marker=_FOOTED if look.foot else look.shape, markersize=span,
            mfc=colour if look.filled else self.ground.paper, mec=colour, mew=5, zorder=4,
        )  # fmt: skip

    def dot(self, x: float, y: float, outcome: str) -> None:
        """Draw one title's margin in the colour of its outcome."""
        colour = self.outcome_colour(outcome or "unresolved")
        face = colour if OUTCOMES[outcome or "unresolved"].filled else self.ground.paper
        style = (0, (2.0, 1.6)) if OUTCOMES[outcome or "unresolved"].dashed else "-"
        self.axes.scatter(
            [x], [y], s=(0.8 * self.form.mark) ** 2, c=face, edgecolors=colour, linewidths=4,
            linestyle=style, zorder=4,
        )  # fmt: skip

    def chip(self, x: float, y: float, outcome: str) -> None:
        """Draw an outcome as a sign on a square of 50 px (36 upright), its right edge at `x`."""
        size = 36 if self.form.tall else 50
        colour = self.outcome_colour(outcome, chip=True)
        filled = OUTCOMES[outcome].filled
        style = (0, (3, 2)) if OUTCOMES[outcome].dashed else "-"
        self.axes.add_patch(
            Rectangle(
                (x - size, y - size / 2), size, size, fc=colour if filled else self.ground.paper,
                ec=colour, lw=3, ls=style, zorder=4,
            )
        )  # fmt: skip
        ink = ("#15191b" if self.ground.dark else "#ffffff") if filled else self.ground.ink
        sign = OUTCOME_SIGNS[outcome]
        halo, self.ground = self.ground, replace(self.ground, clear=False)
        how = _Type(1.1 * size, bold=True, colour=ink)
        self.write(x - size / 2, y, sign, how, align="centre", box=False)
        self.ground = halo


# The foot line is below the disc, and the sheet's y grows downwards only for places, not marks.
_FOOTED = FOOTED


@lru_cache(maxsize=4096)
def _outline(text: str, bold: bool, serif: bool) -> Outline:
    """Return the outlines of a line of lettering at 100 px, with its baseline at 0."""
    font = FontProperties(
        family="DejaVu Serif" if serif else "DejaVu Sans", weight="bold" if bold else "normal"
    )
    made: Outline = TextPath((0, 0), text.replace("\u202f", "\xa0"), size=100, prop=font)
    return made


def _wide(text: str, how: _Type) -> float:
    """Return the width of a line of lettering on a slide, in pixels."""
    if not text.strip():
        return 0.0
    return _right_end(text.rstrip(), how.bold, how.serif) * _CONDENSED * how.size / 100


@lru_cache(maxsize=4096)
def _right_end(text: str, bold: bool, serif: bool) -> float:
    """Return how far the outlines of a line of lettering at 100 px reach.

    By the points that bend curves, too: a few glyphs (a serif gamma) have one a little beyond.
    """
    outline = _outline(text, bold, serif)
    drawn = np.array(outline.codes) != Outline.CLOSEPOLY  # which goes back to where it began
    return float(np.array(outline.vertices)[drawn, 0].max())


def _in_lines(text: str, form: _Format) -> list[str] | None:
    """Return a title broken into the lines a slide has; None where it does not fit."""
    # A short number stays with the word before it: "Fennock 7".
    room, words = form.right - form.left, re.split(r" (?!\d{1,2}\b)", text)

    def widest(lines: Sequence[str]) -> float:
        return max(_wide(line, _Type(form.title, bold=True, serif=True)) for line in lines)

    if widest([text]) <= room:
        return [text]
    cuts = range(1, len(words)) if form.lines > 1 else ()
    broken = [[" ".join(words[:cut]), " ".join(words[cut:])] for cut in cuts]
    best = min(broken, key=widest, default=[text])
    return best if widest(best) <= room else None


def _fitting(slide: Slide, forms: Sequence[str], form: _Format, what: str) -> str:
    """Return the first wording that is no wider than the slide's text.

    Raises
    ------
    UsageError
        If none is.
    """
    room = form.right - form.left
    for text in forms:
        if _wide(text, _Type(form.small)) <= room:
            return text
    raise UsageError(f"slide {slide.name}: {what} {_too_long(forms[-1])}")


def _too_long(text: str) -> str:
    """Return what is said of lettering that does not fit, with its length and what to do."""
    return (
        f'"{text}" is too long at {len(text)} characters; lettering is not set smaller: give '
        "the product or title a shorter name in bench.yaml, or leave the slide out"
    )


def _draw_slide(
    slide: Slide,
    *,
    number: int,
    size: str = "1920x1080",
    ground: str = "paper",
    house: Mapping[str, str] | None = None,
) -> _Canvas:
    """Return a slide drawn on its canvas; the parameters are those of `Slide.to_files`.

    Raises
    ------
    UsageError
        If a title or a name does not fit, or two texts would meet.
    """
    form, _ = SIZES[size]
    sheet = PageSheet("video", form.width, form.height, 0, 0, 0, 0, 0, 0)
    figure = Drawing(sheet, form.height)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, form.width)
    axes.set_ylim(form.height, 0)
    axes.axis("off")
    look = GROUNDS[ground].of_house(house or {})
    figure.patch.set_alpha(0 if look.clear else 1)
    figure.patch.set_facecolor(look.paper)
    canvas = _Canvas(form, look, axes)
    if logo := (house or {}).get("logo"):
        canvas.place_logo(base64.b64decode(logo.partition(",")[2]))
    if look.clear:
        plate = Rectangle((0, 0), form.width, form.height, fc=look.paper, alpha=0.55, zorder=0)
        axes.add_patch(plate)
    for x in form.rules:
        canvas.line([x, x], [0, form.height], 2, color=look.accent, alpha=0.75, zorder=2.5)
    _PAINTERS[slide.kind](canvas, slide)
    _frame(canvas, slide, number)
    _check_boxes(canvas, slide)
    return canvas


def _frame(canvas: _Canvas, slide: Slide, number: int) -> None:
    """Write title, second line, source line and number.

    Parts of the source line are set as far as there is room; who made the slide may give way, how
    it is read may not.

    Raises
    ------
    UsageError
        If the title in its fewest words, the second line or a note on how to read it does not fit.
    """
    form, grey = canvas.form, canvas.ground.grey
    lines = next((found for t in slide.titles if (found := _in_lines(t, form))), None)
    if lines is None:
        raise UsageError(f"slide {slide.name}: its title {_too_long(slide.titles[-1])}")
    for i, text in enumerate(lines):
        y = form.title_y + 1.15 * form.title * i
        canvas.write(form.left, y, text, _Type(form.title, bold=True, serif=True))
    under = _fitting(slide, slide.under, form, "its second line")
    y = form.under_y - (0 if len(lines) == form.lines else form.title)
    canvas.write(form.left, y, under, _Type(form.small, colour=grey))
    parts, said = [*canvas.notes, *slide.source[1:]], [slide.source[0]]
    for part in parts:
        room = form.right - form.left - canvas.logo_px
        if _wide(f"{said[-1]} · {part}", _Type(form.small)) <= room:
            said[-1] += f" · {part}"
        elif len(said) < form.lines:
            said.append(part)
        elif part != slide.source[-1]:  # who made it may give way, how to read it may not
            raise UsageError(f"slide {slide.name}: its source line {_too_long(part)}")
    for i, text in enumerate(said):
        line = _fitting(slide, [text], form, "its source line")
        y = form.source_y - 1.25 * form.small * (len(said) - 1 - i)
        canvas.write(form.left, y, line, _Type(form.small, colour=grey))
    how = _Type(31 if form.tall else form.small, bold=True)
    middle = form.rules[0] / 2
    canvas.write(middle, form.source_y, str(number), how, align="centre", box=False)


def _check_boxes(canvas: _Canvas, slide: Slide) -> None:
    """Refuse a slide on which lettering is too small, leaves the sheet or meets other lettering.

    Raises
    ------
    UsageError
        At the first such line, with its text.
    """
    form = canvas.form
    for i, (text, x0, y0, x1, y1, size) in enumerate(canvas.boxes):
        if size < form.least:
            raise UsageError(f'slide {slide.name}: "{text}" would be {size:g} px')
        if x0 < 0 or y0 < 0 or x1 > form.width or y1 > form.height:
            raise UsageError(f'slide {slide.name}: "{text}" does not fit; {_too_long(text)}')
        for other, u0, v0, u1, v1, _ in canvas.boxes[:i]:
            if min(x1, u1) - max(x0, u0) > 1 and min(y1, v1) - max(y0, v0) > 1:
                raise UsageError(
                    f'slide {slide.name}: "{text}" would run into "{other}"; give the product or '
                    "title a shorter name in bench.yaml, or leave the slide out"
                )


# --- rows ---


@dataclass(frozen=True, slots=True)
class _Places:
    """Where the rows of a slide stand: plot from `start` to `end`, columns by right edge."""

    tops: tuple[float, ...]
    height: float
    start: float
    end: float
    columns: tuple[float, ...]
    sizes: tuple[float, ...]

    def name_y(self, row: int, form: _Format) -> float:
        """Return the middle of a row's first line."""
        return self.tops[row] + self.height * (0.3 if form.tall else 0.5)

    def plot_y(self, row: int, form: _Format) -> float:
        """Return the middle of a row's plot."""
        return self.tops[row] + self.height * (0.74 if form.tall else 0.5)


def _lay_out(
    canvas: _Canvas, slide: Slide, sizes: Sequence[float], *, most: float, chips: bool = False
) -> _Places:
    """Return where rows and columns stand, and write their names and figures.

    Parameters
    ----------
    canvas : _Canvas
    slide : Slide
    sizes : sequence of float
        Of the type in each column of figures, in pixels.
    most : float
        Height of a row, in pixels, where there is room for more.
    chips : bool
        Whether room is kept at the right for a sign of the outcome.

    Raises
    ------
    UsageError
        If names and figures leave less than 260 px for the plot.
    """
    form, rows = canvas.form, slide.rows
    gaps = [_gap(rows, i) for i in range(len(rows))]
    top = form.top + (1.1 * form.small if slide.heads else 0.0)
    height = min(most, (form.bottom - top - sum(gaps)) / len(rows))
    tops = [top + i * height + sum(gaps[: i + 1]) for i in range(len(rows))]
    edge = float(form.right) - ((56 if form.tall else 74) if chips else 0)
    columns: list[float] = []
    for column in range(len(sizes) - 1, -1, -1):
        texts = [row.figures[column] for row in rows if len(row.figures) > column]
        columns.insert(0, edge)
        widths = [_wide(t, _Type(sizes[column], bold=column == 0)) for t in texts]
        head = [_wide(slide.heads[column], _Type(form.small))] if slide.heads else []
        edge -= max([*widths, *head], default=0.0) + 40
    marked = [row for row in rows if row.look and not (form.tall and _has_stem(row))]
    indent = 62 if marked else 0
    if form.tall:
        start, end = form.left + form.mark / 2, form.right - form.mark / 2
    else:
        names = max(_wide(row.name, _Type(form.name, bold=row.own)) for row in rows)
        below = max(_wide(row.below, _Type(form.small)) for row in rows)
        start, end = form.left + indent + max(names, below) + 40, edge - 10
    places = _Places(tuple(tops), height, start, end, tuple(columns), tuple(sizes))
    if end - start < 260:
        longest = max((row.name for row in rows), key=len)
        raise UsageError(f"slide {slide.name}: the name {_too_long(longest)}")
    grey = _Type(form.small, colour=canvas.ground.grey)
    for x, text in zip(columns, slide.heads, strict=False):
        canvas.write(x, top - 0.55 * form.small, text, grey, align="right")
    for i, row in enumerate(rows):
        _write_row(canvas, row, places, i, form.left + indent, chips)
        if gaps[i]:
            y = tops[i] - gaps[i] / 2
            double = row.apart and not rows[i - 1].apart
            for dy in (-4, 4) if double else (0,):
                canvas.line(
                    [form.left, form.right], [y + dy] * 2, 2, color=canvas.ground.rule, zorder=1
                )
    _turned_groups(canvas, slide, places)
    return places


def _gap(rows: Sequence[Row], i: int) -> float:
    """Return the pixels kept free above a row: where a class of machine or a group begins."""
    if i and rows[i].apart and not rows[i - 1].apart:
        return 26
    return 20 if i and rows[i].group != rows[i - 1].group else 0


def _write_row(canvas: _Canvas, row: Row, places: _Places, i: int, x: float, chips: bool) -> None:
    """Write a row's name, what is below it, its figures and chip; tint the reviewed row.

    Parameters
    ----------
    canvas : _Canvas
    row : Row
    places : _Places
    i : int
        Its number, counted from 0.
    x : float
        Where names begin, in pixels.
    chips : bool
        Whether its outcome is shown as a sign.
    """
    form, ground = canvas.form, canvas.ground
    y = places.name_y(i, form)
    if row.own:
        top = places.tops[i]
        canvas.block(form.rules[0], top, form.width, places.height, ground.tab, 0.6)
        canvas.block(0, top, form.rules[0], places.height, ground.accent, 2.6)
    lift = 0.55 * form.small if row.below and not form.tall else 0
    if row.look is not None and not (form.tall and _has_stem(row)):
        canvas.mark(form.left + form.mark / 2, y - lift, row.look)
    how = _Type(form.name, bold=row.own, colour=ground.accent if row.own else "")
    canvas.write(x, y - lift, row.name, how)
    if row.below:
        drop = lift or 1.05 * form.name
        canvas.write(x, y + drop, row.below, _Type(form.small, colour=ground.grey))
    ends = zip(row.figures, places.columns, places.sizes, strict=False)
    for column, (text, edge, size) in enumerate(ends):
        how = _Type(size, colour=ground.grey) if column else _Type(size, bold=True)
        canvas.write(edge, y, text, how, align="right")
    if chips and row.outcome:
        canvas.chip(form.right, y, row.outcome)


def _has_stem(row: Row) -> bool:
    """Return whether a row's mark stands on its own stem, and need not be shown again."""
    return row.look is not None and math.isfinite(row.ends[0]) and not row.outcome


def _turned_groups(canvas: _Canvas, slide: Slide, places: _Places) -> None:
    """Write the name of each group of rows upright in the margin.

    A name longer than its rows are tall is left out: the rows' order still shows the group.
    """
    form = canvas.form
    spans = grouped((row.group, i) for i, row in enumerate(slide.rows) if row.group)
    for name, found in spans.items():
        top, bottom = places.tops[found[0]], places.tops[found[-1]] + places.height
        how = _Type(31 if form.tall else form.small, bold=True)
        if _wide(name, how) <= bottom - top:
            canvas.write(form.rules[0] / 2, (top + bottom) / 2, name, how, turned=True)


def _note_beside(canvas: _Canvas, text: str, x: float, y: float, places: _Places) -> None:
    """Write a word beside a mark, right of it or left where that has no room."""
    form = canvas.form
    how, gap = _Type(form.small, colour=canvas.ground.grey), 34
    need = _wide(text, how)
    if x + gap + need <= places.end + 20:
        canvas.write(x + gap, y, text, how)
    elif x - gap - need >= places.start - 20:
        canvas.write(x - gap, y, text, how, align="right")


def _paint_stems(canvas: _Canvas, slide: Slide) -> None:
    """One title: a mark at the average, on a stem that ends in a stroke at the low.

    The scale begins at zero. A note says whether the intervals are hidden by the marks.
    """
    form, ground = canvas.form, canvas.ground
    sizes = (74 if not form.tall else 54, 55 if not form.tall else 40)[: len(slide.rows[0].figures)]
    places = _lay_out(canvas, slide, sizes, most=150 if form.tall else 92)
    room = places.end - places.start
    # Right of the mark the plot keeps room for the mark's half, or for the word beside it.
    ends = [
        form.mark / 2 if not r.note else 34 + _wide(r.note, _Type(form.small)) for r in slide.rows
    ]
    scale = min((room - end) / r.at for r, end in zip(slide.rows, ends, strict=True))

    def at(value: float) -> float:
        return places.start + scale * value

    rows = range(len(slide.rows))
    if not form.tall:
        span = [places.tops[0], places.tops[-1] + places.height]
        canvas.line([places.start] * 2, span, 3, color=ground.grey, zorder=2)
    for i in rows:
        row, y = slide.rows[i], places.plot_y(i, form)
        if row.look is None:
            continue
        canvas.line([places.start, at(row.at)], [y, y], 2, color=ground.rule, zorder=2.2)
        colour = canvas.colour(row.look)
        if math.isfinite(row.ends[0]):
            low = at(row.ends[0])
            canvas.line([low, at(row.at)], [y, y], 5, color=colour)
            canvas.line([low, low], [y - 17, y + 17], 6, color=colour)
        if math.isfinite(row.wide[0]):
            canvas.line([at(v) for v in row.wide], [y, y], 3, color=ground.ink, zorder=2.8)
        canvas.mark(at(row.at), y, row.look)
        if row.note:
            _note_beside(canvas, row.note, at(row.at), y, places)
    spans = [row.wide[1] - row.wide[0] for row in slide.rows if math.isfinite(row.wide[0])]
    if spans:
        narrow = scale * max(spans) <= form.mark
        canvas.notes.append("intervals within marks" if narrow else "thin line: interval")


def _ratio_scale(canvas: _Canvas, slide: Slide, places: _Places) -> Callable[[float], float]:
    """Return the place of a ratio, and draw what stands behind the marks of margins.

    Returns
    -------
    callable
        Ratio to x, in pixels. The scale is logarithmic and holds every mark, interval and the band.
    """
    form, ground = canvas.form, canvas.ground
    values = [1.0 - slide.band, 1.0 + slide.band]
    for row in slide.rows:
        values += [v for v in (row.at, *row.ends, *row.wide) if v > 0]
    low, high = math.log(min(values)), math.log(max(values))
    pad = 0.05 * (high - low) + 0.004
    low, high = low - pad, high + pad

    def at(ratio: float) -> float:
        return places.start + (places.end - places.start) * (math.log(ratio) - low) / (high - low)

    step = 0.1 if high - low < 0.45 else 0.2
    ticks = [1 + k * step for k in range(-4, 9) if k and low < math.log(1 + k * step) < high]
    spans = [(places.tops[0], places.tops[-1] + places.height)]
    if form.tall:
        middles = [places.plot_y(i, form) for i in range(len(slide.rows))]
        spans = [(y - 0.2 * places.height, y + 0.2 * places.height) for y in middles]
    for top, bottom in spans:
        if slide.band:
            left, right = at(1 - slide.band), at(1 + slide.band)
            canvas.block(left, top, right - left, bottom - top, ground.band, 0.8)
        canvas.line([at(1.0)] * 2, [top, bottom], 4, color=ground.grey, zorder=1.2)
        for tick in ticks:
            canvas.line([at(tick)] * 2, [top, bottom], 2, color=ground.rule, zorder=0.7)
    return at


def _paint_dots(canvas: _Canvas, slide: Slide) -> None:
    """One rival: a dot a title, in the colour of its outcome, on its interval."""
    form = canvas.form
    size = 60 if not form.tall else 46
    places = _lay_out(canvas, slide, [size], most=110 if form.tall else 76, chips=True)
    at = _ratio_scale(canvas, slide, places)
    for i, row in enumerate(slide.rows):
        y = places.plot_y(i, form)
        right = at(row.at)
        if math.isfinite(row.ends[0]):
            right = at(row.ends[1])
            colour = canvas.outcome_colour(row.outcome or "unresolved")
            canvas.line([at(row.ends[0]), right], [y, y], 6, color=colour)
        canvas.dot(at(row.at), y, row.outcome)
        if row.note:
            _note_beside(canvas, row.note, max(right, at(row.at) + 16), y, places)


def _paint_lines(canvas: _Canvas, slide: Slide) -> None:
    """Suites: a block for these titles, a line with ends for titles like these, a needle."""
    form, ink = canvas.form, canvas.ground.ink
    size = 72 if not form.tall else 52
    places = _lay_out(canvas, slide, [size], most=190 if form.tall else 118, chips=True)
    at = _ratio_scale(canvas, slide, places)
    for i, row in enumerate(slide.rows):
        y = places.plot_y(i, form)
        if math.isfinite(row.wide[0]):
            ends = [at(v) for v in row.wide]
            canvas.line(ends, [y, y], 5, color=canvas.ground.grey)
            for x in ends:
                canvas.line([x, x], [y - 15, y + 15], 5, color=canvas.ground.grey)
        if math.isfinite(row.ends[0]):
            left, right = (at(v) for v in row.ends)
            canvas.block(left, y - 14, right - left, 28, canvas.ground.grey, 3.1)
        canvas.line([at(row.at)] * 2, [y - 32, y + 32], 8, color=ink, zorder=3.5)


def _paint_steps(canvas: _Canvas, slide: Slide) -> None:
    """One name in two classes: a stem from parity to each margin."""
    form = canvas.form
    size = 92 if not form.tall else 64
    places = _lay_out(canvas, slide, [size], most=330 if form.tall else 230)
    at = _ratio_scale(canvas, slide, places)
    for i, row in enumerate(slide.rows):
        y = places.plot_y(i, form)
        if row.look is not None:
            canvas.line([at(1.0), at(row.at)], [y, y], 6, color=canvas.colour(row.look))
            canvas.mark(at(row.at), y, row.look)


def _paint_prices(canvas: _Canvas, slide: Slide) -> None:
    """Prices: from the price of today an arrow to the price of equal value beside each rival."""
    form, ground = canvas.form, canvas.ground
    size = 72 if not form.tall else 52
    roomy = replace(slide, heads=("",))
    places = _lay_out(canvas, roomy, [size], most=230 if form.tall else 150)
    today, words = slide.line or (1.0, "")
    type_size = form.small if not form.tall else 42
    label = max(_wide(row.note, _Type(type_size, bold=True)) for row in slide.rows) + 40
    values = [row.at for row in slide.rows] + [today]
    low, high = min(values), max(values)
    left = places.start + (label if low < today else 20)
    right = places.end - (label if high > today else 20)

    def at(price: float) -> float:
        return left + (right - left) * (price - low) / ((high - low) or 1)

    colour, x = ground.accent, at(today)
    top, bottom = places.tops[0], places.tops[-1] + places.height
    if not form.tall:
        canvas.line([x, x], [top, bottom], 6, color=colour, zorder=2)
    half = _wide(words, _Type(type_size, bold=True)) / 2
    middle = min(max(x, form.left + half), form.right - half)
    canvas.write(
        middle,
        top - 0.6 * type_size,
        words,
        _Type(type_size, bold=True, colour=colour),
        align="centre",
    )
    for i, row in enumerate(slide.rows):
        y, end = places.plot_y(i, form) + (0.1 * places.height if form.tall else 0), at(row.at)
        ahead = 1 if end > x else -1
        if form.tall:
            canvas.line([x, x], [y - 30, y + 30], 6, color=colour, zorder=2)
        canvas.line([x, end], [y, y], 6, color=colour)
        canvas.line([end - 20 * ahead, end, end - 20 * ahead], [y - 16, y, y + 16], 6, color=colour)
        canvas.write(
            end + 18 * ahead,
            y,
            row.note,
            _Type(type_size, bold=True),
            align="left" if ahead > 0 else "right",
        )


def _paint_words(canvas: _Canvas, slide: Slide) -> None:
    """Set-up: two columns of words, ruled."""
    form, ground = canvas.form, canvas.ground
    height = min(150 if form.tall else 100, (form.bottom - form.top) / len(slide.rows))
    start = float(form.left)
    if not form.tall:
        start += 60 + max(_wide(row.name, _Type(form.small)) for row in slide.rows)
    for i, row in enumerate(slide.rows):
        top = form.top + i * height
        canvas.line([form.left, form.right], [top, top], 2, color=ground.rule, zorder=1)
        y = top + height * (0.28 if form.tall else 0.5)
        canvas.write(form.left, y, row.name, _Type(form.small, colour=ground.grey))
        y = top + height * (0.68 if form.tall else 0.5)
        end = canvas.write(start, y, row.below, _Type(form.name - 2, bold=True))[1]
        if end > form.right + 20:
            raise UsageError(f"slide {slide.name}: {_too_long(row.below)}")


_PAINTERS: Mapping[str, Callable[[_Canvas, Slide], None]] = {
    "stems": _paint_stems,
    "dots": _paint_dots,
    "lines": _paint_lines,
    "steps": _paint_steps,
    "prices": _paint_prices,
    "words": _paint_words,
}


def _alt_of(slide: Slide) -> str:
    """Return a slide in words, from its own texts."""
    rows = "; ".join(
        ", ".join(t for t in (row.name, row.below, *row.figures, row.note) if t)
        for row in slide.rows
    )
    return f"{slide.titles[0]}. {slide.under[0]}. {rows}. {slide.source[0]}."
