"""A second opinion on a sealed review: its figures again from its raw logs, with numpy alone.

Written from methods.md, without a line of the kit, and put into every bag, so that nobody has to
trust one program. It is no substitute for `marginbook verify`: it looks at no page, chart,
signature or hash but those of logs, and takes from claims.json which runs count, how logs are laid
out and the settings in force. What it does not work out again it counts by name.

    python second-opinion.py [FOLDER OF THE BAG]

Exit status: 0 where every figure worked out again agrees, 1 where one differs, 2 where nothing
could be worked out. Logs in Parquet, or packed with zstd, need `pyarrow` to be unpacked.
"""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import hashlib
import importlib
import io
import json
import math
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

_Claim = Mapping[str, Any]
_Figure = tuple[float, float | None, float | None]  # value, low, high; None: no end worked out
RATIO_TOLERANCE, END_TOLERANCE = 1e-9, 1e-6  # of the figure itself
SHARES = {"low_1pct_fps": 0.01, "low_0_1pct_fps": 0.001}
TO_MS = {"s": 1e3, "ms": 1.0, "us": 1e-3, "ns": 1e-6}
QUANTILES: tuple[Any, ...] = (  # Hyndman and Fan's types, as numpy calls them
    "inverted_cdf", "averaged_inverted_cdf", "closest_observation", "interpolated_inverted_cdf",
    "hazen", "weibull", "linear", "median_unbiased", "normal_unbiased",
)  # fmt: skip
DB = 10 / math.log(10)


class _NotMadeError(Exception):
    """A figure that cannot be worked out here, and why."""


# --- Student's t, from the incomplete beta function (Abramowitz and Stegun, 26.7.1 and 26.5.8) ---


def _t_tail(t: float, df: float) -> float:
    """Return P(|T| > t)."""
    x, a, b = df / (df + t * t), df / 2, 0.5
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta(1 - x, b, a)
    return _beta(x, a, b)


def _beta(x: float, a: float, b: float) -> float:
    """Return the regularised incomplete beta function, by its continued fraction."""
    if x <= 0:
        return 0.0
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
        + a * math.log(x) + b * math.log1p(-x)
    ) / a  # fmt: skip
    c, d = 1.0, 1 / _away(1 - (a + b) * x / (a + 1))
    whole = d
    for m in range(1, 5000):
        for step in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d, c = 1 / _away(1 + step * d), _away(1 + step / c)
            whole *= d * c
        if abs(d * c - 1) < 1e-16:
            break
    return front * whole


def _away(x: float) -> float:
    """Return x, or what stands for 0 in a continued fraction."""
    return x if abs(x) > 1e-300 else 1e-300


def _t_quantile(confidence: float, df: float) -> float:
    """Return t with P(|T| > t) = 1 - confidence, by bisection."""
    low, high = 0.0, 1.0
    while _t_tail(high, df) > 1 - confidence:
        low, high = high, 2 * high
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if _t_tail(middle, df) > 1 - confidence else (low, middle)
    return (low + high) / 2


# --- a run's figures ---------------------------------------------------------------------------


def _low(ms: np.ndarray, share: float, definition: str, quantile_type: int) -> float:
    """Return a low under one of the three definitions."""
    if definition == "percentile":
        return float(1000 / np.quantile(ms, 1 - share, method=QUANTILES[quantile_type - 1]))
    slowest = np.sort(ms)[::-1]
    if definition == "slowest_share":
        k = max(1, math.ceil(share * ms.size - 1e-9))
        return float(1000 * k / slowest[:k].sum())
    if definition == "time_share":
        reached = np.cumsum(slowest) >= share * ms.sum() * (1 - 1e-12)
        return float(1000 / slowest[int(np.argmax(reached))])
    raise _NotMadeError(f"a low by {definition} is not known here")


def _unpacked(data: bytes) -> bytes:
    """Return a log's bytes, unpacked where they are packed."""
    if data.startswith(b"\x1f\x8b"):
        return gzip.decompress(data)
    if data.startswith(b"\x28\xb5\x2f\xfd"):
        source = _module("pyarrow").BufferReader(data)
        return bytes(_module("pyarrow").CompressedInputStream(source, "zstd").read())
    return data


def _module(name: str) -> Any:
    """Return a reader of packed logs, where it is installed."""
    try:
        return importlib.import_module(name)
    except ImportError:
        raise _NotMadeError(f"logs that only {name} reads, which is not installed") from None


def _read_cells(data: bytes, layout: Mapping[str, Any], wanted: Sequence[Any]) -> list[list[str]]:
    """Return the cells of the wanted columns of a text log, a list a column."""
    encoding = {"utf-8": "utf-8-sig"}.get(layout["encoding"], layout["encoding"])
    named = {"tab": "\t", "space": " "}
    mark = named.get(layout["delimiter"], layout["delimiter"])
    lines = [
        line
        for line in data.decode(encoding).splitlines()[layout["skip_lines"] :]
        if line.strip() and not (layout["comment"] and line.startswith(layout["comment"]))
    ]
    if layout["delimiter"] == "space":
        rows = [line.split() for line in lines]
    elif any('"' in line for line in lines):
        rows = list(csv.reader(lines, delimiter=mark))
    else:
        rows = [line.split(mark) for line in lines]
    header = [cell.strip() for cell in rows.pop(0)] if layout["header"] else []
    places = [w - 1 if isinstance(w, int) else header.index(w) for w in wanted]
    return [[row[at].strip() if at < len(row) else "" for row in rows] for at in places]


def _numbers(cells: Sequence[str], decimal: str) -> np.ndarray:
    """Return cells as numbers: whole ones exactly, what is none as NaN."""
    try:
        return np.array([int(cell) for cell in cells], dtype=np.int64)
    except (ValueError, OverflowError):
        pass
    found = np.full(len(cells), math.nan)
    for at, cell in enumerate(cells):
        try:
            found[at] = float(cell.replace(decimal, "."))
        except ValueError:
            continue
    return found


def _read_log(data: bytes, layout: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray | None]:
    """Return frame times in ms, and the power read with each frame where it is logged."""
    frames, power = layout["frames"], layout["sensors"].get("power_w")
    wanted = [frames["column"], *([power] if power is not None else [])]
    other = ("until", "units_in_cells", "parts", "part")
    shaped = any(layout.get(key) not in (None, False, "") for key in other)
    shaped = shaped or data.startswith(b"PK\x03\x04")
    if shaped or frames["unit"] not in TO_MS or layout["container"] not in {"text", "parquet"}:
        raise _NotMadeError("logs in parts, archives or sheets, or of moments or rates")
    if layout["container"] == "parquet":
        table = _module("pyarrow.parquet").read_table(io.BytesIO(data))
        columns = [
            table.column(w - 1 if isinstance(w, int) else w).to_numpy(zero_copy_only=False)
            for w in wanted
        ]
    else:
        cells = _read_cells(_unpacked(data), layout, wanted)
        columns = [_numbers(column, layout["decimal"]) for column in cells]
    values, watts = columns[0], columns[1].astype(float) if len(columns) > 1 else None
    if frames["holds"] == "frame_end":
        if frames["starts"] == "zero":
            values = np.concatenate([np.zeros(1, values.dtype), values])
        elif watts is not None:
            watts = watts[1:]  # the first stamp ends no frame
        values = np.diff(values)
    return values.astype(float) * TO_MS[frames["unit"]], watts


_Side = tuple[float, float, int, int]  # mean of ln values, variance of one pass, passes, df


def _error(variance: float, df: float, confidence: float) -> float | None:  # on the log scale
    """Return the half-width by Student's t; none of one run or of equal runs."""
    if not df > 0 or not variance > 0:
        return None
    return float(_t_quantile(confidence, df) * math.sqrt(variance))


def _figure(log: float, half: float | None) -> _Figure:
    """Return a ratio and its ends from the log scale."""
    if half is None:
        return math.exp(log), None, None
    return math.exp(log), math.exp(log - half), math.exp(log + half)


class _Review:
    """A sealed review, and each of its figures worked out again when it is asked for."""

    def __init__(self, bag: Path) -> None:
        self.data = bag / "data" if (bag / "data").is_dir() else bag
        book = json.loads((self.data / "claims.json").read_bytes())
        self.settings, self.layouts = book["settings"], book["layouts"]
        self.runs = {run["id"]: run for run in book["runs"]}
        self.claims: dict[str, _Claim] = {claim["id"]: claim for claim in book["claims"]}
        self.confidence = float(self.settings["margins"]["confidence"])
        self.sheet = {row["run"]: row for row in self._table("bench/runs.csv")}
        self.prices = self._table("bench/prices.csv")
        self.logs: dict[str, tuple[np.ndarray, np.ndarray | None]] = {}
        self.made: dict[str, _Figure] = {}

    def _table(self, name: str) -> list[dict[str, str]]:
        """Return a table of the bench, a dictionary a row; nothing where there is none."""
        path = self.data / name
        if not path.is_file():
            return []
        rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""))
        rows.fieldnames = [name.strip().lower() for name in rows.fieldnames or ()]
        return [{k: (v or "").strip() for k, v in row.items() if k} for row in rows]

    def frames(self, run: str) -> tuple[np.ndarray, np.ndarray | None]:
        """Return frame times and power of a run, from its log."""
        if run not in self.logs:
            record = self.runs[run]
            data = (self.data / "bench" / record["file"]).read_bytes()
            if hashlib.sha256(data).hexdigest() != record["sha256"]:
                raise _NotMadeError("logs that are not the ones claims.json names")
            ms, watts = _read_log(data, self.layouts[record["layout"]])
            if cut := self.claims.get(f"common_stretch/{record['title']}"):
                ends, last = np.cumsum(ms) / 1000, cut["value"]
                kept = ends <= last * (1 + 1e-9)
                if cut["unit"] == "frames":
                    kept = np.arange(ms.size) < last
                ms, watts = ms[kept], watts if watts is None else watts[kept]
            self.logs[run] = ms, watts
        return self.logs[run]

    def figure_of_run(self, run: str, metric: str) -> float | None:
        """Return a run's figure: from its log, else from the run sheet; None where it has none."""
        record = self.runs[run]
        if not record["frames"]:
            typed = self.sheet.get(run, {}).get(metric, "").replace(",", ".")
            return float(typed) if typed else None
        ms, _ = self.frames(run)
        if metric == "average_fps":
            return float(1000 * ms.size / ms.sum())
        if metric == "median_fps":
            return float(1000 / np.median(ms))
        if metric not in SHARES:
            raise _NotMadeError(f"runs of {metric}")
        chosen = self.settings["metrics"]
        return _low(ms, SHARES[metric], chosen["low"], int(chosen["quantile_type"]))

    def side(self, claim: _Claim, product: str, runs: Iterable[str] = ()) -> dict[str, float]:
        """Return x = ln value of each run of one side, by run: the used ones, or those named."""
        chosen = runs or [run for run, record in self.runs.items() if record["used"]]
        found = {}
        for run in chosen:
            record = self.runs[run]
            if (record["product"], record["title"]) == (product, claim["title"]):
                value = self.figure_of_run(run, claim["metric"])
                if value is not None:
                    level = str(claim["unit"]).startswith("dB")
                    found[run] = value / DB if level else math.log(value)
        if not found:
            raise _NotMadeError("sides without a run")
        return found

    def pooled(self, metric: str, x: Mapping[str, float]) -> _Side:
        """Return what the runs of a side say, each weighing by the passes it is the mean of."""
        n, known = [], []
        for run in x:
            row = self.sheet.get(run, {})
            typed = not self.runs[run]["frames"]
            n.append(int(row.get("passes") or 1) if typed else 1)
            percent = row.get("spread_pct", "").replace(",", ".") if typed else ""
            if percent and metric in {"average_fps", "value"}:
                known.append((n[-1] - 1, math.log1p((float(percent) / 100) ** 2)))
        weight, logs = np.array(n, dtype=float), np.array(list(x.values()))
        mean = float(weight @ logs / weight.sum())
        df = logs.size - 1 + sum(f for f, _ in known)
        squares = float(weight @ (logs - mean) ** 2) + sum(f * v for f, v in known)
        variance = squares / df if df and squares > 1e-28 * df else 0.0
        return mean, variance, sum(n), df

    def borrowed(self, metric: str, side: _Side) -> _Side:
        """Return a side that has no spread of its own with that of the titles params name."""
        named = self.settings["margins"].get("spread_from") or ()
        sides = []
        for title in named if not side[3] else ():
            for product in dict.fromkeys(run["product"] for run in self.runs.values()):
                about = {"title": title, "metric": metric, "unit": ""}
                try:
                    sides.append(self.pooled(metric, self.side(about, product)))
                except _NotMadeError:
                    continue
        df = sum(f for _, v, _, f in sides if v > 0)
        if not df:
            return side
        return side[0], sum(f * v for _, v, _, f in sides if v > 0) / df, side[2], df

    def make(self, name: str) -> _Figure:
        """Return the figure of a claim, worked out again.

        Raises
        ------
        _NotMadeError
            If this program does not know how, or something it needs is missing.
        """
        if name not in self.made:
            claim = self.claims.get(name)
            if claim is None or claim["kind"] not in _MAKERS:
                raise _NotMadeError("kinds of figure not known here")
            self.made[name] = _MAKERS[claim["kind"]](self, claim)
        return self.made[name]

    def ends(self, name: str) -> tuple[float, float]:
        """Return the ends of a figure: worked out again, or else as stated."""
        _, low, high = self.make(name)
        claim = self.claims[name]
        if low is None or high is None:
            low, high = claim["low"], claim["high"]
        if low is None or high is None:
            raise _NotMadeError("ends that rest on a figure without ends")
        return low, high

    def logs_of_suite(self, claim: _Claim) -> dict[str, float]:
        """Return ln ratio of each title of a suite."""
        return {self.claims[m]["title"]: math.log(self.make(m)[0]) for m in claim["inputs"]}

    def weights(self, claim: _Claim, titles: Sequence[str]) -> np.ndarray:
        """Return the weights of a suite's titles, which sum to 1."""
        group = claim["group"]
        group = (group == "all" and self.settings.get("headline")) or group
        stated = (self.settings["suites"].get(group) or {}).get("weights") or {}
        w = np.array([float(stated.get(title, 1.0)) for title in titles])
        return np.asarray(w / w.sum())


# --- one function a kind of claim --------------------------------------------------------------


def _of_run(review: _Review, claim: _Claim) -> _Figure:
    value = review.figure_of_run(claim["inputs"][0], claim["metric"])
    if value is None:
        raise _NotMadeError("runs without a figure")
    return value, None, None


def _of_low(review: _Review, claim: _Claim) -> _Figure:
    ms, _ = review.frames(claim["inputs"][0])
    quantile_type = int(review.settings["metrics"]["quantile_type"])
    return _low(ms, SHARES[claim["metric"]], claim["group"], quantile_type), None, None


def _of_cell(review: _Review, claim: _Claim) -> _Figure:
    side = review.pooled(claim["metric"], review.side(claim, claim["product"]))
    mean, variance, n, df = review.borrowed(claim["metric"], side)
    half = _error(variance / n, df, review.confidence)
    if claim["method"] not in {"cell-welch", "cell-borrowed"}:
        half = None
    if str(claim["unit"]).startswith("dB"):
        return mean * DB, *(
            (None, None) if half is None else ((mean - half) * DB, (mean + half) * DB)
        )
    return _figure(mean, half)


def _of_margin(review: _Review, claim: _Claim) -> _Figure:
    all_runs = [name.split("/", 2)[2] for name in claim["inputs"] if name.startswith("run/")]
    a = review.side(claim, claim["product"], all_runs)
    b = review.side(claim, claim["baseline"], all_runs)
    main = review.claims.get(claim["id"].replace(f"{claim['kind']}/", "margin/", 1), claim)
    sign = -1 if "less_is_better" in main["marks"] else 1
    sessions = [
        {r: review.runs[r]["session"] for r in side if review.runs[r]["session"]} for side in (a, b)
    ]
    common = sorted(set(sessions[0].values()) & set(sessions[1].values()))
    paired = "paired" in main["method"]
    by_design = review.settings["margins"]["method"] == "auto" and claim["kind"] == "margin"
    if by_design and main["method"] != "difference" and (len(common) > 1) != paired:
        paired = not paired  # the design decides, so that another method's ratio shows as another
    own = claim["method"] in {
        "margin-welch", "margin-paired", "margin-own-runs", "margin-borrowed",
    }  # fmt: skip
    if paired:
        log, half = _paired(a, b, sessions, common, review.confidence)
    else:
        sides = [review.pooled(claim["metric"], x) for x in (a, b)]
        one = all(df == 0 for *_, df in sides)
        if "borrowed" in main["method"]:
            sides = [review.borrowed(claim["metric"], x) for x in sides]
        log, half = _welch(sides[0], sides[1], review.confidence, one=one)
    if main["method"] == "difference":
        return log * DB, None, None
    return _figure(sign * log, half if own else None)


def _welch(a: _Side, b: _Side, confidence: float, *, one: bool) -> tuple[float, float | None]:
    """Return the difference of two means and its half-width; `one`: both have one variance."""
    log = a[0] - b[0]
    p, q = a[1] / a[2], b[1] / b[2]
    if min(a[3], b[3]) < 1 or p + q == 0:
        return log, None
    df = a[3] if one else (p + q) ** 2 / (p**2 / a[3] + q**2 / b[3])
    return log, _error(p + q, df, confidence)


def _paired(
    a: Mapping[str, float],
    b: Mapping[str, float],
    sessions: Sequence[Mapping[str, str]],
    common: Sequence[str],
    confidence: float,
) -> tuple[float, float | None]:
    d, w = [], []
    for session in common:
        x = [a[run] for run, s in sessions[0].items() if s == session]
        y = [b[run] for run, s in sessions[1].items() if s == session]
        d.append(sum(x) / len(x) - sum(y) / len(y))
        w.append(2 * len(x) * len(y) / (len(x) + len(y)))
    each, weight = np.array(d), np.array(w)
    log = float((weight * each).sum() / weight.sum())
    v = float((weight * (each - log) ** 2).sum()) / (len(d) - 1)
    if v == 0:
        return log, None
    return log, _t_quantile(confidence, len(d) - 1) * math.sqrt(v / weight.sum())


def _of_suite(review: _Review, claim: _Claim) -> _Figure:
    x = review.logs_of_suite(claim)
    log = float(review.weights(claim, list(x)) @ np.array(list(x.values())))
    if len(x) == 1:
        return math.exp(log), *review.make(claim["inputs"][0])[1:]
    return math.exp(log), None, None


def _of_suite_all_runs(review: _Review, claim: _Claim) -> _Figure:
    x = {}
    for name in claim["inputs"]:
        other = name.replace("margin/", "margin_all_runs/", 1)
        there = other if other in review.claims else name
        x[review.claims[name]["title"]] = math.log(review.make(there)[0])
    return math.exp(review.weights(claim, list(x)) @ np.array(list(x.values()))), None, None


def _of_suite_like(review: _Review, claim: _Claim) -> _Figure:
    x = review.logs_of_suite(review.claims[claim["inputs"][0]])
    w, logs = review.weights(claim, list(x)), np.array(list(x.values()))
    mean, squares = float(w @ logs), float(w @ w)
    if len(x) < 2:
        return math.exp(mean), None, None
    se = math.sqrt(float(w @ (logs - mean) ** 2) / (1 - squares) * squares)
    return _figure(mean, _t_quantile(review.confidence, 1 / squares - 1) * se)


def _of_range(review: _Review, claim: _Claim) -> _Figure:
    x = review.logs_of_suite(review.claims[claim["inputs"][0]])
    pick = max if claim["kind"] == "suite_largest" else min
    return math.exp(pick(x.values())), None, None


def _of_influence(review: _Review, claim: _Claim) -> _Figure:
    x = review.logs_of_suite(review.claims[claim["inputs"][0]])
    w = dict(zip(x, review.weights(claim, list(x)), strict=True))
    rest = sum(w[t] * x[t] for t in x if t != claim["title"])
    return math.exp(rest / (1 - w[claim["title"]])), None, None


def _of_quotient(review: _Review, claim: _Claim) -> _Figure:
    one, other = (review.make(name)[0] for name in claim["inputs"])
    return one / other, None, None


def _of_closure(review: _Review, claim: _Claim) -> _Figure:
    a, b, c = claim["product"], claim["group"], claim["baseline"]
    metric = claim["metric"]
    cells = {
        (o["title"], o["product"]): name
        for name, o in review.claims.items()
        if o["kind"] == "cell" and o["metric"] == metric
    }

    def shared(*products: str) -> list[str]:
        titles = dict.fromkeys(title for title, _ in cells)
        return [t for t in titles if all((t, p) in cells for p in products)]

    def ratio(x: str, y: str, titles: Sequence[str], *, own: bool) -> float:
        logs = []
        for t in titles:
            margin = f"margin/{metric}/{t}/{x}-over-{y}"
            turned = f"margin/{metric}/{t}/{y}-over-{x}"
            if own and margin in review.claims:
                logs.append(math.log(review.make(margin)[0]))
            elif own and turned in review.claims:
                logs.append(-math.log(review.make(turned)[0]))
            else:
                one, other = (review.make(cells[t, p])[0] for p in (x, y))
                logs.append(math.log(one / other))
        return math.exp(sum(logs) / len(logs))

    every = shared(a, b, c)
    made = {
        "chained": lambda: ratio(a, b, every, own=False) * ratio(b, c, every, own=False),
        "direct": lambda: ratio(a, c, every, own=False),
        "chained_own": lambda: (
            ratio(a, b, shared(a, b), own=True) * ratio(b, c, shared(b, c), own=True)
        ),
        "direct_own": lambda: ratio(a, c, shared(a, c), own=True),
    }
    if claim["part"] == "difference":
        return made["chained_own"]() / made["direct_own"](), None, None
    return made[claim["part"]](), None, None


def _of_energy(review: _Review, claim: _Claim) -> _Figure:
    if claim["method"] == "energy-metered":
        power, average = claim["inputs"]
        value = review.make(power)[0] / review.make(average)[0]
        (least, most), (slow, fast) = review.ends(power), review.ends(average)
        return value, least / fast, most / slow
    each = []
    lag_s = 0.0  # taken over from its claim
    if "lag_not_judged" not in claim["marks"]:
        known = review.claims.get(f"sensor_lag/power_w/{claim['product']}", {})
        lag_s = known.get("value") or 0.0
    for run in claim["runs"]:
        ms, watts = review.frames(run)
        if watts is None:
            raise _NotMadeError("runs without power")
        ends = ms.cumsum() / 1000
        read = ~np.isnan(watts) & (ends > lag_s)
        mean = (watts[read] * ms[read]).sum() / ms[read].sum()
        until = ends[-1] - lag_s
        frames = np.interp(until, np.append(0.0, ends), np.arange(ms.size + 1.0))
        each.append(math.log(mean * until / frames))
    if lag_s:
        return math.exp(sum(each) / len(each)), None, None
    return _mean_of(each, review)


def _of_load(review: _Review, claim: _Claim) -> _Figure:
    if claim["metric"] != "power_w":
        raise _NotMadeError("sensors that are not of power")
    if not claim["title"]:
        logs = [math.log(review.make(name)[0]) for name in claim["inputs"]]
        return math.exp(sum(logs) / len(logs)), None, None
    each = []
    for run in claim["runs"]:
        ms, watts = review.frames(run)
        if watts is None:
            raise _NotMadeError("runs without power")
        ends = ms.cumsum()
        read = ~np.isnan(watts) & (ends > ends[-1] / 2)
        each.append(math.log((watts[read] * ms[read]).sum() / ms[read].sum()))
    return _mean_of(each, review)


def _mean_of(each: Sequence[float], review: _Review) -> _Figure:
    x = np.array(each)
    variance = float(x.var(ddof=1)) if x.size > 1 and x.std() else 0.0
    half = _error(variance / x.size, x.size - 1, review.confidence)
    return _figure(float(x.mean()), half)


def _of_energy_margin(review: _Review, claim: _Claim) -> _Figure:
    mine, other = claim["inputs"]
    return review.make(other)[0] / review.make(mine)[0], None, None


def _of_inverse(review: _Review, claim: _Claim) -> _Figure:
    value, low, high = review.make(claim["inputs"][0])
    return 1 / value, None if high is None else 1 / high, None if low is None else 1 / low


def _of_price(review: _Review, claim: _Claim) -> _Figure:
    value, kind, product = review.settings["value"], claim["group"], claim["product"]
    if claim["method"] == "scenario-price":
        named = [m.removeprefix("scenario: ") for m in claim["marks"] if m.startswith("scenario: ")]
        for scenario in value["scenarios"]:
            if scenario["product"] == product and scenario["name"] in named:
                return (float(scenario["price"]),) * 3
        raise _NotMadeError("supposed prices that settings do not name")
    if kind not in value["kinds"]:
        kind = "street" if "street" in value["kinds"] else value["kinds"][-1]
    since = value["since"] or "0000"
    rows = [
        row
        for row in review.prices
        if row["product"] == product
        and row["kind"].casefold() == kind
        and (
            kind == "launch" or since <= row["date"] <= (value["until"] or review.settings["date"])
        )
    ]
    own = [_money(row) for row in rows if row["currency"] == value["currency"]]
    prices = own or [_converted(review, row) for row in rows]
    if not prices:
        raise _NotMadeError("products without a price")
    return float(np.median(prices)), min(prices), max(prices)


def _money(row: Mapping[str, str]) -> float:
    return float(row["price"].replace(",", "."))


def _converted(review: _Review, row: Mapping[str, str]) -> float:
    """Return a price by the rate nearest in date, of two as near by the earlier."""
    pair = f"{row['currency']}/{review.settings['value']['currency']}"
    rates = [r for r in review.prices if r["kind"] == "rate"]
    fitting = [r for r in rates if r["currency"] == pair]
    fitting = fitting or [r for r in rates if r["currency"] == row["currency"]]
    if not fitting:
        raise _NotMadeError("prices without a rate")
    day = dt.date.fromisoformat(row["date"])

    def distance(r: Mapping[str, str]) -> tuple[int, str]:
        return abs((dt.date.fromisoformat(r["date"]) - day).days), r["date"]

    return _money(row) * _money(min(fitting, key=distance))


def _of_suite_fps(review: _Review, claim: _Claim) -> _Figure:
    x = {review.claims[c]["title"]: math.log(review.make(c)[0]) for c in claim["inputs"]}
    w = review.weights({"group": "all"}, list(x))
    return math.exp(w @ np.array(list(x.values()))), None, None


def _of_cost(review: _Review, claim: _Claim) -> _Figure:
    price, fps = claim["inputs"]
    low, high = review.ends(price)
    rate = review.make(fps)[0]
    return review.make(price)[0] / rate, low / rate, high / rate


def _of_premium(review: _Review, claim: _Claim) -> _Figure:
    mine, rival = claim["inputs"]
    (low, high), (cheap, dear) = review.ends(mine), review.ends(rival)
    return review.make(mine)[0] / review.make(rival)[0], low / dear, high / cheap


def _of_equal_value(review: _Review, claim: _Claim) -> _Figure:
    rival, suite = claim["inputs"]
    value = review.make(rival)[0] * review.make(suite)[0]
    if review.claims[suite]["low"] is None:
        return value, None, None
    (cheap, dear), (low, high) = review.ends(rival), review.ends(suite)
    return value, cheap * low, dear * high


def _of_cut(review: _Review, claim: _Claim) -> _Figure:
    price, equal = claim["inputs"]
    value = max(0.0, 1 - review.make(equal)[0] / review.make(price)[0])
    if review.claims[equal]["low"] is None:
        return value, None, None
    (cheap, dear), (low, high) = review.ends(price), review.ends(equal)
    return value, max(0.0, 1 - high / cheap), max(0.0, 1 - low / dear)


_MAKERS: dict[str, Callable[[_Review, _Claim], _Figure]] = {
    "run": _of_run, "low": _of_low, "cell": _of_cell, "margin": _of_margin,
    "margin_own_runs": _of_margin, "margin_all_runs": _of_margin, "suite": _of_suite,
    "suite_all_runs": _of_suite_all_runs, "suite_like": _of_suite_like,
    "suite_smallest": _of_range, "suite_largest": _of_range, "influence": _of_influence,
    "gap_here": _of_suite, "gap_there": _of_suite, "gap": _of_quotient,
    "run_over_mean": _of_quotient, "closure": _of_closure, "energy": _of_energy,
    "energy_margin": _of_energy_margin, "load": _of_load, "load_ratio": _of_quotient,
    "fps_per_watt": _of_inverse, "price": _of_price, "suite_fps": _of_suite_fps,
    "cost_per_fps": _of_cost, "premium": _of_premium, "equal_value_price": _of_equal_value,
    "cut_needed": _of_cut,
}  # fmt: skip


def _differences(claim: _Claim, made: _Figure) -> list[str]:
    """Return in words what of a claim differs from the figure worked out again."""
    found = []
    for part, mine, tolerance in zip(
        ("value", "low", "high"), made, (RATIO_TOLERANCE, END_TOLERANCE, END_TOLERANCE), strict=True
    ):
        stated = claim[part]
        if mine is None:
            continue
        # What one product of a price and a cost makes near 0 is compared with 1, not with itself.
        if stated is None or not abs(mine - stated) <= tolerance * max(abs(mine), 1e-3):
            found.append(f"{claim['id']}: {part} is {mine!r} from the logs; stated {stated!r}")
    return found


def main(words: Sequence[str]) -> int:
    """Print what agrees, what differs and what was not worked out; return the exit status."""
    review = _Review(Path(words[0]) if words else Path(__file__).resolve().parent.parent)
    again, ends, not_made = Counter[str](), Counter[str](), Counter[str]()
    differing: list[str] = []
    for name, claim in review.claims.items():
        if claim["value"] is None:
            continue
        try:
            made = review.make(name)
        except _NotMadeError as error:
            not_made[f"{claim['kind']} ({error})"] += 1
            continue
        again[claim["kind"]] += 1
        if made[1] is not None:
            ends[claim["kind"]] += 1
        elif claim["low"] is not None:
            not_made[f"ends of {claim['kind']} by {claim['method']}"] += 1
        differing += _differences(claim, made)
    for kind, count in again.items():
        with_ends = f", {ends[kind]} with their ends" if ends[kind] else ""
        print(f"{kind}: {count} worked out again{with_ends}")
    for what, count in not_made.items():
        print(f"as stated: {count} {what}")
    print("\n".join([*differing, f"{sum(again.values())} figures, {len(differing)} differ"]))
    return 2 if not again else 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
