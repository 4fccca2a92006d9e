"""The method page is enough: a program that does not use the kit gives the demo's figures."""

from __future__ import annotations

import csv
import gzip
import io
import json
import math
import re
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist
from typing import Any

import by_hand as hand
import by_hand_figures as figures
import numpy as np
import pytest
from by_hand_shared import (
    Shared,
    false_signs,
    product_day,
    suite_care,
    suite_half_width,
    t_mixture,
)
from method_vectors import LONG_MS, OWN, vectors_text
from scipy import stats
from write_methods import PAGE, VECTORS

from kit.claims.of_pages import make_claims
from kit.methods import MARKS, METHODS
from kit.metrics.blocks import FEWEST_TAIL_FRAMES
from kit.review.walk import Results, load_review, work_out
from kit.settings.metric import METRICS

ROOT = Path(__file__).resolve().parents[2]
# The kit integrates with few nodes; on fine grids the other program comes within QUADRATURE of its
# half-widths, and most come within CLOSE (see "Comparing" in kit/methods.md).
QUADRATURE = 0.01
CLOSE = 0.003
# False sign rates of the kit stand on few components of an error.
SIGNS = {"rel": 0.3, "abs": 3e-3}
# Figures that are only taken over or counted, and those made as others are: no vector of their own.
NO_VECTOR = {
    "typed-in", "recorded", "given", "elsewhere", "count", "stated", "asked", "scenario-price", "cell-none",
    "margin-none", "common-stretch", "margin-all-runs", "margin-own-runs", "drift", "drift-anchor", "drift-of-these", "drift-of-others",
}  # fmt: skip


class TestTools:
    """The small tools of the other program, against published tables."""

    def test_digamma_and_trigamma(self):
        # Abramowitz and Stegun, table 6.1: psi(1) = -gamma; psi1(1) = pi^2 / 6; psi(1/2).
        assert hand.digamma(1) == pytest.approx(-0.5772156649015329, abs=1e-12)
        assert hand.trigamma(1) == pytest.approx(math.pi**2 / 6, abs=1e-9)
        assert hand.digamma(0.5) == pytest.approx(-1.9635100260214235, abs=1e-12)

    @pytest.mark.parametrize(
        ("df", "quantile"), [(1, 12.706), (2, 4.303), (5, 2.571), (10, 2.228), (30, 2.042)]
    )
    def test_t_quantiles(self, df, quantile):
        # NIST/SEMATECH e-Handbook 1.3.6.7.2, upper 0.025.
        assert hand.t_quantile(0.95, df) == pytest.approx(quantile, abs=6e-4)

    @pytest.mark.parametrize("name", ["by_hand", "by_hand_shared", "by_hand_figures"])
    def test_uses_neither_the_kit_nor_scipy(self, name):
        text = (ROOT / "tests" / "second" / f"{name}.py").read_text(encoding="utf-8")
        imported = re.findall(r"^(?:import|from) (\w+)", text, re.MULTILINE)
        assert set(imported) <= {"__future__", "datetime", "math", "numpy", "by_hand"}


@pytest.fixture(scope="module")
def results() -> Results:
    """Results of the demo, for the few things that are said in words alone."""
    return work_out(load_review(ROOT / "params" / "demo.yaml"))


@pytest.fixture(scope="module")
def demo(results) -> dict:
    """claims.json of the demo as any program reads it, and which cells screening calls capped."""
    review = load_review(ROOT / "params" / "demo.yaml")
    document = json.loads(make_claims(review, results).to_json())
    flags = review.screened.flags
    document["capped"] = {(f.title, f.product) for f in flags if f.rule == "capped"}
    document["by_id"] = {claim["id"]: claim for claim in document["claims"]}
    return document


Cells = dict[tuple[str, str], list[tuple[float, str]]]
Mixture = tuple[np.ndarray, np.ndarray]
LESS_IS_BETTER = {"heddlewarp": False, "reelplough": True}  # titles of the demo's `value`


def cells_of(demo: dict, metric: str) -> Cells:
    """Return value and session of the used runs, by title and product."""
    runs = {run["id"]: run for run in demo["runs"]}
    cells: Cells = {}
    for claim in demo["claims"]:
        if claim["kind"] == "run" and claim["metric"] == metric and claim["runs"]:
            run = runs[claim["runs"][0]]
            key = run["title"], run["product"]
            cells.setdefault(key, []).append((claim["value"], run["session"]))
    return cells


class Recomputed:
    """Margins of one metric, made again from the run figures."""

    def __init__(
        self,
        cells: Cells,
        *,
        capped: set[tuple[str, str]] = frozenset(),
    ) -> None:
        self.cells = cells
        self.made: dict[tuple[str, ...], tuple[float, np.ndarray, np.ndarray]] = {}
        variances = {
            key: (float(np.var(np.log([v for v, _ in runs]), ddof=1)) if len(runs) > 1 else 0.0,
                  len(runs) - 1)
            for key, runs in self.cells.items()
        }  # fmt: skip
        self.shared = Shared(variances, apart=capped)
        self.pairs: dict[tuple[str, str], tuple[float, float, float, int, str]] = {}
        by_title: dict[str, list[str]] = {}
        for (title, product), runs in self.cells.items():
            if len({session for _, session in runs if session}) > 1:
                by_title.setdefault(title, []).append(product)
        for title, products in by_title.items():
            for i, first in enumerate(products):
                for second in products[i + 1 :]:
                    sides = [list(zip(*self.cells[title, p], strict=True)) for p in (first, second)]
                    found = hand.by_session(*map(list, (*sides[0], *sides[1])))
                    if found is not None:
                        self.pairs[title, "|".join(sorted((first, second)))] = (*found, first)
        if self.pairs:
            widest = max(len(products) for products in by_title.values())
            apart = {
                (title, pair)
                for title, pair in self.pairs
                if any((title, product) in capped for product in pair.split("|"))
            }
            self.paired = Shared(
                {key: (v, sessions - 1) for key, (_, _, v, sessions, _) in self.pairs.items()},
                apart=apart,
                temper=2 / max(widest, 2),
            )

    def margin(
        self, title: str, product: str, baseline: str, how: str
    ) -> tuple[float, np.ndarray, np.ndarray]:
        """Return ln(product / baseline), and the mixture of variances of its error."""
        key = title, product, baseline, how
        if key not in self.made:
            self.made[key] = self._margin(*key)
        return self.made[key]

    def _margin(
        self, title: str, product: str, baseline: str, how: str
    ) -> tuple[float, np.ndarray, np.ndarray]:
        if how == "margin-shared":
            sides = [[math.log(v) for v, _ in self.cells[title, p]] for p in (product, baseline)]
            d = sum(sides[0]) / len(sides[0]) - sum(sides[1]) / len(sides[1])
            parts = [((title, product), len(sides[0])), ((title, baseline), len(sides[1]))]
            return d, *self.shared.variance_of(parts)
        key = title, "|".join(sorted((product, baseline)))
        d, weight, _, _, first = self.pairs[key]
        return d if first == product else -d, *self.paired.variance_of([(key, weight)])

    def care(self, claim: dict) -> float:
        """Return the factor on the share of errors a margin's interval leaves out."""
        title, sides = claim["title"], (claim["product"], claim["baseline"])
        if claim["method"] == "margin-shared":
            return self.shared.care_of([(title, side) for side in sides])
        return self.paired.care_of([(title, "|".join(sorted(sides)))])

    def robust(self, claim: dict) -> float | None:
        """Return the ln ratio by robust means; None where none parts from its mean."""
        title, sides = claim["title"], (claim["product"], claim["baseline"])
        runs = [self.cells[title, side] for side in sides]
        sign = -1 if LESS_IS_BETTER.get(title, False) else 1
        if claim["method"] == "margin-paired_shared":
            own = [{s: [math.log(v) for v, at in side if at == s] for _, s in side if s}
                   for side in runs]  # fmt: skip
            common = [s for s in own[0] if s in own[1]]
            n = [[len(side[s]) for s in common] for side in own]
            x = [
                sum(own[0][s]) / a - sum(own[1][s]) / b for s, a, b in zip(common, *n, strict=True)
            ]
            weights = [2 * a * b / (a + b) for a, b in zip(*n, strict=True)]
            sd = self.paired.expected_sd((title, "|".join(sorted(sides))))
            parted = None if sd is None else hand.parted_mean(x, weights, sd)
            return None if parted is None else sign * parted
        means, found = [], False
        for product, side in zip(sides, runs, strict=True):
            logs = [math.log(v) for v, _ in side]
            sd = self.shared.expected_sd((title, product))
            parted = None if sd is None else hand.parted_mean(logs, [1.0] * len(logs), sd)
            found |= parted is not None
            means.append(sum(logs) / len(logs) if parted is None else parted)
        return sign * (means[0] - means[1]) if found else None

    def cell(self, title: str, product: str) -> Mixture:
        """Return the mixture of variances of one cell's mean."""
        return self.shared.variance_of([((title, product), len(self.cells[title, product]))])

    def of_claim(self, claim: dict) -> tuple[float, np.ndarray, np.ndarray]:
        """Return a margin claim's ln ratio, above 0 where better, and its mixture."""
        d, variance, weight = self.margin(
            claim["title"], claim["product"], claim["baseline"], claim["method"]
        )
        return (-d if LESS_IS_BETTER.get(claim["title"], False) else d), variance, weight

    def gap_part(self, claim: dict) -> tuple[str, str, str, float, float, float, float, bool]:
        """Return what `by_hand_figures.gap_half_width` takes of a margin."""
        _, variance, weight = self.of_claim(claim)
        e2, f = hand.mixture_error(variance, weight)
        own = [1.0, 1.0]
        if claim["method"] == "margin-shared":
            own = [hand.mixture_error(*self.cell(claim["title"], claim[side]))[0]
                   for side in ("product", "baseline")]  # fmt: skip
        return claim["title"], claim["product"], claim["baseline"], e2, f, *own, True


DEMO_METRICS = ("average_fps", "low_1pct_fps", "low_0_1pct_fps", "value")


@pytest.fixture(scope="module")
def again(demo) -> dict[str, Recomputed]:
    return {
        metric: Recomputed(cells_of(demo, metric), capped=demo["capped"]) for metric in DEMO_METRICS
    }


def margins(demo: dict, metric: str) -> Iterator[dict]:
    for claim in demo["claims"]:
        if claim["kind"] == "margin" and claim["metric"] == metric:
            yield claim


def half_width(claim: dict) -> float:
    return math.log(claim["high"] / claim["low"]) / 2


def false_signs_of(demo: dict, again: dict, metric: str) -> dict[str, float]:
    """Return the false sign rate of every margin of a metric, by its id."""
    families: dict[tuple[str, str], list[dict]] = {}
    for claim in margins(demo, metric):
        families.setdefault((claim["product"], claim["baseline"]), []).append(claim)
    found = {}
    for family in families.values():
        made = [again[metric].of_claim(claim) for claim in family]
        rates = np.zeros(len(made))
        if len(made) > 1:
            rates = false_signs(np.array([d for d, _, _ in made]), [m[1:] for m in made])
        found |= {claim["id"]: float(rate) for claim, rate in zip(family, rates, strict=True)}
    return found


@pytest.mark.parametrize("metric", DEMO_METRICS)
def test_every_margin_is_made_again_from_the_words(demo, again, metric):
    band = demo["settings"]["margins"]["level_band"]
    confidence = demo["settings"]["margins"]["confidence"]
    signs = false_signs_of(demo, again, metric)
    seen, apart = set(), []
    for claim in margins(demo, metric):
        d, variance, weight = again[metric].of_claim(claim)
        care = again[metric].care(claim)
        half = hand.mixture_half_width(variance, weight, 1 - (1 - confidence) * care)
        assert d == pytest.approx(math.log(claim["value"]), abs=1e-11), claim["id"]
        apart.append(half / half_width(claim) - 1)
        assert abs(apart[-1]) < QUADRATURE, claim["id"]
        assert claim["low"] * claim["high"] == pytest.approx(claim["value"] ** 2, rel=1e-12)
        level_half = hand.mixture_half_width(variance, weight, 1 - 0.10 * care)
        outcome = hand.outcome(d, half, level_half, band, signs[claim["id"]])
        assert outcome == claim["outcome"], claim["id"]
        assert ("unlike_neighbours" in claim["marks"]) <= (care < 0.5)
        robust = again[metric].robust(claim)
        beside = demo["by_id"].get(claim["id"].replace("margin/", "margin_robust/"))
        assert ("means_part" in claim["marks"]) == (robust is not None) == (beside is not None)
        if beside is not None:
            assert math.log(beside["value"]) == pytest.approx(robust, abs=QUADRATURE * half)
        text, interval = hand.printed_ratio(claim["value"], claim["low"], claim["high"])
        assert (text, interval) == (claim["text"], claim["interval"])
        seen.add(claim["method"])
    assert seen == {"margin-shared", "margin-paired_shared"}
    assert float(np.median(np.abs(apart))) < CLOSE


@pytest.mark.parametrize("metric", DEMO_METRICS)
def test_every_cell_s_interval(demo, again, metric):
    compared = 0
    for claim in demo["claims"]:
        if claim["kind"] != "cell" or claim["metric"] != metric:
            continue
        assert claim["method"] == "cell-shared"
        runs = [v for v, _ in again[metric].cells[claim["title"], claim["product"]]]
        assert claim["value"] == pytest.approx(math.exp(np.log(runs).mean()), rel=1e-12)
        mixture = again[metric].cell(claim["title"], claim["product"])
        care = again[metric].shared.care_of([(claim["title"], claim["product"])])
        half = hand.mixture_half_width(*mixture, 1 - (1 - claim["confidence"]) * care)
        assert half == pytest.approx(half_width(claim), rel=QUADRATURE)
        compared += 1
    assert compared > 10


def day_of(cells: Cells, parts: list[dict]) -> tuple[np.ndarray, np.ndarray, float, float] | None:
    """Return posterior of a product's day, the titles' shared part, and care; None if unknown."""
    if any(part["method"] != "margin-paired_shared" for part in parts):
        return None
    sessions = [
        {s for _, s in cells[p["title"], p["product"]]}
        & {s for _, s in cells[p["title"], p["baseline"]]} - {""}
        for p in parts
    ]
    n = len(parts)
    shared = sum(
        len(a & b) / (len(a) * len(b)) / n**2
        for i, a in enumerate(sessions) for j, b in enumerate(sessions) if i != j
    )  # fmt: skip
    alike: dict[tuple[str, ...], list[str]] = {}
    for part, names in zip(parts, sessions, strict=True):
        alike.setdefault(tuple(sorted(names)), []).append(part["title"])
    names, titles = max(alike.items(), key=lambda item: (len(item[1]), len(item[0])))
    if len(titles) < 2:
        return None
    products = [
        product
        for product in dict.fromkeys(p for _, p in cells)
        if all(set(names) <= {s for _, s in cells.get((t, product), [])} for t in titles)
    ]
    x = np.array([
        [[np.mean([math.log(v) * (-1 if LESS_IS_BETTER.get(t, False) else 1)
                   for v, s in cells[t, p] if s == name]) for name in names] for p in products]
        for t in titles
    ])  # fmt: skip
    k, weight, care = product_day(x, np.full(len(titles), 1 / len(titles)))
    return k, weight, shared, care


@pytest.mark.parametrize("metric", DEMO_METRICS)
def test_every_suite_with_both_intervals(demo, again, metric):
    compared = 0
    confidence = demo["settings"]["margins"]["confidence"]
    signs = false_signs_of(demo, again, metric)
    for claim in demo["claims"]:
        if claim["kind"] != "suite" or claim["metric"] != metric:
            continue
        parts = [demo["by_id"][name] for name in claim["inputs"]]
        made = [again[metric].of_claim(part) for part in parts]
        logs = [d for d, _, _ in made]

        def below(kind: str, claim: dict = claim) -> dict:
            return demo["by_id"][claim["id"].replace("suite/", f"{kind}/", 1)]

        if len(parts) > 1:  # one title alone keeps its own margin's interval
            errors, w = [(v, q) for _, v, q in made], [1 / len(made)] * len(made)
            care = suite_care(errors, w, [again[metric].care(part) for part in parts])
            day = day_of(again[metric].cells, parts)
            if day is None:
                assert "days_unknown" in claim["marks"], claim["id"]
            else:
                care = min(care, day[3])
                sd = math.sqrt(float(day[0] @ day[1]))
                assert below("suite_day")["value"] == pytest.approx(sd, rel=1e-6)
            half = suite_half_width(errors, w, (1 - confidence) * care, day and day[:3])
            assert sum(logs) / len(logs) == pytest.approx(math.log(claim["value"]), abs=1e-11)
            assert half == pytest.approx(half_width(claim), rel=QUADRATURE), claim["id"]
            like = below("suite_like")
            center, half = hand.like_interval(logs, confidence)
            assert center - half == pytest.approx(math.log(like["low"]), abs=1e-9)
            assert center + half == pytest.approx(math.log(like["high"]), abs=1e-9)
        else:
            assert half_width(claim) == pytest.approx(half_width(parts[0]), rel=1e-12)
        assert below("suite_smallest")["value"] == pytest.approx(math.exp(min(logs)), rel=1e-11)
        assert below("suite_largest")["value"] == pytest.approx(math.exp(max(logs)), rel=1e-11)
        expected = sum(signs[p["id"]] for p in parts if p["outcome"] in {"ahead", "behind"})
        assert below("suite_false")["value"] == pytest.approx(expected, **SIGNS)
        for outcome in ("ahead", "behind", "level", "unresolved"):
            count = sum(part["outcome"] == outcome for part in parts)
            counted = claim["id"].replace("suite/", "suite_count/", 1) + f"/{outcome}"
            assert demo["by_id"][counted]["value"] == count
        for title, x in zip([part["title"] for part in parts], logs, strict=True):
            without = claim["id"].replace("suite/", "influence/", 1) + f"/without-{title}"
            if without in demo["by_id"]:
                rest = (sum(logs) - x) / (len(logs) - 1)
                assert demo["by_id"][without]["value"] == pytest.approx(math.exp(rest), rel=1e-11)
        compared += 1
    assert compared >= 5


def gap_care(terms: list, cares: list[float]) -> float:
    """Return the care of a gap, by what each margin adds to its error."""
    parts = np.array([(power / len(of)) ** 2 * part[3] for power, of in terms for part in of])
    return math.exp(float(((parts / parts.sum()) ** 2 * np.log(cares)).sum()))


@pytest.mark.parametrize("metric", DEMO_METRICS)
def test_every_gap_of_a_name(demo, again, metric):
    gaps = [c for c in demo["claims"] if c["kind"] == "gap" and c["metric"] == metric]
    assert len(gaps) == 1
    for gap in gaps:
        terms, logs, cares = [], [], []
        for side, power in zip(gap["inputs"], (1.0, -1.0), strict=True):
            parts = [demo["by_id"][name] for name in demo["by_id"][side]["inputs"]]
            terms.append((power, [again[metric].gap_part(part) for part in parts]))
            logs.append(np.mean([again[metric].of_claim(part)[0] for part in parts]))
            cares += [again[metric].care(part) for part in parts]
        assert math.log(gap["value"]) == pytest.approx(logs[0] - logs[1], abs=1e-11)
        half = figures.gap_half_width(terms, 1 - (1 - gap["confidence"]) * gap_care(terms, cares))
        assert half == pytest.approx(half_width(gap), rel=QUADRATURE)


def test_what_is_said_of_every_title(demo, again, results):
    """By p values of the mixtures, adjusted by Holm over all titles of one baseline."""
    said = {}
    for suite in results.suites:
        if suite.suite != "all" or suite.metric == "value":
            continue
        family = [c for c in margins(demo, suite.metric)
                  if (c["product"], c["baseline"]) == (suite.product, suite.baseline)]  # fmt: skip
        outcomes = {claim["outcome"] for claim in family}
        made = [again[suite.metric].of_claim(claim) for claim in family]
        band = math.log1p(demo["settings"]["margins"]["level_band"])
        level = outcomes == {"level"}
        cares = [again[suite.metric].care(claim) for claim in family]
        p_values = [
            (
                hand.mixture_tail(v, w, band - abs(d))
                if level
                else 2 * hand.mixture_tail(v, w, abs(d))
            )
            / care
            for (d, v, w), care in zip(made, cares, strict=True)
        ]
        holds = max(figures.adjusted(p_values, "holm")) <= 0.05
        expected = outcomes.pop() if len(outcomes) == 1 and holds else None
        expected = None if expected == "unresolved" else expected
        assert suite.every_title == expected, (suite.baseline, suite.metric)
        said[suite.metric, suite.baseline] = expected
    assert len(set(said.values())) > 1  # something is said, and something is not


def test_every_closure(demo):
    cells = {(c["product"], c["title"]): c["value"] for c in demo["claims"]
             if c["kind"] == "cell" and c["metric"] == "average_fps"}  # fmt: skip
    by_pair = {(c["product"], c["baseline"], c["title"]): c["value"]
               for c in margins(demo, "average_fps")}  # fmt: skip
    bases = {c["id"].rpartition("/")[0] for c in demo["claims"] if c["kind"] == "closure"}
    assert len(bases) > 3
    for base in bases:
        names = tuple(base.split("/")[-1].split("-over-"))
        expected = closure_of(cells, names, by_pair)
        for name, value in expected.items():
            assert demo["by_id"][f"{base}/{name}"]["value"] == pytest.approx(value, rel=1e-11)


def closure_of(
    cells: dict[tuple[str, str], float],
    names: tuple[str, ...],
    margins: dict[tuple[str, str, str], float] | None = None,
) -> dict[str, float]:
    a, b, c = names
    of = {p: {t for q, t in cells if q == p} for p in names}

    def r(x: str, y: str, titles: set[str], own: dict[tuple[str, str, str], float]) -> float:
        logs = [math.log(own.get((x, y, t), cells[x, t] / cells[y, t])) for t in titles]
        return math.exp(sum(logs) / len(logs))

    every, own = of[a] & of[b] & of[c], margins or {}
    made = {
        "chained": r(a, b, every, {}) * r(b, c, every, {}),
        "direct": r(a, c, every, {}),
        "chained_own": r(a, b, of[a] & of[b], own) * r(b, c, of[b] & of[c], own),
        "direct_own": r(a, c, of[a] & of[c], own),
    }
    return made | {"difference": made["chained_own"] / made["direct_own"]}


def test_every_figure_of_money(demo, results):
    settings = demo["settings"]["value"]
    window = str(settings["since"]), str(settings["until"])
    text = (ROOT / "example_runs" / "prices.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    prices = {kind: figures.prices_in_force(rows, kind, settings["currency"], *window)
              for kind in settings["kinds"]}  # fmt: skip
    (scenario,) = settings["scenarios"]
    kinds = {c["id"].split("/")[1] for c in demo["claims"] if c["kind"] == "premium"}
    (named,) = kinds - set(prices)
    prices[named] = prices["street"] | {scenario["product"]: [scenario["price"]] * 3}
    fps: dict[str, float] = {}
    for claim in demo["claims"]:
        if claim["kind"] == "suite_fps":
            logs = [math.log(demo["by_id"][cell]["value"]) for cell in claim["inputs"]]
            fps[claim["product"]] = math.exp(sum(logs) / len(logs))
            assert claim["value"] == pytest.approx(fps[claim["product"]], rel=1e-12)
    compared = []
    for claim in demo["claims"]:
        kind = claim["id"].split("/")[1]
        product, baseline = claim["product"], claim["baseline"]
        if claim["kind"] == "price":
            low, middle, high = prices[kind][product]
            expected = [middle, low, high]
        elif claim["kind"] == "cost_per_fps":
            expected = [prices[kind][product][i] / fps[product] for i in (1, 0, 2)]
        elif claim["kind"] in {"premium", "price_difference", "equal_value_price", "cut_needed"}:
            suite = demo["by_id"][f"suite/average_fps/all/{product}-over-{baseline}"]
            expected = money(claim["kind"], prices[kind][product], prices[kind][baseline],
                             [suite[k] for k in ("low", "value", "high")])  # fmt: skip
        else:
            continue
        assert [claim[k] for k in ("value", "low", "high")] == pytest.approx(expected, rel=1e-11)
        compared.append(claim["kind"])
    assert {kind: compared.count(kind) > 5 for kind in compared} == dict.fromkeys(
        ("price", "cost_per_fps", "premium", "price_difference", "equal_value_price", "cut_needed"),
        True,
    )
    assert results.value is not None
    for kind in results.value.kinds:
        here = [s for s in results.value.standings
                if s.kind == kind and s.frontier != "other_class"]  # fmt: skip
        places = figures.frontier(
            [results.value.prices[s.product, kind].price for s in here], [s.suite_fps for s in here]
        )
        assert [s.frontier for s in here] == places


def money(
    what: str, own: list[float], rival: list[float], suite: list[float]
) -> list[float]:  # fmt: skip
    """Return a figure and its ends; each argument is low, middle, high."""
    if what == "price_difference":
        return [own[1] - rival[1], own[0] - rival[2], own[2] - rival[0]]
    if what == "premium":
        return [own[1] / rival[1], own[0] / rival[2], own[2] / rival[0]]
    equal = [r * s for r, s in zip(rival, suite, strict=True)]
    if what == "equal_value_price":
        return [equal[1], equal[0], equal[2]]
    return cut(own, equal)


def cut(own: list[float], equal: list[float]) -> list[float]:
    return [max(0.0, 1 - e / p) for e, p in zip((equal[1], equal[2], equal[0]),
                                                (own[1], own[0], own[2]), strict=True)]  # fmt: skip


def test_run_figures_and_energy_are_made_again_from_raw_logs(demo):
    """The plain text logs of the demo, packed with gzip: read here without the kit."""
    layout = demo["layouts"]["rig"]
    column, power = layout["frames"]["column"], layout["sensors"]["power_w"]
    assert (layout["frames"]["holds"], layout["frames"]["unit"]) == ("frame_time", "ms")
    run_figures = {(c["metric"], (*c["runs"], *c["set_aside"])[0]): c["value"]
                   for c in demo["claims"] if c["kind"] == "run"}  # fmt: skip
    low = {"slowest_share": hand.low_slowest_share, "percentile": hand.low_percentile_7,
           "time_share": hand.low_time_share}[demo["settings"]["metrics"]["low"]]  # fmt: skip
    joules: dict[str, float] = {}
    for run in demo["runs"]:
        known = ("average_fps", run["id"]) in run_figures
        if run["layout"] != "rig" or not run["frames"] or not known:
            continue
        text = gzip.decompress((ROOT / "example_runs" / run["file"]).read_bytes()).decode()
        names, *rows = csv.reader(io.StringIO(text))
        ms = np.array([float(row[names.index(column)]) for row in rows])
        assert hand.average(ms) == pytest.approx(run_figures["average_fps", run["id"]], rel=1e-12)
        for metric, share in (("low_1pct_fps", 0.01), ("low_0_1pct_fps", 0.001)):
            assert low(ms, share) == pytest.approx(run_figures[metric, run["id"]], rel=1e-9)
        watts = np.array([float(row[names.index(power)] or "nan") for row in rows])
        joules[run["id"]] = figures.energy_per_frame(ms, watts)
    assert len(joules) > 50
    energies = [c for c in demo["claims"] if c["method"] == "energy-per-frame"
                and set(c["runs"]) <= set(joules) and len(c["runs"]) > 1]  # fmt: skip
    assert len(energies) > 10
    for claim in energies:
        expected = figures.mean_with_t([joules[run] for run in claim["runs"]], claim["confidence"])
        found = [claim[k] for k in ("value", "low", "high")]
        assert found == pytest.approx(expected, rel=1e-9), claim["id"]
        rate = demo["by_id"][claim["id"].replace("/energy/", "/fps_per_watt/")]
        assert [rate[k] for k in ("value", "low", "high")] == pytest.approx(
            [1 / expected[0], 1 / expected[2], 1 / expected[1]], rel=1e-9
        )


VECTOR_LIST = json.loads(VECTORS.read_text(encoding="utf-8"))["vectors"]


@pytest.mark.parametrize(
    "place", range(len(VECTOR_LIST)), ids=[f"{v['method']}-{i}" for i, v in enumerate(VECTOR_LIST)]
)
def test_the_other_program_gives_every_vector(place):
    vector = VECTOR_LIST[place]
    gives, within = vector["gives"], vector["within"]
    found = OTHER[vector["method"]](vector["given"])
    if vector["method"] in {"rounding", "outcomes", "frontier", "suite-count", "suite-side"}:
        assert found == gives
    elif isinstance(gives, dict):
        assert found == pytest.approx(gives, rel=within)
    else:
        assert np.atleast_1d(found).tolist() == pytest.approx(
            np.atleast_1d(gives).tolist(), rel=within
        )


Given = dict[str, Any]


def ends(d: float, half: float) -> dict[str, float]:
    return {"ratio": math.exp(d), "low": math.exp(d - half), "high": math.exp(d + half)}


def low_of(how: Callable[[np.ndarray, float], float]) -> Callable[[Given], float]:
    return lambda g: how(np.array(g["frame_ms"]), g["share"])


def cell_welch(g: Given) -> dict[str, float]:
    value, low, high = figures.mean_with_t(g["runs"], g["confidence"])
    return {"ratio": value, "low": low, "high": high}


def borrowing(g: Given, product: str) -> tuple[float, float, int, int]:
    """Return mean, variance, runs and df of a side; the last of the lenders for a lone run."""
    x = np.log(g["runs"][g["title"]][product])
    if x.size > 1:
        return x.mean(), x.var(ddof=1), x.size, x.size - 1
    lent = [np.log(v) for t in g["spread_from"] for v in g["runs"][t].values() if len(v) > 1]
    df = sum(v.size - 1 for v in lent)
    return x.mean(), sum(((v - v.mean()) ** 2).sum() for v in lent) / df, x.size, df


def cell_borrowed(g: Given) -> dict[str, float]:
    mean, variance, n, df = borrowing(g, g["product"])
    return ends(mean, hand.t_quantile(g["confidence"], df) * math.sqrt(variance / n))


def margin_borrowed(g: Given) -> dict[str, float]:
    (a, va, na, fa), (b, vb, nb, fb) = (borrowing(g, g[k]) for k in ("product", "baseline"))
    p, q = va / na, vb / nb
    df = fa if va == vb else (p + q) ** 2 / (p * p / fa + q * q / fb)
    return ends(a - b, hand.t_quantile(g["confidence"], df) * math.sqrt(p + q))


def margin_welch(g: Given) -> dict[str, float]:
    if "typed" in g:
        (a, m, s), (b, n, r) = (g["typed"][k] for k in ("product", "baseline"))
        p, q = math.log1p((s / 100) ** 2) / m, math.log1p((r / 100) ** 2) / n
        df = (p + q) ** 2 / (p * p / (m - 1) + q * q / (n - 1))
        half = hand.t_quantile(g["confidence"], df) * math.sqrt(p + q)
        return ends(math.log(a / b), half)
    sides = (np.array(g[k]) for k in ("product", "baseline"))
    return ends(*hand.welch(*sides, g["confidence"]))


def margin_paired(g: Given) -> dict[str, float]:
    found = hand.by_session(
        g["product"], g["product_sessions"], g["baseline"], g["baseline_sessions"]
    )
    assert found is not None
    d, weight, v, sessions = found
    return ends(d, hand.t_quantile(g["confidence"], sessions - 1) * math.sqrt(v / weight))


def recomputed(g: Given) -> Recomputed:
    sessions = g.get("sessions")
    return Recomputed(
        {
            (title, product): [(v, sessions[n] if sessions else "") for n, v in enumerate(values)]
            for title, products in g["runs"].items()
            for product, values in products.items()
        },
    )


def by_mixture(how: str) -> Callable[[Given], Any]:
    def made(g: Given) -> dict[str, float]:
        again = recomputed(g)
        if how == "cell-shared":
            runs = again.cells[g["title"], g["product"]]
            d = float(np.mean([math.log(v) for v, _ in runs]))
            mixture = again.cell(g["title"], g["product"])
            care = again.shared.care_of([(g["title"], g["product"])])
        else:
            d, *mixture = again.margin(g["title"], g["product"], g["baseline"], how)
            care = again.care(g | {"method": how})
        return ends(d, hand.mixture_half_width(*mixture, 1 - (1 - g["confidence"]) * care))

    return made


def difference(g: Given) -> list[float]:
    per_db = math.log(10) / 10
    sides = (np.exp(np.array(g[k]) * per_db) for k in ("product", "baseline"))
    d, half = hand.welch(*sides, g["confidence"])
    return [d / per_db, (d - half) / per_db, (d + half) / per_db]


def outcome(g: Given) -> str:
    if g["low_90"] >= 1 / (1 + g["band"]) and g["high_90"] <= 1 + g["band"]:
        return "level"
    return "ahead" if g["low"] > 1 else "behind" if g["high"] < 1 else "unresolved"


def suite_of_these(g: Given) -> dict[str, float]:
    n = len(g["ln_ratios"])
    errors = [t_mixture(v, f) for v, f in zip(g["variances"], g["df"], strict=True)]
    half = suite_half_width(errors, [1 / n] * n, (1 - g["confidence"]) / g.get("outcomes", 1))
    return ends(sum(g["ln_ratios"]) / n, half)


def day_of_products(g: Given) -> list[float]:
    k, weight, care = product_day(np.array(g["ln_values"]), np.array(g["weights"]))
    return [math.sqrt(float(k @ weight)), care]


def suite_errors(g: Given) -> list[float]:
    x, w = np.array(g["ln_values"]), np.array(g["weights"])
    k, weight, _ = product_day(x, w)
    titles, products, s = x.shape
    r = [[[x[i, p, t] - x[i, :, t].mean() - x[i, p].mean() + x[i].mean() for t in range(s)]
          for p in range(products)] for i in range(titles)]  # fmt: skip
    m, f = np.tensordot(w, np.array(r), 1), (products - 1) * (s - 1)
    noise = sum(w[i] ** 2 * ((np.array(r[i]) - m) ** 2).sum() / f for i in range(titles))
    noise, day, then = noise / (1 - (w**2).sum()), float(k @ weight), s + g["more"]
    return [
        math.sqrt(2 * v) for v in ((day + noise) / s, (day + noise) / then, day / s + noise / then)
    ]


def look_level(g: Given) -> float:
    """On an even grid: what has crossed no bound goes on by its density; the rest is spent."""
    grid, step = np.linspace(-6, 6, 2401, retstep=True)
    t, alpha, inside, before = [0.0, *g["looks"]], g["alpha"], None, 0.0
    for earlier, now in pairwise(t):
        spent = alpha * math.log(1 + (math.e - 1) * now)
        if g["spending"] == "obrien_fleming":
            spent = 4 * stats.norm.sf(stats.norm.isf(alpha / 4) / math.sqrt(now))
        moved = stats.norm(scale=math.sqrt(now - earlier)).pdf
        density = moved(grid) if inside is None else moved(grid[:, None] - grid) @ inside
        beyond = np.cumsum(density[::-1] + density) * step  # both tails, to half a step inwards
        bound = 6 - step * (np.interp(spent - before, beyond, np.arange(grid.size)) + 0.5)
        inside = density * step * np.clip((bound - np.abs(grid)) / step + 0.5, 0, 1)
        before = spent
    return 2 * stats.norm.sf(bound / math.sqrt(now))


def break_even(g: Given) -> float:
    n = len(g["ln_ratios"])
    errors = [t_mixture(v, f) for v, f in zip(g["variances"], g["df"], strict=True)]
    low, high, size = 0.0, 1.0, abs(sum(g["ln_ratios"])) / n
    for _ in range(30):
        k = (low + high) / 2
        day = np.array([k * k]), np.ones(1), 1.0
        half = suite_half_width(errors, [1 / n] * n, 1 - g["confidence"], day)
        low, high = (k, high) if half < size else (low, k)
    return k


def false_outcomes(g: Given) -> list[float]:
    errors = [t_mixture(v, f) for v, f in zip(g["variances"], g["df"], strict=True)]
    return false_signs(np.array(g["ln_ratios"]), errors).tolist()


def influence(g: Given) -> list[float]:
    x, w = np.array(g["ln_ratios"]), np.array(g["weights"])
    kept = ~np.eye(x.size, dtype=bool)
    return [math.exp((w[k] * x[k]).sum() / w[k].sum()) for k in kept]


def name_gap(g: Given) -> dict[str, float]:
    chosen = {title: g["runs"][title] for title in g["titles"]}
    how = f"margin-{g['method']}"
    again = recomputed(g)
    terms, cares, center = [], [], 0.0
    for power, (product, baseline) in ((1.0, g["here"]), (-1.0, g["there"])):
        parts = []
        for title in chosen:
            if how == "margin-welch":
                x, y = (np.log(g["runs"][title][p]) for p in (product, baseline))
                d, a, b = x.mean() - y.mean(), x.var(ddof=1) / x.size, y.var(ddof=1) / y.size
                f = (a + b) ** 2 / (a * a / (x.size - 1) + b * b / (y.size - 1))
                parts.append((title, product, baseline, a + b, f, a, b, False))
                cares.append(1.0)
            else:
                claim = {"title": title, "product": product, "baseline": baseline, "method": how}
                d = again.of_claim(claim)[0]
                parts.append(again.gap_part(claim))
                cares.append(again.care(claim))
            center += power * float(d) / len(chosen)
        terms.append((power, parts))
    confidence = 1 - (1 - g["confidence"]) * gap_care(terms, cares)
    return ends(center, figures.gap_half_width(terms, confidence))


def closure(g: Given) -> list[float]:
    cells = {(product, title): math.exp(np.log(values).mean())
             for title, products in g["runs"].items()
             for product, values in products.items()}  # fmt: skip
    return list(closure_of(cells, (g["a"], g["b"], g["c"])).values())


def machines_of(g: Given) -> tuple[list[np.ndarray], float, int]:
    """Return what machines of either part do over the titles, their pooled variance, its df."""
    sides = [
        np.array([np.mean([np.log(of[m]).mean() for of in g["runs"].values()]) for m in g[side]])
        for side in ("own", "other")
    ]
    df = sum(side.size - 1 for side in sides)
    return sides, float(sum(((side - side.mean()) ** 2).sum() for side in sides)) / df, df


def part_margin(g: Given) -> dict[str, float]:
    sides, variance, df = machines_of(g)
    errors = [(variance / side.size, df) for side in sides]
    if sides[1].size == 1:
        logs = [np.log(of[g["other"][0]]) for of in g["runs"].values()]
        runs = sum(x.var(ddof=1) / x.size for x in logs) / len(logs) ** 2
        errors[1] = (runs, sum(x.size - 1 for x in logs))
        total = sum(v for v, _ in errors)
        df = total**2 / sum(v**2 / f for v, f in errors)
    half = hand.t_quantile(g["confidence"], df) * math.sqrt(sum(v for v, _ in errors))
    return ends(float(sides[0].mean() - sides[1].mean()), half)


def price(g: Given) -> list[float]:
    force = figures.prices_in_force(g["prices"], g["kind"], g["currency"], g["since"], g["until"])
    low, middle, high = force[g["product"]]
    return [middle, low, high]


def raised(figure: list[float]) -> list[float]:
    """Return low, middle, high of a vector's middle, low, high."""
    return [figure[1], figure[0], figure[2]]


def equal_value(g: Given) -> list[float]:
    suite = [g["suite"][k] for k in ("low", "ratio", "high")]
    rival = raised(g["rival_price"])
    return money("equal_value_price", rival, rival, suite)


def energy(g: Given) -> float | list[float]:
    if "run_j" in g:
        return figures.mean_with_t(g["run_j"], g["confidence"])
    watts = np.array([math.nan if w is None else w for w in g["power_w"]])
    return figures.energy_per_frame(np.array(g["frame_ms"]), watts)


def under_load(g: Given) -> float | list[float]:
    if "runs" in g:
        return figures.apart(g["runs"], [], g["confidence"], of_logs=g["of_logs"])
    half, at, weighed, time = sum(g["frame_ms"]) / 2, 0.0, 0.0, 0.0
    for took, read in zip(g["frame_ms"], g["read"], strict=True):
        at += took
        if at > half and read is not None:
            sound = 10 ** (read / 10) if g.get("levels") else read
            weighed, time = weighed + took * sound, time + took
    mean = weighed / time
    return 10 * math.log10(mean) if g.get("levels") else mean


def lagging(g: Given) -> list[float]:
    runs = zip(g["frame_ms"], g["power_w"], strict=True)
    return figures.sensor_lag([(np.array(ms), np.array(watts)) for ms, watts in runs])


def unsettled(g: Given) -> float:
    ms, watts = np.array(g["frame_ms"]), np.array(g["power_w"])
    return figures.energy_per_frame(ms, watts) / figures.settled_energy(ms, watts, g["lag_s"])


def metered(g: Given) -> list[float]:
    power, rate = (figures.mean_with_t(g[k], g["confidence"]) for k in ("power_w", "average_fps"))
    return [power[0] / rate[0], power[1] / rate[2], power[2] / rate[1]]


def components(g: Given) -> dict[str, float]:
    runs, sessions = g["runs"], g["sessions"]
    names = list(dict.fromkeys(sessions))
    nested = {
        title: [[[math.log(v) for v, s in zip(values, sessions, strict=True) if s == name]
                 for name in names] for values in products.values()]
        for title, products in runs.items()
    }  # fmt: skip
    parts = [figures.spread(products) for products in nested.values()]
    r, s = (float(np.mean(part)) for part in zip(*parts, strict=True))  # equal degrees of freedom
    means = np.array([[np.mean(product) for product in products] for products in nested.values()])
    title, product, rest = figures.two_way(means)
    error = r / len(sessions) + s / len(names)
    made = {"run": r, "session": s, "interaction": max(rest - error, 0.0),
            "product": product, "title": title}  # fmt: skip
    return {name: math.sqrt(variance) for name, variance in made.items()}


def planned(g: Given) -> float:
    if "psi1_of_half_the_borrowed_df" in g:
        return figures.lent(g["psi1_of_half_the_borrowed_df"])
    needed = figures.runs_needed(g["ratio"], g["run_sd"], g["power"], g["confidence"])
    return max(needed, g["min_runs"])


def pilot(g: Given) -> dict[str, float]:
    assert g["runs"] == 3  # a chi-square with 2 degrees of freedom has a quantile in closed form
    wider = g["run_sd"] * math.sqrt(2 / (-2 * math.log(0.8)))
    asked = g["power"], g["confidence"]
    return {
        "power": figures.power_of(g["ratio"], g["run_sd"], g["runs"], g["confidence"]),
        "runs_by_spread": figures.runs_needed(g["ratio"], g["run_sd"], *asked),
        "runs_cautious": figures.runs_needed(g["ratio"], wider, *asked),
    }


def run_gain(g: Given) -> dict[str, float]:
    title_var, gone = {}, {}
    for title, of in g["spread_and_runs"].items():
        counts = {p: 1.0 if p == g["product"] else 1 / (len(of) - 1) for p in of}
        title_var[title] = sum(counts[p] * sd**2 / n for p, (sd, n) in of.items())
        one_more = sum(counts[p] * sd**2 / (n + 1) for p, (sd, n) in of.items())
        gone[title] = title_var[title] - one_more
    whole = sum(title_var.values())
    shares = {f"{title} share": variance / whole for title, variance in title_var.items()}
    return shares | {f"{title} gain": fall / whole for title, fall in gone.items()}


def sensor_ends(g: Given) -> list[float]:
    whole, ended = sum(g["frame_ms"]), 0.0
    first, last = [], []
    for lasted, reading in zip(g["frame_ms"], g["readings"], strict=True):
        ended += lasted
        if reading is not None and ended <= whole / 5:
            first.append(reading)
        elif reading is not None and ended > 4 * whole / 5:
            last.append(reading)
    return [sum(first) / len(first), sum(last) / len(last)]


def in_run(how: Callable[[np.ndarray, int], float]) -> Callable[[Given], float]:
    def made(g: Given) -> float:
        ms = np.array(g["frame_ms"])
        if g["metric"] == "median_fps":
            z = figures.series_of_median(ms)
            return how(z, figures.block_length(z))
        return how(figures.series_of(ms, g["share"]), figures.block_length(ms))

    return made


def cell_frames(g: Given) -> dict[str, float]:
    ms = np.array(g["frame_ms"])
    error = figures.within_error(ms, figures.block_length(ms))
    rate, half = 1000.0 / ms.mean(), NormalDist().inv_cdf((1 + g["confidence"]) / 2) * error
    return {"ratio": rate, "low": rate * math.exp(-half), "high": rate * math.exp(half)}


def pooled_share(g: Given) -> float:
    several = [t for t, values in g["titles"].items() if len(values) > 1]
    logs = [np.log(g["titles"][t]) for t in several]
    pooled = sum(((x - x.mean()) ** 2).sum() for x in logs) / sum(len(x) - 1 for x in logs)
    errors = np.concatenate([g["errors"][t] for t in several])
    return min(1.0, (errors**2).mean() / pooled)


def rounded(g: Given) -> dict[str, str]:
    low, high = g.get("low"), g.get("high")
    if "ratio" in g:
        text, interval = hand.printed_ratio(g["ratio"], low, high)
    elif "fps" in g:
        text, interval = hand.printed_fps(g["fps"], low, high)
    elif "share" in g:
        text, interval = f"{hand.printed(100 * g['share'], 1, sign=False)}\u00a0%", ""
    elif "money" in g:
        places = 2 if "per_fps" in g else 0
        text = f"{g['currency']}\u00a0{hand.printed(g['money'], places, sign=False)}"
        spans = [hand.printed(x, places, sign=False) for x in (low, high) if x is not None]
        interval = " to ".join(spans)
    elif "specification" in g:
        text, interval = f"{g['specification']:.{g['digits']}g}\u00a0{g['unit']}", ""
    else:
        figure = g.get("fine", g.get("level"))
        most = 1 if "level" in g else max(0, 2 - math.floor(math.log10(abs(figure))))
        places = hand.decimals(None if low is None else (high - low) / 2, most, most)
        sign = "level" in g
        text = f"{hand.printed(figure, places, sign=sign)}\u00a0{g['unit']}"
        interval = " to ".join(
            hand.printed(x, places, sign=sign) for x in (low, high) if x is not None
        )
    return {"text": text, "interval": interval}


def spread_of(g: Given) -> tuple[float, float]:
    return figures.spread(g["ln_values"])


OTHER: dict[str, Callable[[Given], Any]] = {
    "average": lambda g: hand.average(np.array(g["frame_ms"])),
    "over-common-stretch": lambda g: hand.average_over(np.array(g["frame_ms"]), *g["stretch"]),
    "margin-robust": lambda g: hand.parted_mean(g["ln_values"], g["weights"], g["expected_sd"]),
    "margin-unstruck": lambda g: hand.average_without(np.array(g["frame_ms"]), g["struck"]),
    "median": lambda g: hand.median(np.array(g["frame_ms"])),
    "low-percentile": low_of(hand.low_percentile_7),
    "low-slowest-share": low_of(hand.low_slowest_share),
    "low-time-share": low_of(hand.low_time_share),
    "budget-in-run": lambda g: figures.time_over_budget(
        np.array(g["frame_ms"]), g["hz"], g["step_ms"]
    ),
    "hitches-in-run": lambda g: figures.count_hitches(
        np.array(g["frame_ms"]), g["factor"], g["more_ms"]
    ),
    "cell-welch": cell_welch,
    "cell-shared": by_mixture("cell-shared"),
    "margin-welch": margin_welch,
    "margin-paired": margin_paired,
    "margin-shared": by_mixture("margin-shared"),
    "margin-paired_shared": by_mixture("margin-paired_shared"),
    "difference": difference,
    "outcomes": outcome,
    "many-titles": lambda g: figures.adjusted(g["p_values"], g["family"]),
    "suite-these-titles": suite_of_these,
    "suite-otherwise": suite_of_these,
    "product-day": day_of_products,
    "planned-suite-error": suite_errors,
    "look-level": look_level,
    "break-even-day": break_even,
    "false-outcomes": false_outcomes,
    "suite-titles-like-these": lambda g: ends(
        *hand.like_interval(g["ln_ratios"], g["confidence"], g["weights"])
    ),
    "suite-influence": influence,
    "suite-range": lambda g: [math.exp(f(g["ln_ratios"])) for f in (min, max)],
    "suite-count": lambda g: {
        name: g["outcomes"].count(name) for name in ("ahead", "behind", "level", "unresolved")
    },
    "suite-side": lambda g: {
        "above": sum(r > 1 for r in g["ratios"]),
        "below": sum(r < 1 for r in g["ratios"]),
        "open": sum(r == 1 for r in g["ratios"]),
    },
    "sign-test": lambda g: float(stats.binomtest(g["above"], g["above"] + g["below"]).pvalue),
    "part-margin": part_margin,
    "machine-spread": lambda g: math.sqrt(machines_of(g)[1]),
    "closure": closure,
    "name-gap": name_gap,
    "price": price,
    "price-seen": lambda g: [
        row["price"]
        for row in g["prices"]
        if (row["product"], row["kind"]) == (g["product"], g["kind"])
        and g["since"] <= row["date"] <= g["until"]
    ],
    "suite-fps": lambda g: math.exp(np.log(g["averages"]).mean()),
    "cost-per-fps": lambda g: [p / g["suite_fps"] for p in g["price"]],
    "price-difference": lambda g: money(
        "price_difference", raised(g["price"]), raised(g["rival_price"]), []
    ),
    "premium": lambda g: money("premium", raised(g["price"]), raised(g["rival_price"]), []),
    "equal-value-price": equal_value,
    "cut-needed": lambda g: cut(raised(g["price"]), raised(g["equal_value_price"])),
    "frontier": lambda g: figures.frontier(g["costs"], g["rates"]),
    "energy-per-frame": energy,
    "energy-metered": metered,
    "sensor-lag": lagging,
    "energy-unsettled": unsettled,
    "energy-margin": lambda g: figures.energy_ratio(
        g["run_j"], g["baseline_run_j"], g["confidence"]
    ),
    "sensor-under-load": under_load,
    "sensor-spread": lambda g: math.sqrt(figures.pooled(g["runs"])),
    "sensor-apart": lambda g: figures.apart(
        g["runs"], g["baseline_runs"], g["confidence"], of_logs=g["of_logs"]
    ),
    "fps-per-watt": lambda g: 1 / g["joule_per_frame"],
    "derived": lambda g: {"bandwidth_gb_s": g["bus_width_bit"] / 8 * g["memory_rate_gbps"]},
    "run-over-mean": lambda g: [r / math.exp(np.log(g["runs"]).mean()) for r in g["runs"]],
    "run-spread": lambda g: math.sqrt(spread_of(g)[0]),
    "repeatability": lambda g: math.exp(2.8 * math.sqrt(spread_of(g)[0])),
    "reproducibility": lambda g: math.exp(2.8 * math.sqrt(sum(spread_of(g)))),
    "bench-components": components,
    "planned-runs": planned,
    "smallest-resolved": lambda g: figures.smallest_ratio(
        g["run_sd"], g["runs"], g["power"], g["confidence"]
    ),
    "pilot": pilot,
    "run-gain": run_gain,
    "sensor-ends": sensor_ends,
    "planned-time": lambda g: sum(g["to_run"]) * (g["setup_s"] + g["length_s"]) / 60,
    "within-run-error": in_run(figures.within_error),
    "effective-frames": in_run(figures.effective_frames),
    "share-within": lambda g: min(
        1.0, np.square(g["errors"]).mean() / np.log(g["values"]).var(ddof=1)
    ),
    "cell-frames": cell_frames,
    "cell-borrowed": cell_borrowed,
    "margin-borrowed": margin_borrowed,
    "share-within-product": pooled_share,
    "effective-frames-product": lambda g: float(np.median(g["frames"])),
    "rounding": rounded,
}


def test_vectors_by_mixtures_on_fine_grids():
    compared = 0
    for vector in VECTOR_LIST:
        if vector["method"] not in {"cell-shared", "margin-shared", "margin-paired_shared"}:
            continue
        gives = vector["gives"]
        stated = math.log(gives["high"] / gives["low"]) / 2
        found = by_mixture(vector["method"])(vector["given"])
        half = math.log(found["high"] / found["low"]) / 2
        assert half == pytest.approx(stated, rel=QUADRATURE)
        compared += 1
    assert compared > 4


def test_the_kit_gives_every_vector():
    """A figure of the kit that moves must be seen: run python tests/write/write_methods.py."""
    made = json.loads(vectors_text())["vectors"]
    assert len(made) == len(VECTOR_LIST)
    for vector, stored in zip(made, VECTOR_LIST, strict=True):
        assert {**vector, "gives": None} == {**stored, "gives": None}
        # Another machine may differ in the last bits.
        near(vector["gives"], stored["gives"])


def near(found: Any, stored: Any) -> None:
    if isinstance(stored, dict):
        assert found.keys() == stored.keys()
        for key, value in stored.items():
            near(found[key], value)
    elif isinstance(stored, list):
        assert len(found) == len(stored)
        for one, other in zip(found, stored, strict=True):
            near(one, other)
    elif isinstance(stored, str):
        assert found == stored
    else:
        assert found == pytest.approx(stored, rel=1e-9)


def test_each_method_has_a_vector_of_this_version():
    found = {(v["method"], v["version"]) for v in VECTOR_LIST if v["method"] in METHODS}
    assert found == {(m.name, m.version) for m in METHODS.values() if m.name not in NO_VECTOR}
    assert set(METHODS) >= NO_VECTOR
    assert sum(v["gives_from"] != OWN for v in VECTOR_LIST) > 10


def test_the_page_names_every_method_with_its_version():
    text = PAGE.read_text(encoding="utf-8")
    headings = re.findall(r"^### `([\w-]+)` \(version (\d+)\)$", text, re.MULTILINE)
    assert len(headings) == len(set(headings))
    assert set(headings) == {(m.name, str(m.version)) for m in METHODS.values()}
    # A row of the table that is not read, or names a method twice, would be missing in silence.
    table = text.split("<!-- all methods -->")[1].split("<!-- end -->")[0].strip().splitlines()
    assert table[:2] == ["| method | version | in words |", "| --- | --- | --- |"]
    assert table[2:] == [f"| `{m.name}` | {m.version} | {m.words} |" for m in METHODS.values()]


def test_the_page_names_every_mark_once():
    table = PAGE.read_text(encoding="utf-8").split("<!-- all marks -->")[1].split("<!-- end")[0]
    rows = table.strip().splitlines()
    assert rows[:2] == ["| mark | in words |", "| --- | --- |"]
    assert rows[2:] == [f"| `{mark}` | {words} |" for mark, words in MARKS.items()]
    assert len(MARKS) > 30


def test_each_method_of_the_page_has_words_and_each_source_is_used():
    text = PAGE.read_text(encoding="utf-8")
    for part in re.split(r"^### `", text, flags=re.MULTILINE)[1:]:
        body = re.split(r"^#", part.partition("\n")[2], flags=re.MULTILINE)[0]
        assert len(body.split()) > 2, part[:40]
    used = {n for found in re.findall(r"\[(\d[\d, ]*)\]", text) for n in found.split(", ")}
    sources = re.findall(r"^(\d+)\. ", text.split("## Sources")[1], re.MULTILINE)
    assert sources == [str(n + 1) for n in range(len(sources))]
    assert used == set(sources)


@pytest.mark.parametrize("name", METRICS)
def test_each_metric_has_its_formula_and_vectors(name):
    """A new metric fails here by its name until formula, vectors and second version are there."""
    metric, text = METRICS[name], PAGE.read_text(encoding="utf-8")
    made = re.split(r"^## ", text, flags=re.MULTILINE)
    figures_part = next(part for part in made if part.startswith("A run's figures"))
    for method in set(metric.methods.values()):
        assert method in METHODS, f"{name}: no method {method} in the table of kit/methods.md"
        assert f"### `{method}` (version " in text, f"{name}: no formula of {method} in methods.md"
        if metric.source == "frames":
            shares = {v["given"].get("share") for v in VECTOR_LIST if v["method"] == method}
            assert metric.tail_share in shares, f"{name}: no vector of {method}"
            assert method in OTHER, f"{name}: no second version of {method}"
    if metric.source == "frames":
        assert f"`{name}`" in figures_part, f"{name}: not named under A run's figures in methods.md"
        if metric.tail_share is None or metric.tail_share * len(LONG_MS) >= FEWEST_TAIL_FRAMES:
            judged = [v for v in VECTOR_LIST if v["given"].get("metric") == name]
            assert judged, f"{name}: no vector of its error within a run"
