"""A folder of logs guessed whole, as README's step 6 has it; where names do not tell, refused."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from kit.bench.evidence import check_evidence
from kit.bench.intake import guess_folder, take_guess
from kit.bench.runs import RunSheet, SheetText
from kit.cli import app
from kit.errors import UsageError
from kit.settings.bench_file import read_bench
from kit.settings.starting import start_bench, start_params

STYLES = {
    "accelerator-a_canyon_1.csv.gz": "{product}_{title}_{n}.csv.gz",
    "a/canyon-1.csv": "{product}/{title}-{n}.csv",
    "A B/Canyon Road/3 1.csv": "{product}/{title}/3 {n}.csv",
    "monday": "monday/{product}_{title}_{n}.csv",
}


@pytest.fixture
def bench(tmp_path) -> Path:
    folder = tmp_path / "Prüf stand" / "my bench"
    start_bench(folder)
    return folder


def record(
    folder: Path, pattern: str, *, products: list[str], titles: list[str]
) -> dict[Path, float]:
    """Write logs in another layout than the new bench's; return each log's mean frame time."""
    rng = np.random.default_rng(4)
    means = {}
    for product in products:
        for title in titles:
            for n in range(1, 4):
                path = folder / pattern.format(product=product, title=title, n=n)
                path.parent.mkdir(parents=True, exist_ok=True)
                ms = np.round(16 + rng.random(200), 3)
                text = "frame;ms_shown;power_w\n" + "".join(
                    f"{i};{v};40.0\n" for i, v in enumerate(ms)
                )
                data = text.encode()
                path.write_bytes(gzip.compress(data) if path.suffix == ".gz" else data)
                means[path] = float(ms.mean())
    return means


@pytest.mark.parametrize("style", STYLES)
def test_the_step_as_readme_prints_it(bench, tmp_path, style):
    products = ["accelerator-a", "accelerator-b"] if "accel" in style else ["A 1", "B 2"]
    products = products if " " in style or "accel" in style else ["a", "b"]
    today = tmp_path / "logs of today"
    means = record(today, STYLES[style], products=products, titles=["canyon", "weir"])
    (today / "notes.pdf").write_bytes(b"%PDF-1.7")
    done = CliRunner().invoke(
        app, ["add", str(bench), str(today), "--guess", "--session", "monday", "--yes"]
    )
    assert done.exit_code == 0, done.output
    assert "12 added, 0 not" in done.output and "notes.pdf: passed over, no log" in done.output
    read = read_bench(bench)
    rows = RunSheet(read).rows
    assert len(rows) == 12 and len({(r.product, r.title) for r in rows}) == 4
    assert {r.session for r in rows} <= {"monday", "1", "2", "3"}
    for run in [row.read(read) for row in rows]:
        assert min(abs(run.log.frame_ms.mean() - mean) for mean in means.values()) < 1e-9
    assert check_evidence(bench, depth="full").differences == ()


def test_known_products_and_titles_are_found_by_id_or_name_wherever_they_stand(bench, tmp_path):
    today = tmp_path / "today"
    record(
        today,
        "{title}/{product}_{n}.csv",
        products=["new-part", "old-part"],
        titles=["A fixed scene"],
    )
    guess = guess_folder(bench, today)
    assert {(f["product"], f["title"]) for f in guess.fields.values()} == {
        ("new-part", "my-scene"), ("old-part", "my-scene"),
    }  # fmt: skip
    assert set(guess.new) == {"layouts"}
    assert "part 1 of path and name, title: A fixed scene" in guess.parts


def test_a_dry_run_and_a_no_write_nothing(bench, tmp_path):
    today = tmp_path / "today"
    record(today, "{product}_{title}_{n}.csv", products=["a", "b"], titles=["weir"])
    before = {p: p.read_bytes() for p in bench.rglob("*") if p.is_file()}
    words = ["add", str(bench), str(today), "--guess"]
    assert CliRunner().invoke(app, [*words, "--dry-run"]).exit_code == 0
    refused = CliRunner().invoke(app, words, input="n\n")
    assert refused.exit_code == 2 and "nothing was taken in" in refused.output
    assert {p: p.read_bytes() for p in bench.rglob("*") if p.is_file()} == before


def test_names_that_do_not_tell_are_refused(bench, tmp_path):
    today = tmp_path / "today"
    record(today, "{n}.csv", products=["a"], titles=["weir"])
    with pytest.raises(UsageError, match="cannot tell product and title from names such as 1"):
        guess_folder(bench, today)
    with pytest.raises(UsageError, match="there is no log in it"):
        (tmp_path / "empty").mkdir()
        take_guess(bench, guess_folder(bench, tmp_path / "empty"))


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_planned_sheet_gives_each_log_its_row(bench, tmp_path, ending):
    """Logs named as the sheet says, whatever their ending, get product, title and session of it."""
    params = tmp_path / "Prüf stand" / "mine.yaml"
    start_params(params)
    text = params.read_text(encoding="utf-8").replace("../mybench", "my bench")
    params.write_text(text + "plan:\n  margin: 0.03\n  seed: 1\n", encoding="utf-8")
    sheet = tmp_path / f"to run.{ending}"
    words = ["plan", str(params), "--sheet", str(sheet)]
    assert CliRunner().invoke(app, words).exit_code == 0
    assert "is there already" in CliRunner().invoke(app, words).output
    planned = SheetText.read(sheet, file=sheet.name)
    rows = [dict(zip(planned.header, cells, strict=True)) for _, cells in planned.rows]
    assert len(rows) >= 4 and {r["product"] for r in rows} == {"new-part", "old-part"}
    today = tmp_path / "today"
    today.mkdir()
    for row in rows[:3]:
        (today / f"{row['file']}.csv").write_text(f"frame_time_ms\n1{row['position']}.5\n16.25\n")
    (today / "stray.csv").write_text("frame_time_ms\n16.5\n16.25\n")
    done = CliRunner().invoke(app, ["add", str(bench), str(today), "--index", str(sheet)])
    assert done.exit_code == 0, done.output
    assert "3 added, 1 not" in done.output and "does not name it" in done.output
    taken = RunSheet(read_bench(bench)).rows
    found = {(t.product, t.title, t.session, t.conditions["position"]) for t in taken}
    wanted = {(r["product"], r["title"], r["session"], r["position"]) for r in rows[:3]}
    assert found == wanted and "done" not in {n for t in taken for n in t.conditions}


def test_only_logs_the_sheet_does_not_name_are_asked_about(bench, tmp_path):
    """One log is called as the sheet says, one by product and title, one by nothing it knows."""
    sheet = tmp_path / "to run.csv"
    rows = [(p, f"{p}_my-scene_{n}") for n in (1, 2) for p in ("new-part", "old-part")]
    sheet.write_text(
        "done,position,session,product,title,file,note\n"
        + "".join(f",{i},s,{p},my-scene,{file},\n" for i, (p, file) in enumerate(rows, 1))
    )
    today = tmp_path / "today"
    today.mkdir()
    for i, name in enumerate(["new-part_my-scene_1", "old-part-my-scene-late", "rec0007", "x"]):
        (today / f"{name}.csv").write_text(f"frame_time_ms\n1{i}.5\n16.25\n")
    words = ["add", str(bench), str(today), "--index", str(sheet), "--guess"]
    # Enter takes the likely row; of rec0007 a line that is taken, then one that is open; x is left.
    done = CliRunner().invoke(app, words, input="\n3\n5\n\n")
    assert done.exit_code == 0, done.output
    assert "new-part_my-scene_1.csv is not named there" not in done.output
    assert "line (0: none) [3]" in done.output and "line 3 is not open" in done.output
    assert "3 added, 1 not" in done.output and "x.csv: passed over" in done.output
    taken = {t.log: (t.product, t.conditions["position"]) for t in RunSheet(read_bench(bench)).rows}
    assert taken == {
        "logs/new-part_my-scene_1.csv": ("new-part", "1"),
        "logs/old-part-my-scene-late.csv": ("old-part", "2"),
        "logs/rec0007.csv": ("old-part", "4"),
    }
    again = CliRunner().invoke(app, [*words, "--yes"])  # rows the bench has are open no more
    assert "0 added, 4 not" in again.output
    (today / "old-part_my-scene_1.log").write_text("frame_time_ms\n16.5\n16.25\n")
    (today / "old-part_my-scene_1.csv").write_text("frame_time_ms\n17.5\n16.25\n")
    two = CliRunner().invoke(app, ["add", str(bench), *map(str, sorted(today.glob("old-part_*"))),
                                   "--index", str(sheet)])  # fmt: skip
    assert two.exit_code == 3 and "line 3, as old-part_my-scene_1.csv is" in two.output


def test_a_log_of_several_runs_has_a_row_of_the_index_for_each(bench, tmp_path):
    start = "ms,pass\n"
    (tmp_path / "day.csv").write_text(
        start + "".join(f"{10 + p}.{i % 7},{p}\n" for p in (1, 2) for i in range(90))
    )
    CliRunner().invoke(app, ["new", "layout", str(tmp_path / "day.csv"), "--write", str(bench)])
    index = tmp_path / "index.csv"
    index.write_text(
        "file,part,product,title\nday.csv,1,old-part,my-scene\nday.csv,2,new-part,my-scene\n"
    )
    done = CliRunner().invoke(app, ["add", str(bench), "--index", str(index)])
    assert done.exit_code == 0, done.output
    taken = [(t.part, t.product) for t in RunSheet(read_bench(bench)).rows]
    assert taken == [("1", "old-part"), ("2", "new-part")]


def test_runs_inside_a_log_are_told_before_they_are_taken_in(bench, tmp_path):
    today = tmp_path / "Größe Süd"
    (today / "Reiher").mkdir(parents=True)
    for n in (1, 2):
        rows = [f"{12 + i % 7}.{i % 5}{n}1;{'Menü' if i < 90 else 'Lauf'}\n" for i in range(300)]
        (today / "Reiher" / f"Höhle-{n}.csv").write_text("ms;scene\n" + "".join(rows))
    words = ["add", str(bench), str(today), "--guess"]
    done = CliRunner().invoke(app, words, input="y\n")
    assert done.exit_code == 0, done.output
    before, _, after = done.output.partition("Take them in so?")
    assert "under parts, keep; else each is taken in: Menü, Lauf" in before
    assert "4 added, 0 not" in after
    taken = RunSheet(read_bench(bench)).rows
    assert {(t.product, t.title) for t in taken} == {("reiher", "hohle")}
    assert [t.run for t in taken][:2] == ["reiher-hohle-1-Menu", "reiher-hohle-1-Lauf"]


def test_what_cannot_be_read_is_passed_over_by_name_with_the_reason(bench, tmp_path):
    today = tmp_path / "today"
    record(today, "{product}_{title}_{n}.csv", products=["a"], titles=["weir"])
    rows = [f"{i},16.{i % 7}" for i in range(90)]
    rows[50] = "50,n/a"
    (today / "a_weir_9.csv").write_text("frame,frame_time_ms\n" + "\n".join(rows))
    (today / "a_weir_8.csv").write_text("")
    said = guess_folder(bench, today).to_lines()
    assert any(line.startswith("a_weir_8.csv: passed over, the file is empty") for line in said)
    assert any("a_weir_9.csv: passed over, line 52" in line and "'n/a'" in line for line in said)


def test_what_a_new_layout_leaves_unsure_stands_in_the_table(bench, tmp_path):
    """Whole numbers may be milliseconds, or frames of each second."""
    today = tmp_path / "today"
    today.mkdir()
    (today / "a_weir_1.log").write_text("".join(f"{i} {60 + i % 3}\n" for i in range(90)))
    said = guess_folder(bench, today).to_lines()
    assert any("look at this: but whole numbers without a unit, as counts" in line for line in said)


def test_what_a_guess_shows_is_what_most_names_have(bench, tmp_path):
    today = tmp_path / "today"
    record(today, "{product}_{title}_{n}.csv", products=["a_x", "b_y"], titles=list("pqrst"))
    record(today, "{product}_{title}_{n}.csv", products=["c"], titles=["p"])
    guess = guess_folder(bench, today)
    assert len(guess.fields) == 30
    assert [path.name for path, why in guess.over] == ["c_p_1.csv", "c_p_2.csv", "c_p_3.csv"]
    assert guess.parts[:4] == (
        "part 1 of path and name, product: a, b",
        "part 2 of path and name, title: x, y",
        "part 3 of path and name, session: p, q, r, s",
        "part 4 of path and name, pass: 1, 2, 3",
    )
    assert guess.new["products"]["b"] == {"name": "B", "class": "unclassed"}
    assert guess.new["titles"]["x"] == {"name": "X"}
    lines = guess.to_lines()
    assert lines[0] == "30 logs below today" and "new in bench.yaml, titles: x, y" in lines
