"""What a sealed review holds, file by file."""

from __future__ import annotations

import datetime as dt
import gzip
import hashlib
import io
import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from requests import PreparedRequest, Response
from requests.adapters import HTTPAdapter
from sealmaker import finished_review, sealed_review, write_project
from urllib3 import HTTPResponse

from kit.archive.bag import Item
from kit.archive.contents import (
    HEAD_BYTES,
    Scope,
    _component_list,
    _csv_table,
    _data_package,
    _excerpt_bench,
    _journal_part,
    _log_table,
    _media_type,
    _Member,
    _ro_crate,
    _yaml_bytes,
    describe_items,
    kit_items,
    text_path,
)
from kit.claims.claim import ClaimBook, load_claims
from kit.claims.of_pages import make_claims
from kit.errors import BenchError, SealError
from kit.review.walk import load_review, work_out
from kit.settings.bench_file import Layout
from kit.settings.yaml import read_yaml, written_text


@pytest.fixture(scope="module")
def book():
    return load_claims(sealed_review() / "data")


def test_every_file_of_the_bag_is_described_once(book):
    folder = sealed_review()
    paths = sorted(p for p in (folder / "data").rglob("*") if p.is_file())
    items = [Item(p.relative_to(folder).as_posix(), p) for p in paths]
    members = describe_items(items, book)
    assert sorted(m.path for m in members) == sorted(i.path for i in items)
    for member in members:
        data = (folder / member.path).read_bytes()
        assert (member.size_bytes, member.sha256) == (len(data), hashlib.sha256(data).hexdigest())
        assert member.about
    by_path = {m.path: m for m in members}
    aside = by_path["data/bench/logs/quill-kettle-2.csv"]
    assert "not used: " in aside.about and "A backup ran" in aside.about
    assert aside.role == "input" and aside.table is not None
    assert by_path["data/report.html"].role == "result"
    assert by_path["data/environment/lock.txt"].role == ""
    assert by_path["data/text/quill.md"].role == "input"


def test_the_claims_of_the_bag_fit_the_schema_it_carries():
    data = sealed_review() / "data"
    schema = json.loads((data / "schemas" / "claims.schema.json").read_text())
    validator = Draft202012Validator(schema)
    claims = json.loads((data / "claims.json").read_text())
    assert validator.is_valid(claims)
    claims["claims"][0]["value"] = "much"
    assert not validator.is_valid(claims)


def test_the_kits_own_files_are_in_the_bag_as_they_are(book):
    items = kit_items(book)
    assert len(items) == 9
    for item in items:
        source = item.source if isinstance(item.source, bytes) else item.source.read_bytes()
        assert (sealed_review() / item.path).read_bytes() == source


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ("quill.md", "data/params/quill.md"),
        ("a/./b.md", "data/params/a/b.md"),
        ("../text/quill.md", "data/text/quill.md"),
        ("a\\b.md", "data/params/a/b.md"),
    ],
)
def test_a_text_stands_as_far_from_the_params_as_it_stood(text, path):
    assert text_path(text) == path


@pytest.mark.parametrize("text", ["../../a.md", "/a.md", "../../../a.md", "a/../../../a.md", "\\a"])
def test_a_text_outside_the_payload_is_refused(text):
    if text == "\\a":  # a backslash is a separator on some systems: it must not lead out either
        text = "..\\..\\..\\a"
    with pytest.raises(SealError, match="too far from the params file"):
        text_path(text)


ROOT = Path(__file__).resolve().parents[2]


def claims_of(params: Path, bench: Path | None) -> bytes:
    review = load_review(params, bench_folder=bench)
    return make_claims(review, work_out(review)).to_json()


def excerpt_to(folder: Path, params: Path) -> Path:
    """Write the excerpt and its logs; return the bench folder."""
    scope = Scope.read(params)
    source = scope.loaded.bench.folder
    folder.mkdir()
    for name, data in _excerpt_bench(scope).items():
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
    files = _excerpt_bench(Scope.read(params))
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


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("products: [finch]", "products: [finch, secret]"),
        ("\n  registered:", "\n  cannot_run: [secret]\n  registered:"),
    ],
    ids=["in a waiver", "as one that is gone"],
)
def test_a_product_named_only_there_comes_along(tmp_path, before, after):
    params = write_project(tmp_path)
    text = params.read_text().replace(before, after)
    assert after in text
    params.write_text(text)
    bench = excerpt_to(tmp_path / "excerpt", params)
    assert "secret" in (bench / "bench.yaml").read_text()
    assert claims_of(params, bench) == claims_of(params, None)


def test_of_the_journal_the_review_s_runs_and_logs_and_its_beginning_are_told():
    told = [
        {"kind": "begin"},
        {"kind": "log", "file": "logs/a.csv"},
        {"kind": "row", "run": "a"},
        {"kind": "row", "run": "typed"},
    ]
    hidden = [
        {"kind": "log", "file": "logs/b.csv"},
        {"kind": "row", "run": "b"},
        {"kind": "row", "run": "logs/a.csv"},
        {"kind": "note"},
    ]
    asked = []
    scope = SimpleNamespace(
        rows=[SimpleNamespace(run="a", log="logs/a.csv"), SimpleNamespace(run="typed", log=None)],
        journal=SimpleNamespace(excerpt=lambda wanted: asked.extend(filter(wanted, told + hidden))),
    )
    _journal_part(scope)
    assert asked == told


texts = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=30)
trees = st.recursive(
    st.one_of(texts, st.booleans(), st.none(), st.dates()),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(texts, inner, max_size=4)),
    max_leaves=12,
)


@given(st.dictionaries(texts, trees, min_size=1, max_size=4))
def test_whatever_is_written_reads_back_the_same(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "round.yaml"
    path.write_bytes(_yaml_bytes(data))
    assert read_yaml(path, file="round.yaml", error=BenchError).data == data


def test_numbers_keep_the_digits_they_were_written_with(tmp_path):
    path = tmp_path / "a.yaml"
    path.write_text("driver: 1.10\ncount: 0x1F\nshare: .5\nday: 2026-04-01\nword: 'no'\n")
    first = read_yaml(path, file="a.yaml", error=BenchError).data
    path.write_bytes(_yaml_bytes(first))
    again = read_yaml(path, file="a.yaml", error=BenchError).data
    assert [written_text(v) for v in again.values()] == ["1.10", "0x1F", ".5", "2026-04-01", "no"]
    assert again["day"] == dt.date(2026, 4, 1)


DATA = Path(__file__).parents[1] / "data"
BIN = Path(sys.executable).parent
BOOK = ClaimBook(
    review="heron", title="Heron & \u00e9gret", byline="The desk", date="2026-04-01",
    product="heron", kit_version="0.1.0", params_file="heron.yaml", params_sha256="0" * 64,
    settings={}, layouts={}, claims=(), runs=(),
)  # fmt: skip


def layout(**keys: object) -> Layout:
    frames = keys.pop("frames", {"column": "ms", "holds": "frame_time", "unit": "ms"})
    return Layout.model_validate({"frames": frames, **keys})


END = {"column": 2, "holds": "frame_end", "unit": "s"}
# Each kind of log design.md names: its bytes, its layout, whether a Data Package can say it.
LOGS = {
    "plain.csv": (b"frame,ms\n1,16.7\n2,16.6\n", layout(), True),
    "crlf.csv": (b"frame,ms\r\n1,16.7\r\n", layout(), True),
    "decimal comma.txt": (
        "\ufeff# recorder: in-house\n# scene: crowd\n\nframe;elapsed_s\n0;0,0021\n1;0,0043\n"
        .encode(),
        layout(delimiter=";", decimal=",", comment="#",
               frames={"column": "elapsed_s", "holds": "frame_end", "unit": "s"}), True),
    "bare.tsv": (b"1\t0.017\n2\t0.034\n", layout(delimiter="tab", header=False, frames=END), True),
    "packed.tsv.gz": (gzip.compress(b"1683\n1691\n", mtime=0), layout(
        delimiter="tab", header=False, frames={"column": 1, "holds": "frame_time", "unit": "us"}),
        True),
    "preamble.csv": (b"made by hand\nno,two\nframe,ms\n1,16.7\n", layout(skip_lines=2), True),
    "bare preamble.csv": (b"made by hand\n1,16.7\n2,16.6\n",
                          layout(skip_lines=1, header=False, frames=END), True),
    "bare comments.csv": (b"# by hand\n1,16.7\n2,16.6\n",
                          layout(comment="#", header=False, frames=END), True),
    "sensors.csv": (b"ms,clock,note\n16.7,1800,a\n16.6,n/a,\n16.5,,b\n16.4,-,c\n",
                    layout(sensors={"clock_mhz": "clock"}), True),
    "wide.csv": ("ms,\u00b0C\n16.7,60\n".encode("utf-16"), layout(encoding="utf-16"), True),
    "old.csv": ("ms,\u00b0C\n16.7,60\n".encode("latin-1"), layout(encoding="latin-1"), True),
    "runs of spaces.txt": (b"1  16.7\n2 16.6\n",
                           layout(delimiter="space", header=False, frames=END), False),
    "one name twice.csv": (b"ms,a,a\n16.7,1,2\n", layout(), False),
    "no name.csv": (b"ms,\n16.7,\n", layout(), False),
    "packed.csv.zst": (pa.compress(b"ms\n16.7\n", codec="zstd", asbytes=True), layout(), False),
    "empty.csv": (b"", layout(), False),
}  # fmt: skip


@pytest.fixture(scope="module")
def crate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a log of every kind, tables, a page, and its descriptions."""
    folder = tmp_path_factory.mktemp("crate")
    members: list[_Member] = []

    def put(path: str, data: bytes, **keys: object) -> None:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(data)
        digest = hashlib.sha256(data).hexdigest()
        members.append(_Member(path, len(data), digest, "a file", **keys))

    for name, (data, how, _) in LOGS.items():
        table = _log_table(data[:HEAD_BYTES], how)
        put(f"data/bench/logs/{name}", data, role="input", table=table)
    pq.write_table(pa.table({"ms": [16.7, 16.6]}), folder / "whole.parquet")
    put("data/bench/logs/whole.parquet", (folder / "whole.parquet").read_bytes(), role="input")
    (folder / "whole.parquet").unlink()
    rows = b'run,used,average_fps,reason\nr1,True,61.25,\nr2,False,,"too, short"\n'
    put("data/tables/runs.csv", rows, role="result", table=_csv_table(rows))
    put("data/report.html", b"<!doctype html><title>r</title>", role="result")
    put("data/claims.json", b'{"claims": []}\n', role="result")
    put("data/executed.ipynb", b'{"cells": []}\n', role="result")
    put("data/charts/titles.svg", b"<svg/>", role="result")
    put("data/params/heron.yaml", b"review: heron\n", role="input")
    (folder / "datapackage.json").write_bytes(_data_package(BOOK, members))
    (folder / "ro-crate-metadata.json").write_bytes(_ro_crate(BOOK, members))
    return folder


def test_each_log_is_a_table_where_it_can_be():
    for name, (data, how, tabular) in LOGS.items():
        assert (_log_table(data, how) is not None) == tabular, name


def frictionless_report(folder: Path) -> dict[str, object]:
    done = subprocess.run(
        [BIN / "frictionless", "validate", "datapackage.json", "--json"],
        cwd=folder, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    report = json.loads(done.stdout)
    assert (done.returncode == 0) == report["valid"]
    return report


def test_frictionless_accepts_and_reads_every_table(crate):
    report = frictionless_report(crate)
    wrong = [(t["name"], t["errors"]) for t in report["tasks"] if not t["valid"]]
    assert report["valid"], wrong
    tables = {t["place"].rsplit("/", 1)[1]: t for t in report["tasks"] if t["type"] == "table"}
    for name, (_, _, tabular) in LOGS.items():
        assert (name in tables) == tabular
    assert tables["decimal comma.txt"]["stats"]["rows"] == 2
    assert tables["preamble.csv"]["stats"]["rows"] == 1
    assert tables["bare preamble.csv"]["stats"]["rows"] == 2
    assert tables["bare comments.csv"]["stats"]["rows"] == 2
    assert tables["packed.tsv.gz"]["stats"]["rows"] == 2
    assert tables["runs.csv"]["stats"]["fields"] == 4


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("data/bench/logs/plain.csv", b"frame,ms\n1,16.7\n2,16.x\n"),
        ("data/bench/logs/decimal comma.txt", b"frame;elapsed_s\n0;0.0021\n"),
        ("data/report.html", b"<!doctype html><title>s</title>"),
    ],
)
def test_frictionless_notices_a_change(crate, tmp_path, path, data):
    shutil.copytree(crate, tmp_path / "crate")
    (tmp_path / "crate" / path).write_bytes(data)
    report = frictionless_report(tmp_path / "crate")
    assert [t["place"] for t in report["tasks"] if not t["valid"]] == [path]


class FromDisk(HTTPAdapter):
    """Answers every request with the bytes given: nothing leaves this machine."""

    def __init__(self, body: bytes) -> None:
        super().__init__()
        self.body = body

    def send(self, request: PreparedRequest, *args: object, **kwargs: object) -> Response:
        raw = HTTPResponse(
            body=io.BytesIO(self.body), status=200, preload_content=False,
            headers={"Content-Type": "application/ld+json"}, request_url=request.url,
        )  # fmt: skip
        return self.build_response(request, raw)


def rocrate_report(crate: Path, work: Path) -> dict[str, object]:
    """Validate with rocrate-validator, offline: the context comes from a cache made here."""
    import requests_cache

    context = (DATA / "ro-crate-1.1-context.json").read_bytes()
    with requests_cache.CachedSession(str(work / "cache"), expire_after=-1) as session:
        session.mount("https://", FromDisk(context))
        headers = {"Accept": "application/ld+json, application/json, */*;q=0.1"}
        assert session.get("https://w3id.org/ro/crate/1.1/context", headers=headers).ok
    done = subprocess.run(
        [BIN / "rocrate-validator", "-y", "--disable-color", "validate", "--offline",
         "--cache-path", work / "cache", "-p", "process-run-crate", "-l", "required",
         "--no-paging", "-f", "json", "-o", work / "report.json", crate],
        capture_output=True, text=True, timeout=300, cwd=work,
        env={"PATH": "", "HOME": str(work), "COLUMNS": "120"},
    )  # fmt: skip
    assert (work / "report.json").is_file(), done.stdout + done.stderr
    return json.loads((work / "report.json").read_text())


def test_rocrate_validator_accepts(crate, tmp_path):
    report = rocrate_report(crate, tmp_path)
    assert report["passed"], report["issues"]


def test_rocrate_validator_would_refuse(crate, tmp_path):
    shutil.copytree(crate, tmp_path / "crate")
    path = tmp_path / "crate" / "ro-crate-metadata.json"
    text = path.read_text()
    assert '"instrument"' in text
    path.write_text(text.replace('"instrument"', '"description"'))
    report = rocrate_report(tmp_path / "crate", tmp_path)
    assert not report["passed"]
    assert "instrument" in json.dumps(report["issues"])


def test_every_term_used_stands_in_the_context():
    document = json.loads(_ro_crate(BOOK, [_Member("data/a b.csv", 1, "0" * 64, "a", "input")]))
    terms = json.loads((DATA / "ro-crate-1.1-context.json").read_text())["@context"]
    for entity in document["@graph"]:
        assert entity["@type"] in terms
        assert {key for key in entity if not key.startswith("@")} <= set(terms)
    assert document["@graph"][-1]["@id"] == "data/a%20b.csv"


def test_cyclonedx_schema_accepts():
    from cyclonedx.schema import SchemaVersion
    from cyclonedx.validation import json as validation

    made = _component_list(
        BOOK, {"numpy": "2.4.6", "marginbook": "0.1.0", "odd": "1.0+local"},
        licences={"numpy": "BSD-3-Clause AND 0BSD"},
    )  # fmt: skip
    validator = validation.JsonStrictValidator(SchemaVersion.V1_5)
    assert validator.validate_str(made.decode()) is None
    components = json.loads(made)["components"]
    assert [c["purl"] for c in components] == ["pkg:pypi/numpy@2.4.6", "pkg:pypi/odd@1.0%2Blocal"]
    broken = json.loads(made) | {"components": [{"name": "numpy"}]}
    assert validator.validate_str(json.dumps(broken)) is not None


def test_descriptions_hold_no_clock_and_no_place(crate):
    first = (crate / "datapackage.json").read_text() + (
        crate / "ro-crate-metadata.json"
    ).read_text()
    assert str(crate) not in first
    assert "2026-04-01" in first
    members = [_Member("data/report.html", 3, "0" * 64, "the page")]
    assert _ro_crate(BOOK, members) == _ro_crate(BOOK, members)


@pytest.mark.parametrize(
    ("data", "types"),
    [
        (b"a,b\n1,x\n-2.5e3,y\n", ["number", "string"]),
        (b"a,b\n,\n,1\n", None),  # a row with nothing in it
        (b"a,b\n,2\n", ["string", "number"]),
        (b"a;b\n1;2\n", ["string"]),
        (b"\xef\xbb\xbfa,b\n1,2\n", None),
        (b"a,b,\n1,2,\n", None),
        (b"a,b\n1\n", None),
        (b"a,a\n1,2\n", None),
        (b"\xff,a\n1,2\n", None),
        (b"", None),
    ],
)
def test_columns_of_a_table(data, types):
    table = _csv_table(data)
    found = None if table is None else [field["type"] for field in table["schema"]["fields"]]
    assert found == types


def test_media_types_of_what_a_bag_holds():
    assert _media_type("data/report.html") == "text/html"
    assert _media_type("data/bench/logs/x.LOG") == "application/octet-stream"
    assert _media_type("data/x.PARQUET") == "application/vnd.apache.parquet"
