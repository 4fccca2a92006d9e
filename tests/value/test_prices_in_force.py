"""Which prices are in force: window, currency, scenarios. Common practice, no source."""

import datetime as dt

import pytest

from kit.bench.prices import PriceRow
from kit.settings.params import PriceScenario, ValueParams
from kit.value.prices_in_force import prices_in_force

REVIEW = dt.date(2026, 6, 1)


def row(product, price, kind="street", date="2026-05-20", currency="EUR", source="shop", line=0):
    return PriceRow(product, price, currency, kind, dt.date.fromisoformat(date), source, "", line)


def settle(rows, *, products=None, **params):
    params = {"currency": "EUR", "kinds": ("launch", "street"), **params}
    return prices_in_force(
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


def test_every_product_asked_for_has_a_price_or_a_reason():
    force = settle([row("a", 900.0), row("x", 1.0)], products=("a", "b"))
    asked = {(p, k) for p in ("a", "b") for k in ("launch", "street")}
    assert set(force.prices) | set(force.left_out) == asked
    assert not set(force.prices) & set(force.left_out)


def test_a_scenario_sets_its_product_beside_the_others_street_prices():
    rows = [row("a", 1500.0), row("b", 1200.0), row("b", 1300.0), row("a", 1600.0, kind="launch")]
    scenario = PriceScenario(name="After a cut", product="a", price=1100.0)
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
        PriceScenario(name="Sale", product="a", price=1.0),
        PriceScenario(name="sale!", product="a", price=2.0),
        PriceScenario(name="Sale", product="b", price=3.0),
    ]
    force = settle([row("a", 9.0)], scenarios=tuple(scenarios))
    assert force.prices["a", "scenario-sale"].price == 1.0
    assert force.prices["b", "scenario-sale"].price == 3.0
    assert force.prices["a", "scenario-sale-2"].price == 2.0


def test_frame_has_a_row_for_each_price():
    frame = settle([row("a", 900.0), row("a", 1000.0, source="other")]).to_frame()
    assert frame.loc[0, "sources"] == "shop; other"
    assert frame.loc[0, "observations"] == 2
