"""The chart of money: price against performance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from kit.charts.identity import Identity, Look, plain_name
from kit.charts.rows import mark_waived
from kit.charts.style import (
    GREY,
    INK,
    PAPER,
    STEPS,
    Chart,
    ChartWords,
    Sheet,
    fit_text,
    place_labels,
    text_width,
)
from kit.claims.claim import Claim, ClaimBook

if TYPE_CHECKING:
    from kit.charts.layout import Drawing, Plot

_RAY = 1.2  # how high lines of equal money lie


@dataclass(frozen=True, slots=True)
class _ValuePoint:
    """One product in the plane of price and performance."""

    product: str
    name: str
    look: Look
    price: Claim
    fps: Claim
    cost: Claim  # per frame per second
    frontier: Claim  # its place on the efficient frontier, in words
    equal: Claim | None = None  # price of the reviewed product at which it is worth as much
    cut: Claim | None = None

    @property
    def place(self) -> str:
        """Its place on the efficient frontier, in one word."""
        return self.frontier.outcome

    @property
    def at(self) -> tuple[float, float]:
        """Where it stands: price, frames per second."""
        return self.price.figure, self.fps.figure

    @property
    def span(self) -> tuple[float, float]:
        """The lowest and highest price seen; the price itself where it is the only one."""
        low, high = self.price.low, self.price.high
        return (self.price.figure,) * 2 if low is None or high is None else (low, high)


@dataclass(frozen=True, slots=True)
class _ValuePlan:
    """Every product at one kind of price, and the reviewed one among them."""

    points: tuple[_ValuePoint, ...]
    own: _ValuePoint | None
    dagger: str = ""  # beside what a control was waived for

    @property
    def weighed(self) -> list[_ValuePoint]:
        """Products that have a price of equal value."""
        return [point for point in self.points if point.equal]

    @property
    def peers(self) -> list[_ValuePoint]:
        """Those of the reviewed product's class of machine; all, if none is."""
        peers = [point for point in self.weighed if point.place != "other_class"]
        return peers or self.weighed

    @property
    def stated(self) -> Claim | None:
        """The price of equal value with the first of its peers, which the summary states too."""
        return next((point.equal for point in self.peers if point.equal), None)


def value_chart(book: ClaimBook, kind: str) -> Chart:
    """Return the chart of price against suite performance at one kind of price.

    Raises
    ------
    ValueError
        If nothing stands at this kind of price, or in more than one currency.
    """

    def by(what: str, field: str = "product") -> dict[str, Claim]:
        return {getattr(claim, field): claim for claim in book.of_kind(what, group=kind)}

    prices, fps, costs, places = (
        by(what) for what in ("price", "suite_fps", "cost_per_fps", "frontier")
    )
    equals, cuts = by("equal_value_price", "baseline"), by("cut_needed", "baseline")
    points = [
        _ValuePoint(
            product,
            Identity(book).product(product),
            look,
            prices[product],
            fps[product],
            costs[product],
            places[product],
            equals.get(product),
            cuts.get(product),
        )
        for product, look in Identity(book).looks().items()
        if product in fps
    ]
    currencies = {point.price.unit for point in points}
    if len(currencies) != 1:
        raise ValueError(f"prices of one currency are needed at {kind!r}, not {sorted(currencies)}")
    own = next((point for point in points if point.product == book.product), None)
    dagger, waived = mark_waived([point.cost for point in points])
    plan = _ValuePlan(tuple(points), own, dagger)
    scenarios = [m for p in points for m in p.price.marks if m.startswith("scenario: ")]
    words = plain_name(f"price, {scenarios[0]}" if scenarios else f"{kind} price")
    caption = _value_caption(plan, Identity(book).product(book.product), words)
    note = "Level bars: prices seen. Grey steps: the efficient frontier"
    note += " of its class." if any(p.place == "other_class" for p in points) else "."
    if plan.weighed:
        note += (
            " Dashed: equal money per frame; where it crosses "
            f"{Identity(book).product(book.product)}'s level stands the price of equal value."
        )
    note += waived
    said = "; ".join(_point_words(point) for point in points)
    return Chart(
        ChartWords(
            ("value", kind, book.product),
            caption,
            note,
            f"Chart of {words} against suite average. {caption}. {said}.",
            below=f"{words}, {next(iter(currencies))}, less is better",
            locale=book.locale,
        ),
        plan,
        _paint_value,
        tuple(
            claim
            for p in points
            for claim in (p.price, p.fps, p.cost, p.frontier, p.equal, p.cut)
            if claim
        ),
    )


def _value_caption(plan: _ValuePlan, name: str, words: str) -> str:
    """Return the result of a value chart: what the product costs per frame beside its peers.

    Parameters
    ----------
    plan : _ValuePlan
    name : str
        Of the reviewed product.
    words : str
        For the kind of price.
    """
    peers, stated = plan.peers, plan.stated
    if plan.own is None or stated is None:
        on = [point.name for point in plan.points if point.place == "on"]
        return f"On the efficient frontier ({words}): {', '.join(on)}"
    at = f"At {plan.own.price.text} ({words}) {name} costs"
    dearer = [point for point in peers if point.cut and point.cut.figure > 0]
    others = f"{len(peers)} others" + (" of its class" if len(plan.weighed) > len(peers) else "")
    only = peers[0].name if len(peers) == 1 else ""
    more, than = "more", only or f"{len(dearer)} of {others}"
    if not dearer:
        more, than = "no more", only or f"any of {others}"
    match = "equal value is" if only else f"of equal value with {peers[0].name}"
    return f"{at} {more} per frame than {than}; {match} at {stated.text}"


def _point_words(point: _ValuePoint) -> str:
    """Return one product in the words of the text alternative, in its claims' own texts."""
    said = f"{point.name} {point.price.text}, {point.fps.text}, {point.cost.text} per fps, "
    said += point.frontier.text
    if point.equal:
        said += f", equal value at {point.equal.text}"
    if point.cut and point.cut.figure > 0:
        said += f" (a cut of {point.cut.text})"
    return said


def _paint_value(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw products in the plane of price and performance.

    Both axes are linear, so that equal money per frame is a straight line through the origin, which
    need not be shown.
    """
    from kit.charts.layout import Drawing

    plan: _ValuePlan = chart.plan
    height = sheet.height or 460.0
    figure = Drawing(sheet, height, chart)
    top = chart.head_height(sheet) + 0.6 * sheet.text
    left, below = 4.6 * sheet.small, 3.6 * sheet.small
    room = sheet.width - 2 * sheet.side - left, height - top - below
    axes = figure.put_axes(sheet.side + left, top, *room)
    prices = [end for point in plan.points for end in point.span]
    prices += [point.equal.figure for point in plan.points if point.equal]
    rates = [point.fps.figure for point in plan.points]
    axes.set_xlim(*_padded(prices, 0.06))
    axes.set_ylim(*_padded(rates, 0.14))
    axes.put_even_ticks("x", at_most=6)
    axes.put_even_ticks("y", at_most=6)
    axes.name_axis(chart.words.below)
    axes.name_axis("suite average, frames per second, more is better", which="y")
    _draw_frontier(axes, sheet, plan)
    for point in plan.points:
        if point.equal:
            # Through the origin: along it, price per frame per second stays the same.
            ends = axes.get_xlim()
            axes.plot(
                ends,
                [end / point.cost.figure for end in ends],
                color=point.look.colour,
                linewidth=0.9 * sheet.line,
                linestyle=(0, (4, 3)),
                zorder=_RAY,
            )
        span = [(*point.span, point.fps.figure)]
        axes.put_level_lines(span, color=point.look.colour, linewidth=2.2 * sheet.line)
        axes.put_marks([point.price.figure], [point.fps.figure], point.look, 1.2)
    if plan.own:
        _draw_equal_value(axes, sheet, plan, plan.own)
    _label_points(axes, sheet, plan, room)
    return figure


def _padded(values: Sequence[float], share: float) -> tuple[float, float]:
    """Return the ends of an axis: the values', with a share of their span, never below zero."""
    low, high = min(values), max(values)
    spare = share * ((high - low) or high or 1.0)
    return max(0.0, low - spare), high + spare


def _draw_frontier(axes: Plot, sheet: Sheet, plan: _ValuePlan) -> None:
    """Draw the efficient frontier as steps from each of its products to the next.

    A buyer between two prices gets the cheaper product's performance, hence steps and no slope.
    """
    on = sorted(point.at for point in plan.points if point.place in {"on", "tie"})
    if not on:
        return
    axes.step(
        [on[0][0], *(price for price, _ in on), axes.get_xlim()[1]],
        [axes.get_ylim()[0], *(rate for _, rate in on), on[-1][1]],
        where="post",
        color=STEPS,
        linewidth=2.6 * sheet.line,
        zorder=1,
        solid_joinstyle="miter",
    )


def _draw_equal_value(axes: Plot, sheet: Sheet, plan: _ValuePlan, own: _ValuePoint) -> None:
    """Mark, on the reviewed product's level, where its price would be of equal value."""
    price, level = own.at
    if plan.stated and plan.stated.figure < price:
        axes.plot(
            [price, plan.stated.figure],
            [level, level],
            color=own.look.colour,
            linewidth=1.4 * sheet.line,
            linestyle=(0, (1.5, 1.5)),
            zorder=1.6,
        )
        head = Look(own.look.colour, "<", filled=True)
        axes.put_marks([plan.stated.figure], [level], head, 0.8)
    for point in plan.weighed:
        axes.plot(
            [point.equal.figure if point.equal else math.nan],
            [level],
            marker="|",
            linestyle="none",
            markersize=1.5 * sheet.mark,
            markeredgewidth=1.8 * sheet.line,
            color=point.look.colour,
            zorder=2.5,
        )


def _lines_to_leave_bare(axes: Plot) -> list[list[tuple[float, float]]]:
    """Return the lines that labels leave bare, in pixels from the plot's top left corner.

    The grid and the lines of equal money are not among them.
    """
    corner, found = axes.bbox, []
    for line in axes.lines:
        if line.get_zorder() < 0.9 or line.get_zorder() == _RAY:
            continue
        path = axes.transData.transform(line.get_path().vertices).tolist()
        known = [(x - corner.x0, corner.y1 - y) for x, y in path if math.isfinite(x + y)]
        found.append(known)
    return found


def _label_points(axes: Plot, sheet: Sheet, plan: _ValuePlan, room: tuple[float, float]) -> None:
    """Name each point, with its price per frame beneath, and the stated price of equal value.

    Parameters
    ----------
    axes : Plot
    sheet : Sheet
    plan : _ValuePlan
    room : (float, float)
        Width and height of the plot, in pixels: labels stay inside.
    """
    from matplotlib.patches import Rectangle

    def place(at: tuple[float, float]) -> tuple[float, float]:
        x, y = axes.transAxes.inverted().transform(axes.transData.transform(at))
        return float(x) * room[0], (1 - float(y)) * room[1]

    points, texts = [], []
    for point in plan.points:
        name = fit_text(point.name, sheet.small, 0.34 * room[0])
        texts.append((name + plan.dagger * point.cost.waived, f"{point.cost.text} per fps"))
        points.append(place(point.at))
    kept = [place((end, point.fps.figure)) for point in plan.points for end in point.span]
    if plan.own:
        price, level = plan.own.at
        kept += [place((p.equal.figure, level)) for p in plan.weighed if p.equal]
        if plan.stated and plan.stated.figure < price:
            texts.append((plan.stated.text, "equal value"))
            points.append(place((plan.stated.figure, level)))
    # Room beside the words too: two labels side by side would read as one line.
    widths = [max(text_width(t, sheet.small) for t in lines) for lines in texts]
    boxes = [(width + 0.7 * sheet.small, 2.3 * sheet.small) for width in widths]
    spots = place_labels(
        boxes,
        [*points, *kept],
        clear=1.0 * sheet.mark,
        room=(0.0, 0.0, *room),
        lines=_lines_to_leave_bare(axes),
    )
    for (left, top), box, lines in zip(spots, boxes, texts, strict=True):
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
                (left + box[0] / 2) / room[0],
                1 - y / room[1],
                text,
                fontsize=sheet.small,
                ha="center",
                color=colour,
                transform=axes.transAxes,
                zorder=4,
            )
