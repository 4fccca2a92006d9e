"""What an analyst is answered in a notebook: claims as a table to see and a frame to work with.

Every answer is a view of the claims by the tables of the page, so that page and notebook cannot
disagree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, get_type_hints

from kit.claims.bound_text import BoundText
from kit.claims.claim import Claim, ClaimBook, RunRecord
from kit.errors import UsageError, did_you_mean
from kit.page import tables
from kit.page.html import Column, Html, html_table, show_text, text_html
from kit.page.view import OWN, Cell, Piece, Table, show
from kit.rounding import OUTCOME_SIGNS
from kit.settings.metric import HEADLINE, METRICS

if TYPE_CHECKING:
    import pandas as pd

    from kit.charts.style import Chart

LINES = 10  # of what is shown where there is no HTML


def _said_of(record: type) -> dict[str, str]:
    """Return what each field of a claim or of a run means, as `claims.json` says it."""
    kinds = get_type_hints(record, include_extras=True).items()
    return {name: kind.__metadata__[0].description for name, kind in kinds if name[0] != "_"}


# Every column an answer's frame may have; several marks, runs or rules are separated by spaces.
COLUMNS: Mapping[str, str] = {
    **_said_of(RunRecord),
    **_said_of(Claim),
    "like_low": "Lower end of the suite's interval for titles like these.",
    "like_high": "Upper end of the suite's interval for titles like these.",
    "ahead": "Titles of the suite in which the product is ahead.",
    "behind": "Titles of the suite in which it is behind.",
    "level": "Titles of the suite in which both are level.",
    "unresolved": "Titles of the suite in which they cannot be told apart.",
    "expected_false": "Of the titles ahead or behind, how many are expected to be false.",
    "above": "Titles in which its figure is the better one; how far runs scatter was not measured.",
    "below": "Titles in which its figure is the worse one, likewise.",
    "open": "Titles in which both figures are the same, likewise.",
    "run": "The run, by its id.",
    "change": "outcome_turned, moved, new or gone.",
    "value_before": "The figure in the first review.",
    "value_after": "The figure in the other review.",
    "text_before": "As the first review prints it, with its interval.",
    "text_after": "As the other review prints it, with its interval.",
    "outcome_before": "The outcome in the first review.",
    "outcome_after": "The outcome in the other review.",
    "line": "The line of the text.",
    "reference": "As it stands between the braces.",
    "claim": "The id of the claim the reference names.",
    **{f"{name}": f"{metric.label} of the run, in {metric.unit or 'its title’s unit'}."
       for name, metric in METRICS.items() if name != "value"},
}  # fmt: skip

_WHICH = ("metric", "product", "baseline", "title")
_FIGURE = ("value", "low", "high", "confidence", "unit")
_SAID = ("text", "interval", "method", "marks", "runs")


@dataclass(frozen=True, slots=True)
class _Question:
    """One thing that may be asked.

    Attributes
    ----------
    kinds : tuple of str
        The kinds of claims that answer it.
    columns : tuple of str
        Those of its frame, keys of `COLUMNS`.
    pieces : tuple
        What of the page shows it.
    sections : tuple of str
        The rows of `kit.claims.of_review.CLAIMS` that claims, frame and pieces rest on, beside
        what is said of runs.
    """

    kinds: tuple[str, ...]
    columns: tuple[str, ...]
    pieces: tuple[Piece, ...]
    sections: tuple[str, ...] = ()

    @property
    def of_metrics(self) -> bool:
        """Whether the sections of one metric, and of the headline's, suffice."""
        return self.sections == _OF_METRICS


_OF_METRICS = ("margins", "suites", "said_of_margins")
BESIDE_SUITES = ("suite_like", "suite_count", "suite_false")
INFLUENCE = Table(
    "Suite margin of {own} with one title left out",
    heads=(("Without", "{title}"),),
    metric=HEADLINE,
    cells=(Cell("influence", "over {each}", each="baseline"),),
    where={"product": OWN, "group": "all"},
    order="claims",
    last=("All titles", {"kind": "suite", "title": "", "group": "all"}),
)
QUESTIONS: Mapping[str, _Question] = {
    "cells": _Question(("cell",), ("metric", "product", "title", *_FIGURE, *_SAID),
                      (tables.TITLES,), ("cells",)),
    "margins": _Question(("margin", "level_difference"), (*_WHICH, *_FIGURE, "outcome", *_SAID),
                        (tables.MARGINS, tables.LEVELS), _OF_METRICS),
    "suites": _Question(("suite",), ("metric", "group", "product", "baseline", *_FIGURE, "outcome",
                                    *_SAID), tables.SUITES, _OF_METRICS),
    "influence": _Question(("influence",), (*_WHICH, "value", "unit", "text", "method"),
                          (INFLUENCE,), _OF_METRICS),
    "sensitivity": _Question(("sensitivity",), ("metric", "baseline", "part", *_FIGURE, "outcome",
                                               *_SAID), (tables.SENSITIVITY,),
                            ("suites", "sensitivity")),
    "value": _Question(
        ("price", "suite_fps", "cost_per_fps", "premium", "price_difference", "equal_value_price",
         "cut_needed", "frontier", "price_passed_over", "not_weighed"),
        ("kind", "group", "product", "baseline", *_FIGURE, "outcome", *_SAID), tables.VALUE,
        ("suites", "value")),
    "energy": _Question(
        ("energy", "fps_per_watt", "energy_margin", "energy_unsettled", "sensor_lag", "load",
         "load_spread", "load_ratio", "load_difference"),
        ("kind", "metric", "group", "product", "baseline", "title", *_FIGURE, "outcome", *_SAID),
        tables.ENERGY,
        ("energy", "loads"),
    ),
    "limits": _Question(("flag",), ("metric", "product", "title", "outcome", "text", "runs"),
                       (tables.LIMITED,)),
    "flags": _Question(("set_aside", "not_run", "flag"), ("kind", "metric", "product", "title",
                      "outcome", "text", "runs"), (*tables.SCREENING, tables.LIMITED)),
    "claims": _Question((), ("kind", *_WHICH, "group", "part", *_FIGURE, "outcome", *_SAID), ()),
}  # fmt: skip


class _Shown:
    """Base of answers: at most ten lines where there is no HTML, and a frame."""

    __slots__ = ()

    def to_lines(self) -> list[str]:
        """Return the answer in words, the heading first."""
        raise TypeError(f"{type(self).__name__} has no words")

    def __repr__(self) -> str:
        lines = self.to_lines()
        if len(lines) > LINES:
            left = len(lines) - LINES + 1
            lines = [*lines[: LINES - 1], f"... and {left} more: .to_frame() has all"]
        return "\n".join(line[:160] for line in lines)

    def _repr_html_(self) -> str:
        return Html(f"<pre>{text_html(repr(self))}</pre>")._repr_html_()


@dataclass(frozen=True, slots=True, repr=False)
class Answer(_Shown):
    """The claims that answer one question.

    Iterating gives the claims; `to_frame` gives a row a claim.

    Attributes
    ----------
    question : str
        One of `QUESTIONS`.
    claims : tuple of Claim
    shown : callable
        Gives what the table is filled from: narrowed to what was asked.
    metric : str
        Of the table; "" where it has none or every one.
    """

    question: str
    claims: tuple[Claim, ...]
    shown: Callable[[], ClaimBook]
    metric: str = ""

    @property
    def book(self) -> ClaimBook:
        """What the table is filled from; made when it is first asked for."""
        return self.shown()

    def __len__(self) -> int:
        return len(self.claims)

    def __iter__(self) -> Iterator[Claim]:
        return iter(self.claims)

    def to_lines(self) -> list[str]:
        """Return the claims in words, a line each, the heading first."""
        said = f"{len(self.claims)} claim{'s' * (len(self.claims) > 1)}" if self.claims else "none"
        return [f"{self.question}: {said}", *(f"  {claim.id}: {_said(claim)}" for claim in self)]

    def _repr_html_(self) -> str:
        pieces = QUESTIONS[self.question].pieces
        if not pieces:
            rows = "".join(f"<li>{text_html(line)}</li>" for line in self.to_lines()[1:31])
            return Html(f"<ul>{rows}</ul>")._repr_html_()
        return show(self.book, *pieces, metric=self.metric)._repr_html_()

    def to_frame(self, *, names: bool = False) -> pd.DataFrame:
        """Return a row a claim, figures unrounded; columns as in `kit.page.answers.COLUMNS`.

        Parameters
        ----------
        names : bool
            Products, titles, metrics and groups as people read them, in place of their ids.
        """
        columns = QUESTIONS[self.question].columns
        rows = [[_column(claim, name) for name in columns] for claim in self.claims]
        frame = _frame(columns, rows, [claim.id for claim in self.claims])
        if self.question == "suites":
            frame = _with_suites(frame, self.claims, self.book)
        if names:
            for name in {*_WHICH, "group", "part"} & {*columns}:
                frame[name] = [
                    self.book.name(name, value, kind=claim.kind)
                    for value, claim in zip(frame[name], self.claims, strict=True)
                ]
        return frame


def _said(claim: Claim) -> str:
    """Return a claim's figure with its interval, outcome and marks."""
    said = claim.printed + (f" {claim.outcome}" if claim.outcome and claim.is_figure else "")
    return said + (f" [{', '.join(claim.marks)}]" if claim.marks else "")


def _column(row: Claim | RunRecord, name: str) -> Any:
    """Return a field of a claim or run as a cell of a frame."""
    value = getattr(row, name)
    if isinstance(row, Claim) and name == "runs" and not value:
        value = row.set_aside
    return " ".join(value) if isinstance(value, tuple) else value


def _frame(
    columns: Sequence[str], rows: Sequence[Sequence[Any]], index: Sequence[str], *, of: str = "id"
) -> pd.DataFrame:
    import pandas as pd

    frame = pd.DataFrame(rows, columns=list(columns), index=pd.Index(index, name=of))
    numbers = [name for name in columns if name in {*_FIGURE[:4], "value_before", "value_after"}]
    return frame.astype(dict.fromkeys(numbers, "float64"))


def _with_suites(frame: pd.DataFrame, suites: Iterable[Claim], book: ClaimBook) -> pd.DataFrame:
    """Return suite margins with their second interval and the counts of outcomes."""
    rows = []
    for suite in suites:
        where = {n: getattr(suite, n) for n in ("metric", "group", "product", "baseline")}
        like = next(iter(book.of_kind("suite_like", **where)), None)
        false = next(iter(book.of_kind("suite_false", **where)), None)
        counts = {c.outcome: c.figure for c in book.of_kind("suite_count", **where)}
        ends = (like.low, like.high) if like else (None, None)
        told = (int(counts.get(name, 0)) for name in OUTCOME_SIGNS)
        rows.append([*ends, *told, false.value if false else None])
    columns = ("like_low", "like_high", *OUTCOME_SIGNS, "expected_false")
    found: dict[str, Any] = {n: [row[i] for row in rows] for i, n in enumerate(columns)}
    made = frame.assign(**found)
    return made.astype(dict.fromkeys(("like_low", "like_high", "expected_false"), "float64"))


def narrow(
    claims: Iterable[Claim],
    *,
    over: str = "",
    titles: Sequence[str] = (),
    products: Sequence[str] = (),
    group: str = "",
    kinds: Sequence[str] = (),
    suites: bool = False,
) -> tuple[Claim, ...]:
    """Return the claims that are about what is asked, or about none of its kind.

    Parameters
    ----------
    claims : iterable of Claim
    over : str, optional
        Only claims over this product.
    titles, products : sequence of str, optional
        Only claims about these.
    group : str, optional
        Of the `kinds`, only claims of this group.
    kinds : sequence of str
        The kinds that `group` is asked of.
    suites : bool
        Whether suites stay where titles are asked for: their figure is of all titles.
    """

    def kept(claim: Claim) -> bool:
        if over and claim.baseline not in ("", over):
            return False
        if titles and claim.title not in ("", *titles):
            return False
        if titles and claim.kind.startswith("suite") and not suites:
            return False
        if products and claim.product not in ("", *products):
            return False
        return not (group and claim.kind in kinds and claim.group not in ("", group))

    return tuple(claim for claim in claims if kept(claim))


@dataclass(frozen=True, slots=True, repr=False)
class Runs(_Shown):
    """Every run of a review, used or not, with its figures.

    Attributes
    ----------
    book : ClaimBook
    """

    book: ClaimBook

    def __len__(self) -> int:
        return len(self.book.runs)

    def to_lines(self) -> list[str]:
        """Return a line a run, the heading first."""
        used = sum(run.used for run in self.book.runs)
        rows = [
            f"  {run.id}: {run.product} in {run.title}, {run.frames} frames, "
            + ("used" if run.used else f"not used: {run.reason}")
            for run in self.book.runs
        ]
        return [f"runs: {len(rows)}, {used} used", *rows]

    def _repr_html_(self) -> str:
        return _frame_html(self.to_frame().drop(columns=["file", "sha256"]), "Every run")

    def to_frame(self) -> pd.DataFrame:
        """Return a row a run by its id, with its figures; columns as in `COLUMNS`."""
        figures = {(c.metric, c.run): c.value for c in self.book.of_kind("run")}
        metrics = [m for m in METRICS if any(name == m for name, _ in figures)]
        first = ("product", "title", "used", "reason", "flags")
        last = ("frames", "duration_s", "session", "began", "file", "sha256")
        rows = [
            [
                *(_column(run, name) for name in first),
                *(figures.get((metric, run.id)) for metric in metrics),
                *(getattr(run, name) for name in last),
            ]
            for run in self.book.runs
        ]
        frame = _frame((*first, *metrics, *last), rows, [r.id for r in self.book.runs], of="run")
        return frame.astype(dict.fromkeys(metrics, "float64"))


def _frame_html(frame: pd.DataFrame, caption: str, *, rows: int = 20) -> str:
    """Return the first rows of a frame as a table for a notebook.

    Parameters
    ----------
    frame : DataFrame
        Its index heads the rows.
    caption : str
        All that is shown of a frame without rows.
    rows : int
        How many are shown; how many are left is said under them.
    """
    if frame.empty:
        return Html(f"<p>{text_html(caption)}</p>")._repr_html_()
    shown = frame.head(rows)
    cells = [
        [str(name), *map(_plain, row)]
        for name, row in zip(shown.index, shown.itertuples(index=False), strict=True)
    ]
    left = len(frame) - len(shown)
    more = f"{left} more rows: .to_frame() has all." if left > 0 else ""
    columns = [Column(str(name)) for name in ("", *shown.columns)]
    return html_table(caption, columns, cells, note=more)._repr_html_()


def _plain(value: Any) -> str:
    """Return a value of a frame as a notebook shows it: four digits, nothing for no value."""
    if value is None or value != value:
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)


@dataclass(frozen=True, slots=True, repr=False)
class _OneClaim(_Shown):
    """One figure or statement of a review; `trace` leads to its runs.

    Attributes
    ----------
    claim : Claim
        With all its fields, as `claims.json` has it.
    book : ClaimBook
    """

    claim: Claim
    book: ClaimBook

    @property
    def value(self) -> float | None:
        """The figure, unrounded; None of a statement."""
        return self.claim.value

    @property
    def text(self) -> str:
        """As the page prints it."""
        return self.claim.text

    @property
    def outcome(self) -> str:
        """ahead, behind, level or unresolved; "" where nothing was compared."""
        return self.claim.outcome

    @property
    def marks(self) -> tuple[str, ...]:
        """What is to be known about it."""
        return self.claim.marks

    def to_lines(self) -> list[str]:
        """Return the claim in words."""
        claim = self.claim
        lines = [f"{claim.id}: {_said(claim)}", f"  method {claim.method} v{claim.method_version}"]
        return [*lines, f"  rests on {len(claim.runs)} runs: .trace() leads to them"]

    def to_frame(self) -> pd.DataFrame:
        """Return the claim as a row; columns as in `COLUMNS`."""
        return Answer("claims", (self.claim,), lambda: self.book).to_frame()

    def trace(self) -> _Trace:
        """Return how it was made, down to its raw logs."""
        return _Trace(self.claim, self.book)


@dataclass(frozen=True, slots=True, repr=False)
class _Trace(_Shown):
    """How a figure was made: method, inputs, runs, files and SHA-256.

    Attributes
    ----------
    claim : Claim
    book : ClaimBook
        Has the claims it was made from, and the runs.
    """

    claim: Claim
    book: ClaimBook

    def to_lines(self) -> list[str]:
        """Return the trace in lines."""
        return self.book.trace_lines(self.claim.id)

    def _repr_html_(self) -> str:
        head, *lines = self.to_lines()
        rest = "\n".join(text_html(line) for line in lines)
        said = f"<summary>{text_html(head)}: {text_html(_said(self.claim))}</summary>"
        return Html(f"<details>{said}<pre>{rest}</pre></details>")._repr_html_()

    def to_frame(self) -> pd.DataFrame:
        """Return a row a run under the figure, those set aside too; columns as in `COLUMNS`."""
        columns = ("product", "title", "used", "reason", "frames", "file", "sha256")
        runs = [self.book.run_by_id[name] for name in (*self.claim.runs, *self.claim.set_aside)]
        rows = [[getattr(run, name) for name in columns] for run in runs]
        return _frame(columns, rows, [run.id for run in runs], of="run")


@dataclass(frozen=True, slots=True, repr=False)
class Claims(_Shown):
    """Every figure and statement of a review by its id: `review.claims["margin/..."].trace()`.

    A mapping of ids to claims: it has a length, iterates over ids, and offers them for completion.

    Attributes
    ----------
    book : ClaimBook
    """

    book: ClaimBook

    def __len__(self) -> int:
        return len(self.book.claims)

    def __iter__(self) -> Iterator[str]:
        return iter(self.book.by_id)

    def __contains__(self, name: object) -> bool:
        return name in self.book.by_id

    def __getitem__(self, name: str) -> _OneClaim:
        """Return one claim.

        Raises
        ------
        UsageError
            If none has this id; the nearest is named.
        """
        claim = self.book.get(name)
        if claim is None:
            guess = did_you_mean(name, self.book.by_id) or "; .find(text) looks for ids"
            raise UsageError(f'no claim "{name}"{guess}')
        return _OneClaim(claim, self.book)

    def _ipython_key_completions_(self) -> list[str]:
        return list(self.book.by_id)

    def find(self, text: str) -> Answer:
        """Return the claims whose id holds a text.

        Raises
        ------
        UsageError
            If there is none.
        """
        found = tuple(claim for claim in self.book.claims if text in claim.id)
        if not found:
            raise UsageError(
                f'no claim has "{text}" in its id{did_you_mean(text, self.book.by_id)}'
            )
        return Answer("claims", found, lambda: self.book)

    def to_lines(self) -> list[str]:
        """Return how many claims there are of each kind."""
        counts = Counter(claim.kind for claim in self.book.claims)
        return [f"claims: {len(self)}", *(f"  {kind}: {n}" for kind, n in counts.items())]

    def to_frame(self) -> pd.DataFrame:
        """Return a row a claim; columns as in `COLUMNS`."""
        return Answer("claims", self.book.claims, lambda: self.book).to_frame()


@dataclass(frozen=True, slots=True, repr=False)
class Written(_Shown):
    """Text with its figures written in: Markdown by `str`, each figure a claim.

    Attributes
    ----------
    bound : BoundText
        The text, every reference in it bound to the claim it names.
    """

    bound: BoundText

    def __str__(self) -> str:
        return self.bound.to_markdown()

    def to_lines(self) -> list[str]:
        """Return the text as Markdown."""
        return str(self).splitlines()

    def _repr_html_(self) -> str:
        return show_text(self.bound)._repr_html_()

    def to_frame(self) -> pd.DataFrame:
        """Return a row a figure or bound word: line, reference, claim, text."""
        frame: pd.DataFrame = self.bound.to_frame().set_index("claim")
        return frame.rename_axis(index="id")


@dataclass(frozen=True, slots=True, repr=False)
class Charts(_Shown):
    """Charts asked for; `save` writes them as SVG, PNG of 1920x1080 and CSV.

    Attributes
    ----------
    name : str
        The chart asked for.
    charts : tuple of Chart
    html : function of charts
        Shows them as the page does.
    """

    name: str
    charts: tuple[Chart, ...]
    html: Callable[[Sequence[Chart]], Html]

    def __len__(self) -> int:
        return len(self.charts)

    def to_lines(self) -> list[str]:
        """Return what each chart says."""
        return [f"{self.name}: {len(self)}", *(f"  {chart.caption}" for chart in self.charts)]

    def _repr_html_(self) -> str:
        return self.html(self.charts)._repr_html_()

    def to_frame(self) -> pd.DataFrame:
        """Return the numbers drawn, unrounded, the index naming the chart each row is of."""
        import pandas as pd

        tables = {chart.name: chart.table for chart in self.charts}
        return pd.concat(tables, names=["chart"]).droplevel(-1)

    def save(self, folder: str) -> list[str]:
        """Write the charts into a folder; return the names of the files written."""
        from pathlib import Path

        Path(folder).mkdir(parents=True, exist_ok=True)
        return [p.name for chart in self.charts for p in chart.export(Path(folder))]


@dataclass(frozen=True, slots=True)
class _Change:
    """One figure that two reviews do not give alike; None where one of them does not have it."""

    change: str  # outcome_turned, moved, new or gone
    before: Claim | None
    after: Claim | None

    @property
    def claim(self) -> Claim:
        """The claim in the review that has it, the later one first."""
        return next(c for c in (self.after, self.before) if c is not None)


CHANGES = ("outcome_turned", "moved", "new", "gone")  # from the gravest down


@dataclass(frozen=True, slots=True, repr=False)
class Differences(_Shown):
    """Claim by claim, what two reviews do not give alike; the gravest first.

    A figure has moved where it, its interval or its print is another; two reviews of one bench
    are made by the same code, so that what is alike is alike to the last bit.

    Attributes
    ----------
    changes : tuple
        Of each: `change` (outcome_turned, moved, new or gone), and the claim `before` and `after`,
        None where one review does not have it.
    alike : int
        How many figures are alike.
    """

    changes: tuple[_Change, ...]
    alike: int

    def __len__(self) -> int:
        return len(self.changes)

    def __iter__(self) -> Iterator[_Change]:
        return iter(self.changes)

    def of(self, change: str) -> tuple[_Change, ...]:
        """Return the differences of one sort: outcome_turned, moved, new or gone.

        Raises
        ------
        UsageError
            If there is no such sort.
        """
        if change not in CHANGES:
            guess = did_you_mean(change, CHANGES, listed=len(CHANGES))
            raise UsageError(f'no sort of difference "{change}"{guess}')
        return tuple(one for one in self.changes if one.change == change)

    def to_lines(self) -> list[str]:
        """Return the counts, then a line a difference."""
        counts = ", ".join(f"{len(self.of(c))} {c.replace('_', ' ')}" for c in CHANGES)
        rows = [f"  {one.claim.id}: {_moved(one)}" for one in self.changes]
        return [f"differences: {counts}; {self.alike} alike", *rows]

    def _repr_html_(self) -> str:
        frame = self.to_frame()[["change", "text_before", "text_after", "outcome_before",
                                 "outcome_after"]]  # fmt: skip
        return _frame_html(frame, self.to_lines()[0])

    def to_frame(self) -> pd.DataFrame:
        """Return a row a difference; columns as in `COLUMNS`."""
        columns = ("change", "kind", *_WHICH, "value_before", "value_after", "text_before",
                   "text_after", "outcome_before", "outcome_after")  # fmt: skip
        rows = []
        for one in self.changes:
            sides = (one.before, one.after)
            texts = [_printed(c) for c in sides]
            rows.append(
                [one.change, one.claim.kind, *(getattr(one.claim, name) for name in _WHICH),
                 *(c.value if c else None for c in sides), *texts,
                 *(c.outcome if c else "" for c in sides)]
            )  # fmt: skip
        return _frame(columns, rows, [one.claim.id for one in self.changes])

    @staticmethod
    def between(before: ClaimBook, after: ClaimBook) -> Differences:
        """Return what two books of one bench do not give alike, figure by figure.

        Parameters
        ----------
        before, after : ClaimBook
            Made by one version of the kit: figures are compared to the last bit.

        Returns
        -------
        Differences
            The gravest first; within a sort what prints otherwise, then suites, margins, others.
        """
        found: dict[str, list[_Change]] = {change: [] for change in CHANGES}
        names = dict.fromkeys(claim.id for claim in (*before.figures, *after.figures))
        for name in names:
            one, other = before.get(name), after.get(name)
            if one is None or other is None:
                change = "new" if one is None else "gone"
            elif one.outcome != other.outcome:
                change = "outcome_turned"
            elif _figures(one) != _figures(other):
                change = "moved"
            else:
                continue
            found[change].append(_Change(change, one, other))
        changes = tuple(change for sort in found.values() for change in sorted(sort, key=_weight))
        return Differences(changes, len(names) - len(changes))


def _moved(one: _Change) -> str:
    """Return what was and what is: figures where they moved, outcomes where they turned."""
    was, now = _printed(one.before), _printed(one.after)
    figures = was if was == now else f"{was or 'none'} -> {now or 'none'}"
    if one.before is None or one.after is None or one.before.outcome == one.after.outcome:
        return figures
    return f"{figures}, {one.before.outcome} -> {one.after.outcome}"


def _printed(claim: Claim | None) -> str:
    """Return a figure with its interval, as printed; nothing for no claim."""
    return claim.printed if claim else ""


def _weight(change: _Change) -> tuple[bool, int]:
    """Return where a difference stands among its sort: what prints otherwise, suites, margins."""
    same = _printed(change.before) == _printed(change.after)
    order = ("suite", "margin")
    return same, order.index(change.claim.kind) if change.claim.kind in order else len(order)


def _figures(claim: Claim) -> tuple[Any, ...]:
    """Return what is alike of a claim that has not moved."""
    return claim.value, claim.low, claim.high, claim.unit, claim.text, claim.interval
