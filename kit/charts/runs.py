"""Charts of single runs: frame times over time with sensors beneath; runs over each other; shares.

They draw series of frames and not claims: thousands of figures that no page states one by one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.lines import Line2D

from kit.charts.identity import PREDECESSOR, REVIEWED, RIVALS, Identity, Look
from kit.charts.layout import Drawing, Plot
from kit.charts.style import GREY, INK, Chart, ChartWords, Sheet, fit_text, spread_apart, text_width
from kit.claims.claim import ClaimBook
from kit.review.look_into import FrameSeries
from kit.rounding import NBSP, Rounded, number
from kit.settings.metric import SENSOR_WORDS
from kit.stats.series import Floats

FRAME_TIME = "frame time, ms, less is better"


def run_chart(book: ClaimBook, series: FrameSeries) -> Chart:
    """Return the chart of one run over time: frame times, and clock, temperature and power.

    Its numbers are the series' `to_frame`: `time_s`, `low_ms`, `median_ms`, `high_ms`, and a column
    for each sensor. Sensors not logged have no panel.
    """
    locale = book.locale
    product, title = Identity(book).product(series.product), Identity(book).title(series.title)
    sensors = tuple(s for s in SENSOR_WORDS if _logged(series, s))
    least, most, worst = (_ms(value, locale) for value in _outer(series))
    caption = (
        f"{product} in {title}: median frame time {_ms(series.start_ms, locale)} in the first "
        f"fifth of the run, {_ms(series.end_ms, locale)} in the last"
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
        f"median from {least} to {most}; 99th percentile up to {worst}."
        + (f" From the first fifth to the last: {', '.join(ends)}." if ends else "")
    )
    words = ChartWords(
        ("run", series.run),
        caption,
        f"Line: rolling median over {number(series.window_s, decimals=1, locale=locale)}"
        f"{NBSP}s; band: 1st to 99th percentile. Run {series.run}.",
        alt,
        below="time in the run, s",
        locale=locale,
    )
    return Chart(words, (series, sensors), _paint_run, numbers=series.to_frame())


def _run_looks(runs: Sequence[str]) -> dict[str, Look]:
    """Return the look of each run of a chart that lays runs over each other.

    The first is drawn as the reviewed product is; past five, the colours begin again with other
    dashes.
    """
    looks = [REVIEWED, *RIVALS, PREDECESSOR]
    found = {}
    for i, run in enumerate(dict.fromkeys(runs)):
        dash = looks[(i + i // len(looks)) % len(looks)].dash
        found[run] = replace(looks[i % len(looks)], dash=dash if i else "-")
    return found


def _ms(value: float, locale: str) -> str:
    """Return milliseconds as printed, with their unit."""
    return Rounded.figure(value, unit="ms", locale=locale).text


def _outer(series: FrameSeries) -> tuple[float, float, float]:
    """Return the least and the largest rolling median, and the largest 99th percentile."""
    medians = series.median_ms
    return float(np.nanmin(medians)), float(np.nanmax(medians)), float(np.nanmax(series.high_ms))


def _logged(series: FrameSeries, sensor: str) -> bool:
    """Return whether a run's log holds any reading of a sensor."""
    return sensor in series.sensors and bool(np.isfinite(series.sensors[sensor]).any())


def _paint_run(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw the frame times, and a panel for each sensor on the same time axis.

    The panel of frame times begins at zero; those of sensors show their own range, since watts and
    degrees have no common one.
    """
    series, sensors = chart.plan
    head = chart.head_height(sheet) + 2.0 * sheet.small
    below = 3.6 * sheet.small
    weights = [2.6, *(1.0 for _ in sensors)]
    gap = 2.1 * sheet.small
    height = sheet.height or head + below + 78 * sum(weights) + gap * len(sensors)
    unit = (height - head - below - gap * len(sensors)) / sum(weights)
    figure = Drawing(sheet, height, chart)
    left = sheet.side + 4.2 * sheet.small
    width = sheet.width - left - sheet.side - 1.2 * sheet.small
    y = head
    for i, weight in enumerate(weights):
        tall = unit * weight
        axes = figure.put_axes(left, y, width, tall)
        axes.set_xlim(0, series.duration_s)
        if i == 0:
            _draw_frame_times(axes, series)
            label = FRAME_TIME
        else:
            quantity, unit_text = SENSOR_WORDS[sensors[i - 1]]
            _draw_sensor(axes, series, sensors[i - 1], RIVALS[i - 1])
            label = f"{quantity}, {unit_text}"
        last = i == len(weights) - 1
        axes.put_even_ticks("x", at_most=9, labelled=last)
        figure.put_text(left, y - 0.5 * sheet.small, label, sheet.small, va="baseline")
        if last:
            axes.name_axis(chart.words.below)
        y += tall + gap
    return figure


def _log_ticks(low: float, high: float) -> list[float]:
    """Return values within a range at 1, 2 and 5 of each power of ten; even ones if too few.

    Parameters
    ----------
    low, high : float
        Ends of the axis, in its unit. Positive.
    """
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [m * 10.0**p for p in powers for m in (1, 2, 5) if low <= m * 10.0**p <= high]
    return ticks if len(ticks) >= 3 else Plot.even_ticks(low, high)


def _draw_frame_times(axes: Plot, series: FrameSeries) -> None:
    """Draw the rolling median in the band of 1st to 99th percentile, over an axis from 0."""
    axes.fill_between(
        series.time_s, series.low_ms, series.high_ms, color=REVIEWED.colour, alpha=0.22, linewidth=0
    )
    _draw_line(axes, series.time_s, series.median_ms, REVIEWED, 2.0)
    low, high = float(np.nanmin(series.low_ms)), float(np.nanmax(series.high_ms))
    top = high + 0.08 * max(high - low, 0.05 * high)
    axes.set_ylim(0, top)
    axes.put_even_ticks("y", at_most=6)


def _draw_sensor(axes: Plot, series: FrameSeries, sensor: str, look: Look) -> None:
    """Draw one sensor's readings over an axis of their own range."""
    values = series.sensors[sensor]
    _draw_line(axes, series.time_s, values, replace(look, dash="-"), 1.6)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    spare = 0.12 * max(high - low, 0.04 * abs(high), 1e-9)
    axes.set_ylim(low - spare, high + spare)
    axes.put_even_ticks("y", at_most=3)


def _draw_line(axes: Plot, x: Floats, y: Floats, look: Look, width: float, **how: Any) -> None:
    """Draw a line through points given: no estimator, no error bar, nothing resampled."""
    sns.lineplot(
        x=x, y=y, ax=axes, color=look.colour, linestyle=look.dash,
        linewidth=width * axes.sheet.line, estimator=None, errorbar=None, sort=False, legend=False,
        **how,
    )  # fmt: skip
    axes.set(xlabel=None, ylabel=None)


def _width(look: Look) -> float:
    """Return the width of a run's line among others, in lines of the sheet."""
    return 2.2 if look.filled else 1.6


def overlay_chart(book: ClaimBook, series: Sequence[FrameSeries]) -> Chart:
    """Return the chart of runs over each other: their rolling medians from a common start.

    Its numbers have a row per run and window: `run`, `time_s`, `median_ms`, `high_ms`.

    Raises
    ------
    ValueError
        If there is no run.
    """
    if not series:
        raise ValueError("no runs to draw")
    first, locale = series[0], book.locale
    middles = {s.run: float(np.nanmedian(s.median_ms)) for s in series}
    fastest, slowest = (_ms(end(middles.values()), locale) for end in (min, max))
    caption = f"{Identity(book).product(first.product)} in {Identity(book).title(first.title)}: "
    if len(series) == 1:
        caption += f"one run, median frame time {fastest}"
    else:
        caption += (
            f"{len(series)} runs over each other, median frame time {fastest} in the "
            f"fastest and {slowest} in the slowest"
        )
    said = "; ".join(
        f"run {s.run}: {number(s.duration_s, decimals=0, locale=locale)}{NBSP}s, rolling "
        f"median from {_ms(_outer(s)[0], locale)} to {_ms(_outer(s)[1], locale)}"
        for s in series
    )
    numbers = [
        pd.DataFrame(
            {"run": s.run, "time_s": s.time_s, "median_ms": s.median_ms, "high_ms": s.high_ms}
        )
        for s in series
    ]
    words = ChartWords(
        ("runs", first.title, first.product),
        caption,
        f"Lines: rolling median over {number(first.window_s, decimals=1, locale=locale)}"
        f"{NBSP}s of each run, from its first frame.",
        f"Line chart of frame time over time. {caption}. {said}.",
        below="time in the run, s",
        locale=locale,
    )
    plan = tuple(series), _run_looks([s.run for s in series])
    return Chart(words, plan, _paint_overlay, numbers=pd.concat(numbers, ignore_index=True))


def _paint_overlay(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw the medians, each with its run's id at its end.

    Ids that would touch are spread apart, nearest to where their lines end.
    """
    series, looks = chart.plan
    height = sheet.height or 380.0
    figure = Drawing(sheet, height, chart)
    top = chart.head_height(sheet) + 2.0 * sheet.small
    left, below = sheet.side + 4.2 * sheet.small, 3.6 * sheet.small
    widest = max(text_width(s.run, sheet.small) for s in series)
    right = min(widest + 2.2 * sheet.small, 0.3 * sheet.width)
    width, tall = sheet.width - left - right - sheet.side, height - top - below
    axes = figure.put_axes(left, top, width, tall)
    longest = max(s.duration_s for s in series)
    low = min(float(np.nanmin(s.median_ms)) for s in series)
    high = max(float(np.nanmax(s.median_ms)) for s in series)
    spare = 0.08 * max(high - low, 0.05 * high)
    low, high = max(low - spare, 0.0), high + spare
    for s in series:
        _draw_line(axes, s.time_s, s.median_ms, looks[s.run], _width(looks[s.run]))
    axes.set_xlim(0, longest)
    axes.set_ylim(low, high)
    axes.put_even_ticks("x", at_most=9)
    axes.put_even_ticks("y", at_most=6)
    figure.put_text(left, top - 0.7 * sheet.small, FRAME_TIME, sheet.small, va="baseline")
    axes.name_axis(chart.words.below)
    ends = [float(s.median_ms[np.isfinite(s.median_ms)][-1]) for s in series]
    wanted = [top + tall * (high - end) / (high - low) for end in ends]
    places = spread_apart(wanted, apart=1.3 * sheet.small, low=top, high=top + tall)
    for s, y in zip(series, places, strict=True):
        shown = fit_text(s.run, sheet.small, right - 1.2 * sheet.small)
        x = left + width + 0.8 * sheet.small
        figure.put_line(x, y, shown, sheet.small, color=looks[s.run].colour)
    return figure


def distribution_chart(book: ClaimBook, series: Sequence[FrameSeries]) -> Chart:
    """Return the chart of how frame times are distributed, a curve a run.

    Budgets of the first run are drawn. Its numbers have a row for each step: `run`, `product`,
    `product_name`, `title`, `title_name`, `frame_ms`, `share` (of frames that lasted no longer).

    Raises
    ------
    ValueError
        If there is no run.
    """
    if not series:
        raise ValueError("no runs to draw")
    several = len({s.product for s in series}) > 1
    keys = [s.product if several else s.run for s in series]
    labels = {k: Identity(book).product(k) if several else f"run {k}" for k in keys}
    looks = Identity(book).looks() if several else _run_looks(keys)
    titles = list(dict.fromkeys(s.title for s in series))
    numbers = [
        pd.DataFrame(
            {
                "run": s.run,
                "product": s.product,
                "product_name": Identity(book).product(s.product),
                "title": s.title,
                "title_name": Identity(book).title(s.title),
                "frame_ms": s.curve_ms,
                "share": s.curve_share,
            }
        )
        for s in series
    ]
    place = Identity(book).title(titles[0]) if len(titles) == 1 else f"{len(titles)} titles"
    own = Identity(book).product(series[0].product)
    caption = f"{own} in {place}: {_share_words(series[0], book.locale)}"
    said = "; ".join(
        f"{Identity(book).product(s.product)}, run {s.run}: {_shares_words(s, book.locale)}"
        for s in series
    )
    words = ChartWords(
        ("distribution", *titles[:1], *(s.run for s in series[:4])),
        caption,
        "Steps: share of frames that lasted no longer; above, the slowest twentieth enlarged.",
        f"Distribution of frame times in {place}. {caption}. {said}.",
        below="frame time, ms, on a logarithmic axis; less is better",
        locale=book.locale,
    )
    plan = tuple(zip(keys, series, strict=True)), labels, looks
    return Chart(words, plan, _paint_distribution, numbers=pd.concat(numbers, ignore_index=True))


def _share_words(series: FrameSeries, locale: str) -> str:
    """Return how many frames kept to the tightest budget that half of them kept to."""
    shares = series.within_budget
    if not shares:
        return _shares_words(series, locale)
    hz = max(shares, key=lambda budget: (shares[budget] >= 0.5, budget))
    share = Rounded.share(shares[hz], locale=locale).text
    return f"{share} of frames within {_budget_text(hz, locale)}"


def _shares_words(series: FrameSeries, locale: str) -> str:
    """Return the shares within every budget, and the longest frame."""
    parts = [
        f"{Rounded.share(share, locale=locale).text} of frames within {_budget_text(hz, locale)}"
        for hz, share in series.within_budget.items()
    ]
    longest = Rounded.figure(float(series.curve_ms[-1]), unit="ms", locale=locale).text
    return ", ".join([*parts, f"longest frame {longest}"])


def _budget_text(hz: float, locale: str) -> str:
    """Return a budget as time a frame may take and rate: "16.7 ms (60 Hz)"."""
    rate = number(hz, decimals=0 if hz == round(hz) else 1, locale=locale)
    return f"{number(1000 / hz, decimals=1, locale=locale)}{NBSP}ms ({rate}{NBSP}Hz)"


def _paint_distribution(chart: Chart, sheet: Sheet) -> Drawing:
    """Draw the curves over a logarithmic axis, the slowest twentieth enlarged above.

    Each is the empirical distribution of the frames' times, drawn as steps: no smoothing that could
    hide or invent a slow frame.
    """
    keyed, labels, looks = chart.plan
    locale = chart.words.locale
    height = sheet.height or 480.0
    figure = Drawing(sheet, height, chart)
    top = chart.head_height(sheet) + 3.2 * sheet.small
    left, below, gap = sheet.side + 5.6 * sheet.small, 3.6 * sheet.small, 1.4 * sheet.small
    right = min(
        max(text_width(t, sheet.small) for t in labels.values()) + 3.6 * sheet.small,
        0.3 * sheet.width,
    )
    width, tall = sheet.width - left - right - sheet.side, height - top - below - gap
    low = min(float(s.curve_ms[0]) for _, s in keyed)
    high = max(float(s.curve_ms[-1]) for _, s in keyed)
    limits = (low / 1.05, max(high, 1.05 * low) * 1.05)
    ticks = _log_ticks(*limits)
    budgets = {
        hz: 1000 / hz
        for _, s in keyed
        for hz in s.within_budget
        if limits[0] < 1000 / hz < limits[1]
    }
    at = top
    for enlarged, size in ((True, 0.4 * tall), (False, 0.6 * tall)):
        axes = figure.put_axes(left, at, width, size)
        for key, series in keyed:
            part = series.curve_share >= (0.945 if enlarged else 0.0)
            times, shares = series.curve_ms[part], series.curve_share[part]
            look = looks[key]
            _draw_line(axes, times, shares, look, _width(look), drawstyle="steps-post")
        axes.set_xscale("log")  # after seaborn, which would take logarithms and powers of the data
        for period in budgets.values():
            axes.axvline(period, color=INK, linewidth=sheet.line, linestyle=(0, (2, 2)), zorder=1)
        axes.set_xlim(*limits)
        axes.set_ylim(0.95 if enlarged else 0.0, 1.001 if enlarged else 1.02)
        marks = (0.95, 0.96, 0.97, 0.98, 0.99, 1.0) if enlarged else (0, 0.25, 0.5, 0.75, 1)
        percents = Plot.tick_labels([100 * mark for mark in marks], locale=locale)
        axes.put_ticks("y", marks, [f"{percent}{NBSP}%" for percent in percents])
        axes.put_ticks(
            "x", ticks, [""] * len(ticks) if enlarged else Plot.tick_labels(ticks, locale=locale)
        )
        at += size + gap
    axes.name_axis(chart.words.below)
    axes.name_axis("share of frames no longer", which="y")
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
    figure: Drawing,
    sheet: Sheet,
    budgets: Mapping[float, float],
    limits: tuple[float, float],
    box: tuple[float, float, float],
    locale: str,
) -> None:
    """Label the budgets' lines above the panels: rate, and time a frame may take.

    Parameters
    ----------
    figure : Drawing
    sheet : Sheet
    budgets : mapping of float to float
        Rate in Hz to milliseconds.
    limits : (float, float)
        Of the axis, in milliseconds.
    box : (float, float, float)
        Left, top and width of the panels, in pixels.
    locale : str
        How figures are written.
    """
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
            figure.put_text(
                x,
                top - (1.85 - 1.15 * line) * sheet.small,
                text,
                sheet.small,
                ha="center",
                va="baseline",
                color=GREY if line else INK,
            )


def _draw_key(
    figure: Drawing,
    sheet: Sheet,
    keyed: Sequence[tuple[str, FrameSeries]],
    labels: Mapping[str, str],
    looks: Mapping[str, Look],
    left: float,
    top: float,
    room: float,
) -> None:
    """Name the curves beside the panels, each after a piece of its line, quickest first.

    Parameters
    ----------
    figure : Drawing
    sheet : Sheet
    keyed : sequence of (str, FrameSeries)
        Each run with the key of its label and look; quickest by the median.
    labels, looks : mapping
        By key.
    left, top, room : float
        Where the names begin, and how wide they may be, in pixels.
    """
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
                linewidth=_width(look) * sheet.line,
            )
        )
        figure.put_line(
            left + sample + 0.4 * sheet.small,
            y,
            fit_text(labels[key], sheet.small, room - sample - 0.4 * sheet.small),
            sheet.small,
        )
