"""A second process beside a review's kernel, where there is a second processor.

It walks the same path and leaves what it makes in the results store: logs from the last row of the
run sheet backwards, pictures from the last chart backwards. The kernel begins at the first, so that
each does about half. It decides nothing: what it makes is what the kernel would have made, and
where it fails the kernel meets the same fault and says so.

`python -m kit.report.ahead PARAMS`, with the kernel's environment.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kit.charts.style import Chart


def _work_ahead(params_path: Path) -> None:
    """Fill the store that the environment names.

    Parameters
    ----------
    params_path : Path
        Of the review. Without a store in the environment nothing is done.
    """
    from kit.claims.of_pages import make_claims
    from kit.metrics.measuring import Reading
    from kit.page.pictures import make_charts
    from kit.review.walk import load_review, work_out

    reading = Reading.in_kernel(os.environ)
    if reading.store is None:
        return
    review = load_review(params_path, reading=replace(reading, backwards=True))
    results = work_out(review)
    book = make_claims(review, results)
    _draw_backwards(make_charts(review, book))


def _draw_backwards(charts: Mapping[str, Sequence[Chart]]) -> None:
    """Draw every picture that is not there yet, last first: exports, then those of the page.

    Another process draws them in the page's order meanwhile; the two meet in the middle, and what
    one has drawn the other finds in the store.
    """
    made = [chart for subject in charts.values() for chart in subject]
    for chart in reversed(made):
        chart.draw_export()
    for chart in reversed(made):
        chart.page_image()


if __name__ == "__main__":
    _work_ahead(Path(sys.argv[1]))
