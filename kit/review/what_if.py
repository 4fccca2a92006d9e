"""What if: a review with other choices, one asked for or each that a headline outcome may hang on.

A question names what it changes; each change is an edit of the params file, checked as a file is,
so that what a question gives is what a file with these edits gives. Which headline outcomes other
runs, another method, another low or other titles would turn is worked out for every review.
"""

from __future__ import annotations

import copy
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypedDict

from kit.errors import UsageError, did_you_mean
from kit.margins.suites import SuiteMargin, summarise_suites
from kit.metrics.run_metrics import RunMetrics
from kit.review.walk import Results, Review, suites_of_runs
from kit.settings.metric import HEADLINE, HEADLINE_LOW, METRICS
from kit.settings.params import LoadedParams, SuiteParams, text_beside
from kit.settings.yaml import YamlDocument, change_yaml, one_line
from kit.stats.series import LOW_DEFINITIONS

SCHEMA_LINE = "# yaml-language-server: $schema="
FILE = "what_if"  # what faults name in place of a params file


class Changes(TypedDict, total=False):
    """What `what_if` may be asked.

    without_titles : str or sequence of str
        Titles left out.
    titles : str or sequence of str
        Only these, or "all".
    products : str or sequence of str
        What the reviewed product is set against, of the whole bench, in place of what it is.
    level_band : float
        Margins within this share either way count as level.
    confidence : float
        Of every interval, a fraction.
    low : {"percentile", "slowest_share", "time_share"}
        The definition of the lows.
    method : {"auto", "welch", "shared", "paired"}
        How margins are compared.
    set_aside : mapping of str to str
        Runs left out, each with the reason.
    put_back : str or sequence of str
        Runs that params set aside, used again.
    prices : mapping of str to float
        A scenario: what products cost, in the review's currency.
    waive : sequence of mappings
        Waivers as in params: control, products, reason.
    """

    without_titles: str | Sequence[str]
    titles: str | Sequence[str]
    products: str | Sequence[str]
    level_band: float
    confidence: float
    low: str
    method: str
    set_aside: Mapping[str, str]
    put_back: str | Sequence[str]
    prices: Mapping[str, float]
    waive: Sequence[Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Edit:
    """One key of the params file and its new value; None takes the key away."""

    path: tuple[str, ...]
    value: Any

    @staticmethod
    def params_with(review: Review, changes: Mapping[str, Any]) -> tuple[LoadedParams, list[Edit]]:
        """Return a review's params with changes, checked as a params file is, and what was edited.

        Parameters
        ----------
        review : Review
        changes : mapping of str to object
            As `Changes` says.

        Raises
        ------
        UsageError
            If nothing is asked, or something that this review has nothing of.
        ParamsError
            With every fault a params file would have; the file is called "what_if".
        """
        if not changes:
            raise UsageError(f"{FILE}: nothing is asked; it takes {', '.join(EDITS)}")
        for name in changes:
            if name not in EDITS:
                guess = did_you_mean(name, EDITS, listed=len(EDITS))
                raise UsageError(f'{FILE}: there is no "{name}" to change{guess}')
        if {"titles", "without_titles"} <= changes.keys():
            raise UsageError(f"{FILE}: give either titles or without_titles")
        edits = [edit for name, value in changes.items() for edit in EDITS[name](review, value)]
        data = _edited(copy.deepcopy(review.loaded.document.data), edits)
        document = YamlDocument(FILE, data, {})
        return review.loaded.with_document(document), edits

    @staticmethod
    def text_with(path: Path, edits: Sequence[Edit], *, folder: Path, review: str) -> str:
        """Return the text of a params file with edits made in it; its comments stay.

        Parameters
        ----------
        path : Path
            The params file.
        edits : sequence of Edit
        folder : Path
            Where the text will stand: the paths it names are given from there.
        review : str
            The id of the new review.
        """

        def away(named: str) -> str:
            place = os.path.relpath((path.parent / named).resolve(), folder.resolve())
            return Path(place).as_posix()

        def change(tree: Any) -> None:
            _edited(tree, edits)
            tree["review"] = review
            tree |= {key: away(tree[key]) for key in ("bench", "replaces") if tree.get(key)}
            if tree.get("text"):
                own = text_beside(path, tree["text"], folder=folder)
                tree["text"] = own.name if own is not None else away(tree["text"])
            if tree.get("style"):  # look alone: one outside the project is left behind
                own = text_beside(path, f"{tree['style']}/style.yaml", folder=folder)
                tree["style"] = away(tree["style"]) if own is None else None

        text = change_yaml(path.read_text(encoding="utf-8-sig"), change)
        asked = ", ".join(dict.fromkeys(".".join(edit.path) for edit in edits))
        note = f"# What if: {path.name} with other {asked}.\n"
        head, newline, rest = text.partition("\n")
        if head.startswith(SCHEMA_LINE):
            return SCHEMA_LINE + away(head.removeprefix(SCHEMA_LINE)) + newline + note + rest
        return note + text


def _edited(tree: Any, edits: Iterable[Edit]) -> Any:
    """Return nested mappings with edits made in them, keys that are not there yet added."""
    for edit in edits:
        place = tree
        for key in edit.path[:-1]:
            place = place.setdefault(key, {})
        key, value = edit.path[-1], edit.value
        if value is None:
            place.pop(key, None)
        elif not _changed_in_place(place.get(key), value):
            place[key] = _fresh(value)
    return tree


def _fresh(value: Any) -> Any:
    """Return a new value as it is written: a list of names on one line."""
    if isinstance(value, list) and not any(isinstance(item, Mapping) for item in value):
        return one_line(value)
    return copy.deepcopy(value)


def _changed_in_place(there: Any, value: Any) -> bool:
    """Change a list into another, if that only takes items out and adds some at its end: what
    stays keeps its comments."""
    if not (isinstance(there, list) and isinstance(value, list)):
        return False
    kept = [item for item in there if item in value]
    if kept + [item for item in value if item not in there] != value:
        return False
    for place in reversed(range(len(there))):
        if there[place] not in value:
            del there[place]
    there += [copy.deepcopy(item) for item in value[len(there) :]]
    return True


def names_given(value: str | Sequence[str]) -> list[str]:
    """Return names given as one or as several: a single text is one name, not its letters."""
    return [value] if isinstance(value, str) else [*value]


def known_name(name: str, known: Iterable[str], what: str) -> str:
    """Return a name that is known.

    Raises
    ------
    UsageError
        If it is not; the nearest one is named, or the first of them all.
    """
    names = list(known)
    if name not in names:
        raise UsageError(f'no {what} "{name}"{did_you_mean(str(name), names, listed=12)}')
    return name


def _without_titles(review: Review, value: Any) -> list[Edit]:
    out = {known_name(title, review.titles, "title of this review") for title in names_given(value)}
    left = [title for title in review.titles if title not in out]
    if not left:
        raise UsageError(f"{FILE}: without these titles none is left")
    return [Edit(("titles",), left)]


def _titles(review: Review, value: Any) -> list[Edit]:
    if value == "all":
        return [Edit(("titles",), value)]
    if not (names := names_given(value)):
        raise UsageError(f"{FILE}: titles: the list is empty; name at least one")
    return [Edit(("titles",), names)]


def _products(review: Review, value: Any) -> list[Edit]:
    """Set the product against these: its predecessor and namesake keep their part if named."""
    params = review.params
    names = [name for name in names_given(value) if name != params.product]
    for name in names:
        known_name(name, review.bench.products, "product in bench.yaml")
    named = {*names, params.product}
    pairs = [p.model_dump(mode="json") for p in params.same_name if {p.here, p.there} <= named]
    asked = [p.model_dump(mode="json") for p in params.pairs if {p.product, p.over} <= named]
    beside = params.under_load.against
    sold = params.value.configurations if params.value else ()
    borrowing = [of.model_dump(mode="json") for of in sold if of.of in named]
    before = params.predecessor if params.predecessor in named else None
    taken = {before} | {name for pair in pairs for name in pair.values()}
    rivals = [name for name in names if name not in taken]
    if not rivals:  # a review has a rival
        rivals, before, pairs = names, None, []
    return [
        Edit(("rivals",), rivals),
        Edit(("predecessor",), before),
        Edit(("same_name",), pairs or None),
        *([Edit(("pairs",), asked or None)] if params.pairs else []),
        *([Edit(("under_load", "against"), [n for n in beside if n in named])] if beside else []),
        *([Edit(("value", "configurations"), borrowing or None)] if sold else []),
    ]


def _margin(key: str) -> Callable[[Review, Any], list[Edit]]:
    return lambda review, value: [Edit(("margins", key), value)]


def _low(review: Review, value: Any) -> list[Edit]:
    return [Edit(("metrics", "low"), value)]


def _set_aside(review: Review, value: Any) -> list[Edit]:
    if not isinstance(value, Mapping):
        raise UsageError(f"{FILE}: set_aside takes runs with their reasons: {{run: reason}}")
    for run in value:
        if review.sheet is not None and run not in review.row_of:
            known_name(run, review.sheet.runs, "run in the run sheet")
        known_name(run, review.row_of, "run of this review")
        if run in review.screened.set_aside:
            said = review.screened.set_aside[run]
            raise UsageError(f'{FILE}: run "{run}" is set aside already: {said}')
    given = [entry.model_dump(mode="json") for entry in review.params.screen.set_aside]
    added = [{"run": run, "reason": reason} for run, reason in value.items()]
    return [Edit(("screen", "set_aside"), given + added)]


def _put_back(review: Review, value: Any) -> list[Edit]:
    given = {entry.run: entry.model_dump(mode="json") for entry in review.params.screen.set_aside}
    for run in names_given(value):
        known_name(run, review.row_of, "run of this review")
        if run not in given:
            reason = review.screened.set_aside.get(run)
            said = (
                f"by a rule or the run sheet, not by params: {reason}" if reason else "not at all"
            )
            raise UsageError(f'{FILE}: run "{run}" is set aside {said}')
    left = [entry for run, entry in given.items() if run not in names_given(value)]
    return [Edit(("screen", "set_aside"), left)]


def _prices(review: Review, value: Any) -> list[Edit]:
    params = review.params
    if params.value is None or not review.prices:
        raise UsageError(f"{FILE}: this review weighs no prices: params have no section value")
    if not isinstance(value, Mapping):
        raise UsageError(f"{FILE}: prices takes products with their prices: {{product: price}}")
    for product in value:
        known_name(product, params.products, "product of this review")
    said = " and ".join(
        f"{review.bench.products[product].name} at {price} {params.value.currency}"
        for product, price in value.items()
    )
    given = [scenario.model_dump(mode="json") for scenario in params.value.scenarios]
    added = [{"name": said, "product": product, "price": price} for product, price in value.items()]
    return [Edit(("value", "scenarios"), given + added)]


def _waive(review: Review, value: Any) -> list[Edit]:
    added = [value] if isinstance(value, Mapping) else value
    given = [waiver.model_dump(mode="json") for waiver in review.params.waivers]
    return [Edit(("waivers",), [*given, *added])]


EDITS: Mapping[str, Callable[[Review, Any], list[Edit]]] = {
    "without_titles": _without_titles,
    "titles": _titles,
    "products": _products,
    "level_band": _margin("level_band"),
    "confidence": _margin("confidence"),
    "low": _low,
    "method": _margin("method"),
    "set_aside": _set_aside,
    "put_back": _put_back,
    "prices": _prices,
    "waive": _waive,
}


# What is chosen otherwise, before a title's or group's id: words for a reader.
CHOICES = {
    "all_runs": "all runs, also those set aside",
    "without_flagged": "without the runs flagged",
    "welch": "by the runs of both sides alone (Welch)",
    "adjusted": "adjusted for all products compared",
    **{f"low_{name}": f"lows by {name.replace('_', ' ')}" for name in LOW_DEFINITIONS},
}


@dataclass(frozen=True, slots=True)
class _Otherwise:
    """One headline outcome under one other choice.

    `choice` is a key of `CHOICES`, or "without_title/" or "without_group/" and an id. `turned` says
    that its interval gives another outcome than the one stated.
    """

    choice: str
    suite: SuiteMargin
    turned: bool


def measure_sensitivity(review: Review, results: Results) -> tuple[_Otherwise, ...]:
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
    made += [("adjusted", suite) for suite in _adjusted(list(stated.values()), review)]
    made += _by_titles(review, results, [s for s in stated.values() if s.metric == HEADLINE])
    order = {name: place for place, name in enumerate(names)}
    found = [
        _Otherwise(choice, suite, _turned(suite, stated[suite.metric, suite.baseline]))
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
        for suite in suites_of_runs(review, used, names=names, params=welch, known=results):
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


def _adjusted(stated: Sequence[SuiteMargin], review: Review) -> Iterator[SuiteMargin]:
    """Yield the suites with intervals that hold together for all products compared (Bonferroni)."""
    for suite in stated:
        family = sum(other.metric == suite.metric for other in stated)
        if family > 1:
            yield suite.adjusted(family, review.params.margins)


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
    whole = review.params.whole
    weights = whole.weights if whole else {}
    shared = {t for s in stated for t in s.titles}
    groups = {
        choice: SuiteParams(
            name="all", titles=tuple(t for t in shared if t not in out), weights=weights
        )
        for choice, out in left.items()
    }
    made = summarise_suites(
        [m for s in stated for m in s.margins], groups=groups,
        titles={title: review.bench.titles[title] for title in review.titles},
        params=review.params.margins, cells=cells,
    )  # fmt: skip
    has = {s.baseline: {*s.titles} for s in stated}
    for choice, out in left.items():
        for suite in made:
            if suite.suite == choice and out & has[suite.baseline]:
                yield choice, replace(suite, suite="all")
