"""Moves in the plan before they are made: what somebody asks for, and what it would do to every open job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from django.utils.dateparse import parse_datetime

from analytics.engine.book import look
from analytics.engine.hours import to_instant, to_minutes
from analytics.engine.network import NetworkError
from analytics.engine.simulate import HorizonTooShort
from analytics.engine.turns import Queued, snapped, turns_for
from analytics.engine.work import OpenWork
from analytics.selectors.ahead import THREADS, Ahead, JobAhead, chances
from analytics.selectors.backlog import OPEN
from jobs.models import Attendance, Job, Stage, StageState
from shop.errors import BadInput, ShopError
from shop.models import Shop
from shop.words import say_instant

FELT, FELT_MIN = 0.005, 10.0
"""A chance or a finish that moves by less stays as it is."""


@dataclass(frozen=True)
class Move:
    """What is asked for. turns, pins: by job and stage key; said: in words; fields: as they were sent."""

    turns: Mapping[int, datetime | None]
    pins: Mapping[int, datetime | None]
    said: str
    fields: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Effect:
    """What a move does to a job: its chance and its likely finish, before and after."""

    job: JobAhead
    before: float | None
    after: float | None
    finish_before: datetime
    finish_after: datetime

    @property
    def shift(self) -> timedelta:
        """How much later it is likely to be finished."""
        return self.finish_after - self.finish_before

    @property
    def gain(self) -> float:
        """Of chance; 0 without a date."""
        return 0.0 if self.before is None or self.after is None else self.after - self.before

    @property
    def felt(self) -> bool:
        """Whether it changes at all."""
        return abs(self.gain) >= FELT or abs(self.shift) >= timedelta(minutes=FELT_MIN)

    @property
    def state_after(self) -> str:
        """As `JobAhead.state`, then."""
        return replace(self.job, chance=self.after).state


@dataclass(frozen=True)
class Tried:
    """A move and its effects, the worst first; others: how many jobs stay as they are."""

    move: Move
    effects: tuple[Effect, ...]
    others: int
    revision: int

    @property
    def kept_before(self) -> float:
        """How many dates are kept, on average."""
        return self._kept("before")

    @property
    def kept_after(self) -> float:
        """And after the move."""
        return self._kept("after")

    def _kept(self, name: str) -> float:
        return sum(getattr(effect, name) or 0.0 for effect in self.effects)


def move_of(shop: Shop, ahead: Ahead, data: Mapping[str, str], now: datetime) -> Move:
    """What a form asks for: `job` (a number) and `place`, or `stage` (a key) and `at`, on the shop's clock.

    place: 'first', 'last', 'date', 'before:N' or 'after:N'. at: empty takes the pin off. Raises BadInput.
    """
    if "stage" in data:
        return _pin(shop, ahead, data, now)
    by_number = {job.job.number: job for job in ahead.jobs}
    job = by_number.get(_number(data.get("job")))
    if job is None:
        raise BadInput("That job is not among the open ones. Choose one from the list.", field="job")
    place = str(data.get("place", ""))
    fields = (("job", str(job.job.number)), ("place", place))
    named = f"Job {job.job.number}"
    if place == "date":
        return Move({job.job.pk: None}, {}, f"{named} in the order of its date again", fields)
    before, said = _before(ahead, job, place)
    return Move(turns_for(queue_of(shop), job.job.pk, before), {}, f"{named} {said}", fields)


def _before(ahead: Ahead, job: JobAhead, place: str) -> tuple[int | None, str]:
    """The key of the job that it comes right before (None: last), and the place in words."""
    rest = [one.job for one in ahead.jobs if one.job.pk != job.job.pk]
    if place == "last" or not rest:
        return None, "last"
    if place == "first":
        return rest[0].pk, "first"
    side, _, number = place.partition(":")
    at = next((n for n, other in enumerate(rest) if other.number == _number(number)), None)
    if side not in ("before", "after") or at is None:
        raise BadInput(
            "Say where the job is to go: first, last, or before or after another one.", field="place"
        )
    if side == "before":
        return rest[at].pk, f"before job {rest[at].number}"
    return (rest[at + 1].pk if at + 1 < len(rest) else None), f"after job {rest[at].number}"


def _pin(shop: Shop, ahead: Ahead, data: Mapping[str, str], now: datetime) -> Move:
    one = ahead.stages.get(_number(data.get("stage")))
    if one is None:
        raise BadInput("That stage is not among what is still to be done.", field="stage")
    named = f"{one.stage.name} of job {one.job.job.number}"
    text = str(data.get("at", "")).strip()
    if not text:
        return Move(
            {}, {one.stage.pk: None}, f"{named} no longer pinned", (("stage", str(one.stage.pk)), ("at", ""))
        )
    try:
        at = parse_datetime(text)
    except ValueError:
        at = None
    if at is None:
        raise BadInput("Give the day and the time at which it is to begin.", field="at")
    at = snapped(at if at.tzinfo else at.replace(tzinfo=shop.zone))
    check_pin(one.stage, at, now)
    fields = (("stage", str(one.stage.pk)), ("at", at.isoformat()))
    said = f"{named} pinned to {say_instant(shop.local(at), shop.local(now).date())}"
    return Move({}, {one.stage.pk: at}, said, fields)


def _number(text: str | None) -> int:
    return int(text) if text and text.isdecimal() and len(text) < 18 else 0


def tried(ahead: Ahead, move: Move) -> Tried:
    """What the move would do, on the draws by which the plan itself was looked at. Raises BadInput."""
    numbers = {job.job.pk: job.job.number for job in ahead.jobs}
    work = changed(
        ahead.work,
        {numbers[pk]: _minutes(ahead, at) for pk, at in move.turns.items()},
        {pk: _minutes(ahead, at) for pk, at in move.pins.items()},
    )
    try:
        book = work.book()
        finish = look(book, ahead.minutes, threads=THREADS).finish
    except (HorizonTooShort, NetworkError) as wrong:
        raise BadInput(f"That cannot be planned: {wrong}") from wrong
    after, likely = chances(book, finish), np.quantile(finish, 0.5, axis=0, method="inverted_cdf")
    place = {job.number: i for i, job in enumerate(book.jobs)}
    effects = [
        Effect(
            job,
            job.chance,
            after[place[job.job.number]],
            job.finish.middle,
            to_instant(ahead.at, float(likely[place[job.job.number]])),
        )
        for job in ahead.jobs
    ]
    felt = sorted(
        (one for one in effects if one.felt), key=lambda one: (one.gain, -one.shift.total_seconds())
    )
    return Tried(move, tuple(felt), len(effects) - len(felt), ahead.revision)


def changed(work: OpenWork, turns: Mapping[int, float | None], pins: Mapping[int, float | None]) -> OpenWork:
    """The work with other places in the queue, by job number, and other pins, by stage key, minutes from its origin."""
    jobs = tuple(replace(job, turn=turns[job.number]) if job.number in turns else job for job in work.jobs)
    work = replace(work, jobs=jobs)
    for key, at in pins.items():
        work = work.with_stage(key, pinned=at)
    return work


def _minutes(ahead: Ahead, at: datetime | None) -> float | None:
    return None if at is None else to_minutes(ahead.at, at)


def queue_of(shop: Shop) -> list[Queued]:
    """The open jobs in the order in which they are served: by turn or date, those without after all that have one."""
    rows = Job.objects.of(shop).filter(status__in=OPEN).order_by("number")
    last = datetime.max.replace(tzinfo=UTC)
    return sorted((Queued(job.pk, job.turn_at or job.due_at) for job in rows), key=lambda job: job.at or last)


def check_pin(stage: Stage, at: datetime | None, now: datetime | None = None) -> None:
    """Raise ShopError with the reason where this stage cannot be pinned to this instant. Load its job and kind."""
    named = f"{stage.name} of job {stage.job.number}"
    if at is None:
        return
    if stage.job.status not in OPEN or stage.left_out:
        raise ShopError(f"{named} is not among the work to be done: it cannot be pinned.")
    if stage.state != StageState.WAITING:
        raise ShopError(f"{named} is begun already: it cannot be pinned. Pin a stage after it instead.")
    if stage.kind.attendance == Attendance.NOBODY:
        raise ShopError(f"{named} begins by itself, as soon as what is before it is done. Pin that instead.")
    if now is not None and at < now:
        raise BadInput(f"{named} was to begin at an instant that is past. Give one from now on.", field="at")
