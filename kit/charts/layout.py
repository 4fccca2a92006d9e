"""Where things stand in a chart: text measured and fitted, rows, panels and axes with ticks.

Everything is in pixels from the top left corner of the sheet.
"""

from __future__ import annotations

import math
import unicodedata
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, Self

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ticker import FixedLocator, MaxNLocator, NullFormatter, NullLocator

from kit.charts.identity import Look
from kit.charts.style import (
    FOOTED,
    FOOTED_SCALE,
    GREY,
    INK,
    MISSING_GLYPH,
    PAPER,
    RULE,
    Chart,
    Sheet,
)
from kit.rounding import number

LINE_DROP = 0.34  # from the middle of a line of type to its baseline, in sizes


ELLIPSIS = "\u2026"


@lru_cache(maxsize=4096)
def _width_at_100(text: str) -> float:
    """Return the width of a line of text at 100 px, in pixels, as DejaVu Sans sets it."""
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


def fit_text(text: str, size: float, width: float) -> str:
    """Return text cut with an ellipsis where it would be wider than `width` pixels.

    Parameters
    ----------
    text : str
        One line.
    size : float
        Of the type, in pixels.
    width : float
        What it must fit, in pixels. Where not even the ellipsis does, the ellipsis is returned.
    """
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


def _wrap_text(text: str, size: float, width: float, *, lines: int = 2) -> str:
    """Return text broken at spaces into at most `lines` lines, the last cut where it must be.

    Parameters
    ----------
    text : str
        One line.
    size, width : float
        Of the type and of the room, in pixels.
    lines : int
        The most lines there may be.
    """
    words = text.split(" ")
    made: list[str] = []
    while words and len(made) < lines - 1:
        line = words.pop(0)
        while words and text_width(f"{line} {words[0]}", size) <= width:
            line += " " + words.pop(0)
        made.append(fit_text(line, size, width))
    if words:
        made.append(fit_text(" ".join(words), size, width))
    return "\n".join(made)


_AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


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


def _title_lines(sheet: Sheet, caption: str) -> str:
    """Return a caption broken into the lines a sheet has for it."""
    # Bold type is about an eighth wider than the regular that widths are measured in.
    return _wrap_text(caption, 1.14 * sheet.title, sheet.width - 2 * sheet.side)


def _note_lines(sheet: Sheet, chart: Chart) -> str:
    """Return a chart's note, for video its own where it has one, broken into lines."""
    note = chart.words.video_note or chart.note
    return _wrap_text(note, sheet.small, sheet.width - 2 * sheet.side, lines=3)


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


class Plot(Axes):
    """Axes that know their sheet, so that all on them has its sizes."""

    @property
    def sheet(self) -> Sheet:
        """The sheet of the drawing that the axes are on."""
        drawing: Any = self.figure
        sheet: Sheet = drawing.sheet
        return sheet

    def put_ticks(
        self,
        which: Literal["x", "y"],
        ticks: Sequence[float],
        labels: Sequence[str],
        *,
        grid: bool = True,
    ) -> None:
        """Set ticks and their labels on one axis ("x" or "y"), with light rules across.

        Parameters
        ----------
        which : {"x", "y"}
            The axis.
        ticks : sequence of float
            In the unit of the axis.
        labels : sequence of str
            One for each; "" for a tick without one.
        grid : bool
            Whether a rule is drawn across the plot at each.
        """
        axis = self.xaxis if which == "x" else self.yaxis
        axis.set_major_locator(FixedLocator(list(ticks)))
        axis.set_minor_locator(NullLocator())
        axis.set_minor_formatter(NullFormatter())
        axis.set_ticklabels(list(labels))
        self.tick_params(
            axis=which,
            labelsize=self.sheet.small,
            length=self.sheet.line * 4,
            width=self.sheet.line,
            pad=self.sheet.small * 0.25,
        )
        if grid:
            draw_line = self.axvline if which == "x" else self.axhline
            for tick in ticks:
                draw_line(tick, color=RULE, linewidth=self.sheet.line, zorder=0.5)

    def name_axis(self, text: str, *, which: Literal["x", "y"] = "x") -> None:
        """Name an axis: quantity, unit and direction; cut where it would run off the sheet.

        Parameters
        ----------
        text : str
            Set about the middle of the axis.
        which : {"x", "y"}
            The axis.
        """
        sheet_size = self.figure.bbox.width, self.figure.bbox.height
        box = self.get_position()
        start, end = (box.x0, box.x1) if which == "x" else (box.y0, box.y1)
        middle, along = (start + end) / 2, sheet_size[0 if which == "x" else 1]
        shown = fit_text(text, self.sheet.small, 2 * min(middle, 1 - middle) * along - 2)
        name = self.set_xlabel if which == "x" else self.set_ylabel
        # visible: seaborn hides the label of an axis that had no ticks when it drew.
        name(
            shown,
            fontsize=self.sheet.small,
            color=INK,
            labelpad=self.sheet.small * 0.35,
            visible=True,
        )

    def put_marks(self, xs: Sequence[float], ys: Sequence[float], look: Look, scale: float) -> None:
        """Draw marks in one look: filled, or open with paper inside.

        Parameters
        ----------
        xs, ys : sequence of float
            Where they stand, in the units of the axes. One may stand beyond the plot's edge.
        look : Look
            Colour, shape, fill, foot line and dashed edge.
        scale : float
            Their size, in marks of the sheet.
        """
        size = self.sheet.mark * scale * (FOOTED_SCALE if look.foot else 1.0)
        face, edge = look.colour if look.filled else PAPER, self.sheet.line * 1.3
        if look.dashed:  # a line's marks cannot be
            self.scatter(
                xs, ys, s=size**2, c=face, marker=look.shape, linewidths=edge,
                edgecolors=look.colour, linestyle=(0, (2.0, 1.6)), clip_on=False, zorder=3,
            )  # fmt: skip
            return
        self.plot(
            xs,
            ys,
            linestyle="none",
            marker=FOOTED if look.foot else look.shape,
            markersize=size,
            markerfacecolor=face,
            markeredgecolor=look.colour,
            markeredgewidth=edge,
            clip_on=False,
            zorder=3,
        )

    def put_interval(
        self,
        ends: tuple[float, float],
        y: float,
        colour: str,
        *,
        width: float,
        capped: bool = False,
    ) -> None:
        """Draw an interval; an end beyond the axis is cut and ends in an arrow head.

        Parameters
        ----------
        ends : (float, float)
            In the unit of the x axis; nothing is drawn where one is NaN.
        y : float
            The height of its row.
        colour : str
            Of line, arrow heads and end strokes.
        width : float
            Of its line, in lines of the sheet.
        capped : bool
            Whether an end within the axis has an end stroke.
        """
        low, high = ends
        if math.isnan(low) or math.isnan(high):
            return
        least, most = self.get_xlim()
        shown = (max(low, least), min(high, most), y)
        self.put_level_lines([shown], color=colour, linewidth=self.sheet.line * width)
        for beyond, edge, shape in ((low < least, least, "<"), (high > most, most, ">")):
            if beyond:
                self.put_marks([edge], [y], Look(colour, shape, filled=True), 0.7)
        if capped:
            caps = [end for end in ends if least <= end <= most]
            self.put_marks(caps, [y] * len(caps), Look(colour, "|", filled=True), 0.9)

    def put_level_lines(self, spans: Sequence[tuple[float, float, float]], **how: Any) -> None:
        """Draw level lines (from x, to x, y) as one path, without spans that lack an end.

        One path, and not one for each, keeps the SVG small. Further arguments go to `Axes.plot`.
        """
        xs: list[float] = []
        ys: list[float] = []
        for start, end, y in spans:
            if math.isfinite(start) and math.isfinite(end):
                xs += [start, end, math.nan]
                ys += [y, y, math.nan]
        self.plot(xs, ys, zorder=2, **how)

    def rule_rows(self, panel: Panel) -> None:
        """Draw light rules between a panel's rows, before the gap where one stands apart."""
        for top, height in zip(panel.tops[:-1], panel.heights[:-1], strict=True):
            self.axhline(top + height, color=RULE, linewidth=self.sheet.line, zorder=0.4)

    def name_line(self, name: str, y: float, least: float, most: float) -> None:
        """Name a line of marks right of its last mark, or left of its first where that has room.

        Parameters
        ----------
        name : str
            Set smaller, down to four fifths, and then cut where it does not fit.
        y : float
            The height of the line.
        least, most : float
            Where its first and its last mark stand, in the unit of the x axis.
        """
        to_px = self.transData.transform
        start, end = self.transAxes.transform((0, 0))[0], self.transAxes.transform((1, 0))[0]
        gap = 0.9 * self.sheet.mark
        room_right = end - to_px((most, y))[0] - gap
        room_left = to_px((least, y))[0] - start - gap
        need = text_width(name, self.sheet.small)
        rightward = need <= room_right or room_right >= room_left
        room = max(room_right if rightward else room_left, 0.0)
        size = self.sheet.small * min(1.0, max(0.8, room / need))
        text = fit_text(name, size, room)
        self.annotate(
            text,
            (most if rightward else least, y),
            (gap if rightward else -gap, -LINE_DROP * size),
            textcoords="offset points",
            fontsize=size,
            color=INK,
            va="baseline",
            ha="left" if rightward else "right",
            annotation_clip=False,
            zorder=4,
        )

    @staticmethod
    def even_ticks(low: float, high: float, *, at_most: int = 7) -> list[float]:
        """Return round values within a range, evenly spaced.

        Parameters
        ----------
        low, high : float
            Ends of the axis, in its unit; either may be a tick.
        at_most : int
            Steps there may be between them.
        """
        values = MaxNLocator(nbins=at_most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
        spare = 1e-9 * (high - low)
        return [float(v) for v in values if low - spare <= v <= high + spare]

    @staticmethod
    def tick_labels(ticks: Sequence[float], *, locale: str = "en", sign: bool = False) -> list[str]:
        """Return ticks as text, all with the decimals the finest of them needs.

        Parameters
        ----------
        ticks : sequence of float
            In the unit of the axis.
        locale : str
            How figures are written.
        sign : bool
            Whether positive ones get a plus sign.
        """
        decimals = next(
            (d for d in range(7) if all(math.isclose(round(t, d), t, abs_tol=1e-9) for t in ticks)),
            6,
        )
        return [number(t, decimals=decimals, locale=locale, sign=sign) for t in ticks]

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


class Drawing(Figure):
    """A figure of a sheet's size: places on it are pixels from its top left corner.

    Parameters
    ----------
    sheet : Sheet
        Gives the width, and the height where it has one.
    height : float
        In pixels; rounded, and taken where the sheet is as tall as its chart.
    chart : Chart, optional
        Its caption and note are written at the top, where the sheet carries them.
    """

    def __init__(self, sheet: Sheet, height: float, chart: Chart | None = None) -> None:
        super().__init__(figsize=(sheet.width / 72, (sheet.height or round(height)) / 72), dpi=72)
        FigureCanvasAgg(self)
        self.sheet = sheet
        if chart and sheet.title:
            title, notes = _title_lines(sheet, chart.caption), _note_lines(sheet, chart)
            y = sheet.title * 0.75
            self.put_text(sheet.side, y, title, sheet.title, va="top", fontweight="bold")
            y = sheet.title * (0.85 + 1.2 * (title.count("\n") + 1))
            self.put_text(sheet.side, y, notes, sheet.small, va="top", color=GREY)

    def put_text(self, x: float, y: float, text: str, size: float, **how: Any) -> None:
        """Write text at a place on the sheet.

        Parameters
        ----------
        x, y : float
            In pixels from the top left corner.
        text : str
            May hold line ends.
        size : float
            Of the type, in pixels.
        **how
            Further arguments of `Figure.text`, such as ``ha``, ``va`` and ``color``.
        """
        width, height = self.get_size_inches() * 72
        self.text(x / width, 1 - y / height, text, fontsize=size, **{"linespacing": 1.15, **how})

    def put_line(self, x: float, y: float, text: str, size: float, **how: Any) -> None:
        """Write one line of text whose lower-case letters are centred on `y`.

        Centring each line's own outline would set lines with and without descenders at odd heights.
        """
        self.put_text(x, y + LINE_DROP * size, text, size, va="baseline", **how)

    def put_axes(self, left: float, top: float, width: float, height: float) -> Plot:
        """Add axes over a box of the sheet, with neither ticks nor rules yet.

        Parameters
        ----------
        left, top, width, height : float
            Of the box, in pixels from the sheet's top left corner.
        """
        sheet_width, sheet_height = self.get_size_inches() * 72
        axes = Plot(
            self,
            (
                left / sheet_width,
                1 - (top + height) / sheet_height,
                width / sheet_width,
                height / sheet_height,
            ),
        )
        self.add_axes(axes)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(NullLocator())
            axis.set_minor_locator(NullLocator())
        return axes

    def put_row_axes(self, panel: Panel, left: float, right: float) -> Plot:
        """Return axes over a panel's rows: y in pixels from the panel's top, growing downwards.

        Parameters
        ----------
        panel : Panel
        left, right : float
            Pixels of the panel's width that columns of text take at either side.
        """
        axes = self.put_axes(panel.left + left, panel.top, panel.width - left - right, panel.height)
        axes.set_ylim(panel.height, 0)
        axes.spines["left"].set_visible(False)
        return axes

    def put_row_names(
        self,
        panel: Panel,
        labels: Sequence[str],
        *,
        width: float,
        bold: frozenset[int] = frozenset(),
        heads: Mapping[int, str] | None = None,
    ) -> None:
        """Write the rows' names in the panel's left column, and the heads of groups of rows.

        A name too wide takes a second line where its row has room, then smaller type, then an
        ellipsis; it stands whole in the chart's table.

        Parameters
        ----------
        panel : Panel
        labels : sequence of str
            Of all rows, also those of other panels.
        width : float
            Of the column, in pixels.
        bold : frozenset of int
            Rows in bold type, counted over all panels.
        heads : mapping of int to str, optional
            What a row and those below it have in common, by row.
        """
        room = width - 0.9 * self.sheet.text
        shortest = min(panel.heights)
        size = min(self.sheet.text, shortest * 0.8)
        lines = 2 if shortest >= 2.3 * size else 1
        if lines == 1:
            widest = max(text_width(labels[row], size) for row in panel.rows)
            size = max(0.8 * size, min(size, size * room / max(widest, 1)))
        for row in panel.rows:
            heavy = row in bold
            text = _wrap_text(labels[row], size * (1.14 if heavy else 1.0), room, lines=lines)
            how = {"fontweight": "bold" if heavy else "normal"}
            y = panel.top + panel.middle(row)
            if "\n" in text:
                self.put_text(panel.left, y, text, size, va="center", **how)
            else:
                self.put_line(panel.left, y, text, size, **how)
            if head := (heads or {}).get(row):
                y = panel.top + panel.tops[row - panel.rows.start] - 0.55 * self.sheet.text
                text = fit_text(head, 1.14 * self.sheet.small, 1.4 * width)
                self.put_line(panel.left, y, text, self.sheet.small, fontweight="bold", color=GREY)

    @staticmethod
    def title_height(chart: Chart, sheet: Sheet) -> float:
        """Return the height that caption and note take at the top of the sheet; 0.0 on the page.

        Parameters
        ----------
        chart : Chart
            Its caption is broken into two lines at most, its note into three.
        sheet : Sheet
            One without a title size carries neither.
        """
        if not sheet.title:
            return 0.0
        lines = _title_lines(sheet, chart.caption).count("\n") + 1
        notes = _note_lines(sheet, chart).count("\n") + 1
        return sheet.title * (0.85 + 1.2 * lines) + sheet.small * (0.8 + 1.2 * notes)
