"""Relations the whole path must keep, from raw logs to claims, whatever the figures are.

No outside numbers are needed: each test changes a small made bench in a way whose effect on every
claim is known beforehand (scaling, swapping, reordering, another unit or file format).
"""

from __future__ import annotations

import math
import random
import re
import zlib
from dataclasses import replace

import pytest
from scipy import integrate, optimize, special, stats
from small_bench import figures_of, frames, small_bench, walk

METHODS = ("auto", "welch", "shared", "paired")
RATIOS = (
    *("margin", "suite", "suite_like", "suite_smallest", "suite_largest", "suite_count"),
    *("influence", "closure", "margin_all_runs", "suite_all_runs"),
)
EXACT = 1e-11  # sums of a few hundred doubles in another order
# Of a chance in the tail of t, seven to ten standard errors out: there the last digits of ln(ratio)
# over its error count a hundredfold.
TAIL = 1e-8


def assert_same(before, after, *, but=(), rel=EXACT):
    """Compare what claims say, id by id, leaving out some of their fields."""
    assert sorted(before) == sorted(after)
    wanted = rel
    for claim_id, old in before.items():
        new = after[claim_id]
        rel = max(wanted, TAIL) if claim_id.startswith("suite_false/") and wanted else wanted
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
    of_triple = ("closure/", "same_titles/")  # named by the chain, the first rival in the middle
    turned = {k: v for k, v in after.items() if k.startswith(of_triple)}
    assert {k.split("/")[2] for k in turned} == {"p0-over-p2-over-p1"}
    assert len(turned) == sum(k.startswith(of_triple) for k in before) == 6
    assert_same(
        {k: v for k, v in before.items() if not k.startswith(of_triple)},
        {k: v for k, v in after.items() if not k.startswith(of_triple)},
    )


def test_names_of_runs_change_nothing_but_themselves(tmp_path, plain):
    def rename(run):
        return replace(run, run=f"{zlib.crc32(run.run.encode()):08x}.{run.run}")

    _, _, book = walk(small_bench().with_runs(rename), tmp_path)
    old_name = {rename(run).run: run.run for run in small_bench().runs}

    def named_before(said):
        if isinstance(said, list):
            return sorted(map(named_before, said))
        return re.sub(r"[0-9a-f]{8}\.p\d-t\d-\d", lambda m: old_name[m[0]], said)

    after = {
        named_before(claim_id): {
            name: named_before(value) if isinstance(value, (str, list)) else value
            for name, value in said.items()
        }
        for claim_id, said in figures_of(book).items()
    }
    assert_same(figures_of(plain[2]), after)


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


# The kit sums on a grid of the characteristic function, and takes each t as a mixture of normals.
SUM_WITHIN = 1e-6


def half_width_of_sum(parts, *, confidence):
    """Return the half width of the interval of a sum of independent scaled t (scale, df)."""
    scale = math.sqrt(math.fsum(s * s for s, _ in parts))

    def wave(u):
        found = 1.0
        for s, df in parts:
            x = math.sqrt(df) * s / scale * u
            found *= 2 * special.kv(df / 2, x) * (x / 2) ** (df / 2) / special.gamma(df / 2)
        return found

    def left_out(half):
        inside, _ = integrate.quad(
            lambda u: wave(u) * math.sin(half * u) / u, 1e-12, 40, limit=400, epsabs=1e-11
        )
        return 2 / math.pi * inside - confidence

    return scale * optimize.brentq(left_out, 1.0, 6.0, xtol=1e-10)


def test_a_title_doubled_moves_the_suite_as_the_formula_says(tmp_path):
    """With n titles of ln margins x, a copy of title k gives the mean (sum x + x_k) / (n + 1).

    Its error is a sum of independent Student's t, each as wide as a title's own error. The ends of
    its interval are worked out here anew, from the characteristic function of t (S. Hurst (1995),
    "The characteristic function of the Student t distribution", ANU research report SRR044-95)
    turned round by J. Gil-Pelaez (1951, Biometrika 38, 481-482). The copy counts as one more title
    with an error of its own. The sheet has sessions, but Welch's margins take no heed of them, and
    so no day is known.
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
    alone = half_width_of_sum([(1.0, 4.5)], confidence=0.95)
    assert alone == pytest.approx(stats.t.ppf(0.975, 4.5), rel=1e-8)  # the integral is right
    half = half_width_of_sum([(w * m.log_se, m.df) for m in twice], confidence=0.95)
    suite = after.by_id["suite/average_fps/all/p0-over-p1"]
    assert suite.value == pytest.approx(math.exp(center), rel=1e-12)
    assert math.log(suite.low) == pytest.approx(center - half, abs=SUM_WITHIN * half)
    assert math.log(suite.high) == pytest.approx(center + half, abs=SUM_WITHIN * half)
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
    said = {"margin_all_runs", "suite_all_runs", "run", "set_aside", "flag", "sensitivity"}
    assert {k.split("/")[0] for k in new} == said
    # Of other choices it adds that of all runs, which would be no other without it.
    choices = {k.split("/")[-1] for k in new if k.startswith("sensitivity/")}
    assert choices == {"all_runs"}
    assert all("wild" in k for k in new if k.split("/")[0] in {"run", "set_aside", "flag"})
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
    # Two statements say that it did not run; nothing else does.
    said = after.pop("not_run/crashed"), after.pop("flag/failed/t0/p0")
    assert said[0]["text"] == "crashed: driver reset" and said[1]["text"]
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
