"""Slides: every figure on them is a claim's, all lettering is readable and none meets another."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree as ET

import pytest
from PIL import Image

from kit.charts.slides import GROUNDS, SIZES, _draw_slide, _outline, _right_end
from kit.charts.style import chart_style
from kit.errors import UsageError
from kit.page import slides as made
from kit.page.slides import SlideSet, _slides_csv, make_slides, write_slides

# 11 px on a telephone of 390 px, the smallest lettering of the look: 55 at 1920 wide, 31 at 1080.
LEAST = {"1920x1080": 11 * 1920 / 390, "1080x1920": 11 * 1080 / 390}
NUMBER = re.compile(r"\d[\d,.]*")


@pytest.fixture(scope="module")
def shown(demo):
    return make_slides(demo.book)


@pytest.fixture(scope="module")
def canvases(shown):
    with chart_style():
        return {
            (slide.name, size): _draw_slide(slide, number=n, size=size)
            for n, slide in enumerate(shown, start=1)
            for size in LEAST
        }


def texts(slide):
    rows = [t for row in slide.rows for t in (*row.figures, row.below, row.note)]
    return [*slide.titles, *slide.under, *rows, slide.line[1] if slide.line else ""]


def test_every_subject_has_its_slides(demo, shown):
    book = demo.book
    names = [slide.name for slide in shown]
    assert len(names) == len(set(names))
    assert sum(n.startswith("title-") for n in names) == len(book.names["titles"]) == 14
    assert sum(n.startswith("rival-") for n in names) == 6  # four rivals, predecessor, namesake
    assert {"suite", "classes", "clocks", "prices-street", "setup"} < set(names)
    assert sum(n.startswith("power-") for n in names) == 2


def test_clocks_are_the_stated_ones_and_energy_is_said_by_its_margins(demo, shown):
    by_name = {slide.name: slide for slide in shown}
    stated = {
        c.product: c.figure for c in demo.book.of_kind("specification", metric="boost_clock_mhz")
    }
    assert sorted(row.at for row in by_name["clocks"].rows) == sorted(stated.values())
    pair = {"product": demo.book.product, "baseline": demo.book.settings["rivals"][0]}
    margins = demo.book.of_kind("energy_margin", **pair)
    slide = by_name[f"power-{pair['baseline']}"]
    assert {c.id for c, _ in slide.printed} == {c.id for c in margins}
    # Above 1 the rival needs more for a frame: as much more as the product gives of frames a joule.
    assert [row.at > 1 for row in slide.rows] == [row.figures[0][0] == "+" for row in slide.rows]
    more = sum(c.outcome == "behind" for c in margins)
    assert slide.titles[0] == f"More energy than the Sedge in {more} of {len(margins)} titles"
    assert "more frames per joule" in slide.under[0]


def test_every_number_on_a_slide_is_a_claim_it_lists(demo, shown):
    """Numbers that are names (titles, products, groups, conditions, days) are taken out first."""
    book = demo.book
    named = [*book.names["titles"].values(), *book.names["products"].values()]
    named = [*named, *(n.rpartition(" (")[0] for n in named if "(" in n)]
    named += [*book.names["title_groups"].values(), *book.names["controls"].values()]
    checked = 0
    for slide in shown:
        listed = {n for _, text in slide.printed for n in NUMBER.findall(text)}
        for text in texts(slide):
            bare = text
            for name in sorted(named, key=len, reverse=True):
                bare = bare.replace(name, "").replace(name[:1].lower() + name[1:], "")
            bare = re.sub(r"in (all )?\d+( of \d+)? titles|at \d{4}$", "", bare)
            for number in NUMBER.findall(bare):
                assert number.rstrip(".,") in listed, (slide.name, text)
                checked += 1
    assert checked > 340


def test_what_is_printed_is_the_claims_value_as_it_is_spoken(shown):
    """Rounded half a unit of the last digit at most; worked out here from the unrounded value."""
    checked = 0
    for slide in shown:
        for claim, text in slide.printed:
            if claim.value is None:
                continue
            digits = text.replace(",", "").replace("−", "-")
            number = re.search(r"[-+]?\d+(\.\d+)?", digits)
            decimals = len(number[1][1:]) if number[1] else 0
            value = {"ratio": 100 * (claim.value - 1), "share": 100 * claim.value}.get(
                claim.unit, claim.value
            )
            if not re.match("[-+]", number[0]):
                value = abs(value)
            if claim.unit == "share":
                value = -value
            assert abs(float(number[0]) - value) <= 0.5 * 10**-decimals + 1e-9, (slide.name, text)
            assert claim.unit != "fps" or decimals == 0
            checked += 1
    assert checked > 300


def test_a_title_states_the_outcome_of_its_claim(demo, shown):
    words = {"ahead": "ahead", "behind": "behind", "level": "level", "unresolved": "too close"}
    rival = demo.book.settings["rivals"][0]
    margins = {
        c.title: c
        for c in demo.book.of_kind("margin", product=demo.book.product, baseline=rival)
        if c.metric in {"average_fps", "value"}
    }
    titles = [s for s in shown if s.name.startswith("title-")]
    for slide in titles:
        outcome = margins[slide.name.removeprefix("title-")].outcome
        for title in slide.titles:
            said = title.partition(": ")[2]
            assert [o for o, w in words.items() if w in said] == [outcome]
    assert len({margins[s.name.removeprefix("title-")].outcome for s in titles}) == 4


@pytest.mark.parametrize("size", LEAST)
def test_lettering_is_readable_on_a_telephone_and_none_meets_another(canvases, size):
    for (name, own), canvas in canvases.items():
        if own != size:
            continue
        for _, x0, y0, x1, y1, type_size in canvas.boxes:
            assert type_size >= LEAST[size]
            assert x0 >= 0 and y0 >= 0 and x1 <= canvas.form.width and y1 <= canvas.form.height
        for one, other in combinations(canvas.boxes, 2):
            apart_x = one[1] >= other[3] - 1 or other[1] >= one[3] - 1
            apart_y = one[2] >= other[4] - 1 or other[2] >= one[4] - 1
            assert apart_x or apart_y, (name, one[0], other[0])


def test_upright_slides_keep_clear_of_a_players_controls(canvases):
    """Its top 130 and lowest 140 px (look, section 9)."""
    for (_, size), canvas in canvases.items():
        if size == "1080x1920":
            assert min(box[2] for box in canvas.boxes) >= 130
            assert max(box[4] for box in canvas.boxes) <= 1920 - 140


def test_lettering_that_would_meet_is_refused(shown):
    slide = next(s for s in shown if s.kind == "prices")
    planted = replace(slide, rows=(replace(slide.rows[0], below="costs more than it should " * 2),))
    with chart_style(), pytest.raises(UsageError, match="prices-street"):
        _draw_slide(planted, number=1)


def test_a_title_that_does_not_fit_is_refused_with_its_length_and_all_of_them_at_once(
    demo, tmp_path
):
    long = "A Title of Very Many Words Which No Slide of Any Size Could Hold"
    names = {**demo.book.names, "titles": {**demo.book.names["titles"], "mossplaiter": long,
                                           "lampwifery": long + "s"}}  # fmt: skip
    book = replace(demo.book, names=names)
    with pytest.raises(UsageError) as refused:
        write_slides(book, tmp_path / "s", SlideSet(("title-mossplaiter", "title-lampwifery")))
    lines = str(refused.value).splitlines()
    assert len(lines) == 2 and "characters" in lines[0]
    assert int(re.search(r"at (\d+) characters", lines[0])[1]) > len(long)
    assert not (tmp_path / "s").exists()


def test_a_suite_of_more_titles_than_rows_is_cut_by_group(demo, monkeypatch):
    monkeypatch.setattr(made, "MOST_ROWS", 8)
    names = [s.name for s in make_slides(demo.book, ["rivals"])]
    rival = f"rival-{demo.book.settings['rivals'][0]}"
    assert [n for n in names if n.startswith(rival)] == [f"{rival}-1", f"{rival}-2"]
    first = make_slides(demo.book, [f"{rival}-1"])[0]
    assert {row.group for row in first.rows} == {"1200 lines"}


def test_params_choose_and_order(demo):
    names = [s.name for s in make_slides(demo.book, ["setup", "suite", "title-mossplaiter"])]
    assert names == ["setup", "suite", "title-mossplaiter"]
    with pytest.raises(UsageError, match='no slide "sweet"; did'):
        make_slides(demo.book, ["sweet"])
    with pytest.raises(UsageError, match='no slide "prices"'):
        make_slides(replace(demo.book, claims=demo.book.of_kind("suite")), ["prices"])


def test_the_same_claims_give_the_same_bytes_and_each_size_its_pixels(demo, tmp_path):
    for folder in ("a", "b"):
        write_slides(demo.book, tmp_path / folder, SlideSet(("suite",)))
    files = sorted(p.name for p in (tmp_path / "a").iterdir())
    assert files == ["01-suite.png", "01-suite.svg", "slides.csv"]
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert ET.parse(tmp_path / "a" / "01-suite.svg").getroot().tag.endswith("svg")
    for size, (form, scale) in SIZES.items():
        paths = write_slides(demo.book, tmp_path / size, SlideSet(("setup",), size=size))
        with Image.open(next(p for p in paths if p.suffix == ".png")) as image:
            pass
        assert image.size == (form.width * scale, form.height * scale)
        assert "x".join(map(str, image.size)) == size


@pytest.mark.parametrize("ground", GROUNDS)
def test_a_ground_is_opaque_or_lets_what_is_behind_it_through(demo, tmp_path, ground):
    paths = write_slides(demo.book, tmp_path, SlideSet(("setup",), ground=ground))
    with Image.open(next(p for p in paths if p.suffix == ".png")) as opened:
        image = opened.convert("RGBA")
    alpha = image.getpixel((1800, 700))[3]
    assert abs(alpha - (0.55 * 255 if GROUNDS[ground].clear else 255)) <= 1
    plate = GROUNDS[ground].paper.lstrip("#")
    assert all(
        abs(c - int(plate[i : i + 2], 16)) <= 1
        for c, i in zip(image.getpixel((1800, 700)), (0, 2, 4), strict=False)
    )


def test_the_list_names_slide_claim_and_text(demo, shown):
    rows = list(csv.DictReader(_slides_csv(shown).splitlines()))
    assert [row["slide"] for row in rows] == [s.name for s in shown for _ in s.printed]
    assert all(row["claim"] in demo.book.by_id for row in rows)
    first = next(r for r in rows if r["claim"].startswith("suite/average_fps/all/"))
    assert first["text"].strip("'") == demo.book.by_id[first["claim"]].text


def test_what_is_not_known_is_refused_by_name(demo, tmp_path):
    for wanted in (SlideSet(size="800x600"), SlideSet(ground="glass")):
        with pytest.raises(UsageError, match=r"800x600|glass"):
            write_slides(demo.book, tmp_path, wanted)


def test_claims_that_give_no_slide_are_said_to(demo, tmp_path):
    with pytest.raises(UsageError, match="no slide"):
        write_slides(replace(demo.book, claims=()), tmp_path / "s")
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize("text", ["Fennock 9 (D)", "S3", "γ"])
def test_a_line_of_lettering_ends_where_matplotlib_finds_its_farthest_point(text):
    for bold, serif in ((False, False), (True, True)):
        found = _right_end(text, bold, serif)
        farthest = _outline(text, bold, serif).get_extents().x1
        assert farthest <= found < farthest + 4  # of 100 px: a point that bends a curve lies beyond
