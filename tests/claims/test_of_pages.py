"""Results to claims: every figure of a small review, its identity and its trace."""

import csv
import shutil
from pathlib import Path

import pytest

from kit.archive.remake import _recompute_review
from kit.claims.claim import Claim
from kit.claims.of_pages import make_claims
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
    assert made[2].trace_faults() == []


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
    book = _recompute_review(ROOT / "params" / "demo.yaml", ROOT / "example_runs").book
    assert book.to_json() == made[2].to_json()


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


def test_every_id_is_built_from_the_claims_own_fields(made):
    for claim in made[2].claims:
        fields = {n: getattr(claim, n) for n in ("metric", "product", "baseline", "title")}
        more = {"group": claim.group, "part": claim.part, "run": (*claim.runs, *claim.set_aside)}
        more["run"] = more["run"][0] if more["run"] else ""
        assert Claim.id_of(claim.kind, **fields, **more) == claim.id


def test_a_claim_of_an_unknown_kind_is_refused_by_name():
    with pytest.raises(ValueError, match="no kind of claim is called 'margn'; there are run, cell"):
        Claim.id_of("margn")


class TestStatements:
    """What the page says in words: every piece of it is a claim without a value."""

    def test_they_have_words_and_no_value(self, made):
        said = [claim for claim in made[2].claims if not claim.is_figure]
        assert len(said) > 250
        for claim in said:
            assert claim.text and claim.value is None and claim.low is None, claim.id
            assert claim not in made[2].figures

    def test_controls_and_waivers(self, made):
        review, _, book = made
        for (control, product), values in review.controls.values.items():
            (claim,) = book.of_kind("control", metric=control, product=product)
            assert claim.text == ", ".join(values)
        assert [c.metric for c in book.of_kind("waiver")] == [
            m.control for m in review.controls.mismatches
        ]

    def test_every_flag_with_its_action(self, made):
        review, _, book = made
        flags = [(f.rule, f.action, f.reason) for f in review.screened.flags]
        assert len(flags) > 200
        assert flags == [(c.metric, c.outcome, c.text) for c in book.of_kind("flag")]

    def test_runs_set_aside_and_not_run(self, made):
        review, _, book = made
        assert {c.run: c.text for c in book.of_kind("set_aside")} == review.screened.set_aside
        failed = [row.run for row in review.rows if not row.produced]
        assert [c.run for c in book.of_kind("not_run")] == failed != []

    def test_places_on_the_frontier(self, made):
        _, results, book = made
        places = [(s.kind, s.product, s.frontier) for s in results.value.standings]
        found = [(c.group, c.product, c.outcome) for c in book.of_kind("frontier")]
        assert found == places
        assert len(book.of_kind("not_weighed")) == len(results.value.left_out) > 0

    def test_titles_left_out_and_same_titles(self, made):
        review, results, book = made
        mine = [
            s
            for s in results.suites
            if (s.product, s.metric, s.suite) == (review.params.product, "average_fps", "all")
        ]
        left = [(s.baseline, title, why) for s in mine for title, why in s.left_out.items()]
        assert left == [(c.baseline, c.title, c.text) for c in book.of_kind("left_out")] != []
        joint = [s.baseline for s in mine if s.every_title in {"ahead", "behind", "level"}]
        assert joint == [c.baseline for c in book.of_kind("every_title")] != []
        same = [c for c in results.closures if len(set(c.own_titles)) == 1]
        assert len(book.of_kind("same_titles")) == sum(c.metric == "average_fps" for c in same)


def test_lows_by_each_definition_are_claims(made):
    review, _, book = made
    lows = book.of_kind("low")
    assert len(lows) >= 60
    for claim in lows:
        assert claim.value == review.metrics[claim.run].lows[claim.group][claim.metric]
    assert {claim.group for claim in lows} == {"percentile", "slowest_share", "time_share"}


def test_each_run_against_its_cell(made):
    _, results, book = made
    found = book.of_kind("run_over_mean")
    assert len(found) > 30
    for claim in found:
        cell = results.cell(claim.product, claim.title, claim.metric)
        value = dict(zip(cell.runs, cell.values, strict=True))[claim.run]
        assert claim.value == pytest.approx(value / cell.value, rel=1e-15)


def test_names_of_what_claims_tell_by_id(made):
    _, _, book = made
    assert book.name("group", "all", kind="suite") == "all shared titles"
    assert book.name("group", "street", kind="price") == "street prices"
    assert book.name("product", book.product) == book.own_name != book.product
    assert book.name("metric", "low_1pct_fps", kind="cell") == "1 % low"
    control = next(iter(book.names["controls"]))
    assert book.name("metric", control, kind="control") == book.names["controls"][control]
    assert book.name("title", "nowhere") == "nowhere"
    assert book.name("outcome", "ahead") == "ahead"
