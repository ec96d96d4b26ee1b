"""Events as an iCalendar stream (RFC 5545). Pure: the instant at which it is written is an argument.

The library folds lines at 75 octets and escapes text; the tests hold it to that with a parser of their own.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar, vDuration
from icalendar import Event as Component

MEDIA_TYPE = "text/calendar; charset=utf-8"

REFRESH = timedelta(hours=1)
"""How often a calendar is asked to look again."""


@dataclass(frozen=True)
class Event:
    """One entry. uid: stable. starts, ends: aware instants, or whole local days with the last one included.

    ends: None for a moment. likely: a forecast, which may still move; otherwise it is fixed. busy: whether it takes
    the time of whoever reads it. revised: when what it says was last settled; None: when the calendar is read.
    """

    uid: str
    summary: str
    starts: datetime | date
    ends: datetime | date | None = None
    description: str = ""
    likely: bool = False
    busy: bool = True
    revision: int = 0
    revised: datetime | None = None


def calendar_text(name: str, events: Iterable[Event], now: datetime) -> bytes:
    """The calendar as it is served, at `now` (aware), its events in the order of their beginnings."""
    calendar = Calendar()
    calendar.add("prodid", "-//Lapwright//Calendar//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("x-wr-calname", _text(name))
    calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", vDuration(REFRESH))
    for event in sorted(events, key=lambda event: (_begins(event), event.uid)):
        calendar.add_component(_component(event, now))
    return bytes(calendar.to_ical())


def _component(event: Event, now: datetime) -> Component:
    made = Component()
    made.add("uid", event.uid)
    revised = _utc(event.revised or now)
    made.add("dtstamp", revised)
    made.add("last-modified", revised)
    made.add("sequence", event.revision)
    made.add("summary", _text(event.summary))
    if event.description:
        made.add("description", _text(event.description))
    made.add("dtstart", _utc(event.starts))
    if (end := _end(event)) is not None:
        made.add("dtend", end)
    made.add("status", "TENTATIVE" if event.likely else "CONFIRMED")
    made.add("transp", "OPAQUE" if event.busy else "TRANSPARENT")
    return made


def _begins(event: Event) -> str:
    """Sorts days before the instants of the same day."""
    return (
        event.starts.astimezone(UTC).isoformat() if isinstance(event.starts, datetime) else str(event.starts)
    )


def _utc(at: datetime | date) -> datetime | date:
    return at.astimezone(UTC).replace(microsecond=0) if isinstance(at, datetime) else at


def _end(event: Event) -> datetime | date | None:
    """DTEND: later than DTSTART, and the first day that no longer belongs to it (RFC 5545, 3.6.1 and 3.8.2.2)."""
    if isinstance(event.ends, datetime):
        return _utc(event.ends) if _utc(event.ends) > _utc(event.starts) else None
    return event.ends + timedelta(days=1) if event.ends is not None else None


def _text(text: str) -> str:
    """Without the control characters that TEXT may not hold (RFC 5545, 3.3.11); line ends stay, to be escaped."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(c if c == "\n" or unicodedata.category(c) != "Cc" else " " for c in lines)
