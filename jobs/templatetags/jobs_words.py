"""Clocked times in words."""

from uuid import UUID, uuid4

from django import template

from jobs.models import ClockEvent, TapKind

register = template.Library()


@register.filter
def clocked(seconds: float | None) -> str:
    """Seconds as 'under 1 min', '8 min' or '2 h 05 min'; empty for none."""
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if minutes < 1 and seconds > 0:
        return "under 1 min"
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


@register.simple_tag
def new_id() -> UUID:
    """A fresh id for a press, so that a form sent twice counts once."""
    return uuid4()


@register.filter
def press_words(event: ClockEvent) -> str:
    """What was pressed: 'Print finished, Weed started'."""
    if event.kind == TapKind.NEXT and event.to_stage:
        return f"{event.stage} finished, {event.to_stage} started"
    return f"{event.stage} {_DONE[TapKind(event.kind)]}"


_DONE = {
    TapKind.START: "started",
    TapKind.RESUME: "resumed",
    TapKind.PAUSE: "paused",
    TapKind.LEAVE: "left to go on",
    TapKind.ASIDE: "put aside",
    TapKind.FINISH: "finished",
    TapKind.SITTING: "recorded",
}
