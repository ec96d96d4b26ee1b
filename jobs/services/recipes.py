"""Recipes: settings as they were used for a film and an ink build on a machine, and how they did."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime, timedelta

from django.db import transaction

from shop.errors import BadInput
from shop.models import InkBuild, Machine, Media, Person, Recipe, RecipeOutcome, Shop, User
from shop.services import revision_raise

REPEATED = timedelta(minutes=2)
"""The same recipe by the same log-in within so long is a form sent twice."""


@dataclass(frozen=True)
class Limit:
    """What a setting can sensibly be, and how messages say so."""

    label: str
    low: int
    high: int
    unit: str


# Wider than any machine of a small shop. Common practice, no source.
LIMITS = {
    "force_gf": Limit("cutting force", 1, 2000, "gf"),
    "passes": Limit("number of passes", 1, 64, "passes"),
    "speed_mm_s": Limit("cutting speed", 1, 3000, "mm/s"),
    "heat_c": Limit("heat", 15, 300, "°C"),
}


@dataclass(frozen=True)
class Settings:
    """Force in gf, speed in mm/s, heat in °C; what is not known is None or empty."""

    force_gf: int | None = None
    blade: str = ""
    passes: int | None = None
    speed_mm_s: int | None = None
    heat_c: int | None = None
    print_mode: str = ""


@transaction.atomic
def recipe_record(
    shop: Shop,
    *,
    machine: Machine,
    media: Media,
    ink_build: str,
    settings: Settings,
    outcome: str,
    note: str = "",
    job_number: int | None = None,
    person: Person | None = None,
    user: User | None = None,
    at: datetime,
) -> Recipe:
    """Keep what was set and how it did; the same again within two minutes is kept once. Raises BadInput."""
    Shop.objects.select_for_update().get(pk=shop.pk)
    check_settings(settings)
    if ink_build not in InkBuild.values:
        raise BadInput("Choose what is printed on the film.", field="ink_build")
    if outcome not in RecipeOutcome.values:
        raise BadInput("Say how it did.", field="outcome")
    facts = {
        "machine": machine,
        "media": media,
        "ink_build": ink_build,
        "outcome": outcome,
        "note": note.strip(),
        "job_number": job_number,
        "recorded_by": user,
        **{one.name: getattr(settings, one.name) for one in fields(settings)},
    }
    before = Recipe.objects.of(shop).filter(**facts, active=True, at__gt=at - REPEATED, at__lte=at).first()
    if before is not None:
        return before
    row = Recipe.objects.create(shop=shop, person=person, at=at, **facts)
    revision_raise(shop.pk)
    return row


@transaction.atomic
def recipe_retire(recipe: Recipe, *, active: bool) -> Recipe:
    """Show a recipe no longer where its film comes up, or again."""
    recipe.active = active
    recipe.save(update_fields=["active"])
    revision_raise(recipe.shop_id)
    return recipe


def check_settings(settings: Settings) -> None:
    """Raise BadInput for a setting that makes no sense, or where there is none at all."""
    for name, limit in LIMITS.items():
        value = getattr(settings, name)
        if value is not None and not limit.low <= value <= limit.high:
            raise BadInput(
                f"A {limit.label} of {value:,} {limit.unit} is out of range: from {limit.low} to {limit.high:,} "
                f"{limit.unit}. Check the number and its unit.",
                field=name,
            )
    if not any(getattr(settings, one.name) for one in fields(settings)):
        raise BadInput(
            "Write at least one setting: force, blade, passes, speed, heat or print mode.", field=""
        )
