"""The power of margins and plans, with everything a test states given by keyword."""

from kit.planning import runs_needed as plans
from kit.stats import power as powers

EVIDENCE = set(plans.BenchEvidence.__dataclass_fields__)


def margin_power(ratio, *, runs, other_runs=None, **design):
    given = powers.MarginDesign(**design)
    return given.power(ratio, runs=runs, other_runs=other_runs)


def runs_needed(ratio, *, power, other_runs=None, **design):
    given = powers.MarginDesign(**design)
    return given.runs_needed(ratio, power=power, other_runs=other_runs)


def smallest_ratio(runs, *, power, other_runs=None, **design):
    given = powers.MarginDesign(**design)
    return given.smallest_ratio(runs, power=power, other_runs=other_runs)


def plan_runs(titles, **given):
    evidence = {name: given.pop(name) for name in list(given) if name in EVIDENCE}
    return plans.plan_runs(titles, evidence=plans.BenchEvidence(**evidence), **given)
