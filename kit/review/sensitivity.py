"""What each headline outcome would be under other choices: its runs, its method, its titles."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from kit.margins.cells import Cell
from kit.margins.suites import SuiteMargin, summarise_suites, summarise_titles
from kit.metrics.run_metrics import RunMetrics
from kit.review.walk import Results, Review, suites_of_runs
from kit.settings.metric import HEADLINE, HEADLINE_LOW, METRICS
from kit.stats.series import LOW_DEFINITIONS

# What is chosen otherwise, before a title's or group's id: words for a reader.
CHOICES = {
    "all_runs": "all runs, also those set aside",
    "without_flagged": "without the runs flagged",
    "welch": "by the runs of both sides alone (Welch)",
    "adjusted": "adjusted for all products compared",
    **{f"low_{name}": f"lows by {name.replace('_', ' ')}" for name in LOW_DEFINITIONS},
}


@dataclass(frozen=True, slots=True)
class Otherwise:
    """One headline outcome under one other choice.

    `choice` is a key of `CHOICES`, or "without_title/" or "without_group/" and an id. `turned` says
    that its interval gives another outcome than the one stated.
    """

    choice: str
    suite: SuiteMargin
    turned: bool


def measure_sensitivity(review: Review, results: Results) -> tuple[Otherwise, ...]:
    """Return the suite margins of the reviewed product over all titles under other choices.

    Parameters
    ----------
    review : Review
    results : Results
        What `work_out` made of it.

    Returns
    -------
    tuple of Otherwise
        Of the averages and the 1 % lows, by metric, choice and product compared. A choice that
        changes nothing (no run set aside, none flagged) is not there; titles and groups are left
        out of the averages alone.

    Notes
    -----
    One thing at a time is chosen otherwise. Runs, method and low: every step from runs to suites
    is taken again, as `what_if` takes it. Titles: the variance of runs stays as all titles of the
    review show it.
    """
    own = review.params.product
    stated = {
        (s.metric, s.baseline): s
        for s in results.suites
        if (s.product, s.suite) == (own, "all") and s.metric in {HEADLINE, HEADLINE_LOW}
    }
    names = list(dict.fromkeys(metric for metric, _ in stated))
    made = [*_by_runs(review, results, names), *_by_low(review, names)]
    made += [("adjusted", suite) for suite in _adjusted(list(stated.values()), review, results)]
    made += _by_titles(review, results, [s for s in stated.values() if s.metric == HEADLINE])
    order = {name: place for place, name in enumerate(names)}
    found = [
        Otherwise(choice, suite, _turned(suite, stated[suite.metric, suite.baseline]))
        for choice, suite in made
        if (suite.metric, suite.baseline) in stated
    ]
    return tuple(sorted(found, key=lambda one: order[one.suite.metric]))


def _turned(suite: SuiteMargin, stated: SuiteMargin) -> bool:
    """Return whether the interval of a suite gives another outcome; without one nothing does."""
    return None not in (suite.low, stated.low) and suite.outcome != stated.outcome


def _by_runs(
    review: Review, results: Results, names: Sequence[str]
) -> Iterator[tuple[str, SuiteMargin]]:
    """Yield the suites of all runs, of those that nothing flags, and by Welch's method."""
    used = review.used
    flagged = {f.run for f in review.screened.flags if f.run and f.action == "flag"}
    chosen: dict[str, Sequence[RunMetrics]] = {
        "all_runs": review.measured,
        "without_flagged": tuple(m for m in used if m.run not in flagged),
    }
    for choice, runs in chosen.items():
        if runs and runs != used:
            for suite in suites_of_runs(review, runs, names=names):
                yield choice, suite
    welch = review.params.margins.model_copy(update={"method": "welch"})
    if review.params.margins.method != "welch":
        again = suites_of_runs(review, used, names=names, params=welch, variances=results.variances)
        for suite in again:
            yield "welch", suite


def _by_low(review: Review, names: Sequence[str]) -> Iterator[tuple[str, SuiteMargin]]:
    """Yield the suites of the lows under each other definition."""
    lows = [name for name in names if METRICS[name].tail_share is not None]
    known = any(m.lows for m in review.used)  # of figures typed in nobody knows the definition
    for definition in LOW_DEFINITIONS if lows and known else ():
        if definition == review.params.metrics.low:
            continue
        runs = [replace(m, values={**m.values, **m.lows.get(definition, {})}) for m in review.used]
        for suite in suites_of_runs(review, runs, names=lows):
            yield f"low_{definition}", suite


def _adjusted(
    stated: Sequence[SuiteMargin], review: Review, results: Results
) -> Iterator[SuiteMargin]:
    """Yield the suites with intervals that hold together for all products compared (Bonferroni)."""
    cells = _cells_by_metric(results.cells)
    for suite in stated:
        family = sum(other.metric == suite.metric for other in stated)
        if family > 1:
            yield summarise_titles(
                suite.margins,
                suite=suite.suite,
                params=review.params.margins,
                weights=dict(zip(suite.titles, suite.weights, strict=True)),
                cells=cells[suite.metric],
                outcomes=family,
            )


def _by_titles(
    review: Review, results: Results, stated: Sequence[SuiteMargin]
) -> Iterator[tuple[str, SuiteMargin]]:
    """Yield the suites without each title, and without each group of titles, in turn."""
    cells = [cell for cell in results.cells if cell.metric == HEADLINE]
    left = {f"without_title/{title}": {title} for title in review.titles}
    for group in review.params.suites:
        titles = {t for s in results.suites if s.suite == group for t in s.titles}
        if group != "all" and titles:
            left[f"without_group/{group}"] = titles
    for choice, out in left.items():
        kept = {t: review.bench.titles[t] for t in review.titles if t not in out}
        margins = [m for s in stated if out & {*s.titles} for m in s.margins if m.title in kept]
        for suite in summarise_suites(
            margins,
            groups={"all": review.params.suites.get("all")},
            titles=kept,
            params=review.params.margins,
            cells=cells,
        ):
            yield choice, suite


def _cells_by_metric(cells: Sequence[Cell]) -> dict[str, list[Cell]]:
    found: dict[str, list[Cell]] = {}
    for cell in cells:
        found.setdefault(cell.metric, []).append(cell)
    return found
