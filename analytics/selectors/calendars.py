"""What stands in the calendars of the shop, of a person and of a machine: what is fixed, and what is likely."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta

from django.db.models import Count

from analytics.calendars import Event
from analytics.models import OpenAddress
from analytics.selectors.ahead import OnLane, ahead_kept
from jobs.models import Job, JobStatus, Stage, StageState, VisitWindow
from shop.errors import BadInput
from shop.models import Closure, Machine, Person, Shop
from shop.selectors import shop_holidays
from shop.words import ANY_YEAR, say_confidence, say_instant

PAST = timedelta(days=30)
"""How far back what is over still stands."""

AHEAD = timedelta(days=7)
"""How far ahead likely times stand: those later move too much to be written down."""

OPEN = (JobStatus.PROMISED, JobStatus.IN_HAND)


def calendar_of(address: OpenAddress, now: datetime) -> tuple[str, list[Event]]:
    """The name and the events of the calendar that an address opens, at `now` (aware)."""
    shop = address.shop
    if address.person is not None:
        return f"{address.person.name}, {shop.name}", person_events(shop, address.person, now)
    if address.machine is not None:
        return f"{address.machine.name}, {shop.name}", machine_events(shop, address.machine, now)
    return shop.name, shop_events(shop, now)


def shop_events(shop: Shop, now: datetime) -> list[Event]:
    """Promised dates, visits, stages that are to begin at a set time, closed days."""
    stages = _open_stages(shop)
    jobs = _jobs(stages)
    pinned = [_pinned(shop, stage, None) for stage in stages if _is_pinned(stage)]
    return [*_promises(shop, jobs), *_visits(shop, jobs, now), *pinned, *_closed(shop, now)]


def person_events(shop: Shop, person: Person, now: datetime) -> list[Event]:
    """Days off, what is fixed of the jobs that need what the person can do, and what they are likely to do."""
    skills = set(person.skills.values_list("pk", flat=True))
    mine = [s for s in _open_stages(shop) if not s.kind.is_hold and s.kind.skill_id in {None, *skills}]
    likely = _on_lane(shop, f"p{person.pk}", now)
    return [
        *_promises(shop, _jobs(mine)),
        *_visits(shop, _jobs([s for s in mine if s.kind.on_site]), now),
        *_stages(shop, [s for s in mine if s.pk in likely or _is_pinned(s)], likely),
        *_closed(shop, now),
        *_absences(shop, person, now),
    ]


def machine_events(shop: Shop, machine: Machine, now: datetime) -> list[Event]:
    """What is set down for a machine, and what is likely to be on it: from when to when it is taken."""
    likely = _on_lane(shop, f"m{machine.pk}", now)
    mine = [s for s in _open_stages(shop) if s.machine_id == machine.pk or s.pk in likely]
    return list(_stages(shop, mine, likely))


def _on_lane(shop: Shop, key: str, now: datetime) -> dict[int, OnLane]:
    """The stages, by key, that are more likely than not to be at a machine or a person, and to begin in these days.

    None where the work cannot be planned: what is fixed stands in a calendar all the same.
    """
    try:
        ahead = ahead_kept(shop, now.replace(second=0, microsecond=0))
    except BadInput:
        return {}
    lanes = ahead.lanes if ahead is not None else ()
    on = [one for lane in lanes if lane.key == key for one in lane.stages if one.stay.share > 0.5]
    return {one.stage.stage.pk: one for one in on if one.start.middle <= now + AHEAD}


def _open_stages(shop: Shop) -> list[Stage]:
    """The unfinished stages of promised and begun jobs."""
    stages = Stage.objects.of(shop).filter(job__status__in=OPEN, left_out=False)
    stages = stages.exclude(state=StageState.FINISHED).select_related("kind", "job__customer", "job__process")
    return list(stages.order_by("job__number", "position", "pk"))


def _jobs(stages: Iterable[Stage]) -> list[Job]:
    return list({stage.job_id: stage.job for stage in stages}.values())


def _promises(shop: Shop, jobs: Sequence[Job]) -> Iterator[Event]:
    """The moment that each job is promised for."""
    dated = {job.pk: job for job in jobs if job.due_at is not None}
    given = Job.objects.of(shop).filter(pk__in=dated).annotate(dates=Count("promises"))
    counts = dict(given.values_list("pk", "dates"))
    for job in dated.values():
        assert job.due_at is not None  # noqa: S101 - chosen by it
        yield Event(
            _uid(shop, "promise", job.pk),
            f"Promised: {_job_text(job)}",
            job.due_at,
            description=_about(job),
            busy=False,
            revision=max(0, counts.get(job.pk, 0) - 1),
        )


def _visits(shop: Shop, jobs: Sequence[Job], now: datetime) -> Iterator[Event]:
    """The times at which customers can be visited."""
    by_key = {job.pk: job for job in jobs}
    windows = (
        VisitWindow.objects.of(shop)
        .filter(job__in=by_key, ends_at__gte=now - PAST)
        .order_by("starts_at", "pk")
    )
    for window in windows:
        job = by_key[window.job_id]
        yield Event(
            _uid(shop, "visit", window.pk),
            f"Visit: {_job_text(job)}",
            window.starts_at,
            window.ends_at,
            description=f"Work at the customer’s begins within this time.\n{_about(job)}",
            busy=False,
        )


def _stages(shop: Shop, stages: Iterable[Stage], likely: Mapping[int, OnLane]) -> Iterator[Event]:
    """Stages that are set to begin at a time, and those that are likely to be done."""
    for stage in stages:
        one = likely.get(stage.pk)
        if _is_pinned(stage):
            yield _pinned(shop, stage, one.end.middle if one is not None else None)
        elif one is not None:
            yield _likely(shop, stage, one)


def _is_pinned(stage: Stage) -> bool:
    return stage.pinned_at is not None and stage.state == StageState.WAITING


def _pinned(shop: Shop, stage: Stage, ends: datetime | None) -> Event:
    """A stage that is set to begin at a time. Its end is likely, where it is known."""
    assert stage.pinned_at is not None  # noqa: S101 - chosen by it
    return Event(
        _uid(shop, "stage", stage.pk),
        f"{stage.name} begins: {_job_text(stage.job)}",
        stage.pinned_at,
        ends,
        description=_about(stage.job, stage.kind.caution),
    )


def _likely(shop: Shop, stage: Stage, one: OnLane) -> Event:
    """A stage that is likely to be done then."""
    low, high = (say_instant(shop.local(at), ANY_YEAR) for at in (one.start.low, one.start.high))
    runs = one.stage.runs and stage.started_at is not None
    begins = "" if runs else f"Begins between {low} and {high}, {say_confidence(0.8)}."
    return Event(
        _uid(shop, "stage", stage.pk),
        f"Likely: {stage.name}, {_job_text(stage.job)}",
        _to_minute((stage.started_at or one.start.middle) if runs else one.start.middle),
        _to_minute(one.end.middle),
        description="\n".join(line for line in (begins, _about(stage.job, stage.kind.caution)) if line),
        likely=True,
    )


def _to_minute(at: datetime) -> datetime:
    """What is likely is not known to the second."""
    return at.replace(second=0, microsecond=0)


def _closed(shop: Shop, now: datetime) -> Iterator[Event]:
    """The days on which the shop is closed."""
    first = shop.local(now - PAST).date()
    closures = Closure.objects.of(shop).filter(person=None, ends_on__gte=first).order_by("starts_on", "pk")
    for closure in closures:
        yield Event(
            _uid(shop, "closure", closure.pk),
            f"Closed: {closure.reason}" if closure.reason else "Closed",
            closure.starts_on,
            closure.ends_on,
        )
    for day, name in sorted(shop_holidays(shop, (first.year, first.year + 1)).items()):
        if day >= first:
            yield Event(_uid(shop, "holiday", day.isoformat()), f"Closed: {name}", day, day)


def _absences(shop: Shop, person: Person, now: datetime) -> Iterator[Event]:
    first = shop.local(now - PAST).date()
    for away in (
        Closure.objects.of(shop).filter(person=person, ends_on__gte=first).order_by("starts_on", "pk")
    ):
        summary = f"{person.name} is away" + (f": {away.reason}" if away.reason else "")
        yield Event(_uid(shop, "absence", away.pk), summary, away.starts_on, away.ends_on)


def _uid(shop: Shop, kind: str, key: int | str) -> str:
    """Stays the same for as long as the row does, on whatever computer the program runs."""
    return f"{shop.slug}-{kind}-{key}@lapwright"


def _job_text(job: Job) -> str:
    return f"job {job.number}, {job.title}"


def _about(job: Job, caution: str = "") -> str:
    lines = [f"For {job.customer}." if job.customer else "", f"Take care: {caution}" if caution else ""]
    return "\n".join(line for line in lines if line)
