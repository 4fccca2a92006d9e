"""A run's diagnostics: facts taken once from its frames."""

from __future__ import annotations

import hashlib
import math

import numpy as np
import pytest
from run_facts import diagnostics_of

from kit.bench.runs import Run, RunRow
from kit.logs.read import Log
from kit.settings.params import ScreenParams

ROW = RunRow("r1", "heron", "dunes", "csv", "logs/r1.csv")
PARAMS = ScreenParams()


def signs_of(frame_ms, *, refresh_hz=None, backward_rows=(), step_ms=0.0, **sensors):
    log = Log(
        "logs/r1.csv", "a" * 64, 10, np.asarray(frame_ms, float),
        {name: np.asarray(values, float) for name, values in sensors.items()},
        step_ms, backward_rows,
    )  # fmt: skip
    return diagnostics_of(Run(ROW, log), PARAMS, refresh_hz=refresh_hz)


def test_the_plain_facts():
    frame_ms = np.random.default_rng(1).lognormal(2.5, 0.1, 4000)
    frame_ms[1234] = 300.0
    found = signs_of(frame_ms, step_ms=0.001)
    assert (found.sha256, found.frames, found.step_ms) == ("a" * 64, 4000, 0.001)
    assert found.duration_s == pytest.approx(frame_ms.sum() / 1000)
    assert found.average_fps == pytest.approx(4000 / frame_ms.sum() * 1000)
    assert found.median_ms == np.median(frame_ms)
    assert (found.longest_ms, found.longest_frame) == (300.0, 1234)
    assert len(found.profile) == 100
    assert found.measurable


def test_equal_frames_have_equal_hashes_whatever_the_file_wrote():
    frame_ms = np.array([16.6667, 16.6668, 20.0])
    plain = hashlib.sha256(np.array([16666700, 16666800, 20000000], "<i8").tobytes()).hexdigest()
    assert signs_of(frame_ms).frames_sha256 == plain
    assert signs_of(frame_ms + 1e-9).frames_sha256 == plain  # less than half a nanosecond
    assert signs_of(frame_ms[::-1]).frames_sha256 != plain


def test_a_drift_shows_with_its_sign():
    rng = np.random.default_rng(2)
    slower = signs_of(10 * np.exp(rng.normal(0, 0.05, 5000)) * np.linspace(1, 1.1, 5000))
    assert slower.drift_judged
    assert slower.drift_share == pytest.approx(0.095, abs=0.01)  # 10 % of 10 over 10.5
    assert slower.drift_p < 1e-6
    faster = signs_of(10 * np.exp(rng.normal(0, 0.05, 5000)) * np.linspace(1.1, 1, 5000))
    assert faster.drift_share == pytest.approx(-0.095, abs=0.01)


def test_a_panels_own_refresh_is_looked_for():
    held = np.full(1000, 1000 / 75)
    assert 75.0 not in signs_of(held).cap_shares
    assert signs_of(held, refresh_hz=75.0).cap_shares[75.0] == 1
    assert set(signs_of(held).cap_shares) == set(PARAMS.caps_hz)


def test_sensors_are_averaged_over_time():
    frame_ms = np.r_[np.full(50, 20.0), np.full(100, 10.0)]  # a second each
    load = np.r_[np.full(50, 40.0), np.full(100, 80.0)]
    load[0] = math.nan
    found = signs_of(frame_ms, processor_load_pct=load, unread=np.full(150, math.nan))
    assert found.sensor_means == {"processor_load_pct": pytest.approx((40 * 0.98 + 80) / 1.98)}


def test_clock_and_temperature_from_first_fifth_to_last():
    clock = np.r_[np.full(100, 2000.0), np.full(300, 1900.0), np.full(100, 1700.0)]
    heat = np.linspace(60, 80, 500)
    found = signs_of(np.full(500, 10.0), clock_mhz=clock, temperature_c=heat)
    assert found.clock_change_share == pytest.approx(-0.15)
    assert found.temperature_change_c == pytest.approx(16, abs=0.1)
    assert signs_of(np.full(500, 10.0)).clock_change_share is None


def test_the_graphics_clock_is_not_the_processors():
    flat, falling = np.full(500, 2000.0), np.linspace(2000, 1000, 500)
    found = signs_of(np.full(500, 10.0), processor_clock_mhz=falling, graphics_clock_mhz=flat)
    assert found.clock_change_share == pytest.approx(0)


@pytest.mark.parametrize(
    ("clock", "change"),
    [([0.0] * 10, None), ([math.nan] * 10, None), ([1.0] * 4, None)],
    ids=["zero", "unread", "short"],
)
def test_sensors_that_tell_nothing(clock, change):
    found = signs_of(np.full(len(clock), 10.0), clock_mhz=clock)
    assert found.clock_change_share is change


def test_a_typed_in_run_has_its_average_only():
    row = RunRow("r2", "heron", "dunes", typed={"average_fps": 61.0})
    found = diagnostics_of(Run(row), PARAMS)
    assert (found.average_fps, found.frames) == (61.0, 0)
    assert not found.measurable


@pytest.mark.parametrize(
    ("frame_ms", "backward_rows", "rows"),
    [([10.0, -1.0, 10.0], (), (2,)), ([10.0, 10.0], (7,), (7,)), ([], (), ())],
    ids=["negative", "as read", "empty"],
)
def test_what_cannot_be_measured_has_no_statistics(frame_ms, backward_rows, rows):
    found = signs_of(frame_ms, backward_rows=backward_rows)
    assert not found.measurable
    assert found.backward_rows == rows
    assert found.average_fps == 0
    assert found.profile == ()


# Numbers at the edge: defined facts, or a plain "not judged".
@pytest.mark.parametrize("ms", [1e-3, 16.7, 1e5])
@pytest.mark.parametrize("n", [1, 2, 99, 1000])
def test_frames_all_alike(n, ms):
    found = signs_of(np.full(n, ms))
    assert found.average_fps == pytest.approx(1000 / ms)
    assert math.isnan(found.lag1)
    assert found.effective_frames == n
    assert (found.drift_judged, found.drift_share, found.drift_p) == (False, 0.0, 1.0)
    assert found.tail_frames == {"low_1pct_fps": n, "low_0_1pct_fps": n}


def test_eight_powers_of_ten_in_one_log():
    found = signs_of(np.logspace(-3, 5, 2000))
    assert math.isfinite(found.drift_share)
    assert 1 <= found.effective_frames <= 2000
