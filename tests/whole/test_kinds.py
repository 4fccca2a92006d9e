"""Every kind of result through run sheet, margins, suite, value and page; dB by difference."""

import json
import math

import pytest
from scipy import stats
from years_bench import STEPS, kinds_rows, write_bench, write_params

from kit.archive.page_check import _plain_words as plain_words
from kit.archive.remake import _compare_books, reads_as_stated
from kit.claims.claim import anchor_of
from kit.claims.of_pages import make_claims
from kit.methods import METHODS
from kit.page import tables
from kit.page.view import show
from kit.review.walk import load_review, work_out


@pytest.fixture(scope="module")
def kinds(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kinds")
    write_bench(folder, kinds_rows(folder), kinds=True)
    waiver = "waivers: [{control: memory, products: [two], reason: Sold with half of it.}]\n"
    bench = folder / "bench" / "bench.yaml"
    text = bench.read_text().replace('desk, configuration: {memory: "32"}}\n  three',
                                     'desk, configuration: {memory: "16"}}\n  three')  # fmt: skip
    bench.write_text(text)
    path = write_params(folder, waiver)
    review = load_review(path)
    results = work_out(review)
    return path, review, results, make_claims(review, results)


def test_ratios_of_every_kind_run_the_right_way_round(kinds):
    _, _, _, book = kinds
    pairs = {"score": 1200 / 1000, "task": 60 / 50, "meter": 180 / 150, "battery": 6 / 5}
    for title, ratio in pairs.items():
        claim = book.by_id[f"margin/value/{title}/one-over-two"]
        assert claim.value == pytest.approx(ratio, rel=1e-5), title
        assert claim.outcome == "ahead"
        assert ("less_is_better" in claim.marks) == (title in {"task", "meter"})
    units = {c.title: c.unit for c in book.of_kind("cell", metric="value", product="one")}
    assert units == {"score": "points", "task": "s", "meter": "W", "fan": "dB(A)", "battery": "h"}


def test_a_suite_of_results_holds_what_is_speed_and_says_what_is_not(kinds):
    _, _, results, book = kinds
    (suite,) = [s for s in results.suites if s.metric == "value"]
    assert suite.titles == ("score", "task")
    assert suite.ratio == pytest.approx(1.2, rel=1e-5)
    assert set(suite.left_out) == {"meter", "fan", "battery"}
    assert "difference" in suite.left_out["fan"]
    assert book.by_id["suite/value/all/one-over-two"].value == suite.ratio


def test_levels_are_compared_by_difference_and_never_by_ratio(kinds):
    path, _, _, book = kinds
    assert book.get("margin/value/fan/one-over-two") is None
    claim = book.by_id["level_difference/value/fan/one-over-two"]
    by_welch = path.with_name("welch.yaml")
    by_welch.write_text(path.read_text().replace("method: auto", "method: welch"))
    welch = work_out(load_review(by_welch)).levels[0]
    # Product minus baseline; scipy's Welch interval of the levels themselves.
    a, b = ([level + 100 * step for step in STEPS] for level in (36, 40))
    beside = stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.95)
    assert claim.value == welch.value == pytest.approx(-4.0)
    assert (welch.low, welch.high) == pytest.approx((beside.low, beside.high), rel=1e-4)
    assert claim.low < -4 < claim.high < 0  # shared: the cells lend each other their spread
    assert (claim.outcome, claim.unit, claim.method) == ("ahead", "dB(A)", "difference")
    assert claim.text == "\u22124.0\u00a0dB(A)"
    assert "waived:memory" in claim.marks
    assert claim.inputs == ("cell/value/fan/one", "cell/value/fan/two")


def test_energy_per_frame_is_power_times_time_over_frames(kinds):
    _, review, _, book = kinds
    claim = book.by_id["cell/energy/dell/one"]
    # 100 W all along (see `logged`): energy is 100 W times the mean time of a frame.
    seconds = [review.metrics[f"one-dell-{n}"].duration_s for n in (1, 2, 3)]
    frames = [review.metrics[f"one-dell-{n}"].frames for n in (1, 2, 3)]
    each = [100.0 * s / f for s, f in zip(seconds, frames, strict=True)]
    assert claim.value == pytest.approx(math.prod(each) ** (1 / 3), rel=1e-9)
    assert claim.low < claim.value < claim.high
    assert (claim.kind, claim.method, claim.unit) == ("energy", "energy-per-frame", "J")
    rate = book.by_id["cell/fps_per_watt/dell/one"]
    assert rate.value == pytest.approx(1 / claim.value)
    assert (rate.low, rate.high) == pytest.approx((1 / claim.high, 1 / claim.low))
    assert book.get("cell/energy/hill/one") is None  # no power was logged there


def test_metered_energy_stands_apart_from_logged(kinds):
    _, _, _, book = kinds
    claim = book.by_id["cell/energy-metered-by-meter/dell/one"]
    power = book.by_id["cell/value/meter/one"]
    rate = book.by_id["cell/average_fps/dell/one"]
    assert claim.value == pytest.approx(power.value / rate.value)
    assert claim.inputs == (power.id, rate.id) and claim.method == "energy-metered"


def test_every_claim_leads_to_runs_and_reads_as_its_figure(kinds):
    path, review, _, book = kinds
    assert book.trace_faults() == []
    checked = [c for c in book.claims if c.kind in {"level_difference", "energy", "fps_per_watt"}]
    assert len(checked) == 1 + 2 * 4
    for claim in checked:
        assert reads_as_stated(claim, "en"), claim.id
        assert claim.runs and claim.method in METHODS
    again = load_review(path, bench_folder=review.bench.folder)
    assert [*_compare_books(book, make_claims(again, work_out(again)))] == []


def test_the_page_shows_every_kind(kinds):
    *_, book = kinds
    levels = plain_words(show(book, tables.LEVELS).markup)
    assert "differences, not ratios" in levels and "\u22124.0" in levels
    energy = plain_words(show(book, tables.ENERGY).markup)
    assert "power logged by the part's own sensor" in energy and "power metered" in energy
    assert book.by_id["cell/energy/dell/two"].text in energy.replace(" ", "\u00a0")
    table = plain_words(show(book, tables.TITLES, metric="value").markup)
    for name in ("A score", "A task", "At the meter", "Fan", "Battery"):
        assert name in table
    margins = plain_words(show(book, tables.MARGINS, metric="value").markup)
    assert "Battery +20.0" in margins and "Fan" not in margins
    suite = plain_words(show(book, tables.SUITES_LOW).markup)
    assert "result Product Two +20.0" in suite
    assert show(book, tables.SUITES).markup


def test_a_review_of_every_kind_runs_to_its_page(kinds):
    pytest.importorskip("papermill")
    from kit.report.report import run_review

    path = kinds[0]
    done = run_review(path, out_dir=path.parent / "out", timeout_s=120)
    page = done.report.read_text(encoding="utf-8")
    assert f'href="#{anchor_of("level_difference/value/fan/one-over-two")}"' in page
    assert f'href="#{anchor_of("cell/energy/dell/one")}"' in page
    assert {"tables/levels.csv", "tables/energy.csv"} <= set(done.files)
    claims = json.loads((done.folder / "claims.json").read_bytes())["claims"]
    assert {"level_difference", "energy", "fps_per_watt"} <= {c["kind"] for c in claims}


def test_a_review_without_a_title_of_frames_runs_too(tmp_path):
    rows = [r for r in kinds_rows(tmp_path) if r["title"] not in {"dell", "hill"}]
    write_bench(tmp_path, rows, kinds=True)
    review = load_review(write_params(tmp_path))
    results = work_out(review)
    book = make_claims(review, results)
    assert show(book, tables.ENERGY).markup == ""
    assert "dB(A)" in show(book, tables.LEVELS).markup
