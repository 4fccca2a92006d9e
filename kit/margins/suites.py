"""Many titles to one figure: the suite margin, its two intervals, and what titles do to it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cache, partial
from itertools import chain

import numpy as np

from kit.margins.cells import (
    BY_FIGURES,
    JUDGED,
    OUTCOMES,
    Cell,
    Outcome,
    RatioEstimate,
    outcome_of,
    side_of,
)
from kit.margins.compare import Margin
from kit.margins.replicates import to_log
from kit.settings.bench_file import Title
from kit.settings.metric import METRICS
from kit.settings.params import MarginParams, SuiteParams
from kit.stats.intervals import LEVEL_ALPHA, Floats, bounded, sign_test, spread_over_titles, t_ends
from kit.stats.suite_errors import DayPosterior, ErrorSum, suite_care
from kit.trace import Trace

# Figures that are no speed: in a suite only where the suite names them.
NOT_SPEED = frozenset({"power", "noise", "battery_life"})

# What these marks say of one title does not hold of a suite.
_TITLES_OWN = frozenset(
    {"no_interval", "unlike_neighbours", "resolved_by_sharing", "two_runs", "means_part"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SuiteMargin(RatioEstimate):
    """A product's margin over a baseline in a group of titles: a (weighted) geometric mean.

    `low`/`high` hold for these titles (run-to-run error only); `like_low`/`like_high` for titles
    like these (t over titles). `outcome` follows from the first; where how far runs scatter was not
    measured, from the titles alone (`_titles_outcome`). What else its margins say of it is worked
    out when it is asked for.
    """

    method: str = "suite-these-titles"
    outcome: Outcome
    suite: str  # "all", or a key of params.suites
    titles: tuple[str, ...]
    weights: tuple[float, ...]  # sum to 1
    level_low: float | None
    level_high: float | None
    like_low: float | None
    like_high: float | None
    center: float  # ln of the ratio
    day_sd: float | None  # what a session gives one product in all titles; None: not known
    left_out: Mapping[str, str]  # title -> why it is not shared
    margins: tuple[Margin, ...]
    error: ErrorSum | None = field(default=None, compare=False, repr=False)  # of ln(ratio)
    care: float  # factor on the share of errors the interval leaves out

    @property
    def smallest(self) -> Margin:
        """The title with the smallest margin."""
        return min(self.margins, key=_log_ratio)

    @property
    def largest(self) -> Margin:
        """The title with the largest margin."""
        return max(self.margins, key=_log_ratio)

    @property
    def counts(self) -> dict[Outcome, int]:
        """How many titles have each outcome; of what figures alone say, those that occur."""
        counts = {name: sum(m.outcome == name for m in self.margins) for name in OUTCOMES}
        return {o: n for o, n in counts.items() if n or o in JUDGED}

    @property
    def sides(self) -> dict[Outcome, int]:
        """How many titles' figures lie on either side of level, and how many on it."""
        return _sides(self.margins)

    @property
    def sign_p(self) -> float:
        """The p-value of the sign test over `sides`."""
        return _sign_p(self.margins)

    @property
    def break_even_day(self) -> float | None:
        """How large `day_sd`, where it is not known, would have to be to turn the outcome.

        None where days are known, or the interval holds 1 as it is.
        """
        if self.error is None or self.day_sd is not None:
            return None
        alpha = (1 - self.confidence) * self.care
        found = self.error.break_even_sd(abs(self.center), alpha)
        return None if found is None else found / math.sqrt(2)

    @property
    def false_expected(self) -> float:
        """Of the titles ahead or behind, how many are expected to be false."""
        judged = (m for m in self.margins if m.outcome in {"ahead", "behind"})
        return math.fsum(m.false_sign or 0.0 for m in judged)

    @property
    def influence(self) -> dict[str, float]:
        """The ratio with each title left out in turn; nothing for a single title."""
        if len(self.titles) < 2:
            return {}
        parts = [
            (t, w, w * _log_ratio(m))
            for t, w, m in zip(self.titles, self.weights, self.margins, strict=True)
        ]
        total = math.fsum(part for _, _, part in parts)
        return {title: math.exp((total - part) / (1 - w)) for title, w, part in parts}

    @property
    def every_title(self) -> Outcome | None:
        """What may be said of every title at once, family-wise, or None."""
        return _every_title_outcome(self.margins, alpha=1 - self.confidence)

    def adjusted(self, outcomes: int, params: MarginParams) -> SuiteMargin:
        """Return the suite with an interval that holds together with as many others (Bonferroni).

        Parameters
        ----------
        outcomes : int
            Of how many outcomes this is one.
        params : MarginParams
            Level band.
        """
        ends: tuple[float | None, ...] = (None,) * 4
        if self.error is not None:
            alphas = (1 - self.confidence) / outcomes, 2 * LEVEL_ALPHA / outcomes
            ends = _ends(self.center, *_half_widths([(self.error, self.care)], alphas)[0])
        outcome = _suite_outcome(
            self.margins, self.center, ends, (self.like_low, self.like_high), params
        )
        return replace(
            self, low=ends[0], high=ends[1], level_low=ends[2], level_high=ends[3], outcome=outcome
        )

    @staticmethod
    def judged_again(
        suites: Sequence[SuiteMargin], margins: Sequence[Margin], params: MarginParams
    ) -> tuple[SuiteMargin, ...]:
        """Return suites as they are with another level band of params, as `Margin.judged_again`."""
        by_key = {(m.metric, m.product, m.baseline, m.title): m for m in margins}
        found = []
        for suite in suites:
            own = tuple(
                by_key[suite.metric, suite.product, suite.baseline, t] for t in suite.titles
            )
            ends = suite.low, suite.high, suite.level_low, suite.level_high
            like = suite.like_low, suite.like_high
            outcome = _suite_outcome(own, suite.center, ends, like, params)
            found.append(replace(suite, margins=own, outcome=outcome))
        return tuple(found)

    @property
    def ratio_all_runs(self) -> float | None:
        """The ratio with set-aside runs put back, or None where that changes nothing."""
        if all(m.ratio_all_runs is None for m in self.margins):
            return None
        every = [m.ratio if m.ratio_all_runs is None else m.ratio_all_runs for m in self.margins]
        return math.exp(math.fsum(np.array(self.weights) * np.log(every)))


def _log_ratio(margin: Margin) -> float:
    return math.log(margin.value)


def summarise_suites(
    margins: Sequence[Margin],
    *,
    groups: Mapping[str, SuiteParams | None],
    titles: Mapping[str, Title],
    params: MarginParams,
    cells: Sequence[Cell] = (),
) -> tuple[SuiteMargin, ...]:
    """Return a suite margin per metric, product, baseline and group that has a title.

    Parameters
    ----------
    margins : sequence of Margin
        Of any number of products, baselines and metrics.
    groups : mapping of str to SuiteParams or None
        By name; None is every title. Titles are chosen by id or by tags, all of which must fit.
    titles : mapping of str to Title
        The titles under review.
    params : MarginParams
        Confidence and level band.
    cells : sequence of Cell, optional
        All cells there are, so that it can be said which side of a title has none.

    Raises
    ------
    ValueError
        If a weight is not above 0.

    Notes
    -----
    The group None leaves out figures that are no speed (power, battery life); a group that names
    such titles has them. Levels in dB have no ratio and are in no suite.
    """
    families: dict[tuple[str, str, str], dict[str, Margin]] = {}
    for margin in margins:
        key = margin.metric, margin.product, margin.baseline
        families.setdefault(key, {})[margin.title] = margin
    measured = {(c.metric, c.product, c.title) for c in chain(cells, *(m.cells for m in margins))}
    by_metric: dict[str, list[Cell]] = {}
    for cell in cells:
        by_metric.setdefault(cell.metric, []).append(cell)
    titles_of = {
        (metric, name): _choose_titles(titles, group, metric)
        for metric in dict.fromkeys(metric for metric, _, _ in families)
        for name, group in groups.items()
    }
    suites: list[SuiteMargin] = []
    for (metric, product, baseline), by_title in families.items():
        chosen = []
        for name, group in groups.items():
            wanted, unfit = titles_of[metric, name]
            left_out = dict(unfit)
            for title in wanted:
                if title not in by_title:
                    missing = [
                        side
                        for side in (product, baseline)
                        if (metric, side, title) not in measured
                    ] or [product, baseline]
                    left_out[title] = f"no runs of {' or '.join(missing)}"
            own = [by_title[title] for title in wanted if title in by_title]
            if own:
                chosen.append(_Chosen(name, own, group.weights if group else {}, left_out))
        suites += _summarise(chosen, params, by_metric.get(metric, ()))
    return tuple(suites)


def _suite_outcome(
    margins: Sequence[Margin],
    center: float,
    ends: tuple[float | None, ...],
    like: tuple[float | None, float | None],
    params: MarginParams,
) -> Outcome:
    """Return what may be said of a suite by its interval, or without one by its titles."""
    if ends[0] is None:
        return _titles_outcome(margins, center, like, params)
    return outcome_of(*ends, band=params.level_band)


def _marks(
    margins: Sequence[Margin], low: float | None, error: _SuiteError | None, weights: Floats
) -> tuple[str, ...]:
    """Return the marks of a suite: those of its titles that concern it, and its own."""
    marks = dict.fromkeys(mark for m in margins for mark in m.marks if mark not in _TITLES_OWN)
    if low is None:
        marks["no_interval"] = None
    elif any(m.low is None for m in margins):
        marks["borrowed_spread"] = None
    if len(margins) == 1:
        marks["one_title"] = None
    elif error is not None and error.day is None:
        marks["days_unknown"] = None
    if weights.max() > weights.min():
        marks["weighted"] = None
    return tuple(marks)


def summarise_titles(
    margins: Sequence[Margin],
    *,
    suite: str,
    params: MarginParams,
    weights: Mapping[str, float] | None = None,
    left_out: Mapping[str, str] | None = None,
    cells: Sequence[Cell] = (),
) -> SuiteMargin:
    """Return the suite margin of one product, baseline and metric over the titles given.

    Parameters
    ----------
    margins : sequence of Margin
        One per title, at least one.
    suite : str
        The group's name.
    params : MarginParams
        Confidence and level band.
    weights : mapping of str to float, optional
        Weights > 0 by title; a title without one weighs 1.
    left_out : mapping of str to str, optional
        Titles of the group that are not shared, and why.
    cells : sequence of Cell, optional
        All cells of the metric, whose sessions show what a day does to one product in all titles.
        Without them the margins' own are taken.

    Notes
    -----
    For these titles: the errors of the margins, mixtures of normals, are independent from title to
    title but for what a session does to one product in all of them, which is estimated from titles
    that were run in the same sessions. Their sum is solved exactly by its characteristic function
    [1]_. Where sessions are not recorded or there is only one, the interval holds for these
    sittings (mark "days_unknown"). For titles like these: Student's t over the ln margins; with
    unequal weights w the variance of a title is sum w (x - mean)^2 / (1 - sum w^2), and the
    degrees of freedom are 1 / sum w^2 - 1, which is n - 1 for equal ones.

    References
    ----------
    .. [1] J. Gil-Pelaez (1951), "Note on the inversion theorem", Biometrika 38, 481-482.
    """
    if not margins:
        raise ValueError("margins must hold at least one title")
    return _summarise([_Chosen(suite, margins, weights or {}, left_out or {})], params, cells)[0]


@dataclass(frozen=True, slots=True)
class _Chosen:
    """The titles of a suite: margins of one product, baseline and metric, with their weights."""

    suite: str
    margins: Sequence[Margin]
    weights: Mapping[str, float]
    left_out: Mapping[str, str]


def _summarise(
    chosen: Sequence[_Chosen], params: MarginParams, cells: Sequence[Cell]
) -> list[SuiteMargin]:
    """Return suite margins of one product, baseline and metric, their intervals made together."""
    weights = [_suite_weights([m.title for m in one.margins], one.weights) for one in chosen]
    errors = _suite_errors(chosen, weights, cells)
    sums = [(error.total, error.care) for error in errors if error is not None]
    halves = iter(_half_widths(sums, (1 - params.confidence, 2 * LEVEL_ALPHA)))
    found = []
    for one, w, error in zip(chosen, weights, errors, strict=True):
        margins, first = one.margins, one.margins[0]
        x = np.array([_log_ratio(m) for m in margins])
        center = min(max(math.fsum(w * x), float(x.min())), float(x.max()))
        ends = _ends(center, *next(halves)) if error is not None else (None,) * 4
        if len(margins) == 1:
            ends = first.low, first.high, first.level_low, first.level_high
        like = t_ends(center, *spread_over_titles(x, w), confidence=params.confidence)
        smallest, largest = margins[int(x.argmin())], margins[int(x.argmax())]
        found.append(
            SuiteMargin(
                suite=one.suite,
                product=first.product,
                baseline=first.baseline,
                metric=first.metric,
                titles=tuple(m.title for m in margins),
                weights=tuple(w.tolist()),
                # exp and ln do not undo each other to the last bit.
                value=min(max(math.exp(center), smallest.ratio), largest.ratio),
                low=ends[0],
                high=ends[1],
                level_low=ends[2],
                level_high=ends[3],
                like_low=like[0],
                like_high=like[1],
                confidence=params.confidence,
                outcome=_suite_outcome(margins, center, ends, like, params),
                center=center,
                day_sd=error.day.sd if error is not None and error.day is not None else None,
                left_out=dict(one.left_out),
                margins=tuple(margins),
                marks=_marks(margins, ends[0], error, w),
                trace=Trace(
                    "summarise_titles",
                    f"suite/{first.metric}/{one.suite}/{first.product}-over-{first.baseline}",
                    inputs=tuple(m.trace for m in margins),
                ),
                error=error.total if error is not None else None,
                care=error.care if error is not None else 1.0,
            )
        )
    return found


def _sides(margins: Sequence[Margin]) -> dict[Outcome, int]:
    """Return how many titles lie on either side of level by their figure, and how many on it."""
    return {side: sum(side_of(m.ratio) == side for m in margins) for side in BY_FIGURES}


def _sign_p(margins: Sequence[Margin]) -> float:
    sides = _sides(margins)
    return sign_test(sides["above"], sides["below"])


def _titles_outcome(
    margins: Sequence[Margin],
    center: float,
    like: tuple[float | None, float | None],
    params: MarginParams,
) -> Outcome:
    """Return what titles alone say of a suite without an interval for these titles.

    "above" or "below" where every title is on that side of level, or the suite is and the interval
    for titles like these leaves out level or the sign test does; else "open". "unresolved" where
    runs were repeated in every title and still give no interval.
    """
    if not {m.outcome for m in margins} & {*BY_FIGURES}:
        return "unresolved"
    side = side_of(math.exp(center))
    sides = _sides(margins)
    if side == "open":
        return side
    leaves_out = {side_of(end) for end in like if end is not None} == {side}
    leans = sides[side] > len(margins) / 2 and _sign_p(margins) <= 1 - params.confidence
    return side if leaves_out or leans or sides[side] == len(margins) else "open"


def _every_title_outcome(margins: Sequence[Margin], *, alpha: float) -> Outcome | None:
    """Return what may be said of every title at once, or None.

    Each title must have the outcome by itself and by its p-value adjusted for the family of
    titles (Holm, unless params say otherwise): at `alpha` for ahead and behind, 5 % for level.
    """
    outcomes = {m.outcome for m in margins}
    if len(outcomes) != 1:
        return None
    (outcome,) = outcomes
    if outcome == "unresolved":
        return None
    limit = LEVEL_ALPHA if outcome == "level" else alpha
    p_values = [m.p_level_adjusted if outcome == "level" else m.p_adjusted for m in margins]
    holds = all(p is not None and p <= limit for p in p_values)
    return outcome if holds else None


def _suite_weights(titles: Sequence[str], weights: Mapping[str, float]) -> Floats:
    """Return weights that sum to 1; a title without one weighs 1 before that.

    Raises
    ------
    ValueError
        If a weight is not a finite number above 0.
    """
    w = np.array([weights.get(title, 1.0) for title in titles], dtype=np.float64)
    if not np.all(np.isfinite(w) & (w > 0)):
        raise ValueError(f"weights must be above 0: {dict(weights)}")
    return w / math.fsum(w)


def _choose_titles(
    titles: Mapping[str, Title], group: SuiteParams | None, metric: str
) -> tuple[list[str], dict[str, str]]:
    """Return the group's titles that measure the metric, and those that cannot be in a suite."""
    chosen: list[str] = []
    left_out: dict[str, str] = {}
    named = None if group is None or group.titles is None else {*group.titles}
    for name, title in titles.items():
        if (title.measures == "frames") != (METRICS[metric].source == "frames"):
            continue
        if named is not None and name not in named:
            continue
        if group and any(title.tags.get(tag) != value for tag, value in group.tags.items()):
            continue
        if title.measures == "noise" and title.value_unit.startswith("dB"):
            left_out[name] = "a level in dB is compared by difference, not by ratio"
        elif group is None and title.measures in NOT_SPEED:
            left_out[name] = f"measures {title.measures.replace('_', ' ')}, not speed"
        else:
            chosen.append(name)
    return chosen, left_out


@dataclass(frozen=True, slots=True, eq=False)
class _SuiteError:
    """The error of a suite: its sum, how careful to be, and what is known of days."""

    total: ErrorSum
    care: float
    day: DayPosterior | None


def _suite_errors(
    chosen: Sequence[_Chosen], weights: Sequence[Floats], cells: Sequence[Cell]
) -> list[_SuiteError | None]:
    """Return the errors of weighted means of ln margins; None where a margin has none."""
    parts = list({id(m): m for one in chosen for m in one.margins if m.error is not None}.values())
    place = {id(m): i for i, m in enumerate(parts)}
    table = np.zeros((len(chosen), len(parts)))
    known = [all(m.error is not None for m in one.margins) for one in chosen]
    for row, one, w, whole in zip(table, chosen, weights, known, strict=True):
        if whole:
            row[[place[id(m)] for m in one.margins]] = w
    totals = iter(ErrorSum.each([m.error for m in parts if m.error is not None], table[known]))
    cares = np.array([m.care for m in parts])
    # The cells of a paired margin are of the sessions they have in common, two or more.
    sessions = {
        m.title: frozenset(m.cells[0].sessions) for m in parts if m.method.startswith("paired")
    }
    seen = [c for c in chain(cells, *(m.cells for m in parts)) if c.title in sessions]
    means = cache(partial(_session_means, cells=seen))
    found: list[_SuiteError | None] = []
    for row, one, w, whole in zip(table, chosen, weights, known, strict=True):
        if not whole:
            found.append(None)
            continue
        total = next(totals)
        care = suite_care(total.variances, cares[row > 0])
        day, shared = _day_of([m.title for m in one.margins], w, sessions, means)
        if day is not None:
            total = total.with_normal(2 * shared * day.variance, day.weight)
            care = min(care, day.care)
        found.append(_SuiteError(total, care, day))
    return found


_Means = Mapping[str, Mapping[str, Floats]]  # by product and title, each session in their order


def _day_of(
    titles: Sequence[str],
    w: Floats,
    sessions: Mapping[str, frozenset[str]],
    means: Callable[[frozenset[str]], _Means],
) -> tuple[DayPosterior | None, float]:
    """Return what sessions do to products in all titles, and the titles' shared part of it.

    `sessions` are those of each title with a paired margin. The shared part is the sum over pairs
    of titles of their weights times the share of sessions they have in common: (1 - sum w^2) /
    sessions where all titles were run in the same.
    """
    if len(titles) < 2 or not sessions.keys() >= {*titles}:
        return None, 0.0
    own = [sessions[title] for title in titles]
    # Pairs alike are counted: walked through, a suite without each title in turn costs the third
    # power of titles. A sum of fractions is exact, and so in no order.
    kinds = Counter(zip(w.tolist(), own, strict=True)).items()
    shared = sum(
        Fraction(a * b * len(one & two) / (len(one) * len(two))) * n * (m - ((a, one) == (b, two)))
        for (a, one), n in kinds
        for (b, two), m in kinds
    )
    names, _ = max(Counter(own).items(), key=lambda item: (item[1], len(item[0])))
    places = [i for i, found in enumerate(own) if found == names]
    alike = [titles[i] for i in places]
    whole = [rows for rows in means(names).values() if rows.keys() >= {*alike}]
    table = np.array([[rows[title] for rows in whole] for title in alike])
    return DayPosterior.fit(table, w[places] / w[places].sum()), float(shared)


def _session_means(names: frozenset[str], cells: Iterable[Cell]) -> _Means:
    """Return mean ln values of each product in each title that has all of these sessions."""
    found: dict[str, dict[str, Floats]] = {}
    for cell in cells:
        by_title = found.setdefault(cell.product, {})
        if cell.title not in by_title:
            sign = -1 if cell.less_is_better else 1
            logs: dict[str, list[float]] = {}
            for value, name in zip(to_log(cell.values, cell.unit), cell.sessions, strict=True):
                logs.setdefault(name, []).append(sign * value)
            if names <= logs.keys():
                means = [math.fsum(logs[name]) / len(logs[name]) for name in sorted(names)]
                by_title[cell.title] = np.array(means)
    return found


def _half_widths(sums: Sequence[tuple[ErrorSum, float]], alphas: Sequence[float]) -> Floats:
    """Return half the interval that leaves out each alpha, by error (with its care) and alpha."""
    totals = [total for total, _ in sums for _ in alphas]
    left = np.array([alpha * care for _, care in sums for alpha in alphas])
    return bounded(ErrorSum.half_widths(totals, left)).reshape(-1, len(alphas))


def _ends(center: float, *halves: float) -> tuple[float | None, ...]:
    """Return the ends of a suite's intervals of these half-widths, as ratios."""
    ends = (end for half in halves for end in (center - half, center + half))
    return tuple(math.exp(end) if math.isfinite(end) else None for end in ends)
