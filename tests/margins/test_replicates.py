"""Runs grouped, on a log scale, paired by session."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_runs import METRIC, drawn_bench, framed, made_runs, margin_params
from scipy import stats
from stats.test_intervals import SLEEP_1, SLEEP_2

from kit.margins.cells import make_cells
from kit.margins.replicates import (
    LOG_PER_DB,
    Pooled,
    SessionPair,
    fit_variances,
    from_log,
    group_runs,
    metric_unit,
    pair_key,
    sample_variance,
    to_log,
)
from kit.settings.bench_file import Title
from kit.stats.crossed_variance import fit_crossed_variances


def test_runs_are_grouped_in_the_order_given():
    runs = made_runs("b", "t", [1, 2]) + made_runs("a", "t", [3]) + made_runs("a", "u", [4])
    runs += made_runs("a", "u", [5], metric="value")
    groups = group_runs(runs, metric="average_fps")
    assert list(groups) == [("t", "b"), ("t", "a"), ("u", "a")]
    assert [len(found) for found in groups.values()] == [2, 1, 1]


def test_units():
    titles = {**framed("t"), "hum": Title(name="Hum", measures="noise")}
    assert metric_unit("low_1pct_fps", "t", titles) == "fps"
    assert metric_unit("value", "hum", titles) == "dB(A)"
    assert metric_unit("value", "elsewhere", titles) == ""


def test_levels_are_logarithms_already():
    # IEC 60027-3: 10 dB is a power ratio of 10, whose natural logarithm is 2.302585.
    low, high = to_log([40.0, 50.0], "dB(A)")
    assert high - low == pytest.approx(math.log(10), rel=1e-15)
    assert from_log(high, "dB(A)") == pytest.approx(50.0)
    assert from_log(to_log([72.5], "fps")[0], "fps") == pytest.approx(72.5)


@pytest.mark.parametrize(
    ("values", "unit"), [([1.0, 0.0], "fps"), ([-2.0], "s"), ([math.nan], "W"), ([math.inf], "dB")]
)
def test_values_without_a_logarithm_are_refused(values, unit):
    with pytest.raises(ValueError, match="must be finite"):
        to_log(values, unit)


def test_the_sample_variance_has_divisor_n_minus_1():
    assert sample_variance(SLEEP_1) == pytest.approx(np.var(SLEEP_1, ddof=1), rel=1e-14)
    assert math.isnan(sample_variance([1.0]))
    assert sample_variance([0.1, 0.1, 0.1]) < 1e-30


def test_means_of_passes_with_their_spread_say_what_the_passes_would():
    # Numpy over all passes at once, against the mean and spread of each group of them.
    groups = [[4.0, 4.1, 4.3], [4.2], [3.9, 4.4]]
    runs = [
        replace(run, passes=len(g), spread={METRIC: np.std(g, ddof=1)} if len(g) > 1 else {})
        for g in groups
        for run in made_runs("a", "t", [math.exp(np.mean(g))])
    ]
    passes = np.concatenate(groups)
    pooled = Pooled.of_runs(runs, metric=METRIC, unit="fps")
    assert (pooled.n, pooled.df, pooled.passes) == (6, 5, (3, 1, 2))
    assert pooled.mean == pytest.approx(passes.mean())
    assert pooled.variance == pytest.approx(np.var(passes, ddof=1))
    # Without the spread of one, its passes tell of their mean alone, by hand.
    bare = Pooled.of_runs([replace(runs[0], spread={}), *runs[1:]], metric=METRIC, unit="fps")
    within = 2 * np.var(groups[0], ddof=1)
    assert (bare.df, bare.mean) == (3, pooled.mean)
    assert bare.variance == pytest.approx((5 * pooled.variance - within) / 3)
    # Single passes as numpy has them; equal ones have none, one alone has none that is known.
    single = made_runs("a", "t", np.exp(SLEEP_1))
    one_each = Pooled.of_runs(single, metric=METRIC, unit="fps")
    assert one_each.variance == pytest.approx(np.var(SLEEP_1, ddof=1)) and one_each.df == 9
    equal = Pooled.of_runs([single[0]] * 3, metric=METRIC, unit="fps")
    assert (equal.variance, equal.df) == (0.0, 2)
    alone = Pooled.of_runs(single[:1], metric=METRIC, unit="fps")
    assert math.isnan(alone.variance) and alone.df == 0


def test_pairs_are_students_paired_test():
    # Student (1908): paired, t = -4.0621276834 on 9 degrees of freedom (R and scipy).
    names = [f"s{i}" for i in range(10)]
    pair = SessionPair.match(SLEEP_1, names, SLEEP_2[::-1], names[::-1])
    assert pair.sessions == tuple(names)
    t = pair.difference / math.sqrt(pair.log_var / pair.weight)
    assert t == pytest.approx(-4.0621276834, abs=5e-11)
    assert t == pytest.approx(stats.ttest_rel(SLEEP_1, SLEEP_2).statistic, rel=1e-12)


def test_sessions_of_unequal_size_are_weighted():
    import statsmodels.api as sm

    a, sa = [1.0, 1.2, 1.1, 0.9, 1.4], ["x", "x", "x", "y", "z"]
    b, sb = [0.7, 0.8, 0.6, 1.0], ["x", "y", "y", "z"]
    pair = SessionPair.match(a, sa, b, sb)
    # Weighted least squares: a session's difference has a variance of 1/m + 1/n runs.
    d = [1.1 - 0.7, 0.9 - 0.7, 1.4 - 1.0]
    w = [1 / (1 / 3 + 1 / 1), 1 / (1 + 1 / 2), 1 / (1 + 1)]
    fit = sm.WLS(d, np.ones(3), weights=w).fit()
    assert pair.difference == pytest.approx(fit.params[0])
    assert math.sqrt(pair.log_var / pair.weight) == pytest.approx(fit.bse[0])


def test_equal_numbers_of_runs_give_the_difference_of_means():
    a, b = [1.0, 2.0, 4.0, 3.0], [0.5, 0.7, 0.2, 0.9]
    names = ["x", "x", "x", "y"]
    pair = SessionPair.match(a, names, b, names)
    assert pair.difference == pytest.approx(np.mean(a) - np.mean(b))


def test_what_does_not_pair():
    assert SessionPair.match([1.0], ["x"], [1.0], ["y"]) is None
    assert SessionPair.match([1.0], [""], [1.0], [""]) is None
    single = SessionPair.match([1.0, 9.0], ["x", ""], [0.5], ["x"])
    assert single.sessions == ("x",)
    assert single.log_var is None
    assert single.difference == pytest.approx(0.5)


def test_a_cells_sd_lies_between_its_own_and_what_others_show():
    runs, titles = drawn_bench(1, titles=8, products=5)
    runs += made_runs("loud", "t0", 50 * np.exp([-0.08, 0.0, 0.08]))
    runs += made_runs("quiet", "t0", 50 * np.exp([-0.0004, 0.0, 0.0004]))
    shared = fit_variances(runs, metric=METRIC, titles=titles)
    level = np.exp(shared.cells.level / 2)
    assert level < shared.run_sd("loud", "t0") < 0.08
    assert 0.0004 < shared.run_sd("quiet", "t0") < level
    assert shared.run_sd("p0", "t0") == pytest.approx(0.01, rel=0.6)


def test_products_and_titles_without_runs_get_what_is_known():
    rng = np.random.default_rng(2)
    runs = []
    for title, sd in (("calm", 0.005), ("wild", 0.05)):
        for p in range(12):
            runs += made_runs(f"p{p}", title, 60 * np.exp(sd * rng.normal(size=5)))
    shared = fit_variances(runs, metric=METRIC)
    assert shared.run_sd("new", "calm") == pytest.approx(0.005, rel=0.3)
    assert shared.run_sd("new", "wild") == pytest.approx(0.05, rel=0.3)
    assert 0.005 < shared.run_sd("new", "new title") < 0.05


def test_nothing_repeats_nothing_is_shared():
    runs = made_runs("a", "t", [60.0]) + made_runs("b", "t", [50.0])
    shared = fit_variances(runs, metric=METRIC)
    assert shared.cells is None and shared.pairs is None
    assert shared.run_sd("a", "t") is None


def test_few_cells_with_a_variance_tell_single_runs_nothing():
    runs = [run for p in "abcde" for run in made_runs(p, "t", [60.0, 61.0, 60.2])]
    runs += made_runs("a", "u", [60.0]) + made_runs("z", "t", [60.0])
    titles = framed("t", "u")
    for more, method in (([], "none"), (made_runs("f", "t", [50.0, 50.4]), "shared")):
        shared = {METRIC: fit_variances(runs + more, metric=METRIC)}
        cells = make_cells(
            runs + more, titles, params=margin_params(), variances=shared, metric_names=[METRIC]
        )
        single = {(c.title, c.product): c.method for c in cells if len(c.runs) == 1}
        assert single == {("u", "a"): method, ("t", "z"): method}


def test_capped_cells_of_equal_runs_are_kept_apart_and_may_borrow():
    runs, titles = drawn_bench(9, titles=6, products=3, sessions=True)
    capped = [run for p in ("p0", "p1") for run in runs if (run.product, run.title) == (p, "t0")]
    flat = [replace(run, values={METRIC: 60.0}) for run in capped]
    runs = [run for run in runs if run not in capped] + flat
    apart = {("t0", "p0"), ("t0", "p1")}
    shared = fit_variances(runs, metric=METRIC, titles=titles, apart=apart)
    assert set(shared.cells.borrowers) == apart
    assert list(shared.pairs.borrowers) == [pair_key("t0", "p0", "p1")]
    # The pairs with a third product are apart too: they rest on their own sessions.
    assert shared.pairs.apart.sum() == 3


def test_only_runs_with_the_metric_take_part():
    runs, titles = drawn_bench(3)
    scores = made_runs("p0", "score", [1.0, 9.0], metric="value")
    with_scores = fit_variances(runs + scores, metric=METRIC, titles=titles)
    assert with_scores.cells.level == fit_variances(runs, metric=METRIC, titles=titles).cells.level


def test_levels_in_db_are_not_logged_again():
    titles = {"hum": Title(name="Hum", measures="noise")}
    runs = made_runs("a", "hum", [38.0, 38.6, 38.3], metric="value")
    shared = fit_variances(runs, metric="value", titles=titles)
    assert shared.cells.run_var[0] == pytest.approx(0.3**2 * LOG_PER_DB**2)


def test_pairs_lose_what_a_session_does_to_both():
    runs, titles = drawn_bench(4, titles=8, products=4, runs=5, sessions=True, session_sd=0.05)
    shared = fit_variances(runs, metric=METRIC, titles=titles)
    # Runs of 1 %: a difference has 1.41 %; a session adds 5 % to each side.
    assert np.exp(shared.pairs.level / 2) == pytest.approx(0.01 * 2**0.5, rel=0.2)
    assert np.exp(shared.cells.level / 2) == pytest.approx(0.05, rel=0.3)
    assert shared.pairs.cells_used == 8 * 6
    key = pair_key("t0", "p1", "p0")
    assert key == pair_key("t0", "p0", "p1")
    logs = {r.run: np.log(r.values[METRIC]) for r in runs}
    d = [logs[f"t0/p0/{i}"] - logs[f"t0/p1/{i}"] for i in range(5)]
    assert shared.pairs.run_var[shared.pairs.keys[key]] == pytest.approx(np.var(d, ddof=1))
    assert {*shared.pairs.df} == {5 - 1}


def test_pairs_count_as_the_independent_ones_among_them():
    runs, titles = drawn_bench(6, titles=5, products=8, sessions=True)
    pairs = fit_variances(runs, metric=METRIC, titles=titles).pairs
    args = list(pairs.keys), pairs.run_var, pairs.df
    # 28 pairs of 8 products, 7 of them independent: a quarter of the evidence.
    tempered = fit_crossed_variances(*args, temper=7 / 28)
    assert pairs.title_weight == pytest.approx(tempered.title_weight)
    assert pairs.title_weight != pytest.approx(fit_crossed_variances(*args).title_weight)


def test_runs_without_sessions_make_no_pairs():
    runs, titles = drawn_bench(5)
    assert fit_variances(runs, metric=METRIC, titles=titles).pairs is None


def test_what_is_known_of_each_cell():
    runs = made_runs("a", "t", [60.0, 61.0]) + made_runs("b", "t", [60.0])
    runs += made_runs("c", "t", [50.0, 50.4])
    shared = fit_variances(runs, metric=METRIC, titles=framed("t"))
    assert list(shared.cells.keys) == [("t", "a"), ("t", "b"), ("t", "c")]
    assert (shared.cells.df + 1).tolist() == [2, 1, 2]
    assert shared.cells.run_var[0] == pytest.approx(np.var(np.log([60, 61]), ddof=1))
    assert np.isnan(shared.cells.run_var[1]) and shared.run_sd("b", "t") > 0
