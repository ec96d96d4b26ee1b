"""Jobs and their items."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from functools import partial

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs.drivers import ItemSize, Sized, check_items
from jobs.models import Customer, Item, Job, JobStatus, JobType, Stage, StageState
from jobs.selectors.jobs import film_widths
from jobs.services.driver_values import checked_drivers
from jobs.services.stages import (
    job_locked,
    job_refold,
    route_copy,
    stages_needed_again,
    stages_request,
)
from jobs.services.times import Times, visits_write
from jobs.signals import stages_folded
from shop.errors import BadInput, ShopError
from shop.models import Finish, Media, Process, Shop
from shop.services import revision_raise

LARGEST_NUMBER = 2_147_483_647


@transaction.atomic
def job_create(
    *,
    shop: Shop,
    job_type: JobType,
    title: str,
    customer_name: str = "",
    process: Process | None = None,
    finish: Finish | None = None,
    media: Media | None = None,
    items: Sequence[ItemSize] = (),
    drivers: Mapping[str, float | str] | None = None,
    ready_from: datetime | None = None,
    times: Times | None = None,
    status: JobStatus = JobStatus.ENQUIRY,
    number: int | None = None,
    notes: str = "",
    requested: Collection[str] = (),
) -> Job:
    """Make a job with its items and its own copy of its type's route.

    requested: keys of the stage kinds to take in that the route has 'when asked for'. number: the next one
    where None. Raises BadInput naming the field, and then nothing is written.
    """
    job = Job(
        shop=shop,
        number=_number(shop, number),
        job_type=job_type,
        title=_title(title),
        customer=_customer(shop, customer_name),
        process=process,
        finish=finish,
        media=media,
        status=status,
        drivers=checked_drivers(shop, drivers or {}),
        ready_from=ready_from,
        notes=notes,
    )
    _check_finish(process, finish)
    _times_write(job, times)
    _items_write(job, items)
    route_copy(job, requested)
    revision_raise(shop.pk)
    return job


@transaction.atomic
def job_update(
    job: Job,
    *,
    title: str,
    customer_name: str = "",
    process: Process | None = None,
    finish: Finish | None = None,
    media: Media | None = None,
    items: Sequence[ItemSize] | None = None,
    drivers: Mapping[str, float | str] | None = None,
    ready_from: datetime | None = None,
    times: Times | None = None,
    notes: str | None = None,
    requested: Collection[str] | None = None,
) -> Job:
    """Change a job's facts. A new process or finish also takes in or leaves out the stages that hang on it.

    items, times, drivers, notes, requested: None leaves them as they are. Stages that were begun are left alone.
    """
    job = job_locked(job)
    before = (job.process, job.finish)
    job.title = _title(title)
    job.customer = _customer(job.shop, customer_name)
    job.process, job.finish, job.media = process, finish, media
    job.ready_from = ready_from
    if drivers is not None:
        job.drivers = checked_drivers(job.shop, drivers, job.drivers)
    if notes is not None:
        job.notes = notes
    _check_finish(process, finish)
    _times_write(job, times)
    if items is not None:
        _items_write(job, items)
    stages_needed_again(job, before)
    if requested is not None:
        stages_request(job, requested)
    job_refold(job)
    _finished_changed(job)
    return job


@transaction.atomic
def items_replace(job: Job, items: Sequence[ItemSize]) -> None:
    """Give the job these items instead of those it has. Raises BadInput naming the item and the field."""
    job = job_locked(job)
    _items_write(job, items)
    revision_raise(job.shop_id)
    _finished_changed(job)


@transaction.atomic
def job_cancel(job: Job) -> Job:
    """Cancel a job that is not finished; `job_reopen` takes it back. Cancelling twice changes nothing."""
    job = job_locked(job)
    if job.status == JobStatus.FINISHED:
        raise ShopError(f"Job {job.number} is finished, so there is nothing left to cancel.")
    running = job.stages.filter(state=StageState.RUNNING).first()
    if running:
        raise ShopError(f"{running.name} is running. Stop it on the floor page, then cancel the job.")
    job.status = JobStatus.CANCELLED
    job.save(update_fields=["status"])
    revision_raise(job.shop_id)
    return job


@transaction.atomic
def job_reopen(job: Job) -> Job:
    """Take back a cancellation: the job is again what its promise and its clock say."""
    job = job_locked(job)
    if job.status == JobStatus.CANCELLED:
        job.status = JobStatus.PROMISED if job.due_at else JobStatus.ENQUIRY
        job.save(update_fields=["status"])
        job_refold(job)
    return job


def _times_write(job: Job, times: Times | None) -> None:
    """Save the job with these times; None leaves those it has."""
    if times is not None:
        job.film_from = times.film_from
    job.save()
    if times is not None:
        visits_write(job, times.visits, timezone.now())


def _finished_changed(job: Job) -> None:
    """After the commit say that what the job's finished stages were driven by may have changed."""
    finished = list(job.stages.filter(state=StageState.FINISHED).values_list("pk", flat=True))
    if finished:
        transaction.on_commit(
            partial(stages_folded.send, sender=Stage, shop_id=job.shop_id, stage_ids=finished)
        )


def _number(shop: Shop, number: int | None) -> int:
    # The shop's row is the lock: two jobs made at once get two numbers.
    Shop.objects.select_for_update().get(pk=shop.pk)
    if number is None:
        last = Job.objects.of(shop).aggregate(last=Max("number"))["last"]
        return int(last or 0) + 1
    if not 0 < number <= LARGEST_NUMBER:
        raise BadInput(f"A job number is from 1 to {LARGEST_NUMBER}, not {number}.", field="number")
    if Job.objects.of(shop).filter(number=number).exists():
        raise BadInput(f"There already is a job {number}.", field="number")
    return number


def _title(title: str) -> str:
    title = " ".join(title.split())
    if not title:
        raise BadInput("Give the job a title, as 'Van, two sides'.", field="title")
    if len(title) > 160:
        raise BadInput(f"The title has {len(title)} characters; shorten it to 160.", field="title")
    return title


def _customer(shop: Shop, name: str) -> Customer | None:
    """The customer of that name, whatever its capitals; made if new; None for no name."""
    name = " ".join(name.split())
    if not name:
        return None
    if len(name) > 120:
        raise BadInput(
            f"The customer's name has {len(name)} characters; shorten it to 120.", field="customer"
        )
    known = Customer.objects.of(shop).filter(name__iexact=name).first()
    return known or Customer.objects.create(shop=shop, name=name)


def _check_finish(process: Process | None, finish: Finish | None) -> None:
    if process and finish and not process.finishes.filter(pk=finish.pk).exists():
        can = ", ".join(process.finishes.values_list("name", flat=True)) or "none"
        raise BadInput(
            f"{process.name} does not go with the finish {finish.name}. It goes with: {can}.", field="finish"
        )


def _items_write(job: Job, items: Sequence[Sized]) -> None:
    check_items(items, *film_widths(job.shop, job.process, job.media))
    job.items.all().delete()
    Item.objects.bulk_create(
        Item(
            shop=job.shop,
            job=job,
            name=item.name,
            width_mm=item.width_mm,
            height_mm=item.height_mm,
            count=item.count,
            cut_m=item.cut_m,
            letter_mm=item.letter_mm,
            ink_build=item.ink_build,
            position=position,
        )
        for position, item in enumerate(items)
    )
