"""Declared tables: filled from claims, refused where they name what no claim has, never silent."""

from pathlib import Path

import pytest
from lxml import html
from redrawn import own_sources, redraw_cells

from kit.claims.claim import ClaimBook, claims_frame
from kit.claims.of_pages import make_claims
from kit.page import tables
from kit.page.view import (
    Cell,
    Lines,
    Table,
    _fill_table,
    _table_frame,
    mark_words,
    show,
)
from kit.review.walk import load_review, work_out

ROOT = Path(__file__).parents[2]


def made_of(**more):
    given = {
        "caption": "Margins of {own}",
        "metric": "average_fps",
        "heads": (("Title", "{title}"),),
        "cells": (Cell("margin", "over {each}", each="baseline"),),
    }
    return Table(**{**given, **more})


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"rows": ("titel",)}, "a claim has no field titel"),
        ({"heads": (("Title", "{titel}"),)}, "a claim has no field titel"),
        ({"where": {"produkt": "x"}}, "a claim has no field produkt"),
        ({"cells": (Cell("margn", "x"),)}, "no kind of claim called 'margn'"),
        ({"cells": (Cell("margin", "x", {"bas": "y"}),)}, "a claim has no field bas"),
        ({"cells": (Cell("margin", "x", instead="nothing"),)}, "called 'nothing'"),
        ({"last": ("All", {"kind": "suit"})}, "called 'suit'"),
        ({"split": "grup"}, "a claim has no field grup"),
    ],
)
def test_a_declaration_that_names_what_is_not_there_is_refused(wrong, said):
    with pytest.raises(ValueError, match=said):
        made_of(**wrong)
    with pytest.raises(ValueError, match="no kind of claim called 'flagg'"):
        Lines("flagg", "{text}")


def test_a_claim_that_is_needed_and_not_there_is_an_error(demo):
    cells = (Cell("cell", "Figure"), Cell("run_over_mean", "Spread", {"run": "nowhere"}))
    table = made_of(cells=cells, where={"product": demo.book.product})
    with pytest.raises(LookupError, match="no run_over_mean for"):
        _fill_table(demo.book, table)


def test_a_column_that_is_not_needed_is_repeated_only_where_something_fills_it(demo):
    (loads,) = (t for t in tables.ENERGY if isinstance(t, Table) and t.cells[0].kind == "load")
    seen = {}
    for grid in _fill_table(demo.book, loads):
        columns = list(zip(*(row[grid.row_heads :] for row in grid.rows), strict=True))
        assert all(any(cell is not None for cell in column) for column in columns), grid.caption
        seen[grid.caption.partition(": ")[2]] = [c.unit for c in grid.columns[grid.row_heads :]]
    assert seen["Clock"] == ["MHz", "MHz", "%"]
    assert seen["Temperature"] == ["°C", "°C", "°C"]


def test_every_margin_of_the_product_is_in_its_table(demo):
    (grid,) = _fill_table(demo.book, tables.MARGINS)
    margins = demo.book.of_kind("margin", metric="average_fps", product=demo.book.product)
    suites = demo.book.of_kind(
        "suite", metric="average_fps", product=demo.book.product, group="all"
    )
    wanted = {c.id for c in (*margins, *suites) if c.baseline in demo.review.params.compared}
    assert {claim.id for claim in grid.claims} == wanted and len(wanted) > 50
    assert [row[0] for row in grid.rows] == [
        *(demo.book.title_name(t) for t in demo.review.titles
          if any(m.title == t for m in margins)),
        "All titles",
    ]  # fmt: skip


def test_the_frame_of_a_table_holds_the_claims_shown(demo):
    frame = _table_frame(demo.book, tables.SUITES[0])
    (grid,) = _fill_table(demo.book, tables.SUITES[0])
    assert list(frame["id"]) == [claim.id for claim in grid.claims]
    assert show(demo.book, tables.SUITES).to_frame().equals(frame)
    assert len(claims_frame([])) == 0


def test_marks_are_told_in_words_in_every_table(demo):
    told = set(mark_words(demo.book).values())
    for name, piece in tables.PIECES.items():
        markup = show(demo.book, piece).markup if isinstance(piece, Table | tuple) else ""
        if '<ul class="marks">' not in markup:
            continue
        for item in html.fragment_fromstring(markup, create_parent="div").xpath(
            ".//ul[@class='marks']/li"
        ):
            words = item.text_content().split(" ", 1)[1]
            # What is no word of ours is a source or formula, as the bench has it.
            known = words in told or words.startswith(("source: ", "scenario: "))
            assert known or " " in words, (name, words)
            assert not words.startswith("waived:"), (name, words)


def test_a_heading_before_nothing_is_left_out(demo):
    empty = Lines("flag", "{text}", {"metric": "no_such_rule"})
    assert show(demo.book, "A heading", empty).markup == ""
    assert "A heading" in show(demo.book, "A heading", tables.MARGINS).markup


@pytest.fixture(scope="module")
def of_pages():
    """What each declared piece shows in the demo's pages, by name."""
    shown = {}
    for params in ("demo", "demo-bench-health", "demo-frame-times", "demo-plan"):
        review = load_review(ROOT / "params" / f"{params}.yaml")
        book = make_claims(review, work_out(review))
        for name, piece in tables.PIECES.items():
            if isinstance(piece, Table):
                shown.setdefault(name, 0)
                shown[name] += sum(len(grid.rows) for grid in _fill_table(book, piece))
    return shown


def test_every_declared_table_has_rows_in_some_page_of_the_demo(of_pages):
    # What moved since a re-test has its own review: tests/margins/test_drift.py.
    # Levels in dB: tests/whole/test_kinds.py.
    assert {name for name, rows in of_pages.items() if not rows} == {"drift", "levels"}
    assert len(of_pages) > 15


def test_a_finished_page_is_drawn_again_from_its_claims_alone(demo):
    """Every cell that shows results, to the byte, after the file is written and read back."""
    book = ClaimBook.parse(demo.book.to_json(), file="claims.json")
    sources = own_sources("review")
    again = redraw_cells(book, sources)
    whole = redraw_cells(demo.book, sources)
    assert {n: c.markup for n, c in again.items()} == {n: c.markup for n, c in whole.items()}
    showing = {name for name, source in sources.items() if source.startswith("review.show(")}
    assert showing - again.keys() == {"environment", "text"}
    assert sum(bool(piece.markup) for piece in again.values()) == 32  # levels, drift: none here
