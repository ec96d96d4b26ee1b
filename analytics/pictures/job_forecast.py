"""Where things stand in the pictures of a job's forecast. Pure: minutes in, coordinates out.

Bars of stages over an axis of minutes, and the steps from the usual stage to this one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.engine.explain import Explanation
from analytics.pictures.records import elapsed_ticks
from shop.rule import Tick

WIDTH = 360.0
"""px of the drawing's own scale."""

PITCH, BAR = 36.0, 14.0
"""From one row to the next, and how tall its bar is."""

HEAD = 18.0
"""Room for a row's words above its bar."""

SHORTEST = 1.5
"""So that a minute can still be seen."""


@dataclass(frozen=True)
class Bar:
    """One stage, minutes: clocked so far, and where all of it will have ended in one, five, eight, nine of ten cases.

    low … high: None where nothing is to come.
    """

    name: str
    clocked: float
    low: float | None = None
    middle: float | None = None
    most: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class DrawnBar:
    """A bar's coordinates, px. y: its top; words_y: of the line above it."""

    bar: Bar
    y: float
    clocked: float
    low: float
    range_width: float
    middle: float
    most: float

    @property
    def words_y(self) -> float:
        """Where its words stand."""
        return self.y - 5.0

    @property
    def to_come(self) -> bool:
        """Whether something is to come."""
        return self.bar.middle is not None


@dataclass(frozen=True)
class BarsPicture:
    """The stages one below the other."""

    bars: tuple[DrawnBar, ...]
    ticks: list[Tick]
    base: float
    width: float = WIDTH
    bar_height: float = BAR

    @property
    def height(self) -> float:
        """With the rule below."""
        return self.base + 36.0


def bars_picture(bars: Sequence[Bar]) -> BarsPicture | None:
    """The picture of these stages; None where there is nothing to draw."""
    longest = max((max(bar.clocked, bar.high or 0.0) for bar in bars), default=0.0) * 1.03
    if longest <= 0.0:
        return None
    px = WIDTH / longest
    drawn = tuple(_drawn(bar, HEAD + i * PITCH, px) for i, bar in enumerate(bars))
    return BarsPicture(drawn, elapsed_ticks(longest, WIDTH), HEAD + len(bars) * PITCH - PITCH + BAR + 8.0)


def _drawn(bar: Bar, y: float, px: float) -> DrawnBar:
    low, high = (bar.low or 0.0) * px, (bar.high or 0.0) * px
    clocked = max(bar.clocked * px, SHORTEST) if bar.clocked > 0 else 0.0
    return DrawnBar(
        bar, y, clocked, low, max(high - low, SHORTEST), (bar.middle or 0.0) * px, (bar.most or 0.0) * px
    )


@dataclass(frozen=True)
class Step:
    """One step, px: from left to right edge. sort: 'whole', 'more' or 'less'. minutes: of the whole, or of the step."""

    name: str
    minutes: float
    sort: str
    y: float
    x: float
    width: float
    end: float

    @property
    def words_y(self) -> float:
        """Where its words stand."""
        return self.y - 5.0

    @property
    def link_bottom(self) -> float:
        """Down to where the next step begins."""
        return self.y + PITCH


@dataclass(frozen=True)
class StepsPicture:
    """From the usual stage to this one."""

    steps: tuple[Step, ...]
    ticks: list[Tick]
    base: float
    width: float = WIDTH
    bar_height: float = BAR

    @property
    def height(self) -> float:
        """With the rule below."""
        return self.base + 36.0


def steps_picture(found: Explanation, names: Sequence[str], first: str, last: str) -> StepsPicture | None:
    """The steps of an explanation; None where nothing moved. names: of its moves, in their order."""
    if not found.moves:
        return None
    reached, edges = found.usual, []
    for move in found.moves:
        edges.append((reached, reached + move.minutes))
        reached += move.minutes
    low = min(0.0, *(end for pair in edges for end in pair))
    longest = max(found.usual, found.here, *(end for pair in edges for end in pair)) * 1.03
    px = WIDTH / (longest - low)
    rows = [
        (first, found.usual, 0.0, found.usual),
        *((name, move.minutes, *pair) for name, move, pair in zip(names, found.moves, edges, strict=True)),
        (last, found.here, 0.0, found.here),
    ]
    steps = tuple(
        Step(
            name,
            minutes,
            "whole" if i in (0, len(rows) - 1) else "more" if minutes >= 0 else "less",
            HEAD + i * PITCH,
            (min(begin, end) - low) * px,
            max(abs(end - begin) * px, SHORTEST),
            (end - low) * px,
        )
        for i, (name, minutes, begin, end) in enumerate(rows)
    )
    ticks = elapsed_ticks(longest - low, WIDTH) if low == 0.0 else []
    return StepsPicture(steps, ticks, HEAD + len(rows) * PITCH - PITCH + BAR + 8.0)
