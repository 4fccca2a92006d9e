"""The article: what a reader sees is its claims', in their order and at their place."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import replace

import pytest
from lxml import html
from made_claims import book, cell, value_claims

from kit.charts.identity import Identity
from kit.page.article import SECTIONS
from kit.page.assemble import _clean as clean
from kit.page.assemble import build_page
from kit.page.findings import Findings
from page.test_findings import (
    CONTROLS,
    OLD_AND_NEW,
    groups,
    over,
    pair,
    turning,
    waived,
)


def tree(piece):
    return html.fragment_fromstring(clean(piece.markup), create_parent="div")


@pytest.fixture(scope="module")
def whole(demo):
    return {name: tree(SECTIONS[name](demo.book)) for name in SECTIONS}


def percent(text):
    return float(text.removesuffix("%"))


def test_nothing_of_the_article_is_taken_out_by_the_sanitiser(demo):
    for name in SECTIONS:
        markup = SECTIONS[name](demo.book).markup
        cleaned = clean(markup)
        assert cleaned.count("<") >= markup.count("<")  # what was empty is closed
        said = re.compile(r' ([a-zA-Z0-9-]+)="')
        assert Counter(said.findall(markup)) - Counter(said.findall(cleaned)) == Counter(), name


def test_no_id_of_the_bench_and_no_word_of_the_code_reaches_a_reader(demo, whole):
    ids = {*demo.book.names["products"], *demo.book.names["titles"], *demo.book.run_by_id,
           *demo.book.names["title_groups"], *demo.book.names["price_kinds"]}  # fmt: skip
    ids -= {"all", "street", "launch", "lampwifery", "mossplaiter", "wickerloft", "marrowquay"}
    for name, section in whole.items():
        words = set(re.findall(r"[\w.-]+", " ".join(section.itertext())))
        found = {w for w in words if "_" in w or w in ids or re.search(r"\.(csv|yaml|md)$", w)}
        assert found == set(), name


def test_rivals_stand_by_their_margins_with_another_class_last(demo, whole):
    bodies = whole["opening"].xpath(".//table[contains(@class, 'rivals')]/tbody")
    assert len(bodies) == 2
    by_name = {s.name: s for s in Findings(demo.book).standings}
    for body, apart in zip(bodies, (False, True), strict=True):
        names = [row.xpath("string(.//span[@class='name']/text())") for row in body.iter("tr")]
        margins = [by_name[name].whole.value for name in names]
        assert margins == sorted(margins)
        assert {by_name[name].apart for name in names} == {apart}
    assert {s.product for s in by_name.values()} == set(Findings(demo.book).compared)


def ticks_of(axis):
    """Return the percents of an axis by place, its outermost labels alone."""
    found = {}
    for text in axis.xpath(".//text[contains(@class, 'wide')]"):
        shown = text.text.replace("\u2212", "-").replace("\u00a0%", "")
        found[float(shown)] = percent(text.get("x"))
    return found


def test_a_needle_stands_where_its_margin_lies_between_the_labels_of_the_axis(demo, whole):
    """Two labels give the scale, by another way than the kit's own: a straight line in logs."""
    table = whole["opening"].xpath(".//table[contains(@class, 'rivals')]")[0]
    ticks = ticks_of(table.xpath(".//thead//svg")[0])
    a, b = min(ticks), max(ticks)
    slope = (ticks[b] - ticks[a]) / (math.log1p(b / 100) - math.log1p(a / 100))
    by_name = {s.name: s for s in Findings(demo.book).standings}
    for row in table.xpath("./tbody/tr"):
        standing = by_name[row.xpath("string(.//span[@class='name']/text())")]
        needle = row.xpath(".//rect[@class='needle']/parent::svg")[0]
        wanted = ticks[a] + slope * (math.log(standing.whole.value) - math.log1p(a / 100))
        assert percent(needle.get("x")) == pytest.approx(wanted, abs=0.02)
        dots = row.xpath(".//g[@class='in wide']/circle")
        assert len(dots) == len(standing.margins)
        for outcome in ("ahead", "behind", "level", "unresolved"):
            drawn = [d for d in dots if outcome in d.get("class").split()]
            said = standing.counts[outcome].value
            assert len(drawn) == said


def test_stems_start_at_zero_and_are_as_long_as_their_averages(demo, whole):
    panel = whole["per_title"].xpath(".//div[contains(@class, 'panel-1')]")[0]
    seen = []
    for row in panel.xpath(".//tbody/tr[not(@class)]"):
        shown = float(row.xpath("string(td[contains(@class, 'own')]//data/@value)"))
        mark = row.xpath(".//svg[contains(@class, 'mk p-own')]")[0]
        seen.append(percent(mark.get("x")) / shown)
    assert len(seen) == 12
    assert max(seen) / min(seen) == pytest.approx(1, abs=1e-3)  # places are to 0.01 percent


def test_columns_of_the_lattice_share_one_scale(demo, whole):
    table = whole["per_title"].xpath(".//table[contains(@class, 'lattice')]")[0]
    widths = [int(c.get("class").split()[0][1:]) for c in table.xpath("./colgroup/col")][1:]
    shown = Findings(demo.book).standings
    per_log = []
    for n, standing in enumerate(shown):
        points = []
        for drawn in table.xpath(f"./tbody/tr/td[{n + 1}][a]"):
            value = float(drawn.xpath("string(.//data/@value)"))
            points.append((math.log(value), percent(drawn.xpath("string(.//circle/@cx)"))))
        (low, x_low), (high, x_high) = min(points), max(points)
        per_log.append((x_high - x_low) / (high - low) * widths[n] / 100)
        assert len(points) == len(standing.margins)
    assert max(per_log) / min(per_log) == pytest.approx(1, abs=0.01)
    ends = table.xpath(".//line[@class='iv-line']/@x1 | .//line[@class='iv-line']/@x2")
    assert len(ends) > 100 and all(0 <= percent(end) <= 100 for end in ends)


def test_titles_stand_in_one_order_everywhere(demo, whole):
    order = list(Identity(demo.book).title_order())
    titles = {f"#{c.anchor}": c.title for c in demo.book.of_kind("margin")}
    for table in whole["per_title"].iter("table"):
        anchors = []
        for row in table.xpath("./tbody/tr[not(@class)]"):
            anchors += [titles[href] for href in row.xpath(".//a/@href") if href in titles][:1]
        places = [order.index(title) for title in anchors]
        assert places == sorted(places) and len(places) > 5


def test_every_rival_can_be_chosen_and_one_is(demo, whole):
    section = whole["per_title"]
    choices = section.xpath(".//input[@type='radio']")
    rivals = Findings(demo.book).compared
    assert len(choices) == len(rivals) == len(section.xpath(".//div[contains(@class, 'panel ')]"))
    assert [c.get("checked") is not None for c in choices] == [True] + [False] * (len(rivals) - 1)
    labels = section.xpath(".//label/@for")
    assert labels == [c.get("id") for c in choices]


def test_a_product_has_one_mark_in_every_section(demo, whole):
    looks = Identity(demo.book).looks()
    shown = {}
    for section in whole.values():
        for mark in section.xpath(".//svg[starts-with(@class, 'mk ')][@width]"):
            name = "".join(mark.xpath("following-sibling::*[1]/text()")).strip()
            if name:
                shown.setdefault(name, set()).add(mark.get("class"))
    assert len(shown) > len(looks) and all(len(classes) == 1 for classes in shown.values())


def small_book(*more, **settings):
    """Three rivals with margins, the first over two groups of titles, and what all of them cost."""
    return book(
        *groups((1.11, "ahead"), (0.95, "level")), *over(1.2, 1.2, base="p2"),
        *over(0.8, 0.8, base="p3"), pair("suite", 1.2, "", 1.1, 1.3, "ahead", base="p3", group="odd"),
        *turning(1), *value_claims(4), *CONTROLS, waived("fan", "p1"), waived("memory_gb", "p1"),
        *(cell(p, f"t0{n}", 80.0 - n, 79.0 - n, 81.0 - n) for p in ("p0", "p1") for n in range(4)),
        *more, **OLD_AND_NEW, **settings,
    )  # fmt: skip


def words_of(piece, path="."):
    """Return the words of a piece's elements, white space folded."""
    return [" ".join("".join(e.itertext()).split()) for e in tree(piece).xpath(path)]


def test_the_first_screen_says_of_each_rival_what_its_claims_say():
    made = small_book(pair("suite_false", 0.4), pair("suite_false", 0.2, base="p2"))
    rows = words_of(SECTIONS["opening"](made), ".//table[contains(@class, 'rivals')]/tbody/tr")
    heads = ("Veyra 15", "Tessel 14", "Orrin 13 Plus", "Marlow 12", "Marlow Desk")
    for row, head, has, lacks in zip(rows, heads, (
        ("−20.0 %", "behind in 2", "above its price"), ("ahead, fragile", "expected false: 0.4",
        "9.3 % lower", "ahead in 2 −behind in 1 =level in 1"), ("+20.0 %", "ahead in 2", "2.1 % lower",
        "expected false: 0.2"), ("no common title", "no street price"), ("no common title",),
    ), ("fragile", "above", "fragile", "%", "%"), strict=True):  # fmt: skip
        assert row.startswith(head) and lacks not in row
        assert all(words in row for words in has), row
    screen = SECTIONS["opening"](made)
    assert "average frames per second, ratio scale" in words_of(screen)[0]
    # Where the counts are alike they stand once, below the table; of nobody there is none.
    alike = small_book(pair("suite_false", 0.4), pair("suite_false", 0.4, base="p2"))
    (said,) = words_of(SECTIONS["opening"](alike))
    assert said.count("expected false") + said.count("expected to be false") == 1
    assert "false" not in words_of(SECTIONS["opening"](small_book()))[0]


def test_titles_and_groups_stand_under_the_names_of_their_tag():
    heads = ".//table[contains(@class, 'lattice')]/tbody/tr[@class]/th"
    odd = over(1.1, base="p2")[0]
    odd = replace(odd, id=odd.id.replace("t00", "t09"), title="t09")
    made = small_book(odd)
    found = words_of(SECTIONS["per_title"](made), heads)
    assert found[:2] == ["Old ones", "New ones"] and found[2].startswith("Other titles")
    assert words_of(SECTIONS["per_title"](small_book()), heads)[:2] == ["Old ones", "New ones"]
    assert "Other titles" not in words_of(SECTIONS["per_title"](small_book()))[0]
    (said,) = words_of(SECTIONS["groups"](made))
    for words in ("By age Old ones (2)", "New ones (2)", "Other groups odd (0)"):
        assert words in said
    alone = book(*groups((1.11, "ahead"), (0.95, "level")), **OLD_AND_NEW)
    (said,) = words_of(SECTIONS["groups"](alone))
    assert "By age" not in said and "Old ones (2)" in said


def test_the_cheapest_frames_are_those_of_the_least_price_a_frame():
    rows = words_of(SECTIONS["money"](small_book()), ".//table//tbody/tr")
    # By hand: 1649 / 96.4, 1399 / 90.2, 1189 / 71 and 1799 / 92.
    assert [row.split("€")[2][:5] for row in rows] == ["17.11", "15.51", "16.75", "19.55"]
    (said,) = words_of(SECTIONS["money"](small_book()))
    assert "Cheapest frames: the Tessel 14" in said
    assert "as much as the Tessel 14 at €1,495" in said
    assert SECTIONS["money"](book(*over(1.1))).markup == ""


def test_what_is_not_alike_is_told_with_both_values_and_the_reason():
    (said,) = words_of(SECTIONS["comparable"](small_book()))
    assert "Tessel 14. Fan: slow against fast. Sold so. Memory (GB): 8 against 16. Sold so." in said


def test_names_with_markup_are_text(demo):
    names = {
        **demo.book.names,
        "products": {p: f"<b onclick=x>{p} & co</b>" for p in demo.book.names["products"]},
        "titles": dict.fromkeys(demo.book.names["titles"], "<script>alert(1)</script>"),
    }
    hostile = replace(demo.book, names=names, title="<i>T</i>")
    for name in SECTIONS:
        section = html.fragment_fromstring(SECTIONS[name](hostile).markup, create_parent="div")
        assert not section.xpath(".//script | .//*[@onclick] | .//i[text()='T']"), name


def test_the_record_is_closed_and_the_article_is_not(demo):
    output = {"output_type": "display_data", "metadata": {},
              "data": {"text/html": SECTIONS["record"](demo.book)._repr_html_()}}  # fmt: skip
    head = {"cell_type": "code", "id": "c", "source": "x", "outputs": [output]}
    first, last = (
        {"cell_type": "markdown", "id": "p", "source": source}
        for source in ("# T\n\n## One\n\nSaid.", "## Settings\n\nAll of them.")
    )
    page = html.document_fromstring(build_page({"cells": [first, head, last]}))
    (closed,) = page.xpath("//section[contains(@class, 'record')]/details")
    assert closed.get("open") is None and closed.xpath("string(summary)") == "Settings"
    assert "All of them." in closed.text_content()
    assert not page.xpath("//section[@aria-labelledby='one']//details")
