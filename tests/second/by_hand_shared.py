"""Shared variance, suites and false signs again, from the words of `kit/methods.md`: numpy, no kit.

Another route than the kit's: finer even grids laid out in full and summed, a loop per cell.
"""

from __future__ import annotations

import math

import numpy as np
from by_hand import ERFC, digamma, trigamma

WIDE = 9.0
SCALES = np.exp(np.linspace(math.log(0.05), math.log(5.0), 22))
SHARES = np.array([0.01, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3])
NODES = np.linspace(-5.0, 5.0, 21)
STEP = 0.05  # of r and c
R = np.arange(-45.0, 40.0 + STEP / 2, STEP)
C = np.arange(-16.0, 16.0 + STEP / 2, STEP)
Key = tuple[str, str]
_TABLES: dict[float, np.ndarray] = {}


def normal(x: np.ndarray, variance: float) -> np.ndarray:
    return np.exp(-(x**2) / (2 * variance)) / math.sqrt(2 * math.pi * variance)


def normalised(log: np.ndarray) -> np.ndarray:
    weight = np.exp(log - log.max())
    return weight / weight.sum()


def tables(v: float) -> np.ndarray:
    """Return F for every scale, narrow part (0) and wide part (1), on the grid R."""
    if v not in _TABLES:
        x = R[:, None] - C[None, :]
        half = v / 2
        k = np.exp(
            half * math.log(half) - math.lgamma(half) + half * (x - np.exp(np.minimum(x, 40)))
        )
        parts = []
        for more in (0.0, WIDE):
            h = np.array([normal(C, s * s + more) for s in SCALES])
            parts.append((h / h.sum(axis=1, keepdims=True)) @ k.T)
        _TABLES[v] = np.array(parts)
        _TABLES[-v] = k
    return _TABLES[v]


def factor(v: float, p: float, e: float) -> np.ndarray:
    """Return F for one scale and share of odd cells."""
    tables(v)
    narrow, wide = normal(C, p), normal(C, p + WIDE)
    return _TABLES[-v] @ ((1 - e) * narrow / narrow.sum() + e * wide / wide.sum())


def log_t(x: np.ndarray, squared: float | np.ndarray) -> np.ndarray:
    """Return the log density of a t of 4 df, but for a constant."""
    return -2.5 * np.log1p(x**2 / (4 * squared)) - 0.5 * np.log(squared)


class Shared:
    """Distributions of the variances of cells (kit/methods.md, shared variance, 1 to 6)."""

    def __init__(
        self,
        cells: dict[Key, tuple[float, int]],  # (title, name) -> s^2, v
        *,
        apart: set[Key] = frozenset(),
        temper: float = 1.0,
    ) -> None:
        self.cells, self.apart, self.temper = cells, apart, temper
        self.takes = [k for k, (s2, v) in cells.items() if v > 0 and s2 >= 1e-28 and k not in apart]
        self.titles = list(dict.fromkeys(t for t, _ in cells))
        self.names = list(dict.fromkeys(p for _, p in cells))
        self.crossed = len(self.titles) > 1 and len(self.names) > 1
        self.T = self.Q = self.P = 0.5
        self.e = 0.05
        self._start()
        for number in range(4):
            self._place()
            self._sweep()
            if number < 3:
                self._scales()
        self.care = {key: self._care(key) for key in self.takes}
        self.made: dict[Key, tuple[np.ndarray, np.ndarray]] = {}

    def _z(self, key: Key) -> float:
        s2, v = self.cells[key]
        return math.log(s2) - digamma(v / 2) + math.log(v / 2)

    def _start(self) -> None:
        self.t = dict.fromkeys(self.titles, 0.0)
        self.p = dict.fromkeys(self.names, 0.0)
        w = {k: 1 / (trigamma(self.cells[k][1] / 2) + self.P) for k in self.takes}
        whole = sum(w.values())
        self.L = sum(w[k] * self._z(k) for k in self.takes) / whole
        for _ in range(8):
            for title in self.titles:
                mine = [k for k in self.takes if k[0] == title]
                rest = sum(w[k] * (self._z(k) - self.L - self.p[k[1]]) for k in mine)
                self.t[title] = rest / (sum(w[k] for k in mine) + 2)
            for name in self.names if self.crossed else ():
                mine = [k for k in self.takes if k[1] == name]
                rest = sum(w[k] * (self._z(k) - self.L - self.t[k[0]]) for k in mine)
                self.p[name] = rest / (sum(w[k] for k in mine) + 2)
            left = [w[k] * (self._z(k) - self.t[k[0]] - self.p[k[1]]) for k in self.takes]
            self.L = sum(left) / whole

    def _sd(self, side: int, name: str, scale: float, power: float) -> float:
        mine = [k for k in self.takes if k[side] == name]
        each = [power / (trigamma(self.cells[k][1] / 2) + self.P + 2.25 * self.e) for k in mine]
        precision = sum(each) * (1 - 1 / len(each)) if each else 0.0
        return 1 / math.sqrt(1 / (2 * scale) + precision)

    def _place(self) -> None:
        self.tn = {t: self.t[t] + self._sd(0, t, self.T, self.temper) * NODES for t in self.titles}
        self.pn = {p: self.p[p] + self._sd(1, p, self.Q, 1.0) * NODES for p in self.names}
        if not self.crossed:
            self.pn = {p: np.zeros(1) for p in self.names}
        self.t_prior = {
            t: log_t(x, self.T * (1 + 1 / len(self.titles))) for t, x in self.tn.items()
        }
        self.p_prior = {
            p: log_t(x, self.Q * (1 + 1 / len(self.names))) if self.crossed else np.zeros(1)
            for p, x in self.pn.items()
        }
        self.r, self.F = {}, {}
        for key in self.takes:
            s2, v = self.cells[key]
            r = math.log(s2) - self.L - self.tn[key[0]][:, None] - self.pn[key[1]][None, :]
            curve = factor(min(v, 100), self.P, self.e)
            self.r[key], self.F[key] = r, np.maximum(np.interp(r, R, curve), 1e-300)

    def _sweep(self) -> None:
        self.a = {k: np.zeros(NODES.size) for k in self.takes}
        self.b = {k: np.zeros(self.pn[k[1]].size) for k in self.takes}
        for _ in range(3):
            self.a = {k: self.temper * np.log(self.F[k] @ self._without_p(k)) for k in self.takes}
            if self.crossed:
                self.b = {k: np.log(self._without_t(k) @ self.F[k]) for k in self.takes}

    def _without_p(self, key: Key) -> np.ndarray:
        said = sum((self.b[k] for k in self.takes if k[1] == key[1] and k != key), 0.0)
        return normalised(self.p_prior[key[1]] + said)

    def _without_t(self, key: Key) -> np.ndarray:
        said = sum((self.a[k] for k in self.takes if k[0] == key[0] and k != key), 0.0)
        return normalised(self.t_prior[key[0]] + said)

    def _title(self, title: str) -> np.ndarray:
        said = sum((self.a[k] for k in self.takes if k[0] == title), 0.0)
        return normalised(self.t_prior[title] + said)

    def _name(self, name: str) -> np.ndarray:
        said = sum((self.b[k] for k in self.takes if k[1] == name), 0.0)
        return normalised(self.p_prior[name] + said)

    def _scale(self, side: int, nodes: dict, said: dict, power: float) -> float:
        log = np.array([-2 * math.log1p(s * s / 3) + math.log(s) for s in SCALES])
        for name, x in nodes.items():
            evidence = sum((said[k] for k in self.takes if k[side] == name), np.zeros(x.size))
            fine = np.linspace(x[0], x[-1], 401)
            # ln evidence is smooth: a polynomial through its nodes, by its slopes, will do.
            dense = np.interp(fine, x, evidence) + _bend(fine, x, evidence)
            for n, s in enumerate(SCALES):
                inside = np.exp(log_t(fine, s * s * (1 + 1 / len(nodes))) + dense - dense.max())
                log[n] += power * math.log(inside.sum())
        return float(normalised(log) @ SCALES**2)

    def _scales(self) -> None:
        log = np.zeros((SCALES.size, SHARES.size))
        log += np.array([-2 * math.log1p(s * s / 3) + math.log(s) for s in SCALES])[:, None]
        for key in self.takes:
            weight = np.outer(self._without_t(key), self._without_p(key)).ravel()
            both = tables(min(self.cells[key][1], 100))
            seen = [[np.interp(self.r[key].ravel(), R, f) @ weight for f in part] for part in both]
            narrow, wide = (np.array(x)[:, None] for x in seen)
            log += self.temper * np.log((1 - SHARES) * narrow + SHARES * wide)
        weight = normalised(log.ravel()).reshape(log.shape)
        belief = {t: self._title(t) for t in self.titles}
        named = {p: self._name(p) for p in self.names}
        self.T = self._scale(0, self.tn, self.a, 1.0)
        if self.crossed:
            self.Q = self._scale(1, self.pn, self.b, self.temper)
        self.P = float(weight.sum(axis=1) @ SCALES**2)
        self.e = float(weight.sum(axis=0) @ SHARES)
        for place, nodes, weights in (
            ("t", self.tn, belief),
            ("p", self.pn, named),
        ):
            means = {k: float(weights[k] @ x) for k, x in nodes.items()}
            middle = sum(means.values()) / len(means)
            setattr(self, place, {k: m - middle for k, m in means.items()})
            self.L += middle

    def _care(self, key: Key) -> float:
        v = self.cells[key][1]
        curve = factor(min(v, 100), self.P, 0.0)
        above = 1 - np.concatenate(([0.0], np.cumsum((curve[1:] + curve[:-1]) / 2 * STEP)))
        weight = np.outer(self._without_t(key), self._without_p(key))
        tail = float((np.interp(self.r[key], R, above) * weight).sum())
        return care(tail, v)

    def expected_sd(self, key: Key) -> float | None:
        """Return exp(E y / 2), y as all other cells say; None of a cell that takes no part."""
        if key not in self.takes:
            return None
        weight = np.outer(self._without_t(key), self._without_p(key))
        return math.exp((math.log(self.cells[key][0]) - float((self.r[key] * weight).sum())) / 2)

    def care_of(self, keys: list[Key]) -> float:
        return min(self.care.get(key, 1.0) for key in keys)

    def _cell(self, key: Key) -> tuple[np.ndarray, np.ndarray]:
        """Return y and its weights at each node of the title."""
        if key in self.made:
            return self.made[key]
        s2, v = self.cells[key]
        equal = s2 < 1e-28
        own = key in self.apart
        if own and equal:  # as a cell like the others
            v, own = 0, False
        middle = self.L + self.tn[key[0]]
        low = min(middle.min(), math.log(s2) if not equal else 0.0) - 8
        high = max(middle.max(), math.log(s2) if not equal else -99.0) + (40 / v if own else 12)
        y = np.arange(low, high, 0.1)
        log = -v / 2 * (y + (0.0 if equal else s2) * np.exp(-y)) if v else np.zeros(y.size)
        like = np.exp(log - log.max())
        if own:
            weight = np.tile(like, (NODES.size, 1))
        else:
            says = self._without_p(key) if key in self.takes else self._name(key[1])
            e = 0.0 if equal and v else self.e
            weight = np.empty((NODES.size, y.size))
            for i, t in enumerate(self.tn[key[0]]):
                c = y[None, :] - self.L - t - self.pn[key[1]][:, None]
                h = (1 - e) * normal(c, self.P) + e * normal(c, self.P + WIDE)
                weight[i] = (says @ h) * like
        weight /= weight.sum(axis=1, keepdims=True)
        self.made[key] = y, weight
        return self.made[key]

    def variance_of(self, parts: list[tuple[Key, float]]) -> tuple[np.ndarray, np.ndarray]:
        """Return values and weights of sum(exp(y_k) / n_k) over one or two cells of a title."""
        belief = self._title(parts[0][0][0])
        edges = np.arange(-60.0, 40.0, 0.02)
        binned = np.zeros(edges.size)
        sides = [(np.exp(self._cell(key)[0]) / n, self._cell(key)[1]) for key, n in parts]
        for i in np.nonzero(belief > 1e-6)[0]:
            kept = [(v[w[i] > 1e-9], w[i][w[i] > 1e-9]) for v, w in sides]
            values, weights = kept[0]
            if len(kept) > 1:
                values = (values[:, None] + kept[1][0][None, :]).ravel()
                weights = (weights[:, None] * kept[1][1][None, :]).ravel()
            place = (np.log(values) - edges[0]) / 0.02
            left = place.astype(int)
            np.add.at(binned, left, belief[i] * weights * (1 - (place - left)))
            np.add.at(binned, left + 1, belief[i] * weights * (place - left))
        used = binned > 1e-12
        return np.exp(edges[used]), binned[used] / binned[used].sum()


def _bend(fine: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return what curvature adds to straight lines between even nodes (second differences)."""
    second = np.zeros(y.size)
    second[1:-1] = y[2:] - 2 * y[1:-1] + y[:-2]
    second[0], second[-1] = second[1], second[-2]
    place = (fine - x[0]) / (x[1] - x[0])
    share = place - np.minimum(np.floor(place), y.size - 2)
    return -0.5 * share * (1 - share) * np.interp(fine, x, second)


def care(tail: float, v: float) -> float:
    power = min(1.0, trigamma(v / 2) / trigamma(1.0))
    return min(max(tail / 0.15, 0.05), 1.0) ** power


def t_mixture(variance: float, df: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a scaled t as variances and weights: df variance / chi2_df."""
    y = np.arange(-9.0, min(40 / df, 30.0) + 8.0, 0.02)
    return variance * np.exp(y), normalised(-df / 2 * (y + np.exp(-y)))


def suite_half_width(
    errors: list[tuple[np.ndarray, np.ndarray]],
    weights: list[float],
    alpha: float,
    day: tuple[np.ndarray, np.ndarray, float] | None = None,
) -> float:
    """Return h by inverting the characteristic function, on an even grid of s, by bisection.

    `day` is the posterior of K, values and weights, and the titles' shared part g.
    """
    scale = math.sqrt(sum(w * w * cut(*e) for w, e in zip(weights, errors, strict=True)))
    if day is not None:
        scale = math.hypot(scale, math.sqrt(2 * day[2] * float(day[0] @ day[1])))
    # Even in ln s, far finer than the kit, from where sin(hs) / s is h.
    log_s = np.linspace(-14, 5, 9501) - math.log(scale)
    s = np.exp(log_s)
    phi = np.ones(s.size)
    for w, (variance, weight) in zip(weights, errors, strict=True):
        part = np.zeros(s.size)
        for v, q in zip(variance, weight, strict=True):
            if q > 1e-10:
                part += q * np.exp(-w * w * v * s * s / 2)
        phi *= part
    if day is not None:
        phi *= sum(q * np.exp(-day[2] * k * s * s) for k, q in zip(*day[:2], strict=True))
    low, high = 0.0, 60 * scale
    for _ in range(60):
        h = (low + high) / 2
        inside = 2 / math.pi * float((phi * np.sin(h * s)).sum()) * (log_s[1] - log_s[0])
        low, high = (h, high) if inside < 1 - alpha else (low, h)
    return (low + high) / 2


def cut(variance: np.ndarray, weight: np.ndarray) -> float:
    """Return the mean variance, the upper 0.1 % cut back."""
    order = np.argsort(variance)
    variance, weight = variance[order], weight[order]
    cap = variance[np.nonzero(np.cumsum(weight) > 0.999)[0][0]]
    return float(weight @ np.minimum(variance, cap))


def suite_care(
    errors: list[tuple[np.ndarray, np.ndarray]], weights: list[float], cares: list[float]
) -> float:
    parts = np.array([w * w * cut(*e) for w, e in zip(weights, errors, strict=True)])
    return math.exp(float(((parts / parts.sum()) ** 2 * np.log(cares)).sum()))


def chi2_tail(x: float, f: int) -> float:
    """Return P(chi2_f > x) by adding up the density."""
    u = np.linspace(0, 1, 200_001)[1:-1]
    y = x + u / (1 - u)
    density = np.exp((f / 2 - 1) * np.log(y) - y / 2) / (2 ** (f / 2) * math.gamma(f / 2))
    return float((density / (1 - u) ** 2).sum() / 200_000)


def product_day(x: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Return values and weights of K, and its care; x by title, product, session."""
    titles, products, sessions = x.shape
    f = (products - 1) * (sessions - 1)
    r = np.array([
        one - one.mean(axis=0, keepdims=True) - one.mean(axis=1, keepdims=True) + one.mean()
        for one in x
    ])  # fmt: skip
    m = sum(w[i] * r[i] for i in range(titles))
    square = float((m**2).sum()) / f
    e = np.array([((r[i] - m) ** 2).sum() / f for i in range(titles)])
    spare = 1 - float((w**2).sum())
    noise, run = float(w**2 @ e) / spare, float(e.mean()) / spare
    ratios = np.exp(np.linspace(math.log(0.02), math.log(8), 40))
    prior = ratios / (1 + (ratios / 0.5) ** 2 / 3) ** 2
    k = np.append(0.0, ratios**2 * run)
    prior = np.append(0.1, 0.9 * prior / prior.sum())
    like = np.exp(-f / 2 * (np.log((k + noise) / noise) + square / (k + noise) - square / noise))
    weight = prior * like
    return k, weight / weight.sum(), care(chi2_tail(f * square / noise, f), f)


def false_signs(d: np.ndarray, errors: list[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
    """Return, for each margin of a family, the probability that its sign is false."""
    middle = float(np.median([math.exp(0.5 * float(w @ np.log(v))) for v, w in errors]))
    wide, narrow = max(0.1, 5 * middle), max(0.02, 2 * middle)
    taus = narrow * np.exp(np.linspace(math.log(0.1), math.log(30), 12))
    tau_prior = taus / (1 + (taus / narrow) ** 2)
    tau_prior /= tau_prior.sum()
    shares, share_prior = [0.0, 0.25, 0.5, 0.75], [0.85, 0.05, 0.05, 0.05]
    reach = np.abs(d).max() + 15 * wide
    # mu on a grid that is dense where errors are small: sinh of even steps.
    u = np.linspace(-1, 1, 1201)
    mu = reach * np.sinh(7 * u) / math.sinh(7)
    mu_step = reach * 7 * np.cosh(7 * u) / math.sinh(7) * (u[1] - u[0])
    centre = float(np.median(d))
    mu = mu + centre
    mu_prior = mu_step * wide / math.pi / (wide**2 + mu**2)
    thin = []
    for variance, weight in errors:
        y = np.log(variance)
        edges = np.linspace(y.min(), y.max(), 40)
        place = (y - edges[0]) / (edges[1] - edges[0])
        left = np.minimum(place.astype(int), 38)
        q = np.bincount(left, weight * (1 - (place - left)), 40)
        q = q + np.bincount(left + 1, weight * (place - left), 40)
        thin.append((np.exp(edges), q))
    level = np.array([
        float((q * np.exp(-x * x / 2 / v) / np.sqrt(2 * math.pi * v)).sum())
        for x, (v, q) in zip(d, thin, strict=True)
    ])  # fmt: skip
    total, right = 0.5 * float(np.prod(level)), np.zeros(d.size)
    for tau, tau_weight in zip(taus, tau_prior, strict=True):
        like, same = np.empty((d.size, mu.size)), np.empty((d.size, mu.size))
        for i, (x, (v, q)) in enumerate(zip(d, thin, strict=True)):
            var = v[:, None] + tau * tau
            part = q[:, None] * np.exp(-((x - mu) ** 2) / 2 / var) / np.sqrt(2 * math.pi * var)
            like[i] = part.sum(axis=0)
            keep = tau * tau / var
            z = np.sign(x) * (mu + keep * (x - mu)) / np.sqrt(keep * v[:, None])
            same[i] = (part * (1 - ERFC(z / math.sqrt(2)).astype(float) / 2)).sum(axis=0)
        for g, g_weight in zip(shares, share_prior, strict=True):
            either = g * level[:, None] + (1 - g) * like
            weight = 0.5 * tau_weight * g_weight * mu_prior * np.prod(either, axis=0)
            total += float(weight.sum())
            right += (weight * (1 - g) * same / np.maximum(either, 1e-300)).sum(axis=1)
    return np.where(d == 0, 1.0, 1 - right / total)
