"""How a bench stands: stale runs, gaps, spread, and what to run first."""

import dataclasses
import math
from fractions import Fraction
from importlib.resources import files

import numpy as np
import pytest
from made_runs import METRIC, drawn_bench, framed, made_runs
from years_bench import typed, write_bench, write_params

from kit.archive.page_check import _plain_words as plain_words
from kit.claims.of_pages import make_claims
from kit.page import tables
from kit.page.view import show
from kit.review.health import (
    LIMIT_FACTOR,
    _analyse_one_way,
    _analyse_two_way,
    _bench_components,
    _find_gaps,
    _measure_repeatability,
    _rank_tasks,
    measure_health,
)
from kit.review.walk import load_review, work_out
from kit.settings.bench_file import Title

TEMPLATE = "template: bench_health.ipynb\n"


def bench_rows():
    """Product two is of March with an old driver; three lacks a title and has one run in one."""
    rows = []
    for title, level in (("dell", 100.0), ("hill", 60.0)):
        rows += typed("one", title, 1.2 * level)
        rows += typed("two", title, level, began="2026-03-01", driver="50")
    return rows + typed("three", "dell", 90.0, driver="r7", steps=(0.0,))


@pytest.fixture
def health(tmp_path):
    def make(rows, more=""):
        write_bench(tmp_path, rows)
        review = load_review(write_params(tmp_path, TEMPLATE + more))
        results = work_out(review)
        return review, results, measure_health(review, results)

    return make


def test_stale_runs_are_those_before_the_version_and_by_age(health):
    _, _, found = health(bench_rows())
    assert {(s.product, s.title) for s in found.stale} == {("two", "dell"), ("two", "hill")}
    stale = found.stale[0]
    assert stale.days == 254 and stale.newest.isoformat() == "2026-03-01"
    assert "driver is 50; runs made later have 52, in every title" in stale.reason
    assert "254 days or more older" in stale.reason


def test_another_makers_driver_is_not_a_later_version(health):
    # Product three is another maker's: its driver r7 says nothing of 52, nor the other way round.
    _, _, found = health(bench_rows())
    assert not [s for s in found.stale if s.product == "three"]


def test_versions_of_titles_are_compared_within_the_title(health, tmp_path):
    rows = bench_rows()
    for row in rows:
        if row["run"].startswith("one-hill"):  # a later run, in a title with versions of its own
            row["began"] = row["began"].replace("11-10", "11-11")
    write_bench(tmp_path, rows)
    sheet = tmp_path / "bench" / "runs.csv"
    lines = sheet.read_text().splitlines()
    patch = {"one-dell": "3.1", "three-dell": "3.0", "one-hill": "1.0"}
    lines = [lines[0] + ",title_version"] + [
        line + "," + next((v for k, v in patch.items() if line.startswith(k)), "")
        for line in lines[1:]
    ]
    # Product three ran the dell a day earlier, in its version before.
    sheet.write_text("\n".join(lines).replace("three-2026-11-10", "t")
                     .replace(",2026-11-10T10:01:00+00:00,t", ",2026-11-09T10:01:00+00:00,t")
                     + "\n")  # fmt: skip
    review = load_review(write_params(tmp_path, TEMPLATE))
    found = measure_health(review, work_out(review))
    (stale,) = [s for s in found.stale if s.product == "three"]
    assert stale.title == "dell"
    assert stale.reason == "title version is 3.0; runs made later have 3.1"


def test_gaps_say_why(health):
    rows = bench_rows()
    rows.append({"run": "three-hill-1", "product": "three", "title": "hill", "status": "crashed",
                 "reason": "stopped with a message"})  # fmt: skip
    review, _, found = health(rows)
    assert [(g.product, g.title, g.reason) for g in found.gaps] == [
        ("three", "hill", "crashed: stopped with a message")
    ]
    _, _, without = health(bench_rows())
    assert [(g.product, g.reason) for g in without.gaps] == [("three", "never run")]
    assert _find_gaps(review) == found.gaps


def test_what_to_run_first_is_ranked_and_counted(health):
    review, _, found = health(bench_rows())
    first, second = found.tasks
    # Two: both titles stale, three runs each of 4 s and 60 s (launches and hill's own planned 4 s).
    assert (first.place, first.product, first.runs) == (1, "two", 6)
    assert first.why == "2 titles stale" and first.margins == 2
    assert first.minutes == pytest.approx(6 * (60 + 4) / 60)
    # Three: two more runs in the dell, three in the hill; as many margins, but nothing old.
    assert (second.product, second.runs, second.margins) == ("three", 5, 2)
    assert second.why == "1 title without a used run, 1 title with too few runs"
    gone = "plan: {margin: 0.03, seed: 1, cannot_run: [two]}\n"
    _, _, rest = health(bench_rows(), gone)
    assert [t.product for t in rest.tasks] == ["three"]
    assert _rank_tasks(review, (), ())[0].product == "three"  # too few runs are left


def test_among_equals_the_oldest_runs_come_first(health):
    rows = [r for r in bench_rows() if r["product"] != "three"]
    for title in ("dell", "hill"):
        rows += typed("three", title, 50.0, began="2025-12-01", driver="r7")
    _, _, found = health(rows)
    assert [(t.product, t.margins) for t in found.tasks] == [("three", 2), ("two", 2)]


def test_claims_of_the_page_are_its_own_and_lead_to_runs(health):
    review, results, found = health(bench_rows())
    book = make_claims(review, results)
    assert {c.kind for c in book.figures} == {
        "run", "spread", "component", "count", "task", "cell", "run_over_mean",
    }  # fmt: skip
    assert book.trace_faults() == []
    assert book.by_id["count/health/stale"].value == 2
    assert book.by_id["task/runs/two"].text == "6"
    repeat = next(r for r in found.repeats if (r.title, r.metric) == ("hill", "average_fps"))
    claim = book.by_id["spread/average_fps/hill/repeatability"]
    assert claim.value == repeat.repeatability_limit
    # The steps -0.4 %, 0, +0.4 % have a standard deviation of 0.004; ISO 5725-6 has the 2.8.
    assert repeat.run_sd == pytest.approx(0.004, rel=1e-4)
    assert claim.value == pytest.approx(math.exp(2.8 * 0.004), rel=1e-5)
    assert claim.text == "1.1\u00a0%"


def test_the_page_says_what_it_found(health):
    review, results, _ = health(bench_rows())
    book = make_claims(review, results)
    stale = plain_words(show(book, tables.PIECES["stale"]).markup)
    assert "Product Two all 2026-03-01" in stale
    tasks = plain_words(show(book, tables.TASKS).markup)
    assert "Product Two 2 titles stale all 6 6 2" in tasks
    spread = show(book, tables.SPREAD).to_frame()
    assert set(spread["title"]) == {"dell", "hill"}


def test_a_bench_with_nothing_to_do_says_so(health):
    rows = [r for r in bench_rows() if r["product"] == "one"]
    for title, level in (("dell", 90.0), ("hill", 50.0)):
        rows += typed("two", title, level)
        rows += typed("three", title, level)
    review, results, found = health(rows)
    assert (found.stale, found.gaps, found.tasks) == ((), (), ())
    book = make_claims(review, results)
    words = plain_words(show(book, tables.TASKS).markup)
    assert words == "Nothing asks to be run again."
    assert [f.name for f in dataclasses.fields(found)] == ["repeats", "components", "gaps", "stale",
                                                           "tasks"]  # fmt: skip


# O. L. Davies and P. L. Goldsmith, dyestuff yield: six batches of five preparations (package
# lme4, `Dyestuff`). Components by lme4's REML and by arithmetic: 1764.05 and 2451.25.
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]

# ISO 5725-2:1994, Annex B, example 1: sulfur in coal, level 1, eight laboratories (inputs and
# printed results m 0.690, s_r 0.015, s_R 0.026 from memory; further digits by arithmetic).
COAL = [
    [0.71, 0.71, 0.70, 0.71],
    [0.69, 0.67, 0.68],
    [0.66, 0.65, 0.69],
    [0.67, 0.65, 0.66],
    [0.70, 0.69, 0.66, 0.71, 0.69],
    [0.73, 0.74, 0.73],
    [0.71, 0.71, 0.69],
    [0.70, 0.65, 0.68],
]

# P. E. Shrout and J. L. Fleiss (1979), "Intraclass correlations", Psychological Bulletin 86,
# 420-428: six targets, four judges; ICC(1,1) .17, ICC(2,1) .29, ICC(3,1) .71 as printed.
JUDGES = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]],
    dtype=float,
)

# NIST StRD, one-way analysis of variance, certified to 15 digits; the files ship with scipy.
# set -> F, R^2, within SD, digits of F that doubles can hold. SmLs04 and SmLs07 share 7 and 13
# leading digits: the figures themselves are rounded to 2^-53 of 1e6 and of 1e12 before any sum.
NIST = {
    "SiRstv": (1.18046237440255, 0.190999039051129, 0.104076068334656, 1e-11),
    "SmLs01": (21.0, 0.482758620689655, 0.1, 1e-13),
    "SmLs02": (201.0, 0.471830985915493, 0.1, 1e-13),
    "SmLs03": (2001.0, 0.470712773465067, 0.1, 1e-13),
    "SmLs04": (21.0, 0.482758620689655, 0.1, 1e-8),
    "SmLs07": (21.0, 0.482758620689655, 0.1, 1e-2),
}


def nist_groups(name):
    text = files("scipy.stats.tests").joinpath(f"data/nist_anova/{name}.dat").read_text()
    rows = [line.split() for line in text.splitlines()[60:] if line.strip()]
    groups: dict[str, list[float]] = {}
    for treatment, value in rows:
        groups.setdefault(treatment, []).append(float(value))
    return list(groups.values())


def f_ratio_of(found) -> float:
    return (found.ss_between / found.df_between) / (found.ss_within / found.df_within)


@pytest.mark.parametrize("name", NIST)
def test_nist_certified_sets(name):
    f_ratio, r_squared, within_sd, tolerance = NIST[name]
    groups = nist_groups(name)
    assert len(groups) in {5, 9}
    found = _analyse_one_way(groups)
    assert f_ratio_of(found) == pytest.approx(f_ratio, rel=tolerance)
    total = found.ss_between + found.ss_within
    assert found.ss_between / total == pytest.approx(r_squared, rel=tolerance)
    assert math.sqrt(found.within_var) == pytest.approx(within_sd, rel=tolerance)


@pytest.mark.parametrize("name", ["SmLs04", "SmLs07"])
def test_nothing_is_lost_beyond_the_rounding_of_the_figures(name):
    # The doubles themselves, analysed in exact rational arithmetic.
    exact = [[Fraction(v) for v in group] for group in nist_groups(name)]
    means = [sum(group) / len(group) for group in exact]
    mean = sum(means) / 9  # groups of equal size
    between = sum(len(g) * (m - mean) ** 2 for g, m in zip(exact, means, strict=True)) / 8
    within = sum((v - m) ** 2 for g, m in zip(exact, means, strict=True) for v in g) / (9 * 20)
    found = _analyse_one_way(nist_groups(name))
    assert f_ratio_of(found) == pytest.approx(float(between / within), rel=1e-12)
    assert found.within_var == pytest.approx(float(within), rel=1e-12)


def test_the_observed_nist_set_to_its_sums_of_squares():
    found = _analyse_one_way(nist_groups("SiRstv"))
    assert (found.df_between, found.df_within) == (4, 20)
    assert found.ss_between == pytest.approx(0.05114626160000, rel=1e-11)
    assert found.ss_within == pytest.approx(0.21663656, rel=1e-11)
    assert found.between_var == pytest.approx(0.00039094748, rel=1e-7)


def test_dyestuff():
    found = _analyse_one_way(DYESTUFF)
    assert found.mean == 1527.5
    assert (found.ss_between, found.ss_within) == pytest.approx((56357.5, 58830.0))
    assert (found.between_var, found.within_var) == pytest.approx((1764.05, 2451.25))
    assert f_ratio_of(found) == pytest.approx(4.5982661907, abs=5e-11)
    icc = found.between_var / (found.within_var + found.between_var)
    assert icc == pytest.approx(0.4184874149, abs=5e-11)


def test_sulfur_in_coal():
    found = _analyse_one_way(COAL)
    assert found.size == pytest.approx(3.3544973545, abs=5e-11)
    assert found.mean == pytest.approx(0.6903703704, abs=5e-11)
    assert math.sqrt(found.within_var) == pytest.approx(0.0151165066, abs=5e-11)
    assert math.sqrt(found.between_var) == pytest.approx(0.0215995546, abs=5e-11)
    assert math.sqrt(found.within_var + found.between_var) == pytest.approx(0.0263637921, abs=5e-11)


def test_shrout_and_fleiss():
    one = _analyse_one_way(JUDGES.tolist())
    assert one.ss_between / one.df_between == pytest.approx(11.2416666667, abs=5e-11)
    assert one.within_var == pytest.approx(6.2638888889, abs=5e-11)
    icc_1 = one.between_var / (one.within_var + one.between_var)
    assert icc_1 == pytest.approx(0.1657417684, abs=5e-11)
    two = _analyse_two_way(JUDGES)
    total = two.row_var + two.column_var + two.rest_var
    assert two.rest_var == pytest.approx(1.0194444444, abs=5e-11)
    assert two.row_var / total == pytest.approx(0.2897637795, abs=5e-11)
    assert two.row_var / (two.row_var + two.rest_var) == pytest.approx(0.7148407148, abs=5e-11)


def test_a_table_with_holes_is_unbiased():
    rng = np.random.default_rng(1)
    found = []
    for _ in range(400):
        table = rng.normal(0, 1.0, (8, 1)) + rng.normal(0, 2.0, 7) + rng.normal(0, 0.5, (8, 7))
        table[rng.uniform(size=table.shape) < 0.15] = np.nan
        parts = _analyse_two_way(table)
        found.append((parts.row_var, parts.column_var, parts.rest_var))
    # Means of 400 estimates; their standard errors are 0.03, 0.12 and 0.003.
    assert np.mean(found, axis=0) == pytest.approx([1.0, 4.0, 0.25], rel=0.1)


@pytest.mark.parametrize(
    "table",
    [
        [[1.0, 2.0]],
        [[1.0], [2.0]],
        [[1.0, math.nan], [math.nan, 2.0]],
        [[1.0, 2.0], [2.0, math.nan]],
    ],
)
def test_tables_that_do_not_overlap_are_refused(table):
    with pytest.raises(ValueError, match="do not overlap enough"):
        _analyse_two_way(np.array(table))


def test_one_group_or_single_values_leave_gaps():
    one = _analyse_one_way([[1.0, 2.0, 4.0]])
    assert one.within_var == pytest.approx(7 / 3) and math.isnan(one.between_var)
    singles = _analyse_one_way([[1.0], [2.0], []])
    assert math.isnan(singles.within_var) and singles.groups == 2
    assert _analyse_one_way([[1.0, 2.0], [9.0, 8.0], [1.5, 1.4]]).between_var > 0
    assert _analyse_one_way([[1.0, 9.0], [8.0, 2.0]]).between_var == 0.0
    with pytest.raises(ValueError, match="at least one value"):
        _analyse_one_way([[]])


# -- over a bench ---------------------------------------------------------------------------------


def coal_runs(product="a", scale=1.0):
    values = [math.exp(v) * scale for lab in COAL for v in lab]
    sessions = [f"lab{i}" for i, lab in enumerate(COAL) for _ in lab]
    return made_runs(product, "t", values, sessions=sessions)


def test_sessions_are_laboratories():
    (found,) = _measure_repeatability(coal_runs(), metric=METRIC, titles=framed("t"))
    assert found.run_sd == pytest.approx(0.0151165066, abs=5e-11)
    assert found.session_sd == pytest.approx(0.0215995546, abs=5e-11)
    assert found.reproducibility_sd == pytest.approx(0.0263637921, abs=5e-11)
    assert math.log(found.repeatability_limit) == pytest.approx(2.8 * 0.0151165066, abs=5e-10)
    assert math.log(found.reproducibility_limit) == pytest.approx(
        LIMIT_FACTOR * 0.0263637921, abs=5e-10
    )
    assert (found.products, found.sessions, found.runs, found.marks) == (1, 8, 27, ())
    assert (found.run_df, found.session_df) == (19, 7)


def test_what_differs_between_products_is_no_part_of_it():
    both = coal_runs("a") + coal_runs("b", scale=1.7)
    (found,) = _measure_repeatability(both, metric=METRIC)
    (alone,) = _measure_repeatability(coal_runs(), metric=METRIC)
    assert found.run_sd == pytest.approx(alone.run_sd)
    assert found.session_sd == pytest.approx(alone.session_sd)
    assert (found.products, found.run_df) == (2, 38)


def test_what_the_runs_cannot_tell_is_marked():
    def marks(*runs):
        (found,) = _measure_repeatability([r for part in runs for r in part], metric=METRIC)
        return found

    none = marks(made_runs("a", "t", [60, 61]))
    assert none.marks == ("sessions_not_recorded",) and none.reproducibility_limit is None
    assert none.run_sd == pytest.approx(np.std(np.log([60, 61]), ddof=1))
    one = marks(made_runs("a", "t", [60, 61], sessions=["x", "x"]))
    assert one.marks == ("one_session",) and one.session_sd is None
    apart = marks(made_runs("a", "t", [60, 61], sessions=["x", "y"]))
    assert apart.marks == ("one_run_a_session",) and apart.run_sd is None
    assert apart.reproducibility_sd == pytest.approx(np.std(np.log([60, 61]), ddof=1))
    single = marks(made_runs("a", "t", [60]))
    assert single.marks == ("sessions_not_recorded", "single_runs")
    assert single.repeatability_limit is None


def test_two_runs_stay_within_the_limit_in_19_of_20_cases():
    rng = np.random.default_rng(2)
    a, b = 0.01 * rng.normal(size=(2, 100_000))
    inside = np.abs(a - b) <= LIMIT_FACTOR * 0.01
    # ISO 5725-6: "about 95 %"; 2.8 is 1.96 sqrt(2), rounded. Monte Carlo error 0.0007.
    assert inside.mean() == pytest.approx(0.95, abs=0.005)


def test_components_of_a_bench_are_found():
    rng = np.random.default_rng(3)
    runs = []
    title_effect, product_effect = rng.normal(0, 0.8, 40), rng.normal(0, 0.3, 25)
    for t in range(40):
        for p in range(25):
            level = 4 + title_effect[t] + product_effect[p] + 0.02 * rng.normal()
            names, values = [], []
            for s in range(2):
                session = 0.02 * rng.normal()
                for _ in range(2):
                    names.append(f"s{s}")
                    values.append(math.exp(level + session + 0.01 * rng.normal()))
            runs += made_runs(f"p{p}", f"t{t}", values, sessions=names)
    found = _bench_components(runs, metric=METRIC)
    assert (found.titles, found.products) == (40, 25)
    assert found.title_sd == pytest.approx(title_effect.std(ddof=1), rel=0.05)
    assert found.product_sd == pytest.approx(product_effect.std(ddof=1), rel=0.05)
    assert found.interaction_sd == pytest.approx(0.02, rel=0.1)
    assert found.session_sd == pytest.approx(0.02, rel=0.15)
    assert found.run_sd == pytest.approx(0.01, rel=0.1)


def test_a_bench_of_one_product_has_runs_alone():
    runs = made_runs("a", "t", [60, 61]) + made_runs("a", "u", [60, 61])
    found = _bench_components(runs, metric=METRIC)
    assert (found.title_sd, found.product_sd, found.interaction_sd) == (None, None, None)
    assert found.run_sd == pytest.approx(np.std(np.log([60, 61]), ddof=1))


def test_levels_in_db_are_taken_as_they_stand():
    titles = {"hum": Title(name="Hum", measures="noise")}
    runs = made_runs("a", "hum", [38.0, 39.0], metric="value")
    (found,) = _measure_repeatability(runs, metric="value", titles=titles)
    assert found.run_sd == pytest.approx(math.log(10) / 10 * np.std([38, 39], ddof=1))


def test_without_sessions_nothing_is_said_of_them():
    runs, titles = drawn_bench(4, titles=3)
    found = _measure_repeatability(runs, metric=METRIC, titles=titles)
    assert [repeat.title for repeat in found] == list(titles)
    for repeat in found:
        assert repeat.reproducibility_limit is None and 0 < repeat.run_sd < 0.1
        assert repeat.marks == ("sessions_not_recorded",)
