"""What could be changed about a shop, and the shop with it changed. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any

from analytics.engine.plan import Alone, MachineSpec, PersonSpec, ShopSpec

MIDNIGHT = time(0)


@dataclass(frozen=True)
class AddMachine:
    """Another machine like one that there is."""

    machine: int


@dataclass(frozen=True)
class DropMachine:
    """One machine less."""

    machine: int


@dataclass(frozen=True)
class AddPerson:
    """Another person with the skills of one who is there; person: 0 for one who can do everything."""

    person: int


@dataclass(frozen=True)
class DropPerson:
    """One person less."""

    person: int


@dataclass(frozen=True)
class LongerDays:
    """So many minutes longer open on every day that is worked, at midnight at the latest."""

    minutes: int


@dataclass(frozen=True)
class OpenDay:
    """Open on a weekday (0 = Monday) from HH:MM to HH:MM, in place of that day's hours."""

    weekday: int
    opens: str
    closes: str


@dataclass(frozen=True)
class RunAlone:
    """A machine may run with nobody beside it."""

    machine: int
    alone: Alone


@dataclass(frozen=True)
class SwapProcess:
    """What was made by one process is made by another. The shop stays as it is."""

    before: int
    after: int


@dataclass(frozen=True)
class ShorterHolds:
    """No hold of fixed length is longer than so many minutes. The shop stays as it is."""

    most_min: int


ShopChange = (
    AddMachine
    | DropMachine
    | AddPerson
    | DropPerson
    | LongerDays
    | OpenDay
    | RunAlone
    | SwapProcess
    | ShorterHolds
)
_KINDS: dict[str, Any] = {
    "add_machine": AddMachine,
    "drop_machine": DropMachine,
    "add_person": AddPerson,
    "drop_person": DropPerson,
    "longer_days": LongerDays,
    "open_day": OpenDay,
    "run_alone": RunAlone,
    "swap_process": SwapProcess,
    "shorter_holds": ShorterHolds,
}
_NAMES = {kind: name for name, kind in _KINDS.items()}


def to_json(changes: Iterable[ShopChange]) -> list[dict[str, Any]]:
    """The changes as plain data."""
    return [{"what": _NAMES[type(change)], **asdict(change)} for change in changes]


def from_json(stored: Iterable[Mapping[str, Any]]) -> tuple[ShopChange, ...]:
    """The changes that `to_json` stored. Raises KeyError and TypeError for anything else."""
    return tuple(
        _KINDS[one["what"]](**{key: value for key, value in one.items() if key != "what"}) for one in stored
    )


def changed_shop(spec: ShopSpec, changes: Iterable[ShopChange]) -> ShopSpec:
    """The shop with all of these changed; what names a machine or a person that is not there changes nothing."""
    for change in changes:
        spec = _changed(spec, change)
    return spec


def _changed(spec: ShopSpec, change: ShopChange) -> ShopSpec:
    match change:
        case AddMachine(key):
            more = tuple(_another(spec, machine) for machine in spec.machines if machine.key == key)
            return replace(spec, machines=spec.machines + more)
        case DropMachine(key):
            return replace(spec, machines=tuple(m for m in spec.machines if m.key != key))
        case AddPerson(key):
            return replace(spec, people=(*spec.people, *_like(spec, key)))
        case DropPerson(key):
            return replace(spec, people=tuple(p for p in spec.people if p.key != key))
        case LongerDays(minutes):
            hours = {day: _longer(list(windows), minutes) for day, windows in spec.hours.items()}
            return replace(spec, hours=hours)
        case OpenDay(weekday, opens, closes):
            window = (time.fromisoformat(opens), time.fromisoformat(closes))
            return replace(spec, hours={**spec.hours, weekday: [window]})
        case RunAlone(key, alone):
            machines = tuple(replace(m, alone=alone) if m.key == key else m for m in spec.machines)
            return replace(spec, machines=machines)
    return spec


def _another(spec: ShopSpec, machine: MachineSpec) -> MachineSpec:
    """A machine like this one, under a key and a name of its own."""
    key = max(one.key for one in spec.machines) + 1
    return replace(machine, key=key, name=f"Another {machine.name}")


def _like(spec: ShopSpec, key: int) -> tuple[PersonSpec, ...]:
    """Somebody else with the skills and breaks of a person, or with all skills; never away."""
    new = max((person.key for person in spec.people), default=0) + 1
    if key == 0:
        skills = frozenset().union(*(person.skills for person in spec.people))
        rests = next((person.breaks for person in spec.people if person.breaks), ())
        return (PersonSpec(new, "Another person", skills, breaks=rests),)
    return tuple(
        PersonSpec(new, f"Another like {person.name}", person.skills, breaks=person.breaks)
        for person in spec.people
        if person.key == key
    )


def _longer(windows: list[tuple[time, time]], minutes: int) -> list[tuple[time, time]]:
    """The day's windows with the last one closing later."""
    if not windows:
        return windows
    *others, (opens, closes) = sorted(windows)
    if closes == MIDNIGHT:
        return windows
    later = datetime.combine(datetime.min, closes) + timedelta(minutes=minutes)
    return [*others, (opens, later.time() if later.date() == datetime.min.date() else MIDNIGHT)]
