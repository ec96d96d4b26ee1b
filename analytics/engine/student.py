"""Student's t on many points quickly: its density, its distribution function, and mixtures of it.

Distribution function: Hill, Algorithm 395: Student's t-distribution, CACM 13 (1970), through a normal deviate; within
1e-9 from 10 degrees of freedom on, which is the least that a model here has.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@njit(cache=True)
def cdf_at(z: float, df: float) -> float:
    """The probability of at most z, in units of the scale."""
    a = df - 0.5
    b = 48.0 * a * a
    square = a * math.log1p(z * z / df)
    h = math.sqrt(square)
    fourth = square * square
    down = ((4.0 * square + 33.0) * square + 240.0) * square + 855.0
    normal = h + h * ((square + 3.0) / b - down / (10.0 * b * (b + 0.8 * fourth + 100.0)))
    below = 0.5 * math.erfc(normal / math.sqrt(2.0))
    return below if z < 0.0 else 1.0 - below


@njit(cache=True)
def densities(y: float, location: Floats, scale: Floats, df: Floats) -> Floats:
    """The density at y of each of c laws, shape (c,)."""
    found = np.empty(location.size)
    for k in range(location.size):
        z = (y - location[k]) / scale[k]
        half = 0.5 * (df[k] + 1.0)
        constant = math.lgamma(half) - math.lgamma(0.5 * df[k]) - 0.5 * math.log(df[k] * math.pi)
        found[k] = math.exp(constant - half * math.log1p(z * z / df[k])) / scale[k]
    return found


@njit(cache=True)
def blend_cdf(
    at: Floats,
    location: Floats,
    scale: Floats,
    df: Floats,
    weight: Floats,
    other: float,
    shift: float,
    widen: float,
) -> Floats:
    """The distribution function of a mixture at n points, shape (n,).

    location, scale, df, weight: shape (c,). other: the share of each law that is shifted and widened.
    """
    found = np.zeros(at.size)
    for k in range(location.size):
        if weight[k] < 1e-6:
            continue
        for i in range(at.size):
            z = (at[i] - location[k]) / scale[k]
            late = (z - shift / scale[k]) / widen
            found[i] += weight[k] * ((1.0 - other) * cdf_at(z, df[k]) + other * cdf_at(late, df[k]))
    return found


@njit(cache=True)
def weights_of(logs: Floats) -> Floats:
    """Weights that add up to 1 from their logarithms, shape (c,)."""
    found: Floats = np.exp(logs - logs.max())
    found /= found.sum()
    return found


@njit(cache=True)
def chances(
    y: float,
    location: Floats,
    scale: Floats,
    df: Floats,
    weight: Floats,
    odds: tuple[float, float, float],
    trouble: tuple[float, float],
    extra: tuple[float, float],
) -> tuple[float, float, float, float, Floats]:
    """What a record of y log minutes is: clean, disrupted, forgotten or late; and the log density under each law.

    odds: of disrupted, forgotten and late. trouble: shift and widening when disrupted. extra: scale, in minutes, and
    shape of the Lomax time after a forgotten stop.
    """
    disrupted, forgotten, late = odds
    plain = densities(y, location, scale, df)
    troubled = densities(y, location + trouble[0], scale * trouble[1], df)
    middle, spread = 0.0, 0.0
    clean, delayed = 0.0, 0.0
    for k in range(weight.size):
        middle += weight[k] * location[k]
        spread += weight[k] * scale[k]
        clean += weight[k] * plain[k]
        delayed += weight[k] * troubled[k]
    right = 1.0 - forgotten - late
    clean *= right * (1.0 - disrupted)
    delayed *= right * disrupted
    step = 0.5 * math.erfc(-(y - middle) / spread / math.sqrt(2.0))
    minutes = math.exp(min(y, 20.0))
    more = max(minutes - math.exp(middle), 0.0)
    above = forgotten * step * minutes * extra[1] / extra[0] * (1.0 + more / extra[0]) ** -(extra[1] + 1.0)
    below = late * (1.0 - step) * math.exp(min(y - middle, 0.0))
    total = clean + delayed + above + below + 1e-300
    scores = np.log((1.0 - disrupted) * plain + disrupted * troubled + 1e-300)
    return clean / total, delayed / total, above / total, below / total, scores
