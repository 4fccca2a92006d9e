"""The part of a bench a review takes along: enough to make it afresh, and no more."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sealmaker import finished_review, write_project

from kit.archive.excerpt import excerpt_bench, review_scope, yaml_bytes
from kit.claims.claim import claims_json
from kit.claims.of_pages import make_claims
from kit.errors import BenchError
from kit.review.walk import load_review, work_out
from kit.settings.yaml import read_yaml, written_text

ROOT = Path(__file__).resolve().parents[2]


def claims_of(params: Path, bench: Path | None) -> bytes:
    review = load_review(params, bench_folder=bench)
    return claims_json(make_claims(review, work_out(review)))


def excerpt_to(folder: Path, params: Path) -> Path:
    """Write the excerpt and its logs; return the bench folder."""
    scope = review_scope(params)
    source = scope.loaded.bench.folder
    folder.mkdir()
    for name, data in excerpt_bench(scope).items():
        (folder / name).write_bytes(data)
    for row in scope.rows:
        if row.log and (source / row.log).is_file():
            (folder / row.log).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source / row.log, folder / row.log)
    return folder


def test_the_small_review_is_the_same_from_its_excerpt(tmp_path):
    params = finished_review().parent.parent / "params" / "quill.yaml"
    bench = excerpt_to(tmp_path / "bench", params)
    assert claims_of(params, bench) == claims_of(params, None)
    assert b"secret" not in (bench / "bench.yaml").read_bytes()


@pytest.mark.parametrize("name", ["params/demo.yaml", "tests/data/real_runs/params-threads-8.yaml"])
def test_shipped_reviews_are_the_same_from_their_excerpt(tmp_path, name):
    params = ROOT / name
    bench = excerpt_to(tmp_path / "bench", params)
    assert claims_of(params, bench) == claims_of(params, None)


def test_people_s_sheets_keep_their_form(tmp_path):
    params = write_project(tmp_path)
    sheet = tmp_path / "bench" / "runs.csv"
    semicolons = sheet.read_text().replace(",", ";").replace("\n", "\r\n")
    sheet.write_bytes(b"\xef\xbb\xbf" + semicolons.encode())
    prices = tmp_path / "bench" / "prices.csv"
    prices.write_bytes(prices.read_bytes().replace(b",", b";").replace(b"1299.50", b"1299,50"))
    files = excerpt_bench(review_scope(params))
    assert files["runs.csv"].startswith(b"\xef\xbb\xbfrun;product;")
    assert files["runs.csv"].count(b"\r\n") == 29
    assert b"wren,1299.5,EUR" in files["prices.csv"]
    bench = excerpt_to(tmp_path / "excerpt", params)
    assert claims_of(params, bench) == claims_of(params, None)


def test_a_run_set_aside_by_name_in_another_title_comes_along(tmp_path):
    params = write_project(tmp_path)
    sheet = tmp_path / "bench" / "runs.csv"
    row = "wren-elsewhere-1,wren,elsewhere,plain,logs/quill-attic-1.csv,,,ran,,51.2"
    lines = [line for line in sheet.read_text().splitlines() if "elsewhere" not in line]
    sheet.write_text("\n".join([*lines, row]) + "\n")
    text = params.read_text()
    aside = "    - {run: wren-elsewhere-1, reason: Not the scene meant.}\n"
    params.write_text(text.replace("  set_aside:\n", f"  set_aside:\n{aside}"))
    bench = excerpt_to(tmp_path / "excerpt", params)
    assert "wren-elsewhere-1" in (bench / "runs.csv").read_text()
    assert claims_of(params, bench) == claims_of(params, None)


def test_a_product_named_only_in_a_waiver_comes_along(tmp_path):
    params = write_project(tmp_path)
    text = params.read_text().replace("products: [finch]", "products: [finch, secret]")
    params.write_text(text)
    bench = excerpt_to(tmp_path / "excerpt", params)
    assert "secret" in (bench / "bench.yaml").read_text()
    assert claims_of(params, bench) == claims_of(params, None)


texts = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=30)
trees = st.recursive(
    st.one_of(texts, st.booleans(), st.none(), st.dates()),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(texts, inner, max_size=4)),
    max_leaves=12,
)


@given(st.dictionaries(texts, trees, min_size=1, max_size=4))
def test_whatever_is_written_reads_back_the_same(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "round.yaml"
    path.write_bytes(yaml_bytes(data))
    assert read_yaml(path, file="round.yaml", error=BenchError).data == data


def test_numbers_keep_the_digits_they_were_written_with(tmp_path):
    path = tmp_path / "a.yaml"
    path.write_text("driver: 1.10\ncount: 0x1F\nshare: .5\nday: 2026-04-01\nword: 'no'\n")
    first = read_yaml(path, file="a.yaml", error=BenchError).data
    path.write_bytes(yaml_bytes(first))
    again = read_yaml(path, file="a.yaml", error=BenchError).data
    assert [written_text(v) for v in again.values()] == ["1.10", "0x1F", ".5", "2026-04-01", "no"]
    assert again["day"] == dt.date(2026, 4, 1)
