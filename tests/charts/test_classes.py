"""The chart of one name in two classes of machine."""

from dataclasses import replace

import made_results
import pytest
from matplotlib.text import Text

from kit.charts.classes import draw_classes
from kit.rounding import ratio_text

NAMES = made_results.names(3, 8)
CLASSES = ("desk", "portable")


@pytest.fixture(scope="module")
def gaps():
    return [made_results.gap(0.17, 0.31), made_results.gap(0.12, 0.02, here_old="p2")]


def test_each_line_joins_the_lead_there_to_the_lead_here(gaps):
    axes = draw_classes(gaps, classes=CLASSES, names=NAMES).draw("page").axes[0]
    assert axes.get_yscale() == "log"
    slopes = [
        [float(y) for y in line.get_ydata()]
        for line in axes.lines
        if list(line.get_xdata()) == [0, 1]
        and line.get_marker() == "None"
        and line.get_ydata()[0] != 1.0
    ]
    assert slopes == [[g.there.ratio, g.here.ratio] for g in gaps]
    bars = {
        tuple(float(y) for y in line.get_ydata())
        for line in axes.lines
        if list(line.get_xdata()) in ([0, 0], [1, 1])
    }
    assert {(s.low, s.high) for g in gaps for s in (g.there, g.here)} <= bars


def test_both_ends_are_labelled_with_names_and_lead(gaps):
    texts = [
        t.get_text()
        for t in draw_classes(gaps, classes=CLASSES, names=NAMES).draw("page").findobj(Text)
    ]
    assert {"desk", "portable", "Marlow 14 over Marlow 12"} <= set(texts)
    for g in gaps:
        for s in (g.there, g.here):
            assert ratio_text(s.ratio, s.low, s.high).text in texts


def test_caption_alternative_and_table(gaps):
    one = draw_classes(gaps[:1], classes=CLASSES, names=NAMES)
    assert one.caption.startswith("In the desk class Marlow Desk +")
    assert "; in the portable class Marlow 14 +" in one.caption
    both = draw_classes(gaps, classes=CLASSES, names=NAMES)
    assert both.caption == (
        "The lead is smaller in the portable class than in the desk class for 1 of 2 pairs of names"
    )
    for g in gaps:
        assert ratio_text(g.ratio, g.low, g.high).text in both.alt
    assert list(both.table["class"]) == ["desk", "portable"] * 2
    assert list(both.table["gap_ratio"].dropna()) == [g.ratio for g in gaps]


def test_gaps_of_two_metrics_or_none_are_refused(gaps):
    with pytest.raises(ValueError, match="one metric"):
        draw_classes([], classes=CLASSES, names=NAMES)
    with pytest.raises(ValueError, match="one metric"):
        draw_classes(
            [gaps[0], replace(gaps[1], metric="low_1pct_fps")], classes=CLASSES, names=NAMES
        )
