"""Closure of triples, and the gap of one name between classes of machine."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import cells_of, compared, drawn_bench, framed, made_runs, margin_params
from scipy import stats

from kit.margins.closure import check_closure, find_name_gaps, name_gap
from kit.margins.suites import summarise_suites
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
    gap = name_gap(here, there, params=PARAMS)
    assert gap.ratio == pytest.approx(gap.here.ratio / gap.there.ratio)
    assert gap.low < 1.10 / 1.30 < gap.high < 1
    # Four independent sides in six titles: variances add (plain propagation, JCGM 100:2008).
    variance = sum(m.log_se**2 for m in (*here, *there)) / 36
    df = variance**2 / sum((m.log_se**2 / 36) ** 2 / m.df for m in (*here, *there))
    half = stats.t.ppf(0.975, df) * math.sqrt(variance)
    assert math.log(gap.high / gap.ratio) == pytest.approx(half, rel=1e-9)
    x = [math.log(a.ratio / b.ratio) for a, b in zip(here, there, strict=True)]
    low, high = stats.t.interval(0.95, 5, np.mean(x), stats.sem(x))
    assert (gap.like_low, gap.like_high) == pytest.approx((math.exp(low), math.exp(high)))
    assert gap.trace.key == "gap/average_fps/p0-over-p1/against/p2-over-p3"
    assert len(gap.trace.run_ids()) == 6 * 4 * 5


def test_a_gap_against_the_same_older_product_does_not_count_it_twice():
    made, named = drawn_bench(3, titles=4, products=3, runs=5)
    params = margin_params("welch")
    here = compared(made, named, product="p0", baselines=["p2"], params=params)
    there = compared(made, named, product="p1", baselines=["p2"], params=params)
    direct = compared(made, named, product="p0", baselines=["p1"], params=params)
    gap = name_gap(here, there, params=PARAMS)
    expected = math.sqrt(sum(m.log_se**2 for m in direct)) / 4
    df_like = stats.t.ppf(0.975, 20)  # about: 4 titles x 8 degrees of freedom
    assert math.log(gap.high / gap.ratio) == pytest.approx(expected * df_like, rel=0.05)


def test_clocks_explain_a_share_of_the_gap():
    here, there = four_products()
    gap = name_gap(here, there, params=PARAMS)
    assert gap.clock_ratio is None and gap.clock_share is None
    clocks = {
        (p, t): mhz
        for t in gap.titles
        for p, mhz in (("p0", 1900.0), ("p1", 1800.0), ("p2", 2600.0), ("p3", 2300.0))
    }
    explained = name_gap(here, there, params=PARAMS, mean_clocks_mhz=clocks)
    ratio = (1900 / 1800) / (2600 / 2300)
    assert explained.clock_ratio == pytest.approx(ratio)
    assert explained.clock_share == pytest.approx(math.log(ratio) / math.log(gap.ratio))
    assert 0 < explained.clock_share < 1
    del clocks["p3", gap.titles[0]]
    assert name_gap(here, there, params=PARAMS, mean_clocks_mhz=clocks).clock_ratio is None


def test_a_gap_that_may_be_none_has_nothing_to_explain():
    here, there = four_products(leads=(1.1, 1.0, 1.1, 1.0))
    clocks = {(f"p{p}", f"t{t}"): 2000.0 + p for p in range(4) for t in range(6)}
    gap = name_gap(here, there, params=PARAMS, mean_clocks_mhz=clocks)
    assert gap.low < 1 < gap.high
    assert gap.clock_ratio is not None and gap.clock_share is None


def test_gaps_are_over_the_titles_all_four_share():
    made, named = drawn_bench(4, products=4)
    made = [r for r in made if (r.product, r.title) not in {("p3", "t1"), ("p0", "t2")}]
    margins = compared(made, named, product="p0", baselines=["p1"])
    margins += compared(made, named, product="p2", baselines=["p3"])
    (gap,) = find_name_gaps(margins, [("p0", "p1", "p2", "p3")], params=PARAMS)
    assert gap.titles == ("t0", "t3", "t4", "t5")
    assert gap.here.titles == gap.there.titles == gap.titles
    assert find_name_gaps(margins, [("p0", "p3", "p2", "p1")], params=PARAMS) == ()


def test_the_titles_must_be_the_same():
    here, there = four_products()
    with pytest.raises(ValueError, match="same titles in the same order"):
        name_gap(here, there[::-1], params=PARAMS)
