"""Is a run what its row says: far from its cell by the pooled spread, exchanged, named otherwise."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from kit.bench.runs import RunRow
from kit.screening import row_rules
from kit.screening.flags import View
from kit.settings.bench_file import Bench, FrameColumn, Layout, Product, Title
from kit.settings.yaml import YamlDocument


def bench(products: int, titles: int, folder: Path = Path("none")) -> Bench:
    layout = Layout(comment="#", frames=FrameColumn(column="ms", holds="frame_time", unit="ms"))
    return Bench(
        folder,
        "made",
        {f"part-{p}": Product(name=f"Part {p}", **{"class": "desk"}) for p in range(products)},
        {f"scene-{t}": Title(name=f"Scene {t}") for t in range(titles)},
        {"plain": layout},
        {},
        YamlDocument("bench.yaml", {}, {}),
    )


def made(seed: int, *, products: int = 5, titles: int = 6, runs: int = 3) -> dict:
    """Log averages of clean runs: spreads of about 1 %, unlike between titles and products."""
    rng = np.random.default_rng(seed)
    level = rng.normal(4.0, 0.4, titles)
    title_sd, product_sd = rng.uniform(0.004, 0.012, titles), rng.uniform(0.8, 1.5, products)
    return {
        (p, t, r): level[t] + 0.12 * p + rng.normal(0, title_sd[t] * product_sd[p])
        for t in range(titles)
        for p in range(products)
        for r in range(runs)
    }


def view(logs: dict) -> View:
    rows = tuple(
        RunRow(f"p{p}-t{t}-{r}", f"part-{p}", f"scene-{t}", typed={"average_fps": float(np.exp(v))})
        for (p, t, r), v in logs.items()
    )
    return View(rows, rows, {}, bench(9, 12), None)


def found(logs: dict) -> dict[str, set[str]]:
    seen = view(logs)
    rules = (row_rules.find_exchanged_runs, row_rules.find_unlike_runs)
    named: dict[str, set[str]] = {}
    for flag in (f for rule in rules for f in rule(seen)):
        named.setdefault(flag.rule, set()).add(flag.run)
    return named


def test_clean_benches_of_three_runs_have_hardly_a_flag():
    """The goal of every rule: at most one flag in 50 clean runs; here one bench in 50 or so."""
    flagged = sum(bool(found(made(seed))) for seed in range(60))
    assert flagged <= 3


@pytest.mark.parametrize(
    ("one", "other"),
    [((0, 1, 1), (1, 1, 0)), ((2, 0, 0), (2, 3, 2)), ((0, 2, 0), (3, 2, 1))],
    ids=["two products", "two titles", "far products"],
)
def test_two_runs_exchanged_are_found(one, other):
    hits = 0
    for seed in range(20):
        logs = made(seed)
        logs[one], logs[other] = logs[other], logs[one]
        names = {f"p{p}-t{t}-{r}" for p, t, r in (one, other)}
        hits += found(logs).get("exchanged") == names
    assert hits >= 14


def test_a_lone_stray_is_found_with_three_runs_and_its_cell_named():
    logs = made(3)
    logs[1, 2, 1] += 0.15
    assert found(logs) == {"unlike_cell": {"p1-t2-1"}}
    reason = row_rules.find_unlike_runs(view(logs))[0].reason
    assert "above its cell" in reason and "pooled spreads" in reason


def test_too_few_cells_are_not_judged():
    logs = made(3, products=2, titles=2)
    logs[1, 1, 1] += 0.15
    assert found(logs) == {}


def test_the_pooled_spread_is_the_median_of_variances_over_chi_squared():
    """Second version: scipy's distribution; its median of many cells is the true variance."""
    rng = np.random.default_rng(5)
    cells = [row_rules._Cell((), rng.normal(0, 0.01, 4)) for _ in range(801)]
    one = row_rules._pooled(cells)
    by_hand = np.median(
        [np.sum((c.logs - c.logs.mean()) ** 2) / stats.chi2.median(3) for c in cells]
    )
    assert one.sd == pytest.approx(np.sqrt(by_hand), rel=1e-12)
    assert one.sd == pytest.approx(0.01, rel=0.06)


class TestNames:
    """A log that names another product or title than its row."""

    def flags(self, row: RunRow, folder: Path = Path("none")):
        seen = replace(view(made(1)), used=(row,), bench=bench(12, 12, folder))
        return row_rules.find_other_names(seen)

    @pytest.mark.parametrize(
        ("log", "named"),
        [
            ("logs/part-2_scene-1_1.csv", "product part-2"),
            ("logs/part-1_scene-4_1.csv", "title scene-4"),
            ("logs/Part 2/scene_1/1.csv", "product part-2"),
            ("logs/part-11_scene-1.csv", "product part-11"),
            ("logs/part-1_scene-1.csv", ""),
            ("logs/part-1-over-part-2.csv", ""),
            ("logs/monday-3.csv", ""),
        ],
    )
    def test_by_its_file_name(self, log, named):
        flags = self.flags(RunRow("r", "part-1", "scene-1", "plain", log))
        assert [f.rule for f in flags] == (["named_otherwise"] if named else [])
        assert not named or f"its file name names {named}, its row says" in flags[0].reason

    @pytest.mark.parametrize("packed", [False, True])
    def test_by_its_own_head(self, tmp_path, packed):
        (tmp_path / "logs").mkdir()
        data = b"# recorded on Part 3 in scene-1\nms\n16.5\npart-2\n"
        (tmp_path / "logs" / "x.csv").write_bytes(gzip.compress(data) if packed else data)
        flags = self.flags(RunRow("r", "part-1", "scene-1", "plain", "logs/x.csv"), tmp_path)
        assert ["its own head names product part-3" in f.reason for f in flags] == [True]
