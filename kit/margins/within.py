"""How much of the difference between a product's runs the frames within them would explain."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from kit.margins.replicates import group_runs, sample_variance
from kit.metrics.run_metrics import RunMetrics


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
