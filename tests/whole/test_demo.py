"""The demo review end to end: every margin recomputed from raw files, without the kit's statistics.

The recomputation reads the raw logs with pandas and pyarrow as their layouts in claims.json say,
and uses numpy only. What it agrees with is arithmetic, not the kit's own code.
"""

import gzip
import hashlib
import io
import json
import math
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from redrawn import own_sources, redraw_cells
from shown_words import codes_shown

from kit.claims.claim import ClaimBook, anchor_of
from kit.errors import UsageError
from kit.report.report import redraw_report
from kit.settings.params import load_params

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "example_runs"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The folder of the demo review, run twice from two folders."""
    pytest.importorskip("papermill")
    folders = []
    for name in ("here", "there"):
        out = tmp_path_factory.mktemp(name) / "some" / name
        done = subprocess.run(
            [
                sys.executable,
                "-m",
                "kit",
                "run",
                str(ROOT / "params" / "demo.yaml"),
                "--out",
                str(out),
            ],
            cwd=ROOT if name == "here" else out.parent.parent,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.strip() == str(out / "demo" / "report.html")
        folders.append(out / "demo")
    return folders


@pytest.fixture(scope="module")
def claims(made):
    return json.loads((made[0] / "claims.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def page(made):
    return (made[0] / "report.html").read_text(encoding="utf-8")


def raw_bytes(run) -> bytes:
    data = (BENCH / run["file"]).read_bytes()
    assert hashlib.sha256(data).hexdigest() == run["sha256"], run["id"]
    return data


def frame_ms(run, layouts) -> np.ndarray:
    """Frame times of a raw log, by its layout, with nothing but pandas, pyarrow and numpy."""
    data, layout = raw_bytes(run), layouts[run["layout"]]
    column, unit = layout["frames"]["column"], layout["frames"]["unit"]
    scale = {"s": 1000.0, "ms": 1.0, "us": 0.001, "ns": 1e-6}[unit]
    if layout["container"] == "parquet":
        values = pq.read_table(io.BytesIO(data))[column].to_numpy().astype(float)
    else:
        if run["file"].endswith(".gz"):
            data = gzip.decompress(data)
        if run["file"].endswith(".zst"):
            data = pa.CompressedInputStream(pa.BufferReader(data), "zstd").read()
        table = pd.read_csv(
            io.BytesIO(data),
            sep="\t" if layout["delimiter"] == "tab" else layout["delimiter"],
            decimal=layout["decimal"],
            comment=layout["comment"],
            encoding="utf-8-sig",
            header=0 if layout["header"] else None,
            skiprows=layout["skip_lines"],
        )
        values = (table[column] if layout["header"] else table.iloc[:, column - 1]).to_numpy(float)
    values = values * scale
    return np.diff(values) if layout["frames"]["holds"] == "frame_end" else values


@pytest.fixture(scope="module")
def recomputed(claims):
    """Metric values of each used run, by (metric, run), by hand."""
    values = {}
    with (BENCH / "runs.csv").open(encoding="utf-8") as stream:
        sheet = pd.read_csv(stream).set_index("run")
    for run in claims["runs"]:
        if not run["used"]:
            continue
        if not run["file"]:
            for metric in ("average_fps", "low_1pct_fps", "value"):
                if not math.isnan(sheet.loc[run["id"], metric]):
                    values[metric, run["id"]] = float(sheet.loc[run["id"], metric])
            continue
        ms = frame_ms(run, claims["layouts"])
        assert len(ms) == run["frames"]
        # The lows in force in the demo: the rate over the slowest share of frames.
        worst = np.sort(ms)[::-1]
        values["average_fps", run["id"]] = 1000 * len(ms) / ms.sum()
        for metric, per_mille in (("low_1pct_fps", 10), ("low_0_1pct_fps", 1)):
            count = -(-len(ms) * per_mille // 1000)
            values[metric, run["id"]] = 1000 * count / worst[:count].sum()
    return values


def of_kind(claims, kind):
    return [claim for claim in claims["claims"] if claim["kind"] == kind]


def geometric_mean(values) -> float:
    return float(np.exp(np.mean(np.log(values))))


def test_every_run_figure_follows_from_its_raw_file(claims, recomputed):
    runs = [c for c in of_kind(claims, "run") if c["runs"]]
    assert len(runs) > 900
    for claim in runs:
        assert claim["value"] == pytest.approx(
            recomputed[claim["metric"], claim["runs"][0]], rel=1e-9
        )


def test_every_margin_follows_from_the_runs_it_lists(claims, recomputed):
    by_run = {run["id"]: run for run in claims["runs"]}
    margins = of_kind(claims, "margin")
    for claim in margins:
        sides = []
        for product in (claim["product"], claim["baseline"]):
            runs = [r for r in claim["runs"] if by_run[r]["product"] == product]
            assert runs and all(by_run[r]["title"] == claim["title"] for r in runs)
            if claim["method"].startswith("margin-paired"):  # the mean of each session first
                sessions: dict[str, list[float]] = {}
                for r in runs:
                    value = recomputed[claim["metric"], r]
                    sessions.setdefault(by_run[r]["session"], []).append(value)
                sides.append(sessions)
            else:
                sides.append(geometric_mean([recomputed[claim["metric"], r] for r in runs]))
        if isinstance(sides[0], dict):
            assert sides[0].keys() == sides[1].keys()
            counts = {k: (len(sides[0][k]), len(sides[1][k])) for k in sides[0]}
            weights = np.array([1 / (1 / a + 1 / b) for a, b in counts.values()])
            logs = np.array(
                [
                    np.log(geometric_mean(sides[0][k]) / geometric_mean(sides[1][k]))
                    for k in sides[0]
                ]
            )
            ratio = float(np.exp((weights * logs).sum() / weights.sum()))
        else:
            ratio = sides[0] / sides[1]
        if "less_is_better" in claim["marks"]:
            ratio = 1 / ratio
        assert claim["value"] == pytest.approx(ratio, rel=1e-9), claim["id"]
    assert len(margins) > 200


def test_there_is_a_margin_for_every_title_and_rival(claims):
    settings = claims["settings"]
    margins = {(c["metric"], c["title"], c["baseline"]): c for c in of_kind(claims, "margin")}
    cells = {(c["metric"], c["title"], c["product"]) for c in of_kind(claims, "cell")}
    expected = [
        (metric, title, rival)
        for metric in ("average_fps", "low_1pct_fps")
        for rival in settings["rivals"]
        for title in {c["title"] for c in of_kind(claims, "cell")}
        if {(metric, title, rival), (metric, title, settings["product"])} <= cells
    ]
    assert len(expected) > 60
    for key in expected:
        claim = margins[key]
        assert claim["low"] is not None or "no_interval" in claim["marks"]
        assert claim["outcome"] in {"ahead", "behind", "level", "unresolved"}


def test_every_suite_is_the_geometric_mean_of_its_margins(claims):
    by_id = {claim["id"]: claim for claim in claims["claims"]}
    suites = of_kind(claims, "suite")
    for suite in suites:
        ratios = [by_id[name]["value"] for name in suite["inputs"]]
        assert suite["value"] == pytest.approx(geometric_mean(ratios), rel=1e-9)
        # Common practice, no source: a mean lies between the smallest and the largest.
        assert min(ratios) * (1 - 1e-12) <= suite["value"] <= max(ratios) * (1 + 1e-12)
        counts = [
            c
            for c in of_kind(claims, "suite_count")
            if c["id"].rsplit("/", 1)[0] == suite["id"].replace("suite/", "suite_count/", 1)
        ]
        assert sum(c["value"] for c in counts) == len(ratios)
    assert len(suites) > 20


def test_every_trace_ends_at_raw_runs(claims):
    by_id = {claim["id"]: claim for claim in claims["claims"]}
    runs = {run["id"] for run in claims["runs"]}
    for claim in claims["claims"]:
        assert all(name in by_id or name in runs for name in claim["inputs"]), claim["id"]
        if claim["kind"] in {"cell", "margin", "suite", "gap"}:
            seen, stack = set(), list(claim["inputs"])
            while stack:
                name = stack.pop()
                if name in runs:
                    seen.add(name)
                else:
                    stack += by_id[name]["inputs"]
            assert set(claim["runs"]) <= seen, claim["id"]


def test_two_builds_are_equal_byte_for_byte(made):
    names = sorted(p.relative_to(made[0]).as_posix() for p in made[0].rglob("*") if p.is_file())
    assert {"report.html", "claims.json", "executed.ipynb"} <= set(names)
    for name in names:
        if not name.startswith("."):
            assert (made[0] / name).read_bytes() == (made[1] / name).read_bytes(), name


def test_the_page_has_no_script_and_loads_nothing(page):
    assert not re.search(r"<script|\son\w+\s*=|javascript:", page, re.IGNORECASE)
    assert not re.search(r'(?:src|href|poster|data)\s*=\s*["\']?(?:https?:|//|file:)', page)
    assert "@import" not in page and not re.search(r"url\((?!['\"]?data:)", page)
    assert re.search(r'http-equiv="Content-Security-Policy" content="default-src \'none\'', page)


def test_the_page_tells_no_machine(page, made):
    import getpass
    import socket

    texts = [page, (made[0] / "executed.ipynb").read_text(), (made[0] / "claims.json").read_text()]
    for text in texts:
        for secret in (str(ROOT), str(Path.home()), socket.gethostname(), str(made[0].parent)):
            if len(secret) > 4:
                assert secret not in text
    assert getpass.getuser()


def test_every_figure_in_the_page_is_its_claim(page, claims):
    from lxml import html

    tree = html.fromstring(page)
    ids = set(tree.xpath("//@id"))
    by_anchor = {anchor_of(c["id"]): c for c in claims["claims"]}
    links = tree.xpath("//a[contains(@class, 'fig')]")
    assert len(links) > 300
    for link in links:
        anchor = link.get("href").removeprefix("#")
        assert anchor in ids, anchor
        claim = by_anchor[anchor]
        values = link.xpath(".//data/@value")
        assert values and float(values[0]) == claim["value"], anchor


def test_each_margin_in_the_page_leads_to_runs_with_hashes(page, claims):
    from lxml import html

    tree = html.fromstring(page)
    run_sha = {run["id"]: run["sha256"] for run in claims["runs"]}
    shown = {a.get("href")[1:] for a in tree.xpath("//a[contains(@class, 'fig')]")}
    margins = [c for c in of_kind(claims, "margin") if anchor_of(c["id"]) in shown]
    assert len(margins) > 100
    for claim in margins:
        entry = tree.get_element_by_id(anchor_of(claim["id"]))
        # Another metric of the very same runs stands inside the entry that links them.
        entries = [entry, *entry.iterancestors("div")][:2] if entry.tag == "li" else [entry]
        found = (e.xpath("./a/@href | ./dl/dd/a/@href") for e in entries)
        linked = {href[1:] for hrefs in found for href in hrefs if "#run-" in href}
        assert {f"run-{run}" for run in claim["runs"]} <= linked, claim["id"]
        for name in claim["runs"]:
            row = tree.get_element_by_id(f"run-{name}")
            assert run_sha[name] in row.text_content()


def test_the_page_is_small(page):
    assert len(page.encode()) <= 1_800_000


def test_trace_prints_method_runs_files_and_hashes(made, claims):
    claim = of_kind(claims, "margin")[0]
    done = subprocess.run(
        [sys.executable, "-m", "kit", "trace", str(made[0]), claim["id"]],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert claim["method"] in done.stdout
    for run in claims["runs"]:
        if run["id"] in claim["runs"]:
            assert run["sha256"] in done.stdout and run["file"] in done.stdout


def test_the_page_is_made_again_from_its_claims_and_text_to_the_byte(made, tmp_path):
    folder = tmp_path / "demo"
    folder.mkdir()
    (folder / "claims.json").write_bytes((made[0] / "claims.json").read_bytes())
    page, words = tmp_path / "page.html", "Not made again: it does not follow from the claims."
    text = ROOT / "params" / load_params(ROOT / "params" / "demo.yaml").params.text
    assert redraw_report(folder, to=page, text=text) == ("environment",)
    before, after = page.read_text(encoding="utf-8").split(f"<p>{words}")
    first = (made[0] / "report.html").read_text(encoding="utf-8")
    assert first.startswith(before) and first.endswith(after.partition("</p>")[2])
    assert len(first) - len(before) - len(after) < 30_000  # what was installed, in a table
    # Without the text its place says so; the rest stays.
    assert redraw_report(folder, to=page) == ("text", "environment")
    assert page.read_text(encoding="utf-8").count(words) == 2
    with pytest.raises(UsageError, match="in the review's own folder"):
        redraw_report(folder, to=folder / "page.html")


def test_the_executed_demo_is_what_its_claims_give(made):
    notebook = json.loads((made[0] / "executed.ipynb").read_text(encoding="utf-8"))
    book = ClaimBook.parse((made[0] / "claims.json").read_bytes(), file="claims.json")
    again = redraw_cells(book, own_sources("review"))
    compared = 0
    for cell in notebook["cells"]:
        if cell.get("id") in again:
            shown = "".join(
                "".join(output.get("data", {}).get("text/html", "")) for output in cell["outputs"]
            )
            assert again[cell["id"]].markup in shown, cell["id"]
            compared += 1
    assert compared == len(again) == 36


def test_no_code_reaches_a_reader_of_the_page(made, page):
    book = ClaimBook.parse((made[0] / "claims.json").read_bytes(), file="claims.json")
    assert codes_shown(page, book) == set()
