"""The backlog's futures: every job's finish in every replication, and what drives one job's date."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.hours import ALWAYS
from analytics.engine.network import Edge, Need, Network, Operation, SimShop, Unit, build_network
from analytics.engine.records import room_for, tables_of

CAUSES = (
    "attended",
    "unattended",
    "closed",
    "waiting for machine",
    "waiting for person",
    "hold",
    "release",
)
"""Where the minutes of a job's way went. Attended includes roll changes, hold includes lags; release is the
wait for the earliest allowed start."""


class HorizonTooShort(ValueError):
    """The work runs on past the end of the calendars."""


@dataclass(frozen=True, eq=False)
class Result:
    """finish: minutes, shape (runs, jobs); 0 for a job with nothing left to do.

    trace: start, end of the attended part, and end of each operation, shape (runs, operations, 3), if asked for.
    chain: mean minutes of the target job by stage and cause, shape (stages, len(CAUSES)); they add up to its
    mean finish. waits: those of them spent waiting for each unit, shape (units,). None without a target.
    """

    finish: NDArray[np.float64]
    trace: NDArray[np.float64] | None
    chain: NDArray[np.float64] | None
    waits: NDArray[np.float64] | None


def simulate(
    shop: SimShop,
    network: Network,
    minutes: ArrayLike,
    *,
    release: ArrayLike | None = None,
    trace: bool = False,
    target: int = -1,
    threads: int = 1,
) -> Result:
    """Run the network once for each row of sampled minutes, by list scheduling in order of rank.

    minutes: shape (runs, columns), the columns that the operations name. release: earliest starts instead of the
    network's, shape (runs, operations). target: the job whose way is to be accounted for. threads: how many
    share the replications. Raises HorizonTooShort if the calendars end first, ValueError for unfit minutes.
    """
    from analytics.engine import kernel  # here, for it loads numba

    rows = np.ascontiguousarray(minutes, float)
    _check_minutes(network, rows)
    starts = np.ascontiguousarray(network.release[None] if release is None else release, float)
    if starts.shape[1] != network.size or starts.shape[0] not in (1, len(rows)):
        raise ValueError(
            f"Releases of shape {starts.shape} for {len(rows)} runs of {network.size} operations."
        )
    targets = np.flatnonzero(network.job == target) if target >= 0 else np.empty(0, np.int64)
    runs, units = len(rows), len(shop.units)
    finish = np.empty((runs, network.jobs))
    traces = np.empty((runs, network.size, 3) if trace else (0, 0, 3))
    parts = max(1, min(threads, runs))
    chain, waits = np.zeros((parts, network.stages, len(CAUSES))), np.zeros((parts, units))
    tables = tables_of(shop, network)
    bounds = np.linspace(0, runs, parts + 1).astype(int).tolist()

    def part(k: int) -> tuple[int, int]:
        return kernel.run(
            tables,
            room_for(shop, network),
            rows,
            starts,
            bounds[k],
            bounds[k + 1],
            targets,
            finish,
            traces,
            chain[k],
            waits[k],
        )

    if parts == 1:
        ends = [part(0)]
    else:
        with ThreadPoolExecutor(parts) as pool:
            ends = list(pool.map(part, range(parts)))
    _check_ends(shop, network, ends)
    if target < 0:
        return Result(finish, traces if trace else None, None, None)
    return Result(finish, traces if trace else None, chain.sum(axis=0) / runs, waits.sum(axis=0) / runs)


def warm_up() -> None:
    """Compile the event loop on a tiny case, so that its machine code lies in numba's cache."""
    shop = SimShop((Unit("bench", 0),), (ALWAYS,))
    operations = [Operation(0, 0, 0, attended=0), Operation(0, 1, 0, attended=0)]
    network = build_network(shop, [Need("cut", machines=1)], operations, [Edge(0, 1)])
    simulate(shop, network, [[1.0]], trace=True, target=0)


def _check_minutes(network: Network, rows: NDArray[np.float64]) -> None:
    columns = max(network.attended.max(initial=-1), network.unattended.max(initial=-1)) + 1
    if rows.ndim != 2 or not len(rows) or rows.shape[1] < columns:
        raise ValueError(f"Minutes of shape {rows.shape}: at least one run of {columns} columns is needed.")
    if not (rows.min(initial=0.0) >= 0 and rows.max(initial=0.0) < np.inf):
        run, column = np.argwhere(~((rows >= 0) & (rows < np.inf)))[0]
        raise ValueError(f"Run {run} has {rows[run, column]:g} minutes in column {column}.")


def _check_ends(shop: SimShop, network: Network, ends: list[tuple[int, int]]) -> None:
    for run, operation in ends:
        if operation >= 0:
            last = min(c.close[-1] for c in shop.calendars)
            raise HorizonTooShort(
                f"Run {run} comes to {network.names[operation]!r} and finds no opening hours left: the first "
                f"calendar ends {last / 1440:.0f} days after the origin. Build the calendars for more days."
            )
