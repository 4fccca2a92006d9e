"""Charts of what was measured, a row a title: averages with their lows, and spread of runs.

Charts compute nothing: they show results exactly as the tables have them. Margins are drawn in
`margincharts`, prices in `valuecharts`, single runs in `runcharts`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from kit.charts.layout import (
    Panel,
    add_title,
    axis_label,
    draw_marks,
    even_ticks,
    label_column,
    label_line,
    label_rows,
    line_through,
    row_axes,
    rule_rows,
    set_ticks,
    stack_rows,
    tick_labels,
    title_height,
)
from kit.charts.style import (
    Chart,
    Look,
    Sheet,
    blank_figure,
    drawn_on,
    file_stem,
    looks_of,
)
from kit.charts.text import name_of, text_width
from kit.margins.cells import Cell
from kit.margins.suites import SuiteMargin
from kit.rounding import NBSP, fps_text, share_text
from kit.settings.metric import METRICS

METRIC_WORDS = {name: m.label.replace(" %", f"{NBSP}%") for name, m in METRICS.items()}
UNIT_WORDS = {"fps": "frames per second", "s": "seconds", "h": "hours", "W": "watts"}


def quantity_words(cell: Cell) -> str:
    """Return what an axis shows: unit and direction."""
    better = "less" if cell.less_is_better else "more"
    return f"{UNIT_WORDS.get(cell.unit, cell.unit)}, {better} is better"


def draw_titles(
    averages: Sequence[Cell],
    lows: Sequence[Cell] = (),
    *,
    product: str,
    names: Mapping[str, str],
    suites: Sequence[SuiteMargin] = (),
    locale: str = "en",
) -> Chart:
    """Return the chart of every product's average in every title, each joined to its low.

    Parameters
    ----------
    averages : sequence of Cell
        One metric in one unit. Titles and products stand in the order they first come in.
    lows : sequence of Cell
        The low each average is joined to by a hairline; products without one have none.
    product : str
        The reviewed product, whose marks are filled.
    names : mapping of str to str
        Names of products and titles by id.
    suites : sequence of SuiteMargin
        Of the reviewed product; their counts state the result.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has a row for each product in each title: `title`, `title_name`, `product`,
        `product_name`, `unit`, `average`, `interval_low`, `interval_high`, `low` (missing where
        nothing was measured).

    Raises
    ------
    ValueError
        If there are no cells, or they differ in metric, unit or direction.
    """
    first = one_kind(averages)
    if lows:
        one_kind(lows)
    low_of = {(c.title, c.product): c for c in lows}
    cell_of = {(c.title, c.product): c for c in averages}
    titles = list(dict.fromkeys(c.title for c in averages))
    products = list(dict.fromkeys(c.product for c in averages))
    products.sort(key=lambda each: each != product)  # the reviewed one first, the others as given
    rows = []
    for title in titles:
        for each in products:
            cell, low = cell_of.get((title, each)), low_of.get((title, each))
            rows.append(
                (
                    title,
                    name_of(names, title),
                    each,
                    name_of(names, each),
                    first.unit,
                    *((cell.value, cell.low, cell.high) if cell else (None,) * 3),
                    low.value if low else None,
                )
            )
    table = pd.DataFrame(
        rows,
        columns=[
            "title",
            "title_name",
            "product",
            "product_name",
            "unit",
            "average",
            "interval_low",
            "interval_high",
            "low",
        ],
    )
    for column in ("average", "interval_low", "interval_high", "low"):
        table[column] = table[column].astype(float)
    low_word = METRIC_WORDS.get(lows[0].metric, "low") if lows else ""
    quantity = quantity_words(first)
    looks = looks_of(products, product)
    word = METRIC_WORDS.get(first.metric, first.metric)
    note = _titles_note(table, word, low_word, first.confidence, locale)
    caption = _titles_caption(table, product, suites, names, word, locale)
    return Chart(
        name=file_stem("titles", first.metric, product),
        caption=caption,
        note=note,
        alt=_titles_alt(table, product, quantity, low_word, caption, locale),
        table=table,
        draw=drawn_on(
            lambda sheet: _paint_titles(
                sheet, table, looks, f"{word}, {quantity}", caption, note, locale
            )
        ),
    )


def one_kind(cells: Sequence[Cell], *, units: bool = True) -> Cell:
    """Return the first cell; ValueError unless all are of one metric (and unit and direction)."""
    if not cells:
        raise ValueError("no cells to draw")
    kinds = {(c.metric, c.unit, c.less_is_better) if units else (c.metric,) for c in cells}
    if len(kinds) > 1:
        raise ValueError(f"cells of more than one kind on one axis: {sorted(map(str, kinds))}")
    return cells[0]


def _titles_caption(
    table: pd.DataFrame,
    product: str,
    suites: Sequence[SuiteMargin],
    names: Mapping[str, str],
    word: str,
    locale: str,
) -> str:
    """Return the counts of the suites in words, or else the range of the averages."""
    mine = table[(table["product"] == product) & table["average"].notna()]
    name = name_of(names, product)
    if len(suites) == 1:
        return f"{name} is {outcome_counts(suites[0], name_of(names, suites[0].baseline))}"
    if suites:
        parts = [
            f"{name_of(names, s.baseline)} in {s.counts.get('ahead', 0)} of {len(s.titles)}"
            for s in suites[:3]
        ]
        return f"{name} is ahead of {', of '.join(parts)} titles"
    if mine.empty:
        return f"{name} has no result in these titles"
    least, most = _least_and_most(mine)
    if least["title"] == most["title"]:
        return f"{name}: {word} of {_figure(least, locale)} in {least['title_name']}"
    return (
        f"{name}: {word} from {_figure(least, locale)} in {least['title_name']} to "
        f"{_figure(most, locale)} in {most['title_name']}"
    )


def _least_and_most(rows: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    return rows.nsmallest(1, "average").iloc[0], rows.nlargest(1, "average").iloc[0]


def outcome_counts(suite: SuiteMargin, baseline: str) -> str:
    """Return a suite's outcomes in words: ahead of B in 7 of 12 titles, level in 3."""
    of, parts = {"ahead": "of ", "level": "with ", "behind": "", "unresolved": "from "}, []
    for outcome in ("ahead", "behind", "level", "unresolved"):
        count = suite.counts.get(outcome, 0)
        word = "not told apart" if outcome == "unresolved" else outcome
        if count and len(suite.titles) == 1:
            parts.append(f"{word} {of[outcome]}{baseline} in the one title")
        elif count and not parts:
            parts.append(f"{word} {of[outcome]}{baseline} in {count} of {len(suite.titles)} titles")
        elif count:
            parts.append(f"{word} in {count}")
    return ", ".join(parts)


def _figure(row: pd.Series, locale: str) -> str:
    low, high = (None if math.isnan(row[c]) else row[c] for c in ("interval_low", "interval_high"))
    return fps_text(row["average"], low, high, unit=row["unit"], locale=locale).text


def _titles_note(
    table: pd.DataFrame, word: str, low_word: str, confidence: float, locale: str
) -> str:
    percent = share_text(confidence, locale=locale).text.replace(".0", "").replace(",0", "")
    note = f"Marks: {word} with its {percent} interval"
    note += (
        f"; a thin line leads to the {low_word}, and a shorter one is a steadier run."
        if low_word
        else "."
    )
    missing = table[table["average"].isna()]
    if len(missing):
        said = [
            f"{rows['product_name'].iloc[0]} in "
            + (rows["title_name"].iloc[0] if len(rows) == 1 else f"{len(rows)} titles")
            for _, rows in missing.groupby("product", sort=False)
        ]
        note += f" No result: {', '.join(said)}."
    return note


def _titles_alt(
    table: pd.DataFrame, product: str, quantity: str, low_word: str, caption: str, locale: str
) -> str:
    """Return every figure of the reviewed product, and the range of each other one."""
    sentences = [f"Dot chart from zero, a row a title, {quantity}. {caption}."]
    for each, rows in table[table["average"].notna()].groupby("product", sort=False):
        name = rows["product_name"].iloc[0]
        if each == product:
            parts = [
                f"{r['title_name']} {_figure(r, locale)}"
                + (
                    ""
                    if math.isnan(r["low"])
                    else f" ({low_word} {fps_text(r['low'], unit='', locale=locale).text.strip()})"
                )
                for _, r in rows.iterrows()
            ]
            sentences.append(f"{name}: {'; '.join(parts)}.")
        else:
            least, most = _least_and_most(rows)
            sentences.append(
                f"{name}: {_figure(least, locale)} ({least['title_name']}) to "
                f"{_figure(most, locale)} ({most['title_name']})."
            )
    return " ".join(sentences)


def sub_rows(panel: Panel, row: int, count: int, extra: float) -> list[float]:
    """Return the heights of a row's lines, one a product, from the panel's top."""
    at = row - panel.rows.start
    spare = 0.25 * (panel.heights[at] - (extra if at == 0 else 0))
    step = (panel.heights[at] - spare) / count
    return [panel.tops[at] + spare / 2 + step * (i + 0.5) for i in range(count)]


def lay_out_lines(
    sheet: Sheet, table: pd.DataFrame, products: list[str], caption: str, note: str
) -> tuple[Figure, list[Panel], list[str], float, float]:
    """Lay out rows of a line a product; the first row of a column is open for labels."""
    titles = list(dict.fromkeys(table["title"]))
    labels = list(dict.fromkeys(zip(table["title"], table["title_name"], strict=True)))
    count = len(products)
    top = title_height(sheet, caption, note) + 0.4 * sheet.text
    natural = max(count * sheet.mark * 1.05 + 0.7 * sheet.text, 1.7 * sheet.text)
    extra = max(0.0, count * 1.25 * sheet.small - count * sheet.mark * 0.9)
    panels, height = stack_rows(
        sheet,
        top=top,
        below=3.6 * sheet.small,
        count=len(titles),
        natural=natural,
        least=max(1.45 * sheet.text, count * sheet.mark * 0.72),
        first_extra=extra,
    )
    figure = blank_figure(sheet, height)
    add_title(figure, sheet, caption, note)
    width = label_column(sheet, [name for _, name in labels], panels[0].width)
    for panel in panels:
        label_rows(figure, sheet, panel, [name for _, name in labels], width=width)
    return figure, panels, titles, width, extra


def _paint_titles(
    sheet: Sheet,
    table: pd.DataFrame,
    looks: Mapping[str, Look],
    quantity: str,
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw the averages of every product, in lines within the titles' rows."""
    products = list(dict.fromkeys(table["product"]))
    names = dict(zip(table["product"], table["product_name"], strict=True))
    figure, panels, titles, left, extra = lay_out_lines(sheet, table, products, caption, note)
    most = max(table[["average", "interval_high"]].max())
    cells = {(row["title"], row["product"]): row for row in table.to_dict("records")}
    ends = [
        (max(known), names[product])
        for panel in panels
        for product in products
        if (known := _known_ends(cells[titles[panel.rows.start], product]))
    ]
    end = max(
        1.06 * most,
        min(_end_for_labels(sheet, ends, panels[0].width - left - sheet.text), 1.35 * most),
    )
    ticks = even_ticks(0, max(end / 1.02, most), at_most=7 if len(panels) == 1 else 5)
    for panel in panels:
        axes = row_axes(figure, panel, left, sheet.text)
        axes.set_xlim(0, end)
        set_ticks(axes, sheet, "x", ticks, tick_labels(ticks, locale=locale))
        rule_rows(axes, sheet, panel)
        axis_label(axes, sheet, quantity)
        lines = {row: sub_rows(panel, row, len(products), extra) for row in panel.rows}
        for i, product in enumerate(products):
            look = looks[product]
            data = [(lines[row][i], cells[titles[row], product]) for row in panel.rows]
            thick = 1.6 if look.filled else 1.0
            line_through(
                axes,
                [(r["low"], r["average"], y) for y, r in data],
                color=look.colour,
                linewidth=sheet.line * 0.9 * thick,
            )
            line_through(
                axes,
                [(r["interval_low"], r["interval_high"], y) for y, r in data],
                color=look.colour,
                linewidth=sheet.line * 2.6,
            )
            draw_marks(
                axes,
                sheet,
                [r["low"] for _, r in data],
                [y for y, _ in data],
                Look(look.colour, "|", True, "-"),
                0.75,
            )
            draw_marks(
                axes, sheet, [r["average"] for _, r in data], [y for y, _ in data], look, 0.85
            )
            y, first = data[0]
            known = _known_ends(first) or [0.0]
            label_line(axes, sheet, names[product], y, min(known), max(known))
    return figure


def _known_ends(cell: Mapping[Any, Any]) -> list[float]:
    ends = [cell[c] for c in ("low", "average", "interval_low", "interval_high")]
    return [end for end in ends if not math.isnan(end)]


def _end_for_labels(sheet: Sheet, ends: list[tuple[float, str]], width: float) -> float:
    """Return where axes `width` wide, from zero, must end for names to fit right of their lines."""
    gap = 0.9 * sheet.mark + 2.0
    return max(
        (x * width / max(width - text_width(name, sheet.small) - gap, 1.0) for x, name in ends),
        default=0.0,
    )
