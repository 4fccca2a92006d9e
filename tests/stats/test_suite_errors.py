"""Errors of sums, false signs and products' days: against scipy, and against second versions."""

import numpy as np
import pytest
from by_hand_shared import false_signs, product_day, suite_half_width, t_mixture
from scipy import stats

from kit.stats import suite_errors
from kit.stats.crossed_variance import Mixture
from kit.stats.suite_errors import (
    DayPosterior,
    ErrorSum,
    _within,
    false_sign_rates,
    suite_care,
)


def errors_of(sds, dfs, *, step=0.05):
    """Return t errors; a fine lattice is for normal ones, a coarse one reaches further."""
    return [
        Mixture.of_t(np.array([s]), np.array([float(f)]), step=step)
        for s, f in zip(sds, dfs, strict=True)
    ]


@pytest.mark.parametrize(
    ("d", "sds"),
    [
        ([0.02, 0.01, 0.03, -0.005], [0.01] * 4),
        ([0.3, 0.31, 0.29, 0.02], [0.15] * 4),
        ([0.004, -0.003, 0.002, 0.02], [0.005, 0.004, 0.006, 0.008]),
        ([0.15, 0.02], [0.1, 0.1]),
        ([1.2, 0.3, 0.9], [0.8] * 3),
        ([0.0, 0.02, -0.02], [0.01] * 3),  # a difference of none has no true sign
    ],
)
def test_false_signs_are_those_of_a_second_version_on_dense_grids(d, sds):
    """The prior's scales move these by .02 to .6; the kit stands on few components of an error."""
    here = false_sign_rates(np.array(d), errors_of(sds, [1e6] * len(sds)))
    errors = [(np.array([0.999, 1.001]) * s**2, np.array([0.5, 0.5])) for s in sds]
    assert here == pytest.approx(false_signs(np.array(d), errors), abs=0.0105)


@pytest.mark.parametrize("alpha", [0.5, 0.1, 0.05, 0.003])
def test_a_sum_of_normal_errors_is_normal(alpha):
    w, sds = np.array([0.5, 0.3, 0.2]), np.array([0.01, 0.02, 0.04])
    total = ErrorSum.of(errors_of(sds, [1e6] * 3), w)
    expected = stats.norm.ppf(1 - alpha / 2) * np.sqrt((w**2 * sds**2).sum())
    assert total.half_width(alpha) == pytest.approx(expected, rel=2e-3)
    assert total.variances == pytest.approx(w**2 * sds**2, rel=5e-3)
    # A sum of some of them is the same whether made alone or beside others.
    two, all_three = ErrorSum.each(errors_of(sds, [1e6] * 3), np.array([[0.6, 0.0, 0.4], w]))
    alone = ErrorSum.of(errors_of(sds[[0, 2]], [1e6] * 2), np.array([0.6, 0.4]))
    assert two.half_width(alpha) == pytest.approx(alone.half_width(alpha), rel=1e-9)
    assert two.variances == pytest.approx(alone.variances, rel=1e-12)
    assert all_three.half_width(alpha) == total.half_width(alpha)
    more = total.with_normal(np.array([0.0, 3e-4]), np.array([0.0, 1.0]))
    expected = stats.norm.ppf(1 - alpha / 2) * np.sqrt((w**2 * sds**2).sum() + 3e-4)
    assert more.half_width(alpha) == pytest.approx(expected, rel=2e-3)


def test_a_sum_of_t_errors_is_that_of_a_second_version():
    w, sds, dfs = [0.5, 0.3, 0.2], [0.01, 0.02, 0.04], [2, 4, 3]
    here = ErrorSum.of(errors_of(sds, dfs, step=0.25), np.array(w)).half_width(0.05)
    there = suite_half_width([t_mixture(s**2, f) for s, f in zip(sds, dfs, strict=True)], w, 0.05)
    assert here == pytest.approx(there, rel=3e-3)


def test_care_of_a_suite_is_that_of_the_title_that_carries_it():
    # One title alone: its own. Of n like parts: the root of n of the geometric mean, by hand.
    assert suite_care(np.array([3.0]), np.array([0.2])) == pytest.approx(0.2)
    assert suite_care(np.array([1.0, 1.0]), np.array([0.2, 0.8])) == pytest.approx(
        (0.2 * 0.8) ** 0.25
    )
    assert suite_care(np.array([1.0, 1e-9]), np.array([0.3, 0.9])) == pytest.approx(0.3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_product_s_day_is_that_of_a_second_version(seed):
    rng = np.random.default_rng(seed)
    cells = 0.01 * rng.standard_normal((5, 3, 4)) + 0.006 * rng.standard_normal((1, 3, 4))
    w = np.array([0.3, 0.2, 0.2, 0.2, 0.1])
    k, weight, care = product_day(cells, w)
    day = DayPosterior.fit(cells, w)
    assert (day.sd, day.care) == pytest.approx((np.sqrt(k @ weight), care), rel=1e-4)
    assert day.df == 6 and day.sessions == 4


@pytest.mark.parametrize(
    "shape", [(5, 1, 4), (5, 3, 1), (1, 3, 4)], ids=["product", "session", "title"]
)
def test_a_day_cannot_be_told_from_one(shape):
    cells = np.random.default_rng(1).standard_normal(shape)
    assert DayPosterior.fit(cells, np.full(shape[0], 1 / shape[0])) is None


def test_two_products_two_sessions_and_two_titles_tell_of_a_day():
    # With one degree of freedom the square is (a1 - a2 - b1 + b2)^2 / 4, by hand.
    cells = np.array([[[0.01, 0.03], [0.02, 0.0]], [[0.0, 0.05], [0.01, 0.02]]])
    day = DayPosterior.fit(cells, np.array([0.5, 0.5]))
    each = (cells[:, 0, 0] - cells[:, 0, 1] - cells[:, 1, 0] + cells[:, 1, 1]) / 2
    assert (day.df, day.sessions) == (1, 2)
    assert day.noise == pytest.approx(((each - each.mean()) ** 2).sum() / 4 / 0.5)


def test_more_sessions_and_more_runs_leave_the_errors_by_hand():
    # Days of variance 4 and runs of 8 over 2 sessions; two more of either.
    day = DayPosterior(np.array([0.0, 8.0]), np.array([0.5, 0.5]), 1.0, 3.0, 8.0, 2)
    now, sessions, runs = (np.sqrt(2 * v) for v in (4 / 2 + 8 / 2, 4 / 4 + 8 / 4, 4 / 2 + 8 / 4))
    assert day.suite_errors(2) == pytest.approx((now, sessions, runs))


@pytest.mark.parametrize(("df", "step"), [(3.0, 0.25), (12.0, 0.25), (1e6, 0.05)])
def test_a_t_error_is_given_back_as_that_t(df, step):
    total = ErrorSum.of(errors_of([0.02], [df], step=step), np.array([1.0]))
    for alpha in (0.05, 0.01):  # by scipy
        expected = 0.02 * stats.t.ppf(1 - alpha / 2, df)
        assert total.half_width(alpha) == pytest.approx(expected, rel=2e-3)
        inside, slope = _within(np.array([expected]), total.s[None], total.phi[None])
        assert inside == pytest.approx(1 - alpha, abs=2e-4)
        assert slope == pytest.approx(2 * stats.t.pdf(expected / 0.02, df) / 0.02, rel=0.01)
    scale, found = total.as_t()
    assert stats.t.interval(0.95, found, scale=scale)[1] == pytest.approx(
        0.02 * stats.t.ppf(0.975, df), rel=2e-3
    )
    if df < 100:
        assert found[0] == pytest.approx(df, rel=0.05)


@pytest.mark.parametrize("alpha", [0.05, 0.3])
def test_the_error_that_widens_a_normal_one_to_a_size_makes_up_the_rest(alpha):
    # Normal variances add up: scipy.
    total = ErrorSum.of(errors_of([0.01], [1e6]), np.array([1.0]))
    size = 0.03
    expected = np.sqrt((size / stats.norm.ppf(1 - alpha / 2)) ** 2 - 0.01**2)
    assert total.break_even_sd(size, alpha) == pytest.approx(expected, rel=3e-3)
    assert total.break_even_sd(0.0099 * stats.norm.ppf(1 - alpha / 2), alpha) is None


@pytest.mark.parametrize("alpha", [0.3, 0.05, 0.001])
def test_an_interval_is_found_in_a_few_of_newtons_steps(alpha, monkeypatch):
    # Quadratic convergence; halving alone takes thirty steps to nine digits.
    total = ErrorSum.of(errors_of([0.01, 0.02], [4.0, 9.0], step=0.25), np.array([0.5, 0.5]))
    steps = []
    monkeypatch.setattr(
        suite_errors, "_within", lambda *given: steps.append(given) or _within(*given)
    )
    # Two at once: each as if alone.
    halves = ErrorSum.half_widths([total, total], np.array([alpha, alpha / 3]))
    assert len(steps) <= 10
    for half, left in zip(halves, (alpha, alpha / 3), strict=True):
        inside, _ = _within(np.array([half]), total.s[None], total.phi[None])
        assert inside[0] == pytest.approx(1 - left, abs=1e-9)
        assert half == pytest.approx(total.half_width(left), rel=1e-12)
