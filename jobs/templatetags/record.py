"""Times and minutes on the pages of a clock's record."""

from django import template

from shop.templatetags.shop_time import shop_seconds

register = template.Library()
register.filter(shop_seconds)


@register.filter
def in_minutes(minutes: float | None) -> str:
    """'12.5 min', '2 h 05 min'; empty for none."""
    if minutes is None:
        return ""
    if minutes < 100:
        return f"{minutes:.1f}".removesuffix(".0") + " min"
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min"


@register.filter
def px(number: float) -> str:
    """A length in a drawing: '12.5'."""
    return f"{number:.2f}".rstrip("0").rstrip(".")
