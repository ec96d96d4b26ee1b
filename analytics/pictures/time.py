"""The picture of where a job's time went: one strip for each local day, three lanes, one axis of hours.

Pure: intervals as aware instants in, coordinates out. A day on which the clocks change is drawn by its wall clock.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from shop.rule import Tick, rule_ticks

LANES = ("hands", "machine", "hold")
LANE_WORDS = {"hands": "Hands", "machine": "Machine", "hold": "Hold"}

LEFT = 64.0
"""Room for the lanes' names, px."""
LANE_HEIGHT = 20.0
HEAD = 22.0
GAP = 10.0
SHORTEST_PX = 2.0
"""So that a minute can still be seen."""


@dataclass(frozen=True)
class TimeSpan:
    """Something of a stage from one aware instant to another. lane: of LANES; pause: an interruption, in 'hands'."""

    letter: str
    colour: int
    name: str
    lane: str
    starts: datetime
    ends: datetime
    pause: bool = False


@dataclass(frozen=True)
class Box:
    """A span on one day's strip, px."""

    x: float
    y: float
    width: float
    height: float
    span: TimeSpan

    @property
    def has_letter(self) -> bool:
        """Whether its letter fits into it."""
        return self.width >= 14


@dataclass(frozen=True)
class Lane:
    """One lane of a strip: its name and its top and height, px."""

    word: str
    y: float
    height: float


@dataclass(frozen=True)
class Strip:
    """One day, or several in which a hold alone went on. y: of its head's text, px."""

    first: date
    last: date
    y: float
    only: str
    lanes: tuple[Lane, ...] = ()
    boxes: tuple[Box, ...] = ()


@dataclass(frozen=True)
class TimePicture:
    """All strips below one rule. from_hour, to_hour: what of each day is drawn."""

    strips: tuple[Strip, ...]
    ticks: list[Tick]
    rule_width: float
    width: float
    height: float


def time_picture(spans: Sequence[TimeSpan], zone: ZoneInfo, *, width: float = 720.0) -> TimePicture | None:
    """Lay the spans out; None where there are none."""
    real = [span for span in spans if span.ends > span.starts]
    if not real:
        return None
    by_day = _by_day(real, zone)
    low, high = _hours([piece for day in by_day.values() for piece in day])
    inner = width - LEFT
    strips: list[Strip] = []
    y = 40.0
    for first, last, pieces in _runs(by_day):
        working = [piece for piece in pieces if piece[0].lane != "hold"]
        if not working:
            names = ", ".join(sorted({piece[0].name for piece in pieces}))
            strips.append(Strip(first, last, y + 14, names))
            y += HEAD + GAP
            continue
        lanes, boxes, bottom = _lanes(pieces, y + HEAD, low, high, inner)
        strips.append(Strip(first, last, y + 14, "", lanes, boxes))
        y = bottom + GAP
    noon = datetime.combine(date(2001, 1, 1), time(), ZoneInfo("UTC"))
    ticks = rule_ticks(noon + timedelta(minutes=low), noon + timedelta(minutes=high), ZoneInfo("UTC"), inner)
    return TimePicture(tuple(strips), ticks, inner, width, y)


Piece = tuple[TimeSpan, float, float]
"""A span's part on one day: minutes of the wall clock since midnight, from and to."""


def _by_day(spans: Sequence[TimeSpan], zone: ZoneInfo) -> dict[date, list[Piece]]:
    found: dict[date, list[Piece]] = defaultdict(list)
    for span in spans:
        starts, ends = (at.astimezone(zone).replace(tzinfo=None) for at in (span.starts, span.ends))
        day = starts.date()
        while day <= ends.date():
            midnight = datetime.combine(day, time())
            begin = max(0.0, (starts - midnight) / timedelta(minutes=1))
            finish = min(1440.0, (ends - midnight) / timedelta(minutes=1))
            # In the hour that autumn has twice the wall clock may end where it began, or before: as long as it took.
            if finish <= begin and starts.date() == ends.date():
                finish = min(1440.0, begin + (span.ends - span.starts) / timedelta(minutes=1))
            if finish > begin:
                found[day].append((span, begin, finish))
            day += timedelta(days=1)
    return dict(sorted(found.items()))


def _hours(pieces: Sequence[Piece]) -> tuple[float, float]:
    """The whole hours, in minutes, that hold every piece but holds and machines that run through a midnight."""
    inside = [p for p in pieces if p[0].lane == "hands"] or list(pieces)
    low = min(p[1] for p in inside) // 60 * 60
    high = -(-max(p[2] for p in inside) // 60) * 60
    return low, max(high, low + 120)


def _runs(by_day: dict[date, list[Piece]]) -> list[tuple[date, date, list[Piece]]]:
    """Days in order; neighbouring ones with nothing but a hold taken together."""
    runs: list[tuple[date, date, list[Piece]]] = []
    for day, pieces in by_day.items():
        idle = all(piece[0].lane == "hold" for piece in pieces)
        if runs and idle and all(p[0].lane == "hold" for p in runs[-1][2]):
            first, _, before = runs[-1]
            runs[-1] = (first, day, before + pieces)
        else:
            runs.append((day, day, pieces))
    return runs


def _lanes(
    pieces: Sequence[Piece], top: float, low: float, high: float, inner: float
) -> tuple[tuple[Lane, ...], tuple[Box, ...], float]:
    """The lanes that have something, with overlapping pieces below each other."""
    lanes: list[Lane] = []
    boxes: list[Box] = []
    y = top
    for lane in LANES:
        rows = _rows(sorted((p for p in pieces if p[0].lane == lane), key=lambda p: (p[1], p[2])))
        if not rows:
            continue
        lanes.append(Lane(LANE_WORDS[lane], y, len(rows) * LANE_HEIGHT))
        for row in rows:
            for span, begin, finish in row:
                a, b = (min(max(m, low), high) for m in (begin, finish))
                x = LEFT + (a - low) / (high - low) * inner
                length = max((b - a) / (high - low) * inner, SHORTEST_PX)
                boxes.append(Box(min(x, LEFT + inner - length), y + 2, length, LANE_HEIGHT - 4, span))
            y += LANE_HEIGHT
    return tuple(lanes), tuple(boxes), y


def _rows(pieces: Sequence[Piece]) -> list[list[Piece]]:
    rows: list[list[Piece]] = []
    for piece in pieces:
        row = next((row for row in rows if row[-1][2] <= piece[1]), None)
        if row is None:
            rows.append([piece])
        else:
            row.append(piece)
    return rows
