"""The order of runs and the list of checks. Expected orders by trying every one."""

import itertools
from collections import Counter
from itertools import pairwise

import pytest

from kit.planning.schedule import (
    CAUTIONS,
    bench_minutes,
    count_switches,
    list_checks,
    order_frame,
    order_runs,
)
from kit.settings.bench_file import read_bench
from kit.settings.params import PlanParams, ReviewParams

EVEN = {(p, t): 4 for p in ("new", "one", "two") for t in ("t1", "t2", "t3")}
UNEVEN = EVEN | {("one", "t1"): 1, ("two", "t2"): 2, ("new", "t3"): 0}


def repeats(order):
    return sum(a.product == b.product for a, b in pairwise(order))


@pytest.mark.parametrize("by_product", [False, True])
@pytest.mark.parametrize("counts", [EVEN, UNEVEN], ids=["even", "uneven"])
@pytest.mark.parametrize("seed", range(5))
def test_every_run_is_there_once_and_blocks_hold_a_cell_once(seed, counts, by_product):
    order = order_runs(counts, seed=seed, by_product=by_product)
    made = Counter((r.product, r.title) for r in order)
    assert made == Counter({key: n for key, n in counts.items() if n})
    assert [r.place for r in order] == list(range(1, len(order) + 1))
    assert [r.block for r in order] == sorted(r.block for r in order)
    in_block = Counter((r.block, r.product, r.title) for r in order)
    assert set(in_block.values()) == {1}
    for key, count in made.items():
        numbers = [r.number for r in order if (r.product, r.title) == key]
        assert numbers == list(range(1, count + 1))


def test_each_block_is_complete_where_counts_are_alike():
    order = order_runs(EVEN, seed=1)
    for block in range(1, 5):
        assert {(r.product, r.title) for r in order if r.block == block} == set(EVEN)


def test_fewer_runs_are_spread_over_all_blocks():
    counts = {("new", "t1"): 12, ("one", "t1"): 3}
    for seed in range(20):
        blocks = [r.block for r in order_runs(counts, seed=seed) if r.product == "one"]
        assert [b - a for a, b in pairwise(blocks)] == [4, 4]
    first = {
        order_runs(counts, seed=s)[i].block
        for s in range(40)
        for i in range(15)
        if order_runs(counts, seed=s)[i].product == "one"
    }
    assert first == set(range(1, 13))  # and from a start that is drawn


@pytest.mark.parametrize("seed", range(30))
def test_no_product_twice_in_a_row_where_counts_are_alike(seed):
    assert repeats(order_runs(EVEN, seed=seed)) == 0


@pytest.mark.parametrize(
    "titles",
    [(1, 1), (2, 1), (3, 1), (3, 2), (2, 2), (1, 1, 1), (3, 1, 1), (4, 1, 1), (2, 2, 1), (3, 2, 1)],
)
def test_no_block_has_more_repeats_than_it_must(titles):
    counts = {(f"p{i}", f"t{j}"): 1 for i, n in enumerate(titles) for j in range(n)}
    products = [p for p, _ in counts]
    least = min(
        sum(a == b for a, b in pairwise(way)) for way in set(itertools.permutations(products))
    )
    for seed in range(40):
        assert repeats(order_runs(counts, seed=seed)) == least


def test_places_of_a_product_in_the_block_differ_with_the_seed():
    # Drift falls on no product: over many seeds each is as often early as late.
    places = Counter()
    for seed in range(600):
        for run in order_runs(dict.fromkeys(EVEN, 1), seed=seed):
            places[run.product] += run.place
    mean = 600 * 3 * 5  # nine places, five on average
    # Standard error of a sum of 1800 places (sd 2.6) is 110; four of them.
    assert all(abs(total - mean) < 440 for total in places.values())
    assert order_runs(EVEN, seed=1) != order_runs(EVEN, seed=2)


def test_the_same_seed_gives_the_same_order_whatever_the_order_of_counts():
    backwards = dict(reversed(EVEN.items()))
    assert order_runs(EVEN, seed=7) == order_runs(backwards, seed=7)


@pytest.mark.parametrize("seed", range(10))
def test_kept_by_product_there_are_few_switches(seed):
    order = order_runs(EVEN, seed=seed, by_product=True)
    for block in range(1, 5):
        products = [r.product for r in order if r.block == block]
        assert len([k for k, _ in itertools.groupby(products)]) == 3
    assert count_switches(order) <= 4 * 3 - 1 < count_switches(order_runs(EVEN, seed=seed)) == 35
    firsts = {order_runs(EVEN, seed=s, by_product=True)[0].product for s in range(20)}
    assert firsts == {"new", "one", "two"}


def test_nothing_to_run_is_an_empty_order():
    assert order_runs({}, seed=1) == ()
    assert order_runs({("new", "t1"): 0}, seed=1) == ()
    with pytest.raises(ValueError, match="counts must not be negative"):
        order_runs({("new", "t1"): -1}, seed=1)


def test_minutes_count_set_up_length_and_switches():
    order = order_runs({("new", "t1"): 2, ("one", "t1"): 2}, seed=1)
    params = PlanParams(margin=0.03, seed=1, setup_s=30, run_s=60, switch_s=120)
    assert count_switches(order) == 3
    assert bench_minutes(order, params, run_s={"t1": 90}) == pytest.approx(4 * 2 + 3 * 2)
    assert bench_minutes(order, params, run_s={}) == pytest.approx(4 * 1.5 + 3 * 2)


def test_the_frame_has_a_row_for_each_run():
    order = order_runs(EVEN, seed=1)
    frame = order_frame(order)
    assert frame.columns.tolist() == ["place", "block", "product", "title", "number"]
    assert frame["product"].tolist() == [r.product for r in order]


BENCH = """\
format: marginbook-bench/1
name: Small bench
products:
  new: {name: New, class: desk, configuration: {memory: 32 GB}}
  one: {name: One, class: desk, configuration: {memory: 16 GB}}
titles:
  dunes: {name: Dunes, planned_s: 60, settings: {resolution: 1920x1080}}
  tower: {name: Tower}
controls: {memory: Size and channels}
"""


@pytest.fixture
def lines(tmp_path):
    (tmp_path / "bench.yaml").write_text(BENCH)
    params = ReviewParams.model_validate(
        {
            "format": "marginbook-params/1",
            "review": "r",
            "title": "New, weighed",
            "byline": "B",
            "date": "2026-06-01",
            "bench": ".",
            "product": "new",
            "rivals": ["one"],
            "controls": ["memory", "driver"],
            "metrics": {"low": "percentile"},
            "waivers": [
                {"control": "memory", "products": ["one"], "reason": "soldered, sold so only"}
            ],
            "margins": {"method": "auto", "confidence": 0.95, "level_band": 0.01, "seed": 1},
        }
    )
    return list_checks(read_bench(tmp_path), params)


def test_the_list_names_every_control_machine_and_title(lines):
    text = "\n".join(lines)
    assert "[ ] memory: Size and channels" in text
    assert "    [ ] New: 32 GB" in lines
    assert "    [ ] One: 16 GB (waived: soldered, sold so only)" in lines
    assert lines.count("    [ ] New: not in bench.yaml: note it with each run") == 1
    assert "[ ] Dunes (60 s): resolution 1920x1080" in lines
    assert "[ ] Tower (length not stated)" in lines


# Common practice, no source.
@pytest.mark.parametrize(
    "words",
    [
        ("battery", "discharge"),
        ("hot",),
        ("mains", "qualified"),
        ("flashing", "epilepsy"),
        ("rules of the place",),
    ],
)
def test_the_usual_cautions_are_there(lines, words):
    assert any(all(word in line for word in words) for line in CAUTIONS)
    for caution in CAUTIONS:
        assert f"[ ] {caution}" in lines
