"""Rules about when and how runs were recorded: must fire, must not."""

from __future__ import annotations

import dataclasses
import datetime as dt

import pytest
from screening_case import cell, view

from kit.screening.conditions import find_condition_changes, find_stale


def with_conditions(*conditions: dict[str, str]):
    pairs = cell([60] * len(conditions))
    return [
        (dataclasses.replace(row, conditions=found), signs)
        for (row, signs), found in zip(pairs, conditions, strict=True)
    ]


def test_a_driver_changed_between_runs():
    drivers = [{"driver": "8.114"}, {"driver": "8.114"}, {"driver": "8.117"}]
    (flag,) = find_condition_changes(view(with_conditions(*drivers)))
    assert (flag.product, flag.title, flag.action) == ("heron", "dunes", "flag")
    assert flag.reason == (
        "driver differs among the runs: 8.114 in heron-dunes-1, heron-dunes-2; 8.117 in "
        "heron-dunes-3"
    )


@pytest.mark.parametrize(
    "conditions",
    [
        [{"driver": "8.1"}, {"driver": "8.1"}],
        [{"driver": "8.1"}, {}],  # not recorded is not known to differ
        [{"note": "cool"}, {"note": "warm"}],
        [{"ambient_c": "21.0"}, {"ambient_c": "23,5"}],  # within 3 degrees
        [{"battery_pct": "40"}, {"battery_pct": "97"}],  # measured, without a tolerance
    ],
    ids=["same", "missing", "ignored", "within", "no tolerance"],
)
def test_conditions_that_do_not_differ(conditions):
    assert find_condition_changes(view(with_conditions(*conditions))) == []


def test_a_measured_condition_beyond_its_tolerance():
    warm = with_conditions({"ambient_c": "21.0"}, {"ambient_c": "24,5"})
    (flag,) = find_condition_changes(view(warm))
    assert flag.reason == "ambient_c runs from 21 to 24.5; at most 3 apart is wanted"
    assert find_condition_changes(view(warm, condition_tolerances={"ambient_c": 4})) == []
    assert find_condition_changes(view(warm, condition_tolerances={})) == []


def test_a_measured_condition_written_in_words_is_compared_as_words():
    fans = with_conditions({"fan_pct": "auto"}, {"fan_pct": "60"})
    assert len(find_condition_changes(view(fans))) == 1


def older(pairs, days: int, **conditions: str):
    return [
        (
            dataclasses.replace(
                row,
                began=row.began - dt.timedelta(days=days) if row.began else None,
                conditions=conditions,
            ),
            signs,
        )
        for row, signs in pairs
    ]


def test_a_product_whose_runs_are_old():
    pairs = cell([60, 61]) + cell([60, 61], title="marsh")
    pairs += older(cell([50, 51], "ibis") + cell([50, 51], "ibis", "marsh"), 300)
    (flag,) = find_stale(view(pairs))
    assert (flag.product, flag.title, flag.action) == ("ibis", "", "flag")
    assert "300 days or more older" in flag.reason


def test_one_title_whose_runs_are_old():
    pairs = cell([60, 61]) + cell([60, 61], title="marsh")
    pairs += older(cell([50, 51], "ibis"), 300) + cell([50, 51], "ibis", "marsh")
    (flag,) = find_stale(view(pairs))
    assert (flag.product, flag.title) == ("ibis", "dunes")
    assert "300 days older" in flag.reason


@pytest.mark.parametrize("days", [0, 179, -400])
def test_runs_that_are_not_old(days):
    assert find_stale(view(cell([60, 61]) + older(cell([50, 51], "ibis"), days))) == []


def test_one_new_run_makes_a_cell_new():
    pairs = cell([60, 61]) + older(cell([50, 51], "ibis")[:1], 300) + cell([50, 51], "ibis")[1:]
    assert find_stale(view(pairs)) == []


def test_a_driver_dated_long_before():
    pairs = older(cell([60, 61]), 0, driver_date="2026-10-01")
    pairs += older(cell([50, 51], "ibis"), 0, driver_date="2025-12-01")
    (flag,) = find_stale(view(pairs))
    assert flag.product == "ibis"
    assert "driver_date is 2025-12-01, 304 days before the reviewed product's" in flag.reason


def test_runs_without_a_date_cannot_be_judged():
    undated = [
        (dataclasses.replace(row, began=None), signs) for row, signs in cell([50, 51], "ibis")
    ]
    (flag,) = find_stale(view(cell([60, 61]) + undated))
    assert (flag.product, flag.action) == ("ibis", "cannot_judge")


def test_a_bench_without_dates_has_nothing_to_compare():
    pairs = cell([60, 61]) + cell([50, 51], "ibis")
    undated = [(dataclasses.replace(row, began=None), signs) for row, signs in pairs]
    assert find_stale(view(undated)) == []


def test_moments_with_and_without_a_zone_are_compared():
    naive = [
        (dataclasses.replace(row, began=dt.datetime(2025, 1, 1)), signs)
        for row, signs in cell([50, 51], "ibis")
    ]
    assert len(find_stale(view(cell([60, 61]) + naive))) == 1
