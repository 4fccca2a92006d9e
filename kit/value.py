"""Performance against dated, sourced prices."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from kit.trace import Trace


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One observed price: a row of `prices.csv`."""

    product: str
    price: float
    currency: str
    kind: str  # launch, street, used, rate, ...
    date: dt.date
    source: str
    note: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Price:
    """A product's price of one kind: the median of the observations in force, and their span."""

    product: str
    kind: str
    currency: str
    price: float
    lowest: float
    highest: float
    observations: tuple[PriceRow, ...]
    marks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Standing:
    """One product at one kind of price: cost per frame per second, and its place on the frontier.

    `suite_fps` is the geometric mean of the product's averages over the titles every priced
    product shares; `frontier` is "on", "dominated", "extendedly_dominated" or "tie".
    """

    product: str
    kind: str
    price: Price
    suite_fps: float
    cost_per_fps: float
    cost_per_fps_low: float
    cost_per_fps_high: float
    frontier: str
    dominated_by: tuple[str, ...]
    marks: tuple[str, ...]
    trace: Trace


@dataclass(frozen=True, slots=True)
class Weighing:
    """The reviewed product against one rival at one kind of price.

    premium = price / rival's price; uplift = the suite margin's ratio; `equal_value_price` =
    rival's price x uplift, at which both cost the same per frame; `cut_needed` = how much of the
    product's price would have to go (a share; 0.0 where none).
    """

    product: str
    rival: str
    kind: str
    price: Price
    rival_price: Price
    premium: float
    premium_low: float
    premium_high: float
    uplift: float
    uplift_low: float | None
    uplift_high: float | None
    equal_value_price: float
    equal_value_low: float
    equal_value_high: float
    cut_needed: float
    marks: tuple[str, ...]
    trace: Trace


@dataclass(frozen=True, slots=True)
class Value:
    """All that was weighed, by kind of price."""

    currency: str
    titles: tuple[str, ...]
    standings: tuple[Standing, ...]
    weighings: tuple[Weighing, ...]
    prices: Mapping[tuple[str, str], Price]  # (product, kind)
    left_out: Mapping[tuple[str, str], str]  # (product, kind) -> why it is not weighed
