"""Each figure of the report: its identity, text and trace. `claims.json`."""

from __future__ import annotations

from dataclasses import dataclass

CLAIMS_FORMAT = "marginbook-claims/1"


@dataclass(frozen=True, slots=True)
class Claim:
    """One figure the report states.

    `id` is readable and stays the same from build to build:
    ``margin/average_fps/dunes-1080/kestrel-14-over-heron-14``, ``suite/average_fps/all/a-over-b``,
    ``cell/low_1pct_fps/dunes-1080/kestrel-14``, ``run/average_fps/r0042``,
    ``value/street/equal_value_price/a-over-b``. `inputs` are ids of claims or, for kind "run", of
    runs; `runs` are the used runs the figure rests on, `set_aside` those left out of it.
    """

    id: str
    kind: str
    metric: str
    product: str
    baseline: str
    title: str
    value: float | None
    low: float | None
    high: float | None
    confidence: float | None
    unit: str
    outcome: str
    text: str
    rounding: str
    method: str
    method_version: int
    inputs: tuple[str, ...]
    runs: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
