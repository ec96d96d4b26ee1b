"""What taps amount to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Span:
    """An interval: whose minutes on a stage, from an instant to an instant; ends is None while it lasts.

    again: the work was done again.
    """

    stage: int
    kind: str  # hands_on, machine, interruption, hold
    starts: datetime
    ends: datetime | None
    person: int | None = None
    machine: int | None = None
    cause: int | None = None
    again: bool = False


@dataclass(frozen=True)
class StageFold:
    """What the clock says of a stage: waiting, running, paused, put_aside or finished, and since when.

    vouched_at: up to when somebody said that what was clocked here is right.
    """

    state: str = "waiting"
    started_at: datetime | None = None
    finished_at: datetime | None = None
    vouched_at: datetime | None = None


@dataclass(frozen=True)
class LapSpan:
    """One element of a stage. seconds: of the stage running between the two instants; person: who pressed."""

    stage: int
    starts: datetime
    ends: datetime
    seconds: float
    element: int | None = None
    person: int | None = None


@dataclass(frozen=True)
class Clash:
    """More at once than can be: `kind` is 'machine' or 'person', `key` which, `stages` where, from `at` on."""

    kind: str
    key: int
    stages: tuple[int, ...]
    at: datetime


@dataclass(frozen=True)
class Folded:
    """All intervals in order, each stage that has any event or hold, what cannot be, and all laps in order."""

    spans: tuple[Span, ...]
    stages: dict[int, StageFold]
    clashes: tuple[Clash, ...]
    laps: tuple[LapSpan, ...] = ()


def span_order(span: Span) -> tuple[object, ...]:
    """By beginning, and then so that equal sets of spans are in equal order."""
    keys = (span.person or 0, span.machine or 0, span.cause or 0, span.again)
    ends = span.ends.timestamp() if span.ends else float("inf")
    return (span.starts, span.stage, span.kind, ends, *keys)


def lap_order(lap: LapSpan) -> tuple[object, ...]:
    """By beginning, and then so that equal sets of laps are in equal order."""
    return (lap.starts, lap.stage, lap.ends, lap.seconds, lap.element or 0, lap.person or 0)
