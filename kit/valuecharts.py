"""Charts of money and of classes: price against performance; one name in two classes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from kit.chartlayout import (
    add_axes,
    add_title,
    axis_label,
    even_ticks,
    line_through,
    set_ticks,
    tick_labels,
    title_height,
)
from kit.charts import draw_marks
from kit.chartstyle import (
    GREY,
    INK,
    PAPER,
    Chart,
    Look,
    Sheet,
    blank_figure,
    drawn_on,
    file_stem,
    looks_of,
)
from kit.charttext import fit_text, name_of, place_labels, text_width
from kit.margincharts import DAGGER, is_waived
from kit.tables import fps_text, money_text, share_text
from kit.value import Standing, Weighing


def draw_value(
    standings: Sequence[Standing],
    weighings: Sequence[Weighing],
    *,
    product: str,
    names: Mapping[str, str],
    locale: str = "en",
) -> Chart:
    """Return the chart of price against suite performance at one kind of price.

    Parameters
    ----------
    standings : sequence of Standing
        Every product at one kind of price.
    weighings : sequence of Weighing
        Of the reviewed product against its rivals, at the same kind of price.
    product : str
        The reviewed product.
    names : mapping of str to str
        Names of products by id.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has a row for each product: `product`, `product_name`, `kind`, `currency`,
        `price`, `price_lowest`, `price_highest`, `suite_fps`, `cost_per_fps`, `frontier`, and for
        each rival `equal_value_price` (of the reviewed product against it) and `cut_needed`.

    Raises
    ------
    ValueError
        If there is no standing, or kinds of price or currencies are mixed.
    """
    kinds = {(s.kind, s.price.currency) for s in standings}
    kinds |= {(w.kind, w.price.currency) for w in weighings}
    if not standings or len(kinds) != 1:
        raise ValueError(f"standings of one kind of price are needed, not of {sorted(kinds)}")
    ((kind, currency),) = kinds
    weighed = {w.rival: w for w in weighings}
    table = pd.DataFrame(
        [
            (
                s.product,
                name_of(names, s.product),
                s.kind,
                s.price.currency,
                s.price.price,
                s.price.lowest,
                s.price.highest,
                s.suite_fps,
                s.cost_per_fps,
                s.frontier,
                weighed[s.product].equal_value_price if s.product in weighed else None,
                weighed[s.product].cut_needed if s.product in weighed else None,
                is_waived(s.marks),
            )
            for s in standings
        ],
        columns=[
            "product",
            "product_name",
            "kind",
            "currency",
            "price",
            "price_lowest",
            "price_highest",
            "suite_fps",
            "cost_per_fps",
            "frontier",
            "equal_value_price",
            "cut_needed",
            "waived",
        ],
    ).astype({"equal_value_price": float, "cut_needed": float})
    caption = _value_caption(table, product, kind, currency, names, locale)
    note = "Level bars: prices seen. Grey steps: the efficient frontier."
    if weighed:
        note += (
            f" Dashed: equal money per frame; where it crosses {name_of(names, product)}'s "
            "level stands the price of equal value."
        )
    if table["waived"].any():
        note += f"{DAGGER} A control was waived."
    looks = looks_of(list(table["product"]), product)
    return Chart(
        name=file_stem("value", kind, product),
        caption=caption,
        note=note,
        alt=_value_alt(table, caption, kind, currency, locale),
        table=table.drop(columns="waived"),
        draw=drawn_on(
            lambda sheet: _paint_value(sheet, table, looks, product, caption, note, locale)
        ),
    )


def _value_caption(
    table: pd.DataFrame,
    product: str,
    kind: str,
    currency: str,
    names: Mapping[str, str],
    locale: str,
) -> str:
    name = name_of(names, product)
    mine = table[table["product"] == product]
    rivals = table[table["equal_value_price"].notna()]
    if mine.empty or rivals.empty:
        on = table[table["frontier"] == "on"]["product_name"]
        return f"On the efficient frontier at {kind} prices: {', '.join(on)}"
    price = money_text(mine["price"].iloc[0], currency, locale=locale).text
    dearer = rivals[rivals["cut_needed"] > 0]
    if dearer.empty:
        return (
            f"At {price} ({kind}) {name} costs no more per frame than any of {len(rivals)} others"
            if len(rivals) > 1
            else f"At {price} ({kind}) {name} costs no more per frame than "
            f"{rivals['product_name'].iloc[0]}"
        )
    least = money_text(dearer["equal_value_price"].min(), currency, locale=locale).text
    if len(rivals) == 1:
        return (
            f"At {price} ({kind}) {name} costs more per frame than "
            f"{rivals['product_name'].iloc[0]}; equal value is at {least}"
        )
    return (
        f"At {price} ({kind}) {name} costs more per frame than {len(dearer)} of "
        f"{len(rivals)} others; it would match them all at {least}"
    )


def _value_alt(table: pd.DataFrame, caption: str, kind: str, currency: str, locale: str) -> str:
    parts = []
    for _, row in table.iterrows():
        money = money_text(row["price"], currency, locale=locale).text
        fps = fps_text(row["suite_fps"], locale=locale).text
        per = money_text(row["cost_per_fps"], currency, decimals=2, locale=locale).text
        part = (
            f"{row['product_name']} {money}, {fps}, {per} per fps, "
            f"{row['frontier'].replace('_', ' ')}"
        )
        if not math.isnan(row["equal_value_price"]):
            equal = money_text(row["equal_value_price"], currency, locale=locale).text
            part += f", equal value at {equal}"
            if row["cut_needed"] > 0:
                part += f" (a cut of {share_text(row['cut_needed'], locale=locale).text})"
        parts.append(part)
    return f"Chart of {kind} price against suite average. {caption}. {'; '.join(parts)}."


def _paint_value(
    sheet: Sheet,
    table: pd.DataFrame,
    looks: Mapping[str, Look],
    product: str,
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw products in the plane of price and performance."""
    height = sheet.height or 460.0
    figure = blank_figure(sheet, height)
    add_title(figure, sheet, caption, note)
    top = title_height(sheet, caption, note) + 0.6 * sheet.text
    left, below = 4.6 * sheet.small, 3.6 * sheet.small
    width, tall = sheet.width - 2 * sheet.side - left, height - top - below
    axes = add_axes(figure, sheet.side + left, top, width, tall)
    prices = [*table["price_lowest"], *table["price_highest"], *table["equal_value_price"].dropna()]
    x_low, x_high = _padded(min(prices), max(prices), 0.06)
    y_low, y_high = _padded(table["suite_fps"].min(), table["suite_fps"].max(), 0.14)
    axes.set_xlim(x_low, x_high)
    axes.set_ylim(y_low, y_high)
    x_ticks, y_ticks = even_ticks(x_low, x_high, at_most=6), even_ticks(y_low, y_high, at_most=6)
    set_ticks(axes, sheet, "x", x_ticks, tick_labels(x_ticks, locale=locale))
    set_ticks(axes, sheet, "y", y_ticks, tick_labels(y_ticks, locale=locale))
    axis_label(
        axes, sheet, f"{table['kind'].iloc[0]} price, {table['currency'].iloc[0]}, less is better"
    )
    axis_label(axes, sheet, "suite average, frames per second, more is better", which="y")
    _draw_frontier(axes, sheet, table, x_high, y_low)
    mine = table[table["product"] == product]
    for _, row in table.iterrows():
        look = looks[row["product"]]
        if not math.isnan(row["equal_value_price"]):
            # Through the origin: along it, price per frame per second stays the same.
            ends = [x_low, x_high]
            axes.plot(
                ends,
                [x / row["cost_per_fps"] for x in ends],
                color=look.colour,
                linewidth=0.9 * sheet.line,
                linestyle=(0, (4, 3)),
                zorder=1.2,
            )
        line_through(
            axes,
            [(row["price_lowest"], row["price_highest"], row["suite_fps"])],
            color=look.colour,
            linewidth=2.2 * sheet.line,
        )
        draw_marks(axes, sheet, [row["price"]], [row["suite_fps"]], look, 1.2)
    if len(mine):
        _draw_equal_value(axes, sheet, table, looks, mine.iloc[0])
    _label_products(axes, sheet, table, (width, tall), mine, locale)
    return figure


def _padded(low: float, high: float, share: float) -> tuple[float, float]:
    spare = share * ((high - low) or high or 1.0)
    return max(0.0, low - spare), high + spare


def _draw_frontier(
    axes: Axes, sheet: Sheet, table: pd.DataFrame, x_high: float, y_low: float
) -> None:
    """Draw the most performance each price buys, as steps."""
    on = table[table["frontier"].isin(["on", "tie"])].sort_values(["price", "suite_fps"])
    if on.empty:
        return
    xs = [on["price"].iloc[0], *on["price"], x_high]
    ys = [y_low, *on["suite_fps"], on["suite_fps"].iloc[-1]]
    axes.step(
        xs,
        ys,
        where="post",
        color="#8c8c8c",
        linewidth=2.6 * sheet.line,
        zorder=1,
        solid_joinstyle="miter",
    )


def _draw_equal_value(
    axes: Axes, sheet: Sheet, table: pd.DataFrame, looks: Mapping[str, Look], mine: pd.Series
) -> None:
    """Mark, on the reviewed product's level, where its price would be of equal value."""
    level = mine["suite_fps"]
    own = looks[mine["product"]]
    equal = table[table["equal_value_price"].notna()]
    for_all = [mine["price"], *equal["equal_value_price"]]
    if len(for_all) > 1 and min(for_all) < mine["price"]:
        axes.annotate(
            "",
            (min(for_all), level),
            (mine["price"], level),
            zorder=1.6,
            arrowprops={
                "arrowstyle": "->",
                "color": own.colour,
                "linewidth": 1.2 * sheet.line,
                "shrinkA": 0,
                "shrinkB": 0,
                "mutation_scale": 1.1 * sheet.text,
                "linestyle": (0, (1.5, 1.5)),
            },
        )
    for _, row in equal.iterrows():
        look = looks[row["product"]]
        axes.plot(
            [row["equal_value_price"]],
            [level],
            marker="|",
            linestyle="none",
            markersize=1.5 * sheet.mark,
            markeredgewidth=1.8 * sheet.line,
            color=look.colour,
            zorder=2.5,
        )


def _label_products(
    axes: Axes,
    sheet: Sheet,
    table: pd.DataFrame,
    room: tuple[float, float],
    mine: pd.DataFrame,
    locale: str,
) -> None:
    """Name each point, with its price per frame beneath, and the lowest price of equal value."""

    def place(price: float, fps: float) -> tuple[float, float]:
        x, y = axes.transAxes.inverted().transform(axes.transData.transform((price, fps)))
        return float(x) * room[0], (1 - float(y)) * room[1]

    points, texts = [], []
    for _, row in table.iterrows():
        name = fit_text(row["product_name"], sheet.small, 0.34 * room[0])
        per = money_text(row["cost_per_fps"], row["currency"], decimals=2, locale=locale).text
        texts.append((name + DAGGER if row["waived"] else name, f"{per} per fps"))
        points.append(place(row["price"], row["suite_fps"]))
    kept = [
        place(row[end], row["suite_fps"])
        for _, row in table.iterrows()
        for end in ("price_lowest", "price_highest")
    ]
    for _, own in mine.iterrows():
        equal = table["equal_value_price"].min()
        if equal < own["price"]:
            text = money_text(equal, own["currency"], locale=locale).text
            texts.append((text, "equal value"))
            points.append(place(equal, own["suite_fps"]))
    boxes = [(max(text_width(t, sheet.small) for t in lines), 2.3 * sheet.small) for lines in texts]
    for (left, top), box, lines in zip(
        place_labels(boxes, [*points, *kept], clear=0.85 * sheet.mark, room=room),
        boxes,
        texts,
        strict=True,
    ):
        # Paper under the words, above the lines and beneath the marks.
        axes.add_patch(
            Rectangle(
                (left / room[0], 1 - (top + box[1]) / room[1]),
                box[0] / room[0],
                box[1] / room[1],
                transform=axes.transAxes,
                facecolor=PAPER,
                edgecolor="none",
                zorder=1.8,
            )
        )
        for i, (text, colour) in enumerate(zip(lines, (INK, GREY), strict=True)):
            y = top + (i + 0.85) * 1.12 * sheet.small
            axes.text(
                left / room[0],
                1 - y / room[1],
                text,
                fontsize=sheet.small,
                color=colour,
                transform=axes.transAxes,
                zorder=4,
            )
