"""Charts of margins: title by title with the suite, the suite without each title, two classes.

Every axis of ratios is logarithmic, so that twice as fast and half as fast lie alike far from
level, and is labelled in percent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from kit.charts.layout import (
    Panel,
    add_line,
    add_title,
    axis_label,
    draw_marks,
    label_column,
    label_rows,
    line_through,
    log_limits,
    ratio_labels,
    ratio_ticks,
    row_axes,
    rule_rows,
    set_ticks,
    stack_rows,
    title_height,
)
from kit.charts.style import (
    BAND,
    BLACK,
    GREY,
    REVIEWED,
    VERMILION,
    Chart,
    Look,
    Sheet,
    blank_figure,
    drawn_on,
    file_stem,
)
from kit.charts.text import fit_text, name_of, text_width
from kit.charts.titles import METRIC_WORDS, outcome_counts
from kit.margins.compare import Margin
from kit.margins.suites import SuiteMargin
from kit.rounding import MINUS, NBSP, better_word, margin_words, number, ratio_text
from kit.settings.metric import METRICS

# Colour says no more than place and fill do: right of level or left, full or hollow.
_OUTCOME_LOOKS = {
    "ahead": Look(REVIEWED, "o", True, "-"),
    "behind": Look(VERMILION, "o", True, "-"),
    "level": Look(BLACK, "s", True, "-"),
    "unresolved": Look(BLACK, "o", False, "-"),
}
DAGGER = " \u2020"
_COLUMNS = [
    "kind",
    "title",
    "title_name",
    "ratio",
    "interval_low",
    "interval_high",
    "outcome",
    "marks",
]


def draw_margins(
    margins: Sequence[Margin],
    suite: SuiteMargin | None = None,
    *,
    level_band: float,
    names: Mapping[str, str],
    locale: str = "en",
) -> Chart:
    """Return the chart of one product's margins over one baseline, and of their suite.

    Parameters
    ----------
    margins : sequence of Margin
        One product, baseline and metric. Drawn from the largest margin to the smallest.
    suite : SuiteMargin, optional
        Of the same pair, set apart below; its second interval, for titles like these, is the
        thinner line.
    level_band : float
        A share, as in params: margins within it either way count as level.
    names : mapping of str to str
        Names of products and titles by id.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has a row for each margin and the suite: `kind` ("title" or "suite"), `title`,
        `title_name`, `ratio`, `interval_low`, `interval_high`, `outcome`, `marks`; for the suite
        `like_low` and `like_high` too.

    Raises
    ------
    ValueError
        If there is no margin, or they are not all of one pair and metric.
    """
    pairs = {(m.product, m.baseline, m.metric) for m in (*margins, *([suite] if suite else ()))}
    if not margins or len(pairs) != 1:
        raise ValueError(f"margins of one pair and metric are needed, not of {sorted(pairs)}")
    ((product, baseline, metric),) = pairs
    table = _margin_table(margins, suite, names)
    pair = (name_of(names, product), name_of(names, baseline))
    word = METRIC_WORDS.get(metric, metric)
    speed = METRICS[metric].speed
    caption = _margins_caption(margins, suite, pair, speed, locale)
    note = f"Shaded: level, within {_band_text(level_band, locale)} either way. Hollow: unresolved."
    if suite and suite.like_low is not None:
        note += " Suite, thick line: for these titles; thin line: for titles like these."
    if table["waived"].any():
        note += f"{DAGGER} A control was waived."
    alt = (
        f"Interval chart of {pair[0]} against {pair[1]}, {word}, a row a title. {caption}. "
        + "; ".join(_row_words(row, speed, locale) for _, row in table.iterrows())
        + "."
    )
    return Chart(
        name=file_stem(
            "margins",
            metric,
            f"{product}-over-{baseline}",
            *([suite.suite] if suite and suite.suite != "all" else ()),
        ),
        caption=caption,
        note=note,
        alt=alt,
        table=table.drop(columns="waived"),
        draw=drawn_on(
            lambda sheet: _paint_margins(
                sheet, table, level_band, pair, word, speed, caption, note, locale
            )
        ),
    )


def _margin_table(
    margins: Sequence[Margin], suite: SuiteMargin | None, names: Mapping[str, str]
) -> pd.DataFrame:
    """Return the rows drawn, the suite last; `waived` says where the dagger goes."""
    rows = [
        _row("title", m.title, name_of(names, m.title), m)
        for m in sorted(margins, key=lambda m: (-m.ratio, m.title))
    ]
    if suite:
        rows.append(
            _row("suite", "", f"Suite of {len(suite.titles)}", suite)
            | {"like_low": suite.like_low, "like_high": suite.like_high}
        )
    table = pd.DataFrame(rows, columns=[*_COLUMNS, "like_low", "like_high", "waived"])
    for column in ("interval_low", "interval_high", "like_low", "like_high"):
        table[column] = table[column].astype(float)
    return table


def _row(kind: str, title: str, name: str, of: Margin | SuiteMargin) -> dict[str, Any]:
    return {
        "kind": kind,
        "title": title,
        "title_name": name,
        "ratio": of.ratio,
        "interval_low": of.low,
        "interval_high": of.high,
        "outcome": of.outcome,
        "marks": "; ".join(of.marks),
        "waived": is_waived(of.marks),
    }


def is_waived(marks: Sequence[str]) -> bool:
    """Return whether a result's marks say that a control was waived."""
    return any(mark.startswith("waived:") for mark in marks)


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _rounded(row: pd.Series, locale: str) -> tuple[str, str]:
    made = ratio_text(
        row["ratio"], _number(row["interval_low"]), _number(row["interval_high"]), locale=locale
    )
    return made.text, made.interval


def _row_words(row: pd.Series, speed: bool, locale: str) -> str:
    """Return one row of the chart in words, for the text alternative."""
    text, interval = _rounded(row, locale)
    span = f" ({interval})" if interval else " (no interval)"
    return f"{row['title_name']} {text}{span}, {row['outcome']}"


def _margins_caption(
    margins: Sequence[Margin],
    suite: SuiteMargin | None,
    pair: tuple[str, str],
    speed: bool,
    locale: str,
) -> str:
    if suite is None:
        counts = {o: sum(m.outcome == o for m in margins) for o in _OUTCOME_LOOKS}
        said = [
            f"{'not told apart' if o == 'unresolved' else o} in {n}" for o, n in counts.items() if n
        ]
        return f"{pair[0]} against {pair[1]}, {len(margins)} titles: {', '.join(said)}"
    words = margin_words(
        suite.ratio, suite.low, suite.high, outcome=suite.outcome, speed=speed, locale=locale
    )
    return f"{pair[0]} is {outcome_counts(suite, pair[1])}; over the suite {words}"


def _band_text(level_band: float, locale: str) -> str:
    decimals = next(
        d for d in range(6) if math.isclose(round(100 * level_band, d), 100 * level_band) or d == 5
    )
    return number(100 * level_band, decimals=decimals, locale=locale) + NBSP + "%"


@dataclass(frozen=True, slots=True)
class RatioRows:
    """What every chart of rows on a ratio axis needs beside its marks."""

    labels: Sequence[str]
    texts: Sequence[str]  # right of each row
    words: Sequence[str]  # right of the texts
    points: Sequence[float]
    ends: Sequence[float]
    below: str
    below_short: str  # where names leave no room
    above: str  # the same axis, read from the other side; "" for none
    apart: frozenset[int] = frozenset()


def ratio_panels(
    sheet: Sheet, rows: RatioRows, caption: str, note: str, locale: str
) -> tuple[Figure, list[tuple[Panel, Axes]]]:
    """Lay out rows over a logarithmic axis of ratios, their figures in a column to the right."""
    head = 3.4 * sheet.small if rows.above else 0.4 * sheet.text
    top = title_height(sheet, caption, note) + head
    panels, height = stack_rows(
        sheet,
        top=top,
        below=3.6 * sheet.small,
        count=len(rows.labels),
        natural=1.85 * sheet.text,
        least=1.5 * sheet.text,
        apart=rows.apart,
    )
    figure = blank_figure(sheet, height)
    add_title(figure, sheet, caption, note)
    left = label_column(sheet, rows.labels, panels[0].width)
    size = min(sheet.text, min(panels[0].heights) * 0.8)
    # Two columns leave no room for the outcome in words as well; place and fill say it.
    words = rows.words if len(panels) == 1 else ()
    text_room = 1.1 * max(text_width(t, size) for t in rows.texts) + 0.5 * sheet.text
    word_room = max((text_width(w, size) for w in words), default=0.0)
    right = text_room + word_room + (1.0 if word_room else 0.5) * sheet.text
    limits = log_limits(rows.points, rows.ends)
    made = []
    for panel in panels:
        label_rows(figure, sheet, panel, rows.labels, width=left, bold=rows.apart)
        axes = row_axes(figure, panel, left, right)
        axes.set_xscale("log")
        axes.set_xlim(*limits)
        room = panel.width - left - right
        at_most = max(3, min(7, int(room / (4.2 * sheet.small))))
        ticks = ratio_ticks(*limits, at_most=at_most)
        set_ticks(axes, sheet, "x", ticks, ratio_labels(ticks, locale=locale))
        fits = text_width(rows.below, sheet.small) <= room + 2 * min(left, right)
        axis_label(axes, sheet, rows.below if fits else rows.below_short)
        if rows.above:
            _read_from_above(
                axes,
                sheet,
                limits,
                at_most,
                fit_text(rows.above, sheet.small, room + right),
                locale,
            )
        if limits[0] < 1.0 < limits[1]:
            axes.axvline(1.0, color=GREY, linewidth=sheet.line, zorder=1)
        for row in panel.rows:
            y = panel.top + panel.middle(row)
            edge = panel.left + panel.width - word_room - (0.7 if word_room else 0.3) * sheet.text
            heavy = "bold" if row in rows.apart else "normal"
            add_line(figure, edge, y, rows.texts[row], size, ha="right", fontweight=heavy)
            if words:
                add_line(figure, edge + 0.45 * sheet.text, y, words[row], size)
        made.append((panel, axes))
    return figure, made


def _read_from_above(
    axes: Axes, sheet: Sheet, limits: tuple[float, float], at_most: int, label: str, locale: str
) -> None:
    """Label the axis on top as the baseline sees it: the same places, each ratio inverted."""
    ticks = ratio_ticks(1 / limits[1], 1 / limits[0], at_most=at_most)
    twin = axes.twiny()
    twin.set_xscale("log")
    twin.set_xlim(*limits)
    set_ticks(
        twin, sheet, "x", [1 / t for t in ticks], ratio_labels(ticks, locale=locale), grid=False
    )
    twin.tick_params(labelcolor=GREY)
    twin.set_xlabel(label, fontsize=sheet.small, color=GREY, labelpad=sheet.small * 0.35)
    twin.spines["top"].set_visible(True)
    twin.spines["left"].set_visible(False)


def _paint_margins(
    sheet: Sheet,
    table: pd.DataFrame,
    level_band: float,
    pair: tuple[str, str],
    word: str,
    speed: bool,
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw points and intervals, the suite as a diamond apart from its titles."""
    last = len(table) - 1
    has_suite = table["kind"].iloc[last] == "suite"
    slower, faster = better_word(0.5, speed=speed), better_word(2.0, speed=speed)
    rows = RatioRows(
        labels=[
            n + DAGGER if w else n
            for n, w in zip(table["title_name"], table["waived"], strict=True)
        ],
        texts=[_rounded(row, locale)[0] for _, row in table.iterrows()],
        words=list(table["outcome"]),
        points=[*table["ratio"], 1.0],
        ends=[
            e
            for c in ("interval_low", "interval_high", "like_low", "like_high")
            for e in table[c].dropna()
        ],
        below=f"{pair[0]} against {pair[1]}, {word} ({MINUS} {slower}, + {faster})",
        below_short=f"{word} ({MINUS} {slower}, + {faster})",
        above=f"{pair[1]} against {pair[0]}",
        apart=frozenset({last} if has_suite and last else ()),
    )
    figure, panels = ratio_panels(sheet, rows, caption, note, locale)
    for panel, axes in panels:
        axes.axvspan(1 / (1 + level_band), 1 + level_band, color=BAND, linewidth=0, zorder=0.2)
        for edge in (1 / (1 + level_band), 1 + level_band):
            axes.axvline(
                edge, color=GREY, linewidth=0.6 * sheet.line, zorder=0.9, linestyle=(0, (2, 3))
            )
        rule_rows(axes, sheet, panel)
        for row in panel.rows:
            data, y = table.iloc[row], panel.middle(row)
            look = _OUTCOME_LOOKS[data["outcome"]]
            if data["kind"] == "suite":
                look = Look(look.colour, "D", look.filled, "-")
                _draw_interval(axes, sheet, data["like_low"], data["like_high"], y, look, 0.9)
            _draw_interval(
                axes,
                sheet,
                data["interval_low"],
                data["interval_high"],
                y,
                look,
                3.4 if data["kind"] == "suite" else 2.0,
            )
            draw_marks(axes, sheet, [data["ratio"]], [y], look, 1.0)
    return figure


def _draw_interval(
    axes: Axes, sheet: Sheet, low: float, high: float, y: float, look: Look, width: float
) -> None:
    """Draw an interval; an end beyond the axis is cut and ends in an arrow head."""
    if math.isnan(low) or math.isnan(high):
        return
    least, most = axes.get_xlim()
    line_through(
        axes,
        [(max(low, least), min(high, most), y)],
        color=look.colour,
        linewidth=sheet.line * width,
    )
    for beyond, edge, shape in ((low < least, least, "<"), (high > most, most, ">")):
        if beyond:
            draw_marks(axes, sheet, [edge], [y], Look(look.colour, shape, True, "-"), 0.7)
