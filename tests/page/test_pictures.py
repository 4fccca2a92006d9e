"""Pictures drawn before are found again; a changed number, name or text of the code is not."""

from __future__ import annotations

from dataclasses import replace

import made_claims
import pytest
from matplotlib.figure import Figure
from small_bench import small_bench, walk

import kit.page.pictures
from kit.charts.layout import Drawing
from kit.charts.style import Chart, ChartWords
from kit.metrics.store import Store
from kit.page.pictures import _keep_pictures, make_charts, show_charts


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "store")


def counting():
    """Return a drawing function, and the list of the sheets it was asked to draw on."""
    drawn: list[str] = []

    def paint(chart, sheet) -> Figure:
        drawn.append(sheet.size)
        figure = Drawing(sheet, 100)
        figure.add_axes((0, 0, 1, 1)).plot(chart.plan[0])
        return figure

    def draw_line(numbers, *, name="a", extra=None) -> Chart:
        claims = made_claims.cells(1, len(numbers))
        words = ChartWords((name,), "A line", "note", "alt")
        return Chart(words, (numbers, extra), paint, tuple(claims))

    return draw_line, drawn


def test_a_picture_is_drawn_once_for_each_sheet(store, tmp_path):
    draw, drawn = counting()
    first = _keep_pictures(draw((1.0, 2.0)), store)
    pictures = first.page_image(), [p.read_bytes() for p in first.export(tmp_path / "a")]
    assert drawn == ["page", "video"]
    again = _keep_pictures(draw((1.0, 2.0)), store)
    assert (
        again.page_image(),
        [p.read_bytes() for p in again.export(tmp_path / "b")],
    ) == pictures
    assert drawn == ["page", "video"]
    plain = draw((1.0, 2.0))
    assert plain.page_image() == pictures[0]
    assert [p.read_bytes() for p in plain.export(tmp_path / "c")] == pictures[1]


def test_whatever_differs_is_drawn(store, monkeypatch):
    draw, drawn = counting()
    for numbers, name in (((1.0, 2.0), "a"), ((1.0, 2.0 + 4e-16), "a"), ((1.0, 2.0), "b")):
        _keep_pictures(draw(numbers, name=name), store).page_image()
    assert len(drawn) == 3
    monkeypatch.setattr(kit.page.pictures, "_code", lambda: "other code")
    _keep_pictures(draw((1.0, 2.0), name="a"), store).page_image()
    assert len(drawn) == 4


def test_a_damaged_picture_is_drawn_anew(store):
    draw, drawn = counting()
    first = _keep_pictures(draw((1.0, 2.0)), store).page_image()
    for path in store.folder.rglob("*"):
        if path.is_file():
            path.write_bytes(path.read_bytes()[:-5])
    assert _keep_pictures(draw((1.0, 2.0)), store).page_image() == first
    assert drawn == ["page", "page"]


def test_arguments_that_are_not_plain_are_never_kept(store):
    draw, drawn = counting()
    for _ in range(2):
        _keep_pictures(draw((1.0, 2.0), extra=object()), store).page_image()
    assert len(drawn) == 2 and not list(store.folder.glob("*"))


def test_a_chart_of_frames_is_never_kept(store):
    draw, drawn = counting()
    for _ in range(2):
        _keep_pictures(replace(draw((1.0, 2.0)), claims=()), store).page_image()
    assert len(drawn) == 2 and not list(store.folder.glob("*"))


def test_the_table_of_a_chart_holds_each_claim_as_printed_and_no_head_that_says_nothing():
    for kind, chart in made_claims.all_charts(2, 2).items():
        if not chart.claims:
            continue
        shown = show_charts([chart], made_claims.book(*chart.claims)).markup
        for claim in chart.claims:
            assert claim.text in shown and claim.interval in shown, (kind, claim.id)
    chart = made_claims.all_charts(3, 2)["margins"]
    shown = show_charts([chart], made_claims.book(*chart.claims)).markup
    heads = shown.partition("<thead>")[2].partition("</thead>")[0]
    assert ">title<" in heads and ">product<" not in heads and ">over<" not in heads
    assert shown.count("<tr>") == 1 + 3 + 1  # heads, titles, the suite with both its intervals


def test_every_chart_of_a_review_is_kept_and_only_prices_move_those_of_prices(tmp_path, store):
    made = small_bench()
    dearer = replace(made, prices=tuple((p[0], "333", *p[2:]) for p in made.prices))

    def charts_of(bench, folder):
        review, _, book = walk(bench, folder)
        return make_charts(replace(review, store=store), book)

    charts = charts_of(made, tmp_path / "made")
    held = {name: chart for c in charts.values() for chart in c for name in [chart.name]}
    for chart in held.values():
        chart.draw_export()
        chart.page_image()
    assert len(held) > 5

    def never(chart, sheet):
        raise AssertionError("drawn again")

    for same in charts_of(made, tmp_path / "same").values():
        for chart in same:
            assert replace(chart, paint=never).page_image() == held[chart.name].page_image()
    for subject, again in charts_of(dearer, tmp_path / "dearer").items():
        for chart in again:
            unable = replace(chart, paint=never)
            if subject in {"value", "prices"}:
                with pytest.raises(AssertionError, match="drawn again"):
                    unable.page_image()
            else:
                assert unable.page_image() == held[chart.name].page_image()
                unable.export(tmp_path / "out")
