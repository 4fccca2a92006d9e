"""The facts of one run that screening needs, taken while its frames are in memory.

A run's frames are dropped once its diagnostics and its metrics are known: memory is bounded by one
run, not by the bench.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Self

import numpy as np
from numpy.typing import NDArray

from kit.bench.runs import RunRow
from kit.logs.read import Log
from kit.settings.metric import HEADLINE, tail_shares
from kit.stats.series import (
    average_fps,
    block_levels,
    cap_shares,
    effective_size,
    find_trend,
    lag1_autocorrelation,
    tail_effective_frames,
)

DIAGNOSTICS_VERSION = 1


@dataclass(frozen=True, slots=True)
class RunDiagnostics:
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
    lag1: float = 0.0  # autocorrelation of neighbouring frame times; NaN where none vary
    effective_frames: float = 0.0  # effective sample size of the mean frame time
    drift_share: float = 0.0  # Sen slope x length over the run's level; > 0 is slowing down
    drift_p: float = 1.0  # two-sided, autocorrelation taken into account
    cap_shares: Mapping[float, float] = field(default_factory=dict)  # Hz -> share of the run
    sensor_means: Mapping[str, float] = field(default_factory=dict)  # time-weighted
    clock_change_share: float | None = None  # last fifth over first fifth, minus 1
    temperature_change_c: float | None = None
    drift_judged: bool = False  # False: too few frames for a trend, or none differ
    profile: tuple[float, ...] = ()  # mean frame time in up to 100 stretches of equal time, in ms
    tail_frames: Mapping[str, float] = field(default_factory=dict)  # low's name -> effective frames

    @classmethod
    def of_typed(cls, row: RunRow) -> RunDiagnostics:
        """Return what is known of a run without a log: its average, where that was typed in."""
        return cls(row.run, average_fps=row.typed.get(HEADLINE, 0.0))

    @property
    def measurable(self) -> bool:
        """Whether the log can be measured: it has frames, and its clock never went back."""
        return self.frames > 0 and not self.backward_rows

    @classmethod
    def of_log(cls, log: Log, *, run: str, caps_hz: tuple[float, ...], cap_width: float) -> Self:
        """Return the facts of one log: a pure function of its bytes and the two settings.

        Parameters
        ----------
        log : Log
            Frame times in milliseconds, in the order shown, with sensors.
        run : str
            The run it belongs to, "" for none.
        caps_hz, cap_width : tuple of float, float
            Which caps to look for, and how near to a cap's period counts; no rule is applied here.

        Returns
        -------
        RunDiagnostics
            No statistics of a log whose clock goes back, or without frames.
        """
        frame_ms = log.frame_ms
        digest = _frames_sha256(frame_ms)
        if frame_ms.size == 0 or log.backward_rows or not frame_ms.min() > 0:
            return cls(
                run,
                sha256=log.sha256,
                frames_sha256=digest,
                frames=int(frame_ms.size),
                duration_s=float(frame_ms.sum()) / 1000.0,
                backward_rows=log.backward_rows or _not_positive_rows(frame_ms),
                step_ms=log.step_ms,
            )
        levels = block_levels(frame_ms)
        trend = find_trend(levels)
        longest = int(frame_ms.argmax())
        return cls(
            run,
            sha256=log.sha256,
            frames_sha256=digest,
            frames=int(frame_ms.size),
            duration_s=float(frame_ms.sum()) / 1000.0,
            average_fps=average_fps(frame_ms),
            median_ms=float(np.median(frame_ms)),
            longest_ms=float(frame_ms[longest]),
            longest_frame=longest,
            step_ms=log.step_ms,
            lag1=lag1_autocorrelation(frame_ms),
            effective_frames=effective_size(frame_ms),
            drift_share=trend.change / float(np.median(levels)) if trend.judged else 0.0,
            drift_p=trend.p_value,
            drift_judged=trend.judged,
            profile=tuple(levels.tolist()),
            cap_shares=cap_shares(frame_ms, caps_hz=caps_hz, width=cap_width),
            sensor_means=_sensor_means(log),
            clock_change_share=_clock_change_share(log),
            temperature_change_c=_temperature_change_c(log),
            tail_frames={
                name: tail_effective_frames(frame_ms, share=share)
                for name, share in tail_shares().items()
            },
        )


def _frames_sha256(frame_ms: NDArray[np.float64]) -> str:
    """Return the SHA-256 of the frame times as whole nanoseconds."""
    digest = hashlib.sha256()
    for start in range(0, frame_ms.size, 1 << 20):  # bounds the copies
        part = frame_ms[start : start + (1 << 20)]
        digest.update(np.rint(part * 1e6).astype("<i8").tobytes())
    return digest.hexdigest()


def _not_positive_rows(frame_ms: NDArray[np.float64]) -> tuple[int, ...]:
    """Return the frames, counted from 1, that took no time or less."""
    return tuple(int(i) + 1 for i in np.flatnonzero(~(frame_ms > 0)))


def _sensor_means(log: Log) -> dict[str, float]:
    """Return each sensor's mean over time, leaving out what was not read."""
    means: dict[str, float] = {}
    for name, readings in log.sensors.items():
        there = np.isfinite(readings)
        if there.any():
            means[name] = float(np.average(readings[there], weights=log.frame_ms[there]))
    return means


def _ends(readings: NDArray[np.float64]) -> tuple[float, float] | None:
    """Return the means of the first and the last fifth; None where either has no reading."""
    fifth = readings.size // 5
    if fifth == 0:
        return None
    first, last = readings[:fifth], readings[-fifth:]
    first, last = first[np.isfinite(first)], last[np.isfinite(last)]
    if first.size == 0 or last.size == 0:
        return None
    return float(first.mean()), float(last.mean())


def _clock_change_share(log: Log) -> float | None:
    """Return how far the graphics clock moved over the run, as a share of its beginning."""
    readings = _sensor(log, "clock_mhz")
    ends = _ends(readings) if readings is not None else None
    if ends is None or not ends[0] > 0 or not math.isfinite(ends[1]):
        return None
    return ends[1] / ends[0] - 1.0


def _temperature_change_c(log: Log) -> float | None:
    """Return how far the graphics temperature moved over the run, in degrees Celsius."""
    readings = _sensor(log, "temperature_c")
    ends = _ends(readings) if readings is not None else None
    return ends[1] - ends[0] if ends is not None else None


def _sensor(log: Log, name: str) -> NDArray[np.float64] | None:
    """Return the sensor of that name, or the first whose name ends so and is no processor's."""
    if name in log.sensors:
        return log.sensors[name]
    for other, readings in log.sensors.items():
        if other.endswith(f"_{name}") and not other.startswith(("processor", "memory")):
            return readings
    return None
