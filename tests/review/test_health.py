"""How a bench stands: stale runs, gaps, spread, and what to run first."""

import dataclasses
import math

import pytest
from years_bench import typed, write_bench, write_params

from kit.archive.figures import plain_words
from kit.claims.claim import trace_faults
from kit.claims.of_pages import make_claims
from kit.page import tables
from kit.page.view import show
from kit.review.health import find_gaps, measure_health, rank_tasks
from kit.review.walk import load_review, work_out

TEMPLATE = "template: bench_health.ipynb\n"


def bench_rows():
    """Product two is of March with an old driver; three lacks a title and has one run in one."""
    rows = []
    for title, level in (("dell", 100.0), ("hill", 60.0)):
        rows += typed("one", title, 1.2 * level)
        rows += typed("two", title, level, began="2026-03-01", driver="50")
    return rows + typed("three", "dell", 90.0, driver="r7", steps=(0.0,))


@pytest.fixture
def health(tmp_path):
    def make(rows, more=""):
        write_bench(tmp_path, rows)
        review = load_review(write_params(tmp_path, TEMPLATE + more))
        results = work_out(review)
        return review, results, measure_health(review, results)

    return make


def test_stale_runs_are_those_before_the_version_and_by_age(health):
    _, _, found = health(bench_rows())
    assert {(s.product, s.title) for s in found.stale} == {("two", "dell"), ("two", "hill")}
    stale = found.stale[0]
    assert stale.days == 254 and stale.newest.isoformat() == "2026-03-01"
    assert "driver is 50; runs made later have 52, in every title" in stale.reason
    assert "254 days or more older" in stale.reason


def test_another_makers_driver_is_not_a_later_version(health):
    # Product three is another maker's: its driver r7 says nothing of 52, nor the other way round.
    _, _, found = health(bench_rows())
    assert not [s for s in found.stale if s.product == "three"]


def test_versions_of_titles_are_compared_within_the_title(health, tmp_path):
    rows = bench_rows()
    for row in rows:
        if row["run"].startswith("one-hill"):  # a later run, in a title with versions of its own
            row["began"] = row["began"].replace("11-10", "11-11")
    write_bench(tmp_path, rows)
    sheet = tmp_path / "bench" / "runs.csv"
    lines = sheet.read_text().splitlines()
    patch = {"one-dell": "3.1", "three-dell": "3.0", "one-hill": "1.0"}
    lines = [lines[0] + ",title_version"] + [
        line + "," + next((v for k, v in patch.items() if line.startswith(k)), "")
        for line in lines[1:]
    ]
    # Product three ran the dell a day earlier, in its version before.
    sheet.write_text("\n".join(lines).replace("three-2026-11-10", "t")
                     .replace(",2026-11-10T10:01:00+00:00,t", ",2026-11-09T10:01:00+00:00,t")
                     + "\n")  # fmt: skip
    review = load_review(write_params(tmp_path, TEMPLATE))
    found = measure_health(review, work_out(review))
    (stale,) = [s for s in found.stale if s.product == "three"]
    assert stale.title == "dell"
    assert stale.reason == "title version is 3.0; runs made later have 3.1"


def test_gaps_say_why(health):
    rows = bench_rows()
    rows.append({"run": "three-hill-1", "product": "three", "title": "hill", "status": "crashed",
                 "reason": "stopped with a message"})  # fmt: skip
    review, _, found = health(rows)
    assert [(g.product, g.title, g.reason) for g in found.gaps] == [
        ("three", "hill", "crashed: stopped with a message")
    ]
    _, _, without = health(bench_rows())
    assert [(g.product, g.reason) for g in without.gaps] == [("three", "never run")]
    assert find_gaps(review) == found.gaps


def test_what_to_run_first_is_ranked_and_counted(health):
    review, _, found = health(bench_rows())
    first, second = found.tasks
    # Two: both titles stale, three runs each of 4 s and 60 s (launches and hill's own planned 4 s).
    assert (first.place, first.product, first.runs) == (1, "two", 6)
    assert first.why == "2 titles stale" and first.margins == 2
    assert first.minutes == pytest.approx(6 * (60 + 4) / 60)
    # Three: two more runs in the dell, three in the hill; as many margins, but nothing old.
    assert (second.product, second.runs, second.margins) == ("three", 5, 2)
    assert second.why == "1 title without a used run, 1 title with too few runs"
    gone = "plan: {margin: 0.03, seed: 1, cannot_run: [two]}\n"
    _, _, rest = health(bench_rows(), gone)
    assert [t.product for t in rest.tasks] == ["three"]
    assert rank_tasks(review, (), ())[0].product == "three"  # too few runs are left


def test_among_equals_the_oldest_runs_come_first(health):
    rows = [r for r in bench_rows() if r["product"] != "three"]
    for title in ("dell", "hill"):
        rows += typed("three", title, 50.0, began="2025-12-01", driver="r7")
    _, _, found = health(rows)
    assert [(t.product, t.margins) for t in found.tasks] == [("three", 2), ("two", 2)]


def test_claims_of_the_page_are_its_own_and_lead_to_runs(health):
    review, results, found = health(bench_rows())
    book = make_claims(review, results)
    assert {c.kind for c in book.figures} == {
        "run", "spread", "component", "count", "task", "cell", "run_over_mean",
    }  # fmt: skip
    assert trace_faults(book) == []
    assert book.by_id["count/health/stale"].value == 2
    assert book.by_id["task/runs/two"].text == "6"
    repeat = next(r for r in found.repeats if (r.title, r.metric) == ("hill", "average_fps"))
    claim = book.by_id["spread/average_fps/hill/repeatability"]
    assert claim.value == repeat.repeatability_limit
    # The steps -0.4 %, 0, +0.4 % have a standard deviation of 0.004; ISO 5725-6 has the 2.8.
    assert repeat.run_sd == pytest.approx(0.004, rel=1e-4)
    assert claim.value == pytest.approx(math.exp(2.8 * 0.004), rel=1e-5)
    assert claim.text == "1.1\u00a0%"


def test_the_page_says_what_it_found(health):
    review, results, _ = health(bench_rows())
    book = make_claims(review, results)
    stale = plain_words(show(book, tables.stale).markup)
    assert "Product Two all 2026-03-01" in stale
    tasks = plain_words(show(book, tables.TASKS).markup)
    assert "Product Two 2 titles stale all 6 6 2" in tasks
    spread = show(book, tables.SPREAD).to_frame()
    assert set(spread["title"]) == {"dell", "hill"}


def test_a_bench_with_nothing_to_do_says_so(health):
    rows = [r for r in bench_rows() if r["product"] == "one"]
    for title, level in (("dell", 90.0), ("hill", 50.0)):
        rows += typed("two", title, level)
        rows += typed("three", title, level)
    review, results, found = health(rows)
    assert (found.stale, found.gaps, found.tasks) == ((), (), ())
    book = make_claims(review, results)
    words = plain_words(show(book, tables.TASKS).markup)
    assert words == "Nothing asks to be run again."
    assert [f.name for f in dataclasses.fields(found)] == ["repeats", "components", "gaps", "stale",
                                                           "tasks"]  # fmt: skip
    assert found.tasks_frame().empty and found.gaps_frame().empty and found.stale_frame().empty
