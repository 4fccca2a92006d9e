"""Pictures within the page: places on their scales, labels apart, dots apart."""

from __future__ import annotations

import math
import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.charts import inline
from kit.charts.identity import Look
from kit.claims.claim import Claim

ratios = st.floats(0.05, 20, allow_nan=False)


def claim(value, *, low=None, high=None, text="", unit="fps"):
    return Claim(
        id="c", kind="cell", metric="average_fps", product="p", baseline="", title="t",
        value=value, low=low, high=high, confidence=None, unit=unit, outcome="ahead", text=text,
        interval="", rounding="", method="m", method_version=1, inputs=(), runs=(), set_aside=(),
        marks=(),
    )  # fmt: skip


@given(st.lists(st.floats(0, 460), max_size=12))
def test_dots_of_one_level_do_not_touch(places):
    levels = inline._stack_levels(places, radius=3.4, levels=12)
    for level in set(levels):
        row = sorted(x for x, at in zip(places, levels, strict=True) if at == level)
        assert all(b - a >= 6.8 for a, b in pairwise(row))


def test_where_levels_are_few_the_dot_goes_where_it_covers_least():
    assert inline._stack_levels([10, 10, 10, 30], radius=3, levels=2) == [0, 1, 0, 0]


@given(st.lists(ratios, min_size=1, max_size=8), st.floats(0.001, 0.2))
def test_every_value_and_level_lie_on_the_scale(values, band):
    scale = inline.RatioScale.fit(values, band=band)
    for value in (*values, 1.0, 1 + band, 1 / (1 + band)):
        assert 0 <= scale.at(value) <= 100


@given(st.lists(ratios, min_size=1, max_size=8), st.sampled_from([190.0, 340.0, 460.0]))
def test_labels_of_ticks_keep_apart_and_inside(values, width):
    scale = inline.RatioScale.fit(values, band=0.02)
    boxes = []
    for tick in inline._placed_ticks(scale, width, locale="en"):
        half = len(inline._tick_text(tick, locale="en")) * inline.DIGIT_EM * inline.LABEL_PX / 2
        x = scale.at(1 + tick / 100) / 100 * width
        assert half <= x <= width - half
        boxes.append((x - half, x + half))
    boxes.sort()
    assert all(b[0] > a[1] for a, b in pairwise(boxes))


@given(st.lists(st.lists(ratios, min_size=1, max_size=6), min_size=1, max_size=7))
def test_columns_of_a_lattice_have_one_scale_and_hold_their_values(values):
    columns = inline.Column.share_out(values, band=0.02, share=82)
    assert sum(c.width for c in columns) <= 82 + 4 * len(columns)
    per_log = [c.width / (c.scale.high - c.scale.low) for c in columns]
    assert max(per_log) == pytest.approx(min(per_log))
    for column, shown in zip(columns, values, strict=True):
        assert all(0 <= column.scale.at(v) <= 100 for v in (*shown, 1.0))


@given(st.floats(0.5, 5000))
def test_steps_from_zero_are_few_and_even(top):
    steps = inline._round_values(0.0, top, steps=5)
    assert steps[0] == 0 and 3 <= len(steps) <= 7 and steps[-1] <= top * (1 + 1e-9)
    gaps = [b - a for a, b in pairwise(steps)]
    assert max(gaps) == pytest.approx(min(gaps))


OFFERS = [
    ("Own", 900.0, 90.0),
    ("Near", 880.0, 88.0),
    ("Cheap", 500.0, 60.0),
    ("Same", 880.0, 87.0),
]


def offers(rows=OFFERS):
    look = Look("#000000", css="p-own")
    return [
        inline.Offer(name, look, claim(price, low=price * 0.95, high=price * 1.05, unit="EUR"),
                     claim(speed), f"€{price:.0f}")
        for name, price, speed in rows
    ]  # fmt: skip


@pytest.mark.parametrize("width", [340.0, 540.0])
def test_labels_of_the_value_chart_cover_neither_each_other_nor_a_mark(width):
    drawn = inline.value_svg(
        offers(), width=width, against=offers()[2], equal=claim(800.0, unit="EUR"),
        steps=offers()[:1], words={"across": "a", "up": "u", "equal": "as much", "alt": "alt"},
        locale="en",
    )  # fmt: skip
    boxes = []
    for found in re.finditer(
        r'<text class="halo[^"]*"[^>]* x="([\d.-]+)" y="([\d.-]+)" text-anchor="(\w+)">([^<]*)<',
        drawn,
    ):
        x, y, anchor, text = float(found[1]), float(found[2]), found[3], found[4]
        wide = len(text) * 0.6 * 12.5
        left = {"start": x, "end": x - wide, "middle": x - wide / 2}[anchor]
        boxes.append((left, y - 11, left + wide, y + 3))
    marks = re.findall(r'<g class="mk[^"]*" transform="translate\(([\d.]+) ([\d.]+)\)"', drawn)
    boxes += [(float(x) - 7, float(y) - 7, float(x) + 7, float(y) + 7) for x, y in marks]
    assert len(boxes) == 9
    covered = [
        (a, b)
        for n, a in enumerate(boxes)
        for b in boxes[n + 1 :]
        if min(a[2], b[2]) - max(a[0], b[0]) > 0.5 and min(a[3], b[3]) - max(a[1], b[1]) > 0.5
    ]
    marks_touch = [(a, b) for a, b in covered if a in boxes[5:] and b in boxes[5:]]
    assert [pair for pair in covered if pair not in marks_touch] == []
    assert all(box[0] >= 0 and box[2] <= width for box in boxes)


def test_prices_and_speeds_are_ratio_scales():
    drawn = inline.value_svg(
        offers([("A", 100.0, 10.0), ("B", 200.0, 20.0), ("C", 400.0, 40.0)]), width=540.0,
        against=None, equal=None, steps=(),
        words={"across": "a", "up": "u", "equal": "", "alt": "alt"}, locale="en",
    )  # fmt: skip
    places = sorted(
        (float(x), float(y))
        for x, y in re.findall(
            r'<g class="mk[^"]*" transform="translate\(([\d.]+) ([\d.]+)\)"', drawn
        )
    )
    (x0, y0), (x1, y1), (x2, y2) = places
    assert x1 - x0 == pytest.approx(x2 - x1, abs=0.05) and y0 - y1 == pytest.approx(
        y1 - y2, abs=0.05
    )
    assert not math.isclose(x0, x1)
