"""`plan`: a review's params and bench in, the plan of its runs out, as lines to print."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from kit.bench.runs import RunRow, read_run_sheet, select_rows
from kit.margins.replicates import SharedVariances, fit_variances
from kit.metrics.run_metrics import RunMetrics
from kit.planning.of_review import plan_review
from kit.planning.pilot import CellSeen, PilotCheck, check_pilot
from kit.planning.plan import Plan
from kit.planning.schedule import ScheduledRun, list_checks, order_runs
from kit.review.walk import Review, read_and_measure
from kit.rounding import number, ratio_text
from kit.screening.screen import screen_runs
from kit.settings.bench_file import Bench
from kit.settings.metric import HEADLINE, RESULT
from kit.settings.params import LoadedParams, ReviewParams, load_params

# Shared variances of the averages, runs and spread of each cell, profiles of its runs.
Shown = tuple[
    SharedVariances | None, dict[tuple[str, str], CellSeen], dict[tuple[str, str], list[Any]]
]


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with the order of its runs, its check-list, and what a pilot showed."""

    review: str
    bench: Bench
    plan: Plan
    order: tuple[ScheduledRun, ...]
    checks: tuple[str, ...]
    pilot: PilotCheck | None

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain data."""
        return {
            "ok": True,
            "review": self.review,
            "plan": {**asdict(self.plan), "left_out": dict(self.plan.left_out)},
            "order": [asdict(run) for run in self.order],
            "checks": list(self.checks),
            "pilot": None if self.pilot is None else asdict(self.pilot),
        }

    def to_lines(self, *, order: bool = False, checklist: bool = False) -> list[str]:
        """Return the plan as lines; with `order` or `checklist` those alone."""
        lines: list[str] = []
        if order:
            lines += [
                f"{i:4d}  block {run.block}  {run.product}  {run.title}  run {run.number}"
                for i, run in enumerate(self.order, 1)
            ]
        if checklist:
            lines += self.checks
        return lines or self._summary()

    def _summary(self) -> list[str]:
        plan = self.plan
        asked = ratio_text(plan.ratio).text
        lines = [
            f"{self.review}: to resolve a margin of {asked} with power "
            f"{number(plan.power, decimals=2)} at confidence {number(plan.confidence, decimals=3)}",
            f"  {sum(cell.to_run for cell in plan.cells)} runs to make, "
            f"{number(plan.minutes, decimals=0)} minutes of bench time",
        ]
        for title in plan.titles:
            cells = [cell for cell in plan.cells if cell.title == title]
            counts = ", ".join(f"{cell.product} {cell.to_run}" for cell in cells)
            lines.append(f"  {title}: {counts}")
        short = [m for m in plan.margins if not m.resolved]
        for margin in short:
            lines.append(
                f"  {margin.title} against {margin.baseline} stays unresolved below "
                f"{ratio_text(margin.smallest_ratio).text}"
            )
        if plan.next_runs:
            worth = Counter(run.title for run in plan.next_runs)
            lines.append(
                "  the budget is best spent on: "
                + ", ".join(f"{title} ({count})" for title, count in worth.most_common())
            )
        lines += [f"  {title} is not planned: {why}" for title, why in plan.left_out.items()]
        lines += [f"  note: {note}" for note in plan.notes]
        if self.pilot is not None:
            lines.append(
                f"  so far: planned precision reached in {self.pilot.reached} margins, missed in "
                f"{self.pilot.missed}, too few runs to say in {self.pilot.too_few}"
            )
            lines.append(f"  {self.pilot.rule}")
        return lines


def plan_from_params(path: Path) -> Planned:
    """Return the plan of a review from its params file and what its bench shows already.

    Raises
    ------
    KitError
        With every fault of params or bench; `UsageError` where params have no section `plan`.
    """
    loaded = load_params(path)
    params, bench = loaded.params, loaded.bench
    sheet = read_run_sheet(bench)
    titles = planned_titles(params, bench)
    rows = select_rows(sheet, products=params.products, titles=titles)
    return _planned(loaded, titles, what_bench_shows(rows, loaded))


@lru_cache(maxsize=1)
def plan_of_review(review: Review) -> Planned:
    """Return the plan of a review already read; the last one is kept.

    Raises
    ------
    UsageError
        If its params have no section `plan`.
    """
    profiles = {run: signs.profile for run, signs in review.signs.items()}
    shown = _shown(review.used, profiles, review.bench)
    return _planned(review.loaded, planned_titles(review.params, review.bench), shown)


def _planned(loaded: LoadedParams, titles: Sequence[str], shown: Shown) -> Planned:
    """Return the plan from what the bench shows."""
    params, bench = loaded.params, loaded.bench
    variances, seen, profiles = shown
    plan = plan_review(
        params,
        bench,
        titles=titles,
        variances=variances,
        have={key: cell.runs for key, cell in seen.items()},
        profiles=profiles,
    )
    return Planned(
        review=params.review,
        bench=bench,
        plan=plan,
        order=_order(plan, params),
        checks=list_checks(bench, params),
        pilot=check_pilot(plan, seen) if any(cell.runs > 1 for cell in seen.values()) else None,
    )


def _order(plan: Plan, params: ReviewParams) -> tuple[ScheduledRun, ...]:
    if params.plan is None:
        return ()
    return order_runs(plan.counts(), seed=params.plan.seed, by_product=params.plan.by_product)


def planned_titles(params: ReviewParams, bench: Bench) -> tuple[str, ...]:
    """Return the titles to plan for: those params name, or every title of the bench."""
    return tuple(bench.titles) if params.titles == "all" else params.titles


def what_bench_shows(rows: Sequence[RunRow], loaded: LoadedParams) -> Shown:
    """Return shared variances of the averages, runs per cell, and profiles of the runs."""
    signs, metrics = read_and_measure(rows, loaded)
    screened = screen_runs(rows, signs, loaded.bench, loaded.params)
    used = [m for run, m in metrics.items() if run not in screened.set_aside]
    return _shown(used, {run: found.profile for run, found in signs.items()}, loaded.bench)


def _shown(used: Sequence[RunMetrics], profile_of: Mapping[str, Any], bench: Bench) -> Shown:
    """Return what the runs used show."""
    if not used:
        return None, {}, {}
    variances = fit_variances(used, metric=HEADLINE, titles=bench.titles)
    logs: dict[tuple[str, str], list[float]] = {}
    for measured in used:
        figure = measured.values.get(HEADLINE, measured.values.get(RESULT, 0.0))
        if figure > 0 and bench.titles[measured.title].measures != "noise":
            logs.setdefault((measured.product, measured.title), []).append(math.log(figure))
    seen = {
        key: CellSeen(runs=len(found), run_sd=statistics.stdev(found) if len(found) > 1 else None)
        for key, found in logs.items()
    }
    profiles: dict[tuple[str, str], list[Any]] = {}
    for measured in used:
        profiles.setdefault((measured.product, measured.title), []).append(profile_of[measured.run])
    return variances, seen, profiles
