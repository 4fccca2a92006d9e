"""The methods again, from the words of `kit/methods.md` alone: numpy, slow grids, no kit.

A second version by another route: distributions are laid out on fine even grids and summed, where
the kit uses a few well-placed nodes. Nothing here imports the kit or scipy.
"""

from __future__ import annotations

import math

import numpy as np

ERFC = np.frompyfunc(math.erfc, 1, 1)


def digamma(x: float) -> float:
    """Return psi(x): up to 10 by recurrence, then as Abramowitz and Stegun, 6.3.18."""
    shift = 0.0
    while x < 10:
        shift -= 1 / x
        x += 1
    y = 1 / (x * x)
    return shift + math.log(x) - 0.5 / x - y * (1 / 12 - y * (1 / 120 - y * (1 / 252 - y / 240)))


def trigamma(x: float) -> float:
    """Return psi1(x): up to 10 by recurrence, then as ibid., 6.4.12."""
    shift = 0.0
    while x < 10:
        shift += 1 / (x * x)
        x += 1
    y = 1 / (x * x)
    return shift + 1 / x + y / 2 + y / x * (1 / 6 - y * (1 / 30 - y * (1 / 42 - y / 30)))


def t_tail(t: float, df: float) -> float:
    """Return P(T > t), t > 0, by Simpson's rule over the density."""
    if math.isinf(df):
        return 0.5 * math.erfc(t / math.sqrt(2))
    # With u = atan(x / sqrt(df)) the density is cos(u)^(df - 1) over a finite range.
    start = math.atan(t / math.sqrt(df))
    u = np.linspace(start, math.pi / 2, 20_001)
    f = np.cos(u) ** (df - 1)
    if df < 1:
        raise ValueError("fewer than 1 degree of freedom")
    weight = np.ones(u.size)
    weight[1:-1:2], weight[2:-1:2] = 4, 2
    integral = (weight * f).sum() * (u[1] - u[0]) / 3
    scale = math.exp(math.lgamma((df + 1) / 2) - math.lgamma(df / 2)) / math.sqrt(math.pi)
    return float(scale * integral)


def t_quantile(confidence: float, df: float) -> float:
    """Return the two-sided t quantile, by bisection."""
    low, high = 0.0, 1000.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if t_tail(middle, df) > (1 - confidence) / 2 else (low, middle)
    return (low + high) / 2


def average(ms: np.ndarray) -> float:
    return float(1000 * len(ms) / ms.sum())


def average_over(ms: np.ndarray, length: float, unit: str) -> float:
    """Return the average over the frames that end within a stretch from the beginning."""
    kept, seconds = [], 0.0
    for frame in ms:
        seconds += frame / 1000
        if (len(kept) >= length) if unit == "frames" else (seconds > length * (1 + 1e-9)):
            break
        kept.append(frame)
    return average(np.array(kept))


def average_without(ms: np.ndarray, struck: list[list[float]]) -> float:
    """Return the average less stretches struck, from stretches of equal time."""
    count = min(100, len(ms) // 10)
    whole, seconds, at = float(ms.sum()), 0.0, 0
    sums, sizes = [0.0] * count, [0] * count
    for frame in ms:
        seconds += frame
        while at < count - 1 and seconds >= whole * (at + 1) / count:
            at += 1
        sums[at] += frame
        sizes[at] += 1
    rates = [size / total for size, total in zip(sizes, sums, strict=True)]
    kept = [
        rate
        for i, rate in enumerate(rates)
        if not any(low <= (i + 0.5) / count <= high for low, high in struck)
    ]
    return average(ms) * (sum(kept) / len(kept)) / (sum(rates) / count)


def parted_mean(x: list[float], weights: list[float], expected: float) -> float | None:
    """Return Huber's mean of ln values where it parts from their mean, by halving."""
    middle = float(np.median(x))
    sd = max(
        expected,
        float(np.median([math.sqrt(w) * abs(v - middle) for v, w in zip(x, weights, strict=True)]))
        / 0.6745,
    )
    low, high = min(x), max(x)
    for _ in range(80):
        m = (low + high) / 2
        pull = 0.0
        for v, w in zip(x, weights, strict=True):
            far = math.sqrt(w) * (v - m) / sd
            pull += math.sqrt(w) * min(max(far, -1.345), 1.345)
        low, high = (m, high) if pull > 0 else (low, m)
    mean = sum(w * v for v, w in zip(x, weights, strict=True)) / sum(weights)
    return m if len(x) > 2 and abs(m - mean) > 1.3 * sd / math.sqrt(sum(weights)) else None


def median(ms: np.ndarray) -> float:
    x, n = sorted(float(t) for t in ms), len(ms)
    return 2000 / (x[(n - 1) // 2] + x[n // 2])


def low_slowest_share(ms: np.ndarray, share: float) -> float:
    count = math.ceil(share * len(ms) - 1e-9)
    return float(1000 * count / np.sort(ms)[-count:].sum())


def low_time_share(ms: np.ndarray, share: float) -> float:
    longest = np.sort(ms)[::-1]
    reached = np.nonzero(np.cumsum(longest) >= share * ms.sum() * (1 - 1e-12))[0][0]
    return float(1000 / longest[reached])


def low_percentile_7(ms: np.ndarray, share: float) -> float:
    return float(1000 / np.quantile(ms, 1 - share))


def welch(a: np.ndarray, b: np.ndarray, confidence: float) -> tuple[float, float]:
    """Return ln ratio of geometric means and half-width."""
    x, y = np.log(a), np.log(b)
    pa, pb = x.var(ddof=1) / x.size, y.var(ddof=1) / y.size
    df = (pa + pb) ** 2 / (pa**2 / (x.size - 1) + pb**2 / (y.size - 1))
    return float(x.mean() - y.mean()), t_quantile(confidence, df) * math.sqrt(pa + pb)


def by_session(
    a: list[float], sa: list[str], b: list[float], sb: list[str]
) -> tuple[float, float, float, int] | None:
    """Return d, W, V and the number of common sessions; None where fewer than two are shared."""
    common = [s for s in dict.fromkeys(sa) if s and s in sb]
    if len(common) < 2:
        return None
    d, w = [], []
    for s in common:
        mine = [math.log(v) for v, q in zip(a, sa, strict=True) if q == s]
        theirs = [math.log(v) for v, q in zip(b, sb, strict=True) if q == s]
        d.append(sum(mine) / len(mine) - sum(theirs) / len(theirs))
        w.append(2 * len(mine) * len(theirs) / (len(mine) + len(theirs)))
    d, w = np.array(d), np.array(w)
    mean = float((w * d).sum() / w.sum())
    return mean, float(w.sum()), float((w * (d - mean) ** 2).sum() / (len(d) - 1)), len(common)


def mixture_half_width(variance: np.ndarray, weight: np.ndarray, confidence: float) -> float:
    """Return h with P(|mixture| > h) = 1 - confidence, by bisection."""
    sd = np.sqrt(variance)
    low, high = 0.0, float(sd.max()) * 10
    for _ in range(60):
        middle = (low + high) / 2
        tail = (weight * ERFC(middle / sd / math.sqrt(2)).astype(float)).sum()
        low, high = (middle, high) if tail > 1 - confidence else (low, middle)
    return (low + high) / 2


def mixture_error(variance: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Return mean variance and degrees of freedom, the upper 0.1 % of variances cut back."""
    order = np.argsort(variance)
    variance, weight = variance[order], weight[order]
    cap = variance[np.nonzero(np.cumsum(weight) > 0.999)[0][0]]
    variance = np.minimum(variance, cap)
    mean = float((weight * variance).sum())
    return mean, 2 * mean**2 / float((weight * (variance - mean) ** 2).sum())


def mixture_tail(variance: np.ndarray, weight: np.ndarray, beyond: float) -> float:
    """Return P(mixture > beyond)."""
    return float((weight * ERFC(beyond / np.sqrt(2 * variance)).astype(float)).sum() / 2)


def like_interval(
    logs: list[float], confidence: float, weights: list[float] | None = None
) -> tuple[float, float]:
    """Return ln suite ratio and half-width for titles like these."""
    x = np.array(logs)
    w = np.full(x.size, 1 / x.size) if weights is None else np.array(weights)
    mean, squares = float((w * x).sum()), float((w * w).sum())
    variance = float((w * (x - mean) ** 2).sum()) / (1 - squares) * squares
    return mean, t_quantile(confidence, 1 / squares - 1) * math.sqrt(variance)


def outcome(d: float, half: float, level_half: float, band: float, false_sign: float = 0.0) -> str:
    edge = math.log1p(band)
    if d - level_half >= -edge and d + level_half <= edge:
        return "level"
    if false_sign >= 0.05:
        return "unresolved"
    if d - half > 0:
        return "ahead"
    return "behind" if d + half < 0 else "unresolved"


def decimals(half: float | None, at_most: int, otherwise: int) -> int:
    """Return the decimals a figure with this half-width is printed with."""
    if half is None:
        return otherwise
    digits = f"{half:.12e}"
    leading, size = float(digits.split("e")[0]), int(digits.split("e")[1])
    if leading >= 9.5:
        leading, size = 1.0, size + 1
    return max(0, min(at_most, (1 if leading < 3.55 else 0) - size))


def printed(value: float, places: int, *, sign: bool) -> str:
    text = f"{abs(value):,.{places}f}"
    if not text.strip("0.,"):
        return text
    return ("\u2212" if value < 0 else "+" if sign else "") + text


def printed_ratio(ratio: float, low: float | None = None, high: float | None = None) -> list[str]:
    """Return text and interval of a ratio, in English."""
    half = None if low is None else 50 * (high - low)
    places = decimals(half, 2 if half is not None and half < 0.05 else 1, 1)
    ends = [] if low is None else [printed(100 * (x - 1), places, sign=True) for x in (low, high)]
    return [printed(100 * (ratio - 1), places, sign=True) + "\u00a0%", " to ".join(ends)]


def printed_fps(fps: float, low: float | None = None, high: float | None = None) -> list[str]:
    most = 1 if fps >= 10 else 2
    places = decimals(None if low is None else (high - low) / 2, most, most)
    ends = [] if low is None else [printed(x, places, sign=False) for x in (low, high)]
    return [printed(fps, places, sign=False) + "\u00a0fps", " to ".join(ends)]
