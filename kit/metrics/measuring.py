"""Many runs read and measured: one after another, in several processes, or on a cluster.

Whichever it is, each log is the same task of `logfacts` with the same result, and results come
together in the order of the run sheet: figures do not depend on who worked them out.
"""

from __future__ import annotations

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
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from kit.bench.runs import Run, RunRow, find_log
from kit.errors import ExecutionError, Fault, RunFileError
from kit.metrics.cluster import BATCH, do_on_cluster
from kit.metrics.log_facts import (
    LogFacts,
    LogSettings,
    LogTask,
    Outcome,
    do_tasks,
    do_tasks_alike,
    own_code,
)
from kit.metrics.run_metrics import RunMetrics, measure_run, state_metrics
from kit.metrics.signs import RunSigns, caps_looked_for, read_signs
from kit.metrics.store import Store
from kit.settings.bench_file import Bench
from kit.settings.params import ReviewParams

# A kernel is told through its environment: a template's parameters are paths that the report shows.
STORE_VARIABLE = "MARGINBOOK_STORE"
PLACE_VARIABLE = "MARGINBOOK_LOGS_AT"
# A process takes about half a second to start: as long as 60 MB of logs take one process.
WORTH_PROCESSES_BYTES = 100 * 1024 * 1024
CHUNK = 20
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
    told : callable of (int, int) to None, optional
        Called with how many logs are done, and of how many.
    """

    jobs: int = 1
    threads: int = 1
    store: Store | None = None
    cluster: str = ""
    logs_at: str = ""
    backwards: bool = False
    told: Callable[[int, int], None] | None = None


PLAIN = Reading(threads=2)  # each log anew, here


def reading_in_kernel(environ: Mapping[str, str]) -> Reading:
    """Return how a kernel reads: from the store and place that the process that started it says.

    Without them, as in JupyterLab, logs are read from the bench and no store is used.
    """
    folder = environ.get(STORE_VARIABLE)
    store = Store(Path(folder)) if folder else None
    return Reading(threads=2, store=store, logs_at=environ.get(PLACE_VARIABLE, ""))


def kernel_variables(reading: Reading) -> dict[str, str]:
    """Return the environment that makes a kernel read so."""
    folder = str(reading.store.folder) if reading.store is not None else ""
    return {STORE_VARIABLE: folder, PLACE_VARIABLE: reading.logs_at}


def make_task(
    row: RunRow,
    bench: Bench,
    params: ReviewParams,
    *,
    logs_at: str = "",
    shared: dict[tuple[str, str], LogSettings] | None = None,
) -> LogTask:
    """Return the task of reading and measuring a run's log.

    Tasks made with the same `shared` have one object of settings for all logs read alike.

    Raises
    ------
    RunFileError
        If the log is not where the run sheet says.
    """
    place = f"{logs_at.rstrip('/')}/{row.log}" if logs_at else str(find_log(row, bench))
    shared = {} if shared is None else shared
    alike = (row.layout, row.product)
    if alike not in shared:
        refresh_hz = bench.products[row.product].refresh_hz
        shared[alike] = LogSettings(
            layout=bench.layouts[row.layout],
            caps_hz=caps_looked_for(params.screen, refresh_hz=refresh_hz),
            cap_width=params.screen.cap_width,
            metrics=params.metrics,
        )
    return LogTask(row.log, place, shared[alike])


def measure_runs(
    rows: Sequence[RunRow], bench: Bench, params: ReviewParams, *, reading: Reading = PLAIN
) -> tuple[dict[str, RunSigns], dict[str, RunMetrics]]:
    """Return signs and figures of each run that produced something, in the order of `rows`.

    Frames are held for one run per process and thread.

    Raises
    ------
    RunFileError
        With the faults of all logs.
    """
    made = [row for row in rows if row.produced]
    outcomes: dict[str, Outcome] = {}
    tasks: dict[str, LogTask] = {}
    shared: dict[tuple[str, str], LogSettings] = {}
    for row in made:
        if row.log:
            try:
                tasks[row.run] = make_task(
                    row, bench, params, logs_at=reading.logs_at, shared=shared
                )
            except RunFileError as error:
                outcomes[row.run] = error.faults
    outcomes.update(zip(tasks, do_all(list(tasks.values()), reading), strict=True))
    signs: dict[str, RunSigns] = {}
    metrics: dict[str, RunMetrics] = {}
    faults: list[Fault] = []
    for row in made:
        outcome = outcomes.get(row.run)
        if outcome is None:  # typed-in figures
            run = Run(row)
            signs[row.run] = read_signs(run, params.screen)
            metrics[row.run] = measure_run(run, signs[row.run], params.metrics)
        elif isinstance(outcome, LogFacts):
            _state(row, outcome, params, signs, metrics)
        else:
            faults += outcome
    if faults:
        raise RunFileError(faults)
    return signs, metrics


def _state(
    row: RunRow,
    facts: LogFacts,
    params: ReviewParams,
    signs: dict[str, RunSigns],
    metrics: dict[str, RunMetrics],
) -> None:
    """Enter what a log gives as signs and figures of its run."""
    signs[row.run] = replace(facts.signs, run=row.run)
    if facts.figures is not None:
        metrics[row.run] = state_metrics(
            row,
            facts.figures,
            low=params.metrics.low,
            sha256=facts.signs.sha256,
            lag1=facts.signs.lag1,
            effective_frames=facts.signs.effective_frames,
        )


def do_all(tasks: Sequence[LogTask], reading: Reading) -> list[Outcome]:
    """Return what each task gives, in their order."""
    if reading.cluster and tasks:
        batches = [(own_code(), batch) for batch in _cut(tasks, BATCH)]
        parts = do_on_cluster(do_tasks_alike, batches, address=reading.cluster)
        return _collected(parts, len(batches), len(tasks), reading)
    if reading.jobs > 1 and _are_large(tasks):
        return _in_processes(tasks, reading)
    ordered = tasks[::-1] if reading.backwards else tasks
    outcomes: list[Outcome] = []
    with ThreadPoolExecutor(reading.threads) as pool:
        do = pool.map if reading.threads > 1 else map
        for part in do(partial(do_tasks, store=reading.store), _cut(ordered, HANDFUL)):
            outcomes += part
            _tell(reading, len(outcomes), len(tasks))
    return outcomes[::-1] if reading.backwards else outcomes


def _tell(reading: Reading, done: int, of: int) -> None:
    if reading.told is not None:
        reading.told(done, of)


def _collected(
    parts: Iterable[tuple[int, list[Outcome]]], count: int, logs: int, reading: Reading
) -> list[Outcome]:
    """Return the outcomes of numbered parts, which come as they are done, in order."""
    found: list[list[Outcome]] = [[] for _ in range(count)]
    done = 0
    for number, outcomes in parts:
        found[number] = outcomes
        done += len(outcomes)
        _tell(reading, done, logs)
    return [outcome for outcomes in found for outcome in outcomes]


def _are_large(tasks: Iterable[LogTask]) -> bool:
    """Return whether so much is to be read that starting processes pays."""
    size = 0
    for task in tasks:
        if "://" in task.place:
            return True
        try:
            size += Path(task.place).stat().st_size
        except OSError:  # said when it is read
            continue
        if size >= WORTH_PROCESSES_BYTES:
            return True
    return False


def _cut(tasks: Sequence[LogTask], size: int) -> list[tuple[LogTask, ...]]:
    """Return the tasks in batches of a size."""
    return [tuple(tasks[at : at + size]) for at in range(0, len(tasks), size)]


def _in_processes(tasks: Sequence[LogTask], reading: Reading) -> list[Outcome]:
    """Return what each task gives, done here and in processes started afresh (never forked)."""
    chunks = _cut(tasks, CHUNK)
    try:
        with ProcessPoolExecutor(reading.jobs - 1, mp_context=get_context("spawn")) as pool:
            parts = _shared_out(chunks, pool, reading)
            return _collected(parts, len(chunks), len(tasks), reading)
    except BrokenProcessPool:
        raise ExecutionError(
            "a process that was reading logs died; the system may be short of memory: run again "
            "with fewer --jobs"
        ) from None


def _shared_out(
    chunks: Sequence[tuple[LogTask, ...]], pool: ProcessPoolExecutor, reading: Reading
) -> Iterator[tuple[int, list[Outcome]]]:
    """Yield each chunk's number and outcomes: this process works too, above all while others start.

    Each other process has two chunks at a time, so that it never waits for this one.
    """
    left = deque(enumerate(chunks))
    given: dict[Future[list[Outcome]], int] = {}
    while left or given:
        while left and len(given) < 2 * (reading.jobs - 1):
            number, chunk = left.popleft()
            given[pool.submit(do_tasks, chunk, reading.store)] = number
        if left:
            number, chunk = left.popleft()
            yield number, do_tasks(chunk, reading.store)
        else:
            wait(given, return_when=FIRST_COMPLETED)
        for done in [future for future in given if future.done()]:
            yield given.pop(done), done.result()
