"""The running total of a book's futures: gathered block by block, so that more of them go on from those that are there.

The answer from so many futures hangs on the book, the seed and their number alone, whether they came at once or a few
at a time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.engine.booked import Book
from analytics.engine.futures import Layout
from analytics.engine.network import NoWindowLeft
from analytics.engine.precision import half_width
from analytics.engine.sampling import BLOCK, in_threads
from analytics.engine.simulate import CAUSES

Floats = NDArray[np.float64]

LEVEL = 0.8
HARM_RUNS = 500
"""What a job does to the others is looked at in the first futures: with and without it, on the same draws. Those
after them end with the job itself."""

ROUND = 2
"""Blocks between two looks at how exact the answer is, whatever the number of threads."""
FEWEST = 2 * ROUND
"""Blocks before the first look: fewer say too little about their spread."""


@dataclass(frozen=True, eq=False)
class Futures:
    """finish: the target's finish in every future, minutes since the origin, rising, shape (runs,).

    drives: (stage index, cause, mean minutes), the largest first; they add up to the mean finish. harm: for each
    other dated job its chance of being in time without and with the target, by index of the job. error: half the
    width of the 95 % interval of the quantile that was asked for, in working minutes of the shop. missed: in what
    share of the futures a stage is ready only after the customer's last time, by index of the operation (of other
    jobs' stages, of the first HARM_RUNS); there it begins as soon as it can, as if another time were given.
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


@dataclass(frozen=True, eq=False)
class _Block:
    """What is kept of a block. finish: the target's, shape (runs,). chain, missed: means over the block.

    others, before: each job's finish with the target and without it, shape (runs, jobs), in the first futures alone.
    """

    finish: Floats
    chain: Floats
    missed: Floats
    others: Floats | None
    before: Floats | None


class RunningTotal:
    """Futures of a book with a target, gathered block by block.

    most: futures at the most. level: the chance at which the date is asked for.
    """

    def __init__(self, book: Book, *, seed: int, most: int, level: float = LEVEL, threads: int = 1) -> None:
        self.book, self.most, self.level, self.threads = book, most, level, threads
        self.layout = Layout(book, seed)
        self.dated = {
            i: job.due for i, job in enumerate(book.jobs) if job.due is not None and i != book.target
        }
        self.with_it = self.layout.simulator()
        self.without = self.layout.simulator(without=book.target) if self.dated else None
        self.blocks: list[_Block] = []

    @property
    def runs(self) -> int:
        """How many futures there are."""
        return sum(block.finish.size for block in self.blocks)

    @property
    def is_full(self) -> bool:
        """Whether there are as many as there may be."""
        return self.runs >= self.most

    def add(self, blocks: int) -> None:
        """Run so many blocks more, or those that are left."""
        first = len(self.blocks)
        last = min(first + max(blocks, 0), -(-self.most // BLOCK))
        found: dict[int, _Block] = {}

        def one(part: int) -> None:
            found[part] = self._block(first + part)

        in_threads(one, last - first, self.threads)
        self.blocks += [found[part] for part in range(last - first)]
        if last * BLOCK >= HARM_RUNS:
            self.without = None  # it has said what it can

    def _block(self, number: int) -> _Block:
        begin = number * BLOCK
        minutes = self.layout.draw(number, min(BLOCK, self.most - begin))
        target, early = self.book.target, begin < HARM_RUNS
        result = self.with_it.run(minutes, target=target, alone=not early)
        assert result.chain is not None  # noqa: S101 - there is a target
        others = result.finish[: HARM_RUNS - begin] if early and self.dated else None
        before = None
        if others is not None and self.without is not None:
            before = self.without.run(minutes[: len(others)]).finish
        mine = result.finish[:, target].copy()
        return _Block(mine, result.chain, result.missed, others, before)

    def reach(self, within: float, go_on: Callable[[], bool] = lambda: True) -> None:
        """Run until the date is known to `within` working minutes, there are `most`, or `go_on` says no.

        go_on: asked now and then.
        """
        self.add(FEWEST - len(self.blocks))
        while not self.is_full and self.error() > within and go_on():
            self.add(ROUND)

    def error(self) -> float:
        """Half the width of the 95 % interval of the quantile at `level`, in working minutes."""
        return self._error(self.blocks)

    def _error(self, blocks: list[_Block]) -> float:
        hours = self.book.plan.shop.calendars[0]
        return half_width([block.finish for block in blocks], self.level, hours)

    def futures(self, runs: int | None = None) -> Futures:
        """What the first `runs` futures say, whole blocks of them; None: all that there are.

        Raises NoWindowLeft where the target is too often not ready before the customer's last time.
        """
        blocks = self.blocks if runs is None else self.blocks[: runs // BLOCK]
        sizes = np.array([block.finish.size for block in blocks], float)
        weight = sizes / sizes.sum()
        chain = np.zeros_like(blocks[0].chain)
        for share, block in zip(weight, blocks, strict=True):
            chain += share * block.chain
        missed = self._missed(blocks, weight)
        self._check_missed(missed)
        drives = [
            (int(stage), CAUSES[cause], float(chain[stage, cause]))
            for stage, cause in zip(*np.nonzero(chain > 1e-9), strict=True)
        ]
        drives.sort(key=lambda drive: -drive[2])
        shares = {int(i): float(missed[i]) for i in np.flatnonzero(missed)}
        mine = np.sort(np.concatenate([block.finish for block in blocks]))
        return Futures(mine, tuple(drives), self._harm(blocks), self._error(blocks), shares)

    def _missed(self, blocks: list[_Block], weight: Floats) -> Floats:
        whole = -(-HARM_RUNS // BLOCK)
        first, all_of_them = weight[:whole] / weight[:whole].sum(), np.zeros_like(blocks[0].missed)
        others = sum((share * block.missed for share, block in zip(first, blocks, strict=False)), all_of_them)
        own = sum((share * block.missed for share, block in zip(weight, blocks, strict=True)), all_of_them)
        is_own = np.array([one.job == self.book.target for one in self.book.plan.operations], bool)
        return np.where(is_own, own, others)

    def _harm(self, blocks: list[_Block]) -> dict[int, tuple[float, float]]:
        looked = [(one.before, one.others) for one in blocks if one.before is not None]
        if not looked:
            return {}
        before = np.concatenate([one for one, _ in looked if one is not None])
        after = np.concatenate([other for _, other in looked if other is not None])
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
