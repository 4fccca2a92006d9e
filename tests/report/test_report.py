"""A template executed into a review's folder: what counts, what is kept, what stays untouched."""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from filelock import FileLock
from tiny_project import cell_of, copy_project, edit_template, keep_cells

from kit.errors import ExecutionError, UsageError
from kit.page.assemble import CLOSED_MIME
from kit.report.report import (
    _CellError,
    _failure,
    _KernelTimeoutError,
    _Progress,
    _scrub_notebook,
    _without_grammar,
    close_review,
    closing_of,
    run_review,
)
from kit.report.template import TemplateError, find_template


def test_scrubbing_takes_folders_addresses_and_kernel_files_out_of_every_text():
    notebook = {
        "cells": [
            {
                "id": "a",
                "cell_type": "code",
                "source": "x",
                "metadata": {"papermill": {"d": 1}},
                "execution_count": 1,
                "outputs": [
                    {
                        "output_type": "stream",
                        "name": "stderr",
                        "text": [
                            "/tmp/ipykernel_77/123.py:1: UserWarning: /home/ann/work/kit/x.py",
                            "<object at 0x7f0011223344>",
                        ],
                    }
                ],
            }
        ],
        "metadata": {"papermill": {"start_time": "now"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    clean = _scrub_notebook(notebook, {}, folders=[Path("/home/ann/work"), Path("/home/ann")])
    (cell,) = clean["cells"]
    assert cell["metadata"] == {}
    assert cell["outputs"][0]["text"] == ["cell:1: UserWarning: kit/x.py", "<object>"]
    assert "papermill" not in clean["metadata"]


def test_the_injected_cell_says_the_parameters_as_shown():
    cell = {
        "id": "random-1",
        "cell_type": "code",
        "source": "# Parameters\nparams_path = '/home/ann/x.yaml'",
        "metadata": {"tags": ["injected-parameters"]},
        "outputs": [],
        "execution_count": 2,
    }
    (clean,) = _scrub_notebook({"cells": [cell]}, {"params_path": "x.yaml"}, folders=[])["cells"]
    assert clean["id"] == "injected-parameters"
    assert clean["source"] == "params_path = 'x.yaml'"


def test_the_root_folder_is_not_a_name_to_take_out():
    cell = {"cell_type": "markdown", "id": "a", "source": "a/b", "metadata": {}}
    (clean,) = _scrub_notebook({"cells": [cell]}, {}, folders=[Path("/")])["cells"]
    assert clean["source"] == "a/b"


SAID = {"review": "r", "claims_sha256": "f0"}
CLOSED = {"output_type": "execute_result", "data": {CLOSED_MIME: SAID}}


def closing(**more):
    return {"cell_type": "code", "outputs": [CLOSED], **more}


def test_only_the_last_code_cell_closes():
    assert closing_of({"cells": [closing(), {"cell_type": "markdown"}]}) == SAID
    assert closing_of({"cells": [closing(), {"cell_type": "code", "outputs": []}]}) is None
    assert closing_of({"cells": []}) is None


def test_the_slow_grammar_is_kept_out_only_while_notebooks_are_imported():
    assert "rfc3987_syntax" not in sys.modules or sys.modules["rfc3987_syntax"] is not None
    before = sys.modules.pop("rfc3987_syntax", None)
    try:
        with _without_grammar(), pytest.raises(ImportError):
            import rfc3987_syntax  # noqa: F401
        assert "rfc3987_syntax" not in sys.modules
    finally:
        if before is not None:
            sys.modules["rfc3987_syntax"] = before


def test_a_cell_passed_over_makes_the_run_not_count_though_it_closed():
    def cells(**first):
        return [
            {"cell_type": "code", "id": "a", "source": "x", "outputs": [], **first},
            closing(id="z", source="close", execution_count=2),
        ]

    assert _failure(_Progress({"cells": cells(execution_count=1)}), 60, "") is None
    failure = _failure(_Progress({"cells": cells(execution_count=None)}), 60, "")
    assert 'cell "a" did not run' in str(failure)


QUICK = ("parameters", "imports", "load", "head", "write", "closing")


@pytest.fixture
def params(tmp_path):
    return copy_project(tmp_path / "project")


@pytest.fixture
def quick(params):
    """A project whose template shows next to nothing, so that it runs fast."""
    edit_template(params, keep_cells(*QUICK))
    return params


def run(params, **options):
    options.setdefault("out_dir", params.parent.parent / "out")
    options.setdefault("timeout_s", 60)
    return run_review(params, **options)


def set_source(params, cell_id, source):
    def edit(notebook):
        cell_of(notebook, cell_id)["source"] = source

    return edit_template(params, edit)


def hidden(folder):
    return sorted(p.name for p in folder.iterdir() if p.name.startswith(".") and p.is_dir())


# --- a run that counts ---


def test_a_run_leaves_report_claims_and_notebook(params):
    made = run(params)
    assert made.folder == params.parent.parent / "out" / "tiny"
    assert set(made.files) == {
        "charts/suite.svg",
        "claims.json",
        "executed.ipynb",
        "report.html",
        "tables/margins.csv",
    }
    assert all((made.folder / name).is_file() for name in made.files)
    digest = hashlib.sha256((made.folder / "claims.json").read_bytes()).hexdigest()
    assert made.claims_sha256 == digest
    assert digest in (made.folder / "report.html").read_text()
    assert hidden(made.folder.parent) == []


def test_two_folders_two_times_of_day_same_bytes(tmp_path, monkeypatch):
    made = []
    for name, zone in (("one", "UTC"), ("an other folder with a longer name", "Asia/Tokyo")):
        monkeypatch.setenv("TZ", zone)
        made.append(run(copy_project(tmp_path / name)))
    for name in made[0].files:
        first, second = [(m.folder / name).read_bytes() for m in made]
        assert hashlib.sha256(first).digest() == hashlib.sha256(second).digest(), name


def test_nothing_made_names_a_folder_a_user_or_a_machine(params):
    made = run(params)
    for name in ("report.html", "executed.ipynb"):
        text = (made.folder / name).read_text()
        for secret in (
            str(params.parent.parent),
            str(Path.home()) + "/",
            socket.gethostname(),
            str(Path(sys.prefix)),
            "ipykernel_",
            "partial-",
        ):
            assert secret not in text, f"{name} holds {secret}"
        if len(getpass.getuser()) > 4:
            assert getpass.getuser() not in text


def test_executed_notebook_holds_no_times_and_a_stable_parameters_cell(params):
    made = run(params)
    notebook = json.loads((made.folder / "executed.ipynb").read_text())
    assert set(notebook["metadata"]) == {"kernelspec", "language_info", "marginbook"}
    assert all(set(cell["metadata"]) <= {"tags"} for cell in notebook["cells"])
    injected = cell_of(notebook, "injected-parameters")
    assert injected["source"] == "params_path = 'tiny.yaml'\nout_dir = 'tiny'"
    assert injected["execution_count"] == 2


def test_executed_notebook_is_valid_by_the_published_format(params):
    # The notebook format's own JSON Schema, version 4.5, as nbformat carries it.
    import nbformat

    made = run(params)
    notebook = nbformat.read(made.folder / "executed.ipynb", as_version=4)
    nbformat.validate(notebook)
    assert (notebook.nbformat, notebook.nbformat_minor) == (4, 5)


def test_a_kernel_by_another_name_in_the_notebook_does_not_matter(quick):
    def edit(notebook):
        notebook["metadata"]["kernelspec"] = {
            "name": "no-such-kernel",
            "display_name": "?",
            "language": "r",
        }

    edit_template(quick, edit)
    made = run(quick)
    notebook = json.loads((made.folder / "executed.ipynb").read_text())
    assert notebook["metadata"]["kernelspec"]["name"] == "python3"


def test_the_kernel_is_this_python_with_what_moves_bytes_held_still(quick):
    set_source(
        quick,
        "head",
        (
            "import os, sys\n"
            "print(sys.executable)\n"
            "names = ('PYTHONHASHSEED', 'SOURCE_DATE_EPOCH', 'MPLBACKEND')\n"
            "print([os.environ[name] for name in names])\n"
            "page_head('T', byline='B', date='2026-01-01')"
        ),
    )
    made = run(quick)
    notebook = json.loads((made.folder / "executed.ipynb").read_text())
    (stream,) = [o for o in cell_of(notebook, "head")["outputs"] if o["output_type"] == "stream"]
    lines = "".join(stream["text"]).splitlines()
    assert Path(lines[0]).name == Path(sys.executable).name
    assert lines[1] == "['0', '0', 'Agg']"


def test_folder_names_with_braces_and_spaces_work(tmp_path):
    params = copy_project(tmp_path / "a {pm} folder {")
    edit_template(params, keep_cells(*QUICK))
    assert run(params).report.is_file()


# --- runs that do not count ---


def test_a_failing_cell_keeps_the_half_run_notebook_and_names_both(quick):
    set_source(quick, "load", "1 / 0")
    with pytest.raises(ExecutionError) as caught:
        run(quick)
    said = str(caught.value)
    out = quick.parent.parent / "out"
    assert 'cell "load" failed: ZeroDivisionError: division by zero' in said
    assert str(out / "tiny.failed.ipynb") in said
    assert "Traceback" not in said
    assert caught.value.exit_status == 4
    kept = json.loads((out / "tiny.failed.ipynb").read_text())
    assert cell_of(kept, "imports")["execution_count"] == 3
    assert cell_of(kept, "load")["outputs"][0]["ename"] == "ZeroDivisionError"
    assert cell_of(kept, "closing")["execution_count"] is None
    assert not (out / "tiny").exists()
    assert hidden(out) == []


def test_a_good_run_removes_the_half_run_notebook_of_an_earlier_one(quick):
    path = set_source(quick, "load", "1 / 0")
    with pytest.raises(ExecutionError):
        run(quick)
    path.write_text(path.read_text().replace("1 / 0", "book = make_book()"))
    made = run(quick)
    assert not (made.folder.parent / "tiny.failed.ipynb").exists()


def test_a_failing_run_leaves_the_earlier_report_as_it_was(quick):
    made = run(quick)
    before = {name: (made.folder / name).read_bytes() for name in made.files}
    set_source(quick, "load", "1 / 0")
    with pytest.raises(ExecutionError, match="The earlier tiny is as it was"):
        run(quick)
    assert {name: (made.folder / name).read_bytes() for name in made.files} == before


@pytest.mark.parametrize("source", ["import sys\nsys.exit(0)", "raise SystemExit"])
def test_a_cell_that_ends_the_notebook_quietly_is_a_failure(quick, source):
    set_source(quick, "load", source)
    with pytest.raises(ExecutionError, match=r'"load" ended the notebook \(SystemExit'):
        run(quick)
    assert not (quick.parent.parent / "out" / "tiny").exists()


@pytest.mark.parametrize(
    ("error", "status", "text"),
    [
        (
            "BenchError([Fault('bench.yaml', 'memory differs', line=7)])",
            3,
            "bench.yaml, line 7: memory differs",
        ),
        (
            "RunFileError([Fault('a.csv', 'one'), Fault('b.csv', 'two')])",
            3,
            "a.csv: one\nb.csv: two",
        ),
        (
            "TextError([Fault('demo.md', 'no such claim', line=3)])",
            2,
            "demo.md, line 3: no such claim",
        ),
    ],
    ids=["control", "logs", "text"],
)
def test_a_fault_in_data_keeps_its_message_and_status_and_writes_nothing(
    quick, error, status, text
):
    set_source(
        quick,
        "load",
        "from kit.errors import *\n"
        "from kit.errors import BenchError, Fault, RunFileError, TextError\n"
        f"raise {error}",
    )
    with pytest.raises(_CellError) as caught:
        run(quick)
    assert str(caught.value) == text
    assert caught.value.exit_status == status
    out = quick.parent.parent / "out"
    assert not out.exists()


def test_a_dead_kernel_has_its_own_status(quick):
    set_source(quick, "load", "import os\nos._exit(3)")
    with pytest.raises(
        _KernelTimeoutError, match=r'kernel died in cell "load".*status 3'
    ) as caught:
        run(quick)
    assert caught.value.exit_status == 5
    assert (quick.parent.parent / "out" / "tiny.failed.ipynb").is_file()


def test_a_kernel_killed_from_outside_is_named_with_its_signal(quick):
    set_source(quick, "load", "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)")
    with pytest.raises(_KernelTimeoutError, match=r"status -9\); signal 9 is often"):
        run(quick)


def test_an_endless_cell_is_stopped_and_its_kernel_with_it(quick):
    set_source(
        quick,
        "load",
        (
            "import os, pathlib\n"
            f"pathlib.Path({str(quick.parent / 'pid')!r}).write_text(str(os.getpid()))\n"
            "while True:\n    pass"
        ),
    )
    began = time.monotonic()
    with pytest.raises(_KernelTimeoutError, match=r'stopped in cell "load".*after 3 s') as caught:
        run(quick, timeout_s=3)
    assert caught.value.exit_status == 5
    assert time.monotonic() - began < 20
    pid = int((quick.parent / "pid").read_text())
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_the_time_limit_is_for_all_cells_together(quick):
    def edit(notebook):
        for name in ("imports", "load", "head", "write"):
            cell_of(notebook, name)["source"] += "\nimport time\ntime.sleep(1)"

    edit_template(quick, edit)
    with pytest.raises(_KernelTimeoutError, match=r"not done after 2\.5 s"):
        run(quick, timeout_s=2.5)


@pytest.mark.parametrize(
    ("cell", "source"),
    [("closing", "len(book.claims)"), ("closing", "None")],
    ids=["a figure", "nothing"],
)
def test_a_run_without_the_closing_cell_does_not_count(quick, cell, source):
    set_source(quick, cell, source)
    with pytest.raises(ExecutionError, match=r'last cell, "closing", did not close'):
        run(quick)


def test_a_cell_after_the_closing_one_does_not_count(quick):
    def edit(notebook):
        notebook["cells"].append({**cell_of(notebook, "load"), "id": "late"})

    edit_template(quick, edit)
    with pytest.raises(ExecutionError, match=r'last cell, "late", did not close'):
        run(quick)


def test_claims_changed_after_closing_do_not_count(quick):
    set_source(
        quick,
        "closing",
        (
            "closing = close_review(out_dir, review=book.review)\n"
            "open(f'{out_dir}/claims.json', 'a').write(' ')\nclosing"
        ),
    )
    with pytest.raises(ExecutionError, match="other claims than those in its folder"):
        run(quick)


def test_closing_another_review_does_not_count(quick):
    set_source(quick, "closing", 'close_review(out_dir, review="other")')
    with pytest.raises(ExecutionError, match="closed review 'other'"):
        run(quick)


def test_a_page_that_cannot_be_made_keeps_the_notebook(quick):
    def edit(notebook):
        cell_of(notebook, "head")["source"] = "None"

    edit_template(quick, edit)
    with pytest.raises(ExecutionError, match="the notebook has no title") as caught:
        run(quick)
    assert "tiny.failed.ipynb" in str(caught.value)


def test_close_review_needs_claims(tmp_path):
    with pytest.raises(ExecutionError, match=r"no claims\.json"):
        close_review(tmp_path, review="tiny")


# --- which template runs ---


def test_a_template_with_faults_is_refused_before_anything_is_written(params):
    def edit(notebook):
        cell_of(notebook, "parameters")["metadata"] = {}

    edit_template(params, edit)
    with pytest.raises(TemplateError, match="0 cells tagged `parameters`"):
        run(params)
    assert not (params.parent.parent / "out").exists()


def test_a_template_outside_the_project_runs_only_when_asked(quick, tmp_path):
    elsewhere = tmp_path / "elsewhere" / "tiny.ipynb"
    elsewhere.parent.mkdir()
    notebooks = quick.parent.parent / "notebooks"
    for source in notebooks.iterdir():
        if source.is_file():
            shutil.copy(source, elsewhere.parent)
    with pytest.raises(UsageError, match="lies outside the project"):
        run(quick, template=elsewhere)
    assert run(quick, template=elsewhere, allow_foreign_template=True).report.is_file()


def test_a_link_out_of_the_project_is_seen_through(quick, tmp_path):
    foreign = tmp_path / "foreign.ipynb"
    notebooks = quick.parent.parent / "notebooks"
    (notebooks / "tiny.ipynb").rename(foreign)
    (notebooks / "tiny.ipynb").symlink_to(foreign)
    with pytest.raises(UsageError, match="lies outside the project"):
        run(quick)


def test_a_folder_anyone_may_write_to_holds_no_templates(quick):
    project = quick.parent.parent
    project.chmod(0o777)
    with pytest.raises(UsageError, match="no template"):
        find_template(quick, Path("tiny.ipynb"), allow_foreign=False)
    project.chmod(0o755)
    assert find_template(quick, Path("tiny.ipynb"), allow_foreign=False).name == "tiny.ipynb"


def test_without_a_template_of_its_own_a_project_uses_the_kits(tmp_path):
    params = copy_project(tmp_path / "project")
    shutil.rmtree(params.parent.parent / "notebooks")
    found = find_template(params, Path("review.ipynb"), allow_foreign=False)
    assert found.is_file()


def test_a_missing_template_is_named(params):
    with pytest.raises(UsageError, match=r'no template "nothing\.ipynb"'):
        run(params, template=Path("nothing.ipynb"))


# --- the folder ---


def test_files_of_the_analyst_in_the_folder_are_not_removed(quick):
    made = run(quick)
    note = made.folder / "tables" / "my note.txt"
    note.write_text("keep me")
    with pytest.raises(UsageError, match=r"did not write \(tables/my note\.txt\)"):
        run(quick)
    assert note.read_text() == "keep me"
    note.unlink()
    assert run(quick).report.is_file()


def test_a_folder_that_is_not_a_reviews_is_not_replaced(quick):
    target = quick.parent.parent / "out" / "tiny"
    target.mkdir(parents=True)
    (target / "thesis.txt").write_text("years of work")
    with pytest.raises(UsageError, match=r"thesis\.txt"):
        run(quick)


def test_two_runs_into_one_folder_the_second_is_told(quick):
    out = quick.parent.parent / "out"
    out.mkdir()
    with FileLock(out / ".tiny.lock"), pytest.raises(ExecutionError, match="another run"):
        run(quick)


def test_what_a_killed_run_left_is_tidied_and_a_folder_moved_aside_is_put_back(quick):
    made = run(quick)
    out = made.folder.parent
    before = (made.folder / "report.html").read_bytes()
    made.folder.rename(out / ".tiny.old-00000000")  # killed between the two renames
    (out / ".tiny.partial-11111111").mkdir()
    (out / ".tiny.partial-11111111" / "claims.json").write_text("{")
    set_source(quick, "load", "1 / 0")
    with pytest.raises(ExecutionError, match="The earlier tiny is as it was"):
        run(quick)
    assert (made.folder / "report.html").read_bytes() == before
    assert hidden(out) == []


@pytest.mark.slow
def test_killed_at_any_moment_no_report_is_lost_or_half_made(quick):
    """Kill the whole process at many moments; what stands under the final name is whole."""
    made = run(quick)
    whole = {name: (made.folder / name).read_bytes() for name in made.files}
    code = (
        "import sys\nfrom pathlib import Path\nfrom kit.report.report import run_review\n"
        f"run_review(Path({str(quick)!r}), out_dir=Path({str(made.folder.parent)!r}), timeout_s=60)"
    )
    killed = 0
    for tenths in range(1, 21):
        process = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.DEVNULL)
        try:
            process.wait(timeout=tenths / 10)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            process.wait()
            killed += 1
        assert {p.name for p in made.folder.parent.iterdir() if not p.name.startswith(".")} in (
            {"tiny"},
            set(),  # moved aside: put back by the next run
        )
        if made.folder.exists():
            assert {name: (made.folder / name).read_bytes() for name in made.files} == whole
    assert killed >= 3
    assert run(quick).report.is_file()
    assert hidden(made.folder.parent) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_is_named(quick):
    locked = quick.parent.parent / "locked"
    locked.mkdir(mode=0o500)
    with pytest.raises(UsageError, match="cannot write into"):
        run(quick, out_dir=locked / "out")


def test_a_file_in_the_place_of_the_folder_is_named(quick):
    taken = quick.parent.parent / "taken"
    taken.write_text("")
    with pytest.raises(UsageError, match="cannot write into"):
        run(quick, out_dir=taken)


# --- faults of the machine ---


def test_memory_run_out_in_a_cell_is_named(quick):
    set_source(
        quick,
        "load",
        "import resource\n"
        "resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30))\n"
        "block = bytearray(8 << 30)",
    )
    with pytest.raises(ExecutionError, match='cell "load" failed: MemoryError'):
        run(quick)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 256 kB, where the machine lets us make one."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", folder]
    if subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no right to mount a small file system")
    yield folder
    subprocess.run(["umount", "-l", folder], check=False)


def test_a_full_disk_leaves_the_earlier_report_whole_and_says_so(quick, small_disk):
    made = run(quick, out_dir=small_disk)
    before = {name: (made.folder / name).read_bytes() for name in made.files}
    filling = small_disk / "filling"
    with contextlib.suppress(OSError):
        filling.write_bytes(b"x" * (1 << 20))
    with pytest.raises(ExecutionError) as caught:
        run(quick, out_dir=small_disk)
    said = str(caught.value)
    assert "No space left on device" in said
    assert "The earlier tiny is as it was" in said
    assert {name: (made.folder / name).read_bytes() for name in made.files} == before
    assert hidden(small_disk) == []
    filling.unlink()
    assert run(quick, out_dir=small_disk).report.is_file()


def test_an_interrupt_stops_the_kernel_and_leaves_nothing_behind(quick):
    note = quick.parent / "pid"
    set_source(
        quick,
        "load",
        f"import os, pathlib\npathlib.Path({str(note)!r}).write_text(str(os.getpid()))\n"
        "while True:\n    pass",
    )
    out = quick.parent.parent / "out"
    code = (
        "import sys\nfrom pathlib import Path\nfrom kit.report.report import run_review\n"
        f"run_review(Path({str(quick)!r}), out_dir=Path({str(out)!r}), timeout_s=60)"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)
    until = time.monotonic() + 30
    while not (note.exists() and note.read_text()) and time.monotonic() < until:
        time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert "KeyboardInterrupt" in said
    with pytest.raises(ProcessLookupError):
        os.kill(int(note.read_text()), 0)
    assert not out.exists() or hidden(out) == []


def test_a_kernel_does_not_outlive_a_killed_run(quick):
    note = quick.parent / "pid"
    set_source(
        quick,
        "load",
        f"import os, pathlib\npathlib.Path({str(note)!r}).write_text(str(os.getpid()))\n"
        "import time\ntime.sleep(60)",
    )
    out = quick.parent.parent / "out"
    code = (
        "import sys\nfrom pathlib import Path\nfrom kit.report.report import run_review\n"
        f"run_review(Path({str(quick)!r}), out_dir=Path({str(out)!r}), timeout_s=60)"
    )
    process = subprocess.Popen([sys.executable, "-c", code])
    until = time.monotonic() + 30
    while not (note.exists() and note.read_text()) and time.monotonic() < until:
        time.sleep(0.1)
    process.kill()
    process.wait()
    pid = int(note.read_text())
    until = time.monotonic() + 20
    while time.monotonic() < until and alive(pid):
        time.sleep(0.2)
    assert not alive(pid)


def alive(pid):
    """Whether a process runs: one that ended but was not collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_two_runs_at_once_into_one_folder_leave_one_whole_report(quick):
    out = quick.parent.parent / "out"
    code = (
        "import sys\nfrom pathlib import Path\nfrom kit.report.report import run_review\n"
        "from kit.errors import KitError\n"
        f"try:\n    run_review(Path({str(quick)!r}), out_dir=Path({str(out)!r}), timeout_s=60)\n"
        "except KitError as error:\n    sys.exit(str(error))"
    )
    runs = [
        subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    said = [process.communicate(timeout=60)[1] for process in runs]
    assert sorted(process.returncode for process in runs) == [0, 1]
    assert any("another run is writing" in text for text in said)
    assert (out / "tiny" / "report.html").is_file()
    assert hidden(out) == []
