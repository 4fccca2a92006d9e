"""Very many runs in few Parquet files, measured one after another in little memory.

For looking at a bench as a whole: frames that were gathered in tables, with a column that says
which run each belongs to. A review reads single logs instead, since it must hash each.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kit.errors import Fault, RunFileError
from kit.settings.metric import tail_shares
from kit.stats.lows import LOW_DEFINITIONS, LowDefinition, measure_lows

if TYPE_CHECKING:
    import pandas as pd
    from pyarrow.parquet import ParquetFile

SHARES = tail_shares(("low_1pct_fps", "low_0_1pct_fps"))
ROWS_AT_ONCE = 1 << 18  # 2 MB of frame times


@dataclass(frozen=True, slots=True)
class RunFigures:
    """The figures of one run; the lows under the definition asked for."""

    run: str
    frames: int
    duration_s: float
    average_fps: float
    low_1pct_fps: float
    low_0_1pct_fps: float


def measure_tables(
    paths: Iterable[Path],
    *,
    frame_ms: str,
    run: str | None = None,
    low: LowDefinition,
    quantile_type: int = 7,
) -> Iterator[RunFigures]:
    """Yield the figures of each run in Parquet files, as their rows come.

    Parameters
    ----------
    paths : iterable of Path
        Parquet files.
    frame_ms : str
        The column of frame times, in milliseconds.
    run : str, optional
        The column that says which run a row belongs to: whole numbers or texts, the rows of one
        run together. Without it each file is one run, named as the file is.
    low : {"percentile", "slowest_share", "time_share"}
        The definition of the lows: see `kit.stats.lows.low_fps`.
    quantile_type : int
        Hyndman-Fan type 1 to 9, for percentile.

    Raises
    ------
    RunFileError
        At the first file that is no such table, row that is no frame time, or run whose rows are
        not together.
    ValueError
        If `low` is none of those above.

    Notes
    -----
    Held at once are a few blocks of rows and the frames of one run. A second thread
    unpacks the next block meanwhile.
    """
    if low not in LOW_DEFINITIONS:
        raise ValueError(f"low must be one of {LOW_DEFINITIONS}: {low!r}")
    seen: set[str] = set()
    for path in paths:
        for name, frames in _runs_of(path, frame_ms, run):
            if name in seen:
                raise _refuse(
                    path, f'the rows of run "{name}" are not together; sort the table by {run}', run
                )
            seen.add(name)
            total_ms = float(frames.sum())
            if not (total_ms < np.inf and frames.min() > 0):  # NaN and infinity fail too
                raise _refuse(
                    path, f'run "{name}" holds a frame time that is not above 0', frame_ms
                )
            lows = measure_lows(frames, shares=SHARES, quantile_type=quantile_type)[low]
            yield RunFigures(
                run=name,
                frames=int(frames.size),
                duration_s=total_ms / 1000.0,
                average_fps=1000.0 * frames.size / total_ms,
                **lows,
            )


def figures_frame(figures: Iterable[RunFigures]) -> pd.DataFrame:
    """Return the figures as a table: a row per run, columns as the fields of `RunFigures`."""
    import pandas as pd

    return pd.DataFrame(list(figures), columns=list(RunFigures.__dataclass_fields__))


def _runs_of(
    path: Path, frame_ms: str, run: str | None
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Yield the name and frames of each stretch of rows of one run."""
    held: list[NDArray[np.float64]] = []
    name: str | None = None if run else path.name.partition(".")[0]
    for names, ends, frames in _blocks(path, frame_ms, run):
        start = 0
        for following, end in zip(names, ends, strict=True):
            if name is not None and following != name and run:
                yield name, _joined(held)
                held = []
            name = following if run else name
            held.append(frames[start:end])
            start = end
        if held:  # a view would keep the whole block
            held = [np.concatenate(held)]
    if name is not None and held:
        yield name, _joined(held)


def _joined(parts: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


Block = tuple[list[str], list[int], NDArray[np.float64]]


def _blocks(path: Path, frame_ms: str, run: str | None) -> Iterator[Block]:
    """Yield blocks of rows: names of the runs in it, where each ends, and all frames."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, pre_buffer=False) as table, ThreadPoolExecutor(1) as other:
            columns = _check_columns(table, path, frame_ms, run)
            batches = table.iter_batches(ROWS_AT_ONCE, columns=columns, use_threads=False)
            following = other.submit(_next_block, batches, frame_ms, run)
            while (block := following.result()) is not None:
                following = other.submit(_next_block, batches, frame_ms, run)
                yield block
    except (pa.ArrowException, OSError) as error:
        raise _refuse(path, f"cannot be read as Parquet ({str(error).splitlines()[0]})") from None


def _next_block(batches: Iterator[Any], frame_ms: str, run: str | None) -> Block | None:
    """Return the next block, or None at the end."""
    import pyarrow as pa
    import pyarrow.compute as pc

    batch = next(batches, None)
    if batch is None:
        return None
    column = batch.column(frame_ms)
    frames = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)  # null becomes NaN
    if run is None:
        return [""], [len(frames)], frames
    runs = batch.column(run)
    stretches = pc.run_end_encode(runs)
    names = ["" if name is None else str(name) for name in stretches.values.to_pylist()]
    return names, stretches.run_ends.to_pylist(), frames


def _check_columns(table: ParquetFile, path: Path, frame_ms: str, run: str | None) -> list[str]:
    """Return the columns to read, or refuse a table that has not got them."""
    import pyarrow as pa

    schema = table.schema_arrow
    wanted = [name for name in (run, frame_ms) if name is not None]
    missing = [name for name in wanted if name not in schema.names]
    if missing:
        raise _refuse(path, f"no such column; it has {', '.join(schema.names)}", missing[0])
    kind = schema.field(frame_ms).type
    if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
        raise _refuse(path, f"the column holds {kind}; expected numbers", frame_ms)
    if run is not None:
        kind = schema.field(run).type
        if not (pa.types.is_integer(kind) or pa.types.is_string(kind)):
            raise _refuse(path, f"the column holds {kind}; expected whole numbers or texts", run)
    return wanted


def _refuse(path: Path, message: str, key: str | None = None) -> RunFileError:
    return RunFileError([Fault(path.name, message, key=key)])
