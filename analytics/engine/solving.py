"""The linear algebra of the posterior: a shop learns stage by stage, and each costs one of these."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def solved(
    xtwx: Floats, xtwy: Floats, ytwy: Floats, change: Floats, m0: Floats, precision0: Floats, b0: float
) -> tuple[Floats, Floats, Floats]:
    """Mean (c, p), covariance (c, p, p) and b (c,) of c normal-inverse-gamma posteriors.

    xtwx: shape (c, p, p). xtwy: (c, p). ytwy: (c,). change: (p, p), of coordinates. m0, precision0: (p,).
    """
    diagonal = np.arange(m0.size)
    precision = change.T @ xtwx @ change
    precision[:, diagonal, diagonal] += precision0
    cov = np.asarray(np.linalg.inv(precision), np.float64)  # compiling it takes ten seconds and gains a tenth
    right = xtwy @ change + precision0 * m0
    mean = (cov @ right[:, :, None])[:, :, 0]
    unexplained = ytwy + float(m0 @ (precision0 * m0)) - np.sum(mean * right, axis=1)
    return mean, cov, b0 + 0.5 * np.maximum(unexplained, 0.0)


@njit(cache=True)
def expected(mean: Floats, cov: Floats, x: Floats) -> tuple[Floats, Floats]:
    """x·mean and xᵀ cov x of each copy, shape (c,). mean: (c, p). cov: (c, p, p). x: (p,)."""
    location, leverage = np.zeros(mean.shape[0]), np.zeros(mean.shape[0])
    for k in range(mean.shape[0]):
        location[k] = np.dot(mean[k], x)
        leverage[k] = np.dot(np.dot(cov[k], x), x)
    return location, leverage


@njit(cache=True)
def added(
    xtwx: Floats, xtwy: Floats, left: Floats, weight: Floats, x: Floats, y: float
) -> tuple[Floats, Floats]:
    """The sums after they have faded to `left` of what they were, and one more row x with response y.

    xtwx: shape (c, q, q), xtwy: (c, q), with q of the p columns of x; those added since start from zero. left,
    weight: (c,). Returns sums of p columns.
    """
    copies, old = xtwy.shape
    p = x.size
    after, response = np.zeros((copies, p, p)), np.zeros((copies, p))
    for k in range(copies):
        for i in range(p):
            kept = left[k] if i < old else 0.0
            for j in range(p):
                after[k, i, j] = weight[k] * (x[i] * x[j])
                if i < old and j < old:
                    after[k, i, j] += kept * xtwx[k, i, j]
            response[k, i] = weight[k] * y * x[i]
            if i < old:
                response[k, i] += kept * xtwy[k, i]
    return after, response
