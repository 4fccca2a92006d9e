"""Variances shared over titles and products: limits, a slow plain version, edges."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from scipy.interpolate import CubicSpline
from scipy.special import digamma, polygamma
from statsmodels.robust import mad
from statsmodels.robust.norms import HuberT, estimate_location

from kit.stats.crossed_variance import (
    _FINE,
    _NODES,
    _SDS,
    _SHARES,
    WIDE_VAR,
    Mixture,
    _Beliefs,
    _effect_prior,
    _factor,
    _log_noise,
    _new_side,
    _refine,
    _refined,
    _shift,
    care_of,
    fit_crossed_variances,
)
from kit.stats.intervals import mixture_half_width


def keys_of(titles, products):
    return [(f"t{t}", f"p{p}") for t in range(titles) for p in range(products)]


def drawn_variances(seed, titles, products, df, *, title_sd=1.0, product_sd=0.0, cell_sd=0.6):
    """Return keys, sample variances and degrees of freedom of a bench, and true ln variances."""
    rng = np.random.default_rng(seed)
    log_var = -9 + rng.normal(0, title_sd, (titles, 1)) + rng.normal(0, product_sd, (1, products))
    log_var = (log_var + rng.normal(0, cell_sd, (titles, products))).ravel()
    freedom = np.full(log_var.size, float(df))
    var = np.exp(log_var) * rng.chisquare(freedom) / freedom
    return keys_of(titles, products), var, freedom, log_var


def test_values_between_nodes_are_those_of_scipys_cubic_spline():
    spline = CubicSpline(_NODES, np.eye(_NODES.size))(_FINE)  # not a knot, its default
    np.testing.assert_allclose(_refine(), spline, rtol=0, atol=1e-15)


def half_of_pair(fit, a, n_a, b, n_b, confidence=0.95):
    error = Mixture.of_sides(
        fit,
        np.array([fit.keys[a]]),
        np.array([float(n_a)]),
        np.array([fit.keys[b]]),
        np.array([float(n_b)]),
    )
    return float(mixture_half_width(error.sd, error.weight, confidence=confidence)[0])


def half_of_means(fit, n, confidence=0.95):
    places = np.arange(len(fit.df))
    error = Mixture.of_means(fit, places, np.broadcast_to(np.asarray(n, float), places.shape))
    return mixture_half_width(error.sd, error.weight, confidence=confidence)


# -- limits ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [2, 3, 5, 30])
def test_a_cell_apart_gets_students_t(n):
    keys, var, df, _ = drawn_variances(1, 4, 3, 2)
    df[0] = n - 1.0
    fit = fit_crossed_variances(keys, var, df, apart=keys[:1])
    for confidence in (0.9, 0.95, 0.99):
        expected = stats.t.ppf((1 + confidence) / 2, n - 1) * np.sqrt(var[0] / n)
        half = half_of_means(fit, n, confidence)[0]
        assert half == pytest.approx(expected, rel=0.01)
    assert fit.care[0] == 1.0 and fit.tail[0] == 1.0


@pytest.mark.parametrize(
    ("var_a", "n_a", "var_b", "n_b"),
    [(1e-4, 3, 4e-4, 3), (1e-4, 5, 9e-4, 3), (4e-5, 4, 1e-4, 8)],
)
def test_cells_apart_get_the_behrens_fisher_interval(var_a, n_a, var_b, n_b):
    # The difference of two scaled t's (Behrens 1929, Fisher 1935), by numerical convolution.
    keys = [("t", "a"), ("t", "b"), ("u", "a"), ("u", "b")]
    var, df = np.array([var_a, var_b, 1e-4, 2e-4]), np.array([n_a - 1.0, n_b - 1.0, 2, 2])
    fit = fit_crossed_variances(keys, var, df, apart=keys[:2])
    sd_a, sd_b = np.sqrt(var_a / n_a), np.sqrt(var_b / n_b)

    def above(x):
        def density(u):
            return stats.t.pdf(u, n_a - 1) * stats.t.cdf((x - u * sd_a) / sd_b, n_b - 1)

        return integrate.quad(density, -np.inf, np.inf, epsabs=1e-10, limit=400)[0] - 0.975

    exact = optimize.brentq(above, 1e-4, 1.0)
    assert half_of_pair(fit, keys[0], n_a, keys[1], n_b) == pytest.approx(exact, rel=0.01)


def test_a_t_is_a_mixture():
    df = np.array([1.0, 2.0, 7.5, 40.0, 41.0, 5000.0])
    scale = np.array([0.1, 0.01, 0.02, 0.02, 3.0, 3.2])
    error = Mixture.of_t(scale, df)
    for confidence in (0.9, 0.95, 0.99):
        half = mixture_half_width(error.sd, error.weight, confidence=confidence)
        exact = stats.t.ppf((1 + confidence) / 2, df) * scale
        assert half[:4] == pytest.approx(exact[:4], rel=1e-4)
        assert half[4:] == pytest.approx(exact[4:], rel=0.012)  # split between two nodes


def test_without_differences_between_cells_the_variance_is_nearly_pooled():
    # 180 cells of one variance: the pooled t with 1,620 degrees of freedom (scipy), to what the
    # scales' prior leaves open.
    keys, var, df, _ = drawn_variances(8, 30, 6, 9, title_sd=0, cell_sd=0)
    fit = fit_crossed_variances(keys, var, df)
    assert max(fit.title_var, fit.product_var, fit.cell_var) < 0.06
    expected = stats.t.ppf(0.975, 1620) * np.sqrt(var.mean() / 10)
    own = np.log(np.sqrt(var / var.mean()))
    shrunk = np.log(half_of_means(fit, 10) / expected)
    assert abs(shrunk.mean()) < 0.03 and shrunk.std() < 0.4 * own.std()


def test_large_differences_between_cells_give_each_its_own():
    # Cells e^4 apart in variance: a cell borrows nothing that would move it much.
    keys, var, df, _ = drawn_variances(9, 10, 4, 9, title_sd=0, cell_sd=4)
    fit = fit_crossed_variances(keys, var, df)
    assert fit.cell_var + WIDE_VAR * fit.odd_share > 8
    own = stats.t.ppf(0.975, 9) * np.sqrt(var / 10)
    assert half_of_means(fit, 10) == pytest.approx(own, rel=0.08)


def test_a_single_run_takes_what_its_title_and_product_show():
    keys, var, df, _ = drawn_variances(10, 8, 6, 4, title_sd=0, cell_sd=0.1)
    var *= np.exp(np.add.outer(np.repeat([0, 3], 4), [0, 0, 0, 0, 0, 2.5]).ravel())
    for single in (0, 47):
        df[single], var[single] = 0.0, np.nan
    fit = fit_crossed_variances(keys, var, df)
    assert fit.mean_log_var(0) == pytest.approx(-9, abs=0.5)
    assert fit.mean_log_var(47) == pytest.approx(-9 + 3 + 2.5, abs=0.7)


def test_scales_are_found_on_a_large_bench():
    keys, var, df, _ = drawn_variances(13, 60, 30, 3, title_sd=0.8, product_sd=0.7, cell_sd=0.5)
    fit = fit_crossed_variances(keys, var, df)
    # A t of 4 df with scale s describes a normal of SD s / 0.83 or so.
    assert np.sqrt(fit.title_var) == pytest.approx(0.83 * 0.8, abs=0.2)
    assert np.sqrt(fit.product_var) == pytest.approx(0.83 * 0.7, abs=0.25)
    assert np.sqrt(fit.cell_var) == pytest.approx(0.5, abs=0.12)
    assert fit.odd_share < 0.03


# -- beside a slow plain version ------------------------------------------------------------------


def gibbs_mean_log_var(keys, var, df, fit, *, draws, seed):
    """Return posterior means of ln variances by random-walk Metropolis within Gibbs.

    Scales and level as the fit has them; effects of titles and products t with 4 df, cells a
    mixture of two normals. Another route than messages on a grid: it draws from the whole joint.
    """
    rng = np.random.default_rng(seed)
    title = np.array([int(t[1:]) for t, _ in keys])
    product = np.array([int(p[1:]) for _, p in keys])
    n_titles, n_products = title.max() + 1, product.max() + 1
    t_var = fit.title_var * (1 + 1 / n_titles)
    p_var = fit.product_var * (1 + 1 / n_products)
    y = np.log(var) * 0.5 - 4.5
    t, p, total, kept = np.zeros(n_titles), np.zeros(n_products), np.zeros(var.size), 0

    def log_cell(c):
        narrow, wide = fit.cell_var, fit.cell_var + WIDE_VAR
        return np.log(
            (1 - fit.odd_share) * np.exp(-(c**2) / 2 / narrow) / np.sqrt(narrow)
            + fit.odd_share * np.exp(-(c**2) / 2 / wide) / np.sqrt(wide)
        )

    def log_t(x, scale_var):
        return -2.5 * np.log1p(x**2 / (4 * scale_var))

    for i in range(draws):
        mean = fit.level + t[title] + p[product]
        new = y + rng.normal(0, 0.9, y.size)
        gain = log_cell(new - mean) - log_cell(y - mean)
        gain -= df / 2 * (new - y + var * (np.exp(-new) - np.exp(-y)))
        y = np.where(np.log(rng.random(y.size)) < gain, new, y)
        for effect, of, scale in ((t, title, t_var), (p, product, p_var)):
            move = rng.normal(0, 0.35, effect.size)
            mean = fit.level + t[title] + p[product]
            gain = np.bincount(of, log_cell(y - mean - move[of]) - log_cell(y - mean))
            gain += log_t(effect + move, scale) - log_t(effect, scale)
            effect += np.where(np.log(rng.random(effect.size)) < gain, move, 0.0)
        if i >= draws // 10:
            total += y
            kept += 1
    return total / kept


@pytest.mark.parametrize(("seed", "titles", "products"), [(21, 6, 4), (22, 12, 3), (23, 5, 7)])
def test_beliefs_beside_draws_from_the_joint(seed, titles, products):
    keys, var, df, _ = drawn_variances(seed, titles, products, 2, product_sd=0.5)
    var[3] *= 60.0  # a cell unlike the others
    fit = fit_crossed_variances(keys, var, df)
    drawn = gibbs_mean_log_var(keys, var, df, fit, draws=30_000, seed=seed)
    ours = np.array([fit.mean_log_var(i) for i in range(var.size)])
    # Monte Carlo error of these means is about 0.03; messages are exact but for loops.
    assert np.abs(ours - drawn).max() < 0.15
    assert np.abs(ours - drawn).mean() < 0.05


# -- care -----------------------------------------------------------------------------------------


def test_an_odd_cell_is_found_and_cared_for_and_calm_ones_are_not():
    keys, var, df, _ = drawn_variances(31, 12, 5, 2, title_sd=0.5, cell_sd=0.3)
    var[7] = 60 * np.exp(-9)
    fit = fit_crossed_variances(keys, var, df)
    assert fit.tail[7] < 0.01 and fit.care[7] < 0.2
    assert np.median(fit.care) == 1.0 and fit.care.min() >= 0.05
    # By how rare such a variance is: uniform over cells that are what the model takes them for.
    assert np.mean(fit.tail < 0.1) == pytest.approx(0.1, abs=0.08)


def test_care_fades_where_runs_are_many():
    tail = np.array([0.5, 0.15, 0.075, 0.015, 1e-9])
    assert care_of(tail, np.full(5, 2.0)) == pytest.approx([1, 1, 0.5, 0.1, 0.05])
    df = 20.0
    power = polygamma(1, df / 2) / polygamma(1, 1)
    assert care_of(tail[3:4], np.array([df])) == pytest.approx(0.1**power)


# -- edges ----------------------------------------------------------------------------------------


def test_equal_runs_do_not_move_the_scales_but_speak_for_a_small_variance():
    keys, var, df, _ = drawn_variances(15, 6, 4, 2)
    var[0] = 0.0
    fit = fit_crossed_variances(keys, var, df)
    without = fit_crossed_variances(keys[1:], var[1:], df[1:])
    assert (fit.level, fit.title_var, fit.cell_var) == pytest.approx(
        (without.level, without.title_var, without.cell_var), rel=1e-3
    )
    single = df.copy()
    single[0] = 0.0
    alone = fit_crossed_variances(keys, np.where(single > 0, var, np.nan), single)
    assert -20 < fit.mean_log_var(0) < alone.mean_log_var(0)


def test_nothing_to_share_is_refused():
    for var in ([np.nan, np.nan], [0.0, 0.0]):
        with pytest.raises(ValueError, match="no variance to share"):
            fit_crossed_variances(keys_of(1, 2), np.array(var), np.array([2.0, 2.0]))


def test_the_order_of_cells_does_not_matter():
    rng = np.random.default_rng(16)
    keys, df = keys_of(5, 4), rng.integers(0, 4, 20).astype(float)
    var = np.where(df > 0, 1e-4 * rng.chisquare(2, 20), np.nan)
    order = rng.permutation(20)
    fit = fit_crossed_variances(keys, var, df)
    other = fit_crossed_variances([keys[i] for i in order], var[order], df[order])
    a, b = keys[0], keys[1]
    assert half_of_pair(fit, a, 3, b, 3) == pytest.approx(half_of_pair(other, a, 3, b, 3), rel=1e-9)


def test_cells_apart_leave_the_others_alone():
    keys, var, df, _ = drawn_variances(17, 6, 4, 2, title_sd=0, cell_sd=0.1)
    capped = var.copy()
    capped[:2] *= 1e-6
    plain = fit_crossed_variances(keys[2:], var[2:], df[2:])
    apart = fit_crossed_variances(keys, capped, df, apart=keys[:2])
    assert apart.cell_var == pytest.approx(plain.cell_var, rel=1e-6)
    assert fit_crossed_variances(keys, capped, df).odd_share > plain.odd_share
    pair = keys[4], 3, keys[5], 3
    assert half_of_pair(apart, *pair) == pytest.approx(half_of_pair(plain, *pair), rel=1e-4)
    assert apart.cells_used == 22


def test_equal_runs_apart_borrow_what_a_cell_like_the_others_has():
    keys, var, df, _ = drawn_variances(18, 6, 4, 2)
    var[0] = 0.0
    fit = fit_crossed_variances(keys, var, df, apart=keys[:1])
    assert keys[0] not in fit.keys and dict(fit.borrowers) == {keys[0]: 0}
    single = df.copy()
    single[0] = 0.0
    alone = fit_crossed_variances(keys, np.where(single > 0, var, np.nan), single)
    assert fit.mean_log_var(0) == pytest.approx(alone.mean_log_var(0), abs=1e-6)


def test_one_title_or_one_product_a_title_still_fits():
    rng = np.random.default_rng(18)
    var = 1e-4 * rng.chisquare(2, 8) / 2
    for keys in (keys_of(1, 8), keys_of(8, 1)):
        fit = fit_crossed_variances(keys, var, np.full(8, 2.0))
        assert fit.product_var == 0.0
        half = half_of_means(fit, 3)
        assert np.all((half > 0.003) & (half < 0.1))


def test_runs_of_many_numbers_and_one_bench():
    # The cell of 200 runs has a narrow posterior: its nodes lie closer.
    keys, var, df, _ = drawn_variances(19, 6, 4, 2)
    df[0], var[0] = 199.0, 1e-4
    fit = fit_crossed_variances(keys, var, df)
    own = stats.t.ppf(0.975, 199) * np.sqrt(1e-4 / 200)
    assert half_of_means(fit, np.full(24, 200.0))[0] == pytest.approx(own, rel=0.02)


def test_unequal_runs_weigh_as_they_should():
    keys, var, df, _ = drawn_variances(20, 8, 4, 4)
    fit = fit_crossed_variances(keys, var, df)
    places = np.array([0]), np.array([1])
    wide = Mixture.of_sides(fit, places[0], np.array([3.0]), places[1], np.array([8.0]))
    one, two = (
        Mixture.of_means(fit, place, np.array([n]))
        for place, n in zip(places, (3.0, 8.0), strict=True)
    )
    total = sum((m.weight * m.sd**2).sum() for m in (one, two))
    assert (wide.weight * wide.sd**2).sum() == pytest.approx(total, rel=0.01)


def test_the_start_is_moments():
    # z of the method page is unbiased for ln variance: mean 0, variance psi1(v / 2).
    rng = np.random.default_rng(22)
    for v in (1, 2, 5):
        z = np.log(rng.chisquare(v, 200_000) / v) - digamma(v / 2) + np.log(v / 2)
        assert z.mean() == pytest.approx(0, abs=0.02)
        assert z.var() == pytest.approx(polygamma(1, v / 2), rel=0.03)


# -- the robust mean ------------------------------------------------------------------------------


def drawn_runs(rng, titles, products, n, *, noise):
    """Return ln values of runs, shape (cells, n): 1 %, unlike from title to title and cell to cell."""
    sd = rng.normal(0, 0.35, (titles, 1, 1)) + rng.normal(0, 0.25, (titles, products, 1))
    return (noise((titles, products, n)) * 0.01 * np.exp(sd)).reshape(-1, n)


def fit_of_runs(titles, products, x):
    df = np.full(len(x), x.shape[1] - 1.0)
    return fit_crossed_variances(keys_of(titles, products), x.var(axis=1, ddof=1), df)


def parted(fit, place, x, weight=None):
    """Return the robust mean of one cell, or None."""
    weight = [1.0] * len(x) if weight is None else weight
    (found,) = fit.parted_means(np.array([place]), [list(x)], [list(weight)])
    return None if np.isnan(found) else found


def test_the_robust_mean_is_that_of_statsmodels():
    """HuberT with its scale held; of whole weights, that of the values repeated at the scale."""
    rng, count = np.random.default_rng(5), 0
    for n in (3, 5, 8):
        x = drawn_runs(rng, 6, 3, n, noise=rng.standard_normal)
        fit = fit_of_runs(6, 3, x)
        for place in range(len(x)):
            runs = x[place] - 0.08 * (np.arange(n) == 1)
            scale = max(np.exp(fit.others_log_var[place] / 2), mad(runs))
            there = estimate_location(runs, scale, norm=HuberT(1.345), tol=1e-12, maxiter=500)
            here = parted(fit, place, runs)
            beyond = abs(there - runs.mean()) * np.sqrt(n) / scale
            assert (here is None) == (beyond <= 1.3)
            if here is not None:
                assert here == pytest.approx(there, abs=1e-4 * scale)  # 0.6745 has four digits
                count += 1
                # A value of weight w is the mean of w runs: it deviates by its sd over sqrt(w).
                half = parted(fit, place, runs / 2, [4.0] * n)
                assert half == pytest.approx(here / 2, abs=1e-9)
    assert count > 30


def test_unlike_weights_count_as_least_squares_with_hubers_loss():
    rng = np.random.default_rng(11)
    fit = fit_of_runs(6, 3, drawn_runs(rng, 6, 3, 5, noise=rng.standard_normal))
    x, w = np.array([0.0, 0.01, -0.01, 0.004, -0.3]), np.array([1.0, 3.0, 2.0, 1.5, 1.0])
    sd = max(
        np.exp(fit.others_log_var[4] / 2), np.median(np.sqrt(w) * abs(x - np.median(x))) / 0.6745
    )
    there = optimize.least_squares(
        lambda m: np.sqrt(w) * (x - m) / sd, [0.0], loss="huber", f_scale=1.345, xtol=1e-15
    )
    assert parted(fit, 4, x, w) == pytest.approx(there.x[0], abs=1e-6)


def test_what_others_expect_of_a_cell_does_not_rest_on_its_own_runs():
    keys, var, df, _ = drawn_variances(7, 12, 4, 4)
    before = fit_crossed_variances(keys, var, df)
    var[5] *= 400
    after = fit_crossed_variances(keys, var, df)
    assert abs(after.others_log_var[5] - before.others_log_var[5]) < 0.4  # by the scales alone
    assert after.mean_log_var(5) - before.mean_log_var(5) > 4
    assert np.isnan(fit_crossed_variances(keys, var, df, apart=keys[:1]).others_log_var[0])


@pytest.mark.parametrize("noise", ["normal", "t, 5 df"])
def test_means_part_where_one_run_is_slow_and_hardly_elsewhere(noise):
    rng, clean, slow = np.random.default_rng(41), [], []
    draw = {"normal": rng.standard_normal, "t, 5 df": lambda size: rng.standard_t(5, size) / 1.29}
    for n in (3, 5, 5, 5, 10):
        x = drawn_runs(rng, 14, 3, n, noise=draw[noise])
        hit = rng.permutation(len(x))[:4] if n == 5 else []
        x[hit, 0] += np.log(0.92)
        fit = fit_of_runs(14, 3, x)
        marks = [parted(fit, i, row) is not None for i, row in enumerate(x)]
        # Cells of unlike numbers of runs stand beside each other as they do alone.
        several = fit.parted_means(np.arange(2), [x[0].tolist(), [0.0]], [[1.0] * n, [1.0]])
        assert (np.isfinite(several) == [marks[0], False]).all()
        slow += [marks[i] for i in hit]
        clean += [mark for i, mark in enumerate(marks) if i not in hit]
    assert np.mean(clean) <= 0.02
    assert np.mean(slow) >= 0.6
    assert parted(fit, 0, [0.0, 5.0]) is None  # two runs do not tell which is slow


def test_an_error_is_the_mean_over_what_its_title_may_be():
    """The law of total probability, by hand: each node of the title weighs what it is believed."""
    keys, var, df, _ = drawn_variances(20, 8, 4, 4)
    fit = fit_crossed_variances(keys, var, df)
    cells = np.array([0]), np.array([3.0]), np.array([1]), np.array([8.0])
    whole = Mixture.of_sides(fit, *cells)
    parts = []
    for node in range(fit.title_weight.shape[1]):
        only = np.zeros_like(fit.title_weight)
        only[:, node] = 1.0
        parts.append(Mixture.of_sides(replace(fit, title_weight=only), *cells))
    assert all((part.start == whole.start).all() for part in parts)
    expected = sum(w * part.weight for w, part in zip(fit.title_weight[0], parts, strict=True))
    assert whole.weight == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("df_of_it", [2.0, 9.0, 199.0])
def test_moments_of_a_cell_apart_are_those_of_ln_chi_square(df_of_it):
    # ln(df s^2 / chi2_df): digamma and trigamma, by scipy.
    keys, var, df, _ = drawn_variances(1, 4, 3, 2)
    df[0] = df_of_it
    mean, spread = fit_crossed_variances(keys, var, df, apart=keys[:1]).moments(0)
    expected = np.log(var[0] * df_of_it / 2) - digamma(df_of_it / 2)
    assert mean == pytest.approx(np.full(mean.size, expected), abs=1e-3)
    assert spread == pytest.approx(np.full(mean.size, polygamma(1, df_of_it / 2)), rel=1e-3)


# -- parts, each by scipy's distributions ----------------------------------------------------------

C = np.arange(-25, 25, 0.05)


def factor_by_scipy(r, df, cell_var, odd_share=0.0):
    """The density of ln(chi2_v / v) plus a cell's own effect at r, on a fine grid."""
    at = C[:, None] if np.ndim(cell_var) else C
    own = (1 - odd_share) * stats.norm.pdf(at, scale=np.sqrt(cell_var))
    own += odd_share * stats.norm.pdf(at, scale=np.sqrt(cell_var + WIDE_VAR))
    x = np.minimum(np.asarray(r)[..., None] - C, 40.0)
    return 0.05 * (stats.chi2.pdf(df * np.exp(x), df) * df * np.exp(x)) @ own


def nodes_of(side, scale_var, at):
    """Place a side's nodes, as wide as a precision of 1, around these centres."""
    side.scale_var, side.centre = scale_var, np.asarray(at, dtype=float)
    side.place_nodes(np.ones(side.count))
    return side


def beliefs_of(log_s2, df, **how):
    """A belief over one cell a title, from which nothing was heard yet."""
    log_s2, df = np.asarray(log_s2, dtype=float), np.asarray(df, dtype=float)
    titles = nodes_of(_new_side(np.arange(log_s2.size), log_s2.size), 0.4, np.zeros(log_s2.size))
    return _Beliefs(log_s2, df, titles, None, how.pop("temper", 1.0), _log_noise(df), **how)


@pytest.mark.parametrize("df", [2.0, 20.0, 25.0])
def test_a_cell_s_factor_is_a_chi_square_beside_two_normals(df):
    made = _factor(df)
    assert made.step == (0.05 if df > 20 else 0.1)
    places = np.array([400, 430, 450, 470]) if df <= 20 else np.array([860, 900, 930])
    r = -45 + made.step * places
    for share in (0.0, 0.3):
        expected = factor_by_scipy(r, df, 0.5, share)
        assert made.curve(0.5, share)[places] == pytest.approx(expected, rel=1e-5)
    for i in (12, 20):
        narrow, wide = (factor_by_scipy(r, df, _SDS[i] ** 2 + more) for more in (0, WIDE_VAR))
        assert made.narrow[i][places] == pytest.approx(narrow, rel=1e-2)
        assert made.wide[i][places] == pytest.approx(wide, rel=1e-2)


@pytest.mark.parametrize("count", [1, 4])
def test_an_effect_is_a_t_of_four_and_its_nodes_are_as_wide_as_it_is_open(count):
    side = nodes_of(_new_side(np.arange(count), count), 0.4, np.arange(count))
    x = np.linspace(-3, 3, 7)
    for scale_var in (0.1, 2.0):
        known = stats.t.logpdf(x, 4, scale=np.sqrt(scale_var * (1 + 1 / count)))
        gap = side.log_density(x, scale_var) - known
        assert gap == pytest.approx(np.full(7, -stats.t.logpdf(0, 4)), rel=1e-12)
    # A normal of variance 2 x 0.4 (that of a t of 4) times one of variance 1: by hand.
    sd = np.sqrt(0.8 / 1.8)
    assert side.nodes == pytest.approx(np.arange(count)[:, None] + sd * _NODES)
    assert side.log_prior == pytest.approx(side.log_density(side.nodes, 0.4))


def test_what_all_others_say_of_an_effect_leaves_out_one():
    side = nodes_of(_new_side(np.array([0, 0, 1]), 2), 0.4, [0, 1])
    side.messages = np.random.default_rng(2).normal(size=side.messages.shape)
    prior, (a, b, c) = np.exp(side.log_prior), np.exp(side.messages)
    for found, expected in (
        (side.belief(), [prior[0] * a * b, prior[1] * c]),
        (side.cavity(), [prior[0] * b, prior[0] * a, prior[1]]),
    ):
        expected = np.array(expected)
        assert found == pytest.approx(expected / expected.sum(axis=1, keepdims=True))


@pytest.mark.parametrize("power", [1.0, 0.5])
def test_a_scale_is_the_mean_of_its_posterior(power):
    # Evidence of three effects is normal; prior half-t of 3 df on a grid even in ln.
    side = nodes_of(_new_side(np.arange(3), 3), 0.4, [0, 1, -0.5])
    middles = np.array([0.2, 1.5, -0.7])
    side.messages = -((side.nodes - middles[:, None]) ** 2) / 2 / 0.3
    x = np.linspace(side.nodes[:, 0], side.nodes[:, -1], 2001)
    log = np.log(stats.t.pdf(_SDS, 3) * _SDS)
    for i, sd in enumerate(_SDS):
        inside = stats.t.pdf(x, 4, scale=sd * np.sqrt(4 / 3)) * stats.norm.pdf(
            x, middles, np.sqrt(0.3)
        )
        log[i] += power * np.log(integrate.trapezoid(inside, x, axis=0)).sum()
    weight = np.exp(log - log.max())
    expected = weight @ _SDS**2 / weight.sum()
    assert side.estimate_scale(power) == pytest.approx(expected, rel=1e-2)


def test_the_scales_of_cells_are_the_mean_of_their_posterior():
    made = beliefs_of([-3.0, 0.2, 0.5, 1.0, -0.3, 5.0], [2, 2, 5, 5, 2, 5], temper=0.8)
    weight, r = made.titles.cavity(), made.residuals()[:, :, 0]
    log = np.log(stats.t.pdf(_SDS, 3) * _SDS)[:, None] + np.zeros(_SHARES.size)
    for cell, df in enumerate(made.df):
        narrow, wide = (
            weight[cell] @ factor_by_scipy(r[cell], df, _SDS**2 + more) for more in (0, WIDE_VAR)
        )
        log += 0.8 * np.log((1 - _SHARES) * narrow[:, None] + _SHARES * wide[:, None])
    known = np.exp(log - log.max())
    known /= known.sum()
    made._estimate_scales()
    assert made.cell_var == pytest.approx(known.sum(axis=1) @ _SDS**2, rel=1e-2)
    assert made.odd_share == pytest.approx(known.sum(axis=0) @ _SHARES, rel=1e-2)


def test_a_cell_s_tail_is_how_rare_so_large_a_variance_is():
    made = beliefs_of([-2.0, 0.0, 1.0, 3.0, 0.5], [2, 2, 2, 5, 30], cell_var=0.5, level=0.3)
    weight, r = made.titles.cavity(), made.residuals()[:, :, 0]
    assert r[1] == pytest.approx(0.0 - 0.3 - made.titles.nodes[1])
    own = 0.05 * stats.norm.pdf(C, scale=np.sqrt(0.5))
    for cell, df in enumerate(made.df):
        above = stats.chi2.sf(df * np.exp(np.minimum(r[cell][:, None] - C, 40.0)), df) @ own
        assert made.tail()[cell] == pytest.approx(weight[cell] @ above, abs=1e-3)
    expected = [factor_by_scipy(r[i], df, 0.5, 0.05) for i, df in enumerate(made.df)]
    assert made._tables()[:, :, 0] == pytest.approx(np.array(expected), rel=0.02, abs=1e-6)


def test_the_start_is_that_of_ridge_regression():
    # Squares weighed by 1 / (noise + 0.5), effects by 2: solved by numpy.
    _, var, df, _ = drawn_variances(3, 6, 4, 3, product_sd=0.7)
    df[:6] = 1.0
    title, product = np.repeat(np.arange(6), 4), np.tile(np.arange(4), 6)
    sides = _new_side(title, 6), _new_side(product, 4)
    made = _Beliefs(np.log(var), df, *sides, 1.0, _log_noise(df))
    made._start()
    z = np.log(var) - digamma(df / 2) + np.log(df / 2)
    w = 1 / (polygamma(1, df / 2) + 0.5)
    x = np.c_[np.ones(24), title[:, None] == np.arange(6), product[:, None] == np.arange(4)]
    known = np.linalg.solve((x.T * w) @ x + np.diag([0.0] + [2.0] * 10), x.T @ (w * z))
    assert [made.level, *sides[0].centre, *sides[1].centre] == pytest.approx(known, abs=2e-3)


def test_the_prior_of_a_cell_is_its_product_s_effect_and_two_normals():
    x = np.linspace(-4, 4, 9)

    def density(at):
        narrow, wide = stats.norm.pdf(at, scale=0.7), stats.norm.pdf(at, scale=np.sqrt(9.49))
        return np.sqrt(2 * np.pi) * (0.8 * narrow + 0.2 * wide)

    alone = _effect_prior(SimpleNamespace(products=None), x, 0.49, 0.2, None, np.ones(2, bool))
    assert alone == pytest.approx(np.array([density(x)] * 2), rel=1e-12)
    nodes = np.array([[-1.0, 0.0, 1.0], [1.0, 2.0, 4.0]])
    belief, cavity = np.array([[0.2, 0.5, 0.3], [0.1, 0.1, 0.8]]), np.array([[0.6, 0.3, 0.1]])
    side = SimpleNamespace(count=2, nodes=nodes, belief=lambda: belief, cavity=lambda: cavity)
    product, used = np.array([0, 1, 0]), np.array([False, False, True])
    found = _effect_prior(SimpleNamespace(products=side), x, 0.49, 0.2, product, used)
    for row, weight, own in zip(found, [*belief, *cavity], nodes[product], strict=True):
        assert row == pytest.approx(density(x[:, None] - own) @ weight, rel=1e-12)


@pytest.mark.parametrize(("titles", "products"), [(1, 7), (7, 1)])
def test_beliefs_without_a_crossing_are_those_of_quadrature(titles, products):
    # A tree: messages are exact. Scales as found; cells by scipy's chi square and normals.
    keys, var, df, _ = drawn_variances(12, titles, products, 3)
    var[2] *= 200.0
    df[4], var[5] = 1.0, 0.0
    fit = fit_crossed_variances(keys, var, df)
    y = np.linspace(-40, 30, 1401)
    title = np.repeat(np.arange(titles), products)
    for place in range(var.size):
        nodes, mean, spread = fit.title_log_var[place], *fit.moments(place)
        odd = 0.0 if var[place] == 0 else fit.odd_share
        like = np.exp(-df[place] / 2 * (y + var[place] * np.exp(-y) - fit.level))
        for k in (4, 6, 8) if var[place] else (6, 8):  # a window ends where little is left
            prior = (1 - odd) * stats.norm.pdf(y, nodes[k], np.sqrt(fit.cell_var))
            prior += odd * stats.norm.pdf(y, nodes[k], np.sqrt(fit.cell_var + WIDE_VAR))
            weight = prior * like / (prior * like).sum()
            assert mean[k] == pytest.approx(weight @ y, abs=2e-3)
            assert spread[k] == pytest.approx(weight @ (y - weight @ y) ** 2, rel=2e-3)
        belief = stats.t.pdf(nodes - fit.level, 4, scale=np.sqrt(fit.title_var * (1 + 1 / titles)))
        for cell in np.flatnonzero((title == title[place]) & (var > 0)):
            belief *= factor_by_scipy(
                np.log(var[cell]) - nodes, df[cell], fit.cell_var, fit.odd_share
            )
        assert fit.title_weight[place] == pytest.approx(belief / belief.sum(), abs=1e-3)
        assert fit.mean_log_var(place) == pytest.approx(fit.title_weight[place] @ mean)
    assert fit.apart_var == fit.cell_var + 2.25 * fit.odd_share  # without products, by hand
    assert (fit.product_var, fit.cells_used) == (0.0, 6)


# -- lattices keep the mean variance: by hand ------------------------------------------------------


def mean_variance(step, start, weight):
    return weight @ np.exp(step * (start + np.arange(weight.shape[-1])))


@pytest.mark.parametrize("step", [0.05, 0.25])
def test_a_shift_on_the_lattice_keeps_weight_and_multiplies_the_variance(step):
    weight = np.random.default_rng(6).random((2, 4, 5))
    shift = np.array([0.0, 0.3, 2.0, 3.9])
    moved = _shift(weight, shift, 3, step)
    assert moved.shape == (2, 4, 5 + 3 + 1)
    assert moved.sum(axis=2) == pytest.approx(weight.sum(axis=2))
    expected = mean_variance(step, 0, weight) * np.exp(step * shift)
    assert mean_variance(step, 0, moved) == pytest.approx(expected, rel=1e-12)
    assert (moved > 0).sum(axis=2).tolist() == [[5, 6, 5, 6]] * 2
    for i in range(4):  # alone as beside others
        alone = _shift(weight[:, [i]], shift[[i]], 3, step)
        assert (alone[:, 0] == moved[:, i]).all()


def test_errors_of_unlike_lattices_are_stacked_on_the_finest():
    rng = np.random.default_rng(7)
    coarse = Mixture(0.25, np.array([-7]), rng.dirichlet(np.ones(6), 1))
    fine = Mixture(0.1, np.array([3]), rng.dirichlet(np.ones(4), 1))
    made = Mixture.stack([coarse, fine])
    assert made.step == 0.1 and made.weight.sum(axis=1) == pytest.approx([1, 1])
    for i, one in enumerate((coarse, fine)):
        row, known = made.row(i), (one.weight * one.sd**2).sum()
        assert (row.weight * row.sd**2).sum() == pytest.approx(known, rel=1e-12)
    refined = _refined(coarse, 0.1)
    logs = 0.1 * (refined.start[0] + np.arange(refined.weight.shape[1]))
    assert logs[refined.weight[0] > 0].min() == pytest.approx(-1.8)  # -1.75 lies between nodes
    assert refined.weight[0] @ logs == pytest.approx(
        coarse.weight[0] @ (0.25 * np.arange(-7, -1)), abs=2e-3
    )


def test_the_variances_of_two_means_add_up():
    keys, var, df, _ = drawn_variances(20, 8, 4, 4, product_sd=0.5)
    fit = fit_crossed_variances(keys, var, df)
    a, b = np.array([0, 5, 9]), np.array([1, 6, 11])
    n_a, n_b = np.array([3.0, 2.0, 40.0]), np.array([8.0, 2.0, 3.0])
    whole = Mixture.of_sides(fit, a, n_a, b, n_b)
    y = fit.step * (fit.start[:, None, None] + np.arange(fit.weight.shape[2]))
    each = (np.exp(y) * fit.weight).sum(axis=2)  # mean variance at each node of the title
    for i in range(3):
        belief = fit.title_weight[a[i]]
        known = belief @ (each[a[i]] / n_a[i] + each[b[i]] / n_b[i])
        assert whole.weight[i] @ whole.sd[i] ** 2 == pytest.approx(known, rel=2e-3)
    many = Mixture.of_sides(fit, *(np.tile(of, 50) for of in (a, n_a, b, n_b)))
    assert (many.weight == np.tile(whole.weight, (50, 1))).all()  # as many as come in three blocks
    ours = Mixture.of_means(fit, a, n_a)
    known = (fit.title_weight[a] * each[a]).sum(axis=1) / n_a
    assert (ours.weight * ours.sd**2).sum(axis=1) == pytest.approx(known, rel=1e-9)


def test_a_window_is_hardly_wider_than_what_its_cells_hold():
    # Of 66 nodes some cell holds more than 1e-9 on 61: what is beyond costs time alone. No source.
    keys, var, df, _ = drawn_variances(20, 8, 4, 4)
    fit = fit_crossed_variances(keys, var, df)
    held = np.einsum("mt,mtk->mk", fit.title_weight, fit.weight) > 1e-9
    assert fit.weight.shape[2] <= 1.25 * held.any(axis=0).sum()
    assert np.allclose(fit.weight.sum(axis=2), 1.0) and fit.step == 0.25
