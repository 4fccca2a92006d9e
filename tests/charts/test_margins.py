"""The chart of margins: points, intervals, band, outcomes and both directions."""

import math
from dataclasses import replace
from itertools import pairwise

import made_results
import pytest
from matplotlib.text import Text

from kit.charts.margins import draw_margins, is_waived
from kit.charts.style import PAPER
from kit.rounding import ratio_text

NAMES = made_results.names()
BAND = 0.02


@pytest.fixture(scope="module")
def margins():
    return [
        made_results.margin("p0", "p1", "t00", 0.10, 0.01),
        made_results.margin("p0", "p1", "t01", -0.10, 0.01, marks=("waived:memory",)),
        made_results.margin("p0", "p1", "t02", 0.00, 0.004),
        made_results.margin("p0", "p1", "t03", 0.02, 0.03, marks=("single_run",)),
    ]


@pytest.fixture(scope="module")
def chart(margins):
    return draw_margins(margins, made_results.suite(margins), level_band=BAND, names=NAMES)


def points(figure, axes_index=0):
    return {
        float(line.get_xdata()[0]): line
        for line in figure.axes[axes_index].lines
        if line.get_marker() in {"o", "s", "D"}
    }


def test_every_margin_and_the_suite_is_a_point_at_its_ratio(chart, margins):
    drawn = points(chart.draw("page"))
    assert sorted(drawn) == sorted([*(m.ratio for m in margins), chart.table["ratio"].iloc[-1]])


def test_rows_run_from_the_largest_margin_down_with_the_suite_last_and_apart(chart):
    titles = chart.table[chart.table["kind"] == "title"]
    assert list(titles["ratio"]) == sorted(titles["ratio"], reverse=True)
    assert chart.table["kind"].iloc[-1] == "suite"
    heights = sorted(float(line.get_ydata()[0]) for line in points(chart.draw("page")).values())
    gaps = [b - a for a, b in pairwise(heights)]
    assert gaps[-1] > 1.2 * gaps[0] and max(gaps[:-1]) == pytest.approx(min(gaps[:-1]))


def test_intervals_end_where_the_results_say(chart, margins):
    ends = {
        tuple(round(float(v), 9) for v in line.get_xdata()[:2])
        for line in chart.draw("page").axes[0].lines
        if len(line.get_xdata()) == 3
    }
    for m in margins:
        assert (round(m.low, 9), round(m.high, 9)) in ends
    suite = chart.table.iloc[-1]
    assert (round(suite["interval_low"], 9), round(suite["interval_high"], 9)) in ends
    assert (round(suite["like_low"], 9), round(suite["like_high"], 9)) in ends


def test_unresolved_is_hollow_and_everything_else_is_not(chart, margins):
    drawn = points(chart.draw("page"))
    hollow = {x for x, line in drawn.items() if line.get_markerfacecolor() == PAPER}
    unresolved = {m.ratio for m in margins if m.outcome == "unresolved"}
    assert chart.table["outcome"].iloc[-1] == "unresolved"  # the suite, too
    assert len(unresolved) == 1 and hollow == unresolved | {chart.table["ratio"].iloc[-1]}


def test_the_band_is_shaded_alike_in_both_directions(chart):
    (band,) = chart.draw("page").axes[0].patches
    low, high = band.get_x(), band.get_x() + band.get_width()
    assert (low, high) == pytest.approx((1 / 1.02, 1.02))


def test_the_same_place_reads_as_the_inverse_from_above(chart):
    figure = chart.draw("page")
    below, above = figure.axes
    assert below.get_xscale() == above.get_xscale() == "log"
    assert below.get_xlim() == above.get_xlim()
    for x, text in zip(above.get_xticks(), above.get_xticklabels(), strict=True):
        percent = float(text.get_text().replace("\u2212", "-").rstrip("%\xa0"))
        assert 1 / x == pytest.approx(1 + percent / 100)  # 25 % more one way is 20 % less back
    for x, text in zip(below.get_xticks(), below.get_xticklabels(), strict=True):
        percent = float(text.get_text().replace("\u2212", "-").rstrip("%\xa0"))
        assert x == pytest.approx(1 + percent / 100)
    assert "Marlow 14 against Tessel 14" in below.get_xlabel()
    assert "Tessel 14 against Marlow 14" in above.get_xlabel()


def test_figures_outcomes_and_daggers_stand_in_their_rows(chart, margins):
    texts = [t.get_text() for t in chart.draw("page").findobj(Text)]
    for m in margins:
        assert ratio_text(m.ratio, m.low, m.high).text in texts
    assert {"ahead", "behind", "level", "unresolved"} <= set(texts)
    assert "Harbour at Night \u2020" in texts and "Salt Dunes" in texts
    assert "\u2020 A control was waived." in chart.note


def test_without_a_waiver_there_is_no_dagger(margins):
    chart = draw_margins(margins[2:], level_band=BAND, names=NAMES)
    assert "\u2020" not in chart.note
    assert is_waived(("waived:memory",)) and not is_waived(("single_run",))


def test_caption_and_alternative_say_result_numbers_and_outcomes(chart, margins):
    assert chart.caption.startswith(
        "Marlow 14 is ahead of Tessel 14 in 1 of 4 titles, behind in 1, level in 1, "
        "not told apart in 1; over the suite "
    )
    for m in margins:
        rounded = ratio_text(m.ratio, m.low, m.high)
        words = f"{NAMES[m.title]} {rounded.text} ({rounded.interval}), {m.outcome}"
        assert words in chart.alt


def test_a_margin_without_an_interval_is_a_point_alone_and_says_so():
    lone = replace(
        made_results.margin("p0", "p1", "t00", 0.1, 0.01), low=None, high=None, outcome="unresolved"
    )
    chart = draw_margins([lone], level_band=BAND, names=NAMES)
    assert "(no interval), unresolved" in chart.alt
    assert list(points(chart.draw("page"))) == [lone.ratio]


def test_a_far_interval_is_cut_at_the_edge_with_an_arrow_and_presses_nothing():
    wide = made_results.margin("p0", "p1", "t00", 0.05, 0.9)
    others = [made_results.margin("p0", "p1", f"t{i:02d}", 0.01 * i, 0.01) for i in range(1, 6)]
    figure = draw_margins([wide, *others], level_band=BAND, names=NAMES).draw("page")
    low, high = figure.axes[0].get_xlim()
    assert math.log(high / low) < 0.5
    arrows = {line.get_marker() for line in figure.axes[0].lines} & {"<", ">"}
    assert arrows == {"<", ">"}


def test_margins_of_two_pairs_or_none_are_refused(margins):
    with pytest.raises(ValueError, match="one pair and metric"):
        draw_margins([*margins, replace(margins[0], baseline="p2")], level_band=BAND, names=NAMES)
    with pytest.raises(ValueError, match="one pair and metric"):
        draw_margins([], level_band=BAND, names=NAMES)
    with pytest.raises(ValueError, match="one pair and metric"):
        draw_margins(
            margins,
            replace(made_results.suite(margins), metric="low_1pct_fps"),
            level_band=BAND,
            names=NAMES,
        )


def test_groups_have_file_names_of_their_own(margins):
    suite = made_results.suite(margins)
    whole = draw_margins(margins, suite, level_band=BAND, names=NAMES)
    group = draw_margins(margins, replace(suite, suite="new"), level_band=BAND, names=NAMES)
    assert whole.name == "margins-average_fps-p0-over-p1" != group.name


def test_the_direction_is_said_however_long_the_names(margins):
    long = dict.fromkeys(("p0", "p1"), "A long name " * 12)
    chart = draw_margins(margins, level_band=BAND, names=NAMES | long)
    below = chart.draw("page").axes[0].get_xlabel()
    assert below == "average (\u2212 slower, + faster)"
    score = [replace(m, metric="value") for m in margins]
    chart = draw_margins(score, level_band=BAND, names=NAMES)
    assert "(\u2212 behind, + ahead)" in chart.draw("page").axes[0].get_xlabel()
