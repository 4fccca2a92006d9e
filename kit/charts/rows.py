"""Charts of rows: margins, averages with their lows, runs, a suite without each of its titles.

Two painters: rows on an axis of ratios, and dots in lines within rows. Every axis of ratios is
logarithmic, so that twice as fast and half as fast lie alike far from level, and is labelled in
percent.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from kit.charts.identity import Identity, Look, plain_name
from kit.charts.style import (
    BAND,
    GREY,
    OUTCOMES,
    SHEETS,
    SUITE,
    Chart,
    ChartWords,
    Panel,
    Sheet,
    fit_text,
    text_width,
)
from kit.claims.claim import Claim, ClaimBook
from kit.rounding import MINUS, NBSP, Rounded, better_word, number
from kit.settings.metric import HEADLINE, HEADLINE_LOW, METRICS

if TYPE_CHECKING:
    from kit.charts.layout import Drawing, Plot

DAGGER = " \u2020"


@dataclass(frozen=True, slots=True)
class _RatioRow:
    """One row of a chart of ratios: a claim, with the wider of its intervals where it has two."""

    label: str
    claim: Claim
    wide: Claim | None = None
    apart: bool = False  # set off from the rows above it
    head: str = ""  # what it and the rows below it have in common


@dataclass(frozen=True, slots=True)
class _RatioPlan:
    """Rows on an axis of ratios over a shaded band; with `of`, lines from that claim to each."""

    rows: tuple[_RatioRow, ...]
    band: tuple[float, float]
    of: Claim | None
    look: Look


def _ratio_chart(
    words: ChartWords,
    rows: Sequence[_RatioRow],
    *,
    band: tuple[float, float],
    of: Claim | None = None,
    look: Look = SUITE,
) -> Chart:
    """Return the chart of rows on a logarithmic axis of ratios.

    Parameters
    ----------
    words : ChartWords
    rows : sequence of _RatioRow
        In their order from the top.
    band : (float, float)
        Shaded from one ratio to the other; NaN where nothing is.
    of : Claim, optional
        A ratio that all rows start from: an upright line. Without it, marks follow outcomes.
    look : Look
        Of the marks, with `of`; else of the rows set apart.
    """
    wide = [row.wide for row in rows if row.wide]
    claims = (*(row.claim for row in rows), *wide, *([of] if of else ()))
    chart = Chart(words, _RatioPlan(tuple(rows), band, of, look), _paint_ratios, claims)
    return chart.say_what_is_narrow([_ratio_spans(chart, sheet) for sheet in SHEETS.values()])


def _known(values: Sequence[float]) -> list[float]:
    """Return the values that are figures: NaN stands for an end that is not given."""
    return [value for value in values if math.isfinite(value)]


@dataclass(frozen=True, slots=True)
class _RatioLayout:
    """Where everything of a chart of ratios stands, in pixels; `limits` are ratios."""

    panels: list[Panel]
    height: float
    left: float  # the column of names
    right: float  # the columns of figures and of words
    word_room: float
    size: float
    limits: tuple[float, float]


def _lay_out_ratios(chart: Chart, sheet: Sheet) -> _RatioLayout:
    """Return where everything of a chart of ratios stands.

    Parameters
    ----------
    chart : Chart
        Its plan is a `_RatioPlan`.
    sheet : Sheet
        On one of fixed height rows that would be pressed too close stand in two columns, and the
        outcomes in words give way.
    """
    plan: _RatioPlan = chart.plan
    gap = 0.5 * sheet.text
    panels, height = Panel.stack(
        sheet,
        top=chart.head_height(sheet) + (3.4 * sheet.small if chart.words.above else gap),
        below=3.6 * sheet.small,
        count=len(plan.rows),
        natural=1.85 * sheet.text,
        least=1.5 * sheet.text,
        gaps=_gaps(sheet, [row.head for row in plan.rows])
        | {i: gap for i, row in enumerate(plan.rows) if row.apart and i},
    )
    size = min(sheet.text, min(panels[0].heights) * 0.8)
    texts = [row.claim.text for row in plan.rows]
    # Two columns leave no room for the outcome in words as well; place, fill and edge say it.
    words = [row.claim.outcome for row in plan.rows] if len(panels) == 1 else []
    word_room = max((text_width(w, size) for w in words), default=0.0)
    text_room = 1.14 * max(text_width(t, size) for t in texts) + 0.5 * sheet.text
    shown = [row.claim for row in plan.rows] + [row.wide for row in plan.rows if row.wide]
    start = plan.of.figure if plan.of else 1.0
    ends = [end for claim in shown for end in claim.ends] + list(plan.band if plan.of else ())
    return _RatioLayout(
        panels,
        height,
        panels[0].name_column(sheet, [row.label for row in plan.rows]),
        text_room + word_room + (1.0 if word_room else 0.5) * sheet.text,
        word_room,
        size,
        Panel.log_limits([*(row.claim.figure for row in plan.rows), start], _known(ends)),
    )


def _gaps(sheet: Sheet, heads: Sequence[str]) -> dict[int, float]:
    """Return the room that rows with a head need before them, in pixels by row."""
    return {i: 1.35 * sheet.text for i, head in enumerate(heads) if head}


def _ratio_spans(chart: Chart, sheet: Sheet) -> list[float]:
    """Return the widths of the intervals drawn, in marks.

    Below 1 an interval is hidden by its mark, and the note says so.
    """
    at = _lay_out_ratios(chart, sheet)
    room = at.panels[0].width - at.left - at.right
    per_log = room / math.log(at.limits[1] / at.limits[0])
    drawn = [claim for row in chart.plan.rows for claim in (row.claim, row.wide) if claim]
    ends = [claim.ends for claim in drawn]
    return [per_log * math.log(high / low) / sheet.mark for low, high in ends if math.isfinite(low)]


def _paint_ratios(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw rows over a logarithmic axis of ratios, their figures in a column to the right."""
    from kit.charts.layout import Drawing

    plan: _RatioPlan = chart.plan
    at = _lay_out_ratios(chart, sheet)
    figure = Drawing(sheet, at.height, chart)
    apart = frozenset(i for i, row in enumerate(plan.rows) if row.apart)
    for panel in at.panels:
        figure.put_row_names(
            panel,
            [row.label for row in plan.rows],
            width=at.left,
            bold=apart,
            heads={i: row.head for i, row in enumerate(plan.rows)},
        )
        axes = figure.put_row_axes(panel, at.left, at.right)
        room = panel.width - at.left - at.right
        _label_ratios(axes, sheet, chart.words, at, room)
        _shade(axes, sheet, plan)
        axes.rule_rows(panel)
        for i in panel.rows:
            _draw_ratio(axes, sheet, plan, plan.rows[i], panel.middle(i))
            y, words = panel.top + panel.middle(i), at.word_room > 0
            edge = panel.left + panel.width - at.word_room - (0.7 if words else 0.3) * sheet.text
            heavy = "bold" if i in apart else "normal"
            claim = plan.rows[i].claim
            figure.put_line(edge, y, claim.text, at.size, ha="right", fontweight=heavy)
            if words:
                figure.put_line(edge + 0.45 * sheet.text, y, claim.outcome, at.size)
    return figure


def _label_ratios(
    axes: Plot, sheet: Sheet, words: ChartWords, at: _RatioLayout, room: float
) -> None:
    """Set the axis below, and the one above as the baseline sees it: each ratio inverted.

    Parameters
    ----------
    axes : Plot
    sheet : Sheet
    words : ChartWords
        Names of both axes; `above` is empty where there is one.
    at : _RatioLayout
    room : float
        Width of the plot, in pixels.
    """
    axes.set_xscale("log")
    axes.set_xlim(*at.limits)
    at_most = max(3, min(7, int(room / (4.2 * sheet.small))))
    ticks = _ratio_ticks(*at.limits, at_most=at_most)
    axes.put_ticks("x", ticks, _ratio_labels(ticks, locale=words.locale))
    fits = text_width(words.below, sheet.small) <= room + 2 * min(at.left, at.right)
    axes.name_axis(words.below if fits else words.below_short)
    if at.limits[0] < 1.0 < at.limits[1]:
        axes.axvline(1.0, color=GREY, linewidth=sheet.line, zorder=1)
    if not words.above:
        return
    ticks = _ratio_ticks(1 / at.limits[1], 1 / at.limits[0], at_most=at_most)
    labels = _ratio_labels(ticks, locale=words.locale)
    twin: Any = axes.twiny(axes_class=type(axes))  # type: ignore[arg-type]  # stubs ask for an instance
    twin.set_xscale("log")
    twin.set_xlim(*at.limits)
    twin.put_ticks("x", [1 / t for t in ticks], labels, grid=False)
    twin.tick_params(labelcolor=GREY)
    shown = fit_text(words.above, sheet.small, room + at.right)
    twin.set_xlabel(shown, fontsize=sheet.small, color=GREY, labelpad=sheet.small * 0.35)
    twin.spines["top"].set_visible(True)
    twin.spines["left"].set_visible(False)


def _shade(axes: Plot, sheet: Sheet, plan: _RatioPlan) -> None:
    """Shade the band; mark its edges, or the ratio that all rows start from."""
    if _known(plan.band):
        axes.axvspan(*plan.band, color=BAND, linewidth=0, zorder=0.2)
    if plan.of:
        axes.axvline(plan.of.figure, color=plan.look.colour, linewidth=1.6 * sheet.line, zorder=1)
        return
    for edge in _known(plan.band):
        axes.axvline(
            edge, color=GREY, linewidth=0.6 * sheet.line, zorder=0.9, linestyle=(0, (2, 3))
        )


def _draw_ratio(axes: Plot, sheet: Sheet, plan: _RatioPlan, row: _RatioRow, y: float) -> None:
    """Draw one row: both intervals and the mark, or the line from where all rows start."""
    claim, look = row.claim, plan.look
    if plan.of:
        span = [(plan.of.figure, claim.figure, y)]
        axes.put_level_lines(span, color=look.colour, linewidth=sheet.line)
        axes.put_marks([claim.figure], [y], look, 0.95)
        return
    outcome = OUTCOMES.get(claim.outcome, look)
    look = replace(outcome, colour=look.colour, shape=look.shape) if row.apart else outcome
    if row.wide:
        axes.put_interval(row.wide.ends, y, look.colour, width=1.6 * 0.6, capped=True)
    width = 3.4 if row.apart else 2.0
    axes.put_interval(claim.ends, y, look.colour, width=width)
    axes.put_marks([claim.figure], [y], look, 1.0)


@dataclass(frozen=True, slots=True)
class _Dot:
    """One mark in a chart of lines: which row, which line of it, the claim, and the low it has."""

    row: str
    series: str
    claim: Claim
    low: Claim | None = None


@dataclass(frozen=True, slots=True)
class _DotPlan:
    """Rows of one line a series, from zero or, with `ratios`, about level."""

    rows: Mapping[str, tuple[str, str]]  # name and head by key
    series: Mapping[str, tuple[str, Look]]
    dots: tuple[_Dot, ...]
    ratios: bool


def _dot_chart(
    words: ChartWords,
    dots: Sequence[_Dot],
    *,
    rows: Mapping[str, tuple[str, str]],
    series: Mapping[str, tuple[str, Look]],
    ratios: bool = False,
) -> Chart:
    """Return the chart of marks in rows, within each a line for every series.

    Parameters
    ----------
    words : ChartWords
    dots : sequence of _Dot
    rows : mapping of str to (str, str)
        Name of each row, and what it and the rows below it have in common ("" for what the row
        above says), in their order from the top.
    series : mapping of str to (str, Look)
        Name and look of each line in a row.
    ratios : bool
        Whether the axis is one of ratios; else it begins at zero.
    """
    claims = (*(dot.claim for dot in dots), *(dot.low for dot in dots if dot.low))
    chart = Chart(words, _DotPlan(rows, series, tuple(dots), ratios), _paint_dots, claims)
    return chart.say_what_is_narrow([_dot_spans(chart, sheet) for sheet in SHEETS.values()])


def _ends_of(dot: _Dot) -> list[float]:
    """Return the places on the axis a dot takes: low, figure, ends of the interval."""
    low = dot.low.figure if dot.low else math.nan
    return _known([low, dot.claim.figure, *dot.claim.ends])


@dataclass(frozen=True, slots=True)
class _DotLayout:
    """Where everything of a chart of lines stands, in pixels; `limits` in the unit of its axis."""

    panels: list[Panel]
    height: float
    left: float
    extra: float  # by how much the first row of a column is taller, for names in it
    limits: tuple[float, float]


def _lay_out_dots(chart: Chart, sheet: Sheet) -> _DotLayout:
    """Lay out rows of a line a series; the first row of a column is open for names.

    Parameters
    ----------
    chart : Chart
        Its plan is a `_DotPlan`.
    sheet : Sheet
        On one of fixed height the rows may stand in two columns.

    Notes
    -----
    The axis ends past the longest interval, and further where a name in the first row needs the
    room: up to 1.35 times as far.
    """
    plan: _DotPlan = chart.plan
    count = len(plan.series)
    natural = max(count * sheet.mark * 1.05 + 0.7 * sheet.text, 1.7 * sheet.text)
    extra = max(0.0, count * 1.25 * sheet.small - count * sheet.mark * 0.9)
    panels, height = Panel.stack(
        sheet,
        top=chart.head_height(sheet) + 0.4 * sheet.text,
        below=3.6 * sheet.small,
        count=len(plan.rows),
        natural=natural,
        least=max(1.45 * sheet.text, count * sheet.mark * 0.72),
        first_extra=extra,
        gaps=_gaps(sheet, [head for _, head in plan.rows.values()]),
    )
    left = panels[0].name_column(sheet, [name for name, _ in plan.rows.values()])
    if plan.ratios:
        limits = Panel.log_limits([*(dot.claim.figure for dot in plan.dots), 1.0], [])
        return _DotLayout(panels, height, left, extra, limits)
    most = max(end for dot in plan.dots for end in _ends_of(dot))
    width = panels[0].width - left - sheet.text
    first = {list(plan.rows)[panel.rows.start] for panel in panels}
    gap = 0.9 * sheet.mark + 2.0
    wanted = [  # where the axis must end for a name to fit right of its line
        max(_ends_of(dot))
        * width
        / max(width - text_width(plan.series[dot.series][0], sheet.small) - gap, 1.0)
        for dot in plan.dots
        if dot.row in first
    ]
    end = max(1.06 * most, min(max(wanted, default=0.0), 1.35 * most))
    return _DotLayout(panels, height, left, extra, (0.0, end))


def _dot_spans(chart: Chart, sheet: Sheet) -> list[float]:
    """Return the widths of the intervals drawn, in marks."""
    at = _lay_out_dots(chart, sheet)
    per_unit = (at.panels[0].width - at.left - sheet.text) / (at.limits[1] - at.limits[0])
    ends = [dot.claim.ends for dot in chart.plan.dots]
    return [per_unit * (high - low) / sheet.mark for low, high in ends if math.isfinite(low)]


def _lines_of(panel: Panel, row: int, count: int, extra: float) -> list[float]:
    """Return the heights of a row's lines, one a series, from the panel's top.

    Parameters
    ----------
    panel : Panel
    row : int
        Counted over all panels.
    count : int
        Number of series.
    extra : float
        Pixels by which a panel's first row is taller.
    """
    at = row - panel.rows.start
    spare = 0.25 * (panel.heights[at] - (extra if at == 0 else 0))
    step = (panel.heights[at] - spare) / count
    return [panel.tops[at] + spare / 2 + step * (i + 0.5) for i in range(count)]


def _paint_dots(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw the marks of every series, in lines within the rows."""
    from kit.charts.layout import Drawing, Plot

    plan: _DotPlan = chart.plan
    at = _lay_out_dots(chart, sheet)
    figure = Drawing(sheet, at.height, chart)
    names = [name for name, _ in plan.rows.values()]
    heads = dict(enumerate(head for _, head in plan.rows.values()))
    at_most = 7 if len(at.panels) == 1 else 5
    ticks = (
        _ratio_ticks(*at.limits, at_most=at_most)
        if plan.ratios
        else Plot.even_ticks(0, at.limits[1] / 1.02, at_most=at_most)
    )
    labels = (_ratio_labels if plan.ratios else Plot.tick_labels)(ticks, locale=chart.words.locale)
    for panel in at.panels:
        figure.put_row_names(panel, names, width=at.left, heads=heads)
        axes = figure.put_row_axes(panel, at.left, sheet.text)
        if plan.ratios:
            axes.set_xscale("log")
            axes.axvline(1.0, color=GREY, linewidth=sheet.line, zorder=0.8)
        axes.set_xlim(*at.limits)
        axes.put_ticks("x", ticks, labels)
        axes.rule_rows(panel)
        axes.name_axis(chart.words.below)
        heights = {
            key: _lines_of(panel, i, len(plan.series), at.extra)
            for i, key in enumerate(plan.rows)
            if i in panel.rows
        }
        for i, series in enumerate(plan.series):
            _draw_series(axes, sheet, plan, series, {row: ys[i] for row, ys in heights.items()})
    return figure


def _draw_series(
    axes: Plot, sheet: Sheet, plan: _DotPlan, series: str, heights: Mapping[str, float]
) -> None:
    """Draw one line of every row of a panel, named in the first."""
    name, look = plan.series[series]
    dots = [dot for dot in plan.dots if dot.series == series and dot.row in heights]
    ys = [heights[dot.row] for dot in dots]
    lows = [dot.low.figure if dot.low else math.nan for dot in dots]
    points = [dot.claim.figure for dot in dots]
    stems = list(zip(lows, points, ys, strict=True))
    spans = [(*dot.claim.ends, y) for dot, y in zip(dots, ys, strict=True)]
    if _known(lows):
        axes.put_level_lines(
            stems, color=look.colour, linewidth=sheet.line * (1.4 if look.filled else 0.9)
        )
        axes.put_marks(lows, ys, Look(look.colour, "|", filled=True), 0.75)
    axes.put_level_lines(spans, color=look.colour, linewidth=sheet.line * 2.6)
    axes.put_marks(points, ys, look, 0.7 if plan.ratios else 0.85)
    first, y = next(iter(heights.items()))
    ends = [end for dot in dots if dot.row == first for end in _ends_of(dot)]
    if not ends:
        name, ends = f"{name}: no result", [1.0 if plan.ratios else 0.0]
    axes.name_line(name, y, min(ends), max(ends))


def _ratio_ticks(low: float, high: float, *, at_most: int = 7) -> list[float]:
    """Return ratios within a range that read as round percent, 1.0 among them if in range.

    Past a ratio of three between the ends, even steps of percent would crowd at one end of a
    logarithmic axis: steps are then by doubling.

    Parameters
    ----------
    low, high : float
        Ends of the axis, as ratios.
    at_most : int
        Ticks there may be.
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


def _ratio_labels(ticks: Sequence[float], *, locale: str = "en") -> list[str]:
    """Return ratios as signed percent: 1.25 is +25 %."""
    from kit.charts.layout import Plot

    texts = (
        Plot.tick_labels([100 * (t - 1) for t in ticks], locale=locale, sign=True)
        if all(abs(round(100 * (t - 1), 1) - 100 * (t - 1)) < 1e-6 for t in ticks)
        else [number(100 * (t - 1), decimals=0, locale=locale, sign=True) for t in ticks]
    )
    return [text + NBSP + "%" for text in texts]


def _rows_of(book: ClaimBook, titles: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Return name and head of rows for some titles, in the order of all charts.

    Returns
    -------
    dict of str to (str, str)
        By title: its name, and its group's where that begins; a title of no known order comes last.
    """
    wanted, rows, last = set(titles), {}, ""
    for title, group in Identity(book).title_order().items():
        if title in wanted:
            rows[title] = (Identity(book).title(title), group if group != last else "")
            last = group
    return rows | {t: (Identity(book).title(t), "") for t in titles if t not in rows}


def _outcome_counts(book: ClaimBook, suite: Claim) -> str:
    """Return a suite's outcomes in words: ahead of B in 7 of 12 titles, level in 3."""
    baseline = Identity(book).product(suite.baseline)
    of = {"ahead": "of ", "level": "with ", "unresolved": "from "}
    parts: list[str] = []
    counts = _counts_of(book, suite)
    titles = len(suite.inputs)
    for outcome in OUTCOMES:
        count = counts.get(outcome)
        word = "not told apart" if outcome == "unresolved" else outcome
        if count is None or not count.figure:
            continue
        if titles == 1:
            parts.append(f"{word} {of.get(outcome, '')}{baseline} in the one title")
        elif not parts:
            parts.append(
                f"{word} {of.get(outcome, '')}{baseline} in {count.text} of {titles} titles"
            )
        else:
            parts.append(f"{word} in {count.text}")
    if suite.outcome in {"above", "below", "open"}:
        parts.append("how far runs scatter was not measured")
    return ", ".join(parts) + _false_of(book, suite)


def _false_of(book: ClaimBook, suite: Claim) -> str:
    """Return, in brackets, how many of a suite's titles ahead or behind are expected to be false.

    Nothing where none is ahead or behind, or it is one title.
    """
    said = sum(c.figure for o, c in _counts_of(book, suite).items() if o in {"ahead", "behind"})
    false = next(iter(book.of_kind("suite_false", **_same_pair(suite))), None)
    if not said or false is None or len(suite.inputs) == 1:
        return ""
    return f" (expected to be false: {false.text})"


def _same_pair(suite: Claim) -> dict[str, str]:
    """Return the fields that the claims about one suite margin have in common."""
    return {name: getattr(suite, name) for name in ("metric", "product", "baseline", "group")}


def _counts_of(book: ClaimBook, suite: Claim) -> dict[str, Claim]:
    """Return in how many titles of a suite each outcome fell."""
    return {c.outcome: c for c in book.of_kind("suite_count", **_same_pair(suite))}


def mark_waived(claims: Sequence[Claim]) -> tuple[str, str]:
    """Return the mark of what a control was waived for, and what the note says of it.

    Where it was waived for all, no mark stands beside each.
    """
    waived = sum(claim.waived for claim in claims)
    if waived == len(claims):
        return "", " A control was waived for all of it."
    return (DAGGER, f"{DAGGER} A control was waived.") if waived else ("", "")


def _margin_words(claim: Claim) -> str:
    """Return a margin in words with its direction, as its outcome allows, in its own figures."""
    said = Rounded(claim.text, claim.interval, claim.rounding)
    speed = METRICS[claim.metric].speed
    return said.in_words(claim.figure, outcome=claim.outcome, speed=speed)


def margins_chart(book: ClaimBook, suite: Claim) -> Chart:
    """Return the chart of one product's margins over one baseline, title by title, and their suite.

    The suite stands apart below; its second interval, for titles like these, is the thinner line.

    Raises
    ------
    ValueError
        If the suite is of no title.
    """
    margins = {claim.title: claim for claim in map(book.get, suite.inputs) if claim is not None}
    if not margins:
        raise ValueError(f"{suite.id}: a suite of no title has no margins to draw")
    like = next(iter(book.of_kind("suite_like", **_same_pair(suite))), None)
    dagger, waived = mark_waived([*margins.values(), suite])
    rows = [
        _RatioRow(name + dagger * margins[title].waived, margins[title], head=head)
        for title, (name, head) in _rows_of(book, list(margins)).items()
    ]
    whole = _RatioRow(
        f"Suite of {len(suite.inputs)}{dagger * suite.waived}", suite, like, apart=True
    )
    own, other = Identity(book).product(suite.product), Identity(book).product(suite.baseline)
    word, band = Identity(book).metric(suite), book.settings["margins"]["level_band"]
    caption = f"{own} is {_outcome_counts(book, suite)}; over the suite {_margin_words(suite)}"
    note = (
        f"{_band_words(band, book.locale)} "
        "Open: level; with a dashed edge: unresolved, or by figures alone."
    )
    if like is not None and like.low is not None:
        note += " Suite, thick line: for these titles; thin line: for titles like these."
    note += waived
    alt = "; ".join(
        f"{row.label.removesuffix(DAGGER)} {row.claim.text} "
        f"({row.claim.interval or 'no interval'}), {row.claim.outcome}"
        for row in (*rows, whole)
    )
    speed = METRICS[suite.metric].speed
    sides = f"({MINUS} {better_word(0.5, speed=speed)}, + {better_word(2.0, speed=speed)})"
    words = ChartWords(
        ("margins", suite.metric, f"{suite.product}-over-{suite.baseline}", *_not_all(suite)),
        caption,
        note,
        f"Interval chart of {own} against {other}, {word}, a row a title. {caption}. {alt}.",
        below=f"{own} against {other}, {word} {sides}",
        below_short=f"{word} {sides}",
        above=f"{other} against {own}",
        locale=book.locale,
    )
    return _ratio_chart(words, [*rows, whole], band=(1 / (1 + band), 1 + band))


def _not_all(suite: Claim) -> tuple[str, ...]:
    """Return the part of a file's name that tells a suite from that over all titles."""
    return (suite.group,) if suite.group != "all" else ()


def _band_words(band: float, locale: str) -> str:
    """Return how a note says what the level band is: its share in percent."""
    percent = Rounded.plain(100 * band, unit="%", locale=locale).text
    return f"Shaded: level, within {percent} either way."


def influence_chart(book: ClaimBook, suite: Claim) -> Chart:
    """Return the chart of a suite margin with each of its titles left out.

    Raises
    ------
    ValueError
        If the suite has no influence to show: fewer than two titles.
    """
    found = {claim.title: claim for claim in book.of_kind("influence", **_same_pair(suite))}
    if len(found) < 2:
        raise ValueError("influence needs a suite of two titles or more")
    rows = [
        _RatioRow(name, found[title], head=head)
        for title, (name, head) in _rows_of(book, list(found)).items()
    ]
    own, other = Identity(book).product(suite.product), Identity(book).product(suite.baseline)
    word = Identity(book).metric(suite)
    least, most = (end(rows, key=lambda row: row.claim.figure) for end in (min, max))
    caption = (
        f"With one title left out, {own}'s {suite.text} over {other} becomes {least.claim.text} "
        f"(without {least.label}) to {most.claim.text} (without {most.label})"
    )
    shaded = ", with its interval shaded." if suite.low is not None else "."
    texts = "; ".join(f"without {row.label} {row.claim.text}" for row in rows)
    words = ChartWords(
        ("influence", suite.metric, f"{suite.product}-over-{suite.baseline}", *_not_all(suite)),
        caption,
        f"Upright line: the suite margin of {book.whole_words('all titles')}{shaded}",
        f"Dot chart of the suite margin ({word}) with each title left out. {caption}. {texts}.",
        below=f"suite margin of {own} over {other} without this title ({word})",
        below_short=f"suite margin without this title ({word})",
        locale=book.locale,
    )
    look = Identity(book).looks()[suite.product]
    return _ratio_chart(words, rows, band=suite.ends, of=suite, look=look)


def classes_chart(book: ClaimBook, gaps: Sequence[Claim]) -> Chart:
    """Return the chart of leads in one class of machine beside the same names' in another.

    Of each pair of names the lead there, the lead here, and set apart the one over the other.

    Raises
    ------
    ValueError
        If there is no gap, or they differ in metric.
    """
    if not gaps or len({gap.metric for gap in gaps}) != 1:
        raise ValueError("gaps of one metric are needed")
    who, kinds = Identity(book), book.names.get("classes", {})
    there, here = (
        plain_name(kinds.get(p) or "another") for p in (gaps[0].baseline, gaps[0].product)
    )
    rows: list[_RatioRow] = []
    leads: list[str] = []
    for gap in gaps:
        sides = {claim.kind: claim for claim in (book.by_id[name] for name in gap.inputs)}
        for kind, side in ((there, sides["gap_there"]), (here, sides["gap_here"])):
            newer, older = side.product, side.baseline
            pair = f"{plain_name(who.bare(newer))} over {plain_name(who.bare(older))}"
            rows.append(_RatioRow(pair, side, head=kind))
            leads.append(f"{who.product(newer)} {side.text} over {who.product(older)}")
        rows.append(_RatioRow(f"{here} over {there}", gap, apart=True))
    word, band = who.metric(gaps[0]), book.settings["margins"]["level_band"]
    if len(gaps) == 1:
        caption = f"In the {there} class {leads[0]}; in the {here} class {leads[1]}"
    else:
        smaller = sum(gap.figure < 1 for gap in gaps)
        caption = (
            f"The lead is smaller in the {here} class than in the {there} class "
            f"for {smaller} of {len(gaps)} pairs of names"
        )
    said = "; ".join(f"{(there, here)[i % 2]}: {lead}" for i, lead in enumerate(leads))
    words = ChartWords(
        ("classes", gaps[0].metric, gaps[0].product, "and", gaps[0].baseline),
        caption,
        f"{_band_words(band, book.locale)} In bold: the lead here over the lead there.",
        f"Interval chart of leads, {word}. {caption}. {said}. Here over there: "
        + "; ".join(gap.text for gap in gaps) + ".",
        below=f"lead of the newer over the older, {word}",
        below_short=word,
        locale=book.locale,
    )  # fmt: skip
    return _ratio_chart(words, rows, band=(1 / (1 + band), 1 + band))


def steps_chart(book: ClaimBook, setting: str, product: str) -> Chart:
    """Return the chart of what the settings of one thing do to a product.

    A curve of averages where settings are numbers; else a row a setting, its margin over the one
    the others are set against.

    Raises
    ------
    ValueError
        If nothing was compared.
    """
    of = {"group": setting, "product": product}
    steps = book.of_kind("step", metric=HEADLINE, title="", **of)
    if not steps:
        raise ValueError(f"no setting of {setting} of {product} was compared")
    names, own = book.names.get("steps", {}), Identity(book).product(product)
    axis = book.name("group", setting, kind="step")
    labels = {c.id: names.get(c.part, c.part) for c in steps}
    caption = f"{axis} of {own}: " + "; ".join(f"{labels[c.id]} {c.text}" for c in steps)
    note = "Shaded: level. Thin line: for titles like these."
    if any("other_picture" in c.marks for c in steps):
        note += " The settings do not show the same picture."
    levels = book.of_kind("step_level", **of)
    numbers = {c.id: float(m[0]) for c in levels if (m := re.match(r"-?\d+(\.\d+)?", c.part))}
    curve = len(numbers) == len(levels) > 1 and len(set(numbers.values())) == len(levels)
    word, over = Identity(book).metric(steps[0]), steps[0].part.partition("-over-")[2]
    below, unit = f"{word}, over {names.get(over, over)}", names.get(over, "").partition(" ")[2]
    if curve:
        below = f"{axis}, {unit}" if unit else axis
    words = ChartWords(
        ("steps", setting, product),
        caption,
        "Frames per second over the titles that every setting ran." if curve else note,
        f"Chart of {axis} of {own}. {caption}. "
        + "; ".join(f"{names.get(c.part, c.part)}: {c.text}" for c in levels) + ".",
        below=below,
        below_short=axis if curve else word,
        locale=book.locale,
    )  # fmt: skip
    if curve:
        points = sorted((numbers[c.id], c) for c in levels)
        xs = [x for x, _ in points]
        ticks = zip(xs, (number(x, decimals=0 if x == int(x) else 1, locale=book.locale)
                         for x in xs), strict=True)  # fmt: skip
        plan = _Curves(
            (_Curve("", SUITE, tuple(points)),), tuple(ticks), "frames per second, more is better"
        )
        return Chart(words, plan, _paint_curves, (*levels, *steps))
    likes = {c.part: c for c in book.of_kind("step_like", metric=HEADLINE, **of)}
    rows = [_RatioRow(labels[c.id], c, likes.get(c.part)) for c in steps]
    band = book.settings["margins"]["level_band"]
    return _ratio_chart(words, rows, band=(1 / (1 + band), 1 + band))


@dataclass(frozen=True, slots=True)
class _Curve:
    """Claims along an axis, joined: their name at the end, or their own figures where it is ""."""

    name: str
    look: Look
    points: tuple[tuple[float, Claim], ...]


@dataclass(frozen=True, slots=True)
class _Curves:
    """Curves over one axis: what it is labelled with, what goes up, and whether from zero."""

    curves: tuple[_Curve, ...]
    ticks: tuple[tuple[float, str], ...]
    up: str
    from_zero: bool = True


def _paint_curves(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw curves, a mark a claim."""
    from kit.charts.layout import Drawing

    plan: _Curves = chart.plan
    height = sheet.height or 340.0
    figure = Drawing(sheet, height, chart)
    top = chart.head_height(sheet) + 1.6 * sheet.text
    left, below = 4.6 * sheet.small, 3.6 * sheet.small
    names = [fit_text(c.name, sheet.small, 0.25 * sheet.width) for c in plan.curves]
    right = max(text_width(name, sheet.small) for name in names)
    width = sheet.width - 2 * sheet.side - left - right
    axes = figure.put_axes(sheet.side + left, top, width, height - top - below)
    xs = [x for curve in plan.curves for x, _ in curve.points]
    ys = [claim.figure for curve in plan.curves for _, claim in curve.points]
    spare = 0.08 * (max(xs) - min(xs))
    axes.set_xlim(min(xs) - spare, max(xs) + spare)
    low = 0.0 if plan.from_zero else 0.95 * min(ys)
    axes.set_ylim(low, max(ys) + 0.15 * (max(ys) - low))
    axes.put_ticks("x", [x for x, _ in plan.ticks], [label for _, label in plan.ticks])
    axes.put_even_ticks("y", at_most=6)
    axes.name_axis(chart.words.below)
    axes.name_axis(plan.up, which="y")
    step = 1.25 * sheet.small * (axes.get_ylim()[1] - low) / (height - top - below)
    taken: list[float] = []
    for curve, name in sorted(
        zip(plan.curves, names, strict=True), key=lambda one: one[0].points[-1][1].figure
    ):
        along, up = [x for x, _ in curve.points], [claim.figure for _, claim in curve.points]
        axes.plot(along, up, color=curve.look.colour, linewidth=1.6 * sheet.line, zorder=1.5)
        axes.put_marks(along, up, curve.look, 1.0)
        for x, claim in () if name else curve.points:
            axes.annotate(
                claim.text,
                (x, claim.figure),
                (0, 0.9 * sheet.small),
                textcoords="offset points",
                fontsize=sheet.small,
                ha="center",
            )
        taken.append(max(up[-1], taken[-1] + step) if taken else up[-1])  # no name over another
        axes.annotate(
            name,
            (axes.get_xlim()[1], taken[-1]),
            fontsize=sheet.small,
            va="center",
            annotation_clip=False,
        )
    return figure


def prices_chart(book: ClaimBook, kind: str) -> Chart:
    """Return the chart of prices of one kind as they were observed, day by day.

    Raises
    ------
    ValueError
        If none was observed on two days.
    """
    looks, seen = Identity(book).looks(), book.of_kind("price_seen", group=kind)
    days = {c.id: dt.date.fromisoformat(c.part.partition("/")[0]) for c in seen}
    curves = []
    for product in dict.fromkeys([*looks, *(c.product for c in seen)]):
        mine = sorted(
            (days[c.id].toordinal(), c.figure, c.id) for c in seen if c.product == product
        )
        if mine:
            name, look = Identity(book).product(product), looks.get(product, SUITE)
            curves.append(
                _Curve(name, look, tuple((float(day), book.by_id[i]) for day, _, i in mine))
            )
    ordinals = sorted({day.toordinal() for day in days.values()})
    if len(ordinals) < 2:
        raise ValueError(f"no {kind} prices of two days")
    first, last = (dt.date.fromordinal(day).isoformat() for day in (ordinals[0], ordinals[-1]))
    span = ordinals[-1] - ordinals[0]
    places = [ordinals[0] + round(i * span / min(3, span)) for i in range(min(3, span) + 1)]
    ticks = tuple((float(d), dt.date.fromordinal(d).isoformat()) for d in places)
    words = book.name("group", kind, kind="price_seen")
    said = []
    for curve in curves:
        claims = [claim for _, claim in curve.points]
        low, high = (end(claims, key=lambda claim: claim.figure) for end in (min, max))
        said.append(f"{curve.name} {low.text} to {high.text}, last {claims[-1].text}")
    own = next((c for c in said if curves[0].points[0][1].product == book.product), said[0])
    caption = f"{words[:1].upper()}{words[1:]} from {first} to {last}: {own}"
    return Chart(
        ChartWords(
            ("prices", kind, book.product),
            caption,
            "Each mark: a price observed, with its source in the trace. Lines join those of one "
            "product by day; shops differ as well as days.",
            f"Chart of {words} by day. {caption}. {'; '.join(said)}.",
            below="day",
            locale=book.locale,
        ),
        _Curves(tuple(curves), ticks, f"{words}, {seen[0].unit}, less is better", from_zero=False),
        _paint_curves,
        seen,
    )


def titles_chart(book: ClaimBook) -> Chart:
    """Return the chart of every product's average in every title, each joined to its low.

    Raises
    ------
    ValueError
        If nothing was measured.
    """
    cells = book.of_kind("cell", metric=HEADLINE)
    if not cells:
        raise ValueError("no title has an average to draw")
    lows = {(c.title, c.product): c for c in book.of_kind("cell", metric=HEADLINE_LOW)}
    looks = Identity(book).looks()
    titles = list(dict.fromkeys(cell.title for cell in cells))
    shown = {cell.product for cell in cells}
    products = {p: (Identity(book).product(p), look) for p, look in looks.items() if p in shown}
    rows = _rows_of(book, titles)
    by_place = {(cell.title, cell.product): cell for cell in cells}
    dots = [
        _Dot(title, product, by_place[title, product], lows.get((title, product)))
        for title in rows
        for product in products
        if (title, product) in by_place
    ]
    word = Identity(book).metric(cells[0])
    low_word = next((Identity(book).metric(dot.low) for dot in dots if dot.low), "")
    below = f"{word}, frames per second, more is better"
    caption = _titles_caption(book, [d for d in dots if d.series == book.product], word)
    missing = {
        name: [title for title in rows if (title, product) not in by_place]
        for product, (name, _) in products.items()
    }
    words = ChartWords(
        ("titles", HEADLINE, book.product),
        caption,
        _titles_note(cells[0], word, low_word, missing, book),
        f"Dot chart from zero, a row a title, {below}. {caption}. "
        + " ".join(_product_words(book, dots, product, low_word) for product in products),
        below=below,
        locale=book.locale,
    )
    return _dot_chart(words, dots, rows=rows, series=products)


def _titles_caption(book: ClaimBook, mine: Sequence[_Dot], word: str) -> str:
    """Return the counts of the suites in words, or else the range of the averages."""
    name = Identity(book).product(book.product)
    suites = book.of_kind("suite", product=book.product, group="all", metric=HEADLINE)
    if len(suites) == 1:
        return f"{name} is {_outcome_counts(book, suites[0])}"
    if suites:
        parts = []
        for suite in suites[:3]:
            ahead = _counts_of(book, suite).get("ahead")
            count = ahead.text if ahead else "0"
            parts.append(
                f"{Identity(book).product(suite.baseline)} in {count} of {len(suite.inputs)}"
            )
        return f"{name} is ahead of {', of '.join(parts)} titles"
    if not mine:
        return f"{name} has no result in these titles"
    least, most = (end(mine, key=lambda dot: dot.claim.figure) for end in (min, max))
    if least.row == most.row:
        return f"{name}: {word} of {least.claim.text} in {Identity(book).title(least.row)}"
    return (
        f"{name}: {word} from {least.claim.text} in {Identity(book).title(least.row)} to "
        f"{most.claim.text} in {Identity(book).title(most.row)}"
    )


def _titles_note(
    first: Claim, word: str, low_word: str, missing: Mapping[str, Sequence[str]], book: ClaimBook
) -> str:
    """Return how the marks of a chart of titles are read, and what has no result.

    Parameters
    ----------
    first : Claim
        Any cell drawn: gives the confidence of the intervals.
    word, low_word : str
        What the average and its low are called; no low is drawn where the second is empty.
    missing : mapping of str to sequence of str
        Titles without a result, by product's name.
    book : ClaimBook
    """
    confidence = first.confidence or book.settings["margins"]["confidence"]
    percent = Rounded.plain(100 * confidence, unit="%", locale=book.locale).text
    note = f"Marks: {word} with its {percent} interval."
    if low_word:
        note += (
            f" A thin line leads to the {low_word}: read it as a share of the {word}, since at "
            "twice the rate the same share makes a line twice as long."
        )
    said = [
        f"{name} in "
        + (Identity(book).title(titles[0]) if len(titles) == 1 else f"{len(titles)} titles")
        for name, titles in missing.items()
        if titles
    ]
    return note + (f" No result: {', '.join(said)}." if said else "")


def _product_words(book: ClaimBook, dots: Sequence[_Dot], product: str, low_word: str) -> str:
    """Return every figure of the reviewed product, or the range of another one, in words."""
    own = [dot for dot in dots if dot.series == product]
    name = Identity(book).product(product)
    if product == book.product:
        parts = [
            f"{Identity(book).title(dot.row)} {dot.claim.text}"
            + (f" ({low_word} {dot.low.text})" if dot.low else "")
            for dot in own
        ]
        return f"{name}: {'; '.join(parts)}."
    least, most = (end(own, key=lambda dot: dot.claim.figure) for end in (min, max))
    return (
        f"{name}: {least.claim.text} ({Identity(book).title(least.row)}) to "
        f"{most.claim.text} ({Identity(book).title(most.row)})."
    )


def spread_chart(book: ClaimBook) -> Chart:
    """Return the chart of how far runs of the reviewed product in one title lie apart.

    Raises
    ------
    ValueError
        If it has two runs in no title.
    """
    claims = book.of_kind("run_over_mean", metric=HEADLINE, product=book.product)
    if not claims:
        raise ValueError("no product has two runs in a title: there is no spread to draw")
    rows = _rows_of(book, list(dict.fromkeys(claim.title for claim in claims)))
    outermost = max(claims, key=lambda claim: abs(math.log(claim.figure)))
    word = Identity(book).metric(outermost)
    own_name = Identity(book).product(book.product)
    caption = (
        f"The run furthest from the mean of its own product and title is at {outermost.text}: "
        f"{own_name} in {Identity(book).title(outermost.title)} ({word})"
    )
    parts = []
    for title in rows:
        own = [claim for claim in claims if claim.title == title]
        least, most = (end(own, key=lambda claim: claim.figure) for end in (min, max))
        parts.append(f"{Identity(book).title(title)} {least.text} to {most.text}")
    words = ChartWords(
        ("spread", outermost.metric, book.product),
        caption,
        f"Each dot is one used run's {word}, beside the mean of the runs of its row.",
        f"Dot chart of {len(claims)} runs, a row a title, percent from each mean. {caption}. "
        f"{own_name}: {'; '.join(parts)}.",
        below=f"{word} of a run against its mean; nearer is steadier",
        locale=book.locale,
    )
    dots = [_Dot(claim.title, claim.product, claim) for claim in claims]
    series = {book.product: (own_name, Identity(book).looks()[book.product])}
    return _dot_chart(words, dots, rows=rows, series=series, ratios=True)
