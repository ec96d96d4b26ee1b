"""Clocked times in words."""

from django import template

register = template.Library()


@register.filter
def clocked(seconds: float | None) -> str:
    """Seconds as '8 min' or '2 h 05 min'; empty for none."""
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"
