"""How likely the measured sign of a margin is false, among all titles of one rival."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr

from kit.stats.crossed_variance import Mixture, stack_errors

Floats = NDArray[np.float64]

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


def false_sign_rates(differences: Floats, errors: Sequence[Mixture]) -> Floats:
    """Return, for each margin over one rival, the probability that its sign is false.

    Parameters
    ----------
    differences : ndarray of float, shape (n,)
        ln ratios, one per title.
    errors : sequence of Mixture
        Their errors, one estimate each.

    Returns
    -------
    ndarray of float, shape (n,)
        1 - P(the true ln ratio has the sign measured); a true tie counts as false.

    References
    ----------
    .. [1] M. Stephens (2017), "False discovery rates: a new deal", Biostatistics 18(2), 275-294.
    """
    d = np.asarray(differences, dtype=np.float64)
    var, mass = _gathered(stack_errors(errors))
    log_mass = np.log(np.maximum(mass, 1e-300))
    log_level = _log_normal(d[:, None], var, log_mass)
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
