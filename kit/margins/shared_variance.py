"""The run-to-run variance of every cell, shared between titles and products.

Three runs tell little of their own spread. All cells of a bench together tell much: how much runs
vary in general, how far titles differ in that, and how far products differ within a title. A cell's
variance is taken as a distribution that combines its own runs with what the others show.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kit.margins.replicates import group_runs, metric_unit, pair_by_session, sample_variance, to_log
from kit.metrics.run_metrics import RunMetrics
from kit.settings.bench_file import Title
from kit.stats.variance_fit import ZERO_VARIANCE, VarianceFit, fit_group_variances

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SharedVariances:
    """The run-to-run variances of one metric, for products alone and for pairs by session.

    Either fit is None where no cell (or pair) has two values that differ.
    """

    metric: str
    cells: VarianceFit | None
    pairs: VarianceFit | None

    def run_sd(self, product: str, title: str) -> float | None:
        """Return the run-to-run standard deviation of ln values to reckon with.

        That of the cell where it has runs; of the title in general for a product without runs in
        it; of the metric in general for a title without runs. None without any variance. It is
        the exponential of the mean of ln(standard deviation), near the median.
        """
        fit = self.cells
        if fit is None:
            return None
        place = fit.keys.get((title, product))
        if place is not None:
            log_var = (fit.log_var[place] * fit.weight[place]).sum(axis=1)
            return float(np.exp((log_var * fit.title_weight[place]).sum() / 2))
        for (known, _), other in fit.keys.items():
            if known == title:
                log_var = fit.title_log_var[other]
                return float(np.exp((log_var * fit.title_weight[other]).sum() / 2))
        return float(np.exp(fit.level / 2))

    def to_frame(self) -> pd.DataFrame:
        """Return a row per cell whose variance something is known of.

        Columns: metric, title, product, runs, own_sd (of ln values; NaN for a single run),
        shared_sd (see `run_sd`).
        """
        import pandas as pd

        fit = self.cells
        rows = [
            (
                self.metric,
                title,
                product,
                int(fit.df[place]) + 1,
                float(np.sqrt(fit.run_var[place])),
                self.run_sd(product, title),
            )
            for (title, product), place in (fit.keys.items() if fit else ())
            if fit is not None
        ]
        names = ["metric", "title", "product", "runs", "own_sd", "shared_sd"]
        return pd.DataFrame(rows, columns=names)


def fit_variances(
    metrics: Sequence[RunMetrics],
    *,
    metric: str,
    titles: Mapping[str, Title] | None = None,
    apart: Collection[tuple[str, str]] = (),
) -> SharedVariances:
    """Return the shared run-to-run variances of one metric over all cells given.

    Parameters
    ----------
    metrics : sequence of RunMetrics
        The runs used, of all products and titles that are to share.
    metric : str
        The metric's name; runs without it are passed over.
    titles : mapping of str to Title, optional
        Tells levels in dB, which are on a log scale as they stand, from figures that are not.
    apart : collection of (str, str)
        (title, product) of cells unlike the others for a known reason, such as a display cap.
    """
    cells = {
        (title, product): (
            to_log([run.values[metric] for run in runs], metric_unit(metric, title, titles)),
            [run.session for run in runs],
        )
        for (title, product), runs in group_runs(metrics, metric=metric).items()
    }
    n = np.array([len(logs) for logs, _ in cells.values()], dtype=np.float64)
    run_var = np.array([sample_variance(logs) for logs, _ in cells.values()], dtype=np.float64)
    pairs = _pair_variances(cells)
    return SharedVariances(
        metric=metric,
        cells=_fit_or_none(list(cells), run_var, n - 1, apart=apart),
        pairs=pairs,
    )


def pair_key(title: str, product: str, other: str) -> tuple[str, str]:
    """Return the key of two products paired by session, the same in both orders."""
    return title, "|".join(sorted((product, other)))


def _fit_or_none(
    keys: list[tuple[str, str]],
    run_var: Floats,
    df: Floats,
    *,
    apart: Collection[tuple[str, str]] = (),
    temper: float = 1.0,
) -> VarianceFit | None:
    """Return a fit, or None where no variance above 0 can be shared."""
    varies = (np.nan_to_num(run_var) >= ZERO_VARIANCE) & (df > 0)
    if not any(v and key not in apart for v, key in zip(varies, keys, strict=True)):
        return None
    return fit_group_variances(keys, run_var, df, apart=apart, temper=temper)


def _pair_variances(
    cells: Mapping[tuple[str, str], tuple[Sequence[float], Sequence[str]]],
) -> VarianceFit | None:
    """Return the shared variances of session differences of every two products of a title.

    P products have P (P - 1) / 2 pairs but only P - 1 independent ones, so each pair's evidence
    on its title's level counts 2 / P.
    """
    by_title: dict[str, list[str]] = {}
    for (title, product), (_, sessions) in cells.items():
        if len({s for s in sessions if s}) > 1:
            by_title.setdefault(title, []).append(product)
    keys, variances, dfs = [], [], []
    for title, products in by_title.items():
        for i, first in enumerate(products):
            for second in products[i + 1 :]:
                pair = pair_by_session(*cells[title, first], *cells[title, second])
                if pair is not None and pair.log_var is not None:
                    keys.append(pair_key(title, first, second))
                    variances.append(pair.log_var)
                    dfs.append(len(pair.sessions) - 1)
    if not keys:
        return None
    widest = max(len(products) for products in by_title.values())
    return _fit_or_none(
        keys, np.array(variances), np.array(dfs, dtype=np.float64), temper=2 / max(widest, 2)
    )
