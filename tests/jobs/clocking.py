"""Taps and stages for tests of the fold: minutes after nine, two people, a printer and a cutter."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import count
from uuid import UUID

from jobs.clock import Event, Facts, Folded

NINE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
ANN, BEN = 1, 2
PRINT, TEMPLATE, CUT, WEED, LIE = 11, 12, 13, 14, 15
PRINTER, CUTTER = 21, 22
OTHER_WORK, LUNCH = 31, 32
MOUNT, LOAD, RUN = 16, 41, 42
MINUTE = timedelta(minutes=1)
FACTS = Facts(start_only=frozenset({PRINT}), alone=frozenset({PRINTER}), other_work=OTHER_WORK)
numbers = count(1)


def at(minute: float) -> datetime:
    return NINE + timedelta(minutes=minute)


def tap(kind: str, stage: int, minute: float, person: int | None = ANN, **more) -> Event:
    return Event(UUID(int=next(numbers)), kind, stage, at(minute), person, **more)


def minutes(
    folded: Folded, kind: str, stage: int, person: int | None = None
) -> list[tuple[float, float | None]]:
    """Beginnings and ends of a kind of interval, in minutes after nine; None where it still lasts."""
    return [
        ((s.starts - NINE) / timedelta(minutes=1), (s.ends - NINE) / timedelta(minutes=1) if s.ends else None)
        for s in folded.spans
        if (s.kind, s.stage) == (kind, stage) and (person is None or s.person == person)
    ]


def laps(folded: Folded, stage: int) -> list[tuple[float, float, float, int | None]]:
    """Beginnings and ends in minutes after nine, the seconds, and the element."""
    return [
        ((lap.starts - NINE) / MINUTE, (lap.ends - NINE) / MINUTE, lap.seconds, lap.element)
        for lap in folded.laps
        if lap.stage == stage
    ]


def marked(folded: Folded, stage: int) -> list[tuple[float, float | None, bool]]:
    return [
        ((s.starts - NINE) / MINUTE, (s.ends - NINE) / MINUTE if s.ends else None, s.again)
        for s in folded.spans
        if s.stage == stage
    ]
