"""Page, notebook and tables compared with what the logs give, cell by cell."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest
from sealmaker import sealed_review

from kit.archive.page_check import (
    check_report,
    compare_cells,
    compare_csv,
    compare_tables,
    read_notebook,
)
from kit.archive.rebuild import recompute_review
from kit.archive.unbag import open_bag
from kit.claims.claim import load_claims
from kit.page.pictures import make_charts

TEMPLATE = Path(__file__).resolve().parents[2] / "notebooks" / "review.ipynb"


@pytest.fixture(scope="module")
def book():
    return load_claims(sealed_review() / "data")


@pytest.fixture(scope="module")
def fresh(book):
    data = sealed_review() / "data"
    return recompute_review(data / "params" / book.params_file, data / "bench")


@pytest.fixture(scope="module")
def charts(fresh):
    return make_charts(fresh.review, fresh.book)


@pytest.fixture(scope="module")
def notebook():
    return json.loads((sealed_review() / "data" / "executed.ipynb").read_text())


def test_a_whole_report_passes(book, fresh):
    with open_bag(sealed_review()) as bag:
        findings, said = check_report(bag, book, fresh)
    assert findings == []
    assert "page against its notebook" in said and "tables" in said


# Code cells compared of those in the executed notebook, and figures in them, with what is stated
# only. A cell that nothing recognises would lower the first, so these numbers may only move with
# the template and the bench of `sealmaker`.
def test_the_counts_of_the_review_template(fresh, notebook, charts):
    compared = compare_cells(notebook, fresh, charts)
    assert compared.findings == ()
    assert (compared.cells, compared.of_cells) == (44, 46)
    assert (compared.figures, compared.of_figures) == (162, 162)
    assert compared.stated == ("injected-parameters", "environment")


def test_without_charts_their_cells_are_stated_not_compared(fresh, notebook):
    compared = compare_cells(notebook, fresh, None)
    assert compared.findings == ()
    assert "titles-chart" in compared.stated and "titles-chart" in compared.said()


def test_a_changed_word_in_any_cell_is_found_and_the_cell_named(fresh, notebook, charts):
    changed_cells = 0
    for number, cell in enumerate(notebook["cells"]):
        if cell["cell_type"] != "code" or not cell["outputs"] or cell["id"] == "environment":
            continue
        changed = copy.deepcopy(notebook)
        touched = False
        for output in changed["cells"][number]["outputs"]:
            markup = "".join(output.get("data", {}).get("text/html", ""))
            if markup:
                output["data"]["text/html"] = markup.replace("</div>", "<p>and more</p></div>")
                touched = True
        if not touched:
            continue
        changed_cells += 1
        found = compare_cells(changed, fresh, charts).findings
        assert [f.path for f in found] == [f"data/executed.ipynb # cell {cell['id']}"]
    assert changed_cells > 20


def test_nothing_recognised_is_never_a_pass(fresh, notebook, monkeypatch):
    monkeypatch.setattr("kit.archive.page_check.page_pieces", lambda fresh, charts: {})
    compared = compare_cells(notebook, fresh)
    assert compared.figures == 0 < compared.of_figures
    assert len(compared.findings) > 20


def test_an_output_taken_away_is_found(fresh, notebook):
    changed = copy.deepcopy(notebook)
    cell = next(c for c in changed["cells"] if c["id"] == "margins")
    cell["outputs"] = []
    found = compare_cells(changed, fresh).findings
    assert [f.path for f in found] == ["data/executed.ipynb # cell margins"]


def test_a_cell_taken_away_is_found(fresh, notebook):
    changed = copy.deepcopy(notebook)
    changed["cells"] = [c for c in changed["cells"] if c["id"] != "margins"]
    found = compare_cells(changed, fresh).findings
    assert [f.path for f in found] == ["data/executed.ipynb # cell margins"]


def test_cells_of_another_template_are_findings(fresh, notebook):
    changed = copy.deepcopy(notebook)
    for cell in changed["cells"]:
        cell["source"] = ["import os; os.abort()"]
    compared = compare_cells(changed, fresh)
    codes = [c for c in changed["cells"] if c["cell_type"] == "code"]
    assert len(compared.findings) == len(codes) - 1  # but the injected parameters, stated
    assert compared.cells == 0


def test_tables_are_those_of_the_logs(fresh):
    with open_bag(sealed_review()) as bag:
        assert compare_tables(bag, fresh, same_kit=True) == []


TABLE = "id,value,text\na,1.25,+25.0 %\nb,0.5,x\n"


@pytest.mark.parametrize(
    ("data", "places"),
    [
        (TABLE, []),
        (TABLE.replace("1.25", "1.2500000000000002"), []),
        (TABLE.replace("1.25", "1.26"), ["t.csv # row 2 (a), value"]),
        (TABLE.replace("+25.0 %", "+26.0 %"), ["t.csv # row 2 (a), text"]),
        (TABLE.replace("b,0.5,x\n", ""), ["t.csv"]),
        (TABLE.replace("b,0.5,x", "b,0.5"), ["t.csv # row 3"]),
        (TABLE.replace("text", "words"), ["t.csv # row 1"]),
        ("", ["t.csv # row 1"]),
        ('"', ["t.csv"]),
        ("\xff", ["t.csv # row 1"]),
        (TABLE.replace("0.5", "nan"), ["t.csv # row 3 (b), value"]),
        (TABLE.replace("0.5", ""), ["t.csv # row 3 (b), value"]),
    ],
)  # fmt: skip
def test_cells_of_tables(data, places):
    found = compare_csv("t.csv", TABLE, data.encode(), strict=True)
    assert [f.path for f in found] == places


def test_columns_of_another_version_are_passed_over():
    wider = TABLE.replace("text", "words").replace("1.25", "1.3")
    found = compare_csv("t.csv", TABLE, wider.encode(), strict=False)
    assert [f.path for f in found] == ["t.csv # row 2 (a), value"]
    assert compare_csv("t.csv", TABLE, b"\xff\xfe", strict=True)[0].expected == "a table"


def test_a_notebook_that_is_none_is_a_finding(tmp_path):
    from sealmaker import copy_bag

    bag = copy_bag(tmp_path / "bag")
    for data in (b"", b"[]", b'{"cells": 1}', b'{"cells": [1]}', b"[" * 99_999, b'"x"'):
        (bag / "data/executed.ipynb").write_bytes(data)
        found: list = []
        with open_bag(bag) as opened:
            assert read_notebook(opened, found) is None
        assert [f.path for f in found] == ["data/executed.ipynb"]


def test_a_changed_figure_of_a_slide_is_found_and_the_slide_named(fresh, book, tmp_path):
    from sealmaker import copy_bag

    from kit.page.slides import make_slides, slides_csv

    bag = copy_bag(tmp_path / "bag")
    (bag / "data/slides").mkdir()
    listed = slides_csv(make_slides(fresh.book, ["suite", "setup"]))
    row = next(line for line in listed.splitlines() if "suite/average_fps/all" in line)
    for data, places in (
        (listed, []),
        (listed.replace(row, f"{row}9", 1), ["text"]),
        (listed.replace("1,suite,", "1,other,"), ["data/slides/slides.csv"]),
    ):
        (bag / "data/slides/slides.csv").write_text(data, encoding="utf-8")
        with open_bag(bag) as opened:
            found = [f for f in check_report(opened, book, fresh)[0] if "slides" in f.path]
        assert [f.path.rpartition(", ")[2] for f in found] == places
