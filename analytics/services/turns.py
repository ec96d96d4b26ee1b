"""Moves in the plan: another place in the queue for a job, a stage pinned to an instant; and both taken back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from django.db import transaction

from analytics.selectors.backlog import OPEN
from analytics.selectors.moves import check_pin
from jobs.models import Job, JobStatus, Stage
from shop.errors import BadInput, ShopError
from shop.models import Shop
from shop.services import revision_raise

Turns = Mapping[int, datetime | None]
"""Job key to its turn; None: by its date again."""

Backs = Mapping[int, tuple[datetime | None, datetime | None]]
"""By key, the turn or pin that a move gave, and the one from before it."""


@transaction.atomic
def turns_set(shop: Shop, turns: Turns) -> dict[int, datetime | None]:
    """Give open jobs their turns; the turns before, by which it is taken back.

    Raises BadInput for a job that is not the shop's, ShopError for one that is not open.
    """
    Shop.objects.select_for_update().get(pk=shop.pk)  # before its jobs, as taps do
    rows = Job.objects.of(shop).select_for_update(of=("self",)).filter(pk__in=turns).order_by("pk")
    jobs = {job.pk: job for job in rows}
    if jobs.keys() != turns.keys():
        raise BadInput("One of these jobs is not in this shop.", field="job")
    for job in jobs.values():
        if job.status not in (*OPEN, JobStatus.ENQUIRY):
            raise ShopError(
                f"Job {job.number} is {job.get_status_display().lower()}: it has no turn any more."
            )
    before = {pk: job.turn_at for pk, job in jobs.items()}
    for pk, job in jobs.items():
        if job.turn_at != turns[pk]:
            job.turn_at = turns[pk]
            job.save(update_fields=["turn_at"])
    revision_raise(shop.pk)
    return before


@transaction.atomic
def stage_pin(stage: Stage, at: datetime | None, now: datetime | None = None) -> datetime | None:
    """Pin a stage to begin at `at` (aware), or unpin it (None); the pin before. now: not before it.

    Raises ShopError where the stage cannot be pinned: it is begun, left out, lies, or its job is not open.
    """
    Shop.objects.select_for_update().get(pk=stage.shop_id)  # before its stage, as taps do
    stage = (
        Stage.objects.of(stage.shop)
        .select_for_update(of=("self",))
        .select_related("job", "kind")
        .get(pk=stage.pk)
    )
    check_pin(stage, at, now)
    before = stage.pinned_at
    if before != at:
        stage.pinned_at = at
        stage.save(update_fields=["pinned_at"])
        revision_raise(stage.shop_id)
    return before


class Moved(ShopError):
    """The work has moved on since the consequences of a move were shown."""

    title = "The work has moved on"


@transaction.atomic
def moves_do(
    shop: Shop, turns: Turns, pins: Mapping[int, datetime | None], *, revision: int, now: datetime
) -> tuple[dict[int, datetime | None], dict[int, datetime | None]]:
    """Give turns and pins at once, if the shop is still at this revision; those before, to take it back.

    Raises Moved if it is not; else as `turns_set` and `stage_pin` do.
    """
    locked = Shop.objects.select_for_update().get(pk=shop.pk)
    if locked.revision != revision:
        raise Moved("The work has moved on since this was worked out. Here it is anew; nothing was changed.")
    turned = turns_set(shop, turns) if turns else {}
    pinned = {}
    for pk, at in pins.items():
        pinned[pk] = stage_pin(Stage.objects.of(shop).select_related("shop").get(pk=pk), at, now)
    return turned, pinned


@transaction.atomic
def moves_undo(shop: Shop, turns: Backs, pins: Backs) -> None:
    """Take a move back, if nobody has moved the same since.

    Raises ShopError if somebody has, BadInput for what is not the shop's; else as `turns_set` and `stage_pin` do.
    """
    Shop.objects.select_for_update().get(pk=shop.pk)
    for job in Job.objects.of(shop).filter(pk__in=turns).order_by("number"):
        if job.turn_at != turns[job.pk][0]:
            raise ShopError(f"Job {job.number} was given another place since: nothing was taken back.")
    stages = list(Stage.objects.of(shop).filter(pk__in=pins).select_related("shop", "job"))
    if len(stages) != len(pins):
        raise BadInput("One of these stages is not in this shop.", field="stage")
    for stage in stages:
        if stage.pinned_at != pins[stage.pk][0]:
            raise ShopError(
                f"{stage.name} of job {stage.job.number} was pinned otherwise since: nothing was taken back."
            )
        stage_pin(stage, pins[stage.pk][1])
    if turns:
        turns_set(shop, {pk: before for pk, (_, before) in turns.items()})
