"""Two products compared in one title, with an interval. Runs are the replicates, frames never."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from operator import attrgetter, mul
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from kit.margins.cells import (
    MIN_SHARED,
    OWN_MARKS,
    Cell,
    Estimate,
    Outcome,
    RatioEstimate,
    outcome_of,
)
from kit.margins.replicates import (
    LOG_PER_DB,
    SessionPair,
    SharedVariances,
    from_log,
    pair_key,
    to_log,
)
from kit.rounding import grouped
from kit.screening.controls import Controls
from kit.settings.params import MarginParams
from kit.stats.crossed_variance import ODD_TAIL, CrossedFit, Mixture
from kit.stats.intervals import Family, Judged, adjust_p_values, welch_error
from kit.stats.suite_errors import false_sign_rates
from kit.trace import Trace

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Compared:
    """One comparison on the log scale, above 0 where the product is better."""

    cells: tuple[Cell, Cell]
    difference: float
    method: str
    half: float | None
    level_half: float | None
    p_value: float | None
    p_level: float | None
    log_se: float | None
    df: float | None
    mixture_df: float | None
    marks: tuple[str, ...]
    error: Mixture | None = None
    care: float = 1.0
    own_half: float | None = None
    own_level_half: float | None = None
    robust: float | None = None  # the difference of robust means, where one parts from its mean


@dataclass(frozen=True, slots=True, eq=False)
class _Judgement:
    """What the errors by one method say of several differences, and what stands beside it."""

    judged: Judged
    errors: Mixture
    care: Floats
    marks: Sequence[Sequence[str]]
    own: Judged | None = None  # from the runs of the two sides alone, where variances are shared
    robust: Sequence[float] = ()  # differences of robust means, NaN where none parts from its mean


def _choose_method(
    asked: str,
    *,
    freedom: tuple[int, int],
    common_sessions: int,
    cells: int,
    pairs: int,
    borrowed: bool = False,
) -> str:
    """Return the method of one margin. It depends on the design alone, never on the figures.

    Parameters
    ----------
    asked : {"auto", "welch", "shared", "paired"}
        From params.
    freedom : (int, int)
        Degrees of freedom of either side's own spread: runs less one, unless a figure is the mean
        of several passes whose spread is stated, or borrows the spread of titles params name.
    common_sessions : int
        Sessions in which both sides were run.
    cells, pairs : int
        Cells of this metric that have a run-to-run variance of their own, and pairs of products
        that have a variance from session to session, in the whole review.
    borrowed : bool
        Whether a side borrows the spread of titles that params name.

    Returns
    -------
    {"welch", "shared", "paired", "paired_shared", "borrowed", "none"}

    Notes
    -----
    "auto": with two or more common sessions the margin is paired, and the variance of the session
    differences is shared where `MIN_SHARED` pairs or more have one; otherwise, where `MIN_SHARED`
    cells or more have a variance, it is shared; otherwise Welch, for which both sides need two
    runs. A method asked for by name is used or, where the design does not carry it, "none" is.
    """
    if asked in {"auto", "paired"} and common_sessions > 1:
        return "paired_shared" if asked == "auto" and pairs >= MIN_SHARED else "paired"
    if asked in {"auto", "welch"} and borrowed and min(freedom) > 0:
        return "borrowed"
    if asked in {"auto", "shared"} and cells >= MIN_SHARED:
        return "shared"
    if asked in {"auto", "welch"} and min(freedom) > 0:
        return "welch"
    return "none"


def _pair_cells(
    cells: Sequence[Cell], product: str, baselines: Sequence[str], *, levels: bool
) -> list[tuple[Cell, Cell]]:
    """Return the (product's, baseline's) cells to compare, by metric, baseline and title."""
    known = {(c.metric, c.product, c.title): c for c in cells}
    return [
        (a, known[a.metric, baseline, a.title])
        for metric in dict.fromkeys(c.metric for c in cells)
        for baseline in dict.fromkeys(baselines)
        for a in cells
        if a.metric == metric
        and a.product == product
        and a.is_level == levels
        and (a.metric, baseline, a.title) in known
    ]


def _compare_pairs(
    found: Sequence[tuple[Cell, Cell]],
    params: MarginParams,
    variances: Mapping[str, SharedVariances] | None,
    *,
    band: float,
) -> list[_Compared]:
    """Return one comparison per pair of cells; a method takes all its pairs of a metric at once."""
    sessions = [_session_pair(a, b) for a, b in found]
    groups: dict[tuple[str, str], list[int]] = {}
    for i, ((a, b), pair) in enumerate(zip(found, sessions, strict=True)):
        shared = (variances or {}).get(a.metric)
        method = _choose_method(
            params.method, freedom=(a.df, b.df), borrowed="borrowed" in {a.method, b.method},
            common_sessions=len(pair.sessions) if pair else 0,
            cells=_sharing(shared.cells if shared else None, _cell_keys(a, b)),
            pairs=_sharing(shared.pairs if shared else None, [_pair_key(a, b)]),
        )  # fmt: skip
        groups.setdefault((a.metric, method), []).append(i)
    made: dict[int, _Compared] = {}
    log_a, log_b = (_log_values(side) for side in ([a for a, _ in found], [b for _, b in found]))
    for (metric, method), places in groups.items():
        pairs = [found[i] for i in places]
        pairings = [sessions[i] for i in places]
        shared = (variances or {}).get(metric)
        paired = method.startswith("paired")
        raw = [
            pair.difference if paired and pair else log_a[i] - log_b[i]
            for i, pair in zip(places, pairings, strict=True)
        ]
        difference = np.array(
            [-d if a.less_is_better else d for d, (a, _) in zip(raw, pairs, strict=True)]
        )
        group = _judge_group(method, pairs, pairings, difference, shared, params.confidence, band)
        for k, i in enumerate(places):
            one = _compared(method, pairs[k], pairings[k], float(difference[k]), group, k)
            if one.half is None and shared is not None:
                one = replace(one, error=_borrowed_error(method, pairs[k], pairings[k], shared))
            made[i] = one
    return [made[i] for i in range(len(found))]


def _cell_keys(a: Cell, b: Cell) -> list[tuple[str, str]]:
    return [(a.title, a.product), (b.title, b.product)]


def _pair_key(a: Cell, b: Cell) -> tuple[str, str]:
    return pair_key(a.title, a.product, b.product)


def _sharing(fit: CrossedFit | None, keys: Sequence[tuple[str, str]]) -> int:
    """Return how many cells share variance with all of these; 0 where one of them does not."""
    return fit.cells_used if fit is not None and all(key in fit.keys for key in keys) else 0


def _session_pair(a: Cell, b: Cell) -> SessionPair | None:
    """Return two cells paired by session; None where they share none."""
    if {*a.sessions}.isdisjoint(b.sessions) or not any(a.sessions):
        return None
    return SessionPair.match(
        to_log(a.values, a.unit), a.sessions, to_log(b.values, b.unit), b.sessions
    )


def _log_values(cells: Sequence[Cell]) -> list[float]:
    """Return the mean of each cell's runs on the log scale; that of a cell is worked out once."""
    found: dict[int, float] = {}
    for cell in cells:
        if id(cell) not in found:
            logs = to_log(cell.values, cell.unit)
            found[id(cell)] = math.fsum(map(mul, cell.weights, logs)) / cell.n
    return [found[id(cell)] for cell in cells]


def _judge_group(
    method: str,
    pairs: Sequence[tuple[Cell, Cell]],
    pairings: Sequence[SessionPair | None],
    difference: Floats,
    shared: SharedVariances | None,
    confidence: float,
    band: float,
) -> _Judgement:
    """Return what the errors by one method say of differences of one metric."""
    n = np.array([[a.n, b.n] for a, b in pairs], dtype=np.float64).T
    if method.startswith("paired"):
        var = np.array([p.log_var if p and p.log_var else math.nan for p in pairings])
        weights = np.array([p.weight if p else math.nan for p in pairings])
        se = np.sqrt(var / weights)
        df = np.array([len(p.sessions) - 1.0 if p else math.nan for p in pairings])
    else:
        unknown = math.nan if method == "none" else 0.0
        sds = np.array(
            [[c.log_sd if c.log_sd is not None else math.nan for c in p] for p in pairs]
        ).T
        freedom = np.array([[a.df, b.df] for a, b in pairs], dtype=np.float64).T
        one = np.array([a.method == b.method == "borrowed" for a, b in pairs])
        se, df = welch_error(
            sds[0] ** 2 + unknown, n[0], sds[1] ** 2, n[1], dfs=(freedom[0], freedom[1]), common=one
        )
    own = Judged.by_t(difference, se, df, confidence=confidence, band=band)
    if method == "shared" and shared is not None and shared.cells is not None:
        fit = shared.cells
        sides = np.array([[fit.keys[k] for k in _cell_keys(a, b)] for a, b in pairs])
        errors = Mixture.of_sides(fit, sides[:, 0], n[0], sides[:, 1], n[1])
    elif method == "paired_shared" and shared is not None and shared.pairs is not None:
        fit = shared.pairs
        sides = np.array([[fit.keys[_pair_key(a, b)]] for a, b in pairs])
        errors = Mixture.of_means(fit, sides[:, 0], weights)
    else:
        known = np.isfinite(se) & (se > 0)
        errors = Mixture.of_t(np.where(known, se, 1.0), np.where(known, df, 1.0))
        return _Judgement(own, errors, np.ones(len(pairs)), [()] * len(pairs))
    care = fit.care[sides].min(axis=1)
    judged = Judged.by_mixture(
        difference, errors.sd, errors.weight, confidence=confidence, band=band, care=care
    )
    marks = [
        [
            *(["unlike_neighbours"] if (fit.tail[row] < ODD_TAIL).any() else []),
            *(["two_runs"] if (fit.df[row] == 1).any() else []),
        ]
        for row in sides
    ]
    robust = _robust_differences(method, pairs, pairings, fit)
    return _Judgement(judged, errors, care, marks, own, robust)


def _borrowed_error(
    method: str, cells: tuple[Cell, Cell], pairing: SessionPair | None, shared: SharedVariances
) -> Mixture | None:
    """Return the error a margin of equal runs at a cap adds to a suite, as others of its kind.

    A cap takes scatter away, so that of a cell like the others errs on the wide side. None where
    no variance is shared.
    """
    fit = shared.pairs if method.startswith("paired") else shared.cells
    if fit is None or fit.cells_used < MIN_SHARED:
        return None
    places = dict(fit.keys) | dict(fit.borrowers)
    if method.startswith("paired"):
        place = places.get(_pair_key(*cells))
        if place is None or pairing is None or place not in fit.borrowers.values():
            return None
        return Mixture.of_means(fit, np.array([place]), np.array([pairing.weight]))
    sides = [places.get(key, -1) for key in _cell_keys(*cells)]
    if min(sides) < 0 or not set(sides) & set(fit.borrowers.values()):
        return None
    a, b = np.array(sides)[:, None]
    n = np.array([[float(cell.n)] for cell in cells])
    return Mixture.of_sides(fit, a, n[0], b, n[1])


def _robust_differences(
    method: str,
    pairs: Sequence[tuple[Cell, Cell]],
    pairings: Sequence[SessionPair | None],
    fit: CrossedFit,
) -> list[float]:
    """Return how far a is better than b by robust means; NaN where none parts from its mean."""
    signs = [-1.0 if a.less_is_better else 1.0 for a, _ in pairs]
    if method == "paired_shared":
        known = [pairing for pairing in pairings if pairing is not None]
        places = np.array([fit.keys[_pair_key(*cells)] for cells in pairs])
        found = fit.parted_means(places, [p.differences for p in known], [p.weights for p in known])
        return [sign * x for sign, x in zip(signs, found.tolist(), strict=True)]
    each = {fit.keys[cell.title, cell.product]: cell for cells in pairs for cell in cells}
    logs = [to_log(cell.values, cell.unit) for cell in each.values()]
    found = fit.parted_means(np.array(list(each)), logs, [cell.weights for cell in each.values()])
    parted = dict(zip(each, found.tolist(), strict=True))
    plain = dict(zip(each, _log_values(list(each.values())), strict=True))
    robust = {k: plain[k] if math.isnan(x) else x for k, x in parted.items()}
    differences = []
    for sign, (a, b) in zip(signs, pairs, strict=True):
        sides = [fit.keys[key] for key in _cell_keys(a, b)]
        parts = any(not math.isnan(parted[side]) for side in sides)
        differences.append(sign * (robust[sides[0]] - robust[sides[1]]) if parts else math.nan)
    return differences


def _compared(
    method: str,
    cells: tuple[Cell, Cell],
    pairing: SessionPair | None,
    difference: float,
    group: _Judgement,
    k: int,
) -> _Compared:
    """Return one comparison out of a group's arrays."""
    a, b = cells
    judged = group.judged
    own_marks = [
        *(
            ["common_sessions_only"]
            if method.startswith("paired") and pairing and not _balanced(a, b, pairing)
            else []
        ),
        *(["sessions_apart"] if pairing is None and all(a.sessions) and all(b.sessions) else []),
        *(["less_is_better"] if a.less_is_better else []),
        *group.marks[k],
    ]
    if "common_sessions_only" in own_marks and pairing is not None:
        cells = (_restrict(a, b, pairing), _restrict(b, a, pairing))
    half = _figure(judged.half[k])
    marks = [m for cell in cells for m in cell.marks if m not in OWN_MARKS] + own_marks
    if half is None:
        marks.append("no_interval")
        # All that is said of an error goes together: none of it without an interval.
        return _Compared(cells, difference, method, *(None,) * 7, marks=tuple(dict.fromkeys(marks)))
    mixture = method in {"shared", "paired_shared"}
    df = _figure(judged.df[k])
    return _Compared(
        cells=cells, difference=difference, method=method, half=half,
        level_half=_figure(judged.level_half[k]), p_value=_figure(judged.p_value[k]),
        p_level=_figure(judged.p_level[k]), log_se=_figure(judged.log_se[k]),
        df=None if mixture else df, mixture_df=df if mixture else None,
        marks=tuple(dict.fromkeys(marks)), error=group.errors.row(k), care=float(group.care[k]),
        robust=_figure(group.robust[k]) if group.robust else None,
        own_half=_figure(group.own.half[k]) if group.own else None,
        own_level_half=_figure(group.own.level_half[k]) if group.own else None,
    )  # fmt: skip


def _balanced(a: Cell, b: Cell, pairing: SessionPair) -> bool:
    """Return whether every run is in a common session, with as many runs on both sides of each."""
    return sorted(a.sessions) == sorted(b.sessions) and set(a.sessions) == set(pairing.sessions)


def _restrict(cell: Cell, other: Cell, pairing: SessionPair) -> Cell:
    """Return a cell over the common sessions only, weighted as the pairing weighs them."""
    kept = [i for i, session in enumerate(cell.sessions) if session in pairing.sessions]
    logs = to_log(cell.values, cell.unit)
    total = mean = 0.0
    for session in pairing.sessions:
        mine = [logs[i] for i in kept if cell.sessions[i] == session]
        theirs = other.sessions.count(session)
        weight = 2 * len(mine) * theirs / (len(mine) + theirs)
        total += weight
        mean += weight * math.fsum(mine) / len(mine)
    return replace(
        cell, runs=tuple(cell.runs[i] for i in kept),
        sessions=tuple(cell.sessions[i] for i in kept),
        values=tuple(cell.values[i] for i in kept),
        passes=tuple(cell.passes[i] for i in kept) if cell.passes else (),
        value=from_log(mean / total, cell.unit), low=None, high=None, log_sd=None, log_se=None,
        marks=(*cell.marks, "common_sessions_only"),
        trace=replace(cell.trace, inputs=tuple(cell.trace.inputs[i] for i in kept)),
    )  # fmt: skip


def _figure(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin(RatioEstimate):
    """How far one product was ahead of another in one title.

    `ratio` is above 1 where the product is better, whichever way the title is measured: for a
    duration it is the baseline's over the product's. `level_low` and `level_high` are the ends of
    the 90 % interval that decides "level" (two one-sided tests at 5 %). `log_se` and `df` describe
    the error of ln(ratio); df is None for a mixture of normals. `method` is what
    `_choose_method` gives.
    """

    outcome: Outcome
    level_low: float | None
    level_high: float | None
    log_se: float | None
    df: float | None
    p_value: float | None  # two-sided, of ln(ratio) = 0
    p_adjusted: float | None  # over the family of one baseline and metric
    cells: tuple[Cell, Cell]  # product's, baseline's
    ratio_all_runs: float | None = None  # with the set-aside runs put back, where it differs
    all_runs: tuple[str, ...] = ()  # what that rests on
    without_struck: Margin | None = None  # less what steps and drifts in runs strike
    p_level: float | None = None  # of a true ratio outside the level band
    p_level_adjusted: float | None = None
    mixture_df: float | None = None  # df that stands for a mixture in Satterthwaite's rule
    # Of ln(ratio); of equal runs at a cap that of a margin like the others, without an interval.
    error: Mixture | None = field(default=None, compare=False, repr=False)
    care: float = 1.0  # factor on the share of errors the interval leaves out
    false_sign: float | None = None  # P(the measured sign is false), among its family
    own_low: float | None = None  # by the runs of its two sides alone, where variances are shared
    own_high: float | None = None
    compared: _Compared | None = field(default=None, compare=False, repr=False)  # made from it
    robust: float | None = None  # by robust means, where one parts from the mean of its runs

    @staticmethod
    def judged_again(
        margins: Sequence[Margin], params: MarginParams, controls: Controls
    ) -> tuple[Margin, ...]:
        """Return what `compare_products` made as it is with another level band of params.

        The band enters outcomes, what marks say of them, and p-values of being level, nothing else.
        """
        made = [m.compared for m in margins if m.compared is not None]
        p_level = _level_p_values(made, math.log1p(params.level_band))
        adjusted = _adjust([one.cells for one in made], p_level, family=params.family)
        found = []
        for i, (margin, one) in enumerate(zip(margins, made, strict=True)):
            outcome, marks = _judge(
                one, margin.value, params.level_band, margin.false_sign, controls
            )
            later = [m for m in margin.marks if m not in marks and m != "resolved_by_sharing"]
            less = margin.without_struck
            again = less and Margin.judged_again([less], params, controls)[0]
            said = dict(zip(_FIELDS, _fields_of(margin), strict=True))  # `replace` takes twice
            said |= {"outcome": outcome, "marks": (*marks, *later), "without_struck": again}
            said |= {"p_level": p_level[i], "p_level_adjusted": adjusted[i]}
            found.append(Margin(**said))
        return tuple(found)


_FIELDS = tuple(f.name for f in fields(Margin))
_fields_of = attrgetter(*_FIELDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDifference(Estimate):
    """How far apart two products are in a title measured in dB, which has no ratios.

    The value is product minus baseline, as measured: of noise, below 0 where the product is
    quieter, which is the outcome "ahead". There is no level band in dB, so no outcome "level".
    """

    outcome: Outcome
    p_value: float | None
    cells: tuple[Cell, Cell]


def compare_products(
    cells: Sequence[Cell],
    *,
    product: str,
    baselines: Sequence[str],
    params: MarginParams,
    controls: Controls,
    variances: Mapping[str, SharedVariances] | None = None,
    false_signs: bool = True,
) -> tuple[Margin, ...]:
    """Return a margin per metric, baseline and title in which both sides have a cell.

    Parameters
    ----------
    cells : sequence of Cell
        Of the product and the baselines; others are passed over.
    product, baselines : str, sequence of str
        What is compared with what.
    params : MarginParams
        Method, confidence, level band and family.
    controls : Controls
        What was alike; each control waived gives a mark "waived:<control>".
    variances : mapping of str to SharedVariances, optional
        By metric. Without them no variance is shared.
    false_signs : bool
        Whether to work out how likely each sign is false: outcomes of titles need it, suites do
        not.

    Raises
    ------
    UsageError
        If the controls of a pair were not compared.

    Notes
    -----
    The ratio is that of the two cells' values, turned so that above 1 is better. A paired margin
    rests on the runs of the common sessions only; where that leaves runs out, or sessions have
    unequal numbers of runs, its `cells` say so by the mark "common_sessions_only". Levels in dB
    have no ratio: see `compare_levels`. Sessions that both sides record but do not share get the
    mark "sessions_apart": what a session does to all its runs is then not in the interval.
    """
    for baseline in baselines:
        controls.check_pair(product, baseline)
    found = _pair_cells(cells, product, baselines, levels=False)
    made = _compare_pairs(found, params, variances, band=math.log1p(params.level_band))
    p_adjusted = _adjust(found, [one.p_value for one in made], family=params.family)
    p_level_adjusted = _adjust(found, [one.p_level for one in made], family=params.family)
    false_sign = _false_signs(found, made) if false_signs else [None] * len(made)
    margins = []
    for i, one in enumerate(made):
        a, b = one.cells
        ratio = b.value / a.value if a.less_is_better else a.value / b.value
        low, high = _ends(ratio, one.half)
        level_low, level_high = _ends(ratio, one.level_half)
        own_low, own_high = _ends(ratio, one.own_half)
        outcome, marks = _judge(one, ratio, params.level_band, false_sign[i], controls)
        margins.append(
            Margin(
                **_of_comparison(one, "compare_products", "margin"),
                **{name: getattr(one, name) for name in _CARRIED},
                value=ratio,
                low=low,
                high=high,
                level_low=level_low,
                level_high=level_high,
                confidence=params.confidence,
                outcome=outcome,
                p_adjusted=p_adjusted[i],
                marks=marks,
                p_level_adjusted=p_level_adjusted[i],
                false_sign=false_sign[i],
                own_low=own_low,
                own_high=own_high,
                compared=one,
                robust=None if one.robust is None else math.exp(one.robust),
            )
        )
    return tuple(margins)


# What a margin has of its comparison as it is.
_CARRIED = ("log_se", "df", "p_level", "mixture_df", "error", "care")


def _of_comparison(one: _Compared, step: str, kind: str) -> dict[str, Any]:
    """Return what a margin and a difference in dB have of their comparison."""
    a, b = one.cells
    name = f"{kind}/{a.metric}/{a.title}/{a.product}-over-{b.product}"
    return {
        "product": a.product,
        "baseline": b.product,
        "title": a.title,
        "metric": a.metric,
        "method": one.method,
        "p_value": one.p_value,
        "cells": one.cells,
        "trace": Trace(step, name, inputs=(a.trace, b.trace)),
    }


def _outcome(one: _Compared, ratio: float, *, band: float, false_sign: float = 0.0) -> Outcome:
    """Return what a comparison says of a ratio, by a level band given as a share."""
    a, b = one.cells
    figure = None if a.scatters and b.scatters else ratio
    ends = (*_ends(ratio, one.half), *_ends(ratio, one.level_half))
    return outcome_of(*ends, band=band, false_sign=false_sign, figure=figure)


def _judge(
    one: _Compared, ratio: float, band: float, false_sign: float | None, controls: Controls
) -> tuple[Outcome, tuple[str, ...]]:
    """Return a margin's outcome by its level band, and its marks."""
    a, b = one.cells
    outcome = _outcome(one, ratio, band=band, false_sign=false_sign or 0.0)
    marks = [*one.marks, *controls.marks(a.product, b.product, a.title)]
    if one.mixture_df is not None and outcome != "unresolved":
        ends = (*_ends(ratio, one.own_half), *_ends(ratio, one.own_level_half))
        marks += ["resolved_by_sharing"] if outcome_of(*ends, band=band) == "unresolved" else []
    marks += ["means_part"] if one.robust is not None else []
    return outcome, tuple(dict.fromkeys(marks))


def _level_p_values(made: Sequence[_Compared], band: float) -> list[float | None]:
    """Return the p-values of true ratios outside a level band; None without an interval."""
    groups = grouped(
        ((one.cells[0].metric, one.cells[0].product, one.method), i)
        for i, one in enumerate(made)
        if one.half is not None
    )
    found: list[float | None] = [None] * len(made)
    for places in groups.values():
        group = [made[i] for i in places]
        size = np.abs([one.difference for one in group])
        if group[0].mixture_df is not None:
            errors = Mixture.stack([one.error for one in group if one.error])
            care = np.array([one.care for one in group])
            p = Judged.p_of_level(size, errors.sd, errors.weight, band=band, care=care)
        else:
            se = np.array([one.log_se for one in group], dtype=np.float64)
            p = stdtr(np.array([one.df for one in group], dtype=np.float64), (size - band) / se)
        for i, value in zip(places, p.tolist(), strict=True):
            found[i] = value
    return found


_NO_ERROR = Mixture.of_t(np.ones(1), np.ones(1))  # of a margin in no family


def _false_signs(
    found: Sequence[tuple[Cell, Cell]], made: Sequence[_Compared]
) -> list[float | None]:
    """Return the false sign rates within each family of two or more; None without an interval."""
    families: dict[tuple[str, str], list[int]] = {}
    for i, ((a, b), one) in enumerate(zip(found, made, strict=True)):
        if one.half is not None:
            families.setdefault((a.metric, b.product), []).append(i)
    known = [places for places in families.values() if len(places) > 1]
    if not known:
        return [None] * len(found)
    errors = [one.error or _NO_ERROR for one in made]
    within = false_sign_rates(np.array([one.difference for one in made]), errors, known).tolist()
    return [None if math.isnan(rate) else rate for rate in within]


def _adjust(
    found: Sequence[tuple[Cell, Cell]], p_values: Sequence[float | None], *, family: Family
) -> list[float | None]:
    """Return p-values adjusted within each family: the titles of one metric and baseline."""
    families = grouped(((a.metric, a.product, b.product), i) for i, (a, b) in enumerate(found))
    adjusted: list[float | None] = [None] * len(found)
    for places in families.values():
        within = adjust_p_values([p_values[i] for i in places], family=family)
        for i, p in zip(places, within, strict=True):
            adjusted[i] = p
    return adjusted


def compare_levels(
    cells: Sequence[Cell],
    *,
    product: str,
    baselines: Sequence[str],
    params: MarginParams,
    controls: Controls,
    variances: Mapping[str, SharedVariances] | None = None,
) -> tuple[LevelDifference, ...]:
    """Return a difference per baseline and title measured in dB, product minus baseline.

    Parameters
    ----------
    cells, product, baselines, params, controls, variances
        As for `compare_products`.

    Raises
    ------
    UsageError
        As `compare_products`.
    """
    for baseline in baselines:
        controls.check_pair(product, baseline)
    found = _pair_cells(cells, product, baselines, levels=True)
    differences = []
    for one in _compare_pairs(found, params, variances, band=math.nan):
        a, b = one.cells
        better = -1 if a.less_is_better else 1
        centre = one.difference
        ends = [] if one.half is None else [centre - one.half, centre + one.half]
        db: Sequence[float | None] = sorted(better * end / LOG_PER_DB for end in ends) or (
            None,
            None,
        )
        marks = [*one.marks, *controls.marks(a.product, b.product, a.title)]
        differences.append(
            LevelDifference(
                **_of_comparison(one, "compare_levels", "difference"),
                unit=a.unit,
                value=better * centre / LOG_PER_DB,
                low=db[0],
                high=db[1],
                confidence=params.confidence,
                outcome=_outcome(one, math.exp(centre), band=0.0),
                marks=tuple(dict.fromkeys(marks)),
            )
        )
    return tuple(differences)


def _ends(ratio: float, half: float | None) -> tuple[float | None, float | None]:
    """Return the ends of an interval around a ratio."""
    if half is None:
        return None, None
    return ratio * math.exp(-half), ratio * math.exp(half)
