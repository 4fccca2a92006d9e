"""Two products compared in one title, with an interval. Runs are the replicates, frames never."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from kit.margins.cells import Cell as Cell
from kit.margins.cells import cells_frame as cells_frame
from kit.margins.cells import make_cells as make_cells
from kit.margins.estimate import Estimate, Outcome, RatioEstimate, outcome_of
from kit.margins.replicates import LOG_PER_DB
from kit.margins.shared_variance import SharedVariances
from kit.margins.verdicts import choose_method as choose_method
from kit.margins.verdicts import judge_pairs, pair_cells
from kit.settings.params import MarginParams
from kit.stats.intervals import adjust_p_values
from kit.trace import Trace

if TYPE_CHECKING:
    import pandas as pd

# What a claim names as its method. A version rises when the same runs would give other figures.
METHOD_VERSION: Mapping[str, int] = {
    "welch": 1,
    "shared": 1,
    "paired": 1,
    "paired_shared": 1,
    "none": 1,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin(RatioEstimate):
    """How far one product was ahead of another in one title.

    `ratio` is above 1 where the product is better, whichever way the title is measured: for a
    duration it is the baseline's over the product's. `level_low` and `level_high` are the ends of
    the 90 % interval that decides "level" (two one-sided tests at 5 %). `log_se` and `df` describe
    the error of ln(ratio); df is None for a mixture of normals. `method` is a key of
    METHOD_VERSION.
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
    p_level: float | None = None  # of a true ratio outside the level band
    p_level_adjusted: float | None = None
    mixture_df: float | None = None  # df that stands for a mixture in Satterthwaite's rule

    @property
    def method_name(self) -> str:
        """The method's name in the catalogue."""
        return f"margin-{self.method}"


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDifference(Estimate):
    """How far apart two products are in a title measured in dB, which has no ratios.

    The value is product minus baseline, as measured: of noise, below 0 where the product is
    quieter, which is the outcome "ahead". There is no level band in dB unless one is given, so no
    outcome "level".
    """

    outcome: Outcome
    p_value: float | None
    cells: tuple[Cell, Cell]

    @property
    def method_name(self) -> str:
        """The method's name in the catalogue, whatever the interval's own."""
        return "difference"


def compare_products(
    cells: Sequence[Cell],
    *,
    product: str,
    baselines: Sequence[str],
    params: MarginParams,
    titles: Sequence[str] | None = None,
    waived: Mapping[tuple[str, str, str], Sequence[str]] | None = None,
    variances: Mapping[str, SharedVariances] | None = None,
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
    titles : sequence of str, optional
        Only these.
    waived : mapping of (product, baseline, title) to sequence of str, optional
        Controls waived; each gives a mark "waived:<control>".
    variances : mapping of str to SharedVariances, optional
        By metric. Without them no variance is shared.

    Notes
    -----
    The ratio is that of the two cells' values, turned so that above 1 is better. A paired margin
    rests on the runs of the common sessions only; where that leaves runs out, or sessions have
    unequal numbers of runs, its `cells` say so by the mark "common_sessions_only". Levels in dB
    have no ratio: see `compare_levels`. Sessions that both sides record but do not share get the
    mark "sessions_apart": what a session does to all its runs is then not in the interval.
    """
    found = pair_cells(cells, product, baselines, titles, levels=False)
    verdicts = judge_pairs(found, params, variances, band=math.log1p(params.level_band))
    families: dict[tuple[str, str], list[int]] = {}
    for i, (a, b) in enumerate(found):
        families.setdefault((a.metric, b.product), []).append(i)
    p_adjusted: list[float | None] = [None] * len(found)
    p_level_adjusted = list(p_adjusted)
    for places in families.values():
        for target, p_values in (
            (p_adjusted, [verdicts[i].p_value for i in places]),
            (p_level_adjusted, [verdicts[i].p_level for i in places]),
        ):
            adjusted = adjust_p_values(p_values, family=params.family)
            for i, p in zip(places, adjusted, strict=True):
                target[i] = p
    margins = []
    for i, verdict in enumerate(verdicts):
        a, b = verdict.cells
        ratio = b.value / a.value if a.less_is_better else a.value / b.value
        low, high = _ends(ratio, verdict.half)
        level_low, level_high = _ends(ratio, verdict.level_half)
        controls = (waived or {}).get((a.product, b.product, a.title), ())
        marks = [*verdict.marks, *(f"waived:{control}" for control in controls)]
        margins.append(
            Margin(
                product=a.product,
                baseline=b.product,
                title=a.title,
                metric=a.metric,
                value=ratio,
                low=low,
                high=high,
                level_low=level_low,
                level_high=level_high,
                confidence=params.confidence,
                outcome=outcome_of(low, high, level_low, level_high, band=params.level_band),
                method=verdict.method,
                log_se=verdict.log_se,
                df=verdict.df,
                p_value=verdict.p_value,
                p_adjusted=p_adjusted[i],
                cells=verdict.cells,
                marks=tuple(dict.fromkeys(marks)),
                trace=Trace(
                    "compare_products",
                    f"margin/{a.metric}/{a.title}/{a.product}-over-{b.product}",
                    inputs=(a.trace, b.trace),
                ),
                p_level=verdict.p_level,
                p_level_adjusted=p_level_adjusted[i],
                mixture_df=verdict.mixture_df,
            )
        )
    return tuple(margins)


def compare_levels(
    cells: Sequence[Cell],
    *,
    product: str,
    baselines: Sequence[str],
    params: MarginParams,
    level_band_db: float | None = None,
    variances: Mapping[str, SharedVariances] | None = None,
) -> tuple[LevelDifference, ...]:
    """Return a difference per baseline and title measured in dB, product minus baseline.

    Parameters
    ----------
    cells, product, baselines, params, variances
        As for `compare_products`.
    level_band_db : float, optional
        Differences within it either way count as level; without it none does.
    """
    found = pair_cells(cells, product, baselines, None, levels=True)
    band = math.nan if level_band_db is None else level_band_db * LOG_PER_DB
    differences = []
    for verdict in judge_pairs(found, params, variances, band=band):
        a, b = verdict.cells
        better = -1 if a.less_is_better else 1
        low, high = _ends(math.exp(verdict.difference), verdict.half)
        level_low, level_high = _ends(math.exp(verdict.difference), verdict.level_half)
        share = 0.0 if level_band_db is None else math.expm1(band)
        marks = verdict.marks
        db = (
            sorted(
                better * end / LOG_PER_DB
                for end in (verdict.difference - verdict.half, verdict.difference + verdict.half)
            )
            if verdict.half is not None
            else [None, None]
        )
        differences.append(
            LevelDifference(
                product=a.product,
                baseline=b.product,
                title=a.title,
                metric=a.metric,
                unit=a.unit,
                value=better * verdict.difference / LOG_PER_DB,
                low=db[0],
                high=db[1],
                confidence=params.confidence,
                outcome=outcome_of(low, high, level_low, level_high, band=share),
                method=verdict.method,
                p_value=verdict.p_value,
                cells=verdict.cells,
                marks=marks,
                trace=Trace(
                    "compare_levels",
                    f"difference/{a.metric}/{a.title}/{a.product}-over-{b.product}",
                    inputs=(a.trace, b.trace),
                ),
            )
        )
    return tuple(differences)


def _ends(ratio: float, half: float | None) -> tuple[float | None, float | None]:
    """Return the ends of an interval around a ratio."""
    if half is None:
        return None, None
    return ratio * math.exp(-half), ratio * math.exp(half)


def margins_frame(margins: Sequence[Margin]) -> pd.DataFrame:
    """Return a row per margin.

    Columns: metric, title, product, baseline, ratio, low, high, confidence, outcome, method,
    p_value, p_adjusted, runs_product, runs_baseline, marks (joined by "; "), ratio_all_runs.
    Figures nothing gives are NaN.
    """
    import pandas as pd

    names = [
        "metric",
        "title",
        "product",
        "baseline",
        "ratio",
        "low",
        "high",
        "confidence",
        "outcome",
        "method",
        "p_value",
        "p_adjusted",
    ]
    rows = [
        [
            *(getattr(m, name) for name in names),
            *(len(cell.runs) for cell in m.cells),
            "; ".join(m.marks),
            m.ratio_all_runs,
        ]
        for m in margins
    ]
    frame = pd.DataFrame(
        rows, columns=[*names, "runs_product", "runs_baseline", "marks", "ratio_all_runs"]
    )
    figures = ["low", "high", "p_value", "p_adjusted", "ratio_all_runs"]
    return frame.astype(dict.fromkeys(figures, "float64"))
