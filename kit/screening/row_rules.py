"""Rules of screening that ask whether a run is what its row says. They flag, and mend nothing."""

from __future__ import annotations

import gzip
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, stdtrit

from kit.bench.runs import RunRow
from kit.screening.flags import CellKey, Flag, View, few, log_values, percent, run_flag

# Of reviews without any such run, this share may have one flagged.
ALPHA = 0.01
FEWEST_RUNS, FEWEST_CELLS = 3, 4
# The median of variances tells about this share of what all their degrees of freedom would.
EFFICIENCY = 0.37
REST_WITHIN = 4.5  # spreads between the others of a cell that agree with each other
FITS_WITHIN = 2.5  # spreads: a run that fits the other cell
HEAD_BYTES = 4096


@dataclass(frozen=True, slots=True)
class _Spread:
    """The run-to-run spread a cell should have, from cells like it, and its degrees of freedom."""

    sd: float
    df: float


@dataclass(frozen=True, slots=True)
class _Stray:
    """A run beside the others of its cell: how far off, in spreads and as a share."""

    row: RunRow
    cell: CellKey
    value: float
    spreads: float
    apart: float
    limit: float


def find_unlike_runs(view: View) -> list[Flag]:
    """Find runs far from the others of their cell by the spread of cells like it.

    Notes
    -----
    The spread is the larger of two, that of the title over products and that of the product over
    titles, each the median of the cells' variances, so that the very run in question (or one
    exchanged with it) does not hide itself. Student's t at `ALPHA` over all runs together. Three
    runs suffice; fewer than four cells to pool do not.
    """
    exchanged = {run for pair in _exchanged(view) for run in (pair[0].row.run, pair[1].row.run)}
    cells = _logs_by_cell(view)
    return [
        run_flag("unlike_cell", stray.row, _unlike_reason(stray, cells))
        for stray in _strays(cells)
        if stray.row.run not in exchanged
    ]


def find_exchanged_runs(view: View) -> list[Flag]:
    """Find two runs that are each far from their own cell and fit the other's.

    Two products in one title, or two titles of one product. The test is that of `find_unlike_runs`.
    """
    return [
        run_flag("exchanged", one.row, _exchanged_reason(one, other))
        for pair in _exchanged(view)
        for one, other in (pair, pair[::-1])
    ]


def _exchanged(view: View) -> list[tuple[_Stray, _Stray]]:
    """Return the pairs of runs that would each fit the other's cell."""
    cells = _logs_by_cell(view)
    return [
        (one, other)
        for one, other in combinations(_strays(cells), 2)
        if one.cell != other.cell
        and set(one.cell) & set(other.cell)
        and _fits(one, cells[other.cell], but=other)
        and _fits(other, cells[one.cell], but=one)
    ]


def _exchanged_reason(one: _Stray, other: _Stray) -> str:
    what = "product" if one.cell[1] == other.cell[1] else "title"
    names = other.cell[0] if what == "product" else other.cell[1]
    return (
        f"{_off(one)}, but fits {what} {names} as run {other.row.run} fits this one: were the two "
        f"exchanged? `marginbook bench move-run` puts a row right"
    )


def _unlike_reason(stray: _Stray, values: Mapping[CellKey, _Cell]) -> str:
    others = len(values[stray.cell].rows) - 1
    return (
        f"{_off(stray)} (limit {stray.limit:.1f}) over the other {few(others)}: is the row's "
        f"product and title right?"
    )


def _off(stray: _Stray) -> str:
    side = "above" if stray.apart > 0 else "below"
    return f"{percent(abs(stray.apart))} {side} its cell, {abs(stray.spreads):.1f} pooled spreads"


@dataclass(frozen=True, slots=True, eq=False)
class _Cell:
    """The used runs of a product in a title, their figures on the log scale, and the spread."""

    rows: Sequence[RunRow]
    logs: NDArray[np.float64]
    spread: _Spread | None = None


def _logs_by_cell(view: View) -> dict[CellKey, _Cell]:
    """Return every cell with at least three runs, with the spread that cells like it have."""
    cells: dict[CellKey, _Cell] = {}
    for key, rows in view.cells().items():
        logs = log_values(view, rows)
        if logs is not None and logs.size >= FEWEST_RUNS and float(np.ptp(logs)) > 0:
            cells[key] = _Cell(rows, logs)
    return {
        key: _Cell(cell.rows, cell.logs, _spread_for(key, cells)) for key, cell in cells.items()
    }


def _spread_for(key: CellKey, cells: Mapping[CellKey, _Cell]) -> _Spread | None:
    """Return the spread of a cell: the larger of its title's and its product's, or of all."""
    others = {other: cell for other, cell in cells.items() if other != key}
    found = [
        _pooled(cell for other, cell in others.items() if other[place] == key[place])
        for place in (0, 1)
    ]
    whole = _pooled(others.values())
    if whole is None:
        return None
    # All cells tell how well the spread is known; the larger of the two allows for what is special
    # about a title or a product.
    sd = max([spread.sd for spread in found if spread is not None] or [whole.sd])
    return _Spread(sd, whole.df)


def _pooled(cells: Iterable[_Cell]) -> _Spread | None:
    """Return the spread of some cells by the median of their variances, or None of too few.

    A sum of squares over its chi-squared median is a variance whose median is the true one.
    """
    listed = list(cells)
    if len(listed) < FEWEST_CELLS:
        return None
    dfs = np.array([cell.logs.size - 1 for cell in listed], dtype=np.float64)
    squares = np.array([float(cell.logs.var()) * cell.logs.size for cell in listed])
    variance = float(np.median(squares / chdtri(dfs, 0.5)))
    return _Spread(float(np.sqrt(variance)), EFFICIENCY * float(dfs.sum()))


def _strays(cells: Mapping[CellKey, _Cell]) -> list[_Stray]:
    """Return every run beyond what chance allows among all runs together."""
    count = sum(cell.logs.size for cell in cells.values() if cell.spread)
    found = []
    for key, cell in cells.items():
        if cell.spread is None or cell.spread.sd <= 0:
            continue
        limit = float(stdtrit(max(cell.spread.df, 1.0), 1.0 - ALPHA / (2 * count)))
        # In a cell of three, one stray puts the others off, too: only the farthest is looked at,
        # and the rest must agree without it.
        i = int(np.abs(cell.logs - np.median(cell.logs)).argmax())
        rest = np.delete(cell.logs, i)
        apart = float(cell.logs[i] - np.median(rest))
        spreads = apart / (cell.spread.sd * np.sqrt(1.0 + np.pi / 2 / rest.size))
        agree = float(np.ptp(rest)) <= REST_WITHIN * cell.spread.sd
        if abs(spreads) > limit and agree:
            share = float(np.expm1(apart))
            found.append(
                _Stray(cell.rows[i], key, float(cell.logs[i]), float(spreads), share, limit)
            )
    return found


def _fits(stray: _Stray, cell: _Cell, *, but: _Stray) -> bool:
    """Return whether a run fits another cell, looked at without the run that would leave it."""
    if cell.spread is None:
        return False
    rest = np.array([v for r, v in zip(cell.rows, cell.logs, strict=True) if r.run != but.row.run])
    width = cell.spread.sd * np.sqrt(1.0 + np.pi / 2 / rest.size)
    return bool(abs(stray.value - np.median(rest)) <= FITS_WITHIN * width)


def find_other_names(view: View) -> list[Flag]:
    """Find logs whose name, or own first lines, name another product or title than their row.

    A name counts where it stands by itself, not inside a longer one that the bench knows, too.
    Nothing is said of logs that name none, or name their row's as well.
    """
    flags = []
    for row in view.used:
        if not row.log:
            continue
        places = (
            ("its file name", row.log.removeprefix("logs/")),
            ("its own head", _head(view, row)),
        )
        for what, own, known in (
            ("product", row.product, _names(view.bench.products)),
            ("title", row.title, _names(view.bench.titles)),
        ):
            for where, text in places:
                named = _named_in(text, known)
                if named and own not in named:
                    reason = (
                        f"{where} names {what} {' and '.join(sorted(named))}, its row says {own}; "
                        f"`marginbook bench move-run` puts a row right"
                    )
                    flags.append(run_flag("named_otherwise", row, reason))
                    break
    return flags


def _names(known: Mapping[str, object]) -> dict[str, str]:
    """Return what stands for each product or title in a text: its id, and its name in small."""
    found = {key.lower(): key for key in known}
    for key, model in known.items():
        name = re.sub(r"[^a-z0-9]+", "-", str(getattr(model, "name", "")).lower()).strip("-")
        if len(name) > 3:
            found.setdefault(name, key)
    return found


def _named_in(text: str, known: Mapping[str, str]) -> set[str]:
    """Return the ids a text names, the longest first, each part of the text read once."""
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower())
    found = set()
    for word in sorted(known, key=len, reverse=True):
        slug = re.sub(r"[^a-z0-9]+", "-", word).strip("-")
        if len(slug) < 3:
            continue
        pattern = rf"(?<![a-z0-9]){re.escape(slug)}(?![a-z0-9])"
        if re.search(pattern, plain):
            found.add(known[word])
            plain = re.sub(pattern, " ", plain)
    return found


def _head(view: View, row: RunRow) -> str:
    """Return the lines of a text log above its frames, where the bench folder has it."""
    layout = view.bench.layouts.get(row.layout)
    if layout is None or layout.container != "text" or not (layout.comment or layout.skip_lines):
        return ""
    try:
        with (view.bench.folder / row.log).open("rb") as stream:
            data = stream.read(HEAD_BYTES)
        if data.startswith(b"\x1f\x8b"):
            data = zlib.decompressobj(wbits=31).decompress(data, HEAD_BYTES)
    except (OSError, zlib.error, gzip.BadGzipFile):
        return ""
    text = data.decode("utf-16" if layout.encoding == "utf-16" else "latin-1", "replace")
    lines = text.splitlines()
    head = lines[: layout.skip_lines]
    if layout.comment:
        head += [ln for ln in lines[layout.skip_lines :] if ln.lstrip().startswith(layout.comment)]
    return "\n".join(head)
