"""After a pilot: whether the planned precision was reached, from spread alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

from scipy.special import chdtri, stdtrit

from kit.planning.plan import STOPPING_RULE, Plan
from kit.planning.planned import PlannedCell, PlannedMargin
from kit.stats.power import Design

if TYPE_CHECKING:
    import pandas as pd

PILOT_RULE = (
    f"{STOPPING_RULE} Where a count is worked out anew, the pilot's own runs are best left out of "
    "the figures: kept, they make intervals a little too narrow."
)

# How sure the cautious count is that the spread is not larger than it reckons with.
CAUTION = 0.8


@dataclass(frozen=True, slots=True)
class CellSeen:
    """Runs made of one product in one title, and their spread (ln values, divisor runs - 1)."""

    runs: int
    run_sd: float | None = None  # None with fewer than 2 runs


@dataclass(frozen=True, slots=True)
class PrecisionCheck:
    """One margin of a plan after a pilot.

    `planned_half_width` and `seen_half_width` are half the interval of ln ratio, planned and with
    the runs and the spread seen. `reached` compares them, and is None where there are too few runs
    to tell. `power_seen` is the power for the plan's margin at the spread and runs seen, and
    `runs_by_spread` the count that the spread seen asks for: the one lawful new count.
    `runs_cautious` asks the same of a spread that the true one lies below with confidence
    `CAUTION`: spreads seen in few runs are often too small. Both are None without a count.
    """

    product: str
    baseline: str
    title: str
    planned_runs: int
    runs: int  # on the side that has fewer
    planned_half_width: float
    seen_half_width: float | None
    reached: bool | None
    power_seen: float | None
    runs_by_spread: int | None
    runs_cautious: int | None


@dataclass(frozen=True, slots=True)
class PilotCheck:
    """Every margin of a plan after a pilot, and the rule for what may follow."""

    margins: tuple[PrecisionCheck, ...]
    reached: int
    missed: int
    too_few: int
    rule: str = PILOT_RULE

    def to_frame(self) -> pd.DataFrame:
        """Return one row per margin, columns as the fields of `PrecisionCheck`."""
        import pandas as pd

        names = [f.name for f in fields(PrecisionCheck)]
        return pd.DataFrame([[getattr(m, n) for n in names] for m in self.margins], columns=names)


def check_pilot(plan: Plan, seen: Mapping[tuple[str, str], CellSeen]) -> PilotCheck:
    """Return whether a pilot reached the precision planned, margin by margin.

    Parameters
    ----------
    plan : Plan
        As made before the pilot.
    seen : mapping of (product, title) to CellSeen
        What was run. No average and no margin is asked for: what may follow depends on the spread
        alone.

    Returns
    -------
    PilotCheck

    Notes
    -----
    Working out the count once more from the spread of a pilot is an internal pilot study [1]_.
    Where the pilot's own runs stay among the figures, intervals are a little too narrow: simulated
    for this kit, a t interval at 0.95 held 0.925 to 0.94 of the time after a pilot of three runs,
    0.935 to 0.95 after five. Working out the count from the margin is not lawful at all.

    References
    ----------
    .. [1] J. Wittes and E. Brittain (1990), "The role of internal pilot studies in increasing the
           efficiency of clinical trials", Statistics in Medicine 9, 65-72 (cited from memory).
    """
    cells = {(c.product, c.title): c for c in plan.cells}
    checks = tuple(
        _check(plan, m, (cells[m.product, m.title], cells[m.baseline, m.title]), seen)
        for m in plan.margins
    )
    return PilotCheck(
        margins=checks,
        reached=sum(check.reached is True for check in checks),
        missed=sum(check.reached is False for check in checks),
        too_few=sum(check.reached is None for check in checks),
    )


def _check(
    plan: Plan,
    margin: PlannedMargin,
    pair: tuple[PlannedCell, PlannedCell],
    seen: Mapping[tuple[str, str], CellSeen],
) -> PrecisionCheck:
    """Return one margin's check."""
    mine, other = pair
    found = [seen.get((cell.product, cell.title), CellSeen(0)) for cell in pair]
    runs = (found[0].runs, found[1].runs)
    planned = (max(mine.runs, mine.have), max(other.runs, other.have))
    sds = (found[0].run_sd, found[1].run_sd)
    design = plan.asked.design_of(mine.can_run and other.can_run)
    half = power = by_spread = cautious = None
    if min(runs) >= 2 and sds[0] is not None and sds[1] is not None:
        as_seen = (replace(mine, run_sd=sds[0]), replace(other, run_sd=sds[1]))
        half = _half_width(plan, design, (sds[0], sds[1]), runs, margin.correlation)
        power = plan.asked.power_of(*as_seen, runs, margin.correlation)
        fixed = (None if mine.can_run else mine.have, None if other.can_run else other.have)
        by_spread = plan.asked.runs((sds[0], sds[1]), fixed, margin.correlation)
        upper = (_upper(sds[0], runs[0]), _upper(sds[1], runs[1]))
        cautious = plan.asked.runs(upper, fixed, margin.correlation)
    planned_half = math.inf
    if min(planned) >= 2:
        planned_half = _half_width(
            plan, design, (mine.run_sd, other.run_sd), planned, margin.correlation
        )
    return PrecisionCheck(
        product=mine.product,
        baseline=other.product,
        title=mine.title,
        planned_runs=min(planned),
        runs=min(runs),
        planned_half_width=planned_half,
        seen_half_width=half,
        reached=None if half is None else half <= planned_half,
        power_seen=power,
        runs_by_spread=by_spread,
        runs_cautious=cautious,
    )


def _half_width(
    plan: Plan,
    design: Design,
    sds: tuple[float, float],
    runs: tuple[int, int],
    correlation: float,
) -> float:
    """Return half the interval of ln ratio for given spreads and runs."""
    middle = (1 + plan.confidence) / 2
    if design == "paired":
        count = min(runs)
        variance = sds[0] ** 2 + sds[1] ** 2 - 2 * correlation * sds[0] * sds[1]
        return float(stdtrit(count - 1, middle)) * math.sqrt(variance / count)
    parts = [sd**2 / n for sd, n in zip(sds, runs, strict=True)]
    if not sum(parts) > 0:
        return 0.0
    lent = plan.borrowed_df if design == "shared" else 0.0
    df = sum(parts) ** 2 / sum(
        part**2 / (n - 1 + lent) for part, n in zip(parts, runs, strict=True)
    )
    return float(stdtrit(df, middle)) * math.sqrt(sum(parts))


def _upper(run_sd: float, runs: int) -> float:
    """Return the spread that the true one lies below with confidence `CAUTION`."""
    # chdtri takes the upper tail: the chi-square that a share CAUTION of samples exceeds.
    return run_sd * math.sqrt((runs - 1) / float(chdtri(runs - 1, CAUTION)))
