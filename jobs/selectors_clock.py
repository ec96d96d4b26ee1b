"""Reads of what the clock holds now that cannot be."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from jobs.models import Interval, IntervalKind, Stage
from shop.models import Machine, Shop


@dataclass(frozen=True)
class Crowd:
    """A machine on which more stages run now than it takes, the first begun first."""

    machine: Machine
    stages: list[Stage]


def crowds(shop: Shop) -> list[Crowd]:
    """The machines of a shop that are clocked beyond their capacity at this moment."""
    machines = list(Machine.objects.of(shop).values_list("pk", flat=True))
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
