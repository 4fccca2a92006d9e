"""The efficient frontier."""

import itertools

import numpy as np
import pytest

from kit.value.frontier import find_frontier

# Table 7 of an article in Australia and New Zealand Health Policy 2005, 2:10: costs and effects of
# programmes, each one dearer and better than the one before, with the printed ratio of each step.
COSTS = [0, 140117791, 248112291, 304301903, 370181240, 422777702]
EFFECTS = [0, 3551, 6023, 6720, 7076, 7299]
PRINTED_STEPS = [39459, 43687, 80616, 185054, 235859]


def test_steps_match_the_printed_table():
    places = find_frontier(COSTS, EFFECTS)
    assert {place.status for place in places} == {"on"}
    assert places[0].step_cost is None
    steps = [place.step_cost for place in places[1:]]
    assert steps == pytest.approx(PRINTED_STEPS, abs=0.5)  # printed to the unit
    assert steps == sorted(steps)


# Constructed; expected places and steps by plain arithmetic from the definitions.
SEVEN = {
    "P1": (200, 60),
    "P2": (250, 66),
    "P3": (300, 75),
    "P4": (300, 72),
    "P5": (350, 75),
    "P6": (400, 88),
    "P7": (550, 96),
}


def places_of(products):
    costs, rates = zip(*products.values(), strict=True)
    return dict(zip(products, find_frontier(costs, rates), strict=True))


def test_dominated_and_extendedly_dominated_products_are_told_apart():
    places = places_of(SEVEN)
    assert {p for p, place in places.items() if place.status == "on"} == {"P1", "P3", "P6", "P7"}
    assert {p for p, place in places.items() if place.status == "dominated"} == {"P4", "P5"}
    assert places["P2"].status == "extendedly_dominated"
    assert places["P2"].beaten_by == (0, 2)
    assert places["P4"].beaten_by == (2,)
    assert places["P5"].beaten_by == (2,)
    steps = [places[p].step_cost for p in ("P3", "P6", "P7")]
    assert steps == pytest.approx([100 / 15, 100 / 13, 150 / 8], rel=1e-12)


def test_equal_in_both_is_a_tie_and_both_are_kept():
    places = find_frontier([100, 200, 200, 300], [50, 80, 80, 90])
    assert [p.status for p in places] == ["on", "tie", "tie", "on"]
    assert (places[1].beaten_by, places[2].beaten_by) == ((2,), (1,))
    assert places[1].step_cost == places[2].step_cost == pytest.approx(100 / 30)


def test_equal_price_and_slower_is_dominated():
    assert find_frontier([100, 100], [50, 49])[1].status == "dominated"
    assert find_frontier([100, 101], [50, 50])[1].status == "dominated"


def test_three_in_a_straight_line_are_all_on_it():
    # 0.1 + 0.2 is not 0.3 in doubles: what differs by rounding alone is equal.
    assert [p.status for p in find_frontier([0.1, 0.2, 0.3], [1, 2, 3])] == ["on"] * 3
    assert [p.status for p in find_frontier([0.1, 0.1 + 0.2, 0.5], [1, 3, 5])] == ["on"] * 3


def test_one_product_stands_on_the_frontier():
    assert find_frontier([5.0], [7.0])[0].status == "on"
    assert find_frontier([], []) == ()


@pytest.mark.parametrize(("costs", "rates"), [([1.0], []), ([float("nan")], [1.0])])
def test_frontier_refuses(costs, rates):
    with pytest.raises(ValueError, match="finite and of one length"):
        find_frontier(costs, rates)


def plain_status(points, i):
    """By the definitions, slowly: dominated by a point, or under a line between two others."""
    cost, rate = points[i]
    others = [p for j, p in enumerate(points) if j != i]
    if any(c <= cost and r >= rate and (c, r) != (cost, rate) for c, r in others):
        return "dominated"
    for (c1, r1), (c2, r2) in itertools.permutations(others, 2):
        if c1 < cost < c2 and r1 + (r2 - r1) * (cost - c1) / (c2 - c1) > rate + 1e-9:
            return "extendedly_dominated"
    return "tie" if (cost, rate) in others else "on"


@pytest.mark.parametrize("seed", range(40))
def test_frontier_equals_the_definitions_applied_one_by_one(seed):
    rng = np.random.default_rng(seed)
    points = [tuple(p) for p in rng.integers(1, 12, size=(rng.integers(1, 9), 2)).tolist()]
    found = [p.status for p in find_frontier(*zip(*points, strict=True))]
    assert found == [plain_status(points, i) for i in range(len(points))]
