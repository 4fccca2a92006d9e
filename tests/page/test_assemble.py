"""One page of a notebook: its order, its links, its content policy."""

from __future__ import annotations

import base64
import hashlib
import re

import pytest
from lxml import html as lxml_html
from tiny_project import tiny_claims

from kit.errors import ExecutionError
from kit.page.assemble import CLOSED_MIME, _style, _written, build_page
from kit.page.html import Html, figure_link, page_head
from kit.page.traces import trace_section


@pytest.fixture(scope="module")
def book():
    return tiny_claims().make_book()


def prose(source):
    return {"cell_type": "markdown", "id": "p", "metadata": {}, "source": source}


def code(*pieces, source="x = 1", cell_id="c"):
    outputs = [
        {
            "output_type": "execute_result",
            "data": {"text/html": piece._repr_html_()},
            "metadata": {},
            "execution_count": 1,
        }
        for piece in pieces
    ]
    return {
        "cell_type": "code",
        "id": cell_id,
        "metadata": {},
        "source": source,
        "outputs": outputs,
        "execution_count": 1,
    }


HEAD = code(page_head("Title & <more>", byline="B", date="2026-05-04"), source="head()")


def page_of(*cells, head=HEAD):
    return build_page({"cells": [head, *cells], "metadata": {}, "nbformat": 4, "nbformat_minor": 5})


def parsed(page):
    return lxml_html.document_fromstring(page)


# --- the frame ---


def test_the_page_is_html5_with_title_language_and_encoding():
    page = page_of(prose("## A"))
    assert page.startswith('<!DOCTYPE html>\n<html lang="en">')
    root = parsed(page)
    assert root.find(".//title").text == root.find(".//h1").text == "Title & <more>"
    assert root.xpath("//meta/@charset") == ["utf-8"]
    assert page.index("charset") < 1024  # HTML Standard, 4.2.5.4: within the first 1024 bytes
    assert root.xpath("//meta[@name='viewport']/@content") == [
        "width=device-width, initial-scale=1"
    ]


def test_every_printed_page_says_at_its_foot_which_page_it_is_of():
    head = code(page_head('A "b" </style> }', byline="\\c", date="2026-05-04"), source="head()")
    style = re.search(r"<style>(.*?)</style>", page_of(head=head), flags=re.DOTALL).group(1)
    (foot,) = re.findall(r'@bottom-left \{ content: "([^"]*)"', style)
    # CSS Syntax Level 3, 4.3.7: a backslash, hexadecimal digits and one space are a character.
    words = re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), foot)
    assert words == 'A "b" </style> } · \\c, 2026-05-04'


def test_the_policy_allows_pictures_in_the_page_and_its_own_style_alone():
    page = page_of(prose("## A"))
    root = parsed(page)
    (policy,) = root.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    style = re.search(r"<style>(.*?)</style>", page, flags=re.DOTALL).group(1)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    # Content Security Policy Level 3, 2.3 and 6.7.3.3: a hash of the text between the tags.
    assert policy == (
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'"
    )
    assert page.index("Content-Security-Policy") < page.index("<style>")


def test_nothing_in_the_page_runs_or_loads(book):
    page = page_of(prose("## A"), code(tiny_claims().drawing(book), trace_section(book)))
    root = parsed(page)
    assert root.xpath("//script | //link | //iframe | //object | //embed | //base") == []
    attributes = {name for element in root.iter() for name in element.attrib}
    assert not [name for name in attributes if name.startswith("on")]
    assert "style" not in attributes and "srcset" not in attributes
    assert all(src.startswith("data:image/") for src in root.xpath("//@src"))


def test_the_first_link_skips_to_the_text():
    root = parsed(page_of(prose("## A")))
    first = root.xpath("//a")[0]
    assert first.get("href") == "#content"
    assert root.get_element_by_id("content").tag == "main"


def test_a_heading_of_level_one_in_prose_serves_as_title():
    page = page_of(prose("## A"), head=prose("# From prose"))
    assert parsed(page).find(".//title").text == "From prose"


def test_a_notebook_without_a_title_is_refused():
    with pytest.raises(ExecutionError, match="has no title"):
        page_of(prose("## A"), head=prose("no heading"))


def test_the_footer_says_which_review_and_claims():
    closing = code(cell_id="closing")
    closing["outputs"] = [
        {
            "output_type": "execute_result",
            "metadata": {},
            "execution_count": 1,
            "data": {CLOSED_MIME: {"review": "tiny", "claims_sha256": "ab" * 32}},
        }
    ]
    footer = parsed(page_of(prose("## A"), closing)).find(".//footer").text_content()
    assert "tiny" in footer and "ab" * 32 in footer


# --- order ---


def test_headings_get_ids_made_of_their_words_each_once():
    root = parsed(page_of(prose("## Über Größe\n\n### Same\n\n### Same\n\n## 100 %\n\n## !")))
    found = [h.get("id") for h in root.iter("h2", "h3")]
    assert found == ["uber-groe", "same", "same-2", "100", "part"]


def test_contents_follow_the_first_part_and_list_headings_in_their_order():
    page = page_of(prose("## Summary\n\ntext"), prose("## One\n\n### Inner & co"), prose("## Two"))
    root = parsed(page)
    (nav,) = root.iter("nav")
    assert [(a.get("href"), a.text) for a in nav.iter("a")] == [
        ("#summary", "Summary"),
        ("#one", "One"),
        ("#inner-co", "Inner & co"),
        ("#two", "Two"),
    ]
    assert page.index('id="summary"') < page.index("<nav") < page.index('id="one"')
    assert nav.get("aria-label") == "Contents"


def test_unlisted_headings_stay_out_of_the_contents():
    page = page_of(prose("## A"), code(Html('<h3 class="unlisted">Hidden</h3><h3>Seen</h3>')))
    (nav,) = parsed(page).iter("nav")
    assert [a.text for a in nav.iter("a")] == ["A", "Seen"]


def test_each_part_is_a_section_named_by_its_heading():
    root = parsed(page_of(prose("## A\n\na"), prose("b"), prose("## B")))
    sections = root.xpath("//section[@class='part']")
    assert [s.get("aria-labelledby") for s in sections] == ["a", "b"]
    assert [p.text for p in sections[0].iter("p")] == ["a", "b"]


def test_code_is_folded_at_the_end_of_its_part_and_shown_as_text():
    root = parsed(
        page_of(
            prose("## A"), code(Html("<p>r</p>"), source="a < b"), code(source="c"), prose("## B")
        )
    )
    first, second = root.xpath("//section[@class='part']")
    assert [c.text for c in first.iter("code")] == ["a < b", "c"]
    assert first.find("details").get("open") is None
    assert list(second.iter("code")) == []
    setup = root.find(".//footer/details")
    assert setup.find("summary").text == "How this page was set up"
    assert [c.text for c in setup.iter("code")] == ["head()"]


def test_a_part_opened_by_an_output_holds_what_follows():
    page = page_of(code(Html("<p>before</p>"), Html("<h2>Made</h2><p>x</p>")), prose("after"))
    (part,) = parsed(page).xpath("//section[@class='part']")
    assert [p.text for p in part.iter("p")] == ["x", "after"]


def test_boxes_of_one_name_are_told_apart():
    box = Html('<section class="table-box" aria-label="C" tabindex="0"><p>t</p></section>')
    root = parsed(page_of(prose("## A"), code(box, box)))
    labels = root.xpath("//section[contains(@class, 'table-box')]/@aria-label")
    assert labels == ["C", "C (2)"]


# --- links ---


def test_a_figure_leads_to_its_trace_and_the_trace_back(book):
    claim = book.of_kind("margin")[0]
    shown = Html(f"<p>{figure_link(claim)} and again {figure_link(claim)}</p>")
    root = parsed(page_of(prose("## A"), code(shown), prose("## T"), code(trace_section(book))))
    figures = root.xpath("//a[@class='fig']")
    entry = root.get_element_by_id(claim.anchor)
    assert {a.get("href") for a in figures} == {f"#{claim.anchor}"}
    back = entry.xpath(".//a[starts-with(@href, '#s')]")
    assert [a.get("href") for a in back] == [f"#{a.get('id')}" for a in figures]
    assert [a.text for a in back] == ["back", "back 2"]


def test_a_trace_of_a_figure_shown_nowhere_has_no_way_back(book):
    root = parsed(page_of(prose("## T"), code(trace_section(book))))
    assert root.xpath("//div[@class='trace']//a[starts-with(@href, '#s')]") == []
    assert "shown-" not in lxml_html.tostring(root, encoding="unicode")


def test_no_more_than_three_places_are_linked_back_to(book):
    claim = book.of_kind("margin")[0]
    shown = Html(f"<p>{figure_link(claim) * 5}</p>")
    root = parsed(page_of(prose("## A"), code(shown, trace_section(book))))
    assert len(root.get_element_by_id(claim.anchor).xpath(".//a[starts-with(@href, '#s')]")) == 3
    assert len(root.xpath("//a[@class='fig']")) == 5


def test_a_figure_without_a_trace_refuses_the_page(book):
    with pytest.raises(ExecutionError, match=r"leads to 't-[a-z2-7]{9}', .*not in the page"):
        page_of(prose("## A"), code(Html(figure_link(book.of_kind("margin")[0]))))


def test_an_id_that_stands_twice_refuses_the_page():
    with pytest.raises(ExecutionError, match="the id 'x' stands twice"):
        page_of(prose("## A"), code(Html('<p id="x">a</p><p id="x">b</p>')))


def test_many_faults_are_counted(book):
    links = Html("".join(f'<a href="#no{i}">x</a>' for i in range(8)))
    with pytest.raises(ExecutionError, match="and 3 more"):
        page_of(prose("## A"), code(links))


# --- sameness ---


def test_the_same_notebook_gives_the_same_page(book):
    cells = (prose("## A"), code(tiny_claims().margin_rows(book), trace_section(book)))
    assert page_of(*cells) == page_of(*cells)


def test_a_source_stored_as_lines_gives_the_same_page():
    lines = {**prose("## A\n\ntext"), "source": ["## A\n", "\n", "text"]}
    assert page_of(lines) == page_of(prose("## A\n\ntext"))


def test_end_tags_that_html_implies_are_left_out_and_the_tree_stays():
    """Which may be: HTML standard, 13.1.2.4; libxml2 reads the same tree."""
    whole = (
        "<div><ul><li>a<ul><li>b</li></ul></li><li>c</li> <li>d</li></ul>"
        "<dl><dt>x</dt><dd>y</dd><dt>z</dt><dd>w</dd></dl><table><tbody><tr><th>h</th>"
        "<td>1</td></tr><tr><td>2</td></tr></tbody></table></div>"
    )
    tree = lxml_html.fragment_fromstring(whole)
    written = _written(tree)
    assert written == (
        "<div><ul><li>a<ul><li>b</ul><li>c</li> <li>d</ul><dl><dt>x<dd>y<dt>z<dd>w</dl>"
        "<table><tbody><tr><th>h<td>1</tr><tr><td>2</tr></tbody></table></div>"
    )
    assert lxml_html.tostring(lxml_html.fragment_fromstring(written)).decode() == whole


# --- what a cell of one's own shows, and the look of a house ---


def test_plain_output_is_shown_as_it_was_printed():
    printed = {"output_type": "stream", "name": "stdout", "text": ["a <b>\n", "\n"]}
    plain = {"output_type": "execute_result", "metadata": {}, "data": {"text/plain": "<T at 0x7f>"}}
    empty = {"output_type": "stream", "name": "stdout", "text": "\n \n"}
    cell = code(source="own()") | {"outputs": [printed, plain, empty]}
    page = parsed(page_of(prose("## Own"), cell))
    assert [pre.text for pre in page.xpath("//pre[@class='plain']")] == ["a <b>", "<T>"]
    failed = {"output_type": "error", "ename": "KeyError", "evalue": "'a'"}
    with pytest.raises(ExecutionError, match="failed, so there is no page: KeyError: 'a'"):
        page_of(cell | {"outputs": [failed]})


def test_a_house_gives_colours_and_names_of_fonts_and_nothing_else():
    own = _style({})
    colours = re.findall(r"--([\w-]+): #[0-9a-f]{6};", own)
    name = next(c for c in colours if colours.count(c) > 1)
    light, dark = _style({f"light/{name}": "#123456"}), _style({f"dark/{name}": "#123456"})
    for css in (light, dark):
        assert css.count("#123456") == 1 and len(css.split(":root {")) == len(own.split(":root {"))
    assert light.index("#123456") < dark.index("#123456")
    fonts = _style({"serif": "Gentium, Noto Serif"})
    assert fonts == own.replace("--serif: ", '--serif: "Gentium", "Noto Serif", ', 1)
    for key, value in (
        ("sans", "x; } body { display: none"), ("light/" + name, "red"), ("other", "Gentium"),
        ("middle/" + name, "#123456"), ("light/none", "#123456"),
    ):  # fmt: skip
        assert _style({key: value}) == own, key
