"""The run sheet `runs.csv`, and each of its rows read to a `Run`."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from kit.bench.sheet import RunRow, Status, parse_run_sheet, read_sheet_text
from kit.errors import Fault, RunFileError
from kit.logs.read import Log, read_log
from kit.logs.unpacked import near_file
from kit.settings.bench_file import Bench

__all__ = [
    "Run",
    "RunRow",
    "Status",
    "find_log",
    "read_run",
    "read_run_sheet",
    "read_runs",
    "select_rows",
    "sheet_file",
]


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One row of the run sheet with its log read (`log` is None where figures are typed in)."""

    row: RunRow
    log: Log | None = None


def sheet_file(bench: Bench) -> str:
    """Return the name faults give the run sheet of a bench."""
    return f"{bench.folder.name}/runs.csv"


def read_run_sheet(bench: Bench) -> tuple[RunRow, ...]:
    """Read `runs.csv` of a bench, as people keep it in a spreadsheet.

    Comma, semicolon or tab, a byte-order mark, space around cells and empty columns or lines are
    accepted. Logs are not opened: a review reads only those it needs.

    Returns
    -------
    tuple of RunRow
        In the order of the sheet.

    Raises
    ------
    BenchError
        With every fault of the sheet, each with its line and column.
    """
    sheet = read_sheet_text(bench.folder / "runs.csv", file=sheet_file(bench))
    return parse_run_sheet(sheet, bench)


def find_log(row: RunRow, bench: Bench) -> Path:
    """Return the path of a run's log.

    Raises
    ------
    RunFileError
        If it is not there, or a symbolic link leads out of the bench folder.
    """
    path = bench.folder / row.log
    real = os.path.realpath(path)
    if not Path(real).is_relative_to(os.path.realpath(bench.folder)):
        message = (
            f'"{row.log}" leads out of the bench folder by a symbolic link; copy the log into it'
        )
    elif not path.exists():
        message = (
            f'no such file "{row.log}"{near_file(path)}; restore it, or empty the cell and say '
            "with status and reason what became of the run"
        )
    else:
        return path
    raise RunFileError.at(sheet_file(bench), message, line=row.line, key="log")


def select_rows(
    rows: Iterable[RunRow], *, products: Iterable[str], titles: Iterable[str]
) -> tuple[RunRow, ...]:
    """Return the rows of the given products in the given titles, in the order of the sheet."""
    wanted_products, wanted_titles = frozenset(products), frozenset(titles)
    return tuple(
        row for row in rows if row.product in wanted_products and row.title in wanted_titles
    )


def read_run(row: RunRow, bench: Bench, *, sensors: bool = True) -> Run:
    """Read the log of one row; a row that produced nothing, or a typed figure, has none.

    Raises
    ------
    RunFileError
        If the log is not there or does not fit its layout.
    """
    if not (row.produced and row.log):
        return Run(row)
    path = find_log(row, bench)
    return Run(row, read_log(path, bench.layouts[row.layout], file=row.log, sensors=sensors))


def read_runs(rows: Iterable[RunRow], bench: Bench, *, sensors: bool = True) -> tuple[Run, ...]:
    """Read the logs of all rows, in the order of the sheet.

    Raises
    ------
    RunFileError
        With the faults of all logs, not only of the first.
    """
    runs: list[Run] = []
    faults: list[Fault] = []
    for row in rows:
        try:
            runs.append(read_run(row, bench, sensors=sensors))
        except RunFileError as error:
            faults += error.faults
    if faults:
        raise RunFileError(faults)
    return tuple(runs)
