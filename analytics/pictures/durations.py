"""The strip beside a stage's name: where its middle and its range lie, on one logarithmic scale for all. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

WIDTH, SIDE = 200.0, 8.0
"""Of a strip, px of its own scale; and the room at both ends."""

SHORTEST = 0.5
"""Minutes: what is shorter is drawn there."""

TICKS = (
    (1.0, "1 min"), (10.0, "10 min"), (60.0, "1 h"), (480.0, "8 h"), (1440.0, "1 day"), (10080.0, "1 week"),
)  # fmt: skip
NEAREST = 36.0
"""Px between two ticks that are written."""


@dataclass(frozen=True)
class Tick:
    """A line of the scale, and what it says."""

    x: float
    word: str


@dataclass(frozen=True)
class Strip:
    """A bar from the shortest tenth to the longest tenth, the middle, and where eight in ten lie within; px."""

    left: float
    width: float
    middle: float
    eight: float


@dataclass(frozen=True)
class Scale:
    """Minutes to px, by their logarithms."""

    low: float
    high: float

    def x(self, minutes: float) -> float:
        """Where so many minutes lie."""
        inside = min(max(minutes, self.low), self.high)
        part = math.log(inside / self.low) / math.log(self.high / self.low)
        return round(SIDE + part * (WIDTH - 2 * SIDE), 1)

    @property
    def ticks(self) -> list[Tick]:
        """The lines that stand far enough from each other."""
        made: list[Tick] = []
        for minutes, word in TICKS:
            x = self.x(minutes)
            if self.low <= minutes <= self.high and (not made or x - made[-1].x >= NEAREST):
                made.append(Tick(x, word))
        return made

    def strip(self, p10: float, p50: float, p80: float, p90: float) -> Strip:
        """The strip of these minutes."""
        left, right = self.x(p10), self.x(p90)
        return Strip(left, max(2.0, round(right - left, 1)), self.x(p50), self.x(p80))


def scale_of(spans: Iterable[Sequence[float]]) -> Scale:
    """A scale on which all these minutes lie, a little wider than they are."""
    given = [minutes for span in spans for minutes in span]
    low = max(SHORTEST, min(given, default=1.0) * 0.8)
    return Scale(low, max(low * 4, max(given, default=1.0) * 1.25))
