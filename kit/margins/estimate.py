"""`Estimate`: what cells, margins, suites, gaps, drift and energy have in common, and outcomes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kit.trace import Trace

Outcome = Literal["ahead", "behind", "level", "unresolved"]
# A margin is said to be ahead or behind where its sign is false with less than this probability.
SIGN_LIMIT = 0.05
OUTCOMES: tuple[Outcome, ...] = ("ahead", "behind", "level", "unresolved")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One figure with its interval, what it is about, how it was made, and its history.

    What is about no product, baseline or title has "" there. `low` and `high` are None where
    nothing gives an interval; a mark says why.
    """

    metric: str
    product: str = ""
    baseline: str = ""
    title: str = ""
    value: float  # in `unit`, unrounded
    low: float | None
    high: float | None
    confidence: float  # a fraction in (0, 1)
    unit: str = "ratio"
    outcome: Outcome | Literal[""] = ""
    method: str
    marks: tuple[str, ...]
    trace: Trace

    @property
    def method_name(self) -> str:
        """The method's name in the catalogue, `kit.methods`."""
        return self.method


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioEstimate(Estimate):
    """An estimate that is a ratio: 1.0 is level."""

    @property
    def ratio(self) -> float:
        """The estimate's value."""
        return self.value


def outcome_of(
    low: float | None,
    high: float | None,
    level_low: float | None,
    level_high: float | None,
    *,
    band: float,
    false_sign: float = 0.0,
) -> Outcome:
    """Return what may be said of a margin.

    Parameters
    ----------
    low, high : float or None
        Ends of the interval at the review's confidence, as ratios.
    level_low, level_high : float or None
        Ends of the 90 % interval.
    band : float
        Level band as a share. The band reaches from 1 / (1 + band) to 1 + band, so that it is the
        same from either side.
    false_sign : float
        Probability that the sign measured is false, among all titles of one baseline.

    Notes
    -----
    "level" where the 90 % interval lies inside the band: two one-sided tests at 5 % each [1]_.
    Level comes first: a margin shown to be too small to matter is level even where its interval
    leaves out 1. Otherwise "ahead" or "behind" where the interval leaves out 1 and the sign is
    false with less than `SIGN_LIMIT`, else "unresolved".

    References
    ----------
    .. [1] D. J. Schuirmann (1987), "A comparison of the two one-sided tests procedure and the
           power approach for assessing the equivalence of average bioavailability", Journal of
           Pharmacokinetics and Biopharmaceutics 15(6), 657-680.
    """
    if low is None or high is None or level_low is None or level_high is None:
        return "unresolved"
    if level_low >= 1 / (1 + band) and level_high <= 1 + band:
        return "level"
    if false_sign >= SIGN_LIMIT:
        return "unresolved"
    if low > 1:
        return "ahead"
    return "behind" if high < 1 else "unresolved"
