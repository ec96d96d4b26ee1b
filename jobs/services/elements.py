"""The elements of a kind of stage: the named laps inside it."""

from __future__ import annotations

from django.db import transaction

from jobs.models import Element, StageKind
from jobs.services.ordering import free_name, place_last, place_move
from shop.errors import BadInput
from shop.models import Shop
from shop.services import revision_raise

LONGEST = 60
MOST = 30
"""Elements of one kind in use: more cannot be told apart on a phone."""


@transaction.atomic
def element_add(kind: StageKind, name: str) -> Element:
    """Add an element at the end. Raises BadInput (field `name`)."""
    rows = _rows(kind)
    if sum(row.active for row in rows) >= MOST:
        raise BadInput(f"{kind} has {MOST} elements, which is the most. Remove one first.", field="name")
    name = free_name(rows, name, longest=LONGEST)
    row = Element.objects.create(shop=kind.shop, kind=kind, name=name, position=place_last(rows))
    revision_raise(kind.shop_id)
    return row


@transaction.atomic
def element_rename(element: Element, name: str) -> Element:
    """Give an element another name; laps clocked with it keep it. Raises BadInput (field `name`)."""
    element.name = free_name(_rows(element.kind), name, element, longest=LONGEST)
    element.save(update_fields=["name"])
    revision_raise(element.shop_id)
    return element


@transaction.atomic
def element_move(element: Element, step: int) -> None:
    """Put an element one place earlier (-1) or later (1)."""
    place_move([row for row in _rows(element.kind) if row.active or row == element], element, step)
    revision_raise(element.shop_id)


@transaction.atomic
def element_remove(element: Element) -> None:
    """Retire an element. It is never deleted: a device without a connection may hold a tap that names it."""
    _rows(element.kind)
    element.active = False
    element.save(update_fields=["active"])
    revision_raise(element.shop_id)


@transaction.atomic
def element_restore(element: Element) -> None:
    """Take a retired element back into use, at the end."""
    element.active, element.position = True, place_last([r for r in _rows(element.kind) if r.active])
    element.save(update_fields=["active", "position"])
    revision_raise(element.shop_id)


def _rows(kind: StageKind) -> list[Element]:
    Shop.objects.select_for_update().get(pk=kind.shop_id)
    return list(Element.objects.filter(kind=kind))
