"""Sealed reviews verified: whole ones pass; damaged, hostile and foreign ones do not."""

from __future__ import annotations

import hashlib
import json
import os
import random
import re
import resource
import shutil
import subprocess
import sys
import textwrap
import time
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, packages_distributions, requires
from pathlib import Path

import pytest
from bagmaker import bytes_of, make_bag
from damage import KINDS, Spoiled, author_key, sign, try_damage, with_store
from hypothesis import given, settings
from hypothesis import strategies as st
from sealmaker import copy_bag, corrected_review, finished_review, sealed_review

from kit.archive import verifying
from kit.archive.bag import zip_bag
from kit.archive.remake import Part
from kit.archive.unbag import open_bag
from kit.archive.verifying import (
    STAGES,
    _attested,
    _completeness,
    _read_book,
    _Stage,
    _Verification,
    _Walk,
    verify_bag,
)
from kit.claims.bound_text import BoundText
from kit.claims.claim import ClaimBook
from kit.errors import Finding, SealError
from kit.methods import METHODS
from kit.package import _normal_name
from kit.settings.params import bench_read_from, load_params

ROOT = Path(__file__).resolve().parents[2]


def spoiled(folder: Path) -> Spoiled:
    return Spoiled(copy_bag(folder), random.Random(1))


def verified(path: Path, **given):
    """Verify with a store: what the same bytes gave in another test is not made again."""
    return verify_bag(path, reading=with_store(), **given)


def stage(seen, name):
    return next(s for s in seen.stages if s.name == name)


class TestWhole:
    def test_every_stage_is_done_and_passes(self):
        seen = verify_bag(sealed_review())
        assert [s.name for s in seen.stages] == list(STAGES)
        assert {s.state for s in seen.stages} == {"passed"}
        assert seen.ok and seen.findings == ()
        assert seen.review == "quill" and seen.kit_version
        assert " claims made afresh from the raw logs" in stage(seen, "claims").said

    def test_a_zip_of_it_passes_too(self, tmp_path):
        packed = zip_bag(sealed_review(), tmp_path / "quill.zip")
        seen = verified(packed)
        assert seen.ok
        assert seen.identity == verified(sealed_review()).identity

    def test_says_whether_it_is_signed_and_by_whom(self, tmp_path):
        assert "Not signed" in stage(verified(sealed_review()), "signature").said
        bag = copy_bag(tmp_path / "bag")
        sign(bag)
        seen = verified(bag)
        assert seen.ok and seen.signature == "valid, key not compared"
        assert "nobody vouches" in stage(seen, "signature").said
        seen = verified(bag, signer=author_key(tmp_path))
        assert seen.ok and seen.signature == "valid"
        assert seen.key.startswith("SHA256:")

    def test_unsigned_is_no_good_where_a_signer_is_named(self, tmp_path):
        seen = verified(sealed_review(), signer=author_key(tmp_path))
        assert not seen.ok
        assert [s.name for s in seen.stages if s.state == "failed"] == ["signature"]

    def test_changes_nothing(self, tmp_path):
        bag = copy_bag(tmp_path / "bag")
        before = bytes_of(bag)
        verified(bag)
        assert bytes_of(bag) == before
        assert [p.name for p in tmp_path.iterdir()] == ["bag"]

    def test_says_it_in_lines_data_and_a_frame(self, tmp_path):
        bag = spoiled(tmp_path / "bag")
        bag.write("data/report.html", b"<title>\x1b[31m</title>")
        seen = verified(bag.folder)
        lines = seen.to_lines()
        assert lines[-1] == "NOT verified"
        assert any(line.startswith("bytes: failed") for line in lines)
        plain = json.loads(json.dumps(seen.to_dict()))
        assert plain["ok"] is False
        assert {"stage", "path", "expected", "found"} == set(plain["findings"][0])
        frame = seen.to_frame()
        assert list(frame.columns) == ["stage", "path", "expected", "found"]
        assert len(frame) == len(seen.findings)


def answer(states: str, *parts: str, findings: int = 0) -> _Verification:
    """Return an answer: of each stage p(assed), f(ailed) or n(ot done), of each file its state."""
    words = {"p": "passed", "f": "failed", "n": "not done"}
    faults = tuple(Finding(f"data/{n}", "one", "other", stage="bytes") for n in range(findings))
    stages = tuple(_Stage(n, words[s], "So.", faults) for n, s in zip(STAGES, states, strict=True))
    made = tuple(Part(f"data/{n}.svg", state, ("dates", "hash")) for n, state in enumerate(parts))
    return _Verification("bag", "", "0" * 64, "0.1.0", "none", "", stages, made)


@pytest.mark.parametrize(
    ("states", "parts", "grade", "status"),
    [
        ("ppppppp", ["same bytes", "same bytes"], "reproduced", 0),
        ("ppppppp", ["same bytes", "same after"], "figures reproduced", 10),
        ("ppppppp", [], "whole", 11),
        ("ppppnpp", ["same bytes"], "whole", 11),
        ("npppppp", ["same bytes"], "not verified", 1),
        ("pppppnf", ["same bytes"], "not verified", 1),
    ],
)
def test_the_grade_is_that_of_what_was_looked_at(states, parts, grade, status):
    seen = answer(states, *parts)
    assert (seen.grade, seen.exit_status, seen.ok) == (grade, status, status != 1)
    order = ["reproduced", "figures reproduced", "whole"]
    met = [seen.meets([word]) for word in order]
    assert met == [seen.ok and order.index(grade) <= place for place in range(3)]
    assert not seen.meets(["whole", "signed"])
    assert replace(seen, signature="valid").meets(["whole", "signed"]) is seen.ok


@pytest.mark.parametrize("count", [20, 21])
def test_twenty_faults_and_twenty_files_are_printed(count):
    more = count - 20
    lines = answer("ppppfpp", *["same after"] * count, findings=count).to_lines()
    assert lines[0] == f"bag: review unknown, identity {'0' * 64}"
    assert lines.count("    expected one") == lines.count("    found    other") == 7 * 20
    assert sum(line.endswith(": same after setting aside dates, hash") for line in lines) == 20
    assert lines.count("  and 1 more (--json lists all)") == (7 + 1) * more
    assert lines[-1] == "NOT verified"
    plain = answer("ppppppp", "same bytes", "same after").to_dict()
    assert plain["parts"] == {"same bytes": 1, "same after": 1}
    assert [p["path"] for p in plain["not_the_same"]] == ["data/1.svg"]


@pytest.mark.parametrize(("size", "said"), [(16_384, "not"), (16_385, "larger than any statement")])
def test_a_statement_beside_a_bag_is_read_up_to_16_kib(tmp_path, size, said):
    for number in range(21):
        (tmp_path / f"bag.{number}.attest.json").write_bytes(b" " * size)
    lines = list(_attested(tmp_path / "bag", answer("ppppppp")))
    assert len(lines) == 20  # no more are looked at
    assert all(line.partition(": does NOT hold: ")[2] for line in lines)
    assert all(("larger" in line) == ("larger" in said) for line in lines)


def test_settings_of_as_many_bytes_and_keys_as_may_be_are_read(tmp_path, monkeypatch):
    bag = tmp_path / "bag"
    (bag / "data" / "params").mkdir(parents=True)
    (bag / "data" / "params" / "a.yaml").write_bytes(b"a: 1\nb: [1, 2]\n- c")
    book = replace(verified_book(), params_file="a.yaml")
    assert (verifying.MAX_YAML_BYTES, verifying.MAX_YAML_MARKS) == (400_000, 20_000)
    assert verifying.MAX_TOKEN_BYTES == 1_048_576
    for name, most, said in (
        ("MAX_YAML_BYTES", 18, "data/params/a.yaml: larger than 17 bytes"),
        ("MAX_YAML_MARKS", 4, "data/params/a.yaml: more than 3 keys and items"),  # two ":" , "-"
    ):
        with monkeypatch.context() as patch, open_bag(bag) as opened:
            patch.setattr(verifying, name, most)
            assert verifying._params_path(opened, book) == bag / "data" / "params" / "a.yaml"
            patch.setattr(verifying, name, most - 1)
            with pytest.raises(SealError, match=said):
                verifying._params_path(opened, book)


def verified_book() -> ClaimBook:
    return ClaimBook.parse((sealed_review() / "data/claims.json").read_bytes(), file="claims.json")


def looked_at(path: Path, **given) -> list[Finding]:
    """Return what the completeness of a bag is said to lack, with another book if given."""
    with open_bag(path) as bag:
        walk = _Walk(bag, None, bag.read_listing())
        walk.book = given.get("book") or _read_book(walk)
        return _completeness(walk)[0]


def test_the_log_of_a_run_must_be_the_one_its_claims_name():
    book = verified_book()
    run = next(r for r in book.runs if r.file and r.frames)
    place = f"data/bench/{run.file} # run {run.id}"
    for changed, expected in (
        (replace(run, sha256="0" * 64), f"SHA-256 {'0' * 64}, as claims.json has it"),
        (replace(run, file="logs/none.csv"), "the raw log of this run"),
    ):
        runs = [changed if r.id == run.id else r for r in book.runs]
        found = looked_at(sealed_review(), book=replace(book, runs=tuple(runs)))
        assert expected in [f.expected for f in found], place
    unmeasured = [replace(r, sha256="0" * 64, frames=0) for r in book.runs]
    assert looked_at(sealed_review(), book=replace(book, runs=tuple(unmeasured))) == []


def test_a_name_no_review_has_is_not_looked_for_in_the_bag():
    book = verified_book()
    names = {"a" * 80: "A", "b" * 81: "B", ".hidden": "C", "a/b": "D", "good-1": "E"}
    walk = _Walk(None, None, None, book=replace(book, names={**book.names, "reviews": names}))
    assert verifying._other_reviews(walk) == ["a" * 80, "good-1"]


class TestDamage:
    @pytest.mark.parametrize("words", KINDS)
    def test_is_found_and_its_place_named(self, tmp_path, words):
        found, place, seen = try_damage(sealed_review(), tmp_path, words, seed=101)
        assert found, (place, [str(f)[:200] for f in seen.findings[:8]])

    def test_all_faults_at_once(self, tmp_path):
        bag = spoiled(tmp_path / "bag")
        bag.write("data/bench/logs/quill-attic-1.csv", b"frame,took_ms\n1,letters\n")
        bag.write("data/stranger.txt", b"x")
        (bag.folder / "data/schemas/bench.schema.json").unlink()
        text = "\n".join(str(f) for f in verified(bag.folder).findings)
        for place in (
            "bytes: data/bench/logs/quill-attic-1.csv", "completeness: data/stranger.txt",
            "data/schemas/bench.schema.json", "claims: data/bench/logs/quill-attic-1.csv # line 2",
        ):  # fmt: skip
            assert place in text

    def test_a_bag_without_claims_is_not_passed_in_silence(self, tmp_path):
        seen = verified(make_bag(tmp_path / "bag"))
        assert not seen.ok
        assert stage(seen, "claims").state == "not done"
        assert "data/claims.json" in "\n".join(f.path for f in seen.findings)


class TestOtherVersions:
    """Bags made by versions to come or gone; simulated by what this version knows."""

    def mark(self, bag: Spoiled, **fields: object) -> str:
        claims = bag.claims()
        chosen = next(c for c in claims["claims"] if c["kind"] == "margin")
        chosen.update(fields)
        bag.write_claims(claims)
        bag.mend_closing()
        bag.mend()
        return chosen["id"]

    @pytest.mark.parametrize(
        ("fields", "why"),
        [({"method_version": 99}, r"v99, this version has v"),
         ({"method": "margin-by-guess"}, "method margin-by-guess is not known")],
    )  # fmt: skip
    def test_an_unknown_method_is_said_not_passed(self, tmp_path, fields, why):
        bag = spoiled(tmp_path / "bag")
        claim = self.mark(bag, **fields)
        seen = verified(bag.folder)
        assert not seen.ok
        said = [f for f in seen.findings if "not recomputable by this version" in f.found]
        assert re.search(why, said[0].found)
        assert claim in said[0].path
        # What rests on it cannot be made afresh either, and that is said too.
        assert any("it rests on" in f.found and "suite/" in f.path for f in said)
        # All else is still compared: nothing of it is found wrong.
        assert [f for f in seen.findings if f.stage == "claims"] == said

    def test_a_later_version_verifies_this_one(self, monkeypatch):
        import kit.archive.page_check
        import kit.archive.remake
        import kit.archive.verifying
        import kit.claims.of_pages

        monkeypatch.setattr(kit.claims.of_pages, "kit_version", lambda: "9.0.0")
        monkeypatch.setattr(kit.archive.page_check, "kit_version", lambda: "9.0.0")
        monkeypatch.setattr(kit.archive.verifying, "kit_version", lambda: "9.0.0")
        monkeypatch.setattr(kit.archive.remake, "kit_version", lambda: "9.0.0")
        seen = verified(sealed_review())
        assert seen.ok, [str(f) for f in seen.findings[:5]]
        assert "so the page was not built again" in stage(seen, "page").said

    def test_a_later_version_notices_damage_too(self, tmp_path, monkeypatch):
        import kit.archive.page_check
        import kit.archive.remake
        import kit.archive.verifying
        import kit.claims.of_pages

        monkeypatch.setattr(kit.claims.of_pages, "kit_version", lambda: "9.0.0")
        monkeypatch.setattr(kit.archive.page_check, "kit_version", lambda: "9.0.0")
        monkeypatch.setattr(kit.archive.verifying, "kit_version", lambda: "9.0.0")
        for words in (
            "claim changed everywhere but in the raw logs, mended",
            "figure changed in page and notebook, mended",
            "machine value changed in the page, mended",
            "interval widened in claims.json, mended",
            "cell of a table changed, mended",
            "claim taken out, mended",
        ):
            found, place, _ = try_damage(sealed_review(), tmp_path, words, seed=7)
            assert found, (words, place)

    def test_every_method_of_the_bag_is_in_the_catalogue_it_carries(self):
        claims = json.loads((sealed_review() / "data/claims.json").read_text())["claims"]
        carried = json.loads((sealed_review() / "data/methods.json").read_text())["methods"]
        assert {(c["method"], c["method_version"]) for c in claims} == {
            (m["name"], m["version"]) for m in carried
        }
        assert all(METHODS[m["name"]].words == m["words"] for m in carried)


HOSTILE_PAGE = b"""<!doctype html><html><head><script src="https://x.invalid/a.js"></script>
<meta http-equiv="refresh" content="0; url=https://x.invalid/"></head>
<body onload="x()"><img src="https://x.invalid/a.png"><a href="javascript:x()">y</a>
<iframe src="file:///etc/passwd"></iframe></body></html>"""


class TestHostile:
    """Refused or found, in bounded time and memory, nothing written, nothing loaded."""

    @pytest.fixture(autouse=True)
    def bounded(self, tmp_path):
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        verified(sealed_review())  # what one ordinary verification takes does not count
        began = time.monotonic()
        yield
        assert time.monotonic() - began < 60
        grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
        assert grown < 1_500_000  # kilobytes
        assert not (tmp_path / "out.txt").exists()

    def test_a_page_with_scripts(self, tmp_path):
        bag = spoiled(tmp_path / "bag")
        bag.write("data/report.html", HOSTILE_PAGE)
        bag.mend()
        said = "\n".join(str(f) for f in verified(bag.folder).findings if f.stage == "page")
        for word in ("<script>", "a refresh", "<body> with a handler", "src=", "javascript:",
                     "<iframe>", "a content policy"):  # fmt: skip
            assert word in said, word

    def test_links_out_of_the_bag(self, tmp_path):
        bag = spoiled(tmp_path / "bag")
        path = bag.folder / "data/bench/logs/quill-attic-1.csv"
        path.unlink()
        path.symlink_to("/etc/passwd")
        seen = verified(bag.folder)
        assert [s.state for s in seen.stages] == ["failed", *["not done"] * 6]
        assert "found a link" in str(seen.findings[0])
        assert seen.to_lines()[-1] == "NOT verified"

    def test_params_that_name_a_text_outside(self, tmp_path):
        (tmp_path / "out.md").write_text("a secret of this machine")
        bag = spoiled(tmp_path / "bag")
        for text in ("../../../out.md", str(tmp_path / "out.md")):
            params = bag.read("data/params/quill.yaml").decode()
            start = params.index("text: ")
            bag.write("data/params/quill.yaml", f"{params[:start]}text: {text}\n".encode())
            bag.mend()
            seen = verified(bag.folder)
            assert not seen.ok
            assert "lies outside the project" in "\n".join(f.found for f in seen.findings)
            assert "a secret of this machine" not in json.dumps(seen.to_dict())

    def test_a_run_sheet_that_names_a_log_outside(self, tmp_path):
        (tmp_path / "out.csv").write_text("frame,took_ms\n1,16.7\n")
        bag = spoiled(tmp_path / "bag")
        bag.swap("data/bench/runs.csv", "logs/quill-attic-1.csv", "../../../out.csv")
        bag.mend()
        seen = verified(bag.folder)
        assert not seen.ok
        assert "leads out of the bench folder" in "\n".join(f.found for f in seen.findings)

    @pytest.mark.parametrize("name", ["../quill.yaml", "/etc/passwd", "nul", "", "none.yaml"])
    def test_claims_that_name_params_outside(self, tmp_path, name):
        bag = spoiled(tmp_path / "bag")
        claims = bag.claims()
        claims["review"]["params_file"] = name
        bag.write_claims(claims)
        bag.mend()
        seen = verified(bag.folder)
        assert not seen.ok
        assert stage(seen, "claims").state == "failed"

    @pytest.mark.parametrize(
        ("path", "data", "why"),
        [
            ("data/claims.json", b"[" * 200_000, "nested deeper|not JSON|brackets"),
            ("data/claims.json", b"[" + b"[],[]," * 3_000_000 + b"[]]", "brackets"),
            ("data/claims.json", b'{"a": ' + b"9" * 100_000 + b"}", "not JSON|format"),
            ("data/claims.json", b"\x00" * 1000, "not JSON"),
            ("data/executed.ipynb", b"[" * 200_000, "nested deeper than any file this kit writes"),
            ("data/executed.ipynb", b"[" + b"0," * 4_000_000 + b"0]", "brackets and commas"),
            ("data/executed.ipynb", b'{"cells": 3}', "not one"),
            ("data/executed.ipynb", b'{"cells": [{"cell_type": "code"}]}', "not one"),
            ("data/params/quill.yaml", b"a: &a [x, x]\nb: [*a, *a]\n", "anchors and aliases"),
            ("data/params/quill.yaml", b"[" * 100_000, "not YAML|nested"),
            ("data/params/quill.yaml", b"# " + b"x" * 2_000_000, "larger than 400000 bytes"),
            ("data/bench/bench.yaml", b"x: 1\n" * 300_000, "larger than 400000 bytes"),
            ("data/bench/runs.csv", b"run,product\n" + b'"' * 1000, "quotation mark|column"),
            ("data/bench/prices.csv", b"\xff\xff", "not UTF-8"),
            ("data/bench/prices.csv", b"\xff\xfe", "the file is empty"),  # the mark of UTF-16 alone
            ("data/report.html", b"<div>" * 100_000, "page"),
            ("data/report.html", b"", "page"),
            ("data/tables/cells.csv", b'"' * 1001, "a table"),
        ],
    )  # fmt: skip
    def test_texts_that_mean_harm(self, tmp_path, path, data, why):
        bag = spoiled(tmp_path / "bag")
        bag.write(path, data)
        bag.mend()
        seen = verified(bag.folder)
        assert not seen.ok
        said = "\n".join(str(f) for f in seen.findings if path.rpartition("/")[2] in str(f))
        assert re.search(why, said), [str(f)[:300] for f in seen.findings[:6]]

    def test_a_packed_log_that_unpacks_to_gigabytes(self, tmp_path):
        import zlib

        packer = zlib.compressobj(9, zlib.DEFLATED, 31)
        block = b"16700\n" * (1 << 17)
        data = b"".join(packer.compress(block) for _ in range(2_000)) + packer.flush()
        bag = spoiled(tmp_path / "bag")
        bag.write("data/bench/logs/finch-attic-1.tsv.gz", data)
        bag.mend()
        seen = verified(bag.folder)
        assert not seen.ok
        assert "finch-attic-1.tsv.gz" in "\n".join(
            f.path for f in seen.findings if f.stage == "claims"
        )

    def test_no_bag_is_an_error_not_an_answer(self, tmp_path):
        with pytest.raises(SealError, match="no such bag"):
            verify_bag(tmp_path / "none")
        (tmp_path / "text.zip").write_text("no zip")
        with pytest.raises(SealError, match="neither a folder nor a zip"):
            verify_bag(tmp_path / "text.zip")


@settings(max_examples=40, deadline=None, derandomize=True)
@given(data=st.data())
def test_whatever_is_in_a_bag_verify_answers(data, tmp_path_factory):
    """Any bytes anywhere, hashes put right: an answer or our own error, never another."""
    folder = tmp_path_factory.getbasetemp() / "any"
    shutil.rmtree(folder, ignore_errors=True)
    bag = Spoiled(copy_bag(folder), random.Random(0))
    names = sorted(name for name in bytes_of(folder) if not name.endswith(".png"))
    name = data.draw(st.sampled_from(names))
    whole = bag.read(name)
    start = data.draw(st.integers(0, len(whole)))
    end = min(len(whole), start + data.draw(st.sampled_from([0, 1, 7, 300, 10**6])))
    put = data.draw(
        st.one_of(
            st.binary(max_size=30),
            st.sampled_from([b"null", b"[]", b"{}", b'""', b"-1", b"1e999", b"\n", b"<x>", b"NaN"]),
        )
    )
    bag.write(name, whole[:start] + put + whole[end:])
    if name.startswith("data/") and data.draw(st.booleans()):
        bag.mend()
    try:
        seen = verified(folder)
    except SealError:
        return
    assert len(seen.stages) == len(STAGES)
    assert seen.ok or seen.findings
    json.dumps(seen.to_dict())
    seen.to_lines()


def core_only() -> set[str]:
    """Return the importable names that a core install would not have."""
    core: set[str] = set()
    stack = ["marginbook"]
    while stack:
        name = _normal_name(stack.pop())
        if name in core:
            continue
        core.add(name)
        try:
            needs = requires(name) or []
        except PackageNotFoundError:  # wanted on another system only
            continue
        stack += [re.match(r"[\w.-]+", line)[0] for line in needs if "extra ==" not in line]
    return {
        module
        for module, owners in packages_distributions().items()
        if not any(_normal_name(owner) in core for owner in owners)
    }


def test_runs_on_the_core_install_without_a_network(tmp_path):
    """Every package outside the core install is blocked, and so is every socket."""
    blocked = core_only()
    assert {"papermill", "matplotlib", "nbformat", "IPython", "nbconvert", "statsmodels"} <= blocked
    assert not {"numpy", "lxml", "pydantic", "scipy"} & blocked
    code = textwrap.dedent(
        """
        import json, socket, sys
        blocked = set(json.loads(sys.argv[1]))
        class Block:
            def find_spec(self, name, path=None, target=None):
                if name.partition(".")[0] in blocked:
                    raise ModuleNotFoundError(f"not in the core install: {name}", name=name)
        sys.meta_path.insert(0, Block())
        def no_network(*args, **kwargs):
            raise OSError("no network here")
        socket.socket.connect = socket.getaddrinfo = no_network
        from pathlib import Path
        from kit.archive.verifying import verify_bag
        seen = verify_bag(Path(sys.argv[2]))
        print(json.dumps([seen.ok, [str(f) for f in seen.findings[:5]]]))
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", code, json.dumps(sorted(blocked)), sealed_review()],
        cwd=ROOT, capture_output=True, text=True, timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == [True, []]


BAGS = sorted((ROOT / "tests" / "data" / "bags").glob("*.zip"))
# A golden bag is never made anew; a later version that cannot verify it has lost something.
IDENTITIES = {
    "quill-0.1.0.zip": "0c616667f88e61c28969805799e0bda69da8dae62ed6c8419e83a96a90e51da5",
}


@pytest.mark.parametrize("path", BAGS, ids=lambda path: path.stem)
class TestGoldenBags:
    """Bags sealed by released versions, read as a later version would."""

    @pytest.fixture(autouse=True)
    def later(self, monkeypatch):
        import kit.archive.page_check
        import kit.archive.remake
        import kit.archive.verifying
        import kit.claims.of_pages

        for module in (
            kit.claims.of_pages, kit.archive.page_check, kit.archive.verifying, kit.archive.remake,
        ):  # fmt: skip
            monkeypatch.setattr(module, "kit_version", lambda: "9.0.0")

    def test_verifies(self, path, tmp_path):
        seen = verified(path, signer=author_key(tmp_path))
        assert seen.ok, [str(finding)[:300] for finding in seen.findings[:10]]
        # Its methods have other versions by now: its figures are not recomputed, and that is said.
        assert seen.grade == "whole"
        claims = stage(seen, "claims")
        assert claims.state == "not done"
        assert "version 0.1.0 made them, this is 9.0.0" in claims.said
        assert "method cell-shared v1, this version has v3" in claims.said
        assert re.match(r"92 of 218 claims made afresh from the raw logs", claims.said)
        assert seen.identity == IDENTITIES[path.name]
        assert seen.signature == "valid"

    def test_a_damaged_one_does_not(self, path, tmp_path):
        import zipfile

        with zipfile.ZipFile(path) as archive:
            archive.extractall(tmp_path)
        bag = Spoiled(tmp_path / path.stem, random.Random(3))
        claim = next(c for c in bag.claims()["claims"] if c["kind"] == "suite")
        bag.write_claims(
            {**bag.claims(), "claims": [
                {**c, "value": c["value"] * 1.001} if c["id"] == claim["id"] else c
                for c in bag.claims()["claims"]
            ]}
        )  # fmt: skip
        bag.mend_closing()
        bag.mend()
        places = [finding.path for finding in verified(bag.folder).findings]
        assert f"data/claims.json # {claim['id']}, value" in places
        assert f"data/report.html # {claim['id']}, value" in places
        assert any(place.startswith("data/tables/suites.csv") for place in places)


def test_there_is_a_golden_bag_of_every_version_named():
    assert [path.name for path in BAGS] == sorted(IDENTITIES)


def test_settings_of_too_many_keys_are_not_read(tmp_path):
    bag = Spoiled(copy_bag(tmp_path / "bag"), random.Random(1))
    params = bag.pick("data/params/*.yaml")
    bag.write(params, bag.read(params) + b"".join(b"k%d: 1\n" % n for n in range(30_000)))
    bag.mend()
    seen = verified(bag.folder)
    assert seen.grade == "not verified"
    assert any("more than 20000 keys and items" in f.found for f in seen.findings)


class TestAnotherVersion:
    """`verify --with PYTHON`: the answer and status of the version installed there."""

    def ask(self, python, *arguments):
        command = [
            sys.executable,
            "-m",
            "kit",
            "verify",
            str(sealed_review()),
            "--with",
            str(python),
        ]
        return subprocess.run([*command, *arguments], capture_output=True, text=True, check=False)

    def other(self, folder, body):
        python = folder / "python"
        python.write_text(f"#!/bin/sh\n{body}\n", encoding="utf-8")
        python.chmod(0o755)
        return python

    def test_its_answer_and_status_are_passed_on(self, tmp_path):
        body = 'echo "$@"; echo "cache: $MARGINBOOK_CACHE"; ulimit -v; pwd; ls -A; exit 11'
        seen = self.ask(self.other(tmp_path, body), "--require", "signed", "--json")
        asked, cache, memory_kib, folder, *listed = seen.stdout.splitlines()
        assert asked == f"-I -m kit verify {sealed_review().absolute()} --require signed --json"
        assert (cache, listed, seen.returncode) == ("cache: ", [], 11)
        assert int(memory_kib) <= 16 * 1024**2 and not Path(folder).exists()

    def test_this_version_asked_so_answers_as_it_does_itself(self):
        seen = self.ask(sys.executable, "--require", "reproduced")
        assert (seen.returncode, seen.stdout.splitlines()[-1]) == (0, "reproduced")

    def test_one_that_cannot_answer_is_a_sentence(self, tmp_path):
        seen = self.ask(tmp_path / "none")
        assert (seen.returncode, seen.stderr.count("\n")) == (2, 1)
        assert "cannot be started" in seen.stderr
        seen = self.ask(self.other(tmp_path, "kill -9 $$"))
        assert (seen.returncode, "stopped at signal 9" in seen.stderr) == (3, True)


class TestFiguresOfAnotherReview:
    """`corrected_review` takes figures of `sealed_review` into its text."""

    def looked_at(self, path, *others):
        with open_bag(path) as bag:
            walk = _Walk(bag, None, bag.read_listing(), others=others)
            walk.book = _read_book(walk)
            return _completeness(walk)

    def test_are_as_stated_there_or_as_the_review_given_has_them(self):
        seal = ClaimBook.read_stated(sealed_review()).seal
        findings, said = self.looked_at(corrected_review())
        assert findings == []
        assert (
            f"Figures of first are as stated there on 2026-04-01, sealed as {seal}; that review was not"
            in said
        )
        findings, said = self.looked_at(corrected_review(), sealed_review())
        assert findings == [] and "as the review given has them" in said
        # The same review, but not sealed: another thing than was named.
        (found,) = self.looked_at(corrected_review(), finished_review())[0]
        assert found.path == "data/reviews/first" and found.found == seal

    @pytest.mark.parametrize("listed_anew", [False, True])
    def test_an_altered_number_is_found(self, tmp_path, listed_anew):
        bag = shutil.copytree(corrected_review(), tmp_path / "bag")
        held = bag / "data" / "reviews" / "first"
        claims = (held / "claims.json").read_bytes()
        (suite,) = ClaimBook.parse(claims, file="").of_kind(
            "suite", metric="average_fps", group="all", product="quill"
        )[:1]
        altered = claims.replace(repr(suite.value).encode(), repr(suite.value + 0.1).encode())
        assert altered != claims
        (held / "claims.json").write_bytes(altered)
        if listed_anew:  # its manifests lead to the altered claims, but to another identity
            for file, manifest in (
                (held / "claims.json", "manifest-sha256.txt"),
                (held / "manifest-sha256.txt", "tagmanifest-sha256.txt"),
            ):
                name = "data/claims.json" if file.name == "claims.json" else file.name
                lines = (held / manifest).read_text().splitlines()
                new = f"{hashlib.sha256(file.read_bytes()).hexdigest()}  {name}"
                lines = [new if line.endswith(f"  {name}") else line for line in lines]
                (held / manifest).write_text("\n".join(lines) + "\n")
        findings, _ = self.looked_at(bag, sealed_review())
        assert {f.path for f in findings} == {"data/reviews/first"}
        if not listed_anew:
            assert "not as manifest-sha256.txt has it" in findings[0].found
            return
        # Made again, the figures are those of what the bag holds: not those the text says.
        with bench_read_from(bag / "data" / "bench"):
            made, _ = BoundText.claims_elsewhere(
                load_params(bag / "data" / "params" / "quill.yaml")
            )
        stated = {c.id: c for c in ClaimBook.read_stated(bag).of_kind("elsewhere")}
        assert [c.id for c in made if c != stated[c.id]] == [
            "elsewhere/first/suite/average_fps/all/quill-over-wren"
        ]
