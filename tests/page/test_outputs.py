"""The files beside the page: claims, tables, charts."""

import csv
import io
import json

import made_claims
import pytest

from kit.page import outputs, pictures
from kit.page.outputs import redraw_page, result_frames, write_outputs
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


def code(name, source, **metadata):
    return {
        "cell_type": "code",
        "id": name,
        "source": [source],
        "metadata": metadata,
        "outputs": [],
    }


NOTEBOOK = {
    "cells": [
        {"cell_type": "markdown", "id": "head", "source": "# T", "metadata": {}},
        code("parameters", "params_path = ''", tags=["parameters"]),
        code("margins", 'x = 1\nreview.show("margins")'),
        code("lows", 'review.show("margins", metric="low_1pct_fps")\n'),
        code("charts", 'review.show_charts("titles")'),
        code("frames", 'review.show_charts("frames")'),
        code("kept", 'review.show("environment")'),
        code("text", 'review.show("text")'),
        code("closing", "review.close(out_dir)"),
        code("other", "import kit"),
    ]
}


@pytest.mark.parametrize("named", [False, True])
def test_each_cell_is_filled_by_the_line_it_ends_with(monkeypatch, named):
    drawn = made_claims.all_charts(2, 2)
    monkeypatch.setattr(pictures, "claim_charts", lambda _: {"titles": [drawn["titles"]]})
    monkeypatch.setattr(outputs, "build_page", lambda notebook: notebook["cells"])
    settings = {"template": "review.ipynb"} | ({"text": "a.md"} if named else {})
    of = made_claims.margins(2)
    book = made_claims.book(*of, *made_claims.suite(of), **settings)
    cells, lacking = redraw_page(NOTEBOOK, book, None, claims_sha256="ab" * 32)
    # A text that is named and not at hand is lacking; where none is named there is none to lack.
    assert lacking == ("frames", "kept", *(["text"] if named else []))
    shown = {cell["id"]: json.dumps(cell.get("outputs", [])) for cell in cells}
    assert [cell["id"] for cell in cells[:4]] == [
        "head", "parameters", "injected-parameters", "margins"
    ]  # fmt: skip
    assert cells[2]["source"] == "params_path = 'made.yaml'\nout_dir = 'made'"
    assert "over Tessel 14" in shown["margins"] and "over Tessel 14" not in shown["lows"]
    assert "<svg" in shown["charts"] or "<img" in shown["charts"]
    for name in ("frames", "kept"):
        assert "Not made again" in shown[name]
    assert ("Not made again" in shown["text"]) is named
    assert "ab" * 32 in shown["closing"] and '"review": "made"' in shown["closing"]
    assert shown["head"] == shown["other"] == "[]" and NOTEBOOK["cells"][2]["outputs"] == []
