"""The path walked once: what a review reads, and what it works out."""

from dataclasses import replace

import pytest

from kit.review.walk import NOT_SCREENED, load_review
from kit.screening.screen import screen_runs


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
