"""Two-level sharing of variances: its limits, and a slow plain version beside it."""

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from scipy.special import digamma, polygamma

from kit.stats.intervals import mixture_half_width
from kit.stats.variance_fit import (
    CAUTION,
    FLAT,
    fit_components,
    fit_group_variances,
    mix_cells,
    mix_pairs,
)


def keys_of(titles, products):
    return [(f"t{t}", f"p{p}") for t in range(titles) for p in range(products)]


def half_of_pair(fit, a, n_a, b, n_b, confidence=0.95):
    places = np.array([fit.keys[a]]), np.array([float(n_a)]), np.array([fit.keys[b]])
    sd, weight = mix_pairs(fit, *places, np.array([float(n_b)]))
    return float(mixture_half_width(sd, weight, confidence=confidence)[0])


# -- limits ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [2, 3, 5, 30])
def test_a_lone_cell_gets_students_t(n):
    fit = fit_group_variances([("t", "a")], np.array([1e-4]), np.array([n - 1.0]))
    sd, weight = mix_cells(fit, np.array([0]), np.array([float(n)]))
    for confidence in (0.9, 0.95, 0.99):
        expected = stats.t.ppf((1 + confidence) / 2, n - 1) * 0.01 / np.sqrt(n)
        half = mixture_half_width(sd, weight, confidence=confidence)[0]
        # The nodes reach a variance 10^4 times the one seen; 0.5 % of the width is their step.
        assert half == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize(
    ("var_a", "n_a", "var_b", "n_b"),
    [(1e-4, 3, 4e-4, 3), (1e-4, 5, 9e-4, 3), (4e-5, 4, 1e-4, 8)],
)
def test_cells_apart_get_the_behrens_fisher_interval(var_a, n_a, var_b, n_b):
    # The difference of two scaled t's (Behrens 1929, Fisher 1935), by numerical convolution.
    keys = [("t", "a"), ("t", "b"), ("u", "a"), ("u", "b")]
    var, df = np.array([var_a, var_b, 1e-4, 2e-4]), np.array([n_a - 1.0, n_b - 1.0, 2, 2])
    fit = fit_group_variances(keys, var, df, apart=keys[:2])
    sd_a, sd_b = np.sqrt(var_a / n_a), np.sqrt(var_b / n_b)

    def above(x):
        def density(u):
            return stats.t.pdf(u, n_a - 1) * stats.t.cdf((x - u * sd_a) / sd_b, n_b - 1)

        return integrate.quad(density, -np.inf, np.inf, epsabs=1e-10, limit=400)[0] - 0.975

    exact = optimize.brentq(above, 1e-4, 1.0)
    assert half_of_pair(fit, keys[0], n_a, keys[1], n_b) == pytest.approx(exact, rel=0.005)


def test_without_differences_between_cells_the_variance_is_pooled():
    # 180 cells of one variance: the pooled t with 1,620 degrees of freedom (scipy), to what the
    # components estimated, at least their floor of 0.1 in ln variance, leave open.
    rng = np.random.default_rng(8)
    var = 1e-4 * rng.chisquare(9, 180) / 9
    fit = fit_group_variances(keys_of(30, 6), var, np.full(180, 9.0))
    assert fit.product_var < 0.05 and fit.title_var < 0.05
    expected = stats.t.ppf(0.975, 1620) * np.sqrt(var.mean() * 2 / 10)
    for title in ("t0", "t7"):
        half = half_of_pair(fit, (title, "p0"), 10, (title, "p1"), 10)
        assert half == pytest.approx(expected, rel=0.06)
    own = np.sqrt(var[[0, 1]].mean() / var[[42, 43]].mean())
    assert abs(np.log(own)) > 0.15  # on their own the two titles would be far apart


def test_large_differences_between_cells_give_each_its_own():
    # Products 100 times apart in variance: a cell borrows nothing that would move it much.
    rng = np.random.default_rng(9)
    var = np.exp(rng.normal(-9, 4, 40)) * rng.chisquare(9, 40) / 9
    fit = fit_group_variances(keys_of(10, 4), var, np.full(40, 9.0))
    assert fit.product_var > 8
    sd, weight = mix_cells(fit, np.arange(40), np.full(40, 10.0))
    half = mixture_half_width(sd, weight, confidence=0.95)
    own = stats.t.ppf(0.975, 9) * np.sqrt(var / 10)
    assert half == pytest.approx(own, rel=0.08)


def test_a_single_run_takes_what_its_title_shows():
    rng = np.random.default_rng(10)
    noisy = np.repeat([0.0, 0.0, 3.0], 8)
    var = np.exp(-9 + noisy) * rng.chisquare(4, 24) / 4
    keys = keys_of(3, 8)
    df = np.full(24, 4.0)
    for single in (0, 23):
        df[single], var[single] = 0.0, np.nan
    fit = fit_group_variances(keys, var, df)
    sd, weight = mix_cells(fit, np.array([0, 23]), np.array([1.0, 1.0]))
    log_var = (weight * 2 * np.log(sd)).sum(axis=1)
    assert log_var == pytest.approx([-9, -6], abs=0.6)


# -- moments --------------------------------------------------------------------------------------


def test_moments_of_a_balanced_design_by_hand():
    # Classical nested analysis of variance of ln s^2, less trigamma (Smyth 2004, for one level).
    rng = np.random.default_rng(12)
    titles, products, df = 12, 5, 3.0
    truth = rng.normal(0, 1.0, (titles, 1)) + rng.normal(0, 0.9, (titles, products))
    var = np.exp(-9 + truth) * rng.chisquare(df, truth.shape) / df
    x = np.log(var) - digamma(df / 2) + np.log(df / 2)
    within = ((x - x.mean(axis=1, keepdims=True)) ** 2).sum() / (titles * (products - 1))
    product_var = within - polygamma(1, df / 2)
    between = x.mean(axis=1).var(ddof=1)
    title_var = between - within / products
    title = np.repeat(np.arange(titles), products)
    found = fit_components(var.ravel(), np.full(var.size, df), title)
    assert found[0] == pytest.approx(x.mean())
    assert found[1] == pytest.approx(between / titles)
    assert found[2:] == pytest.approx((title_var, product_var))


def test_caution_adds_a_share_of_the_standard_error():
    # Of a balanced design: a mean square of f degrees of freedom has a standard error of
    # sqrt(2 / f) of itself (chi-square).
    rng = np.random.default_rng(19)
    var = np.exp(rng.normal(-9, 1, 24)) * rng.chisquare(2, 24) / 2
    args = var, np.full(24, 2.0), np.repeat(np.arange(6), 4)
    _, _, title_var, product_var = fit_components(*args)
    _, _, title_raised, product_raised = fit_components(*args, caution=0.5)
    within = polygamma(1, 1) + product_var
    assert product_raised - product_var == pytest.approx(0.5 * within * np.sqrt(2 / 18))
    between = within / 4 + title_var
    assert title_raised - title_var == pytest.approx(0.5 * between * np.sqrt(2 / 5))


def test_moments_find_the_components_of_an_unbalanced_bench():
    rng = np.random.default_rng(13)
    title = np.repeat(np.arange(300), 6)
    df = rng.integers(1, 5, title.size).astype(float)
    log_var = -9 + rng.normal(0, 1.0, 300)[title] + rng.normal(0, 0.6, title.size)
    var = np.exp(log_var) * rng.chisquare(df) / df
    level, level_var, title_var, product_var = fit_components(var, df, title)
    assert level == pytest.approx(-9, abs=4 * np.sqrt(level_var))
    assert title_var == pytest.approx(1.0, abs=0.35)  # 4 x sqrt(2 / 300), roughly
    assert product_var == pytest.approx(0.36, abs=0.35)


# -- beside a slow plain version ------------------------------------------------------------------


def slow_half_width(level, level_var, own_var, var, df, n, confidence):
    """Return the half-width between the first two cells of one title, on fine even grids.

    Bayes' rule written out: a grid of 301 title levels and 1,401 ln variances, every pair of
    nodes of the two cells a component.
    """
    reach = 8 * level_var**0.5 + 8
    y = np.linspace(level - reach, level + reach, 1401)
    m = np.linspace(level - 8 * level_var**0.5, level + 8 * level_var**0.5, 301)
    likelihood = np.array(
        [
            np.exp(d / 2 * (np.log(v) - y) - d * v / 2 * np.exp(-y)) if d else np.ones_like(y)
            for v, d in zip(var, df, strict=True)
        ]
    )
    prior = np.exp(-((y - m[:, None]) ** 2) / (2 * own_var))
    prior /= prior.sum(axis=1, keepdims=True)
    level_weight = np.exp(-((m - level) ** 2) / (2 * level_var))
    level_weight *= np.prod(prior @ likelihood.T, axis=1)
    level_weight /= level_weight.sum()
    # Levels the title cannot have (weight 0) leave nothing of a likelihood.
    tiny = np.finfo(float).tiny
    a, b = (
        prior * lik / np.maximum((prior * lik).sum(axis=1, keepdims=True), tiny)
        for lik in likelihood[:2]
    )
    weight = (a * level_weight[:, None]).T @ b
    variance = np.exp(y)[:, None] / n[0] + np.exp(y) / n[1]
    keep = weight > 1e-11
    sd, weight = np.sqrt(variance[keep])[None], weight[keep][None] / weight[keep].sum()
    return float(mixture_half_width(sd, weight, confidence=confidence)[0])


@pytest.mark.parametrize("spread", [0.2, 0.6, 1.6])
@pytest.mark.parametrize("runs", [(3, 3, 3), (2, 2, 5), (1, 3, 2), (1, 1, 4)], ids=str)
def test_the_quadrature_beside_fine_grids(spread, runs):
    rng = np.random.default_rng(int(100 * spread) + sum(runs))
    keys = keys_of(8, 3)
    df = np.full(24, 2.0)
    df[:3] = np.array(runs) - 1.0
    log_var = np.repeat(rng.normal(-9, 1, 8), 3) + rng.normal(0, spread, 24)
    var = np.exp(log_var) * rng.chisquare(np.maximum(df, 1)) / np.maximum(df, 1)
    var[df == 0] = np.nan
    fit = fit_group_variances(keys, var, df)
    used = df > 0
    title = np.repeat(np.arange(8), 3)[used]
    level, level_var, title_var, own_var = fit_components(
        var[used], df[used], title, caution=CAUTION
    )
    slow = slow_half_width(level, title_var + level_var, own_var, var[:3], df[:3], runs, 0.95)
    fast = half_of_pair(fit, keys[0], runs[0], keys[1], runs[1])
    # Gathering into bins makes a mixture a little wider, never narrower.
    assert -1e-4 < fast / slow - 1 < 0.002


def test_tempering_widens_what_a_title_is_known_by():
    rng = np.random.default_rng(14)
    var = np.exp(np.repeat(rng.normal(-9, 1, 6), 10)) * rng.chisquare(2, 60) / 2
    args = keys_of(6, 10), var, np.full(60, 2.0)
    full, tempered = fit_group_variances(*args), fit_group_variances(*args, temper=0.2)

    def spread(fit):
        mean = (fit.title_weight * fit.title_log_var).sum(axis=1, keepdims=True)
        return (fit.title_weight * (fit.title_log_var - mean) ** 2).sum(axis=1)

    assert np.all(spread(tempered) > 1.5 * spread(full))


# -- edges ----------------------------------------------------------------------------------------


def test_equal_runs_do_not_move_the_components_but_speak_for_a_small_variance():
    rng = np.random.default_rng(15)
    var = 1e-4 * rng.chisquare(2, 24) / 2
    keys, df = keys_of(6, 4), np.full(24, 2.0)
    var[0] = 0.0
    fit = fit_group_variances(keys, var, df)
    without = fit_group_variances(keys[1:], var[1:], df[1:])
    assert (fit.level, fit.title_var, fit.product_var) == pytest.approx(
        (without.level, without.title_var, without.product_var)
    )
    sd, weight = mix_cells(fit, np.array([0, 5]), np.array([3.0, 3.0]))
    log_var = (weight * 2 * np.log(sd)).sum(axis=1)
    assert np.isfinite(log_var).all() and log_var[0] < log_var[1]


def test_nothing_to_share_is_refused():
    for var in ([np.nan, np.nan], [0.0, 0.0]):
        with pytest.raises(ValueError, match="no variance to share"):
            fit_group_variances(keys_of(1, 2), np.array(var), np.array([2.0, 2.0]))


def test_the_order_of_cells_does_not_matter():
    rng = np.random.default_rng(16)
    keys, df = keys_of(5, 4), rng.integers(0, 4, 20).astype(float)
    var = np.where(df > 0, 1e-4 * rng.chisquare(2, 20), np.nan)
    order = rng.permutation(20)
    fit = fit_group_variances(keys, var, df)
    other = fit_group_variances([keys[i] for i in order], var[order], df[order])
    a, b = keys[0], keys[1]
    assert half_of_pair(fit, a, 3, b, 3) == pytest.approx(
        half_of_pair(other, a, 3, b, 3), rel=1e-12
    )


def test_cells_apart_leave_the_others_alone():
    rng = np.random.default_rng(17)
    var = 1e-4 * rng.chisquare(2, 24) / 2
    capped = var.copy()
    capped[:2] *= 1e-6
    keys, df = keys_of(6, 4), np.full(24, 2.0)
    plain = fit_group_variances(keys[2:], var[2:], df[2:])
    apart = fit_group_variances(keys, capped, df, apart=keys[:2])
    assert apart.product_var == pytest.approx(plain.product_var)
    assert fit_group_variances(keys, capped, df).product_var > 4 * plain.product_var + 1
    pair = keys[4], 3, keys[5], 3
    # Cells apart ask for more nodes, which all others then have too.
    assert half_of_pair(apart, *pair) == pytest.approx(half_of_pair(plain, *pair), rel=1e-4)
    assert apart.cells_used == 22


def test_one_title_or_one_product_a_title_still_fits():
    rng = np.random.default_rng(18)
    var = 1e-4 * rng.chisquare(2, 8) / 2
    one_title = fit_group_variances(keys_of(1, 8), var, np.full(8, 2.0))
    assert one_title.title_var == FLAT
    one_product = fit_group_variances(keys_of(8, 1), var, np.full(8, 2.0))
    for fit in (one_title, one_product):
        sd, weight = mix_cells(fit, np.arange(8), np.full(8, 3.0))
        half = mixture_half_width(sd, weight, confidence=0.95)
        assert np.all((half > 0.003) & (half < 0.1))
