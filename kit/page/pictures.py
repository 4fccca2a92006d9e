"""The charts of a review: which are drawn from what, shown in the page and exported."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from kit.charts.style import Chart, draw_export, export_chart, page_image
from kit.claims.claim import ClaimBook
from kit.page.html import Column, Html, Part, html_table, image_figure
from kit.page.kept_charts import keeping
from kit.review.look_into import look_into
from kit.review.walk import Results, Review
from kit.rounding import plain_text
from kit.settings.metric import HEADLINE, HEADLINE_LOW, METRICS


def names_of(book: ClaimBook) -> dict[str, str]:
    """Return the names of products and titles by id, for charts."""
    return {**book.names.get("products", {}), **book.names.get("titles", {})}


def titles_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return the chart of averages with their lows, a row a title."""
    from kit.charts.titles import draw_titles

    averages = [c for c in results.cells if c.metric == HEADLINE]
    lows = [c for c in results.cells if c.metric == HEADLINE_LOW]
    if not averages:
        return []
    suites = [
        s
        for s in results.suites
        if s.suite == "all" and s.metric == HEADLINE and s.product == review.params.product
    ]
    return [
        keeping(draw_titles, review.store)(
            averages,
            lows,
            product=review.params.product,
            names=names_of(book),
            suites=suites,
            locale=review.params.locale,
        )
    ]


def spread_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return the chart of how far the runs of the product lie apart."""
    from kit.charts.spread import draw_spread

    cells = [
        c
        for c in results.cells
        if c.metric == HEADLINE and c.product == review.params.product and len(c.values) > 1
    ]
    if not cells:
        return []
    return [
        keeping(draw_spread, review.store)(
            cells, product=review.params.product, names=names_of(book), locale=review.params.locale
        )
    ]


def margins_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return, for each metric charted and baseline, the margins over titles and the suite."""
    from kit.charts.margins import draw_margins

    charts = []
    for suite in results.suites:
        mine = (suite.suite, suite.product) == ("all", review.params.product)
        if mine and METRICS[suite.metric].charted:
            charts.append(
                keeping(draw_margins, review.store)(
                    suite.margins,
                    suite,
                    names=names_of(book),
                    level_band=review.params.margins.level_band,
                    locale=review.params.locale,
                )
            )
    return charts


def influence_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return the chart of the suite margin with each title left out, against the first rival."""
    from kit.charts.influence import draw_influence

    rival = review.params.rivals[0]
    return [
        keeping(draw_influence, review.store)(
            suite, names=names_of(book), locale=review.params.locale
        )
        for suite in results.suites
        if (suite.suite, suite.metric, suite.baseline) == ("all", HEADLINE, rival)
        and suite.product == review.params.product
        and len(suite.titles) > 2
    ]


def classes_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return the chart of the same names in two classes of machine."""
    from kit.charts.classes import draw_classes

    gaps = [gap for gap in results.gaps if gap.metric == HEADLINE]
    if not gaps:
        return []
    products = review.bench.products
    classes = products[gaps[0].there_new].machine_class, products[gaps[0].here_new].machine_class
    return [
        keeping(draw_classes, review.store)(
            gaps, classes=classes, names=names_of(book), locale=review.params.locale
        )
    ]


def value_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return, for each kind of price, the chart of price against performance."""
    from kit.charts.money import draw_value

    value = results.value
    if value is None:
        return []
    charts = []
    for kind in dict.fromkeys(s.kind for s in value.standings):
        standings = [s for s in value.standings if s.kind == kind]
        weighings = [w for w in value.weighings if w.kind == kind]
        if len(standings) > 1:
            charts.append(
                keeping(draw_value, review.store)(
                    standings,
                    weighings,
                    product=review.params.product,
                    names=names_of(book),
                    locale=review.params.locale,
                )
            )
    return charts


MAKERS = (
    titles_charts,
    margins_charts,
    influence_charts,
    spread_charts,
    classes_charts,
    value_charts,
)


def overlay_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return the chart of the runs looked into, laid over each other."""
    from kit.charts.overlay import draw_overlay

    series = [run.series for run in look_into(review).runs]
    return [draw_overlay(series, names=names_of(book), locale=review.params.locale)]


def distribution_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return the chart of how the frame times of the runs looked into are distributed."""
    from kit.charts.distribution import draw_distribution

    series = [run.series for run in look_into(review).runs]
    return [draw_distribution(series, names=names_of(book), locale=review.params.locale)]


def run_charts(review: Review, results: Results, book: ClaimBook) -> list[Chart]:
    """Return, for each run looked into, its frame times over time with its sensors beneath."""
    from kit.charts.runs import draw_run

    return [
        draw_run(run.series, names=names_of(book), locale=review.params.locale)
        for run in look_into(review).runs
    ]


MAKERS_OF = {
    "review": MAKERS,
    "frame_times": (overlay_charts, distribution_charts, run_charts),
    "bench_health": (spread_charts,),
    "plan": (),
}


def show_charts(charts: Sequence[Chart]) -> Html:
    """Return charts as figures, each with its numbers in a table."""
    return Html("".join(chart_figure(chart).markup for chart in charts))


def chart_figure(chart: Chart) -> Html:
    """Return one chart as a figure: picture, caption, text alternative, numbers in a table."""
    image = page_image(chart)
    mime: Literal["image/png", "image/svg+xml"] = "image/svg+xml"
    if image.media_type == "image/png":
        mime = "image/png"
    return image_figure(
        image.data,
        mime=mime,
        caption=chart.caption,
        note=chart.note,
        alt=chart.alt,
        table=_numbers_table(chart),
    )


def write_charts(charts: Mapping[str, Sequence[Chart]], folder: Path) -> list[Path]:
    """Write every chart as SVG, PNG of 1920x1080 and CSV."""
    return [
        path for made in charts.values() for chart in made for path in export_chart(chart, folder)
    ]


def _numbers_table(chart: Chart) -> Html:
    """Return a chart's numbers as a table of the page."""
    frame = chart.table
    numeric = [str(kind).startswith(("float", "int")) for kind in frame.dtypes]
    columns = [
        Column(str(name).replace("_", " "), number=is_number)
        for name, is_number in zip(frame.columns, numeric, strict=True)
    ]
    rows: list[list[Part | None]] = [
        [_cell(value) for value in row] for row in frame.itertuples(index=False, name=None)
    ]
    return html_table(f"Numbers of the chart: {chart.caption}", columns, rows)


def _cell(value: object) -> str | None:
    if value is None or value != value:
        return None
    if isinstance(value, float):
        return plain_text(value).text
    return str(value)


def make_charts(review: Review, results: Results, book: ClaimBook) -> dict[str, list[Chart]]:
    """Return the charts of a page by subject: titles, margins, influence, spread, classes, value
    of a review. A subject without results has an empty list."""
    return {
        maker.__name__.removesuffix("_charts"): maker(review, results, book)
        for maker in MAKERS_OF[review.params.page]
    }


def draw_backwards(charts: Mapping[str, Sequence[Chart]]) -> None:
    """Draw every picture that is not there yet, last first: exports, then those of the page."""
    made = [chart for subject in charts.values() for chart in subject]
    for chart in reversed(made):
        draw_export(chart)
    for chart in reversed(made):
        page_image(chart)
