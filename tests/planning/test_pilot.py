"""After a pilot: precision from spread alone, and why running on is not allowed."""

import math

import numpy as np
import pytest
from scipy import stats

from kit.planning.pilot import CAUTION, CellSeen, check_pilot
from kit.planning.plan import plan_runs
from kit.settings.bench_file import Title
from kit.settings.params import PlanParams
from kit.stats.power import margin_power

TITLES = {"t1": Title(name="T1"), "t2": Title(name="T2")}


def make_plan(design="shared", **more):
    given = {"margin": 0.03, "seed": 1, "max_runs": 60}
    paired = {"paired": True, "session_correlation": 0.5} if design == "paired" else {}
    return plan_runs(
        TITLES,
        params=PlanParams(**given | paired),
        product="new",
        baselines=("one",),
        confidence=0.95,
        design=design,
        run_sd=lambda p, t: 0.01,
        **more,
    )


def seen_of(sd, runs, other=None):
    return {
        (p, t): CellSeen(runs, sd if p == "new" or other is None else other)
        for p in ("new", "one")
        for t in TITLES
    }


def test_half_width_is_that_of_the_t_interval():
    plan = make_plan()
    (check, _) = check_pilot(plan, seen_of(0.012, 5)).margins
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(2, 5))
    a, b = ((x - x.mean()) / x.std(ddof=1) * 0.012 for x in (a, b))
    interval = stats.ttest_ind(a, b).confidence_interval(0.95)
    assert check.seen_half_width == pytest.approx((interval.high - interval.low) / 2, rel=1e-9)
    t = stats.t.isf(0.025, 6)
    assert check.planned_half_width == pytest.approx(t * 0.01 * math.sqrt(2 / 4), rel=1e-9)


def test_welch_and_paired_half_widths_are_those_of_scipy():
    rng = np.random.default_rng(2)
    a, b = rng.normal(size=(2, 6))
    a = (a - a.mean()) / a.std(ddof=1) * 0.01
    b = (b - b.mean()) / b.std(ddof=1) * 0.02
    (check, _) = check_pilot(make_plan("welch"), seen_of(0.01, 6, 0.02)).margins
    interval = stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.95)
    assert check.seen_half_width == pytest.approx((interval.high - interval.low) / 2, rel=1e-9)
    (lent, _) = check_pilot(make_plan("welch", borrowed_df=9.0), seen_of(0.01, 6, 0.02)).margins
    assert lent.seen_half_width == check.seen_half_width  # Welch's interval takes no loan
    (check, _) = check_pilot(make_plan("paired"), seen_of(0.01, 6)).margins
    # Correlation 0.5: differences spread as one side does.
    assert check.seen_half_width == pytest.approx(stats.t.isf(0.025, 5) * 0.01 / math.sqrt(6))


@pytest.mark.parametrize(
    ("sd", "runs", "reached"),
    [(0.01, 4, True), (0.008, 4, True), (0.02, 4, False), (0.01, 3, False)],
)
def test_reached_compares_the_interval_seen_with_the_one_planned(sd, runs, reached):
    result = check_pilot(make_plan(), seen_of(sd, runs))
    assert {m.reached for m in result.margins} == {reached}
    assert (result.reached, result.missed, result.too_few) == ((2, 0, 0) if reached else (0, 2, 0))


def test_the_new_count_follows_from_the_spread_seen():
    (check, _) = check_pilot(make_plan(), seen_of(0.02, 4)).margins
    usual = {"run_sd": 0.02, "confidence": 0.95, "design": "shared"}
    assert margin_power(1.03, runs=check.runs_by_spread, **usual) >= 0.8
    assert margin_power(1.03, runs=check.runs_by_spread - 1, **usual) < 0.8
    assert check.power_seen == pytest.approx(margin_power(1.03, runs=4, **usual))
    assert check.runs_cautious > check.runs_by_spread


def test_the_cautious_count_holds_as_often_as_it_says():
    # Of many pilots, the spread reckoned with is not below the true one in a share CAUTION.
    rng = np.random.default_rng(3)
    sd = 0.02 * np.sqrt(rng.chisquare(3, 4000) / 3)
    true = margin_power(1.03, run_sd=0.02, runs=2, confidence=0.95, design="shared")
    assert true < 0.8
    plan = make_plan()
    right = 0
    needed = 9  # runs for a true spread of 0.02, as in test_plan: exact(0.02)
    cache = {}
    for value in sd:
        key = round(float(value), 4)
        if key not in cache:
            cache[key] = check_pilot(plan, seen_of(key, 4)).margins[0].runs_cautious
        right += cache[key] >= needed
    # Whole numbers can only add to the share.
    assert right / 4000 >= CAUTION - 4 * 0.4 / math.sqrt(4000)
    assert right / 4000 < 0.9


def test_a_pilot_of_one_run_tells_nothing():
    result = check_pilot(
        make_plan(), {("new", "t1"): CellSeen(1), ("one", "t1"): CellSeen(4, 0.01)}
    )
    for check in result.margins:
        assert (check.reached, check.seen_half_width, check.runs_by_spread) == (None, None, None)
    assert [m.runs for m in result.margins] == [1, 0]
    typed = check_pilot(make_plan(), seen_of(0.01, 1))  # a spread that no run stands behind
    assert typed.too_few == 2
    assert result.too_few == 2


def test_runs_alike_have_an_interval_of_nothing():
    (check, _) = check_pilot(make_plan(), seen_of(0.0, 3)).margins
    assert (check.seen_half_width, check.reached, check.power_seen) == (0.0, True, 1.0)


def test_the_frame_has_a_row_for_each_margin_and_the_rule_is_told():
    result = check_pilot(make_plan(), seen_of(0.01, 4))
    assert result.to_frame().title.tolist() == ["t1", "t2"]
    assert "not allowed" in result.rule
    assert "best left out" in result.rule


def test_running_on_until_it_turns_out_makes_leads_out_of_nothing():
    # Why the rule is there: two level products, looked at after every run from 3 to 15.
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(2, 20_000, 15))
    found = np.zeros(20_000, dtype=bool)
    for n in range(3, 16):
        found |= stats.ttest_ind(a[:, :n], b[:, :n], axis=1).pvalue < 0.05
    fixed = stats.ttest_ind(a, b, axis=1).pvalue < 0.05
    assert fixed.mean() == pytest.approx(0.05, abs=0.007)
    assert found.mean() > 0.15


def test_a_count_from_the_pilots_spread_keeps_intervals_nearly_right():
    # The docstring's figure: 0.925 to 0.94 of intervals hold after a pilot of three runs.
    rng = np.random.default_rng(5)
    plan = make_plan()
    held = 0
    cache = {}
    for a, b in zip(rng.normal(0, 0.02, (4000, 61)), rng.normal(0, 0.02, (4000, 61)), strict=True):
        key = round(math.sqrt((a[:3].var(ddof=1) + b[:3].var(ddof=1)) / 2), 4)
        if key not in cache:
            asked = check_pilot(plan, seen_of(key, 3)).margins[0].runs_by_spread
            cache[key] = max(3, min(60, asked))
        n = cache[key]
        half = stats.t.isf(0.025, 2 * n - 2) * math.sqrt(
            (a[:n].var(ddof=1) + b[:n].var(ddof=1)) / n
        )
        held += abs(a[:n].mean() - b[:n].mean()) <= half
    assert 0.915 <= held / 4000 <= 0.95
