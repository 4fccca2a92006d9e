"""A review's kernel, started before anything else, and a second process beside it.

A Python imports what a review needs while the process that started it imports what runs cells; then
it is told which kernel to be.

The second process, where there is a second processor, is forked from it before the kernel begins.
It leaves what it makes in the results store: logs from the last row of the run sheet backwards,
then, once the kernel has worked out what there is to draw and hands it over, pictures from the last
chart backwards. The kernel begins at the first, so that each does about half. It decides nothing:
what it makes is what the kernel would have made, and where it fails the kernel meets the same fault
and says so.

`python -m kit.report.ahead MODULE ...` imports these, and waits to be told in a line of JSON
what to become.
"""

from __future__ import annotations

import gc
import importlib.util
import json
import os
import pickle
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any, BinaryIO, ClassVar, NoReturn

from kit.package import PACKAGE

if TYPE_CHECKING:
    from kit.charts.style import Chart


# What reading, working out and showing a review imports, sooner or later; what reads logs first.
_TO_READ = ("kit.review.walk", "pyarrow.csv", "pyarrow.parquet", "scipy.fft", "scipy.ndimage")
NEEDED = (*_TO_READ, "kit.report.laboratory", "kit.page.outputs", "kit.page.findings",
           "kit.charts.layout", "kit.stats.suite_errors", "pandas",
           "matplotlib.backends.backend_svg", "babel.lists", "jinja2", "markdown_it")  # fmt: skip


class WaitingKernel:
    """A Python that imports modules, and waits to be told which kernel to be.

    Attributes
    ----------
    folder : Path
        Its own, for as long as it lives.
    process : Popen
        The leader of a group of processes: the second one, where there is one, is in it.
    """

    _spare: ClassVar[list[WaitingKernel]] = []
    _beside: ClassVar[list[int]] = []  # in a kernel: the pipe to the process beside it

    def __init__(self, *modules: str) -> None:
        self._own = tempfile.TemporaryDirectory(
            prefix="marginbook-kernel-", ignore_cleanup_errors=True
        )
        self.folder = Path(self._own.name)
        with (self.folder / "stderr.txt").open("wb") as stderr:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "kit.report.ahead", *modules],
                cwd=PACKAGE.parent,  # the folder it is started in shadows nothing
                env=self.environment(self.folder),
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=stderr,
                start_new_session=True,
            )

    @classmethod
    @contextmanager
    def ahead(cls, wanted: bool) -> Iterator[None]:
        """Start one, if it is wanted, for whoever takes one in the block."""
        spare = cls(*NEEDED) if wanted else None
        cls._spare += [spare] if spare else []
        try:
            yield
        finally:
            if spare in cls._spare:
                cls._spare.remove(spare)
                spare.end()

    @classmethod
    @contextmanager
    def taken(cls, opens: bool) -> Iterator[WaitingKernel]:
        """Give the one that was started ahead, or a new one, for as long as the block lasts.

        One whose notebook `opens` no review imports nothing ahead.
        """
        spare = cls._spare.pop() if opens and cls._spare else None
        waiting = spare or cls(*(NEEDED if opens else ()))
        try:
            yield waiting
        finally:
            waiting.end()

    def become(self, connection: str, told: Mapping[str, Any]) -> None:
        """Tell it which kernel to be. One that has died is told nothing: its client finds out.

        Parameters
        ----------
        connection : str
            The kernel's connection file.
        told : mapping
            "folder" to work in, "variables" of its environment; and "beside", the params file for a
            second process, or "".
        """
        line = json.dumps({**told, "connection": connection}) + "\n"
        if (asked := self.process.stdin) is not None:
            with suppress(OSError), asked:
                asked.write(line.encode())

    @classmethod
    def hand_over(cls, made: Callable[[], Mapping[str, Sequence[Chart]]]) -> None:
        """Give the process beside this kernel, where one waits, charts to draw, by subject."""
        if not cls._beside:
            return
        pipe = cls._beside.pop()
        # A picture depends on words and plan: the claims stay here.
        charts = [replace(chart, claims=()) for subject in made().values() for chart in subject]
        data = pickle.dumps(charts)

        def send() -> None:
            with suppress(OSError), os.fdopen(pipe, "wb") as told:  # it may have ended
                told.write(data)

        Thread(target=send, daemon=True).start()  # it may still be measuring

    def last_words(self) -> str:
        """Return how it ended and what it last wrote."""
        status = self.process.poll()
        said = f" (its process ended with status {status})"
        if status == -9:
            said += "; signal 9 is often the system short of memory"
        text = (self.folder / "stderr.txt").read_text(encoding="utf-8", errors="replace")
        last = next((line.strip() for line in reversed(text.split("\n")) if line.strip()), "")
        return f"{said}; its last words: {last[:200]}" if last else said

    def end(self) -> None:
        """End it and the process beside it."""
        with suppress(OSError):
            if hasattr(os, "killpg"):
                os.killpg(self.process.pid, signal.SIGKILL)
            self.process.kill()
        with suppress(OSError):  # what it was never told
            self.process.communicate()
        self._own.cleanup()

    @staticmethod
    def environment(folder: Path) -> dict[str, str]:
        """Return the caller's environment, with all set that could move a byte of the page."""
        fixed = {
            "PYTHONHASHSEED": "0",
            "SOURCE_DATE_EPOCH": "0",
            "MPLBACKEND": "Agg",
            "TZ": "UTC",
            "IPYTHONDIR": str(folder / "ipython"),  # no start-up files or history of the user
            "PYTHONWARNINGS": os.environ.get("PYTHONWARNINGS", "default"),
        }
        if hasattr(os, "getppid"):
            fixed["JPY_PARENT_PID"] = str(os.getpid())  # without it, the kernel ends itself
        found = importlib.util.find_spec("matplotlib")
        if found is not None and found.origin:  # no settings file of the user either
            fixed["MATPLOTLIBRC"] = str(Path(found.origin).parent / "mpl-data" / "matplotlibrc")
        return {**os.environ, **fixed}


def _work_ahead(params_path: Path, handed: BinaryIO) -> None:
    """Fill the store that the environment names.

    Parameters
    ----------
    params_path : Path
        Of the review. Without a store in the environment nothing is done.
    handed : binary file
        Gives the charts that the kernel hands over, once it has; nothing where it ends before.
    """
    from kit.metrics.measuring import Reading
    from kit.review.walk import load_review

    reading = Reading.in_kernel(os.environ)
    if reading.store is None:
        return
    load_review(params_path, reading=replace(reading, backwards=True))
    for module in NEEDED:  # while the kernel works out what there is to draw
        import_module(module)
    # Another process draws in the page's order meanwhile; the two meet in the middle, and what one
    # has drawn the other finds in the store.
    charts: list[Chart] = pickle.load(handed)
    for chart in reversed(charts):
        chart.draw_export()
    for chart in reversed(charts):
        chart.page_image()


def _wait() -> None:
    """Import what was asked for, and be the kernel that a line of standard input describes."""
    gc.set_threshold(50_000)  # as in `kit.__main__`
    told: dict[str, Any] = {}
    for module in sys.argv[1:]:
        if module not in _TO_READ and not told and hasattr(os, "fork"):
            told = _told() if select.select([sys.stdin], [], [], 0)[0] else {}
        import_module(module)
    from ipykernel.kernelapp import launch_new_instance

    gc.freeze()
    if not (told := told or _told()):
        return  # whoever started it has ended
    sys.argv[1:] = ["-f", told["connection"]]
    launch_new_instance()


def _told() -> dict[str, Any]:
    """Return what a line of standard input says, once it has come; start the process beside."""
    told: dict[str, Any] = json.loads(sys.stdin.buffer.readline() or "{}")
    if not told:
        return told
    os.chdir(told["folder"])
    os.environ.update(told["variables"])
    if told["beside"] and hasattr(os, "fork"):
        gc.freeze()  # what was imported is never looked at again: the process forked here shares it
        handed, pipe = os.pipe()
        if not os.fork():  # no thread was started yet that it would lack
            os.close(pipe)
            _work_quietly(Path(told["beside"]), handed)
        os.close(handed)
        import_module("kit.report.ahead").WaitingKernel._beside.append(pipe)  # this is __main__
    return told


def _work_quietly(params_path: Path, handed: int) -> NoReturn:
    """Work ahead in this process and end it; what it says goes nowhere."""
    try:
        null = os.open(os.devnull, os.O_RDWR)
        for stream in range(3):
            os.dup2(null, stream)
        os.environ.pop("MARGINBOOK_PROGRESS", None)  # the kernel alone says how far it has come
        with os.fdopen(handed, "rb") as charts:
            _work_ahead(params_path, charts)
    finally:
        os._exit(0)


if __name__ == "__main__":
    del sys.path[0]  # where it was started; a kernel puts its own folder there
    _wait()
