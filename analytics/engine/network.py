"""The simulated shop and its work: units with calendars, and operations joined by edges.

Who may do what is said with bit masks: bit u of a mask is unit u of the shop. Units are listed in order of
preference, so that a stage takes the first free one, and the least skilled person should come first.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.hours import Calendar, NeverOpen

MOST_UNITS = 63
"""A mask is one 64-bit word, and one bit stays spare."""

Ints = NDArray[np.int64]
Masks = NDArray[np.uint64]
Floats = NDArray[np.float64]


class NetworkError(ValueError):
    """The shop or the work cannot be simulated as described."""


class CircularRoute(NetworkError):
    """Operations wait for each other in a circle."""


class NoUnit(NetworkError):
    """No machine or person of the shop can ever meet a need."""


class UnitClash(NetworkError):
    """Two running operations hold the same unit."""


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
    machine now, -1 for none. unattended_calendar: when it may run by itself; -1 for the same calendar.
    """

    name: str
    calendar: int
    loaded_roll: int = -1
    unattended_calendar: int = -1


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
                f"{len(self.units)} machines, benches and people: at most {MOST_UNITS} can work together."
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
    """

    name: str
    machines: int | None = None
    people: int = 0
    people_count: int = 0

    @property
    def is_hold(self) -> bool:
        return self.machines is None and self.people_count == 0


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
    then hold the minutes that are left.
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


@dataclass(frozen=True)
class Edge:
    """`after` starts `lag` elapsed minutes or more after `before` ends (or after its attended part ends)."""

    before: int
    after: int
    kind: EdgeKind = FINISH_TO_START
    lag: float = 0.0


@dataclass(frozen=True, eq=False)
class Network:
    """The work as arrays, shape (operations,) unless said; made by `build_network`."""

    job: Ints
    stage: Ints
    need: Ints  # index into needs; -1 for a hold
    attended: Ints
    unattended: Ints
    roll: Ints
    release: Floats
    rank: Ints  # a permutation: the lower goes first
    depth: Ints  # operations before it on the longest way to it
    running: NDArray[np.bool_]
    held_machine: Ints  # of a running operation, -1 for none
    held_people: Masks  # of a running operation
    predecessors: Ints  # how many edges lead to it
    edge_start: Ints  # (operations + 1,) its edges are edge_start[i]:edge_start[i + 1]
    edge_to: Ints  # (edges,)
    edge_kind: Ints  # (edges,)
    edge_lag: Floats  # (edges,)
    needs: tuple[Need, ...]  # the distinct ones
    names: tuple[str, ...]
    jobs: int

    @property
    def size(self) -> int:
        """How many operations there are."""
        return int(self.job.size)

    @property
    def stages(self) -> int:
        """One more than the highest stage index."""
        return int(self.stage.max(initial=-1)) + 1


def build_network(
    shop: SimShop,
    needs: Sequence[Need],
    operations: Sequence[Operation],
    edges: Collection[Edge] = (),
    jobs: int | None = None,
) -> Network:
    """Check the work against the shop and lay it out as arrays, ranked by job index.

    jobs: how many there are, if some have no operation left. Raises CircularRoute, NoUnit, UnitClash, or
    NetworkError for an index that does not exist. Edges into a running operation are dropped: it has begun.
    """
    _check_indices(shop, needs, operations, edges)
    _check_needs(
        shop, {operation.need: needs[operation.need] for operation in operations if not operation.running}
    )
    _check_running(shop, operations)
    names = tuple(o.name or f"{needs[o.need].name} of job {o.job}" for o in operations)
    depth = _depths(edges, names)
    distinct, need_index = _distinct_needs(needs)
    live = sorted(
        (e for e in edges if operations[e.after].running is None), key=lambda e: (e.before, e.after, e.kind)
    )
    edge_to = np.array([e.after for e in live], np.int64)
    column = {
        field: np.array([getattr(o, field) for o in operations], np.int64)
        for field in ("job", "stage", "attended", "unattended", "roll")
    }
    held = [o.running or Running() for o in operations]
    network = Network(
        **column,
        need=np.array([need_index[o.need] for o in operations], np.int64),
        release=np.array([0.0 if o.running else o.release for o in operations], float),
        rank=np.arange(len(operations)),
        depth=depth,
        running=np.array([o.running is not None for o in operations], bool),
        held_machine=np.array([h.machine for h in held], np.int64),
        held_people=np.array([mask(h.people) for h in held], np.uint64),
        predecessors=np.bincount(edge_to, minlength=len(operations)).astype(np.int64),
        edge_start=np.searchsorted([e.before for e in live], np.arange(len(operations) + 1)).astype(np.int64),
        edge_to=edge_to,
        edge_kind=np.array([e.kind for e in live], np.int64),
        edge_lag=np.array([e.lag for e in live], float),
        needs=distinct,
        names=names,
        jobs=max((o.job for o in operations), default=-1) + 1 if jobs is None else jobs,
    )
    return rank_by_job(network, np.arange(network.jobs))


def rank_by_job(network: Network, job_key: ArrayLike) -> Network:
    """The network with its operations ranked by their job's key, shape (jobs,), the lowest first.

    Within a job later stages go first, so that what is begun is finished; running operations lead.
    """
    return rank_by_operation(network, np.asarray(job_key, float)[network.job])


def rank_by_operation(network: Network, key: ArrayLike) -> Network:
    """The network ranked by each operation's key, shape (operations,), the lowest first."""
    order = np.lexsort(
        (np.arange(network.size), -network.depth, network.job, np.asarray(key), ~network.running)
    )
    rank = np.empty(network.size, np.int64)
    rank[order] = np.arange(network.size)
    return replace(network, rank=rank)


def _check_indices(
    shop: SimShop, needs: Sequence[Need], operations: Sequence[Operation], edges: Collection[Edge]
) -> None:
    for i, o in enumerate(operations):
        if not 0 <= o.need < len(needs):
            raise NetworkError(f"Operation {i} ({o.name}) has need {o.need} of {len(needs)}.")
        if min(o.job, o.stage) < 0 or min(o.attended, o.unattended, o.roll) < -1:
            raise NetworkError(f"Operation {i} ({o.name}) has a negative job, stage, column or roll.")
        if not np.isfinite(o.release):
            raise NetworkError(f"Operation {i} ({o.name}) is released at {o.release} minutes.")
    for e in edges:
        if not (0 <= e.before < len(operations) and 0 <= e.after < len(operations)):
            raise NetworkError(f"An edge leads from {e.before} to {e.after} of {len(operations)} operations.")
        if not 0 <= e.lag < np.inf:
            raise NetworkError(f"The edge from {e.before} to {e.after} has a lag of {e.lag:g} minutes.")
    for need in needs:
        if max(need.machines or 0, need.people) >> len(shop.units):
            raise NetworkError(f"The need {need.name!r} names a unit beyond the shop's {len(shop.units)}.")


def _check_needs(shop: SimShop, needs: dict[int, Need]) -> None:
    """Raise NoUnit unless each need finds all its units open together at some moment."""
    moments = np.unique(np.concatenate([[0.0], *(c.open for c in shop.calendars)]))
    moments = moments[moments >= 0]
    by_calendar = [c.is_open(moments) for c in shop.calendars]
    is_open = np.array([by_calendar[unit.calendar] for unit in shop.units]).reshape(len(shop.units), -1)
    for need in needs.values():
        if need.machines == 0:
            raise NoUnit(
                f"No machine or bench can do {need.name!r}: add one (or need none, not an empty choice)."
            )
        able = need.people.bit_count()
        if able < need.people_count:
            raise NoUnit(f"{need.name!r} needs {need.people_count} people, and {able} can do it.")
        met = np.ones(moments.size, bool)
        if need.machines:
            met &= is_open[_members(need.machines)].any(axis=0)
        if need.people_count:
            met &= is_open[_members(need.people)].sum(axis=0) >= need.people_count
        if not met.any():
            raise NoUnit(
                f"Those who could do {need.name!r} are never all there at once: compare their hours."
            )


def _members(bits: int) -> list[int]:
    return [u for u in range(bits.bit_length()) if bits >> u & 1]


def _check_running(shop: SimShop, operations: Sequence[Operation]) -> None:
    holder: dict[int, Operation] = {}
    for o in operations:
        if o.running is None:
            continue
        for unit in (*o.running.people, *([o.running.machine] if o.running.machine >= 0 else [])):
            if not 0 <= unit < len(shop.units):
                raise NetworkError(f"A running operation ({o.name}) holds unit {unit} of {len(shop.units)}.")
            if unit in holder:
                raise UnitClash(
                    f"{shop.units[unit].name} is held by two running operations: "
                    f"{holder[unit].name!r} of job {holder[unit].job} and {o.name!r} of job {o.job}."
                )
            holder[unit] = o


def _distinct_needs(needs: Sequence[Need]) -> tuple[tuple[Need, ...], list[int]]:
    """Needs that ask for the same units become one; index -1 stands for a hold."""
    found: dict[tuple[int, int, int], int] = {}
    distinct: list[Need] = []
    index: list[int] = []
    for need in needs:
        key = (need.machines or 0, need.people if need.people_count else 0, need.people_count)
        if not need.is_hold and key not in found:
            found[key] = len(distinct)
            distinct.append(need)
        index.append(-1 if need.is_hold else found[key])
    if len(distinct) > MOST_UNITS:
        raise NetworkError(f"{len(distinct)} different needs: at most {MOST_UNITS} can be told apart.")
    return tuple(distinct), index


def _depths(edges: Collection[Edge], names: Sequence[str]) -> Ints:
    """Each operation's longest way from a beginning, in edges. Raises CircularRoute."""
    after: list[list[int]] = [[] for _ in names]
    before: list[list[int]] = [[] for _ in names]
    for e in edges:
        after[e.before].append(e.after)
        before[e.after].append(e.before)
    left = [len(b) for b in before]
    depth = [0] * len(names)
    ready = deque(i for i, n in enumerate(left) if n == 0)
    while ready:
        i = ready.popleft()
        for j in after[i]:
            depth[j] = max(depth[j], depth[i] + 1)
            left[j] -= 1
            if left[j] == 0:
                ready.append(j)
    if any(left):
        circle = _circle(before, left)
        raise CircularRoute(
            "These wait for each other in a circle: " + " → ".join(names[i] for i in circle) + "."
        )
    return np.array(depth, np.int64)


def _circle(before: Sequence[Sequence[int]], left: Sequence[int]) -> list[int]:
    """One circle among the operations still waiting (left > 0), in the order of the edges, closed."""
    way = [next(i for i, n in enumerate(left) if n)]
    while way[-1] not in way[:-1]:
        way.append(next(b for b in before[way[-1]] if left[b]))
    return way[way.index(way[-1]) :][::-1]
