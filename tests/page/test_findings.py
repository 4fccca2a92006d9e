"""Sentences made from claims by rule: read for every outcome and design, on small made benches."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from small_bench import small_bench, walk

from kit.claims.bound_text import printed_forms
from kit.page.article import SECTIONS
from kit.page.findings import DECK_CHARACTERS, Findings, _against, _plain_sentence
from kit.page.html import Printed

NBSP = "\u00a0"


def bench(factors=None, *, groups=False, **how):
    """Return a bench whose frame times of a product in a title are multiplied by a factor.

    `factors` maps (product, title) to the factor; with `groups` the titles are of two resolutions.
    """
    made = small_bench(**{"products": 2, "titles": 4, "runs": 4, **how})

    def change(run):
        factor = (factors or {}).get((run.product, run.title), 1.0)
        return replace(run, frame_ns=tuple(int(ns * factor) for ns in run.frame_ns))

    made = made.with_runs(change)
    if not groups:
        return made
    titles = {
        title: {**about, "tags": {"lines": "1200" if int(title[1]) < 2 else "1600"}}
        for title, about in made.titles.items()
    }
    suites = {
        f"lines-{n}": {"name": f"At {n} lines", "tags": {"lines": str(n)}} for n in (1200, 1600)
    }
    return replace(made, titles=titles).with_params(suites=suites)


def every(product, factor, titles=4):
    return {(product, f"t{t}"): factor for t in range(titles)}


def typed_in():
    made = bench(runs=3)
    rates = {"p0": "72.4", "p1": "60.1"}
    return made.with_runs(
        lambda run: replace(run, frame_ns=(), typed={"average_fps": rates[run.product]})
    )


def scores():
    made = bench(runs=3)
    about = {t: {**v, "measures": "score"} for t, v in made.titles.items()}
    points = {"p0": 9100, "p1": 8000}
    return replace(made, titles=about, prices=()).with_runs(
        lambda run: replace(
            run, frame_ns=(), typed={"value": str(points[run.product] + 7 * int(run.run[-1]))}
        )
    )


def no_common_title():
    made = bench()
    kept = [r for r in made.runs if (r.product == "p0") == (r.title in {"t0", "t1"})]
    return replace(made, runs=tuple(kept))


def namesake():
    made = bench(products=3, titles=2)
    products = {
        "p0": {"name": "Otter 9 (bag)", "class": "bag"},
        "p1": {"name": "Quillon Heron (bag)", "class": "bag"},
        "p2": {"name": "Otter 9 (desk)", "class": "desk"},
    }
    return replace(made, products=products).with_params(
        rivals=["p1"], same_name=[{"here": "p0", "there": "p2"}]
    )


def long_names():
    made = bench()
    names = {"p0": "Extraordinarily Long Reviewed Product Number Four Thousand and One",
             "p1": "Exceedingly Long Rival Of That Same Product With 7 More Words 12"}  # fmt: skip
    products = {p: {**about, "name": names[p]} for p, about in made.products.items()}
    return replace(made, products=products)


# What each headline says, as a pattern; the figures stand in the claims.
PERCENT = rf"\d[\d.]*{NBSP}%"
DESIGNS = {
    "ahead, one rival": (
        bench(), rf"Part 0: {PERCENT} faster than the Part 1 in all 4 titles, and {PERCENT} dearer"),
    "behind": (
        bench(every("p0", 1.25)), rf"Part 0: {PERCENT} slower than the Part 1 in all 4 titles.*"),
    "level": (
        bench(every("p1", 1 / 1.09), runs=8),
        rf"Part 0: level with the Part 1 (in all|over) 4 titles, and {PERCENT} dearer"),
    "figures alone": (
        bench(runs=1, titles=2),
        rf"Part 0: {PERCENT} faster than the Part 1 by figures alone in both titles, and .*"),
    "unresolved": (
        bench(every("p1", 1 / 1.055), runs=2, titles=2),
        r"Part 0: too close to call against the Part 1 (in both|over 2) titles, and .*"),
    "no prices": (
        replace(bench(), prices=()), rf"Part 0: {PERCENT} faster than the Part 1 in all 4 titles"),
    "groups differ": (
        bench({("p1", "t0"): 1 / 1.09, ("p1", "t1"): 1 / 1.09}, groups=True, runs=8),
        rf"Part 0: level with the Part 1 at 1200 lines, {PERCENT} faster at 1600, and .* dearer"),
    "groups alike": (
        bench(groups=True), rf"Part 0: {PERCENT} faster than the Part 1 in all 4 titles, and .*"),
    "one title": (
        bench(titles=1), rf"Part 0: {PERCENT} faster than the Part 1 in Scene 0, and .*"),
    "typed in": (typed_in(), rf"Part 0: (too close to call|{PERCENT} faster).*"),
    "scores": (scores(), rf"Part 0: {PERCENT} ahead of the Part 1 in all 4 titles"),
    "no common title": (
        no_common_title(), r"Part 0: not set against the Part 1"),
    "same name": (
        namesake(), rf"Otter 9: {PERCENT} faster than the Heron in both titles, and .* dearer"),
    "long names": (long_names(), r"Extraordinarily.*"),
}  # fmt: skip


@pytest.fixture(scope="module", params=DESIGNS)
def design(request, tmp_path_factory):
    made, pattern = DESIGNS[request.param]
    _, _, book = walk(made, tmp_path_factory.mktemp("findings"))
    return book, pattern


def sentences(book):
    """Every sentence of the article of a review."""
    return [
        *Findings(book).deck(),
        *Findings(book).titles_sentences(),
        *Findings(book).groups_sentences(),
        *Findings(book).classes_sentences()[1],
        *Findings(book).limits_sentences()[1],
        *Findings(book).value_sentences(),
        *Findings(book).method_sentences(),
        Findings(book).price_note()[1],
    ]


def headings(book):
    found = [
        Findings(book).headline(),
        Findings(book).rivals_caption(),
        Findings(book).titles_heading(),
        Findings(book).groups_heading(),
        Findings(book).classes_sentences()[0],
        Findings(book).limits_sentences()[0],
        Findings(book).value_heading(),
        Findings(book).alike_heading(),
        Findings(book).method_heading(),
    ]
    return [text for text in found if text]


def test_the_headline_says_what_was_found_in_at_most_100_characters(design):
    book, pattern = design
    said = Findings(book).headline()
    assert len(said) <= 100
    assert re.fullmatch(pattern, said), said


def test_sentences_read_as_sentences(design):
    book, _ = design
    for sentence in sentences(book):
        said = _plain_sentence(sentence)
        assert re.search(r"[.:]$", said), said
        assert "  " not in said and " ." not in said and " ," not in said, said
        assert "None" not in said and "nan" not in said.lower().split(), said
        assert not re.search(r"\b(1|one) (titles|runs|products)\b", said), said
    for said in headings(book):
        assert not said.endswith(".") and said[:1] == said[:1].upper(), said


def test_no_id_of_the_bench_and_no_word_of_the_code_is_said(design):
    book, _ = design
    ids = {*book.names["products"], *book.names.get("titles", {}), *book.run_by_id}
    said = " ".join([*map(_plain_sentence, sentences(book)), *headings(book),
                     Findings(book).tested_note(), Findings(book).unlike_note()])  # fmt: skip
    words = set(re.findall(r"[\w.-]+", said))
    assert not words & ids
    assert not [word for word in words if "_" in word]


def test_every_figure_is_printed_in_a_form_of_its_claim(design):
    book, _ = design
    printed = [part for s in sentences(book) for part in s if isinstance(part, Printed)]
    for part in printed:
        assert part.text in printed_forms(part.claim, book)
    if book.of_kind("margin", product=book.product):
        assert printed


def test_faster_and_slower_follow_from_the_claims(design):
    book, _ = design
    for standing in Findings(book).standings:
        if standing.whole is None:
            continue
        said = _plain_sentence(_against(standing.whole, "it"))
        low, high = standing.whole.low, standing.whole.high
        if re.search("faster|ahead", said):
            assert low is None or low > 1
        elif re.search("slower|behind", said):
            assert high is None or high < 1
        elif "level" in said:
            band = 1 + book.settings["margins"]["level_band"]
            assert 1 / band <= standing.whole.value <= band


def test_level_names_its_band(tmp_path):
    made = bench({("p1", "t0"): 1 / 1.09, ("p1", "t1"): 1 / 1.09}, groups=True, runs=8)
    _, _, book = walk(made, tmp_path)
    said = [_plain_sentence(s) for s in Findings(book).groups_sentences()]
    level = [s for s in said if "level" in s]
    assert level and all(f"level band of ±2{NBSP}%" in s for s in level)
    assert Findings(book).groups_heading() == (
        "The lead over the Part 1 comes from titles at 1600 lines; at 1200 lines the two are level"
    )


def test_what_other_titles_could_turn_is_said_only_where_they_could(demo):
    said = [_plain_sentence(s) for s in Findings(demo.book).deck()]
    (like,) = [s for s in said if s.startswith("With other titles")]
    claim = demo.book.by_id[
        "suite_like/average_fps/all/fennock-9-travel-over-tarnquill-sedge-travel"
    ]
    assert claim.low < 1 < claim.high and like.endswith("what you play decides.")
    narrow = replace(claim, low=1.03)
    claims = tuple(narrow if c.id == claim.id else c for c in demo.book.claims)
    said = [_plain_sentence(s) for s in Findings(replace(demo.book, claims=claims)).deck()]
    assert not [s for s in said if "what you play decides" in s]


def test_what_turns_an_outcome_is_named_with_both_intervals(demo):
    pair = "fennock-9-travel-over-tarnquill-sedge-travel"
    turned = {c.part for c in Findings(demo.book).turned_by(Findings(demo.book).first)}
    assert turned == {f"without_group/{g}" for g in ("lines-1600", "ray-tracing", "new-titles")}
    # All three by name would make a fourth line of the deck: how many they are has to do.
    last = _plain_sentence(Findings(demo.book).deck()[-1])
    assert last == "Fragile against the Sedge: with three other choices it is level."
    german = sum(len(_plain_sentence(s)) + 1 for s in Findings(demo.book, "de").deck())
    assert german <= DECK_CHARACTERS
    name = f"sensitivity/average_fps/{pair}/without_title/wickerloft"
    claims = tuple(
        replace(c, text="+1.0\u00a0%", interval="−1 to +3", outcome="unresolved", marks=("turned",))
        if c.id == name
        else replace(c, marks=()) if c.kind == "sensitivity" else c
        for c in demo.book.claims
    )  # fmt: skip
    found = Findings(replace(demo.book, claims=claims))
    (said,) = found.fragile_sentences()
    assert _plain_sentence(said) == (
        f"Fragile against the Sedge: ahead at +4.7{NBSP}% (+3.5 to +5.8), but too close to call "
        f"without Wickerloft: +1.0{NBSP}% (−1 to +3)."
    )
    assert said in found.titles_sentences()
    assert ("Fragile against the Sedge: too close to call without Wickerloft.",) in found.deck()


def test_the_expected_number_of_false_outcomes_stands_beside_the_counts(demo):
    said = [_plain_sentence(s) for s in Findings(demo.book).titles_sentences()]
    assert said[-1] == (
        "Of the titles ahead or behind, expected to be false: under 0.1 over each product."
    )
    pair = "fennock-9-travel-over-tarnquill-sedge-travel"
    name = f"suite_false/average_fps/all/{pair}"
    claims = tuple(replace(c, text="0.4") if c.id == name else c for c in demo.book.claims)
    said = _plain_sentence(Findings(replace(demo.book, claims=claims)).titles_sentences()[-1])
    assert "expected to be false: 0.4 over the Sedge, under 0.1 over the Twelve" in said


def test_the_demo_says_its_own_lesson(demo):
    book = demo.book
    assert Findings(book).headline() == (
        f"Fennock 9: level with the Sedge at 1200 lines, 10.6{NBSP}% faster at 1600, "
        f"and 20.3{NBSP}% dearer"
    )
    assert Findings(book).titles_heading() == (
        "Ahead of the Sedge in 6 of 12 titles, five of them at 1600 lines"
    )
    assert Findings(book).rivals_caption() == (
        "Faster than four of five rivals, slower than the Teasel and the Fennock 9 (desk)"
    )


def test_a_dearer_product_that_gives_more_is_not_told_to_fall(tmp_path):
    made = bench(products=3)
    prices = tuple((p, "500" if p == "p0" else "900", *rest) for p, _, *rest in made.prices)
    _, _, book = walk(replace(made, prices=prices), tmp_path)
    (said,) = [_plain_sentence(s) for s in Findings(book)._money_sentences(Findings(book).standings[0])]  # fmt: skip
    assert "gives more frames for the money than the Part 1" in said and "fall" not in said
    assert Findings(book).headline().endswith("cheaper")
    others = " ".join(_plain_sentence(s) for s in Findings(book).value_sentences()[1:])
    assert "above its price" in others and "0.0" not in others
    picture = SECTIONS["opening"](book).markup
    assert "above its price" in picture and "lower" not in picture
