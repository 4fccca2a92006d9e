"""What pages show: tables and lists, declared; the rest as functions of the claims.

Every figure is a claim; nothing is computed here. What a `Table` cannot say (lists joined in a
cell, alike rows told once, settings) is a function of the book that returns a piece of the page.
`PIECES`, at the end, names all of them as templates do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from string import Formatter
from typing import Any

from kit.claims.claim import Claim, ClaimBook, claims_frame
from kit.claims.of_review import listed
from kit.methods import METHODS
from kit.page.html import (
    Column,
    Html,
    Part,
    bullet_list,
    heading,
    html_table,
    joined,
    page_head,
    paragraph,
    text_html,
)
from kit.page.view import OWN, Cell, Lines, Piece, Table, mark_words, show
from kit.rounding import grouped, number
from kit.screening.screen import rules_in_force
from kit.settings.metric import HEADLINE, HEADLINE_LOW, METRICS
from kit.settings.params import ScreenParams

LIMIT_RULES = ("processor_bound", "capped", "throttling", "drift_in_run")
COUNTS = "Ahead, behind, level, unresolved"
FALSE = "Of ahead and behind, expected to be false"


def _begins(with_words: str) -> Callable[[str], bool]:
    """Return a test of a field's value for `Cell.where`."""
    return lambda value: value.startswith(with_words)


def _parts(template: str, **given: Part) -> list[Part]:
    """Return a sentence in parts: its places, in braces, hold figures, pieces and texts."""
    parts: list[Part] = []
    for text, name, _, _ in Formatter().parse(template):
        parts += [text] if name is None else [text, given[name]]
    return parts


def _page_title(book: ClaimBook) -> Html:
    """Return the page's title, byline and date."""
    return page_head(book.title, byline=book.byline, date=book.date)


ALIKE = (
    Table(
        "Controls: what was alike, and what was not",
        heads=(("Control", "{metric}"),),
        cells=(Cell("control", "{each}", each="product"),),
    ),
    Lines("waiver", "{text}", otherwise="Every control was alike on both sides of every margin."),
)
SPECIFICATION = Table(
    "Specifications as given by the makers, and figures derived from them",
    heads=(("Quantity", "{metric}"),),
    cells=(Cell("specification", "{each}", each="product"),),
)
TITLES = Table(
    "{Metric} per title, with the interval of its runs",
    heads=(("Title", "{title}"),),
    metric=HEADLINE,
    cells=(Cell("cell", "{each}", each="product", instead="no_figure"),),
    note="Words stand where nothing ran: see Evidence.",
)
MARGINS = Table(
    "How far {own} is ahead (+) or behind (−) per title: {metric}",
    heads=(("Title", "{title}"),),
    metric=HEADLINE,
    cells=(Cell("margin", "over {each}", each="baseline", outcomes=True),),
    where={"product": OWN},
    last=("All titles", {"kind": "suite", "group": "all", "title": ""}),
)


def _other_metrics(book: ClaimBook) -> list[str]:
    """Return the metrics compared that have tables beside the headline's."""
    compared = book.settings["metrics"]["compared"]
    return [name for name in compared if METRICS[name].steady and name != HEADLINE]


def _other(table: Table) -> Callable[[ClaimBook], Html]:
    """Return what shows a table for each other steady metric of frames compared."""

    def shown(book: ClaimBook) -> Html:
        return joined(*(show(book, table, metric=metric) for metric in _other_metrics(book)))

    return shown


LEVELS = Table(
    "Levels of {own} and of what it is set against: differences, not ratios",
    heads=(("Title", "{title}"), ("Against", "{baseline}")),
    cells=(
        Cell("cell", "{own}", {"baseline": ""}),
        Cell("cell", "The other", {"baseline": "", "product": "{baseline}"}),
        Cell("level_difference", "Product minus other", outcomes=True),
    ),
    where={"product": OWN},
    metric="value",
    note="A lower level is the better one of noise: ahead (+) is quieter.",
)
ALL_RUNS = Table(
    "{count} margins would read otherwise with the set-aside runs put back",
    heads=(("Products", "{product} over {baseline}"), ("Title", "{title}")),
    metric=HEADLINE,
    cells=(Cell("margin", "As stated"), Cell("margin_all_runs", "With all runs")),
    keep=lambda claims: len({claim.text for claim in claims}) == 2,
    otherwise="No margin of the average changes by more than its rounding when the runs set "
    "aside are put back.",
)
UNSTRUCK = Table(
    "Margins less what steps and drifts inside runs strike",
    heads=(("Products", "{product} over {baseline}"), ("Title", "{title}")),
    metric=HEADLINE,
    cells=(
        Cell("margin", "As stated", outcomes=True),
        Cell("margin_unstruck", "Less what is struck", outcomes=True),
    ),
    keep=lambda claims: len(claims) == 2,
    note="A stretch struck in one run is left out of all runs of its title; a drifting run is left "
    "out whole. Which, and why, stands under Evidence.",
)
ROBUST = Table(
    "{count} margins whose mean and robust mean part",
    heads=(("Metric", "{metric}"), ("Products", "{product} over {baseline}"), ("Title", "{title}")),
    metric=HEADLINE,
    cells=(Cell("margin", "As stated", outcomes=True), Cell("margin_robust", "By robust means")),
    keep=lambda claims: len(claims) == 2,
    note="Some runs of a side are slower or faster than the rest. The margin stands as it is: what "
    "made them so decides which is the better figure.",
)
_PAIR_TABLES = (
    Table(
        "Other pairs: suite margins",
        heads=(("Product", "{product}"), ("Against", "{baseline}"), ("Titles", "{group}")),
        metric=HEADLINE,
        cells=(
            Cell("suite", "Margin, for these titles", outcomes=True),
            Cell("suite_like", "For titles like these", {"interval": bool}, needed=False),
            Cell("suite_count", COUNTS),
        ),
    ),
    Table(
        "Other pairs, title by title",
        heads=(("Product", "{product}"), ("Against", "{baseline}"), ("Title", "{title}")),
        metric=HEADLINE,
        cells=(Cell("margin", "Margin", outcomes=True),),
    ),
    Table(
        "Other pairs: money, {split}",
        heads=(("Product", "{product}"), ("Against", "{baseline}")),
        metric=HEADLINE,
        cells=(
            Cell("premium", "Premium"),
            Cell("price_difference", "Difference", needed=False),
            Cell("equal_value_price", "Price of equal value"),
            Cell("cut_needed", "Cut needed"),
        ),
        split="group",
        order="claims",
    ),
)


def _pairs(book: ClaimBook) -> Html:
    """Return margins, suites and premiums of the pairs that params name under `pairs`."""
    asked = {(pair["product"], pair["over"]) for pair in book.settings.get("pairs") or ()}

    def of_pairs(claims: Sequence[Claim]) -> bool:
        return (claims[0].product, claims[0].baseline) in asked

    tables = [replace(table, keep=of_pairs) for table in _PAIR_TABLES]
    return show(book, *tables) if asked else Html("")


SUITES = (
    Table(
        "Suite margins of {own}: geometric means over shared titles",
        heads=(("Titles", "{group}"), ("Against", "{baseline}")),
        metric=HEADLINE,
        cells=(
            Cell("suite", "Margin, for these titles", outcomes=True),
            Cell("suite_like", "For titles like these", {"interval": bool}, needed=False),
            Cell("suite_smallest", "Smallest"),
            Cell("suite_largest", "Largest"),
            Cell("suite_count", COUNTS),
            Cell("suite_false", FALSE, needed=False),
        ),
        where={"product": OWN},
    ),
    Lines("every_title", "{text}"),
    _pairs,
    "Not shared",
    Lines("left_out", "{title} is not in the suite against {baseline}: {text}"),
)
PARTS = Table(
    "{own}, over the machines that hold its part",
    heads=(("Metric", "{metric}"), ("Against", "{baseline}")),
    cells=(
        Cell("part", "Margin of the part", outcomes=True),
        Cell("part_spread", "Standard deviation from machine to machine"),
        Cell("suite", "Margin of the one machine", {"group": "all"}, outcomes=True),
    ),
    where={"product": OWN, "group": lambda group: group in {"", "all"}},
    keep=lambda claims: any(claim.kind == "part" for claim in claims),
    note="For parts like these: machines are a sample of those that hold the part. With one "
    "machine of the other side the margin is over that machine.",
)


def _of_settings(caption: str, *cells: Cell, by_title: bool = False) -> Table:
    """Return a table of one product at several settings, for each thing that is set otherwise."""
    heads = ("Product", "{product}"), ("Setting", "{part}")
    title = (("Title", "{title}"),) if by_title else ()
    return Table(
        caption + ": {split}",
        heads=heads + title,
        metric=HEADLINE,
        cells=cells,
        where={"title": bool} if by_title else {},
        split="group",
        order="claims",
    )


_STEP_TABLES = (
    _of_settings(
        "One product at several settings",
        Cell("step", "Margin, for these titles", {"title": ""}, outcomes=True),
        Cell("step_like", "For titles like these", {"interval": bool}, needed=False),
    ),
    _of_settings(
        "One product at several settings, by group of titles",
        Cell("step_on", "Margin, for these titles", outcomes=True),
        Cell("step_on_like", "For titles like these", {"interval": bool}, needed=False),
    ),
    _of_settings(
        "One product at several settings, title by title",
        Cell("step", "Margin", outcomes=True),
        by_title=True,
    ),
    _of_settings(
        "Averages over the titles that every setting ran", Cell("step_level", "Frames per second")
    ),
)
SUITES_LOW = Table(
    "Suite margins of the lows and of other results",
    heads=(("Metric", "{metric}"), ("Against", "{baseline}")),
    cells=(
        Cell("suite", "Margin, for these titles", outcomes=True),
        Cell("suite_count", COUNTS),
        Cell("suite_false", FALSE, needed=False),
    ),
    where={"product": OWN, "group": "all", "metric": lambda metric: metric != HEADLINE},
)
SENSITIVITY = Table(
    "What the suite margins would be if one thing were chosen otherwise: {metric}",
    heads=(("Chosen otherwise", "{part}"),),
    metric=HEADLINE,
    cells=(Cell("sensitivity", "over {each}", each="baseline", outcomes=True),),
    where={"product": OWN},
    last=("As stated", {"kind": "suite", "group": "all", "part": ""}),
    note="An outcome that one of these turns is fragile. A choice that changes nothing here (no "
    "run set aside, none flagged) has no row.",
)
CLOSURE = Table(
    "Chained margins close over the titles all three share",
    heads=(("Chain", "{product} over {group} over {baseline}"),),
    metric=HEADLINE,
    cells=(
        Cell("closure", "Chained", {"part": "chained"}),
        Cell("closure", "Direct", {"part": "direct"}),
        Cell("closure", "Off by, over each pair's own titles", {"part": "difference"},
             instead="same_titles"),
    ),
    order="claims",
    note="Where title sets differ, quote the direct margin: it rests on the titles both sides "
    "share.",
)  # fmt: skip


_SAME_NAME = Table(
    "The same name in two classes of machine",
    heads=(("Here", "{product}"), ("There", "{baseline}")),
    metric=HEADLINE,
    cells=(Cell("suite", "Margin, here over there", outcomes=True),),
    where={"group": "all"},
    order="claims",
)
_STEPS_OF_NAMES = Table(
    "What the step to the newer name brings in each class",
    heads=(("Here", "{product} over {group}"), ("There", "{baseline} over {part}")),
    metric=HEADLINE,
    cells=(
        Cell("gap_here", "Margin here", {"baseline": "{group}", "group": "", "part": ""}),
        Cell("gap_there", "Margin there",
             {"product": "{baseline}", "baseline": "{part}", "group": "", "part": ""}),
        Cell("gap", "Here over there"),
    ),
    order="claims",
    note="The last column is a ratio of ratios over the titles all four share: below zero, the "
    "newer name gains less here than there.",
)  # fmt: skip


def _namesakes(book: ClaimBook) -> Html:
    """Return what the same name is worth in another class of machine.

    A table of the pairs in params under `same_name`, and one of the steps from a name to the newer
    one in each class, where a review has both.
    """
    pairs = {(pair["here"], pair["there"]) for pair in book.settings.get("same_name", ())}
    named = replace(_SAME_NAME, keep=lambda row: (row[0].product, row[0].baseline) in pairs)
    found = show(book, named, _STEPS_OF_NAMES)
    return found if found.markup else paragraph("No namesake is part of this review.")


DRIFT = Table(
    "What moved since, new runs over old, up (+) is better now: {metric}",
    heads=(("Title", "{title}"),),
    metric=HEADLINE,
    cells=(
        Cell("drift_anchor", "{each}", each="product"),
        Cell("drift", "All of these", {"part": "these"}, outcomes=True),
        Cell("drift", "Products like these", {"part": "others"}, needed=False),
    ),
    last=("All titles every one of them ran", {"title": ""}),
    note="The last column holds for products that were not run again, as far as those that were "
    "stand for them. It is empty with a single one.",
)


def _beside_drift(book: ClaimBook) -> Html:
    """Return how far margins that set new runs against old ones stand beside the drift.

    A line a pair of products: how many of its margins have one side run again and the other not,
    and how far what was run again moved since; then what may lawfully be done about it.
    """
    if book.settings.get("retest") is None:
        return Html("")
    drifts = book.of_kind("drift", metric=HEADLINE)
    if not drifts:
        return paragraph(
            "No product has used runs of before and used runs made again in one title, so nothing "
            "tells what moved since."
        )
    last = {claim.part: claim for claim in drifts if claim.title == drifts[-1].title}
    again = listed([book.product_name(book.by_id[name].product) for name in last["these"].inputs])
    marked: dict[tuple[str, str], int] = {}
    for margin in book.of_kind("margin", metric=HEADLINE):
        if "before_retest" in margin.marks:
            pair = margin.product, margin.baseline
            marked[pair] = marked.get(pair, 0) + 1
    lines: list[list[Part]] = []
    for (product, baseline), count in marked.items():
        tail = "; one product says nothing of how far others moved."
        if "others" in last:
            tail = f"; products like these {{others}} ({last['others'].interval})."
        lines.append(_parts(
            "{of} of {product} over {baseline}: one side was run again, the other was not. {again} "
            f"moved by {{these}} ({last['these'].interval}) since{tail}",
            of="1 margin" if count == 1 else f"{count} margins", again=again,
            product=book.product_name(product), baseline=book.product_name(baseline), **last,
        ))  # fmt: skip
    lines = lines or [["No margin sets runs made again against runs of before."]]
    return joined(bullet_list(lines), bullet_list([LAWFUL]))


LAWFUL = (
    "Run again what was not, and compare new runs with new runs alone; or leave the old runs, keep "
    "the mark on every margin that rests on them, and state the drift beside it. Drift is never "
    "taken out of a margin, and old and new runs of one product are never put together."
)
MOVED = ("What moved since", DRIFT, _beside_drift)


LIMITED = Table(
    "What seems to set the limit, and on what evidence",
    heads=(("Sign", "{metric}"), ("Product", "{product}"), ("Title", "{title}")),
    cells=(Cell("flag", "Evidence"),),  # the runs of one cell under one rule once
    where={
        "metric": lambda rule: rule in LIMIT_RULES,
        "outcome": lambda outcome: outcome != "set_aside",
    },
    order="claims",
    otherwise="No title looks bound by processor, cap or heat under the rules in force.",
)
ENERGY = (
    "Energy",
    Table(
        "Energy per frame: {split}",
        rows=("title", "part"),
        heads=(("Title", "{title}"),),
        cells=(
            Cell("energy", "{each}", each="product"),
            Cell("fps_per_watt", "{own}", {"product": OWN}, needed=False),
        ),
        split="group",
        note="The last column is its frames per second per watt, 1 divided by the energy per "
        "frame.",
    ),
    Table(
        "How much less (+) or more (−) energy a frame takes of {own}: {split}",
        rows=("title", "part"),
        heads=(("Title", "{title}"),),
        cells=(Cell("energy_margin", "than of {each}", each="baseline", outcomes=True),),
        where={"product": OWN},
        split="group",
    ),
    Table(
        "How far sensors lag behind the frames",
        heads=(("Sensor", "{metric}"),),
        cells=(Cell("sensor_lag", "{each}", each="product"),),
        note="With a lag that is known, energy is taken over settled time: power from the lag on "
        "against the frames up to the lag before the end.",
    ),
    Table(
        "What readings not settled would make of the energy per frame",
        heads=(("Title", "{title}"),),
        cells=(Cell("energy_unsettled", "{each}", each="product"),),
        note="Readings taken as they stand, against those over settled time.",
    ),
    Table(
        "Under load, in the second half of each run: {split}",
        heads=(("Title", "{title}"),),
        cells=(
            Cell("load", "{each}", each="product"),
            Cell("load_ratio", "against {each}", each="baseline", needed=False),
            Cell("load_difference", "against {each}", each="baseline", needed=False),
        ),
        split="metric",
        last=("All titles that these ran", {"title": ""}),
        note="A sensor is what its part says of itself; those of two parts need not mean the same.",
    ),
    Table(
        "How far single runs scatter under load: standard deviation",
        heads=(("Sensor", "{metric}"),),
        cells=(Cell("load_spread", "{each}", each="product"),),
    ),
)
STANDINGS = Table(
    "What a frame per second costs, {split}",
    heads=(("Product", "{product}"),),
    cells=(
        Cell("price", "Price", {"product": "{product}"}),  # more have prices than stand here
        Cell("suite_fps", "Suite average"),
        Cell("cost_per_fps", "Per frame per second"),
        Cell("frontier", "Frontier"),
    ),
    split="group",
    order="claims",
    otherwise="No prices are part of this review.",
)
WEIGHINGS = Table(
    "{own} weighed against each, {split}",
    heads=(("Against", "{baseline}"),),
    metric=HEADLINE,
    cells=(
        Cell("premium", "Premium"),
        Cell("price_difference", "Difference", needed=False),
        Cell("suite", "Performance", {"group": "all"}, needed=False),
        Cell("equal_value_price", "Price of equal value"),
        Cell("cut_needed", "Cut needed"),
    ),
    where={"product": OWN},
    split="group",
    order="claims",
)
VALUE = (
    STANDINGS,
    WEIGHINGS,
    "Prices passed over",
    Lines("price_passed_over", "{product}, {group}: {text}"),
    Lines("not_weighed", "{product}, {group}: {text}"),
)


def _not_judged(book: ClaimBook) -> Html:
    """Return which rules could not tell, in how many cells, and why: the first reason of each.

    What sets the limit has a table of its own, `LIMITED`, with every reason.
    """
    unsure = book.of_kind("flag", outcome="cannot_judge")
    silent = grouped((flag.metric, flag) for flag in unsure if flag.metric != "processor_bound")
    return bullet_list(
        f"{book.name('metric', rule, kind='flag')}: cannot be judged in {len(flags)} cells: "
        f"{book.in_words(flags[0].text)}"
        for rule, flags in sorted(silent.items())
    )


SCREENING = (
    Table(
        "Set aside: {count} of {runs} rows of the run sheet",
        rows=("id",),
        heads=(("Run", "{run}"), ("Product", "{product}"), ("Title", "{title}")),
        cells=(Cell("set_aside", "Reason"),),
        order="claims",
        otherwise="No run was set aside.",
    ),
    Table(
        "What did not run",
        rows=("id",),
        heads=(("Run", "{run}"), ("Product", "{product}"), ("Title", "{title}")),
        cells=(Cell("not_run", "What happened"),),
        order="claims",
    ),
    Table(
        "Kept, but flagged",
        rows=("id",),
        heads=(("Rule", "{metric}"), ("Where", "{where}")),
        cells=(Cell("flag", "Reason"),),
        where={"outcome": "flag", "metric": lambda rule: rule not in LIMIT_RULES},
        order="claims",
    ),
    _not_judged,
)
WITHIN = Table(
    "What the frames within a run explain by themselves",
    heads=(("Product", "{product}"),),
    cells=(
        Cell("within_frames", "{each}: independent frames a run is worth", each="metric"),
        Cell("within_share", "share of the spread between runs", each="metric"),
    ),
    note="A diagnostic: runs are the replicates, and no margin rests on frames. To blocks of "
    "frames the scene's own course, alike in every run, is chance too, so that the share is the "
    "most it may be. Where it is far below 100 %, only more runs help.",
)
DEFINITIONS = Table(
    "The lows of {own} under each definition, in one run a title",
    heads=(("Title", "{title}"), ("Low", "{metric}"), ("Run", "{run}")),
    cells=(Cell("low", "{each}", each="group"),),
    note="In force: {settings[metrics][low]}. The figures differ because the definitions do, not "
    "because the runs do.",
)


def _health_summary(book: ClaimBook) -> Html:
    """Return how much of the bench is old or missing, in a sentence."""
    count = {claim.part: claim for claim in book.of_kind("count")}
    first = next(iter(book.of_kind("task_why")), None)
    said = "Nothing asks to be run again."
    if first:
        said = f"First to run: {book.product_name(first.product)}, {book.in_words(first.text)}."
    parts = _parts(
        "{products} products in {titles} titles, {runs/used} runs used. Stale: {health/stale} "
        "cells; without a used run: {health/gaps}. {said}",
        products=str(len(book.names["products"])), said=said, **count,
    )  # fmt: skip
    return paragraph(*parts, css="lead")


TASKS = Table(
    "What to run first",
    heads=(("Product", "{product}"),),
    cells=(
        Cell("task_why", "Why"),
        Cell("task_titles", "Titles"),
        Cell("task", "Runs", {"part": "runs"}),
        Cell("task", "Minutes", {"part": "minutes"}),
        Cell("task", "Margins it bears on", {"part": "margins"}),
    ),
    order="claims",
    note="The product that most margins rest on comes first; among equals, the one with the oldest "
    "runs. Minutes count runs and launches, on one machine at a time.",
    otherwise="Nothing asks to be run again.",
)


def _stale(book: ClaimBook) -> Html:
    """Return what was run before what the bench runs now, those alike of one product once.

    Runs of one product that are stale for one reason share a row: their titles ("all" where every
    title of the review is among them), and the span of days of the newest run of each.
    """
    groups = grouped(((claim.product, claim.text), claim) for claim in book.of_kind("stale"))
    if not groups:
        return paragraph("No run is from before what the bench runs now.")
    rows: list[list[Part | None]] = []
    for (product, reason), claims in groups.items():
        every = {claim.title for claim in claims} >= book.names["titles"].keys()
        titles = "all" if every else ", ".join(book.title_name(claim.title) for claim in claims)
        days = sorted({claim.part for claim in claims})
        shown = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
        rows.append([book.product_name(product), titles, shown, reason])
    columns = [Column("Product"), Column("Titles"), Column("Newest run"), Column("Why")]
    return html_table("Run before what the bench runs now", columns, rows)


GAPS = Table(
    "Without a used run",
    rows=("id",),
    heads=(("Product", "{product}"), ("Title", "{title}")),
    cells=(Cell("without_run", "Why"),),
    order="claims",
    otherwise="Every product of the review has a used run in every title.",
)
SPREAD = Table(
    "How far two runs of one product may be apart when nothing changed",
    heads=(("Metric", "{metric}"), ("Title", "{title}")),
    cells=(
        Cell("spread_base", "Products, sessions, runs"),
        Cell("spread", "Spread of runs in a session", {"part": "run_sd"}, needed=False),
        Cell("spread", "Limit in one session", {"part": "repeatability"}, needed=False),
        Cell("spread", "Limit across sessions", {"part": "reproducibility"}, needed=False),
        Cell("spread_unknown", "Not known, because"),
    ),
    order="claims",
    note="After ISO 5725: two runs differ by more than the limit in one of twenty cases. A smaller "
    "difference between two single runs says nothing.",
)
COMPONENTS = Table(
    "Where differences on the bench come from",
    heads=(("Spread", "{part}"),),
    cells=(Cell("component", "{each}", each="metric"),),
    note="Standard deviations of logarithms, as shares. Empty where the bench cannot tell.",
)


def _look_summary(book: ClaimBook) -> Html:
    """Return what is looked into, with its average, and what of it is not shown.

    Nothing where no run of the product in the title has frames.
    """
    shown = book.of_kind("look", part="hitches")
    if not shown:
        return Html("")
    used = sum(bool(claim.runs) for claim in shown)
    looked = f"{book.product_name(shown[0].product)} in {book.title_name(shown[0].title)}"
    parts: list[Part] = [f"{looked}: {len(shown)} runs, {used} of them used"]
    for words, metric in (("average", HEADLINE), (METRICS[HEADLINE_LOW].label, HEADLINE_LOW)):
        for claim in book.of_kind("cell", metric=metric):
            parts += [f", {words} ", claim]
    runs = {claim.run for claim in shown}
    aside = [
        f"{claim.run} is set aside: {book.in_words(claim.text)}"
        for claim in book.of_kind("set_aside")
        if claim.run in runs
    ]
    more = ", ".join(claim.run for claim in book.of_kind("not_shown"))
    lines = [*aside, *([f"Not shown: {more}"] if more else [])]
    return joined(paragraph(*parts, ".", css="lead"), bullet_list(lines))


def _looked_into(claims: Sequence[Claim]) -> bool:
    """Whether a row's run is among those looked into."""
    return any(claim.kind == "look" for claim in claims)


def _of_frames(metric: str) -> bool:
    """Whether a metric is measured from frames, and not typed in or derived."""
    return metric in METRICS and METRICS[metric].source == "frames"


RUNS = Table(
    "The runs one by one",
    heads=(("Run", "{run}"),),
    cells=(
        Cell("run", "{each}", {"metric": _of_frames}, each="metric"),
        Cell("look", "Hitches", {"part": "hitches"}),
        Cell("look", "Time over {each}", {"part": _begins("over_budget/")}, each="part"),
    ),
    keep=_looked_into,
    order="claims",
    note="Time over a budget: the share of the run spent in frames that lasted longer.",
)
LOWS = Table(
    "Lows under every definition",
    heads=(("Low", "{metric}"), ("Run", "{run}")),
    cells=(Cell("look", "{each}", {"part": _begins("low/")}, each="group"),),
    note="In force: {settings[metrics][low]}. The definitions differ, not the runs.",
)


def _hitches(book: ClaimBook) -> Html:
    """Return the longest hitches of all runs, with their place in the run.

    At most `MOST_HITCHES` are shown; the frame behind the table has all of them.
    """
    rule = (
        "A hitch lasts more than {hitch_factor:g} times the median of the frames around it, and "
        "more than {hitch_ms:g} ms longer."
    ).format_map(book.settings["metrics"])
    found: dict[tuple[str, str], dict[str, Part]] = {}
    for claim in book.of_kind("hitch"):  # the longest first
        found.setdefault((claim.run, claim.group), {})[claim.part] = claim
    if not found:
        return paragraph(f"No hitch in any run. {rule}")
    return html_table(
        f"The longest of {number(len(found), decimals=0, locale=book.locale)} hitches",
        [
            Column("Run"),
            Column("At", "s", number=True),
            Column("Frame", "ms", number=True),
            Column("Median around it", "ms", number=True),
        ],
        [
            [run, hitch["at"], hitch["frame"], hitch["around"]]
            for (run, _), hitch in list(found.items())[:MOST_HITCHES]
        ],
        note=rule,
        mark_words=mark_words(book),
        locale=book.locale,
        frame=lambda: claims_frame(book.of_kind("hitch")),
    )


MOST_HITCHES = 20
SENSORS = Table(
    "Sensors, first fifth of a run and last",
    heads=(("Run", "{run}"),),
    cells=(
        Cell("sensor", "{each} at first", {"part": "first"}, each="metric"),
        Cell("sensor", "at last", {"part": "last"}, each="metric"),
    ),
    order="claims",
    otherwise="No sensor was logged with these runs.",
)
BLOCKS = (
    Table(
        "Errors from frames alone, run by run",
        heads=(("Run", "{run}"),),
        cells=(
            Cell("look", "{each}: error from frames alone",
                 {"part": _begins("within_sd/")}, each="metric"),
            Cell("look", "independent frames",
                 {"part": _begins("effective_frames/")}, each="metric"),
        ),
        order="claims",
    ),
    Table(
        "What they are of the spread between runs",
        heads=(("Metric", "{metric}"),),
        cells=(Cell("share_within", "Share of the spread between runs"),),
        note="A diagnostic: no interval rests on it. Far below 100 %, runs differ by more than "
        "their frames, and only more runs help; near it, longer runs would.",
    ),
)  # fmt: skip


def _plan_summary(book: ClaimBook) -> Html:
    """Return what is asked, and what it takes, in a sentence."""
    asked = next(iter(book.of_kind("plan_asked")), None)
    if asked is None:
        return Html("")
    plan = {
        part: book.by_id[Claim.id_of("plan", part=part)] for part in ("margin", "runs", "minutes")
    }
    parts = _parts(
        "To resolve a margin of {margin} {asked}: {runs} runs to make, {minutes} minutes of bench "
        "time.",
        asked=asked.text, **plan,
    )  # fmt: skip
    return paragraph(*parts, css="lead")


PLAN_SUMMARY = (
    _plan_summary,
    Lines("plan_note", "{text}"),
    Lines("not_planned", "{title} is not planned: {text}"),
)
PLAN = Table(
    "Runs still to make",
    heads=(("Title", "{title}"),),
    cells=(Cell("plan", "{each}", {"part": "runs"}, each="product"),),
    where={"title": bool},  # not their sum
)
PLAN_MARGINS = (
    Table(
        "The smallest margin that those runs resolve",
        heads=(("Title", "{title}"),),
        cells=(Cell("plan_margin", "over {each}", each="baseline"),),
        note="With the power asked for. A smaller lead may still turn out resolved, by luck.",
    ),
    Lines("plan_short", "Against {baseline} {text}"),
)


def _days_or_runs(book: ClaimBook) -> Html:
    """Return what runs on more days bring a suite, and as many in the days there are."""
    error = {claim.part: claim for claim in book.of_kind("plan", metric="suite_error")}
    if not error:
        return Html("")
    return paragraph(*_parts(
        "The standard error of a suite margin is {error_now}; with a run of each product in each "
        "title on two more days {error_days}, with as many runs more in the days there are "
        "{error_runs} at best: what a day does to a product in all titles only other days average.",
        **error,
    ))  # fmt: skip


BUDGET = (
    _days_or_runs,
    Table(
        "What one more run of a title on every product would bring",
        heads=(("Title", "{title}"),),
        cells=(
            Cell("gain", "Its share of the suite's variance", {"part": "share"}, needed=False),
            Cell("gain", "Part of it that goes", {"part": "gain"}, needed=False),
            Cell("gain", "Minutes still planned", {"part": "minutes"}),
        ),
        order="claims",
    ),
    Table(
        "What the budget is best spent on, in this order",
        rows=("part",),
        heads=(("Place", "{part}"), ("Product", "{product}"), ("Title", "{title}")),
        cells=(Cell("next_minutes", "Minutes so far"), Cell("next_run", "Why")),
        order="claims",
    ),
)


def _pilot_counts(book: ClaimBook) -> Html:
    """Return in how many margins the runs so far reached the precision planned."""
    count = {claim.part: claim for claim in book.of_kind("count")}
    if "pilot/reached" not in count:
        return paragraph("No product has two runs of a title yet, so there is no pilot to look at.")
    return paragraph(*_parts(
        "Planned precision so far: reached in {pilot/reached} margins, missed in {pilot/missed}, "
        "too few runs to tell in {pilot/too_few}.",
        **count,
    ))  # fmt: skip


PILOT = (
    _pilot_counts,
    Table(
        "Planned precision so far, margin by margin",
        heads=(("Title", "{title}"), ("Against", "{baseline}")),
        cells=(
            Cell("pilot_said", "Runs", {"part": "runs"}),
            Cell("pilot_said", "Precision", {"part": "precision"}),
            Cell("pilot", "Power at the spread seen", {"part": "power"}, needed=False),
            Cell("pilot", "Runs that spread asks for", {"part": "runs_by_spread"}, needed=False),
            Cell("pilot", "With caution", {"part": "runs_cautious"}, needed=False),
        ),
        order="claims",
    ),
    Lines("pilot_rule", "{text}"),
)


def _run_order(book: ClaimBook) -> Html:
    """Return the order of the runs, to be printed and kept to.

    The last column is empty, to be filled in by hand; the frame behind the table has the claims.
    """
    order = book.of_kind("order")
    if not order:
        return paragraph("No run is left to make.")
    heads = ("Place", "Block", "Product", "Title", "Run", "Done, remarks")
    return html_table(
        "Every run, in the order to make it",
        [Column(head) for head in heads],
        [
            [run.part, run.group, book.product_name(run.product), book.title_name(run.title),
             run.text, ""]
            for run in order
        ],
        note="Drawn once from the seed in params, so that drift falls on no product alone.",
        frame=lambda: claims_frame(order),
    )  # fmt: skip


def _checklist(book: ClaimBook) -> Html:
    """Return the check-list, to be printed and ticked off."""
    pieces = []
    for head, checks in groupby(book.of_kind("check"), key=lambda check: check.group):
        pieces.append(heading(head, level=3))
        boxes = {"": "\u2610 ", "of_one": "\u2003\u2610 "}
        items = [boxes.get(check.outcome, "") + book.in_words(check.text) for check in checks]
        pieces.append(bullet_list(items, css="checks"))
    return joined(*pieces)


def _settings(book: ClaimBook) -> Html:
    """Return every setting in force, also those the params file leaves at their default.

    Three tables: settings by dotted key; the rules of screening with what each does and its
    thresholds; the layouts through which raw logs were read, where there are any.
    """
    rows: list[list[Part | None]] = [
        [_spelled(key, book), book.in_words(value)]
        for key, value in _flat(book.settings)
        if key.split(".")[0] in {"metrics", "screen", "margins", "suites", "value", "titles"}
        or (key.partition(".")[0] in {"look", "retest", "plan"} and value != "none")
    ]
    rules = html_table(
        "Rules of screening in force",
        [Column("Rule"), Column("It finds"), Column("Then"), Column("Thresholds")],
        [
            [
                rule.name.replace("_", " "),
                rule.does,
                "set aside" if rule.acts else "flagged",
                "; ".join(
                    f"{_spelled(key, book)} {book.in_words(value)}"
                    for key, value in _flat(rule.thresholds)
                ),
            ]
            for rule in rules_in_force(ScreenParams.model_validate(book.settings["screen"]))
        ],
    )
    layouts: list[list[Part | None]] = [
        [name, _declared(layout)] for name, layout in book.layouts.items()
    ]
    columns = [Column("Layout"), Column("As the bench file declares it")]
    caption = "Layouts through which the raw logs were read"
    return joined(
        html_table("Settings in force", [Column("Setting"), Column("Value")], rows),
        rules,
        html_table(caption, columns, layouts) if layouts else Html(""),
    )


def _spelled(key: str, book: ClaimBook) -> str:
    """Return a setting's key as a reader meets it: "metrics: quantile type"."""
    groups = book.names.get("title_groups", {})
    return ": ".join(groups.get(part) or book.in_words(part) for part in key.split("."))


def _declared(layout: Mapping[str, Any]) -> Html:
    """Return what a layout says of logs, to the letter: names of columns are the log's own."""
    words = "; ".join(f"{k} {v}" for k, v in _flat(layout) if v not in {"", "none"})
    return Html(f"<code>{text_html(words)}</code>")


def _methods(book: ClaimBook) -> Html:
    """Return each method used, its version and its formula in words.

    Versions are those of this kit's `METHODS`: what a claim was made by stands in its trace.
    """
    return html_table(
        "Methods",
        [Column("Method"), Column("Version"), Column("In words")],
        [
            [
                Html(f"<code>{name}</code>"),
                f"v{METHODS[name].version}",
                book.in_words(METHODS[name].words),
            ]
            for name in sorted({claim.method for claim in book.figures})
        ],
    )


def environment(book: ClaimBook) -> Html:
    """Return the versions installed beside those the kit was locked to.

    Only packages that differ, if any do; else those the kit asks for itself. It is the one piece of
    a page that does not follow from its claims.
    """
    from kit.package import compare_environment

    packages = compare_environment()
    apart = [p for p in packages if p.locked and p.installed and p.locked != p.installed]
    said = f"{len(apart)} packages differ from the lock"
    caption = f"Made with marginbook {book.kit_version}; " + (
        said if apart else "every package at its locked version"
    )
    return html_table(
        caption,
        [Column("Package"), Column("Installed"), Column("Locked")],
        [
            [p.name, p.installed or "not installed", p.locked or "not locked"]
            for p in (apart or [p for p in packages if p.direct])
        ],
    )


def _flat(settings: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    """Return nested settings as dotted keys and texts.

    >>> _flat({"margins": {"confidence": 0.95, "waived": [], "seed": 7.0}})
    [('margins.confidence', '0.95'), ('margins.waived', 'none'), ('margins.seed', '7')]
    """
    found: list[tuple[str, str]] = []
    for key, value in settings.items():
        name = f"{before}{key}"
        if isinstance(value, Mapping):
            found += _flat(value, f"{name}.") if value else [(name, "none")]
        elif isinstance(value, list | tuple):
            found.append((name, ", ".join(_in_list(item) for item in value) or "none"))
        else:
            found.append((name, "none" if value is None else _number(value)))
    return found


def _in_list(item: Any) -> str:
    """Return an item of a list of settings as text."""
    if isinstance(item, Mapping):
        return "; ".join(f"{key} {value}" for key, value in _flat(item))
    return _number(item)


def _number(value: Any) -> str:
    """Return a setting as people write it: 60, not 60.0."""
    return f"{value:g}" if isinstance(value, float) else str(value)


# What pages show, by the name with which a template asks for it. Claims alone give all of it; what
# is installed (`environment`) they do not.
PIECES: Mapping[str, Piece | tuple[Piece, ...]] = {
    # A review.
    "page_title": _page_title, "alike": ALIKE, "specification": SPECIFICATION, "titles": TITLES,
    "margins": MARGINS, "other_titles": _other(TITLES), "other_margins": _other(MARGINS),
    "other_drift": _other(DRIFT), "levels": LEVELS,
    "all_runs": (ALL_RUNS, UNSTRUCK, ROBUST, Lines("plan_kept", "{text}")),
    "suites": SUITES, "suites_low": SUITES_LOW, "sensitivity": (SENSITIVITY, _other(SENSITIVITY)),
    "closure": CLOSURE, "step_tables": (PARTS, *_STEP_TABLES, _other(_STEP_TABLES[0])),
    "namesakes": _namesakes, "drift": DRIFT,
    "beside_drift": _beside_drift, "moved": MOVED, "limits": LIMITED, "energy": ENERGY,
    "standings": STANDINGS, "weighings": WEIGHINGS, "value": VALUE, "not_judged": _not_judged,
    "screening": SCREENING, "within": WITHIN, "definitions": DEFINITIONS,
    # A bench's health.
    "health_summary": _health_summary, "tasks": TASKS, "stale": _stale, "gaps": GAPS,
    "spread": SPREAD, "components": COMPONENTS,
    # Runs looked into.
    "look_summary": _look_summary, "runs": RUNS, "lows": LOWS, "hitches": _hitches,
    "sensors": SENSORS, "blocks": BLOCKS,
    # A plan.
    "plan_summary": PLAN_SUMMARY, "plan": PLAN, "plan_margins": PLAN_MARGINS, "budget": BUDGET,
    "pilot_counts": _pilot_counts, "pilot": PILOT, "run_order": _run_order,
    "checklist": _checklist,
    # Any of them.
    "settings": _settings, "methods": _methods,
}  # fmt: skip
