"""Answers of a notebook: what is printed of them, what is left out, and how they are narrowed."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd
import pytest
from made_claims import book, cell, margin, suite
from tiny_project import tiny_claims

from kit.claims.claim import Claim, Figure, Subject
from kit.errors import UsageError
from kit.page.answers import (
    Answer,
    Claims,
    Differences,
    Runs,
    _frame_html,
    _plain,
    narrow,
)

OVER = "margin/average_fps/{}/p0-over-p1"


def margins(*ratios, base="p1"):
    return [margin("p0", base, f"t{n:02d}", math.log(r), 0.004) for n, r in enumerate(ratios)]


def answer(question, *claims):
    return Answer(question, claims, lambda: book(*claims))


@pytest.mark.parametrize(("count", "printed"), [(9, 10), (10, 10), (11, 10)])
def test_ten_lines_are_printed_and_how_many_are_left_is_said(count, printed):
    found = answer("margins", *margins(*[1.1] * count))
    lines = repr(found).splitlines()
    assert len(found) == count and len(lines) == printed
    assert lines[0] == f"margins: {count} claims"
    # The heading and a line a claim; where these are more than ten, the tenth says how many more.
    left = {9: None, 10: 2, 11: 3}[count]
    last = f"... and {left} more: .to_frame() has all"
    assert (lines[-1] == last) == (left is not None)


def test_a_long_line_is_cut_and_one_claim_is_no_claims():
    (one,) = margins(1.1)
    lines = repr(answer("margins", replace(one, marks=("x" * 200,)))).splitlines()
    assert lines[0] == "margins: 1 claim" and len(lines[1]) == 160
    assert repr(answer("margins")) == "margins: none"
    said = "+10.0\u00a0% (+9.1 to +10.9) ahead"
    assert repr(answer("margins", one)).splitlines()[1] == f"  {one.id}: {said}"
    marked = replace(one, marks=("typed_in", "robust"))
    assert answer("margins", marked).to_lines()[1].endswith(f"{said} [typed_in, robust]")
    many = answer("claims", *(cell("p0", f"t{n:02d}", 80.0) for n in range(31)))
    assert many._repr_html_().count("<li>") == 30


@pytest.mark.parametrize(
    ("asked", "left"),
    [
        ({}, "margin p1 t00, margin p1 t01, margin p2 t00, suite p1, cell t00, cell t09"),
        ({"over": "p1"}, "margin p1 t00, margin p1 t01, suite p1, cell t00, cell t09"),
        ({"titles": ["t00"]}, "margin p1 t00, margin p2 t00, cell t00"),
        ({"titles": ["t00"], "suites": True}, "margin p1 t00, margin p2 t00, suite p1, cell t00"),
        ({"products": ["p0"]}, "margin p1 t00, margin p1 t01, margin p2 t00, suite p1, cell t00"),
        ({"products": ["p5"]}, "cell t09"),
        ({"group": "old", "kinds": ["suite"]},
         "margin p1 t00, margin p1 t01, margin p2 t00, cell t00, cell t09"),
        ({"group": "all", "kinds": ["suite"], "over": "p2"}, "margin p2 t00, cell t00, cell t09"),
        ({"group": "old", "kinds": ["cell"]},
         "margin p1 t00, margin p1 t01, margin p2 t00, suite p1, cell t00, cell t09"),
    ],
)  # fmt: skip
def test_claims_are_narrowed_to_what_is_asked(asked, left):
    of = margins(1.1, 1.2)
    claims = [*of, *margins(1.3, base="p2"), suite(of)[0], cell("p0", "t00", 80.0),
              cell("p5", "t09", 70.0)]  # fmt: skip
    found = [" ".join(filter(None, (c.kind, c.baseline, c.title))) for c in narrow(claims, **asked)]
    assert ", ".join(found) == left


def test_suites_have_their_second_interval_and_the_counts_beside_them():
    of = margins(1.1, 1.2, 0.8)
    made = suite(of)
    about = {"metric": "average_fps", "product": "p0", "baseline": "p1", "group": "all"}
    false = Claim.make("suite_false", Subject(**about), Figure(0.25, None, None))
    frame = Answer("suites", (made[0],), lambda: book(*of, *made, false)).to_frame()
    (row,) = frame.to_dict("records")
    like = next(claim for claim in made if claim.kind == "suite_like")
    assert (row["like_low"], row["like_high"]) == (like.low, like.high)
    assert [row[n] for n in ("ahead", "behind", "level", "unresolved")] == [2, 1, 0, 0]
    assert row["expected_false"] == 0.25
    bare = Answer("suites", (made[0],), lambda: book(*of, made[0])).to_frame()
    assert math.isnan(bare["like_low"].iloc[0]) and math.isnan(bare["expected_false"].iloc[0])
    named = answer("margins", *of).to_frame(names=True)
    assert set(named["product"]) == {"Marlow 14"} and set(named["baseline"]) == {"Tessel 14"}


@pytest.mark.parametrize(
    ("value", "said"),
    [(None, ""), (math.nan, ""), (1234.56, "1235"), (0.123456, "0.1235"), (7, "7"), ("a", "a")],
)
def test_a_cell_of_a_frame_shows_four_digits_or_nothing(value, said):
    assert _plain(value) == said


def test_twenty_rows_of_a_frame_are_shown():
    for count, more in ((20, False), (21, True)):
        shown = _frame_html(pd.DataFrame({"a": range(count)}), "Said")
        assert ("1 more rows: .to_frame() has all." in shown) is more
        assert shown.count("<tr>") == 1 + 20
    assert _frame_html(pd.DataFrame({"a": []}), "None <here>").count("None &lt;here&gt;") == 1


def test_runs_are_listed_with_why_one_is_not_used():
    made = tiny_claims().make_book()
    lines = Runs(made).to_lines()
    unused = [run for run in made.runs if not run.used]
    assert lines[0] == f"runs: {len(made.runs)}, {len(made.runs) - len(unused)} used"
    (one,) = unused
    assert (
        f"  {one.id}: {one.product} in {one.title}, {one.frames} frames, not used: {one.reason}"
        in lines
    )
    frame = Runs(made).to_frame()
    assert len(frame) == len(Runs(made)) == len(made.runs)
    first = made.runs[0]
    assert frame.loc[first.id, "average_fps"] == made.by_id[f"run/average_fps/{first.id}"].value


def test_a_claim_is_asked_for_by_its_id_or_a_part_of_it():
    made = book(*margins(1.1, 1.2), cell("p0", "t00", 80.0))
    claims = Claims(made)
    one = claims[OVER.format("t00")]
    assert (one.value, one.outcome, one.marks) == (pytest.approx(1.1), "ahead", ())
    assert one.to_lines()[1:] == [f"  method margin-shared v{one.claim.method_version}",
                                  "  rests on 0 runs: .trace() leads to them"]  # fmt: skip
    assert one.claim.id in claims and "none" not in claims and list(claims) == list(made.by_id)
    assert claims.to_lines() == ["claims: 3", "  margin: 2", "  cell: 1"]
    assert len(claims.find("t00")) == 2 and len(claims) == len(claims.to_frame()) == 3
    with pytest.raises(UsageError, match=r"; (did you mean|.find)"):
        claims["margin"]
    with pytest.raises(UsageError, match='no claim has "t77" in its id'):
        claims.find("t77")


def test_differences_stand_by_how_grave_they_are_and_what_prints_otherwise():
    of = margins(1.1, 1.2, 1.3, 1.4)
    whole = suite(of)[0]
    others = [cell("p0", f"t{n:02d}", 80.0, 79.0, 81.0) for n in range(3)]
    turned = replace(of[0], outcome="level")
    silent = replace(of[1], value=of[1].value * (1 + 1e-12))  # prints alike
    moved = replace(of[2], low=1.2, interval="+20 to +31")
    later = [turned, silent, moved, replace(whole, value=1.3, text="+30.0\u00a0%"), others[0],
             replace(others[1], text="81 fps"), cell("p0", "t09", 1.0)]  # fmt: skip
    found = Differences.between(book(*of, whole, *others), book(*later))
    assert [(one.change, one.claim.kind, one.claim.title) for one in found] == [
        ("outcome_turned", "margin", "t00"),
        ("moved", "suite", ""), ("moved", "margin", "t02"), ("moved", "cell", "t01"),
        ("moved", "margin", "t01"),
        ("new", "cell", "t09"),
        ("gone", "margin", "t03"), ("gone", "cell", "t02"),
    ]  # fmt: skip
    assert (found.alike, len(found), len(found.of("gone"))) == (1, 8, 2)
    lines = found.to_lines()
    assert lines[0] == "differences: 1 outcome turned, 4 moved, 1 new, 2 gone; 1 alike"
    assert lines[1].endswith(f"{of[0].printed}, ahead -> level")
    assert lines[2].endswith(f"{whole.printed} -> +30.0\u00a0% ({whole.interval})")
    assert lines[6].startswith("  cell/average_fps/t09/p0: none -> ")
    frame = found.to_frame()
    assert (
        list(frame["outcome_after"])[0] == "level" and list(frame["outcome_before"])[0] == "ahead"
    )
    assert math.isnan(frame["value_before"].iloc[5]) and math.isnan(frame["value_after"].iloc[7])
    with pytest.raises(UsageError, match='no sort of difference "nw"; did you mean "new"'):
        found.of("nw")
