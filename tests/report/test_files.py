"""What a review was made from, noted beside its folder."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from small_bench import small_bench, write_bench
from typer.testing import CliRunner

from kit.cli import app
from kit.errors import SealError
from kit.report import season
from kit.report.files import _inputs_file, note_inputs, read_inputs, watch_inputs, why_stale
from kit.report.template import own_template


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "out" / "quill").mkdir(parents=True)
    (tmp_path / "params").mkdir()
    (tmp_path / "params" / "quill.yaml").write_text("review: quill\n")
    note_inputs(tmp_path / "out" / "quill", tmp_path / "params" / "quill.yaml")
    return tmp_path / "out" / "quill"


def test_the_way_back_is_relative_and_survives_a_move(folder, tmp_path):
    noted = json.loads(_inputs_file(folder).read_text())
    assert noted["params"] == "../params/quill.yaml"
    assert str(tmp_path) not in _inputs_file(folder).read_text()
    shutil.copytree(tmp_path, tmp_path / "moved")
    moved = read_inputs(tmp_path / "moved" / "out" / "quill")
    assert moved.params.resolve() == (tmp_path / "moved" / "params" / "quill.yaml").resolve()


def test_notes_what_was_installed(folder):
    from importlib.metadata import version

    assert read_inputs(folder).installed["numpy"] == version("numpy")


def test_stands_beside_the_folder_not_in_it(folder):
    assert list(folder.iterdir()) == []
    assert _inputs_file(folder).name == ".quill.inputs"
    assert [p.name for p in folder.parent.iterdir() if "quill." in p.name] == [".quill.inputs"]


def test_another_params_file_can_be_named(folder, tmp_path):
    other = tmp_path / "other.yaml"
    other.write_text("review: quill\n")
    assert read_inputs(folder, params=other).params == other
    _inputs_file(folder).unlink()
    assert read_inputs(folder, params=other).installed


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"params": 1}', "\x00", '{"params": "x"}'])
def test_a_broken_note_is_said(folder, text):
    _inputs_file(folder).write_text(text)
    with pytest.raises(SealError, match="say so with --params"):
        read_inputs(folder)


def test_a_params_file_that_moved_is_said(folder, tmp_path):
    (tmp_path / "params" / "quill.yaml").unlink()
    with pytest.raises(SealError, match="is not where it was"):
        read_inputs(folder)


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("bench/runs.csv", "p0-t0-0", "p0-t0-9", "rows of the run sheet"),
        ("bench/prices.csv", "p0,", "p1,", "prices"),
        ("bench/bench.yaml", "Part 0", "Part Nought", "bench.yaml"),
        ("bench/logs/p1-t1-1.csv", "1", "1", "logs"),
        ("notebooks/review.ipynb", "{", "{ ", "template"),
    ],
)
def test_what_made_a_review_stale_is_said(tmp_path, file, old, new, said):
    params = write_bench(small_bench(products=2, titles=2), tmp_path)
    (tmp_path / "notebooks").mkdir()
    shutil.copy(own_template("review.ipynb"), tmp_path / "notebooks" / "review.ipynb")
    folder = tmp_path / "out" / "made"
    folder.mkdir(parents=True)
    assert "nothing beside it" in why_stale(folder, params)
    note_inputs(folder, params)
    assert why_stale(folder, params) == ""
    path = tmp_path / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    os.utime(path, (1, 1))
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert why_stale(folder, params) == f"changed since: {said}"


def test_a_watched_review_is_told_of_each_change_once_it_is_whole(tmp_path):
    """Each look of the watcher does one thing to the bench, as an analyst would between looks."""
    params = write_bench(small_bench(products=2, titles=2), tmp_path)
    bench = tmp_path / "bench"
    good = params.read_text(encoding="utf-8")
    deeds = [
        lambda: None,  # the first look
        lambda: (bench / "prices.csv").write_text("product,price,currency,kind,date,source\n"),
        lambda: (bench / "prices.csv").write_text("product,price,currency,kind,date,source,note\n"),
        lambda: None,  # now it is whole
        lambda: params.write_text("review: [", encoding="utf-8"),
        lambda: None,
        lambda: (bench / "logs" / "p0-t0-0.csv").write_text("of no concern to broken params"),
        lambda: params.write_text(good, encoding="utf-8"),
        lambda: None,
        lambda: (bench / "logs" / "p0-t0-1.csv").unlink(),
        lambda: None,
    ]
    left, ran_after = list(deeds), []
    with pytest.raises(IndexError):  # nothing is left to do
        for _ in watch_inputs([params], wait=lambda: left.pop(0)()):
            ran_after.append(len(deeds) - len(left))
    assert ran_after == [1, 4, 6, 9, 11]


def test_watching_goes_on_after_a_fault_and_ends_with_ctrl_c(tmp_path, monkeypatch):
    params = write_bench(small_bench(products=2, titles=2), tmp_path)
    looks = iter([None, lambda: params.write_text("review: [", encoding="utf-8"), None])
    asked = []

    def sleep(seconds: float) -> None:
        deed = next(looks, KeyboardInterrupt)
        if deed is KeyboardInterrupt:
            raise deed
        if deed:
            deed()

    def ran(params, *, out_dir, options, against, told):
        asked.append(options.resume)
        season.load_params(params[0])
        return season._Season((season.Outcome(params[0], 0, "out/quill/report.html"),))

    monkeypatch.setattr("time.sleep", sleep)
    monkeypatch.setattr(season, "run_reviews", ran)
    done = CliRunner().invoke(app, ["run", str(params), "--watch", "--out", str(tmp_path / "out")])
    assert done.exit_code == 0 and asked == [True, True]
    lines = done.output.splitlines()
    assert lines[0] == "out/quill/report.html" and "watching for changes" in lines[1]
    assert "line 1" in done.output and "no longer watching" in lines[-1]
