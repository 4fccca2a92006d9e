"""What a sealed review holds: its files, each with what it is and how it is read."""

from __future__ import annotations

import csv
import io
import json
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, Self
from urllib.parse import quote

from ruamel.yaml import YAML
from ruamel.yaml.representer import SafeRepresenter

from kit.archive.bag import Item
from kit.bench.journal import Journal
from kit.bench.prices import COLUMNS, RATE, PriceRow, read_prices
from kit.bench.runs import RunRow, RunSheet, SheetText
from kit.claims.claim import SCHEMA_NAMES, ClaimBook
from kit.claims.of_pages import titles_named
from kit.errors import RunFileError, SealError
from kit.logs.shapes import ZIP, split_cells
from kit.methods import METHODS
from kit.package import LOCK, PACKAGE
from kit.review.walk import review_titles
from kit.settings.bench_file import Layout
from kit.settings.params import LoadedParams, ReviewParams, load_params
from kit.settings.yaml import WrittenFloat, WrittenInt


@dataclass(frozen=True, slots=True)
class Scope:
    """What one review rests on: its settings, titles and rows of the run sheet. No log is read.

    Attributes
    ----------
    titles : tuple of str
        Under review.
    prices : tuple of PriceRow
        Every row of `prices.csv`.
    journal : Journal
        Of the bench; one that is not `there` where it has none.
    """

    loaded: LoadedParams
    titles: tuple[str, ...]
    rows: tuple[RunRow, ...]  # of its products and titles, and any it sets aside by name
    prices: tuple[PriceRow, ...]
    journal: Journal

    @classmethod
    def read(cls, params_path: Path) -> Self:
        """Return what a review rests on, from its params file and its bench.

        Parameters
        ----------
        params_path : Path
            The params file; the bench stands where it says.

        Returns
        -------
        Scope
            With the rows of the products and titles compared, and of runs set aside by name.

        Raises
        ------
        KitError
            `ParamsError` or `BenchError`, with every fault.
        """
        loaded = load_params(params_path)
        params, bench = loaded.params, loaded.bench
        every = RunSheet(bench).rows
        titles = review_titles(every, params, bench)
        named = {entry.run for entry in params.screen.set_aside}
        compared = {(product, title) for product in params.products for title in titles}
        rows = tuple(
            row for row in every if row.run in named or (row.product, row.title) in compared
        )
        return cls(loaded, titles, rows, read_prices(bench), Journal.read(bench.folder))

    def bag_info(
        self, book: ClaimBook, *, journal: tuple[str, int] | None, before: str = ""
    ) -> list[tuple[str, str]]:
        """Return the lines of `bag-info.txt` that claims, params and what was before settle.

        Parameters
        ----------
        book : ClaimBook
        journal : (str, int) or None
            Head (SHA-256) and number of entries of the bench's journal; None where it has none.
        before : str
            Identity of the review of this bench sealed last before it; empty for none.
        """
        info = [
            ("Bag-Software-Agent", f"marginbook {book.kit_version}"),
            ("Contact-Name", book.byline),
            ("External-Identifier", book.review),
            ("External-Description", book.title),
        ]
        if journal is not None:  # under the tag manifest, and so under the signature
            info += [(JOURNAL_HEAD, journal[0]), (JOURNAL_LENGTH, str(journal[1]))]
        if before:  # so each seal comes after those it names, whoever made them
            info.append((SEALED_BEFORE, before))
        if self.loaded.params.replaces:
            info.append(("Replaces", self.loaded.params.replaces))
        return info

    def payload_items(
        self,
        book: ClaimBook,
        made: Sequence[Item],
        *,
        installed: Mapping[str, str],
        licences: Mapping[str, str],
    ) -> list[Item]:
        """Return every file of a sealed review's payload.

        Parameters
        ----------
        book : ClaimBook
        made : sequence of Item
            The files its run made: report, claims, notebook, tables, charts.
        installed : mapping of str to str
            Packages installed when it ran, name to version.
        licences : mapping of str to str
            SPDX expressions by package, where a package states one.

        Raises
        ------
        SealError
            If the bound text would stand outside the payload.
        RunFileError
            If the log of a run that counts is missing.
        """
        versions = "".join(f"{name}=={version}\n" for name, version in sorted(installed.items()))
        components = _component_list(book, installed, licences=licences)
        return [
            *made,
            *_input_items(self, book),
            *kit_items(book),
            Item(INSTALLED, versions.encode()),
            Item(COMPONENTS, components),
        ]


def _excerpt_bench(scope: Scope) -> dict[str, bytes]:
    """Return `bench.yaml`, `runs.csv` and `prices.csv` cut down to one review, name to bytes.

    The excerpt keeps every value as written, so that the review reads the same from it.
    """
    files = {"bench.yaml": _bench_yaml(scope), "runs.csv": _run_sheet(scope)}
    if (scope.loaded.bench.folder / "prices.csv").is_file():
        files["prices.csv"] = _price_table(scope)
    return files


def _named(params: ReviewParams, what: str) -> set[str]:
    """Return every product, or every title, that a params file names, wherever it does."""
    return {name for kind, name, *_ in params.named() if kind.partition(" ")[0] == what}


def _bench_yaml(scope: Scope) -> bytes:
    """Return `bench.yaml` with the products, titles and layouts that the review names.

    A product set aside, waived or supposed in a scenario is named as well; what other reviews of
    the bench compare stays out of the bag.
    """
    params = scope.loaded.params
    data = dict(scope.loaded.bench.document.data)
    # A plan counts titles that nothing ran yet.
    planned = titles_named(params, scope.loaded.bench, ())
    kept = {
        "products": _named(params, "product") | {row.product for row in scope.rows},
        "titles": {*scope.titles, *_named(params, "title"), *planned}
        | {row.title for row in scope.rows},
        "layouts": {row.layout for row in scope.rows if row.layout},
    }
    for key, names in kept.items():
        if key in data:
            data[key] = {name: value for name, value in data[key].items() if name in names}
    return _yaml_bytes(data)


def _run_sheet(scope: Scope) -> bytes:
    """Return `runs.csv` with the review's rows, each as written."""
    bench = scope.loaded.bench
    sheet = SheetText.read(bench.folder / "runs.csv", file=f"{bench.folder.name}/runs.csv")
    lines = {row.line for row in scope.rows}
    return replace(sheet, rows=tuple(row for row in sheet.rows if row[0] in lines)).to_bytes()


def _price_table(scope: Scope) -> bytes:
    """Return `prices.csv` with the review's products, and every rate of exchange.

    Prices are written so that they are read again as the same number.
    """
    wanted = _named(scope.loaded.params, "product")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in scope.prices:
        if row.kind == RATE or row.product in wanted:
            short = f"{row.price:.12g}"
            writer.writerow(
                [row.product, short if float(short) == row.price else repr(row.price),
                 row.currency, row.kind, row.date.isoformat(), row.source, row.note]
            )  # fmt: skip
    return out.getvalue().encode()


def _yaml_bytes(data: Mapping[str, Any]) -> bytes:
    """Return plain data as block YAML that the kit's reader gives back unchanged.

    Numbers keep the digits they were written with.

    >>> print(_yaml_bytes({"titles": [1, {"b": "x: y"}], "units": {}}).decode(), end="")
    titles:
    - 1
    - b: "x: y"
    units: {}
    """
    writer = YAML(typ="safe", pure=True)
    writer.Representer = _AsWritten
    writer.default_flow_style = False
    writer.sort_base_mapping_type_on_output = False  # type: ignore[assignment]
    writer.allow_unicode, writer.width = True, 1 << 30
    out = io.BytesIO()
    writer.dump(data, out)
    return out.getvalue()


class _AsWritten(SafeRepresenter):
    """Writes numbers with the digits they were read with, texts in quotes, no references."""

    def ignore_aliases(self, data: Any) -> bool:
        return True

    def represent_text(self, data: str) -> Any:
        """Return the node of a text: plain where every reader takes it for a word, else quoted."""
        plain = re.fullmatch(r"[a-z][a-z0-9_.-]*", data) and data not in _NO_WORDS
        return self.represent_scalar("tag:yaml.org,2002:str", data, style=None if plain else '"')

    def represent_written(self, data: WrittenInt | WrittenFloat) -> Any:
        """Return the node of a number."""
        kind = "int" if isinstance(data, int) else "float"
        return self.represent_scalar(f"tag:yaml.org,2002:{kind}", data.text)


# Words that YAML 1.1 or 1.2 reads as a truth value or as nothing.
_NO_WORDS = {"true", "false", "null", "yes", "no", "on", "off", "y", "n"}
_AsWritten.add_representer(str, _AsWritten.represent_text)
_AsWritten.add_representer(WrittenInt, _AsWritten.represent_written)
_AsWritten.add_representer(WrittenFloat, _AsWritten.represent_written)


METHODS_FORMAT = "marginbook-methods/1"
SCHEMAS = PACKAGE / "schemas"
# For whoever checks the figures without this kit: formulas, test vectors, and a program of its own.
METHOD_PAGES = tuple(
    PACKAGE / n for n in ("methods.md", "method-vectors.json", "archive/second_opinion.py")
)


def _input_items(scope: Scope, book: ClaimBook) -> list[Item]:
    """Return params, bound text, bench excerpt and raw logs, used and set aside.

    A log that a claim rests on must still have the hash it had; where two runs name one log it is
    sealed once.

    Raises
    ------
    RunFileError
        If the log of a run that counts is missing; that of one that crashed may be.
    """
    loaded = scope.loaded
    items = [Item(f"data/params/{loaded.path.name}", loaded.path, sha256=book.params_sha256)]
    if loaded.params.text is not None:
        items.append(Item(text_path(loaded.params.text), loaded.path.parent / loaded.params.text))
    items += [Item(text_path(n), loaded.path.parent / n) for n in loaded.house_files]
    items += [
        Item(f"data/reviews/{name}/{file}", data)
        for name in book.names.get("reviews", {})
        for file, data in ClaimBook.files_of(loaded.reviews[name]).items()
    ]
    items += [Item(f"data/bench/{name}", data) for name, data in _excerpt_bench(scope).items()]
    if scope.journal.there:
        items.append(Item(JOURNAL_PART, _journal_part(scope)))
    logs: dict[str, Item] = {}
    for row in scope.rows:
        if not row.log:
            continue
        try:
            source = row.find_log(loaded.bench)
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


def _journal_part(scope: Scope) -> bytes:
    """Return what the bench's journal says of the review's runs and logs; the rest as hashes."""
    logs = {row.log for row in scope.rows if row.log}
    runs = {row.run for row in scope.rows}

    def wanted(item: Mapping[str, Any]) -> bool:
        return item["kind"] == "begin" or item.get("file") in logs or item.get("run") in runs

    return scope.journal.excerpt(wanted=wanted)


def text_path(text: str) -> str:
    """Return where what params name stands in a bag: as far from the params file as it stood.

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
                f'"{text}" stands too far from the params file to be sealed with it; '
                "move it beside the params file"
            )
    return "/".join(parts)


def kit_items(book: ClaimBook) -> list[Item]:
    """Return what every bag of one version of the kit holds alike: methods, schemas, lock.

    Parameters
    ----------
    book : ClaimBook
        Its claims name the methods described in `data/methods.json`.
    """
    used = sorted({claim.method for claim in book.claims})
    methods = {
        "format": METHODS_FORMAT,
        "methods": [
            {"name": m.name, "version": m.version, "words": m.words}
            for m in (METHODS[name] for name in used if name in METHODS)
        ],
    }
    items = [
        Item("data/README.txt", (PACKAGE / "archive" / "README.txt").read_bytes()),
        Item("data/methods.json", _json_bytes(methods)),
        *(Item(f"data/{page.name}", page.read_bytes()) for page in METHOD_PAGES),
        Item("data/environment/lock.txt", LOCK.read_bytes()),
    ]
    items += [
        Item(f"data/schemas/{what}.schema.json", (SCHEMAS / f"{what}.schema.json").read_bytes())
        for what in SCHEMA_NAMES
    ]
    return items


def describe_items(items: Sequence[Item], book: ClaimBook) -> list[_Member]:
    """Return every file of a payload as it is described to other programs.

    Raises
    ------
    OSError
        If a file cannot be read.
    """
    runs = {run.file: run for run in book.runs if run.file}
    layouts = {name: Layout.model_validate(layout) for name, layout in book.layouts.items()}
    members = []
    for item in sorted(items, key=lambda item: item.path.encode()):
        size, digest = item.measure()
        name = item.path.removeprefix("data/")
        run = runs.get(name.removeprefix("bench/")) if name.startswith("bench/") else None
        about, role = _about(name)
        table = None
        if run is not None:
            used = "used" if run.used else f"not used: {run.reason}"
            about = f"Raw log of run {run.id}, {run.product} in {run.title}; {used}"
            if run.frames and run.layout in layouts:
                table = _log_table(_head(item), layouts[run.layout])
        elif name.endswith(".csv"):
            table = _csv_table(_head(item, whole=True))
        members.append(_Member(item.path, size, digest, about, role, table))
    return members


def tag_items(book: ClaimBook, members: Sequence[_Member]) -> list[Item]:
    """Return the two descriptions of a payload that stand beside it: Data Package, RO-Crate."""
    return [
        Item("datapackage.json", _data_package(book, members)),
        Item("ro-crate-metadata.json", _ro_crate(book, members)),
    ]


def _head(item: Item, *, whole: bool = False) -> bytes:
    """Return the first `HEAD_BYTES` of an item, or all of it."""
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
    "second_opinion.py": ("A program without the kit that works the figures out again", ""),
    "bench/bench.yaml": ("Products, titles and log layouts of the review", "input"),
    "bench/runs.csv": ("The run sheet: a row per run of the review", "input"),
    "bench/prices.csv": ("Observed prices of the review's products", "input"),
    "bench/journal-part.jsonl": (
        "What the bench's journal says of the review's runs; hashes of the rest",
        "input",
    ),
    "tables": ("A table of results, unrounded", "result"),
    "charts": ("A chart of the report, or its numbers", "result"),
    "params": ("What the review compares and how, or its text", "input"),
    "reviews": ("What another review states, whose figures its text takes", "input"),
    "bench": ("A raw log", "input"),
    "environment": ("What the review was made with", ""),
    "schemas": ("JSON Schema of a file in here", ""),
}


def _about(name: str) -> tuple[str, str]:
    """Return what a file of the payload is, in words, and its role (see `_Member`)."""
    return _ABOUT.get(name) or _ABOUT.get(name.split("/")[0], ("Text of the review", "input"))


INSTALLED = "data/environment/installed.txt"
COMPONENTS = "data/environment/cyclonedx.json"
JOURNAL_PART = "data/bench/journal-part.jsonl"
JOURNAL_HEAD, JOURNAL_LENGTH = "Journal-Head", "Journal-Length"  # in bag-info.txt
SEALED_BEFORE = "Sealed-Before-This"
HEAD_BYTES = 256 * 1024  # of a log, read to find the names of its columns
RO_CRATE = "https://w3id.org/ro/crate/1.1"
PROCESS_RUN = "https://w3id.org/ro/wfrun/process/0.5"
MEDIA_TYPES = {
    ".html": "text/html", ".json": "application/json", ".ipynb": "application/x-ipynb+json",
    ".csv": "text/csv", ".yaml": "application/yaml", ".md": "text/markdown",
    ".txt": "text/plain", ".svg": "image/svg+xml", ".png": "image/png", ".gz": "application/gzip",
    ".py": "text/x-python", ".zst": "application/zstd",
    ".parquet": "application/vnd.apache.parquet",
}  # fmt: skip
# What a cell without a reading may hold; the reader of logs knows the same in any case.
MISSING = ["", "nan", "NaN", "NAN", "n/a", "N/A", "na", "NA", "-"]


@dataclass(frozen=True, slots=True)
class _Member:
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


def _media_type(path: str) -> str:
    """Return a file's media type, by its name.

    >>> _media_type("data/bench/logs/a.csv.gz")
    'application/gzip'
    """
    return MEDIA_TYPES.get(PurePosixPath(path).suffix.lower(), "application/octet-stream")


def _json_bytes(value: Any) -> bytes:
    """Return a value as JSON text, keys in the order given: same value, same bytes."""
    return (json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def _log_table(head: bytes, layout: Layout) -> dict[str, Any] | None:
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
    if layout.container != "text" or layout.delimiter == "space" or not layout.is_plain:
        return None
    if head.startswith(ZIP):
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
    """Return the first `HEAD_BYTES` of what is packed in a gzip; nothing where it is broken."""
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
    """Return one column of a raw log as a field of a table schema."""
    about = wanted.get(name, wanted.get(number))
    if about is None:
        return {"name": name, "type": "any"}
    field: dict[str, Any] = {"name": name, "type": "number", "description": about}
    return field | ({"decimalChar": ","} if layout.decimal == "," else {})


def _csv_table(data: bytes) -> dict[str, Any] | None:
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
    fields = [
        {"name": name, "type": _column_type([row[place] for row in body])}
        for place, name in enumerate(names)
    ]
    return {
        "profile": "tabular-data-resource", "format": "csv", "encoding": "utf-8",
        "dialect": {"delimiter": ",", "header": True},
        "schema": {"fields": fields, "missingValues": [""]},
    }  # fmt: skip


def _column_type(cells: Sequence[str]) -> str:
    """Return "number" where every cell that is not empty is one, else "string"."""
    filled = [cell for cell in cells if cell]
    if filled and all(re.fullmatch(r"-?\d+(\.\d+)?([eE][+-]?\d+)?", cell) for cell in filled):
        return "number"
    return "string"


def _data_package(book: ClaimBook, members: Iterable[_Member]) -> bytes:
    """Return `datapackage.json`: every file with size and hash, tables with their columns.

    References
    ----------
    Data Package, version 1 (Frictionless Data).
    """
    resources = []
    names: set[str] = set()
    for member in members:
        name = re.sub(r"[^a-z0-9._/-]+", "-", member.path.removeprefix("data/").lower())
        while name in names:
            name += "-"
        names.add(name)
        resource: dict[str, Any] = {
            "name": name, "path": member.path, "description": member.about,
            "mediatype": _media_type(member.path), "bytes": member.size_bytes,
            "hash": f"sha256:{member.sha256}",
        }  # fmt: skip
        resources.append(resource | dict(member.table or {"type": "file"}))
    return _json_bytes(
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


def _ro_crate(book: ClaimBook, members: Sequence[_Member]) -> bytes:
    """Return `ro-crate-metadata.json`: RO-Crate 1.1, with the run as a Process Run Crate.

    Parameters
    ----------
    book : ClaimBook
    members : sequence of _Member
        Every file of the payload; those of the roles "input" and "result" are the run's.
    """

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
            "encodingFormat": _media_type(member.path),
        }
        for member in members
    ]
    return _json_bytes({"@context": f"{RO_CRATE}/context", "@graph": graph})


def _component_list(
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
    return _json_bytes(
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
