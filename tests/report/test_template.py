"""Templates: what is checked before anything of them runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from tiny_project import TINY, cell_of, copy_project, edit_template

from kit.errors import UsageError
from kit.report import template
from kit.report.template import TemplateError, find_template, read_template, tags_of


@pytest.fixture
def params(tmp_path):
    return copy_project(tmp_path / "project")


def test_a_sound_template_is_read_as_it_is():
    notebook = read_template(TINY / "notebooks" / "tiny.ipynb")
    assert tags_of(notebook["cells"][0]) == ["parameters"]


@pytest.mark.parametrize(
    "path", sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb")), ids=lambda p: p.stem
)
def test_every_template_of_the_kit_is_sound_but_for_its_parameters(path):
    try:
        read_template(path)
    except TemplateError as error:
        assert all("parameter" in str(fault) for fault in error.faults)


def test_a_template_may_have_other_parameters_where_they_are_named(params):
    path = edit_template(params, unknown)
    read_template(path, parameters=("params_path", "out_dir", "colour"))


def no_tag(notebook):
    cell_of(notebook, "parameters")["metadata"] = {}


def two_tags(notebook):
    cell_of(notebook, "load")["metadata"] = {"tags": ["parameters"]}


def unknown(notebook):
    cell_of(notebook, "parameters")["source"] += '\ncolour = "red"'


def missing(notebook):
    cell_of(notebook, "parameters")["source"] = 'params_path = "x.yaml"'


def not_python(notebook):
    cell_of(notebook, "parameters")["source"] = "params_path = "


def stored(notebook):
    cell_of(notebook, "load")["execution_count"] = 3


def skipped(notebook):
    cell_of(notebook, "load")["metadata"] = {"tags": ["raises-exception"]}


def without_ids(notebook):
    for cell in notebook["cells"][1:]:
        cell.pop("id")


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (no_tag, "0 cells tagged `parameters`"),
        (two_tags, "2 cells tagged `parameters`"),
        (unknown, "unknown parameter colour"),
        (missing, "does not set out_dir"),
        (not_python, "is not Python"),
        (stored, r"stored outputs \(cells load\)"),
        (skipped, "cells load are tagged to be skipped"),
        (without_ids, "cells without ids"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_a_template_with_faults_is_refused(params, edit, said):
    with pytest.raises(TemplateError, match=said) as caught:
        read_template(edit_template(params, edit))
    assert caught.value.exit_status == 2


def test_all_faults_of_a_template_are_told_at_once(params):
    path = edit_template(params, lambda nb: (no_tag(nb), stored(nb), skipped(nb)))
    with pytest.raises(TemplateError) as caught:
        read_template(path)
    assert len(caught.value.faults) == 3


def test_a_template_that_is_not_a_notebook_is_refused(tmp_path):
    path = tmp_path / "x.ipynb"
    path.write_text("print('hello')")
    with pytest.raises(TemplateError, match=r"x\.ipynb: not a notebook"):
        read_template(path)


def test_a_template_is_looked_for_beside_the_params_then_among_the_kits_own(tmp_path, monkeypatch):
    own, project = tmp_path / "own" / "notebooks", tmp_path / "project"
    for folder in (own, project / "notebooks", project / "deep"):
        folder.mkdir(parents=True)
        folder.chmod(0o755)
    project.chmod(0o755)
    monkeypatch.setattr(template, "OWN_HOMES", (own,))
    params = project / "deep" / "a.yaml"

    def found(name, *, foreign=False):
        return find_template(params, Path(name), allow_foreign=foreign)

    (own / "a.ipynb").write_text("{}")
    assert found("a.ipynb") == own / "a.ipynb"
    (project / "notebooks" / "a.ipynb").write_text("{}")
    assert found("a.ipynb") == project / "notebooks" / "a.ipynb"
    assert found(own / "a.ipynb") == own / "a.ipynb"
    with pytest.raises(
        UsageError, match=r'no template "b\.ipynb" \(looked in project/notebooks, own'
    ):
        found("b.ipynb")
    outside = tmp_path / "out.ipynb"
    outside.write_text("{}")
    with pytest.raises(UsageError, match="lies outside the project's notebooks"):
        found(outside)
    assert found(outside, foreign=True) == outside
    # A folder that anyone may write to is no home of templates: what is in it is anyone's.
    project.chmod(0o757)
    assert found("a.ipynb") == own / "a.ipynb"
    with pytest.raises(UsageError, match="lies outside"):
        found(project / "notebooks" / "a.ipynb")
