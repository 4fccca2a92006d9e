"""Observed prices: the rows of `prices.csv`.

No exchange rate is ever fetched. A rate is a row like any other price, with its date and source.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from kit.bench.runs import SheetText
from kit.errors import BenchError, Fault, did_you_mean
from kit.settings.bench_file import Bench

_REQUIRED = ("product", "price", "currency", "kind", "date", "source")
COLUMNS = (*_REQUIRED, "note")
RATE = "rate"
LAUNCH = "launch"
SCENARIO = "scenario-"
_HIGHEST = 1e15
_CURRENCY, _PAIR = re.compile("[A-Z]{3}"), re.compile("[A-Z]{3}/[A-Z]{3}")


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One observed price: a row of `prices.csv`.

    Attributes
    ----------
    product : str
        Its id in `bench.yaml`; empty for a rate.
    price : float
        Above 0, in `currency`. Of a rate: how many units of the review's currency one unit of
        `currency` cost.
    currency : str
        Three capitals. Of a rate it may be a pair such as ``USD/EUR``: how many EUR one USD cost,
        and only a review in EUR uses it.
    kind : str
        launch, street, used, rate, ...
    date : date
        When it was seen.
    source, note : str
        Where it was seen, and what else is known.
    line : int
        Its line of the file.
    """

    product: str
    price: float
    currency: str
    kind: str  # launch, street, used, rate, ...
    date: dt.date
    source: str
    note: str = ""
    line: int = 0

    @property
    def of_pair(self) -> bool:
        """Whether it is a rate of a pair of currencies, such as ``USD/EUR``."""
        return _PAIR.fullmatch(self.currency) is not None


def read_prices(bench: Bench) -> tuple[PriceRow, ...]:
    """Return the rows of a bench's `prices.csv`, in the file's order.

    Read as the run sheet is, however a spreadsheet keeps it; a decimal comma too. A bench
    without `prices.csv` has no prices.

    Raises
    ------
    BenchError
        With every fault of the file: line, column, what was found, what to write instead.
    """
    path, file = bench.folder / "prices.csv", f"{bench.folder.name}/prices.csv"
    if not path.exists():
        return ()
    return parse_prices(SheetText.read(path, file=file), bench)


def parse_prices(sheet: SheetText, bench: Bench) -> tuple[PriceRow, ...]:
    """Return the rows of a price list from its cells; faults as `read_prices`."""
    file = sheet.file
    names = [cell.casefold() for cell in sheet.header]
    faults = _header_faults(sheet, names)
    BenchError.raise_if(faults)
    rows: list[PriceRow] = []
    first: dict[PriceRow, int] = {}
    for line, cells in sheet.rows:
        row = _read_row(dict(zip(names, cells, strict=True)), line, bench)
        if isinstance(row, dict):
            faults += [Fault(file, problem, line, column) for column, problem in row.items()]
            continue
        rows.append(row)
        seen = first.setdefault(replace(row, line=0, note=""), line)
        if seen != line:
            said = (
                f"the same observation as line {seen}; it would count twice, so delete one of "
                "them (two offers of one day differ in their source)"
            )
            faults.append(Fault(file, said, line))
    BenchError.raise_if(faults)
    return tuple(rows)


def _header_faults(sheet: SheetText, names: Sequence[str]) -> list[Fault]:
    """Return what is wrong with the columns; `names` are theirs in small letters."""
    faults = []
    for name, cell in zip(names, sheet.header, strict=True):
        if names.count(name) > 1:
            said = f'the column "{cell}" stands twice'
        elif name not in COLUMNS:
            said = f'unknown column "{cell}"{did_you_mean(name, COLUMNS, listed=len(COLUMNS))}'
        else:
            continue
        faults.append(Fault(sheet.file, said, sheet.header_line, cell))
    missing = [name for name in _REQUIRED if name not in names]
    return faults + [
        Fault(sheet.file, f'the column "{name}" is missing', sheet.header_line) for name in missing
    ]


def _read_row(found: Mapping[str, str], line: int, bench: Bench) -> PriceRow | dict[str, str]:
    """Return one row, or what is wrong with it by column."""
    kind, source = found["kind"].casefold(), found["source"]
    price, date = _price(found["price"], kind), _date(found["date"])
    problems = {
        "kind": _kind_problem(found["kind"], kind),
        "product": _product_problem(found["product"], kind, bench),
        "currency": _currency_problem(found["currency"], kind),
        "source": "" if source else "empty; say where the price was seen",
        "price": price if isinstance(price, str) else "",
        "date": date if isinstance(date, str) else "",
    }
    wrong = {column: problem for column, problem in problems.items() if problem}
    if wrong or isinstance(price, str) or isinstance(date, str):
        return wrong
    note, currency = found.get("note", ""), found["currency"]
    return PriceRow(found["product"], price, currency, kind, date, source, note, line)


def _kind_problem(text: str, kind: str) -> str:
    """Say what is wrong with a kind, or nothing; so do the functions below of other columns."""
    if not kind:
        return "empty; write launch, street, used or rate"
    if kind.startswith(SCENARIO.rstrip("-")):
        return (
            "a supposed price stands in the params under value.scenarios, not among observed prices"
        )
    if not re.fullmatch(r"[a-z0-9][a-z0-9._-]*", kind):
        return f'found "{text}"; write one word, such as street'
    return ""


def _product_problem(text: str, kind: str, bench: Bench) -> str:
    if kind == RATE:
        return f'found "{text}"; a rate belongs to no product, leave this empty' if text else ""
    if not text:
        return "empty; write the product's id from bench.yaml"
    known = bench.products
    return "" if text in known else f'no product "{text}" in bench.yaml{did_you_mean(text, known)}'


def _currency_problem(text: str, kind: str) -> str:
    if _CURRENCY.fullmatch(text) or (kind == RATE and _PAIR.fullmatch(text)):
        return ""
    pair = ", or a pair such as USD/EUR (how many EUR one USD cost)" if kind == RATE else ""
    shout = text.upper()
    guess = f'; did you mean "{shout}"?' if _CURRENCY.fullmatch(shout) else ""
    return f'found "{text}"; expected three capitals, such as EUR{pair}{guess}'


def _price(text: str, kind: str) -> float | str:
    """Return a price above 0, or why it is none."""
    if not text:
        return "empty; a price that is not known has no row"
    if re.fullmatch(r"[+-]?\d+([.,]\d+)?", text):
        value = float(text.replace(",", "."))
        # 1.499 may be fourteen hundred or one and a half: never guess. Rates are so written.
        if kind != RATE and re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", text):
            whole, share = re.split("[.,]", text)
            return f'"{text}" can be read two ways; write {whole}{share} or {whole}.{share[:2]}'
        if value <= 0:
            return f'"{text}" is not above 0'
        return value if value <= _HIGHEST else f"a number of {len(text)} characters is no price"
    if re.fullmatch(r"\d{1,3}([., '\u2019\u00a0\u202f]\d{3})+([.,]\d+)?", text):
        tail = re.search(r"[.,]\d{1,2}$", text)
        digits = re.sub(r"\D", "", text[: tail.start()] if tail else text)
        plain = digits + (tail[0].replace(",", ".") if tail else "")
        return f'"{text}" has a sign between thousands; write {plain}'
    return f'"{text}" is not a number; currency and remarks have columns of their own'


def _date(text: str) -> dt.date | str:
    """Return the date, or how to write it."""
    if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        try:
            return dt.date.fromisoformat(text)
        except ValueError:
            return f'"{text}" is not a day of the calendar'
    ways = " or ".join(dict.fromkeys(day.isoformat() for day in _readings(text)))
    found = f'found "{text}"' if text else "empty"
    return f"{found}; write {ways or 'a date such as 2026-11-25 (year, month, day)'}"


def _readings(text: str) -> list[dt.date]:
    """Return the days a date written some other way could mean."""
    parts = re.match(r"\s*(\d{1,4})[-./ ]+(\d{1,2})[-./ ]+(\d{1,4})\b", text)
    if not parts:
        return []
    a, b, c = (int(part) for part in parts.groups())
    days = []
    for year, month, day in [(a, b, c)] if len(parts[1]) == 4 else [(c, b, a), (c, a, b)]:
        with suppress(ValueError):
            days.append(dt.date(year if year >= 100 else 2000 + year, month, day))
    return days
