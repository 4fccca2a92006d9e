"""Energy per frame, frames per second per watt; clock, power and temperature under load."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import stdtrit

from kit.margins.cells import Cell, Estimate, Outcome, RatioEstimate, outcome_of
from kit.metrics.run_metrics import RunMetrics
from kit.rounding import grouped
from kit.settings.bench_file import Title
from kit.settings.metric import HEADLINE, READ_APART, SENSOR_WORDS
from kit.settings.params import MarginParams
from kit.stats.intervals import WIDEST, Judged, pooled_variance
from kit.stats.series import LAGS_S, LagProfile, SensorLag
from kit.trace import Trace

_LAG_Z = 1.959963984540054  # half of a lag's 95 % interval, in standard errors


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
    parts: tuple[tuple[float, float], ...] | None = None  # variances of ln value, with their df
    lag_s: float | None = None  # of the power readings; None where not judged, or metered
    settled_share: float | None = None  # of the time, that the energy is taken over
    # Energy with readings taken as they stand, over that with a lag: both ends where not judged.
    unsettled: tuple[float, float] = (1.0, 1.0)

    @property
    def fps_per_watt(self) -> float:
        """Frames per second per watt: frames per joule."""
        return 1 / self.value


def pool_lags(metrics: Sequence[RunMetrics]) -> dict[tuple[str, str], SensorLag]:
    """Return how far each product's sensors lag behind its frames, from all its runs.

    Parameters
    ----------
    metrics : sequence of RunMetrics
        The runs used.

    Returns
    -------
    dict of (product, sensor) to SensorLag
    """
    profiles: dict[tuple[str, str], list[LagProfile]] = {}
    for run in metrics:
        for sensor, profile in run.lags.items():
            profiles.setdefault((run.product, sensor), []).append(profile)
    return {key: SensorLag.pooled(found) for key, found in profiles.items()}


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
    Logged: the geometric mean over runs of mean power times time over frames, over settled time
    where the lag of the product's power readings is judged, with a t interval of the logs that
    holds the lag's own interval too. Metered: mean power over mean frames per second; the interval
    takes the lowest power with the highest rate and the other way round, and so is on the wide
    side. Energy is a ratio scale and less of it is better.
    """
    found: list[EnergyStanding] = []
    lags = pool_lags(metrics)
    logged = grouped((run.title, run) for run in metrics if run.energy_per_frame_j)
    for name in titles:
        found += _logged(name, logged.get(name, ()), lags, confidence)
        found += _metered(name, cells, titles)
    return tuple(found)


def _logged(
    title: str,
    metrics: Sequence[RunMetrics],
    lags: Mapping[tuple[str, str], SensorLag],
    confidence: float,
) -> list[EnergyStanding]:
    """Return the standings of one title from the power its runs logged."""
    standings = []
    for product, runs in grouped((run.product, run) for run in metrics).items():
        lag = lags.get((product, "power_w"), SensorLag.unknown(""))
        raw = np.log([run.energy_per_frame_j for run in runs if run.energy_per_frame_j])
        # By lag, over the energy without one: ln ratios, shape (n_lags,), mean over the runs.
        moved = np.array([run.energy_by_lag_j for run in runs if run.energy_by_lag_j])
        moved = np.log(moved / moved[:, :1]) if moved.size else np.zeros((0, len(LAGS_S)))
        settled = not lag.why and len(moved) == len(runs)
        logs, lag_error, shifts = raw, 0.0, moved.mean(axis=0) if len(moved) else np.zeros(1)
        if settled:
            at = LAGS_S.index(lag.lag_s)
            logs = raw + moved[:, at]
            ends = np.interp([lag.low_s, lag.high_s], LAGS_S, shifts)
            lag_error = float(np.abs(ends - shifts[at]).max())
            shifts = shifts[[at]]
        centre, half = float(logs.mean()), None
        parts: list[tuple[float, float]] = []
        if len(runs) > 1:
            parts = [(float(logs.var(ddof=1)) / len(runs), len(runs) - 1.0)]
            width = float(stdtrit(len(runs) - 1, (1 + confidence) / 2)) * math.sqrt(parts[0][0])
            width = math.hypot(width, lag_error)
            parts.append(((lag_error / _LAG_Z) ** 2, math.inf))
            half = width if width <= WIDEST else None
        standings.append(EnergyStanding(
            product=product, title=title, source="logged", method="energy-per-frame",
            value=math.exp(centre), low=None if half is None else math.exp(centre - half),
            high=None if half is None else math.exp(centre + half), confidence=confidence,
            runs=tuple(run.run for run in runs),
            marks=("single_run",) * (len(runs) == 1) + ("lag_not_judged",) * (not settled),
            trace=Trace("weigh_energy", f"energy/logged/{title}/{product}", "",
                        tuple(run.trace for run in runs)),
            parts=tuple(parts) or None, lag_s=lag.lag_s if settled else None,
            settled_share=1 - lag.lag_s / float(np.mean([r.duration_s for r in runs]))
            if settled else None,
            unsettled=(math.exp(-float(shifts.max())), math.exp(-float(shifts.min()))),
        ))  # fmt: skip
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
            standings.append(EnergyStanding(
                product=rate.product, title=title, source="metered", method="energy-metered",
                value=power.value / rate.value, low=low, high=high,
                confidence=min(power.confidence, rate.confidence),
                runs=(*power.runs, *rate.runs),
                marks=tuple(dict.fromkeys((*power.marks, *rate.marks))),
                trace=Trace("weigh_energy", f"energy/metered/{title}/{rate.product}/{power.title}",
                            "", (power.trace, rate.trace)),
                power_title=power.title, parts=_parts_of(power, rate),
            ))  # fmt: skip
    return standings


def _parts_of(*cells: Cell) -> tuple[tuple[float, float], ...] | None:
    """Return the variance of each cell's ln value, with its df; None where one has none."""
    parts = [
        (cell.log_sd**2 / cell.n, float(cell.df))
        for cell in cells
        if cell.log_sd is not None and cell.df
    ]
    return tuple(parts) if len(parts) == len(cells) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyMargin(RatioEstimate):
    """How much less energy a frame takes of one product than of another in one title.

    The ratio is the baseline's energy per frame over the product's: above 1 where the product
    needs less.
    """

    outcome: Outcome
    standings: tuple[EnergyStanding, EnergyStanding]  # product's, baseline's


def compare_energy(
    standings: Sequence[EnergyStanding], pairs: Sequence[tuple[str, str]], params: MarginParams
) -> tuple[EnergyMargin, ...]:
    """Return the energy margins of pairs of products, title by title.

    Parameters
    ----------
    standings : sequence of EnergyStanding
        From `weigh_energy`; logged is set against logged and metered against metered.
    pairs : sequence of (str, str)
        Product and baseline.
    params : MarginParams
        Confidence, and the band within which two are level.

    Notes
    -----
    Variances of ln energy from run to run, of the lag and, where metered, of power and rate are
    added up over both sides; degrees of freedom after Welch and Satterthwaite.
    """
    known = {(s.source, s.power_title, s.title, s.product): s for s in standings}
    made = []
    for product, baseline in pairs:
        for mine in (s for s in standings if s.product == product):
            other = known.get((mine.source, mine.power_title, mine.title, baseline))
            if other is None:
                continue
            difference = math.log(other.value / mine.value)
            parts = (*mine.parts, *other.parts) if mine.parts and other.parts else ()
            whole, df = _added_up(parts)
            ends: list[float | None] = [None] * 4
            if df:
                judged = Judged.by_t(
                    np.array([difference]), np.array([math.sqrt(whole)]),
                    np.array([df]), confidence=params.confidence,
                    band=math.log1p(params.level_band),
                )  # fmt: skip
                halves = [float(judged.half[0]), float(judged.level_half[0])]
                if all(map(math.isfinite, halves)):
                    ends = [math.exp(difference + s * half) for half in halves for s in (-1, 1)]
            no_ends = () if ends[0] else ("no_interval",)
            made.append(EnergyMargin(
                metric="energy", product=product, baseline=baseline, title=mine.title,
                value=math.exp(difference), low=ends[0], high=ends[1],
                confidence=params.confidence, method="energy-margin",
                outcome=outcome_of(*ends, band=params.level_band),
                marks=tuple(dict.fromkeys((*mine.marks, *other.marks, *no_ends))),
                trace=Trace("compare_energy",
                            f"energy/{mine.source}/{mine.title}/{product}-over-{baseline}",
                            mine.power_title, (mine.trace, other.trace)),
                standings=(mine, other),
            ))  # fmt: skip
    return tuple(made)


def _added_up(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the sum of variances, and its degrees of freedom after Welch and Satterthwaite; 0
    where no variance is known from runs."""
    whole = math.fsum(variance for variance, _ in parts)
    spread = math.fsum(variance**2 / df for variance, df in parts)
    return whole, whole**2 / spread if spread > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Load(Estimate):
    """What a sensor reads of one product under load, or by how much two products differ in it.

    In one title, or (title "") over all that every product with this sensor ran. Of a product
    `value` is the mean over runs: geometric, of temperatures arithmetic. With a `baseline` it is
    the ratio of two such means, of temperatures their difference.
    """

    runs: tuple[str, ...]
    sd: float | None = None  # of single runs, in the sensor's unit, over all that product ran
    parts: tuple[tuple[float, float], ...] = ()  # variances of the mean, with their df

    @classmethod
    def of_runs(
        cls,
        metrics: Sequence[RunMetrics],
        products: Sequence[str],
        sensors: Sequence[str],
        *,
        confidence: float,
    ) -> tuple[Load, ...]:
        """Return what sensors read of products, title by title and over all, and the differences.

        Parameters
        ----------
        metrics : sequence of RunMetrics
            The runs used.
        products : sequence of str
            The first is set against each of the others.
        sensors : sequence of str
            Keys of `SENSOR_WORDS`.
        confidence : float
            A fraction in (0, 1).

        Notes
        -----
        Intervals are Student's t on means of runs, on their logarithms but for `READ_APART`; those
        of differences and of means over titles take Welch and Satterthwaite's degrees of freedom.
        """
        found: list[Load] = []
        for sensor in sensors:
            cells: dict[str, dict[str, list[RunMetrics]]] = defaultdict(lambda: defaultdict(list))
            for run in metrics:
                if run.product in products and sensor in run.under_load:
                    cells[run.title][run.product].append(run)
            loads = {
                title: {p: cls._of_cell(own[p], sensor, confidence) for p in products if p in own}
                for title, own in cells.items()
            }
            most = max(map(len, loads.values()), default=0)
            shared = [own for own in loads.values() if len(own) == most]
            if len(shared) > 1 and len({*map(tuple, shared)}) == 1:
                n = len(shared)
                loads[""] = {
                    p: cls._sum([(1 / n, own[p]) for own in shared], confidence, product=p,
                                unit=SENSOR_WORDS[sensor][1])
                    for p in shared[0]
                }  # fmt: skip
            for title, own in loads.items():
                for p, one in own.items():
                    read = [[run.under_load[sensor] for run in of[p]] for of in cells.values()
                            if len(of.get(p, ())) > 1]  # fmt: skip
                    whole = read and (not title or len(loads) == 1)
                    sd = math.sqrt(pooled_variance(read)[0]) if whole else None
                    found.append(replace(one, sd=sd))
                if (mine := own.get(products[0])) is not None:
                    unit = "ratio" if mine.is_ratio else mine.unit
                    found += [
                        cls._sum([(1, mine), (-1, own[p])], confidence, product=mine.product,
                                 baseline=p, title=title, unit=unit)
                        for p in products[1:] if p in own
                    ]  # fmt: skip
        return tuple(found)

    @property
    def is_ratio(self) -> bool:
        """Whether the sensor's products are compared by a ratio, not by a difference."""
        return self.metric not in READ_APART

    @classmethod
    def _of_cell(cls, runs: Sequence[RunMetrics], sensor: str, confidence: float) -> Load:
        """Return what a sensor reads of the runs of one product in one title."""
        read = np.array([run.under_load[sensor] for run in runs])
        x, n = np.log(read) if sensor not in READ_APART else read, len(runs)
        parts = ((float(x.var(ddof=1)) / n, n - 1.0),) if n > 1 else ()
        return cls._made(
            sensor, float(x.mean()), parts, confidence, product=runs[0].product,
            title=runs[0].title, unit=SENSOR_WORDS[sensor][1],
            runs=tuple(run.run for run in runs), inputs=tuple(run.trace for run in runs),
        )  # fmt: skip

    @classmethod
    def _sum(cls, terms: Sequence[tuple[float, Load]], confidence: float, **about: Any) -> Load:
        """Return a weighted sum of readings, on the scale on which errors are added up."""
        known = all(one.parts for _, one in terms)
        parts = [(weight**2 * variance, df) for weight, one in terms for variance, df in one.parts]
        of_logs = terms[0][1].is_ratio
        center = math.fsum(w * (math.log(one.value) if of_logs else one.value) for w, one in terms)
        return cls._made(
            terms[0][1].metric, center, tuple(parts) if known else (), confidence,
            runs=tuple(run for _, one in terms for run in one.runs),
            inputs=tuple(one.trace for _, one in terms), **about,
        )  # fmt: skip

    @classmethod
    def _made(
        cls,
        sensor: str,
        center: float,
        parts: tuple[tuple[float, float], ...],
        confidence: float,
        *,
        inputs: tuple[Trace, ...],
        **about: Any,
    ) -> Load:
        """Return an estimate from its center and the parts of its variance."""
        whole, df = _added_up(parts)
        back = math.exp if sensor not in READ_APART else float
        low = high = None
        if df:
            half = float(stdtrit(df, (1 + confidence) / 2)) * math.sqrt(whole)
            if half <= WIDEST:
                low, high = back(center - half), back(center + half)
        name = "/".join(about.get(key, "") for key in ("title", "product", "baseline"))
        return cls(
            metric=sensor, value=back(center), low=low, high=high, confidence=confidence,
            method="sensor-under-load", marks=() if low is not None else ("no_interval",),
            trace=Trace("Load", f"load/{sensor}/{name}", "", inputs), parts=parts, **about,
        )  # fmt: skip
