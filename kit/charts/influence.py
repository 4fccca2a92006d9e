"""The chart of a suite margin with each of its titles left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.figure import Figure

from kit.charts.layout import draw_marks, line_through, rule_rows
from kit.charts.margins import RatioRows, ratio_panels
from kit.charts.style import BAND, Chart, Sheet, drawn_on, file_stem, looks_of
from kit.charts.text import name_of
from kit.charts.titles import METRIC_WORDS
from kit.margins.suites import SuiteMargin
from kit.rounding import ratio_text


def draw_influence(suite: SuiteMargin, *, names: Mapping[str, str], locale: str = "en") -> Chart:
    """Return the chart of a suite margin with each of its titles left out.

    Parameters
    ----------
    suite : SuiteMargin
        Of two titles or more.
    names : mapping of str to str
        Names of products and titles by id.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has a row for each title, from the largest ratio to the smallest: `title`,
        `title_name`, `ratio_without`, `ratio` (of the full suite).

    Raises
    ------
    ValueError
        If the suite has no influence to show: fewer than two titles.
    """
    if len(suite.influence) < 2:
        raise ValueError("influence needs a suite of two titles or more")
    ordered = sorted(suite.influence.items(), key=lambda item: (-item[1], item[0]))
    table = pd.DataFrame(
        [(t, name_of(names, t), ratio, suite.ratio) for t, ratio in ordered],
        columns=["title", "title_name", "ratio_without", "ratio"],
    )
    pair = (name_of(names, suite.product), name_of(names, suite.baseline))
    word = METRIC_WORDS.get(suite.metric, suite.metric)
    texts = [ratio_text(r, suite.low, suite.high, locale=locale).text for _, r in ordered]
    full = ratio_text(suite.ratio, suite.low, suite.high, locale=locale).text
    caption = (
        f"With one title left out, {pair[0]}'s {full} over {pair[1]} becomes {texts[-1]} (without "
        f"{table['title_name'].iloc[-1]}) to {texts[0]} (without {table['title_name'].iloc[0]})"
    )
    note = "Upright line: the suite margin of all titles"
    note += ", with its interval shaded." if suite.low is not None else "."
    alt = (
        f"Dot chart of the suite margin ({word}) with each title left out. {caption}. "
        + "; ".join(f"without {n} {t}" for n, t in zip(table["title_name"], texts, strict=True))
        + "."
    )
    return Chart(
        name=file_stem(
            "influence",
            suite.metric,
            f"{suite.product}-over-{suite.baseline}",
            *([suite.suite] if suite.suite != "all" else ()),
        ),
        caption=caption,
        note=note,
        alt=alt,
        table=table,
        draw=drawn_on(
            lambda sheet: _paint_influence(
                sheet, table, texts, suite, pair, word, caption, note, locale
            )
        ),
    )


def _paint_influence(
    sheet: Sheet,
    table: pd.DataFrame,
    texts: Sequence[str],
    suite: SuiteMargin,
    pair: tuple[str, str],
    word: str,
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw, for each title, a line from the full margin to the margin without it."""
    ends = [e for e in (suite.low, suite.high) if e is not None]
    rows = RatioRows(
        labels=list(table["title_name"]),
        texts=texts,
        words=(),
        points=[*table["ratio_without"], suite.ratio],
        ends=ends,
        below=f"suite margin of {pair[0]} over {pair[1]} without this title ({word})",
        below_short=f"suite margin without this title ({word})",
        above="",
    )
    figure, panels = ratio_panels(sheet, rows, caption, note, locale)
    look = looks_of([suite.product], suite.product)[suite.product]
    for panel, axes in panels:
        if suite.low is not None and suite.high is not None:
            axes.axvspan(suite.low, suite.high, color=BAND, linewidth=0, zorder=0.2)
        axes.axvline(suite.ratio, color=look.colour, linewidth=1.6 * sheet.line, zorder=1)
        rule_rows(axes, sheet, panel)
        shown = [(table["ratio_without"].iloc[row], panel.middle(row)) for row in panel.rows]
        line_through(
            axes, [(suite.ratio, x, y) for x, y in shown], color=look.colour, linewidth=sheet.line
        )
        draw_marks(axes, sheet, [x for x, _ in shown], [y for _, y in shown], look, 0.95)
    return figure
