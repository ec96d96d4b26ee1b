"""Whether a shop can do its work at all: what cannot be simulated is refused, by name."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.engine.parts import (
    MOST_UNITS,
    CircularRoute,
    Edge,
    Need,
    NetworkError,
    NoUnit,
    Operation,
    SimShop,
    UnitClash,
)


def check_indices(
    shop: SimShop, needs: Sequence[Need], operations: Sequence[Operation], edges: Collection[Edge]
) -> None:
    for i, o in enumerate(operations):
        _check_operation(i, o, len(needs))
    for e in edges:
        if not (0 <= e.before < len(operations) and 0 <= e.after < len(operations)):
            raise NetworkError(f"An edge leads from {e.before} to {e.after} of {len(operations)} operations.")
        if not 0 <= e.lag < np.inf:
            raise NetworkError(f"The edge from {e.before} to {e.after} has a lag of {e.lag:g} minutes.")
    for need in needs:
        if max(need.machines or 0, need.people) >> len(shop.units):
            raise NetworkError(f"The need {need.name!r} names a unit beyond the shop's {len(shop.units)}.")


def _check_operation(i: int, o: Operation, needs: int) -> None:
    if not 0 <= o.need < needs:
        raise NetworkError(f"Operation {i} ({o.name}) has need {o.need} of {needs}.")
    if min(o.job, o.stage) < 0 or min(o.attended, o.unattended, o.roll) < -1:
        raise NetworkError(f"Operation {i} ({o.name}) has a negative job, stage, column or roll.")
    if not np.isfinite(o.release):
        raise NetworkError(f"Operation {i} ({o.name}) is released at {o.release} minutes.")
    if o.pinned is not None and not np.isfinite(o.pinned):
        raise NetworkError(f"Operation {i} ({o.name}) is pinned to {o.pinned} minutes.")
    if any(not opens < closes for opens, closes in o.windows):
        raise NetworkError(f"Operation {i} ({o.name}) has a window that closes before it opens.")


def check_needs(shop: SimShop, needs: dict[int, Need]) -> None:
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


def check_running(shop: SimShop, operations: Sequence[Operation]) -> None:
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


def distinct_needs(needs: Sequence[Need]) -> tuple[tuple[Need, ...], list[int]]:
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


def depths(edges: Collection[Edge], names: Sequence[str]) -> NDArray[np.int64]:
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
