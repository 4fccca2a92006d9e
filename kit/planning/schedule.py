"""The order of runs, mixed so that drift falls on no product alone; the list of checks."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import TYPE_CHECKING

from kit.settings.bench_file import Bench
from kit.settings.params import PlanParams, ReviewParams

if TYPE_CHECKING:
    import pandas as pd

Key = tuple[str, str]  # (product, title)


@dataclass(frozen=True, slots=True)
class ScheduledRun:
    """One run of the order: its place, its block, and which run of its cell it is."""

    place: int  # from 1
    block: int  # from 1
    product: str
    title: str
    number: int  # of this title on this product, from 1


def order_runs(
    counts: Mapping[Key, int], *, seed: int, by_product: bool = False
) -> tuple[ScheduledRun, ...]:
    """Return the order in which to make a number of runs.

    Parameters
    ----------
    counts : mapping of (product, title) to int
        Runs to make, such as `Plan.counts()`.
    seed : int
        Of the order.
    by_product : bool
        Keep the runs of one product together within a block, where going from one machine to
        another costs time.

    Returns
    -------
    tuple of ScheduledRun

    Raises
    ------
    ValueError
        If a count is negative.

    Notes
    -----
    A randomised complete block design: each block holds every product in every title once, in
    random order, so that what drifts over hours (room, firmware, a battery) falls on all alike.
    Products with fewer runs than others have theirs spread over all blocks, not in the first ones.
    Within a block no product is run twice in a row wherever its counts allow; with `by_product` the
    order of products is random in each block, and of titles within each product.
    """
    if any(count < 0 for count in counts.values()):
        raise ValueError("counts must not be negative")
    draw = random.Random(seed)
    blocks: list[list[Key]] = [[] for _ in range(max(counts.values(), default=0))]
    for key in sorted(counts):
        for place in _spread(counts[key], len(blocks), draw):
            blocks[place].append(key)
    order: list[ScheduledRun] = []
    made: dict[Key, int] = {}
    last = ""
    for number, block in enumerate(blocks, start=1):
        mixed = _grouped(block, draw) if by_product else _apart(block, last, draw)
        for product, title in mixed:
            made[product, title] = made.get((product, title), 0) + 1
            order.append(ScheduledRun(len(order) + 1, number, product, title, made[product, title]))
            last = product
    return tuple(order)


def _spread(count: int, blocks: int, draw: random.Random) -> list[int]:
    """Return `count` of `blocks` places, evenly spread from a random start."""
    if count == 0:
        return []
    start = draw.random()
    return [int((i + start) * blocks / count) for i in range(count)]


def _grouped(block: Sequence[Key], draw: random.Random) -> list[Key]:
    """Return a block with each product's titles together, both in random order."""
    products = sorted({product for product, _ in block})
    draw.shuffle(products)
    mixed = list(block)
    draw.shuffle(mixed)
    return sorted(mixed, key=lambda key: products.index(key[0]))


def _apart(block: Sequence[Key], last: str, draw: random.Random) -> list[Key]:
    """Return a block in random order, no product twice in a row where that can be."""
    left: dict[str, list[Key]] = {}
    for key in block:
        left.setdefault(key[0], []).append(key)
    for keys in left.values():
        draw.shuffle(keys)
    order: list[Key] = []
    while left:
        total = sum(map(len, left.values()))
        # After this run, total - 1 are left. A product can be kept from following itself as long
        # as no other has more than half of them, rounded up, and itself no more than half.
        crowded = [p for p, keys in left.items() if p != last and 2 * len(keys) > total]
        allowed = crowded[:1] or [p for p in left if p != last] or list(left)
        # By what is left of each: every order of the block stays about as likely as any other.
        product = draw.choices(allowed, weights=[len(left[p]) for p in allowed])[0]
        order.append(left[product].pop())
        if not left[product]:
            del left[product]
        last = product
    return order


def count_switches(order: Sequence[ScheduledRun]) -> int:
    """Return how often the next run is on another product."""
    return sum(a.product != b.product for a, b in pairwise(order))


def bench_minutes(
    order: Sequence[ScheduledRun], params: PlanParams, *, run_s: Mapping[str, float]
) -> float:
    """Return the time an order takes: set-up and run of each, and going between products.

    Parameters
    ----------
    order : sequence of ScheduledRun
        From `order_runs`.
    params : PlanParams
        `setup_s`, `switch_s`, and `run_s` for titles not in the mapping.
    run_s : mapping of str to float
        Length of a run by title, in seconds.
    """
    runs = sum(params.setup_s + run_s.get(run.title, params.run_s) for run in order)
    return (runs + count_switches(order) * params.switch_s) / 60


def order_frame(order: Sequence[ScheduledRun]) -> pd.DataFrame:
    """Return one row per run: place, block, product, title, number."""
    import pandas as pd

    names = [f.name for f in fields(ScheduledRun)]
    return pd.DataFrame([[getattr(run, n) for n in names] for run in order], columns=names)


CAUTIONS = (
    "Before opening a machine: shut it down, take it off the mains, disconnect the battery, hold "
    "the power button to discharge it, and wait. Capacitors of power supplies hold a charge: do "
    "not open a power supply.",
    "Heat sinks, exhausts and the underside of a portable computer are hot after a run. Let them "
    "cool before touching or packing, and never run a machine on bedding or with covered vents.",
    "A battery that is swollen, smells or is hot is not charged or used again; put it outside, "
    "away from what burns, and have it taken away.",
    "Metering at the mains is done with a meter made for it, plugged in between. Work on mains "
    "wiring is for people qualified to do it.",
    "Scenes with flashing light may harm people with photosensitive epilepsy: warn those in the "
    "room, and turn the display off or away where nobody needs to look.",
    "Fans at full speed for hours are loud: protect hearing, or leave the room.",
    "Do not leave machines under load alone without a smoke alarm and someone within reach.",
    "The rules of the place, and of the law there, come before this list.",
)


def list_checks(bench: Bench, params: ReviewParams) -> tuple[str, ...]:
    """Return the check-list of a series of runs, a line each, to print.

    Parameters
    ----------
    bench : Bench
        Products, titles and the meaning of the controls.
    params : ReviewParams
        Which products and titles, and what must be alike.
    """
    titles = list(bench.titles) if params.titles == "all" else list(params.titles)
    waived = {
        (waiver.control, product): waiver.reason
        for waiver in params.waivers
        for product in waiver.products
    }
    lines = [f"Before runs for: {params.title}", "", "Alike on every machine"]
    for control in params.controls:
        meaning = bench.controls.get(control, "")
        lines.append(f"[ ] {control}" + (f": {meaning}" if meaning else ""))
        for product in params.products:
            entry = bench.products[product]
            value = entry.configuration.get(control, "not in bench.yaml: note it with each run")
            waiver = waived.get((control, product))
            end = f" (waived: {waiver})" if waiver else ""
            lines.append(f"    [ ] {entry.name}: {value}{end}")
    lines += ["", "Titles and settings"]
    for name in titles:
        title = bench.titles[name]
        settings = ", ".join(f"{k} {v}" for k, v in title.settings.items())
        length = f"{title.planned_s:g} s" if title.planned_s else "length not stated"
        lines.append(f"[ ] {title.name} ({length})" + (f": {settings}" if settings else ""))
    lines += ["", "Before the first run"]
    lines += [f"[ ] {line}" for line in _FIRST]
    lines += ["", "With every run"]
    lines += [f"[ ] {line}" for line in _EVERY]
    lines += ["", "Cautions"]
    lines += [f"[ ] {line}" for line in CAUTIONS]
    return tuple(lines)


_FIRST = (
    "Updates of the system, drivers and titles are finished, then held back; their versions are "
    "in the run sheet.",
    "On mains power, battery full, same power mode and fan mode everywhere.",
    "Frame-rate caps and display synchronisation are off, or recorded where they cannot be.",
    "Overlays, recordings, downloads and scans in the background are off.",
    "Machines stand free on a hard surface; the room's temperature is noted.",
    "Counts and order of runs are fixed and printed. They are not changed by what comes out.",
)
_EVERY = (
    "The order on the printed list is kept; a run that fails stays in the run sheet with its "
    "reason.",
    "The machine has idled long enough to start as cool as for the run before.",
    "The same scene from the same starting point, started afresh.",
    "The log is copied unchanged at once; nobody opens it in a spreadsheet and saves it.",
    "Anything odd is written down in the run's row, before its figures are looked at.",
)
