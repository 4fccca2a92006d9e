"""A chart drawn: axes with ticks, marks, and text at its place. It alone loads what draws.

Everything is in pixels from the top left corner of the sheet.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from matplotlib import path as paths
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MaxNLocator, NullFormatter, NullLocator

from kit.charts.identity import Look
from kit.charts.style import GREY, INK, PAPER, RULE, Chart, Panel, Sheet, fit_text, text_width
from kit.rounding import number

LINE_DROP = 0.34  # from the middle of a line of type to its baseline, in sizes


_DISC = paths.Path.unit_circle()
FOOTED = paths.Path.make_compound_path(_DISC, paths.Path([(-1.0, -1.55), (1.0, -1.55)]))
FOOTED_SCALE = 1.55  # matplotlib fits a path of one's own into the size of the mark


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

    def put_even_ticks(
        self, which: Literal["x", "y"], *, at_most: int, labelled: bool = True
    ) -> None:
        """Set round ticks, evenly spaced, over all of an axis, and their labels.

        Parameters
        ----------
        which : {"x", "y"}
            The axis; its limits are set.
        at_most : int
            Steps there may be.
        labelled : bool
            Whether they have labels.
        """
        ticks = self.even_ticks(*(self.get_xlim() if which == "x" else self.get_ylim()),
                                at_most=at_most)  # fmt: skip
        drawing: Any = self.figure
        labels = self.tick_labels(ticks, locale=drawing.locale) if labelled else [""] * len(ticks)
        self.put_ticks(which, ticks, labels)

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
        self.sheet, self.locale = sheet, chart.words.locale if chart else "en"
        if chart and sheet.title:
            title, notes = chart.head_lines(sheet)
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
            text = fit_text(labels[row], size * (1.14 if heavy else 1.0), room, lines=lines)
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
