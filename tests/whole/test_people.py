"""YAML and CSV as people keep them, through the whole path.

Where the meaning is certain every claim is what it was; else there is one fault that names file
and line, quotes what stands there and says how to write it. What each file's reader does with
single cells is in test_yaml, test_runs and test_prices.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from kit.claims.claim import claims_json
from kit.claims.of_pages import make_claims
from kit.errors import KitError
from kit.review.walk import load_review, work_out

BENCH = """\
format: marginbook-bench/1
name: People
layouts:
  plain: {frames: {column: ms, holds: frame_time, unit: ms}}
controls:
  driver: The driver
products:
  ash:
    name: Ash 4
    class: desk
    released: 2026-05-01
    configuration: {processor: Ilm 8}
  birch:
    name: Birch 4
    class: desk
    configuration: {processor: Ilm 8}
titles:
  weir:
    name: The Weir
    planned_s: 1.5
"""
PARAMS = """\
format: marginbook-params/1
review: people
title: A review
byline: The desk
date: 2026-11-16
bench: bench
product: ash
rivals: [birch]
titles: all
controls: [processor]
metrics: {low: percentile}
margins:
  method: auto
  confidence: 0.95
  level_band: 0.02
  seed: 1
value:
  currency: EUR
"""
RUNS = """\
run,product,title,layout,log,began,session,driver
a1,ash,weir,plain,logs/a1.csv,2026-11-01T08:00:00+00:00,s1,1.10
a2,ash,weir,plain,logs/a2.csv,2026-11-02T08:00:00+00:00,s2,1.10
b1,birch,weir,plain,logs/b1.csv,2026-11-01T08:30:00+00:00,s1,1.10
b2,birch,weir,plain,logs/b2.csv,2026-11-02T08:30:00+00:00,s2,1.10
"""
PRICES = """\
product,price,currency,kind,date,source
ash,1299.50,EUR,street,2026-11-01,shop
birch,999,EUR,street,2026-11-01,shop
"""
FILES = {
    "params": ("people.yaml", PARAMS),
    "bench": ("bench/bench.yaml", BENCH),
    "runs": ("bench/runs.csv", RUNS),
    "prices": ("bench/prices.csv", PRICES),
}


@dataclass(frozen=True)
class Habit:
    """How one of the four files is written, and for a fault its line and what is said of it."""

    which: str
    text: str | bytes
    line: int | None = None
    says: tuple[str, ...] = ()


def habit(which: str, old: str, new: str, line: int | None = None, *says: str) -> Habit:
    """Return a file with one thing in it written another way."""
    text = FILES[which][1]
    assert text.count(old) >= 1, old
    return Habit(which, text.replace(old, new, 1), line, says)


def whole(which: str, text: str | bytes, line: int | None = None, *says: str) -> Habit:
    return Habit(which, text, line, says)


def write_people(folder: Path, changed: Habit | None = None) -> Path:
    """Write the four files and the logs; return the params file."""
    (folder / "bench" / "logs").mkdir(parents=True)
    for which, (name, text) in FILES.items():
        content = changed.text if changed is not None and changed.which == which else text
        data = content if isinstance(content, bytes) else content.encode("utf-8")
        (folder / name).write_bytes(data)
    for i, run in enumerate(("a1", "a2", "b1", "b2")):
        (folder / "bench" / "logs" / f"{run}.csv").write_text(
            "ms\n" + "".join(f"{10 + i + (k * 7919 % 13) / 10:.1f}\n" for k in range(200))
        )
    return folder / "people.yaml"


def claims_of(params: Path):
    review = load_review(params)
    book = make_claims(review, work_out(review))
    claims_json(book)
    return book


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    book = claims_of(write_people(tmp_path_factory.mktemp("people")))
    assert book.by_id["margin/average_fps/weir/ash-over-birch"].outcome == "ahead"
    assert "value/street/price/ash" in book.by_id
    return book


def semicolons(text: str) -> str:
    return text.replace(",", ";")


CERTAIN = {
    # YAML
    "params: carriage returns": whole("params", PARAMS.replace("\n", "\r\n")),
    "params: old line ends": whole("params", PARAMS.replace("\n", "\r")),
    "params: byte-order mark": whole("params", "\ufeff" + PARAMS),
    "params: document marks": whole("params", "---\n" + PARAMS + "...\n"),
    "params: version named": whole("params", "%YAML 1.2\n---\n" + PARAMS),
    "params: quoted date": habit("params", "2026-11-16", "'2026-11-16'"),
    "params: quoted number": habit("params", "0.95", '"0.95"'),
    "params: exponent": habit("params", "0.95", "95e-2"),
    "params: list in lines": habit("params", "[birch]", "\n  - birch"),
    "params: list not indented": habit("params", "[birch]", "\n- birch"),
    "params: remarks": habit("params", "product: ash", "# the one\nproduct: ash # new"),
    "params: hard space at the end": habit("params", "product: ash", "product: ash\u00a0"),
    "params: other order": whole("params", "\n".join(reversed(PARAMS.splitlines()[:11])) + "\n"
                                 + "\n".join(PARAMS.splitlines()[11:]) + "\n"),
    "bench: NO is a word": whole("bench", BENCH.replace("Ilm 8", "NO")),
    "bench: NO and 'NO' are alike": whole(
        "bench", BENCH.replace("Ilm 8", "NO", 1).replace("Ilm 8", "'NO'")
    ),
    "bench: 12:30 is a text": whole("bench", BENCH.replace("Ilm 8", "12:30")),
    "bench: 1.10 is a text": whole("bench", BENCH.replace("Ilm 8", "1.10")),
    "bench: 0123 is a text": whole("bench", BENCH.replace("Ilm 8", "0123")),
    "bench: on is a text": whole("bench", BENCH.replace("Ilm 8", "on")),
    # CSV
    "runs: semicolons": whole("runs", semicolons(RUNS)),
    "runs: tabs": whole("runs", RUNS.replace(",", "\t")),
    "runs: hint of the delimiter": whole("runs", "sep=;\r\n" + semicolons(RUNS)),
    "runs: byte-order mark, semicolons, empty columns": whole(
        "runs", "\ufeff" + semicolons(RUNS).replace("\n", ";;\r\n")
    ),
    "runs: UTF-16": whole("runs", RUNS.encode("utf-16")),
    "runs: old line ends": whole("runs", RUNS.replace("\n", "\r")),
    "runs: empty columns at the end": whole("runs", RUNS.replace("\n", ",,,\n")),
    "runs: empty lines": habit("runs", "\na2", "\n\n,,,,,,,\na2"),
    "runs: hard space": habit("runs", "a1,ash", "a1,ash\u00a0"),
    "runs: all quoted": whole(
        "runs",
        "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in RUNS.splitlines()),
    ),
    "prices: semicolons and decimal comma": whole(
        "prices", semicolons(PRICES).replace("1299.50", "1299,50")
    ),
    "prices: hint of the delimiter": whole("prices", "sep=;\n" + semicolons(PRICES)),
    "prices: quoted decimal comma": habit("prices", "1299.50", '"1299,50"'),
    "prices: byte-order mark": whole("prices", "\ufeff" + PRICES),
    "prices: empty columns at the end": whole("prices", PRICES.replace("\n", ",,\n")),
    "prices: capital header": habit("prices", "product,price", "Product,Price"),
}  # fmt: skip


def said(book):
    """Return what claims say, but for what holds a file's bytes: settings, hashes, controls."""
    return [
        (c.id, c.value, c.low, c.high, c.text, c.interval, c.outcome, c.runs)
        for c in book.claims
        if c.kind != "control"
    ]


@pytest.mark.parametrize("name", CERTAIN)
def test_what_has_one_meaning_is_read(tmp_path, plain, name):
    assert CERTAIN[name].text != FILES[CERTAIN[name].which][1]
    assert said(claims_of(write_people(tmp_path, CERTAIN[name]))) == said(plain)


BOMB = "a: &a [x, x, x, x, x, x, x, x]\n" + "".join(
    f"{chr(98 + i)}: &{chr(98 + i)} [{', '.join([f'*{chr(97 + i)}'] * 8)}]\n" for i in range(20)
)
PLACE = "nothing fits here; look at the indentation of this line and of those above it"
UNCERTAIN = {
    # Keys and indentation.
    "a key twice": habit("params", "titles: all", "titles: all\nproduct: birch", 10,
                         "product: the key stands twice, first on line 7; keep one of them"),
    "a key twice in braces": habit("params", "{low: percentile}", "{low: percentile, low: x}", 11,
                                   "metrics.low: the key stands twice"),
    "a product twice": habit("bench", "  birch:", "  ash:", 13, "first on line 8"),
    "a tab indents": habit("params", "  method", "\tmethod", 13,
                           "a tab indents this line; YAML is indented with spaces",
                           "method: auto"),
    "a tab after a colon": habit("params", "product: ash", "product:\tash", 7,
                                 "a tab stands here; write spaces", r"product:\tash"),
    "a tab before a remark": habit("bench", "name: People", "name: People\t# x", 2,
                                   "a tab stands here"),
    "one space too few": habit("params", "  level_band", " level_band", 16, PLACE),
    "one space too many": habit("params", "  level_band", "   level_band", 15, PLACE,
                                "level_band: 0.02"),
    "not indented": habit("params", "  method", "method", 14, PLACE),
    "no space after the colon": habit("params", "product: ash", "product:ash", 7,
                                      "a key is followed by a colon and a space", "product:ash"),
    "a wide colon": habit("params", "product: ash", "product\uff1a ash", 7, "colon and a space"),
    "an equals sign": habit("params", "product: ash", "product = ash", 7, "product = ash"),
    "two documents": whole("params", PARAMS + "---\n" + PARAMS, 19, "a second document begins"),
    "a merge key": habit("params", "margins:\n", "margins:\n  <<: {seed: 2}\n", 13,
                         'unknown key "<<"'),
    "a list for a key": habit("params", "titles: all", "titles: all\n? [a, b]\n: c", 10,
                              "a key must be a plain word"),
    "a capital key": habit("params", "titles: all", "Titles: all", 9, 'did you mean "titles"?'),
    "a key in smart quotes": habit("params", "product: ash", "\u201cproduct\u201d: ash", 7,
                                   'did you mean "product"?'),
    # Aliases, tags, size.
    "an alias bomb": whole("params", BOMB + PARAMS, 1, "anchors and aliases (&a) are not used"),
    "an alias": habit("params", "byline: The desk", "byline: *desk", 4, "anchors and aliases"),
    "a Python tag": habit("params", "A review", "!!python/name:os.system", 3,
                          "the tag 'python/name:os.system' is not used"),
    "a tag by accident": habit("params", "A review", "!important", 3,
                               "the tag '!important' is not used; a text with '!' is put in quot"),
    "nesting without end": habit("params", "A review", "[" * 5000, None, "30 levels deep"),
    "a file without end": whole("params", PARAMS + "#" * 9_000_000, None, "at most 8000000"),
    # Texts that are YAML's own signs.
    "a colon in a text": habit("params", "A review", "A review: part two", 3, PLACE,
                               "put a text that holds ': '", "title: A review: part two"),
    "an apostrophe": habit("params", "A review", "'It's here'", 3, "in quotation marks"),
    "a quotation mark left open": habit("params", "A review", '"A review', 3,
                                        "the quotation mark opened here is not closed"),
    "a bracket left open": habit("params", "A review", "[A review", 3,
                                 "the bracket opened here is not closed"),
    "an at sign": habit("params", "A review", "@home", 3,
                        "a text that begins with '@' is put in quotation marks"),
    "a percent sign": habit("params", "A review", "%home", 3, "begins with '%'"),
    "a NUL": habit("params", "The desk", "The\0desk", 4, "control character U+0000"),
    "an escape": habit("bench", "The Weir", "The \x1b[31mWeir", 19, "control character U+001B"),
    # Values.
    "a decimal comma": habit("params", "0.95", "0,95", 14,
                             "margins.confidence: found '0,95'; expected a number; write 0.95"),
    "percent": habit("params", "0.95", "95 %", 14, "found '95 %'", "write 0.95, a fraction"),
    "a percentage": habit("params", "0.95", "95", 14, "found '95'; expected a number below 1"),
    "a unit": habit("bench", "1.5", "90 s", 20, "found '90 s'", "write 90, without its unit"),
    "minutes": habit("bench", "1.5", "1:30", 20, "found '1:30'; expected a number"),
    "not a number": habit("params", "0.95", ".nan", 14, "found '.nan'; expected a number that is"),
    "infinite": habit("bench", "1.5", ".inf", 20, "found '.inf'"),
    "yes for a number": habit("params", "0.95", "yes", 14, "found 'yes'; expected a number"),
    "true for a number": habit("params", "seed: 1", "seed: true", 16,
                               "margins.seed: found 'true'; expected a number"),
    "nothing": habit("params", " 0.95", "", 14, "found nothing; expected a number"),
    "half a seed": habit("params", "seed: 1", "seed: 1.5", 16, "expected a whole number"),
    "a text for a list": habit("params", "[birch]", "birch", 8,
                               "rivals: found 'birch'; expected a list, such as [one, other]"),
    "no rival": habit("params", "[birch]", "[]", 8, "the list is empty; name at least one"),
    "a number for an id": habit("params", "review: people", "review: 1.10", 2,
                                "found '1.10'; expected text; put it in quotation marks: '1.10'"),
    "a path for an id": habit("params", "review: people", "review: ../out", 2, "found '../out'"),
    "smart quotes": habit("params", "product: ash", "product: \u201cash\u201d", 7,
                          "product: found '\u201cash\u201d'; expected small letters"),
    "1.10 is not 1.1": habit("bench", "{processor: Ilm 8}", "{processor: 1.10}", 10,
                             'processor is "1.10" on one side'),
    "a column called true": habit("bench", "column: ms", "column: true", 4,
                                  "found 'true'; expected a column's name"),
    "a column counted from 0": habit("bench", "column: ms", "column: 0", 4,
                                     "its place counted from 1"),
    "a unit in Greek": habit("bench", "unit: ms", "unit: \u00b5s", 4, 'did you mean "us"?'),
    "a delimiter that cuts numbers": habit("bench", "plain: {", "plain: {delimiter: '1', ", 4,
                                           "would cut names and numbers in two"),
    "a delimiter that is none": habit("bench", "plain: {", 'plain: {delimiter: "\\0", ', 4,
                                      "cannot part cells"),
    "no locale": habit("params", "titles: all", "titles: all\nlocale: xx_YY", 10,
                       "no locale 'xx_YY' is known; write a language such as en"),
    "a sign of a currency": habit("params", "EUR", "\u20ac", 18,
                                  "found '\u20ac'; expected three capitals, such as EUR"),
    # Dates.
    "day first": habit("params", "2026-11-16", "16.11.2026", 5,
                       "found '16.11.2026'; expected a date written 2026-11-25"),
    "month first": habit("params", "2026-11-16", "11/16/2026", 5, "date written 2026-11-25"),
    "a day that is none": habit("params", "2026-11-16", "2026-02-30", 5, "'2026-02-30'"),
    "a year": habit("params", "2026-11-16", "2026", 5, "date written 2026-11-25"),
    "a date without signs": habit("params", "2026-11-16", "20261116", 5, "found '20261116'"),
    "seconds since 1970": habit("params", "2026-11-16", "1763251200", 5, "found '1763251200'"),
    # Encodings.
    "params in Latin-1": whole("params", PARAMS.replace("desk", "B\u00fcro").encode("latin-1"), 4,
                               "not UTF-8 text; save the file as UTF-8"),
    "params in UTF-16": whole("params", PARAMS.encode("utf-16"), 1, "not UTF-8 text"),
    "runs in a code page": whole("runs", RUNS.replace("s1,1.10", "B\u00fcro,1.10").encode("cp1252"),
                                 2, "save the sheet as CSV in UTF-8"),
    "runs as a workbook": whole("runs", b"PK\x03\x04" + bytes(range(256)), 2, "not UTF-8 text"),
    "runs as a web page": whole("runs", "<html><body>log in</body></html>", 1,
                                "run: the column is missing", "<html>"),
    # Cells.
    "runs: smart quotes": habit("runs", "a1,ash", "a1,\u201cash\u201d", 2, 'did you mean "ash"?'),
    "runs: a space of no width": habit("runs", "a1,ash", "a1,ash\u200b", 2, 'did you mean "ash"?'),
    "runs: a capital": habit("runs", "a1,ash", "a1,Ash", 2, 'did you mean "ash"?'),
    "runs: day first": habit("runs", "2026-11-01T08:00:00+00:00", "01.11.2026 08:00", 2,
                             "began: found '01.11.2026 08:00'", "2026-11-25T08:36:00+00:00"),
    "runs: a day as a number": habit("runs", "2026-11-01T08:00:00+00:00", "46327.33", 2,
                                     "format the column as text"),
    "runs: a formula": habit("runs", "logs/a1.csv", "=B2", 2, "'=B2' is a formula"),
    "runs: a failed formula": habit("runs", "s1,1.10", "s1,#N/A", 2, "driver: #N/A is what a"),
    "runs: a decimal comma": habit("runs", "s1,1.10", "s1,1,10", 2, "beyond the last column",
                                   "put in quotation marks"),
    "runs: a backslash": habit("runs", "logs/a1.csv", "logs\\a1.csv", 2, "forward slashes"),
    "runs: a row twice": whole("runs", RUNS + "b2,birch,weir,plain,logs/b2.csv\n", 6,
                               '"b2" is used twice, first on line 5'),
    "runs: a quotation mark left open": habit("runs", "s2,1.10\nb1", 's2,"1.10\nb1', 3,
                                              "a quotation mark is not closed"),
    "runs: a cell without end": habit("runs", "s1,1.10", "s1," + "x" * 200_000, 2,
                                      "field larger than field limit"),
    "prices: thousands": habit("prices", "1299.50", '"1,299.50"', 2, "write 1299.50"),
    "prices: thousands or not": habit("prices", "1299.50", '"1,299"', 2,
                                      "can be read two ways; write 1299 or 1.29"),
    "prices: a currency sign": habit("prices", "1299.50", "\u20ac1299.50", 2, "is not a number"),
    "prices: a formula": habit("prices", "1299.50", "=1299.50", 2, "is not a number"),
    "prices: 400 digits": habit("prices", "1299.50", "9" * 400, 2, "is no price"),
    "prices: day first": habit("prices", "2026-11-01,shop", "01.11.2026,shop", 2,
                               "write 2026-11-01 or 2026-01-11"),
    "prices: a day as a number": habit("prices", "2026-11-01,shop", "46327,shop", 2,
                                       "write a date such as 2026-11-25"),
    "prices: a NUL": habit("prices", "shop", "sh\0op", 2, "NUL character"),
}  # fmt: skip


@pytest.mark.parametrize("name", UNCERTAIN)
def test_what_could_be_misread_is_told_with_line_and_way_out(tmp_path, name):
    case = UNCERTAIN[name]
    params = write_people(tmp_path, case)
    with pytest.raises(KitError) as caught:
        claims_of(params)
    faults = caught.value.faults
    file = "people.yaml" if name == "1.10 is not 1.1" else FILES[case.which][0]
    fitting = [f for f in faults if f.file == file and f.line == case.line]
    assert fitting, str(caught.value)
    for part in case.says:
        assert any(part in str(fault) for fault in fitting), str(caught.value)
    assert all(len(str(fault)) < 500 for fault in faults)
    assert len(faults) <= 3, str(caught.value)
