"""Words and small pieces that several parts of a review's page use."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from kit.claims.claim import ClaimBook
from kit.page.html import Html, Part, part_html
from kit.review.walk import Review
from kit.settings.metric import HEADLINE, METRICS


def other_metrics(review: Review) -> list[str]:
    """Return the metrics compared that have tables beside the headline's."""
    return [m for m in review.params.metrics.compared if METRICS[m].steady and m != HEADLINE]


def listed(names: Iterable[str]) -> str:
    """Return names as a list in words."""
    found = list(names)
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"


def counts_html(book: ClaimBook, base: str, *, only_some: bool = False) -> Html:
    """Return in how many titles each outcome fell; with `only_some` without those in none."""
    parts: list[Part] = []
    for outcome in ("ahead", "behind", "level", "unresolved"):
        claim = book.get(f"{base.replace('suite/', 'suite_count/', 1)}/{outcome}")
        if claim is not None and not (only_some and claim.value == 0):
            parts += [", " if parts else "", claim, f" {outcome}"]
    return Html("".join(part_html(part) for part in parts))


def claims_frame(book: ClaimBook, kind: str, metric: str) -> Any:
    """Return the claims of a kind and metric as a DataFrame, a row each."""
    import pandas as pd

    claims = book.of_kind(kind, metric=metric)
    names = ["title", "product", "baseline", "value", "low", "high", "outcome", "text"]
    return pd.DataFrame([[getattr(c, n) for n in names] for c in claims], columns=names)
