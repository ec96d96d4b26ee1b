"""A small invented shop whose dates can be added up by hand."""

from datetime import UTC, datetime, time, timedelta

from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, JobType, Stage, StageState
from jobs.services.jobs import job_create
from shop.models import Machine, MachineKind, OpeningHours, Person, Process, Shop, Skill, Unattended
from shop.services import shop_create

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)


def make_quay(slug: str = "quay") -> Shop:
    """Open Monday to Friday 09:00-17:00 UTC, one person who can do all, a printer, a cutter and a laminator."""
    shop = shop_create(slug=slug, name="Quay Signs", time_zone="UTC")
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens=time(9), closes=time(17)) for day in range(5)
    )
    person = Person.objects.create(shop=shop, name="Ines")
    person.skills.set(Skill.objects.of(shop))
    for kind in (MachineKind.PRINTER, MachineKind.CUTTER, MachineKind.LAMINATOR):
        Machine.objects.create(shop=shop, name=str(kind), kind=kind, unattended=Unattended.ALWAYS)
    return shop


def enquiry(shop: Shop, process: str = "UV", job_type: str = "Labels and decals", **more: object) -> Job:
    """An enquiry for ten labels, or as `more` says."""
    facts = {
        "job_type": JobType.objects.of(shop).get(name=job_type),
        "title": "Crate labels",
        "process": Process.objects.of(shop).get(name=process),
        "items": [ItemSize(300, 200, 10)],
    }
    job = job_create(shop=shop, **{**facts, **more})
    return Job.objects.prefetch_related("stages__kind").get(pk=job.pk)


def past(
    shop: Shop,
    count: int,
    lead: timedelta = timedelta(days=4),
    dated: bool = True,
    **more: object,
) -> None:
    """So many finished jobs, one a weekday, the last of them on the Friday before MONDAY."""
    days = [day for day in (MONDAY - timedelta(days=i) for i in range(1, 120)) if day.weekday() < 5][:count]
    for day in days:
        job = enquiry(shop, **more)
        Job.objects.filter(pk=job.pk).update(
            status=JobStatus.FINISHED,
            created_at=day,
            started_at=day,
            finished_at=day + timedelta(days=2),
            due_at=day + lead if dated else None,
        )
        Stage.objects.filter(job=job).update(state=StageState.FINISHED, finished_at=day + timedelta(days=2))
