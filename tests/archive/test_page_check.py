"""Page, notebook and tables: each cell, figure and word compared, and what may harm found."""

from __future__ import annotations

import copy
import json
import warnings

import pytest
from sealmaker import sealed_review

from kit.archive.page_check import (
    _check_page,
    _compare_cells,
    _compare_csv,
    _compare_tables,
    _compare_text,
    _plain_words,
    _rebuilt,
    check_report,
    read_notebook,
)
from kit.archive.remake import _recompute_review
from kit.archive.unbag import open_bag
from kit.claims.claim import load_claims
from kit.page.html import figure_link, outcome_html


@pytest.fixture(scope="module")
def book():
    return load_claims(sealed_review() / "data")


@pytest.fixture(scope="module")
def fresh(book):
    data = sealed_review() / "data"
    return _recompute_review(data / "params" / book.params_file, data / "bench")


@pytest.fixture(scope="module")
def notebook():
    return json.loads((sealed_review() / "data" / "executed.ipynb").read_text())


def test_a_whole_report_passes(book, fresh):
    with open_bag(sealed_review()) as bag:
        findings, said = check_report(bag, book, fresh)
    assert findings == []
    assert "page against its notebook" in said and "tables" in said


def test_a_changed_word_in_any_cell_is_found_and_the_cell_named(notebook):
    changed_cells = 0
    for number, cell in enumerate(notebook["cells"]):
        if cell["cell_type"] != "code" or not cell["outputs"]:
            continue
        changed = copy.deepcopy(notebook)
        touched = False
        for output in changed["cells"][number]["outputs"]:
            markup = "".join(output.get("data", {}).get("text/html", ""))
            if markup:
                start, end, rest = markup.rpartition("</")
                output["data"]["text/html"] = f"{start}<b>and more</b>{end}{rest}"
                touched = True
        if not touched:
            continue
        changed_cells += 1
        found = list(_compare_cells(changed, notebook))
        assert [f.path for f in found] == [f"data/executed.ipynb # cell {cell['id']}"]
        assert "and more" in found[0].found
    assert changed_cells > 20
    assert list(_compare_cells(notebook, notebook)) == []


def test_how_words_are_written_counts(notebook):
    changed = copy.deepcopy(notebook)
    cell = next(c for c in changed["cells"] if c["id"] == "margins")
    data = cell["outputs"][0]["data"]
    data["text/html"] = "".join(data["text/html"]).replace("<td", "<td hidden", 1)
    (found,) = _compare_cells(changed, notebook)
    assert found.path == "data/executed.ipynb # cell margins" and "<td hidden" in found.found


def test_code_that_did_not_run_is_found(notebook):
    changed = copy.deepcopy(notebook)
    cell = next(c for c in changed["cells"] if c["id"] == "margins")
    cell["source"] = "honest()"
    (found,) = _compare_cells(changed, notebook)
    assert (found.path, "honest" in found.found) == ("data/executed.ipynb # cell margins", True)


def test_an_output_taken_away_is_found(notebook):
    changed = copy.deepcopy(notebook)
    cell = next(c for c in changed["cells"] if c["id"] == "margins")
    cell["outputs"] = []
    found = _compare_cells(changed, notebook)
    assert [f.path for f in found] == ["data/executed.ipynb # cell margins"]


def test_a_cell_taken_away_is_found(notebook):
    changed = copy.deepcopy(notebook)
    changed["cells"] = [c for c in changed["cells"] if c["id"] != "margins"]
    found = _compare_cells(changed, notebook)
    assert [f.path for f in found] == ["data/executed.ipynb # cell margins"]


def test_cells_of_another_template_are_findings(notebook):
    changed = copy.deepcopy(notebook)
    for cell in changed["cells"]:
        cell["source"] = ["import os; os.abort()"]
    assert len(list(_compare_cells(changed, notebook))) == len(changed["cells"])
    for cell in changed["cells"]:
        cell["id"] = f"own-{cell['id']}"
    found = list(_compare_cells(changed, notebook))
    assert len(found) == 2 * len(changed["cells"])
    assert {f.expected for f in found} == {
        "only cells of this version's own template", "this cell of the template"
    }  # fmt: skip


def test_tables_are_those_of_the_logs(fresh):
    with open_bag(sealed_review()) as bag:
        assert _compare_tables(bag, fresh.book, same_kit=True) == []


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
    found = _compare_csv("t.csv", TABLE, data.encode(), strict=True)
    assert [f.path for f in found] == places


def test_columns_of_another_version_are_passed_over():
    wider = TABLE.replace("text", "words").replace("1.25", "1.3")
    found = _compare_csv("t.csv", TABLE, wider.encode(), strict=False)
    assert [f.path for f in found] == ["t.csv # row 2 (a), value"]
    assert _compare_csv("t.csv", TABLE, b"\xff\xfe", strict=True)[0].expected == "a table"


WORDS = {"cell_type": "markdown", "id": "a", "metadata": {}, "source": ""}
MANY = json.dumps({"metadata": {}, "cells": [WORDS] * 2001}).encode()


def test_a_notebook_that_is_none_is_a_finding(tmp_path):
    from sealmaker import copy_bag

    bag = copy_bag(tmp_path / "bag")
    for data in (b"", b"[]", b'{"cells": 1}', b'{"cells": [1]}', b"[" * 99_999, b'"x"', MANY):
        (bag / "data/executed.ipynb").write_bytes(data)
        found: list = []
        with open_bag(bag) as opened:
            assert read_notebook(opened, found) is None
        assert [f.path for f in found] == ["data/executed.ipynb"]


@pytest.mark.parametrize(
    "change",
    [
        lambda cell: cell.pop("id"), lambda cell: cell.update(cell_type="scene"),
        lambda cell: cell.update(source=131), lambda cell: cell.pop("outputs"),
        lambda cell: cell.update(outputs=[{"data": {}}]), lambda cell: cell.update(outputs={}),
        lambda cell: cell.update(execution_count="1"), lambda cell: cell.pop("execution_count"),
    ],
)  # fmt: skip
def test_what_nbformat_refuses_is_refused_without_it(tmp_path, notebook, change):
    import nbformat

    bag = tmp_path / "bag" / "data"
    bag.mkdir(parents=True)
    for spoil in (False, True):
        if spoil:
            notebook = copy.deepcopy(notebook)
            change(notebook["cells"][5])
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # of a cell without an id
            try:
                nbformat.validate(notebook, version=4, version_minor=5)
            except (nbformat.ValidationError, Warning):
                assert spoil
            else:
                assert not spoil
        (bag / "executed.ipynb").write_text(json.dumps(notebook))
        found: list = []
        with open_bag(bag.parent) as opened:
            assert (read_notebook(opened, found) is None) is spoil
        assert len(found) == spoil


@pytest.fixture(scope="module")
def page():
    return (sealed_review() / "data" / "report.html").read_bytes()


@pytest.fixture
def margin(book):
    return next(c for c in book.claims if c.kind == "margin" and c.outcome)


def around(body: str) -> bytes:
    policy = "default-src 'none'; img-src data:"
    return (
        f'<!doctype html><html><head><meta http-equiv="Content-Security-Policy" content="{policy}">'
        f"<title>t</title></head><body><main>{body}</main></body></html>"
    ).encode()


def test_a_page_of_the_kit_has_no_findings(book, page):
    assert _check_page(page, book) == []


def test_a_figure_as_written_passes(book, margin):
    body = figure_link(margin) + f'<span class="iv">{margin.interval}</span>'
    body += outcome_html(margin.outcome)
    assert _check_page(around(body), book) == []


@pytest.mark.parametrize("what", ["value", "text", "interval", "outcome", "anchor"])
def test_each_part_of_a_figure_counts(book, margin, what):
    body = figure_link(margin) + f'<span class="iv">{margin.interval}</span>'
    body += outcome_html(margin.outcome)
    old, new, place = {
        "value": (f'value="{margin.value!r}"', 'value="1.5"', f"{margin.id}, value"),
        "text": (f">{margin.text}<", ">+99.9\u00a0%<", f"{margin.id}, text"),
        "interval": (f">{margin.interval}<", ">+1.0 to +2.0<", f"{margin.id}, interval"),
        "outcome": (f">{margin.outcome}<", ">level<", f"{margin.id}, outcome"),
        "anchor": (f"#{margin.anchor}", "#trace-none", "#trace-none"),
    }[what]
    assert old in body
    found = _check_page(around(body.replace(old, new)), book)
    assert [f.path for f in found] == [f"data/report.html # {place}"]
    assert found[0].stage == ""  # the stage is named by who verifies


def test_a_figure_without_its_machine_value_is_found(book, margin):
    body = figure_link(margin).replace(f'<data value="{margin.value!r}">', "<b>")
    found = _check_page(around(body.replace("</data>", "</b>")), book)
    assert [f.path for f in found] == [f"data/report.html # {margin.id}, value"]


def test_an_outcome_by_its_class_alone_counts(book, margin):
    body = figure_link(margin) + outcome_html(margin.outcome).replace(
        f"outcome {margin.outcome}", "outcome level"
    )
    assert [f.path for f in _check_page(around(body), book)] == [
        f"data/report.html # {margin.id}, outcome"
    ]


def test_every_way_to_write_a_figure_in_text_passes(book, margin):
    from kit.claims.bound_text import printed_forms

    for form in printed_forms(margin, book):
        body = figure_link(margin).replace(margin.text, form)
        assert _check_page(around(body), book) == [], form


def test_a_page_without_figures_is_found(book):
    found = _check_page(around("<p>All is well.</p>"), book)
    assert [f.expected for f in found] == ["figures that link to claims"]


def test_an_entry_of_the_traces_that_reads_otherwise_is_found(book, page, notebook, margin):
    text = page.decode()
    entry = f'<div id="{margin.anchor}"'
    start = text.index(entry)
    wrong = text[:start] + text[start:].replace("</dl>", " of old</dl>", 1)
    found = _rebuilt(wrong.encode(), notebook)
    assert len(found) == 1 and f"after {margin.anchor}" in found[0].path
    added = text.replace(entry, f'<li id="trace-none">x</li>{entry}', 1)
    found = _rebuilt(added.encode(), notebook)
    assert len(found) == 1 and "trace-none" in found[0].found


def test_a_changed_hash_of_a_run_is_found(book, page, notebook):
    digest = next(r.sha256 for r in book.runs if r.frames)
    wrong = page.replace(digest.encode(), (digest[:-1] + "x").encode())
    assert _rebuilt(page, notebook) == []
    assert _rebuilt(wrong, notebook)


@pytest.mark.parametrize(
    "body",
    [
        "<script>x()</script>", '<img src="https://x.invalid/a.png" alt="a">',
        '<img src="data:text/html;base64,AAAA" alt="a">', '<a href="javascript:x()">a</a>',
        '<p onclick="x()">a</p>', '<p style="background:url(https://x.invalid)">a</p>',
        '<iframe src="a"></iframe>', "<object></object>", "<form></form>", '<svg onload="x()"></svg>',
        '<svg><use href="#a"/></svg>', '<svg><image href="https://x.invalid/a.png"/></svg>',
        "<svg><foreignObject></foreignObject></svg>", '<input type="image" name="a">',
        '<link rel="stylesheet" href="https://x.invalid/a.css">', '<base href="https://x.invalid">',
        "<style>p{background:url(//x.invalid)}</style>", '<video src="a"></video>',
    ],
)  # fmt: skip
def test_what_may_harm_is_found(book, margin, body):
    found = _check_page(around(figure_link(margin) + body), book)
    assert found and all("line" in f.path for f in found)


def test_a_missing_content_policy_is_found(book, margin):
    data = f"<!doctype html><title>t</title>{figure_link(margin)}".encode()
    assert [f.path for f in _check_page(data, book)] == ["data/report.html # head"]


@pytest.mark.parametrize("data", [b"", b"\x00\x01", b"<", b"\xff\xfe<p>", b"<p>" * 50_000])
def test_broken_pages_give_findings_not_errors(book, data):
    assert _check_page(data, book)


def test_words_leave_white_space_inside_figures_alone():
    assert _plain_words("<p>a \n b</p><p>c</p>") == "a b c"
    assert _plain_words("<b>4\u00a0%</b>") == "4\u00a0%"
    assert _plain_words('x<a class="back" href="#y">back</a> z') == "x z"


def test_the_first_difference_is_shown():
    found = _compare_text(
        "data/x", "here", "a" * 100 + "1" + "b" * 200, "a" * 100 + "2" + "b" * 200
    )
    assert len(found) == 1 and found[0].path == "data/x # here"
    assert found[0].expected.startswith("...") and "1bbb" in found[0].expected
    assert "2bbb" in found[0].found and len(found[0].found) < 120
    assert _compare_text("data/x", "here", "same", "same") == []
