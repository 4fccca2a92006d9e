"""`check` and `plan` as objects: on the demo, and on small benches with something left open."""

import datetime as dt
import io
import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from small_bench import small_bench, walk, write_bench
from typer.testing import CliRunner

from kit.bench.acts import adopt
from kit.bench.journal import By
from kit.claims.bound_text import bind_review_text, bind_text
from kit.claims.of_pages import make_claims
from kit.cli import app
from kit.errors import RunFileError, TextError, UsageError
from kit.planning.of_review import plan_from_params
from kit.report.check import _remarks_on, check_review
from kit.screening.flags import View
from kit.screening.title_rules import RULES as TITLE_RULES

ROOT = Path(__file__).parents[2]


def test_check_tells_what_the_review_would_rest_on(demo):
    report = check_review(ROOT / "params" / "demo.yaml")
    assert report.used == len(demo.review.used) and report.runs == len(demo.review.rows)
    assert dict(report.set_aside) == dict(demo.review.screened.set_aside)
    assert report.figures_in_text >= 10
    assert report.to_dict()["ok"] and report.to_lines()[0] == "demo: no faults"


def test_thousands_of_runs_are_told_on_one_screen(demo):
    report = check_review(ROOT / "params" / "demo.yaml")
    runs = tuple((f"run-{i}", "why") for i in range(5000))
    words = tuple(map(str, range(5000)))
    stale = report.health.stale[0]
    cells = tuple(replace(stale, product=f"p{i}") for i in range(5000))
    health = replace(report.health, stale=cells, tasks=report.health.tasks * 1000)
    large = replace(
        report, set_aside=runs, failed=runs, remarks=words, drift=words, health=health
    )  # fmt: skip
    lines = large.to_lines()
    assert len(lines) <= 50 and lines.count("  and 4995 more (--json lists all)") == 5
    assert len(large.to_dict()["set_aside"]) == 5000


def test_the_claims_of_a_text_bind_it_as_all_claims_do(demo):
    few = make_claims(demo.review, demo.results, for_text=True)
    assert {*few.claims} < {*demo.book.claims} and len(few.claims) < 0.7 * len(demo.book.claims)
    bound, alike = (bind_review_text(demo.review.loaded, book) for book in (demo.book, few))
    assert bound == alike and len(bound.references) > 10
    untold = demo.review.loaded.params.model_copy(update={"text": None})
    silent = replace(demo.review, loaded=replace(demo.review.loaded, params=untold))
    assert {c.kind for c in make_claims(silent, demo.results, for_text=True).claims} <= {"drift"}


def test_check_binds_the_text_too(tmp_path, demo):
    params = (ROOT / "params" / "demo.yaml").read_text(encoding="utf-8")
    path = tmp_path / "demo.yaml"
    path.write_text(params.replace("../example_runs", str(ROOT / "example_runs")), encoding="utf-8")
    source = "It is 12 % faster, by {{margin nobody over nothing in none}}.\n"
    (tmp_path / "demo.md").write_text(source, encoding="utf-8")
    with pytest.raises(TextError, match=r"demo\.md, line 1") as checked:
        check_review(path)
    with pytest.raises(TextError) as run:  # the nearest name among all claims, as `run` says it
        bind_text(source, demo.book, file="demo.md")
    assert checked.value.faults == run.value.faults


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


# What `check` says of settings and times that leave a review open.


def remarks(made, folder) -> str:
    review, results, _ = walk(made, folder)
    return "\n".join(_remarks_on(review, results))


def begun(made, when):
    return made.with_runs(lambda run: replace(run, **when(run)))


def in_blocks(run):
    day = 10 + int(run.product[1])
    return {"began": f"2026-11-{day}T{10 + int(run.run[-1])}:00:00+00:00", "session": ""}


def in_turns(run):
    hour = 10 + int(run.run[-1])
    return {"began": f"2026-11-10T{hour}:0{run.product[1]}:00+00:00", "session": ""}


def test_a_log_that_is_gone_does_not_hide_those_that_were_altered(tmp_path):
    params = write_bench(small_bench(), tmp_path)
    adopt(tmp_path / "bench", by=By("a", "2026-11-30T10:00:00+00:00", "old"))
    gone, scaled, ends, *_ = sorted((tmp_path / "bench" / "logs").iterdir())
    gone.unlink()
    scaled.write_bytes(scaled.read_bytes().replace(b"1", b"2", 9))
    ends.write_bytes(ends.read_bytes().replace(b"\n", b"\r\n"))
    with pytest.raises(RunFileError) as caught:
        check_review(params)
    told = [fault.message for fault in caught.value.faults]
    assert len(told) == 3 and f'no such file "logs/{gone.name}"' in told[0]
    assert "was altered after it was taken in" in told[1] and "other line ends" in told[2]


def test_a_review_like_any_other_has_none(tmp_path):
    assert remarks(small_bench(), tmp_path) == ""


def test_sides_run_apart_in_time_are_flagged_as_confounded_with_it(tmp_path):
    """Common practice of designed experiments: what is not alternated is confounded with time."""
    made = begun(small_bench(), in_blocks)
    review, results, book = walk(made, tmp_path / "apart")
    flags = [f for f in review.screened.flags if f.rule == "separate_blocks"]
    assert [(f.product, f.title, f.action) for f in flags] == [("p0", "", "flag")] * 2
    assert flags[0].reason == (
        "confounded with time: p0 and p1 were run one wholly before the other in 4 titles; what "
        "changed meanwhile is in their margins"
    )
    assert book.get("flag/separate_blocks/p0") and book.get("flag/separate_blocks/p0/2")
    assert "could be paired" not in "\n".join(_remarks_on(review, results))
    day = dt.datetime(2026, 11, 10)
    first = [f"p{p}-t0-0" for p in (0, 1)]
    for name, changes, where in (
        ("a run of p0 after p1's", {"p0-t0-3": {"began": dt.datetime(2026, 11, 19)}}, "t1, t2, t3"),
        ("one session of both", {run: {"session": "s"} for run in first}, "4 titles"),
        ("paired", {f"p{p}-t0-{r}": {"session": f"s{r}"} for p in (0, 1) for r in (0, 1)},
         "t1, t2, t3"),
        ("days alone", {run: {"began": day} for run in first}, "t1, t2, t3"),
    ):  # fmt: skip
        rows = tuple(replace(row, **changes.get(row.run, {})) for row in review.rows)
        seen = View(rows, rows, {}, review.bench, review.params)
        (separate,) = (rule.find for rule in TITLE_RULES if rule.name == "separate_blocks")
        reason = next(separate(seen)).reason
        assert f"p0 and p1 were run one wholly before the other in {where};" in reason, name


def test_sides_that_took_turns_are_proposed_as_sessions(tmp_path):
    review, results, _ = walk(begun(small_bench(), in_turns), tmp_path)
    said = "\n".join(_remarks_on(review, results))
    assert "could be paired: p0 and p1 took turns in 4 titles (4 rounds or more)" in said
    assert "separate_blocks" not in {f.rule for f in review.screened.flags}


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


def test_names_of_a_new_bench_are_looked_at(tmp_path):
    made = small_bench()
    made.products["p1"]["name"] = "The part under review"
    assert "p1 of bench.yaml still has the name of a new file" in remarks(made, tmp_path)


@pytest.mark.parametrize("template", ["nothere.ipynb", "elsewhere/mine.ipynb"])
def test_a_template_that_run_would_refuse(tmp_path, monkeypatch, template):
    monkeypatch.chdir(tmp_path)
    params = small_bench().with_params(template=template)
    params = write_bench(params, tmp_path)
    if "/" in template:
        (params.parent / "elsewhere").mkdir()
        review = (ROOT / "notebooks" / "review.ipynb").read_bytes()
        (params.parent / template).write_bytes(review)
        assert "run will refuse" in "\n".join(check_review(params).remarks)
    else:
        with pytest.raises(UsageError, match="no template"):
            check_review(params)


@pytest.mark.parametrize(
    "name", ["demo.yaml", "bench.yaml", "runs.csv", "prices.csv", "journal.jsonl", "demo.md"]
)
def test_a_file_nobody_may_read_is_a_sentence(monkeypatch, name):
    def refusing(plain):
        def opened(path, *given, **more):
            if not isinstance(path, int) and Path(path).name == name:
                raise PermissionError(13, "Permission denied", os.fspath(path))
            return plain(path, *given, **more)

        return opened

    monkeypatch.setattr(io, "open", refusing(io.open))  # pathlib's, too
    done = CliRunner().invoke(app, ["check", str(ROOT / "params" / "demo.yaml")])
    assert done.exit_code in {2, 3} and name in done.output
    assert re.search("may not be read|Permission denied", done.output)


def test_a_waiver_for_nothing(tmp_path):
    made = small_bench()
    for product in made.products.values():
        product["configuration"] = {"memory_gb": "16"}
    waiver = {"control": "memory_gb", "products": ["p1"], "reason": "Sold with no more than that."}
    said = remarks(made.with_params(controls=["memory_gb"], waivers=[waiver]), tmp_path)
    assert "the waiver of memory_gb for p1 waives nothing" in said


def test_what_the_journal_misses_beside_the_review_is_in_the_first_line_and_the_status(tmp_path):
    params = write_bench(small_bench(products=2, titles=1, runs=3), tmp_path)
    bench = tmp_path / "bench"
    adopt(bench, by=By("a tester"))
    (bench / "logs" / "stray.csv").write_text("n,took\n1,16\n", encoding="utf-8")
    done = CliRunner().invoke(app, ["check", str(params)])
    assert done.exit_code == 0
    assert "made: no faults in what it rests on, but 1 in its bench (below)" in done.output
    sheet = (bench / "runs.csv").read_text(encoding="utf-8")
    (bench / "runs.csv").write_text(re.sub(r"p1-t0-2,[^\n]*\n", "", sheet), encoding="utf-8")
    (bench / "logs" / "p1-t0-2.csv").unlink()
    done = CliRunner().invoke(app, ["check", str(params)])
    assert done.exit_code == 1 and "but 3 in its bench" in done.output
    assert "logs/p1-t0-2.csv: came with entry 1" in done.output
