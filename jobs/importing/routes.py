"""Routes of job types that have none, read off the jobs that were done."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from jobs.models import JobType, RouteStage, Stage, StageKind
from jobs.services.routes import MOST_STAGES, NewEdge, NewStage, route_replace
from shop.models import Shop

USUAL = 0.5
"""The part of a type's jobs that a stage kind must have been in to be on its route."""


def routes_make(shop: Shop, job_types: Iterable[JobType]) -> list[str]:
    """Give each of the job types that has no route the usual line of stages of its jobs; their names."""
    bare = {job_type.pk: job_type for job_type in job_types}
    for pk in RouteStage.objects.of(shop).values_list("job_type_id", flat=True).distinct():
        bare.pop(pk, None)
    lines: dict[int, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    stages = Stage.objects.of(shop).filter(job__job_type__in=bare).order_by("job_id", "position", "pk")
    for job_type, job, kind in stages.values_list("job__job_type_id", "job_id", "kind_id"):
        lines[job_type][job].append(kind)
    kinds = {kind.pk: kind for kind in StageKind.objects.of(shop)}
    for pk, by_job in lines.items():
        line = [NewStage(kinds[kind]) for kind in usual_line(by_job)]
        edges = [NewEdge(i, i + 1) for i in range(len(line) - 1)]
        route_replace(bare[pk], line, edges)
    return [bare[pk].name for pk in lines]


def usual_line(by_job: Mapping[int, Sequence[int]]) -> list[int]:
    """The kinds that at least half of the jobs have (at least the commonest), by their mean place along a job.

    by_job: job to its kinds in the order of their first start. At most as many as a route may have.
    """
    places: dict[int, list[float]] = defaultdict(list)
    for line in by_job.values():
        for place, kind in enumerate(dict.fromkeys(line)):
            places[kind].append(place / len(line))
    by_count = sorted(places, key=lambda kind: (-len(places[kind]), kind))
    usual = [kind for kind in by_count if len(places[kind]) >= USUAL * len(by_job)] or by_count[:1]
    return sorted(usual[:MOST_STAGES], key=lambda kind: (sum(places[kind]) / len(places[kind]), kind))
