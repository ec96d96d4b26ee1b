"""Clocked times in words."""

from uuid import UUID, uuid4

from django import template

from jobs.drivers import PLANNED
from jobs.forms.fields import say_minutes
from jobs.models import ClockEvent, Stage, TapKind

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


@register.filter
def own_estimate(stage: Stage) -> str:
    """Somebody's own estimate of a stage: '1 h 30 min'; empty where there is none."""
    minutes = stage.drivers.get(PLANNED)
    if isinstance(minutes, bool) or not isinstance(minutes, int | float):
        return ""
    return say_minutes(round(minutes)) or f"{minutes:g} min"


@register.simple_tag
def new_id() -> UUID:
    """A fresh id for a press, so that a form sent twice counts once."""
    return uuid4()


@register.filter
def press_words(event: ClockEvent) -> str:
    """What was pressed: 'Print finished, Weed started'."""
    if event.kind == TapKind.NEXT and event.to_stage:
        return f"{event.stage} finished, {event.to_stage} started"
    if event.kind == TapKind.LAP:
        return f"Lap of {event.stage} taken"
    if event.kind == TapKind.AGAIN:
        return f"{event.to_stage or event.stage} is done again"
    return f"{event.stage} {_DONE[TapKind(event.kind)]}"


_DONE = {
    TapKind.START: "started",
    TapKind.RESUME: "resumed",
    TapKind.PAUSE: "paused",
    TapKind.LEAVE: "left to go on",
    TapKind.ASIDE: "put aside",
    TapKind.FINISH: "finished",
    TapKind.SITTING: "recorded",
    TapKind.VOUCH: "vouched for",
}
