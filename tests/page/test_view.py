"""Declared tables: filled from claims, refused where they name what no claim has, never silent."""

import math
from dataclasses import replace
from pathlib import Path

import made_claims
import pytest
from lxml import html
from redrawn import own_sources, redraw_cells

from kit.claims.claim import Claim, ClaimBook, Subject, claims_frame
from kit.claims.of_pages import make_claims
from kit.page import tables
from kit.page.html import Html
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
    empty = Lines("plan_short", "{text}")  # of a plan's page
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


def small(*more, **settings):
    """Two rivals over two titles, the second rival over one; a suite over the first."""
    first = [made_claims.margin("p0", "p1", t, math.log(r), 0.004)
             for t, r in (("t01", 0.9), ("t00", 1.1))]  # fmt: skip
    other = made_claims.margin("p0", "p2", "t00", math.log(1.2), 0.004)
    return made_claims.book(*first, other, *made_claims.suite(first), *more, **settings)


def shown(part):
    return part.markup if isinstance(part, Html) else getattr(part, "text", part)


def grids(book, **more):
    """Return of each grid its caption, heads with units, rows in words, and note."""
    found = []
    for grid in _fill_table(book, made_of(**more)):
        rows = [[shown(part) for part in row] for row in grid.rows]
        heads = [f"{c.head} {c.unit}".strip() for c in grid.columns]
        found.append((grid.caption, heads, rows, grid.note))
    return found


PLUS = [f"{n}\u00a0%" for n in ("+10.0", "+20.0", "−10.0")]


def test_rows_stand_in_the_order_of_names_or_of_claims_with_a_column_for_each_rival():
    table = {
        "heads": (("Title", "{title}"), ("Metric", "{metric}")),
        "note": "{count} rows of {own}, {metric}; {runs} runs",
    }
    (grid,) = grids(small(), **table)
    assert grid == (
        "Margins of Marlow 14",
        ["Title", "Metric", "over Tessel 14 %", "over Orrin 13 Plus %"],
        [
            ["Salt Dunes", "average", PLUS[0], PLUS[1]],
            ["Harbour at Night", "average", PLUS[2], None],
        ],
        "2 rows of Marlow 14, average; 0 runs",
    )
    (grid,) = grids(small(), order="claims")
    assert [row[0] for row in grid[2]] == ["Harbour at Night", "Salt Dunes"]
    assert grids(small(), metric="low_1pct_fps") == []
    assert len(grids(small(), metric="")) == 1


def test_a_last_row_is_of_its_own_kind_and_heads_no_other_column():
    (grid,) = grids(
        small(), last=("All titles", {"kind": "suite", "title": "", "group": "all"}),
        heads=(("Title", "{title}"), ("Metric", "{metric}")), rows=("title",),
    )  # fmt: skip
    assert [row[:2] for row in grid[2]] == [
        ["Salt Dunes", "average"], ["Harbour at Night", "average"], ["All titles", ""]
    ]  # fmt: skip
    assert grid[2][2][2:] == ["−0.5\u00a0%", None]
    # Without a row of titles there is no row of all of them.
    assert (
        grids(small(), where={"title": "t09"}, last=("All", {"kind": "suite", "title": ""})) == []
    )


def test_a_table_is_split_by_a_field_in_the_order_of_its_names():
    found = grids(small(), caption="Over {split}", split="baseline",
                  cells=(Cell("margin", "Margin"),))  # fmt: skip
    assert [(grid[0], [row[0] for row in grid[2]]) for grid in found] == [
        ("Over Tessel 14", ["Salt Dunes", "Harbour at Night"]), ("Over Orrin 13 Plus", ["Salt Dunes"])
    ]  # fmt: skip


def test_only_rows_that_are_to_be_kept_are_shown():
    (grid,) = grids(small(), keep=lambda claims: any(c.outcome == "behind" for c in claims))
    assert [row[0] for row in grid[2]] == ["Harbour at Night"]
    (grid,) = grids(small(), where={"outcome": lambda said: said == "ahead"})
    assert [row[0] for row in grid[2]] == ["Salt Dunes"]


def test_a_statement_stands_in_place_of_a_figure_and_several_figures_in_one_cell():
    said = Claim.state("not_run", "crashed", Subject(product="p0", title="t00", set_aside=["r1"]))
    figures = [made_claims.cell("p0", t, 80.0 + n) for n, t in enumerate(("t00", "t01"))]
    cells = (Cell("cell", "Figure", instead="not_run"), Cell("margin", "Margins", needed=False))
    (grid,) = grids(small(said, *figures), cells=cells, where={"product": "{own}"})
    assert [row[:2] for row in grid[2]] == [
        ["Salt Dunes", "crashed"],
        ["Harbour at Night", "81.0\u00a0fps"],
    ]
    assert grid[1] == ["Title", "Figure fps", "Margins %"]
    both, one = (row[2] for row in grid[2])
    assert both.count("<data") == 2 and both.count(" ahead") == 2 and one == PLUS[2]


def test_a_unit_heads_a_column_only_where_every_figure_is_printed_with_it():
    fps = made_claims.cell("p0", "t00", 80.0), made_claims.cell("p0", "t01", 81.0)
    points = made_claims.cell("p0", "t02", 9100.0, unit="points")
    table = {"cells": (Cell("cell", "Figure"),)}
    assert grids(small(*fps), **table)[0][1] == ["Title", "Figure fps"]
    assert grids(small(*fps, points), **table)[0][1] == ["Title", "Figure"]
    bare = replace(fps[0], text="80")
    assert grids(small(bare, fps[1]), **table)[0][1] == ["Title", "Figure"]


def test_a_line_says_what_its_claim_says_or_that_there_is_none():
    said = Claim.state(
        "not_run", "crashed: x", Subject(product="p0", title="t00", set_aside=["r1"])
    )
    lines = Lines("not_run", "{where}: {text}", otherwise="None.")
    assert "Marlow 14, Salt Dunes, r1: crashed: x" in show(small(said), lines).markup
    assert show(small(), lines).markup == "<p>None.</p>"
    # A heading stands only before what is there, not after it.
    found = show(small(said), "One", lines, "Two", Lines("set_aside", "{text}"))
    assert "One" in found.markup and "Two" not in found.markup and found.frame is None
