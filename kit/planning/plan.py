"""How many runs resolve a margin of a given size, and how long they take."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from kit.planning.bench_time import (
    CellTime,
    NextRun,
    TitleGain,
    find_next_runs,
    rank_titles,
)
from kit.planning.planned import Asked, PlannedCell, PlannedMargin
from kit.settings.bench_file import Title
from kit.settings.params import PlanParams
from kit.stats.power import GRANTED, Design, SpreadDoubt, best_length_s

if TYPE_CHECKING:
    import pandas as pd

# (product, title) -> standard deviation of ln values from run to run; None where not known.
RunSd = Callable[[str, str], float | None] | Mapping[tuple[str, str], float]

STOPPING_RULE = (
    "Counts are fixed before the first run, or worked out once more from the spread of a pilot "
    "alone. Looking at a margin and adding runs until it turns out is not allowed: it makes leads "
    "out of nothing. Whoever runs more than planned reports all runs and says so."
)


@dataclass(frozen=True, slots=True)
class Plan:
    """A series of runs, and what it will be able to show."""

    product: str
    baselines: tuple[str, ...]
    titles: tuple[str, ...]
    ratio: float  # the margin to be resolved, > 1
    power: float
    confidence: float  # of each margin's interval, after sharing the error where asked
    design: Design
    borrowed_df: float
    cells: tuple[PlannedCell, ...]
    margins: tuple[PlannedMargin, ...]
    minutes: float  # of all runs still to be made, without going from product to product
    title_gains: tuple[TitleGain, ...]
    next_runs: tuple[NextRun, ...]  # where a budget is stated
    left_out: Mapping[str, str]  # title -> why nothing is planned for it
    notes: tuple[str, ...]

    @property
    def asked(self) -> Asked:
        """What is asked of every margin."""
        return Asked(self.ratio, self.power, self.confidence, self.design, self.borrowed_df)

    def counts(self) -> dict[tuple[str, str], int]:
        """Return the runs still to be made, by (product, title)."""
        return {(c.product, c.title): c.to_run for c in self.cells if c.to_run}

    def to_frame(self) -> pd.DataFrame:
        """Return one row per product and title, columns as the fields of `PlannedCell`."""
        return _frame(PlannedCell, self.cells)

    def margins_frame(self) -> pd.DataFrame:
        """Return one row per margin, columns as the fields of `PlannedMargin`."""
        return _frame(PlannedMargin, self.margins)

    def titles_frame(self) -> pd.DataFrame:
        """Return one row per title, columns as the fields of `TitleGain`."""
        return _frame(TitleGain, self.title_gains)

    def next_runs_frame(self) -> pd.DataFrame:
        """Return one row per run to make next, columns as the fields of `NextRun`."""
        return _frame(NextRun, self.next_runs)


def _frame(kind: type, rows: Sequence[object]) -> pd.DataFrame:
    import pandas as pd

    names = list(kind.__dataclass_fields__)  # type: ignore[attr-defined]
    return pd.DataFrame([[getattr(row, n) for n in names] for row in rows], columns=names)


def plan_runs(
    titles: Mapping[str, Title],
    *,
    params: PlanParams,
    product: str,
    baselines: Sequence[str],
    confidence: float,
    design: Design = "shared",
    run_sd: RunSd | None = None,
    have: Mapping[tuple[str, str], int] | None = None,
    borrowed_df: float = 0.0,
    within_sd: Mapping[tuple[str, str], float] | None = None,
    correlations: Mapping[tuple[str, str], float] | None = None,
    doubts: Mapping[tuple[str, str], SpreadDoubt] | None = None,
) -> Plan:
    """Return the runs that resolve a margin of the size asked for, title by title.

    Parameters
    ----------
    titles : mapping of str to Title
        What is to be run.
    params : PlanParams
        Margin, power, times, limits.
    product, baselines : str, sequence of str
        The reviewed product, and what it is set against.
    confidence : float
        Of the margins' intervals.
    design : {"shared", "welch", "paired"}
        How the margins will be computed.
    run_sd : callable or mapping of (product, title), optional
        Spread from run to run, of ln values. Where it tells nothing, `params.default_run_sd`.
    have : mapping of (product, title) to int, optional
        Runs there are that will be used.
    borrowed_df : float
        See `margin_power`.
    within_sd : mapping of (product, title) to float, optional
        The part of the spread that comes from runs being short, see `within_run_sd`.
    correlations : mapping of (baseline, title) to float, optional
        For "paired": of the product's and the baseline's ln values within a session. Where it
        tells nothing, `params.session_correlation`.
    doubts : mapping of (baseline, title) to SpreadDoubt, optional
        How far the spreads of the product (`mine`) and the baseline are from being known. Where it
        tells nothing they are taken for granted, as the stated default always is.

    Returns
    -------
    Plan

    Notes
    -----
    Both sides of a margin get the same number of runs; the reviewed product, part of every margin,
    gets the largest. Never fewer than `params.min_runs`, never more than `params.max_runs`: where
    that is too few, the margin says what it will be able to resolve instead. Against a product that
    cannot be run again the other side makes up for it, where `params.max_runs` are enough for that;
    nothing with it is paired. Titles measured in dB have no ratios and are left out.
    """
    left_out = {
        name: "measured as a level in dB, which has no ratios; nothing is planned for it"
        for name, title in titles.items()
        if title.measures == "noise"
    }
    names = [name for name in titles if name not in left_out]
    sds = {(p, t): _known_sd(run_sd, p, t) for p in (product, *baselines) for t in names}
    each = confidence
    if params.every_title and names:
        # The first step of Holm's procedure: what holds there holds for every title.
        each = 1 - (1 - confidence) / len(names)
    asked = Asked(1 + params.margin, params.power, each, design, borrowed_df)
    made = have or {}
    gone = set(params.cannot_run)

    def fixed(who: str, title: str) -> int | None:
        return made.get((who, title), 0) if who in gone else None

    def correlation(baseline: str, title: str) -> float:
        known = (correlations or {}).get((baseline, title), params.session_correlation)
        return known if design == "paired" else 0.0

    def doubt(baseline: str, title: str) -> SpreadDoubt:
        return (doubts or {}).get((baseline, title), GRANTED)

    needed = {
        (b, t): asked.runs(
            (sds[product, t] or params.default_run_sd, sds[b, t] or params.default_run_sd),
            (fixed(product, t), fixed(b, t)),
            correlation(b, t),
            doubt(b, t),
        )
        for b in baselines
        for t in names
    }
    cells = []
    for who in (product, *baselines):
        for title in names:
            counts = [
                _worth(needed[b, title], bool(gone & {product, b}), params.max_runs)
                for b in baselines
                if who in (product, b)
            ]
            cells.append(
                _plan_cell(
                    who,
                    title,
                    params=params,
                    run_s=titles[title].planned_s or params.run_s,
                    run_sd=sds[who, title],
                    counts=counts,
                    have=made.get((who, title), 0),
                    within_sd=(within_sd or {}).get((who, title)),
                )
            )
    by_key = {(c.product, c.title): c for c in cells}
    margins = tuple(
        asked.margin(by_key[product, t], by_key[b, t], needed[b, t], correlation(b, t), doubt(b, t))
        for b in baselines
        for t in names
    )
    times = [
        CellTime(c.product, c.title, c.run_sd, c.have, (params.setup_s + c.run_s) / 60, c.can_run)
        for c in cells
    ]
    budget = params.budget_minutes
    minutes = math.fsum(c.minutes for c in cells)
    gains = rank_titles(
        times, product=product, planned=[c.runs for c in cells], budget_minutes=budget
    )
    next_runs: tuple[NextRun, ...] = ()
    if budget is not None:
        next_runs = find_next_runs(
            times, product=product, budget_minutes=budget, min_runs=params.min_runs
        )
    return Plan(
        product=product,
        baselines=tuple(baselines),
        titles=tuple(names),
        ratio=asked.ratio,
        power=params.power,
        confidence=each,
        design=design,
        borrowed_df=borrowed_df,
        cells=tuple(cells),
        margins=margins,
        minutes=minutes,
        title_gains=gains,
        next_runs=next_runs,
        left_out=left_out,
        notes=_notes(params, cells, margins, minutes, design, doubtful=bool(doubts)),
    )


def _worth(needed: int | None, one_sided: bool, most: int) -> int:
    """Return the runs worth making for a margin, no more than `most`."""
    if needed is not None and needed <= most:
        return needed
    # Against runs that cannot be added to, more of one's own soon bring nothing.
    return 0 if one_sided else most


def _plan_cell(
    product: str,
    title: str,
    *,
    params: PlanParams,
    run_s: float,
    run_sd: float | None,
    counts: Sequence[int],
    have: int,
    within_sd: float | None,
) -> PlannedCell:
    """Return one product in one title, with the runs its margins need."""
    can_run = product not in params.cannot_run
    runs = max([params.min_runs, *counts]) if can_run else have
    to_run = max(0, runs - have)
    best = None
    if within_sd is not None and run_sd is not None:
        best = best_length_s(
            run_s=run_s, setup_s=params.setup_s, run_sd=run_sd, within_sd=within_sd
        )
    return PlannedCell(
        product=product,
        title=title,
        run_sd=run_sd or params.default_run_sd,
        sd_from="default" if run_sd is None else "bench",
        runs=runs,
        have=have,
        to_run=to_run,
        run_s=run_s,
        minutes=to_run * (params.setup_s + run_s) / 60,
        best_run_s=best,
        can_run=can_run,
    )


def _known_sd(run_sd: RunSd | None, product: str, title: str) -> float | None:
    """Return a cell's spread, None where it is not known."""
    if run_sd is None:
        return None
    found = run_sd(product, title) if callable(run_sd) else run_sd.get((product, title))
    return found if found is not None and math.isfinite(found) and found > 0 else None


def _notes(
    params: PlanParams,
    cells: Sequence[PlannedCell],
    margins: Sequence[PlannedMargin],
    minutes: float,
    design: Design,
    *,
    doubtful: bool,
) -> tuple[str, ...]:
    """Return in words what the plan rests on and what it does not promise."""
    how = {
        "shared": "margins with a variance shared between cells, by exact t power",
        "welch": "Welch's interval, by its exact power",
        "paired": "margins paired by session, by exact t power",
    }[design]
    notes = [
        f"Runs are worked out for {how}.",
        "The power holds for a true margin of the size asked for, and "
        + (
            "on average over what the bench leaves open of each spread; where runs spread more "
            "than reckoned here, less is resolved."
            if doubtful
            else "for runs that spread as reckoned here; where they spread more, less is resolved."
        ),
    ]
    guessed = sum(cell.sd_from == "default" for cell in cells)
    if guessed:
        notes.append(
            f"{guessed} of {len(cells)} cells have no runs to tell their spread; they are reckoned "
            "with the stated default. Make a pilot and check it."
        )
    short = sum(not margin.resolved for margin in margins)
    if short:
        notes.append(
            f"{short} of {len(margins)} margins do not reach the power asked for with the most "
            "runs allowed; see the smallest margin each will resolve."
        )
    if any(not cell.can_run for cell in cells):
        notes.append(
            "Products that cannot be run again keep the runs there are; more runs of the others "
            "make up for it only so far."
        )
    if any(cell.best_run_s is not None for cell in cells):
        notes.append(
            "best_run_s is the length that suits averages; lows rest on few frames and want runs "
            "no shorter than planned."
        )
    if params.every_title:
        notes.append("Each title is planned so that statements about every title hold together.")
    else:
        notes.append(
            "Each title is planned for itself: over many titles some will miss, and a statement "
            "about every title needs more runs (every_title)."
        )
    if params.budget_minutes is not None:
        fits = minutes <= params.budget_minutes
        notes.append(
            "The plan fits the bench time there is."
            if fits
            else "The plan asks more bench time than there is; next_runs is the best use of it."
        )
    return (*notes, STOPPING_RULE)
