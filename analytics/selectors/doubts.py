"""What the shop's people are asked about the clock: what runs into closing time, what looks like a forgotten stop,
and what cannot all have been.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from django.db.models import QuerySet

from analytics.engine.doubt import Signs, is_doubted, usual_minutes
from analytics.engine.forecast import LogLaw
from analytics.engine.minutes import measure
from analytics.selectors.judging import kind_pasts
from analytics.selectors.nights import NIGHT, Hours, breaks, closed_gaps, next_closing
from analytics.selectors.overlaps import Overlap, overlaps_among, overlaps_of
from analytics.selectors.samples import spans_of
from analytics.selectors.signs import Row, Settled, Stretch, rows_of, settled_at, signs_of
from analytics.templatetags.analytics_words import duration
from jobs.models import ClockEvent, Interval, IntervalKind, Stage, StageState
from jobs.selectors.jobs import stage_drivers
from shop.models import Machine, Person, Shop
from shop.selectors import opening_hours
from shop.words import say_clock, say_instant

ASKED_FOR = timedelta(days=31)
"""What is older is not asked about any more: nobody remembers. It stays out of the model."""

BEFORE_CLOSING = timedelta(minutes=10)
"""So long before the shop closes it is asked who will stop."""

SUGGESTED = 4
USUAL = "as it usually takes"


@dataclass(frozen=True)
class Suggestion:
    """An instant at which somebody may have stopped, and what it is."""

    at: datetime
    what: str


@dataclass(frozen=True)
class Doubt:
    """One question. about: 'closing', 'night', 'long', 'machine' or 'person'; ends_at None: it still runs.

    why: in plain words. suggestions: when it may have stopped, likeliest first.
    """

    stage: Stage
    person: Person | None
    starts_at: datetime
    ends_at: datetime | None
    about: str
    why: str
    suggestions: Sequence[Suggestion] = field(default_factory=tuple)

    @property
    def stopper(self) -> Person | None:
        """Whose stop it is; None where a machine ran on by itself."""
        return None if self.about == "machine" else self.person

    @property
    def is_open(self) -> bool:
        """Whether the clock still runs."""
        return self.ends_at is None

    @property
    def is_finished(self) -> bool:
        """Whether the stage is finished, by the clock."""
        return self.stage.state == StageState.FINISHED

    @property
    def starts_local(self) -> str:
        """Its beginning on the shop's wall clock, as a form's field takes it."""
        return f"{self.stage.shop.local(self.starts_at):%Y-%m-%dT%H:%M}"

    @property
    def until_local(self) -> str:
        """Its end on the shop's wall clock; empty while it runs."""
        return f"{self.stage.shop.local(self.ends_at):%Y-%m-%dT%H:%M}" if self.ends_at else ""

    @property
    def key(self) -> str:
        """Names the question on a page."""
        return f"{self.stage.pk}-{self.starts_at.timestamp():.0f}-{self.about}"


@dataclass(frozen=True)
class _Known:
    """What the questions are put together from."""

    shop: Shop
    now: datetime
    stages: Mapping[int, Stage]
    people: Mapping[int, Person]
    laws: Mapping[int, LogLaw]
    rows: Sequence[Row]
    hours: Hours

    def clock(self, at: datetime) -> str:
        """'17:00', with the day where it is not today."""
        local, today = self.shop.local(at), self.shop.local(self.now).date()
        return say_clock(local) if local.date() == today else say_instant(local, today)


def doubts(shop: Shop, now: datetime, person: Person | None = None) -> list[Doubt]:
    """The open questions, those of what still runs first, then the latest; person: only this one's.

    now: aware. Cost: the intervals of the last ASKED_FOR days at stages that were clocked then.
    """
    rows = rows_of(_lately(shop, now))
    open_rows = [row for row in rows if row.ends is None and row.kind == IntervalKind.HANDS_ON]
    signs = {
        one: shown for one, shown in signs_of(shop, rows).items() if one.ends and one.ends > now - ASKED_FOR
    }
    overlaps = _overlaps(shop, now, rows)
    named = {one.stage for one in signs} | {row.stage for row in open_rows}
    named |= {run.stage for one in overlaps for run in one.runs}
    known = _known(shop, now, named, {one.stage for one in signs}, rows)
    found = [
        *_running(known, open_rows, settled_at(shop, {row.stage for row in open_rows})),
        *_ended(known, signs),
        *_clashes(known, overlaps),
    ]
    mine = [one for one in found if person is None or one.person == person]
    return sorted(_once(mine), key=lambda one: (not one.is_open, -one.starts_at.timestamp()))


def _lately(shop: Shop, now: datetime) -> QuerySet[Interval]:
    """The intervals of all stages at which anything was clocked lately or still is."""
    recent = (
        Interval.objects.of(shop).filter(starts_at__gt=now - ASKED_FOR - timedelta(days=4)).values("stage")
    )
    lasting = Interval.objects.of(shop).filter(ends_at=None).values("stage")
    worked = Interval.objects.of(shop).exclude(kind=IntervalKind.HOLD).filter(stage__left_out=False)
    return worked.filter(stage__in=recent) | worked.filter(stage__in=lasting)


def _known(shop: Shop, now: datetime, named: set[int], judged: set[int], rows: Sequence[Row]) -> _Known:
    stages = (
        Stage.objects.of(shop)
        .filter(pk__in=named)
        .select_related("shop", "kind", "job__customer")
        .prefetch_related("job__items")
    )
    by_key = {stage.pk: stage for stage in stages}
    pasts = kind_pasts(shop, {by_key[stage].kind_id for stage in judged if stage in by_key})
    laws = {}
    for key in judged:
        stage = by_key[key]
        place = (stage.finished_at or now, stage.pk)
        laws[key] = pasts[stage.kind_id].law_before(place, stage_drivers(stage))
    return _Known(shop, now, by_key, Person.objects.of(shop).in_bulk(), laws, rows, opening_hours(shop))


# What still runs.


def _running(known: _Known, rows: Iterable[Row], settled: Settled) -> Iterable[Doubt]:
    hours = known.hours
    for row in rows:
        vouched = settled.vouched.get(row.stage)
        nights = [
            gap
            for gap in closed_gaps(known.shop.time_zone, hours, row.starts, known.now)
            if gap[1] - gap[0] > NIGHT and (vouched is None or vouched < gap[1])
        ]
        closing = nights[0][0] if nights else next_closing(known.shop.time_zone, hours, row.starts)
        if closing is None or (vouched is not None and vouched >= closing - BEFORE_CLOSING and not nights):
            continue
        if row.starts > closing - BEFORE_CLOSING and known.now < closing:
            continue  # it was only just begun
        if known.now >= closing - BEFORE_CLOSING:
            yield _closing(known, row, closing, night=bool(nights))


def _closing(known: _Known, row: Row, closing: datetime, *, night: bool) -> Doubt:
    stage, at = known.stages[row.stage], known.clock(closing)
    if night:
        why = (
            f"{stage.name} has run since {known.clock(row.starts)}, through a night when the shop was closed."
        )
    elif known.now < closing:
        why = f"{stage.name} runs, and the shop closes at {at}."
    else:
        why = f"{stage.name} still runs, and the shop closed at {at}."
    stretch = Stretch(row.stage, row.person, row.starts)
    suggested = (
        _suggestions(known, stretch, closing)
        if known.now >= closing
        else [Suggestion(closing, "when the shop closes")]
    )
    return _doubt(known, stretch, "night" if night else "closing", why, suggested)


# What has ended.


def _ended(known: _Known, signs: Mapping[Stretch, Signs]) -> Iterable[Doubt]:
    hands = measure_by_stage(known.rows)
    for stretch, shown in signs.items():
        law, minutes = known.laws[stretch.stage], hands.get(stretch.stage, 0.0)
        if stretch.ends is None or not is_doubted(minutes, law, shown):
            continue
        closing = next_closing(known.shop.time_zone, known.hours, stretch.starts)
        yield _doubt(
            known,
            stretch,
            "night" if shown.night else "long",
            _ended_why(known, stretch, shown, law),
            _suggestions(known, stretch, closing, None if shown.night else law),
        )


def _ended_why(known: _Known, stretch: Stretch, shown: Signs, law: LogLaw) -> str:
    assert stretch.ends is not None  # noqa: S101 - ended ones only
    name, length = known.stages[stretch.stage].name, (stretch.ends - stretch.starts) / timedelta(minutes=1)
    ran = f"{name} ran from {known.clock(stretch.starts)} to {known.clock(stretch.ends)}"
    if shown.night:
        return f"{ran}, through a night when the shop was closed."
    usual = (
        f"It usually takes {_length(usual_minutes(law, 0.2))} to {_length(usual_minutes(law, 0.8))} in all."
    )
    until = "until something else was begun" if shown.left else "through a break"
    return f"{ran}: {_length(length)}, {until}. {usual}"


def _length(minutes: float) -> str:
    """Minutes in words that stay on one line."""
    return duration(minutes).replace(" ", "\N{NO-BREAK SPACE}")


def measure_by_stage(rows: Sequence[Row]) -> dict[int, float]:
    """Hands-on minutes so far, as samples count them, by stage."""
    return {stage: measure(spans).hands_on for stage, spans in spans_of(rows).items()}


def _suggestions(
    known: _Known, stretch: Stretch, closing: datetime | None, law: LogLaw | None = None
) -> list[Suggestion]:
    """Instants inside the stretch: closing time, a break's beginning, presses elsewhere, the usual end."""
    until = stretch.ends or known.now
    found = [Suggestion(closing, "when the shop closed")] if closing else []
    found += [
        Suggestion(begins, "when the break began")
        for begins, _ in breaks(known.shop.time_zone, known.hours, stretch.starts, until)
    ]
    found += _elsewhere(known, stretch, until)
    if law is not None:
        before = sum(
            ((row.ends or known.now) - row.starts) / timedelta(minutes=1)
            for row in known.rows
            if row.stage == stretch.stage
            and row.kind == IntervalKind.HANDS_ON
            and row.starts < stretch.starts
        )
        left = max(0.0, usual_minutes(law, 0.8) - before)
        found.append(Suggestion(_to_the_minute(stretch.starts + timedelta(minutes=left)), USUAL))
        found.sort(key=lambda one: one.what != USUAL)
    inside = {one.at: one for one in reversed(found) if stretch.starts < one.at < until}
    return [one for one in found if inside.get(one.at) is one][:SUGGESTED]


def _elsewhere(known: _Known, stretch: Stretch, until: datetime) -> list[Suggestion]:
    """The person's first press at another stage within the stretch."""
    if stretch.person is None:
        return []
    presses = ClockEvent.objects.of(known.shop).filter(
        person=stretch.person, at__gt=stretch.starts, at__lt=until, until=None, correction=None
    )
    first = presses.exclude(stage=stretch.stage).order_by("at").select_related("stage").first()
    return [Suggestion(first.at, f"when {first.stage.name} was pressed")] if first else []


def _to_the_minute(at: datetime) -> datetime:
    return at.replace(second=0, microsecond=0)


# What cannot all have been.


def _overlaps(shop: Shop, now: datetime, rows: Sequence[Row]) -> list[Overlap]:
    """Those of finished stages, and those of runs that still last, up to now."""
    since = now - ASKED_FOR
    ended = [
        one
        for one in overlaps_of(shop, [row for row in rows if row.ends and row.ends > since])
        if one.ends > since
    ]
    capacity = dict(Machine.objects.of(shop).values_list("pk", "capacity"))
    running = [
        row._replace(ends=now) for row in rows if row.kind == IntervalKind.MACHINE and row.ends is None
    ]
    settled = settled_at(shop, {row.stage for row in running})
    for one in overlaps_among("machine", running, capacity):
        doubted = tuple(
            stage for stage in one.doubted if settled.vouched.get(stage, one.starts) <= one.starts
        )
        if doubted:
            ended.append(replace(one, doubted=doubted))
    return ended


def _clashes(known: _Known, overlaps: Iterable[Overlap]) -> Iterable[Doubt]:
    machines = dict(Machine.objects.of(known.shop).values_list("pk", "name"))
    for one in overlaps:
        what = machines.get(one.key, "") if one.what == "machine" else str(known.people.get(one.key, ""))
        runs = {run.stage: run for run in one.runs}
        for stage in one.doubted:
            run = runs[stage]
            lasts = run.ends is None or run.ends >= known.now
            others = [known.stages[key] for key in runs if key != stage and key in known.stages]
            names = [f"{other} of job {other.job.number}" for other in others]
            until = "" if lasts else f" to {known.clock(one.ends)}"
            why = (
                f"{what} was clocked on {known.stages[stage]} and on {_list(names)} at once, "
                f"from {known.clock(one.starts)}{until}."
            )
            stretch = Stretch(stage, _who(known, stage, run), run.starts, None if lasts else run.ends)
            earlier = one.starts > run.starts
            suggested = [Suggestion(one.starts, "when the other was begun")] if earlier else []
            yield _doubt(known, stretch, one.what, why, suggested)


def _who(known: _Known, stage: int, run: Row) -> int | None:
    """Who was at a stage during a run, last."""
    if run.person is not None:
        return run.person
    there = [row for row in known.rows if row.stage == stage and row.kind == IntervalKind.HANDS_ON]
    return max(there, key=lambda row: row.starts).person if there else None


def _list(names: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]])) if names else "another stage"


def _doubt(known: _Known, stretch: Stretch, about: str, why: str, suggested: Sequence[Suggestion]) -> Doubt:
    person = known.people.get(stretch.person) if stretch.person is not None else None
    return Doubt(
        known.stages[stretch.stage], person, stretch.starts, stretch.ends, about, why, tuple(suggested)
    )


def _once(found: Iterable[Doubt]) -> list[Doubt]:
    """One question for each stretch: the first that was found."""
    once: dict[tuple[int, datetime], Doubt] = {}
    for one in found:
        once.setdefault((one.stage.pk, one.starts_at), one)
    return list(once.values())
