"""Charts of money and of classes: price against performance; one name in two classes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from kit.charts.layout import (
    add_axes,
    add_title,
    axis_label,
    draw_marks,
    even_ticks,
    line_through,
    set_ticks,
    tick_labels,
    title_height,
)
from kit.charts.margins import DAGGER, is_waived
from kit.charts.style import (
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
from kit.charts.text import fit_text, name_of, place_labels, plain_name, text_width
from kit.rounding import fps_text, money_text, share_text
from kit.value.weigh import Standing, Weighing

_RAY = 1.2  # how high lines of equal money lie


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
    table = pd.DataFrame([_row(s, weighed.get(s.product), names) for s in standings])
    table = table.astype({"equal_value_price": float, "cut_needed": float})
    words = plain_name(_price_words(kind, standings))
    caption = _value_caption(table, product, words, currency, names, locale)
    note = "Level bars: prices seen. Grey steps: the efficient frontier"
    note += " of its class." if (table["frontier"] == "other_class").any() else "."
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
        alt=_value_alt(table, caption, words, currency, locale),
        table=table.drop(columns="waived"),
        draw=drawn_on(
            lambda sheet: _paint_value(sheet, table, looks, product, words, caption, note, locale)
        ),
    )


def _row(of: Standing, weighing: Weighing | None, names: Mapping[str, str]) -> dict[str, object]:
    return {
        "product": of.product,
        "product_name": name_of(names, of.product),
        "kind": of.kind,
        "currency": of.price.currency,
        "price": of.price.price,
        "price_lowest": of.price.lowest,
        "price_highest": of.price.highest,
        "suite_fps": of.suite_fps,
        "cost_per_fps": of.cost_per_fps,
        "frontier": of.frontier,
        "equal_value_price": weighing.equal_value_price if weighing else None,
        "cut_needed": weighing.cut_needed if weighing else None,
        "waived": is_waived(of.marks),
    }


def _peers(table: pd.DataFrame) -> pd.DataFrame:
    """Return the weighed products of the reviewed one's class of machine; all, if none is."""
    weighed = table[table["equal_value_price"].notna()]
    peers = weighed[weighed["frontier"] != "other_class"]
    return weighed if peers.empty else peers


def _price_words(kind: str, standings: Sequence[Standing]) -> str:
    """Return what a kind of price is called: a scenario's name stands among the marks."""
    scenarios = [m for s in standings for m in s.marks if m.startswith("scenario: ")]
    return f"price, {scenarios[0]}" if scenarios else f"{kind} price"


def _value_caption(
    table: pd.DataFrame,
    product: str,
    words: str,
    currency: str,
    names: Mapping[str, str],
    locale: str,
) -> str:
    name = name_of(names, product)
    mine = table[table["product"] == product]
    rivals = _peers(table)
    if mine.empty or rivals.empty:
        on = table[table["frontier"] == "on"]["product_name"]
        return f"On the efficient frontier ({words}): {', '.join(on)}"
    price = money_text(mine["price"].iloc[0], currency, locale=locale).text
    dearer = rivals[rivals["cut_needed"] > 0]
    one = len(rivals) == 1
    others = f"{len(rivals)} others"
    if table["equal_value_price"].count() > len(rivals):
        others += " of its class"
    if dearer.empty:
        than = rivals["product_name"].iloc[0] if one else f"any of {others}"
        return f"At {price} ({words}) {name} costs no more per frame than {than}"
    than = rivals["product_name"].iloc[0] if one else f"{len(dearer)} of {others}"
    least = money_text(dearer["equal_value_price"].min(), currency, locale=locale).text
    match = "equal value is" if one else "it would match them all"
    return f"At {price} ({words}) {name} costs more per frame than {than}; {match} at {least}"


def _value_alt(table: pd.DataFrame, caption: str, words: str, currency: str, locale: str) -> str:
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
    return f"Chart of {words} against suite average. {caption}. {'; '.join(parts)}."


def _paint_value(
    sheet: Sheet,
    table: pd.DataFrame,
    looks: Mapping[str, Look],
    product: str,
    words: str,
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
    axis_label(axes, sheet, f"{words}, {table['currency'].iloc[0]}, less is better")
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
                zorder=_RAY,
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
    """Draw the efficient frontier as steps from each of its products to the next."""
    on = table[table["frontier"].isin(["on", "tie"])].sort_values(["price", "suite_fps"])
    if on.empty:
        return
    axes.step(
        [on["price"].iloc[0], *on["price"], x_high],
        [y_low, *on["suite_fps"], on["suite_fps"].iloc[-1]],
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
    for_all = [mine["price"], *_peers(table)["equal_value_price"]]
    if min(for_all) < mine["price"]:
        axes.plot(
            [mine["price"], min(for_all)],
            [level, level],
            color=own.colour,
            linewidth=1.4 * sheet.line,
            linestyle=(0, (1.5, 1.5)),
            zorder=1.6,
        )
        draw_marks(axes, sheet, [min(for_all)], [level], Look(own.colour, "<", True, "-"), 0.8)
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


def _points_along_lines(axes: Axes, step: float) -> list[tuple[float, float]]:
    """Return points along the lines that labels leave bare, in pixels from the top left corner."""
    corner = axes.bbox
    points: list[tuple[float, float]] = []
    for line in axes.lines:
        if line.get_zorder() < 0.9 or line.get_zorder() == _RAY:  # the grid, equal money
            continue
        path = axes.transData.transform(line.get_path().vertices)
        for (x0, y0), (x1, y1) in pairwise(path):
            if not math.isfinite(x0 + y0 + x1 + y1):
                continue
            count = 1 + int(math.hypot(x1 - x0, y1 - y0) / step)
            points += [
                (
                    float(x0 + (x1 - x0) * i / count - corner.x0),
                    float(corner.y1 - y0 - (y1 - y0) * i / count),
                )
                for i in range(count + 1)
            ]
    return points


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
    kept += [
        place(price, own["suite_fps"])
        for _, own in mine.iterrows()
        for price in table["equal_value_price"].dropna()
    ]
    for _, own in mine.iterrows():
        equal = _peers(table)["equal_value_price"].min()
        if equal < own["price"]:
            text = money_text(equal, own["currency"], locale=locale).text
            texts.append((text, "equal value"))
            points.append(place(equal, own["suite_fps"]))
    boxes = [(max(text_width(t, sheet.small) for t in lines), 2.3 * sheet.small) for lines in texts]
    for (left, top), box, lines in zip(
        place_labels(
            boxes,
            [*points, *kept],
            clear=0.85 * sheet.mark,
            room=room,
            lines=_points_along_lines(axes, 0.5 * sheet.mark),
        ),
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
