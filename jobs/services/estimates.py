"""A person's own estimate of a stage: a driver like the others, so that the clock teaches what it is worth."""

from __future__ import annotations

from functools import partial

from django.db import transaction

from jobs.drivers import PLANNED
from jobs.models import Driver, Stage, StageState
from jobs.signals import stages_folded
from shop.errors import BadInput, ShopError
from shop.models import Shop
from shop.services import revision_raise

NAME = "Own estimate"
LONGEST_MIN = 60 * 24 * 60
"""The longest estimate, in minutes: sixty days."""


@transaction.atomic
def estimate_set(stage: Stage, minutes: float) -> Stage:
    """Keep somebody's own estimate of a stage in minutes. Raises BadInput, ShopError once it is finished."""
    if not 0 < minutes <= LONGEST_MIN:
        raise BadInput(
            f"{minutes:g} minutes is no time that a stage takes. Give more than 0, and at most {LONGEST_MIN:,}.",
            field="minutes",
        )
    stage = _locked(stage)
    if stage.state == StageState.FINISHED:
        raise ShopError(f"{stage.name} is finished: an estimate made now would already know how it went.")
    if stage.kind.is_hold and stage.hold_min is not None:
        raise ShopError(f"{stage.name} is a hold of set length: the shop chose how long it lasts.")
    planned_driver(stage.shop)
    stage.drivers = {**stage.drivers, PLANNED: float(minutes)}
    return _kept(stage)


@transaction.atomic
def estimate_remove(stage: Stage) -> Stage:
    """Take an estimate back; a finished stage is then learned again without it."""
    stage = _locked(stage)
    stage.drivers = {key: value for key, value in stage.drivers.items() if key != PLANNED}
    return _kept(stage)


def planned_driver(shop: Shop) -> Driver:
    """The shop's driver of own estimates; made the first time one is given."""
    return Driver.objects.get_or_create(
        shop=shop, key=PLANNED, defaults={"name": _free_name(shop), "unit": "min"}
    )[0]


def _free_name(shop: Shop) -> str:
    taken = {name.lower() for name in Driver.objects.of(shop).values_list("name", flat=True)}
    return NAME if NAME.lower() not in taken else f"{NAME} of the stage"


def _locked(stage: Stage) -> Stage:
    Shop.objects.select_for_update().get(pk=stage.shop_id)  # before the stage, as taps do
    return (
        Stage.objects.of(stage.shop)
        .select_for_update(of=("self",))
        .select_related("shop", "kind")
        .get(pk=stage.pk)
    )


def _kept(stage: Stage) -> Stage:
    stage.save(update_fields=["drivers"])
    revision_raise(stage.shop_id)
    if stage.state == StageState.FINISHED:
        transaction.on_commit(
            partial(stages_folded.send, sender=Stage, shop_id=stage.shop_id, stage_ids=[stage.pk])
        )
    return stage
