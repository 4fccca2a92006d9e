"""One review or a season of them: separate processes and folders, one failure stops no other."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

from kit.errors import UsageError


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

    Raises
    ------
    KitError
        From a single review. In a season each failure becomes an `Outcome`.
    """
    from kit.report import run_review

    if len(params) == 1:
        done = run_review(
            params[0], out_dir=out_dir, timeout_s=timeout_s, allow_foreign_template=foreign_template
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
    command = [
        sys.executable,
        "-m",
        "kit",
        "run",
        "--out",
        str(out_dir),
        "--timeout",
        str(timeout_s),
    ]
    if foreign_template:
        command.append("--foreign-template")
    with ThreadPoolExecutor(max_workers=jobs) as pool:
        started = {pool.submit(_run_apart, [*command, str(p)], p): p for p in waiting}
        for future in as_completed(started):
            outcome = future.result()
            outcomes[outcome.params] = outcome
            if json_lines:
                _print_json(outcome)
    return Season(tuple(outcomes[p] for p in params))


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


def _run_apart(command: list[str], params: Path) -> Outcome:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    said = (done.stdout if done.returncode == 0 else done.stderr).strip()
    return Outcome(params, done.returncode, said.splitlines()[-1] if said else "no message")


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
