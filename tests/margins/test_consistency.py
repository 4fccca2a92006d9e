"""Closure of triples, and the gap of one name between classes of machine."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import METRIC, cells_of, compared, drawn_bench, framed, made_runs, margin_params
from scipy import stats

from kit.margins.consistency import (
    _derive_ratio,
    _derived_care,
    _name_gap,
    _side_errors,
    check_closure,
    find_name_gaps,
)
from kit.margins.suites import summarise_suites, summarise_titles
from kit.settings.bench_file import Title

PARAMS = margin_params()


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(*[st.floats(1, 500)] * 3), min_size=1, max_size=8))
def test_over_the_same_titles_a_chain_closes(levels):
    runs = [
        run
        for t, row in enumerate(levels)
        for name, level in zip("abc", row, strict=True)
        for run in made_runs(name, f"t{t}", [level])
    ]
    (closure,) = check_closure(
        cells_of(runs, framed(*(f"t{t}" for t in range(len(levels))))),
        product="a",
        others=["b", "c"],
    )
    assert closure.chained == pytest.approx(closure.direct, rel=1e-13)
    assert closure.difference == pytest.approx(1.0, rel=1e-13)


def test_different_title_sets_break_a_chain_by_what_they_say():
    levels = {"t": (100, 80, 60), "u": (100, 50, None), "v": (90, None, 60), "w": (None, 60, 30)}
    runs = [
        run
        for title, row in levels.items()
        for name, level in zip("abc", row, strict=True)
        if level
        for run in made_runs(name, title, [level])
    ]
    (closure,) = check_closure(cells_of(runs, framed(*levels)), product="a", others=["b", "c"])
    assert closure.titles == ("t",)
    assert closure.own_titles == (("t", "u"), ("t", "w"), ("t", "v"))
    assert closure.chained == pytest.approx(closure.direct) == pytest.approx(100 / 60)
    # Geometric means over each pair's own titles, by hand.
    chained = math.sqrt(100 / 80 * 100 / 50) * math.sqrt(80 / 60 * 60 / 30)
    direct = math.sqrt(100 / 60 * 90 / 60)
    assert closure.chained_own == pytest.approx(chained)
    assert closure.direct_own == pytest.approx(direct)
    assert closure.difference == pytest.approx(chained / direct)
    assert set(closure.trace.run_ids()) == {run.run for run in runs}


def test_the_direct_figure_is_the_suites():
    runs, titles = drawn_bench(1, titles=5, products=4)
    runs = [r for r in runs if (r.product, r.title) != ("p2", "t3")]
    margins = compared(runs, titles, product="p0", baselines=["p1", "p2", "p3"])
    suites = summarise_suites(margins, groups={"all": None}, titles=titles, params=PARAMS)
    by_baseline = {s.baseline: s.ratio for s in suites}
    closures = check_closure(
        cells_of(runs, titles), product="p0", others=["p1", "p2", "p3"], titles=titles
    )
    assert [(c.b, c.c) for c in closures] == [("p1", "p2"), ("p1", "p3"), ("p2", "p3")]
    for closure in closures:
        assert closure.direct_own == pytest.approx(by_baseline[closure.c], rel=1e-12)
        assert (abs(math.log(closure.difference)) < 1e-12) == ("p2" not in (closure.b, closure.c))


def test_the_direct_figure_is_the_suites_where_sessions_are_left_out():
    runs, titles = drawn_bench(7, titles=4, products=3, sessions=True, session_sd=0.02)
    runs = [r for r in runs if r.run != "t1/p2/0"]
    margins = compared(runs, titles, product="p0", baselines=["p1", "p2"])
    (marked,) = [m for m in margins if "common_sessions_only" in m.marks]
    assert (marked.baseline, marked.title) == ("p2", "t1")
    suites = summarise_suites(margins, groups={"all": None}, titles=titles, params=PARAMS)
    (closure,) = check_closure(
        cells_of(runs, titles), product="p0", others=["p1", "p2"], margins=margins
    )
    assert closure.direct_own == pytest.approx(suites[1].ratio, rel=1e-12)
    assert closure.chained == pytest.approx(closure.direct, rel=1e-12)
    assert abs(math.log(closure.difference)) > 1e-4


def test_closure_of_times_runs_the_right_way_round():
    titles = {
        "pack": Title(name="Pack", measures="duration"),
        "draw": Title(name="Draw", measures="power"),
        "hum": Title(name="Hum", measures="noise"),
    }
    runs = [
        run
        for title in titles
        for name, time in zip("abc", (8.0, 10.0, 16.0), strict=True)
        for run in made_runs(name, title, [time], metric="value")
    ]
    cells = cells_of(runs, titles, metric="value")
    (closure,) = check_closure(cells, product="a", others=["b", "c"], titles=titles)
    assert closure.titles == ("pack",)  # power is no speed, dB has no ratio
    assert closure.direct == pytest.approx(2.0)
    (closure,) = check_closure(cells, product="a", others=["b", "c"])
    assert closure.titles == ("pack", "draw")


def test_products_without_common_titles_do_not_close():
    runs = made_runs("a", "t", [50]) + made_runs("b", "t", [50]) + made_runs("c", "u", [50])
    assert check_closure(cells_of(runs, framed("t", "u")), product="a", others=["b", "c"]) == ()


# -- the gap between classes ----------------------------------------------------------------------


def four_products(*, titles=6, runs=5, seed=2, leads=(1.10, 1.0, 1.30, 1.0)):
    """Return the margins of here_new over here_old and of there_new over there_old."""
    made, named = drawn_bench(
        seed, titles=titles, products=4, runs=runs, leads=dict(enumerate(leads))
    )
    params = margin_params("welch")
    here = compared(made, named, product="p0", baselines=["p1"], params=params)
    there = compared(made, named, product="p2", baselines=["p3"], params=params)
    return here, there


def test_the_gap_is_a_ratio_of_ratios():
    here, there = four_products()
    gap = _name_gap(here, there, params=PARAMS)
    assert gap.ratio == pytest.approx(gap.here.ratio / gap.there.ratio)
    assert gap.low < 1.10 / 1.30 < gap.high < 1
    # Four independent sides in six titles: variances add (plain propagation, JCGM 100:2008).
    variance = sum(m.log_se**2 for m in (*here, *there)) / 36
    df = variance**2 / sum((m.log_se**2 / 36) ** 2 / m.df for m in (*here, *there))
    half = stats.t.ppf(0.975, df) * math.sqrt(variance)
    assert math.log(gap.high / gap.ratio) == pytest.approx(half, rel=1e-9)
    assert gap.trace.key == "gap/average_fps/p0-over-p1/against/p2-over-p3"
    assert len(gap.trace.run_ids()) == 6 * 4 * 5


def test_a_gap_against_the_same_older_product_does_not_count_it_twice():
    made, named = drawn_bench(3, titles=4, products=3, runs=5)
    params = margin_params("welch")
    here = compared(made, named, product="p0", baselines=["p2"], params=params)
    there = compared(made, named, product="p1", baselines=["p2"], params=params)
    direct = compared(made, named, product="p0", baselines=["p1"], params=params)
    gap = _name_gap(here, there, params=PARAMS)
    expected = math.sqrt(sum(m.log_se**2 for m in direct)) / 4
    df_like = stats.t.ppf(0.975, 20)  # about: 4 titles x 8 degrees of freedom
    assert math.log(gap.high / gap.ratio) == pytest.approx(expected * df_like, rel=0.05)


def test_a_gap_that_may_be_none_has_an_interval_around_one():
    here, there = four_products(leads=(1.1, 1.0, 1.1, 1.0))
    gap = _name_gap(here, there, params=PARAMS)
    assert gap.low < 1 < gap.high


def test_gaps_are_over_the_titles_all_four_share():
    made, named = drawn_bench(4, products=4)
    made = [r for r in made if (r.product, r.title) not in {("p3", "t1"), ("p0", "t2")}]
    margins = compared(made, named, product="p0", baselines=["p1"])
    margins += compared(made, named, product="p2", baselines=["p3"])
    (gap,) = find_name_gaps(margins, [("p0", "p1", "p2", "p3")], params=PARAMS)
    assert gap.here.titles == gap.there.titles == ("t0", "t3", "t4", "t5")
    assert find_name_gaps(margins, [("p0", "p3", "p2", "p1")], params=PARAMS) == ()


def test_the_titles_must_be_the_same():
    here, there = four_products()
    with pytest.raises(ValueError, match="same titles in the same order"):
        _name_gap(here, there[::-1], params=PARAMS)


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
    chain = _derive_ratio([(ab, 1), (bc, 1)], confidence=0.95)
    per_run = math.sqrt(40)
    assert chain.ratio == pytest.approx(100 / 60)
    assert chain.ratio * chain.log_se * per_run == pytest.approx(0.0235702260, abs=5e-11)
    apart = math.hypot(ab.log_se, bc.log_se)
    assert chain.ratio * apart * per_run == pytest.approx(0.0333333333, abs=5e-11)
    assert chain.log_se == pytest.approx(ac.log_se)
    assert (chain.low, chain.high) == pytest.approx((ac.low, ac.high), rel=1e-9)


def covariance(first, second):
    """Return the covariance of two ln margins of one title by what their sides share."""
    one, two = _side_errors(first), _side_errors(second)
    return sum(error * two.get(name, 0.0) for name, error in one.items())


def test_margins_with_a_common_baseline_are_correlated():
    ab, _, ac = three_products()
    # cov of ln a - ln b and ln a - ln c is the variance of ln a's mean.
    assert covariance(ab, ac) == pytest.approx(1e-4 / 40)
    quotient = _derive_ratio([(ac, 1), (ab, -1)], confidence=0.95)
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
    assert covariance(ab, bc) == pytest.approx(simulated, rel=0.05)
    assert covariance(ab, bc) == pytest.approx(-4e-4)


def test_one_margin_derived_from_itself_is_itself():
    for method in ("welch", "paired"):
        ab, *_ = three_products(method, sessions=method == "paired", runs=5)
        same = _derive_ratio([(ab, 1)], confidence=0.95)
        assert (same.ratio, same.low, same.high) == pytest.approx((ab.ratio, ab.low, ab.high))
        turned = _derive_ratio([(ab, -1)], confidence=0.95)
        assert turned.low == pytest.approx(1 / ab.high)


def test_a_mixture_derived_from_itself_is_nearly_itself():
    runs, titles = drawn_bench(1)
    for margin in compared(runs, titles, product="p0", baselines=["p1"]):
        same = _derive_ratio([(margin, 1)], confidence=0.95)
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
    assert _side_errors(ab) == pytest.approx(
        {"a": ab.log_se / math.sqrt(2), "b": -ab.log_se / math.sqrt(2)}
    )
    assert covariance(ab, ac) == pytest.approx(ab.log_se * ac.log_se / 2)


def test_a_side_in_two_terms_adds_up_before_it_is_squared_with_the_fewer_degrees_of_freedom():
    runs = made_runs("a", "t", [60, 61, 59.5]) + made_runs("b", "t", [50, 50.4, 50.1, 49.8])
    runs += made_runs("c", "t", [40, 40.9, 39.6, 40.2, 40.3, 39.9, 40.1, 40.6, 39.7])
    params = margin_params("welch")
    terms = compared(runs, framed("t"), product="a", baselines=["b", "c"], params=params)
    for order in (terms, terms[::-1]):
        derived = _derive_ratio([(m, 1) for m in order], confidence=0.95)
        of = {p: np.log([*(r.values[METRIC] for r in runs if r.product == p)]) for p in "abc"}
        a, b, c = (stats.sem(x) ** 2 for x in of.values())
        # Satterthwaite, by hand; each margin's degrees of freedom are those of Welch, by scipy.
        one, two = (stats.ttest_ind(of["a"], of[p], equal_var=False).df for p in "bc")
        shares = [(a * a + x * x) / (a + x) ** 2 for x in (b, c)]
        assert derived.log_se**2 == pytest.approx(4 * a + b + c)
        each = one * shares[0], two * shares[1]
        parts = (4 * a) ** 2 / min(each) + b * b / each[0] + c * c / each[1]
        assert derived.df == pytest.approx((4 * a + b + c) ** 2 / parts)
        half = derived.log_se * stats.t.ppf(0.975, derived.df)
        assert math.log(derived.high / derived.ratio) == pytest.approx(half)


def test_margins_of_different_titles_are_independent():
    runs, titles = drawn_bench(2, titles=2, products=2)
    one, other = compared(runs, titles, product="p0", baselines=["p1"])
    both = _derive_ratio([(one, 1), (other, 1)], confidence=0.95)
    assert both.log_se**2 == pytest.approx(one.log_se**2 + other.log_se**2)


def test_the_care_of_a_derived_ratio_is_that_of_the_margins_that_carry_it():
    # Shares of variance: (power x weight x standard error)^2; care: the product of cares, each to the
    # square of its share. By hand, from kit/methods.md ("name-gap").
    runs, titles = drawn_bench(2, titles=2, products=3, runs=5)
    ab, ac = (
        summarise_titles(
            [replace(m, log_se=se, care=care) for m, se, care in zip(made, ses, (0.2, 1.0), strict=True)],
            suite="all", params=PARAMS, weights={"t0": 3.0},
        )
        for made, ses in (
            (compared(runs, titles, product="p0", baselines=[b]), ses)
            for b, ses in (("p1", (0.02, 0.01)), ("p2", (0.03, 0.04)))
        )
    )  # fmt: skip
    parts = np.square([0.75 * 0.02, 0.25 * 0.01, 2 * 0.75 * 0.03, 2 * 0.25 * 0.04])
    shares = parts / parts.sum()
    expected = 0.2 ** (shares[0] ** 2 + shares[2] ** 2)
    assert _derived_care([(ab, 1.0), (ac, -2.0)]) == pytest.approx(expected)
    single = replace(ab.margins[0], log_se=None)
    assert _derived_care([(single, 1.0)]) == 1.0


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
    derived = _derive_ratio([(ac, 1), (ab, -1)], confidence=0.95)
    assert derived.ratio == pytest.approx(bc.ratio)
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
    derived = _derive_ratio(terms, confidence=0.95)
    assert derived.ratio == pytest.approx(1.1041666667, abs=5e-11)
    assert derived.low < 1.104 < derived.high and not derived.low < 1.10 < derived.high
    assert derived.trace.run_ids() == tuple(f"t/{p}/{i}" for p in "acb" for i in range(3))


def test_without_an_error_a_derived_ratio_has_no_interval():
    runs = [run for name in "abc" for run in made_runs(name, "t", [50.0])]
    margins = compared(runs, framed("t"), product="a", baselines=["b", "c"])
    derived = _derive_ratio([(margins[0], 1), (margins[1], -1)], confidence=0.95)
    assert (derived.low, derived.high) == (None, None)
    assert derived.marks == ("single_run", "no_interval")
    assert _side_errors(margins[0]) is None and _side_errors(margins[1]) is None
