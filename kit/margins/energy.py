"""Energy per frame, and frames per second per watt."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from kit.margins.cells import Cell, Estimate
from kit.metrics.run_metrics import RunMetrics
from kit.settings.bench_file import Title
from kit.settings.metric import HEADLINE
from kit.stats.intervals import WIDEST
from kit.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyStanding(Estimate):
    """What a frame costs in energy, in joules, of one product in one title.

    `source` is "logged" (a power sensor in the log of the same runs) or "metered" (a title that
    measures power in the same scene and settings, `power_title`). The two are not the same: a
    sensor sees the part, a meter the whole machine.
    """

    metric: str = "energy"
    unit: str = "J"
    source: str
    runs: tuple[str, ...]
    power_title: str = ""

    @property
    def joule_per_frame(self) -> float:
        """The estimate's value."""
        return self.value

    @property
    def fps_per_watt(self) -> float:
        """Frames per second per watt: frames per joule."""
        return 1 / self.value


def weigh_energy(
    metrics: Sequence[RunMetrics],
    cells: Sequence[Cell],
    titles: Mapping[str, Title],
    *,
    confidence: float,
) -> tuple[EnergyStanding, ...]:
    """Return the energy per frame of every product and title where power was logged or metered.

    Parameters
    ----------
    metrics : sequence of RunMetrics
        The runs used; those with `energy_per_frame_j` count.
    cells : sequence of Cell
        Averages of the titles that measure frames, values of those that measure power.
    titles : mapping of str to Title
        Tells which title measures power in the scene of another: same `workload`, same `settings`.
    confidence : float
        Of the intervals from logged runs; those from metered titles have their cells' own.

    Returns
    -------
    tuple of EnergyStanding
        In the order of the titles, logged before metered.

    Notes
    -----
    Logged: the geometric mean over runs of mean power times time over frames, with a t interval of
    the logs. Metered: mean power over mean frames per second; the interval takes the lowest power
    with the highest rate and the other way round, and so is on the wide side. Energy is a ratio
    scale and less of it is better.
    """
    found: list[EnergyStanding] = []
    for name in titles:
        found += _logged(name, metrics, confidence)
        found += _metered(name, cells, titles)
    return tuple(found)


def _logged(title: str, metrics: Sequence[RunMetrics], confidence: float) -> list[EnergyStanding]:
    """Return the standings of one title from the power its runs logged."""
    by_product: dict[str, list[RunMetrics]] = {}
    for run in metrics:
        if run.title == title and run.energy_per_frame_j:
            by_product.setdefault(run.product, []).append(run)
    standings = []
    for product, runs in by_product.items():
        logs = np.log([run.energy_per_frame_j for run in runs if run.energy_per_frame_j])
        centre, half = float(logs.mean()), None
        if len(runs) > 1:
            error = float(logs.std(ddof=1)) / math.sqrt(len(runs))
            width = float(stdtrit(len(runs) - 1, (1 + confidence) / 2)) * error
            half = width if width <= WIDEST else None
        standings.append(
            EnergyStanding(
                product=product,
                title=title,
                source="logged",
                method="energy-per-frame",
                value=math.exp(centre),
                low=None if half is None else math.exp(centre - half),
                high=None if half is None else math.exp(centre + half),
                confidence=confidence,
                runs=tuple(run.run for run in runs),
                marks=() if len(runs) > 1 else ("single_run",),
                trace=Trace(
                    "weigh_energy",
                    f"energy/logged/{title}/{product}",
                    "",
                    tuple(run.trace for run in runs),
                ),
            )
        )
    return standings


def _metered(
    title: str, cells: Sequence[Cell], titles: Mapping[str, Title]
) -> list[EnergyStanding]:
    """Return the standings of one frames title whose scene has a title that measures power."""
    here = titles[title]
    if here.measures != "frames" or here.workload is None:
        return []
    meters = {
        name
        for name, other in titles.items()
        if other.measures == "power"
        and other.workload == here.workload
        and other.settings == here.settings
    }
    standings = []
    for rate in cells:
        if (rate.title, rate.metric) != (title, HEADLINE):
            continue
        for power in cells:
            if power.product != rate.product or power.title not in meters:
                continue
            low = high = None
            if power.low and power.high and rate.low and rate.high:
                low, high = power.low / rate.high, power.high / rate.low
            standings.append(
                EnergyStanding(
                    product=rate.product,
                    title=title,
                    source="metered",
                    method="energy-metered",
                    value=power.value / rate.value,
                    low=low,
                    high=high,
                    confidence=min(power.confidence, rate.confidence),
                    runs=(*power.runs, *rate.runs),
                    marks=tuple(dict.fromkeys((*power.marks, *rate.marks))),
                    trace=Trace(
                        "weigh_energy",
                        f"energy/metered/{title}/{rate.product}/{power.title}",
                        "",
                        (power.trace, rate.trace),
                    ),
                    power_title=power.title,
                )
            )
    return standings
