"""Claims of runs, cells and margins, and of what the review read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from kit.bench.specification import compare_specifications
from kit.claims.claim import Claim
from kit.claims.parts import Subject, cell_id, make_claim, margin_id, metric_unit
from kit.margins.compare import Margin
from kit.review.walk import Results, Review
from kit.rounding import count_text, fps_text, plain_text, ratio_text, share_text
from kit.settings.params import MetricParams

LOW_METHODS = {
    "percentile": "low-percentile",
    "slowest_share": "low-slowest-share",
    "time_share": "low-time-share",
}


def run_claims(review: Review) -> Iterator[Claim]:
    """Yield a claim for each metric of each measured run, used or set aside."""
    locale = review.params.locale
    for run, measured in review.metrics.items():
        aside = run in review.screened.set_aside
        marks = (["set_aside"] if aside else []) + (["typed_in"] if measured.typed_in else [])
        for metric, value in measured.values.items():
            unit = metric_unit(metric, review.bench, measured.title)
            subject = Subject(
                metric=metric,
                product=measured.product,
                title=measured.title,
                inputs=[run],
                runs=[] if aside else [run],
                set_aside=[run] if aside else [],
                marks=marks,
            )
            yield make_claim(
                f"run/{metric}/{run}",
                subject,
                kind="run",
                method=_run_method(metric, review.params.metrics, typed_in=measured.typed_in),
                value=value,
                unit=unit,
                text=fps_text(value, unit=unit, locale=locale),
            )


def cell_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each metric of each product in each title."""
    aside = _aside_by_cell(review)
    for cell in results.cells:
        subject = Subject(
            metric=cell.metric,
            product=cell.product,
            title=cell.title,
            inputs=[f"run/{cell.metric}/{run}" for run in cell.runs],
            runs=cell.runs,
            set_aside=aside.get((cell.product, cell.title), ()),
            marks=cell.marks,
        )
        yield make_claim(
            cell_id(cell.product, cell.title, cell.metric),
            subject,
            kind="cell",
            method=f"cell-{cell.method}",
            value=cell.value,
            low=cell.low,
            high=cell.high,
            confidence=cell.confidence,
            unit=cell.unit,
            text=fps_text(
                cell.value, cell.low, cell.high, unit=cell.unit, locale=review.params.locale
            ),
        )


def within_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield what frames alone explain: a product's worth of a run in frames, and a share."""
    locale = review.params.locale
    for within in results.within:
        yield make_claim(
            f"within/frames/{within.metric}/{within.product}",
            Subject(
                metric=within.metric,
                product=within.product,
                inputs=[f"run/{within.metric}/{run}" for run in within.runs],
                runs=within.runs,
            ),
            kind="within_frames",
            method="effective-frames-product",
            value=within.effective_frames,
            unit="frames",
            text=count_text(round(within.effective_frames), locale=locale),
        )
        if within.share is None:
            continue
        yield make_claim(
            f"within/share/{within.metric}/{within.product}",
            Subject(
                metric=within.metric,
                product=within.product,
                inputs=[f"run/{within.metric}/{run}" for run in within.compared_runs],
                runs=within.compared_runs,
            ),
            kind="within_share",
            method="share-within-product",
            value=within.share,
            unit="share",
            text=share_text(within.share, locale=locale),
        )


def margin_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each margin, and one more where set-aside runs would change it."""
    locale = review.params.locale
    aside = _aside_by_cell(review)
    for margin in results.margins:
        subject = _margin_subject(margin, aside)
        yield make_claim(
            margin_id(margin),
            subject,
            kind="margin",
            method=f"margin-{margin.method}",
            value=margin.ratio,
            low=margin.low,
            high=margin.high,
            confidence=margin.confidence,
            unit="ratio",
            outcome=margin.outcome,
            text=ratio_text(margin.ratio, margin.low, margin.high, locale=locale),
        )
        if margin.ratio_all_runs is None:
            continue
        runs = [run for run in (*subject.runs, *subject.set_aside) if run in review.metrics]
        yield make_claim(
            margin_id(margin).replace("margin/", "margin_all_runs/", 1),
            replace(
                subject,
                inputs=[f"run/{margin.metric}/{run}" for run in runs],
                runs=runs,
                set_aside=(),
                marks=["all_runs"],
            ),
            kind="margin_all_runs",
            method="margin-all-runs",
            value=margin.ratio_all_runs,
            unit="ratio",
            text=ratio_text(margin.ratio_all_runs, margin.low, margin.high, locale=locale),
        )


def specification_claims(review: Review) -> Iterator[Claim]:
    """Yield each figure of the specification table, given or derived."""
    for row in compare_specifications(review.bench, review.params.products).rows:
        for product, figure in row.values.items():
            if figure is None:
                continue
            derived = product in row.derived
            made_from = row.made_from if derived else ()
            subject = Subject(
                metric=row.field,
                product=product,
                inputs=[f"specification/{name}/{product}" for name in made_from],
                marks=[row.formula] if derived else [],
            )
            yield make_claim(
                f"specification/{row.field}/{product}",
                subject,
                kind="specification",
                method="derived" if derived else "given",
                value=figure,
                unit=row.unit,
                text=plain_text(
                    figure,
                    unit=row.unit,
                    digits=4 if derived else 6,
                    locale=review.params.locale,
                ),
            )


def count_claims(review: Review) -> Iterator[Claim]:
    """Yield the counts of runs in the sheet, used, set aside, that did not run; frames; titles."""
    locale = review.params.locale
    aside = [row.run for row in review.rows if row.run in review.screened.set_aside]
    used = [measured.run for measured in review.used]
    counts = {
        "runs/in_sheet": (len(review.rows), "runs", Subject(runs=used, set_aside=aside)),
        "runs/used": (len(used), "runs", Subject(runs=used)),
        "runs/set_aside": (len(aside), "runs", Subject(set_aside=aside)),
        "runs/did_not_run": (
            sum(not row.produced for row in review.rows),
            "runs",
            Subject(),
        ),
        "frames/used": (
            sum(measured.frames for measured in review.used),
            "frames",
            Subject(runs=used),
        ),
        "titles": (len(review.titles), "titles", Subject()),
    }
    for name, (count, unit, subject) in counts.items():
        yield make_claim(
            f"count/{name}",
            subject,
            kind="count",
            method="count",
            value=float(count),
            unit=unit,
            text=count_text(count, locale=locale),
        )


def _run_method(metric: str, params: MetricParams, *, typed_in: bool) -> str:
    """Return the method that made a run's figure."""
    if metric == "value":
        return "recorded"
    if typed_in:
        return "typed-in"
    return "average" if metric == "average_fps" else LOW_METHODS[params.low]


def _margin_subject(margin: Margin, aside: Mapping[tuple[str, str], Sequence[str]]) -> Subject:
    return Subject(
        metric=margin.metric,
        product=margin.product,
        baseline=margin.baseline,
        title=margin.title,
        inputs=[cell_id(cell.product, cell.title, cell.metric) for cell in margin.cells],
        runs=[run for cell in margin.cells for run in cell.runs],
        set_aside=[
            run for cell in margin.cells for run in aside.get((cell.product, cell.title), ())
        ],
        marks=margin.marks,
    )


def _aside_by_cell(review: Review) -> dict[tuple[str, str], list[str]]:
    """Return the runs set aside by product and title, in the order of the sheet."""
    found: dict[tuple[str, str], list[str]] = {}
    for row in review.rows:
        if row.run in review.screened.set_aside:
            found.setdefault((row.product, row.title), []).append(row.run)
    return found
