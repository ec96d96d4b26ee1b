"""What the clock has of the stages that are begun and not finished."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from analytics.engine.minutes import Span, measure
from jobs.models import Interval, IntervalKind, StageState
from shop.models import Shop


@dataclass(frozen=True)
class Clocked:
    """What the clock has of a begun stage at an instant: minutes so far, and who and what is at it now."""

    hands_on: float
    unattended: float
    people: tuple[int, ...]
    machine: int | None


COUNTED = (IntervalKind.HANDS_ON, IntervalKind.MACHINE, IntervalKind.HOLD)
"""What a stage's minutes are made of."""


def clocked(shop: Shop, now: datetime) -> dict[int, Clocked]:
    """What the clock has of every stage that is begun and not finished."""
    return clocked_in(
        Interval.objects.of(shop).filter(
            stage__state__in=(StageState.RUNNING, StageState.PAUSED, StageState.PUT_ASIDE),
            kind__in=COUNTED,
            starts_at__lt=now,
        ),
        now,
    )


def clocked_in(rows: Iterable[Interval], now: datetime) -> dict[int, Clocked]:
    """What rows of COUNTED kinds, begun before `now`, amount to by then."""
    rows = list(rows)
    redone = {row.stage_id for row in rows if row.again}
    spans: dict[int, list[Span]] = defaultdict(list)
    here: dict[int, list[Interval]] = defaultdict(list)
    for row in rows:
        if row.kind == IntervalKind.HOLD and row.stage_id in redone and not row.again:
            continue  # it waits again from the beginning
        by_hand = row.kind == IntervalKind.HANDS_ON
        who = row.person_id if by_hand else row.machine_id
        spans[row.stage_id].append(
            Span(_microseconds(row.starts_at), _microseconds(row.ends_at or now), by_hand, who)
        )
        if row.ends_at is None:
            here[row.stage_id].append(row)
    found = {}
    for stage, mine in spans.items():
        minutes = measure(mine)
        people = tuple(sorted({row.person_id for row in here[stage] if row.person_id is not None}))
        machine = next((row.machine_id for row in here[stage] if row.machine_id is not None), None)
        found[stage] = Clocked(minutes.hands_on, minutes.unattended, people, machine)
    return found


def _microseconds(instant: datetime) -> int:
    return round(instant.timestamp() * 1_000_000)
