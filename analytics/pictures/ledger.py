"""The pictures of dates kept and broken: shares against what was said, and each date on a time axis.

Pure: numbers in, coordinates out, in px of the drawing's own scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from analytics.engine.quality import Coverage
from shop.rule import Tick, rule_ticks, x_of

WIDTH, SIDE = 360.0, 12.0
ROW, NAME = 36.0, 14.0
"""A row's height, and how far down in it its name stands."""


@dataclass(frozen=True)
class ShareRow:
    """A group: its name, the share kept with its interval, and the share that was said, as places from the left."""

    name: str
    n: int
    y: float
    x: float
    left: float
    right: float
    said: float
    odd: bool
    title: str

    @property
    def name_y(self) -> float:
        """Where its name is written."""
        return self.y - ROW / 2 + NAME - 4

    @property
    def mark_y(self) -> float:
        """Where its figure stands."""
        return self.y + 7


@dataclass(frozen=True)
class SharesPicture:
    """Groups below each other over one scale of shares, in %."""

    rows: tuple[ShareRow, ...]
    ticks: tuple[tuple[float, str], ...]
    base: float
    width: float
    height: float

    @property
    def words_y(self) -> float:
        """Where the scale's numbers are written."""
        return self.base + 15.0


def shares_picture(groups: Sequence[tuple[str, Coverage]]) -> SharesPicture:
    """Lay the groups out on a scale that shows every interval and ends at 100 %."""
    low = min([0.5, *(math.floor(one.low * 10) / 10 for _, one in groups)])

    def x(share: float) -> float:
        return SIDE + (share - low) / (1 - low) * (WIDTH - 2 * SIDE)

    rows = tuple(
        ShareRow(
            name,
            one.n,
            (k + 0.5) * ROW,
            x(one.share),
            x(one.low),
            x(one.high),
            x(one.level),
            one.verdict in ("below", "above"),
            f"{name}: {one.hits} of {one.n} kept",
        )
        for k, (name, one) in enumerate(groups)
    )
    step = 0.1 if low >= 0.3 else 0.2
    ticks = [k * step for k in range(math.ceil(low / step - 1e-9), round(1 / step) + 1)]
    base = len(rows) * ROW + 4
    return SharesPicture(
        rows, tuple((x(tick), f"{tick * 100:.0f}") for tick in ticks), base, WIDTH, base + 24
    )


STRIP, EDGE = 720.0, 68.0
"""The strip's width, and the room at its left for the words of its scale."""
UP, DOWN, HEAD = 78.0, 52.0, 20.0
"""Room for what is late, for what is early, and above."""
STEPS = (60.0, 120.0, 240.0, 480.0, 960.0, 1440.0, 2400.0, 4800.0, 9600.0)
"""Ends that the scale may have, minutes: an hour to twenty working days."""


@dataclass(frozen=True)
class Stroke:
    """One date: from the line up as far as it was late, or down as far as it was early. cut: it goes on beyond."""

    x: float
    y: float
    late: bool
    cut: bool
    title: str

    @property
    def tip(self) -> str:
        """The corners of an arrowhead at its end."""
        down = -5 if self.late else 5
        return f"{self.x - 4:.1f},{self.y - down:.1f} {self.x + 4:.1f},{self.y - down:.1f} {self.x:.1f},{self.y:.1f}"


@dataclass(frozen=True)
class StripPicture:
    """Dates on a time axis. zero: y of what is on the minute. scale: minutes at the ends of both halves."""

    strokes: tuple[Stroke, ...]
    ticks: list[Tick]
    zero: float
    base: float
    late_max: float
    early_max: float
    width: float
    height: float
    left: float = EDGE
    top: float = HEAD

    @property
    def inner(self) -> float:
        """The rule's length."""
        return self.width - self.left


@dataclass(frozen=True)
class Dated:
    """One date with how late it was, in minutes, below 0 early; kept: whether it was."""

    due: datetime
    off: float
    kept: bool
    title: str


def strip_picture(dates: Sequence[Dated], zone: ZoneInfo) -> StripPicture | None:
    """Every date a stroke at its place on a steel rule; None for none. What is beyond the scale ends in an arrow."""
    if not dates:
        return None
    first, last = min(one.due for one in dates), max(one.due for one in dates)
    room = max((last - first) * 0.03, timedelta(hours=12))
    start, end, inner = first - room, last + room, STRIP - EDGE
    late = _reach([one.off for one in dates if not one.kept])
    early = _reach([-one.off for one in dates if one.kept])
    zero = HEAD + UP
    strokes = []
    for one in dates:
        most, height = (early, DOWN) if one.kept else (late, -UP)
        share = abs(one.off) / most
        y = zero + height * min(share, 1.0) + (2 if one.kept else -2) * (share < 0.02)
        strokes.append(Stroke(EDGE + x_of(one.due, start, end, inner), y, not one.kept, share > 1, one.title))
    base = zero + DOWN + 10
    ticks = rule_ticks(start, end, zone, inner)
    return StripPicture(tuple(strokes), ticks, zero, base, late, early, STRIP, base + 36)


def _reach(minutes: Sequence[float]) -> float:
    """An end of the scale that nine in ten lie within."""
    ordered = sorted(minutes)
    want = ordered[min(math.ceil(0.9 * len(ordered)), len(ordered)) - 1] if ordered else 0.0
    return next((step for step in STEPS if step >= want), STEPS[-1])
