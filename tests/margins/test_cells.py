"""Cells: geometric mean, interval, marks, and what they rest on."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_runs import METRIC, cells_of, compared, drawn_bench, framed, made_runs, margin_params
from metrics.test_blocks import published_autoregression
from scipy import stats

from kit.margins.cells import MIN_SHARED, compare_within, make_cells
from kit.metrics.blocks import RunBlocks, measure_blocks
from kit.settings.bench_file import Title

# P. J. Fleming and J. J. Wallace (1986), "How not to lie with statistics", CACM 29(3), 218-221:
# five programs on three processors (inputs from memory, means recomputed with scipy).
TIMES = {
    "R": [417, 83, 66, 39449, 772],
    "M": [244, 70, 153, 33527, 368],
    "Z": [134, 70, 135, 66000, 369],
}


def test_a_cell_is_the_geometric_mean():
    runs = [run for name, values in TIMES.items() for run in made_runs(name, "t", values)]
    cells = {c.product: c for c in cells_of(runs, framed("t"))}
    # Ratios of the table: geometric means normalised to R, and to M.
    assert cells["M"].value / cells["R"].value == pytest.approx(0.8574367344, abs=5e-11)
    assert cells["Z"].value / cells["R"].value == pytest.approx(0.8498437901, abs=5e-11)
    assert cells["R"].value / cells["M"].value == pytest.approx(1.1662668041, abs=5e-11)
    for name, values in TIMES.items():
        assert cells[name].value == pytest.approx(stats.gmean(values), rel=1e-12)


def test_welch_cells_have_students_interval():
    values = [61.2, 60.4, 63.0, 60.9]
    (cell,) = cells_of(made_runs("a", "t", values), framed("t"), params=margin_params("welch"))
    x = np.log(values)
    low, high = stats.t.interval(0.95, 3, x.mean(), stats.sem(x))
    assert (cell.low, cell.high) == pytest.approx((math.exp(low), math.exp(high)), rel=1e-12)
    assert cell.log_sd == pytest.approx(x.std(ddof=1)) and cell.log_se == pytest.approx(
        stats.sem(x)
    )
    assert (cell.method, cell.unit, cell.marks) == ("welch", "fps", ())


def lone(values, error, **options):
    """Return runs of one product in one title whose frames give an error to the average."""
    blocks = RunBlocks(40, {METRIC: error}, {METRIC: 500.0})
    return [replace(run, blocks=blocks) for run in made_runs("a", "t", values, **options)]


def test_a_lone_run_that_shares_nothing_has_the_interval_of_its_frames():
    (cell,) = cells_of(lone([61.2], 0.004), framed("t"), params=margin_params("welch"))
    # exp(ln 61.2 -+ 1.959964 x 0.004), the normal quantile of any table.
    assert (cell.low, cell.high) == pytest.approx((60.722080, 61.681681), abs=5e-6)
    assert (cell.method, cell.marks) == ("frames", ("single_run", "frames_only"))
    # The cell's margins do not lean on it, nor bear its mark: runs are the replicates.
    assert cell.log_se is None and cell.log_sd is None
    runs = lone([61.2], 0.004) + [replace(r, product="b") for r in lone([50.0], 0.004)]
    (margin,) = compared(
        runs, framed("t"), product="a", baselines=["b"], params=margin_params("welch")
    )
    # Two runs and no spread: which figure is the greater is all that can be said.
    assert (margin.low, margin.outcome) == (None, "above")
    assert margin.marks == ("single_run", "no_interval")


@pytest.mark.parametrize("error", [0.0, math.nan])
def test_frames_that_give_no_error_give_no_interval(error):
    (cell,) = cells_of(lone([61.2], error), framed("t"), params=margin_params("welch"))
    assert (cell.low, cell.method) == (None, "none") and "no_interval" in cell.marks


def test_frames_give_no_interval_where_runs_do():
    (cell,) = cells_of(lone([61.2, 60.9], 0.004), framed("t"), params=margin_params("welch"))
    assert cell.method == "welch" and "frames_only" not in cell.marks
    runs, titles = drawn_bench(1)
    once = [replace(run, product="once") for run in lone([50.0], 0.004)]
    runs += [replace(run, title="t0") for run in once]
    cell = next(c for c in cells_of(runs, titles) if c.product == "once")
    assert cell.method == "shared" and cell.marks == ("single_run",)


def test_a_single_run_has_its_value_and_no_interval_of_its_own():
    runs = made_runs("a", "t", [61.2], typed_in=True)
    (cell,) = cells_of(runs, framed("t"), params=margin_params("welch"))
    assert cell.value == 61.2
    assert (cell.low, cell.high, cell.method) == (None, None, "none")
    assert cell.marks == ("typed_in", "single_run", "no_interval")


def test_a_single_run_gets_an_interval_from_shared_variance_and_a_mark():
    runs, titles = drawn_bench(1)
    runs += made_runs("once", "t0", [50.0])
    cell = next(c for c in cells_of(runs, titles) if c.product == "once")
    assert cell.method == "shared" and cell.marks == ("single_run",)
    assert 0.015 < cell.high / cell.value - 1 < 0.05  # runs of 1 %: about 2 %
    other = next(c for c in cells_of(runs, titles) if (c.product, c.title) == ("p0", "t0"))
    assert other.high / other.value < cell.high / cell.value


def test_a_cell_that_shares_says_where_its_own_runs_are_two_or_unlike_the_others():
    runs, titles = drawn_bench(1)
    runs = [run for run in runs if run.run != "t2/p0/2"]
    runs += made_runs("wild", "t0", [50.0, 40.0, 62.0])  # runs of 20 % among runs of 1 %
    marks = {(c.product, c.title): c.marks for c in cells_of(runs, titles)}
    assert {key: said for key, said in marks.items() if said} == {
        ("p0", "t2"): ("two_runs",),
        ("wild", "t0"): ("unlike_neighbours",),
    }


def test_auto_shares_from_six_cells_on():
    for count, method in ((MIN_SHARED - 1, "welch"), (MIN_SHARED, "shared")):
        runs = [run for p in range(count) for run in made_runs(f"p{p}", "t", [60 + p, 61 + p])]
        runs += made_runs("once", "t", [55.0])
        cells = cells_of(runs, framed("t"))
        assert {c.method for c in cells if c.product != "once"} == {method}


def test_equal_runs_are_marked_and_have_no_interval():
    runs = made_runs("a", "t", [60.0, 60.0, 60.0]) + made_runs("b", "t", [55.0, 56.0])
    cells = {c.product: c for c in cells_of(runs, framed("t"), params=margin_params("welch"))}
    assert cells["a"].marks == ("zero_variance", "no_interval")
    assert cells["a"].value == pytest.approx(60.0) and cells["a"].low is None
    assert cells["b"].low is not None


def test_metrics_belong_to_the_titles_that_measure_them():
    titles = {
        **framed("t"),
        "pack": Title(name="Pack", measures="duration"),
        "hum": Title(name="Hum", measures="noise"),
    }
    runs = made_runs("a", "t", [60.0, 61.0])
    runs += made_runs("a", "t", [9.0], metric="value")  # not a frame metric: no cell
    runs += made_runs("a", "pack", [12.0, 12.5], metric="value")
    runs += made_runs("a", "hum", [38.0, 39.0], metric="value")
    cells = make_cells(
        runs, titles, params=margin_params("welch"), metric_names=["average_fps", "value"]
    )
    assert [(c.metric, c.title, c.unit, c.less_is_better) for c in cells] == [
        ("average_fps", "t", "fps", False),
        ("value", "pack", "s", True),
        ("value", "hum", "dB(A)", True),
    ]
    assert cells[2].value == pytest.approx(38.5)  # levels: the mean level
    half = stats.t.ppf(0.975, 1) * np.std([38, 39], ddof=1) / math.sqrt(2)
    assert cells[2].high - cells[2].value == pytest.approx(half)


def test_a_cell_traces_to_its_runs():
    runs = made_runs("a", "t", [60.0, 61.0])
    (cell,) = cells_of(runs, framed("t"))
    assert cell.trace.key == "cell/average_fps/t/a"
    assert cell.trace.run_ids() == cell.runs == ("t/a/0", "t/a/1")


def test_impossible_input_is_refused():
    with pytest.raises(ValueError, match="above 0"):
        cells_of(made_runs("a", "t", [60.0, 1.0]) + made_runs("b", "t", [0.0]), framed("t"))
    with pytest.raises(KeyError):
        make_cells(
            made_runs("a", "lost", [60.0]),
            framed("t"),
            params=margin_params(),
            metric_names=[METRIC],
        )


def test_a_typed_run_alone_has_a_value_and_no_interval():
    (cell,) = cells_of(made_runs("a", "t", [61.2]), framed("t"))
    assert (cell.product, cell.value, len(cell.runs), cell.method) == ("a", 61.2, 1, "none")
    assert cell.low is None


def with_errors(runs, errors, worth=100.0):
    """Return runs whose frames give such errors."""
    return [
        replace(run, blocks=RunBlocks(1, {METRIC: error}, {METRIC: worth}))
        for run, error in zip(runs, errors, strict=True)
    ]


def test_the_share_is_pooled_over_titles():
    # By hand. Title t: ln values 0, 0.02: variance 0.0002 (1 degree); u: 0, 0.01, 0.02: 0.0001
    # (2 degrees); pooled (0.0002 + 0.0002) / 3 = 0.00013333. Errors of 0.005: 0.000025.
    runs = with_errors(made_runs("a", "t", np.exp([4, 4.02])), [0.005] * 2)
    runs += with_errors(made_runs("a", "u", np.exp([5, 5.01, 5.02])), [0.005] * 3)
    runs += with_errors(made_runs("a", "alone", [60.0]), [0.5], worth=900.0)
    (within,) = compare_within(runs, metric_names=[METRIC])
    assert within.share == pytest.approx(0.000025 / (0.0004 / 3), rel=1e-9)
    assert len(within.runs) == 6 and len(within.compared_runs) == 5
    assert within.effective_frames == 100.0


def test_no_share_where_nothing_is_compared():
    lone = with_errors(made_runs("a", "t", [60.0]), [0.01])
    equal = with_errors(made_runs("b", "t", [60.0, 60.0]), [0.01, 0.01])
    assert [w.share for w in compare_within(lone + equal, metric_names=[METRIC])] == [None, None]
    assert compare_within(made_runs("a", "t", [60.0], typed_in=True), metric_names=[METRIC]) == ()


@pytest.mark.parametrize(("between", "low", "high"), [(0.0, 0.6, 1.0), (0.02, 0.0, 0.1)])
def test_runs_that_differ_by_their_frames_alone_are_told_from_others(between, low, high):
    # Frames as a first-order autoregression (Priestley 1981): with nothing else the errors of
    # blocks explain the whole spread; with 2 % from run to run beside, next to nothing.
    rng = np.random.default_rng(3)
    runs = []
    for number in range(40):
        noise = published_autoregression(number, 0.7, 2000, 100)
        frame_ms = 16.0 * np.exp(0.1 * noise + between * rng.normal())
        (run,) = made_runs("a", "t", [1000.0 / frame_ms.mean()])
        runs.append(replace(run, run=f"r{number}", blocks=measure_blocks(frame_ms)))
    (within,) = compare_within(runs, metric_names=[METRIC])
    assert low < within.share <= high
    # 2,000 frames with phi 0.7 are worth n (1 - phi) / (1 + phi) = 353 independent ones.
    assert 300 < within.effective_frames < 450 and math.isfinite(within.share)


def stated(product, title, mean, passes, percent):
    """Return a figure typed in as the mean of passes, with their spread."""
    (run,) = made_runs(product, title, [mean], typed_in=True)
    return replace(run, passes=passes, spread={METRIC: math.sqrt(math.log1p(percent**2 / 1e4))})


def test_a_mean_of_passes_with_its_spread_counts_as_the_passes_themselves():
    rng = np.random.default_rng(3)
    sides = {
        "a": 61 * np.exp(0.01 * rng.normal(size=4)),
        "b": 55 * np.exp(0.02 * rng.normal(size=7)),
    }
    typed = [
        stated(p, "t", v.mean(), v.size, 100 * v.std(ddof=1) / v.mean()) for p, v in sides.items()
    ]
    how = {"params": margin_params("welch"), "product": "a", "baselines": ["b"]}
    (short,) = compared(typed, framed("t"), **how)
    whole = [run for p, v in sides.items() for run in made_runs(p, "t", v)]
    (full,) = compared(whole, framed("t"), **how)
    # Arithmetic against geometric: half the variance of the means, and less of the spreads.
    assert (short.ratio, short.low, short.high) == pytest.approx(
        (full.ratio, full.low, full.high), rel=1e-3
    )
    # Welch's test from means, standard deviations and numbers alone, by scipy, on the log scale.
    told = [(math.log(r.values[METRIC]), r.spread[METRIC], r.passes) for r in typed]
    p = stats.ttest_ind_from_stats(*told[0], *told[1], equal_var=False).pvalue
    assert short.p_value == pytest.approx(p, rel=1e-9)
    assert set(short.marks) == {"typed_in", "mean_of_passes", "spread_stated"}
    assert [c.n for c in short.cells] == [4, 7] and [c.df for c in short.cells] == [3, 6]


def test_means_of_passes_pool_as_their_passes_do():
    rng = np.random.default_rng(4)
    parts = [80 * np.exp(0.01 * rng.normal(size=n)) for n in (2, 3, 5)]
    logs = [np.log(v) for v in parts]
    typed = [
        replace(
            made_runs("a", "t", [math.exp(x.mean())], typed_in=True)[0],
            run=f"r{i}",
            passes=x.size,
            spread={METRIC: x.std(ddof=1)},
        )
        for i, x in enumerate(logs)
    ]
    (cell,) = cells_of(typed, framed("t"), params=margin_params("welch"))
    every = np.concatenate(logs)
    low, high = stats.t.interval(0.95, every.size - 1, every.mean(), stats.sem(every))
    assert (cell.low, cell.high) == pytest.approx((math.exp(low), math.exp(high)), rel=1e-12)
    # Without the spreads, what lies between the three means is all that is known.
    (bare,) = cells_of([replace(r, spread={}) for r in typed], framed("t"),
                       params=margin_params("welch"))  # fmt: skip
    groups = np.array([x.mean() for x in logs])
    between = (np.array([2, 3, 5]) * (groups - every.mean()) ** 2).sum() / 2
    half = stats.t.ppf(0.975, 2) * math.sqrt(between / 10)
    assert bare.value == pytest.approx(cell.value, rel=1e-12) and bare.df == 2
    assert math.log(bare.high / bare.value) == pytest.approx(half, rel=1e-9)


def test_a_lone_figure_borrows_the_spread_of_titles_that_params_name():
    lenders = {("b", "u"): [50.0, 50.9, 49.6], ("c", "u"): [70.1, 70.8]}
    runs = [run for (p, t), v in lenders.items() for run in made_runs(p, t, v)]
    runs += made_runs("a", "t", [61.0], typed_in=True) + made_runs("b", "t", [50.0], typed_in=True)
    how = {"product": "a", "baselines": ["b"]}
    (without,) = compared(runs, framed("t", "u"), **how)
    assert without.low is None and without.outcome == "above"
    params = margin_params("auto", spread_from=["u"])
    (margin,) = compared(runs, framed("t", "u"), params=params, **how)
    # One pooled variance under both sides: the equal-variance t of two groups, whose df are its own.
    pooled = sum(((np.log(v) - np.log(v).mean()) ** 2).sum() for v in lenders.values()) / 3
    half = stats.t.ppf(0.975, 3) * math.sqrt(2 * pooled)
    assert math.log(margin.high / margin.ratio) == pytest.approx(half, rel=1e-9)
    assert margin.method == "borrowed" and "spread_of_titles" in margin.marks
    assert margin.outcome == "ahead"


def test_intervals_of_borrowed_spread_cover():
    rng = np.random.default_rng(5)
    inside, params = 0, margin_params("welch", spread_from=["u"])
    for _ in range(600):
        logs = 0.01 * rng.normal(size=(2, 4))
        runs = [
            r for p, x in zip("ab", logs, strict=True) for r in made_runs(p, "u", np.exp(x[:3]))
        ]
        runs += [made_runs(p, "t", [np.exp(x[3])])[0] for p, x in zip("ab", logs, strict=True)]
        made = compared(runs, framed("t", "u"), params=params, product="a", baselines=["b"])
        margin = next(m for m in made if m.title == "t")
        inside += margin.low <= 1 <= margin.high
    # 0.95 of 600: a binomial's 99.9 % interval.
    assert 552 <= inside <= 587


def test_a_spread_stated_with_one_run_of_a_cell_is_said():
    first, second = made_runs("a", "t", [60.0, 61.0], typed_in=True)
    first = replace(first, passes=3, spread={METRIC: 0.01})
    (cell,) = cells_of([first, second], framed("t"), params=margin_params("welch"))
    assert {"spread_stated", "typed_in", "mean_of_passes"} <= set(cell.marks)
    # Four passes; 2 degrees of freedom of the stated spread, 1 between the two figures.
    assert (cell.n, cell.df) == (4, 3)
    (plain,) = cells_of([second], framed("t"), params=margin_params("welch"))
    assert "spread_stated" not in plain.marks
