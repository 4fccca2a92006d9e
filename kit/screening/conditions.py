"""Rules of screening about when and under what conditions runs were recorded.

These never set a run aside: the figures stand, and the reader is told what they mean.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence

from kit.bench.runs import RunRow
from kit.screening.flags import CellKey, Flag, View, moment


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
    """Find products or cells whose newest run, or dated condition, is old beside the product's,
    and those that ran before a version the bench has now.

    Moments come from `began`; a condition whose name ends in `_date` (driver_date) is compared
    the same way. Versions themselves have no age: one is old where later runs recorded another.
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
        flags += _stale_versions(product, view)
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


def _stale_versions(product: str, view: View) -> list[Flag]:
    """Return a flag for each cell whose newest run has a version that later runs went beyond; one
    for the product where every cell has it."""
    cells = {title: rows[-1] for (other, title), rows in view.cells().items() if other == product}
    flags = []
    for name in view.screen.version_conditions:
        old: dict[str, str] = {}
        for title, row in cells.items():
            later = _later_version(row, name, view)
            if later:
                old[title] = f"{name.replace('_', ' ')} is {row.conditions[name]}; {later}"
        if len(old) == len(cells) > 1 and len(set(old.values())) == 1:
            old = {"": f"{next(iter(old.values()))}, in every title"}
        flags += [Flag("stale", "flag", why, "", product, title) for title, why in old.items()]
    return flags


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
    product: str,
    reviewed: str,
    newest: dict[CellKey, dt.datetime],
    limit: dt.timedelta,
) -> list[Flag]:
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
