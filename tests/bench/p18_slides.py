"""P18: all slides of the demo, as SVG and PNG, beside a bare matplotlib script.

`python tests/bench/p18_slides.py [PAIRS]`. The peer draws a picture of the same size for each slide,
with as many texts, lines and marks as the slide has rows and words, and saves it as SVG and as PNG.
Both in this process, fonts loaded. Not a test.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import matplotlib as mpl
from pairs import ROOT, Row, pairs_asked, say, time_pairs

from kit.claims.of_pages import make_claims
from kit.page.slides import make_slides, write_slides
from kit.review.walk import load_review, work_out

GOAL = 1.2


def draw_bare(slides: list[tuple[int, int]], folder: Path) -> None:
    """Draw a picture for each count of rows and texts."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    for number, (rows, texts) in enumerate(slides):
        figure = Figure(figsize=(1920 / 72, 1080 / 72), dpi=72)
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.3, 0.1, 0.6, 0.7))
        for row in range(rows):
            axes.plot([0.9, 1.1], [row, row], linewidth=4)
            axes.plot([1.0], [row], marker="o", markersize=18)
        for text in range(texts):
            figure.text(0.02, 0.95 - 0.9 * text / texts, f"words of line {text}", fontsize=30)
        for ending in ("svg", "png"):
            figure.savefig(folder / f"{number}.{ending}")
        figure.clear()


def measure(pairs: int) -> Row:
    """Measure and return the row."""
    review = load_review(ROOT / "params" / "demo.yaml")
    book = make_claims(review, work_out(review))
    slides = make_slides(book)
    sizes = [(len(s.rows), 2 * len(s.rows) + 3) for s in slides]
    with tempfile.TemporaryDirectory() as name, mpl.rc_context({"svg.fonttype": "path"}):
        ratios = time_pairs(
            lambda: write_slides(book, Path(name) / "ours"),
            lambda: draw_bare(sizes, Path(name)),
            pairs,
        )
    return Row(
        "P18",
        f"all {len(slides)} slides of the demo as SVG and PNG",
        "a bare matplotlib script that draws as many texts and marks",
        GOAL,
        ratios,
    )


if __name__ == "__main__":
    say(measure(pairs_asked()))
