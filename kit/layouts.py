"""Raw logs read through declared layouts, and hashed in the same read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """One raw log, read.

    Attributes
    ----------
    file : str
        The log's path from the bench folder, with forward slashes.
    sha256 : str
        Of the bytes as recorded (compressed, if they were).
    size_bytes : int
        Number of those bytes.
    frame_ms : ndarray of float, shape (n_frames,)
        Time each frame took, in milliseconds, in the order shown. Finite; > 0 unless
        `backward_rows` names rows.
    sensors : mapping of str to ndarray of float, shape (n_frames,)
        Extra columns kept with the run; NaN where a reading is missing.
    step_ms : float
        Smallest step the log's figures can express (0.0001 for four decimals of a
        millisecond): how coarsely the capture was rounded. 0.0 where the log holds binary floats.
    backward_rows : tuple of int
        Rows (counted from 1, in the file) whose stamp is not later than the one before.
        Such a log can be read but not measured.
    """

    file: str
    sha256: str
    size_bytes: int
    frame_ms: NDArray[np.float64]
    sensors: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    step_ms: float = 0.0
    backward_rows: tuple[int, ...] = ()
