"""The part of a bench that one review rests on, written so that it reads back to the same review.

A bench grows for years and holds products a review does not name, some of them not to be shown
yet. A sealed review takes along its own products, titles, layouts, runs and prices; raw logs are
copied as recorded elsewhere.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from kit.params import ReviewParams
from kit.prices import COLUMNS, RATE
from kit.review import Review
from kit.runs import RunRow, read_run_sheet, sheet_file
from kit.runsheet import SheetText, read_sheet_text, write_sheet_text
from kit.yamlfile import WrittenFloat, WrittenInt


def excerpt_rows(review: Review) -> tuple[RunRow, ...]:
    """Return the rows of the run sheet a review takes along: its own, and any it sets aside."""
    named = {entry.run for entry in review.params.screen.set_aside}
    own = {row.run for row in review.rows}
    return tuple(row for row in read_run_sheet(review.bench) if row.run in own | named)


def excerpt_bench(review: Review) -> dict[str, bytes]:
    """Return `bench.yaml`, `runs.csv` and `prices.csv` cut down to one review, name to bytes.

    The excerpt keeps every value as written, so that the review reads the same from it.
    """
    rows = excerpt_rows(review)
    files = {
        "bench.yaml": _bench_yaml(review, rows),
        "runs.csv": _run_sheet(review, {row.line for row in rows}),
    }
    if (review.bench.folder / "prices.csv").is_file():
        files["prices.csv"] = _price_table(review)
    return files


def named_products(params: ReviewParams) -> set[str]:
    """Return every product a params file names: what it compares, waives or supposes."""
    named = {product for waiver in params.waivers for product in waiver.products}
    scenarios = params.value.scenarios if params.value else ()
    return {*params.products, *named, *(scenario.product for scenario in scenarios)}


def named_titles(params: ReviewParams) -> set[str]:
    """Return every title a params file names, in its list or in a suite."""
    named = set() if params.titles == "all" else set(params.titles)
    for suite in params.suites.values():
        named |= {*(suite.titles or ()), *suite.weights}
    return named


def _bench_yaml(review: Review, rows: Iterable[RunRow]) -> bytes:
    data = dict(review.bench.document.data)
    listed = list(rows)
    kept = {
        "products": named_products(review.params) | {row.product for row in listed},
        "titles": {*review.titles, *named_titles(review.params)} | {row.title for row in listed},
        "layouts": {row.layout for row in listed if row.layout},
    }
    for key, names in kept.items():
        if key in data:
            data[key] = {name: value for name, value in data[key].items() if name in names}
    return yaml_bytes(data)


def _run_sheet(review: Review, lines: set[int]) -> bytes:
    sheet = read_sheet_text(review.bench.folder / "runs.csv", file=sheet_file(review.bench))
    rows = tuple((line, cells) for line, cells in sheet.rows if line in lines)
    return write_sheet_text(
        SheetText(sheet.file, sheet.header, rows, sheet.delimiter, sheet.line_end, sheet.encoding)
    )


def _price_table(review: Review) -> bytes:
    wanted = named_products(review.params)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in review.prices:
        if row.kind == RATE or row.product in wanted:
            price = f"{row.price:.12g}" if float(f"{row.price:.12g}") == row.price else row.price
            writer.writerow(
                [row.product, price, row.currency, row.kind, row.date.isoformat(), row.source,
                 row.note]
            )  # fmt: skip
    return out.getvalue().encode()


def yaml_bytes(data: Mapping[str, Any]) -> bytes:
    """Return plain data as block YAML that the kit's reader gives back unchanged.

    Numbers keep the digits they were written with.

    >>> print(yaml_bytes({"titles": [1, {"b": "x: y"}], "units": {}}).decode(), end="")
    titles:
      - 1
      -
        "b": "x: y"
    units: {}
    """
    return ("\n".join(_yaml_lines(data, "")) + "\n").encode()


def _yaml_lines(value: Any, indent: str) -> list[str]:
    lines = []
    pairs = (
        [(f"{_yaml_key(str(key))}:", item) for key, item in value.items()]
        if isinstance(value, Mapping)
        else [("-", item) for item in value]
    )
    for lead, item in pairs:
        if isinstance(item, Mapping | list) and item:
            lines += [f"{indent}{lead}", *_yaml_lines(item, indent + "  ")]
        else:
            lines.append(f"{indent}{lead} {_yaml_scalar(item)}")
    return lines


def _yaml_scalar(value: Any) -> str:
    if isinstance(value, WrittenInt | WrittenFloat):
        return value.text
    if isinstance(value, dt.date):
        return value.isoformat()
    # A JSON scalar is a YAML scalar (YAML 1.2.2, section 1.2), but YAML folds more line breaks.
    text = json.dumps(value, ensure_ascii=False)
    return re.sub("[\x7f-\x9f\u2028\u2029\ufeff]", lambda m: f"\\u{ord(m[0]):04x}", text)


def _yaml_key(key: str) -> str:
    """Return a key as it is where every reader of YAML takes it for a word, else quoted."""
    plain = re.fullmatch(r"[a-z][a-z0-9_.-]*", key) and key not in _NO_WORDS
    return key if plain else _yaml_scalar(key)


# Words that YAML 1.1 or 1.2 reads as a truth value or as nothing.
_NO_WORDS = {"true", "false", "null", "yes", "no", "on", "off", "y", "n"}
