"""The page of a plan: the plan that the command prints, its order, check-list and pilot."""

import math

import pytest
from years_bench import typed, write_bench, write_params

from kit.archive.page_check import _plain_words as plain_words
from kit.claims.claim import claims_frame
from kit.claims.of_pages import make_claims
from kit.errors import UsageError
from kit.page import tables
from kit.page.view import show
from kit.planning.of_review import plan_from_params, plan_of_review
from kit.review.walk import load_review, work_out

PLAN = "template: plan.ipynb\nplan: {margin: 0.03, seed: 1, budget_minutes: 30}\n"


def planned(folder, rows, more=PLAN, **how):
    write_bench(folder, rows, **how)
    path = write_params(folder, more)
    review = load_review(path)
    return path, review, make_claims(review, work_out(review))


def some_rows():
    rows = []
    for title, level in (("dell", 100.0), ("hill", 60.0)):
        for product in ("one", "two"):
            rows += typed(product, title, level)
    return rows


def test_the_page_shows_the_plan_of_the_command(tmp_path):
    path, review, book = planned(tmp_path, some_rows())
    command, page = plan_from_params(path), plan_of_review(review)
    assert page.plan == command.plan and page.order == command.order
    assert page.pilot == command.pilot and page.checks == command.checks
    frame = show(book, tables.PLAN).to_frame()
    assert len(frame) == 6 and set(frame["product"]) == {"one", "two", "three"}
    for cell in page.plan.cells:
        assert book.by_id[f"plan/runs/{cell.title}/{cell.product}"].value == cell.to_run
    total = sum(cell.to_run for cell in page.plan.cells)
    assert book.by_id["plan/runs"].value == total == len(page.order) > 0
    assert book.trace_faults() == []
    words = plain_words(show(book, tables.PLAN_SUMMARY).markup).replace("\u00a0", " ")
    asked = "To resolve a margin of +3.0 % in 80 % of cases, at confidence 0.95: "
    assert f"{asked}{total} runs to make" in words


def test_every_run_of_the_order_has_a_row_to_tick(tmp_path):
    _, review, book = planned(tmp_path, some_rows())
    order = plan_of_review(review).order
    frame = claims_frame(book.of_kind("order"))
    assert [int(place) for place in frame["part"]] == list(range(1, len(order) + 1))
    assert list(zip(frame["product"], frame["title"], frame["text"], strict=True)) == [
        (run.product, run.title, f"{run.number}") for run in order
    ]
    assert plain_words(show(book, tables.PIECES["run_order"]).markup).count("Product Three") == sum(
        run.product == "three" for run in order
    )


def test_the_check_list_is_printed_whole(tmp_path):
    _, review, book = planned(tmp_path, some_rows())
    words = plain_words(show(book, tables.PIECES["checklist"]).markup)
    checks = plan_of_review(review).checks
    cautions = [line.removeprefix("[ ] ") for line in checks[checks.index("Cautions") + 1 :]]
    assert len(cautions) == 8
    for line in (*cautions, "memory", "Product Two: 32"):
        assert line in words
    assert words.index("Alike on every machine") < words.index("Titles and settings")
    boxes = sum(line.lstrip().startswith("[ ]") for line in checks)
    assert words.count("\u2610") == boxes > 20


def test_the_pilot_says_what_may_follow(tmp_path):
    _, _, book = planned(tmp_path, some_rows())
    words = plain_words(show(book, tables.PILOT).markup)
    assert "reached in 2 margins" in words and "too few runs to tell in 2" in words
    assert "adding runs until it turns out is not allowed" in words
    _, _, book = planned(tmp_path / "new", [])
    words = plain_words(show(book, tables.PILOT).markup)
    assert words == "No product has two runs of a title yet, so there is no pilot to look at."


def test_a_bench_without_runs_is_planned_by_the_stated_default(tmp_path):
    _, review, book = planned(tmp_path, [])
    plan = plan_of_review(review).plan
    assert {cell.sd_from for cell in plan.cells} == {"default"}
    assert book.by_id["plan/runs/dell/one"].value >= 3
    assert "The Dell" in show(book, tables.PLAN).markup


def test_what_no_margin_resolves_says_none(tmp_path):
    gone = PLAN.replace("seed: 1", "seed: 1, cannot_run: [three]")
    _, review, book = planned(tmp_path, some_rows(), gone)
    margins = [m for m in plan_of_review(review).plan.margins if m.baseline == "three"]
    assert all(math.isinf(m.smallest_ratio) for m in margins)
    said = book.by_id["plan/smallest/dell/one-over-three"]
    assert (said.is_figure, said.value, said.text) == (False, None, "none, however large")
    words = plain_words(show(book, tables.PLAN_MARGINS).markup)
    assert "none, however large" in words and "unbounded" not in words
    assert "Against Product Three the power asked for is not reached in The Dell, The Hill" in words


def test_runs_of_scores_and_durations_count_too(tmp_path):
    rows = some_rows() + typed("one", "task", 50.0, kind="value")
    rows += typed("two", "task", 60.0, kind="value") + typed("one", "fan", 36.0, kind="value")
    _, review, book = planned(tmp_path, rows, kinds=True)
    have = {(c.product, c.title): c.have for c in plan_of_review(review).plan.cells}
    assert have["one", "task"] == have["two", "task"] == 3
    assert have["three", "task"] == have["one", "score"] == 0
    assert "Fan is not planned" in plain_words(show(book, tables.PLAN_SUMMARY).markup)


def test_where_a_budget_goes_is_shown(tmp_path):
    _, _, book = planned(tmp_path, some_rows())
    assert "best spent on" in show(book, tables.BUDGET).markup
    _, _, book = planned(tmp_path / "none", [], PLAN.replace(", budget_minutes: 30", ""))
    assert "best spent on" not in show(book, tables.BUDGET).markup


def test_without_a_plan_in_params_the_page_says_so(tmp_path):
    with pytest.raises(UsageError, match="no section `plan`"):
        planned(tmp_path, some_rows(), "template: plan.ipynb\n")
