"""Runs of before and runs made again, told apart by what params say; they never share a cell."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from kit.bench.runs import RunRow
from kit.errors import Fault, did_you_mean
from kit.screening.flags import Flag, View, moment, run_flag
from kit.settings.params import LoadedParams, RetestParams

Epoch = Literal["old", "new", ""]


def epoch_of(row: RunRow, retest: RetestParams) -> Epoch:
    """Return whether a run is of before or made again; "" where params do not tell."""
    if retest.since is not None:
        began = moment(row.began)
        if began is None:
            return ""
        return "new" if began.date() >= retest.since else "old"
    value = recorded(row, retest.condition or "")
    if value in retest.new:
        return "new"
    return "old" if value in retest.old else ""


def recorded(row: RunRow, condition: str) -> str:
    """Return what a row of the run sheet says of a condition or of its session."""
    return row.session if condition == "session" else row.conditions.get(condition, "")


def find_made_again(view: View) -> list[Flag]:
    """Set aside what was run again: beside new runs, a cell keeps none that are not new."""
    retest = view.params.retest
    if retest is None:
        return []
    flags = []
    for rows in view.cells().values():
        epochs = {row.run: epoch_of(row, retest) for row in rows}
        if "new" not in epochs.values():
            continue
        for row in rows:
            if epochs[row.run] != "new":
                reason = f"run again since: {_said(row, retest)}"
                flags.append(run_flag("made_again", row, reason, "set_aside"))
    return flags


def _said(row: RunRow, retest: RetestParams) -> str:
    """Return what tells a run from those made again."""
    if retest.since is not None:
        began = "no date" if row.began is None else f"{row.began.date()}"
        return f"this run has {began}, new runs are from {retest.since} on"
    value = recorded(row, retest.condition or "") or "nothing"
    name = (retest.condition or "").replace("_", " ")
    return f"{name} is {value} here and {' or '.join(retest.new)} in the new runs"


def unknown_condition(rows: Iterable[RunRow], loaded: LoadedParams) -> list[Fault]:
    """Return a fault if params tell runs apart by a condition that no run of the bench has."""
    retest = loaded.params.retest
    if retest is None or retest.condition in {None, "session"}:
        return []
    known = {name for row in rows for name in row.conditions}
    if not known or retest.condition in known:
        return []
    guess = did_you_mean(retest.condition or "", known, listed=len(known))
    return [
        Fault(
            loaded.document.file,
            f'no column "{retest.condition}" in the run sheet{guess}',
            line=loaded.document.line_of(["retest", "condition"]),
            key="retest.condition",
        )
    ]
