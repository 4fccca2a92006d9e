"""Ratios derived from margins: what they share is not counted twice."""

import math

import numpy as np
import pytest
from made_runs import compared, drawn_bench, framed, made_runs, margin_params

from kit.margins.derived import (
    derive_ratio,
    margin_covariance,
    side_errors,
)
from kit.margins.suites import summarise_titles


def three_products(method="welch", *, runs=40, seed=0, sessions=False):
    """Return A/B, B/C and A/C in one title, all of 1 % run to run."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(size=(3, runs))
    steps = (steps - steps.mean(axis=1, keepdims=True)) / steps.std(axis=1, ddof=1, keepdims=True)
    names = [f"s{i}" for i in range(runs)] if sessions else ()
    made = []
    for name, level, x in zip("abc", (100, 80, 60), steps, strict=True):
        made += made_runs(name, "t", level * np.exp(0.01 * x), sessions=names)
    params = margin_params(method)
    ab, ac = compared(made, framed("t"), product="a", baselines=["b", "c"], params=params)
    (bc,) = compared(made, framed("t"), product="b", baselines=["c"], params=params)
    return ab, bc, ac


def test_a_chain_has_the_error_of_its_ends():
    # JCGM 100:2008 propagation of a = 100 +- 1, b = 80 +- 0.8, c = 60 +- 0.6: (a/b)(b/c) is
    # 1.6666666667 with u = 0.0235702260 (package `uncertainties`); treating both ratios as
    # independent gives 0.0333333333, 41 % too large. Runs of 1 % with 1 run's weight: scale by n.
    ab, bc, ac = three_products(runs=40)
    chain = derive_ratio([(ab, 1), (bc, 1)], confidence=0.95)
    per_run = math.sqrt(40)
    assert chain.ratio == pytest.approx(100 / 60)
    assert chain.ratio * chain.log_se * per_run == pytest.approx(0.0235702260, abs=5e-11)
    apart = math.hypot(ab.log_se, bc.log_se)
    assert chain.ratio * apart * per_run == pytest.approx(0.0333333333, abs=5e-11)
    assert chain.log_se == pytest.approx(ac.log_se)
    assert (chain.low, chain.high) == pytest.approx((ac.low, ac.high), rel=1e-9)


def test_margins_with_a_common_baseline_are_correlated():
    ab, _, ac = three_products()
    # cov of ln a - ln b and ln a - ln c is the variance of ln a's mean.
    assert margin_covariance(ab, ac) == pytest.approx(1e-4 / 40)
    quotient = derive_ratio([(ac, 1), (ab, -1)], confidence=0.95)
    assert quotient.ratio == pytest.approx(80 / 60)
    assert quotient.log_se == pytest.approx(0.01 * math.sqrt(2 / 40))


def test_covariance_beside_simulation():
    rng = np.random.default_rng(1)
    a, b, c = rng.normal(0, [[0.01], [0.02], [0.03]], (3, 100_000))
    simulated = np.cov(a - b, b - c)[0, 1]
    x = np.linspace(-1, 1, 9)
    x /= x.std(ddof=1)
    runs = []
    for name, sd in zip("abc", (0.01, 0.02, 0.03), strict=True):
        runs += made_runs(name, "t", 50 * np.exp(3 * sd * x))  # nine runs: a mean varies by sd
    params = margin_params("welch")
    (ab,) = compared(runs, framed("t"), product="a", baselines=["b"], params=params)
    (bc,) = compared(runs, framed("t"), product="b", baselines=["c"], params=params)
    # 100,000 draws: the standard error of a covariance is about 1.3 % here.
    assert margin_covariance(ab, bc) == pytest.approx(simulated, rel=0.05)
    assert margin_covariance(ab, bc) == pytest.approx(-4e-4)


def test_one_margin_derived_from_itself_is_itself():
    for method in ("welch", "paired"):
        ab, *_ = three_products(method, sessions=method == "paired", runs=5)
        same = derive_ratio([(ab, 1)], confidence=0.95)
        assert (same.ratio, same.low, same.high) == pytest.approx((ab.ratio, ab.low, ab.high))
        turned = derive_ratio([(ab, -1)], confidence=0.95)
        assert turned.low == pytest.approx(1 / ab.high)


def test_a_mixture_derived_from_itself_is_nearly_itself():
    runs, titles = drawn_bench(1)
    for margin in compared(runs, titles, product="p0", baselines=["p1"]):
        same = derive_ratio([(margin, 1)], confidence=0.95)
        assert math.log(same.high / same.ratio) == pytest.approx(
            math.log(margin.high / margin.ratio), rel=0.05
        )


def test_paired_sides_are_taken_to_vary_alike():
    names = [f"s{i}" for i in range(4)]
    runs = made_runs("a", "t", [60, 61, 59, 60], sessions=names)
    runs += made_runs("b", "t", [50, 54, 47, 51], sessions=names)  # varies far more
    runs += made_runs("c", "t", [50, 51, 50, 49], sessions=names)
    params = margin_params("paired")
    ab, ac = compared(runs, framed("t"), product="a", baselines=["b", "c"], params=params)
    assert side_errors(ab) == pytest.approx(
        {"a": ab.log_se / math.sqrt(2), "b": -ab.log_se / math.sqrt(2)}
    )
    assert margin_covariance(ab, ac) == pytest.approx(ab.log_se * ac.log_se / 2)


def test_margins_of_different_titles_are_independent():
    runs, titles = drawn_bench(2, titles=2, products=2)
    one, other = compared(runs, titles, product="p0", baselines=["p1"])
    assert margin_covariance(one, other) == 0.0


def test_suites_keep_what_they_share_title_by_title():
    runs, titles = drawn_bench(3, titles=5, products=3, runs=5)
    params = margin_params("welch")
    ab, ac = (
        summarise_titles(
            compared(runs, titles, product="p0", baselines=[b], params=params),
            suite="all",
            params=params,
        )
        for b in ("p1", "p2")
    )
    (bc,) = (
        summarise_titles(
            compared(runs, titles, product="p1", baselines=["p2"], params=params),
            suite="all",
            params=params,
        ),
    )
    derived = derive_ratio([(ac, 1), (ab, -1)], confidence=0.95)
    assert derived.ratio == pytest.approx(bc.ratio)
    assert derived.log_se == pytest.approx(bc.log_se)
    assert (derived.low, derived.high) == pytest.approx((bc.low, bc.high), rel=2e-3)


def test_a_stated_ratio_is_checked_against_two_margins():
    # Common practice, no source: A is 6 % faster than C and B 4 % slower than C, so A is 10.4 %
    # faster than B, not 10.0 %.
    x = np.array([-0.001, 0.0, 0.001])
    runs = [
        run
        for name, level in zip("abc", (106, 96, 100), strict=True)
        for run in made_runs(name, "t", level * np.exp(x))
    ]
    params = margin_params("welch")
    (ac,) = compared(runs, framed("t"), product="a", baselines=["c"], params=params)
    (bc,) = compared(runs, framed("t"), product="b", baselines=["c"], params=params)
    terms = [(ac, 1), (bc, -1)]
    derived = derive_ratio(terms, confidence=0.95)
    assert derived.ratio == pytest.approx(1.1041666667, abs=5e-11)
    assert derived.low < 1.104 < derived.high and not derived.low < 1.10 < derived.high
    assert derived.trace.run_ids() == tuple(f"t/{p}/{i}" for p in "acb" for i in range(3))


def test_without_an_error_a_derived_ratio_has_no_interval():
    runs = [run for name in "abc" for run in made_runs(name, "t", [50.0])]
    margins = compared(runs, framed("t"), product="a", baselines=["b", "c"])
    derived = derive_ratio([(margins[0], 1), (margins[1], -1)], confidence=0.95)
    assert (derived.low, derived.high) == (None, None)
    assert derived.marks == ("single_run", "no_interval")
    assert margin_covariance(*margins) is None
