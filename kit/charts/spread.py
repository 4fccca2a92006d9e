"""The chart of how far runs of one product in one title lie apart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.figure import Figure

from kit.charts.layout import (
    axis_label,
    draw_marks,
    label_line,
    log_limits,
    ratio_labels,
    ratio_ticks,
    row_axes,
    rule_rows,
    set_ticks,
)
from kit.charts.style import GREY, Chart, Look, Sheet, drawn_on, file_stem, looks_of
from kit.charts.text import name_of
from kit.charts.titles import METRIC_WORDS, lay_out_lines, one_kind, sub_rows
from kit.margins.cells import Cell
from kit.rounding import ratio_text


def draw_spread(
    cells: Sequence[Cell], *, product: str, names: Mapping[str, str], locale: str = "en"
) -> Chart:
    """Return the chart of how far runs of one product in one title lie apart.

    Parameters
    ----------
    cells : sequence of Cell
        One metric; each used run is a dot beside its cell's own mean.
    product : str
        The reviewed product.
    names : mapping of str to str
        Names of products and titles by id.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has a row for each run: `title`, `title_name`, `product`, `product_name`, `run`,
        `unit`, `value`, `cell_mean` (geometric), `ratio` (value over cell mean).

    Raises
    ------
    ValueError
        If no cell has two runs, or cells differ in metric.
    """
    first = one_kind(cells, units=False)
    rows = [
        (
            c.title,
            name_of(names, c.title),
            c.product,
            name_of(names, c.product),
            run,
            c.unit,
            value,
            c.value,
            value / c.value,
        )
        for c in cells
        if len(c.values) > 1
        for run, value in zip(c.runs, c.values, strict=True)
    ]
    if not rows:
        raise ValueError("no cell has two runs: there is no spread to draw")
    table = pd.DataFrame(
        rows,
        columns=[
            "title",
            "title_name",
            "product",
            "product_name",
            "run",
            "unit",
            "value",
            "cell_mean",
            "ratio",
        ],
    )
    far = table.loc[[table["ratio"].map(lambda r: abs(math.log(r))).argmax()]].iloc[0]
    word = METRIC_WORDS.get(first.metric, first.metric)
    caption = (
        f"The run furthest from the mean of its own product and title is at "
        f"{ratio_text(far['ratio'], locale=locale).text}: {far['product_name']} in "
        f"{far['title_name']} ({word})"
    )
    note = f"Each dot is one used run's {word}, beside the mean of the runs of its row."
    spans = table.groupby(["title", "product"], sort=False)["ratio"].agg(["min", "max"])
    wanted = [(t, p) for t, p in spans.index if p == product]
    alt = (
        f"Dot chart of {len(table)} runs, a row a title, percent from each mean. {caption}. "
        f"{name_of(names, product)}: "
        + "; ".join(
            f"{name_of(names, t)} {ratio_text(spans.loc[(t, p), 'min'], locale=locale).text} to "
            f"{ratio_text(spans.loc[(t, p), 'max'], locale=locale).text}"
            for t, p in wanted
        )
        + "."
    )
    looks = looks_of(list(table["product"]), product)
    return Chart(
        name=file_stem("spread", first.metric, product),
        caption=caption,
        note=note,
        alt=alt,
        table=table,
        draw=drawn_on(
            lambda sheet: _paint_spread(sheet, table, looks, word, caption, note, locale)
        ),
    )


def _paint_spread(
    sheet: Sheet,
    table: pd.DataFrame,
    looks: Mapping[str, Look],
    word: str,
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw every run beside its cell's mean."""
    products = list(dict.fromkeys(table["product"]))
    names = dict(zip(table["product"], table["product_name"], strict=True))
    figure, panels, titles, left, extra = lay_out_lines(sheet, table, products, caption, note)
    low, high = log_limits([*table["ratio"], 1.0], [])
    ticks = ratio_ticks(low, high, at_most=7 if len(panels) == 1 else 5)
    groups = dict(list(table.groupby(["title", "product"], sort=False)["ratio"]))
    for panel in panels:
        axes = row_axes(figure, panel, left, sheet.text)
        axes.set_xscale("log")
        axes.set_xlim(low, high)
        set_ticks(axes, sheet, "x", ticks, ratio_labels(ticks, locale=locale))
        axes.axvline(1.0, color=GREY, linewidth=sheet.line, zorder=0.8)
        rule_rows(axes, sheet, panel)
        axis_label(axes, sheet, f"{word} of a run against its mean; nearer is steadier")
        for i, product in enumerate(products):
            points = []
            for row in panel.rows:
                y = sub_rows(panel, row, len(products), extra)[i]
                ratios = groups.get((titles[row], product), ())
                points += [(ratio, y) for ratio in ratios]
                if row == panel.rows.start and len(ratios):
                    label_line(axes, sheet, names[product], y, min(ratios), max(ratios))
            draw_marks(
                axes, sheet, [x for x, _ in points], [y for _, y in points], looks[product], 0.7
            )
    return figure
