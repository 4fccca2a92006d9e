"""What a sealed review holds, file by file."""

from __future__ import annotations

import hashlib
import json

import pytest
from jsonschema import Draft202012Validator
from sealmaker import sealed_review

from kit.archive.bag import Item
from kit.archive.contents import describe_items, kit_items, text_path
from kit.claims.claim import load_claims
from kit.errors import SealError


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
    assert len(items) == 8
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
