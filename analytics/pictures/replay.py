"""The picture of a replay: two strips of dots on one rule of days, each dot one job in twenty. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, LEFT, RIGHT = 360.0, 10.0, 350.0
"""Px of the drawing's own scale, and where the rule begins and ends."""

RADIUS, STEP = 5.0, 10.5
"""Of a dot, and between the middles of two that stand on each other."""

ROOM, HEAD = 8.0, 20.0
"""Above the highest dot of a strip, and for its name."""

_STEPS = (15, 60, 240, 720, 1440, 2880, 7200, 14400, 43200)
"""Minutes between two ticks that have a word: one of these, so that there are no more than seven."""


@dataclass(frozen=True)
class Strip:
    """One strip: where its ground and its name stand, its dots (x, y), and the x of its middle job."""

    name: str
    ground: float
    word: float
    dots: tuple[tuple[float, float], ...]
    middle: float


@dataclass(frozen=True)
class ReplayPicture:
    """Both strips, the rule's ticks (x, word), and the drawing's height."""

    strips: tuple[Strip, ...]
    ticks: tuple[tuple[float, str], ...]
    rule: float
    height: float
    width: float = WIDTH
    left: float = LEFT
    right: float = RIGHT


def replay_picture(strips: Sequence[tuple[str, Sequence[float], float]]) -> ReplayPicture:
    """strips: name, the dots' minutes in rising order, and the middle job's minutes."""
    longest = max((max(minutes, default=0.0) for _, minutes, _ in strips), default=0.0)
    step = next((s for s in _STEPS if longest / s <= 6), _STEPS[-1])
    end = step * max(1, math.ceil(longest / step))
    scale = (RIGHT - LEFT) / end
    drawn, y = [], 0.0
    for name, minutes, middle in strips:
        levels = _levels([LEFT + scale * m for m in minutes])
        word = y + HEAD * 0.7
        ground = y + HEAD + ROOM + STEP * max((level for _, level in levels), default=0) + 2 * RADIUS
        dots = tuple((x, ground - RADIUS - STEP * level) for x, level in levels)
        drawn.append(Strip(name, ground, word, dots, LEFT + scale * middle))
        y = ground + ROOM
    ticks = tuple((LEFT + scale * t, _word(t, step)) for t in range(0, end + 1, step))
    return ReplayPicture(tuple(drawn), ticks, y, y + 26)


def _levels(xs: Sequence[float]) -> list[tuple[float, int]]:
    """Each dot on the lowest level on which it touches no other."""
    last: list[float] = []
    placed = []
    for x in xs:
        level = next((k for k, before in enumerate(last) if x - before >= STEP), len(last))
        last[level : level + 1] = [x]
        placed.append((x, level))
    return placed


def _word(minutes: int, step: int) -> str:
    if step >= 1440:
        return f"{minutes // 1440} d" if minutes else "0"
    return f"{minutes / 60:g} h" if minutes else "0"
