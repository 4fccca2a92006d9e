"""One run's frame times to its numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from kit.trace import Trace


@dataclass(frozen=True, slots=True)
class RunMetrics:
    """The figures of one run.

    `values` maps a metric's name (`average_fps`, `low_1pct_fps`, `low_0_1pct_fps`, or `value` for
    a title that does not measure frames) to its value, in the metric's unit, unrounded; the lows
    are under the definition chosen in params. `lows` holds the lows under every definition:
    definition -> metric -> value.
    """

    run: str
    product: str
    title: str
    session: str
    values: Mapping[str, float]
    trace: Trace
    frames: int = 0
    duration_s: float = 0.0
    lows: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    over_budget: Mapping[float, float] = field(default_factory=dict)  # Hz -> share of time
    hitches: int = 0
    energy_per_frame_j: float | None = None
    lag1: float = 0.0
    effective_frames: float = 0.0
    typed_in: bool = False
