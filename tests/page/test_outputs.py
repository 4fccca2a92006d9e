"""The files beside the page: claims, tables, charts."""

import csv
import io
import json

from kit.page.outputs import result_frames, write_outputs
from kit.page.pictures import make_charts


def test_tables_hold_the_claims_unrounded(demo):
    frames = result_frames(demo.book)
    margins = frames["margins"].set_index("id")
    for claim in demo.book.of_kind("margin"):
        assert margins.loc[claim.id, "value"] == claim.value
    assert len(frames["runs"]) == len(demo.review.rows)


def test_what_is_written_is_what_is_named(demo, tmp_path):
    some = {"spread": make_charts(demo.review, demo.book)["spread"]}
    names = write_outputs(demo.book, some, tmp_path)
    found = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert set(names) == found
    json.loads((tmp_path / "claims.json").read_text(encoding="utf-8"))
    for path in (tmp_path / "tables").iterdir():
        text = path.read_text(encoding="utf-8")
        rows = list(csv.reader(io.StringIO(text)))
        assert len({len(row) for row in rows}) == 1
        for row in rows:
            assert not any(cell[:1] in "=+@" for cell in row if cell), path.name
    endings = sorted(p.suffix for p in (tmp_path / "charts").iterdir())
    assert endings == [".csv", ".png", ".svg"]


def test_every_subject_has_its_charts(demo):
    charts = make_charts(demo.review, demo.book)
    assert {"titles", "margins", "influence", "spread", "classes", "value"} <= charts.keys()
    for made in charts.values():
        for chart in made:
            assert chart.alt.strip() and chart.caption.strip() and len(chart.table)
