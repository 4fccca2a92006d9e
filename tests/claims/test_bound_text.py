"""Bound text: every figure a reference, every claiming word bound."""

from __future__ import annotations

import re
from dataclasses import replace
from hashlib import sha256

import pytest
from babel.numbers import format_currency
from sealmaker import sealed_review

from kit.archive.bag import TAG_MANIFEST, zip_bag
from kit.claims.bound_text import (
    bind_text,
    find_claim,
    printed_forms,
    read_text,
    restate,
    with_currency_sign,
)
from kit.claims.claim import Claim, ClaimBook, RunRecord, anchor_of, load_claims
from kit.errors import SealError, TextError, UsageError
from kit.page.html import show_text
from kit.rounding import Rounded


def claim(claim_id, kind, value, *, low=None, high=None, outcome="", text="", **where):
    fields = {
        "metric": "average_fps",
        "product": "ash",
        "baseline": "",
        "title": "",
        "unit": "ratio",
    }
    fields.update(where)
    rounded = Rounded.ratio(value, low, high)
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
        claim("suite_false/average_fps/all/ash-over-birch", "suite_false", 0.3, text="0.3", **pair),
        claim(
            "suite/average_fps/all/ash-over-birch",
            "suite",
            1.004,
            low=0.996,
            high=1.012,
            outcome="level",
            group="all",
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
        {
            "products": {"ash": "Ash 1", "birch": "Birch 2"},
            "titles": {"dell": "Dell", "fen": "Fen", "moor": "Moor"},
        },
    )


NAMES = {"ash": "Ash 1", "birch": "Birch 2"}


def bind(text):
    return bind_text(text, book(), file="demo.md", names=NAMES)


@pytest.mark.parametrize(
    ("written", "printed"),
    [
        ("{{false ash over birch}}", "0.3"),
        ("{{average ash in dell}}", "61.3\u00a0fps"),
        ("{{margin ash over birch in dell}}", "25.0\u00a0% faster"),
        ("{{margin ash over birch in dell | number}}", "+25.0\u00a0%"),
        ("{{margin ash over birch in dell | interval}}", "25.0\u00a0% faster (+22.0 to +28.0)"),
        ("{{margin ash over birch in dell | reversed}}", "20.0\u00a0% slower"),
        (
            "{{margin ash over birch in dell | sentence}}",
            "Ash 1 is 25.0\u00a0% faster than Birch 2",
        ),
        ("{{margin ash over birch in dell | joined}}", "25.0\u00a0% faster than"),
        ("{{suite ash over birch | joined}}", "level (+0.4\u00a0%, between −0.4 and +1.2) with"),
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
        ("{{price ash at street}}", "€1,499"),
        ("{{equal_value ash over birch at street}}", "€1,300"),
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
        ("{{say faster ash than birch in del: faster}}", 'did you mean "dell"'),
        (
            "{{say faster ash than birch in fen: faster}}",
            "margin/average_fps/fen/ash-over-birch: −20.0\u00a0% (−22.0 to −18.0), behind; "
            '"say slower ash than birch in fen" would hold',
        ),
        ("{{say faster ash than birch in dell}}", "write say RELATION ...: and the words"),
        ("{{say slower ash than birch in fen: dearer}}", '"dearer" is not what "slower" claims'),
        ("{{say faster ash than birch in dell: 30 % faster}}", "a figure is typed in its words"),
        (
            "Ash 1 is simply faster than Birch 2.",
            '"faster" claims something; bind it: {{say faster',
        ),
        ("Ash 1 is level with Birch 2.", "bind it: {{say level ash than birch: level}}"),
        (
            "It is {{suite ash over birch}} than Birch.",
            'cannot stand before "than"; write "| joined"',
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
        "Ash is {{say faster ash than birch in dell: the faster}}, {{margin ash over birch in dell}}.",
        "Ash is {{say level ash with birch: not the faster of the two}}.",
        "Ash is {{say faster ash than birch in dell: schneller}} dort.",
        "The maker promises 30 % more [source: the maker's sheet, 2026-05-01].",
        "We like it better than the rest [opinion].",
        "It has three buttons, and 2026 was a long year.",
        "At the dell it is {{margin ash over birch in dell}} than Birch.",
        "It is {{suite ash over birch | joined}} Birch.",
    ],
)
def test_honest_text_passes(text):
    bind(text)


# What is said of a figure follows the rule in `kit.rounding.Speaker`; common practice, no source.
@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("{{margin ash over birch in dell | spoken}}", "twenty-five per cent faster"),
        ("{{margin ash over birch in dell | spoken joined}}", "twenty-five per cent faster than"),
        ("{{margin ash over birch in fen | spoken reversed}}", "twenty-five per cent faster"),
        ("{{margin ash over birch in moor | spoken joined}}", "too close to call against"),
        ("{{suite ash over birch | spoken joined}}", "level with"),
        ("{{suite ash over birch | spoken sentence}}", "Ash 1 is level with Birch 2"),
        ("{{margin ash over birch in moor | spoken sentence}}",
         "Ash 1 is too close to call against Birch 2"),
        ("{{average ash in dell | spoken}}", "sixty-one frames per second"),
        ("{{price ash at street | spoken}}", "one thousand four hundred and ninety-nine euros"),
        ("{{runs used | spoken}}", "ninety"),
    ],
)  # fmt: skip
def test_a_reference_is_spoken(written, said):
    bound = bind(f"It is {written}.")
    assert bound.to_markdown() == f"It is {said}."
    assert said in printed_forms(bound.references[0].claim, book())


@pytest.mark.parametrize("locale", ["en", "de", "fr", "nl", "de-CH", "sv", "ja"])
@pytest.mark.parametrize("code", ["EUR", "CHF", "USD", "JPY"])
def test_money_is_written_as_babel_writes_it(locale, code):
    # Babel, Number Formatting: a locale's own pattern of amounts. It puts no space between letters
    # and digits, which Unicode's rule for currencies asks for (UTS 35, part 3, section 4.2).
    rounded = Rounded.money(1299.0, code, locale=locale).text
    price = claim("value/street/price/ash", "price", 1299.0, text=rounded, unit=code)
    known = locale.replace("-", "_")
    written = format_currency(1299, code, locale=known, currency_digits=False)
    whole = re.sub(r"[.,]00(?!\d)", "", written)
    assert with_currency_sign(price, locale) == re.sub(r"([A-Z])(\d)", "\\1\u00a0\\2", whole)


def test_params_choose_numerals_and_language():
    from dataclasses import replace

    for settings, said in (
        ({"spoken": "numerals"}, "25 per cent faster"),
        ({"locale": "de"}, "twenty-five per cent faster"),  # numbers by locale, words by language
        ({"language": "de"}, "fünfundzwanzig Prozent schneller"),
        ({"language": "de", "spoken": "numerals"}, "25 Prozent schneller"),
    ):
        made = replace(book(), settings=settings)
        text = "{{margin ash over birch in dell | spoken}}"
        assert bind_text(text, made, file="t.md").to_markdown() == said
    with pytest.raises(TextError, match='nothing is spoken in "fr"; there are en, de'):
        bind_text(text, replace(book(), settings={"language": "fr"}), file="t.md")


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("margin ash over birch in dell", "25,0\xa0% schneller"),
        ("margin ash over birch in dell | interval", "25,0\xa0% schneller (+22,0 bis +28,0)"),
        ("margin ash over birch in dell | joined", "25,0\xa0% schneller als"),
        ("margin ash over birch in dell | sentence", "Ash ist 25,0\xa0% schneller als Birch"),
        ("margin ash over birch in moor | joined", "nicht zu trennen (.*, zwischen .* und .*) von"),
    ],
)
def test_a_reference_in_a_german_text_has_german_words(written, said):
    made = replace(book(), settings={"locale": "de", "language": "de"})
    names = {"ash": "Ash", "birch": "Birch"}
    bound = bind_text(f"{{{{{written}}}}}", made, file="t.md", names=names)
    shown = bound.to_markdown()
    assert re.fullmatch(re.sub(r"[()+]", r"\\\g<0>", said), shown), shown
    assert shown in printed_forms(
        bound.references[0].claim, replace(made, names={"products": names})
    )


def test_a_sentence_holds_whatever_the_outcome():
    # One sentence over every outcome and size: never "level than", never "level (-1.6 %) than".
    sentences = {
        bind(
            f"Ash is {{{{margin ash over birch in {title} | spoken joined}}}} Birch."
        ).to_markdown()
        for title in ("dell", "fen", "moor")
    }
    assert sentences == {
        "Ash is twenty-five per cent faster than Birch.", "Ash is twenty per cent slower than Birch.",
        "Ash is too close to call against Birch.",
    }  # fmt: skip
    with pytest.raises(TextError, match="neither interval nor bare number"):
        bind("{{margin ash over birch in dell | spoken interval}}")


def test_every_fault_of_a_text_is_told_at_once():
    with pytest.raises(TextError) as caught:
        bind("It is 12 % faster.\n\nIt has {{marge ash}}.\n\n{{average ash in nowhere}}")
    assert [fault.line for fault in caught.value.faults] == [1, 1, 3, 5]  # 12 %, and faster


def test_a_source_is_printed_with_its_date():
    assert bind("Thirty [source: The Sheet, 2026-05-01].").to_markdown() == (
        "Thirty (The Sheet, 2026-05-01)."
    )


def test_the_page_shows_prose_without_its_markup():
    html = show_text(
        bind("# Title\n\n<script>x</script> {{average ash in dell}} ![a](b.png)")
    ).markup
    assert "<script>" not in html and "<img" not in html and "<h2>Title</h2>" in html
    place = anchor_of("cell/average_fps/dell/ash")
    shown = f'<a class="fig" href="#{place}"><data value="61.3">61.3\u00a0fps</data></a>'
    assert shown in html


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


@pytest.mark.parametrize(
    ("said", "near"),
    [
        ("margin ash over birch in dell", ""),
        ("{{margin ash over birch in dell | interval}}", ""),
        ("margin ash over birch in del", "margin/average_fps/dell/ash-over-birch"),
        ("Ash over Birch, the Dell", "margin/average_fps/dell/ash-over-birch"),
    ],
)
def test_a_claim_is_found_as_an_analyst_writes_it_or_the_nearest_is_named(said, near):
    if not near:
        assert find_claim(said, book()) == "margin/average_fps/dell/ash-over-birch"
    else:
        with pytest.raises(UsageError, match=f'did you mean "{near}"'):
            find_claim(said, book())
    with pytest.raises(UsageError, match=r'no claim "zzz"$'):
        find_claim("zzz", book())


def more_book():
    """The book with the smallest and largest margins of its suite, and a step of a setting."""
    pair = {"product": "ash", "baseline": "birch"}
    more = (
        claim("suite_smallest/average_fps/all/ash-over-birch", "suite_smallest", 0.8, low=0.78,
              high=0.82, **pair),
        claim("suite_largest/average_fps/all/ash-over-birch", "suite_largest", 1.25, low=1.22,
              high=1.28, **pair),
    )  # fmt: skip
    made = book()
    return replace(made, claims=(*made.claims, *more))


# By hand: a smallest or largest margin has no outcome of its own, so its ratio gives the side.
@pytest.mark.parametrize(
    ("written", "printed"),
    [
        ("smallest ash over birch", "20.0\u00a0% slower"),
        ("largest ash over birch", "25.0\u00a0% faster"),
        ("largest ash over birch | reversed", "20.0\u00a0% slower"),
        ("largest ash over birch | interval reversed", "20.0\u00a0% slower (−21.9 to −18.0)"),
        ("smallest ash over birch | spoken", "twenty per cent slower"),
        ("average ash in dell | interval", "61.3\u00a0fps"),
    ],
)
def test_the_ends_of_a_suite_are_said_with_their_side(written, printed):
    bound = bind_text(f"{{{{{written}}}}}", more_book(), file="t.md", names=NAMES)
    assert bound.to_markdown() == printed


def test_a_figure_that_is_no_margin_has_its_interval_only_where_asked():
    made = book()
    cell = claim("cell/average_fps/fen/ash", "cell", 61.3, low=60.0, high=62.6, title="fen",
                 text="61.3\u00a0fps", unit="fps")  # fmt: skip
    made = replace(made, claims=(*made.claims, cell))
    bound = bind_text(
        "{{average ash in fen}}, {{average ash in fen | interval}}", made, file="t.md", names=NAMES
    )
    assert bound.to_markdown() == f"61.3\u00a0fps, 61.3\u00a0fps ({cell.interval})"


TEXT = (
    "\n\n# Head\nAsh runs at\n{{average ash in dell}}.\n\n{{runs\nused}} runs were used. Nice "
    "[opinion].\n\nThirty [source: The Sheet, 2026-05-01].\n## Next\n\n[slide: one]\nA plain line.\n"
)


def test_paragraphs_have_the_lines_they_begin_on():
    assert [*bind(TEXT).paragraphs()] == [
        (3, "# Head"),
        (4, "Ash runs at\n61.3\u00a0fps."),
        (7, "90 runs were used. Nice [opinion]."),
        (10, "Thirty [source: The Sheet, 2026-05-01].\n"),
        (11, "## Next"),
        (13, "[slide: one]\nA plain line.\n"),
    ]


def test_what_a_text_rests_on_has_its_lines_and_kinds():
    assert [(row["line"], row["kind"]) for row in bind(TEXT).to_rows()] == [
        (5, "figure"),
        (7, "figure"),
        (8, "opinion"),
        (10, "source"),
        (13, "sentence"),
    ]


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("Plain.\n\nAsh is\nfaster.", [4]),
        ("Plain. Ash is\nfaster.\nIt costs\n12 EUR.", [2, 4]),
        ("\n{{average ash\nin dell}} is\nfaster.", [4]),
    ],
)
def test_an_unbound_word_or_figure_is_told_on_its_own_line(text, lines):
    with pytest.raises(TextError) as caught:
        bind(text)
    assert [fault.line for fault in caught.value.faults] == lines


@pytest.mark.parametrize("joint", ["than", " than", "  than"])
def test_a_margin_not_told_apart_cannot_stand_before_than(joint):
    with pytest.raises(TextError, match=r'before "than"; write "\| joined"'):
        bind(f"Ash is {{{{margin ash over birch in moor}}}} {joint} Birch.")
    bind(f"Ash is {{{{margin ash over birch in moor}}}} {joint}ks.")


def fault_of(written: str) -> str:
    """Return the first fault of a text that is one reference."""
    with pytest.raises(TextError) as caught:
        bind(f"{{{{{written}}}}}")
    return str(caught.value.faults[0])


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("average ash in dell | sentence", '"sentence" fits a margin or suite, not cell'),
        ("average ash in dell | joined reversed", '"joined" fits a margin or suite, not cell'),
        ("margin ash over birch in dell | intervall", 'no way of writing called "intervall"; did'),
        ("average ash in del", 'no such claim "cell/average_fps/del/ash"; did you mean "cell/'),
        ("ash", '"ash" is not a reference; write for example'),
        ("say", '"say" is not a reference; write for example'),
        ("say ahead ash over birch in dell", "write say RELATION ...: and the words"),
        ("say ahead ash over birch in dell:", "write say RELATION ...: and the words"),
    ],
)
def test_a_reference_that_cannot_be_written_says_why(written, said):
    assert said in fault_of(written)


def test_a_text_file_is_read_or_refused_in_words(tmp_path):
    path = tmp_path / "a.md"
    with pytest.raises(TextError, match=r"a\.md: no such file"):
        read_text(path)
    for raw, said in (
        (b"a\n\nb\xff", "not UTF-8 text"),
        ("a\n\nb\u202e".encode(), r"line 3: .*U\+202E"),
    ):
        path.write_bytes(raw)
        with pytest.raises(TextError, match=said):
            read_text(path)
    path.write_bytes(b"\xef\xbb\xbfplain")
    assert read_text(path) == "plain"


# By hand, after the table at the head of the module: the id each form of a reference asks for.
@pytest.mark.parametrize(
    ("written", "wanted"),
    [
        ("low_1pct x in t", "cell/low_1pct_fps/t/x"),
        ("margin x over y in t", "margin/average_fps/t/x-over-y"),
        ("low_1pct margin x over y in t", "margin/low_1pct_fps/t/x-over-y"),
        ("suite x over y on g", "suite/average_fps/g/x-over-y"),
        ("low_1pct suite x over y", "suite/low_1pct_fps/all/x-over-y"),
        ("smallest x over y", "suite_smallest/average_fps/all/x-over-y"),
        ("false x over y", "suite_false/average_fps/all/x-over-y"),
        ("count ahead x over y", "suite_count/average_fps/all/x-over-y/ahead"),
        ("count above x over y", "suite_side/average_fps/all/x-over-y/above"),
        ("count below x over y on g", "suite_side/average_fps/g/x-over-y/below"),
        ("part x over y", "part/average_fps/x-over-y"),
        ("step scale 2 over 1 of x", "step/average_fps/scale/x/all-titles/2-over-1"),
        ("step scale 2 over 1 of x in t", "step/average_fps/scale/x/t/2-over-1"),
        ("price x at scenario: cheaper", "value/scenario: cheaper/price/x"),
        ("cost x at k", "value/k/cost_per_fps/x"),
        ("cut x over y at k", "value/k/cut_needed/x-over-y"),
        ("spec memory x", "specification/memory/x"),
        ("limit in t", "flag/processor_bound/t"),
        ("frames used", "count/frames/used"),
        ("titles", "count/titles"),
    ],
)
def test_a_reference_asks_for_one_claim(written, wanted):
    assert f'no such claim "{wanted}"' in fault_of(written)


def test_a_text_is_checked_from_its_first_character():
    for text, said in (("12 EUR.", '"12 EUR"'), ("Faster.\n", '"Faster" claims something')):
        with pytest.raises(TextError) as caught:
            bind(text)
        assert [fault.line for fault in caught.value.faults] == [1]
        assert said in str(caught.value.faults[0])


def test_a_text_written_for_other_claims_is_restated_line_by_line():
    text = "\n{{margin ash over birch in dell}}\n{{runs  used}} {{titles}}\n\n{{say ash}}"
    assert restate(text, book()) == {
        (2, "margin ash over birch in dell"): "25.0\u00a0% faster, ahead",
        (3, "runs used"): "90",
        (3, "titles"): 'no such claim "count/titles"',
        (5, "say ash"): "write say RELATION ...: and the words, in double braces",
    }


class TestAnotherReview:
    """Figures of another review by its name: here the small sealed one of `sealmaker`."""

    def told(self, text, **more):
        settings = {"reviews": {"first": "../first"}, **more}
        here = replace(book(), settings=settings, names={"review_days": {"first": "2026-03-03"}})
        names = {"quill": "Quill", "wren": "Wren"}
        where = {"first": sealed_review()}
        return bind_text(text, here, file="t.md", names=names, others=where).to_markdown()

    def test_a_figure_carries_its_day(self):
        (suite,) = load_claims(sealed_review() / "data").of_kind(
            "suite", metric="average_fps", group="all", product="quill", baseline="wren"
        )
        number = suite.text.lstrip("+").replace("\xa0", " ")
        said = self.told("{{suite quill over wren @ first}}.").replace("\xa0", " ")
        assert said == f"{number} faster (as of 3 March 2026)."
        said = self.told("{{suite quill over wren @ first | sentence interval}}.")
        assert said == (
            f"Quill is {suite.text.lstrip('+')} faster ({suite.interval}; as of 3 March 2026) than Wren."
        )
        # Turned: 1 / ratio, worked out here.
        said = self.told("{{suite wren over quill @ first | joined}} it.")
        assert (
            said == f"{100 * (1 - 1 / suite.value):.1f}\xa0% slower (as of 3 March 2026) than it."
        )

    def test_in_german_and_spoken(self):
        said = self.told("{{suite quill over wren @ first}}.", language="de", locale="de")
        assert re.fullmatch(r"\d+,\d\xa0% schneller \(Stand 3\. März 2026\)\.", said)
        said = self.told("It is, {{suite quill over wren @ first | spoken joined}} Wren.")
        assert re.fullmatch(r"It is, as of 3 March 2026, [a-z -]+ faster than Wren\.", said)
        said = self.told("It cost {{price wren at launch @ first | spoken}}.")
        assert said.endswith(", as of 3 March 2026.")

    @pytest.mark.parametrize(
        ("text", "match"),
        [
            ("{{suite quill over wren @ frist}}", 'no review "frist"; did you mean "first"'),
            ("{{suite quil over wren @ first}}", 'did you mean "suite/average_fps/all/quill-over'),
            ("{{say faster quill than wren @ first: faster}}", "this review's claims"),
            ("{{quick quill @ first}}", "is not a reference"),
        ],
    )
    def test_what_is_not_there_is_refused_with_the_nearest(self, text, match):
        with pytest.raises(TextError, match=match):
            self.told(text)

    def test_read_from_a_zip_as_from_its_folder(self, tmp_path):
        packed = zip_bag(sealed_review(), tmp_path / "quill.zip")
        one, other = (ClaimBook.read_stated(path) for path in (packed, sealed_review()))
        assert one.to_json() == other.to_json()
        # What `seal` printed: the SHA-256 of the tag manifest, as sha256sum gives it.
        assert (
            one.seal
            == other.seal
            == sha256((sealed_review() / TAG_MANIFEST).read_bytes()).hexdigest()
        )
        with pytest.raises(SealError, match=r"no claims\.json"):
            ClaimBook.read_stated(tmp_path)


def test_text_says_what_sensors_read_here_and_there(demo):
    pair = "fennock-9-travel over fennock-9-desk"

    def said(written, book=demo.book):
        return bind_text(written, book, file="t.md").to_markdown()

    def of(kind, product="fennock-9-travel", baseline="", metric="clock_mhz", title=""):
        about = {"product": product, "baseline": baseline, "metric": metric, "title": title}
        return demo.book.of_kind(kind, **about)[0]

    here, there = of("load"), of("load", "fennock-9-desk")
    apart = of("load_ratio", baseline="fennock-9-desk")
    assert said("{{clock fennock-9-travel}} and {{clock fennock-9-desk | interval}}") == (
        f"{here.text} and {there.text} ({there.interval})"
    )
    assert apart.value == pytest.approx(here.value / there.value) and apart.value < 1
    size = apart.text.lstrip("\u2212")
    assert said(f"{{{{clock {pair}}}}}") == f"{size} lower"
    assert said(f"{{{{clock {pair} | number interval}}}}") == f"{apart.text} ({apart.interval})"
    back = Rounded.apart(1 / apart.value, 1 / apart.high, 1 / apart.low)
    turned = said("{{clock fennock-9-desk over fennock-9-travel | interval}}")
    assert turned == f"{back.text.lstrip('+')} higher ({back.interval})"
    warm = of("load_difference", baseline="fennock-9-desk", metric="temperature_c",
              title="wickerloft")  # fmt: skip
    assert said(f"{{{{temperature {pair} in wickerloft}}}}") == f"{warm.text.lstrip('+')} higher"
    cool = said("{{temperature fennock-9-desk over fennock-9-travel in wickerloft}}")
    assert cool == f"{warm.text.lstrip('+')} lower"
    for bound in ("less clock", "less power", "about 2/3 clock", "more temperature"):
        relation = f"say {bound} fennock-9-travel than fennock-9-desk".replace(" than", " over")
        assert said(f"{{{{{relation}: so}}}}") == "so"
    with pytest.raises(TextError, match="do not say so"):
        said("{{say more clock fennock-9-travel than fennock-9-desk: so}}")
    with pytest.raises(TextError, match="fits a margin or suite"):
        said(f"{{{{clock {pair} | sentence}}}}")
    level = replace(apart, low=0.99, high=1.01, value=1.001)
    claims = tuple(level if c.id == apart.id else c for c in demo.book.claims)
    alike = replace(demo.book, claims=claims, settings={**demo.book.settings, "language": "de"})
    assert said(f"{{{{clock {pair}}}}}", alike).startswith("nicht zu trennen (")
    with pytest.raises(TextError, match="do not say so"):
        said("{{say less clock fennock-9-travel than fennock-9-desk: so}}", alike)
