"""What a device keeps of the shop so that the floor pages open and clock without a connection."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from django.db.models import F, Max, OuterRef, Q, Subquery
from django.urls import reverse

from jobs.models import (
    Cause,
    ClockEvent,
    Element,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    Lap,
    Stage,
    StageKind,
    StageState,
    TapKind,
)
from jobs.routes import Link, active_edges, ready_stages
from jobs.selectors.floor import BEGUN, LASTING, UNDO, can_do, people_of, union_seconds
from jobs.selectors.jobs import with_stages
from jobs.selectors.ready import ready_pack
from jobs.selectors.recipes import last_times, recipes_by_film, say_last_time, set_machines
from jobs.services.clock import OTHER_WORK
from shop.models import Machine, Person, Recipe, Shop, Unattended, User

MOST_JOBS = 400
"""Jobs in a pack: more open ones at a time are not worked at."""


def pack(shop: Shop, user: User, now: datetime, *, person: int | None = None) -> dict[str, Any]:
    """All that the floor pages show of a shop, ready for JSON; instants are ISO 8601 UTC, durations seconds.

    user: the log-in, whose last press may be taken back; person: the key of who presses, where that is said. The number
    of queries does not grow with the shop.
    """
    jobs = _open_jobs(shop)
    machines = list(Machine.objects.of(shop).filter(active=True).prefetch_related("processes"))
    causes = list(Cause.objects.of(shop))
    known = _Known(machines, _last_used(shop), _clocked(shop, jobs), _laps(shop, jobs), now)
    recipes = recipes_by_film(shop, (job.media_id for job in jobs))
    return {
        "shop": {"id": shop.pk, "name": shop.name, "time_zone": shop.time_zone, "revision": shop.revision},
        "now": iso(now),
        "user": {"id": user.pk, "name": user.get_username()},
        "person": person,
        "people": [{"id": one.pk, "name": one.name} for one in people_of(shop)],
        "machines": [_machine(one) for one in machines],
        "causes": [_cause(cause) for cause in causes if cause.active],
        "other_work": next((cause.pk for cause in causes if cause.key == OTHER_WORK), None),
        "kinds": _kinds(shop),
        "jobs": [
            {**_job(job, known), "last_times": _last_times(shop, job, machines, recipes)} for job in jobs
        ],
        "ready": ready_pack(shop, now),
        "last_press": _last_press(shop, user, now),
    }


def _last_times(
    shop: Shop, job: Job, machines: Sequence[Machine], recipes: Mapping[int, Sequence[Recipe]]
) -> list[dict[str, Any]]:
    """What the job's machines were set to for its film the last time; recipe: None for a machine with none."""
    if job.media_id is None:
        return []
    settable = set_machines(job, machines)
    found = last_times(job, settable, recipes)
    said: list[dict[str, Any]] = [
        {
            "machine": one.machine.pk,
            "recipe": one.recipe.pk,
            "words": say_last_time(one.recipe, shop),
            "note": one.recipe.note,
            "ink": one.ink_build.label.lower(),
            "other_ink": "" if one.exact else one.recipe.get_ink_build_display().lower(),
        }
        for one in found
    ]
    known = {one.machine.pk for one in found}
    without = [one for one in settable if one.pk not in known]
    return said + [
        {"machine": one.pk, "recipe": None, "words": "", "note": "", "ink": "", "other_ink": ""}
        for one in without
    ]


def presser(people: Sequence[Person], user: User, chosen: int | None) -> Person | None:
    """Who presses: the one chosen on this device, else the person of the log-in, else the only one there is."""
    by_key = {one.pk: one for one in people}
    if chosen in by_key:
        return by_key[chosen]
    own = next((one for one in people if one.user_id == user.pk), None)
    return own or (people[0] if len(people) == 1 else None)


def iso(instant: datetime | None) -> str | None:
    """An aware instant as ISO 8601 in UTC; None stays None."""
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z") if instant else None


@dataclass
class _Clocked:
    """What the intervals say of one stage. Spans and `since`: of somebody or its machine at it, or of lying."""

    spans: list[tuple[datetime, datetime]] = field(default_factory=list)
    since: datetime | None = None
    people: list[int] = field(default_factory=list)
    machine: int | None = None
    last_machine: int | None = None
    cause: int | None = None
    paused_since: datetime | None = None

    @property
    def alone(self) -> bool:
        """Whether its machine runs with nobody beside it."""
        return self.machine is not None and not self.people

    def seconds_until(self, at: datetime) -> float:
        """Seconds that the stage had gone on for by then."""
        lasting = [(self.since, at)] if self.since else []
        return union_seconds([*self.spans, *lasting], at)


@dataclass(frozen=True)
class _Known:
    """What every job of a pack is said with. last_used: by the keys of a stage's kind and a machine."""

    machines: Sequence[Machine]
    last_used: Mapping[tuple[int, int], datetime]
    clocked: Mapping[int, _Clocked]
    laps: Mapping[int, Sequence[Lap]]
    now: datetime


def _open_jobs(shop: Shop) -> list[Job]:
    """The promised and begun jobs with their stages, those clocked last first, then by due date; `last_at` on each.

    And a cancelled one at which somebody still is, as on a device that had not heard of it: it must be stopped.
    """
    events = ClockEvent.objects.filter(stage__job=OuterRef("pk")).order_by("-at").values("at")[:1]
    runs = Stage.objects.of(shop).filter(state=StageState.RUNNING, left_out=False).order_by().values("job")
    open_ones = Q(status__in=(JobStatus.IN_HAND, JobStatus.PROMISED))
    jobs = Job.objects.of(shop).filter(open_ones | Q(status=JobStatus.CANCELLED, pk__in=runs))
    jobs = jobs.annotate(last_at=Subquery(events)).order_by(
        F("last_at").desc(nulls_last=True), F("due_at").asc(nulls_last=True), "-number"
    )
    return list(with_stages(jobs).prefetch_related("items")[:MOST_JOBS])


def _clocked(shop: Shop, jobs: Iterable[Job]) -> dict[int, _Clocked]:
    rows = (
        Interval.objects.of(shop).filter(stage__job__in=[job.pk for job in jobs]).order_by("starts_at", "pk")
    )
    found: dict[int, _Clocked] = defaultdict(_Clocked)
    names = ("stage_id", "kind", "starts_at", "ends_at", "person_id", "machine_id", "cause_id")
    for stage, kind, starts, ends, person, machine, cause in rows.values_list(*names):
        said = found[stage]
        said.last_machine = machine or said.last_machine
        if kind in LASTING and ends is not None:
            said.spans.append((starts, ends))
        elif kind in LASTING:
            said.since = said.since or starts
            said.people += [person] if person else []
            said.machine = machine or said.machine
        elif kind == IntervalKind.INTERRUPTION and ends is None:
            said.cause, said.paused_since = cause, starts
    return found


def _laps(shop: Shop, jobs: Iterable[Job]) -> dict[int, list[Lap]]:
    """Each stage's laps in order."""
    found: dict[int, list[Lap]] = defaultdict(list)
    for lap in Lap.objects.of(shop).filter(stage__job__in=[job.pk for job in jobs]).order_by("ends_at", "pk"):
        found[lap.stage_id].append(lap)
    return found


def _last_used(shop: Shop) -> dict[tuple[int, int], datetime]:
    """When each machine was last begun to be used for each kind of stage."""
    used = Interval.objects.of(shop).filter(machine__isnull=False).order_by()
    rows = used.values_list("stage__kind", "machine").annotate(last=Max("starts_at"))
    return {(kind, machine): last for kind, machine, last in rows if machine is not None}


def _machine(machine: Machine) -> dict[str, Any]:
    return {
        "id": machine.pk,
        "name": machine.name,
        "kind": machine.kind,
        "alone": machine.unattended != Unattended.NO,
        "capacity": machine.capacity,
    }


def _cause(cause: Cause) -> dict[str, Any]:
    return {"id": cause.pk, "name": cause.name, "pauses": cause.pauses, "remakes": cause.remakes}


def _kinds(shop: Shop) -> dict[str, dict[str, Any]]:
    elements: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for one in Element.objects.of(shop).filter(active=True):
        elements[one.kind_id].append({"id": one.pk, "name": one.name})
    return {
        str(kind.pk): {
            "name": kind.name,
            "hold": kind.is_hold,
            "start_only": kind.attendance == "start",
            "caution": kind.caution,
            "position": kind.position,
            "elements": elements[kind.pk],
        }
        for kind in StageKind.objects.of(shop)
    }


def _job(job: Job, known: _Known) -> dict[str, Any]:
    every = list(job.stages.all())
    edges = [edge for stage in every for edge in stage.out_edges.all()]
    links = active_edges(every, edges)
    alone = {stage.pk for stage in every if known.clocked.get(stage.pk, _Clocked()).alone}
    ready = set(ready_stages(every, edges, known.now, alone))
    done = {stage.pk for stage in every if stage.finished_at is not None and stage.finished_at <= known.now}
    return {
        "number": job.number,
        "title": job.title,
        "customer": job.customer.name if job.customer else "",
        "type": job.job_type.name,
        "due_at": iso(job.due_at),
        "status": job.status,
        "url": reverse("jobs:stopwatch", args=[job.number]),
        "last_at": iso(job.last_at),  # type: ignore[attr-defined] # annotated by _open_jobs
        "stages": [
            {
                **_stage(job, stage, known),
                "ready": stage.pk in ready,
                "waits_for": [
                    k.before_id for k in links if k.after_id == stage.pk and k.before_id not in done
                ],
            }
            for stage in every
            if not stage.left_out
        ],
        "edges": [_edge(link) for link in links],
    }


def _edge(link: Link) -> dict[str, Any]:
    return {"before": link.before_id, "after": link.after_id, "kind": link.kind, "lag_min": link.lag_min}


def _stage(job: Job, stage: Stage, known: _Known) -> dict[str, Any]:
    said = known.clocked.get(stage.pk, _Clocked())
    kind = stage.kind.machine_kind
    able = [one.pk for one in known.machines if kind and can_do(one, kind, job.process_id)]
    ends = stage.finished_at
    return {
        "id": stage.pk,
        "kind": stage.kind_id,
        "name": stage.name,
        "position": stage.position,
        "state": stage.state,
        "machines": able,
        "machine": said.machine or _offered(stage, able, known.last_used),
        "seconds": union_seconds(said.spans, said.since),
        "since": iso(said.since),
        "people": said.people,
        "on": said.machine,
        "last_on": said.last_machine,
        "cause": said.cause,
        "paused_since": iso(said.paused_since),
        "hold_min": stage.hold_min,
        "lies_until": iso(ends) if ends and ends > known.now else None,
        "started_at": iso(stage.started_at),
        "finished_at": iso(ends),
        **_lapped(stage, said, known.laps.get(stage.pk, ())),
    }


def _lapped(stage: Stage, said: _Clocked, laps: Sequence[Lap]) -> dict[str, Any]:
    """The stage's laps so far, and from when and from which of its seconds the one counts that runs."""
    last = laps[-1] if laps else None
    begins = (last.ends_at if last else stage.started_at) if stage.state in BEGUN else None
    return {
        "laps": len(laps),
        "lap_from": iso(begins),
        "lap_base": said.seconds_until(begins) if begins else None,
        "last_lap": {"element": last.element_id, "seconds": last.seconds} if last else None,
    }


def _offered(stage: Stage, able: Sequence[int], used: Mapping[tuple[int, int], datetime]) -> int | None:
    """The only machine, else the one last used for this kind of stage, else the first."""
    of_kind = {used[stage.kind_id, key]: key for key in reversed(able) if (stage.kind_id, key) in used}
    return of_kind[max(of_kind)] if of_kind else next(iter(able), None)


def _last_press(shop: Shop, user: User, now: datetime) -> dict[str, Any] | None:
    """The log-in's last press while it may be taken back, if it was not already."""
    events = ClockEvent.objects.of(shop).filter(recorded_by=user, received_at__gt=now - UNDO, correction=None)
    last = events.order_by("-received_at", "-at").first()
    if last is None or last.kind == TapKind.VOID:
        return None
    return {
        "id": str(last.pk),
        "kind": last.kind,
        "stage": last.stage_id,
        "to_stage": last.to_stage_id,
        "at": iso(last.at),
        "seconds_left": max(0.0, (last.received_at + UNDO - now).total_seconds()),
    }
