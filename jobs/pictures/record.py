"""The picture of a clock's record: stages, or before and after, one below the other under a steel rule. Pure.

Aware instants in, pixels out. The axis is true time, so that on a day on which the clocks change nothing is stretched.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from shop.rule import Tick, rule_ticks, x_of

STEP = timedelta(minutes=15)
"""Axes begin and end on it; every zone's offset from UTC is a multiple."""

SHORTEST_AXIS = timedelta(minutes=30)
RULE_HEIGHT = 34.0
NAME_HEIGHT = 20.0
LANE_HEIGHT = 20.0
GAP = 6.0
LEAST_WIDTH = 2.0
"""So that a second can still be seen, px."""

LETTER_PX = 6.6
LANES = ("hands_on", "interruption", "machine", "hold")


@dataclass(frozen=True)
class RecordSpan:
    """Something of a stage, from one aware instant to another. words: whose it is, or why; lasts: it still runs.

    kind: hands_on, interruption, machine or hold.
    """

    kind: str
    starts: datetime
    ends: datetime
    words: str
    lasts: bool = False
    again: bool = False


@dataclass(frozen=True)
class Row:
    """One line of the picture before it is laid out: its name, its colour (0 to 7), and what is on it."""

    name: str
    colour: int
    spans: Sequence[RecordSpan]


@dataclass(frozen=True)
class Box:
    """A span as it is drawn, px. words: empty where they do not fit."""

    x: float
    y: float
    width: float
    height: float
    words: str
    span: RecordSpan


@dataclass(frozen=True)
class Line:
    """One row as it is drawn: its name's baseline, the ground of its lanes and the boxes on them, px."""

    name: str
    colour: int
    y: float
    ground_y: float
    ground_height: float
    boxes: tuple[Box, ...]


@dataclass(frozen=True)
class RecordPicture:
    """All rows below one rule."""

    ticks: list[Tick]
    lines: tuple[Line, ...]
    width: float
    height: float


def days_of(spans: Iterable[RecordSpan], zone: ZoneInfo) -> list[date]:
    """The local days on which there is anything but a hold, in order."""
    found: set[date] = set()
    for span in spans:
        if span.kind == "hold":
            continue
        day, last = span.starts.astimezone(zone).date(), span.ends.astimezone(zone).date()
        while day <= last:
            found.add(day)
            day += timedelta(days=1)
    return sorted(found)


def day_picture(rows: Sequence[Row], day: date, zone: ZoneInfo, width: float) -> RecordPicture | None:
    """What of the rows lies on one local day; None where it is nothing but holds."""
    begins = datetime.combine(day, time(), zone).astimezone(UTC)
    ends = datetime.combine(day + timedelta(days=1), time(), zone).astimezone(UTC)
    on_day = [
        Row(row.name, row.colour, [span for span in row.spans if span.starts < ends and span.ends > begins])
        for row in rows
    ]
    worked = [span for row in on_day for span in row.spans if span.kind != "hold"]
    if not worked:
        return None
    first = max(begins, min(span.starts for span in worked))
    last = min(ends, max(span.ends for span in worked))
    first, last = _axis(first, last)
    last = min(last, ends) if ends - first >= SHORTEST_AXIS else last
    shown = [
        Row(r.name, r.colour, [s for s in r.spans if s.starts < last and s.ends > first]) for r in on_day
    ]
    return _drawn([row for row in shown if row.spans], first, last, zone, width)


def both_picture(rows: Sequence[Row], zone: ZoneInfo, width: float) -> RecordPicture | None:
    """Rows to compare, each shown even where nothing is left on it; None where nothing is on any of them."""
    every = [span for row in rows for span in row.spans]
    if not every:
        return None
    first, last = _axis(min(span.starts for span in every), max(span.ends for span in every))
    return _drawn(rows, first, last, zone, width)


def _axis(first: datetime, last: datetime) -> tuple[datetime, datetime]:
    """Both moved outwards to a quarter of an hour, far enough apart; in UTC."""
    day = datetime(1970, 1, 1, tzinfo=UTC)
    low = day + (first - day) // STEP * STEP
    high = day - (day - last) // STEP * STEP
    return low, max(high, low + SHORTEST_AXIS)


def _drawn(
    rows: Sequence[Row], first: datetime, last: datetime, zone: ZoneInfo, width: float
) -> RecordPicture:
    y = RULE_HEIGHT
    lines = []
    for row in rows:
        lanes = _lanes(row.spans)
        ground = y + NAME_HEIGHT
        boxes = tuple(
            _box(span, ground + i * LANE_HEIGHT, first, last, width)
            for i, lane in enumerate(lanes)
            for span in lane
        )
        height = max(len(lanes), 1) * LANE_HEIGHT
        lines.append(Line(row.name, row.colour, y + NAME_HEIGHT - 5, ground, height, boxes))
        y = ground + height + GAP
    return RecordPicture(rule_ticks(first, last, zone, width), tuple(lines), width, y)


def _lanes(spans: Sequence[RecordSpan]) -> list[list[RecordSpan]]:
    """Spans below each other: people and their pauses first, then machines, then holds; what overlaps, apart."""
    lanes: list[list[RecordSpan]] = []
    for kinds in (LANES[:2], LANES[2:3], LANES[3:]):
        mine: list[list[RecordSpan]] = []
        for span in sorted((s for s in spans if s.kind in kinds), key=lambda s: (s.starts, s.ends, s.words)):
            lane = next((one for one in mine if one[-1].ends <= span.starts), None)
            if lane is None:
                mine.append([span])
            else:
                lane.append(span)
        lanes += mine
    return lanes


def _box(span: RecordSpan, y: float, first: datetime, last: datetime, width: float) -> Box:
    left, right = (min(max(x_of(at, first, last, width), 0.0), width) for at in (span.starts, span.ends))
    length = max(right - left, LEAST_WIDTH)
    words = span.words if len(span.words) * LETTER_PX + 8 <= length else ""
    return Box(min(left, width - length), y + 2, length, LANE_HEIGHT - 4, words, span)
