"""What the benchmarks share: two works timed in turns in one process, and a row of the table."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
BIN = Path(sys.executable).parent
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # what is installed has its bytecode


@dataclass(frozen=True)
class Row:
    """One row of the table: a goal, and the ratios ours / peer of every pair."""

    goal_id: str
    what: str
    beside: str
    goal: float
    ratios: tuple[float, ...]
    at_least: bool = False  # the goal is a lower bound
    note: str = ""
    kept: bool | None = None  # where more than the ratio counts

    @property
    def met(self) -> bool:
        """Whether the median meets the goal."""
        if self.kept is False:
            return False
        median = float(np.median(self.ratios))
        return median >= self.goal if self.at_least else median <= self.goal

    def to_line(self) -> str:
        """Return the row in Markdown."""
        sign = ">=" if self.at_least else "<="
        digits = 2 if np.median(self.ratios) >= 0.1 else 4
        middle = (
            f"{np.median(self.ratios):.{digits}f} "
            f"[{min(self.ratios):.{digits}f}-{max(self.ratios):.{digits}f}]"
        )
        if len(self.ratios) == 1:
            middle = f"{self.ratios[0]:.4g}"
        return (
            f"| {self.goal_id} | {self.what} | {self.beside} | {sign} {self.goal:g} | {middle} | "
            f"{len(self.ratios)} | {'yes' if self.met else 'no'} | {self.note} |"
        )


HEAD = (
    "| # | what | beside | goal | median [min-max] | pairs | met | |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- |"
)


def seconds(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    """Return how long something takes."""
    start = clock()
    work()
    return clock() - start


def time_pairs(
    ours: Callable[[], object],
    peer: Callable[[], object],
    pairs: int,
    *,
    warm: bool = True,
    clock: Callable[[], float] = time.perf_counter,
) -> tuple[float, ...]:
    """Return ours / peer of each pair, the two in turns: first one, then the other begins.

    Works of milliseconds in this one thread may be counted by `time.process_time`: others on the
    machine then count for neither.
    """
    if warm:
        ours()
        peer()
    ratios = []
    for number in range(pairs):
        if number % 2:
            theirs = seconds(peer, clock)
            mine = seconds(ours, clock)
        else:
            mine = seconds(ours, clock)
            theirs = seconds(peer, clock)
        ratios.append(mine / theirs)
    return tuple(ratios)


def run_quietly(*command: object, **more: object) -> None:
    """Run a command, which must end well, and keep what it prints to itself."""
    done = subprocess.run(
        [str(word) for word in command], capture_output=True, text=True, check=False, **more
    )
    if done.returncode:
        raise SystemExit(f"{command}: {done.stdout}{done.stderr}")


def machine() -> str:
    """Return what the figures were measured on."""
    model = platform.processor() or "processor unknown"
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.is_file():
        lines = cpuinfo.read_text().splitlines()
        model = next((x.split(":")[1].strip() for x in lines if x.startswith("model name")), model)
    packages = ("numpy", "scipy", "pandas", "pyarrow", "matplotlib", "papermill", "duckdb")
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    return (
        f"{os.cpu_count()} x {model}, {platform.system()} {platform.machine()}, Python "
        f"{platform.python_version()}, {versions}; load of the machine when this ended {load}"
    )


def say(*rows: Row) -> None:
    """Print rows as a table."""
    print(HEAD)
    for row in rows:
        print(row.to_line(), flush=True)


def pairs_asked(default: int = 7) -> int:
    """Return how many pairs the command line asks for."""
    return int(sys.argv[1]) if len(sys.argv) > 1 else default
