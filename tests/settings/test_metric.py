"""The table of metrics: read-only, nothing twice, the unknown refused with the nearest name."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import pytest

from kit.settings.metric import DEFAULT_METRICS, METRICS, TYPED_METRICS, _MetricTable, tail_shares
from kit.settings.params import _known_metrics


def test_an_unknown_metric_is_refused_with_the_nearest_and_the_whole_list():
    with pytest.raises(LookupError) as caught:
        METRICS["medain_fps"]
    said = str(caught.value)
    assert said.startswith('no metric "medain_fps"; did you mean "median_fps"?; all: average_fps,')
    assert all(name in said for name in METRICS)
    assert METRICS.get("medain_fps") is None
    assert "medain_fps" not in METRICS


def test_rows_cannot_be_changed():
    with pytest.raises(TypeError):
        METRICS["other"] = METRICS["value"]
    with pytest.raises(FrozenInstanceError):
        METRICS["value"].label = "score"
    with pytest.raises(TypeError):
        METRICS["value"].methods["percentile"] = "average"


@pytest.mark.parametrize("change", [{}, {"name": "other"}], ids=["name", "word"])
def test_a_metric_or_its_word_twice_is_an_error(change):
    row = METRICS["median_fps"]
    with pytest.raises(ValueError, match="stands twice"):
        _MetricTable([row, replace(row, **change)])


@pytest.mark.parametrize(
    "change",
    [{"of_frames": None}, {"tail_share": 0.5}, {"influence": None}, {"source": "title"}],
    ids=["no way", "two ways", "no influence", "not of frames"],
)
def test_a_metric_is_made_in_one_way(change):
    with pytest.raises(ValueError, match=r"median_fps: a metric of frames has"):
        replace(METRICS["median_fps"], **change)


def test_a_metric_has_a_method_for_each_definition():
    with pytest.raises(ValueError, match="methods need one for each"):
        replace(METRICS["median_fps"], methods={"percentile": "median"})


def test_what_is_compared_unless_params_say():
    assert DEFAULT_METRICS == ("average_fps", "low_1pct_fps", "low_0_1pct_fps")
    assert _known_metrics(("median_fps", "average_fps")) == ("median_fps", "average_fps")


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (("average_fps", "medain_fps"), 'no metric "medain_fps"; did you mean "median_fps"'),
        (("average_fps", "value"), 'no metric "value"'),
        (("average_fps", "average_fps"), "stands twice"),
        (("median_fps",), "average_fps is missing"),
    ],
)
def test_params_refuse(names, said):
    with pytest.raises(ValueError, match=said):
        _known_metrics(names)


def test_lows_are_of_one_frame_in_100_and_one_in_1000_by_name_and_by_influence():
    shares = {"low_1pct_fps": 1 / 100, "low_0_1pct_fps": 1 / 1000}
    assert tail_shares() == tail_shares(METRICS) == shares
    assert tail_shares(["average_fps", "low_1pct_fps"]) == {"low_1pct_fps": 0.01}
    assert {name: METRICS[name].influence.keywords["share"] for name in shares} == shares


def test_what_a_metric_takes_part_in():
    """Common practice, no source: a tail of one frame in 1,000 is too few to tell runs by."""
    assert tuple(METRICS) == TYPED_METRICS
    assert [name for name, m in METRICS.items() if not m.steady] == ["low_0_1pct_fps"]
    assert [name for name, m in METRICS.items() if m.charted] == ["average_fps", "median_fps"]
    assert [name for name, m in METRICS.items() if m.own_blocks] == ["median_fps"]
    better = {name: m.less_is_better for name, m in METRICS.items()}
    assert better.pop("value") is None and set(better.values()) == {False}
