"""A review's kernel with the kit in it, and a second process beside it.

The kernel imports what a review needs while the process that started it imports what runs cells.

The second process, where there is a second processor, walks the same path and leaves what it makes
in the results store: logs from the last row of the run sheet backwards, pictures from the last
chart backwards. The kernel begins at the first, so that each does about half. It decides nothing:
what it makes is what the kernel would have made, and where it fails the kernel meets the same fault
and says so.

`python -m kit.report.ahead PARAMS`, with the kernel's environment; a kernel: `-f CONNECTION_FILE`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib import import_module
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


def _serve() -> None:
    """Be the kernel that the command line describes, as `ipykernel_launcher` is."""
    from ipykernel.kernelapp import launch_new_instance

    for module in _NEEDED:
        import_module(module)
    launch_new_instance()


# What reading, working out and showing a review imports.
_NEEDED = ("kit.report.laboratory", "kit.page.outputs", "kit.charts.layout", "kit.page.findings",
           "kit.stats.suite_errors", "scipy.fft")  # fmt: skip


if __name__ == "__main__":
    if Path(sys.path[0] or ".").resolve() == Path.cwd():
        del sys.path[0]  # the notebook's folder shadows nothing here; its cells have it back
    if sys.argv[1] == "-f":
        _serve()
    else:
        _work_ahead(Path(sys.argv[1]))
