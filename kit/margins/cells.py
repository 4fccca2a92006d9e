"""One product in one title: its used runs, their summary, and what frames alone would explain."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kit.margins.replicates import (
    Pooled,
    SharedVariances,
    from_log,
    group_runs,
    metric_unit,
    sample_variance,
)
from kit.metrics.run_metrics import RunMetrics
from kit.settings.bench_file import Title
from kit.settings.metric import METRICS
from kit.settings.params import MarginParams
from kit.stats.crossed_variance import ODD_TAIL, CrossedFit, Mixture
from kit.stats.intervals import mixture_error, mixture_half_width, t_half_width
from kit.trace import Trace

Outcome = Literal["ahead", "behind", "level", "unresolved", "above", "below", "open"]
# A margin is said to be ahead or behind where its sign is false with less than this probability.
SIGN_LIMIT = 0.05
JUDGED: tuple[Outcome, ...] = ("ahead", "behind", "level", "unresolved")
# By the figures alone, where how far runs scatter was not measured.
BY_FIGURES: tuple[Outcome, ...] = ("above", "below", "open")
OUTCOMES = (*JUDGED, *BY_FIGURES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One figure with its interval, what it is about, how it was made, and its history.

    What is about no product, baseline or title has "" there. `low` and `high` are None where
    nothing gives an interval; a mark says why.
    """

    metric: str
    product: str = ""
    baseline: str = ""
    title: str = ""
    value: float  # in `unit`, unrounded
    low: float | None
    high: float | None
    confidence: float  # a fraction in (0, 1)
    unit: str = "ratio"
    outcome: Outcome | Literal[""] = ""
    method: str
    marks: tuple[str, ...]
    trace: Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioEstimate(Estimate):
    """An estimate that is a ratio: 1.0 is level."""

    @property
    def ratio(self) -> float:
        """The estimate's value."""
        return self.value


def outcome_of(
    low: float | None,
    high: float | None,
    level_low: float | None,
    level_high: float | None,
    *,
    band: float,
    false_sign: float = 0.0,
    figure: float | None = None,
) -> Outcome:
    """Return what may be said of a margin.

    Parameters
    ----------
    low, high : float or None
        Ends of the interval at the review's confidence, as ratios.
    level_low, level_high : float or None
        Ends of the 90 % interval.
    band : float
        Level band as a share. The band reaches from 1 / (1 + band) to 1 + band, so that it is the
        same from either side.
    false_sign : float
        Probability that the sign measured is false, among all titles of one baseline.
    figure : float, optional
        The ratio itself, where how far runs scatter was not measured: without an interval its side
        is all that can be told.

    Notes
    -----
    "level" where the 90 % interval lies inside the band: two one-sided tests at 5 % each [1]_.
    Level comes first: a margin shown to be too small to matter is level even where its interval
    leaves out 1. Otherwise "ahead" or "behind" where the interval leaves out 1 and the sign is
    false with less than `SIGN_LIMIT`, else "unresolved".

    References
    ----------
    .. [1] D. J. Schuirmann (1987), "A comparison of the two one-sided tests procedure and the
           power approach for assessing the equivalence of average bioavailability", Journal of
           Pharmacokinetics and Biopharmaceutics 15(6), 657-680.
    """
    if low is None or high is None or level_low is None or level_high is None:
        return side_of(figure) if figure is not None else "unresolved"
    if level_low >= 1 / (1 + band) and level_high <= 1 + band:
        return "level"
    if false_sign >= SIGN_LIMIT:
        return "unresolved"
    if low > 1:
        return "ahead"
    return "behind" if high < 1 else "unresolved"


def side_of(ratio: float) -> Outcome:
    """Return on which side of level a ratio lies, by itself: above, below or open."""
    return "above" if ratio > 1 else "below" if ratio < 1 else "open"


Floats = NDArray[np.float64]

# "auto" shares variance where at least this many cells (or pairs) have one of their own.
MIN_SHARED = 6
# What these marks say of a cell's interval does not hold of what is made from the cell.
OWN_MARKS = frozenset({"no_interval", "frames_only", "unlike_neighbours", "two_runs"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell(Estimate):
    """One metric of one product in one title: its used runs and their summary.

    `value` is the geometric mean of the runs' values, so that the ratio of two cells is the
    margin; of levels in dB it is their arithmetic mean. `method` is "welch" (t over the runs),
    "shared", "borrowed" (t, with the spread of titles that params name), "frames" (of a lone run)
    or "none".
    """

    less_is_better: bool
    runs: tuple[str, ...]
    sessions: tuple[str, ...]  # one per run
    values: tuple[float, ...]  # one per run, in the metric's unit, unrounded
    log_sd: float | None = None  # sample standard deviation of the runs' ln values
    log_se: float | None = None  # standard error of ln(value)
    passes: tuple[int, ...] = ()  # one per run, where one is the mean of several
    var_df: int | None = None  # of `log_sd`, where that is not runs - 1

    @property
    def n(self) -> int:
        """How many passes its runs are."""
        return sum(self.passes) or len(self.runs)

    @property
    def df(self) -> int:
        """Degrees of freedom of `log_sd`; 0 where its runs tell none."""
        return len(self.runs) - 1 if self.var_df is None else self.var_df

    @property
    def weights(self) -> tuple[int, ...]:
        """What each of its runs weighs: its passes."""
        return self.passes or (1,) * len(self.runs)

    @property
    def scatters(self) -> bool:
        """Whether it is known how far its runs scatter, or that they do not."""
        return self.log_sd is not None

    @property
    def is_level(self) -> bool:
        """Whether it is a level, itself a logarithm: dB, dB(A) and so on."""
        return self.unit.startswith("dB")

    def runs_over_mean(self) -> tuple[float, ...]:
        """Return each run's figure over the mean of the cell."""
        return tuple(value / self.value for value in self.values)


def make_cells(
    metrics: Sequence[RunMetrics],
    titles: Mapping[str, Title],
    *,
    params: MarginParams,
    variances: Mapping[str, SharedVariances] | None = None,
    metric_names: Sequence[str],
) -> tuple[Cell, ...]:
    """Return one cell per metric, title and product, in that order of first appearance.

    Parameters
    ----------
    metrics : sequence of RunMetrics
        The runs used. A title that measures frames has no `value`; every other has only that.
    titles : mapping of str to Title
        Of the bench, by id.
    params : MarginParams
        Method and confidence.
    variances : mapping of str to SharedVariances, optional
        By metric, from the same runs. Without them no variance is shared.
    metric_names : sequence of str
        Metrics to make cells of.

    Raises
    ------
    ValueError
        If a run names a title that is not in `titles`, or a value has no logarithm.

    Notes
    -----
    The interval is that of the mean of ln values: by shared variance under methods "shared" and
    "auto" (see `choose_method`), else Student's t over the runs. A lone run that shares no variance
    has the interval its frames give, marked "frames_only": it leaves out what differs from run to
    run, so no margin rests on it (`log_se` stays None).
    """
    cells: list[Cell] = []
    for metric in metric_names:
        fit = _sharing_fit(metric, params.method, variances)
        groups = {
            key: runs
            for key, runs in group_runs(metrics, metric=metric).items()
            if (titles[key[0]].measures == "frames") == (METRICS[metric].source == "frames")
        }
        units = [metric_unit(metric, title, titles) for title, _ in groups]
        shared = (variances or {}).get(metric)
        there = shared.pooled if shared is not None else {}
        pooled = [
            there.get(key) or Pooled.of_runs(runs, metric=metric, unit=unit)
            for (key, runs), unit in zip(groups.items(), units, strict=True)
        ]
        own, borrowed = pooled, _borrowed(list(groups), pooled, params)
        pooled = [borrowed.get(i, cell) for i, cell in enumerate(own)]
        sd = np.sqrt([cell.variance for cell in pooled])
        keys = [(*key, i in borrowed) for i, key in enumerate(groups)]
        errors, widths, methods = _cell_errors(keys, sd, pooled, fit, params.confidence)
        se, half = errors.tolist(), widths.tolist()
        for i, ((title, product), runs) in enumerate(groups.items()):
            unit = units[i]
            values = tuple([run.values[metric] for run in runs])
            mean, typed = pooled[i].mean, any(run.typed_in for run in runs)
            several, apart = max(pooled[i].passes) > 1, own[i].df == 0
            alone = _frames_half_width(runs, metric, params.confidence)
            if methods[i] == "none" and alone is not None:
                half[i], methods[i] = alone, "frames"
            known = math.isfinite(half[i])
            marks = [
                *(["typed_in"] if typed else []),
                *(["mean_of_passes"] if several else []),
                *(["spread_stated"] if any(metric in run.spread for run in runs) else []),
                *(["single_run"] if own[i].n == 1 else []),
                *(["spread_of_titles"] if methods[i] == "borrowed" else []),
                *(["spread_of_others"] if typed and apart and methods[i] == "shared" else []),
                *(["zero_variance"] if sd[i] == 0 else []),
                *(_sharing_marks(fit, title, product) if methods[i] == "shared" else []),
                *(["frames_only"] if methods[i] == "frames" else []),
                *([] if known else ["no_interval"]),
            ]
            cells.append(
                Cell(
                    product=product,
                    title=title,
                    metric=metric,
                    unit=unit,
                    less_is_better=_less_is_better(metric, titles[title]),
                    runs=tuple([run.run for run in runs]),
                    sessions=tuple([run.session for run in runs]),
                    values=values,
                    value=values[0] if len(values) == 1 else from_log(mean, unit),
                    low=from_log(mean - half[i], unit) if known else None,
                    high=from_log(mean + half[i], unit) if known else None,
                    confidence=params.confidence,
                    method=methods[i],
                    marks=tuple(marks),
                    trace=Trace(
                        "make_cells",
                        f"cell/{metric}/{title}/{product}",
                        inputs=tuple([run.trace for run in runs]),
                    ),
                    log_sd=_or_none(sd[i]),
                    log_se=_or_none(se[i]),
                    passes=pooled[i].passes if several else (),
                    var_df=None if pooled[i].df == len(runs) - 1 else pooled[i].df,
                )
            )
    return tuple(cells)


def _sharing_fit(
    metric: str, method: str, variances: Mapping[str, SharedVariances] | None
) -> CrossedFit | None:
    """Return the fit that cells of a metric share variance by, or None."""
    shared = (variances or {}).get(metric)
    if shared is None or shared.cells is None or method not in {"auto", "shared"}:
        return None
    return shared.cells if shared.cells.cells_used >= MIN_SHARED else None


def _sharing_marks(fit: CrossedFit | None, title: str, product: str) -> list[str]:
    """Return what a reader of a shared variance should know of the cell's own runs."""
    place = fit.keys.get((title, product)) if fit is not None else None
    if fit is None or place is None:
        return []
    return [
        *(["unlike_neighbours"] if fit.tail[place] < ODD_TAIL else []),
        *(["two_runs"] if fit.df[place] == 1 else []),
    ]


def _borrowed(
    keys: Sequence[tuple[str, str]], pooled: Sequence[Pooled], params: MarginParams
) -> dict[int, Pooled]:
    """Return the cells without a spread of their own, with that of the titles params name.

    It is the variance pooled over the cells of these titles, with their degrees of freedom added.
    """
    lenders = [
        cell
        for (title, _), cell in zip(keys, pooled, strict=True)
        if title in params.spread_from and cell.df and cell.variance
    ]
    df = sum(cell.df for cell in lenders)
    if not df:
        return {}
    variance = math.fsum(cell.df * cell.variance for cell in lenders) / df
    return {
        i: replace(cell, variance=variance, df=df) for i, cell in enumerate(pooled) if not cell.df
    }


def _cell_errors(
    keys: Sequence[tuple[str, str, bool]],
    sd: Floats,
    pooled: Sequence[Pooled],
    fit: CrossedFit | None,
    confidence: float,
) -> tuple[Floats, Floats, list[str]]:
    """Return standard errors, half-widths and methods of cells; NaN where nothing gives them.

    A key is title, product and whether the cell borrows its spread.
    """
    n = np.array([float(cell.n) for cell in pooled])
    df = np.array([float(cell.df) for cell in pooled])
    with np.errstate(divide="ignore", invalid="ignore"):
        se = np.where(sd > 0, sd / np.sqrt(n), np.nan)
    half = t_half_width(se, df, confidence=confidence)
    methods = [
        "none" if not np.isfinite(h) else "borrowed" if borrows else "welch"
        for h, (_, _, borrows) in zip(half, keys, strict=True)
    ]
    place = (
        [-1 if borrows else fit.keys.get((title, product), -1) for title, product, borrows in keys]
        if fit
        else []
    )
    shares = [i for i, p in enumerate(place) if p >= 0]
    if fit and shares:
        places = np.array([place[i] for i in shares])
        error = Mixture.of_means(fit, places, n[shares])
        cared = 1 - (1 - confidence) * fit.care[places]
        half[shares] = mixture_half_width(error.sd, error.weight, confidence=cared)
        se[shares] = mixture_error(error.sd, error.weight)[0]
        for i in shares:
            methods[i] = "shared"
    return se, half, methods


def _frames_half_width(runs: Sequence[RunMetrics], metric: str, confidence: float) -> float | None:
    """Return the half-width that the frames of a lone run give ln(value), or None."""
    error = runs[0].blocks.within_sd.get(metric, 0.0) if len(runs) == 1 else 0.0
    return NormalDist().inv_cdf((1 + confidence) / 2) * error if error > 0 else None


def _less_is_better(metric: str, title: Title) -> bool:
    """Return the direction of a metric in a title: the metric's own, or else the title's."""
    own = METRICS[metric].less_is_better
    return title.less_is_better if own is None else own


def _or_none(figure: float) -> float | None:
    return float(figure) if math.isfinite(figure) else None


@dataclass(frozen=True, slots=True)
class WithinRuns:
    """What the frames of a product's runs alone say of one metric: a diagnostic.

    `share` is None where no title has two runs, or runs do not differ.
    """

    product: str
    metric: str
    runs: tuple[str, ...]
    effective_frames: float  # median over the runs
    compared_runs: tuple[str, ...]  # of titles with two runs or more
    share: float | None


def compare_within(
    used: Sequence[RunMetrics], *, metric_names: Sequence[str]
) -> tuple[WithinRuns, ...]:
    """Return one entry per metric and product, in the order of first appearance.

    Parameters
    ----------
    used : sequence of RunMetrics
        Runs with a log; typed-in figures and tails of too few frames are left out.
    metric_names : sequence of str
        Metrics of frames.

    Notes
    -----
    Share: mean of the squared errors of blocks of frames (`blocks.measure_blocks`) over the
    variance of ln(value) between runs, pooled over titles with n - 1 as weights; at most 1. Near
    1, longer runs would help as much as more runs; far below it, only more runs do.
    """
    found = []
    for metric in metric_names:
        judged = [run for run in used if metric in run.blocks.within_sd]
        cells = group_runs(judged, metric=metric)
        for product in dict.fromkeys(run.product for run in judged):
            mine = [run for run in judged if run.product == product]
            several = [
                runs for (_, name), runs in cells.items() if name == product and len(runs) > 1
            ]
            compared = [run for runs in several for run in runs]
            found.append(
                WithinRuns(
                    product,
                    metric,
                    tuple(run.run for run in mine),
                    statistics.median(run.blocks.effective_frames[metric] for run in mine),
                    tuple(run.run for run in compared),
                    _share(several, metric),
                )
            )
    return tuple(found)


def _share(several: Sequence[Sequence[RunMetrics]], metric: str) -> float | None:
    """Return the share of the variance between runs that their frames would explain."""
    freedom = sum(len(runs) - 1 for runs in several)
    if not freedom:
        return None
    between = math.fsum(
        (len(runs) - 1) * sample_variance([math.log(run.values[metric]) for run in runs])
        for runs in several
    )
    errors = [run.blocks.within_sd[metric] for runs in several for run in runs]
    within = math.fsum(error**2 for error in errors) / len(errors)
    return min(within / (between / freedom), 1.0) if between > 0 else None
