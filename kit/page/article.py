"""The article of a review: what it found, for a reader who decides. Made from the claims alone.

One function a section. The record, for a reader who checks, stands behind it in the page.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from kit.charts import inline
from kit.charts.identity import (
    Look,
    order_titles,
    plain_product,
    product_looks,
    short_product,
    tag_families,
    title_groups,
)
from kit.claims.bound_text import with_currency_sign
from kit.claims.claim import Claim, ClaimBook
from kit.page import findings
from kit.page.findings import Standing
from kit.page.html import Html
from kit.page.render import render
from kit.rounding import NBSP
from kit.settings.metric import HEADLINE, RESULT

NAME_WIDTH = 18  # percent of a lattice that names of titles have
LATTICE_PX = {"wide": 950.0, "small": 640.0, "mid": 640.0}  # by the class of a layout
SEAL = "Figures are final once sealed"


def opening(book: ClaimBook) -> Html:
    """Return the first screen: headline, deck, every rival in one picture, and what was tested."""
    shown = findings.standings(book)
    looks, band = product_looks(book), findings.level_band(book)
    measured = [s for s in shown if s.whole is not None]
    scale = inline.fit_scale(_ratios(measured), band=band)
    kind = findings.price_kind(book)
    priced = bool(kind) and any(s.price or s.equal for s in shown)
    near = sorted((s for s in shown if not s.apart), key=_by_margin)
    far = sorted((s for s in shown if s.apart), key=_by_margin)
    own = plain_product(book, book.product)
    price_head, price_words = findings.price_note(book)
    return render(
        "opening",
        title=book.title,
        byline=book.byline,
        date=book.date,
        long_date=findings.long_date(book.date),
        seal=SEAL,
        headline=findings.headline(book),
        deck=findings.deck(book),
        caption=findings.rivals_caption(book),
        sub=_what_is_compared(book),
        axis=inline.margin_axis(scale, slower="slower", faster="faster", locale=book.locale),
        rows=[[_rival_row(book, s, looks, scale) for s in part] for part in (near, far) if part],
        priced=priced,
        kind=kind,
        own=own,
        key_mark=Markup(
            '<svg class="plot" width="44" height="20" aria-hidden="true"><path class="like" '
            'd="M2 10H42M2 6V14M42 6V14"/><rect class="block" x="16" y="5.5" width="12" '
            'height="9"/><rect class="needle" x="20.7" y="1" width="2.6" height="18"/></svg>'
        ),
        key_dot=_key_svg('<circle class="dot ahead" cx="7" cy="10" r="3.4"/>', 14),
        confidence=findings.confidence_words(book),
        level_confidence=findings.level_confidence_words(book),
        band=findings.band_words(book),
        tested=findings.tested_note(book),
        unlike=findings.unlike_note(book),
        price_head=price_head,
        price_words=price_words,
    )


def _key_svg(shapes: str, width: int) -> Markup:
    return Markup(
        f'<svg class="plot" width="{width}" height="20" aria-hidden="true">{shapes}</svg>'
    )


def _by_margin(standing: Standing) -> float:
    whole = standing.whole
    return math.inf if whole is None or whole.value is None else whole.value


def _ratios(shown: Sequence[Standing]) -> list[float]:
    """Return every ratio the first picture has to show."""
    found = []
    for s in shown:
        for claim in (s.whole, s.like):
            if claim is not None:
                found += [v for v in (claim.value, claim.low, claim.high) if v]
        found += [c.value for c in s.margins.values() if c.value]
    return found


def _what_is_compared(book: ClaimBook) -> str:
    if findings.main_metric(book) == RESULT:
        return "results, sign reversed where less is better; ratio scale"
    return "average frames per second, ratio scale"


def _rival_row(
    book: ClaimBook, standing: Standing, looks: Mapping[str, Look], scale: inline.RatioScale
) -> dict[str, Any]:
    outcomes = ("ahead", "behind", "level", "unresolved")
    counts = [standing.counts[o] for o in outcomes if o in standing.counts]
    cut = standing.cut
    whole_counts = len(standing.margins) > 1
    return {
        "mark": inline.mark_svg(looks[standing.product]),
        "name": standing.name,
        "role": findings.role(book, standing),
        "svg": inline.margin_row(
            scale,
            whole=standing.whole,
            like=standing.like,
            margins=list(standing.margins.values()) if whole_counts else [],
            band=findings.level_band(book),
        ),
        "whole": standing.whole,
        "outcome": standing.outcome,
        "word": findings.outcome_word(standing.outcome),
        "counts": [
            {
                "outcome": c.outcome,
                "word": findings.outcome_word(c.outcome),
                "text": c.text,
            }
            for c in counts
            if c.value
        ],
        "price": standing.price,
        "equal": standing.equal,
        "cut": cut,
        "cut_word": "higher" if cut is not None and (cut.value or 0.0) < 0 else "lower",
    }


# --- per title ---


def per_title(book: ClaimBook) -> Html:
    """Return the margins title by title over every product, and frames per second beside one."""
    shown = [s for s in findings.standings(book) if s.margins]
    if not shown:
        return Html("")
    groups = _title_rows(book, shown)
    table = None
    if sum(len(titles) for _, titles in groups) > 1:
        rows = [
            (name, [(_row_name(book, t, name), [s.margins.get(t) for s in shown]) for t in titles])
            for name, titles in groups
        ]
        table = _lattice(
            book,
            shown,
            rows,
            caption="Margin per title and rival",
            sub="percent, one scale for all columns; right of the line the "
            f"{plain_product(book, book.product)} is ahead; stroke: "
            f"{findings.confidence_words(book)} interval where wider than the dot",
            css="titles",
        )
    panels = _panels(book, shown) if shown[0].speed else []
    low = book.names.get("metrics", {}).get("low_1pct_fps", "1 % low")
    return render(
        "titles",
        heading=findings.titles_heading(book),
        words=findings.titles_sentences(book),
        table=table,
        panels=panels,
        own=plain_product(book, book.product),
        axis=inline.zero_axis(_top(book), locale=book.locale) if panels else "",
        low_name=low,
        confidence=findings.confidence_words(book),
        key_mark=inline.mark_svg(product_looks(book)[book.product]),
        key_low=_key_svg('<g class="stem p-own"><path d="M3 10H30M3 6V14"/></g>', 32),
        key_other=_key_svg('<path class="other" d="M5 4V16"/>', 10),
    )


def _row_name(book: ClaimBook, title: str, group: str) -> str:
    return findings.row_title(book, title, group)


def _title_rows(book: ClaimBook, shown: Sequence[Standing]) -> list[tuple[str, list[str]]]:
    """Return the titles with a margin, in the order of all charts, under the names of groups."""
    wanted = {title for s in shown for title in s.margins}
    found: dict[str, list[str]] = {}
    for title, group in order_titles(book).items():
        if title in wanted:
            found.setdefault(group, []).append(title)
    if len(found) == 1:
        found = {"": next(iter(found.values()))}
    return [(name or ("Other titles" if len(found) > 1 else ""), t) for name, t in found.items()]


def _lattice(
    book: ClaimBook,
    shown: Sequence[Standing],
    groups: Sequence[tuple[str, Sequence[tuple[str, Sequence[Claim | None]]]]],
    *,
    caption: str,
    sub: str,
    css: str,
    numbers: bool = False,
) -> dict[str, Any]:
    band = findings.level_band(book)
    looks = product_looks(book)
    share = 100 - NAME_WIDTH
    values = []
    for i, standing in enumerate(shown):
        cells = [row[1][i] for _, rows in groups for row in rows]
        shown_claims = [c for c in (*cells, standing.whole) if c is not None]
        values.append([v for c in shown_claims for v in (c.value, c.low, c.high) if v])
    columns = inline.lattice_columns(values, band=band, share=share, pad=0.2 if numbers else 0.12)

    def cell(column: inline.Column, claim: Claim | None) -> dict[str, Any]:
        label = claim.text.removesuffix(f"{NBSP}%") if claim is not None and numbers else ""
        return {
            "claim": claim,
            "word": "" if claim is None else findings.outcome_word(claim.outcome),
            "svg": inline.lattice_cell(column, claim, band=band, label=label),
        }

    return {
        "caption": caption,
        "sub": sub,
        "css": css,
        "name_width": NAME_WIDTH,
        "heads": [
            {
                "mark": inline.mark_svg(looks[s.product]),
                "name": short_product(book, s.product),
                "text": "" if s.whole is None else s.whole.text,
                "outcome": s.outcome,
                "word": findings.outcome_word(s.outcome),
                "width": column.width,
                "axis": inline.lattice_axis(column, widths_px=LATTICE_PX, locale=book.locale),
            }
            for s, column in zip(shown, columns, strict=True)
        ],
        "groups": [
            {
                "name": name,
                "rows": [
                    {
                        "name": title,
                        "cells": [
                            cell(column, claim)
                            for column, claim in zip(columns, claims, strict=True)
                        ],
                    }
                    for title, claims in rows
                ],
            }
            for name, rows in groups
        ],
    }


def _top(book: ClaimBook) -> float:
    """Return the right end of the scale of frames per second."""
    cells = book.of_kind("cell", metric=HEADLINE)
    return 1.06 * max((c.high or c.value or 1.0) for c in cells)


def _panels(book: ClaimBook, shown: Sequence[Standing]) -> list[dict[str, Any]]:
    looks, top = product_looks(book), _top(book)
    cells = {(c.title, c.product): c for c in book.of_kind("cell", metric=HEADLINE)}
    lows = {(c.title, c.product): c for c in book.of_kind("cell", metric="low_1pct_fps")}
    own = book.product
    panels = []
    for n, standing in enumerate(shown):
        rival = standing.product
        groups = []
        for name, titles in _title_rows(book, [standing]):
            rows = []
            for title in titles:
                if (title, own) not in cells:
                    continue
                margin = standing.margins.get(title)
                others = [
                    c.value
                    for (t, p), c in cells.items()
                    if t == title and p not in {own, rival} and c.value
                ]
                pair = [
                    (looks[p], cells.get((title, p)), lows.get((title, p))) for p in (own, rival)
                ]
                rows.append(
                    {
                        "name": _row_name(book, title, name),
                        "svg": inline.stem_row(top, pair, others),
                        "own": cells[title, own],
                        "low": lows.get((title, own)),
                        "rival": cells.get((title, rival)),
                        "margin": margin,
                        "word": ""
                        if margin is None
                        else f", {findings.outcome_word(margin.outcome)}",
                    }
                )
            groups.append({"name": name, "rows": rows})
        panels.append(
            {
                "mark": inline.mark_svg(looks[rival]),
                "name": standing.name,
                "short": short_product(book, rival),
                "groups": groups,
                "css": "" if n == 0 else " also",
            }
        )
    return panels


# --- groups of titles ---


def groups(book: ClaimBook) -> Html:
    """Return the margins by group of titles, over every product, and what turns an outcome."""
    shown = [s for s in findings.standings(book) if s.groups]
    if not shown:
        return Html("")
    order = list(title_groups(book))
    families = {g: tag for tag, groups in tag_families(book).items() for g in groups}
    rows: dict[str, list[tuple[str, list[Claim | None]]]] = {}
    for group in order:
        claims = [s.groups.get(group) for s in shown]
        if any(claims):
            size = len(title_groups(book)[group])
            name = f"{book.name('group', group, kind='suite')} ({size})"
            rows.setdefault(families.get(group, ""), []).append((name, claims))
    named = [
        (f"By {tag.replace('_', ' ')}" if tag else "Other groups", found)
        for tag, found in sorted(rows.items(), key=lambda item: item[0] == "")
    ]
    if len(named) == 1:
        named = [("", named[0][1])]
    table = _lattice(
        book,
        shown,
        named,
        caption="Margin per group of titles",
        sub="percent; hollow: level; in brackets the number of titles",
        css="groups",
        numbers=True,
    )
    late = [f"the {short_product(book, s.product)}" for s in shown[2:]]
    return render(
        "groups",
        heading=findings.groups_heading(book),
        words=findings.groups_sentences(book),
        table=table,
        more=findings.upper_first(findings.listed(late)) if late else "",
    )


# --- classes, limits, value, machines, method ---


def same_name(book: ClaimBook) -> Html:
    """Return what one name means in two classes of machine; nothing where there is one class."""
    heading, words = findings.classes_sentences(book)
    if not heading:
        return Html("")
    return render(
        "words", id="same-name", heading=heading, words=words, rows=(), link="", link_words=""
    )


def limited_by(book: ClaimBook) -> Html:
    """Return what seems to set the limit, as counts with titles."""
    heading, words = findings.limits_sentences(book)
    return render(
        "words",
        id="limited-by",
        heading=heading,
        words=words,
        rows=(),
        link="what-sets-the-limit",
        link_words="The evidence",
    )


def money(book: ClaimBook) -> Html:
    """Return what it costs beside what it does; nothing where no price was recorded."""
    kind = findings.price_kind(book)
    own = next(iter(book.of_kind("price", group=kind, product=book.product)), None)
    if not kind or own is None:
        return Html("")
    looks = product_looks(book)
    shown = {s.product: s for s in findings.standings(book)}
    speeds = {c.product: c for c in book.of_kind("suite_fps", group=kind)}
    costs = {c.product: c for c in book.of_kind("cost_per_fps", group=kind)}
    prices = {c.product: c for c in book.of_kind("price", group=kind)}
    listed = [p for p in (book.product, *shown) if p in prices and p in speeds]
    rows = [
        {
            "own": p == book.product,
            "mark": inline.mark_svg(looks[p]),
            "name": plain_product(book, p),
            "price": prices[p],
            "speed": speeds[p],
            "cost": costs[p],
            "premium": shown[p].premium if p in shown else None,
            "equal": shown[p].equal if p in shown else None,
        }
        for p in listed
    ]
    near = [p for p in listed if p not in shown or not shown[p].apart]
    first = next((shown[p] for p in near if p in shown and shown[p].equal is not None), None)
    pictures = _value_pictures(book, near, prices, speeds, first) if len(near) > 1 else ("", "")
    cheapest = sorted((p for p in near if p in costs), key=lambda p: costs[p].value or math.inf)
    unit = "fps" if findings.main_metric(book) == HEADLINE else "point"
    return render(
        "value",
        heading=findings.value_heading(book),
        words=findings.value_sentences(book),
        picture=pictures[0],
        small=pictures[1],
        kind_name=findings.upper_first(book.name("group", kind, kind="price")),
        sub="both as ratios; stepped line: nothing here is both cheaper and faster; dashed: as "
        f"many frames for the money as {first.the if first else 'the first rival'}; bars: span of "
        "prices",
        caption=f"Cheapest frames: the {short_product(book, cheapest[0])}"
        if cheapest
        else "Prices",
        unit=unit,
        own=plain_product(book, book.product),
        rows=rows,
    )


def _value_pictures(
    book: ClaimBook,
    near: Sequence[str],
    prices: Mapping[str, Claim],
    speeds: Mapping[str, Claim],
    first: Standing | None,
) -> tuple[Markup, Markup]:
    looks = product_looks(book)
    kind = findings.price_kind(book)
    offers = [
        inline.Offer(
            name=short_product(book, p),
            look=looks[p],
            price=prices[p],
            speed=speeds[p],
            price_text=with_currency_sign(prices[p]),
        )
        for p in near
    ]
    on = {c.product for c in book.of_kind("frontier", group=kind, outcome="on")}
    steps = sorted((o for o in offers if o.price.product in on), key=lambda o: o.price.value or 0.0)
    other = next((o for o in offers if first and o.price.product == first.product), None)
    equal = first.equal if first else None
    said = "; ".join(f"{o.name} {o.price_text}, {o.speed.text}" for o in offers)
    words = {
        "across": f"{kind} price, less is better",
        "up": "frames per second over the titles, more is better",
        "equal": f"as much as {first.the} at {with_currency_sign(equal)}"
        if first and equal is not None
        else "",
        "alt": f"Prices across, frames per second up: {said}",
    }
    wide, small = (
        inline.value_svg(
            offers,
            width=width,
            against=other,
            equal=equal,
            steps=steps,
            words=words,
            locale=book.locale,
        )
        for width in (540.0, 340.0)
    )
    return wide, small


def comparable(book: ClaimBook) -> Html:
    """Return how comparable the machines are: what differs, over every product, and why."""
    rows = []
    for product, found in findings.differences(book).items():
        text = ". ".join(
            f"{findings.upper_first(name)}: {there} against {here}. {reason}".rstrip(".")
            for name, there, here, reason in found
        )
        rows.append(
            {"head": findings.upper_first(short_product(book, product)), "text": f"{text}."}
        )
    return render(
        "words",
        id="comparable",
        heading=findings.alike_heading(book),
        words=(),
        rows=rows,
        link="alike-and-not-alike",
        link_words="All controls of all products",
    )


def measured(book: ClaimBook) -> Html:
    """Return how it was measured, for a reader who wants to know and not to check."""
    return render(
        "words",
        id="measured",
        heading=findings.method_heading(book),
        words=findings.method_sentences(book),
        rows=(),
        link="methods-and-settings-in-force",
        link_words="Methods and settings",
    )


def record(book: ClaimBook) -> Html:
    """Return the head of the record, with the choice of what is printed."""
    return render("record")
