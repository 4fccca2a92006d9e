"""The chart of averages and lows: what is drawn is what the cells say."""

import re
from dataclasses import replace

import made_results
import pytest
from matplotlib.text import Text

from kit.charts.style import PAPER, REVIEWED
from kit.charts.titles import draw_titles, outcome_counts

NAMES = made_results.names(12, 6)


@pytest.fixture(scope="module")
def averages():
    return made_results.cells(5, 3)


@pytest.fixture(scope="module")
def lows():
    return made_results.cells(5, 3, "low_1pct_fps")


def marks(figure, shape):
    """Return (x, y) of every mark of one shape, over all axes."""
    return [
        (float(x), float(y))
        for axes in figure.axes
        for line in axes.lines
        if line.get_marker() == shape
        for x, y in zip(*line.get_data(), strict=True)
    ]


def test_every_average_is_drawn_once_where_its_cell_says(averages, lows):
    figure = draw_titles(averages, lows, product="p0", names=NAMES).draw("page")
    for product, shape in (("p0", "o"), ("p1", "s"), ("p2", "^")):
        drawn = sorted(marks(figure, shape), key=lambda m: m[1])
        assert [x for x, _ in drawn] == [c.value for c in averages if c.product == product]
    assert sorted(x for x, _ in marks(figure, "|")) == sorted(c.value for c in lows)


def test_hairline_and_interval_end_where_the_cells_do(averages, lows):
    figure = draw_titles(averages, lows, product="p0", names=NAMES).draw("page")
    (axes,) = figure.axes
    ends = {
        (round(float(x0), 9), round(float(x1), 9))
        for line in axes.lines
        if line.get_marker() == "None" and len(line.get_xdata()) > 2
        for x0, x1 in zip(line.get_xdata()[0::3], line.get_xdata()[1::3], strict=True)
    }
    for cell, low in zip(averages, lows, strict=True):
        assert (round(low.value, 9), round(cell.value, 9)) in ends
        assert (round(cell.low, 9), round(cell.high, 9)) in ends


@pytest.mark.parametrize("size", ["page", "video"])
def test_the_axis_begins_at_zero_and_says_quantity_unit_and_direction(averages, lows, size):
    for axes in draw_titles(averages, lows, product="p0", names=NAMES).draw(size).axes:
        assert axes.get_xlim()[0] == 0
        assert axes.get_xlabel() == "average, frames per second, more is better"


def test_only_the_reviewed_product_is_filled(averages, lows):
    (axes,) = draw_titles(averages, lows, product="p1", names=NAMES).draw("page").axes
    faces = {}
    for line in axes.lines:
        if line.get_marker() in {"o", "s", "^"}:
            faces.setdefault(line.get_marker(), set()).add(line.get_markerfacecolor())
    assert faces == {"o": {REVIEWED}, "s": {PAPER}, "^": {PAPER}}


def test_each_product_is_named_once_beside_its_line_in_the_first_row(averages, lows):
    figure = draw_titles(averages, lows, product="p0", names=NAMES).draw("page")
    (axes,) = figure.axes
    texts = {t.get_text(): t for t in axes.texts}
    assert set(texts) == {NAMES[p] for p in ("p0", "p1", "p2")}
    for product, shape in (("p0", "o"), ("p1", "s"), ("p2", "^")):
        first = min(marks(figure, shape), key=lambda m: m[1])
        assert texts[NAMES[product]].xy[1] == first[1]


def test_where_less_is_better_the_axis_says_so():
    cells = [
        replace(c, metric="value", unit="s", less_is_better=True) for c in made_results.cells(2, 2)
    ]
    chart = draw_titles(cells, product="p0", names=NAMES)
    assert chart.draw("page").axes[0].get_xlabel() == "result, seconds, less is better"
    assert "hairline" not in chart.note and "thin line" not in chart.note


def test_a_title_that_did_not_run_is_said_and_left_open(averages, lows):
    kept = [c for c in averages if (c.title, c.product) != ("t02", "p1")]
    chart = draw_titles(kept, lows, product="p0", names=NAMES)
    assert "No result: Tessel 14 in Paper Forest." in chart.note
    row = chart.table.query("title == 't02' and product == 'p1'").iloc[0]
    assert row[["average", "interval_low", "interval_high"]].isna().all()
    assert len(chart.table) == 15
    drawn = [x for x, _ in marks(chart.draw("page"), "s")]
    assert sum(x == x for x in drawn) == 4


def test_a_cell_without_an_interval_is_drawn_without_one():
    cells = [replace(c, low=None, high=None) for c in made_results.cells(1, 1)]
    chart = draw_titles(cells, product="p0", names=NAMES)
    assert chart.table["interval_low"].isna().all()
    assert [x for x, _ in marks(chart.draw("page"), "o")] == [cells[0].value]


def test_alt_text_holds_every_figure_of_the_reviewed_product(averages, lows):
    chart = draw_titles(averages, lows, product="p0", names=NAMES)
    for cell in (c for c in (*averages, *lows) if c.product == "p0"):
        assert any(
            float(figure) == pytest.approx(cell.value, abs=0.51)
            for figure in re.findall(r"\d+(?:\.\d+)?", chart.alt)
        )
    for cell in averages:
        assert NAMES[cell.product] in chart.alt


def test_the_table_is_the_cells_unrounded(averages, lows):
    table = draw_titles(averages, lows, product="p0", names=NAMES).table
    assert list(table["average"]) == [c.value for c in averages]
    assert list(table["interval_low"]) == [c.low for c in averages]
    assert list(table["low"]) == [c.value for c in lows]


def test_caption_counts_the_outcomes_of_each_rival(averages, lows):
    ahead = made_results.suite(
        [made_results.margin("p0", "p1", f"t{i:02d}", 0.1, 0.01) for i in range(5)]
    )
    mixed = made_results.suite(
        [
            made_results.margin("p0", "p2", f"t{i:02d}", x, 0.01)
            for i, x in enumerate((0.1, 0.1, -0.1, 0.02, 0.0))
        ]
    )
    assert ahead.counts == {"ahead": 5, "behind": 0, "level": 0, "unresolved": 0}
    one = draw_titles(averages, lows, product="p0", names=NAMES, suites=[ahead])
    assert one.caption == "Marlow 14 is ahead of Tessel 14 in 5 of 5 titles"
    both = draw_titles(averages, lows, product="p0", names=NAMES, suites=[ahead, mixed])
    assert both.caption == (
        "Marlow 14 is ahead of Tessel 14 in 5 of 5, of Orrin 13 Plus in 2 of 5 titles"
    )


@pytest.mark.parametrize(
    ("logs", "words"),
    [
        ((0.1,), "ahead of B in the one title"),
        ((-0.1, -0.1), "behind B in 2 of 2 titles"),
        ((0.1, 0.0, 0.0), "ahead of B in 1 of 3 titles, level in 2"),
        ((0.02, 0.02), "not told apart from B in 2 of 2 titles"),
        ((0.0, -0.1), "behind B in 1 of 2 titles, level in 1"),
        ((0.0, 0.0), "level with B in 2 of 2 titles"),
    ],
)
def test_outcomes_in_words(logs, words):
    of = [
        made_results.margin("p0", "p1", f"t{i}", x, 0.01 if x else 0.005)
        for i, x in enumerate(logs)
    ]
    assert outcome_counts(made_results.suite(of), "B") == words


def test_numbers_follow_the_locale(averages, lows):
    chart = draw_titles(averages, lows, product="p0", names=NAMES, locale="de")
    assert re.search(r"\d,\d", chart.alt) and not re.search(r"\d\.\d", chart.alt)


@pytest.mark.parametrize(
    "spoil", [{"metric": "low_1pct_fps"}, {"unit": "s"}, {"less_is_better": True}]
)
def test_cells_of_two_kinds_are_refused(averages, spoil):
    with pytest.raises(ValueError, match="more than one kind"):
        draw_titles([*averages, replace(averages[0], **spoil)], product="p0", names=NAMES)


def test_no_cells_are_refused():
    with pytest.raises(ValueError, match="no cells"):
        draw_titles([], product="p0", names=NAMES)


def test_a_long_name_is_wrapped_or_cut_in_the_picture_and_whole_in_the_table(averages, lows):
    long = "The Longest Winter in the Valley of the Seven Grey Clockmakers and their Apprentices"
    chart = draw_titles(averages, lows, product="p0", names=NAMES | {"t01": long})
    shown = [t.get_text() for t in chart.draw("page").findobj(Text)]
    assert any(t.replace("\n", " ").rstrip("\u2026") in long and len(t) > 20 for t in shown)
    assert long in set(chart.table["title_name"]) and long in chart.alt


def test_the_reviewed_product_stands_first_and_the_others_as_given(averages):
    chart = draw_titles(averages, product="p2", names=NAMES)
    assert list(dict.fromkeys(chart.table["product"])) == ["p2", "p0", "p1"]
    (axes,) = chart.draw("page").axes
    heights = [t.xy[1] for t in sorted(axes.texts, key=lambda t: t.get_text() != NAMES["p2"])]
    assert heights[0] == min(heights)


def test_many_missing_results_are_counted(averages):
    kept = [c for c in averages if c.product != "p1" or c.title in {"t00", "t01"}]
    assert "No result: Tessel 14 in 3 titles." in draw_titles(kept, product="p0", names=NAMES).note


def test_the_axis_leaves_room_for_names_right_of_their_lines():
    cells = [replace(c, value=100.0, low=99.0, high=101.0) for c in made_results.cells(1, 3)]
    long = dict.fromkeys(("p0", "p1", "p2"), "A short name")
    (axes,) = draw_titles(cells, product="p0", names=NAMES | long).draw("page").axes
    assert [t.get_text() for t in axes.texts] == ["A short name"] * 3
    assert {t.get_ha() for t in axes.texts} == {"left"}
    assert axes.get_xlim()[1] <= 1.35 * 101.0
