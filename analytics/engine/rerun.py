"""The same book again and again with its jobs in other orders: only what an order changes is done anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.book import Book, turn_of
from analytics.engine.futures import Layout
from analytics.engine.network import rank_by_job
from analytics.engine.simulate import Simulator

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

APART = 1.0 / 60.0
"""Minutes that two places in the queue are apart at least, so that no tie is left to chance."""


class Rerun:
    """A book laid out once for the compiled loop. Not to be shared by threads."""

    def __init__(self, book: Book) -> None:
        self.book = replace(book, target=-1)
        self.slots = slots_of(self.book)
        layout = Layout(self.book, 0)
        self._coming = np.empty(0) if layout.later is None else layout.later[1].turn
        self._simulator = Simulator(book.plan.shop, layout.network)

    def finish(self, order: ArrayLike, minutes: Floats) -> Floats:
        """When each job finishes if they take their turns in this order, shape (runs, jobs).

        order: indices of the jobs, the first first. minutes: of `draws`. Raises as `look` does. Work that may come in
        keeps the turns that it has.
        """
        turns = np.concatenate([turns_in(order, self.slots), self._coming])
        rank = rank_by_job(self._simulator.network, turns).rank
        tables = self._simulator.tables
        tables.operations["rank"] = rank
        tables.by_rank[rank] = np.arange(rank.size, dtype=np.int32)
        return self._simulator.run(minutes).finish


def present_order(book: Book) -> Ints:
    """The jobs' indices as they take their turns now, shape (jobs,)."""
    return np.argsort([turn_of(job) for job in book.jobs], kind="stable")


def slots_of(book: Book) -> Floats:
    """The places in the queue that there are, minutes since the origin, strictly rising, shape (jobs,)."""
    return rising(np.sort([turn_of(job) for job in book.jobs]), APART)


def rising(places: Floats, apart: float) -> Floats:
    """Sorted places moved back as little as needed for each to be so far behind the one before."""
    steps = apart * np.arange(places.size)
    return np.asarray(np.maximum.accumulate(places - steps) + steps) if places.size else places


def turns_in(order: ArrayLike, slots: Floats) -> Floats:
    """Each job's turn, shape (jobs,), if the k-th of the order takes the k-th place."""
    turns = np.empty(slots.size)
    turns[np.asarray(order, np.int64)] = slots
    return turns


def in_order(book: Book, order: ArrayLike) -> Book:
    """The book with its jobs' turns in this order."""
    turns = turns_in(order, slots_of(book))
    jobs = tuple(replace(job, turn=float(turn)) for job, turn in zip(book.jobs, turns, strict=True))
    return replace(book, jobs=jobs, target=-1)
