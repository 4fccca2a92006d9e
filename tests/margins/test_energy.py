"""Energy per frame. Expected values by arithmetic: 30 W at 60 fps is half a joule a frame."""

import math

import numpy as np
import pytest
from scipy import stats

from kit.margins.cells import Cell
from kit.margins.energy import weigh_energy
from kit.metrics.run_metrics import RunMetrics
from kit.settings.bench_file import Title
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
    assert found.joule_per_frame == pytest.approx(math.exp(logs.mean()), rel=1e-12)
    assert found.low == pytest.approx(math.exp(interval.low), rel=1e-9)
    assert found.high == pytest.approx(math.exp(interval.high), rel=1e-9)
    assert (found.source, found.runs) == ("logged", ("r0", "r1", "r2"))
    assert found.trace.run_ids() == ("r0", "r1", "r2")


def test_a_single_run_has_no_interval_and_says_so():
    (found,) = weigh([run("r1", "new", 0.5), run("r2", "new", None), run("r3", "old", None)])
    assert (found.product, found.low, found.high, found.marks) == (
        "new",
        None,
        None,
        ("single_run",),
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
    assert found.joule_per_frame == pytest.approx(0.5)
    assert (found.low, found.high) == pytest.approx((29 / 62, 31 / 58))
    assert found.marks == ("waived:memory",)
    assert found.trace.run_ids() == ("dunes-power-new", "dunes-new")


def test_without_both_intervals_there_is_none():
    cells = [
        cell("new", "dunes", "average_fps", 60.0),
        cell("new", "dunes-power", "value", 30.0, 29.0, 31.0),
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
    assert (standing.joule_per_frame, standing.fps_per_watt) == (0.5, 2.0)
