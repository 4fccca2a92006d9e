"""Intervals and tests on plain numbers, beside scipy and statsmodels."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from kit.stats.intervals import (
    Judged,
    adjust_p_values,
    match_t,
    mixture_error,
    mixture_half_width,
    pooled_variance,
    sign_test,
    spread_over_titles,
    t_ends,
    t_half_width,
    welch_error,
    welch_interval,
)

# Student (1908), "The probable error of a mean", Biometrika 6, 1-25: extra hours of sleep, as
# shipped in R as `sleep`. Expected values printed by R's t.test and by scipy, which agree.
SLEEP_1 = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_2 = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])

# statsmodels' own test file `stats/tests/test_tost.py`, "clinic": from an R package for
# equivalence tests, whose result it quotes.
CLINIC_A = np.array(
    [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84]
)
CLINIC_B = np.array(
    [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02]
)

# A commercial statistics package's guide, two-sample t procedure, equivalence example, as quoted
# in the same test file: overall p-value 0.0031.
TEST = np.array(
    [103.4, 59.92, 68.17, 94.54, 69.48, 72.17, 74.37, 84.44, 96.74, 94.26, 48.52, 95.68]
)
REFERENCE = np.array(
    [90.11, 77.71, 77.71, 97.51, 58.21, 101.3, 79.84, 96.06, 89.30, 97.22, 61.62, 85.80]
)

# Y. Benjamini and Y. Hochberg (1995), JRSS B 57, 289-300, worked example: 4 rejections by their
# procedure, 3 by Bonferroni's; adjusted values by R's p.adjust.
P_VALUES = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
    0.7590,
    1.0000,
]
BH = [
    0.0015,
    0.003,
    0.0095,
    0.035625,
    0.0603,
    0.0638571429,
    0.0638571429,
    0.0645,
    0.0765,
    0.486,
    0.5811818182,
    0.714875,
    0.7532307692,
    0.8132142857,
    1.0,
]
HOLM = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213, 1, 1, 1, 1, 1, 1]


def one(*figures):
    return (np.array([float(x)]) for x in figures)


def welch(a, b, *, confidence=0.95, band=0.02):
    var_a, n_a, var_b, n_b = one(a.var(ddof=1), a.size, b.var(ddof=1), b.size)
    se, df = welch_error(var_a, n_a, var_b, n_b)
    return Judged.by_t(np.array([a.mean() - b.mean()]), se, df, confidence=confidence, band=band)


def test_welch_gives_students_sleep_figures():
    judged = welch(SLEEP_1, SLEEP_2)
    difference = SLEEP_1.mean() - SLEEP_2.mean()
    assert difference / judged.log_se[0] == pytest.approx(-1.8608134675, abs=5e-11)
    assert judged.df[0] == pytest.approx(17.7764735162, abs=5e-11)
    assert judged.p_value[0] == pytest.approx(0.0793941402, abs=5e-11)
    ends = difference - judged.half[0], difference + judged.half[0]
    assert ends == pytest.approx((-3.3654832307, 0.2054832307), abs=5e-11)


def test_welch_from_summaries_gives_the_handbooks_figures():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3: fuel economy of US and Japanese
    # cars, t = -12.94627 with 136.8750 degrees of freedom.
    se, df = welch_error(*one(6.414700**2, 249, 6.107710**2, 79))
    assert (20.14458 - 30.48101) / se[0] == pytest.approx(-12.94627, abs=5e-6)
    assert df[0] == pytest.approx(136.8750, abs=5e-5)


def test_welch_on_logarithms_gives_the_clinic_figures():
    judged = welch(np.log(CLINIC_A), np.log(CLINIC_B), band=np.log(1.25))
    x = np.log(CLINIC_A).mean() - np.log(CLINIC_B).mean()
    assert np.exp(x) == pytest.approx(1.0440656095, abs=5e-11)
    assert judged.df[0] == pytest.approx(27.6117703765, abs=5e-11)
    assert judged.p_value[0] == pytest.approx(0.5622170890, abs=5e-11)
    ends = np.exp([x - judged.half[0], x + judged.half[0]])
    assert ends == pytest.approx([0.8980332556, 1.2138447993], abs=5e-11)
    ends = np.exp([x - judged.level_half[0], x + judged.level_half[0]])
    assert ends == pytest.approx([0.9212856001, 1.1832085478], abs=5e-11)
    # Two one-sided tests between 0.8 and 1.25: 0.01047085593138891, quoted from R.
    assert judged.p_level[0] == pytest.approx(0.01047085593138891, rel=1e-12)
    beside = ttost_ind(CLINIC_A, CLINIC_B, 0.8, 1.25, usevar="unequal", transform=np.log)
    assert judged.p_level[0] == pytest.approx(beside[0], rel=1e-12)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95])
def test_welch_interval_of_a_ratio_beside_scipy(confidence):
    """scipy.stats.ttest_ind of the logarithms, unequal variances, and its interval."""
    found = welch_interval(CLINIC_A, CLINIC_B, confidence=confidence)
    test = stats.ttest_ind(np.log(CLINIC_A), np.log(CLINIC_B), equal_var=False)
    interval = test.confidence_interval(confidence)
    assert (found.low, found.high) == pytest.approx(
        np.exp([interval.low, interval.high]), rel=1e-12
    )
    assert found.ratio == pytest.approx(stats.gmean(CLINIC_A) / stats.gmean(CLINIC_B), rel=1e-12)
    assert found.df == pytest.approx(test.df, rel=1e-12)


def test_welch_interval_of_a_single_run_is_open():
    found = welch_interval(np.array([3.0]), CLINIC_B, confidence=0.95)
    assert np.isnan([found.low, found.high]).all() and found.ratio > 0


@pytest.mark.parametrize(
    ("side", "confidence"), [([], 0.9), ([0.0], 0.9), ([np.nan], 0.9), ([1.0, 2.0], 95)]
)
def test_welch_interval_refuses(side, confidence):
    with pytest.raises(ValueError, match="must"):
        welch_interval(np.array(side), CLINIC_B, confidence=confidence)


def test_paired_equivalence_gives_the_printed_figures():
    d = np.log(TEST) - np.log(REFERENCE)
    se, df = one(d.std(ddof=1) / np.sqrt(d.size), d.size - 1)
    judged = Judged.by_t(np.array([d.mean()]), se, df, confidence=0.9, band=np.log(1.25))
    assert judged.p_level[0] == pytest.approx(0.0030593385, abs=5e-11)
    assert judged.p_level[0] == pytest.approx(
        ttost_paired(TEST, REFERENCE, 0.8, 1.25, transform=np.log)[0], rel=1e-9
    )
    ends = np.exp([d.mean() - judged.half[0], d.mean() + judged.half[0]])
    assert ends == pytest.approx([0.8633735195, 1.0260395902], abs=5e-11)
    assert judged.half == pytest.approx(judged.level_half)


def test_level_p_value_and_90_percent_interval_agree():
    # Equivalence at 5 % holds exactly when the 90 % interval lies inside the band. Common
    # knowledge of two one-sided tests (Schuirmann 1987), from memory.
    rng = np.random.default_rng(3)
    x, se, df = rng.normal(0, 0.02, 500), rng.uniform(0.001, 0.02, 500), rng.uniform(1.5, 30, 500)
    judged = Judged.by_t(x, se, df, confidence=0.95, band=0.02)
    inside = np.abs(x) + judged.level_half <= 0.02
    assert np.array_equal(judged.p_level <= 0.05, inside)
    assert 50 < inside.sum() < 450


def test_welch_of_sides_that_do_not_vary():
    nothing = welch_error(*one(0, 3, 0, 3))
    assert np.isnan(nothing).all()
    judged = Judged.by_t(np.array([0.1]), *nothing, confidence=0.95, band=0.02)
    assert np.isnan([judged.half, judged.p_value, judged.p_level]).all()
    se, df = welch_error(*one(0, 3, 4e-4, 4))
    assert (se[0], df[0]) == pytest.approx((0.01, 3))
    assert np.isnan(welch_error(*one(np.nan, 1, 4e-4, 4))).all()


def test_t_half_width_beside_scipy():
    df = np.array([1.0, 2.5, 7.0, 300.0])
    half = t_half_width(np.full(4, 0.3), df, confidence=0.9)
    assert half == pytest.approx(0.3 * stats.t.ppf(0.95, df), rel=1e-12)
    assert np.isnan(
        t_half_width(np.array([0.0, np.nan]), np.array([3.0, 3.0]), confidence=0.9)
    ).all()


def t_as_mixture(df, scale):
    """Return a t as normals whose variance is scale^2 df / chi-square(df), on a fine grid."""
    q = (np.arange(20_000) + 0.5) / 20_000
    sd = np.sort(scale * np.sqrt(df / stats.chi2.ppf(q, df)))
    return sd[None], np.full((1, q.size), 1 / q.size)


@pytest.mark.parametrize("df", [2, 5, 40])
def test_a_mixture_that_is_a_t_is_judged_as_a_t(df):
    sd, weight = t_as_mixture(df, 0.01)
    x = np.array([0.017])
    mixed = Judged.by_mixture(x, sd, weight, confidence=0.95, band=0.03)
    plain = Judged.by_t(x, np.array([0.01]), np.array([float(df)]), confidence=0.95, band=0.03)
    # The grid's 20,000 steps cut the tail off; seen at df 2.
    for name in ("half", "level_half", "p_value", "p_level"):
        assert getattr(mixed, name) == pytest.approx(getattr(plain, name), rel=3e-4)


def test_mixture_half_width_by_root_finding():
    from scipy.optimize import brentq

    rng = np.random.default_rng(5)
    sd = np.sort(np.exp(rng.normal(-4, 1.5, (20, 30))), axis=1)
    weight = rng.dirichlet(np.ones(30), 20)
    for confidence in (0.5, 0.9, 0.999):
        half = mixture_half_width(sd, weight, confidence=confidence)
        for i in range(20):

            def tail(h, i=i, confidence=confidence):
                return weight[i] @ stats.norm.sf(h / sd[i]) - (1 - confidence) / 2

            assert half[i] == pytest.approx(
                brentq(tail, 0, 100 * sd[i].max(), xtol=1e-14), rel=1e-9
            )


def test_mixture_error_is_mean_variance_and_its_spread():
    sd = np.array([[0.01, 0.02]])
    se, df = mixture_error(sd, np.array([[0.6, 0.4]]))
    mean = 0.6 * 1e-4 + 0.4 * 4e-4
    spread = 0.6 * (1e-4 - mean) ** 2 + 0.4 * (4e-4 - mean) ** 2
    assert se[0] == pytest.approx(np.sqrt(mean))
    assert df[0] == pytest.approx(2 * mean**2 / spread)
    # A variance whose mean does not exist stays finite: 0.1 % of the tail is cut back.
    sd, weight = t_as_mixture(1, 0.01)
    se, _ = mixture_error(sd, weight)
    above = 0.01**2 / stats.chi2.ppf(0.001, 1)  # scipy: the 99.9 % point of 1 / chi-square(1)
    assert 0.01 < se[0] < np.sqrt(above)


def test_adjusted_p_values_of_the_worked_example():
    assert adjust_p_values(P_VALUES, family="benjamini_hochberg") == pytest.approx(BH, abs=5e-11)
    assert adjust_p_values(P_VALUES, family="holm") == pytest.approx(HOLM, abs=5e-11)
    assert sum(p <= 0.05 for p in adjust_p_values(P_VALUES, family="benjamini_hochberg")) == 4
    assert sum(p <= 0.05 for p in adjust_p_values(P_VALUES, family="holm")) == 3
    assert adjust_p_values(P_VALUES, family="none") == P_VALUES


@pytest.mark.parametrize(("family", "name"), [("holm", "holm"), ("benjamini_hochberg", "fdr_bh")])
def test_adjusted_p_values_beside_statsmodels(family, name):
    rng = np.random.default_rng(11)
    for size in (1, 2, 7, 30):
        p = (rng.uniform(size=size) ** 3).round(3).tolist()
        assert adjust_p_values(p, family=family) == pytest.approx(
            multipletests(p, method=name)[1], abs=1e-14
        )


def test_unknown_p_values_stay_unknown_and_do_not_count():
    adjusted = adjust_p_values([0.01, None, 0.04], family="holm")
    assert adjusted == [pytest.approx(0.02), None, pytest.approx(0.04)]
    assert adjust_p_values([None], family="holm") == [None]
    assert adjust_p_values([], family="holm") == []


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


@pytest.mark.parametrize("care", [1.0, 0.4, 0.05])
def test_care_is_a_factor_on_the_share_an_interval_leaves_out(care):
    d, s = 0.02, 0.011
    judged = Judged.by_mixture(
        np.array([d]),
        np.array([[s * 0.999999, s]]),
        np.array([[0.5, 0.5]]),
        confidence=0.95,
        band=0.03,
        care=care,
    )
    error = stats.norm(scale=s)
    assert judged.half[0] == pytest.approx(error.isf(0.05 * care / 2), rel=1e-5)
    assert judged.level_half[0] == pytest.approx(error.isf(0.05 * care), rel=1e-5)
    assert judged.p_value[0] == pytest.approx(min(1.0, 2 * error.sf(d) / care), rel=1e-5)
    # Two one-sided tests: the larger of the two p-values, of the near end of the band.
    assert judged.p_level[0] == pytest.approx(min(1.0, error.sf(0.03 - d) / care), rel=1e-5)


@pytest.mark.parametrize(
    ("above", "below"), [(0, 0), (0, 1), (1, 0), (18, 0), (5, 5), (3, 9), (9, 3), (1, 7), (6, 5)]
)
def test_sign_test_beside_scipy(above, below):
    """scipy.stats.binomtest at probability 1/2; of nothing there is no test: p is 1."""
    n = above + below
    expected = stats.binomtest(above, n, 0.5).pvalue if n else 1.0
    assert sign_test(above, below) == pytest.approx(expected, rel=1e-12)


def test_pooled_variance_is_that_of_students_test():
    """scipy.stats.ttest_ind of equal variances: its t, and so its pooled variance, and its df."""
    a, b = SLEEP_1, SLEEP_2[:4]
    variance, df = pooled_variance([a.tolist(), b.tolist(), [3.0]])
    test = stats.ttest_ind(a, b, equal_var=True)
    se = math.sqrt(variance * (1 / a.size + 1 / b.size))
    assert (a.mean() - b.mean()) / se == pytest.approx(test.statistic, rel=1e-12)
    assert df == test.df
    assert pooled_variance([[1.0, 3.0]]) == (2.0, 1)  # by hand
    with pytest.raises(ValueError, match="two values or more"):
        pooled_variance([[1.0], [2.0]])


def test_one_variance_of_both_sides_gives_students_test():
    """scipy.stats.ttest_ind of equal variances, from both sides' pooled variance."""
    a, b = SLEEP_1, SLEEP_2[:4]
    variance, df = pooled_variance([a.tolist(), b.tolist()])
    both = np.full(2, variance)
    dfs = (np.full(2, float(df)),) * 2
    ns = np.full(2, float(a.size)), np.full(2, float(b.size))
    se, found = welch_error(both, ns[0], both, ns[1], dfs=dfs, common=np.array([True, False]))
    test = stats.ttest_ind(a, b, equal_var=True)
    assert (a.mean() - b.mean()) / se[0] == pytest.approx(test.statistic, rel=1e-12)
    assert found[0] == test.df
    # Two estimates of it on 12 each: by hand, (1/10 + 1/4)^2 / ((1/100 + 1/16) / 12).
    assert found[1] == pytest.approx(12 * 0.35**2 / 0.0725, rel=1e-12)


def test_ends_are_unknown_where_error_or_df_is_and_where_they_say_nothing():
    assert t_ends(0.0, 0.1, None, confidence=0.95) == (None, None)
    assert t_ends(0.0, None, 3.0, confidence=0.95) == (None, None)
    assert t_ends(0.0, 0.0, 3.0, confidence=0.95) == (None, None)
    # The t of 1 degree of freedom is Cauchy's: its quartiles lie at -1 and 1 (by hand).
    low, high = t_ends(0.0, 299.9, 1.0, confidence=0.5)
    assert (math.log(low), math.log(high)) == pytest.approx((-299.9, 299.9))
    assert t_ends(0.0, 300.1, 1.0, confidence=0.5) == (None, None)
    half = t_half_width(np.array([299.9, 300.1]), np.ones(2), confidence=0.5)
    assert half == pytest.approx([299.9, np.nan], nan_ok=True)
