"""Pictures that stand in the page as SVG: real text, colours from the page's style, no script.

Places along a scale are in percent and sizes in pixels, so that one picture fits any width without
a script and without shrinking its lettering. Values come from claims; nothing is computed here but
places. Each function returns markup.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

from markupsafe import Markup, escape

from kit.charts.identity import Look
from kit.charts.style import place_labels
from kit.claims.claim import Claim
from kit.rounding import NBSP, number

_WIDE_PX, _PHONE_PX, _COMPACT_PX = 460, 340, 190  # of the plot of the first screen
DIGIT_EM = 0.64  # DejaVu Sans, the widest of the page's fonts
LABEL_PX = 11.5

_SHAPES = {
    "o": '<circle r="5.5"/>',
    "s": '<rect x="-5" y="-5" width="10" height="10"/>',
    "D": '<path d="M0-7 7 0 0 7-7 0Z"/>',
    "^": '<path d="M0-6.5 6.5 5-6.5 5Z"/>',
    "v": '<path d="M0 6.5 6.5-5-6.5-5Z"/>',
    "P": '<path d="M-2-6H2V-2H6V2H2V6H-2V2H-6V-2H-2Z"/>',
    "p": '<path d="M0-6.5 6.2-2 3.8 5.3-3.8 5.3-6.2-2Z"/>',
    "X": '<path d="M-6-3.5-3.5-6 0-2.5 3.5-6 6-3.5 2.5 0 6 3.5 3.5 6 0 2.5-3.5 6-6 3.5-2.5 0Z"/>',
    "h": '<path d="M-3.2-5.5H3.2L6.4 0 3.2 5.5H-3.2L-6.4 0Z"/>',
    "*": '<path d="M0-7 1.7-2.3 6.7-2.2 2.7 .9 4.1 5.7 0 2.8-4.1 5.7-2.7 .9-6.7-2.2-1.7-2.3Z"/>',
    "d": '<path d="M0-7.5 4.5 0 0 7.5-4.5 0Z"/>',
    "<": '<path d="M-6.5 0 5-6.5 5 6.5Z"/>',
    ">": '<path d="M6.5 0-5-6.5-5 6.5Z"/>',
}


def _num(value: float) -> str:
    """Return a place as SVG attribute text: at most two decimals, never "-0"."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _percent(value: float) -> str:
    """Return a place in percent of the plot's width."""
    return f"{_num(value)}%"


def _element(name: str, inside: str = "", /, **attributes: object) -> str:
    """Return an SVG element: numbers are places in pixels, `css` is the class, "" no attribute."""
    said = "".join(
        f" {'class' if key == 'css' else key.replace('_', '-')}="
        f'"{_num(value) if isinstance(value, float | int) else value}"'
        for key, value in attributes.items()
        if value != ""
    )
    return f"<{name}{said}>{inside}</{name}>" if inside else f"<{name}{said}/>"


def _line(css: str, x1: object, x2: object, y1: object, y2: object) -> str:
    """Return a straight line."""
    return _element("line", css=css, x1=x1, x2=x2, y1=y1, y2=y2)


def _upright(css: str, x: float, y1: object = 0, y2: object = "100%") -> str:
    """Return an upright line at a place in percent: from top to bottom, unless told."""
    return _line(css, _percent(x), _percent(x), y1, y2)


def _text(text: str, css: str, x: object, y: object, anchor: str, **more: object) -> str:
    """Return a line of text; over lines it has a halo, which is painted first."""
    order = "stroke" if css.startswith("halo") else ""
    inside = str(escape(text))
    return _element(
        "text", inside, css=css, paint_order=order, x=x, y=y, **more, text_anchor=anchor
    )


def _dot(claim: Claim, x: str, y: object, radius: float) -> str:
    """Return the dot of a margin, in the colour of its outcome."""
    return _element("circle", css=f"dot {claim.outcome or 'unresolved'}", cx=x, cy=y, r=radius)


def _mark(look: Look, element: str, *, moved: str = "", **where: object) -> str:
    """Return a product's mark about its origin, on a foot line for another class of machine."""
    drawn = _SHAPES[look.shape] + ('<path d="M-7 9.5H7"/>' if look.foot else "")
    drawn = _element("g", drawn, transform=moved) if moved else drawn
    css = f"mk {look.css}{' fill' if look.filled else ''}"
    return _element(element, drawn, css=css, **where)


def mark_svg(look: Look) -> Markup:
    """Return a product's mark, 18 px wide, to stand beside its name.

    It is hidden from screen readers: the name beside it says the same.
    """
    box = {"width": 18, "height": 20, "aria_hidden": "true"}
    return Markup(_mark(look, "svg", moved="translate(9 9)", **box))


def _picture(css: str, drawn: Iterable[str], height: object) -> Markup:
    """Return what is drawn as a picture as wide as its box.

    It is hidden from screen readers: the figures stand as text in the row or cell it belongs to.
    """
    how = {"css": css, "width": "100%", "height": height, "aria_hidden": "true"}
    return Markup(_element("svg", "".join(drawn), **how))


def _log_ends(values: Iterable[float], *, pad: float) -> tuple[float, float]:
    """Return the ends of positive values as logarithms, with room at each end, a share of all.

    Values that are not positive are passed over.
    """
    logs = [math.log(value) for value in values if value > 0]
    room = pad * (max(logs) - min(logs)) or (0.05 if pad else 0.0)
    return min(logs) - room, max(logs) + room


def _with_level(ratios: Iterable[float], band: float) -> tuple[float, ...]:
    """Return ratios with the ends of twice the level band."""
    return (*ratios, 1 + 2 * band, 1 / (1 + 2 * band))


@dataclass(frozen=True, slots=True)
class RatioScale:
    """A stretch of a ratio scale: ends as natural logarithms, places in percent.

    Attributes
    ----------
    low, high : float
        Logarithms of the least and the largest ratio that find room: 0.0 is level.
    """

    low: float
    high: float

    def at(self, ratio: float) -> float:
        """Return where a ratio stands, in percent of the width; beyond [0, 100] without room.

        Raises
        ------
        ValueError
            If the ratio is not positive.
        """
        return 100 * (math.log(ratio) - self.low) / (self.high - self.low)

    @classmethod
    def fit(cls, ratios: Iterable[float], *, band: float, pad: float = 0.035) -> Self:
        """Return the scale that shows all ratios, level, and the level band around it.

        Parameters
        ----------
        ratios : iterable of float
            Margins and ends of their intervals; those that are not positive are passed over.
        band : float
            Half the level band, a share: 0.02 for 2 % either way.
        pad : float
            Room left free at each end, a share of the whole.
        """
        return cls(*_log_ends(_with_level(ratios, band), pad=pad))

    def to_axis(self, *, slower: str, faster: str, locale: str) -> Markup:
        """Return the head of the plots of the first screen: directions and labels of ticks.

        Parameters
        ----------
        slower, faster : str
            Words for the two directions, set where they fit the narrowest plot.
        locale : str
            How figures are written.

        Notes
        -----
        One picture serves three widths: each has its own labels, and the page's style shows one
        set.
        """
        widths = {"small": _COMPACT_PX, "mid": _PHONE_PX, "wide": _WIDE_PX}
        labels = _tick_labels(self, widths, 31, locale=locale)
        parity = self.at(1.0)
        words = [
            _text(text, "tick", _percent(parity), 14, anchor, dx=dx)
            for text, anchor, dx, room in (
                (f"← {slower}", "end", -9, parity),
                (f"{faster} →", "start", 9, 100 - parity),
            )
            if len(text) * DIGIT_EM * LABEL_PX + 9 < room / 100 * _COMPACT_PX
        ]
        return _picture("axis", [*words, *labels], 36)

    def to_row(
        self, *, whole: Claim | None, like: Claim | None, margins: Sequence[Claim], band: float
    ) -> Markup:
        """Return a rival's row of the first screen: margin and intervals over a dot a title.

        Parameters
        ----------
        whole, like : Claim or None
            The suite margin, with its interval for these titles; and that for titles like these.
        margins : sequence of Claim
            Of the titles; one without a value is passed over. Dots that would touch are stacked.
        band : float
            Half the level band, a share.
        """
        parts = _ground(self, band)
        if like is not None and like.low and like.high:
            a, b = self.at(like.low), self.at(like.high)
            parts.append(_line("like", _percent(a), _percent(b), 13, 13))
            parts += [_upright("like", end, 9, 17) for end in (a, b)]
        if whole is not None and whole.value:
            if whole.low and whole.high:
                x, w = self.at(whole.low), self.at(whole.high) - self.at(whole.low)
                size = {"width": _percent(w), "height": 9}
                parts.append(_element("rect", css="block", x=_percent(x), y=8.5, **size))
            needle = _element("rect", css="needle", x=-1.3, y=4, width=2.6, height=18)
            at = _percent(self.at(whole.value))
            parts.append(_element("svg", needle, x=at, overflow="visible"))
        known = [claim for claim in margins if claim.value]
        places = [self.at(claim.value or 1.0) for claim in known]
        for css, width, radius, levels, step in (
            ("wide", _WIDE_PX, 3.4, 3, 6.6),
            ("mid", _PHONE_PX, 3.4, 3, 6.6),
            ("small", _COMPACT_PX, 2.7, 4, 5.2),
        ):
            stacked = _stack_levels([x / 100 * width for x in places], radius=radius, levels=levels)
            dots = [
                _dot(claim, _percent(x), 42 - step * level, radius)
                for claim, x, level in zip(known, places, stacked, strict=True)
            ]
            parts.append(_element("g", "".join(dots), css=f"in {css}"))
        return _picture("plot", parts, "100%")


def _grid_percents(scale: RatioScale, *, apart: float = 9.0) -> list[int]:
    """Return the percents of the grid lines of a scale, `apart` percent of its width or more.

    The steps are round (1, 2, 5, 10, ... 1000 percent); level, 0, is among them where the scale
    shows it, and alone where no step finds room.
    """
    ends = [math.expm1(end) * 100 for end in (scale.low, scale.high)]
    for step in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000):
        first, last = math.ceil(ends[0] / step), math.floor(ends[1] / step)
        if last - first > 100 / apart + 1:  # more than find room: on a wide scale, millions more
            continue
        ticks = [step * n for n in range(first, last + 1) if step * n > -100]
        places = [scale.at(1 + t / 100) for t in ticks]
        if all(b - a >= apart for a, b in pairwise(places)):
            return ticks
    return [0]


def _tick_text(percent: int, *, locale: str, unit: bool = True) -> str:
    """Return a tick's label: the sign always printed, 0 without a unit."""
    text = number(float(percent), decimals=0, locale=locale, sign=True)
    return f"{text}{NBSP}%" if percent and unit else text


def _placed_ticks(
    scale: RatioScale, width_px: float, *, locale: str, apart: float = 9.0, unit: bool = True
) -> list[int]:
    """Return the ticks whose labels find room at a width: 0 first, then outward from the middle.

    Parameters
    ----------
    scale : RatioScale
    width_px : float
        Of the plot. A label is taken as wide as its letters in the widest of the page's fonts.
    locale : str
        How figures are written.
    apart : float
        How far grid lines keep apart, in percent of the width.
    unit : bool
        Whether labels have their percent sign.
    """
    ticks = _grid_percents(scale, apart=apart)
    kept: list[tuple[float, float, int]] = []
    for tick in sorted(ticks, key=lambda t: (t != 0, t % 20 != 0, -abs(t), t)):
        half = len(_tick_text(tick, locale=locale, unit=unit)) * DIGIT_EM * LABEL_PX / 2
        x = scale.at(1 + tick / 100) / 100 * width_px
        inside = half <= x <= width_px - half
        if inside and all(x + half + 5 < a or x - half - 5 > b for a, b, _ in kept):
            kept.append((x - half, x + half, tick))
    return sorted(tick for _, _, tick in kept)


def _tick_labels(
    scale: RatioScale,
    widths_px: Mapping[str, float],
    y: float,
    *,
    locale: str,
    apart: float = 9.0,
    unit: bool = True,
) -> list[str]:
    """Return the labels of ticks, those of each layout of the page; its style shows one set.

    Parameters
    ----------
    scale : RatioScale
    widths_px : mapping of str to float
        The width of the plot in each layout, by the layout's class.
    y : float
        Of their baseline, in pixels.
    locale, apart, unit
        As for `_placed_ticks`.
    """
    return [
        _text(
            _tick_text(tick, locale=locale, unit=unit),
            f"tick in {css}",
            _percent(scale.at(1 + tick / 100)),
            y,
            "middle",
        )
        for css, width in widths_px.items()
        for tick in _placed_ticks(scale, width, locale=locale, apart=apart, unit=unit)
    ]


def _ground(scale: RatioScale, band: float, *, apart: float = 9.0) -> list[str]:
    """Return what lies behind every row: the level band, grid lines, the line of parity.

    Parameters
    ----------
    scale : RatioScale
    band : float
        Half the level band, a share; the band reaches from 1 / (1 + band) to 1 + band.
    apart : float
        How far grid lines keep apart, in percent of the width.
    """
    left, right = scale.at(1 / (1 + band)), scale.at(1 + band)
    size = {"width": _percent(right - left), "height": "100%"}
    grid = [1 + t / 100 for t in _grid_percents(scale, apart=apart) if t]
    return [
        _element("rect", css="band", x=_percent(left), y=0, **size),
        *(_upright("grid", scale.at(ratio)) for ratio in grid),
        _upright("par", scale.at(1.0)),
    ]


def _stack_levels(places: Sequence[float], *, radius: float, levels: int) -> list[int]:
    """Return on which level each dot stands so that none touches another, as far as levels go.

    Parameters
    ----------
    places : sequence of float
        Where the dots stand, in pixels.
    """
    last = [-math.inf] * levels
    found = [0] * len(places)
    for i in sorted(range(len(places)), key=places.__getitem__):
        free = [n for n in range(levels) if places[i] - last[n] >= 2 * radius + 0.6]
        found[i] = free[0] if free else min(range(levels), key=last.__getitem__)
        last[found[i]] = places[i]
    return found


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a lattice: its own stretch of the scale all columns share."""

    scale: RatioScale
    width: int  # in hundredths of the lattice

    @classmethod
    def share_out(
        cls, values: Sequence[Sequence[float]], *, band: float, share: int, pad: float = 0.12
    ) -> list[Self]:
        """Return the columns of a lattice: widths in percent and stretches on one common scale.

        Parameters
        ----------
        values : sequence of sequences of float
            The ratios of each column.
        band : float
            Half the level band, a share: every column shows twice as much.
        share : int
            Percent of the width the columns have together.
        pad : float
            Room at each end of a column, a share of the longest.

        Notes
        -----
        A percent of width is the same ratio in every column, so that dots can be compared across
        them; no column is less than 0.4 of the longest, or 4 percent wide.
        """
        ends = [_log_ends(_with_level(ratios, band), pad=0.0) for ratios in values]
        longest = max(high - low for low, high in ends)
        ends = [(low, max(high, low + 0.4 * longest)) for low, high in ends]
        room = pad * max(high - low for low, high in ends)
        lengths = [high - low + 2 * room for low, high in ends]
        total = sum(lengths)
        widths = [max(4, math.floor(share * length / total)) for length in lengths]
        for i in sorted(range(len(widths)), key=lambda i: widths[i] - share * lengths[i] / total):
            if sum(widths) >= share:
                break
            widths[i] += 1
        log_per_percent = max(length / width for length, width in zip(lengths, widths, strict=True))
        columns = []
        for (low, high), width in zip(ends, widths, strict=True):
            spare = (log_per_percent * width - (high - low)) / 2
            columns.append(cls(RatioScale(low - spare, high + spare), width))
        return columns

    @property
    def apart(self) -> float:
        """How far grid lines keep apart, in percent of the column: the same in every column."""
        return 100 * 3.0 / self.width

    def to_cell(
        self, claim: Claim | None, *, band: float, none: str = "no run", label: str = ""
    ) -> Markup:
        """Return a cell of the lattice: a dot with its interval, above a number where asked.

        Parameters
        ----------
        claim : Claim or None
            The margin; of None the cell says `none`.
        band : float
            Half the level band, a share.
        none : str
            Words for a cell without a margin.
        label : str
            Written beneath the dot.
        """
        parts, at = _ground(self.scale, band, apart=self.apart), self.scale.at
        y: object = 13 if label else "50%"
        if claim is None:
            parts.append(_text(none, "halo quiet", "50%", "50%", "middle", dy=4))
        elif claim.value:
            if claim.low and claim.high:
                low, high = _percent(at(claim.low)), _percent(at(claim.high))
                parts.append(_line("iv-line", low, high, y, y))
            x = _percent(at(claim.value))
            parts.append(_dot(claim, x, y, 4))
            if label:
                parts.append(_text(label, "halo", x, 32, "middle"))
        return _picture("plot", parts, "100%")

    def to_axis(self, *, widths_px: Mapping[str, float], locale: str) -> Markup:
        """Return the foot of a column of a lattice: labels of its ticks without the percent sign.

        Parameters
        ----------
        widths_px : mapping of str to float
            The width of the whole lattice in each layout of the page, by the layout's class.
        """
        widths = {css: total * self.width / 100 for css, total in widths_px.items()}
        labels = _tick_labels(self.scale, widths, 13, locale=locale, apart=self.apart, unit=False)
        return _picture("axis", labels, 18)


def _round_values(low: float, high: float, *, steps: int, least: float = 0.0) -> list[float]:
    """Return round numbers between two ends.

    Parameters
    ----------
    low, high : float
        Ends of a scale, in the unit of its figures.
    steps : int
        How many there may be between the ends.
    least : float
        How large a step is at least.
    """
    size = 10.0 ** math.floor(math.log10((high - low) or 1.0))
    for step in (size * s for s in (0.1, 0.2, 0.25, 0.5, 1, 2, 2.5, 5, 10)):
        if (high - low) / step <= steps and step >= least:
            return [n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1)]
    return []


def zero_axis(top: float, *, locale: str) -> Markup:
    """Return the head of the stems: labels from zero on.

    Parameters
    ----------
    top : float
        The right end of the scale, in frames per second. A label too near to it is left out.
    locale : str
        How figures are written.
    """
    labels = [
        _text(
            number(t, decimals=0, locale=locale),
            "tick",
            _percent(100 * t / top),
            14,
            "middle" if t else "start",
        )
        for t in _round_values(0.0, top, steps=5)
        if t <= 0.96 * top
    ]
    return _picture("axis", labels, 20)


def stem_row(
    top: float, pair: Sequence[tuple[Look, Claim | None, Claim | None]], others: Iterable[float]
) -> Markup:
    """Return a title's row in frames per second: a stem for each of two products.

    Parameters
    ----------
    top : float
        The right end of the scale, in frames per second; its left end is zero.
    pair : sequence of (Look, average, low)
        The reviewed product above, one rival beneath.
    others : iterable of float
        Averages of all other products, as ticks.
    """

    def at(fps: float) -> float:
        return 100 * fps / top

    parts = [_upright("grid", at(t)) for t in _round_values(0.0, top, steps=5) if t]
    parts += [_upright("par", 0.0), *(_upright("other", at(value), 9, 21) for value in others)]
    for (look, average, low), y in zip(pair, (9.5, 20.5), strict=True):
        if average is None or not average.value:
            continue
        end = _percent(at(average.value))
        if low is not None and low.value:
            foot = _upright("", at(low.value), y - 3.5, y + 3.5)
            stem = _line("", _percent(at(low.value)), end, y, y) + foot
            parts.append(_element("g", stem, css=f"stem {look.css}"))
        if average.low and average.high:
            line = _line("", _percent(at(average.low)), _percent(at(average.high)), y, y)
            parts.append(_element("g", line, css=f"stem thick {look.css}"))
        parts.append(_mark(look, "svg", x=end, y=y, overflow="visible"))
    return _picture("plot", parts, "100%")


@dataclass(frozen=True, slots=True)
class Offer:
    """A product in the value chart: its price with its span, and what it does.

    Attributes
    ----------
    price : Claim
        Its ends are the least and the largest price seen.
    speed : Claim
        Its suite average, in frames per second.
    price_text : str
        The price as its label has it.
    """

    name: str
    look: Look
    price: Claim
    speed: Claim
    price_text: str


@dataclass(frozen=True, slots=True)
class _Plane:
    """Where prices and speeds stand in the value chart, both as ratios."""

    width: float
    prices: tuple[float, float]  # ends, as logarithms
    speeds: tuple[float, float]
    left: float = 46.0
    right: float = 12.0
    top: float = 30.0
    floor: float = 284.0

    def x(self, price: float | None) -> float:
        """Return where a price stands, in pixels from the left."""
        low, high = self.prices
        share = (math.log(price or 1.0) - low) / (high - low)
        return self.left + share * (self.width - self.left - self.right)

    def y(self, speed: float | None) -> float:
        """Return where a speed stands, in pixels from the top."""
        low, high = self.speeds
        return self.floor - (math.log(speed or 1.0) - low) / (high - low) * (self.floor - self.top)


def value_svg(
    offers: Sequence[Offer],
    *,
    width: float,
    against: Offer | None,
    equal: Claim | None,
    steps: Sequence[Offer],
    words: Mapping[str, str],
    locale: str,
) -> Markup:
    """Return prices across and frames per second up, both as ratio scales.

    Parameters
    ----------
    offers : sequence of Offer
        The reviewed product first.
    width : float
        Pixels; the picture is laid out for it.
    against : Offer, optional
        Whose frames for the money the dashed line shows.
    equal : Claim, optional
        The reviewed product's price of equal value against it.
    steps : sequence of Offer
        Those on the frontier, from the cheapest up.
    words : mapping of str to str
        "across", "up", "equal" (the label of the arrow), "alt".
    """
    spans = [v for o in offers for v in (o.price.low, o.price.value, o.price.high) if v]
    spans += [equal.value] if equal is not None and equal.value else []
    speeds = [o.speed.value or 1.0 for o in offers]
    plane = _Plane(width, _log_ends(spans, pad=0.10), _log_ends(speeds, pad=0.22))
    points = [(plane.x(o.price.value), plane.y(o.speed.value)) for o in offers]
    lines = [_step_points(plane, steps)]  # labels leave these bare
    parts = [*_value_grid(plane, locale), *_value_lines(plane, offers[0], against, equal, lines[0])]
    for offer, (x, y) in reversed(list(zip(offers, points, strict=True))):
        if offer.price.low and offer.price.high:
            a, b = plane.x(offer.price.low), plane.x(offer.price.high)
            parts.append(_element("g", _line("", a, b, y, y), css=f"stem {offer.look.css}"))
            lines.append([(a, y), (b, y)])
        parts.append(_mark(offer.look, "g", transform=f"translate({_num(x)} {_num(y)})"))
    labels = [(f"{offer.name}, {offer.price_text}", "halo") for offer in offers]
    labels[0] = labels[0][0], "halo own"
    if equal is not None and equal.value and words["equal"]:
        labels.append((words["equal"], "halo quiet"))
        points.append((plane.x(equal.value), points[0][1]))
        lines.append([points[0], points[-1]])
    boxes = [(len(text) * 0.6 * 12.5, 14.0) for text, _ in labels]
    room = plane.left + 2, plane.top - 12, plane.width - 2, plane.floor - 2
    spots = place_labels(boxes, points, clear=9.0, room=room, lines=lines)
    for (text, css), (wide, _), (x, _), (left, top) in zip(
        labels, boxes, points, spots, strict=True
    ):
        side = "start" if left >= x else "end" if left + wide <= x else "middle"
        at = left + {"start": 0.0, "middle": wide / 2, "end": wide}[side]
        parts.append(_text(text, css, at, top + 11, side))
    parts.append(_text(words["up"], "tick", plane.left, 14, ""))
    parts.append(_text(words["across"], "tick", width - plane.right, 322, "end"))
    how = {"width": width, "height": 330, "role": "img", "aria_label": escape(words["alt"])}
    return Markup(_element("svg", "".join(parts), css="value", **how))


def _step_points(plane: _Plane, steps: Sequence[Offer]) -> list[tuple[float, float]]:
    """Return the corners of the frontier: up from the floor at each price, on to the next."""
    found: list[tuple[float, float]] = []
    y = plane.floor
    for offer in steps:
        x = plane.x(offer.price.value)
        found += [(x, y), (x, y := plane.y(offer.speed.value))]
    return [*found, (plane.width - plane.right, y)] if found else []


def _value_lines(
    plane: _Plane,
    own: Offer,
    against: Offer | None,
    equal: Claim | None,
    frontier: Sequence[tuple[float, float]],
) -> list[str]:
    """Return the frontier, the line of as many frames for the money, and the arrow to it.

    The line is straight: on two logarithmic scales, what costs the same per frame lies on one of
    slope 1. It is cut at the ends of the plane.
    """
    found = []
    if frontier:
        corners = "L".join(f"{_num(x)} {_num(y)}" for x, y in frontier)
        found.append(_element("path", css="steps", d=f"M{corners}"))
    if against is not None:
        rate = (against.speed.value or 1.0) / (against.price.value or 1.0)
        least, most = (math.exp(end) / rate for end in plane.speeds)
        ends = [min(max(math.exp(end), least), most) for end in plane.prices]
        xs, ys = map(plane.x, ends), (plane.y(end * rate) for end in ends)
        found.append(_line(f"same {against.look.css}", *xs, *ys))
    if equal is not None and equal.value and own.price.value:
        level, a, b = plane.y(own.speed.value), plane.x(own.price.value), plane.x(equal.value)
        tip = b + (7 if b < a else -7)
        shaft = f"M{_num(a)} {_num(level)}H{_num(b)}"
        head = (
            f"M{_num(tip)} {_num(level - 5)}L{_num(b)} {_num(level)}L{_num(tip)} {_num(level + 5)}"
        )
        found.append(_element("path", css=f"arrow {own.look.css}", d=shaft + head))
    return found


def _value_grid(plane: _Plane, locale: str) -> list[str]:
    """Return grid lines with their labels, prices across and speeds up."""
    parts = []
    prices, speeds = (map(math.exp, ends) for ends in (plane.prices, plane.speeds))
    for price in _round_values(*prices, steps=4, least=1.0):
        x, text = plane.x(price), number(price, decimals=0, locale=locale)
        parts.append(_line("grid", x, x, plane.top, plane.floor))
        parts.append(_text(text, "tick", x, plane.floor + 17, "middle"))
    for speed in _round_values(*speeds, steps=5, least=1.0):
        y, text = plane.y(speed), number(speed, decimals=0, locale=locale)
        parts.append(_line("grid", plane.left, plane.width - plane.right, y, y))
        parts.append(_text(text, "tick", plane.left - 8, y, "end", dy=4))
    return parts
