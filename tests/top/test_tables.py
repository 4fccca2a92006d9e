"""Numbers as text. Percent and margins after reference-checks.md section 16 (arithmetic)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.rounding import Rounded, Speaker, _decimals_for, better_word, csv_cell, number


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
    assert Rounded.fps(61.34).text == "61.3\u00a0fps"
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
