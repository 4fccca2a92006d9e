"""Write the table of all methods into kit/methods.md, and the test vectors beside it.

python tests/write/write_methods.py
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / n) for n in ("", "support", "evidence", "write"))]

from method_vectors import vectors_text  # noqa: E402

from kit.methods import METHODS  # noqa: E402

PAGE = ROOT / "kit" / "methods.md"
VECTORS = ROOT / "kit" / "method-vectors.json"
START, END = "<!-- all methods -->", "<!-- end -->"


def table_text() -> str:
    """Return the table of all methods."""
    rows = "\n".join(f"| `{m.name}` | {m.version} | {m.words} |" for m in METHODS.values())
    return f"\n\n| method | version | in words |\n| --- | --- | --- |\n{rows}\n\n"


def page_text() -> str:
    """Return methods.md with its table as it should be."""
    text = PAGE.read_text(encoding="utf-8")
    head, _, rest = text.partition(START)
    return f"{head}{START}{table_text()}{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    PAGE.write_text(page_text(), encoding="utf-8")
    VECTORS.write_text(vectors_text(), encoding="utf-8")
