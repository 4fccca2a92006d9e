"""The chart of how frame times are distributed."""

import made_results
import numpy as np
import pytest
from matplotlib.text import Text

from kit.charts.distribution import draw_distribution
from kit.metrics.series import summarise_frames

NAMES = made_results.names()
BUDGETS = (60.0, 120.0, 1000.0)


@pytest.fixture(scope="module")
def series():
    return [
        summarise_frames(
            made_results.run(f"p{i}", fps=fps, seconds=20, seed=i, name=f"r{i}"), budgets_hz=BUDGETS
        )
        for i, fps in enumerate((90, 70, 110))
    ]


def test_each_curve_is_the_series_in_steps(series):
    whole = draw_distribution(series, names=NAMES).draw("page").axes[1]
    curves = [line for line in whole.lines if line.get_drawstyle() == "steps-post"]
    assert len(curves) == 3
    for line, one in zip(curves, series, strict=True):
        assert np.array_equal(line.get_xdata(), one.curve_ms)
        assert np.array_equal(line.get_ydata(), one.curve_share)
    assert whole.get_xscale() == "log"


def test_the_slowest_twentieth_is_enlarged_on_the_same_axis(series):
    tail, whole = draw_distribution(series, names=NAMES).draw("page").axes
    assert tail.get_xlim() == whole.get_xlim()
    assert tail.get_ylim()[0] == 0.95 and whole.get_ylim()[0] == 0.0
    curves = [line for line in tail.lines if line.get_drawstyle() == "steps-post"]
    assert all(float(line.get_ydata()[-1]) == 1.0 for line in curves)


def test_budgets_are_labelled_lines_where_they_are_in_sight(series):
    figure = draw_distribution(series, names=NAMES).draw("page")
    lines = {
        float(line.get_xdata()[0])
        for line in figure.axes[1].lines
        if len(line.get_xdata()) == 2 and line.get_linestyle() == "--"
    }
    assert lines == {1000 / 60, 1000 / 120}  # 1000 Hz is out of sight
    texts = {t.get_text() for t in figure.findobj(Text)}
    assert {"60\xa0Hz", "16.7\xa0ms", "120\xa0Hz", "8.3\xa0ms"} <= texts
    assert "1,000\xa0Hz" not in texts


def test_the_key_names_curves_from_the_quickest(series):
    figure = draw_distribution(series, names=NAMES).draw("page")
    placed = {t.get_text(): t.get_position()[1] for t in figure.findobj(Text)}
    order = sorted(("Marlow 14", "Tessel 14", "Orrin 13 Plus"), key=lambda n: -placed[n])
    assert order == ["Orrin 13 Plus", "Marlow 14", "Tessel 14"]


def test_runs_of_one_product_are_told_apart_by_run():
    runs = [
        summarise_frames(made_results.run("p0", seconds=20, seed=i, name=f"r{i}")) for i in range(3)
    ]
    chart = draw_distribution(runs, names=NAMES)
    texts = {t.get_text() for t in chart.draw("page").findobj(Text)}
    assert {"run r0", "run r1", "run r2"} <= texts
    looks = {
        (line.get_color(), str(line.get_linestyle()))
        for line in chart.draw("page").axes[1].lines
        if line.get_drawstyle() == "steps-post"
    }
    assert len(looks) == 3


def test_caption_and_alternative_give_the_shares(series):
    chart = draw_distribution(series, names=NAMES)
    share = 100 * series[0].within_budget[60.0]
    assert chart.caption == (
        f"Marlow 14 in Salt Dunes: {share:.1f}\xa0% of frames within 16.7\xa0ms (60\xa0Hz)"
    )
    for one in series:
        assert f"longest frame {one.curve_ms[-1]:.1f}\xa0ms" in chart.alt
    assert set(chart.table.columns) == {
        "run",
        "product",
        "product_name",
        "title",
        "title_name",
        "frame_ms",
        "share",
    }


def test_no_runs_are_refused():
    with pytest.raises(ValueError, match="no runs"):
        draw_distribution([], names=NAMES)
