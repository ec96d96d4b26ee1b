"""What the fold must know of a shop's stages, machines and causes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence

from jobs.clock import Event, Facts, HoldFact
from jobs.models import Attendance, Cause, Stage, StageEdge, TapKind
from jobs.routes import Link, active_edges
from jobs.services.clock_reach import chunks
from shop.models import Machine, Shop, Unattended

OTHER_WORK = "other-work"


def stages_to_fold(shop: Shop, stage_ids: Collection[int] | None) -> list[Stage]:
    """All stages of the jobs of these, with their kinds and jobs; None: all of the shop's."""
    stages = Stage.objects.of(shop).select_related("kind", "job")
    if stage_ids is not None:
        jobs = Stage.objects.of(shop).filter(pk__in=stage_ids).order_by().values("job")
        stages = stages.filter(job__in=jobs).select_for_update(of=("self",))
    return list(stages.order_by("job_id", "position", "pk"))


def facts_of(shop: Shop, stages: Sequence[Stage], events: Collection[Event]) -> Facts:
    """The facts for these stages and events: arrows only for jobs in which something lies or is done again."""
    redone = {event.stage for event in events if event.kind == TapKind.AGAIN}
    holds: dict[int, HoldFact] = {}
    follows: dict[int, tuple[int, ...]] = {}
    winding = []
    for mine in _by_job(stages):
        held = [stage for stage in mine if stage.kind.is_hold]
        holds.update((stage.pk, HoldFact(minutes=stage.hold_min)) for stage in held)
        # A hold that is left out has no arrows among those that are kept, so it is only what is clocked.
        if any(not stage.left_out for stage in held) or any(stage.pk in redone for stage in mine):
            winding.append(mine)
    arrows = _arrows(shop, [mine[0].job_id for mine in winding])
    for mine in winding:
        links = active_edges(mine, arrows[mine[0].job_id])
        holds.update((stage.pk, _hold(stage, links)) for stage in mine if stage.pk in holds)
        if any(stage.pk in redone for stage in mine):
            follows.update((stage.pk, _after(stage, links)) for stage in mine)
    machines = _machines(shop) if any(event.machine for event in events) else []
    return Facts(
        start_only=frozenset(stage.pk for stage in stages if stage.kind.attendance == Attendance.START),
        alone=frozenset(key for key, unattended, _ in machines if unattended != Unattended.NO),
        capacity={key: capacity for key, _, capacity in machines},
        other_work=Cause.objects.of(shop).filter(key=OTHER_WORK).values_list("pk", flat=True).first(),
        holds=holds,
        follows=follows,
    )


def _arrows(shop: Shop, jobs: Sequence[int]) -> dict[int, list[StageEdge]]:
    """The arrows of these jobs, by job."""
    found: dict[int, list[StageEdge]] = defaultdict(list)
    for some in chunks(jobs):
        edges = StageEdge.objects.of(shop).filter(before__job__in=some).order_by("pk")
        for edge in edges.select_related("before"):
            found[edge.before.job_id].append(edge)
    return found


def _machines(shop: Shop) -> list[tuple[int, str, int]]:
    return list(Machine.objects.of(shop).order_by().values_list("pk", "unattended", "capacity"))


def _by_job(stages: Iterable[Stage]) -> Collection[list[Stage]]:
    by_job: dict[int, list[Stage]] = defaultdict(list)
    for stage in stages:
        by_job[stage.job_id].append(stage)
    return by_job.values()


def _hold(stage: Stage, links: Iterable[Link]) -> HoldFact:
    before = tuple(link.before_id for link in links if link.after_id == stage.pk)
    return HoldFact(before, _after(stage, links), stage.hold_min)


def _after(stage: Stage, links: Iterable[Link]) -> tuple[int, ...]:
    return tuple(link.after_id for link in links if link.before_id == stage.pk)
