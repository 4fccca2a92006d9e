"""YAML and CSV as people keep them, through the whole path.

Where the meaning is certain every claim is what it was; else there is one fault that names file
and line, quotes what stands there and says how to write it. Every wrong file is a row of one table,
`wrong_files.WRONG`; those of params, run sheet and prices alone go to their readers.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_folder.test_prices import make_bench
from bench_folder.test_runs import read as read_sheet
from bench_folder.test_runs import small_bench
from settings.test_params import load
from settings.test_yaml import read as read_outer
from wrong_files import ANY, BENCH, FILES, PARAMS, PRICES, RUNS, WRONG, Habit, Wrong, habit, whole

from kit.bench.prices import read_prices
from kit.claims.of_pages import make_claims
from kit.errors import BenchError, KitError, ParamsError
from kit.review.walk import load_review, work_out


def write_people(folder: Path, changed: Habit | None = None) -> Path:
    """Write the four files and the logs; return the params file."""
    (folder / "bench" / "logs").mkdir(parents=True)
    for which, (name, text) in FILES.items():
        content = changed.text if changed is not None and changed.which == which else text
        data = content if isinstance(content, bytes) else content.encode("utf-8")
        (folder / name).write_bytes(data)
    for i, run in enumerate(("a1", "a2", "b1", "b2")):
        (folder / "bench" / "logs" / f"{run}.csv").write_text(
            "ms\n" + "".join(f"{10 + i + (k * 7919 % 13) / 10:.1f}\n" for k in range(200))
        )
    return folder / "people.yaml"


def claims_of(params: Path):
    review = load_review(params)
    book = make_claims(review, work_out(review))
    book.to_json()
    return book


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    book = claims_of(write_people(tmp_path_factory.mktemp("people")))
    assert book.by_id["margin/average_fps/weir/ash-over-birch"].outcome == "ahead"
    assert "value/street/price/ash" in book.by_id
    return book


def semicolons(text: str) -> str:
    return text.replace(",", ";")


CERTAIN = {
    # YAML
    "params: carriage returns": whole("params", PARAMS.replace("\n", "\r\n")),
    "params: old line ends": whole("params", PARAMS.replace("\n", "\r")),
    "params: byte-order mark": whole("params", "\ufeff" + PARAMS),
    "params: document marks": whole("params", "---\n" + PARAMS + "...\n"),
    "params: version named": whole("params", "%YAML 1.2\n---\n" + PARAMS),
    "params: quoted date": habit("params", "2026-11-16", "'2026-11-16'"),
    "params: quoted number": habit("params", "0.95", '"0.95"'),
    "params: exponent": habit("params", "0.95", "95e-2"),
    "params: list in lines": habit("params", "[birch]", "\n  - birch"),
    "params: list not indented": habit("params", "[birch]", "\n- birch"),
    "params: remarks": habit("params", "product: ash", "# the one\nproduct: ash # new"),
    "params: hard space at the end": habit("params", "product: ash", "product: ash\u00a0"),
    "params: other order": whole("params", "\n".join(reversed(PARAMS.splitlines()[:11])) + "\n"
                                 + "\n".join(PARAMS.splitlines()[11:]) + "\n"),
    "bench: NO is a word": whole("bench", BENCH.replace("Ilm 8", "NO")),
    "bench: NO and 'NO' are alike": whole(
        "bench", BENCH.replace("Ilm 8", "NO", 1).replace("Ilm 8", "'NO'")
    ),
    "bench: 12:30 is a text": whole("bench", BENCH.replace("Ilm 8", "12:30")),
    "bench: 1.10 is a text": whole("bench", BENCH.replace("Ilm 8", "1.10")),
    "bench: 0123 is a text": whole("bench", BENCH.replace("Ilm 8", "0123")),
    "bench: on is a text": whole("bench", BENCH.replace("Ilm 8", "on")),
    # CSV
    "runs: semicolons": whole("runs", semicolons(RUNS)),
    "runs: tabs": whole("runs", RUNS.replace(",", "\t")),
    "runs: hint of the delimiter": whole("runs", "sep=;\r\n" + semicolons(RUNS)),
    "runs: byte-order mark, semicolons, empty columns": whole(
        "runs", "\ufeff" + semicolons(RUNS).replace("\n", ";;\r\n")
    ),
    "runs: UTF-16": whole("runs", RUNS.encode("utf-16")),
    "runs: old line ends": whole("runs", RUNS.replace("\n", "\r")),
    "runs: empty columns at the end": whole("runs", RUNS.replace("\n", ",,,\n")),
    "runs: empty lines": habit("runs", "\na2", "\n\n,,,,,,,\na2"),
    "runs: hard space": habit("runs", "a1,ash", "a1,ash\u00a0"),
    "runs: all quoted": whole(
        "runs",
        "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in RUNS.splitlines()),
    ),
    "prices: semicolons and decimal comma": whole(
        "prices", semicolons(PRICES).replace("1299.50", "1299,50")
    ),
    "prices: hint of the delimiter": whole("prices", "sep=;\n" + semicolons(PRICES)),
    "prices: quoted decimal comma": habit("prices", "1299.50", '"1299,50"'),
    "prices: byte-order mark": whole("prices", "\ufeff" + PRICES),
    "prices: empty columns at the end": whole("prices", PRICES.replace("\n", ",,\n")),
    "prices: capital header": habit("prices", "product,price", "Product,Price"),
}  # fmt: skip


def said(book):
    """Return what claims say, but for what holds a file's bytes: settings, hashes, controls."""
    return [
        (c.id, c.value, c.low, c.high, c.text, c.interval, c.outcome, c.runs)
        for c in book.claims
        if c.kind != "control"
    ]


@pytest.mark.parametrize("name", CERTAIN)
def test_what_has_one_meaning_is_read(tmp_path, plain, name):
    assert CERTAIN[name].text != FILES[CERTAIN[name].which][1]
    assert said(claims_of(write_people(tmp_path, CERTAIN[name]))) == said(plain)


def read_by(folder: Path, case: Wrong):
    """Read a wrong file by the reader of its kind."""
    if case.which in FILES:
        return claims_of(write_people(folder, Habit(case.which, case.text)))
    readers = {
        "yaml": lambda: read_outer(folder, case.text),
        "demo": lambda: load(folder, case.text),
        "sheet": lambda: read_sheet(small_bench(folder), case.text),
        "price list": lambda: read_prices(make_bench(folder, case.text)),
    }
    return readers[case.which]()


NAMES = {
    **{which: name for which, (name, _) in FILES.items()},
    **{"yaml": "some.yaml", "demo": "some.yaml"},
    **{"sheet": "bench/runs.csv", "price list": "small/prices.csv"},
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_file_is_told_with_place_and_way_out(tmp_path, name):
    case = WRONG[name]
    with pytest.raises(BenchError if NAMES[case.which].endswith("csv") else KitError) as caught:
        read_by(tmp_path, case)
    faults = caught.value.faults
    file = "people.yaml" if name == "1.10 is not 1.1" else NAMES[case.which]
    fitting = [
        f
        for f in faults
        if f.file == file and case.line in (ANY, f.line) and case.key in (ANY, f.key)
    ]
    assert fitting, str(caught.value)
    for part in case.says:
        assert any(part in str(fault) for fault in fitting), str(caught.value)
    assert all(len(str(fault)) < 500 for fault in faults)
    assert len(faults) <= case.most, str(caught.value)
    if case.which == "demo":
        assert isinstance(caught.value, ParamsError)
        assert all(fault.file == file for fault in faults)
        assert any(fault.line for fault in faults)
    if case.which == "sheet":
        assert caught.value.exit_status == 3
