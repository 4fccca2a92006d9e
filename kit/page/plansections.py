"""The parts of the page of a plan: runs to make, what they show, their order, the check-list."""

from __future__ import annotations

from kit.claims.claim import ClaimBook, claim_id
from kit.page.html import Column, Html, Part, bullet_list, heading, html_table, joined, paragraph
from kit.planning.of_review import order_frame, plan_of_review
from kit.planning.runs_needed import PlannedMargin
from kit.review.walk import Review
from kit.rounding import number, plain_text, share_text


def plan_summary_section(review: Review, book: ClaimBook) -> Html:
    """Return what is asked, and what it takes, in a sentence."""
    plan = plan_of_review(review).plan
    locale = review.params.locale
    return joined(
        paragraph(
            "To resolve a margin of ",
            book.by_id["plan/margin"],
            f" in {plain_text(100 * plan.power, unit='%', locale=locale).text} of cases, at "
            f"confidence {plain_text(plan.confidence, digits=3, locale=locale).text}: ",
            book.by_id["plan/runs"],
            " runs to make, ",
            book.by_id["plan/minutes"],
            " minutes of bench time.",
            css="lead",
        ),
        bullet_list(plan.notes),
        bullet_list(
            f"{book.title_name(t)} is not planned: {why}" for t, why in plan.left_out.items()
        ),
    )


def plan_section(review: Review, book: ClaimBook) -> Html:
    """Return the runs to make: a row a title, a column a product."""
    plan = plan_of_review(review).plan
    cells = {(c.product, c.title): c for c in plan.cells}
    products = list(dict.fromkeys(c.product for c in plan.cells))
    rows: list[list[Part | None]] = [
        [
            book.title_name(title),
            *(
                book.get(claim_id("plan", part="runs", title=title, product=p))
                if (p, title) in cells
                else None
                for p in products
            ),
        ]
        for title in plan.titles
    ]
    return html_table(
        "Runs still to make",
        [
            Column("Title"),
            *(Column(book.product_name(p), "runs", number=True) for p in products),
        ],
        rows,
        locale=review.params.locale,
        frame=plan.to_frame(),
    )


def plan_margins_section(review: Review, book: ClaimBook) -> Html:
    """Return the smallest margin that the runs planned resolve: a row a title."""
    plan = plan_of_review(review).plan
    found = {(m.baseline, m.title): m for m in plan.margins}
    rows: list[list[Part | None]] = [
        [
            book.title_name(title),
            *(_smallest(found.get((b, title)), book) for b in plan.baselines),
        ]
        for title in plan.titles
    ]
    short: dict[str, list[str]] = {}
    for m in plan.margins:
        if not m.resolved:
            short.setdefault(m.baseline, []).append(book.title_name(m.title))
    lines = [
        f"Against {book.product_name(baseline)} the power asked for is not reached in "
        f"{', '.join(titles)}: the runs there are, or the most allowed, are too few."
        for baseline, titles in short.items()
    ]
    return joined(
        html_table(
            "The smallest margin that those runs resolve",
            [
                Column("Title"),
                *(Column(f"over {book.product_name(b)}", number=True) for b in plan.baselines),
            ],
            rows,
            note="With the power asked for. A smaller lead may still turn out resolved, by luck.",
            locale=review.params.locale,
            frame=plan.margins_frame(),
        ),
        bullet_list(lines),
    )


def _smallest(margin: PlannedMargin | None, book: ClaimBook) -> Part | None:
    if margin is None:
        return None
    return (
        book.get(
            claim_id(
                "plan_margin", title=margin.title, product=margin.product, baseline=margin.baseline
            )
        )
        or "none, however large"
    )


def budget_section(review: Review, book: ClaimBook) -> Html:
    """Return which titles gain most from another run, and what a budget is best spent on."""
    plan = plan_of_review(review).plan
    locale = review.params.locale
    pieces = []
    if plan.title_gains:
        pieces.append(
            html_table(
                "What one more run of a title on every product would bring",
                [
                    Column("Title"),
                    Column("Its share of the suite's variance", number=True),
                    Column("Part of it that goes", number=True),
                    Column("Minutes still planned", number=True),
                ],
                [
                    [
                        book.title_name(g.title),
                        _share(g.variance_share, locale),
                        _share(g.gain_share, locale),
                        number(g.minutes, decimals=0, locale=locale),
                    ]
                    for g in plan.title_gains
                ],
                frame=plan.titles_frame(),
            )
        )
    if plan.next_runs:
        pieces.append(
            html_table(
                "What the budget is best spent on, in this order",
                [
                    Column("Place"),
                    Column("Product"),
                    Column("Title"),
                    Column("Minutes so far", number=True),
                    Column("Why"),
                ],
                [
                    [
                        f"{run.place}",
                        book.product_name(run.product),
                        book.title_name(run.title),
                        number(run.minutes, decimals=0, locale=locale),
                        run.reason,
                    ]
                    for run in plan.next_runs
                ],
                frame=plan.next_runs_frame(),
            )
        )
    return joined(*pieces)


def order_section(review: Review, book: ClaimBook) -> Html:
    """Return the order of the runs, to be printed and kept to."""
    order = plan_of_review(review).order
    if not order:
        return paragraph("No run is left to make.")
    return html_table(
        "Every run, in the order to make it",
        [
            Column("Place"),
            Column("Block"),
            Column("Product"),
            Column("Title"),
            Column("Run"),
            Column("Done, remarks"),
        ],
        [
            [
                f"{run.place}",
                f"{run.block}",
                book.product_name(run.product),
                book.title_name(run.title),
                f"{run.number}",
                "",
            ]
            for run in order
        ],
        note="Drawn once from the seed in params, so that drift falls on no product alone.",
        frame=order_frame(order),
    )


def checklist_section(review: Review, book: ClaimBook) -> Html:
    """Return the check-list, to be printed and ticked off."""
    pieces: list[Html] = []
    items: list[str] = []
    for line in plan_of_review(review).checks[1:]:
        if line.startswith("["):
            items.append(f"\u2610 {line[4:]}")
        elif line.startswith(" "):
            items.append(f"\u2003\u2610 {line.strip()[4:]}")
        elif line:
            pieces.append(bullet_list(items, css="checks"))
            items = []
            pieces.append(heading(line, level=3))
    pieces.append(bullet_list(items, css="checks"))
    return joined(*pieces)


def pilot_section(review: Review, book: ClaimBook) -> Html:
    """Return whether the runs made so far reached the precision planned, and what may follow."""
    planned = plan_of_review(review)
    pilot = planned.pilot
    if pilot is None:
        return paragraph("No product has two runs of a title yet, so there is no pilot to look at.")
    locale = review.params.locale
    rows: list[list[Part | None]] = [
        [
            book.title_name(m.title),
            book.product_name(m.baseline),
            f"{m.runs} of {m.planned_runs}",
            "too few to tell" if m.reached is None else "reached" if m.reached else "missed",
            _share(m.power_seen, locale),
            "" if m.runs_by_spread is None else f"{m.runs_by_spread}",
            "" if m.runs_cautious is None else f"{m.runs_cautious}",
        ]
        for m in pilot.margins
    ]
    return joined(
        html_table(
            f"Planned precision so far: reached in {pilot.reached} margins, missed in "
            f"{pilot.missed}, too few runs to tell in {pilot.too_few}",
            [
                Column("Title"),
                Column("Against"),
                Column("Runs"),
                Column("Precision"),
                Column("Power at the spread seen", number=True),
                Column("Runs that spread asks for", number=True),
                Column("With caution", number=True),
            ],
            rows,
            row_heads=2,
            frame=pilot.to_frame(),
        ),
        paragraph(pilot.rule),
    )


def _share(share: float | None, locale: str) -> str:
    return "" if share is None else share_text(share, locale=locale).text
