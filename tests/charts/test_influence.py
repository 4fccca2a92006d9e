"""The chart of a suite without each of its titles."""

from dataclasses import replace

import made_results
import pytest

from kit.charts.influence import draw_influence

NAMES = made_results.names()


@pytest.fixture(scope="module")
def suite():
    return made_results.suite(made_results.margins(6))


def test_rows_are_in_order_and_points_where_the_suite_says(suite):
    chart = draw_influence(suite, names=NAMES)
    assert list(chart.table["ratio_without"]) == sorted(suite.influence.values(), reverse=True)
    assert (
        dict(zip(chart.table["title"], chart.table["ratio_without"], strict=True))
        == suite.influence
    )
    (axes,) = chart.draw("page").axes
    (line,) = [line for line in axes.lines if line.get_marker() == "o"]
    assert list(line.get_xdata()) == list(chart.table["ratio_without"])
    assert list(line.get_ydata()) == sorted(line.get_ydata())
    starts = [ln for ln in axes.lines if len(ln.get_xdata()) == 3 * len(chart.table)]
    assert {float(x) for x in starts[0].get_xdata()[0::3]} == {suite.ratio}


def test_the_interval_of_the_full_suite_is_shaded(suite):
    (band,) = draw_influence(suite, names=NAMES).draw("page").axes[0].patches
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((suite.low, suite.high))
    plain = draw_influence(replace(suite, low=None, high=None), names=NAMES)
    assert not plain.draw("page").axes[0].patches and "shaded" not in plain.note


def test_caption_names_the_titles_that_move_it_most(suite):
    chart = draw_influence(suite, names=NAMES)
    most = max(suite.influence, key=suite.influence.get)
    least = min(suite.influence, key=suite.influence.get)
    assert f"(without {NAMES[least]}) to" in chart.caption
    assert chart.caption.endswith(f"(without {NAMES[most]})")
    assert all(f"without {NAMES[t]} +" in chart.alt for t in suite.influence)


def test_a_suite_of_one_title_has_no_influence_to_show():
    with pytest.raises(ValueError, match="two titles or more"):
        draw_influence(made_results.suite(made_results.margins(1)), names=NAMES)
