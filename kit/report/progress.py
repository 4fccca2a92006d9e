"""Bars for long work, on standard error and only on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, TypeVar

from kit.metrics.measuring import Reading

T = TypeVar("T")


def shown_progress(items: Iterable[T], count: int, what: str) -> Iterator[T]:
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
def bar(what: str, reading: Reading) -> Iterator[Reading]:
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
