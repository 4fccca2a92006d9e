"""Which runs are flagged or set aside, each with its reason: the rules in their order.

The rules themselves are in `run_rules` (a run, beside its siblings, run again since) and
`title_rules` (what limits a title, what its figures can bear, how it was recorded).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from kit.bench.runs import RunRow, RunSheet
from kit.errors import Fault, did_you_mean
from kit.metrics.run_metrics import RunDiagnostics
from kit.rounding import grouped
from kit.screening import run_rules, title_rules
from kit.screening.flags import Flag, View
from kit.settings.bench_file import Bench
from kit.settings.params import LoadedParams, ReviewParams, ScreenParams


@dataclass(frozen=True, slots=True)
class Screened:
    """The outcome of screening: flags, and the runs set aside with their reasons."""

    flags: tuple[Flag, ...] = ()
    set_aside: Mapping[str, str] = field(default_factory=dict)  # run -> reason


@dataclass(frozen=True, slots=True)
class _RuleInForce:
    """One rule as a review applied it: what it does, whether it sets aside, its thresholds."""

    name: str
    does: str
    acts: bool  # sets runs aside; else it only flags
    thresholds: Mapping[str, object]


# The order is part of the method: a rule looks at the runs that earlier rules left, so that a
# run cut short is not also called an outlier. What one log alone tells comes first,
# then the analyst's word, then what siblings, other products and other titles tell.
_ORDER = (
    "failed", "bad_stamps", "planned_length", "gap", "analyst", "same_log", "made_again",
    "warm_up", "far_run", "exchanged", "unlike_cell", "named_otherwise", "unequal_length",
    "drift_in_run", "step_in_run", "order_drift", "throttling", "capped", "processor_bound",
    "rounding", "conditions_differ", "separate_blocks", "stale", "short_tail", "few_runs",
)  # fmt: skip
RULES = tuple(
    sorted((*run_rules.RULES, *title_rules.RULES), key=lambda rule: _ORDER.index(rule.name))
)
# Rules that look at one title beside others; all others say of a title what its own rows tell.
_ACROSS_TITLES = frozenset(
    {"same_log", "exchanged", "unlike_cell", "processor_bound", "separate_blocks", "stale"}
)


def screen_runs(
    rows: Sequence[RunRow],
    diagnostics: Mapping[str, RunDiagnostics],
    bench: Bench,
    params: ReviewParams,
    *,
    known: Screened | None = None,
) -> Screened:
    """Return which runs are flagged or set aside, each with its reason.

    Parameters
    ----------
    rows : sequence of RunRow
        Every row of the review, in sheet order, those that failed among them.
    diagnostics : mapping of str to RunDiagnostics
        Run to its diagnostics, for every run with a log.
    bench : Bench
    params : ReviewParams
        `params.screen` holds the thresholds, and which rules set runs aside.
    known : Screened, optional
        What screening said of these runs and of those of more titles under the same params: what
        it says of one title alone is taken from there.

    Returns
    -------
    Screened
        Flags in the order of the rules and, within one, of the sheet. A run set aside by one
        rule is out of sight of the rules after it, save the analyst's word, which is kept beside
        a rule's.
    """
    set_aside: dict[str, str] = {}
    flags: list[Flag] = []
    named = {row.run for row in rows}, {row.title for row in rows}
    there = grouped(
        (flag.rule, flag)
        for flag in (known.flags if known else ())
        if flag.run in named[0] or (not flag.run and flag.title in named[1])
    )
    aside: set[str] = set()  # of these runs, by the same rules when more titles were screened
    view = View(tuple(rows), tuple(row for row in rows if row.produced), diagnostics, bench, params)
    for rule in RULES:
        before_it = len(set_aside)
        acts = rule.always_acts or rule.name in params.screen.set_aside_rules
        keep = known is not None and rule.name not in _ACROSS_TITLES and aside == set_aside.keys()
        for found in there.get(rule.name, ()) if keep else rule.find(view):
            action = "flag" if found.action == "set_aside" and not acts else found.action
            flag = replace(found, rule=rule.name, action=action)
            if flag.action == "set_aside":
                before = set_aside.get(flag.run)
                set_aside[flag.run] = f"{before}; {flag.reason}" if before else flag.reason
            flags.append(flag)
        aside |= {f.run for f in there.get(rule.name, ()) if f.action == "set_aside"}
        if len(set_aside) > before_it:
            out = tuple(row for row in view.used if row.run in set_aside)
            used = tuple(row for row in view.used if row.run not in set_aside)
            left_out = out if rule.name == "analyst" else view.left_out
            view = replace(view, used=used, left_out=left_out)
    return Screened(tuple(flags), set_aside)


def rules_in_force(params: ScreenParams) -> tuple[_RuleInForce, ...]:
    """Return every rule in its order, whether it sets runs aside, and its thresholds."""
    return tuple(
        _RuleInForce(
            rule.name,
            rule.does,
            rule.always_acts or rule.name in params.set_aside_rules,
            {key: getattr(params, key) for key in rule.thresholds},
        )
        for rule in RULES
    )


def unknown_names(sheet: RunSheet, loaded: LoadedParams) -> list[Fault]:
    """Return a fault for each run or condition that params name and the run sheet does not have.

    Parameters
    ----------
    sheet : RunSheet
        The run sheet of the bench.
    loaded : LoadedParams
        The review's params, with their file for line numbers.
    """
    screen = loaded.params.screen
    runs: Collection[str] = {row.run for row in sheet.rows_of(loaded.params.products)}
    if any(entry.run not in runs for entry in screen.set_aside):
        runs = sheet.runs
    faults = [
        loaded.document.fault(
            f'no run "{entry.run}" in the run sheet{did_you_mean(entry.run, runs)}',
            "screen", "set_aside", i, "run",
        )
        for i, entry in enumerate(screen.set_aside)
        if entry.run not in runs
    ]  # fmt: skip
    value = loaded.params.value
    faults += [
        loaded.document.fault(f'"{of.product}" has runs of its own', "value", "configurations", i)
        for i, of in enumerate(value.configurations if value else ())
        if any(True for _ in sheet.rows_of([of.product]))
    ]
    return faults + _unknown_condition(sheet.conditions, loaded)


def _unknown_condition(known: Collection[str], loaded: LoadedParams) -> list[Fault]:
    """Return a fault if params tell runs apart by a condition that no run of the bench has."""
    retest = loaded.params.retest
    if retest is None or retest.condition in {None, "session"}:
        return []
    if not known or retest.condition in known:
        return []
    guess = did_you_mean(retest.condition or "", known, listed=len(known))
    said = f'no column "{retest.condition}" in the run sheet{guess}'
    return [loaded.document.fault(said, "retest", "condition")]
