"""What a time read off a wall clock means, in weeks in which the clocks change too. Pure."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

YEARS = range(1970, 9000)
"""Of what can be put right: another one was typed wrong, or is not typed to its end."""


def instants_of(wall: datetime, zone: ZoneInfo) -> list[datetime]:
    """The instants, in UTC and in order, at which a clock in `zone` shows `wall` (naive).

    One on most days, two in the hour that the autumn change repeats, none in the one that the spring change skips.
    """
    found = {wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(at for at in found if at.astimezone(zone).replace(tzinfo=None) == wall.replace(fold=0))
