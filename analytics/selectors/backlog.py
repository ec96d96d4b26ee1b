"""The shop's open work as it stands, for the promise: who, which machines, what is left of each job."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from django.db.models import Prefetch, Q

from analytics.engine.book import Book, BookedJob
from analytics.engine.forecast import PROBS, Forecast
from analytics.engine.hours import to_minutes
from analytics.engine.minutes import Span, measure
from analytics.engine.network import EdgeKind
from analytics.engine.plan import (
    MachineSpec,
    MinutesSpec,
    PersonSpec,
    RunningSpec,
    ShopSpec,
    StageSpec,
    able_machines,
    edges_between,
    plan,
)
from analytics.engine.totals import total
from analytics.engine.trade import PARTS, Part, defaults_for
from analytics.selectors.models import Learned, learned
from jobs.drivers import categories_of, drivers_of
from jobs.models import Attendance, Interval, IntervalKind, Job, JobStatus, Stage, StageKind, StageState
from jobs.routes import Link, active_edges
from shop.models import Machine, MachineKind, Person, Shop
from shop.selectors import absent_days, closed_days, opening_hours

DAYS = 800
"""How far the calendars reach; a backlog longer than that is told so."""

OPEN = (JobStatus.PROMISED, JobStatus.IN_HAND)


@dataclass(frozen=True)
class Clocked:
    """What the clock has of a begun stage at an instant: minutes so far, and who and what is at it now."""

    hands_on: float
    unattended: float
    people: tuple[int, ...]
    machine: int | None


@dataclass(frozen=True)
class PartForecast:
    """The law of one part of one stage, and whether it takes any time at all."""

    forecast: Forecast
    part: Part


def book_of(shop: Shop, target: Job, now: datetime, known: Learned | None = None) -> Book:
    """The promise's input for a job, at `now` (aware): it, and all promised and begun jobs before it.

    Raises:
        CannotPlan: a stage needs a machine or a skill that the shop does not have.
        NeverOpen: the shop has no opening hours.

    """
    known = known or learned(shop)
    spec = shop_spec(shop, now)
    jobs = open_jobs(shop, target)
    clock = _clocked(shop, now)
    stages: list[StageSpec] = []
    arrows: list[tuple[int, int, EdgeKind, float]] = []
    for index, job in enumerate(jobs):
        mine, links = _left(job, index, now, clock, known, spec)
        stages += mine
        arrows += [(k.before_id, k.after_id, _edge_kind(k), float(k.lag_min)) for k in links]
    booked = tuple(BookedJob(job.number, str(job), _due(job, now, target)) for job in jobs)
    at = next(i for i, job in enumerate(jobs) if job.pk == target.pk)
    edges = edges_between([stage.key for stage in stages], arrows)
    return Book(now, plan(spec, stages, DAYS), edges, booked, at)


def shop_spec(shop: Shop, now: datetime) -> ShopSpec:
    """The shop's hours, people and machines from `now` on."""
    start = shop.local(now).date() - timedelta(days=1)
    end = start + timedelta(days=DAYS + 2)
    absent = absent_days(shop, start, end)
    people = Person.objects.of(shop).filter(active=True).prefetch_related("skills")
    machines = Machine.objects.of(shop).filter(active=True).prefetch_related("processes")
    return ShopSpec(
        now,
        shop.time_zone,
        opening_hours(shop),
        frozenset(closed_days(shop, start, end)),
        tuple(
            PersonSpec(p.pk, p.name, frozenset(s.pk for s in p.skills.all()), frozenset(absent.get(p.pk, ())))
            for p in people
        ),
        tuple(
            MachineSpec(
                m.pk,
                m.name,
                frozenset(MachineKind(m.kind).does),
                frozenset(process.pk for process in m.processes.all()),
                m.capacity,
                m.unattended,  # type: ignore[arg-type]
            )
            for m in machines
        ),
    )


def open_jobs(shop: Shop, target: Job) -> list[Job]:
    """The promised and begun jobs and the one asked about, with all that a promise reads, by number."""
    stages = Stage.objects.select_related("kind__skill").prefetch_related("out_edges")
    jobs = Job.objects.of(shop).filter(Q(status__in=OPEN) | Q(pk=target.pk)).select_related("job_type")
    return list(jobs.prefetch_related("items", Prefetch("stages", stages)).order_by("number"))


def stage_forecasts(job: Job, stage: Stage, known: Learned, machine: str = "") -> list[PartForecast]:
    """The laws of a stage's parts; those that the stage does not have are left out."""
    drivers = drivers_of(job.items.all(), job.drivers, stage.drivers)
    categories = {"job_type": job.job_type.name, **categories_of(job.drivers, stage.drivers)}
    if machine:
        categories["machine"] = machine
    return [
        PartForecast(known.forecast(stage.kind.key, part, drivers, categories), part)
        for part in PARTS
        if _has_part(stage.kind, part, known)
    ]


def _has_part(kind: StageKind, part: Part, known: Learned) -> bool:
    if kind.attendance == Attendance.NOBODY:
        return part == "unattended"
    if part == "hands_on":
        return True
    usual = kind.attendance == Attendance.START and defaults_for(kind.key, part).usual
    return usual or known.state(kind.key, part).n > 0


def _left(
    job: Job, index: int, now: datetime, clock: Mapping[int, Clocked], known: Learned, spec: ShopSpec
) -> tuple[list[StageSpec], list[Link]]:
    """What is left of a job, and the arrows among its kept stages."""
    every = list(job.stages.all())
    links = active_edges(every, [edge for stage in every for edge in stage.out_edges.all()])
    kept = {stage.pk: stage for stage in every if not stage.left_out}
    ends: dict[int, datetime] = {pk: s.finished_at for pk, s in kept.items() if s.finished_at is not None}
    held = _holds_begun(kept, links, ends)
    done = {pk for pk in kept if pk in ends} | {pk for pk, end in held.items() if end <= now}
    ends = {**held, **ends}
    left = []
    for pk, stage in kept.items():
        if pk in done:
            continue
        mine = _stage_spec(job, stage, index, clock.get(pk), known, spec)
        if pk in held:  # a hold that has begun ends at a known instant
            mine = replace(mine, unattended=_fixed(0.0))
        ready = _ready_at(job, pk, links, ends, done, now, held.get(pk))
        left.append(replace(mine, ready_at=ready))
    return left, [k for k in links if k.before_id not in done]


def _holds_begun(
    kept: Mapping[int, Stage], links: Sequence[Link], ends: Mapping[int, datetime]
) -> dict[int, datetime]:
    """The ends of holds of fixed length whose earlier stages are all finished."""
    held: dict[int, datetime] = {}
    for pk, stage in kept.items():
        before = [k.before_id for k in links if k.after_id == pk]
        if stage.kind.is_hold and stage.hold_min and pk not in ends and before and set(before) <= ends.keys():
            held[pk] = max(ends[b] for b in before) + timedelta(minutes=stage.hold_min)
    return held


def _ready_at(
    job: Job,
    pk: int,
    links: Sequence[Link],
    ends: Mapping[int, datetime],
    done: Collection[int],
    now: datetime,
    hold_end: datetime | None,
) -> float:
    """Minutes from now before which a stage may not begin."""
    moments = [
        ends[k.before_id] + timedelta(minutes=k.lag_min)
        for k in links
        if k.after_id == pk and k.before_id in done and k.before_id in ends
    ]
    moments += [moment for moment in (job.ready_from, hold_end) if moment is not None]
    return max((to_minutes(now, moment) for moment in moments), default=0.0)


def _stage_spec(
    job: Job, stage: Stage, index: int, clocked: Clocked | None, known: Learned, spec: ShopSpec
) -> StageSpec:
    kind = stage.kind
    hold = kind.attendance == Attendance.NOBODY
    base = StageSpec(
        key=stage.pk,
        job=index,
        kind=kind.pk,
        name=f"{stage.name} of job {job.number}",
        machine_kind=kind.machine_kind,
        machine=stage.machine_id,
        process=job.process_id,
        skill=None if hold else kind.skill_id,
        skill_name=kind.skill.name if kind.skill else "",
        people=0 if hold else kind.people,
    )
    if hold and stage.hold_min:
        return replace(base, unattended=_fixed(float(stage.hold_min)))
    able = able_machines(spec, base) if base.machine_kind or base.machine is not None else []
    if base.machine is not None and not able:  # the machine it was set down for is no longer there
        base = replace(base, machine=None)
        able = able_machines(spec, base)
    if clocked is not None and clocked.machine is not None:
        base = replace(base, machine=clocked.machine)
    laws = stage_forecasts(job, stage, known, able[0].name if len(able) == 1 else "")
    return _with_laws(
        base, laws, clocked, stage.state == StageState.RUNNING, any(m.alone != "no" for m in able)
    )


def _with_laws(
    base: StageSpec, laws: Sequence[PartForecast], clocked: Clocked | None, runs: bool, alone: bool
) -> StageSpec:
    """The stage with the laws of what is left of it. alone: whether some machine for it may run by itself."""
    parts = {law.part: law.forecast for law in laws}
    hands_on, unattended = parts.get("hands_on"), parts.get("unattended")
    past = clocked or Clocked(0.0, 0.0, (), None)
    if hands_on is not None and unattended is not None and base.machine_kind and not alone:
        both = total([hands_on, unattended], np.array([[1.0, 0.2], [0.2, 1.0]]), np.random.default_rng(0))
        hands_on, unattended = both, None
        past = replace(past, hands_on=past.hands_on + past.unattended)
    if past.unattended > 0 and unattended is not None and not past.people:
        hands_on = None  # it was started and left: only the machine's run is to come
    running = RunningSpec(past.people if hands_on is not None else (), past.machine)
    return replace(
        base,
        hands_on=_minutes(hands_on, past.hands_on),
        unattended=_minutes(unattended, past.unattended),
        running=running if runs and (running.people or running.machine is not None) else None,
    )


def _minutes(forecast: Forecast | None, elapsed: float) -> MinutesSpec | None:
    return MinutesSpec(forecast.minutes, elapsed, forecast.kind_share) if forecast is not None else None


def _fixed(minutes: float) -> MinutesSpec:
    return MinutesSpec(np.full(PROBS.size, minutes))


def _edge_kind(link: Link) -> EdgeKind:
    return EdgeKind.ATTENDED_TO_START if link.kind == "attended" else EdgeKind.FINISH_TO_START


def _due(job: Job, now: datetime, target: Job) -> float | None:
    return to_minutes(now, job.due_at) if job.due_at is not None and job.pk != target.pk else None


def _clocked(shop: Shop, now: datetime) -> dict[int, Clocked]:
    """What the clock has of every stage that is begun and not finished."""
    rows = Interval.objects.of(shop).filter(
        stage__state__in=(StageState.RUNNING, StageState.PAUSED, StageState.PUT_ASIDE),
        kind__in=(IntervalKind.HANDS_ON, IntervalKind.MACHINE),
        starts_at__lt=now,
    )
    spans: dict[int, list[Span]] = defaultdict(list)
    here: dict[int, list[Interval]] = defaultdict(list)
    for row in rows:
        by_hand = row.kind == IntervalKind.HANDS_ON
        who = row.person_id if by_hand else row.machine_id
        spans[row.stage_id].append(
            Span(_microseconds(row.starts_at), _microseconds(row.ends_at or now), by_hand, who)
        )
        if row.ends_at is None:
            here[row.stage_id].append(row)
    found = {}
    for stage, mine in spans.items():
        minutes = measure(mine)
        people = tuple(sorted({row.person_id for row in here[stage] if row.person_id is not None}))
        machine = next((row.machine_id for row in here[stage] if row.machine_id is not None), None)
        found[stage] = Clocked(minutes.hands_on, minutes.unattended, people, machine)
    return found


def _microseconds(instant: datetime) -> int:
    return round(instant.timestamp() * 1_000_000)
