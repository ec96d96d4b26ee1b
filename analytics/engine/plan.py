"""From the shop's facts and its open work to the simulated shop, its network and the columns to be drawn.

Everything here is plain data with keys of the caller's; the result speaks of indices, as the event loop does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.engine.hours import ALWAYS, Calendar, minus, to_minutes, weekly
from analytics.engine.network import Edge, EdgeKind, Need, Operation, Running, SimShop, Unit, mask

Floats = NDArray[np.float64]
Alone = Literal["no", "open_hours", "always"]
Relief = tuple[tuple[int, int], ...]

BENCH = "bench"
HEATING = ("printer", "print_and_cut")
"""Stages on these leave their machine hot."""


class CannotPlan(ValueError):
    """The shop as described cannot do a stage; the message says which, and what to add."""


@dataclass(frozen=True)
class PersonSpec:
    """Someone who works: the skills they have, the local dates on which they are away, and their daily breaks."""

    key: int
    name: str
    skills: frozenset[int] = frozenset()
    absent: frozenset[date] = frozenset()
    breaks: tuple[tuple[time, time], ...] = ()


@dataclass(frozen=True)
class MachineSpec:
    """A machine: the kinds of machine it stands in for, the processes it prints by (none: any).

    loaded: the film on it now. cool_min: how long after the end of a print it is too hot to cut. hot_until: minutes
    since the origin until which it is too hot now.
    """

    key: int
    name: str
    does: frozenset[str]
    processes: frozenset[int] = frozenset()
    capacity: int = 1
    alone: Alone = "no"
    loaded: int | None = None
    cool_min: float = 0.0
    hot_until: float = 0.0


@dataclass(frozen=True)
class ShopSpec:
    """The shop from `origin` on: opening windows per weekday, closed local dates, people and machines.

    extra: further windows on single local dates (closing after it opens), also on dates that are closed.
    roll_change_min: attended minutes for putting another film on a machine.
    """

    origin: datetime
    zone: str
    hours: Mapping[int, Sequence[tuple[time, time]]]
    closed: frozenset[date]
    people: tuple[PersonSpec, ...]
    machines: tuple[MachineSpec, ...]
    extra: tuple[tuple[date, time, time], ...] = ()
    roll_change_min: float = 0.0


@dataclass(frozen=True)
class RunningSpec:
    """Who and what is at a running stage now, by key. people is empty once the machine runs alone."""

    people: tuple[int, ...] = ()
    machine: int | None = None


@dataclass(frozen=True, eq=False)
class MinutesSpec:
    """One column to draw: minutes at fixed probabilities, how much already passed, and its shared share.

    shared: share of its log variance that is uncertainty of the stage kind's own parameters, 0..1. apart: it runs long
    or short by itself, as a wait for somebody does, and not together with the rest of its job.
    """

    quantiles: Floats
    elapsed: float = 0.0
    shared: float = 0.0
    apart: bool = False


@dataclass(frozen=True, eq=False)
class StageSpec:
    """A stage still to be done, or to be finished.

    job: index into the jobs. kind: index of its stage kind. A stage without machine kind and with 0 people is a
    hold. hands_on, unattended: None for no such part. ready_at: minutes since the origin, from what is done.
    windows: when the customer lets it begin, (open, close) in minutes since the origin, none: at any time; where its
    hands-on minutes end after the close it waits for a window that they fit in, if there is one. media: the film to
    be on the machine. pinned: it does not begin before, and then goes ahead of all that waits. stream: names what is
    drawn for its kind, wherever its row is kept; None: the kind does.
    """

    key: int
    job: int
    kind: int
    name: str
    machine_kind: str = ""
    machine: int | None = None
    process: int | None = None
    skill: int | None = None
    skill_name: str = ""
    people: int = 1
    hands_on: MinutesSpec | None = None
    unattended: MinutesSpec | None = None
    ready_at: float = 0.0
    running: RunningSpec | None = None
    windows: tuple[tuple[float, float], ...] = ()
    media: int | None = None
    pinned: float | None = None
    stream: int | None = None


@dataclass(frozen=True, eq=False)
class Plan:
    """What `build_network` and `draw` need: the sampled columns in the order that the operations name them.

    people, machines: the simulated units of each person and machine, by key. relief: of the needs for one person with
    a skill (None: no skill is asked for), by skill, as of `Need`.
    """

    shop: SimShop
    needs: tuple[Need, ...]
    operations: tuple[Operation, ...]
    columns: tuple[MinutesSpec, ...]
    column_job: tuple[int, ...]
    column_kind: tuple[int, ...]
    people: Mapping[int, int] = field(default_factory=dict)
    machines: Mapping[int, Sequence[int]] = field(default_factory=dict)
    relief: Mapping[int | None, Relief] = field(default_factory=dict)


@dataclass(frozen=True)
class _Units:
    """The simulated units and where each person's and machine's are among them. relief: as of `Plan`."""

    shop: SimShop
    people: Mapping[int, int]
    machines: Mapping[int, Sequence[int]]
    relief: Mapping[int | None, Relief]


def plan(spec: ShopSpec, stages: Sequence[StageSpec], days: int) -> Plan:
    """Lay the stages out for the event loop, on calendars of `days` days.

    Raises:
        CannotPlan: a stage needs a machine or a skill that the shop does not have.
        NeverOpen: the shop or a person has no working time.

    """
    units = _units(spec, days)
    return _laid_out(spec, units, stages)


def plan_beside(spec: ShopSpec, first: Plan, stages: Sequence[StageSpec]) -> Plan:
    """Other stages in the same simulated shop. Raises CannotPlan as `plan` does."""
    return _laid_out(spec, _Units(first.shop, first.people, first.machines, first.relief), stages)


def _laid_out(spec: ShopSpec, units: _Units, stages: Sequence[StageSpec]) -> Plan:
    columns: list[MinutesSpec] = []
    column_job: list[int] = []
    column_kind: list[int] = []

    def column(stage: StageSpec, minutes: MinutesSpec | None) -> int:
        if minutes is None:
            return -1
        columns.append(minutes)
        column_job.append(stage.job)
        column_kind.append(stage.kind if stage.stream is None else stage.stream)
        return len(columns) - 1

    free = {key: list(indices) for key, indices in units.machines.items()}
    busy: set[int] = set()
    needs, operations = [], []
    for index, stage in enumerate(stages):
        needs.append(_need(spec, units, stage))
        operations.append(
            Operation(
                job=stage.job,
                stage=stage.kind,
                need=index,
                attended=column(stage, stage.hands_on),
                unattended=column(stage, stage.unattended),
                roll=-1 if stage.media is None else stage.media,
                release=max(stage.ready_at, stage.pinned or 0.0, 0.0),
                running=_running(units, stage, free, busy),
                name=stage.name,
                windows=() if needs[-1].is_hold else stage.windows,
                pinned=stage.pinned,
                heats=stage.machine_kind in HEATING,
                cold=stage.machine_kind == "cutter",
            )
        )
    kinds = tuple(column_job), tuple(column_kind)
    made = Plan(units.shop, tuple(needs), tuple(operations), tuple(columns), *kinds)
    return replace(made, people=units.people, machines=units.machines, relief=units.relief)


def _units(spec: ShopSpec, days: int) -> _Units:
    """Machines first, those that run by themselves before those that are watched; then people, the least skilled first.

    So a simple stage leaves the expert free, and a long run whoever would stay with it.
    """
    calendars = _Calendars(spec, _with_extra(spec, usual_hours(spec, days)))
    units: list[Unit] = []
    machines: dict[int, list[int]] = {}
    for machine in sorted(spec.machines, key=lambda one: one.alone == "no"):
        machines[machine.key] = list(range(len(units), len(units) + machine.capacity))
        units += [_machine_unit(machine, 1 if machine.alone == "always" else 0)] * machine.capacity
    people: dict[int, int] = {}
    for person in sorted(spec.people, key=lambda p: (len(p.skills), p.name)):
        people[person.key] = len(units)
        units.append(Unit(person.name, calendars.of(person, person.absent)))
    skills: set[int | None] = {None}.union(*(person.skills for person in spec.people))
    relief = {skill: tuple(_relieved(spec, people, calendars, skill)) for skill in skills}
    shop = SimShop(tuple(units), tuple(calendars.all), spec.roll_change_min)
    return _Units(shop, people, machines, relief)


class _Calendars:
    """The shop's hours, the clock round, and the hours of people who are away at times, each once."""

    def __init__(self, spec: ShopSpec, hours: Calendar) -> None:
        self.spec, self.all = spec, [hours, ALWAYS]
        self.found: dict[tuple[object, ...], int] = {(frozenset[date](), ()): 0}

    def of(self, person: PersonSpec, absent: frozenset[date]) -> int:
        """The index of the hours with the person's breaks and without these days. Raises NeverOpen."""
        name = absent, person.breaks
        if name not in self.found:
            self.all.append(_there(self.spec, replace(person, absent=absent), self.all[0]))
            self.found[name] = len(self.all) - 1
        return self.found[name]


def _relieved(
    spec: ShopSpec, units: Mapping[int, int], calendars: _Calendars, skill: int | None
) -> Iterator[tuple[int, int]]:
    """Whose work goes on by which hours: what they have begun, another with the skill takes over on their days off."""
    able = [person for person in spec.people if skill is None or skill in person.skills]
    for person in spec.people:
        others = [other.absent for other in able if other is not person]
        if person.absent and others:
            yield units[person.key], calendars.of(person, person.absent.intersection(*others))


def _machine_unit(machine: MachineSpec, alone: int) -> Unit:
    """One place at a machine. alone: the calendar by which it runs with nobody there."""
    loaded = -1 if machine.loaded is None else machine.loaded
    return Unit(machine.name, 0, loaded, alone, machine.cool_min, machine.hot_until, machine.alone == "no")


def person_hours(spec: ShopSpec, person: PersonSpec, days: int) -> Calendar:
    """When a person is at work: the shop's hours without their days off and their breaks. Raises NeverOpen."""
    return _there(spec, person, _with_extra(spec, usual_hours(spec, days)))


def _there(spec: ShopSpec, person: PersonSpec, hours: Calendar) -> Calendar:
    away = [_day(spec, day) for day in sorted(person.absent)]
    if person.breaks:
        days = round(float(hours.close[-1]) / 1440.0) + 2
        rests = _rests(spec.origin, spec.zone, days, person.breaks)
        away += zip(rests.open.tolist(), rests.close.tolist(), strict=True)
    return minus(hours, away)


@lru_cache(maxsize=64)
def _rests(origin: datetime, zone: str, days: int, breaks: tuple[tuple[time, time], ...]) -> Calendar:
    """Daily breaks as a calendar. One question plans the same shop several times, with few different breaks."""
    return weekly(origin, zone, dict.fromkeys(range(7), breaks), days)


def usual_hours(spec: ShopSpec, days: int) -> Calendar:
    """The opening hours without those on single dates. Raises NeverOpen."""
    return weekly(spec.origin, spec.zone, spec.hours, days, spec.closed)


def _with_extra(spec: ShopSpec, calendar: Calendar) -> Calendar:
    """The calendar with the windows on single dates besides."""
    if not spec.extra:
        return calendar
    zone = ZoneInfo(spec.zone)
    opens = [to_minutes(spec.origin, datetime.combine(day, at, zone)) for day, at, _ in spec.extra]
    closes = [to_minutes(spec.origin, datetime.combine(day, at, zone)) for day, _, at in spec.extra]
    return Calendar.of(np.append(calendar.open, opens), np.append(calendar.close, closes))


def _day(spec: ShopSpec, day: date) -> tuple[float, float]:
    """A local date as minutes since the origin."""
    zone = ZoneInfo(spec.zone)
    start, end = (datetime.combine(d, time.min, zone) for d in (day, day + timedelta(days=1)))
    return to_minutes(spec.origin, start), to_minutes(spec.origin, end)


def able_machines(spec: ShopSpec, stage: StageSpec) -> list[MachineSpec]:
    """The machines that could do a stage; the one it is set down for, if it is."""
    return [
        machine
        for machine in spec.machines
        if (machine.key == stage.machine if stage.machine is not None else _suits(machine, stage))
    ]


def _suits(machine: MachineSpec, stage: StageSpec) -> bool:
    prints = stage.machine_kind == "printer"
    return stage.machine_kind in machine.does and (
        not prints or stage.process is None or not machine.processes or stage.process in machine.processes
    )


def check_stage(spec: ShopSpec, stage: StageSpec) -> None:
    """Raise CannotPlan unless the shop has a machine and the people for a stage."""
    # A shop that lists no bench has a table all the same.
    if stage.machine_kind not in ("", BENCH) and not able_machines(spec, stage):
        raise CannotPlan(
            f"No machine in the shop can do '{stage.name}': it needs a {stage.machine_kind.replace('_', '-')}"
            " for this process. Add one under Shop, Machines, or leave the stage out."
        )
    able = len(_able_people(spec, stage))
    if able < stage.people:
        who = f"can do {stage.skill_name.lower()}" if stage.skill is not None else "works in the shop"
        raise CannotPlan(
            f"'{stage.name}' needs {stage.people} and {f'only {able}' if able else 'nobody'} {who}. Add people or "
            "their skills under Shop, People, or leave the stage out."
        )


def _able_people(spec: ShopSpec, stage: StageSpec) -> list[int]:
    """Who can do a stage: those who have the skill for it, and whoever is at it now all the same."""
    here = stage.running.people if stage.running is not None else ()
    return [p.key for p in spec.people if stage.skill is None or stage.skill in p.skills or p.key in here]


def _need(spec: ShopSpec, units: _Units, stage: StageSpec) -> Need:
    check_stage(spec, stage)
    able = able_machines(spec, stage) if stage.machine_kind else []
    machines = mask(unit for machine in able for unit in units.machines[machine.key]) if able else None
    people = [units.people[key] for key in _able_people(spec, stage)] if stage.people else []
    relief = units.relief.get(stage.skill, ()) if stage.people == 1 else ()
    return Need(stage.name, machines, mask(people), stage.people, relief)


def _running(units: _Units, stage: StageSpec, free: dict[int, list[int]], busy: set[int]) -> Running | None:
    """What a running stage holds; None if it does not run, or if another already holds the same (a clash)."""
    running = stage.running
    if running is None:
        return None
    people = tuple(units.people[key] for key in running.people if key in units.people)
    slots = free.get(running.machine, []) if running.machine is not None else []
    if busy.intersection(people) or (running.machine is not None and not slots):
        return None
    busy.update(people)
    return Running(slots.pop(0) if slots else -1, people)


def edges_between(
    keys: Sequence[int], arrows: Collection[tuple[int, int, EdgeKind, float]]
) -> tuple[Edge, ...]:
    """Arrows by stage key (before, after, kind, lag in minutes) as edges by index; those of done stages dropped."""
    index = {key: i for i, key in enumerate(keys)}
    return tuple(
        Edge(index[before], index[after], kind, lag)
        for before, after, kind, lag in arrows
        if before in index and after in index
    )
