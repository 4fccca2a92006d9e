"""What a cell of a raw log must hold, and how one that does not is said."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kit.errors import Fault, RunFileError
from kit.settings.bench_file import Layout

# Frames outside are no frames: the unit declared is wrong, or the row is damaged.
MIN_FRAME_MS = 1e-6
MAX_FRAME_MS = 3_600_000.0
MAX_TROUBLES = 1000
_MAX_DIGITS = 400  # a double has no more than 309 before its point
_MISSING_READINGS = frozenset({"", "nan", "n/a", "na", "-"})
_UNIT_PER_MS = {"s": 1e-3, "ms": 1.0, "us": 1e3, "ns": 1e6}

# ASCII digits only: Python's float() would also take 1_000 and digits of other scripts.
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,19}", re.ASCII)


# Whole-number stamps stay whole until two of them are subtracted.
Column = NDArray[np.float64] | NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TextTable:
    """Where the rows of a text log begin, and which of its cells are wanted.

    `wanted` are places counted from 0, the frame column first; `labels` name them as the
    reviewer knows them. `whole` says that stamps are whole numbers, read without rounding.
    """

    layout: Layout
    file: str
    offset: int
    line: int
    width: int
    wanted: tuple[int, ...]
    labels: tuple[str, ...]
    whole: bool

    @property
    def delimiter(self) -> str:
        """The character between cells (a space stands for any run of spaces and tabs)."""
        return {"tab": "\t", "space": " "}.get(self.layout.delimiter, self.layout.delimiter)


@dataclass(slots=True)
class Troubles:
    """What is wrong with the rows of one log, until it is said as one fault."""

    found: list[tuple[int, str, str, str]] = field(default_factory=list)  # line, key, text, kind
    last_line: int = 0  # of the log's last row, where it is known

    def add(self, line: int, key: str, text: str, kind: str) -> None:
        """Note that the text at `line` in column `key` is not as expected."""
        self.found.append((line, key, text, kind))

    @property
    def full(self) -> bool:
        """Whether so many rows are wrong that reading on would tell nothing new."""
        return len(self.found) >= MAX_TROUBLES

    def raise_if_any(self, table: TextTable) -> None:
        """Raise one `RunFileError` that names the first trouble and counts all."""
        if self.found:
            raise RunFileError([_fault_of(self, table)])


def split_cells(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line, without quotation marks and the space around them.

    Raises
    ------
    csv.Error
        If a quotation mark is not closed, or not alone in its cell.
    """
    if delimiter == " ":
        return line.split()
    if '"' in line:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, strict=True))]
    return [cell.strip() for cell in line.split(delimiter)]


def number_in(text: str, decimal: str) -> float | None:
    """Return the number a cell holds, or None if it is not written as one.

    >>> number_in("16,7", ","), number_in("1_000", "."), number_in("1.234,5", ",")
    (16.7, None, None)
    """
    if decimal != ".":
        if "." in text:
            return None
        text = text.replace(decimal, ".")
    return float(text) if len(text) <= _MAX_DIGITS and _NUMBER.fullmatch(text) else None


def is_whole(text: str) -> bool:
    """Return whether a cell holds a whole number that 63 bits can hold."""
    return bool(_WHOLE.fullmatch(text)) and abs(int(text)) < 2**62


def decimals_in(text: str, decimal: str) -> int:
    """Return how many decimals a number is written with.

    >>> decimals_in("16,70", ","), decimals_in("1.5e-3", "."), decimals_in("17", ".")
    (2, 4, 0)
    """
    figure, _, exponent = text.lower().partition("e")
    return max(len(figure.partition(decimal)[2]) - int(exponent or 0), 0)


def value_of(text: str, table: TextTable, *, sensor: bool) -> tuple[float, str]:
    """Return the value of a cell and, if it is not as expected, the kind of trouble."""
    layout = table.layout
    low = text.lower()
    if sensor and low in _MISSING_READINGS:
        return np.nan, ""
    if not text:
        return np.nan, "empty"
    value = number_in(text, layout.decimal)
    if value is None:
        if low.lstrip("+-") in {"nan", "inf", "infinity"}:
            return np.nan, "not finite"
        return np.nan, _why_no_number(text, layout.decimal)
    if not np.isfinite(value):
        return np.nan, "not finite"
    if sensor:
        return value, ""
    if layout.frames.holds == "frame_time":
        return value, _why_no_frame(value, layout.frames.unit)
    return (int(text) if table.whole and is_whole(text) else value), ""


def _why_no_frame(value: float, unit: str) -> str:
    """Say why a number is not a frame time, or nothing if it may be one."""
    if value <= 0:
        return "not above zero"
    frame_ms = value / _UNIT_PER_MS[unit]
    if frame_ms > MAX_FRAME_MS:
        return "too long"
    return "too short" if frame_ms < MIN_FRAME_MS else ""


def are_frames(values: Column, unit: str) -> bool:
    """Return whether every value may be a frame time in `unit`."""
    if not values.size:
        return True
    # NaN fails both comparisons.
    low, high = float(values.min()), float(values.max())
    per_ms = _UNIT_PER_MS[unit]
    return low > 0 and low / per_ms >= MIN_FRAME_MS and high / per_ms <= MAX_FRAME_MS


def ms_per(unit: str) -> float:
    """Return how many milliseconds a unit is."""
    return 1.0 / _UNIT_PER_MS[unit]


def to_ms(values: Column, unit: str) -> NDArray[np.float64]:
    """Return times in milliseconds (dividing by 1000 rounds once; times 0.001 twice)."""
    if unit == "s":
        return np.asarray(values * 1000.0, dtype=np.float64)
    if unit == "ms":
        return np.asarray(values, dtype=np.float64)
    return np.asarray(values / _UNIT_PER_MS[unit], dtype=np.float64)


def _why_no_number(text: str, decimal: str) -> str:
    """Return the kind of trouble of a cell that is not a number."""
    other = "," if decimal == "." else "."
    if number_in(text, other) is not None:
        return "decimal"
    plain = text.replace(other, "").replace(" ", "").replace("\u00a0", "").replace("'", "")
    if plain != text and number_in(plain, decimal) is not None:
        return "thousands"
    return "no number"


def _fault_of(troubles: Troubles, table: TextTable) -> Fault:
    """Say all troubles of one log as one fault."""
    layout, found = table.layout, troubles.found
    line, key, text, kind = found[0]
    what = "frame time" if layout.frames.holds == "frame_time" else "time stamp"
    if key and key != table.labels[0]:
        what = "reading"
    unit = f" in {layout.frames.unit}" if what != "reading" else ""
    number = f"a {what}{unit}"
    messages = {
        "empty": f"the cell is empty; expected {number}",
        "not finite": f"found {quoted(text)}; expected {number}",
        "no number": f"found {quoted(text)}; expected {number}",
        "decimal": f"found {quoted(text)}, but the layout says `decimal: "
        f"{_yaml_mark(layout.decimal)}`; correct the layout or the log",
        "thousands": f"found {quoted(text)}, which looks like a number with separators between "
        f"thousands; expected {number} without them",
        "not above zero": f"found {quoted(text)}; a frame time is above zero",
        "too long": f"found {quoted(text)}: a frame of more than an hour; is the unit "
        f"({layout.frames.unit}) right?",
        "too short": f"found {quoted(text)}: a frame of less than a nanosecond; is the unit "
        f"({layout.frames.unit}) right?",
        "cut short": f"found {quoted(text)}, with fewer decimals than every row before it and no "
        "end of line",
        "quote": f"a quotation mark is not closed, or not alone in its cell, in {quoted(text)}",
        "cells": _cells_message(text, table),
    }
    parts = [messages[kind]]
    parts.append(_count_message(found))
    parts.append("no row of this log was used")
    if (
        line == troubles.last_line
        and kind in {"empty", "cells", "no number", "quote", "cut short"}
        and len(found) == 1
    ):
        parts.append(
            "it is the last row, so the recording may have been cut short: take a whole copy, or "
            "delete the unfinished row from a copy of the log and say so in the run's row"
        )
    elif line == table.line and not layout.header and kind == "no number":
        parts.append("if it is a header, say `header: true` in the layout")
    elif kind not in {"decimal", "too long", "too short"}:
        parts.append(
            "take the log from the recorder again, or give the run a status and a reason in "
            "runs.csv"
        )
    return Fault(table.file, "; ".join(part for part in parts if part), line=line, key=key or None)


def _cells_message(text: str, table: TextTable) -> str:
    """Say that a row has another number of cells than the rest."""
    count = len(split_cells(text, table.delimiter)) if '"' not in text else 0
    had = f"{count} cells" if count else "the cells"
    expected = f"expected {table.width}"
    hint = ""
    if count > table.width and table.delimiter == ",":
        hint = " (a comma inside a number, or rows of another layout?)"
    return f"found {had} in {quoted(text)}; {expected}{hint}"


def _count_message(found: list[tuple[int, str, str, str]]) -> str:
    """Say how many rows are wrong besides the first, and which."""
    lines = list(dict.fromkeys(line for line, _, _, _ in found))
    if len(lines) == 1:
        return ""
    more = "more than " if len(found) >= MAX_TROUBLES else ""
    first = ", ".join(str(line) for line in lines[:5]) + (", ..." if len(lines) > 5 else "")
    kinds = Counter(kind for _, _, _, kind in found)
    split = ""
    if len(kinds) > 1:
        split = ": " + ", ".join(f"{count} {kind}" for kind, count in kinds.most_common())
    return f"{more}{len(lines)} rows are not as expected (lines {first}{split})"


def quoted(text: str) -> str:
    """Return text found in a file, shortened, with control characters made visible."""
    return repr(shortened(text, 60))


def shortened(text: str, size: int) -> str:
    """Return text cut to a size, saying how long it was."""
    return text if len(text) <= size else f"{text[:size]}... ({len(text)} characters)"


def _yaml_mark(mark: str) -> str:
    return f'"{mark}"'
