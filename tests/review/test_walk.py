"""The path walked once: what a review reads, and what it works out."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from made_runs import METRIC, made_runs
from years_bench import logged, write_bench, write_params

from kit.review.walk import (
    _LEAST_LEVEL,
    NOT_SCREENED,
    _look_at,
    _unstruck,
    load_review,
    work_out,
)
from kit.screening.screen import screen_runs
from kit.stats.power import MarginDesign


def test_it_reads_only_the_review_s_products_and_titles(demo):
    review = demo.review
    assert {row.product for row in review.rows} == set(review.params.products)
    assert {row.title for row in review.rows} <= set(review.titles)
    assert "peshler-12-shelf" in review.bench.products  # in the bench, not in the review
    assert "peshler-12-shelf" not in {row.product for row in review.rows}


def test_titles_stand_in_the_bench_s_order(demo):
    order = list(demo.review.bench.titles)
    assert list(demo.review.titles) == sorted(demo.review.titles, key=order.index)


def test_set_aside_runs_are_measured_but_not_used(demo):
    review = demo.review
    used = {m.run for m in review.used}
    assert used.isdisjoint(review.screened.set_aside)
    assert set(review.screened.set_aside) <= set(review.metrics)
    assert used | set(review.screened.set_aside) == set(review.metrics)


def test_margins_say_what_set_aside_runs_would_change(demo):
    changed = [m for m in demo.results.margins if m.ratio_all_runs is not None]
    aside = {
        (r.product, r.title) for r in demo.review.rows if r.run in demo.review.screened.set_aside
    }
    assert changed
    for margin in changed:
        assert {(margin.product, margin.title), (margin.baseline, margin.title)} & aside


def test_a_closed_chain_is_exact_and_both_ways_agree(demo):
    margins = {(m.product, m.baseline, m.title, m.metric): m for m in demo.results.margins}
    assert margins
    for closure in demo.results.closures:
        assert closure.chained == pytest.approx(closure.direct, rel=1e-12)


def test_the_suite_all_stands_first(demo):
    suites = [s.suite for s in demo.results.suites if s.product == demo.review.params.product]
    assert suites[0] == "all" and len(set(suites)) > 1


def test_planted_margins_lie_in_their_intervals_about_as_often_as_stated(demo):
    # example_runs/planted.json: the generator's true margins. Of 60 intervals at 95 % fewer than
    # 51 hold the truth with probability below 1e-3 (binomial, scipy).
    import json
    from pathlib import Path

    from scipy.stats import binom

    planted = json.loads((Path(__file__).parents[2] / "example_runs/planted.json").read_text())
    truth = planted["margins"]
    held = total = 0
    for margin in demo.results.margins:
        if margin.metric != "average_fps" or margin.product != demo.review.params.product:
            continue
        true = truth.get(margin.title, {}).get(margin.baseline)
        if true is None or margin.low is None:
            continue
        total += 1
        held += margin.low <= true <= margin.high
    assert total >= 40
    assert held >= binom.ppf(1e-3, total, 0.95)


def test_another_bench_can_stand_in(demo, tmp_path):
    import shutil
    from pathlib import Path

    root = Path(__file__).parents[2]
    copy = tmp_path / "elsewhere"
    shutil.copytree(root / "example_runs", copy, ignore=shutil.ignore_patterns("*.py", "__py*"))
    review = load_review(root / "params" / "demo.yaml", bench_folder=copy)
    assert [r.run for r in review.rows] == [r.run for r in demo.review.rows]


def test_no_rule_reads_what_screening_is_kept_over(demo):
    review = demo.review

    class Hidden:
        def __getattr__(self, name):
            assert name not in NOT_SCREENED, f"a rule reads {name}"
            return getattr(review.params, name)

    again = screen_runs(review.rows, review.diagnostics, review.bench, Hidden())
    assert again == review.screened and again.set_aside


def test_what_screening_says_of_a_title_alone_stays_without_another(demo):
    review = demo.review
    rows = [row for row in review.rows if row.title != "lampwifery"]
    fresh = screen_runs(rows, review.diagnostics, review.bench, review.params)
    kept = tuple(f for f in review.screened.flags if f.title != "lampwifery")
    assert fresh.flags != kept  # of what rules say that look across titles
    known = review.screened
    assert fresh == screen_runs(rows, review.diagnostics, review.bench, review.params, known=known)


def test_what_if_screens_again_only_what_may_be_screened_otherwise(demo):
    review = demo.review
    data = {"margins": review.params.margins.model_copy(update={"level_band": 0.2})}
    wide = replace(review.loaded, params=review.params.model_copy(update=data))
    assert review.changed(wide).screened is review.screened
    data = {"screen": review.params.screen.model_copy(update={"set_aside_rules": ()})}
    lax = replace(review.loaded, params=review.params.model_copy(update=data))
    assert review.changed(lax).screened.set_aside.keys() < review.screened.set_aside.keys()


def looked_at(made, *, planned=10, looks=(0.5, 1.0), confidence=0.95):
    """Return the look that so many runs of one cell are; a row more did not run."""
    registered = SimpleNamespace(
        runs={"p": {"t": planned}, "q": {"t": planned}}, looks=looks, spending="pocock"
    )
    params = SimpleNamespace(
        plan=SimpleNamespace(registered=registered), margins=SimpleNamespace(confidence=confidence)
    )
    rows = [
        SimpleNamespace(product=p, title="t", produced=done)
        for p in ("p", "q", "x")
        for done in [True] * made + [False]
    ]
    return _look_at(params, rows)


@pytest.mark.parametrize(
    ("made", "number", "share", "level"),
    # Two-sided levels of five looks by Pocock's spending, z 2.4380 and so on, stand in
    # tests/stats/test_power.py; of two looks 0.0310 and 0.0277 (any table of them, from memory).
    [(4, 1, 0.4, None), (5, 1, 0.5, 0.031), (10, 2, 1.0, 0.027), (14, 2, 1.0, 0.027)],
)
def test_which_look_the_runs_made_are_and_its_level_to_two_figures(made, number, share, level):
    look = looked_at(made)
    assert (look.number, look.share, look.alpha) == (number, share, pytest.approx(0.05))
    if level is not None:
        assert look.level == pytest.approx(level, abs=1e-12)
    (exact, *_) = MarginDesign.look_levels([0.4], alpha=0.05, spending="pocock")
    assert looked_at(4).level <= exact < looked_at(4).level * 1.1


def test_there_is_no_look_without_a_plan_without_looks_or_without_runs():
    assert looked_at(0) is None and looked_at(5, looks=()) is None
    assert _look_at(SimpleNamespace(plan=None), []) is None
    assert looked_at(1, planned=10_000, confidence=0.999999).level == _LEAST_LEVEL


def unstruck(flags, runs, told):
    """Return what is left of runs by name: their figure, or the parts taken out of them."""
    flags = [
        SimpleNamespace(**{"run": "", "stretch": None, "rule": "", "action": "flag"} | flag)
        for flag in flags
    ]
    taken = {}

    def of(run, **facts):
        def average_without(parts):
            taken[run] = [pytest.approx(part) for part in parts]
            return 55.0

        known = {"frames": 2400, "duration_s": 40.0, "profile": (1.0,)} | facts
        return SimpleNamespace(average_without=average_without, **known)

    review = SimpleNamespace(
        screened=SimpleNamespace(flags=flags, set_aside={"t/out/0": "far"}),
        used=tuple(runs),
        diagnostics={run.run: of(run.run, **told.get(run.run, {})) for run in runs},
    )
    return {r.run: r.values[METRIC] for r in _unstruck(review)}, taken


STEP = {"run": "t/a/0", "stretch": (0.9, 1.0)}


def test_a_struck_stretch_goes_from_every_run_of_its_title():
    runs = [*made_runs("a", "t", [60.0]), *made_runs("b", "t", [50.0, 51.0]),
            *made_runs("a", "u", [70.0])]  # fmt: skip
    figures, taken = unstruck([STEP], runs, {"t/b/1": {"profile": ()}})
    # What was typed in goes whole: nobody knows what it was over.
    assert figures == {"t/a/0": 55.0, "t/b/0": 55.0, "u/a/0": 70.0}
    assert taken == {run: [(0.9, 1.0)] for run in ("t/a/0", "t/b/0")}
    # Nothing is struck by what was set aside, by flags without a stretch, or of no run here.
    for flag in ({**STEP, "run": "t/out/0"}, {"run": "t/a/0"}):
        assert unstruck([flag], runs, {}) == ({}, {})
    assert unstruck([{**STEP, "run": "v/a/0"}], runs, {})[0] == {}


@pytest.mark.parametrize(
    ("cut", "told", "parts"),
    [
        ((20.0, "seconds"), {"t/b/0": {"duration_s": 50.0}}, [(0.72, 0.8), (0.4, 1.0)]),
        ((1200.0, "frames"), {"t/b/0": {"frames": 3000}}, [(0.72, 0.8), (0.4, 1.0)]),
    ],
)
def test_runs_cut_to_what_they_share_are_cut_at_the_same_place(cut, told, parts):
    """By hand: 0.9 of 40 s is 0.72 of 50 s, 20 s are 0.4 of it; so of 2,400 and 3,000 frames."""
    runs = [*made_runs("a", "t", [60.0]), *made_runs("b", "t", [50.0])]
    runs = [replace(run, stretch=cut) for run in runs]
    _, taken = unstruck([STEP], runs, told)
    assert taken["t/b/0"] == parts and taken["t/a/0"] == [(0.9, 1.0), (0.5, 1.0)]


def test_a_run_that_drifts_is_left_out_whole_where_its_cell_has_others():
    drift = {"run": "t/a/0", "rule": "drift_in_run"}
    alone = [*made_runs("a", "t", [60.0]), *made_runs("b", "t", [50.0])]
    assert unstruck([drift], alone, {})[0] == {}
    two = [*made_runs("a", "t", [60.0, 61.0]), *made_runs("b", "t", [50.0])]
    assert unstruck([drift], two, {})[0] == {"t/a/1": 61.0, "t/b/0": 50.0}
    assert unstruck([{**drift, "action": "cannot_judge"}], two, {})[0] == {}
    assert unstruck([{**drift, "rule": "gap"}], two, {})[0] == {}


@pytest.fixture(scope="module")
def worked_out(tmp_path_factory):
    folder = tmp_path_factory.mktemp("walk")
    rows = [
        row
        for product, ms, watt in (("one", 8.0, 90.0), ("two", 8.4, 99.0), ("three", 9.9, None))
        for row in logged(folder / "bench", product, "dell", ms, watt=watt, step=0.01, runs=2)
    ]
    days = [f"{p},900,EUR,street,2026-11-02,shop\n" for p in ("one", "two", "three")]
    prices = f"product,price,currency,kind,date,source\n{''.join(days)}"
    (write_bench(folder, rows) / "prices.csv").write_text(prices, encoding="utf-8")
    review = load_review(write_params(folder, "value: {currency: EUR}\n"))
    return review, work_out(review)


@pytest.mark.parametrize(
    ("section", "change", "metrics"),
    [
        ("margins", {"level_band": 0.2}, ["average_fps"]),
        ("metrics", {"low": "slowest_share"}, ["average_fps", "low_1pct_fps"]),
        ("value", {"kinds": ("street",)}, ["low_1pct_fps"]),
    ],
)
def test_what_nothing_changed_is_taken_from_before_and_is_what_it_would_be(
    worked_out, section, change, metrics
):
    review, params = worked_out[0], worked_out[0].params
    data = {section: getattr(params, section).model_copy(update=change)}
    other = review.changed(replace(review.loaded, params=params.model_copy(update=data)))
    kept, fresh = work_out(other, before=worked_out), work_out(other)
    for part in ("cells", "margins", "suites", "closures", "value", "energy_margins"):
        assert getattr(kept, part) == getattr(fresh, part) != ()
    some = work_out(other, before=worked_out, metrics=metrics)
    for part in ("cells", "margins", "suites"):
        of_all = [x for x in getattr(fresh, part) if x.metric in metrics]
        assert sorted(getattr(some, part), key=repr) == sorted(of_all, key=repr) != []
