"""Samples as the intervals have them now, and those that the model does not learn from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta

from django.db.models import Count, F, Q, QuerySet

from analytics.engine.minutes import Span, StageMinutes, measure
from analytics.models import Sample
from analytics.selectors.judging import CLASH, FORGOTTEN, NOTHING, judge
from analytics.selectors.overlaps import overlaps_of, stages_beside
from analytics.selectors.signs import Row, rows_of, signs_of
from jobs.drivers import categories_of, depends_on, drivers_of
from jobs.models import Category, Interval, IntervalKind, Stage, StageState
from jobs.selectors.drivers import ignored_drivers
from jobs.services.clock_reach import chunks
from shop.models import Machine, Person, Shop

CUT = "was begun again before it was finished: how long it takes when all goes well is not known"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
UNBEGUN = "nobody clocked when it began"
__all__ = [
    "EPOCH",
    "FORGOTTEN",
    "NOTHING",
    "UNBEGUN",
    "learnable",
    "samples_of",
    "stages_to_judge",
    "stages_to_learn",
]


def learnable(shop: Shop) -> QuerySet[Stage]:
    """The finished stages that somebody or a machine worked at, and the holds that somebody said were over.

    A hold of set length is not among them: the shop chose how long it lasts, so there is nothing to learn. Nor are the
    stages of an import's jobs before all of it is in.
    """
    stages = Stage.objects.of(shop).filter(
        Q(job__imported=None) | Q(job__imported__brought_in_at__isnull=False),
        state=StageState.FINISHED,
        finished_at__isnull=False,
        left_out=False,
    )
    return stages.exclude(kind__category=Category.HOLD, hold_min__isnull=False)


def stages_to_learn(shop: Shop) -> list[int]:
    """Stages whose sample is missing, was made from other events, hangs on another's, or should be no more.

    By their finish.
    """
    fresh = learnable(shop).filter(Q(sample__isnull=True) | ~Q(sample__fold_digest=F("fold_digest")))
    found = list(fresh.order_by("finished_at", "pk").values_list("pk", flat=True))
    stale = Sample.objects.of(shop).exclude(stage__in=learnable(shop).values("pk"))
    return found + list(stale.values_list("stage_id", flat=True)) + _clashing(shop)


def _clashing(shop: Shop) -> list[int]:
    """The stages that clashed when they were learned: they may do so no more."""
    return list(Sample.objects.of(shop).filter(why=CLASH).values_list("stage_id", flat=True))


def stages_to_judge(shop: Shop, stage_ids: Collection[int]) -> set[int]:
    """These stages, and those whose samples are judged by them.

    A record is judged by the earlier ones of its kind, so what comes late, changes or goes bears on the later ones.
    A clash is one with another stage, so it bears on those that were clocked beside it.
    """
    ids = stages_beside(shop, stage_ids)
    ids.update(_clashing(shop))
    for kind_id, at in _first_of_kinds(shop, sorted(ids)).items():
        later = Sample.objects.of(shop).filter(kind=kind_id, finished_at__gte=at)
        ids.update(later.values_list("stage_id", flat=True))
    return ids


def _first_of_kinds(shop: Shop, stage_ids: Sequence[int]) -> dict[int, datetime]:
    """Kind to the earliest finish among these stages, as they stand or as they were learned."""
    first: dict[int, datetime] = {}
    for some in chunks(stage_ids):
        now = learnable(shop).filter(pk__in=some).order_by().values_list("kind", "finished_at")
        then = Sample.objects.of(shop).filter(stage__in=some).order_by().values_list("kind", "finished_at")
        for kind, at in (*now, *then):
            if at is not None:
                first[kind] = min(at, first.get(kind, at))
    return first


def samples_of(shop: Shop, stage_ids: Collection[int] | None = None) -> list[Sample]:
    """The samples, not saved, that these stages (None: all of the shop's) give as they stand, by their finish."""
    clocked = Interval.objects.of(shop)
    if stage_ids is None:
        rows = rows_of(clocked.filter(stage__in=learnable(shop).values("pk")))
        made = _samples(shop, learnable(shop), rows)
    else:
        made, rows, ids = [], [], sorted(stage_ids)
        for some in chunks(ids):
            mine = rows_of(clocked.filter(stage__in=some))
            made += _samples(shop, learnable(shop).filter(pk__in=some), mine)
            rows += mine
        made.sort(key=lambda sample: (sample.finished_at, sample.stage_id))
    rows = [row for row in rows if row.kind != IntervalKind.HOLD]  # nobody is at a hold who could forget it
    overlaps = overlaps_of(shop, None if stage_ids is None else rows)
    clashing = {stage for one in overlaps for stage in one.doubted}
    judge(shop, made, signs_of(shop, rows), clashing, whole=stage_ids is None)
    return made


def unused_counts(shop: Shop, since: datetime | None = None) -> list[tuple[str, int]]:
    """Why samples are not learned from, and how many there are of each reason, the commonest first."""
    unused = Sample.objects.of(shop).filter(used=False)
    if since is not None:
        unused = unused.filter(finished_at__gte=since)
    return list(unused.order_by().values_list("why").annotate(n=Count("pk")).order_by("-n", "why"))


def _samples(shop: Shop, stages: QuerySet[Stage], intervals: Sequence[Row]) -> list[Sample]:
    spans, cut = spans_of(intervals), cut_short(intervals)
    rows = stages.select_related("kind", "job__job_type").prefetch_related("job__items")
    ignored = ignored_drivers(shop)
    people = dict(Person.objects.of(shop).values_list("pk", "name"))
    machines = dict(Machine.objects.of(shop).values_list("pk", "name"))
    made = [
        _sample(stage, measure(spans.get(stage.pk, ())), people, machines, ignored.get(stage.kind_id, ()))
        for stage in rows.order_by("finished_at", "pk")
    ]
    for sample in made:
        if not sample.why and sample.stage_id in cut:
            sample.why, sample.used = CUT, False
    return made


def cut_short(intervals: Sequence[Row]) -> set[int]:
    """The stages whose first making ended at the very press that began it again: it was never finished."""
    clean: dict[int, datetime] = {}
    redone: dict[int, datetime] = {}
    for row in intervals:
        if row.kind not in (IntervalKind.HANDS_ON, IntervalKind.MACHINE):
            continue
        if row.again:
            redone[row.stage] = min(row.starts, redone.get(row.stage, row.starts))
        elif row.ends is not None:
            clean[row.stage] = max(row.ends, clean.get(row.stage, row.ends))
    return {stage for stage, starts in redone.items() if clean.get(stage) == starts}


def _sample(
    stage: Stage,
    minutes: StageMinutes,
    people: Mapping[int, str],
    machines: Mapping[int, str],
    ignores: Collection[str],
) -> Sample:
    assert stage.finished_at is not None  # noqa: S101 - learnable() asks for it
    own = depends_on(ignores, categories_of(stage.job.drivers, stage.drivers))
    categories = {"job_type": stage.job.job_type.name, **own}
    if minutes.person is not None:
        categories["person"] = people[minutes.person]
    if minutes.machine is not None:
        categories["machine"] = machines[minutes.machine]
    items = () if stage.kind.is_hold else stage.job.items.all()  # how large a job is bears on no wait
    why = ""
    if minutes.hands_on + minutes.unattended <= 0:
        why = UNBEGUN if stage.kind.is_hold else NOTHING
    return Sample(
        shop_id=stage.shop_id,
        stage_id=stage.pk,
        kind_id=stage.kind_id,
        job_type_id=stage.job.job_type_id,
        person_id=minutes.person,
        machine_id=minutes.machine,
        hands_on_min=minutes.hands_on,
        unattended_min=minutes.unattended,
        drivers=depends_on(ignores, drivers_of(items, stage.job.drivers, stage.drivers)),
        categories=categories,
        finished_at=stage.finished_at,
        used=not why,
        why=why,
        fold_digest=stage.fold_digest,
    )


def spans_of(intervals: Sequence[Row]) -> dict[int, list[Span]]:
    """The ended intervals by stage, without pauses and what was done again: those are no clean minutes.

    A hold's are elapsed time with nobody there, nights and weekends too.
    """
    found: dict[int, list[Span]] = defaultdict(list)
    for row in intervals:
        by_hand = row.kind == IntervalKind.HANDS_ON
        if row.ends is None or row.again or row.kind == IntervalKind.INTERRUPTION:
            continue
        who = row.person if by_hand else row.machine
        found[row.stage].append(Span(_microseconds(row.starts), _microseconds(row.ends), by_hand, who))
    return found


def _microseconds(instant: datetime) -> int:
    return (instant - EPOCH) // timedelta(microseconds=1)
