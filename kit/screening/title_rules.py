"""Rules of screening about what limits a title, what its figures can bear, and how it was recorded.

These never set a run aside: the figures stand, and the reader is told what they mean."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import combinations, groupby

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from kit.bench.runs import RunRow
from kit.metrics.run_metrics import RunDiagnostics
from kit.rounding import Rounded, grouped
from kit.screening.controls import compared_pairs
from kit.screening.flags import CellKey, Flag, Rule, View, few, moment, percent
from kit.settings.metric import METRICS, tail_shares
from kit.settings.params import ScreenParams
from kit.stats.intervals import LEVEL_ALPHA

# A cap, a rounding or a load is a cell's when at least this share of its runs shows it.
SHARE_OF_RUNS = 0.5
# Of the other titles two products share, this many must set them apart before agreement in
# one title says anything.
APART_IN_SHARE = 0.75
FEWEST_OTHER_TITLES = 2
TAIL_CONFIDENCE = 0.95
_MOST_RUNS_TOLD = 100

LoggedRun = tuple[RunRow, RunDiagnostics]


def _find_caps(view: View) -> Iterator[Flag]:
    """Find runs held at a display's refresh or another cap; one flag where a cell mostly is."""

    def held(log: RunDiagnostics) -> tuple[float, float] | None:
        hz, share = max(log.cap_shares.items(), key=lambda item: item[1], default=(0.0, 0.0))
        return (hz, share) if share >= view.screen.cap_share else None

    def spell(seen: Sequence[tuple[float, float]]) -> str:
        rates = " and ".join(f"{hz:g} Hz" for hz in sorted({hz for hz, _ in seen}))
        return (
            f"held at {rates} for {_spell_range([share for _, share in seen], percent)} of "
            f"the time: the figure is the cap's, and the product may be able to do more"
        )

    return _of_cells_or_runs(view, held, spell)


def _find_throttling(view: View) -> Iterator[Flag]:
    """Find runs whose clock fell while the temperature rose."""

    def moved(log: RunDiagnostics) -> tuple[float, float] | None:
        clock, rise_c = log.clock_change_share, log.temperature_change_c
        if clock is None or rise_c is None:
            return None
        hot = rise_c >= view.screen.throttle_rise_c
        return (-clock, rise_c) if hot and -clock >= view.screen.throttle_clock_share else None

    def spell(seen: Sequence[tuple[float, float]]) -> str:
        falls = _spell_range([fall for fall, _ in seen], percent)
        rises = _spell_range([rise for _, rise in seen], lambda c: f"{c:.1f}")
        return (
            f"the clock fell by {falls} while the temperature rose by {rises} "
            f"degrees, from the first fifth of a run to the last: limited by heat"
        )

    return _of_cells_or_runs(view, moved, spell)


def _find_processor_bound(view: View) -> Iterator[Flag]:
    """Find titles the processor limits: unlike products are level, or load sensors say so.

    Among machines with one processor, the fastest product of a title and another must be level
    there, their 90 % interval within `processor_bound_margin`, although the interval over the
    other titles sets them `processor_bound_spread` apart, and at least three quarters of those
    titles do. Where an interval reaches both ways the title cannot be judged, which is said with
    the runs that are missing. Capped cells are left out: a cap makes products agree as well.
    Where no processor is recorded, machines of one class are taken together.
    """
    capped = {(flag.product, flag.title) for flag in _find_caps(view) if not flag.run}
    levels = _cell_levels(view, without=capped)
    machines = {product: view.bench.products[product] for product, _ in levels}
    groups = grouped(
        (machine.configuration.get("processor", machine.machine_class), product)
        for product, machine in machines.items()
    )
    leads_of = _leads_between(levels)
    for title in dict.fromkeys(title for _, title in levels):
        told: dict[bool, list[str]] = {True: [], False: []}  # by whether it can be judged
        for kin in groups.values():
            here = [p for p in kin if (p, title) in levels]
            pairs = _unlike_pairs(levels, leads_of, here, title, view.screen)
            for sure in (True, False):
                found = [pair for pair in pairs if pair.bound is (True if sure else None)]
                if found:
                    told[sure].append(max(found, key=lambda pair: pair.apart.mean).spell(sure))
                    break
        if told[True]:
            reason = f"looks bound by the processor: {'; '.join(told[True])}"
            yield Flag(reason, title=title)
        elif told[False]:
            reason = f"cannot be judged: {'; '.join(told[False])}"
            yield Flag(reason, "cannot_judge", title=title)
    yield from _loaded_processors(view)


def _find_rounding(view: View) -> Iterator[Flag]:
    """Find logs written more coarsely than their frame times need."""

    def coarse(log: RunDiagnostics) -> tuple[float, float] | None:
        share = log.step_ms / log.median_ms
        return (log.step_ms, share) if share > view.screen.rounding_share else None

    def spell(seen: Sequence[tuple[float, float]]) -> str:
        return (
            f"logged in steps of {_spell_range([ms for ms, _ in seen], lambda ms: f'{ms:g} ms')}, "
            f"{_spell_range([share for _, share in seen], percent)} of the median frame "
            f"time: averages are hardly touched, lows and hitches are"
        )

    return _of_cells_or_runs(view, coarse, spell)


def _find_short_tails(view: View) -> Iterator[Flag]:
    """Find cells whose runs hold too few independent frames for a low.

    What counts is the effective number of frames of each run, dependence between frames allowed
    for, against that of `_frames_for_tail` for the tail's share.
    """
    for (product, title), runs in view.once(_frame_cells).items():
        for metric, share in tail_shares(view.params.metrics.compared).items():
            needed = _frames_for_tail(share)
            short = [
                log.tail_frames.get(metric, 0.0)
                for _, log in runs
                if log.tail_frames.get(metric, 0.0) < needed
            ]
            if short:
                reason = (
                    f"{METRICS[metric].label}: {len(short)} of {few(len(runs))} hold fewer than "
                    f"the {needed:,} independent frames that bound such a tail at "
                    f"{percent(TAIL_CONFIDENCE)} (the least {min(short):,.0f}; Wilks 1941)"
                )
                yield Flag(reason, product=product, title=title, metric=metric)


def _find_few_runs(view: View) -> Iterator[Flag]:
    """Find cells with fewer runs left than wanted."""
    left = {cell: len(rows) for cell, rows in view.cells().items()}
    for product, title in dict.fromkeys((row.product, row.title) for row in view.rows):
        count = left.get((product, title), 0)
        if count < view.screen.min_runs:
            reason = f"{few(count)} left; {view.screen.min_runs} wanted" if count else "no run left"
            yield Flag(reason, product=product, title=title)


def _frames_for_tail(share: float) -> int:
    """Return how many independent frames bound a tail of `share` with 95 % confidence.

    The smallest n with 1 - (1 - share)^n >= 0.95 [1]_.

    References
    ----------
    .. [1] S. S. Wilks (1941), "Determination of sample sizes for setting tolerance limits",
           Annals of Mathematical Statistics 12(1), 91-96.

    Examples
    --------
    >>> _frames_for_tail(0.05), _frames_for_tail(0.01)
    (59, 299)
    """
    return math.ceil(math.log(1.0 - TAIL_CONFIDENCE) / math.log1p(-share))


def _frame_cells(view: View) -> dict[CellKey, list[LoggedRun]]:
    """Return the used logs of each product in each title that measures frames."""
    return grouped(
        ((row.product, row.title), (row, log))
        for row, log in view.logged()
        if log.measurable and view.measures_frames(row.title)
    )


def _of_cells_or_runs(
    view: View,
    look: Callable[[RunDiagnostics], tuple[float, float] | None],
    spell: Callable[[Sequence[tuple[float, float]]], str],
) -> Iterator[Flag]:
    """Yield one flag about a cell where most of its runs show a thing, else one for each that does.

    Parameters
    ----------
    view : View
    look : callable
        Gives what a run's diagnostics show; None where they show nothing.
    spell : callable
        Gives the reason in words for what some runs show.
    """
    for (product, title), runs in view.once(_frame_cells).items():
        shown = [(row, seen) for row, log in runs if (seen := look(log)) is not None]
        if shown and len(shown) >= SHARE_OF_RUNS * len(runs):
            reason = f"{len(shown)} of {few(len(runs))}: {spell([seen for _, seen in shown])}"
            yield Flag(reason, product=product, title=title)
        else:
            yield from (Flag.of_run(row, spell([seen])) for row, seen in shown)


@dataclass(frozen=True, slots=True)
class _Level:
    """Mean ln figure of a cell, or of a difference, with the variance of that mean.

    `df` belongs to the variance. Both are NaN where runs are missing.
    """

    mean: float
    variance: float
    df: float
    runs: int

    @classmethod
    def of_runs(cls, logs: NDArray[np.float64]) -> _Level:
        """Return the level of one cell from the ln figures of its runs."""
        variance = float(logs.var(ddof=1)) / logs.size if logs.size > 1 else math.nan
        return cls(float(logs.mean()), variance, logs.size - 1.0, logs.size)

    @classmethod
    def over(cls, terms: Sequence[_Level], factors: Sequence[float]) -> _Level:
        """Return a weighted sum of levels, degrees of freedom by Welch and Satterthwaite."""
        parts = [f * f * term.variance for term, f in zip(terms, factors, strict=True)]
        spread = math.fsum(p * p / t.df for p, t in zip(parts, terms, strict=True) if t.df > 0)
        whole = math.fsum(parts)
        return cls(
            math.fsum(f * term.mean for term, f in zip(terms, factors, strict=True)), whole,
            whole**2 / spread if spread > 0 else math.inf, min(term.runs for term in terms),
        )  # fmt: skip

    @classmethod
    def between(cls, levels: Mapping[CellKey, _Level], a: str, b: str, title: str) -> _Level:
        """Return the lead of one product over another in a title."""
        return cls.over([levels[a, title], levels[b, title]], [1.0, -1.0])

    @property
    def half(self) -> float:
        """Half of the 90 % interval, by which "level" is decided; infinite where runs lack."""
        if math.isnan(self.variance):
            return math.inf
        return float(stdtrit(min(self.df, 1e9), 1 - LEVEL_ALPHA)) * math.sqrt(self.variance)


@lru_cache(maxsize=256)
def _t_quantile(df: float) -> float:
    """Return what half a 90 % interval is of its standard error."""
    return float(stdtrit(df, 1 - LEVEL_ALPHA))


@dataclass(frozen=True, slots=True)
class _UnlikePair:
    """Two products that other titles set apart, the fastest of a title among them."""

    names: tuple[str, str]  # the faster elsewhere first
    here: _Level  # of the first over the second in the title
    apart: _Level  # the same over the other titles both have, > 0
    band: float  # ln of the share within which they count as level
    spread: float  # ln of the share that counts as apart

    @property
    def bound(self) -> bool | None:
        """Whether they are level here and apart elsewhere; None where that cannot be judged."""
        if abs(self.here.mean) - self.here.half > self.band:
            return False
        level = abs(self.here.mean) + self.here.half <= self.band
        return True if level and self.apart.mean - self.apart.half >= self.spread else None

    def spell(self, sure: bool) -> str:
        """Return the pair's intervals in words, and what is missing where they do not do."""
        (a, b), here = self.names, self.here
        said = (
            f"{a} over {b} is {_spell_interval(here)}, "
            f"and {_spell_interval(self.apart)} over their other titles"
        )
        if sure:
            return f"{said}: level within {percent(math.expm1(self.band))} here, apart elsewhere"
        if math.isinf(here.half) or math.isinf(self.apart.half):
            return f"{said}; two runs or more of each product in each title are missing"
        if abs(here.mean) + here.half <= self.band:
            return f"{said}: level here, but not surely {percent(math.expm1(self.spread))} apart"
        band = percent(math.expm1(self.band))
        sd = math.sqrt(here.variance * here.runs / 2)
        enough = (
            n
            for n in range(here.runs + 1, _MOST_RUNS_TOLD + 1)
            if stdtrit(2 * n - 2, 1 - LEVEL_ALPHA) * sd * math.sqrt(2 / n) <= self.band
        )
        needed = next(enough, None)
        count = f"about {needed}" if needed else f"more than {_MOST_RUNS_TOLD}"
        return (
            f"{said}; level asks for an interval within {band} either way, for which {count} runs "
            f"of each would do at this spread"
        )


def _spell_interval(level: _Level) -> str:
    """Return a lead with its 90 % interval, as margins are printed."""
    known = () if math.isinf(level.half) else (level.mean - level.half, level.mean + level.half)
    lead = Rounded.ratio(math.exp(level.mean), *map(math.exp, known))
    return f"{lead.text} ({lead.interval})" if known else f"{lead.text} without an interval"


def _cell_levels(view: View, *, without: set[CellKey]) -> dict[CellKey, _Level]:
    """Return the mean log figure of each cell of a frame-rate title."""
    levels: dict[CellKey, _Level] = {}
    for cell, values in view.cell_logs().items():
        if values is not None and cell not in without and view.measures_frames(cell[1]):
            levels[cell] = _Level.of_runs(values)
    return levels


def _leads_between(levels: Mapping[CellKey, _Level]) -> Callable[[str, str], Mapping[str, _Level]]:
    """Return what gives one product's lead over another in each title of both, worked out once."""
    titles = grouped(levels)

    @cache
    def leads_of(a: str, b: str) -> Mapping[str, _Level]:
        both = [title for title in titles[a] if (b, title) in levels]
        return {title: _Level.between(levels, a, b, title) for title in both}

    return leads_of


def _unlike_pairs(
    levels: Mapping[CellKey, _Level],
    leads_of: Callable[[str, str], Mapping[str, _Level]],
    here: Sequence[str],
    title: str,
    screen: ScreenParams,
) -> list[_UnlikePair]:
    """Return the pairs with the fastest product of a title that other titles set apart.

    With products the fastest agrees with, all pairs among them count; none does that is surely not
    level in the title.
    """
    if not here:
        return []
    band, spread = (
        math.log1p(screen.processor_bound_margin),
        math.log1p(screen.processor_bound_spread),
    )
    best = max(here, key=lambda p: levels[p, title].mean)
    near = {p for p in here if levels[best, title].mean - levels[p, title].mean <= band}
    found = []
    for a, b in combinations(here, 2):
        if best not in {a, b} and not {a, b} <= near:
            continue
        one, two = levels[a, title], levels[b, title]
        widest = _t_quantile(min(one.df, two.df)) * math.sqrt(one.variance + two.variance)
        if abs(one.mean - two.mean) - widest > band + 1e-9:
            continue  # not level here, whatever the other titles say
        leads = [lead for other, lead in leads_of(a, b).items() if other != title]
        if len(leads) < FEWEST_OTHER_TITLES:
            continue
        sign = 1.0 if math.fsum(lead.mean for lead in leads) >= 0 else -1.0
        many = sum(sign * lead.mean >= spread for lead in leads) >= APART_IN_SHARE * len(leads)
        factor = sign / len(leads)
        if many and math.fsum(factor * lead.mean for lead in leads) >= spread:
            names = (a, b) if sign > 0 else (b, a)
            here_too = _Level.between(levels, *names, title)
            apart = _Level.over(leads, [factor] * len(leads))
            found.append(_UnlikePair(names, here_too, apart, band, spread))
    return found


def _loaded_processors(view: View) -> Iterator[Flag]:
    """Yield a flag for each cell whose processor-load sensors read near full, by its interval."""
    for (product, title), runs in view.once(_frame_cells).items():
        loads: list[tuple[float, str]] = []
        for _, log in runs:
            read = [
                (mean, name)
                for name, mean in log.sensor_means.items()
                if name.startswith("processor") and name.endswith("load_pct")
            ]
            if read:
                loads.append(max(read))
        if not loads:
            continue
        level = _Level.of_runs(np.array([load for load, _ in loads]))
        limit = view.screen.processor_load_pct
        if level.mean >= limit:
            said = f"{max(loads)[1]} averaged {percent(level.mean / 100)} over {few(len(loads))}"
            if level.mean - level.half >= limit:
                yield Flag(f"bound by the processor: {said}", product=product, title=title)
                continue
            reason = (
                f"cannot be judged: {said}, and its interval reaches below "
                f"{percent(limit / 100)}; more runs are missing"
            )
            yield Flag(reason, "cannot_judge", "", product, title)


def _find_condition_changes(view: View) -> Iterator[Flag]:
    """Find cells recorded under differing conditions, such as a driver changed between runs.

    Conditions whose name ends in a unit are measured: they are compared only where
    `condition_tolerances` says how far they may differ. What a row leaves empty is not known
    to differ.
    """
    for (product, title), rows in view.cells().items():
        names = dict.fromkeys(name for row in rows for name in row.conditions)
        for name in names:
            if name in view.screen.conditions_ignored:
                continue
            seen = {row.run: row.conditions[name] for row in rows if row.conditions.get(name)}
            reason = _difference(name, seen, view.screen.condition_tolerances.get(name))
            if reason:
                yield Flag(reason, product=product, title=title)


def _find_separate_blocks(view: View) -> Iterator[Flag]:
    """Find pairs whose sides were run one wholly before the other, in no session of both."""
    for product, other, apart, _ in pairs_in_time(view):
        if apart:
            where = ", ".join(apart) if len(apart) <= 3 else f"{len(apart)} titles"
            yield Flag(
                f"confounded with time: {product} and {other} were run one wholly before the other "
                f"in {where}; what changed meanwhile is in their margins",
                product=product,
            )


def pairs_in_time(view: View) -> Iterator[tuple[str, str, list[str], dict[str, int]]]:
    """Yield what the order of time says of each pair that is compared.

    Parameters
    ----------
    view : View
        The runs, with the moments they began.

    Yields
    ------
    tuple of str, str, list of str, dict of str to int
        Product, baseline, the titles in which one was run wholly before the other, and those in
        which they took turns without a session to say so, with the number of rounds. Titles in
        which they share two sessions, and so are paired, are left out.
    """
    cells = {
        cell: [row for row in rows if row.began is not None] for cell, rows in view.cells().items()
    }
    for product, other in compared_pairs(view.params):
        apart: list[str] = []
        turns: dict[str, int] = {}
        for title in dict.fromkeys(title for _, title in cells):
            one, two = cells.get((product, title), []), cells.get((other, title), [])
            sessions = [{row.session for row in side} - {""} for side in (one, two)]
            if min(len(one), len(two)) < 2 or len(sessions[0] & sessions[1]) >= 2:
                continue
            timed = sorted((moment(row.began), row.product) for row in (*one, *two))
            if len({when for when, _ in timed}) < len(timed):  # the day alone is no order
                continue
            rounds = sum(1 for _ in groupby(name for _, name in timed)) // 2
            if rounds == 1 and timed[0][1] != timed[-1][1]:
                apart.append(title)
            elif rounds >= 2 and not any(sessions):
                turns[title] = rounds
        yield product, other, apart, turns


def _find_stale(view: View) -> Iterator[Flag]:
    """Find products or cells whose newest run, or dated condition, is old beside the product's,
    and those that ran before a version the bench has now.

    Moments come from `began`; a condition whose name ends in `_date` (driver_date) is compared
    the same way. Versions themselves have no age: one is old where later runs recorded another.
    """
    reviewed = view.params.product
    newest: dict[CellKey, dt.datetime] = {}
    dated: dict[tuple[str, str], dt.datetime] = {}  # (product, condition)
    for row in view.used:
        began = moment(row.began)
        if began is not None:
            cell = (row.product, row.title)
            newest[cell] = max(began, newest.get(cell, began))
        for name, text in row.conditions.items():
            day = _day(text) if name.endswith("_date") else None
            if day is not None:
                dated[row.product, name] = max(day, dated.get((row.product, name), day))
    limit = dt.timedelta(days=view.screen.stale_days)
    for product in dict.fromkeys(row.product for row in view.used if row.product != reviewed):
        yield from _stale_runs(product, reviewed, newest, limit)
        for (other, name), day in dated.items():
            ours = dated.get((reviewed, name))
            if other == product and ours is not None and ours - day > limit:
                reason = (
                    f"{name} is {day.date()}, {(ours - day).days} days before the reviewed "
                    f"product's {ours.date()}"
                )
                yield Flag(reason, product=product)
        yield from _stale_versions(product, view)


_MEASURED = re.compile(r"_(c|k|w|v|a|hz|khz|mhz|ghz|pct|rpm|db|dba|s|ms|h|mb|gb|lx|hpa|rh)$")


def _difference(name: str, seen: dict[str, str], tolerance: float | None) -> str:
    """Return how a condition differs among runs, or nothing.

    Parameters
    ----------
    name : str
        Of the condition. One whose name ends in a unit is measured, and differs only beyond a
        tolerance.
    seen : dict of str to str
        What the sheet records, by run.
    tolerance : float or None
        How far measured values may lie apart, in their unit.
    """
    if len(set(seen.values())) < 2:
        return ""
    numbers = {run: _number(text) for run, text in seen.items()}
    read = {run: number for run, number in numbers.items() if number is not None}
    if len(read) == len(seen) and (tolerance is not None or _MEASURED.search(name)):
        span = max(read.values()) - min(read.values())
        if tolerance is None or span <= tolerance:
            return ""
        return (
            f"{name} runs from {min(read.values()):g} to {max(read.values()):g}; at most "
            f"{tolerance:g} apart is wanted"
        )
    runs_of = grouped((text, run) for run, text in seen.items())
    parts = [f"{text} in {_some(runs)}" for text, runs in runs_of.items()]
    return f"{name} differs among the runs: {'; '.join(parts)}"


def _some(runs: Sequence[str]) -> str:
    """Return the first names of a list, and how many more there are."""
    more = f" and {len(runs) - 3} more" if len(runs) > 3 else ""
    return ", ".join(runs[:3]) + more


def _number(text: str) -> float | None:
    """Return a number as people write it, decimal comma or point; None for anything else."""
    try:
        number = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _day(text: str) -> dt.datetime | None:
    """Return a date written 2026-11-25; None for anything else."""
    try:
        return dt.datetime.fromisoformat(text.strip()).replace(tzinfo=dt.UTC)
    except ValueError:
        return None


def _stale_versions(product: str, view: View) -> Iterator[Flag]:
    """Yield a flag for each cell whose newest run has a version that later runs went beyond; one
    for the product where every cell has it."""
    cells = {title: rows[-1] for (other, title), rows in view.cells().items() if other == product}
    for name in view.screen.version_conditions:
        old: dict[str, str] = {}
        for title, row in cells.items():
            later = _later_version(row, name, view)
            if later:
                old[title] = f"{name.replace('_', ' ')} is {row.conditions[name]}; {later}"
        if len(old) == len(cells) > 1 and len(set(old.values())) == 1:
            old = {"": f"{next(iter(old.values()))}, in every title"}
        yield from (Flag(why, product=product, title=title) for title, why in old.items())


def _later_version(row: RunRow, name: str, view: View) -> str:
    """Return which version later runs recorded in place of a run's, or nothing.

    What counts are runs of the same maker's products, and of the reviewed product where the
    condition is a control; for conditions that begin with `title`, runs of the same title.
    """
    began, products = moment(row.began), view.bench.products
    if began is None or not row.conditions.get(name):
        return ""
    maker = products[row.product].maker
    newest, version = began, ""
    for other in view.used:
        if name.startswith("title"):
            counts = other.title == row.title
        else:
            counts = (
                other.product == row.product
                or (maker is not None and products[other.product].maker == maker)
                or (other.product == view.params.product and name in view.params.controls)
            )
        later = moment(other.began)
        if counts and other.conditions.get(name) and later is not None and later > newest:
            newest, version = later, other.conditions[name]
    if not version or version == row.conditions[name]:
        return ""
    return f"runs made later have {version}"


def _stale_runs(
    product: str, reviewed: str, newest: dict[CellKey, dt.datetime], limit: dt.timedelta
) -> Iterator[Flag]:
    """Yield one flag where all of a product's dated cells are old, else one for each that is.

    Parameters
    ----------
    product, reviewed : str
    newest : dict of (str, str) to datetime
        When the newest run of each product in each title began.
    limit : timedelta
        How much older than the reviewed product's it may be.
    """
    ages = {
        title: newest[reviewed, title] - began
        for (other, title), began in newest.items()
        if other == product and (reviewed, title) in newest
    }
    old = {title: age for title, age in ages.items() if age > limit}
    if not ages:
        if any(p == reviewed for p, _ in newest):
            reason = "no run has both a date and a dated run of the reviewed product beside it"
            yield Flag(reason, "cannot_judge", product=product)
        return
    if len(old) == len(ages):
        last = max(newest[product, title] for title in old).date()
        reason = (
            f"its newest run of {last} is {min(old.values()).days} days or more older than the "
            f"reviewed product's in every title"
        )
        yield Flag(reason, product=product)
        return
    for title, age in old.items():
        older = f"{age.days} days older than the reviewed product's"
        reason = f"the newest run of {newest[product, title].date()} is {older}"
        yield Flag(reason, product=product, title=title)


def _spell_range(values: Sequence[float], spell: Callable[[float], str]) -> str:
    """Return the least and the most of some values; one where they read alike.

    >>> _spell_range([0.5, 0.25], percent), _spell_range([0.5], percent)
    ('25 % to 50 %', '50 %')
    """
    least, most = spell(min(values)), spell(max(values))
    return least if least == most else f"{least} to {most}"


# The rules of this module; their order, which is part of the method, is in `screen`.
RULES = (
    Rule(
        "throttling",
        _find_throttling,
        "a clock that falls while the temperature rises, first fifth of a run to last",
        ("throttle_clock_share", "throttle_rise_c"),
    ),
    Rule(
        "capped",
        _find_caps,
        "stretches of frames held at a display's refresh or another cap, and hardly any faster",
        ("caps_hz", "cap_share", "cap_width"),
    ),
    Rule(
        "processor_bound",
        _find_processor_bound,
        "the fastest products of a title are level by their 90 % interval where other titles set "
        "them apart, or sensors read a processor near full load; not judged where the interval "
        "reaches both ways",
        ("processor_bound_margin", "processor_bound_spread", "processor_load_pct"),
    ),
    Rule(
        "rounding",
        _find_rounding,
        "frame times logged in steps that are coarse beside the median frame time",
        ("rounding_share",),
    ),
    Rule(
        "conditions_differ",
        _find_condition_changes,
        "recorded conditions that differ among the runs of one product in one title",
        ("condition_tolerances", "conditions_ignored"),
    ),
    Rule(
        "separate_blocks",
        _find_separate_blocks,
        "two products compared that were run one wholly before the other, in no session of both: "
        "what changed meanwhile, other than the product, is in their margins",
    ),
    Rule(
        "stale",
        _find_stale,
        "a product or cell whose newest run, or dated condition, is older than the reviewed "
        "product's by more than a number of days, or that ran before a version the bench has now",
        ("stale_days", "version_conditions"),
    ),
    Rule(
        "short_tail",
        _find_short_tails,
        "too few independent frames in a run to bound a low's tail (Wilks 1941)",
    ),
    Rule("few_runs", _find_few_runs, "fewer runs left than wanted", ("min_runs",)),
)
