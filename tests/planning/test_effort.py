"""Where bench time is best spent. Expected values by arithmetic and by trying every other way."""

import itertools
import math

import numpy as np
import pytest

from kit.planning.effort import (
    CellTime,
    find_next_runs,
    rank_titles,
    suite_variance,
    within_run_sd,
)


def cells_of(sds, runs=2, minutes=2.0, products=("new", "one", "two")):
    return [CellTime(p, t, sd, runs, minutes) for p in products for t, sd in sds.items()]


def test_suite_variance_is_the_mean_over_the_baselines():
    cells = [
        CellTime("new", "t1", 0.01, 4, 1.0),
        CellTime("new", "t2", 0.02, 2, 1.0),
        CellTime("one", "t1", 0.03, 3, 1.0),
        CellTime("one", "t2", 0.01, 1, 1.0),
        CellTime("two", "t1", 0.02, 5, 1.0),
        CellTime("two", "t2", 0.04, 8, 1.0),
    ]
    mine = 0.01**2 / 4 + 0.02**2 / 2
    one, two = 0.03**2 / 3 + 0.01**2 / 1, 0.02**2 / 5 + 0.04**2 / 8
    expected = ((mine + one) / 4 + (mine + two) / 4) / 2  # over two titles squared
    assert suite_variance(cells, product="new") == pytest.approx(expected, rel=1e-12)


def test_suite_variance_equals_simulation():
    rng = np.random.default_rng(1)
    cells = cells_of({"t1": 0.01, "t2": 0.03}, runs=3, products=("new", "one"))
    means = {(c.product, c.title): rng.normal(0, c.run_sd, (40_000, 3)).mean(1) for c in cells}
    margins = [means["new", t] - means["one", t] for t in ("t1", "t2")]
    seen = (sum(margins) / 2).var()
    # The relative Monte Carlo error of a variance is sqrt(2 / n).
    expected = suite_variance(cells, product="new")
    assert seen == pytest.approx(expected, rel=4 * math.sqrt(2 / 40_000))


@pytest.mark.parametrize("seed", range(5))
def test_no_other_way_to_spend_the_budget_leaves_less_variance(seed):
    rng = np.random.default_rng(seed)
    sds = dict(zip(["t1", "t2"], rng.uniform(0.003, 0.05, 2), strict=True))
    cells = cells_of(sds, runs=1, products=("new", "one"))
    steps = find_next_runs(cells, product="new", budget_minutes=12.0, min_runs=1)
    assert len(steps) == 6
    least = min(
        suite_variance(
            [
                CellTime(c.product, c.title, c.run_sd, c.runs + more, c.minutes_per_run)
                for c, more in zip(cells, way, strict=True)
            ],
            product="new",
        )
        for way in itertools.product(range(7), repeat=4)
        if sum(way) == 6
    )
    assert steps[-1].suite_se == pytest.approx(math.sqrt(least), rel=1e-12)


def test_the_reviewed_product_and_the_restless_title_come_first():
    cells = cells_of({"calm": 0.005, "restless": 0.03})
    first = find_next_runs(cells, product="new", budget_minutes=2.0, min_runs=2)
    assert [(s.product, s.title, s.runs_after, s.minutes) for s in first] == [
        ("new", "restless", 3, 2.0)
    ]
    assert "variance per minute" in first[0].reason


def test_a_run_that_costs_less_is_preferred_and_one_that_does_not_fit_is_passed_over():
    cells = [
        CellTime("new", "long", 0.02, 2, 5.0),
        CellTime("one", "long", 0.02, 2, 5.0),
        CellTime("new", "short", 0.015, 2, 1.0),
        CellTime("one", "short", 0.015, 2, 1.0),
    ]
    steps = find_next_runs(cells, product="new", budget_minutes=4.0, min_runs=2)
    assert {s.title for s in steps} == {"short"}
    assert len(steps) == 4
    assert steps[-1].minutes == 4.0
    # A long run takes more, but not more per minute.
    more = find_next_runs(cells, product="new", budget_minutes=5.0, min_runs=2)
    assert more[0].title == "short"


def test_titles_are_finished_one_by_one_where_time_is_short():
    cells = cells_of({"t1": 0.01, "t2": 0.01, "t3": 0.01}, runs=0)
    steps = find_next_runs(cells, product="new", budget_minutes=2.0 * 9, min_runs=3)
    assert {s.title for s in steps} == {"t1"}
    assert all(s.reason == "fewer than 3 runs" for s in steps)
    assert all(s.suite_se is None for s in steps)
    assert sorted(s.runs_after for s in steps if s.product == "two") == [1, 2, 3]
    begun = [CellTime(c.product, c.title, 0.01, 2 if c.title == "t3" else 0, 2.0) for c in cells]
    first = find_next_runs(begun, product="new", budget_minutes=6.0, min_runs=3)
    assert [s.title for s in first] == ["t3"] * 3


def test_the_budget_is_kept_and_runs_without_spread_are_not_asked_for():
    cells = cells_of({"t1": 0.01}, runs=3, minutes=0.7)
    steps = find_next_runs(cells, product="new", budget_minutes=10.0, min_runs=3)
    assert len(steps) == 14
    assert steps[-1].minutes == pytest.approx(9.8)
    assert [s.place for s in steps] == list(range(1, 15))
    flat = cells_of({"t1": 0.0}, runs=3)
    assert find_next_runs(flat, product="new", budget_minutes=10.0, min_runs=3) == ()
    assert find_next_runs(cells, product="new", budget_minutes=0.5, min_runs=9) == ()


def test_titles_are_ranked_by_gain_per_minute():
    cells = cells_of({"calm": 0.01, "restless": 0.02}, runs=2, products=("new", "one"))
    ranked = rank_titles(cells, product="new", planned=[3, 5, 3, 6], budget_minutes=6.0)
    assert [r.title for r in ranked] == ["restless", "calm"]
    restless, calm = ranked
    assert restless.variance_share == pytest.approx(4 / 5)
    # From 2 runs to 3 a third of a title's variance goes.
    assert restless.gain_share == pytest.approx(4 / 15)
    assert (restless.gain_minutes, restless.to_run, restless.minutes) == (4.0, 7, 14.0)
    assert (calm.to_run, calm.minutes) == (2, 4.0)
    assert (calm.fits, restless.fits) == (True, False)
    again = {c.title: c.run_sd for c in cells}
    more = cells_of(again, runs=3, products=("new", "one"))
    before, after = suite_variance(cells, product="new"), suite_variance(more, product="new")
    assert sum(r.gain_share for r in ranked) == pytest.approx(1 - after / before)


def test_a_title_that_a_product_lacks_comes_first_and_nothing_fits_without_a_budget():
    cells = cells_of({"t1": 0.05, "t2": 0.01}, products=("new", "one"))
    cells[3] = CellTime("one", "t2", 0.01, 0, 2.0)
    ranked = rank_titles(cells, product="new", planned=[3] * 4, budget_minutes=None)
    assert [r.title for r in ranked] == ["t2", "t1"]
    assert ranked[0].gain_share is None
    assert ranked[1].gain_share == pytest.approx(1 / 3)
    assert ranked[1].variance_share == pytest.approx(1.0)
    assert {r.fits for r in ranked} == {None}


def test_a_product_that_is_gone_costs_no_time_and_gets_no_run():
    cells = [
        CellTime("new", "t1", 0.01, 0, 2.0),
        CellTime("gone", "t1", 0.01, 1, 9.0, can_run=False),
        CellTime("new", "t2", 0.01, 0, 2.0),
        CellTime("one", "t2", 0.01, 2, 2.0),
    ]
    steps = find_next_runs(cells, product="new", budget_minutes=8.0, min_runs=3)
    # Three runs finish the first title, four the second.
    assert [s.title for s in steps][:3] == ["t1"] * 3
    assert {s.product for s in steps} == {"new"}
    now = [
        CellTime("new", "t1", 0.01, 2, 2.0),
        CellTime("gone", "t1", 0.03, 2, 9.0, can_run=False),
    ]
    (row,) = rank_titles(now, product="new", planned=[3, 9], budget_minutes=2.0)
    assert (row.gain_minutes, row.to_run, row.minutes, row.fits) == (2.0, 1, 2.0, True)
    # Only the reviewed product's part, a tenth, can fall: by a third.
    assert row.gain_share == pytest.approx(1 / 30)


def profiles_of(seed, runs, stretches, noise, phi=0.0):
    rng = np.random.default_rng(seed)
    scene = 16 + 4 * np.sin(np.linspace(0, 12, stretches))
    errors = np.empty((runs, stretches))
    errors[:, 0] = rng.normal(0, noise, runs)
    for i in range(1, stretches):
        fresh = rng.normal(0, noise * math.sqrt(1 - phi**2), runs)
        errors[:, i] = phi * errors[:, i - 1] + fresh
    return scene * np.exp(errors + rng.normal(0, 0.02, (runs, 1)))


@pytest.mark.parametrize(("phi", "stretches"), [(0.0, 100), (0.5, 100), (0.6, 20)])
def test_spread_inside_runs_leaves_out_the_scene_and_the_level_of_a_run(phi, stretches):
    # Textbook: the mean of n values of an AR(1) has sd noise sqrt((1 + phi) / (1 - phi) / n).
    noise = 0.03
    found = [within_run_sd(profiles_of(s, 6, stretches, noise, phi)) for s in range(40)]
    expected = noise * math.sqrt((1 + phi) / (1 - phi) / stretches)
    assert np.median(found) == pytest.approx(expected, rel=0.08)


def test_spread_inside_runs_cannot_be_told_from_one_run_or_few_stretches():
    assert within_run_sd(profiles_of(1, 1, 100, 0.03)) is None
    assert within_run_sd(profiles_of(1, 5, 3, 0.03)) is None
    assert within_run_sd(np.ones((3, 50)) * 16.0) == 0.0
