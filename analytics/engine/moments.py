"""Mean, spread and lag-1 autocorrelation of a series, safe against cancellation, and mergeable.

The mean and the sum of squared deviations of two parts give those of the whole: Chan, Golub & LeVeque, Algorithms
for Computing the Sample Variance, The American Statistician 37 (1983), eq. 2.1; for powers above two Pébay, Formulas
for Robust, One-Pass Parallel Computation of Covariances and Arbitrary-Order Statistical Moments, SAND2008-6212. The
textbook's Σx² − n·mean² loses every digit where the spread is small beside the mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Moments:
    """Count, mean and sum of squared deviations from the mean, in the values' unit and its square."""

    n: int = 0
    mean: float = math.nan
    squares: float = 0.0

    @classmethod
    def of(cls, values: ArrayLike) -> Moments:
        """Of values of shape (n,); of none the mean is nan. Raises ValueError for a value that is not finite."""
        x = _series(values)
        if not x.size:
            return cls()
        middle = math.fsum(x) / x.size
        off = x - middle
        slip = math.fsum(off) / x.size  # what rounding left of the mean
        return cls(x.size, middle + slip, max(math.fsum(off * off) - x.size * slip * slip, 0.0))

    @classmethod
    def merged(cls, a: Moments, b: Moments) -> Moments:
        """Of the values of both."""
        if not a.n or not b.n:
            return a if a.n else b
        n, apart = a.n + b.n, b.mean - a.mean
        return cls(n, a.mean + apart * b.n / n, a.squares + b.squares + apart * apart * (a.n * b.n / n))

    @property
    def sd(self) -> float:
        """Sample standard deviation, with n − 1; nan for fewer than two values."""
        return math.sqrt(self.squares / (self.n - 1)) if self.n > 1 else math.nan


def lag1(values: ArrayLike) -> float:
    """Lag-1 autocorrelation of a series of shape (n,), in the order in which it happened, between −1 and 1.

    Σ (x[i] − mean)(x[i+1] − mean) / Σ (x[i] − mean)², as in NIST/SEMATECH e-Handbook 1.3.5.12. Well above 0: misses
    come in runs. nan for fewer than two values, and for values that are all the same.
    """
    x = _series(values)
    moments = Moments.of(x)
    if x.size < 2 or moments.squares == 0.0:
        return math.nan
    off = x - moments.mean
    return math.fsum(off[1:] * off[:-1]) / moments.squares


def _series(values: ArrayLike) -> Floats:
    x = np.asarray(values, np.float64)
    if x.ndim != 1:
        raise ValueError(f"A series has one dimension, not {x.ndim}.")
    if not np.isfinite(x).all():
        at = int(np.argmin(np.isfinite(x)))
        raise ValueError(f"Value {at + 1} of the series is {x[at]}; leave it out.")
    return x
