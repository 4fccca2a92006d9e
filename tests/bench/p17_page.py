"""P17: first paint and whole layout of the demo's report in Chromium, beside a plain table page.

`python tests/bench/p17_page.py [PAIRS]`. The peer is one HTML table without a style: a row for each
figure of the same review, its id, text and interval. Each page is opened from its file in a new tab;
whole layout is load and the height of all of it. Needs Chromium. Not a test.
"""

from __future__ import annotations

import html
import json
import sys
import tempfile
from pathlib import Path

from pairs import BIN, ROOT, Row, pairs_asked, run_quietly, say, seconds

sys.path.insert(0, str(ROOT / "tests" / "support"))
from browsing import chromium

GOAL = 1.2
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"


def plain_page(claims: Path) -> str:
    """Return a page with a table of every figure of a review."""
    rows = [c for c in json.loads(claims.read_bytes())["claims"] if c["value"] is not None]
    cells = (("id", "text", "interval") for _ in rows)
    body = "".join(
        f"<tr>{''.join(f'<td>{html.escape(row[name])}</td>' for name in names)}</tr>"
        for row, names in zip(rows, cells, strict=True)
    )
    return f'<!doctype html><meta charset="utf-8"><title>Figures</title><table>{body}</table>'


def measure(pairs: int) -> list[Row]:
    """Measure and return a row for the first paint and one for the whole layout."""
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        folder = Path(name)
        run_quietly(BIN / "marginbook", "run", ROOT / "params" / "demo.yaml", "--out", folder)
        report, plain = folder / "demo" / "report.html", folder / "plain.html"
        plain.write_text(plain_page(folder / "demo" / "claims.json"), encoding="utf-8")

        def opened(path: Path) -> tuple[float, float]:
            page = browser.new_page()

            def whole() -> None:
                page.goto(path.as_uri(), wait_until="load")
                assert page.evaluate("document.documentElement.scrollHeight") > 1000

            took = seconds(whole)
            for _ in range(100):
                if (paint := page.evaluate(PAINT)) is not None:
                    break
                page.wait_for_timeout(20)
            page.close()
            return paint, took

        opened(report), opened(plain)
        ratios: dict[int, list[float]] = {0: [], 1: []}
        for number in range(pairs):
            sides = (report, plain) if number % 2 else (plain, report)
            found = {path: opened(path) for path in sides}
            for which, of in ratios.items():
                of.append(found[report][which] / found[plain][which])
        size = report.stat().st_size / 1e6
    peer = "a plain HTML table of every figure of the review"
    note = f"a page of {size:.1f} MB"
    return [
        Row("P17", what, peer, GOAL, tuple(ratios[which]), note=note)
        for which, what in enumerate(
            ("first paint of the demo's report, record folded", "its load and whole layout")
        )
    ]


if __name__ == "__main__":
    say(*measure(pairs_asked()))
