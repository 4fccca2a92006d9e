"""The parts of a review's page about levels in dB and about energy."""

from __future__ import annotations

from kit.claims.claim import Claim, ClaimBook
from kit.claims.write import claim_id
from kit.margins.energy import EnergyStanding
from kit.page.background import mark_words
from kit.page.html import Column, Html, Part, heading, html_table, joined
from kit.page.wording import claims_frame
from kit.review.walk import Results, Review


def _of_power(kind: str, s: EnergyStanding, book: ClaimBook) -> Claim | None:
    metric = f"{kind}-metered-by-{s.power_title}" if s.power_title else kind
    return book.get(claim_id(kind, metric=metric, title=s.title, product=s.product))


SOURCES = {
    "logged": "power logged by the part's own sensor",
    "metered": "power metered at the machine",
}


def levels_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return what is measured in dB: a row a title and baseline, as differences, never ratios."""
    rows: list[list[Part | None]] = []
    for level in results.levels:
        if level.product != review.params.product:
            continue
        rows.append(
            [
                book.title_name(level.title),
                book.product_name(level.baseline),
                *(book.get(f"cell/value/{level.title}/{cell.product}") for cell in level.cells),
                book.get(
                    claim_id(
                        "level_difference",
                        metric=level.metric,
                        title=level.title,
                        product=level.product,
                        baseline=level.baseline,
                    )
                ),
            ]
        )
    if not rows:
        return Html("")
    units = {level.unit for level in results.levels}
    unit = units.pop() if len(units) == 1 else ""
    product = book.product_name(review.params.product)
    return html_table(
        f"Levels of {product} and of what it is set against: differences, not ratios",
        [
            Column("Title"),
            Column("Against"),
            Column(product, unit, number=True),
            Column("The other", unit, number=True),
            Column("Product minus other", unit, number=True, outcomes=True),
        ],
        rows,
        row_heads=2,
        note="A lower level is the better one of noise: ahead (+) is quieter.",
        mark_words=mark_words(review),
        locale=review.params.locale,
        frame=claims_frame(book, "level_difference", "value"),
    )


def energy_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the energy per frame where power was logged or metered, and the reviewed product's
    frames per second per watt.

    A table for each way of measuring power: the two see different things and are not compared.
    """
    pieces = []
    compared = (review.params.product, *review.params.compared)
    for source, words in SOURCES.items():
        standings = [s for s in results.energy if s.source == source and s.product in compared]
        products = [p for p in compared if any(s.product == p for s in standings)]
        if not standings:
            continue
        found = {(s.title, s.power_title, s.product): s for s in standings}
        rows: list[list[Part | None]] = []
        for title, meter in dict.fromkeys((s.title, s.power_title) for s in standings):
            row = [found.get((title, meter, p)) for p in products]
            mine = found.get((title, meter, review.params.product))
            rows.append(
                [
                    book.title_name(title),
                    *(_of_power("energy", s, book) if s else None for s in row),
                    _of_power("fps_per_watt", mine, book) if mine else None,
                ]
            )
        pieces.append(
            html_table(
                f"Energy per frame: {words}",
                [
                    Column("Title"),
                    *(Column(book.product_name(p), "J", number=True) for p in products),
                    Column(f"{book.product_name(review.params.product)}", "fps/W", number=True),
                ],
                rows,
                note="The last column is its frames per second per watt, 1 divided by the energy "
                "per frame.",
                mark_words=mark_words(review),
                locale=review.params.locale,
                frame=claims_frame(book, "energy", "energy"),
            )
        )
    return joined(heading("Energy", level=3), *pieces) if pieces else Html("")
