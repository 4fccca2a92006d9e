"""The run sheet `runs.csv`, and each of its rows read to a `Run`."""

from __future__ import annotations

import datetime as dt
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from kit.bench.sheet import RunRow, Status, parse_run_sheet, read_sheet_text
from kit.errors import Fault, RunFileError
from kit.logs.read import Log, read_log
from kit.logs.unpacked import near_file
from kit.settings.bench_file import Bench
from kit.settings.metric import TYPED_METRICS

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Run",
    "RunRow",
    "Status",
    "check_logs",
    "find_log",
    "iter_runs",
    "read_run",
    "read_run_sheet",
    "read_runs",
    "rows_frame",
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
    raise RunFileError([Fault(sheet_file(bench), message, line=row.line, key="log")])


def check_logs(rows: Iterable[RunRow], bench: Bench) -> tuple[Fault, ...]:
    """Return a fault for each log that is not where the run sheet says, without reading any."""
    faults: list[Fault] = []
    for row in rows:
        if row.produced and row.log:
            try:
                find_log(row, bench)
            except RunFileError as error:
                faults += error.faults
    return tuple(faults)


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


def iter_runs(
    rows: Iterable[RunRow], bench: Bench, *, sensors: bool = True, jobs: int = 1
) -> Iterator[Run]:
    """Yield the runs one by one, so that the frames of each can be dropped before the next.

    Parameters
    ----------
    rows : iterable of RunRow
        What to read, in the order of yielding.
    bench : Bench
        Where the logs are.
    sensors : bool
        Whether to read sensor columns too.
    jobs : int
        Logs read at once, in threads; so many are held in memory besides the one yielded.

    Raises
    ------
    RunFileError
        After the last run, with the faults of all logs that could not be read. What was yielded
        must not be used then.
    ValueError
        If `jobs` is below 1.
    """
    if jobs < 1:
        raise ValueError(f"jobs must be at least 1, not {jobs}")
    faults: list[Fault] = []
    for outcome in _outcomes(rows, partial(_try_read, bench=bench, sensors=sensors), jobs):
        if isinstance(outcome, RunFileError):
            faults += outcome.faults
        else:
            yield outcome
    if faults:
        raise RunFileError(faults)


def _try_read(row: RunRow, *, bench: Bench, sensors: bool) -> Run | RunFileError:
    """Return a run, or the error it gave."""
    try:
        return read_run(row, bench, sensors=sensors)
    except RunFileError as error:
        return error


def _outcomes(
    rows: Iterable[RunRow], read: Callable[[RunRow], Run | RunFileError], jobs: int
) -> Iterator[Run | RunFileError]:
    """Yield what each row gives, in order, reading no more than `jobs` rows ahead."""
    if jobs == 1:
        yield from map(read, rows)
        return
    with ThreadPoolExecutor(jobs) as pool:
        ahead: deque[Future[Run | RunFileError]] = deque()
        for row in rows:
            ahead.append(pool.submit(read, row))
            if len(ahead) > jobs:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()


def read_runs(
    rows: Iterable[RunRow], bench: Bench, *, sensors: bool = True, jobs: int = 1
) -> tuple[Run, ...]:
    """Read the logs of all rows, `jobs` at once.

    Raises
    ------
    RunFileError
        With the faults of all logs, not only of the first.
    """
    return tuple(iter_runs(rows, bench, sensors=sensors, jobs=jobs))


def rows_frame(rows: Iterable[RunRow]) -> pd.DataFrame:
    """Return the rows of the run sheet as a table.

    Returns
    -------
    DataFrame
        A row per run with the columns `run`, `product`, `title`, `layout`, `log` (text), `began`
        (moment in UTC; one written without a zone is taken as UTC), `session`, `status`, `reason`
        (text), the metrics that may be typed in (numbers, or NaN), `unit`, `line` (of runs.csv),
        `row_sha256`, and one column of text for each recorded condition (empty where not recorded).
    """
    import pandas as pd

    listed = list(rows)
    columns: dict[str, list[object]] = {
        name: [getattr(row, name) for row in listed]
        for name in ("run", "product", "title", "layout", "log")
    }
    moments = [row.began for row in listed]
    columns["began"] = [
        None if m is None else (m if m.tzinfo else m.replace(tzinfo=dt.UTC)).astimezone(dt.UTC)
        for m in moments
    ]
    for name in ("session", "status", "reason"):
        columns[name] = [getattr(row, name) for row in listed]
    for name in TYPED_METRICS:
        columns[name] = [row.typed.get(name, float("nan")) for row in listed]
    for name in ("unit", "line", "row_sha256"):
        columns[name] = [getattr(row, name) for row in listed]
    for name in dict.fromkeys(name for row in listed for name in row.conditions):
        columns[name] = [row.conditions.get(name, "") for row in listed]
    frame = pd.DataFrame(columns)
    frame["began"] = pd.to_datetime(frame["began"], utc=True)
    return frame
