"""Minutes of a forecast's parts, as words that add up on the page."""

from django import template

from analytics.templatetags.analytics_words import duration

register = template.Library()

FINE = 120.0
"""Minutes of a stage below which tenths are shown."""


@register.filter
def fine(minutes: float, whole: float) -> str:
    """Minutes of a stage that takes `whole`: '18.4 min', '340 min', '2 d 4 h'."""
    if whole < FINE:
        return f"{abs(minutes):.1f} min"
    return f"{abs(minutes):,.0f} min" if whole < 2880 else duration(abs(minutes))


@register.filter
def moved(minutes: float, whole: float) -> str:
    """The same with its sign: '+4.2 min', '−1.0 min', '±0'."""
    said = fine(minutes, whole)
    if not any(digit in "123456789" for digit in said):
        return "±0"
    return f"{'+' if minutes > 0 else '−'}{said}"


@register.filter
def fell_words(fell: float | None) -> str:
    """Where a finished stage fell in its forecast: 'longer than 83 in 100', 'less time than 90 in 100'."""
    if fell is None:
        return ""
    share = round(fell * 100)
    if share >= 50:
        return f"longer than {min(share, 99)} in 100"
    return f"less time than {min(100 - share, 99)} in 100"
