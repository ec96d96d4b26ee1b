"""A forecast of minutes: a law as quantiles at fixed probabilities.

On the log scale it is a Student-t with a disruption tail: now and then a stage runs into trouble and takes
longer. It is capped, because the exponential of a Student-t has no mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine import scores
from analytics.engine.student import blend_cdf
from analytics.engine.trade import LONGEST_MIN

Floats = NDArray[np.float64]

PROBS: Floats = np.concatenate(
    ([0.0005, 0.001, 0.0025], np.linspace(0.005, 0.995, 199), [0.9975, 0.999, 0.9995])
)
"""The probabilities at which every law is kept, shape (205,)."""

DISRUPTED = 0.06
"""How often a stage is disrupted, until the shop's own errors say otherwise. Common practice, no source."""

DISRUPTION_SHIFT, DISRUPTION_SCALE = 0.7, 1.3
"""A disrupted stage takes about twice as long (log 2 = 0.7), with a wider spread."""

SHORTEST, LONGEST = 1.0 / 60.0, LONGEST_MIN
"""Minutes: a second, and nearly ten years. No forecast goes beyond them."""

CAP = 4.5
"""Log units above the middle, 90 times the median, beyond which no probability is put."""

_GRID: Floats = np.sinh(np.linspace(-4.0, 4.0, 321)) / 2.0
"""Points in units of the scale, dense in the middle, out to ±13.6."""


@dataclass(frozen=True, eq=False)
class Forecast:
    """The predictive law of one part of one stage.

    minutes: at PROBS, not falling, shape (205,). n: the weight of finished stages it rests on.
    is_default: whether the trade formula alone speaks. kind_share: the fraction of the variance of log minutes that
    is uncertainty about the stage kind's rates, which all jobs share.
    """

    minutes: Floats
    n: float
    is_default: bool
    kind_share: float

    def quantile(self, p: ArrayLike) -> Floats:
        """Minutes that are not exceeded with probability p; same shape as p."""
        return np.asarray(np.interp(np.asarray(p, float), PROBS, self.minutes))

    def sample(self, u: ArrayLike) -> Floats:
        """Minutes for uniform numbers u in (0, 1); same shape as u."""
        return self.quantile(u)

    def cdf(self, x: ArrayLike) -> Floats:
        """The probability of at most x minutes; same shape as x."""
        at = np.asarray(x, float)
        p = np.interp(at, self.minutes, PROBS)
        return np.where(at < self.minutes[0], 0.0, np.where(at >= self.minutes[-1], 1.0, p))

    def pit(self, minutes: float) -> float:
        """Where so many minutes fall, 0..1. Where they have a chance of their own, as no time at all may: its middle.

        That is the mean of the randomised transform of Czado, Gneiting & Held, Predictive Model Assessment for Count
        Data, Biometrics 65 (2009). Taking its end would call a part late that took no time.
        """
        first = int(np.searchsorted(self.minutes, minutes))
        last = int(np.searchsorted(self.minutes, minutes, side="right"))
        at_most = float(self.cdf(minutes))
        if last - first < 2:
            return at_most
        return 0.5 * (at_most + (float(PROBS[first]) if first else 0.0))

    @property
    def mean(self) -> float:
        """Mean minutes of the capped law."""
        return float(mean_of(self.minutes))

    def crps(self, minutes: float) -> float:
        """CRPS of this forecast at what the stage then took, in minutes."""
        return scores.crps_from_quantiles(PROBS, self.minutes, minutes)


def mean_of(minutes: Floats) -> Floats:
    """Mean of the law with these minutes at PROBS, along the last axis."""
    edges = np.concatenate(([0.0], (PROBS[1:] + PROBS[:-1]) / 2, [1.0]))
    return np.asarray(minutes @ np.diff(edges))


@dataclass(frozen=True)
class LogLaw:
    """log(minutes): a Student-t with df degrees of freedom, and the same shifted and widened when disrupted."""

    location: float
    scale: float
    df: float
    disrupted: float = DISRUPTED

    def cdf(self, log_minutes: ArrayLike) -> Floats:
        """The probability of at most these log minutes; same shape."""
        return Blend.of(self).cdf(log_minutes)

    def minutes_at(self, probs: Floats) -> Floats:
        """Minutes at the probabilities, capped; not falling."""
        return Blend.of(self).minutes_at(probs)


@dataclass(frozen=True, eq=False)
class Blend:
    """log(minutes) as a mixture of laws, as of models that differ in how long they remember.

    location, scale, df, weight: shape (c,); the weights add up to 1. disrupted: the probability of trouble.
    """

    location: Floats
    scale: Floats
    df: Floats
    weight: Floats
    disrupted: float

    @classmethod
    def of(cls, law: LogLaw) -> Blend:
        """One law as a mixture."""
        one = np.ones(1)
        return cls(law.location * one, law.scale * one, law.df * one, one, law.disrupted)

    def cdf(self, log_minutes: ArrayLike) -> Floats:
        """The probability of at most these log minutes; same shape."""
        at = np.asarray(log_minutes, float)
        found = blend_cdf(
            at.ravel(), self.location, self.scale, self.df, self.weight, self.disrupted,
            DISRUPTION_SHIFT, DISRUPTION_SCALE,
        )  # fmt: skip
        return np.asarray(found.reshape(at.shape))

    def minutes_at(self, probs: Floats) -> Floats:
        """Minutes at the probabilities, capped; not falling."""
        middle = float(self.location @ self.weight)
        widest = float(np.max(self.scale + np.abs(self.location - middle)))
        grid = middle + widest * _GRID
        logs = np.interp(probs, self.cdf(grid), grid)
        logs = np.minimum(logs, middle + CAP)
        return np.exp(np.clip(logs, math.log(SHORTEST), math.log(LONGEST)))
