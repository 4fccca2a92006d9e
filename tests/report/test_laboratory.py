"""The review an analyst holds: opened once, worked out once, with the page's own figures."""

import pytest
from small_bench import small_bench, write_bench

import kit
from kit.claims.claim import claims_json
from kit.claims.of_pages import recompute_claims
from kit.review import walk


@pytest.fixture(scope="module")
def params(tmp_path_factory):
    return write_bench(small_bench(), tmp_path_factory.mktemp("laboratory"))


def test_its_claims_are_those_a_verifier_recomputes(params):
    opened = kit.open_review(params)
    again = recompute_claims(params, params.parent / opened.review.params.bench)
    assert claims_json(opened.claims) == claims_json(again) and len(again.claims) > 100
    assert "3 products, 4 titles, 48 of 48 runs used" in repr(opened)


def test_results_are_worked_out_when_asked_for_and_once(params, monkeypatch):
    done = []

    def counted(review):
        done.append(review)
        return walk.work_out(review)

    monkeypatch.setattr("kit.report.laboratory.work_out", counted)
    opened = kit.open_review(params)
    assert done == []
    assert opened.results is opened.results and opened.claims is opened.claims
    assert done == [opened.review]


def test_health_and_look_are_of_the_same_runs(params):
    opened = kit.open_review(params)
    assert kit.bench_health(params).gaps == ()
    look = kit.look(params)
    shown = [run.run for run in look.runs]
    assert shown and set(shown) <= {row.run for row in opened.review.rows}


def test_faults_come_on_opening(tmp_path):
    bad = tmp_path / "bad.yaml"
    bad.write_text("format: marginbook-params/1\n", encoding="utf-8")
    with pytest.raises(kit.KitError, match=r"bad\.yaml"):
        kit.open_review(bad)
