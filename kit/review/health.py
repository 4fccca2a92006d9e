"""How a bench stands: how well it repeats itself, what is old, what is missing, what to run first.

Nothing here sets a run aside or changes a figure of a review.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from kit.bench.runs import RunRow
from kit.margins.replicates import group_runs, metric_unit, to_log
from kit.metrics.run_metrics import RunMetrics
from kit.review.walk import Results, Review
from kit.rounding import grouped
from kit.screening.flags import few, moment
from kit.settings.bench_file import Title
from kit.settings.metric import METRICS

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


@dataclass(frozen=True, slots=True)
class _TwoWay:
    """Variance components of a table with one value a cell, some of which may be missing."""

    row_var: float
    column_var: float
    rest_var: float  # interaction and the error of a cell's value


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


def _analyse_one_way(groups: Sequence[Sequence[float]]) -> _OneWay:
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
        mean=origin + mean, groups=len(filled), values=values, df_between=df_between,
        df_within=df_within, ss_between=ss_between, ss_within=ss_within, size=size,
        within_var=within, between_var=between,
    )  # fmt: skip


def _analyse_two_way(table: Floats) -> _TwoWay:
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
    return _TwoWay(max(found[0], 0.0), max(found[1], 0.0), rest_var)


def _measure_repeatability(
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
        sessions = grouped(zip((run.session for run in runs), logs, strict=True))
        by_title.setdefault(title, []).append(list(sessions.values()))
        if any(sessions):
            recorded.add(title)
    return tuple(
        _one_title(title, metric, nested, recorded=title in recorded)
        for title, nested in by_title.items()
    )


def _bench_components(
    metrics: Sequence[RunMetrics], *, metric: str, titles: Mapping[str, Title] | None = None
) -> BenchComponents:
    """Return how much of the spread of a metric comes from titles, products, sessions and runs.

    Parameters
    ----------
    metrics, metric, titles
        As for `_measure_repeatability`.

    Notes
    -----
    Run and session variances are those of the titles, pooled by degrees of freedom. Titles and
    products are told apart on the cells' means; the interaction is what is left there, less the
    mean error of a cell.
    """
    repeats = _measure_repeatability(metrics, metric=metric, titles=titles)
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
    found = BenchComponents(
        metric=metric, titles=len(names), products=len(products), title_sd=None, product_sd=None,
        interaction_sd=None, session_sd=_root(session_var), run_sd=_root(run_var),
    )  # fmt: skip
    try:
        parts = _analyse_two_way(table)
    except ValueError:
        return found
    interaction = max(parts.rest_var - math.fsum(errors) / len(errors), 0.0)
    return replace(
        found, title_sd=math.sqrt(parts.row_var), product_sd=math.sqrt(parts.column_var),
        interaction_sd=math.sqrt(interaction) if run_var is not None else None,
    )  # fmt: skip


def _one_title(
    title: str, metric: str, nested: Sequence[Sequence[Sequence[float]]], *, recorded: bool
) -> Repeatability:
    """Return one title's figures from its products' sessions' ln values."""
    analyses = [_analyse_one_way(sessions) for sessions in nested]
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
        title=title, metric=metric, products=len(nested),
        sessions=sum(len(sessions) for sessions in nested), runs=sum(a.values for a in analyses),
        run_sd=_root(run_var), run_df=run_df, session_sd=_root(session_var),
        session_df=session_df, reproducibility_sd=_root(total_var),
        repeatability_limit=_limit(run_var), reproducibility_limit=_limit(total_var),
        marks=tuple(marks),
    )  # fmt: skip


def _pool(parts: Sequence[tuple[float | None, int]]) -> float | None:
    """Return the mean variance of standard deviations, weighted by degrees of freedom."""
    known = [(sd**2, df) for sd, df in parts if sd is not None and df]
    total = sum(df for _, df in known)
    return math.fsum(var * df for var, df in known) / total if total else None


def _root(variance: float | None) -> float | None:
    return None if variance is None else math.sqrt(variance)


def _limit(variance: float | None) -> float | None:
    return None if variance is None else math.exp(LIMIT_FACTOR * math.sqrt(variance))


# Where params have no section `plan`, a launch and a run of unknown length cost this much.
SETUP_S, RUN_S = 60.0, 60.0


@dataclass(frozen=True, slots=True)
class _Gap:
    """A product without a used run in a title, and why."""

    product: str
    title: str
    reason: str


@dataclass(frozen=True, slots=True)
class _Stale:
    """A product in a title whose runs are from before what the bench runs now.

    `newest` is the day of its newest used run, `days` how much older that is than the newest run
    of the reviewed product; both None where it has no date.
    """

    product: str
    title: str
    newest: dt.date | None
    days: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class _Task:
    """What to run of one product, the most worthwhile first.

    `margins` is how many of the review's margins of averages (or results) it would renew or make;
    `minutes` counts runs and launches.
    """

    place: int
    product: str
    titles: tuple[str, ...]
    runs: int
    minutes: float
    margins: int
    why: str


@dataclass(frozen=True, slots=True)
class Health:
    """How a bench stands, as far as one review looks at it."""

    repeats: tuple[Repeatability, ...]
    components: tuple[BenchComponents, ...]
    gaps: tuple[_Gap, ...]
    stale: tuple[_Stale, ...]
    tasks: tuple[_Task, ...]


@lru_cache(maxsize=1)
def measure_health(review: Review, results: Results) -> Health:
    """Return how the bench stands for a review: spread, stale runs, gaps, what to run first.

    The last answer is kept: claims, sections and tables show one.
    """
    there = {cell.metric for cell in results.cells}
    metrics = [m for m in review.params.metrics.names if METRICS[m].steady and m in there]
    titles = review.bench.titles
    gaps, stale = _find_gaps(review), _find_stale_cells(review)
    return Health(
        repeats=tuple(
            repeat
            for metric in metrics
            for repeat in _measure_repeatability(review.used, metric=metric, titles=titles)
        ),
        components=tuple(
            _bench_components(review.used, metric=metric, titles=titles)
            for metric in metrics
            if METRICS[metric].unit  # else one title measures points, the next seconds
        ),
        gaps=gaps,
        stale=stale,
        tasks=_rank_tasks(review, gaps, stale),
    )


def _find_gaps(review: Review) -> tuple[_Gap, ...]:
    """Return each product and title of the review without a used run."""
    used = {(m.product, m.title) for m in review.used}
    rows = grouped(((row.product, row.title), row) for row in review.rows)
    gaps = []
    for product in review.params.products:
        for title in review.titles:
            if (product, title) not in used:
                reason = _why_missing(rows.get((product, title), []), review)
                gaps.append(_Gap(product, title, reason))
    return tuple(gaps)


def _why_missing(rows: Sequence[RunRow], review: Review) -> str:
    if not rows:
        return "never run"
    said = dict.fromkeys(
        f"set aside: {review.screened.set_aside[row.run]}"
        if row.run in review.screened.set_aside
        else f"{row.status.replace('_', ' ')}: {row.reason or 'no reason given'}"
        for row in rows
    )
    return "; ".join(said)


def _find_stale_cells(review: Review) -> tuple[_Stale, ...]:
    """Return each product and title whose runs the rule `stale` of screening flagged."""
    newest: dict[tuple[str, str], RunRow] = {}
    used = {m.run for m in review.used}
    for row in review.rows:
        key = row.product, row.title
        if row.run in used and (key not in newest or _later(row, newest[key])):
            newest[key] = row
    flagged = [f for f in review.screened.flags if (f.rule, f.action) == ("stale", "flag")]
    found = []
    for (product, title), row in sorted(newest.items(), key=lambda item: _order(review, item[0])):
        reasons = [f.reason for f in flagged if f.product == product and f.title in {"", title}]
        if reasons:
            found.append(
                _Stale(
                    product,
                    title,
                    row.began.date() if row.began else None,
                    _days_behind(row, newest, review),
                    "; ".join(dict.fromkeys(reasons)),
                )
            )
    return tuple(found)


def _order(review: Review, key: tuple[str, str]) -> tuple[int, int]:
    return review.params.products.index(key[0]), review.titles.index(key[1])


def _later(row: RunRow, other: RunRow) -> bool:
    one, two = moment(row.began), moment(other.began)
    return one is not None and (two is None or one > two)


def _days_behind(row: RunRow, newest: dict[tuple[str, str], RunRow], review: Review) -> int | None:
    mine = newest.get((review.params.product, row.title))
    if mine is None or mine.began is None or row.began is None:
        return None
    ours, theirs = moment(mine.began), moment(row.began)
    return None if ours is None or theirs is None else (ours - theirs).days


def _rank_tasks(review: Review, gaps: Sequence[_Gap], stale: Sequence[_Stale]) -> tuple[_Task, ...]:
    """Return what to run of each product, the one that renews most margins first.

    Parameters
    ----------
    review : Review
        The review whose bench is looked at.
    gaps : sequence of Gap
        Cells without a used run, from `_find_gaps`.
    stale : sequence of Stale
        Cells whose runs are old.

    Returns
    -------
    tuple of Task
        One per product that has anything to run.

    Notes
    -----
    A stale cell is run again in full (`screen.min_runs`); a gap, or a cell with too few runs, up
    to that number. Among products that renew as many margins, the one with the oldest runs comes
    first. Products the plan says cannot be run are left out.
    """
    plan = review.params.plan
    setup_s, run_s = (plan.setup_s, plan.run_s) if plan else (SETUP_S, RUN_S)
    wanted = review.params.screen.min_runs
    counts: dict[tuple[str, str], int] = {}
    for m in review.used:
        counts[m.product, m.title] = counts.get((m.product, m.title), 0) + 1
    old = {(s.product, s.title): s for s in stale}
    missing = {(g.product, g.title) for g in gaps}
    tasks = []
    for product in review.params.products:
        if plan and product in plan.cannot_run:
            continue
        runs = {
            title: wanted if (product, title) in old else wanted - counts.get((product, title), 0)
            for title in review.titles
        }
        titles = [title for title, count in runs.items() if count > 0]
        if not titles:
            continue
        ages = [old[product, t].days or 0 for t in titles if (product, t) in old]
        seconds = sum(
            runs[t] * (setup_s + (review.bench.titles[t].planned_s or run_s)) for t in titles
        )
        why = {
            "stale": sum((product, t) in old for t in titles),
            "without a used run": sum((product, t) in missing for t in titles),
        }
        why["with too few runs"] = len(titles) - sum(why.values())
        task = _Task(
            place=0, product=product, titles=tuple(titles), runs=sum(runs[t] for t in titles),
            minutes=seconds / 60, margins=_margins_touched(review, product, titles),
            why=", ".join(f"{few(n, 'title')} {words}" for words, n in why.items() if n),
        )  # fmt: skip
        tasks.append((-task.margins, -max(ages, default=0), task))
    tasks.sort(key=lambda task: task[:2])  # products stay in their order where nothing tells
    return tuple(replace(task, place=place) for place, (*_, task) in enumerate(tasks, start=1))


def _margins_touched(review: Review, product: str, titles: Sequence[str]) -> int:
    """Return how many margins of the reviewed product runs of these titles would bear on."""
    params = review.params
    others = params.compared if product == params.product else (product,)
    return len(titles) * sum(other in params.compared for other in others)
