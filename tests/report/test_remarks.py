"""What `check` says of settings and times that leave a review open to doubt."""

from __future__ import annotations

from dataclasses import replace

import pytest
from small_bench import small_bench, walk

from kit.report.remarks import remarks_on


def remarks(made, folder) -> str:
    review, results, _ = walk(made, folder)
    return "\n".join(remarks_on(review, results))


def begun(made, when):
    return made.with_runs(lambda run: replace(run, **when(run)))


def in_blocks(run):
    day = 10 + int(run.product[1])
    return {"began": f"2026-11-{day}T{10 + int(run.run[-1])}:00:00+00:00", "session": ""}


def in_turns(run):
    hour = 10 + int(run.run[-1])
    return {"began": f"2026-11-10T{hour}:0{run.product[1]}:00+00:00", "session": ""}


def test_a_review_like_any_other_has_none(tmp_path):
    assert remarks(small_bench(), tmp_path) == ""


def test_sides_run_apart_in_time_are_confounded_with_it(tmp_path):
    said = remarks(begun(small_bench(), in_blocks), tmp_path)
    assert (
        "confounded with time: p0 and p1 were run one wholly before the other in 4 titles" in said
    )
    assert "could be paired" not in said


def test_sides_that_took_turns_are_proposed_as_sessions(tmp_path):
    said = remarks(begun(small_bench(), in_turns), tmp_path)
    assert "could be paired: p0 and p1 took turns in 4 titles (4 rounds or more)" in said
    assert "confounded" not in said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"byline": "Who measured"}, "byline of params is still that of a new file"),
        ({"title": "The new part, beside the old one"}, "title of params is still that of"),
        ({"date": "2029-11-20"}, "days after its newest run"),
        ({"date": "2024-11-20"}, "days before its newest run"),
        ({"value": {"currency": "EUR", "kinds": ["used"]}}, "no product has a price of kind used"),
    ],
)
def test_settings_to_look_at(tmp_path, changes, said):
    assert said in remarks(small_bench().with_params(**changes), tmp_path)


def test_a_waiver_for_nothing(tmp_path):
    made = small_bench()
    for product in made.products.values():
        product["configuration"] = {"memory_gb": "16"}
    waiver = {"control": "memory_gb", "products": ["p1"], "reason": "Sold with no more than that."}
    said = remarks(made.with_params(controls=["memory_gb"], waivers=[waiver]), tmp_path)
    assert "the waiver of memory_gb for p1 waives nothing" in said
