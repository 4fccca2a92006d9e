"""Whether the machines compared are alike in everything but the part under test.

A control is looked up in the run sheet first (a condition of that run), then in the product's
configuration in `bench.yaml`. Both sides of a margin must show the same values in the same
title, or a waiver must name the product and say why.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from kit.bench.runs import RunRow
from kit.errors import BenchError, Fault, UsageError, did_you_mean
from kit.settings.bench_file import Bench
from kit.settings.params import LoadedParams, NamePair, ReviewParams

NOT_RECORDED = "not recorded"
_Seen = dict[tuple[str, str, str], set[str]]  # (control, product, title) -> values seen


@dataclass(frozen=True, slots=True)
class _Mismatch:
    """One control in which a product and a baseline differ, in the titles named.

    Attributes
    ----------
    product_values, baseline_values : tuple of str
        What either side shows in those titles, sorted.
    """

    control: str
    product: str
    baseline: str
    product_values: tuple[str, ...]
    baseline_values: tuple[str, ...]
    titles: tuple[str, ...]
    reason: str  # of the waiver


@dataclass(frozen=True, slots=True)
class Controls:
    """What was alike and what was not: a row per control, a value per product.

    No margin is made of a pair that is not among `pairs`.
    """

    pairs: tuple[tuple[str, str], ...]  # (product, baseline) that were compared
    names: tuple[str, ...] = ()
    values: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)  # as seen
    mismatches: tuple[_Mismatch, ...] = ()  # all waived: an unwaived one raises

    def check_pair(self, product: str, baseline: str) -> None:
        """Refuse a pair whose machines were not compared.

        Raises
        ------
        UsageError
            If the pair is not among `pairs`; the nearest name is given.
        """
        if (product, baseline) in self.pairs:
            return
        for name, known in (
            (product, {p for p, _ in self.pairs}),
            (baseline, {b for p, b in self.pairs if p == product}),
        ):
            if name not in known:
                guess = did_you_mean(name, known, listed=12)
                raise UsageError(
                    f'no control was compared for "{product}" over "{baseline}": "{name}" is not '
                    f"among what was checked{guess}"
                )

    def marks(self, product: str, baseline: str, title: str) -> list[str]:
        """Return the marks of one margin: a control waived, "waived:<control>", each.

        Parameters
        ----------
        product, baseline, title : str
            Ids; a pair that was not compared has none.
        """
        return [f"waived:{control}" for control in self.waived(product, baseline, title)]

    def waived(self, product: str, baseline: str, title: str) -> tuple[str, ...]:
        """Return the controls waived for one margin.

        Parameters
        ----------
        product, baseline, title : str
            Ids; a pair that was not compared has none.
        """
        return tuple(
            m.control
            for m in self.mismatches
            if (m.product, m.baseline) == (product, baseline) and title in m.titles
        )


def compared_pairs(params: ReviewParams) -> tuple[tuple[str, str], ...]:
    """Return every (product, baseline) a review sets against each other, each once.

    A name in two classes adds itself here over there; beside the reviewed one's, newer over older
    here, and there.
    """
    pairs = [(params.product, other) for other in params.compared]
    for first, second in name_pairs(params):
        pairs += [(first.here, second.here), (first.there, second.there)]
    pairs += params.beside
    return tuple(dict.fromkeys(pairs))


def name_pairs(params: ReviewParams) -> list[tuple[NamePair, NamePair]]:
    """Return (reviewed name, other name) for each other pair of one name in two classes."""
    own = [pair for pair in params.same_name if pair.here == params.product]
    return [(own[0], pair) for pair in params.same_name if own and pair is not own[0]]


def check_controls(
    rows: Iterable[RunRow], loaded: LoadedParams, *, titles: Sequence[str]
) -> Controls:
    """Compare the controls of every pair a review sets against each other.

    Parameters
    ----------
    rows : iterable of RunRow
        The runs used.
    loaded : LoadedParams
        The review's params and bench.
    titles : sequence of str
        Titles under review.

    Returns
    -------
    Controls
        Values seen, and mismatches with the reason of their waiver.

    Raises
    ------
    BenchError
        With every control not recorded and every mismatch without a waiver.
    """
    params, bench = loaded.params, loaded.bench
    seen: _Seen = {}
    products = params.products
    for row in rows:
        if row.title not in titles or row.product not in products:
            continue
        for control in params.controls:
            value = _control_value(row, bench, control)
            seen.setdefault((control, row.product, row.title), set()).add(value)
    faults = _not_recorded(loaded, seen)
    mismatches: list[_Mismatch] = []
    pairs = [(product, baseline, "") for product, baseline in compared_pairs(params)]
    pairs += [(p, lead, "") for lead, others in params.machines.items() for p in others]
    for axis in params.axes:  # what is set otherwise is no control of its steps
        over = axis.steps.get(axis.over or next(iter(axis.steps), ""), "")
        pairs += [(p, over, axis.setting) for p in axis.steps.values() if p != over]
    for product, baseline, setting in pairs:
        for control in params.controls:
            if control == setting:
                continue
            found = _mismatch(params, seen, control, product, baseline, titles)
            if found is None:
                continue
            if found.reason:
                mismatches.append(found)
            elif NOT_RECORDED not in (*found.product_values, *found.baseline_values):
                faults.append(_unwaived(found, loaded))
    BenchError.raise_if(faults)
    values: dict[tuple[str, str], set[str]] = {}
    for (control, product, _), found_values in seen.items():
        values.setdefault((control, product), set()).update(found_values)
    return Controls(
        compared_pairs(params),
        names=params.controls,
        values={key: tuple(sorted(found)) for key, found in sorted(values.items())},
        mismatches=tuple(mismatches),
    )


def _not_recorded(loaded: LoadedParams, seen: _Seen) -> list[Fault]:
    """Return a fault for each control that a product compared lacks without a waiver."""
    params = loaded.params
    involved = {product for pair in compared_pairs(params) for product in pair}
    faults = []
    for i, control in enumerate(params.controls):
        lacking = {p for (c, p, _), v in seen.items() if c == control and NOT_RECORDED in v}
        blank = sorted(lacking & involved)
        if not all(_waiver(params, control, p) for p in blank):
            said = (
                f'"{control}" is not recorded for {", ".join(blank)}: give it under configuration '
                "in bench.yaml or as a column of runs.csv, or waive it"
            )
            faults.append(loaded.document.fault(said, "controls", i))
    return faults


def _unwaived(found: _Mismatch, loaded: LoadedParams) -> Fault:
    """Return the fault of a mismatch that no waiver names."""
    return loaded.document.fault(
        f"{found.product} against {found.baseline}: {found.control} is "
        f"{_listed(found.product_values)} on one side and {_listed(found.baseline_values)} on the "
        f"other (in {_titles(found.titles)}). Make the machines alike, or name the control "
        'under "waivers" with the product and the reason',
        "controls",
    )


def _control_value(row: RunRow, bench: Bench, control: str) -> str:
    """Return a run's value of a control: its own condition, else its product's configuration."""
    own = row.conditions.get(control)
    if own:
        return own
    return bench.products[row.product].configuration.get(control, NOT_RECORDED)


def _mismatch(
    params: ReviewParams,
    seen: _Seen,
    control: str,
    product: str,
    baseline: str,
    titles: Sequence[str],
) -> _Mismatch | None:
    """Return in which titles a pair differs in one control, or None where they are alike.

    Parameters
    ----------
    params : ReviewParams
        Its waivers: one that names the baseline comes before one that names the product.
    seen : dict of (control, product, title) to set of str
        Values of the runs used.
    control, product, baseline : str
    titles : sequence of str
        One in which either side has no run is passed over.
    """
    apart: list[str] = []
    ours: set[str] = set()
    theirs: set[str] = set()
    for title in titles:
        mine = seen.get((control, product, title))
        other = seen.get((control, baseline, title))
        if mine and other and mine != other:
            apart.append(title)
            ours |= mine
            theirs |= other
    if not apart:
        return None
    reason = _waiver(params, control, baseline) or _waiver(params, control, product)
    return _Mismatch(
        control=control, product=product, baseline=baseline, product_values=tuple(sorted(ours)),
        baseline_values=tuple(sorted(theirs)), titles=tuple(apart), reason=reason,
    )  # fmt: skip


def _waiver(params: ReviewParams, control: str, product: str) -> str:
    """Return the reason for which a control is waived for a product, "" where it is not."""
    for waiver in params.waivers:
        if waiver.control == control and product in waiver.products:
            return waiver.reason
    return ""


def _listed(values: Sequence[str]) -> str:
    """Return values in quotes, joined by "and"."""
    return " and ".join(f'"{value}"' for value in values)


def _titles(titles: Sequence[str]) -> str:
    """Return the first three titles, and how many more there are."""
    if len(titles) > 3:
        return f"{', '.join(titles[:3])} and {len(titles) - 3} more titles"
    return ", ".join(titles)
