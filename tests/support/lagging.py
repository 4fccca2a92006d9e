"""Made-up runs whose power follows the scene some seconds late, or does not follow it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

STEP_S = 0.05
POLL_S = 0.5

Floats = NDArray[np.float64]


def made_scene(draw: np.random.Generator, *, length_s: float) -> Floats:
    """Return ln load of a scene at every `STEP_S`: steps of 3 to 8 s."""
    load = np.zeros(int((length_s + 1) / STEP_S))
    start = 0
    while start < load.size:
        end = start + int(draw.uniform(3, 8) / STEP_S)
        load[start:end] = draw.normal(0, 0.25)
        start = end
    return load


def lagging_run(
    draw: np.random.Generator,
    load: Floats,
    *,
    lag_s: float,
    follows_w: float = 20.0,
    warms_w: float = 0.0,
    wander: float = 0.0,
    length_s: float = 40.0,
) -> tuple[Floats, Floats]:
    """Return frame times in ms, and the power read with each, held from poll to poll.

    Parameters
    ----------
    draw : numpy Generator
    load : ndarray of float
        From `made_scene`.
    lag_s : float
        How late power is read.
    follows_w, warms_w : float
        How far power follows the load, and how far it rises over the run by itself.
    wander : float
        Lag-1 correlation of the readings' noise.
    length_s : float
        Of the run.
    """
    frames, now, noise = [], 0.0, 0.0
    while now < length_s:
        noise = 0.9 * noise + draw.normal(0, 0.02)
        frames.append(np.exp(load[min(int(now / STEP_S), load.size - 1)] + noise) / 90)
        now += frames[-1]
    ends = np.cumsum(frames)
    polls = np.arange(draw.uniform(0, POLL_S), length_s, POLL_S)
    read = np.zeros(polls.size)
    for i in range(polls.size):
        before = read[i - 1] if i else 0.0
        read[i] = wander * before + draw.normal(0, 1.5 * np.sqrt(1 - wander**2))
    at = np.maximum(polls - lag_s, 0.0)
    read += 100 + follows_w * np.interp(at, np.arange(load.size) * STEP_S, load) / 0.25
    read += warms_w * (1 - np.exp(-polls / 11))
    place = np.searchsorted(polls, ends, side="right") - 1
    watts = np.where(place >= 0, read[np.maximum(place, 0)], np.nan)
    return np.array(frames) * 1000, watts
