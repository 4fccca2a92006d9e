"""Claims: written and read without loss, traced to runs, refused when they are not what they say."""

import dataclasses
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.claims.claim import (
    Claim,
    ClaimBook,
    Figure,
    RunRecord,
    Subject,
    _claims_document,
    _finite,
    _schema_of,
)
from kit.errors import SealError, UsageError
from kit.methods import METHODS
from kit.rounding import Rounded

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
        Claim.make("cell", Subject(), Figure(1.0), method="x", unit="", text=Rounded("1", "", ""))
