"""Writing the rows that a shop lists: people, skills, machines, processes, finishes, films."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from django.db import models, transaction

from shop.errors import BadInput, ShopError
from shop.models import Closure, Finish, Machine, Media, Person, Process, Shop, Skill
from shop.services.shops import revision_raise

Retirable = Person | Machine | Media | Process
Listed = Retirable | Skill | Finish


@transaction.atomic
def row_save(row: Listed, links: Mapping[str, Iterable[Any]] | None = None) -> None:
    """Save a row with its many-to-many `links`, by field.

    Raises BadInput (field `name`) if another row of the shop has that name, whatever its capitals.
    """
    Shop.objects.select_for_update().get(pk=row.shop_id)
    twin = type(row).objects.filter(shop_id=row.shop_id, name__iexact=row.name).exclude(pk=row.pk).first()
    if twin:
        retired = "" if getattr(twin, "active", True) else " among those no longer used. Bring it back there"
        raise BadInput(f"There already is a “{twin.name}”{retired}. Choose another name.", field="name")
    row.save()
    for field, values in (links or {}).items():
        getattr(row, field).set(values)
    revision_raise(row.shop_id)


@transaction.atomic
def row_remove(row: Listed) -> bool:
    """Delete a row that nothing uses (True), or retire one that something does (False).

    Raises ShopError for one in use that cannot be retired.
    """
    used = uses(row)
    if used and isinstance(row, Skill | Finish):
        raise ShopError(
            f"{row} is used by {_say_uses(used)}, so it stays. Take it off those first, or rename it."
        )
    if used and not isinstance(row, Skill | Finish):
        row.active = False
        row.save(update_fields=["active"])
    else:
        row.delete()
    revision_raise(row.shop_id)
    return not used


@transaction.atomic
def row_restore(row: Retirable) -> None:
    """Take a retired row back into use."""
    row.active = True
    row.save(update_fields=["active"])
    revision_raise(row.shop_id)


def uses(row: models.Model) -> dict[str, int]:
    """What refers to a row, in any package: plural name to count. A person's absences go with the person."""
    found: dict[str, int] = {}
    for relation in row._meta.get_fields(include_hidden=True):
        other = relation.related_model
        if not isinstance(relation, models.ForeignObjectRel) or not isinstance(other, type):
            continue
        if other is Closure or other._meta.auto_created:
            continue
        count = other._default_manager.filter(**{relation.field.name: row}).count()
        if count:
            name = str(other._meta.verbose_name_plural if count > 1 else other._meta.verbose_name)
            found[name] = found.get(name, 0) + count
    return found


def _say_uses(used: Mapping[str, int]) -> str:
    parts = [f"{count:,} {name}" for name, count in used.items()]
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
