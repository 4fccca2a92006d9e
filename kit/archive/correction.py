"""The correction note: what a later sealed review changes in an earlier one, as a page.

The pieces are shown by `notebooks/correction.ipynb`. Figures are those of the new review, each a
link to its trace; what they were before stands beside them as text.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from kit.archive.revising import KINDS, MOVED, ClaimChange, Revision, compare_reviews
from kit.claims.claim import Claim, ClaimBook
from kit.claims.of_review import listed
from kit.errors import UsageError, did_you_mean
from kit.package import PACKAGE
from kit.page.html import (
    Column,
    Html,
    Part,
    bullet_list,
    figure_link,
    html_table,
    joined,
    page_head,
    paragraph,
    text_html,
)
from kit.page.traces import trace_section
from kit.report.report import Closing, ReviewRun, close_review, run_template
from kit.report.template import find_template
from kit.rounding import Rounded, table_csv
from kit.screening.flags import few
from kit.settings.metric import METRIC_LABELS

_TEMPLATE = Path("correction.ipynb")
_CHANGE_WORDS = {
    "outcome_turned": "outcome turned",
    "moved_outside": "moved outside its interval",
    "changed_within_interval": "changed within its interval",
    "gone": "gone",
    "new": "new",
    "unchanged": "unchanged",
}
_CLAIM_WORDS = {"suite": "suite margin", "cell": "product in title"}


def _name(revision: Revision) -> str:
    """Return the name of a correction and of its folder."""
    return f"{revision.new.book.review}-correction"


def _head(revision: Revision) -> Html:
    """Return the page's title, byline and date: those of the new review."""
    book = revision.new.book
    return page_head(f"Correction: {book.title}", byline=book.byline, date=book.date)


def _summary(revision: Revision) -> Html:
    """Return which review corrects which, and how many figures changed in which way."""
    old, new = revision.old, revision.new
    said = (
        "The new review names the old one as the one it replaces."
        if revision.names_old
        else "The new review does not name the old one as the one it replaces."
    )
    moved = len(revision.of_kind(*MOVED))
    lead = (
        f"{Rounded.count(moved).text} of {Rounded.count(len(old.book.figures)).text} figures "
        "of the old review no longer stand as printed."
        if moved
        else "Every figure of the old review still stands within its interval."
    )
    rows: list[list[Part | None]] = [
        [_CHANGE_WORDS[kind], Rounded.count(count).text] for kind, count in revision.counts.items()
    ]
    sides: list[list[Part | None]] = [
        [side, s.book.title, s.book.date, f"marginbook {s.book.kit_version}", s.identity]
        for side, s in (("Old", old), ("New", new))
    ]
    return joined(
        paragraph(lead, css="lead"),
        paragraph(said),
        html_table("How the figures changed", [Column("Change"), Column("Figures", number=True)],
                   rows),
        html_table("The two reviews", [Column(head) for head in (
            "Review", "Title", "Date", "Made with", "Identity")], sides),
    )  # fmt: skip


def _to_replace(revision: Revision) -> Html:
    """Return what was printed on slides and in the text and reads otherwise now: replace it first.

    Every slide, also those that no params ask for, and every line of the old review's text.
    """
    if not revision.printed:
        return paragraph("Nothing printed on a slide or in the text reads otherwise.")
    rows: list[list[Part | None]] = []
    for printed in revision.printed:
        book = revision.old.book if printed.what in revision.old.book.by_id else revision.new.book
        claim = book.get(printed.what)
        what = printed.what
        if claim is not None:
            what = _claim_words(claim, book).removesuffix(f", ({claim.id})")
        rows.append([printed.place, what, printed.old or "nothing", printed.new or "nothing"])
    slides, lines = revision.to_replace
    return joined(
        paragraph(f"To replace: {few(slides, 'slide')}, {few(lines, 'line')} of the text."),
        html_table(
            "Slides, and lines of the text, that read otherwise now",
            [Column("Where"), Column("What"), Column("Was"), Column("Is")],
            rows,
        ),
    )


def _changes(revision: Revision, *kinds: str) -> Html:
    """Return the claims that changed in some ways: what each was, what it is, and why."""
    changes = sorted(revision.of_kind(*kinds), key=_weight)
    if not changes:
        return paragraph("None.")
    words = listed(_CHANGE_WORDS[kind] for kind in kinds)
    rows = [_change_row(change, revision) for change in changes]
    return html_table(
        f"Figures: {words}",
        [Column("Figure"), Column("Was"), Column("Is"), Column("Change"),
         Column("Because")],
        rows,
        frame=revision.to_frame(),
    )  # fmt: skip


def _within(revision: Revision) -> Html:
    """Return how many figures of each kind changed within their intervals; a file lists them."""
    counts = Counter(c.claim.kind for c in revision.of_kind("changed_within_interval"))
    if not counts:
        return paragraph("None.")
    return html_table(
        "Figures that changed within their intervals; changes.csv beside this page lists them",
        [Column("Kind of figure"), Column("Figures", number=True)],
        [[_kind_words(kind), Rounded.count(count).text] for kind, count in sorted(counts.items())],
    )


def _causes(revision: Revision) -> Html:
    """Return which runs, settings and methods changed between the two reviews."""
    pieces = []
    if revision.runs:
        pieces.append(
            html_table(
                "Runs that are not the same in both",
                [Column("Run"), Column("Product"), Column("Title"), Column("Change"),
                 Column("Was"), Column("Is")],
                [[r.run, _called("product", r.product, revision),
                  _called("title", r.title, revision), r.change, r.old, r.new]
                 for r in revision.runs],
                frame=revision.frames()["runs"],
            )
        )  # fmt: skip
    if revision.settings:
        pieces.append(
            html_table(
                "Settings that are not the same in both",
                [Column("Setting"), Column("Was"), Column("Is")],
                [[s.key, s.old, s.new] for s in revision.settings],
                frame=revision.frames()["settings"],
            )
        )
    methods = sorted(
        {cause for c in revision.changes for cause in c.causes if cause.startswith("method ")}
    )
    if methods:
        pieces.append(bullet_list(methods))
    if not pieces:
        return paragraph("Neither runs nor settings nor methods changed.")
    return joined(*pieces)


def _traces(revision: Revision) -> Html:
    """Return the traces of the new review's figures that this page shows."""
    shown = [c.id for c in revision.of_kind(*MOVED, "new") if c.new is not None]
    if not shown:
        return paragraph("No figure of this page has changed.")
    return trace_section(revision.new.book, only=shown)


_PIECES: Mapping[str, Callable[[Revision], Html]] = {
    "head": _head,
    "summary": _summary,
    "replace": _to_replace,
    "moved": lambda revision: _changes(revision, "outcome_turned", "moved_outside", "gone"),
    "why": _causes,
    "new": lambda revision: _changes(revision, "new"),
    "within": _within,
    "traces": _traces,
}


@dataclass(frozen=True, slots=True)
class _Correction(Revision):
    """Two sealed reviews side by side: what changed, and the page that says so."""

    def show(self, piece: str) -> Html:
        """Return one piece of the page: what a cell of `notebooks/correction.ipynb` shows.

        Parameters
        ----------
        piece : str
            One of "head" (title, byline and date of the new review), "summary" (how many
            figures changed in which way), "replace" (slides and lines of the text that read
            otherwise), "moved" (those that no longer stand), "why" (runs, settings and methods
            that changed), "new", "within" (counts by kind), "traces".

        Raises
        ------
        UsageError
            If there is no such piece.
        """
        if piece not in _PIECES:
            near = did_you_mean(piece, _PIECES, listed=9)
            raise UsageError(f'a correction has no "{piece}"{near}')
        return _PIECES[piece](self)

    def close(self, out_dir: str | Path) -> Closing:
        """Write what a correction leaves beside its page, and say that it is complete.

        Parameters
        ----------
        out_dir : str or Path
            Made if it is not there. Gets the new review's `claims.json`, and changes, runs and
            settings as CSV.

        Returns
        -------
        Closing
            Shown by the last cell; a run without it does not count.
        """
        folder = Path(out_dir)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "claims.json").write_bytes(self.new.book.to_json())
        for name, frame in self.frames().items():
            (folder / f"{name}.csv").write_text(table_csv(frame), encoding="utf-8")
        return close_review(out_dir, review=_name(self))


def revise(old: str | Path, new: str | Path) -> _Correction:
    """Compare two sealed reviews: every claim of either, how it changed and what changed beneath.

    Parameters
    ----------
    old, new : str or Path
        Bags, each a folder or a zip. Their bytes are checked; their claims are taken as stated
        (`verify` makes them afresh).

    Raises
    ------
    SealError
        If one of them is not a whole bag.
    """
    found = compare_reviews(old, new)
    return _Correction(*(getattr(found, f.name) for f in fields(found)))


def run_correction(
    old: Path, new: Path, *, out_dir: Path, timeout_s: float, template: Path = _TEMPLATE
) -> ReviewRun:
    """Make the correction note of two sealed reviews: `out_dir/<review>-correction`.

    Parameters
    ----------
    old, new : Path
        Bags, each a folder or a zip.
    out_dir : Path
        Made if it is not there.
    timeout_s : float
        Time for all cells of the template together, in seconds.
    template : Path
        One of the kit's own.

    Raises
    ------
    KitError
        If a bag is not whole, or the template did not run to its end.
    """
    revision = compare_reviews(old, new)
    path = find_template(PACKAGE / "-", template, allow_foreign=False)
    given = {"old_bag": str(old.resolve()), "new_bag": str(new.resolve())}
    return run_template(
        path,
        given,
        name=_name(revision),
        out_dir=out_dir,
        folders=[old.resolve().parent, new.resolve().parent],
        timeout_s=timeout_s,
    )


def _change_row(change: ClaimChange, revision: Revision) -> list[Part | None]:
    """Return the row of one claim: what it is about, was, is, how it changed, and why."""
    words = _claim_words(change.claim, (revision.new if change.new else revision.old).book)
    now: Part = "no longer given"
    if change.new is not None:
        span = f" ({change.new.interval})" if change.new.interval else ""
        outcome = f", {change.new.outcome}" if change.new.outcome else ""
        now = Html(figure_link(change.new) + text_html(span + outcome))
    because = "; ".join(change.causes).replace(" -> ", " → ") or "nothing recorded"
    was = change.in_words(old=True, nothing="not given")
    return [words, was, now, _CHANGE_WORDS[change.kind], because]


def _weight(change: ClaimChange) -> tuple[int, int]:
    """Return where a change stands in a table: the gravest and widest first."""
    kind = change.claim.kind
    place = _ORDER.index(kind) if kind in _ORDER else len(_ORDER) - 3
    return KINDS.index(change.kind), place


_ORDER = ("suite", "gap", "equal_value_price", "premium", "cut_needed", "margin", "cell", "run")


def _claim_words(claim: Claim, book: ClaimBook) -> str:
    """Return what a claim is about, in words."""
    words = [_kind_words(claim.kind)]
    if claim.metric:
        words.append(METRIC_LABELS.get(claim.metric, claim.metric.replace("_", " ")))
    if claim.product:
        over = f" over {book.product_name(claim.baseline)}" if claim.baseline else ""
        words.append(f"{book.product_name(claim.product)}{over}")
    if claim.title:
        words.append(f"in {book.title_name(claim.title)}")
    if claim.kind == "run":
        words.append(f"run {claim.id.rpartition('/')[2]}")
    known = {"margin", "suite", "cell", "run"}
    if claim.kind not in known:
        words.append(f"({claim.id})")
    return ", ".join(word for word in words if word)


def _kind_words(kind: str) -> str:
    """Return a kind of claim in words."""
    return _CLAIM_WORDS.get(kind, kind.replace("_", " "))


def _called(kind: str, key: str, revision: Revision) -> str:
    """Return the name of a product or title in the new review, or in the old where it is gone."""
    for book in (revision.new.book, revision.old.book):
        name = book.product_name(key) if kind == "product" else book.title_name(key)
        if name != key:
            return name
    return key
