"""Which method a margin is judged by, and what pairing does."""

import numpy as np
import pytest
from made_runs import cells_of, compared, drawn_bench, framed, made_runs, margin_params
from scipy import stats
from stats.test_intervals import SLEEP_1, SLEEP_2

from kit.margins.verdicts import choose_method, judge_pairs, pair_cells


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
        ("shared", (1, 1), 5, 1, 40, "shared"),
        ("shared", (3, 3), 5, 0, 40, "none"),
        ("paired", (3, 3), 2, 40, 40, "paired"),
        ("paired", (3, 3), 1, 40, 40, "none"),
    ],
)
def test_the_method_follows_from_the_design(asked, runs, common, cells, pairs, method):
    found = choose_method(asked, runs=runs, common_sessions=common, cells=cells, pairs=pairs)
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


def test_pairing_turns_the_sleep_verdict():
    # Student (1908): the same figures, paired or not, give opposite verdicts (R and scipy).
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
    # Differences of 1.41 %, three sessions: 1.96 to 2.6 standard errors once shared, 4.3 alone.
    assert 1.9 < width / (0.01 * np.sqrt(2 / 3)) < 2.8
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
    found = pair_cells(cells, "p0", ["p1"], None, levels=False)
    verdicts = judge_pairs(found, margin_params(), None, band=0.02)
    assert {v.method for v in verdicts} == {"welch"}
    assert all(v.df is not None and v.mixture_df is None for v in verdicts)
