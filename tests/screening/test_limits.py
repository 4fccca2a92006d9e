"""Each rule about what limits a title: a case where it must fire, one where it must not."""

from __future__ import annotations

import csv
import dataclasses
from fnmatch import fnmatch
from pathlib import Path

import pytest
from screening_case import cell, row, signs, view

from kit.bench.runs import Run
from kit.logs.read import read_log
from kit.metrics.signs import read_signs
from kit.screening import limits
from kit.settings.bench_file import read_bench
from kit.settings.params import ScreenParams

REAL = Path(__file__).parents[1] / "data" / "real_runs"

HELD = {"cap_shares": {60.0: 0.9, 120.0: 0.0}}


def test_a_capped_cell():
    (flag,) = limits.find_caps(view(cell([60, 60, 60], **HELD)))
    assert (flag.run, flag.product, flag.title) == ("", "heron", "dunes")
    assert flag.reason.startswith("3 of 3 runs: held at 60 Hz for 90 % of the time")


def test_one_capped_run_of_four():
    pairs = cell([80, 80, 80, 60])
    pairs[3] = (pairs[3][0], signs("heron-dunes-4", **HELD))
    (flag,) = limits.find_caps(view(pairs))
    assert flag.run == "heron-dunes-4"


def test_a_share_under_the_threshold_is_no_cap():
    assert limits.find_caps(view(cell([60, 60], cap_shares={60.0: 0.3}))) == []
    assert limits.find_caps(view(cell([60, 60]))) == []


HOT = {"clock_change_share": -0.08, "temperature_change_c": 6.0}


def test_a_clock_that_falls_while_it_gets_hotter():
    (flag,) = limits.find_throttling(view(cell([60, 60, 60], **HOT)))
    assert "the clock fell by 8 % while the temperature rose by 6.0 degrees" in flag.reason


@pytest.mark.parametrize(
    "facts",
    [
        {"clock_change_share": -0.04, "temperature_change_c": 6.0},
        {"clock_change_share": -0.08, "temperature_change_c": 0.2},
        {"clock_change_share": 0.08, "temperature_change_c": 6.0},
        {"clock_change_share": -0.08},
        {"temperature_change_c": 6.0},
    ],
    ids=["a little", "no hotter", "faster", "no thermometer", "no clock"],
)
def test_no_throttling(facts):
    assert limits.find_throttling(view(cell([60, 60, 60], **facts))) == []


def suite(**rates: dict[str, float]):
    """Return three runs for each rate: product -> title -> frames per second."""
    return [
        pair
        for product, titles in rates.items()
        for title, fps in titles.items()
        for pair in cell([fps, fps * 1.001, fps * 0.999], product, title)
    ]


GRAPHICS_BOUND = {"marsh": 100, "delta": 80, "fjord": 60, "karst": 90}


def times(factor: float, **more: float) -> dict[str, float]:
    return {title: fps * factor for title, fps in GRAPHICS_BOUND.items()} | more


def test_unlike_products_that_agree_in_one_title():
    pairs = suite(
        heron=times(1, dunes=120), ibis=times(1.25, dunes=120.5), stork=times(0.8, dunes=119.6)
    )
    (flag,) = limits.find_processor_bound(view(pairs))
    assert (flag.run, flag.product, flag.title) == ("", "", "dunes")
    assert "heron, ibis, stork agree within 0.753 %" in flag.reason
    assert "ibis and stork are 56.2 % apart over their other titles" in flag.reason


def test_a_faster_processor_elsewhere_does_not_hide_it():
    pairs = suite(
        heron=times(1, dunes=120), ibis=times(1.25, dunes=121), crane=times(1.5, dunes=180)
    )
    flags = limits.find_processor_bound(view(pairs))
    assert [flag.title for flag in flags] == ["dunes"]


@pytest.mark.parametrize(
    ("ibis", "stork"),
    [
        (times(1.25, dunes=150), times(0.8, dunes=96)),  # apart as everywhere
        (times(1.05, dunes=120), times(0.97, dunes=120)),  # alike everywhere
        (
            {"dunes": 120, "marsh": 100, "delta": 80, "fjord": 96, "karst": 144},
            {"dunes": 120, "marsh": 100, "delta": 80, "fjord": 60, "karst": 90},
        ),  # 26 % apart on average, but alike in half of the other titles
        ({"dunes": 120, "marsh": 125}, {"dunes": 120, "marsh": 80}),  # one other title only
        (times(1.25, dunes=124), times(0.8, dunes=116)),  # 3 % and more apart
    ],
    ids=["apart", "alike", "half", "one other title", "not near enough"],
)
def test_not_bound_by_the_processor(ibis, stork):
    pairs = suite(heron=times(1, dunes=120), ibis=ibis, stork=stork)
    assert limits.find_processor_bound(view(pairs)) == []


def test_a_cap_is_not_taken_for_a_processor():
    pairs = suite(heron=times(1), ibis=times(1.25), stork=times(0.8))
    for product in ("heron", "ibis", "stork"):
        pairs += cell([60, 60, 60], product, "dunes", **HELD)
    assert limits.find_processor_bound(view(pairs)) == []


def test_load_sensors_say_so():
    loads = {"sensor_means": {"processor_load_pct": 97.5, "processor_clock_mhz": 4000.0}}
    (flag,) = limits.find_processor_bound(view(cell([60, 61], **loads)))
    assert (flag.product, flag.title) == ("heron", "dunes")
    assert "processor_load_pct averaged 97.5 % over 2 runs" in flag.reason
    busy = {"sensor_means": {"processor_load_pct": 80.0}}
    assert limits.find_processor_bound(view(cell([60, 61], **busy))) == []


def test_coarse_rounding():
    (flag,) = limits.find_rounding(view(cell([60, 61, 62], step_ms=1.0)))
    assert flag.run == ""
    assert flag.reason.startswith("3 of 3 runs: logged in steps of 1 ms, 6 % to 6.2 %")


def test_one_run_logged_coarsely():
    pairs = cell([60, 61, 62])
    pairs[1] = (pairs[1][0], signs("heron-dunes-2", 61, step_ms=1.0))
    (flag,) = limits.find_rounding(view(pairs))
    assert flag.run == "heron-dunes-2"


@pytest.mark.parametrize("step_ms", [0.0, 0.0001, 0.1])
def test_fine_rounding(step_ms):
    assert limits.find_rounding(view(cell([60, 61, 62], step_ms=step_ms))) == []


# S. S. Wilks (1941), Annals of Mathematical Statistics 12(1), 91-96: smallest n with
# 1 - p^n >= 0.95.
@pytest.mark.parametrize(("share", "frames"), [(0.05, 59), (0.01, 299), (0.001, 2995)])
def test_frames_for_a_tail_match_wilks(share, frames):
    assert limits.frames_for_tail(share) == frames
    assert 1 - (1 - share) ** frames >= 0.95 > 1 - (1 - share) ** (frames - 1)


def test_a_run_too_short_for_its_tail():
    tails = {"tail_frames": {"low_1pct_fps": 800.0, "low_0_1pct_fps": 2400.0}}
    (flag,) = limits.find_short_tails(view(cell([60, 61, 62], **tails)))
    assert (flag.metric, flag.product, flag.action) == ("low_0_1pct_fps", "heron", "flag")
    assert "3 of 3 runs hold fewer than the 2,995 independent frames" in flag.reason


def test_a_run_long_enough_for_its_tail():
    assert limits.find_short_tails(view(cell([60, 61, 62]))) == []


def test_too_few_runs():
    (flag,) = limits.find_few_runs(view(cell([60, 61])))
    assert flag.reason == "2 runs left; 3 wanted"
    assert limits.find_few_runs(view(cell([60, 61, 62]))) == []
    assert limits.find_few_runs(view(cell([60, 61]), min_runs=2)) == []


# Measured passes, see tests/data/real_runs/README.md: one thread bounds `crowd`, at 8 threads as at
# 12, while the other scenes but `depth` gain.
def test_a_measured_scene_bound_by_one_thread():
    real = read_bench(REAL)
    pairs = []
    for entry in csv.DictReader((REAL / "index.csv").read_text(encoding="utf-8").splitlines()):
        name = f"{entry['scene']}-t{entry['threads']}-{entry['run']}"
        layout = next(
            key for key, one in real.layouts.items() if fnmatch(entry["file"], "*/" + one.files)
        )
        log = read_log(REAL / entry["file"], real.layouts[layout], file=entry["file"])
        made = row(name, f"threads-{entry['threads']}", entry["scene"], log=entry["file"])
        pairs.append((made, read_signs(Run(made, log), ScreenParams())))
    seen = dataclasses.replace(view(pairs), bench=real)
    flags = limits.find_processor_bound(seen)
    assert [(flag.product, flag.title) for flag in flags] == [("", "crowd")]
    assert limits.find_caps(seen) == []
    assert limits.find_rounding(seen) == []
