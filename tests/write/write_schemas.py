"""Write what is made of the models: JSON Schemas, and the page of every YAML key.

Run: python tests/write/write_schemas.py.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from kit.claims.claim import SCHEMA_NAMES, schema_text

KIT = Path(__file__).parents[2] / "kit"
FILES = {"bench": "bench.yaml", "params": "params/*.yaml"}


def keys_markdown() -> str:
    """Return the page of every key of bench.yaml and params, a table a model."""
    parts = [
        "# Every key of `bench.yaml` and `params/*.yaml`",
        "Made from the models by `python tests/write/write_schemas.py`. What is not here is refused, "
        "with the nearest key there is. **must** be there; else the usual value stands beside it.",
    ]
    for what, file in FILES.items():
        schema = json.loads(schema_text(what))
        parts += [f"## `{file}`", _table(schema)]
        for name, model in schema["$defs"].items():
            if "properties" in model:
                parts += [f"### {_words(name)}", model.get("description", ""), _table(model)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _table(model: Mapping[str, Any]) -> str:
    """Return the keys of a model as a table."""
    must = model.get("required", ())
    rows = ["| key | takes | usual | means |", "| --- | --- | --- | --- |"]
    for key, field in model["properties"].items():
        usual = "**must**" if key in must else _usual(field)
        means = " ".join(field.get("description", "").split())
        cells = (f"`{key}`", _takes(field), usual, means)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows)


def _usual(field: Mapping[str, Any]) -> str:
    """Return the value a key has where it is left out."""
    usual = field.get("default")
    empty = usual is None or usual in ([], {}, "") or isinstance(usual, Mapping)
    return "" if empty else f"`{json.dumps(usual, ensure_ascii=False)}`"


def _takes(field: Mapping[str, Any]) -> str:
    """Return what a key takes, in words."""
    if "$ref" in field:
        return f"[{(name := _words(field['$ref'].split('/')[-1]))}](#{name.replace(' ', '-')})"
    if "const" in field or "enum" in field:
        return " or ".join(f"`{value}`" for value in field.get("enum", [field.get("const")]))
    if several := field.get("anyOf") or field.get("oneOf"):
        told = (_takes(one) for one in several if one.get("type") != "null")
        return " or ".join(dict.fromkeys(told))
    kind = field.get("type", "")
    if kind == "array":
        item = _takes(field["items"]) if "items" in field else "a thing"
        return f"a list of {item.removeprefix('a ') + 's' if item.startswith('a ') else item}"
    if kind == "object":
        inner = field.get("additionalProperties") or next(
            iter(field.get("patternProperties", {}).values()), {}
        )
        return f"by name: {_takes(inner)}" if isinstance(inner, Mapping) and inner else "by name"
    words = {"string": "a text", "integer": "a whole number", "number": "a number",
             "boolean": "true or false"}  # fmt: skip
    ends = {"minimum": ">= {}", "exclusiveMinimum": "> {}", "maximum": "<= {}",
            "exclusiveMaximum": "< {}"}  # fmt: skip
    said = [text.format(field[key]) for key, text in ends.items() if key in field]
    if field.get("format") == "date":
        return "a day"
    return ", ".join([words.get(kind, "anything"), *said])


def _words(name: str) -> str:
    """Return a model's name in words."""
    return "".join(f" {c.lower()}" if c.isupper() else c for c in name).strip("_ ")


def main() -> None:
    (KIT / "schemas").mkdir(exist_ok=True)
    for what in SCHEMA_NAMES:
        path = KIT / "schemas" / f"{what}.schema.json"
        path.write_text(schema_text(what), encoding="utf-8")
    (KIT / "keys.md").write_text(keys_markdown(), encoding="utf-8")


if __name__ == "__main__":
    main()
