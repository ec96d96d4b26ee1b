"""Job types and their routes, and the kinds of stage that routes are made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Max
from django.utils.text import slugify

from jobs.models import (
    Attendance,
    Category,
    EdgeKind,
    JobType,
    Needed,
    RouteEdge,
    RouteStage,
    StageKind,
)
from jobs.routes import Link, circle
from shop.errors import BadInput
from shop.models import Process, Shop, Skill
from shop.services import revision_raise

MOST_STAGES = 40
OWN_HOLD = "hold--"
"""How the keys of a shop's own holds begin, which name the trade default of a wait. No other key begins so."""

MOST_HOLD_MIN = 60 * 24 * 365


@dataclass(frozen=True)
class NewStage:
    """One stage of a route to be written."""

    kind: StageKind
    name: str = ""
    needed: Needed = Needed.ALWAYS

    @property
    def label(self) -> str:
        """What it is called on pages."""
        return self.name or self.kind.name


@dataclass(frozen=True)
class NewEdge:
    """One arrow of a route to be written, by the stages' places in the list."""

    before: int
    after: int
    kind: EdgeKind = EdgeKind.FINISH
    lag_min: int = 0


@transaction.atomic
def job_type_create(*, shop: Shop, name: str) -> JobType:
    """Make a job type whose route is still empty."""
    return JobType.objects.create(shop=shop, name=_free_name(shop, name))


@transaction.atomic
def job_type_rename(job_type: JobType, name: str) -> JobType:
    """Give a job type another name."""
    job_type.name = _free_name(job_type.shop, name, job_type)
    job_type.save(update_fields=["name"])
    return job_type


@transaction.atomic
def job_type_unsuit(job_type: JobType, processes: Iterable[Process]) -> JobType:
    """Say by which processes this work is better not made. It is said where a process is chosen; none is forbidden."""
    chosen = list(processes)
    if any(one.shop_id != job_type.shop_id for one in chosen):
        raise BadInput("That process does not belong to this shop.", field="unsuited")
    job_type.unsuited.set(chosen)
    revision_raise(job_type.shop_id)
    return job_type


@transaction.atomic
def job_type_copy(job_type: JobType, name: str) -> JobType:
    """Make a job type with the same route under another name."""
    copy = job_type_create(shop=job_type.shop, name=name)
    nodes = list(job_type.route.select_related("kind"))
    place = {node.pk: i for i, node in enumerate(nodes)}
    edges = RouteEdge.objects.filter(before__job_type=job_type)
    route_replace(
        copy,
        [NewStage(node.kind, node.name, Needed(node.needed)) for node in nodes],
        [NewEdge(place[e.before_id], place[e.after_id], EdgeKind(e.kind), e.lag_min) for e in edges],
    )
    return copy


@transaction.atomic
def job_type_retire(job_type: JobType, *, active: bool = False) -> JobType:
    """Offer a job type no more for new jobs, or (active) offer it again. Its jobs stay as they are."""
    job_type.active = active
    job_type.save(update_fields=["active"])
    return job_type


@transaction.atomic
def route_replace(job_type: JobType, stages: Sequence[NewStage], edges: Sequence[NewEdge]) -> None:
    """Give a job type this route for jobs still to come; jobs that exist keep their own copy.

    Raises BadInput for a circle, naming its stages, and for arrows that lead nowhere; then nothing changes.
    """
    if len(stages) > MOST_STAGES:
        raise BadInput(
            f"A route has at most {MOST_STAGES} stages; this one has {len(stages)}.", field="stages"
        )
    check_route(stages, edges)
    Shop.objects.select_for_update().get(pk=job_type.shop_id)  # before its type, as a job that is made does
    job_type = JobType.objects.of(job_type.shop).select_for_update().get(pk=job_type.pk)
    job_type.route.all().delete()
    rows = [
        RouteStage.objects.create(
            shop=job_type.shop,
            job_type=job_type,
            kind=stage.kind,
            name="" if stage.name == stage.kind.name else stage.name,
            needed=stage.needed,
            position=position,
        )
        for position, stage in enumerate(stages)
    ]
    for edge in edges:
        RouteEdge.objects.create(
            shop=job_type.shop,
            before=rows[edge.before],
            after=rows[edge.after],
            kind=edge.kind,
            lag_min=edge.lag_min,
        )
    revision_raise(job_type.shop_id)


def check_route(stages: Sequence[NewStage], edges: Sequence[NewEdge]) -> None:
    """Raise BadInput if stages cannot be told apart or wait for each other in a circle."""
    labels = [stage.label for stage in stages]
    for label in labels:
        if labels.count(label) > 1:
            raise BadInput(
                f"Two stages are called {label}. Give one of them a name of its own, as '{label}, second side'.",
                field="name",
            )
    pairs = [(edge.before, edge.after) for edge in edges]
    for edge in edges:
        if not {edge.before, edge.after} <= set(range(len(stages))):
            raise BadInput("An arrow leads to a stage that is not in this route.", field="after")
        if pairs.count((edge.before, edge.after)) > 1:
            raise BadInput(
                f"{labels[edge.after]} waits for {labels[edge.before]} twice. Keep one of the two.",
                field="after",
            )
    found = circle(range(len(stages)), [Link(edge.before, edge.after) for edge in edges])
    if found:
        way = [labels[key] for key in found]
        raise BadInput(
            f"These stages wait for each other in a circle, so none could ever begin: {' → '.join(way)}. "
            f"Untick one 'after', as {way[-2]} in the line of {way[-1]}. Nothing was changed.",
            field="after",
        )


@transaction.atomic
def stage_kind_create(
    *,
    shop: Shop,
    name: str,
    category: Category = Category.WORK,
    attendance: Attendance = Attendance.THROUGHOUT,
    machine_kind: str = "",
    skill: Skill | None = None,
    people: int = 1,
    hold_min: int | None = None,
    caution: str = "",
    on_site: bool = False,
) -> StageKind:
    """Add a kind of stage to the shop's own list."""
    last = StageKind.objects.of(shop).aggregate(last=Max("position"))["last"]
    kind = StageKind(
        shop=shop,
        key=_free_key(shop, name, category),
        position=min((-1 if last is None else last) + 1, 32767),
    )
    facts = (category, attendance, machine_kind, skill, people, hold_min, caution, on_site)
    return _stage_kind_write(kind, name, *facts)


@transaction.atomic
def stage_kind_update(
    kind: StageKind,
    *,
    name: str,
    category: Category,
    attendance: Attendance,
    machine_kind: str = "",
    skill: Skill | None = None,
    people: int = 1,
    hold_min: int | None = None,
    caution: str = "",
    on_site: bool = False,
) -> StageKind:
    """Change a kind of stage; its key, which names its trade default, stays."""
    facts = (category, attendance, machine_kind, skill, people, hold_min, caution, on_site)
    return _stage_kind_write(kind, name, *facts)


def _stage_kind_write(
    kind: StageKind,
    name: str,
    category: Category,
    attendance: Attendance,
    machine_kind: str,
    skill: Skill | None,
    people: int,
    hold_min: int | None,
    caution: str,
    on_site: bool,
) -> StageKind:
    name = " ".join(name.split())
    if not 0 < len(name) <= 80:
        raise BadInput("Give the stage a name of at most 80 characters.", field="name")
    if StageKind.objects.of(kind.shop).filter(name__iexact=name).exclude(pk=kind.pk).exists():
        raise BadInput(f"There already is a stage called {name}. Choose another name.", field="name")
    if not 1 <= people <= 4:
        raise BadInput(f"{people} people: a stage takes one to four.", field="people")
    if hold_min is not None and not 0 <= hold_min <= MOST_HOLD_MIN:
        raise BadInput("A hold lasts from nothing to a year.", field="hold_min")
    if (category == Category.HOLD) != (attendance == Attendance.NOBODY):
        raise BadInput(
            "A hold needs nobody, and a stage that needs nobody is a hold. Change one of the two.",
            field="attendance",
        )
    _check_same_clock(kind, category)
    if attendance == Attendance.START and not machine_kind:
        raise BadInput("A machine that runs on alone has a kind. Choose which.", field="machine_kind")
    kind.name, kind.category, kind.attendance = name, category, attendance
    kind.machine_kind, kind.skill, kind.people = machine_kind, skill, people
    kind.hold_min, kind.caution, kind.on_site = hold_min, caution, on_site
    kind.save()
    revision_raise(kind.shop_id)
    return kind


def _free_name(shop: Shop, name: str, this: JobType | None = None) -> str:
    name = " ".join(name.split())
    if not 0 < len(name) <= 80:
        raise BadInput("Give the job type a name of at most 80 characters.", field="name")
    taken = JobType.objects.of(shop).filter(name__iexact=name)
    if this:
        taken = taken.exclude(pk=this.pk)
    if taken.exists():
        raise BadInput(f"There already is a job type called {name}. Choose another name.", field="name")
    return name


def _check_same_clock(kind: StageKind, category: Category) -> None:
    """A hold stays one: its clock, its history and its trade default hang on that."""
    was_hold = StageKind.objects.filter(pk=kind.pk, category=Category.HOLD).exists()
    if kind.pk and was_hold != (category == Category.HOLD):
        change = "be worked at" if was_hold else "become a hold"
        raise BadInput(
            f"{kind.name} was made as a {'hold' if was_hold else 'stage that is worked at'}, and is clocked and "
            f"learned as one; it cannot {change}. Add another stage and put it into the routes instead.",
            field="category",
        )


def _free_key(shop: Shop, name: str, category: Category) -> str:
    stem = slugify(name)[:70] or "stage"
    if category == Category.HOLD:
        stem = f"{OWN_HOLD}{stem}"
    taken = set(StageKind.objects.of(shop).values_list("key", flat=True))
    return next(key for key in (stem, *(f"{stem}-{n}" for n in range(2, len(taken) + 3))) if key not in taken)
