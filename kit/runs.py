"""The run sheet `runs.csv`, and each of its rows read to a `Run`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from kit.layouts import Log

Status = Literal["ran", "crashed", "refused", "not_started", "set_aside"]


@dataclass(frozen=True, slots=True)
class RunRow:
    """One row of the run sheet.

    `typed` holds figures typed in where no log was kept, by metric name (`average_fps`,
    `low_1pct_fps`, `low_0_1pct_fps`, `value`). `conditions` holds every further column that is
    not empty (driver, ambient_c, fan_mode, ...), as written. `line` is the line of `runs.csv`.
    """

    run: str
    product: str
    title: str
    layout: str = ""
    log: str = ""
    began: dt.datetime | None = None
    session: str = ""
    status: Status = "ran"
    reason: str = ""
    typed: Mapping[str, float] = field(default_factory=dict)
    unit: str = ""
    conditions: Mapping[str, str] = field(default_factory=dict)
    line: int = 0
    row_sha256: str = ""

    @property
    def produced(self) -> bool:
        """Whether there is something to measure: a log or a typed figure."""
        return self.status in {"ran", "set_aside"} and bool(self.log or self.typed)


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One row of the run sheet with its log read (`log` is None where figures are typed in)."""

    row: RunRow
    log: Log | None = None
