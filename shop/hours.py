"""What is wrong with a week of opening hours. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import time

Window = tuple[time, time]

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MIDNIGHT = time(0)
NEVER_OPEN = (
    "With these hours the shop would never be open, and no date could be promised. "
    "Give at least one weekday a time to open and a time to close."
)


@dataclass(frozen=True)
class HoursProblem:
    """What is wrong with one weekday (Monday is 0), or with the week as a whole (None)."""

    weekday: int | None
    message: str


def week_problems(week: Mapping[int, Sequence[Window]]) -> list[HoursProblem]:
    """Everything that is wrong with a week: weekday to windows (opens, closes); closing at 00:00 is midnight.

    Windows must not overlap nor run past midnight, and there must be one at all.
    """
    if not any(week.values()):
        return [HoursProblem(None, NEVER_OPEN)]
    return [
        HoursProblem(day, message)
        for day, windows in sorted(week.items())
        for message in _day_problems(day, windows)
    ]


def _day_problems(day: int, windows: Sequence[Window]) -> list[str]:
    past_midnight = [window for window in windows if window[1] <= window[0] and window[1] != MIDNIGHT]
    if past_midnight:
        return [_say_backwards(day, window) for window in past_midnight]
    return [
        f"{DAYS[day]} opens again at {later[0]:%H:%M}, before it has closed at {earlier[1]:%H:%M}. "
        "Make one window of the two, or move one of them."
        for earlier, later in itertools.pairwise(sorted(windows))
        if earlier[1] == MIDNIGHT or later[0] < earlier[1]
    ]


def _say_backwards(day: int, window: Window) -> str:
    opens, closes = window
    if opens == closes:
        return f"{DAYS[day]} opens and closes at {opens:%H:%M}. Give it a later time to close, or no times at all."
    following = DAYS[(day + 1) % 7]
    return (
        f"{DAYS[day]} opens at {opens:%H:%M} and closes at {closes:%H:%M}, which is earlier. If you work through "
        f"the night, close {DAYS[day]} at 00:00 and open {following} from 00:00 to {closes:%H:%M}."
    )
