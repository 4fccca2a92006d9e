"""Claims of a review: runs, cells, margins, suites, what moved, energy, money, and what it says."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from kit.bench.prices import SCENARIO
from kit.bench.specification import compare_specifications
from kit.claims.claim import Claim, Figure, Subject
from kit.margins.cells import BY_FIGURES
from kit.margins.compare import Margin
from kit.margins.consistency import Closure
from kit.margins.drift import Drift
from kit.margins.energy import EnergyStanding
from kit.margins.suites import SuiteMargin
from kit.metrics.run_metrics import RunMetrics
from kit.review.walk import Results, Review
from kit.review.what_if import measure_sensitivity
from kit.rounding import Rounded
from kit.settings.metric import HEADLINE, METRICS, RESULT
from kit.settings.params import MetricParams
from kit.stats.series import LAGS_S
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
# Margins marked so have the interval of their own runs alone stated beside theirs.
_BESIDE = {"unlike_neighbours", "resolved_by_sharing"}


def _run_claims(review: Review, _: Results) -> Iterator[Claim]:
    """Yield a claim for each metric of each measured run, used or set aside.

    A run set aside has its figures too, marked: a reader may compare with and without it.
    """
    for run, measured in review.metrics.items():
        aside = run in review.screened.set_aside
        for metric, value in measured.values.items():
            unit = METRICS[metric].unit or review.bench.titles[measured.title].value_unit
            yield Claim.make(
                "run",
                Subject(
                    metric,
                    measured.product,
                    title=measured.title,
                    inputs=[run],
                    runs=[] if aside else [run],
                    set_aside=[run] if aside else [],
                    marks=["set_aside"] * aside
                    + ["typed_in"] * measured.typed_in
                    + ["common_stretch"] * (measured.stretch is not None),
                ),
                Figure(value),
                method=_run_method(metric, review.params.metrics, measured),
                unit=unit,
                text=Rounded.fps(value, unit=unit, locale=review.params.locale),
            )
    yield from _stretch_claims(review)


def _stretch_claims(review: Review) -> Iterator[Claim]:
    """Yield how much of each run is measured in titles whose runs are of unlike length."""
    cut: dict[str, list[RunMetrics]] = {}
    for run in review.used:
        if run.stretch is not None:
            cut.setdefault(run.title, []).append(run)
    locale = review.params.locale
    for title, runs in cut.items():
        length, unit = runs[0].stretch or (0.0, "seconds")
        named = [run.run for run in runs]
        yield Claim.make(
            "common_stretch",
            Subject(title=title, inputs=named, runs=named),
            Figure(length),
            method="common-stretch",
            unit=unit,
            text=Rounded.plain(length, unit="s", digits=4, locale=locale)
            if unit == "seconds"
            else Rounded.count(length, locale=locale),
        )


def _cell_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each metric of each product in each title: the mean over used runs."""
    aside = _aside_by_cell(review)
    for cell in results.cells:
        yield Claim.make(
            "cell",
            Subject(
                cell.metric,
                cell.product,
                title=cell.title,
                inputs=[Claim.id_of("run", metric=cell.metric, run=run) for run in cell.runs],
                runs=cell.runs,
                set_aside=aside.get((cell.product, cell.title), ()),
                marks=cell.marks,
            ),
            Figure(cell.value, cell.low, cell.high, cell.confidence),
            method=f"cell-{cell.method}",
            unit=cell.unit,
            text=Rounded.fps(
                cell.value, cell.low, cell.high, unit=cell.unit, locale=review.params.locale
            ),
        )


def _spread_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield each used run of the reviewed product against the mean of its cell, of averages."""
    for cell in results.cells:
        mine = (cell.metric, cell.product) == (HEADLINE, review.params.product)
        if not mine or len(cell.values) < 2:
            continue
        mean = Claim.id_of("cell", metric=cell.metric, title=cell.title, product=cell.product)
        for run, ratio in zip(cell.runs, cell.runs_over_mean(), strict=True):
            inputs = [Claim.id_of("run", metric=cell.metric, run=run), mean]
            about = Subject(cell.metric, cell.product, title=cell.title, inputs=inputs, runs=[run])
            method, locale = "run-over-mean", review.params.locale
            yield Claim.make_ratio(
                "run_over_mean", about, Figure(ratio), method=method, locale=locale
            )


def _low_claims(review: Review, _: Results) -> Iterator[Claim]:
    """Yield the lows of the reviewed product under each definition, of one run a title: the first.

    First is what began first, whatever the order of the sheet; without times, by the run's id.
    """
    began = {row.run: (row.began is None, str(row.began), row.run) for row in review.rows}
    first: dict[str, str] = {}
    for measured in sorted(review.used, key=lambda measured: began[measured.run]):
        if measured.product == review.params.product and measured.lows:
            first.setdefault(measured.title, measured.run)
    for title in filter(first.__contains__, review.titles):
        run = first[title]
        for definition, lows in review.metrics[run].lows.items():
            for metric, value in lows.items():
                yield Claim.make(
                    "low",
                    Subject(
                        metric,
                        review.params.product,
                        title=title,
                        group=definition,
                        inputs=[run],
                        runs=[run],
                    ),
                    Figure(value),
                    method=METRICS[metric].methods[definition],
                    unit=METRICS[metric].unit,
                    text=Rounded.fps(value, locale=review.params.locale),
                )


def _within_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield what frames alone explain: a product's independent frames in a run, and a share."""
    locale = review.params.locale
    for within in results.within:
        found = (
            (
                "within_frames",
                "effective-frames-product",
                within.runs,
                within.effective_frames,
                "frames",
                Rounded.count(round(within.effective_frames), locale=locale),
            ),
            (
                "within_share",
                "share-within-product",
                within.compared_runs,
                within.share,
                "share",
                Rounded.share(within.share or 0.0, locale=locale),
            ),
        )
        for kind, method, runs, value, unit, text in found:
            if value is not None:
                inputs = [Claim.id_of("run", metric=within.metric, run=run) for run in runs]
                subject = Subject(within.metric, within.product, inputs=inputs, runs=runs)
                yield Claim.make(kind, subject, Figure(value), method=method, unit=unit, text=text)


def _margin_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each margin; one of its own runs alone where that matters, and one more
    where set-aside runs would change it."""
    locale = review.params.locale
    aside = _aside_by_cell(review)
    for margin in results.margins:
        subject = Subject(
            margin.metric,
            margin.product,
            margin.baseline,
            margin.title,
            inputs=[
                Claim.id_of("cell", metric=c.metric, title=c.title, product=c.product)
                for c in margin.cells
            ],
            runs=[run for cell in margin.cells for run in cell.runs],
            set_aside=[
                run for cell in margin.cells for run in aside.get((cell.product, cell.title), ())
            ],
            marks=margin.marks,
        )
        method = f"margin-{margin.method}"
        yield Claim.make_ratio("margin", subject, margin, method=method, locale=locale)
        if margin.own_low is not None and _BESIDE & set(margin.marks):
            alone = Figure(margin.ratio, margin.own_low, margin.own_high, margin.confidence)
            bare, method = replace(subject, marks=()), "margin-own-runs"
            yield Claim.make_ratio("margin_own_runs", bare, alone, method=method, locale=locale)
        if (less := margin.without_struck) is not None:
            runs = tuple(run for cell in less.cells for run in cell.runs)
            own = replace(
                subject,
                inputs=[Claim.id_of("run", metric=margin.metric, run=run) for run in runs],
                runs=runs,
                marks=(*less.marks, "unstruck"),
            )
            method = "margin-unstruck"
            yield Claim.make_ratio("margin_unstruck", own, less, method=method, locale=locale)
        if margin.robust is not None:
            text = Rounded.ratio(margin.robust, margin.low, margin.high, locale=locale)
            yield Claim.make(
                "margin_robust",
                replace(subject, marks=["robust"]),
                Figure(margin.robust),
                method="margin-robust",
                unit="ratio",
                text=text,
            )
        if margin.ratio_all_runs is None:
            continue
        runs = margin.all_runs
        yield Claim.make(
            "margin_all_runs",
            replace(
                subject,
                inputs=[Claim.id_of("run", metric=margin.metric, run=run) for run in runs],
                runs=runs,
                set_aside=(),
                marks=["all_runs"],
            ),
            Figure(margin.ratio_all_runs),
            method="margin-all-runs",
            unit="ratio",
            text=Rounded.ratio(margin.ratio_all_runs, margin.low, margin.high, locale=locale),
        )


def _level_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each difference in dB: product minus baseline, as measured."""
    for level in results.levels:
        ends = (level.low, level.high)
        yield Claim.make(
            "level_difference",
            Subject(
                level.metric,
                level.product,
                level.baseline,
                level.title,
                inputs=[
                    Claim.id_of("cell", metric=c.metric, title=c.title, product=c.product)
                    for c in level.cells
                ],
                runs=[run for cell in level.cells for run in cell.runs],
                set_aside=_aside_of(review, {level.product, level.baseline}, {level.title}),
                marks=level.marks,
            ),
            Figure(level.value, *ends, level.confidence, level.outcome),
            method="difference",
            unit=level.unit,
            text=Rounded.level(level.value, *ends, unit=level.unit, locale=review.params.locale),
        )


def _suite_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the claims of each suite margin: both intervals, range, counts, influence.

    Groups other than "all" are stated for the averages of the reviewed product, and of pairs that
    params name.
    """
    asked = {(pair.product, pair.over) for pair in review.params.pairs}
    for suite in results.suites:
        main = suite.product == review.params.product and suite.metric == HEADLINE
        pair = suite.metric == HEADLINE and (suite.product, suite.baseline) in asked
        if main or pair or suite.suite == "all":
            yield from _suite(suite, with_influence=main, locale=review.params.locale)


def _suite(suite: SuiteMargin, *, with_influence: bool, locale: str) -> Iterator[Claim]:
    """Yield the claims of one suite margin.

    Parameters
    ----------
    suite : SuiteMargin
    with_influence : bool
        Whether the margin without each title is stated too.
    locale : str
        How figures are written.
    """
    subject = _suite_subject(suite)
    whole = Claim.make_ratio("suite", subject, suite, method="suite-these-titles", locale=locale)
    yield whole
    # A figure that is part of a suite's claim leads to its runs through the suite's.
    below = replace(subject, inputs=[whole.id], runs=(), marks=())
    like = Figure(suite.ratio, suite.like_low, suite.like_high, suite.confidence)
    method = "suite-titles-like-these"
    yield Claim.make_ratio("suite_like", below, like, method=method, locale=locale)
    for kind, ratio, title in (
        ("suite_smallest", suite.smallest.ratio, suite.smallest.title),
        ("suite_largest", suite.largest.ratio, suite.largest.title),
    ):
        yield _bare_ratio(kind, replace(below, title=title), ratio, suite, "suite-range", locale)
    by_figures = suite.outcome in BY_FIGURES
    for kind, method, found in (
        ("suite_count", "suite-count", suite.counts),
        ("suite_side", "suite-side", suite.sides if by_figures else {}),
    ):
        for outcome, count in found.items():
            yield Claim.make(
                kind,
                replace(below, part=outcome),
                Figure(float(count), outcome=outcome),
                method=method,
                unit="titles",
                text=Rounded.count(count, locale=locale),
            )
    if by_figures:
        text = Rounded.chance(suite.sign_p, locale=locale)
        yield Claim.make(
            "suite_sign", below, Figure(suite.sign_p), method="sign-test", unit="", text=text
        )
    yield Claim.make(
        "suite_false",
        below,
        Figure(suite.false_expected),
        method="false-outcomes",
        unit="titles",
        text=Rounded.expected(suite.false_expected, locale=locale),
    )
    for kind, method, sd in (
        ("suite_day", "product-day", suite.day_sd),
        ("suite_break_even", "break-even-day", suite.break_even_day),
    ):
        if sd is not None:
            yield Claim.make_share(kind, below, sd, method=method, locale=locale)
    if suite.ratio_all_runs is not None:
        every = replace(subject, marks=["all_runs"])
        ratio = suite.ratio_all_runs
        yield _bare_ratio("suite_all_runs", every, ratio, suite, "margin-all-runs", locale)
    if with_influence and suite.suite == "all":
        for title, ratio in suite.influence.items():
            left = replace(below, title=title)
            yield _bare_ratio("influence", left, ratio, suite, "suite-influence", locale)


def _bare_ratio(
    kind: str, subject: Subject, ratio: float, suite: SuiteMargin, method: str, locale: str
) -> Claim:
    """Return a ratio without an interval, rounded as the suite it belongs to is."""
    text = Rounded.ratio(ratio, suite.low, suite.high, locale=locale)
    return Claim.make(kind, subject, Figure(ratio), method=method, unit="ratio", text=text)


def _sensitivity_claims(review: Review, results: Results) -> Iterator[Claim]:
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
        method, locale = "suite-otherwise", review.params.locale
        yield Claim.make_ratio("sensitivity", subject, suite, method=method, locale=locale)


def _gap_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the gap of one name between classes, with the two suite margins it is made of."""
    locale = review.params.locale
    for gap in results.gaps:
        sides = [
            Claim.make_ratio(
                kind,
                replace(_suite_subject(suite), group=""),
                suite,
                method="suite-these-titles",
                locale=locale,
            )
            for kind, suite in (("gap_here", gap.here), ("gap_there", gap.there))
        ]
        yield from sides
        subject = Subject(
            gap.metric,
            gap.here_new,
            gap.there_new,
            group=gap.here_old,
            part=gap.there_old,
            inputs=[side.id for side in sides],
            runs=gap.trace.run_ids(),
            marks=gap.marks,
        )
        yield Claim.make_ratio("gap", subject, gap, method="name-gap", locale=locale)


def _closure_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield, for each triple, chained and direct margin of averages, and how they differ."""
    for closure in results.closures:
        if closure.metric == HEADLINE:
            yield from _closure(closure, locale=review.params.locale)


def _closure(closure: Closure, *, locale: str) -> Iterator[Claim]:
    """Yield the claims of one triple: A over C by way of B, and directly.

    The chained margin's claim is the input of those after it.
    """
    chain = Subject(closure.metric, closure.a, closure.c, group=closure.b)
    inputs = [
        Claim.id_of("cell", metric=closure.metric, title=title, product=product)
        for product in (closure.a, closure.b, closure.c)
        for title in closure.titles
    ]
    for part in CLOSURE_PARTS:
        about, ratio = replace(chain, part=part, inputs=inputs), Figure(getattr(closure, part))
        made = Claim.make_ratio("closure", about, ratio, method="closure", locale=locale)
        yield made
        if part == "chained":
            inputs = [made.id]
    # Margins of the same titles can still differ, over the sessions of each pair: that is said.
    same = len(set(map(frozenset, closure.own_titles))) == 1
    if same and math.isclose(closure.difference, 1.0, rel_tol=1e-9):
        yield Claim.state("same_titles", "same titles", chain)


def _drift_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield, for each title and over all, the drift of each product run again and of them all."""
    for drift in results.drifts:
        yield from _drift(drift, locale=review.params.locale)


def _drift(drift: Drift, *, locale: str) -> Iterator[Claim]:
    """Yield the drift of each product run again, and that of them all.

    Over all titles a product's drift rests on its drifts in each; in one title, on its runs.
    """
    anchors = []
    for anchor, part in drift.parts.items():
        one = isinstance(part, Margin)
        if one:
            inputs = [
                Claim.id_of("run", metric=drift.metric, run=run) for run in part.trace.run_ids()
            ]
        else:
            inputs = [
                Claim.id_of("drift_anchor", metric=drift.metric, title=title, product=anchor)
                for title in drift.titles
            ]
        subject = Subject(
            drift.metric,
            anchor,
            title=drift.title,
            inputs=inputs,
            runs=part.trace.run_ids(),
            marks=part.marks,
        )
        method = "drift" if one else "drift-anchor"
        anchors.append(
            Claim.make_ratio("drift_anchor", subject, part, method=method, locale=locale)
        )
    yield from anchors
    found = {claim.product: claim.id for claim in anchors}
    subject = Subject(
        drift.metric,
        title=drift.title,
        part="these",
        inputs=[found[anchor] for anchor in drift.anchors],
        runs=drift.trace.run_ids(),
        marks=drift.marks,
    )
    yield Claim.make_ratio("drift", subject, drift, method="drift-of-these", locale=locale)
    if drift.like_low is not None:
        subject = replace(subject, part="others")
        like = Figure(drift.ratio, drift.like_low, drift.like_high, drift.confidence)
        yield Claim.make_ratio("drift", subject, like, method="drift-of-others", locale=locale)


def _part_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the margins of the part over its machines, and how far machines of a part differ."""
    locale = review.params.locale
    for part in results.parts:
        about = Subject(part.metric, part.product, part.baseline)
        inputs = [Claim.id_of("cell", metric=c.metric, title=c.title, product=c.product)
                  for c in part.cells]  # fmt: skip
        runs = [run for cell in part.cells for run in cell.runs]
        subject = replace(about, inputs=inputs, runs=runs)
        spread = Claim.make_share("part_spread", subject, part.spread_sd, method="machine-spread",
                                  locale=locale)  # fmt: skip
        yield spread
        subject = replace(subject, inputs=[*inputs, spread.id], marks=part.marks)
        yield Claim.make_ratio("part", subject, part, method=part.method, locale=locale)


def _step_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield what each setting of an axis does, per title and over all, and the averages at each.

    Of averages and lows. The averages of a setting are over the titles that every setting ran.
    """
    locale, row_of = review.params.locale, review.row_of

    def cells(metric: str, runs: Iterable[str]) -> list[str]:
        about = dict.fromkeys((row_of[run].title, row_of[run].product) for run in runs)
        return [Claim.id_of("cell", metric=metric, title=t, product=p) for t, p in about]

    for steps in results.steps:
        for suite in steps.suites:
            part = f"{steps.axis.code(suite.product)}-over-{steps.axis.code(suite.baseline)}"
            about = Subject(suite.metric, steps.product, group=steps.axis.setting, part=part)
            made = []
            for margin in suite.margins:
                runs = [run for cell in margin.cells for run in cell.runs]
                inputs = cells(margin.metric, runs)
                subject = replace(about, title=margin.title, inputs=inputs, runs=runs,
                                  marks=margin.marks)  # fmt: skip
                method = f"margin-{margin.method}"
                made.append(Claim.make_ratio("step", subject, margin, method=method, locale=locale))
            yield from made
            whole = replace(about, inputs=[c.id for c in made], runs=_suite_runs(suite),
                            marks=suite.marks)  # fmt: skip
            over = Claim.make_ratio(
                "step", whole, suite, method="suite-these-titles", locale=locale
            )
            yield over
            like = Figure(suite.ratio, suite.like_low, suite.like_high, suite.confidence)
            below, method = replace(about, inputs=[over.id]), "suite-titles-like-these"
            yield Claim.make_ratio("step_like", below, like, method=method, locale=locale)
        for value, averages in steps.levels.items():
            runs = [run for cell in averages for run in cell.runs]
            part = steps.axis.code(value)
            yield Claim.make(
                "step_level",
                Subject(HEADLINE, steps.product, group=steps.axis.setting, part=part,
                        inputs=cells(HEADLINE, runs), runs=runs),
                Figure(level := math.exp(statistics.fmean(math.log(c.value) for c in averages))),
                method="suite-fps",
                unit="fps",
                text=Rounded.fps(level, locale=locale),
            )  # fmt: skip


def _energy_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield, for the product and what it is set against, energy per frame and frames per second
    per watt of each title."""
    compared = {review.params.product, *review.params.compared}
    for standing in results.energy:
        if standing.product in compared:
            yield from _energy(standing, review)
    for margin in results.energy_margins:
        yield Claim.make_ratio(
            "energy_margin",
            Subject(
                _energy_metric("energy", margin.standings[0]),
                margin.product,
                margin.baseline,
                title=margin.title,
                group=margin.standings[0].source,
                part=margin.standings[0].power_title,
                inputs=[
                    Claim.id_of("energy", metric=_energy_metric("energy", s), title=s.title,
                             product=s.product)
                    for s in margin.standings
                ],
                runs=[run for s in margin.standings for run in s.runs],
                marks=margin.marks,
            ),
            margin,
            method=margin.method,
            locale=review.params.locale,
        )  # fmt: skip
    yield from _lag_claims(review, results, compared)


def _energy_metric(name: str, standing: EnergyStanding) -> str:
    """Return what claims call an energy: one name a title that meters power."""
    return f"{name}-metered-by-{standing.power_title}" if standing.power_title else name


def _lag_claims(review: Review, results: Results, compared: set[str]) -> Iterator[Claim]:
    """Yield how far sensors lag behind the frames, and what that does to energies."""
    locale = review.params.locale
    for (product, sensor), lag in results.lags.items():
        runs = [run.run for run in review.used if run.product == product and sensor in run.lags]
        subject = Subject(sensor, product, inputs=runs, runs=runs)
        if product in compared and lag.why:
            why = f"not judged: {lag.why}"
            yield Claim.state("sensor_lag", why, subject, outcome="cannot_judge")
        elif product in compared:
            ends = (lag.low_s, lag.high_s)
            yield Claim.make(
                "sensor_lag",
                subject,
                Figure(lag.lag_s, *ends, 0.95),
                method="sensor-lag",
                unit="s",
                text=Rounded.fine(lag.lag_s, *ends, unit="s", locale=locale),
            )
    for standing in results.energy:
        if standing.product not in compared or standing.source != "logged":
            continue
        energy = Claim.id_of(
            "energy", metric="energy", title=standing.title, product=standing.product
        )
        low, high = standing.unsettled
        subject = Subject("energy", standing.product, title=standing.title, group=standing.source,
                          inputs=[energy], runs=standing.runs)  # fmt: skip
        if standing.lag_s is not None and standing.settled_share is not None:
            yield Claim.make_ratio(
                "energy_unsettled", subject, Figure(low), method="energy-unsettled", locale=locale
            )
        elif low < high:
            span = " to ".join(Rounded.ratio(end, locale=locale).text for end in (low, high))
            told = f"{span}, were its power read up to {LAGS_S[-1]:g} s late"
            yield Claim.state("energy_unsettled", told, subject, outcome="cannot_judge")


def _energy(standing: EnergyStanding, review: Review) -> Iterator[Claim]:
    """Yield energy per frame and frames per second per watt of one product in one title.

    Metered power comes from another title's figures, which the claim then names and rests on; the
    interval of the second is that of the first, inverted.
    """
    locale = review.params.locale
    product, title = standing.product, standing.title
    metered = standing.source == "metered"
    subject = Subject(
        _energy_metric("energy", standing),
        product,
        title=title,
        group=standing.source,
        part=standing.power_title,
        inputs=[
            Claim.id_of("cell", metric=RESULT, title=standing.power_title, product=product),
            Claim.id_of("cell", metric=HEADLINE, title=title, product=product),
        ]
        if metered
        else list(standing.runs),
        runs=standing.runs,
        set_aside=_aside_of(review, {product}, {title, standing.power_title}),
        marks=standing.marks,
    )
    value, low, high = standing.joule_per_frame, standing.low, standing.high
    energy = Claim.make(
        "energy",
        subject,
        Figure(value, low, high, standing.confidence),
        method=POWER_METHODS[standing.source],
        unit="J",
        text=Rounded.fine(value, low, high, unit="J", locale=locale),
    )
    yield energy
    rate = standing.fps_per_watt
    ends = (1 / high, 1 / low) if low is not None and high is not None else (None, None)
    yield Claim.make(
        "fps_per_watt",
        replace(subject, metric=_energy_metric("fps_per_watt", standing), inputs=[energy.id]),
        Figure(rate, ends[0], ends[1], standing.confidence),
        method="fps-per-watt",
        unit="fps/W",
        text=Rounded.fine(rate, *ends, unit="fps/W", locale=locale),
    )


def _value_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield every figure of the value section; none where the review has no prices."""
    value, locale = results.value, review.params.locale
    if value is None:
        return
    for (product, kind), price in value.prices.items():
        sources = [f"source: {row.source}, {row.date.isoformat()}" for row in price.observations]
        yield Claim.make(
            "price",
            Subject(product=product, group=kind, marks=[*price.marks, *sources]),
            Figure(price.price, price.lowest, price.highest),
            method="price" if price.observations else "scenario-price",
            unit=value.currency,
            text=Rounded.money(
                price.price, value.currency, price.lowest, price.highest, locale=locale
            ),
        )
        if kind.startswith(SCENARIO) or len(price.observations) < 2:
            continue
        observed = zip(price.observations, price.values, strict=True)
        ordered = sorted(observed, key=lambda one: (one[0].date, one[1], one[0].source))
        for n, (row, seen) in enumerate(ordered, 1):
            yield Claim.make(
                "price_seen",
                Subject(product=product, group=kind, part=f"{row.date.isoformat()}/{n}",
                        marks=[f"source: {row.source}, {row.date.isoformat()}"]),
                Figure(seen),
                method="price-seen",
                unit=value.currency,
                text=Rounded.money(seen, value.currency, seen, seen, locale=locale),
            )  # fmt: skip
    for standing in value.standings:
        yield from _standing(value, standing, review)
    for weighing in value.weighings:
        yield from _weighing(value, weighing, locale=locale)
    passed: Counter[tuple[str, str]] = Counter()  # lines would differ in a sealed excerpt
    for row, reason in value.rows_left_out:
        passed[row.product, row.kind] += 1
        amount = Rounded.money(
            row.price, row.currency, row.price, row.price, locale=review.params.locale
        )
        said = f"{amount.text} of {row.date.isoformat()} ({row.source}): {reason}"
        part = str(passed[row.product, row.kind])
        subject = Subject(product=row.product, group=row.kind, part=part)
        yield Claim.state("price_passed_over", said, subject)
    for (product, kind), reason in value.left_out.items():
        yield Claim.state("not_weighed", reason, Subject(product=product, group=kind))


def _standing(value: Value, standing: Standing, review: Review) -> Iterator[Claim]:
    """Yield suite average, cost per frame per second and place on the frontier of one product."""
    product, kind, locale = standing.product, standing.kind, review.params.locale
    subject = Subject(
        HEADLINE,
        product,
        group=kind,
        inputs=[
            Claim.id_of("cell", metric=HEADLINE, title=title, product=product)
            for title in value.titles
        ],
        runs=standing.trace.run_ids(),
        marks=standing.marks,
    )
    fps = Claim.make(
        "suite_fps",
        subject,
        Figure(standing.suite_fps),
        method="suite-fps",
        unit="fps",
        text=Rounded.fps(standing.suite_fps, locale=locale),
    )
    yield fps
    cost = (standing.cost_per_fps, standing.cost_per_fps_low, standing.cost_per_fps_high)
    yield Claim.make(
        "cost_per_fps",
        replace(subject, inputs=[Claim.id_of("price", group=kind, product=product), fps.id]),
        Figure(cost[0], cost[1], cost[2]),
        method="cost-per-fps",
        unit=f"{value.currency}/fps",
        text=Rounded.money(cost[0], value.currency, *cost[1:], decimals=2, locale=locale),
    )
    words = FRONTIER_WORDS.get(standing.frontier, standing.frontier)
    if standing.dominated_by:
        names = [review.bench.products[p].name for p in standing.dominated_by]
        words += f" by {listed(names)}"
    yield Claim.state(
        "frontier", words, Subject(product=product, group=kind), outcome=standing.frontier
    )


def _weighing(value: Value, weighing: Weighing, *, locale: str) -> Iterator[Claim]:
    """Yield premium, difference, price of equal value and cut needed against one rival."""
    product, rival, kind, currency = (
        weighing.product,
        weighing.rival,
        weighing.kind,
        value.currency,
    )
    own_price, rival_price = (Claim.id_of("price", group=kind, product=p) for p in (product, rival))
    subject = Subject(
        HEADLINE,
        product,
        rival,
        group=kind,
        inputs=[own_price, rival_price],
        runs=weighing.trace.run_ids(),
        marks=weighing.marks,
    )
    yield Claim.make(
        "premium",
        subject,
        Figure(weighing.premium, weighing.premium_low, weighing.premium_high),
        method="premium",
        unit="ratio",
        text=Rounded.ratio(weighing.premium, locale=locale),
    )
    own, other = weighing.price, weighing.rival_price
    ends = own.lowest - other.highest, own.highest - other.lowest
    apart = own.price - other.price
    yield Claim.make(
        "price_difference",
        subject,
        Figure(apart, *ends),
        method="price-difference",
        unit=currency,
        text=Rounded.money(apart, currency, *ends, locale=locale, sign=True),
    )
    suite = Claim.id_of("suite", metric=HEADLINE, group="all", product=product, baseline=rival)
    equal = (weighing.equal_value_price, weighing.equal_value_low, weighing.equal_value_high)
    price = Claim.make(
        "equal_value_price",
        replace(subject, inputs=[rival_price, suite]),
        Figure(equal[0], equal[1], equal[2]),
        method="equal-value-price",
        unit=currency,
        text=Rounded.money(equal[0], currency, *equal[1:], locale=locale),
    )
    yield price
    yield Claim.make(
        "cut_needed",
        replace(subject, inputs=[own_price, price.id]),
        Figure(weighing.cut_needed, weighing.cut_needed_low, weighing.cut_needed_high),
        method="cut-needed",
        unit="share",
        text=Rounded.share(weighing.cut_needed, locale=locale),
    )


def _specification_claims(review: Review, _: Results) -> Iterator[Claim]:
    """Yield each figure of the specification table, given or derived."""
    for row in compare_specifications(review.bench, review.params.products):
        for product, figure in row.values.items():
            if figure is None:
                continue
            derived = product in row.derived
            yield Claim.make(
                "specification",
                Subject(
                    row.field,
                    product,
                    inputs=[
                        Claim.id_of("specification", metric=name, product=product)
                        for name in (row.made_from if derived else ())
                    ],
                    marks=[row.formula] if derived else [],
                ),
                Figure(figure),
                method="derived" if derived else "given",
                unit=row.unit,
                text=Rounded.plain(
                    figure,
                    unit=row.unit,
                    digits=4 if derived else 6,
                    locale=review.params.locale,
                ),
            )


def _count_claims(review: Review, _: Results) -> Iterator[Claim]:
    """Yield the counts of runs in the sheet, used, set aside, that did not run; frames; titles.

    They are of the review's rows alone; a bench's other products and titles do not count.
    """
    aside = [row.run for row in review.rows if row.run in review.screened.set_aside]
    used = [measured.run for measured in review.used]
    counts = {
        "runs/in_sheet": (len(review.rows), Subject(runs=used, set_aside=aside)),
        "runs/used": (len(used), Subject(runs=used)),
        "runs/set_aside": (len(aside), Subject(set_aside=aside)),
        "runs/did_not_run": (sum(not row.produced for row in review.rows), Subject()),
        "frames/used": (sum(measured.frames for measured in review.used), Subject(runs=used)),
        "titles": (len(review.titles), Subject()),
    }
    for name, (count, subject) in counts.items():
        yield Claim.make(
            "count",
            replace(subject, part=name),
            Figure(float(count)),
            method="count",
            unit=name.partition("/")[0],
            text=Rounded.count(count, locale=review.params.locale),
        )


def _said_of_margins(review: Review, results: Results) -> Iterator[Claim]:
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


def _said_of_plan(review: Review, _: Results) -> Iterator[Claim]:
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
    outcome = "added" if more else "fewer" if fewer else "as_registered"
    yield Claim.state("plan_kept", text, Subject(), outcome=outcome)


def _said_of_runs(review: Review, _: Results) -> Iterator[Claim]:
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
    return Subject(
        suite.metric,
        suite.product,
        suite.baseline,
        group=suite.suite,
        inputs=[
            Claim.id_of("margin", metric=m.metric, title=m.title, product=m.product,
                     baseline=m.baseline)
            for m in suite.margins
        ],
        runs=_suite_runs(suite),
        marks=suite.marks,
    )  # fmt: skip


def _suite_runs(suite: SuiteMargin) -> list[str]:
    return [run for margin in suite.margins for cell in margin.cells for run in cell.runs]


def _aside_by_cell(review: Review) -> dict[tuple[str, str], list[str]]:
    """Return the runs set aside by product and title, in the order of the sheet."""
    found: dict[tuple[str, str], list[str]] = {}
    for row in review.rows:
        if row.run in review.screened.set_aside:
            found.setdefault((row.product, row.title), []).append(row.run)
    return found


def _aside_of(review: Review, products: set[str], titles: set[str]) -> list[str]:
    """Return the runs set aside of some products in some titles, in the order of the sheet."""
    return [
        row.run
        for row in review.rows
        if row.product in products and row.title in titles and row.run in review.screened.set_aside
    ]


# Every claim of a review's page, in the order of the page: figures first, each after those it is
# made from; then what the page says in words. Other pages take some of these too.
CLAIMS: Mapping[str, Callable[[Review, Results], Iterator[Claim]]] = {
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
    "value": _value_claims,
    "specifications": _specification_claims,
    "counts": _count_claims,
    "spread": _spread_claims,
    "lows": _low_claims,
    "said_of_margins": _said_of_margins,
    "said_of_runs": _said_of_runs,
    "said_of_plan": _said_of_plan,
}
