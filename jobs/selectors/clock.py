"""Reads of what the clock holds: what cannot be, and what corrects what."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from jobs.models import ClockEvent, Interval, IntervalKind, Stage
from jobs.services.clock_reach import chunks
from shop.models import Machine, Shop


@dataclass(frozen=True)
class Crowd:
    """A machine on which more stages run now than it takes, the first begun first."""

    machine: Machine
    stages: list[Stage]


def crowds(shop: Shop) -> list[Crowd]:
    """The machines of a shop that are clocked beyond their capacity at this moment."""
    machines = Machine.objects.of(shop).order_by().values("pk")  # by these the index is of use
    runs = (
        Interval.objects.of(shop)
        .filter(kind=IntervalKind.MACHINE, ends_at=None, machine__in=machines)
        .select_related("machine", "stage__job")
        .order_by("machine__name", "starts_at", "pk")
    )
    by_machine: dict[Machine, list[Stage]] = defaultdict(list)
    for run in runs:
        if run.machine and run.stage not in by_machine[run.machine]:
            by_machine[run.machine].append(run.stage)
    return [Crowd(machine, on) for machine, on in by_machine.items() if len(on) > machine.capacity]


def with_correctors(shop: Shop, events: Iterable[ClockEvent]) -> dict[UUID, ClockEvent]:
    """These events and those that correct them, and those that correct these, by key."""
    found = {event.pk: event for event in events}
    fresh = list(found)
    while fresh:
        later = [
            row
            for some in chunks(fresh)
            for row in ClockEvent.objects.of(shop).filter(corrects__in=some)
            if row.pk not in found
        ]
        found.update((row.pk, row) for row in later)
        fresh = [row.pk for row in later]
    return found
