"""Why a job changes its place, from what happens to it and around it in the same futures under both orders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.engine.book import Book, Look
from analytics.engine.hours import Calendar
from analytics.engine.ordering import dues, work_of

Floats = NDArray[np.float64]

LATE, RISK, SHORT, NIGHT, LIES = "late", "risk", "short", "night", "lies"
PAYS, SPARE, LOST, UNDATED, BLOCKS = "pays", "spare", "lost", "undated", "blocks"
MOST = 2
"""Reasons given for one job."""

PAID = 0.05
"""A chance that falls by more is a price."""


@dataclass(frozen=True)
class Reason:
    """Why, as a code and what belongs to it.

    late: it would have been late by `minutes` on average. risk: its chance of being in time rises. short: only
    `minutes` of work. night: the hold `name` falls into closed hours for `minutes` more. lies: holds of `minutes` are
    still to come. pays: its own chance falls, so that those of others rise. spare: its date was kept with `minutes` to
    spare, eight times in ten. lost: it is late in either order. undated: it has no date. blocks: it has `name` for
    `minutes` while `others` wait for it.
    """

    code: str
    minutes: float = 0.0
    name: str = ""
    others: int = 0


def reasons(
    book: Book, looks: tuple[Look, Look], jobs: Sequence[int], forward: NDArray[np.bool_]
) -> dict[int, tuple[Reason, ...]]:
    """The reasons of these jobs, the weightiest first. looks: before and after, traced. forward: by job."""
    facts = _Facts(book, looks)
    return {j: tuple((facts.forward(j) if forward[j] else facts.back(j))[:MOST]) for j in jobs}


class _Facts:
    """What the traces say."""

    def __init__(self, book: Book, looks: tuple[Look, Look]) -> None:
        self.book, self.looks = book, looks
        self.operations = book.plan.operations
        self.due = dues(book)
        self.work = work_of(book)
        self.usual = float(np.median(self.work[self.work > 0])) if np.any(self.work > 0) else 0.0
        self.ready = ready_times(book, looks[0])

    def forward(self, j: int) -> list[Reason]:
        """Of a job that is brought forward."""
        before = self.looks[0].finish[:, j]
        found = []
        late = float(np.maximum(before - self.due[j], 0.0).mean()) if np.isfinite(self.due[j]) else 0.0
        kept = [float(np.mean(one.finish[:, j] <= self.due[j])) for one in self.looks]
        if late >= 15.0:
            found.append(Reason(LATE, late))
        elif kept[1] >= kept[0] + 0.03 and np.isfinite(self.due[j]):
            found.append(Reason(RISK))
        found += self._night(j)
        hold = self._holds(j)
        if hold >= 240.0 and not any(reason.code == NIGHT for reason in found):
            found.append(Reason(LIES, hold))
        if self.work[j] - hold <= 0.5 * self.usual:
            found.append(Reason(SHORT, float(self.work[j] - hold)))
        return found

    def back(self, j: int) -> list[Reason]:
        """Of a job that lets others pass."""
        found = []
        if not np.isfinite(self.due[j]):
            found.append(Reason(UNDATED))
        else:
            usually = float(np.quantile(self.looks[0].finish[:, j], 0.8, method="inverted_cdf"))
            kept = [float(np.mean(one.finish[:, j] <= self.due[j])) for one in self.looks]
            if kept[1] < kept[0] - PAID:
                found.append(Reason(PAYS))
            elif self.due[j] - usually >= 60.0:
                found.append(Reason(SPARE, float(self.due[j] - usually)))
            elif max(kept) <= 0.2:
                found.append(Reason(LOST))
        blocks = self._blocks(j)
        return found + ([blocks] if blocks is not None else [])

    def _night(self, j: int) -> list[Reason]:
        """The hold that gains the most closed time by the new order, if any gains an hour."""
        hours = self.book.plan.shop.calendars[0]
        best = Reason(NIGHT)
        for i in self._mine(j, hold=True):
            shut = [_closed(hours, one.trace[:, i]) for one in self.looks if one.trace is not None]
            gain = float((shut[1] - shut[0]).mean())
            if gain > best.minutes:
                best = Reason(NIGHT, gain, self.operations[i].name)
        return [best] if best.minutes >= 60.0 else []

    def _holds(self, j: int) -> float:
        trace = self.looks[0].trace
        assert trace is not None  # noqa: S101 - asked for
        return float(sum((trace[:, i, 2] - trace[:, i, 0]).mean() for i in self._mine(j, hold=True)))

    def _blocks(self, j: int) -> Reason | None:
        """The machine that it has the longest while others wait, in the present order."""
        trace = self.looks[0].trace
        assert trace is not None  # noqa: S101 - asked for
        found: list[Reason] = []
        for i in self._mine(j, hold=False):
            machines = self._machines(i)
            rivals = [
                k
                for k, o in enumerate(self.operations)
                if o.job != j and machines and self._machines(k) & machines
            ]
            held = float((trace[:, i, 2] - trace[:, i, 0]).mean())
            waits = (self.ready[:, rivals] < trace[:, i, 2, None] - 1.0) & (
                trace[:, rivals, 0] > trace[:, i, 0, None] + 1.0
            )
            others = round(float(waits.sum(axis=1).mean())) if rivals else 0
            if others and held >= 15.0:
                found.append(Reason(BLOCKS, held, self._named(machines), others))
        return max(found, key=lambda reason: reason.minutes * reason.others, default=None)

    def _mine(self, j: int, *, hold: bool) -> list[int]:
        needs = self.book.plan.needs
        return [i for i, o in enumerate(self.operations) if o.job == j and needs[o.need].is_hold == hold]

    def _machines(self, i: int) -> int:
        return self.book.plan.needs[self.operations[i].need].machines or 0

    def _named(self, machines: int) -> str:
        units = self.book.plan.shop.units
        names = dict.fromkeys(unit.name for u, unit in enumerate(units) if machines >> u & 1)
        return " or ".join(names)


def ready_times(book: Book, seen: Look) -> Floats:
    """When each operation could have begun but for what was busy or closed, shape (runs, operations)."""
    assert seen.trace is not None  # noqa: S101 - asked for
    ready = np.tile([max(o.release, 0.0) for o in book.plan.operations], (len(seen.finish), 1))
    for edge in book.edges:
        moment = seen.trace[:, edge.before, 1 if edge.kind else 2] + edge.lag
        ready[:, edge.after] = np.maximum(ready[:, edge.after], moment)
    return ready


def _closed(hours: Calendar, span: Floats) -> Floats:
    """Closed minutes between start and end, span of shape (runs, 3)."""
    start, end = span[:, 0], span[:, 2]
    return np.asarray((end - start) - (hours.work(end) - hours.work(start)))
