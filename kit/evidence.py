"""The evidence at the end of a report: every claim's trace, every run, every method used.

One entry a claim and one row a run, linked to each other: from a figure to its entry, on to the
entries it was made from, to the runs with file and SHA-256, and back to where it is shown.
Kept terse, because a review has a thousand claims and the page is one file.
"""

from __future__ import annotations

import html
from collections.abc import Collection, Iterable

from kit.claims import Claim, ClaimBook, RunRecord
from kit.methods import METHODS
from kit.page import Html, data_html, text_html
from kit.tables import number, plain_text

KIND_WORDS = {
    "cell": "Products in titles",
    "margin": "Margins in titles",
    "suite": "Suite margins",
    "gap": "Gaps between classes of machine",
    "closure": "Closure",
    "value": "Value",
    "specification": "Specifications",
}


def trace_section(book: ClaimBook, *, only: Collection[str] | None = None) -> Html:
    """Return the trace of every claim, the runs and the methods, as one piece.

    Parameters
    ----------
    book : ClaimBook
    only : collection of str, optional
        Ids of claims: these alone, with all they were made from. All claims without it.
    """
    claims = _wanted(book, only)
    runs = _wanted_runs(book, claims, everything=only is None)
    kinds = dict.fromkeys(claim.kind for claim in claims if claim.kind != "run")
    pieces = ['<div class="trace">']
    for kind in kinds:
        title = KIND_WORDS.get(kind, kind.replace("_", " ").capitalize())
        pieces.append(f'<h3 class="unlisted">{text_html(title)}</h3><ol>')
        pieces += [_entry(claim, book) for claim in claims if claim.kind == kind]
        pieces.append("</ol>")
    pieces.append(f"</div>{_runs_table(book, claims, runs)}{_methods_list(claims)}")
    return Html("".join(pieces))


def _wanted(book: ClaimBook, only: Collection[str] | None) -> list[Claim]:
    if only is None:
        return list(book.claims)
    seen: set[str] = set()
    stack = list(only)
    while stack:
        claim = book.get(stack.pop())
        if claim is not None and claim.id not in seen:
            seen.add(claim.id)
            stack += claim.inputs
    return [claim for claim in book.claims if claim.id in seen]


def _wanted_runs(
    book: ClaimBook, claims: Iterable[Claim], *, everything: bool
) -> list[RunRecord]:
    if everything:
        return list(book.runs)
    named: set[str] = set()
    for claim in claims:
        named |= {*claim.runs, *claim.set_aside, *claim.inputs}
    return [run for run in book.runs if run.id in named]


def _entry(claim: Claim, book: ClaimBook) -> str:
    """Return a claim's entry: id, figure, interval, method, inputs, runs, the way back."""
    words = [f'<li id="{claim.anchor}"><b>{text_html(claim.id)}</b> {data_html(claim)}']
    if claim.interval:
        words.append(f" ({text_html(claim.interval)}")
        if claim.confidence is not None:
            words.append(f" at {plain_text(100 * claim.confidence, unit='%').text}")
        words.append(")")
    if claim.outcome:
        words.append(f", {claim.outcome}")
    words.append(f'. <a href="#method-{claim.method}">{text_html(claim.method)}</a>')
    # Figures of runs stand in the runs' rows, to which the runs' own links lead.
    inputs = [_input_link(name, claim, book) for name in claim.inputs
              if name in book.by_id and book.by_id[name].kind != "run"]
    if inputs:
        words.append(f" from {', '.join(inputs)}")
    words.append(".")
    if claim.runs:
        words.append(f" Runs {_run_links(claim.runs, claim, book)}.")
    if claim.set_aside:
        words.append(f" Set aside: {_run_links(claim.set_aside, claim, book)}.")
    if claim.marks:
        words.append(f" Marks: {text_html('; '.join(claim.marks))}.")
    words.append(f' <a class="back" href="#shown-{claim.anchor}">back</a></li>')
    return "".join(words)


def _input_link(name: str, claim: Claim, book: ClaimBook) -> str:
    """Return a link to an input; its words are what sets its id apart from the claim's own."""
    own = set(claim.id.split("/"))
    apart = [part for part in name.split("/") if part not in own]
    child = book.by_id[name]
    return f'<a href="#{child.anchor}">{text_html(" ".join(apart) or name)}</a>'


def _run_links(runs: Iterable[str], claim: Claim, book: ClaimBook) -> str:
    """Return links to runs; where inputs name more than a few runs, these say which."""
    names = list(runs)
    if len(names) > 24 and any(name in book.by_id for name in claim.inputs):
        return f"{len(names)} in all, under what it was made from"
    return " ".join(f'<a href="#run-{html.escape(run)}">{text_html(run)}</a>' for run in names)


def _runs_table(book: ClaimBook, claims: Iterable[Claim], runs: Iterable[RunRecord]) -> str:
    """Return one row a run: figures, frames, file and SHA-256, conditions, why not used."""
    figures = {
        (claim.metric, run): claim
        for claim in claims if claim.kind == "run" for run in (*claim.runs, *claim.set_aside)
    }
    metrics = list(dict.fromkeys(metric for metric, _ in figures))
    heads = "".join(f'<th scope="col" class="n">{_metric_head(m, figures)}</th>' for m in metrics)
    rows = "".join(_run_row(run, metrics, figures) for run in runs)
    return (
        '<h3 class="unlisted">Runs</h3>'
        '<section class="table-box runs-box" aria-label="Every run, used or not" tabindex="0">'
        '<table class="runs"><caption>Every run, used or not</caption><thead><tr>'
        '<th scope="col">Run</th><th scope="col">Product, title</th>'
        f'{heads}<th scope="col" class="n">Frames</th><th scope="col" class="n">Length '
        '<span class="unit">s</span></th><th scope="col">File, SHA-256</th>'
        '<th scope="col">Conditions</th><th scope="col">Used</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></section>"
    )


def _metric_head(metric: str, figures: dict[tuple[str, str], Claim]) -> str:
    one = next(claim for (name, _), claim in figures.items() if name == metric)
    unit = f' <span class="unit">{text_html(one.unit)}</span>' if one.unit else ""
    return f'<a href="#method-{one.method}">{text_html(metric)}</a>{unit}'


def _run_row(
    run: RunRecord, metrics: Iterable[str], figures: dict[tuple[str, str], Claim]
) -> str:
    cells = [f'<th scope="row">{text_html(run.id)}</th><td>{text_html(run.product)}, '
             f"{text_html(run.title)}</td>"]
    for metric in metrics:
        claim = figures.get((metric, run.id))
        if claim is None:
            cells.append('<td class="n"></td>')
        else:
            cells.append(
                f'<td class="n" id="{claim.anchor}">{data_html(claim, unit=claim.unit)}'
                f'<a class="back" href="#shown-{claim.anchor}">back</a></td>'
            )
    frames = f"{run.frames}" if run.frames else ""
    length = number(run.duration_s, decimals=1) if run.duration_s else ""
    where = text_html(run.file) if run.file else "no log"
    stated = {"session": run.session, "began": run.began, **run.conditions}
    conditions = "; ".join(f"{key} {value}" for key, value in stated.items() if value)
    said = "used" if run.used else f"not used: {run.reason}"
    if run.flags:
        said += f"; {', '.join(run.flags)}"
    return (
        f'<tr id="run-{html.escape(run.id)}">{"".join(cells)}<td class="n">{frames}</td>'
        f'<td class="n">{length}</td><td class="file">{where}<br><code>{run.sha256}</code></td>'
        f"<td>{text_html(conditions)}</td><td>{text_html(said)}</td></tr>"
    )


def _methods_list(claims: Iterable[Claim]) -> str:
    names = {claim.method: claim.method_version for claim in claims}
    rows = []
    for name, version in names.items():
        known = METHODS.get(name)
        words = known.words if known else "Not known to this version."
        rows.append(f'<dt id="method-{name}">{text_html(name)} v{version}</dt>'
                    f"<dd>{text_html(words)}</dd>")
    return f'<h3 class="unlisted">Methods</h3><dl class="methods">{"".join(rows)}</dl>'
