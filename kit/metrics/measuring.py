"""Many runs read and measured: one after another, in several processes, or on a cluster.

Each log is the same task, a pure function of its bytes, layout and settings, which may be done
anywhere and kept in a store: the figures are the same, bit for bit. Results come together in the
order of the run sheet, so that figures do not depend on who worked them out."""

from __future__ import annotations

import base64
import hashlib
import json
import logging
import os
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache, partial
from multiprocessing import get_context
from pathlib import Path
from threading import Lock
from types import MappingProxyType

import numpy as np
from pydantic import ConfigDict, TypeAdapter, ValidationError

from kit.bench.runs import RunRow
from kit.errors import ExecutionError, Fault, RunFileError
from kit.logs.read import Log, parse_log, read_log
from kit.logs.unpacked import recorded_chunks
from kit.metrics.cluster import BATCH, do_on_cluster
from kit.metrics.run_metrics import (
    DIAGNOSTICS_VERSION,
    METRICS_VERSION,
    FrameFigures,
    RunDiagnostics,
    RunMetrics,
    Stretch,
    measure_log,
    state_metrics,
)
from kit.metrics.store import Store, arithmetic, code_key, content_key
from kit.settings.bench_file import Bench, Layout
from kit.settings.params import MetricParams, ReviewParams, ScreenParams

_PROGRESS = logging.getLogger("marginbook.progress")
MAX_AT_ONCE_BYTES = 64 * 1024 * 1024  # a larger log is read twice rather than held
MAX_FETCHED_BYTES = 4 * 1024**3
CODE = (
    "errors", "settings.bench_file", "logs.unpacked", "logs.shapes", "logs.read",
    "stats.series", "settings.metric",
    "metrics.blocks", "metrics.run_metrics", "metrics.measuring",
)  # fmt: skip
PACKAGES = ("numpy", "scipy", "pyarrow", "openpyxl")

# While one thread measures, the others read. Two that measure would hand the interpreter to and
# fro at each small step, which takes longer than the steps.
_ONE_MEASURES = Lock()


@dataclass(frozen=True, slots=True, eq=False)
class _LogSettings:
    """How logs are read and measured; one object is shared by the tasks of all logs alike."""

    layout: Layout
    caps_hz: tuple[float, ...]
    cap_width: float
    metrics: MetricParams
    stretch: Stretch | None = None


@dataclass(frozen=True, slots=True)
class _LogTask:
    """One log to read and measure.

    `place` is a path, or a URL such as http://..., s3://... or memory://...; `file` is the name
    faults give the log.
    """

    file: str
    place: str
    settings: _LogSettings


@dataclass(frozen=True, slots=True)
class _LogFacts:
    """What one log gives, whatever run it belongs to; no figures where it cannot be measured.

    `kept` says whether it was found in a store.
    """

    diagnostics: RunDiagnostics
    figures: FrameFigures | None
    kept: bool = field(default=False, compare=False)


Outcome = _LogFacts | tuple[Fault, ...]


def _do_task(task: _LogTask, store: Store | None = None) -> Outcome:
    """Return what a log gives, from the store if it is there; or the faults of the log."""
    try:
        return _facts(task, store)
    except RunFileError as error:
        return error.faults


def _do_tasks(tasks: tuple[_LogTask, ...], store: Store | None = None) -> list[Outcome]:
    """Return what each of several logs gives."""
    return [_do_task(task, store) for task in tasks]


def own_code() -> str:
    """Return a key of the code that reads and measures logs here."""
    return code_key(CODE, PACKAGES)


def _do_tasks_alike(batch: tuple[str, tuple[_LogTask, ...]]) -> list[Outcome]:
    """Return what each of several logs gives, if this machine has the code the sender has.

    Raises
    ------
    ExecutionError
        If it has other code: its figures might be others.
    """
    code, tasks = batch
    if code != own_code():
        raise ExecutionError(
            "a worker has another version of marginbook, numpy, scipy or pyarrow than this "
            "machine; install the same on all"
        )
    return _do_tasks(tasks)


def _facts(task: _LogTask, store: Store | None) -> _LogFacts:
    """Return what a log gives; its bytes are always hashed."""
    path = None if "://" in task.place else Path(task.place)
    if path is not None and (store is None or _size_of(path) > MAX_AT_ONCE_BYTES):
        if store is not None and (kept := _kept(task, store, _sha256_of(path, task.file))):
            return kept
        return _measured(read_log(path, task.settings.layout, file=task.file), task, store)
    if path is not None:
        data = b"".join(recorded_chunks(path, file=task.file))
    else:
        data = _fetch_bytes(task.place, file=task.file)
    sha256 = hashlib.sha256(data).hexdigest()
    if store is not None and (kept := _kept(task, store, sha256)):
        return kept
    log = parse_log(data, task.settings.layout, file=task.file, sha256=sha256)
    return _measured(log, task, store)


def _size_of(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # what is wrong is said when it is read
        return 0


def _sha256_of(path: Path, file: str) -> str:
    digest = hashlib.sha256()
    for chunk in recorded_chunks(path, file=file):
        digest.update(chunk)
    return digest.hexdigest()


def _fetch_bytes(url: str, *, file: str) -> bytes:
    """Return the bytes at a URL.

    HTTP is read with the standard library, any other kind with fsspec, if that is installed.

    Raises
    ------
    RunFileError
        If they cannot be had.
    """
    found = re.search("(?<=://)[^/]*@", url)
    secret = found[0] if found else ""  # name and password: sent, never said
    shown = url.replace(secret, "") if secret else url
    try:
        if url.startswith(("http://", "https://")):
            from urllib.parse import unquote
            from urllib.request import Request, urlopen

            coded = base64.b64encode(unquote(secret[:-1]).encode()).decode()
            headers = {"Authorization": f"Basic {coded}"} if secret else {}
            with urlopen(Request(shown, headers=headers), timeout=60) as answer:
                data: bytes = answer.read(MAX_FETCHED_BYTES + 1)
                promised = answer.headers.get("Content-Length")
            if promised is not None and int(promised) != len(data):
                raise RunFileError.at(
                    file, f"only {len(data)} of {promised} bytes came from {shown}"
                )
        else:
            import fsspec

            with fsspec.open(url, "rb") as stream:
                data = stream.read(MAX_FETCHED_BYTES + 1)
    except ImportError as error:
        raise RunFileError.at(
            file, f'cannot read {shown}: {error}; install "marginbook[cluster]"'
        ) from None
    except (OSError, ValueError) as error:
        said = str(error).replace(secret, "") if secret else str(error)
        raise RunFileError.at(file, f"cannot read {shown}: {said}") from None
    if len(data) > MAX_FETCHED_BYTES:
        raise RunFileError.at(
            file, f"{shown} is larger than {MAX_FETCHED_BYTES >> 30} GiB; not a log"
        )
    return data


def _measured(log: Log, task: _LogTask, store: Store | None) -> _LogFacts:
    """Return what a log gives, read from its frames."""
    how = task.settings
    log = log if how.stretch is None else _cut_to(log, how.stretch)
    with _ONE_MEASURES:
        found = RunDiagnostics.of_log(log, caps_hz=how.caps_hz, cap_width=how.cap_width)
        facts = _LogFacts(found, measure_log(log, how.metrics) if found.measurable else None)
    if store is not None:
        store.keep(_task_key(task, log.sha256), _facts_adapter().dump_json((facts,)))
    return facts


def _cut_to(log: Log, stretch: Stretch) -> Log:
    """Return a log's frames from the beginning that end within a stretch, at least one."""
    length, by = stretch
    ends = np.cumsum(log.frame_ms) / 1000.0
    last = length if by == "frames" else np.searchsorted(ends, length * (1 + 1e-9), side="right")
    kept = slice(0, max(int(last), 1))
    sensors = {name: readings[kept] for name, readings in log.sensors.items()}
    return replace(log, frame_ms=log.frame_ms[kept], sensors=sensors)


def _kept(task: _LogTask, store: Store, sha256: str) -> _LogFacts | None:
    """Return what the store has for a log, or None."""
    found = store.load(_task_key(task, sha256))
    if found is None:
        return None
    try:
        (facts,) = _facts_adapter().validate_json(found, strict=True)
    except ValidationError:
        return None
    if facts.diagnostics.sha256 != sha256:
        return None
    return _LogFacts(facts.diagnostics, facts.figures, kept=True)


def _task_key(task: _LogTask, sha256: str) -> str:
    """Return the key of a task's result: its settings and the bytes of its log."""
    return content_key(_settings_key(task.settings), sha256)


@lru_cache(maxsize=64)
def _settings_key(settings: _LogSettings) -> str:
    """Return the key of all a result depends on but the bytes: layout, settings, methods, code."""
    metrics = settings.metrics.model_dump(exclude={"low"})  # every definition is worked out
    return content_key(
        "log",
        own_code(),
        arithmetic(),
        f"diagnostics {DIAGNOSTICS_VERSION}, metrics {METRICS_VERSION}",
        settings.layout.model_dump_json(exclude={"files"}),
        repr((settings.caps_hz, settings.cap_width, settings.stretch, sorted(metrics.items()))),
    )


@cache
def _facts_adapter() -> TypeAdapter[tuple[_LogFacts]]:
    """Return what writes facts as JSON and reads them back: exact floats, NaN among them."""
    return TypeAdapter(tuple[_LogFacts], config=ConfigDict(ser_json_inf_nan="constants"))


# A kernel is told through its environment: a template's parameters are paths that the report shows.
STORE_VARIABLE = "MARGINBOOK_STORE"
PLACE_VARIABLE = "MARGINBOOK_LOGS_AT"
PROGRESS_VARIABLE = "MARGINBOOK_PROGRESS"
# A process takes about half a second to start: as long as 60 MB of logs take one process.
WORTH_PROCESSES_BYTES = 100 * 1024 * 1024
CHUNK = 10  # logs; more, and one process waits longer for another at the end
HANDFUL = 8  # logs a thread takes at once: handing over costs a tenth of a log known already


@dataclass(frozen=True, slots=True)
class Reading:
    """How logs are read. It changes how long that takes, and no figure.

    Attributes
    ----------
    jobs : int
        Processes that read at once.
    threads : int
        Logs read at once by one process; so many are in memory. One is measured while the others
        are read.
    store : Store or None
        Where results are kept and found again.
    cluster : str
        The scheduler's address, ``tcp://HOST:PORT``, or ``local:N``; empty for none.
    logs_at : str
        A folder or URL to read the logs from, in place of the bench folder.
    backwards : bool
        Begin with the last log: another process has begun with the first, and both use one store.
    anew : list of str, optional
        Filled with the logs that were not found in the store.
    """

    jobs: int = 1
    threads: int = 1
    store: Store | None = None
    cluster: str = ""
    logs_at: str = ""
    backwards: bool = False
    anew: list[str] | None = None

    @classmethod
    def in_kernel(cls, environ: Mapping[str, str]) -> Reading:
        """Return how a kernel reads: from the store and place its starter says.

        Without them, as in JupyterLab, logs are read from the bench and no store is used. How far
        the kernel has come is written where its starter looks.
        """
        if (note := environ.get(PROGRESS_VARIABLE)) and not _PROGRESS.handlers:
            _PROGRESS.addHandler(_Note(Path(note)))
            _PROGRESS.setLevel(logging.INFO)
        folder = environ.get(STORE_VARIABLE)
        store = Store(Path(folder)) if folder else None
        return cls(threads=2, store=store, logs_at=environ.get(PLACE_VARIABLE, ""))

    def kernel_variables(self) -> dict[str, str]:
        """Return the environment that makes a kernel read so."""
        folder = str(self.store.folder) if self.store is not None else ""
        return {STORE_VARIABLE: folder, PLACE_VARIABLE: self.logs_at}


PLAIN = Reading(threads=2)  # each log anew, here


class _Note(logging.Handler):
    """Writes how far a kernel has come into a file that its starter reads."""

    def __init__(self, path: Path) -> None:
        self.path = path
        super().__init__()

    def emit(self, record: logging.LogRecord) -> None:
        """Write one message and its numbers."""
        self.path.write_text(json.dumps([record.msg, *(record.args or ())]), encoding="utf-8")


def _caps_looked_for(params: ScreenParams, refresh_hz: float | None) -> tuple[float, ...]:
    """Return the caps to look for: those of params, and the product's own display's rate."""
    if refresh_hz is None or refresh_hz in params.caps_hz:
        return params.caps_hz
    return (*params.caps_hz, refresh_hz)


def _make_task(
    row: RunRow,
    bench: Bench,
    params: ReviewParams,
    *,
    logs_at: str = "",
    shared: dict[object, _LogSettings] | None = None,
    stretch: Stretch | None = None,
    real: Callable[[Path], str] = os.path.realpath,
) -> _LogTask:
    """Return the task of reading and measuring a run's log.

    Tasks made with the same `shared` have one object of settings for all logs read alike; `real`
    is as for `RunRow.find_log`.

    Raises
    ------
    RunFileError
        If the log is not where the run sheet says.
    """
    place = f"{logs_at.rstrip('/')}/{row.log}" if logs_at else str(row.find_log(bench, real=real))
    shared = {} if shared is None else shared
    alike = (row.layout, row.part, row.product, stretch)
    if alike not in shared:
        refresh_hz = bench.products[row.product].refresh_hz
        shared[alike] = _LogSettings(
            layout=row.layout_in(bench),
            caps_hz=_caps_looked_for(params.screen, refresh_hz),
            cap_width=params.screen.cap_width,
            metrics=params.metrics,
            stretch=stretch,
        )
    return _LogTask(row.log, place, shared[alike])


def measure_runs(
    rows: Sequence[RunRow],
    bench: Bench,
    params: ReviewParams,
    *,
    reading: Reading = PLAIN,
    stretches: Mapping[str, Stretch] = MappingProxyType({}),
) -> tuple[dict[str, RunDiagnostics], dict[str, RunMetrics]]:
    """Return diagnostics and figures of each run that produced something, in the order of `rows`.

    Parameters
    ----------
    rows : sequence of RunRow
        Rows of the run sheet; those that produced nothing are passed over.
    bench : Bench
        Where the logs are, and how each layout is read.
    params : ReviewParams
        Metrics, definition of the lows and thresholds in force.
    reading : Reading
        Processes, cluster and results store; no result depends on it.
    stretches : mapping of str to Stretch
        By title: how much of each log is measured, from its beginning; all of it without an entry.

    Returns
    -------
    tuple of two dicts
        Run to its diagnostics, for every run with a log; run to its figures, for every run that
        can be measured. Frames are held for one run per process and thread.

    Raises
    ------
    RunFileError
        With the faults of all logs.
    """
    made = [row for row in rows if row.produced]
    outcomes: dict[str, Outcome] = {}
    tasks: dict[str, _LogTask] = {}
    shared: dict[object, _LogSettings] = {}
    real = cache(os.path.realpath)
    for row in made:
        if row.log:
            try:
                tasks[row.run] = _make_task(
                    row,
                    bench,
                    params,
                    logs_at=reading.logs_at,
                    shared=shared,
                    stretch=stretches.get(row.title),
                    real=real,
                )
            except RunFileError as error:
                outcomes[row.run] = error.faults
    outcomes.update(zip(tasks, _do_all(list(tasks.values()), reading), strict=True))
    if reading.anew is not None:
        done = (outcomes[run] for run in tasks)
        kept = [isinstance(outcome, _LogFacts) and outcome.kept for outcome in done]
        reading.anew.extend(
            task.file for task, found in zip(tasks.values(), kept, strict=True) if not found
        )
    diagnostics: dict[str, RunDiagnostics] = {}
    metrics: dict[str, RunMetrics] = {}
    faults: list[Fault] = []
    for row in made:
        outcome = outcomes.get(row.run)
        if outcome is None:  # typed-in figures
            told = diagnostics[row.run] = RunDiagnostics.of_typed(row)
            metrics[row.run] = state_metrics(row, told, None, params=params.metrics)
        elif isinstance(outcome, _LogFacts):
            told = diagnostics[row.run] = outcome.diagnostics
            if outcome.figures is not None:
                figures = state_metrics(row, told, outcome.figures, params=params.metrics)
                stretch = stretches.get(row.title)
                metrics[row.run] = replace(figures, stretch=stretch) if stretch else figures
        else:
            faults += outcome
    if faults:
        raise RunFileError(faults)
    return diagnostics, metrics


def _do_all(tasks: Sequence[_LogTask], reading: Reading) -> list[Outcome]:
    """Return what each task gives, in their order."""
    if reading.cluster and tasks:
        batches = [(own_code(), batch) for batch in _cut(tasks, BATCH)]
        parts = do_on_cluster(_do_tasks_alike, batches, address=reading.cluster)
        return _collected(parts, len(batches), len(tasks))
    if reading.jobs > 1 and _are_large(tasks):
        return _in_processes(tasks, reading)
    ordered = tasks[::-1] if reading.backwards else tasks
    outcomes: list[Outcome] = []
    with ThreadPoolExecutor(reading.threads) as pool:
        do = pool.map if reading.threads > 1 else map
        for part in do(partial(_do_tasks, store=reading.store), _cut(ordered, HANDFUL)):
            outcomes += part
            _tell(len(outcomes), len(tasks))
    return outcomes[::-1] if reading.backwards else outcomes


def _tell(done: int, of: int) -> None:
    _PROGRESS.info("reading logs: %d of %d", done, of)


def _collected(parts: Iterable[tuple[int, list[Outcome]]], count: int, logs: int) -> list[Outcome]:
    """Return the outcomes of numbered parts, which come as they are done, in order."""
    found: list[list[Outcome]] = [[] for _ in range(count)]
    done = 0
    for number, outcomes in parts:
        found[number] = outcomes
        done += len(outcomes)
        _tell(done, logs)
    return [outcome for outcomes in found for outcome in outcomes]


def _are_large(tasks: Iterable[_LogTask]) -> bool:
    """Return whether so much is to be read that starting processes pays."""
    size = 0
    for task in tasks:
        if "://" in task.place:
            return True
        size += _size_of(Path(task.place))
        if size >= WORTH_PROCESSES_BYTES:
            return True
    return False


def _cut(tasks: Sequence[_LogTask], size: int) -> list[tuple[_LogTask, ...]]:
    """Return the tasks in batches of a size."""
    return [tuple(tasks[at : at + size]) for at in range(0, len(tasks), size)]


def _in_processes(tasks: Sequence[_LogTask], reading: Reading) -> list[Outcome]:
    """Return what each task gives, done here and in processes started afresh (never forked)."""
    chunks = _cut(tasks, CHUNK)
    pool = ProcessPoolExecutor(reading.jobs - 1, mp_context=get_context("spawn"))
    try:
        return _collected(_shared_out(chunks, pool, reading), len(chunks), len(tasks))
    except BrokenProcessPool:
        raise ExecutionError(
            "a process that was reading logs died; the system may be short of memory: run again "
            "with fewer --jobs"
        ) from None
    finally:
        pool.shutdown(wait=False, cancel_futures=True)  # they end while this one goes on


def _shared_out(
    chunks: Sequence[tuple[_LogTask, ...]], pool: ProcessPoolExecutor, reading: Reading
) -> Iterator[tuple[int, list[Outcome]]]:
    """Yield each chunk's number and outcomes: this process works too, above all while others start.

    Each other process has two chunks at a time, so that it never waits for this one.
    """
    left = deque(enumerate(chunks))
    given: dict[Future[list[Outcome]], int] = {}
    while left or given:
        while left and len(given) < 2 * (reading.jobs - 1):
            number, chunk = left.popleft()
            given[pool.submit(_do_tasks, chunk, reading.store)] = number
        if left:
            number, chunk = left.popleft()
            yield number, _do_tasks(chunk, reading.store)
        else:
            wait(given, return_when=FIRST_COMPLETED)
        for done in [future for future in given if future.done()]:
            yield given.pop(done), done.result()
