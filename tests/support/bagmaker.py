"""A small bag to break, for the tests of bags."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from kit.archive.bag import Item, write_bag

DATE = dt.date(2026, 4, 1)
PAYLOAD = [
    Item("data/report.html", b"<!doctype html><title>r</title>\n"),
    Item("data/bench/logs/a b.csv", b"ms\n16.7\n"),
    Item("data/bench/logs/\u00e9tude.csv", b"ms\n8.3\n"),
    Item("data/empty.txt", b""),
]
TAGS = [Item("datapackage.json", b"{}\n")]


def make_bag(to: Path, **changes: object) -> Path:
    """Write the small bag."""
    settings: dict[str, object] = {
        "date": DATE,
        "tags": TAGS,
        "info": [("External-Identifier", "kestrel")],
        **changes,
    }
    return write_bag(PAYLOAD, to=to, **settings)  # type: ignore[arg-type]


def bytes_of(folder: Path) -> dict[str, bytes]:
    """Return every file under a folder: path to bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
