"""Ratios derived from margins, which keep their correlation where they share a product."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from kit.combining import t_ends
from kit.margins import Margin
from kit.suite import SuiteMargin
from kit.trace import Trace


@dataclass(frozen=True, slots=True)
class DerivedRatio:
    """A product of powers of margins: what a sentence says that no margin says directly."""

    ratio: float
    low: float | None
    high: float | None
    confidence: float
    log_se: float | None
    df: float | None
    marks: tuple[str, ...]
    trace: Trace


@dataclass(frozen=True, slots=True)
class StatedRatio:
    """A ratio somebody wrote beside the ratio derived from the margins it rests on.

    `agrees` says whether the two are within the tolerance of each other; `inside` whether the
    stated one lies in the derived one's interval (None without an interval).
    """

    stated: float
    derived: DerivedRatio
    tolerance: float
    agrees: bool
    inside: bool | None


def margin_covariance(first: Margin, second: Margin) -> float | None:
    """Return the covariance of two ln margins; None where a shared side has no error of its own.

    Notes
    -----
    Margins of different titles or metrics rest on different runs: 0. Of one title, A over B and
    A over C share A's runs: the covariance is the variance of A's mean; where the shared product
    stands on opposite sides it is that, negative. Of margins paired by session the part of one
    side cannot be told from the differences; both sides are taken to vary alike, which gives half
    the product of the standard errors.
    """
    if (first.title, first.metric) != (second.title, second.metric):
        return 0.0
    sides = {first.product: 1, first.baseline: -1}
    others = {second.product: 1, second.baseline: -1}
    shared = {name: sides[name] * others[name] for name in sides if name in others}
    if not shared:
        return 0.0
    if first.log_se is None or second.log_se is None:
        return None
    if len(shared) == 2:
        return shared[first.product] * first.log_se * second.log_se
    ((name, sign),) = shared.items()
    if "paired" in first.method or "paired" in second.method:
        return sign * 0.5 * first.log_se * second.log_se
    cell = first.cells[0] if name == first.product else first.cells[1]
    if cell.log_se is None:
        # Only a side of equal runs has no error beside a margin that has one.
        return 0.0
    return sign * cell.log_se**2


def suite_covariance(first: SuiteMargin, second: SuiteMargin) -> float | None:
    """Return the covariance of two ln suite margins, over the titles they share."""
    weights = dict(zip(second.titles, second.weights, strict=True))
    margins = {m.title: m for m in second.margins}
    total = 0.0
    for margin, weight in zip(first.margins, first.weights, strict=True):
        if margin.title in margins:
            part = margin_covariance(margin, margins[margin.title])
            if part is None:
                return None
            total += weight * weights[margin.title] * part
    return total


def derive_ratio(
    terms: Sequence[tuple[Margin | SuiteMargin, float]], *, confidence: float
) -> DerivedRatio:
    """Return a product of powers of margins (all per title, or all of suites), with its interval.

    Parameters
    ----------
    terms : sequence of (Margin or SuiteMargin, float)
        Each with its power: A/C from A/B and B/C is [(ab, 1), (bc, 1)], A/B from A/C and B/C is
        [(ac, 1), (bc, -1)].
    confidence : float
        A fraction in (0, 1).

    Notes
    -----
    Terms that share a product keep their correlation: treating A/B and B/C as independent would
    make the error of A/C too large, by 41 % where all three vary alike. Degrees of freedom by
    Satterthwaite's rule over the terms.
    """
    center = math.fsum(power * math.log(term.ratio) for term, power in terms)
    log_se, df = _derived_error(terms)
    low, high = t_ends(center, log_se, df, confidence=confidence)
    marks = dict.fromkeys(m for term, _ in terms for m in term.marks if m != "no_interval")
    if low is None:
        marks["no_interval"] = None
    return DerivedRatio(
        ratio=math.exp(center),
        low=low,
        high=high,
        confidence=confidence,
        log_se=log_se,
        df=df,
        marks=tuple(marks),
        trace=Trace(
            "derive_ratio",
            " ".join(f"({term.trace.key})^{power:g}" for term, power in terms),
            inputs=tuple(term.trace for term, _ in terms),
        ),
    )


def check_stated_ratio(
    stated: float,
    terms: Sequence[tuple[Margin | SuiteMargin, float]],
    *,
    confidence: float,
    tolerance: float,
) -> StatedRatio:
    """Return whether a stated ratio agrees with the margins it is derived from.

    Parameters
    ----------
    stated : float
        As a ratio > 0: "about a third ahead" is 4/3.
    terms : sequence of (Margin or SuiteMargin, float)
        As for `derive_ratio`.
    confidence : float
        A fraction in (0, 1).
    tolerance : float
        How far apart the two may be, as a share: 0.02 lets 1.31 to 1.36 pass as 4/3.
    """
    if not stated > 0:
        raise ValueError(f"stated must be above 0: {stated}")
    derived = derive_ratio(terms, confidence=confidence)
    inside = None
    if derived.low is not None and derived.high is not None:
        inside = derived.low <= stated <= derived.high
    return StatedRatio(
        stated=stated,
        derived=derived,
        tolerance=tolerance,
        agrees=abs(math.log(stated / derived.ratio)) <= math.log1p(tolerance),
        inside=inside,
    )


def _derived_error(
    terms: Sequence[tuple[Margin | SuiteMargin, float]],
) -> tuple[float | None, float | None]:
    """Return standard error and degrees of freedom of a derived ln ratio; None where unknown."""
    variance = noise = 0.0
    for term, power in terms:
        if term.log_se is None:
            return None, None
        own = (power * term.log_se) ** 2
        df = max(term.df or (term.mixture_df if isinstance(term, Margin) else None) or math.inf, 1.0)
        variance += own
        noise += own**2 / df
    for (a, power_a), (b, power_b) in combinations(terms, 2):
        if isinstance(a, Margin) and isinstance(b, Margin):
            shared = margin_covariance(a, b)
        elif isinstance(a, SuiteMargin) and isinstance(b, SuiteMargin):
            shared = suite_covariance(a, b)
        else:
            raise ValueError("terms must be all margins of titles or all of suites")
        if shared is None:
            return None, None
        variance += 2 * power_a * power_b * shared
    if variance <= 0:
        return None, None
    return math.sqrt(variance), variance**2 / noise if noise > 0 else math.inf
