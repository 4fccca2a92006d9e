"""Twelve reviews of one bench, one of them broken: what is finished, told, kept and shown."""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from multiprocessing import current_process
from pathlib import Path
from statistics import fmean

import pytest
from years_bench import logged, typed, write_bench

from kit.archive.page_check import _plain_words as plain_words
from kit.claims.claim import Claim, ClaimBook, Figure, Subject
from kit.claims.of_pages import make_claims
from kit.errors import UsageError
from kit.report import season as season_module
from kit.report.files import note_inputs
from kit.report.season import (
    Outcome,
    RunOptions,
    _find_finished,
    _Finished,
    _index_page,
    _make_league,
    _Season,
    _write_season,
    run_reviews,
    write_guide,
)
from kit.review.walk import load_review, work_out
from tests.support import small_bench as small


def a_claim(kind, method, ratio, half, **about):
    low, high = ratio * math.exp(-half), ratio * math.exp(half)
    return Claim.make(
        kind, Subject(metric="average_fps", **about), Figure(ratio, low, high, 0.95, "ahead"),
        method=method,
    )  # fmt: skip


def finished(product, margins, *, baseline="old", name=None, folder=None):
    """Return a review with the margins given by title (ratio, half width of its ln)."""
    claims = [
        a_claim(
            "margin", "margin-welch", ratio, half, product=product, baseline=baseline, title=title
        )
        for title, (ratio, half) in margins.items()
    ]
    if claims:
        suite = math.exp(sum(math.log(r) for r, _ in margins.values()) / len(margins))
        claims.append(
            a_claim("suite", "suite-these-titles", suite, 0.003, product=product,
                    baseline=baseline, group="all", inputs=[c.id for c in claims])
        )  # fmt: skip
    book = ClaimBook(
        review=product, title=f"A look at {product}", byline="The desk", date="2026-11-16",
        product=product, kit_version="0", params_file="p.yaml", params_sha256="", settings={},
        layouts={}, claims=tuple(claims), runs=(),
        names={"products": {product: name or product.title(), baseline: baseline.title()}},
    )  # fmt: skip
    return _Finished(folder or f"of-{product}", book, product)


A = finished("a", {"dell": (1.2, 0.01), "hill": (1.3, 0.02)})
B = finished("b", {"dell": (1.1, 0.01), "hill": (1.5, 0.03), "moor": (4.0, 0.01)})


def test_only_shared_titles_count_and_intervals_follow_from_the_margins():
    league = _make_league([A, B])
    assert (league.baseline, league.titles) == ("old", ("dell", "hill"))
    first, second = league.places
    assert (first.product, second.product) == ("b", "a")
    # B's third title, in which it is far ahead, is not shared: recomputed from the two margins.
    assert first.ratio == pytest.approx(math.sqrt(1.1 * 1.5))
    half = math.hypot(0.01, 0.03) / 2
    assert (first.low, first.high) == pytest.approx(
        (first.ratio * math.exp(-half), first.ratio * math.exp(half))
    )
    assert (first.claim, first.outcome) == ("", "ahead")
    # A's suite is over just these titles, so its report's own claim stands.
    assert second.claim == "suite/average_fps/all/a-over-old"
    assert second.high == pytest.approx(math.sqrt(1.2 * 1.3) * math.exp(0.003))


def test_the_common_baseline_is_the_one_most_reviews_have():
    other = finished("c", {"dell": (1.4, 0.01)}, baseline="new")
    league = _make_league([A, B, other])
    assert league.baseline == "old"
    assert league.left_out == {"of-c": "no margin of averages over Old"}
    assert [p.product for p in _make_league([A, B, other], baseline="new").places] == ["c"]
    with pytest.raises(UsageError, match='no finished review has margins over "odl"; did you mean'):
        _make_league([A, B], baseline="odl")


def test_a_review_that_shares_no_title_leaves_the_others_theirs():
    alone = finished("d", {"fen": (2.0, 0.01)})
    league = _make_league([A, B, alone])
    assert league.titles == ("dell", "hill")
    assert league.left_out == {"of-d": "shares no title with the others"}


def test_nothing_to_compare_is_no_league():
    league = _make_league([finished("e", {})])
    assert league.places == () and len(league.to_frame()) == 0
    assert "none has a margin of averages" in _index_page([finished("e", {})], league)


def test_names_of_reviews_are_text_on_the_index_page():
    bad = finished("f", {"dell": (1.2, 0.01)}, name="<script>x</script> & co")
    page = _index_page([bad], _make_league([bad]))
    assert "<script" not in page and "&lt;script&gt;x&lt;/script&gt; &amp; co" in page


def test_folders_that_are_no_reviews_are_passed_over(tmp_path):
    (tmp_path / "notes").mkdir()
    (tmp_path / "half").mkdir()
    (tmp_path / "half" / "report.html").write_text("x")
    (tmp_path / "half" / "claims.json").write_text("{")
    assert _find_finished(tmp_path) == () and _find_finished(tmp_path / "none") == ()
    assert _write_season(tmp_path) == ()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["half", "notes"]


PRODUCTS = [f"part-{n:02d}" for n in range(1, 13)]
BENCH = """\
format: marginbook-bench/1
name: Twelve parts and an old one
layouts:
  plain: {files: "*.csv", frames: {column: took_ms, holds: frame_time, unit: ms}}
products:
  old: {name: The old part, class: desk}
"""
PARAMS = """\
format: marginbook-params/1
review: of-{name}
title: A look at {name}
byline: The desk
date: 2026-11-{day}
bench: bench
product: {name}
rivals: [old]
titles: all
controls: []
metrics: {{low: percentile}}
margins: {{method: auto, confidence: 0.95, level_band: 0.02, seed: 1}}
"""
BROKEN = "part-07"


def marginbook(*words, **more):
    return subprocess.run(
        [sys.executable, "-m", "kit", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        **more,
    )


def make_season(folder: Path) -> list[Path]:
    """Write a bench of thirteen products and a params file for each of twelve."""
    bench = folder / "bench"
    rows = logged(bench, "old", "dell", 20.0, runs=2) + typed("old", "hill", 50.0)
    for n, name in enumerate(PRODUCTS, 1):
        rows += typed(name, "hill", 50.0 * (1 + 0.05 * n))
        if n <= 2:
            rows += logged(bench, name, "dell", 20.0 / (1 + 0.05 * n), runs=2)
        else:
            # The logs hold a hitch of three frames' time more in 220 frames.
            level = 50.0 * (1 + 0.05 * n) / (1 + 3 / 220)
            rows += typed(name, "dell", level, steps=(-0.002, 0.002))
    write_bench(folder, rows)
    text = BENCH + "".join(f"  {p}: {{name: {p.title()}, class: desk}}\n" for p in PRODUCTS)
    text += "titles:\n  dell: {name: The Dell, planned_s: 4}\n  hill: {name: The Hill}\n"
    (bench / "bench.yaml").write_text(text, encoding="utf-8")
    paths = []
    for n, name in enumerate(PRODUCTS, 1):
        path = folder / f"{name}.yaml"
        path.write_text(PARAMS.format(name=name, day=f"{n:02d}"), encoding="utf-8")
        paths.append(path)
    return paths


def break_params(path: Path) -> str:
    """Name a rival that is not on the bench; return the text as it was."""
    whole = path.read_text(encoding="utf-8")
    path.write_text(whole.replace("rivals: [old]", "rivals: [odl]"), encoding="utf-8")
    return whole


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """A season of twelve with one broken review: its folder, params files and what was printed."""
    pytest.importorskip("papermill")
    folder = tmp_path_factory.mktemp("season")
    paths = make_season(folder)
    break_params(paths[6])
    done = marginbook("run", *paths, "--out", folder / "out", "--jobs", 3)
    return folder, paths, done


def reports(folder: Path) -> dict[str, int]:
    return {p.parent.name: p.stat().st_mtime_ns for p in (folder / "out").glob("*/report.html")}


def test_eleven_reports_one_clear_failure_exit_4(season):
    folder, paths, done = season
    assert done.returncode == 4, done.stderr
    assert sorted(reports(folder)) == [f"of-{p}" for p in PRODUCTS if p != BROKEN]
    lines = done.stdout.splitlines()
    assert sorted(line.split(":")[0] for line in lines[:12]) == [p.name for p in paths]
    (failed,) = [line for line in lines if "failed" in line]
    assert failed.startswith(f"{BROKEN}.yaml: failed with status 2: {BROKEN}.yaml, line 8")
    assert 'no product "odl" in bench.yaml; did you mean "old"?' in failed
    assert lines[12:] == ["11 of 12 reviews finished", f"index: {folder / 'out' / 'index.html'}"]
    assert "Traceback" not in done.stdout + done.stderr


def test_the_league_is_over_the_shared_titles_against_the_common_baseline(season):
    pd = pytest.importorskip("pandas")
    folder, _, _ = season
    table = pd.read_csv(folder / "out" / "season.csv")
    assert list(table["product"]) == [p for p in reversed(PRODUCTS) if p != BROKEN]
    assert set(table["baseline"]) == {"old"} and set(table["titles"]) == {2}
    # Each product is 5 % of the old one faster than the one before, by construction.
    assert table["ratio"].to_numpy() == pytest.approx(
        [1 + 0.05 * int(p[-2:]) for p in table["product"]], rel=0.002
    )
    assert (table["low"] < table["ratio"]).all() and (table["ratio"] < table["high"]).all()
    stored = pd.read_parquet(folder / "out" / "season.parquet")
    assert list(stored.columns) == list(table.columns)
    assert stored["ratio"].to_numpy() == pytest.approx(table["ratio"].to_numpy(), rel=1e-15)
    for name in table["review"]:
        book = json.loads((folder / "out" / name / "claims.json").read_bytes())
        (suite,) = [c for c in book["claims"] if c["kind"] == "suite" and c["metric"] ==
                    "average_fps" and c["product"] == book["review"]["product"]]  # fmt: skip
        row = table[table["review"] == name].iloc[0]
        assert (row["ratio"], row["low"], row["claim"]) == (
            suite["value"], suite["low"], suite["id"]
        )  # fmt: skip


def test_the_index_page_links_every_report_and_runs_nothing(season):
    from lxml import html

    folder, _, _ = season
    path = folder / "out" / "index.html"
    root = html.fromstring(path.read_bytes())
    links = {a.get("href") for a in root.iter("a")}
    for review in reports(folder):
        assert f"{review}/report.html" in links
    for target in links:
        if not target.startswith("#"):
            file, _, anchor = target.partition("#")
            page = (folder / "out" / file).read_text(encoding="utf-8")
            assert not anchor or f'id="{anchor}"' in page
    text = path.read_text(encoding="utf-8")
    assert "<script" not in text and "http" not in text.replace("http-equiv", "")
    assert f"of-{BROKEN}" not in text


def test_resume_does_only_the_missing_one(season):
    folder, paths, _ = season
    before = reports(folder)
    paths[6].write_text(PARAMS.format(name=BROKEN, day="07"), encoding="utf-8")
    done = marginbook("run", *paths, "--out", folder / "out", "--resume", "--json")
    assert done.returncode == 0, done.stderr
    ended = [json.loads(line) for line in done.stdout.splitlines()]
    made = [e["params"] for e in ended if e["message"] != "finished before, left as it is"]
    assert made == [f"{BROKEN}.yaml"] and len(ended) == 12
    after = reports(folder)
    assert set(after) - set(before) == {f"of-{BROKEN}"}
    assert all(after[name] == moment for name, moment in before.items())


def test_resume_runs_again_what_its_params_changed(season, monkeypatch):
    folder, paths, _ = season
    for path in paths[:2]:
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("A look at", "Another look at"), encoding="utf-8")
    before = reports(folder)
    if sys.platform == "linux":  # of the kit's own templates each is forked, and ends well
        monkeypatch.setattr("kit.report.season._run_apart", None)
    options = RunOptions(resume=True, jobs=2)
    run_reviews(paths[:3], out_dir=folder / "out", options=options)
    after = reports(folder)
    assert after["of-part-01"] > before["of-part-01"] and after["of-part-02"] > before["of-part-02"]
    assert after["of-part-03"] == before["of-part-03"]
    monkeypatch.setattr(current_process(), "daemon", True)  # as a worker with a nanny is
    sent = season_module._run_elsewhere((paths[0], options, season_module._all_code())).files
    for name in ("of-part-01/claims.json", "of-part-01/report.html"):
        assert sent[name] == (folder / "out" / name).read_bytes()
    alone = run_reviews(paths[2:3], out_dir=folder / "out", options=RunOptions(resume=True))
    assert alone.to_lines() == ["finished before, left as it is"]
    assert reports(folder) == after


def test_two_params_files_of_one_review_are_refused(tmp_path):
    paths = make_season(tmp_path)[:2]
    paths[1].write_text(paths[0].read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(UsageError, match=r'both make review "of-part-01"'):
        run_reviews(paths, out_dir=tmp_path / "out")
    with pytest.raises(UsageError, match="named twice"):
        run_reviews([paths[0], paths[0]], out_dir=tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_an_interrupt_ends_every_process_and_exits_130(tmp_path):
    pytest.importorskip("papermill")
    paths = make_season(tmp_path)[:4]
    out = tmp_path / "out"
    process = subprocess.Popen(
        [sys.executable, "-m", "kit", "run", *map(str, paths), "--out", str(out), "--jobs", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    until = time.monotonic() + 60
    while not list(out.glob(".of-*.partial-*")) and time.monotonic() < until:
        time.sleep(0.05)
    assert children_of(process.pid)
    below = [pid for child in children_of(process.pid) for pid in (child, *children_of(child))]
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    time.sleep(1.5)  # a kernel looks for its parent once a second
    assert [pid for pid in below if alive(pid)] == []
    assert not list(out.glob("of-*")), "half-made folders"


def children_of(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == pid:
            found.append(int(stat.parent.name))
    return found


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_season_says_how_it_ended():
    fine = Outcome(Path("a.yaml"), 0, "out/a/report.html")
    bad = Outcome(Path("b.yaml"), 3, "no log")
    assert _Season((fine,)).exit_status == 0 and _Season((fine,)).to_lines() == [fine.message]
    assert _Season((bad,)).exit_status == 3
    both = _Season((fine, bad))
    assert both.exit_status == 4
    assert both.to_lines() == ["a.yaml: out/a/report.html", "b.yaml: failed with status 3: no log"]
    assert both.closing_lines() == ["1 of 2 reviews finished"]
    stale = Outcome(Path("a.yaml"), 0, "out/a/report.html", "changed since: prices")
    assert _Season((stale,)).to_lines() == ["out/a/report.html (run again, changed since: prices)"]


# --- the guide ---


@pytest.fixture
def shelf(tmp_path):
    """Two finished reviews of one bench, of p0 and p1 over p2, with a text; and the bench.

    Beside p0 a third rival was measured that no review is about, without a run in one title.
    """
    bench = small.small_bench(products=4, titles=4, runs=3)
    bench = replace(
        bench, runs=tuple(r for r in bench.runs if (r.product, r.title) != ("p3", "t3"))
    )
    groups = {"first": {"name": "First", "titles": ["t0", "t1"]}}
    for n, (own, rivals) in enumerate((("p0", ["p2", "p3"]), ("p1", ["p2"]))):
        of_one = bench.with_params(
            review=f"of-{own}", product=own, rivals=rivals, suites=groups, text="t.md"
        )
        folder = tmp_path / "desk" if not n else tmp_path / "other"
        (tmp_path / "out" / f"of-{own}").mkdir(parents=True)
        params = small.write_bench(of_one, folder)
        (folder / "t.md").write_text("It costs {{price p0 at street}}.\n" if not n else "None.\n")
        review = load_review(params)
        book = make_claims(review, work_out(review))
        out = tmp_path / "out" / f"of-{own}"
        (out / "claims.json").write_bytes(book.to_json())
        (out / "report.html").write_text("<p>")
        note_inputs(out, params)
    return tmp_path


def test_the_guide_ranks_prices_and_frontier_of_today_and_nothing_is_alarmed(shelf):
    path, alerts, unknown = write_guide(shelf / "out", today=dt.date(2026, 11, 20))
    page = plain_words(path.read_text(encoding="utf-8"))
    assert alerts == unknown == [] and "Every sentence of these reviews still holds." in page
    assert page.index("1. Part 0") < page.index("2. Part 1")
    # By hand: 910, 810 and 710 at the median of two street prices; 1.09 a step of speed.
    for price in ("910", "810", "710"):
        assert f"EUR {price}".replace(" ", "\u00a0") in page or f"EUR {price}" in page
    assert "First: Part 0, " in page and "Weigh your own needs" in page
    assert "Every report is what its bench gives today" in page


def test_the_guide_ranks_what_was_measured_beside_a_review(shelf):
    path, *_ = write_guide(shelf / "out", today=dt.date(2026, 11, 20))
    page = path.read_text(encoding="utf-8")
    words = plain_words(page)
    assert "over the 3 titles that every product here shares" in words
    # By the frames themselves: geometric mean over the shared titles of mean rates, runs averaged.
    bench = small.small_bench(products=4, titles=4, runs=3)
    cells = {(r.product, r.title): [] for r in bench.runs}
    for run in bench.runs:
        cells[run.product, run.title].append(1e9 * len(run.frame_ns) / sum(run.frame_ns))
    logs = [math.log(fmean(cells["p3", t]) / fmean(cells["p2", t])) for t in ("t0", "t1", "t2")]
    (shown,) = re.findall(r"3\. Part 3 −([\d.]+)", words)
    assert float(shown) == pytest.approx(100 * (1 - math.exp(fmean(logs))), abs=0.051)
    assert 'href="of-p0/report.html">' in page  # no place in a report that was not asked for it
    assert "p3-over" not in page


def test_the_guide_names_published_sentences_that_a_new_price_no_longer_bears_out(shelf):
    prices = shelf / "desk" / "bench" / "prices.csv"
    with prices.open("a", encoding="utf-8") as file:
        file.writelines(f"p0,{price},EUR,street,2026-12-0{n},shop {n}\n"
                        for n, price in enumerate((500, 501, 502), 1))  # fmt: skip
    out = shelf / "out"
    before = {p: p.read_bytes() for p in out.rglob("claims.json")}
    path, alerts, _ = write_guide(out, today=dt.date(2026, 12, 5), machine_class="desk")
    assert {a["review"] for a in alerts} == {"of-p0"}  # the other review's bench is its own
    text = [a for a in alerts if a["where"].startswith("text, line 1")]
    assert "910" in text[0]["published"] and "502" in text[0]["today"]
    article = [a for a in alerts if a["where"] == "article"]
    assert any("dearer" in a["published"] and "cheaper" in a["today"] for a in article)
    page = path.read_text(encoding="utf-8")
    assert "of-p0, of 2026-11-20: changed since: prices" in plain_words(page)
    assert "Printed(" not in page and len({a["published"] for a in alerts}) == len(alerts)
    assert before == {p: p.read_bytes() for p in out.rglob("claims.json")}
    # Before those days they do not count.
    assert write_guide(out, today=dt.date(2026, 11, 20))[1] == []


@pytest.mark.parametrize("lost", [1, 2])
def test_the_guide_does_not_vouch_for_reviews_it_could_not_make_again(shelf, lost):
    for folder in ("desk", "other")[:lost]:
        (shelf / folder / "bench").rename(shelf / folder / "gone")
    path, alerts, unknown = write_guide(shelf / "out", today=dt.date(2026, 11, 20))
    page = plain_words(path.read_text(encoding="utf-8"))
    assert unknown == ["of-p0", "of-p1"][:lost] and not alerts
    if lost == 1:
        assert "Every sentence of the 1 of 2 made again still holds." in page
    else:
        assert "Not known: no review here could be made again." in page
        assert "No price up to 2026-11-20 in what could be made again." in page
        assert "Since its review" not in page


def test_a_guide_of_nothing_or_of_an_unknown_class_is_refused(shelf, tmp_path):
    with pytest.raises(UsageError, match='of the class dsek; did you mean "desk"'):
        write_guide(shelf / "out", today=dt.date(2026, 12, 5), machine_class="dsek")
    with pytest.raises(UsageError, match=r"no finished review$"):
        write_guide(tmp_path / "desk", today=dt.date(2026, 12, 5))
