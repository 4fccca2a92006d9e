"""Ratios derived from margins, which keep their correlation where they share a product."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from kit.margins.compare import Margin
from kit.margins.estimate import RatioEstimate
from kit.margins.suites import SuiteMargin
from kit.stats.combining import match_t, t_ends
from kit.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivedRatio(RatioEstimate):
    """A product of powers of margins: what a sentence says that no margin says directly."""

    metric: str = ""  # terms may be of several
    method: str = "derived"
    log_se: float | None
    df: float | None


def side_errors(margin: Margin) -> dict[str, float] | None:
    """Return the standard error that each side gives ln(ratio), signed; None where there is none.

    Parameters
    ----------
    margin : Margin
        Its sides' own errors are those of its cells, scaled to make up the margin's together. A
        margin paired by session does not tell its sides apart; they are taken to vary alike.

    Returns
    -------
    dict of str to float
        The product's error, above 0, and the baseline's, below 0.
    """
    if margin.log_se is None:
        return None
    parts = [(cell.log_se or 0.0) ** 2 for cell in margin.cells]
    if margin.method.startswith("paired") or not sum(parts) > 0:
        parts = [1.0, 1.0]
    a, b = (math.sqrt(part / sum(parts)) * margin.log_se for part in parts)
    return {margin.product: a, margin.baseline: -b}


def margin_covariance(first: Margin, second: Margin) -> float | None:
    """Return the covariance of two ln margins; None where one has no error.

    Notes
    -----
    Margins of different titles or metrics rest on different runs: 0. Of one title, A over B and
    A over C share A's runs: the covariance is the variance of A's mean; where the shared product
    stands on opposite sides it is that, negative.
    """
    errors = side_errors(first), side_errors(second)
    if errors[0] is None or errors[1] is None:
        return None
    if (first.title, first.metric) != (second.title, second.metric):
        return 0.0
    return math.fsum(error * errors[1].get(name, 0.0) for name, error in errors[0].items())


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
    make the error of A/C too large, by 41 % where all three vary alike. The sides are combined as
    `combining.match_t` says, each with the degrees of freedom of its margin.
    """
    center = math.fsum(power * math.log(term.ratio) for term, power in terms)
    log_se, df = _derived_error(terms)
    low, high = t_ends(center, log_se, df, confidence=confidence)
    marks = dict.fromkeys(m for term, _ in terms for m in term.marks if m != "no_interval")
    if low is None:
        marks["no_interval"] = None
    return DerivedRatio(
        value=math.exp(center),
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


def _derived_error(
    terms: Sequence[tuple[Margin | SuiteMargin, float]],
) -> tuple[float | None, float | None]:
    """Return scale and degrees of freedom of a derived ln ratio; None where unknown.

    The errors of one side add up over the terms before they are squared: a product that stands
    above in one term and below in another cancels.
    """
    sides: dict[tuple[str, str], list[tuple[float, float, bool]]] = {}
    for term, power in terms:
        weights = term.weights if isinstance(term, SuiteMargin) else (1.0,)
        margins = term.margins if isinstance(term, SuiteMargin) else (term,)
        for margin, weight in zip(margins, weights, strict=True):
            errors = side_errors(margin)
            if errors is None:
                return None, None
            # Shared out so that Satterthwaite's rule over both sides gives the margin's own.
            shares = [error**2 for error in errors.values()]
            df = (margin.df or margin.mixture_df or math.inf) * (
                math.fsum(share**2 for share in shares) / math.fsum(shares) ** 2
            )
            for name, error in errors.items():
                part = power * weight * error, df, margin.mixture_df is not None
                sides.setdefault((margin.title, name), []).append(part)
    parts = [
        (
            math.fsum(error for error, _, _ in side) ** 2,
            min(df for _, df, _ in side),
            any(mixture for _, _, mixture in side),
        )
        for side in sides.values()
    ]
    return match_t(*zip(*parts, strict=True)) if parts else (None, None)
