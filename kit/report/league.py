"""The finished reviews of a folder side by side: a league table against one baseline.

Made from the reviews' own claims alone: nothing is measured again, and a figure that a report
states is stated here too.
"""

from __future__ import annotations

import html
import math
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit.claims.claim import Claim, ClaimBook, load_claims
from kit.errors import SealError, UsageError, did_you_mean
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
from kit.rounding import ratio_text, table_csv
from kit.screening.flags import few
from kit.settings.metric import HEADLINE

if TYPE_CHECKING:
    import pandas as pd

FILES = ("index.html", "season.csv", "season.parquet")


@dataclass(frozen=True, slots=True)
class Finished:
    """One finished review: its folder's name and its claims."""

    folder: str
    book: ClaimBook


@dataclass(frozen=True, slots=True)
class Place:
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
    marks: str  # joined by "; "
    review: str
    date: str
    claim: str


@dataclass(frozen=True, slots=True)
class League:
    """Products by their margins of averages over one baseline, all over the same titles."""

    baseline: str
    baseline_name: str
    titles: tuple[str, ...]
    title_names: tuple[str, ...]
    places: tuple[Place, ...]
    left_out: Mapping[str, str]  # review -> why it has no place

    def to_frame(self) -> pd.DataFrame:
        """Return one row per place, columns as the fields of `Place`, figures unrounded."""
        import pandas as pd

        names = [f.name for f in fields(Place)]
        frame = pd.DataFrame([[getattr(p, n) for n in names] for p in self.places], columns=names)
        kinds = {"place": "int64", "titles": "int64"}
        kinds |= dict.fromkeys(("ratio", "low", "high", "confidence"), "float64")
        return frame.astype(kinds)


def _find_finished(out_dir: Path) -> tuple[Finished, ...]:
    """Return every finished review in a folder, by the name of its own folder.

    What cannot be read as a finished review is passed over: a season goes on without it.
    """
    found = []
    for folder in sorted(out_dir.iterdir()) if out_dir.is_dir() else ():
        if folder.name.startswith(".") or not (folder / "report.html").is_file():
            continue
        try:
            found.append(Finished(folder.name, load_claims(folder)))
        except SealError:
            continue
    return tuple(found)


def make_league(finished: Sequence[Finished], *, baseline: str | None = None) -> League:
    """Return the league of the reviews that set their product against one baseline.

    Parameters
    ----------
    finished : sequence of Finished
    baseline : str, optional
        A product's id; without it the one that most reviews set their product against, of several
        the one with most margins, of these the first in the alphabet.

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
    margins = {f.folder: _margins(f.book) for f in finished}
    counted = Counter(other for found in margins.values() for other in found)
    if baseline is None:
        sizes = Counter(
            {name: sum(len(found.get(name, ())) for found in margins.values()) for name in counted}
        )
        baseline = min(counted, key=lambda name: (-counted[name], -sizes[name], name), default="")
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
    while racing and not (titles := _shared(racing.values())):
        least = min(racing, key=lambda folder: (len(racing[folder]), folder))
        left_out[least] = "shares no title with the others"
        del racing[least]
    if not racing:
        titles = set()
    books = {f.folder: f.book for f in finished}
    places = [_place(folder, books[folder], racing[folder], titles) for folder in racing]
    places.sort(key=lambda p: (-p.ratio, p.product, p.review))
    ordered = tuple(sorted(titles))
    first = next((books[folder] for folder in racing), None)
    return League(
        baseline=baseline,
        baseline_name=name,
        titles=ordered,
        title_names=tuple(first.title_name(title) if first else title for title in ordered),
        places=tuple(_numbered(place, p) for place, p in enumerate(places, start=1)),
        left_out=left_out,
    )


def _margins(book: ClaimBook) -> dict[str, dict[str, Claim]]:
    """Return the margins of averages of a review's product: baseline -> title -> claim."""
    found: dict[str, dict[str, Claim]] = {}
    for claim in book.of_kind("margin", metric=HEADLINE, product=book.product):
        if claim.value is not None and claim.value > 0:
            found.setdefault(claim.baseline, {})[claim.title] = claim
    return found


def _shared(racing: Any) -> set[str]:
    return set.intersection(*(set(by_title) for by_title in racing))


def _place(folder: str, book: ClaimBook, margins: Mapping[str, Claim], titles: set[str]) -> Place:
    claims = [margins[title] for title in sorted(titles)]
    baseline = claims[0].baseline
    suite = book.get(f"suite/{HEADLINE}/all/{book.product}-over-{baseline}")
    if (
        suite is not None
        and suite.value is not None
        and set(suite.inputs) == {c.id for c in claims}
    ):
        ratio, low, high = suite.value, suite.low, suite.high
        outcome, claim, marks = suite.outcome, suite.id, suite.marks
        confidence = suite.confidence
    else:
        ratio, low, high = _combined(claims)
        confidence = claims[0].confidence
        outcome, claim = _outcome(low, high), ""
        marks = tuple(dict.fromkeys(mark for c in claims for mark in c.marks))
    return Place(
        place=0,
        product=book.product,
        name=book.product_name(book.product),
        baseline=baseline,
        titles=len(claims),
        ratio=ratio,
        low=low,
        high=high,
        confidence=confidence,
        outcome=outcome,
        marks="; ".join(marks),
        review=folder,
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
    if low is not None and low > 1:
        return "ahead"
    return "behind" if high is not None and high < 1 else "unresolved"


def _numbered(number: int, place: Place) -> Place:
    values = {f.name: getattr(place, f.name) for f in fields(Place)}
    return Place(**{**values, "place": number})


def write_season(out_dir: Path, *, baseline: str | None = None) -> tuple[Path, ...]:
    """Write the index page over the finished reviews of a folder, and its league as CSV and
    Parquet; return the files written, none where nothing is finished.

    Raises
    ------
    UsageError
        If no review has margins over `baseline`.
    """
    finished = _find_finished(out_dir)
    if not finished:
        return ()
    league = make_league(finished, baseline=baseline)
    frame = league.to_frame()
    page, table, parquet = (out_dir / name for name in FILES)
    _replace(page, _index_page(finished, league).encode())
    _replace(table, table_csv(frame).encode())
    _replace(parquet, _parquet(frame))
    return page, table, parquet


def _parquet(frame: pd.DataFrame) -> bytes:
    import io

    stream = io.BytesIO()
    frame.to_parquet(stream, index=False)
    return stream.getvalue()


def _replace(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        part.write_bytes(data)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _index_page(finished: Sequence[Finished], league: League) -> str:
    """Return the index page: the league, then every finished review with a link to its report."""
    newest = max(f.book.date for f in finished)
    head = page_head("Reviews side by side", byline=few(len(finished), "review"), date=newest)
    pieces = [heading("League", level=2), *_league_pieces(league)]
    pieces += [heading("Reviews", level=2), _reviews_table(finished)]
    return frame_page(head.markup, "".join(piece.markup for piece in pieces))


def _league_pieces(league: League) -> list[Html]:
    if not league.places:
        return [paragraph("No two reviews can be set side by side: none has a margin of averages.")]
    rows: list[list[Part | None]] = []
    for place in league.places:
        text = ratio_text(place.ratio, place.low, place.high)
        target = f"{place.review}/report.html"
        if place.claim:
            target += "#trace-" + place.claim.replace("/", ".")
        rows.append(
            [
                f"{place.place}. {place.name}",
                _link(target, text.text),
                f"{text.interval} %" if text.interval else "no interval",
                Html(outcome_html(place.outcome)),
                place.marks.replace("_", " ").replace(":", ": "),
            ]
        )
    table = html_table(
        f"Average over {league.baseline_name}, over the {len(league.titles)} titles that every "
        "product here shares with it",
        [
            Column("Product"),
            Column("Margin", number=True),
            Column("Interval"),
            Column("Outcome"),
            Column("Marks"),
        ],
        rows,
        note="Each margin leads to its report. Neighbours whose intervals overlap are not shown to "
        "differ: a league sets everyone against the baseline, not against each other.",
        frame=league.to_frame(),
    )
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


def _reviews_table(finished: Sequence[Finished]) -> Html:
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
    return Html(f'<a href="{html.escape(target)}">{text_html(words)}</a>')
