"""One review, walked once along the path of the data: params in, every result out."""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from kit.bench.evidence import explain_unreadable, refuse_altered
from kit.bench.prices import PriceRow, read_prices
from kit.bench.runs import RunRow, RunSheet, SheetText
from kit.errors import BenchError, Fault, ParamsError, RunFileError
from kit.margins.cells import Cell, WithinRuns, compare_within, make_cells
from kit.margins.compare import LevelDifference, Margin, compare_levels, compare_products
from kit.margins.consistency import Closure, NameGap, check_closure, find_name_gaps
from kit.margins.drift import (
    Drift,
    PartMargin,
    Steps,
    compare_parts,
    compare_settings,
    measure_drift,
)
from kit.margins.energy import (
    EnergyMargin,
    EnergyStanding,
    Load,
    compare_energy,
    pool_lags,
    weigh_energy,
)
from kit.margins.replicates import SharedVariances, fit_variances
from kit.margins.suites import SuiteMargin, summarise_suites
from kit.metrics.measuring import PLAIN, Reading, measure_runs
from kit.metrics.run_metrics import RunDiagnostics, RunMetrics, Stretch
from kit.metrics.store import Store, code_key, content_key
from kit.rounding import grouped
from kit.screening.controls import Controls, check_controls, compared_pairs, name_pairs
from kit.screening.run_rules import epoch_of
from kit.screening.screen import Screened, screen_runs, unknown_names
from kit.settings.bench_file import Bench
from kit.settings.metric import HEADLINE, METRICS
from kit.settings.params import LoadedParams, MarginParams, MetricParams, ReviewParams, load_params
from kit.stats.power import MarginDesign
from kit.stats.series import SensorLag
from kit.value.weigh import Value, weigh_products

_LEAST_LEVEL = 1e-6  # of a look: below it spends next to nothing, and intervals have no end


@dataclass(frozen=True, slots=True)
class _Look:
    """Which look at a registered plan's runs a review is."""

    number: int  # from 1
    share: float  # of the runs registered, those made
    alpha: float  # what all looks together may leave out
    level: float  # what the intervals of this one leave out


def _look_at(params: ReviewParams, rows: Sequence[RunRow]) -> _Look | None:
    """Return which look these runs are; the looks registered before it count as taken."""
    plan = params.plan.registered if params.plan is not None else None
    if plan is None or not plan.looks:
        return None
    made = Counter((row.product, row.title) for row in rows if row.produced)
    wanted = {(p, t): count for p, row in plan.runs.items() for t, count in row.items()}
    share = sum(min(made[key], count) for key, count in wanted.items()) / sum(wanted.values())
    if share == 0:
        return None
    looks = [look for look in plan.looks if look < share - 1e-9] + [share]
    alpha = 1 - params.margins.confidence
    level = MarginDesign.look_levels(looks, alpha=alpha, spending=plan.spending)[-1]
    level = max(level, _LEAST_LEVEL)
    place = 10.0 ** (math.floor(math.log10(level)) - 1)
    level = math.floor(level / place + 1e-9) * place  # two figures: people read it
    return _Look(len(looks), share, alpha, level)


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """What one review read: settings, runs, their diagnostics and figures, what screening said."""

    loaded: LoadedParams
    titles: tuple[str, ...]
    rows: tuple[RunRow, ...]  # every row of the review's products and titles, in sheet order
    diagnostics: Mapping[str, RunDiagnostics]
    metrics: Mapping[str, RunMetrics]  # of every run that can be measured, used or not
    screened: Screened
    controls: Controls
    prices: tuple[PriceRow, ...]
    store: Store | None = None  # where pictures drawn before are found again
    sheet: RunSheet | None = None  # of the bench, with rows of other products, too
    look: _Look | None = None  # where looks are registered; intervals are made at its level

    def changed(self, loaded: LoadedParams, *, reading: Reading = PLAIN) -> Review:
        """Return the review as it would be under other params.

        Run sheet and prices are those read before. Only runs are read and measured that the review
        does not have, or all where params read and measure logs otherwise.

        Raises
        ------
        KitError
            As `load_review`.
        """
        reading = replace(reading, store=reading.store or self.store)
        if self.sheet is None:
            raise ValueError("a review is changed from one that has its run sheet")
        return _screened(loaded, self.sheet, self.prices, reading, before=self)

    @property
    def params(self) -> ReviewParams:
        """The review's settings."""
        return self.loaded.params

    @property
    def bench(self) -> Bench:
        """The bench the review reads."""
        return self.loaded.bench

    @property
    def row_of(self) -> dict[str, RunRow]:
        """Each row of the review by its run."""
        return {row.run: row for row in self.rows}

    @property
    def used(self) -> tuple[RunMetrics, ...]:
        """The figures of the runs used, in sheet order."""
        return tuple(m for run, m in self.metrics.items() if run not in self.screened.set_aside)

    @property
    def measured(self) -> tuple[RunMetrics, ...]:
        """The figures of every run, set aside or not, save those that were run again since."""
        again = {flag.run for flag in self.screened.flags if flag.rule == "made_again"}
        return tuple(m for run, m in self.metrics.items() if run not in again)


@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """Everything worked out from a review's runs."""

    cells: tuple[Cell, ...] = ()
    cells_all_runs: tuple[Cell, ...] = ()
    variances: Mapping[str, SharedVariances] = field(default_factory=dict)  # by metric
    margins: tuple[Margin, ...] = ()
    suites: tuple[SuiteMargin, ...] = ()
    gaps: tuple[NameGap, ...] = ()
    closures: tuple[Closure, ...] = ()
    value: Value | None = None
    levels: tuple[LevelDifference, ...] = ()  # what is measured in dB
    energy: tuple[EnergyStanding, ...] = ()
    energy_margins: tuple[EnergyMargin, ...] = ()
    lags: Mapping[tuple[str, str], SensorLag] = field(default_factory=dict)  # product, sensor
    loads: tuple[Load, ...] = ()  # what sensors read under load, and by how much products differ
    drifts: tuple[Drift, ...] = ()  # since the runs of before, where part was run again
    within: tuple[WithinRuns, ...] = ()  # what frames alone explain
    steps: tuple[Steps, ...] = ()  # one product at several settings
    parts: tuple[PartMargin, ...] = ()  # of the part, over the machines that hold it
    cell_index: Mapping[tuple[str, str, str], Cell] = field(default_factory=dict)

    def cell(self, product: str, title: str, metric: str) -> Cell | None:
        """Return one cell, or None where nothing was measured."""
        return self.cell_index.get((product, title, metric))

    def of_metrics(self, names: Collection[str]) -> Results:
        """Return cells, margins, suites and levels of these metrics, without all else."""
        found: dict[str, Any] = {
            key: tuple(x for x in getattr(self, key) if x.metric in names) for key in _BY_METRIC
        }
        return Results(**found, variances={n: v for n, v in self.variances.items() if n in names})

    def beside(self, other: Results) -> Results:
        """Return what `of_metrics` gives of these results' metrics and of others'."""
        found: dict[str, Any] = {
            key: getattr(self, key) + getattr(other, key) for key in _BY_METRIC
        }
        return Results(**found, variances={**self.variances, **other.variances})


_BY_METRIC = ("cells", "cells_all_runs", "margins", "suites", "levels")


def load_review(
    params: str | Path | LoadedParams,
    *,
    bench_folder: Path | None = None,
    reading: Reading | None = None,
) -> Review:
    """Read a review's params, bench and raw logs; screen and measure its runs.

    Parameters
    ----------
    params : str, Path or LoadedParams
        The params file, or what was read of it.
    bench_folder : Path, optional
        Read this bench in place of the one the file names.
    reading : Reading, optional
        How logs are read. In a kernel that `marginbook run` started, the results store is used
        unless this says otherwise.

    Raises
    ------
    KitError
        `ParamsError`, `BenchError` or `RunFileError`, each with every fault
        found at its step.
    """
    reading = reading or Reading.in_kernel(os.environ)
    loaded = params
    if not isinstance(loaded, LoadedParams):
        loaded = load_params(Path(loaded), bench_folder=bench_folder, kept=reading.store)
    sheet, prices = _read_tables(loaded.bench, reading.store)
    return _screened(loaded, sheet, prices, reading)


def _screened(
    loaded: LoadedParams,
    sheet: RunSheet,
    prices: tuple[PriceRow, ...],
    reading: Reading,
    *,
    before: Review | None = None,
) -> Review:
    """Return the review of runs selected, measured, screened and checked for controls."""
    params, bench = loaded.params, loaded.bench
    if unknown := unknown_names(sheet, loaded):
        raise ParamsError(unknown)
    if before is not None and _walked_alike(before.params, params):
        again = replace(before, loaded=loaded, store=reading.store)
        same = all(getattr(before.params, n) == getattr(params, n) for n in ("waivers", "machines"))
        return _looked(again) if same else _compared(again)
    titles = review_titles(sheet.rows_of(params.products), params, bench)
    rows = sheet.select(params.products, titles)
    told: dict[str, RunDiagnostics] = {}
    figures: dict[str, RunMetrics] = {}
    there: set[str] = set()
    if before is not None and _measured_alike(before.params, params):
        told = {**before.diagnostics}
        whole = {run: m for run, m in before.metrics.items() if m.stretch is None}
        low = params.metrics.low
        figures = whole if low == before.params.metrics.low else {
            run: replace(m, values={**m.values, **m.lows[low]}) if m.lows else m
            for run, m in whole.items()
        }  # fmt: skip
        there = {row.run for row in before.rows} - (before.metrics.keys() - figures.keys())
    new = [row for row in rows if row.run not in there]
    told_now, figures_now = read_and_measure(new, loaded, reading=reading)
    told, figures = {**told, **told_now}, {**figures, **figures_now}
    diagnostics = {row.run: told[row.run] for row in rows if row.run in told}
    metrics = {row.run: figures[row.run] for row in rows if row.run in figures}
    if before is not None and rows == before.rows and _screened_alike(before.params, params):
        screened = before.screened
    else:
        known = None
        if before is not None and _screened_alike(before.params, params, but={"titles"}):
            same = tuple(row for row in before.rows if row.title in titles) == rows
            known = before.screened if same else None
        screened = screen_runs(rows, diagnostics, bench, params, known=known)
    if stretches := _common_stretches(
        rows, diagnostics, screened, share=params.screen.length_share
    ):
        cut = [row for row in rows if row.title in stretches and row.run in metrics and row.log]
        metrics |= measure_runs(cut, bench, params, reading=reading, stretches=stretches)[1]
    return _compared(
        Review(loaded, titles, rows, diagnostics, metrics, screened, Controls(()), prices,
               reading.store, sheet)
    )  # fmt: skip


def _compared(review: Review) -> Review:
    """Return a review with its controls compared, and the look at a registered plan it is."""
    aside = review.screened.set_aside
    used = [row for row in review.rows if row.run in review.metrics and row.run not in aside]
    controls = check_controls(used, review.loaded, titles=review.titles)
    return _looked(replace(review, controls=controls))


def _looked(review: Review) -> Review:
    """Return a review with the look at a registered plan that it is."""
    if (look := _look_at(review.params, review.rows)) is None:
        return replace(review, look=None)
    return replace(review, loaded=review.loaded.with_confidence(1 - look.level), look=look)


def _common_stretches(
    rows: Sequence[RunRow],
    diagnostics: Mapping[str, RunDiagnostics],
    screened: Screened,
    *,
    share: float,
) -> dict[str, Stretch]:
    """Return, of each title whose used runs are of unlike length, what they all have.

    In frames where more pairs of its runs are of as many frames than are as long (a scene of fixed
    content), else in seconds.
    """
    unlike = {f.run for f in screened.flags if f.rule == "unequal_length"}
    used = [row for row in rows if row.log and row.run not in screened.set_aside]
    found: dict[str, Stretch] = {}
    for title in dict.fromkeys(row.title for row in used if row.run in unlike):
        told = [diagnostics[row.run] for row in used if row.title == title]
        sizes = np.array([[log.duration_s, log.frames] for log in told if log.measurable])
        near = np.abs(np.log(sizes[:, None] / sizes[None, :])) <= np.log1p(share)
        by_time, by_frames = near.sum(axis=(0, 1))
        least = sizes.min(axis=0)
        found[title] = (
            (float(least[1]), "frames") if by_frames > by_time else (float(least[0]), "seconds")
        )
    return found


def _measured_alike(params: ReviewParams, other: ReviewParams) -> bool:
    """Return whether two reviews of one bench read and measure every log alike."""
    one, two = params.screen, other.screen
    caps = (one.caps_hz, one.cap_width) == (two.caps_hz, two.cap_width)
    return caps and _but_low(params) == _but_low(other)


def _but_low(params: ReviewParams) -> MetricParams:
    """Return the metrics less the definition of the lows: a run has its lows under each."""
    return params.metrics.model_copy(update={"low": "percentile"})


# What no screening rule reads of params: `test_no_rule_reads_what_screening_is_kept_over` holds it.
NOT_SCREENED = frozenset(
    {"margins", "suites", "headline", "value", "waivers", "axes", "machines", "under_load"}
)


def _walked_alike(params: ReviewParams, other: ReviewParams) -> bool:
    """Return whether two reviews of one bench have the same runs, measured and screened alike."""
    same = all(getattr(params, n) == getattr(other, n) for n in ("metrics", "products", "axes"))
    return same and _screened_alike(params, other)


def _screened_alike(
    params: ReviewParams, other: ReviewParams, *, but: Collection[str] = ()
) -> bool:
    """Return whether two reviews of the same runs screen them alike."""
    names = type(params).model_fields.keys() - NOT_SCREENED - {"metrics", *but}
    return _but_low(params) == _but_low(other) and all(
        getattr(params, name) == getattr(other, name) for name in names
    )


# What the faults of a run sheet depend on, besides sheet and bench.
_SHEET_CODE = (
    "errors", "settings.yaml", "settings.bench_file", "settings.metric", "logs.shapes",
    "bench.runs",
)  # fmt: skip


def _read_sheet(bench: Bench, store: Store | None) -> RunSheet:
    """Return the run sheet; one found without fault before is neither split nor checked again."""
    raw = SheetText.bytes_of(bench.folder / "runs.csv", file=f"{bench.folder.name}/runs.csv")
    if store is None:
        return RunSheet(bench, raw)
    names = repr((list(bench.products), bench.titles, bench.layouts, bench.controls))
    key = content_key("run sheet", code_key(_SHEET_CODE, ("pyarrow",)), names, raw)
    kept = store.load(key)
    sheet = RunSheet(bench, raw, kept=kept)
    if kept is None:
        store.keep(key, sheet.packed())
    return sheet


def _read_tables(bench: Bench, store: Store | None) -> tuple[RunSheet, tuple[PriceRow, ...]]:
    """Return the run sheet and the prices; the faults of both are raised together."""
    faults: list[Fault] = []
    sheet: RunSheet | None = None
    prices: tuple[PriceRow, ...] = ()
    try:
        sheet = _read_sheet(bench, store)
    except BenchError as error:
        faults += error.faults
    try:
        prices = read_prices(bench)
    except BenchError as error:
        faults += error.faults
    if sheet is None or faults:
        raise BenchError(faults)
    return sheet, prices


def review_titles(rows: Sequence[RunRow], params: ReviewParams, bench: Bench) -> tuple[str, ...]:
    """Return the titles under review, in the bench's order.

    Parameters
    ----------
    rows : sequence of RunRow
        All rows of the review's products.
    params : ReviewParams
        With `titles: all` these are the titles the product ran (or tried to) and at least one
        other product of the review ran, or that are steps of an axis; else those that params name.
    bench : Bench
        The bench, whose order of titles is kept.

    Returns
    -------
    tuple of str
        Ids of titles.
    """
    if params.titles != "all":
        wanted = set(params.titles)
        return tuple(title for title in bench.titles if title in wanted)
    mine = {row.title for row in rows if row.product == params.product}
    steps = {title for axis in params.axes for p, title in axis.places(params.product, bench.titles)
             if p == params.product and not axis.steps}  # fmt: skip
    compared = params.compared
    others = {row.title for row in rows if row.product in compared and row.produced}
    return tuple(title for title in bench.titles if title in mine & (others | steps))


def read_and_measure(
    rows: Sequence[RunRow], loaded: LoadedParams, *, reading: Reading = PLAIN
) -> tuple[dict[str, RunDiagnostics], dict[str, RunMetrics]]:
    """Return diagnostics and figures of each run that produced something.

    Frames are held for one run at a time. All faults of all logs are raised together, and so are
    logs that are not those the journal of the bench has.
    """
    folder = loaded.bench.folder
    try:
        found = measure_runs(rows, loaded.bench, loaded.params, reading=reading)
    except RunFileError as error:
        raise explain_unreadable(error, folder) from None
    if not reading.logs_at:
        refuse_altered(rows, folder, {run: told.sha256 for run, told in found[0].items()})
    return found


def _mark_margins(margins: Sequence[Margin], review: Review) -> list[Margin]:
    """Return the margins, marked where runs are of unlike days or cut to a common stretch."""
    cut = {run for run, m in review.metrics.items() if m.stretch is not None}
    epochs, found = _epochs(review), []
    for margin in margins:
        marks = (*margin.marks, *_epoch_mark(margin.cells, epochs))
        if any(cut.intersection(cell.runs) for cell in margin.cells):
            marks += ("common_stretch",)
        found.append(margin if marks == margin.marks else replace(margin, marks=marks))
    return found


def _changed(one: Review, other: Review) -> set[str] | None:
    """Return what params say otherwise of two reviews of the same runs; None of other runs.

    Another definition of the lows, and nothing else of metrics, is "low".
    """
    same = one.screened is other.screened and one.prices is other.prices
    if not same or one.rows != other.rows:
        return None
    names = type(one.params).model_fields
    changed = {n for n in names if getattr(one.params, n) != getattr(other.params, n)}
    if "metrics" in changed and _but_low(one.params) == _but_low(other.params):
        return changed - {"metrics"} | {"low"}
    return changed if one.metrics == other.metrics else None


def _margins_differ(params: ReviewParams, other: ReviewParams) -> set[str]:
    """Return what two reviews say otherwise of how margins are made."""
    one, two = params.margins, other.margins
    return {name for name in type(one).model_fields if getattr(one, name) != getattr(two, name)}


def work_out(
    review: Review, *, before: tuple[Review, Results] | None = None, metrics: Sequence[str] = ()
) -> Results:
    """Compare, summarise and weigh: every result of a review from its measured runs.

    Parameters
    ----------
    review : Review
        What `load_review` gave: runs read, screened and measured.
    before : tuple of Review and Results, optional
        What was worked out of the review this one was changed from: what nothing changed is taken
        from there.
    metrics : sequence of str, optional
        Only what `Results.of_metrics` gives of these: no metric's depends on another's.

    Returns
    -------
    Results
        Cells, margins, suites, gaps of names, closures, energy, drift and value. Ratios are 1.0
        where level and above 1 where the product is better, whatever the metric's direction.

    Notes
    -----
    Nothing is read here and nothing is random: the same review gives the same results to the
    last bit.
    """
    params, bench = review.params, review.bench
    titles = {title: bench.titles[title] for title in review.titles}
    changed = _changed(before[0], review) if before is not None else None
    if before is not None and changed is not None:
        known = before[1].of_metrics(metrics) if metrics else before[1]
        if changed == {"value"}:
            weighed = None if metrics else _weighed(review, known.cells, known.suites)
            return replace(known, value=weighed)
        if changed == {"margins"} and _margins_differ(before[0].params, params) == {"level_band"}:
            return _with_level_band(review, known, whole=not metrics)
        lows = [name for name in metrics if METRICS[name].tail_share is not None]
        if changed == {"low"} and len(lows) < len(metrics):
            kept = before[1].of_metrics(set(metrics) - {*lows})
            return kept.beside(work_out(review, metrics=lows)) if lows else kept
    none_aside = review.measured == review.used
    variances, cells = _cells(review.used, review, names=metrics)
    every_cell = cells if none_aside else _cells(review.measured, review, names=metrics)[1]
    unstruck_runs = _unstruck(review) if HEADLINE in (metrics or [HEADLINE]) else []
    unstruck = _cells(unstruck_runs, review, names=[HEADLINE]) if unstruck_runs else None
    pairs = compared_pairs(params)
    margins: list[Margin] = []
    levels: list[LevelDifference] = []
    for product in dict.fromkeys(product for product, _ in pairs):
        baselines = [other for first, other in pairs if first == product]
        compare = partial(
            compare_products, product=product, baselines=baselines, params=params.margins,
            controls=review.controls, variances=variances,
        )  # fmt: skip
        made: Sequence[Margin] = compare(cells)
        if not none_aside:
            made = _with_all_runs(made, compare(every_cell))
        if unstruck is not None:
            made = _with_unstruck(made, compare(unstruck[1], variances=unstruck[0]))
        margins += made
        levels += _levels(cells, product, baselines, review, variances)
    margins = _mark_margins(margins, review)
    suites = summarise_suites(
        margins, groups={"all": params.whole, **params.suites}, titles=titles,
        params=params.margins, cells=cells,
    )  # fmt: skip
    if metrics:
        return Results(cells, every_cell, variances, tuple(margins), suites, levels=tuple(levels))
    energy = weigh_energy(review.used, cells, titles, confidence=params.margins.confidence)
    return Results(
        cells=cells,
        cells_all_runs=every_cell,
        variances=variances,
        margins=tuple(margins),
        suites=suites,
        gaps=_gaps(review, margins),
        closures=check_closure(
            cells, product=params.product, others=params.rivals, titles=titles, margins=margins
        ),
        value=_weighed(review, cells, suites),
        levels=tuple(levels),
        energy=energy,
        energy_margins=compare_energy(energy, _own_pairs(params), params.margins),
        lags=pool_lags(review.used),
        loads=_loads(review),
        drifts=measure_drift(review.rows, review.diagnostics, review.metrics, bench, params),
        within=compare_within(
            review.used, metric_names=[m for m in params.metrics.compared if METRICS[m].steady]
        ),
        parts=compare_parts(suites, cells, params, review.controls),
        steps=compare_settings(review.used, bench, params, review.controls),
        cell_index={(c.product, c.title, c.metric): c for c in cells},
    )


def _loads(review: Review) -> tuple[Load, ...]:
    """Return what sensors read under load."""
    names, confidence = review.params.under_load.sensors, review.params.margins.confidence
    return Load.of_runs(review.used, review.params.loaded, names, confidence=confidence)


def _with_level_band(review: Review, known: Results, *, whole: bool) -> Results:
    """Return results of the same review with another level band: what it enters is judged again."""
    params = review.params.margins
    margins = Margin.judged_again(known.margins, params, review.controls)
    suites = SuiteMargin.judged_again(known.suites, margins, params)
    if not whole:
        return replace(known, margins=margins, suites=suites)
    return replace(
        known, margins=margins, suites=suites, gaps=_gaps(review, margins),
        value=_weighed(review, known.cells, suites),
        energy_margins=compare_energy(known.energy, _own_pairs(review.params), params),
        steps=compare_settings(review.used, review.bench, review.params, review.controls),
    )  # fmt: skip


def _own_pairs(params: ReviewParams) -> list[tuple[str, str]]:
    """Return the pairs compared that have the reviewed product first."""
    return [pair for pair in compared_pairs(params) if pair[0] == params.product]


def _gaps(review: Review, margins: Sequence[Margin]) -> tuple[NameGap, ...]:
    """Return the gaps of names between classes of machine."""
    quads = [(a.here, b.here, a.there, b.there) for a, b in name_pairs(review.params)]
    return find_name_gaps(margins, quads, params=review.params.margins)


def _weighed(review: Review, cells: Sequence[Cell], suites: Sequence[SuiteMargin]) -> Value | None:
    """Return the review's products weighed by their prices; None where it has none."""
    params = review.params
    if params.value is None or not review.prices:
        return None
    asked = set(params.beside)
    if params.headline is not None:
        chosen = {title for s in suites if s.suite == "all" for title in s.titles}
        cells = [cell for cell in cells if cell.title in chosen]
    weighed = [s for s in suites if s.product == params.product or (s.product, s.baseline) in asked]
    cells = list(cells)
    for sold in params.value.configurations:  # with the runs of another
        mark = f"assumed:{sold.product}"
        cells += [
            replace(cell, product=sold.product, marks=(*cell.marks, mark))
            for cell in cells
            if cell.product == sold.of
        ]
        weighed += [
            replace(s, baseline=sold.product, marks=(*s.marks, mark))
            for s in weighed
            if s.baseline == sold.of
        ] + [
            replace(s, product=sold.product, marks=(*s.marks, mark))
            for s in weighed
            if s.product == sold.of
        ]
    return weigh_products(
        cells,
        weighed,
        review.prices,
        params=params.value,
        products=(
            params.product,
            *params.compared,
            *(c.product for c in params.value.configurations),
        ),
        review_date=params.date,
        weights=params.whole.weights if params.whole else None,
        classes={p: review.bench.products[p].machine_class for p in params.products},
    )


def suites_of_runs(
    review: Review,
    runs: Sequence[RunMetrics],
    *,
    names: Sequence[str],
    params: MarginParams | None = None,
    known: Results | None = None,
) -> tuple[SuiteMargin, ...]:
    """Return the reviewed product's suites over all titles, made from these runs.

    Parameters
    ----------
    review : Review
    runs : sequence of RunMetrics
        In place of the runs used.
    names : sequence of str
        The metrics.
    params : MarginParams, optional
        In place of the review's.
    known : Results, optional
        What these runs gave: their cells are taken as they are, whatever their own intervals.

    Returns
    -------
    tuple of SuiteMargin
        By the same steps as `work_out` takes.
    """
    params = params or review.params.margins
    if known is not None:
        variances, cells = known.variances, tuple(c for c in known.cells if c.metric in names)
    else:
        variances, cells = _cells(runs, review, names=names)
    margins = compare_products(
        cells, product=review.params.product, baselines=review.params.compared, params=params,
        controls=review.controls, variances=variances, false_signs=False,
    )  # fmt: skip
    return summarise_suites(
        margins, groups={"all": review.params.whole},
        titles={title: review.bench.titles[title] for title in review.titles}, params=params,
        cells=cells,
    )  # fmt: skip


def _cells(
    metrics: Sequence[RunMetrics], review: Review, *, names: Sequence[str] = ()
) -> tuple[Mapping[str, SharedVariances], tuple[Cell, ...]]:
    """Return the shared variances by metric, and the cells made with them."""
    titles, names = review.bench.titles, names or review.params.metrics.names
    # A display cap holds runs together: such cells say nothing about how others spread.
    apart = {(f.title, f.product) for f in review.screened.flags if f.rule == "capped"}
    variances = {
        name: fit_variances(metrics, metric=name, titles=titles, apart=apart)
        for name in names
        if any(name in m.values for m in metrics)
    }
    cells = make_cells(
        metrics, titles, params=review.params.margins, variances=variances, metric_names=names
    )
    return variances, cells


def _levels(
    cells: Sequence[Cell],
    product: str,
    baselines: Sequence[str],
    review: Review,
    variances: Mapping[str, SharedVariances],
) -> list[LevelDifference]:
    """Return the differences of what is measured in dB."""
    made = compare_levels(
        cells, product=product, baselines=baselines, params=review.params.margins,
        controls=review.controls, variances=variances,
    )  # fmt: skip
    epochs = _epochs(review)
    return [replace(m, marks=(*m.marks, *_epoch_mark(m.cells, epochs))) for m in made]


def _epochs(review: Review) -> dict[str, str]:
    """Return when each run was made, before a re-test or in it; nothing without one."""
    retest = review.params.retest
    return {} if retest is None else {row.run: epoch_of(row, retest) for row in review.rows}


def _epoch_mark(cells: Sequence[Cell], epochs: Mapping[str, str]) -> tuple[str, ...]:
    """Return a mark where one side of a comparison was run again and the other was not."""
    sides = [{epochs.get(run) for run in cell.runs} for cell in cells]
    return ("before_retest",) if sides[0] != sides[1] else ()


def _unstruck(review: Review) -> list[RunMetrics]:
    """Return the used runs with their averages less what steps in runs of their title strike.

    A stretch struck in one run is left out of all runs of its title, so that they stay over the
    same scene; a run whose level drifts is left out whole, where its cell has others. Nothing
    where no rule strikes anything.
    """
    flags = [f for f in review.screened.flags if f.run not in review.screened.set_aside]
    struck = {f.run: f.stretch for f in flags if f.stretch is not None}
    drifts = {f.run for f in flags if f.run and f.rule == "drift_in_run" and f.action == "flag"}
    if not struck and not drifts:
        return []
    used = [m for m in review.used if HEADLINE in m.values]
    steady = {(m.product, m.title) for m in used if m.run not in drifts}
    # The runs of a title in which something is struck.
    beside = grouped((other.title, other) for other in used if other.run in struck)
    found, touched = [], False
    for run in used:
        told = review.diagnostics[run.run]
        parts = [
            (start * scale, stop * scale)
            for other in beside.get(run.title, ())
            for start, stop in [struck[other.run]]
            for scale in [_size(review.diagnostics[other.run], run) / _size(told, run)]
        ]
        if run.run in drifts and (run.product, run.title) in steady:
            touched = True
            continue
        if parts:
            touched = True
            if not told.profile:  # typed in: nobody knows what it was over
                continue
            if run.stretch is not None:
                parts.append((run.stretch[0] / _size(told, run), 1.0))
            run = replace(run, values={HEADLINE: told.average_without(parts)})
        found.append(run)
    return found if touched else []


def _size(told: RunDiagnostics, run: RunMetrics) -> float:
    """Return how long a run is, as runs of its title are cut; 1 where they are not."""
    if run.stretch is None:
        return 1.0
    return float(told.frames) if run.stretch[1] == "frames" else told.duration_s


def _with_unstruck(made: Sequence[Margin], plain: Sequence[Margin]) -> list[Margin]:
    """Return the margins, each beside that less what is struck, where that differs in its runs."""
    by_key = {(m.product, m.baseline, m.title, m.metric): m for m in plain}
    result = []
    for margin in made:
        other = by_key.get((margin.product, margin.baseline, margin.title, margin.metric))
        if other and [c.values for c in other.cells] != [c.values for c in margin.cells]:
            margin = replace(margin, without_struck=other)
        result.append(margin)
    return result


def _with_all_runs(made: Sequence[Margin], plain: Sequence[Margin]) -> list[Margin]:
    """Return the margins, each with the ratio over all runs where runs were set aside."""
    by_key = {(m.product, m.baseline, m.title, m.metric): m for m in plain}
    result = []
    for margin in made:
        other = by_key[margin.product, margin.baseline, margin.title, margin.metric]
        if [c.runs for c in other.cells] != [c.runs for c in margin.cells]:
            every = tuple(run for cell in other.cells for run in cell.runs)
            margin = replace(margin, ratio_all_runs=other.ratio, all_runs=every)
        result.append(margin)
    return result
