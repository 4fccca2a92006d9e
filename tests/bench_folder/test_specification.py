"""The specification table."""

import pytest

from kit.bench.specification import compare_specifications
from kit.errors import BenchError
from kit.settings.bench_file import read_bench

BENCH = """\
format: marginbook-bench/1
name: Small bench
products:
  full:
    name: Full
    class: desk
    maker: Orle
    released: 2026-03-02
    refresh_hz: 144
    specification:
      bus_width_bit: 256
      memory_rate_gbps: 14
      bandwidth_gb_s: 448
      units: 2048
      base_clock_mhz: 1500
      boost_clock_mhz: 2000
      power_limit_w: 256
      other: {cooler: two fans}
  rate:
    name: Rate
    class: desk
    specification: {bus_width_bit: 384, memory_rate_gbps: 21}
  width:
    name: Width
    class: portable
    specification: {memory_rate_gbps: 18, bandwidth_gb_s: 432}
  speed:
    name: Speed
    class: portable
    specification: {bus_width_bit: 192, bandwidth_gb_s: 432}
  silent: {name: Silent, class: portable}
titles:
  dunes: {name: Dunes}
"""


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "bench.yaml").write_text(BENCH)
    return read_bench(tmp_path)


def row_of(table, field):
    return next(row for row in table if row.field == field)


# Common practice, no source: bus bits / 8 x Gbit/s per pin = GB/s.
def test_bandwidth_width_and_rate_fill_each_other_in(bench):
    table = compare_specifications(bench, ["full", "rate", "width", "speed"])
    bandwidth = row_of(table, "bandwidth_gb_s")
    assert dict(bandwidth.values) == {"full": 448, "rate": 1008, "width": 432, "speed": 432}
    assert bandwidth.derived == {"rate"}
    assert bandwidth.made_from == ("bus_width_bit", "memory_rate_gbps")
    width = row_of(table, "bus_width_bit")
    assert (width.values["width"], width.derived) == (192, {"width"})
    rate = row_of(table, "memory_rate_gbps")
    assert (rate.values["speed"], rate.derived) == (18, {"speed"})


def test_a_given_figure_is_never_replaced(tmp_path):
    # 448.9 agrees with 256 bit x 14 Gbit/s within rounding, and stays as the maker states it.
    (tmp_path / "bench.yaml").write_text(
        BENCH.replace("bandwidth_gb_s: 448", "bandwidth_gb_s: 448.9")
    )
    table = compare_specifications(read_bench(tmp_path), ["full"])
    bandwidth = row_of(table, "bandwidth_gb_s")
    assert (bandwidth.values["full"], bandwidth.derived) == (448.9, frozenset())


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("unit_rate_ghz", 2048 * 2.0),
        ("bandwidth_per_unit_mb_s", 448000 / 2048),
        ("bandwidth_per_unit_rate", 448000 / 4096),
        ("power_per_unit_mw", 125.0),
        ("clock_headroom", 2000 / 1500),
    ],
)
def test_derived_figures_follow_their_formula(bench, field, value):
    row = row_of(compare_specifications(bench, ["full", "silent"]), field)
    assert row.values["full"] == pytest.approx(value, rel=1e-12)
    assert row.derived == {"full"}
    assert row.values["silent"] is None
    assert row.formula


def test_every_source_of_a_derived_figure_is_a_row_before_or_given(bench):
    table = compare_specifications(bench, list(bench.products))
    fields = {row.field for row in table}
    derived = [row for row in table if row.derived]
    assert derived
    for row in derived:
        assert set(row.made_from) <= fields


def test_a_derived_figure_may_rest_on_a_derived_one(tmp_path):
    text = BENCH.replace(
        "{bus_width_bit: 384, memory_rate_gbps: 21}",
        "{bus_width_bit: 384, memory_rate_gbps: 21, units: 1000}",
    )
    (tmp_path / "bench.yaml").write_text(text)
    table = compare_specifications(read_bench(tmp_path), ["rate"])
    assert row_of(table, "bandwidth_per_unit_mb_s").values["rate"] == pytest.approx(1008.0)


def test_rows_nobody_states_are_not_there(bench):
    assert compare_specifications(bench, ["silent"]) == []
    fields = [row.field for row in compare_specifications(bench, ["rate"])]
    assert fields == ["bus_width_bit", "memory_rate_gbps", "bandwidth_gb_s"]


def test_an_unknown_product_is_refused(bench):
    with pytest.raises(ValueError, match="not in the bench: ghost"):
        compare_specifications(bench, ["ghost"])


def test_a_specification_that_contradicts_itself_is_a_fault(tmp_path):
    (tmp_path / "bench.yaml").write_text(
        BENCH.replace("bandwidth_gb_s: 448", "bandwidth_gb_s: 512")
    )
    with pytest.raises(BenchError, match="448 GB/s, but bandwidth_gb_s says 512"):
        read_bench(tmp_path)
