"""The pictures of how well forecasts did: dots with their intervals on one scale, and the bars of a histogram.

Pure: numbers in, coordinates out, in px of the drawing's own scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analytics.engine.quality import PitHistogram

WIDTH = 360.0
SIDE = 12.0
"""Room at both ends, so that no mark is cut off."""
HEAD = 26.0
"""Room for the words over the lines."""
LABEL, LANE, GAP = 19.0, 13.0, 9.0
FOOT = 26.0
MOST_TICKS = 7


@dataclass(frozen=True)
class Span:
    """A figure with its interval, nan for none; whether it stands out; what it says when pointed at."""

    value: float
    low: float
    high: float
    odd: bool
    title: str


@dataclass(frozen=True)
class Mark:
    """A figure's place. shape: which of its row's figures it is. cut_left, cut_right: its interval goes on beyond."""

    x: float
    y: float
    left: float
    right: float
    shape: int
    cut_left: bool
    cut_right: bool
    span: Span

    @property
    def corner(self) -> tuple[float, float]:
        """The top left corner of a square of 9 px around it."""
        return self.x - 4.5, self.y - 4.5

    @property
    def diamond(self) -> str:
        """The corners of a diamond around it."""
        corners = ((0, -6), (6, 0), (0, 6), (-6, 0))
        return " ".join(f"{self.x + x:.1f},{self.y + y:.1f}" for x, y in corners)


@dataclass(frozen=True)
class Row:
    """One group: its name, where that is written, and its figures below each other."""

    name: str
    y: float
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Line:
    """A line from top to bottom at a value that was said, or a tick of the scale."""

    x: float
    label: str


@dataclass(frozen=True)
class RowsPicture:
    """Groups below each other over one scale. base: y of the scale."""

    rows: tuple[Row, ...]
    lines: tuple[Line, ...]
    ticks: tuple[Line, ...]
    base: float
    width: float
    height: float

    @property
    def words_y(self) -> float:
        """Where the scale's numbers are written."""
        return self.base + 15.0


def rows_picture(
    groups: Sequence[tuple[str, Sequence[Span | None]]],
    lines: Sequence[tuple[float, str]],
    low: float,
    high: float,
) -> RowsPicture:
    """Lay the groups' figures out on a scale of shares from low to high; what lies beyond stands at its end.

    lines: values with their words, drawn through all rows.
    """
    y, rows = HEAD, []
    for name, spans in groups:
        marks = [
            _mark(span, shape, y + LABEL + (shape + 0.5) * LANE, low, high)
            for shape, span in enumerate(spans)
            if span is not None and math.isfinite(span.value)
        ]
        rows.append(Row(name, y + 13, tuple(marks)))
        y += LABEL + len(spans) * LANE + GAP
    step = _step(high - low)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return RowsPicture(
        rows=tuple(rows),
        lines=tuple(Line(_x(value, low, high), word) for value, word in lines),
        ticks=tuple(Line(_x(k * step, low, high), f"{k * step * 100:.0f}") for k in range(first, last + 1)),
        base=y,
        width=WIDTH,
        height=y + FOOT,
    )


def lowest(groups: Sequence[tuple[str, Sequence[Span | None]]], least: float) -> float:
    """Where a scale of shares begins that shows every interval: at `least`, or at a full tenth below it."""
    ends = [span.low for _, spans in groups for span in spans if span is not None and math.isfinite(span.low)]
    return max(0.0, math.floor(min([least, *ends]) * 10) / 10)


def highest(groups: Sequence[tuple[str, Sequence[Span | None]]], least: float, most: float) -> float:
    """Where a scale of shares ends that shows every interval up to `most`: a full fifth at `least` or above."""
    ends = [
        end
        for _, spans in groups
        for span in spans
        if span is not None
        for end in (span.value, span.high)
        if math.isfinite(end)
    ]
    return min(most, math.ceil(max([least, *ends]) * 5) / 5)


def _mark(span: Span, shape: int, y: float, low: float, high: float) -> Mark:
    x = _x(span.value, low, high)
    left, right = (_x(end, low, high) if math.isfinite(end) else x for end in (span.low, span.high))
    return Mark(x, y, left, right, shape, span.low < low, span.high > high, span)


def _x(value: float, low: float, high: float) -> float:
    return SIDE + (min(max(value, low), high) - low) / (high - low) * (WIDTH - 2 * SIDE)


def _step(length: float) -> float:
    """Between two ticks: the least of these that makes no more than MOST_TICKS of them."""
    return next((step for step in (0.1, 0.2, 0.25, 0.5) if length / step < MOST_TICKS), 1.0)


@dataclass(frozen=True)
class Bar:
    """One bar: its part of the forecast in %, its top left corner and size, its count.

    odd: whether chance seldom makes it so high or low.
    """

    first: int
    last: int
    x: float
    y: float
    width: float
    height: float
    count: int
    odd: bool

    @property
    def middle(self) -> float:
        """Where its count is written, from the left."""
        return self.x + self.width / 2

    @property
    def count_y(self) -> float:
        """And from the top."""
        return self.y - 4


@dataclass(frozen=True)
class BarsPicture:
    """Bars over a scale; band_y, band_height: where they lie 19 times in 20 if the forecasts are right."""

    bars: tuple[Bar, ...]
    band_y: float
    band_height: float
    expected_y: float
    base: float
    width: float
    height: float

    @property
    def words_y(self) -> float:
        """Where the scale's words are written."""
        return self.base + 15.0


def bars_picture(found: PitHistogram, *, tall: float = 150.0) -> BarsPicture:
    """The bars of a histogram of where the minutes fell in their forecasts."""
    top = max(*found.counts, found.high)
    base, inner = tall + 20.0, WIDTH - 2 * SIDE
    scale, pitch = tall / top, inner / len(found.counts)
    bars = tuple(
        Bar(
            place * 100 // len(found.counts),
            (place + 1) * 100 // len(found.counts),
            SIDE + place * pitch + 2,
            base - count * scale,
            pitch - 4,
            count * scale,
            count,
            not found.low <= count <= found.high,
        )
        for place, count in enumerate(found.counts)
    )
    return BarsPicture(
        bars=bars,
        band_y=base - found.high * scale,
        band_height=(found.high - found.low) * scale,
        expected_y=base - found.expected * scale,
        base=base,
        width=WIDTH,
        height=base + 40.0,
    )
