"""A look into single runs: hitches with their places, lows by every definition, diagnostics."""

import numpy as np
import pytest
from years_bench import logged, typed, write_bench, write_params

from kit.archive.figures import plain_words
from kit.bench.runs import read_run
from kit.claims.claim import trace_faults
from kit.claims.of_pages import make_claims
from kit.errors import UsageError
from kit.metrics.blocks import measure_blocks
from kit.metrics.run_metrics import count_hitches
from kit.page import tables
from kit.page.pictures import make_charts
from kit.page.view import show
from kit.review.look_into import find_hitches, look_into
from kit.review.walk import load_review, work_out

TEMPLATE = "template: frame_times.ipynb\n"


@pytest.fixture
def looked(tmp_path):
    def look(more="", rows=()):
        bench = tmp_path / "bench"
        made = logged(bench, "one", "dell", 8.0, watt=100.0) + logged(
            bench, "two", "dell", 10.0, step=0.03
        )
        write_bench(tmp_path, [*made, *rows])
        review = load_review(write_params(tmp_path, TEMPLATE + more))
        results = work_out(review)
        return review, results, make_claims(review, results)

    return look


@pytest.mark.parametrize("seed", range(4))
def test_hitches_are_those_counted_each_with_its_time(seed):
    rng = np.random.default_rng(seed)
    frames = rng.gamma(30, 0.3, 3000)
    frames[rng.integers(0, 3000, 12)] *= rng.uniform(2.5, 9, 12)
    frames[[0, 2999]] = 70.0, 71.0
    found = find_hitches(frames, factor=2.5, more_ms=8.0)
    assert len(found) == count_hitches(frames, factor=2.5, more_ms=8.0) >= 8
    for hitch in found:
        at = int(np.flatnonzero(frames == hitch.frame_ms)[0])
        # In the plain words of the definition: the 31 frames around, at the ends the first or last.
        start = min(max(at - 15, 0), 3000 - 31)
        assert hitch.around_ms == pytest.approx(np.median(frames[start : start + 31]))
        assert hitch.time_s == pytest.approx(frames[:at].sum() / 1000)


def test_a_run_of_two_frames_has_no_hitch():
    assert find_hitches(np.array([8.0, 80.0]), factor=2.5, more_ms=8.0) == ()


def test_the_reviewed_product_and_its_first_title_are_looked_into(looked):
    review, _, book = looked()
    look = look_into(review)
    assert (look.product, look.title) == ("one", "dell")
    assert [r.run for r in look.runs] == ["one-dell-1", "one-dell-2", "one-dell-3"]
    assert all(r.used for r in look.runs) and look.not_shown == ()
    assert look_into(review) is look  # claims, charts and tables show one look
    assert {r.id for r in book.runs} == {r.run for r in look.runs}
    assert trace_faults(book) == []


def test_what_params_name_is_looked_into_as_far_as_they_ask(looked):
    review, _, book = looked("look: {product: two, title: dell, most_runs: 2}\n")
    look = look_into(review)
    assert (look.product, [r.run for r in look.runs]) == ("two", ["two-dell-1", "two-dell-2"])
    assert look.not_shown == ("two-dell-3",)
    words = plain_words(show(book, tables.look_summary).markup)
    assert words.startswith("Product Two in The Dell: 2 runs, 2 of them used, average ")
    assert "Not shown: two-dell-3" in words


def test_without_frames_the_titles_that_have_some_are_named(looked):
    with pytest.raises(UsageError, match=r'no run of "three" in "any title" has frame times; '
                                         r"titles with some: dell"):  # fmt: skip
        looked("look: {product: three}\n", typed("three", "hill", 50.0))


def test_a_run_set_aside_is_shown_as_such_and_explains_no_spread(looked):
    aside = "screen: {set_aside: [{run: two-dell-2, reason: The fan was blocked.}]}\n"
    review, _, book = looked("look: {product: two}\n" + aside)
    look = look_into(review)
    assert [r.used for r in look.runs] == [True, False, True]
    claim = book.by_id["look/hitches/two-dell-2"]
    assert (claim.value, claim.marks, claim.set_aside) == (1.0, ("set_aside",), ("two-dell-2",))
    share = book.by_id["look/share_within/average_fps/dell/two"]
    assert share.runs == ("two-dell-1", "two-dell-3")
    errors = [look.runs[n].blocks.within_sd["average_fps"] for n in (0, 2)]
    values = np.log([look.runs[n].metrics.values["average_fps"] for n in (0, 2)])
    by_hand = min(1.0, float(np.mean(np.square(errors)) / np.var(values, ddof=1)))
    assert share.value < 1 and share.value == pytest.approx(by_hand)
    assert "The fan was blocked." in show(book, tables.look_summary).markup


def test_diagnostics_and_lows_are_the_kits_own(looked):
    review, _, book = looked()
    run = read_run(review.rows[0], review.bench)
    blocks = measure_blocks(run.log.frame_ms)
    within = book.by_id["look/within_sd/average_fps/one-dell-1"]
    assert within.value == pytest.approx(blocks.within_sd["average_fps"])
    lows = review.metrics["one-dell-1"].lows
    for definition in ("percentile", "slowest_share", "time_share"):
        claim = book.by_id[f"look/low/{definition}/low_1pct_fps/one-dell-1"]
        assert claim.value == lows[definition]["low_1pct_fps"]
        assert claim.method == f"low-{definition.replace('_', '-')}"
    over = book.by_id["look/over_budget/60hz/one-dell-1"]
    frames = run.log.frame_ms
    assert over.value == pytest.approx(frames[frames > 1000 / 60].sum() / frames.sum())


def test_the_sections_show_each_run_once(looked):
    review, _, book = looked()
    for section in (tables.RUNS, tables.BLOCKS, tables.SENSORS):
        words = plain_words(show(book, section).markup)
        assert [words.count(f"one-dell-{n} ") for n in (1, 2, 3)] == [1, 1, 1]
    words = plain_words(show(book, tables.SENSORS).markup).replace("\u00a0", " ")
    assert "one-dell-1 100.0 W 100.0 W one-dell-2" in words
    assert "slowest share" in plain_words(show(book, tables.LOWS).markup)
    hitches = plain_words(show(book, tables.hitches).markup)
    assert hitches.startswith("The longest of 3 hitches")
    frames = book.of_kind("hitch", part="frame")
    assert len(frames) == 3 and min(claim.value for claim in frames) > 30
    for run in look_into(review).runs:
        for n, hitch in enumerate(run.hitches, start=1):
            found = [book.by_id[f"hitch/{part}/{run.run}/{n}"].value
                     for part in ("at", "frame", "around")]  # fmt: skip
            assert found == [hitch.time_s, hitch.frame_ms, hitch.around_ms]


def test_the_charts_are_those_of_the_look(looked):
    pytest.importorskip("matplotlib")
    review, _, book = looked()
    charts = make_charts(review, book)
    assert {name: len(made) for name, made in charts.items()} == {
        "overlay": 1, "distribution": 1, "run": 3
    }  # fmt: skip
    (overlay,) = charts["overlay"]
    assert overlay.caption.startswith("Product One in The Dell: 3 runs over each other")
    assert set(overlay.table["run"]) == {"one-dell-1", "one-dell-2", "one-dell-3"}
    for run in look_into(review).runs:
        drawn = overlay.table[overlay.table["run"] == run.run]["median_ms"]
        assert list(drawn) == list(run.series.median_ms)
        # Frames are 8 ms times a wave of 2 %, see `logged`.
        assert drawn.min() > 8 * 0.975 and drawn.max() < 8 * 1.025
    for text in ("one-dell-1", "one-dell-3"):
        assert text in overlay.alt
