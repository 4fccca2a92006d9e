"""Claims of a review: runs, cells, margins, suites, what moved, energy, money, and what it says."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain, islice
from operator import attrgetter
from types import MappingProxyType
from typing import Any

from kit.bench.prices import SCENARIO
from kit.bench.specification import compare_specifications
from kit.claims.claim import Claim, Figure, Subject
from kit.margins.cells import BY_FIGURES, Cell, Estimate
from kit.margins.compare import Margin
from kit.margins.drift import Drift
from kit.margins.energy import EnergyStanding
from kit.margins.suites import SuiteMargin
from kit.metrics.run_metrics import RunMetrics
from kit.review.walk import Results, Review
from kit.review.what_if import measure_sensitivity
from kit.rounding import Rounded, grouped
from kit.settings.metric import HEADLINE, METRICS, RESULT
from kit.settings.params import MetricParams
from kit.stats.series import LAGS_S
from kit.trace import Trace
from kit.value.weigh import Standing, Value, Weighing

POWER_METHODS = {"logged": "energy-per-frame", "metered": "energy-metered"}
CLOSURE_PARTS = ("chained", "direct", "chained_own", "direct_own", "difference")
FRONTIER_WORDS = {
    "on": "on the frontier",
    "tie": "on the frontier, tied",
    "dominated": "dominated",
    "extendedly_dominated": "dominated by a mix",
    "other_class": "another class of machine",
}
_ABOUT = ("metric", "product", "baseline", "title", "marks")
Make = Callable[..., Claim]  # `Claim.make`, in the review's locale
_about_of, _NONE = attrgetter(*_ABOUT), MappingProxyType[int, Claim]({})
# Margins marked so have the interval of their own runs alone stated beside theirs.
_BESIDE = {"unlike_neighbours", "resolved_by_sharing"}


def _of_runs(metric: str, runs: Iterable[str]) -> list[str]:
    """Return the ids of the claims of some runs."""
    return [Claim.id_of("run", metric=metric, run=run) for run in runs]


def _of_cells(cells: Iterable[Cell]) -> dict[str, list[str]]:
    """Return inputs and runs of what is made from cells."""
    cells = [*cells]
    inputs = [Claim.id_of("cell", metric=c.metric, title=c.title, product=c.product) for c in cells]
    return {"inputs": inputs, "runs": [run for cell in cells for run in cell.runs]}


def _about(estimate: Estimate, **more: Any) -> Subject:
    """Return what the claim of an estimate is about, with its marks; `more` as `Subject` has it."""
    about = dict(zip(_ABOUT, _about_of(estimate), strict=True))
    return Subject(**about | more)


def _like(found: SuiteMargin | Drift) -> Figure:
    """Return a ratio with the interval for others of its kind."""
    return Figure(found.ratio, found.like_low, found.like_high, found.confidence)


def _run_claims(review: Review, _: Results, make: Make) -> Iterator[Claim]:
    """Yield a claim for each metric of each measured run, used or set aside.

    A run set aside has its figures too, marked: a reader may compare with and without it.
    """
    for run, measured in review.metrics.items():
        used = run not in review.screened.set_aside
        marks = ["typed_in"] * measured.typed_in
        marks += ["common_stretch"] * (measured.stretch is not None)
        for metric, value in measured.values.items():
            yield make(
                "run",
                Subject.of_run(run, metric, measured, used=used, marks=marks),
                value,
                method=_run_method(metric, review.params.metrics, measured),
                unit=METRICS[metric].unit or review.bench.titles[measured.title].value_unit,
            )
    yield from _stretch_claims(review, make)


def _stretch_claims(review: Review, make: Make) -> Iterator[Claim]:
    """Yield how much of each run is measured in titles whose runs are of unlike length."""
    cut = grouped((run.title, run) for run in review.used if run.stretch is not None)
    locale = review.params.locale
    for title, runs in cut.items():
        length, unit = runs[0].stretch or (0.0, "seconds")
        named = [run.run for run in runs]
        text = Rounded.count(length, locale=locale)
        if unit == "seconds":
            text = Rounded.plain(length, unit="s", digits=4, locale=locale)
        subject = Subject(title=title, inputs=named, runs=named)
        yield make("common_stretch", subject, length, unit=unit, text=text)


def _cell_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield a claim for each metric of each product in each title: the mean over used runs."""
    aside = _aside_by_cell(review)
    for cell in results.cells:
        subject = _about(
            cell,
            inputs=_of_runs(cell.metric, cell.runs),
            runs=cell.runs,
            set_aside=aside.get((cell.product, cell.title), ()),
        )
        yield make("cell", subject, cell, method=f"cell-{cell.method}", unit=cell.unit)


def _spread_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield each used run of the reviewed product against the mean of its cell, of averages."""
    for cell in results.cells:
        mine = (cell.metric, cell.product) == (HEADLINE, review.params.product)
        if not mine or len(cell.values) < 2:
            continue
        mean = Claim.id_of("cell", metric=cell.metric, title=cell.title, product=cell.product)
        for run, ratio in zip(cell.runs, cell.runs_over_mean(), strict=True):
            inputs = [*_of_runs(cell.metric, [run]), mean]
            yield make("run_over_mean", _about(cell, inputs=inputs, runs=[run], marks=()), ratio)


def _low_claims(review: Review, _: Results, make: Make) -> Iterator[Claim]:
    """Yield the lows of the reviewed product under each definition, of one run a title: the first.

    First is what began first, whatever the order of the sheet; without times, by the run's id.
    """
    began = {row.run: (row.began is None, str(row.began), row.run) for row in review.rows}
    first: dict[str, RunMetrics] = {}
    for measured in sorted(review.used, key=lambda measured: began[measured.run]):
        if measured.product == review.params.product and measured.lows:
            first.setdefault(measured.title, measured)
    for run in (first[title] for title in review.titles if title in first):
        for definition, lows in run.lows.items():
            for metric, value in lows.items():
                subject = replace(Subject.of_run(run.run, metric, run), group=definition)
                known = METRICS[metric]
                yield make("low", subject, value, method=known.methods[definition], unit=known.unit)


def _within_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield what frames alone explain: a product's independent frames in a run, and a share."""
    for within in results.within:
        for kind, runs, value in (
            ("within_frames", within.runs, within.effective_frames),
            ("within_share", within.compared_runs, within.share),
        ):
            if value is not None:
                inputs = _of_runs(within.metric, runs)
                yield make(kind, Subject(within.metric, within.product, inputs=inputs, runs=runs),
                           value)  # fmt: skip


def _margin_claims(
    review: Review,
    results: Results,
    make: Make,
    *,
    beside: bool = True,
    stated: Mapping[int, Claim] = _NONE,
) -> Iterator[Claim]:
    """Yield a claim for each margin; beside it one of its own runs alone where that matters, and
    one more where set-aside runs would change it."""
    aside = _aside_by_cell(review)
    for margin in results.margins:
        was = stated.get(id(margin.compared))
        if was and (was.outcome, was.marks) == (margin.outcome, margin.marks):
            yield was
            continue
        left = [run for c in margin.cells for run in aside.get((c.product, c.title), ())]
        subject = _about(margin, set_aside=left, **_of_cells(margin.cells))
        ends = (margin.low, margin.high)
        yield make("margin", subject, margin, method=f"margin-{margin.method}")
        if not beside:
            continue
        if margin.own_low is not None and _BESIDE & set(margin.marks):
            alone = Figure(margin.ratio, margin.own_low, margin.own_high, margin.confidence)
            yield make("margin_own_runs", replace(subject, marks=()), alone)
        if (less := margin.without_struck) is not None:
            runs = [run for cell in less.cells for run in cell.runs]
            marks, inputs = (*less.marks, "unstruck"), _of_runs(margin.metric, runs)
            own = replace(subject, inputs=inputs, runs=runs, marks=marks)
            yield make("margin_unstruck", own, less)
        if margin.robust is not None:
            about = replace(subject, marks=["robust"])
            yield make("margin_robust", about, margin.robust, ends=ends)
        if margin.ratio_all_runs is not None:
            inputs = _of_runs(margin.metric, margin.all_runs)
            about = _about(margin, inputs=inputs, runs=margin.all_runs, marks=["all_runs"])
            yield make("margin_all_runs", about, margin.ratio_all_runs, ends=ends)


def _level_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield a claim for each difference in dB: product minus baseline, as measured."""
    for level in results.levels:
        left = _aside_of(review, {level.product, level.baseline}, {level.title})
        subject = _about(level, set_aside=left, **_of_cells(level.cells))
        yield make("level_difference", subject, level, unit=level.unit)


def _suite_claims(
    review: Review, results: Results, make: Make, *, beside: bool = True
) -> Iterator[Claim]:
    """Yield the claims of each suite margin; beside it both intervals, range, counts, influence.

    Groups other than "all" are stated for the averages of the reviewed product, and of pairs that
    params name.
    """
    asked = {(pair.product, pair.over) for pair in review.params.pairs}
    for suite in results.suites:
        main = suite.product == review.params.product and suite.metric == HEADLINE
        pair = suite.metric == HEADLINE and (suite.product, suite.baseline) in asked
        if main or pair or suite.suite == "all":
            yield from islice(_suite(suite, make, with_influence=main), None if beside else 1)


def _suite(suite: SuiteMargin, make: Make, *, with_influence: bool) -> Iterator[Claim]:
    """Yield the claims of one suite margin, its own first; with influence, it without each title
    too."""
    subject, ends = _suite_subject(suite), (suite.low, suite.high)
    whole = make("suite", subject, suite)
    yield whole
    # A figure that is part of a suite's claim leads to its runs through the suite's.
    below = replace(subject, inputs=[whole.id], runs=(), marks=())
    yield make("suite_like", below, _like(suite))
    for kind, end in (("suite_smallest", suite.smallest), ("suite_largest", suite.largest)):
        yield make(kind, replace(below, title=end.title), end.ratio, ends=ends)
    by_figures = suite.outcome in BY_FIGURES
    sides = suite.sides if by_figures else {}
    for kind, found in (("suite_count", suite.counts), ("suite_side", sides)):
        for outcome, count in found.items():
            yield make(kind, replace(below, part=outcome), Figure(count, outcome=outcome))
    if by_figures:
        yield make("suite_sign", below, suite.sign_p)
    yield make("suite_false", below, suite.false_expected)
    for kind, sd in (("suite_day", suite.day_sd), ("suite_break_even", suite.break_even_day)):
        if sd is not None:
            yield make(kind, below, sd)
    if suite.ratio_all_runs is not None:
        every = replace(subject, marks=["all_runs"])
        yield make("suite_all_runs", every, suite.ratio_all_runs, ends=ends)
    if with_influence and suite.suite == "all":
        for title, ratio in suite.influence.items():
            yield make("influence", replace(below, title=title), ratio, ends=ends)


def _sensitivity_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield each headline outcome under other choices; the mark "turned" where it is another."""
    judged = {_suite_key(s) for s in results.suites if s.low is not None}
    for one in measure_sensitivity(review, results):
        suite = one.suite
        if suite.low is None and _suite_key(suite) in judged:
            # Beside an outcome that an interval judged, one that figures alone give does not stand.
            suite = replace(suite, outcome="unresolved")
        marks = ["turned"] if one.turned else ["no_interval"] if suite.low is None else []
        about = {"metric": suite.metric, "product": suite.product, "baseline": suite.baseline}
        stated = Claim.id_of("suite", group=suite.suite, **about)
        runs = _suite_runs(suite)
        subject = Subject(**about, part=one.choice, inputs=[stated], runs=runs, marks=marks)
        yield make("sensitivity", subject, suite)


def _gap_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield the gap of one name between classes, with the two suite margins it is made of."""
    for gap in results.gaps:
        sides = [
            make(kind, replace(_suite_subject(suite), group=""), suite)
            for kind, suite in (("gap_here", gap.here), ("gap_there", gap.there))
        ]
        yield from sides
        subject = Subject(
            gap.metric, gap.here_new, gap.there_new, group=gap.here_old, part=gap.there_old,
            inputs=[side.id for side in sides], runs=gap.trace.run_ids(), marks=gap.marks,
        )  # fmt: skip
        yield make("gap", subject, gap)


def _closure_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield, for each triple, chained and direct margin of averages, and how they differ.

    A over C by way of B, and directly; the chained margin's claim is the input of those after it.
    """
    for closure in results.closures:
        if closure.metric != HEADLINE:
            continue
        chain = Subject(closure.metric, closure.a, closure.c, group=closure.b)
        inputs = [
            Claim.id_of("cell", metric=closure.metric, title=title, product=product)
            for product in (closure.a, closure.b, closure.c)
            for title in closure.titles
        ]
        for part in CLOSURE_PARTS:
            made = make("closure", replace(chain, part=part, inputs=inputs), getattr(closure, part))
            yield made
            if part == "chained":
                inputs = [made.id]
        # Margins of the same titles can still differ, over the sessions of each pair: that is said.
        same = len(set(map(frozenset, closure.own_titles))) == 1
        if same and math.isclose(closure.difference, 1.0, rel_tol=1e-9):
            yield Claim.state("same_titles", "same titles", chain)


def _drift_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield, for each title and over all, the drift of each product run again and of them all.

    Over all titles a product's drift rests on its drifts in each; in one title, on its runs.
    """
    for drift in results.drifts:
        anchors = []
        for anchor, part in drift.parts.items():
            runs = part.trace.run_ids()
            one = isinstance(part, Margin)
            inputs = _of_runs(drift.metric, runs) if one else [
                Claim.id_of("drift_anchor", metric=drift.metric, title=title, product=anchor)
                for title in drift.titles
            ]  # fmt: skip
            subject = Subject(drift.metric, anchor, title=drift.title, inputs=inputs, runs=runs,
                              marks=part.marks)  # fmt: skip
            method = "drift" if one else "drift-anchor"
            anchors.append(make("drift_anchor", subject, part, method=method))
        yield from anchors
        found = {claim.product: claim.id for claim in anchors}
        inputs = [found[anchor] for anchor in drift.anchors]
        these = _about(drift, part="these", inputs=inputs, runs=drift.trace.run_ids())
        yield make("drift", these, drift, method="drift-of-these")
        if drift.like_low is not None:
            others = replace(these, part="others")
            yield make("drift", others, _like(drift), method="drift-of-others")


def _part_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield the margins of the part over its machines, and how far machines of a part differ."""
    for part in results.parts:
        subject = _about(part, **_of_cells(part.cells))
        spread = make("part_spread", replace(subject, marks=()), part.spread_sd)
        yield spread
        whole = replace(subject, inputs=[*subject.inputs, spread.id])
        yield make("part", whole, part, method=part.method)


def _step_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield what each setting of an axis does, per title and over all, and the averages at each.

    Of averages and lows. The averages of a setting are over the titles that every setting ran.
    """
    row_of = review.row_of

    def cells(metric: str, runs: Iterable[str]) -> list[str]:
        about = dict.fromkeys((row_of[run].title, row_of[run].product) for run in runs)
        return [Claim.id_of("cell", metric=metric, title=t, product=p) for t, p in about]

    told: set[str] = set()
    for steps in results.steps:
        for suite in steps.suites:
            part = f"{steps.axis.code(suite.product)}-over-{steps.axis.code(suite.baseline)}"
            about = Subject(suite.metric, steps.product, group=steps.axis.setting, part=part)
            made: list[Claim] = []
            for margin in suite.margins:
                runs = [run for cell in margin.cells for run in cell.runs]
                inputs = cells(margin.metric, runs)
                subject = replace(about, title=margin.title, inputs=inputs, runs=runs,
                                  marks=margin.marks)  # fmt: skip
                made.append(make("step", subject, margin, method=f"margin-{margin.method}"))
            yield from (claim for claim in made if claim.id not in told)
            told |= {claim.id for claim in made}
            inputs, runs = [c.id for c in made], _suite_runs(suite)
            on = "" if suite.suite == "all" else "_on"
            about = replace(about, part=f"{part}/on/{suite.suite}" if on else part)
            whole = replace(about, inputs=inputs, runs=runs, marks=suite.marks)
            over = make(f"step{on}", whole, suite)
            yield over
            yield make(f"step{on}_like", replace(about, inputs=[over.id]), _like(suite))
        for value, averages in steps.levels.items():
            runs = [run for cell in averages for run in cell.runs]
            subject = Subject(HEADLINE, steps.product, group=steps.axis.setting,
                              part=steps.axis.code(value), inputs=cells(HEADLINE, runs),
                              runs=runs)  # fmt: skip
            level = math.exp(statistics.fmean(math.log(c.value) for c in averages))
            yield make("step_level", subject, level)


def _energy_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield, for the product and what it is set against, energy per frame and frames per second
    per watt of each title."""
    compared = {review.params.product, *review.params.compared}
    for standing in results.energy:
        if standing.product in compared:
            yield from _energy(standing, review, make)
    for margin in results.energy_margins:
        own = margin.standings[0]
        subject = _about(
            margin, metric=_energy_metric("energy", own), group=own.source, part=own.power_title,
            inputs=[_energy_id(standing) for standing in margin.standings],
            runs=[run for standing in margin.standings for run in standing.runs],
        )  # fmt: skip
        yield make("energy_margin", subject, margin, method=margin.method)
    yield from _lag_claims(review, results, make, compared)


def _energy_metric(name: str, standing: EnergyStanding) -> str:
    """Return what claims call an energy: one name a title that meters power."""
    return f"{name}-metered-by-{standing.power_title}" if standing.power_title else name


def _energy_id(standing: EnergyStanding) -> str:
    """Return the id of the claim of an energy per frame."""
    metric = _energy_metric("energy", standing)
    return Claim.id_of("energy", metric=metric, title=standing.title, product=standing.product)


def _lag_claims(
    review: Review, results: Results, make: Make, compared: set[str]
) -> Iterator[Claim]:
    """Yield how far sensors lag behind the frames, and what that does to energies."""
    for (product, sensor), lag in results.lags.items():
        runs = [run.run for run in review.used if run.product == product and sensor in run.lags]
        subject = Subject(sensor, product, inputs=runs, runs=runs)
        if product in compared and lag.why:
            why = f"not judged: {lag.why}"
            yield Claim.state("sensor_lag", why, subject, outcome="cannot_judge")
        elif product in compared:
            yield make("sensor_lag", subject, Figure(lag.lag_s, lag.low_s, lag.high_s, 0.95))
    for standing in results.energy:
        if standing.product not in compared or standing.source != "logged":
            continue
        low, high = standing.unsettled
        subject = Subject("energy", standing.product, title=standing.title, group=standing.source,
                          inputs=[_energy_id(standing)], runs=standing.runs)  # fmt: skip
        if standing.lag_s is not None and standing.settled_share is not None:
            yield make("energy_unsettled", subject, low)
        elif low < high:
            ends = (Rounded.ratio(end, locale=review.params.locale).text for end in (low, high))
            told = f"{' to '.join(ends)}, were its power read up to {LAGS_S[-1]:g} s late"
            yield Claim.state("energy_unsettled", told, subject, outcome="cannot_judge")


def _load_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield what sensors read of each product under load, its spread, and how products differ."""
    told: set[tuple[str, str, str]] = set()
    for load in results.loads:
        about = {"metric": load.metric, "title": load.title}
        inputs: Sequence[str] = load.runs
        if load.baseline:
            pair = load.product, load.baseline
            inputs = [Claim.id_of("load", product=name, **about) for name in pair]
        elif not load.title:
            about["product"] = load.product
            titles = dict.fromkeys(review.row_of[run].title for run in load.runs)
            inputs = [Claim.id_of("load", **about | {"title": title}) for title in titles]
        pair_of = {load.product, load.baseline}
        titles_of = {load.title} if load.title else {review.row_of[run].title for run in load.runs}
        aside = _aside_of(review, pair_of, titles_of)
        kind = "load" if not load.baseline else "load_ratio" if load.is_ratio else "load_difference"
        subject = _about(load, inputs=inputs, runs=load.runs, set_aside=aside)
        made = make(kind, subject, load, unit=load.unit)
        yield made
        told.add((load.metric, load.title, load.product))
        if load.sd is not None:
            spread = replace(subject, inputs=[made.id], runs=(), set_aside=(), marks=())
            yield make("load_spread", spread, load.sd, unit=load.unit)
    frames = dict.fromkeys(
        (run.title, run.product)
        for run in review.used
        if run.product in review.params.loaded and HEADLINE in run.values
    )
    for sensor in dict.fromkeys(metric for metric, *_ in told):
        for title, product in frames:
            if (sensor, title, product) not in told:
                subject = Subject(sensor, product, title=title)
                yield Claim.state("load", "not logged", subject, outcome="cannot_judge")


def _energy(standing: EnergyStanding, review: Review, make: Make) -> Iterator[Claim]:
    """Yield energy per frame and frames per second per watt of one product in one title.

    Metered power comes from another title's figures, which the claim then names and rests on; the
    interval of the second is that of the first, inverted.
    """
    product, title = standing.product, standing.title
    inputs = [*standing.runs]
    if standing.source == "metered":
        inputs = [
            Claim.id_of("cell", metric=RESULT, title=standing.power_title, product=product),
            Claim.id_of("cell", metric=HEADLINE, title=title, product=product),
        ]
    subject = _about(
        standing, metric=_energy_metric("energy", standing), group=standing.source,
        part=standing.power_title, inputs=inputs, runs=standing.runs,
        set_aside=_aside_of(review, {product}, {title, standing.power_title}),
    )  # fmt: skip
    energy = make("energy", subject, standing, method=POWER_METHODS[standing.source])
    yield energy
    metric, (low, high) = _energy_metric("fps_per_watt", standing), (standing.low, standing.high)
    least, most = (1 / high, 1 / low) if low is not None and high is not None else (None, None)
    rate = Figure(standing.fps_per_watt, least, most, standing.confidence)
    yield make("fps_per_watt", replace(subject, metric=metric, inputs=[energy.id]), rate)


def _value_claims(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield every figure of the value section; none where the review has no prices."""
    value = results.value
    if value is None:
        return
    of_money = partial(make, unit=value.currency)
    for (product, kind), price in value.prices.items():
        sources = [f"source: {row.source}, {row.date.isoformat()}" for row in price.observations]
        about = Subject(product=product, group=kind, marks=[*price.marks, *sources])
        method = "price" if price.observations else "scenario-price"
        median = Figure(price.price, price.lowest, price.highest)
        yield of_money("price", about, median, method=method)
        if kind.startswith(SCENARIO) or len(price.observations) < 2:
            continue
        observed = zip(price.observations, price.values, strict=True)
        ordered = sorted(observed, key=lambda one: (one[0].date, one[1], one[0].source))
        for n, (row, seen) in enumerate(ordered, 1):
            marks = [f"source: {row.source}, {row.date.isoformat()}"]
            part = f"{row.date.isoformat()}/{n}"
            about = Subject(product=product, group=kind, part=part, marks=marks)
            yield of_money("price_seen", about, seen)
    known: dict[tuple[int, ...], tuple[str, ...]] = {}

    def runs_of(trace: Trace) -> tuple[str, ...]:
        """Return the runs below a step, found once for all kinds of price."""
        key = tuple(map(id, trace.inputs))
        if key not in known:
            known[key] = trace.run_ids()
        return known[key]

    for standing in value.standings:
        yield from _standing(value, standing, runs_of(standing.trace), review, make)
    for weighing in value.weighings:
        yield from _weighing(value, weighing, runs_of(weighing.trace), review, make)
    passed: Counter[tuple[str, str]] = Counter()  # lines would differ in a sealed excerpt
    for row, reason in value.rows_left_out:
        passed[row.product, row.kind] += 1
        amount = Rounded.money(row.price, row.currency, locale=review.params.locale)
        said = f"{amount.text} of {row.date.isoformat()} ({row.source}): {reason}"
        part = str(passed[row.product, row.kind])
        subject = Subject(product=row.product, group=row.kind, part=part)
        yield Claim.state("price_passed_over", said, subject)
    for (product, kind), reason in value.left_out.items():
        yield Claim.state("not_weighed", reason, Subject(product=product, group=kind))


def _runs_of(review: Review, product: str) -> str:
    """Return whose runs a product stands with: its own, or those that params let it borrow."""
    of = review.params.value.configurations if review.params.value else ()
    return next((sold.of for sold in of if sold.product == product), product)


def _standing(
    value: Value, standing: Standing, runs: Sequence[str], review: Review, make: Make
) -> Iterator[Claim]:
    """Yield suite average, cost per frame per second and place on the frontier of one product."""
    product, kind = standing.product, standing.kind
    ran = _runs_of(review, product)
    inputs = [
        Claim.id_of("cell", metric=HEADLINE, title=title, product=ran) for title in value.titles
    ]
    subject = Subject(HEADLINE, product, group=kind, inputs=inputs, runs=runs,
                      marks=standing.marks)  # fmt: skip
    fps = make("suite_fps", subject, standing.suite_fps)
    yield fps
    cost = Figure(standing.cost_per_fps, standing.cost_per_fps_low, standing.cost_per_fps_high)
    rests_on = [Claim.id_of("price", group=kind, product=product), fps.id]
    unit = f"{value.currency}/fps"
    yield make("cost_per_fps", replace(subject, inputs=rests_on), cost, unit=unit)
    words = FRONTIER_WORDS.get(standing.frontier, standing.frontier)
    if standing.dominated_by:
        names = [review.bench.products[p].name for p in standing.dominated_by]
        words += f" by {listed(names)}"
    about = Subject(product=product, group=kind)
    yield Claim.state("frontier", words, about, outcome=standing.frontier)


def _weighing(
    value: Value, weighing: Weighing, runs: Sequence[str], review: Review, make: Make
) -> Iterator[Claim]:
    """Yield premium, difference, price of equal value and cut needed against one rival."""
    bare = None, None
    product, rival, kind = weighing.product, weighing.rival, weighing.kind
    own_price, rival_price = (Claim.id_of("price", group=kind, product=p) for p in (product, rival))
    inputs = [own_price, rival_price]
    subject = Subject(HEADLINE, product, rival, group=kind, inputs=inputs, runs=runs,
                      marks=weighing.marks)  # fmt: skip
    premium = Figure(weighing.premium, weighing.premium_low, weighing.premium_high)
    yield make("premium", subject, premium, ends=bare)
    own, other = weighing.price, weighing.rival_price
    ends = own.lowest - other.highest, own.highest - other.lowest
    apart = Figure(own.price - other.price, *ends)
    yield make("price_difference", subject, apart, unit=value.currency)
    pair = {"product": _runs_of(review, product), "baseline": _runs_of(review, rival)}
    suite = Claim.id_of("suite", metric=HEADLINE, group="all", **pair)
    equal = Figure(weighing.equal_value_price, weighing.equal_value_low, weighing.equal_value_high)
    about = replace(subject, inputs=[rival_price, suite])
    price = make("equal_value_price", about, equal, unit=value.currency)
    yield price
    cut = Figure(weighing.cut_needed, weighing.cut_needed_low, weighing.cut_needed_high)
    yield make("cut_needed", replace(subject, inputs=[own_price, price.id]), cut, ends=bare)


def _specification_claims(review: Review, _: Results, make: Make) -> Iterator[Claim]:
    """Yield each figure of the specification table, given or derived."""
    locale = review.params.locale
    for row in compare_specifications(review.bench, review.params.products):
        for product, figure in row.values.items():
            if figure is None:
                continue
            derived = product in row.derived
            inputs = [
                Claim.id_of("specification", metric=name, product=product)
                for name in (row.made_from if derived else ())
            ]
            subject = Subject(row.field, product, inputs=inputs, marks=[row.formula] * derived)
            method, digits = ("derived", 4) if derived else ("given", 6)
            text = Rounded.plain(figure, unit=row.unit, digits=digits, locale=locale)
            yield make("specification", subject, figure, method=method, unit=row.unit, text=text)


def _count_claims(review: Review, _: Results, make: Make) -> Iterator[Claim]:
    """Yield the counts of runs in the sheet, used, set aside, that did not run; frames; titles.

    They are of the review's rows alone; a bench's other products and titles do not count.
    """
    aside = [row.run for row in review.rows if row.run in review.screened.set_aside]
    used = [measured.run for measured in review.used]
    for part, count, runs, left in (
        ("runs/in_sheet", len(review.rows), used, aside),
        ("runs/used", len(used), used, []),
        ("runs/set_aside", len(aside), [], aside),
        ("runs/did_not_run", sum(not row.produced for row in review.rows), [], []),
        ("frames/used", sum(measured.frames for measured in review.used), used, []),
        ("titles", len(review.titles), [], []),
    ):
        subject = Subject(part=part, runs=runs, set_aside=left)
        yield make("count", subject, count, unit=part.partition("/")[0])


def _said_of_margins(review: Review, results: Results, make: Make) -> Iterator[Claim]:
    """Yield what a review says of its margins in words: left out, not compared, in every title."""
    product, names, headline = review.params.product, review.bench.products, review.params.headline
    of = f' of "{review.params.suites[headline].name}"' if headline else ""
    for suite in results.suites:
        if (suite.product, suite.metric) != (product, HEADLINE) or suite.suite != "all":
            continue
        subject = _suite_subject(suite)
        subject = replace(subject, inputs=(), runs=(), marks=())
        if suite.every_title in {"ahead", "behind", "level"}:
            words = {"ahead": "ahead of", "level": "level with"}.get(suite.every_title, "behind")
            yield Claim.state(
                "every_title",
                f"{names[product].name} is {words} {names[suite.baseline].name} in every title"
                f"{of}, also with the whole family of titles taken into account.",
                subject,
                outcome=suite.every_title,
            )
        for title, reason in suite.left_out.items():
            yield Claim.state("left_out", reason, replace(subject, title=title))
    measured: dict[str, set[str]] = {}
    for cell in results.cells:
        measured.setdefault(cell.product, set()).add(cell.title)
    mine = measured.get(product, set())
    for baseline in review.params.compared:
        if not mine & measured.get(baseline, set()):
            yield Claim.state(
                "not_compared",
                "no title has used runs of both",
                Subject(product=product, baseline=baseline),
            )


def _said_of_plan(review: Review, _: Results, make: Make) -> Iterator[Claim]:
    """Yield whether as many runs were made as the plan registered beforehand says."""
    plan = review.params.plan
    if plan is None or plan.registered is None:
        return
    planned = Counter(
        {(p, t): count for p, row in plan.registered.runs.items() for t, count in row.items()}
    )
    made = Counter((row.product, row.title) for row in review.rows if row.produced)
    more = [key for key in made if made[key] > planned[key]]
    fewer = [key for key in planned if made[key] < planned[key]]
    bench, day = review.bench, plan.registered.on.isoformat()

    def spelt(cells: Sequence[tuple[str, str]]) -> str:
        return "; ".join(
            f"{bench.products[p].name} in {bench.titles[t].name} {made[p, t]} of {planned[p, t]}"
            for p, t in cells
        )

    said = [
        *([f"Runs were added after the plan registered on {day}: {spelt(more)}. No interval "
           "allows for runs added after looking."] if more else []),
        *([f"Fewer runs were made than the plan registered on {day} says: {spelt(fewer)}."]
          if fewer else []),
    ]  # fmt: skip
    text = " ".join(said) or f"As many runs were made as the plan registered on {day} says."
    if (look := review.look) is not None:
        level, total = (
            Rounded.plain(100 * share, unit="%", digits=3, locale=review.params.locale)
            for share in (look.level, look.alpha)
        )
        text += (
            f" This is look {look.number} of {len(plan.registered.looks)} registered: every "
            f"interval leaves out {level.text}, so that over all looks {total.text} of level "
            "margins are called ahead or behind."
        )
        yield make("look_level", Subject(), look.level, text=level)
    outcome = "added" if more else "fewer" if fewer else "as_registered"
    yield Claim.state("plan_kept", text, Subject(), outcome=outcome)


def _said_of_runs(review: Review, _: Results, make: Make) -> Iterator[Claim]:
    """Yield controls and waivers, runs set aside and not run, and every flag, in words."""
    controls = review.controls
    for name in controls.names:
        for product in review.params.products:
            if any(product == p for _, p in controls.values):
                words = ", ".join(controls.values.get((name, product), ())) or "not recorded"
                yield Claim.state("control", words, Subject(name, product))
    names = review.bench.products
    for m in controls.mismatches:
        yield Claim.state(
            "waiver",
            f"{m.control} of {names[m.product].name} ({', '.join(m.product_values)}) and "
            f"{names[m.baseline].name} ({', '.join(m.baseline_values)}), waived: {m.reason}",
            Subject(m.control, m.product, m.baseline),
        )
    measured = {(m.product, m.title) for m in review.used}
    for row in review.rows:
        subject = Subject(product=row.product, title=row.title, set_aside=[row.run])
        if row.run in review.screened.set_aside:
            yield Claim.state("set_aside", review.screened.set_aside[row.run], subject)
        if not row.produced:
            status = row.status.replace("_", " ")
            yield Claim.state("not_run", f"{status}: {row.reason}", subject, outcome=row.status)
            if (row.product, row.title) not in measured:
                yield Claim.state("no_figure", status, replace(subject, set_aside=()))
    yield from _flags(review)


def _flags(review: Review) -> Iterator[Claim]:
    """Yield every flag in words; a further one of a rule about the same thing is numbered."""
    rows = {row.run: row for row in review.rows}
    seen: Counter[tuple[str, str]] = Counter()
    for flag in review.screened.flags:
        row = rows.get(flag.run)
        product = flag.product or (row.product if row else "")
        title = flag.title or (row.title if row else "")
        where = [flag.run] if flag.run else [title, product]
        part = "/".join(name for name in (*where, flag.metric) if name) or "review"
        seen[flag.rule, part] += 1
        if seen[flag.rule, part] > 1:
            part += f"/{seen[flag.rule, part]}"
        aside = flag.run in review.screened.set_aside
        yield Claim.state(
            "flag",
            flag.reason,
            Subject(
                flag.rule,
                product,
                title=title,
                part=part,
                runs=[flag.run] if flag.run and not aside else (),
                set_aside=[flag.run] if aside else (),
            ),
            outcome=flag.action,
        )


def listed(names: Iterable[str], *, joint: str = "and") -> str:
    """Return names as a list in words; nothing for none.

    >>> listed(["a", "b", "c"]), listed(["a", "b"], joint="or"), listed(["a"]), listed([])
    ('a, b and c', 'a or b', 'a', '')
    """
    *before, last = [*names] or [""]
    return f"{', '.join(before)} {joint} {last}" if before else last


def _run_method(metric: str, params: MetricParams, run: RunMetrics) -> str:
    """Return the method that made a run's figure."""
    if run.typed_in and METRICS[metric].source == "frames":
        return "typed-in"
    if run.stretch is not None and METRICS[metric].source == "frames":
        return "over-common-stretch"
    return METRICS[metric].methods[params.low]


def _suite_key(suite: SuiteMargin) -> tuple[str, ...]:
    return suite.metric, suite.suite, suite.product, suite.baseline


def _suite_subject(suite: SuiteMargin) -> Subject:
    """Return what a suite margin is about: its inputs are the margins of its titles."""
    inputs = [
        Claim.id_of("margin", metric=m.metric, title=m.title, product=m.product,
                    baseline=m.baseline)
        for m in suite.margins
    ]  # fmt: skip
    return _about(suite, group=suite.suite, inputs=inputs, runs=_suite_runs(suite))


def _suite_runs(suite: SuiteMargin) -> list[str]:
    return [run for margin in suite.margins for cell in margin.cells for run in cell.runs]


def _aside_by_cell(review: Review) -> dict[tuple[str, str], list[str]]:
    """Return the runs set aside by product and title, in the order of the sheet."""
    aside = review.screened.set_aside
    return grouped(((r.product, r.title), r.run) for r in review.rows if r.run in aside)


def _aside_of(review: Review, products: set[str], titles: set[str]) -> list[str]:
    """Return the runs set aside of some products in some titles, in the order of the sheet."""
    return [
        row.run
        for row in review.rows
        if row.product in products and row.title in titles and row.run in review.screened.set_aside
    ]


# Every claim of a review's page, in the order of the page: figures first, each after those it is
# made from; then what the page says in words. Other pages take some of these too.
CLAIMS: Mapping[str, Callable[[Review, Results, Make], Iterator[Claim]]] = {
    "runs": _run_claims,
    "cells": _cell_claims,
    "within_runs": _within_claims,
    "margins": _margin_claims,
    "levels": _level_claims,
    "suites": _suite_claims,
    "sensitivity": _sensitivity_claims,
    "parts": _part_claims,
    "steps": _step_claims,
    "gaps": _gap_claims,
    "closures": _closure_claims,
    "drift": _drift_claims,
    "energy": _energy_claims,
    "loads": _load_claims,
    "value": _value_claims,
    "specifications": _specification_claims,
    "counts": _count_claims,
    "spread": _spread_claims,
    "lows": _low_claims,
    "said_of_margins": _said_of_margins,
    "said_of_runs": _said_of_runs,
    "said_of_plan": _said_of_plan,
}

# The same of what a question asks, each without what stands beside it.
ANSWERS: Mapping[str, Callable[..., Iterator[Claim]]] = {
    **CLAIMS,
    "margins": partial(_margin_claims, beside=False),
    "suites": partial(_suite_claims, beside=False),
    "energy": lambda *given: chain(_energy_claims(*given), _load_claims(*given)),
}
