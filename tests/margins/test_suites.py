"""Suite margins: geometric mean, two intervals, range, influence, every title."""

import math
from dataclasses import replace

import numpy as np
import pytest
from by_hand_shared import product_day, suite_half_width
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import (
    METRIC,
    cells_of,
    checked,
    compared,
    drawn_bench,
    framed,
    made_runs,
    margin_params,
)
from scipy import signal, stats

from kit.margins.cells import make_cells
from kit.margins.compare import compare_products
from kit.margins.replicates import fit_variances
from kit.margins.suites import (
    _choose_titles,
    _every_title_outcome,
    _suite_weights,
    summarise_suites,
    summarise_titles,
)
from kit.settings.bench_file import Title
from kit.settings.params import SuiteParams
from margins.test_cells import TIMES

PARAMS = margin_params()


def margins_of(ratios, *, spread=0.001, runs=3, method="welch", baseline="b"):
    """Return margins of product a over b, one title per ratio, with the same small spread."""
    steps = spread * np.linspace(-1, 1, runs)
    made = []
    for i, ratio in enumerate(ratios):
        made += made_runs("a", f"t{i}", 50 * ratio * np.exp(steps))
        made += made_runs(baseline, f"t{i}", 50 * np.exp(steps))
    titles = framed(*(f"t{i}" for i in range(len(ratios))))
    return compared(made, titles, product="a", baselines=[baseline], params=margin_params(method))


def suite_of(ratios, **how):
    return summarise_titles(margins_of(ratios, **how), suite="all", params=PARAMS)


def test_the_suite_is_fleming_and_wallaces_geometric_mean():
    # Fleming and Wallace (1986), CACM 29(3), 218-221: the order never depends on the base.
    names = ["E", "F", "H", "I", "K"]
    titles = {n: Title(name=n, measures="duration") for n in names}
    runs = [
        run
        for machine, times in TIMES.items()
        for name, time in zip(names, times, strict=True)
        for run in made_runs(machine, name, [time], metric="value")
    ]
    found = {}
    for base in TIMES:
        margins = compared(
            runs, titles, product=base, baselines=[m for m in TIMES if m != base], metric="value"
        )
        suites = summarise_suites(margins, groups={"all": None}, titles=titles, params=PARAMS)
        found.update({(s.baseline, s.product): s.ratio for s in suites})
    # Times of M normalised to R, as printed; the margin of R over M is that ratio.
    assert found["M", "R"] == pytest.approx(0.8574367344, abs=5e-11)
    assert found["Z", "R"] == pytest.approx(0.8498437901, abs=5e-11)
    assert found["R", "M"] == pytest.approx(1.1662668041, abs=5e-11)
    assert found["Z", "M"] == pytest.approx(0.9911446011, abs=5e-11)
    assert found["R", "Z"] == pytest.approx(1.1766868354, abs=5e-11)
    assert found["M", "Z"] == pytest.approx(1.0089345176, abs=5e-11)


def test_the_arithmetic_mean_would_favour_either_side():
    # Machine A 10 and 10, machine B 5 and 20: both arithmetic means of ratios are 1.25.
    assert suite_of([10 / 5, 10 / 20]).ratio == pytest.approx(1.0)


def test_errors_of_titles_add_up_exactly():
    # The sum of three scaled t's by convolution of their densities on a fine grid.
    margins = margins_of([1.1, 1.2, 0.9])
    suite = summarise_titles(margins, suite="all", params=PARAMS)
    scale = max(m.log_se for m in margins) / 3
    x = scale * np.linspace(-150, 150, 30_001)
    total = None
    for margin in margins:
        part = stats.t.pdf(x, margin.df, scale=margin.log_se / 3)
        total = part if total is None else signal.fftconvolve(total, part, mode="same")
    above = np.cumsum(total) / total.sum()
    center = np.mean(np.log([m.ratio for m in margins]))
    for end, share in ((suite.high, 0.975), (suite.level_high, 0.95)):
        half = np.interp(share, above, x)
        assert math.log(end) - center == pytest.approx(half, rel=2e-3)


def test_for_titles_like_these_the_titles_are_the_sample():
    ratios = [1.1, 1.25, 0.97, 1.02]
    suite = suite_of(ratios)
    x = np.log(ratios)
    low, high = stats.t.interval(0.95, 3, x.mean(), stats.sem(x))
    assert (suite.like_low, suite.like_high) == pytest.approx((math.exp(low), math.exp(high)))
    assert suite.like_low < suite.low < suite.ratio < suite.high < suite.like_high


def test_shared_variance_reaches_the_suite():
    # Runs of 1 %, 12 titles, 3 runs a side: standard error 0.01 sqrt(2 / 36).
    runs, titles = drawn_bench(1, titles=12, products=5)
    margins = compared(runs, titles, product="p0", baselines=["p1"])
    (suite,) = summarise_suites(margins, groups={"all": None}, titles=titles, params=PARAMS)
    half = math.log(suite.high / suite.ratio)
    assert half == pytest.approx(1.96 * 0.01 * math.sqrt(2 / 36), rel=0.25)


def test_range_counts_and_the_titles_at_the_ends():
    suite = suite_of([1.1, 0.9, 1.0001, 1.3])
    assert (suite.smallest.title, suite.largest.title) == ("t1", "t3")
    assert suite.smallest.ratio == pytest.approx(0.9)
    assert suite.largest.ratio == pytest.approx(1.3)
    assert suite.counts == {"ahead": 2, "behind": 1, "level": 1, "unresolved": 0}
    assert sum(suite.counts.values()) == len(suite.titles)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.2, 5.0), min_size=1, max_size=8))
def test_the_suite_lies_within_its_titles(ratios):
    suite = suite_of(ratios, spread=0.01)
    assert suite.smallest.ratio <= suite.ratio <= suite.largest.ratio
    if all(r < 1 for r in ratios):  # behind in every title is behind on average
        assert suite.ratio < 1


def test_both_directions_agree():
    ratios = [1.1, 0.95, 1.3]
    there = suite_of(ratios)
    back = summarise_titles(list(margins_of([1 / r for r in ratios])), suite="all", params=PARAMS)
    assert there.ratio * back.ratio == pytest.approx(1)
    assert there.low * back.high == pytest.approx(1)
    assert there.like_low * back.like_high == pytest.approx(1)


def test_a_title_of_ratio_one_moves_the_suite_by_the_formula():
    # Geometric mean of n ratios and a 1: the mean to the power n / (n + 1). Arithmetic.
    ratios = [1.2, 1.4, 0.9]
    assert suite_of([*ratios, 1.0]).ratio == pytest.approx(suite_of(ratios).ratio ** (3 / 4))


def test_weights_count_as_repeated_titles():
    margins = margins_of([1.1, 1.4])
    weighted = summarise_titles(margins, suite="s", params=PARAMS, weights={"t1": 2.0})
    assert weighted.weights == pytest.approx((1 / 3, 2 / 3))
    assert weighted.ratio == pytest.approx((1.1 * 1.4 * 1.4) ** (1 / 3))
    assert "weighted" in weighted.marks
    plain = summarise_titles(margins, suite="s", params=PARAMS)
    assert "weighted" not in plain.marks and plain.ratio == pytest.approx(math.sqrt(1.1 * 1.4))


def test_influence_is_the_suite_without_the_title():
    ratios = [1.1, 1.4, 0.9]
    suite = suite_of(ratios)
    for i in range(3):
        rest = [r for k, r in enumerate(ratios) if k != i]
        assert suite.influence[f"t{i}"] == pytest.approx(math.prod(rest) ** 0.5)
    assert suite_of([1.1]).influence == {}


def test_a_suite_among_several_is_that_of_a_higher_confidence():
    # Bonferroni: alpha over their number; level is two tests at 5 %, a 90 % interval.
    margins = margins_of([1.012, 0.999], spread=0.01)
    suite = summarise_titles(margins, suite="all", params=PARAMS)
    many = suite.adjusted(4, PARAMS)
    for ends, alpha in (((many.low, many.high), 0.05), ((many.level_low, many.level_high), 0.10)):
        sure = PARAMS.model_copy(update={"confidence": 1 - alpha / 4})
        other = summarise_titles(margins, suite="all", params=sure)
        assert ends == pytest.approx((other.low, other.high), rel=1e-9)
    assert (suite.outcome, many.outcome) == ("level", "unresolved")
    bare = suite_of([1.1, 1.2], runs=1)
    assert bare.adjusted(4, PARAMS) == bare


def test_a_suite_of_one_title_is_its_margin():
    (margin,) = margins_of([1.1])
    suite = summarise_titles([margin], suite="all", params=PARAMS)
    assert (suite.ratio, suite.low, suite.high) == pytest.approx(
        (margin.ratio, margin.low, margin.high)
    )
    assert suite.like_low is None and "one_title" in suite.marks


def test_a_suite_of_one_shared_title_is_its_margin():
    runs, titles = drawn_bench(5)
    margin = compared(runs, titles, product="p0", baselines=["p1"])[2]
    suite = summarise_titles([margin], suite="one", params=PARAMS)
    for name in ("low", "high", "level_low", "level_high", "outcome"):
        assert getattr(suite, name) == getattr(margin, name)


def test_every_title_needs_the_family():
    margins = margins_of([1.1, 1.2, 1.15])
    assert _every_title_outcome(margins, alpha=0.05) == "ahead"
    assert suite_of([0.9, 0.8]).every_title == "behind"
    assert suite_of([1.0001, 0.9999]).every_title == "level"
    assert suite_of([1.1, 0.9]).every_title is None
    doubtful = [replace(margins[0], p_adjusted=0.06), *margins[1:]]
    assert _every_title_outcome(doubtful, alpha=0.05) is None
    assert _every_title_outcome([replace(margins[0], p_adjusted=None)], alpha=0.05) is None


def test_a_title_without_an_error_leaves_the_suite_without_an_interval():
    margins = margins_of([1.1, 1.2])
    bare = replace(
        margins[0],
        low=None,
        high=None,
        log_se=None,
        df=None,
        error=None,
        marks=("single_run", "no_interval"),
    )
    suite = summarise_titles([bare, margins[1]], suite="all", params=PARAMS)
    assert suite.ratio == pytest.approx(math.sqrt(1.1 * 1.2))
    assert (suite.low, suite.high, suite.outcome) == (None, None, "unresolved")
    assert suite.like_low is not None
    assert suite.marks == ("single_run", "no_interval")


def test_a_capped_title_borrows_its_error_and_the_suite_says_so():
    # Method page, shared variance 6: equal runs at a cap have no interval of their own; in a suite
    # their variance is that of a cell like the others. Second version: the suite without the title.
    runs, titles = drawn_bench(3, titles=6, products=3, runs=4)
    capped = [replace(r, values={METRIC: 60.0}) if r.title == "t0" else r for r in runs]
    apart = [("t0", f"p{p}") for p in range(3)]
    variances = {METRIC: fit_variances(capped, metric=METRIC, titles=titles, apart=apart)}
    cells = make_cells(capped, titles, params=PARAMS, variances=variances, metric_names=[METRIC])
    margins = compare_products(
        cells, product="p0", baselines=["p1"], params=PARAMS,
        controls=checked("p0", "p1"), variances=variances,
    )  # fmt: skip
    assert [m.low is None for m in margins] == [True] + [False] * 5
    suite = summarise_titles(margins, suite="all", params=PARAMS)
    assert "borrowed_spread" in suite.marks and suite.low is not None
    rest = summarise_titles(margins[1:], suite="all", params=PARAMS)
    assert "borrowed_spread" not in rest.marks
    # Six like errors over six titles beside five over five: narrower by sqrt(5 / 6).
    widths = [np.log(one.high / one.low) for one in (suite, rest)]
    assert widths[0] / widths[1] == pytest.approx(np.sqrt(5 / 6), rel=0.1)


def test_all_runs_carry_through():
    margins = [replace(margins_of([1.1, 1.2])[0], ratio_all_runs=1.0), margins_of([1.1, 1.2])[1]]
    suite = summarise_titles(margins, suite="all", params=PARAMS)
    assert suite.ratio_all_runs == pytest.approx(math.sqrt(1.2))
    assert suite_of([1.1]).ratio_all_runs is None


# -- groups ---------------------------------------------------------------------------------------


def grouped_bench():
    titles = {
        "old": Title(name="Old", tags={"age": "old", "lines": "1080"}),
        "new": Title(name="New", tags={"age": "new", "lines": "1080"}),
        "tall": Title(name="Tall", tags={"age": "new", "lines": "2160"}),
        "lost": Title(name="Lost", tags={"age": "new"}),
        "pack": Title(name="Pack", measures="duration"),
        "draw": Title(name="Draw", measures="power"),
        "hum": Title(name="Hum", measures="noise"),
    }
    runs = []
    for i, title in enumerate(("old", "new", "tall")):
        runs += made_runs("a", title, 50 * (1 + i / 10) * np.exp([-0.001, 0, 0.001]))
        runs += made_runs("b", title, 50 * np.exp([-0.001, 0, 0.001]))
    runs += made_runs("a", "lost", [50.0, 51.0])
    for title, value in (("pack", 10.0), ("draw", 30.0), ("hum", 40.0)):
        for product, factor in (("a", 0.9), ("b", 1.0)):
            runs += made_runs(
                product, title, value * factor * np.array([0.99, 1.01]), metric="value"
            )
    return runs, titles


def group(**how):
    return SuiteParams(name="a group", **how)


def suites_by_name(metric, groups):
    runs, titles = grouped_bench()
    margins = compared(
        runs, titles, product="a", baselines=["b"], metric=metric, params=margin_params("welch")
    )
    suites = summarise_suites(
        margins, groups=groups, titles=titles, params=PARAMS, cells=cells_of(runs, titles)
    )
    return {s.suite: s for s in suites}


def test_groups_are_formed_by_tags_or_by_id():
    suites = suites_by_name(
        METRIC,
        {
            "all": None,
            "new": group(tags={"age": "new"}),
            "new-tall": group(tags={"age": "new", "lines": "2160"}),
            "two": group(titles=("old", "tall"), weights={"tall": 3.0}),
            "empty": group(tags={"age": "none"}),
        },
    )
    assert set(suites) == {"all", "new", "new-tall", "two"}
    assert suites["all"].titles == ("old", "new", "tall")
    assert suites["new"].titles == ("new", "tall")
    assert suites["new-tall"].titles == ("tall",)
    assert suites["two"].weights == (0.25, 0.75)
    assert suites["all"].left_out == {"lost": "no runs of b"}
    assert suites["two"].left_out == {}
    assert suites["all"].trace.key == "suite/average_fps/all/a-over-b"


def test_what_is_no_speed_is_in_no_suite_that_does_not_name_it():
    suites = suites_by_name("value", {"all": None, "draw": group(titles=("draw", "hum"))})
    assert suites["all"].titles == ("pack",)
    assert suites["all"].left_out == {
        "draw": "measures power, not speed",
        "hum": "a level in dB is compared by difference, not by ratio",
    }
    assert suites["draw"].titles == ("draw",)
    assert suites["draw"].ratio == pytest.approx(1 / 0.9)


def test_outcomes_of_titles_are_counted():
    suite = suite_of([1.1, 0.9])
    assert suite.counts == {"ahead": 1, "behind": 1, "level": 0, "unresolved": 0}
    assert len(suite.titles) == 2


def test_no_titles_is_a_callers_fault():
    with pytest.raises(ValueError, match="at least one title"):
        summarise_titles([], suite="all", params=PARAMS)


def test_weights_sum_to_one_and_unnamed_titles_weigh_one():
    assert _suite_weights(["a", "b", "c"], {"b": 2.0}) == pytest.approx([0.25, 0.5, 0.25])


@pytest.mark.parametrize("weight", [0.0, -1.0, math.nan, math.inf])
def test_weights_must_be_above_zero(weight):
    with pytest.raises(ValueError, match="weights must be above 0"):
        _suite_weights(["a", "b"], {"a": weight})


def test_the_day_that_would_turn_a_suite_makes_its_interval_end_at_one():
    """Second version: normal errors by scipy; t of the many runs here is near the normal."""
    suite = suite_of([1.02, 1.03, 1.01, 1.04], spread=0.01, runs=40)
    assert suite.low > 1 and suite.day_sd is None
    own = sum(m.log_se**2 for m in suite.margins) / 16
    # Two products' days, shared by all titles: 2 sd^2 beside what runs give.
    total = own + 2 * suite.break_even_day**2
    assert stats.norm.ppf(0.975) * math.sqrt(total) == pytest.approx(suite.center, rel=0.01)


def test_false_outcomes_are_counted_among_those_said():
    suite = suite_of([1.1, 1.0, 0.9])
    rates = (0.02, 0.4, 0.03)
    margins = tuple(
        replace(m, outcome=said, false_sign=rate)
        for m, said, rate in zip(
            suite.margins, ("ahead", "unresolved", "behind"), rates, strict=True
        )
    )
    assert replace(suite, margins=margins).false_expected == pytest.approx(0.05)


def test_a_judged_title_without_a_rate_adds_nothing_to_the_false_ones():
    suite = suite_of([1.1, 1.2])
    bare = replace(suite.margins[0], false_sign=None)
    other = replace(suite.margins[1], false_sign=0.03)
    assert replace(suite, margins=(bare, other)).false_expected == pytest.approx(0.03)


@pytest.mark.parametrize(
    ("ratios", "outcome"),
    [
        ([1.2, 1.1], "above"),  # every title
        ([0.9, 0.8], "below"),
        ([1.2, 0.9], "open"),
        ([2.0, 0.5], "open"),  # a suite on level
        ([1.5, 1.5, 1.5, 1.5, 0.99], "above"),  # the interval alone; 4 of 5: p = 0.375
        ([1.02] * 9 + [0.9], "above"),  # the sign test alone; 9 of 10: p = 0.0215
        ([1.02] * 8 + [0.95] * 2, "open"),  # 8 of 10: p = 0.109
        ([0.97] * 9 + [3.0], "open"),  # 9 of 10, but on the other side of level than the suite
    ],
)
def test_figures_alone_lean_by_every_title_the_interval_or_the_signs(ratios, outcome):
    """The two tests by scipy."""
    suite = suite_of(ratios, runs=1)
    assert (suite.low, suite.outcome, suite.break_even_day) == (None, outcome, None)
    x, above = np.log(ratios), sum(r > 1 for r in ratios)
    p_values = stats.ttest_1samp(x, 0).pvalue, stats.binomtest(above, len(ratios)).pvalue
    on_its_side = above if x.mean() > 0 else len(ratios) - above
    leans = p_values[0] <= 0.05 or (p_values[1] <= 0.05 and on_its_side > len(ratios) / 2)
    assert (outcome != "open") == (leans or on_its_side == len(ratios))


@pytest.mark.parametrize(("confidence", "outcome"), [(0.78125, "above"), (0.7813, "open")])
def test_signs_lean_at_the_confidence_asked_and_not_above_it(confidence, outcome):
    """By hand: five of six on one side have the p-value 2 (1 + 6) / 64 = 0.21875."""
    margins = margins_of([1.01, 1.012, 1.008, 1.011, 1.5, 0.98], runs=1)
    params = PARAMS.model_copy(update={"confidence": confidence})
    assert summarise_titles(margins, suite="all", params=params).outcome == outcome


# -- what a session does to a product in all titles ------------------------------------------------


def sessioned_bench(names=("s0", "s1", "s2", "s3")):
    """Return runs of three products in three titles, ln values (title, product, session)."""
    rng = np.random.default_rng(4)
    x = 4 + 0.01 * rng.standard_normal((3, 3, 4)) + 0.03 * rng.standard_normal((1, 3, 4))
    runs = [
        run
        for t in range(3)
        for p in range(3)
        for run in made_runs(f"p{p}", f"t{t}", np.exp(x[t, p]), sessions=names)
    ]
    return runs, framed("t0", "t1", "t2"), x


def day_suite(runs, titles, **how):
    margins = compared(runs, titles, product="p0", baselines=["p1"])
    cells = cells_of(runs, titles)
    return summarise_titles(margins, suite="all", params=PARAMS, cells=cells, **how)


def by_second_version(suite, k, weight, shared):
    errors = []
    for margin in suite.margins:
        mixture = margin.error
        place = mixture.start[0] + np.arange(mixture.weight.shape[1])
        errors.append((np.exp(mixture.step * place), mixture.weight[0]))
    return suite_half_width(errors, suite.weights, 0.05 * suite.care, day=(k, weight, shared))


def test_a_product_s_day_widens_the_suite_as_a_second_version_says():
    runs, titles, x = sessioned_bench()
    suite = day_suite(runs, titles, weights={"t0": 2.0})
    w = np.array([0.5, 0.25, 0.25])
    k, weight, care = product_day(x, w)
    assert suite.day_sd == pytest.approx(math.sqrt(k @ weight), rel=1e-4)
    assert suite.care == pytest.approx(care, rel=1e-4)
    assert "days_unknown" not in suite.marks
    assert replace(suite, center=3.0).break_even_day is None  # however clear: the days are known
    # The same four sessions in all titles: (1 - sum w^2) / 4.
    half = by_second_version(suite, k, weight, (1 - 0.375) / 4)
    assert math.log(suite.high / suite.ratio) == pytest.approx(half, rel=3e-3)


def test_titles_share_a_day_as_far_as_they_share_sessions():
    runs, titles, x = sessioned_bench()
    # Of the third title only the sessions s0 and s1 are those of the others.
    later = {"s2": "s4", "s3": "s5"}
    runs = [
        replace(r, session=later.get(r.session, r.session)) if r.title == "t2" else r for r in runs
    ]
    suite = day_suite(runs, titles)
    k, weight, _ = product_day(x[:2], np.array([0.5, 0.5]))
    assert suite.day_sd == pytest.approx(math.sqrt(k @ weight), rel=1e-4)
    # By hand: two ordered pairs share 4 sessions of 4 and 4, four pairs share 2 of 4 and 4.
    shared = (2 * 4 + 4 * 2) / 16 / 9
    half = by_second_version(suite, k, weight, shared)
    assert math.log(suite.high / suite.ratio) == pytest.approx(half, rel=3e-3)


@pytest.mark.parametrize("kept", [{"s0"}, set()], ids=["one session in common", "none"])
def test_a_day_needs_two_sessions_in_common(kept):
    runs, titles, _ = sessioned_bench()
    runs = [
        replace(r, session=r.session if r.session in kept else f"{r.title}/{r.session}")
        for r in runs
    ]
    suite = day_suite(runs, titles)
    assert suite.day_sd is None and "days_unknown" in suite.marks


def test_a_product_without_a_session_tells_nothing_of_days():
    runs, titles, x = sessioned_bench()
    runs = [r for r in runs if (r.product, r.title, r.session) != ("p2", "t1", "s3")]
    k, weight, _ = product_day(x[:, :2], np.full(3, 1 / 3))
    assert day_suite(runs, titles).day_sd == pytest.approx(math.sqrt(k @ weight), rel=1e-4)


def test_a_day_is_the_same_of_times_as_of_rates():
    runs, _, x = sessioned_bench()
    titles = {name: Title(name=name, measures="duration") for name in ("t0", "t1", "t2")}
    times = [replace(r, values={"value": 1 / r.values[METRIC]}) for r in runs]
    margins = compared(times, titles, product="p0", baselines=["p1"], metric="value")
    suite = summarise_titles(margins, suite="all", params=PARAMS)
    k, weight, _ = product_day(x[:, :2], np.full(3, 1 / 3))  # of the margins' own products
    assert suite.day_sd == pytest.approx(math.sqrt(k @ weight), rel=1e-4)
    assert suite_of([2.0, 0.5], spread=0.01).break_even_day is None  # level as it is


# -- limits and edges: by hand ---------------------------------------------------------------------


def test_which_titles_measure_a_metric_and_belong_to_a_group():
    titles = {
        "dunes": Title(name="Dunes", tags={"age": "new"}),
        "hum": Title(name="Hum", measures="noise"),
        "sones": Title(name="Sones", measures="noise", unit="sone"),
        "level": Title(name="Level", measures="score", unit="dB of signal"),
        "hours": Title(name="Hours", measures="battery_life"),
    }
    in_db = "a level in dB is compared by difference, not by ratio"
    assert _choose_titles(titles, None, METRIC) == (["dunes"], {})
    assert _choose_titles(titles, None, "value") == (
        ["level"],
        {"hum": in_db, "sones": "measures noise, not speed",
         "hours": "measures battery life, not speed"},
    )  # fmt: skip
    named = group(titles=("hum", "sones", "hours", "dunes"))
    assert _choose_titles(titles, named, "value") == (["sones", "hours"], {"hum": in_db})
    assert _choose_titles(titles, group(tags={"age": "new"}), METRIC) == (["dunes"], {})
    assert _choose_titles(titles, group(tags={"age": "old"}), METRIC) == ([], {})


def test_a_suite_without_intervals_is_made_with_no_care():
    bare = suite_of([1.1, 1.2], runs=1)
    assert (bare.care, bare.error, bare.low, bare.level_high) == (1.0, None, None, None)
    assert bare.marks.count("no_interval") == 1 and "days_unknown" not in bare.marks
    whole = suite_of([1.1, 1.2])
    assert "no_interval" not in whole.marks and "days_unknown" in whole.marks
    assert (suite_of([1.1]).marks.count("one_title"), "days_unknown" in suite_of([1.1]).marks) == (
        1, False,
    )  # fmt: skip


@pytest.mark.parametrize(("p_value", "holds"), [(0.05, True), (0.0501, False)])
def test_a_family_holds_at_its_limit(p_value, holds):
    margins = margins_of([1.1, 1.2])
    at = [replace(m, p_adjusted=p_value) for m in margins]
    assert _every_title_outcome(at, alpha=0.05) == ("ahead" if holds else None)
    level = [replace(m, outcome="level", p_level_adjusted=p_value, p_adjusted=1.0) for m in margins]
    assert _every_title_outcome(level, alpha=0.2) == ("level" if holds else None)
    open_ = [replace(m, outcome="unresolved", p_adjusted=0.0) for m in margins]
    assert _every_title_outcome(open_, alpha=0.05) is None


def test_every_title_is_asked_at_the_confidence_of_the_suite():
    suite = suite_of([1.1, 1.2])
    margins = tuple(replace(m, p_adjusted=0.08) for m in suite.margins)
    assert replace(suite, margins=margins).every_title is None
    assert replace(suite, margins=margins, confidence=0.9).every_title == "ahead"


def test_all_runs_of_some_titles_stand_beside_those_of_the_rest():
    suite = suite_of([1.1, 1.2, 1.3])
    first, second, third = suite.margins
    both = replace(first, ratio_all_runs=1.0), second, replace(third, ratio_all_runs=2.0)
    weighted = replace(suite, margins=both, weights=(0.5, 0.25, 0.25))
    assert weighted.ratio_all_runs == pytest.approx(1.2**0.25 * 2.0**0.25)


def test_weights_of_influence_are_those_of_the_titles_left():
    # By hand: of weights 2, 1 and 1, without the first the others weigh a half each.
    margins = margins_of([1.1, 1.4, 0.9])
    suite = summarise_titles(margins, suite="s", params=PARAMS, weights={"t0": 2.0})
    assert suite.influence["t0"] == pytest.approx((1.4 * 0.9) ** 0.5)
    assert suite.influence["t1"] == pytest.approx((1.1**2 * 0.9) ** (1 / 3))


def test_a_suite_is_judged_again_by_another_band():
    margins = margins_of([1.012, 1.01], spread=0.001)
    suite = summarise_titles(margins, suite="all", params=PARAMS)
    narrow = PARAMS.model_copy(update={"level_band": 0.001})
    (again,) = type(suite).judged_again([suite], margins, narrow)
    assert (suite.outcome, again.outcome) == ("level", "ahead")
    assert (again.low, again.high, again.margins) == (suite.low, suite.high, tuple(margins))


@pytest.mark.parametrize("products", [["a"], ["b"], []])
def test_why_a_title_is_not_shared_names_the_side_without_runs(products):
    runs = [*made_runs("a", "t0", [50.0, 51]), *made_runs("b", "t0", [50.0, 51])]
    for product in products:
        runs += made_runs(product, "t1", [50.0, 51])
    titles = framed("t0", "t1")
    margins = compared(runs, titles, product="a", baselines=["b"])
    (suite,) = summarise_suites(
        margins, groups={"all": None}, titles=titles, params=PARAMS, cells=cells_of(runs, titles)
    )
    without = " or ".join(p for p in ("a", "b") if p not in products)
    assert suite.left_out == {"t1": f"no runs of {without}"}
    assert suite.titles == ("t0",)


def test_of_titles_run_in_unlike_sessions_the_ones_with_most_tell_of_days():
    # Two titles share the sessions s0 and s1, two all four: as many titles, but more sessions.
    runs, _, x = sessioned_bench()
    few = {"s0", "s1"}
    kept = [r for r in runs if r.title != "t0" or r.session in few]
    kept += [replace(r, title="t3") for r in kept if r.title == "t0"]
    suite = day_suite(kept, framed("t0", "t1", "t2", "t3"))
    k, weight, _ = product_day(x[1:], np.array([0.5, 0.5]))
    assert suite.day_sd == pytest.approx(math.sqrt(k @ weight), rel=1e-4)


def test_suites_made_twice_are_equal_and_show_no_arrays():
    once, twice = (suite_of([1.02, 1.03, 1.01], spread=0.01, runs=4) for _ in range(2))
    assert once == twice
    assert once.error is not None and "ErrorSum" not in repr(once)
