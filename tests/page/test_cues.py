"""A bound text as a script: slides named, times, cues, chapters."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from claims.test_relations import made_book

from kit.claims.bound_text import bind_text
from kit.errors import TextError
from kit.page.cues import changed_prints, make_script
from kit.page.slides import make_slides

SLIDES = [SimpleNamespace(name=name) for name in ("suite", "title-dell", "title-fen", "setup")]
TEXT = """# The ash

[slide: suite]
One two three four five six seven eight nine
ten: {{suite ash over cedar | number}} [source: A Sheet, 2026-01-02].

## In the dell

Nothing is shown here.

[slide: title dell]
[slide: setup]
It is {{say faster ash than birch in dell: ahead}}
there [opinion].
"""


def script(text=TEXT):
    return make_script(bind_text(text, made_book(), file="t.md"), SLIDES)


def test_paragraphs_have_their_slides_lines_and_times():
    made = script()
    said = [(p.line, p.slides, p.is_heading) for p in made.paragraphs]
    assert said == [
        (1, (), True), (3, (1,), False), (7, (), True), (9, (), False), (11, (2, 4), False),
    ]  # fmt: skip
    # 150 words a minute, a word with digits as three: ten words, the figure "+34.5 %" (its number and
    # its sign are two), and "(A Sheet, 2026-01-02)": 10 + 3 + 1 + 2 + 3 = 19 words, 7.6 s.
    assert made.paragraphs[1].ends_s == pytest.approx(19 * 60 / 150)
    assert made.paragraphs[2].begins_s == made.paragraphs[1].ends_s == made.paragraphs[3].begins_s
    assert made.paragraphs[3].ends_s - made.paragraphs[3].begins_s == pytest.approx(4 * 0.4)


def test_what_is_left_is_told():
    made = script()
    assert made.not_used == ("03-title-fen",)
    assert [p.line for p in made.without_slide] == [9]
    assert made.to_lines()[1:] == [
        "slide not used: 03-title-fen", "no slide: line 9: Nothing is shown here.",
    ]  # fmt: skip


def test_the_files_carry_script_cues_and_chapters(tmp_path):
    paths = script().write(tmp_path / "cues")
    assert [p.name for p in paths] == ["script.md", "cues.srt", "chapters.txt"]
    text, cues, chapters = (p.read_text(encoding="utf-8") for p in paths)
    assert "**[02-title-dell, 04-setup]**" in text and "[slide:" not in text
    assert "(opinion)" in text and "slide not used: 03-title-fen" in text
    assert chapters == "00:00 The ash\n00:07 In the dell\n"
    # The form of SubRip: a number, two times, text, an empty line; times follow each other.
    blocks = cues.strip().split("\n\n")
    assert [block.split("\n")[0] for block in blocks] == ["1", "2", "3"]
    times = re.findall(r"(\d\d:\d\d:\d\d,\d{3}) --> (\d\d:\d\d:\d\d,\d{3})", cues)
    assert times[0] == ("00:00:00,000", "00:00:07,600")
    assert [end for _, end in times[:-1]] == [begin for begin, _ in times[1:]]


def test_a_slide_there_is_not_is_refused_with_its_line():
    with pytest.raises(
        TextError, match=r't\.md, line 3: no slide "title del"; did you mean "title-dell"'
    ):
        script("# A\n\n[slide: title del]\nSo.\n")


def test_a_long_script_runs_over_the_hour():
    made = script("word " * 10_000)
    assert b"01:06:40,000" in made.to_files()["cues.srt"]  # 10 000 words at 150 a minute: 4000 s


def test_what_to_replace_is_exactly_what_prints_the_planted_changes(demo):
    own, rival = demo.book.product, demo.book.settings["rivals"][0]
    figure = f"cell/average_fps/wickerloft/{own}"
    outcome = f"suite/average_fps/lines-1200/{own}-over-{rival}"
    shift = f"cell/average_fps/mossplaiter/{own}"
    planted = {
        figure: {"text": "99.9\u00a0fps", "value": 99.9},  # printed figure
        outcome: {"outcome": "behind"},  # the same figure, another outcome
        shift: {"value": demo.book.by_id[shift].value + 1e-4},  # printed as before
    }
    claims = tuple(replace(c, **planted.get(c.id, {})) for c in demo.book.claims)
    now = replace(demo.book, claims=claims)
    text = f"""A.

Its average is {{{{average {own} in wickerloft}}}}; elsewhere {{{{average {own} in mossplaiter}}}}.

At 1200 lines it is {{{{say level {own} with {rival} on lines-1200: level}}}}:
{{{{suite {own} over {rival} on lines-1200 | number}}}}.
"""
    found = changed_prints(demo.book, now, text)
    printing = {
        f"slide {n:02d}-{slide.name}"
        for n, slide in enumerate(make_slides(demo.book), 1)
        if {c.id for c, _ in slide.printed} & {figure, outcome}
    }
    assert {one.place for one in found if one.place.startswith("slide")} == printing
    assert len(printing) >= 3
    # An outcome that turned is told also where the figure beside it is printed as before.
    assert {o.old.rpartition(", ")[2] for o in found if o.what == outcome} == {"level"}
    said = {(one.place, one.what.split()[0]): one for one in found if one.place.startswith("text")}
    assert set(said) == {
        ("text, line 3", "average"),
        ("text, line 5", "say"),
        ("text, line 6", "suite"),
    }
    assert said["text, line 3", "average"].new == "99.9\u00a0fps"
    assert "would hold" in said["text, line 5", "say"].new
    assert said["text, line 6", "suite"].new.endswith(", behind")
    assert not changed_prints(demo.book, demo.book, text)
