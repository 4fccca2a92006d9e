"""More of the methods, from the words of `kit/methods.md` alone: numpy, no kit.

What `by_hand` makes of runs and margins is put together here: gaps, money, energy, a bench's
spread, plans, and what lies within one run.
"""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
from by_hand import t_quantile, trigamma

Part = tuple[float, float, bool]  # variance, degrees of freedom, whether a mixture


# --- a run's figures ---------------------------------------------------------------------------


def time_over_budget(ms: np.ndarray, hz: float, step: float = 0.0) -> float:
    return float(ms[ms - step / 2 > 1000 / hz].sum() / ms.sum())


def count_hitches(ms: np.ndarray, factor: float, more: float) -> int:
    """Return the hitches, frame by frame."""
    if len(ms) < 3:
        return 0
    found = 0
    for i, t in enumerate(ms):
        start = max(0, min(i - 15, len(ms) - 31))
        m = np.median(ms[start : start + 31])
        found += bool(t > factor * m and t > m + more)
    return found


def energy_per_frame(ms: np.ndarray, watts: np.ndarray) -> float:
    read = ~np.isnan(watts)
    mean = (watts[read] * ms[read]).sum() / ms[read].sum()
    return float(mean * ms.sum() / 1000 / len(ms))


def settled_energy(ms: np.ndarray, watts: np.ndarray, lag: float) -> float:
    """Return joules a frame where power is read `lag` seconds late."""
    ends = ms.cumsum() / 1000
    read = ~np.isnan(watts) & (ends > lag)
    mean = (watts[read] * ms[read]).sum() / ms[read].sum()
    until = ends[-1] - lag
    whole = int((ends <= until).sum())
    part = (until - (ends[whole - 1] if whole else 0.0)) / (ms[whole] / 1000)
    return float(mean * until / (whole + part))


def lag_profile(ms: np.ndarray, read: np.ndarray) -> tuple[list[float], float]:
    """Return ln likelihood ratios of the lags 0 to 5 s, and the time between readings."""
    ends = ms.cumsum() / 1000
    kept: dict[int, tuple[float, float]] = {}
    before = math.nan
    for end, value in zip(ends, read, strict=True):
        if not math.isnan(value) and value != before:
            kept[int(end / 0.1)] = (float(end), float(value))
        before = value
    moments = np.array([m for m, _ in kept.values()])
    gap = max(0.1, float(np.median(np.diff(moments))))
    pairs = [p for p in kept.values() if 5 + gap / 2 <= p[0] <= ends[-1] - gap / 2]
    at, y = np.array(pairs).T
    n = len(at)

    def frames_until(t: float) -> float:
        done = int((ends <= t).sum())
        since = ends[done - 1] if done else 0.0
        return done + (t - since) / (ms[min(done, len(ms) - 1)] / 1000)

    x = [
        np.array([math.log(frames_until(t - k / 10 + gap / 2) - frames_until(t - k / 10 - gap / 2))
                  for t in at])
        for k in range(51)
    ]  # fmt: skip
    cubic = np.stack([(at - at.mean()) ** d for d in range(4)], axis=1)
    phi = 0.0
    for _ in range(3):
        step = [a[1:] - phi * a[:-1] for a in (y, cubic)]
        found, slopes = [], []
        for one in x:
            design = np.column_stack([step[1], one[1:] - phi * one[:-1]])
            full, without, *_ = (np.linalg.lstsq(d, step[0], rcond=None) for d in (design, step[1]))
            rest = [((step[0] - d @ b[0]) ** 2).sum() for d, b in
                    ((design, full), (step[1], without))]  # fmt: skip
            found.append((n - 5) / 2 * math.log(rest[1] / rest[0]))
            slopes.append(full[0][-1])
        best = int(np.argmax(found))
        left = y - slopes[best] * x[best]
        left = left - cubic @ np.linalg.lstsq(cubic, left, rcond=None)[0]
        c = (left[1:] * left[:-1]).sum() / (left[:-1] ** 2).sum()
        phi = min(0.98, max(0.0, c + 4 * (1 + 3 * c) / n))
    return found, gap


def sensor_lag(runs: list[tuple[np.ndarray, np.ndarray]]) -> list[float]:
    """Return lag and ends of its interval from several runs."""
    profiles = [lag_profile(ms, read) for ms, read in runs]
    whole = np.sum([found for found, _ in profiles], axis=0)
    inside = np.flatnonzero(whole >= whole.max() - 1.920729)
    more = float(np.median([gap for _, gap in profiles])) / 2 / math.sqrt(len(runs))
    return [whole.argmax() / 10, max(0.0, inside[0] / 10 - more), inside[-1] / 10 + more]


def energy_ratio(own: list[float], other: list[float], confidence: float) -> list[float]:
    """Return by how much less energy the first needs, with Welch's interval."""
    logs = [np.log(own), np.log(other)]
    parts = [x.var(ddof=1) / x.size for x in logs]
    df = sum(parts) ** 2 / sum(p**2 / (x.size - 1) for p, x in zip(parts, logs, strict=True))
    half = t_quantile(confidence, df) * math.sqrt(sum(parts))
    return [math.exp(logs[1].mean() - logs[0].mean() + k * half) for k in (0, -1, 1)]


def apart(
    own: list[list[float]], other: list[list[float]], confidence: float, *, of_logs: bool
) -> list[float]:
    """Return the mean over titles of runs, less that of others' if any, with Welch's interval."""
    there, back = (np.log, np.exp) if of_logs else (np.array, float)
    center, parts = 0.0, []
    for sign, titles in ((1, own), (-1, other)):
        for runs in titles:
            x = there(runs)
            center += sign * x.sum() / x.size / len(titles)
            variance = ((x - x.sum() / x.size) ** 2).sum() / (x.size - 1)
            parts.append((variance / x.size / len(titles) ** 2, x.size - 1))
    total = sum(v for v, _ in parts)
    half = t_quantile(confidence, total**2 / sum(v**2 / f for v, f in parts)) * math.sqrt(total)
    return [float(back(center + k * half)) for k in (0, -1, 1)]


def pooled(groups: list[list[float]]) -> float:
    """Return the variance within groups."""
    squares = sum((v - sum(g) / len(g)) ** 2 for g in groups for v in g)
    return squares / sum(len(g) - 1 for g in groups)


def mean_with_t(values: list[float], confidence: float) -> list[float]:
    """Return exp of the mean of ln values and its t interval."""
    x = np.log(values)
    half = t_quantile(confidence, x.size - 1) * x.std(ddof=1) / math.sqrt(x.size)
    return [math.exp(x.mean() + k * half) for k in (0, -1, 1)]


# --- across margins ----------------------------------------------------------------------------


def combine(parts: list[Part], confidence: float) -> float:
    """Return the half-width of a sum of independent errors."""
    total = sum(v for v, _, _ in parts)
    f = total**2 / sum(v**2 / df for v, df, _ in parts)
    g = sum(v for v, _, mixture in parts if mixture) / total
    df = f + 4 * g
    return t_quantile(confidence, df) * math.sqrt(total * (1 - 2 * g / df))


def gap_half_width(
    terms: list[tuple[float, list[tuple[str, str, str, float, float, float, float, bool]]]],
    confidence: float,
) -> float:
    """Return the half-width of a product of powers of suites.

    `terms` are (power, margins); a margin is (title, product, baseline, e^2, f, and the variances
    of the two sides' own errors, whether a mixture).
    """
    sides: dict[tuple[str, str], list[Part]] = {}
    for power, margins in terms:
        for title, product, baseline, e2, f, one, other, mixture in margins:
            parts = [e2 * one / (one + other), e2 * other / (one + other)]
            df = f * sum(p**2 for p in parts) / sum(parts) ** 2
            for name, part, sign in zip((product, baseline), parts, (1, -1), strict=True):
                error = sign * power * math.sqrt(part) / len(margins)
                sides.setdefault((title, name), []).append((error, df, mixture))
    return combine(
        [
            (sum(e for e, _, _ in side) ** 2, min(df for _, df, _ in side), side[0][2])
            for side in sides.values()
        ],
        confidence,
    )


def adjusted(p_values: list[float], family: str) -> list[float]:
    """Return p values adjusted by Holm or by Benjamini and Hochberg, one by one."""
    n, order = len(p_values), sorted(range(len(p_values)), key=lambda i: p_values[i])
    made = [0.0] * n
    for place, i in enumerate(order):
        if family == "holm":
            ranks = range(place + 1)
            made[i] = min(1.0, max(p_values[order[k]] * (n - k) for k in ranks))
        else:
            ranks = range(place, n)
            made[i] = min(1.0, min(p_values[order[k]] * n / (k + 1) for k in ranks))
    return made


# --- value -------------------------------------------------------------------------------------


def prices_in_force(
    rows: list[dict[str, str]], kind: str, currency: str, since: str, until: str
) -> dict[str, list[float]]:
    """Return low, median and high by product, of rows of `prices.csv` in one currency."""
    found: dict[str, list[float]] = {}
    for row in rows:
        day = dt.date.fromisoformat(row["date"])
        inside = dt.date.fromisoformat(since) <= day <= dt.date.fromisoformat(until)
        if row["kind"] == kind and row["currency"] == currency and (kind == "launch" or inside):
            found.setdefault(row["product"], []).append(float(row["price"]))
    return {p: [min(v), float(np.median(v)), max(v)] for p, v in found.items()}


def frontier(costs: list[float], rates: list[float]) -> list[str]:
    """Return each product's place, by comparing every two and then every way past it."""
    n = len(costs)
    points = list(zip(costs, rates, strict=True))
    better = [
        [c <= a and r >= b and (c < a or r > b) for c, r in points] for a, b in points
    ]  # fmt: skip
    made = ["dominated" if any(better[i]) else "on" for i in range(n)]
    left = [i for i in range(n) if made[i] == "on"]
    for i in left:
        a, b = points[i]
        if any(points[j] == points[i] for j in left if j != i):
            made[i] = "tie"
        for c, r in (points[j] for j in left):
            for d, s in (points[k] for k in left):
                # A mix of a cheaper and a dearer product gives more for this one's money.
                if c < a < d and r + (s - r) * (a - c) / (d - c) > b * (1 + 1e-12):
                    made[i] = "extendedly_dominated"
    return made


# --- a bench's spread --------------------------------------------------------------------------


def spread(products: list[list[list[float]]]) -> tuple[float, float]:
    """Return R and S of one title: products hold sessions, sessions hold ln values."""
    within = between = size = 0.0
    runs = sessions = df = 0
    for product in products:
        every = [x for session in product for x in session]
        n, count = len(every), len(product)
        within += sum((x - np.mean(session)) ** 2 for session in product for x in session)
        between += sum(len(s) * (np.mean(s) - np.mean(every)) ** 2 for s in product)
        size += n - sum(len(s) ** 2 for s in product) / n
        runs, sessions, df = runs + n, sessions + count, df + count - 1
    r = within / (runs - sessions)
    return r, max((between / df - r) / (size / df), 0.0)


def two_way(table: np.ndarray) -> tuple[float, float, float]:
    """Return the components of rows, columns and rest of a full table: classical means squares."""
    rows, columns = table.shape
    grand, by_row, by_column = table.mean(), table.mean(axis=1), table.mean(axis=0)
    rest = ((table - by_row[:, None] - by_column + grand) ** 2).sum() / (rows - 1) / (columns - 1)
    ms_row = columns * ((by_row - grand) ** 2).sum() / (rows - 1)
    ms_column = rows * ((by_column - grand) ** 2).sum() / (columns - 1)
    return max((ms_row - rest) / columns, 0.0), max((ms_column - rest) / rows, 0.0), float(rest)


# --- plans -------------------------------------------------------------------------------------

ERFC = np.frompyfunc(math.erfc, 1, 1)


def power_of(ratio: float, sd: float, runs: int, confidence: float, lent: float = 0.0) -> float:
    """Return the power of equal runs a side, variance shared: an integral over the spread."""
    df = 2 * (runs - 1 + lent)
    shift = math.log(ratio) / (sd * math.sqrt(2 / runs))
    critical = t_quantile(confidence, df)
    u = np.linspace(1e-6, 6, 4_001)  # s over sigma: df u^2 is a chi-square
    log_density = df / 2 * math.log(df / 2) - math.lgamma(df / 2) + math.log(2)
    density = np.exp(log_density + (df - 1) * np.log(u) - df * u * u / 2)
    upper = ERFC((critical * u - shift) / math.sqrt(2)).astype(float) / 2
    lower = ERFC((critical * u + shift) / math.sqrt(2)).astype(float) / 2
    return float((density * (upper + lower)).sum() * (u[1] - u[0]))


def runs_needed(ratio: float, sd: float, power: float, confidence: float) -> int:
    n = 2
    while power_of(ratio, sd, n, confidence) < power:
        n += 1
    return n


def smallest_ratio(sd: float, runs: int, power: float, confidence: float) -> float:
    low, high = 0.0, 100 * sd
    for _ in range(40):
        middle = (low + high) / 2
        enough = power_of(math.exp(middle), sd, runs, confidence) >= power
        low, high = (low, middle) if enough else (middle, high)
    return math.exp(high)


def lent(total: float) -> float:
    """Return l with psi1(l / 2) = total, by bisection."""
    low, high = 1e-3, 1e7
    for _ in range(200):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if trigamma(middle / 2) > total else (low, middle)
    return low


# --- within a run ------------------------------------------------------------------------------


def series_of(ms: np.ndarray, share: float | None) -> np.ndarray:
    """Return z of the average (None), or of a low at `share`."""
    if share is None:
        return ms
    k = math.ceil(share * len(ms) - 1e-9)
    q = np.sort(ms)[-k]
    return np.maximum(ms - q, 0) * len(ms) / k + q


def series_of_median(ms: np.ndarray) -> np.ndarray:
    """Return z of the median: how frames around it lie apart, frame by frame."""
    x, n = np.sort(ms), len(ms)

    def quantile(p: float) -> float:
        at = (n - 1) * p
        k = min(math.floor(at), n - 2)
        return float(x[k] + (at - k) * (x[k + 1] - x[k]))

    q = 1.959963984540054
    h = min(0.5, (1.5 * q * q / (2 * math.pi * n)) ** (1 / 3))
    m, s = quantile(0.5), (quantile(0.5 + h) - quantile(0.5 - h)) / (2 * h)
    b = np.array([1.0 if t < m else 0.0 if t > m else 0.5 for t in ms])
    return m + s * (b.mean() - b)


def block_length(ms: np.ndarray) -> int:
    """Return the length of blocks, by sums over lags written out."""
    n, x = len(ms), ms - ms.mean()
    k = max(5, int(math.log10(n)))
    most = math.ceil(math.sqrt(n)) + k
    rho = [float((x[: n - lag] * x[lag:]).sum() / (x * x).sum()) for lag in range(most + 1)]
    edge = 2 * math.sqrt(math.log10(n) / n)
    quiet = [j for j in range(most - k + 1) if all(abs(r) < edge for r in rho[j : j + k])]
    m = min(2 * max(quiet[0], 1), most) if quiet else most
    u = [min(1.0, 2 * (1 - lag / m)) for lag in range(m + 1)]
    g = 2 * sum(u[lag] * lag * rho[lag] for lag in range(1, m + 1))
    d = 1 + 2 * sum(u[lag] * rho[lag] for lag in range(1, m + 1))
    length = (1.5 * (g / d) ** 2 * n) ** (1 / 3)
    return math.ceil(min(max(length, 1.0), math.ceil(min(3 * math.sqrt(n), n / 3))))


def block_variance(z: np.ndarray, length: int) -> float:
    ring = np.concatenate([z, z[:length]])
    means = np.array([ring[i : i + length].mean() for i in range(len(z))])
    return float(((means - z.mean()) ** 2).mean() * length / len(z))


def within_error(z: np.ndarray, length: int) -> float:
    return math.sqrt(block_variance(z, length)) / float(z.mean())


def effective_frames(z: np.ndarray, length: int) -> float:
    return min(max(float(z.var()) / block_variance(z, length), 1.0), float(len(z)))
