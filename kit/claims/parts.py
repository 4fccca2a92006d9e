"""What every claim is made of: its subject, its id, and `make_claim`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kit.claims.claim import Claim, finite
from kit.margins.compare import Margin
from kit.margins.consistency import NameGap
from kit.margins.suites import SuiteMargin
from kit.methods import METHODS
from kit.rounding import Rounded
from kit.settings.bench_file import Bench
from kit.settings.params import METRICS

METRIC_UNITS = dict.fromkeys(METRICS, "fps")


@dataclass(frozen=True, slots=True)
class Subject:
    """What a claim is about, and what it rests on."""

    metric: str = ""
    product: str = ""
    baseline: str = ""
    title: str = ""
    inputs: Sequence[str] = ()
    runs: Sequence[str] = ()
    set_aside: Sequence[str] = ()
    marks: Sequence[str] = ()


def make_claim(
    claim_id: str,
    subject: Subject,
    *,
    kind: str,
    method: str,
    value: float | None,
    text: Rounded,
    unit: str,
    low: float | None = None,
    high: float | None = None,
    confidence: float | None = None,
    outcome: str = "",
) -> Claim:
    """Return one claim.

    Raises
    ------
    ValueError
        If the method is not in the catalogue.
    """
    if method not in METHODS:
        raise ValueError(f"{claim_id}: no method {method!r} in the catalogue")
    return Claim(
        id=claim_id,
        kind=kind,
        metric=subject.metric,
        product=subject.product,
        baseline=subject.baseline,
        title=subject.title,
        value=finite(value),
        low=finite(low),
        high=finite(high),
        confidence=confidence if low is not None else None,
        unit=unit,
        outcome=outcome,
        text=text.text,
        interval=text.interval if finite(low) is not None else "",
        rounding=text.rule,
        method=method,
        method_version=METHODS[method].version,
        inputs=tuple(subject.inputs),
        runs=tuple(dict.fromkeys(subject.runs)),
        set_aside=tuple(dict.fromkeys(subject.set_aside)),
        marks=tuple(dict.fromkeys(subject.marks)),
    )


def metric_unit(metric: str, bench: Bench, title: str) -> str:
    """Return the unit a metric is given in."""
    return METRIC_UNITS.get(metric) or bench.titles[title].value_unit


def cell_id(product: str, title: str, metric: str) -> str:
    """Return the id of a cell's claim."""
    return f"cell/{metric}/{title}/{product}"


def margin_id(margin: Margin) -> str:
    """Return the id of a margin's claim."""
    return f"margin/{margin.metric}/{margin.title}/{margin.product}-over-{margin.baseline}"


def suite_id(suite: SuiteMargin) -> str:
    """Return the id of a suite margin's claim."""
    return f"suite/{suite.metric}/{suite.suite}/{suite.product}-over-{suite.baseline}"


def gap_id(gap: NameGap) -> str:
    """Return the id of a name gap's claim."""
    return (
        f"gap/{gap.metric}/{gap.here_new}-over-{gap.here_old}"
        f"/against/{gap.there_new}-over-{gap.there_old}"
    )
