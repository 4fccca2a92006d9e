"""Make the golden bag of the current version: python tests/write/make_golden_bag.py.

Golden bags stay as they are: every later version must still verify them. Make one more with each
release; never make an old one anew. The review is the small one of `sealmaker`, without charts to
keep it small, signed by the key of `damage.AUTHOR`.
"""

from __future__ import annotations

import json
import sys
import tempfile
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / n) for n in ("", "support", "evidence", "write"))]

from cryptography.hazmat.primitives.serialization import (  # noqa: E402
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from damage import AUTHOR  # noqa: E402
from sealmaker import write_project  # noqa: E402

from kit.archive.sealing import seal  # noqa: E402
from kit.package import kit_version  # noqa: E402
from kit.report.report import run_review  # noqa: E402

BAGS = ROOT / "tests" / "data" / "bags"


def without_charts(notebook: dict) -> dict:
    """Return the template without its pictures."""
    cells = []
    for cell in notebook["cells"]:
        source = "".join(cell["source"])
        if "pictures.show_charts" in source:
            continue
        lines = [
            "charts = {}" if line.startswith("charts = ") else line for line in source.split("\n")
        ]
        cells.append(cell | {"source": "\n".join(lines)})
    return notebook | {"cells": cells}


def main() -> None:
    """Make the bag, packed as one zip."""
    to = BAGS / f"quill-{kit_version()}.zip"
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        params = write_project(folder / "project")
        notebook = json.loads((ROOT / "notebooks" / "review.ipynb").read_text())
        template = folder / "small.ipynb"
        template.write_text(json.dumps(without_charts(notebook)))
        done = run_review(
            params, out_dir=folder / "out", template=template, timeout_s=240,
            allow_foreign_template=True,
        )  # fmt: skip
        key = folder / "key.pem"
        key.write_bytes(AUTHOR.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
        sealed = seal(done.folder, to=folder / to.stem, key=key)
        BAGS.mkdir(parents=True, exist_ok=True)
        # Packed by another tool than the kit's, which stores: a repository should stay small.
        with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
            for path in sorted(sealed.path.rglob("*")):
                if path.is_file():
                    entry = zipfile.ZipInfo(f"{to.stem}/{path.relative_to(sealed.path).as_posix()}")
                    entry.compress_type = zipfile.ZIP_DEFLATED
                    archive.writestr(entry, path.read_bytes())
    print(f"{to.relative_to(ROOT)}: {to.stat().st_size} bytes, identity {sealed.identity}")


if __name__ == "__main__":
    main()
