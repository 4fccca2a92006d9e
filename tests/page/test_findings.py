"""Sentences made from claims by rule: read for every outcome and design, on small made benches."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from made_claims import AVERAGE, book, cell, gap, margin, suite, value_claims
from small_bench import small_bench, walk

from kit.claims.bound_text import printed_forms
from kit.claims.claim import Claim, Figure, Subject
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


PAIR = {"metric": AVERAGE, "product": "p0"}
STREET = {"group": "street"}
OLD_AND_NEW = {"suites": {name: {"tags": {"age": name}} for name in ("old", "new")}}


def over(*ratios, base="p1", outcome=None):
    """Margins over one product, title by title, and over all where there are several."""
    of = [margin("p0", base, f"t{n:02d}", math.log(ratio), 0.004) for n, ratio in enumerate(ratios)]
    made = suite(of) if len(of) > 1 else []
    if made and outcome is not None:
        made[0] = replace(made[0], outcome=outcome)
    return [*of, *made]


def pair(kind, value, part="", low=None, high=None, outcome="", base="p1", **more):
    about = {"group": "all", "marks": (), "inputs": (), **more}
    method = about.pop("method", None)
    return Claim.make(kind, Subject(**PAIR, baseline=base, part=part, **about),
                      Figure(value, low, high, 0.95, outcome), method=method or "")  # fmt: skip


def dearer(ratio):
    """What p0 costs, and how much more than p1."""
    price = Claim.make(
        "price", Subject(product="p0", **STREET), Figure(1500.0, None, None), unit="EUR"
    )
    return [price, pair("premium", ratio, **STREET)]


def groups(old, new, outcome=None):
    """Four titles, two of them a group each, with ratio and outcome of each group."""
    ids = [Claim.id_of("margin", **PAIR, title=f"t0{n}", baseline="p1") for n in range(4)]
    made = over(1.1, 1.12, 0.9, 1.0, outcome=outcome)
    for group, (ratio, said), of in (("old", old, ids[:2]), ("new", new, ids[2:])):
        made.append(
            pair("suite", ratio, "", ratio - 0.01, ratio + 0.01, said, group=group, inputs=of)
        )
    return made


def flagged(rule, titles, products, outcome="flag"):
    return [
        Claim.state("flag", "", Subject(rule, p, title=t, part=f"{t}-{p}"), outcome=outcome)
        for t in titles for p in products
    ]  # fmt: skip


def typed(product, title, *marks):
    return replace(cell(product, title, 80.0), marks=("typed_in", *marks))


def turning(count):
    outcomes = ("level", "unresolved", "level", "level", "level")[:count]
    return [
        pair("sensitivity", 1 + n / 100, f"without_title/t0{n}", 0.97, 1.05, outcome, group="",
             marks=("turned",)) for n, outcome in enumerate(outcomes)
    ]  # fmt: skip


def load(sensor, unit, here, there, kind, apart, low, high):
    return [
        Claim.make("load", Subject(sensor, "p0"), here, unit=unit),
        Claim.make("load", Subject(sensor, "p5"), there, unit=unit),
        Claim.make(kind, Subject(sensor, "p0", "p5"), Figure(apart, low, high, 0.95),
                   unit="ratio" if kind == "load_ratio" else unit),
    ]  # fmt: skip


CONTROLS = [
    Claim.state("control", value, Subject(control, f"p{n}"))
    for control, values in {"memory_gb": ("16", "8", "16"), "fan": ("fast", "slow", "slow")}.items()
    for n, value in enumerate(values)
]


def waived(control, base):
    return Claim.state("waiver", "x, waived: Sold so.", Subject(control, "p0", base))


def counts(**values):
    return [
        Claim.make("count", Subject(part=part.replace("__", "/")), n) for part, n in values.items()
    ]


# What the claims of a case make a reader read, written down by hand from the claims beside it: of
# the product p0, the Marlow 14, over p1, the Tessel 14, p2, the Plus, and p3, the Veyra 15.
READ = {
    "a group leads": (groups((1.11, "ahead"), (0.95, "level")), OLD_AND_NEW, {
        "headline": "Marlow 14: 11.0 % faster than the Tessel 14 in old ones, level in new",
        "titles_heading": "Ahead of the Tessel 14 in 2 of 4 titles",
        "titles_sentences": "Behind in Paper Forest and level (within ±2 %) in Clockmaker's Yard.",
        "groups_heading":
            "The lead over the Tessel 14 comes from old ones; in new ones the two are level",
        "groups_sentences": "In new ones the margin over the Tessel 14 is −5.0 % (−6.0 to −4.0): "
            "inside the level band of ±2 %.",
        "deck": "Over all 4 titles it is 2.6 % faster than the Tessel 14 (+2.2 to +3.0). | With "
            "other titles of this kind it could be anything from −1 to +7 %: what you play decides."
            " | Not set against the Plus, the Veyra 15, the Marlow 12 and the Desk: no title has "
            "used runs of both."}),
    "a group lags": (groups((1.11, "level"), (0.85, "behind"), "behind"), OLD_AND_NEW, {
        "groups_heading":
            "The gap to the Tessel 14 comes from new ones; in old ones the two are level"}),
    "it depends": (groups((1.11, "ahead"), (0.95, "level"), "unresolved"), OLD_AND_NEW, {
        "groups_heading": "Against the Tessel 14 it depends: ahead in old ones, level in new ones",
        "rivals_caption": "Too close to call against the Tessel 14"}),
    "a group turns": (groups((1.11, "ahead"), (0.95, "unresolved")), {}, {
        "headline":
            "Marlow 14: 2.6 % faster than the Tessel 14, but too close to call in new ones",
        "groups_heading": "In new ones it is too close to call against the Tessel 14"}),
    "level": ([*over(1.1, 1.1, outcome="level"), *dearer(1.2)], {}, {
        "headline": "Marlow 14: level with the Tessel 14 in both titles, and 20.0 % dearer",
        "value_heading": "The Marlow 14 costs 20.0 % more than the Tessel 14, and the two are level",
        "role": "cheaper rival | rival | rival | predecessor | same name, desk"}),
    "by figures alone": ([
        *over(1.1, 1.1, outcome="above"), pair("suite_side", 2, "above"),
        pair("suite_side", 0, "below"), pair("suite_sign", 0.5), *dearer(0.8)], {}, {
        "headline": "Marlow 14: 10.0 % faster than the Tessel 14 by figures alone in both titles, "
            "and 20.0 % cheaper",
        "deck": "Over both titles its margin over the Tessel 14 is +10.0 % (+9.4 to +10.6) by "
            "figures alone, faster in 2 of 2 (p by the sign test: 0.5): how far runs scatter was "
            "not measured. | With other titles of this kind it could be +6 to +14 %. | Not set "
            "against the Plus, the Veyra 15, the Marlow 12 and the Desk: no title has used runs of "
            "both.",
        "rivals_caption": "By figures alone faster than the Tessel 14",
        "value_heading":
            "The Marlow 14 costs 20.0 % less than the Tessel 14 and is 10.0 % faster by figures alone",
        "role": "dearer rival | rival | rival | predecessor | same name, desk"}),
    "undecided": ([*over(1.1, 1.1, outcome="open"), *dearer(1.2)], {}, {
        "value_heading": "The Marlow 14 costs 20.0 % more than the Tessel 14; which is faster is "
            "undecided by figures alone"}),
    "one title": ([*over(1.1), *dearer(1.0)], {}, {
        "headline": "Marlow 14: 10.0 % faster than the Tessel 14 in Salt Dunes, at the same price",
        "titles_heading": "Salt Dunes: 10.0 % faster than the Tessel 14",
        "value_heading": "The Marlow 14 costs as much as the Tessel 14 and is 10.0 % faster",
        "role": "rival | rival | rival | predecessor | same name, desk"}),
    "machines against one": ([
        *over(0.9, 0.8, 0.7),
        pair("part", 0.9, "", 0.8, 0.95, "behind", method="part-margin")],
        {"machines": {"p0": ["a", "b"]}}, {
        "deck": "Over all 3 titles it is 20.4 % slower than the Tessel 14 (−20.8 to −20.1). | Over "
            "three machines of it, against one of the other, the part is 10 % slower than the "
            "Tessel 14 (−20 to −5). | With other titles of this kind it could be −23.6 to −17.2 %. "
            "| Not set against the Plus, the Veyra 15, the Marlow 12 and the Desk: no title has "
            "used runs of both.",
        "tested_note": "0 titles, 0 products, 0 runs."}),
    "machines against two": ([
        *over(1.1, 1.1, 1.1),
        pair("part", 1.1, "", 1.05, 1.15, "ahead", method="part-margin")],
        {"machines": {"p0": ["a"], "p1": ["c"]}}, {
        "deck": "Over all 3 titles it is 10.0 % faster than the Tessel 14 (+9.5 to +10.5). | Over "
            "two machines of it and two of the other the part is 10 % faster than the Tessel 14 "
            "(+5 to +15). | With other titles of this kind it could be +6 to +14 %. | Not set "
            "against the Plus, the Veyra 15, the Marlow 12 and the Desk: no title has used runs of "
            "both."}),
    "five choices turn it": ([*over(1.1, 1.12, 1.13, 1.14), *turning(5)], {}, {
        "fragile_sentences": "Fragile against the Tessel 14: ahead at +12.2 % (+11.8 to +12.7), but "
            "level without Salt Dunes: 0 % (−3 to +5); too close to call without Harbour at Night: "
            "+1 % (−3 to +5); level without Paper Forest: +2 % (−3 to +5); and two other choices "
            "would turn it."}),
    "three choices turn it": ([*over(1.1, 1.12, 1.13, 1.14), *turning(3)], {}, {
        "deck": "Over all 4 titles it is 12.2 % faster than the Tessel 14 (+11.8 to +12.7). | With "
            "other titles of this kind it could be +8 to +17 %. | Fragile against the Tessel 14: "
            "level without Salt Dunes or Paper Forest; too close to call without Harbour at Night. "
            "| Not set against the Plus, the Veyra 15, the Marlow 12 and the Desk: no title has "
            "used runs of both.",
        "fragile_sentences": "Fragile against the Tessel 14: ahead at +12.2 % (+11.8 to +12.7), but "
            "level without Salt Dunes: 0 % (−3 to +5); too close to call without Harbour at Night: "
            "+1 % (−3 to +5); level without Paper Forest: +2 % (−3 to +5)."}),
    "some are false": ([
        *over(1.1, 1.12, 0.9), *over(1.1, 1.1, base="p2"), *over(0.8, 0.8, base="p3"),
        pair("suite_false", 0.4), pair("suite_false", 0.2, base="p2")], {}, {
        "titles_sentences": "Behind in Paper Forest. | The Plus: ahead in both. | The Veyra 15: "
            "behind in both. | Of the titles ahead or behind, expected to be false: 0.4 over the "
            "Tessel 14, 0.2 over the Plus.",
        "headline": "Marlow 14: 3.5 % faster than the Tessel 14 over 3 titles",
        "rivals_caption": "Faster than the Tessel 14 and the Plus, slower than the Veyra 15"}),
    "limits": ([
        *flagged("processor_bound", ("t00", "t01"), ("p0", "p1")),
        *flagged("throttling", ("t00", "t01"), ("p0", "p1")),
        *flagged("capped", ("t02",), ("p0", "p1", "p2")), *flagged("drift_in_run", ("t03",), ("p0",)),
        *flagged("processor_bound", ("t00", "t04"), ("p3",), "cannot_judge")], {}, {
        "limits_sentences": "Two titles look bound by the processor, one title is held by a cap | "
            "Salt Dunes and Harbour at Night look bound by the processor and are limited by heat "
            "(on the Marlow 14 and the Tessel 14). | Paper Forest is held by a cap (on three "
            "products). | Clockmaker's Yard slows down within its runs (on the Marlow 14). | "
            "Whether the processor sets the limit cannot be judged in Low Tide: the runs show "
            "neither that unlike products are level there nor that they are not."}),
    "two controls differ": ([
        *over(1.1), *CONTROLS, waived("memory_gb", "p1"), waived("fan", "p1"), waived("fan", "p2")],
        {}, {
        "unlike_note": "Tessel 14: memory (GB) and fan. Plus: fan (slow against fast).",
        "alike_heading":
            "Memory (GB) and fan differ against the Tessel 14; one other comparison is not alike"}),
    "another differs": ([*over(1.1), *CONTROLS, waived("fan", "p2")], {}, {
        "alike_heading": "Nothing that was controlled differs against the Tessel 14; one other "
            "comparison is not alike"}),
    "what was not compared differs": ([*CONTROLS, waived("fan", "p2"), waived("fan", "p3")], {}, {
        "unlike_note": "Plus: fan (slow against fast). Veyra 15: fan (not recorded against fast).",
        "alike_heading": "Two comparisons are not alike"}),
    "alike": (CONTROLS, {}, {
        "unlike_note": "Nothing that was controlled differs: memory (GB) and fan.",
        "alike_heading": "The machines are alike in all that was controlled"}),
    "two classes": ([
        *over(0.8, 0.8, base="p5"), *gap(0.1, 0.2),
        *load("clock_mhz", "MHz", 1500.0, 2000.0, "load_ratio", 0.75, 0.7, 0.8),
        *load("power_w", "W", 100.0, 101.0, "load_ratio", 0.99, 0.9, 1.0),
        *load("temperature_c", "°C", 70.0, 60.0, "load_difference", 10.0, 5.0, 15.0)], {}, {
        "classes_sentences": "From Marlow 12 to Marlow 14: +10.5 % in the portable class, +22.1 % in "
            "the desk class | In the portable class the step from Marlow 12 to Marlow 14 is +10.5 % "
            "(+9.6 to +11.4), in the desk class +22.1 % (+21.1 to +23.1). | One step over the "
            "other: −9.5 % (−10.9 to −8.2). | The portable Marlow 14 is 20.0 % slower than the desk "
            "part of that name (−20.5 to −19.5). | In the second half of a run it clocks at "
            "1,500 MHz, the desk part of that name at 2,000 MHz: 25 % lower. | It takes 100 W, the "
            "other 101 W: not told apart. | It is 70.0 °C warm, the other 60.0 °C: 10 °C higher.",
        "rivals_caption": "Slower than the Desk"}),
    "typed in": ([
        typed("p0", "t00", "mean_of_passes"), typed("p0", "t01", "mean_of_passes"),
        typed("p1", "t00", "mean_of_passes"), typed("p1", "t01", "spread_of_titles"),
        typed("p2", "t00", "no_interval"), typed("p3", "t00"), typed("p4", "t00")],
        {"margins": {"level_band": 0.02, "spread_from": ["t02", "t03"]}}, {
        "typed_sentences": "Figures of Marlow 14 were typed in, without logs: means of several "
            "passes. | Figures of Tessel 14 were typed in, without logs: some of them means of "
            "several passes; how far they scatter is taken from the runs of Paper Forest and "
            "Clockmaker's Yard. | Figures of Orrin 13 Plus were typed in, without logs: how far "
            "runs scatter was not measured. | Figures of Veyra 15 and Marlow 12 were typed in, "
            "without logs.",
        "role": "figures typed in, no logs | figures typed in, no logs | figures typed in, no logs "
            "| figures typed in, no logs | same name, desk"}),
    "for the money": ([
        *over(1.1, 1.1, 1.1), *value_claims(4),
        Claim.state("not_weighed", "x", Subject(product="p4", **STREET))],
        {"value": {"kinds": ["street"], "since": "2031-01-01", "until": "2031-02-01",
                   "configurations": [{"product": "p6", "of": "p1", "assumption": "The same chip."}]}},
        {"value_heading": "What the Marlow 14 costs",
         "value_sentences": "At a street price of €1,649 the Marlow 14 would have to fall to €1,495, "
            "by 9.3 %, to give as many frames for the money as the Tessel 14. | Against the Plus "
            "both would give as much at €1,614, 2.1 % less. | Against the Veyra 15 both would give "
            "as much at €1,885, above its price. | The Marlow 14 was not run: it stands here with "
            "the runs of the Tessel 14, on this assumption: The same chip. | The Marlow 14, Tessel "
            "14, Plus and Veyra 15 are off the line: something here, or a mix of two things here, "
            "is both cheaper and faster. | No street price was found for the Marlow 12.",
         "price_note": "Street | of 1 January 2031 to 1 February 2031; the Marlow 14 is at €1,649 "
            "(1,550 to 1,748). In small type the span of what shops asked."}),
    "counted": ([
        *counts(titles=2, runs__used=26, runs__set_aside=2, runs__did_not_run=1, frames__used=123_456),
        cell("p0", "t00", 80.0), cell("p1", "t00", 70.0),
        cell("p0", "t01", 9100.0, metric="value", unit="points")], {"metrics": {"low": "percentile"}}, {
        "headline": "Marlow 14: measured in two titles",
        "tested_note": "2 titles (1 with frame rates, 1 with a score), 2 products, 26 runs; 2 more "
            "set aside, 1 did not run. One machine of it: another that holds the same part may "
            "differ.",
        "method_heading": "26 runs, every one of them behind the figures; 2 set aside, with the reason"}),
    "nothing": ([], {}, {
        "headline": "Marlow 14: not set against the Tessel 14, the Plus, the Veyra 15, the Marlow 12 "
            "and the Desk",
        "rivals_caption": "No other product was measured in the same titles",
        "unlike_note": "No control was recorded, so nothing says how alike the machines are.",
        "price_note": "No prices | were recorded, so nothing is said about value.",
        "titles_heading": "Title by title", "value_heading": "",
        "groups_heading": "No group of titles changes an outcome",
        "limits_sentences": "No title looks limited by processor, cap or heat | No rule of screening "
            "that looks for such a limit found one.",
        "alike_heading": "How comparable the machines are was not recorded",
        "tested_note": "0 titles, 0 products, 0 runs. One machine of it: another that holds the same "
            "part may differ."}),
}  # fmt: skip


def as_read(said):
    """Return what a method of `Findings` gives as one text, its parts joined by bars."""
    if isinstance(said, str):
        return said.replace(NBSP, " ")
    if all(isinstance(part, str | Printed) for part in said) and not isinstance(said, list):
        return _plain_sentence(said).replace(NBSP, " ")
    return " | ".join(as_read(part) for part in said if part)


@pytest.mark.parametrize("case", READ)
def test_what_a_reader_reads_is_what_the_claims_say(case):
    claims, settings, said = READ[case]
    found = Findings(book(*claims, **settings))
    for method, words in said.items():
        if method == "role":
            told = " | ".join(found.role(standing) for standing in found.standings)
        else:
            told = as_read(getattr(found, method)())
        assert told == words, method
