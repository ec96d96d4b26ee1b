"""Invented shops and presses at random, and the pack that the fold of some presses makes: for the device's own fold."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from jobs.clock import Event, Facts, Folded, HoldFact, Span, StageFold, fold
from jobs.routes import Link, ready_stages
from jobs.selectors.floor import LASTING, union_seconds

START = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
PEOPLE, MACHINES, OTHER_WORK = (1, 2, 3), (11, 12, 13), 21
ALONE = frozenset({11, 12})
CAUSES = (21, 22, 23)
BEGUN = ("running", "paused", "put_aside")


@dataclass(frozen=True)
class WorldStage:
    """A stage: hold and its minutes, or whether it needs somebody only at its start."""

    pk: int
    job: int
    hold: bool
    minutes: int | None
    start_only: bool


@dataclass(frozen=True)
class World:
    """A few jobs with their routes."""

    stages: list[WorldStage]
    links: list[Link]
    facts: Facts = field(init=False)

    def __post_init__(self) -> None:
        """Derive what the fold must know."""
        before = {s.pk: tuple(k.before_id for k in self.links if k.after_id == s.pk) for s in self.stages}
        after = {s.pk: tuple(k.after_id for k in self.links if k.before_id == s.pk) for s in self.stages}
        facts = Facts(
            start_only=frozenset(s.pk for s in self.stages if s.start_only),
            alone=ALONE,
            other_work=OTHER_WORK,
            holds={s.pk: HoldFact(before[s.pk], after[s.pk], s.minutes) for s in self.stages if s.hold},
            follows=after,
        )
        object.__setattr__(self, "facts", facts)


def a_world(rng: random.Random) -> World:
    """One or two jobs of three to six stages, with side ways and holds."""
    stages: list[WorldStage] = []
    links: list[Link] = []
    for job in range(1, rng.randint(2, 3)):
        mine: list[int] = []
        for _ in range(rng.randint(3, 6)):
            key = 100 + len(stages)
            hold = bool(mine) and rng.random() < 0.2
            minutes = rng.choice((None, 5, 30, 200)) if hold else None
            stages.append(WorldStage(key, job, hold, minutes, not hold and rng.random() < 0.5))
            for before in rng.sample(mine, min(len(mine), rng.choice((0, 1, 1, 1, 2)))):
                attended = rng.random() < 0.2
                links.append(Link(before, key, "attended" if attended else "finish", rng.choice((0, 0, 10))))
            mine.append(key)
    return World(stages, links)


def some_events(rng: random.Random, world: World, count: int, people: Sequence[int | None]) -> list[Event]:
    """Presses by these people as they may come, sensible or not, in the order of their moments."""
    at, events = START, []
    for _ in range(count):
        at += timedelta(seconds=rng.choice((1, 7, 60, 600, 3600)))
        stage = rng.choice(world.stages)
        kind = rng.choice(
            ("start", "start", "next", "pause", "resume", "leave", "aside", "finish", "lap", "again")
        )
        kind = "void" if events and rng.random() < 0.08 else kind
        events.append(_event(rng, world, people, stage, kind, at, events))
    return events


def _event(
    rng: random.Random,
    world: World,
    people: Sequence[int | None],
    stage: WorldStage,
    kind: str,
    at: datetime,
    before: Sequence[Event],
) -> Event:
    to_stage = corrects = element = None
    work = [one for one in world.stages if not one.hold]
    if kind == "void":
        corrects = before[-1].id
    if kind == "again":  # noticed at work, and from work: nobody does a hold again
        stage = rng.choice(work)
        earlier = [one.pk for one in work if one.job == stage.job and one.pk <= stage.pk]
        to_stage = rng.choice(earlier)
    if kind == "next":
        others = [one.pk for one in world.stages if one.job == stage.job and one.pk != stage.pk]
        to_stage = rng.choice(others)
    if kind in ("lap", "finish") and rng.random() < 0.4:
        element = rng.choice((31, 32))
    return Event(
        id=UUID(int=rng.getrandbits(128), version=4),
        kind=kind,
        stage=stage.pk,
        at=at,
        person=rng.choice(people) if kind != "void" else None,
        machine=rng.choice((*MACHINES, None, None)) if kind in ("start", "next", "resume") else None,
        cause=rng.choice(CAUSES) if kind in ("pause", "again") else None,
        to_stage=to_stage,
        corrects=corrects,
        element=element,
    )


def tap_of(event: Event) -> dict[str, Any]:
    """An event as the device keeps it."""
    tap = {
        name: getattr(event, name)
        for name in ("kind", "stage", "person", "machine", "cause", "to_stage", "element")
    }
    given = {
        "id": str(event.id),
        "at": iso(event.at),
        "corrects": event.corrects and str(event.corrects),
        **tap,
    }
    return {name: value for name, value in given.items() if value is not None}


def iso(at: datetime | None) -> str | None:
    """An instant as the pack says it."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z") if at else None


def pack_of(world: World, events: Sequence[Event], now: datetime) -> dict[str, Any]:
    """The pack of a shop in which just this was pressed, as far as the device's fold reads it."""
    folded = fold(events, world.facts)
    jobs = sorted({stage.job for stage in world.stages})
    return {
        "shop": {"id": 1, "revision": 1, "time_zone": "UTC"},
        "people": [{"id": key, "name": f"P{key}"} for key in PEOPLE],
        "machines": [
            {"id": key, "name": f"M{key}", "alone": key in ALONE, "capacity": 1} for key in MACHINES
        ],
        "causes": [],
        "other_work": OTHER_WORK,
        "kinds": {
            str(s.pk): {"hold": s.hold, "start_only": s.start_only, "elements": []} for s in world.stages
        },
        "jobs": [_job(world, job, folded, now) for job in jobs],
        "last_press": None,
    }


@dataclass(frozen=True)
class _Clocked:
    pk: int
    state: str
    finished_at: datetime | None
    left_out: bool = False


def _job(world: World, number: int, folded: Folded, now: datetime) -> dict[str, Any]:
    mine = [stage for stage in world.stages if stage.job == number]
    keys = {stage.pk for stage in mine}
    links = [link for link in world.links if link.before_id in keys]
    said = {stage.pk: folded.stages.get(stage.pk, StageFold()) for stage in mine}
    rows = [_stage(stage, said[stage.pk], folded, now) for stage in mine]
    alone = {row["id"] for row in rows if row["on"] is not None and not row["people"]}
    clocked = [_Clocked(key, one.state, one.finished_at) for key, one in said.items()]
    ready = set(ready_stages(clocked, links, now, alone))
    done = {one.pk for one in clocked if one.finished_at is not None and one.finished_at <= now}
    for row in rows:
        row["ready"] = row["id"] in ready
        row["waits_for"] = [k.before_id for k in links if k.after_id == row["id"] and k.before_id not in done]
    edges = [
        {"before": k.before_id, "after": k.after_id, "kind": k.kind, "lag_min": k.lag_min} for k in links
    ]
    return {
        "number": number,
        "title": "",
        "status": "promised",
        "last_at": None,
        "stages": rows,
        "edges": edges,
    }


def _stage(stage: WorldStage, said: StageFold, folded: Folded, now: datetime) -> dict[str, Any]:
    spans = [span for span in folded.spans if span.stage == stage.pk]
    lasting = [span for span in spans if span.kind in LASTING]
    open_now = [span for span in lasting if span.ends is None]
    since = min((span.starts for span in open_now), default=None)
    pause = next((span for span in spans if span.kind == "interruption" and span.ends is None), None)
    machines = [span for span in lasting if span.machine is not None]
    people = [span.person for span in open_now if span.kind == "hands_on"]
    return {
        "id": stage.pk,
        "kind": stage.pk,
        "name": f"S{stage.pk}",
        "state": said.state,
        "machines": list(MACHINES),
        "machine": None,
        "seconds": _seconds(lasting, since),
        "since": iso(since),
        "people": sorted(person for person in people if person is not None),
        "on": next((span.machine for span in open_now if span.machine is not None), None),
        "last_on": max(machines, key=lambda span: span.starts).machine if machines else None,
        "cause": pause.cause if pause else None,
        "paused_since": iso(pause.starts) if pause else None,
        "hold_min": stage.minutes,
        "lies_until": iso(said.finished_at) if said.finished_at and said.finished_at > now else None,
        "started_at": iso(said.started_at),
        "finished_at": iso(said.finished_at),
        **_laps(stage, said, folded, lasting),
    }


def _laps(stage: WorldStage, said: StageFold, folded: Folded, lasting: Sequence[Span]) -> dict[str, Any]:
    laps = sorted((lap for lap in folded.laps if lap.stage == stage.pk), key=lambda lap: lap.ends)
    last = laps[-1] if laps else None
    begins = (last.ends if last else said.started_at) if said.state in BEGUN else None
    return {
        "laps": len(laps),
        "lap_from": iso(begins),
        "lap_base": _seconds(lasting, begins) if begins else None,
        "last_lap": {"element": last.element, "seconds": last.seconds} if last else None,
    }


def _seconds(lasting: Sequence[Span], until: datetime | None) -> float:
    """Seconds of the ended spans, and of those that last where they lie before `until`."""
    ends = [(span.starts, span.ends or until) for span in lasting if span.ends or until]
    return union_seconds([(starts, end) for starts, end in ends if end], until)
