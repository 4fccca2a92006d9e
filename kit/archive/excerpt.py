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
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from kit.bench.prices import COLUMNS, RATE, PriceRow, read_prices
from kit.bench.runs import RunRow, read_run_sheet, select_rows, sheet_file
from kit.bench.sheet import read_sheet_text, write_sheet_text
from kit.planning.of_review import planned_titles
from kit.review.walk import review_titles
from kit.settings.params import LoadedParams, ReviewParams, load_params
from kit.settings.yaml import WrittenFloat, WrittenInt


@dataclass(frozen=True, slots=True)
class Scope:
    """What one review rests on: its settings, titles and rows of the run sheet. No log is read."""

    loaded: LoadedParams
    titles: tuple[str, ...]
    rows: tuple[RunRow, ...]  # of its products and titles, and any it sets aside by name
    prices: tuple[PriceRow, ...]


def review_scope(params_path: Path) -> Scope:
    """Return what a review rests on, from its params file and its bench.

    Raises
    ------
    KitError
        `ParamsError` or `BenchError`, with every fault.
    """
    loaded = load_params(params_path)
    params, bench = loaded.params, loaded.bench
    every = read_run_sheet(bench)
    titles = review_titles(every, params, bench)
    own = {row.run for row in select_rows(every, products=params.products, titles=titles)}
    own |= {entry.run for entry in params.screen.set_aside}
    rows = tuple(row for row in every if row.run in own)
    return Scope(loaded, titles, rows, read_prices(bench))


def excerpt_bench(scope: Scope) -> dict[str, bytes]:
    """Return `bench.yaml`, `runs.csv` and `prices.csv` cut down to one review, name to bytes.

    The excerpt keeps every value as written, so that the review reads the same from it.
    """
    files = {"bench.yaml": _bench_yaml(scope), "runs.csv": _run_sheet(scope)}
    if (scope.loaded.bench.folder / "prices.csv").is_file():
        files["prices.csv"] = _price_table(scope)
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


def _bench_yaml(scope: Scope) -> bytes:
    params = scope.loaded.params
    data = dict(scope.loaded.bench.document.data)
    # A plan counts titles that nothing ran yet.
    planned = planned_titles(params, scope.loaded.bench) if params.page == "plan" else ()
    kept = {
        "products": named_products(params) | {row.product for row in scope.rows},
        "titles": {*scope.titles, *named_titles(params), *planned}
        | {row.title for row in scope.rows},
        "layouts": {row.layout for row in scope.rows if row.layout},
    }
    for key, names in kept.items():
        if key in data:
            data[key] = {name: value for name, value in data[key].items() if name in names}
    return yaml_bytes(data)


def _run_sheet(scope: Scope) -> bytes:
    bench = scope.loaded.bench
    sheet = read_sheet_text(bench.folder / "runs.csv", file=sheet_file(bench))
    lines = {row.line for row in scope.rows}
    return write_sheet_text(
        replace(sheet, rows=tuple(row for row in sheet.rows if row[0] in lines))
    )


def _price_table(scope: Scope) -> bytes:
    wanted = named_products(scope.loaded.params)
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


def yaml_bytes(data: Mapping[str, Any]) -> bytes:
    """Return plain data as block YAML that the kit's reader gives back unchanged.

    Numbers keep the digits they were written with.

    >>> print(yaml_bytes({"titles": [1, {"b": "x: y"}], "units": {}}).decode(), end="")
    titles:
      - 1
      -
        b: "x: y"
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
