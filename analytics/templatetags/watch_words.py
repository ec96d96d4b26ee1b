"""Chances of dates, in words."""

from django import template

from analytics.words.slips import say_chance

register = template.Library()


@register.filter
def in_time(chance: float | None) -> str:
    """0.72 as 'about 7 times in ten'; empty where it is not known."""
    return "" if chance is None else say_chance(chance)
