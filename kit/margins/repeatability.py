"""How well a bench repeats itself: variance components of runs, sessions, products and titles.

After ISO 5725-2: runs in one session are a laboratory's repeated results, sessions are
laboratories. Everything is on the log scale, so that a standard deviation of 0.01 is about 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kit.margins.replicates import group_runs, metric_unit, to_log
from kit.metrics.run_metrics import RunMetrics
from kit.settings.bench_file import Title

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]

# ISO 5725-6:1994, 4.1: two results differ by more than 2.8 standard deviations in 1 of 20 cases.
LIMIT_FACTOR = 2.8


@dataclass(frozen=True, slots=True)
class _OneWay:
    """A one-way analysis of variance with random groups.

    `size` is the mean group size that counts in unequal groups (ISO 5725-2, 7.4.5). `within_var`
    and `between_var` are the components; `between_var` is not below 0. Figures that need two
    groups, or a group of two, are NaN without them.
    """

    mean: float
    groups: int
    values: int
    df_between: int
    df_within: int
    ss_between: float
    ss_within: float
    size: float
    within_var: float
    between_var: float

    @property
    def f_ratio(self) -> float:
        """Mean square between groups over mean square within."""
        if not (self.df_between and self.df_within and self.ss_within > 0):
            return math.nan
        return (self.ss_between / self.df_between) / (self.ss_within / self.df_within)

    @property
    def r_squared(self) -> float:
        """Share of the sum of squares that lies between groups."""
        total = self.ss_between + self.ss_within
        return self.ss_between / total if total > 0 else math.nan

    @property
    def reproducibility_var(self) -> float:
        """Variance of single values from different groups."""
        return self.within_var + self.between_var


@dataclass(frozen=True, slots=True)
class _TwoWay:
    """Variance components of a table with one value a cell, some of which may be missing."""

    row_var: float
    column_var: float
    rest_var: float  # interaction and the error of a cell's value
    df_rest: int


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How far two results of one title may be apart when nothing changed.

    Standard deviations are of ln values. `repeatability_limit` is the ratio that two runs of one
    product in one session stay within in 19 of 20 cases, `reproducibility_limit` the same for
    runs of different sessions; None, with a mark, where the runs cannot tell.
    """

    title: str
    metric: str
    products: int
    sessions: int  # product in session
    runs: int
    run_sd: float | None
    run_df: int
    session_sd: float | None
    session_df: int
    reproducibility_sd: float | None
    repeatability_limit: float | None
    reproducibility_limit: float | None
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BenchComponents:
    """Standard deviations of ln values over a whole bench, by where they come from.

    `interaction_sd` is how far a product's strength differs from title to title. None where the
    bench cannot tell.
    """

    metric: str
    titles: int
    products: int
    title_sd: float | None
    product_sd: float | None
    interaction_sd: float | None
    session_sd: float | None
    run_sd: float | None


def analyse_one_way(groups: Sequence[Sequence[float]]) -> _OneWay:
    """Return the one-way analysis of variance of groups, which may be of unequal sizes.

    Parameters
    ----------
    groups : sequence of sequence of float
        At least one value in all; empty groups are passed over.

    Raises
    ------
    ValueError
        If there is no value.

    Notes
    -----
    Means are summed exactly and squares taken of deviations, so that figures with many leading
    digits in common lose none.
    """
    filled = [group for group in groups if len(group)]
    if not filled:
        raise ValueError("groups must hold at least one value")
    values = sum(len(group) for group in filled)
    # Deviations from one of the values: exact for values that share their leading digits.
    origin = filled[0][0]
    shifted = [[value - origin for value in group] for group in filled]
    mean = math.fsum(value for group in shifted for value in group) / values
    means = [math.fsum(group) / len(group) for group in shifted]
    ss_within = math.fsum(
        (value - m) ** 2 for group, m in zip(shifted, means, strict=True) for value in group
    )
    ss_between = math.fsum(
        len(group) * (m - mean) ** 2 for group, m in zip(shifted, means, strict=True)
    )
    df_between, df_within = len(filled) - 1, values - len(filled)
    size = math.nan
    if df_between:
        size = (values - sum(len(group) ** 2 for group in filled) / values) / df_between
    within = ss_within / df_within if df_within else math.nan
    between = math.nan
    if df_between and df_within:
        between = max((ss_between / df_between - within) / size, 0.0)
    return _OneWay(
        mean=origin + mean,
        groups=len(filled),
        values=values,
        df_between=df_between,
        df_within=df_within,
        ss_between=ss_between,
        ss_within=ss_within,
        size=size,
        within_var=within,
        between_var=between,
    )


def analyse_two_way(table: Floats) -> _TwoWay:
    """Return the variance components of rows and columns of a table.

    Parameters
    ----------
    table : ndarray of float, shape (n_rows, n_columns)
        One value a cell; NaN where there is none. Rows and columns must hang together.

    Raises
    ------
    ValueError
        If nothing is left to estimate the rest from.

    Notes
    -----
    Henderson's method 3: sums of squares of an additive fit by least squares, of rows given
    columns and of columns given rows, set equal to their expectations. In a full table this is
    the classical analysis of variance. Components are not below 0.
    """
    rows, columns = np.nonzero(np.isfinite(table))
    y = table[rows, columns]
    y = y - y.mean()
    by_row = (rows[:, None] == np.unique(rows)).astype(np.float64)
    by_column = (columns[:, None] == np.unique(columns)).astype(np.float64)
    n, n_rows, n_columns = y.size, by_row.shape[1], by_column.shape[1]
    both = np.hstack([by_row, by_column])
    fit, _, rank, _ = np.linalg.lstsq(both, y)
    df_rest = n - int(rank)
    if df_rest < 1 or n_rows < 2 or n_columns < 2 or rank < n_rows + n_columns - 1:
        raise ValueError("rows and columns do not overlap enough to tell them apart")
    rest = float(((y - both @ fit) ** 2).sum())
    rest_var = rest / df_rest
    found = []
    for levels, other, size in ((by_row, by_column, n_columns), (by_column, by_row, n_rows)):
        residual = y - other @ (other.T @ y / other.sum(axis=0))
        explained = float((residual**2).sum()) - rest
        found.append((explained - rest_var * (levels.shape[1] - 1)) / (n - size))
    return _TwoWay(max(found[0], 0.0), max(found[1], 0.0), rest_var, df_rest)


def measure_repeatability(
    metrics: Sequence[RunMetrics], *, metric: str, titles: Mapping[str, Title] | None = None
) -> tuple[Repeatability, ...]:
    """Return the repeatability and reproducibility of a metric in each title.

    Parameters
    ----------
    metrics : sequence of RunMetrics
        The runs used.
    metric : str
        The metric's name; runs without it are passed over.
    titles : mapping of str to Title, optional
        Tells levels in dB from other figures.

    Notes
    -----
    Sessions are nested in products: what differs between products is no part of either figure.
    A run without a session belongs to one unnamed session of its product. Where no product has two
    sessions the reproducibility is not known ("one_session", or "sessions_not_recorded"). Where no
    session has two runs of a product, runs and sessions cannot be told apart: their variances
    together are the reproducibility, and the repeatability is not known ("one_run_a_session").
    """
    by_title: dict[str, list[list[list[float]]]] = {}
    recorded: set[str] = set()
    for (title, _), runs in group_runs(metrics, metric=metric).items():
        logs = to_log([run.values[metric] for run in runs], metric_unit(metric, title, titles))
        sessions: dict[str, list[float]] = {}
        for run, value in zip(runs, logs, strict=True):
            sessions.setdefault(run.session, []).append(value)
        by_title.setdefault(title, []).append(list(sessions.values()))
        if any(sessions):
            recorded.add(title)
    return tuple(
        _one_title(title, metric, nested, recorded=title in recorded)
        for title, nested in by_title.items()
    )


def bench_components(
    metrics: Sequence[RunMetrics], *, metric: str, titles: Mapping[str, Title] | None = None
) -> BenchComponents:
    """Return how much of the spread of a metric comes from titles, products, sessions and runs.

    Parameters
    ----------
    metrics, metric, titles
        As for `measure_repeatability`.

    Notes
    -----
    Run and session variances are those of the titles, pooled by degrees of freedom. Titles and
    products are told apart on the cells' means; the interaction is what is left there, less the
    mean error of a cell.
    """
    repeats = measure_repeatability(metrics, metric=metric, titles=titles)
    run_var = _pool([(r.run_sd, r.run_df) for r in repeats])
    session_var = _pool([(r.session_sd, r.session_df) for r in repeats])
    groups = group_runs(metrics, metric=metric)
    names = list(dict.fromkeys(title for title, _ in groups))
    products = list(dict.fromkeys(product for _, product in groups))
    table = np.full((len(names), len(products)), np.nan)
    errors = []
    for (title, product), runs in groups.items():
        logs = to_log([run.values[metric] for run in runs], metric_unit(metric, title, titles))
        table[names.index(title), products.index(product)] = math.fsum(logs) / len(logs)
        sessions = len({run.session for run in runs})
        errors.append((run_var or 0.0) / len(logs) + (session_var or 0.0) / sessions)
    try:
        parts = analyse_two_way(table)
    except ValueError:
        return BenchComponents(
            metric, len(names), len(products), None, None, None, _root(session_var), _root(run_var)
        )
    interaction = max(parts.rest_var - math.fsum(errors) / len(errors), 0.0)
    return BenchComponents(
        metric=metric,
        titles=len(names),
        products=len(products),
        title_sd=math.sqrt(parts.row_var),
        product_sd=math.sqrt(parts.column_var),
        interaction_sd=math.sqrt(interaction) if run_var is not None else None,
        session_sd=_root(session_var),
        run_sd=_root(run_var),
    )


def repeatability_frame(repeats: Sequence[Repeatability]) -> pd.DataFrame:
    """Return a row per title.

    Columns: metric, title, products, sessions, runs (numbers), run_sd, session_sd,
    reproducibility_sd (of ln values), repeatability_limit, reproducibility_limit (ratios), marks
    (joined by "; "). Figures nothing gives are NaN.
    """
    import pandas as pd

    names = [
        "metric",
        "title",
        "products",
        "sessions",
        "runs",
        "run_sd",
        "session_sd",
        "reproducibility_sd",
        "repeatability_limit",
        "reproducibility_limit",
    ]
    rows = [[*(getattr(r, name) for name in names), "; ".join(r.marks)] for r in repeats]
    return pd.DataFrame(rows, columns=[*names, "marks"]).astype(dict.fromkeys(names[5:], "float64"))


def _one_title(
    title: str, metric: str, nested: Sequence[Sequence[Sequence[float]]], *, recorded: bool
) -> Repeatability:
    """Return one title's figures from its products' sessions' ln values."""
    analyses = [analyse_one_way(sessions) for sessions in nested]
    run_df = sum(a.df_within for a in analyses)
    session_df = sum(a.df_between for a in analyses)
    runs_ss = math.fsum(a.ss_within for a in analyses)
    between_ss = math.fsum(a.ss_between for a in analyses)
    run_var = runs_ss / run_df if run_df else None
    session_var: float | None = None
    total_var: float | None = None
    marks = []
    if not session_df:
        marks.append("one_session" if recorded else "sessions_not_recorded")
    elif run_var is None:
        marks.append("one_run_a_session")
        total_var = between_ss / session_df
    else:
        # The size that counts, pooled over products: each has its own sessions.
        size = math.fsum(a.size * a.df_between for a in analyses if a.df_between) / session_df
        session_var = max((between_ss / session_df - run_var) / size, 0.0)
        total_var = run_var + session_var
    if run_var is None and not session_df:
        marks.append("single_runs")
    return Repeatability(
        title=title,
        metric=metric,
        products=len(nested),
        sessions=sum(len(sessions) for sessions in nested),
        runs=sum(a.values for a in analyses),
        run_sd=_root(run_var),
        run_df=run_df,
        session_sd=_root(session_var),
        session_df=session_df,
        reproducibility_sd=_root(total_var),
        repeatability_limit=_limit(run_var),
        reproducibility_limit=_limit(total_var),
        marks=tuple(marks),
    )


def _pool(parts: Sequence[tuple[float | None, int]]) -> float | None:
    """Return the mean variance of standard deviations, weighted by degrees of freedom."""
    known = [(sd**2, df) for sd, df in parts if sd is not None and df]
    total = sum(df for _, df in known)
    return math.fsum(var * df for var, df in known) / total if total else None


def _root(variance: float | None) -> float | None:
    return None if variance is None else math.sqrt(variance)


def _limit(variance: float | None) -> float | None:
    return None if variance is None else math.exp(LIMIT_FACTOR * math.sqrt(variance))
