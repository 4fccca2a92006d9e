"""Many titles to one figure; closure; the gap of one name between classes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from kit.margins import Margin, Outcome
from kit.trace import Trace


@dataclass(frozen=True, slots=True)
class SuiteMargin:
    """A product's margin over a baseline in a group of titles: a (weighted) geometric mean.

    `low`/`high` hold for these titles (run-to-run error only); `like_low`/`like_high` for titles
    like these (t over titles). `outcome` follows from the first. `influence` maps each title to
    the ratio with that title left out.
    """

    suite: str  # "all", or a key of params.suites
    product: str
    baseline: str
    metric: str
    titles: tuple[str, ...]
    weights: tuple[float, ...]  # sum to 1
    ratio: float
    low: float | None
    high: float | None
    level_low: float | None
    level_high: float | None
    like_low: float | None
    like_high: float | None
    confidence: float
    outcome: Outcome
    smallest: float  # ratio of the title with the smallest margin
    smallest_title: str
    largest: float
    largest_title: str
    counts: Mapping[Outcome, int]
    log_se: float | None
    df: float | None
    influence: Mapping[str, float]
    every_title: Outcome | None  # what may be said of every title, family-wise; None: nothing
    left_out: Mapping[str, str]  # title -> why it is not shared
    margins: tuple[Margin, ...]
    marks: tuple[str, ...]
    trace: Trace
    ratio_all_runs: float | None = None


@dataclass(frozen=True, slots=True)
class NameGap:
    """How a lead shrinks or grows from one class of machine to another: a ratio of ratios.

    ratio = (here_new / here_old) / (there_new / there_old) over the titles all four share; below
    1, the newer name gains less over the older one here than there.
    """

    here_new: str
    here_old: str
    there_new: str
    there_old: str
    metric: str
    titles: tuple[str, ...]
    here: SuiteMargin
    there: SuiteMargin
    ratio: float
    low: float | None
    high: float | None
    confidence: float
    marks: tuple[str, ...]
    trace: Trace


@dataclass(frozen=True, slots=True)
class Closure:
    """A over B times B over C beside A over C.

    Over the titles all three share, `chained` equals `direct` exactly. `chained_own` and
    `direct_own` use each pair's own shared titles: where sets differ, so do these, and
    `difference` = chained_own / direct_own says by how much.
    """

    a: str
    b: str
    c: str
    metric: str
    titles: tuple[str, ...]
    chained: float
    direct: float
    chained_own: float
    direct_own: float
    difference: float
    own_titles: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]  # of a/b, b/c, a/c
    trace: Trace
