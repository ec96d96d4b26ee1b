"""The picture of what drives a date: the mean way to the finish, cut up by stage and by what passes.

Pure: minutes in, coordinates out. It is a sum and no timetable: the minutes of a stage stand together in the order of
the route, whenever they fall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

HEIGHT = 44.0
THINNEST = 1.5
"""A cut narrower than that cannot be seen, px."""

MOST_MARKS = 8
_DAY = 1440

WORK = ("attended", "unattended", "hold", "cooling")
"""Causes in which something happens to the job; in the others it stands still."""

ORDER = (
    "release", "visit", "waiting for machine", "waiting for person", "closed", "cooling", "attended", "unattended",
    "hold",
)  # fmt: skip
"""In which a stage's causes are cut: it waits, then it is done."""

CAUSE_WORDS = {
    "attended": "work",
    "unattended": "the machine runs, or the print lies",
    "closed": "closed hours",
    "waiting for machine": "waits for a machine",
    "waiting for person": "waits for somebody free",
    "hold": "nobody is needed",
    "release": "waits for artwork, film or its set time",
    "cooling": "the machine cools",
    "visit": "waits for the customer’s time",
}


@dataclass(frozen=True)
class Cut:
    """Mean minutes of one stage and cause. colour: of the stage; idle: nothing happens to the job."""

    stage: str
    cause: str
    minutes: float
    share: float
    colour: int
    idle: bool
    x: float = 0.0
    width: float = 0.0


@dataclass(frozen=True)
class DrivesPicture:
    """The cuts from left to right, px; marks: where a day's length of the bar ends, with its word."""

    cuts: tuple[Cut, ...]
    marks: tuple[tuple[float, str], ...]
    width: float
    height: float


def drive_cuts(drives: Sequence[tuple[str, str, float, int]]) -> list[Cut]:
    """Every (stage, cause, mean minutes, position of the stage's kind) in words, the largest first."""
    whole = sum(minutes for _, _, minutes, _ in drives) or 1.0
    cuts = [
        Cut(stage, CAUSE_WORDS[cause], minutes, minutes / whole, position % 8, cause not in WORK)
        for stage, cause, minutes, position in drives
    ]
    return sorted(cuts, key=lambda cut: -cut.minutes)


def drives_picture(
    drives: Sequence[tuple[str, str, float, int]], *, width: float = 720.0
) -> DrivesPicture | None:
    """The bar; None where nothing is left to be done."""
    whole = sum(minutes for _, _, minutes, _ in drives)
    if whole <= 0.0:
        return None
    cuts, x = [], 0.0
    for stage, cause, minutes, position in sorted(
        drives, key=lambda one: (one[3], one[0], ORDER.index(one[1]))
    ):
        wide = width * minutes / whole
        if wide >= THINNEST:
            idle = cause not in WORK
            cuts.append(Cut(stage, CAUSE_WORDS[cause], minutes, minutes / whole, position % 8, idle, x, wide))
        x += wide
    return DrivesPicture(tuple(cuts), _marks(whole, width), width, HEIGHT + 36.0)


def _marks(whole: float, width: float) -> tuple[tuple[float, str], ...]:
    """Some lengths along the bar, in whole hours or days."""
    steps = (60, 240, _DAY, 2 * _DAY, 7 * _DAY)
    step = next((one for one in steps if whole / one <= MOST_MARKS), _DAY * max(1, round(whole / _DAY / 6)))
    unit, word = (60, "h") if step < _DAY else (_DAY, "d")
    count = int(whole // step)
    return tuple((width * i * step / whole, f"{i * step // unit} {word}") for i in range(1, count + 1))
