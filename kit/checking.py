"""`check`: everything a review reads, read and judged, nothing written."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.bound import bind_review_text
from kit.claiming import make_claims
from kit.review import load_review, work_out


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What a review would rest on, when nothing is wrong with it."""

    review: str
    products: tuple[str, ...]
    titles: tuple[str, ...]
    runs: int
    used: int
    set_aside: tuple[tuple[str, str], ...]  # run, reason
    flags: tuple[tuple[str, int], ...]  # rule, how often
    failed: tuple[tuple[str, str], ...]  # run, reason
    claims: int
    figures_in_text: int

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain data."""
        return {
            "ok": True,
            "review": self.review,
            "products": list(self.products),
            "titles": list(self.titles),
            "runs": self.runs,
            "used": self.used,
            "set_aside": [{"run": run, "reason": why} for run, why in self.set_aside],
            "flags": dict(self.flags),
            "did_not_run": [{"run": run, "reason": why} for run, why in self.failed],
            "claims": self.claims,
            "figures_in_text": self.figures_in_text,
            "faults": [],
        }

    def to_lines(self) -> list[str]:
        """Return the report as lines of text."""
        lines = [
            f"{self.review}: no faults",
            f"  {len(self.products)} products, {len(self.titles)} titles, {self.runs} rows of the "
            f"run sheet, {self.used} runs used, {self.claims} claims",
        ]
        lines += [f"  set aside {run}: {why}" for run, why in self.set_aside]
        lines += [f"  did not run {run}: {why}" for run, why in self.failed]
        lines += [f"  flagged {rule.replace('_', ' ')}: {count}" for rule, count in self.flags]
        if self.figures_in_text:
            lines.append(f"  {self.figures_in_text} figures in the text, all bound")
        return lines


def check_review(params_path: Path) -> CheckReport:
    """Read a review's params, bench and logs, work it out, bind its text. Writes nothing.

    Raises
    ------
    KitError
        With every fault of the first step that has any.
    """
    review = load_review(params_path)
    results = work_out(review)
    book = make_claims(review, results)
    text = bind_review_text(review.loaded, book)
    counted = Counter(f.rule for f in review.screened.flags if f.action == "flag")
    return CheckReport(
        review=review.params.review,
        products=review.params.products,
        titles=review.titles,
        runs=len(review.rows),
        used=len(review.used),
        set_aside=tuple(review.screened.set_aside.items()),
        flags=tuple(sorted(counted.items())),
        failed=tuple((r.run, f"{r.status}: {r.reason}") for r in review.rows if not r.produced),
        claims=len(book.claims),
        figures_in_text=len(text.references) if text else 0,
    )
