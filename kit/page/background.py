"""The parts of a review's page behind its results: what was alike, screened, set, installed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kit.claims.claim import ClaimBook
from kit.methods import METHODS
from kit.page.html import Column, Html, Part, bullet_list, html_table, joined, paragraph
from kit.review.walk import Review
from kit.screening.flags import Flag
from kit.screening.screen import rules_in_force
from kit.settings.metric import METRICS, tail_shares
from kit.stats.lows import LOW_DEFINITIONS

LIMIT_RULES = ("processor_bound", "capped", "throttling", "drift_in_run")
CAUTIONS = (
    "These figures hold for the machines, drivers, settings and room named here. Another copy of "
    "the same product may differ.",
    "Prices were observed on the days stated and change. Weigh your own needs, and ask the seller "
    "about warranty and returns, before you spend money on the strength of a review.",
    "To repeat the measurements by opening a machine, unplug it, remove or disconnect the battery "
    "where the maker allows it, and let it stand until it is discharged and cool; heat sinks and "
    "batteries can burn. Leave measurements at mains voltage to people trained and licensed for "
    "it. Local rules come first.",
    "Test scenes can flash. People with photosensitive epilepsy should not watch them.",
)


def mark_words(review: Review) -> dict[str, str]:
    """Return what each mark on a figure means."""
    words = {
        "typed_in": "typed in, no log",
        "single_run": "a single run",
        "frames_only": "the interval is that of one run's frames; what differs from run to run is "
        "not in it",
        "no_interval": "nothing gives an interval",
        "common_sessions_only": "rests on the runs of the sessions both sides share",
        "sessions_apart": "run in different sessions; what a session does to all its runs is not "
        "in the interval",
        "less_is_better": "less is better; the margin is turned so that above is better",
        "titles_differ_from_standings": "the margin and the averages rest on different titles",
        "frontier_unresolved": "its place on the frontier is within the error of the averages",
        "no_margin_interval": "the margin has no interval",
        "single_price": "one observation, so nothing says how far prices spread",
        "old_rate": "the rate of exchange is old",
        "old_price_in_part": "some of the prices are old",
        "set_aside": "set aside",
        "before_retest": "one side was run again since, the other was not: see What moved since",
        "all_runs": "with the runs set aside put back",
        "old_price": "an old price",
        "converted": "converted at the rate stated",
    }
    for mismatch in review.controls.mismatches:
        name = mismatch.control.replace("_", " ")
        words[f"waived:{mismatch.control}"] = f"{name} differs, waived: see Alike and not alike"
    return words


def failed_rows(review: Review) -> dict[tuple[str, str], str]:
    """Return, for each product and title that gave no figure, the status of its run."""
    failed: dict[tuple[str, str], str] = {}
    measured = {(m.product, m.title) for m in review.used}
    for row in review.rows:
        if not row.produced and (row.product, row.title) not in measured:
            failed[row.product, row.title] = row.status.replace("_", " ")
    return failed


def alike_section(review: Review, book: ClaimBook) -> Html:
    """Return the controls of every product, and every waiver with its reason."""
    products = [
        p
        for p in review.params.products
        if any(p == product for _, product in review.controls.values)
    ]
    rows: list[list[Part | None]] = []
    for control in review.controls.names:
        meaning = review.bench.controls.get(control, control.replace("_", " "))
        rows.append(
            [
                meaning,
                *(
                    ", ".join(review.controls.values.get((control, p), ())) or "not recorded"
                    for p in products
                ),
            ]
        )
    table = html_table(
        "Controls: what was alike, and what was not",
        [Column("Control"), *(Column(book.product_name(p)) for p in products)],
        rows,
    )
    waivers = bullet_list(
        f"{m.control} of {book.product_name(m.product)} ({', '.join(m.product_values)}) and "
        f"{book.product_name(m.baseline)} ({', '.join(m.baseline_values)}), waived: {m.reason}"
        for m in review.controls.mismatches
    )
    if not waivers.markup:
        waivers = paragraph("Every control was alike on both sides of every margin.")
    return joined(table, waivers)


def specification_section(review: Review, book: ClaimBook) -> Html:
    """Return what the makers say of the parts, with figures derived from it."""
    from kit.bench.specification import compare_specifications

    products = review.params.products
    rows: list[list[Part | None]] = []
    for row in compare_specifications(review.bench, products).rows:
        claims = [book.get(f"specification/{row.field}/{p}") for p in products]
        if any(claims):
            rows.append([row.label, *claims])
    if not rows:
        return Html("")
    return html_table(
        "Specifications as given by the makers, and figures derived from them",
        [Column("Quantity"), *(Column(book.product_name(p), number=True) for p in products)],
        rows,
        locale=review.params.locale,
    )


def limits_section(review: Review, book: ClaimBook) -> Html:
    """Return what seems to limit the product: processor, cap, heat, and on what evidence."""
    found = [f for f in review.screened.flags if f.rule in LIMIT_RULES and f.action != "set_aside"]
    if not found:
        return paragraph("No title looks bound by processor, cap or heat under the rules in force.")
    rows = [_flag_cells(flag, book) for flag in _merged(found, review)]
    return html_table(
        "What seems to set the limit, and on what evidence",
        [Column("Sign"), Column("Where"), Column("Evidence")],
        rows,
    )


def screening_section(review: Review, book: ClaimBook) -> Html:
    """Return every run set aside, every flag, and every run that did not happen."""
    aside: list[list[Part | None]] = [
        [
            row.run,
            book.product_name(row.product),
            book.title_name(row.title),
            review.screened.set_aside[row.run],
        ]
        for row in review.rows
        if row.run in review.screened.set_aside
    ]
    pieces = []
    if aside:
        pieces.append(
            html_table(
                f"Set aside: {len(aside)} of {len(review.rows)} rows of the run sheet",
                [Column("Run"), Column("Product"), Column("Title"), Column("Reason")],
                aside,
            )
        )
    else:
        pieces.append(paragraph("No run was set aside."))
    failed: list[list[Part | None]] = [
        [
            row.run,
            book.product_name(row.product),
            book.title_name(row.title),
            f"{row.status.replace('_', ' ')}: {row.reason}",
        ]
        for row in review.rows
        if not row.produced
    ]
    if failed:
        pieces.append(
            html_table(
                "What did not run",
                [Column("Run"), Column("Product"), Column("Title"), Column("What happened")],
                failed,
            )
        )
    flags = [f for f in review.screened.flags if f.action == "flag" and f.rule not in LIMIT_RULES]
    if flags:
        pieces.append(
            html_table(
                "Kept, but flagged",
                [Column("Rule"), Column("Where"), Column("Reason")],
                [_flag_cells(flag, book) for flag in flags],
            )
        )
    silent = [f for f in review.screened.flags if f.action == "cannot_judge"]
    if silent:
        rules = sorted({f.rule for f in silent})
        pieces.append(
            bullet_list(
                f"{_rule_name(rule)}: cannot be judged in "
                f"{sum(f.rule == rule for f in silent)} cells: "
                f"{next(f.reason for f in silent if f.rule == rule)}"
                for rule in rules
            )
        )
    return joined(*pieces)


def definitions_section(review: Review, book: ClaimBook) -> Html:
    """Return the product's lows under every definition, to show how much the choice matters."""
    from kit.rounding import fps_text

    product = review.params.product
    rows: list[list[Part | None]] = []
    for title in review.titles:
        runs = [m for m in review.used if m.product == product and m.title == title and m.lows]
        if not runs:
            continue
        first = runs[0]
        for metric in tail_shares(review.params.metrics.compared):
            rows.append(
                [
                    book.title_name(title),
                    METRICS[metric].label.removesuffix(" low"),
                    first.run,
                    *(fps_text(first.lows[d][metric], unit="").text for d in LOW_DEFINITIONS),
                ]
            )
    if not rows:
        return Html("")
    return html_table(
        f"The lows of {book.product_name(product)} under each definition, in one run a title",
        [
            Column("Title"),
            Column("Low"),
            Column("Run"),
            *(Column(d.replace("_", " "), "fps", number=True) for d in LOW_DEFINITIONS),
        ],
        rows,
        row_heads=2,
        note=f"In force: {review.params.metrics.low.replace('_', ' ')}. The figures differ "
        "because the definitions do, not because the runs do.",
    )


def settings_section(review: Review, book: ClaimBook) -> Html:
    """Return every setting in force, also those the params file leaves at their default."""
    rows: list[list[Part | None]] = [
        [key, value]
        for key, value in _flat(book.settings)
        if key.split(".")[0] in {"metrics", "screen", "margins", "suites", "value", "titles"}
        or (key.partition(".")[0] in {"look", "retest", "plan"} and value != "none")
    ]
    rules = html_table(
        "Rules of screening in force",
        [Column("Rule"), Column("It finds"), Column("Then"), Column("Thresholds")],
        [
            [
                _rule_name(r.name),
                r.does,
                "set aside" if r.acts else "flagged",
                "; ".join(f"{key} {value}" for key, value in _flat(r.thresholds)),
            ]
            for r in rules_in_force(review.params.screen)
        ],
    )
    layouts = (
        html_table(
            "Layouts through which the raw logs were read",
            [Column("Layout"), Column("As declared in bench.yaml")],
            [
                [name, "; ".join(f"{k} {v}" for k, v in _flat(layout) if v not in {"", "none"})]
                for name, layout in book.layouts.items()
            ],
        )
        if book.layouts
        else Html("")
    )
    return joined(
        html_table("Settings in force", [Column("Setting"), Column("Value")], rows), rules, layouts
    )


def methods_section(book: ClaimBook) -> Html:
    """Return each method used, its version and its formula in words."""
    used = sorted({claim.method for claim in book.figures})
    rows: list[list[Part | None]] = [
        [name, f"v{METHODS[name].version}", METHODS[name].words] for name in used
    ]
    return html_table("Methods", [Column("Method"), Column("Version"), Column("In words")], rows)


def environment_section(book: ClaimBook) -> Html:
    """Return the versions installed beside those the kit was locked to."""
    from kit.page.environment import compare_environment

    packages = compare_environment()
    apart = [p for p in packages if p.locked and p.installed and p.locked != p.installed]
    caption = (
        f"Made with marginbook {book.kit_version}; every package at its locked version"
        if not apart
        else f"Made with marginbook {book.kit_version}; {len(apart)} packages differ from the lock"
    )
    shown = apart or [p for p in packages if p.direct]
    return html_table(
        caption,
        [Column("Package"), Column("Installed"), Column("Locked")],
        [[p.name, p.installed or "not installed", p.locked or "not locked"] for p in shown],
    )


def cautions_section() -> Html:
    """Return the usual cautions."""
    return bullet_list(CAUTIONS, css="cautions")


def _rule_name(rule: str) -> str:
    return rule.replace("_", " ")


def _flag_cells(flag: Flag, book: ClaimBook) -> list[Part | None]:
    where = [
        book.product_name(flag.product) if flag.product else "",
        book.title_name(flag.title) if flag.title else "",
        flag.run,
    ]
    return [_rule_name(flag.rule), ", ".join(part for part in where if part), flag.reason]


def _merged(flags: list[Flag], review: Review) -> list[Flag]:
    """Return flags with the runs of one cell under one rule told once."""
    rows = {row.run: row for row in review.rows}
    seen: dict[tuple[str, str, str], Flag] = {}
    for flag in flags:
        row = rows.get(flag.run)
        product = flag.product or (row.product if row else "")
        title = flag.title or (row.title if row else "")
        seen.setdefault((flag.rule, product, title), flag)
    return list(seen.values())


def _flat(settings: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    """Return nested settings as dotted keys and texts."""
    found: list[tuple[str, str]] = []
    for key, value in settings.items():
        name = f"{before}{key}"
        if isinstance(value, Mapping):
            found += _flat(value, f"{name}.") if value else [(name, "none")]
        elif isinstance(value, list | tuple):
            parts = [
                "; ".join(f"{k} {v}" for k, v in _flat(item))
                if isinstance(item, Mapping)
                else _number(item)
                for item in value
            ]
            found.append((name, ", ".join(parts) or "none"))
        else:
            found.append((name, "none" if value is None else _number(value)))
    return found


def _number(value: Any) -> str:
    """Return a setting as people write it: 60, not 60.0."""
    return f"{value:g}" if isinstance(value, float) else str(value)
