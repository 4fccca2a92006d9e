"""The charts of a page: which there are, how they are shown, kept in the store and exported."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache
from typing import Any

from kit.charts.money import value_chart
from kit.charts.rows import (
    classes_chart,
    influence_chart,
    margins_chart,
    prices_chart,
    spread_chart,
    steps_chart,
    titles_chart,
)
from kit.charts.style import Chart
from kit.claims.claim import Claim, ClaimBook
from kit.claims.of_pages import PAGE_KINDS, page_of
from kit.metrics.store import Store, arithmetic, code_key, content_key
from kit.package import module_paths
from kit.page.html import Column, Html, Part, html_table, image_figure
from kit.review.look_into import FrameSeries, look_into
from kit.review.walk import Review
from kit.rounding import Rounded
from kit.settings.metric import HEADLINE, METRICS

# What a column of claims is called in the table of a chart: the metric of a cell, else by kind.
KIND_WORDS = {
    "suite_like": "for titles like these",
    "step": "margin",
    "step_like": "for titles like these",
    "step_level": "average",
    "price": "price",
    "suite_fps": "suite average",
    "cost_per_fps": "price per frame per second",
    "frontier": "frontier",
    "equal_value_price": "price of equal value",
    "cut_needed": "cut needed",
    "gap": "here over there",
}
WEIGHED = ("equal_value_price", "cut_needed")  # of the reviewed product, by the other one


def _own_suites(book: ClaimBook) -> tuple[Claim, ...]:
    """Return the suite margins of the reviewed product over all titles."""
    return book.of_kind("suite", group="all", product=book.product)


def _titles(book: ClaimBook) -> list[Chart]:
    """Return the chart of all products title by title."""
    return [titles_chart(book)] if book.of_kind("cell", metric=HEADLINE) else []


def _margins(book: ClaimBook) -> list[Chart]:
    """Return a chart of margins over each rival, in each metric that is charted."""
    suites = [suite for suite in _own_suites(book) if METRICS[suite.metric].charted]
    return [margins_chart(book, suite) for suite in suites]


def _influence(book: ClaimBook) -> list[Chart]:
    """Return the suite margin with each title left out, over the first rival that has a suite."""
    suites = {suite.baseline: suite for suite in _own_suites(book) if suite.metric == HEADLINE}
    first = book.settings["rivals"][0]  # where the book has several
    wanted = [suites[first]] if first in suites else list(suites.values())
    return [influence_chart(book, suite) for suite in wanted if len(suite.inputs) > 2]


def _spread(book: ClaimBook) -> list[Chart]:
    """Return the chart of single runs over the mean of their cell."""
    return [spread_chart(book)] if book.of_kind("run_over_mean", metric=HEADLINE) else []


def _classes(book: ClaimBook) -> list[Chart]:
    """Return the chart of one name in two classes of machine."""
    gaps = book.of_kind("gap", metric=HEADLINE)
    return [classes_chart(book, gaps)] if gaps else []


def _steps(book: ClaimBook) -> list[Chart]:
    """Return, for each product and thing that is set otherwise, what its settings do."""
    over = dict.fromkeys((c.group, c.product) for c in book.of_kind("step", metric=HEADLINE))
    return [steps_chart(book, *axis) for axis in over]


def _prices(book: ClaimBook) -> list[Chart]:
    """Return a chart of each kind of price that was observed on two days."""
    days: dict[str, set[str]] = {}
    for claim in book.of_kind("price_seen"):
        days.setdefault(claim.group, set()).add(claim.part.partition("/")[0])
    return [prices_chart(book, kind) for kind, seen in days.items() if len(seen) > 1]


def _value(book: ClaimBook) -> list[Chart]:
    """Return a chart of prices for each kind of price that two products have."""
    kinds = [claim.group for claim in book.of_kind("suite_fps")]
    return [value_chart(book, k) for k in dict.fromkeys(kinds) if kinds.count(k) > 1]


def _overlay(book: ClaimBook, runs: Sequence[FrameSeries]) -> list[Chart]:
    from kit.charts.runs import overlay_chart  # with seaborn, which no other chart takes

    return [overlay_chart(book, runs)]


def _distribution(book: ClaimBook, runs: Sequence[FrameSeries]) -> list[Chart]:
    from kit.charts.runs import distribution_chart

    return [distribution_chart(book, runs)]


def _run(book: ClaimBook, runs: Sequence[FrameSeries]) -> list[Chart]:
    from kit.charts.runs import run_chart

    return [run_chart(book, run) for run in runs]


@dataclass(frozen=True, slots=True)
class _Subject:
    """Charts of one subject.

    Attributes
    ----------
    make : function of ClaimBook, or with `of_frames` of ClaimBook and sequence of FrameSeries
    takes : tuple of str
        What they may be asked for: over one baseline, in some titles, of some products.
    of_frames : bool
        Whether they draw runs that are looked into.
    """

    make: Callable[..., list[Chart]]
    takes: tuple[str, ...] = ()
    of_frames: bool = False


CHARTS: Mapping[str, _Subject] = {
    "titles": _Subject(_titles, ("titles", "products")),
    "margins": _Subject(_margins, ("over", "titles")),
    "influence": _Subject(_influence, ("over", "titles")),
    "spread": _Subject(_spread, ("titles",)),
    "classes": _Subject(_classes),
    "steps": _Subject(_steps),
    "value": _Subject(_value, ("products",)),
    "prices": _Subject(_prices),
    "overlay": _Subject(_overlay, ("titles", "products"), of_frames=True),
    "distribution": _Subject(_distribution, ("titles", "products"), of_frames=True),
    "run": _Subject(_run, ("titles", "products"), of_frames=True),
}


def make_charts(review: Review, book: ClaimBook) -> dict[str, list[Chart]]:
    """Return the charts of a page by subject, such as titles, margins, value of a review.

    Parameters
    ----------
    review : Review
        Charts of runs take its frames, and its store keeps pictures drawn before.
    book : ClaimBook
        Every other chart is drawn from the claims alone.

    Returns
    -------
    dict of str to list of Chart
        A subject without claims has an empty list. Nothing is drawn before it is shown.
    """
    made = claim_charts(book)
    for subject in PAGE_KINDS[page_of(book.settings["template"])].charts:
        if CHARTS[subject].of_frames:
            made[subject] = CHARTS[subject].make(book, [r.series for r in look_into(review).runs])
    return {
        subject: [_keep_pictures(chart, review.store) for chart in charts]
        for subject, charts in made.items()
    }


def claim_charts(book: ClaimBook) -> dict[str, list[Chart]]:
    """Return those charts of a page that its claims alone give, by subject."""
    subjects = PAGE_KINDS[page_of(book.settings["template"])].charts
    return {name: CHARTS[name].make(book) for name in subjects if not CHARTS[name].of_frames}


def show_charts(charts: Sequence[Chart], book: ClaimBook) -> Html:
    """Return charts as figures: picture, caption, note, text alternative, numbers in a table.

    Parameters
    ----------
    charts : sequence of Chart
    book : ClaimBook
        Names products and titles in the table.

    Raises
    ------
    ValueError
        If a chart has no words to stand for it, or two claims fall into one cell of its table.
    """
    return Html("".join(_figure(book, chart).markup for chart in charts))


def _figure(book: ClaimBook, chart: Chart) -> Html:
    """Return one chart with its words and numbers."""
    image = chart.page_image()
    return image_figure(
        image.data,
        mime=image.media_type,
        caption=chart.caption,
        note=chart.note,
        alt=chart.alt,
        table=_claims_table(book, chart) if chart.claims else _numbers_table(chart, book),
    )


def _claims_table(book: ClaimBook, chart: Chart) -> Html:
    """Return the claims a chart draws, as printed, in a table of the page.

    Plain text: each figure stands as a link to its trace in a table of its section, and some 400
    links more would be a twelfth of the page. A head that is the same in every row is left out.
    """
    rows: dict[tuple[str, ...], dict[str, str]] = {}
    for claim in chart.claims:
        kind = book.name("metric", claim.metric, kind="cell") if claim.kind == "cell" else ""
        said = claim.printed
        if claim.is_figure and claim.outcome:
            said += f", {claim.outcome}"
        column = kind or KIND_WORDS.get(claim.kind, "figure")
        row = rows.setdefault(_place(book, claim), {})
        if column in row:
            raise ValueError(f"{chart.name}: two claims in one cell of its table, {claim.id}")
        row[column] = said
    heads = ("title", "run", "product", "over")
    shown = [i for i in range(len(heads)) if len({place[i] for place in rows}) > 1]
    columns = list(dict.fromkeys(column for row in rows.values() for column in row))
    return html_table(
        f"Numbers of the chart: {chart.caption}",
        [Column(name) for name in (*(heads[i] for i in shown), *columns)],
        [[*(p[i] for i in shown), *(row.get(c) for c in columns)] for p, row in rows.items()],
        row_heads=max(1, len(shown)),
    )


def _place(book: ClaimBook, claim: Claim) -> tuple[str, ...]:
    """Return what a row of a chart's table is about: title, run, product, and over which.

    Claims that weigh the reviewed product against another (`WEIGHED`) stand in the other's row.
    """
    title = book.title_name(claim.title) if claim.title else book.whole_words("all titles")
    run = claim.run if claim.kind == "run_over_mean" else ""
    if claim.kind in WEIGHED:
        return title, run, book.product_name(claim.baseline), ""
    if claim.kind == "price_seen":
        return title, claim.part.replace("/", ", no. "), book.product_name(claim.product), ""
    if claim.kind.startswith("step"):
        setting = book.name("part", claim.part, kind=claim.kind)
        return title, run, f"{book.product_name(claim.product)}, {setting}", ""
    below = claim.group if claim.kind == "gap" else claim.baseline
    over = book.product_name(below) if below else ""
    return title, run, book.product_name(claim.product), over


def _numbers_table(chart: Chart, book: ClaimBook) -> Html:
    """Return the numbers of a chart of frames as a table of the page."""
    frame = chart.table
    numeric = [str(kind).startswith(("float", "int")) for kind in frame.dtypes]
    columns = [
        Column(str(name).replace("_", " "), number=is_number)
        for name, is_number in zip(frame.columns, numeric, strict=True)
    ]
    rows: list[list[Part | None]] = [
        [_cell(value, book) for value in row] for row in frame.itertuples(index=False, name=None)
    ]
    return html_table(f"Numbers of the chart: {chart.caption}", columns, rows)


def _cell(value: object, book: ClaimBook) -> str | None:
    """Return a number of a chart of frames as text; None where there is none."""
    if value is None or value != value:
        return None
    if isinstance(value, float):
        return Rounded.plain(value).text
    return book.in_words(str(value))


def _keep_pictures(chart: Chart, store: Store | None) -> Chart:
    """Return a chart whose pictures are kept in a store, and found there.

    Parameters
    ----------
    chart : Chart
    store : Store or None
        None draws anew each time.

    Notes
    -----
    What is drawn depends on the chart's words and plan, which are plain, and on the code: the text
    of every module of the kit and the version of matplotlib. A chart of frames is drawn each time.
    """
    if store is None or not chart.claims:
        return chart
    try:
        plain = json.dumps(_plain([chart.words, chart.plan]), sort_keys=True)
    except TypeError:  # a plan that is not plain: such a chart is drawn every time
        return chart
    key = content_key("chart", _code(), arithmetic(), chart.paint.__name__, plain)
    return replace(chart, _drawn=_Drawn(store, key))


@cache
def _code() -> str:
    """Return a key of the code that draws; all of the kit, since that is 3 ms to read."""
    return code_key(tuple(module_paths()), ("matplotlib", "numpy", "pandas", "pillow"))


class _Drawn(dict[str, Any]):
    """The pictures of one chart by form, such as svg-page: held here, kept in the store."""

    def __init__(self, store: Store, key: str) -> None:
        super().__init__()
        self._store = store
        self._key = key

    def __contains__(self, form: object) -> bool:
        if super().__contains__(form):
            return True
        found = self._store.load(content_key(self._key, str(form)))
        if found is None:
            return False
        super().__setitem__(str(form), found.decode() if str(form).startswith("svg") else found)
        return True

    def __setitem__(self, form: str, drawn: Any) -> None:
        super().__setitem__(form, drawn)
        data = drawn.encode() if isinstance(drawn, str) else drawn
        self._store.keep(content_key(self._key, form), data)


def _plain(value: Any) -> Any:
    """Return dataclasses, mappings, tuples and numbers as JSON holds them."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return [[key, _plain(item)] for key, item in value.items()]  # keys may be numbers
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value
