"""What a clocked pause means for the shop: somebody held up, or work that waits with nobody at it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.engine.hours import Calendar, intersect

Spell = tuple[float, float]
"""From when to when, minutes since an origin."""

LONGEST = 120.0
"""Working minutes for which somebody stays held up; after a longer pause nobody had stood beside it."""


@dataclass(frozen=True)
class Paused:
    """held: minutes that whoever was at the stage, and its machine, were kept from other work. waits: elapsed
    minutes for which the stage waited with nobody at it.
    """

    held: float = 0.0
    waits: float = 0.0


def paused(pauses: Sequence[Spell], there: Calendar, elsewhere: Sequence[Spell]) -> Paused:
    """What one person's pauses of a stage amount to.

    there: when the person is at work. elsewhere: when they were at other stages. Where that is half of a pause or
    more, the pause is that other work, which is counted where it was done.
    """
    busy = intersect(there, Calendar.of([a for a, _ in elsewhere], [b for _, b in elsewhere]))
    held = waits = 0.0
    for starts, ends in pauses:
        whole = float(there.work(ends) - there.work(starts))
        other = float(busy.work(ends) - busy.work(starts))
        if other > 0.0 and other >= whole / 2:
            continue
        if whole - other <= LONGEST:
            held += whole - other
        else:
            waits += ends - starts
    return Paused(held, waits)
