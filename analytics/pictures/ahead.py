"""The picture of the days ahead: a folding rule over lanes of spindles. Pure: minutes and chances in, px out.

The rule is folded at closing time: each leaf is one stretch of opening hours in true scale, and the night between two
leaves is a narrow joint, so that the hours in which work is done have the paper. A stage is a spindle around its row's
middle, as tall as the chance that it is going on at that moment: full where it surely is, thin where it may be, so
that both its ends and its place are as soft as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.engine.hours import Calendar, to_instant, to_minutes
from analytics.engine.lanes import Stay, quantile
from shop.rule import Tick, rule_ticks
from shop.words import say_short_day

Floats = NDArray[np.float64]

JOINT = 22.0
"""px of a closed stretch, however long."""

HEAD = 56.0
"""Room above the lanes for the leaves' dates and the rule."""
RULE_Y = 20.0

ROW, TALLEST, LEAST = 34.0, 19.0, 5.0
"""px of a row, of a spindle that is certain, and of one that hardly is, so that it is still seen."""
WORDS = 13.0
"""Room above a spindle for its words."""
LANE_GAP = 9.0
EMPTY_LANE = 26.0

ENDS = (0.0, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 1.0)
"""At these quantiles of a stage's starts and ends its spindle has corners."""

LETTER_PX = 7.4
NAME_SIGNS = 11
"""Signs of a lane's name that fit on one line."""

ZOOM = {1: 1000.0, 3: 1100.0, 7: 1500.0, 14: 2200.0}
"""Days to px of all their opening hours together."""
FEWEST_PX = 26.0
"""px that an hour has at least."""


@dataclass(frozen=True)
class Leaf:
    """One stretch of opening hours on the rule, px and minutes from now. name: its day, where it is the day's first."""

    low: float
    high: float
    x: float
    width: float
    ticks: list[Tick]
    name: str


@dataclass(frozen=True)
class Joint:
    """A closed stretch between two leaves."""

    low: float
    high: float
    x: float
    width: float


@dataclass(frozen=True)
class Axis:
    """The folded rule. minutes, xs: its corners, between which it is straight."""

    leaves: tuple[Leaf, ...]
    joints: tuple[Joint, ...]
    minutes: tuple[float, ...]
    xs: tuple[float, ...]

    @property
    def width(self) -> float:
        """All of it, px."""
        return self.xs[-1]

    @property
    def end(self) -> float:
        """Where it ends, minutes from now."""
        return self.minutes[-1]

    def x(self, minutes: float) -> float:
        """Where an instant stands; those outside at the near end."""
        return float(np.interp(minutes, self.minutes, self.xs))


@dataclass(frozen=True)
class Piece:
    """What is to be drawn of a stage on a lane. label: its sign and job."""

    key: int
    label: str
    stay: Stay

    @property
    def low(self) -> float:
        """One time in ten it starts before that, minutes from now."""
        return max(quantile(self.stay.starts, 0.1), 0.0)

    @property
    def middle(self) -> float:
        """Half of the time it has started by then."""
        return max(quantile(self.stay.starts, 0.5), 0.0)

    @property
    def high(self) -> float:
        """Nine times in ten it has ended by then."""
        return quantile(self.stay.ends, 0.9)


@dataclass(frozen=True)
class Spindle:
    """A drawn stage. points: its outline; y: of its middle; start, start_x: its likely start, minutes and px."""

    key: int
    label: str
    points: str
    y: float
    x: float
    width: float
    label_x: float
    start_x: float
    start: float

    @property
    def top(self) -> float:
        """Of the place to press."""
        return self.y - TALLEST / 2 - WORDS - 1

    @property
    def height(self) -> float:
        """Of the place to press."""
        return TALLEST + WORDS + 2

    @property
    def mark_y(self) -> float:
        """Where the mark of its likely start begins."""
        return self.y - TALLEST / 2

    @property
    def label_y(self) -> float:
        """Where its words stand."""
        return self.y - TALLEST / 2 - 2


@dataclass(frozen=True)
class DrawnLane:
    """A lane's place. away: (x, width) of when somebody is not there. lines: its name, broken, each with its y."""

    key: str
    lines: tuple[tuple[str, float], ...]
    y: float
    height: float
    spindles: tuple[Spindle, ...]
    away: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class AheadPicture:
    """All of it."""

    axis: Axis
    lanes: tuple[DrawnLane, ...]
    height: float
    head: float = HEAD
    rule_y: float = RULE_Y

    @property
    def width(self) -> float:
        """With a little air at the end."""
        return self.axis.width + 8.0

    @property
    def lanes_height(self) -> float:
        """Of the part below the rule."""
        return self.height - HEAD


def folded_axis(origin: datetime, hours: Calendar, zone: ZoneInfo, days: int) -> Axis | None:
    """The rule from `origin` to the end of `days` local days, the first of which is the next with opening hours left.

    None if the shop does not open again.
    """
    spans = _open_spans(origin, hours, zone, days)
    if not spans:
        return None
    total = sum(high - low for low, high in spans)
    px = max(ZOOM[days] / total, FEWEST_PX / 60.0 if days <= 3 else 14.0 / 60.0)
    leaves, joints, minutes, xs = [], [], [0.0], [0.0]
    at, x, named = 0.0, 0.0, ""
    for low, high in spans:
        if low > at:
            joints.append(Joint(at, low, x, JOINT))
            x += JOINT
            minutes.append(low)
            xs.append(x)
        width = (high - low) * px
        start, end = to_instant(origin, low), to_instant(origin, high)
        local = start.astimezone(zone)
        name = say_short_day(local.date(), origin.astimezone(zone).date())
        leaves.append(
            Leaf(low, high, x, width, rule_ticks(start, end, zone, width), "" if name == named else name)
        )
        at, x, named = high, x + width, name
        minutes.append(high)
        xs.append(x)
    return Axis(tuple(leaves), tuple(joints), tuple(minutes), tuple(xs))


def _open_spans(origin: datetime, hours: Calendar, zone: ZoneInfo, days: int) -> list[tuple[float, float]]:
    first = float(hours.start(0.0))
    if not np.isfinite(first):
        return []
    day = to_instant(origin, first).astimezone(zone).date() + timedelta(days=days)
    end = to_minutes(origin, datetime.combine(day, datetime.min.time(), zone))
    return [
        (max(low, 0.0), min(high, end))
        for low, high in zip(hours.open.tolist(), hours.close.tolist(), strict=True)
        if high > 0.0 and low < end
    ]


def ahead_picture(
    axis: Axis,
    lanes: Sequence[tuple[str, str, Sequence[Piece], Sequence[tuple[float, float]]]],
) -> AheadPicture:
    """Draw lanes (key, name, pieces, away) below the rule."""
    y, drawn = HEAD + LANE_GAP / 2, []
    for key, name, pieces, away in lanes:
        seen = [piece for piece in pieces if piece.low < axis.end]
        rows = _rows(axis, seen)
        height = max(ROW * (max(rows, default=-1) + 1), EMPTY_LANE)
        lines = _broken(name)
        height = max(height, 17.0 * len(lines) + 6.0)
        spindles = tuple(
            _spindle(axis, piece, y + ROW * row + WORDS + TALLEST / 2 + 1)
            for piece, row in zip(seen, rows, strict=True)
        )
        drawn.append(
            DrawnLane(
                key,
                tuple((line, y + 19 + 17 * n) for n, line in enumerate(lines)),
                y,
                height,
                spindles,
                tuple(
                    (axis.x(low), axis.x(high) - axis.x(low))
                    for low, high in _clipped(axis, away)
                    if axis.x(high) > axis.x(low)
                ),
            )
        )
        y += height + LANE_GAP
    return AheadPicture(axis, tuple(drawn), y)


def _clipped(axis: Axis, spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The parts of spans that lie on leaves: a night is no absence."""
    return [
        (max(low, leaf.low), min(high, leaf.high))
        for low, high in spans
        for leaf in axis.leaves
        if low < leaf.high and high > leaf.low
    ]


def _rows(axis: Axis, pieces: Sequence[Piece]) -> list[int]:
    """Each piece's row in its lane: the first in which nothing is in its way."""
    free: list[float] = []
    rows = []
    for piece in pieces:
        left, right = _extent(axis, piece)
        row = next((n for n, until in enumerate(free) if until <= left), len(free))
        if row == len(free):
            free.append(0.0)
        free[row] = right + 3.0
        rows.append(row)
    return rows


def _extent(axis: Axis, piece: Piece) -> tuple[float, float]:
    left = axis.x(piece.low)
    return left, max(axis.x(piece.high), left + LETTER_PX * len(piece.label))


def _spindle(axis: Axis, piece: Piece, y: float) -> Spindle:
    corners = np.unique(
        np.concatenate([_corners(piece.stay.starts), _corners(piece.stay.ends), [0.0, axis.end]])
    )
    corners = corners[(corners >= piece.low) & (corners <= min(piece.high, axis.end))]
    tall = np.maximum(piece.stay.chance_at(corners) * TALLEST, LEAST) / 2
    xs = [axis.x(at) for at in corners.tolist()]
    top = [f"{x:.1f},{y - half:.1f}" for x, half in zip(xs, tall.tolist(), strict=True)]
    low = [f"{x:.1f},{y + half:.1f}" for x, half in zip(xs, tall.tolist(), strict=True)]
    left, right = axis.x(piece.low), axis.x(piece.high)
    return Spindle(
        piece.key,
        piece.label,
        " ".join([*top, *reversed(low)]),
        y,
        left,
        max(right - left, LETTER_PX * len(piece.label), 24.0),
        max(min(left + 2, axis.width - LETTER_PX * len(piece.label)), 2.0),
        axis.x(piece.middle),
        piece.middle,
    )


def _corners(instants: Floats) -> Floats:
    return np.array([quantile(instants, p) for p in ENDS])


def _broken(name: str) -> list[str]:
    """A name in lines of NAME_SIGNS, three at most."""
    lines = [""]
    for word in name.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > NAME_SIGNS:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return [line if len(line) <= NAME_SIGNS + 1 else line[:NAME_SIGNS] + "…" for line in lines[:3]]
