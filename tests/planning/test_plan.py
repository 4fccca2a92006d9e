"""The plan of a series of runs. Counts are those of `power`, checked there against statsmodels."""

import math

import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower

from kit.planning.plan import STOPPING_RULE, plan_runs
from kit.settings.bench_file import Title
from kit.settings.params import PlanParams
from kit.stats.power import margin_power, runs_needed

TITLES = {
    "calm": Title(name="Calm", planned_s=60),
    "usual": Title(name="Usual", planned_s=90),
    "restless": Title(name="Restless"),
}
SDS = {"calm": 0.004, "usual": 0.01, "restless": 0.03}


def plan(titles=TITLES, run_sd=lambda p, t: SDS.get(t), baselines=("one", "two"), **given):
    params = {"margin": 0.03, "seed": 1} | {
        k: given.pop(k) for k in list(given) if k in PlanParams.model_fields
    }
    return plan_runs(
        titles,
        params=PlanParams(**params),
        product="new",
        baselines=baselines,
        confidence=given.pop("confidence", 0.95),
        run_sd=run_sd,
        **given,
    )


def exact(sd, margin=0.03, alpha=0.05, power=0.8):
    """Return the least whole number for which statsmodels gives the power."""
    d = math.log1p(margin) / sd
    return next(n for n in range(2, 999) if TTestIndPower().power(d, n, alpha) >= power)


def counts(made):
    return {(c.product, c.title): c.runs for c in made.cells}


def test_runs_equal_statsmodels_title_by_title():
    made = plan(max_runs=60)
    for margin in made.margins:
        assert margin.runs_needed == exact(SDS[margin.title])
        assert margin.resolved
    found = counts(made)
    assert found["one", "restless"] == found["new", "restless"] == exact(0.03) == 18
    assert found["one", "usual"] == exact(0.01) == 4
    assert found["one", "calm"] == 3  # exact count 2; never fewer than min_runs


def test_power_at_the_planned_runs_equals_statsmodels():
    made = plan(max_runs=60)
    for margin in made.margins:
        d = math.log1p(0.03) / SDS[margin.title]
        runs = counts(made)["new", margin.title]
        assert margin.power == pytest.approx(TTestIndPower().power(d, runs, 0.05), abs=1e-9)
        smallest = math.log(margin.smallest_ratio) / SDS[margin.title]
        assert TTestIndPower().power(smallest, runs, 0.05) == pytest.approx(0.8, abs=1e-9)


def test_the_reviewed_product_gets_as_many_runs_as_its_most_restless_rival_asks():
    sds = {("new", "usual"): 0.01, ("one", "usual"): 0.01, ("two", "usual"): 0.04}
    found = counts(plan({"usual": TITLES["usual"]}, run_sd=sds, max_runs=60))
    assert found["two", "usual"] == found["new", "usual"] > found["one", "usual"] == 4


def test_where_the_most_runs_are_too_few_the_plan_says_what_it_will_resolve():
    made = plan(max_runs=10)
    margin = next(m for m in made.margins if m.title == "restless")
    assert counts(made)["new", "restless"] == 10
    assert (margin.runs_needed, margin.resolved) == (18, False)
    assert margin.power < 0.8
    assert margin.smallest_ratio > 1.03
    assert any(note.startswith("2 of 6 margins do not reach") for note in made.notes)


def test_runs_there_are_count():
    have = {("new", "usual"): 1, ("one", "usual"): 9, ("two", "usual"): 3}
    made = plan({"usual": TITLES["usual"]}, have=have)
    left = {c.product: (c.runs, c.have, c.to_run) for c in made.cells}
    assert left == {"new": (4, 1, 3), "one": (4, 9, 0), "two": (4, 3, 1)}
    assert made.counts() == {("new", "usual"): 3, ("two", "usual"): 1}
    now = {m.baseline: m.smallest_now for m in made.margins}
    assert now == {"one": None, "two": None}  # one run of the product itself tells nothing
    more = plan({"usual": TITLES["usual"]}, have=have | {("new", "usual"): 3})
    d = math.log(next(m for m in more.margins if m.baseline == "two").smallest_now) / 0.01
    assert TTestIndPower().power(d, 3, 0.05) == pytest.approx(0.8, abs=1e-9)
    # The nine runs of the first rival are all used.
    powers = {m.baseline: m.power for m in made.margins}
    assert powers["one"] > powers["two"]


def test_minutes_are_set_up_and_length_of_every_run():
    made = plan({"usual": TITLES["usual"], "calm": TITLES["calm"]}, setup_s=30, baselines=("one",))
    minutes = {(c.product, c.title): c.minutes for c in made.cells}
    assert minutes["new", "usual"] == pytest.approx(4 * (30 + 90) / 60)
    assert minutes["new", "calm"] == pytest.approx(3 * (30 + 60) / 60)
    assert made.minutes == pytest.approx(2 * (8 + 4.5))
    lone = plan({"restless": TITLES["restless"]}, run_s=45, setup_s=15, baselines=("one",))
    assert lone.cells[0].run_s == 45  # the title states no length


def test_an_empty_bench_is_planned_with_the_stated_default():
    made = plan(run_sd=None, default_run_sd=0.02, max_runs=60)
    assert {(c.run_sd, c.sd_from) for c in made.cells} == {(0.02, "default")}
    assert {m.runs_needed for m in made.margins} == {exact(0.02)}
    assert any(note.startswith("9 of 9 cells have no runs") for note in made.notes)


@pytest.mark.parametrize("odd", [None, 0.0, float("nan"), float("inf")])
def test_a_spread_that_tells_nothing_gives_way_to_the_default(odd):
    made = plan(run_sd=lambda p, t: odd if t == "calm" else 0.01)
    origin = {(c.title, c.sd_from) for c in made.cells}
    assert origin == {("calm", "default"), ("usual", "bench"), ("restless", "bench")}


def test_statements_about_every_title_share_the_error():
    made = plan(every_title=True, max_runs=60)
    assert made.confidence == pytest.approx(1 - 0.05 / 3)
    needed = {m.title: m.runs_needed for m in made.margins}
    assert needed["restless"] == exact(0.03, alpha=0.05 / 3) > exact(0.03)


def test_a_paired_plan_counts_sessions():
    made = plan(design="paired", paired=True, session_correlation=0.5, max_runs=60)
    needed = {m.title: m.runs_needed for m in made.margins}
    # At correlation 0.5 and alike spreads the differences spread as one side does.
    sessions = TTestPower().solve_power(math.log1p(0.03) / 0.03, alpha=0.05, power=0.8)
    assert needed["restless"] == math.ceil(sessions)
    assert {m.correlation for m in made.margins} == {0.5}


def test_correlations_the_bench_shows_come_before_the_stated_one():
    title = {"restless": TITLES["restless"]}
    made = plan(
        title,
        design="paired",
        paired=True,
        session_correlation=0.0,
        max_runs=60,
        correlations={("one", "restless"): 0.5},
    )
    needed = {m.baseline: m.runs_needed for m in made.margins}
    alone = TTestPower().solve_power(math.log1p(0.03) / 0.03, alpha=0.05, power=0.8)
    apart = TTestPower().solve_power(math.log1p(0.03) / 0.03 / math.sqrt(2), alpha=0.05, power=0.8)
    assert needed == {"one": math.ceil(alone), "two": math.ceil(apart)}


def test_a_product_that_is_gone_keeps_its_runs_and_the_other_side_makes_up():
    title = {"usual": TITLES["usual"]}
    have = {("two", "usual"): 3}
    made = plan(title, cannot_run=("two",), have=have, max_runs=60, margin=0.023, borrowed_df=4.0)
    cells = {c.product: c for c in made.cells}
    assert (cells["two"].runs, cells["two"].to_run, cells["two"].can_run) == (3, 0, False)
    assert ("two", "usual") not in made.counts()
    # Against three fixed it is the least number that will do, more than on both sides at once.
    runs = cells["new"].runs
    ends = {"run_sd": 0.01, "confidence": 0.95, "design": "shared", "borrowed_df": 4.0}
    both = runs_needed(1.023, power=0.8, **ends)
    ends["other_runs"] = 3
    assert margin_power(1.023, runs=runs, **ends) >= 0.8
    assert margin_power(1.023, runs=runs - 1, **ends) < 0.8
    assert cells["one"].runs == both < runs
    margin = next(m for m in made.margins if m.baseline == "two")
    assert margin.resolved
    assert margin.power == pytest.approx(margin_power(1.023, runs=runs, **ends))
    assert any("cannot be run again" in note for note in made.notes)


def test_runs_are_not_thrown_after_a_product_that_can_never_be_resolved():
    title = {"usual": TITLES["usual"]}
    for there in (0, 1, 2):
        made = plan(title, cannot_run=("two",), have={("two", "usual"): there}, budget_minutes=60)
        cells = {c.product: c for c in made.cells}
        assert cells["new"].runs == 4  # what the other rival needs
        margin = next(m for m in made.margins if m.baseline == "two")
        assert not margin.resolved
        assert (margin.power == 0) == (there < 2)
        assert math.isinf(margin.smallest_ratio) == (there < 2)
        assert {r.product for r in made.next_runs} == {"new", "one"}
        assert made.title_gains[0].to_run == 8
    there = {(p, "usual"): 5 for p in ("new", "one", "two")}
    both = plan(title, cannot_run=("new", "one", "two"), have=there)
    assert both.minutes == 0
    assert both.counts() == {}
    assert {m.runs_needed for m in both.margins} == {None}


def test_where_the_reviewed_product_is_gone_the_rivals_make_up():
    title = {"usual": TITLES["usual"]}
    sds = {("new", "usual"): 0.004, ("one", "usual"): 0.02, ("two", "usual"): 0.004}
    made = plan(
        title,
        run_sd=sds,
        cannot_run=("new",),
        have={("new", "usual"): 5},
        max_runs=60,
        borrowed_df=10.0,
    )
    cells = {c.product: c for c in made.cells}
    assert (cells["new"].runs, cells["new"].to_run) == (5, 0)
    runs = cells["one"].runs
    ends = {
        "run_sd": 0.02,
        "other_sd": 0.004,
        "other_runs": 5,
        "confidence": 0.95,
        "design": "shared",
        "borrowed_df": 10.0,
    }
    assert margin_power(1.03, runs=runs, **ends) >= 0.8 > margin_power(1.03, runs=runs - 1, **ends)


def test_a_gone_product_is_not_planned_as_paired():
    title = {"restless": TITLES["restless"]}
    made = plan(
        title,
        design="paired",
        paired=True,
        session_correlation=0.9,
        max_runs=60,
        cannot_run=("two",),
        have={("two", "restless"): 30},
    )
    found = {m.baseline: m.power for m in made.margins}
    runs = {c.product: c.runs for c in made.cells}["new"]
    expected = margin_power(
        1.03, run_sd=0.03, runs=runs, other_runs=30, confidence=0.95, design="shared"
    )
    assert found["two"] == pytest.approx(expected)
    assert found["one"] >= 0.8


def test_welch_asks_for_more_where_runs_are_few():
    title = {"usual": TITLES["usual"]}
    (pooled, *_) = plan(title, margin=0.0205).margins
    (welch, *_) = plan(title, margin=0.0205, design="welch").margins
    assert (pooled.runs_needed, welch.runs_needed) == (5, 6)


def test_what_other_cells_lend_saves_runs():
    title = {"restless": TITLES["restless"]}
    (alone, *_) = plan(title).margins
    (lent, *_) = plan(title, borrowed_df=20.0).margins
    # With ever more lent the count falls to the normal one: 15.698 (0.03 / ln 1.03)^2 = 16.2.
    assert (alone.runs_needed, lent.runs_needed) == (18, 17)


def test_levels_in_db_are_left_out_with_the_reason():
    titles = TITLES | {"hum": Title(name="Hum", measures="noise")}
    made = plan(titles)
    assert made.titles == ("calm", "usual", "restless")
    assert made.left_out == {
        "hum": "measured as a level in dB, which has no ratios; nothing is planned for it"
    }


def test_the_best_length_of_a_run_needs_the_spread_inside_it():
    made = plan(within_sd={("new", "usual"): 0.006, ("one", "usual"): 0.02}, setup_s=90)
    best = {(c.product, c.title): c.best_run_s for c in made.cells}
    # T. Kalibera and R. Jones (2013), as in test_power: sqrt(90 x 90 x 36 / 64) seconds.
    assert best["new", "usual"] == pytest.approx(67.5)
    assert best["one", "usual"] is None  # inside explains more than all of the spread
    assert best["new", "calm"] is None
    assert any("suits averages" in note for note in made.notes)


def test_a_budget_says_what_fits_and_what_to_run_next():
    made = plan(budget_minutes=40.0, max_runs=60)
    assert made.minutes > 40
    assert made.next_runs[-1].minutes <= 40
    assert any("more bench time than there is" in note for note in made.notes)
    fits = {g.title: g.fits for g in made.title_gains}
    assert fits == {"calm": True, "usual": False, "restless": False}
    wide = plan(budget_minutes=1000.0, max_runs=60)
    assert any("fits the bench time" in note for note in wide.notes)
    assert all(g.fits for g in wide.title_gains)
    assert plan().next_runs == ()


def test_the_rule_against_running_on_is_always_said():
    assert plan().notes[-1] == STOPPING_RULE
    assert "not allowed" in STOPPING_RULE


def test_frames_have_a_row_each():
    made = plan(budget_minutes=40.0)
    assert len(made.to_frame()) == len(made.cells) == 9
    assert list(made.margins_frame().title) == [m.title for m in made.margins]
    assert len(made.titles_frame()) == 3
    assert made.next_runs_frame().place.tolist() == [r.place for r in made.next_runs]
