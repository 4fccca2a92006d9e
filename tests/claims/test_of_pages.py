"""Results to claims: every figure of a small review, its identity and its trace."""

import csv
import shutil
from pathlib import Path

import pytest

from kit.claims.claim import claims_json, trace_faults
from kit.claims.of_pages import make_claims, recompute_claims
from kit.methods import METHODS
from kit.review.walk import load_review, work_out

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def made():
    review = load_review(ROOT / "params" / "demo.yaml")
    results = work_out(review)
    return review, results, make_claims(review, results)


def test_every_claim_has_one_id_and_a_method_of_the_catalogue(made):
    _, _, book = made
    assert len({claim.id for claim in book.claims}) == len(book.claims) > 1500
    for claim in book.claims:
        assert claim.method_version == METHODS[claim.method].version


def test_no_trace_leads_nowhere(made):
    assert trace_faults(made[2]) == []


def test_every_margin_of_the_results_is_a_claim(made):
    _, results, book = made
    for margin in results.margins:
        claim = book.by_id[
            f"margin/{margin.metric}/{margin.title}/{margin.product}-over-{margin.baseline}"
        ]
        assert (claim.value, claim.low, claim.high) == (margin.ratio, margin.low, margin.high)
        assert claim.outcome == margin.outcome
        assert claim.runs == tuple(run for cell in margin.cells for run in cell.runs)


def test_both_directions_of_a_margin_agree(made):
    _, results, _ = made
    for closure in results.closures:
        assert closure.chained == pytest.approx(closure.direct, rel=1e-12)


def test_set_aside_runs_change_no_figure_but_are_named(made):
    review, _, book = made
    aside = set(review.screened.set_aside)
    assert len(aside) >= 5
    for claim in book.claims:
        if claim.kind in {"cell", "margin", "suite", "gap"}:
            assert not aside & set(claim.runs), claim.id
    named = {run for claim in book.of_kind("cell") for run in claim.set_aside}
    assert named == aside
    assert {r.id for r in book.runs if not r.used and r.status in {"ran", "set_aside"}} == aside


def test_what_did_not_run_is_listed_with_its_reason(made):
    review, _, book = made
    failed = [row for row in review.rows if not row.produced]
    assert failed
    for row in failed:
        record = book.run_by_id[row.run]
        assert not record.used and record.reason == f"{row.status}: {row.reason}"


def test_claims_are_the_same_when_made_again(made):
    book = recompute_claims(ROOT / "params" / "demo.yaml", ROOT / "example_runs")
    assert claims_json(book) == claims_json(made[2])


def test_a_claims_id_stays_when_another_product_joins_the_bench(made, tmp_path):
    bench = tmp_path / "example_runs"
    shutil.copytree(ROOT / "example_runs", bench, ignore=shutil.ignore_patterns("*.py", "__py*"))
    with (bench / "runs.csv").open("a", encoding="utf-8", newline="") as stream:
        row = [
            "new-1",
            "peshler-12-shelf",
            "mossplaiter",
            "",
            "",
            "2026-11-02",
            "",
            "crashed",
            "would not start",
        ]
        csv.writer(stream).writerow(row)
    params = tmp_path / "params"
    params.mkdir()
    for name in ("demo.yaml", "demo.md"):
        shutil.copy(ROOT / "params" / name, params / name)
    review = load_review(params / "demo.yaml")
    again = make_claims(review, work_out(review))
    assert {c.id: c.value for c in again.claims} == {c.id: c.value for c in made[2].claims}
