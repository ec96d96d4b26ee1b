"""A shop's list of causes: why a stage pauses or is done again."""

from __future__ import annotations

import itertools

from django.db import transaction
from django.utils.text import slugify

from jobs.models import Cause
from jobs.services.ordering import free_name, place_last, place_move
from shop.errors import BadInput
from shop.models import Shop
from shop.services import revision_raise

LONGEST = 60


@transaction.atomic
def cause_create(shop: Shop, *, name: str, pauses: bool, remakes: bool) -> Cause:
    """Add a cause at the end. Raises BadInput (fields `name`, `pauses`)."""
    rows = _rows(shop)
    _check_offered(pauses=pauses, remakes=remakes)
    name = free_name(rows, name, longest=LONGEST)
    row = Cause.objects.create(
        shop=shop,
        key=_free_key(rows, name),
        name=name,
        position=place_last(rows),
        pauses=pauses,
        remakes=remakes,
    )
    revision_raise(shop.pk)
    return row


@transaction.atomic
def cause_update(cause: Cause, *, name: str, pauses: bool, remakes: bool) -> Cause:
    """Rename a cause, or offer it elsewhere. What was clocked with it keeps it. Raises BadInput."""
    _check_offered(pauses=pauses, remakes=remakes)
    cause.name = free_name(_rows(cause.shop), name, cause, longest=LONGEST)
    cause.pauses, cause.remakes = pauses, remakes
    cause.save(update_fields=["name", "pauses", "remakes"])
    revision_raise(cause.shop_id)
    return cause


@transaction.atomic
def cause_move(cause: Cause, step: int) -> None:
    """Offer a cause one place earlier (-1) or later (1) among those in use."""
    place_move([row for row in _rows(cause.shop) if row.active or row == cause], cause, step)
    revision_raise(cause.shop_id)


@transaction.atomic
def cause_retire(cause: Cause, *, active: bool) -> Cause:
    """Offer a cause no longer, or again at the end of the list."""
    cause.active = active
    if active:
        cause.position = place_last([row for row in _rows(cause.shop) if row.active])
    cause.save(update_fields=["active", "position"])
    revision_raise(cause.shop_id)
    return cause


def _rows(shop: Shop) -> list[Cause]:
    """All of the shop's causes; its row is the lock."""
    Shop.objects.select_for_update().get(pk=shop.pk)
    return list(Cause.objects.of(shop))


def _check_offered(*, pauses: bool, remakes: bool) -> None:
    if not pauses and not remakes:
        raise BadInput(
            "Tick where it is offered: at pauses, at work done again, or both. To offer it nowhere, retire it.",
            field="pauses",
        )


def _free_key(rows: list[Cause], name: str) -> str:
    taken = {row.key for row in rows}
    stem = slugify(name)[:34] or "cause"
    return next(
        key
        for key in itertools.chain([stem], (f"{stem}-{n}" for n in itertools.count(2)))
        if key not in taken
    )
