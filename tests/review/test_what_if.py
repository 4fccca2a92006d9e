"""Outcomes under other choices: an exclusion or a method that turns one is named."""

import math
from dataclasses import replace
from types import SimpleNamespace

import pytest
from scipy.stats import ttest_ind
from screening_case import bench, params
from small_bench import MadeRun, small_bench, walk

from kit.errors import UsageError
from kit.margins.suites import summarise_titles
from kit.page.findings import Findings
from kit.review.what_if import EDITS, Edit, _edited, measure_sensitivity
from kit.settings.params import ReviewParams


def typed_bench(*values, **params):
    """Return a bench of titles by products by runs whose averages are typed in."""
    runs = tuple(
        MadeRun(run=f"p{p}-t{t}-{n}", product=f"p{p}", title=f"t{t}",
                session=f"s{p}-{n}", typed={"average_fps": f"{fps:.4f}"})
        for t, products in enumerate(values) for p, of in enumerate(products)
        for n, fps in enumerate(of)
    )  # fmt: skip
    base = small_bench(products=len(values[0]), titles=len(values), runs=1).with_params(**params)
    return replace(base, runs=runs, prices=())


def test_an_exclusion_that_turns_an_outcome_is_told_with_both_intervals(tmp_path):
    # Beside it Welch's interval as scipy.stats.ttest_ind gives it, of the logarithms.
    titles = [[[100, 101, 100.5, 80], [96, 97, 96.5, 96.2]]] * 1
    aside = [{"run": "p0-t0-3", "reason": "An update ran."}]
    bench = typed_bench(*titles, screen={"caps_hz": [], "set_aside": aside})
    review, results, book = walk(bench, tmp_path)
    with_it = ttest_ind(*[[math.log(v) for v in side] for side in titles[0]], equal_var=False)
    low, high = with_it.confidence_interval(0.95)
    (stated,) = [s for s in results.suites if s.metric == "average_fps" and s.suite == "all"]
    (every,) = [o for o in measure_sensitivity(review, results) if o.choice == "all_runs"]
    assert stated.outcome == "ahead" and every.turned and every.suite.outcome == "unresolved"
    assert (every.suite.low, every.suite.high) == pytest.approx((math.exp(low), math.exp(high)))
    claim = book.by_id["sensitivity/average_fps/p0-over-p1/all_runs"]
    assert claim.marks == ("turned",) and "p0-t0-3" in claim.runs
    (said,) = Findings(book).fragile_sentences()
    words = "".join(getattr(part, "text", part) for part in said)
    assert "all runs, also those set aside" in words and claim.interval in words
    whole = book.by_id["suite/average_fps/all/p0-over-p1"]
    assert whole.interval in words


def test_many_outcomes_are_adjusted_by_bonferroni(demo):
    # Bonferroni: each of k intervals at 1 - alpha / k. Beside it the suite at that confidence.
    made = [o for o in measure_sensitivity(demo.review, demo.results) if o.choice == "adjusted"]
    compared = len(demo.review.params.compared)
    averages = [o.suite for o in made if o.suite.metric == "average_fps"]
    assert len(averages) == compared == 6
    for suite in averages:
        params = demo.review.params.margins.model_copy(update={"confidence": 1 - 0.05 / compared})
        cells = [c for c in demo.results.cells if c.metric == suite.metric]
        plain = summarise_titles(suite.margins, suite="all", params=params, cells=cells)
        assert (suite.low, suite.high) == pytest.approx((plain.low, plain.high), rel=1e-12)


def test_nothing_turns_where_no_interval_is(demo):
    made = measure_sensitivity(demo.review, demo.results)
    bare = [o for o in made if o.suite.low is None]
    assert bare and not any(o.turned for o in bare)
    assert any(o.turned for o in made)


HALVES = [{"here": "heron", "there": "crane"}, {"here": "ibis", "there": "stork"}]
FACTS = {
    "rivals": ["ibis", "stork"],
    "predecessor": "stork",
    "same_name": HALVES,
    "pairs": [{"product": "ibis", "over": "stork"}, {"product": "ibis", "over": "crane"}],
    "under_load": {"against": ["ibis", "crane"]},
    "value": {
        "currency": "EUR",
        "scenarios": [{"name": "S", "product": "ibis", "price": 5.0}],
        "configurations": [{"product": "x", "of": "ibis", "assumption": "The same."}],
    },
    "screen": {"set_aside": [{"run": "b", "reason": "an update"}]},
    "waivers": [{"control": "fan", "products": ["ibis"], "reason": "Sold so."}],
}


def asked(name, value, /, **facts):
    """Return by key what one change of a made review edits."""
    data = params().model_dump(mode="json", by_alias=True, exclude_unset=True)
    data |= {"controls": ["fan"]} | FACTS | facts
    review = SimpleNamespace(
        params=ReviewParams.model_validate(data),
        bench=bench(),
        titles=("dunes", "marsh"),
        row_of={"a": None, "b": None, "c": None},
        sheet=SimpleNamespace(runs=["a", "b", "c", "elsewhere"]),
        screened=SimpleNamespace(set_aside={"b": "an update", "c": "far"}),
        prices=(1,),
    )
    edits = EDITS[name](review, value)
    assert all(isinstance(edit, Edit) for edit in edits)
    return {".".join(edit.path): edit.value for edit in edits}


def test_products_set_against_keep_the_part_they_have():
    found = asked("products", ["crane", "ibis", "heron"])
    assert found["rivals"] == ["ibis"]  # the namesake is set against anyway, and nobody itself
    assert (found["predecessor"], found["same_name"]) == (None, HALVES[:1])
    assert found["pairs"] == [{"product": "ibis", "over": "crane"}]
    assert found["under_load.against"] == ["ibis", "crane"]
    assert [of["product"] for of in found["value.configurations"]] == ["x"]
    found = asked("products", "stork")  # a review has a rival: the predecessor alone is one
    assert found == {"rivals": ["stork"], "predecessor": None, "same_name": None, "pairs": None,
                     "under_load.against": [], "value.configurations": None}  # fmt: skip
    both = asked("products", ["stork", "ibis"], pairs=[], under_load={}, value=None)
    assert both == {"rivals": ["stork", "ibis"], "predecessor": None, "same_name": None}
    kept = asked("products", ["stork", "crane", "ibis"], same_name=HALVES[:1])
    assert (kept["rivals"], kept["predecessor"]) == (["ibis"], "stork")


@pytest.mark.parametrize(
    ("name", "value", "edits"),
    [
        ("without_titles", "dunes", {"titles": ["marsh"]}),
        ("titles", "all", {"titles": "all"}),
        ("titles", "marsh", {"titles": ["marsh"]}),
        ("level_band", 0.1, {"margins.level_band": 0.1}),
        ("low", "time_share", {"metrics.low": "time_share"}),
        ("put_back", "b", {"screen.set_aside": []}),
    ],
)
def test_one_change_is_one_key_of_the_params(name, value, edits):
    assert asked(name, value) == edits


def test_what_is_added_stands_after_what_params_have():
    (aside,) = asked("set_aside", {"a": "the fan"}).values()
    assert [(entry["run"], entry["reason"]) for entry in aside] == [
        ("b", "an update"),
        ("a", "the fan"),
    ]
    (prices,) = asked("prices", {"heron": 7.0, "ibis": 6.0}).values()
    said = "Heron at 7.0 EUR and Ibis at 6.0 EUR"
    assert [(p["name"], p["price"]) for p in prices] == [("S", 5.0), (said, 7.0), (said, 6.0)]
    waiver = {"control": "fan", "products": ["crane"], "reason": "Sold so too."}
    for value in (waiver, [waiver]):
        (waivers,) = asked("waive", value).values()
        assert [w["products"] for w in waivers] == [["ibis"], ["crane"]]


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("without_titles", ["dunes", "marsh"], "without these titles none is left"),
        ("without_titles", "delta", 'no title of this review "delta"'),
        ("titles", [], "the list is empty"),
        ("products", "herno", 'no product in bench.yaml "herno"; did you mean "heron"'),
        ("set_aside", ["a"], "takes runs with their reasons"),
        ("set_aside", {"c": "why"}, 'run "c" is set aside already: far'),
        ("set_aside", {"elsewhere": "why"}, 'no run of this review "elsewhere"'),
        ("set_aside", {"nowhere": "why"}, 'no run in the run sheet "nowhere"'),
        ("put_back", "a", 'run "a" is set aside not at all'),
        ("put_back", "c", 'run "c" is set aside by a rule or the run sheet, not by params: far'),
        ("put_back", "d", 'no run of this review "d"'),
        ("prices", ["heron"], "takes products with their prices"),
        ("prices", {"kite": 5.0}, 'no product of this review "kite"'),
    ],
)
def test_what_a_review_has_nothing_of_cannot_be_changed(name, value, said):
    with pytest.raises(UsageError, match=said):
        asked(name, value)


def test_prices_need_a_review_that_weighs_them():
    with pytest.raises(UsageError, match="weighs no prices"):
        asked("prices", {"heron": 5.0}, value=None)


@pytest.mark.parametrize(
    ("before", "after", "kept"),
    [
        (["a", "b", "c"], ["a", "c"], True),
        (["a", "b"], ["b", "d", "e"], True),
        (["a", "b", "c"], ["c", "a"], False),  # another order is another list
        (["a"], ["b", "a"], False),
        (None, ["a"], False),
        (["a"], "all", False),
    ],
)
def test_a_list_changed_at_its_end_alone_is_the_same_list_with_its_comments(before, after, kept):
    tree = {"deep": {"list": before}} if before else {}
    edited = _edited(tree, [Edit(("deep", "list"), after)])
    assert edited == {"deep": {"list": after}}
    assert (edited["deep"]["list"] is before) == kept
    assert _edited(edited, [Edit(("deep", "list"), None)]) == {"deep": {}}


@pytest.mark.parametrize("schema", [True, False])
def test_the_text_of_other_params_names_files_from_its_own_folder(tmp_path, schema):
    first = "# yaml-language-server: $schema=../schemas/params.json\n" if schema else ""
    text = "# of ours\nreview: a\nbench: ../bench\nreplaces: ../sealed/a-1\nmargins: {level_band: 0.02} # kept\n"
    path = tmp_path / "params" / "a.yaml"
    path.parent.mkdir()
    path.write_text(first + text, encoding="utf-8")
    edits = [Edit(("margins", "level_band"), 0.1), Edit(("titles",), ["dell"])]
    made = Edit.text_with(path, edits, folder=tmp_path / "out" / "b", review="b")
    note = "# What if: a.yaml with other margins.level_band, titles.\n"
    head = first.replace("../schemas", "../../schemas") + note + "# of ours\nreview: b\n"
    assert made == head + (
        "bench: ../../bench\nreplaces: ../../sealed/a-1\n"
        "margins: {level_band: 0.1}  # kept\ntitles: [dell]\n"
    )
