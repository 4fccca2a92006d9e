"""Numbers at the edge, through the whole path: a defined result or a plain message, and a page.

Every case is walked from raw logs to claims.json (whose writer refuses NaN and infinity) and on
through every cell of the report's template.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from small_bench import (
    frames,
    show_in_process,
    small_bench,
    write_bench,
)

from kit.claims.claim import ClaimBook
from kit.claims.of_pages import make_claims
from kit.review.walk import load_review, work_out

LOW_DEFINITIONS = ("percentile", "slowest_share", "time_share")


def bench(**how):
    how = {"products": 3, "titles": 2, "runs": 3, **how}
    return small_bench(**how)


def same_frames(made, frame_ns):
    """Give every run the same frames."""
    return made.with_runs(lambda run: replace(run, frame_ns=frame_ns))


def keep(made, wanted):
    return replace(made, runs=tuple(run for run in made.runs if wanted(run)))


def one_frame():
    return bench().with_runs(lambda run: replace(run, frame_ns=run.frame_ns[:1]))


def two_frames():
    return bench().with_runs(lambda run: replace(run, frame_ns=run.frame_ns[:2]))


def all_frames_equal():
    """In a run; runs differ."""
    return bench().with_runs(
        lambda run: replace(run, frame_ns=(run.frame_ns[0],) * len(run.frame_ns))
    )


def all_runs_equal():
    """Frames differ, all runs of a product hold the same ones, in another order."""

    def change(run):
        first = frames(int(run.product[1:]), ms=10.0)
        turn = int(run.run[-1]) + 1
        return replace(run, frame_ns=first[turn:] + first[:turn])

    return bench().with_runs(change)


def everything_equal():
    """Ties everywhere: no frame, run, title or product differs from another."""
    made = bench()
    counts = iter(range(10, 1000))
    return made.with_runs(lambda run: replace(run, frame_ns=(10_000_000,) * next(counts)))


def shortest_frames():
    return bench().with_runs(
        lambda run: replace(run, frame_ns=tuple(1000 + ns % 97 for ns in run.frame_ns))
    )


def longest_frames():
    return bench().with_runs(
        lambda run: replace(run, frame_ns=tuple(ns * 10_000 for ns in run.frame_ns[:40]))
    )


def shortest_and_longest_in_one_run():
    def change(run):
        mixed = list(run.frame_ns)
        mixed[::7] = [1000 + 13 * i for i in range(len(mixed[::7]))]
        mixed[11] = 100_000_000_000 + int(run.run[-1]) * 10**9
        return replace(run, frame_ns=tuple(mixed))

    return bench().with_runs(change)


def ratio_near_one():
    """p0 and p1 differ by a millionth."""

    def change(run):
        seed = (run.title, run.run[-1])
        base = frames([ord(c) for c in "".join(seed)], ms=10.0)
        more = 10 if run.product == "p1" else 0
        return replace(run, frame_ns=tuple(ns + more for ns in base))

    return bench().with_runs(change)


def ratio_near_1000():
    return bench().with_runs(
        lambda run: (
            replace(run, frame_ns=tuple(ns * 1000 for ns in run.frame_ns[:50]))
            if run.product == "p1"
            else run
        )
    )


def one_run_each():
    return bench(runs=1)


def two_runs_each():
    return bench(runs=2)


def one_run_of_everything():
    return bench(runs=1, titles=1, products=2)


def one_title():
    return bench(titles=1)


def two_products():
    return bench(products=2)


def no_variance_in_one_cell():
    def change(run):
        if (run.product, run.title) != ("p0", "t0"):
            return run
        return replace(run, frame_ns=(10_000_000,) * (100 + int(run.run[-1])))

    return bench().with_runs(change)


def a_cell_all_set_aside():
    made = bench()
    return made.with_runs(
        lambda run: (
            replace(run, status="set_aside", reason="the window was covered")
            if (run.product, run.title) == ("p0", "t1")
            else run
        )
    )


def a_rival_all_set_aside():
    return bench().with_runs(
        lambda run: (
            replace(run, status="set_aside", reason="the window was covered")
            if run.product == "p2"
            else run
        )
    )


def the_product_all_set_aside():
    return bench().with_runs(
        lambda run: (
            replace(run, status="set_aside", reason="the window was covered")
            if run.product == "p0"
            else run
        )
    )


def everything_set_aside():
    return bench().with_runs(lambda run: replace(run, status="set_aside", reason="wrong driver"))


def everything_crashed():
    return bench().with_runs(
        lambda run: replace(run, frame_ns=(), status="crashed", reason="driver reset")
    )


def the_product_without_any_run():
    return keep(bench(), lambda run: run.product != "p0")


def a_rival_without_any_run():
    return keep(bench(), lambda run: run.product != "p2")


def a_title_nobody_else_ran():
    return keep(bench(), lambda run: run.title == "t0" or run.product == "p0")


def a_title_nobody_else_ran_asked_for():
    made = keep(bench(), lambda run: run.title == "t0" or run.product == "p0")
    return made.with_params(titles=["t0", "t1"])


def no_title_in_common():
    return keep(bench(), lambda run: (run.title == "t0") == (run.product == "p0"))


def no_title_in_common_asked_for():
    return no_title_in_common().with_params(titles=["t0", "t1"])


def a_title_nobody_ran_asked_for():
    made = bench()
    made = replace(made, titles={**made.titles, "t9": {"name": "Not run"}})
    return made.with_params(titles=["t0", "t1", "t9"])


def no_run_at_all():
    return replace(bench(), runs=())


def no_prices():
    return replace(bench(), prices=())


def typed(value, **more):
    def change(run):
        return replace(run, frame_ns=(), typed={"average_fps": value(run), **more})

    return bench().with_runs(change)


def typed_in_alone():
    return typed(lambda run: f"{60 + int(run.product[1])}.{run.run[-1]}")


def typed_in_all_equal():
    return typed(lambda run: "60")


def typed_in_extremes():
    return typed(lambda run: "0.000000000000001" if run.product == "p0" else "999999999999999")


def scores(values, measures="score"):
    """Titles that are no frame rates."""
    made = bench(runs=3)
    made = replace(
        made, titles={t: {**how, "measures": measures} for t, how in made.titles.items()}
    )
    return made.with_runs(lambda run: replace(run, frame_ns=(), typed={"value": values(run)}))


def levels_around_zero():
    return scores(lambda run: f"{int(run.product[1]) - 1}.{run.run[-1]}", "noise")


def durations_equal():
    return scores(lambda run: "12.5", "duration")


def scores_of_ten_to_fourteen():
    return scores(lambda run: f"1{run.product[1]}{run.run[-1]}000000000000")


def one_price_of_a_cent():
    return replace(bench(), prices=(("p0", "0.01", "EUR", "street", "2026-11-02", "shop"),))


def prices_far_apart():
    return replace(
        bench(),
        prices=(
            ("p0", "0.01", "EUR", "street", "2026-11-02", "shop"),
            ("p1", "99999999", "EUR", "street", "2026-11-02", "shop"),
            ("p2", "5", "EUR", "street", "2026-11-02", "shop"),
        ),
    )


def sessions_of_one_side():
    return bench().with_runs(lambda run: run if run.product == "p0" else replace(run, session=""))


def no_sessions_no_times():
    return bench().with_runs(lambda run: replace(run, session="", began=""))


def one_log_under_every_name():
    return same_frames(bench(), frames(1, ms=10.0))


def tiny_confidence():
    made = bench()
    return made.with_params(margins={**made.params["margins"], "confidence": 1e-9})


def huge_confidence():
    made = bench()
    return made.with_params(margins={**made.params["margins"], "confidence": 0.999999999})


def many_runs():
    return bench(runs=40, titles=1, products=2).with_runs(
        lambda run: replace(run, frame_ns=run.frame_ns[:30], began="")
    )


def two_runs_a_million_apart():
    """Their t interval, on one degree of freedom, is wider than a computer's numbers."""
    made = bench(runs=2).with_runs(
        lambda run: (
            replace(run, frame_ns=tuple(1000 * ns for ns in run.frame_ns[:20]))
            if run.run == "p1-t0-1"
            else run
        )
    )
    return made.with_params(
        margins={**made.params["margins"], "method": "welch", "confidence": 0.9999}
    )


CASES = {
    f.__name__: f
    for f in (
        one_frame,
        two_frames,
        all_frames_equal,
        all_runs_equal,
        everything_equal,
        shortest_frames,
        longest_frames,
        shortest_and_longest_in_one_run,
        ratio_near_one,
        ratio_near_1000,
        one_run_each,
        two_runs_each,
        one_run_of_everything,
        one_title,
        two_products,
        no_variance_in_one_cell,
        a_cell_all_set_aside,
        a_rival_all_set_aside,
        the_product_all_set_aside,
        everything_set_aside,
        everything_crashed,
        the_product_without_any_run,
        a_rival_without_any_run,
        a_title_nobody_else_ran,
        a_title_nobody_else_ran_asked_for,
        no_title_in_common,
        no_title_in_common_asked_for,
        a_title_nobody_ran_asked_for,
        no_run_at_all,
        no_prices,
        typed_in_alone,
        typed_in_all_equal,
        typed_in_extremes,
        levels_around_zero,
        durations_equal,
        scores_of_ten_to_fourteen,
        one_price_of_a_cent,
        prices_far_apart,
        sessions_of_one_side,
        no_sessions_no_times,
        one_log_under_every_name,
        tiny_confidence,
        huge_confidence,
        many_runs,
        two_runs_a_million_apart,
    )
}


def refuse_constant(name):
    raise AssertionError(f"claims.json holds {name}")


def worked_out(made, folder):
    """Return the claims of a case; every one is whole."""
    review = load_review(write_bench(made, folder))
    book = make_claims(review, work_out(review))
    json.loads(book.to_json(), parse_constant=refuse_constant)
    return review, book


ODD = re.compile(r"\b(nan|inf|infinity|none|null)\b", re.IGNORECASE)


@pytest.mark.parametrize("case", CASES)
def test_every_claim_is_a_number_with_a_text(tmp_path, case):
    _, book = worked_out(CASES[case](), tmp_path)
    assert book.trace_faults() == []
    assert len(ClaimBook.parse(book.to_json(), file="claims.json").claims) == len(book.claims)
    assert len(book.claims) >= 12
    for claim in book.claims:
        assert claim.text or claim.kind == "spread_unknown", claim
        if not claim.is_figure:
            continue
        assert claim.value is not None, claim
        assert not ODD.search(claim.text + claim.interval), claim
        assert (claim.low is None) == (claim.high is None)
        if claim.low is not None:
            slack = 1e-12 * abs(claim.value)  # a difference of prices may be below nothing
            assert claim.low <= claim.value + slack, claim
            assert claim.high >= claim.value - slack, claim
        if claim.kind in {"margin", "suite"}:
            assert claim.value > 0
            if claim.low is None:
                assert claim.outcome in {"unresolved", "above", "below", "open"}
                assert claim.marks, "a margin without interval says why"


# Cases whose page has least in it or most: building all of them takes a minute.
PAGES = (
    "one_frame",
    "everything_equal",
    "shortest_and_longest_in_one_run",
    "ratio_near_1000",
    "one_run_of_everything",
    "the_product_all_set_aside",
    "everything_crashed",
    "no_run_at_all",
    "no_title_in_common_asked_for",
    "typed_in_extremes",
    "levels_around_zero",
    "prices_far_apart",
    "two_runs_a_million_apart",
)


@pytest.mark.parametrize("case", PAGES)
def test_the_page_is_built(tmp_path, case):
    pytest.importorskip("matplotlib")
    params = write_bench(CASES[case](), tmp_path)
    for piece in show_in_process(params, tmp_path / "out"):
        words = re.sub(r"<[^>]*>", " ", re.sub(r"<style.*?</style>", "", piece, flags=re.DOTALL))
        assert not re.search(r"(?<![\w-])(nan|inf|None)(?![\w-])", words), words
    for table in (tmp_path / "out" / "tables").iterdir():
        assert not re.search(r"(^|,)(nan|inf|-inf|None)(,|$)", table.read_text(), re.MULTILINE)


def claims_by_pair(book, kind="margin", metric="average_fps"):
    return {(c.title, c.baseline): c for c in book.of_kind(kind, metric=metric)}


def test_one_frame_is_its_own_average_and_low(tmp_path):
    made = one_frame()
    _, book = worked_out(made, tmp_path)
    for run in made.runs:
        for metric in ("average_fps", "low_1pct_fps", "low_0_1pct_fps"):
            claim = book.by_id[f"run/{metric}/{run.run}"]
            assert claim.value == pytest.approx(1e9 / run.frame_ns[0], rel=1e-14)


@pytest.mark.parametrize("low", LOW_DEFINITIONS)
@pytest.mark.parametrize("make", [all_frames_equal, shortest_frames, longest_frames])
def test_figures_of_frames_at_the_edge_are_those_of_plain_arithmetic(tmp_path, make, low):
    # Averages by exact whole numbers: frames over seconds. A low is never above the average, nor
    # below the slowest frame's rate.
    made = make().with_params(metrics={"low": low})
    _, book = worked_out(made, tmp_path)
    for run in made.runs:
        average = book.by_id[f"run/average_fps/{run.run}"].value
        assert average == pytest.approx(len(run.frame_ns) * 1e9 / sum(run.frame_ns), rel=1e-12)
        slowest = 1e9 / max(run.frame_ns)
        for metric in ("low_1pct_fps", "low_0_1pct_fps"):
            value = book.by_id[f"run/{metric}/{run.run}"].value
            assert slowest * (1 - 1e-12) <= value <= average * (1 + 1e-12)


def test_a_wild_mixture_has_the_average_of_exact_sums(tmp_path):
    made = shortest_and_longest_in_one_run()
    assert max(max(r.frame_ns) for r in made.runs) > 1e5 * 1e6  # over 10^5 ms
    assert min(min(r.frame_ns) for r in made.runs) == 1000  # 10^-3 ms
    _, book = worked_out(made, tmp_path)
    for run in made.runs:
        value = book.by_id[f"run/average_fps/{run.run}"].value
        assert value == pytest.approx(len(run.frame_ns) * 1e9 / sum(run.frame_ns), rel=1e-12)


def test_ties_everywhere_are_level_figures_that_nothing_can_bound(tmp_path):
    _, book = worked_out(everything_equal(), tmp_path)
    margins = claims_by_pair(book)
    assert len(margins) == 4
    for claim in margins.values():
        assert claim.value == 1.0 and claim.low is None
        assert claim.outcome == "unresolved" and "zero_variance" in claim.marks
    for claim in book.of_kind("suite"):
        assert claim.value == 1.0 and "no_interval" in claim.marks


def test_a_ratio_near_one_is_not_rounded_to_a_lead(tmp_path):
    made = ratio_near_one()
    _, book = worked_out(made, tmp_path)
    for (_, baseline), claim in claims_by_pair(book).items():
        if baseline == "p1":  # 10 ns of 10 ms more
            assert claim.value == pytest.approx(1 + 1e-6, abs=1e-8)
            assert claim.text == "0.00\N{NO-BREAK SPACE}%" and claim.outcome == "level"


def test_a_ratio_near_1000_is_the_ratio_of_the_averages(tmp_path):
    made = ratio_near_1000()
    _, book = worked_out(made, tmp_path)
    seen = 0
    for (title, baseline), claim in claims_by_pair(book).items():
        logs = {}
        # Runs of unlike length: each over the frames, from the first, that every run has.
        fewest = min(len(run.frame_ns) for run in made.runs if run.title == title)
        for run in made.runs:
            if run.title == title:
                rate = math.log(fewest / math.fsum(run.frame_ns[:fewest]))
                logs.setdefault(run.product, []).append(rate)
        ratio = math.exp(np.mean(logs["p0"]) - np.mean(logs[baseline]))
        assert claim.value == pytest.approx(ratio, rel=1e-12)
        seen += 900 < ratio < 1300 and claim.outcome == "ahead"
    assert seen == 2


def test_a_single_run_has_no_interval_of_its_own_and_says_so(tmp_path):
    _, book = worked_out(one_run_each(), tmp_path)
    for claim in claims_by_pair(book).values():
        assert claim.low is None and claim.outcome == ("above" if claim.value > 1 else "below")
        assert {"single_run", "no_interval"} <= set(claim.marks)


def test_two_runs_give_students_interval_on_one_degree_of_freedom_a_side(tmp_path):
    # R. A. Fisher's t for two runs a side, by scipy's own Welch test.
    from scipy import stats

    made = two_runs_each()
    made = made.with_params(margins={**made.params["margins"], "method": "welch"})
    _, book = worked_out(made, tmp_path)
    for (title, baseline), claim in claims_by_pair(book).items():
        sides = [
            [
                math.log(len(r.frame_ns) * 1e9 / sum(r.frame_ns))
                for r in made.runs
                if (r.title, r.product) == (title, product)
            ]
            for product in ("p0", baseline)
        ]
        ends = stats.ttest_ind(*sides, equal_var=False).confidence_interval(0.95)
        assert claim.low == pytest.approx(math.exp(ends.low), rel=1e-9)
        assert claim.high == pytest.approx(math.exp(ends.high), rel=1e-9)


NOTHING_TO_COMPARE = {
    "the_product_all_set_aside": ["p1", "p2"],
    "everything_set_aside": ["p1", "p2"],
    "everything_crashed": ["p1", "p2"],
    "the_product_without_any_run": ["p1", "p2"],
    "no_run_at_all": ["p1", "p2"],
    "no_title_in_common": ["p1", "p2"],
    "no_title_in_common_asked_for": ["p1", "p2"],
    "a_rival_without_any_run": ["p2"],
    "a_rival_all_set_aside": ["p2"],
}


@pytest.mark.parametrize("case", NOTHING_TO_COMPARE)
def test_what_cannot_be_compared_is_said_with_the_reason(tmp_path, case):
    from kit.page.findings import Findings, _plain_sentence

    review = load_review(write_bench(CASES[case](), tmp_path))
    results = work_out(review)
    book = make_claims(review, results)
    lost = [
        s
        for s in map(_plain_sentence, Findings(book).deck())
        if "no title has used runs of both" in s
    ]
    said = [p for p in ("p1", "p2") if any(f"the Part {p[1]}" in sentence for sentence in lost)]
    assert said == NOTHING_TO_COMPARE[case]
    for baseline in said:
        assert not [c for c in book.figures if c.baseline == baseline and c.kind != "value"]


def test_a_cell_without_runs_leaves_the_others_as_they_are(tmp_path):
    _, whole = worked_out(bench(), tmp_path / "whole")
    _, part = worked_out(a_cell_all_set_aside(), tmp_path / "part")
    assert "cell/average_fps/t1/p0" not in part.by_id
    for run in ("p0-t1-0", "p1-t1-0"):
        assert part.by_id[f"run/average_fps/{run}"].value == (
            whole.by_id[f"run/average_fps/{run}"].value
        )
    assert {t for t, _ in claims_by_pair(part)} == {"t0"}
    suite = part.by_id["suite/average_fps/all/p0-over-p1"]
    assert "one_title" in suite.marks
    assert suite.value == part.by_id["margin/average_fps/t0/p0-over-p1"].value


def test_an_interval_wider_than_numbers_go_is_no_interval(tmp_path):
    _, book = worked_out(two_runs_a_million_apart(), tmp_path)
    claim = book.by_id["margin/average_fps/t0/p0-over-p1"]
    assert (claim.low, claim.high, claim.outcome) == (None, None, "unresolved")
    assert "no_interval" in claim.marks
    assert "no_interval" in book.by_id["suite/average_fps/all/p0-over-p1"].marks


@pytest.mark.slow
def test_ten_to_the_eight_frames_have_the_figures_of_the_closed_form():
    # 10 and 30 ms in turn: 100 frames take 2 s, and the slowest hundredth are frames of 30 ms.
    from kit.stats.series import average_fps, low_fps

    frame_ms = np.empty(100_000_000)
    frame_ms[::2], frame_ms[1::2] = 10.0, 30.0
    assert average_fps(frame_ms) == pytest.approx(50.0, rel=1e-9)
    low = low_fps(frame_ms, share=0.01, definition="slowest_share")
    assert low == pytest.approx(1000 / 30, rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("case", ["everything_crashed", "one_frame"])
def test_the_whole_command_makes_a_page_of_a_case_at_the_edge(tmp_path, case):
    pytest.importorskip("papermill")
    from kit.report.report import run_review

    done = run_review(write_bench(CASES[case](), tmp_path), out_dir=tmp_path / "out", timeout_s=120)
    assert done.report.stat().st_size > 20_000
    json.loads((done.folder / "claims.json").read_text(), parse_constant=refuse_constant)
