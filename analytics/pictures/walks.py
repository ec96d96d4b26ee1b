"""The picture of a walk's errors: three bars for each group. Pure: numbers in, coordinates out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, LABEL, LANE, GAP, ROOM = 360.0, 19.0, 15.0, 8.0, 78.0
"""Px of the drawing's own scale. ROOM: for the number behind a bar."""

Named = tuple[str, Sequence[float]]
"""A group's name and its errors, minutes."""


@dataclass(frozen=True)
class Bar:
    """One error: its place, and the minutes that are written behind it. which: of the group's, counted from 0."""

    which: int
    y: float
    width: float
    minutes: float

    @property
    def word_x(self) -> float:
        """Where its number begins."""
        return self.width + 6.0

    @property
    def word_y(self) -> float:
        """The number's baseline."""
        return self.y + 10.0


@dataclass(frozen=True)
class Bars:
    """A group's bars below its name."""

    name: str
    y: float
    bars: tuple[Bar, ...]


@dataclass(frozen=True)
class ErrorsPicture:
    """Groups below each other, each on its own scale: its longest bar is as long as any other's."""

    groups: tuple[Bars, ...]
    height: float
    width: float = WIDTH


def errors_picture(groups: Sequence[Named]) -> ErrorsPicture:
    """Lay the groups' errors out as bars."""
    y, made = 0.0, []
    for name, errors in groups:
        longest = max(errors) or 1.0
        bars = tuple(
            Bar(k, y + LABEL + k * LANE, max(error / longest * (WIDTH - ROOM), 1.0), error)
            for k, error in enumerate(errors)
        )
        made.append(Bars(name, y + 14.0, bars))
        y += LABEL + len(errors) * LANE + GAP
    return ErrorsPicture(tuple(made), y)
