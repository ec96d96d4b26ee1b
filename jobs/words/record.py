"""What was pressed, and how far a device's clock was off, in words."""

from __future__ import annotations

from datetime import datetime, timedelta

from jobs.models import ClockEvent, TapKind
from shop.models import Shop
from shop.words import say_clock

TRUSTED = timedelta(seconds=5)
"""A device's clock that is off by no more than this was taken at its word."""

PROMPT = timedelta(minutes=2)
"""What arrives within it came at once."""

_SAID = {
    TapKind.START: "Started",
    TapKind.RESUME: "Resumed",
    TapKind.LEAVE: "Left it running",
    TapKind.ASIDE: "Put aside",
    TapKind.FINISH: "Finished",
    TapKind.VOUCH: "Found right up to here",
}


def event_words(event: ClockEvent, shop: Shop) -> str:
    """'Paused: jam', 'Finished, Mask started', 'Recorded 09:00 to 09:30, 25 min of it hands-on'."""
    kind = TapKind(event.kind)
    if kind == TapKind.NEXT:
        return f"Finished, {event.to_stage} started"
    if kind == TapKind.PAUSE:
        return f"Paused: {event.cause}" if event.cause else "Paused"
    if kind == TapKind.LAP:
        return f"Lap: {event.element}" if event.element else "Lap"
    if kind == TapKind.SITTING:
        return _sitting_words(event, shop)
    if kind == TapKind.AGAIN:
        return _again_words(event)
    ended = f", {event.element}" if event.element else ""
    return _SAID.get(kind, kind.label) + ended


def _sitting_words(event: ClockEvent, shop: Shop) -> str:
    until = f" to {say_clock(shop.local(event.until), seconds=True)}" if event.until else ""
    hands = f", {event.hands_on_min:g} min of it hands-on" if event.hands_on_min is not None else ""
    element = f": {event.element}" if event.element else ""
    return f"Recorded{until}{element}{hands}"


def _again_words(event: ClockEvent) -> str:
    parts = ["To be done again" + (f" from {event.to_stage}" if event.to_stage else "")]
    if event.cause:
        parts.append(str(event.cause))
    if event.scrapped:
        parts.append(f"{event.scrapped} piece{'' if event.scrapped == 1 else 's'} scrapped")
    if event.wasted_m:
        parts.append(f"{event.wasted_m:g} m of film wasted")
    return ", ".join(parts)


def ahead_words(at: datetime, device_at: datetime, device: str) -> str:
    """How far the device's clock was off when that was put right; empty where it was taken at its word."""
    off = at - device_at
    if abs(off) <= TRUSTED:
        return ""
    way = "slow" if off > timedelta(0) else "fast"
    clock = f"clock of {device}" if device else "device clock"
    return f"{clock} was {span_words(off)} {way}, put right"


def late_words(at: datetime, received_at: datetime) -> str:
    """How much later a press arrived than it happened; empty where it came at once."""
    late = received_at - at
    return f"arrived {span_words(late)} later" if late > PROMPT else ""


def span_words(span: timedelta) -> str:
    """A length without its sign: '12 s', '5 min', '2 h 03 min', '3 days'."""
    seconds = round(abs(span).total_seconds())
    if seconds < 60:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min" if minutes % 60 else f"{minutes // 60} h"
    return f"{round(minutes / 1440)} days"
