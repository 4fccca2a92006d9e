"""The parts of the page: every figure in them is a claim, directions are said, names are text."""

import re
from dataclasses import replace

import pytest
from lxml import html

from kit.page import background, sections, suitesections, valuesections
from kit.page.html import Html

PARTS = {
    "head": lambda d: sections.review_head(d.review),
    "summary": lambda d: sections.summary_section(d.review, d.results, d.book),
    "titles": lambda d: sections.titles_section(d.review, d.results, d.book),
    "lows": lambda d: sections.titles_section(d.review, d.results, d.book, metric="low_1pct_fps"),
    "results": lambda d: sections.titles_section(d.review, d.results, d.book, metric="value"),
    "margins": lambda d: sections.margins_section(d.review, d.results, d.book),
    "all runs": lambda d: sections.all_runs_section(d.review, d.results, d.book),
    "suites": lambda d: suitesections.suites_section(d.review, d.results, d.book),
    "suites of lows": lambda d: suitesections.lows_suite_section(d.review, d.results, d.book),
    "closure": lambda d: suitesections.closure_section(d.review, d.results, d.book),
    "classes": lambda d: suitesections.classes_section(d.review, d.results, d.book),
    "value": lambda d: valuesections.value_section(d.review, d.results, d.book),
    "alike": lambda d: background.alike_section(d.review, d.book),
    "specification": lambda d: background.specification_section(d.review, d.book),
    "limits": lambda d: background.limits_section(d.review, d.book),
    "screening": lambda d: background.screening_section(d.review, d.book),
    "definitions": lambda d: background.definitions_section(d.review, d.book),
    "settings": lambda d: background.settings_section(d.review, d.book),
    "environment": lambda d: background.environment_section(d.book),
    "cautions": lambda _: background.cautions_section(),
}


def tree_of(piece: Html):
    assert piece.markup
    return html.fragment_fromstring(piece.markup, create_parent="div")


@pytest.mark.parametrize("part", PARTS)
def test_every_linked_figure_is_its_claim(demo, part):
    by_anchor = {claim.anchor: claim for claim in demo.book.claims}
    for link in tree_of(PARTS[part](demo)).xpath(".//a[contains(@class, 'fig')]"):
        claim = by_anchor[link.get("href")[1:]]
        assert link.text_content() == claim.text
        assert float(link.find("data").get("value")) == claim.value


@pytest.mark.parametrize("part", ["summary", "titles", "margins", "suites", "value", "classes"])
def test_no_figure_beside_a_unit_stands_outside_a_link(demo, part):
    tree = tree_of(PARTS[part](demo))
    for link in tree.xpath(".//a[contains(@class, 'fig')] | .//caption | .//span | .//sup | .//th"):
        link.drop_tree()
    assert not re.search(r"\d[\d.,]*\s*(%|fps|ms|EUR)", tree.text_content())


def test_the_summary_states_each_direction_and_what_was_left_out(demo):
    text = tree_of(PARTS["summary"](demo)).text_content()
    for suite in demo.results.suites:
        if (suite.suite, suite.metric, suite.product) == (
            "all",
            "average_fps",
            demo.review.params.product,
        ):
            name = demo.book.product_name(suite.baseline)
            assert f"{sections.VERBS[suite.outcome]} {name}" in text
    assert "Set aside: 6 runs" in text and "Waived: " in text and "Price of equal value" in text


def test_a_cell_without_runs_says_what_happened(demo):
    tree = tree_of(PARTS["titles"](demo))
    row = next(r for r in tree.iter("tr") if r.text_content().startswith("Wickerloft"))
    assert "crashed" in row.text_content()
    assert "stopped three seconds" in tree_of(PARTS["screening"](demo)).text_content()


def test_every_run_set_aside_is_told_with_its_reason(demo):
    text = tree_of(PARTS["screening"](demo)).text_content()
    for run, reason in demo.review.screened.set_aside.items():
        assert run in text and reason in text


def test_every_setting_in_force_is_told_also_those_left_at_their_default(demo):
    text = tree_of(PARTS["settings"](demo)).text_content()
    for key in ("margins.confidence", "margins.method", "screen.min_length_share", "metrics.low"):
        assert key in text
    assert "{" not in text


def test_every_waiver_is_told_with_its_reason(demo):
    text = tree_of(PARTS["alike"](demo)).text_content()
    for mismatch in demo.review.controls.mismatches:
        assert mismatch.reason in text


def test_the_usual_cautions_are_there(demo):
    text = tree_of(PARTS["cautions"](demo)).text_content()
    for word in ("battery", "burn", "mains voltage", "Local rules", "flash", "money"):
        assert word in text


def test_names_with_markup_are_text(demo):
    names = {
        "products": {p: f"<b onclick=x>{p}</b>" for p in demo.review.params.products},
        "titles": dict.fromkeys(demo.review.titles, "<script>alert(1)</script>"),
    }
    hostile = replace(demo.book, names=names)
    shown = sections.margins_section(demo.review, demo.results, hostile)
    tree = tree_of(shown)
    assert not tree.xpath(".//script | .//b | .//*[@onclick]")
    assert "<script>alert(1)</script>" in tree.text_content()


def test_tables_come_with_their_frame(demo):
    frame = PARTS["margins"](demo).to_frame()
    assert {"title", "product", "baseline", "value", "low", "high", "outcome"} <= set(frame.columns)
    assert len(frame) > 50


def test_prices_say_their_kind(demo):
    text = tree_of(PARTS["value"](demo)).text_content()
    assert "street prices" in text and "supposed: If it cost 1,749 euros" in text
