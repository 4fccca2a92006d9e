"""The power of a margin: how often a true lead of a given size is resolved, by exact t."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, polygamma, roots_jacobi, roots_legendre

Design = Literal["shared", "welch", "paired", "paired_shared"]
Spending = Literal["obrien_fleming", "pocock"]
Floats = NDArray[np.float64]

# More runs than this of one title on one product are not a plan.
MOST_RUNS = 100_000
_MOST_ONE_SIDED = 200
_NODES = 24  # of the quadrature in Welch's power; 20 already agree to nine digits
_NEGLIGIBLE = 1e-9  # a variance of ln variance below this is none
_LOOK_NODES = 200  # between the bounds of a look; 100 already agree to ten digits
_SPREAD_NODES = 9  # either way, of the quadrature over spreads that are not known exactly


@dataclass(frozen=True, slots=True)
class SpreadUncertainty:
    """How uncertain the run-to-run spreads of a margin's two sides are.

    `mine` and `other` are the variances of what is known of ln run-to-run variance on either side,
    and `both` is their covariance: what is not known of a title's own level is uncertain on both
    sides alike. All 0, as by default: the spreads are taken as known.

    `kept` are the runs made so far on either side (sessions, where paired), if the margin will be
    computed from them too; None where it will rest on new runs alone. Runs that are kept tell the
    margin's own interval what they told the plan, so that only the news of the others counts.
    """

    mine: float = 0.0
    other: float = 0.0
    both: float = 0.0
    kept: tuple[int, int] | None = None

    def swapped(self) -> SpreadUncertainty:
        """Return the same with the sides exchanged."""
        kept = None if self.kept is None else (self.kept[1], self.kept[0])
        return SpreadUncertainty(self.other, self.mine, self.both, kept)

    def remaining(self, runs: tuple[float, float], *, paired: bool = False) -> Floats:
        """Return the covariance, shape (2, 2), of what is not known and what is not kept.

        Where runs are kept, the variance of what new ones will change: before less after, each new
        side's ln sample variance having the variance trigamma((new runs) / 2).
        """
        before = np.array([[self.mine, self.both], [self.both, self.other]])
        if self.kept is None:
            return before
        new = [max(0.0, n - k) for n, k in zip(runs, self.kept, strict=True)]
        if paired:
            new[1] = 0.0  # a session tells once of the difference
        told = np.diag([1 / float(polygamma(1, n / 2)) if n > 0 else 0.0 for n in new])
        news: Floats = before @ told @ np.linalg.solve(np.eye(2) + before @ told, before)
        return (news + news.T) / 2

    def nodes(
        self, runs: tuple[float, float], *, paired: bool = False
    ) -> tuple[Floats, Floats, Floats]:
        """Return factors of either side's standard deviation, and the weight of each pair.

        Shape (n_nodes,) each: the Gauss-Hermite rule of two normal ln variances, without nodes of
        hardly any weight. It is good to 0.001 of power for variances up to 1.
        """
        (mine, both), (_, other) = self.remaining(runs, paired=paired).tolist()
        if mine + other < _NEGLIGIBLE:
            return np.ones(1), np.ones(1), np.ones(1)
        x, w = hermegauss(_SPREAD_NODES)
        weight = np.outer(w, w).ravel()
        used = weight > 1e-5 * weight.sum()
        first, second = (z.ravel()[used] for z in np.meshgrid(x, x, indexing="ij"))
        lean = both / math.sqrt(mine) if mine > 0 else 0.0
        own = math.sqrt(max(0.0, other - lean**2))
        return (
            np.exp(math.sqrt(mine) * first / 2),
            np.exp((lean * first + own * second) / 2),
            weight[used] / weight[used].sum(),
        )


KNOWN = SpreadUncertainty()


@dataclass(frozen=True, slots=True)
class MarginDesign:
    """How a margin will be computed, and how far runs will spread.

    Attributes
    ----------
    run_sd, other_sd : float
        Run-to-run standard deviation of ln values on the two sides (close to the coefficient of
        variation: 0.01 where runs differ by 1 %), >= 0. The second defaults to the first.
    confidence : float
        Of the two-sided interval, a fraction in (0, 1).
    design : {"shared", "welch", "paired", "paired_shared"}
        How the margin will be computed.
    borrowed_df : float
        For "shared": degrees of freedom that the variance of each side borrows from other cells;
        for "paired_shared": that the variance of session differences borrows from other pairs.
    correlation : float
        Where paired: correlation of the two sides' ln values within a session, below 1.
    uncertainty : SpreadUncertainty
        How uncertain the spreads are; by default they are taken as known.

    Raises
    ------
    ValueError
        If an argument is out of its range.
    """

    run_sd: float
    confidence: float
    design: Design
    other_sd: float | None = None
    borrowed_df: float = 0.0
    correlation: float = 0.0
    uncertainty: SpreadUncertainty = KNOWN

    def __post_init__(self) -> None:
        """Refuse what no margin can have."""
        if not (0 < self.confidence < 1 and self.correlation < 1):
            raise ValueError("confidence must be in (0, 1), correlation < 1")
        if min(self.sds) < 0 or self.borrowed_df < 0:
            raise ValueError("run_sd, other_sd and borrowed_df must not be negative")

    @property
    def by_session(self) -> bool:
        """Whether both sides are compared session by session."""
        return self.design.startswith("paired")

    @property
    def sds(self) -> tuple[float, float]:
        """Both spreads."""
        return self.run_sd, self.run_sd if self.other_sd is None else self.other_sd

    def _kept_share(self, sessions: float) -> float:
        """Return which share of sessions is kept from the plan, where their variance is shared.

        What is kept has told the interval its width already: it will not scatter as noncentral t
        has it, whose width lies on the log scale 1 / (2 df) lower on average.
        """
        kept = self.uncertainty.kept
        if self.design != "paired_shared" or kept is None:
            return 0.0
        return min(1.0, min(kept) / sessions)

    def power(self, ratio: float, *, runs: float, other_runs: float | None = None) -> float:
        """Return how often a margin's interval leaves out 1 where the true margin is `ratio`.

        Parameters
        ----------
        ratio : float
            The true margin, > 0: 1.03 for a product 3 % ahead.
        runs, other_runs : float
            Runs on either side, 2 or more; the second defaults to the first. Where paired, `runs`
            sessions with a run of each.

        Returns
        -------
        float
            A fraction in [0, 1].

        Raises
        ------
        ValueError
            If an argument is out of its range.

        Notes
        -----
        "shared" without borrowed degrees of freedom, with equal spreads and counts, is the t test
        with a pooled variance, whose power is an integral of the noncentral t distribution [1]_;
        with unequal ones its degrees of freedom are Satterthwaite's. "paired" is the t test of
        differences, "paired_shared" the same with borrowed degrees of freedom. "welch" is exact
        too: given the share that each side has in the total sum of
        squares, Welch's t is a scaled noncentral t, and the share follows a beta distribution. With
        three runs Welch's test falls well short of the pooled one.

        Where spreads are uncertain the power is the mean over what is known of them, ln variances
        being taken as normal around the ones given. Around 0.8 power falls by more for a larger
        spread than it rises for a smaller one, so spreads that are estimates promise too much when
        taken as known.

        References
        ----------
        .. [1] J. Cohen (1988), "Statistical Power Analysis for the Behavioral Sciences", 2nd ed.
        """
        other_runs = runs if other_runs is None else other_runs
        if not (ratio > 0 and min(runs, other_runs) > 1):
            raise ValueError("ratio must be > 0, runs > 1")
        effect = abs(math.log(ratio))
        if effect == 0:
            return 1 - self.confidence
        if max(self.sds) == 0:
            return 1.0
        return self._power_of_effect(runs, other_runs)(effect)

    def _power_of_effect(self, runs: float, other_runs: float) -> Callable[[float], float]:
        """Return power as a function of the ln of a margin; what no margin moves is found once."""
        tail = (1 - self.confidence) / 2
        paired = self.by_session
        mine, theirs, weight = self.uncertainty.nodes((runs, other_runs), paired=paired)
        sds = (self.sds[0] * mine, self.sds[1] * theirs)
        if self.design == "welch":
            powers = _welch_powers(sds, (runs, other_runs), tail)
        elif paired:
            variance = sds[0] ** 2 + sds[1] ** 2 - 2 * self.correlation * sds[0] * sds[1]
            borrowed = self.borrowed_df if self.design == "paired_shared" else 0.0
            whole_df = runs - 1 + borrowed
            kept = math.exp(self._kept_share(runs) / whole_df)
            scale = np.sqrt(runs * kept / variance)
            powers = _t_powers(lambda effect: effect * scale, whole_df, tail)
        else:
            part, other_part = sds[0] ** 2 / runs, sds[1] ** 2 / other_runs
            df = (part + other_part) ** 2 / (
                part**2 / (runs - 1 + self.borrowed_df)
                + other_part**2 / (other_runs - 1 + self.borrowed_df)
            )
            error = np.sqrt(part + other_part)
            powers = _t_powers(lambda effect: effect / error, df, tail)
        return lambda effect: float((weight * powers(effect)).sum())

    def runs_needed(
        self, ratio: float, *, power: float, other_runs: float | None = None
    ) -> int | None:
        """Return the runs on each side (or sessions) that resolve a true margin with a given power.

        Parameters
        ----------
        ratio : float
            The true margin, > 0.
        power : float
            A fraction in (0, 1).
        other_runs : float, optional
            Runs that the other side keeps; the answer is then for the first side alone.

        Returns
        -------
        int or None
            At least 2; None where more than `MOST_RUNS` would be needed (more than 200 where the
            other side keeps its runs).

        Examples
        --------
        Five percent error, power 0.8, a margin of two standard deviations: six runs each, not the
        four of the rule of thumb 16 / d squared.

        >>> design = MarginDesign(run_sd=0.01, confidence=0.95, design="shared")
        >>> design.runs_needed(math.exp(0.02), power=0.8)
        6
        """
        if not 0 < power < 1:
            raise ValueError("power must be in (0, 1)")

        def enough(runs: int) -> bool:
            return self.power(ratio, runs=runs, other_runs=other_runs) >= power

        if other_runs is not None:
            # Not a bisection: many more runs than the other side has can lower the power, for the
            # error is then all the other side's, and so are the degrees of freedom.
            return next((runs for runs in range(2, _MOST_ONE_SIDED + 1) if enough(runs)), None)
        low = high = 2
        while not enough(high):
            if high >= MOST_RUNS:
                return None
            low, high = high, min(2 * high, MOST_RUNS)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if enough(middle) else (middle, high)
        return high

    def smallest_ratio(
        self, runs: float, *, power: float, other_runs: float | None = None
    ) -> float:
        """Return the smallest margin (> 1) that a number of runs resolves with a given power.

        Parameters
        ----------
        runs, other_runs : float
            Runs on either side, as for `power`.
        power : float
            A fraction above 1 - confidence and below 1.

        Returns
        -------
        float
            Infinity where no margin of this world is resolved.

        Examples
        --------
        >>> design = MarginDesign(run_sd=0.01, confidence=0.95, design="shared")
        >>> round(100 * (design.smallest_ratio(3, power=0.8) - 1), 4)
        3.1185
        """
        from scipy.optimize import brentq

        if not 1 - self.confidence < power < 1:
            raise ValueError("power must be above 1 - confidence and below 1")

        other_runs = runs if other_runs is None else other_runs
        if min(runs, other_runs) <= 1:
            raise ValueError("runs must be > 1")
        high = max(self.sds)
        if high == 0:
            return 1.0
        chance = self._power_of_effect(runs, other_runs)

        def excess(effect: float) -> float:
            # Of the margin itself, as `power` takes it, so that the two agree to the last bit.
            ln = math.log(math.exp(effect))
            return (chance(ln) if ln else 1 - self.confidence) - power

        while excess(high) < 0:
            high *= 2
            if high > 500:
                return math.inf
        return math.exp(brentq(excess, 0.0, high, xtol=1e-14, rtol=1e-13))

    @staticmethod
    def look_levels(
        shares: Sequence[float], *, alpha: float, spending: Spending
    ) -> tuple[float, ...]:
        """Return two-sided levels of looks that together call a true tie with probability `alpha`.

        Parameters
        ----------
        shares : sequence of float
            Of all runs, those made at each look: rising, in (0, 1].
        alpha : float
            The probability up to share 1, a fraction in (0, 1).
        spending : {"obrien_fleming", "pocock"}
            How much of it may be spent until a share: little early, or nearly evenly [1]_.

        Raises
        ------
        ValueError
            If an argument is out of its range.

        Notes
        -----
        The chance to cross a bound first at a look is integrated over the density of what has
        crossed none before [2]_. Exact for normal estimates of known variance; with few runs the
        level is used in place of that of Student's t.

        References
        ----------
        .. [1] K. K. G. Lan and D. L. DeMets (1983), "Discrete sequential boundaries for clinical
               trials", Biometrika 70(3), 659-663.
        .. [2] P. Armitage, C. K. McPherson and B. C. Rowe (1969), "Repeated significance tests on
               accumulating data", Journal of the Royal Statistical Society A 132(2), 235-244.

        Examples
        --------
        >>> levels = MarginDesign.look_levels([0.5, 1.0], alpha=0.05, spending="pocock")
        >>> [round(level, 4) for level in levels]
        [0.031, 0.0277]
        """
        from scipy.optimize import brentq

        t = np.array([0.0, *shares])
        if not (0 < alpha < 1 and (np.diff(t) > 0).all() and t[-1] <= 1):
            raise ValueError("alpha must be in (0, 1), and shares must rise in (0, 1]")
        if spending == "pocock":
            spent = alpha * np.log1p((math.e - 1) * t)
        else:
            spent = np.concatenate(([0.0], 4 * ndtr(ndtri(alpha / 4) / np.sqrt(t[1:]))))
        nodes, weights = roots_legendre(_LOOK_NODES)
        at, mass, found = np.zeros(1), np.ones(1), []
        for share, step, more in zip(t[1:], np.sqrt(np.diff(t)), np.diff(spent), strict=True):

            def beyond(bound: float) -> float:
                outside = ndtr((at - bound) / step) + ndtr((-at - bound) / step)  # noqa: B023
                return float((mass * outside).sum() - more)  # noqa: B023

            bound = brentq(beyond, 0.0, 40 * math.sqrt(share), xtol=1e-14, rtol=1e-13)
            found.append(2 * float(ndtr(-bound / math.sqrt(share))))
            reached = bound * nodes
            density = np.exp(-0.5 * ((reached[:, None] - at) / step) ** 2) / step
            mass = bound * weights * (density * mass).sum(axis=1) / math.sqrt(2 * math.pi)
            at = reached
        return tuple(found)


def _t_powers(
    shift: Callable[[float], Floats], df: Floats | float, tail: float
) -> Callable[[float], Floats]:
    """Return by effect the chance that a noncentral t, shifted so, leaves the central interval."""
    from scipy.stats import t

    critical = t.isf(tail, df)
    return lambda effect: _outside(critical, df, shift(effect))


def _outside(critical: Floats, df: Floats | float, shift: Floats) -> Floats:
    """Return the chance that a noncentral t with `shift` > 0 lies outside -critical..critical."""
    from scipy.stats import nct

    below = nct.cdf(-critical, df, shift)
    # Far out on the other side nct.cdf gives nan instead of something below 1e-15.
    both: Floats = nct.sf(critical, df, shift) + np.nan_to_num(below, nan=0.0)
    return np.clip(both, 0.0, 1.0)


def _welch_powers(
    sds: tuple[Floats, Floats], runs: tuple[float, float], tail: float
) -> Callable[[float], Floats]:
    """Return Welch's power by effect: a mean over the share one side has in the squares."""
    from scipy.stats import t

    df_a, df_b = runs[0] - 1, runs[1] - 1
    nodes, weights = roots_jacobi(_NODES, df_b / 2 - 1, df_a / 2 - 1)
    share = (nodes + 1) / 2
    # Squared errors of either mean, as parts of the total sum of squares (a chi-square).
    part_a = sds[0][:, None] ** 2 * share / df_a / runs[0]
    part_b = sds[1][:, None] ** 2 * (1 - share) / df_b / runs[1]
    df = (part_a + part_b) ** 2 / (part_a**2 / df_a + part_b**2 / df_b)
    true = (sds[0] ** 2 / runs[0] + sds[1] ** 2 / runs[1])[:, None]
    total = df_a + df_b
    critical = t.isf(tail, df) * np.sqrt((part_a + part_b) * total / true)

    def powers(effect: float) -> Floats:
        power = _outside(critical, total, effect / np.sqrt(true))
        mean: Floats = (weights * power).sum(axis=1) / weights.sum()
        return mean

    return powers


def borrowed_degrees(spread_of_log_variance: float) -> float:
    """Return the degrees of freedom that each cell borrows where variances are shared.

    Parameters
    ----------
    spread_of_log_variance : float
        Variance, between cells of a title, of the ln of their run-to-run variance.

    Returns
    -------
    float
        d for which trigamma(d / 2) equals the spread: the ln of a variance estimated on d degrees
        of freedom would scatter as much. Infinity where cells do not differ.

    Notes
    -----
    As in the estimate of prior degrees of freedom by G. K. Smyth (2004), "Linear models and
    empirical Bayes methods for assessing differential expression in microarray experiments",
    Statistical Applications in Genetics and Molecular Biology 3(1), article 3 (cited from memory).

    Examples
    --------
    >>> round(borrowed_degrees(float(polygamma(1, 4.5))), 9)
    9.0
    """
    from scipy.optimize import brentq

    if spread_of_log_variance < 0:
        raise ValueError("spread_of_log_variance must not be negative")
    if spread_of_log_variance < 1e-6:
        return math.inf

    def excess(log_half: float) -> float:
        return float(polygamma(1, math.exp(log_half))) - spread_of_log_variance

    # trigamma(x) is near 1/x for large x and 1/x^2 for small, so the root lies between these.
    return 2 * math.exp(brentq(excess, -30.0, 30.0, xtol=1e-13))


def best_length_s(*, run_s: float, setup_s: float, run_sd: float, within_sd: float) -> float | None:
    """Return the length of a run, in seconds, that gives most precision for the time spent.

    Parameters
    ----------
    run_s, setup_s : float
        Length of a run so far, and the time a launch costs before it, > 0.
    run_sd : float
        Standard deviation of ln averages from run to run.
    within_sd : float
        The part of it that comes from a run being short: the standard error of one run's ln
        average, from the frames inside it.

    Returns
    -------
    float or None
        None where the frames inside a run already explain all of the spread between runs: then
        nothing is known to be gained by another launch, and no length is best.

    Notes
    -----
    A launch costs `setup_s` and leaves the variance between runs, a second of run costs itself and
    leaves within_sd^2 x run_s: the time spent times the variance is least at the square root of
    the ratio of costs times that of variances, inner over outer [1]_.

    References
    ----------
    .. [1] T. Kalibera and R. Jones (2013), "Rigorous benchmarking in reasonable time", ISMM '13,
           63-74.
    """
    between = run_sd**2 - within_sd**2
    if between <= 0:
        return None
    return math.sqrt(setup_s * (within_sd**2 * run_s) / between)
