"""The commands as their users meet them: exit status, one message each with file and line.

A small bench is made for each case from the demo's, with a few logs copied.
"""

import contextlib
import csv
import gzip
import json
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "example_runs"
KEPT = {"mossplaiter", "nine-kettles"}
PRODUCTS = {"fennock-9-travel", "tarnquill-sedge-travel", "peshler-12-travel"}
PARAMS = """\
format: marginbook-params/1
review: small
title: A small review
byline: The desk
date: 2026-11-16
bench: bench
product: fennock-9-travel
rivals: [tarnquill-sedge-travel, peshler-12-travel]
titles: all
controls: [processor, memory_gb]
waivers:
  - {control: memory_gb, products: [tarnquill-sedge-travel], reason: Sold with 16 GB only.}
metrics: {low: percentile}
margins: {method: auto, confidence: 0.95, level_band: 0.02, seed: 1}
"""


def marginbook(*words, cwd=None, env=None):
    return subprocess.run(
        [sys.executable, "-m", "kit", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=cwd,
        check=False,
        env={**os.environ, **(env or {})},
    )


@pytest.fixture(scope="module")
def master(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    bench = folder / "bench"
    bench.mkdir()
    shutil.copy(DEMO / "bench.yaml", bench / "bench.yaml")
    with (DEMO / "runs.csv").open(encoding="utf-8") as stream:
        reader = csv.DictReader(stream)
        rows = [r for r in reader if r["title"] in KEPT and r["product"] in PRODUCTS]
    with (bench / "runs.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, reader.fieldnames or [])
        writer.writeheader()
        writer.writerows(rows)
    for row in rows:
        if row["log"]:
            (bench / row["log"]).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(DEMO / row["log"], bench / row["log"])
    (folder / "small.yaml").write_text(PARAMS, encoding="utf-8")
    return folder


@pytest.fixture
def small(master, tmp_path):
    folder = tmp_path / "small"
    shutil.copytree(master, folder)
    return folder


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text, old
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and ".marginbook" not in p.parts
    }


def letter_in_row_500(folder: Path) -> None:
    path = next((folder / "bench/logs/fennock-9-travel").glob("*.csv.gz"))
    lines = gzip.decompress(path.read_bytes()).splitlines(keepends=True)
    cells = lines[499].split(b",")
    cells[lines[0].split(b",").index(b"took_ms")] = b"abc"
    lines[499] = b",".join(cells)
    path.write_bytes(gzip.compress(b"".join(lines), mtime=0))


CASES = {
    "unknown key": (
        lambda f: edit(f / "small.yaml", "byline:", "bylin:"),
        2,
        ["small.yaml, line 4", 'unknown key "bylin"; did you mean "byline"?'],
    ),
    "missing product": (
        lambda f: edit(f / "small.yaml", "[tarnquill-sedge-travel", "[tarnquill-segde-travel"),
        2,
        [
            "small.yaml, line 8",
            'no product "tarnquill-segde-travel"',
            'did you mean "tarnquill-sedge-travel"?',
        ],
    ),
    "wrong type": (
        lambda f: edit(f / "small.yaml", "confidence: 0.95", "confidence: high"),
        2,
        ["small.yaml, line 14, margins.confidence", "found 'high'; expected a number"],
    ),
    "control mismatch": (
        lambda f: edit(
            f / "small.yaml", "[tarnquill-sedge-travel], reason", "[peshler-12-travel], reason"
        ),
        3,
        [
            "small.yaml, line 10",
            "fennock-9-travel against tarnquill-sedge-travel: memory_gb is "
            '"32" on one side and "16" on the other',
        ],
    ),
    "missing log": (
        lambda f: next((f / "bench/logs/peshler-12-travel").glob("*.zst")).unlink(),
        3,
        ["bench/runs.csv, line ", "no such file", "restore it"],
    ),
    "letter in row 500": (
        letter_in_row_500,
        3,
        ["fennock-9-travel", "line 500", "abc", "expected a frame time"],
    ),
    "no params file": (
        lambda f: (f / "small.yaml").rename(f / "smal.yaml"),
        2,
        ['small.yaml: no such file; did you mean "smal.yaml"?'],
    ),
}


@pytest.mark.parametrize("case", CASES, ids=str)
@pytest.mark.parametrize("command", ["check", "run"])
def test_a_fault_is_one_message_with_file_and_line_and_nothing_is_written(small, case, command):
    damage, status, said = CASES[case]
    damage(small)
    before = files_of(small)
    words = ["--out", small / "out"] if command == "run" else []
    done = marginbook(command, small / "small.yaml", *words)
    assert done.returncode == status, done.stderr
    assert done.stdout == ""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    for part in said:
        assert part in lines[0]
    assert "Traceback" not in done.stderr
    assert files_of(small) == before


def test_check_reports_what_a_review_would_rest_on(small):
    before = files_of(small)
    done = marginbook("check", small / "small.yaml", "--json")
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["ok"] and answer["titles"] == ["mossplaiter", "nine-kettles"]
    assert answer["runs"] == answer["used"] + len(answer["set_aside"])
    assert files_of(small) == before


def test_check_answers_in_json_also_when_the_answer_is_faults(small):
    edit(small / "small.yaml", "byline:", "bylin:")
    done = marginbook("check", small / "small.yaml", "--json")
    answer = json.loads(done.stdout)
    assert done.returncode == 2 and not answer["ok"]
    assert {"file": "small.yaml", "line": 4, "key": "bylin"}.items() <= answer["faults"][-1].items()


def test_run_trace_and_text_belong_together(small):
    pytest.importorskip("papermill")
    done = marginbook("run", small / "small.yaml", "--out", small / "out")
    assert done.returncode == 0, done.stderr
    folder = small / "out" / "small"
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert {"report.html", "claims.json", "executed.ipynb", "tables/margins.csv"} <= names
    assert any(name.startswith("charts/") and name.endswith(".png") for name in names)

    claim = "margin/average_fps/mossplaiter/fennock-9-travel-over-tarnquill-sedge-travel"
    done = marginbook("trace", folder, claim, "--json")
    tree = json.loads(done.stdout)
    assert tree["claim"]["marks"] == ["waived:memory_gb"]
    assert {run["product"] for run in tree["runs"]} == {
        "fennock-9-travel",
        "tarnquill-sedge-travel",
    }
    done = marginbook("trace", folder, claim.replace("mossplaiter", "mosplaiter"))
    assert done.returncode == 2 and f'did you mean "{claim}"?' in done.stderr

    text = small / "small.md"
    text.write_text("It runs at {{average fennock-9-travel in mossplaiter}}.\n", encoding="utf-8")
    done = marginbook("text", folder, text)
    assert done.returncode == 0 and "\u00a0fps." in done.stdout
    text.write_text("It runs at 88 fps.\n", encoding="utf-8")
    done = marginbook("text", folder, text)
    assert done.returncode == 2 and "small.md, line 1" in done.stderr

    done = marginbook("page", folder, small / "again.html", "--json")
    assert json.loads(done.stdout)["lacking"] == ["environment"]
    assert "<html" in (small / "again.html").read_text(encoding="utf-8")
    done = marginbook("page", folder, folder / "report.html")
    assert done.returncode == 2 and "own folder" in done.stderr


def test_wrong_use_exits_with_2():
    assert marginbook("run").returncode == 2
    assert marginbook("chck", "x").returncode == 2
    assert marginbook("trace", "nowhere", "x").returncode in {2, 3}


def test_new_files_are_made_once_and_never_overwritten(tmp_path):
    assert marginbook("new", "bench", tmp_path / "b").returncode == 0
    assert {p.name for p in (tmp_path / "b").iterdir()} == {
        "bench.yaml",
        "runs.csv",
        "prices.csv",
        "logs",
        ".gitattributes",
        ".gitignore",
    }
    again = marginbook("new", "bench", tmp_path / "b")
    assert again.returncode == 2 and "nothing was written" in again.stderr
    assert marginbook("new", "review", tmp_path / "p" / "mine.yaml").returncode == 0
    assert marginbook("new", "review", tmp_path / "p" / "mine.yaml").returncode == 2


def test_control_characters_never_reach_the_terminal(small):
    edit(small / "small.yaml", "review: small", 'review: "sm\\e[31mall"')
    done = marginbook("check", small / "small.yaml")
    assert done.returncode == 2 and "\x1b" not in done.stderr


@pytest.mark.parametrize("what", ["params", "bench", "claims"])
def test_schemas_are_valid_json_schema(what):
    jsonschema = pytest.importorskip("jsonschema")
    done = marginbook("schema", what)
    jsonschema.Draft202012Validator.check_schema(json.loads(done.stdout))


def in_terminal(*words, **env):
    """Run Python in a pseudo-terminal; return its exit status and what came, with the seconds."""
    pty = pytest.importorskip("pty")
    begun, parts = time.monotonic(), []
    pid, handle = pty.fork()
    if pid == 0:
        os.environ.pop("MARGINBOOK_QUIET", None)
        os.environ.update(TERM="xterm-256color", COLUMNS="120", **env)
        os.execv(sys.executable, [sys.executable, *words])
    with contextlib.suppress(OSError):  # how a terminal ends
        while data := os.read(handle, 65536):
            parts.append((time.monotonic() - begun, data.decode()))
    os.close(handle)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), parts


def test_a_terminal_shows_from_the_first_second_how_far_check_has_come(small):
    status, parts = in_terminal("-m", "kit", "check", str(small / "small.yaml"))
    said = "".join(text for _, text in parts)
    assert status == 0
    first = next(seconds for seconds, text in parts if "starting" in text)
    answer = next(seconds for seconds, text in parts if "no faults" in text)
    assert first < answer / 2  # before anything heavy is imported; in seconds: well below one
    assert re.search(r"reading logs.*\d+ of \d+", said)
    assert said.rindex("\x1b[2K") < said.index("small: no faults")  # the bar is wiped first


SLOW = """
import logging, time
from kit.cli import _progress
with _progress("beginning"):
    log = logging.getLogger("marginbook.progress")
    for n in range(1, 4):
        log.info("logs: %d of %d", n, 3)
        time.sleep({})
    log.info("a word")
"""


@pytest.mark.parametrize(("env", "colour"), [({}, True), ({"NO_COLOR": "1"}, False)])
def test_progress_keeps_no_color(env, colour):
    _, parts = in_terminal("-c", SLOW.format(0.15), **env)
    said = "".join(text for _, text in parts)
    assert "3 of 3" in said and "a word" in said
    assert bool(re.search(r"\x1b\[[0-9;]*3[0-9]", said)) == colour


def test_where_there_is_no_terminal_progress_is_lines_after_two_seconds():
    said = {}
    for quiet in ("", "1"):
        env = {"MARGINBOOK_QUIET": quiet, "TERM": "xterm"}
        done = subprocess.run(
            [sys.executable, "-c", SLOW.format(0.8)], capture_output=True, text=True, check=True,
            env={**os.environ, **env},
        )  # fmt: skip
        assert done.stdout == ""
        said[quiet] = done.stderr
    assert said == {"": "... logs: 3 of 3 (2 s)\n", "1": ""}
