"""What a review was made from, noted beside its folder."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from small_bench import small_bench, write_bench

from kit.errors import SealError
from kit.report.files import _inputs_file, note_inputs, read_inputs, why_stale


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
    ],
)
def test_what_made_a_review_stale_is_said(tmp_path, file, old, new, said):
    params = write_bench(small_bench(products=2, titles=2), tmp_path)
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
