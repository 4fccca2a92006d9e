"""Margins against each other: whether chains close, and gaps between classes of machine."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from kit.margins.cells import Cell
from kit.margins.compare import Margin
from kit.margins.derived import derive_ratio
from kit.margins.replicates import is_level_unit
from kit.margins.suites import NOT_SPEED, Closure, NameGap, summarise_titles
from kit.settings.bench_file import Title
from kit.settings.params import MarginParams
from kit.stats.combining import spread_over_titles, t_ends
from kit.trace import Trace

METHOD_VERSION: Mapping[str, int] = {"closure": 1, "name-gap": 1}


def check_closure(
    cells: Sequence[Cell],
    *,
    product: str,
    others: Sequence[str],
    params: MarginParams | None = None,
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
    params : MarginParams, optional
        Not needed: closure is about the figures themselves.
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
        if is_level_unit(cell.unit) or (known is not None and known.measures in NOT_SPEED):
            continue
        by_metric.setdefault(cell.metric, {})[cell.product, cell.title] = cell
    ratios = {(m.metric, m.product, m.baseline, m.title): m.ratio for m in margins}
    closures = []
    for metric, known_cells in by_metric.items():
        of = {name: [t for p, t in known_cells if p == name] for name in (product, *others)}
        for b, c in combinations(dict.fromkeys(others), 2):
            made = _close(known_cells, ratios, metric, (product, b, c), of)
            if made is not None:
                closures.append(made)
    return tuple(closures)


def find_name_gaps(
    margins: Sequence[Margin],
    quads: Sequence[tuple[str, str, str, str]],
    *,
    params: MarginParams,
    mean_clocks_mhz: Mapping[tuple[str, str], float] | None = None,
) -> tuple[NameGap, ...]:
    """Return the gap of each (here_new, here_old, there_new, there_old), per metric.

    A gap needs a title in which both here_new over here_old and there_new over there_old are
    among `margins`; without one there is none. See `name_gap`.
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
                    name_gap(
                        [here[t] for t in shared],
                        [there[t] for t in shared],
                        params=params,
                        mean_clocks_mhz=mean_clocks_mhz,
                    )
                )
    return tuple(gaps)


def name_gap(
    here: Sequence[Margin],
    there: Sequence[Margin],
    *,
    params: MarginParams,
    mean_clocks_mhz: Mapping[tuple[str, str], float] | None = None,
) -> NameGap:
    """Return how a margin in one class of machine stands to the same-named one in another.

    Parameters
    ----------
    here, there : sequence of Margin
        One per title, of the same titles in the same order, at least one.
    params : MarginParams
        Confidence.
    mean_clocks_mhz : mapping of (product, title) to float, optional
        Sustained clocks. Where all four products have one in every title, the gap carries the
        same ratio of ratios of clocks, and the share of ln(ratio) it makes up; the share is None
        where the interval holds 1, because there is then no gap to explain.

    Notes
    -----
    A product that stands in both margins of a title keeps its correlation: see
    `derived.derive_ratio`.
    """
    if [m.title for m in here] != [m.title for m in there]:
        raise ValueError("here and there must hold the same titles in the same order")
    first, second = (
        summarise_titles(side, suite="shared", params=params) for side in (here, there)
    )
    derived = derive_ratio([(first, 1.0), (second, -1.0)], confidence=params.confidence)
    x = np.array([math.log(a.ratio / b.ratio) for a, b in zip(here, there, strict=True)])
    like = t_ends(
        math.log(derived.ratio),
        *spread_over_titles(x, np.full(x.size, 1 / x.size)),
        confidence=params.confidence,
    )
    gap = NameGap(
        product=first.product,
        baseline=second.product,
        metric=first.metric,
        titles=first.titles,
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
        like_low=like[0],
        like_high=like[1],
    )
    return _explain_by_clock(gap, mean_clocks_mhz or {})


def _close(
    cells: Mapping[tuple[str, str], Cell],
    ratios: Mapping[tuple[str, str, str, str], float],
    metric: str,
    names: tuple[str, str, str],
    titles_of: Mapping[str, Sequence[str]],
) -> Closure | None:
    """Return the closure of one triple, or None where two of them share no title."""
    a, b, c = names

    def shared(*products: str) -> tuple[str, ...]:
        return tuple(t for t in titles_of[products[0]] if all((p, t) in cells for p in products))

    def mean_ratio(over: str, under: str, titles: tuple[str, ...], *, own: bool) -> float:
        logs = []
        for title in titles:
            top, bottom = cells[over, title], cells[under, title]
            ratio = bottom.value / top.value if top.less_is_better else top.value / bottom.value
            if own:
                ratio = ratios.get((metric, over, under, title), ratio)
            logs.append(math.log(ratio))
        return math.exp(math.fsum(logs) / len(logs))

    common = shared(a, b, c)
    own = shared(a, b), shared(b, c), shared(a, c)
    if not common:
        return None
    chained_own = mean_ratio(a, b, own[0], own=True) * mean_ratio(b, c, own[1], own=True)
    direct_own = mean_ratio(a, c, own[2], own=True)
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
            inputs=tuple(
                cells[p, t].trace
                for p in names
                for t in titles_of[p]
                if any(t in titles for titles in own)
            ),
        ),
    )


def _explain_by_clock(gap: NameGap, clocks: Mapping[tuple[str, str], float]) -> NameGap:
    """Return the gap with its clock figures, where every product has a clock in every title."""
    signs = ((gap.here_new, 1), (gap.here_old, -1), (gap.there_new, -1), (gap.there_old, 1))
    logs = []
    for product, sign in signs:
        for title in gap.titles:
            clock = clocks.get((product, title))
            if clock is None or not clock > 0:
                return gap
            logs.append(sign * math.log(clock))
    log_ratio = math.fsum(logs) / len(gap.titles)
    resolved = gap.low is not None and gap.high is not None and not gap.low <= 1 <= gap.high
    share = log_ratio / math.log(gap.ratio) if resolved else None
    return replace(gap, clock_ratio=math.exp(log_ratio), clock_share=share)
