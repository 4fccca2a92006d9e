"""Bound text: every figure a reference, every comparative word checked against its outcome."""

from __future__ import annotations

import math

import pytest

from kit.claims.bound_text import (
    _derive,
    _find_statements,
    _ratios_of_pair,
    bind_text,
    printed_forms,
)
from kit.claims.claim import Claim, ClaimBook, RunRecord
from kit.errors import TextError
from kit.page.html import show_text
from kit.rounding import ratio_text


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
    (found,) = _find_statements(f"The new one is {words} of it, and half full.")
    assert found.ratio == pytest.approx(ratio, rel=1e-12)
    assert found.words == " ".join(words.split())


@pytest.mark.parametrize("text", ["a third of the titles", "half an hour", "it costs a third more"])
def test_other_words_mean_none(text):
    assert not list(_find_statements(text))


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
    (one,) = _ratios_of_pair("cedar", "ash", [_derive(c) for c in made.claims])
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
    assert not _ratios_of_pair("ash", "cedar", [_derive(first), _derive(other)])
    (one,) = _ratios_of_pair("ash", "cedar", [_derive(first), _derive(same)])
    assert one.ratio == pytest.approx(1.32) and one.low is None


def claim(claim_id, kind, value, *, low=None, high=None, outcome="", text="", **where):
    fields = {
        "metric": "average_fps",
        "product": "ash",
        "baseline": "",
        "title": "",
        "unit": "ratio",
    }
    fields.update(where)
    rounded = ratio_text(value, low, high)
    return Claim(
        id=claim_id,
        kind=kind,
        value=value,
        low=low,
        high=high,
        confidence=0.95,
        outcome=outcome,
        text=text or rounded.text,
        interval=rounded.interval if low else "",
        rounding="",
        method="margin-welch",
        method_version=1,
        inputs=("r1",),
        runs=("r1",),
        set_aside=(),
        marks=(),
        **fields,
    )


def book():
    pair = {"product": "ash", "baseline": "birch"}
    claims = (
        claim(
            "margin/average_fps/dell/ash-over-birch",
            "margin",
            1.25,
            low=1.22,
            high=1.28,
            outcome="ahead",
            title="dell",
            **pair,
        ),
        claim(
            "margin/average_fps/fen/ash-over-birch",
            "margin",
            0.8,
            low=0.78,
            high=0.82,
            outcome="behind",
            title="fen",
            **pair,
        ),
        claim(
            "margin/average_fps/moor/ash-over-birch",
            "margin",
            1.01,
            low=0.95,
            high=1.07,
            outcome="unresolved",
            title="moor",
            **pair,
        ),
        claim(
            "suite/average_fps/all/ash-over-birch",
            "suite",
            1.004,
            low=0.996,
            high=1.012,
            outcome="level",
            **pair,
        ),
        claim(
            "cell/average_fps/dell/ash",
            "cell",
            61.3,
            text="61.3\u00a0fps",
            title="dell",
            unit="fps",
        ),
        claim("value/street/price/ash", "price", 1499.0, text="EUR\u00a01,499", unit="EUR"),
        claim(
            "value/street/equal_value_price/ash-over-birch",
            "equal_value_price",
            1300.0,
            text="EUR\u00a01,300",
            unit="EUR",
            **pair,
        ),
        claim("count/runs/used", "count", 90.0, text="90", unit="runs"),
    )
    rest = ("", "ran", "", "", 0.0, {}, ())  # layout to flags
    runs = (RunRecord("r1", "ash", "dell", "logs/r1.csv", "0" * 64, 10, True, "", *rest),)
    return ClaimBook(
        "demo",
        "T",
        "B",
        "2026-11-25",
        "ash",
        "0",
        "demo.yaml",
        "0",
        {},
        {},
        claims,
        runs,
        {"products": {"ash": "Ash 1", "birch": "Birch 2"}, "titles": {}},
    )


NAMES = {"ash": "Ash 1", "birch": "Birch 2"}


def bind(text):
    return bind_text(text, book(), file="demo.md", names=NAMES)


@pytest.mark.parametrize(
    ("written", "printed"),
    [
        ("{{average ash in dell}}", "61.3\u00a0fps"),
        ("{{margin ash over birch in dell}}", "25.0\u00a0% faster"),
        ("{{margin ash over birch in dell | number}}", "+25.0\u00a0%"),
        ("{{margin ash over birch in dell | interval}}", "25.0\u00a0% faster (+22.0 to +28.0)"),
        ("{{margin ash over birch in dell | reversed}}", "20.0\u00a0% slower"),
        (
            "{{margin ash over birch in dell | sentence}}",
            "Ash 1 is 25.0\u00a0% faster than Birch 2",
        ),
        (
            "{{margin ash over birch in dell | reversed sentence}}",
            "Birch 2 is 20.0\u00a0% slower than Ash 1",
        ),
        ("{{margin ash over birch in fen | sentence}}", "Ash 1 is 20.0\u00a0% slower than Birch 2"),
        (
            "{{margin ash over birch in moor | sentence}}",
            "Ash 1 and Birch 2 are not told apart (+1\u00a0%, between −5 and +7)",
        ),
        (
            "{{suite ash over birch | sentence}}",
            "Ash 1 and Birch 2 are level (+0.4\u00a0%, between −0.4 and +1.2)",
        ),
        ("{{margin ash over birch in moor | number interval}}", "+1\u00a0% (−5 to +7)"),
        ("{{price ash at street}}", "EUR\u00a01,499"),
        ("{{equal_value ash over birch at street}}", "EUR\u00a01,300"),
        ("{{ runs  used }}", "90"),
    ],
)
def test_a_reference_prints_number_unit_and_direction(written, printed):
    bound = bind(f"It says {written}.")
    assert bound.to_markdown() == f"It says {printed}."
    assert printed in printed_forms(bound.references[0].claim, book())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "x\n\n{{margin ash over birch in del}}",
            "line 3, {{margin ash over birch in del}}: no such "
            'claim "margin/average_fps/del/ash-over-birch"; did you mean',
        ),
        ("{{marge ash}}", "is not a reference; write for example"),
        ("{{average ash in dell | intervall}}", 'did you mean "interval"?'),
        ("{{price ash at street | sentence}}", '"sentence" fits a margin or suite, not price'),
        ("It is 12 % faster.", 'the figure "12 %" is typed by hand'),
        ("It runs at 61.3 fps.", 'the figure "61.3 fps"'),
        ("A frame takes 16.7 ms, no more.", '"16.7 ms"'),
        ("It draws 95 W.", '"95 W"'),
        ("It costs €1,499 now.", '"€1,499"'),
        ("It costs 1,499 euros.", '"1,499 euros"'),
        (
            "It is {{margin ash over birch in moor}}, so it is faster.",
            '"faster" contradicts the outcome "unresolved" of margin/average_fps/moor',
        ),
        (
            "It is slower: {{margin ash over birch in dell}}.",
            '"slower" contradicts the outcome "ahead"',
        ),
        ("Ash leads by {{suite ash over birch}}.", '"leads" contradicts the outcome "level"'),
        ("Both are level: {{margin ash over birch in dell}}.", '"level" contradicts'),
        ("Birch is faster, {{margin ash over birch in dell | reversed}}.", '"faster" contradicts'),
        (
            "Ash 1 is simply faster than Birch 2.",
            '"faster" contradicts the outcome "level" of suite',
        ),
    ],
)
def test_text_is_refused_with_file_and_line(text, said):
    with pytest.raises(TextError) as caught:
        bind(text)
    assert said in str(caught.value)
    assert str(caught.value).startswith("demo.md, line ")


@pytest.mark.parametrize(
    "text",
    [
        "Ash is faster, {{margin ash over birch in dell}}.",
        "Birch is slower, {{margin ash over birch in dell | reversed}}.",
        "Ash is not faster here: {{margin ash over birch in moor}}.",
        "The maker promises 30 % more [source: the maker's sheet, 2026-05-01].",
        "It has 12 titles and three rivals, and 2026 was a long year.",
        "First {{margin ash over birch in dell}} faster, then {{margin ash over birch in fen}} slower.",
        "Both are level: {{suite ash over birch}}.",
    ],
)
def test_honest_text_passes(text):
    bind(text)


def test_every_fault_of_a_text_is_told_at_once():
    with pytest.raises(TextError) as caught:
        bind("It is 12 % faster.\n\nIt has {{marge ash}}.\n\n{{average ash in nowhere}}")
    assert [fault.line for fault in caught.value.faults] == [1, 3, 5]


def test_a_source_is_printed_with_its_date():
    assert bind("Thirty [source: The Sheet, 2026-05-01].").to_markdown() == (
        "Thirty (The Sheet, 2026-05-01)."
    )


def test_the_page_shows_prose_without_its_markup():
    html = show_text(
        bind("# Title\n\n<script>x</script> {{average ash in dell}} ![a](b.png)")
    ).markup
    assert "<script>" not in html and "<img" not in html and "<h2>Title</h2>" in html
    assert (
        '<a class="fig" href="#trace-cell.average_fps.dell.ash"><data value="61.3">61.3\u00a0fps'
        "</data></a>"
    ) in html


def test_the_figure_sheet_lists_line_and_claim():
    frame = bind("a\nb {{runs used}}").to_frame()
    assert frame.values.tolist() == [[2, "runs used", "count/runs/used", "90"]]


@pytest.mark.parametrize(
    "text",
    ["one\n\n{{average ash in dell", "one\n\naverage}} ash", "one\n\n{{average {ash} in dell}}"],
    ids=["not closed", "not opened", "braces within"],
)
def test_braces_that_belong_to_no_reference_are_told(text):
    with pytest.raises(TextError, match=r"demo\.md, line 3: \"[{}]{2}\" belongs to no reference"):
        bind(text)
