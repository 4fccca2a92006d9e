"""The parts of a review's page that show results: summary, titles, suite, classes, value.

Each function takes the review, its results and its claims and returns a piece of HTML. Every
figure in it is a claim; nothing is computed here. What stands behind them (controls, screening,
settings) is in `background`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from kit.background import failed_rows, mark_words
from kit.claiming import cell_id, gap_id, margin_id, suite_id
from kit.claims import Claim, ClaimBook
from kit.page import (
    Column,
    Html,
    Part,
    bullet_list,
    heading,
    html_table,
    joined,
    outcome_html,
    page_head,
    paragraph,
    part_html,
)
from kit.review import Results, Review
from kit.suite import SuiteMargin

METRIC_NAMES = {
    "average_fps": "average", "low_1pct_fps": "1 % low", "low_0_1pct_fps": "0.1 % low",
    "value": "result",
}
VERBS = {
    "ahead": "is faster than", "behind": "is slower than", "level": "is level with",
    "unresolved": "cannot be told apart from",
}
HEADLINE = "average_fps"


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
            f"{name} in ", titles, " titles against ",
            _listed([book.product_name(p) for p in review.params.compared]), ": ",
            used, " runs used, ", frames, " frames. Every figure below leads to its runs.",
            css="lead",
        ),
        bullet_list(
            [_suite_sentence(suite, book) for suite in _headline_suites(review, results)],
            css="outcomes",
        ),
    ]
    value = _value_sentences(review, results, book)
    if value:
        pieces.append(bullet_list(value, css="outcomes"))
    aside, failed = book.by_id["count/runs/set_aside"], book.by_id["count/runs/did_not_run"]
    pieces.append(
        paragraph("Set aside: ", aside, " runs. Did not run: ", failed, ". ",
                  _waived_words(review, book))
    )
    return joined(*pieces)


def titles_section(
    review: Review, results: Results, book: ClaimBook, *, metric: str = HEADLINE
) -> Html:
    """Return a table of one metric: a row a title, a column a product."""
    products = [p for p in review.params.products
                if any(results.cell(p, t, metric) for t in review.titles)]
    titles = [t for t in review.titles if any(results.cell(p, t, metric) for p in products)]
    failed = failed_rows(review)
    columns = [Column("Title")]
    columns += [Column(book.product_name(p), unit=_common_unit(results, metric), number=True)
                for p in products]
    rows: list[list[Part | None]] = []
    for title in titles:
        row: list[Part | None] = [book.title_name(title)]
        for product in products:
            claim = book.get(cell_id(product, title, metric))
            row.append(claim or _why_missing(failed, product, title))
        rows.append(row)
    return html_table(
        f"{METRIC_NAMES[metric].capitalize()} per title, with the interval of its runs",
        columns, rows, mark_words=mark_words(review), locale=review.params.locale,
        frame=_claims_frame(book, "cell", metric),
    )


def margins_section(
    review: Review, results: Results, book: ClaimBook, *, metric: str = HEADLINE
) -> Html:
    """Return, for each baseline, the margins of one metric in a column, a row a title."""
    product = review.params.product
    baselines = [
        b for b in review.params.compared
        if any(m.product == product and m.baseline == b and m.metric == metric
               for m in results.margins)
    ]
    index = {(m.baseline, m.title): m for m in results.margins
             if m.product == product and m.metric == metric}
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
            row.append(book.get(margin_id(margin)) if margin else None)
        rows.append(row)
    rows.append(["All titles", *(_suite_claim(results, book, product, b, metric)
                                 for b in baselines)])
    return html_table(
        f"How far {book.product_name(product)} is ahead (+) or behind (−) per title: "
        f"{METRIC_NAMES[metric]}",
        columns, rows, mark_words=mark_words(review), locale=review.params.locale,
        frame=_claims_frame(book, "margin", metric),
    )


def all_runs_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the margins that set-aside runs would change, beside the margins as they stand."""
    rows: list[list[Part | None]] = []
    for margin in results.margins:
        other = book.get(margin_id(margin).replace("margin/", "margin_all_runs/", 1))
        here = book.by_id[margin_id(margin)]
        if other is not None and margin.metric == HEADLINE and other.text != here.text:
            rows.append([
                f"{book.product_name(margin.product)} over {book.product_name(margin.baseline)}",
                book.title_name(margin.title), here, other,
            ])
    if not rows:
        return paragraph("No margin of the average changes by more than its rounding when the "
                         "runs set aside are put back.")
    return html_table(
        f"{len(rows)} margins would read otherwise with the set-aside runs put back",
        [Column("Products"), Column("Title"), Column("As stated", number=True),
         Column("With all runs", number=True)],
        rows, row_heads=2, locale=review.params.locale,
    )


def suites_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the suite margins: both intervals, range and counts, a row a baseline and group."""
    product = review.params.product
    rows: list[list[Part | None]] = []
    shown = [s for s in results.suites if s.product == product and s.metric == HEADLINE]
    for suite in shown:
        base = suite_id(suite)
        rows.append([
            _group_name(review, suite.suite), book.product_name(suite.baseline),
            book.by_id[base], _interval_of(book, base, "suite_like"),
            book.get(base.replace("suite/", "suite_smallest/", 1)),
            book.get(base.replace("suite/", "suite_largest/", 1)),
            _counts(book, base),
        ])
    columns = [
        Column("Titles"), Column("Against"), Column("Margin, for these titles", "%", number=True,
                                                   outcomes=True),
        Column("For titles like these", "%"), Column("Smallest", "%", number=True),
        Column("Largest", "%", number=True), Column("Ahead, behind, level, unresolved"),
    ]
    table = html_table(
        f"Suite margins of {book.product_name(product)}: geometric means over shared titles",
        columns, rows, row_heads=2, mark_words=mark_words(review), locale=review.params.locale,
        frame=_claims_frame(book, "suite", HEADLINE),
    )
    return joined(table, _every_title(shown, book), _left_out(shown, book))


def lows_suite_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the suite margins of the lows and of results that are not frames."""
    product = review.params.product
    rows: list[list[Part | None]] = []
    for suite in results.suites:
        if suite.product == product and suite.metric != HEADLINE and suite.suite == "all":
            rows.append([
                METRIC_NAMES[suite.metric], book.product_name(suite.baseline),
                book.by_id[suite_id(suite)], _counts(book, suite_id(suite)),
            ])
    if not rows:
        return Html("")
    return html_table(
        "Suite margins of the lows and of other results",
        [Column("Metric"), Column("Against"),
         Column("Margin, for these titles", "%", number=True, outcomes=True),
         Column("Ahead, behind, level, unresolved")],
        rows, row_heads=2, mark_words=mark_words(review), locale=review.params.locale,
    )


def closure_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return how chained margins close, and where different title sets break them."""
    rows: list[list[Part | None]] = []
    for closure in results.closures:
        if closure.metric != HEADLINE:
            continue
        base = f"closure/{closure.metric}/{closure.a}-over-{closure.b}-over-{closure.c}"
        same = len(set(closure.own_titles)) == 1
        rows.append([
            f"{book.product_name(closure.a)} over {book.product_name(closure.b)} over "
            f"{book.product_name(closure.c)}",
            book.by_id[f"{base}/chained"], book.by_id[f"{base}/direct"],
            "same titles" if same else book.by_id[f"{base}/difference"],
        ])
    if not rows:
        return Html("")
    return html_table(
        "Chained margins close over the titles all three share",
        [Column("Chain"), Column("Chained", "%", number=True), Column("Direct", "%", number=True),
         Column("Off by, over each pair's own titles")],
        rows, note="Where title sets differ, quote the direct margin: it rests on the titles both "
        "sides share.", locale=review.params.locale,
    )


def classes_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return what the same name is worth in another class of machine."""
    pieces: list[Html] = []
    rows: list[list[Part | None]] = []
    for pair in review.params.same_name:
        claim = book.get(f"suite/{HEADLINE}/all/{pair.here}-over-{pair.there}")
        if claim is not None:
            rows.append([book.product_name(pair.here), book.product_name(pair.there), claim])
    if rows:
        pieces.append(html_table(
            "The same name in two classes of machine",
            [Column("Here"), Column("There"), Column("Margin, here over there", "%", number=True,
                                                     outcomes=True)],
            rows, mark_words=mark_words(review), locale=review.params.locale,
        ))
    gaps: list[list[Part | None]] = []
    for gap in results.gaps:
        if gap.metric != HEADLINE:
            continue
        here = f"gap_here/{gap.metric}/{gap.here.product}-over-{gap.here.baseline}"
        there = f"gap_there/{gap.metric}/{gap.there.product}-over-{gap.there.baseline}"
        gaps.append([
            f"{book.product_name(gap.here_new)} over {book.product_name(gap.here_old)}",
            book.get(here),
            f"{book.product_name(gap.there_new)} over {book.product_name(gap.there_old)}",
            book.get(there), book.get(gap_id(gap)),
        ])
    if gaps:
        pieces.append(html_table(
            "What the step to the newer name brings in each class",
            [Column("Here"), Column("Margin here", "%", number=True), Column("There"),
             Column("Margin there", "%", number=True), Column("Here over there", "%", number=True)],
            gaps, mark_words=mark_words(review), locale=review.params.locale,
            note="The last column is a ratio of ratios over the titles all four share: below "
            "zero, the newer name gains less here than there.",
        ))
    return joined(*pieces) if pieces else paragraph("No namesake is part of this review.")


def value_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return prices, cost per frame per second, and the price of equal value."""
    if results.value is None:
        return paragraph("No prices are part of this review.")
    pieces = []
    value = results.value
    for kind in dict.fromkeys(s.kind for s in value.standings):
        rows: list[list[Part | None]] = []
        for standing in value.standings:
            if standing.kind == kind:
                base = f"value/{kind}"
                rows.append([
                    book.product_name(standing.product),
                    book.by_id[f"{base}/price/{standing.product}"],
                    book.by_id[f"{base}/suite_fps/{standing.product}"],
                    book.by_id[f"{base}/cost_per_fps/{standing.product}"],
                    _frontier_words(standing.frontier, standing.dominated_by, book),
                ])
        pieces.append(html_table(
            f"What a frame per second costs, {kind} prices", [
                Column("Product"), Column("Price", value.currency, number=True),
                Column("Suite average", "fps", number=True),
                Column("Per frame per second", value.currency, number=True), Column("Frontier"),
            ], rows, mark_words=mark_words(review), locale=review.params.locale,
        ))
        weighed: list[list[Part | None]] = []
        for weighing in value.weighings:
            if weighing.kind == kind:
                pair = f"{weighing.product}-over-{weighing.rival}"
                weighed.append([
                    book.product_name(weighing.rival),
                    book.by_id[f"value/{kind}/premium/{pair}"],
                    book.get(f"suite/{HEADLINE}/all/{pair}"),
                    book.by_id[f"value/{kind}/equal_value_price/{pair}"],
                    book.by_id[f"value/{kind}/cut_needed/{pair}"],
                ])
        if weighed:
            pieces.append(html_table(
                f"{book.product_name(review.params.product)} weighed against each, {kind} prices",
                [Column("Against"), Column("Premium", "%", number=True),
                 Column("Performance", "%", number=True),
                 Column("Price of equal value", value.currency, number=True),
                 Column("Cut needed", "%", number=True)],
                weighed, mark_words=mark_words(review), locale=review.params.locale,
            ))
    if value.left_out:
        pieces.append(bullet_list(
            f"{book.product_name(product)}, {kind}: {reason}"
            for (product, kind), reason in value.left_out.items()
        ))
    return joined(*pieces)


def _headline_suites(review: Review, results: Results) -> list[SuiteMargin]:
    wanted = {b: i for i, b in enumerate(review.params.compared)}
    found = [
        s for s in results.suites
        if s.suite == "all" and s.metric == HEADLINE and s.product == review.params.product
        and s.baseline in wanted
    ]
    return sorted(found, key=lambda s: wanted[s.baseline])


def _suite_sentence(suite: SuiteMargin, book: ClaimBook) -> list[Part]:
    base = suite_id(suite)
    claim = book.by_id[base]
    span = f" ({claim.interval}) " if claim.interval else " "
    return [
        f"{book.product_name(suite.product)} {VERBS[suite.outcome]} "
        f"{book.product_name(suite.baseline)}: ", claim, span, Html(outcome_html(suite.outcome)),
        f". Over {len(suite.titles)} shared titles: ", _counts(book, base), ".",
    ]


def _counts(book: ClaimBook, base: str) -> Html:
    parts: list[Part] = []
    for outcome in ("ahead", "behind", "level", "unresolved"):
        claim = book.get(f"{base.replace('suite/', 'suite_count/', 1)}/{outcome}")
        if claim is not None:
            parts += [", " if parts else "", claim, f" {outcome}"]
    return Html("".join(part_html(part) for part in parts))


def _interval_of(book: ClaimBook, base: str, kind: str) -> Part | None:
    claim = book.get(base.replace("suite/", f"{kind}/", 1))
    if claim is None or not claim.interval:
        return None
    return claim


def _value_sentences(review: Review, results: Results, book: ClaimBook) -> list[list[Part]]:
    if results.value is None:
        return []
    sentences: list[list[Part]] = []
    name = book.product_name(review.params.product)
    kinds = list(dict.fromkeys(w.kind for w in results.value.weighings))
    for weighing in results.value.weighings:
        if weighing.rival not in review.params.rivals or weighing.kind != kinds[-1]:
            continue
        pair = f"{weighing.product}-over-{weighing.rival}"
        price = book.by_id[f"value/{weighing.kind}/equal_value_price/{pair}"]
        cut = book.by_id[f"value/{weighing.kind}/cut_needed/{pair}"]
        now = book.by_id[f"value/{weighing.kind}/price/{weighing.product}"]
        sentence: list[Part] = [
            f"At its {weighing.kind} price of ", now, f" {name} gives the frames of "
            f"{book.product_name(weighing.rival)} for the same money at ", price,
        ]
        sentence += [", a cut of ", cut, "."] if weighing.cut_needed > 0 else [": no cut needed."]
        sentences.append(sentence)
    return sentences


def _waived_words(review: Review, book: ClaimBook) -> str:
    waived = {(m.control, m.baseline) for m in review.controls.mismatches
              if m.product == review.params.product}
    if not waived:
        return "No control was waived."
    words = "; ".join(
        f"{control} ({_listed(sorted(book.product_name(b) for c, b in waived if c == control))})"
        for control in sorted({c for c, _ in waived})
    )
    return f"Waived: {words}."


def _listed(names: Iterable[str]) -> str:
    """Return names as a list in words."""
    found = list(names)
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"


def _common_unit(results: Results, metric: str) -> str:
    units = {cell.unit for cell in results.cells if cell.metric == metric}
    return units.pop() if len(units) == 1 else ""


def _why_missing(failed: Mapping[tuple[str, str], str], product: str, title: str) -> str | None:
    return failed.get((product, title))


def _claims_frame(book: ClaimBook, kind: str, metric: str) -> object:
    import pandas as pd

    claims = book.of_kind(kind, metric=metric)
    names = ["title", "product", "baseline", "value", "low", "high", "outcome", "text"]
    return pd.DataFrame([[getattr(c, n) for n in names] for c in claims], columns=names)


def _suite_claim(
    results: Results, book: ClaimBook, product: str, baseline: str, metric: str
) -> Claim | None:
    return book.get(f"suite/{metric}/all/{product}-over-{baseline}")


def _group_name(review: Review, group: str) -> str:
    return "all shared titles" if group == "all" else review.params.suites[group].name


def _every_title(suites: Iterable[SuiteMargin], book: ClaimBook) -> Html:
    joint = {"ahead": "ahead of", "behind": "behind", "level": "level with"}
    lines = [
        f"{book.product_name(s.product)} is {joint[s.every_title]} "
        f"{book.product_name(s.baseline)} in every title, also with the whole family of titles "
        "taken into account."
        for s in suites if s.every_title in joint and s.suite == "all"
    ]
    return bullet_list(lines)


def _left_out(suites: Iterable[SuiteMargin], book: ClaimBook) -> Html:
    lines = [
        f"{book.title_name(title)} is not in the suite against {book.product_name(s.baseline)}: "
        f"{reason}"
        for s in suites if s.suite == "all" for title, reason in s.left_out.items()
    ]
    return joined(heading("Not shared", level=3), bullet_list(lines)) if lines else Html("")


def _frontier_words(place: str, by: tuple[str, ...], book: ClaimBook) -> str:
    words = {
        "on": "on the frontier", "tie": "on the frontier, tied",
        "dominated": "dominated", "extendedly_dominated": "dominated by a mix",
    }.get(place, place)
    return f"{words} by {_listed(book.product_name(p) for p in by)}" if by else words
