"""HTML fragments: escaping, figure links, tables, pictures, and the contrast of the page's inks."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import html as lxml_html
from tiny_project import tiny_claims

from kit.page.assemble import _clean as clean
from kit.page.html import (
    FIGURE_SPACE,
    POINT_SPACE,
    Column,
    Html,
    bullet_list,
    figure_link,
    heading,
    html_table,
    image_figure,
    outcome_html,
    page_head,
    paragraph,
    text_html,
)

CSS = (Path(__file__).parents[2] / "kit" / "page" / "page.css").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def book():
    return tiny_claims().make_book()


def margin(book, title="dunes-1080", rival="gannet-14"):
    return book.by_id[f"margin/average_fps/{title}/lanternfish-14-over-{rival}"]


def parsed(markup):
    return lxml_html.fragment_fromstring(markup, create_parent="div")


def cell_texts(table):
    return [
        [cell.text_content() for cell in row.iter("th", "td")]
        for row in parsed(table.markup).iter("tr")
    ]


# --- text ---


@pytest.mark.parametrize(
    "text",
    ["<script>alert(1)</script>", "\"quoted\" & 'single'", "</td></table>", "&lt;", "a < b > c"],
)
def test_markup_in_a_name_is_shown_as_text(text):
    assert parsed(text_html(text)).text_content() == text


@given(st.text(max_size=60))
def test_any_text_comes_back_as_it_was_without_a_tag(text):
    shown = text_html(text)
    assert set(re.findall(r"<(\w+)", shown)) <= {"bdi"}
    # HTML Standard, 13.2.3.5: controls other than white space, surrogates and noncharacters are
    # parse errors wherever they stand.
    expected = "".join(
        "\ufffd"
        if (ord(c) < 32 and c not in "\n\t")
        or 0x7F <= ord(c) < 0xA0
        or 0xD800 <= ord(c) < 0xE000
        or 0xFDD0 <= ord(c) < 0xFDF0
        or ord(c) % 65536 >= 65534
        else c
        for c in text
    )
    # The sanitiser parses by that standard; what it gives back is parsed by lxml, which drops
    # white space at the ends of a fragment: hence something on both sides.
    assert parsed(clean(f"<p>[{shown}]</p>")).text_content() == f"[{expected}]"


def test_right_to_left_text_is_kept_apart():
    assert text_html("حاسوب 14") == '<bdi dir="auto">حاسوب 14</bdi>'
    assert text_html("plain name") == "plain name"


def test_an_override_of_direction_cannot_leave_its_name():
    # U+202E turns round whatever follows it (UAX #9, 2.4.3); so do its kin. None reaches a page.
    for mark in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069":
        assert text_html(f"evil{mark}txt.exe") == "evil\ufffdtxt.exe"


# --- figures ---


def test_a_figure_is_a_link_to_its_trace_with_its_machine_value(book):
    claim = margin(book)
    (link,) = parsed(figure_link(claim))
    assert (link.tag, link.get("class"), link.get("href")) == ("a", "fig", f"#{claim.anchor}")
    (data,) = link
    assert float(data.get("value")) == claim.value
    assert link.text_content() == claim.text == "−5.7\xa0%"


def test_a_figure_keeps_its_whole_text_where_the_head_gives_the_unit(book):
    claim = margin(book)
    link = parsed(figure_link(claim, unit="%"))
    assert link.text_content() == claim.text
    assert [i.text_content() for i in link.iter("i")] == ["\xa0%"]
    price = book.of_kind("value")[0]
    link = parsed(figure_link(price, unit="EUR"))
    assert link.text_content() == price.text == "EUR\xa01,434"
    assert [i.text_content() for i in link.iter("i")] == ["EUR\xa0"]


def test_a_figure_without_a_value_has_no_machine_value(book):
    link = parsed(figure_link(replace(margin(book), value=None, text="not measured")))
    assert link.text_content() == "not measured"
    assert list(link.iter("data")) == []


@pytest.mark.parametrize("outcome", ["ahead", "behind", "level", "unresolved"])
def test_an_outcome_is_a_word_and_the_style_sets_a_sign_of_its_own_before_it(outcome):
    assert parsed(outcome_html(outcome)).text_content() == outcome
    signs = dict(re.findall(r"\.outcome\.(\w+)::before \{ content: (\"[^\"]+\")", CSS))
    assert len(set(signs.values())) == 4
    assert outcome in signs


# --- tables ---


def test_a_table_has_caption_scopes_and_a_labelled_box_that_takes_focus(book):
    table = html_table(
        'Ahead <of> "all"',
        [Column("Title"), Column("Margin", "%", number=True)],
        [["Dunes", margin(book)]],
    )
    box = parsed(table.markup)[0]
    assert (box.tag, box.get("tabindex")) == ("section", "0")
    assert box.get("aria-label") == box.find(".//caption").text == 'Ahead <of> "all"'
    assert [th.get("scope") for th in box.iter("th")] == ["col", "col", "row"]
    assert box.find(".//thead//span").text == "%"


def test_decimal_marks_stand_in_line():
    rows = [["a", "1,234.5"], ["b", "7"], ["c", "0.25"], ["d", "not measured"]]
    table = html_table("C", [Column("n"), Column("v", number=True)], rows)
    assert [row[1] for row in cell_texts(table)[1:]] == [
        "1,234.5" + FIGURE_SPACE,
        "7" + FIGURE_SPACE * 2 + POINT_SPACE,
        "0.25",
        "not measured",
    ]


def test_decimal_marks_stand_in_line_under_a_comma_locale():
    rows = [["a", "1.234,5"], ["b", "7"]]
    table = html_table("C", [Column("n"), Column("v", number=True)], rows, locale="de")
    assert [row[1] for row in cell_texts(table)[1:]] == [
        "1.234,5",
        "7" + FIGURE_SPACE + POINT_SPACE,
    ]


def test_figures_with_intervals_line_up_from_the_left(book):
    claims = [replace(margin(book), text=text) for text in ("+867\xa0%", "−5.7\xa0%", "+25.0\xa0%")]
    rows = [["x", claim] for claim in claims]
    table = html_table("C", [Column("n"), Column("v", "%", number=True)], rows)
    found = [row[1].split("%")[0].rstrip("\xa0") for row in cell_texts(table)[1:]]
    points = [text.find(".") if "." in text else len(text) for text in found]
    assert len(set(points)) == 1


def test_an_interval_and_an_outcome_stand_beside_their_figure(book):
    claim = margin(book)
    column = Column("v", "%", number=True, outcomes=True)
    cell = next(parsed(html_table("C", [Column("n"), column], [["x", claim]]).markup).iter("td"))
    assert [(e.get("class") or e.tag).split()[0] for e in cell] == ["fig", "iv", "outcome", "sup"]
    assert cell[1].text == claim.interval
    assert cell[2].text == "behind"


def test_marks_get_letters_and_the_letters_words(book):
    one, two = margin(book), replace(margin(book), marks=("single_run", "waived: memory_gb"))
    table = html_table(
        "C",
        [Column("n"), Column("v", number=True)],
        [["x", one], ["y", two]],
        mark_words={"single_run": "from a single run"},
    )
    root = parsed(table.markup)
    assert [sup.text for sup in root.findall(".//td/sup")] == ["a", "b,a"]
    assert [li.text_content() for li in root.iter("li")] == [
        "a waived: memory_gb",
        "b from a single run",
    ]


def test_marks_beyond_the_alphabet_stay_apart(book):
    claim = replace(margin(book), marks=tuple(f"m{i}" for i in range(60)))
    table = html_table("C", [Column("n"), Column("v", number=True)], [["x", claim]])
    letters = parsed(table.markup).find(".//td/sup").text.split(",")
    assert len(set(letters)) == 60


def test_a_row_of_the_wrong_length_is_refused():
    with pytest.raises(ValueError, match="a row of 1 cells, 2 columns"):
        html_table("C", [Column("a"), Column("b")], [["x"]])


def test_a_row_without_a_name_has_no_empty_heading():
    # WCAG techniques, H43 and H63: headings name rows; axe's rule "empty-table-header".
    rows = [["capped", "Heron", "x"], ["bound", "", "y"]]
    table = parsed(html_table("C", [Column("n")] * 3, rows, row_heads=2).markup)
    assert [head.text for head in table.iter("th") if head.get("scope") == "row"] == [
        "capped", "Heron", "bound",
    ]  # fmt: skip


def test_a_table_gives_its_frame_and_other_pieces_say_they_have_none():
    frame = object()
    assert html_table("C", [Column("a")], [["x"]], frame=frame).to_frame() is frame
    with pytest.raises(ValueError, match="not a table"):
        paragraph("x").to_frame()


# --- pieces ---


def test_pieces_escape_text_and_keep_pieces(book):
    claim = margin(book)
    shown = paragraph("<", Html("<em>x</em>"), claim).markup
    assert shown == f"<p>&lt;<em>x</em>{figure_link(claim)}</p>"
    assert bullet_list(["<", ["a", Html("<em>b</em>")]]).markup == (
        "<ul><li>&lt;</li><li>a<em>b</em></li></ul>"
    )
    assert bullet_list([]).markup == ""
    assert bullet_list([["d", claim]]).markup == f"<ul><li>d{figure_link(claim)}</li></ul>"
    assert heading("A & B", level=3).markup == "<h3>A &amp; B</h3>"


def test_the_head_of_a_page_holds_title_byline_and_date():
    root = parsed(page_head("<T>", byline="B & C", date="2026-05-04").markup)
    assert root.find(".//h1").text == "<T>"
    assert root.find(".//time").get("datetime") == "2026-05-04"


def test_a_picture_has_words_a_caption_and_its_numbers():
    table = html_table("N", [Column("a")], [["x"]])
    shown = image_figure(
        b"<svg/>",
        mime="image/svg+xml",
        caption="C <1>",
        alt='Two "bars"',
        note="N & M",
        table=table,
    )
    root = parsed(shown.markup)
    image = root.find(".//img")
    assert image.get("src") == "data:image/svg+xml;base64,PHN2Zy8+"
    assert image.get("alt") == 'Two "bars"'
    assert root.find(".//figcaption").text == "C <1>"
    assert root.find(".//p").text == "N & M"
    assert root.find(".//details//td") is None and root.find(".//details//th") is not None


@pytest.mark.parametrize("alt", ["", " \n"])
def test_a_picture_without_words_is_refused(alt):
    with pytest.raises(ValueError, match="no text to stand for it"):
        image_figure(b"x", mime="image/png", caption="C", alt=alt)


def test_what_jupyterlab_shows_is_styled_and_holds_the_same_markup():
    piece = paragraph("x")
    shown = piece._repr_html_()
    assert shown.startswith('<div class="marginbook"><style>')
    assert shown.endswith("<p>x</p></div>")
    assert repr(piece) == "Html(8 characters)"


# --- inks ---
# WCAG 2.2, definitions of "relative luminance" and "contrast ratio"; success criteria 1.4.3
# (text, 4.5 to 1) and 1.4.11 (focus, 3 to 1).


def luminance(ink):
    channels = [int(ink[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels
    ]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def inks():
    """Return the page's inks by mode; a mode that does not set one keeps the light one."""
    blocks = re.findall(r":root \{(.*?)\}", CSS, flags=re.DOTALL)
    found = []
    for block in blocks:
        values = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]+)", block))
        values = {
            k: "#" + "".join(c * 2 for c in v[1:]) if len(v) == 4 else v
            for k, v in values.items()
            if len(v) in (4, 7)
        }
        found.append({**(found[0] if found else {}), **values})
    return dict(zip(("light", "dark", "print"), found, strict=True))


def test_contrast_is_computed_as_the_standard_says():
    # The range the definition states: 1 to 1 up to 21 to 1.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#123456", "#123456") == 1
    # From memory, W3C's own example of a grey that just fails on white: 4.48 to 1.
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


# WCAG 2.2, 1.4.3: text at 4.5 to 1. Text stands in the product's own colour for the reviewed one
# alone; its sign stands in a chip.
TEXT = [
    *((ink, "paper") for ink in ("ink", "muted", "faint", "accent", "ahead", "behind-chip", "own")),
    *((ink, "card") for ink in ("ink", "muted", "faint")),
    *((ink, "tab") for ink in ("ink", "muted", "accent")),
    ("on", "ahead"),
    ("on", "behind-chip"),
]


@pytest.mark.parametrize("mode", ["light", "dark", "print"])
@pytest.mark.parametrize(("ink", "ground"), TEXT)
def test_text_stands_out_from_its_ground(mode, ink, ground):
    assert contrast(inks()[mode][ink], inks()[mode][ground]) >= 4.5


# WCAG 2.2, 1.4.11: what carries meaning at 3 to 1. Outcomes stand on the level band too.
MARKS = [
    *(
        (ink, "paper")
        for ink in ("own", "a", "b", "c", "before", "more", "level", "ahead", "behind")
    ),
    *((ink, "band") for ink in ("ahead", "behind", "level", "ink")),
]


@pytest.mark.parametrize("mode", ["light", "dark", "print"])
@pytest.mark.parametrize(("ink", "ground"), MARKS)
def test_marks_stand_out_from_their_ground(mode, ink, ground):
    assert contrast(inks()[mode][ink], inks()[mode][ground]) >= 3


def test_nothing_in_the_style_is_loaded_from_anywhere():
    assert "url(" not in CSS and "@import" not in CSS and "</" not in CSS
