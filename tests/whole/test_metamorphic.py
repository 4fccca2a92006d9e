"""Relations the whole path must keep, from raw logs to claims, whatever the figures are.

No outside numbers are needed: each test changes a small made bench in a way whose effect on every
claim is known beforehand (scaling, swapping, reordering, another unit or file format).
"""

from __future__ import annotations

import math
import random
import zlib
from dataclasses import replace

import pytest
from scipy import stats
from small_bench import figures_of, frames, small_bench, walk

METHODS = ("auto", "welch", "shared", "paired")
RATIOS = (
    *("margin", "suite", "suite_like", "suite_smallest", "suite_largest", "suite_count"),
    *("influence", "closure", "margin_all_runs", "suite_all_runs"),
)
EXACT = 1e-11  # sums of a few hundred doubles in another order


def assert_same(before, after, *, but=(), rel=EXACT):
    """Compare what claims say, id by id, leaving out some of their fields."""
    assert sorted(before) == sorted(after)
    for claim_id, old in before.items():
        new = after[claim_id]
        for name, value in old.items():
            if name in but:
                continue
            if isinstance(value, float):
                assert new[name] == pytest.approx(value, rel=rel, abs=1e-15), (claim_id, name)
            else:
                assert new[name] == value, (claim_id, name)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The claims of the bench as it is."""
    review, results, book = walk(small_bench(), tmp_path_factory.mktemp("plain"))
    assert len(review.metrics) == 48 and not review.screened.set_aside
    return review, results, book


# --- scaling ---


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("factor", [0.5, 3, 40])
def test_scaling_every_frame_time_leaves_margins_alone(tmp_path, method, factor):
    made = small_bench()
    made = made.with_params(margins={**made.params["margins"], "method": method})
    scaled = made.with_runs(
        lambda run: replace(run, frame_ns=tuple(round(ns * factor) for ns in run.frame_ns))
    )
    _, _, before = walk(made, tmp_path / "before")
    _, _, after = walk(scaled, tmp_path / "after")
    assert_same(figures_of(before, kinds=RATIOS), figures_of(after, kinds=RATIOS), rel=1e-9)
    cells = before.of_kind("cell")
    assert len(cells) == 36
    for cell in cells:
        other = after.by_id[cell.id]
        assert other.value == pytest.approx(cell.value / factor, rel=1e-12)
        assert other.low == pytest.approx(cell.low / factor, rel=1e-9)
    for cost in before.of_kind("value", metric="cost_per_fps"):
        assert after.by_id[cost.id].value == pytest.approx(cost.value * factor, rel=1e-12)
    for price in before.of_kind("value", metric="equal_value_price"):
        assert after.by_id[price.id].value == pytest.approx(price.value, rel=1e-12)


def test_scaling_one_product_moves_its_margins_by_the_factor(tmp_path, plain):
    factor = 2
    slower = small_bench().with_runs(
        lambda run: (
            replace(run, frame_ns=tuple(ns * factor for ns in run.frame_ns))
            if run.product == "p1"
            else run
        )
    )
    _, _, after = walk(slower, tmp_path)
    before = figures_of(plain[2], kinds=("margin", "suite"))
    moved = figures_of(after, kinds=("margin", "suite"))
    assert len(before) == 30
    for claim_id, old in before.items():
        by = factor if claim_id.endswith("-over-p1") else 1
        for name in ("value", "low", "high"):
            assert moved[claim_id][name] == pytest.approx(old[name] * by, rel=1e-9), claim_id


# --- swapping ---

TURNED = {"ahead": "behind", "behind": "ahead", "level": "level", "unresolved": "unresolved"}


@pytest.mark.parametrize("method", METHODS)
def test_swapping_product_and_rival_inverts_margins_and_intervals(tmp_path, method):
    made = small_bench(products=4)
    made = made.with_params(margins={**made.params["margins"], "method": method}, rivals=["p1"])
    _, _, forth = walk(made, tmp_path / "forth")
    _, _, back = walk(made.with_params(product="p1", rivals=["p0"]), tmp_path / "back")
    compared = [
        *forth.of_kind("margin"), *forth.of_kind("suite"), *forth.of_kind("suite_like"),
        *forth.of_kind("influence"),
    ]  # fmt: skip
    assert len(compared) == 3 * 4 + 2 * 3 + 4
    for claim in compared:
        other = back.by_id[claim.id.replace("p0-over-p1", "p1-over-p0")]
        assert other.value == pytest.approx(1 / claim.value, rel=1e-12), claim.id
        if claim.kind != "influence":
            assert other.low == pytest.approx(1 / claim.high, rel=1e-9), claim.id
            assert other.high == pytest.approx(1 / claim.low, rel=1e-9), claim.id
            assert other.confidence == claim.confidence
        if claim.outcome:
            assert other.outcome == TURNED[claim.outcome]
        assert set(other.runs) == set(claim.runs)
    for outcome, turned in TURNED.items():
        mine = forth.by_id[f"suite_count/average_fps/all/p0-over-p1/{outcome}"]
        theirs = back.by_id[f"suite_count/average_fps/all/p1-over-p0/{turned}"]
        assert mine.value == theirs.value
    small = forth.by_id["suite_smallest/average_fps/all/p0-over-p1"]
    large = back.by_id["suite_largest/average_fps/all/p1-over-p0"]
    assert (small.value, small.title) == (pytest.approx(1 / large.value, rel=1e-12), large.title)


# --- order ---


def shuffled(made, rng):
    """Return the same bench with everything in another order."""
    runs, prices = list(made.runs), list(made.prices)
    products, titles = list(made.products.items()), list(made.titles.items())
    rivals = list(made.params["rivals"])
    for listed in (runs, prices, products, titles):
        rng.shuffle(listed)
    return replace(
        made, runs=tuple(runs), prices=tuple(prices), products=dict(products), titles=dict(titles)
    ).with_params(rivals=rivals)


@pytest.mark.parametrize("seed", range(3))
def test_order_of_runs_titles_products_and_prices_changes_nothing(tmp_path, plain, seed):
    made = shuffled(small_bench(), random.Random(seed))
    assert made.runs != small_bench().runs
    _, _, book = walk(made, tmp_path)
    assert_same(figures_of(plain[2]), figures_of(book))


def test_order_of_rivals_turns_closure_round_and_changes_nothing_else(tmp_path, plain):
    _, _, book = walk(small_bench().with_params(rivals=["p2", "p1"]), tmp_path)
    before, after = figures_of(plain[2]), figures_of(book)
    turned = {k: v for k, v in after.items() if k.startswith("closure/")}
    assert turned and all("/p0-over-p2-over-p1/" in k for k in turned)
    assert_same(
        {k: v for k, v in before.items() if not k.startswith("closure/")},
        {k: v for k, v in after.items() if not k.startswith("closure/")},
    )


def test_names_of_runs_change_nothing_but_themselves(tmp_path, plain):
    def rename(run):
        return replace(run, run=f"{zlib.crc32(run.run.encode()):08x}.{run.run}")

    _, _, book = walk(small_bench().with_runs(rename), tmp_path)
    kinds = {claim.kind for claim in book.claims} - {"run"}
    assert_same(
        figures_of(plain[2], kinds=kinds), figures_of(book, kinds=kinds), but=("runs", "inputs")
    )


def test_a_stranger_in_the_bench_changes_nothing(tmp_path, plain):
    made = small_bench()
    stranger = [
        replace(
            run,
            run=f"x-{run.run}",
            product="p9",
            frame_ns=frames(zlib.crc32(run.run.encode()), ms=5.0),
        )
        for run in made.runs
        if run.product == "p0"
    ]
    made = replace(
        made,
        runs=(*stranger, *made.runs),
        products={"p9": {"name": "Other", "class": "desk"}, **made.products},
        titles={"t9": {"name": "Not run"}, **made.titles},
        prices=(*made.prices, ("p9", "1", "EUR", "street", "2026-11-02", "shop 0")),
    )
    _, _, book = walk(made, tmp_path)
    assert_same(figures_of(plain[2]), figures_of(book))


# --- one title twice ---


def test_a_title_doubled_moves_the_suite_as_the_formula_says(tmp_path):
    """With n titles of ln margins x, a copy of title k gives the mean (sum x + x_k) / (n + 1).

    Its error by Satterthwaite's rule (1946, Biometrics Bulletin 2, 110-114), worked out here
    anew. The copy counts as one more title with an error of its own.
    """
    made = small_bench()
    made = made.with_params(margins={**made.params["margins"], "method": "welch"})
    copies = [
        replace(run, run=f"copy-{run.run}", title="copy", remark="the same again")
        for run in made.runs
        if run.title == "t2"
    ]
    doubled = replace(
        made, runs=(*made.runs, *copies), titles={**made.titles, "copy": {"name": "Copy"}}
    )
    _, results, before = walk(made, tmp_path / "before")
    review, _, after = walk(doubled, tmp_path / "after")
    assert not review.screened.set_aside  # other bytes, another title: flagged, and kept
    margins = [m for m in results.margins if (m.baseline, m.metric) == ("p1", "average_fps")]
    twice = [*margins, next(m for m in margins if m.title == "t2")]
    w = 1 / len(twice)
    center = math.fsum(math.log(m.ratio) for m in twice) * w
    parts = [(w * m.log_se) ** 2 for m in twice]
    se = math.sqrt(math.fsum(parts))
    df = math.fsum(parts) ** 2 / math.fsum(v * v / m.df for v, m in zip(parts, twice, strict=True))
    half = stats.t.ppf(0.975, df) * se
    suite = after.by_id["suite/average_fps/all/p0-over-p1"]
    assert suite.value == pytest.approx(math.exp(center), rel=1e-12)
    assert suite.low == pytest.approx(math.exp(center - half), rel=1e-9)
    assert suite.high == pytest.approx(math.exp(center + half), rel=1e-9)
    old = before.by_id["suite/average_fps/all/p0-over-p1"]
    doubled_margin = next(m.ratio for m in margins if m.title == "t2")
    assert suite.value == pytest.approx((old.value**4 * doubled_margin) ** (1 / 5), rel=1e-12)
    # Every margin that was there before says what it said.
    kept = figures_of(before, kinds=("margin", "cell", "run"))
    now = figures_of(after, kinds=("margin", "cell", "run"))
    assert_same(kept, {k: v for k, v in now.items() if k in kept})


# --- a run left out ---


def add_wild(made, **how):
    """Add a run twice as slow as its siblings."""
    sibling = made.runs[2]
    wild = replace(
        sibling,
        run="wild",
        frame_ns=tuple(2 * ns for ns in sibling.frame_ns),
        began="2026-11-18T09:00:00+00:00",
        **how,
    )
    return replace(made, runs=(*made.runs, wild))


def by_sheet(made):
    return add_wild(made, status="set_aside", reason="the window was covered")


def by_params(made):
    listed = [{"run": "wild", "reason": "the window was covered"}]
    return add_wild(made).with_params(screen={**made.params["screen"], "set_aside": listed})


def by_rule(made):
    sibling = made.runs[2]
    made = replace(made, titles={**made.titles, sibling.title: {"name": "Scene", "planned_s": 2}})
    longest_s = min(sum(run.frame_ns) for run in made.runs if run.title == sibling.title) / 1e9
    assert longest_s > 2
    short = add_wild(made).runs[-1]
    return replace(made, runs=(*made.runs, replace(short, frame_ns=short.frame_ns[:60])))


@pytest.mark.parametrize("left_out", [by_sheet, by_params, by_rule], ids=lambda f: f.__name__)
def test_a_run_set_aside_changes_no_figure(tmp_path, plain, left_out):
    review, _, book = walk(left_out(small_bench()), tmp_path)
    assert list(review.screened.set_aside) == ["wild"]
    before, after = figures_of(plain[2]), figures_of(book)
    new = {k for k in after if k not in before}
    assert {k.split("/")[0] for k in new} == {"run", "margin_all_runs", "suite_all_runs"}
    assert all("wild" in k for k in new if k.startswith("run/"))
    counts = {"count/runs/in_sheet": 49.0, "count/runs/set_aside": 1.0}
    for claim_id, value in counts.items():
        assert after[claim_id]["value"] == value
    assert_same(
        {k: v for k, v in before.items() if k not in counts},
        {k: v for k, v in after.items() if k in before and k not in counts},
    )
    # What would be with the run put back is said, and it is another figure.
    back = book.by_id["margin_all_runs/average_fps/t0/p0-over-p1"]
    assert back.value < 0.95 * book.by_id["margin/average_fps/t0/p0-over-p1"].value
    assert "wild" in book.by_id["cell/average_fps/t0/p0"].set_aside


def test_a_run_that_did_not_run_changes_no_figure(tmp_path, plain):
    made = small_bench()
    crashed = replace(
        made.runs[0], run="crashed", frame_ns=(), status="crashed", reason="driver reset"
    )
    _, _, book = walk(replace(made, runs=(*made.runs, crashed)), tmp_path)
    counts = {"count/runs/in_sheet": 49.0, "count/runs/did_not_run": 1.0}
    after = figures_of(book)
    for claim_id, value in counts.items():
        assert after.pop(claim_id)["value"] == value
    before = {k: v for k, v in figures_of(plain[2]).items() if k not in counts}
    assert_same(before, after)


# --- how logs are written ---


@pytest.mark.parametrize("holds", ["frame_time", "frame_end"])
@pytest.mark.parametrize("unit", ["s", "us", "ns"])
def test_the_unit_of_the_logs_changes_no_claim(tmp_path, plain, unit, holds):
    _, _, book = walk(replace(small_bench(), unit=unit, holds=holds), tmp_path)
    assert_same(figures_of(plain[2]), figures_of(book))


@pytest.mark.parametrize(
    ("ending", "unit"),
    [("gz", "ms"), ("zst", "ms"), ("parquet", "ms"), ("parquet", "ns"), ("parquet", "s")],
)
def test_the_file_format_of_the_logs_changes_no_claim(tmp_path, plain, ending, unit):
    _, _, book = walk(replace(small_bench(), ending=ending, unit=unit), tmp_path)
    assert_same(figures_of(plain[2]), figures_of(book))


# --- how figures are written ---


@pytest.mark.parametrize("locale", ["de", "fr", "en_IN"])
def test_a_locale_changes_texts_alone(tmp_path, plain, locale):
    _, _, book = walk(small_bench().with_params(locale=locale), tmp_path)
    before, after = figures_of(plain[2]), figures_of(book)
    assert_same(before, after, but=("text", "interval"), rel=0)
    if locale == "de":
        assert before["cell/average_fps/t0/p0"]["text"] != after["cell/average_fps/t0/p0"]["text"]
        assert "," in after["cell/average_fps/t0/p0"]["text"]


@pytest.mark.parametrize("confidence", [0.8, 0.99])
def test_more_confidence_is_a_wider_interval_around_the_same_figure(tmp_path, plain, confidence):
    made = small_bench()
    made = made.with_params(margins={**made.params["margins"], "confidence": confidence})
    _, _, book = walk(made, tmp_path)
    for kind in ("cell", "margin", "suite", "suite_like"):
        for claim in plain[2].of_kind(kind):
            other = book.by_id[claim.id]
            assert other.value == claim.value
            wider = other.high / other.low > claim.high / claim.low
            assert wider == (confidence > 0.95), claim.id
