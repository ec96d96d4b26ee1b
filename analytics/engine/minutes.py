"""How much of a stage's time was hands-on, and how much the machine ran alone.

Instants are whole microseconds, so that sums are exact and minutes come out the same however often they are made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MICROSECONDS = 60_000_000
"""In a minute."""


@dataclass(frozen=True)
class Span:
    """Somebody at it (hands_on) or a machine running, from one instant to another. who: the person or the machine."""

    starts: int
    ends: int
    hands_on: bool
    who: int | None = None


@dataclass(frozen=True)
class StageMinutes:
    """hands_on: minutes with at least one person at it. unattended: minutes that machines ran with nobody there.

    person, machine: who and which had the most of them; None where none is named.
    """

    hands_on: float
    unattended: float
    person: int | None
    machine: int | None


def measure(spans: Sequence[Span]) -> StageMinutes:
    """The minutes of one stage's spans. Time in which two people or machines were at it counts once."""
    by_hand = [span for span in spans if span.hands_on]
    attended = union(by_hand)
    return StageMinutes(
        attended / MICROSECONDS,
        (union(spans) - attended) / MICROSECONDS,
        foremost(by_hand),
        foremost(span for span in spans if not span.hands_on),
    )


def union(spans: Iterable[Span]) -> int:
    """Microseconds covered by at least one span."""
    total, reached = 0, None
    for span in sorted(spans, key=lambda span: span.starts):
        start = span.starts if reached is None else max(span.starts, reached)
        if span.ends > start:
            total += span.ends - start
            reached = span.ends
    return total


def foremost(spans: Iterable[Span]) -> int | None:
    """Whose spans are the longest together; of equals the one with the lower key. None where nobody is named."""
    totals: dict[int, int] = {}
    for span in spans:
        if span.who is not None:
            totals[span.who] = totals.get(span.who, 0) + span.ends - span.starts
    return min(totals, key=lambda who: (-totals[who], who)) if totals else None
