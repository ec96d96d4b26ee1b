"""Shares and errors on the pages of how well forecasts did."""

import math

from django import template

from analytics.engine.quality import Coverage, ErrorRatio
from analytics.words.forecasts import say_minutes, say_range, say_share

register = template.Library()
register.filter("share", say_share)


@register.filter
def bounds(found: Coverage | ErrorRatio) -> str:
    """A figure's interval as '75 to 85 %'; empty where there is none."""
    return say_range(found.low, found.high)


@register.filter
def minutes(number: float | None) -> str:
    """Minutes with as many digits as they deserve; '–' for none."""
    return "–" if number is None or math.isnan(number) else say_minutes(number)
