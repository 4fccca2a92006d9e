"""The shape of an unknown log: encoding, delimiter, decimal mark, comments, preamble, header.

A look, not a reading: what is found here is proposed to the analyst, with the reason.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from kit.logs.cells import number_in, split_cells
from kit.logs.unpacked import GZIP, ZSTD, recorded_chunks, refuse, text_blocks, unpacked_pieces

LOOK_LINES = 5000
COMMENT_MARKS = ("#", "//", "--", "%", "!", "*", ";", "'", "rem ")
_DELIMITERS = ("tab", ";", "|", ",", ":", "space")
_CHARACTERS = {"tab": "\t", "space": " "}


@dataclass(frozen=True, slots=True)
class LogShape:
    """How a text log is laid out, each finding with its reason.

    `names` are the header's cells (empty without one); `cells` holds the rows looked at, each of
    `width` cells; `reasons` explain by layout key; `doubts` say what the analyst must look at.
    """

    encoding: str
    delimiter: str
    decimal: str
    comment: str | None
    skip_lines: int
    header: bool
    names: tuple[str, ...]
    width: int
    cells: tuple[tuple[str, ...], ...]
    reasons: dict[str, str]
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Cut:
    """How lines fall into cells with one delimiter and decimal mark."""

    delimiter: str
    decimal: str
    width: int
    share: float  # of the lines that have so many cells and numbers in the same places
    numeric: tuple[int, ...]  # places of columns that hold numbers
    named: bool  # whether a line above the rows has as many cells


def look_at_log(path: Path) -> LogShape:
    """Return the shape of a text log.

    Raises
    ------
    RunFileError
        If it cannot be read, or holds no rows of numbers.
    """
    reasons: dict[str, str] = {}
    encoding = _encoding(path, reasons)
    block = next(
        text_blocks(recorded_chunks(path, file=path.name), encoding=encoding, file=path.name), b""
    )
    lines = [
        line.decode("utf-8", errors="replace") for line in islice(block.splitlines(), LOOK_LINES)
    ]
    if len(block.splitlines()) > LOOK_LINES or not block.endswith((b"\n", b"\r")):
        lines = lines[:-1] or lines  # perhaps cut short
    comment = _comment_mark(lines)
    rows = [
        (number, line)
        for number, line in enumerate(lines, start=1)
        if line.strip() and not (comment and line.startswith(comment))
    ]
    cut = _best_cut([line for _, line in rows], path)
    if cut is None:
        raise refuse(path.name, "holds no rows of numbers; is it a frame-time log?")
    return _shape(rows, cut, comment, encoding, reasons)


def _encoding(path: Path, reasons: dict[str, str]) -> str:
    """Return the encoding the first bytes speak of."""
    chunks = recorded_chunks(path, file=path.name)
    recorded = next(chunks, b"")
    packed = {GZIP: "gzip", ZSTD: "zstd"}
    for magic, name in packed.items():
        if recorded.startswith(magic):
            reasons["packing"] = f"packed with {name}, which needs no key"
    first = next(unpacked_pieces(iter([recorded, *chunks]), path.name), b"")[: 1 << 20]
    if not first:
        raise refuse(path.name, "the file is empty")
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        reasons["encoding"] = "the first bytes are the mark of UTF-16"
        return "utf-16"
    if first[:400].count(b"\0") > len(first[:400]) // 4:
        reasons["encoding"] = "every other byte is zero, as in UTF-16"
        return "utf-16"
    whole = first[: first.rfind(b"\n") + 1] or first
    try:
        whole.decode("utf-8")
    except UnicodeDecodeError as error:
        reasons["encoding"] = f"not UTF-8 (byte {whole[error.start]:#04x} in the text)"
        return "latin-1"
    return "utf-8"


def _comment_mark(lines: Sequence[str]) -> str | None:
    """Return the mark that begins some lines, but not those of the rows."""
    filled = [line for line in lines if line.strip()]
    for mark in COMMENT_MARKS:
        count = sum(line.lower().startswith(mark) for line in filled)
        if 0 < count <= len(filled) // 2:
            found = next(line for line in filled if line.lower().startswith(mark))
            return found[: len(mark)]
    return None


def _best_cut(lines: Sequence[str], path: Path) -> _Cut | None:
    """Return the cut into cells that leaves the fewest lines over and finds most numbers."""
    if not lines:
        return None
    cuts = [
        cut
        for delimiter in _DELIMITERS
        for decimal in (".", ",")
        if delimiter != decimal and (cut := _cut(lines, delimiter, decimal)) is not None
    ]
    if not cuts:
        return None
    usual = {".csv": ",", ".tsv": "tab"}
    suffix = next((s.lower() for s in path.suffixes if s.lower() in usual), "")

    def rank(cut: _Cut) -> tuple[float, bool, int, bool, int, bool]:
        # A single column has no delimiter in it; then the file's ending decides.
        return (
            round(cut.share, 2),
            cut.named,
            len(cut.numeric),
            cut.delimiter != ":",
            -cut.width,
            cut.delimiter == usual.get(suffix, ","),
        )

    return max(cuts, key=lambda cut: (*rank(cut), cut.decimal == "."))


def _cut(lines: Sequence[str], delimiter: str, decimal: str) -> _Cut | None:
    """Return how the lines fall into cells, or None if no numbers come out."""
    character = _CHARACTERS.get(delimiter, delimiter)
    table = [_cells(line, character) for line in lines]
    # The rows are the most of the lines; a preamble and a header are the least.
    width = Counter(len(cells) for cells in table).most_common(1)[0][0]
    body = [cells for cells in table if len(cells) == width]
    tail = body[min(3, len(body) // 2) :]
    numeric = [
        place
        for place in range(width)
        if _share_of_numbers([cells[place] for cells in tail], decimal) > 0.9
    ]
    if not numeric:
        return None
    fitting = [
        cells
        for cells in body
        if all(_is_number(cells[place], decimal) or not cells[place] for place in numeric)
    ]
    first = next((i for i, cells in enumerate(table) if cells in fitting[:1]), 0)
    named = first > 0 and len(table[first - 1]) == width
    return _Cut(delimiter, decimal, width, len(fitting) / len(table), tuple(numeric), named)


def _cells(line: str, character: str) -> list[str]:
    try:
        return split_cells(line, character)
    except csv.Error:
        return [line]


def _is_number(text: str, decimal: str) -> bool:
    return number_in(text, decimal) is not None


def _share_of_numbers(texts: Sequence[str], decimal: str) -> float:
    """Return the share of numbers among the cells that are filled, or 0 where too few are."""
    filled = [text for text in texts if text and text.lower() not in {"nan", "n/a"}]
    if not filled or len(filled) < len(texts) / 10:
        return 0.0
    return sum(_is_number(text, decimal) for text in filled) / len(filled)


def _shape(
    rows: Sequence[tuple[int, str]],
    cut: _Cut,
    comment: str | None,
    encoding: str,
    reasons: dict[str, str],
) -> LogShape:
    """Return the shape, once the cut is known: where the rows begin, and what stands above."""
    character = _CHARACTERS.get(cut.delimiter, cut.delimiter)
    table = [(number, _cells(line, character)) for number, line in rows]
    start = next(
        i
        for i, (_, cells) in enumerate(table)
        if len(cells) == cut.width
        and all(_is_number(cells[place], cut.decimal) or not cells[place] for place in cut.numeric)
        and any(cells[place] for place in cut.numeric)
    )
    above = table[:start]
    heads = [cells for _, cells in above if _may_name(cells, cut)]
    doubts: list[str] = []
    header = bool(above) and _may_name(above[-1][1], cut)
    if header and len(heads) > 1 and above[-2][1] in heads:
        header = False
        reasons["header"] = (
            "two lines stand above the rows, names and perhaps units; columns are given by place"
        )
        names = tuple(" ".join(pair) for pair in zip(above[-2][1], above[-1][1], strict=False))
    else:
        names = tuple(above[-1][1]) if header else ()
        reasons["header"] = (
            f"line {above[-1][0]} holds words where the rows hold numbers"
            if header
            else "the rows begin without a line of names"
        )
    over = above[:-1] if header else above
    skip = over[-1][0] if over else 0
    if skip:
        reasons["skip_lines"] = f"{len(over)} lines before the rows are neither row nor comment"
    if comment:
        reasons["comment"] = f"some lines begin with {comment!r}, the rows do not"
    reasons["delimiter"] = (
        f"with it every row falls into {cut.width} cells"
        if cut.width > 1
        else "each row is one cell, so any delimiter will do"
    )
    reasons["decimal"] = (
        "decimal commas stand in the numbers"
        if cut.decimal == ","
        else "points, or none, stand in the numbers"
    )
    body = [tuple(cells) for _, cells in table[start:] if len(cells) == cut.width]
    if len(body) < len(table) - start:
        doubts.append(
            f"{len(table) - start - len(body)} of {len(table) - start} rows do not have "
            f"{cut.width} cells"
        )
    if cut.delimiter == "," and cut.width == 2 and not header and _may_be_decimal_comma(body):
        doubts.append("the comma between the two cells may be a decimal comma")
    return LogShape(
        encoding,
        cut.delimiter,
        cut.decimal,
        comment,
        skip,
        header,
        names,
        cut.width,
        tuple(body),
        reasons,
        tuple(doubts),
    )


def _may_name(cells: Sequence[str], cut: _Cut) -> bool:
    """Return whether a line above the rows may name their columns."""
    if len(cells) != cut.width:
        return False
    return not any(_is_number(cells[place], cut.decimal) for place in cut.numeric) and any(
        re.search(r"[^\W\d]", cell) for cell in cells
    )


def _may_be_decimal_comma(body: Sequence[tuple[str, ...]]) -> bool:
    """Return whether two whole numbers may be one number with a decimal comma."""
    second = {len(cells[1]) for cells in body}
    return len(second) == 1 and all(c.isdigit() for cells in body for c in cells)
