"""A job's items, route, cautions and drivers in the words that its pages and its ticket share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.utils.text import capfirst

from jobs.forms.fields import say_length, say_minutes, wait_words
from jobs.models import Driver, Item, Job, Stage, StageEdge
from jobs.routes import active_edges, depths
from jobs.stock import LOCAL_RULES
from shop.models import Shop
from shop.units import length_unit


def stage_rows(stages: Sequence[Stage], edges: Iterable[StageEdge]) -> list[tuple[Stage, str, str]]:
    """Each stage as the work flows, what it waits for in words, and its hold in words."""
    edges = list(edges)
    depth = depths([stage.pk for stage in stages], edges)
    names = {stage.pk: stage.name for stage in stages}
    waits: dict[int, list[str]] = {}
    for link in active_edges(stages, edges):
        waits.setdefault(link.after_id, []).append(wait_words(names[link.before_id], link.kind))
    return [
        (
            stage,
            capfirst(" and ".join(waits.get(stage.pk, [])) or "may begin at once") + ".",
            say_minutes(stage.hold_min) if stage.kind.is_hold else "",
        )
        for stage in sorted(stages, key=lambda stage: (depth[stage.pk], stage.position))
    ]


def item_words(item: Item, shop: Shop) -> dict[str, Any]:
    """An item as its row says it, in the shop's units."""
    unit, long = length_unit(shop.units), length_unit(shop.units, long=True)
    return {
        "name": item.name or f"Item {item.position + 1}",
        "width": say_length(item.width_mm, unit),
        "height": say_length(item.height_mm, unit),
        "count": item.count,
        "cut": "outline" if item.cut_m is None else say_length(item.cut_m * 1000, long),
        "letters": "" if item.letter_mm is None else say_length(item.letter_mm, unit),
        "ink": item.get_ink_build_display(),
    }


def cautions_of(stages: Iterable[Stage]) -> list[tuple[str, str]]:
    """Name and caution of each kind of stage that has one, once, without LOCAL_RULES, which is said once below."""
    found: Mapping[int, tuple[str, str]] = {
        stage.kind_id: (stage.kind.name, without_rules(stage.kind.caution))
        for stage in stages
        if stage.kind.caution
    }
    return list(found.values())


def without_rules(caution: str) -> str:
    """A caution without the line on local codes, where a list of them says it once."""
    return caution.replace(LOCAL_RULES, "").strip()


def driver_values(job: Job) -> list[tuple[str, str]]:
    """Name and value of the drivers that the job itself has, lengths in the shop's units."""
    known = {driver.key: driver for driver in Driver.objects.of(job.shop)}
    long = length_unit(job.shop.units, long=True)
    found = []
    for key, value in job.drivers.items():
        driver = known.get(key)
        if driver and driver.unit == "m":
            found.append((driver.name, say_length(value * 1000, long)))
        elif driver:
            found.append((driver.name, _said(driver, value)))
    return found


def _said(driver: Driver, value: float | str) -> str:
    """A value in words: 'steel', 'Yes', '12 °'."""
    if isinstance(value, str):
        return value
    if driver.is_yes_no and value in (0, 1):
        return "Yes" if value else "No"
    return f"{value:g} {driver.unit}".strip()
