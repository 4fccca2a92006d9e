"""Margins: direction, outcome, family, marks, levels in dB."""

import math
from dataclasses import replace

import numpy as np
import pytest
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
from scipy import stats
from stats.test_intervals import CLINIC_A, CLINIC_B, SLEEP_1, SLEEP_2
from statsmodels.stats.multitest import multipletests

from kit.errors import UsageError
from kit.margins.cells import make_cells, outcome_of
from kit.margins.compare import (
    _choose_method,
    _compare_pairs,
    _pair_cells,
    compare_levels,
    compare_products,
)
from kit.methods import METHODS
from kit.settings.bench_file import Title


def clinic_margin(**changes):
    runs = made_runs("a", "t", CLINIC_A) + made_runs("b", "t", CLINIC_B)
    (margin,) = compared(
        runs, framed("t"), product="a", baselines=["b"], params=margin_params("welch", **changes)
    )
    return margin


def test_a_welch_margin_gives_the_clinic_figures():
    # statsmodels' test file `stats/tests/test_tost.py`, "clinic"; figures by scipy, and R's
    # overall p-value of equivalence between 0.8 and 1.25 as quoted there.
    margin = clinic_margin(level_band=0.25)
    assert margin.ratio == pytest.approx(1.0440656095, abs=5e-11)
    assert (margin.low, margin.high) == pytest.approx((0.8980332556, 1.2138447993), abs=5e-11)
    assert (margin.level_low, margin.level_high) == pytest.approx(
        (0.9212856001, 1.1832085478), abs=5e-11
    )
    assert margin.df == pytest.approx(27.6117703765, abs=5e-11)
    assert margin.p_value == pytest.approx(0.5622170890, abs=5e-11)
    assert margin.p_level == pytest.approx(0.01047085593138891, rel=1e-12)
    assert margin.outcome == "level"
    # "Not significant" alone is no evidence of equality: with a narrow band nothing is said.
    assert clinic_margin(level_band=0.05).outcome == "unresolved"


def test_margin_arithmetic():
    # Common practice, no source: 28 % ahead is the other 21.875 % behind; 8 s against 10 s is
    # 25 % ahead.
    runs = made_runs("a", "t", [128.0]) + made_runs("b", "t", [100.0])
    titles = {**framed("t"), "pack": Title(name="Pack", measures="duration")}
    (ahead,) = compared(runs, titles, product="a", baselines=["b"])
    (behind,) = compared(runs, titles, product="b", baselines=["a"])
    assert ahead.ratio == pytest.approx(1.28) and 1 - behind.ratio == pytest.approx(0.21875)
    packs = made_runs("a", "pack", [8.0], metric="value")
    packs += made_runs("b", "pack", [10.0], metric="value")
    (faster,) = compared(packs, titles, product="a", baselines=["b"], metric="value")
    assert faster.ratio == pytest.approx(1.25)
    assert faster.marks == ("single_run", "less_is_better", "no_interval")
    assert faster.outcome == "above" and faster.method == "none"


def test_less_is_better_turns_the_interval_too():
    titles = {"pack": Title(name="Pack", measures="duration"), **framed("t")}
    a, b = [8.0, 8.1, 7.9], [10.0, 10.4, 9.8]
    times = made_runs("a", "pack", a, metric="value") + made_runs("b", "pack", b, metric="value")
    speeds = made_runs("a", "t", 1 / np.array(a)) + made_runs("b", "t", 1 / np.array(b))
    how = {"product": "a", "baselines": ["b"], "params": margin_params("welch")}
    (by_time,) = compared(times, titles, metric="value", **how)
    (by_speed,) = compared(speeds, titles, **how)
    for name in ("ratio", "low", "high", "p_value"):
        assert getattr(by_time, name) == pytest.approx(getattr(by_speed, name), rel=1e-12)
    assert by_time.outcome == by_speed.outcome == "ahead"


@pytest.mark.parametrize(
    ("ends", "outcome"),
    [
        ((1.01, 1.05, 1.015, 1.045), "ahead"),
        ((0.95, 0.99, 0.955, 0.985), "behind"),
        ((0.95, 1.05, 0.96, 1.04), "unresolved"),
        ((0.985, 1.015, 0.99, 1.01), "level"),
        ((0.97, 1.03, 1 / 1.02, 1.02), "level"),  # the ends of the band belong to it
        ((0.97, 1.03, 0.9803, 1.02), "unresolved"),  # 0.98 is outside: 1 / 1.02 is 0.98039
        ((1.001, 1.015, 1.002, 1.014), "level"),  # level comes first
        ((None, None, None, None), "unresolved"),
        ((1.0, 1.05, 1.01, 1.04), "unresolved"),
    ],
)
def test_outcomes(ends, outcome):
    assert outcome_of(*ends, band=0.02) == outcome


def test_the_family_is_one_baseline_and_metric():
    runs, titles = drawn_bench(1, titles=6, products=3, leads={1: 0.98})
    margins = compared(runs, titles, product="p0", baselines=["p1", "p2"])
    for baseline in ("p1", "p2"):
        family = [m for m in margins if m.baseline == baseline]
        assert len(family) == 6
        expected = multipletests([m.p_value for m in family], method="holm")[1]
        assert [m.p_adjusted for m in family] == pytest.approx(expected)
        expected = multipletests([m.p_level for m in family], method="holm")[1]
        assert [m.p_level_adjusted for m in family] == pytest.approx(expected)
    other = compared(
        runs,
        titles,
        product="p0",
        baselines=["p1"],
        params=margin_params(family="benjamini_hochberg"),
    )
    expected = multipletests([m.p_value for m in other], method="fdr_bh")[1]
    assert [m.p_adjusted for m in other] == pytest.approx(expected)


def test_the_shared_margin_is_the_cells_ratio_with_a_mixture():
    runs, titles = drawn_bench(2)
    margins = compared(runs, titles, product="p0", baselines=["p1"])
    for margin in margins:
        a, b = margin.cells
        assert margin.ratio == a.value / b.value
        assert margin.method == "shared" and margin.df is None and margin.mixture_df > 2
        assert math.sqrt(margin.low * margin.high) == pytest.approx(margin.ratio)
        assert margin.low < margin.level_low < margin.ratio < margin.level_high < margin.high
        # Both sides' errors make up the margin's (to the bins' width and the cut tail).
        assert margin.log_se == pytest.approx(math.hypot(a.log_se, b.log_se), rel=0.03)
        # The mixture is near the t of its standard error.
        assert (margin.p_value < 0.05) == (not margin.low <= 1 <= margin.high)


A_ALONE = checked("a", "b", t="memory_gb")
BOTH_WAYS = replace(A_ALONE, pairs=(("a", "b"), ("b", "a")))


def test_waivers_and_typed_in_figures_mark_the_margin():
    runs = made_runs("a", "t", [60.0], typed_in=True) + made_runs("b", "t", [50.0, 51.0])
    (margin,) = compared(
        runs, framed("t"), product="a", baselines=["b"], controls=checked("a", "b", t="memory_gb")
    )
    assert margin.marks == ("typed_in", "single_run", "no_interval", "waived:memory_gb")
    (other,) = compared(runs, framed("t"), product="b", baselines=["a"], controls=BOTH_WAYS)
    assert "waived:memory_gb" not in other.marks


def test_what_does_not_vary_cannot_be_judged_and_says_so():
    runs = made_runs("a", "t", [60.0] * 3) + made_runs("b", "t", [60.0] * 3)
    (margin,) = compared(
        runs, framed("t"), product="a", baselines=["b"], params=margin_params("welch")
    )
    assert margin.ratio == pytest.approx(1.0)
    assert (margin.low, margin.p_value, margin.outcome) == (None, None, "unresolved")
    assert margin.marks == ("zero_variance", "no_interval")


def test_a_side_that_does_not_vary_leaves_the_others_error():
    runs = made_runs("a", "t", [60.0] * 3) + made_runs("b", "t", [50.0, 51.0, 49.5])
    (margin,) = compared(
        runs, framed("t"), product="a", baselines=["b"], params=margin_params("welch")
    )
    x = np.log([50.0, 51.0, 49.5])
    half = stats.t.ppf(0.975, 2) * stats.sem(x)
    assert math.log(margin.high / margin.ratio) == pytest.approx(half)
    assert margin.df == pytest.approx(2) and "zero_variance" in margin.marks


def test_only_titles_both_sides_have_are_compared():
    runs = made_runs("a", "t", [60, 61]) + made_runs("b", "u", [50, 51])
    runs += made_runs("a", "v", [60, 61]) + made_runs("b", "v", [50, 51])
    titles = framed("t", "u", "v")
    assert [m.title for m in compared(runs, titles, product="a", baselines=["b"])] == ["v"]


@pytest.mark.parametrize(
    ("pair", "said"),
    [(("a", "bb"), '"bb" is not'), (("aa", "b"), '"aa" is not'), (("b", "a"), '"b" is not')],
    ids=["baseline", "product", "other way"],
)
def test_no_margin_is_made_of_machines_that_were_not_compared(pair, said):
    runs = made_runs("a", "t", [60, 61]) + made_runs("b", "t", [50, 51])
    product, baseline = pair
    how = {"product": product, "baselines": [baseline], "controls": checked("a", "b")}
    for compare in (compare_products, compare_levels):
        with pytest.raises(UsageError, match=f"no control was compared for .* {said}"):
            compare(cells_of(runs, framed("t")), params=margin_params(), **how)


def test_a_margin_traces_to_every_run():
    runs = made_runs("a", "t", [60, 61]) + made_runs("b", "t", [50, 51])
    (margin,) = compared(runs, framed("t"), product="a", baselines=["b"])
    assert margin.trace.key == "margin/average_fps/t/a-over-b"
    assert margin.trace.run_ids() == ("t/a/0", "t/a/1", "t/b/0", "t/b/1")


def test_every_method_has_a_version():
    runs, titles = drawn_bench(3, sessions=True)
    methods = {
        m.method
        for asked in ("auto", "welch", "shared", "paired")
        for m in compared(runs, titles, product="p0", baselines=["p1"], params=margin_params(asked))
    }
    assert methods == {"welch", "shared", "paired", "paired_shared"}
    assert {f"margin-{method}" for method in methods} <= set(METHODS)


# -- levels in dB ---------------------------------------------------------------------------------


SIDES = {"product": "a", "baselines": ["b"], "controls": checked("a", "b")}


def noise_runs():
    titles = {"hum": Title(name="Hum", measures="noise"), **framed("t")}
    runs = made_runs("a", "hum", [38.0, 38.4, 38.2], metric="value")
    runs += made_runs("b", "hum", [41.0, 41.6, 41.3], metric="value")
    return runs, titles


def test_levels_have_a_difference_and_no_ratio():
    runs, titles = noise_runs()
    params = margin_params("welch")
    cells = make_cells(runs, titles, params=params, metric_names=["value"])
    assert compare_products(cells, params=params, **SIDES) == ()
    (found,) = compare_levels(cells, params=params, **SIDES)
    a, b = [38.0, 38.4, 38.2], [41.0, 41.6, 41.3]
    beside = stats.ttest_ind(a, b, equal_var=False)
    interval = beside.confidence_interval(0.95)
    assert found.value == pytest.approx(-3.1)
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high))
    assert found.p_value == pytest.approx(beside.pvalue)
    assert (found.unit, found.outcome) == ("dB(A)", "ahead")  # quieter is better
    assert found.trace.key == "difference/value/hum/a-over-b"
    (back,) = compare_levels(cells, product="b", baselines=["a"], params=params, controls=BOTH_WAYS)
    assert back.outcome == "behind" and back.value == pytest.approx(3.1)


def test_levels_are_never_level():
    titles = {"hum": Title(name="Hum", measures="noise")}
    runs = made_runs("a", "hum", [38.0, 38.1, 38.2], metric="value")
    runs += made_runs("b", "hum", [38.1, 38.0, 38.15], metric="value")
    params = margin_params("welch")
    cells = make_cells(runs, titles, params=params, metric_names=["value"])
    (without,) = compare_levels(cells, params=params, **SIDES)
    assert without.outcome == "unresolved"


def test_a_single_level_has_a_difference_without_an_interval():
    titles = {"hum": Title(name="Hum", measures="noise")}
    runs = made_runs("a", "hum", [38.0], metric="value")
    runs += made_runs("b", "hum", [40.0], metric="value")
    params = margin_params("welch")
    cells = make_cells(runs, titles, params=params, metric_names=["value"])
    (found,) = compare_levels(cells, params=params, **SIDES)
    assert found.value == pytest.approx(-2.0)
    assert (found.low, found.high, found.outcome) == (None, None, "above")  # the quieter figure


# -- what must not change anything ----------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(1e-3, 1e3), st.booleans())
def test_scaling_all_runs_leaves_margins_alone(seed, scale, sessions):
    runs, titles = drawn_bench(seed, titles=3, products=3, sessions=sessions)
    scaled = [
        made_runs(r.product, r.title, [r.values[METRIC] * scale], sessions=[r.session])[0]
        for r in runs
    ]
    how = {"product": "p0", "baselines": ["p1", "p2"]}
    for one, other in zip(
        compared(runs, titles, **how), compared(scaled, titles, **how), strict=True
    ):
        assert other.ratio == pytest.approx(one.ratio, rel=1e-9)
        assert (other.low, other.high) == pytest.approx((one.low, one.high), rel=1e-7)


def test_the_order_of_runs_changes_nothing():
    runs, titles = drawn_bench(4)
    shuffled = [runs[i] for i in np.random.default_rng(0).permutation(len(runs))]
    how = {"product": "p0", "baselines": ["p1", "p2", "p3"]}
    by_key = {(m.baseline, m.title): m for m in compared(shuffled, titles, **how)}
    for margin in compared(runs, titles, **how):
        other = by_key[margin.baseline, margin.title]
        assert other.ratio == pytest.approx(margin.ratio, rel=1e-12)
        assert other.high == pytest.approx(margin.high, rel=1e-9)
        assert other.outcome == margin.outcome


def test_margins_near_1000_and_from_tiny_figures_are_whole():
    runs = made_runs("a", "t", [1e6, 1.01e6]) + made_runs("b", "t", [1e3, 1.01e3])
    runs += made_runs("a", "u", [1e-3, 1.01e-3]) + made_runs("b", "u", [1e-3, 1.02e-3])
    margins = compared(runs, framed("t", "u"), product="a", baselines=["b"])
    assert margins[0].ratio == pytest.approx(1000.0)
    assert all(0 < m.low < m.ratio < m.high < math.inf for m in margins)


def test_a_single_run_beside_two_has_a_margin_without_an_interval():
    runs = made_runs("a", "t", [60.0]) + made_runs("b", "t", [50.0, 51.0])
    (margin,) = compared(runs, framed("t"), product="a", baselines=["b"])
    assert [len(cell.runs) for cell in margin.cells] == [1, 2]
    assert margin.marks == ("single_run", "no_interval") and margin.low is None


def test_cells_are_those_given():
    runs, titles = drawn_bench(5)
    cells = cells_of(runs, titles)
    (margin, *_) = compared(runs, titles, product="p0", baselines=["p1"])
    assert margin.cells[0] in cells and margin.cells[1] in cells


def odd_bench(seed):
    """Return a bench of empty, single, equal, wild and rounded cells, sessions here and there."""
    rng = np.random.default_rng(seed)
    runs = []
    for t in range(rng.integers(1, 5)):
        for p in range(rng.integers(2, 5)):
            size = int(rng.integers(0, 5))
            sd = rng.choice([0, 1e-9, 0.01, 2.0])
            values = 10 ** rng.uniform(-3, 5) * np.exp(sd * rng.normal(size=size))
            if rng.uniform() < 0.3:
                values = np.round(values, 1) + 0.1
            names = [rng.choice(["x", "y", "z", ""]) for _ in values] if seed % 2 else ()
            runs += made_runs(f"p{p}", f"t{t}", values, sessions=names)
    return runs, framed("t0", "t1", "t2", "t3")


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 100_000), st.sampled_from(["auto", "welch", "shared", "paired"]))
def test_whatever_the_bench_a_margin_is_whole_or_says_why_not(seed, method):
    runs, titles = odd_bench(seed)
    how = {"params": margin_params(method)}
    for product, other in (("p0", "p1"), ("p2", "p0")):
        for margin in compared(runs, titles, product=product, baselines=[other], **how):
            assert math.isfinite(margin.ratio) and margin.ratio > 0
            if margin.low is None:
                assert "no_interval" in margin.marks
                alone = any(cell.log_sd is None for cell in margin.cells)
                side = "above" if margin.ratio > 1 else "below" if margin.ratio < 1 else "open"
                assert margin.outcome == (side if alone else "unresolved")
                assert margin.p_value is None and margin.log_se is None
            else:
                assert margin.low <= margin.ratio <= margin.high
                assert 0 <= margin.p_value <= 1 + 1e-9
                assert margin.low <= margin.level_low <= margin.level_high <= margin.high


@pytest.mark.parametrize(
    ("asked", "runs", "common", "cells", "pairs", "method"),
    [
        ("auto", (3, 3), 2, 40, 40, "paired_shared"),
        ("auto", (3, 3), 2, 40, 5, "paired"),
        ("auto", (3, 3), 1, 40, 40, "shared"),
        ("auto", (1, 1), 0, 6, 0, "shared"),
        ("auto", (3, 3), 0, 5, 0, "welch"),
        ("auto", (3, 1), 0, 5, 0, "none"),
        ("welch", (2, 2), 5, 40, 40, "welch"),
        ("welch", (2, 1), 5, 40, 40, "none"),
        ("shared", (1, 1), 5, 6, 40, "shared"),
        ("shared", (3, 3), 5, 5, 40, "none"),
        ("shared", (3, 3), 5, 0, 40, "none"),
        ("paired", (3, 3), 2, 40, 40, "paired"),
        ("paired", (3, 3), 1, 40, 40, "none"),
    ],
)
def test_the_method_follows_from_the_design(asked, runs, common, cells, pairs, method):
    found = _choose_method(
        asked,
        freedom=(runs[0] - 1, runs[1] - 1),
        common_sessions=common,
        cells=cells,
        pairs=pairs,
    )
    assert found == method


def test_the_method_does_not_depend_on_the_figures():
    methods = set()
    for seed in range(5):
        runs, titles = drawn_bench(seed, leads={1: 1 + seed / 10})
        margins = compared(runs, titles, product="p0", baselines=["p1", "p2"])
        methods.add(tuple(m.method for m in margins))
    assert len(methods) == 1


def sleep_runs():
    names = [f"s{i}" for i in range(10)]
    return made_runs("one", "t", np.exp(SLEEP_1), sessions=names) + made_runs(
        "two", "t", np.exp(SLEEP_2), sessions=names
    )


def test_pairing_turns_the_outcome_of_the_sleep_data():
    # Student (1908): the same figures, paired or not, give opposite outcomes (R and scipy).
    found = {}
    for method in ("welch", "paired"):
        (margin,) = compared(
            sleep_runs(),
            framed("t"),
            product="one",
            baselines=["two"],
            params=margin_params(method),
        )
        found[method] = margin
    assert found["welch"].p_value == pytest.approx(0.0793941402, abs=5e-11)
    assert found["welch"].outcome == "unresolved"
    paired = found["paired"]
    assert paired.p_value == pytest.approx(0.0028328902, abs=5e-11)
    assert paired.outcome == "behind" and paired.df == 9
    assert np.log([paired.low, paired.high]) == pytest.approx(
        [-2.4598857633, -0.7001142367], abs=5e-11
    )
    assert paired.ratio == pytest.approx(found["welch"].ratio, rel=1e-12)


@pytest.mark.parametrize(("last", "marked"), [("z", False), ("", True)])
def test_a_run_of_no_session_is_in_no_common_one(last, marked):
    sessions = ["x", "y", last]  # alike on both sides
    runs = made_runs("a", "t", [61, 62, 70], sessions=sessions)
    runs += made_runs("b", "t", [50, 52, 90], sessions=sessions)
    (margin,) = compared(
        runs, framed("t"), product="a", baselines=["b"], params=margin_params("paired")
    )
    assert ("common_sessions_only" in margin.marks) == marked
    assert [len(c.runs) for c in margin.cells] == [2 if marked else 3] * 2


def test_runs_outside_common_sessions_are_left_out_and_said():
    runs = made_runs("a", "t", [61, 62, 70], sessions=["x", "y", "z"])
    runs += made_runs("b", "t", [50, 52, 90, 53], sessions=["x", "y", "", "y"])
    (margin,) = compared(
        runs, framed("t"), product="a", baselines=["b"], params=margin_params("paired")
    )
    assert "common_sessions_only" in margin.marks
    assert [c.runs for c in margin.cells] == [("t/a/0", "t/a/1"), ("t/b/0", "t/b/1", "t/b/3")]
    w = np.array([1.0, 4 / 3])  # 2 m n / (m + n)
    d = np.array([np.log(61 / 50), np.log(62) - np.log([52, 53]).mean()])
    assert np.log(margin.ratio) == pytest.approx((w * d).sum() / w.sum())
    assert margin.ratio == pytest.approx(margin.cells[0].value / margin.cells[1].value)
    assert margin.trace.run_ids() == margin.cells[0].runs + margin.cells[1].runs


def test_shared_pairs_beside_plain_pairs():
    runs, titles = drawn_bench(7, titles=10, runs=3, sessions=True, session_sd=0.05)
    how = {"product": "p0", "baselines": ["p1", "p2", "p3"]}
    shared = compared(runs, titles, **how)
    plain = compared(runs, titles, **how, params=margin_params("paired"))
    assert {m.method for m in shared} == {"paired_shared"}
    assert [m.ratio for m in shared] == pytest.approx([m.ratio for m in plain])
    width = np.median([np.log(m.high / m.low) for m in shared]) / 2
    # Differences of 1.41 %, three sessions: about 1.96 standard errors once shared, 4.3 alone.
    assert 1.7 < width / (0.01 * np.sqrt(2 / 3)) < 2.8
    assert width < 0.75 * np.median([np.log(m.high / m.low) for m in plain]) / 2
    unpaired = compared(runs, titles, **how, params=margin_params("shared"))
    assert width < 0.4 * np.median([np.log(m.high / m.low) for m in unpaired]) / 2


def test_both_directions_agree():
    for sessions in (False, True):
        runs, titles = drawn_bench(8, sessions=sessions, session_sd=0.02)
        there = compared(runs, titles, product="p0", baselines=["p1"])
        back = compared(runs, titles, product="p1", baselines=["p0"])
        turned = {"ahead": "behind", "behind": "ahead"}
        for one, other in zip(there, back, strict=True):
            assert one.ratio * other.ratio == pytest.approx(1, rel=1e-12)
            assert one.low * other.high == pytest.approx(1, rel=1e-9)
            assert one.p_value == pytest.approx(other.p_value, rel=1e-9)
            assert turned.get(one.outcome, one.outcome) == other.outcome


def test_shared_variance_beside_students_pooled_interval():
    # Cells that vary alike, told apart by nothing: near the pooled t of each title (scipy).
    runs, titles = drawn_bench(9, titles=25, products=6, runs=5)
    margins = compared(runs, titles, product="p0", baselines=["p1"])
    width = np.median([np.log(m.high / m.low) for m in margins]) / 2
    assert width == pytest.approx(stats.norm.ppf(0.975) * 0.01 * np.sqrt(2 / 5), rel=0.12)


def test_sides_run_in_different_sessions_are_marked():
    runs = made_runs("a", "t", [61, 62], sessions=["x", "y"])
    runs += made_runs("b", "t", [50, 52], sessions=["v", "w"])
    runs += made_runs("c", "t", [50, 52])
    margins = compared(runs, framed("t"), product="a", baselines=["b", "c"])
    assert ["sessions_apart" in m.marks for m in margins] == [True, False]


def test_cells_the_fit_does_not_know_are_judged_by_welch():
    runs, titles = drawn_bench(10)
    cells = cells_of(runs, titles)
    found = _pair_cells(cells, "p0", ["p1"], levels=False)
    compared = _compare_pairs(found, margin_params(), None, band=0.02)
    assert {v.method for v in compared} == {"welch"}
    assert all(v.df is not None and v.mixture_df is None for v in compared)


@pytest.mark.parametrize("sessions", [False, True])
def test_means_part_in_the_title_with_a_slow_run_and_nowhere_else(sessions):
    def slowed(runs, *products):
        return [
            replace(run, values={METRIC: 0.92 * run.values[METRIC]})
            if run.run in {f"t2/{p}/3" for p in products}
            else run
            for run in runs
        ]

    clean, titles = drawn_bench(12, titles=8, products=3, runs=5, sessions=sessions)
    one = slowed(clean, "p0")
    for pair, sign in ((("p0", "p1"), 1), (("p1", "p0"), -1)):
        margins = compared(one, titles, product=pair[0], baselines=[pair[1]])
        assert [m.title for m in margins if "means_part" in m.marks] == ["t2"]
        assert [m.title for m in margins if m.robust is not None] == ["t2"]
        rest = compared(
            [run for run in one if run.run != "t2/p0/3"],
            titles,
            product=pair[0],
            baselines=[pair[1]],
        )
        # Near the margin without the slow run, held at 1.345 of five: 0.336 sd or 0.4 % from it.
        robust, ratio, without = margins[2].robust, margins[2].ratio, rest[2].ratio
        assert sign * math.log(without / ratio) > 0.012
        assert 0 < sign * math.log(without / robust) < 0.008
    # A session in which both sides are slow is no matter of pairs; of sides apart it is.
    both = compared(slowed(clean, "p0", "p1"), titles, product="p0", baselines=["p1"])
    assert ["means_part" in m.marks for m in both].count(True) == (0 if sessions else 1)
    times = {name: Title(name=name, measures="duration") for name in titles}
    turned = [replace(run, values={"value": 1 / run.values[METRIC]}) for run in one]
    (less,) = (
        m
        for m in compared(turned, times, product="p0", baselines=["p1"], metric="value")
        if m.robust is not None
    )
    straight = compared(one, titles, product="p0", baselines=["p1"])[2]
    assert less.robust == pytest.approx(straight.robust, rel=1e-9)


def test_margins_made_twice_are_equal_and_show_no_arrays():
    runs, titles = drawn_bench(1)
    once, twice = (compared(runs, titles, product="p0", baselines=["p1"]) for _ in range(2))
    assert once == twice and once[0].error is not None and "Mixture" not in repr(once[0])
