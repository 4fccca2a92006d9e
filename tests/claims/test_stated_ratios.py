"""Ratios in words, checked against the margins they follow from."""

import math

import pytest

from claims.test_bound_text import book, claim
from kit.claims.bound_text import bind_text
from kit.claims.stated_ratios import derive, find_statements, ratios_of_pair
from kit.errors import TextError


def suites(**ratios):
    """Return a book of suite margins over all titles: `ash_birch=1.2` is Ash 1 over Birch 2."""
    names = {"ash": "Ash 1", "birch": "Birch 2", "cedar": "Cedar 3", "ashdesk": "Ash 1 desk"}
    claims = []
    for pair, ratio in ratios.items():
        product, baseline = pair.split("_")
        spread = 1.01 if ratio != 1.02 else 1.05
        claims.append(
            claim(
                f"suite/average_fps/all/{product}-over-{baseline}",
                "suite",
                ratio,
                low=ratio / spread,
                high=ratio * spread,
                outcome="ahead" if ratio / spread > 1 else "behind",
                product=product,
                baseline=baseline,
            )
        )
    made = book()
    return type(made)(
        *(made.review, made.title, made.byline, made.date, made.product, made.kit_version),
        *(made.params_file, made.params_sha256, made.settings, made.layouts, tuple(claims)),
        made.runs,
        {"products": names, "titles": {}},
    )


def faults_of(text, made):
    try:
        bind_text(text, made, file="t.md", names=made.names["products"])
    except TextError as error:
        return [fault.message for fault in error.faults]
    return []


# What the words mean is plain English; common practice, no source.
@pytest.mark.parametrize(
    ("words", "ratio"),
    [
        ("a third ahead", 4 / 3),
        ("about a third\nfaster", 4 / 3),
        ("a third slower", 2 / 3),
        ("half behind", 1 / 2),
        ("a quarter quicker", 5 / 4),
        ("two thirds in front", 5 / 3),
        ("three quarters faster", 7 / 4),
        ("twice as fast", 2),
        ("half the speed", 1 / 2),
        ("half again as fast", 3 / 2),
        ("three times the frame rate", 3),
        ("twelve per cent faster", 1.12),
        ("twenty-one percent behind", 0.79),
        ("nearly ninety per cent ahead", 1.9),
    ],
)
def test_words_mean_a_ratio(words, ratio):
    (found,) = find_statements(f"The new one is {words} of it, and half full.")
    assert found.ratio == pytest.approx(ratio, rel=1e-12)
    assert found.words == " ".join(words.split())


@pytest.mark.parametrize("text", ["a third of the titles", "half an hour", "it costs a third more"])
def test_other_words_mean_none(text):
    assert not list(find_statements(text))


@pytest.mark.parametrize(
    ("text", "ratio", "holds"),
    [
        ("a third ahead", 1.32, True),
        ("a third ahead", 1.28, False),
        ("about a third ahead", 1.28, True),
        ("about a third ahead", 1.26, False),
        ("about a third ahead", 1.40, False),
        ("nearly a third ahead", 1.31, True),
        ("nearly a third ahead", 1.34, False),
        ("more than a third ahead", 1.34, True),
        ("more than a third ahead", 1.32, False),
        ("just over a third ahead", 1.50, False),
        ("nearly a third behind", 0.68, True),
        ("nearly a third behind", 0.66, False),
        ("more than a third behind", 0.60, True),
        ("twice as fast", 1.9, False),
        ("twice as fast", 2.02, True),
        ("a third ahead", 3 / 4, False),  # the wrong way round
    ],
)
def test_one_margin_bears_the_words_out_or_not(text, ratio, holds):
    written = f"{{{{suite ash over birch | number}}}}: {text}."
    assert (not faults_of(written, suites(ash_birch=ratio))) is holds


# A/B x B/C = A/C, exactly: 1.1 x 1.2 = 1.32; 1.5 / 1.125 = 4/3.
@pytest.mark.parametrize(
    ("text", "ratios", "holds"),
    [
        ("Ash 1 is about a third ahead of Cedar 3.", {"ash_birch": 1.1, "birch_cedar": 1.2}, True),
        ("Ash 1 is about a half ahead of Cedar 3.", {"ash_birch": 1.1, "birch_cedar": 1.2}, False),
        ("Birch 2 is a third ahead of Cedar 3.", {"ash_cedar": 1.5, "ash_birch": 1.125}, True),
        ("Cedar 3 is a third ahead of Birch 2.", {"ash_cedar": 1.5, "ash_birch": 1.125}, False),
        ("Cedar 3 is a quarter behind Birch 2.", {"ash_cedar": 1.5, "ash_birch": 1.125}, True),
        ("Beside Cedar 3, Birch 2 is a third faster.", {"ash_cedar": 1.5, "ash_birch": 1.125}, True),
        ("Ash 1 desk is twice as fast as Birch 2.", {"ashdesk_ash": 1.6, "ash_birch": 1.25}, True),
    ],
)  # fmt: skip
def test_a_sentence_derived_from_two_margins_is_checked_against_them(text, ratios, holds):
    faults = faults_of(text, suites(**ratios))
    assert (not faults) is holds
    if not holds:
        assert "does not agree with" in faults[0] and faults[0].count("suite/average_fps/all") == 2


def test_margins_in_the_sentence_come_before_the_suite():
    text = (
        "At the dell {{margin ash over birch in dell | number}} says that Ash 1 is a {} ahead of "
        "Birch 2."
    )
    assert not faults_of(text.replace("{} ", "quarter "), book())
    (said,) = faults_of(text.replace("{} ", "third "), book())
    assert "margin/average_fps/dell/ash-over-birch" in said and "+25" in said


def test_without_names_the_margins_of_the_sentence_decide():
    made = suites(ash_birch=1.1, birch_cedar=1.2)
    pair = "{{suite ash over birch | number}} and {{suite birch over cedar | number}}"
    assert not faults_of(f"{pair}: together a third ahead.", made)
    assert not faults_of(f"{pair}, the latter a fifth ahead.", made)
    assert faults_of(f"{pair}: together a third behind.", made)
    assert faults_of(f"{pair}: together half again as fast.", made)


def test_words_that_follow_from_nothing_are_typed_figures():
    (said,) = faults_of("It is a third faster.", suites(ash_birch=1.1))
    assert 'the figure "a third faster" is typed in words' in said
    assert not faults_of("It is a third faster [source: Maker, 2026-01-02].", suites(ash_birch=1.1))
    assert not faults_of("It is not a third faster.", suites(ash_birch=1.1))


def test_words_say_no_more_than_the_runs():
    # 1.02 with ends 0.971 and 1.071, so ahead is not shown; of two margins the ends add up.
    made = suites(ash_birch=1.02, birch_cedar=1.02)
    (said,) = faults_of("Ash 1 is four per cent ahead of Cedar 3.", made)
    assert "do not tell the two apart" in said


def test_ends_of_a_derived_ratio_are_wide_however_its_margins_depend():
    made = suites(ash_birch=1.1, birch_cedar=1.2)
    (one,) = ratios_of_pair("cedar", "ash", [derive(c) for c in made.claims])
    assert one.ratio == pytest.approx(1 / 1.32, rel=1e-12)
    assert math.log(one.high / one.low) == pytest.approx(4 * math.log(1.01), rel=1e-9)
    assert one.claims == tuple(c.id for c in reversed(made.claims))


def test_margins_of_different_titles_are_not_multiplied():
    def margin(title, product, baseline, ratio):
        return claim(
            f"margin/average_fps/{title}/{product}-over-{baseline}", "margin", ratio, title=title,
            product=product, baseline=baseline, outcome="ahead",
        )  # fmt: skip

    first, other = margin("dell", "ash", "birch", 1.1), margin("fen", "birch", "cedar", 1.2)
    same = margin("dell", "birch", "cedar", 1.2)
    assert not ratios_of_pair("ash", "cedar", [derive(first), derive(other)])
    (one,) = ratios_of_pair("ash", "cedar", [derive(first), derive(same)])
    assert one.ratio == pytest.approx(1.32) and one.low is None
