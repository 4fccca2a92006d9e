"""Charts of money and of classes: price against performance; one name in two classes."""

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
    RULE,
    SHEETS,
    STEPS,
    Chart,
    ChartWords,
    Panel,
    Sheet,
    fit_text,
    place_labels,
    spread_apart,
    text_width,
)
from kit.claims.claim import Claim, ClaimBook
from kit.rounding import NBSP

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


@dataclass(frozen=True, slots=True)
class _Slope:
    """The lead of a newer over an older name in one class of machine, beside the other class."""

    gap: Claim
    there: Claim
    here: Claim
    names: tuple[tuple[str, str], tuple[str, str]]  # newer and older: there, here
    look: Look


def classes_chart(book: ClaimBook, gaps: Sequence[Claim]) -> Chart:
    """Return the chart of leads in one class of machine beside the same names' in another.

    Raises
    ------
    ValueError
        If there is no gap, or they differ in metric.
    """
    if not gaps or len({gap.metric for gap in gaps}) != 1:
        raise ValueError("gaps of one metric are needed")
    kinds = book.names.get("classes", {})
    there, here = (
        plain_name(kinds.get(p) or "another") for p in (gaps[0].baseline, gaps[0].product)
    )
    slopes = [_slope_of(book, gap) for gap in gaps]
    word = Identity(book).metric(gaps[0])
    note = "Each line joins the lead of the newer over the older of two names in both classes."
    first = slopes[0]
    if len(gaps) == 1:
        caption = (
            f"In the {there} class {_lead_words(first, 0)}; in the {here} class "
            f"{_lead_words(first, 1)}"
        )
        span = f" ({first.gap.interval})" if first.gap.interval else ""
        note += f" {here} over {there}: {first.gap.text}{span}."
    else:
        smaller = sum(gap.figure < 1 for gap in gaps)
        caption = (
            f"The lead is smaller in the {here} class than in the {there} class "
            f"for {smaller} of {len(gaps)} pairs of names"
        )
    ends = [
        f"{name}: {_lead_words(slope, i)}"
        for slope in slopes
        for i, name in enumerate((there, here))
    ]
    alt = (
        f"Slope chart of leads, {word}. {caption}. {'; '.join(ends)}. Here over there: "
        + "; ".join(gap.text for gap in gaps)
        + "."
    )
    words = ChartWords(
        ("classes", gaps[0].metric, gaps[0].product, "and", gaps[0].baseline),
        caption,
        note,
        alt,
        below=f"lead of the newer over the older, {word}; higher is a larger lead",
        locale=book.locale,
    )
    claims = tuple(claim for s in slopes for claim in (s.there, s.here, s.gap))
    chart = Chart(words, ((there, here), tuple(slopes)), _paint_classes, claims)
    return chart.say_what_is_narrow([_lead_spans(chart, sheet) for sheet in SHEETS.values()])


def _slope_of(book: ClaimBook, gap: Claim) -> _Slope:
    """Return the slope of one gap, from the claims `gap_there` and `gap_here` it rests on."""
    sides = {claim.kind: claim for claim in (book.by_id[name] for name in gap.inputs)}
    there, here = sides["gap_there"], sides["gap_here"]
    pairs = [
        (Identity(book).product(side.product), Identity(book).product(side.baseline))
        for side in (there, here)
    ]
    return _Slope(gap, there, here, (pairs[0], pairs[1]), Identity(book).looks()[here.baseline])


def _lead_words(slope: _Slope, side: int) -> str:
    """Return a lead in words, there (side 0) or here (side 1)."""
    newer, older = slope.names[side]
    return f"{newer} {(slope.there, slope.here)[side].text} over {older}"


def _lay_out_slopes(chart: Chart, sheet: Sheet) -> tuple[float, float, float, tuple[float, float]]:
    """Return height of the sheet, top and height of the plane, and the limits of its axis.

    Returns
    -------
    (float, float, float, (float, float))
        Three in pixels; the limits as ratios, on a logarithmic axis that holds level.
    """
    _, slopes = chart.plan
    height = sheet.height or max(300.0, 90.0 + 2.6 * sheet.text * len(slopes) * 1.6)
    top = chart.head_height(sheet) + 2.6 * sheet.text
    shown = [claim for slope in slopes for claim in (slope.there, slope.here)]
    ends = [end for claim in shown for end in claim.ends if math.isfinite(end)]
    limits = Panel.log_limits([*(claim.figure for claim in shown), 1.0], ends)
    return height, top, height - top - 2.6 * sheet.small, limits


def _lead_spans(chart: Chart, sheet: Sheet) -> list[float]:
    """Return the widths of the intervals drawn, in marks.

    One of NaN is drawn by no line and not counted.
    """
    _, _, tall, (low, high) = _lay_out_slopes(chart, sheet)
    ends = [claim.ends for slope in chart.plan[1] for claim in (slope.there, slope.here)]
    marks = tall / sheet.mark / 1.1 / math.log(high / low)
    return [marks * math.log(most / least) for least, most in ends if math.isfinite(least)]


def _paint_classes(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw a slope for each pair of names, labelled at both ends."""
    from kit.charts.layout import Drawing

    classes, slopes = chart.plan
    height, top, tall, limits = _lay_out_slopes(chart, sheet)
    figure = Drawing(sheet, height, chart)
    inner = sheet.width - 2 * sheet.side
    label = 0.33 * inner
    axes = figure.put_axes(sheet.side + label, top, inner - 2 * label, tall)
    axes.set_yscale("log")
    axes.put_ticks("y", [], [])
    axes.set_ylim(*limits)
    axes.set_xlim(-0.06, 1.06)
    axes.axhline(1.0, color=GREY, linewidth=sheet.line, zorder=0.8)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    for x in (0, 1):
        axes.axvline(x, color=RULE, linewidth=sheet.line, zorder=0.5)
    axes.annotate(
        f"0{NBSP}%",
        (0.5, 1.0),
        (0, 0.2 * sheet.small),
        textcoords="offset points",
        fontsize=sheet.small,
        color=GREY,
        ha="center",
    )
    for slope in slopes:
        leads, colour = [slope.there.figure, slope.here.figure], slope.look.colour
        axes.plot([0, 1], leads, color=colour, linewidth=1.8 * sheet.line, zorder=2)
        for x, claim in enumerate((slope.there, slope.here)):
            span = claim.ends
            axes.plot([x, x], span, color=colour, linewidth=3 * sheet.line, zorder=2)
        axes.put_marks([0, 1], leads, slope.look, 1.1)
    for x in (0, 1):
        edge = sheet.side + label + (inner - 2 * label) * (0.06 + x) / 1.12
        claims = [(s.there, s.here)[x] for s in slopes]
        to_axes = axes.transAxes.inverted().transform
        wanted = [
            top + tall * (1 - float(to_axes(axes.transData.transform((x, c.figure)))[1]))
            for c in claims
        ]
        heights = spread_apart(wanted, apart=3.9 * sheet.small, low=top, high=top + tall)
        for y, claim, slope in zip(heights, claims, slopes, strict=True):
            at, align = edge + (1.6 if x else -1.6) * sheet.mark, "left" if x else "right"
            figure.put_line(at, y - 0.62 * sheet.small, claim.text, sheet.text, ha=align)
            for i, name in enumerate(slope.names[x]):
                shown = fit_text(name if i == 0 else f"over {name}", sheet.small, 0.9 * label)
                down = (0.62 + 1.2 * i) * sheet.small
                figure.put_line(at, y + down, shown, sheet.small, ha=align, color=GREY)
        how = {"ha": "center", "va": "baseline", "fontweight": "bold"}
        figure.put_text(edge, top - 1.2 * sheet.text, classes[x], sheet.text, **how)
    foot = height - 0.6 * sheet.small
    middle = sheet.width / 2
    figure.put_text(middle, foot, chart.words.below, sheet.small, ha="center", va="bottom")
    return figure
