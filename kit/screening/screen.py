"""Which runs are flagged or set aside, each with its reason: the rules in their order.

The rules themselves are in `run_rules` (a run, beside its siblings, run again since) and
`title_rules` (what limits a title, what its figures can bear, how it was recorded).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from kit.bench.runs import RunRow, RunSheet
from kit.errors import Fault, did_you_mean
from kit.metrics.run_metrics import RunDiagnostics
from kit.screening import run_rules, title_rules
from kit.screening.flags import Flag, View
from kit.settings.bench_file import Bench
from kit.settings.params import LoadedParams, ReviewParams, ScreenParams
from kit.settings.yaml import YamlDocument


@dataclass(frozen=True, slots=True)
class Screened:
    """The outcome of screening: flags, and the runs set aside with their reasons."""

    flags: tuple[Flag, ...] = ()
    set_aside: Mapping[str, str] = field(default_factory=dict)  # run -> reason


@dataclass(frozen=True, slots=True)
class _Rule:
    """One rule of screening: its name, what it does in words, its thresholds.

    `always_acts` marks what leaves a run out whatever `set_aside_rules` says: the analyst's own
    word, and logs that cannot be measured at all.
    """

    name: str
    does: str
    thresholds: tuple[str, ...]  # keys of `screen` in params
    always_acts: bool = False


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
RULES: tuple[_Rule, ...] = (
    _Rule("failed", "a run that crashed, was refused or did not start", ()),
    _Rule(
        "bad_stamps",
        "a log whose clock goes back or stands still; it cannot be measured",
        (),
        always_acts=True,
    ),
    _Rule("planned_length", "a run shorter than its title's planned length", ("min_length_share",)),
    _Rule("gap", "a frame so long that the capture or its clock may have stopped", ("gap_ms",)),
    _Rule(
        "analyst",
        "a run the analyst set aside, in the run sheet or the params file, with a reason",
        ("set_aside",),
        always_acts=True,
    ),
    _Rule(
        "same_log",
        "one log under two names: the same bytes, or the same frame times; the later row is "
        "the copy, and across products or titles both rows are flagged",
        (),
    ),
    _Rule(
        "made_again",
        "a run of before, where the same product and title was run again (section retest)",
        (),
        always_acts=True,
    ),
    _Rule(
        "warm_up",
        "a first run apart from all runs after it, by a share of their mean and by a number of "
        "their spreads",
        ("warm_up_margin", "warm_up_spreads"),
    ),
    _Rule(
        "far_run",
        "an outlier among its siblings by Grubbs' test (two-sided) and the modified z; not "
        "judged with fewer than four runs",
        ("far_run_alpha", "far_run_z"),
    ),
    _Rule(
        "exchanged",
        "two runs that are each far from their own cell and fit the other's, of one title or "
        "product: perhaps exchanged",
        (),
    ),
    _Rule(
        "unlike_cell",
        "a run far from the others of its cell by the spread of cells like it (Student's t over "
        "all runs); three runs suffice",
        (),
    ),
    _Rule(
        "named_otherwise",
        "a log whose file name or own first lines name another product or title than its row",
        (),
    ),
    _Rule(
        "unequal_length",
        "a run that differs both in length and in number of frames from what most runs of its "
        "title have, so that it is of another stretch of the scene",
        ("length_share",),
    ),
    _Rule(
        "drift_in_run",
        "a level that moves over a run, or over the runs of a cell together, beyond what the scene "
        "does on other products: Sen's slope, with a Mann-Kendall test that allows for dependence "
        "between frames",
        ("drift_share", "drift_p"),
    ),
    _Rule(
        "step_in_run",
        "a stretch at a run's beginning or end on another level than the rest, beyond what the "
        "product's other runs, or other products by three times as much, do there: the largest "
        "step over its error, dependence between stretches allowed for",
        ("step_share",),
    ),
    _Rule(
        "order_drift",
        "a figure that drifts over the order of runs: Sen's slope and Kendall's test; not "
        "judged with fewer than five runs",
        ("order_drift_share", "order_drift_p"),
    ),
    _Rule(
        "throttling",
        "a clock that falls while the temperature rises, first fifth of a run to last",
        ("throttle_clock_share", "throttle_rise_c"),
    ),
    _Rule(
        "capped",
        "stretches of frames held at a display's refresh or another cap, and hardly any faster",
        ("caps_hz", "cap_share", "cap_width"),
    ),
    _Rule(
        "processor_bound",
        "the fastest products of a title are level by their 90 % interval where other titles set "
        "them apart, or sensors read a processor near full load; not judged where the interval "
        "reaches both ways",
        ("processor_bound_margin", "processor_bound_spread", "processor_load_pct"),
    ),
    _Rule(
        "rounding",
        "frame times logged in steps that are coarse beside the median frame time",
        ("rounding_share",),
    ),
    _Rule(
        "conditions_differ",
        "recorded conditions that differ among the runs of one product in one title",
        ("condition_tolerances", "conditions_ignored"),
    ),
    _Rule(
        "separate_blocks",
        "two products compared that were run one wholly before the other, in no session of both: "
        "what changed meanwhile, other than the product, is in their margins",
        (),
    ),
    _Rule(
        "stale",
        "a product or cell whose newest run, or dated condition, is older than the reviewed "
        "product's by more than a number of days, or that ran before a version the bench has now",
        ("stale_days", "version_conditions"),
    ),
    _Rule(
        "short_tail", "too few independent frames in a run to bound a low's tail (Wilks 1941)", ()
    ),
    _Rule("few_runs", "fewer runs left than wanted", ("min_runs",)),
)


# Rules that look at one title beside others; all others say of a title what its own rows tell.
_ACROSS_TITLES = frozenset(
    {"same_log", "exchanged", "unlike_cell", "processor_bound", "separate_blocks", "stale"}
)
_FIND = {**run_rules.FIND, **title_rules.FIND}


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
    there: dict[str, list[Flag]] = {}
    for flag in known.flags if known else ():
        if flag.run in named[0] or (not flag.run and flag.title in named[1]):
            there.setdefault(flag.rule, []).append(flag)
    aside: set[str] = set()  # of these runs, by the same rules when more titles were screened
    view = View(tuple(rows), tuple(row for row in rows if row.produced), diagnostics, bench, params)
    for rule in RULES:
        before_it = len(set_aside)
        acts = rule.always_acts or rule.name in params.screen.set_aside_rules
        keep = known is not None and rule.name not in _ACROSS_TITLES and aside == set_aside.keys()
        for found in there.get(rule.name, ()) if keep else _FIND[rule.name](view):
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
    faults = _unknown_set_aside_runs(screen, runs, loaded.document)
    value = loaded.params.value
    faults += [
        loaded.document.fault(f'"{of.product}" has runs of its own', "value", "configurations", i)
        for i, of in enumerate(value.configurations if value else ())
        if any(True for _ in sheet.rows_of([of.product]))
    ]
    return faults + _unknown_condition(sheet.conditions, loaded)


def _unknown_set_aside_runs(
    params: ScreenParams, runs: Iterable[str], document: YamlDocument
) -> list[Fault]:
    """Return a fault for each run that params set aside and the run sheet does not know.

    Parameters
    ----------
    params : ScreenParams
    runs : iterable of str
        Ids of every row of the run sheet.
    document : YamlDocument
        Gives the lines of the faults.
    """
    known = set(runs)
    return [
        Fault(
            document.file,
            f'no run "{entry.run}" in the run sheet{did_you_mean(entry.run, known)}',
            line=document.line_of(["screen", "set_aside", i, "run"]),
            key=f"screen.set_aside[{i}].run",
        )
        for i, entry in enumerate(params.set_aside)
        if entry.run not in known
    ]


def _unknown_condition(known: Collection[str], loaded: LoadedParams) -> list[Fault]:
    """Return a fault if params tell runs apart by a condition that no run of the bench has."""
    retest = loaded.params.retest
    if retest is None or retest.condition in {None, "session"}:
        return []
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
