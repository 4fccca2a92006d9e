"""What a finished review was made from, noted beside its folder so that it can be sealed later.

A report holds no paths: two runs from two folders must give the same bytes. So the way back to
the params file, and what was installed, stand in a hidden file beside the review's folder, which
no one publishes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from kit.errors import SealError
from kit.page.environment import installed_versions

FORMAT = "marginbook-inputs/1"


@dataclass(frozen=True, slots=True)
class Inputs:
    """The params file a review was run with, and the packages installed then (name: version)."""

    params: Path
    installed: Mapping[str, str]


def inputs_file(folder: Path) -> Path:
    """Return where the inputs of a review's folder are noted: beside it."""
    return folder.parent / f".{folder.name}.inputs"


def note_inputs(folder: Path, params_path: Path) -> None:
    """Note what a review in `folder` was made from. The path is noted from the folder above."""
    away = os.path.relpath(params_path.resolve(), folder.parent.resolve())
    noted = {
        "format": FORMAT,
        "params": Path(away).as_posix(),
        "installed": installed_versions(),
    }
    text = json.dumps(noted, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
    part = inputs_file(folder).with_suffix(f".{os.getpid()}")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(inputs_file(folder))
    finally:
        part.unlink(missing_ok=True)


def read_inputs(folder: Path, *, params: Path | None = None) -> Inputs:
    """Return what a review in `folder` was made from.

    Parameters
    ----------
    folder : Path
        The review's folder.
    params : Path, optional
        In place of the params file noted.

    Raises
    ------
    SealError
        If nothing is noted and no `params` is given, or the file is not there.
    """
    installed: Mapping[str, str] = {}
    try:
        noted = json.loads(inputs_file(folder).read_text(encoding="utf-8"))
        found = folder.parent / str(noted["params"])
        installed = {str(k): str(v) for k, v in dict(noted["installed"]).items()}
    except (OSError, ValueError, KeyError, TypeError):
        if params is None:
            raise SealError(
                f"{folder.name}: nothing beside it says which params file it was made from; say "
                "so with --params"
            ) from None
        found = params
    path = params or found
    if not path.is_file():
        raise SealError(
            f"{folder.name}: its params file {path.name} is not where it was; say where it is "
            "with --params"
        )
    return Inputs(path, installed or installed_versions())
