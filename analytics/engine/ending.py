"""When a stage that runs will be done: its law, given how long it has taken already."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.engine.forecast import Forecast
from analytics.engine.hours import Calendar

LONG = 0.95
"""Beyond this share of its law a stage runs longer than usual, and the law says little about what is left."""


@dataclass(frozen=True)
class Left:
    """Minutes that are left at 0.5 and 0.8; is_long: it has run longer than it nearly ever does."""

    p50: float
    p80: float
    is_long: bool


def left_of(law: Forecast, elapsed: float) -> Left:
    """What is left of a stage after `elapsed` minutes: the law of its minutes given that they are more."""
    passed = float(law.cdf(elapsed)) if elapsed > 0.0 else 0.0
    p50, p80 = (max(0.0, float(law.quantile(passed + p * (1.0 - passed))) - elapsed) for p in (0.5, 0.8))
    return Left(p50, p80, passed >= LONG)


def end_of(calendar: Calendar, minutes: float, *, always: bool) -> float:
    """When so many minutes from now are done, in minutes from now.

    always: it goes on when the shop is closed. Somebody who is at it in closed hours is taken to stay for it.
    """
    if always or not bool(calendar.is_open(0.0)):
        return minutes
    return float(calendar.finish(0.0, minutes))
