"""Where things stand in the picture of a finish. Pure: instants and sizes in, coordinates out."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from shop.rule import Tick, rule_ticks, x_of

DOTS = 20
"""Each dot is one future in twenty: what people count, they believe (quantile dot plot, Kay et al. 2016)."""

RADII = (6.0, 5.0, 4.0, 3.0)
"""Of a dot, px, the first that makes no column taller than TALLEST dots."""
TALLEST = 7


@dataclass(frozen=True)
class Dot:
    """One future in twenty: its centre, px, and whether it is in time for the promised instant."""

    x: float
    y: float
    in_time: bool


@dataclass(frozen=True)
class FinishPicture:
    """The distribution of a finish on a time axis. Sizes in px of the drawing's own scale."""

    dots: tuple[Dot, ...]
    ticks: list[Tick]
    radius: float
    promise_x: float
    base: float
    width: float
    height: float
    start: datetime
    end: datetime

    @property
    def label_anchor(self) -> str:
        """On which side of its line the promise is written, so that it stays inside."""
        return "end" if self.promise_x > self.width / 2 else "start"

    @property
    def label_x(self) -> float:
        """Where the promise's words begin or end."""
        return self.promise_x + (-8 if self.label_anchor == "end" else 8)

    @property
    def in_time(self) -> int:
        """How many dots are in time."""
        return sum(dot.in_time for dot in self.dots)


def finish_picture(
    curve: Sequence[datetime], promised_at: datetime, zone: ZoneInfo, *, width: float = 360.0
) -> FinishPicture:
    """The picture of a finish.

    curve: the finish at evenly spaced probabilities, rising (aware). promised_at: the instant given.
    """
    futures = [curve[round((i + 0.5) / DOTS * (len(curve) - 1))] for i in range(DOTS)]
    first, last = min(futures[0], promised_at), max(futures[-1], promised_at)
    span = max(last - first, timedelta(hours=2))
    start, end = first - span * 0.08, last + span * 0.08
    promise_x = x_of(promised_at, start, end, width)
    xs = [(x_of(future, start, end, width), future <= promised_at) for future in futures]
    radius, placed = _stacked(xs, promise_x)
    pitch = 2 * radius + 2
    base = 30.0 + max(row for _, row, _ in placed) * pitch
    dots = tuple(
        Dot(promise_x + (column + 0.5) * pitch, base - (row - 0.5) * pitch, in_time)
        for column, row, in_time in placed
    )
    return FinishPicture(
        dots=dots,
        ticks=rule_ticks(start, end, zone, width),
        radius=radius,
        promise_x=promise_x,
        base=base,
        width=width,
        height=base + 36.0,
        start=start,
        end=end,
    )


def _stacked(xs: Sequence[tuple[float, bool]], promise_x: float) -> tuple[float, list[tuple[int, int, bool]]]:
    """The dots' radius, and each one's column, row and whether it is in time: the largest that do not tower.

    Columns begin at the promise's line, so that no dot stands on the wrong side of it.
    """
    placed: list[tuple[int, int, bool]] = []
    for radius in RADII:
        rows: dict[int, int] = defaultdict(int)
        placed = []
        for x, in_time in xs:
            column = math.floor((x - promise_x) / (2 * radius + 2))
            column = min(column, -1) if in_time else max(column, 0)
            rows[column] += 1
            placed.append((column, rows[column], in_time))
        if max(rows.values()) <= TALLEST:
            break
    return radius, placed


@dataclass(frozen=True)
class DayChance:
    """How often the job is finished by the end of a local day."""

    day: datetime
    chance: float


def day_chances(curve: Sequence[datetime], zone: ZoneInfo, *, most: int = 12) -> list[DayChance]:
    """The chance, 0..1, of having finished by the end of each local day from the first possible to the last.

    curve: the finish at evenly spaced probabilities, rising (aware).
    """
    days = sorted({instant.astimezone(zone).date() for instant in curve})
    local = [instant.astimezone(zone).date() for instant in curve]
    step = max(1, -(-len(days) // most))
    chosen = days[::step]
    if chosen[-1] != days[-1]:
        chosen.append(days[-1])
    return [
        DayChance(
            datetime.combine(day, datetime.min.time(), zone),
            sum(one <= day for one in local) / (len(local) + 1),
        )
        for day in chosen
    ]
