"""Runs grouped, on a log scale, paired by session."""

import math

import numpy as np
import pytest
from made_runs import framed, made_runs
from scipy import stats
from stats.test_intervals import SLEEP_1, SLEEP_2

from kit.margins.replicates import (
    from_log,
    group_runs,
    metric_unit,
    pair_by_session,
    sample_variance,
    to_log,
)
from kit.settings.bench_file import Title


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


def test_pairs_are_students_paired_test():
    # Student (1908): paired, t = -4.0621276834 on 9 degrees of freedom (R and scipy).
    names = [f"s{i}" for i in range(10)]
    pair = pair_by_session(SLEEP_1, names, SLEEP_2[::-1], names[::-1])
    assert pair.sessions == tuple(names)
    t = pair.difference / math.sqrt(pair.log_var / pair.weight)
    assert t == pytest.approx(-4.0621276834, abs=5e-11)
    assert t == pytest.approx(stats.ttest_rel(SLEEP_1, SLEEP_2).statistic, rel=1e-12)


def test_sessions_of_unequal_size_are_weighted():
    import statsmodels.api as sm

    a, sa = [1.0, 1.2, 1.1, 0.9, 1.4], ["x", "x", "x", "y", "z"]
    b, sb = [0.7, 0.8, 0.6, 1.0], ["x", "y", "y", "z"]
    pair = pair_by_session(a, sa, b, sb)
    # Weighted least squares: a session's difference has a variance of 1/m + 1/n runs.
    d = [1.1 - 0.7, 0.9 - 0.7, 1.4 - 1.0]
    w = [1 / (1 / 3 + 1 / 1), 1 / (1 + 1 / 2), 1 / (1 + 1)]
    fit = sm.WLS(d, np.ones(3), weights=w).fit()
    assert pair.difference == pytest.approx(fit.params[0])
    assert math.sqrt(pair.log_var / pair.weight) == pytest.approx(fit.bse[0])


def test_equal_numbers_of_runs_give_the_difference_of_means():
    a, b = [1.0, 2.0, 4.0, 3.0], [0.5, 0.7, 0.2, 0.9]
    names = ["x", "x", "x", "y"]
    pair = pair_by_session(a, names, b, names)
    assert pair.difference == pytest.approx(np.mean(a) - np.mean(b))


def test_what_does_not_pair():
    assert pair_by_session([1.0], ["x"], [1.0], ["y"]) is None
    assert pair_by_session([1.0], [""], [1.0], [""]) is None
    single = pair_by_session([1.0, 9.0], ["x", ""], [0.5], ["x"])
    assert single.sessions == ("x",)
    assert single.log_var is None
    assert single.difference == pytest.approx(0.5)
