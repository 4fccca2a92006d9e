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
from kit.claims.claim import Claim
from kit.rounding import NBSP, number

WIDE_PX, PHONE_PX, COMPACT_PX = 460, 340, 190  # of the plot of the first screen
DIGIT_EM = 0.64  # DejaVu Sans, the widest of the page's fonts
LABEL_PX = 11.5
OVER = 'paint-order="stroke"'  # letters over lines: their halo is painted first

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


def _shape(look: Look) -> str:
    """Return the markup of a mark about the origin, on a foot line for another class of machine."""
    foot = '<path d="M-7 9.5H7"/>' if look.foot else ""
    return _SHAPES[look.shape] + foot


def mark_svg(look: Look) -> Markup:
    """Return a product's mark, 18 px wide, to stand beside its name.

    It is hidden from screen readers: the name beside it says the same.
    """
    filled = " fill" if look.filled else ""
    return Markup(
        f'<svg class="mk {look.css}{filled}" width="18" height="20" aria-hidden="true">'
        f'<g transform="translate(9 9)">{_shape(look)}</g></svg>'
    )


def _mark_at(look: Look, x: float, y: float) -> str:
    """Return a product's mark on a plot.

    Parameters
    ----------
    look : Look
    x : float
        In percent of the plot's width.
    y : float
        In pixels from its top.
    """
    filled = " fill" if look.filled else ""
    return (
        f'<svg class="mk {look.css}{filled}" x="{_num(x)}%" y="{_num(y)}" overflow="visible">'
        f"{_shape(look)}</svg>"
    )


def _plot(drawn: str) -> Markup:
    """Return what is drawn as a picture that fills its box.

    It is hidden from screen readers: the figures stand as text in the row or cell it belongs to.
    """
    return Markup(f'<svg class="plot" width="100%" height="100%" aria-hidden="true">{drawn}</svg>')


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
        logs = [math.log(r) for r in (*ratios, 1 + 2 * band, 1 / (1 + 2 * band)) if r > 0]
        room = pad * (max(logs) - min(logs)) or 0.05
        return cls(min(logs) - room, max(logs) + room)

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
        fits = {
            "": _placed_ticks(self, COMPACT_PX, locale=locale),
            " mid": _placed_ticks(self, PHONE_PX, locale=locale),
            " wide": _placed_ticks(self, WIDE_PX, locale=locale),
        }
        labels = "".join(
            f'<text class="tick in{css or " small"}" x="{_num(self.at(1 + t / 100))}%" y="31" '
            f'text-anchor="middle">{_tick_text(t, locale=locale)}</text>'
            for css, ticks in fits.items()
            for t in ticks
        )
        parity = self.at(1.0)
        words = []
        for text, anchor, dx, room in (
            (f"← {slower}", "end", -9, parity),
            (f"{faster} →", "start", 9, 100 - parity),
        ):
            if len(text) * DIGIT_EM * LABEL_PX + 9 < room / 100 * COMPACT_PX:
                words.append(
                    f'<text class="tick" x="{_num(parity)}%" dx="{dx}" y="14" '
                    f'text-anchor="{anchor}">{escape(text)}</text>'
                )
        return Markup(
            f'<svg class="axis" width="100%" height="36" aria-hidden="true">{"".join(words)}'
            f"{labels}</svg>"
        )

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
        parts = [_ground(self, band)]
        if like is not None and like.low and like.high:
            a, b = _num(self.at(like.low)), _num(self.at(like.high))
            parts.append(
                f'<line class="like" x1="{a}%" x2="{b}%" y1="13" y2="13"/>'
                f'<line class="like" x1="{a}%" x2="{a}%" y1="9" y2="17"/>'
                f'<line class="like" x1="{b}%" x2="{b}%" y1="9" y2="17"/>'
            )
        if whole is not None and whole.value:
            if whole.low and whole.high:
                x, w = self.at(whole.low), self.at(whole.high) - self.at(whole.low)
                parts.append(
                    f'<rect class="block" x="{_num(x)}%" y="8.5" width="{_num(w)}%" height="9"/>'
                )
            x = self.at(whole.value)
            parts.append(
                f'<svg x="{_num(x)}%" overflow="visible"><rect class="needle" x="-1.3" y="4" '
                'width="2.6" height="18"/></svg>'
            )
        known = [claim for claim in margins if claim.value]
        places = [self.at(claim.value or 1.0) for claim in known]
        for css, width, radius, levels, step in (
            ("wide", WIDE_PX, 3.4, 3, 6.6),
            ("mid", PHONE_PX, 3.4, 3, 6.6),
            ("small", COMPACT_PX, 2.7, 4, 5.2),
        ):
            stacked = _stack_levels([x / 100 * width for x in places], radius=radius, levels=levels)
            dots = "".join(
                f'<circle class="dot {claim.outcome or "unresolved"}" cx="{_num(x)}%" '
                f'cy="{_num(42 - step * level)}" r="{radius}"/>'
                for claim, x, level in zip(known, places, stacked, strict=True)
            )
            parts.append(f'<g class="in {css}">{dots}</g>')
        return _plot("".join(parts))


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


def _ground(scale: RatioScale, band: float, *, apart: float = 9.0) -> str:
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
    lines = "".join(
        f'<line class="grid" x1="{x}%" x2="{x}%" y1="0" y2="100%"/>'
        for x in (_num(scale.at(1 + t / 100)) for t in _grid_percents(scale, apart=apart) if t)
    )
    x = _num(scale.at(1.0))
    return (
        f'<rect class="band" x="{_num(left)}%" y="0" width="{_num(right - left)}%" '
        f'height="100%"/>{lines}<line class="par" x1="{x}%" x2="{x}%" y1="0" y2="100%"/>'
    )


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
        ends = []
        for ratios in values:
            logs = [math.log(r) for r in (*ratios, 1 + 2 * band, 1 / (1 + 2 * band)) if r > 0]
            ends.append((min(logs), max(logs)))
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
        parts = [_ground(self.scale, band, apart=self.apart)]
        y = "13" if label else "50%"
        if claim is None:
            parts.append(
                f'<text class="halo quiet" {OVER} x="50%" y="50%" dy="4" text-anchor="middle">'
                f"{escape(none)}</text>"
            )
        if claim is not None and claim.value:
            if claim.low and claim.high:
                a, b = _num(self.scale.at(claim.low)), _num(self.scale.at(claim.high))
                parts.append(f'<line class="iv-line" x1="{a}%" x2="{b}%" y1="{y}" y2="{y}"/>')
            x = _num(self.scale.at(claim.value))
            parts.append(
                f'<circle class="dot {claim.outcome or "unresolved"}" cx="{x}%" cy="{y}" r="4"/>'
            )
            if label:
                parts.append(
                    f'<text class="halo" {OVER} x="{x}%" y="32" text-anchor="middle">'
                    f"{escape(label)}</text>"
                )
        return _plot("".join(parts))

    def to_axis(self, *, widths_px: Mapping[str, float], locale: str) -> Markup:
        """Return the foot of a column of a lattice: labels of its ticks without the percent sign.

        Parameters
        ----------
        widths_px : mapping of str to float
            The width of the whole lattice in each layout of the page, by the layout's class.
        """
        labels = "".join(
            f'<text class="tick in {css}" x="{_num(self.scale.at(1 + tick / 100))}%" y="13" '
            f'text-anchor="middle">{_tick_text(tick, locale=locale, unit=False)}</text>'
            for css, total in widths_px.items()
            for tick in _placed_ticks(self.scale, total * self.width / 100, locale=locale,
                                      apart=self.apart, unit=False)
        )  # fmt: skip
        return Markup(
            f'<svg class="axis" width="100%" height="18" aria-hidden="true">{labels}</svg>'
        )


def _zero_ticks(top: float) -> list[float]:
    """Return round steps from zero up to `top`, three to six of them.

    Parameters
    ----------
    top : float
        The end of the scale, in the unit of its figures. Positive.
    """
    size = 10.0 ** math.floor(math.log10(top))
    step = next(s * size for s in (0.2, 0.25, 0.5, 1.0, 2.0) if top / (s * size) <= 5)
    return [step * n for n in range(int(top / step) + 1)]


def zero_axis(top: float, *, locale: str) -> Markup:
    """Return the head of the stems: labels from zero on.

    Parameters
    ----------
    top : float
        The right end of the scale, in frames per second. A label too near to it is left out.
    locale : str
        How figures are written.
    """
    labels = "".join(
        f'<text class="tick" x="{_num(100 * t / top)}%" y="14" text-anchor="'
        f'{"start" if t == 0 else "middle"}">{number(t, decimals=0, locale=locale)}</text>'
        for t in _zero_ticks(top)
        if t <= 0.96 * top
    )
    return Markup(f'<svg class="axis" width="100%" height="20" aria-hidden="true">{labels}</svg>')


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
    parts = "".join(
        f'<line class="grid" x1="{x}%" x2="{x}%" y1="0" y2="100%"/>'
        for x in (_num(100 * t / top) for t in _zero_ticks(top) if t)
    )
    parts += '<line class="par" x1="0" x2="0" y1="0" y2="100%"/>'
    for value in others:
        x = _num(100 * value / top)
        parts += f'<line class="other" x1="{x}%" x2="{x}%" y1="9" y2="21"/>'
    for (look, average, low), y in zip(pair, (9.5, 20.5), strict=True):
        if average is None or not average.value:
            continue
        end = 100 * average.value / top
        if low is not None and low.value:
            start = _num(100 * low.value / top)
            parts += (
                f'<g class="stem {look.css}"><line x1="{start}%" x2="{_num(end)}%" y1="{y}" '
                f'y2="{y}"/><line x1="{start}%" x2="{start}%" y1="{y - 3.5}" y2="{y + 3.5}"/></g>'
            )
        if average.low and average.high:
            a, b = _num(100 * average.low / top), _num(100 * average.high / top)
            line = f'<line x1="{a}%" x2="{b}%" y1="{y}" y2="{y}"/>'
            parts += f'<g class="stem thick {look.css}">{line}</g>'
        parts += _mark_at(look, end, y)
    return _plot(parts)


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


def _padded(values: Iterable[float], share: float) -> tuple[float, float]:
    """Return the ends of positive values as logarithms, with a share of their span at each end."""
    logs = [math.log(v) for v in values]
    pad = share * (max(logs) - min(logs)) or 0.05
    return min(logs) - pad, max(logs) + pad


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
    plane = _Plane(
        width, _padded(spans, 0.10), _padded([o.speed.value or 1.0 for o in offers], 0.22)
    )
    points = [(plane.x(o.price.value), plane.y(o.speed.value)) for o in offers]
    labels = _Labels(plane)
    labels.taken += [(x - 9, y - 9, x + 9, y + 9) for x, y in points]
    parts = [_value_grid(plane, locale), _value_lines(plane, offers[0], against, equal, steps)]
    for offer, (x, y) in reversed(list(zip(offers, points, strict=True))):
        if offer.price.low and offer.price.high:
            a, b = plane.x(offer.price.low), plane.x(offer.price.high)
            parts.append(
                f'<g class="stem {offer.look.css}"><line x1="{_num(a)}" x2="{_num(b)}" '
                f'y1="{_num(y)}" y2="{_num(y)}"/></g>'
            )
        filled = " fill" if offer.look.filled else ""
        parts.append(
            f'<g class="mk {offer.look.css}{filled}" transform="translate({_num(x)} {_num(y)})">'
            f"{_shape(offer.look)}</g>"
        )
    for offer, (x, y) in zip(offers, points, strict=True):
        bold = "halo own" if offer is offers[0] else "halo"
        parts.append(labels.place(f"{offer.name}, {offer.price_text}", x, y, bold))
    if equal is not None and equal.value and words["equal"]:
        at = plane.x(equal.value), points[0][1]
        parts.append(labels.place(words["equal"], *at, "halo quiet"))
    parts.append(
        f'<text class="tick" x="{_num(plane.left)}" y="14">{escape(words["up"])}</text>'
        f'<text class="tick" x="{_num(width - plane.right)}" y="322" text-anchor="end">'
        f"{escape(words['across'])}</text>"
    )
    return Markup(
        f'<svg class="value" width="{_num(width)}" height="330" role="img" '
        f'aria-label="{escape(words["alt"])}">{"".join(parts)}</svg>'
    )


def _value_lines(
    plane: _Plane, own: Offer, against: Offer | None, equal: Claim | None, steps: Sequence[Offer]
) -> str:
    """Return the frontier, the line of as many frames for the money, and the arrow to it.

    The line is straight: on two logarithmic scales, what costs the same per frame lies on one of
    slope 1. It is cut at the ends of the plane.
    """
    found = ""
    for n, offer in enumerate(steps):
        x, y = _num(plane.x(offer.price.value)), _num(plane.y(offer.speed.value))
        found += f"M{x} {_num(plane.floor)}V{y}" if n == 0 else f"H{x}V{y}"
    if found:
        found = f'<path class="steps" d="{found}H{_num(plane.width - plane.right)}"/>'
    if against is not None:
        rate = (against.speed.value or 1.0) / (against.price.value or 1.0)
        least, most = (math.exp(end) / rate for end in plane.speeds)
        ends = [min(max(math.exp(end), least), most) for end in plane.prices]
        (ax, ay), (bx, by) = ((_num(plane.x(p)), _num(plane.y(p * rate))) for p in ends)
        css = against.look.css
        found += f'<line class="same {css}" x1="{ax}" y1="{ay}" x2="{bx}" y2="{by}"/>'
    if equal is not None and equal.value and own.price.value:
        level, a, b = plane.y(own.speed.value), plane.x(own.price.value), plane.x(equal.value)
        tip = b + (7 if b < a else -7)
        found += (
            f'<path class="arrow {own.look.css}" d="M{_num(a)} {_num(level)}H{_num(b)}'
            f"M{_num(tip)} {_num(level - 5)}L{_num(b)} {_num(level)}L{_num(tip)} "
            f'{_num(level + 5)}"/>'
        )
    return found


def _value_grid(plane: _Plane, locale: str) -> str:
    """Return grid lines with their labels, prices across and speeds up."""
    parts = []
    for price in _round_values(plane.prices, 4):
        x = _num(plane.x(price))
        text = number(price, decimals=0, locale=locale)
        parts.append(
            f'<line class="grid" x1="{x}" x2="{x}" y1="{plane.top}" y2="{plane.floor}"/>'
            f'<text class="tick" x="{x}" y="{_num(plane.floor + 17)}" text-anchor="middle">'
            f"{text}</text>"
        )
    for speed in _round_values(plane.speeds, 5):
        y = _num(plane.y(speed))
        text = number(speed, decimals=0, locale=locale)
        parts.append(
            f'<line class="grid" x1="{_num(plane.left)}" x2="{_num(plane.width - plane.right)}" '
            f'y1="{y}" y2="{y}"/><text class="tick" x="{_num(plane.left - 8)}" y="{y}" dy="4" '
            f'text-anchor="end">{text}</text>'
        )
    return "".join(parts)


def _round_values(ends: tuple[float, float], most: int) -> list[float]:
    """Return round numbers between two ends given as logarithms, at most so many."""
    low, high = (math.exp(end) for end in ends)
    size = 10.0 ** math.floor(math.log10((high - low) or 1.0))
    for step in (size * s for s in (0.1, 0.2, 0.25, 0.5, 1, 2, 2.5, 5, 10)):
        first, last = math.ceil(low / step), math.floor(high / step)
        if last - first + 1 <= most and step >= 1:
            return [n * step for n in range(first, last + 1)]
    return []


class _Labels:
    """Places labels about their points so that none covers another, a mark or the edge."""

    def __init__(self, plane: _Plane) -> None:
        self.room = (plane.left + 2, plane.top - 12, plane.width - 2, plane.floor - 2)
        self.taken: list[tuple[float, float, float, float]] = []

    def place(self, text: str, x: float, y: float, css: str) -> str:
        """Return a label's markup at the side with the least overlap.

        Parameters
        ----------
        text : str
            One line; its width is estimated from its length.
        x, y : float
            The point it belongs to, in pixels.
        css : str
            Classes of its text element.

        Notes
        -----
        Ten places are tried, the nearest first; to leave the plane costs more than to cover
        anything. What is placed counts as taken for the labels after it.
        """
        wide = len(text) * 0.6 * 12.5
        best = None
        for anchor, dx, dy in (
            ("start", 12, 16), ("start", 12, -9), ("end", -12, -9), ("end", -12, 16),
            ("middle", 0, -15), ("middle", 0, 24), ("start", 12, 30), ("end", -12, 30),
            ("middle", 0, 40), ("middle", 0, -32),
        ):  # fmt: skip
            x0 = {"start": x + dx, "end": x + dx - wide, "middle": x - wide / 2}[anchor]
            box = (x0, y + dy - 11, x0 + wide, y + dy + 3)
            outside = (
                max(0, self.room[0] - box[0]) + max(0, box[2] - self.room[2])
                + max(0, self.room[1] - box[1]) + max(0, box[3] - self.room[3])
            )  # fmt: skip
            cost = 1000 * outside + sum(_overlap(box, other) for other in self.taken)
            if best is None or cost < best[0] - 1e-9:
                best = (cost, anchor, dx, dy, box)
        if best is None:
            return ""
        _, anchor, dx, dy, box = best
        self.taken.append(box)
        return (
            f'<text class="{css}" {OVER} x="{_num(x + dx)}" y="{_num(y + dy)}" '
            f'text-anchor="{anchor}">'
            f"{escape(text)}</text>"
        )


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Return how much two boxes (left, top, right, bottom) overlap, in square pixels."""
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))
