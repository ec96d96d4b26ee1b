"""Correcting a law's quantiles on the shop's own past errors.

The probability that a law gave to what then happened (its probability integral transform, PIT) is uniform if
the law is right: Dawid, Statistical Theory: the Prequential Approach, JRSS A 147 (1984). A histogram of past
PITs is therefore the map from stated to true probability: F_cal = H(F). It starts as PRIOR_WEIGHT uniform
pseudo-counts, so that a few records bend it little.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BINS = 100
PRIOR_WEIGHT = 100.0
EDGES: Floats = np.linspace(0.0, 1.0, BINS + 1)


def empty() -> Floats:
    """A histogram of no PITs, shape (BINS,)."""
    return np.zeros(BINS)


def bin_of(pit: float) -> int:
    """The bin that a PIT in [0, 1] falls in."""
    return min(max(int(pit * BINS), 0), BINS - 1)


def counted(pits: Floats, pit: float, weight: float) -> Floats:
    """The histogram with one more PIT; nan counts for nothing."""
    if math.isnan(pit):
        return pits
    after = pits.copy()
    after[bin_of(pit)] += weight
    return after


def cumulative(own: Floats, shop: Floats | None = None, weight: float = PRIOR_WEIGHT) -> Floats:
    """H at EDGES, shape (BINS + 1,): strictly rising from 0 to 1.

    own: PIT counts of this stage kind. shop: PIT counts of all its kinds; given, the pseudo-counts have the
    shape of the shop's own map instead of a flat one.
    """
    prior = np.full(BINS, 1.0 / BINS)
    if shop is not None:
        prior = (shop + PRIOR_WEIGHT / BINS) / (shop.sum() + PRIOR_WEIGHT)
    mass = (own + weight * prior) / (own.sum() + weight)
    steps = np.concatenate(([0.0], np.cumsum(mass)))
    return np.asarray(steps / steps[-1])


def calibrated(stated: NDArray[np.float64] | float, cum: Floats) -> Floats:
    """True probabilities for stated ones: H(F)."""
    return np.asarray(np.interp(stated, EDGES, cum))


def stated_for(true: NDArray[np.float64] | float, cum: Floats) -> Floats:
    """Which stated probabilities to read off so that they are truly `true`: the inverse of H."""
    return np.asarray(np.interp(true, cum, EDGES))
