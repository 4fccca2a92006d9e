"""Work sent to real worker processes over TCP on loopback: same results, whatever dies."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from small_bench import frames, small_bench, write_bench
from tiny_project import keep_cells

from kit.bench.runs import RunSheet
from kit.errors import ExecutionError, KitError, RunFileError, UsageError
from kit.metrics.cluster import do_on_cluster
from kit.metrics.measuring import PLAIN, Reading, measure_runs
from kit.report.season import RunOptions, run_reviews
from kit.settings.params import load_params
from metrics.test_measuring import bits

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
ROOT = Path(__file__).parents[2]
QUICK = ("parameters", "imports", "load", "closing")
TITLE = {"cell_type": "markdown", "id": "title", "metadata": {}, "source": ["# A small review"]}


@dataclass
class Cluster:
    """A scheduler and its workers, each a process of its own with its own temporary folder."""

    address: str
    workers: list[subprocess.Popen]
    folders: list[Path]


def start(folder: Path, *words: str, **variables: str) -> subprocess.Popen:
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    environment = {
        **os.environ,
        **variables,
        "PYTHONPATH": os.pathsep.join(str(ROOT / "tests" / n) for n in ("", "support")),
    }
    command = [sys.executable, "-W", "ignore", "-m", "dask", *words]
    return subprocess.Popen(command, cwd=folder, env=environment, **quiet)


def start_worker(folder: Path, name: str) -> tuple[subprocess.Popen, Path]:
    own = folder / f"worker-{name}"
    own.mkdir()
    words = (
        "worker", "--scheduler-file", str(folder / "scheduler.json"), "--no-nanny", "--nthreads",
        "1", "--host", "127.0.0.1", "--no-dashboard", "--local-directory", str(own),
    )  # fmt: skip
    return start(folder, *words, TMPDIR=str(own)), own


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cluster")
    found = folder / "scheduler.json"
    scheduler = start(
        folder, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
        "--no-show", "--scheduler-file", str(found),
    )  # fmt: skip
    pairs = [start_worker(folder, str(n)) for n in range(2)]
    try:
        deadline = time.monotonic() + 60
        while not found.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        address = json.loads(found.read_text())["address"]
        yield Cluster(address, [w for w, _ in pairs], [f for _, f in pairs])
    finally:
        for process in (*(w for w, _ in pairs), scheduler):
            process.kill()
            process.wait()


def measured(loaded, reading):
    rows = RunSheet(loaded.bench).rows
    return measure_runs(rows, loaded.bench, loaded.params, reading=reading)


def test_logs_measured_by_workers_are_the_same_to_the_last_bit(tmp_path, cluster, caplog):
    made = small_bench(products=4, titles=4, runs=8)  # 128 logs: batches of 50, 50 and 28
    # Workers have fewer threads for linear algebra; long sums must not depend on that.
    long = replace(made.runs[0], frame_ns=frames(1, ms=9.0, count=40_000))
    made = replace(made, runs=(long, *made.runs[1:]))
    loaded = load_params(write_bench(made, tmp_path))
    caplog.set_level("INFO", "marginbook.progress")
    reading = Reading(cluster=cluster.address)
    plain, far = measured(loaded, PLAIN), measured(loaded, reading)
    assert [list(part) for part in far] == [list(part) for part in plain]
    assert [bits(part) for part in far] == [bits(part) for part in plain]
    seen = [record.args for record in caplog.records]
    assert seen[-1] == (128, 128) and len(seen) == 3 + 16  # three batches, after handfuls here


def test_workers_tell_every_fault_as_this_process_does(tmp_path, cluster):
    loaded = load_params(write_bench(small_bench(), tmp_path))
    (loaded.bench.folder / "logs" / "p0-t0-1.csv").write_text("n,took\n1,abc\n")
    (loaded.bench.folder / "logs" / "p2-t3-3.csv").write_text("")
    told = []
    for reading in (PLAIN, Reading(cluster=cluster.address)):
        with pytest.raises(RunFileError) as caught:
            measured(loaded, reading)
        told.append(caught.value.faults)
    assert told[0] == told[1] and len(told[0]) == 2


def test_local_workers_are_a_cluster_too():
    numbered = dict(do_on_cluster(str.upper, ["a", "b", "c"], address="local:1"))
    assert numbered == {0: "A", 1: "B", 2: "C"}


def test_an_error_of_ours_comes_back_as_it_is(cluster):
    with pytest.raises(UsageError, match="no such thing"):
        list(do_on_cluster(refuse, ["no such thing"], address=cluster.address))


def refuse(what: str) -> None:
    """Raise what a reviewer could mend."""
    raise UsageError(what)


def test_a_task_that_kills_every_worker_is_given_up_in_words():
    with pytest.raises(ExecutionError, match="workers died at one task"):
        list(do_on_cluster(die, [0], address="local:1"))


def die(_: int) -> None:
    """End the worker as a system short of memory would."""
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("local:none", "local:4"),
        ("local:0", "local:4"),
        ("somewhere", "tcp://HOST:PORT or local:N"),
        ("http://127.0.0.1:1", "tcp://HOST:PORT or local:N"),
        ("tcp://127.0.0.1:9", "no scheduler answers"),
    ],
)
def test_addresses_that_cannot_be_used_are_refused(address, said, monkeypatch):
    monkeypatch.setattr("kit.metrics.cluster.CONNECT_S", 1)
    with pytest.raises(KitError, match=said):
        list(do_on_cluster(str.upper, ["a"], address=address))


def write_season(folder: Path, reviews: int) -> list[Path]:
    """Write a bench, a template that only works out and writes, and reviews that differ in seed."""
    first = write_bench(small_bench(), folder)
    (folder / "notebooks").mkdir()
    template = json.loads((ROOT / "notebooks" / "review.ipynb").read_text(encoding="utf-8"))
    keep_cells(*QUICK)(template)
    template["cells"].insert(0, TITLE)
    (folder / "notebooks" / "review.ipynb").write_text(json.dumps(template), encoding="utf-8")
    text = first.read_text(encoding="utf-8")
    paths = []
    for number in range(reviews):
        path = folder / f"number-{number}.yaml"
        path.write_text(
            text.replace('review: "made"', f'review: "number-{number}"').replace(
                '"confidence": 0.95', f'"confidence": 0.{90 + number}'
            ),
            encoding="utf-8",
        )
        paths.append(path)
    first.unlink()
    return paths


def contents(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.suffix != ".lock" and p.suffix != ".inputs"
    }


@pytest.mark.slow
def test_a_worker_killed_in_mid_season_costs_time_and_no_result(tmp_path, cluster):
    params = write_season(tmp_path / "project", 3)
    local = run_reviews(params, out_dir=tmp_path / "local", options=RunOptions(jobs=2))
    assert local.exit_status == 0, local.to_lines()

    killed = []

    def kill_when_busy():
        deadline = time.monotonic() + 120
        while time.monotonic() < deadline:
            for worker, folder in zip(cluster.workers, cluster.folders, strict=True):
                if list(folder.glob("marginbook-review-*/*")):  # its review has begun to write
                    worker.kill()
                    killed.append(worker.pid)
                    return
            time.sleep(0.02)

    killer = threading.Thread(target=kill_when_busy)
    killer.start()
    far = run_reviews(
        params,
        out_dir=tmp_path / "far",
        options=RunOptions(reading=Reading(cluster=cluster.address)),
    )
    killer.join()
    assert len(killed) == 1
    assert far.exit_status == 0, far.to_lines()
    assert contents(tmp_path / "far") == contents(tmp_path / "local")
    assert len(list((tmp_path / "far").glob("number-*/report.html"))) == 3


def test_a_review_that_fails_on_a_worker_is_one_failure(tmp_path, cluster):
    params = write_season(tmp_path / "project", 2)
    broken = params[0].read_text(encoding="utf-8").replace('"p1"', '"p7"')
    params[0].write_text(broken, encoding="utf-8")
    season = run_reviews(
        params,
        out_dir=tmp_path / "far",
        options=RunOptions(reading=Reading(cluster=cluster.address)),
    )
    assert [o.exit_status for o in season.outcomes] == [2, 0]
    assert 'no product "p7"' in season.outcomes[0].message
    assert season.exit_status == 4
    assert (tmp_path / "far" / "number-1" / "report.html").is_file()
