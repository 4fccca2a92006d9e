"""Margins against each other: derived ratios, whether chains close, gaps between classes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations

import numpy as np

from kit.margins.cells import Cell, RatioEstimate
from kit.margins.compare import Margin
from kit.margins.suites import NOT_SPEED, SuiteMargin, summarise_titles
from kit.settings.bench_file import Title
from kit.settings.params import MarginParams
from kit.stats.intervals import match_t, t_ends
from kit.stats.suite_errors import suite_care
from kit.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class _DerivedRatio(RatioEstimate):
    """A product of powers of margins: what a sentence says that no margin says directly."""

    metric: str = ""  # terms may be of several
    method: str = "derived"
    log_se: float | None
    df: float | None


def _side_errors(margin: Margin) -> dict[str, float] | None:
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


def _derive_ratio(
    terms: Sequence[tuple[Margin | SuiteMargin, float]], *, confidence: float
) -> _DerivedRatio:
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
    `match_t` says, each with the degrees of freedom of its margin.
    """
    center = math.fsum(power * math.log(term.ratio) for term, power in terms)
    log_se, df = _derived_error(terms)
    low, high = t_ends(center, log_se, df, confidence=1 - (1 - confidence) * _derived_care(terms))
    marks = dict.fromkeys(m for term, _ in terms for m in term.marks if m != "no_interval")
    if low is None:
        marks["no_interval"] = None
    return _DerivedRatio(
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


def _derived_care(terms: Sequence[tuple[Margin | SuiteMargin, float]]) -> float:
    """Return the care a derived ratio needs, by what each margin adds to its error."""
    parts = [
        ((power * weight * (margin.log_se or 0.0)) ** 2, margin.care)
        for term, power in terms
        for weight, margin in (
            zip(term.weights, term.margins, strict=True)
            if isinstance(term, SuiteMargin)
            else [(1.0, term)]
        )
    ]
    variances, care = np.array(parts).T
    return suite_care(variances, care) if variances.sum() > 0 else 1.0


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
            errors = _side_errors(margin)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class NameGap(RatioEstimate):
    """How a lead shrinks or grows from one class of machine to another: a ratio of ratios.

    ratio = (here_new / here_old) / (there_new / there_old) over the titles all four share; below
    1, the newer name gains less over the older one here than there. `product` is the newer name
    here, `baseline` the newer one there.
    """

    method: str = "name-gap"
    here: SuiteMargin
    there: SuiteMargin

    @property
    def here_new(self) -> str:
        """The newer name in the reviewed class of machine."""
        return self.here.product

    @property
    def here_old(self) -> str:
        """The older name there."""
        return self.here.baseline

    @property
    def there_new(self) -> str:
        """The newer name in the other class of machine."""
        return self.there.product

    @property
    def there_old(self) -> str:
        """The older name in that class."""
        return self.there.baseline


@dataclass(frozen=True, slots=True)
class Closure:
    """A over B times B over C beside A over C.

    Over the titles all three share, `chained` equals `direct` exactly. `chained_own` and
    `direct_own` use each pair's own shared titles: where sets differ, so do these, and
    `difference` = chained_own / direct_own says by how much.
    """

    a: str
    b: str
    c: str
    metric: str
    titles: tuple[str, ...]
    chained: float
    direct: float
    chained_own: float
    direct_own: float
    difference: float
    own_titles: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]  # of a/b, b/c, a/c
    trace: Trace


def check_closure(
    cells: Sequence[Cell],
    *,
    product: str,
    others: Sequence[str],
    titles: Mapping[str, Title] | None = None,
    margins: Sequence[Margin] = (),
) -> tuple[Closure, ...]:
    """Return, per metric, A over B times B over C beside A over C for every B and C of `others`.

    Parameters
    ----------
    cells : sequence of Cell
        Of the product and the others.
    product : str
        A.
    others : sequence of str
        Every two of them, in this order, are B and C.
    titles : mapping of str to Title, optional
        Tells titles that are no speed and thus in no suite "all" from those that are.
    margins : sequence of Margin, optional
        Their ratios are taken for `chained_own` and `direct_own` where they are given, so that
        these agree with the suite margins shown.

    Notes
    -----
    Ratios are those of the cells' values, titles weigh alike. Over titles all three share the
    identity holds to rounding. A difference can come from title sets, or from margins that rest
    on common sessions only; then the figure to quote is the direct one, over its own titles: a
    chain also carries what only one of its links has.
    """
    by_metric: dict[str, dict[tuple[str, str], Cell]] = {}
    for cell in cells:
        known = titles.get(cell.title) if titles is not None else None
        if cell.is_level or (known is not None and known.measures in NOT_SPEED):
            continue
        by_metric.setdefault(cell.metric, {})[cell.product, cell.title] = cell
    ratios = {(m.metric, m.product, m.baseline, m.title): m.ratio for m in margins}
    closures = []
    for metric, known_cells in by_metric.items():
        of: dict[str, dict[str, None]] = {name: {} for name in (product, *others)}
        for name, title in known_cells:
            of.get(name, {})[title] = None
        mean_ratio = _mean_ratios(known_cells, ratios, metric)
        shared = _shared_titles(of)
        for b, c in combinations(dict.fromkeys(others), 2):
            made = _close(known_cells, mean_ratio, metric, (product, b, c), shared)
            if made is not None:
                closures.append(made)
    return tuple(closures)


def find_name_gaps(
    margins: Sequence[Margin], quads: Sequence[tuple[str, str, str, str]], *, params: MarginParams
) -> tuple[NameGap, ...]:
    """Return the gap of each (here_new, here_old, there_new, there_old), per metric.

    A gap needs a title in which both here_new over here_old and there_new over there_old are
    among `margins`; without one there is none. See `_name_gap`.
    """
    by_key: dict[tuple[str, str, str], dict[str, Margin]] = {}
    for margin in margins:
        key = margin.metric, margin.product, margin.baseline
        by_key.setdefault(key, {})[margin.title] = margin
    gaps = []
    for here_new, here_old, there_new, there_old in quads:
        for metric in dict.fromkeys(m.metric for m in margins):
            here = by_key.get((metric, here_new, here_old), {})
            there = by_key.get((metric, there_new, there_old), {})
            shared = [title for title in here if title in there]
            if shared:
                gaps.append(
                    _name_gap([here[t] for t in shared], [there[t] for t in shared], params=params)
                )
    return tuple(gaps)


def _name_gap(here: Sequence[Margin], there: Sequence[Margin], *, params: MarginParams) -> NameGap:
    """Return how a margin in one class of machine stands to the same-named one in another.

    Parameters
    ----------
    here, there : sequence of Margin
        One per title, of the same titles in the same order, at least one.
    params : MarginParams
        Confidence.

    Notes
    -----
    A product that stands in both margins of a title keeps its correlation: see
    `_derive_ratio`.
    """
    if [m.title for m in here] != [m.title for m in there]:
        raise ValueError("here and there must hold the same titles in the same order")
    first, second = (
        summarise_titles(side, suite="shared", params=params) for side in (here, there)
    )
    derived = _derive_ratio([(first, 1.0), (second, -1.0)], confidence=params.confidence)
    return NameGap(
        product=first.product,
        baseline=second.product,
        metric=first.metric,
        here=first,
        there=second,
        value=derived.ratio,
        low=derived.low,
        high=derived.high,
        confidence=params.confidence,
        marks=derived.marks,
        trace=replace(
            derived.trace,
            step="name_gap",
            key=f"gap/{first.metric}/{first.product}-over-{first.baseline}"
            f"/against/{second.product}-over-{second.baseline}",
        ),
    )


def _mean_ratios(
    cells: Mapping[tuple[str, str], Cell],
    ratios: Mapping[tuple[str, str, str, str], float],
    metric: str,
) -> Callable[..., float]:
    """Return what gives the mean ratio of two products over titles, each worked out once."""

    @cache
    def mean_ratio(over: str, under: str, titles: tuple[str, ...], *, own: bool) -> float:
        logs = []
        for title in titles:
            ratio = ratios.get((metric, over, under, title)) if own else None
            if ratio is None:
                top, bottom = cells[over, title], cells[under, title]
                ratio = bottom.value / top.value if top.less_is_better else top.value / bottom.value
            logs.append(math.log(ratio))
        return math.exp(math.fsum(logs) / len(logs))

    return mean_ratio


def _shared_titles(of: Mapping[str, Mapping[str, None]]) -> Callable[..., tuple[str, ...]]:
    """Return what gives the titles that products have in common, in the first one's order."""

    @cache
    def shared(first: str, *others: str) -> tuple[str, ...]:
        common = {*of[first]}.intersection(*(of[other] for other in others))
        return tuple(title for title in of[first] if title in common)

    return shared


def _close(
    cells: Mapping[tuple[str, str], Cell],
    mean_ratio: Callable[..., float],
    metric: str,
    names: tuple[str, str, str],
    shared: Callable[..., tuple[str, ...]],
) -> Closure | None:
    """Return the closure of one triple, or None where two of them share no title."""
    a, b, c = names
    common = shared(a, b, c)
    own = shared(a, b), shared(b, c), shared(a, c)
    if not common:
        return None
    chained_own = mean_ratio(a, b, own[0], own=True) * mean_ratio(b, c, own[1], own=True)
    direct_own = mean_ratio(a, c, own[2], own=True)
    every = set().union(*own)
    return Closure(
        a=a,
        b=b,
        c=c,
        metric=metric,
        titles=common,
        chained=mean_ratio(a, b, common, own=False) * mean_ratio(b, c, common, own=False),
        direct=mean_ratio(a, c, common, own=False),
        chained_own=chained_own,
        direct_own=direct_own,
        difference=chained_own / direct_own,
        own_titles=own,
        trace=Trace(
            "check_closure",
            f"closure/{metric}/{a}-over-{b}-over-{c}",
            inputs=tuple(cells[p, t].trace for p in names for t in shared(p) if t in every),
        ),
    )
