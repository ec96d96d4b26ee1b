"""Where a job's elapsed time went: each instant counted once, so that the parts add up to the whole.

Instants are whole microseconds, so that sums are exact.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Use = Literal["setup", "hands_on", "run", "interruption", "hold", "queue"]

USES: tuple[Use, ...] = ("setup", "hands_on", "run", "interruption", "hold", "queue")
"""What an instant was used for; where two stages go on together, the earlier in this list counts."""

MICROSECONDS = 60_000_000
"""In a minute."""


@dataclass(frozen=True)
class Stretch:
    """One stage from one instant to another: somebody at it, its machine running, paused or on hold."""

    stage: int
    use: Use
    starts: int
    ends: int


@dataclass(frozen=True)
class Slice:
    """A part of the elapsed time; stage is None for the queue. beside: how many other stages were under way."""

    use: Use
    stage: int | None
    starts: int
    ends: int
    beside: int = 0

    @property
    def minutes(self) -> float:
        """Its length in minutes."""
        return (self.ends - self.starts) / MICROSECONDS


def partition(stretches: Sequence[Stretch], order: Sequence[int]) -> list[Slice]:
    """Slices that cover the time from the first start to the last end, in order and without overlap.

    order: stage keys; of two stages in the same use the one that comes first counts. Stretches of no length do not.
    """
    real = [stretch for stretch in stretches if stretch.ends > stretch.starts]
    place = {stage: i for i, stage in enumerate(order)}
    instants = sorted({instant for s in real for instant in (s.starts, s.ends)})
    found: list[Slice] = []
    for starts, ends in itertools.pairwise(instants):
        here = [s for s in real if s.starts <= starts and s.ends >= ends]
        working = {s.stage for s in here if s.use in ("setup", "hands_on", "run")}
        first = min(here, key=lambda s: (USES.index(s.use), place[s.stage]), default=None)
        use: Use = first.use if first else "queue"
        stage = first.stage if first else None
        beside = len(working - {stage}) if stage in working else 0
        last = found[-1] if found else None
        if last and (last.use, last.stage, last.beside) == (use, stage, beside):
            found[-1] = Slice(use, stage, last.starts, ends, beside)
        else:
            found.append(Slice(use, stage, starts, ends, beside))
    return found


@dataclass(frozen=True)
class TimeTable:
    """Minutes by stage and use, by use, and in all. beside: minutes in which more than one stage went on."""

    by_stage: dict[int, dict[Use, float]]
    by_use: dict[Use, float]
    elapsed: float
    beside: float


def time_table(slices: Sequence[Slice]) -> TimeTable:
    """Add the slices up. The uses add up to the elapsed minutes, and so do the stages with the queue."""
    by_stage: dict[int, dict[Use, int]] = defaultdict(lambda: dict.fromkeys(USES, 0))
    by_use: dict[Use, int] = dict.fromkeys(USES, 0)
    beside = 0
    for one in slices:
        length = one.ends - one.starts
        by_use[one.use] += length
        beside += length if one.beside else 0
        if one.stage is not None:
            by_stage[one.stage][one.use] += length
    return TimeTable(
        {stage: {use: n / MICROSECONDS for use, n in uses.items()} for stage, uses in by_stage.items()},
        {use: n / MICROSECONDS for use, n in by_use.items()},
        sum(by_use.values()) / MICROSECONDS,
        beside / MICROSECONDS,
    )
