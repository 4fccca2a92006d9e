"""What a metric is: one row each. Everything else that names a metric asks this table.

It stands in `settings`, the highest wing that needs it (params say which metrics are compared),
and asks `stats` how a figure is worked out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kit.errors import did_you_mean
from kit.stats.series import (
    LOW_DEFINITIONS,
    average_fps,
    median_fps,
    median_influence,
    tail_influence,
)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Metric:
    """One metric: its words, its method, and how the frames of a run make it.

    Attributes
    ----------
    name : str
        As in claims, params and the run sheet.
    label : str
        In tables and charts.
    unit : str
        "" where each title has its own.
    source : {"frames", "title"}
        What it is made from: frame times, or what a title gives instead of them.
    methods : mapping of str to str
        For each definition of the lows that may be in force, the method of `kit.methods` that
        makes a run's figure. Its formula stands under that name in kit/methods.md.
    less_is_better : bool or None
        None where each title says.
    word : str
        In references of bound text; "" where it has none.
    of_frames : callable or None
        Frame times in milliseconds, shape (n_frames,), to the figure. None of a low, which is
        measured under every definition by `tail_share`, and of what frames do not give.
    tail_share : float or None
        Of a low: the share of the frames that are its tail.
    influence : callable or None
        Frame times to the series whose mean is 1000 over the figure: `kit.stats.series`.
    own_blocks : bool
        Whether its blocks of frames are as long as its own series asks, not as frame times do:
        rare long frames hide from those how the frames around a median depend on each other.
    typed : bool
        Whether it has a column of the run sheet, for results without a log.
    by_default : bool
        Whether it is compared where params do not say.
    steady : bool
        Whether single runs give it well enough for drift, spread and what frames explain.
    charted : bool
        Whether its margins are drawn.
    """

    name: str
    label: str
    unit: str
    source: Literal["frames", "title"]
    methods: Mapping[str, str]
    less_is_better: bool | None = False
    word: str = ""
    of_frames: Callable[[Floats], float] | None = None
    tail_share: float | None = None
    influence: Callable[[Floats], Floats] | None = None
    own_blocks: bool = False
    typed: bool = False
    by_default: bool = False
    steady: bool = False
    charted: bool = False

    def __post_init__(self) -> None:
        """Refuse a row that frames could not make, or could make in two ways."""
        ways = (self.of_frames is not None) + (self.tail_share is not None)
        if ways != (self.source == "frames") or (self.influence is None) != (ways == 0):
            raise ValueError(
                f"{self.name}: a metric of frames has of_frames or tail_share, and influence; "
                "no other has"
            )
        if set(self.methods) != set(LOW_DEFINITIONS):
            raise ValueError(f"{self.name}: methods need one for each of {LOW_DEFINITIONS}")

    @property
    def speed(self) -> bool:
        """Whether more of it is said as "faster"."""
        return self.source == "frames"


class _UnknownMetricError(KeyError):
    """A name that no metric has."""

    def __str__(self) -> str:
        return str(self.args[0])  # a KeyError would quote it


class _MetricTable(Mapping[str, _Metric]):
    """Metrics by name, read-only; an unknown name is refused with the nearest known one."""

    def __init__(self, rows: Iterable[_Metric]) -> None:
        found: dict[str, _Metric] = {}
        words: set[str] = set()
        for row in rows:
            if row.name in found or (row.word and row.word in words):
                raise ValueError(f'the metric "{row.name}" or its word "{row.word}" stands twice')
            found[row.name] = row
            words.add(row.word)
        self._rows = MappingProxyType(found)

    def __getitem__(self, name: str) -> _Metric:
        """Return a metric.

        Raises
        ------
        _UnknownMetricError
            If there is none of this name; the message has the nearest and the whole list.
        """
        try:
            return self._rows[name]
        except KeyError:
            raise _UnknownMetricError(
                f'no metric "{name}"{did_you_mean(name, self._rows)}; all: {", ".join(self._rows)}'
            ) from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)


def _always(method: str) -> Mapping[str, str]:
    return MappingProxyType(dict.fromkeys(LOW_DEFINITIONS, method))


LOW_METHODS: Mapping[str, str] = MappingProxyType(
    {
        "percentile": "low-percentile",
        "slowest_share": "low-slowest-share",
        "time_share": "low-time-share",
    }
)


# fmt: off
def _mean_influence(frame_ms: Floats) -> Floats:
    """Return the series of an average: the frame times themselves, shape (n_frames,), in ms."""
    return frame_ms


METRICS = _MetricTable((
    _Metric(
        "average_fps", "average", "fps", "frames", _always("average"), word="average",
        of_frames=average_fps, influence=_mean_influence,
        typed=True, by_default=True, steady=True, charted=True,
    ),
    _Metric(
        "low_1pct_fps", "1 % low", "fps", "frames", LOW_METHODS, word="low_1pct",
        tail_share=0.01, influence=partial(tail_influence, share=0.01),
        typed=True, by_default=True, steady=True,
    ),
    _Metric(
        "low_0_1pct_fps", "0.1 % low", "fps", "frames", LOW_METHODS, word="low_0_1pct",
        tail_share=0.001, influence=partial(tail_influence, share=0.001),
        typed=True, by_default=True,
    ),
    _Metric(
        "median_fps", "median", "fps", "frames", _always("median"), word="median",
        of_frames=median_fps, influence=median_influence, own_blocks=True,
        typed=True, steady=True, charted=True,
    ),
    _Metric(
        "value", "result", "", "title", _always("recorded"), word="result",
        less_is_better=None, typed=True, steady=True,
    ),
))
# fmt: on

# What suites, value, energy and the summary rest on; the low beside it in charts and summaries;
# and what a title that does not measure frames gives.
HEADLINE, HEADLINE_LOW, RESULT = "average_fps", "low_1pct_fps", "value"

# What claims call a figure: of runs, and energies, which are worked out from cells.
METRIC_LABELS: Mapping[str, str] = MappingProxyType(
    {name: metric.label for name, metric in METRICS.items()}
    | {"energy": "energy per frame", "fps_per_watt": "frames per second per watt"}
)
# What sensors beside a graphics part read: quantity, in one word, and unit, by the end of their
# names; and those whose zero is a convention, so that a difference is told and no ratio.
SENSOR_WORDS = MappingProxyType({
    "clock_mhz": ("clock", "MHz"),
    "temperature_c": ("temperature", "\u00b0C"),
    "power_w": ("power", "W"),
    "noise_dba": ("noise", "dB(A)"),
})  # fmt: skip
READ_APART = frozenset({"temperature_c", "noise_dba"})
FRAME_METRICS = tuple(name for name, m in METRICS.items() if m.source == "frames")
LOWS = tuple(name for name, m in METRICS.items() if m.tail_share is not None)
DEFAULT_METRICS = tuple(name for name in FRAME_METRICS if METRICS[name].by_default)
TYPED_METRICS = tuple(name for name, m in METRICS.items() if m.typed)


def tail_shares(names: Iterable[str] = LOWS) -> dict[str, float]:
    """Return the share of frames of each of some metrics that is a low.

    Parameters
    ----------
    names : iterable of str
        Metrics; those that are no lows are passed over.

    Returns
    -------
    dict of str to float
        By metric, a fraction: 0.01 for a 1 % low.
    """
    return {name: share for name in names if (share := METRICS[name].tail_share) is not None}
