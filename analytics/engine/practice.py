"""Learning curves: how much quicker a stage gets each time that somebody does it.

Two models go by the same name and differ. Each takes the same share off at every doubling of the repetitions: Wright,
Factors Affecting the Cost of Airplanes, J. Aeronautical Sciences 3 (1936), of the average of all so far ("wright");
Crawford, Learning Curve, Ship Curve, Ratios, Related Data (1944), of the single unit ("crawford"). Crawford's is what a
clock shows directly, and the usual one here. With n repetitions and b = log2(rate) the curve is first · n^b.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Model = Literal["crawford", "wright"]

_SLACK = 1e-9
"""A repetition more or less is not told by less than this."""


@dataclass(frozen=True)
class Curve:
    """first: minutes of the first unit. rate: what is left at a doubling, 0.8 for an '80 % curve'; 1 learns nothing.

    Raises ValueError for minutes that are not above 0 or a rate outside (0.5, 1] — at 0.5 all units after the first
    of Wright's curve would take no time.
    """

    first: float
    rate: float
    model: Model = "crawford"

    def __post_init__(self) -> None:
        """Refuse what is no curve."""
        if not (math.isfinite(self.first) and self.first > 0.0):
            raise ValueError(f"A first unit cannot take {self.first} minutes.")
        if not 0.5 < self.rate <= 1.0:
            raise ValueError(f"A rate of {self.rate:g} is not between 0.5 and 1.")

    @property
    def slope(self) -> float:
        """b, 0 or below."""
        return math.log2(self.rate)

    def unit(self, n: int) -> float:
        """Minutes of the nth unit, n = 1, 2, …"""
        _check_count(n)
        if self.model == "crawford":
            return self.first * math.pow(n, self.slope)
        return self.total(n) - (self.total(n - 1) if n > 1 else 0.0)

    def total(self, n: int) -> float:
        """Minutes of the first n units together."""
        _check_count(n)
        if self.model == "wright":
            return self.first * math.pow(n, 1.0 + self.slope)
        return self.first * math.fsum(_counts(n) ** self.slope)

    def average(self, n: int) -> float:
        """Mean minutes of the first n units."""
        return self.total(n) / n

    def until(self, standard: float) -> int | None:
        """The first unit that takes no more than the standard minutes; None for a curve that never gets there."""
        if standard >= self.first:
            return 1
        if self.rate == 1.0 or standard <= 0.0:
            return None
        # This is Crawford's answer; Wright's nth unit, what an average of n^b grows by, never takes longer than n^b.
        exact = (standard / self.first) ** (1.0 / self.slope)
        if not math.isfinite(exact) or exact > 1e9:
            return None
        high = math.ceil(exact - _SLACK)
        return high if self.model == "crawford" else self._first_within(standard, high)

    def _first_within(self, standard: float, high: int) -> int:
        """By halving, for a unit `high` that is known to be within the standard: unit times fall."""
        low = 1  # not within
        while high - low > 1:
            middle = (low + high) // 2
            if self.unit(middle) <= standard * (1.0 + _SLACK):
                high = middle
            else:
                low = middle
        return high


def rate_from(n: int, minutes: float, later: int, later_minutes: float) -> float:
    """The rate of the Crawford curve through two units: the nth took `minutes`, the later one `later_minutes`.

    Above 1 where the later one took longer. Raises ValueError for units out of order or minutes not above 0.
    """
    _check_count(n)
    if later <= n:
        raise ValueError(f"Unit {later} does not come after unit {n}.")
    if not (minutes > 0.0 and later_minutes > 0.0):
        raise ValueError("A unit takes more than 0 minutes.")
    return float(2.0 ** (math.log(later_minutes / minutes) / math.log(later / n)))


def _check_count(n: int) -> None:
    if n < 1:
        raise ValueError(f"Units are counted from 1, not {n}.")


def _counts(n: int) -> NDArray[np.float64]:
    return np.arange(1.0, n + 1.0)
