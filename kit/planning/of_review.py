"""The plan of a review: its params and what its bench shows in, the plan of its runs out.

The order of runs is mixed so that drift falls on no product alone; with it goes the list of checks.
"""

from __future__ import annotations

import math
import random
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from kit.bench.runs import RunSheet, SheetText
from kit.errors import UsageError
from kit.margins.cells import MIN_SHARED
from kit.margins.replicates import SharedVariances, fit_variances, pair_key
from kit.metrics.run_metrics import RunMetrics
from kit.package import PACKAGE
from kit.planning.runs_needed import (
    BenchEvidence,
    CellSeen,
    PilotCheck,
    Plan,
    plan_runs,
    within_run_sd,
)
from kit.review.walk import Review, read_and_measure
from kit.rounding import Rounded, grouped, number
from kit.screening.screen import screen_runs
from kit.settings.bench_file import Bench
from kit.settings.metric import HEADLINE, RESULT
from kit.settings.params import LoadedParams, ReviewParams, load_params
from kit.stats.crossed_variance import CrossedFit
from kit.stats.power import Design, MarginDesign, SpreadUncertainty, borrowed_degrees
from kit.stats.suite_errors import DayPosterior

Key = tuple[str, str]  # (product, title)


@dataclass(frozen=True, slots=True)
class _ScheduledRun:
    """One run of the order: its place, its block, and which run of its cell it is."""

    place: int  # from 1
    block: int  # from 1
    product: str
    title: str
    number: int  # of this title on this product, from 1


def _order_runs(
    counts: Mapping[Key, int], *, seed: int, by_product: bool = False
) -> tuple[_ScheduledRun, ...]:
    """Return the order in which to make a number of runs.

    Parameters
    ----------
    counts : mapping of (product, title) to int
        Runs to make, such as `Plan.counts()`.
    seed : int
        Of the order.
    by_product : bool
        Keep the runs of one product together within a block, where going from one machine to
        another costs time.

    Returns
    -------
    tuple of _ScheduledRun

    Raises
    ------
    ValueError
        If a count is negative.

    Notes
    -----
    A randomised complete block design: each block holds every product in every title once, in
    random order, so that what drifts over hours (room, firmware, a battery) falls on all alike.
    Products with fewer runs than others have theirs spread over all blocks, not in the first ones.
    Within a block no product is run twice in a row wherever its counts allow; with `by_product` the
    order of products is random in each block, and of titles within each product.
    """
    if any(count < 0 for count in counts.values()):
        raise ValueError("counts must not be negative")
    draw = random.Random(seed)
    blocks: list[list[Key]] = [[] for _ in range(max(counts.values(), default=0))]
    for key in sorted(counts):
        for place in _spread(counts[key], len(blocks), draw):
            blocks[place].append(key)
    order: list[_ScheduledRun] = []
    made: dict[Key, int] = {}
    last = ""
    for block_number, block in enumerate(blocks, start=1):
        mixed = _grouped(block, draw) if by_product else _apart(block, last, draw)
        for product, title in mixed:
            made[product, title] = made.get((product, title), 0) + 1
            number_made = made[product, title]
            order.append(_ScheduledRun(len(order) + 1, block_number, product, title, number_made))
            last = product
    return tuple(order)


def _spread(count: int, blocks: int, draw: random.Random) -> list[int]:
    """Return `count` of `blocks` places, evenly spread from a random start."""
    if count == 0:
        return []
    start = draw.random()
    return [int((i + start) * blocks / count) for i in range(count)]


def _grouped(block: Sequence[Key], draw: random.Random) -> list[Key]:
    """Return a block with each product's titles together, both in random order."""
    products = sorted({product for product, _ in block})
    draw.shuffle(products)
    mixed = list(block)
    draw.shuffle(mixed)
    return sorted(mixed, key=lambda key: products.index(key[0]))


def _apart(block: Sequence[Key], last: str, draw: random.Random) -> list[Key]:
    """Return a block in random order, no product twice in a row where that can be."""
    left = grouped((key[0], key) for key in block)
    for keys in left.values():
        draw.shuffle(keys)
    order: list[Key] = []
    while left:
        total = sum(map(len, left.values()))
        # After this run, total - 1 are left. A product can be kept from following itself as long
        # as no other has more than half of them, rounded up, and itself no more than half.
        crowded = [p for p, keys in left.items() if p != last and 2 * len(keys) > total]
        allowed = crowded[:1] or [p for p in left if p != last] or list(left)
        # By what is left of each: every order of the block stays about as likely as any other.
        product = draw.choices(allowed, weights=[len(left[p]) for p in allowed])[0]
        order.append(left[product].pop())
        if not left[product]:
            del left[product]
        last = product
    return order


def _count_switches(order: Sequence[_ScheduledRun]) -> int:
    """Return how often the next run is on another product."""
    return sum(a.product != b.product for a, b in pairwise(order))


def _list_checks(bench: Bench, params: ReviewParams) -> tuple[str, ...]:
    """Return the check-list of a series of runs, a line each, to print.

    Parameters
    ----------
    bench : Bench
        Products, titles and the meaning of the controls.
    params : ReviewParams
        Which products and titles, and what must be alike.
    """
    titles = list(bench.titles) if params.titles == "all" else list(params.titles)
    waived = {
        (waiver.control, product): waiver.reason
        for waiver in params.waivers
        for product in waiver.products
    }
    lines = [f"Before runs for: {params.title}", "", "Alike on every machine"]
    for control in params.controls:
        meaning = bench.controls.get(control, "")
        lines.append(f"[ ] {control}" + (f": {meaning}" if meaning else ""))
        for product in params.products:
            entry = bench.products[product]
            value = entry.configuration.get(control, "not in bench.yaml: note it with each run")
            waiver = waived.get((control, product))
            end = f" (waived: {waiver})" if waiver else ""
            lines.append(f"    [ ] {entry.name}: {value}{end}")
    lines += ["", "Titles and settings"]
    for name in titles:
        title = bench.titles[name]
        settings = ", ".join(f"{k} {v}" for k, v in title.settings.items())
        length = f"{title.planned_s:g} s" if title.planned_s else "length not stated"
        lines.append(f"[ ] {title.name} ({length})" + (f": {settings}" if settings else ""))
    # Before the first run, with every run, and the cautions: alike for all, as they are printed.
    alike = (PACKAGE / "planning" / "checklist.txt").read_text(encoding="utf-8")
    return (*lines, "", *alike.splitlines())


Floats = NDArray[np.float64]


def _plan_review(
    params: ReviewParams,
    bench: Bench,
    *,
    titles: Sequence[str],
    variances: SharedVariances | None = None,
    have: Mapping[Key, int] | None = None,
    profiles: Mapping[Key, Sequence[Sequence[float]]] | None = None,
) -> Plan:
    """Return the plan of a review, from what its bench shows.

    Parameters
    ----------
    params : ReviewParams
        With its section `plan`.
    bench : Bench
        The bench.
    titles : sequence of str
        What is to be run.
    variances : SharedVariances, optional
        Of the metric planned for; without it every spread is the stated default.
    have : mapping of (product, title) to int, optional
        Runs there are that will be used.
    profiles : mapping of (product, title) to sequences of float, optional
        `RunDiagnostics.profile` of each run, for the best length of a run.

    Raises
    ------
    UsageError
        If the params have no section `plan`.
    """
    if params.plan is None:
        raise UsageError(
            "the params file has no section `plan`; add one with `margin` (a share: 0.03 where a "
            "lead of 3 % is to be resolved) and `seed`"
        )
    known = _Known(params, titles, variances or SharedVariances(None, None), have or {})
    cells, pairs, design = known.variances.cells, known.variances.pairs, known.design
    products = 1 + len(params.compared)
    made = sum(known.have.get((p, t), 0) for p in params.products for t in titles)
    runs = max(params.plan.min_runs, round(made / max(products * len(titles), 1)))
    borrowed = paired = 0.0
    if cells is not None and design != "welch":
        borrowed = _shared_degrees(cells, products=products, runs=runs)
    if pairs is not None and design == "paired_shared":
        paired = _paired_degrees(pairs)
    evidence = BenchEvidence(
        run_sd=known.variances.run_sd, have=known.have, borrowed_df=borrowed, paired_df=paired,
        within_sd=_within(profiles or {}), correlations=known.correlations(),
        common=known.common_sessions(), uncertainties=known.uncertainties(),
    )  # fmt: skip
    return plan_runs(
        {title: bench.titles[title] for title in titles}, params=params.plan,
        product=params.product, baselines=params.compared, confidence=params.margins.confidence,
        design=design, evidence=evidence,
        switches=lambda counts: _count_switches(_order(counts, params)),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Known:
    """What a bench tells of the product and each baseline in each title to be run."""

    params: ReviewParams
    titles: Sequence[str]
    variances: SharedVariances
    have: Mapping[Key, int]

    @property
    def pairs(self) -> dict[Key, tuple[CrossedFit, int]]:
        """By baseline and title, where both sides share two sessions or more: the fit of session
        differences, and the pair's place in it."""
        fit, product = self.variances.pairs, self.params.product
        if fit is None:
            return {}
        places = {
            (baseline, title): fit.keys.get(pair_key(title, product, baseline))
            for baseline in self.params.compared
            for title in self.titles
        }
        return {key: (fit, place) for key, place in places.items() if place is not None}

    @property
    def design(self) -> Design:
        """How margins will be computed, as `kit.margins.compare` chooses it from the design.

        Paired where the plan says so, and where the bench's runs share sessions: they will be.
        """
        method, products = self.params.margins.method, 1 + len(self.params.compared)
        paired = (self.params.plan is not None and self.params.plan.paired) or bool(self.pairs)
        if method == "paired" or (method == "auto" and paired):
            pairs = len(self.titles) * products * (products - 1) // 2
            return "paired_shared" if method == "auto" and pairs >= MIN_SHARED else "paired"
        if method == "shared" or (method == "auto" and products * len(self.titles) >= MIN_SHARED):
            return "shared"
        return "welch"

    def common_sessions(self) -> dict[Key, int]:
        """Return in how many sessions both were run, where two or more."""
        return {key: int(fit.df[place]) + 1 for key, (fit, place) in self.pairs.items()}

    def correlations(self) -> dict[Key, float]:
        """Return the correlation of both within sessions, where it shows.

        From the spreads of both and of their differences by session: s12^2 = s1^2 + s2^2 -
        2 r s1 s2.
        """
        found = {}
        for (baseline, title), (fit, place) in self.pairs.items():
            apart = math.exp(fit.mean_log_var(place) / 2)
            sides = (self.params.product, baseline)
            mine, other = (self.variances.run_sd(name, title) for name in sides)
            if mine and other:
                shared = (mine**2 + other**2 - apart**2) / (2 * mine * other)
                found[baseline, title] = min(0.95, max(-0.95, shared))
        return found

    def uncertainties(self) -> dict[Key, SpreadUncertainty]:
        """Return how uncertain the spreads of both are."""
        found, pairs, paired = {}, self.pairs, self.design.startswith("paired")
        plan, product, cells = self.params.plan, self.params.product, self.variances.cells
        for baseline in self.params.compared:
            # With a product that is gone nothing is paired, see `plan_runs`.
            gone = plan is None or {product, baseline} & set(plan.cannot_run)
            for title in self.titles:
                together = paired and (not gone or (baseline, title) in pairs)
                runs = (self.have.get((product, title), 0), self.have.get((baseline, title), 0))
                kept = ((min(runs), min(runs)) if together else runs) if self.have else None
                if together and (baseline, title) in pairs:
                    uncertain = _pair_uncertainty(*pairs[baseline, title])
                elif cells is not None:
                    uncertain = _spread_uncertainty(cells, title, product, baseline)
                else:
                    continue
                found[baseline, title] = replace(uncertain, kept=kept)
        return found


def _pair_uncertainty(fit: CrossedFit, place: int) -> SpreadUncertainty:
    """Return what is not known of the spread of session differences, as of both sides alike."""
    mean, spread = fit.moments(place)
    weight = fit.title_weight[place]
    whole = float((weight * (spread + (mean - (weight * mean).sum()) ** 2)).sum())
    return SpreadUncertainty(whole, whole, whole)


def _spread_uncertainty(fit: CrossedFit, title: str, product: str, other: str) -> SpreadUncertainty:
    """Return how uncertain the spreads of two products in a title are to a bench.

    Parameters
    ----------
    fit : CrossedFit
        Of the bench so far.
    title, product, other : str
        The title, and the products; `mine` of the result is the first.

    Returns
    -------
    SpreadUncertainty
        From the distributions of both ln variances. A product without runs in the title is as
        uncertain as products and cells differ, a title without runs as titles do besides.
    """
    places = [fit.keys.get((title, name)) for name in (product, other)]
    known = next((place for (name, _), place in fit.keys.items() if name == title), None)
    apart = fit.apart_var
    if known is None:
        level = fit.title_var
        return SpreadUncertainty(level + apart, level + apart, level)
    weight = fit.title_weight[known]
    means, spreads = [], []
    for place in places:
        if place is None:
            mean, spread = fit.title_log_var[known], np.full(weight.shape, apart)
        else:
            mean, spread = fit.moments(place)
        means.append(mean - (weight * mean).sum())
        spreads.append(spread)
    return SpreadUncertainty(
        mine=float((weight * (spreads[0] + means[0] ** 2)).sum()),
        other=float((weight * (spreads[1] + means[1] ** 2)).sum()),
        both=float((weight * means[0] * means[1]).sum()),
    )


def _shared_degrees(fit: CrossedFit, *, products: int, runs: int) -> float:
    """Return the degrees of freedom that the variance of each side of a margin borrows.

    Parameters
    ----------
    fit : CrossedFit
        Of the bench so far.
    products, runs : int
        Products that will share a title, and runs of each, 2 or more.

    Notes
    -----
    What the others say of ln error variance of a margin is as uncertain as the sum of three: how
    far cells of a title differ, halved, for a margin has two; what is not known of the title's own
    level, which is learnt from the products in it that the margin does not compare, each as far as
    its own runs tell; and what is not known of the level of all, learnt from every cell of the
    bench. The last two are the same for both sides and not halved. Half of the degrees of freedom
    of that sum go to either side.
    """
    noise = float(polygamma(1, (runs - 1) / 2))
    apart = fit.apart_var
    each = apart + noise
    title_var = 0.0
    if fit.title_var > 0:
        title_var = 1 / (1 / fit.title_var + max(products - 2, 0) / each)
    level_var = each / max(fit.cells_used, 1)
    return min(borrowed_degrees(apart / 2 + title_var + level_var) / 2, 1e6)


def _paired_degrees(fit: CrossedFit) -> float:
    """Return the degrees of freedom that the variance of session differences borrows.

    Those that what is known of a pair's ln variance has, as a sample variance would, less its own;
    the mean over all pairs of the bench.
    """
    found = [
        borrowed_degrees(_pair_uncertainty(fit, place).mine) - float(fit.df[place])
        for place in fit.keys.values()
        if fit.df[place] > 0
    ]
    return min(max(statistics.fmean(found), 0.0), 1e6) if found else 0.0


def _within(
    profiles: Mapping[Key, Sequence[Sequence[float]]],
) -> dict[Key, float]:
    """Return the spread inside runs of each cell whose runs can be laid side by side."""
    found = {}
    for key, runs in profiles.items():
        length = min((len(run) for run in runs), default=0)
        table: Floats = np.array([run[:length] for run in runs], dtype=np.float64)
        part = within_run_sd(table) if length else None
        if part is not None:
            found[key] = part
    return found


# Shared variances of the averages, runs and spread of each cell, profiles of its runs.
Shown = tuple[SharedVariances | None, dict[Key, CellSeen], dict[Key, list[Any]]]
_MORE_DAYS = 2
_NO_DAYS = (
    "what a day does to a product in all titles cannot be told from the runs there are: the first "
    "to add are runs of every product in every title on another day, named as its session"
)


@dataclass(frozen=True, slots=True)
class _DaysOrRuns:
    """Standard errors of ln(suite margin), of runs on more days and of as many in those there are.

    From the `titles` whose runs of the product and a rival share the same `sessions`, and all
    products complete in them that can be run.
    """

    sessions: int
    titles: int
    more: int  # sessions, or runs of each product in each title
    error_now: float
    error_days: float
    error_runs: float

    @classmethod
    def of_runs(cls, used: Sequence[RunMetrics], params: ReviewParams) -> _DaysOrRuns | None:
        """Return what runs of the averages tell; None where they do not tell days from runs."""
        gone = params.plan.cannot_run if params.plan is not None else ()
        products = [p for p in (params.product, *params.compared) if p not in gone]
        logs: dict[str, dict[str, dict[str, list[float]]]] = {}  # title, product, session
        for run in used:
            if HEADLINE in run.values and run.session and run.product in products:
                cell = logs.setdefault(run.title, {}).setdefault(run.product, {})
                cell.setdefault(run.session, []).append(math.log(run.values[HEADLINE]))
        alike: dict[frozenset[str], dict[str, None]] = {}
        for title, cells in logs.items():
            for rival in products[1:]:
                shared = set(cells.get(products[0], {})) & set(cells.get(rival, {}))
                if len(shared) > 1:
                    alike.setdefault(frozenset(shared), {})[title] = None
        if not alike:
            return None
        names, titles = max(alike.items(), key=lambda item: (len(item[1]), len(item[0])))
        whole = [p for p in products if all(names <= set(logs[t].get(p, {})) for t in titles)]
        table = [
            [[statistics.fmean(logs[t][p][s]) for s in sorted(names)] for p in whole]
            for t in titles
        ]
        day = DayPosterior.fit(np.array(table), np.full(len(titles), 1 / len(titles)))
        if day is None:
            return None
        return cls(len(names), len(titles), _MORE_DAYS, *day.suite_errors(_MORE_DAYS))


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with the order of its runs, its check-list, and what a pilot showed."""

    review: str
    bench: Bench
    plan: Plan
    order: tuple[_ScheduledRun, ...]
    checks: tuple[str, ...]
    pilot: PilotCheck | None
    days: _DaysOrRuns | None
    looks: tuple[float, ...] = ()  # shares of the runs
    levels: tuple[float, ...] = ()  # what the intervals of each look leave out

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain data."""
        return {
            "ok": True,
            "review": self.review,
            "plan": {**asdict(self.plan), "left_out": dict(self.plan.left_out)},
            "registered": self._whole_counts(),
            "looks": [
                {"share": s, "level": a} for s, a in zip(self.looks, self.levels, strict=True)
            ],
            "order": [asdict(run) for run in self.order],
            "checks": list(self.checks),
            "pilot": None if self.pilot is None else asdict(self.pilot),
            "days": None if self.days is None else asdict(self.days),
        }

    def _whole_counts(self) -> dict[str, dict[str, int]]:
        """Return the runs there are and to make, by product and title: for `plan.registered`."""
        found: dict[str, dict[str, int]] = {}
        for cell in self.plan.cells:
            found.setdefault(cell.product, {})[cell.title] = cell.have + cell.to_run
        return found

    def to_sheet(self) -> SheetText:
        """Return the run sheet to tick off: a row a run in the order planned.

        Its column `file` says what to call each log, whatever its ending: `add --index` then finds
        the row of each.
        """
        header = ("done", "position", "session", "product", "title", "file", "note")
        rows = [
            (
                i,
                ("", str(run.place), f"block-{run.block}", run.product, run.title,
                 f"{run.product}_{run.title}_{run.number}".replace(".", "-"), ""),
            )
            for i, run in enumerate(self.order, start=2)
        ]  # fmt: skip
        return SheetText(f"{self.review} to run", header, tuple(rows))

    def to_lines(self, *, order: bool = False, checklist: bool = False) -> list[str]:
        """Return the plan as lines; with `order` or `checklist` those alone."""
        lines: list[str] = []
        if order:
            lines += [
                f"{i:4d}  block {run.block}  {run.product}  {run.title}  run {run.number}"
                for i, run in enumerate(self.order, 1)
            ]
        if checklist:
            lines += self.checks
        return lines or self._summary()

    def _summary(self) -> list[str]:
        plan = self.plan
        asked = Rounded.ratio(plan.ratio).text
        lines = [
            f"{self.review}: to resolve a margin of {asked} with power "
            f"{number(plan.power, decimals=2)} at confidence {number(plan.confidence, decimals=3)}",
            f"  {sum(cell.to_run for cell in plan.cells)} runs to make, "
            f"{number(plan.minutes, decimals=0)} minutes of bench time",
        ]
        for title in plan.titles:
            cells = [cell for cell in plan.cells if cell.title == title]
            counts = ", ".join(f"{cell.product} {cell.to_run}" for cell in cells)
            lines.append(f"  {title}: {counts}")
        short = [m for m in plan.margins if not m.resolved]
        for margin in short:
            lines.append(
                f"  {margin.title} against {margin.baseline} stays unresolved below "
                f"{Rounded.ratio(margin.smallest_ratio).text}"
            )
        if self.looks:
            each = ", ".join(
                f"{number(100 * share, decimals=0)} %: {number(100 * level, decimals=3)} %"
                for share, level in zip(self.looks, self.levels, strict=True)
            )
            lines.append(
                f"  results may be looked at, and runs end, after a share of the runs if params "
                f"register it beforehand; what intervals then leave out: {each}"
            )
        if plan.next_runs:
            best = Counter(run.title for run in plan.next_runs)
            lines.append(
                "  the budget is best spent on: "
                + ", ".join(f"{title} ({count})" for title, count in best.most_common())
            )
        lines += [f"  {title} is not planned: {why}" for title, why in plan.left_out.items()]
        lines += [f"  note: {note}" for note in plan.notes]
        if (days := self.days) is not None:
            now, by_days, by_runs = (
                f"{100 * error:.2g} %"
                for error in (days.error_now, days.error_days, days.error_runs)
            )
            lines.append(
                f"  the standard error of a suite margin is {now}; with a run of each product in "
                f"each title on {days.more} more days {by_days}, with as many runs more in the "
                f"days there are {by_runs} at best"
            )
        elif self.pilot is not None:
            lines.append(f"  {_NO_DAYS}")
        if self.pilot is not None:
            lines.append(
                f"  so far: planned precision reached in {self.pilot.reached} margins, missed in "
                f"{self.pilot.missed}, too few runs to say in {self.pilot.too_few}"
            )
            lines.append(f"  {self.pilot.rule}")
        return lines


def plan_from_params(path: Path, *, looks: int = 0) -> Planned:
    """Return the plan of a review from its params file and what its bench shows already.

    Parameters
    ----------
    path : Path
        The params file.
    looks : int
        How often results are looked at, after equal shares of the runs; 0 as params register.

    Raises
    ------
    KitError
        With every fault of params or bench; `UsageError` where params have no section `plan`.
    """
    loaded = load_params(path)
    params, bench = loaded.params, loaded.bench
    titles = planned_titles(params, bench)
    rows = RunSheet(bench).select(params.products, titles)
    diagnostics, metrics = read_and_measure(rows, loaded)
    screened = screen_runs(rows, diagnostics, bench, params)
    used = [m for run, m in metrics.items() if run not in screened.set_aside]
    shown = _shown(used, {run: found.profile for run, found in diagnostics.items()}, bench)
    shares = tuple((i + 1) / looks for i in range(looks))
    return _planned(loaded, titles, shown, _DaysOrRuns.of_runs(used, params), looks=shares)


@lru_cache(maxsize=1)
def plan_of_review(review: Review) -> Planned:
    """Return the plan of a review already read; the last one is kept.

    Raises
    ------
    UsageError
        If its params have no section `plan`.
    """
    profiles = {run: diagnostics.profile for run, diagnostics in review.diagnostics.items()}
    shown = _shown(review.used, profiles, review.bench)
    titles = planned_titles(review.params, review.bench)
    loaded = review.loaded
    if review.look is not None:
        loaded = loaded.with_confidence(1 - review.look.alpha)
    return _planned(loaded, titles, shown, _DaysOrRuns.of_runs(review.used, review.params))


def _planned(
    loaded: LoadedParams,
    titles: Sequence[str],
    shown: Shown,
    days: _DaysOrRuns | None,
    *,
    looks: tuple[float, ...] = (),
) -> Planned:
    """Return the plan from what the bench shows, at the level of its last look."""
    registered = loaded.params.plan.registered if loaded.params.plan is not None else None
    levels: tuple[float, ...] = ()
    if looks := looks or (registered.looks if registered is not None else ()):
        alpha = 1 - loaded.params.margins.confidence
        spending = registered.spending if registered is not None else "obrien_fleming"
        levels = MarginDesign.look_levels(looks, alpha=alpha, spending=spending)
        loaded = loaded.with_confidence(1 - levels[-1])
    params, bench = loaded.params, loaded.bench
    variances, seen, profiles = shown
    plan = _plan_review(
        params, bench, titles=titles, variances=variances,
        have={key: cell.runs for key, cell in seen.items()}, profiles=profiles,
    )  # fmt: skip
    return Planned(
        review=params.review, bench=bench, plan=plan, order=_order(plan.counts(), params),
        checks=_list_checks(bench, params),
        pilot=plan.check_pilot(seen) if any(cell.runs > 1 for cell in seen.values()) else None,
        days=days, looks=looks, levels=levels,
    )  # fmt: skip


def _order(counts: Mapping[Key, int], params: ReviewParams) -> tuple[_ScheduledRun, ...]:
    if params.plan is None:
        return ()
    return _order_runs(counts, seed=params.plan.seed, by_product=params.plan.by_product)


def planned_titles(params: ReviewParams, bench: Bench) -> tuple[str, ...]:
    """Return the titles to plan for: those params name, or every title of the bench."""
    return tuple(bench.titles) if params.titles == "all" else params.titles


def _shown(used: Sequence[RunMetrics], profile_of: Mapping[str, Any], bench: Bench) -> Shown:
    """Return what the runs used show."""
    if not used:
        return None, {}, {}
    variances = fit_variances(used, metric=HEADLINE, titles=bench.titles)
    figures = ((m, m.values.get(HEADLINE, m.values.get(RESULT, 0.0))) for m in used)
    logs = grouped(
        ((m.product, m.title), math.log(figure))
        for m, figure in figures
        if figure > 0 and bench.titles[m.title].measures != "noise"
    )
    seen = {
        key: CellSeen(runs=len(found), run_sd=statistics.stdev(found) if len(found) > 1 else None)
        for key, found in logs.items()
    }
    profiles = grouped(((m.product, m.title), profile_of[m.run]) for m in used)
    return variances, seen, profiles
