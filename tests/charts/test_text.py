"""Names made safe, text measured and cut, labels kept apart."""

import math
import re

import pytest
from made_claims import book
from matplotlib.figure import Figure

from kit.charts.text import (
    ELLIPSIS,
    fit_text,
    place_labels,
    plain_name,
    product_name,
    spread_apart,
    text_width,
    title_name,
    wrap_text,
)


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("Plain 14", "Plain 14"),
        ("  two\n lines\t", "two lines"),
        ("a\x00\x1bb\x7f", "ab"),
        ("\u202eevil\u202c", "evil"),
        ("\ud800x", "x"),
        ("", "(no name)"),
        ("\x01", "(no name)"),
        ("$x_1$ <b>", "$x_1$ <b>"),
        ("\u05de\u05d7", "\u05de\u05d7"),
    ],
)
def test_a_name_is_one_line_of_text(raw, shown):
    assert plain_name(raw) == shown


def test_an_id_without_a_name_stands_for_itself():
    made = book(shown={"p1": "", "t01": ""})
    assert product_name(made, "p0") == "Marlow 14" and title_name(made, "t00") == "Salt Dunes"
    assert product_name(made, "p1") == "p1" and title_name(made, "t01") == "t01"
    assert product_name(made, "c") == "c"


@pytest.mark.parametrize("text", ["Marlow 14", "WWW", "iii", "+12.3\xa0%", "Ünïcödé"])
def test_widths_are_those_matplotlib_draws(text):
    figure = Figure(dpi=72)
    drawn = figure.text(0, 0, text, fontsize=40, fontfamily="DejaVu Sans", parse_math=False)
    assert text_width(text, 40) == pytest.approx(drawn.get_window_extent().width, abs=2.0)


def test_a_script_the_font_lacks_is_given_an_em_a_character():
    assert text_width("\u7b14\u8bb0\u672c", 20) >= 60


@pytest.mark.parametrize("width", [20, 60, 120, 1000])
def test_text_is_cut_no_shorter_than_it_must_be(width):
    text = "An exceedingly long name"
    cut = fit_text(text, 15, width)
    assert text_width(cut, 15) <= width
    if cut != text:
        kept = cut.removesuffix(ELLIPSIS)
        assert text.startswith(kept)
        longer = text[: len(kept) + 2].rstrip() + ELLIPSIS
        assert text_width(longer, 15) > width


def test_text_is_broken_at_spaces_and_nothing_but_the_end_is_lost():
    whole = wrap_text("one two three four", 10, text_width("one two three", 10) + 1)
    assert whole == "one two three\nfour"
    cut = wrap_text("one two three four", 10, text_width("one two", 10) + 1)
    assert cut.startswith("one two\nth") and cut.endswith(ELLIPSIS) and cut.count("\n") == 1


def test_labels_are_spread_apart_in_order_and_near_where_they_belong():
    placed = spread_apart([10.0, 12.0, 50.0, 11.0], apart=8.0, low=0.0, high=60.0)
    assert placed == [10.0, 26.0, 50.0, 18.0]
    pushed = spread_apart([55.0, 58.0, 59.0], apart=10.0, low=0.0, high=60.0)
    assert pushed == [40.0, 50.0, 60.0]
    assert spread_apart([], apart=1, low=0, high=1) == []


def test_labels_cover_neither_points_nor_each_other():
    points = [(100.0 + 9 * math.cos(i), 100.0 + 40 * math.sin(i)) for i in range(5)]
    boxes = [(60.0, 14.0)] * 5
    spots = place_labels(boxes, points, clear=4, room=(300, 200))
    frames = [(x, y, x + 60, y + 14) for x, y in spots]
    for i, (x0, y0, x1, y1) in enumerate(frames):
        assert x0 >= 0 and y0 >= 0 and x1 <= 300 and y1 <= 200
        assert not any(x0 < px < x1 and y0 < py < y1 for px, py in points)
        assert not any(x0 < b[2] and b[0] < x1 and y0 < b[3] and b[1] < y1 for b in frames[:i])


def test_labels_stay_inside_the_room_at_a_corner():
    ((x, y),) = place_labels([(50.0, 12.0)], [(99.0, 1.0)], clear=3, room=(100, 100))
    assert 0 <= x <= 50 and 0 <= y <= 88


def test_the_cut_marks_itself():
    assert re.search(f"{ELLIPSIS}$", fit_text("W" * 500, 15, 80))
