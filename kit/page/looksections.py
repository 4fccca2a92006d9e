"""The parts of the page that looks into one product and title. Every figure is a claim, save
places in a run and readings of sensors, which the charts' tables hold too."""

from __future__ import annotations

from kit.claims.claim import ClaimBook, claim_id, claims_frame
from kit.metrics.series import SENSOR_WORDS
from kit.page.html import Column, Html, Part, bullet_list, html_table, joined, paragraph
from kit.page.view import mark_words
from kit.review.look_into import Look, LookedRun, look_into
from kit.review.walk import Review
from kit.rounding import fps_text, number
from kit.settings.metric import HEADLINE, HEADLINE_LOW, METRIC_LABELS, tail_shares

MOST_HITCHES = 20


def look_summary_section(review: Review, book: ClaimBook) -> Html:
    """Return what is looked into, with its average, and what of it is not shown."""
    look = look_into(review)
    used = sum(run.used for run in look.runs)
    parts: list[Part] = [
        f"{book.product_name(look.product)} in {book.title_name(look.title)}: "
        f"{len(look.runs)} runs, {used} of them used"
    ]
    average = book.get(claim_id("cell", metric=HEADLINE, title=look.title, product=look.product))
    low = book.get(claim_id("cell", metric=HEADLINE_LOW, title=look.title, product=look.product))
    if average is not None:
        parts += [", average ", average]
    if low is not None:
        parts += [f", {METRIC_LABELS[HEADLINE_LOW]} ", low]
    aside = [f"{run.run} is set aside: {run.reason}" for run in look.runs if not run.used]
    more = [f"Not shown, but among the used: {', '.join(look.not_shown)}"] if look.not_shown else []
    return joined(paragraph(*parts, ".", css="lead"), bullet_list([*aside, *more]))


def look_runs_section(review: Review, book: ClaimBook) -> Html:
    """Return a row a run: average, lows, hitches, time over each budget."""
    look = look_into(review)
    budgets = review.params.metrics.budgets_hz
    rows: list[list[Part | None]] = [
        [
            run.run,
            "used" if run.used else "set aside",
            *(book.get(f"run/{metric}/{run.run}") for metric in look.compared),
            book.get(claim_id("look", part="hitches", run=run.run)),
            *(
                book.get(claim_id("look", part=f"over_budget/{hz:g}hz", run=run.run))
                for hz in budgets
            ),
        ]
        for run in look.runs
    ]
    return html_table(
        "The runs one by one",
        [
            Column("Run"),
            Column("Used"),
            *(Column(METRIC_LABELS[metric], "fps", number=True) for metric in look.compared),
            Column("Hitches", number=True),
            *(Column(f"Time over {1000 / hz:.1f} ms ({hz:g} Hz)", number=True) for hz in budgets),
        ],
        rows,
        note="Time over a budget: the share of the run spent in frames that lasted longer.",
        mark_words=mark_words(book),
        locale=review.params.locale,
        frame=look.to_frame(),
    )


def look_lows_section(review: Review, book: ClaimBook) -> Html:
    """Return the lows of each run under every definition."""
    look = look_into(review)
    definitions = list(look.runs[0].metrics.lows)
    rows: list[list[Part | None]] = [
        [
            METRIC_LABELS[metric],
            run.run,
            *(
                book.get(claim_id("look", part=f"low/{d}/{metric}", run=run.run))
                for d in definitions
            ),
        ]
        for metric in tail_shares(look.compared)
        for run in look.runs
    ]
    in_force = review.params.metrics.low.replace("_", " ")
    return html_table(
        "Lows under every definition",
        [
            Column("Low"),
            Column("Run"),
            *(Column(d.replace("_", " "), "fps", number=True) for d in definitions),
        ],
        rows,
        row_heads=2,
        note=f"In force: {in_force}. The definitions differ, not the runs.",
        locale=review.params.locale,
        frame=claims_frame(book.of_kind("look", metric=HEADLINE_LOW)),
    )


def look_hitches_section(review: Review, book: ClaimBook) -> Html:
    """Return the longest hitches of all runs, with their place in the run."""
    look = look_into(review)
    hitches = [hitch for run in look.runs for hitch in run.hitches]
    settings = review.params.metrics
    rule = (
        f"A hitch lasts more than {settings.hitch_factor:g} times the median of the frames around "
        f"it, and more than {settings.hitch_ms:g} ms longer."
    )
    if not hitches:
        return paragraph(f"No hitch in any run. {rule}")
    worst = sorted(hitches, key=lambda h: h.around_ms - h.frame_ms)[:MOST_HITCHES]
    locale = review.params.locale

    def ms(value: float) -> str:
        return fps_text(value, unit="ms", locale=locale).text

    return html_table(
        f"The longest of {number(len(hitches), decimals=0, locale=locale)} hitches",
        [
            Column("Run"),
            Column("At", "s", number=True),
            Column("Frame", "ms", number=True),
            Column("Median around it", "ms", number=True),
        ],
        [
            [
                h.run,
                number(h.time_s, decimals=2, locale=locale),
                ms(h.frame_ms),
                ms(h.around_ms),
            ]
            for h in worst
        ],
        note=rule,
        locale=locale,
        frame=look.hitches_frame(),
    )


def look_sensors_section(review: Review, book: ClaimBook) -> Html:
    """Return what the sensors of each run read in its first fifth and in its last."""
    look = look_into(review)
    logged = [s for s in SENSOR_WORDS if any(s in run.series.sensor_ends for run in look.runs)]
    if not logged:
        return paragraph("No sensor was logged with these runs.")
    return html_table(
        "Sensors, first fifth of a run to last",
        [
            Column("Run"),
            *(Column(SENSOR_WORDS[s][0].capitalize(), SENSOR_WORDS[s][1]) for s in logged),
        ],
        [[run.run, *(_ends(run, s, review.params.locale) for s in logged)] for run in look.runs],
        locale=review.params.locale,
    )


def look_blocks_section(review: Review, book: ClaimBook) -> Html:
    """Return how much of the spread between runs the frames within them would explain."""
    look = look_into(review)
    metrics = [m for m in look.compared if any(m in run.blocks.within_sd for run in look.runs)]
    rows: list[list[Part | None]] = []
    for run in look.runs:
        row: list[Part | None] = [run.run]
        for metric in metrics:
            row.append(book.get(claim_id("look", part=f"within_sd/{metric}", run=run.run)))
            row.append(book.get(claim_id("look", part=f"effective_frames/{metric}", run=run.run)))
        rows.append(row)
    shares = _shares(look, book)
    if shares:
        row = ["Share of the spread between runs"]
        for metric in metrics:
            row += [shares.get(metric), None]
        rows.append(row)
    columns = [Column("Run")]
    for metric in metrics:
        columns.append(Column(f"{METRIC_LABELS[metric]}: error from frames alone", number=True))
        columns.append(Column("independent frames", number=True))
    return html_table(
        "Errors from frames alone, run by run",
        columns,
        rows,
        note="A diagnostic: no interval rests on it. Where the last row is far below 100 %, runs "
        "differ by more than their frames, and only more runs help; near it, longer runs would.",
        locale=review.params.locale,
    )


def _shares(look: Look, book: ClaimBook) -> dict[str, Part | None]:
    found = {
        metric: book.get(
            claim_id("share_within", metric=metric, title=look.title, product=look.product)
        )
        for metric in look.share_within
    }
    return {metric: claim for metric, claim in found.items() if claim is not None}


def _ends(run: LookedRun, sensor: str, locale: str) -> str | None:
    if sensor not in run.series.sensor_ends:
        return None
    start, end = run.series.sensor_ends[sensor]
    if start != start or end != end:
        return None
    decimals = 0 if sensor == "clock_mhz" else 1
    first, last = (number(value, decimals=decimals, locale=locale) for value in (start, end))
    return f"{first} to {last}"
