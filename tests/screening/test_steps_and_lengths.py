"""Stretches of a run on another level, and runs of another length, planted and clean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from screening_case import diagnostics, profile, row, runs_of, view
from small_bench import frames as made_frames
from small_bench import small_bench, walk

from kit.archive import second_opinion
from kit.review import what_if
from kit.screening import run_rules
from kit.stats.series import block_levels, find_step


def frames(seed: int, *, fps: float, length_s: float = 40.0, after: dict | None = None):
    """Return frame times that depend on each other; from `after`'s seconds on at another rate."""
    rng = np.random.default_rng(seed)
    slow = np.zeros(int(2 * fps * length_s))
    for i in range(1, slow.size):
        slow[i] = 0.95 * slow[i - 1] + 0.31 * rng.standard_normal()
    noise = np.exp(0.04 * slow + 0.05 * rng.standard_normal(slow.size))
    made, time = [], 0.0
    for factor in noise:
        rate = next((r for s, r in sorted((after or {}).items(), reverse=True) if time >= s), fps)
        made.append(1000.0 / rate * factor)
        time += made[-1] / 1000.0
        if time >= length_s:
            break
    return np.array(made)


def logged(product: str, number: int, frame_ms):
    run = f"{product}-{number}"
    return row(run, product), diagnostics(
        run, 1000.0 * frame_ms.size / frame_ms.sum(), frames=frame_ms.size,
        duration_s=float(frame_ms.sum() / 1000), drift_judged=True,
        profile=tuple(block_levels(frame_ms).tolist()),
    )  # fmt: skip


def runs(product: str = "heron", count: int = 3, **of):
    return [logged(product, n, frames(97 * n + len(product), fps=121, **of)) for n in range(count)]


# Planted: what issue reports of real logs named (a fall from 121 to 90; a last second at 57 %).
@pytest.mark.parametrize(
    ("after", "size", "start", "stop"),
    [
        ({25.0: 90.0}, 34, 25, 40),
        ({39.0: 69.0}, 75, 39, 40),
        ({37.0: 400.0}, -70, 37, 40),
        ({0.0: 70.0, 3.0: 121.0}, 73, 0, 3),
    ],
    ids=["a fall", "the last second", "a menu at the end", "slow at first"],
)
def test_a_step_in_one_run_is_named_with_its_stretch(after, size, start, stop):
    pairs = [*runs(), logged("heron", 9, frames(5, fps=121, after=after))]
    (flag,) = run_rules._find_steps(view(pairs))
    assert (flag.run, flag.action) == ("heron-9", "flag")
    words = flag.reason.split()
    assert float(words[1]) == pytest.approx(start, abs=0.6)
    assert float(words[4]) == pytest.approx(stop, abs=0.6)
    assert float(flag.reason.split("took ")[1].split(" %")[0]) == pytest.approx(abs(size), abs=12)
    assert ("longer" if size > 0 else "shorter") in flag.reason
    without = float(flag.reason.split("average is ")[1].split(" fps")[0])
    assert without == pytest.approx(121, rel=0.02)


def test_beside_two_runs_the_one_with_the_step_is_named_and_not_the_others():
    pairs = [*runs(count=2), logged("heron", 9, frames(5, fps=121, after={37.0: 400.0}))]
    assert runs_of(run_rules._find_steps(view(pairs))) == ["heron-9"]
    pairs = [*runs(count=1), logged("heron", 9, frames(5, fps=121, after={39.0: 69.0}))]
    assert runs_of(run_rules._find_steps(view(pairs))) == ["heron-9"]


def test_a_step_in_every_run_of_a_product_is_told_by_the_others():
    others = [pair for p in ("ibis", "stork", "crane") for pair in runs(p, count=2)]
    pairs = [*runs(count=2, after={39.0: 69.0}), *others]
    flags = [*run_rules._find_steps(view(pairs))]
    assert runs_of(flags) == ["heron-0", "heron-1"]
    assert all("on other products" in flag.reason for flag in flags)


def test_clean_runs_and_scenes_that_change_are_no_steps():
    scene = {10.0: 90.0, 30.0: 150.0}
    for products in (("heron",), ("heron", "ibis", "stork")):
        pairs = [pair for p in products for pair in runs(p, count=3, after=scene)]
        assert [*run_rules._find_steps(view(pairs))] == []


@pytest.mark.parametrize(("n", "phi"), [(100, 0.5), (100, 0.9), (50, 0.8), (12, 0.6)])
def test_series_without_a_step_rarely_have_one(n, phi):
    # At most 1 in 50; of 400 series more than 18 have probability below 1e-3 (binomial, scipy).
    rng = np.random.default_rng(int(1000 * phi) + n)
    found = 0
    for _ in range(400):
        noise = rng.standard_normal(n + 60)
        for i in range(1, noise.size):
            noise[i] += phi * noise[i - 1]
        found += find_step(noise[60:]).beyond
    assert found <= 18


def test_a_step_s_error_is_that_of_two_means():
    # Welch's statistic of two halves by scipy, where neighbours do not depend on each other: the
    # step's own is the same within what the dependence it estimates (near none) makes of it.
    from scipy.stats import ttest_ind

    levels = np.random.default_rng(3).standard_normal(400)
    levels[250:] += 2.0
    step = find_step(levels)
    assert (step.start, step.stop) == (250, 400) and step.beyond
    there = ttest_ind(levels[250:], levels[:250])
    assert step.statistic == pytest.approx(there.statistic, rel=0.1)
    assert step.change == pytest.approx(levels[250:].mean() - levels[:250].mean(), rel=1e-12)


def test_few_frames_are_compared_over_the_stretches_they_have_in_common():
    # Of 500 frames there are 50 stretches, of 1,000 and more 100: of one title all the same.
    def logged_as(run: str, product: str, levels: tuple[float, ...]):
        facts = {"profile": levels, "drift_judged": True, "drift_share": 0.12, "drift_p": 1e-9}
        return row(run, product), diagnostics(run, **facts)

    pairs = [
        logged_as("h", "heron", profile(0.12, 1, 0.1)[::2]),
        *(
            logged_as(p[0], p, profile(0.0, n, 0.1))
            for n, p in enumerate(("ibis", "stork", "crane"), 2)
        ),
    ]
    (flag,) = run_rules._find_drifts(view(pairs))
    assert (flag.run, flag.action) == ("h", "set_aside")
    assert "on other products" in flag.reason and "without another" not in flag.reason


def test_runs_over_another_stretch_of_the_scene():
    pairs = [*runs(), *runs("ibis")]
    pairs.append(logged("stork", 0, frames(3, fps=121, length_s=60)))
    (flag,) = run_rules._find_unequal_lengths(view(pairs))
    assert flag.run == "stork-0" and "more frames reads lower" in flag.reason
    assert flag.reason.startswith("60.0 s and ")
    assert [*run_rules._find_unequal_lengths(view(pairs, length_share=0.6))] == []


def test_a_scene_of_as_many_frames_is_the_same_stretch():
    pairs = [
        logged(product, n, frames(n, fps=fps, length_s=60)[:2000])
        for product, fps in (("heron", 60), ("ibis", 90), ("stork", 45))
        for n in range(2)
    ]
    assert [*run_rules._find_unequal_lengths(view(pairs))] == []


def test_a_longer_run_of_as_many_frames_as_a_few_others_is_still_longer():
    # Five products run for 40 s; by chance a run of 60 s has as many frames as those of a faster one.
    pairs = [
        logged(product, n, frames(n, fps=fps, length_s=40))
        for product, fps in (
            ("heron", 60),
            ("ibis", 90),
            ("stork", 45),
            ("crane", 70),
            ("emu", 120),
        )
        for n in range(3)
    ]
    pairs[1] = logged("heron", 1, frames(1, fps=60, length_s=60))
    (flag,) = run_rules._find_unequal_lengths(view(pairs))
    assert flag.run == "heron-1"


def test_a_low_over_fewer_frames_reads_higher():
    # What the flag says of the slowest 0.1 %, on frames with a tail: by simulation, no source.
    rng = np.random.default_rng(1)

    def low(n: int) -> float:
        tail = np.sort(np.exp(rng.standard_t(4, n) * 0.1))[-int(np.ceil(n / 1000)) :]
        return 1.0 / tail.mean()

    lows = {s: np.mean([low(60 * s) for _ in range(600)]) for s in (15, 40, 60)}
    assert lows[15] > lows[40] > lows[60]


def test_unlike_lengths_are_measured_over_the_stretch_they_share(tmp_path):
    """Every run over the first 20 s by numpy alone; a title of like runs stays as it was."""
    made = small_bench(products=2, titles=2, runs=3)

    def change(run):
        count = {"p0": 4000, "p1": 2600}[run.product] if run.title == "t0" else 1500
        ms = 10.0 if run.product == "p0" else 11.0
        return replace(run, frame_ns=made_frames((3, *run.run.encode()), ms=ms, count=count))

    bench = made.with_params(value=None).with_runs(change)
    review, _, book = walk(replace(bench, prices=()), tmp_path)
    by_run = {run.run: np.array(run.frame_ns) / 1e6 for run in bench.runs}
    shortest = min(ms.sum() for run, ms in by_run.items() if "-t0-" in run)
    stated = book.by_id["common_stretch/t0"]
    assert stated.value == pytest.approx(shortest / 1000, rel=1e-12) and stated.unit == "seconds"
    assert "common_stretch/t1" not in book.by_id
    means = {}
    for run, ms in by_run.items():
        cut = ms[np.cumsum(ms) <= shortest + 1e-6] if "-t0-" in run else ms
        claim = book.by_id[f"run/average_fps/{run}"]
        assert claim.value == pytest.approx(1000 * cut.size / cut.sum(), rel=1e-9)
        low = book.by_id[f"run/low_1pct_fps/{run}"].value
        assert low == pytest.approx(1000 / np.quantile(cut, 0.99), rel=1e-9)
        assert ("common_stretch" in claim.marks) == ("-t0-" in run)
        means.setdefault(run.rsplit("-", 1)[0], []).append(np.log(claim.value))
    margin = book.by_id["margin/average_fps/t0/p0-over-p1"]
    assert "common_stretch" in margin.marks
    assert np.log(margin.value) == pytest.approx(np.mean(means["p0-t0"]) - np.mean(means["p1-t0"]))
    # The program that shares no line with the kit cuts the logs alike.
    (tmp_path / "claims.json").write_bytes(book.to_json())
    assert second_opinion.main([str(tmp_path)]) == 0
    # Asked again without the long product's title, nothing stays cut to what it no longer shares.
    other = review.changed(what_if.Edit.params_with(review, {"without_titles": "t0"})[0])
    assert all(m.stretch is None for m in other.metrics.values())


def test_a_scene_of_fixed_content_is_cut_by_frames(tmp_path):
    made = small_bench(products=3, titles=1, runs=2)

    def change(run):
        count = 700 if run.run == "p2-t0-1" else 1500
        ms = {"p0": 8.0, "p1": 10.0, "p2": 14.0}[run.product]
        return replace(run, frame_ns=made_frames((4, *run.run.encode()), ms=ms, count=count))

    bench = replace(made.with_params(value=None).with_runs(change), prices=())
    review, _, book = walk(bench, tmp_path)
    assert book.by_id["common_stretch/t0"].value == 700
    ms = np.array(bench.runs[0].frame_ns[:700]) / 1e6
    assert review.metrics[bench.runs[0].run].values["average_fps"] == pytest.approx(
        1000 * 700 / ms.sum()
    )
    (tmp_path / "claims.json").write_bytes(book.to_json())
    assert second_opinion.main([str(tmp_path)]) == 0


def test_a_margin_stands_beside_that_without_a_struck_stretch(tmp_path):
    """A last tenth at half the rate in one run: less it, the margin is what it was before."""
    made = small_bench(products=2, titles=3, runs=3)

    def frame_ns(run, slow):
        ms = 10.0 if run.product == "p0" else 11.0
        drawn = np.array(made_frames((5, *run.run.encode()), ms=ms, count=int(30_000 / ms)))
        if slow and run.run == "p0-t0-1":
            end = np.cumsum(drawn) > 0.9 * drawn.sum()
            drawn = np.concatenate([drawn[~end], 2 * drawn[end][: end.sum() // 2]])
        return tuple(int(v) for v in drawn)

    books = []
    for slow in (False, True):
        bench = replace(made.with_params(value=None), prices=()).with_runs(
            lambda run, slow=slow: replace(run, frame_ns=frame_ns(run, slow))
        )
        review, _, book = walk(bench, tmp_path / str(slow))
        books.append(book)
    clean, struck = books
    assert not clean.of_kind("margin_unstruck")
    (claim,) = struck.of_kind("margin_unstruck")
    assert (claim.id, claim.outcome) == ("margin_unstruck/average_fps/t0/p0-over-p1", "ahead")
    stated, before = (book.by_id["margin/average_fps/t0/p0-over-p1"] for book in (struck, clean))
    assert stated.value < 0.985 * before.value
    assert claim.value == pytest.approx(before.value, rel=0.004)
    assert claim.high - claim.low < stated.high - stated.low
    # The stretch is out of every run of its title, not of the one it was found in alone.
    (part,) = [f.stretch for f in review.screened.flags if f.stretch is not None]
    logs = {"p0": [], "p1": []}
    for made_row in review.rows:
        if made_row.title == "t0":
            told = review.diagnostics[made_row.run]
            logs[made_row.product].append(np.log(told.average_without([part])))
    assert np.log(claim.value) == pytest.approx(np.mean(logs["p0"]) - np.mean(logs["p1"]), rel=1e-9)
