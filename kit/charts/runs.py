"""Charts of single runs: frame times over time with sensors beneath, and their distribution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from kit.charts.layout import (
    add_axes,
    add_text,
    add_title,
    axis_label,
    even_ticks,
    set_ticks,
    tick_labels,
    title_height,
)
from kit.charts.style import (
    OTHERS,
    REVIEWED,
    Chart,
    Sheet,
    blank_figure,
    drawn_on,
    file_stem,
)
from kit.charts.text import name_of
from kit.metrics.series import SENSOR_WORDS, Floats, FrameSeries
from kit.rounding import NBSP, fps_text, number


def draw_run(series: FrameSeries, *, names: Mapping[str, str], locale: str = "en") -> Chart:
    """Return the chart of one run over time: frame times, and clock, temperature and power.

    Parameters
    ----------
    series : FrameSeries
        From `summarise_frames`. Sensors not logged have no panel.
    names : mapping of str to str
        Names of products and titles by id.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` is the series' `to_frame`: `time_s`, `low_ms`, `median_ms`, `high_ms`, and a
        column for each sensor.
    """
    product, title = name_of(names, series.product), name_of(names, series.title)
    sensors = [s for s in SENSOR_WORDS if _logged(series, s)]

    def ms(value: float) -> str:
        return fps_text(value, unit="ms", locale=locale).text

    caption = (
        f"{product} in {title}: median frame time {ms(series.start_ms)} in the first fifth "
        f"of the run, {ms(series.end_ms)} in the last"
    )
    note = (
        f"Line: rolling median over {number(series.window_s, decimals=1, locale=locale)}"
        f"{NBSP}s; band: 1st to 99th percentile. Run {series.run}."
    )
    ends = [
        f"{SENSOR_WORDS[s][0]} {number(start, decimals=0, locale=locale)} to "
        f"{number(end, decimals=0, locale=locale)}{NBSP}{SENSOR_WORDS[s][1]}"
        for s in sensors
        for start, end in [series.sensor_ends[s]]
    ]
    alt = (
        f"Line chart of frame time over {number(series.duration_s, decimals=0, locale=locale)}"
        f"{NBSP}s, {number(series.frames, decimals=0, locale=locale)} frames. {caption}. Rolling "
        f"median from {ms(float(np.nanmin(series.median_ms)))} to "
        f"{ms(float(np.nanmax(series.median_ms)))}; 99th percentile up to "
        f"{ms(float(np.nanmax(series.high_ms)))}."
        + (f" From the first fifth to the last: {', '.join(ends)}." if ends else "")
    )
    return Chart(
        name=file_stem("run", series.run),
        caption=caption,
        note=note,
        alt=alt,
        table=series.to_frame(),
        draw=drawn_on(lambda sheet: _paint_run(sheet, series, sensors, caption, note, locale)),
    )


def _logged(series: FrameSeries, sensor: str) -> bool:
    return sensor in series.sensors and bool(np.isfinite(series.sensors[sensor]).any())


def _paint_run(
    sheet: Sheet, series: FrameSeries, sensors: Sequence[str], caption: str, note: str, locale: str
) -> Figure:
    """Draw the frame times, and a panel for each sensor on the same time axis."""
    head = title_height(sheet, caption, note) + 2.0 * sheet.small
    below = 3.6 * sheet.small
    weights = [2.6, *(1.0 for _ in sensors)]
    gap = 2.1 * sheet.small
    height = sheet.height or head + below + 78 * sum(weights) + gap * len(sensors)
    unit = (height - head - below - gap * len(sensors)) / sum(weights)
    figure = blank_figure(sheet, height)
    add_title(figure, sheet, caption, note)
    left = sheet.side + 4.2 * sheet.small
    width = sheet.width - left - sheet.side - 1.2 * sheet.small
    y = head
    ticks = even_ticks(0, series.duration_s, at_most=9)
    for i, weight in enumerate(weights):
        tall = unit * weight
        axes = add_axes(figure, left, y, width, tall)
        axes.set_xlim(0, series.duration_s)
        if i == 0:
            _draw_frame_times(axes, sheet, series, locale)
            label = "frame time, ms, less is better"
        else:
            quantity, unit_text = SENSOR_WORDS[sensors[i - 1]]
            _draw_sensor(axes, sheet, series, sensors[i - 1], OTHERS[i - 1], locale)
            label = f"{quantity}, {unit_text}"
        last = i == len(weights) - 1
        set_ticks(
            axes,
            sheet,
            "x",
            ticks,
            tick_labels(ticks, locale=locale) if last else [""] * len(ticks),
        )
        add_text(figure, left, y - 0.5 * sheet.small, label, sheet.small, va="baseline")
        if last:
            axis_label(axes, sheet, "time in the run, s")
        y += tall + gap
    return figure


def _draw_frame_times(axes: Axes, sheet: Sheet, series: FrameSeries, locale: str) -> None:
    axes.fill_between(
        series.time_s, series.low_ms, series.high_ms, color=REVIEWED, alpha=0.22, linewidth=0
    )
    draw_line(axes, sheet, series.time_s, series.median_ms, REVIEWED, 2.0)
    low, high = float(np.nanmin(series.low_ms)), float(np.nanmax(series.high_ms))
    top = high + 0.08 * max(high - low, 0.05 * high)
    axes.set_ylim(0, top)
    ticks = even_ticks(0, top, at_most=6)
    set_ticks(axes, sheet, "y", ticks, tick_labels(ticks, locale=locale))


def _draw_sensor(
    axes: Axes, sheet: Sheet, series: FrameSeries, sensor: str, colour: str, locale: str
) -> None:
    values = series.sensors[sensor]
    draw_line(axes, sheet, series.time_s, values, colour, 1.6)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    spare = 0.12 * max(high - low, 0.04 * abs(high), 1e-9)
    axes.set_ylim(low - spare, high + spare)
    ticks = even_ticks(low - spare, high + spare, at_most=3)
    set_ticks(axes, sheet, "y", ticks, tick_labels(ticks, locale=locale))


def draw_line(
    axes: Axes, sheet: Sheet, x: Floats, y: Floats, colour: str, width: float, **how: Any
) -> None:
    """Draw a line through points given: no estimator, no error bar, nothing resampled."""
    sns.lineplot(
        x=x,
        y=y,
        ax=axes,
        color=colour,
        linewidth=width * sheet.line,
        estimator=None,
        errorbar=None,
        sort=False,
        legend=False,
        **how,
    )
    axes.set(xlabel=None, ylabel=None)
