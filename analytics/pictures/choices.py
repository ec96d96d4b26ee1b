"""Where things stand in the pictures of a job's choices. Pure: instants and shares in, coordinates out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from analytics.services.choices_rush import Rush, Touched
from analytics.services.choices_ways import Way, Ways
from shop.rule import Tick, rule_ticks, x_of

WIDTH = 640.0
LANE = 46.0
NAME_Y = 13.0
RADIUS = 3.0
ROWS = 4
"""Dots above each other at the most; further ones stand closer."""
MOST = 12
"""Jobs in the picture of a rush; the table has them all."""
SEEN = 0.01
"""Change of a chance that can be seen in it."""


@dataclass(frozen=True)
class Strip:
    """A way's twenty futures on the common rule: dots (x, y), and the line of its date. Sizes in px."""

    way: Way
    y: float
    dots: tuple[tuple[float, float], ...]
    base: float
    promise_x: float


@dataclass(frozen=True)
class WaysPicture:
    """One strip to a way, under each other, on one time axis."""

    strips: tuple[Strip, ...]
    ticks: list[Tick]
    rule_y: float
    width: float
    height: float


def ways_picture(ways: Ways, zone: ZoneInfo, *, width: float = WIDTH) -> WaysPicture | None:
    """The picture of the ways; None where there is none to compare."""
    if not ways.ways:
        return None
    instants = [at for way in ways.ways for at in (*way.futures, way.promised_at)]
    first, last = min(instants), max(instants)
    span = max(last - first, timedelta(hours=2))
    start, end = first - span * 0.03, last + span * 0.03
    strips = tuple(_strip(way, i * LANE, start, end, width) for i, way in enumerate(ways.ways))
    rule_y = len(strips) * LANE + 4
    return WaysPicture(strips, rule_ticks(start, end, zone, width), rule_y, width, rule_y + 36)


def _strip(way: Way, y: float, start: datetime, end: datetime, width: float) -> Strip:
    base = y + LANE - 5
    columns: dict[int, list[float]] = defaultdict(list)
    for future in way.futures:
        x = x_of(future, start, end, width)
        columns[int(x // (2 * RADIUS))].append(x)
    room = LANE - NAME_Y - 18
    dots = []
    for column, xs in columns.items():
        pitch = min(2 * RADIUS, room / max(1, len(xs) - 1)) if len(xs) > 1 else 2 * RADIUS
        dots += [((column + 0.5) * 2 * RADIUS, base - RADIUS - i * pitch) for i in range(len(xs))]
    return Strip(way, y + NAME_Y, tuple(dots), base, x_of(way.promised_at, start, end, width))


@dataclass(frozen=True)
class Arrow:
    """A job's chance before and after, px from the left edge, in its lane."""

    job: Touched
    y: float
    before_x: float
    after_x: float

    @property
    def moves(self) -> bool:
        """Whether the two stand apart far enough for an arrow between them."""
        return abs(self.after_x - self.before_x) > 12

    @property
    def head(self) -> str:
        """The arrow's head as the points of a polygon."""
        way = 1 if self.after_x > self.before_x else -1
        tip, back = self.after_x - way * 6, self.after_x - way * 14
        return f"{tip:.1f},{self.y:.1f} {back:.1f},{self.y - 5:.1f} {back:.1f},{self.y + 5:.1f}"


@dataclass(frozen=True)
class RushPicture:
    """One lane to a job, on an axis from never kept to always kept."""

    arrows: tuple[Arrow, ...]
    marks: tuple[tuple[float, int], ...]
    base: float
    width: float
    height: float


def rush_picture(rush: Rush, *, width: float = WIDTH) -> RushPicture | None:
    """The picture of what a rush does; None where no chance changes."""
    touched: Sequence[Touched] = [one for one in rush.touched if abs(one.after - one.before) >= SEEN][:MOST]
    if not touched:
        return None

    def x(share: float) -> float:
        return 14 + share * (width - 28)

    arrows = tuple(
        Arrow(one, i * LANE + NAME_Y + 18, x(one.before), x(one.after)) for i, one in enumerate(touched)
    )
    base = len(touched) * LANE
    marks = tuple((x(share / 10), share) for share in (0, 5, 10))
    return RushPicture(arrows, marks, base, width, base + 24)
