"""One review or a season of them: separate processes and folders, one failure stops no other.

On a cluster each review of a season is one task: a worker runs it in a folder of its own and sends
the files back, and only this process puts them in place. A worker that dies leaves nothing behind.

The finished reviews of a folder stand side by side in a league table against one baseline. It is
made from their own claims alone: nothing is measured again.
"""

from __future__ import annotations

import copy
import datetime as dt
import gc
import html
import logging
import math
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import suppress
from dataclasses import dataclass, field, fields, replace
from itertools import zip_longest
from multiprocessing import connection, current_process, forkserver, get_context, parent_process
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.claims.claim import Claim, ClaimBook, anchor_of, load_claims
from kit.errors import ExecutionError, KitError, ParamsError, SealError, UsageError, did_you_mean
from kit.metrics.cluster import do_on_cluster
from kit.metrics.measuring import PLAIN, Reading
from kit.metrics.store import Store, code_key
from kit.package import module_paths
from kit.page.assemble import frame_page
from kit.page.html import (
    Column,
    Html,
    Part,
    bullet_list,
    heading,
    html_table,
    outcome_html,
    page_head,
    paragraph,
    text_html,
)
from kit.page.view import mark_words
from kit.report.ahead import NEEDED, WaitingKernel
from kit.report.files import new_folder, note_inputs, read_inputs, why_stale, write_whole
from kit.report.report import environment_of, run_review
from kit.rounding import Rounded, table_csv
from kit.screening.flags import few
from kit.settings.metric import HEADLINE
from kit.settings.params import load_params
from kit.settings.yaml import YamlDocument, read_yaml
from kit.trace import file_sha256

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import ForkServerContext
    from multiprocessing.process import BaseProcess

    import pandas as pd

    from kit.review.walk import Review

_PROGRESS = logging.getLogger("marginbook.progress")
FILES = ("index.html", "season.csv", "season.parquet")


@dataclass(frozen=True, slots=True)
class _Finished:
    """One finished review: its folder's name, its claims, and whom of its products it is about."""

    folder: str
    book: ClaimBook
    product: str


@dataclass(frozen=True, slots=True)
class _Place:
    """One product's place in the league: its margin over the baseline, over the shared titles.

    `claim` is the claim of its report that says the same, "" where the shared titles are fewer
    than the report's own. `outcome` is then without "level", which needs more than the interval.
    """

    place: int
    product: str
    name: str
    baseline: str
    titles: int
    ratio: float
    low: float | None
    high: float | None
    confidence: float | None
    outcome: str
    marks: str  # in words, joined by "; "
    review: str
    date: str
    claim: str


@dataclass(frozen=True, slots=True)
class _League:
    """Products by their margins of averages over one baseline, all over the same titles."""

    baseline: str
    baseline_name: str
    titles: tuple[str, ...]
    title_names: tuple[str, ...]
    places: tuple[_Place, ...]
    left_out: Mapping[str, str]  # review -> why it has no place

    def to_frame(self) -> pd.DataFrame:
        """Return one row per place, columns as the fields of `_Place`, figures unrounded."""
        import pandas as pd

        names = [f.name for f in fields(_Place)]
        frame = pd.DataFrame([[getattr(p, n) for n in names] for p in self.places], columns=names)
        kinds = {"place": "int64", "titles": "int64"}
        kinds |= dict.fromkeys(("ratio", "low", "high", "confidence"), "float64")
        return frame.astype(kinds)


def _find_finished(out_dir: Path) -> tuple[_Finished, ...]:
    """Return every finished review in a folder, by the name of its own folder.

    What cannot be read as a finished review is passed over: a season goes on without it.
    """
    found = []
    for folder in sorted(out_dir.iterdir()) if out_dir.is_dir() else ():
        if folder.name.startswith(".") or not (folder / "report.html").is_file():
            continue
        try:
            book = load_claims(folder)
        except SealError:
            continue
        found.append(_Finished(folder.name, book, book.product))
    return tuple(found)


def _make_league(finished: Sequence[_Finished], *, baseline: str | None = None) -> _League:
    """Return the league of the reviews that set their product against one baseline.

    Parameters
    ----------
    finished : sequence of _Finished
    baseline : str, optional
        A product's id; without it, of those of the reviews' class of machine, the one that most
        reviews set their product against, of several the one with most margins, of these the first
        in the alphabet.

    Raises
    ------
    UsageError
        If no review has margins over `baseline`.

    Notes
    -----
    Only titles count in which every product of the league has a margin over the baseline: others
    would compare each product over titles of its own. Where no title is shared by all, the
    review with the fewest is left out, and so on. Over all titles of a report's suite its own
    suite claim stands; over fewer, the geometric mean of its margins, with the half-widths of
    their intervals (of ln ratio) put together as the root of the sum of their squares, which is
    a little wide.
    """
    margins = {f.folder: _margins(f) for f in finished}
    counted = Counter(other for found in margins.values() for other in found)
    if baseline is None:
        sizes = Counter(
            {name: sum(len(found.get(name, ())) for found in margins.values()) for name in counted}
        )
        kinds = [(f, f.book.names.get("classes", {})) for f in finished]
        away = {p for f, of in kinds for p, kind in of.items() if kind != of.get(f.product)}
        baseline = min(
            counted,
            key=lambda name: (name in away, -counted[name], -sizes[name], name),
            default="",
        )
    elif baseline not in counted:
        raise UsageError(
            f'no finished review has margins over "{baseline}"{did_you_mean(baseline, counted)}'
        )
    left_out: dict[str, str] = {}
    racing: dict[str, dict[str, Claim]] = {}
    name = baseline
    for f in finished:
        of_baseline = margins[f.folder].get(baseline)
        name = f.book.names.get("products", {}).get(baseline, name)
        if of_baseline:
            racing[f.folder] = of_baseline
        elif f.book.of_kind("margin"):
            left_out[f.folder] = f"no margin of averages over {name}"
    titles: set[str] = set()
    while racing and not (titles := set.intersection(*map(set, racing.values()))):
        least = min(racing, key=lambda folder: (len(racing[folder]), folder))
        left_out[least] = "shares no title with the others"
        del racing[least]
    racers = [f for f in finished if f.folder in racing]
    places = [_place(f, racing[f.folder], titles) for f in racers]
    ordered = tuple(sorted(titles))
    name_of = next((f.book.title_name for f in racers), str)
    return _League(
        baseline=baseline,
        baseline_name=name,
        titles=ordered,
        title_names=tuple(map(name_of, ordered)),
        places=_in_order(places),
        left_out=left_out,
    )


def _margins(one: _Finished) -> dict[str, dict[str, Claim]]:
    """Return the margins of averages of a review's product: baseline -> title -> claim."""
    found: dict[str, dict[str, Claim]] = {}
    for claim in one.book.of_kind("margin", metric=HEADLINE, product=one.product):
        if claim.value is not None and claim.value > 0:
            found.setdefault(claim.baseline, {})[claim.title] = claim
    return found


def _in_order(places: Iterable[_Place]) -> tuple[_Place, ...]:
    """Return places numbered from the fastest on."""
    ordered = sorted(places, key=lambda p: (-p.ratio, p.product, p.review))
    return tuple(replace(p, place=place) for place, p in enumerate(ordered, start=1))


def _place(one: _Finished, margins: Mapping[str, Claim], titles: Collection[str]) -> _Place:
    """Return the place of one product, not yet numbered: its suite claim, or margins combined."""
    book, claims = one.book, [margins[title] for title in sorted(titles)]
    baseline = claims[0].baseline
    suite = book.get(f"suite/{HEADLINE}/all/{one.product}-over-{baseline}")
    alike = suite is not None and set(suite.inputs) == {c.id for c in claims}
    if suite is not None and suite.value is not None and alike:
        ratio, low, high = suite.value, suite.low, suite.high
        outcome, claim, marks = suite.outcome, suite.id, suite.marks
        confidence = suite.confidence
        if one.product != book.product:
            claim = ""  # its report was not asked for it
    else:
        ratio, low, high = _combined(claims)
        confidence = claims[0].confidence
        outcome, claim = _outcome(low, high), ""
        said = {c.outcome for c in claims}
        if low is None and said & {"above", "below", "open"}:
            outcome = said.pop() if len(said) == 1 else "open"
        marks = tuple(dict.fromkeys(mark for c in claims for mark in c.marks))
    words = mark_words(book)
    return _Place(
        place=0,
        product=one.product,
        name=book.product_name(one.product),
        baseline=baseline,
        titles=len(claims),
        ratio=ratio,
        low=low,
        high=high,
        confidence=confidence,
        outcome=outcome,
        marks="; ".join(words.get(mark, mark).partition(": see ")[0] for mark in marks),
        review=one.folder,
        date=book.date,
        claim=claim,
    )


def _combined(claims: Sequence[Claim]) -> tuple[float, float | None, float | None]:
    """Return the geometric mean of margins, and the ends of its interval."""
    logs = [math.log(claim.value) for claim in claims if claim.value]
    centre = math.fsum(logs) / len(logs)
    if any(claim.low is None or claim.high is None for claim in claims):
        return math.exp(centre), None, None
    halves = [math.log(c.high / c.low) / 2 for c in claims if c.low and c.high]
    half = math.sqrt(math.fsum(h * h for h in halves)) / len(claims)
    return math.exp(centre), math.exp(centre - half), math.exp(centre + half)


def _outcome(low: float | None, high: float | None) -> str:
    """Return the outcome an interval alone allows."""
    if low is not None and low > 1:
        return "ahead"
    return "behind" if high is not None and high < 1 else "unresolved"


def _write_season(out_dir: Path, *, baseline: str | None = None) -> tuple[Path, ...]:
    """Write the index page over the finished reviews of a folder, and its league.

    Parameters
    ----------
    out_dir : Path
        The folder of finished reviews.
    baseline : str, optional
        The product all others are compared with; without it as `run_reviews` chooses.

    Returns
    -------
    tuple of Path
        The files written (page, CSV, Parquet); none where nothing is finished.

    Raises
    ------
    UsageError
        If no review has margins over `baseline`.
    """
    finished = _find_finished(out_dir)
    if not finished:
        return ()
    league = _make_league(finished, baseline=baseline)
    frame = league.to_frame()
    page, table, parquet = (out_dir / name for name in FILES)
    write_whole(page, _index_page(finished, league).encode())
    write_whole(table, table_csv(frame).encode())
    write_whole(parquet, frame.to_parquet(index=False))
    return page, table, parquet


def _index_page(finished: Sequence[_Finished], league: _League) -> str:
    """Return the index page: the league, then every finished review with a link to its report."""
    newest = max(f.book.date for f in finished)
    head = page_head("Reviews side by side", byline=few(len(finished), "review"), date=newest)
    pieces = [heading("League", level=2), *_league_pieces(league)]
    pieces += [heading("Reviews", level=2), _reviews_table(finished)]
    return frame_page(head.markup, "".join(piece.markup for piece in pieces))


def _league_pieces(league: _League) -> list[Html]:
    """Return the league as a table, with its titles and who is left out."""
    if not league.places:
        return [paragraph("No two reviews can be set side by side: none has a margin of averages.")]
    rows: list[list[Part | None]] = []
    for place in league.places:
        text = Rounded.ratio(place.ratio, place.low, place.high)
        target = f"{place.review}/report.html"
        if place.claim:
            target += f"#{anchor_of(place.claim)}"
        interval = f"{text.interval} %" if text.interval else "no interval"
        said = (interval, Html(outcome_html(place.outcome)), place.marks)
        rows.append([f"{place.place}. {place.name}", _link(target, text.text), *said])
    table = html_table(
        f"Average over {league.baseline_name}, over the {len(league.titles)} titles that every "
        "product here shares with it",
        [Column("Product"), Column("Margin", number=True),
         *map(Column, ("Interval", "Outcome", "Marks"))],
        rows,
        note="Each margin leads to its report. Neighbours whose intervals overlap are not shown to "
        "differ: a league sets everyone against the baseline, not against each other.",
        frame=league.to_frame(),
    )  # fmt: skip
    pieces = [table, paragraph(f"Titles: {', '.join(league.title_names)}.")]
    if any(not place.claim for place in league.places):
        pieces.append(
            paragraph(
                "Where a report has more titles than are shared here, its margins are put together "
                "anew over those shared; its own suite margin may differ."
            )
        )
    if league.left_out:
        pieces.append(
            bullet_list(f"{review} has no place: {why}" for review, why in league.left_out.items())
        )
    return pieces


def _reviews_table(finished: Sequence[_Finished]) -> Html:
    """Return a table of the finished reviews, the newest first."""
    rows: list[list[Part | None]] = [
        [
            _link(f"{f.folder}/report.html", f.book.title),
            f.book.product_name(f.book.product),
            f.book.date,
            f.book.byline,
        ]
        for f in sorted(finished, key=lambda f: (f.book.date, f.folder), reverse=True)
    ]
    return html_table(
        "Finished reviews, the newest first",
        [Column("Report"), Column("Product"), Column("Date"), Column("By")],
        rows,
    )


def _link(target: str, words: str) -> Html:
    """Return a link."""
    return Html(f'<a href="{html.escape(target)}">{text_html(words)}</a>')


def write_guide(
    out_dir: Path, *, today: dt.date, machine_class: str = "", baseline: str | None = None
) -> tuple[Path, list[dict[str, str]], list[str]]:
    """Write a page of all products of one class, over the finished reviews of a folder.

    League, prices of today and the frontier they make, who leads in which group of titles, what is
    stale; and every published sentence that prices and runs of today no longer bear out. A product
    without a review of its own stands as it was measured beside those that have one.

    Parameters
    ----------
    out_dir : Path
        The folder of finished reviews; the page is `guide.html` in it.
    today : date
        Prices up to this day count, over a window as long as the review's own.
    machine_class : str
        Only its products; the class that most reviews are of, if not given.
    baseline : str, optional
        As `run_reviews` takes it.

    Returns
    -------
    Path, list of dict, list of str
        The page; a row an alert: "review", "where", "published", "today"; reviews that could not
        be made again, so that nobody knows whether their sentences hold.

    Raises
    ------
    UsageError
        If nothing is finished, or no review is of the class or has margins over the baseline.
    """
    from kit.claims.bound_text import read_text
    from kit.page.article import CAUTIONS
    from kit.review.walk import load_review

    finished = [f for f in _find_finished(out_dir) if f.book.of_kind("margin")]
    of_class = Counter(f.book.names.get("classes", {}).get(f.book.product, "") for f in finished)
    if not finished or (machine_class and machine_class not in of_class):
        whose = f" of the class {machine_class}{did_you_mean(machine_class, of_class)}"
        raise UsageError(f"{out_dir.name}: no finished review{whose if machine_class else ''}")
    chosen = machine_class or of_class.most_common(1)[0][0]
    some = [f for f in finished if f.book.names.get("classes", {}).get(f.product) == chosen]
    some.sort(key=lambda f: (f.book.date, f.folder))
    league = _make_league(some, baseline=baseline)
    now: dict[str, ClaimBook] = {}
    beside: dict[str, _Finished] = {}  # as the newest review has each
    stale: list[str] = []
    alerts: list[dict[str, str]] = []
    for f in some:
        try:
            params = read_inputs(out_dir / f.folder).params
            review = load_review(params)
            written = review.params.text
            text = read_text(params.parent / written) if written else ""
            now[f.folder] = _as_of(review, today)
            for one in _measured_beside(f, some, league, review, today):
                beside[one.product] = one
        except KitError as error:
            stale.append(f"cannot be made again: {str(error).splitlines()[0]}")
            continue
        if why := why_stale(out_dir / f.folder, params):
            stale.append(f"{f.folder}, of {f.book.date}: {why}")
        alerts += [{"review": f.folder, **row} for row in _alerts(f.book, now[f.folder], text)]
    others = list(beside.values())
    league = _with_others(league, some, others)
    head = page_head(f"Guide: {chosen}", byline=few(len(some), "review"), date=today.isoformat())
    pieces = [
        heading("In one suite", level=2), *_league_pieces(league),
        heading("Prices of today", level=2), _todays_prices(league, some, now, today),
        heading("What each is best for", level=2), bullet_list(_best_for(league, [*some, *others])),
        heading("What is stale", level=2),
        bullet_list(stale or ["Every report is what its bench gives today, but for prices."]),
        heading("Published, and no longer borne out", level=2),
        _alert_table(alerts, len(now), len(some)),
        heading("Before you rely on it", level=2), bullet_list(CAUTIONS),
    ]  # fmt: skip
    path = out_dir / "guide.html"
    write_whole(path, frame_page(head.markup, "".join(p.markup for p in pieces)).encode())
    return path, alerts, [f.folder for f in some if f.folder not in now]


def _measured_beside(
    one: _Finished, some: Sequence[_Finished], league: _League, review: Review, today: dt.date
) -> list[_Finished]:
    """Return those products of a review that have none of their own, set against the baseline."""
    measured = dict.fromkeys(run.product for run in one.book.runs if run.used)
    classes = one.book.names.get("classes", {})
    own = {league.baseline, *(f.product for f in some)}
    rivals = [p for p in measured if p not in own and classes.get(p) == classes.get(one.product)]
    if not rivals or league.baseline not in measured:
        return []
    book = _as_of(review, today, [(rival, league.baseline) for rival in rivals])
    return [_Finished(one.folder, book, rival) for rival in rivals]


def _with_others(
    league: _League, some: Sequence[_Finished], others: Sequence[_Finished]
) -> _League:
    """Return the league with products that have no review of their own.

    Those with the most titles come first; one joins if two thirds of the league's titles are left.
    """
    titles, left_out = set(league.titles), dict(league.left_out)
    placed = {place.review for place in league.places}
    racing = [(f, _margins(f)[league.baseline]) for f in some if f.folder in placed]
    found = [(one, _margins(one).get(league.baseline, {})) for one in others]
    for one, margins in sorted(found, key=lambda it: (-len(titles & it[1].keys()), it[0].product)):
        if not titles or 3 * len(titles & margins.keys()) < 2 * len(league.titles):
            why = f"too few titles, {len(margins.keys() & set(league.titles))}"
            left_out[one.book.product_name(one.product)] = why
            continue
        titles &= margins.keys()
        racing.append((one, margins))
    names = dict(zip(league.titles, league.title_names, strict=True))
    ordered = tuple(sorted(titles))
    return replace(
        league,
        titles=ordered,
        title_names=tuple(names[title] for title in ordered),
        places=_in_order(_place(one, margins, titles) for one, margins in racing),
        left_out=left_out,
    )


def _as_of(review: Review, today: dt.date, pairs: Iterable[tuple[str, str]] = ()) -> ClaimBook:
    """Return a review's claims as its bench and prices would give them today.

    `pairs` are compared as well, each a product over another.
    """
    from kit.claims.of_pages import make_claims
    from kit.review.walk import work_out

    params, data = review.params, copy.deepcopy(review.loaded.document.data)
    data["date"] = today
    asked = {(pair.product, pair.over) for pair in params.pairs}
    new = [{"product": p, "over": over} for p, over in pairs if (p, over) not in asked]
    if new:
        data["pairs"] = [*data.get("pairs", ()), *new]
    if params.value is not None:
        end = params.value.until or params.date
        data["value"]["until"] = today
        if params.value.since is not None:
            data["value"]["since"] = today - (end - params.value.since)
    document = YamlDocument(review.loaded.path.name, data, {})
    changed = review.changed(review.loaded.with_document(document))
    return make_claims(changed, work_out(changed))


def _alerts(was: ClaimBook, now: ClaimBook, text: str) -> Iterator[dict[str, str]]:
    """Yield each sentence of the article, and each reference of the text, that reads otherwise."""
    from kit.claims.bound_text import restate
    from kit.page.findings import Findings

    said = []
    for book in (was, now):
        found = Findings(book)
        rest = [*found.deck(), *found.value_sentences()]
        plain = ("".join(p if isinstance(p, str) else p.text for p in parts) for parts in rest)
        said.append([*dict.fromkeys([found.headline(), *plain])])
    gone = [sentence for sentence in said[0] if sentence not in said[1]]
    instead = [sentence for sentence in said[1] if sentence not in said[0]]
    for one, other in zip_longest(gone, instead, fillvalue=""):
        yield {"where": "article", "published": one, "today": other}
    before, after = restate(text, was), restate(text, now)
    for (line, written), one in before.items():
        if one != (other := after.get((line, written), "")):
            where = f"text, line {line}: {written}"
            yield {"where": where, "published": one, "today": other}


def _alert_table(alerts: Sequence[Mapping[str, str]], asked: int, reviews: int) -> Html:
    """Return the alerts as a table, or that there are none in the reviews that were asked."""
    if not asked:
        return paragraph("Not known: no review here could be made again.")
    whose = "these reviews" if asked == reviews else f"the {asked} of {reviews} made again"
    if not alerts:
        return paragraph(f"Every sentence of {whose} still holds.")
    heads = ("review", "where", "published", "today")
    rows: list[list[Part | None]] = [[row[head] or "nothing" for head in heads] for row in alerts]
    caption = f"{few(len(alerts), 'sentence')} of {whose} that prices and runs give otherwise today"
    return html_table(caption, [Column(head.capitalize()) for head in heads], rows)


def _price_of(book: ClaimBook, product: str) -> Claim | None:
    """Return a product's price of the kind nearest to buying; None where it has none."""
    from kit.page.findings import Findings

    prices = book.of_kind("price", product=product, group=Findings(book).price_kind)
    return next(iter(prices), None)


def _todays_prices(
    league: _League, some: Sequence[_Finished], now: Mapping[str, ClaimBook], today: dt.date
) -> Html:
    """Return prices of today beside those of the reviews, and who is on the frontier."""
    from kit.value.weigh import find_frontier

    published = {f.folder: f.book for f in some}
    offers: list[tuple[str, float, Claim, Claim | None]] = []
    for place in league.places:
        if place.review in now and (price := _price_of(now[place.review], place.product)):
            before = _price_of(published[place.review], place.product)
            offers.append((place.name, place.ratio, price, before))
    for place in league.places[:1]:
        if place.review in now and (price := _price_of(now[place.review], place.baseline)):
            before = _price_of(published[place.review], place.baseline)
            offers.append((league.baseline_name, 1.0, price, before))
    if not offers:
        return paragraph(f"No price up to {today.isoformat()} in what could be made again.")
    units = Counter(price.unit for _, _, price, _ in offers)
    offers = [offer for offer in offers if offer[2].unit == units.most_common(1)[0][0]]
    found = find_frontier([o[2].figure for o in offers], [o[1] for o in offers])
    rows: list[list[Part | None]] = []
    for (name, ratio, price, before), where in zip(offers, found, strict=True):
        change = Rounded.ratio(price.figure / before.figure).text if before else "none then"
        cost = Rounded.money(price.figure / ratio, price.unit)
        on = "on the frontier" if where.status in {"on", "tie"} else "something is better value"
        rows.append([name, price.text, price.interval or "one price", change, cost.text, on])
    words = ("Product", "Price", "Span", "Since its review", "For the baseline's speed", "Frontier")
    kinds = " and ".join(sorted({price.group for _, _, price, _ in offers}))
    return html_table(
        f"{kinds.capitalize()} prices up to {today.isoformat()}, as the reviews' benches have them",
        [Column(word) for word in words],
        rows,
        note="Frontier: nothing here, nor a mix of two, is both cheaper and faster. Margins as in "
        "the league, whose errors it does not weigh.",
    )


def _best_for(league: _League, some: Sequence[_Finished]) -> list[str]:
    """Return who leads in each group of titles that two products have with the same titles."""
    groups: dict[str, list[tuple[_Finished, Claim]]] = {}
    for f in some:
        pair = {"product": f.product, "baseline": league.baseline}
        for claim in f.book.of_kind("suite", metric=HEADLINE, **pair):
            if claim.group != "all":
                groups.setdefault(claim.group, []).append((f, claim))
    said = []
    for found in groups.values():
        titles = {f.product: frozenset(f.book.by_id[i].title for i in c.inputs) for f, c in found}
        most, count = Counter(titles.values()).most_common(1)[0]
        alike = [(f, c) for f, c in found if titles[f.product] == most]
        if count < 2:
            continue
        first, best = max(alike, key=lambda one: one[1].figure)
        near = [
            f.book.product_name(f.product) for f, c in alike
            if c is not best and (c.high is None or best.low is None or c.high >= best.low)
        ]  # fmt: skip
        group = first.book.name("group", best.group, kind="suite")
        name = first.book.product_name(first.product)
        line = f"{group}: {name}, {best.text} over {league.baseline_name}"
        tail = f"; not shown to differ: {', '.join(near)}" if near else ""
        said.append(f"{line} ({best.interval or 'no interval'}){tail}.")
    return said or ["No group of titles is shared by two of these products."]


GRACE_S = 15.0  # an interrupted review has this long to shut its kernel down


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one review of a season ended."""

    params: Path
    exit_status: int
    message: str  # the report's path, or what went wrong
    why: str = ""  # what made a review stale that was finished before

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return {
            "params": self.params.name, "exit_status": self.exit_status, "message": self.message,
            **({"why": self.why} if self.why else {}),
        }  # fmt: skip

    def to_line(self, *, alone: bool = False) -> str:
        """Return one line: the params file, unless alone, and the report or what went wrong."""
        failed = f"failed with status {self.exit_status}: " if self.exit_status else ""
        stale = f" (run again, {self.why})" if self.why else ""
        return ("" if alone else f"{self.params.name}: {failed}") + self.message + stale


@dataclass(frozen=True, slots=True)
class _Season:
    """How every review ended. The exit status is 4 when one of several failed."""

    outcomes: tuple[Outcome, ...]
    index: Path | None = None  # the page over the finished reviews of the folder

    @property
    def exit_status(self) -> int:
        """0 when all went well; a single review's own status; 4 for a season with a failure."""
        failed = [outcome for outcome in self.outcomes if outcome.exit_status]
        if not failed:
            return 0
        return failed[0].exit_status if len(self.outcomes) == 1 else 4

    def to_lines(self) -> list[str]:
        """Return a line per review."""
        alone = len(self.outcomes) == 1
        return [outcome.to_line(alone=alone) for outcome in self.outcomes]

    def closing_lines(self) -> list[str]:
        """Return how many reviews are finished, and where their index is."""
        done = sum(not outcome.exit_status for outcome in self.outcomes)
        lines = [f"{done} of {len(self.outcomes)} reviews finished"]
        return [*lines, f"index: {self.index}"] if self.index else lines


@dataclass(frozen=True, slots=True)
class RunOptions:
    """How reviews are run.

    Attributes
    ----------
    jobs : int
        Reviews run at the same time.
    timeout_s : int
        Seconds one review may take.
    resume : bool
        Leave out reviews finished with the params as they are now.
    foreign_template : bool
        Allow a template outside the project: it runs with the caller's rights.
    reading : Reading
        How logs are read. A cluster gets the logs of one review, or the reviews of a season, whose
        params, benches and templates its workers must find at the same paths.
    ahead : bool
        Whether a second process may work beside the kernel of a single review.
    """

    jobs: int = 1
    timeout_s: int = 1800
    resume: bool = False
    foreign_template: bool = False
    reading: Reading = PLAIN
    ahead: bool = False

    def to_words(self) -> list[str]:
        """Return the options of `run` that make another process run one review so."""
        words = ["--timeout", str(self.timeout_s), "--no-ahead"]
        words += ["--foreign-template"] if self.foreign_template else []
        words += ["--fresh"] if self.reading.store is None else []
        return words + (["--logs-at", self.reading.logs_at] if self.reading.logs_at else [])


def run_reviews(
    params: Sequence[Path],
    *,
    out_dir: Path,
    options: RunOptions = RunOptions(),  # frozen
    against: str | None = None,
    told: Callable[[Outcome], None] = lambda outcome: None,
) -> _Season:
    """Run one review here, or several in processes of their own.

    Parameters
    ----------
    params : sequence of Path
        Params files. Two of one name in one season are refused: they would share a folder.
    out_dir : Path
        Each review's folder goes in here.
    options : RunOptions
        How they are run.
    against : str, optional
        The baseline of a season's league: see `kit.report.season.make_league`.
    told : callable, optional
        Called with each outcome as it comes.

    Raises
    ------
    KitError
        From a single review. In a season each failure becomes an `Outcome`; a `UsageError` says
        that two reviews would share a folder.
    KeyboardInterrupt
        Once every process of the season has ended.
    """
    why = {p: _why_run(p, out_dir) if options.resume else "asked for" for p in params}
    if sum(map(bool, why.values())) > 1 and not options.reading.cluster:
        _preloaded()  # which imports while this process reads
    outcomes = {p: Outcome(p, 0, "finished before, left as it is") for p in params}
    if len(params) == 1:
        outcome = outcomes[params[0]]
        if said := why[params[0]]:
            outcome = _run_here(params[0], out_dir, options, timeout_s=options.timeout_s)
            outcome = replace(outcome, why=said if said.startswith("changed") else "")
        told(outcome)
        return _Season((outcome,))
    times = Counter(p.resolve() for p in params)
    if doubled := sorted({p.name for p in params if times[p.resolve()] > 1}):
        raise UsageError(f"named twice: {', '.join(doubled)}; name each params file once")
    _refuse_shared_folders(params)
    waiting = [p for p in params if why[p]]
    run = _on_cluster if options.reading.cluster else _in_processes
    ended = run(waiting, out_dir, options)
    before = [outcomes[p] for p in params if p not in waiting]
    _PROGRESS.info("reviews: %d of %d", len(before), len(params))
    for done, outcome in enumerate((*before, *ended), 1):
        _PROGRESS.info("reviews: %d of %d", done, len(params))
        if why[outcome.params].startswith("changed"):
            outcome = replace(outcome, why=why[outcome.params])
        outcomes[outcome.params] = outcome
        told(outcome)
    written = _write_season(out_dir, baseline=against)
    return _Season(tuple(outcomes[p] for p in params), written[0] if written else None)


def _run_here(
    params: Path, out_dir: Path, options: RunOptions, *, timeout_s: float | None
) -> Outcome:
    """Run one review from this process; without a limit of time, its cells in it."""
    done = run_review(
        params,
        out_dir=out_dir,
        timeout_s=timeout_s,
        allow_foreign_template=options.foreign_template,
        reading=options.reading,
        ahead=options.ahead,
    )
    return Outcome(params, 0, str(done.report))


def _refuse_shared_folders(params: Sequence[Path]) -> None:
    """Refuse params files that name one review: both would write its folder.

    Files that cannot be read are left to their own run, which says what is wrong with them.
    """
    named: dict[str, Path] = {}
    for path in params:
        try:
            document = read_yaml(path, file=path.name, error=ParamsError)
        except KitError:
            continue
        review = document.data.get("review")
        if not isinstance(review, str):
            continue
        first = named.setdefault(review, path)
        if first is not path:
            raise UsageError(
                f'{first.name} and {path.name} both make review "{review}" and would write one '
                "folder; give one of them another id"
            )


# What a review imports besides `NEEDED`.
_IN_A_SEASON = ("kit.report.season", "kit.page.pictures", "kit.charts.money", "kit.charts.rows",
                "babel.dates", "nh3")  # fmt: skip


_ONE_STARTS = threading.Lock()  # the environment belongs to all threads


@dataclass(slots=True)
class _Children:
    """The processes of a season: those running, and whether no more are started."""

    running: set[subprocess.Popen[str] | BaseProcess] = field(default_factory=set)
    closed: bool = False
    lock: threading.Lock = field(default_factory=threading.Lock)


def _in_processes(params: Sequence[Path], out_dir: Path, options: RunOptions) -> Iterator[Outcome]:
    """Yield how each review ended, run in processes of this machine, `options.jobs` at once.

    Whatever stops the season, an interrupt above all, ends its processes first.
    """
    children, server = _Children(), _preloaded() if len(params) > 1 else None
    pool = ThreadPoolExecutor(max_workers=options.jobs)
    try:
        started = [
            pool.submit(_run_in_process, p, out_dir, options, children, server) for p in params
        ]
        for future in as_completed(started):
            yield future.result()
    finally:
        _end(children)
        pool.shutdown(cancel_futures=True)


def _run_in_process(
    params: Path,
    out_dir: Path,
    options: RunOptions,
    children: _Children,
    server: ForkServerContext | None,
) -> Outcome:
    """Run one review in a process that the server forks, or else in one that begins afresh."""
    done = server and _run_forked(server, params, out_dir, options, children)
    return done or _run_apart(params, out_dir, options, children)


def _preloaded() -> ForkServerContext | None:
    """Start what forks processes that have imported what a review needs; None where nothing can.

    It is a process of its own with a kernel's environment that imports, no more: whatever it forks
    begins in the same state.
    """
    if sys.platform != "linux":
        return None
    context = get_context("forkserver")
    context.set_forkserver_preload([*NEEDED, *_IN_A_SEASON])
    with _ONE_STARTS, environment_of(WaitingKernel.environment(Path(os.devnull))):
        forkserver.ensure_running()
    return context


def _run_forked(
    server: ForkServerContext, params: Path, out_dir: Path, options: RunOptions, children: _Children
) -> Outcome | None:
    """Run one review of a template of the kit's own in a process that `server` forks.

    None where it did not end well: `_run_apart` then runs it as a review alone is run, and says
    what is wrong as that does.
    """
    told, tells = server.Pipe(duplex=False)
    child = server.Process(target=_run_as_child, args=(tells, Path.cwd(), params, out_dir, options))
    with children.lock:
        if children.closed:
            return None
        child.start()
        children.running.add(child)
    tells.close()
    child.join(options.timeout_s)
    child.kill()
    child.join()
    with children.lock:
        children.running.discard(child)
    return told.recv() if child.exitcode == 0 else None


def _run_as_child(
    tells: Connection, folder: Path, params: Path, out_dir: Path, options: RunOptions
) -> None:
    """Run one review in silence, and tell how it ended; a fault ends the process."""
    os.setsid()  # a terminal's Ctrl-C reaches it once: through the process that asked
    threading.Thread(target=_end_with_starter, daemon=True).start()
    gc.freeze()  # what was imported stays; looking it through takes a twentieth of a review
    for stream in (1, 2):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    os.chdir(folder)
    tells.send(_run_here(params, out_dir, options, timeout_s=None))


def _end_with_starter() -> None:
    """End this process when the one that asked for it has ended: nobody waits for the review."""
    if (starter := parent_process()) is not None:
        connection.wait([starter.sentinel])
        os._exit(1)


def _run_apart(params: Path, out_dir: Path, options: RunOptions, children: _Children) -> Outcome:
    """Run one review in a process that begins afresh; return how it ended, in one line."""
    words = [*options.to_words(), "--out", str(out_dir), str(params)]
    with children.lock:
        if children.closed:
            return Outcome(params, 130, "not started")
        child = subprocess.Popen(
            [sys.executable, "-m", "kit", "run", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "MARGINBOOK_QUIET": "1"},
            start_new_session=True,  # a terminal's Ctrl-C reaches it once: through this process
        )
        children.running.add(child)
    out, err = child.communicate()
    with children.lock:
        children.running.discard(child)
    if child.returncode == 0:
        return Outcome(params, 0, out.strip().splitlines()[-1] if out.strip() else "no message")
    return Outcome(
        params, child.returncode, "; ".join(err.split("\n")).strip("; ")[-600:] or "no message"
    )


def _end(children: _Children) -> None:
    """Interrupt what still runs, so that it tidies up; end it if it does not in time."""
    with children.lock:
        children.closed = True
        running = list(children.running)
    for child in running:
        if child.pid is not None:
            with suppress(ProcessLookupError):
                os.kill(child.pid, signal.SIGINT)
    until = time.monotonic() + GRACE_S
    while children.running and time.monotonic() < until:
        time.sleep(0.05)  # their threads wait for them
    for child in [*children.running]:
        child.kill()


@dataclass(frozen=True, slots=True)
class _Delivery:
    """A review as a worker sends it back: how it ended, and its files by name."""

    outcome: Outcome
    files: Mapping[str, bytes]


def _run_elsewhere(task: tuple[Path, RunOptions, str]) -> _Delivery:
    """Run one review in a folder of its own and return its files: what a worker does.

    Parameters
    ----------
    task : tuple of Path, RunOptions, str
        The params file, the sender's options, and the key of the sender's code. Of a store only
        whether there is one counts: a worker has its own.

    Raises
    ------
    ExecutionError
        If this machine has other code than the sender.
    """
    params, options, code = task
    if code != _all_code():
        raise ExecutionError(
            "a worker has another version of marginbook or its packages than this machine; install "
            "the same on all"
        )
    store = options.reading.store and Store.of_user(os.environ, Path.home())
    options = replace(options, reading=replace(options.reading, cluster="", store=store))
    # As nannies start them, workers may not fork; what this one starts ends when it does.
    current_process().daemon = False
    with tempfile.TemporaryDirectory(prefix="marginbook-review-") as own:
        outcome = _run_in_process(params, Path(own), options, _Children(), _preloaded())
        files = {
            path.relative_to(own).as_posix(): path.read_bytes()
            for path in sorted(Path(own).rglob("*"))
            if path.is_file() and path.suffix != ".lock"
        }
    return _Delivery(outcome, files)


def _all_code() -> str:
    """Return a key of the code that makes a report, here."""
    return code_key(tuple(module_paths()), ("matplotlib", "numpy", "pandas", "pyarrow", "scipy"))


def _on_cluster(params: Sequence[Path], out_dir: Path, options: RunOptions) -> Iterator[Outcome]:
    """Yield how each review ended, run by workers and put in place here."""
    tasks = [(p.resolve(), options, _all_code()) for p in params]
    for number, delivery in do_on_cluster(_run_elsewhere, tasks, address=options.reading.cluster):
        outcome = replace(delivery.outcome, params=params[number])
        if outcome.exit_status == 0:
            outcome = _put_in_place(delivery, outcome, out_dir, options.reading.store)
        else:
            _keep_half_run(delivery, out_dir)
        yield outcome


def _keep_half_run(delivery: _Delivery, out_dir: Path) -> None:
    """Keep the notebook of a review that failed, as far as it ran."""
    for name, data in delivery.files.items():
        if "/" not in name and name.endswith(".failed.ipynb"):
            out_dir.mkdir(parents=True, exist_ok=True)
            (out_dir / name).write_bytes(data)


def _put_in_place(
    delivery: _Delivery, outcome: Outcome, out_dir: Path, store: Store | None
) -> Outcome:
    """Put a delivered review's folder in place, whole."""
    review = Path(outcome.message).parent.name
    prefix = f"{review}/"
    files = {n.removeprefix(prefix): d for n, d in delivery.files.items() if n.startswith(prefix)}
    try:
        with new_folder(out_dir, review) as new:
            new.write(files)
            new.put_in_place()
        folder = new.target
        note_inputs(folder, outcome.params.resolve(), kept=store)
    except KitError as error:
        return replace(outcome, exit_status=error.exit_status, message=str(error))
    return replace(outcome, message=str(folder / "report.html"))


def _why_run(params: Path, out_dir: Path) -> str:
    """Say why a review is to be run, not finished or stale; nothing if it need not be."""
    try:
        review = load_params(params).params.review
        book = load_claims(out_dir / review)
    except KitError:
        return "not finished"
    if not (out_dir / review / "report.html").is_file():
        return "not finished"
    if book.params_sha256 != file_sha256(params):
        return "changed since: params"
    return why_stale(out_dir / review, params)
