"""One product in one title, and one margin, as a plan has them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from kit.stats.power import (
    GRANTED,
    Design,
    SpreadDoubt,
    margin_power,
    runs_needed,
    smallest_ratio,
)


@dataclass(frozen=True, slots=True)
class PlannedCell:
    """One product in one title: runs planned, runs there are, and the time the rest takes.

    `run_sd` is the spread reckoned with and `sd_from` where it comes from, "bench" or "default".
    `best_run_s` is the length of a run that would give the average most precision for the time;
    None where the bench does not tell. Lows rest on few frames and want the planned length anyway.
    A cell that cannot be run has the runs there are.
    """

    product: str
    title: str
    run_sd: float
    sd_from: str
    runs: int
    have: int
    to_run: int
    run_s: float
    minutes: float
    best_run_s: float | None = None
    can_run: bool = True


@dataclass(frozen=True, slots=True)
class PlannedMargin:
    """One margin of the plan.

    `runs_needed` is on each side, None where no reasonable number would do; `power` is what the
    planned runs give for a true margin of the plan's size, `smallest_ratio` the margin they resolve
    with the plan's power, `smallest_now` the same with the runs there are (None with too few).
    """

    product: str
    baseline: str
    title: str
    runs_needed: int | None
    power: float
    resolved: bool  # whether the planned runs reach the plan's power
    smallest_ratio: float
    smallest_now: float | None
    correlation: float = 0.0  # of both sides within a session, where paired


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of every margin of a plan."""

    ratio: float
    power: float
    confidence: float
    design: Design
    borrowed_df: float

    def runs(
        self,
        sds: tuple[float, float],
        fixed: tuple[int | None, int | None],
        correlation: float,
        doubt: SpreadDoubt = GRANTED,
    ) -> int | None:
        """Return the runs needed on the sides that can be run; `fixed` holds those that cannot."""
        if fixed[0] is not None and fixed[1] is not None:
            return None
        if fixed[0] is not None:
            sds, fixed, doubt = (sds[1], sds[0]), (None, fixed[0]), doubt.swapped()
        if fixed[1] is not None and fixed[1] < 2:
            return None
        return runs_needed(
            self.ratio,
            run_sd=sds[0],
            other_sd=sds[1],
            other_runs=fixed[1],
            power=self.power,
            confidence=self.confidence,
            design=self.design_of(fixed[1] is None),
            borrowed_df=self.borrowed_df,
            correlation=correlation,
            doubt=doubt,
        )

    def margin(
        self,
        mine: PlannedCell,
        other: PlannedCell,
        needed: int | None,
        correlation: float,
        doubt: SpreadDoubt = GRANTED,
    ) -> PlannedMargin:
        """Return what the runs planned of two cells will be able to show."""
        runs = (max(mine.runs, mine.have), max(other.runs, other.have))
        now = (mine.have, other.have)
        power = self.power_of(mine, other, runs, correlation, doubt)
        return PlannedMargin(
            product=mine.product,
            baseline=other.product,
            title=mine.title,
            runs_needed=needed,
            power=power,
            resolved=power >= self.power,
            smallest_ratio=self.smallest(mine, other, runs, correlation, doubt),
            smallest_now=(
                self.smallest(mine, other, now, correlation, doubt) if min(now) >= 2 else None
            ),
            correlation=correlation,
        )

    def power_of(
        self,
        mine: PlannedCell,
        other: PlannedCell,
        runs: tuple[int, int],
        correlation: float,
        doubt: SpreadDoubt = GRANTED,
    ) -> float:
        """Return the power of a number of runs; 0 where a side has too few for an interval."""
        if min(runs) < 2:
            return 0.0
        design = self.design_of(mine.can_run and other.can_run)
        return margin_power(
            self.ratio,
            run_sd=mine.run_sd,
            other_sd=other.run_sd,
            runs=min(runs) if design == "paired" else runs[0],
            other_runs=runs[1],
            confidence=self.confidence,
            design=design,
            borrowed_df=self.borrowed_df,
            correlation=correlation,
            doubt=doubt,
        )

    def smallest(
        self,
        mine: PlannedCell,
        other: PlannedCell,
        runs: tuple[int, int],
        correlation: float,
        doubt: SpreadDoubt = GRANTED,
    ) -> float:
        """Return the smallest margin that a number of runs resolves."""
        if min(runs) < 2:
            return math.inf
        design = self.design_of(mine.can_run and other.can_run)
        return smallest_ratio(
            min(runs) if design == "paired" else runs[0],
            run_sd=mine.run_sd,
            other_sd=other.run_sd,
            other_runs=runs[1],
            power=self.power,
            confidence=self.confidence,
            design=design,
            borrowed_df=self.borrowed_df,
            correlation=correlation,
            doubt=doubt,
        )

    def design_of(self, both_run: bool) -> Design:
        """Return the design of one margin: sessions of long ago cannot be shared."""
        return "shared" if self.design == "paired" and not both_run else self.design
