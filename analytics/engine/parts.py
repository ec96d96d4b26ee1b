"""What a simulated shop and its work are described with: units with calendars, and operations joined by edges.

Who may do what is said with bit masks: bit u of a mask is unit u of the shop. Units are listed in order of
preference, so that a stage takes the first free one, and the least skilled person should come first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

from analytics.engine.hours import Calendar, NeverOpen

MOST_UNITS = 63
"""A mask is one 64-bit word, and one bit stays spare."""


class NetworkError(ValueError):
    """The shop or the work cannot be simulated as described."""


class CircularRoute(NetworkError):
    """Operations wait for each other in a circle."""


class NoUnit(NetworkError):
    """No machine or person of the shop can ever meet a need."""


class UnitClash(NetworkError):
    """Two running operations hold the same unit."""


class NoWindowLeft(NetworkError):
    """A stage is not ready before the last of the customer's times is over."""


class EdgeKind(IntEnum):
    """From which moment of the earlier operation an edge counts."""

    FINISH_TO_START = 0
    ATTENDED_TO_START = 1


FINISH_TO_START = EdgeKind.FINISH_TO_START
ATTENDED_TO_START = EdgeKind.ATTENDED_TO_START


@dataclass(frozen=True)
class Unit:
    """A machine, a bench or a person: something that one operation occupies at a time.

    calendar: index into the shop's calendars, for work that someone attends. loaded_roll: the roll on the
    machine now, -1 for none. unattended_calendar: when it may run by itself; -1 for the same calendar. cool: minutes
    after the end of a print for which it is too hot to cut. hot_until: the minute until which it is too hot now.
    watched: it does not run by itself: whoever attends an operation stays till its unattended part is over too.
    """

    name: str
    calendar: int
    loaded_roll: int = -1
    unattended_calendar: int = -1
    cool: float = 0.0
    hot_until: float = 0.0
    watched: bool = False


@dataclass(frozen=True)
class SimShop:
    """The units and the calendars that they keep.

    roll_change_minutes: attended minutes added when a machine must load another roll.
    """

    units: tuple[Unit, ...]
    calendars: tuple[Calendar, ...]
    roll_change_minutes: float = 0.0

    def __post_init__(self) -> None:
        if len(self.units) > MOST_UNITS:
            raise NetworkError(
                f"{len(self.units)} machines, benches and people: at most {MOST_UNITS} can work together. Switch "
                "off those that do none of this work, under Shop, People and Machines."
            )
        for unit in self.units:
            for index in {unit.calendar, self.unattended(unit)}:
                if not 0 <= index < len(self.calendars):
                    raise NetworkError(f"{unit.name} keeps calendar {index} of {len(self.calendars)}.")
                if not self.calendars[index].open.size:
                    raise NeverOpen(
                        f"{unit.name} has no working time at all: give it hours, or leave it out."
                    )

    @staticmethod
    def unattended(unit: Unit) -> int:
        """The index of the calendar that the unit keeps while nobody attends."""
        return unit.calendar if unit.unattended_calendar < 0 else unit.unattended_calendar


def mask(units: Iterable[int]) -> int:
    """The bit mask of these unit indices."""
    bits = 0
    for unit in units:
        bits |= 1 << int(unit)
    return bits


@dataclass(frozen=True)
class Need:
    """What an operation occupies: one of `machines` (benches too), and `people_count` of `people`.

    machines: mask of those that will do, or None if none is needed (0 means that none will do). people: mask.
    An operation that needs neither is a hold: it begins when it is ready and runs through closed hours.
    relief: (unit, calendar) of those whose work, once begun, goes on by another calendar than the one by which they
    begin: somebody else goes on with it while they are away.
    """

    name: str
    machines: int | None = None
    people: int = 0
    people_count: int = 0
    relief: tuple[tuple[int, int], ...] = ()

    @property
    def is_hold(self) -> bool:
        return self.machines is None and self.people_count == 0

    def lasting(self, shop: SimShop, unit: int) -> int:
        """The index of the calendar by which a unit's work goes on once it has begun."""
        return dict(self.relief).get(unit, shop.units[unit].calendar)


@dataclass(frozen=True)
class Running:
    """The units that an operation already under way holds now: a machine (-1: none) and people."""

    machine: int = -1
    people: tuple[int, ...] = ()


@dataclass(frozen=True)
class Operation:
    """One stage of one job.

    job, stage, need: indices. attended, unattended: columns of the sampled minutes, -1 for no such part. The
    machine is held for both parts, people for the attended part alone. roll: the roll to be loaded, -1 for
    any. release: minutes before which it may not start. running: what it holds, if it has begun; its columns
    then hold the minutes that are left. windows: (open, close) in minutes, in one of which it begins; none: at any
    time. pinned: not before this minute, and then ahead of all that waits. heats: it leaves its machine hot; cold:
    its machine must be cold.
    """

    job: int
    stage: int
    need: int
    attended: int = -1
    unattended: int = -1
    roll: int = -1
    release: float = 0.0
    running: Running | None = None
    name: str = ""
    windows: tuple[tuple[float, float], ...] = ()
    pinned: float | None = None
    heats: bool = False
    cold: bool = False


@dataclass(frozen=True)
class Edge:
    """`after` starts `lag` elapsed minutes or more after `before` ends (or after its attended part ends)."""

    before: int
    after: int
    kind: EdgeKind = FINISH_TO_START
    lag: float = 0.0
