"""The open work of a simulated shop as arrays: operations joined by edges, and who goes first."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.feasible import check_indices, check_needs, check_running, depths, distinct_needs
from analytics.engine.hours import Calendar
from analytics.engine.parts import (
    ATTENDED_TO_START,
    FINISH_TO_START,
    MOST_UNITS,
    CircularRoute,
    Edge,
    EdgeKind,
    Need,
    NetworkError,
    NoUnit,
    NoWindowLeft,
    Operation,
    Running,
    SimShop,
    Unit,
    UnitClash,
    mask,
)

__all__ = [
    "ABSENT",
    "ATTENDED_TO_START",
    "FINISH_TO_START",
    "MOST_UNITS",
    "CircularRoute",
    "Edge",
    "EdgeKind",
    "Need",
    "Network",
    "NetworkError",
    "NoUnit",
    "NoWindowLeft",
    "Operation",
    "Running",
    "SimShop",
    "Slots",
    "Unit",
    "UnitClash",
    "build_network",
    "mask",
    "rank_by_job",
    "rank_by_operation",
    "with_slots",
    "without_job",
]

Ints = NDArray[np.int64]
Masks = NDArray[np.uint64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Slots:
    """Jobs that may come in, one or none in each slot of time, in order; shape (slots,).

    first, last: a slot's operations are first:last. arrival: the column of the sampled minutes that says when it
    comes in, ABSENT or more for never.
    """

    first: Ints
    last: Ints
    arrival: Ints


ABSENT = 1e12
"""An arrival at this minute or later is none."""

NO_SLOTS = Slots(*(np.empty(0, np.int64) for _ in range(3)))


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
    pinned: Floats  # it goes ahead of all that is pinned later, or not at all (inf)
    depth: Ints  # operations before it on the longest way to it
    running: NDArray[np.bool_]
    held_machine: Ints  # of a running operation, -1 for none
    held_people: Masks  # of a running operation
    predecessors: Ints  # how many edges lead to it
    edge_start: Ints  # (operations + 1,) its edges are edge_start[i]:edge_start[i + 1]
    edge_to: Ints  # (edges,)
    edge_kind: Ints  # (edges,)
    edge_lag: Floats  # (edges,)
    heats: NDArray[np.bool_]  # it leaves its machine hot
    cold: NDArray[np.bool_]  # its machine must be cold
    window_start: Ints  # (operations + 1,) its windows are window_start[i]:window_start[i + 1]
    window_open: Floats  # (windows,)
    window_close: Floats  # (windows,)
    needs: tuple[Need, ...]  # the distinct ones
    names: tuple[str, ...]
    jobs: int
    own: int  # the operations from here on are of work that may come in
    goal: int  # how many of the own ones must have started for a replication to end
    slots: Slots = NO_SLOTS

    @property
    def size(self) -> int:
        """How many operations there are, with those of work that may come in."""
        return int(self.job.size)

    @property
    def stages(self) -> int:
        """One more than the highest stage index."""
        return int(self.stage[: self.own].max(initial=-1)) + 1


def build_network(
    shop: SimShop,
    needs: Sequence[Need],
    operations: Sequence[Operation],
    edges: Collection[Edge] = (),
    jobs: int | None = None,
) -> Network:
    """Check the work against the shop and lay it out as arrays, ranked by job index.

    jobs: how many there are, if some have no operation left; those beyond are samples for `with_slots`. Raises
    CircularRoute, NoUnit, UnitClash, or NetworkError for an index that does not exist. Edges into a running
    operation are dropped: it has begun.
    """
    check_indices(shop, needs, operations, edges)
    check_needs(
        shop, {operation.need: needs[operation.need] for operation in operations if not operation.running}
    )
    check_running(shop, operations)
    names = tuple(o.name or f"{needs[o.need].name} of job {o.job}" for o in operations)
    depth = depths(edges, names)
    distinct, need_index = distinct_needs(needs)
    live = sorted(
        (e for e in edges if operations[e.after].running is None), key=lambda e: (e.before, e.after, e.kind)
    )
    edge_to = np.array([e.after for e in live], np.int64)
    column: dict[str, Any] = {
        field: np.array([getattr(o, field) for o in operations], np.int64)
        for field in ("job", "stage", "attended", "unattended", "roll")
    }
    held = [o.running or Running() for o in operations]
    pins = [np.inf if o.pinned is None or o.running else o.pinned for o in operations]
    windows = [() if o.running else _merged(o.windows) for o in operations]
    opens, closes = (np.array([w[k] for mine in windows for w in mine], float) for k in range(2))
    network = Network(
        **column,
        need=np.array([need_index[o.need] for o in operations], np.int64),
        release=np.array([0.0 if o.running else max(o.release, o.pinned or 0.0) for o in operations], float),
        rank=np.arange(len(operations)),
        pinned=np.array(pins, float),
        depth=depth,
        running=np.array([o.running is not None for o in operations], bool),
        held_machine=np.array([h.machine for h in held], np.int64),
        held_people=np.array([mask(h.people) for h in held], np.uint64),
        predecessors=np.bincount(edge_to, minlength=len(operations)).astype(np.int64),
        edge_start=np.searchsorted([e.before for e in live], np.arange(len(operations) + 1)).astype(np.int64),
        edge_to=edge_to,
        edge_kind=np.array([e.kind for e in live], np.int64),
        edge_lag=np.array([e.lag for e in live], float),
        heats=np.array([o.heats for o in operations], bool),
        cold=np.array([o.cold and o.running is None for o in operations], bool),
        window_start=np.cumsum([0, *map(len, windows)]),
        window_open=opens,
        window_close=closes,
        needs=distinct,
        names=names,
        own=len(operations),
        goal=len(operations),
        jobs=max((o.job for o in operations), default=-1) + 1 if jobs is None else jobs,
    )
    return rank_by_job(network, np.arange(1 + network.job.max(initial=-1)))


def _merged(windows: Sequence[tuple[float, float]]) -> Sequence[tuple[float, float]]:
    """The windows in order, those that touch joined."""
    if len(windows) < 2:
        return windows
    calendar = Calendar.of(*zip(*windows, strict=True))
    return list(zip(calendar.open.tolist(), calendar.close.tolist(), strict=True))


def without_job(network: Network, job: int) -> Network:
    """The network in which a job's operations never begin, and nothing waits for them; all else as it was."""
    out = network.job == job
    before = np.repeat(np.arange(network.size), np.diff(network.edge_start))
    freed = np.bincount(network.edge_to[out[before]], minlength=network.size)
    predecessors = np.where(out, 1 + network.predecessors, network.predecessors - freed)
    kept = replace(network, predecessors=predecessors, running=network.running & ~out)
    return replace(kept, goal=network.goal - int(out[: network.own].sum()))


def with_slots(
    network: Network, samples: ArrayLike, copies: ArrayLike, columns: int, arrival: int
) -> Network:
    """The network with its last operations taken as samples of work that may come in, laid out slot by slot.

    Jobs from `network.jobs` on are the samples, in order. samples, copies: which sample may come in, shape (slots,),
    and which copy of the samples' columns it takes. columns: how many one copy has. arrival: the column that says
    when the first slot's job comes in; those of the others follow.
    """
    sizes = np.bincount(network.job, minlength=network.jobs)
    own = int(sizes[: network.jobs].sum())
    picked = network.jobs + np.asarray(samples, np.int64)
    length = sizes[picked]
    first = own + np.cumsum(length) - length
    slot = np.repeat(np.arange(picked.size), length)
    index = np.arange(own + slot.size)
    source = index.copy()
    source[own:] += ((np.cumsum(sizes) - sizes)[picked] - first)[slot]
    moved = np.concatenate([np.zeros(own, np.int64), (np.asarray(copies, np.int64) * columns)[slot]])
    laid_out = _rearranged(network, source, moved)
    job = laid_out.job.copy()
    job[own:] = network.jobs + slot
    slots = Slots(first, first + length, arrival + np.arange(picked.size))
    return replace(laid_out, job=job, own=own, goal=own, names=network.names[:own], slots=slots)


_PER_OPERATION = (
    *("job", "stage", "need", "roll", "release", "rank", "pinned", "depth", "predecessors"),
    *("running", "held_machine", "held_people", "heats", "cold"),
)


def _rearranged(network: Network, source: Ints, moved: Ints) -> Network:
    """The network of operations `source`, with their columns moved on. Edges lead to the copy beside them."""
    taken: dict[str, Any] = {field: getattr(network, field)[source] for field in _PER_OPERATION}
    for field in ("attended", "unattended"):
        column = getattr(network, field)[source]
        taken[field] = np.where(column >= 0, column + moved, -1)
    index = np.arange(source.size)
    edge_start, edges = _spans(network.edge_start, source)
    window_start, windows = _spans(network.window_start, source)
    steps = np.repeat(index - source, np.diff(edge_start))
    return replace(
        network,
        **taken,
        edge_start=edge_start,
        edge_to=network.edge_to[edges] + steps,
        edge_kind=network.edge_kind[edges],
        edge_lag=network.edge_lag[edges],
        window_start=window_start,
        window_open=network.window_open[windows],
        window_close=network.window_close[windows],
    )


def _spans(start: Ints, source: Ints) -> tuple[Ints, Ints]:
    """The spans start[i]:start[i + 1] of each i in source, one after the other: their bounds, and what is in them."""
    counts = np.diff(start)[source]
    bounds = np.concatenate([[0], np.cumsum(counts)])
    return bounds, np.repeat(start[source] - bounds[:-1], counts) + np.arange(bounds[-1])


def rank_by_job(network: Network, job_key: ArrayLike) -> Network:
    """The network with its operations ranked by their job's key, the lowest first.

    job_key: shape (jobs,), with work that may come in (jobs + slots,). Within a job later stages go first, so that
    what is begun is finished; running operations lead, and then those pinned, by their pins.
    """
    return rank_by_operation(network, np.asarray(job_key, float)[network.job])


def rank_by_operation(network: Network, key: ArrayLike) -> Network:
    """The network ranked by each operation's key, shape (operations,), the lowest first."""
    order = np.lexsort(
        (
            np.arange(network.size),
            -network.depth,
            network.job,
            np.asarray(key),
            network.pinned,
            ~network.running,
        )
    )
    rank = np.empty(network.size, np.int64)
    rank[order] = np.arange(network.size)
    return replace(network, rank=rank)
