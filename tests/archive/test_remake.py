"""A sealed review made again: the same bytes or the place where they differ; claims field by field."""

from __future__ import annotations

import json
import random
import re
from dataclasses import fields, replace

import pytest
from damage import Spoiled
from sealmaker import copy_bag, finished_review, sealed_review

from kit.archive import remake
from kit.archive.remake import (
    _beyond_this_version,
    _compare_books,
    _input_findings,
    _recompute_review,
    reads_as_stated,
    same_figure,
)
from kit.archive.unbag import Listing, open_bag
from kit.archive.verifying import GRADES, verify_bag
from kit.claims.claim import Claim, RunRecord, load_claims
from kit.errors import BenchError, Fault, SealError, UsageError
from kit.report.report import write_here
from kit.report.template import own_template
from kit.rounding import Rounded


def spoiled(folder) -> Spoiled:
    return Spoiled(copy_bag(folder), random.Random(1))


def not_the_same(seen) -> dict[str, str]:
    return {part.path: part.state for part in seen.parts if part.state != "same bytes"}


def test_a_template_run_here_writes_the_bytes_a_kernel_writes(tmp_path):
    review = finished_review()
    params = review.parent.parent / "params" / "quill.yaml"
    closed, _ = write_here(own_template("review.ipynb"), params, folder=tmp_path)
    assert len(closed.files) > 10
    for name in closed.files:
        assert (tmp_path / name).read_bytes() == (review / name).read_bytes(), name


def test_every_file_is_made_again():
    seen = verify_bag(sealed_review())
    assert seen.grade == "reproduced" and seen.exit_status == 0
    assert not_the_same(seen) == {}
    assert {part.path for part in seen.parts} == {
        path.relative_to(sealed_review()).as_posix()
        for path in sealed_review().rglob("*")
        if path.is_file()
    }


def test_with_other_drawing_versions_pictures_are_set_aside_by_name(tmp_path):
    bag = spoiled(tmp_path / "bag")
    installed = bag.read("data/environment/installed.txt").decode()
    other = re.sub(r"(?m)^matplotlib==.*$", "matplotlib==2.0.0", installed)
    components = bag.read("data/environment/cyclonedx.json").decode()
    version = re.search(r"(?m)^matplotlib==(.*)$", installed)[1]
    bag.write("data/environment/installed.txt", other.encode())
    bag.write(
        "data/environment/cyclonedx.json",
        components.replace(f"matplotlib@{version}", "matplotlib@2.0.0")
        .replace(f'"name": "matplotlib",\n   "version": "{version}"',
                 '"name": "matplotlib",\n   "version": "2.0.0"').encode(),
    )  # fmt: skip
    picture = bag.pick("data/charts/*.svg")
    bag.write(picture, bag.read(picture).replace(b'stroke-width="2"', b'stroke-width="2.1"'))
    bag.mend()
    seen = verify_bag(bag.folder)
    assert not_the_same(seen).get(picture) == "same after"
    assert any(
        part.path == picture and part.after == ("pictures drawn by other versions",)
        for part in seen.parts
    )


def test_with_the_same_versions_a_picture_must_have_the_same_bytes(tmp_path):
    bag = spoiled(tmp_path / "bag")
    picture = bag.pick("data/charts/*.svg")
    bag.write(picture, bag.read(picture).replace(b'stroke-width="2"', b'stroke-width="2.1"'))
    bag.mend()
    seen = verify_bag(bag.folder)
    assert seen.grade == "not verified" and seen.exit_status == GRADES["not verified"] == 1
    assert picture in [f.path.partition(" # ")[0] for f in seen.findings if f.stage == "rebuild"]


def test_what_can_be_required():
    seen = verify_bag(sealed_review())
    assert seen.meets(["reproduced"]) and seen.meets(["whole"])
    assert not seen.meets(["reproduced", "signed"])
    with pytest.raises(UsageError, match='cannot require "reproducd"; did you mean "reproduced"'):
        seen.meets(["reproducd"])
    with pytest.raises(UsageError, match="nothing is required"):
        seen.meets([])


@pytest.fixture(scope="module")
def stated():
    return load_claims(sealed_review() / "data")


@pytest.fixture(scope="module")
def fresh(stated):
    data = sealed_review() / "data"
    return _recompute_review(data / "params" / stated.params_file, data / "bench").book


def test_runs_added_after_a_registered_plan_are_said_in_the_bag_and_verified(stated, tmp_path):
    (said,) = stated.of_kind("plan_kept")
    assert said.outcome == "added"
    assert said.text.startswith("Runs were added after the plan registered on 2026-03-01: Quill in")
    assert "Kettle Run 3 of 2." in said.text
    assert said.text in (sealed_review() / "data" / "report.html").read_text(encoding="utf-8")
    # Whoever writes another count into the sealed params afterwards is found out.
    folder = copy_bag(tmp_path / "bag") / "data"
    params = folder / "params" / stated.params_file
    params.write_text(params.read_text().replace("quill: {kettle: 2,", "quill: {kettle: 3,"))
    found = [*_compare_books(stated, _recompute_review(params, folder / "bench").book)]
    assert any("# plan_kept, text" in f.path for f in found), found


def changed(book, claim_id, **values):
    claims = tuple(replace(c, **values) if c.id == claim_id else c for c in book.claims)
    return replace(book, claims=claims)


def other(value):
    """Return another value of the same kind."""
    if isinstance(value, str):
        return value + "x"
    if isinstance(value, tuple):
        return (*value, "x")
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1
    return {"x": "y"} if isinstance(value, dict) else 1.5


def test_a_whole_book_has_no_findings(stated, fresh):
    assert [*_compare_books(stated, fresh)] == []


@pytest.mark.parametrize("name", [f.name for f in fields(Claim) if f.name != "id"])
def test_every_field_of_a_claim_counts(stated, fresh, name):
    claim = next(c for c in stated.claims if c.kind == "margin")
    wrong = changed(stated, claim.id, **{name: other(getattr(claim, name))})
    found = [*_compare_books(wrong, fresh)]
    assert any(f"# {claim.id}, {name if name != 'method_version' else 'method'}" in f.path
               for f in found), found  # fmt: skip
    assert all(f.path.startswith("data/claims.json # ") for f in found)


@pytest.mark.parametrize("name", [f.name for f in fields(RunRecord) if f.name != "id"])
def test_every_field_of_a_run_counts(stated, fresh, name):
    first = stated.runs[0]
    runs = (replace(first, **{name: other(getattr(first, name))}), *stated.runs[1:])
    found = [*_compare_books(replace(stated, runs=runs), fresh)]
    assert f"# run {first.id}, {name}" in found[0].path


@pytest.mark.parametrize(
    "name", ["review", "title", "byline", "date", "product", "params_file", "params_sha256"]
)
def test_what_is_said_of_the_review_counts(stated, fresh, name):
    found = [*_compare_books(replace(stated, **{name: "x"}), fresh)]
    assert [f.path for f in found] == [f"data/claims.json # {name}"]


def test_a_setting_deep_down_counts(stated, fresh):
    settings = {**stated.settings, "margins": {**stated.settings["margins"], "confidence": 0.5}}
    found = [*_compare_books(replace(stated, settings=settings), fresh)]
    assert [f.path for f in found] == ["data/claims.json # settings.margins.confidence"]
    fewer = {k: v for k, v in stated.settings.items() if k != "locale"}
    assert "settings.locale" in [*_compare_books(replace(stated, settings=fewer), fresh)][0].path


def test_a_later_version_may_know_more(stated, fresh):
    later = replace(fresh, kit_version="9.0.0", settings={**fresh.settings, "new": 1})
    assert [*_compare_books(stated, later)] == []
    extra = replace(fresh.claims[0], id="new_kind/x", kind="new_kind")
    assert [*_compare_books(stated, replace(later, claims=(*later.claims, extra)))] == []
    gone = replace(stated, claims=stated.claims[1:])
    assert [*_compare_books(gone, later)][-1].found == "it is missing"


def test_claims_and_runs_missing_added_or_twice(stated, fresh):
    assert (
        "it is missing"
        in [*_compare_books(replace(stated, claims=stated.claims[:-1]), fresh)][0].found
    )
    assert (
        "it is missing"
        in [*_compare_books(replace(stated, runs=stated.runs[:-1]), fresh)][-1].found
    )
    extra = replace(stated.claims[0], id="run/average_fps/none")
    found = [*_compare_books(replace(stated, claims=(*stated.claims, extra)), fresh)]
    assert any("no such claim" in f.expected for f in found)
    twice = [*_compare_books(replace(stated, claims=(*stated.claims, stated.claims[0])), fresh)]
    assert [f.found for f in twice] == ["it stands twice"]
    twice = [*_compare_books(replace(stated, runs=(*stated.runs, stated.runs[0])), fresh)]
    assert [f.found for f in twice] == ["it stands twice"]


def test_the_last_bits_do_not_count_but_a_millionth_does(stated, fresh):
    claim = next(c for c in stated.claims if c.kind == "suite")
    near = changed(stated, claim.id, value=claim.value * (1 + 1e-12))
    assert [*_compare_books(near, fresh)] == []
    apart = changed(stated, claim.id, value=claim.value * (1 + 1e-6))
    assert [f.path for f in [*_compare_books(apart, fresh)]] == [
        f"data/claims.json # {claim.id}, value"
    ]
    assert same_figure(0.0, 0.0) and not same_figure(0.0, 1e-12)


def test_what_rests_on_an_unknown_method_cannot_be_made_either(stated, fresh):
    cell = next(c for c in stated.claims if c.kind == "cell" and c.metric == "average_fps")
    wrong = changed(stated, cell.id, method_version=99)
    beyond = _beyond_this_version(wrong)
    above = {c.id for c in stated.claims if cell.id in c.inputs}
    assert above and above <= set(beyond)
    assert _beyond_this_version(stated) == {}
    found = [*_compare_books(wrong, fresh)]
    assert {f.path.split(" # ")[1].removesuffix(", method") for f in found} == set(beyond)


def test_claims_in_a_ring_do_not_hang(stated):
    one, two = stated.claims[:2]
    ring = replace(
        stated, claims=(replace(one, inputs=(two.id,)), replace(two, inputs=(one.id,), method="?"))
    )
    assert set(_beyond_this_version(ring)) == {one.id, two.id}


# Roundings worked out by hand; the texts are those of the tables.
@pytest.mark.parametrize(
    ("rounded", "unit", "value", "low", "high"),
    [
        (Rounded.ratio(1.2504, 1.22, 1.28), "ratio", 1.2504, 1.22, 1.28),
        (Rounded.ratio(0.8, 0.78, 0.82, locale="de"), "ratio", 0.8, 0.78, 0.82),
        (Rounded.figure(61.345, 60.1, 62.6), "fps", 61.345, 60.1, 62.6),
        (Rounded.figure(1234.5, locale="de"), "fps", 1234.5, None, None),
        (Rounded.figure(1234567.0, locale="fr"), "fps", 1234567.0, None, None),
        (Rounded.money(1499.5, "EUR"), "EUR", 1499.5, None, None),
        (Rounded.share(0.125), "share", 0.125, None, None),
    ],
    ids=["percent", "percent de", "fps", "fps de", "fps fr", "money", "share"],
)
def test_a_text_is_read_back_as_its_figure(stated, rounded, unit, value, low, high):
    locale = "de" if "," in rounded.text and unit != "EUR" else "en"
    if "\u202f" in rounded.text or "\u202f" in rounded.interval:
        locale = "fr"
    claim = replace(
        stated.claims[0], unit=unit, value=value, low=low, high=high, text=rounded.text,
        interval=rounded.interval, rounding=rounded.rule,
    )  # fmt: skip
    assert reads_as_stated(claim, locale)
    assert not reads_as_stated(replace(claim, value=value * 1.1 + 0.1), locale)
    assert not reads_as_stated(replace(claim, text="none"), locale)
    if low is not None:
        assert not reads_as_stated(replace(claim, low=low * 0.9), locale)
        assert not reads_as_stated(replace(claim, high=high * 1.1), locale)


def test_under_a_bound_is_read_as_less_than_it(stated):
    claim = replace(
        stated.claims[0], unit="titles", value=0.004, low=None, high=None, text="under 0.1",
        interval="", rounding="1 decimal",
    )  # fmt: skip
    assert reads_as_stated(claim, "en")
    assert not reads_as_stated(replace(claim, value=0.1), "en")
    assert not reads_as_stated(replace(claim, value=-0.01), "en")


def test_every_text_of_the_review_reads_as_its_figure(stated):
    assert [c.id for c in stated.claims if not reads_as_stated(c, "en")] == []


def test_another_rounding_of_a_later_version_passes_a_wrong_text_does_not(stated, fresh):
    claim = next(c for c in stated.claims if c.kind == "suite")
    finer = Rounded.ratio(claim.value, claim.value * 0.99999, claim.value * 1.00001)
    later = replace(
        changed(fresh, claim.id, text=finer.text, rounding=finer.rule), kit_version="9.0.0"
    )
    assert [*_compare_books(stated, later)] == []
    wrong = changed(stated, claim.id, text="+99.9\u00a0%")
    assert [f.found for f in [*_compare_books(wrong, later)]] == ["+99.9\u00a0%", claim.rounding]


def test_faults_of_inputs_name_their_place_in_the_bag():
    error = BenchError(
        [Fault("bench/runs.csv", "twice", line=3, key="run"), Fault("quill.yaml", "no"),
         Fault("logs/a.csv", "letters", line=500)]
    )  # fmt: skip
    assert [f.path for f in _input_findings(error)] == [
        "data/bench/runs.csv # line 3, run", "data/params/quill.yaml",
        "data/bench/logs/a.csv # line 500",
    ]  # fmt: skip
    assert _input_findings(SealError("plain"))[0].found == "plain"


def with_file(folder, path, data):
    (folder / path).parent.mkdir(parents=True, exist_ok=True)
    (folder / path).write_bytes(data)
    return folder


LONG = f"{'a' * 80}=={'1' * 60}"


@pytest.mark.parametrize(
    ("text", "found", "why"),
    [
        ("numpy==2.4.6\na-b==1.0.post1+x\n", {"numpy": "2.4.6", "a-b": "1.0.post1+x"}, ""),
        (LONG, {"a" * 80: "1" * 60}, ""),
        ("a" + LONG, {}, f"line 1 is not one: '{'a' * 60}'"),
        (LONG + "1", {}, f"line 1 is not one: '{'a' * 60}'"),
        ("numpy==2\nNumpy==2\n", {}, "line 2 is not one: 'Numpy==2'"),
        ("numpy==2\nnumpy==3\n", {}, "line 2 is not one: 'numpy==3'"),
        ("numpy==2\n\n", {}, "line 2 is not one: ''"),
        ("numpy==\xff", {}, "not a list of packages"),
        ("x" * (1_048_576 + 1), {}, "not a list of packages"),
        ("x" * 1_048_576, {}, f"line 1 is not one: '{'x' * 60}'"),
    ],
    ids=["two", "long", "name", "version", "capitals", "twice", "empty", "ascii", "bytes", "most"],
)
def test_packages_are_taken_as_stated_where_they_have_their_form(tmp_path, text, found, why):
    with open_bag(with_file(tmp_path, remake.INSTALLED, text.encode())) as bag:
        assert remake._stated_packages(bag) == (found, why)
    with open_bag(with_file(tmp_path / "no", "data/a", b"")) as bag:
        assert remake._stated_packages(bag) == ({}, "it is missing")


def component(name, words):
    return {"name": name, "licenses": [{"expression": words}]}


@pytest.mark.parametrize(
    ("stated", "found"),
    [
        ([component("a", "MIT"), {"name": "b"}, component("c", "MIT")], {"a": "MIT"}),
        ([component("a", "x" * 200)], {"a": "x" * 200}),
        ([component("a", "x" * 201)], {}),
        ([component("a", "<b>")], {}),
        ([{"name": "a", "licenses": []}], {}),
        ([{"name": "a", "licenses": 3}], {}),
    ],
)
def test_licences_are_taken_as_stated_of_the_packages_listed(tmp_path, stated, found):
    data = json.dumps({"components": stated}).encode()
    with open_bag(with_file(tmp_path, remake.COMPONENTS, data)) as bag:
        assert remake._stated_licences(bag, {"a": "1", "b": "2"}) == found


@pytest.mark.parametrize(
    ("said", "day"),
    [(("2026-04-01",), "2026-04-01"), (("soon",), "1970-01-01"), ((), "1970-01-01")],
)
def test_the_day_of_bagging_is_the_one_stated_or_the_epoch(said, day):
    listing = Listing({}, {}, {"Bagging-Date": said} if said else {})
    assert remake._stated_day(listing).isoformat() == day


@pytest.mark.parametrize(
    ("one", "other", "place", "first", "second"),
    [
        ("abc", "abd", "line 1", "'abc'", "'abd'"),
        ("ab", "abc", "line 1", "'ab'", "'abc'"),
        ("a\nb", "a\nc", "line 2", "'a\\nb'", "'a\\nc'"),
        # From 24 characters before the first that differs on.
        (f"{'x' * 25}a", f"{'x' * 25}b", "line 1", f"...'{'x' * 24}a'", f"...'{'x' * 24}b'"),
        (f"{'x' * 24}a", f"{'x' * 24}b", "line 1", f"'{'x' * 24}a'", f"'{'x' * 24}b'"),
        ('<p id="here">a', '<p id="here">b', "line 1, after here", "'<p id=\"here\">a'",
         "'<p id=\"here\">b'"),
    ],
)  # fmt: skip
def test_where_two_texts_part_is_told_with_what_stands_before(one, other, place, first, second):
    assert remake.first_apart(one, other) == (place, first, second)
    much = remake.first_apart("a" * 500, "b" * 500)
    assert [len(text) for text in much[1:]] == [remake.SHOWN + 2] * 2
