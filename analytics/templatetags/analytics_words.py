"""Numbers on the pages of analytics."""

from django import template

register = template.Library()


@register.filter
def percent(share: float | None) -> str:
    """0.423 as '42 %'; what is not quite none or all says so."""
    if share is None:
        return ""
    if 0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1:
        return "over 99 %"
    return f"{share * 100:.0f} %"


@register.filter
def duration(minutes: float | None) -> str:
    """Minutes as '8 min', '2 h 05' or '3 d 4 h' of elapsed time; empty for none."""
    if minutes is None:
        return ""
    whole = round(minutes)
    if whole < 1 and minutes > 0:
        return "under 1 min"
    hours, rest = divmod(whole, 60)
    if hours >= 48:
        return f"{hours // 24} d {hours % 24} h"
    return f"{hours} h {rest:02d}" if hours else f"{rest} min"


@register.filter
def svg(number: float) -> str:
    """A coordinate, whatever the language's decimal mark."""
    return f"{number:.1f}"
