"""The chart of several runs over each other. Text that must fit: see test_chartstyle."""

import made_results
import numpy as np
import pytest
from matplotlib.text import Text

from kit.charts.overlay import draw_overlay
from kit.metrics.series import summarise_frames

NAMES = made_results.names()


@pytest.fixture(scope="module")
def series():
    return [
        summarise_frames(
            made_results.run(name=f"r{i}", seed=i, seconds=24 - 2 * i, fps=90 - i), points=50
        )
        for i in range(4)
    ]


def test_every_run_is_a_line_of_its_rolling_medians_on_one_time_axis(series):
    (axes,) = draw_overlay(series, names=NAMES).draw("page").axes
    drawn = [line.get_xydata() for line in axes.lines if len(line.get_xdata()) == 50]
    assert len(drawn) == len(series)
    for line, s in zip(drawn, series, strict=True):
        assert np.array_equal(line, np.column_stack([s.time_s, s.median_ms]), equal_nan=True)
    assert axes.get_xlim() == (0, max(s.duration_s for s in series))


@pytest.mark.parametrize("size", ["page", "video"])
def test_each_run_is_named_once_in_the_colour_of_its_line(series, size):
    figure = draw_overlay(series, names=NAMES).draw(size)
    texts = [t for t in figure.findobj(Text) if t.get_text() in {s.run for s in series}]
    assert sorted(t.get_text() for t in texts) == [s.run for s in series]
    colours = [line.get_color() for line in figure.axes[0].lines if len(line.get_xdata()) == 50]
    by_run = dict(zip((s.run for s in series), colours, strict=True))
    assert all(t.get_color() == by_run[t.get_text()] for t in texts)
    looks = {(line.get_color(), line.get_linestyle()) for line in figure.axes[0].lines}
    assert len(looks) >= len(series)  # told apart without colour too: see looks_of


def test_caption_and_text_alternative_say_the_fastest_and_the_slowest(series):
    chart = draw_overlay(series, names=NAMES)
    middles = [float(np.nanmedian(s.median_ms)) for s in series]
    assert f"{min(middles):.1f}" in chart.caption and f"{max(middles):.1f}" in chart.caption
    assert all(f"run {s.run}: " in chart.alt for s in series)
    assert len(chart.table) == 4 * 50


def test_one_run_is_drawn_and_none_is_refused(series):
    chart = draw_overlay(series[:1], names=NAMES)
    assert "one run, median frame time" in chart.caption
    assert len(chart.draw("page").axes) == 1
    with pytest.raises(ValueError, match="no runs to draw"):
        draw_overlay([], names=NAMES)
