"""A better order of the open jobs, by local search over sampled futures that all orders share.

A plan made from typical minutes is fragile; an order is judged here by what it costs on average over many futures
of the whole backlog (sample average approximation: Kleywegt, Shapiro & Homem-de-Mello 2002), the same for every
order, so that orders differ by what they are and not by luck. From the best of some simple rules it climbs with
late acceptance (Burke & Bykov 2017) by moves that the late jobs suggest; then it refines on more futures; then it
gives back every exchange against the present order that is not worth it. Whether the result is better is then to be
shown on other futures (`order_effect.compare`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.book import Book, draws
from analytics.engine.forecast import mean_of
from analytics.engine.rerun import Rerun, present_order

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

START, CLIMB, REFINE, TIDY, DONE = "start", "climb", "refine", "tidy", "done"

MEMORY = 40
"""A change is taken that is no worse than what stood so many changes ago."""

BLOCK = 24
"""So many futures are looked at first: what is plainly worse in them is not followed further."""

PLAIN = 2.0
"""Standard errors by which a change must be worse in the first futures to be given up."""

PATIENCE = 0.125
"""A phase ends when so many changes in a row, as a share of the effort, have made the best no better by SMALL of it."""
SMALL = 0.001

WORTH = 0.01
"""An exchange against the present order is given back if it keeps less than this share of what was won."""


@dataclass(frozen=True)
class Harm:
    """What an order costs, in minutes late of a job of weight 1.

    late: for each minute after its date. broken: for being late at all, since a date that is missed by a minute is
    missed. waiting: for each minute until the finish of a job that has no date, so that it is not left for ever.
    """

    late: float = 1.0
    broken: float = 60.0
    waiting: float = 0.02

    def of(self, finish: Floats, due: Floats, weight: Floats) -> Floats:
        """The harm by job, shape as finish (runs, jobs). due: inf for none."""
        over = finish - due
        dated = np.isfinite(due)
        late = self.late * np.maximum(over, 0.0) + self.broken * (over > 1e-9)
        return np.asarray(weight * np.where(dated, late, self.waiting * finish))


@dataclass(frozen=True)
class Effort:
    """How long is searched. total: looks at `few` futures that all phases together may cost; many: to refine on."""

    total: int = 2400
    few: int = 96
    many: int = 384


@dataclass
class Standing:
    """Where a search is. done: looks at `few` futures so far. best: the order and its harm, before: of the present.

    `history`: what the last changes cost. steps: how many changes were tried. idle: since the best was bettered.
    """

    phase: str = START
    done: float = 0.0
    steps: int = 0
    idle: int = 0
    at: int = 0
    order: list[int] = field(default_factory=list)
    best: list[int] = field(default_factory=list)
    best_harm: float = np.inf
    before: float = np.inf
    history: list[float] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe; Standing(**…) gives the same back."""
        return {**vars(self), "best_harm": _plain(self.best_harm), "before": _plain(self.before)}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Standing:
        """The standing that `to_dict` stored."""
        harms = {key: np.inf if stored[key] is None else stored[key] for key in ("best_harm", "before")}
        return cls(**{**stored, **harms})


def _plain(harm: float) -> float | None:
    return float(harm) if np.isfinite(harm) else None


class Search:
    """A search that can be left after each step and taken up again from its `standing`, by the seed the same."""

    def __init__(
        self,
        book: Book,
        seed: int,
        *,
        weight: ArrayLike | None = None,
        harm: Harm | None = None,
        effort: Effort | None = None,
        standing: Standing | None = None,
    ) -> None:
        self.rerun, self.seed = Rerun(book), seed
        self.due = dues(book)
        self.weight = np.ones(self.due.size) if weight is None else np.asarray(weight, float)
        self.harm, self.effort = harm or Harm(), effort or Effort()
        self.now = standing or Standing()
        self.present = present_order(book)
        self.rules = tuple(
            dict.fromkeys(tuple(rule.tolist()) for rule in simple_orders(book, self.weight).values())
        )
        self._minutes: dict[int, Floats] = {}
        self._costs = np.empty(0)
        self._by_job = np.empty(0)
        if self.now.order and self.now.phase not in (START, DONE):
            spent = self.now.done  # looking again at where it stands is not an effort of the search
            self._stand_on(np.array(self.now.order))
            self.now.done = spent

    @property
    def is_done(self) -> bool:
        """Whether it has come to its end."""
        return self.now.phase == DONE

    @property
    def share(self) -> float:
        """How much of the effort is spent, 0..1."""
        return 1.0 if self.is_done else min(self.now.done / self.effort.total, 0.99)

    @property
    def best(self) -> Ints:
        """The best order so far, the first first."""
        return np.array(self.now.best if self.now.best else self.present, np.int64)

    def __iter__(self) -> Iterator[Standing]:
        while not self.is_done:
            self.step()
            yield self.now

    def step(self) -> None:
        """Try one order more."""
        {START: self._start, CLIMB: self._climb, REFINE: self._refine, TIDY: self._tidy}[self.now.phase]()
        self.now.steps += 1

    def _start(self) -> None:
        """The simple rules, one by one: the best of them is where the climb begins."""
        order = np.array(self.rules[self.now.at])
        costs, by_job = self._look(order)
        self._note(order, float(costs.mean()))
        if self.now.at == 0:
            self.now.before = self.now.best_harm
            if not by_job[np.isfinite(self.due)].any():  # no date is ever missed
                self._enter(DONE)
                return
        self.now.at += 1
        if self.now.at == len(self.rules):
            self._enter(CLIMB if order.size > 1 else DONE)

    def _climb(self) -> None:
        order = self._neighbour()
        stood = float(self._costs.mean())
        place = self.now.steps % MEMORY
        allowed = max(stood, self.now.history[place])
        found = self._look(order, allowed)
        if found is not None:
            harm = float(found[0].mean())
            if harm <= allowed:
                self._take(order, found)
                stood = harm
            self._note(order, harm)
        self.now.history[place] = stood
        self.now.idle += 1
        if self.now.idle > PATIENCE * self.effort.total or self.now.done > 0.5 * self.effort.total:
            self._enter(REFINE)

    def _refine(self) -> None:
        """On more futures, only for the better."""
        order = self._neighbour()
        found = self._look(order, float(self._costs.mean()))
        if found is not None and (harm := float(found[0].mean())) < self._costs.mean():
            self._take(order, found)
            self._note(order, harm)
        self.now.idle += 1
        if self.now.idle > PATIENCE * self.effort.total or self.now.done > 0.85 * self.effort.total:
            self._enter(TIDY)

    def _tidy(self) -> None:
        """Exchange two neighbours back to as they stand in the present order, if that is hardly worse."""
        place = np.argsort(self.present)
        order = np.array(self.now.order)
        against = np.flatnonzero(place[order[:-1]] > place[order[1:]])
        against = against[against >= self.now.at]
        if not against.size or self.now.done >= self.effort.total:
            self._enter(DONE)
            return
        k = int(against[0])
        order[[k, k + 1]] = order[[k + 1, k]]
        allowed = self.now.best_harm + WORTH * max(self.now.before - self.now.best_harm, 0.0)
        found = self._look(order, allowed)
        if found is not None and found[0].mean() <= allowed:
            self._take(order, found)
            self.now.at = max(k - 1, 0)
        else:
            self.now.at = k + 1

    def _enter(self, phase: str) -> None:
        now = self.now
        if now.phase == TIDY:
            now.best = now.order
        now.phase, now.idle, now.at = phase, 0, 0
        if phase in (CLIMB, REFINE, TIDY):
            self._stand_on(self.best)
            now.best_harm = float(self._costs.mean())
            if phase == REFINE:
                now.before = float(self._look(self.present)[0].mean())
        if phase == CLIMB:
            now.history = [now.best_harm] * MEMORY

    def _stand_on(self, order: Ints) -> None:
        self._take(order, self._look(order))

    def _take(self, order: Ints, found: tuple[Floats, Floats]) -> None:
        self.now.order = order.tolist()
        self._costs, self._by_job = found

    def _note(self, order: Ints, harm: float) -> None:
        if harm < self.now.best_harm:
            if harm <= self.now.best_harm * (1 - SMALL):
                self.now.idle = 0
            self.now.best, self.now.best_harm = order.tolist(), harm

    def _look(self, order: Ints, allowed: float | None = None) -> Any:
        """The harm in each future, and of each job on average; None as soon as it is plainly above what is allowed."""
        minutes = self._drawn()
        runs, begun = len(minutes), 0
        costs, by_job = np.empty(runs), np.zeros(order.size)
        for block in (min(BLOCK, runs), runs):
            finish = self.rerun.finish(order, minutes[begun:block])
            harm = self.harm.of(finish, self.due, self.weight)
            costs[begun:block] = harm.sum(axis=1)
            by_job += harm.sum(axis=0)
            self.now.done += (block - begun) / self.effort.few
            if allowed is not None and block < runs:
                worse = costs[:block] - self._costs[:block]
                margin = worse.mean() - (allowed - self._costs.mean())
                if margin > PLAIN * worse.std(ddof=1) / np.sqrt(block):
                    return None
            begun = block
            if begun >= runs:
                break
        return costs, by_job / runs

    def _drawn(self) -> Floats:
        runs = self.effort.few if self.now.phase in (START, CLIMB) else self.effort.many
        if runs not in self._minutes:
            drawn = draws(self.rerun.book, runs=runs, seed=self.seed)
            self._minutes = {runs: np.ascontiguousarray(drawn)}
        return self._minutes[runs]

    def _neighbour(self) -> Ints:
        """The order with one change: a late job brought forward or exchanged, or one that can wait put back."""
        rng = np.random.Generator(np.random.Philox(key=np.array([self.seed, self.now.steps], np.uint64)))
        return changed(np.array(self.now.order), self._by_job, rng)


def changed(order: Ints, harm: Floats, rng: np.random.Generator) -> Ints:
    """An order one move away. harm: of each job on average; the worse a job fares, the likelier it is moved."""
    count = order.size
    pull = harm[order] + 0.2 * harm.mean() + 1e-12
    way = rng.random()
    if way < 0.75:
        late = int(rng.choice(count, p=pull / pull.sum()))
        if late == 0:
            late = int(rng.integers(1, count))
        to = late - 1 - int((late) * rng.random() ** 2)
        if way < 0.45:
            return moved(order, late, max(to, 0))
        order = order.copy()
        order[[late, max(to, 0)]] = order[[max(to, 0), late]]
        return order
    spare = 1.0 / pull
    idle = int(rng.choice(count - 1, p=spare[:-1] / spare[:-1].sum()))
    to = idle + 1 + int((count - 1 - idle) * rng.random() ** 2)
    return moved(order, idle, min(to, count - 1))


def moved(order: Ints, at: int, to: int) -> Ints:
    """The order with the job of one place at another, those between moved up by one."""
    return np.insert(np.delete(order, at), to, order[at])


def dues(book: Book) -> Floats:
    """Each job's date, minutes since the origin, inf where it has none, shape (jobs,)."""
    return np.array([np.inf if job.due is None else job.due for job in book.jobs])


def simple_orders(book: Book, weight: Floats) -> dict[str, Ints]:
    """Orders by rules of thumb, the present one first; those without a date last."""
    due, work = dues(book), work_of(book)
    rules = {
        "date": due,
        "slack": due - work,
        "modified date": np.maximum(due, work),
        "shortest": work / weight,
        "urgency": -weight / np.maximum(work, 1.0) * np.exp(-np.maximum(due - work, 0.0) / 1440.0),
    }
    kept = {"present": present_order(book)}
    return kept | {name: np.lexsort((due, key)) for name, key in rules.items()}


def work_of(book: Book) -> Floats:
    """The mean minutes that are left of each job, holds too, shape (jobs,)."""
    left = np.zeros(len(book.jobs))
    plan = book.plan
    means = [float(mean_of(c.quantiles)) for c in plan.columns]
    for operation in plan.operations:
        left[operation.job] += sum(means[c] for c in (operation.attended, operation.unattended) if c >= 0)
    return left
