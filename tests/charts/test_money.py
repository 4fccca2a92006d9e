"""Charts of price against performance, and of one name in two classes of machine."""

from dataclasses import replace

import made_claims
import pytest
from made_claims import book, gap, value_claims
from matplotlib.text import Text

from kit.charts.money import value_chart
from kit.charts.rows import classes_chart

NAMES = made_claims.names(3, 8)


def of(claims, kind):
    return [claim for claim in claims if claim.kind == kind]


def value(claims, kind):
    return {claim.product: claim.value for claim in of(claims, kind)}


class TestValue:
    """The chart of price against performance."""

    @pytest.fixture(scope="class")
    @classmethod
    def claims(cls):
        return value_claims(6)

    @pytest.fixture(scope="class")
    @classmethod
    def chart(cls, claims):
        return value_chart(book(*claims), "street")

    @pytest.fixture(scope="class")
    @classmethod
    def axes(cls, chart):
        return chart.draw("page").axes[0]

    def test_every_product_stands_at_its_price_and_performance(self, axes, claims):
        drawn = {
            (float(x), float(y))
            for line in axes.lines
            if not isinstance(line.get_marker(), str) or line.get_marker() in "os^D"
            for x, y in zip(*line.get_data(), strict=True)
        }
        prices, rates = value(claims, "price"), value(claims, "suite_fps")
        assert drawn == {(prices[p], rates[p]) for p in prices}

    def test_the_span_of_observed_prices_is_a_level_line(self, axes, claims):
        spans = {
            (float(line.get_xdata()[0]), float(line.get_xdata()[1]), float(line.get_ydata()[0]))
            for line in axes.lines
            if len(line.get_xdata()) == 3
        }
        rates = value(claims, "suite_fps")
        assert spans == {(c.low, c.high, rates[c.product]) for c in of(claims, "price")}

    def test_along_a_dashed_line_a_frame_costs_the_same(self, axes, claims):
        dashed = [line for line in axes.lines if line.get_linestyle() == "--"]
        rays = [line for line in dashed if line.get_ydata()[0] != line.get_ydata()[1]]
        costs = sorted(
            float(x / y) for line in rays for x, y in [(line.get_xdata()[1], line.get_ydata()[1])]
        )
        assert len(rays) == 5
        expected = value(claims, "cost_per_fps")
        assert costs == pytest.approx(sorted(c for p, c in expected.items() if p != "p0"))
        for line in rays:
            (x0, x1), (y0, y1) = line.get_xdata(), line.get_ydata()
            assert x0 / y0 == pytest.approx(x1 / y1)  # through the origin

    def test_the_price_of_equal_value_is_marked_on_the_products_own_level(self, axes, claims):
        level = value(claims, "suite_fps")["p0"]
        ticks = {
            float(line.get_xdata()[0])
            for line in axes.lines
            if line.get_marker() == "|" and line.get_ydata()[0] == level
        }
        assert ticks == {c.value for c in of(claims, "equal_value_price")}

    def test_the_frontier_climbs_by_steps_through_its_products(self, axes, claims):
        (steps,) = [line for line in axes.lines if line.get_drawstyle() == "steps-post"]
        prices, rates = value(claims, "price"), value(claims, "suite_fps")
        places = {c.product: c.outcome for c in of(claims, "frontier")}
        on = sorted((prices[p], rates[p]) for p, place in places.items() if place == "on")
        path = list(zip(steps.get_xdata(), steps.get_ydata(), strict=True))
        assert [(float(x), float(y)) for x, y in path[1:-1]] == on
        assert path[0][0] == on[0][0] and path[-1][1] == on[-1][1]
        heights = [float(y) for _, y in path]
        assert heights == sorted(heights)

    def test_caption_alternative_and_table_give_the_price_of_equal_value(self, chart, claims):
        equals = of(claims, "equal_value_price")
        (stated,) = (c for c in equals if c.baseline == "p1")  # as the summary states it
        assert chart.caption == (
            "At EUR\xa01,649 (street price) Marlow 14 costs more per frame than 4 of 5 others; of "
            f"equal value with Tessel 14 at {stated.text}"
        )
        for c in of(claims, "price"):
            assert f"{NAMES[c.product]} {c.text}" in chart.alt
        for c in equals:
            assert f"equal value at {c.text}" in chart.alt
        table = chart.table.set_index("id")["value"]
        assert all(table[c.id] == c.value for c in equals)
        assert set(table.index) == {c.id for c in claims}

    @pytest.mark.parametrize(
        ("prices", "words"),
        [
            ([1000.0, 1000.0], "costs no more per frame than Tessel 14"),
            ([1000.0, 700.0], "costs more per frame than Tessel 14; equal value is at EUR\xa0748"),
            ([1000.0, 1000.0, 1100.0], "costs no more per frame than any of 2 others"),
        ],
    )
    def test_caption_for_one_rival_or_none_cheaper(self, prices, words):
        claims = value_claims(len(prices), prices=prices)
        assert words in value_chart(book(*claims), "street").caption

    def test_without_weighings_the_caption_names_the_frontier(self):
        chart = value_chart(book(*value_claims(6, weighed=False)), "street")
        assert chart.caption == "On the efficient frontier (street price): Marlow 12, Marlow Desk"
        assert "equal money" not in chart.note

    def test_a_waived_control_is_marked_there_too(self, chart, axes):
        texts = [t.get_text() for t in axes.texts]
        assert "Marlow Desk \u2020" in texts and "Tessel 14" in texts
        assert "\u2020 A control was waived." in chart.note

    def test_prices_of_two_currencies_or_none_are_refused(self, claims):
        other = value_claims(2, currency="USD")
        mixed = [c for c in claims if c.product != "p1"] + [c for c in other if c.product == "p1"]
        with pytest.raises(ValueError, match="one currency"):
            value_chart(book(*mixed), "street")
        with pytest.raises(ValueError, match="one currency"):
            value_chart(book(*claims), "launch")

    def test_prices_of_another_kind_are_left_out(self, claims):
        both = book(*claims, *value_claims(3, kind="launch"))
        assert {c.group for c in value_chart(both, "launch").claims} == {"launch"}

    def test_a_product_of_another_class_does_not_set_the_price_to_match(self):
        places = [made_claims.PLACES[0], "other_class", *made_claims.PLACES[2:6]]
        claims = value_claims(6, places=places)
        chart = value_chart(book(*claims), "street")
        (stated,) = (c for c in of(claims, "equal_value_price") if c.baseline == "p2")
        assert chart.caption.endswith(
            f" others of its class; of equal value with Orrin 13 Plus at {stated.text}"
        )
        assert "efficient frontier of its class." in chart.note
        heads = [line for line in chart.draw("page").axes[0].lines if line.get_marker() == "<"]
        assert [float(h.get_xdata()[0]) for h in heads] == [stated.value]

    def test_a_scenario_is_called_by_its_name(self):
        marks = ("scenario: If it were cheap",)
        claims = value_claims(6, kind="scenario-cut", weighed=False, price_marks=marks)
        chart = value_chart(book(*claims), "scenario-cut")
        label = chart.draw("page").axes[0].get_xlabel()
        assert label == "price, scenario: If it were cheap, EUR, less is better"
        assert chart.name == "value-scenario-cut-p0"


class TestClasses:
    """The chart of one name in two classes of machine."""

    @pytest.fixture(scope="class")
    @classmethod
    def gaps(cls):
        return [gap(0.17, 0.31), gap(0.12, 0.02, here_old="p2", there_old="p7")]

    def chart_of(self, *gaps):
        return classes_chart(book(*(c for g in gaps for c in g)), [g[-1] for g in gaps])

    def test_each_lead_and_their_ratio_has_a_mark_on_its_interval(self, gaps):
        axes = self.chart_of(*gaps).draw("page").axes[0]
        assert axes.get_xscale() == "log"
        claims = [c for here, there, between in gaps for c in (there, here, between)]
        at = {
            round(float(line.get_ydata()[0])): float(line.get_xdata()[0])
            for line in axes.lines
            if line.get_marker() in ("o", "D")
        }
        at |= {round(float(y)): float(x) for d in axes.collections for x, y in d.get_offsets()}
        assert [at[y] for y in sorted(at)] == [c.value for c in claims]  # in their order down
        least, most = axes.get_xlim()
        spans = {tuple(float(x) for x in line.get_xdata()[:2]) for line in axes.lines
                 if len(line.get_xdata()) == 3}  # fmt: skip
        assert {(max(c.low, least), min(c.high, most)) for c in claims} <= spans

    def test_rows_are_named_by_pair_and_class_and_bear_their_figures(self, gaps):
        texts = [t.get_text() for t in self.chart_of(*gaps).draw("video").findobj(Text)]
        assert {"Marlow 14 over Marlow 12", "portable", "portable over desk"} <= set(texts)
        assert {claim.text for g in gaps for claim in g} <= set(texts)

    def test_caption_alternative_and_table(self, gaps):
        one = self.chart_of(gaps[0])
        assert one.caption.startswith("In the desk class Marlow Desk +")
        assert "; in the portable class Marlow 14 +" in one.caption
        both = self.chart_of(*gaps)
        assert both.caption == (
            "The lead is smaller in the portable class than in the desk class for 1 of 2 pairs "
            "of names"
        )
        assert all(g[-1].text in both.alt for g in gaps)
        assert list(both.table["id"]) == [
            c.id for here, there, between in gaps for c in (there, here, between)
        ]

    def test_narrow_intervals_are_said_to_be(self, gaps):
        thin = [replace(c, low=c.value * 0.9999, high=c.value * 1.0001) for c in gaps[0]]
        assert "Every interval is narrower than its mark." in self.chart_of(thin).note
        wide = [replace(c, low=c.value * 0.9, high=c.value * 1.1) for c in gaps[0]]
        assert "narrower" not in self.chart_of(wide).note

    def test_gaps_of_two_metrics_or_none_are_refused(self, gaps):
        with pytest.raises(ValueError, match="one metric"):
            classes_chart(book(), [])
        other = gap(0.1, 0.1, metric="low_1pct_fps")
        with pytest.raises(ValueError, match="one metric"):
            self.chart_of(gaps[0], other)
