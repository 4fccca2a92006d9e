"""The templates executed: by the command, opened as they are, on broken params, sealed again."""

import json
import re
import shutil
from pathlib import Path

import pytest
from margins.test_drift import RETEST, years_rows
from shown_words import codes_shown
from years_bench import logged, write_bench, write_params

pytest.importorskip("papermill")

from kit.archive.sealing import seal
from kit.archive.verifying import verify_bag
from kit.claims.claim import load_claims
from kit.report.report import _CellError, _execute_template, run_review
from kit.report.template import read_template

ROOT = Path(__file__).parents[2]
TEMPLATES = sorted(path.stem for path in (ROOT / "notebooks").glob("*.ipynb"))
PAGES = {
    "frame_times": "look: {product: two}\n",
    "bench_health": RETEST,
    "plan": "plan: {margin: 0.03, seed: 1, budget_minutes: 60, cannot_run: [three]}\n",
}
SHOWN = {
    "frame_times": ["Product Two in The Dell", "The longest of", "independent frames"],
    "bench_health": ["What to run first", "What moved since", "Product Three"],
    "plan": ["runs to make", "The Moor", "Order of the runs", "Heat sinks, exhausts"],
}


def write_project(folder: Path, page: str) -> Path:
    """Write a small bench and the params of a page into `folder`; return the params file."""
    rows = years_rows(again=("two",))
    if page == "frame_times":
        rows = logged(folder / "bench", "one", "dell", 8.0) + logged(
            folder / "bench", "two", "dell", 10.0, watt=90.0
        )
    bench = write_bench(folder, rows)
    with (bench / "bench.yaml").open("a", encoding="utf-8") as stream:
        stream.write("  moor: {name: The Moor, planned_s: 6}\n")  # nothing ran it yet
    return write_params(folder, f"template: {page}.ipynb\n{PAGES[page]}", review=page)


@pytest.fixture(scope="module", params=PAGES)
def sealed(request, tmp_path_factory):
    """One page by the command, and its bag."""
    folder = tmp_path_factory.mktemp(request.param)
    path = write_project(folder, request.param)
    done = run_review(path, out_dir=folder / "out", timeout_s=120)
    return request.param, done, seal(done.folder, to=folder / "bag").path


def test_a_page_leads_to_its_runs_and_is_sealed_and_verified(sealed):
    page, done, bag = sealed
    text = done.report.read_text(encoding="utf-8")
    for words in SHOWN[page]:
        assert words in text
    assert "<script" not in text
    assert load_claims(done.folder).trace_faults() == []
    found = verify_bag(bag)
    assert [str(f) for f in found.findings] == []
    assert found.ok


def test_no_code_reaches_a_reader(sealed):
    _, done, _ = sealed
    assert codes_shown(done.report.read_text(), load_claims(done.folder)) == set()


def test_verify_makes_every_file_of_a_page_again(sealed):
    _, done, bag = sealed
    found = verify_bag(bag)
    assert found.grade == "reproduced"
    files = [path for path in bag.rglob("*") if path.is_file()]
    assert {part.state for part in found.parts} == {"same bytes"}
    assert len(found.parts) == len(files) > len(done.files)


def test_a_figure_changed_in_a_sealed_page_is_found(sealed, tmp_path):
    page, _, bag = sealed
    bag = shutil.copytree(bag, tmp_path / "bag")
    path = bag / "data" / "claims.json"
    document = json.loads(path.read_bytes())
    own = {"frame_times": "look/", "bench_health": "drift/", "plan": "plan/runs"}[page]
    claim = next(c for c in document["claims"] if c["id"].startswith(own))
    claim["value"] += 1.0
    path.write_text(json.dumps(document), encoding="utf-8")
    found = [f for f in verify_bag(bag).findings if f.stage == "claims"]
    assert any(claim["id"] in f.path for f in found)


@pytest.mark.parametrize("template", TEMPLATES)
def test_a_template_imports_the_kit_and_its_cells_are_short(template):
    cells = json.loads((ROOT / "notebooks" / f"{template}.ipynb").read_text())["cells"]
    code = ["".join(c["source"]).splitlines() for c in cells if c["cell_type"] == "code"]
    imports = [line for lines in code for line in lines if re.match(r"(import|from) ", line)]
    more = ["import seaborn as sns"] if template == "explore" else []
    assert imports == [*more, "import kit"]
    assert max(map(len, code)) <= 4


@pytest.mark.parametrize("template", [t for t in TEMPLATES if t in {"review", *PAGES}])
def test_a_template_opened_as_it_is_shows_the_demo(template, tmp_path):
    """Run All in JupyterLab: the folder of the template, its own `params_path`, no injected one."""
    notebook = read_template(ROOT / "notebooks" / f"{template}.ipynb")
    own = next(c for c in notebook["cells"] if c["id"] == "parameters")["source"]
    assert "demo" in "".join(own)
    done = _execute_template(
        notebook, {"out_dir": str(tmp_path / "out")}, folder=ROOT / "notebooks", timeout_s=240
    )
    assert done.failure is None
    assert (tmp_path / "out" / "claims.json").is_file()
    shown = [o for c in done.notebook["cells"] if c["cell_type"] == "code" for o in c["outputs"]]
    assert sum("text/html" in o.get("data", {}) for o in shown) > 8


@pytest.mark.parametrize("template", [t for t in TEMPLATES if t in {"review", *PAGES}])
def test_broken_params_give_one_readable_line_a_fault_and_no_traceback(template, tmp_path):
    path = write_project(tmp_path, "bench_health")
    text = path.read_text(encoding="utf-8").replace("rivals: [two", "rivals: [tow")
    path.write_text(text.replace("byline:", "bylin:"), encoding="utf-8")
    shutil.copytree(ROOT / "notebooks", tmp_path / "notebooks")
    done = _execute_template(
        read_template(tmp_path / "notebooks" / f"{template}.ipynb"),
        {"params_path": str(path), "out_dir": str(tmp_path / "out")},
        folder=tmp_path / "notebooks", timeout_s=60,
    )  # fmt: skip
    assert isinstance(done.failure, _CellError) and done.failure.exit_status == 2
    (error,) = [o for c in done.notebook["cells"] for o in c.get("outputs", ())
                if o["output_type"] == "error"]  # fmt: skip
    lines = "\n".join(error["traceback"]).splitlines()
    assert len(lines) <= 2 and not any("Traceback" in line or ".py" in line for line in lines)
    assert lines[0].startswith("ParamsError: bench_health.yaml, line 4")
    assert 'unknown key "bylin"; did you mean "byline"?' in lines[0]


def test_one_fault_is_one_line_in_a_notebook(tmp_path):
    path = write_project(tmp_path, "plan")
    text = path.read_text(encoding="utf-8").replace("rivals: [two", "rivals: [tow")
    path.write_text(text, encoding="utf-8")
    shutil.copytree(ROOT / "notebooks", tmp_path / "notebooks")
    done = _execute_template(
        read_template(tmp_path / "notebooks" / "plan.ipynb"),
        {"params_path": str(path), "out_dir": str(tmp_path / "out")},
        folder=tmp_path / "notebooks", timeout_s=60,
    )  # fmt: skip
    (error,) = [o for c in done.notebook["cells"] for o in c.get("outputs", ())
                if o["output_type"] == "error"]  # fmt: skip
    assert error["traceback"] == ['ParamsError: plan.yaml, line 8, rivals[0]: no product "tow" in '
                    'bench.yaml; did you mean "two"?']  # fmt: skip


def test_two_builds_of_a_page_are_the_same_bytes(tmp_path):
    made = []
    for name in ("one", "another place"):
        path = write_project(tmp_path / name, "frame_times")
        done = run_review(path, out_dir=tmp_path / name / "out", timeout_s=120)
        made.append({file: (done.folder / file).read_bytes() for file in done.files})
    assert made[0] == made[1]


def test_the_example_params_of_each_page_are_of_that_page():
    from kit.claims.of_pages import page_of
    from kit.settings.params import load_params

    for page in PAGES:
        loaded = load_params(ROOT / "params" / f"demo-{page.replace('_', '-')}.yaml")
        assert page_of(loaded.params.template) == page
        assert loaded.params.review == loaded.path.stem
    assert page_of(load_params(ROOT / "params" / "demo.yaml").params.template) == "review"


@pytest.mark.parametrize(
    ("template", "page"),
    [("plan.ipynb", "plan"), ("plan-mine.ipynb", "plan"), ("planets.ipynb", "review"),
     ("../elsewhere/frame_times_two.ipynb", "frame_times"), ("mine.ipynb", "review")],
)  # fmt: skip
def test_a_copy_of_a_template_keeps_the_kind_of_its_page(tmp_path, template, page):
    from kit.claims.of_pages import page_of
    from kit.settings.params import load_params

    write_bench(tmp_path, years_rows())
    path = write_params(tmp_path, f"template: {template}\n")
    assert page_of(load_params(path).params.template) == page


def test_every_kind_of_page_has_its_template_charts_and_tables():
    from kit.claims.of_pages import PAGE_KINDS
    from kit.page.outputs import TABLES
    from kit.page.pictures import CHARTS

    for name, kind in PAGE_KINDS.items():
        assert (ROOT / "notebooks" / f"{name}.ipynb").is_file()
        assert set(kind.charts) <= CHARTS.keys()
        assert set(kind.tables) <= TABLES.keys()
    assert {chart for kind in PAGE_KINDS.values() for chart in kind.charts} == CHARTS.keys()


@pytest.mark.slow
def test_the_tour_runs_and_its_last_question_opens_to_the_same_claims(tmp_path):
    """`explore.ipynb` is no template of a page: an analyst copies it, nobody runs it for a report."""
    import nbclient
    import nbformat

    project = tmp_path / "project"
    for name in ("notebooks", "params"):
        shutil.copytree(ROOT / name, project / name, ignore=shutil.ignore_patterns(".*"))
    (project / "example_runs").symlink_to(ROOT / "example_runs")
    path = project / "notebooks" / "explore.ipynb"
    notebook = nbformat.read(path, as_version=4)
    nbclient.NotebookClient(
        notebook, timeout=300, resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    cells = {c["id"]: c["outputs"] for c in notebook.cells if c.cell_type == "code"}
    silent = {name for name, outputs in cells.items() if not outputs}
    assert silent == {"parameters", "imports"}
    shown = {name: outputs[-1].get("data", {}) for name, outputs in cells.items() if outputs}
    assert "0 outcome turned, 0 moved, 0 new, 0 gone" in shown["params"]["text/plain"]
    for name in ("spread", "distribution", "bands"):
        assert "image/png" in shown[name], name
    for name in ("suites", "influence-chart", "one", "overlay", "price", "trace", "text"):
        assert '<div class="marginbook">' in shown[name]["text/html"], name
        assert len(shown[name]["text/plain"].splitlines()) <= 10, name
    assert "logs, " in cells["open"][0]["text"]
    assert (project / "out" / "questions" / "without-one.yaml").is_file()
