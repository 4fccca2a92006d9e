"""What a sealed review holds: its files, each with what it is and how it is read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kit.archive.bag import Item, measure_item
from kit.archive.describe import (
    HEAD_BYTES,
    Member,
    component_list,
    csv_table,
    json_bytes,
    log_table,
)
from kit.archive.excerpt import Scope, excerpt_bench
from kit.bench.runs import find_log
from kit.claims.claim import ClaimBook
from kit.claims.schema import SCHEMA_NAMES
from kit.errors import RunFileError, SealError
from kit.methods import METHODS
from kit.package import PACKAGE
from kit.page.environment import LOCK

METHODS_FORMAT = "marginbook-methods/1"
SCHEMAS = PACKAGE / "schemas"
# Formulas and test vectors, for whoever checks the figures with a program of their own.
METHOD_PAGES = tuple(PACKAGE / n for n in ("methods.md", "method-vectors.json"))


def input_items(scope: Scope, book: ClaimBook) -> list[Item]:
    """Return params, bound text, bench excerpt and raw logs, used and set aside."""
    loaded = scope.loaded
    items = [Item(f"data/params/{loaded.path.name}", loaded.path, sha256=book.params_sha256)]
    if loaded.params.text is not None:
        items.append(Item(text_path(loaded.params.text), loaded.path.parent / loaded.params.text))
    items += [Item(f"data/bench/{name}", data) for name, data in excerpt_bench(scope).items()]
    logs: dict[str, Item] = {}
    for row in scope.rows:
        if not row.log:
            continue
        try:
            source = find_log(row, loaded.bench)
        except RunFileError:
            if row.produced:
                raise
            continue  # a run that crashed may have left a log, or none
        run = book.run_by_id.get(row.run)
        known = run.sha256 if run is not None and run.frames else ""
        path = f"data/bench/{row.log}"
        if path not in logs or not logs[path].sha256:
            logs[path] = Item(path, source, sha256=known)
    return [*items, *logs.values()]


def text_path(text: str) -> str:
    """Return where a bound text stands in a bag: as far from the params file as it stood.

    Raises
    ------
    SealError
        If it would stand outside the payload.
    """
    parts = ["data", "params"]
    for part in text.replace("\\", "/").split("/"):
        if part == "..":
            parts.pop()
        elif part not in {"", "."}:
            parts.append(part)
        if not parts or parts[0] != "data" or text.startswith("/"):
            raise SealError(
                f'the text "{text}" stands too far from the params file to be sealed with it; '
                "move it beside the params file"
            )
    return "/".join(parts)


def environment_items(book: ClaimBook, installed: Mapping[str, str]) -> list[Item]:
    """Return what the review was made with: the kit's own files, and the versions installed."""
    versions = "".join(f"{name}=={version}\n" for name, version in sorted(installed.items()))
    components = component_list(book, installed, licences=_licences(installed))
    return [
        *kit_items(book),
        Item("data/environment/installed.txt", versions.encode()),
        Item("data/environment/cyclonedx.json", components),
    ]


def kit_items(book: ClaimBook) -> list[Item]:
    """Return what every bag of one version of the kit holds alike: methods, schemas, lock."""
    used = sorted({claim.method for claim in book.figures})
    methods = {
        "format": METHODS_FORMAT,
        "methods": [
            {"name": m.name, "version": m.version, "words": m.words}
            for m in (METHODS[name] for name in used if name in METHODS)
        ],
    }
    items = [
        Item("data/README.txt", _README.encode()),
        Item("data/methods.json", json_bytes(methods)),
        *(Item(f"data/{page.name}", page.read_bytes()) for page in METHOD_PAGES),
        Item("data/environment/lock.txt", LOCK.read_bytes()),
    ]
    items += [
        Item(f"data/schemas/{what}.schema.json", (SCHEMAS / f"{what}.schema.json").read_bytes())
        for what in SCHEMA_NAMES
    ]
    return items


_README = """\
A sealed review: a report, and everything needed to check it.

report.html      the report; each figure links to its trace
claims.json      every figure with its value, interval, method and runs (schemas/claims.schema.json)
methods.json     each method in words; methods.md has the formulas, method-vectors.json examples
params/          what was compared, and how
bench/           products, titles, run sheet and prices of this review, and its raw logs as
                 recorded, also of the runs that were set aside
executed.ipynb   the notebook that made the report, with tables/ and charts/ beside it
environment/     versions locked and versions installed when the review ran

To check the bytes, in the folder above this one:
    sha256sum --strict -c manifest-sha256.txt tagmanifest-sha256.txt
To check the signature, where there is one (signature/public.pem is the key it was made with; ask
the author which key is theirs):
    openssl pkeyutl -verify -rawin -pubin -inkey signature/public.pem \\
      -sigfile signature/ed25519.sig -in tagmanifest-sha256.txt
To make every figure afresh from the raw logs and compare:
    marginbook verify FOLDER
"""


def _licences(installed: Mapping[str, str]) -> dict[str, str]:
    """Return the licence each installed package states as an SPDX expression, where it does."""
    from importlib.metadata import PackageNotFoundError, metadata

    found = {}
    for name, version in installed.items():
        try:
            stated = metadata(name)
        except PackageNotFoundError:
            continue
        if "License-Expression" in stated and stated["Version"] == version:
            found[name] = str(stated["License-Expression"])
    return found


def describe_items(items: Sequence[Item], book: ClaimBook) -> list[Member]:
    """Return every file of a payload as it is described to other programs."""
    runs = {run.file: run for run in book.runs if run.file}
    layouts = _layouts(book)
    members = []
    for item in sorted(items, key=lambda item: item.path.encode()):
        size, digest = measure_item(item)
        name = item.path.removeprefix("data/")
        run = runs.get(name.removeprefix("bench/")) if name.startswith("bench/") else None
        about, role = _about(name)
        table = None
        if run is not None:
            used = "used" if run.used else f"not used: {run.reason}"
            about = f"Raw log of run {run.id}, {run.product} in {run.title}; {used}"
            if run.frames and run.layout in layouts:
                table = log_table(_head(item), layouts[run.layout])
        elif name.endswith(".csv"):
            table = csv_table(_head(item, whole=True))
        members.append(Member(item.path, size, digest, about, role, table))
    return members


def _layouts(book: ClaimBook) -> dict[str, Any]:
    from kit.settings.bench_file import Layout

    return {name: Layout.model_validate(layout) for name, layout in book.layouts.items()}


def _head(item: Item, *, whole: bool = False) -> bytes:
    if isinstance(item.source, bytes):
        return item.source
    with item.source.open("rb") as stream:
        return stream.read() if whole else stream.read(HEAD_BYTES)


_ABOUT = {
    "report.html": ("The report", "result"),
    "claims.json": ("Every figure of the report: value, interval, method, runs", "result"),
    "executed.ipynb": ("The notebook that made the report, executed", "result"),
    "README.txt": ("What is in here and how to check it", ""),
    "methods.json": ("The methods used, each in words", ""),
    "methods.md": ("The formulas of the methods", ""),
    "method-vectors.json": ("Test vectors of the methods", ""),
    "bench/bench.yaml": ("Products, titles and log layouts of the review", "input"),
    "bench/runs.csv": ("The run sheet: a row per run of the review", "input"),
    "bench/prices.csv": ("Observed prices of the review's products", "input"),
    "tables": ("A table of results, unrounded", "result"),
    "charts": ("A chart of the report, or its numbers", "result"),
    "params": ("What the review compares and how, or its text", "input"),
    "bench": ("A raw log", "input"),
    "environment": ("What the review was made with", ""),
    "schemas": ("JSON Schema of a file in here", ""),
}


def _about(name: str) -> tuple[str, str]:
    return _ABOUT.get(name) or _ABOUT.get(name.split("/")[0], ("Text of the review", "input"))
