"""Benches of figures without logs: what is said of them in summary, charts and text is true."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from kit.charts.rows import margins_chart
from kit.claims.bound_text import bind_text
from kit.errors import TextError
from kit.page.article import SECTIONS
from kit.page.findings import Findings, _plain_sentence
from kit.report.season import _Finished, _make_league
from tests.support.small_bench import MadeBench, MadeRun, small_bench, walk

PARTS = {
    "six-portables": [1.0, 0.82, 0.95, 1.004, 1.1, 1.22],
    "desk": [1.4, 1.6],
}
SCATTER = ("too close to call", "told apart", "unresolved")


def typed_bench(
    titles: int, *, passes: tuple[int, ...], wobble: float = 0.03, seed: int = 1
) -> MadeBench:
    """Return a bench of typed figures: eight products, so many passes of each a title.

    The first is ahead of some products in every title, behind others in every one, and of one of
    them in about half.
    """
    rng = np.random.default_rng(seed)
    speeds = [s for group in PARTS.values() for s in group]
    made = small_bench(products=len(speeds), titles=titles, runs=1)
    runs = []
    for t, (p, speed) in itertools.product(range(titles), enumerate(speeds)):
        base = 60.0 + 7 * t
        title_factor = float(np.exp(wobble * rng.normal()))
        for n in range(passes[p % len(passes)]):
            fps = base * speed * title_factor * float(np.exp(0.004 * rng.normal()))
            runs.append(
                MadeRun(f"p{p}-t{t}-{n}", f"p{p}", f"t{t}", typed={"average_fps": f"{fps:.1f}"})
            )
    products = {
        f"p{p}": {"name": f"Part {p}", "class": "portable" if p < 6 else "desk"}
        for p in range(len(speeds))
    }
    return replace(made, runs=tuple(runs), products=products)


def ratios_of(made: MadeBench, baseline: str) -> list[float]:
    """Return p0 over a baseline in each title, from the figures typed in, by plain arithmetic."""
    found: dict[tuple[str, str], list[float]] = {}
    for run in made.runs:
        found.setdefault((run.title, run.product), []).append(float(run.typed["average_fps"]))
    mean = {key: math.exp(sum(map(math.log, v)) / len(v)) for key, v in found.items()}
    return [v / mean[t, baseline] for (t, p), v in mean.items() if p == "p0"]


def by_titles(ratios: list[float]) -> str:
    """Return what titles alone say, by scipy's own t interval and binomial test."""
    logs = np.log(ratios)
    side = "above" if logs.mean() > 0 else "below"
    ups, downs = int((logs > 0).sum()), int((logs < 0).sum())
    on_side = ups if side == "above" else downs
    if on_side == len(logs):
        return side
    ends = stats.ttest_1samp(logs, 0.0).confidence_interval(0.95)
    p = stats.binomtest(ups, ups + downs).pvalue
    if ends.low > 0 or ends.high < 0 or (p <= 0.05 and on_side > len(logs) / 2):
        return side
    return "open"


def sentences(book) -> list[str]:
    """Return what page and charts say in words of the first product over every other."""
    found = Findings(book)
    said = [found.headline(), found.rivals_caption(), found.titles_heading(), found.value_heading()]
    said += [found.groups_heading()]
    for standing in found.standings:
        # The deck of a review whose first rival this were.
        one = replace(book, settings={**book.settings, "rivals": [standing.product]})
        said += map(_plain_sentence, Findings(one).deck())
        said.append(Findings(one).headline())
    for part in (found.deck(), found.titles_sentences(), found.groups_sentences()):
        said += map(_plain_sentence, part)
    said += [margins_chart(book, s).words.caption for s in book.of_kind("suite", group="all")]
    return [text.replace("\xa0", " ") for text in said]


MEANS = {"passes": "3", "spread_pct": "0.6"}
# What each design says of the spread of its typed figures, of a margin over the fifth product.
DESIGNS = {
    "stated": "stated with them",
    "one side stated": "",
    "one title lends": "taken from the runs of Scene 0",
    "few titles lend": "taken from the runs of Scene 0 and Scene 1",
    "the bench lends": "taken from the other figures of this review",
}


def designed(name: str, titles: int) -> MadeBench:
    """Return a bench of typed figures whose spread is known in one way or another."""
    lenders = {"one title lends": 1, "few titles lend": 2, "the bench lends": titles}.get(name, 0)
    made = typed_bench(titles, passes=(3 if lenders else 1,))
    # Only so many titles of the first product keep their three passes; else there is one each.
    kept = [
        run
        for run in made.runs
        if run.run.endswith("-0") or (run.product == "p0" and int(run.title[1:]) < lenders)
    ]
    stated = {"stated": PARTS["six-portables"] + PARTS["desk"], "one side stated": [1.0]}
    means = {f"p{i}" for i in range(len(stated.get(name, [])))}
    runs = [replace(run, typed=run.typed | MEANS) if run.product in means else run for run in kept]
    made = replace(made, runs=tuple(runs))
    if name in {"one title lends", "few titles lend"}:
        named = [f"t{i}" for i in range(lenders)]
        made = made.with_params(margins={**made.params["margins"], "spread_from": named})
    return made


@pytest.mark.parametrize("titles", [1, 2, 3, 18])
@pytest.mark.parametrize("name", DESIGNS)
def test_every_sentence_says_where_the_spread_is_from(tmp_path, titles, name):
    few = {"few titles lend": 2, "the bench lends": 6}
    if titles < few.get(name, 1):
        pytest.skip("fewer titles than lend")
    _, _, book = walk(designed(name, titles), tmp_path)
    told = " ".join(sentences(book))
    notes = " ".join(text for (text,) in Findings(book).typed_sentences())
    known = name != "one side stated" or titles >= 6  # six cells stated lend their spread
    words = DESIGNS[name] or DESIGNS["the bench lends"]
    for suite in book.of_kind("suite", group="all", metric="average_fps"):
        assert (suite.low is not None) == known
        assert suite.outcome in (
            {"ahead", "behind", "level", "unresolved"} if known else {"above", "below", "open"}
        )
        margins = book.of_kind("margin", baseline=suite.baseline)
        assert all(m.low is not None or name == "one title lends" for m in margins) or not known
    assert (words in told) == known, told
    assert (words in notes) == known, notes
    assert ("how far runs scatter was not measured" in told) == (not known)
    assert known or not any(word in told for word in SCATTER)
    if name == "stated":
        assert "means of several passes" in notes and "Part 7" in notes


@pytest.mark.parametrize("titles", [1, 2, 3, 18])
@pytest.mark.parametrize("passes", [(1,), (3, 1, 1, 1, 1, 1, 1, 1)], ids=["one-each", "one-side"])
def test_every_sentence_about_figures_alone_is_true(tmp_path, titles, passes):
    made = typed_bench(titles, passes=passes)
    _, _, book = walk(made, tmp_path)
    shared = sum(passes) > 1 and titles >= 6  # six cells with runs of their own lend their spread
    assert len(book.of_kind("suite", group="all", metric="average_fps")) == 7
    seen = set()
    for suite in book.of_kind("suite", group="all", metric="average_fps"):
        ratios = ratios_of(made, suite.baseline)
        assert suite.value == pytest.approx(math.exp(np.log(ratios).mean()), rel=1e-12)
        if shared:
            assert suite.low is not None and suite.outcome in {
                "ahead",
                "behind",
                "unresolved",
                "level",
            }
            continue
        assert suite.low is None
        assert suite.outcome == by_titles(ratios)
        seen.add(suite.outcome)
        sides = {c.part: c.value for c in book.of_kind("suite_side", baseline=suite.baseline)}
        ups, downs = sum(r > 1 for r in ratios), sum(r < 1 for r in ratios)
        assert sides == {"above": ups, "below": downs, "open": titles - ups - downs}
        (sign,) = book.of_kind("suite_sign", baseline=suite.baseline)
        assert sign.value == pytest.approx(stats.binomtest(ups, ups + downs).pvalue)
        (like,) = book.of_kind("suite_like", baseline=suite.baseline)
        if like.low is not None:  # both intervals and the word agree on the side
            assert not (suite.outcome == "above" and like.high < 1)
            assert not (suite.outcome == "below" and like.low > 1)
        margins = book.of_kind("margin", baseline=suite.baseline)
        outcomes = [m.outcome for m in margins]
        assert (outcomes.count("above"), outcomes.count("below")) == (ups, downs)
        counts = {c.part: c.value for c in book.of_kind("suite_count", baseline=suite.baseline)}
        assert sum(counts.values()) == titles and counts.get("above", 0) == ups
    if titles == 18 and not shared:
        assert seen == {"above", "below", "open"}
    for text in sentences(book):
        assert shared or not any(word in text for word in SCATTER), text
        for number, of in re.findall(r"(?:faster|slower) in (\d+) of (\d+)", text):
            assert int(number) <= int(of) == titles, text


def test_the_deck_counts_the_titles_and_says_what_was_not_measured(tmp_path):
    made = typed_bench(18, passes=(1,))
    _, _, book = walk(made, tmp_path)
    first = sentences(book)
    ups = sum(r > 1 for r in ratios_of(made, "p1"))
    assert ups == 18
    deck = next(t for t in first if t.startswith("Over all 18 titles its margin over the Part 1"))
    assert "by figures alone, faster in 18 of 18 (p by the sign test: under 0.001)" in deck
    assert deck.endswith("how far runs scatter was not measured.")
    assert "by figures alone" in first[0] and "in all 18 titles" in first[0]


def bound(text: str, book) -> str:
    names = book.names.get("products")
    return bind_text(text, book, file="t.md", names=names).to_markdown().replace("\xa0", " ")


def test_a_text_may_say_behind_where_every_title_is_and_not_ahead(tmp_path):
    made = typed_bench(18, passes=(1,))
    _, _, book = walk(made, tmp_path)
    assert all(r < 1 for r in ratios_of(made, "p5"))
    said = bound("{{suite p0 over p5}}, in {{count below p0 over p5}}.", book)
    assert "% slower, in 18" in said
    assert bound("It is {{say slower p0 than p5: behind}}.", book) == "It is behind."
    assert bound("It is {{say behind_in every p0 over p5: behind everywhere}}.", book)
    assert "by figures alone" in bound("{{suite p0 over p5 | sentence}}.", book)
    assert bound("{{suite p0 over p5 | joined}} the other.", book).endswith(
        "slower than the other."
    )
    turned = bound("{{suite p0 over p5 | sentence, reversed}}.", book)
    assert "Part 5 is" in turned and "faster than Part 0 by figures alone" in turned
    with pytest.raises(TextError, match="the claims do not say so"):
        bound("It is {{say faster p0 than p5: ahead}}.", book)
    # Neither word where the titles themselves do not settle it.
    (suite,) = book.of_kind("suite", baseline="p3", metric="average_fps", group="all")
    assert suite.outcome == "open"
    for relation in ("faster", "slower", "level"):
        with pytest.raises(TextError, match="the claims do not say so"):
            bound(f"It is {{{{say {relation} p0 than p3: so}}}}.", book)
    assert "undecided by figures alone" in bound("{{suite p0 over p3}}.", book)


def test_the_price_of_equal_value_says_that_its_margin_rests_on_figures_alone(tmp_path):
    _, _, book = walk(typed_bench(18, passes=(1,)), tmp_path)
    prices = book.of_kind("equal_value_price")
    assert prices
    for claim in prices:
        assert "figures_alone" in claim.marks and "no_margin_interval" not in claim.marks


def test_only_frame_rates_without_logs_are_called_typed_in(demo):
    assert Findings(demo.book).typed_sentences() == [
        (
            "Figures of Fennock 7 (travel) were typed in, without logs: how far they scatter is "
            "taken from the other figures of this review.",
        )
    ]


def test_the_reviewed_products_own_figures_are_called_typed_in_too(tmp_path):
    _, _, book = walk(typed_bench(2, passes=(1,)), tmp_path)
    (said,) = ("".join(map(str, s)) for s in Findings(book).typed_sentences())
    assert said.startswith("Figures of Part 0, Part 1, ") and "Part 7 were typed in" in said


def test_the_pages_keys_and_the_guide_speak_of_figures_alone(tmp_path):
    made = typed_bench(18, passes=(1,))
    products = {p: {**of, "configuration": {"memory_gb": "16" if p == "p2" else "32"},
                    "part": f"X{int(p[1:]) % 6}"} for p, of in made.products.items()}  # fmt: skip
    waiver = {"control": "memory_gb", "products": ["p2"], "reason": "Sold so and not otherwise."}
    made = replace(made, products=products).with_params(
        controls=["memory_gb"],
        waivers=[waiver],
        metrics={"low": "percentile", "compared": ["average_fps"]},
    )
    _, _, book = walk(made, tmp_path)
    html = SECTIONS["opening"](book).markup + SECTIONS["per_title"](book).markup
    html = html.replace("\xa0", " ")
    assert "line: 95 % interval for titles like these" in html and "block: " not in html
    assert "undecided by figures alone" in html and "too close to call" not in html
    assert "% low" not in html and "Averages, drawn" in html
    _, said = Findings(book).classes_sentences()
    told = " ".join("".join(map(str, s)) for s in said)
    assert "How far runs scatter was not measured." in told and told.count("by figures alone") == 2
    league = _make_league([_Finished("made", book, "p0")])
    assert league.baseline in {f"p{i}" for i in range(1, 6)}  # p6 and p7 are of another class
    one = _make_league([_Finished("made", book, "p0")], baseline="p2").places[0]
    assert "waived" in one.marks and "_" not in one.marks and ":" not in one.marks


def test_steps_and_groups_of_figures_alone_are_said_so(tmp_path):
    axis = {"setting": "limit", "name": "Limit", "unit": "W", "steps": {"80": "p1", "60": "p0"}}
    made = typed_bench(3, passes=(1,)).with_params(
        axes=[axis], suites={"two": {"name": "Two", "titles": ["t0", "t1"]}}
    )
    _, _, book = walk(made, tmp_path)
    ratios = ratios_of(made, "p1")
    for kind, part, count in (("step", "60-over-80", 3), ("step_on", "60-over-80/on/two", 2)):
        (claim,) = book.of_kind(kind, part=part, title="", metric="average_fps")
        assert claim.value == pytest.approx(math.exp(np.log(ratios[:count]).mean()), rel=1e-12)
        assert (claim.low, claim.outcome) == (None, by_titles(ratios[:count]))
    said = bound("{{step limit 60 over 80 of p0 | sentence}}. "
                 "{{step limit 80 over 60 of p0 on two | sentence}}.", book)  # fmt: skip
    told = " ".join(_plain_sentence(s) for s in Findings(book).steps_sentences()[1])
    assert said.count("by figures alone") == 2 and "by figures alone" in told
    assert said.startswith("60 W is") and "80 W is" in said and "slower" in said
    assert not any(word in said + told for word in SCATTER)
    # No log, so nothing is said of clocks.
    assert not book.of_kind("load") and "clock" not in " ".join(sentences(book))
