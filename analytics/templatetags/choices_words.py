"""A job's ways on its page."""

from __future__ import annotations

from dataclasses import dataclass

from django import template

from analytics.services.choices_ways import Way, Ways
from analytics.templatetags.analytics_words import duration, percent
from shop.models import Process

register = template.Library()

HARDLY_MIN = 5.0
"""Mean minutes within which two ways are as soon as each other."""


@dataclass(frozen=True)
class Group:
    """The ways by one process, and what is to be known of it."""

    process: Process
    ways: list[Way]
    unsuited: str
    cautions: list[str]


@register.filter
def by_process(ways: Ways) -> list[Group]:
    """The ways by process, in the order of their soonest way."""
    groups: dict[int, list[Way]] = {}
    for way in ways.ways:
        groups.setdefault(way.recipe.process.pk, []).append(way)
    return [
        Group(
            mine[0].recipe.process,
            mine,
            mine[0].unsuited,
            list(dict.fromkeys(caution for way in mine for caution in way.cautions)),
        )
        for mine in groups.values()
    ]


@register.filter
def any_cost(ways: Ways) -> bool:
    """Whether any way has a cost: the shop has set down a price."""
    return any(way.materials.cost is not None for way in ways.ways)


@register.filter
def against(way: Way) -> str:
    """How a way compares with the present one: '1 d 2 h later, in every future'; on average."""
    if way.is_present:
        return ""
    if way.sooner < 0.005 and way.later < 0.005:
        return "the same"
    if abs(way.gain) < HARDLY_MIN:
        return "hardly any different"
    share, word = (way.sooner, "sooner") if way.gain > 0 else (way.later, "later")
    how_sure = "in every future" if share > 0.995 else f"in {percent(share)} of futures"
    return f"{duration(abs(way.gain))} {word}, {how_sure}"
