"""Energy per frame. Expected values by arithmetic: 30 W at 60 fps is half a joule a frame."""

import dataclasses
import math

import numpy as np
import pytest
from lagging import lagging_run, made_scene
from scipy import stats

from kit.claims.claim import Claim
from kit.claims.of_review import ANSWERS
from kit.logs.read import Log
from kit.margins.cells import Cell
from kit.margins.energy import Load, compare_energy, pool_lags, weigh_energy
from kit.metrics.run_metrics import RunMetrics, measure_log
from kit.page.answers import QUESTIONS
from kit.settings.bench_file import Title
from kit.settings.params import MarginParams, MetricParams
from kit.stats.series import LAGS_S, LagProfile
from kit.trace import Trace

TITLES = {
    "dunes": Title(name="Dunes", workload="dunes", settings={"preset": "high"}),
    "dunes-power": Title(
        name="Dunes, at the plug", workload="dunes", measures="power", settings={"preset": "high"}
    ),
    "dunes-low": Title(name="Dunes, low", workload="dunes", settings={"preset": "low"}),
    "tower": Title(name="Tower"),
}


def run(name, product, energy, title="dunes"):
    return RunMetrics(
        run=name,
        product=product,
        title=title,
        session="",
        values={"average_fps": 60.0},
        trace=Trace("run", name, name),
        energy_per_frame_j=energy,
    )


def cell(product, title, metric, value, low=None, high=None, marks=()):
    return Cell(
        product=product,
        title=title,
        metric=metric,
        unit="",
        less_is_better=False,
        runs=(f"{title}-{product}",),
        sessions=("",),
        values=(value,),
        value=value,
        low=low,
        high=high,
        confidence=0.95,
        method="welch",
        marks=marks,
        trace=Trace(
            "make_cells",
            f"{title}-{metric}-{product}",
            "",
            (Trace("run", f"{title}-{product}", f"{title}-{product}"),),
        ),
    )


def weigh(metrics=(), cells=(), titles=TITLES):
    return weigh_energy(metrics, cells, titles, confidence=0.95)


def test_logged_energy_is_a_geometric_mean_with_the_t_interval_of_its_logs():
    values = [0.50, 0.52, 0.47]
    (found,) = weigh([run(f"r{i}", "new", v) for i, v in enumerate(values)])
    logs = np.log(values)
    interval = stats.ttest_1samp(logs, 0).confidence_interval(0.95)
    assert found.value == pytest.approx(math.exp(logs.mean()), rel=1e-12)
    assert found.low == pytest.approx(math.exp(interval.low), rel=1e-9)
    assert found.high == pytest.approx(math.exp(interval.high), rel=1e-9)
    assert (found.source, found.runs) == ("logged", ("r0", "r1", "r2"))
    assert found.trace.run_ids() == ("r0", "r1", "r2")
    assert "single_run" not in found.marks
    assert "single_run" not in weigh([run("r0", "new", 0.5), run("r1", "new", 0.51)])[0].marks


def test_a_single_run_has_no_interval_and_says_so():
    (found,) = weigh([run("r1", "new", 0.5), run("r2", "new", None), run("r3", "old", None)])
    assert (found.product, found.low, found.high, found.marks) == (
        "new",
        None,
        None,
        ("single_run", "lag_not_judged"),
    )
    assert found.fps_per_watt == pytest.approx(2.0)


def test_metered_power_over_frames_per_second():
    cells = [
        cell("new", "dunes", "average_fps", 60.0, 58.0, 62.0, ("waived:memory",)),
        cell("new", "dunes", "low_1pct_fps", 40.0),
        cell("new", "dunes-power", "value", 30.0, 29.0, 31.0),
        cell("old", "dunes", "average_fps", 60.0),
    ]
    (found,) = weigh(cells=cells)
    assert (found.product, found.title, found.power_title) == ("new", "dunes", "dunes-power")
    assert found.value == pytest.approx(0.5)
    assert (found.low, found.high) == pytest.approx((29 / 62, 31 / 58))
    assert found.marks == ("waived:memory",)
    assert found.trace.run_ids() == ("dunes-power-new", "dunes-new")
    assert found.unsettled == (1.0, 1.0) and found.parts is None


@pytest.mark.parametrize(
    ("rate", "power"), [((), (29.0, 31.0)), ((58.0, 62.0), ())], ids=["rate", "power"]
)
def test_without_both_intervals_there_is_none(rate, power):
    cells = [
        cell("new", "dunes", "average_fps", 60.0, *rate),
        cell("new", "dunes-power", "value", 30.0, *power),
    ]
    (found,) = weigh(cells=cells)
    assert (found.low, found.high) == (None, None)


def test_other_settings_or_no_workload_are_not_paired():
    cells = [
        cell("new", "dunes-low", "average_fps", 90.0),
        cell("new", "tower", "average_fps", 90.0),
        cell("new", "dunes-power", "value", 30.0),
    ]
    assert weigh(cells=cells) == ()


def test_a_standing_has_both_ways_of_saying_it():
    (standing,) = weigh([run("r1", "new", 0.5)])
    assert (standing.value, standing.fps_per_watt) == (0.5, 2.0)


def lagging_runs(lag_s, *, seed=7, product="new", title="dunes"):
    draw = np.random.default_rng(seed)
    load = made_scene(draw, length_s=40)
    made = []
    for i in range(3):
        frame_ms, watts = lagging_run(draw, load, lag_s=lag_s)
        log = Log("a.csv", "0" * 64, 1, frame_ms, {"power_w": watts})
        figures = measure_log(log, MetricParams(low="percentile"))
        made.append(
            dataclasses.replace(
                run(f"{product}{i}", product, figures.energy_per_frame_j, title),
                duration_s=40.0,
                energy_by_lag_j=figures.energy_by_lag_j,
                lags=figures.lags,
            )
        )
    return made


def test_energy_is_taken_over_settled_time_with_the_lags_error_in_its_interval():
    runs = lagging_runs(1.3)
    (found,) = weigh(runs)
    lag = pool_lags(runs)["new", "power_w"]
    assert found.lag_s == lag.lag_s == pytest.approx(1.3, abs=0.15)
    assert "lag_not_judged" not in found.marks
    logs = np.log([r.energy_by_lag_j[LAGS_S.index(lag.lag_s)] for r in runs])
    assert found.value == pytest.approx(math.exp(logs.mean()), rel=1e-12)
    plain = stats.ttest_1samp(logs, 0).confidence_interval(0.95)
    assert found.low < math.exp(plain.low) and found.high > math.exp(plain.high)
    assert found.settled_share == pytest.approx(1 - lag.lag_s / 40)
    # By hand: the lag's ends, on straight lines between lags, and half of a 95 % interval.
    means = np.log([r.energy_by_lag_j for r in runs]).mean(axis=0)
    off = np.interp([lag.low_s, lag.high_s], LAGS_S, means) - logs.mean()
    error = float(np.abs(off).max())
    assert math.log(found.high / found.value) == pytest.approx(
        math.hypot(plain.high - logs.mean(), error), rel=1e-9
    )
    expected = ((stats.sem(logs) ** 2, 2.0), ((error / stats.norm.ppf(0.975)) ** 2, math.inf))
    for part, known in zip(found.parts, expected, strict=True):
        assert part == pytest.approx(known, rel=1e-9)
    raw = math.exp(np.log([r.energy_per_frame_j for r in runs]).mean())
    assert found.unsettled == pytest.approx((raw / found.value,) * 2, rel=1e-12)


def test_energy_with_a_lag_not_judged_stays_and_says_how_far_it_may_be_off():
    runs = [dataclasses.replace(r, lags={"power_w": LagProfile()}) for r in lagging_runs(1.3)]
    (found,) = weigh(runs)
    raw = np.log([r.energy_per_frame_j for r in runs])
    assert found.value == pytest.approx(math.exp(raw.mean()), rel=1e-12)
    assert "lag_not_judged" in found.marks and found.lag_s is None
    every = np.exp(
        -np.log([np.array(r.energy_by_lag_j) / r.energy_by_lag_j[0] for r in runs]).mean(0)
    )
    assert found.unsettled == pytest.approx((every.min(), every.max()), rel=1e-12)
    assert found.unsettled[0] < found.unsettled[1]


def compare(standings, band=0.02):
    params = MarginParams(method="welch", confidence=0.95, level_band=band, family="holm", seed=1)
    return compare_energy(standings, [("new", "old")], params)


# scipy.stats: Welch's t test and its confidence interval.
@pytest.mark.parametrize(
    ("mine", "outcome"),
    [([0.50, 0.51, 0.49], "ahead"), ([0.60, 0.601, 0.602], "level"), ([0.7, 0.71, 0.72], "behind"),
     ([0.5, 0.6, 0.7], "unresolved")],
)  # fmt: skip
def test_an_energy_margin_has_welchs_interval_and_an_outcome(mine, outcome):
    theirs = [0.599, 0.6, 0.601, 0.602]
    runs = [run(f"a{i}", "new", j) for i, j in enumerate(mine)]
    runs += [run(f"b{i}", "old", j) for i, j in enumerate(theirs)]
    (margin,) = compare(weigh(runs))
    known = stats.ttest_ind(np.log(theirs), np.log(mine), equal_var=False).confidence_interval()
    assert (math.log(margin.low), math.log(margin.high)) == pytest.approx(tuple(known), rel=1e-9)
    assert margin.outcome == outcome
    assert set(margin.trace.run_ids()) == {r.run for r in runs}


def test_an_energy_margin_without_a_spread_has_no_interval():
    (margin,) = compare(weigh([run("a", "new", 0.5), run("b", "old", 0.6)]))
    assert margin.ratio == pytest.approx(1.2)
    assert (margin.low, margin.outcome) == (None, "unresolved")
    assert "no_interval" in margin.marks
    assert compare(weigh([run("a", "new", 0.5)])) == ()


def test_a_metered_margin_adds_up_power_and_rate_of_both_sides():
    """Satterthwaite, by hand, and t by scipy."""
    known = {("new", "dunes"): (0.01, 3), ("new", "dunes-power"): (0.02, 5),
             ("old", "dunes"): (0.015, 4), ("old", "dunes-power"): (0.01, 3)}  # fmt: skip
    cells = [
        dataclasses.replace(
            cell(p, t, "average_fps" if t == "dunes" else "value", 60.0 if t == "dunes" else 30.0),
            log_sd=sd, values=(60.0,) * n,
            runs=tuple(f"{t}-{p}-{i}" for i in range(n)), sessions=("",) * n, passes=(1,) * n,
        )
        for (p, t), (sd, n) in known.items()
    ]  # fmt: skip
    (margin,) = compare(weigh(cells=cells))
    parts = [(sd**2 / n, n - 1) for sd, n in known.values()]
    whole = sum(v for v, _ in parts)
    df = whole**2 / sum(v**2 / f for v, f in parts)
    half = stats.t.ppf(0.975, df) * math.sqrt(whole)
    assert margin.ratio == pytest.approx(1.0)
    assert (math.log(margin.low), math.log(margin.high)) == pytest.approx((-half, half), rel=1e-6)


LOADS = {  # title -> product -> what single runs read
    "dunes": {"new": [1652.0, 1649.5, 1655.0], "old": [1931.0, 1928.0, 1936.0, 1930.5]},
    "tower": {"new": [1611.0, 1613.5], "old": [1929.0, 1933.5]},
    "cave": {"new": [1600.0]},
}


def loads(sensor, of_titles=LOADS, products=("new", "old")):
    runs = [
        dataclasses.replace(run(f"{t}-{p}-{n}", p, None, t), under_load={sensor: value})
        for t, of_products in of_titles.items()
        for p, values in of_products.items()
        for n, value in enumerate(values)
    ]
    found = Load.of_runs(runs, products, [sensor], confidence=0.95)
    return {(load.title, load.product, load.baseline): load for load in found}


@pytest.mark.parametrize("sensor", ["clock_mhz", "power_w", "temperature_c", "noise_dba"])
def test_sensors_under_load_have_the_t_tests_of_scipy(sensor):
    logs = sensor in {"clock_mhz", "power_w"}
    there, back = (np.log, np.exp) if logs else (np.array, np.array)
    found = loads(sensor)
    own, other = (there(LOADS["dunes"][p]) for p in ("new", "old"))
    one = stats.ttest_1samp(own, 0).confidence_interval(0.95)
    two = stats.ttest_ind(own, other, equal_var=False).confidence_interval(0.95)
    for key, center, ends in (("", own.mean(), one), ("old", own.mean() - other.mean(), two)):
        load = found["dunes", "new", key]
        assert [load.value, load.low, load.high] == pytest.approx(
            [float(back(x)) for x in (center, ends.low, ends.high)], rel=1e-9
        )
    unit = {"c": "MHz", "p": "W", "t": "°C", "n": "dB(A)"}[sensor[0]]
    assert found["dunes", "new", "old"].unit == ("ratio" if logs else unit)
    assert found["dunes", "old", ""].unit == unit


def test_readings_over_titles_rest_on_those_that_every_product_ran():
    found = loads("clock_mhz")
    assert ("cave", "new", "old") not in found and found["cave", "new", ""].low is None
    whole = found["", "new", "old"]
    shared = [found[title, "new", "old"].value for title in ("dunes", "tower")]
    assert whole.value == pytest.approx(math.sqrt(shared[0] * shared[1]))
    assert whole.value == pytest.approx(found["", "new", ""].value / found["", "old", ""].value)
    assert set(whole.trace.run_ids()) == {
        f"{t}-{p}-{n}"
        for t in ("dunes", "tower")
        for p in ("new", "old")
        for n in range(len(LOADS[t][p]))
    }
    spread = np.sqrt(
        sum((np.array(v) - np.mean(v)).dot(np.array(v) - np.mean(v)) for v in
            (LOADS["dunes"]["new"], LOADS["tower"]["new"])) / 3
    )  # fmt: skip
    assert found["", "new", ""].sd == pytest.approx(spread)
    assert found["dunes", "new", ""].sd is None


def test_one_over_the_other_and_the_other_way_round_agree():
    for sensor in ("clock_mhz", "temperature_c"):
        there, back = loads(sensor), loads(sensor, products=("old", "new"))
        for title in ("dunes", "tower", ""):
            one, two = there[title, "new", "old"], back[title, "old", "new"]
            turn = (lambda x: -x) if sensor == "temperature_c" else (lambda x: 1 / x)
            assert [one.value, one.low, one.high] == pytest.approx(
                [turn(two.value), turn(two.high), turn(two.low)]
            )


def test_only_the_second_half_of_a_run_counts_by_time():
    ms = np.array([10.0] * 100 + [20.0] * 50 + [10.0] * 50)  # 2.5 s; half is reached at 1.25 s
    read = np.where(np.cumsum(ms) <= 1250, 1900.0, np.where(ms == 20, 1600.0, 1500.0))
    read[160] = math.nan
    log = Log("x.csv", "", 0, ms, sensors={"part_clock_mhz": read, "processor_power_w": read})
    found = measure_log(log, MetricParams(low="percentile")).under_load
    slow = (np.cumsum(ms) > 1250) & (ms == 20)
    expected = (slow.sum() * 20 * 1600 + 49 * 10 * 1500) / (slow.sum() * 20 + 49 * 10)
    assert found == {"clock_mhz": pytest.approx(expected)}


def test_noise_is_the_level_of_its_mean_energy():
    """Two sounds of equal length, 10 dB apart: 2.6 dB below the louder (10 lg 1.1/2, by hand)."""
    ms, levels = np.full(8, 100.0), np.array([60.0, 60, 60, 60, 30, 30, 40, 40])
    log = Log("x.csv", "", 0, ms, sensors={"noise_dba": levels})
    found = measure_log(log, MetricParams(low="percentile")).under_load
    assert found == {"noise_dba": pytest.approx(37.4036, abs=1e-4)}
    steady = dataclasses.replace(log, sensors={"noise_dba": np.full(8, 41.0)})
    assert measure_log(steady, MetricParams(low="percentile")).under_load["noise_dba"] == (
        pytest.approx(41.0)
    )


def test_the_question_of_energy_is_answered_with_what_sensors_read(demo):
    answered = ANSWERS["energy"](demo.review, demo.results, Claim.make)
    made = {claim.kind for claim in answered}
    asked = {claim.kind for claim in demo.book.claims} & {*QUESTIONS["energy"].kinds}
    assert asked <= made and {"load", "load_spread", "load_ratio", "load_difference"} <= asked
