"""Shared variance on the very nodes that `kit/methods.md` names under "Nodes": numpy, no kit.

`by_hand.Shared` takes fine even grids instead. The two together show that the words tell the
formula, and that the few nodes are near enough to it.
"""

from __future__ import annotations

import math

import numpy as np
from by_hand import Shared, digamma, trigamma

BINS = 80


def omega(z: np.ndarray) -> np.ndarray:
    """Return w > 0 with w + ln w = z, by Newton's method on ln w."""
    log_w = np.where(z > 1, np.log(np.maximum(z, 1)), np.minimum(z, 1.0))
    for _ in range(60):
        w = np.exp(log_w)
        log_w = log_w - (w + log_w - z) / (w + 1)
    return np.exp(log_w)


class SharedOnNodes(Shared):
    """The same distributions as `by_hand.Shared`, on the nodes the page names."""

    def __init__(self, *args: object, **more: object) -> None:
        super().__init__(*args, **more)  # type: ignore[arg-type]
        self.titles: dict[str, tuple[np.ndarray, float]] = {}
        widest = 0.0
        for title in dict.fromkeys(title for title, _ in self.cells):
            self.titles[title] = self._title_nodes(title)
        for key in self.cells:
            widest = max(widest, float(self._mode(key)[1].max()))
        count = min(max(round(12 * widest / 0.8), 12), 24)
        self.t = np.linspace(-3.2, 5.6, count)

    def _speaking(self, title: str) -> list[tuple[float, int]]:
        return [(s2, v) for (other, name), (s2, v) in self.cells.items()
                if other == title and v > 0 and (other, name) not in self.apart]  # fmt: skip

    def _title_nodes(self, title: str) -> tuple[np.ndarray, float]:
        """Return the 9 nodes of a title's level, and the precision of its prior."""
        prior = 1 / self.title_prior
        weights, sums = [prior], [prior * self.level]
        for s2, v in self._speaking(title):
            if s2 >= 1e-28:
                w = self.temper / (trigamma(v / 2) + self.product_var)
                weights.append(w)
                sums.append(w * (math.log(s2) - digamma(v / 2) + math.log(v / 2)))
        precision = sum(weights)
        return sum(sums) / precision + np.arange(-4, 5) / math.sqrt(precision), prior

    def _mode(self, key: tuple[str, str]) -> tuple[np.ndarray, np.ndarray]:
        """Return mode and scale of a cell's ln variance at each node of its title's level."""
        s2, v = self.cells[key]
        m, a = self.titles[key[0]][0], self._own(key)
        b = v * s2 / 2 if v > 0 and s2 >= 1e-28 else 0.0
        w = omega(math.log(a * b) - m + v * a / 2) if b > 0 else np.zeros(m.size)
        return m - v * a / 2 + w, np.sqrt(a / (1 + w))

    def _nodes(self, key: tuple[str, str]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return y, weights at each m, and ln of the integral at each m (but for a constant)."""
        s2, v = self.cells[key]
        m, a = self.titles[key[0]][0], self._own(key)
        b = v * s2 / 2 if v > 0 and s2 >= 1e-28 else 0.0
        mode, scale = self._mode(key)
        y = mode[:, None] + scale[:, None] * 2 * np.sinh(self.t / 2)
        log_joint = -((y - m[:, None]) ** 2) / (2 * a) - v * y / 2 - b * np.exp(-y)
        log_joint += np.log(np.cosh(self.t / 2))
        top = log_joint.max(axis=1, keepdims=True)
        weight = np.exp(log_joint - top)
        total = weight.sum(axis=1, keepdims=True)
        return y, weight / total, (top + np.log(total * scale[:, None]))[:, 0]

    def title_grid(self, title: str) -> tuple[np.ndarray, np.ndarray]:
        m, prior = self.titles[title]
        log_post = -((m - self.level) ** 2) * prior / 2
        for key, (_, v) in self.cells.items():
            if key[0] == title and v > 0 and key not in self.apart:
                log_post = log_post + self.temper * self._nodes(key)[2]
        weight = np.exp(log_post - log_post.max())
        return m, weight / weight.sum()

    def variance_of(
        self, parts: list[tuple[tuple[str, str], float]]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return values and weights of sum(exp(y_k) / n_k), gathered into 80 bins."""
        _, title_weight = self.title_grid(parts[0][0][0])
        variance, weight = np.zeros((9, 1)), title_weight[:, None]
        for key, n in parts:
            y, w, _ = self._nodes(key)
            variance = (variance[:, :, None] + (np.exp(y) / n)[:, None, :]).reshape(9, -1)
            weight = (weight[:, :, None] * w[:, None, :]).reshape(9, -1)
        place, weight = np.log(variance.ravel()), weight.ravel()
        heavy = place[weight > 1e-9]
        step = (heavy.max() - heavy.min()) / (BINS - 1) + 1e-9
        at = np.clip((place - heavy.min()) / step, 0, BINS - 1)
        left = np.minimum(at.astype(int), BINS - 2)
        binned = np.zeros(BINS)
        np.add.at(binned, left, weight * (1 - (at - left)))
        np.add.at(binned, left + 1, weight * (at - left))
        return np.exp(heavy.min() + step * np.arange(BINS)), binned
