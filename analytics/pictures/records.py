"""Where things stand in the picture of how long stages took. Pure: minutes in, coordinates out.

The empirical distribution, one dot for each record, over an axis of elapsed time drawn like a steel rule.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shop.rule import Kind, Tick

WIDTH, HEIGHT = 360.0, 150.0
"""Of the plot without its rule, px of the drawing's own scale."""

LEFT = 58.0
"""Room for the words of the shares, px."""

SHARES = ((0.5, "half"), (0.8, "8 in 10"))

_STEPS = (
    (1, 5, 15),
    (5, 15, 60),
    (15, 60, 240),
    (30, 120, 480),
    (60, 360, 1440),
    (240, 720, 2880),
    (720, 1440, 10080),
    (1440, 10080, 20160),
    (10080, 40320, 80640),
)
"""Minutes: the finest tick, the longer one, the long one with a word."""
_LABEL_PX = 6.5


@dataclass(frozen=True)
class RecordDot:
    """One record: its centre, px, and its minutes."""

    x: float
    y: float
    minutes: float


@dataclass(frozen=True)
class ShareLine:
    """A share of the records, and how far along it the distribution stands, px."""

    word: str
    x: float
    y: float


@dataclass(frozen=True)
class RecordsPicture:
    """The distribution of minutes. line_x: where the set length stands, px; None where there is none."""

    dots: tuple[RecordDot, ...]
    path: str
    shares: tuple[ShareLine, ...]
    ticks: list[Tick]
    line_x: float | None
    radius: float
    width: float = WIDTH
    left: float = LEFT
    base: float = HEIGHT

    @property
    def height(self) -> float:
        """With the rule below."""
        return self.base + 36.0

    @property
    def full_width(self) -> float:
        """With the words of the shares."""
        return self.left + self.width

    @property
    def line_anchor(self) -> str:
        """On which side of its line the set length is written, so that it stays inside."""
        return "end" if self.line_x is not None and self.line_x > self.width * 0.7 else "start"


def records_picture(minutes: Sequence[float], *, line: float | None = None) -> RecordsPicture | None:
    """The picture of these durations, in minutes; None for none. line: a set length to be marked."""
    ordered = sorted(minutes)
    if not ordered:
        return None
    longest = max(ordered[-1], line or 0.0, 1.0) * 1.04
    top, n = 10.0, len(ordered)

    def x(value: float) -> float:
        return WIDTH * value / longest

    def y(share: float) -> float:
        return HEIGHT - (HEIGHT - top) * share

    dots = tuple(RecordDot(x(value), y((i + 1) / n), value) for i, value in enumerate(ordered))
    steps = [f"M0 {y(0):.1f}"]
    for dot in dots:
        steps.append(f"H{dot.x:.1f}V{dot.y:.1f}")
    shares = tuple(
        ShareLine(word, x(ordered[max(0, math.ceil(p * n - 1e-9) - 1)]), y(p)) for p, word in SHARES
    )
    return RecordsPicture(
        dots=dots,
        path="".join([*steps, f"H{WIDTH:.1f}"]),
        shares=shares,
        ticks=elapsed_ticks(longest, WIDTH),
        line_x=None if line is None else x(line),
        radius=3.5 if n <= 60 else 2.2,
    )


def elapsed_ticks(longest: float, width: float, *, min_gap: float = 6.0) -> list[Tick]:
    """The ticks of an axis from 0 to `longest` minutes, `width` pixels long; words as '15 min', '4 h', '2 d'.

    Raises ValueError where a length is not above 0.
    """
    if not (longest > 0 and width > 0 and math.isfinite(longest)):
        raise ValueError(f"An axis of {longest} minutes on {width} pixels has no ticks.")
    px = width / longest
    minor, mid, major = next((steps for steps in _STEPS if steps[0] * px >= min_gap), _longer(px, min_gap))
    ticks = []
    for minute in range(0, math.floor(longest) + 1, minor):
        kind: Kind = "major" if minute % major == 0 else "mid" if minute % mid == 0 else "minor"
        word = _word(minute) if kind == "major" else ""
        fits = minute * px + 6 + len(word) * _LABEL_PX <= width
        ticks.append(Tick(minute * px, kind, word if fits else ""))
    return ticks


def _longer(px: float, min_gap: float) -> tuple[int, int, int]:
    """Steps of whole weeks that stand far enough apart."""
    step = 10080 * math.ceil(min_gap / (10080 * px))
    return step, step * 4, step * 8


def _word(minute: int) -> str:
    if minute == 0:
        return "0"
    for size, unit in ((1440, "d"), (60, "h")):
        if minute % size == 0:
            return f"{minute // size} {unit}"
    return f"{minute} min"
