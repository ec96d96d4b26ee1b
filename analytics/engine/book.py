"""The futures of a book: every job's finish in each, and what drives the date of the one that is asked about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analytics.engine.booked import (
    LAST,
    Book,
    BookedJob,
    from_bytes,
    instant_of,
    to_bytes,
    turn_of,
    with_turn,
)
from analytics.engine.futures import Layout
from analytics.engine.running_total import LEVEL, Futures, RunningTotal
from analytics.engine.sampling import BLOCK, in_threads

__all__ = [
    "LAST",
    "Book",
    "BookedJob",
    "Futures",
    "Look",
    "draws",
    "finishes",
    "from_bytes",
    "instant_of",
    "look",
    "run",
    "run_until",
    "to_bytes",
    "turn_of",
    "with_turn",
]

Floats = NDArray[np.float64]


def run(book: Book, *, runs: int, seed: int, threads: int = 1, level: float = LEVEL) -> Futures:
    """Draw `runs` futures of the book, the first HARM_RUNS of them with and without the target.

    level: the chance at which the date is asked for: `error` is that of this quantile.

    Raises:
        NetworkError: the work cannot be simulated. NoWindowLeft: too often the target is not ready before the
            customer's last time. HorizonTooShort: it runs on past the calendars.

    """
    total = RunningTotal(book, seed=seed, most=runs, level=level, threads=threads)
    total.add(-(-runs // BLOCK))
    return total.futures()


def run_until(
    book: Book,
    *,
    seed: int,
    within: float = 15.0,
    most: int = 6000,
    level: float = LEVEL,
    threads: int = 1,
    go_on: Callable[[], bool] = lambda: True,
) -> Futures:
    """As `run`, with as many futures as it takes until the quantile at `level` is known to `within` working minutes.

    within: half the width of its 95 % interval. most: futures at the most. go_on: asked now and then; False ends it.
    `run` with the same seed and level and as many runs as this took gives the same answer. Raises as `run` does.
    """
    total = RunningTotal(book, seed=seed, most=most, level=level, threads=threads)
    total.reach(within, go_on)
    return total.futures()


def finishes(book: Book, *, runs: int, seed: int, threads: int = 1) -> Floats:
    """When each job of the book finishes in `runs` futures, minutes since the origin, shape (runs, jobs).

    Raises as `run` does, but for a customer's times that are over.
    """
    plain = replace(book, target=-1)
    return look(plain, draws(plain, runs=runs, seed=seed, threads=threads), threads=threads).finish


@dataclass(frozen=True, eq=False)
class Look:
    """Futures of a whole book. finish: of each job, minutes since the origin, shape (runs, jobs).

    trace: start, end of the attended part, and end of each operation, shape (runs, operations, 3), if asked for.
    units: with it, the units that each operation was on as a bit mask, shape (runs, operations). missed: as of
    `Futures`.
    """

    finish: Floats
    trace: Floats | None = None
    units: NDArray[np.uint64] | None = None
    missed: dict[int, float] = field(default_factory=dict)


def draws(book: Book, *, runs: int, seed: int, threads: int = 1) -> Floats:
    """The minutes of every column in `runs` futures: the same for all that share columns.

    Shape (runs, columns); with work that may come in its columns and arrivals follow.
    """
    layout = Layout(book, seed)
    minutes = np.empty((runs, layout.width))

    def fill(block: int) -> None:
        layout.fill(block, minutes[block * BLOCK : (block + 1) * BLOCK])

    in_threads(fill, -(-runs // BLOCK), threads)
    return minutes


def look(book: Book, minutes: Floats, *, trace: bool = False, threads: int = 1) -> Look:
    """Run the book, its target too, on minutes of `draws`. Raises as `run` does, but for a customer's times."""
    found = Layout(book, 0).simulator().run(minutes, trace=trace, threads=threads)
    missed = {int(i): float(found.missed[i]) for i in np.flatnonzero(found.missed)}
    return Look(found.finish, found.trace, found.units, missed)
