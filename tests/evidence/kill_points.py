"""Acts on a bench killed at random points: what the bench holds afterwards, counted.

``python tests/evidence/kill_points.py [N]`` kills N acts of all kinds at random moments (400 unless said
otherwise), then one before each single step that touches the disk, lets 20 processes take a log each
into one bench at once, and prints "kill points tried N, states lost M". After each the bench is as before the act or as after it, its journal is whole, and tells
which.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from functools import partial
from pathlib import Path

import openpyxl

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from kit.bench.acts import (
    adopt,
    export_bench,
    import_bench,
    merge,
    move_run,
    rename,
    retire,
    undo,
)
from kit.bench.evidence import check_evidence
from kit.bench.intake import add_logs
from kit.bench.journal import By, Journal
from kit.bench.runs import RunSheet
from kit.bench.transaction import held_bench
from kit.errors import KitError
from kit.settings.bench_file import read_bench

BENCH_YAML = """\
format: marginbook-bench/1
name: Bench of kills
layouts:
  plain: {frames: {column: ms, holds: frame_time, unit: ms}}
products:
  alder-4: {name: Alder 4, class: desk}
  birch-2: {name: Birch 2, class: desk}
titles:
  weir: {name: The Weir}
"""
LOGS = 4


def make_bench(root: Path) -> Path:
    """Make a bench with one run, and beside it a folder of logs to be taken in."""
    bench, recorded = root / "bench", root / "recorded"
    (bench / "logs").mkdir(parents=True)
    recorded.mkdir()
    (bench / "bench.yaml").write_text(BENCH_YAML)
    (bench / "logs" / "old.csv").write_text("ms\n16.5\n17.5\n")
    (bench / "runs.csv").write_text(
        'run,product,title,layout,log,note\nold,alder-4,weir,plain,logs/old.csv,"kept, as is"\n'
    )
    for number in range(LOGS):
        (recorded / f"pass-{number}.csv").write_text(
            "ms\n" + "".join(f"{10 + number + i % 7}.25\n" for i in range(400))
        )
    return bench


def add(bench: Path, recorded: Path):
    """Take the recorded logs in."""
    return add_logs(bench, [recorded], fields={"product": "alder-4", "title": "weir"})


def killed_child(work, delay_s: float) -> None:
    """Run `work` in a child process and kill it after a delay, however far it is."""
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    time.sleep(delay_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


# Everything by which a take-in changes the disk, as the interpreter announces it beforehand.
DISK_EVENTS = {
    "open",
    "os.rename",
    "os.link",
    "os.remove",
    "os.rmdir",
    "os.mkdir",
    "os.utime",
    "os.chmod",
    "fcntl.flock",
}


def killed_at_step(work, step: int) -> bool:
    """Run `work` in a child process that dies before its n-th disk event; return if it did."""
    child = os.fork()
    if child == 0:
        seen = 0

        def count(event: str, _: object) -> None:
            nonlocal seen
            if event in DISK_EVENTS:
                seen += 1
                if seen == step:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(count)
        try:
            work()
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def consistent(bench: Path, recorded: Path) -> str:
    """Return what is wrong with a bench at this moment, or nothing."""
    rows = RunSheet(read_bench(bench)).rows
    runs = [row.run for row in rows]
    if len(runs) not in (1, 1 + LOGS) or runs[0] != "old":
        return f"the sheet holds {runs}"
    whole = {path.name: path.read_bytes() for path in recorded.iterdir()}
    try:
        taken_in = [row.read(read_bench(bench)) for row in rows]
    except KitError as error:
        return str(error)
    for run in taken_in:
        name = Path(run.row.log).name
        if name != "old.csv" and run.log.sha256 != hashlib.sha256(whole[name]).hexdigest():
            return f"{name} is not the log that was recorded"
    for path in (bench / "logs").iterdir():
        if path.name.startswith("pass-") and path.read_bytes() != whole[path.name]:
            return f"half of {path.name} stands under its final name"
    return ""


def settled(bench: Path, expected_runs: int) -> str:
    """Return what is wrong with a bench once a take-in has come after the killed one."""
    rows = RunSheet(read_bench(bench)).rows
    if len(rows) != expected_runs or len({row.run for row in rows}) != expected_runs:
        return f"{len(rows)} rows, {expected_runs} expected"
    logs = sorted(path.name for path in (bench / "logs").iterdir())
    if logs != sorted(Path(row.log).name for row in rows):
        return f"logs/ holds {logs}"
    left = sorted(p.name for p in bench.iterdir() if p.name.startswith(".taking"))
    return f"left behind: {left}" if left else ""


def try_kill(kill, *, taking_back: bool) -> tuple[str, str, bool]:
    """Kill one take-in or taking back; return how far it was, what is wrong, and if it died."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        bench, recorded = make_bench(root), root / "recorded"
        before = (bench / "runs.csv").read_bytes()
        if taking_back:
            add(bench, recorded)
        after = (bench / "runs.csv").read_bytes()
        died = kill((lambda: undo(bench)) if taking_back else (lambda: add(bench, recorded)))
        trouble = consistent(bench, recorded)
        reached = "done" if (bench / "runs.csv").read_bytes() != after else "not done"
        if (bench / ".taking-in").exists():
            reached += ", cut short"
        add(bench, recorded)
        trouble = trouble or settled(bench, 1 + LOGS)
        undo(bench)
        trouble = trouble or settled(bench, 1)
        if not trouble and (bench / "runs.csv").read_bytes() != before:
            trouble = "the sheet is not as it was before"
        trouble = trouble or told_otherwise(bench)
    return ("taking back: " if taking_back else "take-in: ") + reached, trouble, died


WHY = By("a tester", "2026-11-25T08:00:00+00:00", "to see what a kill leaves")
# Each act that changes what is there already, and the bench it changes.
ACTS = {
    "adopt": lambda bench, _: adopt(bench, by=WHY),
    "move-run": lambda bench, _: move_run(bench, "pass-0", by=WHY, product="birch-2"),
    "retire": lambda bench, _: retire(bench, ["pass-1", "pass-2"], by=WHY),
    "rename": lambda bench, _: rename(bench, "title", "weir", "the-weir", by=WHY),
    "merge": lambda bench, root: merge(bench, root / "other", by=WHY),
    "import": lambda bench, root: import_bench(bench, root / "changed.xlsx", by=WHY),
}


PRICES = "product,price,currency,kind,date,source\nalder-4,499,EUR,street,2026-11-20,a shop\n"


def change_outside(bench: Path, to: Path) -> None:
    """Export a bench, and change a row and a price in the spreadsheet."""
    (bench / "prices.csv").write_text(PRICES)
    export_bench(bench, to)
    book = openpyxl.load_workbook(to)
    book["runs"]["B3"] = "birch-2"
    book["prices"]["B2"] = 479
    book.save(to)


def held(bench: Path) -> dict[str, bytes]:
    """Return every file of a bench but those that only tell what was done."""
    return {
        str(p.relative_to(bench)): p.read_bytes()
        for p in bench.rglob("*")
        if p.is_file() and not p.name.startswith(".") and p.name != "journal.jsonl"
    }


def told_otherwise(bench: Path, but: frozenset[str] = frozenset()) -> str:
    """Return what the journal of a settled bench says otherwise than its files, or nothing."""
    wrong = [d for d in check_evidence(bench, depth="full").differences if d.kind not in but]
    left = frozenset({"unjournalled", "row_new"})  # the run that was there before any journal
    wrong = [d for d in wrong if not (d.kind in left and "old" in d.file + d.run)]
    return "; ".join(f"{d.kind} {d.file}: {d.message}" for d in wrong)


def try_act(name: str, kill) -> tuple[str, str, bool]:
    """Kill one act; return how far it was, what is wrong, and if it died."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        bench, recorded = make_bench(root), root / "recorded"
        add(bench, recorded)
        (root / "second").mkdir()
        other = make_bench(root / "second")
        other.rename(root / "other")
        (root / "other" / "bench.yaml").write_text(
            BENCH_YAML.replace("titles:", "  cedar-1: {name: Cedar 1, class: desk}\ntitles:")
        )
        (root / "other" / "logs" / "old.csv").write_text("ms\n16.5\n18.5\n")
        if name != "adopt":
            adopt(bench, by=WHY)
        change_outside(bench, root / "changed.xlsx")
        before, entries = held(bench), len(Journal.read(bench).entries)
        died = kill(lambda: ACTS[name](bench, root))
        with held_bench(bench):
            pass
        done = len(Journal.read(bench).entries) > entries
        reached = f"{name}: {'done' if done else 'not done'}"
        trouble = ""
        if (held(bench) != before) != (done and name != "adopt"):
            trouble = "the journal and the files do not tell the same"
        trouble = trouble or told_otherwise(bench)
        if not done:
            ACTS[name](bench, root)
        trouble = trouble or told_otherwise(bench)
        if name != "adopt":
            undo(bench, len(Journal.read(bench).entries) - 1, by=WHY)
            after = held(bench)
            if name == "merge":  # what was added to bench.yaml stays
                after["bench.yaml"] = before["bench.yaml"]
            if not trouble and after != before:
                trouble = "taken back, the bench is not as it was"
        if list(bench.glob(".taking*")):
            trouble = trouble or "the staging folder is left behind"
    return reached, trouble, died


def full_length_s() -> float:
    """Return how long one whole take-in lasts in a child process."""
    with tempfile.TemporaryDirectory() as folder:
        bench = make_bench(Path(folder))
        start = time.perf_counter()
        child = os.fork()
        if child == 0:
            add(bench, Path(folder) / "recorded")
            os._exit(0)
        os.waitpid(child, 0)
        return time.perf_counter() - start


def run_kills(count: int, *, seed: int) -> tuple[dict[str, int], list[str]]:
    """Kill at `count` random moments; return how far things were, and everything wrong."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:  # so that children import nothing any more
        add(make_bench(Path(folder)), Path(folder) / "recorded")
    longest_s = 1.2 * min(full_length_s() for _ in range(3))
    reached: dict[str, int] = {}
    troubles: list[str] = []
    for n in range(count):
        delay_s = rng.uniform(0, longest_s)
        attempt = list(ATTEMPTS.values())[n % len(ATTEMPTS)]
        state, trouble, _ = attempt(lambda work, delay_s=delay_s: killed_child(work, delay_s))
        reached[state] = reached.get(state, 0) + 1
        if trouble:
            troubles.append(f"{state}: {trouble}")
    return reached, troubles


def run_writers(count: int) -> str:
    """Let many processes take a log each into one bench at once; return what is wrong, if anything."""
    with tempfile.TemporaryDirectory() as folder:
        bench, recorded = make_bench(Path(folder)), Path(folder) / "recorded"
        children = []
        for number in range(count):
            log = recorded / f"writer-{number}.csv"
            log.write_text("ms\n" + f"{10 + number}.25\n" * 50)
            if (child := os.fork()) == 0:
                add_logs(bench, [log], fields={"product": "alder-4", "title": "weir"})
                os._exit(0)
            children.append(child)
        ended = [os.waitpid(child, 0)[1] for child in children]
        runs = Counter(row.run for row in RunSheet(read_bench(bench)).rows)
        wanted = Counter({"old": 1, **{f"writer-{n}": 1 for n in range(count)}})
        acts = Counter(entry.act for entry in Journal.read(bench).entries)
        if any(ended) or runs != wanted or acts != {"begin": 1, "add": count}:
            return f"{count} writers: ended {ended}, lost or twice {runs - wanted} {acts}"
        return told_otherwise(bench) or settled(bench, 1 + count)


def run_steps(attempt, *, every: int = 1) -> tuple[int, list[str]]:
    """Kill before each disk event in turn; return how many there were, and everything wrong.

    `attempt` is given how to kill, and returns as `try_kill` does.
    """
    step, troubles = 1, []
    while True:
        state, trouble, died = attempt(lambda work, step=step: killed_at_step(work, step))
        if trouble:
            troubles.append(f"step {step}, {state}: {trouble}")
        if not died:
            return (step - 1) // every, troubles
        step += every


ATTEMPTS = {
    "take-in": partial(try_kill, taking_back=False),
    "taking back": partial(try_kill, taking_back=True),
    **{name: partial(try_act, name) for name in ACTS},
}


if __name__ == "__main__":
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    states, wrong = run_kills(tries, seed=20261125)
    for state, number in sorted(states.items()):
        print(f"{number:5d} {state}")
    for name, attempt in ATTEMPTS.items():
        steps, more = run_steps(attempt)
        print(f"{steps:5d} {name}: before each disk event")
        tries, wrong = tries + steps, wrong + more
    wrong += [trouble] if (trouble := run_writers(20)) else []
    for line in wrong:
        print("LOST", line)
    print(f"kill points tried {tries}, states lost {len(wrong)}")
    sys.exit(1 if wrong else 0)
