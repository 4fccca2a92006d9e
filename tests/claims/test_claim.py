"""Claims: written and read without loss, traced to runs, refused when they are not what they say."""

import base64
import dataclasses
import hashlib
import json
import math
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.claims import claim as claims
from kit.claims.claim import (
    _PRINTED,
    KINDS,
    SCHEMA_NAMES,
    Claim,
    ClaimBook,
    Figure,
    RunRecord,
    Subject,
    _claims_document,
    _finite,
    _plain_code,
    _schema_of,
    anchor_of,
    claims_frame,
    load_claims,
    once_each,
    schema_text,
)
from kit.errors import SealError, UsageError
from kit.methods import METHODS
from kit.trace import file_sha256

# Of a run: layout, status, session, began, duration in s, conditions, flags.
RUN_REST = ("", "ran", "", "", 0.0, {}, ())


def claim(name="margin/average_fps/dell/ash-over-birch", **fields):
    given_fields = {
        "id": name,
        "kind": "margin",
        "metric": "average_fps",
        "product": "ash",
        "baseline": "birch",
        "title": "dell",
        "value": 1.25,
        "low": 1.2,
        "high": 1.3,
        "confidence": 0.95,
        "unit": "ratio",
        "outcome": "ahead",
        "text": "+25 %",
        "interval": "+20 to +30",
        "rounding": "percent",
        "method": "margin-welch",
        "method_version": 1,
        "inputs": ("r1",),
        "runs": ("r1",),
        "set_aside": ("r2",),
        "marks": ("waived:memory_gb",),
    }
    return Claim(**{**given_fields, **fields})


def book(*claims):
    runs = (
        RunRecord("r1", "ash", "dell", "logs/r1.csv", "a" * 64, 10, True, "", *RUN_REST),
        RunRecord("r2", "ash", "dell", "logs/r2.csv", "b" * 64, 10, False, "too short", *RUN_REST),
    )
    return ClaimBook(
        "demo",
        "T",
        "B",
        "2026-11-25",
        "ash",
        "0.1",
        "p.yaml",
        "c" * 64,
        {"locale": "en"},
        {},
        claims or (claim(),),
        runs,
        {"products": {"ash": "Ash \u05d0"}, "titles": {}},
    )


@given(st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=30))
def test_what_is_written_is_read_back_to_the_last_bit(value, text):
    one = book(claim(value=value, text=text))
    again = ClaimBook.parse(one.to_json(), file="claims.json")
    assert again.claims == one.claims and again.runs == one.runs and again.names == one.names
    assert again.to_json() == one.to_json()


def test_the_older_form_is_still_read_and_written_back_as_it_was():
    old = dataclasses.replace(book(), file_format="marginbook-claims/1")
    data = old.to_json()
    assert b'"group"' not in data and b'"part"' not in data
    again = ClaimBook.parse(data, file="claims.json")
    assert again.claims == old.claims and again.file_format == "marginbook-claims/1"
    assert again.to_json() == data


def test_claims_of_a_kind_are_found_by_their_fields():
    one = book(
        claim(), claim("margin/average_fps/moor/ash-over-birch", title="moor"),
        claim("flag/capped/r1", kind="flag", value=None, method="stated"),
    )  # fmt: skip
    assert [c.title for c in one.of_kind("margin")] == ["dell", "moor"]
    assert [c.title for c in one.of_kind("margin", title="moor")] == ["moor"]
    assert one.of_kind("suite") == ()
    assert [c.kind for c in one.figures] == ["margin", "margin"]
    assert math.isnan(one.of_kind("flag")[0].figure)
    assert one.claims[0].figure == 1.25


def test_the_json_fits_its_published_schema():
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.validate(json.loads(book().to_json()), _schema_of("claims"))
    broken = _claims_document(book())
    broken["claims"][0].pop("method")
    with pytest.raises(jsonschema.ValidationError, match="'method' is a required property"):
        jsonschema.validate(json.loads(json.dumps(broken)), _schema_of("claims"))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "not JSON"),
        (b"[]", "claims.json"),
        (b"{" * 2000, "not JSON"),
        (b"[" * 5_000_000, "more brackets"),
        (b"[" * 100_000 + b"]" * 100_000, "claims.json"),
        (b"\xff\xfe", "not JSON"),
        (book().to_json().replace(b'"unit": "ratio"', b'"unit": 5'), "unit"),
        (book().to_json().replace(b'"value": 1.25', b'"value": NaN'), "claims.json"),
        (book().to_json().replace(b'"kind"', b'"kindness"'), "claims.json"),
        (book().to_json().replace(b"marginbook-claims/2", b"marginbook-claims/9"), "format"),
    ],
    ids=["empty", "list", "open", "bomb", "deep", "bytes", "type", "nan", "key", "format"],
)
def test_what_is_no_list_of_claims_is_refused_in_words(data, said):
    with pytest.raises(SealError, match=said):
        ClaimBook.parse(data, file="claims.json")


def test_a_trace_names_method_runs_files_and_hashes():
    text = "\n".join(book().trace_lines(claim().id))
    for part in (
        METHODS["margin-welch"].words,
        "logs/r1.csv",
        "a" * 64,
        "set aside: too short",
        "interval 1.2 to 1.3 at 0.95",
        "waived:memory_gb",
    ):
        assert part in text
    tree = book().trace_tree(claim().id)
    assert [run["id"] for run in tree["runs"]] == ["r1", "r2"]


def test_an_unknown_claim_names_its_neighbour():
    with pytest.raises(UsageError, match='did you mean "margin/average_fps/dell/ash-over-birch"'):
        book().trace_lines("margin/average_fps/del/ash-over-birch")


def test_a_trace_that_leads_nowhere_is_a_fault():
    assert book().trace_faults() == []
    faults = book(claim(inputs=("nothing",), runs=("r9",))).trace_faults()
    assert [str(fault) for fault in faults] == [
        'claims.json, margin/average_fps/dell/ash-over-birch: input "nothing" is not there',
        'claims.json, margin/average_fps/dell/ash-over-birch: run "r9" is not there',
    ]


def test_only_finite_figures_are_written():
    assert _finite(math.nan) is None and _finite(math.inf) is None and _finite(1.5) == 1.5


def test_every_method_has_words_and_an_unknown_one_is_refused():
    assert all(method.words.endswith(".") and method.version >= 1 for method in METHODS.values())
    with pytest.raises(ValueError, match="no method 'x' in the catalogue"):
        Claim.make("cell", Subject(), Figure(1.0), method="x")
    with pytest.raises(ValueError, match="nothing says how a figure in 'furlongs' is printed"):
        Claim.make("look", Subject(), 1.0, method="count", unit="furlongs")


def test_each_kind_of_claim_names_a_method_there_is_and_a_way_to_print_its_figures():
    for kind, row in KINDS.items():
        assert row.method in {"", *METHODS}, kind
        assert (row.printed or row.unit) in _PRINTED, kind


# By hand: a control as a sentence takes it up, and its unit.
@pytest.mark.parametrize(
    ("meaning", "said"),
    [
        ("Main memory, in GB", ("main memory", "GB")),
        ("The machine's own fan curve", ("fan curve", "")),
        ("The driver of the machine", ("driver", "")),
        ("Driver, and its branch", ("driver", "")),
        ("DDR speed, in MT/s", ("DDR speed", "MT/s")),
        ("x" * 30, ("x" * 30, "")),
        ("x" * 31, ("memory (GB)", "")),
        ("memory_gb", ("memory (GB)", "")),
    ],
)
def test_a_control_in_words(meaning, said):
    one = dataclasses.replace(book(), names={"controls": {"memory_gb": meaning}})
    assert one.control_words("memory_gb") == said


@pytest.mark.parametrize(
    ("code", "words"),
    [("load_pct", "load"), ("board_power_w", "board power (W)"), ("w", "w"), ("_w", " w")],
)
def test_a_code_in_words(code, words):
    assert _plain_code(code) == words


def test_a_text_has_names_for_ids():
    one = dataclasses.replace(
        book(), names={"products": {"ash-4": "Ash 4"}, "controls": {"fan_mode": "The fan mode"}}
    )
    text = "ash-4, fan_mode, ambient_c, runs.csv, run r-1 and other.csv"
    assert one.in_words(text) == (
        "Ash 4, fan mode, ambient (°C), the run sheet, run r-1 and other.csv"
    )


def test_names_are_those_of_the_family_a_field_holds():
    one = dataclasses.replace(
        book(),
        names={
            "products": {"ash": "Ash"}, "titles": {"dell": "Dell"}, "metrics": {"m": "Metric"},
            "title_groups": {"all": "every title"}, "price_kinds": {"all": "each price"},
        },
    )  # fmt: skip
    assert [one.name(*case) for case in (("product", "ash"), ("baseline", "ash"), ("title", "dell"),
            ("title", "ash"), ("metric", "m"), ("unit", "m"))] == [
        "Ash", "Ash", "Dell", "ash", "Metric", "m"]  # fmt: skip
    assert [one.name("group", "all", kind=kind) for kind in ("suite", "price", "cell", "")] == [
        "every title", "each price", "all", "all"]  # fmt: skip
    assert one.family("part", "sensitivity") == {} and one.own_name == "Ash"
    assert one.whole_words("the suite") == "the suite"
    chosen = dataclasses.replace(one, settings={"headline": "all"})
    assert chosen.whole_words("the suite") == "every title"
    assert (chosen.locale, chosen.language) == ("en", "en")


@pytest.mark.parametrize(("low", "high"), [(1.2, 1.3), (None, 1.3), (1.2, None), (None, None)])
def test_the_ends_of_an_interval_are_both_there_or_neither(low, high):
    ends = claim(low=low, high=high).ends
    if None in (low, high):
        assert all(math.isnan(end) for end in ends)
    else:
        assert ends == (1.2, 1.3)


@pytest.mark.parametrize(
    ("runs", "set_aside", "run"),
    [
        (("a",), (), "a"),
        ((), ("b",), "b"),
        (("a",), ("b",), ""),
        (("a", "b"), (), ""),
        ((), (), ""),
    ],
)
def test_a_claim_is_of_one_run_or_of_none(runs, set_aside, run):
    assert claim(runs=runs, set_aside=set_aside).run == run


def test_a_claim_as_made_keeps_each_thing_once_and_no_interval_without_an_end():
    subject = Subject("average_fps", "ash", "birch", "dell", runs=("a", "a", "b"), marks=("m", "m"))
    ahead = Figure(1.25, 1.2, 1.3, 0.95, "ahead")
    made = Claim.make("margin", subject, ahead, method="margin-welch")
    assert (made.runs, made.marks, made.confidence) == (("a", "b"), ("m",), 0.95)
    assert (made.text, made.interval, made.unit) == ("+25\u00a0%", "+20 to +30", "ratio")
    assert made.printed == "+25\u00a0% (+20 to +30)" and made.is_figure and not made.waived
    bare = Claim.make("margin", subject, Figure(None, None, None, 0.95), method="margin-welch")
    assert (bare.value, bare.confidence, bare.interval) == (None, None, "")
    endless = Figure(1.25, -math.inf, math.inf, 0.95)
    endless = Claim.make("margin", subject, endless, method="margin-welch")
    assert (endless.low, endless.high, endless.interval) == (None, None, "")
    said = Claim.state("set_aside", "too hot", Subject(set_aside=("r2",)), outcome="hot")
    assert (said.id, said.value, said.outcome, said.is_figure) == (
        "set_aside/r2", None, "hot", False)  # fmt: skip
    assert claim(marks=("waived:x",)).waived and not claim(marks=("x", "y")).waived
    share = Claim.make("share_within", Subject("m"), 0.05)
    assert (share.text, share.unit) == ("5.0\u00a0%", "share")
    assert Claim.id_of("step", metric="m", group="g", product="p", part="x") == (
        "step/m/g/p/all-titles/x")  # fmt: skip
    assert [Claim.id_of("plan", part="x", title=title, product="p") for title in ("", "t")] == [
        "plan/x", "plan/x/t/p"]  # fmt: skip


def test_a_trace_has_each_claim_once_below_the_one_made_from_it():
    top = claim("top", inputs=("left", "right"), set_aside=(), marks=())
    left, right = (claim(name, inputs=("leaf",)) for name in ("left", "right"))
    one = book(top, left, right, claim("leaf", text="+5 %", inputs=("r1",)))
    lines = one.trace_lines("top")
    assert [line for line in lines if " from " in line] == [
        "  from left = +25 %", "    from leaf = +5 %", "  from right = +25 %",
    ]  # fmt: skip
    assert lines[:2] == ["top", "  +25 %  (+20 to +30)"]
    assert lines[-2:] == ["  runs used", f"    r1  logs/r1.csv  10 frames  sha256 {'a' * 64}"]
    assert [c["id"] for c in one.trace_tree("top")["inputs"]] == ["leaf", "left", "right"]
    stated = book(claim(value=None, low=None, high=None, interval="", outcome="", marks=(), runs=(),
                        set_aside=(), inputs=(), method="stated"))  # fmt: skip
    lines = stated.trace_lines(claim().id)
    assert lines[:2] == [claim().id, "  +25 %"] and lines[-2:] == ["  runs used", "    none"]
    assert not any(line.startswith(("  value", "  interval", "  outcome")) for line in lines)


def test_a_table_of_claims_has_numbers_and_texts():
    frame = claims_frame([claim(runs=("r1", "r2")), claim(value=None, low=None)])
    assert frame["runs"].tolist() == ["r1 r2", "r1"]
    assert str(frame["value"].dtype) == "float64" and math.isnan(frame["low"][1])


def test_a_key_twice_is_told_and_json_has_no_escapes():
    with pytest.raises(ValueError, match=f"the key '{'k' * 80}' stands twice"):
        once_each([("a", 1), ("k" * 81, 1), ("k" * 81, 2)])
    assert once_each([("a", 1), ("b", 1)]) == {"a": 1, "b": 1}
    assert "\u05d0".encode() in book().to_json()
    with pytest.raises(ValueError, match="JSON compliant"):
        book(claim(value=math.nan)).to_json()
    empty = dataclasses.replace(book(), claims=(), runs=())
    assert ClaimBook.parse(empty.to_json(), file="x").claims == ()
    # RFC 4648 of a SHA-256, by hashlib and base64: it must stay from one version to the next.
    digest = hashlib.sha256(b"count/titles").digest()
    assert anchor_of("count/titles") == f"t-{base64.b32encode(digest).decode()[:9].lower()}"


def sealed(data):
    """Return a bag's files as RFC 8493 has manifests: a digest, two spaces and the file's path."""

    def line(body, name):
        return f"{hashlib.sha256(body).hexdigest()}  {name}\n".encode()

    manifest = line(b"x", "data/other") + line(data, "data/claims.json")
    return {
        "data/claims.json": data,
        "manifest-sha256.txt": manifest,
        "tagmanifest-sha256.txt": line(manifest, "manifest-sha256.txt"),
    }


def put(folder, files, zipped=False):
    if zipped:
        with zipfile.ZipFile(folder / "bag.zip", "w") as bag:
            for name, body in files.items():
                bag.writestr(f"bag/{name}", body)
        return folder / "bag.zip"
    for name, body in files.items():
        (folder / "bag" / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / "bag" / name).write_bytes(body)
    return folder / "bag"


@pytest.mark.parametrize("zipped", [False, True], ids=["folder", "zip"])
def test_another_review_is_read_finished_or_sealed_and_its_seal_is_that_of_the_bag(
    tmp_path, zipped
):
    data = book().to_json()
    finished = ClaimBook.read_stated(put(tmp_path, {"claims.json": data}, zipped))
    assert (finished.claims, finished.seal) == (book().claims, "")
    # A bag that also holds a file of that name at its top states what its data folder holds.
    files = sealed(data) | {"claims.json": b"{}", "deep/er/data/claims.json": b"{}"}
    stated = ClaimBook.read_stated(put(tmp_path, files, zipped))
    assert stated.claims == book().claims
    assert stated.seal == hashlib.sha256(files["tagmanifest-sha256.txt"]).hexdigest()
    # What another bag holds of it lies in one folder.
    flat = {name.removeprefix("data/"): body for name, body in sealed(data).items()}
    other = tmp_path / "flat"
    other.mkdir()
    assert ClaimBook.read_stated(put(other, flat, zipped)).seal == stated.seal


@pytest.mark.parametrize(
    ("file", "said"),
    [
        ("data/claims.json", "data/claims.json is not as manifest-sha256.txt has it"),
        ("manifest-sha256.txt", "manifest-sha256.txt is not as tagmanifest-sha256.txt has it"),
        ("tagmanifest-sha256.txt", "manifest-sha256.txt is not as tagmanifest-sha256.txt has it"),
    ],
)
def test_a_sealed_review_changed_since_is_refused(tmp_path, file, said):
    files = sealed(book().to_json())
    files[file] = b" " + files[file]
    with pytest.raises(SealError, match=said):
        ClaimBook.read_stated(put(tmp_path, files))


def test_what_holds_no_claims_is_refused_by_its_name(tmp_path):
    for zipped in (False, True):
        path = put(tmp_path, {"other.json": b"{}"}, zipped)
        with pytest.raises(SealError, match=rf"{path.name}: no claims.json; this is no finished"):
            ClaimBook.files_of(path)
    (tmp_path / "no.zip").write_bytes(b"no zip")
    with pytest.raises(SealError, match=r"no\.zip: cannot be read"):
        ClaimBook.files_of(tmp_path / "no.zip")
    with pytest.raises(
        SealError, match=r"bag: no claims\.json; this is not the folder of a review"
    ):
        load_claims(tmp_path / "bag")
    assert load_claims(put(tmp_path, {"claims.json": book().to_json()})).claims == book().claims


def test_a_zip_larger_than_any_review_is_not_unpacked(tmp_path, monkeypatch):
    files = sealed(book().to_json())
    path, size = put(tmp_path, files, zipped=True), sum(map(len, files.values()))
    monkeypatch.setattr(claims, "_LARGEST", size)
    assert ClaimBook.files_of(path)["claims.json"] == files["data/claims.json"]
    monkeypatch.setattr(claims, "_LARGEST", size - 1)
    with pytest.raises(SealError, match="larger than any review"):
        ClaimBook.files_of(path)


def test_schemas_are_those_kept_and_files_have_the_digest_of_the_standard(tmp_path):
    kept = Path(claims.__file__).parents[1] / "schemas"
    for what in SCHEMA_NAMES:
        (file,) = kept.glob(f"*{what}*")
        assert file.read_text(encoding="utf-8") == schema_text(what)
    # FIPS 180-4, the example "abc".
    (tmp_path / "abc").write_bytes(b"abc")
    assert file_sha256(tmp_path / "abc").startswith("ba7816bf8f01cfea414140de5dae2223")
