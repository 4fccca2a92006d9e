"""Numbers as text, rows as tables or by key. The only place that rounds and has percent.

Decimals follow the interval: a figure is printed as far as its interval's half-width has one
significant digit, or two where it begins with 100 to 354 (the rounding rule of the Particle Data
Group's Review of Particle Physics, introduction, section 5.3), within bounds for its unit: one
decimal at most for percent and frames per second. Every text is made from the unrounded value,
once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import pandas as pd

_Key = TypeVar("_Key")
_Row = TypeVar("_Row")
NBSP = "\u00a0"
MINUS = "\u2212"
OUTCOME_SIGNS = {
    "ahead": "+", "behind": MINUS, "level": "=", "unresolved": "?",
    "above": "+", "below": MINUS, "open": "?",
}  # fmt: skip
# What an outcome is the other way round; any other is the same both ways.
TURNED = {"ahead": "behind", "behind": "ahead", "above": "below", "below": "above"}
BY_FIGURES = "by figures alone"  # how far runs scatter was not measured
# By language: outcomes that have no side, and how their interval is said.
_NO_SIDE = {
    "en": {
        "level": "level",
        "unresolved": "not told apart",
        "open": f"undecided {BY_FIGURES}",
        "between": ", between {} and {}",
    },
    "de": {
        "level": "gleichauf",
        "unresolved": "nicht zu trennen",
        "open": "nach bloßen Zahlen unentschieden",
        "between": ", zwischen {} und {}",
    },
}


@dataclass(frozen=True, slots=True)
class Rounded:
    """A figure as printed.

    Attributes
    ----------
    text : str
        The figure, with its unit.
    interval : str
        Its interval's ends; empty where there is none.
    rule : str
        The rule of rounding that made both.
    """

    text: str
    interval: str
    rule: str

    def in_words(
        self, ratio: float, *, outcome: str, speed: bool = True, language: str = "en"
    ) -> str:
        """Return a margin in words with its direction, as the outcome allows.

        Parameters
        ----------
        ratio : float
            The margin, unrounded: it decides the direction.
        outcome : str
            ahead, behind, level or unresolved; above, below or open of figures alone.
        speed : bool
            Whether more of it is said as "faster".
        language : str
            "en" or "de".

        Examples
        --------
        >>> Rounded.ratio(1.25, 1.22, 1.28).in_words(1.25, outcome="ahead")
        '25.0\\xa0% faster'
        >>> Rounded.ratio(0.8, 0.78, 0.82).in_words(0.8, outcome="behind")
        '20.0\\xa0% slower'
        >>> Rounded.ratio(1.01, 0.95, 1.07).in_words(1.01, outcome="unresolved")
        'not told apart (+1\\xa0%, between −5 and +7)'
        """
        words = _NO_SIDE[language]
        if outcome in words:
            ends = self.interval.split(" to ")
            span = words["between"].format(*ends) if self.interval else ""
            return f"{words[outcome]} ({self.text}{span})"
        better = better_word(ratio, speed=speed, language=language)
        return f"{self.text.lstrip('+' + MINUS)} {better}"

    @staticmethod
    def ratio(ratio: float, *ends: float | None, locale: str = "en") -> Rounded:
        """Return a margin as signed percent.

        Parameters
        ----------
        ratio : float
            1.0 is level: 1.25 becomes +25.0 %.
        *ends : float
            The low and the high end of its interval, which decide the decimals, where it has one.
        locale : str
            How numbers are written.

        Examples
        --------
        >>> Rounded.ratio(1.2504, 1.22, 1.28).text
        '+25.0\\xa0%'
        """
        return _percent_text(ratio, ends, level=1.0, sign=True, locale=locale)

    @staticmethod
    def apart(ratio: float, *ends: float | None, locale: str = "en") -> Rounded:
        """Return by how much what a sensor reads is above another reading, to a tenth at most.

        >>> Rounded.apart(0.66606, 0.66594, 0.66618).text
        '−33.4\\xa0%'
        """
        return _percent_text(ratio, ends, level=1.0, sign=True, locale=locale, at_most=1)

    @staticmethod
    def figure(
        value: float,
        *ends: float | None,
        unit: str = "fps",
        rule: str = "fps",
        locale: str = "en",
    ) -> Rounded:
        """Return a figure in its own unit, decimals following its interval.

        Parameters
        ----------
        value, *ends : float
            The figure, and the ends of its interval where it has one.
        unit : str
            Its unit.
        rule : {"fps", "fine", "reading", "level"}
            How many decimals it has at most, and without an interval: of a rate one, below 10 two;
            of what may be much below 1 three digits; of what a sensor reads one, from 100 up none;
            of a difference of levels, which is signed, one.
        locale : str
            How numbers are written.

        Examples
        --------
        >>> Rounded.figure(61.345, 60.1, 62.6).text
        '61.3\\xa0fps'
        >>> Rounded.figure(0.01234, unit="J", rule="fine").text
        '0.0123\\xa0J'
        >>> Rounded.figure(1651.83, 1651.4, 1652.3, unit="MHz", rule="reading").text
        '1,652\\xa0MHz'
        >>> Rounded.figure(-3.26, -3.9, -2.6, unit="dB(A)", rule="level").text
        '−3.3\\xa0dB(A)'
        """
        spare = _SPARE[rule](abs(value))
        decimals = _decimals_for(_half_width(ends), at_most=spare, otherwise=spare)
        text, interval = _texts(value, ends, decimals=decimals, locale=locale, sign=rule == "level")
        text = f"{text}{NBSP}{unit}" if unit else text
        return Rounded(text, interval, f"{decimals} decimals")

    @staticmethod
    def money(
        value: float,
        currency: str,
        *ends: float | None,
        decimals: int = 0,
        locale: str = "en",
        sign: bool = False,
    ) -> Rounded:
        """Return an amount of money with its currency.

        Parameters
        ----------
        value, *ends : float
            The amount, and the ends of its interval; none is shown where they are equal.
        currency : str
            Three letters.
        decimals : int
            How many are shown.
        locale : str
            How numbers are written.
        sign : bool
            Whether an amount above zero gets a plus: of a difference.

        Examples
        --------
        >>> Rounded.money(1499.5, "EUR").text
        'EUR\\xa01,500'
        >>> Rounded.money(-200, "EUR", sign=True).text
        'EUR\\xa0−200'
        """
        ends = ends if len({*ends}) > 1 else ()
        text, interval = _texts(value, ends, decimals=decimals, locale=locale, sign=sign)
        return Rounded(f"{currency}{NBSP}{text}", interval, f"{decimals} decimals")

    @staticmethod
    def share(share: float, *ends: float | None, locale: str = "en") -> Rounded:
        """Return a share as percent, unsigned; `ends` are those of its interval.

        >>> Rounded.share(0.125).text
        '12.5\\xa0%'
        """
        return _percent_text(share, ends, level=0.0, sign=False, locale=locale)

    @staticmethod
    def count(count: float, *, locale: str = "en") -> Rounded:
        """Return a figure as a whole number without a unit.

        >>> Rounded.count(12000).text, Rounded.count(61.345).text
        ('12,000', '61')
        """
        return Rounded(number(count, decimals=0, locale=locale), "", "whole number")

    @staticmethod
    def plain(value: float, *, unit: str = "", digits: int = 6, locale: str = "en") -> Rounded:
        """Return a given figure (a specification) with the digits it needs, no more than `digits`.

        >>> Rounded.plain(448.0, unit="GB/s").text
        '448\\xa0GB/s'
        """
        shown = f"{value:.{digits}g}"
        decimals = len(shown.partition(".")[2]) if "e" not in shown else 0
        text = number(value, decimals=decimals, locale=locale)
        return Rounded(f"{text}{NBSP}{unit}" if unit else text, "", f"at most {digits} digits")

    @staticmethod
    def expected(count: float, *, locale: str = "en") -> Rounded:
        """Return an expected number of things, to one decimal.

        >>> Rounded.expected(0.23).text, Rounded.expected(0.004).text
        ('0.2', 'under 0.1')
        """
        least = number(0.1, decimals=1, locale=locale)
        text = number(count, decimals=1, locale=locale) if count >= 0.05 else f"under {least}"
        return Rounded(text, "", "1 decimal")

    @staticmethod
    def chance(p: float, *, locale: str = "en") -> Rounded:
        """Return a p-value with two digits, and none below a thousandth.

        >>> Rounded.chance(0.03125).text, Rounded.chance(7.6e-06).text, Rounded.chance(1.0).text
        ('0.031', 'under 0.001', '1')
        """
        if p < 0.001:
            return Rounded(f"under {number(0.001, decimals=3, locale=locale)}", "", "thousandths")
        return Rounded.plain(p, digits=2, locale=locale)


@dataclass(frozen=True, slots=True)
class _Words:
    """How one locale writes numbers."""

    decimal: str
    group: str

    def write(self, plain: str) -> str:
        """Return a plain number such as "1,234.5" with these marks."""
        if (self.decimal, self.group) == (".", ","):
            return plain
        return plain.translate({ord(","): self.group, ord("."): self.decimal})


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
    """Return the decimals that show one or two significant digits of a half-width.

    Parameters
    ----------
    half_width : float, optional
        Half an interval, in the unit printed.
    at_most : int
        No more decimals than this.
    otherwise : int
        Decimals where there is no half-width, or it is not finite.

    Examples
    --------
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

    Parameters
    ----------
    value : float
        The number; one that is not finite is said in words.
    decimals : int
        How many are shown.
    locale : str
        Whose marks: a name such as "en" or "de".
    sign : bool
        Whether a number above zero gets a plus.

    Examples
    --------
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
    text = plain if locale == "en" else words_of(locale).write(plain)
    if not (sign or value < 0) or not plain.strip("0,."):  # no negative zero, none with a plus
        return text
    return (MINUS if value < 0 else "+") + text


_Ends = tuple[float | None, ...]  # of an interval, low and high; none, or None, where it has none


def _half_width(ends: _Ends, scale: float = 1.0) -> float | None:
    if not ends or ends[0] is None or ends[1] is None:
        return None
    return abs(ends[1] - ends[0]) / 2 * scale


def _texts(value: float, ends: _Ends, *, decimals: int, locale: str, sign: bool) -> tuple[str, str]:
    """Return a number, and the ends of its interval, as `number` writes them."""
    text = number(value, decimals=decimals, locale=locale, sign=sign)
    if not ends or ends[0] is None or ends[1] is None:
        return text, ""
    low = number(ends[0], decimals=decimals, locale=locale, sign=sign)
    return text, f"{low} to {number(ends[1], decimals=decimals, locale=locale, sign=sign)}"


def _percent_text(
    value: float, ends: _Ends, *, level: float, sign: bool, locale: str, at_most: int = 2
) -> Rounded:
    """Return how much a value is above a level, in percent: one decimal at most.

    Two where the interval is within a tenth of a percent.
    """
    half_width = _half_width(ends, 100)
    at_most = at_most if half_width is not None and half_width < 0.05 else 1
    decimals = _decimals_for(half_width, at_most=at_most, otherwise=1)
    ends = tuple([None if end is None else 100 * (end - level) for end in ends])
    text, interval = _texts(
        100 * (value - level), ends, decimals=decimals, locale=locale, sign=sign
    )
    return Rounded(f"{text}{NBSP}%", interval, f"percent, {decimals} decimals")


# Decimals of a figure in its own unit at most, by the rule it is printed by and its size.
_SPARE: Mapping[str, Callable[[float], int]] = {
    "fps": lambda size: 1 if size >= 10 else 2,
    "fine": lambda size: max(0, 2 - math.floor(math.log10(size))) if size else 0,
    "reading": lambda size: 0 if size >= 100 else 1,
    "level": lambda _: 1,
}


def better_word(ratio: float, *, speed: bool = True, language: str = "en") -> str:
    """Return "faster" or "slower" ("ahead" or "behind" where speed is not what is measured).

    From the unrounded ratio: 1.0004 is faster, however it is printed.
    """
    if ratio == 1:
        return "as fast as" if speed else "level with"
    return _SPEECH[language].directions[2 * (not speed) + (ratio < 1)]


@dataclass(frozen=True, slots=True)
class _Speech:
    """How one language says what is measured."""

    hedges: tuple[str, str, str, str]  # about, just under, almost, just over
    percent: str
    least: str
    directions: tuple[str, str, str, str]  # faster, slower, ahead, behind
    outcomes: tuple[str, str]  # level, not told apart
    joints: tuple[str, str, str, str, str]  # after faster, ahead, behind, level, not told apart
    times: tuple[str, str, str]  # 2, 3, 4
    as_fast: tuple[str, str]
    more: tuple[str, str]
    fps: str


_OFF = 0.3 + 1e-9  # "about" where rounding moves a figure by more; common practice, no source
_SPEECH = {
    "en": _Speech(
        ("about", "just under", "almost", "just over"), "per cent", "less than one per cent",
        ("faster", "slower", "ahead", "behind"), ("level", "too close to call"),
        ("than", "of", "", "with", "against"), ("twice", "three times", "four times"),
        ("as fast", "as"), ("more", "less"), "frames per second",
    ),
    "de": _Speech(
        ("etwa", "knapp", "fast", "etwas über"), "Prozent", "weniger als ein Prozent",
        ("schneller", "langsamer", "vorn", "zurück"), ("gleichauf", "nicht zu trennen"),
        ("als", "gegenüber", "gegenüber", "mit", "von"), ("doppelt", "dreimal", "viermal"),
        ("so schnell", "wie"), ("mehr", "weniger"), "Bilder pro Sekunde",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Speaker:
    """Says figures as they are spoken: whole, hedged where rounding moves them.

    Attributes
    ----------
    language : str
    in_words : bool
        Numbers in words ("thirteen"), else in numerals.
    locale : str, optional
        How numerals are written, where not as the language does.

    Notes
    -----
    "about" where a figure is more than 0.3 from the whole number said, "just under" where the next
    ten is at most one above it, "almost twice" and "just over twice" within 5 %. Common practice,
    no source.
    """

    language: str = "en"
    in_words: bool = True
    locale: str = ""

    def count(self, value: float) -> str:
        """Return a whole number.

        >>> Speaker().count(343), Speaker("de").count(21), Speaker(in_words=False).count(1343)
        ('three hundred and forty-three', 'einundzwanzig', '1,343')
        """
        whole = math.floor(value + 0.5)
        if not self.in_words or abs(whole) >= 10**9:
            return number(float(whole), decimals=0, locale=self.locale or self.language)
        from num2words import num2words

        said = str(num2words(whole, lang=self.language)).replace(",", "")
        return "ein" if said == "eins" else said

    def percent(self, share: float) -> str:
        """Return a share without its sign.

        >>> [Speaker().percent(s) for s in (0.13, 0.134, 0.196, 0.004)]
        ['thirteen per cent', 'about thirteen per cent', 'just under twenty per cent', \
'less than one per cent']
        """
        speech, percent = self._speech, abs(100 * share)
        if percent < 0.5:
            return speech.least
        whole, ten = math.floor(percent + 0.5), math.ceil(percent / 10) * 10
        hedge = ""
        if abs(percent - whole) > _OFF:
            hedge = speech.hedges[0] + " "
            if ten - percent <= 1:
                hedge, whole = speech.hedges[1] + " ", ten
        return f"{hedge}{self.count(whole)} {speech.percent}"

    def change(self, ratio: float) -> str:
        """Return a ratio as so much more or less.

        >>> Speaker().change(1.2), Speaker("de").change(0.75)
        ('twenty per cent more', 'fünfundzwanzig Prozent weniger')
        """
        return f"{self.percent(ratio - 1)} {self._speech.more[ratio < 1]}"

    def margin(
        self, ratio: float, *, outcome: str, speed: bool = True, joined: bool = False
    ) -> str:
        """Return a margin as its outcome allows; `joined` ends it before the other's name.

        >>> Speaker().margin(1.127, outcome="ahead", joined=True)
        'thirteen per cent faster than'
        >>> Speaker().margin(0.984, outcome="level", joined=True)
        'level with'
        >>> Speaker().margin(1.94, outcome="ahead")
        'almost twice as fast'
        """
        speech = self._speech
        if outcome not in TURNED:
            open_ = int(outcome != "level")
            said, joint = speech.outcomes[open_], speech.joints[3 + open_]
            return f"{said} {joint}" if joined else said
        near = min((2, 3, 4), key=lambda times: abs(ratio / times - 1))
        off = ratio / near - 1
        if speed and abs(off) <= 0.05:
            hedge = "" if abs(off) <= 0.01 else speech.hedges[2 if off < 0 else 3] + " "
            said, joint = f"{hedge}{speech.times[near - 2]} {speech.as_fast[0]}", speech.as_fast[1]
        else:
            way = 2 * (not speed) + (ratio < 1)
            said = f"{self.percent(ratio - 1)} {speech.directions[way]}"
            joint = speech.joints[max(0, way - 1)]
        return f"{said} {joint}".rstrip() if joined else said

    def fps(self, value: float) -> str:
        """Return a frame rate, whole."""
        hedge = self._speech.hedges[0] + " " if abs(value - math.floor(value + 0.5)) > _OFF else ""
        return f"{hedge}{self.count(value)} {self._speech.fps}"

    def money(self, value: float, currency: str) -> str:
        """Return an amount of money, whole.

        >>> Speaker().money(1924, "EUR")
        'one thousand nine hundred and twenty-four euros'
        """
        from babel.numbers import get_currency_name

        whole = math.floor(value + 0.5)
        name = get_currency_name(currency, count=whole, locale=self.language)
        return f"{self.count(value)} {name}"

    @property
    def _speech(self) -> _Speech:
        if self.language not in _SPEECH:
            known = ", ".join(_SPEECH)
            raise LookupError(f'nothing is spoken in "{self.language}"; there are {known}')
        return _SPEECH[self.language]


def grouped(pairs: Iterable[tuple[_Key, _Row]]) -> dict[_Key, list[_Row]]:
    """Return rows by key, both in the order in which they come.

    Parameters
    ----------
    pairs : iterable of (key, row)

    Examples
    --------
    >>> grouped((len(word), word) for word in ("ash", "elm", "alder"))
    {3: ['ash', 'elm'], 5: ['alder']}
    """
    found: dict[_Key, list[_Row]] = {}
    for key, row in pairs:
        found.setdefault(key, []).append(row)
    return found


def csv_cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula."""
    if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return "'" + value
    return value


def table_csv(table: pd.DataFrame) -> str:
    """Return a table as CSV, with no cell a spreadsheet would take for a formula.

    Parameters
    ----------
    table : DataFrame
        Cells of text or numbers. Its index is left out.
    """
    import pandas as pd

    def safe(cell: Any) -> Any:
        # A lone carriage return would end the row: pandas quotes only "\n", the end it writes.
        return csv_cell(cell.replace("\r", " ") if isinstance(cell, str) else cell)

    named = table.rename(columns=csv_cell)
    for column in named.columns:
        if not pd.api.types.is_numeric_dtype(named[column]):
            named[column] = named[column].map(safe)
    text: str = named.to_csv(index=False, lineterminator="\n")
    return text
