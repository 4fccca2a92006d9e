"""The part of a review's page about money."""

from __future__ import annotations

from kit.claims.claim import ClaimBook
from kit.page.background import mark_words
from kit.page.html import Column, Html, Part, bullet_list, html_table, joined, paragraph
from kit.page.wording import listed
from kit.review.walk import Results, Review
from kit.settings.metric import HEADLINE
from kit.value.weigh import Value


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
                rows.append(
                    [
                        book.product_name(standing.product),
                        book.by_id[f"{base}/price/{standing.product}"],
                        book.by_id[f"{base}/suite_fps/{standing.product}"],
                        book.by_id[f"{base}/cost_per_fps/{standing.product}"],
                        _frontier_words(standing.frontier, standing.dominated_by, book),
                    ]
                )
        words = kind_words(value, kind)
        pieces.append(
            html_table(
                f"What a frame per second costs, {words}",
                [
                    Column("Product"),
                    Column("Price", value.currency, number=True),
                    Column("Suite average", "fps", number=True),
                    Column("Per frame per second", value.currency, number=True),
                    Column("Frontier"),
                ],
                rows,
                mark_words=mark_words(review),
                locale=review.params.locale,
            )
        )
        weighed: list[list[Part | None]] = []
        for weighing in value.weighings:
            if weighing.kind == kind:
                pair = f"{weighing.product}-over-{weighing.rival}"
                weighed.append(
                    [
                        book.product_name(weighing.rival),
                        book.by_id[f"value/{kind}/premium/{pair}"],
                        book.get(f"suite/{HEADLINE}/all/{pair}"),
                        book.by_id[f"value/{kind}/equal_value_price/{pair}"],
                        book.by_id[f"value/{kind}/cut_needed/{pair}"],
                    ]
                )
        if weighed:
            pieces.append(
                html_table(
                    f"{book.product_name(review.params.product)} weighed against each, {words}",
                    [
                        Column("Against"),
                        Column("Premium", "%", number=True),
                        Column("Performance", "%", number=True),
                        Column("Price of equal value", value.currency, number=True),
                        Column("Cut needed", "%", number=True),
                    ],
                    weighed,
                    mark_words=mark_words(review),
                    locale=review.params.locale,
                )
            )
    if value.left_out:
        pieces.append(
            bullet_list(
                f"{book.product_name(product)}, {kind}: {reason}"
                for (product, kind), reason in value.left_out.items()
            )
        )
    return joined(*pieces)


def kind_words(value: Value, kind: str) -> str:
    """Return a kind of price in words: a scenario by the name params give it."""
    for (_, of_kind), price in value.prices.items():
        for mark in price.marks:
            if of_kind == kind and mark.startswith("scenario: "):
                return f"supposed: {mark.removeprefix('scenario: ')}"
    return f"{kind} prices"


def _frontier_words(place: str, by: tuple[str, ...], book: ClaimBook) -> str:
    words = {
        "on": "on the frontier",
        "tie": "on the frontier, tied",
        "dominated": "dominated",
        "extendedly_dominated": "dominated by a mix",
        "other_class": "another class of machine",
    }.get(place, place)
    return f"{words} by {listed(book.product_name(p) for p in by)}" if by else words
