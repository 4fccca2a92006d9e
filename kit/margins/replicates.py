"""Runs as replicates: grouped by cell, on a log scale, paired by session; their variance, shared.

Three runs tell little of their own spread. All cells of a bench together tell much: how much runs
vary in general, how far titles differ in that, and how far products differ within a title. A cell's
variance is taken as a distribution that combines its own runs with what the others show."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from operator import mul

import numpy as np
from numpy.typing import NDArray

from kit.metrics.run_metrics import RunMetrics
from kit.rounding import grouped
from kit.settings.bench_file import Title
from kit.settings.metric import METRICS
from kit.stats.crossed_variance import ZERO_VARIANCE, CrossedFit, fit_crossed_variances

Floats = NDArray[np.float64]

# A level of L dB stands for a power of 10^(L/10): its natural logarithm is L times this.
LOG_PER_DB = math.log(10) / 10


def group_runs(
    metrics: Sequence[RunMetrics], *, metric: str
) -> dict[tuple[str, str], list[RunMetrics]]:
    """Return the runs that have a metric by (title, product), in the order given."""
    return grouped(((run.title, run.product), run) for run in metrics if metric in run.values)


def metric_unit(metric: str, title: str, titles: Mapping[str, Title] | None) -> str:
    """Return the unit of a metric in a title; "" where the title is not known."""
    if METRICS[metric].unit:
        return METRICS[metric].unit
    return titles[title].value_unit if titles is not None and title in titles else ""


def _is_level_unit(unit: str) -> bool:
    """Return whether a unit is a level, itself a logarithm: dB, dB(A) and so on."""
    return unit.startswith("dB")


def to_log(values: Sequence[float], unit: str) -> tuple[float, ...]:
    """Return values on the log scale on which margins are differences.

    Parameters
    ----------
    values : sequence of float
        In `unit`; finite, and > 0 unless they are levels.
    unit : str
        Their unit. Levels in dB become the natural logarithm of the power they stand for.

    Raises
    ------
    ValueError
        If a value is not finite, or not above 0 where it must be.
    """
    if _is_level_unit(unit):
        if not all(math.isfinite(v) for v in values):
            raise ValueError(f"levels must be finite: {list(values)}")
        return tuple(v * LOG_PER_DB for v in values)
    try:
        logs = tuple(map(math.log, values))  # refuses 0 and below
    except ValueError:
        logs = (math.nan,)
    if not math.isfinite(sum(logs)):
        raise ValueError(f"values must be finite and above 0: {list(values)}")
    return logs


def from_log(log_value: float, unit: str) -> float:
    """Return a figure in its unit from its place on the log scale."""
    return log_value / LOG_PER_DB if _is_level_unit(unit) else math.exp(log_value)


def sample_variance(logs: Sequence[float]) -> float:
    """Return the variance of values on the log scale, divisor n - 1; NaN of a single one."""
    if len(logs) < 2:
        return math.nan
    mean = math.fsum(logs) / len(logs)
    return math.fsum((x - mean) ** 2 for x in logs) / (len(logs) - 1)


@dataclass(frozen=True, slots=True)
class Pooled:
    """The passes behind the runs of a cell, on the log scale: mean, variance of one, numbers."""

    mean: float
    variance: float  # of one pass, divisor df; NaN where nothing tells it, 0.0 of equal runs
    passes: tuple[int, ...]  # of each run
    df: int
    logs: tuple[float, ...]  # of each run

    @property
    def n(self) -> int:
        """How many passes there are."""
        return sum(self.passes)

    @classmethod
    def of_runs(cls, runs: Sequence[RunMetrics], *, metric: str, unit: str) -> Pooled:
        """Return what the runs of one cell say of a metric.

        A run is one pass, save a figure typed in as the mean of several. What they are weighs by
        its passes; the squares around the mean of all of them and those of stated spreads add up,
        and so do their degrees of freedom [1]_.

        References
        ----------
        .. [1] Sums of squares between and within groups; common practice, no source.
        """
        logs = to_log([run.values[metric] for run in runs], unit)
        passes = tuple([run.passes for run in runs])
        mean = math.fsum(map(mul, passes, logs)) / sum(passes)
        known = [(run.passes - 1, run.spread[metric]) for run in runs if metric in run.spread]
        between = math.fsum([n * (x - mean) ** 2 for n, x in zip(passes, logs, strict=True)])
        df = len(runs) - 1 + sum([df for df, _ in known])
        squares = between + math.fsum([df * sd**2 for df, sd in known])
        variance = squares / df if df else math.nan
        return cls(mean, 0.0 if variance < ZERO_VARIANCE else variance, passes, df, logs)


@dataclass(frozen=True, slots=True)
class SessionPair:
    """Two sides compared session by session.

    `weight` is the sum of the sessions' weights; a session with m runs on one side and n on the
    other weighs 2 m n / (m + n), so that one run a side weighs 1. `log_var` is the variance of a
    difference of weight 1, None for a single session.
    """

    sessions: tuple[str, ...]
    difference: float
    weight: float
    log_var: float | None
    differences: tuple[float, ...]  # a - b in each session
    weights: tuple[float, ...]

    @classmethod
    def match(
        cls,
        logs_a: Sequence[float],
        sessions_a: Sequence[str],
        logs_b: Sequence[float],
        sessions_b: Sequence[str],
    ) -> SessionPair | None:
        """Return the weighted mean difference a - b over the sessions both sides share.

        Parameters
        ----------
        logs_a, logs_b : sequence of float
            Values of the runs on the log scale.
        sessions_a, sessions_b : sequence of str
            Their sessions; "" is a run whose session was not recorded, and pairs with nothing.

        Returns
        -------
        SessionPair or None
            None where no session is shared.

        Notes
        -----
        Where both sides have as many runs in each session, the result is the difference of the
        means of all those runs. What a session does to both sides alike cancels.
        """
        if {*sessions_a}.isdisjoint(sessions_b):
            return None
        by_session: tuple[dict[str, list[float]], dict[str, list[float]]] = ({}, {})
        for side, logs, sessions in zip(
            by_session, (logs_a, logs_b), (sessions_a, sessions_b), strict=True
        ):
            for value, session in zip(logs, sessions, strict=True):
                side.setdefault(session, []).append(value)
        a, b = by_session
        common = tuple(session for session in a if session and session in b)
        if not common:
            return None
        differences = [math.fsum(a[s]) / len(a[s]) - math.fsum(b[s]) / len(b[s]) for s in common]
        weights = [2 * len(a[s]) * len(b[s]) / (len(a[s]) + len(b[s])) for s in common]
        total = math.fsum(weights)
        mean = math.fsum(w * d for w, d in zip(weights, differences, strict=True)) / total
        log_var = None
        if len(common) > 1:
            squares = (w * (d - mean) ** 2 for w, d in zip(weights, differences, strict=True))
            log_var = math.fsum(squares) / (len(common) - 1)
        return cls(common, mean, total, log_var, tuple(differences), tuple(weights))


@dataclass(frozen=True, slots=True, eq=False)
class SharedVariances:
    """The run-to-run variances of one metric, for products alone and for pairs by session.

    Either fit is None where no cell (or pair) has two values that differ. `pooled` is what the runs
    of each cell say by themselves, where the titles' units were known.
    """

    cells: CrossedFit | None
    pairs: CrossedFit | None
    pooled: Mapping[tuple[str, str], Pooled] = field(default_factory=dict)

    def run_sd(self, product: str, title: str) -> float | None:
        """Return the run-to-run standard deviation of ln values to reckon with.

        That of the cell where it has runs; of the title in general for a product without runs in
        it; of the metric in general for a title without runs. None without any variance. It is
        the exponential of the mean of ln(standard deviation), near the median.
        """
        fit = self.cells
        if fit is None:
            return None
        place = fit.keys.get((title, product))
        if place is not None:
            return math.exp(fit.mean_log_var(place) / 2)
        for (known, _), other in fit.keys.items():
            if known == title:
                log_var = fit.title_log_var[other]
                return float(np.exp((log_var * fit.title_weight[other]).sum() / 2))
        return float(np.exp(fit.level / 2))


def fit_variances(
    metrics: Sequence[RunMetrics],
    *,
    metric: str,
    titles: Mapping[str, Title] | None = None,
    apart: Collection[tuple[str, str]] = (),
) -> SharedVariances:
    """Return the shared run-to-run variances of one metric over all cells given.

    Parameters
    ----------
    metrics : sequence of RunMetrics
        The runs used, of all products and titles that are to share.
    metric : str
        The metric's name; runs without it are passed over.
    titles : mapping of str to Title, optional
        Tells levels in dB, which are on a log scale as they stand, from figures that are not.
    apart : collection of (str, str)
        (title, product) of cells unlike the others for a known reason, such as a display cap.
    """
    groups = group_runs(metrics, metric=metric)
    pooled = {
        (title, product): Pooled.of_runs(
            runs, metric=metric, unit=metric_unit(metric, title, titles)
        )
        for (title, product), runs in groups.items()
    }
    run_var = np.array([cell.variance for cell in pooled.values()], dtype=np.float64)
    df = np.array([cell.df for cell in pooled.values()], dtype=np.float64)
    sides = {key: (pooled[key].logs, [run.session for run in runs]) for key, runs in groups.items()}
    return SharedVariances(
        cells=_fit_or_none(list(pooled), run_var, df, apart=apart),
        pairs=_pair_variances(sides, apart),
        pooled=pooled if titles is not None else {},
    )


def pair_key(title: str, product: str, other: str) -> tuple[str, str]:
    """Return the key of two products paired by session, the same in both orders."""
    return title, "|".join(sorted((product, other)))


def _fit_or_none(
    keys: list[tuple[str, str]],
    run_var: Floats,
    df: Floats,
    *,
    apart: Collection[tuple[str, str]] = (),
    temper: float = 1.0,
) -> CrossedFit | None:
    """Return a fit, or None where no variance above 0 can be shared."""
    varies = (np.nan_to_num(run_var) >= ZERO_VARIANCE) & (df > 0)
    if not any(v and key not in apart for v, key in zip(varies, keys, strict=True)):
        return None
    return fit_crossed_variances(keys, run_var, df, apart=apart, temper=temper)


def _pair_variances(
    cells: Mapping[tuple[str, str], tuple[Sequence[float], Sequence[str]]],
    apart: Collection[tuple[str, str]],
) -> CrossedFit | None:
    """Return the shared variances of session differences of every two products of a title.

    P products have P (P - 1) / 2 pairs but only P - 1 independent ones, so each pair's evidence
    on its title's level counts 2 / P. A pair stands apart where either of its cells does.
    """
    by_title = grouped(
        key for key, (_, sessions) in cells.items() if len({s for s in sessions if s}) > 1
    )
    keys, variances, dfs, aside = [], [], [], set()
    for title, products in by_title.items():
        for i, first in enumerate(products):
            for second in products[i + 1 :]:
                pair = SessionPair.match(*cells[title, first], *cells[title, second])
                if pair is not None and pair.log_var is not None:
                    keys.append(pair_key(title, first, second))
                    if {(title, first), (title, second)} & set(apart):
                        aside.add(keys[-1])
                    variances.append(pair.log_var)
                    dfs.append(len(pair.sessions) - 1)
    if not keys:
        return None
    widest = max(len(products) for products in by_title.values())
    return _fit_or_none(
        keys, np.array(variances), np.array(dfs, dtype=np.float64), apart=aside,
        temper=2 / widest,
    )  # fmt: skip
