"""The parts of the page about how a bench stands: spread, what is old, what is missing, what to
run first."""

from __future__ import annotations

from kit.claims.claim import ClaimBook
from kit.claims.of_pages import COMPONENTS
from kit.claims.write import claim_id
from kit.page.html import Column, Html, Part, html_table, paragraph
from kit.page.wording import claims_frame
from kit.review.health import Health, measure_health
from kit.review.walk import Results, Review
from kit.settings.metric import HEADLINE, METRIC_LABELS

SPREAD_MARKS = {
    "one_session": "no product has two sessions",
    "sessions_not_recorded": "sessions are not recorded",
    "one_run_a_session": "one run a session: runs and sessions cannot be told apart",
    "single_runs": "single runs",
}
COMPONENT_WORDS = {
    "run": "from run to run",
    "session": "from session to session",
    "interaction": "of a product's strength from title to title",
    "product": "from product to product",
    "title": "from title to title",
}


def health_summary_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return how much of the bench is old or missing, in a sentence."""
    health = measure_health(review, results)
    parts: list[Part] = [
        f"{len(review.params.products)} products in ",
        book.by_id["count/titles"],
        " titles, ",
        book.by_id["count/runs/used"],
        " runs used. Stale: ",
        book.by_id["count/health/stale"],
        " cells; without a used run: ",
        book.by_id["count/health/gaps"],
        ". ",
    ]
    if health.tasks:
        first = health.tasks[0]
        parts += [f"First to run: {book.product_name(first.product)}, {first.why}."]
    else:
        parts += ["Nothing asks to be run again."]
    return paragraph(*parts, css="lead")


def spread_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return, for each metric and title, how far two runs may be apart when nothing changed."""
    health = measure_health(review, results)
    rows: list[list[Part | None]] = [
        [
            METRIC_LABELS[r.metric],
            book.title_name(r.title),
            f"{r.products}, {r.sessions}, {r.runs}",
            book.get(claim_id("spread", metric=r.metric, title=r.title, part="run_sd")),
            book.get(claim_id("spread", metric=r.metric, title=r.title, part="repeatability")),
            book.get(claim_id("spread", metric=r.metric, title=r.title, part="reproducibility")),
            "; ".join(SPREAD_MARKS.get(mark, mark) for mark in r.marks),
        ]
        for r in health.repeats
    ]
    return html_table(
        "How far two runs of one product may be apart when nothing changed",
        [
            Column("Metric"),
            Column("Title"),
            Column("Products, sessions, runs"),
            Column("Spread of runs in a session", number=True),
            Column("Limit in one session", number=True),
            Column("Limit across sessions", number=True),
            Column("Not known, because"),
        ],
        rows,
        row_heads=2,
        note="After ISO 5725: two runs differ by more than the limit in one of twenty cases. A "
        "smaller difference between two single runs says nothing.",
        locale=review.params.locale,
        frame=health.to_frame(),
    )


def components_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return where the spread of the bench comes from."""
    health = measure_health(review, results)
    rows: list[list[Part | None]] = [
        [
            COMPONENT_WORDS[what],
            *(
                book.get(claim_id("component", metric=p.metric, part=what))
                for p in health.components
            ),
        ]
        for what in COMPONENTS
    ]
    return html_table(
        "Where differences on the bench come from",
        [
            Column("Spread"),
            *(Column(METRIC_LABELS[p.metric], number=True) for p in health.components),
        ],
        rows,
        note="Standard deviations of logarithms, as shares. Empty where the bench cannot tell.",
        locale=review.params.locale,
        frame=claims_frame(book, "component", HEADLINE),
    )


def stale_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return what was run before what the bench runs now."""
    health = measure_health(review, results)
    if not health.stale:
        return paragraph("No run is from before what the bench runs now.")
    return html_table(
        "Run before what the bench runs now",
        [Column("Product"), Column("Titles"), Column("Newest run"), Column("Why")],
        [
            [book.product_name(product), titles, day, reason]
            for product, titles, day, reason in _stale_rows(health, book, review)
        ],
        frame=health.stale_frame(),
    )


def _stale_rows(health: Health, book: ClaimBook, review: Review) -> list[tuple[str, str, str, str]]:
    """Return stale cells, those of one product with one reason told once."""
    groups: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for s in health.stale:
        day = "no date" if s.newest is None else s.newest.isoformat()
        groups.setdefault((s.product, s.reason), []).append((s.title, day))
    rows = []
    for (product, reason), cells in groups.items():
        every = {title for title, _ in cells} >= set(review.titles)
        titles = "all" if every else ", ".join(book.title_name(title) for title, _ in cells)
        days = sorted({day for _, day in cells})
        shown = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
        rows.append((product, titles, shown, reason))
    return rows


def gaps_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return every product and title without a used run, and why."""
    health = measure_health(review, results)
    if not health.gaps:
        return paragraph("Every product of the review has a used run in every title.")
    return html_table(
        "Without a used run",
        [Column("Product"), Column("Title"), Column("Why")],
        [[book.product_name(g.product), book.title_name(g.title), g.reason] for g in health.gaps],
        row_heads=2,
        frame=health.gaps_frame(),
    )


def tasks_section(review: Review, results: Results, book: ClaimBook) -> Html:
    """Return what to run first, and how long it takes."""
    health = measure_health(review, results)
    if not health.tasks:
        return paragraph("Nothing asks to be run again.")
    rows: list[list[Part | None]] = [
        [
            f"{task.place}. {book.product_name(task.product)}",
            task.why,
            "all"
            if len(task.titles) == len(review.titles)
            else ", ".join(book.title_name(title) for title in task.titles),
            book.get(f"task/runs/{task.product}"),
            book.get(f"task/minutes/{task.product}"),
            f"{task.margins}",
        ]
        for task in health.tasks
    ]
    return html_table(
        "What to run first",
        [
            Column("Product"),
            Column("Why"),
            Column("Titles"),
            Column("Runs", number=True),
            Column("Minutes", number=True),
            Column("Margins it bears on", number=True),
        ],
        rows,
        note="The product that most margins rest on comes first; among equals, the one with the "
        "oldest runs. Minutes count runs and launches, on one machine at a time.",
        locale=review.params.locale,
        frame=health.tasks_frame(),
    )
