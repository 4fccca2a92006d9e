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
