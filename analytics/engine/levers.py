"""What a shop could do to bring a job forward: each as a change of the open work, for the same futures.

Pure. A lever's facts are what a page says of it; whether it helps, and by how much, `variants` tells.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from analytics.engine.hours import to_instant
from analytics.engine.plan import PersonSpec, ShopSpec, StageSpec, able_machines
from analytics.engine.work import OpenWork

LONGER = timedelta(hours=1)
WEEK = 7
"""Days from today on which it would be open longer."""

_SOMEBODY = -1
"""The key of a person who is not there yet."""


@dataclass(frozen=True, eq=False)
class Lever:
    """One thing that could be done. key: what sort of thing; facts: its particulars."""

    key: str
    change: Callable[[OpenWork], OpenWork]
    facts: dict[str, object] = field(default_factory=dict)


def shop_levers(work: OpenWork, until: float, waits: Sequence[StageSpec]) -> list[Lever]:
    """Everything that the shop could change for the target.

    until: minutes since the origin after which more hours would come too late. waits: stages of the target that wait
    for somebody or something, the longest first.
    """
    found = [open_day(work, until), longer_days(work, until)]
    found += [lever for stage in waits for lever in second_person(work, stage)]
    found += nights(work)
    return [lever for lever in found if lever is not None]


def open_day(work: OpenWork, until: float) -> Lever | None:
    """Open on the next day on which the shop is closed, from tomorrow; None if there is none before `until`.

    Its hours are those of its weekday, else those of the last weekday before that has some.
    """
    spec = work.spec
    today, last = _local_dates(spec, until)
    for day in _days(today + timedelta(days=1), last):
        if spec.hours.get(day.weekday()) and day not in spec.closed:
            continue
        windows = _usual_windows(spec, day)
        if not windows:
            return None
        return Lever("open_day", _with_windows([(day, *window) for window in windows]), {"day": day})
    return None


def longer_days(work: OpenWork, until: float) -> Lever | None:
    """Close an hour later on each open day of the next seven; None if no day can end later.

    Today counts for as long as that hour is not over.
    """
    spec = work.spec
    today, last = _local_dates(spec, until)
    now = spec.origin.astimezone(ZoneInfo(spec.zone)).replace(tzinfo=None)
    extra = []
    for day in _days(today, min(last, today + timedelta(days=WEEK - 1))):
        windows = sorted(spec.hours.get(day.weekday(), ()), key=lambda window: window[0])
        if not windows or day in spec.closed:
            continue
        opens, closes = windows[-1]
        later = datetime.combine(day, closes) + LONGER
        if closes > opens and later.date() == day and later > now:
            extra.append((day, closes, later.time()))
    return Lever("longer_days", _with_windows(extra), {"days": len(extra)}) if extra else None


def second_person(work: OpenWork, stage: StageSpec) -> Iterator[Lever]:
    """One more who can do the stage: each of the people who lack the skill for it, else somebody new."""
    if not stage.people:
        return
    facts = {"stage": stage.kind, "skill": stage.skill_name}
    people = work.spec.people
    needed = frozenset[int]() if stage.skill is None else frozenset({stage.skill})
    lacking = [person for person in people if needed - person.skills]
    for person in lacking:
        changed = tuple(replace(one, skills=one.skills | needed) if one is person else one for one in people)
        yield Lever("skill", _with_people(changed), {**facts, "person": person.name})
    if not lacking:
        yield Lever("person", _with_people((*people, PersonSpec(_SOMEBODY, "", needed))), facts)


def nights(work: OpenWork) -> Iterator[Lever]:
    """Let a machine that runs alone while the shop is open do so through closed hours too.

    One that somebody has to stay with is left alone: that is a matter of safety, not of time.
    """
    for machine in work.spec.machines:
        if machine.alone == "open_hours" and any(
            stage.job == work.target
            and stage.unattended is not None
            and machine in able_machines(work.spec, stage)
            for stage in work.stages
        ):
            yield Lever("night", _alone_always(machine.key), {"machine": machine.name})


def _alone_always(key: int) -> Callable[[OpenWork], OpenWork]:
    def change(work: OpenWork) -> OpenWork:
        machines = tuple(
            replace(one, alone="always") if one.key == key else one for one in work.spec.machines
        )
        return replace(work, spec=replace(work.spec, machines=machines))

    return change


def _with_people(people: tuple[PersonSpec, ...]) -> Callable[[OpenWork], OpenWork]:
    return lambda work: replace(work, spec=replace(work.spec, people=people))


def _with_windows(extra: Sequence[tuple[date, time, time]]) -> Callable[[OpenWork], OpenWork]:
    return lambda work: replace(work, spec=replace(work.spec, extra=(*work.spec.extra, *extra)))


def _usual_windows(spec: ShopSpec, day: date) -> list[tuple[time, time]]:
    """The hours that a closed day would have, those that end on it."""
    for back in range(7):
        windows = spec.hours.get((day.weekday() - back) % 7, ())
        same_day = sorted(window for window in windows if window[1] > window[0])
        if same_day:
            return same_day
    return []


def _local_dates(spec: ShopSpec, until: float) -> tuple[date, date]:
    """The shop's dates at the origin and at `until`."""
    zone = ZoneInfo(spec.zone)
    return spec.origin.astimezone(zone).date(), to_instant(spec.origin, until).astimezone(zone).date()


def _days(first: date, last: date) -> Iterator[date]:
    while first <= last:
        yield first
        first += timedelta(days=1)
