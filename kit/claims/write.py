"""The one writer of claims: what a claim is about, its id, and its figure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kit.claims.claim import KINDS, STATED, Claim, finite
from kit.margins.estimate import RatioEstimate
from kit.methods import METHODS
from kit.rounding import Rounded, ratio_text


@dataclass(frozen=True, slots=True)
class Subject:
    """What a claim is about, and what it rests on."""

    metric: str = ""
    product: str = ""
    baseline: str = ""
    title: str = ""
    group: str = ""
    part: str = ""
    inputs: Sequence[str] = ()
    runs: Sequence[str] = ()
    set_aside: Sequence[str] = ()
    marks: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with its interval; what is made by comparing has an outcome."""

    value: float | None
    low: float | None = None
    high: float | None = None
    confidence: float | None = None
    outcome: str = ""


def make_claim(
    kind: str, subject: Subject, figure: Figure, *, method: str, unit: str, text: Rounded
) -> Claim:
    """Return one claim; its id is built from its kind and subject.

    Raises
    ------
    ValueError
        If the kind is not one of `KINDS`, or the method not in the catalogue.
    """
    name = _id_of(kind, subject)
    if method not in METHODS:
        raise ValueError(f"{name}: no method {method!r} in the catalogue")
    low = finite(figure.low)
    return Claim(
        id=name,
        kind=kind,
        metric=subject.metric,
        product=subject.product,
        baseline=subject.baseline,
        title=subject.title,
        value=finite(figure.value),
        low=low,
        high=finite(figure.high),
        confidence=figure.confidence if figure.low is not None else None,
        unit=unit,
        outcome=figure.outcome,
        text=text.text,
        interval=text.interval if low is not None else "",
        rounding=text.rule,
        method=method,
        method_version=METHODS[method].version,
        inputs=tuple(subject.inputs),
        runs=tuple(dict.fromkeys(subject.runs)),
        set_aside=tuple(dict.fromkeys(subject.set_aside)),
        marks=tuple(dict.fromkeys(subject.marks)),
        group=subject.group,
        part=subject.part,
    )


def make_ratio_claim(
    kind: str, subject: Subject, result: RatioEstimate, *, method: str, locale: str
) -> Claim:
    """Return the claim of a ratio with its interval and, where it has one, its outcome."""
    found = Figure(result.ratio, result.low, result.high, result.confidence, result.outcome)
    text = ratio_text(result.ratio, result.low, result.high, locale=locale)
    return make_claim(kind, subject, found, method=method, unit="ratio", text=text)


def make_statement(kind: str, text: str, subject: Subject, *, outcome: str = "") -> Claim:
    """Return what a page says in words as a claim without a value."""
    return make_claim(
        kind,
        subject,
        Figure(None, outcome=outcome),
        method=STATED,
        unit="",
        text=Rounded(text, "", ""),
    )


def claim_id(kind: str, **fields: str) -> str:
    """Return the id of the claim of a kind about what the fields name.

    >>> claim_id("margin", metric="average_fps", title="dunes", product="a", baseline="b")
    'margin/average_fps/dunes/a-over-b'

    Raises
    ------
    ValueError
        If the kind is not one of `KINDS`.
    """
    run = fields.pop("run", "")
    return _id_of(kind, Subject(**fields, runs=[run] if run else ()))


def _id_of(kind: str, subject: Subject) -> str:
    if kind not in KINDS:
        raise ValueError(f"no kind of claim is called {kind!r}; there are {', '.join(KINDS)}")
    runs = dict.fromkeys((*subject.runs, *subject.set_aside))
    return KINDS[kind].form.format(
        metric=subject.metric,
        product=subject.product,
        baseline=subject.baseline,
        pair=f"{subject.product}-over-{subject.baseline}",
        title=subject.title,
        titles=subject.title or "all-titles",
        cell=f"/{subject.title}/{subject.product}" if subject.title else "",
        group=subject.group,
        part=subject.part,
        run=next(iter(runs), ""),
    )
