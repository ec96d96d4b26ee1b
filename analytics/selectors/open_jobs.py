"""Jobs as the promise reads them: each with its stages, arrows, items and times, in a fixed number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from django.db.models import Q, QuerySet

from analytics.models import Promise
from analytics.selectors.laws import Inputs, inputs_of
from jobs.models import Item, Job, JobStatus, JobType, Stage, StageEdge, StageKind, VisitWindow
from jobs.routes import EdgeLike, Link, active_edges
from shop.models import Shop

OPEN = (JobStatus.PROMISED, JobStatus.IN_HAND)

OfJob = TypeVar("OfJob", Stage, Item, VisitWindow)


@dataclass(frozen=True, eq=False)
class OpenJob:
    """A job with all that the promise reads of it. Its stages have their kinds.

    links: the arrows among the stages that are kept. visits: when the customer can be visited. ignores: keys of the
    drivers that a kind's time does not hang on, by the kind's own key. confidence: of the date that stands.
    """

    job: Job
    stages: Sequence[Stage]
    links: Sequence[Link]
    items: Sequence[Item]
    visits: Sequence[tuple[datetime, datetime]]
    ignores: Mapping[int, frozenset[str]]
    confidence: float | None = None

    @classmethod
    def of(cls, job: Job) -> OpenJob:
        """Of one job whose stages, arrows, items and visits are prefetched, or are read here."""
        stages = list(job.stages.all())
        return cls.made(
            job,
            stages,
            [edge for stage in stages for edge in stage.out_edges.all()],
            list(job.items.all()),
            [(visit.starts_at, visit.ends_at) for visit in job.visits.all()] if job.pk else [],
            {stage.kind_id: frozenset(one.key for one in stage.kind.ignores.all()) for stage in stages},
        )

    @classmethod
    def made(
        cls,
        job: Job,
        stages: Sequence[Stage],
        edges: Sequence[EdgeLike],
        items: Sequence[Item],
        visits: Sequence[tuple[datetime, datetime]],
        ignores: Mapping[int, frozenset[str]],
        confidence: float | None = None,
    ) -> OpenJob:
        """With the arrows joined over the stages that are left out."""
        return cls(job, stages, active_edges(stages, edges), items, visits, ignores, confidence)

    @property
    def kept(self) -> dict[int, Stage]:
        """The stages that are made, by key."""
        return {stage.pk: stage for stage in self.stages if not stage.left_out}

    def inputs(self, stage: Stage, machine: str = "") -> Inputs:
        """What the minutes of a stage hang on."""
        return inputs_of(self.job, stage, self.items, self.ignores[stage.kind_id], machine)


def open_jobs(shop: Shop, target: Job | None) -> list[OpenJob]:
    """The promised and begun jobs and the one asked about, with all that a promise reads, by number. Nine queries."""
    wanted = Q(status__in=OPEN) if target is None else Q(status__in=OPEN) | Q(pk=target.pk)
    chosen = Job.objects.of(shop).filter(wanted)
    return read_jobs(shop, chosen, standing_odds(shop, chosen))


def read_jobs(shop: Shop, chosen: QuerySet[Job], odds: Mapping[int, float]) -> list[OpenJob]:
    """These jobs with all that a promise reads, by number. odds: of the date that stands, by the job's key."""
    kinds = {kind.pk: kind for kind in _kinds(shop)}
    types = {one.pk: one for one in JobType.objects.of(shop)}
    ignores = {pk: frozenset(one.key for one in kind.ignores.all()) for pk, kind in kinds.items()}
    keys = chosen.order_by().values_list("pk")
    stages = _by_job(Stage.objects.of(shop).filter(job__in=keys).order_by("position", "pk"))
    items = _by_job(Item.objects.of(shop).filter(job__in=keys).order_by("position", "pk"))
    visits = _by_job(VisitWindow.objects.of(shop).filter(job__in=keys).order_by("starts_at", "pk"))
    links: dict[int, list[Link]] = defaultdict(list)
    rows = StageEdge.objects.of(shop).filter(before__job__in=keys)
    for key, before, after, moment, lag in rows.values_list(
        "before__job_id", "before_id", "after_id", "kind", "lag_min"
    ):
        links[key].append(Link(before, after, moment, lag))
    found = []
    for job in chosen.order_by("number"):
        job.job_type = types[job.job_type_id]
        mine = stages[job.pk]
        for stage in mine:
            stage.kind = kinds[stage.kind_id]
        times = [(visit.starts_at, visit.ends_at) for visit in visits[job.pk]]
        found.append(OpenJob.made(job, mine, links[job.pk], items[job.pk], times, ignores, odds.get(job.pk)))
    return found


def _by_job(rows: Iterable[OfJob]) -> dict[int, list[OfJob]]:
    grouped: dict[int, list[OfJob]] = defaultdict(list)
    for row in rows:
        grouped[row.job_id].append(row)
    return grouped


def standing_odds(shop: Shop, jobs: QuerySet[Job]) -> dict[int, float]:
    """The confidence of the promise that stands, by the job's key."""
    rows = Promise.objects.of(shop).filter(job__in=jobs, withdrawn_at=None)
    return dict(rows.order_by("made_at", "pk").values_list("job_id", "confidence"))


def _kinds(shop: Shop) -> QuerySet[StageKind]:
    return StageKind.objects.of(shop).select_related("skill").prefetch_related("ignores")
