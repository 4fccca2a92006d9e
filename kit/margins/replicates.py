"""Runs as replicates: grouped by title and product, on a log scale, paired by session."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from kit.metrics.run_metrics import RunMetrics
from kit.settings.bench_file import Title
from kit.settings.params import METRICS

# A level of L dB stands for a power of 10^(L/10): its natural logarithm is L times this.
LOG_PER_DB = math.log(10) / 10


def group_runs(
    metrics: Sequence[RunMetrics], *, metric: str
) -> dict[tuple[str, str], list[RunMetrics]]:
    """Return the runs that have a metric by (title, product), in the order given."""
    groups: dict[tuple[str, str], list[RunMetrics]] = {}
    for run in metrics:
        if metric in run.values:
            groups.setdefault((run.title, run.product), []).append(run)
    return groups


def metric_unit(metric: str, title: str, titles: Mapping[str, Title] | None) -> str:
    """Return the unit of a metric in a title; "" where the title is not known."""
    if metric in METRICS:
        return "fps"
    return titles[title].value_unit if titles is not None and title in titles else ""


def is_level_unit(unit: str) -> bool:
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
    if is_level_unit(unit):
        if not all(math.isfinite(v) for v in values):
            raise ValueError(f"levels must be finite: {list(values)}")
        return tuple(v * LOG_PER_DB for v in values)
    if not all(math.isfinite(v) and v > 0 for v in values):
        raise ValueError(f"values must be finite and above 0: {list(values)}")
    return tuple(math.log(v) for v in values)


def from_log(log_value: float, unit: str) -> float:
    """Return a figure in its unit from its place on the log scale."""
    return log_value / LOG_PER_DB if is_level_unit(unit) else math.exp(log_value)


def sample_variance(logs: Sequence[float]) -> float:
    """Return the variance of values on the log scale, divisor n - 1; NaN of a single one."""
    if len(logs) < 2:
        return math.nan
    mean = math.fsum(logs) / len(logs)
    return math.fsum((x - mean) ** 2 for x in logs) / (len(logs) - 1)


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


def pair_by_session(
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
    Where both sides have as many runs in each session, the result is the difference of the means
    of all those runs. What a session does to both sides alike cancels.
    """
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
    return SessionPair(common, mean, total, log_var)
