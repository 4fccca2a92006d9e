"""The part of a review's page that tells what the frames within runs say by themselves."""

from __future__ import annotations

from kit.claims.claim import ClaimBook
from kit.page.html import Column, Html, Part, html_table
from kit.review.walk import Results, Review
from kit.settings.metric import METRIC_LABELS


def within_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return how many frames a run is worth, and how much of the spread frames would explain."""
    metrics = list(dict.fromkeys(within.metric for within in results.within))
    found = {within.product for within in results.within}
    products = [product for product in review.params.products if product in found]
    if not products:
        return Html("")
    columns = [Column("Product")]
    for metric in metrics:
        name = METRIC_LABELS[metric]
        columns.append(Column(f"{name}: independent frames a run is worth", number=True))
        columns.append(Column("share of the spread between runs", number=True))
    rows: list[list[Part | None]] = []
    for product in products:
        row: list[Part | None] = [book.product_name(product)]
        for metric in metrics:
            row.append(book.get(f"within/frames/{metric}/{product}"))
            row.append(book.get(f"within/share/{metric}/{product}"))
        rows.append(row)
    return html_table(
        "What the frames within a run explain by themselves",
        columns,
        rows,
        note="A diagnostic: runs are the replicates, and no margin rests on frames. To blocks of "
        "frames the scene's own course, alike in every run, is chance too, so that the share is "
        "the most it may be. Where it is far below 100 %, only more runs help.",
        locale=review.params.locale,
    )
