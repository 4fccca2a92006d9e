"""Write the test vectors beside kit/methods.md.

python tests/write/write_methods.py
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / n) for n in ("", "support", "evidence", "write"))]

from method_vectors import vectors_text  # noqa: E402

PAGE = ROOT / "kit" / "methods.md"
VECTORS = ROOT / "kit" / "method-vectors.json"


if __name__ == "__main__":
    VECTORS.write_text(vectors_text(), encoding="utf-8")
