"""The chart of several runs of one scene laid over each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from kit.charts.layout import (
    add_axes,
    add_line,
    add_text,
    add_title,
    axis_label,
    even_ticks,
    set_ticks,
    tick_labels,
    title_height,
)
from kit.charts.runs import draw_line
from kit.charts.style import Chart, Look, Sheet, blank_figure, drawn_on, file_stem, looks_of
from kit.charts.text import fit_text, name_of, spread_apart, text_width
from kit.metrics.series import FrameSeries
from kit.rounding import NBSP, fps_text, number


def draw_overlay(
    series: Sequence[FrameSeries], *, names: Mapping[str, str], locale: str = "en"
) -> Chart:
    """Return the chart of runs over each other: their rolling medians from a common start.

    Parameters
    ----------
    series : sequence of FrameSeries
        Runs of one product in one title, from `summarise_frames`.
    names : mapping of str to str
        Names of products and titles by id.
    locale : str
        How numbers are written.

    Returns
    -------
    Chart
        `table` has a row per run and window: `run`, `time_s`, `median_ms`, `high_ms`.

    Raises
    ------
    ValueError
        If there is no run.
    """
    if not series:
        raise ValueError("no runs to draw")
    first = series[0]
    product, title = name_of(names, first.product), name_of(names, first.title)

    def ms(value: float) -> str:
        return fps_text(value, unit="ms", locale=locale).text

    middles = {s.run: float(np.nanmedian(s.median_ms)) for s in series}
    fastest = min(middles, key=lambda run: middles[run])
    slowest = max(middles, key=lambda run: middles[run])
    caption = f"{product} in {title}: "
    if len(series) == 1:
        caption += f"one run, median frame time {ms(middles[fastest])}"
    else:
        caption += (
            f"{len(series)} runs over each other, median frame time {ms(middles[fastest])} in the "
            f"fastest and {ms(middles[slowest])} in the slowest"
        )
    note = (
        f"Lines: rolling median over {number(first.window_s, decimals=1, locale=locale)}"
        f"{NBSP}s of each run, from its first frame."
    )
    alt = (
        f"Line chart of frame time over time. {caption}. "
        + "; ".join(
            f"run {s.run}: {number(s.duration_s, decimals=0, locale=locale)}{NBSP}s, rolling "
            f"median from {ms(float(np.nanmin(s.median_ms)))} to "
            f"{ms(float(np.nanmax(s.median_ms)))}"
            for s in series
        )
        + "."
    )
    table = pd.concat(
        [
            pd.DataFrame(
                {
                    "run": s.run,
                    "time_s": s.time_s,
                    "median_ms": s.median_ms,
                    "high_ms": s.high_ms,
                }
            )
            for s in series
        ],
        ignore_index=True,
    )
    looks = looks_of([s.run for s in series], first.run)
    return Chart(
        name=file_stem("runs", first.title, first.product),
        caption=caption,
        note=note,
        alt=alt,
        table=table,
        draw=drawn_on(lambda sheet: _paint(sheet, series, looks, caption, note, locale)),
    )


def _paint(
    sheet: Sheet,
    series: Sequence[FrameSeries],
    looks: Mapping[str, Look],
    caption: str,
    note: str,
    locale: str,
) -> Figure:
    """Draw the medians, each with its run's id at its end."""
    height = sheet.height or 380.0
    figure = blank_figure(sheet, height)
    add_title(figure, sheet, caption, note)
    top = title_height(sheet, caption, note) + 2.0 * sheet.small
    left, below = sheet.side + 4.2 * sheet.small, 3.6 * sheet.small
    widest = max(text_width(s.run, sheet.small) for s in series)
    right = min(widest + 2.2 * sheet.small, 0.3 * sheet.width)
    width, tall = sheet.width - left - right - sheet.side, height - top - below
    axes = add_axes(figure, left, top, width, tall)
    longest = max(s.duration_s for s in series)
    low = min(float(np.nanmin(s.median_ms)) for s in series)
    high = max(float(np.nanmax(s.median_ms)) for s in series)
    spare = 0.08 * max(high - low, 0.05 * high)
    low, high = max(low - spare, 0.0), high + spare
    for s in series:
        look = looks[s.run]
        draw_line(
            axes,
            sheet,
            s.time_s,
            s.median_ms,
            look.colour,
            2.2 if look.filled else 1.5,
            linestyle=look.dash,
        )
    axes.set_xlim(0, longest)
    axes.set_ylim(low, high)
    ticks = even_ticks(0, longest, at_most=9)
    set_ticks(axes, sheet, "x", ticks, tick_labels(ticks, locale=locale))
    rungs = even_ticks(low, high, at_most=6)
    set_ticks(axes, sheet, "y", rungs, tick_labels(rungs, locale=locale))
    label = "frame time, ms, less is better"
    add_text(figure, left, top - 0.7 * sheet.small, label, sheet.small, va="baseline")
    axis_label(axes, sheet, "time in the run, s")
    ends = [float(s.median_ms[np.isfinite(s.median_ms)][-1]) for s in series]
    wanted = [top + tall * (high - end) / (high - low) for end in ends]
    places = spread_apart(wanted, apart=1.3 * sheet.small, low=top, high=top + tall)
    for s, y in zip(series, places, strict=True):
        shown = fit_text(s.run, sheet.small, right - 1.2 * sheet.small)
        x = left + width + 0.8 * sheet.small
        add_line(figure, x, y, shown, sheet.small, color=looks[s.run].colour)
    return figure
