"""The backlog's futures: every job's finish in every replication, and what drives one job's date."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.hours import ALWAYS
from analytics.engine.network import Edge, Need, Network, Operation, SimShop, Unit, build_network
from analytics.engine.records import room_for, tables_of
from analytics.engine.sampling import Columns, draw, uniforms

CAUSES = (
    "attended",
    "unattended",
    "closed",
    "waiting for machine",
    "waiting for person",
    "hold",
    "release",
    "cooling",
    "visit",
)
"""Where the minutes of a job's way went. Attended includes roll changes, hold includes lags; release is the
wait for the earliest allowed start, cooling for a hot machine, visit for the customer's time."""


class HorizonTooShort(ValueError):
    """The work runs on past the end of the calendars. stage: the name of what finds no time left."""

    def __init__(self, stage: str, message: str) -> None:
        super().__init__(message)
        self.stage = stage


@dataclass(frozen=True, eq=False)
class Result:
    """finish: minutes, shape (runs, jobs); 0 for a job with nothing left to do.

    trace: start, end of the attended part, and end of each operation, shape (runs, operations, 3), if asked for;
    units: with it, a bit mask of the units it was on, shape (runs, operations).
    chain: mean minutes of the target job by stage and cause, shape (stages, len(CAUSES)); they add up to its
    mean finish. waits: those of them spent waiting for each unit, shape (units,). None without a target.
    missed: share of the runs in which an operation began after the customer's last time, shape (operations,).
    """

    finish: NDArray[np.float64]
    trace: NDArray[np.float64] | None
    units: NDArray[np.uint64] | None
    chain: NDArray[np.float64] | None
    waits: NDArray[np.float64] | None
    missed: NDArray[np.float64]


class Simulator:
    """A shop and its work laid out for the event loop, to be run any number of times, in threads too."""

    def __init__(self, shop: SimShop, network: Network) -> None:
        self.shop, self.network = shop, network
        self.tables = tables_of(shop, network)

    def run(
        self,
        minutes: ArrayLike,
        *,
        release: ArrayLike | None = None,
        trace: bool = False,
        target: int = -1,
        threads: int = 1,
        alone: bool = False,
    ) -> Result:
        """As `simulate`. alone: each run ends with the target's last stage.

        The target's finish, chain and waits are the same to the last bit; the other jobs' finishes are no numbers,
        and `missed` counts for the target's operations only.
        """
        from analytics.engine import kernel  # here, for it loads numba

        network = self.network
        rows = np.ascontiguousarray(minutes, float)
        _check_minutes(network, rows)
        starts = _starts(network, release, len(rows))
        targets = np.flatnonzero(network.job == target) if target >= 0 else np.empty(0, np.int64)
        tables = self.tables
        if alone and targets.size:
            tables = tables._replace(alone_job=target, goal=targets.size)
        runs = len(rows)
        finish = np.empty((runs, network.jobs))
        traces = np.empty((runs, network.own, 3) if trace else (0, 0, 3))
        units = np.empty((runs, network.own) if trace else (0, 0), np.uint64)
        parts = max(1, min(threads, runs))
        chain = np.zeros((parts, network.stages, len(CAUSES)))
        waits = np.zeros((parts, len(self.shop.units)))
        missed = np.zeros((parts, network.own))
        bounds = np.linspace(0, runs, parts + 1).astype(int).tolist()

        def part(k: int) -> tuple[int, int]:
            state = room_for(self.shop, network)
            span = bounds[k], bounds[k + 1]
            written = finish, traces, chain[k], waits[k], units
            end: tuple[int, int] = kernel.run(tables, state, rows, starts, *span, targets, *written)
            missed[k] = state.missed[: network.own]
            return end

        if parts == 1:
            ends = [part(0)]
        else:
            with ThreadPoolExecutor(parts) as pool:
                ends = list(pool.map(part, range(parts)))
        _check_ends(self.shop, network, ends)
        return Result(
            finish,
            traces if trace else None,
            units if trace else None,
            chain.sum(axis=0) / runs if target >= 0 else None,
            waits.sum(axis=0) / runs if target >= 0 else None,
            missed.sum(axis=0) / runs,
        )


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

    minutes: shape (runs, columns), the columns that the operations name, and the arrivals of work that may come
    in. release: earliest starts instead of the network's, shape (runs, operations). target: the job whose way is to
    be accounted for. threads: how many share the replications. Raises HorizonTooShort if the calendars end first,
    ValueError for unfit minutes.
    """
    run = Simulator(shop, network).run
    return run(minutes, release=release, trace=trace, target=target, threads=threads)


def warm_up() -> None:
    """Compile the draws and the event loop on a tiny case, so that their machine code lies in numba's cache."""
    shop = SimShop((Unit("bench", 0),), (ALWAYS,))
    operations = [Operation(0, 0, 0, attended=0), Operation(0, 1, 0, attended=0)]
    network = build_network(shop, [Need("cut", machines=1)], operations, [Edge(0, 1)])
    law = np.array([[1.0, 2.0], [1.0, 2.0]])
    begun = np.array([0.5, 0.0])
    columns = Columns(law, np.array([0.1, 0.9]), np.arange(2), np.arange(2), kind_corr=0.1, elapsed=begun)
    simulate(shop, network, draw(columns, [0, 1], runs=2, seed=0), trace=True, target=0)
    uniforms(0, 0, np.arange(1), 1)


def _starts(network: Network, release: ArrayLike | None, runs: int) -> NDArray[np.float64]:
    """The earliest starts, shape (1 or runs, operations)."""
    starts = np.ascontiguousarray(network.release[None, : network.own] if release is None else release, float)
    if starts.shape[1] != network.own or starts.shape[0] not in (1, runs):
        raise ValueError(f"Releases of shape {starts.shape} for {runs} runs of {network.own} operations.")
    return starts


def _check_minutes(network: Network, rows: NDArray[np.float64]) -> None:
    columns = 1 + max(
        part.max(initial=-1) for part in (network.attended, network.unattended, network.slots.arrival)
    )
    if rows.ndim != 2 or not len(rows) or rows.shape[1] < columns:
        raise ValueError(f"Minutes of shape {rows.shape}: at least one run of {columns} columns is needed.")
    if not (rows.min(initial=0.0) >= 0 and rows.max(initial=0.0) < np.inf):
        run, column = np.argwhere(~((rows >= 0) & (rows < np.inf)))[0]
        raise ValueError(f"Run {run} has {rows[run, column]:g} minutes in column {column}.")


def _check_ends(shop: SimShop, network: Network, ends: list[tuple[int, int]]) -> None:
    for run, operation in ends:
        if operation >= 0:
            last = min(c.close[-1] for c in shop.calendars)
            name = network.names[operation] if operation < network.own else "work that may come in"
            raise HorizonTooShort(
                name,
                f"Run {run} comes to {name!r} and finds no opening hours left: the first "
                f"calendar ends {last / 1440:.0f} days after the origin. Build the calendars for more days.",
            )
