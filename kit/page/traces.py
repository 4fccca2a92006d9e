"""The evidence at the end of a report: every claim's trace, every run, every method used.

One entry a claim and one row a run, linked to each other: from a figure to its entry, on to the
entries it was made from, to the runs with file and SHA-256, and back to where it is shown.
Kept terse, because a review has a thousand claims and the page is one file.
"""

from __future__ import annotations

import html
import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from kit.claims.claim import Claim, ClaimBook, RunRecord, anchor_of
from kit.methods import METHODS
from kit.page.html import Html, data_html, render, text_html
from kit.page.view import mark_words
from kit.rounding import Rounded, grouped, number
from kit.settings.metric import METRIC_LABELS

KIND_WORDS = {
    "cell": "Products in titles",
    "margin": "Margins in titles",
    "suite": "Suite margins",
    "gap": "Gaps between classes of machine",
    "closure": "Closure",
    "value": "Value",
    "specification": "Specifications",
}


def _kind_title(kind: str) -> str:
    return KIND_WORDS.get(kind, kind.replace("_", " ").capitalize())


FEW_RUNS = 12  # more than this are named one by one only where no input names them
FEW_INPUTS = 5  # more than this are listed once


def trace_section(book: ClaimBook, *, only: Collection[str] | None = None) -> Html:
    """Return the trace of every claim, the runs and the methods, as one piece.

    Parameters
    ----------
    book : ClaimBook
    only : collection of str, optional
        Ids of claims: these alone, with all they were made from. All claims without it.

    Returns
    -------
    Html
        Each entry is closed until a link to the claim's anchor opens it; each run has the id
        ``run-...``, each method ``method-...``. Links back (``#shown-...``) are filled in when the
        page is assembled.
    """
    claims = _wanted(book, only)
    runs = _wanted_runs(book, claims, everything=only is None)
    levels = {claim.confidence for claim in claims if claim.confidence is not None}
    view = _View(
        book=book,
        order={run.id: place for place, run in enumerate(runs)},
        confidence=levels.pop() if len(levels) == 1 else None,
        under=_placed_under(claims, book),
        suites={
            frozenset(claim.inputs): claim
            for claim in sorted(
                (claim for claim in claims if claim.kind == "suite" and len(claim.inputs) > 2),
                key=lambda claim: -len(claim.inputs),
            )
        },
        said={},
    )
    said = [] if view.confidence is None else [f"Intervals are at {_percent(view.confidence)}."]
    if view.under:
        said.append(
            "Under a figure stand those made from it alone, and other metrics of the very "
            "same runs: made the same way, from what stands under what it was made from, and "
            "with the same marks where none are named."
        )
    pieces = [f'<div class="trace"><p>{" ".join(said)}</p>']
    nested = {claim.id for placed in view.under.values() for claim in placed}
    # A run's figures stand in its row.
    kinds = grouped((c.kind, c) for c in claims if c.kind != "run" and c.id not in nested)
    for kind, of_kind in kinds.items():
        most = Counter(claim.method for claim in of_kind).most_common(1)[0][0]
        methods = _methods_of(of_kind, view, most)
        entries = (_entry(claim, view, with_method=claim.method != most) for claim in of_kind)
        inside = f"{methods}<div>{''.join(entries)}</div>"
        pieces.append(_closed(_kind_title(kind), inside, count=len(of_kind)))
    pieces += ["</div>", _marks_list(claims, book)]
    pieces += [_runs_table(book, claims, runs), _methods_list(claims, book)]
    return Html("".join(pieces))


def _closed(title: str, inside: str, *, count: int) -> str:
    """Return a part of the traces, closed until it is opened or a link leads into it."""
    head = f'<h3 class="unlisted">{text_html(title)}</h3> {count}'
    return f'<details class="part-of-traces"><summary>{head}</summary>{inside}</details>'


@dataclass(frozen=True, slots=True)
class _View:
    """What entries are written with."""

    book: ClaimBook
    order: Mapping[str, int]  # of the runs in their table
    confidence: float | None  # of every interval, if it is one and the same
    under: Mapping[str, Sequence[Claim]]  # claim -> what was made from it alone
    suites: Mapping[frozenset[str], Claim]  # margins -> their suite, the largest first
    said: dict[tuple[str, ...], Claim]  # a long list of runs or claims -> whose entry gives it

    def first_to_say(self, names: Sequence[str], claim: Claim) -> Claim | None:
        """Return whose entry gives a long list already; None where this claim's is to give it."""
        first = self.said.setdefault(tuple(names), claim)
        return None if first is claim else first


def _placed_under(claims: Iterable[Claim], book: ClaimBook) -> dict[str, list[Claim]]:
    """Return, by claim, the claims whose entries stand under its own.

    These are claims made from it alone that name no runs, and the same figure in another metric
    of the very same runs. None of them has claims under it in turn.
    """
    under: dict[str, list[Claim]] = {}
    nested: set[str] = set()
    first: dict[tuple[object, ...], Claim] = {}
    for claim in claims:
        if claim.kind == "run":
            continue
        parent = None
        if len(claim.inputs) == 1 and not claim.runs and not claim.set_aside:
            parent = book.get(claim.inputs[0])
        elif claim.runs and claim.metric:
            name = tuple(part for part in claim.id.split("/") if part != claim.metric)
            parent = first.setdefault((name, claim.runs, claim.set_aside), claim)
        if parent is None or parent is claim or parent.kind == "run":
            continue
        if parent.id not in nested and claim.id not in under:
            under.setdefault(parent.id, []).append(claim)
            nested.add(claim.id)
    return under


def _methods_of(claims: Sequence[Claim], view: _View, most: str) -> str:
    """Return a line that links the methods of a kind of claims, and of those placed under them.

    `most` have the one that is named here alone.
    """
    kinds = {claim.kind for claim in claims}
    placed = [child for claim in claims for child in view.under.get(claim.id, ())]
    same = [claim.method for claim in (*claims, *placed) if claim.kind in kinds]
    below = dict.fromkeys((c.kind, c.method) for c in placed if c.kind not in kinds)
    methods = list(dict.fromkeys(same))
    methods.sort(key=lambda name: name != most)
    links = ", ".join(_method_link(name) for name in methods)
    if len(methods) > 1:
        links = links.replace("</a>", "</a> where no other is named", 1)
    line = f"{'Method' if len(methods) == 1 else 'Methods'}: {links}."
    if below:
        said = (f"{text_html(_kind_title(k).lower())} by {_method_link(m)}" for k, m in below)
        line += f" Under them: {', '.join(said)}."
    return f"<p>{line}</p>"


def _wanted(book: ClaimBook, only: Collection[str] | None) -> list[Claim]:
    """Return the figures asked for, with all they were made from; every figure for None."""
    if only is None:
        return list(book.figures)
    seen: set[str] = set()
    stack = list(only)
    while stack:
        claim = book.get(stack.pop())
        if claim is not None and claim.id not in seen:
            seen.add(claim.id)
            stack += claim.inputs
    return [claim for claim in book.figures if claim.id in seen]


def _wanted_runs(book: ClaimBook, claims: Iterable[Claim], *, everything: bool) -> list[RunRecord]:
    """Return the runs the claims name, those of one product in one title together."""
    kept = list(book.runs)
    if not everything:
        named: set[str] = set()
        for claim in claims:
            named |= {*claim.runs, *claim.set_aside, *claim.inputs}
        kept = [run for run in kept if run.id in named]
    products = list(dict.fromkeys(run.product for run in kept))
    titles = list(dict.fromkeys(run.title for run in kept))
    return sorted(kept, key=lambda run: (products.index(run.product), titles.index(run.title)))


def _percent(share: float) -> str:
    """Return a confidence in percent."""
    return Rounded.plain(100 * share, unit="%").text


def _method_link(name: str) -> str:
    return f'<a href="#method-{name}">{text_html(name)}</a>'


def _entry(claim: Claim, view: _View, *, with_method: bool) -> str:
    """Return a claim's entry: figure, interval, the way back, id, method, inputs, runs.

    Claims placed under it follow in a list of their own. An entry that nothing more is said of does
    not open.
    """
    facts = []
    inputs = _inputs(claim, view)
    if with_method:
        facts.append(("Method", _method_link(claim.method)))
    if inputs:
        facts.append(("From", _input_links(inputs, claim, view)))
    if claim.runs:
        facts.append(("Runs", _run_links(claim.runs, claim, inputs, view)))
    if claim.set_aside:
        facts.append(("Set aside", _run_links(claim.set_aside, claim, inputs, view)))
    if claim.marks:
        facts.append(("Marks", "; ".join(_mark_link(mark) for mark in claim.marks)))
    listed = "".join(f"<dt>{term}</dt><dd>{said}</dd>" for term, said in facts)
    listed = f"<dl>{listed}</dl>" if listed else ""
    below = "".join(_placed_entry(child, claim, view) for child in view.under.get(claim.id, ()))
    figure = _figure(claim, view, about=_about(claim, view.book))
    if not listed and not below:
        return f'<p id="{claim.anchor}">{figure}<br><b>{text_html(claim.id)}</b> {_back(claim)}</p>'
    return (
        f"<details><summary>{figure}</summary>"
        f'<div id="{claim.anchor}">{_back(claim)}'
        f"<b>{text_html(claim.id)}</b>{listed}"
        f"{f'<ol>{below}</ol>' if below else ''}</div></details>"
    )


def _placed_entry(child: Claim, claim: Claim, view: _View) -> str:
    """Return the entry of a claim that stands under another: what the other does not say."""
    made = "."
    if not _goes_without_saying(child, claim, view):
        inputs = _inputs(child, view)
        made = f", by {_method_link(child.method)}" if child.method != claim.method else ""
        if inputs:
            made += f"{'' if made else ','} from {_input_links(inputs, child, view)}"
        made += "."
    if child.marks != claim.marks:
        marks = "; ".join(_mark_link(mark) for mark in child.marks) or "none"
        made += f" Marks: {marks}."
    name = " ".join(_apart(child.id, claim))
    # The space lets neighbours that stand in one line break apart.
    return (
        f' <li id="{child.anchor}"><b>{text_html(name)}</b> '
        f"{_figure(child, view)}{made} {_back(child)}</li>"
    )


def _about(claim: Claim, book: ClaimBook) -> str:
    """Return what a figure is of, in people's words.

    A pair, a product or a run first, then the title or the group of titles, the metric, the part.
    """
    words = [book.product_name(claim.product) if claim.product else ""]
    if claim.baseline:
        words[0] += f" over {book.product_name(claim.baseline)}"
    words.append(book.title_name(claim.title) if claim.title else "")
    for name in ("group", "metric", "part"):
        code = getattr(claim, name)
        words.append(book.in_words(book.name(name, code, kind=claim.kind)) if code else "")
    if claim.id.endswith(f"/{claim.run}"):
        words.append(f"run {claim.run}")
    said = ", ".join(word for word in words if word)
    return said or _kind_title(claim.kind).lower()


def _goes_without_saying(child: Claim, claim: Claim, view: _View) -> bool:
    """Whether what a placed claim was made from, and how, follows from where it stands.

    Made from the claim above alone; or by that claim's method, from what stands under that
    claim's inputs.
    """
    if child.kind != claim.kind:
        return True
    stand_under = {c.id for name in claim.inputs for c in view.under.get(name, ())}
    named = {c.id for c in _inputs(child, view)}
    return child.method == claim.method and bool(named) and named <= stand_under


def _inputs(claim: Claim, view: _View) -> list[Claim]:
    """Return the claims a claim was made from, those of single runs aside: runs are linked."""
    found = [view.book.get(name) for name in claim.inputs]
    return [child for child in found if child is not None and child.kind != "run"]


def _figure(claim: Claim, view: _View, *, about: str = "") -> str:
    """Return a claim's figure with interval and outcome, and before these what it is of."""
    shown = data_html(claim)
    span = outcome = ""
    if claim.interval:
        differs = claim.confidence is not None and view.confidence is None
        level = f" at {_percent(claim.confidence or 0.0)}" if differs else ""
        span = f"{text_html(claim.interval)}{level}"
    if claim.outcome and not claim.id.endswith(claim.outcome):
        outcome = claim.outcome
    if about:
        more = " · ".join(word for word in (span, outcome) if word)
        return f"<b>{shown}</b> {text_html(about)}{f'<i>{more}</i>' if more else ''}"
    return shown + (f" ({span})" if span else "") + (f", {outcome}" if outcome else "")


def _back(claim: Claim) -> str:
    """Return the link to where a claim is shown (filled in by `assemble`)."""
    return f'<a class="back" href="#shown-{claim.anchor}">back</a>'


def _mark_link(mark: str) -> str:
    """Return a mark in short, as a link to its words."""
    return f'<a href="#{_mark_anchor(mark)}">{text_html(_short_mark(mark))}</a>'


def _mark_anchor(mark: str) -> str:
    return f"m{anchor_of(mark)[1:7]}"


def _short_mark(mark: str) -> str:
    """Return a mark in a word or two.

    >>> _short_mark("waived:memory_gb"), _short_mark("typed_in")
    ('waived: memory', 'typed in')
    """
    name, colon, what = mark.partition(":")
    bare = re.sub(r"_(gb|mb|w|c|pct)$", "", what.strip())
    return f"{name}{': ' if colon else ''}{bare}".replace("_", " ")


def _marks_list(claims: Iterable[Claim], book: ClaimBook) -> str:
    """Return each mark the claims bear, in words."""
    words = mark_words(book)
    rows = {
        _mark_anchor(mark): f'<dt id="{_mark_anchor(mark)}">{text_html(_short_mark(mark))}</dt>'
        f"<dd>{text_html(words.get(mark, mark))}</dd>"
        for mark in sorted({mark for claim in claims for mark in claim.marks})
    }
    if not rows:
        return ""
    listed = f'<dl class="methods">{"".join(rows.values())}</dl>'
    return _closed("Marks", listed, count=len(rows))


def _apart(name: str, claim: Claim) -> list[str]:
    """Return the parts of an id that are not in a claim's own.

    >>> from types import SimpleNamespace
    >>> _apart("cell/average_fps/dunes/a", SimpleNamespace(id="margin/average_fps/dunes/a-over-b"))
    ['cell', 'a']
    """
    own = set(claim.id.split("/"))
    return [part for part in name.split("/") if part not in own] or [name]


def _input_links(inputs: Sequence[Claim], claim: Claim, view: _View) -> str:
    """Return links to what a claim was made from; a suite stands for all of its margins."""
    left = {child.id: child for child in inputs}
    links = []
    if len(inputs) > FEW_INPUTS:
        first = view.first_to_say(list(left), claim)
        if first is not None:
            return f"all that {_claim_link(first, claim)} is made from"
    if claim.kind != "suite":
        for margins, suite in view.suites.items():
            if margins <= left.keys():
                links.append(f"all that {_claim_link(suite, claim)} is made from")
                left = {name: child for name, child in left.items() if name not in margins}
    return ", ".join(links + [_claim_link(child, claim) for child in left.values()])


def _claim_link(child: Claim, claim: Claim) -> str:
    return f'<a href="#{child.anchor}">{text_html(" ".join(_apart(child.id, claim)))}</a>'


def _run_links(runs: Sequence[str], claim: Claim, inputs: Sequence[Claim], view: _View) -> str:
    """Return links to the rows of runs, each run named as briefly as its neighbours allow.

    Many runs are named by the inputs, where these name them all; else by first and last of each
    stretch of the table of runs, once.
    """
    if len(runs) <= FEW_RUNS:
        return " ".join(_run_link(run, before) for before, run in pairwise(["", *runs]))
    order = view.order
    under = {run for child in inputs for run in (*child.runs, *child.set_aside)}
    if under.issuperset(runs):
        view.first_to_say(runs, claim)
        return f"{len(runs)}, under what it was made from"
    first = view.first_to_say(runs, claim)
    if first is not None:
        return f"{len(runs)}, those of {_claim_link(first, claim)}"
    stretches: list[list[str]] = []
    for run in sorted(runs, key=order.__getitem__):
        if stretches and order[run] == order[stretches[-1][-1]] + 1:
            stretches[-1].append(run)
        else:
            stretches.append([run])
    return f"{len(runs)}: " + ", ".join(
        _run_link(row[0]) + (f" to {_run_link(row[-1], row[0])}" if len(row) > 1 else "")
        for row in stretches
    )


def _run_link(run: str, before: str = "") -> str:
    """Return a link to a run's row; words it shares with the run named before are left out."""
    stem, dash, last = run.rpartition("-")
    brief = last if dash and before.rpartition("-")[0] == stem else run
    return f'<a href="#run-{html.escape(run)}">{text_html(brief)}</a>'


def _runs_table(book: ClaimBook, claims: Iterable[Claim], runs: Sequence[RunRecord]) -> str:
    """Return one row a run: figures, frames, file and SHA-256, conditions, why not used; and the
    conditions, each set of them once."""
    figures = {
        (claim.metric, run): claim
        for claim in claims
        if claim.kind == "run"
        for run in (*claim.runs, *claim.set_aside)
    }
    columns = grouped((metric, claim) for (metric, _), claim in figures.items())
    heads = [
        {
            "metric": metric,
            "name": METRIC_LABELS.get(metric, metric),
            # A unit stands in the head where it is one and the same, else beside each figure.
            "unit": found[0].unit if len({claim.unit for claim in found}) == 1 else "",
            "methods": list(dict.fromkeys(claim.method for claim in found)),
        }
        for metric, found in columns.items()
    ]
    sets = {_conditions(run, book): "" for run in runs}
    sets |= {words: f"C{n}" for n, words in enumerate((w for w in sets if w), start=1)}
    groups = groupby(runs, key=lambda run: (run.product, run.title))
    table = render(
        "runs",
        heads=heads,
        groups=[
            (book.product_name(product), book.title_name(title), list(of_cell))
            for (product, title), of_cell in groups
        ],
        words=book.in_words,
        figures=figures,
        label=lambda run: sets[_conditions(run, book)],
        length=lambda run: number(run.duration_s, decimals=1) if run.duration_s else "",
        conditions={label: words for words, label in sets.items() if label},
    )
    return _closed("Runs", table.markup, count=len(runs)) if runs else table.markup


def _conditions(run: RunRecord, book: ClaimBook) -> str:
    """Return the conditions of a run in words."""
    return "; ".join(
        f"{book.in_words(key)} {value}" for key, value in run.conditions.items() if value
    )


def _methods_list(claims: Iterable[Claim], book: ClaimBook) -> str:
    """Return each method the claims name, in words."""
    rows = []
    for name, version in {claim.method: claim.method_version for claim in claims}.items():
        known = METHODS.get(name)
        words = known.words if known else "Not known to this version."
        rows.append(
            f'<dt id="method-{name}"><code>{text_html(name)}</code> v{version}</dt>'
            f"<dd>{text_html(book.in_words(words))}</dd>"
        )
    listed = f'<dl class="methods">{"".join(rows)}</dl>'
    return _closed("Methods", listed, count=len(rows))
