"""The picture of an order of work: a line for each job from its present place to its new one. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

ROW, TOP, WIDTH = 24.0, 12.0, 360.0
"""Px of the drawing's own scale: between two places, above the first, and across."""

LEFT, RIGHT = 64.0, 290.0
"""Where the lines begin and end; the numbers stand outside."""

MOST = 60
"""Places in the picture; the table has them all."""


@dataclass(frozen=True)
class Slope:
    """One job's line. way: forward, back or with (it keeps its order among the others)."""

    number: int
    way: str
    y0: float
    y1: float

    @property
    def word0(self) -> float:
        """The left number's baseline."""
        return self.y0 + 4.5

    @property
    def word1(self) -> float:
        """The right number's baseline."""
        return self.y1 + 4.5


@dataclass(frozen=True)
class OrderPicture:
    """Lines of jobs that keep their order first, so that those that pass lie above them."""

    slopes: tuple[Slope, ...]
    height: float
    left: float = LEFT
    right: float = RIGHT
    width: float = WIDTH


def order_picture(jobs: Sequence[tuple[int, tuple[int, int], bool]]) -> OrderPicture:
    """jobs: number, places before and after, and whether it passes others. Of those within the first MOST places."""
    drawn = [(number, places, moved) for number, places, moved in jobs if max(places) <= MOST]
    slopes = [
        Slope(
            number,
            "with" if not moved else "forward" if places[1] < places[0] else "back",
            TOP + ROW * (places[0] - 1),
            TOP + ROW * (places[1] - 1),
        )
        for number, places, moved in drawn
    ]
    slopes.sort(key=lambda slope: slope.way != "with")
    last = max((max(places) for _, places, _ in drawn), default=1)
    return OrderPicture(tuple(slopes), 2 * TOP + ROW * (last - 1))
