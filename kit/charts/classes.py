"""The chart of leads in one class of machine beside the same names' in another."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.figure import Figure

from kit.charts.layout import (
    add_axes,
    add_line,
    add_text,
    add_title,
    draw_marks,
    log_limits,
    set_ticks,
    title_height,
)
from kit.charts.style import (
    GREY,
    RULE,
    Chart,
    Look,
    Sheet,
    blank_figure,
    drawn_on,
    file_stem,
    looks_of,
)
from kit.charts.text import fit_text, name_of, spread_apart
from kit.charts.titles import METRIC_WORDS
from kit.margins.consistency import NameGap
from kit.margins.suites import SuiteMargin
from kit.rounding import NBSP, ratio_text


def draw_classes(
    gaps: Sequence[NameGap],
    *,
    classes: tuple[str, str],
    names: Mapping[str, str],
    locale: str = "en",
) -> Chart:
    """Return the chart of leads in one class of machine beside the same names' in another.

    Parameters
    ----------
    gaps : sequence of NameGap
        One metric; a slope line for each.
    classes : (str, str)
        What the class "there" and the class "here" are called.
    names : mapping of str to str
        Names of products by id.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has two rows for each gap, there and here: `class`, `newer`, `newer_name`,
        `older`, `older_name`, `ratio`, `interval_low`, `interval_high`, and on the second
        `gap_ratio`, `gap_low`, `gap_high` (here over there).

    Raises
    ------
    ValueError
        If there is no gap, or they differ in metric.
    """
    if not gaps or len({g.metric for g in gaps}) != 1:
        raise ValueError("gaps of one metric are needed")

    def side(suite: SuiteMargin, which: str, *gap: float | None) -> tuple[object, ...]:
        return (
            which,
            suite.product,
            name_of(names, suite.product),
            suite.baseline,
            name_of(names, suite.baseline),
            suite.ratio,
            suite.low,
            suite.high,
            *gap,
        )

    rows = [
        row
        for g in gaps
        for row in (
            side(g.there, classes[0], None, None, None),
            side(g.here, classes[1], g.ratio, g.low, g.high),
        )
    ]
    table = pd.DataFrame(
        rows,
        columns=[
            "class",
            "newer",
            "newer_name",
            "older",
            "older_name",
            "ratio",
            "interval_low",
            "interval_high",
            "gap_ratio",
            "gap_low",
            "gap_high",
        ],
    ).astype(
        dict.fromkeys(("interval_low", "interval_high", "gap_ratio", "gap_low", "gap_high"), float)
    )
    word = METRIC_WORDS.get(gaps[0].metric, gaps[0].metric)
    smaller = sum(g.ratio < 1 for g in gaps)
    if len(gaps) == 1:
        there, here = (_lead_words(table.iloc[i], locale) for i in (0, 1))
        caption = f"In the {classes[0]} class {there}; in the {classes[1]} class {here}"
    else:
        caption = (
            f"The lead is smaller in the {classes[1]} class than in the {classes[0]} class "
            f"for {smaller} of {len(gaps)} pairs of names"
        )
    note = "Each line joins the lead of the newer over the older of two names in both classes."
    if len(gaps) == 1:
        over = ratio_text(gaps[0].ratio, gaps[0].low, gaps[0].high, locale=locale)
        span = f" ({over.interval})" if over.interval else ""
        note += f" {classes[1]} over {classes[0]}: {over.text}{span}."
    alt = (
        f"Slope chart of leads, {word}. {caption}. "
        + "; ".join(f"{row['class']}: {_lead_words(row, locale)}" for _, row in table.iterrows())
        + ". Here over there: "
        + "; ".join(ratio_text(g.ratio, g.low, g.high, locale=locale).text for g in gaps)
        + "."
    )
    looks = looks_of([str(i) for i in range(len(gaps))], "0")
    return Chart(
        name=file_stem("classes", gaps[0].metric, gaps[0].here_new, "and", gaps[0].there_new),
        caption=caption,
        note=note,
        alt=alt,
        table=table,
        draw=drawn_on(
            lambda sheet: _paint_classes(sheet, table, looks, classes, word, caption, note, locale)
        ),
    )


def _lead_words(row: pd.Series, locale: str) -> str:
    return f"{row['newer_name']} {_lead_text(row, locale)} over {row['older_name']}"


def _lead_text(row: pd.Series, locale: str) -> str:
    low, high = (None if math.isnan(row[c]) else row[c] for c in ("interval_low", "interval_high"))
    return ratio_text(row["ratio"], low, high, locale=locale).text


def _paint_classes(
    sheet: Sheet,
    table: pd.DataFrame,
    looks: Mapping[str, Look],
    classes: tuple[str, str],
    word: str,
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw a slope for each pair of names, labelled at both ends."""
    pairs = len(table) // 2
    height = sheet.height or max(300.0, 90.0 + 2.6 * sheet.text * pairs * 1.6)
    figure = blank_figure(sheet, height)
    add_title(figure, sheet, caption, note)
    top = title_height(sheet, caption, note) + 2.6 * sheet.text
    tall = height - top - 2.6 * sheet.small
    inner = sheet.width - 2 * sheet.side
    label = 0.33 * inner
    axes = add_axes(figure, sheet.side + label, top, inner - 2 * label, tall)
    limits = log_limits(
        [*table["ratio"], 1.0], [*table["interval_low"].dropna(), *table["interval_high"].dropna()]
    )
    axes.set_yscale("log")
    set_ticks(axes, sheet, "y", [], [])
    axes.set_ylim(*limits)
    axes.set_xlim(-0.06, 1.06)
    axes.axhline(1.0, color=GREY, linewidth=sheet.line, zorder=0.8)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    for x in (0, 1):
        axes.axvline(x, color=RULE, linewidth=sheet.line, zorder=0.5)
    axes.text(0.5, 1.0, f"0{NBSP}%", fontsize=sheet.small, color=GREY, ha="center", va="bottom")
    for i in range(pairs):
        ends = table.iloc[2 * i : 2 * i + 2]
        look = looks[str(i)]
        axes.plot(
            [0, 1],
            list(ends["ratio"]),
            color=look.colour,
            linestyle=look.dash,
            linewidth=1.8 * sheet.line,
            zorder=2,
        )
        for x, (_, row) in enumerate(ends.iterrows()):
            axes.plot(
                [x, x],
                [row["interval_low"], row["interval_high"]],
                color=look.colour,
                linewidth=3 * sheet.line,
                zorder=2,
            )
        draw_marks(axes, sheet, [0, 1], list(ends["ratio"]), look, 1.1)
    for x, rows in ((0, table.iloc[0::2]), (1, table.iloc[1::2])):
        wanted = [
            top
            + (1 - float(axes.transAxes.inverted().transform(axes.transData.transform((x, r)))[1]))
            * tall
            for r in rows["ratio"]
        ]
        edge = sheet.side + label + (inner - 2 * label) * (0.06 + x) / 1.12
        gap = 1.6 * sheet.mark
        heights = spread_apart(wanted, apart=2.7 * sheet.small, low=top, high=top + tall)
        for y, (_, row) in zip(heights, rows.iterrows(), strict=True):
            _label_end(figure, sheet, row, edge + (gap if x else -gap), y, label, x, locale)
        add_text(
            figure,
            edge,
            top - 1.2 * sheet.text,
            classes[x],
            sheet.text,
            ha="center",
            va="baseline",
            fontweight="bold",
        )
    add_text(
        figure,
        sheet.width / 2,
        height - 0.6 * sheet.small,
        f"lead of the newer over the older, {word}; higher is a larger lead",
        sheet.small,
        ha="center",
        va="bottom",
    )
    return figure


def _label_end(
    figure: Figure,
    sheet: Sheet,
    row: pd.Series,
    x: float,
    y: float,
    room: float,
    side: int,
    locale: str,
) -> None:
    """Write one end's names and lead."""
    align = "left" if side else "right"
    pair = fit_text(
        f"{row['newer_name']} over {row['older_name']}", sheet.small, room - 0.8 * sheet.text
    )
    add_line(figure, x, y - 0.62 * sheet.small, _lead_text(row, locale), sheet.text, ha=align)
    add_line(figure, x, y + 0.62 * sheet.small, pair, sheet.small, ha=align, color=GREY)
