"""The article of a review: what it found, for a reader who decides. Made from the claims alone.

One function a section, listed in `SECTIONS`. The record, for a reader who checks, stands behind it
in the page.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from markupsafe import Markup

from kit.charts import inline
from kit.claims.bound_text import with_currency_sign
from kit.claims.claim import Claim, ClaimBook
from kit.page.findings import Findings, Standing, _size, outcome_word, upper_first
from kit.page.html import Html, bullet_list, heading, joined, render
from kit.page.words import msg
from kit.rounding import NBSP, OUTCOME_SIGNS
from kit.settings.metric import HEADLINE, RESULT

NAME_WIDTH = 18  # percent of a lattice that names of titles have
LATTICE_PX = {"wide": 950.0, "small": 640.0, "mid": 640.0}  # by the class of a layout
# The titles of a table under the names of their groups: a row's name, and a claim a rival.
_Rows = Sequence[tuple[str, Sequence[tuple[str, Sequence[Claim | None]]]]]


def _opening(book: ClaimBook) -> Html:
    """Return the first screen: headline, deck, every rival in one picture, and what was tested."""
    found = Findings(book)
    shown, words = found.standings, found.words
    measured = [s for s in shown if s.whole is not None]
    scale = inline.RatioScale.fit(_ratios(measured), band=found.level_band)
    parts = (
        sorted((s for s in shown if s.apart is apart), key=_by_margin) for apart in (False, True)
    )
    likely_false = {
        s.product: s.expected_false for s in measured if s.expected_false and s.has_decided_titles
    }
    alike = len({claim.text for claim in likely_false.values()}) == 1
    said = {} if alike else likely_false
    scores = words.say("results, sign reversed where less is better; ratio scale")
    frames = words.say("average frames per second, ratio scale")
    slower, faster = words.say("slower"), words.say("faster")
    return _render(
        "opening",
        found,
        sub=scores if found.metric == RESULT else frames,
        axis=scale.to_axis(slower=slower, faster=faster, locale=book.locale),
        rows=[[_rival_row(found, s, scale, said) for s in part] for part in parts if part],
        by_figures=bool(measured) and all(s.whole and s.whole.low is None for s in measured),
        priced=bool(found.price_kind) and any(s.price or s.equal for s in shown),
        false_alike=next(map(words.in_page, likely_false.values()), None) if alike else None,
    )


def _render(template: str, found: Findings, /, **given: Any) -> Html:
    """Return a template filled: it has the findings and the book, the names of products (`who`),
    their marks, and what says and lists in the article's language."""
    words, looks = found.words, found.who.looks()
    how = {"say": words.say, "tell": words.tell, "plural": words.plural, "iv": words.interval}
    about = {"found": found, "book": found.book, "who": found.who}
    return render(
        template,
        mark=lambda product: inline.mark_svg(looks[product]),
        word=lambda outcome: outcome_word(outcome, words),
        **how,
        **about,
        **given,
    )


def _by_margin(standing: Standing) -> float:
    """Return where a rival stands: by its margin, without one at the end."""
    whole = standing.whole
    return math.inf if whole is None or whole.value is None else whole.value


def _ratios(shown: Sequence[Standing]) -> list[float]:
    """Return every ratio the first picture has to show."""
    whole = [c for s in shown for c in (s.whole, s.like) if c is not None]
    found = [value for c in whole for value in (c.value, c.low, c.high) if value]
    return found + [c.value for s in shown for c in s.over.values() if c.value]


def _rival_row(
    found: Findings, standing: Standing, scale: inline.RatioScale, likely_false: Mapping[str, Claim]
) -> dict[str, Any]:
    """Return what the template says of one rival."""
    cut, margins, words = standing.cut, list(standing.over.values()), found.words
    word = outcome_word(standing.outcome, words)
    if found.turned_by(standing):
        word = words.say("{outcome}, fragile", outcome=word)
    likely = likely_false.get(standing.product)
    lower = words.tell("{cut} lower", cut=_size(cut)) if cut is not None else ()
    if cut is not None and not cut.value:
        lower = words.tell("above its price")
    counts = [standing.counts[o] for o in OUTCOME_SIGNS if o in standing.counts]
    svg = scale.to_row(
        whole=standing.whole,
        like=standing.like,
        margins=margins if len(margins) > 1 else [],
        band=found.level_band,
    )
    return {
        "standing": standing, "svg": svg, "word": word, "counts": [c for c in counts if c.value],
        "false": None if likely is None else words.in_page(likely), "cut": lower,
    }  # fmt: skip


# --- per title ---


def _per_title(book: ClaimBook) -> Html:
    """Return the margins title by title over every product, and frames per second beside one.

    Beside which one a reader chooses, without a script: there is a panel a rival, and all but the
    chosen one are hidden by the page's style.
    """
    found = Findings(book)
    shown = [s for s in found.standings if s.margins]
    if not shown:
        return Html("")
    rows = [
        (
            name,
            [(found.who.bare_title(t, name), [s.margins.get(t) for s in shown]) for t in titles],
        )
        for name, titles in _title_rows(found, shown)
    ]
    table, words = None, found.words
    if sum(len(titles) for _, titles in rows) > 1:
        table = _lattice(
            found,
            shown,
            rows,
            caption=words.say("Margin per title and rival"),
            sub=words.say(
                "percent, one scale for all columns; right of the line the {own} is ahead; "
                "stroke: {confidence} interval where wider than the dot",
                own=found.own,
                confidence=found.confidence,
            ),
            css="titles",
        )
    panels = _panels(found, shown) if shown[0].speed else []
    return _render(
        "titles",
        found,
        table=table,
        panels=panels,
        axis=inline.zero_axis(_top(book), locale=book.locale) if panels else "",
        low_name=words.word(book.names.get("metrics", {}).get("low_1pct_fps", "")),
    )


def _title_rows(facts: Findings, shown: Sequence[Standing]) -> list[tuple[str, list[str]]]:
    """Return the titles with a margin, in the order of all charts, under the names of groups."""
    wanted = {title for s in shown for title in s.margins}
    found: dict[str, list[str]] = {}
    for title, group in facts.who.title_order().items():
        if title in wanted:
            found.setdefault(group, []).append(title)
    if len(found) == 1:
        found = {"": next(iter(found.values()))}
    other = facts.words.say("Other titles") if len(found) > 1 else ""
    return [(name or other, t) for name, t in found.items()]


def _lattice(
    found: Findings,
    shown: Sequence[Standing],
    groups: _Rows,
    *,
    caption: str,
    sub: str,
    css: str,
    numbers: bool = False,
) -> dict[str, Any]:
    """Return a table of small pictures: a row a title or group, a column a rival, one scale.

    Parameters
    ----------
    found : Findings
    shown : sequence of Standing
        The rivals, a column each.
    groups : names of groups, each with its rows: a name and a claim or None a column
    caption, sub : str
        What the table shows, and how to read it.
    css : str
        Class of the table.
    numbers : bool
        Whether each picture bears its figure.
    """
    band, words = found.level_band, found.words
    values, none = [], words.say("no run")
    for i, standing in enumerate(shown):
        claims = [*(row[1][i] for _, rows in groups for row in rows), standing.whole]
        values.append([v for c in claims if c is not None for v in (c.value, c.low, c.high) if v])
    columns = inline.Column.share_out(
        values, band=band, share=100 - NAME_WIDTH, pad=0.2 if numbers else 0.12
    )

    def cell(column: inline.Column, claim: Claim | None) -> tuple[Claim | None, Markup]:
        label = claim.text.removesuffix(f"{NBSP}%") if claim is not None and numbers else ""
        return claim, column.to_cell(claim, band=band, none=none, label=label)

    axes = [c.to_axis(widths_px=LATTICE_PX, locale=found.book.locale) for c in columns]
    filled = [
        (name, [(title, list(map(cell, columns, claims))) for title, claims in rows])
        for name, rows in groups
    ]
    return {
        "caption": caption,
        "whole": found.book.whole_words(words.say("all titles")),
        "sub": sub,
        "css": css,
        "name_width": NAME_WIDTH,
        "heads": list(zip(shown, columns, axes, strict=True)),
        "groups": filled,
    }


def _top(book: ClaimBook) -> float:
    """Return the right end of the scale of frames per second."""
    cells = book.of_kind("cell", metric=HEADLINE)
    return 1.06 * max((c.high or c.value or 1.0) for c in cells)


def _panels(found: Findings, shown: Sequence[Standing]) -> list[dict[str, Any]]:
    """Return what the template shows of frames per second beside each rival."""
    book, own = found.book, found.book.product
    looks, top = found.who.looks(), _top(book)
    cells = {(c.title, c.product): c for c in book.of_kind("cell", metric=HEADLINE)}
    lows = {(c.title, c.product): c for c in book.of_kind("cell", metric="low_1pct_fps")}

    def row(title: str, name: str, standing: Standing) -> dict[str, Any]:
        rival, margin = standing.product, standing.margins.get(title)
        others = [
            c.value
            for (t, p), c in cells.items()
            if t == title and p not in {own, rival} and c.value
        ]
        pair = [(looks[p], cells.get((title, p)), lows.get((title, p))) for p in (own, rival)]
        return {
            "name": found.who.bare_title(title, name),
            "svg": inline.stem_row(top, pair, others),
            "own": cells[title, own],
            "low": lows.get((title, own)),
            "rival": cells.get((title, rival)),
            "margin": margin,
        }

    return [
        {
            "product": standing.product,
            "groups": [
                (name, [row(t, name, standing) for t in titles if (t, own) in cells])
                for name, titles in _title_rows(found, [standing])
            ],
            "css": "" if n == 0 else " also",
        }
        for n, standing in enumerate(shown)
    ]


# --- groups of titles ---


def _groups(book: ClaimBook) -> Html:
    """Return the margins by group of titles, over every product, and what turns an outcome.

    Groups made from one tag stand together, in the order params name them. A narrow page shows two
    products and says where the others are.
    """
    found = Findings(book)
    shown = [s for s in found.standings if s.groups]
    if not shown:
        return Html("")
    words = found.words
    families = {g: tag for tag, groups in found.who.families().items() for g in groups}
    rows: dict[str, list[tuple[str, list[Claim | None]]]] = {}
    for group, titles in found.who.groups().items():
        claims = [s.groups.get(group) for s in shown]
        if any(claims):
            name = f"{book.name('group', group, kind='suite')} ({len(titles)})"
            rows.setdefault(families.get(group, ""), []).append((name, claims))
    named = [
        (
            words.say("By {tag}", tag=tag.replace("_", " ")) if tag else words.say("Other groups"),
            some,
        )
        for tag, some in sorted(rows.items(), key=lambda item: item[0] == "")
    ]
    if len(named) == 1:
        named = [("", named[0][1])]
    table = _lattice(
        found,
        shown,
        named,
        caption=words.say("Margin per group of titles"),
        sub=words.say("percent; hollow: level; in brackets the number of titles"),
        css="groups",
        numbers=True,
    )
    more = upper_first(words.listed(s.the for s in shown[2:]))
    return _render("groups", found, table=table, more=more)


# --- classes, limits, value, machines, method ---


def _words(name: str, heading: str, words: Sequence[Any], **more: Any) -> Html:
    """Return a section of words: sentences, or `rows` of a head and a text; and a `link`."""
    given = {"rows": (), "link": "", "link_words": ""} | more
    return render("words", id=name, heading=heading, words=words, **given)


def _same_name(book: ClaimBook) -> Html:
    """Return what one name means in two classes of machine; nothing where there is one class."""
    head, said = Findings(book).classes_sentences()
    return _words("same-name", head, said) if head else Html("")


def _steps(book: ClaimBook) -> Html:
    """Return what settings of one thing do to a product; nothing where params name none."""
    head, said = Findings(book).steps_sentences()
    return _words("one-product", head, said) if head else Html("")


def _limited_by(book: ClaimBook) -> Html:
    """Return what seems to set the limit, as counts with titles."""
    found = Findings(book)
    link = {"link": "what-sets-the-limit", "link_words": found.words.say("The evidence")}
    return _words("limited-by", *found.limits_sentences(), **link)


def _money(book: ClaimBook) -> Html:
    """Return what it costs beside what it does; nothing where no price was recorded.

    The picture leaves out other classes of machine; the table has them.
    """
    found = Findings(book)
    kind, words = found.price_kind, found.words
    if not kind or found.own_price is None:
        return Html("")
    shown = {s.product: s for s in found.standings}
    speeds, costs, prices = (
        {c.product: c for c in book.of_kind(of, group=kind)}
        for of in ("suite_fps", "cost_per_fps", "price")
    )
    weighed = [
        {c.baseline: c for c in book.of_kind(of, group=kind, product=book.product)}
        for of in ("premium", "equal_value_price")
    ]
    sold = [of["product"] for of in found.configurations]
    offered = [p for p in (book.product, *shown, *sold) if p in prices and p in speeds]
    near = [p for p in offered if p not in shown or not shown[p].apart]
    first = next(iter(found.weighed), None)
    picture, small = (
        _value_pictures(found, near, prices, speeds, first) if len(near) > 1 else ("", "")
    )
    cheapest = min(
        (p for p in near if p in costs), key=lambda p: costs[p].value or math.inf, default=""
    )
    caption = words.say("Prices")
    if cheapest:
        short = found.who.short(cheapest)
        caption = words.say("Cheapest frames: the {product}", product=short)
    return _render(
        "value",
        found,
        picture=picture,
        small=small,
        kind_name=upper_first(words.kind_of_prices(book.name("group", kind, kind="price"))),
        sub=words.say(
            "both as ratios; stepped line: nothing here is both cheaper and faster; dashed: as "
            "many frames for the money as {rival}; bars: span of prices",
            rival=first.the if first else words.say("the first rival"),
        ),
        caption=caption,
        unit="fps" if found.metric == HEADLINE else words.say("point"),
        rows=[(p, prices[p], speeds[p], costs[p], *(of.get(p) for of in weighed)) for p in offered],
    )


def _value_pictures(
    found: Findings,
    near: Sequence[str],
    prices: Mapping[str, Claim],
    speeds: Mapping[str, Claim],
    first: Standing | None,
) -> tuple[Markup, Markup]:
    """Return prices and performance drawn, for a wide page and for a narrow one.

    Parameters
    ----------
    found : Findings
    near : sequence of str
        The products drawn, of one class of machine.
    prices, speeds : mapping of str to Claim
        Of each product.
    first : Standing or None
        The rival whose value the dashed line stands for.
    """
    book, looks, kind = found.book, found.who.looks(), found.price_kind
    offers = [
        inline.Offer(
            name=found.who.short(p),
            look=looks[p],
            price=prices[p],
            speed=speeds[p],
            price_text=with_currency_sign(prices[p], book.locale),
        )
        for p in near
    ]
    on = {c.product for c in book.of_kind("frontier", group=kind, outcome="on")}
    steps = sorted((o for o in offers if o.price.product in on), key=lambda o: o.price.value or 0.0)
    other = next((o for o in offers if first and o.price.product == first.product), None)
    equal = first.equal if first else None
    said = "; ".join(f"{o.name} {o.price_text}, {o.speed.text}" for o in offers)
    say, as_much = found.words.say, ""
    if first and equal:
        price = with_currency_sign(equal, book.locale)
        as_much = say("as much as {rival} at {price}", rival=first.the, price=price)
    words = {
        "across": say("{kind} price, less is better", kind=found.words.kind(kind)),
        "up": say("frames per second over the titles, more is better"),
        "equal": as_much,
        "alt": say("Prices across, frames per second up: {offers}", offers=said),
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


def _comparable(book: ClaimBook) -> Html:
    """Return how comparable the machines are: what differs, over every product, and why.

    A row a product that differs in a control: its value against ours, and the waiver's reason.
    """
    found, rows = Findings(book), []
    say = found.words.say
    for product, differing in found.differences.items():
        text = ". ".join(
            say("{control}: {there} against {here}. {reason}",
                control=upper_first(name), there=there, here=here, reason=reason).rstrip(".")
            for name, there, here, reason in differing
        )  # fmt: skip
        rows.append({"head": upper_first(found.who.short(product)), "text": f"{text}."})
    link = {"link": "alike-and-not-alike", "link_words": say("All controls of all products")}
    return _words("comparable", found.alike_heading(), (), rows=rows, **link)


def _measured(book: ClaimBook) -> Html:
    """Return how it was measured, for a reader who wants to know and not to check."""
    found = Findings(book)
    link = {
        "link": "methods-and-settings-in-force",
        "link_words": found.words.say("Methods and settings"),
    }
    return _words("measured", found.method_heading(), found.method_sentences(), **link)


def _record(book: ClaimBook) -> Html:
    """Return the head of the record, with the choice of what is printed."""
    return _render("record", Findings(book))


CAUTIONS = (
    msg(
        "These figures hold for the machines, drivers, settings and room named here. Another copy "
        "of the same product may differ."
    ),
    msg(
        "Prices were observed on the days stated and change. Weigh your own needs, and ask the "
        "seller about warranty and returns, before you spend money on the strength of a review."
    ),
    msg(
        "To repeat the measurements by opening a machine, unplug it, remove or disconnect the "
        "battery where the maker allows it, and let it stand until it is discharged and cool; heat "
        "sinks and batteries can burn. Leave measurements at mains voltage to people trained and "
        "licensed for it. Local rules come first."
    ),
    msg("Test scenes can flash. People with photosensitive epilepsy should not watch them."),
)


def _cautions(book: ClaimBook) -> Html:
    """Return the usual cautions."""
    say = Findings(book).words.say
    cautions = bullet_list(map(say, CAUTIONS), css="cautions")
    return joined(heading(say("Before you rely on it"), level=2), cautions)


# The sections, by the name with which a template shows them.
SECTIONS: Mapping[str, Callable[[ClaimBook], Html]] = {
    "opening": _opening,
    "per_title": _per_title,
    "groups": _groups,
    "same_name": _same_name,
    "steps": _steps,
    "limited_by": _limited_by,
    "money": _money,
    "comparable": _comparable,
    "measured": _measured,
    "cautions": _cautions,
    "record": _record,
}
