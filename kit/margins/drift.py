"""A product against itself: since runs of before, at several settings, in several machines.

The drift of some products says something of the others only as far as they agree. It is stated
beside a margin and never taken out of it.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from kit.bench.runs import RunRow
from kit.margins.cells import Cell, Outcome, RatioEstimate, make_cells, outcome_of
from kit.margins.compare import Margin, compare_products
from kit.margins.replicates import fit_variances
from kit.margins.suites import SuiteMargin, summarise_suites, summarise_titles
from kit.metrics.run_metrics import RunDiagnostics, RunMetrics
from kit.screening.controls import Controls
from kit.screening.run_rules import epoch_of
from kit.screening.screen import screen_runs
from kit.settings.bench_file import Bench
from kit.settings.metric import HEADLINE, METRICS
from kit.settings.params import Axis, MarginParams, ReviewParams
from kit.stats.crossed_variance import Mixture
from kit.stats.intervals import LEVEL_ALPHA, pooled_variance, t_ends
from kit.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift(RatioEstimate):
    """How far products that were run again have moved, in one title or over all they share.

    `ratio` is new over old, turned so that above 1 is better now. `low`/`high` hold for these
    products (run-to-run error only); `like_low`/`like_high` for products like these (Student's t
    over the products), None with fewer than two. `parts` are the products' own drifts. `title` is
    "" over all titles.
    """

    method: str = "drift-of-these"
    outcome: Outcome
    titles: tuple[str, ...]
    anchors: tuple[str, ...]
    like_low: float | None
    like_high: float | None
    parts: Mapping[str, Margin | SuiteMargin]  # by anchor


def measure_drift(
    rows: Sequence[RunRow],
    diagnostics: Mapping[str, RunDiagnostics],
    metrics: Mapping[str, RunMetrics],
    bench: Bench,
    params: ReviewParams,
) -> tuple[Drift, ...]:
    """Return the drift of each metric: a row a title, then one over all titles.

    Parameters
    ----------
    rows : sequence of RunRow
        Every row of the review, old and new.
    diagnostics, metrics : mapping
        By run, of every run that could be measured.
    bench : Bench
    params : ReviewParams
        `retest` tells old from new; nothing without it.

    Notes
    -----
    Old and new runs are screened each for themselves, and compared as two products would be, with
    the level band of `retest`. Over all titles only those count that every anchor ran on both
    sides, so that no anchor stands for titles of its own.
    """
    retest = params.retest
    if retest is None:
        return ()
    alone = params.model_copy(update={"retest": None})
    sides: dict[str, list[RunMetrics]] = {}
    for side in ("old", "new"):
        of_side = [row for row in rows if epoch_of(row, retest) == side]
        screened = screen_runs(of_side, diagnostics, bench, alone)
        sides[side] = [
            metrics[row.run]
            for row in of_side
            if row.run in metrics and row.run not in screened.set_aside
        ]
    both = {(m.product, m.title) for m in sides["old"]} & {
        (m.product, m.title) for m in sides["new"]
    }
    named = [
        replace(m, product=f"{m.product} {side}")
        for side, of_side in sides.items()
        for m in of_side
        if (m.product, m.title) in both
    ]
    anchors = [p for p in params.products if any(p == product for product, _ in both)]
    settings = params.margins.model_copy(
        update={
            "level_band": retest.band,
            # Sessions of before are not those of now: nothing can be paired.
            "method": "auto" if params.margins.method == "paired" else params.margins.method,
        }
    )
    drifts: list[Drift] = []
    for metric in params.metrics.names:
        if METRICS[metric].steady and any(metric in m.values for m in named):
            drifts += _of_metric(metric, named, anchors, bench, settings)
    return tuple(drifts)


def _of_metric(
    metric: str,
    named: Sequence[RunMetrics],
    anchors: Sequence[str],
    bench: Bench,
    settings: MarginParams,
) -> list[Drift]:
    variances = {metric: fit_variances(named, metric=metric, titles=bench.titles)}
    cells = make_cells(
        named, bench.titles, params=settings, variances=variances, metric_names=(metric,)
    )
    margins = [
        replace(margin, product=anchor, baseline=anchor)
        for anchor in anchors
        for margin in compare_products(
            cells,
            product=f"{anchor} new",
            baselines=[f"{anchor} old"],
            params=settings,
            controls=Controls(((f"{anchor} new", f"{anchor} old"),)),  # one machine, two times
            variances=variances,
        )
    ]
    by_title: dict[str, dict[str, Margin]] = {}
    for margin in margins:
        by_title.setdefault(margin.title, {})[margin.product] = margin
    titles = [title for title in bench.titles if title in by_title]
    drifts = [_pooled(by_title[title], title, (title,), settings) for title in titles]
    present = list(dict.fromkeys(m.product for m in margins))
    shared = [title for title in titles if len(by_title[title]) == len(present)]
    if len(titles) > 1 and shared:
        suites = {
            anchor: summarise_titles(
                [by_title[title][anchor] for title in shared], suite="drift", params=settings
            )
            for anchor in present
        }
        drifts.append(_pooled(suites, "", tuple(shared), settings))
    return drifts


def _pooled(
    parts: Mapping[str, Margin | SuiteMargin],
    title: str,
    titles: tuple[str, ...],
    settings: MarginParams,
) -> Drift:
    """Return the geometric mean over the anchors of their drifts, with both intervals."""
    pool = summarise_titles(
        [_as_margin(part, anchor) for anchor, part in parts.items()], suite="drift", params=settings
    )
    return Drift(
        metric=pool.metric,
        title=title,
        titles=titles,
        anchors=tuple(parts),
        value=pool.ratio,
        low=pool.low,
        high=pool.high,
        like_low=pool.like_low,
        like_high=pool.like_high,
        confidence=pool.confidence,
        outcome=pool.outcome,
        parts=parts,
        marks=tuple(mark for mark in pool.marks if mark != "one_title"),
        trace=Trace(
            "measure_drift",
            f"drift/{pool.metric}/{title or 'all'}",
            inputs=tuple(part.trace for part in parts.values()),
        ),
    )


def _as_margin(part: Margin | SuiteMargin, anchor: str) -> Margin:
    """Return an anchor's drift as one member of a pool: pools are made over `title`."""
    if isinstance(part, Margin):
        return replace(part, title=anchor)
    return replace(
        part.margins[0], title=anchor, value=part.ratio, low=part.low, high=part.high,
        level_low=part.level_low, level_high=part.level_high, outcome=part.outcome,
        error=None if part.error is None else Mixture.of_t(*part.error.as_t()), care=part.care,
        marks=part.marks, trace=part.trace, ratio_all_runs=None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Steps:
    """One product at several settings of one thing.

    Attributes
    ----------
    product : str
    suites : tuple of SuiteMargin
        A setting (their `product`) over the one the others are set against (their `baseline`), by
        metric; their margins are by scene.
    levels : mapping of str to tuple of Cell
        By setting the averages of the scenes that every setting ran.
    """

    axis: Axis
    product: str
    suites: tuple[SuiteMargin, ...]
    levels: Mapping[str, tuple[Cell, ...]]


def compare_settings(
    runs: Sequence[RunMetrics], bench: Bench, params: ReviewParams, controls: Controls
) -> tuple[Steps, ...]:
    """Return what each setting of each axis of params does to a product.

    Parameters
    ----------
    runs : sequence of RunMetrics
        The runs used.
    bench : Bench
    params : ReviewParams
        Its `axes`; nothing without them.
    controls : Controls
        What was alike among the machines that are steps: what was waived marks their margins.

    Notes
    -----
    Settings are compared as two products would be, with a run-to-run variance shared among the runs
    of the axis alone. The suite "all" is over the scenes that both settings ran; there are those of
    the groups in params too, but for groups of one setting of the axis.
    """
    return tuple(_of_axis(axis, runs, bench, params, controls) for axis in params.axes)


def _of_axis(
    axis: Axis, runs: Sequence[RunMetrics], bench: Bench, params: ReviewParams, controls: Controls
) -> Steps:
    """Return what each setting of one axis does."""
    places = axis.places(params.product, bench.titles)
    at = {m.run: places[m.product, m.title] for m in runs if (m.product, m.title) in places}
    named = [replace(m, product=at[m.run][0], title=at[m.run][1]) for m in runs if m.run in at]
    values = list(dict.fromkeys(value for value, _ in places.values()))
    over = axis.over or values[0]
    waived = tuple(
        replace(m, product=value, baseline=over)
        for value in axis.steps
        for m in controls.mismatches
        if (m.product, m.baseline) == (axis.steps[value], axis.steps[over])
        and m.control != axis.setting
    )
    names = [name for name in params.metrics.names if any(name in m.values for m in named)]
    variances = {name: fit_variances(named, metric=name, titles=bench.titles) for name in names}
    settings = params.margins
    cells = make_cells(
        named, bench.titles, params=settings, variances=variances, metric_names=names
    )
    margins = [
        margin if axis.same_picture else replace(margin, marks=(*margin.marks, "other_picture"))
        for value in values
        if value != over
        for margin in compare_products(
            cells,
            product=value,
            baselines=[over],
            params=settings,
            controls=Controls(((value, over),), mismatches=waived),
            variances=variances,
        )
    ]
    groups = {
        name: group
        for name, group in params.suites.items()
        if name != "all" and axis.setting not in group.tags
    }
    suites = summarise_suites(
        margins, groups={"all": params.whole if axis.steps else None} | groups,
        titles=bench.titles, params=settings, cells=cells,
    )  # fmt: skip
    averages = {(c.product, c.title): c for c in cells if c.metric == HEADLINE}
    ran = [value for value in values if any(value == product for product, _ in averages)]
    shared = [t for t in bench.titles if ran and all((value, t) in averages for value in ran)]
    levels = {v: tuple(averages[v, t] for t in shared) for v in ran if shared}
    return Steps(axis, axis.product or params.product, suites, levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartMargin(RatioEstimate):
    """How much faster one part is than another, over the machines that hold them.

    `spread_sd` is the standard deviation of ln performance from machine to machine of one part.
    """

    outcome: Outcome
    method: str = "part-margin"
    cells: tuple[Cell, ...]
    spread_sd: float


def compare_parts(
    suites: Sequence[SuiteMargin], cells: Sequence[Cell], params: ReviewParams, controls: Controls
) -> tuple[PartMargin, ...]:
    """Return the margins of the reviewed part, where several machines hold it.

    Parameters
    ----------
    suites : sequence of SuiteMargin
        Those of the reviewed product over all titles say of which titles, and how they weigh.
    cells : sequence of Cell
    params : ReviewParams
        Its `machines`; nothing without several of the reviewed product.
    controls : Controls
        What was waived among machines of one part marks its margins.

    Notes
    -----
    A machine's performance is its weighted mean of ln values over the titles that every machine of
    both sides ran. Its variance from machine to machine, run-to-run error and all, is pooled over
    the parts of the review with several machines that ran them [1]_: k machines a part give k - 1
    degrees of freedom. Machines are a sample of the part's; a side with one machine stands for that
    machine alone, with its run-to-run error, and is marked "one_machine".

    References
    ----------
    .. [1] Student (1908), "The probable error of a mean", Biometrika 6, 1-25; the pooled form is
           common practice.
    """
    own = params.machines_of(params.product)
    found = []
    for suite in suites:
        if (suite.suite, suite.product) == ("all", params.product) and len(own) > 1:
            sides = own, params.machines_of(suite.baseline)
            made = _of_parts(suite, sides, cells, params, controls)
            found += [made] if made is not None else []
    return tuple(found)


def _of_parts(
    suite: SuiteMargin,
    sides: tuple[tuple[str, ...], tuple[str, ...]],
    cells: Sequence[Cell],
    params: ReviewParams,
    controls: Controls,
) -> PartMargin | None:
    """Return one margin between parts; None where their machines share no title."""
    by_place = {(c.product, c.title): c for c in cells if c.metric == suite.metric}
    stated = dict(zip(suite.titles, suite.weights, strict=True))
    every = [machine for side in sides for machine in side]
    titles = [t for t in suite.titles if all((m, t) in by_place for m in every)]
    if not titles:
        return None
    total = math.fsum(stated[t] for t in titles)
    weights = {t: stated[t] / total for t in titles}

    def of(machine: str) -> float:
        logs = [(w, by_place[machine, t]) for t, w in weights.items()]
        return math.fsum(w * math.log(c.value) * (-1 if c.less_is_better else 1) for w, c in logs)

    groups = [
        [of(m) for m in machines]
        for machines in map(params.machines_of, params.products)
        if len(machines) > 1 and all((m, t) in by_place for m in machines for t in titles)
    ]
    variance, df = pooled_variance(groups)
    center = statistics.fmean(map(of, sides[0])) - statistics.fmean(map(of, sides[1]))
    parts = [(variance / len(side), float(df)) for side in sides]
    marks = [mark for mark in suite.marks if mark.startswith("waived:")]
    marks += [m for side in sides for one in side for t in titles
              for m in controls.marks(one, side[0], t)]  # fmt: skip
    if len(sides[1]) == 1:
        alone = [by_place[sides[1][0], t] for t in titles]
        errors = [(weights[c.title] * (c.log_se or math.nan)) ** 2 for c in alone]
        parts[1] = (math.fsum(errors), float(sum(c.df for c in alone)))
        marks.append("one_machine")
    # Pooled sides have one variance and its df; a lone machine's is put in by Satterthwaite.
    spread = math.fsum(v for v, _ in parts)
    if len(sides[1]) == 1:
        freedom = spread**2 / math.fsum(v**2 / max(f, 1.0) for v, f in parts) if spread else 1.0
    else:
        freedom = float(df)
    se = math.sqrt(spread) if math.isfinite(spread) and spread > 0 else None
    low, high = t_ends(center, se, freedom, confidence=params.margins.confidence)
    level = t_ends(center, se, freedom, confidence=1 - 2 * LEVEL_ALPHA)
    return PartMargin(
        metric=suite.metric,
        product=suite.product,
        baseline=suite.baseline,
        value=math.exp(center),
        low=low,
        high=high,
        confidence=params.margins.confidence,
        outcome=outcome_of(low, high, *level, band=params.margins.level_band),
        cells=tuple(by_place[m, t] for m in every for t in titles),
        spread_sd=math.sqrt(variance),
        marks=tuple(dict.fromkeys(marks + (["no_interval"] if low is None else []))),
        trace=Trace(
            "compare_parts",
            f"part/{suite.metric}/{suite.product}-over-{suite.baseline}",
            inputs=tuple(by_place[m, t].trace for m in every for t in titles),
        ),
    )
