"""The parts of a review's page about many titles at once: suites, closure, classes."""

from __future__ import annotations

from collections.abc import Iterable

from kit.claims.claim import ClaimBook
from kit.claims.write import claim_id
from kit.margins.suites import SuiteMargin
from kit.page.background import mark_words
from kit.page.html import Column, Html, Part, bullet_list, heading, html_table, joined, paragraph
from kit.page.wording import claims_frame, counts_html
from kit.review.walk import Results, Review
from kit.settings.metric import HEADLINE, METRIC_LABELS


def suites_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the suite margins: both intervals, range and counts, a row a baseline and group."""
    product = review.params.product
    rows: list[list[Part | None]] = []
    shown = [s for s in results.suites if s.product == product and s.metric == HEADLINE]
    for suite in shown:
        base = claim_id(
            "suite",
            metric=suite.metric,
            group=suite.suite,
            product=suite.product,
            baseline=suite.baseline,
        )
        rows.append(
            [
                _group_name(review, suite.suite),
                book.product_name(suite.baseline),
                book.by_id[base],
                _interval_of(book, base, "suite_like"),
                book.get(base.replace("suite/", "suite_smallest/", 1)),
                book.get(base.replace("suite/", "suite_largest/", 1)),
                counts_html(book, base),
            ]
        )
    columns = [
        Column("Titles"),
        Column("Against"),
        Column("Margin, for these titles", "%", number=True, outcomes=True),
        Column("For titles like these", "%"),
        Column("Smallest", "%", number=True),
        Column("Largest", "%", number=True),
        Column("Ahead, behind, level, unresolved"),
    ]
    table = html_table(
        f"Suite margins of {book.product_name(product)}: geometric means over shared titles",
        columns,
        rows,
        row_heads=2,
        mark_words=mark_words(review),
        locale=review.params.locale,
        frame=claims_frame(book, "suite", HEADLINE),
    )
    return joined(table, _every_title(shown, book), _left_out(shown, book))


def lows_suite_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the suite margins of the lows and of results that are not frames."""
    product = review.params.product
    rows: list[list[Part | None]] = []
    for suite in results.suites:
        if suite.product == product and suite.metric != HEADLINE and suite.suite == "all":
            rows.append(
                [
                    METRIC_LABELS[suite.metric],
                    book.product_name(suite.baseline),
                    book.by_id[
                        claim_id(
                            "suite",
                            metric=suite.metric,
                            group=suite.suite,
                            product=suite.product,
                            baseline=suite.baseline,
                        )
                    ],
                    counts_html(
                        book,
                        claim_id(
                            "suite",
                            metric=suite.metric,
                            group=suite.suite,
                            product=suite.product,
                            baseline=suite.baseline,
                        ),
                    ),
                ]
            )
    if not rows:
        return Html("")
    return html_table(
        "Suite margins of the lows and of other results",
        [
            Column("Metric"),
            Column("Against"),
            Column("Margin, for these titles", "%", number=True, outcomes=True),
            Column("Ahead, behind, level, unresolved"),
        ],
        rows,
        row_heads=2,
        mark_words=mark_words(review),
        locale=review.params.locale,
    )


def closure_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return how chained margins close, and where different title sets break them."""
    rows: list[list[Part | None]] = []
    for closure in results.closures:
        if closure.metric != HEADLINE:
            continue
        base = f"closure/{closure.metric}/{closure.a}-over-{closure.b}-over-{closure.c}"
        same = len(set(closure.own_titles)) == 1
        rows.append(
            [
                f"{book.product_name(closure.a)} over {book.product_name(closure.b)} over "
                f"{book.product_name(closure.c)}",
                book.by_id[f"{base}/chained"],
                book.by_id[f"{base}/direct"],
                "same titles" if same else book.by_id[f"{base}/difference"],
            ]
        )
    if not rows:
        return Html("")
    return html_table(
        "Chained margins close over the titles all three share",
        [
            Column("Chain"),
            Column("Chained", "%", number=True),
            Column("Direct", "%", number=True),
            Column("Off by, over each pair's own titles"),
        ],
        rows,
        note="Where title sets differ, quote the direct margin: it rests on the titles both "
        "sides share.",
        locale=review.params.locale,
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
        pieces.append(
            html_table(
                "The same name in two classes of machine",
                [
                    Column("Here"),
                    Column("There"),
                    Column("Margin, here over there", "%", number=True, outcomes=True),
                ],
                rows,
                mark_words=mark_words(review),
                locale=review.params.locale,
            )
        )
    gaps: list[list[Part | None]] = []
    for gap in results.gaps:
        if gap.metric != HEADLINE:
            continue
        here = f"gap_here/{gap.metric}/{gap.here.product}-over-{gap.here.baseline}"
        there = f"gap_there/{gap.metric}/{gap.there.product}-over-{gap.there.baseline}"
        gaps.append(
            [
                f"{book.product_name(gap.here_new)} over {book.product_name(gap.here_old)}",
                book.get(here),
                f"{book.product_name(gap.there_new)} over {book.product_name(gap.there_old)}",
                book.get(there),
                book.get(
                    claim_id(
                        "gap",
                        metric=gap.metric,
                        product=gap.here_new,
                        group=gap.here_old,
                        baseline=gap.there_new,
                        part=gap.there_old,
                    )
                ),
            ]
        )
    if gaps:
        pieces.append(
            html_table(
                "What the step to the newer name brings in each class",
                [
                    Column("Here"),
                    Column("Margin here", "%", number=True),
                    Column("There"),
                    Column("Margin there", "%", number=True),
                    Column("Here over there", "%", number=True),
                ],
                gaps,
                mark_words=mark_words(review),
                locale=review.params.locale,
                note="The last column is a ratio of ratios over the titles all four share: below "
                "zero, the newer name gains less here than there.",
            )
        )
    return joined(*pieces) if pieces else paragraph("No namesake is part of this review.")


def _interval_of(book: ClaimBook, base: str, kind: str) -> Part | None:
    claim = book.get(base.replace("suite/", f"{kind}/", 1))
    if claim is None or not claim.interval:
        return None
    return claim


def _group_name(review: Review, group: str) -> str:
    return "all shared titles" if group == "all" else review.params.suites[group].name


def _every_title(suites: Iterable[SuiteMargin], book: ClaimBook) -> Html:
    joint = {"ahead": "ahead of", "behind": "behind", "level": "level with"}
    lines = [
        f"{book.product_name(s.product)} is {joint[s.every_title]} "
        f"{book.product_name(s.baseline)} in every title, also with the whole family of titles "
        "taken into account."
        for s in suites
        if s.every_title in joint and s.suite == "all"
    ]
    return bullet_list(lines)


def _left_out(suites: Iterable[SuiteMargin], book: ClaimBook) -> Html:
    lines = [
        f"{book.title_name(title)} is not in the suite against {book.product_name(s.baseline)}: "
        f"{reason}"
        for s in suites
        if s.suite == "all"
        for title, reason in s.left_out.items()
    ]
    return joined(heading("Not shared", level=3), bullet_list(lines)) if lines else Html("")
