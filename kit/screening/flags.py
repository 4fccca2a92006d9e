"""What a rule of screening sees, and what it says: `View` and `Flag`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from kit.bench.runs import RunRow
from kit.metrics.run_metrics import RunDiagnostics
from kit.rounding import grouped
from kit.settings.bench_file import Bench
from kit.settings.metric import HEADLINE
from kit.settings.params import ReviewParams, ScreenParams

Action = Literal["flag", "set_aside", "cannot_judge"]
CellKey = tuple[str, str]  # product, title


@dataclass(frozen=True, slots=True)
class Flag:
    """What one rule says of one run, cell (product in title), title or product.

    `action` is "set_aside" (the run is left out of the figures), "flag" (kept, but marked) or
    "cannot_judge" (the rule cannot tell, and why). `run`, `product` and `title` are empty where
    the flag is about more than one of them; `metric` names the one figure a flag is about, where
    it is not about all. `stretch` is the part of the run that the rule strikes, as shares of its
    time from its beginning. `rule` is entered by `screen_runs`.
    """

    reason: str
    action: Action = "flag"
    run: str = ""
    product: str = ""
    title: str = ""
    metric: str = ""
    stretch: tuple[float, float] | None = None
    rule: str = ""

    @classmethod
    def of_run(cls, row: RunRow, reason: str, action: Action = "flag") -> Flag:
        """Return a flag about one run.

        Parameters
        ----------
        row : RunRow
            The run.
        reason : str
            What was found, in words, with figures.
        action : {"flag", "set_aside", "cannot_judge"}
            "set_aside" takes effect only where the params let the rule act.
        """
        return cls(reason, action, row.run, row.product, row.title)


_Found = TypeVar("_Found")


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """What a rule sees: the rows still used, their diagnostics, the bench and the params."""

    rows: tuple[RunRow, ...]  # every row of the review, in sheet order
    used: tuple[RunRow, ...]  # those that produced something and are not set aside
    diagnostics: Mapping[str, RunDiagnostics]
    bench: Bench
    params: ReviewParams
    left_out: tuple[RunRow, ...] = ()  # by the analyst, not by a rule
    _seen: dict[Callable[..., Any], Any] = field(default_factory=dict, init=False, repr=False)

    def once(self, work: Callable[[View], _Found]) -> _Found:
        """Return what `work` makes of this view, worked out once whoever asks."""
        if work not in self._seen:
            self._seen[work] = work(self)
        found: _Found = self._seen[work]
        return found

    @property
    def screen(self) -> ScreenParams:
        """The thresholds."""
        return self.params.screen

    def cells(self) -> dict[CellKey, list[RunRow]]:
        """Return the used rows of each product in each title, in the order recorded."""
        return self.once(_rows_by_cell)

    def logged(self) -> list[tuple[RunRow, RunDiagnostics]]:
        """Return the used rows that have a log, with their diagnostics."""
        return self.once(_rows_with_log)

    def value(self, row: RunRow) -> float | None:
        """Return the run's main figure: what was typed in as value, or the average.

        Returns
        -------
        float or None
            In the title's unit: frames per second, or what its figures measure. None where the run
            has neither a typed value, nor a log, nor a typed average.
        """
        if "value" in row.typed:
            return row.typed["value"]
        log = self.diagnostics.get(row.run)
        if log is not None and log.average_fps > 0:
            return log.average_fps
        return row.typed.get(HEADLINE)

    def log_values(self, rows: Sequence[RunRow]) -> NDArray[np.float64] | None:
        """Return the runs' main figures on the log scale; None unless every one is positive.

        Parameters
        ----------
        rows : sequence of RunRow
            The runs asked for.

        Returns
        -------
        ndarray of float, shape (n_rows,), or None
            Natural logarithms of `value`, in the order of `rows`.
        """
        values = [self.value(row) for row in rows]
        known = [value for value in values if value is not None and value > 0]
        return np.log(known) if len(known) == len(values) else None

    def cell_logs(self) -> dict[CellKey, NDArray[np.float64] | None]:
        """Return what `log_values` gives of the runs of each cell."""
        return self.once(_logs_by_cell)

    def measures_frames(self, title: str) -> bool:
        """Whether a title's figure is a frame rate."""
        return self.bench.titles[title].measures == "frames"


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of screening: its name, what gives its flags, what it does in words.

    `always_acts` marks what leaves a run out whatever `set_aside_rules` says: the analyst's own
    word, and logs that cannot be measured at all.
    """

    name: str
    find: Callable[[View], Iterable[Flag]]
    does: str
    thresholds: tuple[str, ...] = ()  # keys of `screen` in params
    always_acts: bool = False


def _rows_with_log(view: View) -> list[tuple[RunRow, RunDiagnostics]]:
    pairs = [(row, view.diagnostics.get(row.run)) for row in view.used]
    return [(row, log) for row, log in pairs if log is not None and log.frames > 0]


def _rows_by_cell(view: View) -> dict[CellKey, list[RunRow]]:
    found = grouped(((row.product, row.title), row) for row in view.used)
    return {cell: _in_order(rows) for cell, rows in found.items()}


def _logs_by_cell(view: View) -> dict[CellKey, NDArray[np.float64] | None]:
    cells = view.cells()
    values = np.array([view.value(row) or 0.0 for rows in cells.values() for row in rows])
    logs = np.log(values, where=values > 0, out=np.full(values.shape, np.nan))
    found: dict[CellKey, NDArray[np.float64] | None] = {}
    stop = 0
    for cell, rows in cells.items():
        start, stop = stop, stop + len(rows)
        found[cell] = logs[start:stop] if values[start:stop].min() > 0 else None
    return found


def _in_order(rows: Iterable[RunRow]) -> list[RunRow]:
    """Return runs in the order recorded: by when they began, or as in the sheet."""
    listed = list(rows)
    moments = [moment(row.began) for row in listed]
    if any(m is None for m in moments):
        return listed
    order = sorted(range(len(listed)), key=lambda i: (moments[i], i))
    return [listed[i] for i in order]


def moment(began: dt.datetime | None) -> dt.datetime | None:
    """Return a moment that can be compared: one without a zone is taken as UTC.

    At worst it is hours off; a sheet without zones is of one place, and its runs keep their order.
    """
    if began is not None and began.tzinfo is None:
        return began.replace(tzinfo=dt.UTC)
    return began


def percent(share: float) -> str:
    """Return a share as a reason quotes it, to three figures.

    >>> percent(-0.0421), percent(0.95)
    ('-4.21 %', '95 %')
    """
    return f"{100 * share:.3g} %" if abs(share) < 9.995 else f"{100 * share:,.0f} %"


def few(count: int, noun: str = "run") -> str:
    """Return a number with its noun.

    >>> few(1), few(3)
    ('1 run', '3 runs')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
