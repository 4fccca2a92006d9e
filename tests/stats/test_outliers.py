"""Far values and drifts over an order, against handbook values and scipy."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from kit.stats.outliers import _grubbs_critical, grubbs_test, modified_z, order_trend

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1: uranium isotopes by mass
# spectrometry (Tietjen and Moore 1972). G = 2.4687, one-sided 5 % point 2.032.
URANIUM = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])


def test_grubbs_matches_the_handbook():
    found = grubbs_test(URANIUM, alpha=0.05)
    assert found.index == 7
    assert found.statistic == pytest.approx(2.46876461, abs=5e-9)
    assert round(found.statistic, 4) in (2.4687, 2.4688)  # the handbook cuts the digit off
    assert _grubbs_critical(8, alpha=0.05, sides=1) == pytest.approx(2.032, abs=5e-4)
    assert found.critical == pytest.approx(2.1266451, abs=5e-8)
    assert found.outlier


# Grubbs' critical values at 5 %, from the t distribution (scipy); tables print the same digits.
# At n = 7, two-sided, a widely copied table prints 2.202 for 2.020.
@pytest.mark.parametrize(
    ("n", "one", "two"),
    [
        (3, 1.153, 1.154), (4, 1.462, 1.481), (5, 1.671, 1.715), (6, 1.822, 1.887),
        (7, 1.938, 2.020), (8, 2.032, 2.127), (9, 2.110, 2.215), (10, 2.176, 2.290),
        (15, 2.409, 2.548), (20, 2.557, 2.708),
    ],
)  # fmt: skip
def test_grubbs_critical_values(n, one, two):
    # At three values 1.1543 prints as 1.154, and the table's 1.153 for one side is 1.1531.
    assert _grubbs_critical(n, alpha=0.05, sides=1) == pytest.approx(one, abs=6e-4)
    assert _grubbs_critical(n, alpha=0.05, sides=2) == pytest.approx(two, abs=6e-4)


def test_grubbs_is_wrong_as_often_as_it_says():
    rng = np.random.default_rng(9)
    runs = 20_000
    said = sum(grubbs_test(rng.standard_normal(5), alpha=0.01).outlier for _ in range(runs))
    assert said / runs == pytest.approx(0.01, abs=4 * math.sqrt(0.01 * 0.99 / runs))


def test_grubbs_of_three_never_exceeds_its_bound():
    assert grubbs_test(np.array([1.0, 1.0, 1e9]), alpha=0.05).statistic < 1.1548
    assert not grubbs_test(np.array([100.0, 101.0, 150.0]), alpha=0.01).outlier


@pytest.mark.parametrize("values", [[1.0, 2.0], [3.0] * 6], ids=["two", "alike"])
def test_grubbs_that_cannot_be_judged(values):
    assert grubbs_test(np.array(values), alpha=0.05) is None


def test_grubbs_critical_refuses_two_values():
    with pytest.raises(ValueError, match="three values"):
        _grubbs_critical(2, alpha=0.05)


# B. Iglewicz and D. C. Hoaglin (1993), "How to Detect and Handle Outliers", ASQC vol. 16: the
# modified z of ten values, two of which mask each other in ordinary z.
MASKED = np.array([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3])


def test_modified_z_matches_iglewicz_and_hoaglin():
    expected = [-1.57383333, 0.6745, -0.22483333, 0.22483333, -0.6745,
                -1.57383333, -0.6745, 0.6745, 25.85583333, 26.3055]  # fmt: skip
    assert modified_z(MASKED) == pytest.approx(expected, abs=5e-8)
    assert modified_z(URANIUM)[[7, 0]] == pytest.approx([29.96271357, -1.39645226], abs=5e-8)


def test_two_far_values_hide_each_other_from_grubbs():
    assert not grubbs_test(MASKED, alpha=0.05).outlier
    assert np.count_nonzero(np.abs(modified_z(MASKED)) > 3.5) == 2


def test_modified_z_is_undefined_where_most_agree():
    assert modified_z(np.array([60.0, 60.0, 60.0, 60.0, 71.0])) is None


# R. O. Gilbert (1987), "Statistical Methods for Environmental Pollution Monitoring", table A18:
# upper tails of Mann-Kendall's S; here two-sided, by scipy's exact method and by enumeration.
@pytest.mark.parametrize(("n", "score", "tail"), [
    (4, 2, 0.375), (4, 4, 0.16667), (4, 6, 0.04167),
    (5, 4, 0.24167), (5, 6, 0.11667), (5, 8, 0.04167), (5, 10, 0.00833),
    (6, 9, 0.06806), (6, 11, 0.02778), (6, 13, 0.00833),
    (8, 16, 0.03051), (8, 20, 0.00707), (10, 21, 0.03628), (10, 27, 0.00833),
])  # fmt: skip
def test_exact_tails_match_gilbert(n, score, tail):
    assert order_trend(_ordered(n, score))[1] / 2 == pytest.approx(tail, abs=5e-6)


def _ordered(n: int, score: int) -> np.ndarray:
    """Return values 1 to n in an order whose S is `score`, by swapping neighbours."""
    order = list(range(n))
    swaps = (n * (n - 1) // 2 - score) // 2
    for _ in range(swaps):
        place = next(i for i in range(n - 1) if order[i] < order[i + 1])
        order[place], order[place + 1] = order[place + 1], order[place]
    return np.array(order, dtype=float)


def test_small_worked_example():  # Gilbert 1987: 10 15 14 20 gives S = 4, one-sided p 1/6
    assert order_trend(np.array([10.0, 15.0, 14.0, 20.0]))[1] == pytest.approx(1 / 3)


def test_four_runs_can_never_show_a_drift():
    best = min(order_trend(np.array(order, float))[1] for order in itertools.permutations(range(4)))
    assert best == pytest.approx(1 / 12)


@pytest.mark.parametrize("seed", range(6))
def test_order_trend_matches_scipy(seed):
    values = np.random.default_rng(seed).standard_normal(12)
    expected = stats.kendalltau(range(12), values, method="exact").pvalue
    assert order_trend(values)[1] == pytest.approx(expected, rel=1e-12)


# Worked example on a college statistics course page, one tie: Z = 2.9058, p = 0.0036627.
def test_order_trend_with_a_tie():
    values = np.array(
        [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    )
    assert order_trend(values) == pytest.approx((0.5666666667, 0.0036627238), rel=1e-6)


def test_values_that_all_agree_have_no_drift():
    assert order_trend(np.full(6, 60.0)) == (0.0, 1.0)
