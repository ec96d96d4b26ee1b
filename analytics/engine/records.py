"""The shop, the work and a replication's course as records: what the compiled loop in `kernel` reads and writes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analytics.engine.network import Network, SimShop

OPERATION = np.dtype(
    [(name, "i4") for name in ("job", "stage", "need", "attended", "unattended", "roll", "rank")]
    + [(name, "i4") for name in ("predecessors", "first_edge", "last_edge", "running", "machine")]
    + [(name, "i4") for name in ("heat", "first_visit", "last_visit")]
    + [("people", "u8")],
    align=True,
)
EDGE = np.dtype([("to", "i4"), ("kind", "i4"), ("lag", "f8")], align=True)
NEED = np.dtype([("machines", "u8"), ("people", "u8"), ("count", "i8"), ("heap", "i8")], align=True)
UNIT = np.dtype(
    [(name, "i8") for name in ("calendar", "unattended", "roll", "watched")] + [("cool", "f8"), ("hot", "f8")]
)
CALENDAR = np.dtype([("first", "i8"), ("last", "i8"), ("units", "u8")], align=True)
WINDOW = np.dtype([("open", "f8"), ("close", "f8")], align=True)
SLOT = np.dtype([("first", "i8"), ("last", "i8"), ("arrival", "i8")])
HEATS, COLD = 1, 2  # bits of an operation's heat

COURSE = np.dtype(  # what became of an operation in this replication
    [(name, "f8") for name in ("ready", "start", "attended_end", "end", "worked", "freed")]
    + [(name, "i4") for name in ("left", "binding", "binding_kind", "blocker")],
    align=True,
)
POST = np.dtype([("release", "f8"), ("roll", "i8"), ("hot", "f8")], align=True)
VISIT = (
    np.dtype(  # a wait for the customer's time: since when, until when, and which unit was waited for before
        [(name, "f8") for name in ("refused", "allowed", "freed")] + [("blocker", "i8")], align=True
    )
)
EVENT = np.dtype([("time", "f8"), ("operation", "i8")], align=True)


class Tables(NamedTuple):
    """What stays the same in every replication."""

    operations: NDArray[np.void]
    by_rank: NDArray[np.int32]
    edges: NDArray[np.void]
    needs: NDArray[np.void]
    units: NDArray[np.void]
    lasting: NDArray[np.int64]  # the calendar by which each unit's work for each need goes on, (needs, units)
    calendars: NDArray[np.void]
    windows: NDArray[np.void]
    visits: NDArray[np.void]  # the customers' windows
    visitors: NDArray[np.int64]  # operations that have such windows
    slots: NDArray[np.void]  # of work that may come in
    own: int
    goal: int
    alone_job: int  # the one job that is to be finished for a replication to end, -1 for all
    roll_change: float
    alone: np.uint64  # needs that ask for no person
    people: np.uint64  # units that some need asks for as a person


class State(NamedTuple):
    """What changes within a replication; one per thread."""

    course: NDArray[np.void]
    posts: NDArray[np.void]
    events: NDArray[np.void]  # a heap by time of operations that are not ready yet
    heap: NDArray[np.int32]  # a heap of ranks for each need
    waiting: NDArray[np.int64]  # how many wait for each need
    holds: NDArray[np.int64]  # a stack of holds that begin now
    cursor: NDArray[np.int64]  # each calendar's first window that closes after now
    window: NDArray[np.int64]
    keeps: NDArray[np.int64]
    used: NDArray[np.int64]
    on: NDArray[np.uint64]  # the units that each operation was on
    cooled: NDArray[np.float64]  # minutes that each waited for its machine to cool
    visit: NDArray[np.void]
    missed: NDArray[np.int64]  # in how many replications each began after the customer's last time
    words: NDArray[np.uint64]
    counts: NDArray[np.int64]
    clock: NDArray[np.float64]


_AS_THEY_ARE = ("job", "stage", "need", "attended", "unattended", "roll", "rank", "predecessors", "running")
"""What an operation's record takes from the network by the same name."""


def tables_of(shop: SimShop, network: Network) -> Tables:
    """The shop and the network as the compiled loop reads them."""
    operations = np.zeros(network.size, OPERATION)
    for field in _AS_THEY_ARE:
        operations[field] = getattr(network, field)
    operations["machine"], operations["people"] = network.held_machine, network.held_people
    operations["first_edge"], operations["last_edge"] = network.edge_start[:-1], network.edge_start[1:]
    operations["heat"] = HEATS * network.heats + COLD * network.cold
    operations["first_visit"], operations["last_visit"] = network.window_start[:-1], network.window_start[1:]
    visits = np.zeros(network.window_open.size, WINDOW)
    visits["open"], visits["close"] = network.window_open, network.window_close
    slots = np.zeros(network.slots.first.size, SLOT)
    for field in ("first", "last", "arrival"):
        slots[field] = getattr(network.slots, field)
    edges = np.zeros(network.edge_to.size, EDGE)
    edges["to"], edges["kind"], edges["lag"] = network.edge_to, network.edge_kind, network.edge_lag
    needs = np.zeros(len(network.needs), NEED)
    needs["machines"] = [n.machines or 0 for n in network.needs]
    needs["people"] = [n.people if n.people_count else 0 for n in network.needs]
    needs["count"] = [n.people_count for n in network.needs]
    users = np.bincount(network.need[network.need >= 0], minlength=len(needs))
    needs["heap"] = np.cumsum(users) - users
    units = np.zeros(len(shop.units), UNIT)
    for u, unit in enumerate(shop.units):
        hours = unit.calendar, shop.unattended(unit)
        units[u] = *hours, unit.loaded_roll, unit.watched, unit.cool, unit.hot_until
    sizes = np.array([c.open.size for c in shop.calendars], np.int64)
    calendars = np.zeros(len(shop.calendars), CALENDAR)
    calendars["first"], calendars["last"] = np.cumsum(sizes) - sizes, np.cumsum(sizes)
    for u, unit in enumerate(shop.units):
        calendars["units"][unit.calendar] |= np.uint64(1 << u)
    windows = np.zeros(sizes.sum(), WINDOW)
    windows["open"] = np.concatenate([c.open for c in shop.calendars])
    windows["close"] = np.concatenate([c.close for c in shop.calendars])
    alone = sum(1 << c for c, n in enumerate(network.needs) if n.people_count == 0)
    people = np.bitwise_or.reduce(needs["people"]) if len(needs) else 0
    by_rank = np.argsort(network.rank).astype(np.int32)
    return Tables(
        operations,
        by_rank,
        edges,
        needs,
        units,
        _lasting(units["calendar"], network),
        calendars,
        windows,
        visits,
        np.flatnonzero(np.diff(network.window_start)),
        slots,
        network.own,
        network.goal,
        -1,
        float(shop.roll_change_minutes),
        np.uint64(alone),
        np.uint64(people),
    )


def _lasting(calendars: NDArray[np.int64], network: Network) -> NDArray[np.int64]:
    found = np.tile(calendars, (len(network.needs), 1))
    for n, need in enumerate(network.needs):
        for unit, calendar in need.relief:
            found[n, unit] = calendar
    return found


def room_for(shop: SimShop, network: Network) -> State:
    """Room for one replication."""
    units, calendars, needs = len(shop.units), len(shop.calendars), len(network.needs)
    return State(
        course=np.zeros(network.size, COURSE),
        posts=np.zeros(units, POST),
        events=np.zeros(network.size, EVENT),
        heap=np.zeros(network.size, np.int32),
        waiting=np.zeros(needs, np.int64),
        holds=np.zeros(network.size, np.int64),
        cursor=np.zeros(calendars, np.int64),
        window=np.zeros(units, np.int64),
        keeps=np.zeros(units, np.int64),
        used=np.zeros(units, np.int64),
        on=np.zeros(network.size, np.uint64),
        cooled=np.zeros(network.size),
        visit=np.zeros(network.size, VISIT),
        missed=np.zeros(network.size, np.int64),
        words=np.zeros(3, np.uint64),
        counts=np.zeros(5, np.int64),
        clock=np.zeros(4),
    )
