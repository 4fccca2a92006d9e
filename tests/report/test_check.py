"""`check` and `plan` on the demo, as objects."""

from pathlib import Path

import pytest

from kit.errors import TextError, UsageError
from kit.planning.of_review import plan_from_params
from kit.report.check import check_review

ROOT = Path(__file__).parents[2]


def test_check_tells_what_the_review_would_rest_on(demo):
    report = check_review(ROOT / "params" / "demo.yaml")
    assert report.used == len(demo.review.used) and report.runs == len(demo.review.rows)
    assert dict(report.set_aside) == dict(demo.review.screened.set_aside)
    assert report.figures_in_text >= 10
    assert report.to_dict()["ok"] and report.to_lines()[0] == "demo: no faults"


def test_check_binds_the_text_too(tmp_path):
    params = (ROOT / "params" / "demo.yaml").read_text(encoding="utf-8")
    path = tmp_path / "demo.yaml"
    path.write_text(params.replace("../example_runs", str(ROOT / "example_runs")), encoding="utf-8")
    (tmp_path / "demo.md").write_text("It is 12 % faster.\n", encoding="utf-8")
    with pytest.raises(TextError, match=r"demo\.md, line 1"):
        check_review(path)


def test_a_plan_needs_its_section_and_then_counts_runs(tmp_path):
    params = (ROOT / "params" / "demo.yaml").read_text(encoding="utf-8")
    params = params.replace("../example_runs", str(ROOT / "example_runs"))
    params = params.replace("text: demo.md", "# text: demo.md")
    path = tmp_path / "demo.yaml"
    bare = "\n".join(line for line in params.splitlines() if not line.startswith("plan:"))
    if "\nplan:" not in params:
        path.write_text(bare, encoding="utf-8")
        with pytest.raises(UsageError, match="no section `plan`"):
            plan_from_params(path)
        params += "\nplan:\n  margin: 0.02\n  seed: 1\n"
    path.write_text(params, encoding="utf-8")
    planned = plan_from_params(path)
    assert planned.plan.cells and planned.checks
    lines = planned.to_lines()
    assert "runs to make" in lines[1]
    runs = sum(cell.to_run for cell in planned.plan.cells)
    assert len(planned.to_lines(order=True) if runs else []) == runs
    checklist = "\n".join(planned.to_lines(checklist=True))
    assert "battery" in checklist and "memory" in checklist
    assert planned.to_dict()["ok"]
