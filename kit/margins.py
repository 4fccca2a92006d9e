"""Two products compared in one title, with an interval. Runs are the replicates, frames never."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kit.trace import Trace

Outcome = Literal["ahead", "behind", "level", "unresolved"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One metric of one product in one title: its used runs and their summary.

    `value` is the geometric mean of the runs' values, so that the ratio of two cells is the
    margin. `low` and `high` are None where nothing gives an interval (a mark says why).
    """

    product: str
    title: str
    metric: str
    unit: str
    less_is_better: bool
    runs: tuple[str, ...]
    sessions: tuple[str, ...]
    values: tuple[float, ...]  # one per run, in the metric's unit, unrounded
    value: float
    low: float | None
    high: float | None
    confidence: float
    method: str
    marks: tuple[str, ...]
    trace: Trace


@dataclass(frozen=True, slots=True)
class Margin:
    """How far one product was ahead of another in one title.

    `ratio` is above 1 where the product is better, whichever way the title is measured: for a
    duration it is the baseline's over the product's. `level_low` and `level_high` are the ends of
    the 90 % interval that decides "level" (two one-sided tests at 5 %). `log_se` and `df` describe
    the error of ln(ratio); df is None for a mixture of normals.
    """

    product: str
    baseline: str
    title: str
    metric: str
    ratio: float
    low: float | None
    high: float | None
    level_low: float | None
    level_high: float | None
    confidence: float
    outcome: Outcome
    method: str  # "welch", "shared", "paired" or "none"
    log_se: float | None
    df: float | None
    p_value: float | None  # two-sided, of ln(ratio) = 0
    p_adjusted: float | None  # over the family of one baseline and metric
    cells: tuple[Cell, Cell]  # product's, baseline's
    marks: tuple[str, ...]
    trace: Trace
    ratio_all_runs: float | None = None  # with the set-aside runs put back, where it differs
