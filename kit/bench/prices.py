"""Observed prices: the rows of `prices.csv`.

No exchange rate is ever fetched. A rate is a row like any other price, with its date and source.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from kit.bench.runs import SheetText, read_sheet_text
from kit.errors import BenchError, Fault, did_you_mean
from kit.settings.bench_file import Bench

_REQUIRED = ("product", "price", "currency", "kind", "date", "source")
COLUMNS = (*_REQUIRED, "note")
RATE = "rate"
LAUNCH = "launch"
SCENARIO = "scenario-"
_HIGHEST_PRICE = 1e15


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One observed price: a row of `prices.csv`.

    A row of kind `rate` has no product: `price` is how many units of the review's currency one
    unit of `currency` cost. Where `currency` is a pair such as ``USD/EUR``, it is how many EUR one
    USD cost, and only a review in EUR uses it.
    """

    product: str
    price: float
    currency: str
    kind: str  # launch, street, used, rate, ...
    date: dt.date
    source: str
    note: str = ""
    line: int = 0


def read_prices(bench: Bench) -> tuple[PriceRow, ...]:
    """Return the rows of a bench's `prices.csv`, in the file's order.

    Read as the run sheet is, however a spreadsheet keeps it; a decimal comma too. A bench
    without `prices.csv` has no prices.

    Raises
    ------
    BenchError
        With every fault of the file: line, column, what was found, what to write instead.
    """
    path = bench.folder / "prices.csv"
    file = f"{bench.folder.name}/prices.csv"
    if not path.exists():
        return ()
    sheet = read_sheet_text(path, file=file)
    reader = _Reader(file, frozenset(bench.products))
    rows = reader.read(sheet)
    if reader.faults:
        raise BenchError(sorted(reader.faults, key=lambda fault: fault.line or 0))
    return tuple(rows)


@dataclass(slots=True)
class _Reader:
    """One pass over `prices.csv`, noting every fault on the way."""

    file: str
    products: frozenset[str]
    faults: list[Fault] = field(default_factory=list)

    def fault(self, message: str, line: int | None = None, column: str | None = None) -> None:
        self.faults.append(Fault(self.file, message, line=line, key=column))

    def read(self, sheet: SheetText) -> list[PriceRow]:
        names = self.header(sheet)
        if self.faults:
            return []
        read = (self.row(dict(zip(names, cells, strict=True)), line) for line, cells in sheet.rows)
        rows = [row for row in read if row is not None]
        first: dict[PriceRow, int] = {}
        for row in rows:
            seen = first.setdefault(replace(row, line=0, note=""), row.line)
            if seen != row.line:
                self.fault(
                    f"the same observation as line {seen}; it would count twice, so delete "
                    "one of them (two offers of one day differ in their source)",
                    row.line,
                )
        return rows

    def header(self, sheet: SheetText) -> list[str]:
        """Return the names of the columns in small letters."""
        names = [cell.casefold() for cell in sheet.header]
        for name, cell in zip(names, sheet.header, strict=True):
            if names.count(name) > 1:
                self.fault(f'the column "{cell}" stands twice', sheet.header_line, cell)
            elif name not in COLUMNS:
                guess = did_you_mean(name, COLUMNS, listed=len(COLUMNS))
                self.fault(f'unknown column "{cell}"{guess}', sheet.header_line, cell)
        for name in _REQUIRED:
            if name not in names:
                self.fault(f'the column "{name}" is missing', sheet.header_line)
        return names

    def row(self, found: Mapping[str, str], line: int) -> PriceRow | None:
        """Return one row, or None with its faults noted."""
        before = len(self.faults)
        kind = found["kind"].casefold()
        if not kind:
            self.fault("empty; write launch, street, used or rate", line, "kind")
        elif kind.startswith(SCENARIO.rstrip("-")):
            self.fault(
                "a supposed price stands in the params under value.scenarios, not among "
                "observed prices",
                line,
                "kind",
            )
        elif not re.fullmatch(r"[a-z0-9][a-z0-9._-]*", kind):
            self.fault(f'found "{found["kind"]}"; write one word, such as street', line, "kind")
        self.product(found["product"], kind, line)
        self.currency(found["currency"], kind, line)
        if not found["source"]:
            self.fault("empty; say where the price was seen", line, "source")
        price = self.number(found["price"], kind, line)
        date = self.date(found["date"], line)
        if len(self.faults) > before or price is None or date is None:
            return None
        return PriceRow(
            found["product"],
            price,
            found["currency"],
            kind,
            date,
            found["source"],
            found.get("note", ""),
            line,
        )

    def product(self, text: str, kind: str, line: int) -> None:
        if kind == RATE:
            if text:
                self.fault(
                    f'found "{text}"; a rate belongs to no product, leave this empty',
                    line,
                    "product",
                )
        elif not text:
            self.fault("empty; write the product's id from bench.yaml", line, "product")
        elif text not in self.products:
            guess = did_you_mean(text, self.products)
            self.fault(f'no product "{text}" in bench.yaml{guess}', line, "product")

    def currency(self, text: str, kind: str, line: int) -> None:
        if re.fullmatch("[A-Z]{3}", text) or (kind == RATE and is_pair(text)):
            return
        expected = "three capitals, such as EUR"
        if kind == RATE:
            expected += ", or a pair such as USD/EUR (how many EUR one USD cost)"
        shout = text.upper()
        guess = did_you_mean(shout, [shout] if re.fullmatch("[A-Z]{3}", shout) else [])
        self.fault(f'found "{text}"; expected {expected}{guess}', line, "currency")

    def number(self, text: str, kind: str, line: int) -> float | None:
        """Return a price above 0, or None with the fault noted."""
        problem = ""
        if not text:
            problem = "empty; a price that is not known has no row"
        elif re.fullmatch(r"[+-]?\d+([.,]\d+)?", text):
            value = float(text.replace(",", "."))
            # 1.499 may be fourteen hundred or one and a half: never guess. Rates are so written.
            if kind != RATE and re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", text):
                whole, share = re.split("[.,]", text)
                problem = (
                    f'"{text}" can be read two ways; write {whole}{share} or {whole}.{share[:2]}'
                )
            elif value <= 0:
                problem = f'"{text}" is not above 0'
            elif value > _HIGHEST_PRICE:
                problem = f"a number of {len(text)} characters is no price"
            else:
                return value
        elif re.fullmatch(r"\d{1,3}([., '\u2019\u00a0\u202f]\d{3})+([.,]\d+)?", text):
            tail = re.search(r"[.,]\d{1,2}$", text)
            digits = re.sub(r"\D", "", text[: tail.start()] if tail else text)
            plain = digits + (tail[0].replace(",", ".") if tail else "")
            problem = f'"{text}" has a sign between thousands; write {plain}'
        else:
            problem = f'"{text}" is not a number; currency and remarks have columns of their own'
        self.fault(problem, line, "price")
        return None

    def date(self, text: str, line: int) -> dt.date | None:
        """Return the date, or None with a fault that says how to write it."""
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            try:
                return dt.date.fromisoformat(text)
            except ValueError:
                self.fault(f'"{text}" is not a day of the calendar', line, "date")
                return None
        ways = " or ".join(dict.fromkeys(day.isoformat() for day in _readings(text)))
        example = ways or "a date such as 2026-11-25 (year, month, day)"
        self.fault(
            f'found "{text}"; write {example}' if text else f"empty; write {example}", line, "date"
        )
        return None


def _readings(text: str) -> list[dt.date]:
    """Return the days a date written some other way could mean."""
    parts = re.match(r"\s*(\d{1,4})[-./ ]+(\d{1,2})[-./ ]+(\d{1,4})\b", text)
    if not parts:
        return []
    a, b, c = (int(part) for part in parts.groups())
    orders = [(a, b, c)] if len(parts[1]) == 4 else [(c, b, a), (c, a, b)]
    days = []
    for year, month, day in orders:
        try:
            days.append(dt.date(year if year >= 100 else 2000 + year, month, day))
        except ValueError:
            continue
    return days


def is_pair(text: str) -> bool:
    """Return whether a rate's currency is a pair, such as ``USD/EUR``."""
    return re.fullmatch("[A-Z]{3}/[A-Z]{3}", text) is not None
