"""Outcomes under other choices: an exclusion or a method that turns one is named."""

import math
from dataclasses import replace

import pytest
from scipy.stats import ttest_ind
from small_bench import MadeRun, small_bench, walk

from kit.margins.suites import summarise_titles
from kit.page.findings import Findings
from kit.review.what_if import measure_sensitivity


def typed_bench(*values, **params):
    """Return a bench of titles by products by runs whose averages are typed in."""
    runs = tuple(
        MadeRun(run=f"p{p}-t{t}-{n}", product=f"p{p}", title=f"t{t}",
                session=f"s{p}-{n}", typed={"average_fps": f"{fps:.4f}"})
        for t, products in enumerate(values) for p, of in enumerate(products)
        for n, fps in enumerate(of)
    )  # fmt: skip
    base = small_bench(products=len(values[0]), titles=len(values), runs=1).with_params(**params)
    return replace(base, runs=runs, prices=())


def test_an_exclusion_that_turns_an_outcome_is_told_with_both_intervals(tmp_path):
    # Beside it Welch's interval as scipy.stats.ttest_ind gives it, of the logarithms.
    titles = [[[100, 101, 100.5, 80], [96, 97, 96.5, 96.2]]] * 1
    aside = [{"run": "p0-t0-3", "reason": "An update ran."}]
    bench = typed_bench(*titles, screen={"caps_hz": [], "set_aside": aside})
    review, results, book = walk(bench, tmp_path)
    with_it = ttest_ind(*[[math.log(v) for v in side] for side in titles[0]], equal_var=False)
    low, high = with_it.confidence_interval(0.95)
    (stated,) = [s for s in results.suites if s.metric == "average_fps" and s.suite == "all"]
    (every,) = [o for o in measure_sensitivity(review, results) if o.choice == "all_runs"]
    assert stated.outcome == "ahead" and every.turned and every.suite.outcome == "unresolved"
    assert (every.suite.low, every.suite.high) == pytest.approx((math.exp(low), math.exp(high)))
    claim = book.by_id["sensitivity/average_fps/p0-over-p1/all_runs"]
    assert claim.marks == ("turned",) and "p0-t0-3" in claim.runs
    (said,) = Findings(book).fragile_sentences()
    words = "".join(getattr(part, "text", part) for part in said)
    assert "all runs, also those set aside" in words and claim.interval in words
    whole = book.by_id["suite/average_fps/all/p0-over-p1"]
    assert whole.interval in words


def test_many_outcomes_are_adjusted_by_bonferroni(demo):
    # Bonferroni: each of k intervals at 1 - alpha / k. Beside it the suite at that confidence.
    made = [o for o in measure_sensitivity(demo.review, demo.results) if o.choice == "adjusted"]
    compared = len(demo.review.params.compared)
    averages = [o.suite for o in made if o.suite.metric == "average_fps"]
    assert len(averages) == compared == 6
    for suite in averages:
        params = demo.review.params.margins.model_copy(update={"confidence": 1 - 0.05 / compared})
        cells = [c for c in demo.results.cells if c.metric == suite.metric]
        plain = summarise_titles(suite.margins, suite="all", params=params, cells=cells)
        assert (suite.low, suite.high) == pytest.approx((plain.low, plain.high), rel=1e-12)


def test_nothing_turns_where_no_interval_is(demo):
    made = measure_sensitivity(demo.review, demo.results)
    bare = [o for o in made if o.suite.low is None]
    assert bare and not any(o.turned for o in bare)
    assert any(o.turned for o in made)
