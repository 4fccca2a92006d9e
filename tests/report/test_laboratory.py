"""The review an analyst holds: asked, changed and compared; its answers are the page's own."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from small_bench import small_bench, write_bench

import kit
from kit.archive.remake import _recompute_review
from kit.claims.of_pages import make_claims
from kit.metrics import measuring
from kit.metrics.store import Store
from kit.page import tables
from kit.page.answers import COLUMNS, LINES
from kit.page.view import show
from kit.review import walk
from kit.review.walk import load_review

ROOT = Path(__file__).parents[2]
FEW = {"over": "p1", "titles": ["t0", "t2"]}


@pytest.fixture(scope="module")
def params(tmp_path_factory):
    bench = small_bench().with_params(
        suites={"light": {"name": "Light", "titles": ["t0", "t1"]}},
        screen={
            "caps_hz": [],
            "set_aside": [{"run": "p1-t0-0", "reason": "The door was left open."}],
        },
    )
    return write_bench(bench, tmp_path_factory.mktemp("laboratory"))


@pytest.fixture(scope="module")
def review(params):
    return kit.open_review(params)


@pytest.fixture
def counted(monkeypatch):
    """How many logs are read and measured, by each call."""
    counts = []
    do_all = measuring._do_all

    def counting(tasks, reading):
        counts.append(len(tasks))
        return do_all(tasks, reading)

    monkeypatch.setattr("kit.metrics.measuring._do_all", counting)
    return counts


def test_its_claims_are_those_a_verifier_recomputes(params, review):
    again = _recompute_review(params, params.parent / review.review.params.bench).book
    assert review.book.to_json() == again.to_json() and len(again.claims) > 100
    assert "3 products, 4 titles, 47 of 48 runs used" in repr(review)


def test_results_are_worked_out_when_asked_for_and_once(params, monkeypatch):
    done = []

    def counted(review, **known):
        done.append(review)
        return walk.work_out(review, **known)

    monkeypatch.setattr("kit.report.laboratory.work_out", counted)
    opened = kit.open_review(params)
    assert done == []
    assert opened.results is opened.results and opened.book is opened.book
    assert opened.claims.book is opened.book
    assert done == [opened.review]


def test_health_and_look_are_of_the_same_runs(params, review):
    assert kit.bench_health(params).gaps == ()
    look = kit.look(params)
    shown = [run.run for run in look.runs]
    assert shown and set(shown) <= {row.run for row in review.review.rows}


def test_faults_come_on_opening(tmp_path):
    bad = tmp_path / "bad.yaml"
    bad.write_text("format: marginbook-params/1\n", encoding="utf-8")
    with pytest.raises(kit.KitError, match=r"bad\.yaml"):
        kit.open_review(bad)


def answers(review):
    """Every answer of a review."""
    name = next(iter(review.margins())).id
    return {
        "runs": review.runs,
        "flags": review.flags,
        "cells": review.cells,
        "margins": review.margins(),
        "few margins": review.margins(**FEW),
        "suites": review.suites(),
        "influence": review.influence(over="p1"),
        "sensitivity": review.sensitivity(over="p1"),
        "value": review.value(kind="street"),
        "limits": review.limits(),
        "claims": review.claims,
        "found": review.claims.find("t0"),
        "claim": review.claims[name],
        "trace": review.claims[name].trace(),
        "chart": review.chart("margins", over="p2"),
        "text": review.text("Part 0 is {{margin p0 over p1 in t0}}."),
        "differences": review.differences(review.what_if(level_band=0.2)),
    }


def test_an_answer_is_short_in_words_and_a_table_to_see(review):
    for name, answer in answers(review).items():
        lines = repr(answer).splitlines()
        assert 0 < len(lines) <= LINES and max(map(len, lines)) <= 160, name
        assert answer._repr_html_().startswith('<div class="marginbook">'), name
    assert len(repr(review)) < 200


def test_a_frame_has_columns_of_the_glossary_and_its_claims_as_index(review):
    """The glossary is the list of names; a column that is not in it has no meaning anyone wrote."""
    for name, answer in answers(review).items():
        frame = answer.to_frame()
        if name == "chart":
            continue  # the columns of a chart's CSV
        assert set(frame.columns) <= set(COLUMNS), name
        assert frame.index.name in {"id", "run"} and len(frame) == len(frame.index), name
        known = review.claims if frame.index.name == "id" else review.book.run_by_id
        assert all(each in known for each in frame.index), name
    assert all(words.endswith(".") for words in COLUMNS.values())


def test_figures_of_a_frame_are_the_claims_unrounded(review):
    frame = review.margins(over="p1").to_frame()
    assert list(frame["title"]) == ["t0", "t1", "t2", "t3"] and set(frame["baseline"]) == {"p1"}
    for name, row in frame.iterrows():
        claim = review.book.by_id[name]
        assert (row["value"], row["low"], row["high"]) == (claim.value, claim.low, claim.high)
    suites = review.suites(group="light").to_frame()
    assert set(suites["group"]) == {"light"}
    counts = suites[["ahead", "behind", "level", "unresolved"]].sum(axis=1)
    assert list(counts) == [2, 2]
    names = review.margins(over="p1").to_frame(names=True)
    assert set(names["title"]) == {f"Scene {t}" for t in range(4)}
    runs = review.runs.to_frame()
    assert len(runs) == 48 and runs.loc["p1-t0-0", "used"] == False  # noqa: E712
    assert runs.loc["p1-t0-0", "reason"] == "by the analyst: The door was left open."


def test_a_table_of_an_answer_is_the_pages(review):
    page = show(review.book, tables.MARGINS, metric="low_1pct_fps").markup
    assert page in review.margins(metric="low_1pct_fps")._repr_html_()
    few = review.margins(**FEW)._repr_html_()
    assert "Scene 2" in few and "Scene 1" not in few and "All titles" not in few
    assert "over Part 1" in few and "Part 2" not in few


def test_influence_has_the_title_that_moves_the_suite_most_first(review):
    (whole,) = review.book.of_kind("suite", metric="average_fps", group="all", baseline="p1")
    moves = [abs(c.value / whole.value - 1) for c in review.influence(over="p1")]
    assert len(moves) == 4 and moves == sorted(moves, reverse=True)


def test_sensitivity_is_what_the_review_gives_when_it_is_changed_so(review):
    asked = {
        "welch": {"method": "welch"},
        "all_runs": {"put_back": "p1-t0-0"},
        "low_slowest_share": {"low": "slowest_share"},
        "low_time_share": {"low": "time_share"},
    }
    for metric in ("average_fps", "low_1pct_fps"):
        found = {(c.part, c.baseline): c for c in review.sensitivity(metric=metric)}
        for choice, changes in asked.items():
            if metric == "average_fps" and choice.startswith("low"):
                assert (choice, "p1") not in found
                continue
            for suite in review.what_if(**changes).suites(metric=metric, group="all"):
                got = found[choice, suite.baseline]
                assert (got.value, got.low, got.high, got.outcome) == (
                    suite.value, suite.low, suite.high, suite.outcome
                ), (choice, metric)  # fmt: skip
    left = review.sensitivity(over="p1")
    for one in review.influence(over="p1"):
        (got,) = [c for c in left if c.part == f"without_title/{one.title}"]
        assert got.value == pytest.approx(one.value, rel=1e-12)
        # Shared variances are those of all titles here, of the titles left in what if.
        (other,) = review.what_if(without_titles=one.title).suites(group="all", over="p1")
        assert (got.low, got.high) == pytest.approx((other.low, other.high), rel=0.01)
    heavy = [c for c in left if c.part == "without_group/light"]
    (other,) = review.what_if(titles=["t2", "t3"]).suites(group="all", over="p1")
    assert heavy[0].value == pytest.approx(other.value, rel=1e-12)


def test_a_chart_is_of_what_was_asked(review):
    frame = review.chart("margins", over="p2", titles=["t1", "t3"]).to_frame()
    assert set(frame.loc[frame["kind"] == "margin", "title"]) == {"t1", "t3"}
    assert set(frame["baseline"]) == {"p2"}
    assert set(frame.loc[frame["kind"] == "suite", "title"]) == {""}
    (one,) = review.chart("margins", over="p2", titles="t1").charts
    assert "Suite of 4" in [row.label for row in one.plan.rows]
    assert set(review.chart("influence", over="p2").to_frame()["baseline"]) == {"p2"}
    runs = review.chart("overlay", products="p1", titles="t2").to_frame()
    assert set(runs["run"]) == {f"p1-t2-{n}" for n in range(4)}


def test_text_has_each_figure_from_a_claim(review):
    written = review.text("Part 0 is {{margin p0 over p1 in t0}} there.")
    claim = review.claims["margin/average_fps/t0/p0-over-p1"]
    assert claim.text.lstrip("+") in str(written) and list(written.to_frame().index) == [
        claim.claim.id
    ]
    assert "margin-" in repr(claim.trace())
    runs = claim.trace().to_frame()
    # Paired by session: the session whose run is set aside is not shared.
    assert len(runs) == 7 and set(runs.loc[~runs["used"]].index) == {"p1-t0-0"}
    assert all(len(digest) == 64 for digest in runs["sha256"])


# -- what if --------------------------------------------------------------------------------------

# The question, and what a params file would say.
QUESTIONS = {
    "without a title": ({"without_titles": "t3"}, {"titles": ["t0", "t1", "t2"]}),
    "only some": ({"titles": ["t0", "t2"]}, {"titles": ["t0", "t2"]}),
    "another rival": ({"products": "p2"}, {"rivals": ["p2"]}),
    "level band": ({"level_band": 0.2}, {"margins": {"level_band": 0.2}}),
    "confidence": ({"confidence": 0.8}, {"margins": {"confidence": 0.8}}),
    "method": ({"method": "welch"}, {"margins": {"method": "welch"}}),
    "lows": ({"low": "time_share"}, {"metrics": {"low": "time_share"}}),
    "a run less": (
        {"set_aside": {"p0-t1-2": "A window lay above the scene."}},
        {"screen": {"set_aside": [
            {"run": "p1-t0-0", "reason": "The door was left open."},
            {"run": "p0-t1-2", "reason": "A window lay above the scene."}]}},
    ),
    "a run more": ({"put_back": "p1-t0-0"}, {"screen": {"set_aside": []}}),
    "a price": (
        {"prices": {"p0": 650}},
        {"value": {"scenarios": [
            {"name": "Part 0 at 650 EUR", "product": "p0", "price": 650}]}},
    ),
    "two things": (
        {"low": "slowest_share", "level_band": 0.1},
        {"metrics": {"low": "slowest_share"}, "margins": {"level_band": 0.1}},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_question_gives_what_a_params_file_that_says_so_gives(name, review, params, counted):
    asked, said = QUESTIONS[name]
    given = json.loads(json.dumps(params_as_data(params)))
    for key, value in said.items():
        given[key] = {**given[key], **value} if isinstance(value, dict) else value
    fresh = params.with_name(f"fresh-{name.replace(' ', '-')}.yaml")
    fresh.write_text("".join(f"{k}: {json.dumps(v)}\n" for k, v in given.items()))
    in_answers = name in {"without a title", "level band", "lows"}
    if in_answers:  # given before the whole book is made, to a review that gave its own before
        review = kit.open_review(params)
        assert review.results.suites and said_of(review) and "book" not in review.__dict__
        counted.clear()
    other = review.what_if(**asked)
    assert sum(counted) == 0  # logs read
    wanted = kit.open_review(fresh)
    if in_answers:
        in_part = said_of(other)
        assert "book" not in other.__dict__ and wanted.book and in_part == said_of(wanted)
    assert other.book.claims == wanted.book.claims and other.book.runs == wanted.book.runs
    assert (
        other.book.to_json().split(b' "runs": [')[1]
        == (wanted.book.to_json().split(b' "runs": [')[1])
    )
    # Written down, it opens to the same claims and is a review of its own.
    written = other.to_params(params.with_name(f"asked-{name.replace(' ', '-')}.yaml"))
    opened = kit.open_review(written)
    assert opened.book.claims == other.book.claims
    assert opened.book.review == written.stem
    assert "# What if: " in written.read_text()


def said_of(review):
    """Return what answers give: claims, the page's tables, and a frame."""
    found = [
        *[review.margins(metric=m) for m in ("average_fps", "low_1pct_fps")],
        review.suites(metric="low_1pct_fps"),
        review.suites(),
        review.influence(over="p2"),
        review.flags,
        review.limits(),
        review.cells,
        review.sensitivity(),
        review.value(),
    ]
    return [(a.claims, a._repr_html_(), a.to_frame(names=True).to_csv()) for a in found]


def params_as_data(path):
    """Return what a made params file says: JSON behind each key."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return {key: json.loads(value) for key, _, value in (line.partition(": ") for line in lines)}


def test_a_product_of_the_bench_is_read_and_no_other(params, counted):
    two = params.with_name("two.yaml")
    given = params_as_data(params) | {"rivals": ["p1"]}
    two.write_text("".join(f"{k}: {json.dumps(v)}\n" for k, v in given.items()))
    other = kit.open_review(two).what_if(products=["p1", "p2"])
    assert counted == [32, 16]
    assert other.review.params.rivals == ("p1", "p2")
    assert other.book.claims == kit.open_review(params).book.claims


@pytest.mark.parametrize(
    ("asked", "kept"),
    [
        ({"prices": {"p0": 555.0}}, {"margins", "suites", "cells", "energy"}),
        ({"level_band": 0.2}, {"cells", "variances"}),
        ({"confidence": 0.8}, set()),
        ({"method": "welch"}, set()),
        ({"without_titles": "t3"}, set()),
    ],
)
def test_what_a_question_keeps_is_what_would_be_worked_out_again(review, asked, kept):
    known = review.results
    other = review.what_if(**asked)
    names = ("margins", "suites", "cells", "energy", "variances")
    assert kept <= {n for n in names if getattr(other.results, n) is getattr(known, n)}
    fresh = walk.work_out(other.review)
    assert make_claims(other.review, fresh).claims == other.book.claims != review.book.claims


def test_questions_follow_each_other(review, params):
    both = review.what_if(without_titles="t3").what_if(level_band=0.2)
    assert both.book.claims == review.what_if(without_titles="t3", level_band=0.2).book.claims
    assert both.to_params(params.with_name("both.yaml")).is_file()
    assert "with other titles, margins.level_band" in repr(both)


def test_differences_are_told_claim_by_claim(review):
    other = review.what_if(level_band=0.2)
    found = review.differences(other)
    turned = {c.claim.id for c in found.of("outcome_turned")}
    margins = review.book.of_kind("margin")
    assert {m.id for m in margins if m.outcome != other.book.by_id[m.id].outcome} <= turned
    assert turned and "outcome turned" in repr(found) and "-> level" in repr(found)
    assert {c.change for c in review.differences(review.what_if(without_titles="t3"))} >= {
        "moved", "gone"}  # fmt: skip
    assert len(review.differences(review)) == 0
    assert len(found) + found.alike == len(review.book.figures)
    frame = found.to_frame()
    assert set(frame.loc[frame["change"] == "outcome_turned"].index) == turned


def test_comments_of_a_params_file_stay_when_a_question_is_written_down(tmp_path, demo):
    asked = kit.open_review(ROOT / "params" / "demo.yaml").what_if(
        without_titles="wickerloft", level_band=0.05, put_back="p12t-mossplaiter-4"
    )
    path = asked.to_params(tmp_path / "question.yaml")
    text = path.read_text(encoding="utf-8")
    for line in ("# the cheaper one", "# the same names in desk computers", "level_band: 0.05",
                 "review: question"):  # fmt: skip
        assert line in text, line
    assert "p12t-mossplaiter-4" not in text and "wickerloft" not in text
    assert kit.open_review(path).book.claims == asked.book.claims
    assert len(review_lows(demo)) == len(review_lows(asked))


def review_lows(held):
    return [c for c in held.book.claims if c.kind == "low" and c.title != "wickerloft"]


@pytest.mark.slow
def test_other_lows_of_the_demo_are_those_of_a_fresh_review(tmp_path, counted):
    review = kit.open_review(ROOT / "params" / "demo.yaml")
    other = review.what_if(low="percentile")
    path = other.to_params(tmp_path / "lows.yaml")
    fresh = _recompute_review(path, ROOT / "example_runs").book
    assert other.book.claims == fresh.claims
    assert review.what_if(level_band=0.05).book.claims != review.book.claims
    assert counted[0] == counted[2] > 250 and sum(counted) == 2 * counted[0]


def test_a_review_no_file_describes_is_not_kept(review, tmp_path):
    with pytest.raises(kit.KitError, match="no params file describes"):
        review.what_if(level_band=0.1).close(tmp_path)
    closing = review.close(tmp_path / "kept")
    assert "Review made is complete" in closing._repr_mimebundle_()["text/plain"]
    assert (tmp_path / "kept" / "claims.json").read_bytes() == review.book.to_json()


def test_what_was_read_anew_is_told(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("kit.report.laboratory._in_notebook", lambda: True)
    params = write_bench(small_bench(seed=99), tmp_path)
    assert len(kit.open_review(params).read_anew) == 48
    assert capsys.readouterr().out.startswith("48 logs, 48 read and measured anew: ")
    log = next((tmp_path / "bench" / "logs").iterdir())
    log.write_bytes(log.read_bytes() + b"999,11.5\n")
    assert [Path(name).name for name in kit.open_review(params).read_anew] == [log.name]
    assert capsys.readouterr().out == f"48 logs, 1 read and measured anew: logs/{log.name}\n"
    assert kit.open_review(params).read_anew == ()
    assert capsys.readouterr().out.endswith("found in the results store by its bytes\n")


def test_what_a_run_measured_is_found(tmp_path):
    params = write_bench(small_bench(seed=98), tmp_path)
    store = Store.of_user(os.environ, Path.home())
    load_review(params, reading=measuring.Reading(store=store))
    assert kit.open_review(params).read_anew == ()


# -- wrong calls ----------------------------------------------------------------------------------

WRONG = {
    "product": (lambda r: r.margins(over="p11"), 'did you mean "p1"'),
    "product of its own": (lambda r: r.margins(over="p0"), "what_if|baseline"),
    "metric": (lambda r: r.margins(metric="avrage_fps"), 'did you mean "average_fps"'),
    "metric not compared": (lambda r: r.margins(metric="median_fps"), "no metric"),
    "title": (lambda r: r.margins(titles="t9"), 'no title of this review "t9"'),
    "titles": (lambda r: r.margins(titles=["t0", "tt1"]), 'did you mean "t1"'),
    "group": (lambda r: r.suites(group="ligth"), 'did you mean "light"'),
    "suite's metric": (lambda r: r.suites(metric="fps"), "no metric of this review"),
    "influence": (lambda r: r.influence(over="q"), "no baseline of this review"),
    "kind of price": (lambda r: r.value(kind="stret"), 'did you mean "street"'),
    "energy": (lambda r: r.energy(), "has none"),
    "claim": (lambda r: r.claims["margin/average_fps/t0/p0-over-p11"], "did you mean"),
    "find": (lambda r: r.claims.find("zebra"), "no claim has"),
    "chart": (lambda r: r.chart("margin"), 'did you mean "margins"'),
    "chart's title": (lambda r: r.chart("overlay", titles=["t0", "t1"]), "one title"),
    "chart's product": (lambda r: r.chart("titles", products="p9"), "no product of this review"),
    "chart of no titles": (lambda r: r.chart("value", titles="t0"), "it takes products"),
    "no chart": (lambda r: r.chart("classes"), "nothing to draw"),
    "text": (lambda r: r.text("{{margin p0 over p1 in t9}}"), "no such claim"),
    "typed figure": (lambda r: r.text("It stands at 12 %."), "typed by hand"),
    "unbound word": (lambda r: r.text("It is faster."), "claims something"),
    "word": (lambda r: r.what_if(levelband=0.1), 'did you mean "level_band"'),
    "nothing": (lambda r: r.what_if(), "nothing is asked"),
    "both": (lambda r: r.what_if(titles="t0", without_titles="t1"), "give either"),
    "level band": (lambda r: r.what_if(level_band=-5), "expected a number above 0"),
    "percent": (lambda r: r.what_if(confidence="95 %"), "write 0.95, a fraction"),
    "low": (lambda r: r.what_if(low="percentil"), 'did you mean "percentile"'),
    "method": (lambda r: r.what_if(method="student"), "welch"),
    "no such title": (lambda r: r.what_if(titles=["t0", "t77"]), 'no title "t77"'),
    "no title left": (lambda r: r.what_if(without_titles=["t0", "t1", "t2", "t3"]), "none is left"),
    "no such product": (lambda r: r.what_if(products=["p7"]), 'no product in bench.yaml "p7"'),
    "no such run": (lambda r: r.what_if(set_aside={"p0-t0-9": "Why not at all."}), "did you mean"),
    "reason": (lambda r: r.what_if(set_aside={"p0-t0-0": "bad"}), "reason"),
    "twice": (lambda r: r.what_if(set_aside={"p1-t0-0": "Open door again."}), "already"),
    "not set aside": (lambda r: r.what_if(put_back="p0-t0-0"), "is set aside not at all"),
    "price": (lambda r: r.what_if(prices={"p0": -1}), "expected a number above 0"),
    "price of none": (lambda r: r.what_if(prices={"p9": 10}), 'no product of this review "p9"'),
    "waiver": (lambda r: r.what_if(waive=[{"control": "fan", "products": ["p0"],
                                           "reason": "No reason at all."}]), "nothing to waive"),
    "sort": (lambda r: r.differences(r).of("turned"), "outcome_turned"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_call_is_one_readable_line_and_no_answer(name, review):
    call, said = WRONG[name]
    with pytest.raises(kit.KitError, match=said) as refused:
        call(review)
    shown = "\n".join(refused.value._render_traceback_())
    assert "\n" not in shown and len(shown) < 400, shown


def test_a_review_is_not_changed_by_hand(review):
    with pytest.raises(AttributeError):
        review.read_anew = ("all",)
    with pytest.raises(AttributeError):
        review.margins().claims = ()


def test_machines_that_differ_are_refused_in_one_line(tmp_path):
    bench = small_bench().with_params(controls=["memory_gb"])
    for name, product in bench.products.items():
        product["configuration"] = {"memory_gb": "64" if name == "p2" else "32"}
    review = kit.open_review(write_bench(bench.with_params(rivals=["p1"]), tmp_path))
    with pytest.raises(kit.KitError, match="memory_gb is") as refused:
        review.what_if(products=["p1", "p2"])
    assert "\n" not in str(refused.value)
    why = {"control": "memory_gb", "products": ["p2"], "reason": "Sold with that much only."}
    waived = review.what_if(products=["p1", "p2"], waive=[why])
    assert all("waived:memory_gb" in margin.marks for margin in waived.margins(over="p2"))
    assert not any(m.startswith("waived") for one in waived.margins(over="p1") for m in one.marks)


def test_help_has_the_parameters_of_a_question(review):
    import inspect

    words = inspect.getdoc(review.what_if)
    named = list(inspect.signature(review.what_if).parameters)
    assert {"without_titles", "level_band", "prices", "waive"} <= set(named)
    assert all(f"\n{name} : " in words for name in named)
    for name in ("margins", "suites", "influence", "value", "chart", "text", "to_params", "close"):
        assert len(inspect.getdoc(getattr(review, name)).splitlines()) > 3, name


@pytest.mark.slow
def test_a_users_script_is_typed(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "import kit\n"
        'review = kit.open_review("demo.yaml")\n'
        "reveal_type(review.margins(over='a').to_frame())\n"
        "other = review.what_if(level_band=0.05, without_titles='b')\n"
        "reveal_type(review.differences(other))\n"
        "reveal_type(review.claims['x'].value)\n"
        "review.what_if(levelband=1)\n"
        "review.margins('a')\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path / "cache"),
         "--follow-imports=silent", str(script)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    said = done.stdout
    assert 'Revealed type is "pandas' in said, said + done.stderr
    assert 'Revealed type is "kit.page.answers.Differences"' in said
    assert '"float | None"' in said or "Union[builtins.float, None]" in said
    assert 'Unexpected keyword argument "levelband" for "what_if"' in said
    assert "Too many positional arguments" in said or "Too many arguments" in said
