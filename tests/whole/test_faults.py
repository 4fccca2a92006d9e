"""Faults while working: killed, disk full, read-only, clock set back, dead or hanging kernels.

After each: nothing is lost, nothing half stands under a final name, one message says what
happened and how to go on, and the next run works.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from run_kill_points import kill_placing
from small_bench import small_bench, walk, write_bench
from tiny_project import cell_of, copy_project, edit_template, keep_cells

from kit.bench.acts import undo
from kit.bench.intake import add_logs
from kit.errors import BenchError, KitError, RunFileError
from kit.review.walk import load_review

ROOT = Path(__file__).parents[2]
QUICK = ("parameters", "imports", "load", "head", "write", "closing")
LINUX_ROOT = sys.platform == "linux" and os.geteuid() == 0


@pytest.fixture
def params(tmp_path):
    """A project whose template claims made-up figures and runs fast."""
    pytest.importorskip("papermill")
    made = copy_project(tmp_path / "project")
    edit_template(made, keep_cells(*QUICK))
    return made


def command(*words):
    return [sys.executable, "-m", "kit", *map(str, words)]


def marginbook(*words, **how):
    return subprocess.run(
        command(*words), capture_output=True, text=True, cwd=ROOT, check=False, timeout=120, **how
    )


def set_source(params, cell_id, source):
    def edit(notebook):
        cell_of(notebook, cell_id)["source"] = source

    return edit_template(params, edit)


def bytes_of(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


def shown(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir() if not p.name.startswith(".")}


def wait_for(path: Path, seconds: float = 30.0) -> str:
    """Return what a file says once it is there."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if path.is_file() and path.read_text():
            return path.read_text()
        time.sleep(0.02)
    raise AssertionError(f"{path.name} did not appear")


def gone(pid: int, seconds: float = 10.0) -> bool:
    """Return whether a process ends in time (a zombie has ended)."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except (FileNotFoundError, ProcessLookupError):
            return True
        if state in "ZX":
            return True
        time.sleep(0.05)
    return False


def sleeping_at(params: Path, cell_id: str = "load") -> Path:
    """Let a cell say its process and then sleep; return where it says so."""
    said = params.parent.parent / "pid"
    set_source(
        params,
        cell_id,
        f"import os, pathlib, time\n"
        f"pathlib.Path({str(said)!r}).write_text(str(os.getpid()))\ntime.sleep(100)",
    )
    return said


# --- killed and interrupted ---


def started(params, out):
    return subprocess.Popen(
        command("run", params, "--out", out),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )


def test_an_interrupt_ends_run_and_kernel_and_leaves_nothing(params):
    out = params.parent.parent / "out"
    said = sleeping_at(params)
    process = started(params, out)
    kernel = int(wait_for(said))
    process.send_signal(signal.SIGINT)
    _, stderr = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "interrupted; nothing half-made was left under a final name" in stderr
    assert "Traceback" not in stderr
    assert gone(kernel)
    assert not out.exists() or list(out.iterdir()) == []


def test_an_interrupt_leaves_the_earlier_report(params):
    out = params.parent.parent / "out"
    assert marginbook("run", params, "--out", out).returncode == 0
    before = bytes_of(out / "tiny")
    said = sleeping_at(params)
    process = started(params, out)
    wait_for(said)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
    assert process.returncode == 130
    assert bytes_of(out / "tiny") == before
    assert shown(out) == {"tiny"}


def test_a_killed_run_leaves_no_kernel_and_the_next_one_works(params):
    out = params.parent.parent / "out"
    said = sleeping_at(params, "write")
    process = started(params, out)
    kernel = int(wait_for(said))
    process.kill()
    process.communicate(timeout=30)
    assert shown(out) == set()
    assert gone(kernel), "the kernel lives on without its run"
    source = json.loads((ROOT / "tests/data/tiny/notebooks/tiny.ipynb").read_text())
    set_source(params, "write", cell_of(source, "write")["source"])
    done = marginbook("run", params, "--out", out)
    assert done.returncode == 0, done.stderr
    assert shown(out) == {"tiny"}
    assert [p.name for p in out.iterdir() if "partial" in p.name or ".old" in p.name] == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills a forked process")
def test_killed_before_any_step_on_disk_old_or_new_stands_whole(tmp_path):
    tried, lost = kill_placing(tmp_path, every=3)
    assert tried >= 10
    assert lost == []


# --- no room, no right ---


@contextmanager
def mounted(folder: Path, *options: str):
    """Mount a small file system in memory."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", ",".join(options), "tmpfs", folder],
        capture_output=True,
        check=False,
    )
    if done.returncode:
        pytest.skip("this system does not let tests mount a file system")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def remount(folder: Path, option: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{option}", folder], check=True)


needs_mount = pytest.mark.skipif(not LINUX_ROOT, reason="mounting needs root on Linux")


@needs_mount
@pytest.mark.parametrize("left_kb", [0, 40])
def test_a_full_disk_leaves_the_earlier_report_and_says_so(params, tmp_path, left_kb):
    with mounted(tmp_path / "disk", "size=1m") as disk:
        done = marginbook("run", params, "--out", disk)
        assert done.returncode == 0, done.stderr
        before = bytes_of(disk / "tiny")
        free_kb = shutil.disk_usage(disk).free // 1024
        (disk / "ballast").write_bytes(bytes(1024 * (free_kb - left_kb)))
        done = marginbook("run", params, "--out", disk)
        assert done.returncode in {2, 4}, (done.returncode, done.stderr)
        assert "No space left on device" in done.stderr
        assert "Traceback" not in done.stderr and done.stdout == ""
        assert bytes_of(disk / "tiny") == before
        assert [p.name for p in disk.iterdir() if "partial" in p.name] == []
        (disk / "ballast").unlink()
        done = marginbook("run", params, "--out", disk)
        assert done.returncode == 0, done.stderr
        assert shown(disk) == {"tiny"}


@needs_mount
def test_a_disk_that_fills_while_logs_are_taken_in_leaves_the_bench_as_it_was(tmp_path):
    made = small_bench(products=2, titles=1, runs=2)
    with mounted(tmp_path / "disk", "size=1m") as disk:
        params = write_bench(made, disk)
        log = tmp_path / "new.csv"
        log.write_text("n,took\n" + "".join(f"{i},10.{i:06d}\n" for i in range(90_000)))
        before = bytes_of(disk / "bench")
        with pytest.raises(KitError, match="No space left on device"):
            add_logs(disk / "bench", [log], fields={"product": "p0", "title": "t0"})
        after = {k: v for k, v in bytes_of(disk / "bench").items() if k != ".bench.lock"}
        assert after == before
        log.write_text("n,took\n" + "".join(f"{i},10.{i:03d}\n" for i in range(600)))
        add_logs(disk / "bench", [log], fields={"product": "p0", "title": "t0"})
        assert len(load_review(params).rows) == 5
        # Taking back needs room too.
        taken_in = bytes_of(disk / "bench")
        (disk / "ballast").write_bytes(bytes(shutil.disk_usage(disk).free))
        with pytest.raises(BenchError, match=r"No space left on device.*nothing was taken back"):
            undo(disk / "bench")
        assert bytes_of(disk / "bench") == taken_in
        (disk / "ballast").unlink()
        undo(disk / "bench")
        assert len(load_review(params).rows) == 4


@needs_mount
def test_a_disk_that_fills_while_sealing_leaves_no_half_bag(tmp_path):
    pytest.importorskip("papermill")
    params = write_bench(small_bench(products=2, titles=1, runs=2), tmp_path / "project")
    done = marginbook("run", params, "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    with mounted(tmp_path / "disk", "size=200k") as disk:
        for name in ("bag", "bag.zip"):
            done = marginbook("seal", tmp_path / "out" / "made", "--to", disk / name)
            assert done.returncode in {2, 3}, (done.returncode, done.stderr)
            assert "the disk is full; nothing was written" in done.stderr
            assert "Traceback" not in done.stderr
            assert shown(disk) == set()


@needs_mount
def test_a_read_only_folder_is_named_and_nothing_runs(params, tmp_path):
    with mounted(tmp_path / "disk", "size=2m") as disk:
        bench = write_bench(small_bench(products=2, titles=1, runs=2), disk).parent / "bench"
        remount(disk, "ro")
        done = marginbook("run", params, "--out", disk / "out")
        assert done.returncode == 2
        assert "cannot write into" in done.stderr and "Read-only file system" in done.stderr
        log = tmp_path / "new.csv"
        log.write_text("n,took\n1,10.5\n2,10.6\n")
        done = marginbook("add", bench, log, "--product", "p0", "--title", "t0")
        assert done.returncode in {2, 3}, done.stderr
        assert "Read-only file system" in done.stderr or "cannot be written" in done.stderr
        assert "Traceback" not in done.stderr
        for words in (("bench", disk / "mine"), ("review", disk / "mine.yaml")):
            done = marginbook("new", *words)
            assert done.returncode == 2 and "Traceback" not in done.stderr
            assert "Read-only file system; nothing was written" in done.stderr
        # Reading needs no right to write: check works.
        done = marginbook("check", disk / "made.yaml")
        assert done.returncode == 0, done.stderr


@needs_mount
def test_rights_lost_between_two_runs_are_named(tmp_path):
    """As a user without rights, in a process of its own."""
    params = write_bench(small_bench(products=2, titles=1, runs=2), tmp_path / "project")
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == 0 and folder != Path("/") and not folder.stat().st_mode & 0o001:
            folder.chmod(folder.stat().st_mode | 0o011)
    (tmp_path / "out").mkdir(mode=0o755)
    code = f"""
import os
from pathlib import Path
import kit.report.report, kit.report.files, kit.review.walk
from filelock import FileLock
from kit.errors import KitError
from kit.bench.intake import add_logs
from kit.report.report import run_review
project, out = Path({str(params.parent)!r}), Path({str(tmp_path / "out")!r})
review = kit.review.walk.load_review(project / "made.yaml")  # imports what it needs while it may
os.setgid(65534)
os.setuid(65534)
log = project / "bench/logs/p0-t0-0.csv"
for work in (
    lambda: run_review(project / "made.yaml", out_dir=out, timeout_s=60),
    lambda: add_logs(project / "bench", [log], fields={{"product": "p0", "title": "t0"}}),
    lambda: kit.review.walk.load_review(project / "made.yaml"),
):
    try:
        work()
        print("ok")
    except KitError as error:
        print(type(error).__name__, error)
"""

    def as_nobody():
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    before = bytes_of(params.parent / "bench")
    said = as_nobody()
    assert "UsageError cannot write into" in said
    assert "Permission denied" in said or "may not" in said
    assert said.rstrip().endswith("ok")  # reading is still allowed
    (params.parent / "bench" / "logs" / "p0-t0-1.csv").chmod(0o600)
    said = as_nobody()
    assert "p0-t0-1.csv" in said and "may not be read" in said
    assert bytes_of(params.parent / "bench") == before


# --- the clock ---


def test_a_clock_set_back_changes_no_claim(tmp_path):
    params = write_bench(small_bench(products=2, titles=1, runs=3), tmp_path)
    first = load_review(params)
    for i, path in enumerate(sorted(tmp_path.rglob("*"))):
        stamp = 0 if i % 2 else 4_000_000_000  # 1970 and 2096
        os.utime(path, (stamp, stamp))
    second = load_review(params)
    assert {m.run: m.values for m in first.used} == {m.run: m.values for m in second.used}


def test_a_log_changed_with_size_and_times_kept_is_read_anew(tmp_path):
    params = write_bench(small_bench(products=2, titles=1, runs=3), tmp_path)
    first = load_review(params)
    log = tmp_path / "bench" / "logs" / "p0-t0-0.csv"
    seen = log.stat()
    text = log.read_text()
    cell = text.splitlines()[1].split(",")[1]
    other = cell[:-1] + ("1" if cell[-1] != "1" else "2")
    log.write_text(text.replace(cell, other, 1))
    os.utime(log, ns=(seen.st_atime_ns, seen.st_mtime_ns))
    assert log.stat().st_size == seen.st_size and log.stat().st_mtime_ns == seen.st_mtime_ns
    second = load_review(params)
    assert second.diagnostics["p0-t0-0"].sha256 == hashlib.sha256(log.read_bytes()).hexdigest()
    assert second.diagnostics["p0-t0-0"].sha256 != first.diagnostics["p0-t0-0"].sha256
    assert second.metrics["p0-t0-0"].values != first.metrics["p0-t0-0"].values


def test_runs_that_began_before_they_could_are_read(tmp_path):
    made = small_bench(products=2, titles=1, runs=3)
    old = made.with_runs(lambda r: replace(r, began="1970-01-01T00:00:00+00:00"))
    new = made.with_runs(lambda r: replace(r, began="2999-12-31T23:59:59+00:00"))
    _, _, first = walk(old, tmp_path / "old")
    _, _, second = walk(new, tmp_path / "new")
    key = "margin/average_fps/t0/p0-over-p1"
    assert first.by_id[key].value == second.by_id[key].value


def test_a_run_under_a_clock_set_back_replaces_the_later_report(params):
    out = params.parent.parent / "out"
    assert marginbook("run", params, "--out", out).returncode == 0
    for path in out.rglob("*"):
        os.utime(path, (4_000_000_000, 4_000_000_000))
    before = bytes_of(out / "tiny")
    assert marginbook("run", params, "--out", out).returncode == 0
    assert bytes_of(out / "tiny") == before
    assert (out / "tiny" / "report.html").stat().st_mtime < 4_000_000_000


# --- kernels ---

DEAD = {
    "dies": ("import os\nos._exit(3)", 5, 'the kernel died in cell "load"'),
    "is killed": (
        "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)",
        5,
        "signal 9 is often the system short of memory",
    ),
    "hangs": ("while True:\n    pass", 5, "not done after 4 s. Give it more time (--timeout)"),
    "deaf to interrupts": (
        "import signal, time\nsignal.signal(signal.SIGINT, signal.SIG_IGN)\ntime.sleep(100)",
        5,
        "not done after 4 s",
    ),
    "is out of memory": (
        "import resource\nresource.setrlimit(resource.RLIMIT_AS, (2**31, 2**31))\n"
        "held = bytearray(2**34)",
        4,
        'cell "load" failed: MemoryError',
    ),
    "crashes": ("import ctypes\nctypes.string_at(0)", 5, "the kernel died"),
    "fails": ("1 / 0", 4, 'cell "load" failed: ZeroDivisionError: division by zero'),
}


@pytest.mark.parametrize("how", DEAD)
def test_a_kernel_that_does_not_finish_has_its_own_status(params, how):
    source, status, said = DEAD[how]
    set_source(params, "load", source)
    out = params.parent.parent / "out"
    began = time.monotonic()
    limit = "4" if "not done" in said else "60"  # a busy machine may take 4 s to import
    done = marginbook("run", params, "--out", out, "--timeout", limit)
    assert done.returncode == status, done.stderr
    assert said in done.stderr
    assert "Traceback" not in done.stderr and done.stdout == ""
    assert "tiny.failed.ipynb" in done.stderr and "Nothing was put in place" in done.stderr
    assert time.monotonic() - began < 55
    assert shown(out) == {"tiny.failed.ipynb"}


def test_a_season_goes_on_after_a_dead_kernel(params, tmp_path):
    other = copy_project(tmp_path / "other")
    edit_template(other, keep_cells(*QUICK))
    claims = other.parent.parent / "notebooks" / "tiny_claims.py"
    for path in (other, claims):
        path.write_text(path.read_text().replace("tiny", "second", 1))
    assert "review: second" in other.read_text().replace("# A made-up", "")
    set_source(params, "load", "import os\nos._exit(3)")
    out = tmp_path / "out"
    done = marginbook("run", params, other, "--out", out)
    assert done.returncode == 4
    assert "failed with status 5" in done.stdout + done.stderr
    assert (out / "second" / "report.html").is_file()


# --- two at once ---


def test_two_runs_into_one_folder_one_works_and_the_other_is_told(params):
    out = params.parent.parent / "out"
    said = params.parent.parent / "pid"
    source = json.loads((params.parent.parent / "notebooks" / "tiny.ipynb").read_text())
    load = cell_of(source, "load")["source"]
    set_source(
        params,
        "load",
        f"import os, pathlib, time\npathlib.Path({str(said)!r}).write_text('x')\n"
        f"time.sleep(4)\n{''.join(load)}",
    )
    first = started(params, out)
    wait_for(said)
    second = marginbook("run", params, "--out", out)
    assert second.returncode == 4
    assert "another run is writing" in second.stderr
    assert "wait for it, or give another --out" in second.stderr
    _, stderr = first.communicate(timeout=60)
    assert first.returncode == 0, stderr
    assert (out / "tiny" / "report.html").is_file()
    assert shown(out) == {"tiny"}


def test_a_log_gone_while_reading_is_one_message(tmp_path):
    params = write_bench(small_bench(products=2, titles=1, runs=2), tmp_path)
    (tmp_path / "bench" / "logs" / "p1-t0-1.csv").unlink()
    with pytest.raises(RunFileError, match=r'no such file "logs/p1-t0-1.csv"') as caught:
        load_review(params)
    assert len(caught.value.faults) == 1


def test_a_bench_half_copied_is_told_at_once(tmp_path):
    params = write_bench(small_bench(products=2, titles=1, runs=2), tmp_path)
    (tmp_path / "bench" / "runs.csv").unlink()
    shutil.rmtree(tmp_path / "bench" / "logs")
    with pytest.raises(BenchError, match=r"runs\.csv: no such file"):
        load_review(params)
