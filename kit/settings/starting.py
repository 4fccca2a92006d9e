"""Starting texts for `bench.yaml` and `params/*.yaml`: every key of the models, with a comment.

The texts are made from the models themselves: what a key means, its usual value or an example.
Files of an older format are brought to today's here.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import textwrap
import typing
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from ruamel.yaml.comments import CommentedMap

from kit.errors import ParamsError, UsageError
from kit.settings.bench_file import BENCH_FORMAT, NEW_SHEET, BenchFile, bare_letters
from kit.settings.params import PARAMS_FORMAT, ReviewParams
from kit.settings.yaml import change_yaml, models_in, one_line, read_yaml, yaml_text

_WIDTH = 98
_HOW = (
    "Lines with ## explain. A line with one # is a key that is switched off and shows its usual",
    "value, or an example: take the # away to use it, with the lines that belong to it.",
)

# What is switched on in a new file. Everything else is shown, switched off.
_PROCESSOR = {"processor": "its name", "memory_gb": "32"}
_NEW_BENCH: dict[str, Any] = {
    "format": BENCH_FORMAT,
    "name": "My bench",
    "layouts": {
        "my-recorder": {
            "files": "*.csv",
            "frames": {"column": "frame_time_ms", "holds": "frame_time", "unit": "ms"},
        }
    },
    "products": {
        name: {"name": words, "class": "desk", "configuration": _PROCESSOR}
        for name, words in (
            ("new-part", "The part under review"),
            ("old-part", "The part it is set against"),
        )
    },
    "titles": {"my-scene": {"name": "A fixed scene", "planned_s": 60.0}},
    "controls": {
        "processor": "The processor of the machine",
        "memory_gb": "Main memory, in GB",
        "driver": "Version of the graphics driver",
    },
}
_NEW_PARAMS: dict[str, Any] = {
    "format": PARAMS_FORMAT,
    "review": "my-review",
    "title": "The new part, beside the old one",
    "byline": "Who measured",
    "date": dt.date(2026, 11, 25),
    "bench": "../mybench",
    "product": "new-part",
    "rivals": ["old-part"],
    "controls": ["processor", "memory_gb"],
    "metrics": {"low": "slowest_share"},
    "margins": {"method": "auto", "confidence": 0.95, "level_band": 0.02, "seed": 20261125},
}


# What no published review should say.
STARTING_TEXTS = {key: _NEW_PARAMS[key] for key in ("title", "byline")}
STARTING_NAMES = {
    entry["name"] for key in ("products", "titles") for entry in _NEW_BENCH[key].values()
}

_GIT_ATTRIBUTES = """\
# Evidence is kept byte for byte: git must not change line ends, nor join two journals by itself.
logs/** -text -diff
*.csv -text
*.yaml -text
*.jsonl -text merge=binary
"""
_GIT_IGNORE = """\
# The lock, an act under way, and the run sheet as it was before the last act.
.bench.lock
.taking-in/
.before-last-act.csv
"""


def start_bench(folder: Path) -> tuple[Path, ...]:
    """Make a bench folder: a commented `bench.yaml`, an empty run sheet, an empty price list.

    Two more files keep git from changing the bytes of logs, sheets and journal, and from committing
    what only tells that an act is under way.

    Parameters
    ----------
    folder : Path
        Where it is to be; made if it is not there.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    UsageError
        If there is a bench already, or it cannot be written; nothing is overwritten.
    """
    about = "A new bench. Replace what is named here by your own."
    texts = {
        "bench.yaml": _text(BenchFile, _NEW_BENCH, "bench", about),
        "runs.csv": ",".join(NEW_SHEET) + "\n",
        "prices.csv": "product,price,currency,kind,date,source,note\n",
        ".gitattributes": _GIT_ATTRIBUTES,
        ".gitignore": _GIT_IGNORE,
    }
    taken = [name for name in texts if (folder / name).exists()]
    if taken:
        raise UsageError(f"{folder.name} holds {', '.join(taken)} already; nothing was written")
    return _write_new({folder / name: text for name, text in texts.items()}, folder / "logs")


def start_params(path: Path) -> Path:
    """Make a commented params file, for a bench as `start_bench` makes it.

    Parameters
    ----------
    path : Path
        The file; the review is named after it.

    Raises
    ------
    UsageError
        If the file is there already, or cannot be written; nothing is overwritten.
    """
    if path.exists():
        raise UsageError(f"{path.name} is there already; nothing was written")
    review = (
        re.sub(r"[^a-z0-9._-]+", "-", bare_letters(path.stem).lower()).strip("-._") or "my-review"
    )
    given = {**_NEW_PARAMS, "review": review}
    text = _text(ReviewParams, given, "params", "What one review compares, and how.")
    _write_new({path: text}, path.parent)
    return path


_TODAY = {f.rpartition("/")[0]: (f, m) for f, m in (
    (BENCH_FORMAT, BenchFile), (PARAMS_FORMAT, ReviewParams),
)}  # fmt: skip
# What brings a file from one version of its format to the next, by family and version: given the
# keys and lists of the file, it changes them in place and says what it did. Both are at 1 today.
_UPGRADES: Mapping[str, Mapping[int, Callable[[Any], str]]] = {family: {} for family in _TODAY}


def upgrade_file(path: Path) -> tuple[str, ...]:
    """Bring a `bench.yaml` or params file to today's format; comments stay.

    Parameters
    ----------
    path : Path
        The file, or the folder of a bench. What it held is kept beside it, under its name with the
        old version before the ending: `bench.format-0.yaml`.

    Returns
    -------
    tuple of str
        What was changed, a line each; that nothing was, where it is of today's format.

    Raises
    ------
    ParamsError
        If it cannot be read, is of no known format, or would not be right then: nothing is written.
    UsageError
        If it is of a later format, or cannot be written.
    """
    path = path / "bench.yaml" if path.is_dir() else path
    document = read_yaml(path, file=path.name, error=ParamsError)
    family, version = document.format
    if family not in _TODAY or version < 0:
        known = " or ".join(name for name, _ in _TODAY.values())
        raise ParamsError([document.fault(f"is no format of settings; {known} is", "format")])
    name, model = _TODAY[family]
    today = int(name.rpartition("/")[2])
    if version == today:
        return (f"{path.name} is {name}, as today's are; nothing was changed",)
    steps = [_UPGRADES[family].get(n) for n in range(version, today)]
    if version > today or None in steps:
        why = "it is of a later marginbook: install that" if version > today else "no way is known"
        raise UsageError(f"{path.name}: from {family}/{version} to {name}: {why}")
    said: list[str] = []

    def change(tree: Any) -> None:
        said.extend(step(tree) for step in steps if step is not None)
        tree["format"] = name

    before = path.read_bytes()
    text = change_yaml(before.decode("utf-8-sig"), change)
    kept, new = (path.with_suffix(f".{word}{path.suffix}") for word in (f"format-{version}", "new"))
    _write_new({new: text}, path.parent)
    try:
        read_yaml(new, file=path.name, error=ParamsError).as_model(model, ParamsError)
        with kept.open("xb") as stream:
            stream.write(before)
        new.replace(path)
    except OSError as error:
        raise UsageError(f"cannot keep {kept.name}: {error.strerror or error}") from None
    finally:
        new.unlink(missing_ok=True)
    return (*said, f"{path.name} is {name} now; {kept.name} is what it was")


def _write_new(texts: Mapping[Path, str], folder: Path) -> tuple[Path, ...]:
    """Write files where there were none, all of them or none; `folder` is made too."""
    begun: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in texts.items():
            begun.append(path)
            path.write_text(text, encoding="utf-8")
    except OSError as error:
        for path in begun:
            with contextlib.suppress(OSError):
                path.unlink()
        why = f"cannot write {[folder, *begun][-1].name}: {error.strerror or error}"
        raise UsageError(f"{why}; nothing was written") from None
    return tuple(texts)


def _text(model: type[BaseModel], given: Mapping[str, Any], schema: str, about: str) -> str:
    """Return the whole text of a new file."""
    lines = [
        f"# yaml-language-server: $schema={schema}.schema.json",
        f"## {about}",
        f"## `marginbook schema {schema} > {schema}.schema.json` helps your editor.",
        *(f"## {line}" for line in _HOW),
        "",
    ]
    marks: list[tuple[str, bool]] = []
    written = yaml_text(_tree(model, given, marks)).splitlines()
    for line, (note, off) in zip(written, marks, strict=True):
        lines += _with_note("#" + line if off else line, note)
    return "\n".join(lines) + "\n"


def _tree(
    model: type[BaseModel],
    given: Mapping[str, Any],
    marks: list[tuple[str, bool]],
    *,
    off: bool = False,
    every: bool = True,
) -> CommentedMap:
    """Return the keys of a model in their order, or only those given, with what is to be shown.

    To `marks` come the comment of each line they will be written on, and whether the line is off.
    """
    tree = CommentedMap()
    for name, info in model.model_fields.items():
        key = info.alias or name
        if key not in given and not every:
            continue
        value = given[key] if key in given else _usual_or_example(info)
        off_here = off or key not in given
        marks.append((info.description or "", off_here))
        inner = next(iter(models_in(info.annotation)), None)
        if inner is None or not isinstance(value, dict | list):
            tree[key] = one_line(value)
        elif isinstance(value, list):
            tree[key] = [_tree(inner, item, marks, off=off_here) for item in value]
        elif _is_mapping_of(info.annotation):
            tree[key] = CommentedMap()
            for number, (entry, item) in enumerate(value.items()):
                marks.append(("", off_here))
                tree[key][entry] = _tree(inner, item, marks, off=off_here, every=number == 0)
        else:
            tree[key] = _tree(inner, value, marks, off=off_here)
    return tree


def _with_note(line: str, note: str) -> list[str]:
    """Return a line with its comment: behind it where there is room, above it otherwise."""
    if not note:
        return [line]
    if len(line) + len(note) + 5 <= _WIDTH:
        return [f"{line}  ## {note}"]
    body = line.lstrip("#")
    pad = body[: len(body) - len(body.lstrip())]
    return [*(f"{pad}## {part}" for part in textwrap.wrap(note, _WIDTH - len(pad) - 3)), line]


def _usual_or_example(info: FieldInfo) -> Any:
    """Return an example of a key where it has one, else its usual value."""
    if info.examples:
        return info.examples[0]
    usual = info.get_default(call_default_factory=True)
    if usual is None or isinstance(usual, BaseModel):
        return {}
    return list(usual) if isinstance(usual, tuple) else usual


def _is_mapping_of(annotation: Any) -> bool:
    """Return whether models stand in it by id."""
    return typing.get_origin(annotation) is dict or any(
        _is_mapping_of(argument) for argument in typing.get_args(annotation)
    )
