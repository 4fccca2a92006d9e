"""The rate of a run's slowest frames, under three definitions, each by name.

No standard defines a "1 % low", and one log can give anything from 20 to 100 frames per second for
it. The definition is therefore named wherever the figure is shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kit.stats.series import check_frames, snap, tail_count

LowDefinition = Literal["percentile", "slowest_share", "time_share"]
LOW_DEFINITIONS: tuple[LowDefinition, ...] = ("percentile", "slowest_share", "time_share")


def measure_lows(
    frame_ms: NDArray[np.float64], *, shares: Mapping[str, float], quantile_type: int = 7
) -> dict[str, dict[str, float]]:
    """Return each low under every definition, from one look at the slowest frames.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0, which is not checked here.
    shares : mapping of str to float
        Name to the slowest share of frames, in (0, 0.5].
    quantile_type : int
        Hyndman-Fan type 1 to 9, for percentile.

    Returns
    -------
    dict of str to dict of str to float
        Definition to name to frames per second, each what `low_fps` gives.
    """
    if not shares:
        return {definition: {} for definition in LOW_DEFINITIONS}
    tail = slowest_frames(frame_ms, share=max(shares.values()))
    total_ms = float(frame_ms.sum())
    return {
        definition: {
            name: _low_of_tail(
                tail,
                frames=frame_ms.size,
                total_ms=total_ms,
                share=share,
                definition=definition,
                quantile_type=quantile_type,
            )
            for name, share in shares.items()
        }
        for definition in LOW_DEFINITIONS
    }


def low_fps(
    frame_ms: NDArray[np.float64],
    *,
    share: float,
    definition: LowDefinition,
    quantile_type: int = 7,
) -> float:
    """Return the frame rate of a run's slowest frames, under one of three definitions.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0.
    share : float
        The slowest share, a fraction in (0, 0.5], given as it is meant: 0.01, and never
        ``1 - 0.99``, which is another number in binary and moves some quantiles by a whole frame.
    definition : {"percentile", "slowest_share", "time_share"}
        percentile: 1000 over the frame time that all but `share` of the frames do not exceed.
        slowest_share: frames over time of the slowest `share` of frames (the next whole number
        of them up). time_share: 1000 over the frame time down to which the slowest frames make
        up `share` of the whole time.
    quantile_type : int
        Hyndman-Fan type 1 to 9, for percentile.

    Returns
    -------
    float
        Frames per second.

    Raises
    ------
    ValueError
        If `frame_ms` is empty, not one-dimensional or not positive, or `share`, `definition` or
        `quantile_type` is none of those above.

    Notes
    -----
    No standard defines a "1 % low"; one log can give anything from 20 to 100 frames per second
    for it. All three are therefore named wherever they are shown.

    Examples
    --------
    >>> frame_ms = np.array([10.0] * 990 + [50.0] * 10)
    >>> low_fps(frame_ms, share=0.01, definition="slowest_share")
    20.0
    >>> low_fps(frame_ms, share=0.01, definition="percentile", quantile_type=1)
    100.0
    """
    check_frames(frame_ms)
    if not 0 < share <= 0.5:
        raise ValueError(f"share must be in (0, 0.5]: {share}")
    if definition not in LOW_DEFINITIONS:
        raise ValueError(f"definition must be one of {LOW_DEFINITIONS}: {definition!r}")
    return _low_of_tail(
        slowest_frames(frame_ms, share=share),
        frames=frame_ms.size,
        total_ms=float(frame_ms.sum()),
        share=share,
        definition=definition,
        quantile_type=quantile_type,
    )


def slowest_frames(frame_ms: NDArray[np.float64], *, share: float) -> NDArray[np.float64]:
    """Return the slowest frames, longest first: all that any low at `share` looks at.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.
    share : float
        A fraction in (0, 0.5].

    Returns
    -------
    ndarray of float, shape (min(ceil(share * n_frames) + 2, n_frames),)
        In milliseconds. Two more than the share, since quantiles lie between neighbours.
    """
    n = frame_ms.size
    count = min(tail_count(n, share=share) + 2, n)
    tail = frame_ms if count == n else np.partition(frame_ms, n - count)[n - count :]
    return np.sort(tail)[::-1]


def frame_time_quantile(frame_ms: NDArray[np.float64], *, q: float, kind: int = 7) -> float:
    """Return the frame time that a share `q` of the frames do not exceed.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.
    q : float
        Share of frames, a fraction in [0, 1]: 0.99 is the 99th percentile.
    kind : int
        Type 1 to 9 of [1]_; 7 is linear between neighbouring order statistics.

    Returns
    -------
    float
        A frame time, in milliseconds.

    Raises
    ------
    ValueError
        If `frame_ms` is empty or not one-dimensional, `q` is outside [0, 1], or `kind` is no
        type.

    Notes
    -----
    Every frame weighs alike, however long it lasted.

    References
    ----------
    .. [1] R. J. Hyndman and Y. Fan (1996), "Sample quantiles in statistical packages", The
           American Statistician 50(4), 361-365.
    """
    if frame_ms.ndim != 1 or frame_ms.size == 0:
        raise ValueError(f"frame_ms must be one-dimensional and not empty: shape {frame_ms.shape}")
    if not 0 <= q <= 1:
        raise ValueError(f"q must be in [0, 1]: {q}")
    n = frame_ms.size
    below, above, weight = _ranks(n, snap(n * q, n), q, kind)
    ordered = np.partition(frame_ms, (below - 1, above - 1))
    return _between(float(ordered[below - 1]), float(ordered[above - 1]), weight)


def median_fps(frame_ms: NDArray[np.float64]) -> float:
    """Return 1000 over the median frame time: the rate that half of the frames reach.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds. Finite and > 0.

    Returns
    -------
    float
        Frames per second. Every frame weighs alike; definition 7 of `frame_time_quantile`.

    Raises
    ------
    ValueError
        If `frame_ms` is empty, not one-dimensional or not positive.

    Examples
    --------
    >>> median_fps(np.array([10.0, 10.0, 20.0, 50.0, 50.0]))
    50.0
    """
    check_frames(frame_ms)
    return 1000.0 / frame_time_quantile(frame_ms, q=0.5)


def _low_of_tail(
    tail_ms: NDArray[np.float64],
    *,
    frames: int,
    total_ms: float,
    share: float,
    definition: LowDefinition,
    quantile_type: int,
) -> float:
    """Return a low from the slowest frames alone, longest first."""
    if definition == "slowest_share":
        count = tail_count(frames, share=share)
        return float(1000.0 * count / tail_ms[:count].sum())
    if definition == "time_share":
        # Sums of frame times differ in their last digits with the order of adding.
        reached = np.searchsorted(np.cumsum(tail_ms), share * total_ms * (1.0 - 1e-12))
        return float(1000.0 / tail_ms[min(int(reached), tail_ms.size - 1)])
    from_top = snap(frames * share, frames)
    below, above, weight = _ranks(frames, frames - from_top, 1.0 - share, quantile_type)
    low, high = float(tail_ms[frames - below]), float(tail_ms[frames - above])
    return 1000.0 / _between(low, high, weight)


def _between(low: float, high: float, weight: float) -> float:
    """Return the point at `weight` on the way from `low` to `high`, exact at both ends."""
    return low if low == high else low + weight * (high - low)


# Plotting positions alpha and beta of Hyndman and Fan's continuous types.
_POSITIONS = {
    4: (0.0, 1.0),
    5: (0.5, 0.5),
    6: (0.0, 0.0),
    7: (1.0, 1.0),
    8: (1.0 / 3.0, 1.0 / 3.0),
    9: (3.0 / 8.0, 3.0 / 8.0),
}


def _ranks(n: int, position: float, q: float, kind: int) -> tuple[int, int, float]:
    """Return the two ranks (from 1) a quantile lies between, and how far it is to the second.

    `position` is n * q, worked out so that what should be a whole number is one.
    """
    floor = math.floor(position)
    whole = position == floor
    if kind == 1:
        rank = floor if whole else floor + 1
        below, above, weight = rank, rank, 0.0
    elif kind == 2:
        below, above, weight = (floor, floor + 1, 0.5) if whole else (floor + 1, floor + 1, 0.0)
    elif kind == 3:
        rank = round(position)  # the nearest, and the even one of two: as round() has it
        below, above, weight = rank, rank, 0.0
    elif kind in _POSITIONS:
        alpha, beta = _POSITIONS[kind]
        place = position + alpha + q * (1.0 - alpha - beta)
        below = math.floor(place + 4e-16 * n)
        above, weight = below + 1, max(place - below, 0.0)
    else:
        raise ValueError(f"no Hyndman-Fan type {kind}: 1 to 9")
    return min(max(below, 1), n), min(max(above, 1), n), weight
