"""The parts of the page: every figure in them is a claim, directions are said, names are text."""

import re
from dataclasses import replace

import pytest
from lxml import html

from kit.page import tables
from kit.page.article import SECTIONS
from kit.page.html import Html
from kit.page.view import show

PARTS = {
    "head": tables.PIECES["page_title"],
    "titles": tables.TITLES,
    "lows": tables.PIECES["other_titles"],
    "margins": tables.MARGINS,
    "margins of lows": tables.PIECES["other_margins"],
    "all runs": tables.ALL_RUNS,
    "suites": tables.SUITES,
    "suites of lows": tables.SUITES_LOW,
    "closure": tables.CLOSURE,
    "classes": tables.PIECES["namesakes"],
    "energy": tables.ENERGY,
    "within": tables.WITHIN,
    "value": tables.VALUE,
    "alike": tables.ALIKE,
    "specification": tables.SPECIFICATION,
    "limits": tables.LIMITED,
    "screening": tables.SCREENING,
    "definitions": tables.DEFINITIONS,
    "settings": tables.PIECES["settings"],
    "methods": tables.PIECES["methods"],
    "environment": tables.environment,
    "cautions": SECTIONS["cautions"],
}


def tree_of(piece: Html):
    assert piece.markup
    return html.fragment_fromstring(piece.markup, create_parent="div")


@pytest.mark.parametrize("part", PARTS)
def test_every_linked_figure_is_its_claim(demo, part):
    by_anchor = {claim.anchor: claim for claim in demo.book.claims}
    for link in tree_of(show(demo.book, PARTS[part])).xpath(".//a[contains(@class, 'fig')]"):
        claim = by_anchor[link.get("href")[1:]]
        assert link.text_content() == claim.text
        assert float(link.find("data").get("value")) == claim.value


@pytest.mark.parametrize("part", ["titles", "margins", "suites", "value", "classes"])
def test_no_figure_beside_a_unit_stands_outside_a_link(demo, part):
    tree = tree_of(show(demo.book, PARTS[part]))
    for link in tree.xpath(".//a[contains(@class, 'fig')] | .//caption | .//span | .//sup | .//th"):
        link.drop_tree()
    assert not re.search(r"\d[\d.,]*\s*(%|fps|ms|EUR)", tree.text_content())


def test_a_cell_without_runs_says_what_happened(demo):
    tree = tree_of(show(demo.book, PARTS["titles"]))
    row = next(r for r in tree.iter("tr") if r.text_content().startswith("Wickerloft"))
    assert "crashed" in row.text_content()
    assert "stopped three seconds" in tree_of(show(demo.book, PARTS["screening"])).text_content()


def test_every_run_set_aside_is_told_with_its_reason(demo):
    text = tree_of(show(demo.book, PARTS["screening"])).text_content()
    for run, reason in demo.review.screened.set_aside.items():
        assert run in text and reason in text


def test_every_setting_in_force_is_told_also_those_left_at_their_default(demo):
    text = tree_of(show(demo.book, PARTS["settings"])).text_content()
    for key in (
        "margins: confidence",
        "margins: method",
        "screen: min length share",
        "metrics: low",
    ):
        assert key in text
    assert "{" not in text


def test_every_waiver_is_told_with_its_reason(demo):
    text = tree_of(show(demo.book, PARTS["alike"])).text_content()
    for mismatch in demo.review.controls.mismatches:
        assert mismatch.reason in text


def test_the_usual_cautions_are_there(demo):
    text = tree_of(show(demo.book, PARTS["cautions"])).text_content()
    for word in ("battery", "burn", "mains voltage", "Local rules", "flash", "money"):
        assert word in text


def test_names_with_markup_are_text(demo):
    names = {
        "products": {p: f"<b onclick=x>{p}</b>" for p in demo.review.params.products},
        "titles": dict.fromkeys(demo.review.titles, "<script>alert(1)</script>"),
    }
    hostile = replace(demo.book, names=names)
    shown = show(hostile, tables.MARGINS)
    tree = tree_of(shown)
    assert not tree.xpath(".//script | .//b | .//*[@onclick]")
    assert "<script>alert(1)</script>" in tree.text_content()


def test_tables_come_with_their_frame(demo):
    frame = show(demo.book, PARTS["margins"]).to_frame()
    assert {"title", "product", "baseline", "value", "low", "high", "outcome"} <= set(frame.columns)
    assert len(frame) > 50


def test_prices_say_their_kind(demo):
    text = tree_of(show(demo.book, PARTS["value"])).text_content()
    assert "street prices" in text and "supposed: If it cost 1,749 euros" in text
