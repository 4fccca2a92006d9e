"""One review or a season of them: separate processes and folders, one failure stops no other.

On a cluster each review of a season is one task: a worker runs it in a folder of its own and sends
the files back, and only this process puts them in place. A worker that dies leaves nothing behind.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from kit.errors import ExecutionError, KitError, ParamsError, UsageError
from kit.metrics.cluster import do_on_cluster
from kit.metrics.measuring import PLAIN, Reading
from kit.metrics.store import code_key
from kit.package import module_paths
from kit.settings.yaml import read_yaml

GRACE_S = 15.0  # an interrupted review has this long to shut its kernel down


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one review of a season ended."""

    params: Path
    exit_status: int
    message: str  # the report's path, or what went wrong

    def to_dict(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return {
            "params": self.params.name, "exit_status": self.exit_status, "message": self.message
        }  # fmt: skip

    def to_line(self) -> str:
        """Return one line: the params file, and the report's path or what went wrong."""
        failed = f"failed with status {self.exit_status}: " if self.exit_status else ""
        return f"{self.params.name}: {failed}{self.message}"


@dataclass(frozen=True, slots=True)
class Season:
    """How every review ended. The exit status is 4 when one of several failed."""

    outcomes: tuple[Outcome, ...]
    index: Path | None = None  # the page over the finished reviews of the folder

    @property
    def exit_status(self) -> int:
        """0 when all went well; a single review's own status; 4 for a season with a failure."""
        failed = [outcome for outcome in self.outcomes if outcome.exit_status]
        if not failed:
            return 0
        return failed[0].exit_status if len(self.outcomes) == 1 else 4

    def to_lines(self) -> list[str]:
        """Return a line per review."""
        if len(self.outcomes) == 1:
            return [self.outcomes[0].message]
        return [outcome.to_line() for outcome in self.outcomes]

    def closing_lines(self) -> list[str]:
        """Return how many reviews are finished, and where their index is."""
        done = sum(not outcome.exit_status for outcome in self.outcomes)
        lines = [f"{done} of {len(self.outcomes)} reviews finished"]
        return [*lines, f"index: {self.index}"] if self.index else lines


@dataclass(frozen=True, slots=True)
class RunOptions:
    """How reviews are run.

    Attributes
    ----------
    jobs : int
        Reviews run at the same time.
    timeout_s : int
        Seconds one review may take.
    resume : bool
        Leave out reviews finished with the params as they are now.
    foreign_template : bool
        Allow a template outside the project: it runs with the caller's rights.
    reading : Reading
        How logs are read. A cluster gets the logs of one review, or the reviews of a season, whose
        params, benches and templates its workers must find at the same paths.
    ahead : bool
        Whether a second process may work beside the kernel of a single review.
    """

    jobs: int = 1
    timeout_s: int = 1800
    resume: bool = False
    foreign_template: bool = False
    reading: Reading = PLAIN
    ahead: bool = False

    def to_words(self) -> list[str]:
        """Return the options of `run` that make another process run one review so."""
        words = ["--timeout", str(self.timeout_s), "--no-ahead"]
        words += ["--foreign-template"] if self.foreign_template else []
        words += ["--fresh"] if self.reading.store is None else []
        return words + (["--logs-at", self.reading.logs_at] if self.reading.logs_at else [])


def run_reviews(
    params: Sequence[Path],
    *,
    out_dir: Path,
    options: RunOptions = RunOptions(),  # frozen
    against: str | None = None,
    told: Callable[[Outcome], None] = lambda outcome: None,
) -> Season:
    """Run one review here, or several in processes of their own.

    Parameters
    ----------
    params : sequence of Path
        Params files. Two of one name in one season are refused: they would share a folder.
    out_dir : Path
        Each review's folder goes in here.
    options : RunOptions
        How they are run.
    against : str, optional
        The baseline of a season's league: see `kit.report.league.make_league`.
    told : callable, optional
        Called with each outcome as it comes.

    Raises
    ------
    KitError
        From a single review. In a season each failure becomes an `Outcome`; a `UsageError` says
        that two reviews would share a folder.
    KeyboardInterrupt
        Once every process of the season has ended.
    """
    from kit.report.league import write_season

    if len(params) == 1:
        outcome = _run_here(params[0], out_dir, options)
        told(outcome)
        return Season((outcome,))
    doubled = sorted(
        {p.name for p in params if sum(p.resolve() == q.resolve() for q in params) > 1}
    )
    if doubled:
        raise UsageError(f"named twice: {', '.join(doubled)}; name each params file once")
    _refuse_shared_folders(params)
    waiting = [p for p in params if not (options.resume and _is_finished(p, out_dir))]
    outcomes = {p: Outcome(p, 0, "finished before, left as it is") for p in params}
    words, cluster = options.to_words(), options.reading.cluster
    if cluster:
        ended = _on_cluster(waiting, words, out_dir, cluster)
    else:
        ended = _in_processes(waiting, [*words, "--out", str(out_dir)], options.jobs)
    before = [outcomes[p] for p in params if p not in waiting]
    for outcome in (*before, *_shown_progress(ended, len(waiting), "reviews")):
        outcomes[outcome.params] = outcome
        told(outcome)
    written = write_season(out_dir, baseline=against)
    return Season(tuple(outcomes[p] for p in params), written[0] if written else None)


def _run_here(params: Path, out_dir: Path, options: RunOptions) -> Outcome:
    """Run one review in this process."""
    from kit.report.report import run_review

    with _bar(f"{params.name}: logs", options.reading) as shown:
        done = run_review(
            params,
            out_dir=out_dir,
            timeout_s=options.timeout_s,
            allow_foreign_template=options.foreign_template,
            reading=shown,
            ahead=options.ahead,
        )
    return Outcome(params, 0, str(done.report))


def _refuse_shared_folders(params: Sequence[Path]) -> None:
    """Refuse params files that name one review: both would write its folder.

    Files that cannot be read are left to their own run, which says what is wrong with them.
    """
    named: dict[str, Path] = {}
    for path in params:
        try:
            document = read_yaml(path, file=path.name, error=ParamsError)
        except KitError:
            continue
        review = document.data.get("review")
        if not isinstance(review, str):
            continue
        first = named.setdefault(review, path)
        if first is not path:
            raise UsageError(
                f'{first.name} and {path.name} both make review "{review}" and would write one '
                "folder; give one of them another id"
            )


@dataclass(slots=True)
class _Children:
    """The processes of a season: those running, and whether no more are started."""

    running: set[subprocess.Popen[str]] = field(default_factory=set)
    closed: bool = False
    lock: threading.Lock = field(default_factory=threading.Lock)


def _in_processes(params: Sequence[Path], options: list[str], jobs: int) -> Iterator[Outcome]:
    """Yield how each review ended, run in processes of this machine, `jobs` at once.

    Whatever stops the season, an interrupt above all, ends its processes first.
    """
    children = _Children()
    pool = ThreadPoolExecutor(max_workers=jobs)
    try:
        started = [pool.submit(_run_apart, [*options, str(p)], p, children) for p in params]
        for future in as_completed(started):
            yield future.result()
    finally:
        _end(children)
        pool.shutdown(cancel_futures=True)


def _run_apart(options: list[str], params: Path, children: _Children | None = None) -> Outcome:
    """Run one review in a process of its own; return how it ended, in one line."""
    children = children or _Children()
    with children.lock:
        if children.closed:
            return Outcome(params, 130, "not started")
        child = subprocess.Popen(
            [sys.executable, "-m", "kit", "run", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,  # a terminal's Ctrl-C reaches it once: through this process
        )
        children.running.add(child)
    out, err = child.communicate()
    with children.lock:
        children.running.discard(child)
    if child.returncode == 0:
        return Outcome(params, 0, out.strip().splitlines()[-1] if out.strip() else "no message")
    return Outcome(
        params, child.returncode, "; ".join(err.split("\n")).strip("; ")[-600:] or "no message"
    )


def _end(children: _Children) -> None:
    """Interrupt what still runs, so that it tidies up; end it if it does not in time."""
    with children.lock:
        children.closed = True
        running = list(children.running)
    for child in running:
        child.send_signal(signal.SIGINT)
    for child in running:
        try:
            child.wait(timeout=GRACE_S)
        except subprocess.TimeoutExpired:
            child.kill()


@dataclass(frozen=True, slots=True)
class _Delivery:
    """A review as a worker sends it back: how it ended, and its files by name."""

    outcome: Outcome
    review: str
    files: Mapping[str, bytes]


def _run_elsewhere(task: tuple[Path, tuple[str, ...], str]) -> _Delivery:
    """Run one review in a folder of its own and return its files: what a worker does.

    Parameters
    ----------
    task : tuple of Path, tuple of str, str
        The params file, options of `run`, and the key of the sender's code.

    Raises
    ------
    ExecutionError
        If this machine has other code than the sender.
    """
    params, options, code = task
    if code != _all_code():
        raise ExecutionError(
            "a worker has another version of marginbook or its packages than this machine; install "
            "the same on all"
        )
    with tempfile.TemporaryDirectory(prefix="marginbook-review-") as own:
        outcome = _run_apart([*options, "--out", own, str(params)], params)
        files = {
            path.relative_to(own).as_posix(): path.read_bytes()
            for path in sorted(Path(own).rglob("*"))
            if path.is_file() and path.suffix != ".lock"
        }
    reviews = [name.split("/")[0] for name in files if name.endswith("/report.html")]
    return _Delivery(outcome, reviews[0] if reviews else "", files)


def _all_code() -> str:
    """Return a key of the code that makes a report, here."""
    return code_key(tuple(module_paths()), ("matplotlib", "numpy", "pandas", "pyarrow", "scipy"))


def _on_cluster(
    params: Sequence[Path], options: list[str], out_dir: Path, address: str
) -> Iterator[Outcome]:
    """Yield how each review ended, run by workers and put in place here."""
    tasks = [(p.resolve(), tuple(options), _all_code()) for p in params]
    for number, delivery in do_on_cluster(_run_elsewhere, tasks, address=address):
        outcome = replace(delivery.outcome, params=params[number])
        if outcome.exit_status == 0:
            outcome = _put_in_place(delivery, outcome, out_dir)
        else:
            _keep_half_run(delivery, out_dir)
        yield outcome


def _keep_half_run(delivery: _Delivery, out_dir: Path) -> None:
    """Keep the notebook of a review that failed, as far as it ran."""
    for name, data in delivery.files.items():
        if "/" not in name and name.endswith(".failed.ipynb"):
            out_dir.mkdir(parents=True, exist_ok=True)
            (out_dir / name).write_bytes(data)


def _put_in_place(delivery: _Delivery, outcome: Outcome, out_dir: Path) -> Outcome:
    """Put a delivered review's folder in place, whole."""
    from kit.report.files import note_inputs, put_folder

    prefix = f"{delivery.review}/"
    files = {n.removeprefix(prefix): d for n, d in delivery.files.items() if n.startswith(prefix)}
    try:
        folder = put_folder(files, name=delivery.review, out_dir=out_dir)
        note_inputs(folder, outcome.params.resolve())
    except KitError as error:
        return replace(outcome, exit_status=error.exit_status, message=str(error))
    return replace(outcome, message=str(folder / "report.html"))


def _is_finished(params: Path, out_dir: Path) -> bool:
    """Return whether a review's folder holds a report made from the params as they are now."""
    from kit.claims.claim import file_sha256, load_claims
    from kit.errors import KitError
    from kit.settings.params import load_params

    try:
        review = load_params(params).params.review
        book = load_claims(out_dir / review)
    except KitError:
        return False
    report = out_dir / review / "report.html"
    return report.is_file() and book.params_sha256 == file_sha256(params)


T = TypeVar("T")


def _shown_progress(items: Iterable[T], count: int, what: str) -> Iterator[T]:
    """Yield the items as they come; show how many of `count` came, at what rate, time left."""
    if count < 2 or not sys.stderr.isatty():
        yield from items
        return
    with _bars() as bars:
        task = bars.add_task(what, total=count)
        for item in items:
            bars.advance(task)
            yield item


@contextmanager
def _bar(what: str, reading: Reading) -> Iterator[Reading]:
    """Give the reading with a bar that shows how many logs are done."""
    if not sys.stderr.isatty():
        yield reading
        return
    with _bars() as bars:
        task = bars.add_task(what, total=None, visible=False)

        def tell(done: int, of: int) -> None:
            bars.update(task, completed=done, total=of, visible=True)

        yield replace(reading, told=tell)


def _bars() -> Any:
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        ProgressColumn,
        Task,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )
    from rich.text import Text

    class Rate(ProgressColumn):
        """How many are done in a second."""

        def render(self, task: Task) -> Text:
            """Return the rate, or nothing while there is none."""
            speed = task.finished_speed or task.speed
            return Text("" if speed is None else f"{speed:.1f}/s")

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        Rate(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
