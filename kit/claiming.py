"""Results to claims: one function for each kind, and `make_claims`, which calls them in order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from kit.bench import Bench
from kit.claims import Claim, ClaimBook, RunRecord, file_sha256, finite
from kit.margins import Margin
from kit.methods import METHODS
from kit.params import METRICS, MetricParams
from kit.review import Results, Review, load_review, work_out
from kit.suite import Closure, NameGap, SuiteMargin
from kit.tables import (
    Rounded,
    count_text,
    fps_text,
    money_text,
    plain_text,
    ratio_text,
    share_text,
)
from kit.value import Price, Value

METRIC_UNITS = {name: "fps" for name in METRICS}
LOW_METHODS = {
    "percentile": "low-percentile",
    "slowest_share": "low-slowest-share",
    "time_share": "low-time-share",
}


def make_claims(review: Review, results: Results) -> ClaimBook:
    """Return every figure of a review as a claim, with the runs under them."""
    makers = (
        run_claims(review),
        cell_claims(review, results),
        margin_claims(review, results),
        suite_claims(review, results),
        gap_claims(review, results),
        closure_claims(review, results),
        value_claims(review, results),
        specification_claims(review),
        screening_claims(review),
    )
    claims: dict[str, Claim] = {}
    for made in makers:
        for claim in made:
            claims[claim.id] = claim
    params = review.params
    return ClaimBook(
        review=params.review, title=params.title, byline=params.byline,
        date=params.date.isoformat(), product=params.product, kit_version=kit_version(),
        params_file=review.loaded.path.name, params_sha256=file_sha256(review.loaded.path),
        settings=params.model_dump(mode="json", by_alias=True),
        layouts={
            name: review.bench.layouts[name].model_dump(mode="json")
            for name in sorted({row.layout for row in review.rows if row.layout})
        },
        claims=tuple(claims.values()),
        runs=run_records(review),
        names={
            "products": {p: review.bench.products[p].name for p in params.products},
            "titles": {t: review.bench.titles[t].name for t in review.titles},
        },
    )


def recompute_claims(params_path: Path, bench_folder: Path) -> ClaimBook:
    """Return the claims of a review made afresh from its raw logs (what `verify` compares with)."""
    review = load_review(params_path, bench_folder=bench_folder)
    return make_claims(review, work_out(review))


def kit_version() -> str:
    """Return the version of the kit that makes the claims."""
    try:
        return version("marginbook")
    except PackageNotFoundError:
        return "0+unknown"


def run_records(review: Review) -> tuple[RunRecord, ...]:
    """Return every row of the review's run sheet: used, set aside, or why it did not run."""
    records = []
    for row in review.rows:
        measured = review.metrics.get(row.run)
        signs = review.signs.get(row.run)
        aside = review.screened.set_aside.get(row.run, "")
        reason = aside or ("" if measured else f"{row.status}: {row.reason}")
        records.append(
            RunRecord(
                id=row.run, product=row.product, title=row.title, file=row.log,
                sha256=(signs.sha256 if signs else "") or row.row_sha256,
                frames=signs.frames if signs else 0,
                used=measured is not None and not aside, reason=reason, layout=row.layout,
                status=row.status, session=row.session,
                began=row.began.isoformat() if row.began else "",
                duration_s=signs.duration_s if signs else 0.0,
                conditions=dict(row.conditions),
                flags=tuple(
                    flag.rule for flag in review.screened.flags
                    if flag.run == row.run and flag.action == "flag"
                ),
            )
        )
    return tuple(records)


def make_claim(
    claim_id: str, *, kind: str, method: str, value: float | None, text: Rounded, unit: str,
    metric: str = "", product: str = "", baseline: str = "", title: str = "",
    low: float | None = None, high: float | None = None, confidence: float | None = None,
    outcome: str = "", inputs: Iterable[str] = (), runs: Iterable[str] = (),
    set_aside: Iterable[str] = (), marks: Iterable[str] = (),
) -> Claim:
    """Return one claim; the method must be in the catalogue."""
    return Claim(
        id=claim_id, kind=kind, metric=metric, product=product, baseline=baseline, title=title,
        value=finite(value), low=finite(low), high=finite(high),
        confidence=confidence if low is not None else None, unit=unit, outcome=outcome,
        text=text.text, interval=text.interval, rounding=text.rule, method=method,
        method_version=METHODS[method].version, inputs=tuple(inputs),
        runs=tuple(dict.fromkeys(runs)), set_aside=tuple(dict.fromkeys(set_aside)),
        marks=tuple(dict.fromkeys(marks)),
    )


def metric_unit(metric: str, bench: Bench, title: str) -> str:
    """Return the unit a metric is given in."""
    return METRIC_UNITS.get(metric) or bench.titles[title].value_unit


def run_method(metric: str, params: MetricParams, *, typed_in: bool) -> str:
    """Return the method that made a run's figure."""
    if metric == "value":
        return "recorded"
    if typed_in:
        return "typed-in"
    return "average" if metric == "average_fps" else LOW_METHODS[params.low]


def run_claims(review: Review) -> Iterator[Claim]:
    """Yield a claim for each metric of each measured run, used or set aside."""
    locale = review.params.locale
    for run, measured in review.metrics.items():
        aside = run in review.screened.set_aside
        marks = (["set_aside"] if aside else []) + (["typed_in"] if measured.typed_in else [])
        for metric, value in measured.values.items():
            unit = metric_unit(metric, review.bench, measured.title)
            yield make_claim(
                f"run/{metric}/{run}", kind="run", metric=metric, product=measured.product,
                title=measured.title, value=value, unit=unit,
                text=fps_text(value, unit=unit, locale=locale),
                method=run_method(metric, review.params.metrics, typed_in=measured.typed_in),
                inputs=[run], runs=[] if aside else [run], set_aside=[run] if aside else [],
                marks=marks,
            )


def cell_id(product: str, title: str, metric: str) -> str:
    """Return the id of a cell's claim."""
    return f"cell/{metric}/{title}/{product}"


def margin_id(margin: Margin) -> str:
    """Return the id of a margin's claim."""
    return f"margin/{margin.metric}/{margin.title}/{margin.product}-over-{margin.baseline}"


def suite_id(suite: SuiteMargin) -> str:
    """Return the id of a suite margin's claim."""
    return f"suite/{suite.metric}/{suite.suite}/{suite.product}-over-{suite.baseline}"


def _aside_of(review: Review, product: str, title: str) -> list[str]:
    return [
        row.run for row in review.rows
        if row.product == product and row.title == title and row.run in review.screened.set_aside
    ]


def cell_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each metric of each product in each title."""
    locale = review.params.locale
    for cell in results.cells:
        yield make_claim(
            cell_id(cell.product, cell.title, cell.metric), kind="cell", metric=cell.metric,
            product=cell.product, title=cell.title, value=cell.value, low=cell.low,
            high=cell.high, confidence=cell.confidence, unit=cell.unit,
            text=fps_text(cell.value, cell.low, cell.high, unit=cell.unit, locale=locale),
            method=f"cell-{cell.method}",
            inputs=[f"run/{cell.metric}/{run}" for run in cell.runs], runs=cell.runs,
            set_aside=_aside_of(review, cell.product, cell.title), marks=cell.marks,
        )


def _cells_of(margin: Margin) -> list[str]:
    return [cell_id(cell.product, cell.title, cell.metric) for cell in margin.cells]


def margin_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each margin, and one more where set-aside runs would change it."""
    locale = review.params.locale
    for margin in results.margins:
        aside = [
            run for cell in margin.cells for run in _aside_of(review, cell.product, cell.title)
        ]
        shared = dict(
            metric=margin.metric, product=margin.product, baseline=margin.baseline,
            title=margin.title, unit="ratio",
        )
        yield make_claim(
            margin_id(margin), kind="margin", value=margin.ratio, low=margin.low,
            high=margin.high, confidence=margin.confidence, outcome=margin.outcome,
            text=ratio_text(margin.ratio, margin.low, margin.high, locale=locale),
            method=f"margin-{margin.method}", inputs=_cells_of(margin),
            runs=[run for cell in margin.cells for run in cell.runs], set_aside=aside,
            marks=margin.marks, **shared,
        )
        if margin.ratio_all_runs is not None:
            runs = [run for cell in margin.cells for run in cell.runs] + aside
            yield make_claim(
                margin_id(margin).replace("margin/", "margin_all_runs/", 1),
                kind="margin_all_runs", value=margin.ratio_all_runs,
                text=ratio_text(margin.ratio_all_runs, margin.low, margin.high, locale=locale),
                method="margin-all-runs",
                inputs=[f"run/{margin.metric}/{run}" for run in runs
                        if run in review.metrics], runs=runs, marks=["all_runs"], **shared,
            )


def suite_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the claims of each suite margin: both intervals, range, counts, influence.

    Groups other than "all" are stated for the averages of the reviewed product only.
    """
    for suite in results.suites:
        main = suite.product == review.params.product and suite.metric == METRICS[0]
        if main or suite.suite == "all":
            yield from _one_suite(suite, locale=review.params.locale, influence=main)


def _one_suite(suite: SuiteMargin, *, locale: str, influence: bool) -> Iterator[Claim]:
    base = suite_id(suite)
    inputs = [margin_id(margin) for margin in suite.margins]
    runs = [run for margin in suite.margins for cell in margin.cells for run in cell.runs]
    shared = dict(
        metric=suite.metric, product=suite.product, baseline=suite.baseline, title="",
        inputs=inputs, runs=runs, marks=suite.marks,
    )
    yield make_claim(
        base, kind="suite", value=suite.ratio, low=suite.low, high=suite.high,
        confidence=suite.confidence, unit="ratio", outcome=suite.outcome,
        text=ratio_text(suite.ratio, suite.low, suite.high, locale=locale),
        method="suite-these-titles", **shared,
    )

    def sub(name: str) -> str:
        return base.replace("suite/", f"{name}/", 1)

    below = {**shared, "inputs": [base], "runs": [], "marks": []}  # its trace is the suite's
    yield make_claim(
        sub("suite_like"), kind="suite_like", value=suite.ratio, low=suite.like_low,
        high=suite.like_high, confidence=suite.confidence, unit="ratio",
        text=ratio_text(suite.ratio, suite.like_low, suite.like_high, locale=locale),
        method="suite-titles-like-these", **below,
    )
    for name, ratio, title in (
        ("suite_smallest", suite.smallest, suite.smallest_title),
        ("suite_largest", suite.largest, suite.largest_title),
    ):
        yield make_claim(
            sub(name), kind=name, value=ratio, unit="ratio", method="suite-range",
            text=ratio_text(ratio, suite.low, suite.high, locale=locale),
            **{**below, "title": title},
        )
    for outcome, count in suite.counts.items():
        yield make_claim(
            f"{sub('suite_count')}/{outcome}", kind="suite_count", value=float(count),
            unit="titles", outcome=outcome, text=count_text(count, locale=locale),
            method="suite-count", **below,
        )
    if influence and suite.suite == "all":
        for title, ratio in suite.influence.items():
            yield make_claim(
                f"{sub('influence')}/without-{title}", kind="influence", value=ratio,
                unit="ratio", text=ratio_text(ratio, suite.low, suite.high, locale=locale),
                method="suite-influence", **{**below, "title": title},
            )
    if suite.ratio_all_runs is not None:
        yield make_claim(
            sub("suite_all_runs"), kind="suite_all_runs", value=suite.ratio_all_runs,
            unit="ratio", method="margin-all-runs",
            text=ratio_text(suite.ratio_all_runs, suite.low, suite.high, locale=locale),
            **{**shared, "marks": ["all_runs"]},
        )


def gap_id(gap: NameGap) -> str:
    """Return the id of a name gap's claim."""
    return (
        f"gap/{gap.metric}/{gap.here_new}-over-{gap.here_old}"
        f"/against/{gap.there_new}-over-{gap.there_old}"
    )


def gap_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield the gap of one name between classes, with the two suite margins it is made of."""
    locale = review.params.locale
    for gap in results.gaps:
        sides = []
        for side, suite in (("here", gap.here), ("there", gap.there)):
            side_id = f"gap_{side}/{gap.metric}/{suite.product}-over-{suite.baseline}"
            sides.append(side_id)
            yield make_claim(
                side_id, kind=f"gap_{side}", metric=gap.metric, product=suite.product,
                baseline=suite.baseline, value=suite.ratio, low=suite.low, high=suite.high,
                confidence=suite.confidence, unit="ratio", outcome=suite.outcome,
                text=ratio_text(suite.ratio, suite.low, suite.high, locale=locale),
                method="suite-these-titles", inputs=[margin_id(m) for m in suite.margins],
                runs=suite.trace.run_ids(), marks=suite.marks,
            )
        yield make_claim(
            gap_id(gap), kind="gap", metric=gap.metric, product=gap.here_new,
            baseline=gap.there_new, value=gap.ratio, low=gap.low, high=gap.high,
            confidence=gap.confidence, unit="ratio",
            text=ratio_text(gap.ratio, gap.low, gap.high, locale=locale), method="name-gap",
            inputs=sides, runs=gap.trace.run_ids(), marks=gap.marks,
        )


def closure_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield, for each triple, the chained and the direct margin of averages, and how they differ."""
    locale = review.params.locale
    for closure in results.closures:
        if closure.metric != METRICS[0]:
            continue
        yield from _one_closure(closure, locale=locale)


def _one_closure(closure: Closure, *, locale: str) -> Iterator[Claim]:
    base = f"closure/{closure.metric}/{closure.a}-over-{closure.b}-over-{closure.c}"
    for name, ratio in (
        ("chained", closure.chained), ("direct", closure.direct),
        ("chained_own", closure.chained_own), ("direct_own", closure.direct_own),
        ("difference", closure.difference),
    ):
        yield make_claim(
            f"{base}/{name}", kind="closure", metric=closure.metric, product=closure.a,
            baseline=closure.c, value=ratio, unit="ratio",
            text=ratio_text(ratio, locale=locale), method="closure",
            inputs=[
                cell_id(product, title, closure.metric)
                for product in (closure.a, closure.b, closure.c) for title in closure.titles
            ] if name == "chained" else [f"{base}/chained"],
            marks=[name],
        )


def value_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield prices, cost per frame per second, and the weighing against each rival."""
    if results.value is None:
        return
    locale = review.params.locale
    value = results.value
    for (product, kind), price in value.prices.items():
        yield _price_claim(value, product, kind, price, locale=locale)
    for standing in value.standings:
        base = f"value/{standing.kind}"
        cells = [cell_id(standing.product, title, "average_fps") for title in value.titles]
        runs = standing.trace.run_ids()
        fps_id = f"{base}/suite_fps/{standing.product}"
        yield make_claim(
            fps_id, kind="suite_fps", metric="average_fps", product=standing.product,
            value=standing.suite_fps, unit="fps", text=fps_text(standing.suite_fps, locale=locale),
            method="suite-fps", inputs=cells, runs=runs, marks=standing.marks,
        )
        yield make_claim(
            f"{base}/cost_per_fps/{standing.product}", kind="cost_per_fps", metric="average_fps",
            product=standing.product, value=standing.cost_per_fps,
            low=standing.cost_per_fps_low, high=standing.cost_per_fps_high,
            unit=f"{value.currency}/fps",
            text=money_text(
                standing.cost_per_fps, value.currency, standing.cost_per_fps_low,
                standing.cost_per_fps_high, decimals=2, locale=locale,
            ),
            method="cost-per-fps",
            inputs=[f"{base}/price/{standing.product}", fps_id], runs=runs, marks=standing.marks,
        )
    for weighing in value.weighings:
        pair = f"{weighing.product}-over-{weighing.rival}"
        base = f"value/{weighing.kind}"
        prices = [f"{base}/price/{weighing.product}", f"{base}/price/{weighing.rival}"]
        shared = dict(
            metric="average_fps", product=weighing.product, baseline=weighing.rival,
            runs=weighing.trace.run_ids(), marks=weighing.marks,
        )
        suite = f"suite/average_fps/all/{pair}"
        yield make_claim(
            f"{base}/premium/{pair}", kind="premium", value=weighing.premium,
            low=weighing.premium_low, high=weighing.premium_high, unit="ratio",
            text=ratio_text(weighing.premium, locale=locale), method="premium", inputs=prices,
            **shared,
        )
        yield make_claim(
            f"{base}/equal_value_price/{pair}", kind="equal_value_price",
            value=weighing.equal_value_price, low=weighing.equal_value_low,
            high=weighing.equal_value_high, unit=value.currency,
            text=money_text(
                weighing.equal_value_price, value.currency, weighing.equal_value_low,
                weighing.equal_value_high, locale=locale,
            ),
            method="equal-value-price", inputs=[prices[1], suite], **shared,
        )
        yield make_claim(
            f"{base}/cut_needed/{pair}", kind="cut_needed", value=weighing.cut_needed,
            unit="share", text=share_text(weighing.cut_needed, locale=locale),
            method="cut-needed", inputs=[prices[0], f"{base}/equal_value_price/{pair}"], **shared,
        )


def _price_claim(value: Value, product: str, kind: str, price: Price, *, locale: str) -> Claim:
    sources = [f"{row.source}, {row.date.isoformat()}" for row in price.observations]
    return make_claim(
        f"value/{kind}/price/{product}", kind="price", product=product, value=price.price,
        low=price.lowest, high=price.highest, unit=value.currency,
        text=money_text(price.price, value.currency, price.lowest, price.highest, locale=locale),
        method="price" if price.observations else "scenario-price",
        marks=[*price.marks, *(f"source: {source}" for source in sources)],
    )


def specification_claims(review: Review) -> Iterator[Claim]:
    """Yield each figure of the specification table, given or derived."""
    from kit.specification import compare_specifications

    table = compare_specifications(review.bench, review.params.products)
    for row in table.rows:
        for product, figure in row.values.items():
            if figure is None:
                continue
            yield make_claim(
                f"specification/{row.field}/{product}", kind="specification", product=product,
                metric=row.field, value=figure, unit=row.unit,
                text=plain_text(figure, unit=row.unit, locale=review.params.locale),
                method="derived" if product in row.derived else "given",
                inputs=[
                    f"specification/{name}/{product}"
                    for name in row.made_from if product in row.derived
                ],
                marks=[row.formula] if product in row.derived else [],
            )


def screening_claims(review: Review) -> Iterator[Claim]:
    """Yield the counts of runs: in the sheet, measured, used, set aside, that did not run."""
    aside = [row.run for row in review.rows if row.run in review.screened.set_aside]
    used = [measured.run for measured in review.used]
    failed = [row.run for row in review.rows if not row.produced]
    counts: Mapping[str, list[str]] = {
        "in_sheet": [row.run for row in review.rows], "used": used, "set_aside": aside,
        "did_not_run": failed,
    }
    for name, runs in counts.items():
        yield make_claim(
            f"count/runs/{name}", kind="count", value=float(len(runs)), unit="runs",
            text=count_text(len(runs), locale=review.params.locale), method="count",
            runs=[run for run in runs if run in used],
            set_aside=[run for run in runs if run in aside],
        )
    frames = sum(measured.frames for measured in review.used)
    yield make_claim(
        "count/frames/used", kind="count", value=float(frames), unit="frames",
        text=count_text(frames, locale=review.params.locale), method="count", runs=used,
        set_aside=aside,
    )
    titles = len(review.titles)
    yield make_claim(
        "count/titles", kind="count", value=float(titles), unit="titles",
        text=count_text(titles, locale=review.params.locale), method="count",
    )


