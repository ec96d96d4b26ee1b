"""A book laid out for drawing and simulating: its own columns, those of work that may come in, and the arrivals."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analytics.engine.booked import Book, turn_of
from analytics.engine.forecast import PROBS
from analytics.engine.later import KEY, Coming, arrivals, slotting
from analytics.engine.network import Network, build_network, rank_by_job, with_slots, without_job
from analytics.engine.plan import MinutesSpec
from analytics.engine.sampling import Columns, Sampler
from analytics.engine.simulate import Simulator

Floats = NDArray[np.float64]

JOB_CORR = 0.2
"""Share of the variance that the stages of one job have in common (the correlation of a job's stages)."""


class Layout:
    """Everything of a book that is made once, however many futures are drawn."""

    def __init__(self, book: Book, seed: int) -> None:
        self.book, self.seed = book, seed
        own = None if book.coming is None else book.coming.hours
        self.hours = book.plan.shop.calendars[0] if own is None else own
        """In which work comes in."""
        self.later = None if book.coming is None else (book.coming, slotting(book.coming, self.hours))
        self.drawn = len(book.plan.columns)
        """How many columns are minutes, not arrivals."""
        self.width = self.drawn
        """How many columns there are in all."""
        if self.later is not None:
            coming, slots = self.later
            self.drawn += len(coming.plan.columns) * slots.copies
            self.width = self.drawn + slots.opens.size

    @cached_property
    def sampler(self) -> Sampler:
        plan = self.book.plan
        numbers = [job.number for job in self.book.jobs]
        laws, jobs, kinds = list(plan.columns), list(plan.column_job), list(plan.column_kind)
        if self.later is not None:
            coming, slots = self.later
            samples = len(coming.leads)
            for copy in range(slots.copies):
                laws += coming.plan.columns
                jobs += [len(numbers) + copy * samples + job for job in coming.plan.column_job]
                kinds += coming.plan.column_kind
            numbers += [KEY + k for k in range(samples * slots.copies)]
        return Sampler(_columns(laws, jobs, kinds), numbers, self.seed)

    def draw(self, block: int, runs: int) -> Floats:
        """The minutes of a block, shape (runs, width)."""
        minutes = np.empty((runs, self.width))
        self.fill(block, minutes)
        return minutes

    def fill(self, block: int, out: Floats) -> None:
        """Draw the minutes of a block into out, shape (runs, width)."""
        self.sampler.fill(block, out)
        if self.later is not None:
            arrivals(*self.later, self.hours, self.seed, block, out[:, self.drawn :])

    @cached_property
    def network(self) -> Network:
        """The work, ranked by job index."""
        plan, jobs = self.book.plan, len(self.book.jobs)
        if self.later is None:
            return build_network(plan.shop, plan.needs, plan.operations, self.book.edges, jobs=jobs)
        coming, slots = self.later
        network = _with_samples(self.book, coming)
        return with_slots(network, slots.sample, slots.copy, len(coming.plan.columns), self.drawn)

    def simulator(self, without: int = -1) -> Simulator:
        """The work ready to be run, with the jobs in their turns. without: a job that is left out, -1 for none."""
        network = rank_by_job(self.network, self._turns())
        return Simulator(self.book.plan.shop, network if without < 0 else without_job(network, without))

    def _turns(self) -> Floats:
        book = self.book
        turns = np.array([turn_of(job, i == book.target) for i, job in enumerate(book.jobs)], float)
        if self.later is None:
            return turns
        return np.concatenate([turns, self.later[1].turn])


def _with_samples(book: Book, coming: Coming) -> Network:
    """The network of the open work, and after it the samples of work that may come in, as jobs of their own."""
    plan, later, jobs = book.plan, coming.plan, len(book.jobs)
    own, columns = len(plan.operations), len(plan.columns)
    samples = [
        replace(
            operation,
            job=jobs + operation.job,
            need=len(plan.needs) + operation.need,
            attended=operation.attended + columns if operation.attended >= 0 else -1,
            unattended=operation.unattended + columns if operation.unattended >= 0 else -1,
        )
        for operation in later.operations
    ]
    edges = [replace(edge, before=own + edge.before, after=own + edge.after) for edge in coming.edges]
    needs = (*plan.needs, *later.needs)
    return build_network(plan.shop, needs, (*plan.operations, *samples), (*book.edges, *edges), jobs=jobs)


def _columns(laws: list[MinutesSpec], jobs: list[int], kinds: list[int]) -> Columns:
    return Columns(
        np.array([law.quantiles for law in laws]).reshape(-1, PROBS.size),
        PROBS,
        np.array(jobs, np.int64),
        np.array(kinds, np.int64),
        job_corr=np.array([0.0 if law.apart else JOB_CORR for law in laws]),
        kind_corr=np.minimum([law.shared for law in laws], 1.0 - JOB_CORR),
        elapsed=np.array([law.elapsed for law in laws], float),
    )
