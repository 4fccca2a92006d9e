"""Logs really measured, taken in by `add` and reviewed: tests/data/real_runs/README.md.

Checked against plain numpy on the files themselves, which knows nothing of the kit.
"""

import csv
import gzip
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).parents[1] / "data" / "real_runs"
TITLES = ("denoise", "skin", "haze", "depth", "crowd", "water")


def marginbook(*words, cwd=None):
    return subprocess.run(
        [sys.executable, "-m", "kit", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=cwd,
        check=False,
    )


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A bench with all 54 logs taken in through the command."""
    folder = tmp_path_factory.mktemp("real") / "bench"
    folder.mkdir()
    for name in ("bench.yaml", "runs.csv", "params-threads-8.yaml", "params-threads-12.yaml"):
        shutil.copy(DATA / name, folder / name)
    done = marginbook(
        "add",
        folder,
        "--index",
        DATA / "index.csv",
        "--column",
        "title=scene",
        "--column",
        "product=threads",
        "--column",
        "session=run",
        "--map",
        "product:4=threads-4",
        "--map",
        "product:8=threads-8",
        "--map",
        "product:12=threads-12",
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "54 added, 0 not"
    return folder


@pytest.fixture(scope="module")
def reviews(bench, tmp_path_factory):
    pytest.importorskip("papermill")
    out = tmp_path_factory.mktemp("out")
    books = {}
    for name in ("threads-8", "threads-12"):
        done = marginbook("run", bench / f"params-{name}.yaml", "--out", out)
        assert done.returncode == 0, done.stderr
        books[name] = json.loads((out / name / "claims.json").read_text(encoding="utf-8"))
    return books


@pytest.fixture(scope="module")
def averages():
    """Average rate of every pass, frames over seconds, by numpy alone."""
    found = {}
    with (DATA / "index.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            path = DATA / row["file"]
            if row["threads"] == "4":
                ms = np.loadtxt(path, delimiter=",", skiprows=1)[:, 1]
            elif row["threads"] == "8":
                text = path.read_text(encoding="utf-8-sig").replace(",", ".")
                lines = [line for line in text.splitlines() if line and line[0].isdigit()]
                ms = np.diff([float(line.split(";")[1]) for line in lines]) * 1000
            else:
                ms = np.array(gzip.decompress(path.read_bytes()).split(), dtype=float) / 1000
            found[f"threads-{row['threads']}", row["scene"], row["run"]] = 1000 * ms.size / ms.sum()
    assert len(found) == 54
    return found


def test_the_copies_are_unchanged(bench):
    for path in (DATA / "logs").iterdir():
        assert (bench / "logs" / path.name).read_bytes() == path.read_bytes()


def test_taking_them_in_again_adds_nothing(bench):
    before = (bench / "runs.csv").read_bytes()
    done = marginbook(
        "add",
        bench,
        DATA / "logs",
        "--pattern",
        "{title}-t{product}-{session}",
        "--map",
        "product:4=threads-4",
        "--map",
        "product:8=threads-8",
        "--map",
        "product:12=threads-12",
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1].startswith("0 added, 54 not")
    assert (bench / "runs.csv").read_bytes() == before


@pytest.mark.parametrize("name", ["threads-8", "threads-12"])
def test_every_average_is_numpys(reviews, averages, name):
    runs = {run["id"]: run for run in reviews[name]["runs"]}
    claims = [
        c for c in reviews[name]["claims"] if c["kind"] == "run" and c["metric"] == "average_fps"
    ]
    assert len(claims) == 36
    for claim in claims:
        run = runs[claim["inputs"][0]]
        expected = averages[run["product"], run["title"], run["session"]]
        assert claim["value"] == pytest.approx(expected, rel=1e-6), run["id"]


@pytest.mark.parametrize("name", ["threads-8", "threads-12"])
def test_the_suite_margin_is_numpys(reviews, averages, name):
    # Passes of one number share the load of their time: pairs. All passes are used, three a side,
    # so the mean over pairs of ln(ratio) is the difference of the means of ln(average).
    logs = [
        np.mean([np.log(averages[name, t, p] / averages["threads-4", t, p]) for p in "123"])
        for t in TITLES
    ]
    suite = next(
        c
        for c in reviews[name]["claims"]
        if c["id"] == f"suite/average_fps/all/{name}-over-threads-4"
    )
    assert suite["value"] == pytest.approx(float(np.exp(np.mean(logs))), rel=1e-6)
    assert suite["low"] < suite["value"] < suite["high"]


@pytest.mark.parametrize("name", ["threads-8", "threads-12"])
def test_scenes_that_do_not_gain_are_not_called_ahead(reviews, name):
    # README of the data: crowd is bound by one thread, depth does not gain either.
    outcomes = {
        c["title"]: c["outcome"]
        for c in reviews[name]["claims"]
        if c["kind"] == "margin" and c["metric"] == "average_fps"
    }
    assert set(outcomes) == set(TITLES)
    for title in ("crowd", "depth"):
        assert outcomes[title] in {"level", "unresolved", "behind"}, title
    assert "ahead" in outcomes.values()


def test_a_second_opinion_agrees(reviews, bench, tmp_path, capsys):
    from kit.archive import second_opinion

    (tmp_path / "bench").symlink_to(bench)
    for book in reviews.values():
        (tmp_path / "claims.json").write_text(json.dumps(book))
        assert second_opinion.main([str(tmp_path)]) == 0
        said = capsys.readouterr().out
        assert "run: 108 worked out again" in said
        assert said.endswith(" 0 differ\n")
