"""Performance against prices. Expected values by plain arithmetic; rules of the trade named."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools
import math

import numpy as np
import pytest

from kit.bench.prices import PriceRow
from kit.margins.cells import Cell
from kit.margins.suites import SuiteMargin
from kit.settings.params import ValueParams, _PriceScenario
from kit.trace import Trace
from kit.value.weigh import _prices_in_force, find_frontier, weigh_products

REVIEW = dt.date(2026, 6, 1)


def row(product, price, kind="street", date="2026-05-20", currency="EUR", source="shop", line=0):
    return PriceRow(product, price, currency, kind, dt.date.fromisoformat(date), source, "", line)


def settle(rows, *, products=None, **params):
    params = {"currency": "EUR", "kinds": ("launch", "street"), **params}
    return _prices_in_force(
        rows, params=ValueParams(**params), review_date=REVIEW, products=products
    )


def test_price_is_the_median_of_the_window_with_its_span():
    rows = [row("a", p) for p in (900.0, 1000.0, 1300.0)] + [row("a", 5.0, date="2026-01-01")]
    force = settle(rows, since=dt.date(2026, 5, 1))
    price = force.prices["a", "street"]
    assert (price.lowest, price.price, price.highest) == (900.0, 1000.0, 1300.0)
    assert price.marks == ()
    assert force.rows_left_out == (
        (rows[3], "before 2026-05-01, where the window of dates begins"),
    )
    assert force.left_out["a", "launch"] == "no launch price in prices.csv"


def test_an_even_number_of_observations_gives_the_middle_of_the_two():
    assert settle([row("a", 900.0), row("a", 1000.0)]).prices["a", "street"].price == 950.0


def test_a_street_price_seen_after_the_review_does_not_count():
    later = row("a", 700.0, date="2026-06-02")
    force = settle([row("a", 900.0), later])
    assert force.prices["a", "street"].price == 900.0
    assert force.rows_left_out == ((later, "after 2026-06-01, where the window of dates ends"),)
    force = settle([later])
    assert force.left_out["a", "street"] == (
        "no street price within the window of dates (1 outside)"
    )
    assert settle([later], until=dt.date(2026, 7, 1)).prices["a", "street"].price == 700.0


def test_every_launch_row_counts_whatever_its_date():
    rows = [
        row("a", 1499.0, kind="launch", date="2020-01-01"),
        row("a", 1599.0, kind="launch", date="2026-06-15"),
    ]
    price = settle(rows, since=dt.date(2026, 5, 1)).prices["a", "launch"]
    assert (price.lowest, price.highest, price.marks) == (1499.0, 1599.0, ())


@pytest.mark.parametrize(
    ("dates", "marks"),
    [
        (["2026-04-02", "2026-05-20"], ()),  # 60 days before the review is not yet old
        (["2026-04-01", "2026-05-20"], ("old_price_in_part",)),
        (["2026-04-01", "2026-03-01"], ("old_price",)),
        (["2026-05-20"], ("single_price",)),
    ],
)
def test_old_and_single_prices_are_marked(dates, marks):
    rows = [row("a", 900.0 + i, date=date) for i, date in enumerate(dates)]
    assert settle(rows, old_days=60).prices["a", "street"].marks == marks


def test_a_rate_converts_and_marks():
    rate = row("", 0.9, kind="rate", currency="USD", date="2026-05-18", source="bank")
    force = settle([row("a", 1000.0, currency="USD"), row("a", 1100.0, currency="USD"), rate])
    price = force.prices["a", "street"]
    assert price.values == pytest.approx((900.0, 990.0), rel=1e-12)
    assert price.price == pytest.approx(945.0)
    assert (price.currency, price.marks, price.rates) == ("EUR", ("converted",), (rate,))


def test_the_rate_nearest_in_date_is_taken_and_an_old_one_marked():
    near = row("", 0.8, kind="rate", currency="USD", date="2026-05-10")
    far = row("", 0.9, kind="rate", currency="USD", date="2026-05-31")
    price = settle([row("a", 100.0, currency="USD"), far, near]).prices["a", "street"]
    assert price.price == pytest.approx(80.0)
    older = row("", 0.7, kind="rate", currency="USD", date="2025-05-10")
    price = settle([row("a", 100.0, currency="USD"), older]).prices["a", "street"]
    assert "old_rate" in price.marks


def test_a_pair_is_used_only_by_a_review_in_its_second_currency():
    pairs = [
        row("", 0.8, kind="rate", currency="USD/GBP"),
        row("", 0.9, kind="rate", currency="USD/EUR"),
    ]
    price = settle([row("a", 100.0, currency="USD"), *pairs]).prices["a", "street"]
    assert price.price == pytest.approx(90.0)
    force = settle([row("a", 100.0, currency="USD"), pairs[0]])
    assert ("a", "street") not in force.prices


def test_without_a_rate_a_foreign_price_is_left_out_with_the_reason():
    foreign = row("a", 1000.0, currency="USD")
    later = row("", 0.9, kind="rate", currency="USD", date="2026-06-20")
    force = settle([foreign, later])
    assert force.left_out["a", "street"] == (
        "street price only in USD, and prices.csv holds no rate from it to EUR"
    )
    assert force.rows_left_out == ((foreign, "no rate from USD to EUR"),)


def test_prices_of_the_own_market_come_before_converted_ones():
    foreign = row("a", 1000.0, currency="USD")
    rate = row("", 0.9, kind="rate", currency="USD")
    force = settle([row("a", 1300.0), foreign, rate])
    assert force.prices["a", "street"].values == (1300.0,)
    assert force.rows_left_out == (
        (foreign, "the product has street prices in EUR, which come first"),
    )


def test_a_kind_that_does_not_count_is_left_out_with_the_reason():
    used = row("a", 500.0, kind="used")
    force = settle([used])
    assert force.rows_left_out == ((used, 'kind "used" is not among value.kinds'),)
    assert settle([used], kinds=("used",)).prices["a", "used"].price == 500.0


# Both ends of a window of dates belong to it, as in ISO 8601-1, 3.1.1.6 (an interval holds its
# limiting instants); an age counts as old from the day after the last that is not.
@pytest.mark.parametrize(
    ("date", "counts"),
    [
        ("2026-04-30", False),
        ("2026-05-01", True),
        ("2026-05-31", True),
        ("2026-06-01", False),
    ],
)
def test_the_first_and_last_day_of_the_window_count(date, counts):
    window = {"since": dt.date(2026, 5, 1), "until": dt.date(2026, 5, 31)}
    force = settle([row("a", 900.0, date=date)], **window)
    assert (("a", "street") in force.prices) == counts
    assert len(force.rows_left_out) == (not counts)


def test_a_price_of_the_review_day_itself_counts():
    force = settle([row("a", 900.0, date="2026-06-01")])
    assert force.prices["a", "street"].price == 900.0


def test_prices_outside_the_window_are_counted():
    outside = [row("a", 900.0, date="2026-03-01"), row("a", 901.0, date="2026-04-30")]
    force = settle([*outside, row("b", 5.0, date="2026-06-02")], since=dt.date(2026, 5, 1))
    assert force.left_out["a", "street"].endswith("(2 outside)")
    assert force.left_out["b", "street"].endswith("(1 outside)")


@pytest.mark.parametrize(
    ("date", "marked"),
    [
        ("2026-04-20", False),  # 30 days before the price: not yet old
        ("2026-04-19", True),
        ("2026-06-01", False),  # 12 days after it
    ],
)
def test_a_rate_is_old_when_it_is_further_from_its_price_than_old_days(date, marked):
    rate = row("", 0.9, kind="rate", currency="USD", date=date)
    price = settle([row("a", 1000.0, currency="USD"), rate], old_days=30).prices["a", "street"]
    assert ("old_rate" in price.marks) == marked


def test_a_rate_of_the_last_day_counts_and_one_of_the_day_after_does_not():
    foreign = row("a", 1000.0, currency="USD", date="2026-06-01")
    assert settle([foreign, row("", 0.9, kind="rate", currency="USD", date="2026-06-01")]).prices
    late = row("", 0.9, kind="rate", currency="USD", date="2026-06-02")
    assert not settle([foreign, late]).prices


def test_rates_and_products_of_no_concern_are_neither_prices_nor_left_out():
    rate = row("", 0.9, kind="rate", currency="USD")
    strangers = [row("stranger", 800.0), row("stranger", 700.0, kind="used")]
    force = settle([row("a", 900.0), *strangers, rate], products=("a",))
    assert set(force.prices) == {("a", "street")}
    assert force.rows_left_out == ()


def test_a_price_keeps_the_dates_of_its_observations():
    rows = [row("a", 900.0, date=f"2026-05-{day}") for day in (20, 12, 28)]
    price = settle(rows, kinds=("street",)).prices["a", "street"]
    assert [seen.date.day for seen in price.observations] == [20, 12, 28]


def test_scenarios_whose_names_read_alike_are_numbered():
    names = ("In autumn", "in-autumn", "in autumn!")
    scenarios = [_PriceScenario(name=n, product="a", price=i + 1.0) for i, n in enumerate(names)]
    force = settle([row("a", 900.0)], scenarios=scenarios)
    first = force.kinds[2]
    assert force.kinds[2:] == (first, f"{first}-2", f"{first}-3")
    assert [force.prices["a", kind].price for kind in force.kinds[2:]] == [1.0, 2.0, 3.0]


def test_every_product_asked_for_has_a_price_or_a_reason():
    force = settle([row("a", 900.0), row("x", 1.0)], products=("a", "b"))
    asked = {(p, k) for p in ("a", "b") for k in ("launch", "street")}
    assert set(force.prices) | set(force.left_out) == asked
    assert not set(force.prices) & set(force.left_out)


def test_a_scenario_sets_its_product_beside_the_others_street_prices():
    rows = [row("a", 1500.0), row("b", 1200.0), row("b", 1300.0), row("a", 1600.0, kind="launch")]
    scenario = _PriceScenario(name="After a cut", product="a", price=1100.0)
    force = settle(rows, scenarios=(scenario,), products=("a", "b", "c"))
    assert force.kinds == ("launch", "street", "scenario-after-a-cut")
    mine = force.prices["a", "scenario-after-a-cut"]
    assert (mine.price, mine.lowest, mine.highest, mine.marks) == (
        1100.0,
        1100.0,
        1100.0,
        ("scenario: After a cut",),
    )
    other = force.prices["b", "scenario-after-a-cut"]
    assert (other.price, other.lowest, other.highest) == (1250.0, 1200.0, 1300.0)
    assert "beside_street_prices" in other.marks
    assert force.left_out["c", "scenario-after-a-cut"] == "no street price in prices.csv"


def test_two_scenarios_keep_apart_and_one_may_name_two_products():
    scenarios = [
        _PriceScenario(name="Sale", product="a", price=1.0),
        _PriceScenario(name="sale!", product="a", price=2.0),
        _PriceScenario(name="Sale", product="b", price=3.0),
    ]
    force = settle([row("a", 9.0)], scenarios=tuple(scenarios))
    assert force.prices["a", "scenario-sale"].price == 1.0
    assert force.prices["b", "scenario-sale"].price == 3.0
    assert force.prices["a", "scenario-sale-2"].price == 2.0


def test_a_price_names_its_observations():
    (price,) = settle([row("a", 900.0), row("a", 1000.0, source="other")]).prices.values()
    assert [seen.source for seen in price.observations] == ["shop", "other"]


LEAF = Trace("run", "0" * 64, "r1")


def priced(product, price, kind="launch", line=0):
    return PriceRow(product, float(price), "EUR", kind, dt.date(2026, 5, 20), "shop", "", line)


def cell(product, title, fps, *, metric="average_fps", marks=()):
    leaf = Trace("run", f"{product}-{title}", f"{product}-{title}")
    return Cell(
        product=product,
        title=title,
        metric=metric,
        unit="fps",
        less_is_better=False,
        runs=(leaf.label,),
        sessions=("",),
        values=(fps,),
        value=fps,
        low=None,
        high=None,
        confidence=0.95,
        method="none",
        marks=marks,
        trace=Trace("make_cells", f"cell/{product}/{title}", "", (leaf,)),
    )


def suite(
    baseline,
    ratio,
    low=None,
    high=None,
    *,
    titles=("t1", "t2"),
    outcome="ahead",
    marks=(),
    name="all",
    metric="average_fps",
):
    return SuiteMargin(
        suite=name,
        care=1.0,
        product="new",
        baseline=baseline,
        metric=metric,
        titles=titles,
        weights=tuple(1 / len(titles) for _ in titles),
        value=ratio,
        low=low,
        high=high,
        level_low=low,
        level_high=high,
        like_low=None,
        like_high=None,
        confidence=0.95,
        outcome=outcome,
        center=math.log(ratio),
        day_sd=None,
        left_out={},
        margins=(),
        marks=marks,
        trace=Trace("summarise_suites", f"suite/new-over-{baseline}", "", (LEAF,)),
    )


def bench_cells(table):
    return [cell(p, t, fps) for p, titles in table.items() for t, fps in titles.items()]


TABLE = {"new": {"t1": 100.0, "t2": 64.0}, "old": {"t1": 80.0, "t2": 51.2}}


def weigh(
    prices,
    suites,
    *,
    table=TABLE,
    rivals=("old",),
    weights=None,
    cells=None,
    classes=None,
    **params,
):
    params = {"currency": "EUR", "kinds": ("launch", "street"), **params}
    return weigh_products(
        cells if cells is not None else bench_cells(table),
        suites,
        prices,
        params=ValueParams(**params),
        products=("new", *rivals),
        review_date=REVIEW,
        weights=weights,
        classes=classes,
    )


def test_two_other_products_are_weighed_where_both_have_a_price():
    # By hand: 900 / 750, and 750 x 1.1.
    between = dataclasses.replace(suite("aged", 1.1, 1.05, 1.15), product="old")
    whole = [suite("old", 1.25, 1.2, 1.3), between]
    prices = [priced("new", 1800), priced("old", 900), priced("aged", 750)]
    value = weigh(prices, whole, rivals=("old", "aged"))
    pair = next(w for w in value.weighings if w.product == "old")
    assert (pair.rival, pair.premium) == ("aged", pytest.approx(1.2, rel=1e-12))
    assert pair.equal_value_price == pytest.approx(825.0, rel=1e-12)
    assert "aged" not in {w.rival for w in value.weighings if w.product == "new"}
    for known in (prices[:2], [prices[0], prices[2]]):
        assert all(w.product == "new" for w in weigh(known, whole).weighings)
    # The reviewed product over what is no rival of it is one of the others.
    (alone,) = weigh([prices[0], prices[2]], [suite("aged", 1.1)]).weighings
    assert (alone.product, alone.rival) == ("new", "aged")


def test_300_above_1500_is_a_premium_of_a_fifth():
    # Common practice, no source.
    value = weigh([priced("new", 1800), priced("old", 1500)], [suite("old", 1.25, 1.2, 1.3)])
    (weighing,) = value.weighings
    assert weighing.premium == pytest.approx(1.2, rel=1e-12)
    # At equal performance per money the price is the rival's price times the margin.
    assert weighing.equal_value_price == pytest.approx(1875.0, rel=1e-12)
    assert weighing.equal_value_low == pytest.approx(1800.0, rel=1e-12)
    assert weighing.equal_value_high == pytest.approx(1950.0, rel=1e-12)
    assert weighing.cut_needed == 0.0


@pytest.mark.parametrize("price", [1700.0, 1874.9, 1875.1, 2100.0])
def test_performance_per_money_falls_exactly_when_premium_exceeds_uplift(price):
    # Common practice, no source.
    value = weigh([priced("new", price), priced("old", 1500)], [suite("old", 1.25)])
    (weighing,) = value.weighings
    new, old = value.standings
    falls = new.cost_per_fps > old.cost_per_fps
    assert falls == (weighing.premium > 1.25) == (weighing.cut_needed > 0)
    assert (1 - weighing.cut_needed) * price == pytest.approx(
        min(price, weighing.equal_value_price), rel=1e-12
    )


def test_at_the_price_of_equal_value_a_frame_costs_the_same():
    first = weigh([priced("new", 2000), priced("old", 1500)], [suite("old", 1.25)])
    equal = first.weighings[0].equal_value_price
    again = weigh([priced("new", equal), priced("old", 1500)], [suite("old", 1.25)])
    new, old = again.standings
    assert new.cost_per_fps == pytest.approx(old.cost_per_fps, rel=1e-12)


def test_suite_fps_is_a_geometric_mean_and_cost_carries_the_price_span():
    prices = [priced("new", p, "street") for p in (1500, 1600, 1760)]
    value = weigh(prices, [], rivals=())
    (standing,) = value.standings
    assert standing.suite_fps == pytest.approx(80.0, rel=1e-12)  # sqrt(100 x 64)
    assert standing.cost_per_fps == pytest.approx(20.0, rel=1e-12)
    assert standing.cost_per_fps_low == pytest.approx(18.75, rel=1e-12)
    assert standing.cost_per_fps_high == pytest.approx(22.0, rel=1e-12)


def test_stated_weights_weigh():
    value = weigh([priced("new", 1600)], [], rivals=(), weights={"t1": 3.0})
    expected = (100.0**3 * 64.0) ** 0.25
    assert value.standings[0].suite_fps == pytest.approx(expected, rel=1e-12)


def test_price_span_and_margin_interval_combine_end_by_end():
    prices = [priced("new", p, "street") for p in (1700, 1800, 1900)]
    prices += [priced("old", p, "street") for p in (1400, 1500, 1700)]
    value = weigh(prices, [suite("old", 1.1, 1.05, 1.15)])
    (w,) = value.weighings
    assert (w.premium_low, w.premium_high) == pytest.approx((1.0, 1900 / 1400), rel=1e-12)
    assert w.equal_value_low == pytest.approx(1400 * 1.05, rel=1e-12)
    assert w.equal_value_high == pytest.approx(1700 * 1.15, rel=1e-12)
    assert w.cut_needed == pytest.approx(1 - 1650 / 1800, rel=1e-12)
    assert w.cut_needed_low == 0.0  # 1955 is above the lowest price, 1700
    assert w.cut_needed_high == pytest.approx(1 - 1470 / 1900, rel=1e-12)
    # Every pairing of an observed price with a margin inside its interval lies inside the ends.
    for rival_price in (1400, 1500, 1700):
        for ratio in (1.05, 1.08, 1.15):
            assert w.equal_value_low <= rival_price * ratio <= w.equal_value_high


def test_the_least_cut_is_from_the_lowest_price_to_the_highest_equal_value():
    prices = [priced("new", p, "street") for p in (1800, 1900, 2000)] + [
        priced("old", 1500, "street")
    ]
    (w,) = weigh(prices, [suite("old", 1.1, 1.05, 1.15)]).weighings
    assert w.cut_needed_low == pytest.approx(1 - 1725 / 1800, rel=1e-12)
    assert w.cut_needed_low < w.cut_needed < w.cut_needed_high


def test_a_margin_without_interval_is_marked_and_prices_alone_span():
    prices = [priced("new", 1800), priced("old", 1400), priced("old", 1600)]
    (w,) = weigh(prices, [suite("old", 1.2, outcome="unresolved")]).weighings
    assert "no_margin_interval" in w.marks
    assert (w.equal_value_low, w.equal_value_high) == pytest.approx((1680.0, 1920.0))


def test_a_waived_rival_is_marked_where_it_is_weighed_and_where_it_stands():
    value = weigh(
        [priced("new", 1800), priced("old", 1500)], [suite("old", 1.25, marks=("waived: memory",))]
    )
    assert "waived: memory" in value.weighings[0].marks
    marks = {s.product: s.marks for s in value.standings}
    assert "waived: memory" in marks["old"]
    assert "waived: memory" not in marks["new"]


def test_marks_of_cells_and_prices_reach_the_standing():
    cells = [cell("new", "t1", 50.0, marks=("typed in, no log",))]
    value = weigh([priced("new", 900, "street")], [], cells=cells, rivals=())
    assert set(value.standings[0].marks) == {"typed in, no log", "single_price"}


# Constructed: reference case of seven products, each rate reached in one title.
SEVEN = {
    "new": (200, 60),
    "p2": (250, 66),
    "p3": (300, 75),
    "p4": (300, 72),
    "p5": (350, 75),
    "p6": (400, 88),
    "p7": (550, 96),
}


def test_frontier_of_seven_products():
    cells = [cell(p, "t1", float(fps)) for p, (_, fps) in SEVEN.items()]
    prices = [priced(p, price) for p, (price, _) in SEVEN.items()]
    value = weigh(prices, [], cells=cells, rivals=tuple(SEVEN)[1:])
    status = {s.product: s.frontier for s in value.standings}
    assert [p for p, word in status.items() if word == "on"] == ["new", "p3", "p6", "p7"]
    assert status["p2"] == "extendedly_dominated"
    assert status["p4"] == status["p5"] == "dominated"
    costs = [
        s.cost_per_fps for s in value.standings if s.product in ("new", "p2", "p3", "p6", "p7")
    ]
    assert costs == pytest.approx([3.3333, 3.7879, 4.0, 4.5455, 5.7292], abs=5e-5)
    by = {s.product: s.dominated_by for s in value.standings}
    assert by["p4"] == ("p3",)
    assert by["p2"] == ("new", "p3")


def test_another_class_of_machine_dominates_nothing():
    table = {"new": {"t1": 60.0}, "desk": {"t1": 120.0}, "dear": {"t1": 55.0}}
    prices = [priced("new", 1900), priced("desk", 1500), priced("dear", 2000)]
    classes = {"new": "portable", "dear": "portable", "desk": "desk"}
    value = weigh(prices, [], table=table, rivals=("desk", "dear"), classes=classes)
    found = {s.product: (s.frontier, s.dominated_by) for s in value.standings}
    assert found == {
        "new": ("on", ()),
        "desk": ("other_class", ()),
        "dear": ("dominated", ("new",)),
    }
    assert value.standings[1].cost_per_fps == pytest.approx(12.5)
    # Who beats whom is named right though the desk computer stands between them.
    table["good"] = {"t1": 58.0}
    more = weigh(
        [*prices, priced("good", 1950)],
        [],
        table=table,
        rivals=("desk", "good", "dear"),
        classes=classes | {"good": "portable"},
    )
    assert {s.product: s.dominated_by for s in more.standings}["dear"] == ("new", "good")
    alone = weigh(prices, [], table=table, rivals=("desk", "dear"))
    assert {s.product: s.frontier for s in alone.standings}["new"] == "dominated"


@pytest.mark.parametrize(
    ("outcome", "marked"), [("unresolved", True), ("level", True), ("ahead", False)]
)
def test_a_place_kept_by_an_unresolved_lead_is_marked(outcome, marked):
    table = {"new": {"t1": 100.0}, "old": {"t1": 99.0}}
    prices = [priced("new", 1600), priced("old", 1500)]
    value = weigh(prices, [suite("old", 1.01, outcome=outcome, titles=("t1",))], table=table)
    marks = {s.product: "frontier_unresolved" in s.marks for s in value.standings}
    assert marks == {"new": marked, "old": False}


def test_products_stand_on_the_titles_all_share():
    table = {
        "new": {"t1": 100.0, "t2": 50.0, "t3": 60.0},
        "old": {"t1": 80.0, "t2": 45.0, "t4": 99.0},
    }
    margins = [suite("old", 1.2, titles=("t1", "t2"))]
    value = weigh([priced("new", 1600), priced("old", 1500)], margins, table=table)
    assert value.titles == ("t1", "t2")
    assert value.standings[1].suite_fps == pytest.approx(60.0)
    assert "titles_differ_from_standings" not in value.weighings[0].marks


def test_a_rival_with_few_titles_does_not_take_titles_from_the_others():
    table = {
        "new": {"t1": 100.0, "t2": 50.0, "t3": 60.0, "t4": 70.0},
        "old": {"t1": 80.0, "t2": 45.0, "t3": 50.0, "t4": 60.0},
        "typed": {"t1": 70.0},
    }
    prices = [priced("new", 1600), priced("old", 1500), priced("typed", 900)]
    margins = [suite("typed", 1.43, titles=("t1",))]
    value = weigh(prices, margins, table=table, rivals=("old", "typed"))
    assert value.titles == ("t1", "t2", "t3", "t4")
    assert [s.product for s in value.standings] == ["new", "old"]
    assert value.left_out["typed", "launch"].startswith("averages in 1 of the 4 titles of new")
    # Weighed against it alone, over the titles the two share, and marked.
    (weighing,) = value.weighings
    assert weighing.rival == "typed"
    assert "titles_differ_from_standings" in weighing.marks
    wide = weigh(prices, margins, table=table, rivals=("old", "typed"), min_title_share=0.25)
    assert wide.titles == ("t1",)
    assert len(wide.standings) == 3


def test_of_two_rivals_that_cost_equally_many_titles_the_later_goes():
    table = {
        "new": {"t1": 100.0, "t2": 50.0},
        "one": {"t1": 80.0},
        "two": {"t2": 45.0},
    }
    prices = [priced("new", 1600), priced("one", 1500), priced("two", 900)]
    value = weigh(prices, [], table=table, rivals=("one", "two"))
    assert value.titles == ("t1",)
    assert [s.product for s in value.standings] == ["new", "one"]


def test_each_kind_of_price_is_weighed_for_itself():
    prices = [
        priced("new", 1800),
        priced("old", 1500),
        priced("new", 1500, "street"),
        priced("old", 1400, "street"),
        priced("old", 700, "used"),
    ]
    scenario = _PriceScenario(name="Sale", product="new", price=1300.0)
    value = weigh(
        prices, [suite("old", 1.25)], kinds=("launch", "street", "used"), scenarios=(scenario,)
    )
    premiums = {w.kind: w.premium for w in value.weighings}
    assert premiums == pytest.approx(
        {"launch": 1.2, "street": 1500 / 1400, "scenario-sale": 1300 / 1400}
    )
    assert value.left_out["new", "used"] == "no used price in prices.csv"
    assert [(s.kind, s.product) for s in value.standings if s.kind == "used"] == [("used", "old")]


def test_what_has_a_price_but_no_margin_or_average_is_named():
    value = weigh([priced("new", 1800), priced("old", 1500)], [], table={"new": {"t1": 60.0}})
    assert value.weighings == ()
    assert value.left_out["old", "launch"].startswith("averages in 0 of the 1 titles")
    value = weigh([priced("new", 1800), priced("old", 1500)], [])
    assert value.left_out["old", "launch"] == "no suite margin of new over it"


def test_only_the_whole_suite_of_averages_counts():
    margins = [
        suite("old", 9.0, name="ray"),
        suite("old", 1.25),
        suite("old", 8.0, metric="low_1pct_fps"),
        suite("old", 7.0, name="age"),
    ]
    cells = [*bench_cells(TABLE), cell("new", "t1", 9.0, metric="low_1pct_fps")]
    value = weigh([priced("new", 1800), priced("old", 1500)], margins, cells=cells)
    assert [w.equal_value_price for w in value.weighings] == pytest.approx([1.25 * 1500])
    assert value.standings[0].suite_fps == pytest.approx(80.0)


def test_traces_lead_to_runs_and_name_the_lines_of_prices():
    value = weigh(
        [priced("new", 1800, line=2), priced("old", 1500, line=3), priced("old", 1600, line=7)],
        [suite("old", 1.25)],
    )
    standing = value.standings[1]
    assert standing.trace.run_ids() == ("old-t1", "old-t2")
    assert standing.trace.label == "old: prices.csv, line 3, 7"
    assert value.weighings[0].trace.run_ids() == ("r1",)
    keys = [r.trace.key for r in (*value.standings, *value.weighings)]
    assert len(set(keys)) == len(keys) == 3


def test_a_standing_and_a_weighing():
    value = weigh([priced("new", 1800), priced("old", 1500)], [suite("old", 1.25, 1.2, 1.3)])
    standing = next(s for s in value.standings if s.product == "new")
    assert standing.cost_per_fps == pytest.approx(22.5)
    assert standing.frontier == "on"
    assert value.weighings[0].equal_value_price == pytest.approx(1875.0)
    assert value.weighings[0].equal_value_low == pytest.approx(1500 * 1.2)


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
SEVEN_FRONTIER = {
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
    places = places_of(SEVEN_FRONTIER)
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
