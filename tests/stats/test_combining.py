"""Errors of several margins put together."""

import math

import numpy as np
import pytest
from scipy import stats

from kit.stats.combining import match_t, spread_over_titles, suite_weights, t_ends


def test_two_t_errors_are_welchs():
    # Welch and Satterthwaite on Student's sleep data (R): df = 17.7764735162.
    a = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    b = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    parts = [np.var(x, ddof=1) / 10 for x in (a, b)]
    scale, df = match_t(parts, [9, 9], [False, False])
    assert df == pytest.approx(17.7764735162, abs=5e-11)
    assert scale == pytest.approx(math.sqrt(sum(parts)))


def test_a_sum_of_mixtures_has_their_variance_and_fourth_moment():
    # Ten errors, each a normal of standard deviation 1 or 2 with even odds.
    mean, spread = 2.5, 2.25  # of the variance
    scale, df = match_t([mean] * 10, [2 * mean**2 / spread] * 10, [True] * 10)
    variance = 10 * mean
    fourth = 3 * variance**2 + 10 * 3 * spread  # cumulants add
    t = stats.t(df, scale=scale)
    assert t.moment(2) == pytest.approx(variance)
    assert t.moment(4) == pytest.approx(fourth)


def test_errors_that_are_known_exactly_give_a_normal():
    scale, df = match_t([1.0, 3.0], [math.inf, math.inf], [False, True])
    assert (scale, df) == (2.0, math.inf)
    low, high = t_ends(0.0, scale, df, confidence=0.95)
    assert math.log(high) == pytest.approx(2 * stats.norm.ppf(0.975))
    assert math.log(low) == pytest.approx(-math.log(high))
    assert match_t([0.0], [3.0], [False]) == (None, None)


def test_equal_weights_over_titles_give_students_t():
    x = np.log([1.05, 1.12, 0.98, 1.2, 1.01])
    se, df = spread_over_titles(x, np.full(5, 0.2))
    assert se == pytest.approx(stats.sem(x)) and df == pytest.approx(4)
    low, high = t_ends(x.mean(), se, df, confidence=0.9)
    assert np.log([low, high]) == pytest.approx(stats.t.interval(0.9, 4, x.mean(), stats.sem(x)))


def test_unequal_weights_over_titles_are_unbiased():
    rng = np.random.default_rng(1)
    w = np.array([0.5, 0.2, 0.2, 0.1])
    x = rng.normal(0, 0.1, (40_000, 4))
    variances = [spread_over_titles(row, w)[0] ** 2 for row in x]
    # The mean of 40,000 estimates, beside the true variance of the weighted mean.
    assert np.mean(variances) == pytest.approx(0.01 * (w**2).sum(), rel=0.03)
    assert spread_over_titles(x[0], w)[1] == pytest.approx(1 / 0.34 - 1)


def test_one_title_or_equal_titles_have_no_spread():
    assert spread_over_titles(np.array([0.1]), np.array([1.0])) == (None, None)
    assert spread_over_titles(np.array([0.1, 0.1]), np.array([0.5, 0.5])) == (None, None)
    assert t_ends(0.0, None, None, confidence=0.95) == (None, None)


def test_weights_sum_to_one_and_unnamed_titles_weigh_one():
    assert suite_weights(["a", "b", "c"], {"b": 2.0}) == pytest.approx([0.25, 0.5, 0.25])


@pytest.mark.parametrize("weight", [0.0, -1.0, math.nan, math.inf])
def test_weights_must_be_above_zero(weight):
    with pytest.raises(ValueError, match="weights must be above 0"):
        suite_weights(["a", "b"], {"a": weight})
