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
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
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
    blank_figure,
)
from kit.rounding import NBSP, number

LINE_DROP = 0.34  # from the middle of a line of type to its baseline, in sizes


ELLIPSIS = "\u2026"


@lru_cache(maxsize=4096)
def _width_at_100(text: str) -> float:
    font: Any = get_font(findfont(FontProperties(family="DejaVu Sans")))
    font.set_size(100, 72)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=MISSING_GLYPH)
        font.set_text(text)
    # A character the font lacks comes from another one; in East Asian scripts it is one em wide.
    wide = sum(unicodedata.east_asian_width(char) in "WF" for char in text)
    return max(float(font.get_width_height()[0]) / 64, 100.0 * wide)


def text_width(text: str, size: float) -> float:
    """Return the width of a line of text in pixels, at a type size in pixels."""
    return _width_at_100(text) * size / 100


def fit_text(text: str, size: float, width: float) -> str:
    """Return text cut with an ellipsis where it would be wider than `width` pixels."""
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


def wrap_text(text: str, size: float, width: float, *, lines: int = 2) -> str:
    """Return text broken at spaces into at most `lines` lines, the last cut where it must be."""
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


# Where a label may stand about its point: right, left, above, below, then the corners.
_AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


def place_labels(
    boxes: Sequence[tuple[float, float]],
    points: Sequence[tuple[float, float]],
    *,
    clear: float,
    room: tuple[float, float],
    lines: Sequence[tuple[float, float]] = (),
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
    room : (width, height)
        What the labels must stay inside.
    lines : sequence of (x, y)
        Points along lines, which labels leave bare where they can.
    """
    taken = [(x - clear, y - clear, x + clear, y + clear) for x, y in points]
    taken += [(x - 1.5, y - 1.5, x + 1.5, y + 1.5) for x, y in lines]
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
        outside = (-lefts).clip(0) + (lefts + width - room[0]).clip(0)
        outside += (-tops).clip(0) + (tops + height - room[1]).clip(0)
        # A label far from its point is read as another's: worth some covered line, no covered mark.
        best = int(np.argmin(np.round(60 * tries[:, 2] + 500 * outside[:, 0] + covered, 6)))
        left, top = float(lefts[best, 0]), float(tops[best, 0])
        spots.append((left, top))
        taken.append((left, top, left + width, top + height))
    return spots


def spread_apart(wanted: Sequence[float], *, apart: float, low: float, high: float) -> list[float]:
    """Return heights near the wanted ones, at least `apart` from each other, in the same order."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    last = -math.inf
    for i in order:
        placed[i] = last = max(wanted[i], last + apart, low)
    last = math.inf
    for i in reversed(order):  # push back what ran past the end
        placed[i] = last = min(placed[i], last - apart, high)
    return placed


def add_text(figure: Figure, x: float, y: float, text: str, size: float, **how: Any) -> None:
    """Write text at a place on the sheet."""
    width, height = figure.get_size_inches() * 72
    figure.text(x / width, 1 - y / height, text, fontsize=size, **{"linespacing": 1.15, **how})


def add_line(figure: Figure, x: float, y: float, text: str, size: float, **how: Any) -> None:
    """Write one line of text whose lower-case letters are centred on `y`.

    Centring each line's own outline would set lines with and without descenders at odd heights.
    """
    add_text(figure, x, y + LINE_DROP * size, text, size, va="baseline", **how)


def title_height(chart: Chart, sheet: Sheet) -> float:
    """Return the height that caption and note take at the top of the sheet; 0.0 on the page."""
    if not sheet.title:
        return 0.0
    lines = _title_lines(sheet, chart.caption).count("\n") + 1
    notes = _note_lines(sheet, chart).count("\n") + 1
    return sheet.title * (0.85 + 1.2 * lines) + sheet.small * (0.8 + 1.2 * notes)


def begin_figure(chart: Chart, sheet: Sheet, height: float) -> Figure:
    """Return a figure with caption and note at its top, where the sheet carries them."""
    figure = blank_figure(sheet, height)
    if sheet.title:
        title, notes = _title_lines(sheet, chart.caption), _note_lines(sheet, chart)
        add_text(
            figure, sheet.side, sheet.title * 0.75, title, sheet.title, va="top", fontweight="bold"
        )
        y = sheet.title * (0.85 + 1.2 * (title.count("\n") + 1))
        add_text(figure, sheet.side, y, notes, sheet.small, va="top", color=GREY)
    return figure


def _title_lines(sheet: Sheet, caption: str) -> str:
    # Bold type is about an eighth wider than the regular that widths are measured in.
    return wrap_text(caption, 1.14 * sheet.title, sheet.width - 2 * sheet.side)


def _note_lines(sheet: Sheet, chart: Chart) -> str:
    note = chart.words.video_note or chart.note
    return wrap_text(note, sheet.small, sheet.width - 2 * sheet.side, lines=3)


def add_axes(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Add axes over a box of the sheet, with neither ticks nor rules yet."""
    sheet_width, sheet_height = figure.get_size_inches() * 72
    axes = figure.add_axes(
        (
            left / sheet_width,
            1 - (top + height) / sheet_height,
            width / sheet_width,
            height / sheet_height,
        )
    )
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(NullLocator())
        axis.set_minor_locator(NullLocator())
    return axes


def set_ticks(
    axes: Axes,
    sheet: Sheet,
    which: Literal["x", "y"],
    ticks: Sequence[float],
    labels: Sequence[str],
    *,
    grid: bool = True,
) -> None:
    """Set ticks and their labels on one axis ("x" or "y"), with light rules across."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(FixedLocator(list(ticks)))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())
    axis.set_ticklabels(list(labels))
    axes.tick_params(
        axis=which,
        labelsize=sheet.small,
        length=sheet.line * 4,
        width=sheet.line,
        pad=sheet.small * 0.25,
    )
    if grid:
        draw_line = axes.axvline if which == "x" else axes.axhline
        for tick in ticks:
            draw_line(tick, color=RULE, linewidth=sheet.line, zorder=0.5)


def even_ticks(low: float, high: float, *, at_most: int = 7) -> list[float]:
    """Return round values within a range, evenly spaced."""
    values = MaxNLocator(nbins=at_most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    spare = 1e-9 * (high - low)
    return [float(v) for v in values if low - spare <= v <= high + spare]


def log_ticks(low: float, high: float) -> list[float]:
    """Return values within a range at 1, 2 and 5 of each power of ten; even ones if too few."""
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [m * 10.0**p for p in powers for m in (1, 2, 5) if low <= m * 10.0**p <= high]
    return ticks if len(ticks) >= 3 else even_ticks(low, high)


def tick_labels(ticks: Sequence[float], *, locale: str = "en", sign: bool = False) -> list[str]:
    """Return ticks as text, all with the decimals the finest of them needs."""
    decimals = next(
        (d for d in range(7) if all(math.isclose(round(t, d), t, abs_tol=1e-9) for t in ticks)), 6
    )
    return [number(t, decimals=decimals, locale=locale, sign=sign) for t in ticks]


def ratio_ticks(low: float, high: float, *, at_most: int = 7) -> list[float]:
    """Return ratios within a range that read as round percent, 1.0 among them if in range.

    Past a ratio of three between the ends, even steps of percent would crowd at one end of a
    logarithmic axis: steps are then by doubling.
    """
    if high / low > 3:
        powers = np.arange(math.ceil(math.log2(low)), math.floor(math.log2(high)) + 1)
        stride = max(1, math.ceil(len(powers) / at_most))
        return [float(2.0**p) for p in powers if p % stride == 0]
    for step in (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0):
        first, last = math.ceil((low - 1) / step - 1e-9), math.floor((high - 1) / step + 1e-9)
        if last - first < at_most:
            break
    return [1 + k * step for k in range(first, last + 1) if 1 + k * step > 0]


def ratio_labels(ticks: Sequence[float], *, locale: str = "en") -> list[str]:
    """Return ratios as signed percent: 1.25 is +25 %."""
    texts = (
        tick_labels([100 * (t - 1) for t in ticks], locale=locale, sign=True)
        if all(abs(round(100 * (t - 1), 1) - 100 * (t - 1)) < 1e-6 for t in ticks)
        else [number(100 * (t - 1), decimals=0, locale=locale, sign=True) for t in ticks]
    )
    return [text + NBSP + "%" for text in texts]


def log_limits(
    points: Sequence[float], ends: Sequence[float], *, spare: float = 0.06
) -> tuple[float, float]:
    """Return limits of a logarithmic axis that hold every point, and interval ends near them.

    One very wide interval would press all other rows together: ends further out than the span
    of the points are cut (and shown cut).
    """
    low, high = math.log(min(points)), math.log(max(points))
    reach = max(high - low, 0.02)
    logs = [math.log(end) for end in ends if end > 0]
    low, high = (
        max(min([low, *logs]), low - reach),
        min(max([high, *logs]), high + reach),
    )
    margin = spare * max(high - low, 0.02)
    return math.exp(low - margin), math.exp(high + margin)


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


def stack_rows(
    sheet: Sheet,
    *,
    top: float,
    below: float,
    count: int,
    natural: float,
    least: float,
    first_extra: float = 0.0,
    gaps: Mapping[int, float] | None = None,
) -> tuple[list[Panel], float]:
    """Return rows stacked in one column, or in two where one would press them too close.

    Parameters
    ----------
    sheet : Sheet
        On the page the rows have their natural height and the sheet is as tall as that makes it.
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
        row_height = min(room / math.ceil(count / columns), natural * (3 if columns == 1 else 9))
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
            Panel(
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


def label_rows(
    figure: Figure,
    sheet: Sheet,
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
    """
    room = width - 0.9 * sheet.text
    shortest = min(panel.heights)
    size = min(sheet.text, shortest * 0.8)
    lines = 2 if shortest >= 2.3 * size else 1
    if lines == 1:
        widest = max(text_width(labels[row], size) for row in panel.rows)
        size = max(0.8 * size, min(size, size * room / max(widest, 1)))
    for row in panel.rows:
        heavy = row in bold
        text = wrap_text(labels[row], size * (1.14 if heavy else 1.0), room, lines=lines)
        how = {"fontweight": "bold" if heavy else "normal"}
        y = panel.top + panel.middle(row)
        if "\n" in text:
            add_text(figure, panel.left, y, text, size, va="center", **how)
        else:
            add_line(figure, panel.left, y, text, size, **how)
        if head := (heads or {}).get(row):
            y = panel.top + panel.tops[row - panel.rows.start] - 0.55 * sheet.text
            text = fit_text(head, 1.14 * sheet.small, 1.4 * width)
            add_line(figure, panel.left, y, text, sheet.small, fontweight="bold", color=GREY)


def label_column(sheet: Sheet, labels: Sequence[str], panel_width: float) -> float:
    """Return the width of the column of row names: as wide as they need, within a third."""
    need = max(text_width(label, sheet.text) for label in labels) + 1.2 * sheet.text
    return min(max(need, 4 * sheet.text), 0.34 * panel_width)


def row_axes(figure: Figure, panel: Panel, left: float, right: float) -> Axes:
    """Return axes over a panel's rows: y in pixels from the panel's top, growing downwards."""
    axes = add_axes(figure, panel.left + left, panel.top, panel.width - left - right, panel.height)
    axes.set_ylim(panel.height, 0)
    axes.spines["left"].set_visible(False)
    return axes


def rule_rows(axes: Axes, sheet: Sheet, panel: Panel) -> None:
    """Draw light rules between a panel's rows, before the gap where one stands apart."""
    for top, height in zip(panel.tops[:-1], panel.heights[:-1], strict=True):
        axes.axhline(top + height, color=RULE, linewidth=sheet.line, zorder=0.4)


def line_through(axes: Axes, spans: Sequence[tuple[float, float, float]], **how: Any) -> None:
    """Draw level lines (from x, to x, y) as one path; spans with an end missing are left out."""
    xs: list[float] = []
    ys: list[float] = []
    for start, end, y in spans:
        if math.isfinite(start) and math.isfinite(end):
            xs += [start, end, math.nan]
            ys += [y, y, math.nan]
    axes.plot(xs, ys, zorder=2, **how)


def axis_label(axes: Axes, sheet: Sheet, text: str, *, which: Literal["x", "y"] = "x") -> None:
    """Name an axis: quantity, unit and direction; cut where it would run off the sheet."""
    sheet_size = axes.figure.bbox.width, axes.figure.bbox.height
    box = axes.get_position()
    start, end = (box.x0, box.x1) if which == "x" else (box.y0, box.y1)
    middle, along = (start + end) / 2, sheet_size[0 if which == "x" else 1]
    shown = fit_text(text, sheet.small, 2 * min(middle, 1 - middle) * along - 2)
    name = axes.set_xlabel if which == "x" else axes.set_ylabel
    # visible: seaborn hides the label of an axis that had no ticks when it drew.
    name(shown, fontsize=sheet.small, color=INK, labelpad=sheet.small * 0.35, visible=True)


def draw_marks(
    axes: Axes, sheet: Sheet, xs: Sequence[float], ys: Sequence[float], look: Look, scale: float
) -> None:
    """Draw marks in one look: filled, or open with paper inside."""
    size = sheet.mark * scale * (FOOTED_SCALE if look.foot else 1.0)
    face, edge = look.colour if look.filled else PAPER, sheet.line * 1.3
    if look.dashed:  # a line's marks cannot be
        axes.scatter(
            xs, ys, s=size**2, c=face, marker=look.shape, linewidths=edge, edgecolors=look.colour,
            linestyle=(0, (2.0, 1.6)), clip_on=False, zorder=3,
        )  # fmt: skip
        return
    axes.plot(
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


def draw_interval(
    axes: Axes,
    sheet: Sheet,
    ends: tuple[float, float],
    y: float,
    colour: str,
    *,
    width: float,
    capped: bool = False,
) -> None:
    """Draw an interval; an end beyond the axis is cut and ends in an arrow head.

    With `capped` an end within the axis has an end stroke.
    """
    low, high = ends
    if math.isnan(low) or math.isnan(high):
        return
    least, most = axes.get_xlim()
    shown = (max(low, least), min(high, most), y)
    line_through(axes, [shown], color=colour, linewidth=sheet.line * width)
    for beyond, edge, shape in ((low < least, least, "<"), (high > most, most, ">")):
        if beyond:
            draw_marks(axes, sheet, [edge], [y], Look(colour, shape, filled=True), 0.7)
    if capped:
        caps = [end for end in ends if least <= end <= most]
        draw_marks(axes, sheet, caps, [y] * len(caps), Look(colour, "|", filled=True), 0.9)


def label_line(axes: Axes, sheet: Sheet, name: str, y: float, least: float, most: float) -> None:
    """Name a line of marks right of its last mark, or left of its first where that has room."""
    to_px = axes.transData.transform
    start, end = axes.transAxes.transform((0, 0))[0], axes.transAxes.transform((1, 0))[0]
    gap = 0.9 * sheet.mark
    room_right = end - to_px((most, y))[0] - gap
    room_left = to_px((least, y))[0] - start - gap
    need = text_width(name, sheet.small)
    rightward = need <= room_right or room_right >= room_left
    room = max(room_right if rightward else room_left, 0.0)
    size = sheet.small * min(1.0, max(0.8, room / need))
    text = fit_text(name, size, room)
    axes.annotate(
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
