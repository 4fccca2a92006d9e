"""The chart of runs beside their own mean."""

from dataclasses import replace

import made_results
import pytest

from kit.charts.spread import draw_spread

NAMES = made_results.names()


def test_every_run_is_a_dot_at_its_ratio_to_the_mean_of_its_cell():
    cells = made_results.cells(3, 2)
    chart = draw_spread(cells, product="p0", names=NAMES)
    expected = sorted(v / c.value for c in cells for v in c.values)
    assert sorted(chart.table["ratio"]) == expected
    drawn = sorted(
        float(x)
        for axes in chart.draw("page").axes
        for line in axes.lines
        if line.get_marker() in {"o", "s"}
        for x in line.get_xdata()
    )
    assert drawn == expected


def test_the_caption_names_the_run_furthest_from_its_mean():
    cells = made_results.cells(3, 2)
    far = replace(cells[3], values=(100.0, 100.0, 100.0, 80.0), value=94.6)
    chart = draw_spread([*cells[:3], far, *cells[4:]], product="p0", names=NAMES)
    assert "−15.4\xa0%: Tessel 14 in Harbour at Night" in chart.caption  # 80 / 94.6 - 1


def test_alt_text_gives_each_range_of_the_reviewed_product():
    cell = replace(made_results.cells(1, 1)[0], values=(97.0, 100.0, 103.0, 100.0), value=100.0)
    chart = draw_spread([cell], product="p0", names=NAMES)
    assert "Salt Dunes −3.0\xa0% to +3.0\xa0%" in chart.alt


def test_cells_of_one_run_have_no_spread():
    cells = [replace(c, values=c.values[:1], runs=c.runs[:1]) for c in made_results.cells(2, 2)]
    with pytest.raises(ValueError, match="no cell has two runs"):
        draw_spread(cells, product="p0", names=NAMES)
    mixed = [*cells[:1], made_results.cells(2, 2)[1]]
    assert set(draw_spread(mixed, product="p0", names=NAMES).table["product"]) == {"p1"}
