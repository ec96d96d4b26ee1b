"""A shop's drivers: which are given where, and which kind of stage does not depend on which."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Count, Q

from jobs.models import Driver, Job, Stage, StageKind
from shop.models import Shop


@dataclass(frozen=True)
class DriverUse:
    """With how many jobs and stages a driver is given by itself, beside what items give."""

    jobs: int
    stages: int

    @property
    def any(self) -> bool:
        """Whether it is given at all."""
        return bool(self.jobs or self.stages)

    @property
    def words(self) -> str:
        """'1 job and 3 stages'; empty for neither."""
        return " and ".join(
            f"{n:,} {one if n == 1 else many}"
            for n, one, many in ((self.jobs, "job", "jobs"), (self.stages, "stage", "stages"))
            if n
        )


def driver_uses(shop: Shop, drivers: Sequence[Driver]) -> dict[str, DriverUse]:
    """Each driver's key to where it is given. Two queries, however many there are."""
    counts = {f"n{i}": Count("pk", filter=Q(drivers__has_key=one.key)) for i, one in enumerate(drivers)}
    if not counts:
        return {}
    jobs = Job.objects.of(shop).order_by().aggregate(**counts)
    stages = Stage.objects.of(shop).order_by().aggregate(**counts)
    return {one.key: DriverUse(jobs[f"n{i}"], stages[f"n{i}"]) for i, one in enumerate(drivers)}


def ignored_drivers(shop: Shop) -> dict[int, set[str]]:
    """Stage kind's key in the database to the keys of the drivers that its time does not depend on."""
    found: dict[int, set[str]] = defaultdict(set)
    pairs = StageKind.objects.of(shop).filter(ignores__isnull=False).order_by()
    for kind, key in pairs.values_list("pk", "ignores__key"):
        found[kind].add(key)
    return found
