"""The parts of a page about a re-test: what moved since, and what may be said with it."""

from __future__ import annotations

from kit.claims.claim import ClaimBook
from kit.claims.write import claim_id
from kit.margins.drift import Drift
from kit.page.background import mark_words
from kit.page.html import Column, Html, Part, bullet_list, heading, html_table, joined, paragraph
from kit.page.wording import claims_frame, listed, other_metrics
from kit.review.walk import Results, Review
from kit.settings.metric import HEADLINE, METRIC_LABELS

LAWFUL = (
    "Run again what was not, and compare new runs with new runs alone; or leave the old runs, keep "
    "the mark on every margin that rests on them, and state the drift beside it. Drift is never "
    "taken out of a margin, and old and new runs of one product are never put together.",
)


def drift_section(
    review: Review, results: Results, book: ClaimBook, *, metric: str = HEADLINE
) -> Html:
    """Return the drift of the products that were run again, and which margins it stands beside.

    Nothing where params have no section `retest`.
    """
    if review.params.retest is None:
        return Html("")
    drifts = [d for d in results.drifts if d.metric == metric]
    if not drifts:
        if metric != HEADLINE:
            return Html("")
        return paragraph(
            "No product has used runs of before and used runs made again in one title, so nothing "
            "tells what moved since."
        )
    pieces = [_table(drifts, review, book, metric)]
    if metric == HEADLINE:
        pieces.insert(0, heading("What moved since", level=3))
    if metric == HEADLINE:
        pieces += [bullet_list(_beside(review, results, book, drifts)), bullet_list(LAWFUL)]
    return joined(*pieces)


def other_drift_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return the drift of each other steady metric of frames compared."""
    others = other_metrics(review)
    return joined(*(drift_section(review, results, book, metric=metric) for metric in others))


def _table(drifts: list[Drift], review: Review, book: ClaimBook, metric: str) -> Html:
    anchors = list(dict.fromkeys(anchor for d in drifts for anchor in d.anchors))
    rows: list[list[Part | None]] = [
        [
            book.title_name(d.title) if d.title else "All titles every one of them ran",
            *(
                book.get(claim_id("drift_anchor", metric=d.metric, title=d.title, product=anchor))
                for anchor in anchors
            ),
            book.get(claim_id("drift", metric=d.metric, title=d.title, part="these")),
            book.get(claim_id("drift", metric=d.metric, title=d.title, part="others")),
        ]
        for d in drifts
    ]
    return html_table(
        f"What moved since, new runs over old, up (+) is better now: {METRIC_LABELS[metric]}",
        [
            Column("Title"),
            *(Column(book.product_name(a), "%", number=True) for a in anchors),
            Column("All of these", "%", number=True, outcomes=True),
            Column("Products like these", "%", number=True),
        ],
        rows,
        note="The last column holds for products that were not run again, as far as those that "
        "were stand for them. It is empty with a single one.",
        mark_words=mark_words(review),
        locale=review.params.locale,
        frame=claims_frame(book, "drift_anchor", metric),
    )


def _beside(
    review: Review, results: Results, book: ClaimBook, drifts: list[Drift]
) -> list[list[Part]]:
    """Return a line for each baseline whose margins are marked, with the drift beside it."""
    marked: dict[tuple[str, str], int] = {}
    for margin in results.margins:
        if margin.metric == HEADLINE and "before_retest" in margin.marks:
            pair = margin.product, margin.baseline
            marked[pair] = marked.get(pair, 0) + 1
    again = listed([book.product_name(a) for a in drifts[-1].anchors])
    lines: list[list[Part]] = []
    for (product, baseline), count in marked.items():
        of = "1 margin" if count == 1 else f"{count} margins"
        last = drifts[-1]
        whole = {c.part: c for c in book.of_kind("drift", metric=last.metric, title=last.title)}
        these = whole["these"]
        line: list[Part] = [
            f"{of} of {book.product_name(product)} over {book.product_name(baseline)}: one side "
            f"was run again, the other was not. {again} moved by ",
            these,
            f" ({these.interval}) since",
        ]
        others = whole.get("others")
        if others is None:
            line.append("; one product says nothing of how far others moved.")
        else:
            line += ["; products like these ", others, f" ({others.interval})."]
        lines.append(line)
    if not lines:
        lines.append(["No margin sets runs made again against runs of before."])
    return lines
