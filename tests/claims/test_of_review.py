"""Claims of what few reviews have: stretches, settings, parts, drift, a registered plan."""

import datetime as dt
import math
from types import SimpleNamespace

import pytest
from years_bench import typed, write_bench, write_params

from kit.claims.claim import Claim
from kit.claims.of_review import CLAIMS, _lag_claims, listed
from kit.review.walk import load_review, work_out
from kit.stats.series import LAGS_S, SensorLag


def claims_of(name, review, results=None):
    return [*CLAIMS[name](review, results, Claim.make)]


def reviewed(folder, rows, more, rivals="[three]"):
    """Work out a review of made figures, typed in."""
    write_bench(folder, rows)
    path = write_params(folder, more)
    text = path.read_text(encoding="utf-8").replace("[two, three]", rivals)
    path.write_text(text, encoding="utf-8")
    review = load_review(path)
    return review, work_out(review)


def test_a_stretch_that_runs_share_is_stated_once_a_title():
    def run(name, title, stretch):
        return SimpleNamespace(run=name, title=title, stretch=stretch)

    used = [
        run("a", "dell", (20.512, "seconds")),
        run("b", "hill", (1700.0, "frames")),
        run("c", "dell", (20.512, "seconds")),
        run("d", "fen", None),
    ]
    params = SimpleNamespace(locale="en")
    found = claims_of("runs", SimpleNamespace(metrics={}, used=used, params=params))
    assert [(c.id, c.value, c.unit, c.text, c.runs) for c in found] == [
        ("common_stretch/dell", 20.512, "seconds", "20.51\u00a0s", ("a", "c")),
        ("common_stretch/hill", 1700.0, "frames", "1,700", ("b",)),
    ]


def of_plan(made, planned, look=None):
    """Return the claims of a plan registered for one title, and what was made of it."""
    registered = SimpleNamespace(
        runs={p: {"dell": n} for p, n in planned.items()}, on=dt.date(2026, 3, 1), looks=(0.5, 1.0)
    )
    names = {p: SimpleNamespace(name=p.title()) for p in ("one", "two", "three")}
    rows = [
        SimpleNamespace(product=p, title="dell", produced=done)
        for p, n in made.items()
        for done in [True] * n + [False]  # one more that did not run, and does not count
    ]
    bench = SimpleNamespace(products=names, titles={"dell": SimpleNamespace(name="The Dell")})
    params = SimpleNamespace(plan=SimpleNamespace(registered=registered), locale="en")
    return claims_of(
        "said_of_plan", SimpleNamespace(params=params, rows=rows, bench=bench, look=look)
    )


ADDED = "Runs were added after the plan registered on 2026-03-01: "
FEWER = "Fewer runs were made than the plan registered on 2026-03-01 says: "


@pytest.mark.parametrize(
    ("made", "outcome", "said"),
    [
        ({"one": 3, "two": 4}, "as_registered", "As many runs were made as the plan registered"),
        ({"one": 4, "two": 4}, "added", f"{ADDED}One in The Dell 4 of 3."),
        ({"one": 3, "two": 2}, "fewer", f"{FEWER}Two in The Dell 2 of 4."),
        ({"one": 3}, "fewer", f"{FEWER}Two in The Dell 0 of 4."),
        ({"one": 3, "two": 4, "three": 1}, "added", f"{ADDED}Three in The Dell 1 of 0."),
        ({"one": 4, "two": 3}, "added", f"{FEWER}Two in The Dell 3 of 4."),
        ({"one": 5, "two": 5}, "added", f"{ADDED}One in The Dell 5 of 3; Two in The Dell 5 of 4."),
    ],
)
def test_runs_beside_the_plan_registered(made, outcome, said):
    (claim,) = of_plan(made, {"one": 3, "two": 4})
    assert claim.outcome == outcome and said in claim.text
    assert (ADDED in claim.text) == (outcome == "added")
    assert (FEWER in claim.text) == (FEWER in said)


def test_a_look_is_stated_with_its_level():
    level, kept = of_plan(
        {"one": 3}, {"one": 3}, SimpleNamespace(number=1, level=0.03127, alpha=0.05)
    )
    assert (level.id, level.value, level.text) == ("look_level", 0.03127, "3.13\u00a0%")
    assert "look 1 of 2 registered: every interval leaves out 3.13\u00a0%" in kept.text
    assert "over all looks 5\u00a0% of level" in kept.text
    none = SimpleNamespace(params=SimpleNamespace(plan=None))
    assert claims_of("said_of_plan", none) == []


def test_what_a_setting_does_rests_on_its_titles(tmp_path):
    rows = [
        row
        for product, title, level in (("one", "dell", 100.0), ("two", "dell", 90.0),
                                      ("one", "hill", 60.0), ("two", "hill", 48.0),
                                      ("three", "dell", 50.0), ("three", "hill", 50.0))
        for row in typed(product, title, level)
    ]  # fmt: skip
    more = 'axes: [{setting: limit, name: Power limit, steps: {"80 W": one, "60 W": two}}]\n'
    found = {c.id: c for c in claims_of("steps", *reviewed(tmp_path, rows, more))}
    of = "limit/60-W-over-80-W"
    ratios = {c.title: c.value for c in found.values() if c.kind == "step"}
    # By construction, and their geometric mean by hand.
    assert ratios == pytest.approx({"dell": 0.9, "hill": 0.8, "": math.sqrt(0.72)}, rel=1e-6)
    (whole,) = [c for c in found.values() if c.kind == "step" and not c.title]
    each = [c for c in found.values() if c.kind == "step" and c.title]
    assert whole.inputs == tuple(c.id for c in each) and len(whole.runs) == 12
    (like,) = [c for c in found.values() if c.kind == "step_like"]
    assert like.inputs == (whole.id,) and like.value == whole.value
    assert f"{like.group}/{like.part}" == of
    cells = {f"cell/average_fps/dell/{p}" for p in ("one", "two")}
    assert set(each[0].inputs) == cells and len(each[0].runs) == 6
    levels = {c.part: c.value for c in found.values() if c.kind == "step_level"}
    by_hand = {"80-W": math.sqrt(6000), "60-W": math.sqrt(90 * 48)}
    assert levels == pytest.approx(by_hand, rel=1e-6)
    assert not any(c.baseline for c in found.values()) and {c.product for c in (whole, like)} == {
        "one"
    }


def test_drift_over_all_titles_rests_on_the_drift_in_each(tmp_path):
    rows = [
        row
        for product in ("two", "three")
        for title, level in (("dell", 100.0), ("hill", 60.0))
        for row in (
            *typed(product, title, level, began="2026-03-01", driver="50", tag="-before"),
            *typed(product, title, level * (1.04 if product == "two" else 1.01)),
        )
    ] + typed("one", "dell", 120.0) + typed("one", "hill", 72.0)  # fmt: skip
    more = "retest: {condition: driver, old: ['50'], new: ['52']}\n"
    found = claims_of("drift", *reviewed(tmp_path, rows, more, "[two, three]"))
    by_id = {c.id: c for c in found}
    inputs = by_id["drift_anchor/average_fps/dell/two"].inputs
    assert set(inputs) == {
        f"run/average_fps/two-dell{t}-{n}" for t in ("", "-before") for n in (1, 2, 3)
    }
    assert by_id["drift_anchor/average_fps/dell/two"].method == "drift"
    whole = by_id["drift_anchor/average_fps/all-titles/two"]
    assert whole.method == "drift-anchor" and whole.value == pytest.approx(1.04, rel=1e-6)
    assert whole.inputs == tuple(f"drift_anchor/average_fps/{t}/two" for t in ("dell", "hill"))
    these, others = (by_id[f"drift/average_fps/dell/{part}"] for part in ("these", "others"))
    assert these.inputs == tuple(f"drift_anchor/average_fps/dell/{p}" for p in ("two", "three"))
    assert these.value == others.value == pytest.approx(math.sqrt(1.04 * 1.01), rel=1e-6)
    assert others.low < these.low < these.high < others.high
    assert (these.method, others.method) == ("drift-of-these", "drift-of-others")


def of_lags(lags, standings):
    """Return the claims of lags, in a review that compares new with old."""
    used = [
        SimpleNamespace(run=f"{p}-{n}", product=p, lags={"power_w": 0} if n else {})
        for p in ("new", "old", "else")
        for n in range(3)
    ]
    energy = [
        SimpleNamespace(
            **{"product": "new", "title": "dell", "source": "logged", "power_title": "",
               "runs": ("new-1",), "lag_s": None, "settled_share": None} | fields
        )
        for fields in standings
    ]  # fmt: skip
    review = SimpleNamespace(used=used, params=SimpleNamespace(locale="en"))
    results = SimpleNamespace(lags=lags, energy=energy)
    return [*_lag_claims(review, results, Claim.make, {"new", "old"})]


def test_lags_are_told_of_what_is_compared_with_their_95_percent_interval():
    judged, not_judged = SensorLag(1.2, 1.0, 1.5), SensorLag.unknown("too few readings")
    lags = {(p, "power_w"): judged for p in ("new", "else")} | {("old", "power_w"): not_judged}
    new, old = of_lags(lags, ())
    assert (new.product, new.value, new.low, new.high, new.confidence) == (
        "new",
        1.2,
        1.0,
        1.5,
        0.95,
    )
    assert new.runs == ("new-1", "new-2")
    assert (old.text, old.outcome) == ("not judged: too few readings", "cannot_judge")
    assert old.runs == ("old-1", "old-2")


def test_what_a_lag_does_to_an_energy_is_told_where_it_does_something():
    known = {"lag_s": 1.2, "settled_share": 0.9}
    found = of_lags(
        {},
        [
            {"unsettled": (1.01, 1.01), **known},
            {"unsettled": (0.97, 1.04), "title": "hill"},
            {"unsettled": (1.0, 1.0), "title": "fen"},
            {"unsettled": (0.97, 1.04), "title": "moor", "source": "metered"},
            {"unsettled": (0.97, 1.04), "title": "lake", "product": "else"},
        ],
    )
    assert [c.title for c in found] == ["dell", "hill"]
    assert found[0].value == 1.01 and found[0].inputs == ("cell/energy/dell/new",)
    said = f"\u22123.0\u00a0% to +4.0\u00a0%, were its power read up to {LAGS_S[-1]:g} s late"
    assert found[1].text == said and found[1].outcome == "cannot_judge"


@pytest.mark.parametrize(
    ("names", "said"),
    [([], ""), (["a"], "a"), (["a", "b"], "a or b"), (["a", "b", "c"], "a, b or c")],
)
def test_names_in_a_list(names, said):
    assert listed(names, joint="or") == said
