"""Charts of single runs: frame times over time with sensors beneath, and their distribution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from kit.chartlayout import (
    add_axes,
    add_line,
    add_text,
    add_title,
    axis_label,
    even_ticks,
    fit_text,
    log_ticks,
    name_of,
    set_ticks,
    spread_apart,
    text_width,
    tick_labels,
    title_height,
)
from kit.chartstyle import (
    GREY,
    INK,
    OTHERS,
    REVIEWED,
    Chart,
    Look,
    Sheet,
    blank_figure,
    drawn_on,
    file_stem,
    looks_of,
)
from kit.frameseries import Floats, FrameSeries
from kit.tables import NBSP, fps_text, number, share_text

SENSOR_WORDS = {
    "clock_mhz": ("clock", "MHz"),
    "temperature_c": ("temperature", "\u00b0C"),
    "power_w": ("power", "W"),
}
"""Sensors drawn beneath a run, in this order, with their quantity and unit."""


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


def draw_distribution(
    series: Sequence[FrameSeries],
    *,
    names: Mapping[str, str],
    reviewed: str = "",
    locale: str = "en",
) -> Chart:
    """Return the chart of how frame times are distributed, a curve a run.

    Parameters
    ----------
    series : sequence of FrameSeries
        Runs to lay over each other. Budgets of the first are drawn.
    names : mapping of str to str
        Names of products and titles by id.
    reviewed : str
        The reviewed product; the first run's product if empty.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has a row for each step drawn: `run`, `product`, `product_name`, `title`,
        `title_name`, `frame_ms`, `share` (of frames that lasted no longer).

    Raises
    ------
    ValueError
        If there is no run.
    """
    if not series:
        raise ValueError("no runs to draw")
    several = len({s.product for s in series}) > 1
    keys = [s.product if several else s.run for s in series]
    labels = {k: name_of(names, k) if several else f"run {k}" for k in keys}
    looks = looks_of(keys, (reviewed or series[0].product) if several else keys[0])
    titles = list(dict.fromkeys(s.title for s in series))
    table = pd.concat(
        [
            pd.DataFrame(
                {
                    "run": s.run,
                    "product": s.product,
                    "product_name": name_of(names, s.product),
                    "title": s.title,
                    "title_name": name_of(names, s.title),
                    "frame_ms": s.curve_ms,
                    "share": s.curve_share,
                }
            )
            for s in series
        ],
        ignore_index=True,
    )
    place = name_of(names, titles[0]) if len(titles) == 1 else f"{len(titles)} titles"
    caption = f"{name_of(names, series[0].product)} in {place}: {_share_words(series[0], locale)}"
    note = "Steps: share of frames that lasted no longer; above, the slowest twentieth enlarged."
    alt = (
        f"Distribution of frame times in {place}. {caption}. "
        + "; ".join(
            f"{name_of(names, s.product)}, run {s.run}: {_shares_words(s, locale)}" for s in series
        )
        + "."
    )
    return Chart(
        name=file_stem("distribution", *titles[:1], *(s.run for s in series[:4])),
        caption=caption,
        note=note,
        alt=alt,
        table=table,
        draw=drawn_on(
            lambda sheet: _paint_distribution(
                sheet, list(zip(keys, series, strict=True)), labels, looks, caption, note, locale
            )
        ),
    )


def _share_words(series: FrameSeries, locale: str) -> str:
    """Return how many frames kept to the tightest budget that half of them kept to."""
    shares = series.within_budget
    if not shares:
        return _shares_words(series, locale)
    hz = max(shares, key=lambda budget: (shares[budget] >= 0.5, budget))
    return (
        f"{share_text(shares[hz], locale=locale).text} of frames within {_budget_text(hz, locale)}"
    )


def _shares_words(series: FrameSeries, locale: str) -> str:
    """Return the shares within every budget, and the longest frame."""
    parts = [
        f"{share_text(share, locale=locale).text} of frames within {_budget_text(hz, locale)}"
        for hz, share in series.within_budget.items()
    ]
    longest = fps_text(float(series.curve_ms[-1]), unit="ms", locale=locale).text
    return ", ".join([*parts, f"longest frame {longest}"])


def _logged(series: FrameSeries, sensor: str) -> bool:
    return sensor in series.sensors and bool(np.isfinite(series.sensors[sensor]).any())


def _budget_text(hz: float, locale: str) -> str:
    rate = number(hz, decimals=0 if hz == round(hz) else 1, locale=locale)
    return f"{number(1000 / hz, decimals=1, locale=locale)}{NBSP}ms ({rate}{NBSP}Hz)"


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
    _draw_line(axes, sheet, series.time_s, series.median_ms, REVIEWED, 2.0)
    low, high = float(np.nanmin(series.low_ms)), float(np.nanmax(series.high_ms))
    top = high + 0.08 * max(high - low, 0.05 * high)
    axes.set_ylim(0, top)
    ticks = even_ticks(0, top, at_most=6)
    set_ticks(axes, sheet, "y", ticks, tick_labels(ticks, locale=locale))


def _draw_sensor(
    axes: Axes, sheet: Sheet, series: FrameSeries, sensor: str, colour: str, locale: str
) -> None:
    values = series.sensors[sensor]
    _draw_line(axes, sheet, series.time_s, values, colour, 1.6)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    spare = 0.12 * max(high - low, 0.04 * abs(high), 1e-9)
    axes.set_ylim(low - spare, high + spare)
    ticks = even_ticks(low - spare, high + spare, at_most=3)
    set_ticks(axes, sheet, "y", ticks, tick_labels(ticks, locale=locale))


def _draw_line(
    axes: Axes, sheet: Sheet, x: Floats, y: Floats, colour: str, width: float, **how: Any
) -> None:
    # No estimator and no error bar: what is drawn was computed before, and nothing is resampled.
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


def _paint_distribution(
    sheet: Sheet,
    keyed: Sequence[tuple[str, FrameSeries]],
    labels: Mapping[str, str],
    looks: Mapping[str, Look],
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw the curves over a logarithmic axis, the slowest twentieth enlarged above."""
    height = sheet.height or 480.0
    figure = blank_figure(sheet, height)
    add_title(figure, sheet, caption, note)
    top = title_height(sheet, caption, note) + 3.9 * sheet.small
    left, below, gap = sheet.side + 4.4 * sheet.small, 3.6 * sheet.small, 1.4 * sheet.small
    right = min(
        max(text_width(t, sheet.small) for t in labels.values()) + 3.6 * sheet.small,
        0.3 * sheet.width,
    )
    width, tall = sheet.width - left - right - sheet.side, height - top - below - gap
    low = min(float(s.curve_ms[0]) for _, s in keyed)
    high = max(float(s.curve_ms[-1]) for _, s in keyed)
    limits = (low / 1.05, max(high, 1.05 * low) * 1.05)
    ticks = log_ticks(*limits)
    budgets = {
        hz: 1000 / hz
        for _, s in keyed
        for hz in s.within_budget
        if limits[0] < 1000 / hz < limits[1]
    }
    at = top
    for enlarged, size in ((True, 0.4 * tall), (False, 0.6 * tall)):
        axes = add_axes(figure, left, at, width, size)
        axes.set_xscale("log")
        for key, series in keyed:
            look = looks[key]
            _draw_line(
                axes,
                sheet,
                series.curve_ms,
                series.curve_share,
                look.colour,
                2.2 if look.filled else 1.6,
                linestyle=look.dash,
                drawstyle="steps-post",
            )
        for period in budgets.values():
            axes.axvline(period, color=INK, linewidth=sheet.line, linestyle=(0, (2, 2)), zorder=1)
        axes.set_xlim(*limits)
        axes.set_ylim(0.95 if enlarged else 0.0, 1.001 if enlarged else 1.02)
        shares = (0.95, 0.96, 0.97, 0.98, 0.99, 1.0) if enlarged else (0, 0.25, 0.5, 0.75, 1)
        set_ticks(
            axes,
            sheet,
            "y",
            shares,
            [text + NBSP + "%" for text in tick_labels([100 * s for s in shares], locale=locale)],
        )
        set_ticks(
            axes,
            sheet,
            "x",
            ticks,
            [""] * len(ticks) if enlarged else tick_labels(ticks, locale=locale),
        )
        at += size + gap
    axis_label(axes, sheet, "frame time, ms, on a logarithmic axis; less is better")
    add_text(
        figure, sheet.side, top - 0.7 * sheet.small, "share of frames", sheet.small, va="baseline"
    )
    _label_budgets(figure, sheet, budgets, limits, (left, top, width), locale)
    _draw_key(
        figure,
        sheet,
        keyed,
        labels,
        looks,
        left + width + 0.9 * sheet.small,
        top + 0.4 * tall + gap,
        right - sheet.small,
    )
    return figure


def _label_budgets(
    figure: Figure,
    sheet: Sheet,
    budgets: Mapping[float, float],
    limits: tuple[float, float],
    box: tuple[float, float, float],
    locale: str,
) -> None:
    """Label the budgets' lines above the panels: rate, and time a frame may take."""
    left, top, width = box
    low, high = np.log(limits)
    wanted = [
        left + float((np.log(period) - low) / (high - low)) * width for period in budgets.values()
    ]
    places = spread_apart(wanted, apart=5.2 * sheet.small, low=left, high=left + width)
    for x, (hz, period) in zip(places, budgets.items(), strict=True):
        rate = number(hz, decimals=0 if hz == round(hz) else 1, locale=locale)
        time = number(period, decimals=1, locale=locale)
        for line, text in enumerate((f"{rate}{NBSP}Hz", f"{time}{NBSP}ms")):
            add_text(
                figure,
                x,
                top - (1.85 - 1.15 * line) * sheet.small,
                text,
                sheet.small,
                ha="center",
                va="baseline",
                color=GREY if line else INK,
            )


def _draw_key(
    figure: Figure,
    sheet: Sheet,
    keyed: Sequence[tuple[str, FrameSeries]],
    labels: Mapping[str, str],
    looks: Mapping[str, Look],
    left: float,
    top: float,
    room: float,
) -> None:
    """Name the curves beside the panels, each after a piece of its line, quickest first."""
    order = sorted(
        dict.fromkeys(key for key, _ in keyed),
        key=lambda k: min(
            float(np.interp(0.5, s.curve_share, s.curve_ms)) for key, s in keyed if key == k
        ),
    )
    sample = 2.0 * sheet.small
    width, height = figure.get_size_inches() * 72
    for i, key in enumerate(order):
        y = top + (1.0 + 1.6 * i) * sheet.small
        look = looks[key]
        figure.add_artist(
            Line2D(
                [left / width, (left + sample) / width],
                [1 - y / height] * 2,
                color=look.colour,
                linestyle=look.dash,
                linewidth=(2.2 if look.filled else 1.6) * sheet.line,
            )
        )
        add_line(
            figure,
            left + sample + 0.4 * sheet.small,
            y,
            fit_text(labels[key], sheet.small, room - sample - 0.4 * sheet.small),
            sheet.small,
        )
