"""One review or a season of them: separate processes and folders, one failure stops no other.

On a cluster each review of a season is one task: a worker runs it in a folder of its own and sends
the files back, and only this process puts them in place. A worker that dies leaves nothing behind.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path

from kit.cluster import do_on_cluster
from kit.errors import ExecutionError, KitError, UsageError
from kit.measuring import PLAIN, Reading
from kit.progress import bar, shown_progress
from kit.store import code_key


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one review of a season ended."""

    params: Path
    exit_status: int
    message: str  # the report's path, or what went wrong


@dataclass(frozen=True, slots=True)
class Season:
    """How every review ended. The exit status is 4 when one of several failed."""

    outcomes: tuple[Outcome, ...]

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
        return [
            f"{outcome.params.name}: "
            + (
                outcome.message
                if not outcome.exit_status
                else f"failed with status {outcome.exit_status}: {outcome.message}"
            )
            for outcome in self.outcomes
        ]


def run_reviews(
    params: Sequence[Path],
    *,
    out_dir: Path,
    jobs: int = 1,
    timeout_s: int = 1800,
    resume: bool = False,
    foreign_template: bool = False,
    json_lines: bool = False,
    reading: Reading = PLAIN,
    ahead: bool = False,
) -> Season:
    """Run one review here, or several in processes of their own.

    Parameters
    ----------
    params : sequence of Path
        Params files. Two of one name in one season are refused: they would share a folder.
    out_dir : Path
        Each review's folder goes in here.
    jobs : int
        Reviews run at the same time.
    timeout_s : int
        Seconds one review may take.
    resume : bool
        Leave out reviews finished with the params as they are now.
    foreign_template : bool
        Allow a template outside the project.
    json_lines : bool
        Print a line of JSON as each review ends.
    reading : Reading
        How logs are read. A cluster gets the logs of one review, or the reviews of a season, whose
        params, benches and templates its workers must find at the same paths.
    ahead : bool
        Whether a second process may work beside the kernel of a single review.

    Raises
    ------
    KitError
        From a single review. In a season each failure becomes an `Outcome`.
    """
    from kit.report import run_review

    if len(params) == 1:
        with bar(f"{params[0].name}: logs", reading) as shown:
            done = run_review(
                params[0],
                out_dir=out_dir,
                timeout_s=timeout_s,
                allow_foreign_template=foreign_template,
                reading=shown,
                ahead=ahead,
            )
        outcome = Outcome(params[0], 0, str(done.report))
        if json_lines:
            _print_json(outcome)
        return Season((outcome,))
    doubled = sorted(
        {p.name for p in params if sum(p.resolve() == q.resolve() for q in params) > 1}
    )
    if doubled:
        raise UsageError(f"named twice: {', '.join(doubled)}; name each params file once")
    waiting = [p for p in params if not (resume and is_finished(p, out_dir))]
    outcomes = {p: Outcome(p, 0, "finished before, left as it is") for p in params}
    options = ["--timeout", str(timeout_s), *(["--foreign-template"] if foreign_template else ())]
    options += reading_options(reading)
    if reading.cluster:
        ended = _on_cluster(waiting, options, out_dir, reading.cluster)
    else:
        ended = _in_processes(waiting, [*options, "--out", str(out_dir)], jobs)
    for outcome in shown_progress(ended, len(waiting), "reviews"):
        outcomes[outcome.params] = outcome
        if json_lines:
            _print_json(outcome)
    return Season(tuple(outcomes[p] for p in params))


def reading_options(reading: Reading) -> list[str]:
    """Return the options of `run` that make another process read like this one."""
    options = ["--no-ahead"]
    if reading.store is None:
        options.append("--fresh")
    if reading.logs_at:
        options += ["--logs-at", reading.logs_at]
    return options


def _in_processes(params: Sequence[Path], options: list[str], jobs: int) -> Iterator[Outcome]:
    """Yield how each review ended, run in processes of this machine, `jobs` at once."""
    with ThreadPoolExecutor(max_workers=jobs) as pool:
        started = [pool.submit(_run_apart, [*options, str(p)], p) for p in params]
        for future in as_completed(started):
            yield future.result()


def _run_apart(options: list[str], params: Path) -> Outcome:
    command = [sys.executable, "-m", "kit", "run", *options]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    said = (done.stdout if done.returncode == 0 else done.stderr).strip()
    return Outcome(params, done.returncode, said.splitlines()[-1] if said else "no message")


@dataclass(frozen=True, slots=True)
class Delivery:
    """A review as a worker sends it back: how it ended, and its files by name."""

    outcome: Outcome
    review: str
    files: Mapping[str, bytes]


def run_elsewhere(task: tuple[Path, tuple[str, ...], str]) -> Delivery:
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
    if code != all_code():
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
    return Delivery(outcome, reviews[0] if reviews else "", files)


def all_code() -> str:
    """Return a key of the code that makes a report, here."""
    names = sorted(path.stem for path in Path(__file__).parent.glob("*.py"))
    return code_key(tuple(names), ("matplotlib", "numpy", "pandas", "pyarrow", "scipy"))


def _on_cluster(
    params: Sequence[Path], options: list[str], out_dir: Path, address: str
) -> Iterator[Outcome]:
    """Yield how each review ended, run by workers and put in place here."""
    tasks = [(p.resolve(), tuple(options), all_code()) for p in params]
    for number, delivery in do_on_cluster(run_elsewhere, tasks, address=address):
        outcome = replace(delivery.outcome, params=params[number])
        if outcome.exit_status == 0:
            outcome = _put_in_place(delivery, outcome, out_dir)
        else:
            _keep_half_run(delivery, out_dir)
        yield outcome


def _keep_half_run(delivery: Delivery, out_dir: Path) -> None:
    """Keep the notebook of a review that failed, as far as it ran."""
    for name, data in delivery.files.items():
        if "/" not in name and name.endswith(".failed.ipynb"):
            out_dir.mkdir(parents=True, exist_ok=True)
            (out_dir / name).write_bytes(data)


def _put_in_place(delivery: Delivery, outcome: Outcome, out_dir: Path) -> Outcome:
    """Put a delivered review's folder in place, whole."""
    from kit.inputs import note_inputs
    from kit.report import put_folder

    prefix = f"{delivery.review}/"
    files = {n.removeprefix(prefix): d for n, d in delivery.files.items() if n.startswith(prefix)}
    try:
        folder = put_folder(files, name=delivery.review, out_dir=out_dir)
        note_inputs(folder, outcome.params.resolve())
    except KitError as error:
        return replace(outcome, exit_status=error.exit_status, message=str(error))
    return replace(outcome, message=str(folder / "report.html"))


def is_finished(params: Path, out_dir: Path) -> bool:
    """Return whether a review's folder holds a report made from the params as they are now."""
    from kit.claims import file_sha256, load_claims
    from kit.errors import KitError
    from kit.params import load_params

    try:
        review = load_params(params).params.review
        book = load_claims(out_dir / review)
    except KitError:
        return False
    report = out_dir / review / "report.html"
    return report.is_file() and book.params_sha256 == file_sha256(params)


def _print_json(outcome: Outcome) -> None:
    print(
        json.dumps(
            {
                "params": outcome.params.name,
                "exit_status": outcome.exit_status,
                "message": outcome.message,
            },
            ensure_ascii=False,
        ),
        flush=True,
    )
