"""Rules of screening about what limits a title, and about what can be set side by side.

These never set a run aside: the figures stand, and the reader is told what they mean.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Sequence

import numpy as np

from kit.flags import CellKey, Flag, View, few, log_values, moment, percent, run_flag
from kit.runs import RunRow
from kit.signs import LOW_SHARES, RunSigns

# A cap, a rounding or a load is a cell's when at least this share of its runs shows it.
SHARE_OF_RUNS = 0.5
# Of the other titles two products share, this many must set them apart before agreement in
# one title says anything.
APART_IN_SHARE = 0.75
FEWEST_OTHER_TITLES = 2
TAIL_CONFIDENCE = 0.95
LOW_WORDS = {"low_1pct_fps": "1 % low", "low_0_1pct_fps": "0.1 % low"}

LoggedRun = tuple[RunRow, RunSigns]


def find_caps(view: View) -> list[Flag]:
    """Find cells held at a display's refresh or another cap."""
    flags = []
    for (product, title), runs in _frame_cells(view).items():
        held = [(hz, share) for hz, share in map(_held_at, runs) if share >= view.screen.cap_share]
        if not held or len(held) < SHARE_OF_RUNS * len(runs):
            continue
        rates = sorted({hz for hz, _ in held})
        rate = " and ".join(f"{hz:g} Hz" for hz in rates)
        least, most = min(share for _, share in held), max(share for _, share in held)
        share = percent(most) if least == most else f"{percent(least)} to {percent(most)}"
        reason = (
            f"held at {rate} for {share} of the time in {len(held)} of {few(len(runs))}: the "
            f"figure is the cap's, and the product may be able to do more"
        )
        flags.append(Flag("capped", "flag", reason, "", product, title))
    return flags


def find_throttling(view: View) -> list[Flag]:
    """Find runs whose clock fell while the temperature rose."""
    flags = []
    for row, signs in view.logged():
        fell, rose = signs.clock_change_share, signs.temperature_change_c
        if fell is None or rose is None:
            continue
        if -fell >= view.screen.throttle_clock_share and rose >= view.screen.throttle_rise_c:
            reason = (
                f"the clock fell by {percent(-fell)} while the temperature rose by {rose:.1f} "
                f"degrees, from the first fifth of the run to the last: limited by heat"
            )
            flags.append(run_flag("throttling", row, reason))
    return flags


def find_processor_bound(view: View) -> list[Flag]:
    """Find titles the processor limits: unlike products agree, or load sensors say so.

    The fastest products of a title must agree within `processor_bound_margin` although at least
    three quarters of the other titles set two of them `processor_bound_spread` apart. Capped
    cells are left out, since a cap makes products agree as well.
    """
    capped = {(flag.product, flag.title) for flag in find_caps(view)}
    levels = _cell_levels(view, without=capped)
    flags = []
    for title in dict.fromkeys(title for _, title in levels):
        here = {p: level for (p, t), level in levels.items() if t == title}
        best = max(here.values())
        top = [p for p in here if best - here[p] <= math.log1p(view.screen.processor_bound_margin)]
        pair = _unlike_pair(levels, top, title, spread=view.screen.processor_bound_spread)
        if pair is None:
            continue
        a, b, apart = pair
        reason = (
            f"looks bound by the processor: {', '.join(sorted(top))} agree within "
            f"{percent(math.expm1(best - min(here[p] for p in top)))}, while {a} and {b} are "
            f"{percent(math.expm1(apart))} apart over their other titles"
        )
        flags.append(Flag("processor_bound", "flag", reason, "", "", title))
    return flags + _loaded_processors(view)


def find_rounding(view: View) -> list[Flag]:
    """Find cells whose logs are written more coarsely than their frame times need."""
    flags = []
    for (product, title), runs in _frame_cells(view).items():
        coarse = [
            signs
            for _, signs in runs
            if signs.step_ms > view.screen.rounding_share * signs.median_ms
        ]
        if not coarse or len(coarse) < SHARE_OF_RUNS * len(runs):
            continue
        worst = max(coarse, key=lambda signs: signs.step_ms / signs.median_ms)
        reason = (
            f"logged in steps of {worst.step_ms:g} ms, {percent(worst.step_ms / worst.median_ms)} "
            f"of the median frame time ({len(coarse)} of {few(len(runs))}): averages are hardly "
            f"touched, lows and hitches are"
        )
        flags.append(Flag("rounding", "flag", reason, "", product, title))
    return flags


def find_condition_changes(view: View) -> list[Flag]:
    """Find cells recorded under differing conditions, such as a driver changed between runs.

    Conditions whose name ends in a unit are measured: they are compared only where
    `condition_tolerances` says how far they may differ. What a row leaves empty is not known
    to differ.
    """
    flags = []
    for (product, title), rows in view.cells().items():
        names = dict.fromkeys(name for row in rows for name in row.conditions)
        for name in names:
            if name in view.screen.conditions_ignored:
                continue
            seen = {row.run: row.conditions[name] for row in rows if row.conditions.get(name)}
            reason = _difference(name, seen, view.screen.condition_tolerances.get(name))
            if reason:
                flags.append(Flag("conditions_differ", "flag", reason, "", product, title))
    return flags


def find_stale(view: View) -> list[Flag]:
    """Find products or cells whose newest run, or dated condition, is old beside the product's.

    Moments come from `began`; a condition whose name ends in `_date` (driver_date) is compared
    the same way. Versions themselves have no age and are left to the controls.
    """
    reviewed = view.params.product
    newest: dict[CellKey, dt.datetime] = {}
    dated: dict[tuple[str, str], dt.datetime] = {}  # (product, condition)
    products = dict.fromkeys(row.product for row in view.used)
    for row in view.used:
        began = moment(row.began)
        if began is not None:
            cell = (row.product, row.title)
            newest[cell] = max(began, newest.get(cell, began))
        for name, text in row.conditions.items():
            day = _day(text) if name.endswith("_date") else None
            if day is not None:
                dated[row.product, name] = max(day, dated.get((row.product, name), day))
    flags: list[Flag] = []
    limit = dt.timedelta(days=view.screen.stale_days)
    for product in products:
        if product == reviewed:
            continue
        flags += _stale_runs(product, reviewed, newest, limit)
        for (other, name), day in dated.items():
            ours = dated.get((reviewed, name))
            if other == product and ours is not None and ours - day > limit:
                reason = (
                    f"{name} is {day.date()}, {(ours - day).days} days before the reviewed "
                    f"product's {ours.date()}"
                )
                flags.append(Flag("stale", "flag", reason, "", product, ""))
    return flags


def find_short_tails(view: View) -> list[Flag]:
    """Find cells whose runs hold too few independent frames for a low."""
    flags = []
    for (product, title), runs in _frame_cells(view).items():
        for metric, share in LOW_SHARES.items():
            needed = frames_for_tail(share)
            short = [
                signs.tail_frames.get(metric, 0.0)
                for _, signs in runs
                if signs.tail_frames.get(metric, 0.0) < needed
            ]
            if short:
                reason = (
                    f"{LOW_WORDS[metric]}: {len(short)} of {few(len(runs))} hold fewer than the "
                    f"{needed:,} independent frames that bound such a tail at "
                    f"{percent(TAIL_CONFIDENCE)} (the least {min(short):,.0f}; Wilks 1941)"
                )
                flags.append(Flag("short_tail", "flag", reason, "", product, title, metric))
    return flags


def find_few_runs(view: View) -> list[Flag]:
    """Find cells with fewer runs left than wanted."""
    left = {cell: len(rows) for cell, rows in view.cells().items()}
    flags = []
    for product, title in dict.fromkeys((row.product, row.title) for row in view.rows):
        count = left.get((product, title), 0)
        if count < view.screen.min_runs:
            reason = f"{few(count)} left; {view.screen.min_runs} wanted" if count else "no run left"
            flags.append(Flag("few_runs", "flag", reason, "", product, title))
    return flags


def frames_for_tail(share: float) -> int:
    """Return how many independent frames bound a tail of `share` with 95 % confidence.

    The smallest n with 1 - (1 - share)^n >= 0.95 [1]_.

    References
    ----------
    .. [1] S. S. Wilks (1941), "Determination of sample sizes for setting tolerance limits",
           Annals of Mathematical Statistics 12(1), 91-96.

    Examples
    --------
    >>> frames_for_tail(0.05), frames_for_tail(0.01)
    (59, 299)
    """
    return math.ceil(math.log(1.0 - TAIL_CONFIDENCE) / math.log1p(-share))


def _frame_cells(view: View) -> dict[CellKey, list[LoggedRun]]:
    """Return the used logs of each product in each title that measures frames."""
    cells: dict[CellKey, list[LoggedRun]] = {}
    for row, signs in view.logged():
        if signs.measurable and view.measures_frames(row.title):
            cells.setdefault((row.product, row.title), []).append((row, signs))
    return cells


def _held_at(run: LoggedRun) -> tuple[float, float]:
    """Return the cap a run is held at most, in Hz, and the share of it that is."""
    shares = run[1].cap_shares
    return max(shares.items(), key=lambda item: item[1], default=(0.0, 0.0))


def _cell_levels(view: View, *, without: set[CellKey]) -> dict[CellKey, float]:
    """Return the mean log figure of each cell of a frame-rate title."""
    levels: dict[CellKey, float] = {}
    for cell, rows in view.cells().items():
        values = log_values(view, rows) if view.measures_frames(cell[1]) else None
        if values is not None and cell not in without:
            levels[cell] = float(values.mean())
    return levels


def _unlike_pair(
    levels: dict[CellKey, float], top: Sequence[str], title: str, *, spread: float
) -> tuple[str, str, float] | None:
    """Return the two of `top` that other titles set farthest apart, if they do; log distance."""
    best: tuple[str, str, float] | None = None
    for i, a in enumerate(top):
        for b in top[i + 1 :]:
            gaps = np.array(
                [
                    levels[a, other] - levels[b, other]
                    for other in dict.fromkeys(t for p, t in levels if p == a)
                    if other != title and (b, other) in levels
                ]
            )
            if gaps.size < FEWEST_OTHER_TITLES:
                continue
            mean = float(gaps.mean())
            apart = np.count_nonzero(gaps * np.sign(mean) >= math.log1p(spread))
            if abs(mean) < math.log1p(spread) or apart < APART_IN_SHARE * gaps.size:
                continue
            if best is None or abs(mean) > best[2]:
                best = (a, b, abs(mean))
    return best


def _loaded_processors(view: View) -> list[Flag]:
    """Return a flag for each cell whose processor-load sensors read near full."""
    flags = []
    for (product, title), runs in _frame_cells(view).items():
        loads: list[tuple[float, str]] = []
        for _, signs in runs:
            read = [
                (mean, name)
                for name, mean in signs.sensor_means.items()
                if name.startswith("processor") and name.endswith("load_pct")
            ]
            if read:
                loads.append(max(read))
        if not loads:
            continue
        mean = sum(load for load, _ in loads) / len(loads)
        if mean >= view.screen.processor_load_pct:
            reason = (
                f"bound by the processor: {max(loads)[1]} averaged {percent(mean / 100)} over "
                f"{few(len(loads))}"
            )
            flags.append(Flag("processor_bound", "flag", reason, "", product, title))
    return flags


_MEASURED = re.compile(r"_(c|k|w|v|a|hz|khz|mhz|ghz|pct|rpm|db|dba|s|ms|h|mb|gb|lx|hpa|rh)$")


def _difference(name: str, seen: dict[str, str], tolerance: float | None) -> str:
    """Return how a condition differs among runs, or nothing."""
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
    runs_of: dict[str, list[str]] = {}
    for run, text in seen.items():
        runs_of.setdefault(text, []).append(run)
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


def _stale_runs(
    product: str,
    reviewed: str,
    newest: dict[CellKey, dt.datetime],
    limit: dt.timedelta,
) -> Iterable[Flag]:
    """Return one flag where all of a product's dated cells are old, else one for each that is."""
    ages = {
        title: newest[reviewed, title] - began
        for (other, title), began in newest.items()
        if other == product and (reviewed, title) in newest
    }
    old = {title: age for title, age in ages.items() if age > limit}
    if not ages:
        if any(p == reviewed for p, _ in newest):
            reason = "no run has both a date and a dated run of the reviewed product beside it"
            return [Flag("stale", "cannot_judge", reason, "", product, "")]
        return []
    if len(old) == len(ages):
        last = max(newest[product, title] for title in old).date()
        reason = (
            f"its newest run of {last} is {min(old.values()).days} days or more older than the "
            f"reviewed product's in every title"
        )
        return [Flag("stale", "flag", reason, "", product, "")]
    return [
        Flag(
            "stale",
            "flag",
            f"the newest run of {newest[product, title].date()} is {age.days} days older than "
            f"the reviewed product's",
            "",
            product,
            title,
        )
        for title, age in old.items()
    ]
