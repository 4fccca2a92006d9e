"""How each frame moves a figure of its run: a series whose mean is 1000 over the figure.

The error of such a mean under dependence is what blocks of frames give, so that a figure that is
no mean (a low, a median) has its error by the same arithmetic.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from kit.stats.frames import tail_count
from kit.stats.lows import frame_time_quantile, slowest_frames

Floats = NDArray[np.float64]

SPACING_CONFIDENCE = 0.95  # of the intervals that Hall and Sheather's spacing is best for


def mean_influence(frame_ms: Floats) -> Floats:
    """Return the series of an average: the frame times themselves, shape (n_frames,), in ms."""
    return frame_ms


def tail_influence(frame_ms: Floats, *, share: float) -> Floats:
    """Return the series of the mean of a run's slowest frames.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.
    share : float
        The slowest share, a fraction in (0, 0.5].

    Returns
    -------
    ndarray of float, shape (n_frames,)
        In milliseconds. Its mean is exactly the mean of the slowest `share` of frames.
    """
    count = tail_count(frame_ms.size, share=share)
    edge = slowest_frames(frame_ms, share=share)[count - 1]
    influence: Floats = np.maximum(frame_ms - edge, 0.0) * (frame_ms.size / count) + edge
    return influence


def median_influence(frame_ms: Floats) -> Floats:
    """Return the series of the median frame time.

    Parameters
    ----------
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds.

    Returns
    -------
    ndarray of float, shape (n_frames,)
        In milliseconds. Its mean is the median; it does not vary where frames around the median
        are all alike (a log written in coarse steps), which tells nothing of the median's error.

    Notes
    -----
    The influence of a frame is half the sparsity up or down [1]_. The sparsity (one over the
    density at the median) is the slope of the quantile function across the spacing of [2]_: no
    shape of the distribution is assumed. Frames at the median count half for either side.

    References
    ----------
    .. [1] R. Koenker (2005), Quantile Regression, Cambridge University Press, 3.2 and 3.4
           (from memory).
    .. [2] P. Hall and S. J. Sheather (1988), "On the distribution of a Studentized quantile",
           Journal of the Royal Statistical Society B 50(3), 381-391 (from memory).
    """
    median = frame_time_quantile(frame_ms, q=0.5)
    z = NormalDist().inv_cdf((1.0 + SPACING_CONFIDENCE) / 2.0)
    spacing = (1.5 * z * z / (2.0 * math.pi * frame_ms.size)) ** (1.0 / 3.0)
    spacing = min(spacing, 0.5)
    ends = [frame_time_quantile(frame_ms, q=0.5 + side * spacing) for side in (-1.0, 1.0)]
    sparsity = (ends[1] - ends[0]) / (2.0 * spacing)
    below = (frame_ms < median) + 0.5 * (frame_ms == median)
    influence: Floats = median + sparsity * (below.mean() - below)
    return influence
