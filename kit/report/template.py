"""Templates: notebooks without outputs, checked before anything of them runs."""

from __future__ import annotations

import ast
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from kit import errors
from kit.errors import Fault, UsageError
from kit.package import PACKAGE

OWN_HOMES = (PACKAGE / "notebooks", PACKAGE.parent / "notebooks")  # installed, or in a checkout
PARAMETERS = ("params_path", "out_dir")
SKIPPING_TAGS = {"raises-exception", "skip-execution"}


class TemplateError(errors.FaultsError):
    """Faults in a template: it could not be trusted to make a report."""

    exit_status = 2


def own_template(name: str) -> Path:
    """Return the path of one of the kit's own templates.

    Raises
    ------
    TemplateError
        If the kit has none of that name: nothing could then be compared with it.
    """
    for home in OWN_HOMES:
        if (home / name).is_file():
            return home / name
    raise TemplateError([Fault(name, "not one of the kit's own templates")])


def find_template(params_path: Path, template: Path, *, allow_foreign: bool) -> Path:
    """Return the template to run.

    A bare name is looked for in the folder `notebooks` beside the params file or beside one of
    the folders above it, then among the kit's own. Folders anyone may write to are passed over.

    Raises
    ------
    UsageError
        If there is no such template, or it lies outside the project and the package and was not
        asked for.
    """
    own = [folder for folder in OWN_HOMES if folder.is_dir()]
    projects = [
        folder / "notebooks"
        for folder in params_path.parents
        if (folder / "notebooks").is_dir() and not (folder.stat().st_mode & 0o002)
    ]
    homes = [home.resolve() for home in (*projects[:1], *own)]
    if template.parent == Path():
        for home in homes:
            if (home / template).is_file():
                template = home / template
                break
    if not template.is_file():
        looked = ", ".join(home.parent.name + "/notebooks" for home in homes) or "no folder"
        raise UsageError(f'no template "{template}" (looked in {looked})')
    found = template.resolve()
    if not allow_foreign and not any(found.is_relative_to(home) for home in homes):
        raise UsageError(
            f'template "{template}" lies outside the project\'s notebooks. A template is code '
            "and runs with your rights: read it first, then say --foreign-template"
        )
    return found


def read_template(path: Path, *, parameters: Sequence[str] = PARAMETERS) -> dict[str, Any]:
    """Return a template's notebook, checked before anything of it runs.

    Parameters
    ----------
    path : Path
        The notebook.
    parameters : sequence of str
        Names its cell tagged `parameters` must set, no fewer and no more.

    Raises
    ------
    TemplateError
        With every fault: not a notebook, stored outputs, no or several cells tagged
        `parameters`, other parameters than `parameters`, cells without ids, cells whose tags let
        errors pass.
    """
    try:
        notebook = json.loads(path.read_text(encoding="utf-8"))
        cells = notebook["cells"]
        codes = [cell for cell in cells if cell["cell_type"] == "code"]
        version = (notebook["nbformat"], notebook["nbformat_minor"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise TemplateError([Fault(path.name, f"not a notebook: {error}")]) from None
    wrong = []
    if version < (4, 5) or any(not cell.get("id") for cell in cells):
        wrong.append(
            "cells without ids (notebook format 4.5 has them); save it once with a current "
            "JupyterLab"
        )
    stored = [
        cell.get("id", "?")
        for cell in codes
        if cell.get("outputs") or cell.get("execution_count") is not None
    ]
    if stored:
        which = ", ".join(stored)
        wrong.append(f"holds stored outputs (cells {which}); clear all outputs, then save")
    tagged = [cell for cell in codes if "parameters" in tags_of(cell)]
    if len(tagged) == 1:
        wrong += _wrong_parameters(tagged[0], parameters)
    else:
        wanted = f"exactly one, with {' and '.join(parameters)}"
        wrong.append(f"{len(tagged)} cells tagged `parameters`; there must be {wanted}")
    passing = [cell.get("id", "?") for cell in codes if SKIPPING_TAGS & set(tags_of(cell))]
    if passing:
        wrong.append(
            f"cells {', '.join(passing)} are tagged to be skipped or to fail unseen; remove those "
            "tags"
        )
    if wrong:
        raise TemplateError(Fault(path.name, said) for said in wrong)
    return dict(notebook)


def tags_of(cell: Mapping[str, Any]) -> list[str]:
    """Return the tags of a cell; none where it has no metadata."""
    return list(cell.get("metadata", {}).get("tags", []))


def _wrong_parameters(cell: Mapping[str, Any], parameters: Sequence[str]) -> list[str]:
    """Return a message for each name the parameters cell sets too many or too few.

    Parameters
    ----------
    cell : mapping
        The cell tagged `parameters`.
    parameters : sequence of str
        What it must set: the notebook runner only warns of what it does not know.
    """
    try:
        body = ast.parse("".join(cell["source"])).body
    except SyntaxError as error:
        return [f"its `parameters` cell is not Python: {error.msg}"]
    found = {
        target.id
        for line in body
        if isinstance(line, ast.Assign)
        for target in line.targets
        if isinstance(target, ast.Name)
    }
    return [
        f"its `parameters` cell does not set {wanted}; without it the run would use the wrong paths"
        for wanted in parameters
        if wanted not in found
    ] + [
        f"unknown parameter {extra}; a template's parameters are {' and '.join(parameters)}"
        for extra in sorted(found - {*parameters})
    ]
