"""Until when a stage may begin without moving its job's date.

Behind a stage that is followed by a hold or by closed hours the date stands still for a while and then jumps: print
before ten past three and the print gases off overnight. The cut-off is found by bisection on the stage's earliest
start, with the same futures each time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from analytics.engine.variants import Common, at_level, begun_from

GRID = 5
"""Minutes on the clock that a cut-off is said to."""
MISSED = 30.0
"""Minutes after the cut-off at which the stage begins where it is missed."""


@dataclass(frozen=True)
class CutOff:
    """Minutes since the origin. latest: the last start that keeps the finish by `by`; missed: the finish after it."""

    operation: int
    latest: float
    missed: float


def cut_off(common: Common, operation: int, *, level: float, by: float, until: float) -> CutOff | None:
    """The cut-off of an operation, by index, where there is one from now until `until`.

    by, until: minutes since the origin. level: the share of futures in which the job is to be done by `by`. None: it
    is not done by then even if nothing waits, or is however late the operation begins up to `until`.
    """
    book = common.book

    def finish(start: float) -> float:
        return at_level(common.finish(begun_from(book, operation, start)), level)

    if finish(0.0) > by:
        return None
    minute = book.origin.minute % GRID
    last = _last_true(lambda step: finish(step * GRID - minute) <= by, int((until + minute) // GRID))
    if last is None:
        return None
    latest = max(last * GRID - minute, 0.0)
    return CutOff(operation, latest, finish(latest + MISSED))


def _last_true(holds: Callable[[int], bool], most: int) -> int | None:
    """The last step from 0 at which it holds, given that it does at 0; None where it still does at `most`."""
    if holds(most):
        return None
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
