"""Params: unknown keys, products and titles are refused with line and a guess."""

from pathlib import Path

import pytest

from kit.errors import BenchError, ParamsError
from kit.settings.params import load_params

ROOT = Path(__file__).parents[2]
DEMO = (ROOT / "params" / "demo.yaml").read_text(encoding="utf-8")


def load(tmp_path, text):
    path = tmp_path / "some.yaml"
    path.write_text(text.replace("../example_runs", str(ROOT / "example_runs")), encoding="utf-8")
    return load_params(path)


def test_the_demo_loads():
    loaded = load_params(ROOT / "params" / "demo.yaml")
    assert loaded.params.product in loaded.bench.products
    assert set(loaded.params.products) <= set(loaded.bench.products)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "product: fennock-9-travel\n",
            "product: fenock-9-travel\n",
            'product: no product "fenock-9-travel" in bench.yaml; did you mean "fennock-9-travel"?',
        ),
        ("  confidence: 0.95", "  confidence: 95", "margins.confidence: found '95'"),
        ("  confidence: 0.95", "  confidnce: 0.95", 'did you mean "confidence"?'),
        ("  method: auto", "  method: welsh", 'did you mean "welch"?'),
        ("titles: all", "titles: [no-such]", 'titles[0]: no title "no-such" in bench.yaml'),
        ("bench: ../example_runs", "bench: ../nowhere", '"../nowhere" is not a bench'),
        ("date: 2026-11-16", "date: 16.11.2026", "expected a date written 2026-11-25"),
        ("  level_band: 0.02", "  level_band: 2", "margins.level_band: found '2'"),
        ("  seed: 20261116", "", 'the key "seed" is missing'),
        ("text: demo.md", "text: none.md", 'no such file: "none.md"'),
        (
            "  - tarnquill-sedge-travel # the cheaper one",
            "  - fennock-9-travel",
            'rivals: "fennock-9-travel" is the product itself',
        ),
    ],
)
def test_a_mistyped_file_is_refused_with_place_and_guess(tmp_path, old, new, said):
    assert DEMO.count(old) >= 1
    with pytest.raises(ParamsError) as caught:
        load(tmp_path, DEMO.replace(old, new, 1))
    assert said in str(caught.value)
    assert all(fault.file == "some.yaml" for fault in caught.value.faults)
    assert any(fault.line for fault in caught.value.faults)


def test_every_fault_is_told_at_once(tmp_path):
    text = DEMO.replace("confidence: 0.95", "confidence: 95").replace(
        "low: slowest_share", "low: x"
    )
    with pytest.raises(ParamsError) as caught:
        load(tmp_path, text)
    assert len(caught.value.faults) == 2


def test_a_specification_that_contradicts_itself_is_a_fault(tmp_path):
    # Common practice, no source: bus width in bits / 8 x rate per pin in Gbit/s = GB/s.
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / "bench.yaml").write_text(
        "format: marginbook-bench/1\nname: b\ntitles: {}\nproducts:\n  a:\n    name: A\n"
        "    class: desk\n    specification:\n      bus_width_bit: 256\n"
        "      memory_rate_gbps: 14\n      bandwidth_gb_s: 512\n"
    )
    with pytest.raises(BenchError, match="256 bit x 14 Gbit/s / 8 = 448 GB/s"):
        load(tmp_path, DEMO.replace("../example_runs", "bench"))
