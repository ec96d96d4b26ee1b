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
from analytics.engine.network import NoWindowLeft
from analytics.engine.precision import half_width
from analytics.engine.sampling import BLOCK, in_threads
from analytics.engine.simulate import CAUSES, Result

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

LEVEL = 0.8
HARM_RUNS = 500
"""What a job does to the others is looked at in the first futures: with and without it, on the same draws."""

_ROUND = 2
"""Blocks between two looks at how exact the answer is, whatever the number of threads."""
_FEWEST = 2 * _ROUND
"""Blocks before the first look: fewer say too little about their spread."""
_PILOT = 100
"""Futures from which the target's place among work that may come in is taken."""


@dataclass(frozen=True, eq=False)
class Futures:
    """finish: the target's finish in every future, minutes since the origin, rising, shape (runs,).

    drives: (stage index, cause, mean minutes), the largest first; they add up to the mean finish. harm: for each
    other dated job its chance of being in time without and with the target, by index of the job. error: half the
    width of the 95 % interval of the quantile that was asked for, in working minutes of the shop. missed: in what
    share of the futures a stage is ready only after the customer's last time, by index of the operation; there it
    begins as soon as it can, as if another time were given.
    """

    finish: Floats
    drives: tuple[tuple[int, str, float], ...]
    harm: dict[int, tuple[float, float]]
    error: float = float("inf")
    missed: dict[int, float] = field(default_factory=dict)

    @property
    def runs(self) -> int:
        """How many futures it rests on."""
        return int(self.finish.size)

    def quantile(self, p: float) -> float:
        """The earliest finish that a share p or more of the futures meet (Hyndman & Fan's type 1)."""
        return float(np.quantile(self.finish, p, method="inverted_cdf"))


def run(book: Book, *, runs: int, seed: int, threads: int = 1, level: float = LEVEL) -> Futures:
    """Draw `runs` futures of the book, the first HARM_RUNS of them with and without the target.

    level: the chance at which the date is asked for: `error` is that of this quantile.

    Raises:
        NetworkError: the work cannot be simulated. NoWindowLeft: too often the target is not ready before the
            customer's last time. HorizonTooShort: it runs on past the calendars.

    """
    gathered = _Gathered(book, runs, seed, threads, level)
    gathered.add(gathered.blocks)
    return gathered.futures()


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
    gathered = _Gathered(book, most, seed, threads, level)
    gathered.add(_FEWEST)
    while gathered.done < gathered.blocks and gathered.error() > within and go_on():
        gathered.add(_ROUND)
    return gathered.futures()


class _Gathered:
    """Futures of a book gathered block by block."""

    def __init__(self, book: Book, most: int, seed: int, threads: int, level: float) -> None:
        self.book, self.most, self.threads, self.level = book, most, threads, level
        self.blocks, self.done = -(-most // BLOCK), 0
        self.layout = Layout(book, seed)
        self.dated = {
            i: job.due for i, job in enumerate(book.jobs) if job.due is not None and i != book.target
        }
        self.with_it = self.layout.simulator()
        self.without = self.layout.simulator(without=book.target) if self.dated else None
        self.results: list[Result] = []
        self.before: list[Floats] = []

    def add(self, blocks: int) -> None:
        """Run so many blocks more, or those that are left."""
        first, last = self.done, min(self.done + blocks, self.blocks)
        results: list[Result | None] = [None] * (last - first)
        before: list[Floats | None] = [None] * (last - first)

        def one(part: int) -> None:
            begin = (first + part) * BLOCK
            minutes = self.layout.draw(first + part, min(BLOCK, self.most - begin))
            results[part] = self.with_it.run(minutes, target=self.book.target)
            compared = minutes[: max(HARM_RUNS - begin, 0)]
            if self.without is not None and len(compared):
                before[part] = self.without.run(compared).finish

        in_threads(one, last - first, self.threads)
        self.results += [result for result in results if result is not None]
        self.before += [finish for finish in before if finish is not None]
        self.done = last

    def error(self) -> float:
        blocks = [result.finish[:, self.book.target] for result in self.results]
        return half_width(blocks, self.level, self.book.plan.shop.calendars[0])

    def futures(self) -> Futures:
        weight = np.array([len(result.finish) for result in self.results], float)
        weight /= weight.sum()
        finish = np.concatenate([result.finish for result in self.results])
        chain = np.zeros_like(self.results[0].chain)
        missed = np.zeros(len(self.book.plan.operations))
        for share, result in zip(weight, self.results, strict=True):
            chain += share * result.chain
            missed += share * result.missed
        self._check_missed(missed)
        drives = [
            (int(stage), CAUSES[cause], float(chain[stage, cause]))
            for stage, cause in zip(*np.nonzero(chain > 1e-9), strict=True)
        ]
        drives.sort(key=lambda drive: -drive[2])
        shares = {int(i): float(missed[i]) for i in np.flatnonzero(missed)}
        mine = np.sort(finish[:, self.book.target])
        return Futures(mine, tuple(drives), self._harm(finish), self.error(), shares)

    def _harm(self, finish: Floats) -> dict[int, tuple[float, float]]:
        if not self.dated:
            return {}
        before = np.concatenate(self.before)
        after = finish[: len(before)]
        return {
            i: (float(np.mean(before[:, i] <= due)), float(np.mean(after[:, i] <= due)))
            for i, due in self.dated.items()
        }

    def _check_missed(self, missed: Floats) -> None:
        for i, operation in enumerate(self.book.plan.operations):
            if operation.job == self.book.target and missed[i] > 1.0 - self.level:
                raise NoWindowLeft(
                    f"'{operation.name}' is not ready before the last of the customer's times is over, in "
                    f"{missed[i]:.0%} of the futures. Give it another time, or take this one away."
                )


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
