"""What another order of the open jobs would change, on futures that the search for it has not seen, and why.

An order counts as better only if a paired test on these futures says so; otherwise the present one stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.book import Book, Look, draws, look
from analytics.engine.order_reasons import PAID, PAYS, Reason, reasons
from analytics.engine.ordering import dues
from analytics.engine.rerun import in_order, present_order

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RUNS = 400
SURE = 1.645
"""Standard errors that a gain must lie above zero: a one-sided test at five in a hundred."""
LEAST = 0.01
"""Share of the lateness that a new order must take away to be worth a change."""
BAND = 1.96
HELD_OUT = 0x5EED_0F_0DDE5
"""Told apart from the search's seed by this, so that no future is met twice."""


class Verdict(StrEnum):
    """What the test says of an order: better; or as late, not surely less, hardly less, less but with more broken."""

    BETTER = "better"
    SAME = "same"
    UNSURE = "unsure"
    LITTLE = "little"
    BREAKS = "breaks"


@dataclass(frozen=True)
class Estimate:
    """A mean over the futures and its 95 % interval."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class JobEffect:
    """One job's part: its place in the order, from 1, chance of being in time, and middle finish, before and after.

    kept: None without a date. finish: minutes since the origin. moved: it has another place, and by passing others.
    """

    job: int
    places: tuple[int, int]
    moved: bool
    kept: tuple[float, float] | None
    finish: tuple[float, float]
    why: tuple[Reason, ...]


@dataclass(frozen=True)
class Effect:
    """lateness: weighted minutes late of all jobs. kept: how many dates are kept, of `dated`. Before and after.

    verdict: whether the new order is to be offered, and why not. saved, more_kept: the paired differences.
    """

    verdict: Verdict
    lateness: tuple[Estimate, Estimate]
    kept: tuple[Estimate, Estimate]
    saved: Estimate
    more_kept: Estimate
    dated: int
    runs: int
    jobs: tuple[JobEffect, ...]

    @property
    def better(self) -> bool:
        """Whether the new order is to be offered."""
        return self.verdict is Verdict.BETTER


def compare(
    book: Book,
    order: ArrayLike,
    seed: int,
    *,
    weight: ArrayLike | None = None,
    runs: int = RUNS,
    threads: int = 1,
) -> Effect:
    """The order beside the present one, both on the same futures, which no search with this seed has seen.

    order: indices of the jobs, the first first. Raises as `look` does.
    """
    order = np.asarray(order, np.int64)
    present = present_order(book)
    minutes = draws(book, runs=runs, seed=seed ^ HELD_OUT)
    looks = [look(in_order(book, way), minutes, trace=True, threads=threads) for way in (present, order)]
    due = dues(book)
    weights = np.ones(due.size) if weight is None else np.asarray(weight, float)
    late = [(weights * np.maximum(one.finish - due, 0.0)).sum(axis=1) for one in looks]
    dated = np.isfinite(due)
    kept = [(one.finish[:, dated] <= due[dated] + 1e-9).sum(axis=1).astype(float) for one in looks]
    return Effect(
        verdict_on(late[0], late[1], kept[0], kept[1]),
        (_estimate(late[0]), _estimate(late[1])),
        (_estimate(kept[0]), _estimate(kept[1])),
        _estimate(late[0] - late[1]),
        _estimate(kept[1] - kept[0]),
        int(dated.sum()),
        runs,
        _job_effects(book, (present, order), (looks[0], looks[1])),
    )


def verdict_on(late: Floats, late_then: Floats, kept: Floats, kept_then: Floats) -> Verdict:
    """Whether an order is better than the present one, by both in the same futures, shape (runs,) each.

    Its lateness must be less in a paired one-sided t test at 5 %, and by LEAST at least; and it may not break more
    dates than chance makes of none: what many customers lose a little by, few must not have gained.
    """
    saved, lost = late - late_then, kept - kept_then
    if saved.mean() <= SURE * _error(saved):
        return Verdict.UNSURE if saved.any() else Verdict.SAME
    if lost.mean() > SURE * _error(lost):
        return Verdict.BREAKS
    return Verdict.BETTER if saved.mean() >= LEAST * late.mean() else Verdict.LITTLE


def passing(before: Ints, after: Ints) -> NDArray[np.bool_]:
    """By job, whether it passes others: not one of the most that keep their order among themselves, shape (jobs,)."""
    place = np.argsort(before)[after]  # of the new order's jobs, their places in the old one
    longest, previous = np.ones(place.size, int), np.full(place.size, -1)
    for k in range(place.size):
        for j in np.flatnonzero(place[:k] < place[k]):
            if longest[j] + 1 > longest[k]:
                longest[k], previous[k] = longest[j] + 1, j
    moved = np.ones(place.size, bool)
    k = int(np.argmax(longest)) if place.size else -1
    while k >= 0:
        moved[after[k]] = False
        k = int(previous[k])
    return moved


def _job_effects(book: Book, orders: tuple[Ints, Ints], looks: tuple[Look, Look]) -> tuple[JobEffect, ...]:
    places = [np.argsort(order) + 1 for order in orders]
    moved = passing(*orders) & (places[0] != places[1])
    due = dues(book)
    why = reasons(book, looks, [int(j) for j in np.flatnonzero(moved)], places[1] < places[0])
    effects = []
    for j in orders[1].tolist():
        kept = [float(np.mean(one.finish[:, j] <= due[j] + 1e-9)) for one in looks]
        finish = [float(np.quantile(one.finish[:, j], 0.5, method="inverted_cdf")) for one in looks]
        effects.append(
            JobEffect(
                j,
                (int(places[0][j]), int(places[1][j])),
                bool(moved[j]),
                (kept[0], kept[1]) if np.isfinite(due[j]) else None,
                (finish[0], finish[1]),
                why.get(j, (Reason(PAYS),) if kept[1] < kept[0] - PAID else ()),
            )
        )
    return tuple(effects)


def _estimate(values: Floats) -> Estimate:
    mean, half = float(values.mean()), BAND * _error(values)
    return Estimate(mean, mean - half, mean + half)


def _error(values: Floats) -> float:
    return float(values.std(ddof=1) / np.sqrt(values.size)) if values.size > 1 else 0.0
