"""Quantiles and lows, against published tables, numpy and plain definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.settings.metric import tail_shares
from kit.stats.lows import (
    LOW_DEFINITIONS,
    frame_time_quantile,
    low_fps,
    measure_lows,
    slowest_frames,
)

# R. J. Hyndman and Y. Fan (1996), "Sample quantiles in statistical packages", The American
# Statistician 50(4), 361-365: types 1 to 9; values by R's quantile(type =) and numpy, which agree.
FIVE = np.array([15.0, 20, 35, 40, 50])
FIVE_AT = (0.05, 0.3, 0.4, 0.5, 1.0)
FIVE_QUANTILES = {
    1: (15, 20, 20, 35, 50),
    2: (15, 20, 27.5, 35, 50),
    3: (15, 20, 20, 20, 50),
    4: (15, 17.5, 20, 27.5, 50),
    5: (15, 20, 27.5, 35, 50),
    6: (15, 19, 26, 35, 50),
    7: (16, 23, 29, 35, 50),
    8: (15, 19.6666666667, 27, 35, 50),
    9: (15, 19.75, 27.125, 35, 50),
}
TEN = np.arange(1.0, 11.0)
TEN_AT = (0.01, 0.1, 0.25, 0.33, 0.75, 0.99)
TEN_QUANTILES = {
    1: (1, 1, 3, 4, 8, 10),
    2: (1, 1.5, 3, 4, 8, 10),
    3: (1, 1, 2, 3, 8, 10),
    4: (1, 1, 2.5, 3.3, 7.5, 9.9),
    5: (1, 1.5, 3, 3.8, 8, 10),
    6: (1, 1.1, 2.75, 3.63, 8.25, 10),
    7: (1.09, 1.9, 3.25, 3.97, 7.75, 9.91),
    8: (1, 1.3666666667, 2.9166666667, 3.7433333333, 8.0833333333, 10),
    9: (1, 1.4, 2.9375, 3.7575, 8.0625, 10),
}
NUMPY_NAMES = (
    "inverted_cdf", "averaged_inverted_cdf", "closest_observation", "interpolated_inverted_cdf",
    "hazen", "weibull", "linear", "median_unbiased", "normal_unbiased",
)  # fmt: skip


@pytest.mark.parametrize("kind", range(1, 10))
def test_quantiles_match_hyndman_and_fan(kind):
    five = [frame_time_quantile(FIVE, q=q, kind=kind) for q in FIVE_AT]
    assert five == pytest.approx(FIVE_QUANTILES[kind], rel=1e-9)
    ten = [frame_time_quantile(TEN, q=q, kind=kind) for q in TEN_AT]
    assert ten == pytest.approx(TEN_QUANTILES[kind], rel=1e-9)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.floats(0.001, 1e5), min_size=1, max_size=60),
    st.sampled_from([0.0, 0.001, 0.01, 0.25, 0.5, 0.75, 0.99, 0.999, 1.0]),
    st.integers(1, 9),
)
def test_quantiles_match_numpy(values, q, kind):
    frame_ms = np.array(values)
    expected = np.quantile(frame_ms, q, method=NUMPY_NAMES[kind - 1])
    assert frame_time_quantile(frame_ms, q=q, kind=kind) == pytest.approx(expected, rel=1e-9)


# One log, nine answers: 990 frames of 10 ms and 10 of 50 ms (numpy and R agree on the quantiles).
STUTTER = np.r_[np.full(990, 10.0), np.full(10, 50.0)]
STUTTER_LOWS = (100, 33.3333333333, 100, 100, 33.3333333333, 20.1612903226, 96.1538461538,
                27.3722627737, 28.6532951289)  # fmt: skip


@pytest.mark.parametrize("kind", range(1, 10))
def test_a_percentile_low_depends_on_its_type(kind):
    low = low_fps(STUTTER, share=0.01, definition="percentile", quantile_type=kind)
    assert low == pytest.approx(STUTTER_LOWS[kind - 1], rel=1e-9)


def test_the_slowest_one_percent_of_frames():
    assert low_fps(STUTTER, share=0.01, definition="slowest_share") == pytest.approx(20)


def test_the_slowest_one_percent_of_time():
    # 10.4 s in all; 104 ms of it are reached by the third of the 50 ms frames.
    assert low_fps(STUTTER, share=0.01, definition="time_share") == pytest.approx(20)
    # Half of the time is 5.2 s: the 50 ms frames make 0.5 s of it.
    assert low_fps(STUTTER, share=0.5, definition="time_share") == pytest.approx(100)


def plain_low(frame_ms: np.ndarray, share: float, definition: str) -> float:
    """Return a low by its plain definition, on all frames sorted."""
    ordered = np.sort(frame_ms)[::-1]
    if definition == "slowest_share":
        wanted = share * ordered.size * (1 - 1e-12)
        count = next(m for m in range(1, ordered.size + 1) if m >= wanted)
        return 1000 * count / ordered[:count].sum()
    if definition == "time_share":
        reached = 0.0
        for frame in ordered:
            reached += frame
            if reached >= share * frame_ms.sum() * (1 - 1e-12):
                return 1000 / frame
    return 1000 / np.quantile(frame_ms, {0.01: 0.99, 0.001: 0.999}[share], method="linear")


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 3000),
    st.sampled_from([0.01, 0.001]),
    st.sampled_from(LOW_DEFINITIONS),
    st.booleans(),
)
def test_tails_give_what_full_sorts_give(seed, n, share, definition, coarse):
    frame_ms = np.random.default_rng(seed).lognormal(2.5, 0.4, n)
    if coarse:
        frame_ms = np.maximum(np.round(frame_ms), 1.0)
    low = low_fps(frame_ms, share=share, definition=definition)
    assert low == pytest.approx(plain_low(frame_ms, share, definition), rel=1e-9)


def test_all_lows_come_from_one_tail():
    frame_ms = np.random.default_rng(5).lognormal(2.3, 0.3, 4321)
    found = measure_lows(frame_ms, shares=tail_shares(), quantile_type=8)
    for definition in LOW_DEFINITIONS:
        for name, share in (("low_1pct_fps", 0.01), ("low_0_1pct_fps", 0.001)):
            low = low_fps(frame_ms, share=share, definition=definition, quantile_type=8)
            assert found[definition][name] == low


def test_shares_that_rounding_would_move_by_a_frame():
    # 0.07 * 100 is 7.000000000000001 in binary: still seven frames.
    frame_ms = np.r_[np.full(93, 10.0), np.full(7, 70.0)]
    assert low_fps(frame_ms, share=0.07, definition="slowest_share") == pytest.approx(1000 / 70)
    low = low_fps(frame_ms, share=0.07, definition="percentile", quantile_type=1)
    assert low == pytest.approx(100)


@pytest.mark.parametrize("share", [0.0, -0.01, 0.6, math.nan])
def test_low_refuses_a_share(share):
    with pytest.raises(ValueError, match="share must be"):
        low_fps(STUTTER, share=share, definition="percentile")


def test_low_refuses_what_is_no_definition():
    with pytest.raises(ValueError, match="definition must be"):
        low_fps(STUTTER, share=0.01, definition="slowest")
    with pytest.raises(ValueError, match="no Hyndman-Fan type 10"):
        low_fps(STUTTER, share=0.01, definition="percentile", quantile_type=10)


@pytest.mark.parametrize(
    ("frame_ms", "q", "message"),
    [([], 0.5, "not empty"), ([[1.0]], 0.5, "not empty"), ([1.0], 1.5, "q must be")],
    ids=["none", "two rows", "q"],
)
def test_quantile_refuses(frame_ms, q, message):
    with pytest.raises(ValueError, match=message):
        frame_time_quantile(np.array(frame_ms), q=q)


def test_slowest_frames_are_the_largest_in_order():
    frame_ms = np.random.default_rng(1).lognormal(size=1234)
    tail = slowest_frames(frame_ms, share=0.01)
    assert tail.tolist() == np.sort(frame_ms)[::-1][:15].tolist()  # 12.34 up to 13, and two more
