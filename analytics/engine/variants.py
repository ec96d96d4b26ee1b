"""Changed copies of a book on the same draws, so that they differ only by what was changed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.engine.book import Book, Look, draws, look, with_turn
from analytics.engine.futures import Layout

Floats = NDArray[np.float64]

TRACED = 400
"""Futures of which every operation's times are kept, where they are asked for: three numbers each."""


@dataclass(frozen=True, eq=False)
class Common:
    """The draws of a book with a target, which its changed copies share. minutes: shape (runs, columns)."""

    book: Book
    minutes: Floats
    seed: int
    threads: int = 1

    @classmethod
    def of(cls, book: Book, *, runs: int, seed: int, threads: int = 1) -> Common:
        """Draw once."""
        return cls(book, draws(book, runs=runs, seed=seed, threads=threads), seed, threads)

    def minutes_of(self, other: Book) -> Floats:
        """What `draws` gives for a copy; the other jobs' work has to be as it was."""
        if other.plan.columns is self.book.plan.columns and other.coming is self.book.coming:
            return self.minutes
        if other.coming is not None or self.book.coming is not None:  # its columns come and go with the date
            return draws(other, runs=len(self.minutes), seed=self.seed, threads=self.threads)
        first, last = _columns_of_target(self.book)
        mine = draws(_target_alone(other), runs=len(self.minutes), seed=self.seed)
        return np.hstack([self.minutes[:, :first], mine, self.minutes[:, last:]])

    def look(self, other: Book, *, trace: bool = False) -> Look:
        """The futures of a copy, with the first TRACED alone where traced. Raises as `book.look` does."""
        minutes = self.minutes_of(other)
        return look(other, minutes[:TRACED] if trace else minutes, trace=trace, threads=self.threads)

    def finish(self, other: Book) -> Floats:
        """When the target is finished in each future, minutes since the origin, not sorted, shape (runs,)."""
        return np.asarray(self.look(other).finish[:, other.target])

    def without_target(self) -> Floats:
        """When each job is finished without the target's work, shape (runs, jobs); the target's own is no number."""
        simulator = Layout(self.book, self.seed).simulator(without=self.book.target)
        return np.asarray(simulator.run(self.minutes, threads=self.threads).finish)


def first_of_all(book: Book) -> Book:
    """The same with the target's turn before every other job's that is open, and never after the origin."""
    ranks = [job.turn if job.turn is not None else job.due for job in book.jobs]
    others = [rank for i, rank in enumerate(ranks) if rank is not None and i != book.target]
    return with_turn(book, book.target, min([0.0, *(rank - 1.0 for rank in others)]))


def begun_from(book: Book, operation: int, start: float) -> Book:
    """The same with an operation, by index, that does not begin before `start`."""
    changed = list(book.plan.operations)
    changed[operation] = replace(changed[operation], release=max(changed[operation].release, start))
    return replace(book, plan=replace(book.plan, operations=tuple(changed)))


def at_level(finish: Floats, level: float) -> float:
    """The earliest finish that a share `level` or more of the futures meet (Hyndman & Fan's type 1)."""
    return float(np.quantile(finish, level, method="inverted_cdf"))


def _columns_of_target(book: Book) -> tuple[int, int]:
    """The target's columns are those from the first up to the last: a book has its jobs one after the other."""
    jobs = np.array(book.plan.column_job, np.int64)
    first, last = (int(np.searchsorted(jobs, job)) for job in (book.target, book.target + 1))
    return first, last


def _target_alone(book: Book) -> Book:
    """The target's columns alone: they are drawn the same there as among all."""
    first, last = _columns_of_target(book)
    plan = book.plan
    mine = replace(
        plan,
        needs=(),
        operations=(),
        columns=plan.columns[first:last],
        column_job=plan.column_job[first:last],
        column_kind=plan.column_kind[first:last],
    )
    return replace(book, plan=mine, edges=(), coming=None)
