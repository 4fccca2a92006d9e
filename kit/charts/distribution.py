"""The chart of how frame times are distributed, a curve a run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from kit.charts.layout import (
    add_axes,
    add_line,
    add_text,
    add_title,
    axis_label,
    log_ticks,
    set_ticks,
    tick_labels,
    title_height,
)
from kit.charts.runs import draw_line
from kit.charts.style import (
    GREY,
    INK,
    Chart,
    Look,
    Sheet,
    blank_figure,
    drawn_on,
    file_stem,
    looks_of,
)
from kit.charts.text import fit_text, name_of, spread_apart, text_width
from kit.metrics.series import FrameSeries
from kit.rounding import NBSP, fps_text, number, share_text


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


def _budget_text(hz: float, locale: str) -> str:
    rate = number(hz, decimals=0 if hz == round(hz) else 1, locale=locale)
    return f"{number(1000 / hz, decimals=1, locale=locale)}{NBSP}ms ({rate}{NBSP}Hz)"


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
    top = title_height(sheet, caption, note) + 3.2 * sheet.small
    left, below, gap = sheet.side + 5.6 * sheet.small, 3.6 * sheet.small, 1.4 * sheet.small
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
        for key, series in keyed:
            look = looks[key]
            part = series.curve_share >= (0.945 if enlarged else 0.0)
            draw_line(
                axes,
                sheet,
                series.curve_ms[part],
                series.curve_share[part],
                look.colour,
                2.2 if look.filled else 1.6,
                linestyle=look.dash,
                drawstyle="steps-post",
            )
        axes.set_xscale("log")  # after seaborn, which would take logarithms and powers of the data
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
    axis_label(axes, sheet, "share of frames no longer", which="y")
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
