"""Ticks, limits and rows."""

import math

import pytest

from kit.charts.layout import (
    add_axes,
    axis_label,
    even_ticks,
    log_limits,
    log_ticks,
    ratio_labels,
    ratio_ticks,
    stack_rows,
    tick_labels,
)
from kit.charts.style import SHEETS, blank_figure


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
    ticks = ratio_ticks(low, high, at_most=len(labels))
    assert [text.replace("\xa0", " ") for text in ratio_labels(ticks)] == labels


@pytest.mark.parametrize(("low", "high"), [(0.999, 1.001), (0.5, 1.4), (0.01, 300), (2.0, 2.1)])
def test_ratio_ticks_lie_inside_and_are_not_too_many(low, high):
    ticks = ratio_ticks(low, high, at_most=7)
    assert 1 <= len(ticks) <= 8
    assert all(low * (1 - 1e-9) <= t <= high * (1 + 1e-9) for t in ticks)
    assert ticks == sorted(set(ticks))
    if low < 1 < high:
        assert any(math.isclose(t, 1.0) for t in ticks)


def test_labels_follow_the_locale_and_the_finest_tick():
    assert tick_labels([0, 2.5, 5.0]) == ["0.0", "2.5", "5.0"]
    assert tick_labels([1000, 2000], locale="de") == ["1.000", "2.000"]
    assert ratio_labels([1.005], locale="de") == ["+0,5\xa0%"]


def test_logarithmic_ticks_are_one_two_five():
    assert log_ticks(4, 60) == [5, 10, 20, 50]
    assert log_ticks(11, 13) == even_ticks(11, 13)


def test_limits_hold_every_point_and_cut_far_interval_ends():
    low, high = log_limits([0.9, 1.1], [0.85, 1.15])
    assert low < 0.85 and high > 1.15
    low, high = log_limits([0.9, 1.1], [0.1, 9.0])
    assert 0.6 < low < 0.9 and 1.1 < high < 1.6
    low, high = log_limits([1.0], [])
    assert low < 1.0 < high


@pytest.mark.parametrize("size", ["page", "video"])
@pytest.mark.parametrize("count", [1, 2, 12, 13, 31, 60])
def test_rows_stand_once_each_inside_the_sheet_and_do_not_overlap(count, size):
    sheet = SHEETS[size]
    panels, height = stack_rows(
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
    (panel,), _ = stack_rows(
        SHEETS["page"], top=0, below=0, count=3, natural=20, least=10, gaps={2: 7.5}
    )
    assert panel.tops[1] == pytest.approx(panel.tops[0] + 20)
    assert panel.tops[2] > panel.tops[1] + 20


@pytest.mark.parametrize("which", ["x", "y"])
def test_the_name_of_an_axis_is_cut_where_it_would_run_off_the_sheet(which):
    sheet = SHEETS["page"]
    figure = blank_figure(sheet, 300)
    axes = add_axes(figure, 300, 20, 400, 200)
    axis_label(axes, sheet, "a very long name of an axis " * 10, which=which)
    figure.canvas.draw()
    box = (axes.xaxis if which == "x" else axes.yaxis).label.get_window_extent()
    assert box.x0 >= 0 and box.x1 <= 720 and box.y0 >= -20 and box.y1 <= 300
    axis_label(axes, sheet, "short", which=which)
    assert (axes.get_xlabel() if which == "x" else axes.get_ylabel()) == "short"
