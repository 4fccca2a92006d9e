"""A review's run killed while it puts its folder in place: what stands there afterwards, counted.

``python tests/evidence/run_kill_points.py`` kills a run before each single step by which it changes the
disk after its notebook has run, and prints "kill points tried N, states lost M".
"""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS.parent), *(str(TESTS / n) for n in ("", "support", "evidence"))]

from kill_points import DISK_EVENTS  # noqa: E402
from tiny_project import copy_project, edit_template, keep_cells  # noqa: E402

from kit.errors import KitError  # noqa: E402
from kit.report import report  # noqa: E402
from kit.report.report import _Execution, run_review  # noqa: E402

QUICK = ("parameters", "imports", "load", "head", "write", "closing")


def whole(folder: Path) -> dict[str, str]:
    """Return the hash of every file below a folder."""
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


class Recorded:
    """A template executed once; played again, it writes the same files without a kernel."""

    def __init__(self, params: Path, folder: Path) -> None:
        self.params, self.kept = params, folder
        self.real = report._execute_template
        self.execution: _Execution | None = None

    def record(self, notebook, parameters, **how):
        self.execution = self.real(notebook, parameters, **how)
        shutil.copytree(parameters["out_dir"], self.kept)
        return self.execution

    def play(self, notebook, parameters, **how):
        shutil.copytree(self.kept, parameters["out_dir"], dirs_exist_ok=True)
        return self.execution


def kill_placing(folder: Path, *, every: int = 1) -> tuple[int, list[str]]:
    """Kill a run before every n-th step on disk; return how often, and every state lost.

    A state is lost if what stands under the final name is not wholly the earlier or wholly the
    new report, or if the next run does not work.
    """
    params = copy_project(folder / "project")
    edit_template(params, keep_cells(*QUICK))
    out = folder / "out"
    recorded = Recorded(params, folder / "kept")
    report._execute_template = recorded.record
    try:
        made = run_review(params, out_dir=out, timeout_s=60)
        report._execute_template = recorded.play
        good = whole(made.folder)
        tried, lost, step = 0, [], 1
        while True:
            for first in (False, True):  # nothing there before; an earlier report there
                if first:
                    shutil.rmtree(out, ignore_errors=True)
                elif not made.folder.exists():
                    run_review(params, out_dir=out, timeout_s=60)
                died = _killed_at(step, params, out)
                if died:
                    tried += 1
                trouble = _trouble(out, made.folder, good, params)
                if trouble:
                    lost.append(f"step {step}, {'first run' if first else 'again'}: {trouble}")
            if not died:
                return tried, lost
            step += every
    finally:
        report._execute_template = recorded.real


def _killed_at(step: int, params: Path, out: Path) -> bool:
    """Run in a child that dies before its n-th step on disk; return if it did."""
    child = os.fork()
    if child == 0:
        seen = 0

        def count(event: str, arguments: tuple) -> None:
            nonlocal seen
            if event in DISK_EVENTS and str(out) in str(arguments):
                seen += 1
                if seen == step:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(count)
        try:
            run_review(params, out_dir=out, timeout_s=60)
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def _trouble(out: Path, target: Path, good: dict[str, str], params: Path) -> str:
    """Return what is wrong after a kill, and once the next run has come."""
    if target.exists() and whole(target) != good:
        return "half a report stands under the final name"
    try:
        run_review(params, out_dir=out, timeout_s=60)
    except KitError as error:
        return f"the next run does not work: {error}"
    if whole(target) != good:
        return "the next run gives another report"
    left = sorted(p.name for p in out.iterdir() if ".partial-" in p.name or ".old-" in p.name)
    return f"left behind: {left}" if left else ""


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        count, wrong = kill_placing(Path(scratch))
    for line in wrong:
        print("LOST", line)
    print(f"kill points tried {count}, states lost {len(wrong)}")
    sys.exit(1 if wrong else 0)
