"""Rules of screening about what limits a title, and what its figures can bear.

These never set a run aside: the figures stand, and the reader is told what they mean.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from kit.bench.runs import RunRow
from kit.metrics.signs import RunSigns
from kit.screening.flags import CellKey, Flag, View, few, log_values, percent, run_flag, spell_range
from kit.stats.lows import LOW_SHARES

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
    """Find runs held at a display's refresh or another cap; one flag where a cell mostly is."""
    flags = []
    for cell, runs in _frame_cells(view).items():
        held = {row.run: _held_at(signs) for row, signs in runs}
        held = {run: at for run, at in held.items() if at[1] >= view.screen.cap_share}

        def spell(names: Sequence[str], held: dict[str, tuple[float, float]] = held) -> str:
            rates = " and ".join(f"{hz:g} Hz" for hz in sorted({held[run][0] for run in names}))
            return (
                f"held at {rates} for {spell_range([held[run][1] for run in names], percent)} of "
                f"the time: the figure is the cap's, and the product may be able to do more"
            )

        flags += _cell_or_runs("capped", cell, runs, list(held), spell)
    return flags


def find_throttling(view: View) -> list[Flag]:
    """Find runs whose clock fell while the temperature rose."""
    flags = []
    for cell, runs in _frame_cells(view).items():
        moved = {
            row.run: (-signs.clock_change_share, signs.temperature_change_c)
            for row, signs in runs
            if signs.clock_change_share is not None
            and signs.temperature_change_c is not None
            and -signs.clock_change_share >= view.screen.throttle_clock_share
            and signs.temperature_change_c >= view.screen.throttle_rise_c
        }

        def spell(names: Sequence[str], moved: dict[str, tuple[float, float]] = moved) -> str:
            rises = spell_range([moved[run][1] for run in names], lambda c: f"{c:.1f}")
            return (
                f"the clock fell by {spell_range([moved[run][0] for run in names], percent)} while "
                f"the temperature rose by {rises} degrees, from the first fifth of a run to the "
                f"last: limited by heat"
            )

        flags += _cell_or_runs("throttling", cell, runs, list(moved), spell)
    return flags


def find_processor_bound(view: View) -> list[Flag]:
    """Find titles the processor limits: unlike products agree, or load sensors say so.

    Among machines with one processor, a title's fastest products must agree within
    `processor_bound_margin` although at least three quarters of the other titles set two of them
    `processor_bound_spread` apart. Capped cells are left out: a cap makes products agree as
    well. Where no processor is recorded, machines of one class are taken together.
    """
    capped = {(flag.product, flag.title) for flag in find_caps(view) if not flag.run}
    levels = _cell_levels(view, without=capped)
    groups: dict[str, list[str]] = {}
    for product in dict.fromkeys(product for product, _ in levels):
        machine = view.bench.products[product]
        processor = machine.configuration.get("processor", machine.machine_class)
        groups.setdefault(processor, []).append(product)
    flags = []
    for title in dict.fromkeys(title for _, title in levels):
        said = []
        for kin in groups.values():
            here = {p: levels[p, title] for p in kin if (p, title) in levels}
            agreed = _agreeing(here, within=view.screen.processor_bound_margin)
            pair = _unlike_pair(levels, agreed, title, spread=view.screen.processor_bound_spread)
            if pair is not None:
                a, b, apart = pair
                span = max(here.values()) - min(here[p] for p in agreed)
                said.append(
                    f"{', '.join(sorted(agreed))} agree within {percent(math.expm1(span))}, "
                    f"while {a} and {b} are {percent(math.expm1(apart))} apart over their other "
                    f"titles"
                )
        if said:
            reason = f"looks bound by the processor: {'; '.join(said)}"
            flags.append(Flag("processor_bound", "flag", reason, "", "", title))
    return flags + _loaded_processors(view)


def find_rounding(view: View) -> list[Flag]:
    """Find logs written more coarsely than their frame times need."""
    flags = []
    for cell, runs in _frame_cells(view).items():
        coarse = {
            row.run: (signs.step_ms, signs.step_ms / signs.median_ms)
            for row, signs in runs
            if signs.step_ms > view.screen.rounding_share * signs.median_ms
        }

        def spell(names: Sequence[str], coarse: dict[str, tuple[float, float]] = coarse) -> str:
            steps = spell_range([coarse[run][0] for run in names], lambda ms: f"{ms:g} ms")
            return (
                f"logged in steps of {steps}, "
                f"{spell_range([coarse[run][1] for run in names], percent)} of the median frame "
                f"time: averages are hardly touched, lows and hitches are"
            )

        flags += _cell_or_runs("rounding", cell, runs, list(coarse), spell)
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


def _cell_or_runs(
    rule: str,
    cell: CellKey,
    runs: Sequence[LoggedRun],
    found: Sequence[str],
    spell: Callable[[Sequence[str]], str],
) -> list[Flag]:
    """Return one flag about the cell where most of its runs show a thing, else one for each."""
    if not found:
        return []
    if len(found) >= SHARE_OF_RUNS * len(runs):
        count = f"{len(found)} of {few(len(runs))}"
        return [Flag(rule, "flag", f"{count}: {spell(found)}", "", *cell)]
    rows = {row.run: row for row, _ in runs}
    return [run_flag(rule, rows[run], spell([run])) for run in found]


def _held_at(signs: RunSigns) -> tuple[float, float]:
    """Return the cap a run is held at most, in Hz, and the share of it that is."""
    return max(signs.cap_shares.items(), key=lambda item: item[1], default=(0.0, 0.0))


def _cell_levels(view: View, *, without: set[CellKey]) -> dict[CellKey, float]:
    """Return the mean log figure of each cell of a frame-rate title."""
    levels: dict[CellKey, float] = {}
    for cell, rows in view.cells().items():
        values = log_values(view, rows) if view.measures_frames(cell[1]) else None
        if values is not None and cell not in without:
            levels[cell] = float(values.mean())
    return levels


def _agreeing(levels: dict[str, float], *, within: float) -> list[str]:
    """Return the fastest products of one title and all that come as near as `within`."""
    best = max(levels.values(), default=0.0)
    return [product for product, level in levels.items() if best - level <= math.log1p(within)]


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
