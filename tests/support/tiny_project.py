"""A small made-up project for tests of the page: its claims are made by hand, no log is read."""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

TINY = Path(__file__).parents[1] / "data" / "tiny"


def copy_project(folder: Path) -> Path:
    """Copy the project into `folder`; return the path of its params file."""
    passed_over = shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints")
    shutil.copytree(TINY, folder, ignore=passed_over)
    return folder / "params" / "tiny.yaml"


def edit_template(params: Path, edit: Callable[[dict], None]) -> Path:
    """Change the project's template in place; return its path."""
    path = params.parent.parent / "notebooks" / "tiny.ipynb"
    notebook = json.loads(path.read_text(encoding="utf-8"))
    edit(notebook)
    path.write_text(json.dumps(notebook), encoding="utf-8")
    return path


def cell_of(notebook: dict, cell_id: str) -> dict:
    """Return one cell of a notebook."""
    return next(cell for cell in notebook["cells"] if cell["id"] == cell_id)


def keep_cells(*ids: str) -> Callable[[dict], None]:
    """Return an edit that keeps these cells alone."""

    def edit(notebook: dict) -> None:
        notebook["cells"] = [cell for cell in notebook["cells"] if cell["id"] in ids]

    return edit


def tiny_claims() -> ModuleType:
    """Return the module that makes the project's claims."""
    if "tiny_claims" not in sys.modules:
        spec = importlib.util.spec_from_file_location(
            "tiny_claims", TINY / "notebooks" / "tiny_claims.py"
        )
        module = importlib.util.module_from_spec(spec)
        sys.modules["tiny_claims"] = module
        spec.loader.exec_module(module)
    return sys.modules["tiny_claims"]
