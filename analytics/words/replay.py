"""Replays in words: what is changed, and by how much it helps. Pure but for `names_of`, which reads names."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from analytics.engine.shop_changes import (
    AddMachine,
    AddPerson,
    DropMachine,
    DropPerson,
    LongerDays,
    OpenDay,
    RunAlone,
    ShopChange,
    ShorterHolds,
    SwapProcess,
)
from shop.models import Machine, Person, Process, Shop
from shop.models.hours import Weekday

DAY = 1440.0
GONE = "one that is gone"


@dataclass(frozen=True)
class Names:
    """What machines, people and processes are called, by key; those no longer used too."""

    machines: dict[int, str]
    people: dict[int, str]
    processes: dict[int, str]


def names_of(shop: Shop) -> Names:
    """The names of a shop's machines, people and processes. Three queries."""
    return Names(
        *(dict(model.objects.of(shop).values_list("pk", "name")) for model in (Machine, Person, Process))
    )


def say_changes(changes: Iterable[ShopChange], names: Names) -> list[str]:
    """Each change as 'another machine like the Cutter', without a full stop."""
    return [_said(change, names) for change in changes]


def _said(change: ShopChange, names: Names) -> str:
    match change:
        case AddMachine(key):
            return f"another machine like {names.machines.get(key, GONE)}"
        case DropMachine(key):
            return f"without {names.machines.get(key, GONE)}"
        case AddPerson(0):
            return "another person, who can do everything"
        case AddPerson(key):
            return f"another person, as able as {names.people.get(key, GONE)}"
        case DropPerson(key):
            return f"without {names.people.get(key, GONE)}"
    return _said_of_days(change, names)


def _said_of_days(change: ShopChange, names: Names) -> str:
    """The same of hours, of how machines run, and of how the work is done."""
    match change:
        case LongerDays(minutes):
            return f"every day {say_minutes(minutes)} longer"
        case OpenDay(weekday, opens, closes):
            return f"open on {Weekday(weekday).label} from {opens} to {closes}"
        case RunAlone(key, alone):
            when = "also when the shop is closed" if alone == "always" else "while the shop is open"
            return f"{names.machines.get(key, GONE)} may run alone, {when}"
        case SwapProcess(before, after):
            return f"{names.processes.get(after, GONE)} in place of {names.processes.get(before, GONE)}"
        case ShorterHolds(most):
            return f"no print lies longer than {say_minutes(most)}"
    raise ValueError(f"There are no words for {change}.")


def say_minutes(minutes: float) -> str:
    """30 as '30 minutes', 60 as '1 hour', 90 as '1.5 hours'."""
    if minutes < 60:
        return f"{minutes:g} minutes"
    hours = minutes / 60
    return f"{hours:g} hour{'' if hours == 1 else 's'}"


def say_took(minutes: float) -> str:
    """Elapsed minutes as '3.4 days', under two days as '26.2 hours', under an hour as '12 minutes'."""
    if minutes != minutes:  # not a number: nothing to say
        return "–"
    if minutes >= 2 * DAY:
        return f"{minutes / DAY:.1f} days"
    return f"{minutes / 60:.1f} hours" if minutes >= 60 else f"{minutes:.0f} minutes"


def say_change(minutes: float) -> str:
    """A difference as '1.2 days less', '5.0 hours more' or 'the same'."""
    if abs(minutes) < 1:
        return "the same"
    return f"{say_took(abs(minutes))} {'less' if minutes < 0 else 'more'}"


def say_range(low: float, high: float) -> str:
    """The ends of an interval of differences: '2.2 days to 3.5 hours less', '5.0 hours less to 2.0 hours more'."""
    ends = say_change(low), say_change(high)
    if ends[0] == ends[1]:
        return ends[0]
    if low >= 1:
        return f"{say_took(low)} to {ends[1]}"
    return f"{say_took(-low)} to {ends[1]}" if high <= -1 else f"{ends[0]} to {ends[1]}"
