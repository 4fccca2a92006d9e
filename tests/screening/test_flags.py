"""What a rule sees: worked out once, in the order recorded, with the figure that counts."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from screening_case import START, diagnostics, row, view

from kit.screening.flags import few, moment, percent


def pair(run, facts=None, **fields):
    return row(run, **fields), diagnostics(run, **facts or {})


def test_what_rules_ask_is_worked_out_once_a_view():
    seen = view([pair("a"), pair("b")])
    asked = []

    def work(of):
        asked.append(len(of.used))
        return len(of.used)

    assert [seen.once(work), seen.once(work)] == [2, 2] and asked == [2]
    # Another view, of other rows, knows nothing of it; and neither shows it.
    less = replace(seen, used=seen.used[:1])
    assert less.once(work) == 1 and seen.once(work) == 2 and asked == [2, 1]
    assert "_seen" not in repr(seen)


def test_a_cell_has_its_runs_as_they_began_or_else_as_in_the_sheet():
    at = [START + dt.timedelta(minutes=n) for n in (9, 1, 9)]
    pairs = [pair(run, began=began) for run, began in zip("abc", at, strict=True)]
    cells = view([*pairs, pair("d", title="marsh")]).cells()
    assert [r.run for r in cells["heron", "dunes"]] == ["b", "a", "c"]
    assert cells.keys() == {("heron", "dunes"), ("heron", "marsh")}
    untimed = view([*pairs[:2], pair("c")])  # one time was not recorded
    assert [r.run for r in untimed.cells()["heron", "dunes"]] == ["a", "b", "c"]


def test_a_time_without_a_zone_is_taken_as_utc():
    there = dt.timezone(dt.timedelta(hours=2))
    assert moment(dt.datetime(2026, 11, 1, 9)) == moment(START) == START
    assert moment(dt.datetime(2026, 11, 1, 11, tzinfo=there)) == START
    assert moment(None) is None


def test_the_value_typed_stands_before_the_log_and_the_average_typed_after_it():
    still, typed = {"average_fps": 0.0}, {"average_fps": 5.0}
    pairs = [
        pair("value", typed={"value": 7.0} | typed),
        pair("log", typed=typed),
        pair("average", still, typed=typed),
        pair("none", still),
        pair("zero", typed={"value": 0.0}),
    ]
    seen, rows = view(pairs), [row for row, _ in pairs]
    assert [seen.value(row) for row in rows] == [7.0, 60.0, 5.0, None, 0.0]
    assert seen.log_values(rows[:3]) == pytest.approx(np.log([7.0, 60.0, 5.0]))
    assert seen.log_values(rows[:4]) is None and seen.log_values(rows[4:]) is None
    assert seen.measures_frames("dunes") and not seen.measures_frames("packing")


def test_only_logs_with_frames_are_looked_into():
    pairs = [pair("a", {"frames": 1}), pair("b", {"frames": 0}), pair("c")]
    seen = replace(view(pairs), diagnostics={row.run: told for row, told in pairs[:2]})
    assert [row.run for row, _ in seen.logged()] == ["a"]


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0421, "4.21 %"),
        (9.994, "999 %"),
        (-9.994, "-999 %"),
        (9.996, "1,000 %"),
        (-20.0, "-2,000 %"),
    ],
)
def test_a_share_has_three_figures_and_thousands_are_whole(share, said):
    assert percent(share) == said


def test_one_is_no_plural():
    assert (few(1), few(0), few(2, "frame")) == ("1 run", "0 runs", "2 frames")
