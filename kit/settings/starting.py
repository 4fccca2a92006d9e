"""Starting texts for `bench.yaml` and `params/*.yaml`: every key of the models, with a comment.

The texts are made from the models themselves, so a key added there stands here too.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import re
import textwrap
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from kit.errors import UsageError
from kit.settings.bench_file import NEW_SHEET, BenchFile
from kit.settings.key_notes import COMMENTS, EXAMPLES, NEW_BENCH, NEW_PARAMS
from kit.settings.params import ReviewParams

_WIDTH = 98
_HOW = (
    "Lines with ## explain. A line with one # is a key that is switched off and shows its usual",
    "value, or an example: take the # away to use it, with the lines that belong to it.",
)


def start_bench(folder: Path) -> tuple[Path, ...]:
    """Make a bench folder: a commented `bench.yaml`, an empty run sheet, an empty price list.

    Raises
    ------
    UsageError
        If there is a bench already, or it cannot be written; nothing is overwritten.
    """
    texts = {
        "bench.yaml": starting_bench(),
        "runs.csv": starting_run_sheet(),
        "prices.csv": "product,price,currency,kind,date,source,note\n",
    }
    taken = [name for name in texts if (folder / name).exists()]
    if taken:
        raise UsageError(f"{folder.name} holds {', '.join(taken)} already; nothing was written")
    return _write_new({folder / name: text for name, text in texts.items()}, folder / "logs")


def start_params(path: Path) -> Path:
    """Make a commented params file.

    Raises
    ------
    UsageError
        If the file is there already, or cannot be written; nothing is overwritten.
    """
    if path.exists():
        raise UsageError(f"{path.name} is there already; nothing was written")
    review = re.sub(r"[^a-z0-9._-]+", "-", path.stem.lower()).strip("-._") or "my-review"
    _write_new({path: starting_params(review=review)}, path.parent)
    return path


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
        name = begun[-1].name if begun else folder.name
        raise UsageError(
            f"cannot write {name}: {error.strerror or error}; nothing was written"
        ) from None
    return tuple(texts)


def starting_bench() -> str:
    """Return the text of a new `bench.yaml`: one layout, two products, one title.

    Every key of the models stands in it with a comment; the text loads as it is.
    """
    return _text(
        BenchFile, NEW_BENCH, "bench", "A new bench. Replace what is named here by your own."
    )


def starting_params(*, review: str = "my-review", bench: str = "../my-bench") -> str:
    """Return the text of a new params file, for a bench made of `starting_bench`.

    Parameters
    ----------
    review : str
        The review's id.
    bench : str
        The bench folder, from the folder of the params file.

    Notes
    -----
    Every key of the models stands in it with a comment; the text loads as it is.
    """
    given = {**NEW_PARAMS, "review": review, "bench": bench}
    return _text(ReviewParams, given, "params", "What one review compares, and how.")


def flow_yaml(value: object) -> str:
    """Return a value as YAML writes it on one line.

    >>> flow_yaml(["a", 1.5]), flow_yaml("1.10"), flow_yaml({"a": "b"})
    ('[a, 1.5]', "'1.10'", '{a: b}')
    """
    from ruamel.yaml import YAML

    out = io.StringIO()
    writer = YAML(typ="safe", pure=True)
    writer.default_flow_style = True
    writer.width = 10_000
    writer.sort_base_mapping_type_on_output = False  # type: ignore[assignment]
    writer.dump([value], out)
    text = out.getvalue().strip()[1:-1]
    # A list may hold a pair without its braces; a key may not.
    return f"{{{text}}}" if isinstance(value, dict) and not text.startswith("{") else text


def starting_run_sheet() -> str:
    """Return the text of a new `runs.csv`: the usual columns, no row."""
    return ",".join(NEW_SHEET) + "\n"


def _text(model: type[BaseModel], given: Mapping[str, Any], schema: str, about: str) -> str:
    """Return the whole text of a new file."""
    lines = [
        f"# yaml-language-server: $schema={schema}.schema.json",
        f"## {about}",
        f"## `marginbook schema {schema} > {schema}.schema.json` helps your editor.",
        *(f"## {line}" for line in _HOW),
        "",
        *_model_lines(model, given, indent=0, off=False),
    ]
    return "\n".join(lines) + "\n"


def _model_lines(
    model: type[BaseModel],
    given: Mapping[str, Any],
    *,
    indent: int,
    off: bool,
    all_keys: bool = True,
) -> list[str]:
    """Return a line or more for each key of a model, or only for those given."""
    lines: list[str] = []
    for name, info in model.model_fields.items():
        key = info.alias or name
        if key not in given and not all_keys:
            continue
        place = f"{model.__name__}.{key}"
        note = COMMENTS.get(place, info.description or "")
        value = given[key] if key in given else _stand_in(place, info)
        lines += _key_lines(
            key, value, info.annotation, note, indent=indent, off=off or key not in given
        )
    return lines


def _key_lines(
    key: str, value: Any, annotation: Any, note: str, *, indent: int, off: bool
) -> list[str]:
    """Return the lines of one key and all below it."""
    inner = _model_in(annotation)
    if inner is None or not isinstance(value, dict | list):
        return _with_note(_line(f"{key}: {flow_yaml(value)}", indent, off), note, indent)
    lines = _with_note(_line(f"{key}:", indent, off), note, indent)
    if isinstance(value, list):
        for item in value:
            below = _model_lines(inner, item, indent=indent + 4, off=off)
            first = next(i for i, line in enumerate(below) if not line.lstrip().startswith("##"))
            below[first] = _with_dash(below[first], indent + 2)
            lines += below
    elif _is_mapping_of(annotation):
        for number, (name, item) in enumerate(value.items()):
            lines.append(_line(f"{name}:", indent + 2, off))
            lines += _model_lines(inner, item, indent=indent + 4, off=off, all_keys=number == 0)
    else:
        lines += _model_lines(inner, value, indent=indent + 2, off=off)
    return lines


def _line(text: str, indent: int, off: bool) -> str:
    return ("#" if off else "") + " " * indent + text


def _with_dash(line: str, at: int) -> str:
    """Return a line of an item's first key with the dash of the item."""
    shift = 1 if line.startswith("#") else 0
    return f"{line[: at + shift]}- {line[at + shift + 2 :]}"


def _with_note(line: str, note: str, indent: int) -> list[str]:
    """Return a line with its comment: behind it where there is room, above it otherwise."""
    if not note:
        return [line]
    if len(line) + len(note) + 5 <= _WIDTH:
        return [f"{line}  ## {note}"]
    pad = " " * indent
    return [*(f"{pad}## {part}" for part in textwrap.wrap(note, _WIDTH - indent - 3)), line]


def _stand_in(place: str, info: FieldInfo) -> Any:
    """Return the usual value of a key, or an example where there is none."""
    if place in EXAMPLES:
        return EXAMPLES[place]
    usual = None if info.is_required() else info.get_default(call_default_factory=True)
    if isinstance(usual, BaseModel):
        return {}
    if isinstance(usual, tuple):
        usual = list(usual)
    return _example(info.annotation) if usual in (None, [], {}) else usual


def _example(annotation: Any) -> Any:
    """Return a value that an annotation accepts."""
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin in (typing.Union, types.UnionType):
        return _example(arguments[0])
    if origin is typing.Annotated:
        return _example(arguments[0])
    if origin is typing.Literal:
        return arguments[0]
    if origin in (tuple, list):
        return [_example(arguments[0])]
    if origin is dict:
        return {"example": _example(arguments[1])}
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return {}
    simple = {str: "text", int: 1, float: 1.0, bool: False, dt.date: dt.date(2026, 11, 25)}
    return simple.get(annotation, "text")


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model an annotation holds, directly or in a list or mapping."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model_in(argument) for argument in typing.get_args(annotation))
    return next((model for model in found if model is not None), None)


def _is_mapping_of(annotation: Any) -> bool:
    """Return whether models stand in it by id."""
    return typing.get_origin(annotation) is dict or any(
        _is_mapping_of(argument) for argument in typing.get_args(annotation)
    )
