"""Where the kit's own files are, and which they are: read as a tree, never as a flat list."""

from __future__ import annotations

from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent


@cache
def module_paths() -> dict[str, Path]:
    """Return the file of each module of the kit by its dotted name below `kit`, sorted.

    Raises
    ------
    RuntimeError
        If a wing has no module: what keys and comparisons rest on would be missing in silence.
    """
    found = {
        ".".join(path.relative_to(PACKAGE).with_suffix("").parts): path
        for path in sorted(PACKAGE.rglob("*.py"))
        if "notebooks" not in path.parts
    }
    wings = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    empty = [wing for wing in sorted(wings) if not any(n.startswith(f"{wing}.") for n in found)]
    if empty or not wings:
        raise RuntimeError(f"no modules found in {', '.join(empty) or PACKAGE.name}")
    return found


def module_path(name: str) -> Path:
    """Return the file of one module, such as `stats.series`.

    Raises
    ------
    RuntimeError
        If there is none of that name: it was renamed, and who names it must follow.
    """
    if name not in module_paths():
        raise RuntimeError(f'the kit has no module "{name}"')
    return module_paths()[name]
