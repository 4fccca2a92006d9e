"""Controls: alike on both sides, or waived with a reason.

Common practice, no source: margins compare only machines alike in processor, memory size and
channels, resolution and settings.
"""

from pathlib import Path

import pytest

from kit.bench.runs import RunRow
from kit.errors import BenchError, UsageError
from kit.screening.controls import Controls, check_controls, compared_pairs
from kit.settings.bench_file import Bench, Product
from kit.settings.params import LoadedParams, ReviewParams
from kit.settings.yaml import YamlDocument


def loaded(*, waivers=(), configuration=None, same_name=()):
    params = ReviewParams.model_validate(
        {
            "format": "marginbook-params/1",
            "review": "r",
            "title": "t",
            "byline": "b",
            "date": "2026-11-25",
            "bench": "x",
            "product": "ash",
            "rivals": ["birch"],
            "predecessor": "elder" if same_name else None,
            "same_name": list(same_name),
            "controls": ["memory_gb", "fan_mode"],
            "waivers": list(waivers),
            "metrics": {"low": "percentile"},
            "margins": {"method": "welch", "confidence": 0.95, "level_band": 0.02, "seed": 1},
        }
    )
    given = {"ash": "32", "birch": "32", "elder": "32", "desk-ash": "64", "desk-elder": "64"}
    given.update(configuration or {})
    products = {
        name: Product.model_validate(
            {"name": name, "class": "x", "configuration": {"memory_gb": gb} if gb else {}}
        )
        for name, gb in given.items()
    }
    bench = Bench(Path("x"), "b", products, {}, {}, {}, YamlDocument("b", {}, {}))
    return LoadedParams(
        Path("p.yaml"), params, bench, YamlDocument("p.yaml", {}, {(): 1, ("controls",): 7})
    )


def row(run, product, title="dell", **conditions):
    return RunRow(run, product, title, log="x", conditions={"fan_mode": "quiet", **conditions})


def test_alike_machines_have_no_mismatch():
    controls = check_controls([row("a", "ash"), row("b", "birch")], loaded(), titles=["dell"])
    assert controls.mismatches == ()
    assert controls.values["memory_gb", "ash"] == ("32",)


def test_an_unwaived_mismatch_stops_the_review_and_says_both_values():
    with pytest.raises(BenchError) as caught:
        check_controls(
            [row("a", "ash"), row("b", "birch")],
            loaded(configuration={"birch": "16"}),
            titles=["dell"],
        )
    assert 'memory_gb is "32" on one side and "16" on the other (in dell)' in str(caught.value)
    assert caught.value.faults[0].line == 7 and caught.value.exit_status == 3


@pytest.mark.parametrize("product", ["ash", "birch"])
def test_a_waiver_of_either_side_marks_the_margin(product):
    waivers = [{"control": "memory_gb", "products": [product], "reason": "soldered in"}]
    controls = check_controls(
        [row("a", "ash"), row("b", "birch")],
        loaded(waivers=waivers, configuration={"birch": "16"}),
        titles=["dell"],
    )
    assert controls.waived("ash", "birch", "dell") == ("memory_gb",)
    assert controls.waived("ash", "birch", "fen") == ()
    assert controls.mismatches[0].reason == "soldered in"


def test_a_runs_own_condition_stands_before_the_configuration():
    rows = [row("a", "ash", memory_gb="16"), row("b", "birch")]
    with pytest.raises(BenchError, match='memory_gb is "16" on one side and "32"'):
        check_controls(rows, loaded(), titles=["dell"])


def test_a_control_that_changes_within_one_side_is_a_mismatch():
    rows = [row("a", "ash"), row("a2", "ash", fan_mode="loud"), row("b", "birch")]
    with pytest.raises(BenchError, match='fan_mode is "loud" and "quiet" on one side'):
        check_controls(rows, loaded(), titles=["dell"])


def test_titles_are_compared_each_for_itself():
    rows = [
        row("a", "ash"),
        row("b", "birch"),
        row("a2", "ash", "fen", fan_mode="loud"),
        row("b2", "birch", "fen", fan_mode="loud"),
    ]
    assert check_controls(rows, loaded(), titles=["dell", "fen"]).mismatches == ()


def test_what_is_not_recorded_is_said_once():
    with pytest.raises(BenchError) as caught:
        check_controls(
            [row("a", "ash"), row("b", "birch")],
            loaded(configuration={"birch": ""}),
            titles=["dell"],
        )
    assert len(caught.value.faults) == 1
    assert '"memory_gb" is not recorded for birch' in str(caught.value)


def test_names_in_two_classes_are_compared_within_each_class():
    params = loaded(
        same_name=[{"here": "ash", "there": "desk-ash"}, {"here": "elder", "there": "desk-elder"}]
    ).params
    assert compared_pairs(params) == (
        ("ash", "birch"),
        ("ash", "elder"),
        ("ash", "desk-ash"),
        ("desk-ash", "desk-elder"),
        ("elder", "desk-elder"),
    )


@pytest.mark.parametrize(
    ("titles", "said"),
    [
        (["a", "b", "c"], "(in a, b, c)"),
        (["a", "b", "c", "d", "e"], "(in a, b, c and 2 more titles)"),
    ],
)
def test_three_titles_of_a_mismatch_are_named_and_the_others_counted(titles, said):
    rows = [row(f"{p}-{t}", p, t) for t in titles for p in ("ash", "birch")]
    with pytest.raises(BenchError) as caught:
        check_controls(rows, loaded(configuration={"birch": "16"}), titles=titles)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("product", "baseline", "said"),
    [
        ("ahs", "birch", '"ahs" is not among what was checked; did you mean "ash"?'),
        ("ash", "cedar", '"cedar" is not among what was checked; known: birch'),
        ("birch", "ash", '"ash" is not among what was checked; known: cedar'),
    ],
)
def test_a_pair_that_was_not_compared_is_refused_by_the_name_that_is_not_known(
    product, baseline, said
):
    controls = Controls((("ash", "birch"), ("birch", "cedar")))
    with pytest.raises(UsageError) as caught:
        controls.check_pair(product, baseline)
    assert str(caught.value).endswith(said)
    for pair in controls.pairs:
        controls.check_pair(*pair)


def test_twelve_names_are_listed_where_none_is_close():
    controls = Controls(tuple((f"p{n:02d}", "ash") for n in range(13)))
    with pytest.raises(UsageError) as caught:
        controls.check_pair("xylem", "ash")
    assert str(caught.value).endswith("p09, p10, p11")
