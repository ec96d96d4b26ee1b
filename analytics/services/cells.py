"""The daily counts of finished stages."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import date, datetime, time, timedelta

from analytics.engine import digest
from analytics.models import Sample, StageDay
from shop.models import Shop

Cell = tuple[int, int, date]
"""Stage kind, job type, and day in the shop's zone."""


def cell_of(shop: Shop, sample: Sample) -> Cell:
    """The cell that a sample counts in."""
    return sample.kind_id, sample.job_type_id, shop.local(sample.finished_at).date()


def cells_remake(shop: Shop, cells: Collection[Cell]) -> None:
    """Count these cells again from the samples that are used; a cell without any is removed."""
    if not cells:
        return
    first, last = min(day for *_, day in cells), max(day for *_, day in cells)
    kinds = {kind for kind, *_ in cells}
    minutes: dict[Cell, list[float]] = defaultdict(list)
    samples = Sample.objects.of(shop).filter(
        used=True,
        kind__in=kinds,
        finished_at__gte=_midnight(shop, first),
        finished_at__lt=_midnight(shop, last + timedelta(days=1)),
    )
    for sample in samples.order_by("finished_at", "stage_id"):
        minutes[cell_of(shop, sample)].append(sample.minutes)
    wanted = set(cells)
    stored = StageDay.objects.of(shop).filter(kind__in=kinds, day__range=(first, last))
    gone = [row.pk for row in stored if (row.kind_id, row.job_type_id, row.day) in wanted]
    for i in range(0, len(gone), 500):
        StageDay.objects.filter(pk__in=gone[i : i + 500]).delete()
    StageDay.objects.bulk_create(
        (_row(shop, cell, minutes[cell]) for cell in sorted(wanted) if cell in minutes), batch_size=1000
    )


def _row(shop: Shop, cell: Cell, minutes: list[float]) -> StageDay:
    kind, job_type, day = cell
    return StageDay(
        shop=shop,
        kind_id=kind,
        job_type_id=job_type,
        day=day,
        n=len(minutes),
        minutes=sum(minutes),
        bins={str(number): n for number, n in sorted(digest.count(minutes).items())},
    )


def _midnight(shop: Shop, day: date) -> datetime:
    return datetime.combine(day, time.min, tzinfo=shop.zone)
