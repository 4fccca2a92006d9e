"""`check`: everything a review reads, read and judged, nothing written.

Beside faults it says what settings and times leave open; that changes no figure.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from kit.bench.evidence import Evidence, check_evidence
from kit.bench.prices import RATE
from kit.claims.bound_text import bind_review_text
from kit.claims.claim import ClaimBook
from kit.claims.of_pages import make_claims
from kit.errors import RunFileError, TextError, UsageError
from kit.margins.drift import Drift
from kit.metrics.measuring import PLAIN, Reading
from kit.report.template import find_template, read_template
from kit.review.health import Health, measure_health
from kit.review.walk import Results, Review, load_review, work_out
from kit.rounding import grouped, number
from kit.screening.controls import name_pairs
from kit.screening.flags import View, few, moment
from kit.screening.title_rules import pairs_in_time
from kit.settings.params import load_params
from kit.settings.starting import STARTING_NAMES, STARTING_TEXTS

_PROGRESS = logging.getLogger("marginbook.progress")


@dataclass(frozen=True, slots=True)
class _CheckReport:
    """What a review would rest on, when nothing is wrong with it."""

    review: str
    products: tuple[str, ...]
    titles: tuple[str, ...]
    runs: int
    used: int
    set_aside: tuple[tuple[str, str], ...]  # run, reason
    flags: tuple[tuple[str, int], ...]  # rule, how often
    failed: tuple[tuple[str, str], ...]  # run, reason
    figures_in_text: int
    health: Health  # what is stale, missing, and first to run
    drift: tuple[str, ...] = ()  # what a re-test tells, a line each
    evidence: Evidence | None = None  # the whole bench beside its journal
    remarks: tuple[str, ...] = ()  # what to look at before publishing

    @property
    def ok(self) -> bool:
        """Whether nothing in the bench is such that no review may rest on it."""
        return not (self.evidence and self.evidence.faults)

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain data."""
        return {
            "ok": self.ok,
            "review": self.review,
            "products": list(self.products),
            "titles": list(self.titles),
            "runs": self.runs,
            "used": self.used,
            "set_aside": [{"run": run, "reason": why} for run, why in self.set_aside],
            "flags": dict(self.flags),
            "did_not_run": [{"run": run, "reason": why} for run, why in self.failed],
            "figures_in_text": self.figures_in_text,
            "stale": [_plain(stale) for stale in self.health.stale],
            "gaps": [_plain(gap) for gap in self.health.gaps],
            "to_run": [_plain(task) for task in self.health.tasks],
            "drift": list(self.drift),
            "evidence": self.evidence.to_dict() if self.evidence else None,
            "remarks": list(self.remarks),
            "faults": [],
        }

    def to_lines(self) -> list[str]:
        """Return the report as lines of text."""
        apart = len(self.evidence.differences) if self.evidence else 0
        but = f" in what it rests on, but {apart} in its bench (below)" if apart else ""
        lines = [
            f"{self.review}: no faults{but}",
            f"  {len(self.products)} products, {len(self.titles)} titles, {self.runs} rows of the "
            f"run sheet, {self.used} runs used",
        ]
        lines += _few(f"  set aside {run}: {why}" for run, why in self.set_aside)
        lines += _few(f"  did not run {run}: {why}" for run, why in self.failed)
        if self.flags:
            told = (f"{rule.replace('_', ' ')} {count}" for rule, count in self.flags)
            lines.append(f"  flagged: {', '.join(told)}")
        for kind in (*self._old_and_missing(), self.drift):
            lines += _few(f"  {words}" for words in kind)
        if self.figures_in_text:
            lines.append(f"  {self.figures_in_text} figures in the text, all bound")
        lines += _few(f"  look at this: {remark}" for remark in self.remarks)
        if self.evidence is not None:
            lines += [f"  {line}" for line in self.evidence.to_lines()]
        return lines

    def _old_and_missing(self) -> tuple[list[str], ...]:
        """Return what is stale, what is missing and what to run first, a line a product."""
        told = []
        for word, cells in (("stale", self.health.stale), ("gap", self.health.gaps)):
            titles = grouped(((cell.product, cell.reason), cell.title) for cell in cells)
            told.append([f"{word} {p} in {_some(of)}: {why}" for (p, why), of in titles.items()])
        first = [
            f"run next {task.place}. {task.product}: {task.why}, {few(task.runs, 'run')}, "
            f"{number(task.minutes, decimals=0)} minutes"
            for task in self.health.tasks
        ]
        return *told, first


_SHOWN = 5  # of a kind, so that all kinds stay on one screen


def _few(lines: Iterable[str]) -> list[str]:
    """Return the first lines of a kind, and how many are not shown."""
    every = list(lines)
    left = len(every) - _SHOWN
    return every if left <= 0 else [*every[:_SHOWN], f"  and {left} more (--json lists all)"]


def _some(titles: Sequence[str]) -> str:
    """Return up to three titles by name, more by their number."""
    return ", ".join(titles) if len(titles) <= 3 else f"{len(titles)} titles"


def _plain(row: Any) -> dict[str, Any]:
    """Return a result as plain data, days as text."""
    return {
        key: value.isoformat() if isinstance(value, dt.date) else value
        for key, value in asdict(row).items()
    }


def _drift_lines(drifts: Sequence[Drift], book: ClaimBook) -> tuple[str, ...]:
    """Return what moved since the runs of before, a line a metric."""
    last = {drift.metric: drift for drift in drifts}  # over all titles, where there are several
    lines = []
    for metric, drift in last.items():
        whole = {c.part: c for c in book.of_kind("drift", metric=metric, title=drift.title)}
        these, others = whole["these"], whole.get("others")
        line = f"drift of {metric.replace('_', ' ')}, new runs over old: {these.text}"
        line += f" ({these.interval}) in {', '.join(drift.anchors)}"
        if others is not None:
            line += f"; products like these {others.interval}"
        lines.append(line)
    return tuple(lines)


def check_review(
    params_path: Path, *, full: bool = False, reading: Reading = PLAIN
) -> _CheckReport:
    """Read a review's params, bench and logs, work it out, bind its text. Writes nothing.

    Every log of the review is hashed. The bench's other logs are compared with its journal: those
    whose size or time changed, or with `full` all.

    Parameters
    ----------
    params_path : Path
        The params file.
    full : bool
        Whether to hash every log of the bench.
    reading : Reading
        How logs are read; with a store, those seen before are hashed and not measured again.

    Raises
    ------
    KitError
        With every fault of the first step that has any.
    """
    loaded = load_params(params_path, kept=reading.store)
    template = Path(loaded.params.template)
    read_template(find_template(params_path, template, allow_foreign=True))
    foreign = tuple(_of_template(params_path, template))
    try:
        review = load_review(loaded, reading=reading)
    except RunFileError as error:
        raise _with_altered(error, loaded.bench.folder, full=full) from None
    _PROGRESS.info("working out margins")
    results = work_out(review)
    book = make_claims(review, results, for_text=True)
    try:
        text = bind_review_text(review.loaded, book)
    except TextError:  # what is near a wrong name is looked for among all claims, as `run` does
        text = bind_review_text(review.loaded, make_claims(review, results))
    read = {
        row.log: review.diagnostics[row.run].sha256
        for row in review.rows
        if row.log and row.run in review.diagnostics
    }
    evidence = check_evidence(review.bench.folder, depth="full" if full else "quick", read=read)
    counted = Counter(f.rule for f in review.screened.flags if f.action == "flag")
    return _CheckReport(
        review=review.params.review,
        products=review.params.products,
        titles=review.titles,
        runs=len(review.rows),
        used=len(review.used),
        set_aside=tuple(review.screened.set_aside.items()),
        flags=tuple(sorted(counted.items())),
        failed=tuple((r.run, f"{r.status}: {r.reason}") for r in review.rows if not r.produced),
        figures_in_text=len(text.references) if text else 0,
        health=measure_health(review, results),
        drift=_drift_lines(results.drifts, book),
        evidence=evidence,
        remarks=(*foreign, *_remarks_on(review, results)),
    )


def _with_altered(error: RunFileError, folder: Path, *, full: bool) -> RunFileError:
    """Return the faults of logs that do not read, and of all others that are not those taken in."""
    evidence = check_evidence(folder, depth="full" if full else "quick")
    altered = [d.fault for d in evidence.differences if d.kind in {"altered", "line_ends"}]
    return RunFileError(dict.fromkeys([*error.faults, *altered]))


_FAR_OFF_DAYS = 365


def _of_template(params_path: Path, template: Path) -> Iterator[str]:
    """Yield that a template is not the project's, which `run` refuses unless told otherwise."""
    try:
        find_template(params_path, template, allow_foreign=False)
    except UsageError as error:
        yield f"run will refuse: {error}"


def _remarks_on(review: Review, results: Results) -> tuple[str, ...]:
    """Return lines on what an analyst should look at before publishing.

    Untouched starting values, a date far from the runs, prices and waivers nothing uses, no runs at
    all, unlike parts compared as one name, and sides that took turns without a session to say so.
    """
    return (*_of_settings(review), *_of_prices(review, results), *_of_time(review))


def _of_settings(review: Review) -> Iterator[str]:
    """Yield what is left of a new file, waives nothing, or compares unlike parts as one name."""
    params, bench = review.params, review.bench
    for key, value in STARTING_TEXTS.items():
        if getattr(params, key) == value:
            yield f"{key} of params is still that of a new file: {value!r}"
    called = {p: bench.products[p].name for p in params.products}
    called |= {t: bench.titles[t].name for t in review.titles}
    for key, name in called.items():
        if name in STARTING_NAMES:
            yield f"{key} of bench.yaml still has the name of a new file: {name!r}"
    if not review.used:
        yield "no run is used: there is nothing to compare"
    days = [m for row in review.rows if (m := moment(row.began))]
    away = (params.date - max(days).date()).days if days else 0
    if abs(away) > _FAR_OFF_DAYS:
        side = "after" if away > 0 else "before"
        yield f"the review's date {params.date} is {abs(away)} days {side} its newest run"
    touched = {(m.control, p) for m in review.controls.mismatches for p in (m.product, m.baseline)}
    for waiver in params.waivers:
        if not any((waiver.control, product) in touched for product in waiver.products):
            names = ", ".join(waiver.products)
            yield f"the waiver of {waiver.control} for {names} waives nothing: they are alike"
    for first, second in name_pairs(params):
        for pair in (first, second):
            parts = [
                bench.products[p].part or bench.products[p].name for p in (pair.here, pair.there)
            ]
            if parts[0] != parts[1]:
                told = " and ".join(parts)
                yield f"same_name pairs {pair.here} with {pair.there}, but they are {told}"


def _of_prices(review: Review, results: Results) -> Iterator[str]:
    """Yield prices that are asked for and not there, or there and not used."""
    value = review.params.value
    if value is None:
        return
    known = set(review.params.products)
    prices = [p for p in review.prices if p.product in known]
    for kind in value.kinds:
        if not any(p.kind == kind for p in prices):
            yield f"no product has a price of kind {kind}, which params ask for"
    if prices and results.value is None:
        yield "there are prices, but none could be used"
    others = {p.currency for p in prices} - {value.currency}
    rated = {p.currency for p in review.prices if p.kind == RATE}
    for currency in sorted(others - rated):
        yield f"prices in {currency} are not used: there is no rate to {value.currency}"


def _of_time(review: Review) -> Iterator[str]:
    """Yield pairs whose sides took turns, round by round, without a session to say so."""
    used = {m.run for m in review.used}
    rows = tuple(row for row in review.rows if row.run in used)
    view = View(review.rows, rows, review.diagnostics, review.bench, review.params)
    for product, other, _, turns in pairs_in_time(view):
        if turns:
            yield (
                f"could be paired: {product} and {other} took turns in {_some(list(turns))} "
                f"({min(turns.values())} rounds or more); give the rows of each round one session"
            )
