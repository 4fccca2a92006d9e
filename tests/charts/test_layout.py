"""Ticks, limits and rows."""

import math
import re

import pytest
from made_claims import book
from matplotlib.figure import Figure

from kit.charts.identity import Identity, plain_name
from kit.charts.layout import Drawing, Plot
from kit.charts.rows import _ratio_labels, _ratio_ticks
from kit.charts.runs import _log_ticks
from kit.charts.style import (
    ELLIPSIS,
    SHEETS,
    Panel,
    fit_text,
    place_labels,
    spread_apart,
    text_width,
)


@pytest.mark.parametrize(
    ("low", "high", "labels"),
    [
        (
            0.93,
            1.12,
            ["−6 %", "−4 %", "−2 %", "0 %", "+2 %", "+4 %", "+6 %", "+8 %", "+10 %", "+12 %"],
        ),
        (0.7, 1.5, ["−20 %", "0 %", "+20 %", "+40 %"]),
        (1.3, 1.42, ["+30 %", "+32 %", "+34 %", "+36 %", "+38 %", "+40 %", "+42 %"]),
        (0.24, 4.2, ["−75 %", "−50 %", "0 %", "+100 %", "+300 %"]),
    ],
)
def test_ratios_are_labelled_in_round_percent(low, high, labels):
    ticks = _ratio_ticks(low, high, at_most=len(labels))
    assert [text.replace("\xa0", " ") for text in _ratio_labels(ticks)] == labels


@pytest.mark.parametrize(("low", "high"), [(0.999, 1.001), (0.5, 1.4), (0.01, 300), (2.0, 2.1)])
def test_ratio_ticks_lie_inside_and_are_not_too_many(low, high):
    ticks = _ratio_ticks(low, high, at_most=7)
    assert 1 <= len(ticks) <= 8
    assert all(low * (1 - 1e-9) <= t <= high * (1 + 1e-9) for t in ticks)
    assert ticks == sorted(set(ticks))
    if low < 1 < high:
        assert any(math.isclose(t, 1.0) for t in ticks)


def test_labels_follow_the_locale_and_the_finest_tick():
    assert Plot.tick_labels([0, 2.5, 5.0]) == ["0.0", "2.5", "5.0"]
    assert Plot.tick_labels([1000, 2000], locale="de") == ["1.000", "2.000"]
    assert _ratio_labels([1.005], locale="de") == ["+0,5\xa0%"]


def test_logarithmic_ticks_are_one_two_five():
    assert _log_ticks(4, 60) == [5, 10, 20, 50]
    assert _log_ticks(11, 13) == Plot.even_ticks(11, 13)


def test_limits_hold_every_point_and_cut_far_interval_ends():
    low, high = Panel.log_limits([0.9, 1.1], [0.85, 1.15])
    assert low < 0.85 and high > 1.15
    low, high = Panel.log_limits([0.9, 1.1], [0.1, 9.0])
    assert 0.6 < low < 0.9 and 1.1 < high < 1.6
    low, high = Panel.log_limits([1.0], [])
    assert low < 1.0 < high


@pytest.mark.parametrize("size", ["page", "video"])
@pytest.mark.parametrize("count", [1, 2, 12, 13, 31, 60])
def test_rows_stand_once_each_inside_the_sheet_and_do_not_overlap(count, size):
    sheet = SHEETS[size]
    panels, height = Panel.stack(
        sheet,
        top=60,
        below=50,
        count=count,
        natural=28,
        least=26,
        first_extra=20,
        gaps={count - 1: 7.5} if count > 1 else {},
    )
    assert [row for panel in panels for row in panel.rows] == list(range(count))
    assert len(panels) == (2 if size == "video" and count > 35 else 1)
    for panel in panels:
        assert panel.top >= 60 - 1e-9 and panel.top + panel.height <= height - 50 + 1e-9
        assert panel.left >= 0 and panel.left + panel.width <= sheet.width
        ends = [t + h for t, h in zip(panel.tops, panel.heights, strict=True)]
        assert all(end <= start + 1e-9 for end, start in zip(ends, panel.tops[1:], strict=False))
        assert ends[-1] <= panel.height + 1e-9
        assert panel.heights[0] == pytest.approx(max(panel.heights))


def test_a_row_set_apart_has_a_gap_before_it():
    (panel,), _ = Panel.stack(
        SHEETS["page"], top=0, below=0, count=3, natural=20, least=10, gaps={2: 7.5}
    )
    assert panel.tops[1] == pytest.approx(panel.tops[0] + 20)
    assert panel.tops[2] > panel.tops[1] + 20


@pytest.mark.parametrize("which", ["x", "y"])
def test_the_name_of_an_axis_is_cut_where_it_would_run_off_the_sheet(which):
    figure = Drawing(SHEETS["page"], 300)
    axes = figure.put_axes(300, 20, 400, 200)
    axes.name_axis("a very long name of an axis " * 10, which=which)
    figure.canvas.draw()
    box = (axes.xaxis if which == "x" else axes.yaxis).label.get_window_extent()
    assert box.x0 >= 0 and box.x1 <= 720 and box.y0 >= -20 and box.y1 <= 300
    axes.name_axis("short", which=which)
    assert (axes.get_xlabel() if which == "x" else axes.get_ylabel()) == "short"


# --- text measured, cut and kept apart; names to draw ---


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("Plain 14", "Plain 14"),
        ("  two\n lines\t", "two lines"),
        ("a\x00\x1bb\x7f", "ab"),
        ("\u202eevil\u202c", "evil"),
        ("\ud800x", "x"),
        ("", "(no name)"),
        ("\x01", "(no name)"),
        ("$x_1$ <b>", "$x_1$ <b>"),
        ("\u05de\u05d7", "\u05de\u05d7"),
    ],
)
def test_a_name_is_one_line_of_text(raw, shown):
    assert plain_name(raw) == shown


def test_an_id_without_a_name_stands_for_itself():
    made = book(shown={"p1": "", "t01": ""})
    assert (
        Identity(made).product("p0") == "Marlow 14" and Identity(made).title("t00") == "Salt Dunes"
    )
    assert Identity(made).product("p1") == "p1" and Identity(made).title("t01") == "t01"
    assert Identity(made).product("c") == "c"


@pytest.mark.parametrize("text", ["Marlow 14", "WWW", "iii", "+12.3\xa0%", "Ünïcödé"])
def test_widths_are_those_matplotlib_draws(text):
    figure = Figure(dpi=72)
    drawn = figure.text(0, 0, text, fontsize=40, fontfamily="DejaVu Sans", parse_math=False)
    assert text_width(text, 40) == pytest.approx(drawn.get_window_extent().width, abs=2.0)


def test_a_script_the_font_lacks_is_given_an_em_a_character():
    assert text_width("\u7b14\u8bb0\u672c", 20) >= 60


@pytest.mark.parametrize("width", [20, 60, 120, 1000])
def test_text_is_cut_no_shorter_than_it_must_be(width):
    text = "An exceedingly long name"
    cut = fit_text(text, 15, width)
    assert text_width(cut, 15) <= width
    if cut != text:
        kept = cut.removesuffix(ELLIPSIS)
        assert text.startswith(kept)
        longer = text[: len(kept) + 2].rstrip() + ELLIPSIS
        assert text_width(longer, 15) > width


def test_text_is_broken_at_spaces_and_nothing_but_the_end_is_lost():
    whole = fit_text("one two three four", 10, text_width("one two three", 10) + 1, lines=2)
    assert whole == "one two three\nfour"
    cut = fit_text("one two three four", 10, text_width("one two", 10) + 1, lines=2)
    assert cut.startswith("one two\nth") and cut.endswith(ELLIPSIS) and cut.count("\n") == 1


def test_labels_are_spread_apart_in_order_and_near_where_they_belong():
    placed = spread_apart([10.0, 12.0, 50.0, 11.0], apart=8.0, low=0.0, high=60.0)
    assert placed == [10.0, 26.0, 50.0, 18.0]
    pushed = spread_apart([55.0, 58.0, 59.0], apart=10.0, low=0.0, high=60.0)
    assert pushed == [40.0, 50.0, 60.0]
    assert spread_apart([], apart=1, low=0, high=1) == []


def test_labels_cover_neither_points_nor_each_other():
    points = [(100.0 + 9 * math.cos(i), 100.0 + 40 * math.sin(i)) for i in range(5)]
    boxes = [(60.0, 14.0)] * 5
    spots = place_labels(boxes, points, clear=4, room=(0, 0, 300, 200))
    frames = [(x, y, x + 60, y + 14) for x, y in spots]
    for i, (x0, y0, x1, y1) in enumerate(frames):
        assert x0 >= 0 and y0 >= 0 and x1 <= 300 and y1 <= 200
        assert not any(x0 < px < x1 and y0 < py < y1 for px, py in points)
        assert not any(x0 < b[2] and b[0] < x1 and y0 < b[3] and b[1] < y1 for b in frames[:i])


def test_labels_stay_inside_the_room_at_a_corner():
    ((x, y),) = place_labels([(50.0, 12.0)], [(99.0, 1.0)], clear=3, room=(0, 0, 100, 100))
    assert 0 <= x <= 50 and 0 <= y <= 88


def test_the_cut_marks_itself():
    assert re.search(f"{ELLIPSIS}$", fit_text("W" * 500, 15, 80))
