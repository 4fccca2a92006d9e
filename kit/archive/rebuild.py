"""A review made afresh from its raw logs, compared claim by claim with what was stated."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from kit.claims.claim import (
    NEW_IN_FORMAT_2,
    OLD_FORMAT,
    Claim,
    ClaimBook,
    RunRecord,
    trace_faults,
)
from kit.claims.of_pages import make_claims
from kit.errors import Fault, FaultsError, Finding, KitError
from kit.methods import METHODS
from kit.metrics.measuring import PLAIN
from kit.review.walk import Results, Review, load_review, work_out
from kit.rounding import words_of

# Sums in another order, on another machine, differ by about 1e-13; fitted variances by more.
REL_TOLERANCE = 1e-8
CLAIMS_PATH = "data/claims.json"
_PRINTED = {"text", "interval", "rounding"}
_FIGURES = {"value", "low", "high", "confidence", "duration_s"}


@dataclass(frozen=True, slots=True, eq=False)
class Fresh:
    """A review read, measured and worked out anew."""

    review: Review
    results: Results
    book: ClaimBook


def recompute_review(params_path: Path, bench_folder: Path) -> Fresh:
    """Return a review made afresh from its raw logs, by library code alone.

    Raises
    ------
    KitError
        If params, bench or logs cannot be read.
    """
    review = load_review(params_path, bench_folder=bench_folder, reading=PLAIN)
    results = work_out(review)
    return Fresh(review, results, make_claims(review, results))


def input_findings(error: KitError) -> list[Finding]:
    """Return what a review's inputs were refused for, as findings."""
    if not isinstance(error, FaultsError):
        return [Finding("claims", "data", "inputs that can be read", str(error))]
    return [
        Finding("claims", _place_of(fault), "inputs that a review can be made of", fault.message)
        for fault in error.faults
    ]


def _place_of(fault: Fault) -> str:
    """Return where in a bag a fault of params, bench or log stands."""
    if fault.file.startswith("bench/"):
        place = f"data/{fault.file}"
    elif fault.file.endswith((".yaml", ".yml", ".md")):
        place = f"data/params/{fault.file}"
    else:
        place = f"data/bench/{fault.file}"
    line = f" # line {fault.line}" if fault.line is not None else ""
    return place + line + (f", {fault.key}" if fault.key else "")


def not_recomputable(book: ClaimBook) -> dict[str, str]:
    """Return the claims this version cannot make, each with why.

    A claim is beyond this version if its method is unknown or has another version now, or if it
    rests on such a claim.
    """
    reasons: dict[str, str] = {}
    for claim in book.claims:
        method = METHODS.get(claim.method)
        if method is None:
            reasons[claim.id] = f"method {claim.method} is not known"
        elif method.version != claim.method_version:
            reasons[claim.id] = (
                f"method {claim.method} v{claim.method_version}, this version has v{method.version}"
            )
    grown = bool(reasons)
    while grown:
        grown = False
        for claim in book.claims:
            under = next((name for name in claim.inputs if name in reasons), None)
            if under and claim.id not in reasons:
                reasons[claim.id] = f"it rests on {under}"
                grown = True
    return reasons


def compare_books(stated: ClaimBook, fresh: ClaimBook) -> list[Finding]:
    """Return a finding for each thing stated that is not what the raw logs give.

    Claims of another version, by methods that are not this version's, are compared with nothing
    made from the logs: only their texts must be their figures.
    """
    beyond = not_recomputable(stated)
    same_kit = _made_alike(stated, fresh)
    passed_over = set(NEW_IN_FORMAT_2) if stated.file_format == OLD_FORMAT else set()
    locale = str(stated.settings.get("locale", "en"))
    findings = []
    for name, why in beyond.items():
        claim = stated.by_id[name]
        if same_kit:
            found = f"not recomputable by this version: {why}"
            findings.append(_finding(f"{name}, method", "a method this version can compute", found))
        elif not reads_as_stated(claim, locale):
            findings.append(
                _finding(f"{name}, value", f"a figure that reads {claim.text}", _shown(claim.value))
            )
    findings += [
        _finding(str(fault.key), "inputs and runs that are in claims.json", fault.message)
        for fault in trace_faults(stated)
    ]
    findings += list(_about(stated, fresh))
    findings += list(_runs(stated, fresh))
    seen: set[str] = set()
    for claim in stated.claims:
        if claim.id in seen:
            findings.append(_finding(claim.id, "each claim once", "it stands twice"))
        seen.add(claim.id)
        if claim.id in beyond:
            continue
        made = fresh.get(claim.id)
        if made is None:
            findings.append(_finding(claim.id, "no such claim: the logs do not give it", "stated"))
            continue
        for name, expected, found in _apart(claim, made):
            if name in passed_over:
                continue
            # Another version may round otherwise; the text must still be the figure stated.
            if same_kit or name not in _PRINTED or not reads_as_stated(claim, locale):
                findings.append(_finding(f"{claim.id}, {name}", expected, found))
    kinds = {claim.kind for claim in stated.claims}
    for claim in fresh.claims:
        # A later version may have kinds of claims that an older one did not make.
        if claim.id not in seen and (same_kit or claim.kind in kinds):
            findings.append(_finding(claim.id, f"this claim, {claim.text}", "it is missing"))
    return findings


def _made_alike(stated: ClaimBook, fresh: ClaimBook) -> bool:
    """Return whether two books come from one version and form: nothing may be new in either."""
    return (stated.kit_version, stated.file_format) == (fresh.kit_version, fresh.file_format)


def reads_as_stated(claim: Claim, locale: str) -> bool:
    """Return whether a claim's text and interval are its figures, rounded as its rule says.

    Of a statement that is all that can be said: another version may word it otherwise.
    """
    if not claim.is_figure:
        return True
    scale = {"ratio": (100.0, -100.0), "share": (100.0, 0.0)}.get(claim.unit, (1.0, 0.0))
    texts = [(claim.text, claim.value)]
    if claim.interval:
        first, _, last = claim.interval.partition(" to ")
        texts += [(first, claim.low), (last, claim.high)]
    found = re.search(r"(\d+) decimals", claim.rounding)
    for text, value in texts:
        printed = _number_in(text, locale)
        if printed is None or value is None:
            return False
        figure = value * scale[0] + scale[1] if claim.rounding.startswith("percent") else value
        step = 10.0 ** -int(found[1]) if found else 10.0 ** -_decimals_in(text, locale)
        if abs(printed - figure) > 0.5 * step * (1 + 1e-6):
            return False
    return True


def _number_in(text: str, locale: str) -> float | None:
    """Return the number a printed figure shows, or None."""
    marks = words_of(locale)
    found = re.search(r"[+\u2212-]?\d[\d\s.,\u2019\u202f]*", text)
    if found is None:
        return None
    plain = re.sub(r"\s", "", found[0].replace(marks.group, "").replace("\u2212", "-"))
    try:
        return float(plain.replace(marks.decimal, "."))
    except ValueError:
        return None


def _decimals_in(text: str, locale: str) -> int:
    after = re.search(re.escape(words_of(locale).decimal) + r"(\d+)", text)
    return len(after[1]) if after else 0


def _finding(place: str, expected: str, found: str) -> Finding:
    return Finding("claims", f"{CLAIMS_PATH} # {place}", expected, found)


def _about(stated: ClaimBook, fresh: ClaimBook) -> Iterator[Finding]:
    """Yield what is wrong in what the claims say of the review as a whole."""
    for name in ("review", "title", "byline", "date", "product", "params_file", "params_sha256"):
        if getattr(stated, name) != getattr(fresh, name):
            yield _finding(name, _shown(getattr(fresh, name)), _shown(getattr(stated, name)))
    # A later version may have settings that an older one did not know.
    strict = _made_alike(stated, fresh)
    for name in ("settings", "layouts", "names"):
        apart = _tree_apart(getattr(stated, name), getattr(fresh, name), "", strict)
        for place, expected, found in apart:
            yield _finding(f"{name}{place}", _shown(expected), _shown(found))


def _tree_apart(
    stated: Any, fresh: Any, place: str, strict: bool
) -> Iterator[tuple[str, Any, Any]]:
    """Yield place, expected and found wherever two trees of plain data differ.

    Unless `strict`, keys that only `fresh` has are passed over.
    """
    if isinstance(stated, Mapping) and isinstance(fresh, Mapping):
        for key in dict.fromkeys([*(fresh if strict else ()), *stated]):
            yield from _tree_apart(stated.get(key), fresh.get(key), f"{place}.{key}", strict)
    elif isinstance(stated, list | tuple) and isinstance(fresh, list | tuple):
        if len(stated) != len(fresh):
            yield place, fresh, stated
            return
        for number, (one, other) in enumerate(zip(stated, fresh, strict=True)):
            yield from _tree_apart(one, other, f"{place}[{number}]", strict)
    elif not _same(stated, fresh):
        yield place, fresh, stated


def _runs(stated: ClaimBook, fresh: ClaimBook) -> Iterator[Finding]:
    seen: set[str] = set()
    for run in stated.runs:
        if run.id in seen:
            yield _finding(f"run {run.id}", "each run once", "it stands twice")
        seen.add(run.id)
        made = fresh.run_by_id.get(run.id)
        if made is None:
            yield _finding(f"run {run.id}", "no such run in runs.csv", "stated")
            continue
        for name, expected, found in _apart(run, made):
            yield _finding(f"run {run.id}, {name}", expected, found)
    for run in fresh.runs:
        if run.id not in seen:
            yield _finding(f"run {run.id}", "this run of runs.csv", "it is missing")


def _apart(stated: Claim | RunRecord, made: Claim | RunRecord) -> Iterator[tuple[str, str, str]]:
    """Yield name, expected and found of each field in which two claims or runs differ."""
    for field in fields(stated):
        one, other = getattr(stated, field.name), getattr(made, field.name)
        if isinstance(one, Mapping):
            one, other = dict(one), dict(other)
        same = _same(one, other) if field.name in _FIGURES else _plain(one) == _plain(other)
        if not same:
            yield field.name, _shown(other), _shown(one)


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def _same(one: Any, other: Any) -> bool:
    """Return whether two figures are equal but for the last bits."""
    if isinstance(one, float) and isinstance(other, float):
        return same_figure(one, other)
    return bool(_plain(one) == _plain(other))


def same_figure(one: float, other: float) -> bool:
    """Return whether two figures differ by no more than the order of their sums explains."""
    return math.isclose(one, other, rel_tol=REL_TOLERANCE, abs_tol=1e-300)


def _shown(value: Any) -> str:
    """Return a value as a finding shows it, not too long."""
    text = value if isinstance(value, str) else repr(_plain(value))
    if not text:
        return "nothing"
    return text if len(text) <= 200 else f"{text[:200]}... ({len(text)} characters)"
