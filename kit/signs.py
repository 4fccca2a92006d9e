"""The facts of one run that screening needs, taken while its frames are in memory.

A run's frames are dropped once its signs and its metrics are known: memory is bounded by one
run, not by the bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class RunSigns:
    """What screening needs to know of one run. Facts only; rules are in `screen`."""

    run: str
    sha256: str = ""
    frames_sha256: str = ""  # of the frame times as rounded to 1 ns: equal frames, other bytes
    frames: int = 0
    duration_s: float = 0.0
    average_fps: float = 0.0
    median_ms: float = 0.0
    longest_ms: float = 0.0
    longest_frame: int = 0  # index of the longest frame
    backward_rows: tuple[int, ...] = ()
    step_ms: float = 0.0
    lag1: float = 0.0  # autocorrelation of neighbouring frame times
    effective_frames: float = 0.0  # effective sample size of the mean frame time
    drift_share: float = 0.0  # Sen slope x length over the run's level; > 0 is slowing down
    drift_p: float = 1.0  # two-sided, autocorrelation taken into account
    cap_shares: Mapping[float, float] = field(default_factory=dict)  # Hz -> share of frames
    sensor_means: Mapping[str, float] = field(default_factory=dict)
    clock_change_share: float | None = None  # last fifth over first fifth, minus 1
    temperature_change_c: float | None = None
