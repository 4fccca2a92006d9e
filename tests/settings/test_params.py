"""Params: unknown keys, products and titles are refused with line and a guess."""

from pathlib import Path

import pytest
from wrong_files import DEMO

from kit.errors import BenchError, ParamsError
from kit.settings.params import load_params

ROOT = Path(__file__).parents[2]


def load(tmp_path, text):
    path = tmp_path / "some.yaml"
    path.write_text(text.replace("../example_runs", str(ROOT / "example_runs")), encoding="utf-8")
    return load_params(path)


def test_the_demo_loads():
    loaded = load_params(ROOT / "params" / "demo.yaml")
    assert loaded.params.product in loaded.bench.products
    assert set(loaded.params.products) <= set(loaded.bench.products)


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


@pytest.mark.parametrize("locale", ["de", "en"])
def test_only_a_language_that_is_complete_is_taken(tmp_path, locale):
    (tmp_path / "demo.md").write_text("Words.\n")
    text = DEMO.replace("locale: en\n", f"locale: {locale}\nlanguage: en\n")
    assert load(tmp_path, text).params.language == "en"
    assert load(tmp_path, text.replace("language: en", "language: de")).params.language == "de"
    with pytest.raises(ParamsError, match="complete in en, de, not in 'fr'"):
        load(tmp_path, text.replace("language: en", "language: fr"))
