"""A sealed review described for programs that know nothing of this kit.

Three descriptions, each in a published form: a Data Package (raw logs and result tables with
their columns), an RO-Crate 1.1 with Process Run Crate (what was made from what, by what), and a
CycloneDX 1.5 list of the packages that were installed.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import quote

from kit.claims.claim import ClaimBook
from kit.logs.rows import split_cells
from kit.settings.bench_file import Layout

HEAD_BYTES = 256 * 1024  # of a log, read to find the names of its columns
RO_CRATE = "https://w3id.org/ro/crate/1.1"
PROCESS_RUN = "https://w3id.org/ro/wfrun/process/0.5"
MEDIA_TYPES = {
    ".html": "text/html", ".json": "application/json", ".ipynb": "application/x-ipynb+json",
    ".csv": "text/csv", ".yaml": "application/yaml", ".md": "text/markdown",
    ".txt": "text/plain", ".svg": "image/svg+xml", ".png": "image/png", ".gz": "application/gzip",
    ".zst": "application/zstd", ".parquet": "application/vnd.apache.parquet",
}  # fmt: skip
# What a cell without a reading may hold; the reader of logs knows the same in any case.
MISSING = ["", "nan", "NaN", "NAN", "n/a", "N/A", "na", "NA", "-"]


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a bag, as it is described: where it is, what it is, how it can be read.

    `role` is "input" (given to the review), "result" (made by it) or "" (neither). `table` holds
    the keys of a Data Package resource by which its rows can be read; None where the file is
    described as bytes only.
    """

    path: str
    size_bytes: int
    sha256: str
    about: str
    role: str = ""
    table: Mapping[str, Any] | None = None


def media_type(path: str) -> str:
    """Return a file's media type, by its name.

    >>> media_type("data/bench/logs/a.csv.gz")
    'application/gzip'
    """
    return MEDIA_TYPES.get(PurePosixPath(path).suffix.lower(), "application/octet-stream")


def json_bytes(value: Any) -> bytes:
    """Return a value as JSON text, keys in the order given: same value, same bytes."""
    return (json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def log_table(head: bytes, layout: Layout) -> dict[str, Any] | None:
    """Return how a raw log's rows are read, or None where a Data Package has no words for it.

    Parameters
    ----------
    head : bytes
        The log's first `HEAD_BYTES` bytes, or all of it.
    layout : Layout
        The layout it was read through.

    Returns
    -------
    dict or None
        Format, encoding, dialect and schema of a tabular resource. None for Parquet, zstd,
        columns set apart by runs of spaces, and headers with empty or repeated names.
    """
    if layout.container != "text" or layout.delimiter == "space":
        return None
    packed = head.startswith(b"\x1f\x8b")
    if packed:
        head = _gunzip_start(head)
    if not head or head.startswith(b"\x28\xb5\x2f\xfd"):
        return None
    found = _first_row(head, layout)
    if found is None:
        return None
    line, names = found
    dialect: dict[str, Any] = {"delimiter": {"tab": "\t"}.get(layout.delimiter, layout.delimiter)}
    dialect["header"] = layout.header
    if layout.header:
        # Counted from 1 in the file; without it, a reader may take a comment for the header.
        dialect["headerRows"] = [line]
    if layout.skip_lines:
        dialect["commentRows"] = list(range(1, layout.skip_lines + 1))
    if layout.comment:
        dialect["commentChar"] = layout.comment
    dialect["skipBlankRows"] = True
    wanted = {layout.frames.column: f"{layout.frames.holds} in {layout.frames.unit}"}
    wanted |= {column: sensor for sensor, column in layout.sensors.items()}
    fields = [_log_field(name, number, wanted, layout) for number, name in enumerate(names, 1)]
    encoding = {"utf-8": "utf-8", "utf-16": "utf-16", "latin-1": "iso-8859-1"}[layout.encoding]
    if head.startswith(b"\xef\xbb\xbf"):
        encoding = "utf-8-sig"
    return {
        "profile": "tabular-data-resource", "format": "csv", "encoding": encoding,
        **({"compression": "gz"} if packed else {}),
        "dialect": dialect, "schema": {"fields": fields, "missingValues": MISSING},
    }  # fmt: skip


def _gunzip_start(head: bytes) -> bytes:
    try:
        return zlib.decompressobj(wbits=31).decompress(head, HEAD_BYTES)
    except zlib.error:
        return b""


def _first_row(head: bytes, layout: Layout) -> tuple[int, list[str]] | None:
    """Return line and column names of a log's first row (made up where it is no header)."""
    text = head.decode("utf-8-sig" if layout.encoding == "utf-8" else layout.encoding, "replace")
    for number, line in enumerate(text.splitlines(), 1):
        if number <= layout.skip_lines or not line.strip():
            continue
        if layout.comment and line.lstrip().startswith(layout.comment):
            continue
        cells = split_cells(line, {"tab": "\t"}.get(layout.delimiter, layout.delimiter))
        if not layout.header:
            return number, [f"column_{place}" for place in range(1, len(cells) + 1)]
        return (number, cells) if all(cells) and len(set(cells)) == len(cells) else None
    return None


def _log_field(
    name: str, number: int, wanted: Mapping[str | int, str], layout: Layout
) -> dict[str, Any]:
    about = wanted.get(name, wanted.get(number))
    if about is None:
        return {"name": name, "type": "any"}
    field: dict[str, Any] = {"name": name, "type": "number", "description": about}
    return field | ({"decimalChar": ","} if layout.decimal == "," else {})


def csv_table(data: bytes, *, about: Mapping[str, str] | None = None) -> dict[str, Any] | None:
    """Return how a table as this kit or a spreadsheet writes it is read, or None.

    A column is a number where every cell in it that is not empty is one. None where the text is
    not plain comma-separated UTF-8 with one name per column and rows of equal length.
    """
    try:
        rows = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error):
        return None
    if not rows or data.startswith(b"\xef\xbb\xbf"):
        return None
    names, *body = rows
    if not all(names) or len(set(names)) != len(names) or any(n != n.strip() for n in names):
        return None
    if any(len(row) != len(names) or not any(row) for row in body):
        return None
    fields = []
    for place, name in enumerate(names):
        field = {"name": name, "type": _column_type([row[place] for row in body])}
        fields.append(field | ({"description": about[name]} if about and name in about else {}))
    return {
        "profile": "tabular-data-resource", "format": "csv", "encoding": "utf-8",
        "dialect": {"delimiter": ",", "header": True},
        "schema": {"fields": fields, "missingValues": [""]},
    }  # fmt: skip


def _column_type(cells: Sequence[str]) -> str:
    filled = [cell for cell in cells if cell]
    if filled and all(re.fullmatch(r"-?\d+(\.\d+)?([eE][+-]?\d+)?", cell) for cell in filled):
        return "number"
    return "string"


def data_package(book: ClaimBook, members: Iterable[Member]) -> bytes:
    """Return `datapackage.json`: every file with size and hash, tables with their columns."""
    resources = []
    names: set[str] = set()
    for member in members:
        name = re.sub(r"[^a-z0-9._/-]+", "-", member.path.removeprefix("data/").lower())
        while name in names:
            name += "-"
        names.add(name)
        resource: dict[str, Any] = {
            "name": name, "path": member.path, "description": member.about,
            "mediatype": media_type(member.path), "bytes": member.size_bytes,
            "hash": f"sha256:{member.sha256}",
        }  # fmt: skip
        resources.append(resource | dict(member.table or {"type": "file"}))
    return json_bytes(
        {
            "profile": "data-package",
            "name": re.sub(r"[^a-z0-9._-]+", "-", book.review.lower()),
            "title": book.title,
            "description": f"Sealed review by {book.byline}: report, claims, and the raw logs "
            "they were made from, used and set aside.",
            "created": f"{book.date}T00:00:00Z",
            "contributors": [{"title": book.byline, "role": "author"}],
            "resources": resources,
        }
    )


def ro_crate(book: ClaimBook, members: Sequence[Member]) -> bytes:
    """Return `ro-crate-metadata.json`: RO-Crate 1.1, with the run as a Process Run Crate."""

    def refer(paths: Iterable[str]) -> list[dict[str, str]]:
        return [{"@id": quote(path)} for path in paths]

    everything = [member.path for member in members]
    graph: list[dict[str, Any]] = [
        {
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "conformsTo": {"@id": RO_CRATE},
            "about": {"@id": "./"},
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "name": book.title,
            "description": f"Sealed review by {book.byline}: report, claims, and the raw logs "
            "they were made from, used and set aside.",
            "datePublished": book.date,
            "license": "All rights stay with the author unless the author says otherwise.",
            "author": {"@id": "#author"},
            "conformsTo": {"@id": PROCESS_RUN},
            "mainEntity": {"@id": "data/report.html"},
            "mentions": {"@id": "#run"},
            "hasPart": refer(everything),
        },
        {
            "@id": PROCESS_RUN,
            "@type": "CreativeWork",
            "name": "Process Run Crate",
            "version": PROCESS_RUN.rsplit("/", 1)[1],
        },
        {"@id": "#author", "@type": "Organization", "name": book.byline},
        {
            "@id": "#marginbook",
            "@type": "SoftwareApplication",
            "name": "marginbook",
            "softwareVersion": book.kit_version,
        },
        {
            "@id": "#run",
            "@type": "CreateAction",
            "name": f"Review {book.review} made from its raw logs",
            "instrument": {"@id": "#marginbook"},
            "agent": {"@id": "#author"},
            "object": refer(member.path for member in members if member.role == "input"),
            "result": refer(member.path for member in members if member.role == "result"),
        },
    ]
    graph += [
        {
            "@id": quote(member.path),
            "@type": "File",
            "name": PurePosixPath(member.path).name,
            "description": member.about,
            "contentSize": str(member.size_bytes),
            "encodingFormat": media_type(member.path),
        }
        for member in members
    ]
    return json_bytes({"@context": f"{RO_CRATE}/context", "@graph": graph})


def component_list(
    book: ClaimBook, installed: Mapping[str, str], *, licences: Mapping[str, str]
) -> bytes:
    """Return the installed packages as a CycloneDX 1.5 list.

    Parameters
    ----------
    book : ClaimBook
    installed : mapping of str to str
        Name to version.
    licences : mapping of str to str
        Name to SPDX expression, where a package states one.
    """
    return json_bytes(
        {
            "bomFormat": "CycloneDX",
            "specVersion": "1.5",
            "version": 1,
            "metadata": {
                "component": {
                    "type": "application", "bom-ref": "marginbook", "name": "marginbook",
                    "version": book.kit_version,
                }
            },
            "components": [
                {
                    "type": "library", "bom-ref": f"pkg:pypi/{name}@{quote(version)}",
                    "name": name, "version": version, "purl": f"pkg:pypi/{name}@{quote(version)}",
                    **({"licenses": [{"expression": licences[name]}]} if name in licences else {}),
                }
                for name, version in sorted(installed.items())
                if name != "marginbook"
            ],
        }
    )  # fmt: skip
