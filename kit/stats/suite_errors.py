"""Errors of several margins put together: their sum, what a session does to all, false signs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy.special import chdtrc, logsumexp, ndtr, ndtri, stdtrit

from kit.stats.crossed_variance import Mixture, care_of
from kit.stats.intervals import mixture_error

Floats = NDArray[np.float64]

# ln s of the characteristic function, over the error's scale.
_LOG_S = (-6.0, 4.0)
_FINER = 5  # steps of 2 ln s within a step of ln variance
# Prior of a product's day: none with this probability, else its standard deviation over that of
# runs is half-t, 3 df, of this scale.
_NO_DAY = 0.1
_DAY_SCALE = 0.5
_DAY_RATIOS = np.geomspace(0.02, 8.0, 40)


@dataclass(frozen=True, slots=True, eq=False)
class DayPosterior:
    """What is known of the variance a session gives one product in all its titles.

    Attributes
    ----------
    variance, weight : ndarray of float, shape (n,)
        Nodes (0 among them) and their weights, on the log scale of margins.
    care : float
        Factor in (0, 1] on the share of errors an interval may leave out.
    df : float
        Degrees of freedom it was estimated with.
    noise : float
        Variance that runs give the mean over titles of one product in one session.
    sessions : int
        How many it was estimated from.
    """

    variance: Floats
    weight: Floats
    care: float
    df: float
    noise: float
    sessions: int

    @property
    def sd(self) -> float:
        """Square root of the mean variance."""
        return math.sqrt(float(self.variance @ self.weight))

    def suite_errors(self, more: int) -> tuple[float, float, float]:
        """Return the standard error of ln(suite margin) now and as more runs would leave it.

        Parameters
        ----------
        more : int
            Sessions more with as many runs as those there are, or as many runs more in these.

        Returns
        -------
        tuple of float
            With the runs there are; with more sessions; with as many runs more in these sessions,
            at best: what a session does to a product in one title alone they do not average.
        """
        day, noise, now = self.sd**2, self.noise, self.sessions
        then = now + more
        found = (day / now + noise / now, day / then + noise / then, day / now + noise / then)
        first, second, third = (math.sqrt(2 * variance) for variance in found)
        return first, second, third

    @classmethod
    def fit(cls, cells: Floats, weights: Floats) -> DayPosterior | None:
        """Return what sessions do to products in all titles, or None where it cannot be known.

        Parameters
        ----------
        cells : ndarray of float, shape (n_titles, n_products, n_sessions)
            Mean ln value of each title, product and session, none missing.
        weights : ndarray of float, shape (n_titles,)
            Weights of the titles in the suite; they sum to 1.

        Notes
        -----
        In each title what products and sessions do is taken out; what is left, averaged over
        titles, varies by a product's day and by runs, and the titles' own scatter around it shows
        the runs.
        """
        _, products, sessions = cells.shape
        spare = 1 - math.fsum(weights**2)
        if products < 2 or sessions < 2 or spare <= 0:
            return None
        df = float((products - 1) * (sessions - 1))
        left = cells - cells.mean(axis=1, keepdims=True) - cells.mean(axis=2, keepdims=True)
        left = left + cells.mean(axis=(1, 2), keepdims=True)
        common = np.einsum("i,ips->ps", weights, left)
        square = float((common**2).sum()) / df
        each = ((left - common) ** 2).sum(axis=(1, 2)) / df
        noise = float(weights**2 @ each) / spare
        run_var = float(each.mean()) / spare
        if noise <= 0:
            return None
        variance = np.concatenate(([0.0], _DAY_RATIOS**2 * run_var))
        prior = (1 + (_DAY_RATIOS / _DAY_SCALE) ** 2 / 3) ** -2.0 * _DAY_RATIOS
        prior = np.concatenate(([_NO_DAY], (1 - _NO_DAY) * prior / prior.sum()))
        total = variance + noise
        log = np.log(prior) - df / 2 * (np.log(total) + square / total)
        weight = np.exp(log - log.max())
        tail = float(chdtrc(df, df * square / noise))
        care = care_of(np.array([tail]), np.array([df]))[0]
        return cls(variance, weight / weight.sum(), float(care), df, noise, sessions)


@dataclass(frozen=True, slots=True, eq=False)
class ErrorSum:
    """The error of a weighted sum of independent errors, by its characteristic function.

    Attributes
    ----------
    s, phi : ndarray of float, shape (n,)
        Places, even in ln s, and the characteristic function there.
    scale : float
        Standard deviation of the sum, long tails cut back.
    variances : ndarray of float, shape (n_parts,)
        What each part adds to its square; variances of a part above their 99.9 % point count as
        that point.
    """

    s: Floats
    phi: Floats
    scale: float
    variances: Floats

    @classmethod
    def of(cls, errors: Sequence[Mixture], weights: Floats) -> ErrorSum:
        """Return the error of a weighted sum of independent errors, as `ErrorSum.each`."""
        return cls.each(errors, weights[None, :])[0]

    @classmethod
    def each(cls, errors: Sequence[Mixture], weights: Floats) -> list[ErrorSum]:
        """Return the errors of several weighted sums of the same independent errors.

        Parameters
        ----------
        errors : sequence of Mixture
            One estimate each.
        weights : ndarray of float, shape (n_sums, n)
            Their weights, 0 where an error is not in a sum, and not 0 throughout.
        """
        if not len(weights):
            return []
        whole = Mixture.stack(errors)
        squares = mixture_error(whole.sd, whole.weight)[0] ** 2
        step = whole.step / _FINER / 2
        n = int(np.ceil((_LOG_S[1] - _LOG_S[0]) / step)) + 1
        first = int(whole.start.min())
        size = int(whole.start.max()) + whole.weight.shape[1] - first
        mass = np.zeros((len(errors), size))
        for row, begin, weight in zip(mass, whole.start - first, whole.weight, strict=True):
            row[begin : begin + weight.size] = weight
        found = []
        for w in weights:
            variances = w[w > 0] ** 2 * squares[w > 0]
            scale = math.sqrt(float(variances.sum()))
            log_s = _LOG_S[0] + step * np.arange(n) - math.log(scale)
            phi = np.ones(n)
            for each in sorted({*w[w > 0].tolist()}):
                # ln variance and 2 ln s lie on lattices whose steps divide: one row of values does.
                origin = whole.step * first + 2 * (math.log(each) + float(log_s[0]))
                values = np.exp(-0.5 * np.exp(origin + 2 * step * np.arange(_FINER * size + n)))
                strides = (_FINER * values.itemsize, values.itemsize)
                table = as_strided(values, (size, n), strides, writeable=False)
                phi *= (mass[w == each] @ table).prod(axis=0)
            found.append(cls(np.exp(log_s), phi, scale, variances))
        return found

    def half_width(self, alpha: float) -> float:
        """Return h with P(|error| > h) = alpha."""
        return float(self.half_widths([self], np.array([alpha]))[0])

    @staticmethod
    def half_widths(sums: Sequence[ErrorSum], alpha: Floats) -> Floats:
        """Return h with P(|error| > h) = alpha of each sum, shape (n_sums,), solved together."""
        s = np.ones((len(sums), max((one.s.size for one in sums), default=2)))
        phi = np.zeros(s.shape)
        for row, one in enumerate(sums):
            s[row, : one.s.size], phi[row, : one.s.size] = one.s, one.phi
        low, high = np.zeros(len(sums)), np.full(len(sums), math.inf)
        h: Floats = -ndtri(alpha / 2) * np.array([one.scale for one in sums])
        done = np.zeros(len(sums), dtype=bool)
        for _ in range(60):
            inside, slope = _within(h, s, phi)
            short = 1 - alpha - inside
            low, high = np.where(short > 0, h, low), np.where(short > 0, high, h)
            new = h + short / np.where(slope > 0, slope, math.nan)
            near = np.abs(new - h) <= 1e-9 * h
            away = np.where(np.isinf(high), 2 * h, (low + high) / 2)
            new = np.where(near | ((low < new) & (new < high)), new, away)
            h, done = np.where(done, h, new), done | near
            if done.all():
                break
        return h

    def as_t(self) -> tuple[Floats, Floats]:
        """Return scale and degrees of freedom of the t with the same 95 and 99 % intervals."""
        wide, wider = self.half_widths([self, self], np.array([0.05, 0.01]))
        low, high = 0.5, 1e6
        for _ in range(60):
            df = math.sqrt(low * high)
            steep = float(stdtrit(df, 0.995) / stdtrit(df, 0.975)) > wider / wide
            low, high = (df, high) if steep else (low, df)
        df = math.sqrt(low * high)
        return np.array([wide / float(stdtrit(df, 0.975))]), np.array([df])

    def with_normal(self, variance: Floats, weight: Floats) -> ErrorSum:
        """Return the sum with a normal error added, its variance a mixture."""
        factor = np.exp(-variance[:, None] * self.s**2 / 2)
        scale = math.hypot(self.scale, math.sqrt(float(variance @ weight)))
        return ErrorSum(self.s, self.phi * (weight @ factor), scale, self.variances)

    def break_even_sd(self, size: float, alpha: float) -> float | None:
        """Return the standard deviation of a normal error that widens the interval to `size`.

        None where the interval is that wide already.
        """
        step = math.log(self.s[1] / self.s[0])
        wave = self.phi * np.sin(size * self.s) * step
        squared = self.s**2 / 2
        rest = size * float(self.s[0]) * step / math.expm1(step)

        def holds(sd: float) -> bool:
            return 2 / math.pi * (float(wave @ np.exp(-(sd**2) * squared)) + rest) > 1 - alpha

        if not holds(0.0):
            return None
        low, high = 0.0, size / -float(ndtri(alpha / 2))
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if holds(middle) else (low, middle)
        return (low + high) / 2


def _within(h: Floats, s: Floats, phi: Floats) -> tuple[Floats, Floats]:
    """Return P(|error| <= h) of each sum, by rows of its characteristic function, and its slope."""
    step = np.log(s[:, 1] / s[:, 0])
    angle = h[:, None] * s
    # Below the first place sin(hs) is hs and phi 1: a geometric series.
    rest = s[:, 0] * step / np.expm1(step)
    inside = (phi * np.sin(angle)).sum(axis=1) * step + h * rest
    slope = (phi * s * np.cos(angle)).sum(axis=1) * step + rest
    return 2 / math.pi * inside, 2 / math.pi * slope


def suite_care(variances: Floats, care: Floats) -> float:
    """Return the care a weighted sum needs: that of a part so far as the part carries the sum.

    Parameters
    ----------
    variances : ndarray of float, shape (n,)
        What each part adds to the variance of the sum.
    care : ndarray of float, shape (n,)
        Of each part, in (0, 1].
    """
    share = variances / variances.sum()
    return float(np.exp((share**2 * np.log(care)).sum()))


# Prior of the margins over one rival: with probability `_TIE` all are level. Else a share of titles
# is (as where something other than the product sets the pace), and the others are normal(mu, tau):
# mu Cauchy of scale 0.1, tau half-Cauchy of scale 0.02; where errors are large, 5 and 2 of them.
_TIE = 0.5
_LEVEL_SHARES = np.array([0.0, 0.25, 0.5, 0.75])
_SHARE_WEIGHTS = np.array([0.85, 0.05, 0.05, 0.05])
_MU_SCALE = 0.1, 5.0
_TAU_SCALE = 0.02, 2.0
_TAUS = np.geomspace(0.1, 30.0, 12)  # over the scale
_MU_NODES = np.linspace(-4.0, 4.0, 9)
# Components an error is gathered into: even steps of ln variance between these shares.
_PARTS = 10
_ENDS = 1e-5
_NEGLIGIBLE = 1e-4


def false_sign_rates(
    differences: Floats, errors: Sequence[Mixture], families: Sequence[Sequence[int]] = ()
) -> Floats:
    """Return, for each margin over one rival, the probability that its sign is false.

    Parameters
    ----------
    differences : ndarray of float, shape (n,)
        ln ratios, one per title.
    errors : sequence of Mixture
        Their errors, one estimate each.
    families : sequence of sequence of int, optional
        The places of the margins over each rival, where there are several rivals.

    Returns
    -------
    ndarray of float, shape (n,)
        1 - P(the true ln ratio has the sign measured); a true tie counts as false.

    References
    ----------
    .. [1] M. Stephens (2017), "False discovery rates: a new deal", Biostatistics 18(2), 275-294.
    """
    found = np.full(len(errors), np.nan)
    by_step: dict[float, list[Sequence[int]]] = {}  # errors are put on the finest of a family
    for family in families or [range(len(errors))]:
        by_step.setdefault(min(errors[i].step for i in family), []).append(family)
    for alike in by_step.values():
        places = [i for family in alike for i in family]
        d = np.asarray(differences, dtype=np.float64)[places]
        var, mass = _gathered(Mixture.stack([errors[i] for i in places]))
        log_level = _log_normal(d[:, None], var, np.log(np.maximum(mass, 1e-300)))
        stop = 0
        for family in alike:
            start, stop = stop, stop + len(family)
            part = slice(start, stop)
            found[family] = _false_signs(d[part], var[part], mass[part], log_level[part])
    return found


def _false_signs(d: Floats, var: Floats, mass: Floats, log_level: Floats) -> Floats:
    """Return the rates of one family: its errors' parts, and the log densities of level ones."""
    mu, tau2, log_prior = _nodes(d, np.exp((mass * np.log(var)).sum(axis=1)))
    gap = (d[:, None] - mu)[:, :, None]  # (n, nodes, 1)
    total = var[:, None, :] + tau2[:, None]  # (n, nodes, parts)
    part = np.exp(-0.5 * gap**2 / total) / np.sqrt(2 * math.pi * total) * mass[:, None, :]
    whole = part.sum(axis=2)
    level = np.exp(log_level)[:, None, None] * _LEVEL_SHARES
    either = level + whole[:, :, None] * (1 - _LEVEL_SHARES)  # (n, nodes, shares)
    log_post = np.log(np.maximum(either, 1e-300)).sum(axis=0) + np.log(_SHARE_WEIGHTS)
    log_post += log_prior[:, None]
    tie = math.log(_TIE) + float(log_level.sum())
    evidence = logsumexp(np.append(log_post, tie))
    weight = np.exp(log_post - log_post.max())
    kept = weight.sum(axis=1) > _NEGLIGIBLE
    weight = weight[kept] * (-math.expm1(tie - evidence) / weight[kept].sum())
    # P(a title is not level and of this node | the rest): its part of `either`.
    apart = whole[:, kept, None] * (1 - _LEVEL_SHARES) / np.maximum(either[:, kept], 1e-300)
    apart = (apart * weight).sum(axis=2)
    # The true ln ratio given mu, tau and a component is normal; its share on the measured side.
    gap, total, part = gap[:, kept], total[:, kept], part[:, kept]
    keep = tau2[kept, None] / total
    mean = mu[kept, None] + keep * gap
    same = ndtr(np.sign(d)[:, None, None] * mean / np.sqrt(keep * var[:, None, :]))
    share = (part * same).sum(axis=2) / np.maximum(whole[:, kept], 1e-300)
    found: Floats = 1 - (share * apart).sum(axis=1)
    return np.clip(np.where(d == 0, 1.0, found), 0.0, 1.0)


def _nodes(d: Floats, var: Floats) -> tuple[Floats, Floats, Floats]:
    """Return nodes of mu and tau^2 where the margins put them, and their log prior weights."""
    error = float(np.median(np.sqrt(var)))
    mu_scale, tau_scale = (max(least, times * error) for least, times in (_MU_SCALE, _TAU_SCALE))
    taus = tau_scale * _TAUS
    w = 1 / ((taus**2)[:, None] + var)
    precision = w.sum(axis=1)
    step = 1.2 / np.sqrt(precision)
    mu = ((w * d).sum(axis=1) / precision)[:, None] + step[:, None] * _MU_NODES
    tau_weight = _TAUS / (1 + _TAUS**2)
    log = math.log((1 - _TIE) / (math.pi * mu_scale)) - np.log1p((mu / mu_scale) ** 2)
    log += np.log(tau_weight / tau_weight.sum() * step * (_MU_NODES[1] - _MU_NODES[0]))[:, None]
    return mu.ravel(), np.repeat(taus**2, _MU_NODES.size), log.ravel()


def _log_normal(gap: Floats, var: Floats, log_mass: Floats) -> Floats:
    """Return the log density of mixtures of normals at a gap."""
    found: Floats = logsumexp(log_mass - 0.5 * (gap**2 / var + np.log(2 * np.pi * var)), axis=1)
    return found


def _gathered(errors: Mixture) -> tuple[Floats, Floats]:
    """Return variances and weights of errors, each in a few components, shapes (n, parts)."""
    n, size = errors.weight.shape
    running = np.cumsum(errors.weight, axis=1)
    low = (running < _ENDS).sum(axis=1).astype(np.float64)
    high = np.minimum((running < 1 - _ENDS).sum(axis=1), size - 1)
    step = np.maximum(high - low, 1.0) / (_PARTS - 1)
    place = np.clip((np.arange(size) - low[:, None]) / step[:, None], 0.0, _PARTS - 1.0)
    left = np.minimum(place.astype(np.intp), _PARTS - 2)
    right = errors.weight * (place - left)
    flat = (left + _PARTS * np.arange(n)[:, None]).ravel()
    found = np.bincount(flat, (errors.weight - right).ravel(), n * _PARTS).astype(np.float64)
    found += np.bincount(flat + 1, right.ravel(), n * _PARTS)
    place_of = errors.start[:, None] + low[:, None] + step[:, None] * np.arange(_PARTS)
    return np.exp(errors.step * place_of), found.reshape(n, _PARTS)
