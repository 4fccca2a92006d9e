"""Published and worked-out figures that no other test holds the kit to.

The other checks of outliers, means, variance components, certified sets, autocorrelation,
bootstrap, equivalence, trend, many comparisons, repeat runs and propagation stand in the tests of
the modules concerned. These do not apply, each for one reason:

* Dixon's r10 (Rorabacher 1991): the kit tests far values by Grubbs and the modified z only.
* The pooled t of the fuel figures (NIST/SEMATECH 1.3.5.3, t -12.62059): no margin pools the
  variance of its two sides alone.
* Jackknife and delta errors of a ratio of arithmetic means (patch data): the kit has no such ratio.
* A threshold of 0.01 that no window of runs ever meets (Georges et al. 2007): the kit judges single
  runs far or not and has no state "never steady".
* Maximum-likelihood components of the dyestuff data: the kit's are those of the analysis of
  variance (which REML equals in a balanced table).
* Cell means and deviations rounded to three decimals before ISO 5725's sums: the kit works
  unrounded; what is printed is compared below.
* Long-run variance in a Bartlett window (statsmodels' HAC): the kit's window is flat-topped.
* Correlation of the law schools, basic and BCa intervals, jackknife acceleration; the median of the
  mice: the kit resamples averages and lows of frames, and takes percentiles.
* Sen's slope over uneven abscissae, and intervals for a slope (Sen 1968, scipy's theilslopes): runs
  and stretches are one step apart, and no interval is stated.
* Bonferroni, Hochberg, Benjamini-Yekutieli: the kit adjusts by Holm, Benjamini-Hochberg or not.
* Resistance and reactance from mean voltage, current and phase (JCGM 100 H.2): a sine of a mean
  is no product of powers. The impedance is, and so is what is computed set by set: both below.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_runs import METRIC, cells_of, compared, framed, made_runs, margin_params
from review.test_health import COAL, DYESTUFF, JUDGES
from run_facts import metrics_of
from scipy import optimize, signal, stats
from screening_case import bench, cell, params, runs_of, view
from stats.test_intervals import CLINIC_A, CLINIC_B, P_VALUES, REFERENCE, SLEEP_1, TEST
from stats.test_series import MASKED, MAVRO, MICHELSO, NUMACC1, NUMACC2, NUMACC3

from kit.bench.runs import Run, RunRow
from kit.logs.read import Log
from kit.margins.replicates import sample_variance
from kit.metrics.blocks import _bootstrap_replicates, _optimal_block, measure_blocks
from kit.review.health import _analyse_one_way, _analyse_two_way
from kit.rounding import Rounded
from kit.screening import run_rules
from kit.screening.screen import screen_runs
from kit.settings.params import MetricParams
from kit.stats.intervals import adjust_p_values, welch_error
from kit.stats.series import _rank_trend, find_trend, grubbs_test, lag1_autocorrelation


def one_margin(product, baseline, method, *, paired=False, **changes):
    """Return the margin of one product over one other in one title."""
    names = [f"s{i}" for i in range(len(product))] if paired else ()
    runs = made_runs("a", "t", product, sessions=names)
    runs += made_runs("b", "t", baseline, sessions=names)
    how = margin_params(method, **changes)
    (margin,) = compared(runs, framed("t"), product="a", baselines=["b"], params=how)
    return margin


# -- outliers -------------------------------------------------------------------------------------


def test_two_far_values_pull_the_mean_and_spread_after_them():
    # B. Iglewicz and D. C. Hoaglin (1993), ASQC vol. 16 (data attribution from memory), by
    # arithmetic: ordinary z of the two large values only 1.87244085 and 1.91262198 (masking: mean
    # 3.54, s 2.4887301537).
    found = grubbs_test(MASKED, alpha=0.05)
    assert (found.index, found.statistic) == (9, pytest.approx(1.91262198, abs=5e-9))
    spread = math.sqrt(sample_variance(MASKED))
    assert spread == pytest.approx(2.4887301537, abs=5e-11)
    assert (MASKED[8] - 3.54) / spread == pytest.approx(1.87244085, abs=5e-9)


# -- two means ------------------------------------------------------------------------------------

# B. Efron and R. J. Tibshirani (1993), "An Introduction to the Bootstrap", hormone-patch data, ch.
# 10 and 25 (from memory): 90 % Fieller interval of y over z (t, 7 df), printed [-.249, .170].
PATCH_Z = np.array([8406.0, 2342, 8187, 8459, 4795, 3516, 4796, 10238])
PATCH_Y = np.array([-1200.0, 2601, -2705, 1982, -1290, 351, -638, -2719])


def fieller(top, bottom, confidence):
    """Return the ends of top's mean over bottom's, both measured in the same sessions.

    (ybar - r zbar)^2 = t^2 (s_yy - 2 r s_yz + r^2 s_zz) / n, solved for r.
    """
    t = stats.t.ppf((1 + confidence) / 2, top.size - 1)
    part = t**2 * np.cov(top, bottom) / top.size
    a = bottom.mean() ** 2 - part[1, 1]
    half_b = top.mean() * bottom.mean() - part[0, 1]
    root = math.sqrt(half_b**2 - a * (top.mean() ** 2 - part[0, 0]))
    return (half_b - root) / a, (half_b + root) / a


def scaled(values, level, spread):
    """Return values of the same pattern with another mean, and a relative standard deviation."""
    return level * (1 + spread * (values - values.mean()) / values.std(ddof=1))


# Ends of ln agree to second order in the spread from run to run. Seen: 1.3e-6 at 1 %, 3.1e-5 at
# 5 %; at 20 % 0.4 %, where a geometric and an arithmetic mean part company.
@pytest.mark.parametrize(("spread", "apart"), [(0.01, 2e-6), (0.05, 4e-5), (0.2, 5e-3)])
def test_a_paired_margin_has_fiellers_ends(spread, apart):
    assert fieller(PATCH_Y, PATCH_Z, 0.9) == pytest.approx((-0.2488728736, 0.1702262327), abs=5e-11)
    top, bottom = scaled(PATCH_Y, 60.0, spread), scaled(PATCH_Z, 50.0, spread)
    margin = one_margin(top, bottom, "paired", paired=True, confidence=0.9)
    assert margin.df == 7
    assert (margin.low, margin.high) == pytest.approx(fieller(top, bottom, 0.9), rel=apart)


def test_figures_that_are_not_positive_have_no_margin():
    # The same patients: a mean of y below 0 has no ratio on a log scale.
    with pytest.raises(ValueError, match="finite and above 0"):
        one_margin(PATCH_Y, PATCH_Z, "paired", paired=True)


def test_an_unbounded_ratio_is_never_two_finite_ends():
    # Student (1908), sleep group 1 (mean 0.75, t = 1.3257101407 against 2.2621571628): g = 2.9117 >
    # 1, so Fieller's 95 % set of any ratio over it is unbounded.
    assert unbounded_by(SLEEP_1) == pytest.approx(2.9117118344, abs=5e-11)
    with pytest.raises(ValueError, match="finite and above 0"):
        one_margin([60, 61, 59], SLEEP_1, "welch")
    # Positive runs with g > 1. The ratio of geometric means is bounded, and says nothing here.
    wild = np.array([2.0, 3.0, 70.0])
    assert unbounded_by(wild) > 1
    margin = one_margin([60, 61, 59], wild, "welch")
    assert margin.outcome == "unresolved" and margin.low < 0.1 and margin.high > 1000
    # Wider than any figure that could be printed: marked, and printed without an interval.
    margin = one_margin([60, 61], [1e-30, 1e30], "welch")
    assert (margin.low, margin.high, margin.outcome) == (None, None, "unresolved")
    assert margin.marks == ("no_interval",)
    assert Rounded.ratio(margin.ratio, margin.low, margin.high).interval == ""


def unbounded_by(bottom):
    """Return Fieller's g: above 1, the denominator's own interval holds 0."""
    t = bottom.mean() / stats.sem(bottom)
    return (stats.t.ppf(0.975, bottom.size - 1) / t) ** 2


# T. Kalibera and R. Jones (2013), "Rigorous benchmarking in reasonable time", ISMM '13, 63-74
# (formula from memory; equal to root-finding): base 100 with half-width 2, other 78.125 with
# 1.5625, ratio 0.78125 in (0.7594589065, 0.8036663436). They give each side the t of its own runs,
# the kit gives the difference Welch's; with theirs put in, the ends agree to 4e-6 at 3 runs (0.8 %
# from run to run), 9e-7 at 5 and 9e-6 at 10, and to 5e-5 at 30 (5.4 %).
@pytest.mark.parametrize(("runs", "apart"), [(3, 5e-6), (5, 1e-6), (10, 1e-5), (30, 6e-5)])
def test_a_margin_has_the_ends_of_a_ratio_of_independent_means(runs, apart):
    own_t = stats.t.ppf(0.975, runs - 1)
    pattern = np.linspace(-1, 1, runs)
    spread = 0.02 * math.sqrt(runs) / own_t  # of single runs: half-width 2 % of the mean
    base, other = (scaled(x, y, spread) for x, y in ((pattern, 100.0), (-pattern, 78.125)))
    margin = one_margin(other, base, "welch")
    assert margin.ratio == pytest.approx(0.78125, rel=1e-12)
    assert margin.df == pytest.approx(2 * (runs - 1), rel=1e-5)
    half = math.log(margin.high / margin.ratio) * own_t / stats.t.ppf(0.975, margin.df)
    ends = margin.ratio * np.exp([-half, half])
    assert ends == pytest.approx([0.7594589065, 0.8036663436], rel=apart)


def measured(times, *, seed=4):
    """Return four runs of frames of each of six products, each run's frames repeated."""
    rng = np.random.default_rng(seed)
    made = []
    for p in range(6):
        for i in range(4):
            frame_ms = 10 * np.exp(0.01 * rng.normal() + 0.05 * rng.normal(size=600))
            log = Log("logs/a.csv", f"{p}{i}", 1, np.tile(frame_ms, times))
            run = Run(RunRow(f"p{p}-{i}", f"p{p}", "t", log="logs/a.csv", layout="csv"), log)
            made.append((metrics_of(run, MetricParams(low="percentile")), frame_ms))
    return [m for m, _ in made], [f for _, f in made]


# T. Kalibera and R. Jones (2013): t(n_top - 1) S_top / sqrt(n_top), the half-width of a balanced
# design; frames inside a run never enter the degrees of freedom. Same as classical nested ANOVA.
def test_frames_in_a_run_are_no_replicates():
    metrics, frames = measured(1)
    found = cells_of(metrics, framed("t"), params=margin_params("welch"))[0]
    assert found.product == "p0" and found.method == "welch"
    logs = np.log([1000 / f.mean() for f in frames[:4]])
    ends = stats.t.interval(0.95, 3, loc=logs.mean(), scale=stats.sem(logs))  # scipy's one-sample t
    assert np.log([found.low, found.high]) == pytest.approx(ends, rel=1e-12)
    # Nested ANOVA of the frames: the mean square between runs over all frames is S_top^2 / n_top.
    nested = _analyse_one_way([f.tolist() for f in frames[:4]])
    error = math.sqrt(nested.ss_between / nested.df_between / nested.values)
    assert error == pytest.approx(stats.sem([f.mean() for f in frames[:4]]), rel=1e-9)
    # 2,400 frames taken as replicates would make an interval a tenth as wide.
    pooled = 1.96 * stats.sem(np.concatenate(frames[:4])) / 10
    assert math.log(found.high / found.value) > 5 * pooled


@pytest.mark.parametrize("method", ["welch", "shared"])
def test_more_frames_in_a_run_change_no_interval(method):
    few, many = (measured(times)[0] for times in (1, 7))
    assert many[0].frames == 7 * few[0].frames
    how = {"product": "p0", "baselines": ["p1", "p2"], "params": margin_params(method)}
    pairs = zip(*(compared(m, framed("t"), **how) for m in (few, many)), strict=True)
    for one, other in pairs:
        assert one.method == other.method == method
        for name in ("ratio", "low", "high", "p_value"):
            assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-9)
    sides = (cells_of(m, framed("t"), params=margin_params(method)) for m in (few, many))
    for one, other in zip(*sides, strict=True):
        assert (other.low, other.high) == pytest.approx((one.low, one.high), rel=1e-9)


# A. Georges, D. Buytaert and L. Eeckhout (2007), "Statistically rigorous Java performance
# evaluation", OOPSLA '07: steady from the first window of k runs whose coefficient of variation is
# below a threshold. Constructed, by arithmetic: k = 4, threshold 0.02, start at run 2 from 0.
WARMING = [14.0, 12.0, 10.4, 10.1, 10.0, 10.2, 9.9, 10.1, 10.0]
VARIATION = [0.1539400445, 0.0877450433, 0.0167845221, 0.0128457159, 0.0128457159, 0.0128457159]


@pytest.mark.parametrize("figures", [WARMING, [600 / x for x in WARMING]], ids=["down", "up"])
def test_runs_before_the_steady_state_are_the_far_ones(figures):
    windows = np.lib.stride_tricks.sliding_window_view(np.array(WARMING), 4)
    variation = windows.std(axis=1, ddof=1) / windows.mean(axis=1)
    assert variation == pytest.approx(VARIATION, abs=5e-11)
    start = int(np.argmax(variation < 0.02))
    assert start == 2
    pairs = cell(figures)
    early = [row.run for row, _ in pairs[:start]]
    assert runs_of(run_rules._find_outliers(view(pairs))) == early
    rows, diagnostics = [row for row, _ in pairs], {row.run: s for row, s in pairs}
    # Two such runs hide each other from the rule of first runs. Where far runs are not set aside,
    # they are flagged, and so is the drift over the order.
    screened = screen_runs(rows, diagnostics, bench(), params())
    flagged = {(f.rule, f.run) for f in screened.flags if f.action == "flag"}
    assert {("order_drift", ""), *(("far_run", run) for run in early)} <= flagged
    acting = screen_runs(rows, diagnostics, bench(), params(set_aside_rules=["warm_up", "far_run"]))
    assert list(acting.set_aside) == early


# -- variance components --------------------------------------------------------------------------


def test_dyestuff_mean_squares_and_their_p():
    # O. L. Davies and P. L. Goldsmith, dyestuff (package lme4, `Dyestuff`): MS 11271.5 and 2451.25,
    # F 4.5982661907, p 0.0043975313 (arithmetic, scipy).
    found = _analyse_one_way(DYESTUFF)
    between = found.ss_between / found.df_between
    assert (between, found.ss_within / found.df_within) == pytest.approx((11271.5, 2451.25))
    p = stats.f.sf(between / found.within_var, found.df_between, found.df_within)
    assert p == pytest.approx(0.0043975313, abs=5e-11)


def test_sulfur_prints_as_in_the_standard():
    # ISO 5725-2:1994, Annex B, example 1 (inputs and printed results from memory): prints m 0.690,
    # s_r 0.015, s_R 0.026; MSB 0.0017935185185 and MSW 0.0002285087719 by arithmetic.
    found = _analyse_one_way(COAL)
    assert found.ss_between / found.df_between == pytest.approx(0.0017935185185, abs=5e-14)
    assert found.within_var == pytest.approx(0.0002285087719, abs=5e-14)
    figures = (
        found.mean,
        math.sqrt(found.within_var),
        math.sqrt(found.within_var + found.between_var),
    )
    assert [f"{x:.3f}" for x in figures] == ["0.690", "0.015", "0.026"]


def test_means_of_four_judges():
    # P. E. Shrout and J. L. Fleiss (1979), Psychological Bulletin 86, 420-428: ICC(1,4) .44,
    # ICC(2,4) .62, ICC(3,4) .91 as printed; JMS 32.4861111111 and further digits by arithmetic.
    one, two = _analyse_one_way(JUDGES.tolist()), _analyse_two_way(JUDGES)
    assert 6 * two.column_var + two.rest_var == pytest.approx(32.4861111111, abs=5e-11)
    icc_1 = one.between_var / (one.between_var + one.within_var / 4)
    icc_2 = two.row_var / (two.row_var + (two.column_var + two.rest_var) / 4)
    icc_3 = two.row_var / (two.row_var + two.rest_var / 4)
    expected = [0.4427971337, 0.6200505476, 0.9093155424]
    assert [icc_1, icc_2, icc_3] == pytest.approx(expected, abs=5e-11)


# -- NIST StRD, mean and standard deviation -------------------------------------------------------


# NIST Statistical Reference Datasets, univariate summary statistics: certified means and standard
# deviations (n - 1), as in the test resources of a general maths library. Doubles give
# 0.10000000003492 for NumAcc3, whose figures are rounded to 1e-10 before any sum.
@pytest.mark.parametrize(
    ("values", "mean", "sd", "digits"),
    [
        (MICHELSO, 299.8524, 0.0790105478190518, 1e-12),
        (MAVRO, 2.001856, 0.000429123454003053, 1e-12),
        (NUMACC1, 10000002.0, 1.0, 1e-14),
        (NUMACC2, 1.2, 0.1, 1e-13),
        (NUMACC3, 1000000.2, 0.1, 1e-9),
    ],
    ids=["Michelso", "Mavro", "NumAcc1", "NumAcc2", "NumAcc3"],
)
def test_mean_and_standard_deviation_match_nist(values, mean, sd, digits):
    assert math.sqrt(sample_variance(values.tolist())) == pytest.approx(sd, rel=digits)
    found = _analyse_one_way([values.tolist()])
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert math.sqrt(found.within_var) == pytest.approx(sd, rel=digits)


# -- autocorrelation and blocks -------------------------------------------------------------------


def residual_phi(levels):
    """Return what `find_trend` takes for phi, from its references (Marriott and Pope 1954)."""
    slope, *_ = _rank_trend(levels)
    rest = lag1_autocorrelation(levels - slope * np.arange(levels.size))
    return (rest * levels.size + 2) / (levels.size - 4)


# M. B. Priestley (1981), "Spectral Analysis and Time Series"; D. S. Wilks, "Statistical Methods in
# the Atmospheric Sciences": exact inflation of the variance of a mean of n values of a first-order
# autoregression, (1 + phi) / (1 - phi) - 2 phi (1 - phi^n) / (n (1 - phi)^2).
@pytest.mark.parametrize(
    ("phi", "n", "inflation"), [(0.3, 100, 1.8448979592), (0.5, 100, 2.96), (0.9, 1000, 18.82)]
)
def test_a_trend_is_judged_with_the_exact_inflation(phi, n, inflation):
    shocks = np.random.default_rng(1).standard_normal(n)

    def series(own_phi):
        return signal.lfilter([1.0], [1.0, -own_phi], shocks) + np.arange(n) * 4 / n

    levels = series(optimize.brentq(lambda x: residual_phi(series(x)) - phi, 0, 0.99, xtol=1e-14))
    _, score, variance = _rank_trend(levels)
    z = stats.norm.isf(find_trend(levels).p_value / 2)
    assert score**2 / variance / z**2 == pytest.approx(inflation, rel=1e-9)


# D. N. Politis and H. White (2004), Econometric Reviews 23, 53-70; Patton, Politis and White
# (2009), 28, 372-375. Population values of a first-order autoregression: stationary
# (2 phi / (1 - phi^2))^(2/3) n^(1/3), circular 1.5^(1/3) times that. Estimates scatter around them,
# and their median lies below where dependence is strong: 0.96 and 0.87 of them seen.
@pytest.mark.parametrize(
    ("phi", "n", "stationary", "circular"),
    [(0.3, 10_000, 16.3207422221, 18.6825860706), (0.7, 1000, 19.6052284095, 22.4423841889)],
)
def test_block_lengths_are_near_their_population_values(phi, n, stationary, circular):
    shocks = np.random.default_rng(2).standard_normal((60, n + 100))
    series = signal.lfilter([1.0], [1.0, -phi], shocks)[:, 100:]
    lengths = np.array([_optimal_block(row) for row in series])
    assert np.median(lengths, axis=0) == pytest.approx([stationary, circular], rel=0.2)
    assert lengths[:, 1] / lengths[:, 0] == pytest.approx(np.full(60, 1.5 ** (1 / 3)), rel=1e-9)


def test_blocks_of_one_are_the_independent_bootstrap():
    # Data 1 to 12, by arithmetic: the error of the mean by an independent bootstrap is
    # 0.9965217286 (in blocks of three 1.3462912018, see test_blocks).
    values = np.arange(1.0, 13.0)
    error = measure_blocks(values, block=1).within_sd[METRIC] * values.mean()
    assert error == pytest.approx(0.9965217286, abs=5e-11)


# -- bootstrap ------------------------------------------------------------------------------------

# B. Efron and R. J. Tibshirani (1993), "An Introduction to the Bootstrap", tables 2.1 and 2.2 (from
# memory): survival of treated and control mice, days; figures by arithmetic.
TREATED = np.array([94.0, 197, 16, 38, 99, 141, 23])
CONTROL = np.array([52.0, 104, 146, 10, 51, 30, 40, 27, 46])


def test_the_mice_have_their_exact_bootstrap_error():
    # Exact bootstrap SE of the mean (infinite B) 23.3635234373, prints 23.36.
    error = measure_blocks(TREATED, block=1).within_sd[METRIC] * TREATED.mean()
    assert error == pytest.approx(23.3635234373, abs=5e-11)


def test_resampled_mice_are_spread_as_the_exact_distribution():
    drawn = 1000 / _bootstrap_replicates([TREATED], block=1, resamples=40_000, seed=3)[METRIC]
    # Monte Carlo error of a standard error from B resamples: SE / sqrt(2 B), 0.083 here.
    assert drawn.std() == pytest.approx(23.3635234373, abs=4 * 0.083)
    # The exact distribution of a resample's sum: that of one draw, convolved with itself.
    single = np.bincount(TREATED.astype(int)) / TREATED.size
    exact = np.ones(1)
    for _ in range(TREATED.size):
        exact = np.convolve(exact, single)
    for share in (0.05, 0.95):
        end = np.searchsorted(np.cumsum(exact), share) / TREATED.size
        # The error of an end: sqrt(0.05 0.95 / 40,000) over a density of 0.004 a day, 0.27.
        assert np.quantile(drawn, share) == pytest.approx(end, abs=4 * 0.27)


def test_the_difference_of_the_mice_and_its_error():
    # Usual SE 25.2354895331 and 14.1586033698; difference 30.6349206349, SE 28.9360671370.
    for mice, usual in ((TREATED, 25.2354895331), (CONTROL, 14.1586033698)):
        assert math.sqrt(sample_variance(mice) / mice.size) == pytest.approx(usual, abs=5e-11)
    sides = [
        np.array([x])
        for mice in (TREATED, CONTROL)
        for x in (sample_variance(mice), float(mice.size))
    ]
    assert welch_error(*sides)[0][0] == pytest.approx(28.9360671370, abs=5e-11)


# -- equivalence ----------------------------------------------------------------------------------


def one_sided_t(margin):
    """Return both t of a margin against the ends of the level band 0.8 to 1.25."""
    return [(math.log(margin.ratio) + sign * math.log(1.25)) / margin.log_se for sign in (1, -1)]


def test_a_paired_margin_is_level_as_in_the_users_guide():
    # A commercial statistics package's user guide (two-sample t procedure, equivalence example), as
    # quoted in statsmodels' own test file `stats/tests/test_tost.py`: 3.38, .0031, -5.90, <.0001;
    # further digits by statsmodels' ttost_paired(transform=log).
    margin = one_margin(TEST, REFERENCE, "paired", paired=True, level_band=0.25)
    assert margin.ratio == pytest.approx(0.9411989228, abs=5e-11)
    ends = (margin.level_low, margin.level_high)
    assert ends == pytest.approx((0.8633735195, 1.0260395902), abs=5e-11)
    t = one_sided_t(margin)
    assert t == pytest.approx([3.3822028608, -5.9041737607], abs=5e-10)
    assert stats.t.sf(np.abs(t), margin.df) == pytest.approx([0.0030593385, 5.12477e-5], abs=5e-10)
    assert margin.p_level == pytest.approx(0.0030593385, abs=5e-11)
    assert (margin.df, margin.outcome) == (11, "level")


def test_a_welch_margin_has_both_one_sided_tests():
    # Data of statsmodels' test file ("clinic"), bounds 0.8 and 1.25: t 3.6222525277 (p
    # 0.0005813529) and -2.4489893698 (p 0.0104708559), df 27.6117703765.
    margin = one_margin(CLINIC_A, CLINIC_B, "welch", level_band=0.25)
    t = one_sided_t(margin)
    assert t == pytest.approx([3.6222525277, -2.4489893698], abs=5e-10)
    assert stats.t.sf(np.abs(t), margin.df) == pytest.approx(
        [0.0005813529, 0.0104708559], abs=5e-11
    )


# -- many comparisons -----------------------------------------------------------------------------


def test_unadjusted_the_worked_example_rejects_nine():
    # Y. Benjamini and Y. Hochberg (1995), JRSS B 57, 289-300, worked example; counted.
    unadjusted = adjust_p_values(P_VALUES, family="none")
    assert sum(p <= 0.05 for p in unadjusted) == 9


# -- propagation ----------------------------------------------------------------------------------

# JCGM 100:2008 (GUM), H.2: five simultaneous sets of voltage, current and phase. Printed impedance
# 254.260 (.236); further digits by package `uncertainties`, correlated_values.
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_a_paired_margin_carries_the_correlation_of_its_sides():
    # Z = V / I = 254.2597019480 with u = 0.2363361301: a ratio of geometric means, paired, differs
    # by half the squared spread (1e-7 here: 4e-7 and 5e-6 seen).
    margin = one_margin(VOLTS, AMPERES, "paired", paired=True)
    assert margin.ratio == pytest.approx(254.2597019480, rel=1e-6)
    assert margin.ratio * margin.log_se == pytest.approx(0.2363361301, rel=1e-5)
    assert margin.df == 4
    # r(V, I) = -0.36: taken as independent, the error would be 14 % too small.
    apart = one_margin(VOLTS, AMPERES, "welch")
    assert apart.log_se < 0.87 * margin.log_se


# "Approach 2", each set computed first and the results averaged, as the kit does with runs:
# 127.7316304828 (.0712735432), 219.8468946033 (.2954890856), 254.2600495867 (.2362475017). A
# geometric mean lies half the squared spread lower (4e-6 at most), its error is as near as 4e-4.
@pytest.mark.parametrize(
    ("sets", "mean", "error"),
    [
        (VOLTS * np.cos(PHASE) / AMPERES, 127.7316304828, 0.0712735432),
        (VOLTS * np.sin(PHASE) / AMPERES, 219.8468946033, 0.2954890856),
        (VOLTS / AMPERES, 254.2600495867, 0.2362475017),
    ],
    ids=["resistance", "reactance", "impedance"],
)
def test_a_cell_averages_what_each_run_gave(sets, mean, error):
    (found,) = cells_of(made_runs("a", "t", sets), framed("t"), params=margin_params("welch"))
    assert sets.mean() == pytest.approx(mean, abs=5e-11)  # copied right
    assert found.value == pytest.approx(mean, rel=5e-6)
    assert found.value * found.log_se == pytest.approx(error, rel=5e-4)
