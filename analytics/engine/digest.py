"""Durations as counts in bins of log minutes: daily counts add up to those of any period.

Twelve bins to the octave, so that a bin's geometric middle is within 2.93 % (2^(1/24) − 1) of anything in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

PER_OCTAVE = 12
SHORTEST = 1.0 / 60.0
"""Minutes: what is shorter, zero too, counts as a second."""

Bins = dict[int, int]
"""Bin number to count. Bin k holds minutes from 2^(k/12) up to 2^((k+1)/12)."""


def bin_of(minutes: float) -> int:
    """The bin that minutes fall in. Raises ValueError for a negative or infinite duration."""
    if not (math.isfinite(minutes) and minutes >= 0.0):
        raise ValueError(f"{minutes} minutes is no duration.")
    return math.floor(math.log2(max(minutes, SHORTEST)) * PER_OCTAVE)


def middle(number: int) -> float:
    """The geometric middle of a bin, in minutes."""
    return float(2.0 ** ((number + 0.5) / PER_OCTAVE))


def count(minutes: Iterable[float]) -> Bins:
    """The bins of these durations."""
    bins: Bins = {}
    for duration in minutes:
        add(bins, duration)
    return bins


def add(bins: Bins, minutes: float) -> None:
    """Count one more duration."""
    number = bin_of(minutes)
    bins[number] = bins.get(number, 0) + 1


def merge(parts: Iterable[Mapping[int, int]]) -> Bins:
    """The counts of several bins together."""
    bins: Bins = {}
    for part in parts:
        for number, n in part.items():
            bins[number] = bins.get(number, 0) + n
    return bins


def from_stored(stored: Mapping[str, int]) -> Bins:
    """The bins that JSON kept, whose keys are texts."""
    return {int(number): n for number, n in stored.items()}


def quantile(bins: Mapping[int, int], p: float) -> float:
    """The p-quantile in minutes, within 3 % of that of the durations themselves (Hyndman & Fan's type 7).

    Raises ValueError for bins without a count, and for p outside 0..1.
    """
    n = sum(bins.values())
    if n == 0 or not 0.0 <= p <= 1.0:
        raise ValueError(f"No {p} quantile of {n} durations.")
    numbers = sorted(bins)
    ends = np.cumsum([bins[number] for number in numbers])
    rank = (n - 1) * p
    low, high = math.floor(rank), math.ceil(rank)
    below, above = (middle(numbers[int(np.searchsorted(ends, k, "right"))]) for k in (low, high))
    return below + (rank - low) * (above - below)
