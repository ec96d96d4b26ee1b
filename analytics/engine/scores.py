"""How good a probabilistic forecast was: proper scores, coverage and width, all in the unit of the outcome.

CRPS: Gneiting & Raftery, Strictly Proper Scoring Rules, JASA 102 (2007), eq. 20, negatively oriented.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def crps_normal(mu: ArrayLike, sigma: ArrayLike, y: ArrayLike) -> Floats:
    """CRPS of Normal(mu, sigma²) at y, elementwise. sigma > 0."""
    from scipy.special import ndtr

    s = np.asarray(sigma, float)
    z = (np.asarray(y, float) - mu) / s
    density = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    return np.asarray(s * (z * (2 * ndtr(z) - 1) + 2 * density - 1 / math.sqrt(math.pi)))


def crps_lognormal(mu: ArrayLike, sigma: ArrayLike, y: ArrayLike) -> Floats:
    """CRPS at y > 0 of the law whose logarithm is Normal(mu, sigma²), elementwise.

    Baran & Lerch, Log-normal distribution based ensemble model output statistics models, QJRMS 141 (2015).
    """
    from scipy.special import ndtr

    s, x = np.asarray(sigma, float), np.asarray(y, float)
    z = (np.log(x) - mu) / s
    mean_twice = 2 * np.exp(np.asarray(mu, float) + 0.5 * s * s)
    return np.asarray(x * (2 * ndtr(z) - 1) - mean_twice * (ndtr(z - s) + ndtr(s / math.sqrt(2)) - 1))


def crps_sample(sample: ArrayLike, y: float) -> float:
    """CRPS at y of the empirical law of a sample, shape (n,). n = 1 gives the absolute error."""
    x = np.sort(np.asarray(sample, float))
    n = x.size
    spread = float(np.dot(2 * np.arange(1, n + 1) - n - 1, x)) / n**2
    return float(np.abs(x - y).mean()) - spread


def crps_from_quantiles(probs: ArrayLike, quantiles: ArrayLike, y: float) -> float:
    """CRPS at y of the law with a piecewise linear CDF through (quantiles, probs), exactly.

    probs: rising, shape (k,). quantiles: not falling, shape (k,). What lies outside the probabilities stands
    as atoms at the two ends.
    """
    p, x = np.asarray(probs, float), np.asarray(quantiles, float)
    below = np.clip(y, x[0], x[-1])
    at = float(np.interp(below, x, p))
    cut = int(np.searchsorted(x, below, side="right"))
    xs, ps = np.insert(x, cut, below), np.insert(p, cut, at)
    lengths = np.diff(xs)
    left = _mean_square(ps[:-1], ps[1:])
    right = _mean_square(1 - ps[:-1], 1 - ps[1:])
    inside = np.where(np.arange(lengths.size) < cut, left, right)
    outside = max(float(x[0]) - y, 0.0) + max(y - float(x[-1]), 0.0)
    return float(np.dot(lengths, inside)) + outside


def _mean_square(a: Floats, b: Floats) -> Floats:
    """The mean of a squared line from a to b."""
    return (a * a + a * b + b * b) / 3


def pinball(tau: ArrayLike, quantile: ArrayLike, y: ArrayLike) -> Floats:
    """Pinball loss of a forecast of the tau-quantile, elementwise. Twice its mean over tau is the CRPS."""
    error = np.asarray(y, float) - quantile
    return np.asarray(np.maximum(np.asarray(tau, float) * error, (np.asarray(tau, float) - 1) * error))


def coverage(quantile: ArrayLike, y: ArrayLike) -> float:
    """The share of outcomes at or below their forecast quantile; nan for none."""
    hits = np.asarray(y, float) <= np.asarray(quantile, float)
    return float(hits.mean()) if hits.size else math.nan


def width(low: ArrayLike, high: ArrayLike) -> float:
    """The mean width of intervals; nan for none."""
    widths = np.asarray(high, float) - np.asarray(low, float)
    return float(widths.mean()) if widths.size else math.nan
