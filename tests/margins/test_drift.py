"""A partial re-test: what the products run again tell, and that old and new never mix."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats
from years_bench import STEPS, typed, write_bench, write_params

from kit.archive.page_check import _plain_words as plain_words
from kit.bench.runs import RunRow
from kit.claims.of_pages import make_claims
from kit.errors import ParamsError
from kit.margins.cells import Cell
from kit.margins.drift import compare_parts
from kit.page import tables
from kit.page.view import show
from kit.review.walk import load_review, work_out
from kit.screening.controls import Controls
from kit.screening.run_rules import epoch_of
from kit.settings.params import MarginParams, RetestParams, ReviewParams
from kit.trace import Trace

RETEST = "retest: {condition: driver, old: ['50'], new: ['52']}\n"
MOVED = {("two", "dell"): 1.04, ("two", "hill"): 1.02, ("three", "dell"): 1.01,
         ("three", "hill"): 1.03}  # fmt: skip


def years_rows(again=("two", "three")):
    """Return rows of three products: all of old, the reviewed and those of `again` of new."""
    rows = []
    for title, level in (("dell", 100.0), ("hill", 60.0)):
        rows += typed("one", title, 1.2 * level)
        for product in ("two", "three"):
            rows += typed(product, title, level, began="2026-03-01", driver="50", tag="-before")
            if product in again:
                rows += typed(product, title, level * MOVED[product, title])
    return rows


def reviewed(folder, rows, more=RETEST):
    write_bench(folder, rows)
    review = load_review(write_params(folder, more))
    results = work_out(review)
    return review, results, make_claims(review, results)


def test_old_runs_of_what_was_run_again_are_set_aside_and_no_cell_mixes(tmp_path):
    review, results, _ = reviewed(tmp_path, years_rows(again=("two",)))
    drivers = {row.run: row.conditions["driver"] for row in review.rows}
    for cell in results.cells:
        assert len({drivers[run] for run in cell.runs}) == 1
    assert {drivers[run] for run in review.screened.set_aside} == {"50"}
    reason = review.screened.set_aside["two-dell-before-1"]
    assert reason == "run again since: driver is 50 here and 52 in the new runs"
    # With all runs put back, old and new would mix: such a margin is not made.
    assert all(m.ratio_all_runs is None for m in results.margins)


def test_without_the_section_the_mix_is_at_least_flagged(tmp_path):
    review, results, _ = reviewed(tmp_path, years_rows(again=("two",)), more="")
    assert results.drifts == ()
    flags = [f for f in review.screened.flags if f.rule == "conditions_differ"]
    assert {(f.product, f.title) for f in flags} == {("two", "dell"), ("two", "hill")}


def test_margins_over_what_was_not_run_again_are_marked_and_not_corrected(tmp_path):
    _, results, _ = reviewed(tmp_path, years_rows(again=("two",)))
    marked = {(m.baseline, m.title) for m in results.margins if "before_retest" in m.marks}
    assert marked == {("three", "dell"), ("three", "hill")}
    (margin,) = [m for m in results.margins if (m.baseline, m.title, m.metric) ==
                 ("three", "dell", "average_fps")]  # fmt: skip
    assert margin.ratio == pytest.approx(1.2)
    (suite,) = [s for s in results.suites if s.baseline == "three"]
    assert "before_retest" in suite.marks


def test_where_everything_was_run_again_nothing_is_marked(tmp_path):
    _, results, book = reviewed(tmp_path, years_rows())
    assert not [m for m in results.margins if "before_retest" in m.marks]
    words = plain_words(show(book, tables.MOVED).markup)
    assert "No margin sets runs made again against runs of before." in words


def test_drift_is_new_over_old_with_the_interval_of_a_margin(tmp_path):
    review, results, _ = reviewed(
        tmp_path, years_rows(),
        more=RETEST.replace("retest", "# welch\nretest"),
    )  # fmt: skip
    by_title = {d.title: d for d in results.drifts if d.metric == "average_fps"}
    assert list(by_title) == ["dell", "hill", ""]
    for (product, title), ratio in MOVED.items():
        assert by_title[title].parts[product].ratio == pytest.approx(ratio, rel=1e-6)
    dell = by_title["dell"]
    assert dell.ratio == pytest.approx(math.sqrt(1.04 * 1.01), rel=1e-6)
    assert dell.low < dell.ratio < dell.high and dell.outcome == "ahead"
    assert dell.anchors == ("two", "three") and review.params.retest.band == 0.02


@pytest.mark.parametrize(("band", "outcome"), [("0.005", "ahead"), ("0.2", "level")])
def test_drift_within_the_band_counts_as_none(tmp_path, band, outcome):
    _, results, _ = reviewed(tmp_path, years_rows(), RETEST.replace("}", f", band: {band}}}"))
    assert {d.outcome for d in results.drifts if d.metric == "average_fps"} == {outcome}
    assert {m.outcome for m in results.margins} == {"ahead"}  # margins keep their own band


def test_drift_by_welch_is_that_of_scipy(tmp_path):
    write_bench(tmp_path, years_rows())
    path = write_params(tmp_path, RETEST)
    path.write_text(path.read_text().replace("method: auto", "method: welch"), encoding="utf-8")
    results = work_out(load_review(path))
    part = next(d for d in results.drifts if d.title == "dell").parts["two"]
    old, new = np.array(STEPS), math.log(1.04) + np.array(STEPS)
    beside = stats.ttest_ind(new, old, equal_var=False).confidence_interval(0.95)
    assert (part.low, part.high) == pytest.approx(
        (math.exp(beside.low), math.exp(beside.high)), rel=1e-5
    )


def test_drift_of_others_is_students_t_over_the_products(tmp_path):
    _, results, _ = reviewed(tmp_path, years_rows())
    whole = next(d for d in results.drifts if not d.title and d.metric == "average_fps")
    each = [math.log(MOVED[p, "dell"] * MOVED[p, "hill"]) / 2 for p in ("two", "three")]
    beside = stats.ttest_1samp(each, 0.0).confidence_interval(0.95)
    assert (whole.like_low, whole.like_high) == pytest.approx(
        (math.exp(beside.low), math.exp(beside.high)), rel=1e-5
    )


def test_one_product_says_nothing_of_others(tmp_path):
    _, results, book = reviewed(tmp_path, years_rows(again=("two",)))
    assert all(d.like_low is None for d in results.drifts)
    assert not [c for c in book.claims if c.id.startswith("drift/") and c.id.endswith("/others")]
    words = plain_words(show(book, tables.MOVED).markup)
    assert "2 margins of Product One over Product Three: one side was run again" in words
    assert "one product says nothing of how far others moved" in words
    assert "+3.0" in words and "Drift is never taken out of a margin" in words


def test_every_drift_claim_leads_to_old_and_new_runs(tmp_path):
    _, _, book = reviewed(tmp_path, years_rows())
    assert book.trace_faults() == []
    claim = book.by_id["drift_anchor/average_fps/dell/two"]
    assert set(claim.runs) == {f"two-dell{tag}-{n}" for tag in ("", "-before") for n in (1, 2, 3)}
    assert claim.value == pytest.approx(1.04, rel=1e-6)
    pooled = book.by_id["drift/average_fps/all-titles/these"]
    assert pooled.inputs == ("drift_anchor/average_fps/all-titles/two",
                             "drift_anchor/average_fps/all-titles/three")  # fmt: skip


def test_an_old_run_that_screening_refuses_is_no_part_of_the_drift(tmp_path):
    aside = "screen: {set_aside: [{run: two-dell-before-1, reason: The fan was blocked.}]}\n"
    _, results, _ = reviewed(tmp_path, years_rows(), more=RETEST + aside)
    part = next(d for d in results.drifts if d.title == "dell").parts["two"]
    assert "two-dell-before-1" not in part.trace.run_ids()
    # Of the old runs the slowest is gone: the mean of the others is 0.2 % higher.
    assert part.ratio == pytest.approx(1.04 * math.exp(-0.002), rel=1e-5)


def test_runs_are_told_apart_by_condition_session_or_day():
    import datetime as dt

    row = RunRow("r", "a", "t", began=dt.datetime(2026, 3, 1, tzinfo=dt.UTC), session="s1",
                 conditions={"driver": "50"})  # fmt: skip
    by = {"driver": ("50", "52"), "session": ("s1", "s2")}
    for condition, (old, new) in by.items():
        assert epoch_of(row, RetestParams(condition=condition, old=(old,), new=(new,))) == "old"
        assert epoch_of(row, RetestParams(condition=condition, old=(new,), new=(old,))) == "new"
    assert epoch_of(row, RetestParams(condition="driver", old=("x",), new=("y",))) == ""
    assert epoch_of(row, RetestParams(since=dt.date(2026, 3, 1))) == "new"
    assert epoch_of(row, RetestParams(since=dt.date(2026, 3, 2))) == "old"
    assert epoch_of(RunRow("r", "a", "t"), RetestParams(since=dt.date(2026, 3, 2))) == ""


@pytest.mark.parametrize(
    ("section", "said"),
    [
        ("retest: {condition: drivr, old: [a], new: [b]}", r'no column "drivr" in the run sheet; '
                                                          r'did you mean "driver"'),
        ("retest: {condition: driver, old: [a], new: [a]}", '"?\'?a\'? stands under both'),
        ("retest: {condition: driver, old: [a]}", "a condition needs both"),
        ("retest: {band: 0.01}", "give either a condition with old and new, or since"),
        ("retest: {since: 2026-03-01, old: [a]}", "old and new belong to a condition"),
    ],
    ids=["unknown", "both", "half", "nothing", "two ways"],
)  # fmt: skip
def test_what_tells_runs_apart_must_make_sense(tmp_path, section, said):
    write_bench(tmp_path, years_rows())
    with pytest.raises(ParamsError, match=said):
        load_review(write_params(tmp_path, section + "\n"))


# --- one product at several settings ---

LIMIT = 'axes: [{setting: limit, name: Power limit, unit: W, steps: {"80": one, "60": two}%s}]\n'
HALVED = "axes: [{setting: lines, name: Lines, same_picture: false}]\n"


def stepped(folder, more, rows=(), bench=str):
    """Work out a review of one rival, three, in which two is the reviewed machine set otherwise."""
    rows = rows or [
        row
        for product, title, level in (("one", "dell", 100.0), ("two", "dell", 90.0),
                                      ("one", "hill", 60.0), ("three", "dell", 50.0))
        for row in typed(product, title, level)
    ]  # fmt: skip
    at = write_bench(folder, rows) / "bench.yaml"
    at.write_text(bench(at.read_text(encoding="utf-8")), encoding="utf-8")
    path = write_params(folder, more)
    text = path.read_text(encoding="utf-8").replace("rivals: [two, three]", "rivals: [three]")
    path.write_text(text, encoding="utf-8")
    return work_out(load_review(path))


@pytest.mark.parametrize(
    ("over", "suite", "ratio"),
    [("", ("60", "80"), 0.9), (', over: "60"', ("80", "60"), 1 / 0.9)],
    ids=["first", "named"],
)
def test_settings_are_set_against_one_over_the_scenes_that_all_ran(tmp_path, over, suite, ratio):
    (steps,) = stepped(tmp_path, LIMIT % over).steps
    (found,) = steps.suites
    assert (found.product, found.baseline) == suite and found.titles == ("dell",)
    assert found.ratio == pytest.approx(ratio, rel=1e-6)  # by construction
    levels = {value: [(c.title, c.value) for c in cells] for value, cells in steps.levels.items()}
    assert levels == {"80": [("dell", pytest.approx(100.0))], "60": [("dell", pytest.approx(90.0))]}
    assert (steps.product, steps.axis.unit) == ("one", "W")
    assert not any(mark in found.marks for mark in ("other_picture", "uncontrolled"))


def test_titles_of_one_workload_that_differ_in_the_setting_are_steps(tmp_path):
    """Each title is a setting of the scene its first title names; the pictures differ: marked."""
    rows = [
        *typed("one", "dell", 100.0),
        *typed("one", "hill", 130.0),
        *typed("three", "dell", 50.0),
    ]

    def bench(text):
        return text.replace('workload: hill, settings: {lines: "900"}',
                            'workload: dell, settings: {lines: "450"}')  # fmt: skip

    (steps,) = stepped(tmp_path, HALVED, rows, bench).steps
    (margin,) = steps.suites[0].margins
    assert (margin.product, margin.baseline, margin.title) == ("450", "900", "dell")
    assert margin.ratio == pytest.approx(1.3, rel=1e-6) and "other_picture" in margin.marks
    assert set(margin.cells[0].trace.run_ids()) == {f"one-hill-{n}" for n in (1, 2, 3)}


def test_what_was_waived_of_a_step_marks_its_margins_and_the_setting_itself_does_not(tmp_path):
    def bench(text):
        text = text.replace("controls: {driver: The driver}", "controls: {limit: Power limit}")
        text = text.replace('{memory: "32"}}', '{memory: "32", limit: "80"}}')
        two = text[text.index("  two:") : text.index("  three:")]
        return text.replace(two, two.replace('"32"', '"16"').replace('"80"', '"60"'))

    more = LIMIT % "" + ("waivers: [{control: memory, products: [two], reason: Sold so.}]\n")
    results = stepped(tmp_path, more.replace("axes", "# limit\naxes"), bench=bench)
    (steps,) = results.steps
    assert [m for m in steps.suites[0].marks if m.startswith("waived")] == ["waived:memory"]


# --- parts, over the machines that hold them ---

MACHINES = {"a1": ("a2", "a3"), "b1": ("b2", "b3")}


def part_params(machines=MACHINES):
    margins = MarginParams(method="welch", confidence=0.95, level_band=0.02, seed=1)
    return ReviewParams.model_construct(
        product="a1", rivals=("b1",), predecessor=None, same_name=(), pairs=(), axes=(),
        machines=machines, margins=margins,
    )  # fmt: skip


def machine_cells(levels, titles=("t",)):
    """Return a cell of two runs without scatter for each machine and title, by ln level."""
    return [
        Cell(
            product=machine, title=title, metric="average_fps", value=math.exp(level), low=None,
            high=None, confidence=0.95, method="welch", marks=(), trace=Trace("run", f"{machine}{n}"),
            unit="fps", less_is_better=False, runs=(f"{machine}1", f"{machine}2"),
            sessions=("", ""), values=(math.exp(level),) * 2, log_sd=0.004, log_se=0.003,
        )
        for machine, of_titles in levels.items()
        for n, (title, level) in enumerate(zip(titles, np.atleast_1d(of_titles), strict=True))
    ]  # fmt: skip


def part_of(levels, machines=MACHINES, titles=("t",)):
    cells = machine_cells(levels, titles)
    suite = SimpleNamespace(suite="all", product="a1", baseline="b1", metric="average_fps",
                            titles=titles, weights=(1 / len(titles),) * len(titles), marks=())  # fmt: skip
    return compare_parts([suite], cells, part_params(machines), Controls(()))


def test_a_part_s_interval_is_student_s_pooled_one():
    # Student (1908), "The probable error of a mean", Biometrika 6, 1-25: two soporifics, hours of
    # sleep gained (as R's documentation of t.test prints the pooled interval: -3.363874 to
    # 0.203874, t = -1.8608, df = 18). Here hours stand for ln levels of ten machines each.
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    names = {side: [f"{side}{i}" for i in range(1, 11)] for side in "ab"}
    levels = dict(zip(names["a"] + names["b"], one + two, strict=True))
    machines = {of[0]: tuple(of[1:]) for of in names.values()}
    (part,) = part_of(levels, machines)
    ends = [math.log(part.low), math.log(part.high)]
    assert ends == pytest.approx([-3.363874, 0.203874], abs=5e-7)
    assert part.marks == ()


def test_one_machine_of_the_part_claims_nothing_of_it():
    levels = {"a1": 0.1, "b1": 0.0, "b2": 0.01, "b3": -0.01}
    assert part_of(levels, {"b1": ("b2", "b3")}) == ()


def test_one_machine_of_the_other_side_is_marked_and_its_run_error_counted():
    levels = {"a1": 0.10, "a2": 0.12, "a3": 0.11, "b1": 0.0}
    (part,) = part_of(levels, {"a1": ("a2", "a3")})
    assert part.marks == ("one_machine",)
    variance, run = 0.01**2 / 3, 0.003**2
    df = (variance + run) ** 2 / (variance**2 / 2 + run**2 / 1)
    half = stats.t.ppf(0.975, df) * math.sqrt(variance + run)
    assert math.log(part.high) - 0.11 == pytest.approx(half, rel=1e-9)


def test_intervals_of_parts_with_three_machines_cover_as_they_say():
    # By simulation, no source: machines differ by 2 %, machine and title by 1 % more; runs by 0.5 %.
    rng, truth, held = np.random.default_rng(17), 0.05, 0
    rounds = 1500
    for _ in range(rounds):
        levels = {
            f"{side}{i}": shift + 0.02 * rng.normal() + 0.011 * rng.normal(size=2)
            for side, shift in (("a", truth), ("b", 0.0))
            for i in (1, 2, 3)
        }
        (part,) = part_of(levels, titles=("t", "u"))
        held += math.log(part.low) <= truth <= math.log(part.high)
    assert 0.94 <= held / rounds <= 0.96
