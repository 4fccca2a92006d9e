"""The models of those parts of `params/*.yaml` about planning, looking into runs and re-testing."""

from __future__ import annotations

import datetime as dt

from pydantic import Field, model_validator

from kit.settings.bench_file import Id
from kit.settings.yaml_file import Section, Text


class PlanParams(Section):
    """What a series of runs is planned for. Touches no published figure."""

    margin: float = Field(
        gt=0, lt=1, description="A share: 0.03 where a lead of 3 % is to be resolved."
    )
    power: float = Field(
        default=0.8, gt=0, lt=1, description="How often a lead of that size is resolved."
    )
    seed: int = Field(description="For the order of runs.")
    setup_s: float = Field(default=60.0, gt=0, description="Time a launch costs before its run.")
    run_s: float = Field(
        default=60.0, gt=0, description="Length of a run where the title states none."
    )
    switch_s: float = Field(
        default=0.0, ge=0, description="Time it costs to go from one product to another."
    )
    by_product: bool = Field(
        default=False, description="Keep the runs of a product together within a block."
    )
    budget_minutes: float | None = Field(default=None, gt=0, description="Bench time there is.")
    default_run_sd: float = Field(
        default=0.01,
        gt=0,
        description="Spread from run to run, as a share, where the bench holds no runs to tell.",
    )
    min_runs: int = Field(default=3, ge=2, description="Of each title on each product.")
    max_runs: int = Field(default=20, ge=2, description="No more than this is planned.")
    cannot_run: tuple[Id, ...] = Field(
        default=(), description="Products that are gone: their runs on the bench are all there are."
    )
    every_title: bool = Field(
        default=False, description="Plan for statements about every title at once."
    )
    paired: bool = Field(default=False, description="Both sides are run in the same sessions.")
    session_correlation: float = Field(
        default=0.0,
        ge=0,
        lt=1,
        description="Of two products' results within a session, where "
        "paired and the bench does not tell.",
    )


class LookParams(Section):
    """What `frame_times.ipynb` looks into. Touches no published figure."""

    product: Id | None = Field(default=None, description="The reviewed product without it.")
    title: Id | None = Field(
        default=None, description="Without it, the first title the product has frames in."
    )
    most_runs: int = Field(
        default=6, ge=1, le=12, description="Runs laid over each other, the first of the sheet."
    )


class RetestParams(Section):
    """What tells runs made again from those of before.

    Each run belongs to the old bench, to the new one, or, where its condition is named in neither
    list, to none of both. Old runs of a product and title that was run again are set aside. What
    was not run again is compared with a mark, and the drift seen in what was stands beside it.
    """

    condition: Id | None = Field(
        default=None, description="A column of the run sheet, such as driver_branch or session."
    )
    old: tuple[Text, ...] = Field(default=(), description="What it says of runs of before.")
    new: tuple[Text, ...] = Field(default=(), description="... and of runs made again.")
    since: dt.date | None = Field(
        default=None, description="In place of a condition: runs from this day on are new."
    )
    band: float = Field(
        default=0.02, gt=0, lt=0.5, description="A share: drift within it counts as none."
    )

    @model_validator(mode="after")
    def _check(self) -> RetestParams:
        if (self.condition is None) == (self.since is None):
            raise ValueError("give either a condition with old and new, or since")
        if self.condition is not None and not (self.old and self.new):
            raise ValueError("a condition needs both: what it says of old runs, and of new ones")
        if self.since is not None and (self.old or self.new):
            raise ValueError("old and new belong to a condition, not to since")
        both = set(self.old) & set(self.new)
        if both:
            raise ValueError(f"{sorted(both)[0]!r} stands under both old and new")
        return self
