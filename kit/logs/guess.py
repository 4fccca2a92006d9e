"""Which column of an unknown log holds the frames, in which unit, and which hold sensors."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# A scene at 3 to 3000 frames per second; units are a factor of 1000 apart, so one of them fits.
_MIDDLE_MS = 10.0
_PER_MS = {"s": 1e-3, "ms": 1.0, "us": 1e3, "ns": 1e6}
_UNIT_WORDS = {
    "ns": r"ns|nano\w*",
    "us": r"us|µs|μs|usec|micro\w*",
    "ms": r"ms|msec|milli\w*",
    "s": r"s|sec|secs|seconds?|sekunden?",
}
_FRAME_WORDS = r"frame.?times?|frametimes?|frame|delta|duration|length|interval|cost|dt|bildzeit"
_STAMP_WORDS = r"elapsed|stamp\w*|timestamps?|clock.?time|since|t|time|times|at|end|zeit|moment"
_SENSORS = {
    "power_w": r"power|watts?|w|leistung",
    "temperature_c": r"temp|temperature\w*|celsius|deg|°c|c",
    "clock_mhz": r"clock|mhz|core.?clock|freq\w*|takt",
    "load_pct": r"load|usage|util\w*|busy|%|pct|percent|auslastung",
}
_PARTS = {"processor": r"cpu|processor|prozessor", "memory": r"mem|memory|vram|ram"}
_RATE_WORDS = r"fps|rate|hz"


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """What one column of numbers may hold: `kind` is frame_time, frame_end, sensor or other."""

    place: int  # from 0
    name: str
    kind: str
    unit: str = ""
    score: float = 0.0
    reasons: tuple[str, ...] = ()
    sensor: str = ""
    starts: str = "first_row"


def guess_columns(
    columns: dict[int, NDArray[np.float64]], names: Sequence[str]
) -> list[ColumnGuess]:
    """Return a guess for each column of numbers, the likeliest frame column first.

    Parameters
    ----------
    columns : dict of int to ndarray of float, shape (n_rows,)
        Values by place, counted from 0; NaN where a cell is empty.
    names : sequence of str
        The header, or nothing.
    """
    guesses = [
        _guess(place, names[place] if place < len(names) else "", values, columns)
        for place, values in columns.items()
    ]
    return sorted(guesses, key=lambda guess: -guess.score)


def words_in(name: str) -> str:
    """Return a header's words apart, so that units and parts can be found among them.

    >>> words_in("GpuPower [W]")
    ' gpu power w '
    """
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return " " + " ".join(re.findall(r"[a-z°%µμäöü]+", apart.lower())) + " "


def _has(name: str, words: str) -> bool:
    return re.search(rf"(?<= )(?:{words})(?= )", words_in(name)) is not None


def unit_in(name: str) -> str:
    """Return the unit of time a header names, or nothing.

    >>> unit_in("frame_time_ms"), unit_in("Elapsed (s)"), unit_in("status")
    ('ms', 's', '')
    """
    for unit, words in _UNIT_WORDS.items():
        if _has(name, words):
            return unit
    return ""


def plausible_unit(typical: float) -> str:
    """Return the unit in which a typical value is nearest to ten milliseconds.

    >>> plausible_unit(16.7), plausible_unit(0.0167), plausible_unit(1712.0)
    ('ms', 's', 'us')
    """
    return min(_PER_MS, key=lambda unit: abs(math.log(typical / _PER_MS[unit] / _MIDDLE_MS)))


def _guess(
    place: int,
    name: str,
    values: NDArray[np.float64],
    columns: dict[int, NDArray[np.float64]],
) -> ColumnGuess:
    """Return what one column may hold."""
    filled = values[np.isfinite(values)]
    if filled.size < 2:
        return ColumnGuess(place, name, "other", score=-9.0, reasons=("too few values",))
    steps = np.diff(filled)
    if np.all(steps == 1.0):
        return ColumnGuess(place, name, "other", score=-9.0, reasons=("counts the rows",))
    sensor = _sensor_of(name)
    if sensor:
        return ColumnGuess(place, name, "sensor", score=-8.0, sensor=sensor)
    if _has(name, _RATE_WORDS):
        return ColumnGuess(place, name, "other", score=-8.0, reasons=("a rate, not a time",))
    if filled.size == values.size and np.mean(steps > 0) > 0.99 and np.all(steps >= 0):
        return _stamp_guess(place, name, filled, steps)
    if filled.size == values.size and np.all(filled > 0):
        return _time_guess(place, name, filled, columns)
    return ColumnGuess(place, name, "other", score=-9.0, reasons=("neither rising nor above 0",))


def _sensor_of(name: str) -> str:
    """Return the sensor a header speaks of, or nothing."""
    if _has(name, _FRAME_WORDS) and unit_in(name):
        return ""
    for sensor, words in _SENSORS.items():
        if _has(name, words) and not _has(name, r"clock.?time"):
            part = next((p for p, w in _PARTS.items() if _has(name, w)), "")
            return f"{part}_{sensor}" if part else sensor
    return ""


def _unit(name: str, typical: float, reasons: list[str]) -> tuple[str, float]:
    """Return the unit, and what its plausibility adds to the score."""
    said, fitting = unit_in(name), plausible_unit(typical)
    rate = 1000.0 * _PER_MS[fitting] / typical
    if said and said != fitting:
        rate = 1000.0 * _PER_MS[said] / typical
        reasons.append(f"the header says {said}, though that makes {rate:.4g} frames per second")
        return said, -1.0 if 0.1 < rate < 1e5 else -6.0
    word = "the header says so, and " if said else ""
    reasons.append(f"unit {fitting}: {word}that makes {rate:.4g} frames per second")
    # Of two columns that say nothing of themselves, the one with the more usual rate.
    far = abs(math.log10(typical / _PER_MS[fitting] / _MIDDLE_MS))
    return fitting, (2.0 if said else 0.0) - 0.3 * far


def _stamp_guess(
    place: int, name: str, values: NDArray[np.float64], steps: NDArray[np.float64]
) -> ColumnGuess:
    """Return the guess for a column that rises from row to row."""
    typical = float(np.median(steps))
    reasons = ["rises from row to row, as moments do"]
    unit, score = _unit(name, typical, reasons)
    if np.unique(steps.round(9)).size == 1:
        reasons.append("but by the same step every time")
        score -= 4.0
    if _has(name, _STAMP_WORDS):
        reasons.append("its header speaks of time")
        score += 2.0
    starts = "first_row"
    if values[0] > 0 and 0.2 < values[0] / typical < 5.0:
        starts = "zero"
        reasons.append("the first stamp is about one frame long, so it ends a frame begun at 0")
    elif values[0] == 0:
        reasons.append("the first stamp is 0, so it opens the first frame")
    else:
        reasons.append("the first stamp is not near 0, so it opens the first frame")
    return ColumnGuess(place, name, "frame_end", unit, score + 1.0, tuple(reasons), starts=starts)


def _time_guess(
    place: int,
    name: str,
    values: NDArray[np.float64],
    columns: dict[int, NDArray[np.float64]],
) -> ColumnGuess:
    """Return the guess for a column of values above zero that do not rise."""
    reasons = ["values above 0 that go up and down, as frame times do"]
    unit, score = _unit(name, float(np.median(values)), reasons)
    if _has(name, _FRAME_WORDS):
        reasons.append("its header speaks of frames or lengths")
        score += 4.0
    elif _has(name, r"time|times"):
        score += 1.0
    held = float(np.mean(np.diff(values) == 0))
    if held > 0.3:
        reasons.append(f"but {100 * held:.0f} of 100 values repeat the one before, as sensors do")
        score -= 4.0 * held
    match = _steps_match(place, values, columns)
    if match is not None:
        reasons.append(f"its values are the steps of column {match + 1}")
        score += 8.0
    return ColumnGuess(place, name, "frame_time", unit, score, tuple(reasons))


def _steps_match(
    place: int, values: NDArray[np.float64], columns: dict[int, NDArray[np.float64]]
) -> int | None:
    """Return the place of a rising column whose steps are these values, in any unit."""
    for other, stamps in columns.items():
        steps = np.diff(stamps)
        if other == place or not np.all(np.isfinite(steps)) or np.any(steps <= 0):
            continue
        if np.ptp(steps) == 0:
            continue
        for shifted in (values[1:], values[:-1]):
            if np.ptp(shifted) > 0 and np.corrcoef(steps, shifted)[0, 1] > 0.98:
                return other
    return None
