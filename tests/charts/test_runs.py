"""Charts of single runs. Text that must fit: see test_style."""

import made_claims
import numpy as np
import pytest
from matplotlib.text import Text

from kit.charts.runs import distribution_chart, overlay_chart, run_chart
from kit.review.look_into import _summarise_frames
from kit.settings.metric import SENSOR_WORDS

BOOK = made_claims.book()
BUDGETS = (60.0, 120.0, 1000.0)


class TestRun:
    """The chart of one run over time."""

    @pytest.fixture(scope="class")
    @classmethod
    def series(cls):
        return _summarise_frames(made_claims.run(seconds=30), budgets_hz=(60.0,))

    def test_the_line_is_the_rolling_median_and_the_band_the_percentiles(self, series):
        axes = run_chart(BOOK, series).draw("page").axes[0]
        (median,) = [line for line in axes.lines if len(line.get_xdata()) == series.time_s.size]
        assert np.array_equal(median.get_xdata(), series.time_s)
        assert np.array_equal(median.get_ydata(), series.median_ms)
        (band,) = axes.collections
        corners = band.get_paths()[0].vertices
        assert set(series.low_ms) | set(series.high_ms) <= set(corners[:, 1])
        assert axes.get_ylim()[0] == 0

    def test_sensors_stand_beneath_on_the_same_time_axis(self, series):
        figure = run_chart(BOOK, series).draw("page")
        sensors = [sensor for sensor in SENSOR_WORDS if sensor in series.sensors]
        assert len(figure.axes) == 1 + len(sensors) == 4
        assert len({axes.get_xlim() for axes in figure.axes}) == 1
        assert (
            len(
                {
                    (round(a.get_position().x0, 9), round(a.get_position().x1, 9))
                    for a in figure.axes
                }
            )
            == 1
        )
        for axes, sensor in zip(figure.axes[1:], sensors, strict=True):
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

    def test_what_was_not_logged_has_no_panel(self):
        bare = _summarise_frames(made_claims.run(seconds=20, sensors=False))
        chart = run_chart(BOOK, bare)
        assert len(chart.draw("page").axes) == 1
        assert "clock" not in chart.alt

    def test_a_reading_that_never_came_has_no_panel(self, series):
        run = made_claims.run(seconds=20)
        run.log.sensors["power_w"][:] = np.nan
        chart = run_chart(BOOK, _summarise_frames(run))
        assert len(chart.draw("page").axes) == 3 and "power" not in chart.alt

    def test_caption_and_alternative_give_the_change_over_the_run(self, series):
        chart = run_chart(BOOK, series)
        assert chart.caption == (
            f"Marlow 14 in Salt Dunes: median frame time {series.start_ms:.1f}\xa0ms in the first "
            f"fifth of the run, {series.end_ms:.1f}\xa0ms in the last"
        )
        start, end = series.sensor_ends["clock_mhz"]
        assert f"clock {start:,.0f} to {end:,.0f}\xa0MHz" in chart.alt
        assert f"{series.frames:,} frames" in chart.alt
        assert list(chart.table.columns)[:4] == ["time_s", "low_ms", "median_ms", "high_ms"]

    def test_a_run_that_stood_still_is_drawn(self):
        run = made_claims.run(seconds=20)
        run.log.frame_ms[:] = 10.0
        for name in run.log.sensors:
            run.log.sensors[name][:] = 0.0
        chart = run_chart(BOOK, _summarise_frames(run))
        assert chart.draw("page").axes[0].get_ylim()[1] > 10


class TestOverlay:
    """The chart of several runs over each other."""

    @pytest.fixture(scope="class")
    @classmethod
    def series(cls):
        return [
            _summarise_frames(
                made_claims.run(name=f"r{i}", seed=i, seconds=24 - 2 * i, fps=90 - i), points=50
            )
            for i in range(4)
        ]

    def test_every_run_is_a_line_of_its_rolling_medians_on_one_time_axis(self, series):
        (axes,) = overlay_chart(BOOK, series).draw("page").axes
        drawn = [line.get_xydata() for line in axes.lines if len(line.get_xdata()) == 50]
        assert len(drawn) == len(series)
        for line, s in zip(drawn, series, strict=True):
            assert np.array_equal(line, np.column_stack([s.time_s, s.median_ms]), equal_nan=True)
        assert axes.get_xlim() == (0, max(s.duration_s for s in series))

    @pytest.mark.parametrize("size", ["page", "video"])
    def test_each_run_is_named_once_in_the_colour_of_its_line(self, series, size):
        figure = overlay_chart(BOOK, series).draw(size)
        texts = [t for t in figure.findobj(Text) if t.get_text() in {s.run for s in series}]
        assert sorted(t.get_text() for t in texts) == [s.run for s in series]
        colours = [line.get_color() for line in figure.axes[0].lines if len(line.get_xdata()) == 50]
        by_run = dict(zip((s.run for s in series), colours, strict=True))
        assert all(t.get_color() == by_run[t.get_text()] for t in texts)
        looks = {(line.get_color(), line.get_linestyle()) for line in figure.axes[0].lines}
        assert len(looks) >= len(series)  # told apart without colour too: see looks_of

    def test_caption_and_text_alternative_say_the_fastest_and_the_slowest(self, series):
        chart = overlay_chart(BOOK, series)
        middles = [float(np.nanmedian(s.median_ms)) for s in series]
        assert f"{min(middles):.1f}" in chart.caption and f"{max(middles):.1f}" in chart.caption
        assert all(f"run {s.run}: " in chart.alt for s in series)
        assert len(chart.table) == 4 * 50

    def test_one_run_is_drawn_and_none_is_refused(self, series):
        chart = overlay_chart(BOOK, series[:1])
        assert "one run, median frame time" in chart.caption
        assert len(chart.draw("page").axes) == 1
        with pytest.raises(ValueError, match="no runs to draw"):
            overlay_chart(BOOK, [])


class TestDistribution:
    """The chart of how frame times are distributed."""

    @pytest.fixture(scope="class")
    @classmethod
    def series(cls):
        return [
            _summarise_frames(
                made_claims.run(f"p{i}", fps=fps, seconds=20, seed=i, name=f"r{i}"),
                budgets_hz=BUDGETS,
            )
            for i, fps in enumerate((90, 70, 110))
        ]

    def test_each_curve_is_the_series_in_steps(self, series):
        whole = distribution_chart(BOOK, series).draw("page").axes[1]
        curves = [line for line in whole.lines if line.get_drawstyle() == "steps-post"]
        assert len(curves) == 3
        for line, one in zip(curves, series, strict=True):
            assert np.array_equal(line.get_xdata(), one.curve_ms)
            assert np.array_equal(line.get_ydata(), one.curve_share)
        assert whole.get_xscale() == "log"

    def test_the_slowest_twentieth_is_enlarged_on_the_same_axis(self, series):
        tail, whole = distribution_chart(BOOK, series).draw("page").axes
        assert tail.get_xlim() == whole.get_xlim()
        assert tail.get_ylim()[0] == 0.95 and whole.get_ylim()[0] == 0.0
        curves = [line for line in tail.lines if line.get_drawstyle() == "steps-post"]
        assert all(float(line.get_ydata()[-1]) == 1.0 for line in curves)

    def test_budgets_are_labelled_lines_where_they_are_in_sight(self, series):
        figure = distribution_chart(BOOK, series).draw("page")
        lines = {
            float(line.get_xdata()[0])
            for line in figure.axes[1].lines
            if len(line.get_xdata()) == 2 and line.get_linestyle() == "--"
        }
        assert lines == {1000 / 60, 1000 / 120}  # 1000 Hz is out of sight
        texts = {t.get_text() for t in figure.findobj(Text)}
        assert {"60\xa0Hz", "16.7\xa0ms", "120\xa0Hz", "8.3\xa0ms"} <= texts
        assert "1,000\xa0Hz" not in texts

    def test_the_key_names_curves_from_the_quickest(self, series):
        figure = distribution_chart(BOOK, series).draw("page")
        placed = {t.get_text(): t.get_position()[1] for t in figure.findobj(Text)}
        order = sorted(("Marlow 14", "Tessel 14", "Orrin 13 Plus"), key=lambda n: -placed[n])
        assert order == ["Orrin 13 Plus", "Marlow 14", "Tessel 14"]

    def test_runs_of_one_product_are_told_apart_by_run(self):
        runs = [
            _summarise_frames(made_claims.run("p0", seconds=20, seed=i, name=f"r{i}"))
            for i in range(3)
        ]
        chart = distribution_chart(BOOK, runs)
        texts = {t.get_text() for t in chart.draw("page").findobj(Text)}
        assert {"run r0", "run r1", "run r2"} <= texts
        looks = {
            (line.get_color(), str(line.get_linestyle()))
            for line in chart.draw("page").axes[1].lines
            if line.get_drawstyle() == "steps-post"
        }
        assert len(looks) == 3

    def test_caption_and_alternative_give_the_shares(self, series):
        chart = distribution_chart(BOOK, series)
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

    def test_no_runs_are_refused(self):
        with pytest.raises(ValueError, match="no runs"):
            distribution_chart(BOOK, [])
