"""How many runs resolve a margin of a given size, how long they take, and what a pilot shows.

Also where bench time is best spent: which run to make next, and which titles gain most.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, stdtrit

from kit.settings.bench_file import Title
from kit.settings.params import PlanParams
from kit.stats.power import KNOWN, Design, MarginDesign, SpreadUncertainty, best_length_s


@dataclass(frozen=True, slots=True)
class _CellTime:
    """One product in one title: its spread from run to run, its runs so far, what a run costs."""

    product: str
    title: str
    run_sd: float  # of ln values
    runs: int
    minutes_per_run: float
    can_run: bool = True  # False: its runs so far are all there are


@dataclass(frozen=True, slots=True)
class _NextRun:
    """One run to make next. `minutes` counts from the first; `suite_se` is what is left then.

    `suite_se` is the standard error of ln suite margin, root mean square over the baselines; None
    while a title is not yet run on every product.
    """

    place: int
    product: str
    title: str
    runs_after: int
    minutes: float
    suite_se: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class _TitleGain:
    """What one more run of a title on every product would bring.

    `variance_share` is the title's share of the suite's variance so far, `gain_share` the part of
    the suite's variance that one more run on each product takes away; both among the titles that
    have runs on every product, None for a title that a product lacks. `to_run` and `minutes` are
    what the plan still asks of the title; `fits`: whether that is within the budget, titles that
    ask least coming first.
    """

    title: str
    variance_share: float | None
    gain_share: float | None
    gain_minutes: float
    to_run: int
    minutes: float
    fits: bool | None


def _find_next_runs(
    cells: Sequence[_CellTime], *, product: str, budget_minutes: float, min_runs: int
) -> tuple[_NextRun, ...]:
    """Return the runs that a budget of bench time is best spent on, in order.

    Parameters
    ----------
    cells : sequence of CellTime
        Every product in every title.
    product : str
        The reviewed product, which is part of every margin.
    budget_minutes : float
        Time there is.
    min_runs : int
        At least 1. Cells with fewer runs come first, whatever their spread, title by title.

    Returns
    -------
    tuple of _NextRun

    Notes
    -----
    Each run is the one that takes most from the mean variance of the suite margins per minute,
    among those that still fit. The variance of ln suite margin is the sum over titles of
    run_sd^2 / runs on both sides, over the squared number of titles: a run of the reviewed product
    helps every margin, a rival's only its own. One run at a time is the best order for a sum of
    terms that each fall ever more slowly, where runs cost alike.
    """
    now = list(cells)
    shares = _shares(cells, product)
    steps: list[_NextRun] = []
    spent = 0.0
    while True:
        left = budget_minutes * (1 + 1e-12) - spent
        fitting = [i for i, c in enumerate(now) if c.can_run and c.minutes_per_run <= left]
        short = [i for i in fitting if now[i].runs < min_runs]
        if short:
            best = _least_complete(now, short, min_runs)
            reason = f"fewer than {min_runs} runs"
        else:
            best = max(
                fitting,
                key=lambda i: (_fall(now[i], shares[i]) / now[i].minutes_per_run, -i),
                default=-1,
            )
            reason = "takes most from the suite's variance per minute"
        if best < 0 or (not short and _fall(now[best], shares[best]) <= 0):
            return tuple(steps)
        chosen = replace(now[best], runs=now[best].runs + 1)
        now[best] = chosen
        spent += chosen.minutes_per_run
        variance = _suite_variance(now, product=product)
        steps.append(
            _NextRun(
                place=len(steps) + 1,
                product=chosen.product,
                title=chosen.title,
                runs_after=chosen.runs,
                minutes=spent,
                suite_se=None if variance is None else math.sqrt(variance),
                reason=reason,
            )
        )


def _least_complete(cells: Sequence[_CellTime], short: Sequence[int], min_runs: int) -> int:
    """Return the next cell to bring to `min_runs`: a title at a time, the quickest to finish first.

    A title that one product lacks tells nothing, so a title begun is finished.
    """
    missing: dict[str, float] = {}
    for cell in cells:
        minutes = max(0, min_runs - cell.runs) * cell.minutes_per_run
        missing[cell.title] = missing.get(cell.title, 0.0) + minutes * cell.can_run
    return min(short, key=lambda i: (missing[cells[i].title], cells[i].title, cells[i].runs, i))


def _suite_variance(cells: Sequence[_CellTime], *, product: str) -> float | None:
    """Return the variance of ln suite margin, mean over the baselines; None with an empty cell."""
    if any(cell.runs == 0 for cell in cells):
        return None
    shares = _shares(cells, product)
    return math.fsum(w * c.run_sd**2 / c.runs for w, c in zip(shares, cells, strict=True))


def _shares(cells: Sequence[_CellTime], product: str) -> list[float]:
    """Return what each cell's variance counts in the mean variance of the suite margins."""
    titles = len({cell.title for cell in cells})
    baselines = max(1, len({cell.product for cell in cells} - {product}))
    return [(1.0 if c.product == product else 1.0 / baselines) / titles**2 for c in cells]


def _fall(cell: _CellTime, share: float) -> float:
    """Return how far the mean variance falls by one more run of a cell that has runs."""
    return share * cell.run_sd**2 / (cell.runs * (cell.runs + 1))


def _rank_titles(
    cells: Sequence[_CellTime],
    *,
    product: str,
    planned: Sequence[int],
    budget_minutes: float | None,
) -> tuple[_TitleGain, ...]:
    """Return the titles, those first that gain most from another run on every product.

    Parameters
    ----------
    cells : sequence of CellTime
        Every product in every title.
    product : str
        The reviewed product.
    planned : sequence of int
        Runs the plan asks of each cell, in the same order.
    budget_minutes : float or None
        Time there is; without it nothing is said of what fits.
    """
    empty = {cell.title for cell in cells if cell.runs == 0}
    complete = [cell for cell in cells if cell.title not in empty]
    whole = _suite_variance(complete, product=product) if complete else None
    shares = dict(zip(complete, _shares(complete, product), strict=True))
    rows: list[_TitleGain] = []
    for title in dict.fromkeys(cell.title for cell in cells):
        mine = [(i, cell) for i, cell in enumerate(cells) if cell.title == title]
        share = gain = None
        if title not in empty and whole:
            share = math.fsum(shares[c] * c.run_sd**2 / c.runs for _, c in mine) / whole
            gain = math.fsum(_fall(c, shares[c]) for _, c in mine if c.can_run) / whole
        missing = [(max(0, planned[i] - c.runs), c.minutes_per_run) for i, c in mine if c.can_run]
        made = _TitleGain(
            title=title, variance_share=share, gain_share=gain,
            gain_minutes=math.fsum(minutes for _, minutes in missing),
            to_run=sum(count for count, _ in missing),
            minutes=math.fsum(count * minutes for count, minutes in missing), fits=None,
        )  # fmt: skip
        rows.append(made)
    if budget_minutes is not None:
        spent = 0.0
        for row in sorted(rows, key=lambda row: row.minutes):
            fits = spent + row.minutes <= budget_minutes * (1 + 1e-12)
            spent += row.minutes
            rows[rows.index(row)] = replace(row, fits=fits)

    def per_minute(row: _TitleGain) -> float:
        # A title that a product lacks altogether comes first: it has no margin at all.
        if row.gain_share is None:
            return math.inf
        return row.gain_share / max(row.gain_minutes, 1e-9)

    return tuple(sorted(rows, key=per_minute, reverse=True))


def within_run_sd(profiles: NDArray[np.float64]) -> float | None:
    """Return the part of the spread between runs that comes from their being short.

    Parameters
    ----------
    profiles : ndarray of float, shape (n_runs, n_stretches)
        Mean frame time in stretches of equal time, of runs of one product in one title, > 0.

    Returns
    -------
    float or None
        Standard error of one run's ln average from what varies inside runs; None with fewer than 2
        runs or 4 stretches.

    Notes
    -----
    The scene is the same in every run, so what differs from stretch to stretch in all runs alike is
    no error: it is taken out, with each run's own level, and what remains is averaged over the
    run. Neighbouring stretches that move together count for less, by (1 + r) / (1 - r) with r their
    lag-1 correlation, where that is positive.
    """
    if profiles.ndim != 2 or profiles.shape[0] < 2 or profiles.shape[1] < 4:
        return None
    logs = np.log(profiles)
    runs, stretches = logs.shape
    rest = logs - logs.mean(axis=0) - logs.mean(axis=1, keepdims=True) + logs.mean()
    squares = float((rest**2).sum())
    if squares <= 1e-24 * logs.size:
        return 0.0
    variance = squares / ((runs - 1) * (stretches - 1))
    lag1 = float((rest[:, 1:] * rest[:, :-1]).sum()) / squares
    # Taking out the mean of a run pulls its lag-1 correlation down by about (1 + 3 r) / stretches
    # (F. H. C. Marriott and J. A. Pope 1954, Biometrika 41, 390-402; from memory).
    lag1 = (lag1 + 1 / stretches) / (1 - 3 / stretches)
    lag1 = min(0.95, max(0.0, lag1))
    return math.sqrt(variance / stretches * (1 + lag1) / (1 - lag1))


Key = tuple[str, str]  # (product, title)
# Standard deviation of ln values from run to run; None where not known.
RunSd = Callable[[str, str], float | None] | Mapping[Key, float]

STOPPING_RULE = (
    "Counts are fixed before the first run, or worked out once more from the spread of a pilot "
    "alone. Looking at a margin and adding runs until it turns out is not allowed: it makes leads "
    "out of nothing. Whoever runs more than planned reports all runs and says so."
)

PILOT_RULE = (
    f"{STOPPING_RULE} Where a count is worked out anew, the pilot's own runs are best left out of "
    "the figures: kept, they make intervals a little too narrow."
)

# How sure the cautious count is that the spread is not larger than it reckons with.
PILOT_CAUTION = 0.8


@dataclass(frozen=True, slots=True)
class _PlannedCell:
    """One product in one title: runs planned, runs there are, and the time the rest takes.

    `run_sd` is the spread reckoned with and `sd_from` where it comes from, "bench" or "default".
    `best_run_s` is the length of a run that would give the average most precision for the time;
    None where the bench does not tell. Lows rest on few frames and want the planned length anyway.
    A cell that cannot be run has the runs there are.
    """

    product: str
    title: str
    run_sd: float
    sd_from: str
    runs: int
    have: int
    to_run: int
    run_s: float
    minutes: float
    best_run_s: float | None = None
    can_run: bool = True


@dataclass(frozen=True, slots=True)
class _PlannedMargin:
    """One margin of the plan.

    `runs_needed` is on each side, None where no reasonable number would do; `power` is what the
    planned runs give for a true margin of the plan's size, `smallest_ratio` the margin they resolve
    with the plan's power, `smallest_now` the same with the runs there are (None with too few).
    """

    product: str
    baseline: str
    title: str
    runs_needed: int | None
    power: float
    resolved: bool  # whether the planned runs reach the plan's power
    smallest_ratio: float
    smallest_now: float | None
    correlation: float = 0.0  # of both sides within a session, where paired


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked of every margin of a plan."""

    ratio: float
    power: float
    confidence: float
    design: Design
    borrowed_df: float
    paired_df: float = 0.0

    def design_of(
        self,
        sds: tuple[float, float],
        *,
        both_run: bool,
        correlation: float,
        uncertainty: SpreadUncertainty = KNOWN,
    ) -> MarginDesign:
        """Return how a margin will be computed: by session where both are run in new ones."""
        apart = self.design.startswith("paired") and not both_run
        return MarginDesign(
            run_sd=sds[0],
            other_sd=sds[1],
            confidence=self.confidence,
            design="shared" if apart else self.design,
            borrowed_df=self.paired_df
            if self.design == "paired_shared" and not apart
            else self.borrowed_df,
            correlation=correlation,
            uncertainty=uncertainty,
        )

    def runs(
        self,
        sds: tuple[float, float],
        fixed: tuple[int | None, int | None],
        correlation: float,
        uncertainty: SpreadUncertainty = KNOWN,
    ) -> int | None:
        """Return the runs needed on the sides that can be run; `fixed` holds those that cannot."""
        if fixed[0] is not None and fixed[1] is not None:
            return None
        if fixed[0] is not None:
            sds, fixed, uncertainty = (sds[1], sds[0]), (None, fixed[0]), uncertainty.swapped()
        if fixed[1] is not None and fixed[1] < 2:
            return None
        design = self.design_of(
            sds, both_run=fixed[1] is None, correlation=correlation, uncertainty=uncertainty
        )
        return design.runs_needed(self.ratio, power=self.power, other_runs=fixed[1])

    def power_of(self, design: MarginDesign, runs: tuple[int, int]) -> float:
        """Return the power of a number of runs; 0 where a side has too few for an interval."""
        if min(runs) < 2:
            return 0.0
        first = min(runs) if design.by_session else runs[0]
        return design.power(self.ratio, runs=first, other_runs=runs[1])

    def smallest(self, design: MarginDesign, runs: tuple[int, int]) -> float:
        """Return the smallest margin that a number of runs resolves."""
        if min(runs) < 2:
            return math.inf
        first = min(runs) if design.by_session else runs[0]
        return design.smallest_ratio(first, power=self.power, other_runs=runs[1])


@dataclass(frozen=True, slots=True)
class _Pair:
    """A product and a baseline in a title: what is asked of their margin, and known of both.

    `fixed` are the runs there are of a side that cannot be run again, None of one that can;
    `common` the sessions that are all the margin will rest on, None where new ones will count. A
    margin is paired wherever both sides share two sessions or more, and runs of other sessions are
    left out of it: those with a product that is gone stay as many as they are.
    """

    asked: _Asked
    sds: tuple[float, float]
    fixed: tuple[int | None, int | None]
    common: int | None
    correlation: float
    uncertainty: SpreadUncertainty

    @classmethod
    def of(
        cls, asked: _Asked, known: BenchEvidence, params: PlanParams, names: tuple[str, str, str]
    ) -> _Pair:
        """Return what is known of a product, a baseline and a title."""
        product, *key = names
        baseline, title = key
        mine, other = (
            (
                known.known_sd(side, title) or params.default_run_sd,
                known.have.get((side, title), 0) if side in params.cannot_run else None,
            )
            for side in (product, baseline)
        )
        paired, gone = asked.design.startswith("paired"), (mine[1], other[1]) != (None, None)
        correlation = known.correlations.get((baseline, title), params.session_correlation)
        return cls(
            asked, (mine[0], other[0]), (mine[1], other[1]),
            known.common.get((baseline, title)) if paired and gone else None,
            correlation if paired else 0.0, known.uncertainties.get((baseline, title), KNOWN),
        )  # fmt: skip

    @property
    def design(self) -> MarginDesign:
        """How the margin will be computed."""
        both_run = self.common is not None or self.fixed == (None, None)
        return self.asked.design_of(
            self.sds, both_run=both_run, correlation=self.correlation, uncertainty=self.uncertainty
        )

    def needed(self) -> int | None:
        """Return the runs that resolve the margin, None where no reasonable number would do."""
        if self.common is None:
            return self.asked.runs(self.sds, self.fixed, self.correlation, self.uncertainty)
        power = self.asked.power_of(self.design, (self.common, self.common))
        return self.common if power >= self.asked.power else None

    def margin(self, mine: _PlannedCell, other: _PlannedCell, needed: int | None) -> _PlannedMargin:
        """Return what the runs planned of two cells will be able to show."""
        asked, design = self.asked, self.design
        now = (mine.have, other.have)
        runs = (max(mine.runs, mine.have), max(other.runs, other.have))
        if self.common is not None:
            runs = now = (self.common, self.common)
        power = asked.power_of(design, runs)
        return _PlannedMargin(
            product=mine.product, baseline=other.product, title=mine.title, runs_needed=needed,
            power=power, resolved=power >= asked.power, smallest_ratio=asked.smallest(design, runs),
            smallest_now=asked.smallest(design, now) if min(now) >= 2 else None,
            correlation=self.correlation,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class BenchEvidence:
    """What a bench tells a plan; by default nothing.

    Attributes
    ----------
    run_sd : callable or mapping of (product, title), optional
        Spread from run to run, of ln values. Where it tells nothing, `PlanParams.default_run_sd`.
    have : mapping of (product, title) to int
        Runs there are that will be used.
    borrowed_df, paired_df : float
        Of the variance of a cell, and of the differences of two by session: see
        `kit.stats.power.MarginDesign`.
    within_sd : mapping of (product, title) to float
        The part of the spread that comes from runs being short, see `within_run_sd`.
    correlations : mapping of (baseline, title) to float
        Where paired: of the product's and the baseline's ln values within a session. Where it tells
        nothing, `PlanParams.session_correlation`.
    common : mapping of (baseline, title) to int
        Sessions in which both were run, two or more: the margin will be paired, and where one side
        cannot be run again it rests on these.
    uncertainties : mapping of (baseline, title) to SpreadUncertainty
        How uncertain the spreads of the product (`mine`) and the baseline are. Where it tells
        nothing they are taken as known, as the stated default always is.
    """

    run_sd: RunSd | None = None
    have: Mapping[Key, int] = field(default_factory=dict)
    borrowed_df: float = 0.0
    paired_df: float = 0.0
    within_sd: Mapping[Key, float] = field(default_factory=dict)
    correlations: Mapping[Key, float] = field(default_factory=dict)
    common: Mapping[Key, int] = field(default_factory=dict)
    uncertainties: Mapping[Key, SpreadUncertainty] = field(default_factory=dict)

    def known_sd(self, product: str, title: str) -> float | None:
        """Return a cell's spread, None where it is not known."""
        if self.run_sd is None:
            return None
        if callable(self.run_sd):
            found = self.run_sd(product, title)
        else:
            found = self.run_sd.get((product, title))
        return found if found is not None and math.isfinite(found) and found > 0 else None


@dataclass(frozen=True, slots=True)
class Plan:
    """A series of runs, and what it will be able to show."""

    product: str
    baselines: tuple[str, ...]
    titles: tuple[str, ...]
    ratio: float  # the margin to be resolved, > 1
    power: float
    confidence: float  # of each margin's interval, after sharing the error where asked
    design: Design
    borrowed_df: float
    paired_df: float
    cells: tuple[_PlannedCell, ...]
    margins: tuple[_PlannedMargin, ...]
    minutes: float  # of all runs still to be made, going from product to product among them
    title_gains: tuple[_TitleGain, ...]
    next_runs: tuple[_NextRun, ...]  # where a budget is stated
    left_out: Mapping[str, str]  # title -> why nothing is planned for it
    notes: tuple[str, ...]

    @property
    def asked(self) -> _Asked:
        """What is asked of every margin."""
        return _Asked(
            self.ratio, self.power, self.confidence, self.design, self.borrowed_df, self.paired_df
        )

    def counts(self) -> dict[tuple[str, str], int]:
        """Return the runs still to be made, by (product, title)."""
        return {(c.product, c.title): c.to_run for c in self.cells if c.to_run}

    def check_pilot(self, seen: Mapping[tuple[str, str], CellSeen]) -> PilotCheck:
        """Return whether a pilot reached the precision planned, margin by margin.

        Parameters
        ----------
        seen : mapping of (product, title) to CellSeen
            What was run. No average and no margin is asked for: what may follow depends on the
            spread alone.

        Returns
        -------
        PilotCheck

        Notes
        -----
        Working out the count once more from the spread of a pilot is an internal pilot study [1]_.
        Where the pilot's own runs stay among the figures, intervals are a little too narrow:
        simulated for this kit, a t interval at 0.95 held 0.925 to 0.94 of the time after a pilot of
        three runs, 0.935 to 0.95 after five. Working out the count from the margin is not lawful at
        all.

        References
        ----------
        .. [1] J. Wittes and E. Brittain (1990), "The role of internal pilot studies in increasing
               the efficiency of clinical trials", Statistics in Medicine 9, 65-72 (cited from
               memory).
        """
        cells = {(c.product, c.title): c for c in self.cells}
        checks = tuple(
            _check(self, m, (cells[m.product, m.title], cells[m.baseline, m.title]), seen)
            for m in self.margins
        )
        return PilotCheck(
            margins=checks,
            reached=sum(check.reached is True for check in checks),
            missed=sum(check.reached is False for check in checks),
            too_few=sum(check.reached is None for check in checks),
        )


def plan_runs(
    titles: Mapping[str, Title],
    *,
    params: PlanParams,
    product: str,
    baselines: Sequence[str],
    confidence: float,
    design: Design = "shared",
    evidence: BenchEvidence | None = None,
    switches: Callable[[Mapping[Key, int]], int] = lambda counts: 0,
) -> Plan:
    """Return the runs that resolve a margin of the size asked for, title by title.

    Parameters
    ----------
    titles : mapping of str to Title
        What is to be run.
    params : PlanParams
        Margin, power, times, limits.
    product, baselines : str, sequence of str
        The reviewed product, and what it is set against.
    confidence : float
        Of the margins' intervals.
    design : {"shared", "welch", "paired", "paired_shared"}
        How the margins will be computed.
    evidence : BenchEvidence, optional
        What the bench tells already.
    switches : callable
        Tells how often an order of such counts goes from product to product, each `switch_s`.

    Returns
    -------
    Plan

    Notes
    -----
    Both sides of a margin get the same number of runs; the reviewed product, part of every margin,
    gets the largest. Never fewer than `params.min_runs`, never more than `params.max_runs`: where
    that is too few, the margin says what it will be able to resolve instead. Against a product that
    cannot be run again the other side makes up for it, where `params.max_runs` are enough for that;
    nothing with it is paired. Titles measured in dB have no ratios and are left out.
    """
    known = evidence or BenchEvidence()
    left_out = _without_ratios(titles)
    names = [name for name in titles if name not in left_out]
    each = confidence
    if params.every_title and names:
        # The first step of Holm's procedure: what holds there holds for every title.
        each = 1 - (1 - confidence) / len(names)
    asked = _Asked(
        1 + params.margin, params.power, each, design, known.borrowed_df, known.paired_df
    )
    pairs = {
        (baseline, title): _Pair.of(asked, known, params, (product, baseline, title))
        for baseline in baselines
        for title in names
    }
    needed = {key: pair.needed() for key, pair in pairs.items()}
    gone = set(params.cannot_run)
    cells = [
        _plan_cell(
            (who, title),
            [
                _useful_runs(needed[b, title], bool(gone & {product, b}), params.max_runs)
                for b in baselines
                if who in (product, b)
            ],
            run_s=titles[title].planned_s or params.run_s,
            params=params,
            known=known,
        )
        for who in (product, *baselines)
        for title in names
    ]
    by_key = {(c.product, c.title): c for c in cells}
    margins = tuple(
        pair.margin(by_key[product, key[1]], by_key[key], needed[key])
        for key, pair in pairs.items()
    )
    minutes = _bench_minutes(cells, params, switches)
    gains, next_runs = _spend_time(cells, params, product)
    return Plan(
        product=product, baselines=tuple(baselines), titles=tuple(names), ratio=asked.ratio,
        power=params.power, confidence=each, design=design, borrowed_df=known.borrowed_df,
        paired_df=known.paired_df, cells=tuple(cells), margins=margins, minutes=minutes,
        title_gains=gains, next_runs=next_runs, left_out=left_out,
        notes=_notes(params, cells, margins, minutes, design, averaged=bool(known.uncertainties)),
    )  # fmt: skip


def _without_ratios(titles: Mapping[str, Title]) -> dict[str, str]:
    """Return the titles nothing is planned for, with the reason."""
    return {
        name: "measured as a level in dB, which has no ratios; nothing is planned for it"
        for name, title in titles.items()
        if title.measures == "noise"
    }


def _bench_minutes(
    cells: Sequence[_PlannedCell], params: PlanParams, switches: Callable[[Mapping[Key, int]], int]
) -> float:
    """Return the minutes of all runs to make, with those from one product to the next."""
    minutes = math.fsum(c.minutes for c in cells)
    if params.switch_s:
        counts = {(c.product, c.title): c.to_run for c in cells if c.to_run}
        minutes += switches(counts) * params.switch_s / 60
    return minutes


def _spend_time(
    cells: Sequence[_PlannedCell], params: PlanParams, product: str
) -> tuple[tuple[_TitleGain, ...], tuple[_NextRun, ...]]:
    """Return what each title gains, and the runs a budget is best spent on, where one is stated."""
    times = [
        _CellTime(c.product, c.title, c.run_sd, c.have, (params.setup_s + c.run_s) / 60, c.can_run)
        for c in cells
    ]
    budget = params.budget_minutes
    gains = _rank_titles(
        times, product=product, planned=[c.runs for c in cells], budget_minutes=budget
    )
    if budget is None:
        return gains, ()
    return gains, _find_next_runs(
        times, product=product, budget_minutes=budget, min_runs=params.min_runs
    )


def _useful_runs(needed: int | None, one_sided: bool, most: int) -> int:
    """Return the runs to make for a margin, no more than `most`."""
    if needed is not None and needed <= most:
        return needed
    # Against runs that cannot be added to, more of one's own soon bring nothing.
    return 0 if one_sided else most


def _plan_cell(
    key: Key, counts: Sequence[int], *, run_s: float, params: PlanParams, known: BenchEvidence
) -> _PlannedCell:
    """Return one product in one title, with the runs its margins need."""
    run_sd, within_sd, have = known.known_sd(*key), known.within_sd.get(key), known.have.get(key, 0)
    can_run = key[0] not in params.cannot_run
    runs = max([params.min_runs, *counts]) if can_run else have
    to_run = max(0, runs - have)
    best = None
    if within_sd is not None and run_sd is not None:
        best = best_length_s(
            run_s=run_s, setup_s=params.setup_s, run_sd=run_sd, within_sd=within_sd
        )
    return _PlannedCell(
        product=key[0], title=key[1], run_sd=run_sd or params.default_run_sd,
        sd_from="default" if run_sd is None else "bench", runs=runs, have=have, to_run=to_run,
        run_s=run_s, minutes=to_run * (params.setup_s + run_s) / 60, best_run_s=best,
        can_run=can_run,
    )  # fmt: skip


def _notes(
    params: PlanParams,
    cells: Sequence[_PlannedCell],
    margins: Sequence[_PlannedMargin],
    minutes: float,
    design: Design,
    *,
    averaged: bool,
) -> tuple[str, ...]:
    """Return in words what the plan rests on and what it does not promise."""
    how = {
        "shared": "margins with a variance shared between cells, by exact t power",
        "welch": "Welch's interval, by its exact power",
        "paired": "margins paired by session, by exact t power",
        "paired_shared": "margins paired by session with a variance shared between pairs, by exact "
        "t power",
    }[design]
    notes = [
        f"Runs are worked out for {how}.",
        "The power holds for a true margin of the size asked for, and "
        + (
            "on average over what the bench leaves open of each spread; where runs spread more "
            "than reckoned here, less is resolved."
            if averaged
            else "for runs that spread as reckoned here; where they spread more, less is resolved."
        ),
    ]
    guessed = sum(cell.sd_from == "default" for cell in cells)
    if guessed:
        notes.append(
            f"{guessed} of {len(cells)} cells have no runs to tell their spread; they are reckoned "
            "with the stated default. Make a pilot and check it."
        )
    short = sum(not margin.resolved for margin in margins)
    if short:
        notes.append(
            f"{short} of {len(margins)} margins do not reach the power asked for with the most "
            "runs allowed; see the smallest margin each will resolve."
        )
    if any(not cell.can_run for cell in cells):
        notes.append(
            "Products that cannot be run again keep the runs there are; more runs of the others "
            "make up for it only so far."
        )
    if design.startswith("paired"):
        notes.append(
            "Counts are sessions with a run of each product: a run in a session that the other "
            "side was not run in counts in no paired margin, and two runs in one session narrow it "
            "less than a run in each of two."
        )
    if any(cell.best_run_s is not None for cell in cells):
        notes.append(
            "The best length of a run is the one that suits averages; lows rest on few frames and "
            "want runs no shorter than planned."
        )
    if params.every_title:
        notes.append("Each title is planned so that statements about every title hold together.")
    else:
        notes.append(
            "Each title is planned for itself: over many titles some will miss, and a statement "
            "about every title needs more runs, which params can ask for."
        )
    if params.budget_minutes is not None:
        fits = minutes <= params.budget_minutes
        notes.append(
            "The plan fits the bench time there is."
            if fits
            else "The plan asks more bench time than there is; the next runs are its best use."
        )
    return (*notes, STOPPING_RULE)


@dataclass(frozen=True, slots=True)
class CellSeen:
    """Runs made of one product in one title, and their spread (ln values, divisor runs - 1)."""

    runs: int
    run_sd: float | None = None  # None with fewer than 2 runs


@dataclass(frozen=True, slots=True)
class _PrecisionCheck:
    """One margin of a plan after a pilot.

    `planned_half_width` and `seen_half_width` are half the interval of ln ratio, planned and with
    the runs and the spread seen. `reached` compares them, and is None where there are too few runs
    to tell. `power_seen` is the power for the plan's margin at the spread and runs seen, and
    `runs_by_spread` the count that the spread seen asks for: the one lawful new count.
    `runs_cautious` asks the same of a spread that the true one lies below with confidence
    `PILOT_CAUTION`: spreads seen in few runs are often too small. Both are None without a count.
    """

    product: str
    baseline: str
    title: str
    planned_runs: int
    runs: int  # on the side that has fewer
    planned_half_width: float
    seen_half_width: float | None
    reached: bool | None
    power_seen: float | None
    runs_by_spread: int | None
    runs_cautious: int | None


@dataclass(frozen=True, slots=True)
class PilotCheck:
    """Every margin of a plan after a pilot, and the rule for what may follow."""

    margins: tuple[_PrecisionCheck, ...]
    reached: int
    missed: int
    too_few: int
    rule: str = PILOT_RULE


def _check(
    plan: Plan,
    margin: _PlannedMargin,
    pair: tuple[_PlannedCell, _PlannedCell],
    seen: Mapping[tuple[str, str], CellSeen],
) -> _PrecisionCheck:
    """Return one margin's check."""
    mine, other = pair
    found = [seen.get((cell.product, cell.title), CellSeen(0)) for cell in pair]
    runs = (found[0].runs, found[1].runs)
    planned = (max(mine.runs, mine.have), max(other.runs, other.have))
    sds = (found[0].run_sd, found[1].run_sd)
    asked, correlation, both_run = plan.asked, margin.correlation, mine.can_run and other.can_run
    half = power = by_spread = cautious = None
    if min(runs) >= 2 and sds[0] is not None and sds[1] is not None:
        as_seen = asked.design_of((sds[0], sds[1]), both_run=both_run, correlation=correlation)
        half = _half_width(as_seen, runs)
        power = asked.power_of(as_seen, runs)
        fixed = (None if mine.can_run else mine.have, None if other.can_run else other.have)
        by_spread = asked.runs((sds[0], sds[1]), fixed, correlation)
        upper = (_upper(sds[0], runs[0]), _upper(sds[1], runs[1]))
        cautious = asked.runs(upper, fixed, correlation)
    planned_half = math.inf
    if min(planned) >= 2:
        as_planned = asked.design_of(
            (mine.run_sd, other.run_sd), both_run=both_run, correlation=correlation
        )
        planned_half = _half_width(as_planned, planned)
    return _PrecisionCheck(
        product=mine.product, baseline=other.product, title=mine.title,
        planned_runs=min(planned), runs=min(runs), planned_half_width=planned_half,
        seen_half_width=half, reached=None if half is None else half <= planned_half,
        power_seen=power, runs_by_spread=by_spread, runs_cautious=cautious,
    )  # fmt: skip


def _half_width(design: MarginDesign, runs: tuple[int, int]) -> float:
    """Return half the interval of ln ratio for given spreads and runs."""
    middle, sds = (1 + design.confidence) / 2, design.sds
    if design.by_session:
        count = min(runs)
        variance = sds[0] ** 2 + sds[1] ** 2 - 2 * design.correlation * sds[0] * sds[1]
        df = count - 1 + (design.borrowed_df if design.design == "paired_shared" else 0.0)
        return float(stdtrit(df, middle)) * math.sqrt(variance / count)
    parts = [sd**2 / n for sd, n in zip(sds, runs, strict=True)]
    if not sum(parts) > 0:
        return 0.0
    borrowed = design.borrowed_df if design.design == "shared" else 0.0
    df = sum(parts) ** 2 / sum(
        part**2 / (n - 1 + borrowed) for part, n in zip(parts, runs, strict=True)
    )
    return float(stdtrit(df, middle)) * math.sqrt(sum(parts))


def _upper(run_sd: float, runs: int) -> float:
    """Return the spread that the true one lies below with confidence `PILOT_CAUTION`."""
    # chdtri takes the upper tail: the chi-square that a share PILOT_CAUTION of samples exceeds.
    return run_sd * math.sqrt((runs - 1) / float(chdtri(runs - 1, PILOT_CAUTION)))
