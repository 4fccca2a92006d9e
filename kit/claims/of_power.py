"""Claims of differences in dB and of energy per frame."""

from __future__ import annotations

from collections.abc import Iterator

from kit.claims.claim import Claim
from kit.claims.parts import Subject, cell_id, make_claim
from kit.margins.compare import LevelDifference
from kit.margins.energy import EnergyStanding
from kit.review.walk import Results, Review
from kit.rounding import fine_text, level_text

ENERGY, RATE = "energy", "fps_per_watt"
METHODS_OF = {"logged": "energy-per-frame", "metered": "energy-metered"}


def level_id(level: LevelDifference) -> str:
    """Return the id of the claim of a difference in dB."""
    return f"level_difference/{level.metric}/{level.title}/{level.product}-over-{level.baseline}"


def energy_id(standing: EnergyStanding, metric: str = ENERGY) -> str:
    """Return the id of the claim of an energy per frame, or of the rate per watt."""
    return cell_id(standing.product, standing.title, energy_metric(standing, metric))


def energy_metric(standing: EnergyStanding, metric: str = ENERGY) -> str:
    """Return a metric's name with the title that metered it, where one did."""
    return f"{metric}-metered-by-{standing.power_title}" if standing.power_title else metric


def level_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield a claim for each difference in dB: product minus baseline, as measured."""
    for level in results.levels:
        value, ends = level.value, (level.low, level.high)
        subject = Subject(
            metric=level.metric,
            product=level.product,
            baseline=level.baseline,
            title=level.title,
            inputs=[cell_id(c.product, c.title, c.metric) for c in level.cells],
            runs=[run for cell in level.cells for run in cell.runs],
            set_aside=[
                row.run
                for row in review.rows
                if row.title == level.title
                and row.product in {level.product, level.baseline}
                and row.run in review.screened.set_aside
            ],
            marks=level.marks,
        )
        yield make_claim(
            level_id(level),
            subject,
            kind="level_difference",
            method="difference",
            value=value,
            low=ends[0],
            high=ends[1],
            confidence=level.confidence,
            unit=level.unit,
            outcome=level.outcome,
            text=level_text(value, *ends, unit=level.unit, locale=review.params.locale),
        )


def energy_claims(review: Review, results: Results) -> Iterator[Claim]:
    """Yield, for the product and what it is set against, energy per frame and frames per second
    per watt of each title."""
    locale = review.params.locale
    compared = {review.params.product, *review.params.compared}
    for standing in results.energy:
        if standing.product not in compared:
            continue
        metered = standing.source == "metered"
        titles = {standing.title, standing.power_title}
        aside = [
            row.run
            for row in review.rows
            if row.product == standing.product
            and row.title in titles
            and row.run in review.screened.set_aside
        ]
        subject = Subject(
            metric=energy_metric(standing),
            product=standing.product,
            title=standing.title,
            inputs=[
                cell_id(standing.product, standing.power_title, "value"),
                cell_id(standing.product, standing.title, "average_fps"),
            ]
            if metered
            else list(standing.runs),
            runs=standing.runs,
            set_aside=aside,
            marks=standing.marks,
        )
        value, low, high = standing.joule_per_frame, standing.low, standing.high
        yield make_claim(
            energy_id(standing),
            subject,
            kind=ENERGY,
            method=METHODS_OF[standing.source],
            value=value,
            low=low,
            high=high,
            confidence=standing.confidence,
            unit="J",
            text=fine_text(value, low, high, unit="J", locale=locale),
        )
        rate = standing.fps_per_watt
        ends = (1 / high, 1 / low) if low is not None and high is not None else (None, None)
        yield make_claim(
            energy_id(standing, RATE),
            Subject(
                metric=energy_metric(standing, RATE),
                product=standing.product,
                title=standing.title,
                inputs=[energy_id(standing)],
                runs=standing.runs,
                set_aside=aside,
                marks=standing.marks,
            ),
            kind=RATE,
            method="fps-per-watt",
            value=rate,
            low=ends[0],
            high=ends[1],
            confidence=standing.confidence,
            unit="fps/W",
            text=fine_text(rate, *ends, unit="fps/W", locale=locale),
        )
