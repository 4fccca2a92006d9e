"""Files as people keep them, and in one table every wrong one: its text and what is said of it.

`tests/whole/test_people.py` reads each by the reader of its kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

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


ANY = "any"
ROOT = Path(__file__).parents[2]
DEMO = (ROOT / "params" / "demo.yaml").read_text(encoding="utf-8")
SHEET_HEAD = (
    "run,product,title,layout,log,began,session,status,reason,average_fps,low_1pct_fps,value,unit\n"
)
TYPED = "run;product;title;average_fps;low_1pct_fps;value;unit\n"
PRICES_HEAD = "product,price,currency,kind,date,source,note\n"
SEMICOLONS = PRICES_HEAD.replace(",", ";")


@dataclass(frozen=True)
class Wrong:
    """A wrong file: by which reader it is read, its text, and what one of its faults says.

    `line` and `key` are the fault's, where they are told here; `most`: how many faults there may be.
    """

    which: str
    text: str | bytes
    says: Sequence[str]
    line: int | str | None = ANY
    key: str | None = ANY
    most: int = 99


def changed(text: str, old: str, new: str) -> str:
    """Return a text with one thing in it written another way."""
    assert old in text, old
    return text.replace(old, new, 1)


def habit_fault(which: str, old: str, new: str, line: int | None, *says: str) -> Wrong:
    return Wrong(which, changed(FILES[which][1], old, new), says, line, most=3)


def whole_fault(which: str, text: str | bytes, line: int | None, *says: str) -> Wrong:
    return Wrong(which, text, says, line, most=3)


BOMB = "a: &a [x, x, x, x, x, x, x, x]\n" + "".join(
    f"{chr(98 + i)}: &{chr(98 + i)} [{', '.join([f'*{chr(97 + i)}'] * 8)}]\n" for i in range(20)
)
PLACE = "nothing fits here; look at the indentation of this line and of those above it"
WRONG = {
    # What people write, read along the whole path.
    # Keys and indentation.
    "a key twice": habit_fault("params", "titles: all", "titles: all\nproduct: birch", 10,
                         "product: the key stands twice, first on line 7; keep one of them"),
    "a key twice in braces": habit_fault("params", "{low: percentile}", "{low: percentile, low: x}", 11,
                                   "metrics.low: the key stands twice"),
    "a product twice": habit_fault("bench", "  birch:", "  ash:", 13, "first on line 8"),
    "a tab indents": habit_fault("params", "  method", "\tmethod", 13,
                           "a tab indents this line; YAML is indented with spaces",
                           "method: auto"),
    "a tab after a colon": habit_fault("params", "product: ash", "product:\tash", 7,
                                 "a tab stands here; write spaces", r"product:\tash"),
    "a tab before a remark": habit_fault("bench", "name: People", "name: People\t# x", 2,
                                   "a tab stands here"),
    "one space too few": habit_fault("params", "  level_band", " level_band", 15, PLACE,
                               "level_band: 0.02"),
    "one space too many": habit_fault("params", "  level_band", "   level_band", 15, PLACE,
                                "level_band: 0.02"),
    "not indented": habit_fault("params", "  method", "method", 14, PLACE),
    "no space after the colon": habit_fault("params", "product: ash", "product:ash", 7,
                                      "a key is followed by a colon and a space", "product:ash"),
    "a wide colon": habit_fault("params", "product: ash", "product\uff1a ash", 7, "colon and a space"),
    "an equals sign": habit_fault("params", "product: ash", "product = ash", 7, "product = ash"),
    "two documents": whole_fault("params", PARAMS + "---\n" + PARAMS, 19, "a second document begins"),
    "a merge key": habit_fault("params", "margins:\n", "margins:\n  <<: {seed: 2}\n", 13,
                         'unknown key "<<"'),
    "a list for a key": habit_fault("params", "titles: all", "titles: all\n? [a, b]\n: c", 10,
                              "a key must be a plain word"),
    "a capital key": habit_fault("params", "titles: all", "Titles: all", 9, 'did you mean "titles"?'),
    "a key in smart quotes": habit_fault("params", "product: ash", "\u201cproduct\u201d: ash", 7,
                                   'did you mean "product"?'),
    # Aliases, tags, size.
    "an alias bomb": whole_fault("params", BOMB + PARAMS, 1, "anchors and aliases (&a) are not used"),
    "an alias": habit_fault("params", "byline: The desk", "byline: *desk", 4, "anchors and aliases"),
    "a Python tag": habit_fault("params", "A review", "!!python/name:os.system", 3,
                          "the tag 'python/name:os.system' is not used"),
    "a tag by accident": habit_fault("params", "A review", "!important", 3,
                               "the tag '!important' is not used; a text with '!' is put in quot"),
    "nesting without end": habit_fault("params", "A review", "[" * 5000, None, "30 levels deep"),
    "a file without end": whole_fault("params", PARAMS + "#" * 9_000_000, None, "at most 8000000"),
    # Texts that are YAML's own signs.
    "a colon in a text": habit_fault("params", "A review", "A review: part two", 3, PLACE,
                               "put a text that holds ': '", "title: A review: part two"),
    "an apostrophe": habit_fault("params", "A review", "'It's here'", 3, "in quotation marks"),
    "a quotation mark left open": habit_fault("params", "A review", '"A review', 3,
                                        "the quotation mark opened here is not closed"),
    "a bracket left open": habit_fault("params", "A review", "[A review", 3,
                                 "the bracket opened here is not closed"),
    "an at sign": habit_fault("params", "A review", "@home", 3,
                        "a text that begins with '@' is put in quotation marks"),
    "a percent sign": habit_fault("params", "A review", "%home", 3, "begins with '%'"),
    "a NUL": habit_fault("params", "The desk", "The\0desk", 4, "control character U+0000"),
    "an escape": habit_fault("bench", "The Weir", "The \x1b[31mWeir", 19, "control character U+001B"),
    # Values.
    "a decimal comma": habit_fault("params", "0.95", "0,95", 14,
                             "margins.confidence: found '0,95'; expected a number; write 0.95"),
    "percent": habit_fault("params", "0.95", "95 %", 14, "found '95 %'", "write 0.95, a fraction"),
    "a percentage": habit_fault("params", "0.95", "95", 14, "found '95'; expected a number below 1"),
    "a unit": habit_fault("bench", "1.5", "90 s", 20, "found '90 s'", "write 90, without its unit"),
    "minutes": habit_fault("bench", "1.5", "1:30", 20, "found '1:30'; expected a number"),
    "not a number": habit_fault("params", "0.95", ".nan", 14, "found '.nan'; expected a number that is"),
    "infinite": habit_fault("bench", "1.5", ".inf", 20, "found '.inf'"),
    "yes for a number": habit_fault("params", "0.95", "yes", 14, "found 'yes'; expected a number"),
    "true for a number": habit_fault("params", "seed: 1", "seed: true", 16,
                               "margins.seed: found 'true'; expected a number"),
    "nothing": habit_fault("params", " 0.95", "", 14, "found nothing; expected a number"),
    "half a seed": habit_fault("params", "seed: 1", "seed: 1.5", 16, "expected a whole number"),
    "a text for a list": habit_fault("params", "[birch]", "birch", 8,
                               "rivals: found 'birch'; expected a list, such as [one, other]"),
    "no rival": habit_fault("params", "[birch]", "[]", 8, "the list is empty; name at least one"),
    "a number for an id": habit_fault("params", "review: people", "review: 1.10", 2,
                                "found '1.10'; expected text; put it in quotation marks: '1.10'"),
    "a path for an id": habit_fault("params", "review: people", "review: ../out", 2, "found '../out'"),
    "smart quotes": habit_fault("params", "product: ash", "product: \u201cash\u201d", 7,
                          "product: found '\u201cash\u201d'; expected small letters"),
    "1.10 is not 1.1": habit_fault("bench", "{processor: Ilm 8}", "{processor: 1.10}", 10,
                             'processor is "1.10" on one side'),
    "a column called true": habit_fault("bench", "column: ms", "column: true", 4,
                                  "found 'true'; expected a column's name"),
    "a column counted from 0": habit_fault("bench", "column: ms", "column: 0", 4,
                                     "its place counted from 1"),
    "a unit in Greek": habit_fault("bench", "unit: ms", "unit: \u00b5s", 4, 'did you mean "us"?'),
    "a delimiter that cuts numbers": habit_fault("bench", "plain: {", "plain: {delimiter: '1', ", 4,
                                           "would cut names and numbers in two"),
    "a delimiter that is none": habit_fault("bench", "plain: {", 'plain: {delimiter: "\\0", ', 4,
                                      "cannot part cells"),
    "no locale": habit_fault("params", "titles: all", "titles: all\nlocale: xx_YY", 10,
                       "no locale 'xx_YY' is known; write a language such as en"),
    "a sign of a currency": habit_fault("params", "EUR", "\u20ac", 18,
                                  "found '\u20ac'; expected three capitals, such as EUR"),
    # Dates.
    "day first": habit_fault("params", "2026-11-16", "16.11.2026", 5,
                       "found '16.11.2026'; expected a date written 2026-11-25"),
    "month first": habit_fault("params", "2026-11-16", "11/16/2026", 5, "date written 2026-11-25"),
    "a day that is none": habit_fault("params", "2026-11-16", "2026-02-30", 5, "'2026-02-30'"),
    "a year": habit_fault("params", "2026-11-16", "2026", 5, "date written 2026-11-25"),
    "a date without signs": habit_fault("params", "2026-11-16", "20261116", 5, "found '20261116'"),
    "seconds since 1970": habit_fault("params", "2026-11-16", "1763251200", 5, "found '1763251200'"),
    # Encodings.
    "params in Latin-1": whole_fault("params", PARAMS.replace("desk", "B\u00fcro").encode("latin-1"), 4,
                               "not UTF-8 text; save the file as UTF-8"),
    "params in UTF-16": whole_fault("params", PARAMS.encode("utf-16"), 1, "not UTF-8 text"),
    "runs in a code page": whole_fault("runs", RUNS.replace("s1,1.10", "B\u00fcro,1.10").encode("cp1252"),
                                 2, "save the sheet as CSV in UTF-8"),
    "runs as a damaged workbook": whole_fault(
        "runs", b"PK\x03\x04" + bytes(range(256)), None, "damaged zip archive", "copy it again"
    ),
    "runs as a web page": whole_fault("runs", "<html><body>log in</body></html>", 1,
                                "run: the column is missing", "<html>"),
    # Cells.
    "runs: smart quotes": habit_fault("runs", "a1,ash", "a1,\u201cash\u201d", 2, 'did you mean "ash"?'),
    "runs: a space of no width": habit_fault("runs", "a1,ash", "a1,ash\u200b", 2, 'did you mean "ash"?'),
    "runs: a capital": habit_fault("runs", "a1,ash", "a1,Ash", 2, 'did you mean "ash"?'),
    "runs: day first": habit_fault("runs", "2026-11-01T08:00:00+00:00", "01.11.2026 08:00", 2,
                             "began: found '01.11.2026 08:00'", "2026-11-25T08:36:00+00:00"),
    "runs: a day as a number": habit_fault("runs", "2026-11-01T08:00:00+00:00", "46327.33", 2,
                                     "format the column as text"),
    "runs: a formula": habit_fault("runs", "logs/a1.csv", "=B2", 2, "'=B2' is a formula"),
    "runs: a failed formula": habit_fault("runs", "s1,1.10", "s1,#N/A", 2, "driver: #N/A is what a"),
    "runs: a decimal comma": habit_fault("runs", "s1,1.10", "s1,1,10", 2, "beyond the last column",
                                   "put in quotation marks"),
    "runs: a backslash": habit_fault("runs", "logs/a1.csv", "logs\\a1.csv", 2, "forward slashes"),
    "runs: a row twice": whole_fault("runs", RUNS + "b2,birch,weir,plain,logs/b2.csv\n", 6,
                               '"b2" is used twice, first on line 5'),
    "runs: a quotation mark left open": habit_fault("runs", "s2,1.10\nb1", 's2,"1.10\nb1', 3,
                                              "a quotation mark is not closed"),
    "runs: a cell without end": habit_fault("runs", "s1,1.10", "s1," + "x" * 200_000, 2,
                                      "field larger than field limit"),
    "prices: thousands": habit_fault("prices", "1299.50", '"1,299.50"', 2, "write 1299.50"),
    "prices: thousands or not": habit_fault("prices", "1299.50", '"1,299"', 2,
                                      "can be read two ways; write 1299 or 1.29"),
    "prices: a currency sign": habit_fault("prices", "1299.50", "\u20ac1299.50", 2, "is not a number"),
    "prices: a formula": habit_fault("prices", "1299.50", "=1299.50", 2, "is not a number"),
    "prices: 400 digits": habit_fault("prices", "1299.50", "9" * 400, 2, "is no price"),
    "prices: day first": habit_fault("prices", "2026-11-01,shop", "01.11.2026,shop", 2,
                               "write 2026-11-01 or 2026-01-11"),
    "prices: a day as a number": habit_fault("prices", "2026-11-01,shop", "46327,shop", 2,
                                       "write a date such as 2026-11-25"),
    "prices: a NUL": habit_fault("prices", "shop", "sh\0op", 2, "NUL character"),
    # The strict reader of YAML.
    "yaml: line 2, inner: the key stands twice": Wrong("yaml", "inner: {wide_s: 1}\ninner: {wide_s: 2}\n",
        ["line 2, inner: the key stands twice"]),
    "yaml: line 2: a tab indents this line": Wrong("yaml", "inner:\n\twide_s: 1\n",
        ["line 2: a tab indents this line"]),
    "yaml: line 1: anchors and aliases (&a)": Wrong("yaml", "driver: &a x\ninner: {wide_s: 1}\n",
        ["line 1: anchors and aliases (&a)"]),
    "yaml: the file is empty": Wrong("yaml", "", ["the file is empty"]),
    "yaml: expected keys with values": Wrong("yaml", "- a\n- b\n", ["expected keys with values"]),
    "yaml: line 1: the bracket opened here is not closed": Wrong("yaml", "inner: {wide_s: 1\n",
        ["line 1: the bracket opened here is not closed"]),
    "yaml: line 1, inner.wide_s: found 'one'; expected a number": Wrong("yaml", "inner: {wide_s: one}\n",
        ["line 1, inner.wide_s: found 'one'; expected a number"]),
    'yaml: unknown key "wide"; did you mean "wide_s"?': Wrong("yaml", "inner: {wide: 1, wide_s: 1}\n",
        ['unknown key "wide"; did you mean "wide_s"?']),
    'yaml: did you mean "wide_s"?': Wrong("yaml", "many: {x: {wide_ss: 1}}\ninner: {wide_s: 1}\n",
        ['did you mean "wide_s"?']),
    "yaml: line 1, inner: found '5'; expected keys with values": Wrong("yaml", "inner: 5\n",
        ["line 1, inner: found '5'; expected keys with values"]),
    'yaml: the key "inner" is missing': Wrong("yaml", "driver: x\n",
        ['the key "inner" is missing']),
    "yaml: line 1: not UTF-8 text": Wrong("yaml", b"driver: \xff\ninner: {wide_s: 1}\n",
        ["line 1: not UTF-8 text"]),
    "yaml: line 1": Wrong("yaml", "driver: !!python/object:os.system x\ninner: {wide_s: 1}\n",
        ["line 1"]),
    # Params that were right before one thing was mistyped.
    "demo: product: fenock-9-travel": Wrong("demo", changed(DEMO, "product: fennock-9-travel\n", "product: fenock-9-travel\n"),
        ['product: no product "fenock-9-travel" in bench.yaml; did you mean "fennock-9-travel"?']),
    "demo: confidence: 95": Wrong("demo", changed(DEMO, "  confidence: 0.95", "  confidence: 95"),
        ["margins.confidence: found '95'"]),
    "demo: confidnce: 0.95": Wrong("demo", changed(DEMO, "  confidence: 0.95", "  confidnce: 0.95"),
        ['did you mean "confidence"?']),
    "demo: method: welsh": Wrong("demo", changed(DEMO, "  method: auto", "  method: welsh"),
        ['did you mean "welch"?']),
    "demo: titles: [no-such]": Wrong("demo", changed(DEMO, "titles: all", "titles: [no-such]"),
        ['titles[0]: no title "no-such" in bench.yaml']),
    "demo: bench: ../nowhere": Wrong("demo", changed(DEMO, "bench: ../example_runs", "bench: ../nowhere"),
        ['"../nowhere" is not a bench']),
    "demo: date: 16.11.2026": Wrong("demo", changed(DEMO, "date: 2026-11-16", "date: 16.11.2026"),
        ["expected a date written 2026-11-25"]),
    "demo: level_band: 2": Wrong("demo", changed(DEMO, "  level_band: 0.02", "  level_band: 2"),
        ["margins.level_band: found '2'"]),
    "demo: ": Wrong("demo", changed(DEMO, "  seed: 20261116", ""), ['the key "seed" is missing']),
    "demo: text: none.md": Wrong("demo", changed(DEMO, "text: demo.md", "text: none.md"),
        ['no such file: "none.md"']),
    "demo: - fennock-9-travel": Wrong("demo", changed(DEMO, "  - tarnquill-sedge-travel # the cheaper one", "  - fennock-9-travel"),
        ['rivals: "fennock-9-travel" is the product itself']),
    # The run sheet.
    "sheet: same id": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,x.csv\nb,alder-4,weir,plain,y.csv\na,alder-4,weir,plain,z.csv",
        ['line 4, run: "a" is used twice, first on line 2; every run has its own id'], most=1),
    "sheet: no id": Wrong("sheet", SHEET_HEAD + ",alder-4,weir,plain,x.csv",
        ["line 2, run: the cell is empty"], most=1),
    "sheet: bad id": Wrong("sheet", SHEET_HEAD + "a b,alder-4,weir,plain,x.csv",
        ["line 2, run: found 'a b'"], most=1),
    "sheet: product": Wrong("sheet", SHEET_HEAD + "a,alder4,weir,plain,x.csv",
        ['line 2, product: no product "alder4" in bench.yaml; did you mean "alder-4"?'], most=1),
    "sheet: smart quotes": Wrong("sheet", SHEET_HEAD + "a,\u201calder-4\u201d,weir,plain,x.csv",
        ['did you mean "alder-4"?'], most=1),
    "sheet: title": Wrong("sheet", SHEET_HEAD + "a,alder-4,wier,plain,x.csv",
        ['did you mean "weir"?'], most=1),
    "sheet: no title": Wrong("sheet", SHEET_HEAD + "a,alder-4,,plain,x.csv",
        ["line 2, title: the cell is empty"], most=1),
    "sheet: layout": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plan,x.csv",
        ['no layout "plan" in bench.yaml; did you mean'], most=1),
    "sheet: no layout": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,x.dat",
        ['"x.dat" fits none by its name; name the layout'], most=1),
    "sheet: out": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,../x.csv",
        ["leads out of the bench folder"], most=1),
    "sheet: absolute": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,/x.csv",
        ["leads out of the bench folder"], most=1),
    "sheet: drive": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,C:/x.csv",
        ["leads out of the bench folder"], most=1),
    "sheet: backslash": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,logs\\x.csv",
        ["with forward slashes"], most=1),
    "sheet: both": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,x.csv,,,,,60",
        ["a log and a figure typed in"], most=1),
    "sheet: neither": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir",
        ["line 2, log: the row has neither a log nor a figure"], most=1),
    "sheet: reason": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,crashed",
        ['line 2, reason: the cell is empty; status "c'], most=1),
    "sheet: status": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,crash,x",
        ["found 'crash'; expected ran, crashed, refu"], most=1),
    "sheet: typed and crashed": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,crashed,x,60",
        ['status is "crashed"'], most=1),
    "sheet: letters": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,,,6o",
        ["average_fps: found '6o'; expected a number"], most=1),
    "sheet: comma": Wrong("sheet", SHEET_HEAD + 'a,alder-4,weir,,,,,,,"61,5"',
        ["found '61,5'; expected a number such as 61.5"], most=1),
    "sheet: unit": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,,,61 fps",
        ["found '61 fps'; expected a number"], most=1),
    "sheet: zero": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,,,0",
        ["average_fps: found '0'; a frame rate is above zero"], most=1),
    "sheet: NaN": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,,,nan",
        ["average_fps: found 'nan'"], most=1),
    "sheet: low": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,,,60,61",
        ["low_1pct_fps: 61 is above average_fps"], most=1),
    "sheet: low alone": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,,,,61",
        ["average_fps: the cell is empty, but 1 % low"], most=1),
    "sheet: date": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,x.csv,5/1/2026",
        ["began: found '5/1/2026'; expected a d"], most=1),
    "sheet: no such day": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,x.csv,2026-02-30",
        ["began: found '2026-02-30'"], most=1),
    "sheet: serial date": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,x.csv,45987.35",
        ["began: found '45987.35'"], most=1),
    "sheet: value": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,,,,,,,,,9",
        ['title "weir" measures frames'], most=1),
    "sheet: log of value": Wrong("sheet", SHEET_HEAD + "a,alder-4,sorting,plain,x.csv",
        ["measures duration; its result is ty"], most=1),
    "sheet: frames of value": Wrong("sheet", SHEET_HEAD + "a,alder-4,sorting,,,,,,,60",
        ["type the result in as value"], most=1),
    "sheet: other unit": Wrong("sheet", SHEET_HEAD + "a,alder-4,sorting,,,,,,,,,60,min",
        ["results of this title are in s"], most=1),
    "sheet: negative time": Wrong("sheet", SHEET_HEAD + "a,alder-4,sorting,,,,,,,,,-1,s",
        ["value: -1 is not above zero"], most=1),
    "sheet: formula": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,=B2,,",
        ["log: '=B2' is a formula; write the value"], most=1),
    "sheet: broken formula": Wrong("sheet", SHEET_HEAD + "a,alder-4,weir,plain,x.csv,,#REF!",
        ["#REF! is what a spreadsheet w"], most=1),
    "sheet: slip": Wrong("sheet", SHEET_HEAD.replace("session", "sesion") + "a,alder-4,weir,plain,x.csv",
        ['line 1, sesion: unknown column; did you mean "session"?'], most=1),
    "sheet: capital": Wrong("sheet", SHEET_HEAD.replace("reason", "Reason") + "a,alder-4,weir,plain,x.csv",
        ['"reason"?'], most=1),
    "sheet: control": Wrong("sheet", SHEET_HEAD.strip() + ",drivers\na,alder-4,weir,plain,x.csv",
        ['did you mean "driver"?'], most=1),
    "sheet: no column": Wrong("sheet", "run,title\na,weir",
        ["line 1, product: the column is missing"], most=1),
    "sheet: not a sheet": Wrong("sheet", "hello\nworld",
        ["the column is missing; the first line holds 'hello'"]),
    "sheet: column twice": Wrong("sheet", "run,product,title,log,log\n",
        ["line 1, log: two columns have this name"], most=1),
    "sheet: no name": Wrong("sheet", "run,product,title,,log\n",
        ["line 1: column 4 has no name"], most=1),
    "sheet: beyond": Wrong("sheet", "run,product,title\na,alder-4,weir,x\n",
        ["'x' stands beyond the last column"], most=1),
    "sheet: open quote": Wrong("sheet", SHEET_HEAD + 'a,alder-4,weir,plain,x.csv,,,,"no',
        ["line 2: a quotation mark is not cl"], most=1),
    "sheet: empty": Wrong("sheet", "", ["the file is empty"], most=1),
    "sheet: blank": Wrong("sheet", ",,,\n;;\n", ["the file is empty"], most=1),
    "sheet: latin-1": Wrong("sheet", "run,product,title\na,b\u00fc,c".encode("latin-1"),
        ["line 2: not UTF-8 text"], most=1),
    "sheet: NUL": Wrong("sheet", "run,product,title\na\0,b,c",
        ["line 2: holds a NUL character"], most=1),
    "sheet: thousands": Wrong("sheet", TYPED + "a;alder-4;sorting;;;1.234;s",
        ["may mean 1234 or 1,2340"], most=1),
    # Prices.
    'a date: 31.12.2026': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,31.12.2026,shop,\n",
        ["write 2026-12-31"], 2, "date", most=1),
    'a date: 12/31/2026': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,12/31/2026,shop,\n",
        ["write 2026-12-31"], 2, "date", most=1),
    'a date: 3/4/2026': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,3/4/2026,shop,\n",
        ["write 2026-04-03 or 2026-03-04"], 2, "date", most=1),
    'a date: 4.4.26': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,4.4.26,shop,\n",
        ["write 2026-04-04"], 2, "date", most=1),
    'a date: 2026/5/1': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,2026/5/1,shop,\n",
        ["write 2026-05-01"], 2, "date", most=1),
    'a date: 2026-5-1': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,2026-5-1,shop,\n",
        ["write 2026-05-01"], 2, "date", most=1),
    'a date: 2026-05-01 00:00:00': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,2026-05-01 00:00:00,shop,\n",
        ["write 2026-05-01"], 2, "date", most=1),
    'a date: May 2026': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,May 2026,shop,\n",
        ["a date such as 2026-11-25"], 2, "date", most=1),
    'a date: ': Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,street,,shop,\n",
        ["empty"], 2, "date", most=1),
    'a price: 1.499': Wrong("price list", SEMICOLONS + "fold-a;1.499;EUR;street;2026-05-01;shop;\n",
        ["write 1499 or 1.49"], 2, "price", most=1),
    'a price: 1,499': Wrong("price list", SEMICOLONS + "fold-a;1,499;EUR;street;2026-05-01;shop;\n",
        ["write 1499 or 1.49"], 2, "price", most=1),
    'a price: 1.499,00': Wrong("price list", SEMICOLONS + "fold-a;1.499,00;EUR;street;2026-05-01;shop;\n",
        ["write 1499.00"], 2, "price", most=1),
    'a price: 1,499.50': Wrong("price list", SEMICOLONS + "fold-a;1,499.50;EUR;street;2026-05-01;shop;\n",
        ["write 1499.50"], 2, "price", most=1),
    "a price: 1'499": Wrong("price list", SEMICOLONS + "fold-a;1'499;EUR;street;2026-05-01;shop;\n",
        ["write 1499"], 2, "price", most=1),
    'a price: 1\u202f499,5': Wrong("price list", SEMICOLONS + "fold-a;1\u202f499,5;EUR;street;2026-05-01;shop;\n",
        ["write 1499.5"], 2, "price", most=1),
    'a price: 1.234.567': Wrong("price list", SEMICOLONS + "fold-a;1.234.567;EUR;street;2026-05-01;shop;\n",
        ["write 1234567"], 2, "price", most=1),
    'a price: 0': Wrong("price list", SEMICOLONS + "fold-a;0;EUR;street;2026-05-01;shop;\n",
        ["not above 0"], 2, "price", most=1),
    'a price: EUR 900': Wrong("price list", SEMICOLONS + "fold-a;EUR 900;EUR;street;2026-05-01;shop;\n",
        ["not a number"], 2, "price", most=1),
    'a price: nan': Wrong("price list", SEMICOLONS + "fold-a;nan;EUR;street;2026-05-01;shop;\n",
        ["not a number"], 2, "price", most=1),
    'a price: 1e3': Wrong("price list", SEMICOLONS + "fold-a;1e3;EUR;street;2026-05-01;shop;\n",
        ["not a number"], 2, "price", most=1),
    'a price: ': Wrong("price list", SEMICOLONS + "fold-a;;EUR;street;2026-05-01;shop;\n",
        ["a price that is not known has no row"], 2, "price", most=1),
    "a row: belongs to no product": Wrong("price list", PRICES_HEAD + "fold-a,1.08,USD,rate,2026-05-01,bank," + "\n",
        ["belongs to no product"], 2, "product"),
    "a row: empty": Wrong("price list", PRICES_HEAD + ",900,EUR,street,2026-05-01,shop," + "\n",
        ["empty"], 2, "product"),
    "a row: three capitals": Wrong("price list", PRICES_HEAD + "fold-a,900,USD/EUR,street,2026-05-01,shop," + "\n",
        ["three capitals"], 2, "currency"),
    "a row: value.scenarios": Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,scenario,2026-05-01,shop," + "\n",
        ["value.scenarios"], 2, "kind"),
    "a row: one word": Wrong("price list", PRICES_HEAD + "fold-a,900,EUR,second hand,2026-05-01,shop," + "\n",
        ["one word"], 2, "kind"),
    "a row: decimal comma, is put in quotation marks": Wrong("price list", PRICES_HEAD + "fold-a,900,50,EUR,street,2026-05-01,shop,note" + "\n",
        ["decimal comma, is put in quotation marks"], 2, None),
    'a table: did you mean "source"?': Wrong("price list", PRICES_HEAD.replace("source", "sorce"),
        ['did you mean "source"?']),
    'a table: "currency" is missing': Wrong("price list", PRICES_HEAD.replace("currency,", ""),
        ['"currency" is missing']),
    "a table: two columns have this name": Wrong("price list", PRICES_HEAD.replace("note", "price"),
        ["two columns have this name"]),
    'a table: "Price" stands twice': Wrong("price list", PRICES_HEAD.replace("note", "Price"),
        ['"Price" stands twice']),
    "a table: the file is empty": Wrong("price list", "", ["the file is empty"]),
    "a table: quotation mark": Wrong("price list", PRICES_HEAD + 'fold-a,900,EUR,street,2026-05-01,"shop,\n',
        ["quotation mark"]),
    "a table: UTF-8": Wrong("price list", PRICES_HEAD.encode() + b"fold-a,900,EUR,street,2026-05-01,caf\xe9,\n",
        ["UTF-8"]),
}  # fmt: skip
