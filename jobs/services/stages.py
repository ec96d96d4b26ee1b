"""The stages of a job: its own copy of the route, and what is added to it or left out of it."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from django.db import transaction
from django.db.models import Max, Q

from jobs import stock
from jobs.models import (
    ClockEvent,
    EdgeKind,
    Job,
    JobStatus,
    Needed,
    RouteEdge,
    RouteStage,
    Stage,
    StageEdge,
    StageKind,
    StageState,
    TapKind,
)
from jobs.services.clock import refold
from shop.errors import BadInput, ShopError
from shop.models import Finish, Process, Shop
from shop.services import revision_raise


@transaction.atomic
def stage_add(
    job: Job, kind: StageKind, *, after: Stage | None = None, beside: Stage | None = None, name: str = ""
) -> Stage:
    """Put a stage into the job's route: behind `after`, at the same time as `beside`, or else at the end."""
    job = job_locked(job)
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
    job_refold(job)
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
    """Minutes of a hold of fixed length: after printing it is the process's, or the kind's own if that is longer.

    None: it lasts until somebody says that it is over.
    """
    if kind.key == stock.HOLD_KEY and process is not None:
        return max(process.hold_min, kind.hold_min or 0)
    return kind.hold_min


def job_refold(job: Job) -> None:
    """Fold a job's taps again where its stages, arrows or holds have changed: its holds depend on them."""
    stage = job.stages.first()
    if stage is None:
        revision_raise(job.shop_id)
        return
    refold(job.shop, [stage.pk])
    job.refresh_from_db(fields=["status", "started_at", "finished_at"])


def job_locked(job: Job) -> Job:
    """The job as it stands in the database, locked until the transaction ends.

    The shop's row is locked before it, as taps do, which change jobs too: else each could wait for the other.
    """
    Shop.objects.select_for_update().get(pk=job.shop_id)
    return (
        Job.objects.of(job.shop)
        .select_for_update(of=("self",))
        .select_related("shop", "job_type", "process", "finish", "media", "customer")
        .get(pk=job.pk)
    )


def route_copy(job: Job, requested: Collection[str]) -> None:
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


def stages_needed_again(job: Job, before: tuple[Process | None, Finish | None]) -> None:
    """Where the rule says otherwise of the new process and finish, take stages not begun in or leave them out."""
    rules = needed_rules(job)
    for stage in job.stages.select_related("kind"):
        if _begun(stage):
            continue
        needed = rules.get((stage.kind_id, stage.name), "")
        stage.left_out, stage.hold_min = stage_as(stage, needed, (job.process, job.finish), before)
        stage.save(update_fields=["left_out", "hold_min"])


def needed_rules(job: Job) -> dict[tuple[int, str], str]:
    """When the job's type takes a stage in, by the stage's kind and name."""
    return {(node.kind_id, str(node)): node.needed for node in job.job_type.route.select_related("kind")}


def stage_as(
    stage: Stage,
    needed: str,
    now: tuple[Process | None, Finish | None],
    before: tuple[Process | None, Finish | None],
) -> tuple[bool, int | None]:
    """Whether a stage is left out, and the length of its hold, once its job has another process and finish."""
    wanted, left_out = stage_needed(needed, *now), stage.left_out
    # Only a change of mind counts, so that a stage left out by hand stays out.
    if needed != Needed.ON_REQUEST and wanted != stage_needed(needed, *before):
        left_out = not wanted
    return left_out, stage_hold(stage.kind, now[0])


def stages_request(job: Job, requested: Collection[str]) -> None:
    """Take in the stages asked for, and leave the others out that wait to be asked for."""
    route = list(job.job_type.route.select_related("kind"))
    _check_requested(job, route, requested)
    asked = {(node.kind_id, str(node)): node.kind.key for node in route if node.needed == Needed.ON_REQUEST}
    for stage in job.stages.all():
        key = asked.get((stage.kind_id, stage.name))
        if key is not None and not _begun(stage) and stage.left_out == (key in requested):
            stage.left_out = key not in requested
            stage.save(update_fields=["left_out"])


def _check_requested(job: Job, route: Sequence[RouteStage], requested: Collection[str]) -> None:
    missing = set(requested) - {node.kind.key for node in route if node.needed == Needed.ON_REQUEST}
    if missing:
        names = StageKind.objects.of(job.shop).filter(key__in=missing).values_list("name", flat=True)
        raise BadInput(
            f"The route of {job.job_type.name} has no {' or '.join(names) or ' or '.join(sorted(missing))} to "
            "ask for. Leave it out here; it can be added on the job's own page.",
            field="requested",
        )


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
    job = job_locked(stage.job)
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
    job_refold(job)
    return stage


def _begun(stage: Stage) -> bool:
    if stage.state == StageState.WAITING and stage.started_at is None:
        return False
    return not stage.kind.is_hold or _clocked(stage)


def _clocked(stage: Stage) -> bool:
    """Whether anything was pressed for a stage and not taken back; a hold may go on with nothing pressed."""
    events = ClockEvent.objects.of(stage.shop)
    gone = events.filter(kind=TapKind.VOID, corrects__isnull=False).values("corrects")
    pressed = events.filter(Q(stage=stage) | Q(to_stage=stage)).exclude(kind=TapKind.VOID)
    return pressed.exclude(pk__in=gone).exists()


def _check_open(job: Job) -> None:
    if job.status == JobStatus.CANCELLED:
        raise ShopError(f"Job {job.number} is cancelled. Reopen it, then change its stages.")
