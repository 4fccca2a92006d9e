"""The chart of one run over time."""

import made_results
import numpy as np
import pytest
from matplotlib.text import Text

from kit.charts.runs import SENSOR_WORDS, draw_run
from kit.metrics.series import summarise_frames

NAMES = made_results.names()


@pytest.fixture(scope="module")
def series():
    return summarise_frames(made_results.run(seconds=30), budgets_hz=(60.0,))


def test_the_line_is_the_rolling_median_and_the_band_the_percentiles(series):
    axes = draw_run(series, names=NAMES).draw("page").axes[0]
    (median,) = [line for line in axes.lines if len(line.get_xdata()) == series.time_s.size]
    assert np.array_equal(median.get_xdata(), series.time_s)
    assert np.array_equal(median.get_ydata(), series.median_ms)
    (band,) = axes.collections
    corners = band.get_paths()[0].vertices
    assert set(series.low_ms) | set(series.high_ms) <= set(corners[:, 1])
    assert axes.get_ylim()[0] == 0


def test_sensors_stand_beneath_on_the_same_time_axis(series):
    figure = draw_run(series, names=NAMES).draw("page")
    assert len(figure.axes) == 1 + len(SENSOR_WORDS)
    assert len({axes.get_xlim() for axes in figure.axes}) == 1
    assert (
        len({(round(a.get_position().x0, 9), round(a.get_position().x1, 9)) for a in figure.axes})
        == 1
    )
    for axes, sensor in zip(figure.axes[1:], SENSOR_WORDS, strict=True):
        drawn = [line for line in axes.lines if len(line.get_xdata()) == series.time_s.size]
        assert np.array_equal(drawn[0].get_ydata(), series.sensors[sensor], equal_nan=True)
    texts = {t.get_text() for t in figure.findobj(Text) if t.get_visible()}
    assert {
        "frame time, ms, less is better",
        "clock, MHz",
        "temperature, \u00b0C",
        "power, W",
        "time in the run, s",
    } <= texts


def test_what_was_not_logged_has_no_panel():
    bare = summarise_frames(made_results.run(seconds=20, sensors=False))
    chart = draw_run(bare, names=NAMES)
    assert len(chart.draw("page").axes) == 1
    assert "clock" not in chart.alt


def test_a_reading_that_never_came_has_no_panel(series):
    run = made_results.run(seconds=20)
    run.log.sensors["power_w"][:] = np.nan
    chart = draw_run(summarise_frames(run), names=NAMES)
    assert len(chart.draw("page").axes) == 3 and "power" not in chart.alt


def test_caption_and_alternative_give_the_change_over_the_run(series):
    chart = draw_run(series, names=NAMES)
    assert chart.caption == (
        f"Marlow 14 in Salt Dunes: median frame time {series.start_ms:.1f}\xa0ms in the first "
        f"fifth of the run, {series.end_ms:.1f}\xa0ms in the last"
    )
    start, end = series.sensor_ends["clock_mhz"]
    assert f"clock {start:,.0f} to {end:,.0f}\xa0MHz" in chart.alt
    assert f"{series.frames:,} frames" in chart.alt
    assert list(chart.table.columns)[:4] == ["time_s", "low_ms", "median_ms", "high_ms"]


def test_a_run_that_stood_still_is_drawn():
    run = made_results.run(seconds=20)
    run.log.frame_ms[:] = 10.0
    for name in run.log.sensors:
        run.log.sensors[name][:] = 0.0
    chart = draw_run(summarise_frames(run), names=NAMES)
    assert chart.draw("page").axes[0].get_ylim()[1] > 10
