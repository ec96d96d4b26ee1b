"""At which level of the forecast a date is read off, so that the stated share of dates holds.

Each finished job says between which levels of its forecast the finish fell. Were the forecasts right, these places
would be spread evenly over 0..1. What is believed of their true law is a Dirichlet process (Ferguson, Annals of
Statistics 1 (1973)) around the even one, worth `PRIOR` jobs; its posterior mean is the even law and the past's, mixed
by their numbers. The level is where that mean reaches the confidence.

The places are those in the forecasts themselves, whatever level the dates were read off at. So a level that was moved
does not change what it is moved by, and cannot swing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PRIOR = 20.0
"""How many jobs the belief is worth that the forecasts are right: of 200 dates of which six in ten held, twice as many
would leave the next ones more than three in 100 short of eight in ten."""
FEWEST = 20
"""Dates that have passed, below which nothing is moved."""
LAST = 200
"""So many of the latest dates count: what is long past says little of now."""
REACH = 0.15
"""The level stays so near the confidence."""
MOST = 0.99
"""And below this: further out the forecasts are but a guess."""
GRID = 0.005


@dataclass(frozen=True)
class Following:
    """The level for a confidence. n: dates it rests on. kept: the share believed to be kept at the confidence itself.

    bounded: it would have had to go further than it may.
    """

    confidence: float
    level: float
    n: int
    kept: float
    bounded: bool = False

    @property
    def enough(self) -> bool:
        """Whether so many dates say anything."""
        return self.n >= FEWEST

    @property
    def moved(self) -> bool:
        """Whether dates are read off elsewhere than at the confidence."""
        return abs(self.level - self.confidence) > GRID / 2


def law(places: Sequence[tuple[float, float]], at: ArrayLike) -> Floats:
    """The share believed to fall at or below each level of `at`, 0..1, shape of `at`.

    places: between which levels each finish fell, 0 ≤ low < high ≤ 1; within them it may be anywhere alike.
    """
    u = np.asarray(at, float)
    if not len(places):
        return u
    low, high = np.asarray(places, float).T
    within = (u[..., None] - low) / (high - low)
    seen = np.clip(within, 0.0, 1.0).sum(-1)
    return np.asarray((PRIOR * u + seen) / (PRIOR + low.size))


def follow(places: Sequence[tuple[float, float]], confidence: float) -> Following:
    """The level at which dates hold with `confidence`, by where the latest of the past's finishes fell.

    places: the oldest first. Fewer than FEWEST of them move nothing. Raises ValueError for no confidence.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"A confidence lies between 0 and 1, not at {confidence:g}.")
    latest = places[-LAST:]
    kept = float(law(latest, confidence))
    if len(latest) < FEWEST:
        return Following(confidence, confidence, len(latest), kept)
    least, most = max(confidence - REACH, GRID), max(confidence, min(confidence + REACH, MOST))
    grid = np.linspace(0.0, 1.0, round(1 / GRID) + 1)
    wanted = float(np.interp(confidence, law(latest, grid), grid))
    level = min(max(wanted, least), most)
    return Following(confidence, round(level, 3), len(latest), kept, not math.isclose(level, wanted))
