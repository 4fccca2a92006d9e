"""The efficient frontier of price and performance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Status = Literal["on", "dominated", "extendedly_dominated", "tie"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where one product stands: its status, and the products (by index) that put it there.

    `beaten_by` holds the products that dominate it; for "extendedly_dominated" the two frontier
    products on either side, for "tie" the others with its price and rate. `step_cost` is the cost
    of one more unit of rate, from the next cheaper place on the frontier to this one.
    """

    status: Status
    beaten_by: tuple[int, ...] = ()
    step_cost: float | None = None


def find_frontier(costs: Sequence[float], rates: Sequence[float]) -> tuple[Place, ...]:
    """Return each product's place on the efficient frontier.

    Parameters
    ----------
    costs, rates : sequence of float
        Price and performance of each product, in the same order. Finite.

    Returns
    -------
    tuple of Place
        One per product, in the order given.

    Raises
    ------
    ValueError
        If the two differ in length or hold a value that is not finite.

    Notes
    -----
    A product is dominated where another is no worse in both and better in one; equal in both is a
    tie, and both are kept. It is extendedly dominated where the step to it from the next cheaper
    frontier product costs more per unit of rate than the step beyond it: a buyer between the two
    neighbours gets more per unit of money from one of them. Equal means equal to one part in 1e9.
    """
    if len(costs) != len(rates) or not all(map(math.isfinite, (*costs, *rates))):
        raise ValueError("costs and rates must be finite and of one length")
    count = len(costs)
    # One of each set of twins (equal in both) stands for all of them.
    twins: dict[int, tuple[int, ...]] = {}
    for i in range(count):
        for j in twins:
            if _same(costs[i], costs[j]) and _same(rates[i], rates[j]):
                twins[j] = (*twins[j], i)
                break
        else:
            twins[i] = (i,)
    places: dict[int, Place] = {}
    for i, alike in twins.items():
        beaten_by = [
            k
            for j, others in twins.items()
            if j != i
            and (costs[j] < costs[i] or _same(costs[j], costs[i]))
            and (rates[j] > rates[i] or _same(rates[j], rates[i]))
            for k in others
        ]
        if beaten_by:
            places.update(dict.fromkeys(alike, Place("dominated", tuple(sorted(beaten_by)))))
    left = [i for i in twins if i not in places]
    left.sort(key=lambda i: costs[i])
    hull: list[int] = []
    for i in left:
        while len(hull) >= 2:
            before, middle = hull[-2:]
            to_middle = (costs[middle] - costs[before]) / (rates[middle] - rates[before])
            beyond = (costs[i] - costs[middle]) / (rates[i] - rates[middle])
            if to_middle <= beyond or _same(to_middle, beyond):
                break
            hull.pop()
        hull.append(i)
    for i in left:
        place = _hull_place(i, hull, costs, rates, twins)
        for twin in twins[i]:
            others = tuple(j for j in twins[i] if j != twin)
            tied = place.status == "on" and bool(others)
            places[twin] = Place("tie", others, place.step_cost) if tied else place
    return tuple(places[i] for i in range(count))


def _hull_place(
    i: int,
    hull: Sequence[int],
    costs: Sequence[float],
    rates: Sequence[float],
    twins: dict[int, tuple[int, ...]],
) -> Place:
    """Return the place of a product no other dominates."""
    if i in hull:
        at = hull.index(i)
        if at == 0:
            return Place("on")
        before = hull[at - 1]
        return Place("on", (), (costs[i] - costs[before]) / (rates[i] - rates[before]))
    below = [j for j in hull if costs[j] < costs[i]][-1]
    above = next(j for j in hull if costs[j] > costs[i])
    return Place("extendedly_dominated", (*twins[below], *twins[above]))


def _same(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=1e-9)
