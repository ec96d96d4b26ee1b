"""What would save a date that slips: each change on the same draws, with the chance then and the harm it does."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine.book import Book, draws, instant_of, look
from analytics.engine.hours import to_minutes
from analytics.engine.savers import Change, changes
from analytics.engine.work import OpenWork
from analytics.models import Promise
from analytics.selectors.arrivals import with_later
from analytics.selectors.backlog import open_work
from analytics.selectors.models import learned_stages
from analytics.selectors.refusals import REFUSALS
from analytics.services.promising import rounded_up
from jobs.models import StageKind
from shop.models import Shop
from shop.words import say_day, say_instant

RUNS = 1000
"""Futures: a chance of 0.8 is within 0.025 of that, nineteen times in twenty (binomial)."""

TRIED = 400
"""Futures, of those drawn, on which changes are compared."""

WORTH = 0.02
"""A change that makes a date less than this more or less likely is not named."""

SAID = 5
"""Ways of saving a date that are named at most."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Futures:
    """The open work as it stands, what was drawn for it, and its jobs' finishes, shape (runs, jobs)."""

    work: OpenWork
    book: Book
    minutes: Floats
    finish: Floats

    def due(self, index: int, promised_at: datetime | None) -> float | None:
        """The date of the job of that index, in minutes: the promised one, else the one that it is set down for."""
        return self.work.jobs[index].due if promised_at is None else to_minutes(self.work.origin, promised_at)


@dataclass(frozen=True)
class Saver:
    """What could be done, and the chance of the date then. saves: the date is as safe then as it was promised.

    harm: the other dated jobs that it makes less likely: number, and the chances before and after. at: a date to
    tell the customer, ISO 8601; empty for what is done in the shop.
    """

    what: str
    words: str
    chance: float
    saves: bool
    harm: list[dict[str, float]] = field(default_factory=list)
    at: str = ""


def futures_of(shop: Shop, now: datetime, runs: int = RUNS) -> Futures:
    """Futures of the shop's open work, the same draws at every look. Raises one of REFUSALS."""
    known = learned_stages(shop)
    work = with_later(shop, open_work(shop, None, now, known), known)
    book = work.book()
    minutes = draws(book, runs=runs, seed=shop.pk)
    return Futures(work, book, minutes, look(book, minutes).finish)


def savers_of(shop: Shop, futures: Futures, index: int, promise: Promise) -> list[Saver]:
    """What makes the promise of the job of that index more likely, the best first; else what to tell the customer."""
    due = to_minutes(futures.work.origin, promise.promised_at)
    found = sorted(_helpful(shop, futures, index, due, promise.confidence), key=lambda one: -one.chance)
    if any(one.saves for one in found):
        return found[:SAID]
    return [*found[: SAID - 1], _tell(shop, futures, index, promise.confidence)]


def _helpful(shop: Shop, futures: Futures, index: int, due: float, confidence: float) -> Iterator[Saver]:
    if due <= 0.0:
        return  # the date is over: nothing saves it
    now = float(np.mean(futures.finish[:TRIED, index] <= due))
    names = dict(StageKind.objects.of(shop).values_list("pk", "name"))
    try:
        for change in changes(futures.work, index, due):
            then = look(change.book, futures.minutes[:TRIED]).finish
            chance = float(np.mean(then[:, index] <= due))
            if chance >= now + WORTH:
                words = _words(change, names, shop.local(futures.work.origin).date())
                harm = _harm(futures, index, then, change)
                yield Saver(change.key, words, chance, chance >= confidence, harm)
    except REFUSALS:
        return  # what cannot be done would not save it


def _words(change: Change, names: Mapping[int, str], today: date) -> str:
    """What is to be done, in words."""
    facts: Mapping[str, Any] = change.facts
    stage = names.get(facts.get("stage", 0), "its next stage").lower()
    if change.key == "open_day":
        return f"Open on {say_day(facts['day'], today)}"
    if change.key == "longer_days":
        days = facts["days"]
        return f"Work an hour longer on {'the next open day' if days == 1 else f'each of the next {days} open days'}"
    return {
        "first": "Put it ahead of everything else",
        "now": f"Do {stage} next, before all that waits",
        "skill": f"Let {facts.get('person')} do {stage} too",
        "person": f"Have one more person for {stage}",
        "night": f"Let the {facts.get('machine')} run on through closed hours",
        "later": "Leave the jobs that are due after it until it is done",
    }[change.key]


def _harm(futures: Futures, index: int, after: Floats, change: Change) -> list[dict[str, float]]:
    harm = []
    for i, job in enumerate(futures.work.jobs):
        if i == index or job.due is None or i in change.left_out:
            continue
        was = float(np.mean(futures.finish[:TRIED, i] <= job.due))
        then = float(np.mean(after[:, i] <= job.due))
        if then <= was - WORTH:
            harm.append({"job": job.number, "before": was, "after": then})
    return sorted(harm, key=lambda one: one["after"] - one["before"])


def _tell(shop: Shop, futures: Futures, index: int, confidence: float) -> Saver:
    mine = futures.finish[:, index]
    at = rounded_up(instant_of(futures.book, float(np.quantile(mine, confidence, method="inverted_cdf"))))
    chance = float(np.mean(mine <= to_minutes(futures.work.origin, at)))
    words = (
        f"Tell the customer: likely by {say_instant(shop.local(at), shop.local(futures.work.origin).date())}"
    )
    return Saver("tell", words, chance, saves=False, at=at.isoformat())
