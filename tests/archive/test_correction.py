"""The correction note: a page that can be published, made by its template."""

from __future__ import annotations

import csv
import re
from dataclasses import replace

import pytest
from lxml import html
from sealmaker import corrected_review, sealed_review

from kit.archive.correction import _claim_words, revise, run_correction
from kit.archive.page_check import _check_page as check_page
from kit.claims.claim import load_claims
from kit.errors import KitError, UsageError


@pytest.fixture(scope="module")
def revision():
    return revise(sealed_review(), corrected_review())


@pytest.fixture(scope="module")
def note(tmp_path_factory):
    return run_correction(
        sealed_review(), corrected_review(), out_dir=tmp_path_factory.mktemp("out"), timeout_s=240
    )


def test_the_note_is_a_page_whose_figures_are_the_new_claims(note):
    book = load_claims(note.folder)
    assert book.claims == load_claims(corrected_review() / "data").claims
    assert check_page(note.report.read_bytes(), book) == []


def test_the_note_says_what_changed_and_why(note):
    text = html.fromstring(note.report.read_text()).text_content()
    for words in (
        "Correction: Quill beside Wren and Finch", "no longer stand as printed",
        "run quill-harbour-3 was replaced", "The window was open.", "outcome turned",
        "The new review names the old one",
    ):  # fmt: skip
        assert words in text


def test_slides_and_lines_to_replace_stand_before_all_else(note, revision):
    page = html.fromstring(note.report.read_text())
    heads = [h.text_content() for h in page.iter("h2")]
    assert heads[:3] == ["What changed", "To replace first", "Figures that no longer stand"]
    (table,) = page.xpath("//table[contains(caption, 'read otherwise now')]")
    rows = [[cell.text_content() for cell in row] for row in table.xpath("./tbody/tr")]
    assert [(row[0], row[2] or "nothing") for row in rows] == [
        (p.place, p.old or "nothing") for p in revision.printed
    ]
    suite = "suite margin, average, Quill over Wren"
    (line,) = (row for row in rows if row[1] == suite and "suite" in row[0])
    old, new = (s.book.by_id["suite/average_fps/all/quill-over-wren"] for s in
                (revision.old, revision.new))  # fmt: skip
    assert line[2:] == [f"{old.text}, {old.outcome}", f"{new.text}, {new.outcome}"]
    assert any(row[0] == "text, line 3" for row in rows)


def test_every_old_figure_stands_beside_its_new_one(note, revision):
    page = html.fromstring(note.report.read_text())
    rows = {row[0].text_content(): row for row in page.iter("tr") if len(row) == 5}
    margin = next(
        c for c in revision.changes if c.id == "margin/average_fps/harbour/quill-over-wren"
    )
    row = rows[_claim_words(margin.new, revision.new.book)]
    assert row[1].text_content() == f"{margin.old.text} ({margin.old.interval}), ahead"
    assert row[2].text_content().startswith(f"{margin.new.text} ({margin.new.interval})")


def test_names_no_place_of_this_machine(note):
    for path in (note.report, note.folder / "executed.ipynb"):
        text = path.read_text()
        assert str(sealed_review().parent) not in text
        assert str(note.folder.parent) not in text


def test_two_notes_have_the_same_bytes(note, tmp_path):
    again = run_correction(sealed_review(), corrected_review(), out_dir=tmp_path, timeout_s=240)
    for name in ("report.html", "executed.ipynb", "claims.json", "changes.csv"):
        assert (again.folder / name).read_bytes() == (note.folder / name).read_bytes(), name


def test_the_table_beside_the_page_has_every_claim(note, revision):
    with (note.folder / "changes.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["id"] for row in rows] == [c.id for c in revision.changes]


def test_gravest_and_widest_first(revision):
    markup = revision.show("moved").markup
    heads = re.findall(r'<th scope="row">([^<,]*)', markup)
    turned = len(revision.of_kind("outcome_turned"))
    # What turned stands first: of that the suite, the widest; then what moved, again widest first.
    assert heads[:turned] == ["suite margin", *["margin"] * 3, *["sensitivity"] * 4]
    assert heads.index("product in title", turned) < heads.index("run", turned)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "run/average_fps/quill-kettle-1",
            "run, average, Quill, in Kettle Run, run quill-kettle-1",
        ),
        ("cell/low_1pct_fps/kettle/quill", "product in title, 1 % low, Quill, in Kettle Run"),
        ("suite/average_fps/all/quill-over-wren", "suite margin, average, Quill over Wren"),
        ("value/launch/price/quill", "price, Quill, (value/launch/price/quill)"),
        ("count/runs/in_sheet", "count, (count/runs/in_sheet)"),
    ],
)
def test_a_claim_is_told_by_what_it_is_about(revision, name, words):
    assert _claim_words(revision.new.book.by_id[name], revision.new.book) == words


def rows_of(markup: str) -> list[list[str]]:
    """Return the words of each row of a piece's tables."""
    return [
        [c.text_content() for c in row]
        for row in html.fromstring(f"<main>{markup}</main>").iter("tr")
    ]


def test_the_summary_counts_what_no_longer_stands(revision):
    markup = revision.show("summary").markup
    counts = revision.counts
    moved = sum(counts[kind] for kind in ("outcome_turned", "moved_outside", "gone"))
    figures = sum(counts.values()) - counts["new"]
    assert f"{moved} of {figures} figures of the old review no longer stand as printed" in markup
    rows = rows_of(markup)
    assert rows[1:7] == [
        [words, str(counts[kind])]
        for kind, words in {
            "outcome_turned": "outcome turned", "moved_outside": "moved outside its interval",
            "changed_within_interval": "changed within its interval", "gone": "gone", "new": "new",
            "unchanged": "unchanged",
        }.items()
    ]  # fmt: skip
    assert markup.count('<th scope="col" class="n">Figures</th>') == 1
    assert "does not name" not in markup
    silent = replace(revision, new=replace(revision.new, replaces=""))
    assert "The new review does not name the old one" in silent.show("summary").markup


def test_what_to_replace_is_counted_by_slides_and_lines(revision):
    places = {p.place for p in revision.printed}
    slides = {place for place in places if place.startswith("slide")}
    assert len(slides) > 1 and len(places - slides) == 1
    said = f"To replace: {len(slides)} slides, 1 line of the text."
    assert said in revision.show("replace").markup


def test_what_changed_within_its_interval_is_counted_by_kind(revision):
    rows = rows_of(revision.show("within").markup)
    assert rows[0] == ["Kind of figure", "Figures"]
    within = revision.of_kind("changed_within_interval")
    assert sum(int(count) for _, count in rows[1:]) == len(within)
    runs = sum(change.id.startswith("run/") for change in within)
    assert ["run", str(runs)] in rows
    assert '<th scope="col" class="n">Figures</th>' in revision.show("within").markup


def test_what_changed_beneath_names_product_and_title_also_where_they_are_gone(revision):
    row = rows_of(revision.show("why").markup)[1]
    assert row[:4] == ["quill-harbour-3", "Quill", "Harbour Lights", "replaced"]
    gone = replace(revision.new, book=replace(revision.new.book, names={}))
    assert rows_of(replace(revision, new=gone).show("why").markup)[1] == row
    held = replace(revision.old, book=replace(revision.old.book, names={}))
    assert rows_of(replace(revision, old=held).show("why").markup)[1] == row


def test_a_template_that_is_not_the_kit_s_own_makes_no_note(tmp_path):
    own = tmp_path / "own.ipynb"
    own.write_text("{}")
    with pytest.raises(KitError, match=r"own\.ipynb"):
        run_correction(
            sealed_review(), corrected_review(), out_dir=tmp_path, timeout_s=9, template=own
        )


def test_nothing_changed_is_said_too():
    same = revise(sealed_review(), sealed_review())
    assert "still stands within its interval" in same.show("summary").markup
    assert "Nothing printed on a slide" in same.show("replace").markup
    assert "None." in same.show("moved").markup
    assert "None." in same.show("within").markup
    assert "Neither runs nor settings" in same.show("why").markup
    assert "No figure of this page" in same.show("traces").markup


def test_names_from_a_bag_are_text_not_markup(revision):
    names = {"products": {"quill": "<script>x</script>"}, "titles": {}}
    sly = replace(revision, new=replace(revision.new, book=replace(revision.new.book, names=names)))
    markup = sly.show("moved").markup + sly.show("summary").markup
    assert "<script>" not in markup and "&lt;script&gt;" in markup


def test_an_unknown_piece_is_refused_by_name(revision):
    with pytest.raises(UsageError, match='a correction has no "sumary"; did you mean "summary"'):
        revision.show("sumary")
