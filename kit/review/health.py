"""How a bench stands: how well it repeats itself, what is old, what is missing, what to run first.

Nothing here sets a run aside or changes a figure of a review.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import TYPE_CHECKING

from kit.bench.runs import RunRow
from kit.margins.repeatability import (
    BenchComponents,
    Repeatability,
    bench_components,
    measure_repeatability,
    repeatability_frame,
)
from kit.review.walk import Results, Review
from kit.screening.flags import moment
from kit.settings.metric import METRICS

if TYPE_CHECKING:
    import pandas as pd

# Where params have no section `plan`, a launch and a run of unknown length cost this much.
SETUP_S, RUN_S = 60.0, 60.0


@dataclass(frozen=True, slots=True)
class _Gap:
    """A product without a used run in a title, and why."""

    product: str
    title: str
    reason: str


@dataclass(frozen=True, slots=True)
class Stale:
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
class Task:
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
    stale: tuple[Stale, ...]
    tasks: tuple[Task, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a row per title and metric: see `repeatability_frame`."""
        return repeatability_frame(self.repeats)

    def gaps_frame(self) -> pd.DataFrame:
        """Return one row per gap, columns as the fields of `_Gap`."""
        return _frame(_Gap, self.gaps)

    def stale_frame(self) -> pd.DataFrame:
        """Return one row per stale cell, columns as the fields of `Stale`."""
        return _frame(Stale, self.stale)

    def tasks_frame(self) -> pd.DataFrame:
        """Return one row per task, columns as the fields of `Task`; titles joined by " "."""
        frame = _frame(Task, self.tasks)
        frame["titles"] = [" ".join(titles) for titles in frame["titles"]]
        return frame


def _frame(kind: type, rows: Sequence[object]) -> pd.DataFrame:
    import pandas as pd

    names = [f.name for f in fields(kind)]
    return pd.DataFrame([[getattr(row, n) for n in names] for row in rows], columns=names)


@lru_cache(maxsize=1)
def measure_health(review: Review, results: Results) -> Health:
    """Return how the bench stands for a review: spread, stale runs, gaps, what to run first.

    The last answer is kept: claims, sections and tables show one.
    """
    there = {cell.metric for cell in results.cells}
    metrics = [m for m in review.params.metrics.names if METRICS[m].steady and m in there]
    titles = review.bench.titles
    gaps, stale = find_gaps(review), _find_stale_cells(review)
    return Health(
        repeats=tuple(
            repeat
            for metric in metrics
            for repeat in measure_repeatability(review.used, metric=metric, titles=titles)
        ),
        components=tuple(
            bench_components(review.used, metric=metric, titles=titles)
            for metric in metrics
            if METRICS[metric].unit  # else one title measures points, the next seconds
        ),
        gaps=gaps,
        stale=stale,
        tasks=rank_tasks(review, gaps, stale),
    )


def find_gaps(review: Review) -> tuple[_Gap, ...]:
    """Return each product and title of the review without a used run."""
    used = {(m.product, m.title) for m in review.used}
    rows: dict[tuple[str, str], list[RunRow]] = {}
    for row in review.rows:
        rows.setdefault((row.product, row.title), []).append(row)
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


def _find_stale_cells(review: Review) -> tuple[Stale, ...]:
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
                Stale(
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


def rank_tasks(review: Review, gaps: Sequence[_Gap], stale: Sequence[Stale]) -> tuple[Task, ...]:
    """Return what to run of each product, the one that renews most margins first.

    Parameters
    ----------
    review : Review
        The review whose bench is looked at.
    gaps : sequence of Gap
        Cells without a used run, from `find_gaps`.
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
        tasks.append(
            (
                -_margins_touched(review, product, titles),
                -max(ages, default=0),
                Task(
                    0,
                    product,
                    tuple(titles),
                    sum(runs[t] for t in titles),
                    seconds / 60,
                    _margins_touched(review, product, titles),
                    ", ".join(
                        f"{count} {'title' if count == 1 else 'titles'} {words}"
                        for words, count in why.items()
                        if count
                    ),
                ),
            )
        )
    tasks.sort(key=lambda task: task[:2])  # products stay in their order where nothing tells
    return tuple(
        Task(place, t.product, t.titles, t.runs, t.minutes, t.margins, t.why)
        for place, (_, _, t) in enumerate(tasks, start=1)
    )


def _margins_touched(review: Review, product: str, titles: Sequence[str]) -> int:
    """Return how many margins of the reviewed product runs of these titles would bear on."""
    params = review.params
    others = params.compared if product == params.product else (product,)
    return len(titles) * sum(other in params.compared for other in others)
