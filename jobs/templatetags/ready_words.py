"""Checks, recipes and work done again, in words."""

from django import template

from jobs.selectors.again import Remake
from jobs.selectors.ready import say_stood_hours
from jobs.selectors.recipes import LastTime, say_last_time
from jobs.templatetags.jobs_words import clocked
from jobs.words.recipes import say_settings
from shop.models import Recipe, Shop

register = template.Library()


@register.filter
def minutes(value: float | None) -> str:
    """Minutes as 'under 1 min', '8 min' or '2 h 05 min'; empty for none."""
    return "" if value is None else clocked(value * 60)


@register.filter
def stood(hours: int) -> str:
    """Whole hours as '72 hours' or '4 days'."""
    return say_stood_hours(hours)


@register.filter
def share(value: float, most: float) -> str:
    """A value as a length of a bar of 100 for the most."""
    return f"{100 * value / most:.1f}"


@register.filter
def again_words(one: Remake) -> str:
    """'Print to Weed', or the one stage where it was noticed at the stage itself."""
    return one.noticed.name if one.noticed == one.back_to else f"{one.back_to.name} to {one.noticed.name}"


@register.filter
def settings_words(recipe: Recipe, shop: Shop) -> str:
    """'110 gf (1.08 N), 45° blade, 1 pass', heat in the shop's degrees."""
    return say_settings(recipe, shop.units)


@register.filter
def last_time_words(one: LastTime, shop: Shop) -> str:
    """'110 gf (1.08 N), 45° blade, 1 pass: worked, 12 November 2026'."""
    return say_last_time(one.recipe, shop)
