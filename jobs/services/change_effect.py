"""What taps would change, from the fold alone: nothing is written."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from jobs.clock import Clash, Folded, Span, StageFold, fold
from jobs.models import Cause, ClockEvent, Interval, IntervalKind, Job, Stage, StageState
from jobs.services.clock_facts import facts_of
from jobs.services.clock_reach import event_of, events_of_stages, stages_touched
from jobs.services.job_clock import stages_of
from jobs.services.tap_checks import Tap
from shop.errors import BadInput
from shop.models import Machine, Person, Shop
from shop.templatetags.shop_time import shop_time
from shop.words import say_clock


@dataclass(frozen=True)
class Part:
    """One stage as it is, or as it would be: its state and what its events come to."""

    fold: StageFold
    spans: tuple[Span, ...]

    def minutes(self, kind: str, now: datetime) -> float:
        """Minutes of one kind of interval; those that last count up to `now` (aware)."""
        spans = [span for span in self.spans if span.kind == kind]
        return sum((((span.ends or now) - span.starts) / timedelta(minutes=1) for span in spans), 0.0)


@dataclass(frozen=True)
class StageChange:
    """A stage that changes, perhaps of another job that somebody left sooner."""

    stage: Stage
    before: Part
    after: Part


@dataclass(frozen=True)
class Names:
    """What people, machines and causes are called, by key."""

    people: dict[int, str]
    machines: dict[int, str]
    causes: dict[int, str]

    def who(self, span: Span) -> str:
        """Whose minutes they are, or why nobody's."""
        if span.kind == "machine":
            return self.machines.get(span.machine or 0, "")
        if span.kind == "interruption":
            return self.causes.get(span.cause or 0, "") or self.people.get(span.person or 0, "")
        return self.people.get(span.person or 0, "")


@dataclass(frozen=True)
class Effect:
    """All stages that change, and the machines that would have more at once than they take."""

    changes: list[StageChange]
    crowds: list[str]
    names: Names

    def kept(self, *, after: bool, now: datetime) -> list[dict[str, Any]]:
        """As a Correction keeps it: one entry for each changed stage."""
        return [
            _entry(change.stage, change.after if after else change.before, self.names, now)
            for change in self.changes
        ]


def effect_of(job: Job, taps: Sequence[Tap], now: datetime) -> Effect:
    """What these taps would change. Raises BadInput where somebody would be at two stages at once."""
    shop = job.shop
    rows = [_row(shop, tap, now) for tap in taps]
    touched = stages_touched(shop, rows)
    jobs = set(Stage.objects.of(shop).filter(pk__in=touched).values_list("job", flat=True)) | {job.pk}
    stages = stages_of(shop, jobs)
    known = events_of_stages(shop, [stage.pk for stage in stages])
    with_taps = [*known, *map(event_of, rows)]
    before = fold(known, facts_of(shop, stages, known))
    after = fold(with_taps, facts_of(shop, stages, with_taps))
    changes = _changes(stages, before, after)
    by_key = {stage.pk: stage for stage in stages}
    _refuse_twice(shop, by_key, before, after, now)
    return Effect(changes, _crowds(by_key, before, after, shop), names_of(shop))


def names_of(shop: Shop) -> Names:
    """What the shop's people, machines and causes are called."""
    return Names(
        dict(Person.objects.of(shop).values_list("pk", "name")),
        dict(Machine.objects.of(shop).values_list("pk", "name")),
        dict(Cause.objects.of(shop).values_list("pk", "name")),
    )


def _row(shop: Shop, tap: Tap, now: datetime) -> ClockEvent:
    """A tap as the row that it would be."""
    return ClockEvent(
        id=tap.id,
        shop=shop,
        kind=tap.kind,
        stage_id=tap.stage,
        to_stage_id=tap.to_stage,
        person_id=tap.person,
        machine_id=tap.machine,
        cause_id=tap.cause,
        corrects=tap.corrects,
        element_id=tap.element,
        at=tap.at,
        until=tap.until,
        hands_on_min=tap.hands_on_min,
        device_at=tap.at,
        received_at=now,
    )


def _changes(stages: Sequence[Stage], before: Folded, after: Folded) -> list[StageChange]:
    parts = [_parts(folded) for folded in (before, after)]
    changes = []
    for stage in stages:
        one, other = (
            Part(folded.stages.get(stage.pk, StageFold()), tuple(spans[stage.pk]))
            for folded, spans in zip((before, after), parts, strict=True)
        )
        if one != other:
            changes.append(StageChange(stage, one, other))
    return changes


def _parts(folded: Folded) -> dict[int, list[Span]]:
    by_stage: dict[int, list[Span]] = defaultdict(list)
    for span in folded.spans:
        by_stage[span.stage].append(span)
    return by_stage


def _refuse_twice(shop: Shop, stages: dict[int, Stage], before: Folded, after: Folded, now: datetime) -> None:
    """Refuse what would have somebody at two stages at once for longer than the clock has it already."""
    changed = set(before.spans) ^ set(after.spans)
    people = {span.person for span in changed if span.kind == "hands_on" and span.stage in stages}
    for person in sorted(key for key in people if key is not None):
        first = min(span.starts for span in changed if span.person == person)
        others = _elsewhere(shop, person, stages, first)
        old, new = (
            sorted([*others, *(s for s in folded.spans if _hers(s, person, stages))], key=lambda s: s.starts)
            for folded in (before, after)
        )
        if _double(new, now) > _double(old, now):
            known = set(_pairs(old))
            one, other = next(pair for pair in _pairs(new) if pair not in known)
            keys = (one.stage, other.stage)
            far = Stage.objects.of(shop).select_related("job").in_bulk(keys)
            names = list(dict.fromkeys(_stage_words(stages.get(key) or far[key]) for key in keys))
            raise BadInput(_twice_words(shop, person, names, other.starts), field="person")


def _hers(span: Span, person: int, stages: Collection[int]) -> bool:
    return span.kind == "hands_on" and span.person == person and span.stage in stages


def _elsewhere(shop: Shop, person: int, stages: Collection[int], since: datetime) -> list[Span]:
    """A person's hands-on time at stages that are not folded here."""
    rows = Interval.objects.of(shop).filter(kind=IntervalKind.HANDS_ON, person=person)
    rows = rows.exclude(stage__in=list(stages)).exclude(ends_at__lte=since)
    return [
        Span(stage, "hands_on", starts, ends, person=person)
        for stage, starts, ends in rows.values_list("stage", "starts_at", "ends_at")
    ]


def _double(spans: Sequence[Span], now: datetime) -> timedelta:
    """How much of these spans, in order of their beginnings, lies in more than one of them."""
    double, until = timedelta(0), None
    for span in spans:
        ends = max(span.ends or now, span.starts)
        if until is not None and span.starts < until:
            double += min(until, ends) - span.starts
        until = ends if until is None else max(until, ends)
    return double


def _pairs(spans: Sequence[Span]) -> Iterator[tuple[Span, Span]]:
    """Those that share time, of spans in order of their beginnings."""
    lasting: list[Span] = []
    for span in spans:
        lasting = [one for one in lasting if one.ends is None or one.ends > span.starts]
        yield from ((one, span) for one in lasting)
        lasting.append(span)


def _twice_words(shop: Shop, person: int, stages: Sequence[str], at: datetime) -> str:
    name = Person.objects.of(shop).get(pk=person).name
    where = " and at ".join(stages) if len(stages) > 1 else f"{stages[0]} twice"
    return (
        f"{name} would be at {where} at once, from {shop_time(at, shop)}. Nobody's time counts twice: "
        "put one of the two right first, or choose other times."
    )


def _stage_words(stage: Stage) -> str:
    return f"'{stage}' of job {stage.job.number}"


def _crowds(stages: dict[int, Stage], before: Folded, after: Folded, shop: Shop) -> list[str]:
    """The machines that would newly be beyond their capacity, in words."""
    fresh: list[Clash] = [
        clash for clash in after.clashes if clash.kind == "machine" and clash not in set(before.clashes)
    ]
    names = dict(Machine.objects.of(shop).values_list("pk", "name")) if fresh else {}
    return [
        f"{names.get(clash.key, 'A machine')} would have "
        f"{' and '.join(_stage_words(stages[key]) for key in clash.stages if key in stages)} at once, "
        f"from {say_clock(shop.local(clash.at))}."
        for clash in fresh
    ]


def _entry(stage: Stage, part: Part, names: Names, now: datetime) -> dict[str, Any]:
    return {
        "stage": stage.name,
        "job": stage.job.number,
        "state": StageState(part.fold.state).label,
        "intervals": [
            {
                "kind": span.kind,
                "who": names.who(span),
                "starts_at": _utc(span.starts),
                "ends_at": _utc(span.ends) if span.ends else None,
            }
            for span in part.spans
        ],
        "hands_on_min": round(part.minutes("hands_on", now), 3),
        "machine_min": round(part.minutes("machine", now), 3),
    }


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")
