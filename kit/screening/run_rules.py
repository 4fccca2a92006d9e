"""Rules of screening about a run, a run beside its siblings, or a run repeated later.

Each rule takes what is known at its turn (runs set aside by earlier rules are out) and gives
flags. A flag's action is what the rule would do; `screen` lets it set a run aside only where
params say so. Rules about what limits a title, and about conditions, are in `title_rules`."""

from __future__ import annotations

import gzip
import math
import re
import sys
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, compress
from statistics import median
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, stdtrit

from kit.bench.runs import RunRow
from kit.metrics.run_metrics import RunDiagnostics
from kit.rounding import grouped
from kit.screening.flags import CellKey, Flag, Rule, View, few, moment, percent
from kit.settings.params import RetestParams
from kit.stats.series import (
    find_step,
    find_trend,
    grubbs_test,
    may_move,
    may_step,
    modified_z,
    order_trend,
)

# The mean course of a cell's runs: of clean cells of 3 to 5 runs about 1 in 100 drifts.
_CELL_DRIFT_P = 0.01
# Two logs of a few frames can hold the same times by accident.
FEWEST_FRAMES_ALIKE = 10
# Fewer values in order cannot show a drift: with four, the best two-sided p is 0.083.
FEWEST_RUNS_IN_ORDER = 5
# No outlier test has useful power on three runs: Grubbs' statistic cannot exceed 1.1547.
FEWEST_RUNS_BESIDE = 4
# Below this, chance puts two of a cell's runs beyond a modified z of 3.5 too often.
FEWEST_RUNS_Z_ALONE = 8


def _set_aside_by_analyst(view: View) -> Iterator[Flag]:
    """Set aside what the run sheet or the params file says, with the reason given there."""
    said = {entry.run: entry.reason for entry in view.screen.set_aside}
    for row in view.rows:
        if row.status == "set_aside":
            said[row.run] = row.reason or "no reason given in the run sheet"
        if row.run in said:
            yield Flag.of_run(row, f"by the analyst: {said[row.run]}", "set_aside")


def _find_failed(view: View) -> Iterator[Flag]:
    """Say which runs were tried and gave nothing, with the reason."""
    words = {"crashed": "crashed", "refused": "was refused", "not_started": "did not start"}
    for row in view.rows:
        if row.produced or row.status == "set_aside":
            continue
        what = words.get(row.status, "left no log and no figure")
        why = f": {row.reason}" if row.reason else ""
        yield Flag(f"run {row.run} {what}{why}", product=row.product, title=row.title)


def _find_bad_stamps(view: View) -> Iterator[Flag]:
    """Find logs whose clock goes back: they can be read but not measured.

    Frame times are differences of time stamps there; one that is not positive leaves no right way
    to put the others right. Logs without a frame are found as well.
    """
    for row, log in view.logged():
        if log.backward_rows:
            count = len(log.backward_rows)
            where = ", ".join(str(n) for n in log.backward_rows[:3])
            more = f" and {count - 3} more" if count > 3 else ""
            reason = (
                f"the log's clock goes back or stands still at {few(count, 'place')} (row "
                f"{where}{more}), so its frames cannot be measured"
            )
            yield Flag.of_run(row, reason, "set_aside")
    for row in view.used:
        if row.log and row.run in view.diagnostics and view.diagnostics[row.run].frames == 0:
            yield Flag.of_run(row, "the log holds no frames", "set_aside")


def _find_short_runs(view: View) -> Iterator[Flag]:
    """Find runs shorter than planned.

    By the sum of their frame times, against `min_length_share` of the title's planned length. A
    title without one, or not measured in frames, is passed over.
    """
    for row, log in view.logged():
        planned_s = view.bench.titles[row.title].planned_s
        if planned_s is None or not view.measures_frames(row.title):
            continue
        if log.duration_s < view.screen.min_length_share * planned_s:
            reason = (
                f"{log.duration_s:.1f} s recorded of {planned_s:g} s planned "
                f"({percent(log.duration_s / planned_s)}; at least "
                f"{percent(view.screen.min_length_share)} wanted)"
            )
            yield Flag.of_run(row, reason, "set_aside")


def _find_same_logs(view: View) -> Iterator[Flag]:
    """Find one log used under two names: the same bytes, or the same frame times.

    Within one product and title the later row is set aside. Across products or titles nobody
    can say from the logs which name is right, so all are flagged.
    """
    groups: dict[tuple[str, str], list[RunRow]] = {}
    bytes_of = {row.run: log.sha256 for row, log in view.logged()}
    for row, log in view.logged():
        alike = log.frames_sha256 if log.frames >= FEWEST_FRAMES_ALIKE else log.sha256
        groups.setdefault(("frames", alike), []).append(row)
    for rows in groups.values():
        for i, row in enumerate(rows):
            cell = (row.product, row.title)
            same_cell = [other for other in rows[:i] if (other.product, other.title) == cell]
            strangers = [other for other in rows if (other.product, other.title) != cell]
            if not (same_cell or strangers):
                continue
            other = (same_cell or strangers)[0]
            what = "bytes" if bytes_of[other.run] == bytes_of[row.run] else "frame times"
            alike = f"the same {what} as run {other.run}"
            if same_cell:
                yield Flag.of_run(row, f"{alike}: one log under two names", "set_aside")
            else:
                where = f"{other.product} in {other.title}"
                reason = f"{alike} ({where}): one of the two rows names the wrong log"
                yield Flag.of_run(row, reason)


def _find_gaps(view: View) -> Iterator[Flag]:
    """Find frames so long that the capture or the clock, not the product, may have stopped."""
    for row, log in view.logged():
        if log.longest_ms > view.screen.gap_ms:
            reason = (
                f"frame {log.longest_frame + 1} lasted {log.longest_ms:.0f} ms; over "
                f"{view.screen.gap_ms:g} ms is a gap in the capture, a step of its clock or a stall"
            )
            yield Flag.of_run(row, reason)


def _find_warm_ups(view: View) -> Iterator[Flag]:
    """Find first runs that stand apart from all their siblings.

    The spread they are measured by is the siblings' own or that of the title's runs after the
    first over all products, whichever is larger: two siblings can agree by accident.
    """
    later: dict[CellKey, NDArray[np.float64]] = {}
    firsts: dict[CellKey, tuple[RunRow, float]] = {}
    cells = view.cells()
    for cell, values in view.cell_logs().items():
        if values is None or values.size < 3:
            continue
        firsts[cell] = (cells[cell][0], float(values[0]))
        later[cell] = values[1:]
    usual = _pooled_spreads(later)
    for cell, (row, first) in firsts.items():
        others = later[cell]
        apart = first - float(others.mean())
        spread = max(float(others.std(ddof=1)), usual[cell[1]])
        outside = first > others.max() or first < others.min()
        if not outside or abs(apart) <= np.log1p(view.screen.warm_up_margin):
            continue
        if abs(apart) <= view.screen.warm_up_spreads * spread:
            continue
        faster = (apart > 0) != view.bench.titles[row.title].less_is_better
        why = "before the machine was warm" if faster else "before caches were filled"
        spreads = f"{abs(apart) / spread:.1f} spreads" if spread > 0 else "and they do not differ"
        size = percent(abs(float(np.expm1(apart))))
        side = "above" if apart > 0 else "below"
        reason = (
            f"the first run is {size} {side} the mean of the {few(others.size)} after it "
            f"({spreads}), as a run recorded {why}"
        )
        yield Flag.of_run(row, reason, "set_aside")


def _find_outliers(view: View) -> Iterator[Flag]:
    """Find outliers among siblings, by Grubbs' test and the modified z.

    With few runs the modified z alone finds too many, so both must agree. Two outliers hide each
    other from Grubbs' test but not from the modified z: two or more beyond it count as well.
    A run the analyst left out is looked at beside the runs used, so that a reader sees whether
    its figures alone would have given it away.
    """
    for cell, rows in view.cells().items():
        yield from _outliers_in_cell(view, cell, rows)
        for left_out in view.left_out:
            if (left_out.product, left_out.title) == cell:
                found = _outliers_in_cell(view, cell, [*rows, left_out])
                yield from (
                    Flag.of_run(left_out, f"{flag.reason}; left out by the analyst")
                    for flag in found
                    if flag.run == left_out.run
                )


def _outliers_in_cell(view: View, cell: CellKey, rows: Sequence[RunRow]) -> Iterator[Flag]:
    """Return what can be said of outliers in one cell.

    Parameters
    ----------
    view : View
    cell : (str, str)
        Product, title.
    rows : sequence of RunRow
        Its runs, with one the analyst left out where that is to be looked at.

    Yields
    ------
    Flag
        One a run, or one "cannot_judge" of the cell: with fewer than `FEWEST_RUNS_BESIDE` runs, or
        where so many agree exactly that the modified z is undefined and Grubbs' test finds none.
    """
    values = view.log_values(rows)
    if values is None or values.size < 2:
        return
    n = values.size
    if n < FEWEST_RUNS_BESIDE:
        reason = f"no test can tell with {few(n)} whether one is an outlier"
        yield Flag(reason, "cannot_judge", "", *cell)
        return
    grubbs = grubbs_test(values, alpha=view.screen.far_run_alpha)
    if grubbs is None:  # all runs alike
        return
    z = modified_z(values)
    if z is None:
        if not grubbs.outlier:
            reason = (
                f"the modified z is undefined, since half or more of the {few(n)} agree "
                f"exactly; Grubbs' test finds no outlier"
            )
            yield Flag(reason, "cannot_judge", "", *cell)
            return
        outliers = [grubbs.index]
    else:
        beyond = np.flatnonzero(np.abs(z) > view.screen.far_run_z).tolist()
        both = grubbs.outlier and grubbs.index in beyond
        outliers = beyond if both or (len(beyond) >= 2 and n >= FEWEST_RUNS_Z_ALONE) else []
    for i in outliers:
        apart = float(np.expm1(values[i] - np.delete(values, i).mean()))
        tests = []
        if i == grubbs.index and grubbs.outlier:
            tests.append(f"Grubbs' G {grubbs.statistic:.3f}, critical value {grubbs.critical:.3f}")
        if z is None:
            tests.append("the modified z is undefined, the others agree exactly")
        else:
            limit = view.screen.far_run_z
            tests.append(f"modified z {abs(float(z[i])):.1f}, limit {limit:g}")
        side = "above" if apart > 0 else "below"
        reason = (
            f"{percent(abs(apart))} {side} the mean of the other {few(n - 1)} ({'; '.join(tests)})"
        )
        yield Flag.of_run(rows[i], reason, "set_aside")


def _find_drifts(view: View) -> Iterator[Flag]:
    """Find runs whose level moves from beginning to end, beyond what the scene itself does.

    The scene's own course is the median, stretch by stretch, over the other products in the
    title that keep to it, each taken as the mean of its runs. With one or two others only a
    slowing can be put down to this one; with none, scene and heat cannot be told apart. Where no
    run of a product drifts by itself, the mean of its runs may.
    """
    for scene in view.once(_scenes):
        courses = _steady(scene.courses, view)
        beside = _beside(scene.profiles, scene.product_of, courses)
        moving = _moving(beside, view)
        runs_of = Counter(scene.product_of.values())
        named: set[str] = set()  # products with a run that drifts by itself
        for row, log in scene.runs:
            others = len(courses) - (row.product in courses)
            change, p_value = log.drift_share, log.drift_p
            if others:
                if row.run not in moving:
                    continue
                trend = find_trend(beside[row.run])
                change, p_value = float(np.expm1(trend.change)), trend.p_value
            if not _drifts(change, p_value, view.screen.drift_p, others, view):
                continue
            moved = f"{_moved(change)} at the end of the run than at its beginning"
            sure = f"({_spell_p(p_value)}, dependence between frames taken into account)"
            if others:
                reason = f"{moved}, beyond what the scene does on other products {sure}"
                named.add(row.product)
                yield Flag.of_run(row, reason, "set_aside")
                continue
            alone = "without another product in this title, heat and the scene's own course"
            yield Flag.of_run(row, f"{moved} {sure}; {alone} cannot be told apart", "cannot_judge")
        whole = {p: c for p, c in scene.courses.items() if p not in named and runs_of[p] > 1}
        beside = _beside(whole, {product: product for product in whole}, courses)
        for product in _moving(beside, view):
            trend = find_trend(beside[product])
            change = float(np.expm1(trend.change))
            others = len(courses) - (product in courses)
            if _drifts(change, trend.p_value, _CELL_DRIFT_P, others, view):
                reason = (
                    f"over its {runs_of[product]} runs together {_moved(change)} at the end than "
                    f"at the beginning, beyond what the scene does on other products "
                    f"({_spell_p(trend.p_value)}, dependence between stretches taken into "
                    f"account); no run shows it by itself"
                )
                yield Flag(reason, "flag", "", product, scene.runs[0][0].title)


def _moving(profiles: Mapping[str, NDArray[np.float64]], view: View) -> list[str]:
    """Return the names of profiles that may move as far as counts."""
    least = float(np.log1p(view.screen.drift_share))
    return _those(profiles, partial(may_move, least=least))


def _those(
    profiles: Mapping[str, NDArray[np.float64]],
    may: Callable[[NDArray[np.float64]], NDArray[np.bool_]],
) -> list[str]:
    """Return the names of profiles of which `may` says yes, in their order; it takes many."""
    found: set[str] = set()
    for size in {profile.size for profile in profiles.values()}:
        alike = {name: profile for name, profile in profiles.items() if profile.size == size}
        found.update(compress(alike, may(np.array(list(alike.values())))))
    return [name for name in profiles if name in found]


def _drifts(change: float, p_value: float, alpha: float, others: int, view: View) -> bool:
    """Return whether a level moves; beside one or two others a quickening may be their slowing."""
    large = abs(change) >= view.screen.drift_share and p_value < alpha
    return large and not (others < 3 and change < 0)


def _moved(change: float) -> str:
    return f"frames took {percent(abs(change))} {'longer' if change > 0 else 'shorter'}"


def _find_unequal_lengths(view: View) -> Iterator[Flag]:
    """Find runs over another stretch of the scene than most runs of their title.

    As long as most, or of as many frames (a scene of fixed content), is alike. What most runs
    have is the length, or number, that most others are within the share of.
    """
    logged = (pair for pair in view.logged() if view.measures_frames(pair[0].title))
    by_title = grouped((row.title, (row, log)) for row, log in logged)
    share = np.log1p(view.screen.length_share)
    for pairs in by_title.values():
        sizes = np.log([[log.duration_s, log.frames] for _, log in pairs])
        near = np.abs(sizes[:, None, :] - sizes[None, :, :]) <= share
        counts = near.sum(axis=1)
        most = counts.argmax(axis=0)  # the run most others are alike, in either
        told = counts.max(axis=0) > len(pairs) / 2  # chance makes a few alike in the other
        if not told.any():
            most, told = np.full(2, near.any(axis=2).sum(axis=1).argmax()), ~told
        alike = near[most, :, [0, 1]][told].any(axis=0)
        usual = pairs[int(most[0])][1]
        for (row, log), same in zip(pairs, alike, strict=True):
            if not same:
                shorter = log.duration_s < usual.duration_s
                reads = "fewer frames reads higher" if shorter else "more frames reads lower"
                reason = (
                    f"{log.duration_s:.1f} s and {log.frames} frames, where most runs of this "
                    f"title have {usual.duration_s:.1f} s: as it stands its average is of another "
                    f"stretch of the scene, and a low over {reads} (mean of the slowest 0.1 %, at "
                    f"40 s against 60 s: 1.6 %, at 15 s: 22 %). While it is used, all runs of this "
                    f"title are measured over the stretch they have in common"
                )
                yield Flag.of_run(row, reason)


def _find_steps(view: View) -> Iterator[Flag]:
    """Find runs with a stretch at their beginning or end on another level than the rest.

    Beyond what the other runs of its product do there; where they do the same or there are none,
    beyond what other products do by three times the share, since one scene asks other things of
    each. Beside one other run, or two other products, only a slowing can be put down to this run.
    """
    least = float(np.log1p(view.screen.step_share))
    for scene in view.once(_scenes):
        found: dict[str, tuple[_Stretch, str]] = {}
        for product in scene.courses:
            mine = {run: own for run, own in scene.profiles.items()
                    if scene.product_of[run] == product}  # fmt: skip
            for run, stretch in _steps_among(mine, least).items():
                found[run] = (stretch, "its other runs do")
        left = {run: own for run, own in scene.profiles.items() if run not in found}
        beside = _beside(left, scene.product_of, scene.courses)
        only_slowing = len(scene.courses) < 4
        for run in _those(beside, partial(may_step, least=3 * least)):
            step = _stretch_in(beside[run], 3 * least, only_slowing=only_slowing)
            if step is not None:
                found[run] = (step, "the scene does on other products")
        for row, log in scene.runs:
            if row.run in found:
                step = found[row.run][0]
                flag = Flag.of_run(row, _step_reason(log, *found[row.run]))
                yield replace(flag, stretch=(step.start, step.stop))


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A stretch of a run on another level: its ends as shares of the run, and ln of the step."""

    start: float
    stop: float
    change: float


def _stretch_in(
    beside: NDArray[np.float64], least: float, *, only_slowing: bool
) -> _Stretch | None:
    """Return the step of a run beside others, where there is one that counts."""
    step = find_step(beside)
    if not step.beyond or abs(step.change) < least or (step.change < 0 and only_slowing):
        return None
    return _Stretch(step.start / beside.size, step.stop / beside.size, step.change)


def _steps_among(profiles: Mapping[str, NDArray[np.float64]], least: float) -> dict[str, _Stretch]:
    """Return the steps of runs of one product: the largest first, each beside those still left."""
    left, found = dict(profiles), {}
    while len(left) > 1:
        beside = _each_beside_others(left)
        steps = {
            run: step
            for run in _those(beside, partial(may_step, least=least))
            if (step := _stretch_in(beside[run], least, only_slowing=len(left) < 3)) is not None
        }
        if not steps:
            break
        worst = max(steps, key=lambda run: abs(steps[run].change))
        found[worst] = steps[worst]
        del left[worst]
    return found


def _step_reason(log: RunDiagnostics, stretch: _Stretch, whose: str) -> str:
    """Return what was found of a step: where it is, how large, and the average without it."""
    start, stop = stretch.start * log.duration_s, stretch.stop * log.duration_s
    way = "longer" if stretch.change > 0 else "shorter"
    without = log.average_without([(stretch.start, stretch.stop)])
    size = percent(abs(float(np.expm1(stretch.change))))
    return (
        f"from {start:.1f} s to {stop:.1f} s of {log.duration_s:.1f} s frames took {size} {way} "
        f"than over the rest, beyond what {whose}; "
        f"without that stretch the run's average is {without:.4g} fps, not {log.average_fps:.4g}"
    )


def _find_order_drifts(view: View) -> Iterator[Flag]:
    """Find cells whose figure drifts over the order of runs.

    The order is that of `began`, else of the sheet. Sen's slope over all runs must reach
    `order_drift_share`, and Kendall's two-sided test `order_drift_p`.
    """
    for (product, title), values in view.cell_logs().items():
        if values is None or values.size < 2:
            continue
        n = values.size
        if n < FEWEST_RUNS_IN_ORDER:
            reason = (
                f"a drift over the order of runs cannot be told with {few(n)}; "
                f"{FEWEST_RUNS_IN_ORDER} are needed"
            )
            yield Flag(reason, "cannot_judge", "", product, title)
            continue
        slope, p_value = order_trend(values)
        change = float(np.expm1(slope * (n - 1)))
        if abs(change) >= view.screen.order_drift_share and p_value <= view.screen.order_drift_p:
            reason = (
                f"the figure moves by {percent(change)} from the first run to the last of {n} "
                f"(Kendall's test, {_spell_p(p_value)})"
            )
            yield Flag(reason, product=product, title=title)


def _pooled_spreads(cells: Mapping[CellKey, NDArray[np.float64]]) -> dict[str, float]:
    """Return the spread between runs of one cell, pooled over each title's cells.

    Parameters
    ----------
    cells : mapping of (product, title) to ndarray of float, shape (n_runs,)
        Figures on the log scale.

    Returns
    -------
    dict of str to float
        By title, a standard deviation of ln figure: sums of squares over degrees of freedom.
    """
    squares: dict[str, tuple[float, int]] = {}
    for (_, title), values in cells.items():
        total, df = squares.get(title, (0.0, 0))
        squares[title] = (total + float(values.var()) * values.size, df + values.size - 1)
    return {title: float(np.sqrt(total / df)) for title, (total, df) in squares.items()}


def _centred_log(profile: Sequence[float]) -> NDArray[np.float64]:
    """Return a profile's logarithm around its median.

    Parameters
    ----------
    profile : sequence of float, shape (n_stretches,)
        Frame time of each stretch of a run, in milliseconds. Positive.
    """
    logs = np.log(np.asarray(profile, dtype=np.float64))
    return logs - _middle(logs)


def _middle(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median over the first axis; of so few values np.median takes longer."""
    ordered = np.sort(values, axis=0)
    middle: NDArray[np.float64] = (ordered[(len(values) - 1) // 2] + ordered[len(values) // 2]) / 2
    return middle


def _on_one_grid(
    profiles: Sequence[NDArray[np.float64]], *, most: int = sys.maxsize
) -> list[NDArray[np.float64]]:
    """Return profiles over as many stretches of equal time as the shortest has, or `most`."""
    count = min(most, *(p.size for p in profiles))
    return [_in_stretches(p, count) for p in profiles]


def _in_stretches(profile: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Return a profile's means over as many or fewer stretches of equal time."""
    if profile.size == count:
        return profile
    sums = np.concatenate([[0.0], np.cumsum(profile)])
    at = np.interp(np.linspace(0, profile.size, count + 1), np.arange(profile.size + 1), sums)
    means: NDArray[np.float64] = np.diff(at) * (count / profile.size)
    return means


def _beside(
    profiles: Mapping[str, NDArray[np.float64]],
    product_of: Mapping[str, str],
    courses: Mapping[str, NDArray[np.float64]],
) -> dict[str, NDArray[np.float64]]:
    """Return each profile less the median course of other products, over what they have in common.

    Nothing is returned of a profile whose product no other stands beside.
    """
    scenes: dict[tuple[str, int], NDArray[np.float64]] = {}
    found = {}
    for name, own in profiles.items():
        key = product_of[name], own.size
        if key not in scenes:
            others = [course for product, course in courses.items() if product != key[0]]
            if not others:
                continue
            scenes[key] = _middle(np.array(_on_one_grid(others, most=own.size)))
        found[name] = _in_stretches(own, scenes[key].size) - scenes[key]
    return found


def _each_beside_others(
    profiles: Mapping[str, NDArray[np.float64]],
) -> dict[str, NDArray[np.float64]]:
    """Return two or more profiles, each less the median of the others, over what all have."""
    grid = np.array(_on_one_grid(list(profiles.values())))
    ordered = np.sort(grid, axis=0)

    def without_own(i: int) -> NDArray[np.float64]:
        """Return the value of place `i` among the others, of each profile at each stretch."""
        value: NDArray[np.float64] = np.where(grid <= ordered[i], ordered[i + 1], ordered[i])
        return value

    middle = (without_own((len(grid) - 2) // 2) + without_own((len(grid) - 1) // 2)) / 2
    return dict(zip(profiles, grid - middle, strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """The runs of one title whose course can be judged.

    Attributes
    ----------
    runs : list of (RunRow, RunDiagnostics)
    product_of : dict of str to str
        By run.
    profiles : dict of str to ndarray of float, shape (n_stretches,)
        By run, ln frame time around its median.
    courses : dict of str to ndarray of float
        By product, the mean profile of its runs, over the stretches they have in common.
    """

    runs: list[tuple[RunRow, RunDiagnostics]]
    product_of: dict[str, str]
    profiles: dict[str, NDArray[np.float64]]
    courses: dict[str, NDArray[np.float64]]


def _scenes(view: View) -> list[_Scene]:
    """Return each title whose runs can be judged."""
    by_title = grouped(
        (row.title, (row, log))
        for row, log in view.logged()
        if log.drift_judged and view.measures_frames(row.title)
    )
    found = []
    for runs in by_title.values():
        profiles = {row.run: _centred_log(log.profile) for row, log in runs}
        runs_of = grouped((row.product, profiles[row.run]) for row, _ in runs)
        courses = {p: np.mean(_on_one_grid(mine), axis=0) for p, mine in runs_of.items()}
        found.append(_Scene(runs, {r.run: r.product for r, _ in runs}, profiles, courses))
    return found


def _steady(
    courses: Mapping[str, NDArray[np.float64]], view: View
) -> Mapping[str, NDArray[np.float64]]:
    """Return the courses of products that keep to the scene: all but those that drift most.

    One by one, the product that drifts most beside the others is left out, as long as it drifts
    and three or more than half are left.
    """
    kept = dict(courses)
    while len(kept) > max(3, len(courses) // 2 + 1):
        changes: dict[str, float] = {}
        beside = _each_beside_others(kept)
        for product in _moving(beside, view):
            trend = find_trend(beside[product])
            if trend.p_value < view.screen.drift_p:
                changes[product] = abs(float(np.expm1(trend.change)))
        worst = max(changes, key=lambda product: changes[product], default=None)
        if worst is None or changes[worst] < view.screen.drift_share:
            break
        del kept[worst]
    return kept


Epoch = Literal["old", "new", ""]


def epoch_of(row: RunRow, retest: RetestParams) -> Epoch:
    """Return whether a run is old or a re-run; "" where params do not tell."""
    if retest.since is not None:
        began = moment(row.began)
        if began is None:
            return ""
        return "new" if began.date() >= retest.since else "old"
    value = _recorded(row, retest.condition or "")
    if value in retest.new:
        return "new"
    return "old" if value in retest.old else ""


def _recorded(row: RunRow, condition: str) -> str:
    """Return what a row of the run sheet says of a condition or of its session."""
    return row.session if condition == "session" else row.conditions.get(condition, "")


def _find_superseded(view: View) -> Iterator[Flag]:
    """Set aside what was run again: beside new runs, a cell keeps none that are not new.

    Without a section `retest` nothing is; a cell that was not run again keeps its old runs.
    """
    retest = view.params.retest
    if retest is None:
        return
    for rows in view.cells().values():
        epochs = {row.run: epoch_of(row, retest) for row in rows}
        if "new" not in epochs.values():
            continue
        for row in rows:
            if epochs[row.run] != "new":
                reason = f"run again since: {_said(row, retest)}"
                yield Flag.of_run(row, reason, "set_aside")


def _said(row: RunRow, retest: RetestParams) -> str:
    """Return what tells an old run from the re-runs."""
    if retest.since is not None:
        began = "no date" if row.began is None else f"{row.began.date()}"
        return f"this run has {began}, new runs are from {retest.since} on"
    value = _recorded(row, retest.condition or "") or "nothing"
    name = (retest.condition or "").replace("_", " ")
    return f"{name} is {value} here and {' or '.join(retest.new)} in the new runs"


# Of reviews without any such run, this share may have one flagged.
ALPHA = 0.01
FEWEST_RUNS, FEWEST_CELLS = 3, 4
# The median of variances tells about this share of what all their degrees of freedom would.
EFFICIENCY = 0.37
REST_WITHIN = 4.5  # spreads between the others of a cell that agree with each other
FITS_WITHIN = 2.5  # spreads: a run that fits the other cell
HEAD_BYTES = 4096


@dataclass(frozen=True, slots=True)
class _Spread:
    """The run-to-run spread a cell should have, from cells like it, and its degrees of freedom."""

    sd: float
    df: float


@dataclass(frozen=True, slots=True)
class _Stray:
    """A run beside the others of its cell.

    Attributes
    ----------
    value : float
        Its figure on the log scale.
    spreads : float
        How far off it is, in pooled spreads, with its sign.
    apart : float
        The same as a share of the others' median.
    limit : float
        Spreads beyond which chance would put one of all runs in `ALPHA` of reviews.
    """

    row: RunRow
    cell: CellKey
    value: float
    spreads: float
    apart: float
    limit: float


def _find_unlike_runs(view: View) -> Iterator[Flag]:
    """Find runs far from the others of their cell by the spread of cells like it.

    Notes
    -----
    The spread is the larger of two, that of the title over products and that of the product over
    titles, each the median of the cells' variances, so that the very run in question (or one
    exchanged with it) does not hide itself. Student's t at `ALPHA` over all runs together. Three
    runs suffice; fewer than four cells to pool do not.
    """
    cells = view.once(_logs_by_cell)
    exchanged = {stray.row.run for pair in view.once(_exchanged) for stray in pair}
    for stray in view.once(_strays):
        if stray.row.run not in exchanged:
            others = few(len(cells[stray.cell].rows) - 1)
            reason = f"{_off(stray)} (limit {stray.limit:.1f}) over the other {others}"
            yield Flag.of_run(stray.row, f"{reason}: is the row's product and title right?")


def _find_exchanged_runs(view: View) -> Iterator[Flag]:
    """Find two runs that are each far from their own cell and fit the other's.

    Two products in one title, or two titles of one product. The test: that of `_find_unlike_runs`.
    """
    for pair in view.once(_exchanged):
        for one, other in (pair, pair[::-1]):
            yield Flag.of_run(one.row, _exchanged_reason(one, other))


def _exchanged(view: View) -> list[tuple[_Stray, _Stray]]:
    """Return the pairs of runs that would each fit the other's cell.

    Both must be far from their own cell, and the cells have the product or the title in common.
    """
    cells = view.once(_logs_by_cell)
    return [
        (one, other)
        for one, other in combinations(view.once(_strays), 2)
        if one.cell != other.cell
        and set(one.cell) & set(other.cell)
        and _fits(one, cells[other.cell], but=other)
        and _fits(other, cells[one.cell], but=one)
    ]


def _exchanged_reason(one: _Stray, other: _Stray) -> str:
    """Return why a run may have been exchanged with another, and what puts a row right."""
    what = "product" if one.cell[1] == other.cell[1] else "title"
    names = other.cell[0] if what == "product" else other.cell[1]
    return (
        f"{_off(one)}, but fits {what} {names} as run {other.row.run} fits this one: were the two "
        f"exchanged? `marginbook bench move-run` puts a row right"
    )


def _off(stray: _Stray) -> str:
    """Return how far off a run is, as a share and in spreads."""
    side = "above" if stray.apart > 0 else "below"
    return f"{percent(abs(stray.apart))} {side} its cell, {abs(stray.spreads):.1f} pooled spreads"


@dataclass(frozen=True, slots=True, eq=False)
class _Cell:
    """The used runs of a product in a title, their figures on the log scale, and the spread."""

    rows: Sequence[RunRow]
    logs: NDArray[np.float64]
    spread: _Spread


def _logs_by_cell(view: View) -> dict[CellKey, _Cell]:
    """Return every cell with at least three runs, with the spread that cells like it have.

    It is the larger of its title's and its product's, or that of all where neither can be pooled:
    each the median of the variances of the cells there, the cell itself left out. Cells whose runs
    agree exactly are left out: their spread of zero is a rounding, not a finding. None is given
    where fewer than `FEWEST_CELLS` others can be pooled.
    """
    cells: dict[CellKey, tuple[Sequence[RunRow], NDArray[np.float64]]] = {}
    rows = view.cells()
    for key, logs in view.cell_logs().items():
        if logs is not None and logs.size >= FEWEST_RUNS and logs.max() > logs.min():
            cells[key] = rows[key], logs
    if len(cells) <= FEWEST_CELLS:
        return {}
    df = np.array([logs.size - 1.0 for _, logs in cells.values()])
    # A sum of squares over its chi-squared median is a variance whose median is the true one.
    squares = np.array([float(logs.var()) * logs.size for _, logs in cells.values()])
    variances = dict(zip(cells, (squares / chdtri(df, 0.5)).tolist(), strict=True))
    alike: dict[tuple[int, str], list[CellKey]] = {}
    for key in cells:
        for place in enumerate(key):
            alike.setdefault(place, []).append(key)
    found: dict[CellKey, _Cell] = {}
    for key, (its, logs) in cells.items():
        # The larger of its title's and its product's allows for what is special about either.
        pools = [alike[place] for place in enumerate(key) if len(alike[place]) > FEWEST_CELLS]
        variance = max(
            median([variances[other] for other in pool if other != key])
            for pool in pools or [list(cells)]
        )
        others = float(df.sum()) - (logs.size - 1.0)  # all tell how well it is known
        found[key] = _Cell(its, logs, _Spread(math.sqrt(variance), EFFICIENCY * others))
    return found


def _strays(view: View) -> list[_Stray]:
    """Return every run beyond what chance allows among all runs together.

    The limit is Student's t at `ALPHA`, two-sided, divided by the number of runs (Bonferroni). A
    run is measured from the median of the others, whose own uncertainty (pi/2 that of a mean) is
    added.
    """
    cells = view.once(_logs_by_cell)
    count = sum(cell.logs.size for cell in cells.values())
    found = []
    for key, cell in cells.items():
        limit = float(stdtrit(cell.spread.df, 1.0 - ALPHA / (2 * count)))
        # In a cell of three, one stray puts the others off, too: only the farthest is looked at,
        # and the rest must agree without it.
        rest = cell.logs.tolist()
        middle = median(rest)
        i = max(range(len(rest)), key=lambda i: abs(rest[i] - middle))
        value = rest.pop(i)
        apart = value - median(rest)
        spreads = apart / (cell.spread.sd * math.sqrt(1.0 + math.pi / 2 / len(rest)))
        agree = max(rest) - min(rest) <= REST_WITHIN * cell.spread.sd
        if abs(spreads) > limit and agree:
            share = float(np.expm1(apart))
            found.append(_Stray(cell.rows[i], key, value, spreads, share, limit))
    return found


def _fits(stray: _Stray, cell: _Cell, *, but: _Stray) -> bool:
    """Return whether a run fits another cell, looked at without the run that would leave it.

    Parameters
    ----------
    stray : _Stray
        Found far from its own cell.
    cell : _Cell
        The one it may belong to.
    but : _Stray
        The run of that cell that would take its place.
    """
    rest = np.array([v for r, v in zip(cell.rows, cell.logs, strict=True) if r.run != but.row.run])
    width = cell.spread.sd * np.sqrt(1.0 + np.pi / 2 / rest.size)
    return bool(abs(stray.value - np.median(rest)) <= FITS_WITHIN * width)


def _find_other_names(view: View) -> Iterator[Flag]:
    """Find logs whose name, or own first lines, name another product or title than their row.

    A name counts where it stands by itself, not inside a longer one that the bench knows, too.
    Nothing is said of logs that name none, or name their row's as well.
    """
    logged = [row for row in view.used if row.log]
    if not logged:
        return
    products, titles = _names(view.bench.products), _names(view.bench.titles)
    for row in logged:
        places = (
            ("its file name", row.log.removeprefix("logs/")),
            ("its own head", _head(view, row)),
        )
        for what, own, known in (("product", row.product, products), ("title", row.title, titles)):
            for where, text in places:
                named = _named_in(text, known) if text else set()
                if named and own not in named:
                    reason = (
                        f"{where} names {what} {' and '.join(sorted(named))}, its row says {own}; "
                        f"`marginbook bench move-run` puts a row right"
                    )
                    yield Flag.of_run(row, reason)
                    break


def _names(known: Mapping[str, object]) -> list[tuple[str, str]]:
    """Return what stands for each product or title in a text, and its id, the longest first.

    Its id, and its name in small. An id of fewer than three letters, or a name of fewer than four,
    is too common to count.
    """
    found = {key.lower(): key for key in known}
    for key, model in known.items():
        name = _plain_letters(str(getattr(model, "name", "")))
        if len(name) > 3:
            found.setdefault(name, key)
    words = sorted(found, key=len, reverse=True)
    return [(slug, found[word]) for word in words if len(slug := _plain_letters(word)) > 2]


def _plain_letters(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def _named_in(text: str, known: Sequence[tuple[str, str]]) -> set[str]:
    """Return the ids a text names, the longest first, each part of the text read once.

    Parameters
    ----------
    text : str
        A file's name, or the head of a log.
    known : sequence of (str, str)
        What stands for an id, and the id, as `_names` gives them.
    """
    plain = _plain_letters(text)
    found = set()
    for slug, key in known:
        if slug in plain:
            pattern = rf"(?<![a-z0-9]){re.escape(slug)}(?![a-z0-9])"
            plain, times = re.subn(pattern, " ", plain)
            found |= {key} if times else set()
    return found


def _head(view: View, row: RunRow) -> str:
    """Return the lines of a text log above its frames, where the bench folder has it.

    At most `HEAD_BYTES` are read, of a packed log as many unpacked. A log that cannot be read here
    gives nothing: reading it as a whole says what is wrong with it.
    """
    layout = view.bench.layouts.get(row.layout)
    if layout is None or layout.container != "text" or not (layout.comment or layout.skip_lines):
        return ""
    try:
        with (view.bench.folder / row.log).open("rb") as stream:
            data = stream.read(HEAD_BYTES)
        if data.startswith(b"\x1f\x8b"):
            data = zlib.decompressobj(wbits=31).decompress(data, HEAD_BYTES)
    except (OSError, zlib.error, gzip.BadGzipFile):
        return ""
    text = data.decode("utf-16" if layout.encoding == "utf-16" else "latin-1", "replace")
    if not layout.skip_lines and (layout.comment or "") not in text:
        return ""
    lines = text.splitlines()
    head = lines[: layout.skip_lines]
    if layout.comment and layout.comment in text:
        head += [ln for ln in lines[layout.skip_lines :] if ln.lstrip().startswith(layout.comment)]
    return "\n".join(head)


def _spell_p(p_value: float) -> str:
    """Return a p value as a reason quotes it.

    >>> _spell_p(2e-7), _spell_p(0.0167)
    ('p < 0.001', 'p = 0.017')
    """
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.2g}"


# The rules of this module; their order, which is part of the method, is in `screen`.
RULES = (
    Rule("failed", _find_failed, "a run that crashed, was refused or did not start"),
    Rule(
        "bad_stamps",
        _find_bad_stamps,
        "a log whose clock goes back or stands still; it cannot be measured",
        always_acts=True,
    ),
    Rule(
        "planned_length",
        _find_short_runs,
        "a run shorter than its title's planned length",
        ("min_length_share",),
    ),
    Rule(
        "gap",
        _find_gaps,
        "a frame so long that the capture or its clock may have stopped",
        ("gap_ms",),
    ),
    Rule(
        "analyst",
        _set_aside_by_analyst,
        "a run the analyst set aside, in the run sheet or the params file, with a reason",
        ("set_aside",),
        always_acts=True,
    ),
    Rule(
        "same_log",
        _find_same_logs,
        "one log under two names: the same bytes, or the same frame times; the later row is "
        "the copy, and across products or titles both rows are flagged",
    ),
    Rule(
        "made_again",
        _find_superseded,
        "a run of before, where the same product and title was run again (section retest)",
        always_acts=True,
    ),
    Rule(
        "warm_up",
        _find_warm_ups,
        "a first run apart from all runs after it, by a share of their mean and by a number of "
        "their spreads",
        ("warm_up_margin", "warm_up_spreads"),
    ),
    Rule(
        "far_run",
        _find_outliers,
        "an outlier among its siblings by Grubbs' test (two-sided) and the modified z; not "
        "judged with fewer than four runs",
        ("far_run_alpha", "far_run_z"),
    ),
    Rule(
        "exchanged",
        _find_exchanged_runs,
        "two runs that are each far from their own cell and fit the other's, of one title or "
        "product: perhaps exchanged",
    ),
    Rule(
        "unlike_cell",
        _find_unlike_runs,
        "a run far from the others of its cell by the spread of cells like it (Student's t over "
        "all runs); three runs suffice",
    ),
    Rule(
        "named_otherwise",
        _find_other_names,
        "a log whose file name or own first lines name another product or title than its row",
    ),
    Rule(
        "unequal_length",
        _find_unequal_lengths,
        "a run that differs both in length and in number of frames from what most runs of its "
        "title have, so that it is of another stretch of the scene",
        ("length_share",),
    ),
    Rule(
        "drift_in_run",
        _find_drifts,
        "a level that moves over a run, or over the runs of a cell together, beyond what the scene "
        "does on other products: Sen's slope, with a Mann-Kendall test that allows for dependence "
        "between frames",
        ("drift_share", "drift_p"),
    ),
    Rule(
        "step_in_run",
        _find_steps,
        "a stretch at a run's beginning or end on another level than the rest, beyond what the "
        "product's other runs, or other products by three times as much, do there: the largest "
        "step over its error, dependence between stretches allowed for",
        ("step_share",),
    ),
    Rule(
        "order_drift",
        _find_order_drifts,
        "a figure that drifts over the order of runs: Sen's slope and Kendall's test; not "
        "judged with fewer than five runs",
        ("order_drift_share", "order_drift_p"),
    ),
)
