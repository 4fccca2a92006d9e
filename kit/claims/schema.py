"""JSON Schemas of the files people and programs read: params, bench, claims."""

from __future__ import annotations

import json
from typing import Any

from kit.errors import UsageError

SCHEMA_NAMES = ("params", "bench", "claims")
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(what: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one kind of file.

    Raises
    ------
    UsageError
        If `what` is not one of `SCHEMA_NAMES`.
    """
    from kit.claims.claim import ClaimsDocument
    from kit.settings.bench_file import BenchFile
    from kit.settings.params import ReviewParams
    from kit.settings.yaml import Section

    models: dict[str, type[Section]] = {
        "params": ReviewParams,
        "bench": BenchFile,
        "claims": ClaimsDocument,
    }
    if what not in models:
        raise UsageError(f'no schema called "{what}"; there are {", ".join(SCHEMA_NAMES)}')
    return {"$schema": DIALECT, **models[what].model_json_schema(by_alias=True)}


def schema_text(what: str) -> str:
    """Return the schema as the text kept in `kit/schemas/`."""
    return json.dumps(schema_of(what), indent=1, ensure_ascii=False) + "\n"
