"""Samples as the intervals have them now, and those that the model does not learn from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta

from django.db.models import Count, F, Q, QuerySet

from analytics.engine.minutes import Span, StageMinutes, measure
from analytics.models import Sample
from analytics.selectors.nights import NIGHT, through_a_night
from jobs.drivers import categories_of, drivers_of
from jobs.models import Category, ClockEvent, Interval, IntervalKind, Stage, StageState, TapKind
from shop.models import Machine, Person, Shop

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
CHUNK = 400
"""Stages looked up at a time: SQLite takes a limited number of parameters."""

NOTHING = "no minutes were clocked"
FORGOTTEN = "ran through a closed night: was a stop forgotten?"


def learnable(shop: Shop) -> QuerySet[Stage]:
    """The finished stages that somebody or a machine worked at."""
    stages = Stage.objects.of(shop).filter(
        state=StageState.FINISHED, finished_at__isnull=False, left_out=False
    )
    return stages.exclude(kind__category=Category.HOLD)


def stages_to_learn(shop: Shop) -> list[int]:
    """Stages whose sample is missing, was made from other events, or should be no more; by their finish."""
    fresh = learnable(shop).filter(Q(sample__isnull=True) | ~Q(sample__fold_digest=F("fold_digest")))
    found = list(fresh.order_by("finished_at", "pk").values_list("pk", flat=True))
    stale = Sample.objects.of(shop).exclude(stage__in=learnable(shop).values("pk"))
    return found + list(stale.values_list("stage_id", flat=True))


def samples_of(shop: Shop, stage_ids: Collection[int] | None = None) -> list[Sample]:
    """The samples, not saved, that these stages (None: all of the shop's) give as they stand, by their finish."""
    if stage_ids is None:
        return _samples(shop, learnable(shop), Interval.objects.of(shop))
    made: list[Sample] = []
    ids = sorted(stage_ids)
    for i in range(0, len(ids), CHUNK):
        some = ids[i : i + CHUNK]
        intervals = Interval.objects.of(shop).filter(stage__in=some)
        made += _samples(shop, learnable(shop).filter(pk__in=some), intervals)
    return sorted(made, key=lambda sample: (sample.finished_at, sample.stage_id))


def unused_counts(shop: Shop, since: datetime | None = None) -> list[tuple[str, int]]:
    """Why samples are not learned from, and how many there are of each reason, the commonest first."""
    unused = Sample.objects.of(shop).filter(used=False)
    if since is not None:
        unused = unused.filter(finished_at__gte=since)
    return list(unused.order_by().values_list("why").annotate(n=Count("pk")).order_by("-n", "why"))


def _samples(shop: Shop, stages: QuerySet[Stage], intervals: QuerySet[Interval]) -> list[Sample]:
    spans = _spans(intervals)
    rows = stages.select_related("kind", "job__job_type").prefetch_related("job__items")
    people = dict(Person.objects.of(shop).values_list("pk", "name"))
    machines = dict(Machine.objects.of(shop).values_list("pk", "name"))
    nights = _through_a_night(shop, spans)
    return [
        _sample(stage, measure(spans.get(stage.pk, ())), stage.pk in nights, people, machines)
        for stage in rows.order_by("finished_at", "pk")
    ]


def _sample(
    stage: Stage,
    minutes: StageMinutes,
    night: bool,
    people: Mapping[int, str],
    machines: Mapping[int, str],
) -> Sample:
    assert stage.finished_at is not None  # noqa: S101 - learnable() asks for it
    categories = {"job_type": stage.job.job_type.name, **categories_of(stage.job.drivers, stage.drivers)}
    if minutes.person is not None:
        categories["person"] = people[minutes.person]
    if minutes.machine is not None:
        categories["machine"] = machines[minutes.machine]
    why = NOTHING if minutes.hands_on + minutes.unattended <= 0 else FORGOTTEN if night else ""
    return Sample(
        shop_id=stage.shop_id,
        stage_id=stage.pk,
        kind_id=stage.kind_id,
        job_type_id=stage.job.job_type_id,
        person_id=minutes.person,
        machine_id=minutes.machine,
        hands_on_min=minutes.hands_on,
        unattended_min=minutes.unattended,
        drivers=drivers_of(stage.job.items.all(), stage.job.drivers, stage.drivers),
        categories=categories,
        finished_at=stage.finished_at,
        used=not why,
        why=why,
        fold_digest=stage.fold_digest,
    )


def _spans(intervals: QuerySet[Interval]) -> dict[int, list[Span]]:
    """The ended hands-on and machine intervals, by stage."""
    found: dict[int, list[Span]] = defaultdict(list)
    worked = intervals.filter(kind__in=(IntervalKind.HANDS_ON, IntervalKind.MACHINE), ends_at__isnull=False)
    rows = worked.order_by().values_list(
        "stage_id", "kind", "person_id", "machine_id", "starts_at", "ends_at"
    )
    for stage, kind, person, machine, starts, ends in rows.iterator(chunk_size=5000):
        assert ends is not None  # noqa: S101 - the filter asks for it
        by_hand = kind == IntervalKind.HANDS_ON
        who = person if by_hand else machine
        found[stage].append(Span(_microseconds(starts), _microseconds(ends), by_hand, who))
    return found


def _through_a_night(shop: Shop, spans: Mapping[int, Sequence[Span]]) -> set[int]:
    """The stages at which somebody is said to have been, by live taps, from one opening time into the next."""
    long = [
        (stage, _instant(span.starts), _instant(span.ends))
        for stage, mine in spans.items()
        for span in mine
        if span.hands_on and span.ends - span.starts > NIGHT // timedelta(microseconds=1)
    ]
    recorded: set[tuple[int, datetime]] = set()
    stages = sorted({stage for stage, _, _ in long})
    for i in range(0, len(stages), CHUNK):
        sittings = ClockEvent.objects.of(shop).filter(stage__in=stages[i : i + CHUNK], kind=TapKind.SITTING)
        recorded.update(sittings.values_list("stage_id", "at"))
    return through_a_night(shop, [stretch for stretch in long if stretch[:2] not in recorded])


def _microseconds(instant: datetime) -> int:
    return (instant - EPOCH) // timedelta(microseconds=1)


def _instant(microseconds: int) -> datetime:
    return EPOCH + timedelta(microseconds=microseconds)
