"""The parts of a review's page that show results title by title, and the summary.

Each function takes the review, its results and its claims and returns a piece of HTML. Every
figure in it is a claim; nothing is computed here. Suites are in `suitesections`, prices in
`valuesections`; what stands behind them (controls, screening, settings) is in `background`.
"""

from __future__ import annotations

from kit.claims.claim import Claim, ClaimBook
from kit.claims.write import claim_id
from kit.margins.suites import SuiteMargin
from kit.page.background import failed_rows, mark_words
from kit.page.html import (
    Column,
    Html,
    Part,
    bullet_list,
    html_table,
    joined,
    outcome_html,
    page_head,
    paragraph,
)
from kit.page.wording import claims_frame, counts_html, listed, other_metrics
from kit.review.walk import Results, Review
from kit.settings.metric import HEADLINE, METRIC_LABELS

VERBS = {
    "ahead": "is faster than",
    "behind": "is slower than",
    "level": "is level with",
    "unresolved": "cannot be told apart from",
}


def review_head(review: Review) -> Html:
    """Return the page's title, byline and date."""
    params = review.params
    return page_head(
        params.title, byline=params.byline, date=params.date.isoformat(), lang=params.locale
    )


def summary_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return what was tested against what, and the main outcomes in a sentence each."""
    name = book.product_name(review.params.product)
    titles, used = book.by_id["count/titles"], book.by_id["count/runs/used"]
    frames = book.by_id["count/frames/used"]
    pieces = [
        paragraph(
            f"{name} in ",
            titles,
            " titles against ",
            listed([book.product_name(p) for p in review.params.compared]),
            ": ",
            used,
            " runs used, ",
            frames,
            " frames. Every figure below leads to its runs.",
            css="lead",
        ),
        bullet_list(
            [
                *(_suite_sentence(suite, book) for suite in _headline_suites(review, results)),
                *_not_compared(review, results, book),
            ],
            css="outcomes",
        ),
    ]
    value = _value_sentences(review, results, book)
    if value:
        pieces.append(bullet_list(value, css="outcomes"))
    aside, failed = book.by_id["count/runs/set_aside"], book.by_id["count/runs/did_not_run"]
    pieces.append(
        paragraph(
            "Set aside: ", aside, " runs. Did not run: ", failed, ". ", _waived_words(review, book)
        )
    )
    return joined(*pieces)


def titles_section(
    review: Review, results: Results, book: ClaimBook, *, metric: str = HEADLINE
) -> Html:
    """Return a table of one metric: a row a title, a column a product."""
    products = [
        p for p in review.params.products if any(results.cell(p, t, metric) for t in review.titles)
    ]
    titles = [t for t in review.titles if any(results.cell(p, t, metric) for p in products)]
    failed = failed_rows(review)
    columns = [Column("Title")]
    columns += [
        Column(book.product_name(p), unit=_common_unit(results, metric), number=True)
        for p in products
    ]
    rows: list[list[Part | None]] = []
    missing = False
    for title in titles:
        row: list[Part | None] = [book.title_name(title)]
        for product in products:
            claim = book.get(claim_id("cell", metric=metric, title=title, product=product))
            row.append(claim or failed.get((product, title)))
            missing |= claim is None and (product, title) in failed
        rows.append(row)
    return html_table(
        f"{METRIC_LABELS[metric].capitalize()} per title, with the interval of its runs",
        columns,
        rows,
        note="What did not run is told under Evidence." if missing else "",
        mark_words=mark_words(review),
        locale=review.params.locale,
        frame=claims_frame(book, "cell", metric),
    )


def other_titles_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return a table as `titles_section` of each other steady metric of frames compared."""
    others = other_metrics(review)
    return joined(*(titles_section(review, results, book, metric=metric) for metric in others))


def other_margins_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return a table as `margins_section` of each other steady metric of frames compared."""
    others = other_metrics(review)
    return joined(*(margins_section(review, results, book, metric=metric) for metric in others))


def margins_section(
    review: Review, results: Results, book: ClaimBook, *, metric: str = HEADLINE
) -> Html:
    """Return, for each baseline, the margins of one metric in a column, a row a title."""
    product = review.params.product
    baselines = [
        b
        for b in review.params.compared
        if any(
            m.product == product and m.baseline == b and m.metric == metric for m in results.margins
        )
    ]
    index = {
        (m.baseline, m.title): m
        for m in results.margins
        if m.product == product and m.metric == metric
    }
    titles = [t for t in review.titles if any((b, t) in index for b in baselines)]
    if not titles:
        return Html("")
    columns = [Column("Title")]
    columns += [
        Column(f"over {book.product_name(b)}", unit="%", number=True, outcomes=True)
        for b in baselines
    ]
    rows: list[list[Part | None]] = []
    for title in titles:
        row: list[Part | None] = [book.title_name(title)]
        for baseline in baselines:
            margin = index.get((baseline, title))
            row.append(
                book.get(
                    claim_id(
                        "margin",
                        metric=margin.metric,
                        title=margin.title,
                        product=margin.product,
                        baseline=margin.baseline,
                    )
                )
                if margin
                else None
            )
        rows.append(row)
    rows.append(
        ["All titles", *(_suite_claim(results, book, product, b, metric) for b in baselines)]
    )
    return html_table(
        f"How far {book.product_name(product)} is ahead (+) or behind (−) per title: "
        f"{METRIC_LABELS[metric]}",
        columns,
        rows,
        mark_words=mark_words(review),
        locale=review.params.locale,
        frame=claims_frame(book, "margin", metric),
    )


def all_runs_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the margins that set-aside runs would change, beside the margins as they stand."""
    rows: list[list[Part | None]] = []
    for margin in results.margins:
        other = book.get(
            claim_id(
                "margin",
                metric=margin.metric,
                title=margin.title,
                product=margin.product,
                baseline=margin.baseline,
            ).replace("margin/", "margin_all_runs/", 1)
        )
        here = book.by_id[
            claim_id(
                "margin",
                metric=margin.metric,
                title=margin.title,
                product=margin.product,
                baseline=margin.baseline,
            )
        ]
        if other is not None and margin.metric == HEADLINE and other.text != here.text:
            product, baseline = (book.product_name(p) for p in (margin.product, margin.baseline))
            rows.append(
                [
                    f"{product} over {baseline}",
                    book.title_name(margin.title),
                    here,
                    other,
                ]
            )
    if not rows:
        return paragraph(
            "No margin of the average changes by more than its rounding when the "
            "runs set aside are put back."
        )
    return html_table(
        f"{len(rows)} margins would read otherwise with the set-aside runs put back",
        [
            Column("Products"),
            Column("Title"),
            Column("As stated", number=True),
            Column("With all runs", number=True),
        ],
        rows,
        row_heads=2,
        locale=review.params.locale,
    )


def _headline_suites(review: Review, results: Results) -> list[SuiteMargin]:
    wanted = {b: i for i, b in enumerate(review.params.compared)}
    found = [
        s
        for s in results.suites
        if s.suite == "all"
        and s.metric == HEADLINE
        and s.product == review.params.product
        and s.baseline in wanted
    ]
    return sorted(found, key=lambda s: wanted[s.baseline])


def _suite_sentence(suite: SuiteMargin, book: ClaimBook) -> list[Part]:
    base = claim_id(
        "suite",
        metric=suite.metric,
        group=suite.suite,
        product=suite.product,
        baseline=suite.baseline,
    )
    claim = book.by_id[base]
    span = f" ({claim.interval}), " if claim.interval else ", "
    return [
        f"It {VERBS[suite.outcome]} {book.product_name(suite.baseline)}: ",
        claim,
        span,
        Html(outcome_html(suite.outcome)),
        f". Of {len(suite.titles)} shared titles: ",
        counts_html(book, base, only_some=True),
        ".",
    ]


def _value_sentences(review: Review, results: Results, book: ClaimBook) -> list[list[Part]]:
    if results.value is None:
        return []
    sentences: list[list[Part]] = []
    weighed = {w.kind for w in results.value.weighings}
    # Of the kinds of price that were observed, the one params name last is nearest to buying.
    kinds = [k for k in (review.params.value.kinds if review.params.value else ()) if k in weighed]
    for weighing in results.value.weighings:
        if weighing.rival not in review.params.rivals or weighing.kind != kinds[-1]:
            continue
        pair = f"{weighing.product}-over-{weighing.rival}"
        price = book.by_id[f"value/{weighing.kind}/equal_value_price/{pair}"]
        cut = book.by_id[f"value/{weighing.kind}/cut_needed/{pair}"]
        now = book.by_id[f"value/{weighing.kind}/price/{weighing.product}"]
        sentence: list[Part] = [
            "Price of equal value against ",
            book.product_name(weighing.rival),
            ": ",
            price,
            f" ({weighing.kind} price now ",
            now,
        ]
        sentence += (
            ["; ", cut, " would have to go)."] if weighing.cut_needed > 0 else ["; no cut needed)."]
        )
        sentences.append(sentence)
    return sentences


def _not_compared(review: Review, results: Results, book: ClaimBook) -> list[list[Part]]:
    """Return a sentence for each product that the reviewed one cannot be set against."""
    measured: dict[str, set[str]] = {}
    for cell in results.cells:
        measured.setdefault(cell.product, set()).add(cell.title)
    mine = measured.get(review.params.product, set())
    return [
        [
            "Not set against ",
            book.product_name(baseline),
            ": no title has used runs of both.",
        ]
        for baseline in review.params.compared
        if not mine & measured.get(baseline, set())
    ]


def _waived_words(review: Review, book: ClaimBook) -> str:
    waived = {
        (m.control, m.baseline)
        for m in review.controls.mismatches
        if m.product == review.params.product
    }
    if not waived:
        return "No control was waived."
    words = []
    for control in sorted({c for c, _ in waived}):
        against = listed(sorted(book.product_name(b) for c, b in waived if c == control))
        words.append(f"{control.replace('_', ' ')} (against {against})")
    return f"Waived: {'; '.join(words)}."


def _common_unit(results: Results, metric: str) -> str:
    units = {cell.unit for cell in results.cells if cell.metric == metric}
    return units.pop() if len(units) == 1 else ""


def _suite_claim(
    results: Results, book: ClaimBook, product: str, baseline: str, metric: str
) -> Claim | None:
    return book.get(f"suite/{metric}/all/{product}-over-{baseline}")
