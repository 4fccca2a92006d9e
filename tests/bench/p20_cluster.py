"""P20: a season of generated reviews on a Dask cluster of two workers over TCP, beside one.

`python tests/bench/p20_cluster.py [PAIRS] [REVIEWS]`. A bench of 3 products, 2 titles and 3 runs of
1,000 frames; each review is of one product over another, without a store, so that every one is
read, worked out and drawn. Scheduler and workers are processes of this machine that talk over TCP,
a nanny beside each worker, as dask has it; the workers' own profiler, which looks 100 times a
second, is off. The ratio is one worker over two, so that larger is better. A third season has one
of its two workers killed when half the reviews are in place: its files must be the same bytes. With
200 reviews some 12 minutes on two free processors: 2 s of processor a review, three times. Not a
test.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from pairs import ROOT, Row, pairs_asked, say, seconds

sys.path.insert(0, str(ROOT / "tests" / "support"))
from small_bench import MadeRun, frames, small_bench, write_bench

from kit.metrics.measuring import Reading
from kit.report.season import RunOptions, run_reviews

GOAL, SLOWER, REVIEWS = 1.85, 1.15, 200
PRODUCTS, TITLES, RUNS, FRAMES = 3, 2, 3, 1_000


def write_reviews(folder: Path, count: int) -> list[Path]:
    """Write the bench and the params of each review; return their paths."""
    base = small_bench(products=PRODUCTS, titles=TITLES, runs=1)
    runs = tuple(
        MadeRun(
            run=f"p{p}-t{t}-{r}", product=f"p{p}", title=f"t{t}", session=f"s{r}",
            frame_ns=frames((20, p, t, r), ms=(9 + 2 * t) * 1.03**p, count=FRAMES),
        )
        for t in range(TITLES) for p in range(PRODUCTS) for r in range(RUNS)
    )  # fmt: skip
    first = write_bench(replace(base, runs=runs), folder)
    given = {
        key: json.loads(value)
        for key, _, value in (
            line.partition(": ") for line in first.read_text(encoding="utf-8").splitlines()
        )
    }
    paths = []
    for number in range(count):
        product, rival = (f"p{(number + k) % PRODUCTS}" for k in (0, 1))
        own = {"review": f"r{number}", "product": product, "rivals": [rival]}
        paths.append(first.with_name(f"r{number}.yaml"))
        said = (f"{key}: {json.dumps(value)}\n" for key, value in (given | own).items())
        paths[-1].write_text("".join(said), encoding="utf-8")
    return paths


@contextmanager
def cluster(folder: Path, workers: int) -> Iterator[tuple[str, list[int]]]:
    """Give the address of a scheduler, and the process ids of its workers.

    As dask starts them: a nanny beside each worker, which starts it anew when it dies.
    """
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL,
             "env": {**os.environ, "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False"}}  # fmt: skip
    found = folder / "scheduler.json"
    dask = [sys.executable, "-W", "ignore", "-m", "dask"]
    started = [
        subprocess.Popen(
            [*dask, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
             "--no-show", "--scheduler-file", str(found)], cwd=folder, **quiet,
        )
    ]  # fmt: skip
    try:
        started += [
            subprocess.Popen(
                [*dask, "worker", "--scheduler-file", str(found), "--nthreads", "1", "--host",
                 "127.0.0.1", "--no-dashboard", "--local-directory", str(folder)],
                cwd=folder, **quiet,
            )
            for _ in range(workers)
        ]  # fmt: skip
        while not found.exists():
            time.sleep(0.05)
        address = json.loads(found.read_text())["address"]
        yield address, await_workers(address, workers)
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait()


def await_workers(address: str, count: int) -> list[int]:
    """Wait until the workers are there, since their start is not counted; return their ids."""
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=120)
        return list(client.run(os.getpid).values())


def season(paths: list[Path], workers: int, *, kill: bool = False) -> tuple[float, dict[str, str]]:
    """Return how long a season takes, and the SHA-256 of its reports and claims."""
    with tempfile.TemporaryDirectory() as name:
        folder, out = Path(name), Path(name) / "out"
        with cluster(folder, workers) as (address, processes):
            done = threading.Event()

            killed = []

            def watch() -> None:
                while kill and not killed and not done.wait(0.1):
                    if len(list(out.glob("*/claims.json"))) >= len(paths) // 2:
                        os.kill(processes[0], signal.SIGKILL)
                        killed.append(processes[0])

            watcher = threading.Thread(target=watch)
            watcher.start()
            options = RunOptions(reading=Reading(cluster=address))
            ended = []
            took = seconds(lambda: ended.append(run_reviews(paths, out_dir=out, options=options)))
            done.set()
            watcher.join()
            if ended[0].exit_status:
                raise SystemExit("\n".join(ended[0].to_lines()))
            if kill and not killed:
                raise SystemExit("no worker was killed")
        files = sorted(p for n in ("report.html", "claims.json") for p in out.glob(f"*/{n}"))
        return took, {
            str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files
        }


def measure(pairs: int, reviews: int = REVIEWS) -> Row:
    """Measure and return the row."""
    with tempfile.TemporaryDirectory() as name:
        paths = write_reviews(Path(name), reviews)
        ratios, slower, same = [], [], True
        for _ in range(pairs):
            one, by_one = season(paths, 1)
            two, by_two = season(paths, 2)
            killed, by_killed = season(paths, 2, kill=True)
            ratios.append(one / two)
            slower.append(killed / two)
            same &= by_one == by_two == by_killed and len(by_one) == 2 * reviews
    middle = sorted(slower)[len(slower) // 2]
    return Row(
        "P20",
        f"a season of {reviews} generated reviews on a Dask cluster of two workers over TCP",
        "the same on one worker",
        GOAL,
        tuple(ratios),
        at_least=True,
        note=f"one of two killed half-way: {middle:.2f} of that time (goal {SLOWER}), "
        f"{'the same bytes' if same else 'OTHER BYTES'}",
        kept=same and middle <= SLOWER,
    )


if __name__ == "__main__":
    say(measure(pairs_asked(1), int(sys.argv[2]) if len(sys.argv) > 2 else REVIEWS))
