"""Numbers on the pages of analytics."""

from django import template

from jobs.stock import DRIVERS
from shop.templatetags.shop_time import near

register = template.Library()
register.filter(near)


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
def in_hundred(share: float, form: str = "") -> str:
    """0.063 as '6 in 100', or '6' where the form is bare; what is not quite none says 'fewer than 1'."""
    number = "fewer than 1" if 0 < share < 0.005 else f"{share * 100:.0f}"
    return number if form == "bare" else f"{number} in 100"


@register.filter
def driver_words(key: str, value: float | None = None) -> str:
    """A driver of a trade formula: 'area in m²'; with a value of it 'area 2 m²'."""
    name, unit = next((name.lower(), unit) for known, name, unit in DRIVERS if known == key)
    if value is not None:
        return f"{name} {value:g} {unit}".rstrip()
    return f"{name} in {unit}" if unit else name


@register.filter
def in_ten(share: float) -> str:
    """0.1 as 'One in ten', 0.5 as 'Half', 0.8 as 'Eight in ten'."""
    return {0.1: "One in ten", 0.5: "Half", 0.8: "Eight in ten", 0.9: "Nine in ten"}[share]


@register.filter
def duration(minutes: float | None, most: str = "days") -> str:
    """Minutes as '8 min', '2 h 05 min' or '3 d 4 h'; '76 h 00 min' where most is 'hours'; empty for none."""
    if minutes is None:
        return ""
    whole = round(minutes)
    if whole < 1 and minutes > 0:
        return "under 1 min"
    hours, rest = divmod(whole, 60)
    if hours >= 48 and most == "days":
        return f"{hours // 24} d {hours % 24} h"
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"


@register.filter
def svg(number: float) -> str:
    """A coordinate, whatever the language's decimal mark."""
    return f"{number:.1f}"


@register.filter
def colour(position: int) -> int:
    """The number of the colour and hatch of a kind of stage, from its position."""
    return position % 8
