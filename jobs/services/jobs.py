"""Jobs, their items, and each job's own copy of its route."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs import stock
from jobs.drivers import ItemSize, Sized, check_items
from jobs.models import (
    Customer,
    Driver,
    EdgeKind,
    Item,
    Job,
    JobStatus,
    JobType,
    Needed,
    RouteEdge,
    RouteStage,
    Stage,
    StageEdge,
    StageKind,
    StageState,
)
from jobs.selectors import film_widths
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
        drivers=_drivers(shop, drivers or {}),
        ready_from=ready_from,
        notes=notes,
    )
    _check_finish(process, finish)
    job.save()
    _items_write(job, items)
    _route_copy(job, requested)
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
    notes: str | None = None,
    requested: Collection[str] | None = None,
) -> Job:
    """Change a job's facts. A new process or finish also takes in or leaves out the stages that hang on it.

    items, drivers, notes, requested: None leaves them as they are. Stages that were begun are left alone.
    """
    job = _locked(job)
    before = (job.process, job.finish)
    job.title = _title(title)
    job.customer = _customer(job.shop, customer_name)
    job.process, job.finish, job.media = process, finish, media
    job.ready_from = ready_from
    if drivers is not None:
        job.drivers = _drivers(job.shop, drivers)
    if notes is not None:
        job.notes = notes
    _check_finish(process, finish)
    job.save()
    if items is not None:
        _items_write(job, items)
    _needed_again(job, before)
    if requested is not None:
        _request(job, requested)
    status_derive(job)
    revision_raise(job.shop_id)
    return job


@transaction.atomic
def items_replace(job: Job, items: Sequence[ItemSize]) -> None:
    """Give the job these items instead of those it has. Raises BadInput naming the item and the field."""
    job = _locked(job)
    _items_write(job, items)
    revision_raise(job.shop_id)


@transaction.atomic
def job_cancel(job: Job) -> Job:
    """Cancel a job that is not finished; `job_reopen` takes it back. Cancelling twice changes nothing."""
    job = _locked(job)
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
    job = _locked(job)
    if job.status == JobStatus.CANCELLED:
        job.status = JobStatus.PROMISED if job.due_at else JobStatus.ENQUIRY
        job.save(update_fields=["status"])
        status_derive(job)
        revision_raise(job.shop_id)
    return job


@transaction.atomic
def stage_add(
    job: Job, kind: StageKind, *, after: Stage | None = None, beside: Stage | None = None, name: str = ""
) -> Stage:
    """Put a stage into the job's route: behind `after`, at the same time as `beside`, or else at the end."""
    job = _locked(job)
    _check_open(job)
    if after and beside:
        raise BadInput("A stage is added after another one or beside it, not both.", field="after")
    place = after or beside
    if place and place.job_id != job.pk:
        raise BadInput(f"Job {job.number} has no such stage.", field="after")
    last = job.stages.aggregate(last=Max("position"))["last"]
    position = place.position + 1 if place else (-1 if last is None else last) + 1
    for later in job.stages.filter(position__gte=position):
        Stage.objects.filter(pk=later.pk).update(position=later.position + 1)
    stage = Stage.objects.create(
        shop=job.shop,
        job=job,
        kind=kind,
        name=name.strip() or kind.name,
        position=position,
        hold_min=stage_hold(kind, job.process),
    )
    _join(job, stage, after, beside)
    status_derive(job)
    revision_raise(job.shop_id)
    return stage


@transaction.atomic
def stage_leave_out(stage: Stage) -> Stage:
    """Leave a stage that was not begun out of its job; the stages around it close up."""
    return _left_out_set(stage, True)


@transaction.atomic
def stage_take_in(stage: Stage) -> Stage:
    """Take a stage that was left out into its job again, in its old place."""
    return _left_out_set(stage, False)


def stage_needed(
    needed: str, process: Process | None, finish: Finish | None, requested: bool = False
) -> bool:
    """Whether a job of this process and finish takes a stage in. Without a process it is taken to print."""
    if needed == Needed.PRINTED:
        return process is None or process.prints
    if needed == Needed.LAMINATED:
        return finish is not None and finish.laminates
    if needed == Needed.HELD:
        return process is not None and process.prints and process.hold_min > 0
    if needed == Needed.ON_REQUEST:
        return requested
    return True


def stage_hold(kind: StageKind, process: Process | None) -> int | None:
    """Minutes of a hold of fixed length: after printing it is the process's, otherwise the kind's own."""
    if kind.key == stock.HOLD_KEY and process is not None:
        return process.hold_min
    return kind.hold_min


def status_derive(job: Job) -> None:
    """Say of a job begun that it is in hand, or finished once every stage not left out is; else leave it."""
    if job.status == JobStatus.CANCELLED:
        return
    stages = [stage for stage in job.stages.all() if not stage.left_out]
    begun = any(_begun(stage) for stage in stages)
    if stages and all(stage.state == StageState.FINISHED for stage in stages):
        status, finished_at = JobStatus.FINISHED, max(s.finished_at or timezone.now() for s in stages)
    elif begun:
        status, finished_at = JobStatus.IN_HAND, None
    else:
        return
    if (status, finished_at) != (job.status, job.finished_at):
        job.status, job.finished_at = status, finished_at
        job.save(update_fields=["status", "finished_at"])


def _locked(job: Job) -> Job:
    """The job as it stands in the database, locked until the transaction ends."""
    return (
        Job.objects.of(job.shop)
        .select_for_update(of=("self",))
        .select_related("shop", "job_type", "process", "finish", "media", "customer")
        .get(pk=job.pk)
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


def _drivers(shop: Shop, drivers: Mapping[str, float | str]) -> dict[str, float | str]:
    """The drivers, each known to the shop and a number that makes sense, or a text for a category."""
    known = {driver.key: driver for driver in Driver.objects.of(shop)}
    for key, value in drivers.items():
        if key not in known:
            raise BadInput(
                f"The shop has no driver {key!r}. It has: {', '.join(sorted(known))}.", field=f"drivers.{key}"
            )
        if known[key].is_category:
            if not isinstance(value, str):
                raise BadInput(f"{known[key].name} is a word, not {value!r}.", field=f"drivers.{key}")
        elif isinstance(value, bool | str) or not math.isfinite(value) or value < 0:
            raise BadInput(
                f"{known[key].name} is {value!r}. Give a number of 0 or more, or leave it empty.",
                field=f"drivers.{key}",
            )
    return dict(drivers)


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
            ink_build=item.ink_build,
            position=position,
        )
        for position, item in enumerate(items)
    )


def _route_copy(job: Job, requested: Collection[str]) -> None:
    """Copy the route; what is not needed comes along as left out, so that it can be taken in."""
    route = list(job.job_type.route.select_related("kind"))
    _check_requested(job, route, requested)
    copies: dict[int, Stage] = {}
    for position, node in enumerate(route):
        wanted = stage_needed(node.needed, job.process, job.finish, node.kind.key in requested)
        copies[node.pk] = Stage.objects.create(
            shop=job.shop,
            job=job,
            kind=node.kind,
            name=node.name or node.kind.name,
            position=position,
            left_out=not wanted,
            hold_min=stage_hold(node.kind, job.process),
        )
    StageEdge.objects.bulk_create(
        StageEdge(
            shop=job.shop,
            before=copies[edge.before_id],
            after=copies[edge.after_id],
            kind=edge.kind,
            lag_min=edge.lag_min,
        )
        for edge in RouteEdge.objects.filter(before__job_type=job.job_type)
    )


def _check_requested(job: Job, route: Sequence[RouteStage], requested: Collection[str]) -> None:
    missing = set(requested) - {node.kind.key for node in route if node.needed == Needed.ON_REQUEST}
    if missing:
        names = StageKind.objects.of(job.shop).filter(key__in=missing).values_list("name", flat=True)
        raise BadInput(
            f"The route of {job.job_type.name} has no {' or '.join(names) or ' or '.join(sorted(missing))} to "
            "ask for. Leave it out here; it can be added on the job's own page.",
            field="requested",
        )


def _needed_again(job: Job, before: tuple[Process | None, Finish | None]) -> None:
    """Where the rule says otherwise of the new process and finish, take stages not begun in or leave them out."""
    rules = {(node.kind_id, str(node)): node.needed for node in job.job_type.route.select_related("kind")}
    for stage in job.stages.select_related("kind"):
        if _begun(stage):
            continue
        needed = rules.get((stage.kind_id, stage.name), "")
        now = stage_needed(needed, job.process, job.finish)
        # Only a change of mind counts, so that a stage left out by hand stays out.
        if needed != Needed.ON_REQUEST and now != stage_needed(needed, *before):
            stage.left_out = not now
        stage.hold_min = stage_hold(stage.kind, job.process)
        stage.save(update_fields=["left_out", "hold_min"])


def _request(job: Job, requested: Collection[str]) -> None:
    """Take in the stages asked for, and leave the others out that wait to be asked for."""
    route = list(job.job_type.route.select_related("kind"))
    _check_requested(job, route, requested)
    asked = {(node.kind_id, str(node)): node.kind.key for node in route if node.needed == Needed.ON_REQUEST}
    for stage in job.stages.all():
        key = asked.get((stage.kind_id, stage.name))
        if key is not None and not _begun(stage) and stage.left_out == (key in requested):
            stage.left_out = key not in requested
            stage.save(update_fields=["left_out"])


def _join(job: Job, stage: Stage, after: Stage | None, beside: Stage | None) -> None:
    """Give a new stage its arrows."""
    if after:
        # What may begin while `after` still runs alone goes on hanging on it.
        after.out_edges.filter(kind=EdgeKind.FINISH).update(before=stage)
        StageEdge.objects.create(shop=job.shop, before=after, after=stage)
    elif beside:
        for edge in beside.in_edges.all():
            StageEdge.objects.create(
                shop=job.shop, before=edge.before, after=stage, kind=edge.kind, lag_min=edge.lag_min
            )
        for edge in beside.out_edges.all():
            StageEdge.objects.create(shop=job.shop, before=stage, after=edge.after)
    else:
        ends = job.stages.filter(out_edges__isnull=True).exclude(pk=stage.pk)
        for end in list(ends):
            StageEdge.objects.create(shop=job.shop, before=end, after=stage)


def _left_out_set(stage: Stage, left_out: bool) -> Stage:
    job = _locked(stage.job)
    _check_open(job)
    stage = job.stages.select_for_update().get(pk=stage.pk)
    if stage.left_out == left_out:
        return stage
    if left_out and _begun(stage):
        raise ShopError(
            f"{stage.name} has been clocked. Take its taps back on the floor page, then leave it out."
        )
    if left_out and not job.stages.filter(left_out=False).exclude(pk=stage.pk).exists():
        raise ShopError(f"{stage.name} is the job's only stage. Take in another one first.")
    stage.left_out = left_out
    stage.save(update_fields=["left_out"])
    status_derive(job)
    revision_raise(job.shop_id)
    return stage


def _begun(stage: Stage) -> bool:
    return stage.state != StageState.WAITING or stage.started_at is not None


def _check_open(job: Job) -> None:
    if job.status == JobStatus.CANCELLED:
        raise ShopError(f"Job {job.number} is cancelled. Reopen it, then change its stages.")
