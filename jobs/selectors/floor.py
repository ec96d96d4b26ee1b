"""What the floor pages show: what runs, for how long, by whom and on what; and what can be pressed next."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import Max, Q

from jobs.models import (
    Attendance,
    Cause,
    ClockEvent,
    Element,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    Stage,
    StageState,
    TapKind,
)
from jobs.routes import ATTENDED, Link, active_edges, descendants, ready_stages
from jobs.selectors.jobs import job_search, stages_alone, with_stages
from shop.models import Machine, MachineKind, Person, Shop, Unattended, User

UNDO = timedelta(seconds=10)
"""How long the last press is offered to be taken back."""

LASTING = (IntervalKind.HANDS_ON, IntervalKind.MACHINE, IntervalKind.HOLD)
"""What makes a stage's time go on: somebody at it, its machine, or lying, where it is a hold."""

BEGUN = (StageState.RUNNING, StageState.PAUSED, StageState.PUT_ASIDE)
TO_START = 12
FOLLOWING = 4


@dataclass
class Watch:
    """A begun stage: minutes so far of somebody or its machine at it, and since when it is as it is now.

    base_seconds: of intervals that have ended; since: of the one that lasts (None: nothing runs).
    """

    stage: Stage
    base_seconds: float = 0.0
    since: datetime | None = None
    people: list[Person] = field(default_factory=list)
    machine: Machine | None = None
    cause: Cause | None = None
    paused_since: datetime | None = None

    @property
    def since_ms(self) -> int | None:
        """`since` in milliseconds since 1970."""
        return round(self.since.timestamp() * 1000) if self.since else None

    @property
    def alone(self) -> bool:
        """Whether its machine runs with nobody beside it."""
        return self.machine is not None and not self.people


def watches(shop: Shop, job: Job | None = None) -> list[Watch]:
    """The begun stages of one job, or of a shop but for a cancelled job's at rest; running first, the latest first."""
    stages = (
        Stage.objects.of(shop).filter(state__in=BEGUN, left_out=False).select_related("kind", "job__customer")
    )
    rests = Q(job__status=JobStatus.CANCELLED) & ~Q(state=StageState.RUNNING)
    stages = stages.exclude(rests) if job is None else stages.filter(job=job)
    found = {stage.pk: Watch(stage) for stage in stages}
    spans: dict[int, list[tuple[datetime, datetime]]] = defaultdict(list)
    rows = (
        Interval.objects.of(shop).filter(stage__in=list(found)).select_related("person", "machine", "cause")
    )
    for row in rows:
        watch = found[row.stage_id]
        if row.kind in LASTING:
            if row.ends_at is not None:
                spans[row.stage_id].append((row.starts_at, row.ends_at))
                continue
            watch.since = min(watch.since or row.starts_at, row.starts_at)
            if row.person:
                watch.people.append(row.person)
            watch.machine = row.machine or watch.machine
        elif row.kind == IntervalKind.INTERRUPTION and row.ends_at is None:
            watch.cause, watch.paused_since = row.cause, row.starts_at
    for key, watch in found.items():
        watch.base_seconds = union_seconds(spans[key], watch.since)
    return sorted(found.values(), key=_order)


def _order(watch: Watch) -> tuple[int, float, int]:
    began = watch.since or watch.paused_since or watch.stage.started_at
    return BEGUN.index(StageState(watch.stage.state)), -(began.timestamp() if began else 0), watch.stage.pk


def union_seconds(spans: Sequence[tuple[datetime, datetime]], until: datetime | None) -> float:
    """Seconds covered by the spans, as far as they lie before `until`."""
    total, reached = 0.0, None
    for start, end in sorted(spans):
        start = max(start, reached) if reached else start
        end = min(end, until) if until else end
        if end > start:
            total += (end - start).total_seconds()
            reached = end
    return total


@dataclass(frozen=True)
class FloorStage:
    """A stage of the stopwatch's list."""

    stage: Stage
    ready: bool
    waits_for: list[str]
    watch: Watch | None
    seconds: float
    lies_until: datetime | None


@dataclass(frozen=True)
class Following:
    """A stage that may come next, and the machine to offer for it."""

    stage: Stage
    machine: Machine | None

    @property
    def note(self) -> str:
        """What a press of it does besides."""
        return f"finishes this one, then {self.machine}" if self.machine else "finishes this one"


@dataclass(frozen=True)
class Stopwatch:
    """All that one job's stopwatch shows. chosen: the stage in hand, or the one to start; None when all is done."""

    job: Job
    stages: list[FloorStage]
    chosen: FloorStage | None
    following: list[Following]
    machines: list[Machine]
    machine: Machine | None
    causes: list[Cause]
    person: Person | None
    beside: list[Following]
    elements: list[Element]
    laps: int
    remakes: list[Cause]
    again_from: list[Stage]

    @property
    def state(self) -> str:
        """The chosen stage's state; 'alone' where it runs without the one who presses."""
        if self.chosen is None:
            return ""
        watch = self.chosen.watch
        mine = watch is None or self.person is None or self.person in watch.people
        here = mine or self.chosen.stage.kind.is_hold
        return (
            "alone" if self.chosen.stage.state == StageState.RUNNING and not here else self.chosen.stage.state
        )

    @property
    def others(self) -> list[Person]:
        """Who else is at the chosen stage."""
        watch = self.chosen.watch if self.chosen else None
        return [one for one in watch.people if one != self.person] if watch else []

    @property
    def can_leave(self) -> bool:
        """Whether it goes on when the one who presses leaves: others are at it, or its machine may run alone."""
        if self.chosen is None:
            return False
        start_only = self.chosen.stage.kind.attendance == Attendance.START
        runs_alone = self.machine is not None and self.machine.unattended != Unattended.NO
        return bool(self.others) or (start_only and runs_alone)

    @property
    def other_machines(self) -> list[Machine]:
        """The machines that the chosen stage could go on with."""
        return [one for one in self.machines if one != self.machine]


def stopwatch(
    shop: Shop,
    number: int,
    now: datetime,
    *,
    person: Person | None = None,
    asked: int | None = None,
) -> Stopwatch:
    """One job's stopwatch. person: who presses; asked: the key of the stage to show. Raises Job.DoesNotExist."""
    job = with_stages(Job.objects.of(shop)).get(number=number)
    rows, links = _rows(shop, job, now)
    chosen = _chosen(rows, asked, person)
    machines = able_machines(shop, job, chosen.stage) if chosen else []
    running = chosen.watch.machine if chosen and chosen.watch else None
    machine = running or (_machine(shop, chosen.stage, machines) if chosen else None)
    causes = list(Cause.objects.of(shop).filter(active=True))

    def offered(stages: Sequence[Stage]) -> list[Following]:
        return [Following(one, _machine(shop, one, able_machines(shop, job, one))) for one in stages]

    return Stopwatch(
        job=job,
        stages=rows,
        chosen=chosen,
        following=offered(_following(rows, links, chosen, now)[:FOLLOWING]),
        machines=machines,
        machine=machine,
        causes=[cause for cause in causes if cause.pauses],
        person=person,
        beside=offered(_beside(rows, links, chosen, machine)[:FOLLOWING]),
        elements=list(chosen.stage.kind.elements.filter(active=True)) if chosen else [],
        laps=chosen.stage.laps.count() if chosen else 0,
        remakes=[cause for cause in causes if cause.remakes],
        again_from=_again_from(rows, links, chosen),
    )


def _rows(shop: Shop, job: Job, now: datetime) -> tuple[list[FloorStage], list[Link]]:
    """The stages of a job that are not left out, as the stopwatch lists them, and their arrows."""
    every = list(job.stages.all())
    edges = [edge for stage in every for edge in stage.out_edges.all()]
    ready = set(ready_stages(every, edges, now, stages_alone(job)))
    links = active_edges(every, edges)
    begun = {watch.stage.pk: watch for watch in watches(shop, job)}
    seconds = _done_seconds(shop, job)
    names = {stage.pk: stage.name for stage in every}
    done = {s.pk for s in every if s.finished_at is not None and s.finished_at <= now}
    rows = [
        FloorStage(
            stage,
            stage.pk in ready,
            [names[k.before_id] for k in links if k.after_id == stage.pk and k.before_id not in done],
            begun.get(stage.pk),
            seconds.get(stage.pk, 0.0),
            stage.finished_at if stage.finished_at and stage.finished_at > now else None,
        )
        for stage in every
        if not stage.left_out
    ]
    return rows, links


def _chosen(rows: Sequence[FloorStage], asked: int | None, person: Person | None) -> FloorStage | None:
    """The stage asked for, else the person's, else one with somebody at it, else a begun one, else the first ready."""
    by_key = {row.stage.pk: row for row in rows}
    if asked in by_key:
        return by_key[asked]
    mine = [row for row in rows if row.watch and person in row.watch.people]
    running = [row for row in rows if row.watch and row.watch.people]
    alone = [row for row in rows if row.watch and row.watch.stage.state == StageState.RUNNING]
    begun = [row for row in rows if row.watch]
    ready = [row for row in rows if row.ready and not row.stage.kind.is_hold]
    rest = [row for row in begun if row not in alone]
    for some in (mine, running, rest, alone, ready, [row for row in rows if row.ready]):
        if some:
            return some[0]
    return next((row for row in rows if row.stage.state != StageState.FINISHED), None)


def _following(
    rows: Sequence[FloorStage], links: Sequence[Link], chosen: FloorStage | None, now: datetime
) -> list[Stage]:
    """The stages that may begin once the chosen one is finished, those behind it first; holds need no press."""
    if chosen is None:
        return []
    own = chosen.stage.pk
    done = {r.stage.pk for r in rows if r.stage.finished_at is not None and r.stage.finished_at <= now} | {
        own
    }
    behind = {k.after_id for k in links if k.before_id == own}
    found = []
    for row in rows:
        key = row.stage.pk
        waits = any(k.after_id == key and k.before_id not in done for k in links)
        lags = any(k.after_id == key and k.before_id == own and k.lag_min for k in links)
        idle = key != own and row.stage.state == StageState.WAITING and not row.stage.kind.is_hold
        if idle and not waits and not lags:
            found.append(row.stage)
    return sorted(found, key=lambda stage: stage.pk not in behind)


def _beside(
    rows: Sequence[FloorStage], links: Sequence[Link], chosen: FloorStage | None, machine: Machine | None
) -> list[Stage]:
    """The stages that may be begun while the chosen one runs on by itself on its machine."""
    if chosen is None or chosen.stage.state != StageState.RUNNING or machine is None:
        return []
    own = chosen.stage
    if own.kind.attendance != Attendance.START or machine.unattended == Unattended.NO:
        return []
    attended = {k.after_id for k in links if k.before_id == own.pk and k.kind == ATTENDED}
    return [
        row.stage
        for row in rows
        if row.stage != own
        and row.stage.state == StageState.WAITING
        and not row.stage.kind.is_hold
        and (row.ready or (row.stage.pk in attended and row.waits_for == [own.name]))
    ]


def _again_from(rows: Sequence[FloorStage], links: Sequence[Link], chosen: FloorStage | None) -> list[Stage]:
    """The stages from which the work could be done again: the chosen one first, then what led to it."""
    if chosen is None or chosen.stage.state == StageState.WAITING or chosen.stage.kind.is_hold:
        return []
    led = {row.stage.pk for row in rows if chosen.stage.pk in descendants(row.stage.pk, links)}
    found = [row.stage for row in rows if row.stage.pk in led and row.stage.state != StageState.WAITING]
    return [chosen.stage, *(stage for stage in reversed(found) if not stage.kind.is_hold)]


def able_machines(shop: Shop, job: Job, stage: Stage) -> list[Machine]:
    """The machines that can do a stage of a job."""
    if not stage.kind.machine_kind:
        return []
    machines = Machine.objects.of(shop).filter(active=True).prefetch_related("processes")
    return [machine for machine in machines if can_do(machine, stage.kind.machine_kind, job.process_id)]


def can_do(machine: Machine, kind: str, process: int | None) -> bool:
    """Whether a machine stands in for this kind of machine, and where it prints, prints by this process."""
    own = {one.pk for one in machine.processes.all()}
    prints = kind == MachineKind.PRINTER
    return kind in MachineKind(machine.kind).does and (not prints or not own or process in own)


def _machine(shop: Shop, stage: Stage, machines: Sequence[Machine]) -> Machine | None:
    """The machine to offer: the only one, else the stage's own last, else the last used for this kind of stage."""
    if len(machines) < 2:
        return machines[0] if machines else None
    used = Interval.objects.of(shop).filter(machine__in=machines).order_by("-starts_at")
    for some in (used.filter(stage=stage), used.filter(stage__kind=stage.kind)):
        last = some.values_list("machine", flat=True).first()
        if last is not None:
            return next(machine for machine in machines if machine.pk == last)
    return machines[0]


def last_press(shop: Shop, user: User, now: datetime) -> ClockEvent | None:
    """The log-in's last press while it may be taken back, if it was not already."""
    events = ClockEvent.objects.of(shop).filter(recorded_by=user, received_at__gt=now - UNDO, correction=None)
    events = events.select_related("stage__job", "to_stage")
    last = events.order_by("-received_at", "-at").first()
    if last is None or last.kind == TapKind.VOID:
        return None
    return last


def event_of(shop: Shop, key: UUID) -> ClockEvent | None:
    """The event of this id in this shop."""
    return ClockEvent.objects.of(shop).filter(pk=key).first()


def _done_seconds(shop: Shop, job: Job) -> dict[int, float]:
    spans: dict[int, list[tuple[datetime, datetime]]] = defaultdict(list)
    rows = Interval.objects.of(shop).filter(stage__job=job, kind__in=LASTING, ends_at__isnull=False)
    for row in rows:
        if row.ends_at:
            spans[row.stage_id].append((row.starts_at, row.ends_at))
    return {stage: union_seconds(mine, None) for stage, mine in spans.items()}


def lead(
    shop: Shop, jobs: Sequence[Job], running: Sequence[Watch], now: datetime, person: Person | None
) -> Stopwatch | None:
    """The stopwatch most likely wanted: of the stage that the person is at, else of the job clocked last."""
    mine = next((watch.stage for watch in running if person in watch.people), None)
    if mine is not None:
        return stopwatch(shop, mine.job.number, now, person=person, asked=mine.pk)
    for job in jobs[:3]:  # the first of which one can be gone on with
        found = stopwatch(shop, job.number, now, person=person)
        row = found.chosen
        if row and not row.lies_until and (row.ready or row.stage.state != StageState.WAITING):
            return found
    return None


def jobs_to_start(shop: Shop, q: str = "") -> list[Job]:
    """The promised and begun jobs, those clocked last first, then by due date; with a search also enquiries."""
    jobs = job_search(shop, q=q)
    if not q:
        jobs = jobs.filter(status__in=(JobStatus.IN_HAND, JobStatus.PROMISED))
    found = list(with_stages(jobs)[:200])
    clocked = ClockEvent.objects.of(shop).filter(stage__job__in=[job.pk for job in found]).order_by()
    last = dict(clocked.values_list("stage__job").annotate(Max("at")))
    found.sort(key=lambda job: -last[job.pk].timestamp() if job.pk in last else 0)
    return found[:TO_START]


def people_of(shop: Shop) -> list[Person]:
    """The people who can be at a stage."""
    return list(Person.objects.of(shop).filter(active=True))
