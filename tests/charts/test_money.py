"""The chart of price against performance."""

from dataclasses import replace

import made_results
import pytest

from kit.charts.money import draw_value

NAMES = made_results.names(3, 8)


@pytest.fixture(scope="module")
def results():
    return made_results.value_results(6)


@pytest.fixture(scope="module")
def chart(results):
    return draw_value(*results, product="p0", names=NAMES)


def test_every_product_stands_at_its_price_and_performance(chart, results):
    axes = chart.draw("page").axes[0]
    drawn = {
        (float(x), float(y))
        for line in axes.lines
        if line.get_marker() in "os^DvP"
        for x, y in zip(*line.get_data(), strict=True)
    }
    assert drawn == {(s.price.price, s.suite_fps) for s in results[0]}


def test_the_span_of_observed_prices_is_a_level_line(chart, results):
    axes = chart.draw("page").axes[0]
    spans = {
        (float(line.get_xdata()[0]), float(line.get_xdata()[1]), float(line.get_ydata()[0]))
        for line in axes.lines
        if len(line.get_xdata()) == 3
    }
    assert spans == {(s.price.lowest, s.price.highest, s.suite_fps) for s in results[0]}


def test_along_a_dashed_line_a_frame_costs_the_same(chart, results):
    axes = chart.draw("page").axes[0]
    dashed = [line for line in axes.lines if line.get_linestyle() == "--"]
    rays = [line for line in dashed if line.get_ydata()[0] != line.get_ydata()[1]]
    costs = sorted(
        float(x / y) for line in rays for x, y in [(line.get_xdata()[1], line.get_ydata()[1])]
    )
    assert len(rays) == 5
    assert costs == pytest.approx(sorted(s.cost_per_fps for s in results[0][1:]))
    for line in rays:
        (x0, x1), (y0, y1) = line.get_xdata(), line.get_ydata()
        assert x0 / y0 == pytest.approx(x1 / y1)  # through the origin


def test_the_price_of_equal_value_is_marked_on_the_products_own_level(chart, results):
    axes = chart.draw("page").axes[0]
    ticks = {
        float(line.get_xdata()[0])
        for line in axes.lines
        if line.get_marker() == "|" and line.get_ydata()[0] == results[0][0].suite_fps
    }
    assert ticks == {w.equal_value_price for w in results[1]}


def test_the_frontier_climbs_by_steps_through_its_products(chart, results):
    axes = chart.draw("page").axes[0]
    (steps,) = [line for line in axes.lines if line.get_drawstyle() == "steps-post"]
    on = sorted((s.price.price, s.suite_fps) for s in results[0] if s.frontier == "on")
    path = list(zip(steps.get_xdata(), steps.get_ydata(), strict=True))
    assert [(float(x), float(y)) for x, y in path[1:-1]] == on
    assert path[0][0] == on[0][0] and path[-1][1] == on[-1][1]
    heights = [float(y) for _, y in path]
    assert heights == sorted(heights)


def test_caption_alternative_and_table_give_the_price_of_equal_value(chart, results):
    lowest = min(w.equal_value_price for w in results[1])
    assert chart.caption == (
        "At EUR\xa01,649 (street price) Marlow 14 costs more per frame than 4 of 5 others; it "
        f"would match them all at EUR\xa0{lowest:,.0f}"
    )
    for s in results[0]:
        assert f"{NAMES[s.product]} EUR\xa0{s.price.price:,.0f}" in chart.alt
    for w in results[1]:
        assert f"equal value at EUR\xa0{w.equal_value_price:,.0f}" in chart.alt
    equal = chart.table.set_index("product")["equal_value_price"]
    assert all(equal[w.rival] == w.equal_value_price for w in results[1])
    assert equal.isna()["p0"]


@pytest.mark.parametrize(
    ("prices", "words"),
    [
        ([1000.0, 1000.0], "costs no more per frame than Tessel 14"),
        ([1000.0, 700.0], "costs more per frame than Tessel 14; equal value is at EUR\xa0748"),
        ([1000.0, 1000.0, 1100.0], "costs no more per frame than any of 2 others"),
    ],
)
def test_caption_for_one_rival_or_none_cheaper(prices, words):
    fps = [96.4, 90.2, 71.0]
    standings, weighings = made_results.value_results(len(prices))
    moved = [
        replace(s, price=made_results.price(s.product, p))
        for s, p in zip(standings, prices, strict=True)
    ]
    weighed = [
        replace(
            w, equal_value_price=p * fps[0] / f, cut_needed=max(0.0, 1 - p * fps[0] / f / prices[0])
        )
        for w, p, f in zip(weighings, prices[1:], fps[1:], strict=False)
    ]
    assert words in draw_value(moved, weighed, product="p0", names=NAMES).caption


def test_without_weighings_the_caption_names_the_frontier(results):
    chart = draw_value(results[0], [], product="p0", names=NAMES)
    assert chart.caption == "On the efficient frontier (street price): Marlow 12, Marlow Desk"
    assert "equal money" not in chart.note


def test_a_waived_control_is_marked_there_too(chart):
    texts = [t.get_text() for t in chart.draw("page").axes[0].texts]
    assert "Marlow Desk \u2020" in texts and "Tessel 14" in texts
    assert "\u2020 A control was waived." in chart.note


def test_prices_of_two_kinds_are_refused(results):
    other = replace(results[0][1], kind="launch")
    with pytest.raises(ValueError, match="one kind of price"):
        draw_value([results[0][0], other], [], product="p0", names=NAMES)
    with pytest.raises(ValueError, match="one kind of price"):
        draw_value([], [], product="p0", names=NAMES)


def test_a_product_of_another_class_does_not_set_the_price_to_match(results):
    standings = [replace(s, frontier="other_class") if s.product == "p5" else s for s in results[0]]
    chart = draw_value(standings, results[1], product="p0", names=NAMES)
    lowest = min(w.equal_value_price for w in results[1] if w.rival != "p5")
    assert chart.caption.endswith(
        f"than 3 of 4 others of its class; it would match them all at EUR\xa0{lowest:,.0f}"
    )
    assert "efficient frontier of its class." in chart.note
    heads = [line for line in chart.draw("page").axes[0].lines if line.get_marker() == "<"]
    assert [float(h.get_xdata()[0]) for h in heads] == [lowest]


def test_a_scenario_is_called_by_its_name(results):
    standings = [
        replace(s, kind="scenario-cut", marks=("scenario: If it were cheap",)) for s in results[0]
    ]
    chart = draw_value(standings, [], product="p0", names=NAMES)
    label = chart.draw("page").axes[0].get_xlabel()
    assert label == "price, scenario: If it were cheap, EUR, less is better"
    assert chart.name == "value-scenario-cut-p0"
