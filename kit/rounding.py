"""Numbers as text, rows as tables. The only place that rounds, and the only one with percent.

Decimals follow the interval: a figure is printed as far as its interval's half-width has one
significant digit, or two where it begins with 100 to 354 (the rounding rule of the Particle Data
Group's Review of Particle Physics, introduction, section 5.3), within bounds for its unit: one
decimal at most for percent and frames per second. Every text is made from the unrounded value,
once.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

NBSP = "\u00a0"
MINUS = "\u2212"
OUTCOME_SIGNS = {"ahead": "+", "behind": MINUS, "level": "=", "unresolved": "?"}


@dataclass(frozen=True, slots=True)
class Rounded:
    """A figure as printed: its text, its interval's text, and the rule that made both."""

    text: str
    interval: str  # "" where there is none
    rule: str


@dataclass(frozen=True, slots=True)
class _Words:
    """How one locale writes numbers."""

    decimal: str
    group: str


@lru_cache
def words_of(locale: str) -> _Words:
    """Return how `locale` (such as "en" or "de") writes numbers.

    Raises
    ------
    ValueError
        If the locale is not known.
    """
    if locale == "en":  # the common case needs no locale data
        return _Words(".", ",")
    from babel import Locale, UnknownLocaleError
    from babel.numbers import get_decimal_symbol, get_group_symbol

    try:
        known = Locale.parse(locale, sep="-" if "-" in locale else "_")
    except (UnknownLocaleError, ValueError) as error:
        raise ValueError(f"unknown locale {locale!r}") from error
    return _Words(get_decimal_symbol(known), get_group_symbol(known))


def _decimals_for(half_width: float | None, *, at_most: int, otherwise: int) -> int:
    """Return the decimals that show one or two significant digits of `half_width`.

    >>> _decimals_for(2.4, at_most=2, otherwise=1), _decimals_for(0.39, at_most=2, otherwise=1)
    (1, 1)
    >>> _decimals_for(0.24, at_most=2, otherwise=1), _decimals_for(None, at_most=2, otherwise=1)
    (2, 1)
    """
    if half_width is None or not math.isfinite(half_width):
        return otherwise
    if half_width <= 0:
        return at_most
    size = math.floor(math.log10(half_width))
    leading = half_width / 10.0**size  # 1 to 9.99...
    if leading < 3.55:
        digits = 2
    elif leading < 9.5:
        digits = 1
    else:  # rounds up to 10, and has two digits again
        size, digits = size + 1, 2
    return max(0, min(at_most, digits - 1 - size))


def number(value: float, *, decimals: int, locale: str = "en", sign: bool = False) -> str:
    """Return a number with its locale's marks; a true minus; no negative zero.

    >>> number(-1234.56, decimals=1)
    '−1,234.6'
    >>> number(-0.001, decimals=1), number(0.04, decimals=1, sign=True)
    ('0.0', '0.0')
    >>> number(1234.5, decimals=1, locale="de")
    '1.234,5'
    """
    if not math.isfinite(value):
        return "unbounded" if math.isinf(value) else "undefined"
    plain = f"{abs(value):,.{decimals}f}"
    marks = words_of(locale)
    text = plain.translate({ord(","): marks.group, ord("."): marks.decimal})
    if not plain.strip("0,."):  # no negative zero, and none with a plus
        return text
    if value < 0:
        return MINUS + text
    return f"+{text}" if sign else text


def _half_width(low: float | None, high: float | None, scale: float = 1.0) -> float | None:
    return None if low is None or high is None else abs(high - low) / 2 * scale


def _interval(low: float | None, high: float | None, spell: Callable[[float], str]) -> str:
    return "" if low is None or high is None else f"{spell(low)} to {spell(high)}"


def _percent_decimals(half_width: float | None) -> int:
    """Return decimals of a percentage: one at most, two where the interval is within a tenth."""
    at_most = 2 if half_width is not None and half_width < 0.05 else 1
    return _decimals_for(half_width, at_most=at_most, otherwise=1)


def ratio_text(
    ratio: float, low: float | None = None, high: float | None = None, *, locale: str = "en"
) -> Rounded:
    """Return a margin (1.25) as signed percent (+25.0 %).

    >>> ratio_text(1.2504, 1.22, 1.28).text
    '+25.0\\xa0%'
    """
    decimals = _percent_decimals(_half_width(low, high, 100))

    def percent(value: float) -> str:
        return number(100 * (value - 1), decimals=decimals, locale=locale, sign=True)

    interval = _interval(low, high, percent)
    return Rounded(percent(ratio) + NBSP + "%", interval, f"percent, {decimals} decimals")


def fps_text(
    value: float,
    low: float | None = None,
    high: float | None = None,
    *,
    unit: str = "fps",
    locale: str = "en",
) -> Rounded:
    """Return a figure in its own unit, decimals following its interval.

    >>> fps_text(61.345, 60.1, 62.6).text
    '61.3\\xa0fps'
    """
    spare = 1 if abs(value) >= 10 else 2
    decimals = _decimals_for(_half_width(low, high), at_most=spare, otherwise=spare)
    plain = partial(number, decimals=decimals, locale=locale)
    interval = _interval(low, high, plain)
    return Rounded(f"{plain(value)}{NBSP}{unit}".rstrip(), interval, f"{decimals} decimals")


def spoken_fps_text(value: float, *, locale: str = "en") -> Rounded:
    """Return a frame rate as it is spoken, and shown on a slide: whole, without its unit.

    >>> spoken_fps_text(61.345).text
    '61'
    """
    return Rounded(number(value, decimals=0, locale=locale), "", "whole number")


def fine_text(
    value: float,
    low: float | None = None,
    high: float | None = None,
    *,
    unit: str,
    locale: str = "en",
) -> Rounded:
    """Return a figure that may be far below 1: decimals follow its interval, else three digits.

    >>> fine_text(0.01234, unit="J").text, fine_text(1.5, 1.4, 1.6, unit="J").text
    ('0.0123\\xa0J', '1.50\\xa0J')
    """
    spare = 0 if value == 0 else max(0, 2 - math.floor(math.log10(abs(value))))
    decimals = _decimals_for(_half_width(low, high), at_most=spare, otherwise=spare)
    plain = partial(number, decimals=decimals, locale=locale)
    interval = _interval(low, high, plain)
    return Rounded(f"{plain(value)}{NBSP}{unit}", interval, f"{decimals} decimals")


def level_text(
    difference: float,
    low: float | None = None,
    high: float | None = None,
    *,
    unit: str,
    locale: str = "en",
) -> Rounded:
    """Return a difference of levels, signed, to a tenth at most.

    >>> level_text(-3.26, -3.9, -2.6, unit="dB(A)").text
    '−3.3\\xa0dB(A)'
    """
    decimals = _decimals_for(_half_width(low, high), at_most=1, otherwise=1)
    plain = partial(number, decimals=decimals, locale=locale, sign=True)
    interval = _interval(low, high, plain)
    return Rounded(f"{plain(difference)}{NBSP}{unit}", interval, f"{decimals} decimals")


def money_text(
    value: float,
    currency: str,
    low: float | None = None,
    high: float | None = None,
    *,
    decimals: int = 0,
    locale: str = "en",
) -> Rounded:
    """Return an amount of money with its currency.

    >>> money_text(1499.5, "EUR").text
    'EUR\\xa01,500'
    """
    plain = partial(number, decimals=decimals, locale=locale)
    interval = _interval(low, high, plain) if low != high else ""
    return Rounded(f"{currency}{NBSP}{plain(value)}", interval, f"{decimals} decimals")


def share_text(
    share: float, low: float | None = None, high: float | None = None, *, locale: str = "en"
) -> Rounded:
    """Return a share (0.125) as percent (12.5 %), unsigned.

    >>> share_text(0.125).text
    '12.5\\xa0%'
    """
    decimals = _percent_decimals(_half_width(low, high, 100))

    def percent(value: float) -> str:
        return number(100 * value, decimals=decimals, locale=locale)

    interval = _interval(low, high, percent)
    return Rounded(percent(share) + NBSP + "%", interval, f"percent, {decimals} decimals")


def count_text(count: int, *, locale: str = "en") -> Rounded:
    """Return a whole number.

    >>> count_text(12000).text
    '12,000'
    """
    return Rounded(number(float(count), decimals=0, locale=locale), "", "whole number")


def plain_text(value: float, *, unit: str = "", digits: int = 6, locale: str = "en") -> Rounded:
    """Return a given figure (a specification) with the digits it needs, no more than `digits`.

    >>> plain_text(448.0, unit="GB/s").text
    '448\\xa0GB/s'
    """
    shown = f"{value:.{digits}g}"
    decimals = len(shown.partition(".")[2]) if "e" not in shown else 0
    text = number(value, decimals=decimals, locale=locale)
    return Rounded(f"{text}{NBSP}{unit}" if unit else text, "", f"at most {digits} digits")


def better_word(ratio: float, *, speed: bool = True) -> str:
    """Return "faster" or "slower" ("ahead" or "behind" where speed is not what is measured).

    From the unrounded ratio: 1.0004 is faster, however it is printed.
    """
    if ratio == 1:
        return "as fast as" if speed else "level with"
    if speed:
        return "faster" if ratio > 1 else "slower"
    return "ahead" if ratio > 1 else "behind"


def margin_words(
    ratio: float,
    low: float | None,
    high: float | None,
    *,
    outcome: str,
    speed: bool = True,
    locale: str = "en",
) -> str:
    """Return a margin in words with its direction, as the outcome allows.

    >>> margin_words(1.25, 1.22, 1.28, outcome="ahead")
    '25.0\\xa0% faster'
    >>> margin_words(0.8, 0.78, 0.82, outcome="behind")
    '20.0\\xa0% slower'
    >>> margin_words(1.01, 0.95, 1.07, outcome="unresolved")
    'not told apart (+1\\xa0%, between −5 and +7)'
    """
    return outcome_words(
        ratio_text(ratio, low, high, locale=locale), ratio, outcome=outcome, speed=speed
    )


def outcome_words(said: Rounded, ratio: float, *, outcome: str, speed: bool = True) -> str:
    """Return a margin that is rounded already in words with its direction."""
    span = f", between {said.interval.replace(' to ', ' and ')}" if said.interval else ""
    if outcome in {"level", "unresolved"}:
        word = "level" if outcome == "level" else "not told apart"
        return f"{word} ({said.text}{span})"
    return f"{said.text.lstrip('+' + MINUS)} {better_word(ratio, speed=speed)}"


def csv_cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula."""
    if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return "'" + value
    return value


def table_csv(table: pd.DataFrame) -> str:
    """Return a table as CSV, with no cell a spreadsheet would take for a formula."""
    import pandas as pd

    safe = table.rename(columns=csv_cell)
    for column in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[column]):
            # A lone carriage return would end the row: pandas quotes only "\n", the end it writes.
            safe[column] = safe[column].map(
                lambda cell: csv_cell(cell.replace("\r", " ") if isinstance(cell, str) else cell)
            )
    text: str = safe.to_csv(index=False, lineterminator="\n")
    return text
