"""A German review in a house style with a metric off by default, to a sealed, verified bag."""

from __future__ import annotations

import json
import re
import shutil

import numpy as np
import pytest
from babel.numbers import format_currency
from lxml import html
from sealmaker import PROJECT, run_project, write_project

from kit.archive.sealing import seal
from kit.archive.verifying import verify_bag
from kit.claims.claim import load_claims
from kit.errors import ParamsError
from kit.page.slides import SlideSet, write_slides
from kit.review.walk import load_review, work_out

COMPARED = "metrics: {low: slowest_share, compared: [average_fps, median_fps, low_1pct_fps]}"
TEXT = """\
{{median margin quill over wren in kettle | sentence}}, bei {{median quill in kettle}}. Im Ganzen
gegenüber Finch: {{median suite quill over finch | number}}, für {{price quill at launch}}.
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("median")
    params = write_project(folder)
    text = params.read_text()
    assert "metrics: {low: slowest_share}" in text
    params.write_text(text.replace("metrics: {low: slowest_share}", COMPARED))
    params.write_text(params.read_text() + "locale: de\nlanguage: de\nstyle: house\n")
    shutil.copytree(PROJECT / "params" / "house", params.parent / "house")
    (folder / "text" / "quill.md").write_text(TEXT)
    sheet = folder / "bench" / "runs.csv"
    others = ("finch-attic-2", "finch-attic-3")  # without them a run is alone in its cell
    rows = [row for row in sheet.read_text().splitlines() if not row.startswith(others)]
    sheet.write_text("\n".join(rows) + "\n")
    return run_project(folder, params)


def test_claims_have_the_figures_of_the_median(folder):
    book = load_claims(folder)
    frames = np.loadtxt(
        folder.parents[1] / "bench" / "logs" / "quill-kettle-1.csv", delimiter=",", skiprows=1
    )[:, 1]
    run = book.by_id["run/median_fps/quill-kettle-1"]
    assert run.value == pytest.approx(1000 / np.median(frames), rel=1e-12)
    assert (run.method, run.method_version, run.unit) == ("median", 1, "fps")
    assert not book.of_kind("run", metric="low_0_1pct_fps")  # not compared here
    cells = [c.value for c in book.of_kind("cell", metric="median_fps")]
    assert len(cells) == 9
    margin = book.by_id["margin/median_fps/kettle/quill-over-wren"]
    ends = (book.by_id[f"cell/median_fps/kettle/{p}"].value for p in ("quill", "wren"))
    assert margin.value == pytest.approx(next(ends) / next(ends), rel=1e-12)
    assert book.by_id["suite/median_fps/all/quill-over-wren"].outcome == "ahead"


def test_a_lone_runs_interval_is_the_medians_own(folder):
    params = folder.parents[1] / "params" / "quill.yaml"
    alone = params.with_name("alone.yaml")
    alone.write_text(params.read_text().replace("method: auto", "method: welch"))
    results = work_out(load_review(alone))
    cell = results.cell("finch", "attic", "median_fps")
    assert (len(cell.runs), cell.method) == (1, "frames")
    # 300 independent frames with a spread of 6 %: ln(median) has the standard error
    # 0.06 sqrt(pi / 2 / 300), common textbook result; the spacing of one run scatters by 15 %.
    half = np.log(cell.high / cell.low) / 2
    assert half == pytest.approx(1.96 * 0.06 * np.sqrt(np.pi / 2 / 300), rel=0.4)
    assert cell.log_se is None  # no margin rests on it


def test_page_charts_tables_and_text_show_it(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Median per title, with the interval of its runs" in page
    assert "Average per title" in page
    stems = sorted(p.name for p in (folder / "charts").glob("margins-median_fps-*"))
    assert [s for s in stems if s.endswith(".svg")] == [
        "margins-median_fps-quill-over-finch.svg",
        "margins-median_fps-quill-over-wren.svg",
    ]
    assert "margin/median_fps/kettle/quill-over-wren" in (
        folder / "tables" / "margins.csv"
    ).read_text(encoding="utf-8")
    document = json.loads((folder / "claims.json").read_text(encoding="utf-8"))
    assert document["settings"]["metrics"]["compared"][1] == "median_fps"


def test_sealed_it_is_verified(folder, tmp_path):
    bag = seal(folder, to=tmp_path / "sealed").path
    seen = verify_bag(bag)
    assert seen.findings == ()
    assert seen.grade == "reproduced"
    for name in ("style.yaml", "logo.png"):
        kept = (bag / "data" / "params" / "house" / name).read_bytes()
        assert kept == (PROJECT / "params" / "house" / name).read_bytes()


def test_the_page_and_slides_have_the_house_style_and_ask_nobody_for_it(folder, tmp_path):
    page = (folder / "report.html").read_text(encoding="utf-8")
    style = re.search("<style>(.*?)</style>", page, re.DOTALL)[1]
    assert "--paper: #fdf8ee" in style and "--paper: #14161f" in style and "#fbfaf6" not in style
    assert '--sans: "Noto Sans", "Avenir Next"' in style and "url(" not in style
    (house,) = html.document_fromstring(page).xpath("//p[@class='masthead']/span[@class='house']")
    assert house.text_content().strip() == "Lamp & Ledger"
    assert house.xpath("./img/@src")[0].startswith("data:image/png;base64,")
    paths = write_slides(load_claims(folder), tmp_path, SlideSet(("suite",)))
    svg = next(p for p in paths if p.suffix == ".svg").read_text()
    assert "#fdf8ee" in svg and "#fbfaf6" not in svg and "data:image/png;base64," in svg


def test_the_article_is_german_and_its_money_too(folder):
    page = html.document_fromstring((folder / "report.html").read_text(encoding="utf-8"))
    assert page.get("lang") == "de"
    (text,) = page.xpath("//p[contains(., 'gegenüber Finch: ')]")
    assert "Quill ist " in text.text_content() and "schneller als Wren, bei " in text.text_content()
    # As Babel writes an amount in German, which the kit does without its cents.
    price = format_currency(1499, "EUR", "#,##0\xa0¤", locale="de", currency_digits=False)
    assert price == "1.499\xa0€"
    for place in ("//p[@class='deck']", "//table[@class='offers']", "//div[@class='notes']"):
        assert price in page.xpath(place)[0].text_content(), place
    assert text.text_content().rstrip(".").endswith(f"für {price}")


def test_params_refuse_what_is_no_metric(tmp_path):
    params = write_project(tmp_path)
    text = params.read_text().replace(
        "metrics: {low: slowest_share}",
        "metrics: {low: slowest_share, compared: [average_fps, medain_fps]}",
    )
    params.write_text(text)
    with pytest.raises(ParamsError, match=r'no metric "medain_fps"; did you mean "median_fps"'):
        load_review(params)
