"""The method page is enough: a program that does not use the kit gives the demo's figures."""

from __future__ import annotations

import csv
import gzip
import io
import json
import math
import re
from collections.abc import Iterator
from pathlib import Path

import by_hand as hand
import numpy as np
import pytest
from write_methods import END, PAGE, START, VECTORS, page_text, vectors_text

from kit.claiming import make_claims
from kit.claims import claims_json
from kit.methods import METHODS, method_words
from kit.review import load_review, work_out
from kit.tables import table_csv

ROOT = Path(__file__).resolve().parent.parent
# The kit integrates with few nodes, the program here with many: they meet within this share of
# the half-width (see "Comparing" in kit/methods.md).
QUADRATURE = 0.01


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

    def test_uses_neither_the_kit_nor_scipy(self):
        text = (ROOT / "tests" / "by_hand.py").read_text()
        imported = re.findall(r"^(?:import|from) (\w+)", text, re.MULTILINE)
        assert set(imported) == {"__future__", "math", "numpy"}


@pytest.fixture(scope="module")
def demo() -> dict:
    """claims.json of the demo as any program reads it, and which cells screening calls capped."""
    review = load_review(ROOT / "params" / "demo.yaml")
    document = json.loads(claims_json(make_claims(review, work_out(review))))
    rows = csv.DictReader(io.StringIO(table_csv(review.screened.to_frame())))
    document["capped"] = {(r["title"], r["product"]) for r in rows if r["rule"] == "capped"}
    return document


Cells = dict[tuple[str, str], list[tuple[float, str]]]


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

    def __init__(self, demo: dict, metric: str) -> None:
        self.confidence = demo["settings"]["margins"]["confidence"]
        self.cells = cells_of(demo, metric)
        self.made: dict[str, tuple[float, np.ndarray, np.ndarray]] = {}
        variances = {
            key: (float(np.var(np.log([v for v, _ in runs]), ddof=1)) if len(runs) > 1 else 0.0,
                  len(runs) - 1)
            for key, runs in self.cells.items()
        }  # fmt: skip
        self.shared = hand.Shared(variances, apart=demo["capped"])
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
        widest = max(len(products) for products in by_title.values())
        self.paired = hand.Shared(
            {key: (v, sessions - 1) for key, (_, _, v, sessions, _) in self.pairs.items()},
            temper=2 / max(widest, 2),
        )

    def margin(self, claim: dict) -> tuple[float, np.ndarray, np.ndarray]:
        """Return ln ratio, and the mixture of variances of its error."""
        if claim["id"] not in self.made:
            self.made[claim["id"]] = self._margin(claim)
        return self.made[claim["id"]]

    def _margin(self, claim: dict) -> tuple[float, np.ndarray, np.ndarray]:
        title, product, baseline = claim["title"], claim["product"], claim["baseline"]
        if claim["method"] == "margin-shared":
            sides = [[math.log(v) for v, _ in self.cells[title, p]] for p in (product, baseline)]
            d = sum(sides[0]) / len(sides[0]) - sum(sides[1]) / len(sides[1])
            parts = [((title, product), len(sides[0])), ((title, baseline), len(sides[1]))]
            return d, *self.shared.variance_of(parts)
        key = title, "|".join(sorted((product, baseline)))
        d, weight, _, _, first = self.pairs[key]
        return d if first == product else -d, *self.paired.variance_of([(key, weight)])


@pytest.fixture(scope="module")
def averages(demo) -> Recomputed:
    return Recomputed(demo, "average_fps")


def margins(demo: dict, metric: str) -> Iterator[dict]:
    for claim in demo["claims"]:
        if claim["kind"] == "margin" and claim["metric"] == metric:
            yield claim


def test_every_margin_of_the_average_is_made_again_from_the_words(demo, averages):
    compared = 0
    band = demo["settings"]["margins"]["level_band"]
    for claim in margins(demo, "average_fps"):
        d, variance, weight = averages.margin(claim)
        half = hand.mixture_half_width(variance, weight, averages.confidence)
        stated = math.log(claim["high"] / claim["low"]) / 2
        assert d == pytest.approx(math.log(claim["value"]), abs=1e-11), claim["id"]
        assert half == pytest.approx(stated, rel=QUADRATURE), claim["id"]
        assert claim["low"] * claim["high"] == pytest.approx(claim["value"] ** 2, rel=1e-12)
        level_half = hand.mixture_half_width(variance, weight, 0.90)
        assert hand.outcome(d, half, level_half, band) == claim["outcome"], claim["id"]
        text, interval = hand.printed_ratio(claim["value"], claim["low"], claim["high"])
        assert (text, interval) == (claim["text"], claim["interval"])
        compared += 1
    assert compared > 50
    assert {c["method"] for c in margins(demo, "average_fps")} == {
        "margin-shared", "margin-paired_shared"
    }  # fmt: skip


def test_every_fifth_margin_of_the_lows_too(demo):
    lows = Recomputed(demo, "low_1pct_fps")
    for claim in list(margins(demo, "low_1pct_fps"))[::5]:
        d, variance, weight = lows.margin(claim)
        half = hand.mixture_half_width(variance, weight, lows.confidence)
        assert d == pytest.approx(math.log(claim["value"]), abs=1e-11)
        assert half == pytest.approx(math.log(claim["high"] / claim["low"]) / 2, rel=QUADRATURE)


def test_every_suite_margin_of_the_average_over_all_titles(demo, averages):
    by_id = {claim["id"]: claim for claim in demo["claims"]}
    compared = 0
    for claim in demo["claims"]:
        if claim["kind"] != "suite" or not claim["id"].startswith("suite/average_fps/all/"):
            continue
        parts = [by_id[name] for name in claim["inputs"] if name.startswith("margin/")]
        made = [averages.margin(part) for part in parts]
        errors = [(*hand.mixture_error(variance, weight), True) for _, variance, weight in made]
        logs = [d for d, _, _ in made]
        center, half = hand.suite_interval(logs, errors, averages.confidence)
        assert center == pytest.approx(math.log(claim["value"]), abs=1e-11)
        # The 99.9 % point of a variance falls between nodes, which adds to the quadrature's own.
        stated = math.log(claim["high"] / claim["low"]) / 2
        assert half == pytest.approx(stated, rel=2 * QUADRATURE), claim["id"]
        like = by_id[claim["id"].replace("suite/", "suite_like/", 1)]
        center, half = hand.like_interval(logs, averages.confidence)
        assert center - half == pytest.approx(math.log(like["low"]), abs=1e-9)
        assert center + half == pytest.approx(math.log(like["high"]), abs=1e-9)
        compared += 1
    assert compared >= 5


def test_run_figures_are_made_again_from_raw_logs(demo):
    """The plain text logs of the demo, packed with gzip: read here without the kit."""
    layout = demo["layouts"]["rig"]
    column = layout["frames"]["column"]
    assert (layout["frames"]["holds"], layout["frames"]["unit"]) == ("frame_time", "ms")
    figures = {(c["metric"], (*c["runs"], *c["set_aside"])[0]): c["value"]
               for c in demo["claims"] if c["kind"] == "run"}  # fmt: skip
    low = {"slowest_share": hand.low_slowest_share, "percentile": hand.low_percentile_7,
           "time_share": hand.low_time_share}[demo["settings"]["metrics"]["low"]]  # fmt: skip
    compared = 0
    for run in demo["runs"]:
        if run["layout"] != "rig" or not run["frames"] or ("average_fps", run["id"]) not in figures:
            continue
        text = gzip.decompress((ROOT / "example_runs" / run["file"]).read_bytes()).decode()
        names, *rows = csv.reader(io.StringIO(text))
        ms = np.array([float(row[names.index(column)]) for row in rows])
        assert hand.average(ms) == pytest.approx(figures["average_fps", run["id"]], rel=1e-12)
        for metric, share in (("low_1pct_fps", 0.01), ("low_0_1pct_fps", 0.001)):
            assert low(ms, share) == pytest.approx(figures[metric, run["id"]], rel=1e-9)
        compared += 1
    assert compared > 50


VECTOR_LIST = json.loads(VECTORS.read_text(encoding="utf-8"))["vectors"]


@pytest.mark.parametrize("place", range(len(VECTOR_LIST)))
def test_the_other_program_gives_every_vector(place):
    vector = VECTOR_LIST[place]
    given, within = vector["given"], vector["within"]
    gives = vector["gives"]
    if vector["method"] == "rounding":
        assert by_rounding(given) in ([gives["text"], gives["interval"]], None)
        return
    found = by_vector(vector["method"], given)
    expected = [gives[k] for k in ("ratio", "low", "high")] if isinstance(gives, dict) else [gives]
    assert found == pytest.approx(expected, rel=within)


def by_rounding(given: dict) -> list[str] | None:
    """Return text and interval; None for the kinds of figure the other program has no words for."""
    ends = given.get("low"), given.get("high")
    if "ratio" in given:
        return hand.printed_ratio(given["ratio"], *ends)
    return hand.printed_fps(given["fps"], *ends) if "fps" in given else None


def by_vector(method: str, given: dict) -> list[float]:
    """Return what the other program gives for a vector."""
    ms = np.array(given.get("frame_ms", []))
    if method == "average":
        return [hand.average(ms)]
    if method.startswith("low-"):
        how = {"low-percentile": hand.low_percentile_7, "low-time-share": hand.low_time_share,
               "low-slowest-share": hand.low_slowest_share}[method]  # fmt: skip
        return [how(ms, given["share"])]
    if method == "margin-welch":
        d, half = hand.welch(*(np.array(given[k]) for k in ("product", "baseline")), 0.95)
    elif method == "margin-paired":
        found = hand.by_session(
            given["product"], given["sessions"], given["baseline"], given["sessions"]
        )
        assert found is not None
        d, weight, v, sessions = found
        half = hand.t_quantile(0.95, sessions - 1) * math.sqrt(v / weight)
    elif method == "margin-shared":
        logs = {(t, p): np.log(v) for t, ps in given["runs"].items() for p, v in ps.items()}
        shared = hand.Shared({k: (float(x.var(ddof=1)), x.size - 1) for k, x in logs.items()})
        sides = [(given["title"], given[k]) for k in ("product", "baseline")]
        d = float(logs[sides[0]].mean() - logs[sides[1]].mean())
        parts = [(side, float(logs[side].size)) for side in sides]
        half = hand.mixture_half_width(*shared.variance_of(parts), 0.95)
    elif method == "suite-these-titles":
        errors = [(v, df, False) for v, df in zip(given["variances"], given["df"], strict=True)]
        d, half = hand.suite_interval(given["ln_ratios"], errors, 0.95)
    elif method == "suite-titles-like-these":
        d, half = hand.like_interval(given["ln_ratios"], 0.95)
    else:
        return [
            {
                "premium": lambda g: g["price"] / g["rival_price"],
                "equal-value-price": lambda g: g["rival_price"] * g["suite_ratio"],
                "cut-needed": lambda g: max(0.0, 1 - g["equal_value_price"] / g["price"]),
            }[method](given)
        ]
    return [math.exp(d), math.exp(d - half), math.exp(d + half)]


def test_the_kit_gives_every_vector():
    """A figure of the kit that moves must be seen: run python tests/write_methods.py."""
    made = json.loads(vectors_text())["vectors"]
    assert len(made) == len(VECTOR_LIST)
    for vector, stored in zip(made, VECTOR_LIST, strict=True):
        assert {**vector, "gives": None} == {**stored, "gives": None}
        # Another machine may differ in the last bits.
        gives = stored["gives"]
        assert vector["gives"] == (
            gives if vector["method"] == "rounding" else pytest.approx(gives, rel=1e-9)
        )


def test_the_page_names_every_method_with_its_version():
    assert PAGE.read_text(encoding="utf-8") == page_text(), "run python tests/write_methods.py"
    table = PAGE.read_text(encoding="utf-8").split(START)[1].split(END)[0]
    rows = re.findall(r"^\| `([\w-]+)` \| (\d+) \|", table, re.MULTILINE)
    assert rows == [(m.name, str(m.version)) for m in METHODS.values()]


def test_versions_in_the_page_s_words_are_those_of_the_catalogue():
    text = PAGE.read_text(encoding="utf-8").split(START)[0]
    named = re.findall(r"`([a-z][\w-]+)`(?:, `[\w-]+`)*(?: \| | )(\d+)(?: \||:)", text)
    assert len(named) > 15
    for name, version in named:
        assert METHODS[name].version == int(version), name


def test_words_of_an_unknown_method_are_a_bug():
    assert method_words("average").startswith("Number of frames")
    with pytest.raises(ValueError, match="no method 'guess'"):
        method_words("guess")
