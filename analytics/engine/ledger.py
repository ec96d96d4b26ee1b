"""How dates that were given turned out.

Two questions are asked of every job, for they have different answers once a date was moved:

- **As first given**: was it finished by the date that the customer was given first? A date that we moved is still
  judged at the first one; one that the customer asked to move is judged anew from the date that they asked for.
- **As agreed**: was it finished by the date that stood last? A date that had passed before it was moved is broken,
  whoever moved it.

What is not judged: a date taken back within a day, before it passed and before work began (a slip of the pen); a date
taken back later with none in its place, unless it had passed; a job that was cancelled. A date taken back with another
given later counts as one that we moved.

**When** a date is judged: once it has passed, and no sooner. Of the dates that lie ahead, only the early finishers are
known, and every one of them is kept: to count them with the others says that more is kept than is. For the same reason
a date that has passed with the job unfinished counts as broken at once.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np

from analytics.engine import quality
from analytics.engine.quality import Coverage

SLIP = timedelta(days=1)
"""A date taken back so soon, before work began, was never in force."""

CUSTOMER, SHOP = "customer", "shop"
"""Who moved a date; where it was not said, we did."""

EDGES = (0.0, 0.5, 0.8, 0.95, 1.0)
"""The parts of a forecast in which finishes are counted: those that every promise keeps."""


class Outcome(StrEnum):
    """How a date stands now."""

    OPEN = "open"
    OVERDUE = "overdue"
    KEPT = "kept"
    BROKEN = "broken"
    REPLACED = "replaced"
    TAKEN_BACK = "taken back"
    CANCELLED = "cancelled"


@dataclass(frozen=True)
class Given:
    """A date given, all instants aware. why: who moved the date before it, empty where there was none or unsaid."""

    key: int
    made: datetime
    due: datetime
    why: str = ""
    withdrawn: datetime | None = None


@dataclass(frozen=True)
class Work:
    """What the clock has of the job."""

    started: datetime | None
    finished: datetime | None
    cancelled: bool = False


@dataclass(frozen=True)
class Judged:
    """How one date turned out. first, agreed: whether it was kept in that sense; None where it is not judged in it."""

    key: int
    outcome: Outcome
    first: bool | None
    agreed: bool | None


def judge(given: Sequence[Given], work: Work, now: datetime) -> list[Judged]:
    """All dates of one job, in the order in which they were given."""
    rows = sorted(given, key=lambda one: (one.made, one.key))
    chain = [one for one in rows if not _is_slip(one, work)]
    place = {one.key: i for i, one in enumerate(chain)}
    found = []
    for one in rows:
        later = [two for two in rows if two.withdrawn is None and (two.made, two.key) > (one.made, one.key)]
        i = place.get(one.key)
        found.append(
            Judged(
                one.key,
                _outcome(one, later, work, now),
                None if i is None else _as_first(chain, i, work, now),
                None if i is None else _as_agreed(one, later, work, now),
            )
        )
    return found


def _is_slip(one: Given, work: Work) -> bool:
    at = one.withdrawn
    if at is None or at - one.made > SLIP or at >= one.due:
        return False
    return work.started is None or at <= work.started


def _outcome(one: Given, later: Sequence[Given], work: Work, now: datetime) -> Outcome:
    if one.withdrawn is not None:
        return Outcome.TAKEN_BACK
    if later:
        return Outcome.REPLACED
    if work.finished is not None:
        return Outcome.KEPT if work.finished <= one.due else Outcome.BROKEN
    if work.cancelled:
        return Outcome.CANCELLED
    return Outcome.OVERDUE if one.due <= now else Outcome.OPEN


def _as_first(chain: Sequence[Given], i: int, work: Work, now: datetime) -> bool | None:
    """Judge a date that stands at the beginning, or that the customer asked for, to the next that they asked for."""
    if i and chain[i].why != CUSTOMER:
        return None
    asked = next((two.made for two in chain[i + 1 :] if two.why == CUSTOMER), None)
    over = chain[-1].withdrawn if asked is None else asked
    if over is not None and over < chain[i].due:
        return None
    return _is_kept(chain[i].due, work, now)


def _as_agreed(one: Given, later: Sequence[Given], work: Work, now: datetime) -> bool | None:
    over = one.withdrawn or (later[0].made if later else None)
    if over is not None and over < one.due:
        return None
    return _is_kept(one.due, work, now)


def _is_kept(due: datetime, work: Work, now: datetime) -> bool | None:
    """Whether the job was finished by a date; None before it has passed, and of a job that was cancelled."""
    if due > now:
        return None
    if work.finished is not None:
        return work.finished <= due
    return None if work.cancelled else False


def coverage(kept: Sequence[bool], stated: Sequence[float], weeks: Sequence[int]) -> Coverage:
    """How often dates were kept against how often it was said, the mean of `stated`; shape (n,) each.

    weeks: in which week each was due. Dates of one week wait in one queue and tend to be kept or missed together, so
    the interval is as wide as for the number of independent dates that they are worth. Raises ValueError for none.
    """
    if not kept:
        raise ValueError("A share needs at least one date that has passed.")
    hits, said = np.asarray(kept, bool), np.asarray(stated, float)
    group = np.asarray(weeks, np.int64)
    worth = quality.worth(group, quality.likeness(hits - said, group))
    return quality.coverage_at(float(said.mean()), hits, worth)


@dataclass(frozen=True)
class Part:
    """How many finishes fell between two levels of their forecast. low, high: no surprise if those are right."""

    first: float
    last: float
    count: int
    expected: float
    low: float
    high: float

    @property
    def odd(self) -> bool:
        """Whether chance seldom makes it so many or so few."""
        return not self.low <= self.count <= self.high


def parts(places: Sequence[int]) -> tuple[Part, ...]:
    """Finishes by the part of their forecast, as places between EDGES. The band of each holds 19 times in 20.

    Coarse, because only these levels are kept with a promise; the counts compare as those of a PIT histogram do
    (Dawid, JRSS A 147 (1984)), with unequal bars.
    """
    from scipy.stats import binom

    n = len(places)
    counts = np.bincount(np.asarray(places, np.int64), minlength=len(EDGES) - 1)
    found = []
    for k, (first, last) in enumerate(itertools.pairwise(EDGES)):
        low, high = binom.interval(quality.LEVEL, n, last - first) if n else (0.0, 0.0)
        found.append(Part(first, last, int(counts[k]), n * (last - first), float(low), float(high)))
    return tuple(found)


def between(
    levels: Sequence[float], instants: Sequence[datetime], finished: datetime | None, now: datetime
) -> tuple[float, float]:
    """Between which of a forecast's levels the finish fell: (0.5, 0.8) where it came after the one and by the other.

    levels: rising, with their instants. A job that is not finished lies after every instant that has passed.
    """
    at = now if finished is None else finished
    low = max((level for level, instant in zip(levels, instants, strict=True) if instant < at), default=0.0)
    if finished is None:
        return low, 1.0
    return low, min((level for level in levels if level > low), default=1.0)


def median(values: Sequence[float]) -> float | None:
    """The middle one; None for none."""
    return float(np.median(np.asarray(values, float))) if values else None
