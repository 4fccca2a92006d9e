"""Write the published JSON Schemas from the models: python tests/write/write_schemas.py."""

from pathlib import Path

from kit.claims.claim import SCHEMA_NAMES, schema_text

FOLDER = Path(__file__).parents[2] / "kit" / "schemas"


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for what in SCHEMA_NAMES:
        (FOLDER / f"{what}.schema.json").write_text(schema_text(what), encoding="utf-8")


if __name__ == "__main__":
    main()
