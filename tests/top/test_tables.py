"""Numbers as text. Percent and margins after reference-checks.md section 16 (arithmetic)."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.rounding import (
    Rounded,
    Speaker,
    _decimals_for,
    better_word,
    csv_cell,
    number,
    table_csv,
)


# Arithmetic, no source: 28 % faster is 21.875 % slower the other way round; 25 and 20.
@pytest.mark.parametrize(
    ("ratio", "there", "back"),
    [
        (1.28, "28.0\u00a0% faster", "21.9\u00a0% slower"),
        (1.25, "25.0\u00a0% faster", "20.0\u00a0% slower"),
    ],
)
def test_both_directions_have_their_own_percent(ratio, there, back):
    assert Rounded.ratio(ratio).in_words(ratio, outcome="ahead") == there
    assert Rounded.ratio(1 / ratio).in_words(1 / ratio, outcome="behind") == back


def test_a_chain_is_taken_from_unrounded_ratios():
    # Arithmetic, no source: 6 % faster and 4 % slower than C: 1.06 / 0.96, not 10.0 %.
    assert Rounded.ratio(1.06 / 0.96).text == "+10.4\u00a0%"


def test_a_margin_is_rounded_once_from_unrounded_values():
    # Arithmetic, no source: 100.4 / 99.6 is +0.80 %, though both print as 100.
    assert Rounded.ratio(100.4 / 99.6, 1.005, 1.011).text == "+0.8\u00a0%"
    assert number(100.4, decimals=0) == number(99.6, decimals=0) == "100"


# Particle Data Group, Review of Particle Physics, introduction 5.3 (rule from memory): 100 to 354
# keep two digits, 355 to 949 one, 950 to 999 round up to 1000 and keep two. JCGM 100:2008 (GUM),
# 7.2.6, allows at most two.
@pytest.mark.parametrize(
    ("half_width", "decimals"),
    [
        (0.0354, 3),
        (0.0355, 2),
        (0.0949, 2),
        (0.095, 2),
        (0.24, 2),
        (0.355, 1),
        (0.94, 1),
        (0.95, 1),
        (0.96, 1),
        (1.0, 1),
        (3.54, 1),
        (3.55, 0),
        (9.4, 0),
        (24.0, 0),
        (240.0, 0),
    ],
)
def test_decimals_follow_the_interval(half_width, decimals):
    assert _decimals_for(half_width, at_most=3, otherwise=1) == decimals


def test_the_word_follows_the_unrounded_value():
    assert better_word(1.0004) == "faster"
    assert better_word(0.9996) == "slower"
    assert better_word(1.0) == "as fast as"


@pytest.mark.parametrize(
    ("locale", "text"),
    # CLDR decimal and group marks, through Babel.
    [("en", "1,234.5"), ("de", "1.234,5"), ("fr", "1\u202f234,5"), ("de-CH", "1’234.5")],
)
def test_marks_follow_the_locale(locale, text):
    assert number(1234.5, decimals=1, locale=locale) == text


def test_an_unknown_locale_is_refused():
    with pytest.raises(ValueError, match="unknown locale 'xx-nowhere'"):
        number(1.0, decimals=1, locale="xx-nowhere")


def test_units_stand_after_a_space_that_does_not_break():
    assert Rounded.figure(61.34).text == "61.3\u00a0fps"
    assert Rounded.money(1499.0, "EUR", 1400, 1600).interval == "1,400 to 1,600"
    assert Rounded.share(0.0).text == "0.0\u00a0%"


@given(st.floats(min_value=-1e12, max_value=1e12), st.integers(0, 4))
def test_a_number_reads_back_within_its_rounding(value, decimals):
    text = number(value, decimals=decimals).replace(",", "").replace("\u2212", "-")
    assert abs(float(text) - value) <= 0.5 * 10.0**-decimals * (1 + 1e-9) + abs(value) * 1e-15
    assert text != "-0"


@pytest.mark.parametrize("text", ["=1+1", "+x", "-x", "@x", "\tx"])
def test_no_cell_is_a_formula(text):
    assert csv_cell(text) == "'" + text


# Common practice, no source: whole per cents, "about" beyond 0.3, "just under" the next ten.
@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        (1.13, "thirteen per cent faster"),
        (1.127, "thirteen per cent faster"),
        (1.134, "about thirteen per cent faster"),
        (1.126, "about thirteen per cent faster"),
        (1.194, "just under twenty per cent faster"),
        (1.206, "about twenty-one per cent faster"),
        (0.713, "twenty-nine per cent slower"),
        (0.706, "just under thirty per cent slower"),
        (1.004, "less than one per cent faster"),
        (1.94, "almost twice as fast"),
        (2.0, "twice as fast"),
        (2.06, "just over twice as fast"),
        (2.5, "one hundred and fifty per cent faster"),
        (2.9, "almost three times as fast"),
    ],
)
def test_a_margin_is_spoken(ratio, said):
    assert Speaker().margin(ratio, outcome="ahead" if ratio > 1 else "behind") == said


def test_scores_are_ahead_or_behind():
    for ratio, outcome, said in (
        (1.2, "ahead", "twenty per cent ahead of"),
        (0.8, "behind", "twenty per cent behind"),
        (1.0, "level", "level with"),
    ):
        assert Speaker().margin(ratio, outcome=outcome, speed=False, joined=True) == said


# Arithmetic by hand: percent has a decimal at most, two where its half-width is under 0.05 %.
@pytest.mark.parametrize(
    ("figure", "text", "interval"),
    [
        (Rounded.ratio(1.25, 1.2494, 1.2506), "+25.0\u00a0%", "+24.9 to +25.1"),
        (Rounded.ratio(1.25, 1.2496, 1.2504), "+25.00\u00a0%", "+24.96 to +25.04"),
        (Rounded.ratio(1.25, 1.2, 1.3), "+25\u00a0%", "+20 to +30"),
        (Rounded.ratio(1.25, 1.2, None), "+25.0\u00a0%", ""),
        (Rounded.share(0.125, 0.1, 0.15), "12.5\u00a0%", "10.0 to 15.0"),
        (Rounded.figure(9.994), "9.99\u00a0fps", ""),
        (Rounded.figure(10.04), "10.0\u00a0fps", ""),
        (Rounded.figure(-10.04), "\u221210.0\u00a0fps", ""),
        (Rounded.figure(61.345, 60.1, 62.6), "61.3\u00a0fps", "60.1 to 62.6"),
        (Rounded.figure(61.345, 61.345, 61.345), "61.3\u00a0fps", "61.3 to 61.3"),
        (Rounded.figure(0.0, unit="J", rule="fine"), "0\u00a0J", ""),
        (Rounded.figure(-0.01234, unit="J", rule="fine"), "\u22120.0123\u00a0J", ""),
        (Rounded.figure(123.4, unit="J", rule="fine"), "123\u00a0J", ""),
        (Rounded.figure(1234.6, unit="J", rule="fine"), "1,235\u00a0J", ""),
        (Rounded.figure(3.26, 2.6, 3.9, unit="dB", rule="level"), "+3.3\u00a0dB", "+2.6 to +3.9"),
        (Rounded.money(1499.5, "EUR", 5.0, 5.0), "EUR\u00a01,500", ""),
        (Rounded.money(200, "EUR", sign=True, decimals=2), "EUR\u00a0+200.00", ""),
        (Rounded.plain(448.125, unit="GB/s"), "448.125\u00a0GB/s", ""),
        (Rounded.plain(1234567.0), "1,234,567", ""),
        (Rounded.plain(0.1234567), "0.123457", ""),
        (Rounded.expected(0.05), "0.1", ""),
        (Rounded.expected(0.0499), "under 0.1", ""),
        (Rounded.chance(0.001), "0.001", ""),
        (Rounded.chance(0.00099), "under 0.001", ""),
        (Rounded.count(61.5), "62", ""),
    ],
)
def test_a_figure_is_printed_as_far_as_its_interval(figure, text, interval):
    assert (figure.text, figure.interval) == (text, interval)


@pytest.mark.parametrize(
    ("half_width", "decimals"),
    [(None, 1), (float("inf"), 1), (float("nan"), 1), (0.0, 3), (-1.0, 3), (1e-9, 3)],
)
def test_decimals_without_an_interval_that_says_them(half_width, decimals):
    assert _decimals_for(half_width, at_most=3, otherwise=1) == decimals


def test_what_is_not_finite_is_said_in_words():
    found = [number(float(value), decimals=1) for value in ("inf", "-inf", "nan")]
    assert found == ["unbounded", "unbounded", "undefined"]


@pytest.mark.parametrize(
    ("ratio", "speed", "language", "said"),
    [
        (1.25, True, "en", "25.0\u00a0% faster"),
        (0.75, True, "en", "25.0\u00a0% slower"),
        (1.25, False, "en", "25.0\u00a0% ahead"),
        (0.75, False, "en", "25.0\u00a0% behind"),
        (1.25, True, "de", "25.0\u00a0% schneller"),
        (0.75, True, "de", "25.0\u00a0% langsamer"),
        (1.25, False, "de", "25.0\u00a0% vorn"),
        (0.75, False, "de", "25.0\u00a0% zurück"),
    ],
)
def test_a_direction_in_words(ratio, speed, language, said):
    outcome = "behind" if ratio < 1 else "ahead"
    words = Rounded.ratio(ratio).in_words(ratio, outcome=outcome, speed=speed, language=language)
    assert words == said


@pytest.mark.parametrize(
    ("speaker", "value", "said"),
    [
        (Speaker(), 12.5, "thirteen"),
        (Speaker(), 12.49, "twelve"),
        (Speaker("de"), 1, "ein"),
        (Speaker(), 10**9 - 1, "nine hundred and ninety-nine million nine hundred and ninety-nine "
         "thousand nine hundred and ninety-nine"),
        (Speaker(), 10**9, "1,000,000,000"),
        (Speaker(in_words=False, locale="de"), 1343, "1.343"),
        (Speaker("de", in_words=False), 1343, "1.343"),
    ],
)  # fmt: skip
def test_a_count_is_spoken(speaker, value, said):
    assert speaker.count(value) == said


# Common practice, no source, as `Speaker` states it: at and beside each of its bounds.
@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (Speaker().percent(0.005), "about one per cent"),
        (Speaker().percent(0.00499), "less than one per cent"),
        (Speaker().percent(-0.13), "thirteen per cent"),
        (Speaker().percent(0.133), "thirteen per cent"),
        (Speaker().percent(0.1305), "thirteen per cent"),
        (Speaker().percent(0.19), "nineteen per cent"),
        (Speaker().percent(0.1935), "just under twenty per cent"),
        (Speaker().percent(0.1865), "about nineteen per cent"),
        (Speaker().fps(61.3), "sixty-one frames per second"),
        (Speaker().fps(61.4), "about sixty-one frames per second"),
        (Speaker().fps(61.65), "about sixty-two frames per second"),
        (Speaker().change(1.0), "less than one per cent more"),
        (Speaker().money(1.4, "EUR"), "one euro"),
        (Speaker().money(1.5, "EUR"), "two euros"),
        (Speaker().margin(2.019, outcome="ahead"), "twice as fast"),
        (Speaker().margin(2.03, outcome="ahead"), "just over twice as fast"),
        (Speaker().margin(1.97, outcome="ahead"), "almost twice as fast"),
        (Speaker().margin(1.89, outcome="ahead"), "eighty-nine per cent faster"),
        (Speaker().margin(4.0, outcome="ahead", joined=True), "four times as fast as"),
        (Speaker().margin(2.0, outcome="ahead", speed=False), "one hundred per cent ahead"),
        (Speaker().margin(1.2, outcome="unresolved", joined=True),
         "too close to call against"),
        (Speaker().margin(1.2, outcome="unresolved"), "too close to call"),
    ],
)  # fmt: skip
def test_speech_at_its_bounds(said, expected):
    assert said == expected


def test_a_table_as_csv_has_no_formulas_and_keeps_its_rows():
    table = pd.DataFrame({"=a": ["=1", "x\ry", None], "b": [-1, 2, 3]})
    assert table_csv(table) == "'=a,b\n'=1,-1\nx y,2\n,3\n"


def test_scores_alike_are_level():
    assert better_word(1.0, speed=False) == "level with"
