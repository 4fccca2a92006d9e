"""A finished review sealed: what the bag holds, that it is the same each time, what is refused."""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import zipfile
from functools import partial
from importlib.metadata import distributions
from pathlib import Path
from types import SimpleNamespace

import pytest
from bagmaker import bytes_of
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from damage import Spoiled, with_store
from misleading import seal_it
from sealmaker import copy_bag, finished_review, run_project, sealed_review, write_project

import kit.archive.sealing
from archive.test_contents import frictionless_report, rocrate_report
from kit.archive.sealing import _finished_files, closing_said, seal
from kit.archive.verifying import read_anchor, verify_bag
from kit.bench.acts import adopt, retire
from kit.bench.evidence import check_evidence
from kit.bench.journal import Anchor, By, Journal
from kit.claims.claim import load_claims
from kit.cli import _date_of_epoch
from kit.errors import Finding, KitError, SealError, UsageError
from kit.report.files import _inputs_file


@pytest.fixture
def review(tmp_path: Path) -> Path:
    """A copy of the small finished review and all it was made from, to be changed."""
    source = finished_review()
    project = source.parent.parent
    for name in ("bench", "params", "text"):
        shutil.copytree(project / name, tmp_path / name)
    (tmp_path / "out").mkdir()
    shutil.copy(_inputs_file(source), tmp_path / "out")
    shutil.copytree(source, tmp_path / "out" / "quill")
    return tmp_path / "out" / "quill"


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "key.pem"
    made = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    path.write_bytes(made.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return path


@pytest.fixture(scope="module", autouse=True)
def made_once():
    """Let `seal` check with a store: pictures that another test's review had are not drawn again."""
    with pytest.MonkeyPatch.context() as patch:
        again = partial(verify_bag, reading=with_store())
        patch.setattr(kit.archive.sealing, "verify_bag", again)
        yield


def refused(review: Path, match: str, **more: object) -> None:
    """Expect a refusal with a message, and nothing left behind."""
    before = sorted(path.name for path in review.parent.iterdir())
    with pytest.raises(KitError, match=match) as caught:
        seal(review, **more)
    assert str(review.parent) not in str(caught.value)
    assert sorted(path.name for path in review.parent.iterdir()) == before


class TestContents:
    def test_holds_report_claims_params_text_logs_environment_schemas(self):
        files = bytes_of(sealed_review())
        for name in (
            "report.html", "claims.json", "executed.ipynb", "params/quill.yaml", "text/quill.md",
            "bench/bench.yaml", "bench/runs.csv", "bench/prices.csv", "environment/lock.txt",
            "environment/installed.txt", "environment/cyclonedx.json", "methods.json",
            "schemas/claims.schema.json", "tables/margins.csv", "README.txt",
        ):  # fmt: skip
            assert f"data/{name}" in files, name
        logs = [name for name in files if name.startswith("data/bench/logs/")]
        assert len(logs) == 27

    def test_the_run_set_aside_is_there_as_recorded(self):
        name = "bench/logs/quill-kettle-2.csv"
        recorded = finished_review().parent.parent / name
        assert (sealed_review() / "data" / name).read_bytes() == recorded.read_bytes()

    def test_what_the_review_does_not_name_stays_home(self):
        for name, data in bytes_of(sealed_review()).items():
            for word in (b"secret", b"Unshown", b"whisper", b"wren-elsewhere", b"Another Place"):
                assert word not in data, (name, word)

    def test_no_path_of_this_machine(self):
        home = str(finished_review().parent.parent).encode()
        for name, data in bytes_of(sealed_review()).items():
            assert home not in data and str(Path.home()).encode() + b"/" not in data, name

    def test_no_timing_in_the_notebook(self):
        text = (sealed_review() / "data/executed.ipynb").read_text()
        for word in ("start_time", "duration", "iopub.execute_input", "papermill"):
            assert f'"{word}' not in text

    def test_bag_info_names_the_review(self):
        lines = (sealed_review() / "bag-info.txt").read_text().splitlines()
        assert "Bagging-Date: 2026-04-01" in lines
        assert "External-Identifier: quill" in lines
        assert "Contact-Name: The small desk" in lines


@pytest.fixture(scope="module", params=["bare", "signed by two, stamped"])
def eyed(request, tmp_path_factory):
    if request.param == "bare":
        return sealed_review()
    bag = copy_bag(tmp_path_factory.mktemp("eyed") / "bag")
    seal_it(bag)
    return bag


class TestForeignEyes:
    def test_bagit(self, eyed):
        done = subprocess.run(
            [sys.executable, "-m", "bagit", "--validate", eyed], capture_output=True
        )
        assert done.returncode == 0, done.stderr

    @pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
    def test_sha256sum(self, eyed):
        done = subprocess.run(
            ["sha256sum", "--strict", "--quiet", "-c", "manifest-sha256.txt",
             "tagmanifest-sha256.txt"], cwd=eyed, capture_output=True,
        )  # fmt: skip
        assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")

    def test_frictionless_reads_every_log_and_table(self):
        report = frictionless_report(sealed_review())
        assert report["valid"], [t["errors"] for t in report["tasks"] if not t["valid"]]
        tables = [t["place"] for t in report["tasks"] if t["type"] == "table"]
        assert sum("/logs/" in place for place in tables) == 27

    def test_rocrate_validator(self, tmp_path):
        bag = copy_bag(tmp_path / "bag")
        seal_it(bag)
        report = rocrate_report(bag, tmp_path)
        assert report["passed"], report["issues"]


class TestSame:
    def test_same_review_same_bag_byte_for_byte(self, review, key):
        one = seal(review, to=review.parent / "one" / "bag", key=key)
        other = seal(review, to=review.parent / "other" / "bag", key=key)
        assert bytes_of(one.path) == bytes_of(other.path)
        assert one.identity == other.identity
        assert one.key == other.key != ""
        assert bytes_of(sealed_review()).items() <= bytes_of(one.path).items()

    def test_a_zip_holds_the_same_bag(self, review, tmp_path):
        packed = [seal(review, to=tmp_path / n / "quill-sealed.zip").path for n in ("a", "b")]
        assert packed[0].read_bytes() == packed[1].read_bytes()
        with zipfile.ZipFile(packed[0]) as archive:
            archive.extractall(tmp_path / "there")
        assert bytes_of(tmp_path / "there" / "quill-sealed") == bytes_of(sealed_review())

    def test_another_date_changes_the_bag_not_its_payload(self, review):
        later = seal(review, date=dt.date(2030, 1, 1)).path
        assert "Bagging-Date: 2030-01-01" in (later / "bag-info.txt").read_text()
        manifest = "manifest-sha256.txt"
        assert (later / manifest).read_bytes() == (sealed_review() / manifest).read_bytes()

    def test_stands_beside_the_review_without_a_name_given(self, review):
        sealed = seal(review)
        assert sealed.path == review.parent / "quill-sealed"
        assert sealed.to_lines()[0] == str(sealed.path)
        held = bytes_of(sealed.path)
        size = sum(map(len, held.values()))
        assert sealed.to_lines()[1] == f"review quill, {len(held)} files, {size} bytes, not signed"
        assert sealed.to_dict()["files"] == len(held)


@pytest.mark.parametrize("text", ["", "now", "1.5", "9" * 40])
def test_an_epoch_that_is_none_is_refused(text):
    with pytest.raises(UsageError, match="SOURCE_DATE_EPOCH"):
        _date_of_epoch(text)


def test_an_epoch_is_a_day():
    assert str(_date_of_epoch("1775001600")) == "2026-04-01"


def test_the_command_seals_on_the_day_of_the_epoch(review):
    done = subprocess.run(
        [sys.executable, "-m", "kit", "seal", review, "--json"], capture_output=True, text=True,
        env={**os.environ, "SOURCE_DATE_EPOCH": "1893456000"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    bag = Path(json.loads(done.stdout)["bag"])
    assert "Bagging-Date: 2030-01-01" in (bag / "bag-info.txt").read_text()
    checked = subprocess.run(
        [sys.executable, "-m", "kit", "verify", bag], capture_output=True, text=True
    )
    assert (checked.returncode, checked.stdout.splitlines()[-1]) == (0, "reproduced")
    (bag / "data" / "report.html").write_text("x")
    checked = subprocess.run(
        [sys.executable, "-m", "kit", "verify", bag, "--json"], capture_output=True, text=True
    )
    assert checked.returncode == 1 and json.loads(checked.stdout)["ok"] is False


class TestRefusals:
    @pytest.mark.parametrize("name", ["report.html", "executed.ipynb"])
    def test_a_missing_part(self, review, name):
        (review / name).unlink()
        refused(review, f"not finished: no {name}")

    def test_no_claims(self, review):
        (review / "claims.json").unlink()
        refused(review, "no claims.json")

    def test_a_missing_table(self, review):
        (review / "tables" / "margins.csv").unlink()
        refused(review, "files are missing: tables/margins.csv")

    def test_a_file_no_run_wrote(self, review):
        (review / "notes.txt").write_text("mine")
        refused(review, "files were added that no run wrote: notes.txt")

    def test_a_notebook_that_did_not_end(self, review):
        path = review / "executed.ipynb"
        notebook = json.loads(path.read_text())
        codes = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
        codes[-1]["execution_count"] = None
        path.write_text(json.dumps(notebook))
        refused(review, "did not run to its end")

    def test_other_claims_than_the_notebook_wrote(self, review):
        path = review / "claims.json"
        path.write_text(path.read_text() + "\n")
        refused(review, "not the one its notebook wrote")

    def test_params_changed_since(self, review):
        path = review.parent.parent / "params" / "quill.yaml"
        path.write_text(path.read_text() + "# later\n")
        refused(review, "quill.yaml: has changed since the review ran")

    def test_a_log_changed_since(self, review):
        path = review.parent.parent / "bench" / "logs" / "quill-attic-1.csv"
        path.write_bytes(path.read_bytes() + b"999,10.0\n")
        refused(review, "quill-attic-1.csv: is not what it was when the review was made")

    def test_a_log_gone(self, review):
        (review.parent.parent / "bench" / "logs" / "quill-attic-1.csv").unlink()
        refused(review, "quill-attic-1.csv")

    def test_a_price_changed_since(self, review):
        path = review.parent.parent / "bench" / "prices.csv"
        path.write_text(path.read_text().replace("1499", "1399"))
        refused(review, "not what params, bench and logs give now.*run the\nreview again|run the")

    def test_a_page_changed_since(self, review):
        path = review / "report.html"
        claim = next(c for c in load_claims(review).claims if c.kind == "suite")
        text = path.read_text()
        assert repr(claim.value) in text
        path.write_text(text.replace(repr(claim.value), "1.5"))
        refused(review, "not what params, bench and logs give now")

    def test_params_moved_can_be_named(self, review):
        params = review.parent.parent / "params" / "quill.yaml"
        moved = params.rename(params.with_name("moved.yaml"))
        refused(review, "quill.yaml is not where it was; say where it is with --params")
        moved.rename(params)
        _inputs_file(review).unlink()
        refused(review, "say so with --params")
        assert seal(review, params=params).path.exists()

    def test_a_text_too_far_away(self, review):
        from kit.archive.contents import text_path

        assert text_path("../text/quill.md") == "data/text/quill.md"
        assert text_path("a/./b.md") == "data/params/a/b.md"
        for far in ("../../secret.md", "/etc/passwd", "../../../data/x.md", "a/../../../x"):
            with pytest.raises(SealError, match="too far from the params file"):
                text_path(far)

    def test_a_name_no_archive_can_hold(self, review):
        bench = review.parent.parent / "bench"
        with pytest.raises(SealError, match="cannot stand in an archive"):
            kit.archive.sealing.write_bag(
                [kit.archive.sealing.Item("data/bench/logs/what?.csv", b"")], to=bench / "b",
                date=dt.date(2026, 1, 1),
            )  # fmt: skip

    def test_a_key_that_is_none(self, review, tmp_path):
        (tmp_path / "no.key").write_text("nothing")
        refused(review, "no.key: no private key", key=tmp_path / "no.key")


@pytest.mark.parametrize("count", [5, 6])
def test_five_files_and_five_findings_are_named(review, monkeypatch, count):
    names = [f"note-{n}.txt" for n in range(count)]
    for name in names:
        (review / name).write_text("mine")
    with pytest.raises(SealError) as caught:
        _finished_files(review, load_claims(review))
    assert str(caught.value).endswith(f"no run wrote: {', '.join(names[:5])}")
    seen = SimpleNamespace(
        ok=False, findings=[Finding(n, "one", "other", stage="page") for n in names]
    )
    monkeypatch.setattr(kit.archive.sealing, "verify_bag", lambda _: seen)
    with pytest.raises(SealError) as caught:
        kit.archive.sealing._refuse_unverifiable(review, "quill")
    told = [f"  {name}: one; stated other" for name in names[:5]]
    assert str(caught.value).splitlines()[1:] == told + ["  and 1 more"] * (count - 5)


def test_a_licence_is_told_of_the_version_that_states_it():
    """PEP 639: the metadata field License-Expression."""
    stated = {d.name: d for d in distributions() if "License-Expression" in d.metadata}
    name = sorted(stated)[0]
    here = {name: stated[name].version}
    assert kit.archive.sealing._stated_licences({**here, "no-such-package": "1"}) == {
        name: stated[name].metadata["License-Expression"]
    }
    assert kit.archive.sealing._stated_licences({name: here[name] + ".1"}) == {}


def test_checkpoints_of_an_editor_do_not_matter(review):
    (review / ".ipynb_checkpoints").mkdir()
    (review / ".ipynb_checkpoints" / "executed-checkpoint.ipynb").write_text("{}")
    assert "executed.ipynb" in _finished_files(review, load_claims(review))


def test_the_closing_is_that_of_the_last_code_cell():
    notebook = json.loads((finished_review() / "executed.ipynb").read_text())
    assert closing_said(notebook)[0] == "quill"
    notebook["cells"] = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    last = notebook["cells"].pop()
    assert closing_said(notebook) is None
    notebook["cells"].append(last | {"outputs": [{"output_type": "error"}]})
    assert closing_said(notebook) is None


def test_killed_while_it_is_checked_it_leaves_no_bag(review):
    child = os.fork()
    if child == 0:  # pragma: no cover - another process
        kit.archive.sealing.verify_bag = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
        try:
            seal(review)
        finally:
            os._exit(3)
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    assert not (review.parent / "quill-sealed").exists()
    assert seal(review).path.exists()  # what was left does not stand in the way


def test_interrupted_while_it_is_checked_it_leaves_nothing(review, monkeypatch):
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(kit.archive.sealing, "verify_bag", stop)
    before = sorted(path.name for path in review.parent.iterdir())
    with pytest.raises(KeyboardInterrupt):
        seal(review)
    with pytest.raises(KeyboardInterrupt):
        seal(review, to=review.parent / "one.zip")
    assert sorted(path.name for path in review.parent.iterdir()) == before


class TestJournal:
    """A sealed review carries the part of the bench's journal it rests on, head and length."""

    @pytest.fixture
    def bench(self, review) -> Path:
        bench = review.parent.parent / "bench"
        adopt(bench, by=By("a tester", "2026-04-01T08:00:00+00:00"))
        retire(bench, ["secret-kettle-1"], by=By("a tester", "", "never to be shown"))
        return bench

    def test_it_is_carried_checked_and_tells_nothing_else(self, review, bench):
        Anchor("earlier", "ab" * 32, Journal.read(bench).head, 3).note(bench)
        sealed = seal(review)
        part = (sealed.path / "data" / "bench" / "journal-part.jsonl").read_text()
        assert "quill-attic-1" in part and "secret" not in part and "never" not in part
        info = (sealed.path / "bag-info.txt").read_text()
        head = Journal.read(bench).head
        # Each seal comes after those it names: under the tag manifest, and so under the signature.
        links = f"Journal-Head: {head}\nJournal-Length: 3\nSealed-Before-This: {'ab' * 32}\n"
        assert links in info
        assert "3 entries anchored" in sealed.journal and "logs in it;" in sealed.journal
        done = verify_bag(sealed.path, reading=with_store())
        said = next(stage.said for stage in done.stages if stage.name == "completeness")
        assert done.ok and re.search(r"(\d+) of \1 logs anchored by the journal", said), said
        assert read_anchor(sealed.path) == Anchor.read_all(bench)[1]
        assert check_evidence(bench).anchored == 3
        assert seal(review, to=review.parent / "again").identity == sealed.identity
        assert len(Anchor.read_all(bench)) == 2

    def test_a_log_taken_in_since_is_told_apart(self, review, bench):
        seal(review)
        retire(bench, ["quill-attic-1"], by=By("a tester", "", "later"))
        evidence = check_evidence(bench)
        assert (evidence.entries, evidence.anchored) == (4, 3)
        assert "3 anchored (review quill), 1 since then not" in evidence.to_lines()[0]

    def test_a_log_altered_since_it_was_taken_in_is_refused(self, review, bench):
        path = bench / "logs" / "quill-attic-1.csv"
        (bench / "journal.jsonl").unlink()
        kept = path.read_bytes()
        path.chmod(0o644)
        path.write_bytes(kept + b"999,10.0\n")
        adopt(bench, by=By())
        path.write_bytes(kept)
        refused(review, r"quill-attic-1\.csv: was altered after it was taken in")

    @pytest.mark.parametrize(
        ("change", "found"),
        [
            (lambda text: text.replace("quill-attic-1", "quill-attic-9", 1), "does not follow"),
            (lambda text: text.rpartition('{"body"')[0], "3 entries"),
            (lambda text: text.splitlines()[0] + "\n", "3 entries"),
        ],
        ids=["an item changed", "its end cut", "cut to the first"],
    )
    def test_a_part_that_was_changed_fails(self, review, bench, change, found):
        bag = seal(review).path
        path = bag / "data" / "bench" / "journal-part.jsonl"
        new = change(path.read_text())
        assert new != path.read_text()
        path.write_text(new)
        told = [
            f
            for f in verify_bag(bag, reading=with_store()).findings
            if "ournal" in f.path and f.stage != "bytes"
        ]
        assert any(found in f"{f.expected} {f.found}" for f in told), told


def test_slides_are_sealed_and_made_again(tmp_path):
    params = write_project(tmp_path / "project")
    params.write_text(params.read_text() + "slides: [suite, prices]\n")
    bag = seal(run_project(tmp_path, params), to=tmp_path / "bag").path
    slides = bag / "data" / "slides" / "slides.csv"
    assert verify_bag(bag, reading=with_store()).grade == "reproduced"
    text = slides.read_text(encoding="utf-8")
    assert "quill" in text
    spoiled = Spoiled(bag, random.Random(1))
    spoiled.write("data/slides/slides.csv", text.replace("quill", "wren").encode())
    spoiled.mend()
    seen = verify_bag(bag, reading=with_store())
    assert seen.grade == "not verified"
    assert any(f.path.startswith("data/slides/slides.csv") for f in seen.findings)
