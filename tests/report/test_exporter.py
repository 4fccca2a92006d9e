"""The page by nbconvert's own command, found through its entry point."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.metadata import entry_points

import nbformat
import pytest
from nbconvert.exporters import get_exporter
from tiny_project import cell_of, copy_project, edit_template, keep_cells

from kit.errors import ExecutionError
from kit.report.exporter import MarginbookExporter
from kit.report.report import run_review


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    params = copy_project(tmp_path_factory.mktemp("exporter") / "project")
    return run_review(params, out_dir=params.parent.parent / "out", timeout_s=60)


def test_nbconvert_finds_the_exporter_by_name():
    (found,) = entry_points(group="nbconvert.exporters", name="marginbook")
    assert found.load() is MarginbookExporter
    assert get_exporter("marginbook") is MarginbookExporter


def test_the_command_makes_the_very_page_of_the_review(made, tmp_path):
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "nbconvert",
            "--to",
            "marginbook",
            "--output-dir",
            str(tmp_path),
            str(made.folder / "executed.ipynb"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "executed.html").read_bytes() == made.report.read_bytes()


def test_a_notebook_executed_by_nbconvert_itself_becomes_a_page(tmp_path):
    params = copy_project(tmp_path / "project")

    def edit(notebook):
        cell_of(notebook, "parameters")["source"] = (
            f"params_path = {str(params)!r}\nout_dir = {str(tmp_path / 'out')!r}"
        )

    template = edit_template(params, edit)
    done = subprocess.run(
        [sys.executable, "-m", "nbconvert", "--execute", "--to", "marginbook", str(template)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    page = template.with_suffix(".html").read_text()
    assert page.count('class="fig"') > 10 and "<script" not in page


def test_a_failed_notebook_is_refused(made):
    notebook = json.loads((made.folder / "executed.ipynb").read_text())
    cell_of(notebook, "load")["outputs"] = [
        {"output_type": "error", "ename": "ValueError", "evalue": "no", "traceback": []}
    ]
    with pytest.raises(ExecutionError, match="cell load failed"):
        MarginbookExporter().from_notebook_node(nbformat.from_dict(notebook))


def test_a_picture_without_words_is_refused(tmp_path):
    params = copy_project(tmp_path / "project")
    edit_template(params, keep_cells("parameters", "head"))
    notebook = nbformat.read(tmp_path / "project" / "notebooks" / "tiny.ipynb", as_version=4)
    data = {"image/png": "aGVsbG8="}
    notebook.cells[1].outputs = [nbformat.v4.new_output("display_data", data=data)]
    with pytest.raises(ExecutionError, match="cell head shows a picture without words"):
        MarginbookExporter().from_notebook_node(notebook)


def test_the_file_is_html():
    assert MarginbookExporter().file_extension == ".html"
    assert MarginbookExporter().output_mimetype == "text/html"
