"""The power of a margin, against published constants, statsmodels and simulation."""

import math
from itertools import pairwise

import numpy as np
import pytest
from power_by_keywords import margin_power, runs_needed, smallest_ratio
from scipy import integrate, special, stats
from scipy.special import polygamma
from statsmodels.stats.power import TTestIndPower, TTestPower

from kit.stats.power import (
    MOST_RUNS,
    MarginDesign,
    SpreadUncertainty,
    best_length_s,
    borrowed_degrees,
)

USUAL = {"confidence": 0.95, "design": "shared"}

# G. van Belle (2008), "Statistical Rules of Thumb", 2nd ed., ch. 2: the rule of 16 per group. Exact
# numbers per group and the power at the next whole number: statsmodels TTestIndPower, and R
# power.t.test for d = 1 and 2.5 (16.71477, 3.761815). Two-sided 5 %, power 0.80.
EXACT = [
    (0.5, 63.7656105889, 0.8014595579),
    (1.0, 16.7147224470, 0.8070367151),
    (1.5, 8.0602942839, 0.8476101042),
    (2.0, 5.0899945682, 0.8764177714),
    (2.5, 3.7618131422, 0.8359504089),
    (3.0, 3.0700090956, 0.9389357455),
]


@pytest.mark.parametrize(("d", "exact", "power_above"), EXACT)
def test_counts_and_power_equal_the_exact_values(d, exact, power_above):
    ratio = math.exp(0.01 * d)
    assert margin_power(ratio, run_sd=0.01, runs=exact, **USUAL) == pytest.approx(0.8, abs=1e-8)
    count = runs_needed(ratio, run_sd=0.01, power=0.8, **USUAL)
    assert count == math.ceil(exact)
    found = margin_power(ratio, run_sd=0.01, runs=count, **USUAL)
    assert found == pytest.approx(power_above, abs=1e-9)


def test_the_rule_of_16_is_too_small_by_about_one_run():
    # Constant 2 (1.959964 + 0.841621)^2 = 15.6977594687 of the same chapter, and 21.0148461229.
    z = stats.norm.ppf
    assert 2 * (z(0.975) + z(0.8)) ** 2 == pytest.approx(15.6977594687, abs=1e-9)
    assert 2 * (z(0.975) + z(0.9)) ** 2 == pytest.approx(21.0148461229, abs=1e-9)
    for d in (1.0, 2.0, 3.0):
        exact = runs_needed(math.exp(0.01 * d), run_sd=0.01, power=0.8, **USUAL)
        assert exact >= math.ceil(16 / d**2) + 1
    # With many runs lent the t is a normal, and that rule's constant is reached.
    for power, constant in ((0.8, 15.6977594687), (0.9, 21.0148461229)):
        found = margin_power(
            math.exp(0.001), run_sd=0.01, runs=constant / 0.01, borrowed_df=1e9, **USUAL
        )
        assert found == pytest.approx(power, abs=1e-6)


# As above: smallest detectable d at power 0.80, and the margin at a spread of 1 % from run to run.
@pytest.mark.parametrize(
    ("runs", "d", "percent"),
    [(3, 3.0708922696, 3.1185), (5, 2.0244401457, 2.0451), (10, 1.3249473683, 1.3338)],
)
def test_smallest_margin_equals_the_exact_values(runs, d, percent):
    found = smallest_ratio(runs, run_sd=0.01, power=0.8, **USUAL)
    # The printed d are a solver's, good to 1e-6: at 2.0244401457 the power is 0.80000031.
    assert math.log(found) / 0.01 == pytest.approx(d, abs=1e-6)
    assert 100 * (found - 1) == pytest.approx(percent, abs=1e-4)
    exact = TTestIndPower().power(math.log(found) / 0.01, nobs1=runs, alpha=0.05)
    assert exact == pytest.approx(0.8, abs=1e-11)


# G. van Belle and D. C. Martin (1993), "Sample size as a function of coefficient of variation and
# ratio of means", The American Statistician 47, 165-167 (formula from memory): 8 CV^2 / PC^2
# (1 + (1 - PC)^2) = 29.52 and 40.18; in logs 16 CV^2 / ln(1 - PC)^2 = 28.9197, 39.3629.
@pytest.mark.parametrize(
    ("cv", "change", "rule", "log_rule"),
    [(0.30, 0.20, 29.52, 28.9197018310), (0.35, 0.20, 40.18, 39.3629274922)],
)
def test_counts_agree_with_the_rule_in_percent(cv, change, rule, log_rule):
    assert 8 * cv**2 / change**2 * (1 + (1 - change) ** 2) == pytest.approx(rule, abs=1e-9)
    assert 16 * cv**2 / math.log(1 - change) ** 2 == pytest.approx(log_rule, abs=1e-9)
    count = runs_needed(1 - change, run_sd=cv, power=0.8, **USUAL)
    assert log_rule <= count <= log_rule + 2  # the rules leave out the t, about one run


@pytest.mark.parametrize("seed", range(6))
def test_counts_equal_statsmodels(seed):
    rng = np.random.default_rng(seed)
    sd, d = rng.uniform(0.002, 0.05), rng.uniform(0.3, 3.0)
    power, confidence = rng.uniform(0.5, 0.97), rng.choice([0.9, 0.95, 0.99])
    ratio = math.exp(sd * d)
    alpha = 1 - confidence
    shared = runs_needed(ratio, run_sd=sd, power=power, confidence=confidence, design="shared")
    exact = TTestIndPower().solve_power(d, alpha=alpha, power=power)
    assert shared == max(2, math.ceil(exact))
    paired = runs_needed(
        ratio, run_sd=sd, power=power, confidence=confidence, design="paired", correlation=0.5
    )
    # Correlation 0.5 makes the spread of the differences that of one side.
    exact = TTestPower().solve_power(d, alpha=alpha, power=power)
    assert paired == max(2, math.ceil(exact))


def slow_power(shift, df, confidence):
    """The chance that (Z + shift) / sqrt(V / df) is outside, by integrating over V."""
    critical = stats.t.isf((1 - confidence) / 2, df)

    def outside(p):
        scale = critical * math.sqrt(stats.chi2.ppf(p, df) / df)
        return stats.norm.sf(scale - shift) + stats.norm.cdf(-scale - shift)

    return integrate.quad(outside, 0, 1, limit=200, epsabs=1e-10)[0]


@pytest.mark.parametrize("runs", [2, 3, 6, 31, 200])
@pytest.mark.parametrize("shift", [0.5, 3.6, 5.0, 8.0, 15.0, 40.0])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.999])
def test_power_equals_its_definition_far_out_too(runs, shift, confidence):
    # scipy's noncentral t gives nan far out on the other side: that must not become a power of 1.
    found = margin_power(
        math.exp(shift * 0.01 * math.sqrt(2 / runs)),
        run_sd=0.01,
        runs=runs,
        confidence=confidence,
        design="shared",
    )
    assert found == pytest.approx(slow_power(shift, 2 * runs - 2, confidence), abs=1e-7)


def draws(seed, shape, sd, shift=0.0):
    return np.random.default_rng(seed).normal(shift, sd, size=shape)


@pytest.mark.parametrize(
    ("runs", "sds"),
    [
        ((2, 2), (1, 1)),
        ((3, 3), (1, 1)),
        ((5, 5), (1, 2)),
        ((4, 8), (3, 1)),
        ((10, 3), (1, 2)),
        ((20, 3), (1, 1)),
    ],
)
def test_welch_power_equals_simulation(runs, sds):
    effect = 2.5 * math.sqrt(sds[0] ** 2 / runs[0] + sds[1] ** 2 / runs[1])
    promised = margin_power(
        math.exp(effect),
        run_sd=sds[0],
        other_sd=sds[1],
        runs=runs[0],
        other_runs=runs[1],
        confidence=0.95,
        design="welch",
    )
    mine, theirs = draws(1, (60_000, runs[0]), sds[0], effect), draws(2, (60_000, runs[1]), sds[1])
    seen = (stats.ttest_ind(mine, theirs, axis=1, equal_var=False).pvalue < 0.05).mean()
    assert seen == pytest.approx(promised, abs=4 * 0.5 / math.sqrt(60_000))  # 4 Monte Carlo errors


@pytest.mark.parametrize(("runs", "sds"), [((3, 5), (0.01, 0.02)), ((6, 3), (0.02, 0.02))])
def test_welch_power_equals_its_definition(runs, sds):
    # Given both sample variances, chi-squares at the middles of 400 equal shares each, Welch's t
    # is outside where a normal is: scipy.
    share = (np.arange(400) + 0.5) / 400
    a, b = (
        sd**2 * stats.chi2.ppf(share, n - 1) / (n - 1) / n for sd, n in zip(sds, runs, strict=True)
    )
    a, b = a[:, None], b[None, :]
    df = (a + b) ** 2 / (a**2 / (runs[0] - 1) + b**2 / (runs[1] - 1))
    sd = math.sqrt(sds[0] ** 2 / runs[0] + sds[1] ** 2 / runs[1])
    critical = stats.t.isf(0.025, df) * np.sqrt(a + b) / sd
    outside = special.ndtr(2.5 - critical) + special.ndtr(-2.5 - critical)
    given = {"run_sd": sds[0], "other_sd": sds[1], "runs": runs[0], "other_runs": runs[1]}
    found = margin_power(math.exp(2.5 * sd), confidence=0.95, design="welch", **given)
    assert found == pytest.approx(outside.mean(), abs=3e-4)


def test_with_three_runs_welch_resolves_less_than_a_pooled_variance():
    ratio = smallest_ratio(3, run_sd=0.01, power=0.8, **USUAL)
    welch = margin_power(ratio, run_sd=0.01, runs=3, confidence=0.95, design="welch")
    assert welch < 0.72


@pytest.mark.parametrize("design", ["shared", "welch", "paired"])
@pytest.mark.parametrize("sd", [0.004, 0.01, 0.03])
def test_promised_power_is_met_on_simulated_runs(design, sd):
    # Runs of two products, spread and margin as planned for; the interval as the design says.
    runs, repeats = 6, 60_000
    ratio = smallest_ratio(runs, run_sd=sd, power=0.8, confidence=0.95, design=design)
    count = runs_needed(ratio * (1 + 1e-9), run_sd=sd, power=0.8, confidence=0.95, design=design)
    assert count == runs
    mine = draws(3, (repeats, runs), sd, math.log(ratio))
    theirs = draws(4, (repeats, runs), sd)
    if design == "paired":
        p = stats.ttest_rel(mine, theirs, axis=1).pvalue
    else:
        p = stats.ttest_ind(mine, theirs, axis=1, equal_var=design == "shared").pvalue
    assert 0.78 <= (p < 0.05).mean() <= 0.83
    assert (p < 0.05).mean() == pytest.approx(0.8, abs=4 * 0.4 / math.sqrt(repeats))


@pytest.mark.parametrize("spread", [0.05, 0.3, 1.0])
@pytest.mark.parametrize("power", [0.6, 0.8, 0.9])
def test_power_with_a_uncertain_spread_is_the_mean_of_statsmodels(spread, power):
    # Both sides uncertain alike: the mean of the exact power over a normal ln variance, integrated.
    ratio = smallest_ratio(5, run_sd=0.01, power=power, **USUAL)

    def weighed(z):
        d = math.log(ratio) / (0.01 * math.exp(math.sqrt(spread) * z / 2))
        # statsmodels gives nan far out, where the power is 1 but for less than 1e-6.
        return stats.norm.pdf(z) * (TTestIndPower().power(d, 5, 0.05) if d < 5 else 1.0)

    z = np.linspace(-6, 6, 121)  # evenly spaced: hardly any error for a bell shape
    mean = sum(weighed(at) for at in z) * (z[1] - z[0])
    uncertain = SpreadUncertainty(spread, spread, spread)
    found = margin_power(ratio, run_sd=0.01, runs=5, uncertainty=uncertain, **USUAL)
    assert found == pytest.approx(mean, abs=1e-3)  # the error stated in `SpreadUncertainty.nodes`
    if power >= 0.8:
        assert found < power  # a spread taken for granted promises too much
    wider = smallest_ratio(5, run_sd=0.01, power=power, uncertainty=uncertain, **USUAL)
    found = margin_power(wider, run_sd=0.01, runs=5, uncertainty=uncertain, **USUAL)
    assert found == pytest.approx(power, abs=1e-9)


@pytest.mark.parametrize("design", ["welch", "paired"])
def test_power_with_uncertain_spreads_equals_simulation(design):
    # Each draw has spreads of its own: ln variances normal, with the covariance stated.
    uncertain, repeats, runs = SpreadUncertainty(0.5, 0.2, 0.15), 60_000, 5
    rng = np.random.default_rng(12)
    logs = rng.multivariate_normal([0, 0], [[0.5, 0.15], [0.15, 0.2]], repeats)
    sds = np.exp(logs / 2) * [0.01, 0.02]
    mine = 0.035 + sds[:, :1] * rng.normal(size=(repeats, runs))
    theirs = sds[:, 1:] * rng.normal(size=(repeats, runs))
    if design == "paired":
        p = stats.ttest_rel(mine, theirs, axis=1).pvalue
    else:
        p = stats.ttest_ind(mine, theirs, axis=1, equal_var=False).pvalue
    ends = {"runs": runs, "confidence": 0.95, "design": design}
    given = {"run_sd": 0.01, "other_sd": 0.02} | ends
    found = margin_power(math.exp(0.035), uncertainty=uncertain, **given)
    assert (p < 0.05).mean() == pytest.approx(found, abs=4 * 0.5 / math.sqrt(repeats))
    swapped = {"run_sd": 0.02, "other_sd": 0.01, "uncertainty": uncertain.swapped()} | ends
    assert margin_power(math.exp(0.035), **swapped) == pytest.approx(found, abs=2e-3)


def test_only_what_new_runs_will_tell_counts_where_runs_are_kept():
    # Normal prior, normal news: before less after, 1 / (1 / V + 1 / N) (any textbook; from memory).
    # A ln sample variance on n - 1 degrees of freedom scatters by trigamma((n - 1) / 2), and runs
    # added to others bring a degree each.
    alone = SpreadUncertainty(0.4, 0.0, 0.0, kept=(3, 3))
    noise = float(polygamma(1, 4 / 2))
    after = 1 / (1 / 0.4 + 1 / noise)
    assert alone.remaining((7, 7))[0, 0] == pytest.approx(0.4 - after, rel=1e-12)
    # Both sides: drawn, and the mean of one regressed on what both will show.
    uncertain = SpreadUncertainty(0.4, 0.3, 0.2, kept=(3, 5))
    rng = np.random.default_rng(4)
    true = rng.multivariate_normal([0, 0], [[0.4, 0.2], [0.2, 0.3]], 400_000)
    shown = true + rng.normal(size=true.shape) * np.sqrt([noise, float(polygamma(1, 1.0))])
    coefficients = np.linalg.lstsq(shown, true, rcond=None)[0]
    assert uncertain.remaining((7, 7)) == pytest.approx(np.cov((shown @ coefficients).T), rel=0.02)
    # Without new runs nothing changes; without kept ones everything is open.
    granted = margin_power(1.02, run_sd=0.01, runs=5, other_runs=7, **USUAL)
    kept = SpreadUncertainty(0.4, 0.3, 0.2, kept=(5, 7))
    same = margin_power(1.02, run_sd=0.01, runs=5, other_runs=7, uncertainty=kept, **USUAL)
    assert same == granted
    assert SpreadUncertainty(0.4, 0.3, 0.2).remaining((7, 7)).tolist() == [[0.4, 0.2], [0.2, 0.3]]
    # A session tells once of the difference of both.
    pair = SpreadUncertainty(0.4, 0.4, 0.4, kept=(3, 3))
    assert pair.remaining((7, 7), paired=True) == pytest.approx(np.full((2, 2), 0.4 - after))
    assert uncertain.swapped() == SpreadUncertainty(0.3, 0.4, 0.2, kept=(5, 3))


@pytest.mark.parametrize(("kept", "share"), [(None, 0.0), ((4, 3), 0.6), ((9, 8), 1.0)])
def test_pairs_that_borrow_have_the_noncentral_t_of_all_their_degrees_of_freedom(kept, share):
    # By scipy; what is kept has told its width: 1 / (2 df) of its log, by its share of sessions.
    df, critical = 4 + 6, stats.t.ppf(0.975, 4 + 6)
    variance = 0.01**2 + 0.02**2 - 2 * 0.4 * 0.01 * 0.02
    shift = math.log(1.02) * math.sqrt(5 / variance) * math.exp(share / (2 * df))
    expected = stats.nct.sf(critical, df, shift) + stats.nct.cdf(-critical, df, shift)
    given = {"run_sd": 0.01, "other_sd": 0.02, "correlation": 0.4, "confidence": 0.95}
    given |= {"runs": 5, "borrowed_df": 6.0, "uncertainty": SpreadUncertainty(kept=kept)}
    assert margin_power(1.02, design="paired_shared", **given) == pytest.approx(expected, rel=1e-9)
    # Pairs that do not borrow have their own degrees of freedom alone, however many runs are kept.
    critical, shift = stats.t.ppf(0.975, 4), math.log(1.02) * math.sqrt(5 / variance)
    expected = stats.nct.sf(critical, 4, shift) + stats.nct.cdf(-critical, 4, shift)
    assert margin_power(1.02, design="paired", **given) == pytest.approx(expected, rel=1e-9)


def test_sides_that_borrow_have_satterthwaites_degrees_of_freedom():
    one, two = 0.01**2 / 3, 0.02**2 / 6  # by hand; the noncentral t by scipy
    df = (one + two) ** 2 / (one**2 / (3 - 1 + 5) + two**2 / (6 - 1 + 5))
    critical, shift = stats.t.ppf(0.975, df), math.log(1.02) / math.sqrt(one + two)
    expected = stats.nct.sf(critical, df, shift) + stats.nct.cdf(-critical, df, shift)
    given = {"run_sd": 0.01, "other_sd": 0.02, "runs": 3, "other_runs": 6, "borrowed_df": 5.0}
    assert margin_power(1.02, **given, **USUAL) == pytest.approx(expected, rel=1e-9)


def test_unequal_sides_count_by_their_errors():
    # The variance of a mean is what counts: twice the spread needs four times the runs.
    same = margin_power(1.03, run_sd=0.01, runs=400, other_sd=0.02, other_runs=1600, **USUAL)
    plain = margin_power(1.03, run_sd=0.01, runs=400, **USUAL)
    assert same == pytest.approx(plain, abs=1e-6)
    assert margin_power(1 / 1.03, run_sd=0.01, runs=4, **USUAL) == pytest.approx(
        margin_power(1.03, run_sd=0.01, runs=4, **USUAL), rel=1e-12
    )


def test_more_runs_resolve_more_and_a_level_pair_keeps_the_error_rate():
    powers = [margin_power(1.02, run_sd=0.02, runs=n, **USUAL) for n in range(2, 40)]
    assert all(a < b for a, b in pairwise(powers))
    assert margin_power(1.0, run_sd=0.02, runs=5, **USUAL) == pytest.approx(0.05)
    assert margin_power(1 + 1e-9, run_sd=0.02, runs=5, **USUAL) == pytest.approx(0.05, abs=1e-6)


def test_what_no_number_of_runs_resolves_is_said_so():
    assert runs_needed(1.0001, run_sd=0.5, power=0.8, **USUAL) is None
    count = runs_needed(1.001, run_sd=0.05, power=0.8, **USUAL)
    assert count == math.ceil(
        TTestIndPower().solve_power(math.log(1.001) / 0.05, alpha=0.05, power=0.8)
    )
    assert 30_000 < count < MOST_RUNS


def test_runs_against_a_side_that_keeps_its_own():
    ends = {"run_sd": 0.01, "other_runs": 3, "confidence": 0.95, "design": "shared"}
    powers = [margin_power(1.025, runs=n, **ends) for n in range(2, 201)]
    count = runs_needed(1.025, power=0.7, **ends)
    assert count == 2 + next(i for i, p in enumerate(powers) if p >= 0.7)
    # Far more runs than the other side's lower the power again, and never reach this one.
    assert powers[-1] < 0.7 < max(powers) < 0.76
    assert runs_needed(1.025, power=0.76, **ends) is None
    # The highest power of all is found although it lies between two lower ones.
    peak = max(powers)
    assert runs_needed(1.025, power=peak, **ends) == 2 + powers.index(peak) == 7


def test_runs_without_spread_resolve_everything():
    assert margin_power(1.0001, run_sd=0.0, runs=2, **USUAL) == 1.0
    assert runs_needed(1.0001, run_sd=0.0, power=0.8, **USUAL) == 2
    assert smallest_ratio(2, run_sd=0.0, power=0.8, **USUAL) == 1.0


@pytest.mark.parametrize(
    "wrong",
    [
        {"ratio": 0.0},
        {"runs": 1},
        {"confidence": 1.0},
        {"run_sd": -0.1},
        {"borrowed_df": -1.0},
        {"correlation": 1.0},
    ],
)
def test_power_refuses(wrong):
    given = {"ratio": 1.03, "run_sd": 0.01, "runs": 3, "confidence": 0.95} | wrong
    ratio = given.pop("ratio")
    with pytest.raises(ValueError, match="must"):
        margin_power(ratio, design="shared", **given)


@pytest.mark.parametrize("power", [0.0, 1.0])
def test_no_power_and_certainty_are_no_aims(power):
    with pytest.raises(ValueError, match="power must be in"):
        runs_needed(1.03, run_sd=0.01, power=power, **USUAL)
    with pytest.raises(ValueError, match="alpha must be in"):
        MarginDesign.look_levels([1.0], alpha=power, spending="pocock")


@pytest.mark.parametrize(
    ("runs", "power"), [((3, 3), 0.05), ((3, 3), 1.0), ((1, 3), 0.8), ((3, 1), 0.8)]
)
def test_smallest_margin_refuses(runs, power):
    with pytest.raises(ValueError, match="must be"):
        smallest_ratio(runs[0], other_runs=runs[1], run_sd=0.01, power=power, **USUAL)


def test_a_margin_of_no_world_is_infinite():
    # Two runs of either side that scatter by a factor of e^400: ln margins above 500 overflow.
    assert smallest_ratio(2, run_sd=400.0, power=0.8, **USUAL) == math.inf


# T. Kalibera and R. Jones (2013), "Rigorous benchmarking in reasonable time", ISMM '13, 63-74
# (formula from memory); the cost times variance of each count by plain arithmetic.
def test_best_length_is_the_least_of_cost_times_variance():
    # A launch of 4 s, a variance of 1 between runs and of 4 from one second to the next.
    best = best_length_s(run_s=1.0, setup_s=4.0, run_sd=math.sqrt(5.0), within_sd=2.0)
    assert best == pytest.approx(4.0, rel=1e-12)
    table = [30 * (4 + n) * (1 + 4 / n) for n in range(1, 8)]
    assert table == pytest.approx([750, 540, 490, 480, 486, 500, 518.571], abs=5e-4)
    assert table.index(min(table)) + 1 == round(best)


@pytest.mark.parametrize("seed", range(20))
def test_no_other_length_is_better(seed):
    setup, run = np.random.default_rng(seed).uniform(1, 200, 2)
    between, within = np.random.default_rng(seed + 100).uniform(0.05, 9, 2)

    def product(length):
        return (setup + length) * (between + within * run / length)

    best = best_length_s(
        run_s=run, setup_s=setup, run_sd=math.sqrt(between + within), within_sd=math.sqrt(within)
    )
    lengths = best * np.geomspace(0.01, 100, 401)
    assert np.all(product(lengths) >= product(best) * (1 - 1e-12))


def test_best_length_is_the_least_of_time_times_variance():
    run_s, setup_s, run_sd, within = 60.0, 90.0, 0.010, 0.006
    best = best_length_s(run_s=run_s, setup_s=setup_s, run_sd=run_sd, within_sd=within)
    lengths = np.linspace(5, 600, 200_001)
    variance = (run_sd**2 - within**2) + within**2 * run_s / lengths
    slow = lengths[np.argmin((setup_s + lengths) * variance)]
    assert best == pytest.approx(slow, abs=0.01)
    assert best_length_s(run_s=60, setup_s=90, run_sd=0.01, within_sd=0.01) is None


@pytest.mark.parametrize("seed", range(3))
def test_borrowed_degrees_are_those_of_a_variance_that_scatters_as_much(seed):
    # A variance on d degrees of freedom is a scaled chi-square; its ln has this spread.
    df = (3, 8, 30)[seed]
    sample = np.log(np.random.default_rng(seed).chisquare(df, 400_000)).var()
    assert borrowed_degrees(sample) == pytest.approx(df, rel=0.02)
    assert borrowed_degrees(0.0) == math.inf
    with pytest.raises(ValueError, match="must not be negative"):
        borrowed_degrees(-0.1)


def bounds(levels):
    return stats.norm.isf(np.array(levels) / 2)


def test_levels_of_looks_beside_a_printed_table():
    # README of SeqBounds.jl (PharmCat), one-sided .05 by O'Brien and Fleming's spending: its bounds,
    # on a coarser grid. Of two sides each spends half.
    found = MarginDesign.look_levels([0.25, 0.5, 0.75, 1.0], alpha=0.10, spending="obrien_fleming")
    assert bounds(found) == pytest.approx([3.74955, 2.53993, 2.01604, 1.72014], abs=3e-4)


@pytest.mark.parametrize(
    ("spending", "table"),
    # D. M. Reboussin, D. L. DeMets, K. Kim and K. K. G. Lan (2000), Controlled Clinical Trials 21,
    # 190-207: five looks, two-sided .05. From memory.
    [
        ("obrien_fleming", [4.8769, 3.3569, 2.6803, 2.2898, 2.0310]),
        ("pocock", [2.4380, 2.4268, 2.4101, 2.3966, 2.3859]),
    ],
)
def test_levels_of_five_looks(spending, table):
    found = MarginDesign.look_levels(np.arange(1, 6) / 5, alpha=0.05, spending=spending)
    assert bounds(found) == pytest.approx(table, abs=3e-4)


@pytest.mark.parametrize("spending", ["obrien_fleming", "pocock"])
def test_looks_spend_what_is_asked_by_scipys_normal_integral(spending):
    looks = np.array([0.3, 0.45, 1.0])
    z = bounds(MarginDesign.look_levels(looks, alpha=0.05, spending=spending))
    correlation = np.sqrt(np.minimum.outer(looks, looks) / np.maximum.outer(looks, looks))
    inside = stats.multivariate_normal(cov=correlation, seed=1).cdf(z, lower_limit=-z)
    assert 1 - inside == pytest.approx(0.05, abs=2e-5)
    assert MarginDesign.look_levels([1.0], alpha=0.05, spending=spending) == pytest.approx(
        (0.05,), rel=1e-9
    )


@pytest.mark.parametrize("looks", [[0.5, 0.5], [0.0, 1.0], [0.5, 1.1]])
def test_looks_that_do_not_rise_to_one_are_refused(looks):
    with pytest.raises(ValueError, match="shares must rise"):
        MarginDesign.look_levels(looks, alpha=0.05, spending="pocock")
