"""Pictures drawn before are found again; a changed number, name or text of the code is not."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from matplotlib.figure import Figure
from small_bench import small_bench, walk

import kit.page.kept_charts
from kit.charts.style import Chart, blank_figure, drawn_on, export_chart, page_image
from kit.metrics.store import Store
from kit.page.kept_charts import keeping
from kit.page.pictures import draw_backwards, make_charts


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "store")


def counting():
    """Return a drawing function, and the list of the sheets it was asked to draw on."""
    drawn: list[str] = []

    def draw_line(numbers, *, name="a", extra=None) -> Chart:
        def paint(sheet) -> Figure:
            drawn.append(sheet.size)
            figure = blank_figure(sheet, 100)
            figure.add_axes((0, 0, 1, 1)).plot(numbers)
            return figure

        table = pd.DataFrame({"number": list(numbers)})
        return Chart(name, "A line", "note", "alt", table, drawn_on(paint))

    return draw_line, drawn


def test_a_picture_is_drawn_once_for_each_sheet(store, tmp_path):
    draw, drawn = counting()
    first = keeping(draw, store)((1.0, 2.0))
    pictures = page_image(first), [p.read_bytes() for p in export_chart(first, tmp_path / "a")]
    assert drawn == ["page", "video"]
    again = keeping(draw, store)((1.0, 2.0))
    assert (
        page_image(again),
        [p.read_bytes() for p in export_chart(again, tmp_path / "b")],
    ) == pictures
    assert drawn == ["page", "video"]
    plain = draw((1.0, 2.0))
    assert page_image(plain) == pictures[0]
    assert [p.read_bytes() for p in export_chart(plain, tmp_path / "c")] == pictures[1]


def test_whatever_differs_is_drawn(store, monkeypatch):
    draw, drawn = counting()
    for numbers, name in (((1.0, 2.0), "a"), ((1.0, 2.0 + 4e-16), "a"), ((1.0, 2.0), "b")):
        page_image(keeping(draw, store)(numbers, name=name))
    assert len(drawn) == 3
    monkeypatch.setattr(kit.page.kept_charts, "_code", lambda: "other code")
    page_image(keeping(draw, store)((1.0, 2.0), name="a"))
    assert len(drawn) == 4


def test_a_damaged_picture_is_drawn_anew(store):
    draw, drawn = counting()
    first = page_image(keeping(draw, store)((1.0, 2.0)))
    for path in store.folder.rglob("*"):
        if path.is_file():
            path.write_bytes(path.read_bytes()[:-5])
    assert page_image(keeping(draw, store)((1.0, 2.0))) == first
    assert drawn == ["page", "page"]


def test_arguments_that_are_not_plain_are_never_kept(store):
    draw, drawn = counting()
    for _ in range(2):
        page_image(keeping(draw, store)((1.0, 2.0), extra=object()))
    assert len(drawn) == 2 and not list(store.folder.glob("*"))


def test_every_chart_of_a_review_is_kept_and_only_prices_move_those_of_prices(tmp_path, store):
    made = small_bench()
    dearer = replace(made, prices=tuple((p[0], "333", *p[2:]) for p in made.prices))

    def charts_of(bench, folder):
        review, results, book = walk(bench, folder)
        return make_charts(replace(review, store=store), results, book)

    charts = charts_of(made, tmp_path / "made")
    draw_backwards(charts)
    held = {name: chart for c in charts.values() for chart in c for name in [chart.name]}
    assert len(held) > 5

    def never(size):
        raise AssertionError("drawn again")

    for same in charts_of(made, tmp_path / "same").values():
        for chart in same:
            assert page_image(replace(chart, draw=never)) == page_image(held[chart.name])
    for subject, again in charts_of(dearer, tmp_path / "dearer").items():
        for chart in again:
            unable = replace(chart, draw=never)
            if subject == "value":
                with pytest.raises(AssertionError, match="drawn again"):
                    page_image(unable)
            else:
                assert page_image(unable) == page_image(held[chart.name])
                export_chart(unable, tmp_path / "out")
